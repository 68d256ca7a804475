"""The stand-in for the dig: what its pits cost and expose, against closed forms."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy import stats

from sitegis.model.results import Routes
from sitegis.model.site import Ground
from sitegis.model.survey import Survey
from sitegis.numerics.statistics import weighted_quantiles
from sitegis.pits.cost import BEDDING_M, FOOTING_BELOW_SLAB_M
from sitegis.pits.exposure import Candidate, Places
from sitegis.score import pits as pits_module
from sitegis.score.particles import Particles, draw_particles, systematic
from sitegis.score.pits import Pits, _across, _along_the_routes, exposed_by, lay_pits
from tests.dig_clouds import RULES, front_routes, survey_of, two_way_survey, unlisted
from tests.invented import corner_site, thrown_m


def pits_of(survey: Survey) -> tuple[Pits, np.ndarray]:
    """Lay the pits of a survey; give them with the particles' weights."""
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    return lay_pits(particles, survey.routes, survey.site, RULES), particles.weights


def test_a_pit_is_dug_to_the_95_percent_quantile_and_bedding() -> None:
    """Inverts N(2.5 m, 0.2 m) deep under one line: dug to 2.5 + 1.645 · 0.2 + 0.15 m.

    Such a pit exposes Φ(1.645 + 0.15/0.2) = 99.2 %. The default pit of 1.2 × 0.9 m on lawn is
    450 + area × (depth × 190 + 15), protected past 5 ft, where it is thrown a second time.
    """
    count = 4000
    depth = 2.5 + 0.2 * stats.norm.ppf((np.arange(count) + 0.5) / count)
    routes: Routes = replace(
        front_routes(count),
        vertices=np.tile(np.array([[7.0, 7.6], [7.0, -10.06]]), (count, 1, 1)),
        inverts_m=np.repeat((2.0 - depth)[:, None], 2, axis=1),
        tap_stations_m=depth,
    )
    flat = Ground(np.array([[0.0, 0.0]]), np.array([2.0]), np.array([0.0]), assumed=False)
    pits, weights = pits_of(survey_of((routes, 1.0), site=replace(corner_site(), ground=flat)))

    dug = 2.5 + 1.645 * 0.2 + 0.15
    assert pits.costs.min() == pytest.approx(450 + 1.08 * (thrown_m(dug) * 190 + 15), rel=2e-3)
    best = max(weights[pits.hits[pit][pits.group_of]].sum() for pit in range(len(pits.costs)))
    assert best == pytest.approx(stats.norm.cdf(1.645 + 0.75), abs=0.006)


def test_wherever_an_answer_places_the_pipe_a_single_pit_lies_on_it() -> None:
    """Parallel pipes over 3 m: any 0.5 m of them lie in one 1.2 m pit, by simple arithmetic.

    Pits edge to edge would halve those at their edges.
    """
    count = 3000
    across = np.linspace(-1.5, 1.5, count)
    routes: Routes = replace(
        front_routes(count),
        vertices=np.stack(
            [np.stack([7.0 + across, np.full(count, y)], axis=1) for y in (7.6, -10.06)], axis=1
        ),
        inverts_m=np.full((count, 2), -0.5),
        tap_stations_m=across,
    )
    survey = survey_of((routes, 1.0))
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    pits = lay_pits(particles, survey.routes, survey.site, RULES)
    single = [i for i, pit in enumerate(pits.laid) if max(pit.size_m) < 1.3]
    x = particles.vertices[:, 0, 0] - 7.0
    for middle in np.linspace(-1.2, 1.2, 25):
        near = (np.abs(x - middle) <= 0.25) & particles.shows
        assert max(pits.hits[i][pits.group_of][near].mean() for i in single) == 1.0, middle


def test_a_pit_by_the_wall_shows_what_goes_to_no_main_on_record() -> None:
    """Which first straights of ``unlisted`` each pit shows, by shapely in plan and by depth."""
    survey = survey_of((front_routes(), 0.8), (unlisted(), 0.2))
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    pits = lay_pits(particles, survey.routes, survey.site, RULES)
    loose = np.flatnonzero(~particles.listed)
    assert particles.weights[loose].sum() == pytest.approx(0.2)
    lines = shapely.linestrings(particles.vertices[loose])
    met = 0
    for pit, ring in enumerate(shapely.polygons(_rings(pits.laid))):
        seen = pits.hits[pit][pits.group_of][loose]
        assert not (seen & ~shapely.intersects(lines, ring)).any()
        met += int(seen.sum())
        assert (seen == exposed_by(pits.laid[pit], particles, survey.site)[loose]).all()
    best = pits.laid[pits.plan(particles.weights).order[0]]
    assert exposed_by(best, particles, survey.site)[loose].mean() > 0.5
    assert met > len(loose)


