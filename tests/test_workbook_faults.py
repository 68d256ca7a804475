"""Every slip in the field book names its sheet and cell."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from string import ascii_uppercase, digits
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from openpyxl import Workbook, load_workbook
from openpyxl.utils import column_index_from_string

from sitegis import to_the_wall
from sitegis.messages.errors import BadInput, ComputationError, Fault
from sitegis.model.survey import Survey
from sitegis.read import read_site
from sitegis.read.workbook import file as _book_file
from tests.fill_book import fill_book
from tests.read_folder import SITE, write_folder

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


@pytest.fixture(scope="module")
def good_book(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("good")
    return fill_book(folder / "book", write_folder(folder / "text")).read_bytes()


@pytest.fixture(scope="module")
def good_cells(good_book: bytes) -> Any:
    """Return the good book opened."""
    return load_workbook(io.BytesIO(good_book))


def spoiled(folder: Path, good: bytes, spoil: Callable[[Any], object]) -> tuple[Fault, ...]:
    path = folder / "fieldbook.xlsx"
    path.write_bytes(good)
    book = load_workbook(path)
    spoil(book)
    book.save(path)
    return faults_of(folder)


def typed_over(
    folder: Path, good: bytes, sheet: str, cell: str, value: object
) -> tuple[Fault, ...]:
    """Return the faults once one cell holds a value, set in its sheet's own XML."""

    def change(parts: dict[str, bytes]) -> None:
        names = re.findall(r'<sheet [^>]*name="([^"]+)"', parts["xl/workbook.xml"].decode())
        part = f"xl/worksheets/sheet{names.index(sheet) + 1}.xml"
        tree = etree.fromstring(parts[part])
        (row,) = tree.iterfind(f".//{{*}}row[@r='{cell.lstrip(ascii_uppercase)}']")
        before = [c for c in row if column_of(c.get("r", "")) < column_of(cell)]
        for old in row.findall(f"{{*}}c[@r='{cell}']"):
            row.remove(old)
        if value is not None:
            text = isinstance(value, str)
            new = etree.Element(f"{MAIN}c", r=cell, t="inlineStr" if text else "n")
            holder = etree.SubElement(new, f"{MAIN}is") if text else new
            etree.SubElement(holder, f"{MAIN}{'t' if text else 'v'}").text = str(value)
            row.insert(len(before), new)
        parts[part] = etree.tostring(tree)

    rewritten(folder, good, change)
    return faults_of(folder)


def column_of(cell: str) -> int:
    """Return the number of a cell's column."""
    return int(column_index_from_string(cell.rstrip(digits)))


