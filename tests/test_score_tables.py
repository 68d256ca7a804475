"""Tables for correlated evidence."""

from __future__ import annotations

from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from scipy.stats import betabinom

from sitegis.evidence import (
    CameraNote,
    CleanoutOutside,
    Dye,
    Era,
    Evidence,
    MainInspection,
    Neighbors,
    OutdoorLocate,
    PermitDrawing,
    RouteSet,
    Sound,
    SurfaceSign,
    TapRecord,
)
from sitegis.evidence.dye import FALSE_SEEN
from sitegis.evidence.neighbors import MEAN as NEIGHBOR_MEAN
from sitegis.evidence.neighbors import STRENGTH as NEIGHBOR_STRENGTH
from sitegis.evidence.neighbors import beta_binomial
from sitegis.evidence.neighbors import likelihood as neighbors_likelihood
from sitegis.evidence.sound import FALSE_HEARD
from sitegis.evidence.tap_record import DEFAULT as TAP_RECORD
from sitegis.model.results import Hypothesis
from sitegis.routes.likelihoods import item_names, log_likelihoods
from sitegis.score import score_hypotheses
from sitegis.score.tables import (
    FOLLOWS_PRACTICE,
    SHARED_MANHOLE,
    _notice_probability_without_routes,
    prior_given,
    tabled_log_likelihood,
)

from .hand_routes import ALLEY, FRONT, UNLISTED, hand_survey, straight_routes
from .invented import corner_site

SIDE = Hypothesis("side-main:direct", "side-main", "direct", "side", None, 0.05)
HABIT = {"front-main": 0.5, "alley-main": 0.4, "side-main": 0.1}


def likelihood(hypothesis: Hypothesis, *items: Evidence, year: int | None = None) -> np.ndarray:
    """Joint likelihood of items for the route samples of one hypothesis."""
    site = replace(corner_site(evidence=items), year_built=year)
    routes = straight_routes(hypothesis, site, count=300)
    named = list(zip(item_names(items), items, strict=True))
    return np.exp(tabled_log_likelihood(named, routes, site, HABIT))


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 12), st.integers(0, 12), st.floats(0.05, 20), st.floats(0.05, 20))
def test_beta_binomial_against_scipy(k: int, more: int, a: float, b: float) -> None:
    """Beta-binomial agrees with scipy.stats.betabinom."""
    assert beta_binomial(k, k + more, a, b) == pytest.approx(
        betabinom.pmf(k, k + more, a, b), rel=1e-9
    )


def test_neighbors_follow_the_stated_share() -> None:
    """The expected share of neighbors is the stated mean, with the habit and without."""
    for follows, mean in ((True, NEIGHBOR_MEAN), (False, 1 - NEIGHBOR_MEAN)):
        chances = [neighbors_likelihood(k, 5, follows=follows) for k in range(6)]
        assert sum(chances) == pytest.approx(1.0, abs=1e-12)
        assert np.dot(chances, np.arange(6)) / 5 == pytest.approx(mean, abs=1e-12)


def test_habit_averages_back_to_the_prior() -> None:
    """Σ prior(h) P(habit | h) = P(habit): without evidence the table says nothing."""
    total = np.zeros(3)
    for main, prior in HABIT.items():
        hypothesis = Hypothesis("h", main, "direct", "front", None, prior)
        total += prior * np.array(list(prior_given(hypothesis, HABIT).values()))
    assert total == pytest.approx(list(HABIT.values()), abs=1e-15)


def test_many_neighbors_are_bounded_by_the_habit() -> None:
    """However many neighbors drain to the alley, the odds move at most by the habit's bound."""
    many = Neighbors("alley-main", 60, 60)
    ratio = likelihood(ALLEY, many)[0] / likelihood(FRONT, many)[0]
    loose = 1 - FOLLOWS_PRACTICE
    bound = (FOLLOWS_PRACTICE + loose * HABIT["alley-main"]) / (loose * HABIT["alley-main"])
    assert 0.99 * bound < ratio < bound
    few = Neighbors("alley-main", 2, 2)
    assert 1 < likelihood(ALLEY, few)[0] / likelihood(FRONT, few)[0] < bound


