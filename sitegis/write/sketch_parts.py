"""What a sketch shows: the one model that the SVG and the drawing in characters are made of.

Drawn before anything is believed: rooms as typed with their origin and axes, marks, walls, streets,
north. What is inferred (the drain, its exit) is marked so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from ..geometry.frames import Array, lot_direction, rotation
from ..late_dataclass import dataclass
from ..model.site import Room, Site
from ..model.survey import Survey
from ..units import format_length, is_imperial

MARGIN_M, AXIS_M, READING_M, NAME_M = 5.0, 1.8, 3.0, 0.6
CAPTION = "Sketch of what was typed. The dashed drain is inferred, not located."
Shape = Literal[
    "street",
    "lot",
    "main",
    "street-name",
    "wall",
    "wall-name",
    "room",
    "room-name",
    "room-lost",
    "axis",
    "origin",
    "origin-name",
    "mark",
    "drain",
    "other",
]


@dataclass(frozen=True, slots=True)
class Part:
    """One thing to draw: ``points`` (n, 2) in the lot, ``words`` beside it.

    ``room`` numbers the room it belongs to; ``located`` where the locator found it.
    """

    shape: Shape
    points: Array
    words: str = ""
    room: int = 0
    located: bool = False


def sketch_parts(site: Site, survey: Survey | None = None) -> tuple[Part, ...]:
    """Return all that a sketch shows, in the order in which it is drawn over one another.

    As typed, and as placed where a survey is given and a place is not typed.

    Parameters
    ----------
    site
        The site as read.
    survey
        Placed points to draw too, None for the input alone.

    Returns
    -------
    tuple[Part, ...]
        The parts, those below first.
    """
    return (
        *_ground(site),
        *_house(site),
        *_rooms(site, survey),
        *_marks(site, survey),
        *_inferred(survey),
    )


def north_in_lot(site: Site) -> Array:
    """Return the unit vector (2,) to grid north in the lot."""
    return lot_direction(site.frame.angle_rad(0.0))


def scale_bar(site: Site) -> tuple[float, str]:
    """Return the length of the sketch's scale and its words."""
    length_m = 10.0 * 0.3048 if is_imperial(site.units) else 3.0
    return length_m, format_length(length_m, site.units)


def _ground(site: Site) -> Iterator[Part]:
    """Yield streets, lot and mains."""
    for street in site.streets:
        yield Part("street", street.row)
    yield Part("lot", site.lot.vertices)
    for main in site.mains:
        yield Part("main", main.line)
    center = site.lot.vertices.mean(axis=0)
    for street in site.streets:
        middle = site.lot.edge(street.side).mean(axis=0)
        out = (middle - center) / max(float(np.hypot(*(middle - center))), 1e-9)
        place = middle + 0.5 * MARGIN_M * out
        yield Part("street-name", place[None], f"{street.name} ({street.side})")


def _house(site: Site) -> Iterator[Part]:
    """Yield the house's outside face, and the names of its sides."""
    ring = site.building.vertices
    yield Part("wall", ring)
    named: set[str] = set()
    # a side with several walls is named at its first alone
    for i, side in enumerate(site.building.sides):
        if side not in named:
            named.add(side)
            step = ring[(i + 1) % len(ring)] - ring[i]
            # corners run counter-clockwise: outward is right of a wall
            outward = np.array([step[1], -step[0]]) / max(float(np.hypot(*step)), 1e-9)
            place = ring[i] + step / 2.0 + NAME_M * outward
            yield Part("wall-name", place[None], f"{side} wall")


def _pose(site: Site, room: Room) -> tuple[Array, float] | None:
    """Return a room's origin in the lot and the angle of its x, as typed."""
    if room.origin_m is None or room.x_toward_rad is None:
        return None
    building = site.building
    # rooms are taped from the house's first corner, in its own directions
    origin = building.vertices[0] + rotation(building.angle_rad) @ np.array(room.origin_m)
    return np.asarray(origin), building.angle_rad + room.x_toward_rad


def _rooms(site: Site, survey: Survey | None) -> Iterator[Part]:
    """Yield the rooms with origin and axes; one whose place is not typed only as placed."""
    placed = {} if survey is None or survey.placed is None else survey.placed.room_outlines
    for number, room in enumerate(site.rooms):
        pose = _pose(site, room)
        outline = placed.get(room.id)
        if pose is None and outline is not None:
            # an outline begins at the room's origin and runs along its x first
            step = outline[1] - outline[0]
            pose = outline[0], float(np.arctan2(step[1], step[0]))
        if pose is None:
            place = site.building.vertices.mean(axis=0)
            words = f"room {room.name}: its place follows from the tapes only"
            yield Part("room-lost", place[None], words, number)
            continue
        yield from _room(room, *pose, number)


def _room(room: Room, origin: Array, angle: float, number: int) -> Iterator[Part]:
    """Yield one room at its pose: outline, name, axes, the corner that it is taped from."""
    x, y = lot_direction(angle), lot_direction(angle + np.pi / 2.0)
    if room.size_m is not None:
        w, d = room.size_m
        ring = np.stack([origin, origin + w * x, origin + w * x + d * y, origin + d * y])
        yield Part("room", ring, "", number)
        yield Part("room-name", ring.mean(axis=0)[None], room.name, number)
    for axis, words in ((x, "x"), (y, "y")):
        yield Part("axis", np.stack([origin, origin + AXIS_M * axis]), words, number)
    yield Part("origin", origin[None], "", number)
    beside = origin + 0.9 * (x + y)
    yield Part("origin-name", beside[None], f"corner of {room.name}", number)


def _marks(site: Site, survey: Survey | None) -> Iterator[Part]:
    """Yield the marks with their ids."""
    kinds = {row.id: row.kind for row in site.locates}
    for name, place in _mark_places(site, survey).items():
        yield Part("mark", place[None], name, located=kinds[name] in ("locate", "bend"))


def _mark_places(site: Site, survey: Survey | None) -> dict[str, Array]:
    """Return the marks in the lot: as typed where their room's place is, else as placed.

    As typed, so that a room in which tapes contradict each other is not straightened out.
    """
    # a row may name its room by id or by name
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
            # an id in two rooms is one point, taped from both: drawn where it was typed first
            places.setdefault(row.id, place)
    for point in () if survey is None or survey.placed is None else survey.placed.points:
        places.setdefault(point.id, np.array([point.x_m, point.y_m]))
    return places


def _inferred(survey: Survey | None) -> Iterator[Part]:
    """Yield the drain to the wall, and where it would leave under other readings."""
    if survey is None or survey.fitted is None or survey.penetration is None:
        return
    end = np.array([[survey.penetration.x_m, survey.penetration.y_m]])
    yield Part("drain", np.concatenate([survey.fitted.vertices, end]))
    for one in () if survey.doubted is None else survey.doubted.readings:
        if one.likely:
            start = np.array([one.x_m, one.y_m])
            out = np.stack([start, start + READING_M * lot_direction(one.angle_rad)])
            yield Part("other", out, f"if {one.words}")
