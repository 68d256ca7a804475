"""What the rows must make sense of together: names, places, depths, cable counts, ties."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import shapely

from ..geometry.frames import Array, rotation
from ..messages.catalog import fault_of
from ..model.fields import CORNERS
from ..model.site import Building, Locate, Noise, PlannedFixture, Room, Side, Tie, WallContact
from .faults import ALL_POINTS, Report, guess, shorten
from .file_names import LOCATES_FILE, TIES_FILE
from .rings import side_angle_rad

DRAIN_KINDS = ("stack", "cleanout", "locate", "bend", "branch", "floor-drain")
SIDES: tuple[Side, ...] = ("right", "rear", "left", "front")
# judgment, no source: what marks scatter past a wall; a jump of depth and a fall that no drain
# has; what footage and tape are good for; how many times too short is no scatter
OUTSIDE_M = 0.30
JUMP_M = 1.5
STEEPEST = 0.10
COUNT_FLOOR_M, COUNT_SHARE = 0.15, 0.03
FAR_SHORT = 3.0


def _row_fault(report: Report, locate: Locate, name: str, field: str, /, **values: object) -> None:
    """Gather a fault of a row of ``locates.csv`` by its name in the catalog."""
    lengths = {"x": locate.x_m, "depth": locate.depth_m, "footage": locate.footage_m}
    length_m = lengths.get(field)
    shown = locate.room if field == "room" else ""
    shown = shown if length_m is None else report.format(length_m)
    report.add(
        fault_of(name, LOCATES_FILE, locate.row, field, shorten(shown), **report.shown(values))
    )


def check_rooms(locates: tuple[Locate, ...], room_ids: list[str], report: Report) -> None:
    """Fault rows in unknown rooms, and a table with fewer than two drain points indoors.

    Parameters
    ----------
    locates
        Rows of ``locates.csv``.
    room_ids
        Ids of the rooms.
    report
        Where faults and notices are gathered.
    """
    for locate in locates:
        known = locate.room == "lot" or locate.room in room_ids
        if not known and locate.room not in report.broken_names:
            _row_fault(
                report, locate, "room-unknown", "room", known=guess(locate.room, [*room_ids, "lot"])
            )
    indoors = {row.id for row in locates if row.room != "lot" and row.kind in DRAIN_KINDS}
    # rows that could not be read may have been the points that are missing
    spoiled = any(fault.file == LOCATES_FILE for fault in report.faults)
    if locates and len(indoors) < 2 and not spoiled:
        report.add(fault_of("too-few-points", LOCATES_FILE, None, "kind", ""))


def check_ties(
    ties: tuple[Tie, ...], locates: tuple[Locate, ...], room_ids: list[str], report: Report
) -> None:
    """Fault ties that name what is not there.

    Parameters
    ----------
    ties
        Rows of ``ties.csv``.
    locates
        Rows of ``locates.csv``.
    room_ids
        Ids of the rooms.
    report
        Where faults and notices are gathered.
    """
    known = [row.id for row in locates]
    known += [f"{what}:{corner}" for what in ("building", "lot") for corner in CORNERS]
    known += [f"{room}:origin" for room in room_ids]
    # names of points are not known where their table could not be read
    unread = ALL_POINTS in report.broken_names
    for tie in ties:
        for field, name in (("from", tie.from_name), ("to", tie.to_name)):
            if unread and ":" not in name:
                continue
            if name not in known and name.removesuffix(":origin") not in report.broken_names:
                report.add(
                    fault_of(
                        "tie-unknown",
                        TIES_FILE,
                        tie.row,
                        field,
                        shorten(name),
                        known=guess(name, known),
                    )
                )


def check_walls(
    contacts: tuple[WallContact, ...],
    locates: tuple[Locate, ...],
    building: Building,
    report: Report,
) -> None:
    """Fault wall contacts of unknown points and of sides the building does not have.

    Parameters
    ----------
    contacts
        Points taped to a wall.
    locates
        Rows of ``locates.csv``.
    building
        The building, its outline (n, 2) in the lot.
    report
        Where faults and notices are gathered.
    """
    known = [row.id for row in locates]
    for number, contact in enumerate(contacts, start=1):
        read = not {contact.point, ALL_POINTS} & report.broken_names
        if contact.point not in known and read:
            report.fault(
                "point-unknown",
                f"wall[{number}].point",
                contact.point,
                known=guess(contact.point, known),
            )
        if contact.side not in building.sides:
            report.fault(
                "side-missing:building",
                f"wall[{number}].side",
                contact.side,
                sides=", ".join(dict.fromkeys(building.sides)),
            )


def in_building(locate: Locate | PlannedFixture, room: Room) -> Array | None:
    """Return the place of a row or a fixture in the building, None where its room's is not known.

    Parameters
    ----------
    locate
        Row or planned fixture.
    room
        Its room.

    Returns
    -------
    Array | None
        Place (2,) in the building's frame, m; None where the room's is not known.
    """
    if room.origin_m is None or room.x_toward_rad is None:
        return None
    turned = rotation(room.x_toward_rad) @ np.array([locate.x_m, locate.y_m])
    return np.asarray(turned + np.array(room.origin_m))


def check_places(
    locates: tuple[Locate, ...], rooms: tuple[Room, ...], building: Building, report: Report
) -> None:
    """Fault points outside their room or the building by more than 0.3 m.

    Parameters
    ----------
    locates
        Rows of ``locates.csv``.
    rooms
        The rooms.
    building
        The building, its outline (n, 2) in the lot.
    report
        Where faults and notices are gathered.
    """
    by_id = {room.id: room for room in rooms}
    house = shapely.Polygon(building.vertices)
    turn = rotation(building.angle_rad)
    for locate in locates:
        room = by_id.get(locate.room)
        if room is None:
            continue
        if room.size_m is not None:
            beyond = max(
                -locate.x_m, locate.x_m - room.size_m[0], -locate.y_m, locate.y_m - room.size_m[1]
            )
            if beyond > OUTSIDE_M:
                _row_fault(
                    report, locate, "point-outside-room", "x", locate=locate.id, beyond_m=beyond
                )
                continue
        place = in_building(locate, room)
        if place is None:
            continue
        gap = float(house.distance(shapely.Point(building.vertices[0] + turn @ place)))
        if gap > OUTSIDE_M:
            _row_fault(
                report,
                locate,
                "point-outside-building",
                "x",
                locate=locate.id,
                gap_m=gap,
                turned_inside=_turned_inside(room, locates, building),
            )


def _turned_inside(room: Room, locates: tuple[Locate, ...], building: Building) -> str:
    """Name the direction of x with which all points of a room would lie in the building."""
    if room.origin_m is None:
        return ""
    house = shapely.buffer(shapely.Polygon(building.vertices), OUTSIDE_M)
    local = np.array([(row.x_m, row.y_m) for row in locates if row.room == room.id])
    # the mistake most often made: x typed toward another wall
    for word in SIDES:
        place = np.array(room.origin_m) + local @ rotation(side_angle_rad(word)).T
        place = building.vertices[0] + place @ rotation(building.angle_rad).T
        if shapely.contains_xy(house, place).all():
            return (
                f' With x_toward = "{word}" the room lies inside, y to the LEFT of x; where y was '
                "taped to the right, exchange x and y of its rows too."
            )
    return ""


def check_fixtures(
    fixtures: tuple[PlannedFixture, ...],
    rooms: tuple[Room, ...],
    building: Building,
    report: Report,
) -> None:
    """Fault planned fixtures outside their room or the building.

    Parameters
    ----------
    fixtures
        Planned fixtures.
    rooms
        The rooms.
    building
        The building, its outline (n, 2) in the lot.
    report
        Where faults and notices are gathered.
    """
    by_id = {room.id: room for room in rooms}
    house = shapely.Polygon(building.vertices)
    turn = rotation(building.angle_rad)
    for number, fixture in enumerate(fixtures, start=1):
        room = by_id.get(fixture.room)
        if room is None:
            continue
        width_m, depth_m = room.size_m or (math.inf, math.inf)
        least_m = 0.0 if room.size_m is not None else -math.inf
        beyond = max(
            least_m - fixture.x_m,
            fixture.x_m - width_m,
            least_m - fixture.y_m,
            fixture.y_m - depth_m,
        )
        place, where = in_building(fixture, room), "its room"
        if place is not None and beyond <= 0.0:
            beyond = float(house.distance(shapely.Point(building.vertices[0] + turn @ place)))
            where = "the building"
        if beyond > 0.0:
            report.fault(
                "fixture-outside",
                f"fixture[{number}].x",
                report.format(fixture.x_m),
                fixture=fixture.name,
                beyond_m=beyond,
                where_out=where,
            )


# ------------------------------------------------------------------------------------- depths


def check_depths(
    locates: tuple[Locate, ...], rooms: tuple[Room, ...], noise: Noise, report: Report
) -> None:
    """Compare each indoor depth with its neighbors'.

    The expected elevation is the median of the (at most four) nearest other points of the same
    frame. A departure past 1.5 m plus a fall of 10 % over their distance is a fault; one past
    four standard deviations of the locator plus that fall is a notice (judgment).

    Parameters
    ----------
    locates
        Rows of ``locates.csv``.
    rooms
        The rooms.
    noise
        Stated noise of tape and locator.
    report
        Where faults and notices are gathered.
    """
    rows = [
        r
        for r in locates
        if r.room != "lot" and r.depth_m is not None and r.kind in ("locate", "bend")
    ]
    floors = {room.id: room.floor_elevation_m for room in rooms}
    places = _common_places(rows, rooms)
    for index, row in enumerate(rows):
        # same frame only: places in rooms without a pose cannot be compared
        near = sorted(
            (float(np.hypot(*(places[index][1] - places[other][1]))), other)
            for other in range(len(rows))
            if other != index and places[other][0] == places[index][0] and rows[other].id != row.id
        )[:4]
        if len(near) < 2:
            continue
        # elevations: floors of rooms may differ
        others = [floors.get(rows[o].room, 0.0) - (rows[o].depth_m or 0.0) for _, o in near]
        depth_m = row.depth_m or 0.0
        departure = abs(floors.get(row.room, 0.0) - depth_m - float(np.median(others)))
        fall = STEEPEST * float(np.median([distance for distance, _ in near]))
        # one reading against the median of four or fewer: about half a variance more
        sd_m = noise.depth_sd_m(depth_m) * math.sqrt(1.5)
        if departure > JUMP_M + fall:
            _row_fault(report, row, "depth-jumps", "depth", row=row.id, departure_m=departure)
        elif departure > 4.0 * sd_m + fall:
            report.note(
                "depth-jumps", f"{LOCATES_FILE} row {row.row}", row=row.id, departure_m=departure
            )


def _common_places(rows: list[Locate], rooms: tuple[Room, ...]) -> list[tuple[str, Array]]:
    """Return each row's frame and place: the building's where the room's pose is known."""
    by_id = {room.id: room for room in rooms}
    places = []
    for row in rows:
        room = by_id.get(row.room)
        place = None if room is None else in_building(row, room)
        own = np.array([row.x_m, row.y_m])
        places.append((row.room, own) if place is None else ("building", place))
    return places