def test_habit_table_by_brute_force() -> None:
    """Era, neighbors and permit: the joint is the sum over habit, drawer and item by hand."""
    site_items = (Era(1920), Neighbors("alley-main", 2, 3), PermitDrawing("alley-main"))
    found = likelihood(ALLEY, *site_items)[0]
    total = 0.0
    for practice, share in prior_given(ALLEY, HABIT).items():
        era = 2.0 if practice == "alley-main" else 1.0
        asked = betabinom.pmf(
            2,
            3,
            *(
                np.array(
                    [NEIGHBOR_MEAN, 1 - NEIGHBOR_MEAN][:: 1 if practice == "alley-main" else -1]
                )
                * NEIGHBOR_STRENGTH
            ),
        )
        wrong = 0.5 * (practice == "alley-main") + 0.5 / 3
        total += share * era * asked * (0.8 * 1.0 + 0.2 * wrong)
    assert found == pytest.approx(total * 1.67, rel=1e-9)


def test_year_that_is_in_the_prior_does_not_count_twice() -> None:
    """Era says nothing where the default prior has used the year built already."""
    assert likelihood(ALLEY, Era(1920), year=1920) == pytest.approx(1.0, abs=1e-12)
    assert likelihood(ALLEY, Era(1920))[0] > likelihood(FRONT, Era(1920))[0]


def test_permit_and_neighbors_say_less_together_than_apart() -> None:
    """Items that share the habit don't multiply: together they say less than the product."""
    permit, asked = PermitDrawing("alley-main"), Neighbors("alley-main", 3, 3)

    def ratio(*items: Evidence) -> float:
        return float(likelihood(ALLEY, *items)[0] / likelihood(FRONT, *items)[0])

    assert max(ratio(permit), ratio(asked)) < ratio(permit, asked) < ratio(permit) * ratio(asked)


def test_two_archive_items_share_being_wrong() -> None:
    """Two papers for the alley together weigh less than if each were wrong on its own."""
    permit = PermitDrawing("alley-main")
    record = TapRecord("alley-main", "alley-main-MH0", 26.2)

    def ratio(*items: Evidence) -> float:
        return float(likelihood(ALLEY, *items).mean() / likelihood(FRONT, *items).mean())

    assert ratio(permit, record) < 0.7 * ratio(permit) * ratio(record)


@pytest.mark.parametrize(
    "item",
    [
        TapRecord("alley-main", "alley-main-MH0", 26.2),
        Dye("alley-main-MH1", True, 30.0),
        Sound("alley-main-MH1", False),
        Dye("front-main-MH1", True, 30.0, 0.5),
    ],
)
@pytest.mark.parametrize("hypothesis", [FRONT, ALLEY, UNLISTED])
def test_an_item_alone_counts_as_in_stage_routes(item: Evidence, hypothesis: Hypothesis) -> None:
    """Alone of its cause an item has exactly the likelihood of stage routes."""
    from sitegis.routes.likelihoods import unlisted_log_likelihood

    site = corner_site(evidence=(item,))
    routes = straight_routes(hypothesis, site, count=300)
    if hypothesis.main is None:
        expected = np.array([np.exp(unlisted_log_likelihood(item, site))])
    else:
        expected = np.exp(routes.log_likelihoods[item.kind])
    assert likelihood(hypothesis, item) == pytest.approx(expected, rel=1e-9)


def test_dye_and_sound_at_one_manhole_by_hand() -> None:
    """Two misses at a manhole that is passed: the shared cause counts once."""
    dye, sound = Dye("front-main-MH1", False, 30.0), Sound("front-main-MH1", False)
    seen = 1 - likelihood(FRONT, dye)
    heard = 1 - likelihood(FRONT, sound)
    works = 1 - SHARED_MANHOLE * (1 - np.maximum(seen, heard))
    dead = (1 - FALSE_SEEN) * (1 - FALSE_HEARD)
    alive = (1 - (seen - (1 - works) * FALSE_SEEN) / works) * (
        1 - (heard - (1 - works) * FALSE_HEARD) / works
    )
    both = likelihood(FRONT, dye, sound)
    assert both == pytest.approx(works * alive + (1 - works) * dead, rel=1e-9)
    assert (both > likelihood(FRONT, dye) * likelihood(FRONT, sound)).all()


def test_dye_and_sound_at_two_manholes_are_independent() -> None:
    """Different manholes share nothing."""
    dye, sound = Dye("front-main-MH1", True, 30.0), Sound("alley-main-MH1", False)
    product = likelihood(FRONT, dye) * likelihood(FRONT, sound)
    assert likelihood(FRONT, dye, sound) == pytest.approx(product, rel=1e-12)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_outcomes_at_a_manhole_sum_to_one(dye: float, sound: float) -> None:
    """Over the four outcomes of dye and sound the joint probability is 1 for every route."""
    total = sum(
        likelihood(
            FRONT,
            Dye("front-main-MH1", seen, 30.0, dye),
            Sound("front-main-MH1", heard, sound),
        )
        for seen in (True, False)
        for heard in (True, False)
    )
    assert total == pytest.approx(1.0, abs=1e-9)


