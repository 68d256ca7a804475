"""Rank defects: the measurement that is named is the best one by brute force."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from sitegis.messages.errors import ComputationError
from sitegis.place.adjust import Solution, solve_network
from sitegis.place.network import Network, Observation, compile_equations, evaluate
from sitegis.place.observability import (
    _candidates,
    _loose_parts,
    best_cures,
    require_observable,
    separating_measurement,
)
from sitegis.place.starts import starting_values

HELD = {"a": (0.0, 0.0), "b": (9.0, 0.0), "c": (9.0, 5.0)}


def swinging_room() -> Network:
    """Return a room hung on one held point, free to turn, with two marks."""
    nodes = {name: 2 * i for i, name in enumerate(HELD)} | {"p": 6, "q": 8}
    items = [
        Observation(f"{name}{axis}", "value", (nodes[name] + axis,), place[axis], 0.01)
        for name, place in HELD.items()
        for axis in (0, 1)
    ]
    for node, place in {"c": (0.0, 0.0), "p": (2.0, 1.0), "q": (0.5, 6.0)}.items():
        for kind, value in zip(("offset-x", "offset-y"), place, strict=True):
            items.append(Observation(f"{node} {kind}", kind, (nodes[node], 10), value, 0.01))  # type: ignore[arg-type]
    return Network(nodes, {"Laundry": 10}, 13, tuple(items))


def test_the_cure_leaves_the_smallest_largest_eigenvalue() -> None:
    """Inverting the information anew for every candidate gives no better one."""
    network = swinging_room()
    solution = solve_network(network, starting_values(network, np.array([4.0, 2.0])))[0]
    information = solution.design.T @ solution.design + np.eye(network.size) / 30.0**2

    def left(a: str, b: str) -> float:
        tape = Observation("", "distance", (network.nodes[a], network.nodes[b]), 1.0, 0.015)
        row = evaluate(compile_equations([tape], network.size), solution.x)[1] / 0.015
        return float(np.linalg.eigvalsh(np.linalg.inv(information + row.T @ row))[-1])

    ((start, end),) = best_cures(network, solution, 1)
    assert {start, end} & {"p", "q"}
    best = min(left(a, b) for a, b in product("pq", "abc"))
    assert left(start, end) == pytest.approx(best, rel=1e-3)


def test_a_room_that_can_swing_is_told_by_name() -> None:
    """The room, what is missing and one measurement are in the words."""
    network = swinging_room()
    solution = solve_network(network, starting_values(network, np.array([4.0, 2.0])))[0]
    with pytest.raises(ComputationError, match=r"'Laundry' is free to swing.*one more distance"):
        require_observable(network, solution)


def test_a_full_network_passes() -> None:
    """With the room's direction held nothing is raised."""
    base = swinging_room()
    held = Network(
        base.nodes,
        base.poses,
        base.size,
        (*base.observations, Observation("angle", "value", (12,), 0.1, 0.01)),
    )
    solution = solve_network(held, starting_values(held, np.zeros(2)))[0]
    require_observable(held, solution)
    assert solution.x[12] == pytest.approx(0.1)


def test_the_separating_measurement_goes_to_something_that_lies_still() -> None:
    """Of the still points the one with the largest difference is named."""
    first = {name: np.array(place) for name, place in HELD.items()} | {"p": np.array([3.0, 2.0])}
    second = first | {"p": np.array([3.0, -2.0])}
    assert separating_measurement(first, second, ["p"]) == pytest.approx(
        ("p", "c", abs(np.hypot(6, 3) - np.hypot(6, 7)))
    )


def test_distances_are_asked_for_between_what_two_meters_tell_apart() -> None:
    """Root of both variances under 2 m is held: every pair over it, but those taped already."""
    names = ("a", "b", "c", "d")
    taped = Observation("", "distance", (0, 6), 5.0, 0.01)
    network = Network({name: 2 * i for i, name in enumerate(names)}, {}, 8, (taped,))
    spreads = np.array([1.999, 1.0, 2.001, 30.0])
    shares = np.array([0.3, 0.7])
    covariance = np.diag((spreads[:, None] ** 2 * shares).ravel())
    found = {one.joins for one in _candidates(network, covariance)}
    assert found == {("c", "a"), ("c", "b"), ("d", "b")}
    all_loose = {one.joins for one in _candidates(network, 100.0 * covariance)}
    assert all_loose == {(a, b) for a, b in product(names, names) if a != b} - {
        ("a", "d"),
        ("d", "a"),
    }


def test_what_moves_along_either_axis_is_loose() -> None:
    """A point free in x alone or y alone, and a room free in one unknown, are each named."""
    network = Network({"a": 0, "b": 2, "c": 4, "origin": 6}, {"room": 6, "den": 9}, 12, ())
    for row, rooms, points in (
        (0, [], ["a"]),
        (3, [], ["b"]),
        (8, ["room"], []),
        (6, ["room"], []),
        (10, ["den"], []),
    ):
        loose = np.full((12, 1), 1e-6)
        loose[row] = -0.7
        assert _loose_parts(network, loose) == (rooms, points)


def test_each_further_cure_is_the_best_one_after_those_before_it() -> None:
    """Two marks on no room and a room that swings: the information inverted anew each time."""
    network = swinging_room()
    nodes = dict(network.nodes) | {"r": network.size, "s": network.size + 2}
    network = Network(nodes, network.poses, network.size + 4, network.observations)
    x = np.concatenate(
        [
            solve_network(swinging_room(), starting_values(swinging_room(), np.array([4.0, 2.0])))[
                0
            ].x,
            [3.0, 3.4, 6.1, -1.2],
        ]
    )
    equations = compile_equations(network.observations, network.size)
    design = evaluate(equations, x)[1] / equations.sds[:, None]
    solution = Solution(x, 0.0, 1, converged=True, whitened=np.zeros(len(design)), design=design)
    information = design.T @ design + np.eye(network.size) / 30.0**2
    chosen = best_cures(network, solution, 4)
    assert len(chosen) == 4
    covariance = np.linalg.inv(information)
    spread = {n: np.trace(covariance[c : c + 2, c : c + 2]) for n, c in nodes.items()}
    held = [n for n in spread if spread[n] < 4.0]
    for start, end in chosen:
        left = {}
        for a in spread.keys() - set(held):
            for b in held:
                tape = Observation("", "distance", (nodes[a], nodes[b]), 1.0, 0.015)
                row = evaluate(compile_equations([tape], network.size), x)[1] / 0.015
                after = np.linalg.inv(information + row.T @ row)
                left[a, b] = (float(np.linalg.eigvalsh(after)[-1]), row)
        best = min(one[0] for one in left.values())
        assert left[start, end][0] == pytest.approx(best, rel=1e-3)
        row = left[start, end][1]
        information = information + row.T @ row
