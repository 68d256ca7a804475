"""A blank ``fieldbook.xlsx`` with hints, drop-downs and example rows."""

from __future__ import annotations

import io
import math
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.page import PageMargins
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet
from reportlab.lib.utils import simpleSplit

from ...late_dataclass import dataclass
from ...units import LengthUnit
from .form import HINT, HINTS, KEY, VALUE, Column, Sheet, load_how_to, load_sheets

LAST_ROW = 500
# Rows shown as to be filled in; more may follow, down to LAST_ROW with drop-downs.
SHOWN_ROWS = 25
_LINE_HEIGHT = 13.5
# Characters on a printed page's width, in landscape: what is wider goes on a second page.
_PAGE_CHARACTERS = 200
# A font that is named: without a name each spreadsheet takes another, and text is cut. Its letters
# are as wide as Helvetica's.
_NAME, _TEXT_SIZE = "Arial", 10
_TEXT = Font(name=_NAME, size=_TEXT_SIZE)
_TITLE = Font(name=_NAME, bold=True, size=12)
_HEAD, _HEAD_FILL = Font(name=_NAME, bold=True, size=10), PatternFill("solid", fgColor="D9E2EC")
_SECTION_FILL = PatternFill("solid", fgColor="EEF2F6")
_INPUT_FILL = PatternFill("solid", fgColor="FFFBE6")
_EDGE = Side("thin", color="D8D2B8")
_EDGES = Border(left=_EDGE, right=_EDGE, top=_EDGE, bottom=_EDGE)
_SIDES = Border(left=_EDGE, right=_EDGE)
_HINT = Font(name=_NAME, italic=True, color="555555", size=9)
_EXAMPLE = Font(name=_NAME, italic=True, color="777777", size=10)
_LEFT, _INDENT = Alignment(horizontal="left"), Alignment(horizontal="left", indent=1)
_WRAP = Alignment(wrap_text=True, vertical="top")


def blank_book(units: LengthUnit, depth_units: LengthUnit) -> bytes:
    """Make the blank workbook for a unit, as the bytes of the file.

    Parameters
    ----------
    units
        Unit of a bare number.
    depth_units
        Unit of a bare depth.

    Returns
    -------
    bytes
        The bytes of the file.
    """
    book = Workbook()
    how_to = book.active
    assert isinstance(how_to, Worksheet)
    how_to.title = "how to"
    metric = units in ("m", "mm")
    _how_to(how_to)
    _on_paper(how_to, metric=metric)
    preset = {"site.units": units, "site.depth_units": depth_units}
    sheets = load_sheets()
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        if sheet.join == "form":
            _form(page, sheet, preset)
        else:
            _table(page, sheet, sheets, metric=metric)
        _on_paper(page, metric=metric)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def _how_to(page: Worksheet) -> None:
    """Write the sheet that tells how to use the book."""
    width = 110
    page.column_dimensions["A"].width = width
    before = ""
    for row, text in enumerate(load_how_to(), start=1):
        cell = page.cell(row, 1, text or None)
        cell.alignment = _WRAP
        cell.font = _TITLE if not before else _TEXT
        _make_room(page, row, {width: text})
        before = text


def _make_room(page: Worksheet, row: int, texts: dict[float, str]) -> None:
    """Make a row as high as its wrapped texts need, by the width of their columns.

    Not every spreadsheet does it when it opens the book.
    """
    lines = [
        len(simpleSplit(text, "Helvetica", _TEXT_SIZE, 0.95 * _points(width)))
        for width, text in texts.items()
    ]
    page.row_dimensions[row].height = _LINE_HEIGHT * max(1, *lines, 1) + 3.0


def _points(width: float) -> float:
    """Return the room for text in a column: digits of 7 pixels (ECMA-376, part 1, 18.3.1.13)."""
    return 0.75 * 7.0 * width


def _on_paper(page: Worksheet, *, metric: bool) -> None:
    """Set a page up for printing: a form on one page, the columns of a table on one or two."""
    is_form = page.freeze_panes == "A3"
    page.page_setup.orientation = "portrait" if is_form else "landscape"
    page.page_setup.paperSize = 9 if metric else 1  # A4, or letter
    characters = sum(dimension.width for dimension in page.column_dimensions.values())
    page.page_setup.fitToWidth = math.ceil(characters / _PAGE_CHARACTERS)
    page.page_setup.fitToHeight = int(is_form)
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    page.page_margins = PageMargins(left=0.4, right=0.4, top=0.5, bottom=0.8, footer=0.4)
    footer: Any = page.oddFooter
    footer.left.text, footer.right.text = "&A", "&P / &N"


