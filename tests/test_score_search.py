"""The order of digging and its expected cost."""

from __future__ import annotations

from itertools import permutations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from sitegis.score.search import plan_cost, plan_search, search_order

# Search among four places; values from the design's sourced check values.
P, C = np.array([0.4, 0.3, 0.2, 0.1]), np.array([5.0, 2.0, 1.0, 3.0])
APART = np.eye(5, dtype=bool)

places = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.1, 10.0)), min_size=1, max_size=5)


def test_worked_example() -> None:
    """Places 3, 2, 1, 4 at an expected 5.40; by probability alone 6.80."""
    order = search_order(APART[:4, :4], P, C)
    assert order == (2, 1, 0, 3)
    assert plan_cost(order, APART[:4, :4], P, C, 0.0) == pytest.approx(5.40, abs=1e-12)
    assert plan_cost((0, 1, 2, 3), APART[:4, :4], P, C, 0.0) == pytest.approx(6.80, abs=1e-12)


@settings(deadline=None, max_examples=50)
@given(places)
def test_no_other_order_is_cheaper(pairs: list[tuple[float, float]]) -> None:
    """Of places that share nothing no order costs less, by brute force over all of them."""
    p, c = np.array(pairs).T
    p, apart = p / p.sum(), APART[: len(pairs), : len(pairs)]
    cheapest = min(plan_cost(order, apart, p, c, 0.0) for order in permutations(range(p.size)))
    found = plan_cost(search_order(apart, p, c), apart, p, c, 0.0)
    assert found == pytest.approx(cheapest, rel=1e-9)


@settings(deadline=None, max_examples=50)
@given(places, st.floats(0.1, 40.0), st.floats(0.2, 1.0))
def test_no_other_plan_is_cheaper(
    pairs: list[tuple[float, float]], way_out: float, share: float
) -> None:
    """By brute force over all orders of all subsets, no plan with the way out costs less."""
    p, c = np.array(pairs).T
    p, apart = share * p / p.sum(), APART[: len(pairs), : len(pairs)]
    cheapest = min(
        plan_cost(chosen, apart, p, c, way_out)
        for count in range(p.size + 1)
        for chosen in permutations(range(p.size), count)
    )
    assert plan_search(apart, p, c, way_out).cost == pytest.approx(cheapest, rel=1e-9)


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.lists(st.booleans(), min_size=4, max_size=4), min_size=1, max_size=6),
    st.floats(0.5, 40.0),
)
def test_shared_ground_counts_once(rows: list[list[bool]], way_out: float) -> None:
    """Where pits share routes the plan's cost is that of walking it route by route."""
    hits, costs = np.array(rows), 1.0 + np.arange(len(rows))
    plan = plan_search(hits, P, costs, way_out)
    spent = 0.0
    for group, weight in enumerate(P):
        for i in plan.order:
            spent += weight * costs[i]
            if hits[i, group]:
                break
        else:
            spent += weight * way_out
    assert plan.cost == pytest.approx(spent, rel=1e-9)
    assert plan.cost <= way_out + 1e-12


def test_plan_cost_by_simulation() -> None:
    """The expected cost is the mean over 200 000 simulated searches (within 5 standard errors)."""
    p, c, way_out = np.array([0.5, 0.2, 0.1]), np.array([4.0, 1.0, 2.0]), 9.0
    plan = plan_search(APART[:3, :3], p, c, way_out)
    place = np.random.default_rng(2).choice(4, size=200_000, p=[*p, 0.2])
    spent = np.zeros(place.size)
    searching = np.ones(place.size, bool)
    for i in plan.order:
        spent[searching] += c[i]
        searching &= place != i
    spent[searching] += way_out
    standard_error = spent.std() / np.sqrt(spent.size)
    assert plan.cost == pytest.approx(spent.mean(), abs=5 * standard_error)


def test_free_digging_is_refused() -> None:
    """A cost of 0 has no place in the order."""
    with pytest.raises(ValueError, match="must be above 0"):
        search_order(APART[:2, :2], np.array([0.5, 0.5]), np.array([1.0, 0.0]))
