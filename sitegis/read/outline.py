"""The lot's outline from four sides or from the calls of a deed."""

from __future__ import annotations

import math

import numpy as np

from ..geometry.frames import Array, rotation, wrap_degrees
from ..geometry.georeference import convergence_deg
from ..geometry.traverse import (
    Course,
    Traverse,
    closure_fault,
    curve_course,
    densify,
    run_traverse,
    straight_course,
)
from ..late_dataclass import dataclass
from ..model.site import Side
from .context import Reading
from .rings import (
    begin_at,
    edge_vectors,
    front_direction,
    front_left_index,
    is_simple,
    name_edges,
    signed_area,
)
from .schema import Call, Sides


@dataclass(frozen=True, slots=True)
class Outline:
    """A lot in its own lot frame, with the azimuth of lot x where the calls tell it.

    ``area_m2`` is given where it is known better than from the chords of its arcs.
    """

    ring: Array
    sides: tuple[Side, ...]
    x_azimuth_deg: float | None = None
    closure_m: float | None = None
    closure_ratio: float | None = None
    area_m2: float | None = None


def fault_not_simple(reading: Reading, key: str, value: object) -> None:
    """Gather the fault of a lot that encloses nothing.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    key
        Dotted key of ``site.toml``.
    value
        What stands there.
    """
    reading.report.fault("lot-not-simple", key, value)


def outline_from_sides(reading: Reading, sides: Sides) -> Outline | None:
    """Solve four lengths with a right angle at the front-left corner.

    The rear-right corner is where the circles about front-right (right side) and rear-left
    (rear side) meet, on the side away from the front-left corner.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    sides
        Lengths of the four sides, m.

    Returns
    -------
    Outline | None
        The outline, None with the fault gathered.
    """
    front_right, rear_left = np.array([sides.front, 0.0]), np.array([0.0, sides.left])
    # two circles meet in two points: along the line of their centers, and square to it
    across = rear_left - front_right
    diagonal = float(np.hypot(*across))
    along = (sides.right**2 - sides.rear**2 + diagonal**2) / (2.0 * diagonal)
    height_squared = sides.right**2 - along**2
    if height_squared <= 0.0:
        reading.report.fault("lot-does-not-close:sides", "lot.sides", None)
        return None
    unit = across / diagonal
    # to the right of the way from front-right to rear-left: away from the front-left corner
    away = np.array([unit[1], -unit[0]])
    rear_right = front_right + along * unit + math.sqrt(height_squared) * away
    ring = np.array([[0.0, 0.0], front_right, rear_right, rear_left])
    if not is_simple(ring) or signed_area(ring) <= 0:
        fault_not_simple(reading, "lot.sides", None)
        return None
    uneven = max(abs(sides.front - sides.rear), abs(sides.left - sides.right))
    # half a foot: judgment; a rectangle that nobody squared is worth a word
    if uneven > 0.15:
        reading.report.note("right-angle-assumed", "lot.sides")
    return Outline(ring, ("front", "right", "rear", "left"))


def outline_from_calls(reading: Reading) -> Outline | None:
    """Run the deed's calls, close them by the compass rule and turn them onto the front line."""
    calls = reading.file.lot.calls or ()
    courses = _courses(reading, calls)
    if courses is None:
        return None
    try:
        traverse = run_traverse(courses)
    except ValueError as error:
        reading.report.fault("call-unfit:calls", "lot.calls", None, error=error)
        return None
    reason = closure_fault(traverse)
    if reason:
        reading.report.fault("lot-does-not-close", "lot.calls", None, reason=reason)
        return None
    points, owners = densify(traverse)
    if not is_simple(points):
        fault_not_simple(reading, "lot.calls", None)
        return None
    if signed_area(points) < 0:
        reading.report.fault("calls-clockwise", "lot.calls", None)
        return None
    return _turned(calls, traverse, points, owners)


def _turned(
    calls: tuple[Call, ...], traverse: Traverse, points: Array, owners: tuple[int, ...]
) -> Outline:
    """Name the sides and turn the boundary so that the front line is lot x."""
    # with the first call as the front, as deeds mostly begin
    first = edge_vectors(points)[0]
    guessed = name_edges(points, x_angle_rad=math.atan2(first[1], first[0]))
    sides: tuple[Side, ...] = tuple(
        calls[owner].side or side for owner, side in zip(owners, guessed, strict=True)
    )
    # sides typed for some calls only, and the front not among them
    if "front" not in sides:
        sides = guessed
    along = front_direction(points, sides)
    start = front_left_index(sides, points)
    ring = begin_at(points, start)
    sides = sides[start:] + sides[:start]
    # into the lot's own axes: turned back by the front line's lot angle
    ring = (ring - ring[0]) @ rotation(math.atan2(along[1], along[0]))
    azimuth_deg = wrap_degrees(math.degrees(math.atan2(along[0], along[1])))
    ratio = traverse.ratio if math.isfinite(traverse.ratio) else None
    return Outline(ring, sides, azimuth_deg, traverse.closure_m, ratio, traverse.area_m2)


def _courses(reading: Reading, calls: tuple[Call, ...]) -> list[Course] | None:
    """Turn calls into courses with grid azimuths; None with the faults gathered."""
    table, report = reading.file.lot, reading.report
    to_grid_deg = 0.0
    if any(
        bearing and bearing[1] for call in calls for bearing in (call.bearing, call.chord_bearing)
    ):
        if table.declination is None:
            report.fault("declination-missing", "lot.declination", None)
            return None
        # magnetic to true by the declination, true to grid by the convergence
        to_grid_deg = table.declination - _convergence_deg(reading)
    else:
        report.note("bearings-as-grid", "lot.calls")
    courses: list[Course] = []
    faulty = False
    for number, call in enumerate(calls, start=1):
        try:
            courses.append(_course(call, courses[-1] if courses else None, to_grid_deg))
        except ValueError as error:
            faulty = True
            report.fault("call-unfit", f"lot.calls[{number}]", None, error=error)
    return None if faulty else courses


def _course(call: Call, before: Course | None, to_grid_deg: float) -> Course:
    """Make one course; a curve without chord bearing runs on from the one before."""

    def grid(bearing: tuple[float, bool]) -> float:
        return bearing[0] + (to_grid_deg if bearing[1] else 0.0)

    if call.radius is None:
        if call.bearing is None or call.distance is None:
            raise ValueError("a straight call needs bearing and distance")
        if call.arc or call.turn or call.chord_bearing:
            raise ValueError("a curve needs its radius")
        return straight_course(grid(call.bearing), call.distance)
    if call.turn is None or call.bearing is not None:
        raise ValueError('a curve needs turn = "left" or "right", and no bearing')
    if call.chord_bearing is None and before is None:
        raise ValueError("a curve at the beginning needs chord_bearing")
    return curve_course(
        call.radius,
        call.turn,
        arc_m=call.arc,
        chord_m=call.distance,
        chord_azimuth_deg=None if call.chord_bearing is None else grid(call.chord_bearing),
        tangent_in_azimuth_deg=None
        if call.chord_bearing is not None or before is None
        # a curve without a bearing of its own goes on as the course before it ends
        else before.tangent_out_deg,
    )


def _convergence_deg(reading: Reading) -> float:
    """Return true minus grid azimuth at the lot; 0 where the lot's place is not given."""
    table = reading.file.lot
    if table.longitude is None or table.latitude is None:
        return 0.0
    return convergence_deg(reading.crs_text, table.longitude, table.latitude)
