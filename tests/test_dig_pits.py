"""Test pits: probabilities against shapely, the best against brute force, keep-outs, invariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sitegis.dig import pits, plan_dig
from sitegis.dig.cloud import RouteCloud, gather_cloud, searched_cloud, unlisted_cloud
from sitegis.dig.hits import accumulate, cover_grid
from sitegis.dig.pits import (
    Field,
    _extensions,
    _places,
    _score,
    _worth_part,
    lay_field,
    rank_holes,
    rank_pits,
    vacuum_area,
)
from sitegis.dig.stakeout import choose_ties
from sitegis.finds.records import Missed
from sitegis.model.dig_plan import Pit
from sitegis.model.results import Routes
from sitegis.model.site import Building, DigSettings, Ground, KeepOut, Lot, Site
from sitegis.model.survey import Survey
from sitegis.numerics.statistics import weighted_quantiles
from sitegis.pits import exposure
from sitegis.pits.cost import BEDDING_M, dig_area, handled_m, pit_cost, surface_rates_at
from sitegis.pits.exposure import (
    VACUUM_HOLE_M,
    Candidate,
    Places,
    clear_of_footing,
    rectangle_crossings,
    rectangle_rings,
    straights_of,
    vacuum_hits,
    weigh_pits,
)
from sitegis.score.assumptions import price_words
from tests.dig_clouds import RULES, front_routes, survey_of, two_way_survey, unlisted
from tests.invented import HOUSE_FRONT_M, corner_site, thrown_m

ALONG_WALL = KeepOut(
    "porch", "other", np.array([[0.0, 2.0], [15.24, 2.0], [15.24, 7.0], [0.0, 7.0]]), 0.0, "", True
)


def spread_survey(site: Site | None = None) -> Survey:
    """Front or alley, with a strip before the house where nobody may dig; pits are cheap."""
    site = site or corner_site()
    site = replace(site, dig=replace(site.dig, setup=5.0))
    return two_way_survey(0.7, 0.28, site=replace(site, keep_outs=(ALONG_WALL,)))


def exposed_by_shapely(cloud: RouteCloud, site: Site, pit: Pit) -> np.ndarray:
    """Say which routes lie in a pit and above its bottom, from shapely's own intersections."""
    ground = float(site.ground.elevation_m(np.array([pit.x_m, pit.y_m])))
    ring, found = shapely.Polygon(pit.ring), np.zeros(cloud.weights.size, bool)
    for i, (line, inverts) in enumerate(zip(cloud.vertices, cloud.inverts_m, strict=True)):
        for k in range(len(line) - 1):
            inside = shapely.intersection(shapely.LineString(line[k : k + 2]), ring)
            if inside.is_empty or inside.length == 0:
                continue
            middle = np.array(inside.interpolate(0.5, normalized=True).coords[0])
            share = np.hypot(*(middle - line[k])) / np.hypot(*(line[k + 1] - line[k]))
            invert = inverts[k] + share * (inverts[k + 1] - inverts[k])
            found[i] = ground - invert <= pit.depth_m
            break
    return found


def test_p_hit_is_the_weight_of_the_routes_in_the_pit() -> None:
    """P(hit) of every pit, alone and so far, against shapely route by route."""
    survey = plan_dig(spread_survey())
    cloud = searched_cloud(survey, gather_cloud(survey))

    seen = np.zeros(cloud.weights.size, bool)
    for pit in survey.dig.pits:
        exposed = exposed_by_shapely(cloud, survey.site, pit)
        seen |= exposed
        assert pit.p_hit == pytest.approx(cloud.weights[exposed].sum(), abs=1e-3)
        assert pit.p_hit_so_far == pytest.approx(cloud.weights[seen].sum(), abs=1e-3)
    assert len(survey.dig.pits) >= 2


def test_p_hit_of_a_normal_spread_is_its_closed_form() -> None:
    """Parallel routes with offsets N(0, 1 m): a pit 1.2 m across exposes 95 % of 2 Φ(0.6) − 1."""
    routes = front_routes(4000)
    offsets = np.random.default_rng(1).normal(0, 1.0, 4000)
    vertices = np.empty((4000, 2, 2))
    vertices[..., 0] = (7.0 + offsets)[:, None]
    vertices[..., 1] = 7.6, -10.0
    cloud = gather_cloud(survey_of((replace(routes, vertices=vertices), 1.0)))

    crossings = rectangle_crossings(
        cloud.straights, np.array([[7.0, 3.0]]), np.zeros(1), np.array([[1.2, 0.9]])
    )

    # 2 Φ(0.6) − 1 = 0.4515 (any normal table)
    assert crossings.crossed[0] @ cloud.weights == pytest.approx(0.4515, abs=0.025)


def test_first_pit_is_as_good_as_any_cell_of_the_lot() -> None:
    """No smallest pit, square to the lot, on any 0.25 m cell beats pit 1 in P(hit) per cost."""
    survey = plan_dig(spread_survey())
    site, cloud = survey.site, gather_cloud(survey)
    segments, area = cloud.straights, dig_area(site)
    x, y = np.meshgrid(np.arange(0.5, 15, 0.25), np.arange(-5.0, 12, 0.25))
    centers, best = np.stack([x.ravel(), y.ravel()], axis=1), 0.0
    for size in ((1.2, 0.9), (0.9, 1.2)):
        sizes = np.tile(size, (len(centers), 1))
        rings = rectangle_rings(centers, np.zeros(len(centers)), sizes)
        open_ = np.flatnonzero(shapely.covers(area, shapely.polygons(rings)))
        for part in np.array_split(open_, 20):
            found = rectangle_crossings(segments, centers[part], np.zeros(len(part)), sizes[part])
            ground = site.ground.elevation_m(centers[part])
            for row in np.flatnonzero(found.crossed @ cloud.weights > 0.1):
                hit = found.crossed[row]
                depth = ground[row] - found.invert_m[row, hit]
                dug = weighted_quantiles(depth, cloud.weights[hit], (0.95,))[0] + BEDDING_M
                inside = centers[part][row, 1] > 0
                rate = 15.0 if inside else 25.0
                cost = pit_cost(np.array(1.08), np.array(dug), rate, site.dig, RULES)
                best = max(best, float(cloud.weights[hit][depth <= dug].sum() / cost))

    first = survey.dig.pits[0]

    assert first.p_hit / first.cost >= 0.99 * best > 0


