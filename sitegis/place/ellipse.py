"""Error ellipses from 2 × 2 covariances."""

from __future__ import annotations

import numpy as np

from .._frames import Array
from .._ties import FINE_M, axis_angle, in_steps

FACTOR_95 = 2.4477  # √ of the 95 % quantile of chi-square with 2 degrees of freedom (5.9915)


def ellipse(covariance: Array) -> tuple[float, float, float]:
    """Give the standard ellipse of a (2, 2) covariance: major, minor (one sigma), angle.

    The angle of the major axis is in (−π/2, π/2], counter-clockwise from x; it is 0 for a
    circle. Multiply the axes by ``FACTOR_95`` for 95 %.
    """
    values, vectors = np.linalg.eigh(np.asarray(covariance, float))
    major, minor = np.sqrt(np.maximum(values[::-1], 0.0))
    if in_steps(major, FINE_M) == in_steps(minor, FINE_M):
        return float(major), float(minor), 0.0
    return float(major), float(minor), axis_angle(vectors[:, 1])


def largest_sd_m(covariance: Array) -> float:
    """Give the standard deviation of a (2, 2) covariance in its worst direction."""
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))


def tail_factor(degrees_of_freedom: float, level: float = 0.95) -> float:
    """Give the factor on a variance that makes its Gaussian ellipse of a level hold that of a t.

    For a bivariate Student-t of variance σ² per axis, r²·ν/(2(ν − 2)σ²) ~ F(2, ν), whose
    quantile at 1 − α is ν/2·(α^(−2/ν) − 1); the Gaussian ellipse reaches r² = −2·ln α·σ².
    The ratio at 95 % is 1.159 for ν = 4. An infinite ν is the Gaussian: 1. Needs ν > 2 (at
    or below it a t has no variance): ValueError.
    """
    if not degrees_of_freedom > 2:
        raise ValueError("a Student-t has a variance only for more than 2 degrees of freedom")
    if np.isinf(degrees_of_freedom):
        return 1.0
    outside = 1.0 - level
    reach = (degrees_of_freedom - 2.0) * (outside ** (-2.0 / degrees_of_freedom) - 1.0)
    return float(reach / (-2.0 * np.log(outside)))
