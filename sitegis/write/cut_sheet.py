"""One sheet for whoever cuts the slab: the room with its walls, the opening, the drain beneath.

Drawn once, for the record on paper and for the page.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, PolyLine, String
from reportlab.lib.colors import Color, HexColor, white
from reportlab.pdfbase import pdfmetrics

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.derived import TieIn
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, largest, smallest
from ..numerics.statistics import NORMAL_95
from ..units import LengthUnit, about, format_length, small_unit
from .cutting import RoomFrame, nearest_point_sd_m, pipe_joined, room_frame
from .fonts import BOLD, PLAIN, register_fonts
from .profile import invert_under_slab
from .report.digging import Facts, tie_in_facts

WIDTH, HEIGHT, MARGIN = 520.0, 376.0, 46.0
"""Size of the drawing in points, and what its dimensions take around the room."""
ROOM, LARGE = np.array([310.0, HEIGHT]), np.array([200.0, 220.0])
"""Width and height of the room's part of it, and of the enlarged opening."""
NEAR_M = 0.6
"""What is shown around the enlarged opening (judgment)."""
AROUND_M = 1.0
"""What is shown around the opening where the room's size is not known (judgment)."""
INK, GRAY, SEWER, VIOLET = (HexColor(c) for c in ("#111111", "#5a5a5a", "#00613a", "#5b2a86"))
FLOOR = Color(0.96, 0.96, 0.95)
CORNERS = "ABCDEFGH"


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
    places.append(
        (
            f"Slab to the {pipe_words(one)} at the tie-in (inferred)",
            depth_words(survey, one),
        )
    )
    # what the nearest mark leaves open: the pipe between marks is inferred from them
    known = about(NORMAL_95 * nearest_point_sd_m(survey, one, frame), survey.site.units)
    places.append((f"Place of the {pipe_words(one)} known to", f"{known} either way, 95 %"))
    wanted = ("Enters", "Branch", "Fall", "Break out here first")
    places += [row for row in tie_in_facts(survey, one) if row[0] in wanted]
    return CutSheet(
        f"Cut sheet: {one.name or one.fixture}",
        None if frame is None else draw_room(survey, one, frame),
        places,
        one.cautions,
    )


def pipe_words(one: TieIn) -> str:
    """Name the pipe that a planned fixture joins."""
    return f"branch {one.joins}" if one.joins else "drain"


def depth_words(survey: Survey, one: TieIn) -> str:
    """Return the invert's depth below the slab at a tie-in, with 95 %.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    str
        The phrase.
    """
    # the profile counts back from the pipe's end, the tie-in's station on from its beginning
    along = pipe_joined(survey, one)
    back = np.array([along.drain.length_m - one.station_m])
    mean, sd = (float(value[0]) for value in invert_under_slab(along, back))
    unit = small_unit(survey.site.units)
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
    # no farther beyond than rounding may put it: counts as at the wall
    return written if value_m > -0.5 * MATTERS_M else f"{written} beyond"


def _beside(at: Array, right: float, up: float) -> Array:
    """Return a place a few points beside another."""
    return np.asarray(at + np.array([right, up]))


