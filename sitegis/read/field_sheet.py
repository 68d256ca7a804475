"""One sheet to fill in by hand at the house, both sides: letter for feet, A4 for meters."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.lib.colors import Color, black, white
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from ..language import ENGLISH, Language
from ..units import LengthUnit
from . import csv_tables

MARGIN = 11 * mm
GRID_STEP = 4 * mm
ROW = 5.8 * mm
UNDER_TABLE, FOOT_TOP = 13.0, MARGIN + 8
LINE, FINE, SHADE = Color(0.35, 0.35, 0.35), Color(0.75, 0.8, 0.85), Color(0.92, 0.94, 0.96)
LOCATE_ROWS, TIE_ROWS = 16, 4
# Headings as in locates.csv and ties.csv, with their share of the width: 8 where not said.
_SHARES = {
    "id": 5, "kind": 9, "x": 9, "y": 9, "footage": 9, "heading": 6, "depth_lifted": 9,
    "lift": 6, "null_spacing": 9, "note": 14,
}  # fmt: skip
LOCATE_COLUMNS = tuple((name, _SHARES.get(name, 8)) for name in csv_tables.LOCATE_COLUMNS)
TIE_COLUMNS = (("from", 8), ("to", 10), ("distance", 8), ("sd", 5))
HEAD_FIELDS = (
    (("Job", 3), ("Date", 1), ("Measured by", 2)),
    (("Locator, frequency", 2), ("Sonde", 2), ("Depth method (dial, lift, nulls)", 2)),
    (("Wall thickness", 1), ("Yard above basement floor", 1.3), ("Drain: size, material", 1.7)),
)
CHECKLIST = (
    "One-call ticket no. ______________   marks in place, photographed",
    "Cleanout open: nobody uses water upstream until it is closed",
    "Gas: looked with the camera for a cross-bore before clearing or cutting",
    "Gloves, eye protection, wash after: sewage is a biohazard",
    "Slab: asked whether post-tensioned; wet-cut only",
    "Ducts, water, electric and telecom marked in the sketch",
    "Holes dug, found or NOT: place, size, depth (findings)",
)
FIRST = (
    "1. Choose an inside corner as origin; x along one wall, y to its LEFT. Show it in the sketch.",
    "2. Footage 0 at the cleanout; never set it back. Pushed more than once: name each run, "
    "count from its own access, and write the run of every locate point:",
    "3. Jambs of doors from BOTH rooms, under one id: they tie the rooms. And one check tape a "
    "room: from a locate point off its center lines to an outside corner of the house.",
    "4. At cleanout, stack, floor drain: tape from the floor to the pipe's invert.",
    "5. Five or more locate points over the whole length. At two or three lift the locator by a "
    "measured height and read again: the reading must grow by it.",
    "6. Yard above the basement floor; wall thickness; front and one side of the house to the lot "
    "lines.",
)
KINDS = "kind: stack  cleanout  locate  bend  floor-drain  branch  wall (a jamb, a corner)"
TITLE, BACK_TITLE = "Field sheet", "Field sheet, back: lot, house, rooms and mains"
UNITS = {True: "units: meters; depths in mm", False: "units: feet and inches; depths in inches"}
SHEET_OF = "sheet ____ of ____   (type it into locates, ties)"
TIES_HEAD, TIES_FOOT = (
    "Swing ties: taped between named points (ties.csv)",
    "Names: an id, building:front-left, lot:rear-right, ROOM:origin",
)
FIRST_HEAD, CHECKLIST_HEAD = "Measure first", "Before and after"
SKETCH_HEAD = "Sketch: rooms, x arrows, locate points, cleanout"
SKETCH_FOOT = "one square = __________    street is at the ________ of the sheet"
SURFACES = "surface: slab, soil, asphalt"
Boxes = tuple[tuple[str, float], ...]
BACK: tuple[tuple[str, Boxes, int, str], ...] = (
    (
        "The lot: tape each side, or write down the parcel number",
        (
            ("Front line", 1),
            ("Right side", 1),
            ("Rear line", 1),
            ("Left side", 1),
            ("Parcel number", 1.2),
        ),
        1,
        "Left and right as seen from the street that the house faces.",
    ),
    (
        "One lot corner on the earth, by a phone",
        (
            ("Which corner", 1),
            ("Latitude", 1.2),
            ("Longitude (west is negative)", 1.2),
            ("Accuracy that the phone states", 1.2),
        ),
        1,
        "Stand at the corner, phone flat, location on; wait until the accuracy no longer gets "
        "better; read all decimals from its map or compass.",
    ),
    (
        "Direction of the front line, from its left end to its right end",
        (("Degrees, 1st reading", 1), ("Degrees, 2nd reading", 1), ("True or magnetic north", 1)),
        1,
        "Compass of the phone set to true north; long edge along the front wall, pointing to the "
        "right as seen from the street; away from cars and steel; once at each end of the wall. "
        "They should agree within 5 degrees. Photograph the compass as it lies.",
    ),
    (
        "The house, outside",
        (
            ("Width along the front", 1),
            ("Depth, front to rear", 1),
            ("Front wall to front line", 1),
            ("Left wall to left line", 1),
            ("or right wall to right line", 1),
            ("Basement wall thickness", 1),
        ),
        1,
        "",
    ),
    (
        "Rooms in which something was measured",
        (
            ("Name", 1.2),
            ("Inside corner taped from", 1.3),
            ("x runs along which wall", 1.3),
            ("Size along x", 1),
            ("Size along y", 1),
            ("Step in the floor", 1),
        ),
        3,
        "",
    ),
    (
        "Streets and alleys beside the lot, and their mains",
        (
            ("Street or alley", 1.3),
            ("Side of the lot", 0.8),
            ("Width, line to line", 0.9),
            ("Main from the lot line", 1),
            ("Diameter", 0.7),
            ("Depth to invert", 0.9),
            ("Flows toward", 0.9),
            ("Manhole, how far along", 1.2),
        ),
        4,
        "From the city's sewer map, and from manhole covers in the street. Never open or enter a "
        "manhole.",
    ),
    (
        "Check tapes: each shows a blunder in what was told",
        (
            ("Diagonal of each room", 1),
            ("Through a door, point to point", 1),
            ("House corner to far lot corner", 1),
            ("The other house corner to it", 1),
            ("Yard above the floor, 2nd place", 1),
        ),
        1,
        "",
    ),
)
"""The back of the sheet: title, boxes with their shares of the width, rows, and how to do it."""
FOOT = (
    "The line drawn from these points to the sewer is inferred, not located: hand or vacuum dig to "
    "expose it. Local code and licensed practice govern."
)


@dataclass(slots=True)
class _Page:
    """A canvas with its width, and the height at which writing goes on."""

    canvas: Canvas
    left: float
    width: float
    top: float
    say: Language

    def text(
        self, x: float, y: float, words: str, size: float = 7.5, *, bold: bool = False
    ) -> None:
        """Write one line."""
        self.canvas.setFillColor(black)
        self.canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size)
        self.canvas.drawString(x, y, words)

    def box(self, x: float, y: float, width: float, height: float, *, shade: bool = False) -> None:
        """Draw a rectangle by its lower left corner."""
        self.canvas.setStrokeColor(LINE)
        self.canvas.setLineWidth(0.4)
        self.canvas.setFillColor(SHADE if shade else white)
        self.canvas.rect(x, y, width, height, fill=1)


def field_sheet(units: LengthUnit, language: Language = ENGLISH) -> bytes:
    """Draw the sheet for a unit, as the bytes of a PDF; the same bytes every time.

    Parameters
    ----------
    units
        Unit of the sheet.
    language
        Language of the sheet.

    Returns
    -------
    bytes
        The bytes of a PDF.
    """
    metric = units in ("m", "mm")
    width, height = A4 if metric else letter
    written = io.BytesIO()
    canvas = Canvas(written, pagesize=(width, height), invariant=1, lang=language.code)
    canvas.setTitle("Field sheet: where a building drain runs")
    canvas.setAuthor("sitegis")
    page = _Page(canvas, MARGIN, width - 2 * MARGIN, height - MARGIN, language)
    _head(page, metric=metric)
    side = page.width * 0.44
    room = page.top - UNDER_TABLE - FOOT_TOP - _column_height(language, side)
    rows = min(LOCATE_ROWS, int(room // ROW) - 1)  # one is the heading
    _table(page, LOCATE_COLUMNS, rows, page.left, page.width)
    page.text(page.left, page.top - 8, f"{language(KINDS)}    {language(SURFACES)}", 6.5)
    page.top -= UNDER_TABLE
    bottom = FOOT_TOP
    _sketch(page, page.left + side + 8, bottom, page.width - side - 8, page.top - bottom)
    _column(page, side)
    _foot(page)
    canvas.showPage()
    _back(_Page(canvas, MARGIN, width - 2 * MARGIN, height - MARGIN, language))
    canvas.showPage()
    canvas.save()
    return written.getvalue()


def _column_height(language: Language, width: float) -> float:
    """Return how high the column beside the sketch is in a language, by writing it elsewhere."""
    trial = _Page(Canvas(io.BytesIO()), 0.0, width, 0.0, language)
    _column(trial, width)
    return -trial.top


def _foot(page: _Page) -> None:
    """Write the caution under a page, and that a translation is not yet reviewed."""
    words = " ".join(filter(None, (page.say(FOOT), page.say.review)))
    lines = simpleSplit(words, "Helvetica", 6.0, page.width)
    for number, line in enumerate(lines):
        page.text(page.left, MARGIN - 2 - 6.5 * number, line, 6.0)


def _back(page: _Page) -> None:
    """Draw the boxes for lot, corner, direction, house, rooms, mains and check tapes."""
    page.text(page.left, page.top - 11, page.say(BACK_TITLE), 13, bold=True)
    page.top -= 22
    height = 9.5 * mm
    for title, boxes, rows, how in BACK:
        page.top -= 12
        page.text(page.left, page.top, page.say(title), 9, bold=True)
        if how:
            _paragraph(page, page.say(how), page.width)
        page.top -= 5
        total = sum(share for _, share in boxes)
        for _ in range(rows):
            x = page.left
            for label, share in boxes:
                width = page.width * share / total
                page.box(x, page.top - height, width, height)
                size = 6.0
                lines = simpleSplit(page.say(label), "Helvetica", size, width - 3)
                for number, line in enumerate(lines):
                    page.text(x + 2, page.top - 7 - 6.5 * number, line, size)
                x += width
            page.top -= height
        page.top -= 4
    _foot(page)


def _head(page: _Page, *, metric: bool) -> None:
    """Write the title and the fields about who, when and with what."""
    page.text(page.left, page.top - 11, page.say(TITLE), 15, bold=True)
    title = stringWidth(page.say(TITLE), "Helvetica-Bold", 15)
    page.text(page.left + max(115.0, title + 8), page.top - 11, page.say(UNITS[metric]), 8.5)
    page.text(page.left + 310, page.top - 11, page.say(SHEET_OF), 8.5)
    page.top -= 18
    height = 8.4 * mm
    for fields in HEAD_FIELDS:
        total = sum(share for _, share in fields)
        x = page.left
        for label, share in fields:
            width = page.width * share / total
            page.box(x, page.top - height, width, height)
            page.text(x + 2, page.top - 7.5, page.say(label), 6)
            x += width
        page.top -= height
    page.top -= 6


def _table(
    page: _Page, columns: Sequence[tuple[str, float]], rows: int, left: float, width: float
) -> None:
    """Draw an empty table with its headings."""
    total = sum(share for _, share in columns)
    for number in range(rows + 1):
        x = left
        for name, share in columns:
            cell = width * share / total
            page.box(x, page.top - ROW, cell, ROW, shade=number == 0)
            if number == 0:
                page.text(x + 1.5, page.top - ROW + 4, name, 6.2, bold=True)
            x += cell
        page.top -= ROW


def _column(page: _Page, width: float) -> None:
    """Write ties, what to measure first, and the checklist, one under the other."""
    page.text(page.left, page.top - 8, page.say(TIES_HEAD), 8, bold=True)
    page.top -= 11
    _table(page, TIE_COLUMNS, TIE_ROWS, page.left, width)
    page.top -= 2
    _paragraph(page, page.say(TIES_FOOT), width)
    page.top -= 15
    page.text(page.left, page.top, page.say(FIRST_HEAD), 8.5, bold=True)
    page.top -= 2
    for number, line in enumerate(FIRST, start=1):
        _paragraph(page, page.say(line), width)
        if number == 2:
            _runs_picture(page, width)
    page.top -= 15
    page.text(page.left, page.top, page.say(CHECKLIST_HEAD), 8.5, bold=True)
    page.top -= 3
    for line in CHECKLIST:
        page.box(page.left, page.top - 9.5, 7, 7)
        _paragraph(page, page.say(line), width, indent=11)
        page.top -= 1.5


def _runs_picture(page: _Page, width: float) -> None:
    """Draw what runs are: two pushes of the cable that meet in a wye, each with its own zero."""
    canvas, left = page.canvas, page.left + 34
    right, high, low = page.left + width - 40, page.top - 9, page.top - 25
    wye = left + 0.55 * (right - left)
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.9)
    canvas.lines(
        [
            (left, high, right, high),
            (left, low, wye - (high - low), low),
            (wye - (high - low), low, wye, high),
        ]
    )
    canvas.setFillColor(white)
    for x, y in ((left, high), (left, low)):
        canvas.rect(x - 2, y - 2, 4, 4, fill=1)
    for share in (0.2, 0.42, 0.7, 0.9):
        canvas.circle(left + share * (right - left), high, 1.6, fill=1)
    for share in (0.16, 0.32):
        canvas.circle(left + share * (right - left), low, 1.6, fill=1)
    for y, name in ((high, "main  0"), (low, "kitchen  0")):
        page.text(page.left, y - 2, name, 6)
    page.text(wye + 3, low + 4, "wye: write its footage", 6)
    page.text(right + 4, high - 2, "to the wall", 6)
    page.top = low - 4


def _paragraph(page: _Page, words: str, width: float, *, indent: float = 0.0) -> None:
    """Write words broken to a width, downward."""
    size = 7.2
    for line in simpleSplit(words, "Helvetica", size, width - indent):
        page.top -= size + 1.5
        page.text(page.left + indent, page.top, line, size)


def _sketch(page: _Page, left: float, bottom: float, width: float, height: float) -> None:
    """Draw the squares for a sketch, with a place for the north arrow and the scale."""
    label = 11.0
    page.text(left, bottom + height - 8, page.say(SKETCH_HEAD), 8, bold=True)
    high = height - label - 4
    canvas = page.canvas
    canvas.setStrokeColor(FINE)
    canvas.setLineWidth(0.3)
    columns, rows = int(width / GRID_STEP), int(high / GRID_STEP)
    for i in range(columns + 1):
        canvas.line(left + i * GRID_STEP, bottom, left + i * GRID_STEP, bottom + rows * GRID_STEP)
    for j in range(rows + 1):
        canvas.line(
            left, bottom + j * GRID_STEP, left + columns * GRID_STEP, bottom + j * GRID_STEP
        )
    page.box(left + 4, bottom + 4, 188, 14)
    page.text(left + 8, bottom + 8.5, page.say(SKETCH_FOOT), 6)
    page.text(left + columns * GRID_STEP - 30, bottom + rows * GRID_STEP - 12, "N (   )", 9)
