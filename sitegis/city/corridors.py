"""Strips about the likeliest routes of each lot."""

from __future__ import annotations

import numpy as np
import shapely

from ..geometry.frames import Array
from .infer import Posterior
from .layer_arrays import Flags, Pairs, Shapes, Whole, Words
from .routes import TWINS, LotRoutes
from .tables import Columns, table

HELD_SHARE = 0.80
STRIP_M = 1.0


def route_lines(vertices: Array) -> Shapes:
    """Make lines of routes (m, 4, 2), without repeated vertices."""
    return np.asarray(shapely.remove_repeated_points(shapely.linestrings(vertices), 1e-6), object)


def corridors(pairs: Pairs, laid: LotRoutes, posterior: Posterior, ids: Words) -> Columns:
    """Give the strips about the likeliest routes that together hold 80 % of the listed ways."""
    pair, kind = np.nonzero(posterior.routes > 0.0)
    weight, lot = posterior.routes[pair, kind], pairs.lot[pair]
    order = np.lexsort((kind, pair, -np.round(weight, 12), lot))
    pair, kind, weight, lot = pair[order], kind[order], weight[order], lot[order]
    total = np.bincount(lot, weight, minlength=len(ids))
    before = np.cumsum(weight) - weight
    first = np.flatnonzero(np.diff(lot, prepend=-1))
    base = np.zeros(len(ids))
    base[lot[first]] = before[first]
    needed = before - base[lot] < HELD_SHARE * total[lot] - 1e-12
    pair, kind, weight, lot = pair[needed], kind[needed], weight[needed], lot[needed]
    holders = np.unique(lot)
    held = np.bincount(lot, weight, minlength=len(ids))[holders]
    drawn = ~_beside_its_twin(laid, pair, kind)
    lines = route_lines(laid.vertices[pair[drawn], kind[drawn]])
    index = np.searchsorted(holders, lot[drawn])
    # by lot, whatever the order of weights
    order = np.lexsort((kind[drawn], pair[drawn], index))
    joined = (
        shapely.multilinestrings(lines[order], indices=index[order])
        if len(lines)
        else np.zeros(0, object)
    )
    return table(
        shapely.buffer(joined, STRIP_M, quad_segs=2, cap_style="square"),
        parcel=ids[holders],
        holds=held,
        evidence_class=np.full(len(holders), "inferred"),
    )


def _beside_its_twin(laid: LotRoutes, pair: Whole, kind: Whole) -> Flags:
    """Tell which square routes run within 0.5 m of the straight one from their exit.

    The strip of one holds both; strips of lines that nearly coincide are slow to join.
    """
    chosen = np.zeros(laid.main.shape, bool)
    chosen[pair, kind] = True
    twin = TWINS[kind]
    apart = laid.vertices[pair, kind, -1] - laid.vertices[pair, twin, -1]
    near = np.hypot(*apart.T) < STRIP_M / 2.0
    return np.asarray((twin != kind) & chosen[pair, twin] & near)
