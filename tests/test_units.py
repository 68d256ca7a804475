"""Lengths, bearings, areas, volumes and slopes in trade notation.

Conversion factors: NIST SP 811 (1 ft = 0.3048 m, 1 in = 25.4 mm exactly, 1 yd³ = 0.764554857984
m³), US survey foot 1200/3937 m.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.units import (
    CUBIC_YARD_M3,
    US_SURVEY_FOOT_M,
    LengthUnit,
    format_area,
    format_bearing,
    format_length,
    format_slope,
    format_volume,
    is_magnetic,
    parse_bearing,
    parse_length,
)

UNITS: tuple[LengthUnit, ...] = ("ft", "in", "m", "mm")
LENGTHS = st.floats(-1000, 1000)


@pytest.mark.parametrize(
    ("text", "millimeters"),
    [
        ("12'4\"", 3759.2),
        ("12' 4 1/2\"", 3771.9),
        ("12'-4\"", 3759.2),
        ("12'-4-1/2\"", 3771.9),
        ("12' 4", 3759.2),
        ("12′ 4½″", 3771.9),
        ("12’ 4”", 3759.2),
        ("12 ft 4 in", 3759.2),
        ("12 FEET 4 Inches", 3759.2),
        ("12' 4''", 3759.2),
        ("12' 4.25\"", 3765.55),
        ("12'0\"", 3657.6),
        ('1/2"', 12.7),
        ('4-1/2"', 114.3),
        ("4 1/2 in", 114.3),
        ("148in", 3759.2),
        ("12.33ft", 3758.184),
        ("1'", 304.8),
        ("3.76m", 3760.0),
        ("376 cm", 3760.0),
        ("3760mm", 3760.0),
        (".5 m", 500.0),
        ("-3'6\"", -1066.8),
        ("−40ft", -12192.0),
        ("+ 2 m", 2000.0),
        ("  7 ", 2133.6),
        ("4 1/2", 1371.6),
        ("1e-05", 0.003048),
        ("0", 0.0),
    ],
)
def test_lengths_as_written(text: str, millimeters: float) -> None:
    """Each notation of the trade is read with NIST SP 811's factors (bare numbers in feet)."""
    assert parse_length(text, "ft") * 1000 == pytest.approx(millimeters, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("unit", "millimeters"), [("ft", 304.8), ("in", 25.4), ("m", 1000.0), ("mm", 1.0)]
)
def test_bare_number_takes_the_unit(unit: LengthUnit, millimeters: float) -> None:
    """A number without a unit is in the site's unit."""
    assert parse_length("1", unit) * 1000 == pytest.approx(millimeters)


def test_no_negative_zero() -> None:
    """A written -0 is nought, so that it is not shown as -0 later."""
    assert math.copysign(1.0, parse_length("-0", "m")) == 1.0


def test_metric_lengths_are_exact() -> None:
    """3760 mm and 376 cm are the same number as 3.76 m."""
    assert parse_length("3760mm", "ft") == parse_length("376cm", "ft") == 3.76


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("   ", "empty"),
        ("nan", "not a number"),
        ("-Inf", "not a number"),
        ("1e999", "too large"),
        ("9" * 200, "too long"),
        ("12-4", "more than one way"),
        ('12-4"', "more than one way"),
        ("12-4 1/2", "more than one way"),
        ("4-1/2", "more than one way"),
        ("4-1/2 ft", "more than one way"),
        ("3,76m", "comma"),
        ("1,234 ft", "comma"),
        ("5 furlongs", "not known: furlongs"),
        ("3 cubits", "not known"),
        ("12'12\"", "12 or more inches"),
        ("12' 11 8/8\"", "not below 1"),
        ("12' 4 1/0\"", "over 0"),
        ("12.5' 4\"", "part of a foot beside inches"),
        ("12' 4 3/17\"", "no tape has"),
        ("4½0", "not a length"),
        ("1/2 m", "metric"),
        ("--3", "not a length"),
        ("12'4'", "not a length"),
        ("5 m 20 cm", "not a length"),
        ("twelve feet", "not a length"),
        ("1.2.3", "not a length"),
        ("٣", "not a length"),
        ("3; 4", "not a length"),
    ],
)
def test_lengths_refused_with_a_reason(text: str, reason: str) -> None:
    """What cannot be read, or can be read two ways, is refused in plain words."""
    with pytest.raises(ValueError, match=reason):
        parse_length(text, "ft")


def test_bare_fraction_in_a_metric_site() -> None:
    """A bare fraction means nothing where the site is in meters."""
    with pytest.raises(ValueError, match="bare number here is in m"):
        parse_length("4 1/2", "m")


