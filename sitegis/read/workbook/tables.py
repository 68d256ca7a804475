"""The sheets of a workbook as the very tables that ``site.toml`` and the CSV files give."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping
from dataclasses import field, replace

from ...late_dataclass import dataclass
from ...messages.catalog import fault_of
from ..csv_tables import REQUIRED_FINDING, REQUIRED_LOCATE, REQUIRED_TIE, Row, read_heading
from ..faults import Report, guess, shorten
from ..file_names import BOOK_FILE
from ..old_names import new_headings, new_key
from ..site_toml import Raw, dotted
from .file import Cell, Formatted, Line, Page, Unusable, cell_name, is_merged, unusable
from .form import KEY, Column, Sheet, is_explanation
from .places import CellPlace, CellPlaces

NEEDED_SHEETS = ("site", "locates")
_REQUIRED = {
    "locates": REQUIRED_LOCATE,
    "ties": REQUIRED_TIE,
    "findings": REQUIRED_FINDING,
}
_TABLES_OF_FORMS = ("site", "lot", "building", "noise", "prior", "cost", "dig")


@dataclass(slots=True)
class Book:
    """What a workbook holds: the raw site, the rows of the two tables, and where all stands."""

    places: CellPlaces
    raw: Raw = field(default_factory=lambda: {"site": {}, "lot": {}, "building": {}})
    rows: dict[str, tuple[Row, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Item:
    """One row of a table sheet by heading, and its place in the workbook."""

    sheet: Sheet
    line: Line
    cells: dict[str, Cell]
    indices: dict[str, int]

    def place(self, heading: str | None) -> CellPlace:
        """Return the place of a cell, or of the row."""
        index = None if heading is None else self.indices.get(heading)
        text = "" if heading is None else shown_text(self.cells.get(heading))
        return CellPlace(self.sheet.name, self.line.number, index, heading or "", text)


def make_book(pages: Mapping[str, Page], sheets: tuple[Sheet, ...], report: Report) -> Book:
    """Make raw tables of the sheets; faults name their cells.

    Parameters
    ----------
    pages
        Rows of each sheet.
    sheets
        Sheets of the workbook.
    report
        Where faults and notices are gathered.

    Returns
    -------
    Book
        Raw tables and the place of each key.
    """
    book = Book(CellPlaces(sheets))
    for sheet in sheets:
        page = pages.get(sheet.name)
        if page is None:
            if sheet.name in NEEDED_SHEETS:
                report.add(
                    fault_of("sheet-missing", BOOK_FILE, None, sheet.name, "", sheet=sheet.name)
                )
            continue
        if sheet.join == "form":
            _read_form(book, sheet, page.lines, report)
            filled = [line for line in page.lines if line.cell(1) is not None]
            _note_hidden(sheet, page, filled, [], report)
            continue
        items = [*_items(book, sheet, page.lines, report)]
        used = [
            name
            for name, index in (items[0].indices.items() if items else ())
            if index in page.hidden_columns and any(item.cells[name] is not None for item in items)
        ]
        _note_hidden(sheet, page, [item.line for item in items], used, report)
        if sheet.join == "table":
            book.rows[sheet.name] = tuple(
                row for item in items if (row := _text_row(item, report)) is not None
            )
        else:
            _JOINS[sheet.join](book, sheet, items, report)
    for name in sorted(set(pages) - {sheet.name for sheet in sheets} - {"how to"}):
        report.note("sheet-not-read", BOOK_FILE, name=name)
    return book


def _note_hidden(
    sheet: Sheet, page: Page, lines: list[Line], columns: list[str], report: Report
) -> None:
    """Note values that are read although nobody sees them."""
    hidden = [f"row {line.number}" for line in lines if line.is_hidden]
    hidden += [f"column {name}" for name in columns]
    if page.is_hidden and lines:
        hidden = ["the whole sheet"]
    if hidden:
        report.note("hidden-read", sheet.name, sheet=sheet.name, hidden=shorten(", ".join(hidden)))


# ------------------------------------------------------------------------------------- forms


def _put(table: Raw, path: tuple[str | int, ...], value: object) -> bool:
    """Put a value where its path leads; False where something else is in the way."""
    here: object = table
    # the next step tells what to make on the way: a list for a number, a table for a name
    for part, following in zip(path, (*path[1:], None), strict=True):
        if isinstance(here, list) and isinstance(part, int):
            here.extend([None] * (part + 1 - len(here)))
            here[part] = value
            return True
        if not isinstance(here, dict):
            return False
        if following is None:
            here[part] = value
            return True
        here = here.setdefault(part, [] if isinstance(following, int) else {})
    return False


def _read_form(book: Book, sheet: Sheet, lines: tuple[Line, ...], report: Report) -> None:
    """Read a sheet of keys and values."""
    known = {column.name: column for column in sheet.columns if column.name}
    for line in lines:
        key, cell = new_key(shown_text(line.cell(0)).strip(), report), line.cell(1)
        is_nothing = cell is None or is_merged(cell)
        # the heading line, and lines of explanation
        if key.lower() == KEY or (is_nothing and key not in known):
            continue
        place = CellPlace(sheet.name, line.number, 1, key, shown_text(cell))
        column = known.get(key, Column(key, tuple(key.split(".")), "number", ""))
        if key in book.places.cells:
            fault_at(report, "key-twice", place)
            continue
        book.places.cells[key] = place
        if cell is None:
            continue
        value = usable(cell, column.kind, place, report)
        if value is None:
            report.cut_keys.add(key)
        elif (
            column.path[0] not in _TABLES_OF_FORMS
            or len(column.path) < 2
            or not _put(book.raw, column.path, as_kind(value, column))
        ):
            fault_at(report, "key-unknown:book", place, known=guess(key, known))


# ------------------------------------------------------------------------------------ tables


def _heading_line(sheet: Sheet, lines: tuple[Line, ...]) -> int | None:
    """Find the line of the headings: the first with two known ones, else with two cells."""
    names = {column.name for column in sheet.columns}
    known = [
        sum(shown_text(cell).strip().lower() in names for cell in line.cells) for line in lines
    ]
    cells = [sum(cell is not None for cell in line.cells) for line in lines]
    # a sheet whose headings are all misspelled still has a line of them
    for counts in (known, cells):
        found = next((place for place, count in enumerate(counts) if count > 1), None)
        if found is not None:
            return found
    return None


def _read_headings(sheet: Sheet, line: Line, report: Report) -> list[str] | None:
    """Read the headings; None, with the faults gathered at their cells, where they do not do."""
    names = tuple(column.name for column in sheet.columns)
    table, typed = sheet.table or sheet.name, (shown_text(cell).strip() for cell in line.cells)
    written = new_headings(table, [name.lower() for name in typed], report, sheet.name)

    def fault(message: str, row: int | None, name: str, /, **values: object) -> None:
        index = written.index(name) if name in written else None
        place = f"{sheet.name}!{row}:{row}"
        if index is not None and row is not None:
            place = cell_name(sheet.name, row, index)
        report.add(fault_of(message, BOOK_FILE, row, f"{place} ({shorten(name)})", **values))

    needed = _REQUIRED.get(sheet.name, names[:1])
    return read_heading(written, names, needed, fault, line.number)


def _items(book: Book, sheet: Sheet, lines: tuple[Line, ...], report: Report) -> Iterator[_Item]:
    """Yield the rows under the headings that are no examples and no hints."""
    start = _heading_line(sheet, lines)
    if start is None:
        return
    headings = _read_headings(sheet, lines[start], report)
    if headings is None:
        # What refers to the rows of this sheet is not told as well.
        report.broken_names.update(
            shown_text(c).strip() for x in lines[start + 1 :] for c in x.cells
        )
        return
    names = {column.name for column in sheet.columns}
    indices = {name: index for index, name in enumerate(headings) if name in names}
    book.places.columns.update({(sheet.name, name): index for name, index in indices.items()})
    for line in lines[start + 1 :]:
        item = _Item(sheet, line, {n: line.cell(i) for n, i in indices.items()}, indices)
        if is_explanation(line.cell(0)):
            _note_changed(item, report)
            continue
        # a value under no heading would be lost in silence
        for index, cell in enumerate(line.cells):
            stray = cell is not None and not is_merged(cell)
            if stray and (index >= len(headings) or not headings[index]):
                place = CellPlace(sheet.name, line.number, index, "", shown_text(cell))
                fault_at(report, "row-too-long:book", place)
        if any(cell is not None for cell in item.cells.values()):
            yield item


def _note_changed(item: _Item, report: Report) -> None:
    """Note an example row that was written over: it is not read."""
    first = shown_text(item.line.cell(0)).lower()
    by_name = {column.name: column for column in item.sheet.columns}
    # as it was handed out: nobody meant it
    shipped = all(
        shown_text(cell) in ("", *by_name[name].examples) for name, cell in item.cells.items()
    )
    if first.startswith("example") and not shipped:
        report.note(
            "example-row",
            f"{item.sheet.name}!{item.line.number}:{item.line.number}",
            number=item.line.number,
            name=item.sheet.name,
        )


def _text_row(item: _Item, report: Report) -> Row | None:
    """Return a row as a CSV file gives it; one with a cell that has no value is left out."""
    faults_before = len(report.faults)
    kinds = {column.name: column.kind for column in item.sheet.columns}
    values = {
        name: usable(cell, kinds[name], item.place(name), report)
        for name, cell in item.cells.items()
    }
    if len(report.faults) > faults_before:
        report.broken_names.add(shown_text(item.cells.get("id")))
        return None
    texts = {name: "" if value is None else str(value) for name, value in values.items()}
    return Row(item.line.number, texts)


def _read(
    item: _Item, columns: dict[str, tuple[str | int, ...]], prefix: str, book: Book, report: Report
) -> Raw:
    """Make the raw table of one row; ``columns`` give each heading's path under ``prefix``."""
    by_name = {column.name: column for column in item.sheet.columns}
    made: Raw = {}
    book.places.cells.setdefault(prefix, item.place(None))
    for name, path in columns.items():
        key = _joined(prefix, path)
        if name in item.indices:
            book.places.cells.setdefault(key, item.place(name))
        cell = item.cells.get(name)
        if cell is None:
            continue
        value = usable(cell, by_name[name].kind, item.place(name), report)
        if value is None:
            report.cut_keys.add(key)
        else:
            _put(made, path, as_kind(value, by_name[name]))
    return made


