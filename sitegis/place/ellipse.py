"""Error ellipses of placed points, with the tail of a locator's error."""

from __future__ import annotations

import numpy as np

from ..model.results import Placement
from ..model.site import Noise
from ..numerics.intervals import LEVELS, Region, ellipse_of


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


def point_regions(placement: Placement, index: int, noise: Noise) -> tuple[Region, ...]:
    """Return the 50, 80 and 95 % ellipses about a placed point.

    The locator's repeatability has the tail of a Student-t: its part of the covariance, which
    the placement brings to an equal 95 % ellipse, is brought to an equal ellipse of each level.
    With tape and session beside it that is near, not exact (they hold 48 to 50 % where 50 is
    stated).

    Parameters
    ----------
    placement
        Points placed in the lot, with their covariance.
    index
        The point, by place in the placement.
    noise
        Stated noise of tape and locator.

    Returns
    -------
    tuple[Region, ...]
        One region for each of 50, 80 and 95 %.
    """
    block = slice(2 * index, 2 * index + 2)
    total, mark = placement.covariance_m2[block, block], placement.mark_covariance_m2[block, block]
    point, stated = placement.points[index], tail_factor(noise.degrees_of_freedom)
    # isotropic, so that its variance stands on every diagonal and is taken off the mean of them
    session = placement.locator_square * noise.session_horizontal_m**2
    # locator's part: x and y alike, their mean takes rounding out
    own = np.diag(total - mark).mean() - session
    # back to the t's scale before the 95 % factor, to be brought to each level's own
    own_m2 = max(float(own), 0.0) / stated
    regions = []
    for level in LEVELS:
        tail = tail_factor(noise.degrees_of_freedom, level)
        covariance = total + (tail - stated) * own_m2 * np.eye(2)
        # chi-square with two degrees of freedom in closed form: P(r² ≤ q) = 1 − exp(−q/2)
        radius = float(np.sqrt(-2.0 * np.log(1.0 - level)))
        center = np.array([point.x_m, point.y_m])
        regions.append(Region(level, (ellipse_of(center, covariance, radius),)))
    return tuple(regions)
