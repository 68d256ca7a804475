"""The layers of a city as arrays: meters in the working CRS, one record array a layer."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.site import Priors

Shapes = NDArray[np.object_]
Words = NDArray[np.str_]
Flags = NDArray[np.bool_]
Whole = NDArray[np.int64]

# Side codes are places in ``SIDES``; -1 where a line has no side.
FRONT, RIGHT, REAR, LEFT = range(4)


@dataclass(frozen=True, slots=True)
class Parcels:
    """Lots, one polygon each, in the order of their ids; nan and "" where not known.

    ``basements`` is 1 for a house with a basement, 0 for one without.
    """

    ids: Words
    shapes: Shapes
    streets: Words
    years: Array
    grounds_m: Array
    basements: Array


@dataclass(frozen=True, slots=True)
class Streets:
    """Street and alley centerlines, or right-of-way polygons."""

    shapes: Shapes
    names: Words
    alleys: Flags


@dataclass(frozen=True, slots=True)
class Mains:
    """Public sewers that run with the flow; inverts at both ends, nan where not known.

    The last five say which line each is a piece of, see :func:`.network.join_mains`.
    """

    ids: Words
    shapes: Shapes
    inverts_up_m: Array
    inverts_down_m: Array
    line: Whole
    line_ids: Words
    starts_m: Array
    turned: Flags
    open_ends: Flags


@dataclass(frozen=True, slots=True)
class Manholes:
    """Manholes as points."""

    ids: Words
    shapes: Shapes


@dataclass(frozen=True, slots=True)
class Laterals:
    """Laterals on record (k,), one a lot, in their order: lot, main, line, station on the main.

    ``lot`` and ``main`` are places among those at hand, -1 for a main that is not.
    """

    lot: Whole
    main: Whole
    line: Whole
    stations_m: Array


@dataclass(frozen=True, slots=True)
class Habits:
    """Weighted points (m,) of what a town's laterals have in common.

    ``depths`` (m, 3) are the shares of drains that leave shallow, half way and below a basement
    floor, ``near`` multiplies the pull of nearer mains, ``behind``, ``aside`` and ``beside`` are
    log weights; see :mod:`.habits`.
    """

    weights: Array
    depths: Array
    near: Array
    behind: Array
    aside: Array
    beside: Array


@dataclass(frozen=True, slots=True)
class Block:
    """The layers of a city, or as much of them as some lots need.

    ``own`` (p,) tells which parcels are to be worked on; the others only stand around them.
    ``houses`` are building polygons, ``basements`` (b,) theirs as those of parcels. ``rows`` is
    empty where no right-of-way layer was given.
    """

    parcels: Parcels
    own: Flags
    houses: Shapes
    basements: Array
    centerlines: Streets
    rows: Streets
    has_rows: bool
    mains: Mains
    manholes: Manholes
    laterals: Laterals
    priors: Priors
    habits: Habits


def no_laterals() -> Laterals:
    """Return no laterals on record."""
    nothing = np.zeros(0, np.int64)
    return Laterals(nothing, nothing, nothing, np.zeros(0))


def lone_mains(ids: Words, shapes: Shapes, up_m: Array, down_m: Array) -> Mains:
    """Make mains (m,) of which each is a line of its own.

    Parameters
    ----------
    ids
        Ids of the rows.
    shapes
        Geometries of the rows.
    up_m
        Inverts at the upstream ends (m,), m.
    down_m
        Inverts at the downstream ends (m,), m.

    Returns
    -------
    Mains
        The mains.
    """
    count = len(ids)
    return Mains(
        ids=ids,
        shapes=shapes,
        inverts_up_m=up_m,
        inverts_down_m=down_m,
        line=np.arange(count),
        line_ids=ids,
        starts_m=np.zeros(count),
        turned=np.zeros(count, bool),
        open_ends=np.ones((count, 2), bool),
    )


@dataclass(frozen=True, slots=True)
class Pairs:
    """(lot, side) pairs with mains: ``lot`` (q,), ``side`` (q,), and their candidate mains.

    ``main_pair`` and ``main`` (c,) list the candidates; ``easement`` (q,) where the main runs at
    a line that faces no way, so that the last meters may be in a neighbor's lot.
    """

    lot: Whole
    side: Whole
    alley: Flags
    easement: Flags
    main_pair: Whole
    main: Whole


def box_around(boxes: Array) -> Array:
    """Return the box (4,) of west, south, east and north around boxes (n, 4), one at least."""
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])


def unique_rows(*columns: Whole) -> tuple[Whole, Whole]:
    """Return the different rows of columns (n,) of counts as (c, u) in order, and each's place.

    As ``numpy.unique(…, axis=1)`` does, by one whole number a row: ten times as fast.
    """
    key = np.zeros(len(columns[0]), np.int64)
    # mixed radix: the key's order is the order of the rows
    sizes = [int(column.max(initial=0)) + 1 for column in columns]
    for column, size in zip(columns, sizes, strict=True):
        key = key * size + column
    rows, place = np.unique(key, return_inverse=True)
    return np.stack(np.unravel_index(rows, sizes)), place


def segments(starts: Array, ends: Array) -> Shapes:
    """Make straight lines of starts (n, 2) and ends (n, 2).

    Parameters
    ----------
    starts
        Starts (n, 2), m.
    ends
        Ends (n, 2), m.

    Returns
    -------
    Shapes
        Lines (n,).
    """
    return np.asarray(shapely.linestrings(np.stack([starts, ends], axis=1)), object)
