"""Corridors: whole routes held, measured by shapely on the rings, smooth, nested, none ragged."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from sitegis.dig import plan_dig
from sitegis.dig.cloud import RouteCloud, gather_cloud, whole_cloud
from sitegis.dig.corridors import (
    CELL_M,
    CELLS_ACROSS_AT_MOST,
    SMOOTH_CELLS,
    _cells_along,
    _central_order,
    _filled,
    _lay_grid,
    _rasterize,
    draw_corridors,
)
from sitegis.dig.hits import Grid
from sitegis.model.dig_plan import Corridor
from sitegis.model.results import Routes
from sitegis.model.survey import Survey
from sitegis.numerics.raster import smoothed
from sitegis.write.gis.geojson import geojson_bytes
from tests.dig_clouds import alley_routes, front_routes, survey_of, two_way_survey, unlisted
from tests.filled import filled_survey

LEAST, MOST = -1e-9, 0.05  # what the shape may hold besides its level


def shape_of(corridor: Corridor) -> shapely.MultiPolygon:
    """Join a corridor's rings and holes to one shape."""
    return shapely.MultiPolygon(
        [
            shapely.Polygon(ring, holes)
            for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
        ]
    )


def parallel_cloud(sd_m: float, count: int = 4000) -> RouteCloud:
    """Routes along y, 30 m long, offsets N(0, sd) at their exact quantiles."""
    offsets = norm.ppf((np.arange(count) + 0.5) / count) * sd_m
    vertices = np.zeros((count, 2, 2))
    vertices[..., 0] = offsets[:, None]
    vertices[:, 1, 1] = 30.0
    owner = np.zeros(count, dtype=np.int64)
    return RouteCloud(vertices, np.zeros((count, 2)), np.full(count, 1 / count), owner, ("one",))


@pytest.fixture(scope="module")
def survey() -> Survey:
    """Front or alley, and a third way whose routes carry very uneven weights."""
    generator = np.random.default_rng(8)
    uneven = dataclasses.replace(
        front_routes(900, sd_m=4.0, seed=9),
        hypothesis=dataclasses.replace(front_routes(2).hypothesis, id="front-main:uneven"),
    )
    made = survey_of(
        (front_routes(), 0.6), (alley_routes(), 0.28), (uneven, 0.1), (unlisted(), 0.02)
    )
    weights = generator.gamma(0.3, size=900)
    scored = tuple(
        dataclasses.replace(one, weights=weights / weights.sum())
        if one.hypothesis.id == "front-main:uneven"
        else one
        for one in made.scores.hypotheses
    )
    return dataclasses.replace(made, scored=dataclasses.replace(made.scores, hypotheses=scored))


@pytest.fixture(scope="module")
def corridors(survey: Survey) -> tuple[Corridor, ...]:
    return draw_corridors(gather_cloud(survey), whole_cloud(survey))


