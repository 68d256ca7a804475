"""The order in which to dig: a search among places, one of which may hide the pipe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .._frames import Array


@dataclass(frozen=True, slots=True)
class SearchPlan:
    """Places in the order of digging; after the last one the sure way out is taken."""

    order: tuple[int, ...]
    cost: float


def search_order(probabilities: Array, costs: Array) -> NDArray[np.intp]:
    """Order places by probability over cost, the highest first (ties: as given).

    Least expected cost for exclusive places and perfect looks (Blackwell's rule; D. Assaf and
    S. Zamir, "Optimal sequential search", *Annals of Statistics* 13, 1985, from memory).
    Raises ``ValueError`` unless costs are positive.

    >>> search_order(np.array([0.4, 0.3, 0.2, 0.1]), np.array([5.0, 2.0, 1.0, 3.0])).tolist()
    [2, 1, 0, 3]
    """
    if np.any(np.asarray(costs) <= 0.0):
        raise ValueError("the cost of digging must be above 0")
    return np.argsort(-np.asarray(probabilities, float) / costs, kind="stable")


def expected_cost(order: NDArray[np.intp], probabilities: Array, costs: Array) -> float:
    """Give the expected cost of digging places in an order until the pipe is found.

    Σᵢ cᵢ · P(not found before i). What is in none of the places costs all of them.
    """
    p, c = np.asarray(probabilities, float)[order], np.asarray(costs, float)[order]
    before = np.concatenate([[0.0], np.cumsum(p)[:-1]])
    return float(np.sum(c * (1.0 - before)))


def plan_search(probabilities: Array, costs: Array, way_out: float) -> SearchPlan:
    """Plan the dig: places by probability over cost, cut where the way out is cheaper.

    ``way_out`` is the cost of following the pipe from the wall, which always finds it. The best
    plan digs the first k places of the order: if a dug place pays, so does every place with a
    better ratio before it. So the least over k of the expected cost is exact.
    """
    order = search_order(probabilities, costs)
    p, c = probabilities[order], costs[order]
    found = np.concatenate([[0.0], np.cumsum(p)])
    dug = np.concatenate([[0.0], np.cumsum(c * (1.0 - found[:-1]))])
    count = int(np.argmin(dug + (1.0 - found) * way_out))
    chosen = order[:count]
    return SearchPlan(tuple(chosen.tolist()), plan_cost(chosen, probabilities, costs, way_out))


def plan_cost(
    order: NDArray[np.intp] | tuple[int, ...], probabilities: Array, costs: Array, way_out: float
) -> float:
    """Give the expected cost of a plan under (perhaps other) probabilities."""
    index = np.asarray(order, np.intp)
    found = float(probabilities[index].sum())
    return expected_cost(index, probabilities, costs) + max(1.0 - found, 0.0) * way_out
