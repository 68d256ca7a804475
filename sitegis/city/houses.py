"""The house on each lot: the largest building part, its rectangle and what is odd about it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import in_steps
from .layer_arrays import Flags, Shapes, Whole

# Judgment, no source: smaller parts are sheds; a wall this near the next house is shared.
LEAST_HOUSE_M2 = 12.0
SHARED_WALL_M = 0.3


@dataclass(frozen=True, slots=True)
class Houses:
    """One house a lot (None where there is none), its middle (nan), how many buildings, shared.

    ``buildings`` is the place of each among all buildings, -1 for none.
    """

    shapes: Shapes
    centers: Array
    counts: Whole
    shared: Flags
    buildings: Whole


@dataclass(frozen=True, slots=True)
class Rectangles:
    """The houses' bounding rectangles: ``right`` and ``rear`` unit vectors as seen from the front.

    ``low`` and ``high`` (n, 2) are the extents along right and rear about ``centers`` (n, 2);
    ``yards_m`` (n, 4) the distance from each face to the lot line, in the order of the sides.
    ``front`` (n, 2) is the lot's own front normal, ``gates`` (n, 2) the middle of a flag lot's
    frontage, nan on other lots.
    """

    centers: Array
    right: Array
    rear: Array
    low: Array
    high: Array
    yards_m: Array
    front: Array
    gates: Array


def find_houses(lots: Shapes, buildings: Shapes) -> Houses:
    """Return each lot's (n,) largest building part of buildings (b,), cut at the lot's lines.

    Parameters
    ----------
    lots
        Outlines of the lots (n,).
    buildings
        Outlines of buildings (b,).

    Returns
    -------
    Houses
        One house a lot.
    """
    houses = np.full(len(lots), None, object)
    centers = np.full((len(lots), 2), np.nan)
    counts = np.zeros(len(lots), np.int64)
    shared = np.zeros(len(lots), bool)
    others = np.full(len(lots), -1, np.int64)
    if not len(buildings):
        return Houses(houses, centers, counts, shared, others)
    tree = STRtree(buildings)
    lot, building = tree.query(lots, predicate="intersects")
    # each lot is tested against several buildings
    shapely.prepare(lots)
    parts = buildings[building].copy()
    cut = ~shapely.covers(lots[lot], parts)
    parts[cut] = _largest(shapely.intersection(lots[lot[cut]], parts[cut]))
    areas = np.nan_to_num(shapely.area(parts))
    big = areas >= LEAST_HOUSE_M2
    lot, building, parts, areas = lot[big], building[big], parts[big], areas[big]
    counts = np.bincount(lot, minlength=len(lots))
    order = np.lexsort((building, -np.round(areas, 3), lot))
    first = order[np.flatnonzero(np.diff(lot[order], prepend=-1))]
    houses[lot[first]] = parts[first]
    centers[lot[first]] = shapely.get_coordinates(shapely.centroid(parts[first]))
    # a corner drawn a little over the line makes no shared wall, a party wall does
    whole = shapely.area(buildings[building[first]])
    shared[lot[first]] = areas[first] < 0.9 * whole
    others[lot[first]] = building[first]
    shared |= _wall_to_wall(houses, others, tree, lots)
    return Houses(houses, centers, counts, shared, others)


def _largest(shapes: Shapes) -> Shapes:
    """Return the largest polygon of each geometry, None where there is none."""
    parts, source = shapely.get_parts(shapes, return_index=True)
    out = np.full(len(shapes), None, object)
    areas = shapely.area(parts)
    order = np.lexsort((np.arange(len(parts)), -np.round(areas, 3), source))
    order = order[areas[order] > 0.0]
    first = order[np.flatnonzero(np.diff(source[order], prepend=-1))]
    out[source[first]] = parts[first]
    return out


def _wall_to_wall(houses: Shapes, own: Whole, tree: STRtree, lots: Shapes) -> Flags:
    """Return which houses stand within 0.3 m of a building whose middle is on another lot."""
    shared = np.zeros(len(houses), bool)
    there = np.flatnonzero(own >= 0)
    source, other = tree.query(houses[there], predicate="dwithin", distance=SHARED_WALL_M)
    lot = there[source]
    foreign = other != own[lot]
    lot, other = lot[foreign], other[foreign]
    # a building whose middle is on the lot itself is no neighbor
    middles = shapely.centroid(tree.geometries[other])
    shared[lot[~shapely.intersects(lots[lot], middles)]] = True
    return shared


def measure_houses(houses: Shapes, lots: Shapes, front: Array, gates: Array) -> Rectangles:
    """Lay each house's rectangle square to its own walls, front face first.

    The walls' direction is the length-weighted mean of the edge directions with their angles
    times four, so that parallel and square walls agree; of its four axes the one nearest to the
    lot's front normal (n, 2) is the front.

    Parameters
    ----------
    houses
        Outlines of the houses.
    lots
        Outlines of the lots (n,).
    front
        Outward normals of the fronts (n, 2).
    gates
        Middles of flag lots' frontages (n, 2), m; nan for others.

    Returns
    -------
    Rectangles
        The rectangles.
    """
    xy, owner = shapely.get_coordinates(shapely.get_exterior_ring(houses), return_index=True)
    count = len(houses)
    same = owner[1:] == owner[:-1]
    steps, of = (xy[1:] - xy[:-1])[same], owner[:-1][same]
    # four times the angle: walls square to each other then point one way
    length, angle = np.hypot(*steps.T), 4.0 * np.arctan2(steps[:, 1], steps[:, 0])
    sine = np.bincount(of, length * np.sin(angle), minlength=count)
    cosine = np.bincount(of, length * np.cos(angle), minlength=count)
    axis = np.arctan2(sine, cosine) / 4.0
    wanted = np.arctan2(front[:, 1], front[:, 0])
    # by quarter turns to the axis nearest to the lot's front
    axis = axis + in_steps(wanted - axis, np.pi / 2) * (np.pi / 2)
    rear = -np.stack([np.cos(axis), np.sin(axis)], axis=1)
    right = np.stack([rear[:, 1], -rear[:, 0]], axis=1)
    centers = shapely.get_coordinates(shapely.centroid(houses))
    offset = xy - centers[owner]
    local = np.stack([np.sum(offset * right[owner], 1), np.sum(offset * rear[owner], 1)], axis=1)
    first = np.searchsorted(owner, np.arange(count))
    low = np.minimum.reduceat(local, first)
    high = np.maximum.reduceat(local, first)
    made = Rectangles(centers, right, rear, low, high, np.zeros((count, 4)), front, gates)
    return replace(made, yards_m=_yards(made, lots))


def _yards(rectangles: Rectangles, lots: Shapes) -> Array:
    """Return the distance from each face to the lot line (n, 4)."""
    rings = shapely.get_exterior_ring(lots)
    r = rectangles
    corners = {
        "front": ((0, 0), (1, 0)),
        "right": ((1, 0), (1, 1)),
        "rear": ((0, 1), (1, 1)),
        "left": ((0, 0), (0, 1)),
    }
    extent = np.stack([r.low, r.high])
    columns = []
    for ends in corners.values():
        points = [
            r.centers + extent[i][:, :1] * r.right + extent[j][:, 1:] * r.rear for i, j in ends
        ]
        face = shapely.linestrings(np.stack(points, axis=1))
        columns.append(shapely.distance(face, rings))
    return np.stack(columns, axis=1)
