"""The sketch in plain characters, for a terminal: the same parts as the SVG, about the house.

ASCII only, one line a row of cells; a cell is twice as high as wide. What lies farther off than the
house and the marks (streets, lot lines) is named at the edge that it lies beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from ..geometry.frames import Array
from ..messages.printable import printable
from ..model.site import Side, Site
from ..model.survey import Survey
from ..units import about
from .sketch_parts import Part, north_in_lot, scale_bar, sketch_parts

MOST_COLUMNS, MOST_ROWS, LEAST_COLUMNS = 100, 46, 40
MARGIN_M, CELL_HIGH = 1.3, 2.0
"""What is shown about house and marks; how much higher than wide a character's cell is."""
STEP = 0.4
"""Lines are walked in steps of so much of a cell's width."""
STROKES = {"lot": "+", "main": "=", "wall": "#", "room": ".", "drain": ":", "other": "?"}
ARROWS = (">", "/", "^", "\\", "<", "/", "v", "\\")
HEADS = (">", "^", "^", "^", "<", "v", "v", "v")
LEGEND = (
    "# wall   . room   O corner taped from, with its x and y   + lot line   = main",
    "* locate point   o other mark   : drain (inferred, not located)",
    "? exit under another reading (inferred)",
)
EIGHTHS = (
    "right",
    "up and right",
    "up",
    "up and left",
    "left",
    "down and left",
    "down",
    "down and right",
)


@dataclass(slots=True)
class _Sheet:
    """Cells to write on: ``low`` (2,) in the lot at the foot of the left, ``scale`` cells a meter.

    ``held`` are cells with words, which no later stroke writes over.
    """

    low: Array
    scale: float
    cells: list[list[str]]
    held: set[tuple[int, int]] = field(default_factory=set)

    def cell(self, place: Array) -> tuple[int, int]:
        """Return row and column of a place (2,)."""
        column, up = (np.asarray(place) - self.low) * self.scale
        # row 0 is the top; a hair more, or a place on a cell's edge would flicker between two
        row = len(self.cells) - 1 - int(np.floor(up / CELL_HIGH + 1e-6))
        return row, int(np.floor(column + 1e-6))

    def put(self, row: int, column: int, sign: str, *, hold: bool = False) -> None:
        """Write a character where it lies on the sheet and nothing holds the cell."""
        inside = 0 <= row < len(self.cells) and 0 <= column < len(self.cells[0])
        if inside and (row, column) not in self.held:
            self.cells[row][column] = sign
            if hold:
                self.held.add((row, column))

    def words(self, row: int, column: int, text: str) -> None:
        """Write words and hold their cells; where they do not fit, not at all."""
        spots = [(row, column + i) for i in range(len(text))]
        inside = 0 <= row < len(self.cells) and 0 <= column <= len(self.cells[0]) - len(text)
        if inside and not self.held.intersection(spots):
            for (r, c), sign in zip(spots, text, strict=True):
                self.put(r, c, sign, hold=True)

    def stroke(self, line: Array, sign: str, every: int = 1) -> None:
        """Draw a line (n, 2); ``every`` other cell of it."""
        passed: list[tuple[int, int]] = []
        for start, end in pairwise(line):
            count = max(int(np.hypot(*(end - start)) * self.scale / STEP), 1)
            for share in np.linspace(0.0, 1.0, count + 1):
                at = self.cell(start + share * (end - start))
                if not passed or passed[-1] != at:
                    passed.append(at)
        for at in passed[::every]:
            self.put(*at, sign)


