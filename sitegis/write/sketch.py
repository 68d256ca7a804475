"""A sketch of what was typed: a person sees at once that a room is mirrored or a street missing.

Drawn by ``check``, before anything is believed: rooms with their origin and axes, marks, walls,
streets, north. What is inferred (the drain, its exit) is dashed. SVG, no script, no outside link.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from ..geometry.frames import Array, lot_direction, rotation
from ..messages.printable import printable
from ..model.site import Room, Site
from ..model.survey import Survey
from ..units import format_length, is_imperial

WIDTH_PX, HEIGHT_PX, LEAST_PX, MARGIN_M, TITLE_PX = 960.0, 1100.0, 560.0, 5.0, 58.0
"""The sketch is at most so wide and high, so that a screen shows it whole; and at least so wide."""
AXIS_M, ARROW_PX, READING_M, NAME_M = 1.8, 7.0, 3.0, 0.6
ROOM_COLORS = ("#2f6db3", "#b35c00", "#3b7d3b", "#7a3b9a", "#8a6d00")
CAPTION = "Sketch of what was typed. The dashed drain is inferred, not located."


@dataclass(frozen=True, slots=True)
class Canvas:
    """Takes lot coordinates to pixels, y up to y down."""

    low: Array
    high: Array
    scale: float

    def at(self, xy: Array) -> Array:
        """Give pixels (..., 2) of places (..., 2) in the lot."""
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
    spare = max(LEAST_PX / scale - float((high - low)[0]), 0.0) / 2.0
    aside = np.array([spare, 0.0])
    low, high = low - aside, high + aside
    canvas = Canvas(low, high, scale)
    parts = [
        *_ground(site, canvas),
        *_house(site, canvas),
        *_rooms(site, canvas, survey),
        *_marks(site, canvas, survey),
        *_inferred(canvas, survey),
        *_legend(site, canvas),
    ]
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


def _ground(site: Site, canvas: Canvas) -> Iterator[str]:
    """Draw streets, lot and mains."""
    for street in site.streets:
        yield _polygon(canvas, street.row, 'fill="#e9e9e4" stroke="#9a9a90"')
    yield _polygon(canvas, site.lot.vertices, 'fill="#f4faef" stroke="#000000" stroke-width="1.5"')
    for main in site.mains:
        yield _line(canvas, main.line, 'stroke="#3b7d3b" stroke-width="2"')
    center = site.lot.vertices.mean(axis=0)
    for street in site.streets:
        middle = site.lot.edge(street.side).mean(axis=0)
        out = (middle - center) / max(float(np.hypot(*(middle - center))), 1e-9)
        place = canvas.at(middle + 0.5 * MARGIN_M * out)
        yield _text(place, f"{street.name} ({street.side})", 'text-anchor="middle" fill="#555550"')


def _house(site: Site, canvas: Canvas) -> Iterator[str]:
    """Draw the house's outside face, and name its sides."""
    ring = site.building.vertices
    yield _polygon(canvas, ring, 'fill="#ffffff" stroke="#333333" stroke-width="3"')
    named: set[str] = set()
    for i, side in enumerate(site.building.sides):
        if side not in named:
            named.add(side)
            step = ring[(i + 1) % len(ring)] - ring[i]
            outward = np.array([step[1], -step[0]]) / max(float(np.hypot(*step)), 1e-9)
            middle = ring[i] + step / 2.0 + NAME_M * outward
            words = f"{side} wall"
            yield _text(canvas.at(middle), words, 'text-anchor="middle" fill="#333333"')


def _pose(site: Site, room: Room) -> tuple[Array, float] | None:
    """Give a room's origin in the lot and the angle of its x, as typed."""
    if room.origin_m is None or room.x_toward_rad is None:
        return None
    building = site.building
    origin = building.vertices[0] + rotation(building.angle_rad) @ np.array(room.origin_m)
    return np.asarray(origin), building.angle_rad + room.x_toward_rad


