"""One sheet for whoever cuts the slab: the room with its walls, the opening, the drain beneath.

Drawn once, for the record on paper and for the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, PolyLine, String
from reportlab.lib.colors import Color, HexColor, white
from reportlab.pdfbase import pdfmetrics

from ..geometry.frames import Array
from ..model.derived import TieIn
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, largest, smallest
from ..numerics.statistics import NORMAL_95
from ..units import LengthUnit, about, format_length, is_imperial
from .cutting import RoomFrame, room_frame, spot_sd_m
from .fonts import BOLD, PLAIN, register_fonts
from .page.panel_parts import tie_in_facts
from .profile import invert_under_slab

WIDTH, HEIGHT, MARGIN = 520.0, 400.0, 46.0
"""Size of the drawing in points, and what its dimensions take around the room."""
AROUND_M = 1.0
"""What is shown around the opening where the room's size is not known (judgment)."""
INK, GRAY, SEWER, VIOLET = (HexColor(c) for c in ("#111111", "#5a5a5a", "#00613a", "#5b2a86"))
FLOOR = Color(0.96, 0.96, 0.95)
CORNERS = "ABCDEFGH"
Facts = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class CutSheet:
    """The cut sheet of a planned fixture; no ``drawing`` where its room's place is not known.

    ``places`` are the opening's corners, the tie-in and the drain's depth there; ``before`` is
    to be checked before the slab is cut.
    """

    title: str
    drawing: Drawing | None
    places: Facts
    before: tuple[str, ...]


def cut_sheets(survey: Survey) -> list[CutSheet]:
    """Return one cut sheet a planned fixture, in their order."""
    return [_sheet(survey, one) for one in survey.derived.tie_ins]


def _sheet(survey: Survey, one: TieIn) -> CutSheet:
    frame = room_frame(survey, one)
    places = [] if frame is None else _corner_rows(survey, one, frame)
    places.append(("Drain below the slab at the tie-in (inferred)", depth_words(survey, one)))
    known = about(NORMAL_95 * spot_sd_m(survey, one, frame), survey.site.units)
    places.append(("Place of the drain known to", f"{known} either way, 95 %"))
    wanted = ("Enters", "Branch", "Fall", "Break out here first")
    places += [row for row in tie_in_facts(survey, one) if row[0] in wanted]
    return CutSheet(
        f"Cut sheet: {one.name or one.fixture}",
        None if frame is None else draw_room(survey, one, frame),
        places,
        one.cautions,
    )


def depth_words(survey: Survey, one: TieIn) -> str:
    """Return the invert's depth below the slab at a tie-in, with 95 %."""
    back = np.array([survey.drain.length_m - one.station_m])
    mean, sd = (float(value[0]) for value in invert_under_slab(survey, back))
    unit: LengthUnit = "in" if is_imperial(survey.site.units) else "mm"
    spread = about(NORMAL_95 * sd, unit)
    return f"invert {about(-mean, unit)} down (± {spread}, 95 %): measure it before the cut"


def _corner_rows(survey: Survey, one: TieIn, frame: RoomFrame) -> Facts:
    """Return the offsets of the opening's corners and of the tie-in from the two walls."""
    unit = survey.site.units

    def offsets(xy: Array) -> str:
        x, y = (float(value) for value in xy)
        return (
            f"{_offset(x, unit)} from the {frame.x_wall} wall, "
            f"{_offset(y, unit)} from the {frame.y_wall} wall"
        )

    rows = [(f"Corner {CORNERS[i]}", offsets(xy)) for i, xy in enumerate(frame.local(one.opening))]
    wye = frame.local(np.array([one.x_m, one.y_m]))
    return [*rows, ("Tie-in (wye)", offsets(wye))]


def _offset(value_m: float, unit: LengthUnit) -> str:
    """Write an offset from a wall; beyond the wall it is negative, which is said."""
    written = about(abs(value_m), unit)
    return written if value_m > -0.5 * MATTERS_M else f"{written} beyond"


def _beside(at: Array, right: float, up: float) -> Array:
    """Return a place a few points beside another."""
    return np.asarray(at + np.array([right, up]))


