"""Lengths, bearings, areas, volumes, slopes and probabilities as the trade writes them.

Inside the project every length is meters and every azimuth is degrees clockwise from north;
only this module knows how they are written. Feet on a tape are international feet, exactly
0.3048 m (NIST SP 811, appendix B). The US survey foot, 1200/3937 m, belongs to coordinate
reference systems alone (``sitegis.geometry.georeference``).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

LengthUnit = Literal["ft", "in", "m", "mm"]

FOOT_M = 0.3048
INCH_M = 0.0254
US_SURVEY_FOOT_M = 1200.0 / 3937.0
CUBIC_YARD_M3 = 0.9144**3

_LONGEST_TEXT = 80
# what tapes are divided into, tenths and twelfths of builders' and engineers' rules too
_DENOMINATORS = (2, 3, 4, 8, 10, 12, 16, 32, 64)
_PER_METER = {"m": 1.0, "cm": 100.0, "mm": 1000.0}
_UNIT_WORDS: dict[str, str] = {
    "'": "ft", "ft": "ft", "ft.": "ft", "foot": "ft", "feet": "ft",
    '"': "in", "in": "in", "in.": "in", "inch": "in", "inches": "in",
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "cm": "cm", "mm": "mm",
}  # fmt: skip
_VULGAR = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
    "⅓": "1/3", "⅔": "2/3",
}  # fmt: skip
_SIGNS = {
    "′": "'", "’": "'", "‘": "'", "ʹ": "'", "´": "'", "`": "'",
    "″": '"', "”": '"', "“": '"', "ʺ": '"', "−": "-", "–": "-", "‐": "-", "‑": "-",
    "⁄": "/", "\u00a0": " ", "\u202f": " ", "\u2009": " ",
}  # fmt: skip

_NUMBER = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
_MIXED = rf"(?:{_NUMBER}|[0-9]+/[0-9]+|[0-9]+(?:\s+|\s*-\s*)[0-9]+/[0-9]+)"
_FEET = r"(?:'|ft\.?|feet|foot)"
_INCHES = r"(?:\"|in\.?|inches|inch)"
_FEET_INCHES = re.compile(
    rf"(?P<feet>{_NUMBER})\s*{_FEET}\s*-?\s*(?P<inches>{_MIXED})\s*{_INCHES}?"
)
_SINGLE = re.compile(rf"(?P<value>{_MIXED})\s*(?P<unit>\"|'|[a-z]+\.?)")
_BARE = re.compile(rf"(?P<value>{_NUMBER}(?:e[+-]?[0-9]+)?|[0-9]+/[0-9]+|[0-9]+\s+[0-9]+/[0-9]+)")
_DASHED = re.compile(r"[0-9.]+\s*-\s*[0-9./ ]+\"?")


def _plain(text: str) -> str:
    """Replace typographic primes, dashes, spaces and fractions by their plain signs."""
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, f" {fraction} ")
    for sign, simple in _SIGNS.items():
        text = text.replace(sign, simple)
    # two single primes are typed for inches
    return text.replace("''", '"').strip().lower()


def _to_meters(value: float, unit: str) -> float:
    """Take a number in a unit to meters; metric units divide, so that 3760 mm is exactly 3.76."""
    if unit in _PER_METER:
        return value / _PER_METER[unit]
    return value * (FOOT_M if unit == "ft" else INCH_M)


def _fraction(text: str, whole_text: str) -> Fraction:
    """Read ``numerator/denominator``, a proper fraction."""
    numerator, denominator = (int(part) for part in text.split("/"))
    if denominator == 0:
        raise ValueError(f"{whole_text!r} has a fraction over 0")
    # 4 5/4 is a slip of the pen, not five and a quarter
    if numerator >= denominator:
        raise ValueError(f"{whole_text!r} has a fraction that is not below 1: {text}")
    if denominator not in _DENOMINATORS:
        raise ValueError(f"{whole_text!r} has a fraction that no tape has: {text}")
    return Fraction(numerator, denominator)


def _mixed(text: str, whole_text: str) -> float:
    """Read a decimal, a fraction, or a whole number with a fraction."""
    if "/" not in text:
        return float(text)
    *whole, fraction = re.split(r"\s*-\s*|\s+", text)
    return float(int(whole[0] if whole else "0") + _fraction(fraction, whole_text))


def _magnitude_m(body: str, unit: LengthUnit, text: str) -> float:
    """Read a length without its sign."""
    if match := _FEET_INCHES.fullmatch(body):
        feet, inches = float(match["feet"]), _mixed(match["inches"], text)
        # 12.5' 6" adds two parts of a foot
        if feet != math.floor(feet):
            raise ValueError(f"{text!r} has a part of a foot beside inches: write one of them")
        if inches >= 12.0:
            raise ValueError(f"{text!r} has 12 or more inches beside feet")
        return (feet * 12.0 + inches) * INCH_M
    if match := _BARE.fullmatch(body):
        if "/" in match["value"] and unit in ("m", "mm"):
            raise ValueError(f"{text!r} has a fraction, but a bare number here is in {unit}")
        return _to_meters(_mixed(match["value"], text), unit)
    if match := _SINGLE.fullmatch(body):
        return _with_unit_m(match["value"], match["unit"], text)
    raise ValueError(f"{text!r} is not a length: write it like 12' 4 1/2\", 148 in or 3.76 m")


def _with_unit_m(value: str, unit_word: str, text: str) -> float:
    """Read one number with its unit."""
    unit = _UNIT_WORDS.get(unit_word)
    if unit is None:
        raise ValueError(f"{text!r} has a unit that is not known: {unit_word} (ft in m cm mm)")
    if "/" in value and unit not in ("ft", "in"):
        raise ValueError(f"{text!r} has a fraction of a metric unit: write a decimal")
    # 4-1/2 ft may be four and a half, or from four to a half
    if "-" in value and unit != "in":
        raise ValueError(f"{text!r} can be read in more than one way: write 4 1/2 without a dash")
    return _to_meters(_mixed(value, text), unit)


def parse_length(text: str, unit: LengthUnit) -> float:
    r"""Read a length in trade notation and give meters.

    Accepts ``12'4"``, ``12' 4 1/2"``, ``12'-4"``, ``148in``, ``12.33ft``, ``3.76m``, ``376cm``,
    ``3760mm``, typographic primes and fractions, a leading sign. A bare number is in ``unit``.
    Feet are international (0.3048 m exactly, NIST SP 811). Raises ``ValueError`` with the reason
    in plain words, so for ``12-4`` (12 ft 4 in, or 12 to 4?) and for a comma.

    Parameters
    ----------
    text
        What was written.
    unit
        Unit of a bare number.

    Returns
    -------
    float
        Length, m.

    Raises
    ------
    ValueError
        The text is no length, with the reason in plain words.

    Examples
    --------
    >>> parse_length("12' 6\"", "m")
    3.81
    """
    body = _plain(text)
    if not body:
        raise ValueError("the length is empty")
    if len(body) > _LONGEST_TEXT:
        raise ValueError(f"{text[:20]!r}… is too long for a length")
    if "," in body:
        raise ValueError(f"{text!r} has a comma: write the decimal with a point, as in 3.76")
    # float() would read these words
    if re.fullmatch(r"[+-]?\s*(nan|inf|infinity)", body):
        raise ValueError(f"{text!r} is not a number that can be measured")
    sign = -1.0 if body.startswith("-") else 1.0
    body = body[1:].lstrip() if body[0] in "+-" else body
    # but 4-1/2" is how inches are written
    if _DASHED.fullmatch(body) and not re.fullmatch(r"[0-9]+\s*-\s*[0-9]+/[0-9]+\"", body):
        raise ValueError(f"{text!r} can be read in more than one way: write 12'4\" or 12.33 ft")
    meters = sign * _magnitude_m(body, unit, text)
    if not math.isfinite(meters):
        raise ValueError(f"{text!r} is too large for a length")
    # no −0.0
    return meters + 0.0


def _finite(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{what} is not a finite number: {value}")
    return value


def _inches_words(ticks: int, fraction: int) -> str:
    """Write a count of 1/``fraction`` inches as inches with a reduced fraction."""
    whole, rest = divmod(ticks, fraction)
    if rest == 0:
        return f'{whole}"'
    part = Fraction(rest, fraction)
    words = f"{part.numerator}/{part.denominator}"
    return f'{whole} {words}"' if whole else f'{words}"'


def format_length(length_m: float, unit: LengthUnit, *, fraction: int = 8) -> str:
    r"""Write a length as a tape is read: ``12' 4 1/2"``, ``148 1/2"``, ``3.760 m``, ``3760 mm``.

    Between feet and a fraction of an inch stands the inch's 0: ``9' 0 1/2"``, which nobody takes
    for half a foot. ``fraction`` is the finest part of an inch (8 = eighths). Raises ``ValueError``
    where the length is not finite or ``fraction`` is below 1.

    Parameters
    ----------
    length_m
        Length, m.
    unit
        Unit of the site, in which lengths are shown.
    fraction
        Finest part of an inch, 8 for eighths.

    Returns
    -------
    str
        The length as text.

    Raises
    ------
    ValueError
        The length is not finite or the fraction below 1.

    Examples
    --------
    >>> format_length(3.7719, "ft")
    '12\' 4 1/2"'
    """
    _finite(length_m, "length")
    if fraction < 1:
        raise ValueError(f"the finest part of an inch must be 1 or more, not {fraction}")
    if unit in ("m", "mm"):
        decimals, scale = (3, 1.0) if unit == "m" else (0, 1000.0)
        rounded = round(length_m * scale, decimals) + 0.0
        return f"{rounded:.{decimals}f} {unit}"
    # whole parts of an inch first: feet, inches and fraction then agree
    ticks = round(abs(length_m) / INCH_M * fraction)
    sign = "-" if length_m < 0 and ticks else ""
    feet, rest = divmod(ticks, 12 * fraction)
    if unit == "in" or feet == 0:
        return sign + _inches_words(ticks, fraction)
    whole = "0 " if 0 < rest < fraction else ""
    return f"{sign}{feet}' {whole}{_inches_words(rest, fraction)}"


def format_station(length_m: float, unit: LengthUnit) -> str:
    """Write a distance along a sewer as surveyors station it: hundreds of feet + feet.

    A site in meters has kilometers + meters (common practice, no source).

    Parameters
    ----------
    length_m
        Distance along the sewer, m.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The station as text.

    Examples
    --------
    >>> format_station(45.62856, "ft"), format_station(45.62856, "m"), format_station(1200.0, "m")
    ('1+49.7', '0+045.6', '1+200.0')
    """
    whole, size = (FOOT_M, 100.0) if is_imperial(unit) else (1.0, 1000.0)
    tenths = round(abs(_finite(length_m, "station")) / whole * 10)
    count, rest = divmod(tenths, round(size * 10))
    sign = "-" if length_m < 0 and tenths else ""
    return f"{sign}{count}+{rest / 10:0{len(f'{size:.0f}') + 1}.1f}"


def about(length_m: float, unit: LengthUnit) -> str:
    r"""Write a computed length no finer than it is known: to the inch or the centimeter.

    Parameters
    ----------
    length_m
        Computed length, m.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The length as text.

    Examples
    --------
    >>> about(1.8796, "ft"), about(1.8796, "m"), about(9.0, "m"), about(1.8796, "mm")
    ('6\' 2"', '1.88 m', '9.0 m', '1880 mm')
    """
    if is_imperial(unit):
        return format_length(length_m, unit, fraction=1)
    if unit == "m":
        return f"{round(length_m, 2) + 0.0} m"
    return format_length(round(length_m, 2), unit)


# ------------------------------------------------------------------------------- bearings

_MAGNETIC = re.compile(r"^\s*mag(?:netic)?\b\.?:?\s*|[\s(]+mag(?:netic)?\.?\)?\s*$", re.IGNORECASE)
_DEGREES_MARK = r"(?:°|º|degrees|degree|deg\.?|d)"
_MINUTES_MARK = r"(?:'|minutes|minute|min\.?)"
_SECONDS_MARK = r"(?:\"|seconds|second|sec\.?)"
_ANGLE = (
    rf"(?P<degrees>{_NUMBER})(?:\s*(?:{_DEGREES_MARK}|-|\s)\s*(?P<minutes>{_NUMBER})"
    rf"(?:\s*(?:{_MINUTES_MARK}|-|\s)\s*(?P<seconds>{_NUMBER})(?:\s*{_SECONDS_MARK})?"
    rf"|\s*{_MINUTES_MARK})?|\s*{_DEGREES_MARK})?"
)
_AZIMUTH = re.compile(_ANGLE)
_QUADRANT = re.compile(rf"(?P<from>north|south|n|s)\.?\s*{_ANGLE}\s*(?P<to>east|west|e|w)\.?")
_CARDINAL = re.compile(r"(?:due\s+)?(?P<way>north|south|east|west|n|e|s|w)\.?")
_CARDINAL_AZIMUTH = {"n": 0.0, "e": 90.0, "s": 180.0, "w": 270.0}


def is_magnetic(text: str) -> bool:
    """Return whether a bearing is marked as magnetic (``mag N 45 E``, ``N 45 E (mag)``).

    >>> is_magnetic("mag N 45 E"), is_magnetic("N 45 E")
    (True, False)
    """
    return _MAGNETIC.search(text) is not None


def _angle_deg(match: re.Match[str], text: str) -> float:
    """Add degrees, minutes and seconds; only the last part may have decimals."""
    given = [match[name] for name in ("degrees", "minutes", "seconds") if match[name] is not None]
    if any("." in part for part in given[:-1]):
        raise ValueError(f"{text!r} has decimals before its last part")
    parts = [float(part) for part in given]
    if any(part >= 60.0 for part in parts[1:]):
        raise ValueError(f"{text!r} has 60 or more minutes or seconds")
    # degrees + minutes/60 + seconds/3600
    return sum(part / 60.0**power for power, part in enumerate(parts))


def _bearing_deg(body: str, text: str) -> float:
    """Read a bearing that has no magnetic mark."""
    if match := _CARDINAL.fullmatch(body):
        return _CARDINAL_AZIMUTH[match["way"][0]]
    if match := _QUADRANT.fullmatch(body):
        angle = _angle_deg(match, text)
        if angle > 90.0:
            raise ValueError(f"{text!r} turns more than 90° from north or south")
        # N x E: x; N x W: −x; S x E: 180 − x; S x W: 180 + x
        base, sign = (0.0, 1.0) if match["from"][0] == "n" else (180.0, -1.0)
        return (base + (sign if match["to"][0] == "e" else -sign) * angle) % 360.0
    if match := _AZIMUTH.fullmatch(body):
        angle = _angle_deg(match, text)
        if angle > 360.0:
            raise ValueError(f"{text!r} is an azimuth above 360°")
        return angle % 360.0
    if body.startswith("-"):
        raise ValueError(f"{text!r} is negative: write an azimuth from 0 to 360, or N 45° W")
    raise ValueError(f"{text!r} is not a bearing: write N 45°30'15\" E, N45-30-15E or 45.504")


def parse_bearing(text: str, *, declination_deg: float | None = None) -> float:
    """Read a bearing or azimuth and give the azimuth in degrees clockwise from north, [0, 360).

    Accepts ``N 45°30'15" E``, ``N45-30-15E``, ``S 20.5 W``, ``due north``, ``45.504`` and
    ``226°54'23"``. A bearing marked magnetic (see ``is_magnetic``) needs ``declination_deg``
    (east positive): true azimuth = magnetic azimuth + declination. Raises ``ValueError`` with
    the reason in plain words.

    Parameters
    ----------
    text
        What was written.
    declination_deg
        Magnetic declination, degrees east; None where it is not known.

    Returns
    -------
    float
        Azimuth, degrees clockwise from north.

    Raises
    ------
    ValueError
        The text is no bearing, or a magnetic one without declination.

    Examples
    --------
    >>> parse_bearing("S 45 30 E")
    134.5
    """
    body = _plain(_MAGNETIC.sub("", text))
    if not body:
        raise ValueError("the bearing is empty")
    if len(body) > _LONGEST_TEXT:
        raise ValueError(f"{text[:20]!r}… is too long for a bearing")
    if "," in body:
        raise ValueError(f"{text!r} has a comma: write the decimal with a point, as in 45.504")
    azimuth = _bearing_deg(body, text)
    if not is_magnetic(text):
        return azimuth
    if declination_deg is None:
        raise ValueError(f"{text!r} is magnetic: give the declination (degrees, east positive)")
    return (azimuth + _finite(declination_deg, "declination")) % 360.0


def format_bearing(azimuth_deg: float) -> str:
    r"""Write an azimuth as a quadrant bearing to the second.

    >>> format_bearing(45.504166667)
    'N 45°30\'15" E'
    """
    # rounded to whole seconds before it is taken apart: no 60" is written
    seconds = round(_finite(azimuth_deg, "azimuth") % 360.0 * 3600.0) % (360 * 3600)
    right_angle = 90 * 3600
    if seconds <= right_angle:
        start, angle, end = "N", seconds, "E"
    elif seconds <= 2 * right_angle:
        start, angle, end = "S", 2 * right_angle - seconds, "E"
    elif seconds < 3 * right_angle:
        start, angle, end = "S", seconds - 2 * right_angle, "W"
    else:
        start, angle, end = "N", 4 * right_angle - seconds, "W"
    minutes, second = divmod(angle, 60)
    degree, minute = divmod(minutes, 60)
    return f"{start} {degree:02d}°{minute:02d}'{second:02d}\" {end}"


# ------------------------------------------------------------------- areas, volumes, slopes


def is_imperial(unit: LengthUnit) -> bool:
    """Return whether a site's unit is feet or inches."""
    return unit in ("ft", "in")


