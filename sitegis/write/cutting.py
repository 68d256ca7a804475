"""Where the slab is cut for a planned branch, as offsets from two walls of the fixture's room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..dig.branch_path import OPENING_M, room_pose
from ..geometry.frames import Array, rotation
from ..late_dataclass import dataclass
from ..model.branches import drain_of
from ..model.derived import TieIn
from ..model.results import PlacedPoint
from ..model.site import Room
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, smallest
from ..numerics.statistics import NORMAL_95, ellipse
from ..place.crew import tape_square
from ..units import about

QUARTERS = ("right", "rear", "left", "front")  # walls by their outward normal, from building x


@dataclass(frozen=True, slots=True)
class RoomFrame:
    """A room to measure in: pose in the lot, and the walls that x and y are measured from."""

    room: Room
    origin: Array
    angle_rad: float
    x_wall: str
    y_wall: str

    @property
    def name(self) -> str:
        """Name of the room."""
        return self.room.name or self.room.id

    @property
    def corner(self) -> str:
        """Name of the origin in words."""
        walls = sorted((self.x_wall, self.y_wall), key=lambda wall: wall in ("left", "right"))
        return f"the inside {'-'.join(walls)} corner of {self.name}"

    def local(self, xy: Array) -> Array:
        """Take lot points (..., 2) to the room's x and y."""
        return np.asarray((xy - self.origin) @ rotation(self.angle_rad))


def room_frame(survey: Survey, one: TieIn) -> RoomFrame | None:
    """Return the room of a planned fixture, None where its place is not known.

    A wall is named by the side of the building that it faces, to the nearest quarter turn.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    RoomFrame | None
        The room, None where its place is not known.
    """
    fixture = next(f for f in survey.site.fixtures if f.id == one.fixture)
    room = next(r for r in survey.site.rooms if r.id == fixture.room)
    pose = room_pose(survey, room)
    if pose is None:
        return None
    # by whole quarters: the walls of a room are the house's but for how it was built
    turned = round(np.degrees(pose[1] - survey.site.building.angle_rad) / 90.0)
    return RoomFrame(room, *pose, QUARTERS[(turned + 2) % 4], QUARTERS[(turned + 3) % 4])


def pipe_joined(survey: Survey, one: TieIn) -> Survey:
    """Return the survey with the pipe that a fixture joins, the drain or a branch, as its drain.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    Survey
        The survey with that pipe as its drain.
    """
    if not one.joins or survey.joined is None:
        return survey
    return replace(
        survey, fitted=drain_of(next(b for b in survey.joined.branches if b.id == one.joins))
    )


def nearest_point_sd_m(survey: Survey, one: TieIn, frame: RoomFrame | None) -> float:
    """Return the larger sd of the mark nearest to a tie-in, within its room where it has one.

    In the room that the mark was taped in the place of room and house cancels: what is left is
    the tape and the locator with the session's common shift. Else it is that in the lot.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.
    frame
        The room, None where its place is not known.

    Returns
    -------
    float
        Standard deviation, m.
    """
    point = _nearest(survey, one)
    if frame is None or point.room != frame.room.id:
        return point.sd_major_m
    i, placement = survey.placement.index(point.id), survey.placement
    block = slice(2 * i, 2 * i + 2)
    row = next(row for row in survey.site.locates if row.id == point.id)
    taped = np.array([survey.site.noise.tape_sd_m(value) ** 2 for value in (row.x_m, row.y_m)])
    if placement.tape is not None:
        taped *= tape_square(placement.tape)
    # what is not tape, house and room
    receiver = (placement.covariance_m2 - placement.mark_covariance_m2)[block, block]
    # the tape's errors lie along the room's axes: turned into the lot
    turn = rotation(frame.angle_rad)
    return min(ellipse(receiver + turn @ np.diag(taped) @ turn.T)[0], point.sd_major_m)


def _nearest(survey: Survey, one: TieIn) -> PlacedPoint:
    """Return the mark nearest to a tie-in, of equally near ones the first."""
    ids = pipe_joined(survey, one).drain.point_ids
    points = [p for p in survey.placement.points if p.id in ids]
    away = [float(np.hypot(p.x_m - one.x_m, p.y_m - one.y_m)) for p in points]
    return points[smallest(away, MATTERS_M)]


def tie_in_place(survey: Survey, one: TieIn, *, short: bool = False) -> str:
    """Say where to tie in: in the fixture's own room where its place is known.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.
    short
        Whether a few words do.

    Returns
    -------
    str
        The phrase.
    """
    unit, frame = survey.site.units, room_frame(survey, one)
    pipe = f"the branch {one.joins}" if one.joins else "the drain"
    along = f"{about(one.station_m, unit)} along {pipe} from its first locate point"
    if frame is None:
        return along
    x, y = (float(value) for value in frame.local(np.array([one.x_m, one.y_m])))
    place = f"x {about(x, unit)}, y {about(y, unit)} in {frame.name}"
    within = "those walls" if _nearest(survey, one).room == frame.room.id else "the lot"
    spread = f"{about(NORMAL_95 * nearest_point_sd_m(survey, one, frame), unit)} either way, 95 %"
    if short:
        return f"{place} ({spread})"
    walls = f"from the {frame.x_wall} and the {frame.y_wall} wall"
    return f"{place}, {walls} ({along}; {spread}, relative to {within})"


def opening_places(survey: Survey, one: TieIn) -> list[tuple[str, str]]:
    """Say where the slab is opened: length × width, its corners, and what is broken out first.

    The first window is at the wye, along the branch as wide as what the drain's place is not
    known by (95 % either way) and the pipe: judgment.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    list[tuple[str, str]]
        Names and phrases.
    """
    unit, frame = survey.site.units, room_frame(survey, one)
    sides = np.hypot(*(np.roll(one.opening, -1, axis=0) - one.opening).T)
    size = f"{about(float(sides.max()), unit)} × {about(float(sides.min()), unit)}"
    spread_m = NORMAL_95 * nearest_point_sd_m(survey, one, frame)
    # as wide as the drain's place is not known, and the pipe itself
    window_m = max(OPENING_M, 2.0 * spread_m + survey.site.drain_diameter_m)
    first = (
        f"{about(window_m, unit)} across the drain × {about(OPENING_M, unit)} along it at the "
        "tie-in, to see the drain and measure its invert; cut the rest after that"
    )
    if frame is None:
        return [("Opening", size), ("Break out here first", first)]
    corners = "; ".join(
        f"{about(float(x), unit)} and {about(float(y), unit)}" for x, y in frame.local(one.opening)
    )
    text = f"{size}; corners from the {frame.x_wall} and the {frame.y_wall} wall, that is from "
    return [("Opening", f"{text}{frame.corner}: {corners}"), ("Break out here first", first)]
