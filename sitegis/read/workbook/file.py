"""``fieldbook.xlsx`` as plain cells: bounded, without entities, formulas by their last value.

A workbook is a zip archive of XML parts. Its sizes are taken from the archive's directory, past
which ``zipfile`` gives no byte, before anything is unpacked; its elements are counted while they
stream by, before openpyxl makes objects of them. Macros and links are never followed.
"""

from __future__ import annotations

import datetime
import re
import stat
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any
from xml.parsers import expat

from openpyxl import load_workbook
from openpyxl.cell.read_only import EMPTY_CELL
from openpyxl.utils import get_column_letter, range_boundaries
from openpyxl.utils.exceptions import InvalidFileException

from ...messages.catalog import fault_of
from ...messages.errors import Fault
from ...messages.printable import odd_character, printable
from ..faults import Report
from ..file_names import BOOK_FILE
from ..text_files import is_inside

MOST_BYTES, MOST_UNPACKED, MOST_PARTS = 20_000_000, 100_000_000, 2000
# Styles and the like are held whole in memory; cells and texts are streamed.
MOST_IN_MEMORY = 5_000_000
MOST_ROWS, MOST_COLUMNS, LAST_ROW = 20_000, 64, 200_000
# Word, sign or unit that a number format adds, once colors and locales are taken off.
_BRACKETS = re.compile(r"\[[^\]]*\]")
_ADDS = re.compile(r'%|"[^"]*[^"\s][^"]*"|\\[^\s\-(),./]|[$€£¥]')
OLD_OR_LOCKED = b"\xd0\xcf\x11\xe0"
# What reading a damaged workbook raises, in zipfile, expat and openpyxl.
_DAMAGED = (
    zipfile.BadZipFile, zlib.error, InvalidFileException, expat.ExpatError, SyntaxError,
    LookupError, ValueError, TypeError, AttributeError, ArithmeticError, EOFError,
    NotImplementedError, AssertionError, RuntimeError,  # the last: a part has a password
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Unusable:
    """A cell that has no value to take: why, and what to do."""

    name: str
    shown: str
    values: Mapping[str, object]


def unusable(name: str, shown: str, /, **values: object) -> Unusable:
    """Return a cell as unusable for a reason of the catalog.

    Parameters
    ----------
    name
        Name in the catalog.
    shown
        What a person sees.
    **values
        Values that the words have places for.

    Returns
    -------
    Unusable
        The cell as unusable.
    """
    return Unusable(name, shown, values)


@dataclass(frozen=True, slots=True)
class Formatted:
    """A number whose format shows it with a sign or a unit: 0.02 as 2 %."""

    value: int | float
    number_format: str


Cell = str | int | float | bool | datetime.date | Formatted | Unusable | None


def is_merged(cell: Cell) -> bool:
    """Return whether a cell is merged with another that holds the value."""
    return isinstance(cell, Unusable) and cell.name == "cell-merged"


@dataclass(frozen=True, slots=True)
class Line:
    """One row that is not empty: its number and its cells from column A on."""

    number: int
    cells: tuple[Cell, ...]
    is_hidden: bool = False

    def cell(self, index: int) -> Cell:
        """Return a cell, None past the last one."""
        return self.cells[index] if index < len(self.cells) else None


@dataclass(frozen=True, slots=True)
class Page:
    """The rows of a sheet that are not empty, and what of it is hidden (columns from 0)."""

    lines: tuple[Line, ...]
    hidden_columns: frozenset[int] = frozenset()
    is_hidden: bool = False


def cell_name(sheet: str, row: int, index: int) -> str:
    """Name a cell by sheet, column and row.

    Parameters
    ----------
    sheet
        Name of the sheet.
    row
        Row from 1.
    index
        Column from 0.

    Returns
    -------
    str
        The name.

    Examples
    --------
    >>> cell_name("locates", 7, 3)
    'locates!D7'
    """
    return f"{sheet}!{get_column_letter(index + 1)}{row}"


def read_book(path: Path, report: Report, *, folder: Path) -> dict[str, Page] | None:
    """Return the rows of each sheet by its name in lower case; None with the fault gathered.

    Parameters
    ----------
    path
        The workbook.
    report
        Where faults and notices are gathered.
    folder
        The site folder.

    Returns
    -------
    dict[str, Page] | None
        Rows of each sheet, None with the fault gathered.
    """
    fault = _refusal(path, folder)
    if fault is None:
        try:
            with path.open("rb") as file:
                fault = _unfit(file)
                if fault is None:
                    return _sheets(file, report)
        except _DAMAGED as error:
            words = " ".join(str(error).split())[:120]
            fault = _whole("book-broken", words=words)
        except OSError as error:
            fault = _whole("file-unreadable:book", error=error)
    report.add(fault)
    return None


def _whole(name: str, /, **values: object) -> Fault:
    return fault_of(name, BOOK_FILE, None, "file", **values)


def _refusal(path: Path, folder: Path) -> Fault | None:
    """Fault what is no ordinary file of bounded size inside the folder."""
    try:
        if not is_inside(path, folder):
            return _whole("path-outside")
        status = path.stat()
    except (OSError, RuntimeError) as error:
        # RuntimeError: pathlib's word for a loop of links
        return _whole("file-unreadable", error=error)
    if not stat.S_ISREG(status.st_mode):
        return _whole("not-a-file:book")
    if status.st_size > MOST_BYTES:
        return _whole(
            "file-too-big:book", size_mb=status.st_size / 1e6, most_bytes=MOST_BYTES // 1_000_000
        )
    return None


def _unfit(file: IO[bytes]) -> Fault | None:
    """Fault another kind of file, an archive that unpacks to too much or holds a document type."""
    # the container of old .xls files, and of ones with a password
    begins = file.read(len(OLD_OR_LOCKED))
    if begins == OLD_OR_LOCKED:
        return _whole("book-broken:old-or-locked")
    with zipfile.ZipFile(file) as archive:
        parts = archive.infolist()
        if any(part.filename == "content.xml" for part in parts):
            return _whole("book-broken:open-document")
        # from the directory, before a byte is unpacked; zipfile gives no more than it says
        unpacked = sum(part.file_size for part in parts)
        if unpacked > MOST_UNPACKED or len(parts) > MOST_PARTS:
            return _too_big(f"unpacks to {unpacked / 1e6:.0f} MB in {len(parts)} parts")
        return _overgrown(archive, parts)


def _overgrown(archive: zipfile.ZipFile, parts: list[zipfile.ZipInfo]) -> Fault | None:
    """Fault more elements than are read, too large a part that is held whole, a document type."""
    counts: Counter[str] = Counter()
    try:
        for part in parts:
            is_xml = count_elements(archive, part, counts)
            # what openpyxl reads piece by piece may be large
            streamed = part.filename.lower().startswith(("xl/worksheets/", "xl/sharedstr"))
            if is_xml and not streamed and part.file_size > MOST_IN_MEMORY:
                return _too_big(f"has a part of {part.file_size / 1e6:.0f} MB")
    except DoctypeError:
        return _whole("book-doctype")
    except TooManyError as error:
        return _too_big(f"holds {error}, empty ones that are only formatted included")
    return None


def _too_big(what: str) -> Fault:
    return _whole("file-too-big:unpacked", what=what)


def _sheets(file: IO[bytes], report: Report) -> dict[str, Page]:
    """Read all sheets twice in step: as last calculated, and as written."""
    with warnings.catch_warnings(), zipfile.ZipFile(file) as archive:
        # openpyxl warns of drawings and extensions that it leaves out: they hold no cells.
        warnings.simplefilter("ignore")
        # the last result of formulas, and the formulas: a cell
        # without a result was never calculated
        values = load_workbook(file, read_only=True, data_only=True, keep_links=False)
        written = load_workbook(file, read_only=True, data_only=False, keep_links=False)
        if not written.worksheets:
            raise ValueError("it has no sheets, or is of the strict kind")
        sheets: dict[str, Page] = {}
        rows_left = LAST_ROW
        for value_sheet, written_sheet in zip(values.worksheets, written.worksheets, strict=True):
            title = str(value_sheet.title).strip()
            with archive.open(_part_of(written_sheet)) as content:
                layout = read_layout(content, most_rows=LAST_ROW, most_columns=MOST_COLUMNS)
            lines: list[Line] = []
            for number, line in _lines(value_sheet, written_sheet, layout):
                rows_left -= 1
                if rows_left < 0 or len(lines) > MOST_ROWS:
                    report.add(
                        fault_of(
                            "too-many-rows:book", BOOK_FILE, number, title, "", most_rows=MOST_ROWS
                        )
                    )
                    return sheets
                if line is not None:
                    lines.append(line)
            sheets[title.lower()] = Page(
                tuple(lines),
                frozenset(column - 1 for column in layout.hidden_columns),
                written_sheet.sheet_state != "visible",
            )
        return sheets


def _part_of(sheet: Any) -> str:
    return str(sheet._worksheet_path)


def _lines(values: Any, written: Any, layout: Layout) -> Iterator[tuple[int, Line | None]]:
    """Yield each row by its number, None where it is empty, up to the last one with a value."""
    if layout.last_row == 0:
        return
    for sheet in (values, written):
        # The stated extent may be wrong: it would cut rows off.
        sheet.reset_dimensions()
    nothing = {id(EMPTY_CELL)}  # one object stands for all empty cells: quick over a long gap
    extent = {"max_row": layout.last_row, "max_col": MOST_COLUMNS}
    held: dict[tuple[int, int], Cell] = {}
    begun = set(layout.first_of.values())
    pairs = zip(values.iter_rows(**extent), written.iter_rows(**extent), strict=True)
    for number, (value_row, written_row) in enumerate(pairs, start=1):
        if set(map(id, written_row)) <= nothing:
            yield number, None
            continue
        cells = [
            None if last is typed is EMPTY_CELL else _cell(last, typed)
            for last, typed in zip(value_row, written_row, strict=True)
        ]
        for index, cell in enumerate(cells):
            first = layout.first_of.get((number, index + 1))
            if (number, index + 1) in begun:
                # the first cell of a merged range holds the value of all
                held[number, index + 1] = cell
            elif cell is None and first is not None and held.get(first) is not None:
                cells[index] = _merged(first)
        # formatting reaches far beyond the last value
        while cells and cells[-1] is None:
            cells.pop()
        is_empty = all(cell is None or is_merged(cell) for cell in cells)
        hidden = number in layout.hidden_rows
        yield number, None if is_empty else Line(number, tuple(cells), hidden)


def _merged(first: tuple[int, int]) -> Unusable:
    row, column = first
    return unusable("cell-merged", "", column=get_column_letter(column), row=row)


def _cell(value_cell: Any, written_cell: Any) -> Cell:
    """Take a cell's value, or why there is none."""
    value = value_cell.value
    # written by a program, never opened in one that calculates
    if written_cell.data_type == "f" and value is None:
        return unusable("cell-not-calculated", str(written_cell.value))
    if value_cell.data_type == "e":
        return unusable("cell-error", str(value))
    plain = _plain(value)
    if isinstance(plain, int | float) and not isinstance(plain, bool):
        number_format = str(value_cell.number_format)
        # what is shown is not the number: 0.02 shown as 2 % is 2 to who typed it
        if _ADDS.search(_BRACKETS.sub("", number_format)):
            return Formatted(plain, number_format)
    return plain


def _plain(value: object) -> Cell:
    """Return trimmed text, a number, a truth or a date; 5.0 as 5."""
    if isinstance(value, str):
        if odd := odd_character(value):
            return unusable("text-unprintable:cell", printable(value), odd=odd)
        return value.strip() or None
    # spreadsheets keep dates as dates with a time
    if isinstance(value, datetime.datetime):
        return value.date()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if value is None or isinstance(value, bool | int | float | datetime.date):
        return value
    return unusable("cell-time", str(value))


# All judgment, no source: several times what a full field book holds (20 000 rows of 20 cells).
MOST_CELLS, MOST_TEXTS, MOST_OTHER = 400_000, 300_000, 150_000
# an empty row costs little, and a format may go down to a sheet's last (1 048 576, ECMA-376)
MOST_ROW_ELEMENTS = 1_100_000
# Elements that come once or twice a cell, row or text; all others are "other".
_MOST_OF = {
    "c": MOST_CELLS, "v": MOST_CELLS, "f": MOST_CELLS, "is": MOST_CELLS, "row": MOST_ROW_ELEMENTS,
    "si": MOST_TEXTS, "t": MOST_CELLS + MOST_TEXTS,
}  # fmt: skip
_WORDS = {"c": "cells", "row": "rows", "si": "texts"}


class TooManyError(ValueError):
    """More elements of a kind than are read; the text names the kind."""


class DoctypeError(ValueError):
    """A document type was declared."""


def count_elements(archive: zipfile.ZipFile, part: zipfile.ZipInfo, counts: Counter[str]) -> bool:
    """Add a part's elements to ``counts``; tells whether it is XML at all.

    Any part may be named as XML by the archive's table of contents, so each is tried; one that
    is no XML ends at once. Raises ``TooManyError`` or ``DoctypeError`` as soon as it is seen:
    without a document type no entity can be defined, so none can expand.

    Parameters
    ----------
    archive
        The workbook.
    part
        One of its parts.
    counts
        Elements counted so far, changed in place.

    Returns
    -------
    bool
        Whether it is XML.

    Raises
    ------
    TooManyError
        An element occurs too often.
    DoctypeError
        The part has a document type.
    """
    before = counts.total()

    def met_doctype(*_: object) -> None:
        raise DoctypeError

    def met_element(name: str, _: object) -> None:
        name = name.rpartition(":")[2]
        kind = name if name in _MOST_OF else ""
        counts[kind] += 1
        most = _MOST_OF.get(kind, MOST_OTHER)
        if counts[kind] > most:
            raise TooManyError(f"more than {most} {_WORDS.get(kind, 'elements')}")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = met_doctype
    parser.StartElementHandler = met_element
    with archive.open(part) as content:
        try:
            while chunk := content.read(65536):
                parser.Parse(chunk, False)
        except expat.ExpatError:
            # no XML, or damaged: openpyxl tells of it where it needs the part
            return counts.total() > before
    return True


MOST_MERGED = 200_000
# A cell holds something where one of these stands within it.
_HOLDS = frozenset({"v", "is", "f"})


@dataclass(slots=True)
class Layout:
    """One sheet's layout; rows and columns count from 1.

    ``last_row`` is the last row with a value: rows that are only formatted follow it.
    ``first_of`` gives, for each further cell of merged ones, the one that holds their value.
    """

    last_row: int = 0
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    first_of: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)


