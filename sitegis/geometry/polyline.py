"""Polylines as arrays: stations, points along, nearest points, clips, rays and normals.

A line is (..., v, 2), meters; a shorter one of many repeats its last vertex. Names and meanings
are those of shapely where it has the function; this is for lines by the thousand, and for values
that go along with the vertices. Within ``TOLERANCE_M`` two places are one, so that no answer
hangs on the last bit of a coordinate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .frames import Array

# a nanometer; below the next two (a sine, a length) segments are parallel or have no direction
TOLERANCE_M = 1e-9
_PARALLEL = 1e-9
_LEVEL = 1e-12
_LONG = 32  # entries of a table past which counting them at once is quicker


def segment_lengths(lines: Array) -> Array:
    """Return the length (..., v − 1) of every segment of lines (..., v, 2)."""
    steps = lines[..., 1:, :] - lines[..., :-1, :]
    return np.hypot(steps[..., 0], steps[..., 1])


def length(lines: Array) -> Array:
    """Return the length (...) of lines (..., v, 2)."""
    return np.asarray(segment_lengths(lines).sum(axis=-1))


def stations(lines: Array) -> Array:
    """Return the distance (..., v) of each vertex of lines (..., v, 2) from the first, along them.

    >>> stations(np.array([[0.0, 0.0], [3.0, 4.0], [3.0, 5.0]])).tolist()
    [0.0, 5.0, 6.0]
    """
    passed = np.cumsum(segment_lengths(lines), axis=-1)
    return np.concatenate([np.zeros((*passed.shape[:-1], 1)), passed], axis=-1)


def closed(ring: Array) -> Array:
    """Return a ring (n, 2) as the line (n + 1, 2) that ends where it starts."""
    return np.concatenate([ring, ring[:1]])


def remove_repeated_points(line: Array, tolerance_m: float = 1e-6) -> NDArray[np.bool_]:
    """Mark the vertices (v,) of a line (v, 2) to keep: not those that repeat the one before.

    Parameters
    ----------
    line
        Vertices (v, 2), m.
    tolerance_m
        What is as near as this repeats, m.

    Returns
    -------
    NDArray[np.bool_]
        Mask (v,) of the vertices to keep.
    """
    return np.concatenate([[True], segment_lengths(line) > tolerance_m])


def directions(lines: Array) -> Array:
    """Return the unit vector (..., v − 1, 2) along each segment of lines (..., v, 2).

    A segment without length has none: (0, 0).
    """
    return np.asarray(
        np.diff(lines, axis=-2) / np.maximum(segment_lengths(lines), _LEVEL)[..., None]
    )


def normals(lines: Array) -> Array:
    """Return the unit normal (..., v − 1, 2) to the right of each segment of lines (..., v, 2).

    Of a counter-clockwise ring that is outward. A segment without length has none: (0, 0).
    """
    along = directions(lines)
    return np.stack([along[..., 1], -along[..., 0]], axis=-1)


def interp(x: Array | float, xp: Array, fp: Array) -> Array:
    """Interpolate as ``numpy.interp`` along the last axis of many tables at once.

    ``xp`` and ``fp`` (..., v), ``x`` (...): one value a table, or one for all; with one table (v,)
    any number. Past an end the end's value holds.

    Parameters
    ----------
    x
        Where to interpolate (...).
    xp
        Ascending abscissae of the tables (..., v).
    fp
        Their ordinates (..., v).

    Returns
    -------
    Array
        Values (...).
    """
    after, share = _between(x, xp)
    start, end = _pick(fp, after - 1), _pick(fp, after)
    return np.asarray(start + share * (end - start))


def _between(x: Array | float, xp: Array) -> tuple[NDArray[np.intp], Array]:
    """Return the entry of each table after a value, and the value's share of the way to it."""
    x = np.broadcast_to(x, np.broadcast_shapes(np.shape(x), xp.shape[:-1]))
    # past an end the first or last segment, its share clipped to that end
    # how many entries lie before the value; a sum along a short axis would take longer
    if xp.ndim == 1:
        before = np.searchsorted(xp, x)
    elif xp.shape[-1] > _LONG:
        before = np.count_nonzero(xp < x[..., None], axis=-1)
    else:
        before = np.zeros(x.shape, np.intp)
        for entry in np.moveaxis(xp, -1, 0):
            before += entry < x
    # minimum and maximum: numpy's clip takes five times as long for few numbers
    after = np.minimum(np.maximum(before, 1), xp.shape[-1] - 1)
    low, high = _pick(xp, after - 1), _pick(xp, after)
    share = (x - low) / np.maximum(high - low, TOLERANCE_M)
    return after, np.minimum(np.maximum(share, 0.0), 1.0)


def _pick(tables: Array, index: NDArray[np.intp]) -> Array:
    """Return the entries at an index (...) of tables (v,) or (..., v)."""
    if tables.ndim == 1:
        return np.asarray(tables[index])
    tables = np.broadcast_to(tables, (*index.shape, tables.shape[-1]))
    return np.asarray(tables[(*np.indices(index.shape, sparse=True), index)])


def line_interpolate_point(lines: Array, distances: Array | float) -> Array:
    """Return the points (..., 2) of lines (..., v, 2) at distances (...) along them.

    One line takes any number of distances, many lines one each. Past an end it is the end.

    Parameters
    ----------
    lines
        Vertices (..., v, 2), m.
    distances
        Distances along them (...), m.

    Returns
    -------
    Array
        Points (..., 2), m.
    """
    after, share = _between(distances, stations(lines))
    ends = ((_pick(lines[..., axis], after - 1), _pick(lines[..., axis], after)) for axis in (0, 1))
    return np.stack([start + share * (end - start) for start, end in ends], axis=-1)