@pytest.mark.parametrize("deeper_m", [0.5, 1.0])
def test_a_deep_pipe_is_dug_for_as_near_to_the_footing_as_may_be(deeper_m: float) -> None:
    """Ways that fan out from the wall: no pit in line before the house is worth more than pit 1.

    Each 5 cm further out, shapely's distance to the house and the slope of Table B-1 (1.5:1) say
    where it may stand. Where the raster did not know that, pit 1 was the best of what was left.
    """
    routes = front_routes(sd_m=3.0)
    deep = replace(routes, inverts_m=routes.inverts_m - deeper_m)
    survey = survey_of((deep, 1.0))
    site, cloud = survey.site, gather_cloud(survey)
    house, best = shapely.Polygon(site.building.vertices), 0.0
    middle = float(np.median(cloud.vertices[:, 0, 0]))
    for out in np.arange(0.5, 6.0, 0.05):
        at, size = np.array([[middle, HOUSE_FRONT_M - out]]), np.array([[1.2, 0.9]])
        found = rectangle_crossings(cloud.straights, at, np.zeros(1), size)
        hit = found.crossed[0]
        depth = float(site.ground.elevation_m(at)[0]) - found.invert_m[0, hit]
        dug = weighted_quantiles(depth, cloud.weights[hit], (0.95,))[0] + BEDDING_M
        below = dug - float(site.ground.elevation_m(at)[0]) - 0.3
        ring = shapely.Polygon(rectangle_rings(at, np.zeros(1), size)[0])
        if house.distance(ring) >= max(1.5 * below, site.dig.building_setback_m):
            cost = float(pit_cost(np.array(1.08), np.array(dug), 15.0, site.dig, RULES))
            best = max(best, float(cloud.weights[hit][depth <= dug].sum()) / cost)

    first = rank_pits(lay_field(site, RULES, cloud))[0]

    assert float(cloud.weights[first.exposed].sum()) / first.cost >= 0.97 * best > 0.0


def test_pits_keep_clear_of_everything() -> None:
    """Every pit lies in lot and right-of-way, off the building's setback and the keep-outs."""
    survey = plan_dig(spread_survey())
    area = dig_area(survey.site)

    assert all(area.covers(shapely.Polygon(pit.ring)) for pit in survey.dig.pits)


def test_pits_go_on_until_little_is_left() -> None:
    """P so far never falls, at most five pits, and they stop once under 2 % of routes is left."""
    pits = plan_dig(spread_survey()).dig.pits

    so_far = [pit.p_hit_so_far for pit in pits]
    assert so_far == sorted(so_far)
    assert [pit.rank for pit in pits] == list(range(1, len(pits) + 1))
    assert len(pits) <= 5
    assert all(0.98 - so_far[i] >= 0.02 for i in range(len(pits) - 1))


def test_after_enough_misses_the_less_likely_way_is_dug_for() -> None:
    """Front 90 %, alley 8 %: missed routes are dropped, so that a pit for the alley follows.

    Nobody may dig at the wall, where one pit would show both. Bayes: misses that rule out most
    routes to the front leave the two ways about even.
    """
    site = replace(corner_site(), keep_outs=(ALONG_WALL,))
    pits = plan_dig(two_way_survey(0.9, 0.08, site=site)).dig.pits

    assert pits[0].hypotheses == ("front-main:direct",)
    assert any("alley-main:side-yard-left" in pit.hypotheses for pit in pits[1:])


def test_dug_depth_is_the_95_percent_quantile_and_bedding() -> None:
    """Invert depths uniform over 2.0–3.0 m: dug to 2.95 + 0.15, 5–95 % 2.05 to 2.95."""
    routes = front_routes(4000)
    depth = np.linspace(2.0, 3.0, 4000)
    flat = Ground(np.array([[0.0, 0.0]]), np.array([2.0]), np.array([0.0]), assumed=False)
    inverts = np.repeat((2.0 - depth)[:, None], 2, axis=1)
    survey = survey_of(
        (replace(routes, inverts_m=inverts), 1.0), site=replace(corner_site(), ground=flat)
    )

    pit = plan_dig(survey).dig.pits[0]

    assert pit.depth_05_m == pytest.approx(2.05, abs=0.02)
    assert pit.depth_95_m == pytest.approx(2.95, abs=0.02)
    assert pit.depth_m == pytest.approx(3.10, abs=0.02)
    assert pit.needs_protection


def test_deep_pipe_is_not_hit_by_a_pit_that_may_not_be_deep() -> None:
    """With a greatest depth of 2.5 m, routes at 2–3 m are half hit, and a person is told."""
    site = replace(
        corner_site(),
        ground=Ground(np.array([[0.0, 0.0]]), np.array([2.0]), np.array([0.0]), assumed=False),
        dig=DigSettings(max_depth_m=2.5),
    )
    routes = front_routes(4000)
    inverts = np.repeat(np.linspace(0.0, -1.0, 4000)[:, None], 2, axis=1)

    plan = plan_dig(survey_of((replace(routes, inverts_m=inverts), 1.0), site=site)).dig

    assert plan.pits[0].depth_m == pytest.approx(2.5)
    assert plan.pits[0].p_hit == pytest.approx(0.5, abs=0.02)
    assert plan.hit_map.p.max() == pytest.approx(0.5, abs=0.03)
    assert "pit-may-miss-deep-pipe" in {notice.code for notice in plan.notices}


