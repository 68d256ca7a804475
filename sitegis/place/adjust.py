"""Weighted least squares over a network: Gauss–Newton, covariance and reliability."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..messages.errors import ComputationError
from ..numerics.ordering import MATTERS_P, in_steps
from .network import Equations, Network, Observation, compile_equations, evaluate, misclosures

CRITICAL_W = 3.29  # two-sided 0.1 % of the normal distribution
NONCENTRALITY = 4.13  # δ0 for 0.1 % and a power of 80 %
# |ρ| past which a blunder in one observation looks like one in the other; judgment, no source
INSEPARABLE = 0.95
# of the largest singular value, columns at one length: well
# above rounding, well below any real tie
_RANK_TOLERANCE = 1e-8
# below this r is rounding of 0: v/√r would be noise over noise
_NO_REDUNDANCY = 1e-7


@dataclass(frozen=True, slots=True)
class Solution:
    """Where Gauss–Newton ended: unknowns, chi-square, whitened residuals and derivatives."""

    x: Array
    chi_square: float
    iterations: int
    converged: bool
    whitened: Array
    design: Array


@dataclass(frozen=True, slots=True)
class Reliability:
    """Covariance of the unknowns and the quality of each observation.

    ``redundancy`` (k,) sums to the degrees of freedom; ``w`` (k,) is the residual over its
    standard deviation (0 where nothing checks it); ``correlation`` (k, k) of the w statistics.
    """

    covariance: Array
    redundancy: Array
    w: Array
    detectable: Array
    correlation: Array


def gauss_newton(equations: Equations, start: Array, *, most: int = 200) -> Solution:
    """Find the least-squares optimum near a start (n,), unknowns in meters and radians.

    x ← x + (AᵀA)⁺Aᵀv with A and v divided by the standard deviations; a step that does not
    lower vᵀv is halved. Directions nothing holds are left where they are (pseudo-inverse).

    Parameters
    ----------
    equations
        Observations sorted by kind, k of them.
    start
        Unknowns (n,) to begin at.
    most
        Most steps.

    Returns
    -------
    Solution
        The optimum, converged or not.
    """
    x = np.array(start, dtype=float)
    residual, design = _whitened(equations, x)
    chi_square = float(residual @ residual)
    for iteration in range(1, most + 1):
        # least squares by orthogonal factors, not normal equations: those would square the
        # condition; what nothing holds gets the step 0
        step = np.linalg.lstsq(design, residual, rcond=1e-12)[0]
        # the model is not linear: a full step may overshoot, so that it is halved until it helps
        for _ in range(12):
            trial = x + step
            trial_residual, trial_design = _whitened(equations, trial)
            trial_chi = float(trial_residual @ trial_residual)
            # chi-square near its optimum moves by rounding alone: that is no step uphill
            if trial_chi <= chi_square + 1e-12:
                break
            step = step / 2.0
        else:
            return Solution(x, chi_square, iteration, True, residual, design)
        gain = chi_square - trial_chi
        x, residual, design, chi_square = trial, trial_residual, trial_design, trial_chi
        # a nanometer, or no gain left and steps of 0.1 µm: past that only rounding moves
        if float(np.max(np.abs(step), initial=0.0)) < 1e-9 or (
            gain < 1e-12 and float(np.max(np.abs(step), initial=0.0)) < 1e-7
        ):
            return Solution(x, chi_square, iteration, True, residual, design)
    return Solution(x, chi_square, most, False, residual, design)


def _whitened(equations: Equations, x: Array) -> tuple[Array, Array]:
    """Return residuals (observed − computed) and derivatives over the standard deviations."""
    computed, jacobian = evaluate(equations, x)
    return misclosures(equations, computed) / equations.sds, jacobian / equations.sds[:, None]


def solve_network(
    network: Network, starts: Sequence[Array], *, without: frozenset[int] = frozenset()
) -> list[Solution]:
    """Solve from every start, leaving observations out by index; best chi-square first.

    Raises ``ComputationError`` where no start converges.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    starts
        Unknowns (size,) to begin at.
    without
        Indices of the observations left out.

    Returns
    -------
    list[Solution]
        Solutions, the least chi-square first.

    Raises
    ------
    ComputationError
        No start converges.
    """
    good = settled(network, starts, without=without)
    if not good:
        raise ComputationError(
            fault_of("adjustment-does-not-settle", "locates.csv", None, "x, y", "")
        )
    return good


def settled(
    network: Network, starts: Sequence[Array], *, without: frozenset[int] = frozenset()
) -> list[Solution]:
    """Solve as :func:`solve_network`, but for a trial: none where no start converges.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    starts
        Unknowns (size,) to begin at.
    without
        Indices of the observations left out.

    Returns
    -------
    list[Solution]
        Solutions that converge, the least chi-square first.
    """
    kept = kept_observations(network, without)
    equations = compile_equations(kept, network.size)
    solved = [gauss_newton(equations, start) for start in starts]
    # of solutions that fit alike the one of the earlier start
    return sorted(
        (s for s in solved if s.converged), key=lambda s: float(in_steps(s.chi_square, MATTERS_P))
    )


def kept_observations(network: Network, without: frozenset[int]) -> tuple[Observation, ...]:
    """Return the observations that are not left out.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    without
        Indices of the observations left out.

    Returns
    -------
    tuple[Observation, ...]
        The others, in their order.
    """
    return tuple(item for i, item in enumerate(network.observations) if i not in without)


def null_space(design: Array) -> Array:
    """Return an orthonormal basis (size, d) of the directions that nothing measured holds.

    Singular vectors of the design (k, size) with its columns brought to length 1; d is 0 where
    everything is held.
    """
    # columns brought to one length: meters and radians then weigh alike in the test of rank
    lengths = np.linalg.norm(design, axis=0)
    scale = np.where(lengths > 0, lengths, 1.0)
    _, singular, right = np.linalg.svd(design / scale, full_matrices=True)
    values = np.zeros(design.shape[1])
    values[: len(singular)] = singular
    # right vectors of vanishing singular values: moves that change no observation
    loose = right[values < _RANK_TOLERANCE * max(1.0, float(values.max(initial=0.0)))]
    if not len(loose):
        return np.zeros((design.shape[1], 0))
    # scaled back to the unknowns' own units, the vectors are no
    # longer orthonormal: QR makes them so
    basis, _ = np.linalg.qr((loose / scale).T)
    return np.asarray(basis)


def condition(design: Array) -> float:
    """Return the condition number of a design (k, size), its columns brought to length 1.

    Largest over smallest singular value; that scaling comes within √n of the best one
    (van der Sluis 1969, from memory).
    """
    lengths = np.linalg.norm(design, axis=0)
    # a column of zeros (an unknown that nothing measures) keeps
    # its length of 0 and makes this huge
    singular = np.linalg.svd(design / np.where(lengths > 0, lengths, 1.0), compute_uv=False)
    return float(singular[0] / max(singular[-1], 1e-300))


def assess(solution: Solution, sds: Array) -> Reliability:
    """Return covariance, redundancy numbers, w statistics and detectable blunders.

    With the whitened design A: Q = I − A(AᵀA)⁻¹Aᵀ, r = diag Q, w = v/√r, ∇ = δ0·σ/√r,
    ρ = Q_ij/√(Q_ii Q_jj) (Baarda, A testing procedure for use in geodetic networks, 1968).
    The design (k, size) must have full column rank; ``sds`` (k,).

    Parameters
    ----------
    solution
        Unknowns at the optimum, with design and residuals.
    sds
        Standard deviations of the observations (k,).

    Returns
    -------
    Reliability
        Covariance of the unknowns, redundancy numbers, w and detectable blunders.
    """
    # A = Q R: (AᵀA)⁻¹ = R⁻¹R⁻ᵀ, and I − A(AᵀA)⁻¹Aᵀ = I − QQᵀ is the cofactor of the residuals
    orthogonal, upper = np.linalg.qr(solution.design)
    inverse = np.linalg.inv(upper)
    covariance = inverse @ inverse.T
    cofactor = np.eye(len(sds)) - orthogonal @ orthogonal.T
    redundancy = np.clip(np.diag(cofactor), 0.0, 1.0)
    # with r = 0 an observation always fits: no residual of it says anything
    checked = redundancy > _NO_REDUNDANCY
    root = np.sqrt(np.where(checked, redundancy, 1.0))
    w = np.where(checked, solution.whitened / root, 0.0)
    detectable = np.where(checked, NONCENTRALITY * sds / root, np.inf)
    correlation = np.where(np.outer(checked, checked), cofactor / np.outer(root, root), 0.0)
    return Reliability(covariance, np.where(checked, redundancy, 0.0), w, detectable, correlation)
