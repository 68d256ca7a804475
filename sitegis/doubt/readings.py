"""The catalog of other readings: how the same numbers came to be written down by a blunder.

Each reading is the site as it would be without that blunder. The priors are small, stated and held
in total, whatever the number of readings among which they are shared (Scott and Berger 2010).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array, rotation
from ..late_dataclass import dataclass
from ..model.doubts import ReadingKind
from ..model.site import Locate, Room, Site
from ..place.assemble import building_outline

ROOM_BLUNDER = 0.03
"""A room is taped from another corner than written, or with x and y the other way. All priors:
judgment, no source."""
HOUSE_BLUNDER = 0.004
"""All rooms are seen from the wrong side of the house."""
EXCHANGED_BLUNDER = 0.006
"""Two rooms' names are exchanged."""
UNIT_BLUNDER = 0.008
"""Offsets are in meters where feet are read, or in feet where meters are."""
FEET_PER_METER = 3.280839895
REACH_M = 0.30
"""A point may lie this far outside its room by scatter."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading of the input: ``site`` is the input as it would then have been written.

    ``scale`` is what its offsets are multiplied by.
    """

    id: str
    kind: ReadingKind
    about: str
    words: str
    prior: float
    site: Site
    scale: float = 1.0


def other_readings(site: Site, drain_points: frozenset[str]) -> tuple[Reading, ...]:
    """List the readings that move the drain's marks: corners and hands, rooms, the house, units.

    ``drain_points`` are the ids of the marks that the drain was fitted to; rooms without any
    are left alone.

    Parameters
    ----------
    site
        The site as read.
    drain_points
        Ids of the points of the drain.

    Returns
    -------
    tuple[Reading, ...]
        The readings with their priors.
    """
    found: list[Reading] = []
    used = {row.room for row in site.locates if row.id in drain_points and row.room != "lot"}
    for room in site.rooms:
        if room.id in used or room.name in used:
            found += _shared(_room_readings(site, room), ROOM_BLUNDER)
    if len(site.rooms) > 1:
        found += _shared(_house_readings(site), HOUSE_BLUNDER)
        found += _shared(_exchanged(site, used), EXCHANGED_BLUNDER)
    found += _shared(_units(site), UNIT_BLUNDER)
    return tuple(found)


def _shared(readings: Iterator[Reading], total: float) -> list[Reading]:
    """Share one prior among the readings of a kind."""
    listed = list(readings)
    # a room with seven readings is no likelier wrong than one with two
    return [replace(one, prior=total / len(listed)) for one in listed]


# -------------------------------------------------------------------------------- one room


def room_size(site: Site, room: Room) -> tuple[float, float] | None:
    """Return a room's extent along x and y: as written, else to the walls across from its origin.

    Parameters
    ----------
    site
        The site as read.
    room
        The room.

    Returns
    -------
    tuple[float, float] | None
        Extents in m, None where they are not known.
    """
    if room.size_m is not None or room.origin_m is None or room.x_toward_rad is None:
        return room.size_m
    outline = polyline.closed(building_outline(site))
    origin = np.array(room.origin_m)
    sizes = []
    for angle in (room.x_toward_rad, room.x_toward_rad + np.pi / 2):
        direction = np.array([np.cos(angle), np.sin(angle)])
        lengths, _ = polyline.meet(origin, direction, outline[:-1], outline[1:])
        # nan, where a wall is not met, is not ahead
        ahead = lengths[lengths > 0.0]
        if not ahead.size:
            return None
        sizes.append(float(ahead.min()) - site.building.wall_thickness_m)
    return sizes[0], sizes[1]


