"""What a sheet shows otherwise than its cells tell: merged cells, hidden rows, empty formats."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO
from xml.parsers import expat

from openpyxl.utils import range_boundaries

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
