"""A sketch of what was typed: a person sees at once that a room is mirrored or a street missing.

Drawn by ``check`` of what :mod:`sitegis.write.sketch_parts` gives: SVG, no script, no outside link.
What is inferred (the drain, its exit) is dashed.
"""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.printable import printable
from ..model.site import Site
from ..model.survey import Survey
from .sketch_parts import CAPTION, MARGIN_M, Part, north_in_lot, scale_bar, sketch_parts

WIDTH_PX, HEIGHT_PX, LEAST_PX, TITLE_PX = 960.0, 1100.0, 560.0, 58.0
"""The sketch is at most so wide and high, so that a screen shows it whole; and at least so wide."""
ARROW_PX, LOST_PX = 7.0, 18.0
ROOM_COLORS = ("#2f6db3", "#b35c00", "#3b7d3b", "#7a3b9a", "#8a6d00")
RINGS = {
    "street": 'fill="#e9e9e4" stroke="#9a9a90"',
    "lot": 'fill="#f4faef" stroke="#000000" stroke-width="1.5"',
    "wall": 'fill="#ffffff" stroke="#333333" stroke-width="3"',
    "room": 'fill="{color}" fill-opacity="0.08" stroke="{color}" stroke-dasharray="2 3"',
}
LINES = {
    "main": 'stroke="#3b7d3b" stroke-width="2"',
    "drain": 'stroke="#c4161c" stroke-width="2" stroke-dasharray="7 5"',
    "other": 'stroke="#b0006d" stroke-width="3" stroke-dasharray="3 5"',
}
NAMES = {
    "street-name": 'text-anchor="middle" fill="#555550"',
    "wall-name": 'text-anchor="middle" fill="#333333"',
    "room-name": 'text-anchor="middle" fill="{color}" font-size="15"',
    "room-lost": 'text-anchor="middle" fill="{color}"',
    "origin-name": 'fill="{color}" font-size="11" text-anchor="middle"',
    "other": 'fill="#b0006d" font-size="11"',
}
"""How shapes are drawn, by their kind."""


@dataclass(frozen=True, slots=True)
class Canvas:
    """Takes lot coordinates to pixels, y up to y down."""

    low: Array
    high: Array
    scale: float

    def at(self, xy: Array) -> Array:
        """Return pixels (..., 2) of places (..., 2) in the lot."""
        moved = (np.asarray(xy, float) - self.low) * self.scale
        return np.stack(
            [moved[..., 0], TITLE_PX + (self.high - self.low)[1] * self.scale - moved[..., 1]],
            axis=-1,
        )

    @property
    def width_px(self) -> float:
        """Width of the whole sketch."""
        return float((self.high - self.low)[0]) * self.scale

    @property
    def height_px(self) -> float:
        """Height of the whole sketch."""
        return TITLE_PX + float((self.high - self.low)[1]) * self.scale


def sketch_bytes(site: Site, survey: Survey | None = None) -> bytes:
    """Draw a site as SVG (UTF-8): as typed, and as placed where a survey is given.

    Parameters
    ----------
    site
        The site as read.
    survey
        Placed points to draw too, None for the input alone.

    Returns
    -------
    bytes
        The SVG in UTF-8.
    """
    low, high = site.lot.vertices.min(axis=0) - MARGIN_M, site.lot.vertices.max(axis=0) + MARGIN_M
    scale = min(WIDTH_PX / float((high - low)[0]), HEIGHT_PX / float((high - low)[1]))
    # a narrow lot leaves the caption no room: the sheet is widened on both sides
    spare = max(LEAST_PX / scale - float((high - low)[0]), 0.0) / 2.0
    aside = np.array([spare, 0.0])
    low, high = low - aside, high + aside
    canvas = Canvas(low, high, scale)
    parts = [text for part in sketch_parts(site, survey) for text in _drawn(canvas, part)]
    parts += _legend(site, canvas)
    width, height = f"{canvas.width_px:.0f}", f"{canvas.height_px:.0f}"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="13">'
    )
    white = f'<rect width="{width}" height="{height}" fill="#ffffff"/>'
    return "\n".join([head, white, *parts, "</svg>", ""]).encode("utf-8")