def faults_of(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    return caught.value.faults


def form_cell(book: Any, key: str) -> Any:
    """Find the value beside a key of a form."""
    for page in (book["site"], book["settings"]):
        for row in page.iter_rows(min_row=3):
            if row[0].value == key:
                return row[1]
    raise AssertionError(key)


def test_the_book_to_spoil_is_good(tmp_path: Path, good_book: bytes) -> None:
    """The book that the other tests spoil has no fault."""
    (tmp_path / "fieldbook.xlsx").write_bytes(good_book)
    assert read_site(tmp_path).site.name == "Invented tiny site"


CELLS = [
    # (sheet, cell, what is typed, code, heading): every kind of fault of a CSV row
    ("locates", "D7", "12-4", "length-unreadable", "x"),
    ("locates", "E7", None, "cell-empty", "y"),
    ("locates", "B7", "locat", "kind-unknown", "kind"),
    ("locates", "C7", "R9", "room-unknown", "room"),
    ("locates", "A7", "P1", "id-twice", "id"),
    ("locates", "A7", "P:1", "name-unfit", "id"),
    ("locates", "F7", None, "depth-missing", "depth"),
    ("locates", "F7", -3, "depth-negative", "depth"),
    ("locates", "F7", 500, "depth-absurd", "depth"),
    ("locates", "F7", "9 ft", "depth-jumps", "depth"),
    ("locates", "D7", "40 ft", "point-outside-room", "x"),
    ("locates", "G7", -1, "count-negative", "footage"),
    ("locates", "G9", 0.5, "count-too-short", "footage"),
    ("locates", "H7", "up", "heading-unreadable", "heading"),
    ("locates", "J7", 12, "lift-half", "depth_lifted"),
    ("locates", "K7", -1, "spacing-negative", "null_spacing"),
    ("ties", "B5", "nowhere", "tie-unknown", "to"),
    ("ties", "C5", 0, "tie-not-positive", "distance"),
    ("ties", "B5", "CO", "tie-to-itself", "to"),
    ("rooms", "C5", "front", "value-not-allowed", "corner"),
    ("rooms", "A6", "R1", "id-twice", "id"),
    ("streets", "D5", "3 in", "row-width-absurd", "row_width"),
    ("streets", "A6", "First Street", "id-twice", "name"),
    ("mains", "B5", "Frist Street", "street-unknown", "street"),
    ("mains", "F5", 675.10, "invert-absurd", "invert"),
    ("mains", "D5", "8 ft 40 in", "length-unreadable", "diameter"),
    ("taps", "C5", "9000 ft", "tap-off-main", "distance"),
    ("taps", "B5", "MH-9", "manhole-unknown", "manhole"),
    ("taps", "A5", "no-main", "main-unknown", "main"),
    ("evidence", "A5", "dyed", "value-not-allowed", "kind"),
    ("evidence", "D5", "maybe", "value-wrong", "seen"),
    ("evidence", "E5", None, "key-missing", "waited"),
    ("evidence", "N5", "3 ft", "key-unknown", "depth"),
    ("evidence", "B6", "no-main", "main-unknown", "main"),
    ("fixtures", "D5", "R9", "room-unknown", "room"),
]


@pytest.mark.parametrize(("sheet", "cell", "typed", "code", "heading"), CELLS)
def test_a_fault_names_its_cell(
    tmp_path: Path, good_book: bytes, sheet: str, cell: str, typed: object, code: str, heading: str
) -> None:
    """One slip, one fault of the right code at the very cell, in the workbook's words."""
    faults = typed_over(tmp_path, good_book, sheet, cell, typed)
    if code == "lift-half":
        cell = "I7"  # the half that is missing
    assert [(f.code, f.field) for f in faults if f.code == code] == [
        (code, f"{sheet}!{cell} ({heading})")
    ], faults
    assert {f.file for f in faults} == {"fieldbook.xlsx"}
    assert {f.row for f in faults if f.code == code} == {int(cell[1:])}
    assert not any(".csv" in str(f) or ".toml" in str(f) or "[[" in str(f) for f in faults)


@pytest.mark.parametrize(
    ("key", "typed", "code"),
    [
        ("site.name", None, "key-missing"),
        ("site.rule_set", "us-ipcc", "value-not-allowed"),
        ("site.ground_above_slab", "7-0", "length-unreadable"),
        ("site.surveyed_on", "yesterday", "date-unreadable"),
        ("lot.latitude", 141.2, "lonlat-out-of-range"),
        ("lot.sides.rear", None, "key-missing"),
        ("building.width", None, "key-missing"),
        ("noise.degrees_of_freedom", 2, "value-out-of-range"),
    ],
)
def test_a_fault_names_the_value_of_a_form(
    tmp_path: Path, good_book: bytes, good_cells: Any, key: str, typed: object, code: str
) -> None:
    """A slip in a form is a fault at column B of its key."""
    cell = form_cell(good_cells, key)
    sheet, place = cell.parent.title, cell.coordinate
    faults = typed_over(tmp_path, good_book, sheet, place, typed)
    assert (code, f"{sheet}!{place} ({key})") in {(f.code, f.field) for f in faults}


def test_what_only_a_spreadsheet_does(tmp_path: Path, good_book: bytes) -> None:
    """A formula without a value, an error, a date out of 12-4: each at its cell."""

    def spoil(book: Any) -> None:
        book["locates"]["D7"] = "=D6+1"
        book["locates"]["E8"] = "#REF!"
        book["locates"]["F9"].number_format = "yyyy-mm-dd"
        book["locates"]["F9"] = 46360
        book["mains"]["C5"] = "=10*3"
        form_cell(book, "building.width").value = "=20+6"

    faults = spoiled(tmp_path, good_book, spoil)
    assert {(f.code, f.field) for f in faults} == {
        ("cell-not-calculated", "locates!D7 (x)"),
        ("cell-error", "locates!E8 (y)"),
        ("cell-date", "locates!F9 (depth)"),
        ("cell-not-calculated", "mains!C5 (offset)"),
        ("cell-not-calculated", f"site!{_row_of('building.width', good_book)} (building.width)"),
    }


def _row_of(key: str, good: bytes) -> str:
    return str(form_cell(load_workbook(io.BytesIO(good)), key).coordinate)


def test_a_formula_counts_by_its_last_value(tmp_path: Path, good_book: bytes) -> None:
    """A cached value, as a spreadsheet writes it, is taken."""
    source = tmp_path / "fieldbook.xlsx"
    source.write_bytes(good_book)
    with zipfile.ZipFile(source) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    changed = 0
    for name, content in parts.items():
        parts[name], count = re.subn(
            rb'(<c r="G7"[^>]*?) t="n"><v>6</v>', rb"\1><f>3+3.5</f><v>6.5</v>", content
        )
        changed += count
    assert changed == 1
    with zipfile.ZipFile(source, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    assert read_site(tmp_path).site.locates[2].footage_m == pytest.approx(6.5 * 0.3048)


def test_book_and_text_files_together(tmp_path: Path, good_book: bytes) -> None:
    """Both in one folder are a fault that names the text files."""
    write_folder(tmp_path)
    (tmp_path / "fieldbook.xlsx").write_bytes(good_book)
    (fault,) = faults_of(tmp_path)[:1]
    assert fault.code == "two-sources"
    assert "site.toml, locates.csv, ties.csv" in fault.reason


def test_examples_are_not_read_but_told_where_written_over(
    tmp_path: Path, good_book: bytes
) -> None:
    """An example row is left out; one that was written over needs a person."""
    path = tmp_path / "fieldbook.xlsx"
    path.write_bytes(good_book)
    assert "example-row" not in {n.code for n in read_site(tmp_path).site.notices}
    book = load_workbook(path)
    book["locates"]["D4"] = "7 ft"
    book.create_sheet("my sums")
    book.save(path)
    site = read_site(tmp_path).site
    assert not any(locate.id.startswith("example") for locate in site.locates)
    told = {n.code: (n.where, n.needs_person) for n in site.notices}
    assert told["example-row"] == ("locates!4:4", True)
    assert told["sheet-not-read"] == ("fieldbook.xlsx", False)


def test_sheets_and_headings(tmp_path: Path, good_book: bytes) -> None:
    """A missing sheet, a heading that is not known, a cell under no heading, a key twice."""
    codes = {f.code for f in spoiled(tmp_path, good_book, lambda book: book.remove(book["site"]))}
    assert "sheet-missing" in codes

    def spoil(book: Any) -> None:
        book["locates"]["L2"] = "surfase"
        book["ties"]["G5"] = "stray"
        last = book["site"].max_row + 1
        book["site"].cell(last, 1, "site.name")
        book["site"].cell(last, 2, "another")
        book["site"].cell(last + 1, 1, "site.color")
        book["site"].cell(last + 1, 2, "red")

    faults = spoiled(tmp_path, good_book, spoil)
    assert {"column-unknown", "row-too-long", "key-twice", "key-unknown"} <= {
        f.code for f in faults
    }
    assert {"ties!G5 ()", "locates!L2 (surfase)"} <= {f.field for f in faults}


def test_a_lost_heading_is_one_fault(tmp_path: Path, good_book: bytes) -> None:
    """Without its first heading a sheet is one fault; what refers to its rows is not told."""

    def spoil(book: Any) -> None:
        book["rooms"]["A2"] = None
        book["rooms"]["B1"] = "a stray cell beside the title"

    faults = spoiled(tmp_path, good_book, spoil)
    assert [(f.code, f.field) for f in faults] == [("column-missing", "rooms!2:2 (id)")]


def test_numbers_stay_right_past_a_faulty_room(tmp_path: Path) -> None:
    """A later room's fault keeps its own row although the first room was taken out."""
    site = SITE.replace('name = "Laundry"\n', "").replace('id = "R1"\n', "", 1)
    site = site.replace('corner = "rear-right"', 'corner = "rear-right"\norigin = [1, 1]')
    faults = faults_of(write_folder(tmp_path, site=site))
    assert {"room[1].id", "room[2].origin"} <= {f.field for f in faults}


# ------------------------------------------------------------------------------ hostile files


def rewritten(folder: Path, good: bytes, change: Callable[[dict[str, bytes]], object]) -> Path:
    path = folder / "fieldbook.xlsx"
    path.write_bytes(good)
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    change(parts)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def test_a_zip_bomb_is_not_unpacked(tmp_path: Path, good_book: bytes) -> None:
    """A part that unpacks past the bound is refused by the archive's directory alone."""
    rewritten(tmp_path, good_book, lambda p: p.update({"xl/media/a.bin": b"\0" * 100_000_001}))
    assert faults_of(tmp_path)[0].code == "file-too-big"
    rewritten(tmp_path, good_book, lambda p: p.update({"xl/theme/a.xml": b" " * 5_000_001}))
    assert faults_of(tmp_path)[0].code == "file-too-big"


@pytest.mark.parametrize(
    ("encoding", "expected"),
    [("utf-8", "book-doctype"), ("utf-16", "book-doctype"), ("cp037", "book-broken")],
)
def test_no_entity_is_expanded(
    tmp_path: Path, good_book: bytes, encoding: str, expected: str
) -> None:
    """A document type (the place where entities are defined) is refused in any encoding."""

    def change(parts: dict[str, bytes]) -> None:
        body = parts["xl/workbook.xml"].decode().partition("?>")[2] or (
            parts["xl/workbook.xml"].decode()
        )
        declared = f'<?xml version="1.0" encoding="{encoding}"?>'
        text = '<!DOCTYPE workbook [<!ENTITY a "aaaaaaaaaa">]>' + body
        before = declared.encode() if encoding == "cp037" else declared.encode(encoding)
        after = text.encode("utf-16-le" if encoding == "utf-16" else encoding)
        parts["xl/workbook.xml"] = before + after

    rewritten(tmp_path, good_book, change)
    assert faults_of(tmp_path)[0].code == expected


def test_too_many_rows(tmp_path: Path, good_book: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sheet with more rows than are read, and one that claims rows past the last, are told."""
    assert (_book_file.MOST_ROWS, _book_file.LAST_ROW) == (20_000, 200_000)
    monkeypatch.setattr(_book_file, "MOST_ROWS", 200)
    monkeypatch.setattr(_book_file, "LAST_ROW", 2000)
    book = Workbook(write_only=True)
    page = book.create_sheet("locates")
    for number in range(210):
        page.append([f"L{number}", "locate"])
    book.save(tmp_path / "fieldbook.xlsx")
    assert "too-many-rows" in {f.code for f in faults_of(tmp_path)}

    def change(parts: dict[str, bytes]) -> None:
        name = next(name for name, content in parts.items() if b'<row r="12"' in content)
        *before, last = parts[name].split(b"<row ")
        stray = re.sub(rb'r="[0-9]+"', b'r="99999999999"', last, count=1)
        stray = stray.replace(b"</row>", b"<c><v>1</v></c></row>")
        parts[name] = b"<row ".join([*before, stray])

    rewritten(tmp_path, good_book, change)
    assert "too-many-rows" in {f.code for f in faults_of(tmp_path)}


@settings(deadline=None, max_examples=40, derandomize=True)
@given(data=st.data())
def test_any_damage_is_bad_input_or_a_site(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory, good_book: bytes
) -> None:
    """Bytes overwritten anywhere in the archive raise nothing but BadInput."""
    folder = tmp_path_factory.mktemp("damaged")
    place = data.draw(st.integers(0, len(good_book) - 1))
    junk = data.draw(st.binary(min_size=1, max_size=40))
    cut = data.draw(st.sampled_from([None, place]))
    raw = good_book[:place] + junk + good_book[place + len(junk) :]
    (folder / "fieldbook.xlsx").write_bytes(raw if cut is None else good_book[:place])
    faults: tuple[Fault, ...] = ()
    try:
        read_site(folder)
    except BadInput as error:
        faults = error.faults
    assert all(fault.reason and fault.remedy for fault in faults)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"\xd0\xcf\x11\xe0 old or locked", b"a,b"])
def test_no_workbook_at_all(tmp_path: Path, content: bytes) -> None:
    """An empty, an old or a locked file is told in words."""
    (tmp_path / "fieldbook.xlsx").write_bytes(content)
    assert faults_of(tmp_path)[0].code == "book-broken"


NASTY: tuple[object, ...] = (
    None, "", "nan", "inf", 1e308, -1, 0, 10**30, "9" * 5000, '"', "½", True, False, "=1/0", "#N/A",
    datetime.datetime(2026, 12, 4), datetime.time(3, 4), datetime.timedelta(3), "example", "hint:",
    "[x]", "site.name.x", "room.id", "lot.calls", "lot", "\u202e", "1;2;3", "none", "R1", "id",
)  # fmt: skip


@settings(deadline=None, max_examples=5, derandomize=True)
@given(data=st.data())
def test_any_cell_is_bad_input_or_a_site(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory, good_book: bytes
) -> None:
    """Whatever is typed into one to four cells, all faults are the workbook's own."""
    folder = tmp_path_factory.mktemp("typed")
    book = load_workbook(io.BytesIO(good_book))
    for _ in range(data.draw(st.integers(1, 4))):
        page = book[data.draw(st.sampled_from(book.sheetnames))]
        row = data.draw(st.integers(1, min(page.max_row + 1, 70)))
        cell = page.cell(row, data.draw(st.integers(1, page.max_column + 1)))
        cell.value = data.draw(st.sampled_from(NASTY))
    book.save(folder / "fieldbook.xlsx")
    faults: tuple[Fault, ...] = ()
    try:
        read_site(folder)
    except BadInput as error:
        faults = error.faults
    assert all(f.file == "fieldbook.xlsx" and f.reason and f.remedy for f in faults)


def test_later_stages_name_the_workbook_too(tmp_path: Path, good_book: bytes) -> None:
    """What a later stage tells of ``locates.csv`` is told of the workbook's cell."""
    (tmp_path / "fieldbook.xlsx").write_bytes(good_book)
    told = to_the_wall.check(tmp_path)
    assert told.notices
    assert not any(".csv" in notice.where + notice.message for notice in told.notices)

    def cannot(_: Survey) -> Survey:
        raise ComputationError(Fault("few", "locates.csv", 6, "depth", "9", "Why.", "do."))

    with pytest.raises(ComputationError) as caught:
        to_the_wall.through(told, cannot)
    fault = caught.value.fault
    assert (fault.file, fault.row) == ("fieldbook.xlsx", 6)
    assert fault.field.startswith("locates!")
