"""The order of digging and its expected cost."""

from __future__ import annotations

from itertools import permutations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings

from sitegis.score.search import (
    _least_cost,
    cut_search,
    look_ahead,
    plan_cost,
    plan_searches,
    search_order,
)

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
    assert plan_searches(apart, p[None], c, way_out)[0].cost == pytest.approx(cheapest, rel=1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_a_pit_is_made_longer_only_once_it_is_dug(seed: int) -> None:
    """Two pits and two lengthenings of the first: the cheapest of all orders that dig it first.

    Brute force over every order of all four; what is gained falls from the pit to its lengthening.
    """
    generator = np.random.default_rng(seed)
    p = np.sort(generator.dirichlet(np.ones(4)))[::-1]
    after = [-1, -1, 0, 2]
    hits, c = np.eye(4, dtype=bool), np.array([1.0, 1.3, 1.0, 1.0])

    def allowed(order: tuple[int, ...]) -> bool:
        return all(after[one] < 0 or after[one] in order[:k] for k, one in enumerate(order))

    orders = [one for one in permutations(range(4)) if allowed(one)]
    greedy = search_order(hits, p, c, after=after)
    ahead = look_ahead(hits, p, c, 6.0, greedy, after=after)

    assert allowed(greedy)
    assert allowed(ahead)
    least = min(plan_cost(order, hits, p, c, 0.0) for order in orders)
    assert plan_cost(greedy, hits, p, c, 0.0) == pytest.approx(least)


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.lists(st.booleans(), min_size=4, max_size=4), min_size=1, max_size=6),
    st.floats(0.5, 40.0),
)
def test_shared_ground_counts_once(rows: list[list[bool]], way_out: float) -> None:
    """Where pits share routes the plan's cost is that of walking it route by route."""
    hits, costs = np.array(rows), 1.0 + np.arange(len(rows))
    plan = plan_searches(hits, P[None], costs, way_out)[0]
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
    plan = plan_searches(APART[:3, :3], p[None], c, way_out)[0]
    place = np.random.default_rng(2).choice(4, size=200_000, p=[*p, 0.2])
    spent = np.zeros(place.size)
    searching = np.ones(place.size, bool)
    for i in plan.order:
        spent[searching] += c[i]
        searching &= place != i
    spent[searching] += way_out
    standard_error = spent.std() / np.sqrt(spent.size)
    assert plan.cost == pytest.approx(spent.mean(), abs=5 * standard_error)


@pytest.mark.parametrize("seed", range(4))
def test_no_search_costs_less_than_its_bound(seed: int) -> None:
    """By brute force over every order of four pits, one by one or with the way out after any.

    Where two pits show every route the bound is what they cost.
    """
    random = np.random.default_rng(seed)
    hits, costs = random.random((4, 6)) < 0.5, random.uniform(1.0, 3.0, 4)
    hits[1] = ~hits[0]
    weights, way_out = random.dirichlet(np.ones(6)), 9.0
    bound = _least_cost(hits, weights, costs, way_out)
    for order in permutations(range(4)):
        for dug in range(2, 5):
            cost = plan_cost(order[:dug], hits, weights, costs, way_out)
            assert cost >= bound[order[0], order[1]] - 1e-9
    both = plan_cost((0, 1), hits, weights, costs, way_out)
    assert bound[0, 1] == pytest.approx(both)


def test_free_digging_is_refused() -> None:
    """A cost of 0 has no place in the order."""
    with pytest.raises(ValueError, match="must be above 0"):
        search_order(APART[:2, :2], np.array([0.5, 0.5]), np.array([1.0, 0.0]))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000))
def test_greedy_is_within_four_of_the_best_where_pits_share_routes(seed: int) -> None:
    """Greedy costs at most 4 × the best order.

    Min-sum set cover: Feige, Lovász and Tetali 2004; with costs Munagala et al. 2005 (from memory).
    """
    generator = np.random.default_rng(seed)
    hits = generator.random((5, 30)) < 0.4
    hits[4] = True
    weights, costs = generator.dirichlet(np.ones(30)), generator.uniform(1, 5, 5)

    order = search_order(hits, weights, costs, least_left=1e-12, least_gain=0.0)

    best = min(plan_cost(each, hits, weights, costs, 0.0) for each in permutations(range(5)))
    assert best - 1e-9 <= plan_cost(order, hits, weights, costs, 0.0) <= 4 * best


def test_greedy_stops_when_little_is_left_or_to_gain() -> None:
    """The order ends below 2 % left, below 1 % gain, and at the limit."""
    hits, weights = np.eye(4, dtype=bool), np.array([0.6, 0.385, 0.009, 0.006])

    def order(**options: float) -> tuple[int, ...]:
        return search_order(hits, weights, np.ones(4), **options)  # type: ignore[arg-type]

    assert order(most=4, least_left=0.02, least_gain=0.0) == (0, 1)
    assert order(most=4, least_left=0.0, least_gain=0.01) == (0, 1)
    assert order(most=1, least_left=0.0, least_gain=0.0) == (0,)


