"""A run on another one's pipe: closed forms of wye and crossing, and all ways runs can join."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from sitegis.branches import topology
from sitegis.branches.alternatives import Alternatives
from sitegis.branches.joining import (
    Reading,
    _pipe_inverts,
    _wye_alternatives,
    joints,
    total_evidence,
)
from sitegis.branches.pipes import Pipe
from sitegis.branches.topology import edge_prior, forests, weigh_forests
from sitegis.branches.weigh import Beyond, weigh
from sitegis.line.profile import SlopePrior
from sitegis.line.straights import Marks
from sitegis.model.results import ProfileComponent
from sitegis.model.site import Run
from sitegis.numerics.records import take_rows
from sitegis.numerics.statistics import log_sum

Array = np.ndarray
SLOPES = SlopePrior(np.ones(1), np.array([0.02]), np.array([0.01]))
FALL = (ProfileComponent(1.0, np.array([-0.6, 0.02]), np.diag([0.02**2, 0.003**2])),)


def marks_at(xy: Array, sd: float, counts: Array | None = None) -> Marks:
    """Return Gaussian marks of one sd, taped, each for itself."""
    n = len(xy)
    return Marks(
        np.asarray(xy, float),
        sd**2 * np.eye(2 * n),
        np.zeros((n, 2, 2)),
        np.full(n, np.nan) if counts is None else np.asarray(counts, float),
        np.full(n, 0.1),
        0.02,
        np.full(n, np.nan),
        np.zeros(n, bool),
        np.inf,
        np.zeros(n, bool),
        0.0,
    )


def reading(marks: Marks, **seen: object) -> Reading:
    n = len(marks.xy)
    nothing = np.full(n, np.nan)
    names = tuple(f"P{i}" for i in range(n))
    return replace(Reading(names, marks, nothing, nothing), **seen)  # type: ignore[arg-type]


def straight_pipe(covariance: Array) -> Pipe:
    """Return the pipe y = 0 that flows toward −x from x = 10, θ = π and c = 0."""
    return Pipe(
        np.array([[10.0, 0.0], [0.0, 0.0]]),
        np.array([0.0, 10.0]),
        np.array([np.pi]),
        covariance,
        10.0,
        FALL,
    )


def nothing_beyond(q: int) -> Beyond:
    none = np.zeros((0, 2))
    return Beyond(np.zeros(0), np.zeros(0), np.zeros((0, q)), none, none)


def of_fitting(
    alternatives: Alternatives, turn_deg: float, sd_rad: float, share: float = 1.0
) -> Alternatives:
    """Choose the ways of one fitting, known to an sd, its places even over the pipe."""
    turn = np.angle(np.exp(1j * (np.pi - alternatives.angles)))
    chosen = take_rows(alternatives, np.flatnonzero(np.isclose(turn, np.radians(turn_deg))))
    unknowns = chosen.unknowns.copy()
    unknowns[:, 3, 3] = sd_rad**2
    even = np.full(len(chosen.angles), np.log(share / len(chosen.angles)))
    return replace(chosen, unknowns=unknowns, log_prior=even)


@pytest.mark.parametrize(("turn_deg", "expected"), [(-45.0, -0.529691), (-90.0, -111.084598)])
def test_a_wye_on_a_known_trunk(turn_deg: float, expected: float) -> None:
    """Closed form: offsets c_i of marks along a direction a, wye at j ~ U(0, J) on y = 0.

    ln Z = −ln J − n/2 ln 2πs² − Σ(c − mean)²/2s² + ½ ln 2π + ln(s/(√n sin a)), worked out by
    hand for marks (5, 1) (5.9, 2.05) (7.1, 3), s = 0.10, J = 10; 45°: j = 3.983333 ± 0.081650.
    """
    marks = marks_at(np.array([[7.1, 3.0], [5.9, 2.05], [5.0, 1.0]]), 0.10)
    pipe = straight_pipe(1e-14 * np.eye(2))
    alternatives = _wye_alternatives(reading(marks), pipe)
    turns = np.angle(np.exp(1j * (np.pi - alternatives.angles)))
    side = turn_deg if np.any(np.isclose(turns, np.radians(turn_deg))) else -turn_deg
    best = max(
        (
            weigh(of_fitting(alternatives, s, 1e-9), marks, 3, nothing_beyond(8))
            for s in (side, -side)
        ),
        key=lambda found: float(found.log_weight.max()),
    )
    total = log_sum(best.log_weight.ravel())
    assert total == pytest.approx(expected, abs=0.02)
    if turn_deg == -45.0:
        weights = np.exp(best.log_weight - total).sum(axis=1)
        at = best.alternatives.stations + best.shift[:, 2]
        mean = weights @ at
        sd = np.sqrt(weights @ (best.spread[:, 2, 2] + (at - mean) ** 2))
        assert 10.0 - mean == pytest.approx(3.983333, abs=0.002)
        assert sd == pytest.approx(0.081650, rel=0.02)


def test_where_two_straight_runs_cross() -> None:
    """The wye's covariance against first-order propagation of two lines' crossing.

    Branch y-offsets along 45° known to s/√n, the trunk y = 0 shifted by e ~ N(0, σ²): the crossing
    lies at (j + e / tan a, e) with var j = s² / (n sin² a) (any text on error propagation).
    """
    sd, shift_sd = 0.10, 0.07
    marks = marks_at(np.array([[7.0, 3.0], [6.0, 2.0], [5.0, 1.0]]), sd)
    pipe = straight_pipe(np.diag([1e-14, shift_sd**2]))  # of θ and c; left of the flow is −y
    alternatives = _wye_alternatives(reading(marks), pipe)
    best = max(
        (
            weigh(of_fitting(alternatives, s, 1e-9), marks, 3, nothing_beyond(8))
            for s in (45.0, -45.0)
        ),
        key=lambda found: float(found.log_weight.max()),
    )
    weights = np.exp(best.log_weight - log_sum(best.log_weight.ravel())).sum(axis=1)
    means = best.alternatives.ends + np.einsum("mij,mj->mi", best.alternatives.end_rows, best.shift)
    inside = np.einsum(
        "mij,mjk,mlk->mil", best.alternatives.end_rows, best.spread, best.alternatives.end_rows
    )
    mean = weights @ means
    away = means - mean
    found = np.einsum("m,mij->ij", weights, inside) + np.einsum("m,mi,mj", weights, away, away)
    along = sd**2 / (3 * np.sin(np.radians(45.0)) ** 2)
    expected = np.array([[along + shift_sd**2, shift_sd**2], [shift_sd**2, shift_sd**2]])
    assert mean == pytest.approx([4.0, 0.0], abs=0.003)
    assert found == pytest.approx(expected, rel=0.02)


def test_a_constant_difference_says_one_pipe_and_a_drift_does_not() -> None:
    """Footage past the wye grows as the trunk's stations do; where it runs away, it speaks against.

    With a zero that is not known, only differences count: the same footage, moved, weighs alike.
    """
    xy = np.array([[9.0, 2.0], [8.0, 1.0], [6.0, 0.0], [4.0, 0.0], [2.0, 0.0]])
    along = np.array(
        [0.0, np.sqrt(2.0), np.sqrt(8.0) + 1.0, np.sqrt(8.0) + 3.0, np.sqrt(8.0) + 5.0]
    )
    pipe = straight_pipe(np.diag([1e-6, 1e-6]))
    right, moved, drifting = (
        total_evidence(joints(reading(marks_at(xy, 0.05, counts)), pipe, SLOPES))
        for counts in (along, along + 7.0, along * np.array([1, 1, 1, 1.3, 1.6]))
    )
    assert moved == pytest.approx(right, abs=0.2)  # the slack grows a little with the footage
    assert drifting < right - 10.0


def test_the_side_that_the_camera_saw_counts() -> None:
    """A side noted wrong once in ten: the odds of that reading are nine to one."""
    xy = np.array([[8.0, 2.0], [7.0, 1.0], [4.0, 0.0], [2.0, 0.0]])  # from the right: flow is −x
    pipe = straight_pipe(np.diag([1e-4, 1e-4]))
    with_side = {
        side: total_evidence(
            [one for one in joints(reading(marks_at(xy, 0.05), side=side), pipe, SLOPES) if one.own]
        )
        for side in ("left", "right")
    }
    assert with_side["right"] - with_side["left"] == pytest.approx(np.log(9.0), abs=0.05)


@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
def test_every_way_to_join_is_listed_once(number: int) -> None:
    """Cayley: (n + 1)^(n − 1) rooted forests."""
    listed = list(forests(number))
    assert len(listed) == (number + 1) ** (number - 1)
    assert len(set(listed)) == len(listed)


def test_the_weights_of_all_ways_sum_as_the_matrix_tree_theorem_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Σ over rooted forests of Π weights = det(roots + in-degree − edges) (Tutte, any text).

    So probabilities of single joints follow from determinants alone, by taking edges away. The
    theorem asks that a joint's weight is its own, so a joint on a branch counts as any other here.
    """
    monkeypatch.setattr(topology, "DEEPER", 1.0)
    generator = np.random.default_rng(3)
    n = 4
    runs = [Run(f"r{i}", "A") for i in range(n)]
    onto = generator.normal(0, 2, (n, n))
    alone = generator.normal(0, 2, n)
    edges = np.exp(onto) * (1.0 - topology.APART) / (n - 1)
    np.fill_diagonal(edges, 0.0)
    roots = np.exp(alone)
    listed, weights = weigh_forests(runs, alone, lambda i, j, _: float(onto[i, j]))
    # the prior asks z of every root past the first, so the generating function in z
    z = topology.APART

    def total(kept: Array) -> float:
        matrix = np.diag(z * roots + kept.sum(axis=1)) - kept
        return float(np.linalg.det(matrix)) / z

    for i, j in ((0, 1), (2, 3), (3, 0)):
        without = edges.copy()
        without[i, j] = 0.0
        expected = 1.0 - total(without) / total(edges)
        found = sum(w for joins, w in zip(listed, weights, strict=True) if joins[i] == j)
        assert found == pytest.approx(expected, rel=1e-9)


