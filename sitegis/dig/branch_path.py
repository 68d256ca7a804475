"""The way of a planned branch: from its fixture's place to where a wye can stand on the drain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from ..geometry import polyline
from ..geometry.frames import Array, rotation
from ..late_dataclass import dataclass
from ..model.derived import Entry
from ..model.site import PlannedFixture, Room
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least, smallest
from ..pits.cost import rectangle_rings
from ..place.starts import rigid_fit

OPENING_M = 0.60
CLEAR_OF_BEND_M = 0.45  # room for a wye and its coupling: judgment
CLEAR_OF_WALL_M = 0.60  # no digging beside a footing: judgment


@dataclass(frozen=True, slots=True)
class Branch:
    """A way from a fixture to the drain."""

    path: Array
    entry: Entry
    station_m: float
    length_m: float


def room_pose(survey: Survey, room: Room) -> tuple[Array, float] | None:
    """Return a room's origin (2,) in the lot and the lot angle of its x, as well as it is known.

    From the adjusted outline, else from its recorded place in the building, else from two or
    more points placed in it (least-squares turn and shift); None where none of these is there.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    room
        The room.

    Returns
    -------
    tuple[Array, float] | None
        Origin (2,) in m and lot angle in rad, None where neither is known.
    """
    # from the adjustment, the best known
    outline = survey.placement.room_outlines.get(room.id)
    if outline is not None:
        along = outline[1] - outline[0]
        return outline[0], float(np.arctan2(along[1], along[0]))
    building = survey.site.building
    if room.origin_m is not None and room.x_toward_rad is not None:
        origin = building.vertices[0] + rotation(building.angle_rad) @ np.array(room.origin_m)
        return origin, building.angle_rad + room.x_toward_rad
    placed = {point.id: (point.x_m, point.y_m) for point in survey.placement.points}
    rows = [row for row in survey.site.locates if row.room == room.id and row.id in placed]
    if len(rows) < 2:
        return None
    local, lot = ([(row.x_m, row.y_m) for row in rows], [placed[row.id] for row in rows])
    pose, _ = rigid_fit(np.array(local), np.array(lot))
    return pose[:2], float(pose[2])


def fixture_place(survey: Survey, fixture: PlannedFixture) -> tuple[Array, float] | None:
    """Return a fixture's lot coordinates (2,) and its floor's elevation, None if it has no place.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    fixture
        The planned fixture.

    Returns
    -------
    tuple[Array, float] | None
        Place (2,) and floor elevation in m, None without a place.
    """
    rooms = {room.id: room for room in survey.site.rooms}
    room = rooms.get(fixture.room)
    pose = None if room is None else room_pose(survey, room)
    if room is None or pose is None:
        return None
    xy = pose[0] + rotation(pose[1]) @ np.array([fixture.x_m, fixture.y_m])
    return xy, room.floor_elevation_m


def clear_spans(
    drain: Array, unseen_m: float, closed: Sequence[tuple[float, float]] = ()
) -> list[tuple[float, float]]:
    """Return the station ranges where a wye can stand: clear of the start, bends and the wall.

    ``drain`` (k, 2) is the located part alone; the wall is ``unseen_m`` past its end. No wye
    stands in the ranges ``closed``, those below a stack's base.

    Parameters
    ----------
    drain
        Vertices of the located part (k, 2), m.
    unseen_m
        Length from its end to the wall, m.
    closed
        Station ranges without a wye, m.

    Returns
    -------
    list[tuple[float, float]]
        Station ranges, m.
    """
    along, straight = polyline.stations(drain), np.diff(drain, axis=0)
    angles = np.unwrap(np.arctan2(straight[:, 1], straight[:, 0]))
    # a wye fits where the pipe turns by less than five degrees: judgment
    bends = along[1:-1][np.abs(np.diff(angles)) > np.radians(5.0)]
    edges = [along[0], *bends, along[-1]]
    margins = [CLEAR_OF_BEND_M] * (len(edges) - 1) + [max(CLEAR_OF_WALL_M - unseen_m, 0.0)]
    spans = [(edges[i] + margins[i], edges[i + 1] - margins[i + 1]) for i in range(len(edges) - 1)]
    for start, end in closed:
        spans = [
            part
            for low, high in spans
            # what a closed range leaves of a span: before it and after it
            for part in ((low, min(high, start)), (max(low, end), high))
            if part[0] < part[1]
        ]
    return [(float(low), float(high)) for low, high in spans if low < high]


def best_branch(
    drain: Array, unseen_m: float, fixture: Array, closed: Sequence[tuple[float, float]] = ()
) -> Branch | None:
    """Choose the shortest branch from a fixture (2,) to a drain (k, 2) where a wye can stand.

    ``square``: at the foot of the perpendicular; ``45-degree``: slanting downstream, its end one
    offset past the foot; ``angled``: where neither lands on a clear stretch, straight to the
    nearest clear place (another bend is then needed).

    Parameters
    ----------
    drain
        Vertices of the located part (k, 2), m.
    unseen_m
        Length from its end to the wall, m.
    fixture
        Place of the fixture (2,), m.
    closed
        Station ranges without a wye, m.

    Returns
    -------
    Branch | None
        The branch, None where none fits.
    """
    along = polyline.stations(drain)
    found: list[Branch] = []
    for low, high in clear_spans(drain, unseen_m, closed):
        middle = 0.5 * (low + high)
        # the straight on which this span lies
        index = int(np.clip(np.searchsorted(along, middle) - 1, 0, len(drain) - 2))
        unit = (drain[index + 1] - drain[index]) / (along[index + 1] - along[index])
        foot = along[index] + float((fixture - drain[index]) @ unit)
        # distance square to the drain; a branch at 45° lands as far downstream of the foot
        away = float(np.hypot(*(fixture - drain[index] - (foot - along[index]) * unit)))
        nearest = float(np.clip(foot, low, high))
        offers: list[tuple[Entry, float]] = [("square", foot), ("45-degree", foot + away)]
        clear = [
            (entry, at)
            for entry, at in offers
            if at_least(at, low, MATTERS_M) and at_least(high, at, MATTERS_M)
        ]
        for entry, at in clear or [("angled", nearest)]:
            end = polyline.line_interpolate_point(drain, at)
            length = float(np.hypot(*(end - fixture)))
            found.append(Branch(np.stack([fixture, end]), entry, float(at), length))
    straight_in = [branch for branch in found if branch.entry != "angled"]
    offered = straight_in or found
    if not offered:
        return None
    # of equal ones the square one, then the one upstream
    return offered[smallest([branch.length_m for branch in offered], MATTERS_M)]


def slab_opening(path: Array) -> shapely.Polygon:
    """Return what is cut from the slab: a path (2, 2) with 0.3 m to each side and past each end."""
    step = path[-1] - path[0]
    size = np.array([[float(np.hypot(*step)) + OPENING_M, OPENING_M]])
    center, angle = 0.5 * (path[0] + path[-1])[None], np.arctan2(step[1:], step[:1])
    return shapely.Polygon(rectangle_rings(center, angle, size)[0])