@pytest.mark.parametrize(("soil", "asked_ft"), [("B", 3.0), ("C", 4.5), (None, 4.5), ("A", 4.5)])
@pytest.mark.parametrize(("off_ft", "clear"), [(-0.05, False), (0.05, True)])
def test_pits_stay_outside_the_footings_line(
    soil: str | None, asked_ft: float, off_ft: float, clear: bool
) -> None:
    """3 ft below a footing: 4.5 ft away in soil type C, 3 ft in B; A is planned as C.

    Ratios of 29 CFR 1926 Subpart P, Table B-1 (1.5:1 and 1:1), multiplied by hand.
    """
    foot = 0.3048
    site = replace(corner_site(), dig=DigSettings(building_setback_m=0.3, soil_type=soil))
    gap_m = (asked_ft + off_ft) * foot
    center = np.array([6.0, HOUSE_FRONT_M - gap_m - 0.45])
    rings = rectangle_rings(center[None], np.zeros(1), np.array([[1.2, 0.9]]))

    assert clear_of_footing(site, RULES, rings, np.array([-0.3 - 3.0 * foot]))[0] == clear


def test_a_shallow_pit_needs_its_setback_only() -> None:
    """A pit whose bottom is above the footing may stand at the setback."""
    center = np.array([6.0, HOUSE_FRONT_M - 0.6 - 0.45])
    rings = rectangle_rings(center[None], np.zeros(1), np.array([[1.2, 0.9]]))

    assert clear_of_footing(corner_site(), RULES, rings, np.array([2.0 - 1.5]))[0]


def test_a_vacuum_hole_stays_half_of_it_off_the_house() -> None:
    """Shapely's distance from the house to where a center may stand; corners are chords."""
    site = corner_site()
    house = shapely.Polygon(site.building.vertices)
    away = shapely.distance(house, vacuum_area(site))
    assert away == pytest.approx(0.5 * VACUUM_HOLE_M, abs=2e-3)


def test_vacuum_holes_stand_in_greedy_order_at_the_best_places() -> None:
    """Each finds what shapely says, and no open cell is better per cost after the misses before."""
    survey = plan_dig(spread_survey())
    site, cloud = survey.site, searched_cloud(survey, gather_cloud(survey))
    holes, reach = survey.dig.vacuum_holes, VACUUM_HOLE_M + survey.site.drain_diameter_m
    area, lines = vacuum_area(site), shapely.linestrings(cloud.vertices)
    left, seen = np.array(cloud.weights), np.zeros(cloud.weights.size, bool)
    grid = lay_field(site, RULES, cloud).grid.centers().reshape(-1, 2)
    grid = grid[shapely.contains_xy(area, *grid.T)]
    assert len(holes) >= 2
    for hole in holes:
        around = shapely.box(
            *(np.array([hole.x_m, hole.y_m] * 2) + 0.5 * reach * np.array([-1, -1, 1, 1]))
        )
        hit = shapely.intersects(lines, around)
        best = 0.0
        for x, y in grid[np.hypot(*(grid - [hole.x_m, hole.y_m]).T) < 4.0][::3]:
            there = shapely.box(x - reach / 2, y - reach / 2, x + reach / 2, y + reach / 2)
            best = max(best, float(left[shapely.intersects(lines, there)].sum()))
        assert left[hit].sum() / hole.cost >= 0.97 * best / max(one.cost for one in holes)
        seen |= hit
        left[hit] = 0.0
        assert hole.p_hit == pytest.approx(cloud.weights[hit].sum(), abs=2e-3)
        assert hole.p_hit_so_far == pytest.approx(cloud.weights[seen].sum(), abs=2e-3)
        assert area.covers(shapely.Point(hole.x_m, hole.y_m))
        rate = site.dig.surface_per_m2[hole.surface]
        assert hole.cost == pytest.approx(site.dig.vacuum_hole + VACUUM_HOLE_M**2 * rate)
    assert {site.dig.surface_per_m2[hole.surface] for hole in holes} != {0.0}


@given(depth=st.floats(0.2, 6.0), lift=st.floats(0.6, 2.0))
def test_soil_from_deep_down_is_paid_each_time_it_is_thrown(depth: float, lift: float) -> None:
    """Layer by layer: a layer at z is thrown ⌊z / lift⌋ + 1 times; without a lift once."""
    layers = (np.arange(20_000) + 0.5) * depth / 20_000
    thrown = float((np.floor(layers / lift) + 1).sum() * depth / 20_000)
    assert handled_m(np.array([depth]), lift)[0] == pytest.approx(thrown, rel=2e-3)
    settings = DigSettings(hand_lift_m=lift)
    rate = settings.per_m3 if depth < RULES.protective_depth_m else settings.per_m3_protected
    paid = pit_cost(np.array([1.08]), np.array([depth]), 0.0, settings, RULES)[0]
    assert paid == pytest.approx(settings.setup + 1.08 * rate * thrown, rel=3e-3)


@pytest.mark.parametrize(("reach_in", "expected"), [(16.5, 0.831), (12.0, 0.683)])
def test_what_a_vacuum_hole_finds(reach_in: float, expected: float) -> None:
    """Lateral sd 6 in, hole 12 in: any part of a 4.5 in pipe 2Φ(8.25/6) − 1, center line 2Φ(1) − 1.

    By the normal table.
    """
    inch, count = 0.0254, 4000
    offsets = norm.ppf((np.arange(count) + 0.5) / count) * 6 * inch
    lines = np.stack([np.stack([offsets, np.full(count, y)], axis=1) for y in (-5.0, 5.0)], axis=1)
    straights = straights_of(lines, np.full((count, 2), -1.0))

    def share(deepest_m: float) -> float:
        deepest = np.array([deepest_m])
        return float(vacuum_hits(straights, np.zeros((1, 2)), reach_in * inch, deepest).mean())

    assert share(-2.0) == pytest.approx(expected, abs=0.001)
    assert share(-0.9) == 0.0


