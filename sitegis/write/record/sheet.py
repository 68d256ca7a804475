"""A drawing area on paper at a stated scale: lot meters to points (1/72 in)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from reportlab.lib.colors import Color
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from ...geometry.frames import Array
from ...late_dataclass import dataclass
from ...units import FOOT_M, LengthUnit, is_imperial
from ..fonts import PLAIN

POINT_M = 0.0254 / 72
ROUND = tuple(n * 10**power for power in range(7) for n in (1, 2, 5))
"""Round numbers, for scales and scale bars of grounds of any size."""
_FEET_AN_INCH = (10, 20, 30, 40, 50, 60, *(n for n in ROUND if n >= 100))
_METRIC = (100, 200, 250, *(n for n in ROUND if n >= 500))


@dataclass(frozen=True, slots=True)
class Scale:
    """A drawing scale: ``ratio`` is ground length / paper length, ``words`` how it is stated."""

    ratio: float
    words: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """A window of the lot on paper.

    ``left, bottom, width, height`` in points is where it stands on the page; ``west, south``
    the lot coordinates of its lower left corner.
    """

    left: float
    bottom: float
    width: float
    height: float
    west: float
    south: float
    scale: Scale

    def points(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2) in meters to page points."""
        offset = np.asarray(xy, float) - np.array([self.west, self.south])
        return np.asarray(
            offset / (self.scale.ratio * POINT_M) + np.array([self.left, self.bottom])
        )

    def length(self, length_m: float) -> float:
        """Take a ground length to points."""
        return length_m / (self.scale.ratio * POINT_M)


def scales(unit: LengthUnit) -> tuple[Scale, ...]:
    """Return the scales that drawings of this kind are made at, largest first.

    >>> scales("ft")[1].words, scales("m")[0].words
    ('1 in = 20 ft', '1:100')
    """
    if is_imperial(unit):
        return tuple(Scale(n * FOOT_M / 0.0254, f"1 in = {n} ft") for n in _FEET_AN_INCH)
    return tuple(Scale(float(n), f"1:{n}") for n in _METRIC)


def fit(
    low: Array, high: Array, frame: tuple[float, float, float, float], unit: LengthUnit
) -> Sheet:
    """Choose the largest scale at which an area fits a frame (left, bottom, width, height).

    ``low`` and ``high`` (2,) are the area's corners in lot meters, the frame is in page points.
    The area is centered. ValueError where it fits at no scale.

    Parameters
    ----------
    low
        Lower corner of the area in the lot (2,), m.
    high
        Upper corner (2,), m.
    frame
        Left, bottom, width and height, points.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    Sheet
        Scale and frame.

    Raises
    ------
    ValueError
        The area fits at no scale.
    """
    left, bottom, width, height = frame
    for scale in scales(unit):
        # the paper's size on the ground, meters
        room = np.array([width, height]) * scale.ratio * POINT_M
        if np.all(high - low <= room):
            # the area in the middle of the frame
            west, south = (low + high - room) / 2
            return Sheet(left, bottom, width, height, float(west), float(south), scale)
    raise ValueError("the site is too large for any drawing scale")


def pen(canvas: Canvas, color: Color, width: float, dash: Sequence[float] = ()) -> None:
    """Draw lines in a color from here on, solid unless dashed.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    color
        Color of lines.
    width
        Width of lines, points.
    dash
        Lengths drawn and left out in turn, points.
    """
    canvas.setStrokeColor(color)
    canvas.setLineWidth(width)
    canvas.setDash(list(dash))


def polyline(canvas: Canvas, points: Array, *, closed: bool = False, fill: bool = False) -> None:
    """Draw a polyline of page points (n, 2).

    Parameters
    ----------
    canvas
        Page that is drawn on.
    points
        Page points (n, 2).
    closed
        Whether the last joins the first.
    fill
        Whether it is filled.
    """
    path = canvas.beginPath()
    start, *others = points.tolist()  # the library writes a number of numpy's tenfold slower
    path.moveTo(*start)
    for point in others:
        path.lineTo(*point)
    if closed:
        path.close()
    canvas.drawPath(path, stroke=1, fill=int(fill))


def circle(canvas: Canvas, at: Array, radius: float, *, fill: bool) -> None:
    """Draw a circle about a page point (2,).

    Parameters
    ----------
    canvas
        Page that is drawn on.
    at
        Page point (2,).
    radius
        Radius, points.
    fill
        Whether it is filled.
    """
    canvas.circle(float(at[0]), float(at[1]), radius, stroke=1, fill=int(fill))


def arrow(canvas: Canvas, at: Array, direction: Array, size: float = 6.0) -> None:
    """Draw a filled arrow head at a page point (2,), pointing along a unit vector (2,).

    Parameters
    ----------
    canvas
        Page that is drawn on.
    at
        Page point (2,).
    direction
        Unit vector (2,).
    size
        Length, points.
    """
    across = np.array([-direction[1], direction[0]])
    corners = np.stack([at + direction * size, at + across * size / 2.5, at - across * size / 2.5])
    polyline(canvas, corners, closed=True, fill=True)


def label(
    canvas: Canvas,
    at: Array,
    text: str,
    *,
    size: float = 6.5,
    face: str = PLAIN,
    angle_deg: float = 0.0,
) -> None:
    """Write a text at a page point (2,) on a white ground, so that it stays readable over lines.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    at
        Page point (2,).
    text
        The text.
    size
        Type size, points.
    face
        Typeface.
    angle_deg
        Turn counter-clockwise, degrees.
    """
    canvas.saveState()
    canvas.translate(*map(float, at))
    canvas.rotate(angle_deg)
    width = pdfmetrics.stringWidth(text, face, size)
    canvas.setFillColorRGB(1, 1, 1)
    canvas.rect(-1, -1.5, width + 2, size + 0.5, stroke=0, fill=1)
    canvas.setFillColorRGB(0, 0, 0)
    canvas.setFont(face, size)
    canvas.drawString(0, 0, text)
    canvas.restoreState()
