"""The field book in a real spreadsheet program, and what only a spreadsheet does to it."""

from __future__ import annotations

import datetime
import io
import re
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from openpyxl.comments import Comment
from openpyxl.styles import PatternFill
from reportlab.lib.utils import simpleSplit

from sitegis.messages.errors import BadInput, Fault
from sitegis.model.site import Site
from sitegis.read import read_site, start_site
from tests.fill_book import fill_book
from tests.read_folder import write_folder
from tests.test_workbook_faults import form_cell
from tests.test_workbook_round_trip import FIXTURES, same

FOOT_M = 0.3048
UNITS = {"corner-lot-alley": "ft", "metric-rear-main": "m"}
SUMS, BOOK = "corner-lot-alley", "fieldbook.xlsx"
FILLED = ("site", "rooms", "streets", "mains", "locates")  # of the book that is spoiled


@pytest.fixture(scope="module")
def good_book(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("good")
    return fill_book(folder / "book", write_folder(folder / "text")).read_bytes()


def changed(folder: Path, good: bytes, change: Callable[[Any], object]) -> Path:
    book = load_workbook(io.BytesIO(good))
    change(book)
    folder.mkdir(exist_ok=True)
    book.save(folder / "fieldbook.xlsx")
    return folder


def read(folder: Path) -> Site | list[tuple[str, str]]:
    """Read a folder: its site, or the codes and fields of its faults."""
    faults: tuple[Fault, ...] = ()
    try:
        return read_site(folder).site
    except BadInput as error:
        faults = error.faults
    return [(fault.code, fault.field) for fault in faults]


def calculate(book: Any) -> None:
    """Type formulas, a date and per cent as a user does; a spreadsheet calculates on opening.

    They give what the text of the corner lot says: 15' 0", 16' 10 3/4", the day, 3 %.
    """
    feet_and_inches = '="16" & CHAR(39) & " 10 3/4" & CHAR(34)'
    for cell, formula in (("D7", "=3*5"), ("E7", feet_and_inches)):
        book["locates"][cell].number_format = "General"
        book["locates"][cell] = formula
    form_cell(book, "site.surveyed_on").value = datetime.datetime(2026, 4, 14)
    form_cell(book, "noise.depth_share").value = 0.03
    form_cell(book, "noise.depth_share").number_format = "0%"


def err(book: Any) -> None:
    """Type formulas whose cell is gone, or that divide by nothing; leave out what is empty."""
    for page in book.worksheets:
        if page.title not in FILLED:
            book.remove(page)
    book["locates"]["E7"], book["mains"]["C5"] = "=#REF!+1", "=1/0"


def test_a_spreadsheet_saves_the_book_that_was_filled_in(
    tmp_path: Path, good_book: bytes, resave: Callable[[list[Path]], Path]
) -> None:
    """Opened and saved by LibreOffice, two fixtures are the sites of their text files.

    Formulas in one of them give their values; a formula with an error is a fault at its cell.
    """
    texts, paths = {}, []
    for name, units in UNITS.items():
        texts[name] = shutil.copytree(FIXTURES / name, tmp_path / "text" / name)
        book = fill_book(tmp_path / name, texts[name], units)
        paths.append(book.rename(tmp_path / f"{name}.xlsx"))
    with (texts[SUMS] / "site.toml").open("a", encoding="utf-8") as file:
        file.write("\n[noise]\ndepth_share = 0.03\n")
    changed(tmp_path / SUMS, paths[0].read_bytes(), calculate).joinpath(BOOK).rename(paths[0])
    book = changed(tmp_path / "errors", good_book, err) / BOOK
    paths.append(book.rename(tmp_path / "errors.xlsx"))
    saved = resave(paths)
    for path in paths:
        shutil.copy(saved / path.name, tmp_path / path.stem / BOOK)
    for name, text in texts.items():
        if (text / "layers").exists():
            shutil.copytree(text / "layers", tmp_path / name / "layers", dirs_exist_ok=True)
        same(text, tmp_path / name)
    site = read(tmp_path / SUMS)
    assert isinstance(site, Site)
    x_m, y_m = 15 * FOOT_M, (16 + 10.75 / 12) * FOOT_M
    assert (site.locates[2].x_m, site.locates[2].y_m) == pytest.approx((x_m, y_m))
    assert (site.surveyed_on, site.noise.depth_share) == ("2026-04-14", 0.03)
    assert read(tmp_path / "errors") == [
        ("cell-error", "mains!C5 (offset)"),
        ("cell-error", "locates!E7 (y)"),
    ]


def _type(cell: str, value: object, number_format: str = "@") -> Callable[[Any], None]:
    """Type a value into a cell of locates that has a number format."""

    def change(book: Any) -> None:
        book["locates"][cell] = value
        book["locates"][cell].number_format = number_format
        if isinstance(value, str):
            book["locates"][cell].data_type = "s"

    return change


def _merge(cells: str, value: object = None) -> Callable[[Any], None]:
    def change(book: Any) -> None:
        if value is not None:
            book["locates"][cells.partition(":")[0]] = value
        book["locates"].merge_cells(cells)

    return change


def _date_as_number(book: Any) -> None:
    form_cell(book, "site.surveyed_on").value = 46126
    form_cell(book, "site.surveyed_on").number_format = "General"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (_type("D7", 0.02, "0%"), [("cell-format", "locates!D7 (x)")]),
        (_type("D7", 3.76, '0.00" m"'), [("cell-format", "locates!D7 (x)")]),
        (_type("D7", 3.76, r"0.00\m"), [("cell-format", "locates!D7 (x)")]),
        (_type("D7", "=3*4"), [("cell-formula", "locates!D7 (x)")]),
        (_type("D7", datetime.datetime(2026, 1, 2), "m/d"), [("cell-date", "locates!D7 (x)")]),
        (_type("D7", datetime.time(12, 4), "h:mm"), [("cell-time", "locates!D7 (x)")]),
        (_date_as_number, [("cell-number", "site!B16 (site.surveyed_on)")]),
        (_merge("C6:C7"), [("cell-merged", "locates!C7 (room)")]),
        (_merge("L6:L7", "soil"), [("cell-merged", "locates!L7 (surface)")]),
        (lambda book: book["site"].merge_cells("B4:B5"), [("cell-merged", "site!B5 (site.units)")]),
    ],
)
def test_what_a_cell_shows_but_does_not_hold_is_told(
    tmp_path: Path, good_book: bytes, change: Callable[[Any], None], told: list[tuple[str, str]]
) -> None:
    """A unit or per cent of the format, a formula as text, a date, merged cells: at the cell."""
    assert read(changed(tmp_path, good_book, change)) == told


