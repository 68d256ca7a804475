"""The adjustment as table and text."""

from __future__ import annotations

import json

import numpy as np
import pytest

from sitegis.model.results import AdjustedObservation, Adjustment, PlacedPoint
from sitegis.place.report import (
    adjustment_lines,
    adjustment_table,
    checked,
    global_test,
    point_lines,
)

ADJUSTMENT = Adjustment(
    (
        AdjustedObservation("P1 in room R1, x", 3.0, 0.01, 0.0, 0.0, 0.0, float("inf")),
        AdjustedObservation("tie P1 to P2", 5.0, 0.01, 0.004, 0.5, 0.6, 0.06, ("tie P1 to P3",)),
        AdjustedObservation(
            "tie P2 to P3", 4.0, 0.01, 0.3048, 0.5, 20.0, 0.06, (), True, "one foot off"
        ),
    ),
    1.5,
    2,
    400.0,
    4,
)


def test_the_table_is_plain_json() -> None:
    """Infinity becomes null and every observation keeps its row."""
    rows = json.loads(json.dumps(adjustment_table(ADJUSTMENT), allow_nan=False))
    assert [row["name"] for row in rows] == [o.name for o in ADJUSTMENT.observations]
    assert rows[0]["detectable_m"] is None
    assert rows[2]["removed"] is True


def test_the_lines_put_what_was_left_out_first_and_count_the_unchecked() -> None:
    """Summary, count of unchecked, then the observation that was left out, in feet and inches."""
    lines = adjustment_lines(ADJUSTMENT, "ft")
    assert "400.00 before 1 left out" in lines[0]
    assert lines[1].startswith("1 measurement is")
    assert "LEFT OUT" in lines[2]
    assert "1'" in lines[2]
    assert "one foot off" in lines[2]
    assert "inseparable from tie P1 to P3" in lines[3]


@pytest.mark.parametrize(
    ("chi_square", "free", "bounds", "said"),
    [
        (0.21, 8, "2.18 to 17.53", "better than"),
        (8.0, 8, "2.18 to 17.53", "within"),
        (17.60, 8, "2.18 to 17.53", "worse than"),
        (1.5, 2, "0.05 to 7.38", "within"),
        (11.0, 10, "3.25 to 20.48", "within"),
    ],
)
def test_the_global_test_is_two_sided(chi_square: float, free: int, bounds: str, said: str) -> None:
    """Bounds as printed chi-square tables have them at 0.975 and 0.025.

    2 degrees of freedom: 0.0506 and 7.378; 8: 2.180 and 17.535; 10: 3.247 and 20.483.
    """
    words = global_test(chi_square, free)

    assert f"95 % bounds {bounds}: {said}" in words


def test_without_redundancy_there_is_no_global_test() -> None:
    """Nothing measured twice checks nothing."""
    assert "no global test" in global_test(0.0, 0)


def test_the_points_come_with_their_95_percent_ellipses() -> None:
    """√5.9915 = 2.4477 sigmas, in the site's units; a row per point under the head."""
    point = PlacedPoint(
        "L1", "locate", "R1", 3.0, 4.0, 0.5, 0.25, -np.pi / 4, 0.0, None, 0.05, None, "slab", 2
    )
    lengths = ["3.000", "m", "4.000", "m", "1.224", "m", "0.612", "m"]
    _, head, row = point_lines((point,), "m")

    assert head.startswith("point")
    assert row.split() == ["L1", "locate", *lengths, "135°"]


def test_what_was_left_out_comes_first_then_the_worst() -> None:
    """By python's sort on the size of w; what nothing checks is left out."""
    ws = {"a": -0.4, "b": 2.9, "c": -3.6, "d": 1.1, "e": 9.0}
    made = tuple(
        AdjustedObservation(
            name, 3.1, 0.02, 0.01, 1e-4 if name == "e" else 0.6, w, 0.1, removed=name == "d"
        )
        for name, w in ws.items()
    )
    found = checked(Adjustment(made, 1.0, 2, 0.5, 0))
    assert [one.name for one in found] == ["d", "c", "b", "a"]