class _View:
    """A part of the room at a scale of its own, somewhere on the drawing: meters to points."""

    def __init__(
        self, drawing: Drawing, low: Array, high: Array, place: Array, room: Array
    ) -> None:
        self.drawing, self.low, self.high, self.place = drawing, low, high, place
        # at least half a meter, or a lone point would fill the
        # drawing; the tighter direction decides
        self.scale = float((room / np.maximum(high - low, 0.5)).min())

    def at(self, xy: Array) -> Array:
        """Return room coordinates (..., 2) as points of the drawing."""
        return np.asarray((xy - self.low) * self.scale + self.place)

    def holds(self, xy: Array, inset_m: float = 0.0) -> bool:
        """Whether a place of the room is shown here, so far from the edge."""
        return bool((xy >= self.low + inset_m).all() and (xy <= self.high - inset_m).all())

    def within(self, line: Array) -> list[Array]:
        """Return the pieces of a line (n, 2) that are shown here."""
        # clipped by geometry, not by the page: labels are set on what is left
        cut = shapely.intersection(shapely.LineString(line), shapely.box(*self.low, *self.high))
        parts = shapely.get_parts(cut)
        return [shapely.get_coordinates(part) for part in parts if not part.is_empty]

    def line(self, points: Array, color: Color, width: float, dash: list[float]) -> None:
        """Draw a line (n, 2) in room coordinates."""
        flat = [round(float(v), 2) for v in self.at(points).ravel()]
        line = PolyLine(flat, strokeColor=color, strokeWidth=width)
        if dash:
            line.strokeDashArray = dash
        self.drawing.add(line)

    def polygon(self, points: Array, fill: Color, edge: Color | None, width: float) -> None:
        """Draw a closed ring (n, 2) in points of the drawing."""
        flat = [round(float(v), 2) for v in points.ravel()]
        self.drawing.add(Polygon(flat, fillColor=fill, strokeColor=edge, strokeWidth=width))

    def circle(self, at: Array, radius: float, edge: Color, fill: Color) -> None:
        """Draw a circle in points of the drawing."""
        x, y = round(float(at[0]), 2), round(float(at[1]), 2)
        self.drawing.add(Circle(x, y, radius, strokeColor=edge, fillColor=fill))

    def text(
        self,
        at: Array,
        words: str,
        *,
        size: float = 8.0,
        color: Color = INK,
        bold: bool = False,
        anchor: str = "start",
    ) -> None:
        """Write on white, in points of the drawing."""
        font = BOLD if bold else PLAIN
        register_fonts()
        wide = pdfmetrics.stringWidth(words, font, size)
        x, y = float(at[0]), float(at[1])
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        # a phone's own type may be wider than the paper's
        left = min(max(left, 1.0), max(self.drawing.width - 1.25 * wide, 1.0))
        box = [
            left - 1,
            y - 2,
            left + wide + 1,
            y - 2,
            left + wide + 1,
            y + size - 1,
            left - 1,
            y + size - 1,
        ]
        self.drawing.add(Polygon([round(v, 2) for v in box], fillColor=white, strokeColor=None))
        self.drawing.add(
            String(
                round(left, 2), round(y, 2), words, fontName=font, fontSize=size, fillColor=color
            )
        )


def draw_room(survey: Survey, one: TieIn, frame: RoomFrame) -> Drawing:
    """Return the room in its own coordinates, origin at its corner, and the opening enlarged.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.
    frame
        The room's frame in the lot.

    Returns
    -------
    Drawing
        The drawing.
    """
    opening, path = frame.local(one.opening), frame.local(one.path)
    near = np.concatenate([opening, path])
    if frame.room.size_m is None:
        high = np.concatenate([near, np.zeros((1, 2))]).max(axis=0) + AROUND_M
    else:
        high = np.array(frame.room.size_m)
    # the corner that is measured from is always shown, however far away
    shown = np.concatenate([near, np.zeros((1, 2)), high[None]])
    if one.vent is not None:
        shown = np.concatenate([shown, frame.local(one.vent)])
    drawing = Drawing(WIDTH, HEIGHT, initialFontName=PLAIN)
    margin = np.array([MARGIN, MARGIN])
    whole = _View(drawing, shown.min(axis=0), shown.max(axis=0), margin, ROOM - 2 * margin)
    # known only now: how high the room comes out follows from its proportions
    drawing.height = max(float(whole.at(whole.high)[1]) + MARGIN, LARGE[1] + 2 * MARGIN)
    _draw_walls(whole, high, frame)
    _draw_within(whole, survey, one, frame, named=False)
    low, far = opening.min(axis=0), opening.max(axis=0)
    # wall to the opening's near edge, then the opening: what a person tapes, in that order
    _chain(whole, 0, (0.0, float(low[0]), float(far[0])), survey.site.units)
    _chain(whole, 1, (0.0, float(low[1]), float(far[1])), survey.site.units)
    _draw_enlarged(drawing, survey, one, frame)
    return drawing