def test_where_nothing_may_be_dug_a_person_is_told() -> None:
    """A keep-out over everything leaves no pit, an empty map and a notice."""
    all_over = KeepOut(
        "x", "other", np.array([[-90.0, -90], [90, -90], [90, 90], [-90, 90]]), 0.0, "", True
    )

    plan = plan_dig(two_way_survey(site=replace(corner_site(), keep_outs=(all_over,)))).dig

    assert plan.pits == ()
    assert plan.hit_map.p.max() == 0.0
    assert "no-place-for-a-pit" in {notice.code for notice in plan.notices}
    assert plan.expected_cost == pytest.approx(plan.expected_cost_straight)


def test_without_routes_there_is_nothing_to_dig_for() -> None:
    """A site where no way fits gets an empty plan and a notice, not an error."""
    plan = plan_dig(survey_of((unlisted(), 0.0))).dig

    assert plan.pits == ()
    assert plan.notices[0].code == "no-route-to-dig-for"


def test_without_a_main_on_record_a_pit_by_the_wall_is_dug_still() -> None:
    """One pit, with the share of first straights that cross it, by shapely; no corridor is drawn.

    The trench from the wall that follows the pipe goes straight on to the lot line, 7.6 m off.
    """
    survey = survey_of((unlisted(), 1.0))
    plan = plan_dig(survey).dig
    pit = plan.pits[0]
    cloud = unlisted_cloud(survey)
    lines = shapely.linestrings(cloud.vertices)
    crossed = shapely.intersects(lines, shapely.Polygon(pit.ring))
    assert crossed.mean() > 0.5
    assert pit.p_hit == pytest.approx(crossed.mean(), abs=0.06)
    assert pit.p_hit <= crossed.mean() + 1e-9
    assert plan.corridors == ()
    assert plan.depths == ()
    assert plan.expected_cost < plan.expected_cost_straight
    along = plan_dig(survey_of((front_routes(sd_m=0.1), 1.0))).dig.expected_cost_straight
    assert plan.expected_cost_straight == pytest.approx(along, rel=0.05)


def moved_survey(survey: Survey, by: np.ndarray) -> Survey:
    """Move lot, building, streets, mains, ground, keep-outs, exit and routes together."""
    site = survey.site

    def routes_moved(routes: Routes) -> Routes:
        return replace(routes, vertices=routes.vertices + by)

    lot: Lot = replace(site.lot, vertices=site.lot.vertices + by)
    building: Building = replace(site.building, vertices=site.building.vertices + by)
    site = replace(
        site,
        lot=lot,
        building=building,
        streets=tuple(replace(one, row=one.row + by) for one in site.streets),
        keep_outs=tuple(replace(one, points=one.points + by) for one in site.keep_outs),
        ground=replace(site.ground, spots=site.ground.spots + by),
    )
    penetration = replace(survey.exit, x_m=survey.exit.x_m + by[0], y_m=survey.exit.y_m + by[1])
    return replace(
        survey,
        site=site,
        penetration=penetration,
        sampled=tuple(routes_moved(routes) for routes in survey.routes),
    )


@settings(deadline=None, max_examples=4)
@given(st.integers(-400, 400), st.integers(-400, 400))
def test_moving_everything_together_changes_no_pit(dx: int, dy: int) -> None:
    """Lot and routes moved by whole 1/8 m: the same pits, moved, with the same probabilities."""
    survey, by = spread_survey(), np.array([dx / 8, dy / 8])

    here, there = plan_dig(survey).dig.pits, plan_dig(moved_survey(survey, by)).dig.pits

    assert [pit.p_hit for pit in there] == pytest.approx([pit.p_hit for pit in here], abs=0.01)
    assert there[0].x_m - here[0].x_m == pytest.approx(by[0], abs=0.3)


def test_a_longer_pit_is_chosen_where_it_pays() -> None:
    """Where set-up is dear and digging cheap, pit 1 is longer than the smallest pit."""
    dear = DigSettings(setup=5000.0, per_m3=1.0, per_m3_protected=1.0)
    routes = front_routes(sd_m=3.0)
    survey = survey_of(
        (routes, 1.0), site=replace(corner_site(), dig=dear, keep_outs=(ALONG_WALL,))
    )

    chosen = rank_pits(lay_field(survey.site, RULES, gather_cloud(survey)))

    assert max(chosen[0].size_m) > 1.2


def wide_survey(site: Site | None = None, sd_m: float = 2.5) -> Survey:
    """Routes that spread wide where they may be dug for: several pits in a row, cheap to open."""
    site = site or corner_site()
    strip = (*site.keep_outs, ALONG_WALL)
    site = replace(site, dig=replace(site.dig, setup=200.0), keep_outs=strip)
    return survey_of((front_routes(sd_m=sd_m), 1.0), site=site)


