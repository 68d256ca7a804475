"""``locates.csv`` and ``ties.csv`` as rows; lengths already in meters."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..model.fields import inputs_of
from ..model.lengths import UNIT_WORDS, is_bare, signed_length
from ..model.site import POINT_KINDS, Locate, Noise, Tie
from ..units import FOOT_M, LengthUnit, format_length, parse_length
from .faults import ALL_POINTS, Report, guess, shorten
from .file_names import LOCATES_FILE, TIES_FILE
from .old_names import new_headings
from .text_files import read_text

MOST_ROWS = 20_000
# Judgment: a site has tens of points. The sums grow with the cube of their number.
MOST_POINTS = 300
LONGEST_TIE_M = 304.8  # 1000 ft, ten times the usual long tape; judgment, no source
LOCATE_COLUMNS = tuple(key for key in inputs_of(Locate) if key != "row")
REQUIRED_LOCATE = ("id", "kind", "room", "x", "y", "depth")
TIE_COLUMNS = ("from", "to", "distance", "sd")
REQUIRED_TIE = ("from", "to", "distance")
FINDING_COLUMNS = tuple(
    (
        "id kind x y longitude latitude at_pit width length sd dug_to found depth_to_invert "
        "depth_to_top direction diameter material date note photo"
    ).split()
)
REQUIRED_FINDING = ("id", "kind", "found")
# Bounds of what a locator can mean: judgment. Under a basement floor a drain lies a foot or two.
DEEPEST_M, DEEPEST_INDOORS_M, SHALLOWEST_M = 6.0, 3.5, 0.05
LIFTS_M = (0.025, 3.05)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: its line as an editor shows it, and its cells by column."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Cells:
    """Read the cells of one row of a table, gathering the faults."""

    file: str
    row: Row
    report: Report
    units: LengthUnit
    depth_units: LengthUnit

    def text(self, column: str) -> str:
        """Return a cell, empty where the column is not there."""
        return self.row.cells.get(column, "")

    def fault(self, name: str, column: str, /, **values: object) -> None:
        """Gather a fault of this row by its name in the catalog.

        Parameters
        ----------
        name
            Name in the catalog.
        column
            Column of the fault.
        **values
            Values that the words have places for.
        """
        value = shorten(self.text(column))
        self.report.add(fault_of(name, self.file, self.row.number, column, value, **values))

    def required(self, column: str) -> str:
        """Return a cell that must not be empty; empty with a fault gathered.

        Where the whole column is missing, that is told once in the heading line.
        """
        text = self.text(column)
        if not text and column in self.row.cells:
            self.fault("cell-empty", column, column=column)
        return text

    def length(self, column: str, *, as_depth: bool = False, needed: bool = False) -> float | None:
        """Read a length; None where the cell is empty or not readable.

        Parameters
        ----------
        column
            Column of the length.
        as_depth
            Whether a bare number is in the unit of depths.
        needed
            Whether an empty cell is a fault.

        Returns
        -------
        float | None
            Length, m; None where there is none.
        """
        text = self.required(column) if needed else self.text(column)
        if not text:
            return None
        unit = self.depth_units if as_depth else self.units
        try:
            return signed_length(text, unit)
        except ValueError as error:
            reason = str(error)
            reason = reason if reason.endswith(".") else reason + "."
            self.fault("length-unreadable", column, reason=reason, unit=UNIT_WORDS[unit])
            return None


def read_rows(
    path: Path, columns: tuple[str, ...], required: tuple[str, ...], report: Report
) -> tuple[Row, ...] | None:
    """Read a table with a heading line; None with the fault gathered where that fails.

    Parameters
    ----------
    path
        The table.
    columns
        Columns that are known.
    required
        Columns that must be there.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Row, ...] | None
        Rows, None with the fault gathered.
    """
    text = read_text(path, report, folder=path.parent)
    if text is None:
        return None

    def fault(name: str, row: int | None, field: str, /, **values: object) -> None:
        report.add(fault_of(name, path.name, row, field, **values))

    # newline="": line ends within quotes are the reader's own matter
    reader = csv.reader(io.StringIO(text, newline=""))
    rows: list[Row] = []
    header: list[str] | None = None
    start = 1
    try:
        for cells in reader:
            # a row may run over several lines: it begins after the one before
            number, start = start, reader.line_num + 1
            trimmed = [cell.strip() for cell in cells]
            if not any(trimmed):
                continue
            if header is None:
                names = new_headings(path.stem, [n.lower() for n in trimmed], report, path.name)
                header = read_heading(names, columns, required, fault, number, lenient=True)
                if header is None:
                    return None
                continue
            row = _row(trimmed, header, number, fault)
            if row is not None:
                rows.append(row)
            if len(rows) > MOST_ROWS:
                fault("too-many-rows", number, "file", most_rows=MOST_ROWS)
                return None
    except csv.Error as error:
        fault("table-broken", reader.line_num, "file", error=error)
        return None
    return tuple(rows)


class FaultOf(Protocol):
    """Gathers a fault of a table by its name in the catalog, at a row and a column."""

    def __call__(self, name: str, row: int | None, field: str, /, **values: object) -> None:
        """Gather it."""


def read_heading(
    names: list[str],
    columns: tuple[str, ...],
    required: tuple[str, ...],
    fault: FaultOf,
    row: int,
    *,
    lenient: bool = False,
) -> list[str] | None:
    """Check the heading line; the names in lower case, or None where it is no heading line.

    ``lenient`` gives the names though some that are required are missing, as long as at least
    half of them are there, so that the rows can be checked for their other faults.

    Parameters
    ----------
    names
        Headings as written.
    columns
        Columns that are known.
    required
        Columns that must be there.
    fault
        Gathers a fault of the table.
    row
        Line of the heading.
    lenient
        Whether names are given though some are missing.

    Returns
    -------
    list[str] | None
        Names in lower case, None where it is no heading.
    """
    lowered = [name.lower() for name in names]
    # one heading for the whole line: cells are parted by something else
    for separator, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
        if len([n for n in lowered if n]) == 1 and separator in lowered[0]:
            fault("table-separator", row, "file", word=word)
            return None
    missing = [name for name in required if name not in lowered]
    unknown = [name for name in lowered if name and name not in columns]
    for name in unknown:
        fault(
            "column-unknown", row, name, known=guess(name, [c for c in columns if c not in lowered])
        )
    for name in missing:
        fault("column-missing", row, name, name=name, columns=", ".join(columns))
    for name, count in Counter(lowered).items():
        if name and count > 1:
            fault("column-twice", row, name)
    twice = len(set(filter(None, lowered))) < len(list(filter(None, lowered)))
    too_few = len(missing) > (len(required) / 2 if lenient else 0)
    return None if too_few or twice else lowered


def _row(cells: list[str], header: list[str], number: int, fault: FaultOf) -> Row | None:
    """Return a row by column; a row with too many cells or a broken quote is a fault."""
    # a quote left open swallows the lines after it
    if any("\n" in cell or "\r" in cell for cell in cells):
        fault("quote-open", number, "file")
        return None
    if any(cells[len(header) :]):
        fault("row-too-long", number, "file")
        return None
    padded = cells + [""] * (len(header) - len(cells))
    return Row(number, {name: cell for name, cell in zip(header, padded, strict=False) if name})


def read_locates(
    rows: tuple[Row, ...] | None, report: Report, units: LengthUnit, depth_units: LengthUnit
) -> tuple[Locate, ...]:
    """Make the points of the rows; those with faults are left out, the faults gathered.

    Parameters
    ----------
    rows
        Rows of the table, None where it could not be read.
    report
        Where faults and notices are gathered.
    units
        Unit of a bare number.
    depth_units
        Unit of a bare depth.

    Returns
    -------
    tuple[Locate, ...]
        The points without faults.
    """
    if rows is None or too_many_rows(rows, LOCATES_FILE, report):
        report.broken_names.add(ALL_POINTS)
        return ()
    if any("id" not in row.cells for row in rows):
        report.broken_names.add(ALL_POINTS)
    read = [_locate(Cells(LOCATES_FILE, row, report, units, depth_units)) for row in rows]
    locates = tuple(locate for locate in read if locate is not None)
    report.broken_names.update(
        row.cells.get("id", "") for row, locate in zip(rows, read, strict=True) if locate is None
    )
    _check_twice(locates, report)
    if not rows:
        report.add(fault_of("no-rows", LOCATES_FILE, None, "file", ""))
    elif not any(row.cells.get("kind", "locate").lower() in ("locate", "bend") for row in rows):
        report.add(fault_of("no-locates", LOCATES_FILE, None, "kind", ""))
    return locates


def too_many_rows(rows: Sequence[Row], file: str, report: Report) -> bool:
    """Return whether there are more rows than a site has, with the fault gathered.

    Parameters
    ----------
    rows
        Rows of the table.
    file
        File in which they stand.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether they are too many.
    """
    if len(rows) <= MOST_POINTS:
        return False
    many = {"count": len(rows), "most_points": MOST_POINTS}
    first = rows[MOST_POINTS].number
    report.add(fault_of("too-many-rows:points", file, first, "file", "", **many))
    return True


def _locate(cells: Cells) -> Locate | None:
    """Read one row of ``locates.csv``; None where what is needed is not readable."""
    name, room = cells.required("id"), cells.required("room")
    kind_text = cells.required("kind").lower().replace("_", "-").replace(" ", "-")
    kind = next((known for known in POINT_KINDS if known == kind_text), None)
    if kind is None and kind_text:
        cells.fault("kind-unknown", "kind", known=guess(kind_text, POINT_KINDS))
    if ":" in name or not name.isprintable() or len(name) > 80:
        cells.fault("name-unfit", "id")
        name = ""
    x_m, y_m = cells.length("x", needed=True), cells.length("y", needed=True)
    depth_m = cells.length("depth", as_depth=True)
    if kind in ("locate", "bend") and cells.row.cells.get("depth") == "":
        cells.fault("depth-missing", "depth")
    count_m = cells.length("footage")
    if count_m is not None and count_m < 0:
        cells.fault("count-negative", "footage")
    lifted_m, lift_m = _lifted(cells)
    null_m = cells.length("null_spacing", as_depth=True)
    if null_m is not None and null_m <= 0:
        cells.fault("spacing-negative", "null_spacing")
    elif null_m is not None and cells.report.units_known and not null_m >= SHALLOWEST_M:
        cells.fault(
            "spacing-absurd",
            "null_spacing",
            likely_unit=_likely_unit(cells, "null_spacing", SHALLOWEST_M, 2.0 * DEEPEST_M),
        )
    checked_depth_m = _checked_depth(cells, "depth", depth_m)
    heading_rad = _heading(cells)
    if not name or not room or kind is None or x_m is None or y_m is None:
        return None
    surface = cells.text("surface").lower() or ("soil" if room == "lot" else "slab")
    return Locate(
        id=name,
        kind=kind,
        room=room,
        x_m=x_m,
        y_m=y_m,
        depth_m=checked_depth_m,
        footage_m=count_m,
        heading_rad=heading_rad,
        depth_lifted_m=lifted_m,
        lift_m=lift_m,
        null_spacing_m=null_m,
        surface=surface,
        note=cells.text("note"),
        row=cells.row.number,
        run=cells.text("run"),
    )


def _lifted(cells: Cells) -> tuple[float | None, float | None]:
    """Read the second reading with the locator raised: both cells or none."""
    lifted_m = cells.length("depth_lifted", as_depth=True)
    lift_m = cells.length("lift", as_depth=True)
    if bool(cells.text("depth_lifted")) != bool(cells.text("lift")):
        missing = "lift" if cells.text("depth_lifted") else "depth_lifted"
        cells.fault("lift-half", missing)
    low_m, high_m = LIFTS_M
    if lift_m is not None and cells.report.units_known and not low_m <= lift_m <= high_m:
        cells.fault("lift-absurd", "lift", likely_unit=_likely_unit(cells, "lift", low_m, high_m))
    return _checked_depth(cells, "depth_lifted", lifted_m), lift_m


def _checked_depth(cells: Cells, column: str, depth_m: float | None) -> float | None:
    """Fault a depth that cannot be, with a hint at the unit where a bare number explains it."""
    if depth_m is None:
        return None
    if depth_m < 0:
        cells.fault("depth-negative", column)
    elif cells.report.units_known and not SHALLOWEST_M <= depth_m <= _deepest_m(cells):
        text, unit, deepest_m = cells.text(column), cells.depth_units, _deepest_m(cells)
        name = "depth-absurd:bare" if is_bare(text) else "depth-absurd"
        cells.fault(
            name,
            column,
            column=column,
            text=text,
            depth_m=depth_m,
            unit=unit,
            deepest_m=deepest_m,
            deepest_ft=deepest_m / FOOT_M,
            likely_unit=_likely_unit(cells, column, SHALLOWEST_M, deepest_m),
        )
    else:
        return depth_m
    return None


def _deepest_m(cells: Cells) -> float:
    return DEEPEST_M if cells.text("room") == "lot" else DEEPEST_INDOORS_M


def _likely_unit(cells: Cells, column: str, low_m: float, high_m: float) -> str:
    """Say with which unit a bare depth would be believable, the likeliest first."""
    text, unit = cells.text(column), cells.depth_units
    likely: tuple[LengthUnit, ...] = ("in", "ft", "m", "mm")
    if unit in ("m", "mm"):
        likely = ("mm", "m", "in", "ft")
    for other in likely if is_bare(text) else ():
        # bare: not held against the bound of a length, which another unit may well pass
        if other != unit and low_m <= float(text) * parse_length("1", other) <= high_m:
            return f"write {text}{other} if that is meant, or correct depth_units."
    return "check the reading."


def _heading(cells: Cells) -> float | None:
    """Read the head's direction in degrees counter-clockwise from room x, as radians."""
    text = cells.text("heading").rstrip("°").strip()
    if not text:
        return None
    try:
        degrees = float(text)
    except ValueError:
        degrees = math.nan
    if not -360.0 <= degrees <= 360.0:
        cells.fault("heading-unreadable", "heading")
        return None
    return math.radians(degrees)


