"""The order of digging and its expected cost."""

from __future__ import annotations

from itertools import permutations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from sitegis.score.search import expected_cost, plan_cost, plan_search, search_order

# Search among four places; values from the design's sourced check values.
P, C = np.array([0.4, 0.3, 0.2, 0.1]), np.array([5.0, 2.0, 1.0, 3.0])

places = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.1, 10.0)), min_size=1, max_size=5)


def test_worked_example() -> None:
    """Places 3, 2, 1, 4 at an expected 5.40; by probability alone 6.80."""
    order = search_order(P, C)
    assert (order + 1).tolist() == [3, 2, 1, 4]
    assert expected_cost(order, P, C) == pytest.approx(5.40, abs=1e-12)
    assert expected_cost(np.argsort(-P), P, C) == pytest.approx(6.80, abs=1e-12)


@settings(deadline=None, max_examples=50)
@given(places)
def test_no_other_order_is_cheaper(pairs: list[tuple[float, float]]) -> None:
    """By brute force over all permutations, no order costs less."""
    p, c = np.array(pairs).T
    p = p / p.sum()
    cheapest = min(
        expected_cost(np.array(order, np.intp), p, c) for order in permutations(range(p.size))
    )
    assert expected_cost(search_order(p, c), p, c) == pytest.approx(cheapest, rel=1e-9)


@settings(deadline=None, max_examples=50)
@given(places, st.floats(0.1, 40.0), st.floats(0.2, 1.0))
def test_no_other_plan_is_cheaper(
    pairs: list[tuple[float, float]], way_out: float, share: float
) -> None:
    """By brute force over all orders of all subsets, no plan with the way out costs less."""
    p, c = np.array(pairs).T
    p = share * p / p.sum()
    cheapest = min(
        plan_cost(chosen, p, c, way_out)
        for count in range(p.size + 1)
        for chosen in permutations(range(p.size), count)
    )
    assert plan_search(p, c, way_out).cost == pytest.approx(cheapest, rel=1e-9)


def test_plan_cost_by_simulation() -> None:
    """The expected cost is the mean over 200 000 simulated searches (within 5 standard errors)."""
    p, c, way_out = np.array([0.5, 0.2, 0.1]), np.array([4.0, 1.0, 2.0]), 9.0
    plan = plan_search(p, c, way_out)
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
        search_order(np.array([0.5, 0.5]), np.array([1.0, 0.0]))