class _Room:
    """A drawing with its scale: room meters to points."""

    def __init__(self, low: Array, high: Array) -> None:
        self.low = low
        span = np.maximum(high - low, 0.5)
        room = np.array([WIDTH - 2 * MARGIN, HEIGHT - 2 * MARGIN])
        self.scale = float((room / span).min())
        size = span * self.scale + 2 * MARGIN
        self.drawing = Drawing(float(size[0]), float(size[1]), initialFontName=PLAIN)

    def at(self, xy: Array) -> Array:
        """Return room coordinates (..., 2) as points of the drawing."""
        return np.asarray((xy - self.low) * self.scale + MARGIN)

    def line(self, points: Array, color: Color, width: float, dash: list[float]) -> None:
        """Draw a line (n, 2) in room coordinates."""
        flat = [round(float(v), 2) for v in self.at(points).ravel()]
        line = PolyLine(flat, strokeColor=color, strokeWidth=width)
        if dash:
            line.strokeDashArray = dash
        self.drawing.add(line)

    def circle(self, at: Array, radius: float, edge: Color, fill: Color) -> None:
        """Draw a circle in points of the drawing."""
        x, y = round(float(at[0]), 2), round(float(at[1]), 2)
        self.drawing.add(Circle(x, y, radius, strokeColor=edge, fillColor=fill))

    def text(self, at: Array, words: str, *, size: float = 8.0, color: Color = INK,
             bold: bool = False, anchor: str = "start") -> None:  # fmt: skip
        """Write on white, in points of the drawing."""
        font = BOLD if bold else PLAIN
        register_fonts()
        wide = pdfmetrics.stringWidth(words, font, size)
        x, y = float(at[0]), float(at[1])
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        # a phone's own type may be wider than the paper's
        left = min(max(left, 1.0), max(self.drawing.width - 1.25 * wide, 1.0))
        box = [left - 1, y - 2, left + wide + 1, y - 2, left + wide + 1, y + size - 1,
               left - 1, y + size - 1]  # fmt: skip
        self.drawing.add(Polygon([round(v, 2) for v in box], fillColor=white, strokeColor=None))
        self.drawing.add(
            String(
                round(left, 2), round(y, 2), words, fontName=font, fontSize=size, fillColor=color
            )
        )


def draw_room(survey: Survey, one: TieIn, frame: RoomFrame) -> Drawing:
    """Return the drawing in the room's own coordinates, origin at its corner."""
    opening = frame.local(one.opening)
    path = frame.local(one.path)
    corner = np.zeros((1, 2))
    if frame.room.size_m is None:
        high = np.concatenate([opening, path, corner]).max(axis=0) + AROUND_M
    else:
        high = np.array(frame.room.size_m)
    shown = np.concatenate([opening, path, corner, high[None]])
    if one.vent is not None:
        shown = np.concatenate([shown, frame.local(one.vent)])
    room = _Room(shown.min(axis=0), shown.max(axis=0))
    _draw_walls(room, high, frame)
    _draw_drain(room, survey, one, frame, high)
    _draw_opening(room, survey, opening)
    room.line(path, VIOLET, 2.0, [5.0, 3.0])
    if one.vent is not None:
        vent = frame.local(one.vent)
        room.line(vent, VIOLET, 1.0, [1.0, 2.5])
        room.circle(room.at(vent[1]), 4.0, VIOLET, white)
        room.text(_beside(room.at(vent[1]), 7, -3), "vent", size=7, color=VIOLET)
    start = room.at(path[0])
    room.circle(start, 5.0, VIOLET, white)
    room.text(_beside(start, 8, 6), f"{one.name or one.fixture} (planned)", color=VIOLET)
    wye = room.at(frame.local(np.array([one.x_m, one.y_m])))
    room.circle(wye, 3.5, VIOLET, VIOLET)
    room.text(_beside(wye, -7, 4), "tie-in", color=VIOLET, bold=True, anchor="end")
    return room.drawing


def _draw_walls(room: _Room, high: Array, frame: RoomFrame) -> None:
    """Draw the floor, the two walls measured from thick, the others thin where they are known."""
    ring = np.array([[0.0, 0.0], [high[0], 0.0], high, [0.0, high[1]]])
    flat = [round(float(v), 2) for v in room.at(ring).ravel()]
    known = frame.room.size_m is not None
    edge = GRAY if known else None
    room.drawing.add(Polygon(flat, fillColor=FLOOR, strokeColor=edge, strokeWidth=1.5))
    room.line(np.array([[0.0, high[1]], [0.0, 0.0], [high[0], 0.0]]), INK, 4.0, [])
    y_wall = room.at(np.array([high[0], 0.0]))
    room.text(y_wall - [0, MARGIN - 6], f"{frame.y_wall} wall", bold=True, anchor="end")
    x_wall = room.at(np.array([0.0, high[1]]))
    room.text(_beside(x_wall, -20, 8), f"{frame.x_wall} wall", bold=True)
    room.text(_beside(room.at(high), 0, 8), frame.name, size=10, bold=True, anchor="end")