def _harmless(book: Any) -> None:
    """Do what a user does to a sheet without changing what it says."""
    page = book["locates"]
    for cell, number_format in (("D7", "[Red]#,##0.00"), ("E7", "# ?/?"), ("G7", "0.00E+00")):
        page[cell].number_format = number_format
    page["D7"].comment = Comment("measured twice", "crew")
    page["M6"] = "a long note"
    for cells in ("A1:F1", "O6:R6", "A40:A41"):  # O is past the last column
        page.merge_cells(cells)
    book["site"].merge_cells("A3:C3")
    page.auto_filter.ref = "A2:M20"
    for column in range(1, 14):
        page.cell(60, column).fill = PatternFill("solid", fgColor="FF0000")
    page.column_dimensions["K"].hidden = True
    book.move_sheet("site", 10)
    book.move_sheet("locates", -5)


def test_what_changes_nothing_is_read(tmp_path: Path, good_book: bytes) -> None:
    """Formats, a comment, a filter, merged titles, other order of sheets: the same site."""
    (tmp_path / "good").mkdir()
    (tmp_path / "good" / "fieldbook.xlsx").write_bytes(good_book)
    plain, site = read(tmp_path / "good"), read(changed(tmp_path / "other", good_book, _harmless))
    assert isinstance(plain, Site)
    assert isinstance(site, Site)
    assert site.locates[2:] == plain.locates[2:]
    assert site.notices == plain.notices


def test_hidden_values_are_read_and_named(tmp_path: Path, good_book: bytes) -> None:
    """A hidden row, column or sheet counts, and a notice says so."""

    def change(book: Any) -> None:
        book["locates"].row_dimensions[7].hidden = True
        book["locates"].column_dimensions["G"].hidden = True
        book["rooms"].sheet_state = "hidden"
        for row in (4, 9):  # of these the second holds no value
            book["site"].row_dimensions[row].hidden = True

    site = read(changed(tmp_path, good_book, change))
    assert isinstance(site, Site)
    assert [(n.where, n.message) for n in site.notices if n.code == "hidden-read"] == [
        ("site", "Hidden in sheet site, but read: row 4."),
        ("rooms", "Hidden in sheet rooms, but read: the whole sheet."),
        ("locates", "Hidden in sheet locates, but read: row 7, column footage."),
    ]