def _draw_enlarged(drawing: Drawing, survey: Survey, one: TieIn, frame: RoomFrame) -> None:
    """Draw the opening and what is near it beside the room, and say what it is joined to."""
    opening = frame.local(one.opening)
    near = np.concatenate([opening, frame.local(one.path)])
    place = np.array([ROOM[0] + 6.0, drawing.height - MARGIN - LARGE[1]])
    view = _View(drawing, near.min(axis=0) - NEAR_M, near.max(axis=0) + NEAR_M, place, LARGE)
    low, high = view.at(np.array([view.low, view.high]))
    view.polygon(_rectangle(low, high), FLOOR, GRAY, 0.7)
    view.text(np.array([low[0], high[1] + 8.0]), "The opening, enlarged", bold=True)
    _draw_within(view, survey, one, frame, named=True)
    _draw_sides(view, survey, opening)
    lines = (
        f"{one.name or one.fixture} (planned)",
        f"{pipe_words(one)}: inferred, not located",
        depth_words(survey, one).partition(":")[0],
    )
    for i, words in enumerate(lines):
        view.text(_beside(low, 0, -14 - 11 * i), words, color=SEWER if i else VIOLET)


def _draw_within(view: _View, survey: Survey, one: TieIn, frame: RoomFrame, *, named: bool) -> None:
    """Draw opening, pipes, marks and what is planned, as far as a view shows them."""
    view.polygon(view.at(frame.local(one.opening)), white, VIOLET, 1.6)
    _draw_pipes(view, _pipes(survey, frame), named=not named)
    _draw_marks(view, survey, frame, named=named)
    _draw_planned(view, one, frame)


def _rectangle(low: Array, high: Array) -> Array:
    """Return the corners (4, 2) of a rectangle."""
    return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])


def _draw_walls(view: _View, high: Array, frame: RoomFrame) -> None:
    """Draw the floor, the two walls measured from thick, the others thin where they are known."""
    edge = None if frame.room.size_m is None else GRAY
    view.polygon(view.at(_rectangle(np.zeros(2), high)), FLOOR, edge, 1.5)
    view.line(np.array([[0.0, high[1]], [0.0, 0.0], [high[0], 0.0]]), INK, 4.0, [])
    y_wall = view.at(np.array([high[0], 0.0]))
    view.text(y_wall - [0, MARGIN - 6], f"{frame.y_wall} wall", bold=True, anchor="end")
    x_wall = view.at(np.array([0.0, high[1]]))
    view.text(_beside(x_wall, -20, 8), f"{frame.x_wall} wall", bold=True)
    view.text(_beside(view.at(high), 0, 8), frame.name, size=10, bold=True, anchor="end")


def _pipes(survey: Survey, frame: RoomFrame) -> list[tuple[str, Array]]:
    """Return name and line (n, 2) in the room of the drain as fitted and of its branches."""
    ending = np.array([[survey.exit.x_m, survey.exit.y_m]])
    branches = () if survey.joined is None else survey.joined.branches
    return [
        ("drain", frame.local(np.concatenate([survey.drain.vertices, ending]))),
        *((f"branch {one.id}", frame.local(one.vertices)) for one in branches),
    ]


def _draw_pipes(view: _View, pipes: list[tuple[str, Array]], *, named: bool) -> None:
    """Draw the pipes dashed, for all between the marks is inferred; name each once or not."""
    for name, line in pipes:
        main = name == "drain"
        # a pipe that passes the window's corner may come in several pieces: the first is named
        pieces = view.within(line)
        for piece in pieces:
            view.line(piece, SEWER, 2.5 if main else 1.6, [9.0, 5.0] if main else [4.0, 3.0])
        if pieces and named:
            ends = view.at(pieces[0][:2])
            rightward = ends[0, 0] < ends[1, 0] - 1.0
            view.text(
                _beside(0.3 * ends[0] + 0.7 * ends[1], -6 if rightward else 6, -9),
                name,
                size=7,
                color=SEWER,
                anchor="end" if rightward else "start",
            )


