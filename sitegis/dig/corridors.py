"""Corridors: areas that wholly hold a stated share of the routes, the most central ones."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.dig_plan import Corridor
from ..numerics.intervals import LEVELS
from ..numerics.ordering import MATTERS_P, at_least, in_steps, ordered
from ..numerics.raster import boxes_of, highest_near, lowest_near, smoothed
from ..pits.exposure import Flags, Integers, straights_of
from .cloud import RouteCloud
from .hits import Grid, cells_passed

CELL_M = 0.5
CELLS_ACROSS_AT_MOST = 1000
ALL = "all"
SMOOTH_CELLS = 2.0  # against the noise of a finite sample in the density that ranks the routes
STATIONS = 12
# Round corners: cells are joined with what lies within this reach, and the edge is then taken
# back to just beyond them. Judgment.
JOIN_CELLS, BEYOND_CELLS, SIMPLIFY_CELLS = 1.6, 0.5, 0.45

LATTICE_M = 0.01
NEVER = 2.0
# search: aim this much above the level, and guess that so much of what a shape may hold it does;
# settle for so much too much, and for twice as much after so many trials
AIMED_ABOVE, FIRST_GUESS = 0.006, 0.7
TOLERANCE, TRIALS_WORTHWHILE = 0.02, 4


@dataclass(frozen=True, slots=True)
class _Raster:
    """Weighted routes on a raster: ``weights`` (m,), ``vertices`` (m, v, 2), the cells they pass.

    ``cell`` (k,) is a flat index into (rows, columns), ``route`` (k,) does not decrease; those of
    one route begin at ``starts``.
    """

    grid: Grid
    weights: Array
    vertices: Array
    cell: Integers
    route: Integers
    starts: Integers

    def latest(self, entry: Array) -> Array:
        """Return for each route (m,) when the last of its cells enters; 2 for never."""
        latest = np.full(self.weights.size, NEVER)
        if self.starts.size:
            last = np.maximum.reduceat(entry.ravel()[self.cell], self.starts)
            latest[self.route[self.starts]] = last
        return latest


def draw_corridors(cloud: RouteCloud, checked: RouteCloud | None = None) -> tuple[Corridor, ...]:
    """Draw the 50, 80 and 95 % corridors of every hypothesis with routes, and of all together.

    Routes are ranked from the most central: the density of routes is compared at twelve
    stations along each, and a route counts as its least dense place does among the routes there
    (an extremal depth, after Narisetty and Nair 2016). A corridor is what the first routes of
    that order pass through, its edge rounded, with as many of them as it takes until a share
    ``level`` of the routes of ``checked`` (of ``cloud`` itself without it) lies wholly inside
    the shape as written. ``routes_held`` and ``taps_held`` are measured on that shape.

    Parameters
    ----------
    cloud
        Thinned routes of every hypothesis.
    checked
        Routes by which the level is measured, None for the cloud itself.

    Returns
    -------
    tuple[Corridor, ...]
        The corridors of each hypothesis, then of all together.
    """
    if cloud.empty:
        return ()
    checked = cloud if checked is None else checked
    points = np.concatenate([one.vertices.reshape(-1, 2) for one in (cloud, checked)])
    grid, owners = _lay_grid(points), np.unique(cloud.owner).tolist()
    drawn = [_rasterize(cloud, cloud.owner == owner, grid) for owner in owners]
    measured = drawn
    if checked is not cloud:
        measured = [_rasterize(checked, checked.owner == owner, grid) for owner in owners]
    names = [*(cloud.hypotheses[owner] for owner in owners), ALL]
    sides = zip(names, [*drawn, _joined(drawn)], [*measured, _joined(measured)], strict=True)
    return tuple(corridor for side in sides for corridor in _levels(*side))


def _lay_grid(points: Array) -> Grid:
    """Lay a raster over places with a margin, its lines on whole cells from the lot's origin."""
    # from the lot's origin, so that another main on record does not move the cells
    # coordinate by coordinate: numpy is slow along so long an axis
    least, most = np.array([(np.min(axis), np.max(axis)) for axis in points.T]).T
    cell = max(CELL_M, float(np.max(most - least)) / CELLS_ACROSS_AT_MOST)
    low = np.floor(least / cell) - 4
    columns, rows = (np.ceil(most / cell) + 4 - low).astype(int)
    return Grid((float(low[0] * cell), float(low[1] * cell)), cell, int(rows), int(columns))


