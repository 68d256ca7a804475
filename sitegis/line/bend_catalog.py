"""Drainage bends, made and made up, and how often a building drain has one: the one prior."""

from __future__ import annotations

import numpy as np

from ..geometry.frames import Array

CATALOG_DEG = (11.25, 22.5, 45.0, 60.0, 72.0, 90.0)
"""Angles of made drainage bends (1/32, 1/16, 1/8, 1/6, 1/5; 90 as two 45s)."""
CATALOG_WEIGHTS = (0.06, 0.22, 0.42, 0.06, 0.04, 0.20)
"""How often each is met among made bends; left and right alike. Judgment, no source."""
BEND_ANGLE_SD_RAD = float(np.radians(2.0))
"""How far a made bend may be from its nominal angle. Judgment, no source."""
FREE_DEG, FREE_SD_DEG, FREE_SHARE = (20.0, 50.0), 12.0, 0.15
"""Turns that no single fitting makes (fittings rolled or joined, joints pulled, pipe bent):
about as often a slight turn as a strong one, this share of all. Judgment, no source."""
BENDS_PER_M = 0.08
"""Bends per meter of building drain, whether marks show them or not: a Poisson process. Under a
basement of 8 m 53 % have none, 34 % one, 11 % two. Judgment, no source."""
_SIGNED_DEG = [sign * angle for angle in (*CATALOG_DEG, *FREE_DEG) for sign in (1.0, -1.0)]
SIGNED_RAD = np.radians(_SIGNED_DEG)
"""Every bend to the left and to the right; how often it is met, and its standard deviation."""
SIGNED_WEIGHTS = 0.5 * np.repeat(
    [(1.0 - FREE_SHARE) * w for w in CATALOG_WEIGHTS] + [FREE_SHARE / 2.0] * 2, 2
)
SIGNED_SD_RAD = np.repeat(
    [BEND_ANGLE_SD_RAD] * len(CATALOG_DEG) + [float(np.radians(FREE_SD_DEG))] * 2, 2
)


def turns_of_two(width_deg: float = 45.0) -> tuple[Array, Array, Array]:
    """Return shares, means and sds (m,) of the turn that two bends together make.

    All pairs of the catalog, in classes of ``width_deg`` around 0, brought to equal moments.
    """
    turn = np.add.outer(SIGNED_RAD, SIGNED_RAD).ravel()
    share = np.multiply.outer(SIGNED_WEIGHTS, SIGNED_WEIGHTS).ravel()
    variance = np.add.outer(SIGNED_SD_RAD**2, SIGNED_SD_RAD**2).ravel()
    classes = np.rint(np.degrees(turn) / width_deg - 1e-6 * np.sign(turn)).astype(np.int64)
    _, member = np.unique(classes, return_inverse=True)
    total = np.bincount(member, share)
    mean = np.bincount(member, share * turn) / total
    second = np.bincount(member, share * (variance + (turn - mean[member]) ** 2)) / total
    return np.asarray(total), np.asarray(mean), np.asarray(np.sqrt(second))