# --------------------------------------------------------------------------------- cable counts


def check_counts(
    locates: tuple[Locate, ...], rooms: tuple[Room, ...], noise: Noise, report: Report
) -> tuple[Locate, ...]:
    """Fault a footage that is far shorter than the straight distance it must cover.

    Allowed: 0.15 m + 3 % of the distance, and three standard deviations of the locator where a
    place was found from above. Short by up to three times that is no more than scatter or a
    misread counter: that count is left out with a notice, of the two the one without which the
    others agree better, else the later one. Points are taken in the order of their counts; a
    single cleanout without a count begins at 0. Gives the rows, such counts left out.

    Parameters
    ----------
    locates
        Rows of ``locates.csv``.
    rooms
        The rooms.
    noise
        Stated noise of tape and locator.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[Locate, ...]
        The rows, counts that do not fit taken out.
    """
    # one count at a time, as what is left out changes the next comparison
    while (pair := _first_short(locates, rooms, noise)) is not None:
        before, after, paid, distance, far = pair
        if far:
            row = max(before, after, key=lambda r: r.row)
            _row_fault(
                report,
                row,
                "count-too-short",
                "footage",
                before=before.id,
                after=after.id,
                paid_m=paid,
                distance_m=distance,
            )
            return locates
        dropped = [_without_count(locates, row) for row in (after, before)]
        # without which of the two do the others agree
        still = [_first_short(rows, rooms, noise) is not None for rows in dropped]
        wrong = before if still[0] and not still[1] and before.footage_m else after
        report.note(
            "count-left-out",
            f"locates.{wrong.id}",
            before=before.id,
            after=after.id,
            paid_m=paid,
            distance_m=distance,
            wrong=wrong.id,
        )
        locates = _without_count(locates, wrong)
    return locates


