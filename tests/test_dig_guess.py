"""What digging by a guess would cost, against counting routes over the pit by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
import pytest
import shapely
import shapely.affinity
from scipy.integrate import quad
from scipy.stats import norm

from sitegis.dig import guess, plan_dig
from sitegis.dig.cloud import unlisted_cloud
from sitegis.dig.guess import OUT_M, _cut, _guessed, guessed_cuts
from sitegis.finds.records import Missed
from sitegis.model.results import Drain
from sitegis.model.site import DigSettings
from sitegis.model.survey import Survey
from sitegis.pits.exposure import straights_of
from sitegis.write.text import worth_sentence
from tests.dig_clouds import two_way_survey
from tests.filled import filled_survey
from tests.invented import HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, thrown_m

START = np.array([7.0, 12.0])


def guessing(owner_guess: str = "") -> Survey:
    """Plan the dig of a site whose drain begins 4.4 m behind the front wall."""
    site = corner_site()
    mains = tuple(main for main in site.mains if main.id != "side-main")
    site = replace(site, mains=mains, dig=DigSettings(owner_guess=owner_guess))
    drain = replace(filled_survey().drain, vertices=np.stack([START, [7.2, 9.0]]))
    survey = two_way_survey(site=site)
    placed = filled_survey().placed
    return plan_dig(replace(survey, fitted=cast(Drain, drain), placed=placed))


def test_the_nearest_main_is_priced_by_one_pit_and_the_trench() -> None:
    """Straight south to the front main: routes within 0.6 m of x = 7 m, 1.5 m outside the wall."""
    survey = guessing()
    (one,) = survey.dig.guesses
    assert (one.by, one.main) == ("nearest main", "front-main")
    assert (one.x_m, one.y_m) == pytest.approx((7.0, HOUSE_FRONT_M - OUT_M))
    over = 0.0
    for scored in survey.scores.hypotheses:
        routes = next(r for r in survey.routes if r.hypothesis.id == scored.hypothesis.id)
        near = np.zeros(len(routes.vertices), bool)
        for y in np.linspace(one.y_m - 0.45, one.y_m + 0.45, 31):
            a, b = routes.vertices[:, :-1], routes.vertices[:, 1:]
            share = (y - a[..., 1]) / np.where(b[..., 1] == a[..., 1], 1.0, b[..., 1] - a[..., 1])
            x = a[..., 0] + share * (b[..., 0] - a[..., 0])
            near |= ((share >= 0) & (share <= 1) & (np.abs(x - 7.0) <= 0.6)).any(axis=1)
        over += scored.probability * float(scored.weights @ near) if near.size else 0.0
    loose = unlisted_cloud(survey)
    pit = shapely.box(6.4, one.y_m - 0.45, 7.6, one.y_m + 0.45)
    over += loose.weights[shapely.intersects(shapely.linestrings(loose.vertices), pit)].sum()
    assert one.p_hit == pytest.approx(over, abs=0.06)  # a few lie deeper than it is dug
    assert 0.2 < one.p_hit < over + 0.01
    trench = survey.dig.expected_cost_straight
    assert one.expected_cost == pytest.approx(one.cost + (1.0 - one.p_hit) * trench)
    # 1.2 × 0.9 m of lawn, protected past 5 ft, as any pit is priced
    depth = survey.exit.depth_m + 1.645 * survey.exit.depth_sd_m + 0.15
    rate = 190.0 if depth > 5 * 0.3048 else 110.0
    assert one.cost == pytest.approx(450 + 1.08 * (thrown_m(depth) * rate + 15), rel=1e-3)


def test_the_owner_is_asked_and_not_believed() -> None:
    """A guess changes no pit; straight to the alley it leaves by the rear, where nothing runs."""
    survey, plain = guessing("alley-main"), guessing()
    nearest, owner = survey.dig.guesses
    assert nearest == plain.dig.guesses[0]
    assert [pit.p_hit for pit in survey.dig.pits] == [pit.p_hit for pit in plain.dig.pits]
    assert owner.main == "alley-main"
    assert owner.x_m > HOUSE_LEFT_M
    assert owner.p_hit < 0.01
    assert owner.expected_cost > nearest.expected_cost
    words = worth_sentence(survey)
    assert f"{nearest.expected_cost:,.0f} or more by the nearest main (front-main)" in words
    assert f"{owner.expected_cost:,.0f} or more by the owner's guess (alley-main)" in words
    assert "the owner's guess, the nearest main" in worth_sentence(guessing("front-main"))


def test_where_something_was_dug_guesses_are_past() -> None:
    """After a miss what is left is no measure of what the marks were worth."""
    miss = Missed("F1", "test-pit", 7.0, 6.0, 0.05, "lot coordinates", "no")
    survey = two_way_survey(site=corner_site(evidence=(miss,)))
    sampled = tuple(
        replace(r, log_likelihoods={"F1": np.zeros(len(r.lengths_m))}) for r in survey.routes
    )
    drain = replace(filled_survey().drain, vertices=np.stack([START, [7.2, 9.0]]))
    planned = plan_dig(replace(survey, sampled=sampled, fitted=drain))
    assert planned.dig.guesses == ()


def test_the_cut_by_the_marks_is_as_sure_as_the_mark_nearest_to_it() -> None:
    """By numpy's distances to the drain's middle; of the other marks none counts."""
    placed = filled_survey().placed
    drain = replace(filled_survey().drain, vertices=np.stack([START, [7.2, 9.0]]))
    survey = replace(two_way_survey(site=corner_site()), fitted=drain, placed=placed)
    assert placed is not None
    cut = guessed_cuts(survey)[0]
    middle = np.array([cut.x_m, cut.y_m])
    points = [one for one in placed.points if one.id in drain.point_ids]
    away = [np.hypot(*(middle - [one.x_m, one.y_m])) for one in points]
    near = points[int(np.argmin(away))]
    assert len(points) > 2
    vague = tuple(
        one if one.id == near.id else replace(one, sd_major_m=0.8) for one in placed.points
    )
    blurred = replace(survey, placed=replace(placed, points=vague))
    assert guessed_cuts(blurred)[0] == cut


def test_a_cut_by_a_guess_is_widened_until_it_shows_the_drain() -> None:
    """The marks' cut is found at 95 % and more; a guess 0.8 m aside is a strip and a half more.

    The drain lies off + sd z beside the cut's middle: E[(|u| − h)₊] by scipy's quadrature.
    """
    settings = DigSettings()
    for off_m, sd_m, wide_m in ((0.0, 0.07, 0.6), (0.8, 0.12, 0.6), (0.3, 0.4, 1.7)):
        law, half = norm(off_m, sd_m), 0.5 * wide_m
        lacking = sum(
            quad(lambda u: (abs(u) - half) * law.pdf(u), *ends)[0]  # noqa: B023
            for ends in ((half, half + 6.0), (-half - 6.0, -half))
        )
        one = _cut(corner_site(), ("owner", "alley-main"), "", START, off_m, sd_m, wide_m)
        assert one.p_hit == pytest.approx(law.cdf(half) - law.cdf(-half), abs=1e-9)
        area = wide_m * 0.6
        assert one.cost == pytest.approx(settings.slab_setup + area * settings.slab_per_m2)
        more = 1.5 * lacking * 0.6 * settings.slab_per_m2
        assert one.expected_cost == pytest.approx(one.cost + more, rel=1e-6)


def test_cuts_lie_on_the_drain_and_on_the_line_that_is_guessed() -> None:
    """A drain 4° off the line to the front main, and away from the alley: dearer, less found."""
    survey = guessing("alley-main")
    by_marks, nearest, owner = survey.dig.cuts
    assert (by_marks.by, nearest.by, owner.by) == ("marks", "nearest main", "owner")
    assert by_marks.p_hit > 0.95
    assert nearest.x_m == pytest.approx(START[0])  # straight to the front main, as above
    assert owner.p_hit < 0.01 < nearest.p_hit < by_marks.p_hit
    assert owner.expected_cost > by_marks.expected_cost
    words = worth_sentence(survey)
    assert f"Cutting the slab down to the drain: {by_marks.expected_cost:,.0f} USD" in words


def test_the_nearest_main_is_nearest_to_where_the_drain_begins() -> None:
    """From its upstream end the alley is nearer, from its bend and from the wall the street."""
    survey = two_way_survey()
    mains = [main for main in survey.site.mains if main.id != "side-main"]
    lines = {main.id: shapely.LineString(main.line) for main in mains}
    chain = np.array([[7.0, 30.0], [7.0, 8.0], [7.2, 6.0]])
    nearest = [min(lines, key=lambda name: lines[name].distance(shapely.Point(xy))) for xy in chain]
    assert nearest == ["alley-main", "front-main", "front-main"]
    drain = replace(filled_survey().drain, vertices=chain)
    bent = replace(survey, site=replace(survey.site, mains=tuple(mains)), fitted=drain)
    assert _guessed(bent)[0][1].id == "alley-main"


def test_a_cut_says_whose_guess_it_is_and_where() -> None:
    """Words, fixture and place are passed on in their order."""
    site = corner_site()
    one = _cut(site, ("owner", "rear-main"), "bath", np.array([3.1, 7.9]), 0.2, 0.3, 0.8)
    assert (one.by, one.main, one.fixture) == ("owner", "rear-main", "bath")
    assert (one.x_m, one.y_m) == (3.1, 7.9)


@pytest.mark.parametrize("wanted", [None, np.array([9.1, 8.3]), np.array([3.0, 11.0])])
def test_cuts_of_an_oblique_drain_are_those_of_shapely(
    monkeypatch: pytest.MonkeyPatch, wanted: np.ndarray | None
) -> None:
    """Where each cut lies, how far off the drain it is, and how wide, without a right angle."""
    chain = np.array([[5.3, 12.1], [6.9, 10.2], [8.4, 9.3]])
    placed = filled_survey().placed
    assert placed is not None
    generator = np.random.default_rng(4)
    points = tuple(
        replace(one, x_m=float(x), y_m=float(y), sd_major_m=float(sd))
        for one, x, y, sd in zip(
            placed.points,
            generator.uniform(4.0, 9.0, len(placed.points)),
            generator.uniform(8.0, 12.5, len(placed.points)),
            generator.uniform(0.1, 0.4, len(placed.points)),
            strict=True,
        )
    )
    drain = replace(filled_survey().drain, vertices=chain)
    survey = replace(two_way_survey(), fitted=drain, placed=replace(placed, points=points))
    monkeypatch.setattr(guess, "_to_be_joined", lambda _: ("" if wanted is None else "wc", wanted))

    by_marks, nearest = guessed_cuts(survey)[:2]

    left = survey.exit
    pipe = shapely.LineString([*chain, (left.x_m, left.y_m)])
    mains = [shapely.LineString(main.line) for main in survey.site.mains]
    start = shapely.Point(chain[0])
    straight = shapely.shortest_line(start, min(mains, key=start.distance))

    def place(line: shapely.LineString) -> shapely.Point:
        if wanted is None:
            return line.interpolate(0.5 * pipe.length)
        return line.interpolate(max(line.project(shapely.Point(wanted)), 0.6))

    own = [one for one in points if one.id in drain.point_ids]
    near = min(own, key=lambda one: place(pipe).distance(shapely.Point(one.x_m, one.y_m)))
    sd, there = near.sd_major_m, place(straight)
    wide = max(0.6, 2.0 * norm.ppf(0.975) * sd + survey.site.drain_diameter_m)
    assert (by_marks.x_m, by_marks.y_m) == pytest.approx((place(pipe).x, place(pipe).y))
    assert (nearest.x_m, nearest.y_m) == pytest.approx((there.x, there.y))
    law = norm(pipe.distance(there), sd)
    assert nearest.p_hit == pytest.approx(law.cdf(0.3) - law.cdf(-0.3), abs=1e-9)
    assert by_marks.p_hit == pytest.approx(1.0 - 2.0 * norm.sf(0.5 * wide / sd), abs=1e-5)
    settings = survey.site.dig
    assert by_marks.cost == pytest.approx(
        settings.slab_setup + wide * 0.6 * settings.slab_per_m2, rel=1e-5
    )


@pytest.mark.parametrize(("deepest_m", "all_of_them"), [(9.0, 1.0), (2.0, 0.0)])
def test_a_pit_by_a_guess_off_a_turned_house_is_shapelys(
    deepest_m: float, all_of_them: float
) -> None:
    """Where the straight line leaves the house, its length across that line, what crosses it."""
    ring = np.array([[4.0, 6.1], [11.3, 7.7], [9.6, 15.2], [2.4, 13.4]])
    base = two_way_survey()
    site = replace(
        base.site,
        building=replace(base.site.building, vertices=ring),
        dig=replace(base.site.dig, max_depth_m=deepest_m),
    )
    survey = replace(base, site=site)
    start = np.array([6.3, 10.9])
    main = replace(
        site.mains[0], line=np.array([[-3.0, -6.0], [9.0, -9.5]]), inverts_m=np.array([-2.0, -2.2])
    )
    generator = np.random.default_rng(12)
    vertices = np.stack(
        [
            generator.uniform([3.0, 6.5], [6.5, 7.0], (60, 2)),
            generator.uniform([2.0, -3.0], [9.0, -2.0], (60, 2)),
        ],
        axis=1,
    )
    weights = generator.dirichlet(np.ones(60))
    straights = straights_of(vertices, np.full((60, 2), -0.6))

    one = guess._dig(survey, "owner", main, start, straights, weights, 4321.0)

    reach = shapely.shortest_line(shapely.Point(start), shapely.LineString(main.line))
    wall = shapely.intersection(reach, shapely.Polygon(ring)).length
    center = reach.interpolate(wall + OUT_M)
    assert one is not None
    assert (one.x_m, one.y_m) == pytest.approx((center.x, center.y))
    long, wide = site.dig.pit_length_m / 2, site.dig.pit_width_m / 2
    (x, y), (right, up) = reach.coords[0], reach.coords[1]
    turn = np.degrees(np.arctan2(up - y, right - x)) + 90.0
    box = shapely.box(center.x - long, center.y - wide, center.x + long, center.y + wide)
    pit = shapely.affinity.rotate(box, turn, origin=center)
    met = shapely.intersects(pit, shapely.linestrings(vertices))
    assert 0.05 < weights @ met < 0.95
    assert one.p_hit == pytest.approx(all_of_them * (weights @ met))
    assert one.expected_cost == pytest.approx(one.cost + (1.0 - one.p_hit) * 4321.0)


def test_a_guess_starts_at_the_drains_upstream_end() -> None:
    """A drain with a bend: the pit's center lies on the line from its first point to the main."""
    survey = two_way_survey()
    chain = np.array([[6.1, 11.7], [7.4, 9.9], [7.9, 8.2]])
    drain = replace(filled_survey().drain, vertices=chain)
    straights = straights_of(np.array([[[7.0, 7.0], [7.0, -9.0]]]), np.full((1, 2), -0.6))
    found = guess.guessed_digs(replace(survey, fitted=drain), straights, np.ones(1), 5000.0)
    lines = [shapely.LineString(main.line) for main in survey.site.mains]
    start = shapely.Point(chain[0])
    straight = shapely.shortest_line(start, min(lines, key=start.distance))
    assert straight.distance(shapely.Point(found[0].x_m, found[0].y_m)) < 1e-9
