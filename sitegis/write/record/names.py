"""Names on a drawing, put where they cover neither each other nor, if it can be, the lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.ops
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from ...geometry.frames import Array
from . import sheet as paper

Box = tuple[float, float, float, float]  # left, bottom, right, top in points
GAPS = (5.0, 11.0, 18.0)
# how much worse it is to cover a point of another name than a point of a line
NAME_WEIGHT = 20.0
# what it costs to stand nearer to another named point than to one's own: it would be misread
MISREAD = 300.0
# from this distance a thin line leads from the point to its name
LEADER = 8.0


@dataclass(frozen=True, slots=True)
class Name:
    """A text for a page point (2,); ``over`` writes it across the point, as a street's name.

    ``led`` lets a thin line lead to it from the point where it stands off.
    """

    at: Array
    text: str
    size: float = 6.5
    face: str = paper.PLAIN
    over: bool = False
    upright: bool = False
    led: bool = False

    def extent(self) -> tuple[float, float]:
        """Give width and height on the page."""
        width = pdfmetrics.stringWidth(self.text, self.face, self.size) + 2.0
        height = self.size + 0.5
        return (height, width) if self.upright else (width, height)

    def boxes(self) -> Iterator[Box]:
        """Offer places, the most wanted first: beside, above, below, then farther off."""
        width, height = self.extent()
        x, y = map(float, self.at)
        if self.over:
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
    names: Sequence[Name], frame: Box, *, taken: Sequence[Box] = (), lines: shapely.Geometry
) -> list[Box]:
    """Give each name a box (left, bottom, right, top), greedily in the order of the names.

    Of the places that lie in the frame, the first of least cost: the overlap with what is
    ``taken`` or placed before, standing nearer to another point than to one's own, and, far
    less, the length of ``lines`` under it.
    """
    placed = [shapely.box(*box) for box in taken]
    room = shapely.box(*frame)
    found: list[Box] = []
    for name in names:
        offers = list(name.boxes())
        boxes = shapely.box(*np.array(offers).T)
        cost = shapely.length(shapely.intersection(boxes, lines))
        cost = cost + 1e6 * ~shapely.covers(room, boxes)
        cost = cost + MISREAD * _misread(name, names, boxes)
        if placed:
            others = shapely.union_all(placed)
            cost = cost + NAME_WEIGHT * shapely.area(shapely.intersection(boxes, others))
        best = int(np.argmin(np.round(cost, 3)))
        found.append(offers[best])
        placed.append(boxes[best])
    return found


def _misread(name: Name, names: Sequence[Name], boxes: Array) -> Array:
    """Tell for each box (n,) whether it stands nearer to another name's point, (n,) of bool."""
    others = [other.at for other in names if other is not name and not other.over]
    if name.over or not others:
        return np.zeros(len(boxes), bool)
    own = shapely.distance(boxes, shapely.Point(name.at))
    return np.asarray(shapely.distance(boxes, shapely.MultiPoint(others)) < own)


def draw_names(canvas: Canvas, names: Sequence[Name], boxes: Sequence[Box]) -> None:
    """Write the names into their boxes, a thin line to those that stand off their point."""
    for name, box in zip(names, boxes, strict=True):
        point = shapely.Point(name.at)
        edge, _ = shapely.ops.nearest_points(shapely.box(*box), point)
        if name.led and point.distance(edge) > LEADER:
            canvas.setStrokeColorRGB(0, 0, 0)
            canvas.setLineWidth(0.3)
            canvas.line(point.x, point.y, edge.x, edge.y)
    for name, (left, bottom, right, _) in zip(names, boxes, strict=True):
        at = np.array([right - 2.0, bottom + 1.0] if name.upright else [left + 1.0, bottom + 1.5])
        paper.label(
            canvas, at, name.text, size=name.size, face=name.face,
            angle_deg=90.0 if name.upright else 0.0,
        )  # fmt: skip
