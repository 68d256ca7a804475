"""Lengths and bearings written along the edges of a ring on a drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from ...geometry.frames import Array
from .. import fonts
from . import sheet as paper
from .names import Box
from .sheet import Sheet

SIZE = 5.5
CELL = 7.0  # boxes of this size stand for a text at any angle


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