def test_two_pits_nearer_than_the_spoil_allows_are_one_longer_pit() -> None:
    """29 CFR 1926.651(j)(2): spoil 2 ft back from each edge, so 4 ft between; else one pit.

    Its plan is the rectangle of both by shapely, its P(hit) the weight of the routes that cross
    either part above the bottom by shapely, its volume length x width x depth.
    """
    survey = plan_dig(wide_survey())
    cloud, pits = gather_cloud(survey), survey.dig.pits
    longer = [pit for pit in pits if pit.whole is not None]
    assert longer

    for pit in longer:
        assert pit.whole is not None
        parts = [pits[rank - 1] for rank in pit.whole.ranks]
        assert parts[-1] is pit
        both = shapely.union_all([shapely.Polygon(part.ring) for part in parts])
        whole = shapely.Polygon(pit.whole.ring)
        assert shapely.symmetric_difference(both, whole).area < 1e-5
        seen = np.logical_or.reduce(
            [exposed_by_shapely(cloud, survey.site, part) for part in parts]
        )
        assert pit.whole.p_hit == pytest.approx(float(cloud.weights[seen].sum()), abs=2e-3)
        assert pit.whole.depth_m == max(part.depth_m for part in parts)
        assert pit.whole.volume_m3 == pytest.approx(whole.area * pit.whole.depth_m)
        assert pit.whole.cost == pytest.approx(sum(part.cost for part in parts))
        # each part lengthens all before it, along one line
        assert [p.whole.ranks for p in parts[1:] if p.whole] == [
            pit.whole.ranks[: k + 1] for k in range(1, len(parts))
        ]
    # parts of one pit aside, nothing stands nearer than that
    for i, one in enumerate(pits):
        for two in pits[i + 1 :]:
            if two.whole is None or one.rank not in two.whole.ranks:
                gap = shapely.distance(shapely.Polygon(one.ring), shapely.Polygon(two.ring))
                assert gap >= 4 * 0.3048 - 1e-3


def test_p_hit_of_a_longer_pit_is_its_closed_form() -> None:
    """Taps normal across a level: P = Phi(b / s) - Phi(a / s) over the pit from a to b.

    A straight route to a tap normal about x0 passes y at x0 + share x its offset, normal too; at
    any depth, for nothing is too deep here.
    """
    survey = plan_dig(wide_survey())
    pit = next(pit for pit in survey.dig.pits if pit.whole is not None)
    assert pit.whole is not None
    parts = [survey.dig.pits[rank - 1] for rank in pit.whole.ranks]
    left = gather_cloud(survey).vertices
    y = pit.y_m
    share = (y - left[0, 0, 1]) / (left[0, 1, 1] - left[0, 0, 1])
    sd = np.hypot(0.15 * (1.0 - share), 2.5 * share)
    mean = 6.6 * share + (1.0 - share) * left[:, 0, 0].mean()
    low, high = pit.whole.ring[:, 0].min(), pit.whole.ring[:, 0].max()
    # each part is dug to the 95 % quantile of its own pipe and 0.15 m more
    expected = norm.cdf(high, mean, sd) - norm.cdf(low, mean, sd)
    assert len(parts) >= 2
    assert expected * 0.97 < pit.whole.p_hit < expected * 1.05


def test_no_pit_is_lengthened_where_it_may_not_be_dug() -> None:
    """Beside a gas line, under a footing's line and across the lot line each pit stays short."""
    open_ground = plan_dig(wide_survey()).dig.pits
    longer = next(pit for pit in open_ground if pit.whole is not None)
    gas = KeepOut("gas", "gas", np.array([[longer.x_m, -20.0], [longer.x_m, 40.0]]), 0.0, "")
    site = replace(corner_site(), keep_outs=(gas,))
    survey = plan_dig(wide_survey(site))

    area, lot = dig_area(survey.site), shapely.LinearRing(survey.site.lot.vertices)
    for pit in survey.dig.pits:
        if pit.whole is None:
            continue
        whole = shapely.Polygon(pit.whole.ring)
        assert shapely.distance(whole, shapely.LineString(gas.points)) >= 0.6096 - 1e-3
        assert shapely.covers(area, whole)
        assert not shapely.crosses(lot, whole)
        ground = survey.site.ground.elevation_m(np.array([[pit.x_m, pit.y_m]]))
        bottom = ground - pit.depth_m
        assert clear_of_footing(survey.site, RULES, pit.ring[None], bottom)[0]


def test_a_pit_at_the_lot_line_is_not_lengthened_across_it() -> None:
    """Of all that lengthens a pit 0.3 m inside the front line nothing reaches the street."""
    field = lay_field(corner_site(), RULES, gather_cloud(wide_survey()))
    start = Places(np.array([[6.6, 0.75]]), np.zeros(1), np.array([[1.2, 0.9]]))
    (pit,) = weigh_pits(field.site, RULES, field.area, field.straights, field.cloud.weights, start)

    made = _extensions(field, field.cloud.weights, [pit])

    assert made
    assert min(one.whole_ring()[:, 1].min() for one in made) >= -1e-3


def test_what_was_dug_is_not_made_longer_as_planned_pits_are() -> None:
    """A pit that widens a hole which missed has no pit of the plan to lengthen, nor has another."""
    field = lay_field(corner_site(), RULES, gather_cloud(wide_survey()))
    places = Places(np.array([[6.6, 3.0]]), np.zeros(1), np.array([[1.2, 0.9]]))
    (pit,) = weigh_pits(field.site, RULES, field.area, field.straights, field.cloud.weights, places)

    assert _extensions(field, field.cloud.weights, [replace(pit, extends="F1")]) == []