def _room_readings(site: Site, room: Room) -> Iterator[Reading]:
    """Yield the seven other ways in which a rectangle's corner and axes can be taken.

    A row (x, y) stands for (x or w − x, y or d − y), or with x and y exchanged.
    """
    size = room_size(site, room)
    rows = [row for row in site.locates if row.room in (room.id, room.name)]
    about = f"corner and hand of {_words(room)}"
    if size is None:
        words = f"{_words(room)} was taped with x and y exchanged"
        yield Reading(
            f"{room.id}:exchanged",
            "corner",
            about,
            words,
            0.0,
            _with_rows(site, rows, np.array([[0.0, 1.0], [1.0, 0.0]]), np.zeros(2)),
        )
        return
    extent = np.array(size)
    for exchanged in (False, True):
        for far_x in (False, True):
            for far_y in (False, True):
                if not (exchanged or far_x or far_y):
                    continue
                signs = np.array([-1.0 if far_x else 1.0, -1.0 if far_y else 1.0])
                # first x and y exchanged, then the axes turned about
                linear = np.diag(signs) @ (np.eye(2)[::-1] if exchanged else np.eye(2))
                start = extent * [far_x, far_y]
                # a reading under which a point lies outside its room is none
                if not _fits(rows, linear, start, extent):
                    continue
                corner = _corner_words(room, start, extent)
                words = f"{_words(room)} was taped from its {corner}" + (
                    ", x and y exchanged" if exchanged else ""
                )
                key = f"{room.id}:{'y' if exchanged else 'x'}{int(far_x)}{int(far_y)}"
                moved = _with_rows(site, rows, linear, start)
                yield Reading(key, "corner", about, words, 0.0, moved)


def _words(room: Room) -> str:
    """Name a room so that no "room Front room" comes of it."""
    return f"'{room.name}'" if "room" in room.name.lower() else f"room '{room.name}'"


def _fits(rows: list[Locate], linear: Array, start: Array, extent: Array) -> bool:
    """Return whether all rows then lie in the room."""
    places = np.array([(row.x_m, row.y_m) for row in rows]) @ linear.T + start
    inside = (places > -REACH_M) & (places < extent + REACH_M)
    # an offset that was not taped lies anywhere
    return bool(np.all(inside | np.isnan(places)))


def _corner_words(room: Room, start: Array, extent: Array) -> str:
    """Name a corner of a room by the house's sides."""
    if room.x_toward_rad is None:
        along = "far" if start[0] else "near"
        return f"corner at the {along} end of x" + (", across" if start[1] else "")
    away = rotation(room.x_toward_rad) @ (start - extent / 2.0)
    side = "left" if away[0] < 0 else "right"
    return f"{'front' if away[1] < 0 else 'rear'}-{side} corner"


def _with_rows(site: Site, rows: list[Locate], linear: Array, start: Array) -> Site:
    """Return the site with some rows' offsets (and headings) taken through a map of the plane."""
    chosen = {id(row) for row in rows}
    return replace(
        site,
        locates=tuple(
            _moved(row, linear, start) if id(row) in chosen else row for row in site.locates
        ),
    )


def _moved(row: Locate, linear: Array, start: Array) -> Locate:
    """Return a row with its offsets taken through a map of the plane."""
    # what was not measured (NaN) stays so, and takes the other offset's place where exchanged
    exchanged = linear[0, 0] == 0.0 and linear[1, 1] == 0.0
    given = (row.y_m, row.x_m) if exchanged else (row.x_m, row.y_m)
    factors = (linear[0, 1], linear[1, 0]) if exchanged else (linear[0, 0], linear[1, 1])
    place = [float(s + f * v) for s, f, v in zip(start, factors, given, strict=True)]
    heading = row.heading_rad
    if heading is not None:
        # a heading turns with the room's axes, mirrored ones too
        axis = linear @ np.array([np.cos(heading), np.sin(heading)])
        heading = float(np.arctan2(axis[1], axis[0]))
    return replace(row, x_m=place[0], y_m=place[1], heading_rad=heading)


# ------------------------------------------------------------------------------ several rooms


