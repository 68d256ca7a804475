"""The straight lines of the lots, and what points outside them face.

A point just outside a lot line that lies in no other parcel is open. A ray from there along the
line's outward normal finds the street (or the main) it faces; what no ray finds is looked for
nearest by.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import FINE_M, RATIO, on_lattice
from .layer_arrays import Flags, Shapes, Whole, segments
from .segments import cross, feet, least, line_pieces

# All judgment, no source.
# samples every 5 m, 8 at most, 0.75 m outside; how far one looks; what counts as
# one straight; ahead is within 75° of the normal
SAMPLE_M, MOST_SAMPLES = 5.0, 8
OFFSET_M = 0.75
REACH_M = 30.0
COLLINEAR_M = 0.05
LEAST_AHEAD = 0.25


@dataclass(frozen=True, slots=True)
class Edges:
    """The straight lot lines of all lots, counter-clockwise: ``lot`` (e,), ends (e, 2)."""

    lot: Whole
    starts: Array
    ends: Array

    @property
    def lengths_m(self) -> Array:
        """Length of each line (e,)."""
        return on_lattice(np.hypot(*(self.ends - self.starts).T), FINE_M)

    @property
    def normals(self) -> Array:
        """Outward unit normals (e, 2)."""
        along = (self.ends - self.starts) / self.lengths_m[:, None]
        return on_lattice(np.stack([along[:, 1], -along[:, 0]], axis=1), RATIO)


@dataclass(frozen=True, slots=True)
class Samples:
    """Points just outside the lot lines: ``edge`` (s,), the length each stands for, place."""

    edge: Whole
    shares_m: Array
    points: Array
    open: Flags


def lot_edges(shapes: Shapes) -> Edges:
    """Return lot lines of polygons (n,): outer rings, counter-clockwise, collinear points out."""
    rings = shapely.get_exterior_ring(shapely.simplify(shapes, COLLINEAR_M))
    xy, lot = shapely.get_coordinates(rings, return_index=True)
    same = lot[1:] == lot[:-1]
    starts, ends, owner = xy[:-1][same], xy[1:][same], lot[:-1][same]
    cross = starts[:, 0] * ends[:, 1] - ends[:, 0] * starts[:, 1]
    # sign of the area, by the surveyor's formula
    clockwise = np.bincount(owner, cross, minlength=len(shapes)) < 0.0
    flip = clockwise[owner]
    first = np.where(flip[:, None], ends, starts)
    second = np.where(flip[:, None], starts, ends)
    position = np.arange(len(owner))
    order = np.lexsort((np.where(flip, -position, position), owner))
    long = np.hypot(*(second - first).T)[order] > 1e-3
    return Edges(owner[order][long].astype(np.int64), first[order][long], second[order][long])


def sample_edges(edges: Edges, tree: STRtree, parcel: Whole) -> Samples:
    """Put points outside the lot lines and tell which of them lie in no parcel.

    ``tree`` is over all parcels; ``parcel`` (n,) gives the place of each lot among them.

    Parameters
    ----------
    edges
        Lot lines.
    tree
        Index of all parcels.
    parcel
        Place of each lot among the parcels (n,).

    Returns
    -------
    Samples
        Points outside, and which are open.
    """
    lengths, normals = edges.lengths_m, edges.normals
    count = np.clip(np.ceil(lengths / SAMPLE_M), 1, MOST_SAMPLES).astype(np.int64)
    edge = np.repeat(np.arange(len(lengths)), count)
    first = np.cumsum(count) - count
    # in the middle of the part of the line that each sample stands for
    within = (np.arange(len(edge)) - first[edge] + 0.5) / count[edge]
    points = edges.starts[edge] + within[:, None] * (edges.ends - edges.starts)[edge]
    points = points + OFFSET_M * normals[edge]
    hit, _ = tree.query(shapely.points(points), predicate="within")
    is_open = np.ones(len(edge), bool)
    is_open[hit] = False
    return Samples(edge, lengths[edge] / count[edge], points, is_open)


@dataclass(frozen=True, slots=True)
class Faced:
    """What some points face: index of the line (-1 none) and its distance (inf)."""

    index: Whole
    distance_m: Array


def face_lines(points: Array, normals: Array, lines: Shapes, parcels: STRtree, own: Whole) -> Faced:
    """Find the line that each point (m, 2) faces along its normal, within 30 m and in the clear.

    First the nearest line a ray along the normal meets; where it meets none, the nearest line
    that lies ahead. What another parcel than ``own`` (m,) stands before is not faced.

    Parameters
    ----------
    points
        Points outside the lots (m, 2), m.
    normals
        Outward unit vectors (m, 2).
    lines
        Lines that may be faced.
    parcels
        Index of all parcels.
    own
        Place of each point's lot among the parcels (m,).

    Returns
    -------
    Faced
        Line, distance and place faced.
    """
    index = np.full(len(points), -1, np.int64)
    distance = np.full(len(points), np.inf)
    if not len(lines) or not len(points):
        return Faced(index, distance)
    box = np.concatenate([points.min(axis=0) - REACH_M, points.max(axis=0) + REACH_M])
    pieces = line_pieces(lines, box)
    if not len(pieces.line):
        return Faced(index, distance)
    seen = points.copy()
    # boxes only; the ray itself is worked out below
    source, piece = pieces.tree.query(segments(points, points + REACH_M * normals))
    along = cross(points[source], normals[source], pieces, piece)
    met = along <= REACH_M
    source, piece, along = source[met], piece[met], along[met]
    first = least(source, along, pieces.line[piece])
    at = source[first]
    index[at], distance[at] = pieces.line[piece[first]], along[first]
    seen[at] = points[at] + along[first, None] * normals[at]
    # no way straight ahead: the nearest one, if it lies more ahead than aside
    left = np.flatnonzero(index < 0)
    if left.size:
        near_source, near = pieces.tree.query_nearest(
            shapely.points(points[left]), max_distance=REACH_M
        )
        rows = left[near_source]
        foot = feet(points[rows], pieces, near)
        step = foot - points[rows]
        length = np.hypot(*step.T)
        ahead = np.flatnonzero(np.sum(step * normals[rows], axis=1) >= LEAST_AHEAD * length)
        first = ahead[least(rows[ahead], np.zeros(len(ahead)), pieces.line[near[ahead]])]
        at = rows[first]
        index[at], distance[at], seen[at] = pieces.line[near[first]], length[first], foot[first]
    found = np.flatnonzero(index >= 0)
    # a way behind a neighbor is not one that the lot faces
    source, parcel = parcels.query(segments(points[found], seen[found]), predicate="intersects")
    blocked = found[source[parcel != own[found[source]]]]
    index[blocked], distance[blocked] = -1, np.inf
    return Faced(index, distance)