def test_pits_before_the_house_are_weighed_as_by_hand() -> None:
    """140 places at any angle: which may be dug, how deep, for how much, against shapely and numpy.

    In soil C (1.5 to 1) none whose bottom undercuts a footing 0.30 m below the slab. 450 + area
    x (depth handled x 190 + surface) past 5 ft of depth, as the settings say.
    """
    ground = Ground(
        np.array([[0.0, 0.0], [15.0, 0.0], [0.0, 12.0]]),
        np.array([1.6, 1.9, 2.2]),
        np.zeros(3),
        assumed=False,
    )
    site = replace(corner_site(), ground=ground)
    whole = gather_cloud(survey_of((front_routes(), 1.0), site=site))
    generator = np.random.default_rng(4)
    chosen = generator.choice(whole.weights.size, 60, replace=False)
    weights = generator.dirichlet(np.ones(60))
    cloud = replace(
        whole,
        vertices=whole.vertices[chosen],
        inverts_m=whole.inverts_m[chosen] - 0.5,
        weights=weights,
        owner=whole.owner[chosen],
    )
    centers = generator.uniform([4.5, -2.0], [9.5, 6.9], (140, 2))
    centers[:60, 1] = generator.uniform(5.2, 6.9, 60)
    places = Places(centers, generator.uniform(-1.5, 1.5, 140), np.tile([1.2, 0.9], (140, 1)))
    area = dig_area(site)
    found = {
        tuple(one.center): one
        for one in weigh_pits(site, RULES, area, cloud.straights, weights, places)
    }
    house, rings = shapely.Polygon(site.building.vertices), shapely.polygons(places.rings())
    met = shapely.intersection(rings[:, None], shapely.linestrings(cloud.vertices)[None])
    seen = {True: 0, False: 0}
    for center, ring, parts in zip(centers, rings, met, strict=True):
        crossed = shapely.length(parts) > 1e-6
        if not (area.covers(ring) and crossed.any()):
            assert tuple(center) not in found
            continue
        middle = shapely.get_coordinates(
            shapely.line_interpolate_point(parts[crossed], 0.5, normalized=True)
        )
        start, end = cloud.vertices[crossed, 0], cloud.vertices[crossed, 1]
        share = np.hypot(*(middle - start).T) / np.hypot(*(end - start).T)
        inverts = cloud.inverts_m[crossed]
        depths = float(ground.elevation_m(center)) - (
            inverts[:, 0] + share * (inverts[:, 1] - inverts[:, 0])
        )
        low, high = (weighted_quantiles(depths, weights[crossed], (s,))[0] for s in (0.05, 0.95))
        bottom = float(ground.elevation_m(center)) - high - 0.15
        spare = house.distance(ring) - 1.5 * (-0.30 - bottom)
        if abs(spare) > 0.005:
            seen[spare > 0] += 1
            assert (tuple(center) in found) == (spare > 0)
        if tuple(center) not in found:
            continue
        one = found[tuple(center)]
        assert one.depth_m == pytest.approx(high + 0.15, abs=1e-3)
        assert (one.depth_05_m, one.depth_95_m) == pytest.approx((low, high), abs=1e-3)
        surface = site.dig.surface_per_m2["asphalt" if ring.bounds[1] < 0 else "lawn"]
        assert one.cost == pytest.approx(
            450 + 1.08 * (thrown_m(one.depth_m) * 190 + surface), rel=2e-3
        )
        exposed = np.flatnonzero(crossed)[depths <= high + 0.15]
        assert set(np.flatnonzero(one.exposed)) == set(exposed)
    assert min(seen.values()) > 10


def test_a_hole_that_missed_is_widened_on_every_side_by_half_and_by_a_whole_pit() -> None:
    """Eight pits that share an edge with the turned hole by shapely, and no ground with it.

    Each saves what of the set-up needs no second opening.
    """
    missed = Missed(
        "F1", "test-pit", 6.6, 3.0, 0.05, "lot coordinates", "no", length_m=1.4, width_m=0.8,
        angle_rad=0.4, dug_to_m=3.0,
    )  # fmt: skip
    site = replace(corner_site(), evidence=(missed,))
    field = lay_field(site, RULES, gather_cloud(survey_of((front_routes(), 1.0))))
    made = _extensions(field, field.cloud.weights, [])
    hole = shapely.Polygon(
        rectangle_rings(np.array([[6.6, 3.0]]), np.array([0.4]), np.array([[1.4, 0.8]]))[0]
    )
    sizes = sorted(tuple(np.round(sorted(one.size_m), 6)) for one in made)
    length = site.dig.pit_length_m
    expected = [
        tuple(sorted(pair))
        for pair in ((0.5 * length, 0.8), (length, 0.8), (0.5 * length, 1.4), (length, 1.4))
    ]
    assert sizes == sorted(tuple(np.round(pair, 6)) for pair in [*expected, *expected])
    middles = np.array([one.center for one in made]) - [6.6, 3.0]
    assert middles.sum(axis=0) == pytest.approx([0.0, 0.0], abs=1e-9)
    for one in made:
        ring = shapely.Polygon(one.ring)
        assert ring.intersection(hole).area == pytest.approx(0.0, abs=1e-6)
        shared = ring.buffer(1e-6).intersection(hole.exterior).length
        assert min(abs(shared - 1.4), abs(shared - 0.8)) < 1e-4
        whole = weigh_pits(
            site,
            RULES,
            field.area,
            field.straights,
            field.cloud.weights,
            Places(one.center[None], np.array([one.angle_rad]), np.array([one.size_m])),
        )[0]
        assert 0.0 < whole.cost - one.cost < site.dig.setup
        assert one.extends == "F1"


def test_pits_are_dug_by_hand_unless_a_machine_lifts_the_soil() -> None:
    """10 ft deep: 10 + 5 ft handled at 5 ft a throw, against 10 ft; said among the assumptions."""
    by_hand, by_machine = DigSettings(), DigSettings(hand_lift_m=None)
    depth, none = np.array([10 * 0.3048]), 0.0
    dear, cheap = (
        float(pit_cost(np.ones(1), depth, none, one, RULES)[0]) - one.setup
        for one in (by_hand, by_machine)
    )
    assert dear / cheap == pytest.approx(15 / 10)
    assert "handled again for each further 5' 0\"" in price_words(corner_site())
    machine = replace(corner_site(), dig=by_machine)
    assert price_words(machine).endswith("a machine lifts the soil.")