def sketch_lines(site: Site, survey: Survey | None = None, columns: int = 80) -> tuple[str, ...]:
    """Draw a site in lines of at most ``columns`` plain characters (40 to 100).

    Parameters
    ----------
    site
        The site as read.
    survey
        Placed points to draw too, None for the input alone.
    columns
        Most characters a line.

    Returns
    -------
    tuple[str, ...]
        The lines.
    """
    parts = sketch_parts(site, survey)
    columns = min(max(columns, LEAST_COLUMNS), MOST_COLUMNS)
    near = [p.points for p in parts if p.shape in ("wall", "mark")]
    low = np.min([p.min(axis=0) for p in near], axis=0) - MARGIN_M
    high = np.max([p.max(axis=0) for p in near], axis=0) + MARGIN_M
    width, height = (high - low).tolist()
    # the tighter of the two; a row is as high as two columns are wide
    scale = min((columns - 1) / width, CELL_HIGH * MOST_ROWS / height)
    rows, across = int(height * scale / CELL_HIGH) + 1, int(width * scale) + 1
    sheet = _Sheet(low, scale, [[" "] * across for _ in range(rows)])
    rooms = [part for part in parts if part.shape == "room"]  # under the walls
    for part in (*rooms, *(part for part in parts if part.shape != "room")):
        _stroke(sheet, part)
    # lines, then signs, then words: what comes first and holds its cell is kept
    for part in parts:
        _sign(sheet, part)
    for part in parts:
        _name(sheet, part)
    length_m, length = scale_bar(site)
    bar = f"|{'-' * max(round(length_m * scale) - 2, 1)}| {length}"
    front, rear, left, right = (_beyond(site, side) for side in ("front", "rear", "left", "right"))
    drawn = ["".join(cells).rstrip() for cells in sheet.cells]
    while drawn and not drawn[0]:
        del drawn[0]
    foot = f"{bar}   north is {_north(site)}"
    lines = (*rear, *drawn, *front, *left, *right, foot, *LEGEND)
    return tuple(printable(line)[:columns] for line in lines)


def _stroke(sheet: _Sheet, part: Part) -> None:
    """Draw the lines of a part."""
    sign = STROKES.get(part.shape)
    if sign is None:
        return
    ring = part.shape in ("lot", "wall", "room")
    line = np.concatenate([part.points, part.points[:1]]) if ring else part.points
    sheet.stroke(line, sign, every=2 if part.shape in ("room", "drain") else 1)


def _sign(sheet: _Sheet, part: Part) -> None:
    """Write a mark's sign, an origin, and axes with their names at their heads."""
    if part.shape == "mark":
        sheet.put(*sheet.cell(part.points[0]), "*" if part.located else "o", hold=True)
    if part.shape == "origin":
        sheet.put(*sheet.cell(part.points[0]), "O", hold=True)
    if part.shape == "axis":
        start, end = part.points
        step = end - start
        # the nearest of eight directions, counter-clockwise from x
        eighth = round(float(np.arctan2(step[1], step[0])) / (np.pi / 4.0)) % 8
        level, upright = eighth in (0, 4), eighth in (2, 6)
        sheet.stroke(part.points, "-" if level else "|" if upright else ARROWS[eighth])
        sheet.put(*sheet.cell(end), HEADS[eighth], hold=True)
        beyond = end + step / np.hypot(*step) * (1.0 if level else CELL_HIGH) / sheet.scale
        sheet.put(*sheet.cell(beyond), part.words, hold=True)


def _name(sheet: _Sheet, part: Part) -> None:
    """Write a part's words: beside a mark, else about their place."""
    if part.shape == "mark":
        row, column = sheet.cell(part.points[0])
        # left of the mark where the right is taken
        free = not any((row, column + i) in sheet.held for i in range(1, len(part.words) + 1))
        sheet.words(row, column + 1 if free else column - len(part.words), part.words)
    elif part.shape in ("wall-name", "room-name", "room-lost"):
        row, column = sheet.cell(part.points[0])
        words = part.words[: len(sheet.cells[0])]
        column = min(max(column - len(words) // 2, 0), len(sheet.cells[0]) - len(words))
        sheet.words(row, column, words)


def _beyond(site: Site, side: Side) -> Sequence[str]:
    """Name the streets on a side of the lot, and how far the house stands from that lot line."""
    names = [street.name for street in site.streets if street.side == side]
    if not names:
        return ()
    edge = site.lot.edge(side)
    along = (edge[1] - edge[0]) / np.hypot(*(edge[1] - edge[0]))
    inward = np.array([-along[1], along[0]])
    # corners run counter-clockwise: inward is left of an edge
    away_m = float(((site.building.vertices - edge[0]) @ inward).min())
    where = {"front": "v", "rear": "^", "left": "<", "right": ">"}[side]
    return (f"{where} {side}: {', '.join(names)}, lot line {about(away_m, site.units)} off",)


def _north(site: Site) -> str:
    """Say which way grid north lies on the sheet, by eighths of a turn."""
    x, y = north_in_lot(site)
    return EIGHTHS[round(float(np.arctan2(y, x)) / (np.pi / 4.0)) % 8]