def _joined(prefix: str, path: tuple[str | int, ...]) -> str:
    text = dotted(path)
    return f"{prefix}{text}" if text.startswith("[") else f"{prefix}.{text}"


def _paths(sheet: Sheet, *without: str) -> dict[str, tuple[str | int, ...]]:
    return {c.name: c.path for c in sheet.columns if c.name not in without}


def _list_at(raw: Raw, table: str) -> list[Raw]:
    """Return the list of tables at a dotted key, made where it is not there."""
    *parents, name = table.split(".")
    here = raw
    for part in parents:
        below = here.setdefault(part, {})
        assert isinstance(below, dict)
        here = below
    found = here.setdefault(name, [])
    if not isinstance(found, list):
        found = here[name] = []
    return found


def _join_rows(book: Book, sheet: Sheet, items: list[_Item], report: Report) -> None:
    """Make one table of each row."""
    for number, item in enumerate(items, start=1):
        made = _read(item, _paths(sheet), f"{sheet.table}[{number}]", book, report)
        _list_at(book.raw, sheet.table).append(made)


def _join_pairs(book: Book, sheet: Sheet, items: list[_Item], report: Report) -> None:
    """Make one pair of each row: a list of points."""
    for number, item in enumerate(items, start=1):
        prefix = f"{sheet.table}[{number}]"
        made = _read(item, {"x": ("at", 0), "y": ("at", 1)}, prefix, book, report)
        for name, place in (("x", 1), ("y", 2)):
            book.places.cells[f"{prefix}[{place}]"] = item.place(name)
        pairs: list[object] = _list_at(book.raw, sheet.table)  # type: ignore[assignment]  # pairs
        pairs.append(made.get("at", []))