def test_a_longer_pit_is_the_least_rectangle_around_its_parts_along_the_first() -> None:
    """Center, size and ring by shapely: the parts turned back, their bounds turned forth."""
    angle, rings = 0.4, [shapely.box(0, 0, 1.2, 0.9), shapely.box(1.5, 0.3, 2.7, 1.0)]
    turned = [shapely.affinity.rotate(ring, angle, (0, 0), use_radians=True) for ring in rings]
    first, second = (
        Candidate(
            (0.0, 0.0), angle, (1.2, 0.9), shapely.get_coordinates(ring)[:-1],
            2.0, 2.0, 1.9, 2.1, 500.0, "grass", np.zeros(1, bool),
        )
        for ring in turned
    )  # fmt: skip
    center, along, size = replace(second, lengthens=first).whole()
    middle = shapely.affinity.rotate(shapely.Point(1.35, 0.5), angle, (0, 0), use_radians=True)
    assert center == pytest.approx((middle.x, middle.y))
    assert (along, *size) == pytest.approx((angle, 2.7, 1.0))
    whole = shapely.Polygon(replace(second, lengthens=first).whole_ring())
    bounds = shapely.box(*shapely.union_all(rings).bounds)
    expected = shapely.affinity.rotate(bounds, angle, (0, 0), use_radians=True)
    assert whole.symmetric_difference(expected).area == pytest.approx(0.0, abs=1e-9)


def test_holes_are_the_best_cell_each_after_the_misses_before_it() -> None:
    """Brute force with shapely over every cell of the raster: 12 in hole, any part of the pipe.

    P(hit) of what is left per cost, the frontmost and then the leftmost of equal ones; on asphalt
    it costs more than on the lawn.
    """
    generator = np.random.default_rng(9)
    whole = gather_cloud(two_way_survey())
    chosen = generator.choice(whole.weights.size, 60, replace=False)
    weights = generator.dirichlet(np.ones(60))
    vertices = whole.vertices[chosen] + generator.normal(0.0, 0.4, (60, 1, 2))
    cloud = replace(
        whole,
        vertices=vertices,
        inverts_m=whole.inverts_m[chosen],
        weights=weights,
        owner=whole.owner[chosen],
    )
    site = replace(corner_site(), dig=replace(corner_site().dig, cell_m=0.6))
    field = lay_field(site, RULES, cloud)
    holes = rank_holes(field)
    reach = VACUUM_HOLE_M + site.drain_diameter_m
    centers = field.grid.centers().reshape(-1, 2)
    centers = centers[shapely.contains_xy(vacuum_area(site), *centers.T)]
    half = np.full(len(centers), 0.5 * reach)
    boxes = shapely.box(*(centers - half[:, None]).T, *(centers + half[:, None]).T)
    met = shapely.intersects(boxes[:, None], shapely.linestrings(vertices)[None])
    rates = np.where(centers[:, 1] < 0, 25.0, 15.0)
    costs = site.dig.vacuum_hole + VACUUM_HOLE_M**2 * rates
    left, seen = weights.copy(), np.zeros(60, bool)
    assert len(holes) >= 3
    for number, hole in enumerate(holes, 1):
        worth = met @ left / costs
        best = int(np.flatnonzero(worth >= worth.max() * (1 - 1e-7))[0])
        assert hole.rank == number
        assert hole.ties == choose_ties(site, centers[best])[0]
        assert (hole.x_m, hole.y_m) == pytest.approx(tuple(centers[best]))
        assert hole.cost == pytest.approx(costs[best])
        assert hole.p_hit == pytest.approx(weights[met[best]].sum(), abs=1e-9)
        seen |= met[best]
        assert hole.p_hit_so_far == pytest.approx(weights[seen].sum(), abs=1e-9)
        left = np.where(met[best], 0.0, left)


def small_field(cell_m: float = 0.6) -> Field:
    """Lay a field of 60 routes that weigh as they will."""
    generator = np.random.default_rng(9)
    whole = gather_cloud(two_way_survey())
    chosen = generator.choice(whole.weights.size, 60, replace=False)
    cloud = replace(
        whole,
        vertices=whole.vertices[chosen] + generator.normal(0.0, 0.4, (60, 1, 2)),
        inverts_m=whole.inverts_m[chosen],
        weights=generator.dirichlet(np.ones(60)),
        owner=whole.owner[chosen],
    )
    site = replace(corner_site(), dig=replace(corner_site().dig, cell_m=cell_m))
    return lay_field(site, RULES, cloud)


