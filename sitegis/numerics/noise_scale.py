"""How much noisier than stated a crew measures: one scale per kind of reading, learned on site.

Every standard deviation of a kind (plan, depth, tape) is multiplied by a scale k, a priori
k² ~ inverse gamma(4, 4): around 1, 95 % of k from 0.68 to 1.92. A few residuals hardly move it,
thirty do (Gelman 2006, Bayesian Analysis 1, on why not a vaguer prior). Judgment, no source.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.special import gammaincinv, gammaln, stdtrit

from ..geometry.frames import Array
from ..late_dataclass import dataclass

__all__ = [
    "PRIOR_MEAN_SQUARE",
    "PRIOR_MEDIAN",
    "SCALES",
    "NoiseScale",
    "log_evidence",
    "log_integral",
    "log_prior",
    "next_within",
    "scale_of_nodes",
    "scale_of_squares",
]

SHAPE = RATE = 4.0
# six nodes, k from 0.61 to 3.5; their spacing is the step of the sum that stands for the integral
_LOG_STEP = 0.35
_LOG_NODES = np.arange(-0.50, 1.26, _LOG_STEP)
# mean and median of an inverse gamma, the latter from the gamma's own quantile
PRIOR_MEAN_SQUARE = RATE / (SHAPE - 1.0)
PRIOR_MEDIAN = float(np.sqrt(RATE / gammaincinv(SHAPE, 0.5)))
SCALES: tuple[float, ...] = tuple(float(k) for k in np.exp(_LOG_NODES))
"""Nodes of the quadrature over k, even in ln k. ``PRIOR_MEDIAN`` of k is 1.04."""
Kind = Literal["plan", "depth", "tape"]


@dataclass(frozen=True, slots=True)
class NoiseScale:
    """What a site says of one kind's noise: median and 95 % interval of k, and the mean of k²."""

    kind: Kind
    median: float
    low: float
    high: float
    mean_square: float


def log_prior(scales: Array) -> Array:
    """Return the log prior density of ln k at scales k (m,): that of k² times dk²/d ln k = 2 k²."""
    constant = SHAPE * np.log(RATE) - gammaln(SHAPE) + np.log(2.0)
    return np.asarray(constant - 2.0 * SHAPE * np.log(scales) - RATE / scales**2)


def log_integral(log_likelihoods: Array) -> float:
    """Return ln ∫ p(data | k) p(k) dk from log-likelihoods at the nodes ``SCALES`` (m,)."""
    total = np.logaddexp.reduce(log_likelihoods + log_prior(np.array(SCALES)))
    return float(total + np.log(_LOG_STEP))


def scale_of_squares(kind: Kind, sum_of_squares: float, number: float) -> NoiseScale:
    """Learn k from ``number`` standardized residuals (or redundancy) with a sum of squares.

    The posterior is inverse gamma(4 + n/2, 4 + S/2) (the normal's conjugate, any text).

    Parameters
    ----------
    kind
        What the scale is of: plan, depth or tape.
    sum_of_squares
        Sum S of squared standardized residuals.
    number
        Their number n, or redundancy.

    Returns
    -------
    NoiseScale
        The scale with its 95 % interval.
    """
    shape, rate = SHAPE + 0.5 * number, RATE + 0.5 * sum_of_squares
    # a high quantile of the precision is a low one of the scale
    low, middle, high = np.sqrt(rate / gammaincinv(shape, np.array([0.975, 0.5, 0.025])))
    return NoiseScale(kind, float(middle), float(low), float(high), rate / (shape - 1.0))


def log_evidence(residuals: Array) -> float:
    """Return ln ∫ p(residuals | k) p(k) dk of independent standardized residuals (n,): a t density.

    >>> round(log_evidence(np.array([1.2, -2.0, 1.5])), 6)
    -6.374904
    """
    n, square = residuals.size, float(residuals @ residuals)
    shape = SHAPE + 0.5 * n
    return float(
        SHAPE * np.log(RATE)
        - gammaln(SHAPE)
        + gammaln(shape)
        - shape * np.log(RATE + 0.5 * square)
        - 0.5 * n * np.log(2 * np.pi)
    )


def next_within(sum_of_squares: Array, number: Array, share: float) -> Array:
    """Return how many stated sds the next residual stays within but for a two-sided share (n,).

    The others, ``number`` of them (n,) with a sum of squares (n,), tell k: Student's t with 2 a
    degrees of freedom and scale √(b/a) of the posterior inverse gamma(a, b) (any text).

    Parameters
    ----------
    sum_of_squares
        Sums of squared standardized residuals (n,).
    number
        How many each sums (n,).
    share
        two-sided share that lies beyond.

    Returns
    -------
    Array
        Bounds (n,) in stated standard deviations.

    Examples
    --------
    >>> next_within(np.array([7.69]), np.array([3]), 0.05).round(3)
    array([2.629])
    """
    shape, rate = SHAPE + 0.5 * number, RATE + 0.5 * sum_of_squares
    return np.asarray(stdtrit(2.0 * shape, 1.0 - 0.5 * share) * np.sqrt(rate / shape))


def scale_of_nodes(kind: Kind, log_likelihoods: Array) -> NoiseScale:
    """Learn k from log-likelihoods at the nodes ``SCALES``: smooth between them, prior exact.

    Parameters
    ----------
    kind
        What the scale is of: plan, depth or tape.
    log_likelihoods
        One at each node of ``SCALES`` (s,).

    Returns
    -------
    NoiseScale
        The scale with its 95 % interval.
    """
    # an impossible node must not bend the polynomial through the others
    finite = np.maximum(log_likelihoods - np.max(log_likelihoods), -60.0)
    curve = np.polyfit(_LOG_NODES, finite, 4)
    # a step past either end, where the likelihood is held level and the prior lets it fall
    fine = np.linspace(_LOG_NODES[0] - _LOG_STEP, _LOG_NODES[-1] + _LOG_STEP, 701)
    within = np.clip(fine, _LOG_NODES[0], _LOG_NODES[-1])
    logs = np.polyval(curve, within) + log_prior(np.exp(fine))
    weights = np.exp(logs - logs.max())
    # distribution function over ln k
    passed = np.cumsum(weights) / weights.sum()
    low, middle, high = np.exp(np.interp([0.025, 0.5, 0.975], passed, fine))
    square = float(weights @ np.exp(2.0 * fine) / weights.sum())
    return NoiseScale(kind, float(middle), float(low), float(high), square)