def test_pits_in_each_others_way_are_not_both_dug() -> None:
    """Of two pits on the same ground only the better is dug; a third elsewhere follows."""
    hits = np.array([[1, 1, 0, 0], [1, 1, 1, 0], [0, 0, 0, 1]], bool)
    conflicts = np.array([[1, 1, 0], [1, 1, 0], [0, 0, 1]], bool)

    order = search_order(
        hits,
        np.full(4, 0.25),
        np.array([1.0, 1.6, 2.0]),
        most=3,
        least_left=0.0,
        least_gain=0.0,
        conflicts=conflicts,
    )

    assert order == (0, 2)


@given(
    st.lists(st.floats(0.01, 0.95), min_size=1, max_size=6),
    st.lists(st.floats(10.0, 500.0), min_size=6, max_size=6),
    st.floats(100.0, 5000.0),
)
def test_no_other_number_of_pits_makes_the_search_cheaper(
    chances: list[float], costs: list[float], trench: float
) -> None:
    """Walked through pit by pit, no other cut of the order costs less."""
    missed = np.concatenate([[1.0], np.cumprod(1.0 - np.array(chances))])

    def whole(count: int) -> float:
        return sum(costs[k] * missed[k] for k in range(count)) + missed[count] * trench

    for least in (0, 1):
        count, cost = cut_search(np.array(costs[: len(chances)]), missed, trench, least=least)
        assert count >= least
        assert cost == pytest.approx(whole(count))
        assert cost <= min(whole(k) for k in range(least, len(chances) + 1)) + 1e-6


def test_a_chance_too_small_for_a_step_ends_the_search() -> None:
    """Weights at the least that a float holds: no pit gains anything, nothing is divided by 0."""
    hits = np.ones((2, 1), dtype=bool)
    assert search_order(hits, np.array([5e-324]), np.array([900.0, 800.0])) == ()


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.lists(st.booleans(), min_size=6, max_size=6), min_size=3, max_size=3),
    st.lists(st.floats(1.0, 9.0), min_size=3, max_size=3),
    st.floats(5.0, 60.0),
    st.booleans(),
)
def test_two_holes_ahead_is_the_best_order_of_three(
    rows: list[list[bool]], costs: list[float], way_out: float, barred: bool
) -> None:
    """Any two first and one more are all orders of three pits: brute force finds none better.

    Where the first two may not both be dug, of those without both.
    """
    hits, cost, even = np.array(rows), np.array(costs), np.full(6, 1 / 6)
    conflicts = np.eye(3, dtype=bool)
    conflicts[0, 1] = conflicts[1, 0] = barred
    greedy = search_order(hits, even, cost, conflicts=conflicts)
    order = look_ahead(hits, even, cost, way_out, greedy, conflicts=conflicts)

    def spent(chosen: tuple[int, ...]) -> float:
        total = 0.0
        for group in range(6):
            for i in chosen:
                total += cost[i] / 6
                if hits[i, group]:
                    break
            else:
                total += way_out / 6
        return total

    def cut(chosen: tuple[int, ...]) -> float:
        return min(spent(chosen[:count]) for count in range(len(chosen) + 1))

    lawful = [
        chosen
        for count in range(len(greedy) + 1)
        for chosen in permutations(range(3), count)
        if not (barred and {0, 1} <= set(chosen))
    ]
    assert not (barred and {0, 1} <= set(order))
    assert cut(order) <= min(cut(chosen) for chosen in lawful) + 0.02
    assert cut(order) <= cut(greedy) + 1e-9


def test_searches_planned_at_once_are_those_planned_one_by_one() -> None:
    """Drawn pits, some alike in all but their place, against ``search_order`` for each weights."""
    generator = np.random.default_rng(7)
    for case in range(60):
        pits, groups, searches = generator.integers(1, (30, 40, 6))
        hits = generator.random((pits, groups)) < 0.5 * generator.random()
        costs = np.maximum(np.round(generator.uniform(100.0, 900.0, pits), -1), 1.0)
        if case % 3 == 0:
            hits[pits // 2 :], costs[:] = hits[: pits - pits // 2], costs[0]
        weights = generator.random((searches, groups)) ** 4
        weights /= weights.sum(axis=1, keepdims=True)
        for one, plan in zip(weights, plan_searches(hits, weights, costs, 5e3), strict=True):
            order = search_order(hits, one, costs)
            assert plan.order == order[: len(plan.order)]
            assert plan.cost == pytest.approx(plan_cost(plan.order, hits, one, costs, 5e3))


def test_the_bound_of_a_search_is_that_of_every_draw_of_a_route() -> None:
    """One pit or two, then the way out or the cheapest pit: the mean over the routes by hand."""
    generator = np.random.default_rng(11)
    hits, costs = generator.random((5, 9)) < 0.4, generator.uniform(1.0, 3.0, 5)
    weights = generator.dirichlet(np.ones(9))
    for way_out in (1.2, 2.4, 30.0):
        bound = _least_cost(hits, weights, costs, way_out)
        for i, j in permutations(range(5), 2):
            rest = min(way_out, costs.min())
            one = two = 0.0
            for route, weight in enumerate(weights):
                one += weight * (costs[i] + (0.0 if hits[i, route] else way_out))
                after = 0.0 if hits[j, route] else rest
                two += weight * (costs[i] + (0.0 if hits[i, route] else costs[j] + after))
            assert bound[i, j] == pytest.approx(min(one, two, way_out))
