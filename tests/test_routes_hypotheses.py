"""Which ways are listed, and their priors."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.model.site import Priors, Site
from sitegis.routes.hypotheses import enumerate_hypotheses, prior_words

from .invented import corner_site


def priors(site: Site) -> dict[str, float]:
    return {h.id: h.prior for h in enumerate_hypotheses(site)}


def test_a_corner_lot_lists_every_way() -> None:
    """Front, side and alley mains: direct ways, yard runs that can serve them, and `unlisted`."""
    assert set(priors(corner_site())) == {
        "front-main:direct",
        "front-main:side-yard-left",
        "front-main:side-yard-right",
        "side-main:direct",
        "side-main:side-yard-front",
        "side-main:side-yard-rear",
        "alley-main:direct",
        "alley-main:side-yard-left",
        "alley-main:side-yard-right",
        "unlisted",
    }


def test_toward_follows_the_side_of_the_main() -> None:
    """Ways are named by the side of the lot they go to."""
    toward = {h.main: h.toward for h in enumerate_hypotheses(corner_site())}
    assert toward == {"front-main": "front", "side-main": "side", "alley-main": "rear", None: None}


def test_unlisted_keeps_two_per_cent() -> None:
    """The floor of the design: 2 %."""
    assert priors(corner_site())["unlisted"] == pytest.approx(0.02)


@pytest.mark.parametrize(("year", "alley_over_front"), [(1924, 1.0), (1975, 0.25), (None, 0.5)])
def test_alley_weighs_by_the_age_of_the_house(year: int | None, alley_over_front: float) -> None:
    """An alley on record is about even with the front for older houses only."""
    got = priors(replace(corner_site(), year_built=year))
    assert got["alley-main:direct"] / got["front-main:direct"] == pytest.approx(alley_over_front)


def test_no_alley_main_no_alley_way() -> None:
    """Without an alley main on record nothing leads to the alley."""
    site = corner_site()
    got = priors(replace(site, mains=tuple(m for m in site.mains if m.kind != "alley")))
    assert not any(name.startswith("alley") for name in got)


def test_side_yards_are_for_older_houses() -> None:
    """A newer house has far less prior on side-yard runs."""

    def yards(year: int) -> float:
        got = priors(replace(corner_site(), year_built=year))
        return sum(p for name, p in got.items() if "side-yard" in name)

    assert yards(1924) > 3 * yards(1990)


@pytest.mark.parametrize(("year", "weight"), [(1924, 0.25), (1990, 0.05), (None, 0.15)])
def test_a_mains_ways_do_not_hang_on_other_mains(year: int | None, weight: float) -> None:
    """p(side yard | main) is weight / (1 + weight), alone on record or beside others."""
    site = replace(corner_site(), year_built=year)
    for mains in (site.mains, site.mains[:1], site.mains[1:]):
        listed = enumerate_hypotheses(replace(site, mains=mains))
        for main in mains:
            of_main = [h for h in listed if h.main == main.id]
            yards = sum(h.prior for h in of_main if h.way == "side-yard")
            whole = sum(h.prior for h in of_main)
            assert yards / whole == pytest.approx(weight / (1.0 + weight))


def test_two_mains_in_one_street_share_its_weight() -> None:
    """A second main in the front street halves each one's prior, the street's stays."""
    site = corner_site()
    second = replace(site.mains[0], id="front-main-2")
    one, two = priors(site), priors(replace(site, mains=(*site.mains, second)))
    assert two["front-main:direct"] == pytest.approx(two["front-main-2:direct"])
    assert two["front-main:direct"] * 2 == pytest.approx(one["front-main:direct"])


@given(st.lists(st.none() | st.floats(0.0, 50.0), min_size=6, max_size=6))
@settings(deadline=None, max_examples=50)
def test_priors_sum_to_one_whatever_the_user_says(weights: list[float | None]) -> None:
    """Any set of overrides gives non-negative priors that sum to 1."""
    got = priors(replace(corner_site(), priors=Priors(*weights)))
    assert sum(got.values()) == pytest.approx(1.0)
    assert min(got.values()) >= 0.0


def test_the_user_may_override_every_prior() -> None:
    """Relative weights given by the user hold, `unlisted` too."""
    given_weights = Priors(front=1, rear=1, alley=3, side=0, side_yard=0, unlisted=1)
    got = priors(replace(corner_site(), priors=given_weights))
    assert got["front-main:direct"] == pytest.approx(0.2)
    assert got["alley-main:direct"] == pytest.approx(0.6)
    assert got["unlisted"] == pytest.approx(0.2)


def test_words_say_what_is_in_force() -> None:
    """The words name the weights, that they have no source, and what the user gave."""
    plain = " ".join(prior_words(corner_site()))
    assert "common practice, no source" in plain
    assert "front 1," in plain
    assert "2 %" in plain
    changed = " ".join(prior_words(replace(corner_site(), priors=Priors(side_yard=0.7))))
    assert "side-yard 0.7" in changed
    assert "Given by the user instead of the default: side-yard." in changed


def test_words_say_how_laterals_are_taken_to_be_laid() -> None:
    """The habits behind the routes are told as well."""
    words = " ".join(prior_words(corner_site()))
    assert "40 % 0, 32 % 1, 20 % 2, 8 % 3" in words
    assert "a riser remains possible" in words


def test_a_sanitary_drain_does_not_join_a_storm_main() -> None:
    """Weight 0 for the storm main, its share to the other in the same street; combined it may."""
    site = corner_site()
    front = next(main for main in site.mains if main.side == "front")
    twin = replace(front, id="storm-main", system="storm")
    sanitary = replace(
        site, mains=(*site.mains, twin), record=replace(site.record, sewer_type="sanitary")
    )
    before = {one.id: one.prior for one in enumerate_hypotheses(site)}
    after = {one.id: one.prior for one in enumerate_hypotheses(sanitary)}
    assert sum(p for name, p in after.items() if name.startswith("storm-main")) == 0.0
    assert {name: after[name] for name in before} == pytest.approx(before)
    combined = replace(sanitary, mains=(*site.mains, replace(twin, system="combined")))
    assert sum(
        one.prior for one in enumerate_hypotheses(combined) if one.main == "storm-main"
    ) == pytest.approx(sum(p for n, p in before.items() if n.startswith(front.id)) / 2)
