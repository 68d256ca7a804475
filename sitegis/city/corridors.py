"""Strips about the likeliest routes of each lot."""

from __future__ import annotations

import math

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ..geometry.frames import Array
from ..numerics.ordering import MATTERS_M, MATTERS_P, at_least, in_steps, on_lattice
from .infer import Posterior
from .layer_arrays import Flags, Pairs, Shapes, Whole, Words
from .routes import TWINS, LotRoutes
from .tables import Columns, table

# the strips are 2 m wide and hold 80 % of the listed ways: judgment, no source
HELD_SHARE = 0.80
STRIP_M = 1.0
STRAIGHT_M = 0.001
# two strips with square ends meet only where their routes come nearer
CLEAR_M = 2.0 * math.sqrt(2.0) * STRIP_M


def route_lines(vertices: Array) -> Shapes:
    """Make lines of routes (m, 4, 2), without repeated vertices."""
    return np.asarray(shapely.remove_repeated_points(shapely.linestrings(vertices), 1e-6), object)


def corridors(pairs: Pairs, laid: LotRoutes, posterior: Posterior, ids: Words) -> Columns:
    """Return the strips about the likeliest routes that together hold 80 % of the listed ways.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    posterior
        Probabilities of every lot's ways.
    ids
        Parcel ids.

    Returns
    -------
    Columns
        Columns of the layer.
    """
    pair, kind = np.nonzero(posterior.routes > 0.0)
    weight, lot = posterior.routes[pair, kind], pairs.lot[pair]
    # by lot, the likeliest first; equals by pair and kind
    order = np.lexsort((kind, pair, -in_steps(weight, MATTERS_P), lot))
    pair, kind, weight, lot = pair[order], kind[order], weight[order], lot[order]
    total = np.bincount(lot, weight, minlength=len(ids))
    before = np.cumsum(weight) - weight
    first = np.flatnonzero(np.diff(lot, prepend=-1))
    base = np.zeros(len(ids))
    base[lot[first]] = before[first]
    # all routes before which less than 80 % is held
    needed = ~at_least(before - base[lot], HELD_SHARE * total[lot])
    pair, kind, weight, lot = pair[needed], kind[needed], weight[needed], lot[needed]
    holders = np.unique(lot)
    held = np.bincount(lot, weight, minlength=len(ids))[holders]
    drawn = ~_beside_its_twin(laid, pair, kind)
    index = np.searchsorted(holders, lot[drawn])
    # by lot, whatever the order of weights
    order = np.lexsort((kind[drawn], pair[drawn], index))
    return table(
        _strips(laid.vertices[pair[drawn], kind[drawn]][order], index[order], len(holders)),
        parcel=ids[holders],
        holds=held,
        evidence_class=np.full(len(holders), "inferred"),
    )


def _strips(vertices: Array, owner: Whole, count: int) -> Shapes:
    """Return the multipolygon about the routes (m, 4, 2) of each lot (``owner``, sorted).

    A straight route that keeps clear of its lot's others has a rectangle about it. Only what may
    meet is joined, which takes ten times as long.
    """
    lines = route_lines(vertices)
    cluster = _clusters(vertices, lines, owner)
    alone = _are_straight(vertices) & (np.bincount(cluster)[cluster] == 1)
    start, end = vertices[alone, 0], vertices[alone, 3]
    ahead = STRIP_M * (end - start) / np.hypot(*(end - start).T)[:, None]
    left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    corners = (start - ahead - left, end + ahead - left, end + ahead + left, start - ahead + left)
    rectangles = shapely.polygons(on_lattice(np.stack(corners, axis=1)))
    rest = np.flatnonzero(~alone)
    _first, row, place = np.unique(cluster[rest], return_index=True, return_inverse=True)
    order = np.argsort(place, kind="stable")
    # not on the lattice, where a ring of theirs may cross itself: of routes on the lattice only the
    # arcs' sines are the processor's, and those fall below a grid coordinate's last digit
    joined = shapely.buffer(
        shapely.multilinestrings(lines[rest][order], indices=place[order]),
        STRIP_M,
        quad_segs=2,
        cap_style="square",
    )
    parts, of = shapely.get_parts(joined, return_index=True)
    index = np.concatenate([owner[alone], owner[rest][row][of]])
    order = np.argsort(index, kind="stable")
    out = np.full(count, None, object)
    shapely.multipolygons(np.concatenate([rectangles, parts])[order], indices=index[order], out=out)
    return out


def _are_straight(vertices: Array) -> Flags:
    """Return which routes (m, 4, 2) run straight on, to a millimeter."""
    chord = vertices[:, 3] - vertices[:, 0]
    ahead = chord / np.maximum(np.hypot(*chord.T), 1e-9)[:, None]
    inner = vertices[:, 1:3] - vertices[:, :1]
    off = inner[..., 0] * ahead[:, None, 1] - inner[..., 1] * ahead[:, None, 0]
    along = np.diff((vertices * ahead[:, None]).sum(axis=2), axis=1)
    return np.asarray((np.abs(off) < STRAIGHT_M).all(axis=1) & (along > -STRAIGHT_M).all(axis=1))


def _clusters(vertices: Array, lines: Shapes, owner: Whole) -> Whole:
    """Return the number of each route (m,) among clusters whose strips may meet."""
    # boxes of strips first: cheap, and most pairs are far apart
    low, high = vertices.min(axis=1) - CLEAR_M / 2.0, vertices.max(axis=1) + CLEAR_M / 2.0
    pairs = [np.zeros((2, 0), np.int64)]
    # routes of one lot stand together: each with the one `step` further on
    for step in range(1, int(np.bincount(owner).max(initial=0))):
        one = np.flatnonzero(owner[step:] == owner[:-step])
        boxes = (low[one] <= high[one + step]) & (low[one + step] <= high[one])
        one = one[boxes.all(axis=1)]
        one = one[shapely.dwithin(lines[one], lines[one + step], CLEAR_M)]
        pairs.append(np.stack([one, one + step]))
    near = np.concatenate(pairs, axis=1)
    ones = np.ones(near.shape[1])
    graph = coo_array((ones, (near[0], near[1])), shape=(len(owner), len(owner)))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)


def _beside_its_twin(laid: LotRoutes, pair: Whole, kind: Whole) -> Flags:
    """Return which square routes run within 0.5 m of the straight one from their exit.

    The strip of one holds both; strips of lines that nearly coincide are slow to join.
    """
    chosen = np.zeros(laid.main.shape, bool)
    chosen[pair, kind] = True
    twin = TWINS[kind]
    apart = laid.vertices[pair, kind, -1] - laid.vertices[pair, twin, -1]
    near = ~at_least(np.hypot(*apart.T), STRIP_M / 2.0, MATTERS_M)
    return np.asarray((twin != kind) & chosen[pair, twin] & near)