def _rasterize(cloud: RouteCloud, mine: Flags, grid: Grid) -> _Raster:
    """List the cells that each of some routes (m,) passes."""
    vertices = cloud.vertices[mine]
    cell, route = cells_passed(straights_of(vertices, cloud.inverts_m[mine]), grid)
    starts = np.flatnonzero(np.diff(route, prepend=-1))
    return _Raster(grid, cloud.weights[mine], vertices, cell, route, starts)


def _joined(rasters: list[_Raster]) -> _Raster:
    """Join the routes of rasters on one grid."""
    before = np.cumsum([0, *(one.weights.size for one in rasters)])
    cells = np.cumsum([0, *(one.cell.size for one in rasters)])
    return _Raster(
        rasters[0].grid,
        np.concatenate([one.weights for one in rasters]),
        np.concatenate([one.vertices for one in rasters]),
        np.concatenate([one.cell for one in rasters]),
        np.concatenate([one.route + past for one, past in zip(rasters, before, strict=False)]),
        np.concatenate([one.starts + past for one, past in zip(rasters, cells, strict=False)]),
    )


def _levels(name: str, drawn: _Raster, measured: _Raster) -> list[Corridor]:
    """Draw the corridors of routes, the most central first, and measure them by others."""
    grid = drawn.grid
    # when each cell enters the growing shape: with the most central route that passes it
    entry = np.full(grid.rows * grid.columns, NEVER)
    np.minimum.at(entry, drawn.cell, _central_order(drawn)[drawn.route])
    # closing: dilated and eroded by one cell, gaps between neighboring routes fill
    entry = lowest_near(entry.reshape(grid.rows, grid.columns), 1)
    entry = highest_near(entry, 1)
    share = measured.weights / measured.weights.sum()
    surely = measured.latest(entry)
    # the routes to measure by are others than those drawn: the shape grows until it can hold them
    for _ in range(max(grid.rows, grid.columns)):
        if at_least(share[surely < NEVER].sum(), max(LEVELS)):
            break
        entry = lowest_near(entry, 1)
        surely = measured.latest(entry)
    # the smoothed edge lies within a cell of the marked ones
    maybe = measured.latest(lowest_near(entry, 1))
    times = np.unique(surely)
    come = [_come(times, when, share) for when in (surely, maybe)]
    measure = _Measure(share, surely, maybe, measured.vertices, times, *come)
    return [_corridor(name, level, grid, entry, measure) for level in LEVELS]


def _cells_along(vertices: Array, grid: Grid) -> Integers:
    """Return the cells (m, stations) at even shares of each route's length, as flat indices."""
    along = polyline.stations(vertices)
    shares = np.arange(1, STATIONS + 1) / STATIONS
    places = polyline.line_interpolate_point(vertices[:, None], along[:, -1:] * shares)
    # a hair up: a place on a cell's edge belongs to one cell on every processor
    column, row = np.moveaxis(np.floor((places - grid.origin_m) / grid.cell_m + 1e-9), -1, 0)
    return np.asarray(row * grid.columns + column, np.int64)


def _central_order(drawn: _Raster) -> Array:
    """Return each route (m,) the share of those at least as central, up to 1.

    Routes are compared at the cells of even shares of their length.
    """
    grid, share = drawn.grid, drawn.weights / drawn.weights.sum()
    size = grid.rows * grid.columns
    # weight of the routes through every cell, smoothed against the noise of the sample
    passed: Array = np.bincount(drawn.cell, share[drawn.route], size).astype(float)
    density = smoothed(passed.reshape(grid.rows, grid.columns), SMOOTH_CELLS).ravel()
    there = density[_cells_along(drawn.vertices, grid)] / density.max()
    there = in_steps(there, MATTERS_P)
    # at each station: the share of routes that lie where at least as many do
    densest = np.argsort(-there, axis=0, kind="stable")
    reached = np.empty(there.shape)
    np.put_along_axis(reached, densest, np.cumsum(share[densest], axis=0), axis=0)
    # a route is as central as its least dense station: an extremal depth
    central = ordered(reached.max(axis=1), MATTERS_P)
    order = np.empty(share.size)
    order[central] = np.cumsum(share[central])
    return order