def small_unit(unit: LengthUnit) -> LengthUnit:
    """Return the unit of pipe sizes and falls at a site."""
    return "in" if is_imperial(unit) else "mm"


def format_area(area_m2: float, unit: LengthUnit) -> str:
    """Write an area in square feet for a site in feet or inches, else in square meters.

    Parameters
    ----------
    area_m2
        Area, m².
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The area as text.

    Examples
    --------
    >>> format_area(92.90304, "ft")
    '1,000 sq ft'
    """
    _finite(area_m2, "area")
    return f"{area_m2 / FOOT_M**2:,.0f} sq ft" if is_imperial(unit) else f"{area_m2:,.1f} m²"


def format_volume(volume_m3: float, unit: LengthUnit) -> str:
    """Write a volume in cubic yards (27 ft³) for a site in feet or inches, else in m³.

    Parameters
    ----------
    volume_m3
        Volume, m³.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The volume as text.

    Examples
    --------
    >>> format_volume(1.529109971968, "ft")
    '2.0 cu yd'
    """
    _finite(volume_m3, "volume")
    if is_imperial(unit):
        return f"{volume_m3 / CUBIC_YARD_M3:,.1f} cu yd"
    return f"{volume_m3:,.2f} m³"


def format_slope(slope: float, unit: LengthUnit) -> str:
    """Write a slope (fall per run) as inches per foot for a site in feet or inches, else in %.

    Inches per foot are rounded to 1/16, with the percentage beside them.

    Parameters
    ----------
    slope
        Fall per run.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The slope as text.

    Examples
    --------
    >>> format_slope(0.25 / 12, "ft")
    '1/4 in/ft (2.08 %)'
    """
    in_percent = f"{_finite(slope, 'slope') * 100.0:.2f} %"
    if not is_imperial(unit):
        return in_percent
    ticks = round(abs(slope) * 12.0 * 16)
    sign = "-" if slope < 0 and ticks else ""
    return f"{sign}{_inches_words(ticks, 16)[:-1]} in/ft ({in_percent})"


def percent(probability: float) -> str:
    """Write a probability as a percentage that claims no more certainty than there is.

    >>> percent(0.7), percent(0.9999), percent(0.0001), percent(1.0)
    ('70 %', 'over 99 %', 'under 1 %', '100 %')
    """
    if 0.0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1.0:
        return "over 99 %"
    return f"{probability * 100.0:.0f} %"
