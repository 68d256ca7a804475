"""Which routes pass under their house again, or through another's lot."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry import polyline
from ..geometry.frames import Array
from .houses import Rectangles
from .layer_arrays import Flags, Pairs, Shapes, Whole

# Judgment, no source.
SEAM_M = 0.05
EASEMENT_M = 4.0


def keep_off_house(
    laid: Array, fits: Flags, pairs: Pairs, houses: Rectangles, shapes: Shapes
) -> None:
    """Clear ``fits`` where a route passes under the house again.

    Parameters
    ----------
    laid
        Vertices of the routes (q, ..., 2), m.
    fits
        Mask (q, ...) of the routes that are left, changed in place.
    pairs
        Lot, side and mains that may serve it, q of them.
    houses
        Rectangles of the houses.
    shapes
        Outlines of the houses.
    """
    pair, kind = np.nonzero(fits)
    lot = pairs.lot[pair]
    offset = laid[pair, kind] - houses.centers[lot][:, None]
    local = np.stack(
        [(offset * axis[lot][:, None]).sum(axis=2) for axis in (houses.right, houses.rear)], axis=2
    )
    inside = _touches(local, houses.low[lot] + SEAM_M, houses.high[lot] - SEAM_M)
    rows = np.flatnonzero(inside)
    # few come into the rectangle; only they are held against the outline itself
    at, place = np.unique(lot[rows], return_inverse=True)
    inner = np.asarray(shapely.buffer(shapes[at], -SEAM_M, join_style="mitre"), object)
    shapely.prepare(inner)
    lines = shapely.linestrings(laid[pair[rows], kind[rows]])
    out = rows[np.asarray(shapely.intersects(inner[place], lines), bool)]
    fits[pair[out], kind[out]] = False


def _touches(routes: Array, low: Array, high: Array) -> Flags:
    """Return which routes (m, 4, 2) come into boxes (m, 2) by low and high corner.

    Each straight is cut at the box's sides (Liang and Barsky 1984, from memory).
    """
    start, step = routes[:, :-1], np.diff(routes, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        enter = (low[:, None] - start) / step
        leave = (high[:, None] - start) / step
    beside = (step == 0.0) & ((start <= low[:, None]) | (start >= high[:, None]))
    first, last = np.minimum(enter, leave), np.maximum(enter, leave)
    still = step == 0.0
    first, last = np.where(still, -np.inf, first), np.where(still, np.inf, last)
    begins = np.maximum(first.max(axis=2), 0.0)
    ends = np.minimum(last.min(axis=2), 1.0)
    return np.asarray(((begins < ends) & ~beside.any(axis=2)).any(axis=1))


def stay_off_lots(laid: Array, fits: Flags, pairs: Pairs, neighbors: STRtree, own: Whole) -> None:
    """Clear ``fits`` where a route passes through another's lot.

    Parameters
    ----------
    laid
        Vertices of the routes (q, ..., 2), m.
    fits
        Mask (q, ...) of the routes that are left, changed in place.
    pairs
        Lot, side and mains that may serve it, q of them.
    neighbors
        Index of all parcels.
    own
        Place of each lot among the parcels (n,).
    """
    pair, kind = np.nonzero(fits)
    lot, vertices = pairs.lot[pair], laid[pair, kind]
    private = np.asarray(shapely.linestrings(vertices), object)
    shortened = pairs.easement[pair]
    if shortened.any():
        ahead = np.maximum(shapely.length(private[shortened]) - EASEMENT_M, 0.0)
        private[shortened] = _first_part(vertices[shortened], ahead)
    source, parcel = neighbors.query(private, predicate="intersects")
    foreign = parcel != own[lot[source]]
    source, parcel = source[foreign], parcel[foreign]
    # records seldom meet exactly: a line's breadth over the edge is not through the lot
    within = shapely.length(shapely.intersection(private[source], neighbors.geometries[parcel]))
    out = source[within > 2.0 * SEAM_M]
    fits[pair[out], kind[out]] = False


def _first_part(vertices: Array, until_m: Array) -> Shapes:
    """Cut routes (m, 4, 2) off at a distance from their start."""
    ends = polyline.line_interpolate_point(vertices, until_m)
    reached = polyline.stations(vertices)
    out = vertices.copy()
    for i in range(1, 4):
        past = reached[:, i] >= until_m
        out[past, i] = ends[past]
    return np.asarray(shapely.linestrings(out), object)