def _form(page: Worksheet, sheet: Sheet, preset: dict[str, LengthUnit]) -> None:
    """Write a sheet of keys, values to fill in, and hints."""
    page["A1"] = sheet.title
    page["A1"].font = _TITLE
    for index, word in enumerate((KEY, VALUE, HINT), start=1):
        head = page.cell(2, index, word)
        head.font, head.fill = _HEAD, _HEAD_FILL
    for letter, width in (("A", 30), ("B", 40), ("C", 84)):
        page.column_dimensions[letter].width = width
    page.freeze_panes, page.print_title_rows = "A3", "1:2"
    lists = _Lists(page)
    for row, column in enumerate(sheet.columns, start=3):
        if column.section is not None:
            page.cell(row, 1, column.section).font = _HEAD
            for index in (1, 2, 3):
                page.cell(row, index).fill = _SECTION_FILL
            continue
        page.cell(row, 1, column.name).font = _TEXT
        value = page.cell(row, 2, preset.get(column.name))
        _to_fill_in(value, column)
        hint = page.cell(row, 3, column.hint)
        hint.font, hint.alignment = _HINT, _INDENT
        lists.add(column, f"B{row}")


def _table(page: Worksheet, sheet: Sheet, sheets: tuple[Sheet, ...], *, metric: bool) -> None:
    """Write a table: title, headings, hints, one example row."""
    page["A1"] = sheet.title
    page["A1"].font = _TITLE
    page.freeze_panes, page.print_title_rows, page.print_title_cols = "B5", "1:4", "A:A"
    lists = _Lists(page)
    hints: dict[float, str] = {}
    for index, column in enumerate(sheet.columns, start=1):
        letter = get_column_letter(index)
        head = page.cell(2, index, column.name)
        head.font, head.fill, head.border = _HEAD, _HEAD_FILL, _SIDES
        hint = page.cell(3, index, f"{HINTS} {column.hint}" if index == 1 else column.hint)
        hint.font, hint.alignment, hint.border = _HINT, _WRAP, _SIDES
        example = column.examples[-1 if metric else 0] if column.examples else ""
        page.cell(4, index, example or None).font = _EXAMPLE
        width = _width(column, str(hint.value), example)
        hints[width] = max(hints.get(width, ""), str(hint.value), key=len)
        page.column_dimensions[letter].width = width
        page.column_dimensions[letter].number_format = _format(column)
        for row in range(5, 5 + SHOWN_ROWS):
            _to_fill_in(page.cell(row, index), column)
        lists.add(column, f"{letter}5:{letter}{LAST_ROW}", sheets)
    _make_room(page, 3, hints)


def _width(column: Column, hint: str, example: str) -> float:
    """Return a column's width in characters: head, example and choices whole, the hint in lines."""
    words = max(map(len, (*column.choices, example)))
    least = 36 if column.name == "note" else 18 if column.kind in ("text", "name") else 12
    return max(least, len(column.name) + 3, words + 3, min(26, len(hint) / 4))


def _to_fill_in(cell: Any, column: Column) -> None:
    """Show a cell as one to be filled in, with its column's format."""
    cell.font, cell.fill, cell.border, cell.alignment = _TEXT, _INPUT_FILL, _EDGES, _LEFT
    cell.number_format = _format(column)


def _format(column: Column) -> str:
    """Set text format on what a spreadsheet would turn into a date (12-4, 1/2)."""
    if column.kind == "date":
        return "yyyy-mm-dd"
    return "General" if column.kind in ("number", "choice", "yes-no") else "@"


@dataclass(frozen=True, slots=True)
class _Lists:
    """Drop-downs of one page."""

    page: Worksheet

    def add(self, column: Column, area: str, sheets: tuple[Sheet, ...] = ()) -> None:
        """Put a column's choices, or the names on another sheet, on an area."""
        choices = ("yes", "no") if column.kind == "yes-no" else column.choices
        strict = bool(choices) and not column.free
        if choices:
            formula = f'"{",".join(choices)}"'
        elif column.source in {sheet.name for sheet in sheets}:
            formula = f"={quote_sheetname(str(column.source))}!$A$5:$A${LAST_ROW}"
        else:
            return
        rule = DataValidation(
            type="list", formula1=formula, allow_blank=True, showErrorMessage=strict
        )
        rule.error = f"Take one of the list: {', '.join(choices)}"[:200]
        rule.errorTitle = column.name[:30]
        rule.add(area)
        self.page.add_data_validation(rule)
