"""The depth of a sonde that is no point: a coil of some length, or one in an iron pipe.

A locator takes the depth from how the field falls off between its two antennas, as that of a
point does (∝ 1/d³ above a level dipole). Two poles a distance apart fall off more slowly near by,
∝ (d² + a²)^(−3/2) with a half of it, so they read too deep; lifting the locator hardly shows it.
"""

from __future__ import annotations

import math
import re

ANTENNAS_M = 0.40  # between the two antennas of a locator: judgment, no source
IRON_POLES_M, IRON_POLES_SD_M = 0.30, 0.15
"""Distance of the poles in an iron pipe, and its sd: judgment.

The flux leaves a pipe of thickness t, radius r and permeability µ over about √(µ t r) each way:
0.17 m for 6 mm, 50 mm and 100, which old iron may have half or twice of.
"""
LENGTH_SHARE = 0.25  # sd of the poles' distance as a share of a sonde's stated length: judgment
_IRON = re.compile(r"\b(iron|steel)\b", re.IGNORECASE)


def poles_of(material: str, sonde_length_m: float | None) -> tuple[float, float]:
    """Return the distance of a sonde's poles and its sd, in meters; 0 where it counts as a point.

    Parameters
    ----------
    material
        Material of the pipe, as written.
    sonde_length_m
        Length of the sonde, m; None where it is not known.

    Returns
    -------
    distance
        Between the poles, m.
    sd
        Its standard deviation, m.

    Examples
    --------
    >>> poles_of("PVC", None), poles_of("PVC", 0.2), poles_of("cast iron, then clay", None)
    ((0.0, 0.0), (0.2, 0.05), (0.3, 0.15))
    """
    length_m = sonde_length_m or 0.0
    if _IRON.search(material.partition(",")[0]):
        return math.hypot(IRON_POLES_M, length_m), IRON_POLES_SD_M
    return length_m, LENGTH_SHARE * length_m


def reading_of_poles_m(depth_m: float, poles_m: float, antennas_m: float = ANTENNAS_M) -> float:
    """Return what a locator reads above two poles at a depth.

    It solves ((r + s) / r)³ = B(d) / B(d + s): two poles 0.3 m apart at 0.5 m read 7 % more.

    Parameters
    ----------
    depth_m
        Depth of the sonde's middle below the locator, m.
    poles_m
        Distance between the poles, m; 0 is a point.
    antennas_m
        Distance s between the locator's antennas, m.

    Returns
    -------
    float
        Depth that the locator shows, m.

    Examples
    --------
    >>> round(reading_of_poles_m(0.5, 0.3), 3)
    0.535
    """
    square = 0.25 * poles_m**2
    # cube root of B(d) / B(d + s) = (((d + s)² + a²) / (d² + a²))^(3/2)
    ratio = math.sqrt(((depth_m + antennas_m) ** 2 + square) / (depth_m**2 + square))
    return antennas_m / (ratio - 1.0)


def depth_of_poles_m(reading_m: float, poles_m: float, antennas_m: float = ANTENNAS_M) -> float:
    """Return the depth of two poles that a locator reads, the inverse of the above.

    With q = ((r + s) / r)² − 1 it is the greater root of q d² − 2 s d − s² + q a² = 0; what no
    poles so far apart can read is taken as the least that they can.

    Parameters
    ----------
    reading_m
        Depth that the locator shows, m.
    poles_m
        Distance between the poles, m; 0 is a point.
    antennas_m
        Distance s between the locator's antennas, m.

    Returns
    -------
    float
        Depth of the sonde's middle, m.

    Examples
    --------
    >>> round(depth_of_poles_m(reading_of_poles_m(0.5, 0.3), 0.3), 9)
    0.5
    """
    if poles_m <= 0.0 or reading_m <= 0.0:
        return reading_m
    q = ((reading_m + antennas_m) / reading_m) ** 2 - 1.0
    # below 0 where no poles so far apart could read so little
    root = antennas_m**2 * (1.0 + q) - 0.25 * (q * poles_m) ** 2
    return (antennas_m + math.sqrt(max(root, 0.0))) / q


def depth_of_nulls_m(null_spacing_m: float, poles_m: float) -> float:
    """Return the depth of two poles whose field along them is null so far apart at the surface.

    Two poles ±q at ±a: the field is null where u / (u² + d²)^(3/2) is the same for u = x − a and
    for v = x + a. With k = (v / u)^(2/3) that is d² = (v² − k u²) / (k − 1); for a point d = x √2.
    Nulls no farther apart than the poles belong to no depth: counted as those of a point.

    Parameters
    ----------
    null_spacing_m
        Distance between the nulls, m.
    poles_m
        Distance between the poles, m; 0 is a point.

    Returns
    -------
    float
        Depth, m.

    Examples
    --------
    >>> round(depth_of_nulls_m(1.0, 0.0), 6), round(depth_of_nulls_m(1.0, 1e-6), 6)
    (0.707107, 0.707107)
    """
    # u and v: from a null to the nearer and to the farther pole
    near, far = 0.5 * (null_spacing_m - poles_m), 0.5 * (null_spacing_m + poles_m)
    if near <= 0.0 or poles_m <= 0.0:
        return null_spacing_m / math.sqrt(2.0)
    k = (far / near) ** (2.0 / 3.0)
    return math.sqrt(max(far**2 - k * near**2, 0.0) / (k - 1.0))


def poles_at_find(material: str, poles_m: float) -> float:
    """Return the distance of the poles where a pipe was located outdoors.

    That under the slab, unless the find's own ``material`` tells of iron or of another pipe: then
    what a pipe of iron does, or what the sonde's length alone does where that is less.

    Parameters
    ----------
    material
        Material of the pipe at the find, empty where not known.
    poles_m
        Distance between the poles under the slab, m.

    Returns
    -------
    float
        Distance, m.

    Examples
    --------
    >>> poles_at_find("", 0.3), poles_at_find("clay", 0.3), poles_at_find("iron", 0.0)
    (0.3, 0.0, 0.3)
    """
    if not material:
        return poles_m
    of_length_m = poles_m if poles_m < IRON_POLES_M else 0.0
    return max(poles_of(material, None)[0], of_length_m)


def share_of_doubt(reading_m: float, poles_m: float, sd_m: float) -> float:
    """Return by what share of a reading the depth is in doubt for the poles' distance, one sd.

    Parameters
    ----------
    reading_m
        Depth that the locator shows, m.
    poles_m
        Distance between the poles, m.
    sd_m
        Standard deviation of that distance, m.

    Returns
    -------
    float
        Standard deviation as a share of the reading.
    """
    # the farther apart, the more too deep the reading is, so that the depth is less
    wide, narrow = (depth_of_poles_m(reading_m, max(poles_m + d, 0.0)) for d in (sd_m, -sd_m))
    return 0.5 * (narrow - wide) / reading_m if reading_m > 0.0 else 0.0
