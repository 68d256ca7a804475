"""Which routes cross a pit centered on each cell of a raster."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import FINE_M, LENGTH_M, RATIO, on_lattice
from ..pits.exposure import TOUCH_M, Integers, Straights

CELLS_ACROSS_AT_MOST = 1000
LEVEL_M = 1e-9  # a straight that rises less over its length is level


@dataclass(frozen=True, slots=True)
class Grid:
    """A raster in the lot: ``origin_m`` is the low corner of cell [0, 0], rows run along y."""

    origin_m: tuple[float, float]
    cell_m: float
    rows: int
    columns: int

    def centers(self) -> Array:
        """Return the cell centers (rows, columns, 2)."""
        x = self.origin_m[0] + (np.arange(self.columns) + 0.5) * self.cell_m
        y = self.origin_m[1] + (np.arange(self.rows) + 0.5) * self.cell_m
        return np.stack(np.meshgrid(x, y), axis=-1)


@dataclass(frozen=True, slots=True)
class Spans:
    """Runs of cells (in one row) whose pit a route crosses, each cell once per route.

    ``first`` and ``past`` (k,) are flat indices into rows of ``columns + 1`` cells; ``straight``
    (k,) is what crosses there, ``middle`` (k,) the share of its length halfway through.
    """

    grid: Grid
    straights: Straights
    first: Integers
    past: Integers
    route: Integers
    straight: Integers
    middle: Array

    @property
    def invert_m(self) -> Array:
        """Inverts (k,) at the crossings."""
        start = self.straights.invert_start_m
        fall = (self.straights.invert_end_m - start)[self.straight]
        return on_lattice(start[self.straight] + self.middle * fall, FINE_M)

    @property
    def direction(self) -> Array:
        """Cosine and sine (k, 2) of twice the angle of what crosses."""
        step = self.straights.end - self.straights.start
        # doubled angles: a pipe has no sense, and opposite directions must not cancel
        twice = 2.0 * np.arctan2(step[:, 1], step[:, 0])
        return on_lattice(np.stack([np.cos(twice), np.sin(twice)], axis=1), RATIO)[self.straight]

    def of_weight(self, weights: Array) -> Spans:
        """Return the runs of the routes whose weight (m,) is not 0."""
        return self._kept(weights[self.route] != 0.0)

    def through(self, cells: NDArray[np.bool_]) -> Spans:
        """Return the runs that pass any of the marked cells (rows, columns)."""
        # a spare column, as spans count cells in rows of columns + 1
        marked = np.zeros((self.grid.rows, self.grid.columns + 1), np.int64)
        marked[:, :-1] = cells
        # running count: a span holds a marked cell where it grows from its first to its past
        before = np.concatenate([[0], np.cumsum(marked)])
        return self._kept(before[self.past] > before[self.first])

    def _kept(self, keep: NDArray[np.bool_]) -> Spans:
        if keep.all():
            return self
        rows = np.flatnonzero(keep)
        return Spans(
            grid=self.grid,
            straights=self.straights,
            first=self.first[rows],
            past=self.past[rows],
            route=self.route[rows],
            straight=self.straight[rows],
            middle=self.middle[rows],
        )


def cover_grid(points: Array, cell_m: float, margin_m: float) -> Grid:
    """Lay a raster over points (n, 2) with a margin; coarser past 1000 cells across.

    Parameters
    ----------
    points
        Places to cover (n, 2), m.
    cell_m
        Size of a cell, m.
    margin_m
        Margin about the places, m.

    Returns
    -------
    Grid
        The raster.
    """
    low = on_lattice(points.min(axis=0) - margin_m, LENGTH_M)
    high = on_lattice(points.max(axis=0) + margin_m, LENGTH_M)
    cell = max(cell_m, float(np.max(high - low)) / CELLS_ACROSS_AT_MOST)
    # a hair less: an extent of whole cells needs no further one
    columns, rows = (int(count) for count in np.ceil((high - low) / cell - TOUCH_M))
    return Grid((float(low[0]), float(low[1])), cell, rows, columns)


@dataclass(frozen=True, slots=True)
class _Runs:
    """Runs of cells, ``first`` to ``last`` (k,) in a ``row`` (k,), that straights ``index`` pass.

    ``middle`` (k,) is the share of the straight's length halfway through the run's band.
    """

    index: Integers
    row: Integers
    first: Integers
    last: Integers
    middle: Array


def pit_spans(
    straights: Straights, grid: Grid, half_m: tuple[float, float], bands: Bands | None = None
) -> Spans:
    """Find the cells whose pit, square to the lot with half sizes, each route crosses.

    Exact: a straight crosses the pit centered on c where c lies in the straight's Minkowski sum
    with the pit. In one row of centers that is a run of cells: clip the straight to the row's
    band |y − y_c| ≤ half height and widen its x-range by the half width. Runs of one route that
    overlap (at a bend) are cut so that each cell counts once.

    Parameters
    ----------
    straights
        Straights of routes, with the routes (m) they belong to.
    grid
        The raster.
    half_m
        Half the pit's extent along x and y, m.
    bands
        The straights in the rows' bands of half the extent along y, None to clip them here.

    Returns
    -------
    Spans
        The runs of cells.
    """
    runs = _runs(grid, half_m[0], bands or bands_of(straights, grid, half_m[1]))
    # one column more than there are: a span that ends with a row does not run into the next
    flat = runs.row * (grid.columns + 1)
    return Spans(
        grid=grid,
        straights=straights,
        first=flat + runs.first,
        past=flat + runs.last + 1,
        route=straights.route[runs.index],
        straight=runs.index,
        middle=runs.middle,
    )


def cells_passed(straights: Straights, grid: Grid) -> tuple[Integers, Integers]:
    """List the cells that routes pass, as flat indices (k,), with their routes (k,), in order.

    Parameters
    ----------
    straights
        Straights of routes, with the routes (m) they belong to.
    grid
        The raster.

    Returns
    -------
    cells
        Flat indices (k,).
    routes
        Index of the route (k,).
    """
    half_m = 0.5 * grid.cell_m
    runs = _runs(grid, half_m, bands_of(straights, grid, half_m))
    route = straights.route[runs.index]
    order = np.argsort(route, kind="stable")
    first, counts = runs.first[order], (runs.last - runs.first)[order] + 1
    # cell numbers of all runs at once: a running index plus each run's own offset
    ahead = runs.row[order] * grid.columns + first - (np.cumsum(counts) - counts)
    return np.arange(counts.sum()) + np.repeat(ahead, counts), np.repeat(route[order], counts)


@dataclass(frozen=True, slots=True)
class Bands:
    """Straights clipped to the bands of a raster's rows, for pits of one half height.

    Each (k,): a straight's ``index`` and a ``row`` whose band it enters, a number ``group`` of its
    route in that row, the shares ``low, high`` of its length between which it is in it (outside
    where the second is less), and in cells the ``least_x, most_x`` of that part, so that cell
    centers are whole numbers.
    """

    index: Integers
    row: Integers
    group: Integers
    low: Array
    high: Array
    least_x: Array
    most_x: Array


def bands_of(straights: Straights, grid: Grid, half_m: float) -> Bands:
    """Clip straights to the band |y − y_c| ≤ half height of every row.

    Parameters
    ----------
    straights
        Straights of routes, with the routes (m) they belong to.
    grid
        The raster.
    half_m
        Half the pit's extent along y, m.

    Returns
    -------
    Bands
        The straights in the rows' bands.
    """
    # a straight that touches a pit crosses it
    half_m += TOUCH_M
    counts, row = _rows_touched(straights, grid, half_m)
    step = straights.end - straights.start
    # a level straight is abreast of a row everywhere or nowhere: an infinite rise takes care of it
    rise = np.where(np.abs(step[:, 1]) < LEVEL_M, np.inf, step[:, 1])
    # the share of its length at which a straight is abreast of a row; a level one everywhere
    at_zero = (straights.start[:, 1] - grid.origin_m[1] - 0.5 * grid.cell_m) / -rise
    abreast = np.repeat(at_zero, counts) + row * np.repeat(grid.cell_m / rise, counts)
    beside = np.repeat(np.where(np.isinf(rise), 1.0, half_m / np.abs(rise)), counts)
    low, high = np.maximum(abreast - beside, 0.0), np.minimum(abreast + beside, 1.0)
    origin = np.repeat((straights.start[:, 0] - grid.origin_m[0]) / grid.cell_m - 0.5, counts)
    slant = np.repeat(step[:, 0] / grid.cell_m, counts)
    one, two = origin + slant * low, origin + slant * high
    index = np.repeat(np.arange(counts.size), counts)
    group = np.repeat(straights.route * grid.rows, counts) + row
    return Bands(index, row, group, low, high, np.minimum(one, two), np.maximum(one, two))


def _runs(grid: Grid, half_m: float, bands: Bands) -> _Runs:
    """Find the runs of cells whose pit of half width a straight crosses, each once a route."""
    half = (half_m + TOUCH_M) / grid.cell_m + 1e-9
    first = np.maximum(np.ceil(bands.least_x - half).astype(np.int64), 0)
    last = np.minimum(np.floor(bands.most_x + half).astype(np.int64), grid.columns - 1)
    kept = np.flatnonzero((bands.low <= bands.high) & (first <= last))
    first, last = first[kept], last[kept]
    first = _once_per_route(bands.group[kept], first, last, grid.columns + 1)
    left = first <= last
    kept, first, last = kept[left], first[left], last[left]
    middle = 0.5 * (bands.low + bands.high)[kept]
    return _Runs(bands.index[kept], bands.row[kept], first, last, middle)


def _rows_touched(straights: Straights, grid: Grid, half_m: float) -> tuple[Integers, Integers]:
    """Return in how many rows' bands each straight (s,) enters, and these rows (k,), in order."""
    y = np.stack([straights.start[:, 1], straights.end[:, 1]])
    low = (y.min(axis=0) - half_m - grid.origin_m[1]) / grid.cell_m - 0.5
    high = (y.max(axis=0) + half_m - grid.origin_m[1]) / grid.cell_m - 0.5
    first = np.clip(np.ceil(low - 1e-9), 0, grid.rows).astype(np.int64)
    last = np.clip(np.floor(high + 1e-9), -1, grid.rows - 1).astype(np.int64)
    counts = np.maximum(last - first + 1, 0)
    # a running index plus each straight's own offset
    ahead = first - (np.cumsum(counts) - counts)
    return counts, np.arange(counts.sum()) + np.repeat(ahead, counts)