def _without_count(locates: tuple[Locate, ...], wrong: Locate) -> tuple[Locate, ...]:
    return tuple(replace(row, footage_m=None) if row.id == wrong.id else row for row in locates)


def _first_short(
    locates: tuple[Locate, ...], rooms: tuple[Room, ...], noise: Noise
) -> tuple[Locate, Locate, float, float, bool] | None:
    """Find the first two rows whose counts are too short for their distance.

    Gives them with the footage, the distance, and whether it is far too short.
    """
    rows = [row for row in locates if row.room != "lot" and _count(row, locates) is not None]
    # of several rows of one point the first with a footage
    rows = list({row.id: row for row in reversed(rows)}.values())[::-1]
    rows.sort(key=lambda row: _count(row, locates) or 0.0)
    places = dict(zip((row.id for row in rows), _common_places(rows, rooms), strict=True))
    for before, after in pairwise(rows):
        if places[before.id][0] != places[after.id][0]:
            continue
        distance = float(np.hypot(*(places[after.id][1] - places[before.id][1])))
        paid = (_count(after, locates) or 0.0) - (_count(before, locates) or 0.0)
        sd_m = math.hypot(_locator_sd_m(before, noise), _locator_sd_m(after, noise))
        allowed = COUNT_FLOOR_M + COUNT_SHARE * distance + 3.0 * sd_m
        # a cable may lie slack and run round bends: too long is never wrong
        if paid < distance - allowed:
            # A cleanout's count of 0 is taken, not read: it cannot be left out.
            fixed = before.footage_m is None and after.footage_m is None
            return before, after, paid, distance, fixed or paid < distance - FAR_SHORT * allowed
    return None