@settings(deadline=None, max_examples=50)
@given(
    st.text("0123456789'\"/-+.e ftinmc½′", max_size=12) | st.text(max_size=30),
    st.sampled_from(UNITS),
)
def test_any_text_is_read_or_refused(text: str, unit: LengthUnit) -> None:
    """No text does anything but give a finite length or a ValueError that names it."""
    try:
        length = parse_length(text, unit)
    except ValueError as error:
        reason = str(error)
        assert "length" in reason or repr(text) in reason
    else:
        assert math.isfinite(length)


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 500), st.integers(0, 12 * 16 - 1), st.sampled_from(["", "-"]))
def test_tape_readings_go_there_and_back(feet: int, sixteenths: int, sign: str) -> None:
    """Feet, inches and sixteenths written every way give the exact length."""
    part = Fraction(sixteenths, 16)
    whole, rest = divmod(part, 1)
    exact = float((feet * 12 + part) * Fraction(254, 10000)) * (-1 if sign else 1)
    inches = f"{whole} {rest}" if rest else f"{whole}"
    for text in (
        f"{sign}{feet}'{inches}\"",
        f"{sign}{feet}' - {inches}\"",
        f"{sign}{feet} ft {inches} in",
        f"{sign}{feet}′ {inches}″",
        f"{sign}{feet * 12 + float(part)}in",
    ):
        assert parse_length(text, "m") == pytest.approx(exact, abs=1e-12)
    assert parse_length(format_length(exact, "ft", fraction=16), "m") == pytest.approx(exact)
    assert parse_length(format_length(exact, "in", fraction=16), "m") == pytest.approx(exact)


@settings(deadline=None, max_examples=50)
@given(LENGTHS, st.sampled_from(UNITS), st.sampled_from([1, 2, 4, 8, 16, 32]))
def test_written_lengths_are_within_half_the_finest_part(
    length: float, unit: LengthUnit, fraction: int
) -> None:
    """What is written is read back within half of its last place."""
    half = {"m": 0.0005, "mm": 0.0005}.get(unit, 0.0254 / fraction / 2)
    written = format_length(length, unit, fraction=fraction)
    assert parse_length(written, unit) == pytest.approx(length, abs=half + 1e-9)


@pytest.mark.parametrize(
    ("length_m", "unit", "text"),
    [
        (3.7719, "ft", "12' 4 1/2\""),
        (2.7559, "ft", "9' 0 1/2\""),
        (3.7719, "in", '148 1/2"'),
        (3.7719, "m", "3.772 m"),
        (3.7719, "mm", "3772 mm"),
        (0.1143, "ft", '4 1/2"'),
        (0.0127, "ft", '1/2"'),
        (0.0, "ft", '0"'),
        (-1.0668, "ft", "-3' 6\""),
        (0.3048 * 12 - 1e-6, "ft", "12' 0\""),
        (-1e-9, "m", "0.000 m"),
        (-1e-9, "ft", '0"'),
    ],
)
def test_lengths_as_a_tape_is_read(length_m: float, unit: LengthUnit, text: str) -> None:
    """Lengths come out as a tape is read, with carried inches and no negative zero."""
    assert format_length(length_m, unit) == text


def test_length_that_is_not_finite_is_not_written() -> None:
    """NaN is never written as a length."""
    with pytest.raises(ValueError, match="finite"):
        format_length(math.nan, "ft")


# ------------------------------------------------------------------------------- bearings


@pytest.mark.parametrize(
    ("text", "azimuth"),
    [
        ("N 45°30'15\" E", 45 + 30 / 60 + 15 / 3600),
        ("N45-30-15E", 45 + 30 / 60 + 15 / 3600),
        ("n 45 30 15 e", 45 + 30 / 60 + 15 / 3600),
        ("North 45 degrees 30 minutes East", 45.5),
        ("S 45°30' E", 134.5),
        ("S45.5W", 225.5),
        ("N 10 W", 350.0),
        ("N 90 E", 90.0),
        ("S 0 W", 180.0),
        ("N 0 W", 0.0),
        ("45.504", 45.504),
        ("226°54'23\"", 226 + 54 / 60 + 23 / 3600),
        ("226-54-23.5", 226 + 54 / 60 + 23.5 / 3600),
        ("360", 0.0),
        ("due west", 270.0),
        ("South", 180.0),
        ("due north", 0.0),
    ],
)
def test_bearings_as_written(text: str, azimuth: float) -> None:
    """Quadrant bearings and azimuths are read in the ways deeds write them."""
    assert parse_bearing(text) == pytest.approx(azimuth, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("mag", "empty"),
        ("N 91 E", "more than 90"),
        ("N 45 60 E", "60 or more"),
        ("N 45 30 75 E", "60 or more"),
        ("N 45.5 30 E", "decimals before"),
        ("361", "above 360"),
        ("-10", "negative"),
        ("45,5", "comma"),
        ("E 45 N", "not a bearing"),
        ("nan", "not a bearing"),
        ("N E", "not a bearing"),
        ("45-", "not a bearing"),
        ("N 45 - E", "not a bearing"),
        ('N 45" E', "not a bearing"),
        ("1" * 200, "too long"),
    ],
)
def test_bearings_refused_with_a_reason(text: str, reason: str) -> None:
    """A bearing that cannot be is refused in plain words."""
    with pytest.raises(ValueError, match=reason):
        parse_bearing(text)


