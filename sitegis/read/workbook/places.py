"""Where in the workbook each key and each cell of a table stands, for faults and notices."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import field, replace

from ...late_dataclass import dataclass
from ...messages.errors import Fault, Notice
from ..faults import shorten
from ..file_names import BOOK_FILE, FINDINGS_FILE, LOCATES_FILE, SITE_FILE, TIES_FILE
from .file import cell_name
from .form import Sheet, in_book_words

_TABLES = {LOCATES_FILE: "locates", TIES_FILE: "ties", FINDINGS_FILE: "findings"}
_ROW = re.compile(r"(locates|ties|findings)\.csv row (\d+)")


@dataclass(frozen=True, slots=True)
class CellPlace:
    """A cell, or a row where ``index`` is None, and what stands there."""

    sheet: str
    row: int
    index: int | None
    heading: str
    text: str

    @property
    def name(self) -> str:
        """The place as a person finds it: ``site!B5 (site.rule_set)``."""
        if self.index is None:
            return f"{self.sheet}!{self.row}:{self.row}"
        return f"{cell_name(self.sheet, self.row, self.index)} ({self.heading})"


@dataclass(slots=True)
class CellPlaces:
    """Places by dotted key (items counted from 1), and columns by sheet and heading."""

    sheets: tuple[Sheet, ...]
    cells: dict[str, CellPlace] = field(default_factory=dict)
    columns: dict[tuple[str, str], int] = field(default_factory=dict)

    def of_fault(self, fault: Fault) -> Fault:
        """Move a fault of the three text files to its cell; others stay where they are."""
        fault = replace(
            fault,
            reason=in_book_words(fault.reason, self.sheets),
            remedy=in_book_words(fault.remedy, self.sheets),
        )
        if fault.file == SITE_FILE:
            exact, place = find(self.cells, fault.field)
            if place is None:
                return replace(fault, file=BOOK_FILE, row=None)
            value = fault.value or (shorten(place.text) if exact else "")
            field_name = place.name if exact else f"{place.name}, {fault.field}"
            return replace(fault, file=BOOK_FILE, row=place.row, field=field_name, value=value)
        if fault.file in _TABLES:
            field_name = self._column(_TABLES[fault.file], fault.row, fault.field)
            return replace(fault, file=BOOK_FILE, field=field_name)
        return fault

    def of_notice(self, notice: Notice) -> Notice:
        """Name the cell or the sheet in a notice."""
        _, place = find(self.cells, notice.where)
        where = place.name if place is not None else _ROW.sub(r"\1!\2:\2", notice.where)
        where = in_book_words(where, self.sheets)
        return replace(notice, where=where, message=in_book_words(notice.message, self.sheets))

    def order(self, fault: Fault) -> tuple[int, int, int]:
        """Return the sort key: the workbook first, its sheets in their order, rows ascending."""
        names = [sheet.name for sheet in self.sheets]
        sheet = fault.field.partition("!")[0].partition(" ")[0]
        rank = names.index(sheet) if sheet in names else -1
        return int(fault.file != BOOK_FILE), rank, fault.row or 0

    def _column(self, sheet: str, row: int | None, heading: str) -> str:
        index = self.columns.get((sheet, heading))
        if row is None or index is None:
            return f"{sheet} ({heading})" if row is None else f"{sheet}!{row}:{row} ({heading})"
        return f"{cell_name(sheet, row, index)} ({heading})"


def find(cells: Mapping[str, CellPlace], key: str) -> tuple[bool, CellPlace | None]:
    """Return the place of a key, else of the nearest table around it, and whether it is its own.

    Parameters
    ----------
    cells
        Place of each key.
    key
        Dotted key.

    Returns
    -------
    own
        Whether it is the key's own place.
    place
        None where none is known.
    """
    wanted = key
    while key:
        if key in cells:
            return key == wanted, cells[key]
        cut = max(key.rfind("."), key.rfind("["))
        key = key[:cut] if cut > 0 else ""
    return False, None