@dataclass(frozen=True, slots=True)
class _Measure:
    """Routes (n, v, 2) to measure a shape by: their shares, when it surely and may hold each.

    By each of the ``times`` (t,) a share ``sure`` (t,) of them has surely come, ``may`` (t,) may.
    """

    share: Array
    surely: Array
    maybe: Array
    vertices: Array
    times: Array
    sure: Array
    may: Array

    @property
    def taps(self) -> Array:
        """The routes' last vertices (n, 2)."""
        return np.asarray(self.vertices[:, -1])

    def held(self, shape: BaseGeometry, entered: float) -> float:
        """Return the share of the routes that lie wholly in the shape of what has entered."""
        # wholly in marked cells is inside for sure; only those at the edge are tested as geometry
        inside = self.surely <= entered
        asked = np.flatnonzero(~inside & (self.maybe <= entered))
        inside[asked] = shapely.covers(shape, shapely.linestrings(self.vertices[asked]))
        return float(self.share[inside].sum())


def _corridor(name: str, level: float, grid: Grid, entry: Array, measure: _Measure) -> Corridor:
    """Find the least shape that holds its level and put it into its record.

    What the shape holds lies between what it surely and what it may hold; how far between is
    learned from one trial for the next. The last resort surely holds the level, which shares of
    routes reach in whole millionths.
    """
    times, sure, may = measure.times, measure.sure, measure.may
    low, high, part = -1, int(np.argmax(at_least(sure, level))), FIRST_GUESS
    shape, held = None, 0.0
    for trial in range(times.size):
        # first time at which the shape is expected to hold its level
        guess = int(np.argmax(at_least(sure + part * (may - sure), level + AIMED_ABOVE)))
        # between what was too little and what was enough
        at = min(max(guess, low + 1), high if shape is None else high - 1)
        tried = _smooth(entry <= times[at], grid)
        share = measure.held(tried, float(times[at]))
        part = (share - sure[at]) / max(may[at] - sure[at], 1e-9)
        if not at_least(share, level):
            low = at
        else:
            shape, held, high = tried, share, at
        tolerance = TOLERANCE * (1 + (trial + 1 >= TRIALS_WORTHWHILE))
        if shape is not None and (at_least(level + tolerance, held) or high - low <= 1):
            break
    polygons = shapely.get_parts(shape)
    return Corridor(
        name,
        level,
        tuple(_ring(part.exterior) for part in polygons),
        tuple(tuple(_ring(hole) for hole in part.interiors) for part in polygons),
        held,
        float(measure.share @ shapely.intersects_xy(shape, *measure.taps.T)),
    )


def _come(times: Array, when: Array, share: Array) -> Array:
    """Return the share that has come by each time (t,)."""
    order = np.argsort(when, kind="stable")
    reached = np.concatenate([[0.0], np.cumsum(share[order])])
    return np.asarray(reached[np.searchsorted(when[order], times, side="right")])


def _smooth(cells: Flags, grid: Grid) -> BaseGeometry:
    """Join marked cells (rows, columns) to smooth polygons that cover them all.

    The edge is rounded by going out and back again, simplified by less than it stays beyond the
    cells, and put on a lattice of a centimeter. Holes of less than four cells are filled.
    """
    (x, y), cell = grid.origin_m, grid.cell_m
    left, low, right, high = boxes_of(cells).T * cell
    boxes = shapely.box(x + left, y + low, x + right, y + high)
    # out with round corners, and back not quite as far: the cells stay covered
    out = shapely.buffer(shapely.union_all(boxes), JOIN_CELLS * cell, quad_segs=6)
    back = shapely.buffer(out, (BEYOND_CELLS - JOIN_CELLS) * cell, quad_segs=6)
    simple = shapely.simplify(back, SIMPLIFY_CELLS * cell)
    shape = shapely.set_precision(_filled(simple, 4.0 * cell**2), LATTICE_M)
    shapely.prepare(shape)
    return shape


def _filled(shape: BaseGeometry, least_m2: float) -> shapely.MultiPolygon:
    """Return the polygons of a shape without their small holes."""
    parts = [
        shapely.Polygon(
            part.exterior,
            [ring for ring in part.interiors if shapely.Polygon(ring).area > least_m2],
        )
        if shapely.get_num_interior_rings(part)
        else part
        for part in shapely.get_parts(shape)
    ]
    return shapely.multipolygons(parts)


def _ring(line: BaseGeometry) -> Array:
    """Return a closed ring as (n, 2) without the repeated end."""
    return np.asarray(shapely.get_coordinates(line)[:-1])
