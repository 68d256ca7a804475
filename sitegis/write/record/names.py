"""Names on a drawing, put where they cover neither each other nor, if it can be, the lines.

And lengths and bearings along the edges of a ring.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.lib.colors import black
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from ...geometry import polyline
from ...geometry.frames import Array
from ...late_dataclass import dataclass
from ...numerics.ordering import in_steps, smallest
from .. import fonts
from . import sheet as paper
from .sheet import Sheet

Box = tuple[float, float, float, float]  # left, bottom, right, top in points
GAPS = (5.0, 11.0, 18.0)
# how much worse it is to cover a point of another name than a point of a line
NAME_WEIGHT = 20.0
# what it costs to stand nearer to another named point than to one's own: it would be misread
MISREAD = 300.0
# from this distance a thin line leads from the point to its name
LEADER = 8.0
# size of a dimension's text; boxes of this size stand for it at any angle
SIZE, CELL = 5.5, 7.0


@dataclass(frozen=True, slots=True)
class Name:
    """A text for a page point (2,); ``over`` writes it across the point, as a street's name.

    ``led`` lets a thin line lead to it from the point where it stands off.
    """

    at: Array
    text: str
    size: float = 6.5
    face: str = fonts.PLAIN
    over: bool = False
    upright: bool = False
    led: bool = False

    def extent(self) -> tuple[float, float]:
        """Return width and height on the page."""
        width = pdfmetrics.stringWidth(self.text, self.face, self.size) + 2.0
        height = self.size + 0.5
        return (height, width) if self.upright else (width, height)

    def boxes(self) -> Iterator[Box]:
        """Offer places, the most wanted first: beside, above, below, then farther off."""
        width, height = self.extent()
        x, y = map(float, self.at)
        if self.over:
            # along the line first, then a little to either side
            for step in (0.0, 1.0, -1.0, 2.0, -2.0, 3.0, -3.0):
                for across in (0.0, 12.0, -12.0):
                    along = step * 0.6 * (height if self.upright else width)
                    move = (across, along) if self.upright else (along, across)
                    left, bottom = x - width / 2 + move[0], y - height / 2 + move[1]
                    yield left, bottom, left + width, bottom + height
            return
        for gap in GAPS:
            for right, up in ((1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1), (0, 1), (0, -1)):
                left = x + (gap if right > 0 else -gap - width if right < 0 else -width / 2)
                bottom = y + (gap if up > 0 else -gap - height if up < 0 else -height / 2)
                yield left, bottom, left + width, bottom + height


def place_names(
    names: Sequence[Name], frame: Box, *, taken: Sequence[Box] = (), lines: Sequence[Array] = ()
) -> list[Box]:
    """Return each name a box (left, bottom, right, top), greedily in the order of the names.

    Of the places that lie in the frame, the first of least cost: the overlap with what is
    ``taken`` or placed before, standing nearer to another point than to one's own, and, far
    less, the length of ``lines`` (n, 2) under it.

    Parameters
    ----------
    names
        Names with their points.
    frame
        Left, bottom, right and top, points.
    taken
        Boxes that are taken.
    lines
        Lines (n, 2) that a name had better not cover, points.

    Returns
    -------
    list[Box]
        One box a name.
    """
    starts = np.concatenate([np.zeros((0, 2)), *(line[:-1] for line in lines)])
    steps = np.concatenate([np.zeros((0, 2)), *(np.diff(line, axis=0) for line in lines)])
    placed = list(taken)
    found: list[Box] = []
    for name in names:
        boxes = np.array(list(name.boxes()))
        outside = ((boxes[:, :2] < frame[:2]) | (boxes[:, 2:] > frame[2:])).any(axis=1)
        # out of the frame only where nothing else is left
        cost = _length_under(boxes, starts, steps) + 1e6 * outside
        cost = cost + MISREAD * _misread(name, names, boxes)
        cost = cost + NAME_WEIGHT * _overlap(boxes, np.reshape(placed, (-1, 4)))
        left, bottom, right, top = boxes[smallest(cost, 1e-3)].tolist()
        found.append((left, bottom, right, top))
        placed.append(found[-1])
    return found


def _length_under(boxes: Array, starts: Array, steps: Array) -> Array:
    """Return the length of straights (s, 2) under each box (n, 4)."""
    enter, leave = np.zeros((len(boxes), len(starts))), np.ones((len(boxes), len(starts)))
    for axis in (0, 1):
        low, high = boxes[:, axis, None], boxes[:, axis + 2, None]
        # Liang and Barsky: each straight clipped to each box, along one axis and then the other
        one, two = polyline.clip(starts[:, axis], steps[:, axis], low, high)
        enter, leave = np.maximum(enter, one), np.minimum(leave, two)
    return np.asarray(np.maximum(leave - enter, 0.0) @ np.hypot(*steps.T))


def _overlap(boxes: Array, placed: Array) -> Array:
    """Return the area of each box (n, 4) under others (k, 4)."""
    low = np.maximum(boxes[:, None, :2], placed[:, :2])
    high = np.minimum(boxes[:, None, 2:], placed[:, 2:])
    return np.asarray(np.maximum(high - low, 0.0).prod(axis=-1).sum(axis=-1))


def _to_box(boxes: Array, point: Array) -> Array:
    """Return the distance (n,) of a point (2,) from boxes (n, 4), 0 within."""
    beside = np.maximum(np.maximum(boxes[:, :2] - point, point - boxes[:, 2:]), 0.0)
    return np.asarray(np.hypot(*beside.T))


def _misread(name: Name, names: Sequence[Name], boxes: Array) -> NDArray[np.bool_]:
    """Return for each box (n,) whether it stands nearer to another name's point, (n,) of bool."""
    others = [other.at for other in names if other is not name and not other.over]
    if name.over or not others:
        return np.zeros(len(boxes), bool)
    # a name that stands nearer to another point is read as that one's
    nearest = np.min([_to_box(boxes, other) for other in others], axis=0)
    return np.asarray(in_steps(nearest, 1e-3) < in_steps(_to_box(boxes, name.at), 1e-3))