def read_layout(content: IO[bytes], *, most_rows: int, most_columns: int) -> Layout:
    """Read a sheet's layout from its XML, within the rows and columns that are read.

    Raises ``expat.ExpatError`` or ``ValueError`` where the part is damaged.

    Parameters
    ----------
    content
        XML of the sheet.
    most_rows
        Rows that are read.
    most_columns
        Columns that are read.

    Returns
    -------
    Layout
        The layout.

    Raises
    ------
    ValueError
        The part is damaged.
    expat.ExpatError
        The part is no XML.
    """
    layout = Layout()
    merged: list[str] = []
    row, in_rows = 0, True

    def begin(name: str, values: dict[str, str]) -> None:
        nonlocal row
        name = name.rpartition(":")[2]
        if name == "row":
            before, row = row, int(values.get("r", row + 1))
            if row <= before:
                raise ValueError("rows that are not in order")
            if _is_true(values.get("hidden")) and row <= most_rows:
                layout.hidden_rows.add(row)
        elif name in _HOLDS and in_rows:
            layout.last_row = max(layout.last_row, row)
        elif name == "col" and _is_true(values.get("hidden")):
            first, last = max(int(values["min"]), 1), min(int(values["max"]), most_columns)
            layout.hidden_columns.update(range(first, last + 1))
        elif name == "mergeCell":
            merged.append(values["ref"])

    def end(name: str) -> None:
        nonlocal in_rows
        # What follows the rows (rules, extensions) has elements of the same names.
        in_rows = in_rows and name.rpartition(":")[2] != "sheetData"

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = begin, end
    while chunk := content.read(65536):
        parser.Parse(chunk, False)
    parser.Parse(b"", True)
    for cell, first in _further(merged, min(layout.last_row, most_rows), most_columns):
        layout.first_of[cell] = first
        if len(layout.first_of) > MOST_MERGED:
            raise ValueError("too many merged cells")
    return layout


def _is_true(value: str | None) -> bool:
    return value in ("1", "true")


def _further(
    merged: list[str], last_row: int, last_column: int
) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Yield each further cell of merged ones, and the first of them."""
    for reference in merged:
        left, top, right, bottom = range_boundaries(reference)
        if left is None or top is None or right is None or bottom is None:
            raise ValueError(f"merged cells {reference[:20]}")
        for row in range(top, min(bottom, last_row) + 1):
            for column in range(left, min(right, last_column) + 1):
                if (row, column) != (top, left):
                    yield (row, column), (top, left)
