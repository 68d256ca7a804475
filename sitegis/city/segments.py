"""Lines as straight pieces in arrays: rays that meet them, and the nearest places on them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..numerics.ordering import MATTERS_M
from ..numerics.records import take_rows
from .layer_arrays import Shapes, Whole, segments

# Distances along a ray are compared to a micrometer, so that no last bit decides.
DECIMALS = 6


@dataclass(frozen=True)
class Pieces:
    """Straight pieces (e,): ends (e, 2), the line each belongs to, and its station there.

    ``past`` is 1 for a piece that goes on past a line's end, 0 for the line itself.
    """

    starts: Array
    ends: Array
    line: Whole
    stations_m: Array
    past: Whole

    @cached_property
    def tree(self) -> STRtree:
        """Index the pieces."""
        return STRtree(segments(self.starts, self.ends))


def line_pieces(lines: Shapes, box: Array | None = None) -> Pieces:
    """Cut lines (n,) into their straight pieces; only those that touch a box (4,), if given.

    Stations are known only where no box is given.

    Parameters
    ----------
    lines
        Lines (n,).
    box
        Lowest and highest x and y that count (4,), m; None for all.

    Returns
    -------
    Pieces
        The pieces.
    """
    xy, line = shapely.get_coordinates(lines, return_index=True)
    same = np.flatnonzero(line[1:] == line[:-1]) if len(line) else np.zeros(0, np.int64)
    made = Pieces(
        # pieces join vertices of one line: consecutive ones with the same owner
        xy[same],
        xy[same + 1],
        line[same].astype(np.int64),
        np.zeros(len(same)),
        np.zeros(len(same), np.int64),
    )
    if box is None:
        return replace(made, stations_m=_stations(made))
    low, high = np.minimum(made.starts, made.ends), np.maximum(made.starts, made.ends)
    inside = (low <= box[2:]).all(axis=1) & (high >= box[:2]).all(axis=1)
    return take_rows(made, np.flatnonzero(inside))


def _stations(pieces: Pieces) -> Array:
    """Add up lengths line by line: the same sums whatever other lines there are."""
    lengths = np.hypot(*(pieces.ends - pieces.starts).T)
    counts = np.bincount(pieces.line)
    _owner, rank = spread(counts[counts > 0])
    station = np.zeros(len(lengths))
    # n-th pieces of all lines at once; a running sum over all would round by what lies before
    for place in range(1, int(rank.max(initial=0)) + 1):
        rows = np.flatnonzero(rank == place)
        station[rows] = station[rows - 1] + lengths[rows - 1]
    return station


def cross(starts: Array, directions: Array, pieces: Pieces, rows: Whole) -> Array:
    """Return how far along rays (m, 2) each meets piece ``rows`` (m,), inf where it does not.

    ``directions`` are unit vectors; closed form of two straights (Cramer's rule). A piece is met a
    millimeter past its ends too, where rays that are aimed at an end may pass.

    Parameters
    ----------
    starts
        Starts of the rays (m, 2), m.
    directions
        Unit vectors (m, 2).
    pieces
        Straight pieces of lines.
    rows
        Index of each piece (m,).

    Returns
    -------
    Array
        Distances (m,), m.
    """
    a, step = pieces.starts[rows], (pieces.ends - pieces.starts)[rows]
    gap = a - starts
    across = directions[:, 0] * step[:, 1] - directions[:, 1] * step[:, 0]
    # parallel pieces divide by 0: inf and nan fail the comparison below
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (gap[:, 0] * step[:, 1] - gap[:, 1] * step[:, 0]) / across
        share = (gap[:, 0] * directions[:, 1] - gap[:, 1] * directions[:, 0]) / across
    past = MATTERS_M / np.maximum(np.hypot(*step.T), MATTERS_M)
    met = (along >= 0.0) & (share >= -past) & (share <= 1.0 + past)
    return np.where(met, along, np.inf)


def feet(points: Array, pieces: Pieces, rows: Whole) -> Array:
    """Return the places (m, 2) on pieces ``rows`` (m,) that are nearest to points (m, 2).

    Parameters
    ----------
    points
        Points (m, 2), m.
    pieces
        Straight pieces of lines.
    rows
        Index of each piece (m,).

    Returns
    -------
    Array
        Places (m, 2), m.
    """
    a, step = pieces.starts[rows], (pieces.ends - pieces.starts)[rows]
    square = np.maximum((step**2).sum(axis=1), 1e-18)
    share = np.clip(((points - a) * step).sum(axis=1) / square, 0.0, 1.0)
    return np.asarray(a + share[:, None] * step)


def least(source: Whole, value: Array, *keys: Whole) -> Whole:
    """Return the rows with the least value of each source; among equals the least key decides.

    Parameters
    ----------
    source
        Source of each row (n,).
    value
        Value of each row (n,).
    *keys
        Further keys (n,), the first one first.

    Returns
    -------
    Whole
        Row indices.
    """
    order = np.lexsort((*keys[::-1], np.round(value, DECIMALS), source))
    return order[np.flatnonzero(np.diff(source[order], prepend=-1))]


def spread(counts: Whole) -> tuple[Whole, Whole]:
    """Return owner and rank of the members of groups with these counts (n,), in their order."""
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