def _count(row: Locate, locates: tuple[Locate, ...]) -> float | None:
    """Return a row's footage; the only cleanout begins at 0."""
    if row.footage_m is not None or row.kind != "cleanout":
        return row.footage_m
    cleanouts = {other.id for other in locates if other.kind == "cleanout"}
    return 0.0 if len(cleanouts) == 1 else None


def _locator_sd_m(row: Locate, noise: Noise) -> float:
    """Return the horizontal sd of a place found from above; 0 for what was measured directly."""
    if row.kind not in ("locate", "bend"):
        return 0.0
    return noise.horizontal_sd_m(row.depth_m or 0.0)


# ------------------------------------------------------------------------------------ rooms tied


def check_rooms_tied(
    rooms: tuple[Room, ...],
    locates: tuple[Locate, ...],
    ties: tuple[Tie, ...],
    contacts: tuple[WallContact, ...],
    report: Report,
) -> None:
    """Fault a room that nothing holds: three conditions fix a pose (x, y and direction).

    A shared point counts two, a tie or a wall contact one, a known direction one.

    Parameters
    ----------
    rooms
        The rooms.
    locates
        Rows of ``locates.csv``.
    ties
        Rows of ``ties.csv``.
    contacts
        Points taped to a wall.
    report
        Where faults and notices are gathered.
    """
    members: dict[str, set[str]] = {room.id: {f"{room.id}:origin"} for room in rooms}
    for row in locates:
        members.setdefault(row.room, set()).add(row.id)
    fixed = {room.id for room in rooms if room.origin_m is not None} | {"lot"}
    loose = {room.id: room for room in rooms if room.origin_m is None and len(members[room.id]) > 1}
    # poses found in any order: each room that is held may hold others
    held = set(fixed)
    changed = True
    while changed:
        changed = False
        for name, room in loose.items():
            if name not in held and _conditions(room, held, members, ties, contacts) >= 3:
                held.add(name)
                changed = True
    left = set(loose) - held
    # rooms tied to each other may hold as one body: counted together before any is faulted
    together = sum(_conditions(loose[name], held, members, ties, contacts) for name in left) + sum(
        2 * len(members[a] & members[b]) for a, b in combinations(sorted(left), 2)
    )
    if together >= 3 * len(left):
        return
    numbers = {room.id: number for number, room in enumerate(rooms, start=1)}
    for name in sorted(left, key=lambda n: numbers[n]):
        report.fault("room-not-tied", f"room[{numbers[name]}]", name)


def _conditions(
    room: Room,
    held: set[str],
    members: dict[str, set[str]],
    ties: tuple[Tie, ...],
    contacts: tuple[WallContact, ...],
) -> int:
    """Count the conditions that hold a room to what is held already."""
    own = members[room.id]
    known = set().union(*(members.get(name, set()) for name in held)) if held else set()
    count = 2 * len(own & known)
    for tie in ties:
        for here, there in ((tie.from_name, tie.to_name), (tie.to_name, tie.from_name)):
            fixed = there in known or there.startswith(("building:", "lot:"))
            # a tie within one room holds nothing
            if here in own and fixed and not (here in known and there in own):
                count += 1
    count += sum(1 for contact in contacts if contact.point in own)
    return count + (1 if room.x_toward_rad is not None else 0)