def line_locate_point(lines: Array, points: Array) -> tuple[Array, Array, NDArray[np.intp]]:
    """Return how far points are from lines, the station of the foot, and the segment it lies on.

    ``lines`` (..., v, 2) and ``points`` (..., 2) broadcast: many points of one line, or many lines
    and one point. Of two segments that are as near the earlier one counts.

    Parameters
    ----------
    lines
        Vertices (..., v, 2), m.
    points
        Points (..., 2), m.

    Returns
    -------
    distance
        From the line (...), m.
    station
        Of the foot along the line (...), m.
    segment
        Index of the segment of the foot (...).
    """
    shape = np.broadcast_shapes(lines.shape[:-2], points.shape[:-1])
    distance, station = np.full(shape, np.inf), np.zeros(shape)
    segment = np.zeros(shape, np.intp)
    passed = stations(lines)
    # coordinate by coordinate: numpy is slow along an axis of two
    (x, y), (at_x, at_y) = np.moveaxis(lines, -1, 0), np.moveaxis(points, -1, 0)
    for i in range(lines.shape[-2] - 1):
        step_x, step_y = x[..., i + 1] - x[..., i], y[..., i + 1] - y[..., i]
        gap_x, gap_y = at_x - x[..., i], at_y - y[..., i]
        squared = step_x**2 + step_y**2
        share = (gap_x * step_x + gap_y * step_y) / np.where(squared > 0, squared, 1.0)
        share = np.minimum(np.maximum(share, 0.0), 1.0)
        away = np.hypot(gap_x - share * step_x, gap_y - share * step_y)
        # a later segment must be nearer by more than the tolerance, or the earlier keeps the foot
        nearer = away < distance - TOLERANCE_M if i else np.ones(shape, bool)
        distance = np.where(nearer, away, distance)
        station = np.where(nearer, passed[..., i] + share * np.sqrt(squared), station)
        segment = np.where(nearer, i, segment)
    return distance, station, segment


def clip(
    offset: Array, step: Array, low: Array | float, high: Array | float
) -> tuple[Array, Array]:
    """Clip segments to low ≤ offset + t·step ≤ high, 0 ≤ t ≤ 1: ``t`` from and to.

    ``offset`` and ``step`` (...) are the segments' starts and steps along one axis; two axes
    clip to a rectangle (Liang and Barsky 1984). From is more than to where all is outside.

    Parameters
    ----------
    offset
        The segments' starts along the axis (...).
    step
        Their steps along it (...).
    low
        Lower bound, of all or of each (...).
    high
        Upper bound, of all or of each (...).

    Returns
    -------
    first
        Share t at which each comes in (...).
    last
        Share t at which it goes out (...).
    """
    # a segment along the other axis lies wholly within or wholly outside
    level = np.abs(step) < _LEVEL
    some = bool(level.any())
    safe = np.where(level, 1.0, step) if some else step
    one, two = (low - offset) / safe, (high - offset) / safe
    # the last of the entries and the first of the exits, on the segment
    enter = np.maximum(np.minimum(one, two), 0.0)
    leave = np.minimum(np.maximum(one, two), 1.0)
    if not some:
        return enter, leave
    outside = level & ((offset < low) | (offset > high))
    enter = np.where(level, np.where(outside, 1.0, 0.0), enter)
    return enter, np.where(level, np.where(outside, 0.0, 1.0), leave)


def meet(origins: Array, directions: Array, starts: Array, ends: Array) -> tuple[Array, Array]:
    """Return where lines through origins meet segments: signed distance and distance along those.

    ``origins``, unit ``directions``, ``starts`` and ``ends`` (..., 2) broadcast; nan where a line
    misses or runs along a segment. Behind the origin the first distance is negative.

    Parameters
    ----------
    origins
        Points on the lines (..., 2), m.
    directions
        Unit vectors (..., 2).
    starts
        Starts of the segments (..., 2), m.
    ends
        Ends of the segments (..., 2), m.

    Returns
    -------
    ahead
        Signed distance from the origin (...), m.
    along
        Distance from the segment's start (...), m.
    """
    step = ends - starts
    size = np.hypot(step[..., 0], step[..., 1])
    along = step / np.where(size > 0, size, 1.0)[..., None]
    gap = starts - origins
    cross = directions[..., 0] * along[..., 1] - directions[..., 1] * along[..., 0]
    # nearly parallel lines meet anywhere: no meeting is better than one by rounding
    usable = np.abs(cross) > _PARALLEL
    safe = np.where(usable, cross, 1.0)
    at = (gap[..., 0] * directions[..., 1] - gap[..., 1] * directions[..., 0]) / safe
    usable &= (at >= -TOLERANCE_M) & (at <= size + TOLERANCE_M)
    reach = (gap[..., 0] * along[..., 1] - gap[..., 1] * along[..., 0]) / safe
    return np.where(usable, reach, np.nan), np.where(usable, at, np.nan)


def ray(origins: Array, directions: Array, line: Array) -> tuple[Array, Array]:
    """Return where rays (m, 2) first hit a line (v, 2): distance (inf where never), station.

    A ray that starts on the line hits it at once.

    Parameters
    ----------
    origins
        Starts of the rays (m, 2), m.
    directions
        Unit vectors (m, 2).
    line
        Vertices (v, 2), m.

    Returns
    -------
    distance
        To the line (m,), m.
    station
        Along the line (m,), m.
    """
    distance, station = np.full(len(origins), np.inf), np.zeros(len(origins))
    for start, end, passed in zip(line[:-1], line[1:], stations(line), strict=False):
        reach, at = meet(origins, directions, start, end)
        hit = (reach >= -TOLERANCE_M) & (reach < distance)
        distance = np.where(hit, np.maximum(reach, 0.0), distance)
        station = np.where(hit, passed + at, station)
    return distance, station