def _house_readings(site: Site) -> Iterator[Reading]:
    """Yield the house seen from its rear, and with left and right or front and rear exchanged."""
    ring = building_outline(site)
    low, high = ring.min(axis=0), ring.max(axis=0)
    for key, signs, words in (
        (
            "turned",
            (-1.0, -1.0),
            "the house was seen from its rear, so that all sides of all rooms are exchanged",
        ),
        ("left-right", (-1.0, 1.0), "left and right of the house are exchanged in all rooms"),
        ("front-rear", (1.0, -1.0), "front and rear of the house are exchanged in all rooms"),
    ):
        rooms = tuple(_seen(room, np.array(signs), low + high) for room in site.rooms)
        # without a place in the house a room cannot be seen from its rear
        if None in rooms:
            return
        mirrored = signs[0] * signs[1] < 0
        moved = replace(site, rooms=tuple(room for room in rooms if room is not None))
        # a mirrored room keeps its corner, but its y runs the other way
        if mirrored:
            rows = [row for row in site.locates if row.room != "lot"]
            moved = _with_rows(moved, rows, np.diag([1.0, -1.0]), np.zeros(2))
        yield Reading(f"house:{key}", "house", "sides of the house", words, 0.0, moved)


def _seen(room: Room, signs: Array, both: Array) -> Room | None:
    """Return a room's pose in the house seen from another side; None where it has none."""
    if room.origin_m is None or room.x_toward_rad is None:
        return None
    # distances from the opposite walls
    origin = np.where(signs < 0, both - np.array(room.origin_m), np.array(room.origin_m))
    x, y = signs * (np.cos(room.x_toward_rad), np.sin(room.x_toward_rad))
    return replace(
        room,
        origin_m=(float(origin[0]), float(origin[1])),
        x_toward_rad=float(np.arctan2(y, x)),
        # where its far corner lies is not needed, and would have to turn too
        size_m=None,
    )


def _exchanged(site: Site, used: set[str]) -> Iterator[Reading]:
    """Yield the rows of two rooms exchanged, where all points fit."""
    for one, other in combinations(site.rooms, 2):
        if not {one.id, one.name, other.id, other.name} & used:
            continue
        names = {one.id: other, one.name: other, other.id: one, other.name: one}
        swapped = [names.get(row.room) for row in site.locates]
        rows = [
            row if room is None else replace(row, room=room.id)
            for row, room in zip(site.locates, swapped, strict=True)
        ]
        sizes = {room.id: room_size(site, room) for room in (one, other)}
        inside = all(
            size is None or _fits([row], np.eye(2), np.zeros(2), np.array(size))
            for row in rows
            if (size := sizes.get(row.room)) is not None
        )
        if inside:
            yield Reading(
                f"rooms:{one.id}-{other.id}",
                "rooms",
                f"rows of {_words(one)} and {_words(other)}",
                f"the rows of {_words(one)} and {_words(other)} are exchanged",
                0.0,
                replace(site, locates=tuple(rows)),
            )


def _units(site: Site) -> Iterator[Reading]:
    """Yield offsets in meters that were read as feet, and the other way, where all points fit."""
    imperial = site.units in ("ft", "in")
    factor = FEET_PER_METER if imperial else 1.0 / FEET_PER_METER
    was, read = ("meters", "feet") if imperial else ("feet", "meters")
    rooms = {name: room for room in site.rooms for name in (room.id, room.name)}
    indoors = [row for row in site.locates if row.room != "lot"]
    for row in indoors:
        room = rooms.get(row.room)
        size = None if room is None else room_size(site, room)
        if size is None or not _fits([row], factor * np.eye(2), np.zeros(2), np.array(size)):
            return
    moved = _with_rows(site, indoors, factor * np.eye(2), np.zeros(2))
    about = "unit of x and y"
    yield Reading(
        "unit:offsets", "unit", about, f"x and y are in {was}, not {read}", 0.0, moved, factor
    )
    if any(row.footage_m for row in indoors):
        counted = replace(
            moved,
            locates=tuple(
                row if row.footage_m is None else replace(row, footage_m=factor * row.footage_m)
                for row in moved.locates
            ),
        )
        words = f"x, y and footage are in {was}, not {read}"
        yield Reading("unit:offsets-footage", "unit", about, words, 0.0, counted, factor)
