"""The tail of a receiver's error in an error ellipse."""

from __future__ import annotations

import numpy as np


def tail_factor(degrees_of_freedom: float, level: float = 0.95) -> float:
    """Return the factor on a variance that makes its Gaussian ellipse of a level hold that of a t.

    For a bivariate Student-t of variance σ² per axis, r²·ν/(2(ν − 2)σ²) ~ F(2, ν), whose
    quantile at 1 − α is ν/2·(α^(−2/ν) − 1); the Gaussian ellipse reaches r² = −2·ln α·σ².
    The ratio at 95 % is 1.159 for ν = 4. An infinite ν is the Gaussian: 1. Needs ν > 2 (at
    or below it a t has no variance): ValueError.

    Parameters
    ----------
    degrees_of_freedom
        ν, above 2; inf is the Gaussian.
    level
        Probability that the ellipse holds.

    Returns
    -------
    float
        Factor on the variance.

    Raises
    ------
    ValueError
        ν is 2 or less.
    """
    if not degrees_of_freedom > 2:
        raise ValueError("a Student-t has a variance only for more than 2 degrees of freedom")
    if np.isinf(degrees_of_freedom):
        return 1.0
    outside = 1.0 - level
    reach = (degrees_of_freedom - 2.0) * (outside ** (-2.0 / degrees_of_freedom) - 1.0)
    return float(reach / (-2.0 * np.log(outside)))
