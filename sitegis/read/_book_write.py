"""A blank ``fieldbook.xlsx`` with hints, drop-downs and example rows."""

from __future__ import annotations

import io
from dataclasses import dataclass

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from .._units import LengthUnit
from ._book_form import HINT, HINTS, KEY, VALUE, Column, Sheet, load_how_to, load_sheets

LAST_ROW = 500
_TITLE = Font(bold=True, size=12)
_HEAD, _HEAD_FILL = Font(bold=True), PatternFill("solid", fgColor="D9E2EC")
_SECTION_FILL = PatternFill("solid", fgColor="EEF2F6")
_INPUT_FILL = PatternFill("solid", fgColor="FFFBE6")
_HINT = Font(italic=True, color="666666", size=9)
_EXAMPLE = Font(italic=True, color="999999")
_WRAP = Alignment(wrap_text=True, vertical="top")


def blank_book(units: LengthUnit, depth_units: LengthUnit) -> bytes:
    """Make the blank workbook for a unit, as the bytes of the file."""
    book = Workbook()
    how_to = book.active
    assert isinstance(how_to, Worksheet)
    how_to.title = "how to"
    how_to.column_dimensions["A"].width = 110
    before = ""
    for row, text in enumerate(load_how_to(), start=1):
        cell = how_to.cell(row, 1, text or None)
        cell.alignment = _WRAP
        cell.font = _TITLE if not before else Font()
        before = text
    preset = {"site.units": units, "site.depth_units": depth_units}
    sheets = load_sheets()
    for sheet in sheets:
        page = book.create_sheet(sheet.name)
        if sheet.join == "form":
            _form(page, sheet, preset)
        else:
            _table(page, sheet, sheets, metric=units in ("m", "mm"))
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def _form(page: Worksheet, sheet: Sheet, preset: dict[str, LengthUnit]) -> None:
    """Write a sheet of keys, values to fill in, and hints."""
    page["A1"] = sheet.title
    page["A1"].font = _TITLE
    for index, word in enumerate((KEY, VALUE, HINT), start=1):
        head = page.cell(2, index, word)
        head.font, head.fill = _HEAD, _HEAD_FILL
    for letter, width in (("A", 30), ("B", 28), ("C", 90)):
        page.column_dimensions[letter].width = width
    page.freeze_panes = "A3"
    lists = _Lists(page)
    for row, column in enumerate(sheet.columns, start=3):
        if column.section is not None:
            page.cell(row, 1, column.section).font = _HEAD
            for index in (1, 2, 3):
                page.cell(row, index).fill = _SECTION_FILL
            continue
        page.cell(row, 1, column.name)
        value = page.cell(row, 2, preset.get(column.name))
        value.fill, value.number_format = _INPUT_FILL, _format(column)
        page.cell(row, 3, column.hint).font = _HINT
        lists.add(column, f"B{row}")


def _table(page: Worksheet, sheet: Sheet, sheets: tuple[Sheet, ...], *, metric: bool) -> None:
    """Write a table: title, headings, hints, one example row."""
    page["A1"] = sheet.title
    page["A1"].font = _TITLE
    page.row_dimensions[3].height = 62
    page.freeze_panes = "B5"
    lists = _Lists(page)
    for index, column in enumerate(sheet.columns, start=1):
        letter = get_column_letter(index)
        page.column_dimensions[letter].width = max(14, len(column.name) + 3)
        head = page.cell(2, index, column.name)
        head.font, head.fill = _HEAD, _HEAD_FILL
        hint = page.cell(3, index, f"{HINTS} {column.hint}" if index == 1 else column.hint)
        hint.font, hint.alignment = _HINT, _WRAP
        if column.examples:
            example = page.cell(4, index, column.examples[-1 if metric else 0])
            example.font = _EXAMPLE
        page.column_dimensions[letter].number_format = _format(column)
        lists.add(column, f"{letter}5:{letter}{LAST_ROW}", sheets)


def _format(column: Column) -> str:
    """Give text format to what a spreadsheet would turn into a date (12-4, 1/2)."""
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
        rule.error = column.hint[:200]
        rule.errorTitle = column.name[:30]
        rule.add(area)
        self.page.add_data_validation(rule)