def test_reliability_of_an_item_overrides_the_default() -> None:
    """A sure permit all but rules out the others; a given default is the default."""
    sure = PermitDrawing("alley-main", 1.0)
    assert likelihood(FRONT, sure)[0] < 1e-3
    default = TAP_RECORD.reliability
    record = TapRecord("alley-main", "alley-main-MH0", 26.2)
    given_default = TapRecord("alley-main", "alley-main-MH0", 26.2, reliability=default)
    assert likelihood(ALLEY, record) == pytest.approx(likelihood(ALLEY, given_default), rel=1e-12)


@pytest.mark.parametrize("given_reliability", [0.0, 1.0, 1e-300, 1.0 - 1e-16, 1e-3, 0.999])
@pytest.mark.parametrize("noticed", [True, False])
def test_no_reliability_is_certain(given_reliability: float, noticed: bool) -> None:
    """At the edge of 0 and 1, or with no spread, all stays finite and above 0."""
    r = given_reliability
    items = (
        TapRecord("front-main", "front-main-MH0", 26.0, reliability=r),
        TapRecord("alley-main", "alley-main-MH0", 900.0, reliability=r),
        PermitDrawing("alley-main", r),
        Dye("front-main-MH1", noticed, 30.0, r),
        Sound("front-main-MH1", not noticed, r),
        Dye("alley-main-MH0", noticed, 0.0, r),
        CleanoutOutside(6.8, 3.0, 1e-300, r),
        OutdoorLocate(90.0, 3.0, 2.0, 1e-300),
        SurfaceSign(90.0, 3.0, 0.1, r),
        CameraNote(12.0, "turn-left", r),
        MainInspection("front-main", "front-main-MH0", (), True, None, r),
    )
    with np.errstate(divide="raise", invalid="raise", over="raise"):
        for count in (1, 3, len(items)):
            survey = hand_survey(*items[:count])
            empty = straight_routes(SIDE, survey.site, count=0, drawn=512)
            survey = replace(survey, sampled=(*survey.routes, empty))
            scored = score_hypotheses(survey).scores.hypotheses
            assert all(s.probability > 0.0 for s in scored if s.hypothesis.id != SIDE.id)
            assert all(np.isfinite(c.bits) for s in scored for c in s.contributions)


@pytest.mark.parametrize("item", [TapRecord("front-main", "front-main-MH0", 31.0)])
@pytest.mark.parametrize("hypothesis", [FRONT, SIDE])
def test_a_record_without_a_route_is_that_of_taps_anywhere_on_the_main(
    item: TapRecord, hypothesis: Hypothesis
) -> None:
    """The mean over taps spread evenly along the main, of a record well within its ends."""
    site = corner_site(evidence=(item,))
    main = next(one for one in site.mains if one.id == hypothesis.main)
    count = 4000
    routes = straight_routes(replace(FRONT, id="all"), site, count=count)
    length = float(np.hypot(*np.diff(main.line, axis=0).T).sum())
    stations = (np.arange(count) + 0.5) / count * length
    laid = RouteSet(
        site,
        main,
        routes.vertices,
        routes.inverts_m,
        routes.lengths_m,
        stations,
        np.zeros((count, 1)),
        None,
    )
    spread = replace(
        routes,
        hypothesis=hypothesis,
        tap_stations_m=stations,
        log_likelihoods=log_likelihoods(laid),
    )
    nowhere = replace(spread, tap_stations_m=np.zeros(0), log_likelihoods={})
    named = [(name, item) for name in item_names((item,))]
    over = np.exp(tabled_log_likelihood(named, spread, site, HABIT)).mean()
    assert np.exp(tabled_log_likelihood(named, nowhere, site, HABIT)) == pytest.approx(
        [over], rel=2e-3
    )


def test_without_a_route_half_of_the_main_lies_upstream_of_a_manhole() -> None:
    """Seen as reliably as said or falsely, one tap in two each; elsewhere falsely alone."""
    site = corner_site()
    for item, falsely in (
        (Dye("front-main-MH1", True, 30.0, 0.7), FALSE_SEEN),
        (Sound("front-main-MH1", True, 0.7), FALSE_HEARD),
    ):
        given = _notice_probability_without_routes(item, "front-main", site)
        assert given == pytest.approx([0.5 * 0.7 + 0.5 * falsely])
        assert _notice_probability_without_routes(item, "alley-main", site) == falsely
