"""Lengths and bearings as they stand in the input: signed, bounded and finite."""

from __future__ import annotations

import math

from ..units import LengthUnit, is_magnetic, parse_bearing, parse_length

MOST_M = 100_000.0
UNIT_WORDS = {"ft": "feet", "in": "inches", "m": "meters", "mm": "millimeters"}


def signed_length(value: object, unit: LengthUnit) -> float:
    """Read a length in trade notation or a bare number in ``unit``, as meters.

    Raises ValueError with a plain reason where the value is
    no length, not finite, or past 100 km (a blunder of the unit).

    Parameters
    ----------
    value
        A number or a text.
    unit
        Unit of a bare number.

    Returns
    -------
    float
        Length, m.

    Raises
    ------
    ValueError
        The value is no length, is not finite or too long.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError("this is not a length.")
    if isinstance(value, str):
        length_m = parse_length(value, unit)
    else:
        length_m = _bare(value) * parse_length("1", unit)
    if not math.isfinite(length_m):
        raise ValueError("this is not a finite number.")
    if abs(length_m) > MOST_M:
        raise ValueError("this is more than 100 km: the unit or the number is wrong.")
    return length_m


def _bare(value: float) -> float:
    """Return a bare number as float; a whole number past all bounds becomes infinite."""
    try:
        return float(value)
    except OverflowError:
        return math.inf


def is_bare(value: object) -> bool:
    """Return whether a value is a bare number, whose unit comes from the settings."""
    if isinstance(value, int | float):
        return True
    try:
        float(str(value).strip())
    except ValueError:
        return False
    return True


def read_bearing(value: object) -> tuple[float, bool]:
    """Read a bearing: azimuth in degrees and whether it is marked magnetic.

    The mark stands before or behind (``mag N 45 E``, ``N 45 E (mag)``); the azimuth is the
    magnetic one then. Raises ValueError with a plain reason.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError("this is not a bearing.")
    text = str(value).strip() if isinstance(value, str) else repr(_bare(value))
    magnetic = is_magnetic(text)
    azimuth_deg = parse_bearing(text, declination_deg=0.0)
    if not math.isfinite(azimuth_deg):
        raise ValueError("this is not a finite number.")
    return azimuth_deg, magnetic
