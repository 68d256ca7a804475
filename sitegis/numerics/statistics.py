"""Weights, evidence, quantiles and covariances: what more than one stage works out alike."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from .ordering import FINE_M, axis_angle, in_steps

# Quantiles of the standard normal distribution: 95 % lie within ± the first, below the second.
NORMAL_95 = 1.959963984540054
NORMAL_BELOW_95 = 1.6448536269514722
# √ of the 95 % quantile of chi-square with 2 degrees of freedom (5.9915): 95 % of an ellipse.
ELLIPSE_95 = 2.447746830680816


def log_sum(values: Array) -> float:
    """Return ln Σ exp of values (m,), −inf where there is nothing to add.

    The reference library's is as exact and takes twenty times as long for a few values.
    """
    most = float(np.max(values, initial=-np.inf))
    if not np.isfinite(most):
        return most
    # the largest taken out first: no exponential overflows
    return most + float(np.log(np.exp(values - most).sum()))


def normalized_weights(log_weights: Array) -> Array:
    """Return weights (m,) that sum to 1; all zero where every sample is impossible."""
    total = log_sum(log_weights)
    if total == -np.inf:
        return np.zeros_like(log_weights)
    weights = np.exp(log_weights - total)
    return np.asarray(weights / weights.sum())


def effective_samples(weights: Array) -> float:
    """Return how many samples of equal weight are worth weights (m,): (Σw)² / Σw² (Kish).

    >>> effective_samples(np.array([2.0, 2.0, 0.0]))
    2.0
    """
    return float(weights.sum() ** 2 / (weights**2).sum())


MOST_PARETO_K = 0.7
"""Past this shape of their tail importance weights are not trusted (Vehtari et al. 2024)."""


def pareto_k(weights: Array) -> float:
    """Return the shape k of the generalized Pareto tail of importance weights (m,).

    Of the M = min(m / 5, 3 √m) largest, over the next one, by the fit of Zhang and Stephens
    (*Technometrics* 51, 2009) with the weak prior of Vehtari et al. (JMLR 25(72), 2024; both from
    memory): k < 0.7 is trusted. Nan for fewer than 5 in the tail, -inf where all are equal.
    """
    heavy = np.sort(weights[weights > 0.0])
    tail = int(min(heavy.size / 5.0, 3.0 * np.sqrt(heavy.size)))
    if tail < 5:
        return float("nan")
    # excesses over the largest weight that is not in the tail
    past = heavy[-tail:] - heavy[-tail - 1]
    if not past[-1] > 0.0:
        return float("-inf")
    past = past / past[-1]
    # Zhang and Stephens: m = 30 + √n trial values θⱼ = 1/x_max + (1 − √(m/(j − ½))) / (3 x_¼),
    # here with excesses scaled to x_max = 1
    count = 30 + int(np.sqrt(tail))
    quarter = past[int(tail / 4.0 + 0.5) - 1]
    grid = 1.0 - np.sqrt(count / (np.arange(1, count + 1) - 0.5))
    grid = grid / (3.0 * max(quarter, 1e-12)) + 1.0
    # k(θ) = mean of ln(1 − θ x), and n (ln(−θ/k) − k − 1) the profile log-likelihood
    shapes = np.log1p(-grid[:, None] * past).mean(axis=1)
    profile = tail * (np.log(-(grid / shapes)) - shapes - 1.0)
    share = normalized_weights(profile)
    shape = float(np.log1p(-float(share @ grid) * past).mean())
    # as if ten more excesses had shown a k of ½: tames the fit of short tails
    return (tail * shape + 10.0 * 0.5) / (tail + 10.0)


@dataclass(frozen=True, slots=True)
class EvidenceSum:
    """An estimate of ln Z, its standard error, and the effective number of samples."""

    log_z: float
    log_z_se: float
    effective_samples: float


NOTHING = EvidenceSum(float("-inf"), 0.0, 0.0)


def estimate_log_evidence(log_weights: Array, drawn: int) -> EvidenceSum:
    """Estimate ln Z from importance weights: ``logsumexp(log_weights) − ln(drawn)``.

    ``log_weights`` (m,) of the feasible samples among ``drawn`` (the rest weigh nothing). The
    standard error of ln Z is, by the delta method, √(1/effective − 1/drawn), which is on the
    safe side for quasi-random points. Raises ``ValueError`` where fewer were drawn than are
    weighed, or a weight is not a number.

    Parameters
    ----------
    log_weights
        Log weights (m,) of the feasible samples.
    drawn
        Number of samples drawn, those without weight included.

    Returns
    -------
    EvidenceSum
        ln Z with its standard error and the effective sample size.

    Raises
    ------
    ValueError
        Fewer were drawn than are weighed, or a weight is not a number.

    Examples
    --------
    >>> round(estimate_log_evidence(np.log([0.5, 0.5]), 2).log_z, 6)
    -0.693147
    """
    log_weights = np.asarray(log_weights, float)
    if drawn < log_weights.size:
        raise ValueError(f"{log_weights.size} samples are weighed, but only {drawn} were drawn")
    total = log_sum(log_weights)
    if np.isnan(total) or total == np.inf:
        raise ValueError("a log weight is not a number")
    if total == -np.inf:
        return NOTHING
    effective = effective_samples(normalized_weights(log_weights))
    # rounding may bring equal weights a hair below 0
    variance = max(1.0 / effective - 1.0 / drawn, 0.0)
    return EvidenceSum(float(total - np.log(drawn)), float(np.sqrt(variance)), effective)


def weighted_quantiles(values: Array, weights: Array, shares: Sequence[float] | Array) -> Array:
    """Return, for each share (s,), the quantile of values (..., m), linear between mid-weights.

    ``weights`` (..., m) need not sum to 1; equal ones give numpy's method "hazen". The answer is
    (..., s); below the first mid-weight and above the last the end's value holds.

    Parameters
    ----------
    values
        Samples (..., m).
    weights
        Weights (..., m) of any positive sum.
    shares
        Shares (s,) in [0, 1].

    Returns
    -------
    Array
        Quantiles (..., s).

    Examples
    --------
    >>> weighted_quantiles(np.array([3.0, 1.0, 2.0]), np.ones(3), (0.5, 1.0)).tolist()
    [2.0, 3.0]
    """
    values, weights = np.broadcast_arrays(values, np.asarray(weights, float))
    some = (weights > 0.0).any(axis=tuple(range(weights.ndim - 1)))
    if 2 * np.count_nonzero(some) < some.size:  # what weighs nothing anywhere is not sorted
        values, weights = values[..., some], weights[..., some]
    # what weighs nothing goes behind all others and counts for no mid-weight
    values = np.where(weights > 0.0, values, np.inf)
    order = np.argsort(values, axis=-1, kind="stable")
    values = np.take_along_axis(values, order, axis=-1)
    heavy = np.take_along_axis(weights, order, axis=-1)
    last = np.max(np.where(heavy > 0.0, values, -np.inf), axis=-1, keepdims=True)
    # each sample stands for its share, centered: the quantile at the middle of it is its value
    middle = (np.cumsum(heavy, axis=-1) - 0.5 * heavy) / heavy.sum(axis=-1, keepdims=True)
    values = np.minimum(values, last)
    if values.ndim == 1:
        return polyline.interp(np.asarray(shares, float), middle, values)
    return np.stack([polyline.interp(share, middle, values) for share in shares], axis=-1)


def mixture_moments(weights: Array, means: Array, variances: Array) -> tuple[Array, Array]:
    """Return mean and variance (...) of a mixture of (c,) parts with means, variances (c, ...).

    Parameters
    ----------
    weights
        Weights of the parts (c,), summing to 1.
    means
        Means of the parts (c, ...).
    variances
        Variances of the parts (c, ...).

    Returns
    -------
    mean
        Mean of the mixture (...).
    variance
        Its variance (...).
    """
    share = np.asarray(weights, float) / np.sum(weights)
    mean = np.tensordot(share, means, axes=1)
    return mean, np.tensordot(share, variances + (means - mean) ** 2, axes=1)


def normal_density(residual: Array, sd: Array | float = 1.0) -> Array:
    """Return the density of N(0, sd²) at residuals.

    Parameters
    ----------
    residual
        Distances from the mean (...).
    sd
        Standard deviation, of all or of each (...).

    Returns
    -------
    Array
        Densities (...).
    """
    return np.asarray(np.exp(-0.5 * (residual / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi)))


def square_root(covariance: Array) -> Array:
    """Return R = Rᵀ (..., n, n) with R R = covariance, for covariances that may be singular.

    Symmetric, V √λ Vᵀ: the signs of eigenvectors, and where two eigenvalues are equal their
    directions, are any, but this root is one.
    """
    values, vectors = np.linalg.eigh(covariance)
    # eigenvalues of a singular covariance come out a hair below 0
    roots = np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return np.asarray((vectors * roots) @ np.swapaxes(vectors, -1, -2))


def cholesky(covariance: Array) -> Array:
    """Return L, lower triangular, L Lᵀ = covariance (n, n); ``LinAlgError`` unless definite."""
    return np.asarray(np.linalg.cholesky(covariance), float)


def cho_solve(root: Array, values: Array) -> Array:
    """Solve A x = values (n,) or (n, k) by the Cholesky factor L (n, n) of A = L Lᵀ.

    Parameters
    ----------
    root
        Lower Cholesky factor L (n, n).
    values
        right-hand sides (n,) or (n, k).

    Returns
    -------
    Array
        x of the same shape.
    """
    return np.asarray(np.linalg.solve(root.T, np.linalg.solve(root, values)))


def nonnegative(covariance: Array, least: float = 0.0) -> Array:
    """Return the nearest covariance (..., n, n) with no eigenvalue under ``least``.

    Parameters
    ----------
    covariance
        Symmetric matrices (..., n, n).
    least
        Least eigenvalue that is left.

    Returns
    -------
    Array
        Symmetric matrices (..., n, n).
    """
    values, vectors = np.linalg.eigh(covariance)
    kept = np.maximum(values, least)[..., None, :]
    return np.asarray((vectors * kept) @ np.swapaxes(vectors, -1, -2))


def ellipse(covariance: Array) -> tuple[float, float, float]:
    """Return the standard ellipse of a (2, 2) covariance: major, minor (one sigma), angle.

    The angle of the major axis is in (−π/2, π/2], counter-clockwise from x; it is 0 for a
    circle. Multiply the axes by ``ELLIPSE_95`` for 95 %.
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance, float))
    major, minor = np.sqrt(np.maximum(values[::-1], 0.0))
    # eigenvectors of a circle are any: no direction is better than one by chance
    if in_steps(major, FINE_M) == in_steps(minor, FINE_M):
        return float(major), float(minor), 0.0
    return float(major), float(minor), axis_angle(vectors[:, 1])


def largest_sd_m(covariance: Array) -> float:
    """Return the standard deviation of a (2, 2) covariance in its worst direction."""
    return float(np.sqrt(max(float(np.linalg.eigvalsh(covariance)[-1]), 0.0)))
