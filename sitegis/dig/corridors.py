"""The area that holds most of the routes: highest-density corridors."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.ndimage import gaussian_filter
from shapely.geometry.base import BaseGeometry

from .._dig_plan import Corridor
from .._frames import Array
from .._pits import Flags
from .cloud import RouteCloud
from .hits import Grid, accumulate, cover_grid, pit_spans

LEVELS = (0.5, 0.8, 0.95)
CELL_M = 0.5
ALL = "all"


def draw_corridors(cloud: RouteCloud) -> tuple[Corridor, ...]:
    """Draw the 50, 80 and 95 % corridors of every hypothesis with routes, and of all together.

    Occupancy = share of the routes that pass through each cell of 0.5 m, smoothed by one cell
    against the noise of a finite sample; a corridor is the set of densest cells that hold the
    level's share of the whole occupancy (a highest-density region, Hyndman 1996).
    """
    if cloud.empty:
        return ()
    grid = cover_grid(cloud.vertices.reshape(-1, 2), CELL_M, 3 * CELL_M)
    spans = pit_spans(cloud.straights, grid, (0.5 * grid.cell_m, 0.5 * grid.cell_m))
    corridors: list[Corridor] = []
    for index in [int(i) for i in np.unique(cloud.owner)]:
        weights = np.where(cloud.owner == index, cloud.weights, 0.0)
        corridors += _levels(cloud.hypotheses[index], accumulate(spans, weights), grid)
    return (*corridors, *_levels(ALL, accumulate(spans, cloud.weights), grid))


def _levels(name: str, occupancy: Array, grid: Grid) -> list[Corridor]:
    """Draw the corridors of one occupancy raster (rows, columns)."""
    smooth = gaussian_filter(np.maximum(occupancy, 0.0), 1.0, truncate=2.0)
    corridors = []
    for level in LEVELS:
        shape = cells_to_shape(densest_cells(smooth, level), grid)
        polygons = [part for part in shapely.get_parts(shape) if part.area > 0]
        rings = tuple(_ring(part.exterior) for part in polygons)
        holes = tuple(tuple(_ring(hole) for hole in part.interiors) for part in polygons)
        corridors.append(Corridor(name, level, rings, holes))
    return corridors


def densest_cells(density: Array, level: float) -> Flags:
    """Mark the fewest cells (rows, columns) that hold at least a share of the density.

    >>> densest_cells(np.array([[5.0, 3.0], [1.0, 1.0]]), 0.8).tolist()
    [[True, True], [False, False]]
    """
    order = np.argsort(-density, axis=None, kind="stable")
    held = np.cumsum(density.ravel()[order])
    count = int(np.searchsorted(held, level * held[-1] * (1 - 1e-12))) + 1
    marked = np.zeros(density.size, bool)
    marked[order[:count]] = True
    return marked.reshape(density.shape)


def cells_to_shape(cells: Flags, grid: Grid) -> BaseGeometry:
    """Join marked cells (rows, columns) to polygons in the lot and smooth their stepped edges.

    Runs of cells along rows are joined first; simplification stays within 0.75 cell.
    """
    edges = np.diff(cells.astype(np.int8), axis=1, prepend=0, append=0)
    row, first = np.nonzero(edges == 1)
    past = np.nonzero(edges == -1)[1]
    x, y = grid.origin_m
    runs = shapely.box(
        x + first * grid.cell_m,
        y + row * grid.cell_m,
        x + past * grid.cell_m,
        y + (row + 1) * grid.cell_m,
    )
    return shapely.simplify(shapely.union_all(runs), 0.75 * grid.cell_m)


def _ring(line: BaseGeometry) -> Array:
    """Give a closed ring as (n, 2) without the repeated end."""
    return np.asarray(shapely.get_coordinates(line)[:-1])
