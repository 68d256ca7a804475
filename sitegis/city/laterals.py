"""Laterals on record: lines from house to main, or points where one taps, each of one lot."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..read.faults import Report
from .columns import LINES, POINTS, Placer, are_finite, words
from .layer_arrays import Laterals, Mains, Pairs, Shapes, Whole, Words, no_laterals
from .layer_frame import Layer
from .schema import LateralTable
from .stored import Lots

# Judgment, no source: as far from its main as the end of a lateral or a tap may be drawn.
AT_MAIN_M = 3.0
# Judgment, no source: how far neighbors are evidence for each other, and from where on less.
NEIGHBORS_M, NEXT_DOOR_M = 50.0, 20.0
REASONS = ("lie within 3 m of no main", "belong to no lot", "are of lots with taps on two lines")


def read_laterals(
    layer: Layer | None,
    table: LateralTable | None,
    place: Placer,
    lots: Lots,
    mains: Mains,
    report: Report,
) -> Laterals:
    """Return the laterals on record, one a lot; a notice counts those that are used.

    A line taps where its end is nearer to a main, and is of the lot that holds its other end,
    where no column names one. Of several laterals of one lot on the same line the first by place
    is taken; a lot with taps on two lines is left to the inference.

    Parameters
    ----------
    layer
        The layer, None where there is none.
    table
        The layer's table.
    place
        Takes a geometry to the working CRS.
    lots
        The lots.
    mains
        The mains, joined.
    report
        Gathers notices, and a fault where points have no column of lots.

    Returns
    -------
    Laterals
        In the order of lots.
    """
    if layer is None or table is None:
        return no_laterals()
    ((frame, shapes),) = place.pieces(layer)
    dimension = shapely.get_dimensions(shapes)
    points = dimension == POINTS
    if table.parcel is None and points.any():
        report.fault("key-missing:parcel-of-points", "laterals.parcel", None)
        return no_laterals()
    good = np.flatnonzero(are_finite(shapes) & (points | (dimension == LINES)))
    if not len(good):
        report.notices.append(_notice(len(shapes), 0, [0, 0, 0]))
        return no_laterals()
    taps, houses = _ends(shapes[good], STRtree(mains.shapes))
    lot = _lots_named(words(frame, table.parcel)[good], lots)
    if table.parcel is None:
        lot = _lots_holding(houses, lots)
    main, station = _taps_on(taps, mains)
    line = np.where(main >= 0, mains.line[main], -1)
    there = np.flatnonzero((main >= 0) & (lot >= 0))
    # by lot; of one lot by place, whatever the order in the file
    order = there[np.lexsort((station[there], main[there], lot[there]))]
    first = order[np.flatnonzero(np.diff(lot[order], prepend=-1))]
    other = np.zeros(len(lots.ids), bool)
    leader = np.full(len(lots.ids), -1, np.int64)
    leader[lot[first]] = line[first]
    other[lot[order[line[order] != leader[lot[order]]]]] = True
    kept = first[~other[lot[first]]]
    counts = ((main < 0).sum(), ((lot < 0) & (main >= 0)).sum(), other[lot[there]].sum())
    report.notices.append(_notice(len(shapes), len(kept), [int(count) for count in counts]))
    return Laterals(lot[kept], main[kept], line[kept], station[kept])


def _notice(rows: int, lots: int, counts: list[int]) -> Notice:
    """Say how many laterals are used, and why others are not."""
    reasons = ", ".join(f"{n} {why}" for n, why in zip(counts, REASONS, strict=True) if n)
    others = f" ({reasons})" if reasons else ""
    return notice_of(
        "laterals-read", "laterals", needs_person=not lots, rows=rows, lots=lots, others=others
    )


def _ends(shapes: Shapes, mains: STRtree) -> tuple[Shapes, Shapes]:
    """Return where each lateral taps, and its other end; a point is both."""
    # parts of one line: from its very first vertex to its last
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    ends = [shapely.points(xy[at]) for at in (first, np.append(first[1:], len(owner)) - 1)]
    if not len(mains.geometries):
        return ends[0], ends[1]
    away = [
        np.round(shapely.distance(end, mains.geometries[mains.nearest(end)]), 3) for end in ends
    ]
    turned = away[1] <= away[0]
    return np.where(turned, ends[1], ends[0]), np.where(turned, ends[0], ends[1])


def _taps_on(taps: Shapes, mains: Mains) -> tuple[Whole, Array]:
    """Return the main of each tap (k,), -1 where none is within 3 m, and the station on it."""
    main, station = np.full(len(taps), -1, np.int64), np.zeros(len(taps))
    if not len(mains.shapes) or not len(taps):
        return main, station
    source, near = STRtree(mains.shapes).query(taps, predicate="dwithin", distance=AT_MAIN_M)
    away = np.round(shapely.distance(taps[source], mains.shapes[near]), 3)
    # of mains equally near the first
    order = np.lexsort((near, away, source))
    first = order[np.flatnonzero(np.diff(source[order], prepend=-1))]
    main[source[first]] = near[first]
    station[source[first]] = shapely.line_locate_point(
        mains.shapes[near[first]], taps[source[first]]
    )
    return main, np.round(station, 3)


def _lots_named(names: Words, lots: Lots) -> Whole:
    """Return the place of the lot of each id (k,), -1 where there is none."""
    if not len(lots.ids):
        return np.full(len(names), -1, np.int64)
    place = np.minimum(np.searchsorted(lots.ids, names), len(lots.ids) - 1)
    return np.where(lots.ids[place] == names, place, -1)


def _lots_holding(points: Shapes, lots: Lots) -> Whole:
    """Return the first lot that holds each point (k,), -1 where none does."""
    found = np.full(len(points), -1, np.int64)
    for rows in lots.outlines.groups():
        tree = STRtree(lots.outlines.shapes(rows))
        point, lot = tree.query(points, predicate="intersects")
        for p, place in zip(point.tolist(), rows[lot].tolist(), strict=True):
            found[p] = place if found[p] < 0 else min(found[p], place)
    return found


def learned_notice(lots: int, right: int, stated: float, depths: list[float]) -> Notice:
    """Say how the answers do on the laterals on record, each left out in turn.

    Parameters
    ----------
    lots
        How many there are.
    right
        How many likeliest lines are those on record.
    stated
        Sum of what was stated of them.
    depths
        Shares of drains that leave shallow, half way and below a basement floor.

    Returns
    -------
    Notice
        The sentence.
    """
    shallow, half, deep = (100.0 * share for share in depths)
    return notice_of(
        "laterals-learned",
        "laterals",
        lots=lots,
        right=100.0 * right / lots,
        stated=100.0 * stated / lots,
        shallow=shallow,
        half=half,
        deep=deep,
    )


def votes_of(
    laterals: Laterals, pairs: Pairs, lots: Whole, mains: Mains, outlines: Shapes
) -> Array:
    """Return for pairs (q,) the neighbors' laterals on record on one of its lines.

    A neighbor counts exp(1 - d / 20 m), at most 1, where d is between the middles of the lots; the
    lot's own lateral does not count. Judgment, no source.

    Parameters
    ----------
    laterals
        Laterals on record; lots numbered as ``outlines``.
    pairs
        Lot, side and mains.
    lots
        Place of the pairs' lots among ``outlines`` (n,).
    mains
        The mains.
    outlines
        Outlines of all lots at hand (p,).

    Returns
    -------
    Array
        Votes (q,).
    """
    votes = np.zeros(len(pairs.lot))
    if not len(laterals.lot) or not len(pairs.lot):
        return votes
    own, tapped = lots[pairs.lot], shapely.centroid(outlines[laterals.lot])
    middles = shapely.centroid(outlines[own])
    pair, near = STRtree(tapped).query(middles, predicate="dwithin", distance=NEIGHBORS_M)
    apart = laterals.lot[near] != own[pair]
    pair, near = pair[apart], near[apart]
    # pairs of (pair, line) that there are
    span = int(mains.line.max(initial=0)) + 1
    held = np.unique(pairs.main_pair * span + mains.line[pairs.main])
    line = laterals.line[near]
    inside = line < span
    inside &= np.isin(pair * span + np.where(inside, line, 0), held)
    pair, near = pair[inside], near[inside]
    gap = shapely.distance(tapped[near], middles[pair])
    worth = np.round(np.minimum(np.exp(1.0 - gap / NEXT_DOOR_M), 1.0), 9)
    np.add.at(votes, pair, worth)
    return np.round(votes, 6)