def test_pits_are_proposed_across_the_mean_way_of_what_is_left_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Doubled angles of the straights that shapely finds in the pit, weighed; clear of the dug.

    The best cell of each size is among the few that are proposed.
    """
    monkeypatch.setattr(pits, "PLACES_PER_KIND", 4)
    field = small_field()
    left = np.where(np.arange(60) % 4 == 0, 0.0, field.cloud.weights)
    dug = shapely.box(6.0, 2.0, 7.2, 3.0)
    places = _places(field, left, dug)
    length, width = field.site.dig.pit_length_m, field.site.dig.pit_width_m
    assert len(places.centers) > 40
    steps = np.diff(field.cloud.vertices, axis=1)
    doubled = np.exp(2j * np.arctan2(steps[..., 1], steps[..., 0]))
    pieces = shapely.linestrings(
        np.stack([field.cloud.vertices[:, :-1], field.cloud.vertices[:, 1:]], axis=2)
    )
    for i in range(0, len(places.centers), 4):
        center, own = places.centers[i], places.sizes_m[i]
        assert places.centers[i : i + 4].tolist() == [center.tolist()] * 4
        sizes = [(k * length, width) for k in (1.0, 2.0, 3.0)]
        assert places.sizes_m[i + 1 : i + 4] == pytest.approx(np.array(sizes))
        pit = shapely.box(*(center - 0.5 * own), *(center + 0.5 * own))
        met = shapely.intersects(pieces, pit) & (np.abs(steps).sum(axis=2) > 0)
        # of each route the part that it has in the pit, at a bend the first
        first = np.argmax(met, axis=1)
        mean = np.sum((left * doubled[np.arange(60), first])[met.any(axis=1)])
        assert places.angles_rad[i] == 0.0
        if (met.sum(axis=1) <= 1).all():
            off = np.exp(1j * (2.0 * places.angles_rad[i + 1 : i + 4] - np.pi)) / mean * abs(mean)
            assert off == pytest.approx(np.ones(3), abs=1e-5)
        gap = dug.distance(shapely.Point(center))
        assert gap > 2.0 * RULES.spoil_setback_m + 0.5 * min(length, width) - 1e-6
    centers = field.grid.centers()
    far = dug.buffer(2.0 * RULES.spoil_setback_m + 0.5 * min(length, width))
    for kind in field.kinds:
        p = accumulate(kind.spans, left)
        asked = (
            kind.open_cells & (p >= 0.01) & ~shapely.contains_xy(far, *np.moveaxis(centers, -1, 0))
        )
        score = _score(field, kind, kind.spans, left, (p, asked))
        best = centers[asked][int(np.argmax(score))]
        own = np.flatnonzero(
            (places.sizes_m == kind.size_m).all(axis=1) & (places.angles_rad == 0.0)
        )
        assert np.hypot(*(places.centers[own] - best).T).min() < 1e-9


def test_a_field_reaches_as_far_as_its_longest_pit() -> None:
    """Its raster is the part where a pit of twice the length, either way, gains a hundredth."""
    field = small_field(0.15)
    site, cloud = field.site, field.cloud
    points = np.concatenate([cloud.vertices.reshape(-1, 2), site.lot.vertices])
    whole = cover_grid(points, site.dig.cell_m, 0.5 * 3.0 * site.dig.pit_length_m)
    longest = 2.0 * max(site.dig.pit_length_m, site.dig.pit_width_m)
    assert field.grid == _worth_part(whole, cloud.straights, cloud.weights, 0.5 * longest)


def test_a_cell_is_scored_as_its_pit_would_be_priced() -> None:
    """Depth by mean and sd of shapely's crossings of the row, to 95 % and bedding; P per cost."""
    field = small_field()
    kind, left = field.kinds[2], field.cloud.weights
    p = accumulate(kind.spans, left)
    cells = kind.open_cells & (p > 0.05)
    got = _score(field, kind, kind.spans, left, (p, cells))
    house = shapely.Polygon(field.site.building.vertices)
    scored = 0
    for value, center in zip(got[::6], field.grid.centers()[cells][::6], strict=True):
        half = 0.5 * np.array(kind.size_m)
        pit = shapely.box(*(center - half), *(center + half))
        band = shapely.box(-99.0, center[1] - half[1], 99.0, center[1] + half[1])
        hits, inverts = [], []
        for row, (corners, levels) in enumerate(
            zip(field.cloud.vertices, field.cloud.inverts_m, strict=True)
        ):
            parts = [shapely.LineString(corners[k : k + 2]) for k in range(len(corners) - 1)]
            met = [k for k, part in enumerate(parts) if part.length > 0 and part.intersects(pit)]
            if len(met) > 1:
                break
            if met:
                k = met[0]
                middle = parts[k].intersection(band).interpolate(0.5, normalized=True)
                share = parts[k].project(middle) / parts[k].length
                hits.append(row)
                inverts.append(levels[k] + share * (levels[k + 1] - levels[k]))
        else:
            weight = left[hits]
            mean = np.average(inverts, weights=weight)
            sd = np.sqrt(np.average((np.array(inverts) - mean) ** 2, weights=weight))
            ground = float(field.site.ground.elevation_m(center))
            depth = ground - mean + 1.645 * sd + 0.15
            rate = float(surface_rates_at(field.site, center))
            cost = float(pit_cost(np.array(1.08 * 2), np.array(depth), rate, field.site.dig, RULES))
            gap = house.distance(pit)
            away = RULES.footing_slope(field.site.dig.soil_type) * (depth - ground - 0.3)
            spare = gap - max(away, 0.0) if away > field.site.dig.building_setback_m else 1.0
            if abs(spare) > 0.02:
                scored += spare > 0
                expected = weight.sum() / cost if spare > 0 else 0.0
                assert value == pytest.approx(expected, rel=1e-3)
    assert scored > 8


def test_pits_by_blocks_are_those_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many fit in memory together; rates of a raster are those of its places."""
    field = small_field()
    centers = field.grid.centers().reshape(-1, 2)[::29]
    sizes, angles = np.tile([1.2, 0.9], (len(centers), 1)), np.linspace(-1.0, 2.0, len(centers))
    whole = rectangle_crossings(field.straights, centers, angles, sizes)
    monkeypatch.setattr(exposure, "_BLOCK", 5 * len(field.straights.start))
    parts = rectangle_crossings(field.straights, centers, angles, sizes)
    assert whole.crossed.any()
    assert (parts.crossed == whole.crossed).all()
    assert parts.invert_m == pytest.approx(whole.invert_m, nan_ok=True)
    every = field.grid.centers()[::5, ::5]
    assert surface_rates_at(field.site, every).ravel().tolist() == [
        float(surface_rates_at(field.site, one)) for one in every.reshape(-1, 2)
    ]


def test_a_pit_that_only_touches_the_lot_line_is_lengthened_along_it() -> None:
    """By half, a whole and two of its length to either side; across the line by none."""
    field = lay_field(corner_site(), RULES, gather_cloud(wide_survey()))
    start = Places(np.array([[6.6, 0.45]]), np.zeros(1), np.array([[1.2, 0.9]]))
    (pit,) = weigh_pits(field.site, RULES, field.area, field.straights, field.cloud.weights, start)
    wholes = [one.whole_ring() for one in _extensions(field, field.cloud.weights, [pit])]
    along = [np.ptp(ring[:, 0]) for ring in wholes if np.ptp(ring[:, 1]) < 0.95]
    assert set(np.round(along, 6)) == {1.8, 2.4, 3.6}
    assert min(ring[:, 1].min() for ring in wholes) >= -1e-9