def _draw_marks(view: _View, survey: Survey, frame: RoomFrame, *, named: bool) -> None:
    """Draw the marks found in the room, with their depths where they are named."""
    unit = survey.site.depth_units
    for point in survey.placement.points:
        xy = frame.local(np.array([point.x_m, point.y_m]))
        # named marks stand off the edge, where there is room for the name; bare ones may touch it
        if not view.holds(xy, 0.1 if named else -0.05):
            continue
        at, jamb = view.at(xy), point.kind == "wall"
        view.circle(at, 2.0 if jamb else 3.0, GRAY if jamb else INK, GRAY if jamb else white)
        deep = "" if point.depth_m is None else format_length(point.depth_m, unit, fraction=2)
        if named:
            view.text(
                _beside(at, 6, 2), f"{point.id} {deep}".strip(), size=7, color=GRAY if jamb else INK
            )


def _draw_planned(view: _View, one: TieIn, frame: RoomFrame) -> None:
    """Draw what is planned: the branch from the fixture to the tie-in, and its vent."""
    path = frame.local(one.path)
    view.line(path, VIOLET, 2.0, [5.0, 3.0])
    if one.vent is not None:
        vent = frame.local(one.vent)
        for piece in view.within(vent):
            view.line(piece, VIOLET, 1.0, [1.0, 2.5])
        if view.holds(vent[1]):
            view.circle(view.at(vent[1]), 4.0, VIOLET, white)
            view.text(_beside(view.at(vent[1]), 7, -3), "vent", size=7, color=VIOLET)
    view.circle(view.at(path[0]), 5.0, VIOLET, white)
    wye = view.at(frame.local(np.array([one.x_m, one.y_m])))
    view.circle(wye, 3.5, VIOLET, VIOLET)
    view.text(_beside(wye, -7, 4), "tie-in", color=VIOLET, bold=True, anchor="end")


def _draw_sides(view: _View, survey: Survey, opening: Array) -> None:
    """Name the corners of the opening, and write the lengths of its sides beside them."""
    middle = view.at(opening).mean(axis=0)
    for i, xy in enumerate(opening):
        at = view.at(xy)
        out = (at - middle) / max(float(np.hypot(*(at - middle))), 1e-9)
        view.text(at + 9 * out - [3, 3], CORNERS[i], bold=True, color=VIOLET)
    sides = np.hypot(*(np.roll(opening, -1, axis=0) - opening).T)
    # of equal sides always the same, whatever the last digits of the platform
    long, short = largest(sides, MATTERS_M), smallest(sides, MATTERS_M)
    for side in (long, (short + 2) % 4):
        ends = view.at(opening[[side, (side + 1) % 4]])
        out = ends.mean(axis=0) - middle
        at = ends.mean(axis=0) + 14 * out / max(float(np.hypot(*out)), 1e-9)
        view.text(
            _beside(at, 0, -3),
            about(float(sides[side]), survey.site.units),
            size=7,
            color=VIOLET,
            anchor="middle",
        )


def _chain(view: _View, axis: int, stops_m: Sequence[float], unit: LengthUnit) -> None:
    """Draw a chain of dimensions along a wall, below it (axis 0) or left of it (axis 1)."""
    place = view.at(np.zeros(2))[1 - axis] - 18.0
    spots = [float(view.at(np.array([s, s]))[axis]) for s in stops_m]
    for start, end in pairwise(spots):
        # back from points to meters by the scale that took them there
        length_m = abs(end - start) / view.scale
        if length_m < MATTERS_M:
            continue
        ends = [(start, place), (end, place)] if axis == 0 else [(place, start), (place, end)]
        view.drawing.add(Line(*ends[0], *ends[1], strokeColor=INK, strokeWidth=0.7))
        for x, y in ends:
            tick = (x, y - 4, x, y + 4) if axis == 0 else (x - 4, y, x + 4, y)
            view.drawing.add(Line(*tick, strokeColor=INK, strokeWidth=0.7))
        middle = np.mean(ends, axis=0)
        words = about(length_m, unit)
        view.text(_beside(middle, 0, -11 if axis == 0 else -3), words, size=8, anchor="middle")