def _points(pixels: Array) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pixels)


def _polygon(canvas: Canvas, ring: Array, style: str) -> str:
    return f'<polygon points="{_points(canvas.at(ring))}" {style}/>'


def _line(canvas: Canvas, line: Array, style: str) -> str:
    return f'<polyline points="{_points(canvas.at(line))}" fill="none" {style}/>'


def _text(pixel: Array, words: str, style: str = "") -> str:
    x, y = pixel
    # white about the letters, drawn beneath them, so that lines do not cross out a name
    halo = 'stroke="#ffffff" stroke-width="3" paint-order="stroke"'
    return f'<text x="{x:.1f}" y="{y:.1f}" {halo} {style}>{escape(printable(words))}</text>'


def _arrow(canvas: Canvas, start: Array, end: Array, color: str, words: str) -> Iterator[str]:
    """Draw an arrow with a name at its head."""
    yield _line(canvas, np.stack([start, end]), f'stroke="{color}" stroke-width="2.5"')
    tip = canvas.at(end)
    along = (tip - canvas.at(start)) / max(float(np.hypot(*(tip - canvas.at(start)))), 1e-9)
    left = np.array([-along[1], along[0]])
    back = tip - ARROW_PX * 1.6 * along
    head = _points(np.stack([tip, back + 0.6 * ARROW_PX * left, back - 0.6 * ARROW_PX * left]))
    yield f'<polygon points="{head}" fill="{color}"/>'
    yield _text(
        tip + 12.0 * along + np.array([-4.0, 5.0]), words, f'fill="{color}" font-weight="bold"'
    )


def _drawn(canvas: Canvas, part: Part) -> Iterator[str]:
    """Draw one part: dots for what the locator found, squares for the other marks."""
    color = ROOM_COLORS[part.room % len(ROOM_COLORS)]
    if part.shape in RINGS:
        yield _polygon(canvas, part.points, RINGS[part.shape].format(color=color))
    if part.shape in LINES:
        yield _line(canvas, part.points, LINES[part.shape])
    if part.shape in NAMES:
        at = canvas.at(part.points[-1])
        # rooms without a place share one: a line each, below one another
        lower = np.array([0.0, LOST_PX * part.room if part.shape == "room-lost" else 0.0])
        yield _text(at + lower, part.words, NAMES[part.shape].format(color=color))
    if part.shape == "axis":
        yield from _arrow(canvas, part.points[0], part.points[1], color, part.words)
    if part.shape in ("origin", "mark"):
        x, y = canvas.at(part.points[0])
        if part.shape == "origin":
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{color}"/>'
        elif part.located:
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#c4161c"/>'
        else:
            yield f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#000000"/>'
        if part.words:
            yield _text(np.array([x + 7.0, y - 5.0]), part.words, 'fill="#000000" font-size="12"')


def _legend(site: Site, canvas: Canvas) -> Iterator[str]:
    """Write the name and the caption, and draw north and a scale."""
    yield _text(np.array([14.0, 24.0]), site.name[:90], 'fill="#000000" font-size="18"')
    yield _text(np.array([14.0, 46.0]), CAPTION, 'fill="#333333"')
    foot = canvas.low + (canvas.high - canvas.low) * (0.06, 0.05)
    yield from _arrow(canvas, foot, foot + 2.5 * north_in_lot(site), "#000000", "N")
    length, words = scale_bar(site)
    start = canvas.low + (canvas.high - canvas.low) * (0.16, 0.03)
    bar = np.stack([start, start + np.array([length, 0.0])])
    yield _line(canvas, bar, 'stroke="#000000" stroke-width="4"')
    yield _text(canvas.at(bar[1]) + np.array([8.0, 5.0]), words, "")