def _draw_drain(room: _Room, survey: Survey, one: TieIn, frame: RoomFrame, high: Array) -> None:
    """Draw the drain as fitted, dashed, and the marks found in the room with their depths."""
    ending = np.array([[survey.exit.x_m, survey.exit.y_m]])
    line = frame.local(np.concatenate([survey.drain.vertices, ending]))
    pieces = _within(line, high)
    for piece in pieces:
        room.line(piece, SEWER, 2.5, [9.0, 5.0])
    unit = survey.site.depth_units
    for point in survey.placement.points:
        xy = frame.local(np.array([point.x_m, point.y_m]))
        if not ((xy >= -0.05).all() and (xy <= high + 0.05).all()):
            continue
        at = room.at(xy)
        jamb = point.kind == "wall"
        room.circle(at, 2.0 if jamb else 3.5, GRAY if jamb else INK, GRAY if jamb else white)
        deep = point.depth_m
        words = point.id if deep is None else f"{point.id} {format_length(deep, unit, fraction=2)}"
        room.text(_beside(at, 6, 2), words, size=7, color=GRAY if jamb else INK)
    depth = depth_words(survey, one).partition(":")[0]
    wye = frame.local(np.array([one.x_m, one.y_m]))
    ends = np.concatenate([piece[[0, -1]] for piece in pieces]) if pieces else wye[None]
    farthest = largest(np.hypot(*(ends - wye).T), MATTERS_M)
    room.text(_beside(room.at(wye + 0.85 * (ends[farthest] - wye)), 8, -3),
              f"drain, inferred, not located: {depth} at the tie-in", color=SEWER)  # fmt: skip


def _within(line: Array, high: Array) -> list[Array]:
    """Return the pieces of a line (n, 2) within the room's rectangle from the origin."""
    cut = shapely.intersection(shapely.LineString(line), shapely.box(0.0, 0.0, *high))
    parts = shapely.get_parts(cut)
    return [shapely.get_coordinates(part) for part in parts if not part.is_empty]


def _draw_opening(room: _Room, survey: Survey, opening: Array) -> None:
    """Draw the opening with its corners named, its sides and its offsets from both walls."""
    unit = survey.site.units
    flat = [round(float(v), 2) for v in room.at(opening).ravel()]
    room.drawing.add(
        Polygon(flat, fillColor=Color(1, 1, 1, 0.6), strokeColor=VIOLET, strokeWidth=1.6)
    )
    middle = room.at(opening).mean(axis=0)
    for i, xy in enumerate(opening):
        at = room.at(xy)
        out = (at - middle) / max(float(np.hypot(*(at - middle))), 1e-9)
        room.text(at + 9 * out - [3, 3], CORNERS[i], bold=True, color=VIOLET)
    sides = np.hypot(*(np.roll(opening, -1, axis=0) - opening).T)
    long, short = largest(sides, MATTERS_M), smallest(sides, MATTERS_M)
    for side in (long, (short + 2) % 4):
        ends = room.at(opening[[side, (side + 1) % 4]])
        out = ends.mean(axis=0) - middle
        at = ends.mean(axis=0) + 14 * out / max(float(np.hypot(*out)), 1e-9)
        room.text(_beside(at, 0, -3), about(float(sides[side]), unit), size=7, color=VIOLET,
                  anchor="middle")  # fmt: skip
    low, high = opening.min(axis=0), opening.max(axis=0)
    _chain(room, 0, (0.0, float(low[0]), float(high[0])), unit)
    _chain(room, 1, (0.0, float(low[1]), float(high[1])), unit)


def _chain(room: _Room, axis: int, stops_m: Sequence[float], unit: LengthUnit) -> None:
    """Draw a chain of dimensions along a wall, below it (axis 0) or left of it (axis 1)."""
    place = room.at(np.zeros(2))[1 - axis] - 18.0
    spots = [float(room.at(np.array([s, s]))[axis]) for s in stops_m]
    for start, end in pairwise(spots):
        length_m = abs(end - start) / room.scale
        if length_m < MATTERS_M:
            continue
        ends = [(start, place), (end, place)] if axis == 0 else [(place, start), (place, end)]
        room.drawing.add(Line(*ends[0], *ends[1], strokeColor=INK, strokeWidth=0.7))
        for x, y in ends:
            tick = (x, y - 4, x, y + 4) if axis == 0 else (x - 4, y, x + 4, y)
            room.drawing.add(Line(*tick, strokeColor=INK, strokeWidth=0.7))
        middle = np.mean(ends, axis=0)
        words = about(length_m, unit)
        room.text(_beside(middle, 0, -11 if axis == 0 else -3), words, size=8, anchor="middle")
