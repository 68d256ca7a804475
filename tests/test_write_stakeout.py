"""``stakeout.csv``: places that can be found again, cells that no spreadsheet will run."""

from __future__ import annotations

import csv
import io
import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from sitegis.model.survey import Survey
from sitegis.write.stakeout import plain_cell, stakeout_bytes

from .filled import filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


@pytest.fixture(scope="module")
def rows(survey: Survey) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(stakeout_bytes(survey).decode("utf-8"), newline="")))


def test_every_pit_and_the_exit_are_there(rows: list[dict[str, str]]) -> None:
    """Both pits and the exit have a row of their own, and all are marked inferred."""
    assert {"pit-1", "pit-2", "exit"} <= {row["name"] for row in rows}
    assert {row["evidence_class"] for row in rows} == {"inferred"}


def test_every_row_has_every_column(survey: Survey) -> None:
    """A strict reader finds the same number of cells in every line."""
    table = list(csv.reader(io.StringIO(stakeout_bytes(survey).decode(), newline=""), strict=True))
    assert {len(row) for row in table} == {len(table[0])}


def test_grid_and_degrees_are_the_same_place(survey: Survey, rows: list[dict[str, str]]) -> None:
    """pyproj takes the degrees to the easting and northing of the same row, to a millimeter."""
    forward = Transformer.from_crs(4326, survey.site.frame.crs, always_xy=True)
    for row in rows:
        grid = forward.transform(float(row["longitude"]), float(row["latitude"]))
        assert grid == pytest.approx((float(row["easting"]), float(row["northing"])), abs=1e-3)


def test_tape_and_meters_say_the_same(rows: list[dict[str, str]]) -> None:
    """Feet and inches beside meters agree within half an inch and half a mm."""
    for row in rows:
        feet, _, inches = row["tie_1_distance"].rstrip('"').rpartition("' ")
        tape_m = (int(feet or 0) * 12 + int(inches)) * 0.0254
        assert tape_m == pytest.approx(float(row["tie_1_m"]), abs=0.0127 + 0.0005 + 1e-9)


def test_ties_meet_at_the_place(survey: Survey, rows: list[dict[str, str]]) -> None:
    """The distance from the named corner, worked out from the house's outline, is the tie's."""
    corners = dict(
        zip(
            ("front-left", "front-right", "rear-right", "rear-left"),
            survey.site.building.vertices,
            strict=True,
        )
    )
    checked = 0
    for row in rows:
        for i in (1, 2, 3):
            words = row[f"tie_{i}_from"].split()
            if words[2:] == ["building", "corner"]:
                x, y = corners[words[1]]
                distance = math.hypot(float(row["x_m"]) - x, float(row["y_m"]) - y)
                assert float(row[f"tie_{i}_m"]) == pytest.approx(distance, abs=2e-3)
                checked += 1
    assert checked >= 3


@settings(deadline=None, max_examples=50)
@given(st.text(max_size=20), st.sampled_from(["=", "+", "-", "@", "\t=", " =", "\r", "\n@", ""]))
@example("0", "\r")
def test_no_cell_begins_a_formula(text: str, start: str) -> None:
    """Whatever a name begins with, the cell begins neither with a formula sign nor a control."""
    cell = plain_cell(start + text)
    if cell and cell.lstrip()[:1] in ("=", "+", "-", "@"):
        float(cell)
    assert not cell.startswith(("\t", "\r", "\n")) or cell.startswith("'")
    assert cell.removeprefix("'") == (start + text).removeprefix("'")
