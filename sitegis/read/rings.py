"""Rings of the lot and the building: clean, counter-clockwise, edges named by their facing."""

from __future__ import annotations

import numpy as np
import shapely

from ..geometry.frames import Array, lot_direction
from ..model.site import SIDES, Side
from ..numerics.ordering import MATTERS_M, at_least, largest, smallest

# lot angles, counter-clockwise from the front line
_OUTWARD_DEG: dict[Side, float] = {"front": 270.0, "right": 0.0, "rear": 90.0, "left": 180.0}


def outward(side: Side) -> Array:
    """Return the unit vector (2,) out of the lot on a side: front is −y, right is +x."""
    return lot_direction(float(np.radians(_OUTWARD_DEG[side])))


def side_angle_rad(side: Side) -> float:
    """Return the lot angle in which a side lies."""
    return float(np.radians(_OUTWARD_DEG[side]))


def clean_ring(ring: Array, *, tolerance_m: float) -> Array:
    """Make a ring (n, 2) unclosed and counter-clockwise, without doubled or collinear corners.

    A corner goes where it lies within the tolerance of the straight between its neighbors.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    tolerance_m
        How far a corner may lie off the straight and go, m.

    Returns
    -------
    Array
        Corners (k, 2), m.
    """
    points = np.asarray(ring, float)
    if len(points) > 1 and np.allclose(points[0], points[-1], rtol=0.0, atol=1e-6):
        points = points[:-1]
    if signed_area(points) < 0:
        points = points[::-1]
    # the flattest corner first, then all anew: two near each other must not both go
    while len(points) > 3:
        before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
        offsets = _offsets(points, before, after)
        least = smallest(offsets, tolerance_m / 8)
        if at_least(offsets[least], tolerance_m, tolerance_m / 8):
            break
        points = np.delete(points, least, axis=0)
    return points


def _offsets(points: Array, before: Array, after: Array) -> Array:
    """Return the distance of each point from the segment between its neighbors."""
    chord = after - before
    length_squared = np.maximum((chord**2).sum(axis=1), 1e-18)
    along = np.clip(((points - before) * chord).sum(axis=1) / length_squared, 0.0, 1.0)
    return np.asarray(np.hypot(*(points - before - along[:, None] * chord).T))


def signed_area(ring: Array) -> float:
    """Return the area of an unclosed ring (n, 2): shoelace sum, positive counter-clockwise."""
    if len(ring) < 3:
        return 0.0
    x, y = (ring - ring[0]).T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def edge_vectors(ring: Array) -> Array:
    """Return the edges of an unclosed ring as vectors (n, 2)."""
    return np.asarray(np.roll(ring, -1, axis=0) - ring)


def name_edges(ring: Array, *, x_angle_rad: float = 0.0) -> tuple[Side, ...]:
    """Name each edge of a counter-clockwise ring (n, 2) by the quarter its outward normal faces.

    Front is −y, right +x of axes turned by ``x_angle_rad``; edge i runs from vertex i to i + 1.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    x_angle_rad
        Turn of the axes, rad.

    Returns
    -------
    tuple[Side, ...]
        Side of each edge (n,).
    """
    edges = edge_vectors(ring)
    normals = np.degrees(np.arctan2(edges[:, 1], edges[:, 0]) - x_angle_rad) - 90.0
    # to the nearest of four: a slanting line belongs to the side that it faces most
    quarters = np.round((normals + 90.0) / 90.0).astype(int) % 4
    return tuple(SIDES[quarter] for quarter in quarters)


def begin_at(ring: Array, index: int) -> Array:
    """Turn a ring (n, 2) so that it begins at a vertex.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    index
        Vertex to begin at.

    Returns
    -------
    Array
        Corners (n, 2), m.
    """
    return np.roll(ring, -index, axis=0)


def front_left_index(sides: tuple[Side, ...], ring: Array) -> int:
    """Return the vertex at which the longest run of front edges begins; of equals the first.

    Parameters
    ----------
    sides
        Side of each edge (n,).
    ring
        Corners (n, 2), m.

    Returns
    -------
    int
        Index of the vertex.
    """
    count = len(sides)
    lengths = np.hypot(*edge_vectors(ring).T)
    runs: dict[int, float] = {}
    for start in range(count):
        if sides[start] == "front" and sides[start - 1] != "front":
            # around the ring: a front may run over its first vertex
            total, place = 0.0, start
            while sides[place % count] == "front" and place < start + count:
                total += float(lengths[place % count])
                place += 1
            runs[start] = total
    return list(runs)[largest(list(runs.values()), MATTERS_M)] if runs else 0


def front_direction(ring: Array, sides: tuple[Side, ...]) -> Array:
    """Return the unit direction (2,) of the front line of a ring (n, 2), front-left to front-right.

    The sum of the front edges within 20° of the longest one (judgment): chords of a curved
    front count, a cut corner does not.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    sides
        Side of each edge (n,).

    Returns
    -------
    Array
        Unit vector (2,).
    """
    edges = edge_vectors(ring)
    lengths = np.hypot(edges[:, 0], edges[:, 1])
    front = np.array([side == "front" for side in sides])
    # a front line cut at a corner has a short piece that turns: the longest tells the direction
    longest = edges[largest(np.where(front, lengths, -1.0), MATTERS_M)]
    longest = longest / np.hypot(*longest)
    aligned = front & (edges @ longest >= np.cos(np.radians(20.0)) * lengths)
    total = edges[aligned].sum(axis=0)
    return np.asarray(total / np.hypot(*total))


def corner_points(ring: Array, *, x_angle_rad: float = 0.0) -> dict[str, Array]:
    """Return the four named corners (2,) of a ring (n, 2): the extreme vertices on each diagonal.

    Parameters
    ----------
    ring
        Corners (n, 2), m.
    x_angle_rad
        Turn of the axes, rad.

    Returns
    -------
    dict[str, Array]
        Corners (2,) by name, m.
    """
    cosine, sine = np.cos(x_angle_rad), np.sin(x_angle_rad)
    across = ring @ np.array([cosine, sine])
    back = ring @ np.array([-sine, cosine])
    return {
        "front-left": ring[smallest(across + back, MATTERS_M)],
        "front-right": ring[largest(across - back, MATTERS_M)],
        "rear-right": ring[largest(across + back, MATTERS_M)],
        "rear-left": ring[smallest(across - back, MATTERS_M)],
    }


def is_simple(ring: Array) -> bool:
    """Return whether a ring (n, 2) encloses an area without crossing itself."""
    if len(ring) < 3 or not bool(np.isfinite(ring).all()):
        return False
    return bool(shapely.is_valid(shapely.Polygon(ring))) and abs(signed_area(ring)) > 1e-6
