"""Typical slips: what was really measured is among what is proposed."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.place.proposals import likely_blunders
from sitegis.units import parse_length


@pytest.mark.parametrize(
    ("written", "meant", "words"),
    [
        ("4'11\"", "11'4\"", "feet and inches swapped"),
        ("7'3\"", "8'3\"", "one foot off"),
        ("16'2\"", "19'2\"", "a 6 and a 9 confused in the feet"),
        ("10'9\"", "10'6\"", "a 6 and a 9 confused in the inches"),
        ("21'5\"", "12'5\"", "two digits changed over in the feet"),
        ("8'10 1/2\"", "8'1 1/2\"", "two digits changed over in the inches"),
        ("3'8\"", "8'3\"", "feet and inches swapped"),
        ("-3'8\"", "-8'3\"", "feet and inches swapped"),
        ("3.25ft", "3.25m", "meters typed as feet"),
        ("12.5ft", "12.5in", "inches typed as feet"),
    ],
)
def test_imperial_slips_hold_what_was_meant(written: str, meant: str, words: str) -> None:
    """The length that was meant is proposed under its slip."""
    value, expected = parse_length(written, "ft"), parse_length(meant, "ft")
    assert any(
        w == words and v == pytest.approx(expected)
        for w, v in likely_blunders(value, imperial=True)
    )


@pytest.mark.parametrize(
    ("written", "meant", "words"),
    [
        ("3.760", "3.670", "two digits changed over"),
        ("1.960", "1.990", "a 6 and a 9 confused"),
        ("-1.960", "-1.990", "a 6 and a 9 confused"),
        ("12.5m", "12.5ft", "feet typed as meters"),
        ("4.20", "5.20", "1 m off"),
        ("4.20", "4.30", "0.1 m off"),
    ],
)
def test_metric_slips_hold_what_was_meant(written: str, meant: str, words: str) -> None:
    """The same with meters."""
    value, expected = parse_length(written, "m"), parse_length(meant, "m")
    assert any(
        w == words and v == pytest.approx(expected)
        for w, v in likely_blunders(value, imperial=False)
    )


@settings(deadline=None, max_examples=30)
@given(st.floats(0.1, 5.0), st.floats(5.0, 9.0))
def test_the_other_wall_is_proposed_where_the_room_size_is_known(x: float, size: float) -> None:
    """Measured from the other wall, an offset is the room's size less the offset."""
    found = dict(likely_blunders(x, imperial=False, room_size_m=size))
    assert found["measured from the other wall"] == pytest.approx(size - x)
    assert "measured from the other wall" not in dict(likely_blunders(x, imperial=False))
