"""The order in which to dig: a search among pits, each of which exposes some of the routes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import (
    at_least,
    in_steps,
    largest,
    ordered,
    relative_step,
    relative_steps,
    smallest,
)
from ..pits.exposure import Flags

MOST_IN_A_PLAN = 12
_LEAST_GAIN = 1e-9
CENT = 0.01  # step in which money decides


@dataclass(frozen=True, slots=True)
class SearchPlan:
    """Pits in the order of digging; after the last one the sure way out is taken."""

    order: tuple[int, ...]
    cost: float


def search_order(
    hits: Flags,
    weights: Array,
    costs: Array,
    *,
    most: int = MOST_IN_A_PLAN,
    least_gain: float = _LEAST_GAIN,
    least_left: float = 0.0,
    conflicts: Flags | None = None,
    after: Sequence[int] | Array | None = None,
) -> tuple[int, ...]:
    """Order pits by P(hit) over cost, dropping after each miss what it would have exposed.

    ``hits`` (b, g) tells which pit exposes which group of routes, ``weights`` (g,) sum to at most
    1. For pits that expose nothing in common that is Blackwell's rule, of least expected cost
    (D. Assaf and S. Zamir, "Optimal sequential search", *Annals of Statistics* 13, 1985, from
    memory); else it is greedy: a good order, not proven the best. Of two pits that stand in each
    other's way (``conflicts`` (b, b)) only one is dug; one that lengthens another comes after it
    (``after`` (b,): that one's index, or -1). Of equal ones the cheaper goes first, then the first
    in order. Ends at ``most`` pits, where no pit gains ``least_gain``, or where what is left
    weighs less than ``least_left``. Raises ``ValueError`` unless costs are positive.

    Parameters
    ----------
    hits
        Which pit (b,) exposes which group of routes (g,).
    weights
        Probability of each group (g,), at most 1 in all.
    costs
        Cost of each pit (b,).
    most
        Most pits.
    least_gain
        Least probability that a pit must add.
    least_left
        The order ends where less than this is left.
    conflicts
        Which two pits (b, b) exclude each other, None for none.
    after
        Index of the pit that each lengthens (b,), −1 for none; None for none at all.

    Returns
    -------
    tuple[int, ...]
        Pits by index, as they are dug.

    Raises
    ------
    ValueError
        A cost is not positive.

    Examples
    --------
    >>> apart = np.eye(4, dtype=bool)
    >>> search_order(apart, np.array([0.4, 0.3, 0.2, 0.1]), np.array([5.0, 2.0, 1.0, 3.0]))
    (2, 1, 0, 3)
    """
    if np.any(np.asarray(costs) <= 0.0):
        raise ValueError("the cost of digging must be above 0")
    # whole cents, as the second key
    exposes, cents = np.asarray(hits, float), in_steps(costs, CENT)
    free, left = np.ones(len(costs)), np.array(weights, float)
    needed = np.full(len(costs), -1) if after is None else np.array(after)
    # a pit that lengthens another waits until that one is dug
    ready = needed < 0
    order: list[int] = []
    while len(costs) and len(order) < most:
        if least_left > 0.0 and not at_least(left.sum(), least_left):
            break
        # what each pit would expose of the routes that all before it missed
        gain = (exposes @ left) * free * ready
        ratio = gain / costs
        best = largest(ratio, relative_step(ratio), cents)
        if gain[best] <= 0.0 or not at_least(gain[best], least_gain, _LEAST_GAIN):
            break
        order.append(best)
        # the imagined miss: these routes are out
        left[hits[best]] = 0.0
        free[best] = 0.0
        ready |= needed == best
        if conflicts is not None:
            # what stands in the way of a dug pit cannot be dug any more
            free[conflicts[best]] = 0.0
    return tuple(order)


def look_ahead(
    hits: Flags,
    weights: Array,
    costs: Array,
    way_out: float,
    order: tuple[int, ...],
    *,
    conflicts: Flags | None = None,
    after: Sequence[int] | Array | None = None,
) -> tuple[int, ...]:
    """Return the cheapest order of those that begin with any two pits and go on greedily.

    Parameters as of :func:`search_order`, whose ``order`` is kept unless another saves a cent; as
    many are dug at most. Greedy loses where pits overlap, or where one is cheap
    but poor: two holes ahead see most of that. Two that cannot be cheaper, whatever is dug after
    them, are not followed up.

    Parameters
    ----------
    hits
        Which pit (b,) exposes which group of routes (g,).
    weights
        Probability of each group (g,), at most 1 in all.
    costs
        Cost of each pit (b,).
    way_out
        Cost of following the pipe from the wall, which always finds it.
    order
        The greedy order.
    conflicts
        Which two pits (b, b) exclude each other, None for none.
    after
        Index of the pit that each lengthens (b,), −1 for none; None for none at all.

    Returns
    -------
    tuple[int, ...]
        Pits by index, as they are dug.

    Examples
    --------
    >>> pits = np.array([[0, 1, 1, 1, 0, 0], [0, 1, 0, 1, 0, 1], [1, 1, 0, 1, 0, 0],
    ...                  [0, 0, 1, 1, 1, 0]], dtype=bool)
    >>> even, ones = np.full(6, 1 / 6), np.ones(4)
    >>> greedy = search_order(pits, even, ones)
    >>> ahead = look_ahead(pits, even, ones, 9.0, greedy)
    >>> [round(plan_cost(one, pits, even, ones, 9.0), 3) for one in (greedy, ahead)]
    [2.0, 1.667]
    """
    apart = np.eye(len(costs), dtype=bool) if conflicts is None else conflicts
    needed = np.full(len(costs), -1) if after is None else np.array(after)
    spent = np.asarray(costs, float)

    def price(one: tuple[int, ...]) -> float:
        missed = still_hidden(one, hits, weights)
        return cut_search(spent[list(one)], missed, way_out)[1]

    best, cheapest = order, price(order)
    # a second one may lengthen the first, and no other
    barred = (
        apart
        | (needed >= 0)[:, None]
        | (needed[None] >= 0) & (needed[None] != np.arange(len(costs))[:, None])
    )
    # branch and bound: pairs in the order of their lower bounds, until one cannot be cheaper
    bound = np.where(barred, np.inf, _least_cost(hits, weights, spent, way_out))
    for pair in np.argsort(in_steps(bound, CENT), axis=None, kind="stable"):
        if not at_least(cheapest - bound.flat[pair], CENT):
            break
        first, second = divmod(int(pair), len(spent))
        blocked = apart[first] | apart[second]
        # greedy from the third on, on what the two leave
        rest = search_order(
            hits & ~blocked[:, None],
            np.where(hits[first] | hits[second], 0.0, weights),
            costs,
            most=max(len(order) - 2, 0),
            conflicts=conflicts,
            after=np.where(np.isin(needed, [first, second]), -1, needed),
        )
        tried = (first, second, *rest)
        cost = price(tried)
        if at_least(cheapest - cost, CENT):
            best, cheapest = tried, cost
    return best


def _least_cost(hits: Flags, weights: Array, costs: Array, way_out: float) -> Array:
    """Return what a search that begins with any two pits costs at least (b, b).

    The way out after none, one or two of them, or a third pit that finds whatever is left.
    """
    seen = hits * np.asarray(weights, float)
    # P(the pipe is not seen from pit a)
    alone = 1.0 - seen.sum(axis=1)
    # P(neither) = 1 − P(a) − P(b) + P(both), inclusion and exclusion
    neither = np.maximum(alone[:, None] + alone - 1.0 + seen @ hits.T, 0.0)
    # whatever comes third costs at least the cheapest pit, once
    third = min(way_out, float(costs.min(initial=way_out)))
    two = costs[:, None] + alone[:, None] * costs + neither * third
    one = costs + alone * way_out
    return np.asarray(np.minimum(np.minimum(two, one[:, None]), way_out))


def plan_searches(
    hits: Flags, weights: Array, costs: Array, way_out: float
) -> tuple[SearchPlan, ...]:
    """Plan the dig under each of several weights: pits in their order, cut where that is cheaper.

    The order is that of :func:`search_order`, of many searches at once. ``way_out`` is the cost of
    following the pipe from the wall, which always finds it.

    Parameters
    ----------
    hits
        Which pit (b,) exposes which group of routes (g,).
    weights
        Probability of each group in each search (s, g), at most 1 in all.
    costs
        Cost of each pit (b,).
    way_out
        Cost of following the pipe from the wall, which always finds it.

    Returns
    -------
    tuple[SearchPlan, ...]
        Of each search the order, where it ends, and its expected cost.
    """
    costs = np.asarray(costs, float)
    plans = []
    for order, weighed in zip(_search_orders(hits, weights, costs), weights, strict=True):
        missed = still_hidden(order, hits, weighed)
        count, cost = cut_search(costs[list(order)], missed, way_out)
        plans.append(SearchPlan(order[:count], cost))
    return tuple(plans)


def _search_orders(hits: Flags, weights: Array, costs: Array) -> list[tuple[int, ...]]:
    """Return the order of pits under each of several weights (s, g), as :func:`search_order`."""
    # the cheaper first, then the first in order: of equal ones the first one goes
    pits = ordered(costs, CENT)
    hits, costs = hits[pits], costs[pits]
    exposes, left = hits.astype(float), np.array(weights, float)
    free = np.ones((len(left), len(pits)))
    orders: list[list[int]] = [[] for _ in left]
    going = np.arange(len(left))
    for _ in range(min(MOST_IN_A_PLAN, len(pits))):
        gain = (left[going] @ exposes.T) * free[going]
        ratio = gain / costs
        best = np.argmax(in_steps(ratio, relative_steps(ratio)), axis=1)
        gained = gain[np.arange(going.size), best]
        on = (gained > 0.0) & at_least(gained, _LEAST_GAIN, _LEAST_GAIN)
        going, best = going[on], best[on]
        # the imagined miss: these routes are out
        left[going] = np.where(hits[best], 0.0, left[going])
        free[going, best] = 0.0
        for search, pit in zip(going.tolist(), pits[best].tolist(), strict=True):
            orders[search].append(pit)
    return [tuple(order) for order in orders]


def cut_search(costs: Array, missed: Array, way_out: float, *, least: int = 0) -> tuple[int, float]:
    """Say how many pits (k,) to dig, in their order, before the way out, and at what cost.

    Σᵢ cᵢ · P(missed before i) + P(missed by all dug) · way out; ``missed`` (k + 1,) begins with 1.
    For pits that expose nothing in common the least over all cuts of the order is exact: if a
    dug pit pays, so does every pit with a better ratio before it. At least ``least`` are dug.

    Parameters
    ----------
    costs
        Cost of each pit in their order (k,).
    missed
        Probability that all before it missed (k + 1,), 1 first.
    way_out
        Cost of following the pipe from the wall, which always finds it.
    least
        Least number of pits.

    Returns
    -------
    count
        Pits to dig.
    cost
        Expected cost.

    Examples
    --------
    >>> cut_search(np.ones(3), np.array([1.0, 0.4, 0.1, 0.09]), 8.0)
    (2, 2.2)
    """
    # a pit is paid for only where all before it missed
    dug = np.concatenate([[0.0], np.cumsum(costs * missed[:-1])])
    total = dug + missed * way_out
    count = least + smallest(total[least:], 1e-6)
    return count, float(total[count])


def plan_cost(
    order: tuple[int, ...], hits: Flags, weights: Array, costs: Array, way_out: float
) -> float:
    """Return the expected cost of a plan under (perhaps other) weights: Σᵢ cᵢ · P(missed before i).

    What no pit exposes costs all of them and the way out.

    Parameters
    ----------
    order
        Pits by index, as they are dug.
    hits
        Which pit (b,) exposes which group of routes (g,).
    weights
        Probability of each group (g,), at most 1 in all.
    costs
        Cost of each pit (b,).
    way_out
        Cost of following the pipe from the wall, which always finds it.

    Returns
    -------
    float
        Expected cost.
    """
    missed = still_hidden(order, hits, weights)
    return float(np.asarray(costs, float)[list(order)] @ missed[:-1] + missed[-1] * way_out)


def still_hidden(order: tuple[int, ...], hits: Flags, weights: Array) -> Array:
    """Return the probability that the pipe is still hidden before each pit and after the last.

    Parameters
    ----------
    order
        Pits by index, as they are dug (k).
    hits
        Which pit (b,) exposes which group of routes (g,).
    weights
        Probability of each group (g,), at most 1 in all.

    Returns
    -------
    Array
        Probabilities (k + 1,), 1 first.
    """
    chosen = hits[list(order)].reshape(len(order), hits.shape[1])
    # seen by at least one of the first i pits
    seen = np.logical_or.accumulate(chosen, axis=0)
    return np.maximum(1.0 - np.concatenate([[0.0], seen @ np.asarray(weights, float)]), 0.0)
