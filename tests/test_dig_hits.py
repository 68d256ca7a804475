"""Crossings of routes and pits, against shapely on the same routes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sitegis.dig.cloud import RouteCloud
from sitegis.dig.hits import (
    Grid,
    accumulate,
    cells_passed,
    cover_grid,
    pit_spans,
)
from sitegis.dig.pits import BLOCK_CELLS, LEAST_GAIN, _worth_part
from sitegis.pits.exposure import rectangle_crossings, rectangle_rings, straights_of

seeds = st.integers(0, 10_000)


def random_cloud(seed: int, count: int = 12, vertices: int = 4) -> RouteCloud:
    """Routes with random bends in a box of 6 m, some ending early."""
    generator = np.random.default_rng(seed)
    points = generator.uniform(0, 6, (count, vertices, 2))
    points[: count // 3, -1] = points[: count // 3, -2]
    weights = generator.dirichlet(np.ones(count))
    return RouteCloud(
        points,
        generator.uniform(-2, 0, (count, vertices)),
        weights,
        np.zeros(count, dtype=np.int64),
        ("only",),
    )


def shapely_hits(cloud: RouteCloud, rings: np.ndarray) -> np.ndarray:
    """Say with shapely which routes meet which rectangles (c, m)."""
    lines = shapely.linestrings(cloud.vertices)
    return shapely.intersects(shapely.polygons(rings)[:, None], lines[None])


@settings(deadline=None, max_examples=30)
@given(seeds)
@example(3927)
def test_raster_of_hits_is_what_shapely_counts_at_every_cell(seed: int) -> None:
    """P(hit) of every cell is the weight of the routes that meet the pit centered on it.

    One that passes it by less than two micrometers may count.
    """
    cloud = random_cloud(seed)
    grid = cover_grid(cloud.vertices.reshape(-1, 2), 0.37, 1.0)
    size = np.array([1.2, 0.9] if seed % 2 else [0.6, 2.1])

    p = accumulate(pit_spans(cloud.straights, grid, (size[0] / 2, size[1] / 2)), cloud.weights)

    centers = grid.centers().reshape(-1, 2)
    least, most = (
        shapely_hits(cloud, rectangle_rings(centers, np.zeros(len(centers)), sizes)) @ cloud.weights
        for sizes in np.tile(size, (2, len(centers), 1)) + np.array([0.0, 4e-6])[:, None, None]
    )
    assert (least - 1e-9 <= p.ravel()).all()
    assert (p.ravel() <= most + 1e-9).all()


@settings(deadline=None, max_examples=30)
@given(seeds)
def test_turned_pits_meet_the_routes_that_shapely_says(seed: int) -> None:
    """A pit at any angle is crossed by exactly the routes that shapely finds."""
    cloud, generator = random_cloud(seed), np.random.default_rng(seed)
    centers, angles = generator.uniform(0, 6, (40, 2)), generator.uniform(-4, 4, 40)
    sizes = generator.uniform(0.3, 3.0, (40, 2))

    crossed = rectangle_crossings(cloud.straights, centers, angles, sizes).crossed

    least, most = (
        shapely_hits(cloud, rectangle_rings(centers, angles, sizes + more)) for more in (0.0, 4e-6)
    )
    assert (least <= crossed).all()
    assert (crossed <= most).all()


def test_invert_at_a_pit_is_that_halfway_through_it() -> None:
    """A straight that falls from 0 to −1 m in 10 m lies at −0.25 m in a pit centered at 2.5 m."""
    cloud = RouteCloud(
        np.array([[[0.0, 0.0], [10.0, 0.0]]]),
        np.array([[0.0, -1.0]]),
        np.ones(1),
        np.zeros(1, dtype=np.int64),
        ("only",),
    )

    found = rectangle_crossings(
        cloud.straights, np.array([[2.5, 0.1], [2.5, 3.0]]), np.zeros(2), np.ones((2, 2))
    )

    assert found.invert_m[0, 0] == pytest.approx(-0.25)
    assert np.isnan(found.invert_m[1, 0])


def test_a_bend_in_a_pit_counts_once() -> None:
    """A route that enters a pit twice weighs no more than once."""
    hairpin = np.array([[[0.0, 0.0], [3.0, 0.1], [0.0, 0.2]]])
    cloud = RouteCloud(
        hairpin, np.zeros((1, 3)), np.ones(1), np.zeros(1, dtype=np.int64), ("only",)
    )
    grid = Grid((-1.0, -1.0), 0.25, 10, 20)

    p = accumulate(pit_spans(cloud.straights, grid, (0.5, 0.5)), cloud.weights)

    assert p.max() == 1.0
    assert p.min() == 0.0


def test_value_sums_follow_the_routes() -> None:
    """The direction sums of a north-running route are cos 180° = −1 and sin 180° = 0."""
    cloud = RouteCloud(
        np.array([[[1.0, 0.0], [1.0, 4.0]]]),
        np.zeros((1, 2)),
        np.ones(1),
        np.zeros(1, dtype=np.int64),
        ("only",),
    )
    spans = pit_spans(cloud.straights, Grid((0.0, 0.0), 0.5, 8, 4), (0.3, 0.3))

    cosine = accumulate(spans, cloud.weights, spans.direction[:, 0])

    assert cosine.min() == pytest.approx(-1.0)
    assert accumulate(spans, cloud.weights, spans.direction[:, 1]) == pytest.approx(0.0, abs=1e-9)


def test_a_raster_over_a_wide_area_gets_coarser() -> None:
    """No raster is more than about 1000 cells across."""
    grid = cover_grid(np.array([[0.0, 0.0], [5000.0, 100.0]]), 0.25, 1.0)

    assert grid.columns <= 1001
    assert grid.cell_m == pytest.approx(5.002)


@settings(deadline=None, max_examples=20)
@given(seeds)
def test_runs_through_marked_cells_are_those_that_shapely_finds(seed: int) -> None:
    """Kept are the rows of cells in which a route's pits reach a marked cell, and no others.

    The marked cells lose nothing, and a route without weight leaves no run.
    """
    cloud, generator = random_cloud(seed), np.random.default_rng(seed)
    grid = cover_grid(cloud.vertices.reshape(-1, 2), 0.61, 0.7)
    spans = pit_spans(cloud.straights, grid, (0.6, 0.45))
    marked = generator.random((grid.rows, grid.columns)) < 0.05
    marked[-1, -1] = marked[0, 0] = True
    kept = spans.through(marked)
    every = accumulate(spans, cloud.weights)
    assert accumulate(kept, cloud.weights)[marked] == pytest.approx(every[marked], abs=1e-12)
    for first, past in zip(kept.first, kept.past, strict=True):
        row, column = divmod(int(first), grid.columns + 1)
        assert marked[row, column : column + int(past - first)].any()
    light = np.where(generator.random(cloud.weights.size) < 0.5, 0.0, cloud.weights)
    some = spans.of_weight(light)
    assert set(some.route) <= set(np.flatnonzero(light))
    assert accumulate(some, light) == pytest.approx(accumulate(spans, light), abs=1e-12)


@settings(deadline=None, max_examples=20)
@given(seeds)
def test_cells_passed_are_those_that_shapely_lines_meet(seed: int) -> None:
    """Every cell whose square meets a route, once each, in the order of routes.

    One that passes it by less than two micrometers may count.
    """
    cloud = random_cloud(seed)
    grid = cover_grid(cloud.vertices.reshape(-1, 2), 0.53, 0.4)
    cells, routes = cells_passed(cloud.straights, grid)
    centers = grid.centers().reshape(-1, 2)
    least, most = (
        {tuple(pair) for pair in np.argwhere(shapely_hits(cloud, rings).T)}
        for size in (0.53, 0.53 + 4e-6)
        for rings in (
            rectangle_rings(centers, np.zeros(len(centers)), np.full(centers.shape, size)),
        )
    )
    found = list(zip(routes, cells, strict=True))
    assert (np.diff(routes) >= 0).all()
    assert len(set(found)) == len(found)
    assert least <= set(found) <= most


@settings(deadline=None, max_examples=20)
@given(seeds)
def test_inverts_and_directions_of_runs_are_those_of_shapelys_strips(seed: int) -> None:
    """In a row's strip, as wide as the pit, the invert is that halfway along what lies in it.

    The sums over one straight of each route, weight times invert, cell by cell; and twice its
    angle by complex numbers.
    """
    cloud = random_cloud(seed, 6, 2)
    grid = cover_grid(cloud.vertices.reshape(-1, 2), 0.7, 0.5)
    spans = pit_spans(cloud.straights, grid, (0.5, 0.4))
    y = grid.origin_m[1] + (np.arange(grid.rows) + 0.5) * grid.cell_m
    row = spans.first // (grid.columns + 1)
    route = cloud.straights.route[spans.straight]
    for i in range(row.size):
        line, inverts = cloud.vertices[route[i]], cloud.inverts_m[route[i]]
        strip = shapely.box(-99.0, y[row[i]] - 0.4, 99.0, y[row[i]] + 0.4)
        middle = shapely.LineString(line).intersection(strip).interpolate(0.5, normalized=True)
        share = np.hypot(middle.x - line[0, 0], middle.y - line[0, 1]) / np.hypot(
            *(line[1] - line[0])
        )
        assert spans.invert_m[i] == pytest.approx(np.interp(share, [0, 1], inverts), abs=1e-4)
        way = complex(*(line[1] - line[0]))
        twice = (way / abs(way)) ** 2
        assert spans.direction[i] == pytest.approx([twice.real, twice.imag], abs=1e-6)


def test_a_route_that_touches_a_corner_of_a_pit_crosses_it() -> None:
    """Within a micrometer outside half the diagonal it counts, two beyond it does not."""
    half = np.hypot(0.6, 0.45)
    # across the diagonal, square to it: the least that a pit is wide of a line
    along = np.array([0.45, -0.6]) / np.hypot(0.6, 0.45)
    out = np.array([0.6, 0.45]) / half
    for beyond, touches in ((0.5e-6, True), (3e-6, False)):
        line = np.stack([(half + beyond) * out - 3 * along, (half + beyond) * out + 3 * along])
        straights = straights_of(line[None], np.zeros((1, 2)))
        found = rectangle_crossings(
            straights, np.zeros((1, 2)), np.zeros(1), np.array([[1.2, 0.9]])
        )
        assert found.crossed[0, 0] == touches


@settings(deadline=None, max_examples=12)
@given(seeds, st.sampled_from([(0.5e-6, True), (3e-6, False)]), st.booleans(), st.booleans())
def test_a_route_that_touches_pits_of_a_raster_crosses_them(
    seed: int, beyond: tuple[float, bool], level: bool, far: bool
) -> None:
    """A straight along a row's or a column's edge, by a micrometer outside it and by three.

    On either side, and into the row from either end: what shapely meets of pits that much wider.
    """
    generator = np.random.default_rng(seed)
    half = generator.uniform(0.3, 0.9, 2)
    grid = Grid((-1.0, -2.0), 0.5, 9, 11)
    off = (half[1 if level else 0] + beyond[0]) * (1.0 if far else -1.0)
    row, column = generator.integers(3, 6, 2)
    x, y = grid.centers()[row, column]
    ends = np.array([[x - 1.1, y + off], [x + 1.3, y + off]])
    if not level:
        ends = np.array([[x + off, y - 1.1], [x + off, y + 1.3]])
    straights = straights_of(ends[None], np.zeros((1, 2)))
    hit = accumulate(pit_spans(straights, grid, (half[0], half[1])), np.ones(1)) > 0.5
    assert hit[row, column] == beyond[1]
    line = shapely.LineString(ends)
    widened = [
        shapely.box(*(center - half - 1e-6), *(center + half + 1e-6))
        for center in grid.centers().reshape(-1, 2)
    ]
    assert np.array_equal(hit.ravel(), shapely.intersects(widened, line))


@settings(deadline=None, max_examples=10)
@given(seeds)
def test_a_raster_covers_its_places_and_their_margin_and_no_row_more(seed: int) -> None:
    """By numpy's least and greatest: to a lattice's step, and no more than a cell beyond."""
    generator = np.random.default_rng(seed)
    points = generator.uniform([-3.0, 20.0], [9.0, 24.0], (7, 2))
    grid = cover_grid(points, 0.25, 1.5)
    low = grid.centers()[0, 0] - 0.125
    high = grid.centers()[-1, -1] + 0.125
    assert low == pytest.approx(points.min(axis=0) - 1.5, abs=1e-4)
    beyond = high - (points.max(axis=0) + 1.5)
    assert (beyond > -1e-4).all()
    assert (beyond < 0.2501).all()


@pytest.mark.parametrize("seed", range(6))
def test_a_part_of_a_raster_counts_what_the_whole_one_does_there(seed: int) -> None:
    """Routes that lie beside, before or behind the part change nothing of it."""
    cloud = random_cloud(seed, count=30)
    whole = cover_grid(cloud.vertices.reshape(-1, 2), 0.31, 1.0)
    rows, columns = slice(7, 13), slice(5, 16)
    low = np.array(whole.origin_m) + 0.31 * np.array([columns.start, rows.start])
    part = Grid((float(low[0]), float(low[1])), 0.31, 6, 11)
    half = (0.6, 0.35)
    every = accumulate(pit_spans(cloud.straights, whole, half), cloud.weights)
    assert accumulate(pit_spans(cloud.straights, part, half), cloud.weights) == pytest.approx(
        every[rows, columns], abs=1e-12
    )


@pytest.mark.parametrize("seed", range(5))
def test_the_part_worth_asking_is_what_shapely_counts_by_blocks(seed: int) -> None:
    """Blocks whose pit, larger by the block, meets a hundredth of the routes, and no more."""
    generator = np.random.default_rng(seed)
    points = generator.uniform(2, 4.5, (40, 3, 2)) + generator.normal(0, 0.3, (1, 1, 2))
    points[-2:] += [[9.0, 3.0]]  # too few to ask for
    weights = np.concatenate([generator.dirichlet(np.ones(38)) * 0.996, [0.002, 0.002]])
    cloud = RouteCloud(points, np.zeros((40, 3)), weights, np.zeros(40, np.int64), ("only",))
    grid, reach = Grid((-3.1, -4.2), 0.15, 91, 107), 0.7
    part = _worth_part(grid, cloud.straights, weights, reach)
    size, lines = BLOCK_CELLS * 0.15, shapely.linestrings(points)
    kept = []
    for row in range(-(-91 // BLOCK_CELLS)):
        for column in range(-(-107 // BLOCK_CELLS)):
            x, y = -3.1 + column * size, -4.2 + row * size
            around = shapely.box(x - reach, y - reach, x + size + reach, y + size + reach)
            if weights[shapely.intersects(lines, around)].sum() >= LEAST_GAIN:
                kept.append((row, column))
    (low_row, low), (high_row, high) = np.min(kept, axis=0), np.max(kept, axis=0)
    assert part.origin_m == pytest.approx((-3.1 + low * size, -4.2 + low_row * size))
    assert part.rows == min((high_row + 1) * BLOCK_CELLS, 91) - low_row * BLOCK_CELLS
    assert part.columns == min((high + 1) * BLOCK_CELLS, 107) - low * BLOCK_CELLS
    assert part.cell_m == 0.15
    assert part.rows < 91
    assert part.columns < 107
    nothing = _worth_part(grid, cloud.straights, weights * 0.0, reach)
    assert (nothing.rows, nothing.columns) == (1, 1)
