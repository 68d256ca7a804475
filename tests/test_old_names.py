"""Names of the release before: a folder that has them is read as it was, and told the new ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from sitegis.messages.errors import BadInput
from sitegis.model.survey import Survey
from sitegis.read import read_site
from tests.fill_book import fill_book
from tests.read_folder import SITE, write_folder

TODAY = (
    SITE
    + """
[[evidence]]
kind = "cable_to_main"
footage = "62 ft"

[noise]
footage_share = 0.03
footage_floor = "5 in"
"""
)
# File, today's words, those of the release before, and how a notice names the two.
NAMES = (
    ("site.toml", 'kind = "neighbors"', 'kind = "neighbours"', "'neighbours'", "'neighbors'"),
    ("site.toml", 'kind = "water-closet"', 'kind = "toilet"', "'toilet'", "'water-closet'"),
    ("site.toml", 'footage = "62 ft"', 'count = "62 ft"', "'count'", "'footage'"),
    ("site.toml", "footage_share", "cable_count_share", "'cable_count_share'", "'footage_share'"),
    ("site.toml", "footage_floor", "cable_count_floor", "'cable_count_floor'", "'footage_floor'"),
    ("locates.csv", "depth,footage", "depth,cable_count", "'cable_count'", "'footage'"),
)


def old_names_in(survey: Survey) -> tuple[list[str], Survey]:
    """Return the notices of old names, and the survey without them."""
    told = [notice for notice in survey.site.notices if notice.code == "old-name"]
    assert not any(notice.needs_person for notice in told)
    others = tuple(notice for notice in survey.site.notices if notice.code != "old-name")
    site = replace(survey.site, notices=others)
    return [notice.message for notice in told], replace(survey, site=site)


def older(folder: Path) -> Path:
    """Write the folder of today, then the names of the release before into it."""
    write_folder(folder, site=TODAY)
    for name, new, old, _, _ in NAMES:
        text = (folder / name).read_text("utf-8")
        assert new in text
        (folder / name).write_text(text.replace(new, old), "utf-8")
    return folder


def test_an_old_folder_is_read_as_one_of_today(tmp_path: Path) -> None:
    """Each old name is read as the new one; one notice each, which names both and needs nobody."""
    today = read_site(write_folder(tmp_path / "today", site=TODAY))
    told, rest = old_names_in(read_site(older(tmp_path / "older")))
    assert rest == today
    assert len(told) == len(NAMES)
    for *_, old, new in NAMES:
        assert any(old in message and new in message for message in told)


def test_an_old_name_beside_the_new_one_is_a_fault(tmp_path: Path) -> None:
    """Nobody can tell which of two values is meant."""
    both = TODAY.replace("footage_share = 0.03", "footage_share = 0.03\ncable_count_share = 0.02")
    with pytest.raises(BadInput) as raised:
        read_site(write_folder(tmp_path, site=both))
    assert [fault.code for fault in raised.value.faults] == ["key-unknown"]


def test_an_old_field_book_is_read_as_one_of_today(tmp_path: Path) -> None:
    """The same headings and keys in the sheets of a workbook."""
    books = {}
    source = write_folder(tmp_path / "source", site=TODAY)
    for age in ("today", "older"):
        path = fill_book(tmp_path / age, source)
        if age == "older":
            book = load_workbook(path)
            write_old(book["locates"], "footage", "cable_count")
            write_old(book["settings"], "noise.footage_share", "noise.cable_count_share")
            book.save(path)
        books[age] = read_site(path.parent)
    told, rest = old_names_in(books["older"])
    assert rest == books["today"]
    assert len(told) == 2


def write_old(sheet: Worksheet, new: str, old: str) -> None:
    """Write an old name into the cells that hold the new one."""
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value == new]
    assert cells
    for cell in cells:
        cell.value = old
