"""Blunders: found one at a time, removed only where they can be located, never in silence."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import MATTERS_P, at_least, largest
from .adjust import CRITICAL_W, INSEPARABLE, Reliability, Solution, assess, settled
from .network import Network, compile_equations, evaluate, misclosures

MIRROR_CHI_SQUARE = 4.0  # two solutions this close are not told apart (judgment)


def _always(_: Array) -> int:
    """Find nothing against a solution."""
    return 0


@dataclass(frozen=True, slots=True)
class Removal:
    """One observation taken out: its index, its w before, and chi-square before and after."""

    index: int
    w: float
    chi_square_before: float
    chi_square_after: float


@dataclass(frozen=True, slots=True)
class Cleaned:
    """A network after its blunders: the last solution and what was done to get there.

    ``suspects`` are the indices of observations one of which is wrong while nothing tells
    which. ``kept`` maps the rows of the solution to the network's observations.
    """

    solutions: tuple[Solution, ...]
    reliability: Reliability
    kept: tuple[int, ...]
    removals: tuple[Removal, ...]
    suspects: tuple[int, ...]
    chi_square_first: float

    @property
    def solution(self) -> Solution:
        """The best solution."""
        return self.solutions[0]


def inseparable_rows(reliability: Reliability, row: int) -> list[int]:
    """Return the rows whose blunder is inseparable from this one's: |ρ| > 0.95.

    Parameters
    ----------
    reliability
        Redundancy numbers, w statistics and correlations of the observations.
    row
        Index of the observation.

    Returns
    -------
    list[int]
        Indices of the other observations.
    """
    close = np.abs(reliability.correlation[row]) > INSEPARABLE
    close[row] = False
    return [int(i) for i in np.flatnonzero(close)]


def rival_rows(reliability: Reliability, row: int) -> list[int]:
    """Return the rows that explain a blunder about as well as this one does.

    Those inseparable from it (|ρ| > 0.95), and those that happen not to be: |w|
    beyond 3.29, |ρ| > 0.5, and w² (the fall in chi-square if it were left out) within 4 of
    this one's. The latter bounds are judgment, no source: 4 is a likelihood ratio of 7.

    Parameters
    ----------
    reliability
        Redundancy numbers, w statistics and correlations of the observations.
    row
        Index of the observation.

    Returns
    -------
    list[int]
        Indices of the other observations.
    """
    w = reliability.w
    close = (np.abs(w) > CRITICAL_W) & (np.abs(reliability.correlation[row]) > 0.5)
    # w² is what leaving the observation out takes off chi-square: a likelihood ratio of e² at 4
    close &= ~at_least(w[row] ** 2 - w**2, MIRROR_CHI_SQUARE)
    close[row] = False
    return sorted({*inseparable_rows(reliability, row), *(int(i) for i in np.flatnonzero(close))})


def clean_network(
    network: Network,
    solutions: Sequence[Solution],
    *,
    implausible: Callable[[Array], int] = _always,
) -> Cleaned:
    """Take out the single largest blunder that can be located, adjust again, and repeat.

    ``solutions`` are those of :func:`solve_network`, best first. An observation goes when its
    |w| > 3.29 is the largest, no other observation explains it as well (:func:`rival_rows`),
    and one degree of freedom would be left to check the rest.
    Otherwise the blunder is detected, not located: the suspects are named and all is kept.
    ``implausible`` counts what is evidence against a solution besides the measurements; it chooses
    between solutions whose chi-square is within 4.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    solutions
        Those of :func:`solve_network`, best first.
    implausible
        Counts what is evidence against a solution's unknowns besides the measurements.

    Returns
    -------
    Cleaned
        The network without what was taken out, and the suspects where none was.
    """
    without: frozenset[int] = frozenset()
    removals: list[Removal] = []
    starts = [solution.x for solution in solutions]
    solutions = _prefer(list(solutions), implausible)
    first = solutions[0].chi_square
    while True:
        kept = tuple(i for i in range(len(network.observations)) if i not in without)
        sds = np.array([network.observations[i].sd for i in kept])
        reliability = assess(solutions[0], sds)
        row = largest(np.abs(reliability.w), MATTERS_P) if kept else 0
        # data snooping after Baarda: one blunder at a time, the largest |w|, then all anew
        if not kept or abs(reliability.w[row]) <= CRITICAL_W:
            suspects: tuple[int, ...] = ()
            break
        rivals = rival_rows(reliability, row)
        # taken out with one degree of freedom left nothing would check the rest
        if rivals or len(kept) - network.size < 2:
            suspects = tuple(sorted({kept[row], *(kept[i] for i in rivals)}))
            break
        trial = without | {kept[row]}
        others = settled(network, starts, without=trial)
        if not others:  # without it nothing settles: detected, not located
            suspects = (kept[row],)
            break
        again = _prefer(others, implausible)
        removals.append(
            Removal(
                kept[row], float(reliability.w[row]), solutions[0].chi_square, again[0].chi_square
            )
        )
        without, solutions = trial, again
    return Cleaned(tuple(solutions), reliability, kept, tuple(removals), suspects, first)


def _prefer(solutions: list[Solution], implausible: Callable[[Array], int]) -> list[Solution]:
    """Put the most plausible of the solutions that fit about equally well first."""
    # mirror images of a two-tie fix: of those that fit alike the one that other knowledge bears out
    limit = solutions[0].chi_square + MIRROR_CHI_SQUARE
    close = [s for s in solutions if at_least(limit, s.chi_square)]
    if len(close) == 1:
        return solutions
    order = sorted(range(len(close)), key=lambda i: (implausible(close[i].x), i))
    return [close[i] for i in order] + solutions[len(close) :]


def predicted_against(network: Network, cleaned: Cleaned, index: int) -> tuple[float, float]:
    """Compare an observation with what all the others say: (observed − predicted, its sd).

    For one still in the adjustment ∇ = v/r with sd σ/√r; for one taken out the misclosure at
    the solution with sd √(σ² + a C aᵀ).

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    cleaned
        Adjusted network without the observations taken out.
    index
        Index of the observation.

    Returns
    -------
    difference
        Observed less predicted, m or rad.
    sd
        Its standard deviation.
    """
    item = network.observations[index]
    if index in cleaned.kept:
        row = cleaned.kept.index(index)
        redundancy = float(cleaned.reliability.redundancy[row])
        if redundancy <= 0.0:
            return 0.0, float("inf")
        residual = float(cleaned.solution.whitened[row]) * item.sd
        # a residual shows only the share r of its own error: v = r ∇
        return residual / redundancy, item.sd / float(np.sqrt(redundancy))
    equations = compile_equations([item], network.size)
    computed, jacobian = evaluate(equations, cleaned.solution.x)
    error = float(misclosures(equations, computed)[0])
    variance = float((jacobian @ cleaned.reliability.covariance @ jacobian.T)[0, 0])
    return error, float(np.sqrt(item.sd**2 + variance))


HUBER_THRESHOLD = 1.345  # sds; 95 % efficient on normal errors (Huber 1981, from memory)


def huber_fit(
    residuals: Callable[[Array], Array], derivatives: Callable[[Array], Array], start: Array
) -> Array:
    """Minimize the Huber loss of whitened residuals (m,) of unknowns (n,), from a start (n,).

    Parameters
    ----------
    residuals
        Whitened residuals (m,) at unknowns.
    derivatives
        Their derivatives (m, n) at unknowns.
    start
        Unknowns (n,) to begin at.

    Returns
    -------
    Array
        Unknowns (n,).
    """
    # start-up: needed only after a blunder, and dear to import
    from scipy import optimize  # noqa: PLC0415

    fitted = optimize.least_squares(
        residuals, start, derivatives, loss="huber", f_scale=HUBER_THRESHOLD, xtol=1e-12, gtol=1e-12
    )
    return np.asarray(fitted.x)


def huber_suspect(network: Network, start: Array) -> int:
    """Name the observation that a robust adjustment finds farthest off (cross-check only).

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    start
        Unknowns (size,) to begin at.

    Returns
    -------
    int
        Index of the observation.
    """
    equations = compile_equations(network.observations, network.size)

    def residuals(x: Array) -> Array:
        return misclosures(equations, evaluate(equations, x)[0]) / equations.sds

    def derivatives(x: Array) -> Array:
        return -evaluate(equations, x)[1] / equations.sds[:, None]

    return largest(np.abs(residuals(huber_fit(residuals, derivatives, start))), MATTERS_P)