def routes_and_weights(survey: Survey, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the lines of a way (or of all, weighted by probability) as the stages left them."""
    lines, weights = [], []
    of: dict[str, Routes] = {routes.hypothesis.id: routes for routes in survey.routes}
    for scored in survey.scores.hypotheses:
        if scored.best is not None and name in ("all", scored.hypothesis.id):
            lines.append(shapely.linestrings(of[scored.hypothesis.id].vertices))
            weights.append(scored.probability * scored.weights)
    weight = np.concatenate(weights)
    return np.concatenate(lines), weight / weight.sum()


def test_each_corridor_holds_its_share_of_whole_routes(
    survey: Survey, corridors: tuple[Corridor, ...]
) -> None:
    """Shapely's ``covers``, route by route over all samples: the level or a little more."""
    assert len(corridors) == 4 * 3
    for corridor in corridors:
        lines, weights = routes_and_weights(survey, corridor.hypothesis)
        shape = shape_of(corridor)
        held = float(weights @ shapely.covers(shape, lines))
        taps = float(weights @ shapely.covers(shape, shapely.get_point(lines, -1)))
        assert LEAST <= held - corridor.level + 1e-3 <= MOST, corridor.hypothesis
        assert corridor.routes_held == pytest.approx(held, abs=2e-3)
        assert corridor.taps_held == pytest.approx(taps, abs=2e-3)
        assert taps >= held


def test_the_corridor_as_written_holds_what_its_attributes_say() -> None:
    """The polygons of ``lateral.geojson``, read back: counted by shapely in WGS 84."""
    filled = filled_survey()
    survey = dataclasses.replace(filled, planned=plan_dig(filled).planned)
    features = json.loads(geojson_bytes(survey))["features"]
    written = [f for f in features if f["properties"]["layer"] == "corridor"]
    assert written
    for feature in written:
        told = feature["properties"]
        lines, weights = routes_and_weights(survey, told["hypothesis"])
        moved = shapely.transform(lines, survey.site.frame.to_lonlat)
        shape = shapely.geometry.shape(feature["geometry"])
        held = float(weights @ shapely.covers(shape, moved))
        assert held >= told["level"] - 0.005
        # 60 routes a way: one is 1.7 %
        assert told["routes_held"] == pytest.approx(held, abs=0.02)


@pytest.mark.parametrize(("level", "z"), [(0.5, 0.6745), (0.8, 1.2816), (0.95, 1.9600)])
def test_corridor_of_parallel_routes_is_as_wide_as_the_normal_interval(
    level: float, z: float
) -> None:
    """Offsets N(0, 2 m): the corridor is 2 z σ wide (z from any normal table), and no narrower."""
    corridors = {c.level: c for c in draw_corridors(parallel_cloud(2.0)) if c.hypothesis == "one"}

    middle = shapely.LineString([[-30.0, 15.0], [30.0, 15.0]])

    width = shape_of(corridors[level]).intersection(middle).length
    assert 2 * z * 2.0 - 0.01 <= width <= 2 * z * 2.0 + 1.2


def test_corridors_nest(corridors: tuple[Corridor, ...]) -> None:
    """The 50 % corridor lies within the 80 %, and that within the 95 %, but for smoothing."""
    for name in {c.hypothesis for c in corridors}:
        shapes = [shape_of(c) for c in corridors if c.hypothesis == name]
        assert shapes[0].difference(shapes[1].buffer(0.4)).area == 0
        assert shapes[1].difference(shapes[2].buffer(0.4)).area == 0


def test_rings_are_few_valid_and_smooth(corridors: tuple[Corridor, ...]) -> None:
    """One piece, for all routes start at the wall; no speck, no stairs, on whole centimeters.

    The cells are 0.5 m: stairs would have a vertex for every cell of the edge.
    """
    for corridor in corridors:
        shape = shape_of(corridor)
        assert shape.is_valid
        assert len(corridor.rings) == 1
        assert all(shapely.Polygon(hole).area > 1.0 for hole in corridor.holes[0])
        vertices = sum(len(ring) for ring in (*corridor.rings, *corridor.holes[0]))
        assert vertices < 0.5 * shape.length / 0.5
        for ring in corridor.rings:
            assert np.abs(ring * 100 - np.round(ring * 100)).max() < 1e-6


def test_two_clusters_leave_the_gap_between_them_out() -> None:
    """Half the routes fork left, half right: what lies between is no part of the 95 % area."""
    generator, count = np.random.default_rng(2), 1000
    vertices = np.zeros((count, 3, 2))
    vertices[:, 1] = generator.normal((0.0, 2.0), 0.1, (count, 2))
    side = np.where(np.arange(count) % 2, 8.0, -8.0)
    vertices[:, 2] = np.stack(
        [side + generator.normal(0, 0.5, count), np.full(count, 20.0)], axis=1
    )
    cloud = RouteCloud(
        vertices, np.zeros((count, 3)), np.full(count, 1 / count), np.zeros(count, np.int64), ("y",)
    )
    for corridor in draw_corridors(cloud):
        if corridor.level == 0.95:
            assert not shape_of(corridor).intersects(shapely.Point(0.0, 19.0))
            assert shape_of(corridor).covers(shapely.Point(8.0, 19.5))


def test_a_route_outside_the_drawn_ones_still_counts() -> None:
    """The corridor drawn from 40 routes holds 95 % of 4000 others of the same distribution."""
    few, many = parallel_cloud(2.0, 40), parallel_cloud(2.0, 4000)
    for corridor in draw_corridors(few, many):
        held = shapely.covers(shape_of(corridor), shapely.linestrings(many.vertices)).mean()
        assert held >= corridor.level


def test_the_same_routes_in_other_units_of_the_last_bit_give_the_same_rings() -> None:
    """Vertices moved by a millionth of a millimeter change no ring (processors differ by less)."""
    survey = two_way_survey()
    moved = tuple(
        dataclasses.replace(routes, vertices=routes.vertices * (1.0 + 1e-13))
        for routes in survey.routes
    )
    one = draw_corridors(gather_cloud(survey), whole_cloud(survey))
    other_survey = dataclasses.replace(survey, sampled=moved)
    other = draw_corridors(gather_cloud(other_survey), whole_cloud(other_survey))
    for a, b in zip(one, other, strict=True):
        assert [ring.tolist() for ring in a.rings] == [ring.tolist() for ring in b.rings]


def test_no_routes_no_corridors() -> None:
    """An empty cloud has no corridors."""
    assert draw_corridors(gather_cloud(survey_of((unlisted(), 1.0)))) == ()


def test_small_holes_are_filled_and_large_ones_kept() -> None:
    """Of one ring with holes of 0.9 and 1.2 m² the larger is left, and so of a second part."""
    outer, second = shapely.box(0, 0, 9, 9), shapely.box(20, 0, 24, 4)
    small, large = shapely.box(1, 1, 1.9, 2), shapely.box(4, 4, 5.2, 5)
    shape = shapely.union_all([outer - small - large, second])
    assert shapely.equals(_filled(shape, 1.0), shapely.union_all([outer - large, second]))


@pytest.mark.parametrize("extent_m", [(31.0, 17.3), (17.3, 31.0), (900.0, 77.0), (77.0, 900.0)])
def test_a_raster_of_corridors_covers_all_with_four_cells_to_spare(
    extent_m: tuple[float, float],
) -> None:
    """Half-meter cells up to a thousand of them across the longer side; lines at whole cells."""
    points = np.random.default_rng(9).uniform([-7.3, 2.9], np.add([-7.3, 2.9], extent_m), (50, 2))
    grid = _lay_grid(points)
    assert grid.cell_m == pytest.approx(
        max(CELL_M, np.ptp(points, axis=0).max() / CELLS_ACROSS_AT_MOST)
    )
    low = np.array(grid.origin_m)
    high = low + grid.cell_m * np.array([grid.columns, grid.rows])
    for gap in (points.min(axis=0) - low, high - points.max(axis=0)):
        assert (gap / grid.cell_m >= 4.0 - 1e-9).all()
        assert (gap / grid.cell_m < 5.0).all()
    assert low / grid.cell_m == pytest.approx(np.rint(low / grid.cell_m), abs=1e-6)


def test_a_route_is_as_central_as_its_least_dense_station() -> None:
    """Written out route by route: shapely's places at twelfths, the weight through their cells.

    At each station a route counts as the share of those in as dense a cell or a denser one; its
    worst station orders it.
    """
    generator = np.random.default_rng(7)
    count, grid = 25, Grid((-2.0, -3.0), 0.5, 26, 30)
    vertices = generator.uniform([0.0, 0.0], [9.0, 7.0], (count, 3, 2))
    weights = generator.dirichlet(np.full(count, 3.0))
    cloud = RouteCloud(vertices, np.zeros((count, 3)), weights, np.zeros(count, np.int64), ("one",))
    drawn = _rasterize(cloud, np.ones(count, bool), grid)
    lines = shapely.linestrings(vertices)
    centers = grid.centers().reshape(-1, 2)
    boxes = shapely.box(*(centers - 0.25).T, *(centers + 0.25).T)
    through = shapely.intersects(boxes[:, None], lines[None])
    density = smoothed((through @ weights).reshape(26, 30), SMOOTH_CELLS).ravel()
    there = np.empty((count, 12))
    for row, line in enumerate(lines):
        for k in range(12):
            place = line.interpolate((k + 1) / 12, normalized=True)
            column, line_at = int((place.x + 2.0) // 0.5), int((place.y + 3.0) // 0.5)
            assert _cells_along(vertices, grid)[row, k] == line_at * 30 + column
            there[row, k] = density[line_at * 30 + column]
    worst = []
    for row in range(count):
        shares = []
        for k in range(12):
            level = there[:, k] / density.max()
            # of equals those listed before it
            denser = level > level[row] + 1e-6
            alike = (np.abs(level - level[row]) <= 1e-6) & (np.arange(count) <= row)
            shares.append(weights[denser | alike].sum())
        worst.append(max(shares))
    order = np.argsort(worst, kind="stable")
    expected = np.empty(count)
    expected[order] = np.cumsum(weights[order])
    assert _central_order(drawn) == pytest.approx(expected)
