"""Which mains a lot can reach, on which side, and which manhole stands below a tap."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from .facing import face_lines
from .frontage import Frontages
from .layer_arrays import Block, Flags, Mains, Manholes, Pairs, Whole, unique_rows

# Judgment, no source: a main this near a lot line runs along it; a manhole this near is on it.
AT_LINE_M = 3.0
MANHOLE_OFF_M = 2.0
LEAST_FACING_M = 2.0


def find_pairs(block: Block, lots: Whole, frontages: Frontages, tree: STRtree) -> Pairs:
    """Return the sides of the lots at places ``lots`` (n,) that have mains.

    A main counts on a side where the side's open lines face it within 30 m with no other lot
    between (the right-of-way the line abuts), or where it runs within 3 m of the line itself (a
    main in a rear easement).

    Parameters
    ----------
    block
        The layers as arrays.
    lots
        Place of each lot among the parcels (n,).
    frontages
        Front and sides of the lots.
    tree
        Index of all parcels.

    Returns
    -------
    Pairs
        The pairs.
    """
    edges, samples = frontages.edges, frontages.samples
    at = face_lines(
        samples.points[samples.open],
        edges.normals[samples.edge[samples.open]],
        block.mains.shapes,
        tree,
        lots[edges.lot[samples.edge[samples.open]]],
    )
    edge, main = samples.edge[samples.open], at.index
    seen = main >= 0
    edge, main, share = edge[seen], main[seen], samples.shares_m[samples.open][seen]
    easement = np.zeros(len(edge), bool)
    extra_edge, extra_main, extra_share = _in_easements(block.mains, frontages)
    edge, main = np.concatenate([edge, extra_edge]), np.concatenate([main, extra_main])
    share = np.concatenate([share, extra_share])
    easement = np.concatenate([easement, np.ones(len(extra_edge), bool)])
    lot, side = edges.lot[edge], frontages.sides[edge]
    return _gather(lot, side, main, share, frontages.alleys[edge], easement)


def _in_easements(mains: Mains, frontages: Frontages) -> tuple[Whole, Whole, Array]:
    """Return closed lot lines with a main along them: edge, main, meters."""
    samples = frontages.samples
    closed = np.flatnonzero(~samples.open)
    empty = np.zeros(0, np.int64)
    if not len(mains.shapes) or not closed.size:
        return empty, empty, np.zeros(0)
    tree = STRtree(mains.shapes)
    source, main = tree.query_nearest(
        shapely.points(samples.points[closed]), max_distance=AT_LINE_M
    )
    # of mains equally near the first, whatever the order in the tree
    order = np.lexsort((main, source))
    first = order[np.flatnonzero(np.diff(source[order], prepend=-1))]
    source, main = source[first], main[first]
    rows = closed[source]
    # a main that merely crosses the line does not run along it
    normals = frontages.edges.normals[samples.edge[rows]]
    along = _runs_along(mains, main, samples.points[rows], normals)
    return samples.edge[rows][along], main[along].astype(np.int64), samples.shares_m[rows][along]


def _runs_along(mains: Mains, main: Whole, points: Array, normals: Array) -> Flags:
    """Return where a main runs within 30° of a lot line."""
    lines = mains.shapes[main]
    station = shapely.line_locate_point(lines, shapely.points(points))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(lines, station + 0.1))
    behind = shapely.get_coordinates(
        shapely.line_interpolate_point(lines, np.maximum(station - 0.1, 0.0))
    )
    step = ahead - behind
    length = np.maximum(np.hypot(*step.T), 1e-9)
    # |cos| to the normal of at most ½ is within 30° of the line itself
    return np.asarray(np.abs(np.sum(step * normals, axis=1)) <= 0.5 * length)


def _gather(
    lot: Whole, side: Whole, main: Whole, share: Array, alley: Flags, easement: Flags
) -> Pairs:
    """Join what faces the same main on the same side of the same lot."""
    known = side >= 0
    lot, side, main, share = lot[known], side[known], main[known], share[known]
    alley, easement = alley[known], easement[known]
    # samples of one lot, side and main
    triples, inverse = unique_rows(lot, side, main)
    count = triples.shape[1]
    total = np.asarray(np.bincount(inverse, share, minlength=count), float)
    in_alley = np.bincount(inverse, share * alley, minlength=count) > 0.5 * total
    in_easement = np.bincount(inverse, share * easement, minlength=count) > 0.5 * total
    triples, in_alley, in_easement = _one_side_each(triples, total, in_alley, in_easement)
    # lot and side in one number: its order is that of both
    keys, pair = np.unique(triples[0] * 4 + triples[1], return_inverse=True)
    size = len(keys)
    members = np.maximum(np.bincount(pair, minlength=size), 1)
    return Pairs(
        lot=keys // 4,
        side=keys % 4,
        alley=np.bincount(pair, in_alley, minlength=size) > 0.5 * members,
        easement=np.bincount(pair, in_easement, minlength=size) > 0.5 * members,
        main_pair=pair.astype(np.int64),
        main=triples[2],
    )


def _one_side_each(
    triples: Whole, total: Array, alley: Flags, easement: Flags
) -> tuple[Whole, Flags, Flags]:
    """Keep every side that a main is faced from by at least 2 m, else the side with most."""
    # by lot and main, the side it is faced from most first
    order = np.lexsort((triples[1], -np.round(total, 6), triples[2], triples[0]))
    lot, main = triples[0][order], triples[2][order]
    best = np.ones(len(order), bool)
    best[1:] = (lot[1:] != lot[:-1]) | (main[1:] != main[:-1])
    keep = np.sort(order[best | (total[order] >= LEAST_FACING_M)])
    return triples[:, keep], alley[keep], easement[keep]


@dataclass(frozen=True, slots=True)
class ManholesOnMains:
    """The manholes of each main by station: ``key`` (h,) sorted, main and manhole of each."""

    main: Whole
    station_m: Array
    manhole: Whole


def snap_manholes(manholes: Manholes, mains: Mains) -> ManholesOnMains:
    """Put every manhole on each main that passes it within 2 m, by main and station.

    Parameters
    ----------
    manholes
        The points.
    mains
        The mains, m of them.

    Returns
    -------
    ManholesOnMains
        Manhole, main and station.
    """
    if not len(manholes.shapes) or not len(mains.shapes):
        return ManholesOnMains(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64))
    manhole, main = STRtree(mains.shapes).query(
        manholes.shapes, predicate="dwithin", distance=MANHOLE_OFF_M
    )
    station = shapely.line_locate_point(mains.shapes[main], manholes.shapes[manhole])
    order = np.lexsort((manhole, station, main))
    return ManholesOnMains(main[order], station[order], manhole[order])


def manhole_below(snapped: ManholesOnMains, main: Whole, station_m: Array) -> Whole:
    """Return the first manhole with the flow below each station of a main (m,), -1 where none.

    Parameters
    ----------
    snapped
        Manholes on the mains.
    main
        Index of each main (k,).
    station_m
        Stations on the mains (k,), m.

    Returns
    -------
    Whole
        Manholes (k,), −1 for none.
    """
    if not len(snapped.main):
        return np.full(len(main), -1, np.int64)
    # main and station as one key: one sorted search for all
    longest = float(max(snapped.station_m.max(), station_m.max(initial=0.0))) + 1.0
    keys = snapped.main * longest + snapped.station_m
    # a manhole at the tap itself counts as below
    place = np.searchsorted(keys, main * longest + station_m - 1e-6)
    inside = np.minimum(place, len(keys) - 1)
    found = (place < len(keys)) & (snapped.main[inside] == main)
    return np.where(found, snapped.manhole[inside], -1)


def main_inverts(mains: Mains, main: Whole, station_m: Array) -> Array:
    """Return the inverts (k,) of mains (k,) at stations (k,), meters, nan where not known.

    Straight between both ends; past an end the end's invert holds.

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
        Inverts (k,), m.
    """
    length = np.maximum(shapely.length(mains.shapes[main]), 1e-9)
    share = np.clip(station_m / length, 0.0, 1.0)
    up, down = mains.inverts_up_m[main], mains.inverts_down_m[main]
    return np.asarray(up + share * (down - up))