def test_a_run_joins_the_building_drain_rather_than_a_branch() -> None:
    """Three runs that all fit alike, against every forest's weight written out by hand.

    One root: stars (one other way to choose each root) against chains, 1 to 0.3 a deeper joint.
    """
    runs = [Run(name, "A") for name in "abc"]
    listed, weights = weigh_forests(runs, np.zeros(3), lambda i, j, k: 0.0)
    share = dict(zip(listed, weights, strict=True))
    star, chain = share[None, 0, 0], share[None, 0, 1]
    assert chain / star == pytest.approx(0.3)
    two, three = share[None, None, 0], share[None, None, None]
    assert two / star == pytest.approx(topology.APART / ((1.0 - topology.APART) / 2))
    assert three / two == pytest.approx(topology.APART / ((1.0 - topology.APART) / 2))
    whole = 3 * star + 6 * chain + 6 * two + three  # 16 forests of three runs
    assert whole == pytest.approx(1.0)


def test_storm_and_sanitary_join_rarely() -> None:
    """3 % beforehand; a noted joint is right nine times in ten."""
    runs = [Run("a", "A", system="sanitary"), Run("b", "B", system="storm")]
    apart, joined = edge_prior(runs, (None, None)), edge_prior(runs, (None, 0))
    assert joined - apart == pytest.approx(np.log(0.03 / 0.97))