def test_a_million_formatted_rows_are_no_rows(tmp_path: Path, good_book: bytes) -> None:
    """Formats down to a sheet's last row (1 048 576, ECMA-376) do not count as rows.

    Every eighth has one: as many again would be read eight times as long.
    """
    with zipfile.ZipFile(io.BytesIO(good_book)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = next(name for name, content in parts.items() if b'r="G7"' in content)
    last = max(int(row) for row in re.findall(rb'<row r="(\d+)"', parts[name]))
    empty = range(last + 8 - last % 8, 1048577, 8)
    rows = "".join(f'<row r="{row}" s="1" customFormat="1"/>' for row in empty)
    parts[name] = parts[name].replace(b"</sheetData>", rows.encode() + b"</sheetData>")
    with zipfile.ZipFile(tmp_path / "fieldbook.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        for part, content in parts.items():
            archive.writestr(part, content)
    assert isinstance(read(tmp_path), Site)


def test_rows_out_of_order_are_no_workbook(tmp_path: Path, good_book: bytes) -> None:
    """No spreadsheet writes rows that go back: some would be passed over."""
    with zipfile.ZipFile(io.BytesIO(good_book)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(tmp_path / "fieldbook.xlsx", "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content.replace(b'<row r="6"', b'<row r="3"'))
    assert read(tmp_path) == [("book-broken", "file")]


@pytest.mark.parametrize("name", ["fieldbook.ods", "fieldbook.xls", "Fieldbook.xlsx", "a b.xlsm"])
def test_a_spreadsheet_of_another_kind_or_name(tmp_path: Path, name: str) -> None:
    """It is named, and the name and kind to save it under."""
    (tmp_path / name).write_bytes(b"")
    with pytest.raises(BadInput) as caught:
        read_site(tmp_path)
    (fault,) = caught.value.faults
    assert (fault.code, fault.value) == ("book-name", name)
    assert ".xlsx" in fault.remedy


def test_another_kind_of_file_under_the_book_s_name(tmp_path: Path) -> None:
    """An OpenDocument file renamed, an old or locked workbook: said so, with the remedy."""
    with zipfile.ZipFile(tmp_path / "fieldbook.xlsx", "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<office/>")
    with pytest.raises(BadInput, match="OpenDocument"):
        read_site(tmp_path)
    # [MS-CFB] 2.2: the first bytes of an old .xls and of a workbook with a password
    (tmp_path / "fieldbook.xlsx").write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + bytes(600))
    with pytest.raises(BadInput, match="password"):
        read_site(tmp_path)


@pytest.mark.parametrize(
    ("beside", "code"),
    [
        ("~$fieldbook.xlsx", "book-open"),
        (".~lock.fieldbook.xlsx#", "book-open"),
        ("fieldbook.ods", "book-other"),
    ],
)
def test_what_lies_beside_the_book_is_told(
    tmp_path: Path, good_book: bytes, beside: str, code: str
) -> None:
    """A lock left by an open spreadsheet, or a second spreadsheet, is a notice."""
    (tmp_path / "fieldbook.xlsx").write_bytes(good_book)
    (tmp_path / beside).write_bytes(b"crew")
    site = read(tmp_path)
    assert isinstance(site, Site)
    assert [n.code for n in site.notices if n.code.startswith("book-")] == [code]


@pytest.mark.parametrize("units", ["ft", "m"])
def test_no_text_of_the_blank_book_is_cut(tmp_path: Path, units: str) -> None:
    """Every wrapped text fits its row, every heading and example its column.

    By the widths of Helvetica's letters (Adobe's metrics, which Arial shares). A column's width
    counts digits of 7 pixels, and 5 pixels are its margins (ECMA-376, part 1, 18.3.1.13).
    """
    book = load_workbook(start_site(tmp_path, units, workbook=True)[0])
    for page in book.worksheets:
        for row in page.iter_rows():
            for cell in row:
                wide = 0.75 * (7 * page.column_dimensions[cell.column_letter].width + 5) - 4
                size = float(cell.font.size)
                font = "Helvetica-Bold" if cell.font.bold else "Helvetica"
                lines = len(simpleSplit(str(cell.value or ""), font, size, wide))
                if cell.alignment.wrap_text:
                    assert lines * 1.2 * size <= page.row_dimensions[cell.row].height, cell
                elif page.title not in ("site", "settings") and cell.row in (2, 4):
                    assert lines <= 1, cell
