"""What a hole costs, what a search costs, and in which order to search."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .._frames import Array
from .._site import DigSettings
from .hits import Flags


def surface_rate(settings: DigSettings, surface: str) -> float:
    """Give the restoration cost per m²; the dearest known one where the surface is unknown."""
    known = settings.surface_per_m2
    return known[surface] if surface in known else max(known.values())


def expected_search_cost(costs: Sequence[float], p_found_by: Sequence[float]) -> float:
    """Price a search that stops when it finds: Σ cost_k × P(not found by k − 1).

    >>> round(expected_search_cost([1.0, 2.0, 5.0, 3.0], [0.2, 0.5, 0.9, 1.0]), 9)
    5.4
    """
    missed = 1.0 - np.concatenate([[0.0], np.asarray(p_found_by, float)[:-1]])
    return float(np.asarray(costs, float) @ missed)


def pits_worth_digging(
    costs: Sequence[float], p_found_by: Sequence[float], cost_if_missed: float
) -> int:
    """Count the pits, in their order, that cost less than they save; the first is always one.

    After k − 1 misses pit k costs cost_k × P(not found by k − 1), and saves what is dug should
    all miss, ``cost_if_missed``, × its share of the probability: (P(found by k) − P(by k − 1)).

    >>> pits_worth_digging([1.0, 1.0, 1.0], [0.6, 0.9, 0.92], 8.0)
    3
    >>> pits_worth_digging([1.0, 1.0, 1.0], [0.6, 0.9, 0.91], 8.0)
    2
    """
    found = np.concatenate([[0.0], np.asarray(p_found_by, float)])
    worth = np.diff(found) * cost_if_missed >= (1.0 - found[:-1]) * np.asarray(costs, float)
    worth[:1] = True
    return len(worth) if worth.all() else int(np.argmin(worth))


def greedy_order(
    hits: Flags,
    weights: Array,
    costs: Array,
    *,
    limit: int,
    stop_below: float,
    least_gain: float,
    conflicts: Flags | None = None,
) -> tuple[int, ...]:
    """Order pits by P(hit) per cost, dropping after each imagined miss the routes that crossed.

    For pits that no route shares this is Blackwell's rule (largest p/c first), which is optimal;
    where routes are shared it is greedy: a good order, not proven the best. ``hits`` (c, m),
    ``weights`` (m,), ``costs`` (c,); of two pits that stand in each other's way (``conflicts``
    (c, c)) only one is dug. Stops at ``limit`` pits, when the routes left weigh less than
    ``stop_below``, or when no pit gains ``least_gain``.
    """
    apart = np.eye(len(costs), dtype=bool) if conflicts is None else conflicts
    left = np.array(weights, float)
    order: list[int] = []
    while len(order) < limit and left.sum() >= stop_below:
        gain = hits @ left
        gain[apart[order].any(axis=0)] = 0.0
        best = int(np.argmax(gain / costs))
        if gain[best] <= 0.0 or gain[best] < least_gain:
            break
        order.append(best)
        left = np.where(hits[best], 0.0, left)
    return tuple(order)