@pytest.mark.parametrize("text", ["mag N 45 E", "Magnetic N 45 E", "N 45 E mag", "N 45 E (mag.)"])
def test_magnetic_bearing_takes_the_declination(text: str) -> None:
    """A magnetic bearing is recognized and turned by the declination, east positive."""
    assert is_magnetic(text)
    assert parse_bearing(text, declination_deg=-3.25) == pytest.approx(41.75)


def test_magnetic_bearing_without_declination() -> None:
    """A magnetic bearing without a declination is refused, a plain one ignores it."""
    with pytest.raises(ValueError, match="give the declination"):
        parse_bearing("mag N 45 E")
    assert not is_magnetic("N 45 E")
    assert parse_bearing("N 45 E", declination_deg=-3.25) == 45.0


@settings(deadline=None, max_examples=50)
@given(st.floats(-720, 720))
def test_bearings_go_there_and_back(azimuth: float) -> None:
    """A written bearing is read back within half a second of arc."""
    difference = (parse_bearing(format_bearing(azimuth)) - azimuth + 180) % 360 - 180
    assert abs(difference) <= 0.5 / 3600 + 1e-9


@settings(deadline=None, max_examples=50)
@given(
    st.integers(0, 89),
    st.integers(0, 59),
    st.integers(0, 59),
    st.sampled_from("NS"),
    st.sampled_from("EW"),
)
def test_quadrant_bearing_points_into_its_quadrant(
    degrees: int, minutes: int, seconds: int, start: str, end: str
) -> None:
    """Cosine and sine of the azimuth carry the signs of the quadrant, in every notation."""
    angle = math.radians(degrees + minutes / 60 + seconds / 3600)
    north = math.cos(angle) * (1 if start == "N" else -1)
    east = math.sin(angle) * (1 if end == "E" else -1)
    for text in (
        f"{start} {degrees}°{minutes:02d}'{seconds:02d}\" {end}",
        f"{start}{degrees}-{minutes}-{seconds}{end}",
        f"{start} {degrees}° {minutes}′ {seconds}″ {end}",
        f"{start} {degrees} {minutes} {seconds} {end}",
    ):
        azimuth = math.radians(parse_bearing(text))
        assert (math.cos(azimuth), math.sin(azimuth)) == pytest.approx((north, east), abs=1e-12)


@pytest.mark.parametrize(
    ("azimuth", "text"),
    [
        (0.0, "N 00°00'00\" E"),
        (90.0, "N 90°00'00\" E"),
        (180.0, "S 00°00'00\" E"),
        (270.0, "N 90°00'00\" W"),
        (134.5, "S 45°30'00\" E"),
        (225.5, "S 45°30'00\" W"),
        (359.99999, "N 00°00'00\" E"),
        (59.9999, "N 60°00'00\" E"),
    ],
)
def test_bearings_as_a_deed_writes_them(azimuth: float, text: str) -> None:
    """Bearings are written by quadrant, with seconds carried."""
    assert format_bearing(azimuth) == text


# ------------------------------------------------------------------- areas, volumes, slopes


def test_cubic_yard_and_survey_foot() -> None:
    """NIST SP 811: a cubic yard; the US survey foot is 2 ppm longer than the foot."""
    assert pytest.approx(0.764554857984, rel=1e-12) == CUBIC_YARD_M3
    survey_over_international = US_SURVEY_FOOT_M / 0.3048
    assert survey_over_international == pytest.approx(1.000002, abs=1e-9)


def test_areas_and_volumes_follow_the_site() -> None:
    """Feet and inches sites get square feet and cubic yards, metric ones m² and m³."""
    assert format_area(6250 * 0.3048**2, "ft") == "6,250 sq ft"
    assert format_area(580.64, "m") == "580.6 m²"
    assert format_volume(2.5 * 0.764554857984, "in") == "2.5 cu yd"
    assert format_volume(1.5, "mm") == "1.50 m³"


@pytest.mark.parametrize(
    ("slope", "text"),
    [
        (1 / 48, "1/4 in/ft (2.08 %)"),
        (1 / 96, "1/8 in/ft (1.04 %)"),
        (1.25 / 12, "1 1/4 in/ft (10.42 %)"),
        (0.0, "0 in/ft (0.00 %)"),
        (-1 / 96, "-1/8 in/ft (-1.04 %)"),
    ],
)
def test_slopes_in_inches_a_foot(slope: float, text: str) -> None:
    """IPC table 704.1's 1/4 and 1/8 in per foot are 2.08 and 1.04 %."""
    assert format_slope(slope, "ft") == text
    assert format_slope(slope, "m") == text.partition("(")[2].rstrip(")")