def _rings(laid: tuple[Candidate, ...]) -> np.ndarray:
    """Return the corners (b, 4, 2) of pits, turned by complex numbers."""
    corners = []
    for pit in laid:
        halves = np.array([1 + 1j, -1 + 1j, -1 - 1j, 1 - 1j])
        own = pit.size_m[0] / 2 * halves.real + 1j * pit.size_m[1] / 2 * halves.imag
        placed = own * np.exp(1j * pit.angle_rad) + complex(*pit.center)
        corners.append(np.column_stack([placed.real, placed.imag]))
    return np.array(corners)


def test_of_too_many_pits_the_best_value_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where one pit is kept of many, it has the largest P(hit) per cost."""
    survey = two_way_survey()
    every, weights = pits_of(survey)
    worth = [
        weights[every.hits[pit][every.group_of]].sum() / cost
        for pit, cost in enumerate(every.costs)
    ]
    monkeypatch.setattr(pits_module, "MOST_PITS", 1)
    one, _ = pits_of(survey)

    assert len(every.costs) > 10
    assert weights[one.hits[0][one.group_of]].sum() / one.costs[0] == pytest.approx(max(worth))


def test_pits_stand_across_ways_that_run_aslant_and_on_their_middle() -> None:
    """Ways along (1, −3) over 2 m, dense at one side: pits square to them by the dot product.

    All others stand square to the house. Of those across some stand on the median way, and none
    further off than six half pits past the outermost.
    """
    count, slant = 2000, np.array([1.0, -3.0]) / np.sqrt(10.0)
    across = np.array([3.0, 1.0]) / np.sqrt(10.0)
    aside = 2.0 * np.linspace(0.0, 1.0, count) ** 2 - 1.0
    start = np.array([5.0, 7.6]) + aside[:, None] * across
    routes: Routes = replace(
        front_routes(count),
        vertices=np.stack([start, start + 18.0 * slant], axis=1),
        inverts_m=np.full((count, 2), -0.5),
        tap_stations_m=np.linspace(20.0, 22.0, count),
    )
    pits, _ = pits_of(survey_of((routes, 1.0)))
    house = corner_site().building.angle_rad
    turned = []
    for pit in pits.laid:
        way = np.array([np.cos(pit.angle_rad), np.sin(pit.angle_rad)])
        if abs(way @ slant) < 1e-3:
            turned.append(pit)
        else:
            assert np.sin(2 * (pit.angle_rad - house)) == pytest.approx(0.0, abs=1e-9)
    assert len(turned) >= 5
    lengths = {round(pit.size_m[0] / corner_site().dig.pit_length_m, 6) for pit in pits.laid}
    assert lengths == {1.0, 2.0, 3.0}
    off = np.array([(pit.center - [5.0, 7.6]) @ across for pit in turned])
    assert np.abs(off - np.median(aside)).min() < 0.02
    assert np.abs(off).max() < 1.0 + 0.6 * 6


def test_pits_move_straight_away_from_the_house_until_they_clear_it() -> None:
    """By shapely: 0.5 m from a wall and asked to keep 2 m, they stand at 2 m; farther ones stay."""
    site = corner_site()
    house = shapely.Polygon(site.building.vertices)
    x0, y0, x1, y1 = house.bounds
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    outside = np.array([[0, y0 - 1], [0, y1 + 1], [x0 - 1, 0], [x1 + 1, 0], [x1 + 9, 0]])
    centers = np.where(outside == 0, middle, outside)
    before = Places(centers, np.zeros(5), np.ones((5, 2)))
    after = pits_module._clear_of_house(before, site, 2.0)
    distances = shapely.distance(house, shapely.polygons(after.rings()))
    assert distances[:4] == pytest.approx(2.0 + pits_module.CLEARANCE_M, abs=1e-6)
    assert np.array_equal(after.centers[4], centers[4])
    moved = after.centers[:4] - centers[:4]
    assert np.linalg.norm(moved, axis=1) == pytest.approx(1.5 + pits_module.CLEARANCE_M, abs=1e-6)


@pytest.mark.parametrize(("inverts", "setback_m"), [((-1.3, -0.9, -1.7), 0.2), ((-0.1,), 1.4)])
def test_a_pit_stays_off_the_footing_by_the_depth_of_95_in_100(
    inverts: tuple[float, ...], setback_m: float
) -> None:
    """The soil's slope from a foot below the slab to scipy's 95 % point of the bottom's depth."""
    site = replace(corner_site(), dig=replace(corner_site().dig, building_setback_m=setback_m))
    listed = np.array([True] * len(inverts) + [False])
    levels = np.full((len(inverts) + 1, 2), -9.0)
    levels[:-1, 0] = inverts
    asked = SimpleNamespace(inverts_m=levels, listed=listed)
    bottom = stats.norm(-np.mean(inverts), max(np.std(inverts), 1e-12)).ppf(0.95) + BEDDING_M
    slope = RULES.footing_slope(site.dig.soil_type)
    expected = max(setback_m, slope * (bottom - FOOTING_BELOW_SLAB_M))
    assert pits_module._gap_m(asked, site, RULES) == pytest.approx(expected, rel=1e-4)


