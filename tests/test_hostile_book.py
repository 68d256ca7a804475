"""Small workbooks that would grow without bound are refused while they stream by."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import pytest
from openpyxl import Workbook

from sitegis.read.faults import Report
from sitegis.read.workbook import file as _book_file
from sitegis.read.workbook.file import MOST_CELLS, read_book
from tests.hardness.limited import run_limited

pytestmark = pytest.mark.adverse

SHEET = "xl/worksheets/sheet1.xml"
HEAD = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
TEXTS = '<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
STYLES = '<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
STRINGS, FORMATS = "xl/sharedStrings.xml", "xl/styles.xml"
ROW = f"{HEAD}<sheetData><row>"
# the part, how it begins, what is repeated, how often
BOMBS = {
    "cells of one row": (SHEET, ROW, "<c/>", 3_900_000),
    "cells with values": (SHEET, ROW, "<c><v>1</v></c>", 600_000),
    "rows": (SHEET, f"{HEAD}<sheetData>", "<row/>", 6_000_000),
    "merged cells": (SHEET, f"{HEAD}<mergeCells>", '<mergeCell ref="A1:A1"/>', 3_000_000),
    "texts": (STRINGS, TEXTS, "<si/>", 10_000_000),
    "formats": (FORMATS, f"{STYLES}<cellXfs>", "<xf/>", 900_000),
    "formats said to be cells": (FORMATS, f"{HEAD}<cellXfs>", "<xf/>", 900_000),
}


def book(path: Path) -> Path:
    """Save a small ordinary workbook."""
    made = Workbook()
    made.active["A1"] = "site"
    made.save(path)
    return path


def bomb(folder: Path, name: str) -> Path:
    """Put a part that repeats itself into an ordinary workbook."""
    part, head, again, times = BOMBS[name]
    tail = "".join(f"</{opened}>" for opened in re.findall(r"<(\w+)", head)[::-1])
    ordinary = book(folder / "ordinary.xlsx")
    path = folder / "fieldbook.xlsx"
    with zipfile.ZipFile(ordinary) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for kept in old.infolist():
            if kept.filename != part:
                new.writestr(kept, old.read(kept))
        with new.open(part, "w") as file:
            file.write(head.encode())
            for _ in range(100):
                file.write(again.encode() * (times // 100))
            file.write(tail.encode())
    ordinary.unlink()
    return path


@pytest.mark.parametrize("name", BOMBS)
def test_a_small_workbook_that_grows_is_refused(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each has less than a megabyte, and none of them comes as far as openpyxl."""
    path = bomb(tmp_path, name)
    assert path.stat().st_size < 1_000_000
    monkeypatch.delattr(_book_file, "load_workbook")
    report = Report()
    assert read_book(path, report, folder=tmp_path) is None
    assert [fault.code for fault in report.faults] == ["file-too-big"]


def test_four_million_cells_are_refused_in_little_memory(tmp_path: Path) -> None:
    """The command as a whole, within 10 s and 500 MB; openpyxl took 106 s and 4 GB for them."""
    path = bomb(tmp_path, "cells of one row")
    done = run_limited("check", path.parent, cpu_s=10, memory_mb=500)
    assert (done.returncode, "file-too-big" in done.stderr) == (2, True), done.stderr


def test_the_counts_are_of_the_whole_book(tmp_path: Path) -> None:
    """Many sheets, each below the bound, are above it together."""
    made = Workbook()
    for number in range(3):
        made.create_sheet(f"s{number}")
    made.save(tmp_path / "ordinary.xlsx")
    cells = "<c/>" * (MOST_CELLS // 2)
    with (
        zipfile.ZipFile(tmp_path / "ordinary.xlsx") as old,
        zipfile.ZipFile(tmp_path / "fieldbook.xlsx", "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for kept in old.infolist():
            sheet = f"{HEAD}<sheetData><row>{cells}</row></sheetData></worksheet>"
            whole = kept.filename.startswith("xl/worksheets/")
            new.writestr(kept.filename, sheet if whole else old.read(kept))
    report = Report()
    assert read_book(tmp_path / "fieldbook.xlsx", report, folder=tmp_path) is None
    assert [fault.code for fault in report.faults] == ["file-too-big"]


def test_a_formatted_workbook_is_read(tmp_path: Path) -> None:
    """Borders drawn over 1000 rows of 50 columns, as people do, stay welcome."""
    made = Workbook()
    for row in made.active.iter_rows(min_row=1, max_row=1000, max_col=50):
        for cell in row:
            cell.number_format = "0.00"
    made.active["A1"] = "site"
    made.save(tmp_path / "fieldbook.xlsx")
    report = Report()
    pages = read_book(tmp_path / "fieldbook.xlsx", report, folder=tmp_path)
    assert not report.faults
    assert pages is not None
    assert [len(page.lines) for page in pages.values()] == [1]


def test_a_part_with_a_password_is_told(tmp_path: Path) -> None:
    """An archive that says its parts are encrypted is no readable workbook."""
    path = book(tmp_path / "fieldbook.xlsx")
    raw = bytearray(path.read_bytes())
    for mark, at in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        place = raw.find(mark)
        while place >= 0:
            raw[place + at] |= 1
            place = raw.find(mark, place + 4)
    path.write_bytes(raw)
    report = Report()
    assert read_book(path, report, folder=tmp_path) is None
    assert [fault.code for fault in report.faults] == ["book-broken"]
