"""Costs of pits and of a search, against published and brute-force orders."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis._site import DigSettings
from sitegis.dig.costs import (
    expected_search_cost,
    greedy_order,
    pits_worth_digging,
    surface_rate,
)

seeds = st.integers(0, 10_000)


def cost_of(
    order: tuple[int, ...], hits: np.ndarray, weights: np.ndarray, costs: np.ndarray
) -> float:
    """Price a search in a given order by walking through it."""
    found = [
        float(weights[hits[list(order[: k + 1])].any(axis=0)].sum()) for k in range(len(order))
    ]
    return expected_search_cost([float(costs[i]) for i in order], found)


def test_search_order_of_the_published_example() -> None:
    """Blackwell's rule: p (.4 .3 .2 .1), c (5 2 1 3): order 3, 2, 1, 4 at 5.40, not 6.80."""
    p, costs = np.array([0.4, 0.3, 0.2, 0.1]), np.array([5.0, 2.0, 1.0, 3.0])

    order = greedy_order(np.eye(4, dtype=bool), p, costs, limit=4, stop_below=0, least_gain=0)

    assert [i + 1 for i in order] == [3, 2, 1, 4]
    assert cost_of(order, np.eye(4, dtype=bool), p, costs) == pytest.approx(5.40)
    assert cost_of((0, 1, 2, 3), np.eye(4, dtype=bool), p, costs) == pytest.approx(6.80)


@settings(deadline=None, max_examples=40)
@given(seeds)
def test_no_order_of_separate_pits_is_cheaper(seed: int) -> None:
    """Where no route crosses two pits, no permutation beats the greedy order."""
    generator = np.random.default_rng(seed)
    p, costs = generator.dirichlet(np.ones(5)), generator.uniform(1, 9, 5)
    hits = np.eye(5, dtype=bool)

    order = greedy_order(hits, p, costs, limit=5, stop_below=0, least_gain=0)

    best = min(cost_of(each, hits, p, costs) for each in permutations(range(5)))
    assert cost_of(order, hits, p, costs) == pytest.approx(best)


@settings(deadline=None, max_examples=40)
@given(seeds)
def test_greedy_is_within_four_of_the_best_where_pits_share_routes(seed: int) -> None:
    """Greedy costs at most 4 × the best order.

    Min-sum set cover: Feige, Lovász and Tetali 2004; with costs Munagala et al. 2005 (from memory).
    """
    generator = np.random.default_rng(seed)
    hits = generator.random((5, 30)) < 0.4
    hits[4] = True
    weights, costs = generator.dirichlet(np.ones(30)), generator.uniform(1, 5, 5)

    order = greedy_order(hits, weights, costs, limit=5, stop_below=1e-12, least_gain=0)

    best = min(cost_of(each, hits, weights, costs) for each in permutations(range(5)))
    assert best - 1e-9 <= cost_of(order, hits, weights, costs) <= 4 * best


def test_greedy_stops_when_little_is_left_or_to_gain() -> None:
    """The order ends below 2 % left, below 1 % gain, and at the limit."""
    hits, weights = np.eye(4, dtype=bool), np.array([0.6, 0.385, 0.009, 0.006])

    def order(**options: float) -> tuple[int, ...]:
        return greedy_order(hits, weights, np.ones(4), **options)  # type: ignore[arg-type]

    assert order(limit=4, stop_below=0.02, least_gain=0.0) == (0, 1)
    assert order(limit=4, stop_below=0.0, least_gain=0.01) == (0, 1)
    assert order(limit=1, stop_below=0.0, least_gain=0.0) == (0,)


def test_an_unknown_surface_takes_the_dearest_rate() -> None:
    """A surface without a rate is not cheaper than any known one."""
    assert surface_rate(DigSettings(), "granite setts") == 140.0
    assert surface_rate(DigSettings(), "lawn") == 15.0


def test_pits_in_each_others_way_are_not_both_dug() -> None:
    """Of two pits on the same ground only the better is dug; a third elsewhere follows."""
    hits = np.array([[1, 1, 0, 0], [1, 1, 1, 0], [0, 0, 0, 1]], bool)
    conflicts = np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]], bool)

    order = greedy_order(
        hits, np.full(4, 0.25), np.array([1.0, 1.6, 2.0]),
        limit=3, stop_below=0.0, least_gain=0.0, conflicts=conflicts,
    )  # fmt: skip

    assert order == (0, 2)


@given(
    st.lists(st.floats(0.01, 0.95), min_size=1, max_size=6),
    st.floats(10.0, 500.0),
    st.floats(100.0, 5000.0),
)
def test_no_other_number_of_pits_makes_the_search_cheaper(
    chances: list[float], cost: float, trench: float
) -> None:
    """Brute force over the pits in their order, each less likely to hit than the one before."""
    found = list(1.0 - np.cumprod(1.0 - np.sort(chances)[::-1]))
    costs = [cost] * len(found)

    def whole(count: int) -> float:
        digging = expected_search_cost(costs[:count], found[:count])
        return digging + (1.0 - found[count - 1]) * trench

    chosen = whole(pits_worth_digging(costs, found, trench))
    assert chosen <= min(map(whole, range(1, len(found) + 1))) + 1e-6
