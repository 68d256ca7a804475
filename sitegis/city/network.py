"""Mains as a network: pieces of the record joined into whole lines, end to end.

A city keeps a main for every reach between two manholes. For where a lateral taps, the reach does
not matter: at a manhole the line goes on. Ends that miss each other by little are one place.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree

from ..geometry.frames import Array
from .layer_arrays import Mains, Whole

# Judgment, no source.
# ends nearer than this are one place; a line turns no more than so at one
SNAP_M = 1.0
MOST_TURN_DEG = 60.0


def join_mains(mains: Mains) -> Mains:
    """Join mains (m,) into lines: at each place the straightest two go on, within 60°.

    Gives them with ``line`` (the least place among the mains of each line), ``line_ids`` (its
    highest main), ``starts_m`` (station of a main's first vertex on its line), ``turned`` (a main
    that runs against its line) and ``open_ends`` (m, 2): first and last vertex, where its line
    goes on no further. A line runs the way most of its length does.
    """
    count = len(mains.ids)
    if not count:
        return mains
    partner = _partners(mains)
    lengths = shapely.length(mains.shapes)
    line, starts, turned = np.zeros(count, np.int64), np.zeros(count), np.zeros(count, bool)
    seen, heads = np.zeros(count, bool), np.zeros(count, np.int64)
    # open chains first, then rings, which have no end to begin from
    ends = np.flatnonzero((partner < 0).any(axis=1))
    for first in [*ends.tolist(), *range(count)]:
        if seen[first]:
            continue
        members, against = _walk(partner, first)
        seen[members] = True
        signs = np.where(against, -1.0, 1.0)
        # a line runs the way most of its length was drawn, which is most often with the flow
        if round(float((signs * lengths[members]).sum()), 3) < 0.0:
            members, against = members[::-1], ~against[::-1]
        line[members], heads[members] = members.min(), members[0]
        turned[members] = against
        starts[members] = np.cumsum(lengths[members]) - lengths[members]
    # a turned main's first vertex is its far end on the line
    starts = np.where(turned, starts + lengths, starts)
    return replace(
        mains,
        line=line,
        line_ids=mains.ids[heads],
        starts_m=starts,
        turned=turned,
        open_ends=partner < 0,
    )


def _walk(partner: Whole, first: int) -> tuple[Whole, NDArray[np.bool_]]:
    """Follow a chain from one of its ends: its mains in order, and which run against it."""
    # a chain that begins at its main's last vertex runs against that main
    members, against = [first], [bool(partner[first, 0] >= 0 and partner[first, 1] < 0)]
    while True:
        out = partner[members[-1], 0 if against[-1] else 1]
        # the chain ends, or a ring has come round
        if out < 0 or out // 2 == first:
            return np.array(members, np.int64), np.array(against, bool)
        members.append(int(out // 2))
        # entered by its last vertex, it runs against the chain
        against.append(bool(out % 2))


def _partners(mains: Mains) -> Whole:
    """Return for each main's first and last vertex (m, 2) the end it goes on as, -1 where none.

    An end is twice its main's place, plus 1 for the last vertex.
    """
    count = len(mains.ids)
    points = np.stack(
        [shapely.get_coordinates(shapely.get_point(mains.shapes, i)) for i in (0, -1)], axis=1
    ).reshape(-1, 2)
    inward = np.stack(
        [shapely.get_coordinates(shapely.get_point(mains.shapes, i)) for i in (1, -2)], axis=1
    ).reshape(-1, 2)
    # unit vectors from the end into its main
    step = inward - points
    step = step / np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    # ends within a meter, joined over several: one place
    near = KDTree(points).query_pairs(SNAP_M, output_type="ndarray")
    place = connected_components(
        coo_array((np.ones(len(near)), near.T), shape=(2 * count, 2 * count)), directed=False
    )[1].astype(np.int64)
    first, second = _meeting(place)
    # both ends of one main may meet: a ring does not go on as itself
    other = first // 2 != second // 2
    first, second = first[other], second[other]
    # both look away from the place: straight on is -1
    cosine = np.round((step[first] * step[second]).sum(axis=1), 6)
    goes_on = cosine <= -np.cos(np.radians(MOST_TURN_DEG))
    first, second, cosine = first[goes_on], second[goes_on], cosine[goes_on]
    partner = np.full(2 * count, -1, np.int64)
    # straightest first; each end goes on as one other at most
    for a, b in np.stack([first, second], axis=1)[np.lexsort((second, first, cosine))].tolist():
        if partner[a] < 0 and partner[b] < 0:
            partner[a], partner[b] = b, a
    return partner.reshape(count, 2)


def _meeting(place: Whole) -> tuple[Whole, Whole]:
    """Return every two ends (k,) that meet at a place."""
    order = np.argsort(place, kind="stable")
    sizes = np.bincount(place)
    firsts = np.cumsum(sizes) - sizes
    pairs = [
        (order[start : start + size][i], order[start : start + size][j])
        for start, size in zip(firsts.tolist(), sizes.tolist(), strict=True)
        if size > 1
        for i in range(size)
        for j in range(i + 1, size)
    ]
    made = np.array(pairs, np.int64).reshape(-1, 2)
    return made.min(axis=1), made.max(axis=1)


def on_line(mains: Mains, main: Whole, station_m: Array) -> Array:
    """Return the stations (k,) on their lines of places on mains (k,).

    Parameters
    ----------
    mains
        The mains, m of them.
    main
        Index of each main (k,).
    station_m
        Stations on the mains (k,), m.

    Returns
    -------
    Array
        Stations (k,), m.
    """
    sign = np.where(mains.turned[main], -1.0, 1.0)
    return np.asarray(mains.starts_m[main] + sign * station_m)


def around(mains: Mains, main: Whole) -> tuple[Whole, Whole]:
    """Return for mains (c,) themselves and those before and after them on their lines: row, main.

    Parameters
    ----------
    mains
        The mains, m of them.
    main
        Index of each main (k,).

    Returns
    -------
    row
        Of the main given.
    main
        Itself or one beside it.
    """
    # station of the lower end: turned mains count from the higher one
    low = np.where(mains.turned, mains.starts_m - shapely.length(mains.shapes), mains.starts_m)
    order = np.lexsort((np.arange(len(low)), low, mains.line))
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    rows, found = [np.arange(len(main))], [main]
    for shift in (-1, 1):
        next_rank = rank[main] + shift
        inside = (next_rank >= 0) & (next_rank < len(order))
        beside = order[np.clip(next_rank, 0, len(order) - 1)]
        same = np.flatnonzero(inside & (mains.line[beside] == mains.line[main]))
        rows.append(same)
        found.append(beside[same])
    return np.concatenate(rows), np.concatenate(found)