def bent_particles() -> Particles:
    """Return particles that turn, spread and weigh as they will."""
    survey = two_way_survey()
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    generator = np.random.default_rng(6)
    vertices = particles.vertices + generator.normal(0.0, 0.4, particles.vertices.shape)
    weights = generator.dirichlet(np.ones(particles.weights.size))
    return replace(particles, vertices=vertices, weights=weights)


@pytest.mark.parametrize("distance", [1.7, 4.4])
def test_pits_across_stand_side_by_side_from_the_median_way_on(distance: float) -> None:
    """Shapely's places on the ways, their weighted mean direction 0.2 m on, half a pit's steps."""
    particles, site = bent_particles(), corner_site()
    site = replace(site, building=replace(site.building, angle_rad=0.3))
    chosen = particles.listed
    found = _across(particles, chosen, distance, site)
    lines, weights = shapely.linestrings(particles.vertices[chosen]), particles.weights[chosen]
    at, on = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, d))
        for d in (distance, distance + 0.2)
    )
    heading = complex(*(weights @ (on - at)))
    left = heading * 1j / abs(heading)
    offsets = at @ [left.real, left.imag]
    low, middle, high = weighted_quantiles(offsets, weights, (0.02, 0.5, 0.98))
    length, width = site.dig.pit_length_m, site.dig.pit_width_m
    each = min(int(np.ceil(max(high - middle, middle - low) / (0.5 * length))), 6)
    assert each == 6 if distance > 4 else 1 < each < 6
    steps = [*(0.5 * length * k for k in range(-each, each + 1))] * 3 + [0.0, 0.0]
    center = weights @ at / weights.sum()
    ahead = np.array([heading.real, heading.imag]) / abs(heading)
    assert found.centers @ [left.real, left.imag] == pytest.approx(middle + np.array(steps))
    assert found.centers @ ahead == pytest.approx(np.full(len(steps), center @ ahead))
    turn = float(np.angle(left))
    assert found.angles_rad == pytest.approx(
        [turn] * (len(steps) - 2) + [0.3, 0.3 + np.pi / 2], abs=1e-9
    )
    lengths = np.repeat([1.0, 2.0, 3.0, 1.0, 1.0], [2 * each + 1] * 3 + [1, 1]) * length
    assert found.sizes_m == pytest.approx(np.column_stack([lengths, np.full(len(steps), width)]))


def test_pits_are_proposed_at_set_distances_and_just_within_the_lot(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On each way of 2 % or more; the last 0.6 of a pit's width before its median leaves."""
    particles, site = bent_particles(), corner_site()
    asked: list[tuple[np.ndarray, float]] = []
    monkeypatch.setattr(
        pits_module, "_across", lambda p, mine, distance, s: asked.append((mine, distance))
    )
    list(_along_the_routes(particles, site))
    expected = []
    for i, scored in enumerate(particles.scored):
        mine = (particles.hypothesis == i) & particles.listed
        if scored.probability >= 0.02 and mine.any():
            inside = np.nanmedian(particles.crossings.run_m[mine]) - 0.6 * site.dig.pit_width_m
            expected += [(mine, d) for d in (2.0, 3.5, 6.0, 9.0, 13.0, max(inside, 0.5))]
    assert len(expected) == 12
    assert [one[1] for one in asked] == pytest.approx([one[1] for one in expected])
    for (mine, _), (theirs, _) in zip(asked, expected, strict=True):
        assert mine.tolist() == theirs.tolist()


@pytest.mark.parametrize("count", [3, 7, 24])
def test_particles_stand_for_the_middle_of_their_share_of_the_weights(count: int) -> None:
    """The (i + ½)/n quantile of what is ordered by a length: numpy's step function inverted."""
    generator = np.random.default_rng(count)
    weights, lengths = generator.dirichlet(np.ones(3000)), generator.uniform(0.0, 70.0, 3000)
    routes = SimpleNamespace(tap_stations_m=lengths)
    chosen = systematic(weights, routes, count)  # type: ignore[arg-type]  # what it reads
    order = np.argsort(lengths)
    reached = np.cumsum(weights[order])
    for i, one in enumerate(chosen):
        at = int(np.searchsorted(reached, (i + 0.5) / count))
        near = lengths[order[max(at - 1, 0) : at + 2]]
        assert near.min() <= lengths[one] <= near.max()