def test_a_point_upstream_of_a_pipe_is_not_in_it() -> None:
    """The stations of a straight along x, by subtraction, past both of its ends too."""
    pipe = straight_pipe(np.diag([1e-4, 1e-4]))
    stations, across, _ = pipe.project(np.array([[11.5, 0.2], [7.0, -0.3], [-0.5, 0.0]]))
    assert stations == pytest.approx([-1.5, 3.0, 10.5])
    assert across == pytest.approx([-0.2, 0.3, 0.0])  # left of the flow is −y
    beside, before = (
        total_evidence(joints(reading(marks_at(np.array(xy), 0.05)), pipe, SLOPES))
        for xy in (((9.0, 1.5), (8.0, 0.5), (6.0, 0.0)), ((9.0, 1.5), (10.0, 0.5), (12.0, 0.0)))
    )
    assert before < beside - 10.0


def test_a_cable_only_goes_on() -> None:
    """Marks that come to the pipe, and the same places found in the other order, without footage.

    The other way round they lead away from the pipe, by 1.4 m a step: as a way to it they would
    lie 2 × 1.4 m in the wrong order, Φ((0.2 − 1.41) / 0.2)² (scipy).
    """
    pipe = straight_pipe(np.diag([1e-6, 1e-6]))
    xy = np.array([[8.0, 3.0], [7.0, 2.0], [6.0, 1.0]])
    toward, away = (
        total_evidence(joints(reading(marks_at(one, 0.05)), pipe, SLOPES)) for one in (xy, xy[::-1])
    )
    wrong = 2.0 * norm.logcdf((0.2 - np.sqrt(2.0)) / 0.2)
    assert away - toward < max(wrong, -15.0) + 2.0  # or a pipe that bends back and forth