def draw_names(canvas: Canvas, names: Sequence[Name], boxes: Sequence[Box]) -> None:
    """Write the names into their boxes, a thin line to those that stand off their point.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    names
        Names with their points.
    boxes
        One box a name.
    """
    for name, box in zip(names, boxes, strict=True):
        edge = np.clip(name.at, box[:2], box[2:])
        if name.led and float(np.hypot(*(name.at - edge))) > LEADER:
            paper.pen(canvas, black, 0.3)
            canvas.line(*map(float, (*name.at, *edge)))
    for name, (left, bottom, right, _) in zip(names, boxes, strict=True):
        at = np.array([right - 2.0, bottom + 1.0] if name.upright else [left + 1.0, bottom + 1.5])
        paper.label(
            canvas,
            at,
            name.text,
            size=name.size,
            face=name.face,
            angle_deg=90.0 if name.upright else 0.0,
        )


def draw_dimensions(
    canvas: Canvas, sheet: Sheet, ring: Array, words: Sequence[str], *, inside: bool
) -> list[Box]:
    """Write a text along each edge of a counter-clockwise ring (n, 2); give what it covers.

    Only the part of an edge that shows counts; a text too long for it is left out.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    sheet
        Scale and frame of the drawing.
    ring
        Corners (n, 2), m.
    words
        One text an edge.
    inside
        Whether the texts stand inside the ring.

    Returns
    -------
    list[Box]
        Boxes that the texts cover.
    """
    taken: list[Box] = []
    corners = sheet.points(ring)
    for start, end, text in zip(corners, np.roll(corners, -1, axis=0), words, strict=True):
        piece = _shown(sheet, start, end)
        width = pdfmetrics.stringWidth(text, fonts.PLAIN, SIZE)
        if piece is None or np.hypot(*(piece[1] - piece[0])) < width + 8.0:
            continue
        along = (piece[1] - piece[0]) / np.hypot(*(piece[1] - piece[0]))
        # left of the travel along a counter-clockwise ring is inside
        inward = np.array([-along[1], along[0]]) * (1.0 if inside else -1.0)
        # in the first quarter where it fits: at the middle of a wall the drain may leave
        room = float(np.hypot(*(piece[1] - piece[0])))
        middle = piece[0] + along * (room * 0.25 if room * 0.5 > width + 8.0 else room * 0.5)
        # read from below or from the right, never upside down
        upright = along if (round(along[0], 6), along[1]) > (0.0, 0.0) else -along
        # a text stands above its baseline: off the line by its height where that side is the line
        above = np.array([-upright[1], upright[0]])
        gap = 2.5 if above @ inward > 0 else SIZE + 1.5
        at = middle - upright * width / 2 + inward * gap
        angle = float(np.degrees(np.arctan2(upright[1], upright[0])))
        paper.label(canvas, at, text, size=SIZE, angle_deg=angle)
        count = int(np.ceil(width / CELL)) + 1
        for place in at + above * SIZE / 2 + upright * np.linspace(0, width, count)[:, None]:
            x, y = map(float, place)
            taken.append((x - CELL / 2, y - CELL / 2, x + CELL / 2, y + CELL / 2))
    return taken


def _shown(sheet: Sheet, start: Array, end: Array) -> Array | None:
    """Return the part (2, 2) of a straight that lies within the sheet, None where there is none."""
    right, top = sheet.left + sheet.width, sheet.bottom + sheet.height
    window = shapely.box(sheet.left, sheet.bottom, right, top).buffer(-2.0)
    seen = shapely.get_coordinates(shapely.LineString([start, end]).intersection(window))
    return seen if len(seen) == 2 else None
