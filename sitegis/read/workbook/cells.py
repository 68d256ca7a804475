"""What becomes of a workbook's cell in a column of a kind: a value, or a fault at its place."""

from __future__ import annotations

import datetime
from dataclasses import replace

from ...messages.catalog import fault_of
from ..faults import Report, shorten
from ..file_names import BOOK_FILE
from .file import Cell, Formatted, Unusable, unusable
from .form import Column
from .places import CellPlace

TRUTHS = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}


def shown_text(cell: Cell) -> str:
    """Return what a person sees in a cell, for names and messages."""
    if isinstance(cell, Unusable):
        return cell.shown
    if isinstance(cell, Formatted):
        return f"{cell.value} formatted as {cell.number_format}"
    return "" if cell is None else str(cell)


def fault_at(report: Report, name: str, place: CellPlace, /, **values: object) -> None:
    """Gather a fault of the workbook, by its name in the catalog, at a place.

    Parameters
    ----------
    report
        Where faults and notices are gathered.
    name
        Name in the catalog.
    place
        Cell or row, and what stands there.
    **values
        Values that the words have places for.
    """
    shown = shorten(place.text)
    report.add(fault_of(name, BOOK_FILE, place.row, place.name, shown, **values))


def usable(cell: Cell, kind: str, place: CellPlace, report: Report) -> object:
    """Return a cell's value; None, with the fault gathered, where it has none to take.

    Parameters
    ----------
    cell
        Value of the cell.
    kind
        What the column takes.
    place
        Cell or row, and what stands there.
    report
        Where faults and notices are gathered.

    Returns
    -------
    object
        The value, None with the fault gathered.
    """
    if isinstance(cell, datetime.date) and kind != "date":
        cell = unusable("cell-date", cell.isoformat())
        place = replace(place, text=cell.shown)
    elif isinstance(cell, Formatted):
        if kind == "number":
            return cell.value
        cell = unusable("cell-format", shown_text(cell))
    elif isinstance(cell, str) and cell.startswith("=") and kind != "text":
        cell = unusable("cell-formula", cell)
    elif isinstance(cell, int | float) and kind == "date":
        cell = unusable("cell-number", str(cell))
    if isinstance(cell, Unusable):
        fault_at(report, cell.name, place, **cell.values)
        return None
    return cell


def as_kind(value: object, column: Column) -> object:
    """Take a value as the schema wants it: names as text, yes and no as truth, lists parted.

    Parameters
    ----------
    value
        What stands there.
    column
        The column.

    Returns
    -------
    object
        The value as the schema wants it.
    """
    if column.kind == "yes-no" and isinstance(value, str):
        return TRUTHS.get(value.lower(), value)
    if column.kind == "choice" and isinstance(value, str):
        return next((c for c in column.choices if c.lower() == value.lower()), value)
    if column.kind in ("text", "name"):
        return str(value)
    if column.kind == "list":
        if isinstance(value, str):
            parts = [part.strip() for part in value.split(";")]
            return [] if value.lower() == "none" else [part for part in parts if part]
        return [value]
    return value