def test_a_branch_may_bend_twice() -> None:
    """An offset of two 45s on the way to a 45° wye: both are found where they were drawn."""
    corners = np.array([[4.0, 0.0], [5.2, 1.2], [5.2, 2.7], [6.3, 3.8]])
    steps = [np.linspace(a, b, 5)[1:] for a, b in itertools.pairwise(corners)]
    xy = np.concatenate(steps)[::-1]
    pipe = straight_pipe(np.diag([1e-6, 1e-6]))
    (found,) = [
        one for one in joints(reading(marks_at(xy, 0.03)), pipe, SLOPES) if one.own == len(xy)
    ]
    assert found.weighed is not None
    best = int(np.argmax(found.weights.sum(axis=1)))
    alternative, shift = (
        take_rows(found.weighed.alternatives, np.array([best])),
        found.weighed.shift[best],
    )
    assert alternative.bend_at[0] + shift[[-4, -2]] == pytest.approx([np.sqrt(2.88), 1.5], abs=0.15)
    assert np.abs(np.degrees(alternative.bend_rad[0])) == pytest.approx([45.0, 45.0])
    assert np.degrees(alternative.bend_rad[0].sum()) == pytest.approx(0.0, abs=1e-9)


def test_inverts_of_one_pipe_move_together() -> None:
    """A run wholly in a pipe against scipy's multivariate normal with the pipe's covariance."""
    pipe, ahead = straight_pipe(np.diag([1e-6, 1e-6])), np.array([2.0, 5.0, 9.0])
    marks = marks_at(np.column_stack([10.0 - ahead, np.zeros(3)]), 0.05)
    level = np.column_stack([np.ones(3), 10.0 - ahead])
    mean, spread = level @ FALL[0].mean, level @ FALL[0].covariance @ level.T
    read = mean + np.array([0.010, 0.014, 0.012])
    own = reading(marks, inverts_m=read, invert_sds_m=np.full(3, 0.03))
    law = multivariate_normal(mean, spread + 0.03**2 * np.eye(3))
    assert _pipe_inverts(own, pipe, ahead) == pytest.approx(float(law.logpdf(read)), abs=1e-9)
