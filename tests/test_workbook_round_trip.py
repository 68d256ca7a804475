"""The field book gives the very site that the text files give."""

from __future__ import annotations

import dataclasses
import datetime
import shutil
from pathlib import Path

import numpy as np
import pytest
from openpyxl import load_workbook

from sitegis.evidence import Dye
from sitegis.read import read_site
from tests.fill_book import fill_book
from tests.read_folder import SITE, write_folder

FIXTURES = Path(__file__).parent.parent / "fixtures"
EVERYTHING = (
    SITE
    + """
[[wall]]
point = "P1"
side = "left"
thickness = "1 ft"

[[evidence]]
kind = "main_inspection"
main = "front-main"
manhole = "MH-2"
taps = ["31 ft", "-12 ft"]
complete = false

[[evidence]]
kind = "sound"
manhole = "MH-2"
heard = false

[[keep_out]]
id = "gas"
kind = "gas"
points = [["44 ft","0 ft"], ["44 ft","40 ft"]]
clearance = "2 ft"
note = "paint"

[[keep_out]]
id = "bed"
points = [["0 ft","80 ft"], ["9 ft","80 ft"], ["9 ft","90 ft"], ["0 ft","80 ft"]]

[[easement]]
id = "E1"
points = [["50 ft","100 ft"], ["55 ft","100 ft"], ["55 ft","125 ft"], ["50 ft","125 ft"]]

[[ground]]
x = "10 ft"
y = "10 ft"
above_slab = "6 ft"

[noise]
degrees_of_freedom = 5

[prior]
alley = 3

[cost]
surface = {lawn = 20}

[dig]
soil = "B"
"""
)


def plain(value: object) -> object:
    """Return a record as comparable data, without rows and places."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return type(value).__name__, {
            k: v for k, v in fields.items() if k not in ("row", "where") or isinstance(v, tuple)
        }
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple | list):
        return tuple(plain(item) for item in value)
    return value


def same(first: Path, second: Path) -> None:
    one, two = read_site(first).site, read_site(second).site
    for field in dataclasses.fields(one):
        if field.name != "frame":
            assert plain(getattr(two, field.name)) == plain(getattr(one, field.name)), field.name
    assert plain(two.frame) == plain(one.frame)


@pytest.mark.parametrize(
    ("name", "units"),
    [
        ("tape-only", "ft"),
        ("corner-lot-alley", "ft"),
        ("metric-rear-main", "m"),
        ("side-yard-run", "ft"),
    ],
)
def test_a_fixture_typed_into_the_book_is_the_same_site(
    tmp_path: Path, name: str, units: str
) -> None:
    """Each fixture, typed into a blank workbook, gives the records of its text files."""
    fill_book(tmp_path / "book", FIXTURES / name, units)
    if (FIXTURES / name / "layers").exists():
        shutil.copytree(
            FIXTURES / name / "layers", tmp_path / "book" / "layers", dirs_exist_ok=True
        )
    same(FIXTURES / name, tmp_path / "book")


def test_every_table_of_a_site_comes_through(tmp_path: Path) -> None:
    """Walls, taps, inspections, lines and areas of keep-outs, easements, heights, settings."""
    text = write_folder(tmp_path / "text", site=EVERYTHING)
    fill_book(tmp_path / "book", text)
    same(text, tmp_path / "book")
    site = read_site(tmp_path / "book").site
    assert [len(keep_out.points) for keep_out in site.keep_outs] == [2, 3]


def test_corners_of_the_house(tmp_path: Path) -> None:
    """A house given by its corners is read from the sheet corners."""
    site = SITE.replace(
        'setbacks = {front = "25 ft", left = "6 ft"}\nwidth = "26 ft"\ndepth = "44 ft"\n',
        'corners = [["6 ft","25 ft"],["32 ft","25 ft"],["32 ft","69 ft"],["6 ft","69 ft"]]\n',
    )
    text = write_folder(tmp_path / "text", site=site)
    fill_book(tmp_path / "book", text)
    same(text, tmp_path / "book")


def test_dates_truths_and_case(tmp_path: Path) -> None:
    """A true date, a truth from the spreadsheet and a choice in capitals are taken."""
    path = fill_book(tmp_path / "book", write_folder(tmp_path / "text"))
    book = load_workbook(path)
    form = {row[0].value: row[1] for row in book["site"].iter_rows(min_row=3)}
    form["site.surveyed_on"].value = datetime.datetime(2026, 4, 14)
    form["site.rule_set"].value = "US-IPC"
    form["site.surveyed_by"].value = 12
    book["evidence"]["D5"] = False
    book.save(path)
    site = read_site(tmp_path / "book").site
    assert (site.surveyed_on, site.rule_set, site.surveyed_by) == ("2026-04-14", "us-ipc", "12")
    assert isinstance(site.evidence[0], Dye)
    assert not site.evidence[0].seen