def _once_per_route(group: Integers, first: Integers, last: Integers, stride: int) -> Integers:
    """Cut runs that overlap within a group (one route, one row) so that no cell repeats.

    Returns where each begins then, past its last cell where it holds none of its own.
    """
    shared = np.flatnonzero((np.bincount(group) > 1)[group])
    # runs of all groups on one line, a stride apart: one sort does for all
    base = group[shared] * stride
    # of two straights that begin in one cell the earlier one has it
    order = np.argsort(base + first[shared], kind="stable")
    shared, base = shared[order], base[order]
    begin, end = base + first[shared], base + last[shared]
    # a later run begins past the farthest end of those before it in the group
    begin[1:] = np.maximum(begin[1:], np.maximum.accumulate(end)[:-1] + 1)
    first = first.copy()
    first[shared] = begin - base
    return first


def accumulate(spans: Spans, weights: Array, values: Array | None = None) -> Array:
    """Sum over the routes that cross each cell's pit: weights (m,), times values (k,) per span.

    Returns (rows, columns). With weights alone this is P(hit) of every cell.

    Parameters
    ----------
    spans
        Runs of cells whose pit a route crosses.
    weights
        Weights of the routes (m,).
    values
        Factor of each span (k,), None for 1.

    Returns
    -------
    Array
        Raster (rows, columns).
    """
    amount = weights[spans.route] if values is None else weights[spans.route] * values
    # once routes are exposed most weights are 0: their spans are not summed
    first, past = spans.first, spans.past
    if 2 * np.count_nonzero(amount) < amount.size:
        weighing = np.flatnonzero(amount)
        first, past, amount = first[weighing], past[weighing], amount[weighing]
    rows, columns = spans.grid.rows, spans.grid.columns
    size = rows * (columns + 1)
    # difference array: weight comes in at a span's first cell and goes out past its last; the sum
    # along the row is P(hit)
    change = np.bincount(first, amount, size) - np.bincount(past, amount, size)
    return np.cumsum(change.reshape(rows, columns + 1), axis=1)[:, :-1]