def _rooms(site: Site, canvas: Canvas, survey: Survey | None) -> Iterator[str]:
    """Draw the rooms with origin and axes; one whose place is not typed only as placed."""
    placed = {} if survey is None or survey.placed is None else survey.placed.room_outlines
    for number, room in enumerate(site.rooms):
        color = ROOM_COLORS[number % len(ROOM_COLORS)]
        pose = _pose(site, room)
        outline = placed.get(room.id)
        if pose is None and outline is None:
            place = canvas.at(site.building.vertices.mean(axis=0)) + np.array([0.0, 18.0 * number])
            yield _text(
                place,
                f"room {room.name}: its place follows from the tapes only",
                f'text-anchor="middle" fill="{color}"',
            )
            continue
        if pose is None and outline is not None:
            step = outline[1] - outline[0]
            pose = outline[0], float(np.arctan2(step[1], step[0]))
        assert pose is not None
        origin, angle = pose
        x, y = lot_direction(angle), lot_direction(angle + np.pi / 2.0)
        if room.size_m is not None:
            w, d = room.size_m
            ring = np.stack([origin, origin + w * x, origin + w * x + d * y, origin + d * y])
            style = f'fill="{color}" fill-opacity="0.08" stroke="{color}" stroke-dasharray="2 3"'
            yield _polygon(canvas, ring, style)
            yield _text(
                canvas.at(ring.mean(axis=0)),
                room.name,
                f'text-anchor="middle" fill="{color}" font-size="15"',
            )
        yield from _arrow(canvas, origin, origin + AXIS_M * x, color, "x")
        yield from _arrow(canvas, origin, origin + AXIS_M * y, color, "y")
        px, py = canvas.at(origin)
        yield f'<circle cx="{px:.1f}" cy="{py:.1f}" r="6" fill="{color}"/>'
        yield _text(
            canvas.at(origin + 0.9 * (x + y)),
            f"corner of {room.name}",
            f'fill="{color}" font-size="11" text-anchor="middle"',
        )


def _mark_places(site: Site, survey: Survey | None) -> dict[str, Array]:
    """Give the marks in the lot: as typed where their room's place is, else as placed.

    As typed, so that a room in which tapes contradict each other is not straightened out.
    """
    rooms = {name: room for room in site.rooms for name in (room.id, room.name)}
    places: dict[str, Array] = {}
    for row in site.locates:
        here = np.array([row.x_m, row.y_m])
        room = rooms.get(row.room)
        pose = None if room is None else _pose(site, room)
        if row.room != "lot" and pose is None:
            continue
        place = here if pose is None else pose[0] + rotation(pose[1]) @ here
        if np.isfinite(place).all():
            places.setdefault(row.id, place)
    for point in () if survey is None or survey.placed is None else survey.placed.points:
        places.setdefault(point.id, np.array([point.x_m, point.y_m]))
    return places


def _marks(site: Site, canvas: Canvas, survey: Survey | None) -> Iterator[str]:
    """Draw the marks with their ids: dots for what the receiver found, squares for the rest."""
    kinds = {row.id: row.kind for row in site.locates}
    for name, place in _mark_places(site, survey).items():
        x, y = canvas.at(place)
        if kinds[name] in ("locate", "bend"):
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#c4161c"/>'
        else:
            yield f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#000000"/>'
        yield _text(np.array([x + 7.0, y - 5.0]), name, 'fill="#000000" font-size="12"')


def _inferred(canvas: Canvas, survey: Survey | None) -> Iterator[str]:
    """Draw the drain to the wall, dashed, and where it would leave under other readings."""
    if survey is None or survey.fitted is None or survey.penetration is None:
        return
    end = np.array([[survey.penetration.x_m, survey.penetration.y_m]])
    line = np.concatenate([survey.fitted.vertices, end])
    yield _line(canvas, line, 'stroke="#c4161c" stroke-width="2" stroke-dasharray="7 5"')
    for one in () if survey.doubted is None else survey.doubted.readings:
        if one.likely:
            start = np.array([one.x_m, one.y_m])
            out = np.stack([start, start + READING_M * lot_direction(one.angle_rad)])
            yield _line(canvas, out, 'stroke="#b0006d" stroke-width="3" stroke-dasharray="3 5"')
            yield _text(canvas.at(out[1]), f"if {one.words}", 'fill="#b0006d" font-size="11"')


def _legend(site: Site, canvas: Canvas) -> Iterator[str]:
    """Write the name and the caption, and draw north and a scale."""
    yield _text(np.array([14.0, 24.0]), site.name[:90], 'fill="#000000" font-size="18"')
    yield _text(np.array([14.0, 46.0]), CAPTION, 'fill="#333333"')
    north = lot_direction(site.frame.angle_rad(0.0))
    foot = canvas.low + (canvas.high - canvas.low) * (0.06, 0.05)
    yield from _arrow(canvas, foot, foot + 2.5 * north, "#000000", "N")
    length = 10.0 * 0.3048 if is_imperial(site.units) else 3.0
    start = canvas.low + (canvas.high - canvas.low) * (0.16, 0.03)
    bar = np.stack([start, start + np.array([length, 0.0])])
    yield _line(canvas, bar, 'stroke="#000000" stroke-width="4"')
    yield _text(canvas.at(bar[1]) + np.array([8.0, 5.0]), format_length(length, site.units), "")