def _join_parent(book: Book, sheet: Sheet, items: list[_Item], report: Report) -> None:
    """Put each row under the table that its first column names."""
    parent, child = sheet.table.split(".")
    owners = _list_at(book.raw, parent)
    # parents are read first: their sheets stand before
    ids = [str(owner.get("id", "")).strip() for owner in owners]
    for item in items:
        name = shown_text(item.cells.get(parent)).strip()
        if name in report.broken_names:
            continue
        if name not in ids:
            known = guess(name, filter(None, ids))
            fault_at(report, f"{parent}-unknown", item.place(parent), known=known)
            report.broken_names.add(shown_text(item.cells.get("id")))
            continue
        number = ids.index(name) + 1
        children = _list_at(owners[number - 1], child)
        prefix = f"{parent}[{number}].{child}[{len(children) + 1}]"
        children.append(_read(item, _paths(sheet, parent), prefix, book, report))


def _join_points(book: Book, sheet: Sheet, items: list[_Item], report: Report) -> None:
    """Make one table of all rows of one id, their x and y a list of points."""
    tables = _list_at(book.raw, sheet.table)
    numbers: dict[str, int] = {}
    for item in items:
        name = shown_text(item.cells.get("id")).strip()
        is_new = name not in numbers
        number = numbers.setdefault(name, len(numbers) + 1)
        prefix = f"{sheet.table}[{number}]"
        made = _read(item, _paths(sheet, "x", "y"), prefix, book, report)
        if is_new:
            tables.append(made)
        table = tables[number - 1]
        for key, value in made.items():
            # each row of an id says the same of it, or one of them is wrong
            if table.setdefault(key, value) != value:
                fault_at(report, "rows-differ", item.place(key), name=name, text=key)
        if item.cells.get("x") is not None or item.cells.get("y") is not None:
            points: list[object] = table.setdefault("points", [])  # type: ignore[assignment]  # made here
            spot = f"{prefix}.points[{len(points) + 1}]"
            at = _read(item, {"x": ("at", 0), "y": ("at", 1)}, spot, book, report)
            for column, place in (("x", 1), ("y", 2)):
                book.places.cells[f"{spot}[{place}]"] = item.place(column)
            points.append(at.get("at", []))


_JOINS: Mapping[str, Callable[[Book, Sheet, list[_Item], Report], None]] = {
    "rows": _join_rows,
    "pairs": _join_pairs,
    "parent": _join_parent,
    "points": _join_points,
}


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