def _check_twice(locates: tuple[Locate, ...], report: Report) -> None:
    """Fault an id that is used twice within one room (in two rooms it is a shared point)."""
    first: dict[tuple[str, str], int] = {}
    for locate in locates:
        key = (locate.room, locate.id)
        if key in first:
            report.add(
                fault_of(
                    "id-twice:row", LOCATES_FILE, locate.row, "id", locate.id, first=first[key]
                )
            )
        first.setdefault(key, locate.row)


def read_ties(
    rows: tuple[Row, ...], report: Report, units: LengthUnit, noise: Noise
) -> tuple[Tie, ...]:
    """Make the ties of the rows; a missing sd takes the tape's (floor + share).

    Parameters
    ----------
    rows
        Rows of the table.
    report
        Where faults and notices are gathered.
    units
        Unit of a bare number.
    noise
        Stated noise of tape and locator.

    Returns
    -------
    tuple[Tie, ...]
        The ties without faults.
    """
    ties = []
    for row in () if too_many_rows(rows, TIES_FILE, report) else rows:
        cells = Cells(TIES_FILE, row, report, units, units)
        from_name, to_name = cells.required("from"), cells.required("to")
        distance_m, sd_m = cells.length("distance", needed=True), cells.length("sd")
        for column, value in (("distance", distance_m), ("sd", sd_m)):
            if value is not None and value <= 0:
                cells.fault("tie-not-positive", column, column=column)
        if distance_m is not None and distance_m > LONGEST_TIE_M:
            cells.fault(
                "tie-too-long",
                "distance",
                distance_m=format_length(distance_m, units),
                longest_tie_m=format_length(LONGEST_TIE_M, units),
            )
        if from_name and from_name == to_name:
            cells.fault("tie-to-itself", "to")
        if from_name and to_name and distance_m is not None:
            tape_m = noise.tape_floor_m + noise.tape_share * distance_m
            ties.append(Tie(from_name, to_name, distance_m, sd_m or tape_m, row.number))
    return tuple(ties)
