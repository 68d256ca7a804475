"""Many routes against polygons and points, in numpy.

Routes are arrays (m, v, 2) of vertices; a shorter route repeats its last vertex. A region is a
set of rings, held as its edges (starts (e, 2), ends (e, 2)); inside is by the even-odd rule, so
holes and separate parts need nothing special.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon, get_coordinates

from ..geometry.frames import Array
from ..late_dataclass import dataclass

__all__ = [
    "Region",
    "region_of_polygon",
    "region_of_rings",
    "routes_cross",
    "routes_inside",
]

Flags = NDArray[np.bool_]
# Routes are worked through in blocks that stay in a core's own cache.
_BLOCK = 8192


@dataclass(frozen=True, slots=True)
class Region:
    """Edges of all rings of a region: ``starts`` (e, 2), ``ends`` (e, 2)."""

    starts: Array
    ends: Array


def region_of_rings(*rings: Array) -> Region:
    """Join rings (n, 2), unclosed, into one region."""
    return Region(
        np.concatenate([np.asarray(ring, float) for ring in rings]),
        np.concatenate([np.roll(np.asarray(ring, float), -1, axis=0) for ring in rings]),
    )


def region_of_polygon(polygon: Polygon | MultiPolygon) -> Region:
    """Take the rings of a shapely polygon or multipolygon."""
    parts = polygon.geoms if isinstance(polygon, MultiPolygon) else (polygon,)
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors)]
    return region_of_rings(*(get_coordinates(ring)[:-1] for ring in rings))


def routes_inside(vertices: Array, region: Region) -> Flags:
    """Return which routes (m, v, 2) lie wholly inside a region.

    A route lies inside where its first vertex does and none of its straights properly crosses
    an edge.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    region
        Edges of an area.

    Returns
    -------
    Flags
        Mask (m,).
    """
    inside = np.zeros(len(vertices), bool)
    for block, x, y in _blocks(vertices):
        crossed, parity = _crossed(x, y, region, with_parity=True)
        inside[block] = parity & ~crossed
    return inside


def routes_cross(vertices: Array, region: Region) -> Flags:
    """Return which routes (m, v, 2) properly cross an edge of a region.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    region
        Edges of an area.

    Returns
    -------
    Flags
        Mask (m,).
    """
    crossed = np.zeros(len(vertices), bool)
    for block, x, y in _blocks(vertices):
        crossed[block] = _crossed(x, y, region, with_parity=False)[0]
    return crossed


def _blocks(vertices: Array) -> Iterator[tuple[slice, Array, Array]]:
    """Cut routes into blocks with contiguous x (v, k) and y (v, k)."""
    for start in range(0, len(vertices), _BLOCK):
        block = slice(start, start + _BLOCK)
        part = vertices[block]
        yield block, np.ascontiguousarray(part[..., 0].T), np.ascontiguousarray(part[..., 1].T)


def _crossed(x: Array, y: Array, region: Region, *, with_parity: bool) -> tuple[Flags, Flags]:
    """Return which routes cross an edge, and which start inside, from x (v, k), y (v, k).

    A straight crosses an edge where its ends lie on opposite sides of the edge's line and the
    edge's ends lie on opposite sides of the straight's line. The first is cheap for all (one
    side value a vertex); the second is worked out only for the few that pass the first. Edges
    clear of the box about all routes are crossed by none.
    """
    crossed = np.zeros(x.shape[1], bool)
    parity = np.zeros(x.shape[1], bool)
    side, product = np.empty_like(x), np.empty_like(x)
    flat_x, flat_y, width = x.ravel(), y.ravel(), x.shape[1]
    (west, east), (south, north) = (x.min(), x.max()), (y.min(), y.max())
    for (ax, ay), (bx, by) in zip(region.starts.tolist(), region.ends.tolist(), strict=True):
        dx, dy = bx - ax, by - ay
        if with_parity:
            # even-odd rule for the first vertex: a ray to the right crosses the edge or not;
            # half-open, so that a vertex of the ring counts once
            spans = (y[0] >= ay) != (y[0] >= by)
            parity ^= spans & ((y[0] * dx - x[0] * dy > dx * ay - dy * ax) == (dy > 0))
        clear_x = max(ax, bx) < west or min(ax, bx) > east
        if clear_x or max(ay, by) < south or min(ay, by) > north:
            continue
        # into arrays kept over all edges: no memory is taken anew for each
        np.multiply(y, dx, out=side)
        np.multiply(x, dy, out=product)
        np.subtract(side, product, out=side)
        left = side > dx * ay - dy * ax
        # straights whose ends lie on both sides of the edge's line, by their first vertex
        at = np.flatnonzero(left[1:] != left[:-1])
        if at.size:
            px, py = flat_x[at], flat_y[at]
            qx, qy = flat_x[at + width] - px, flat_y[at + width] - py
            past = qx * py - qy * px
            meets = (qx * ay - qy * ax > past) != (qx * by - qy * bx > past)
            # flat index back to the route's column
            crossed[at[meets] % width] = True
    return crossed, parity
