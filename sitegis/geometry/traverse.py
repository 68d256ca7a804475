"""Metes and bounds: courses and circular curves to a closed, adjusted boundary.

Coordinates here are (east, north) meters from the point of beginning, in whatever north the
azimuths are given from. Straight courses and the chords of curves are adjusted by the compass
(Bowditch) rule; an adjusted curve keeps its central angle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from ..late_dataclass import dataclass
from .frames import Array, rotation, wrap_degrees

Turn = Literal["left", "right"]

# judgment, no source, all three; the last is what two statements of one curve may differ by
LEAST_CLOSURE_RATIO = 3000.0
MOST_CLOSURE_M = 0.1
CURVE_AGREEMENT_M = 0.03


@dataclass(frozen=True, slots=True)
class Course:
    """One course of a boundary: a straight line, or an arc given by its chord.

    ``azimuth_deg`` and ``chord_m`` are of the line or of the arc's chord.
    ``central_angle_rad`` is 0 for a line, positive for an arc that turns left (its center is to
    the left of travel) and negative for one that turns right.
    """

    azimuth_deg: float
    chord_m: float
    central_angle_rad: float = 0.0

    @property
    def radius_m(self) -> float:
        """Radius of the arc, infinite for a line."""
        if self.central_angle_rad == 0.0:
            return math.inf
        return self.chord_m / (2.0 * math.sin(abs(self.central_angle_rad) / 2.0))

    @property
    def length_m(self) -> float:
        """Length along the line or the arc."""
        if self.central_angle_rad == 0.0:
            return self.chord_m
        return self.radius_m * abs(self.central_angle_rad)

    @property
    def tangent_in_deg(self) -> float:
        """Azimuth of travel at the start of the course."""
        return wrap_degrees(self.azimuth_deg + math.degrees(self.central_angle_rad) / 2.0)

    @property
    def tangent_out_deg(self) -> float:
        """Azimuth of travel at the end of the course; a tangent curve after it starts so."""
        return wrap_degrees(self.azimuth_deg - math.degrees(self.central_angle_rad) / 2.0)


def straight_course(azimuth_deg: float, distance_m: float) -> Course:
    """Make a straight course; ``ValueError`` where a number is not finite or the length not > 0.

    Parameters
    ----------
    azimuth_deg
        Direction, degrees clockwise from north.
    distance_m
        Length, m.

    Returns
    -------
    Course
        The course.

    Raises
    ------
    ValueError
        A number is not finite or the length not positive.
    """
    if not math.isfinite(azimuth_deg):
        raise ValueError("the bearing of a course is not a finite number")
    _positive(distance_m, "the length of a course")
    return Course(wrap_degrees(azimuth_deg), distance_m)


def curve_course(
    radius_m: float,
    turn: Turn,
    *,
    arc_m: float | None = None,
    chord_m: float | None = None,
    central_angle_deg: float | None = None,
    chord_azimuth_deg: float | None = None,
    tangent_in_azimuth_deg: float | None = None,
) -> Course:
    """Make a circular curve from its radius, one measure of its extent and one direction.

    Extent: arc = R·Δ, chord = 2·R·sin(Δ/2) (taken as the shorter arc) or central angle Δ.
    Direction: azimuth of the chord, or of the tangent where the curve begins (chord azimuth =
    tangent azimuth ± Δ/2, plus for a right turn). Where more than one extent or direction is
    given they must agree within 0.03 m (judgment) along the curve. Raises ``ValueError``.

    Parameters
    ----------
    radius_m
        Radius R, m.
    turn
        To which side the curve turns.
    arc_m
        Length along the arc, m; None where it is not given.
    chord_m
        Length of the chord, m; None where it is not given.
    central_angle_deg
        Central angle Δ, degrees; None where it is not given.
    chord_azimuth_deg
        Azimuth of the chord, degrees; None where it is not given.
    tangent_in_azimuth_deg
        Azimuth of the tangent at the start, degrees; None where it is not given.

    Returns
    -------
    Course
        The course.

    Raises
    ------
    ValueError
        Too little is given, or what is given does not agree.
    """
    _positive(radius_m, "the radius of a curve")
    if turn not in ("left", "right"):
        raise ValueError(f"a curve turns left or right, not {turn!r}")
    angle = _central_angle(radius_m, arc_m, chord_m, central_angle_deg)
    signed = angle if turn == "left" else -angle
    chord = 2.0 * radius_m * math.sin(angle / 2.0)
    directions = [] if chord_azimuth_deg is None else [chord_azimuth_deg]
    if tangent_in_azimuth_deg is not None:
        # azimuths run clockwise, so that half of a turn to the left is taken off
        directions.append(tangent_in_azimuth_deg - math.degrees(signed) / 2.0)
    if not directions or not all(math.isfinite(value) for value in directions):
        raise ValueError("a curve needs the bearing of its chord or of the tangent it begins on")
    # into (−180, 180]
    difference = (directions[-1] - directions[0] + 180.0) % 360.0 - 180.0
    # an angle matters by what it moves the far end of the chord
    if math.radians(abs(difference)) * chord > CURVE_AGREEMENT_M:
        raise ValueError("the chord bearing and the tangent bearing of a curve do not agree")
    return Course(wrap_degrees(directions[0]), chord, signed)


def _positive(value: float, what: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"{what} must be more than 0, not {value:g}")


def _central_angle(
    radius_m: float, arc_m: float | None, chord_m: float | None, central_angle_deg: float | None
) -> float:
    """Return the central angle in radians from what is given, checked against each other."""
    angles = []
    if arc_m is not None:
        _positive(arc_m, "the arc of a curve")
        angles.append(arc_m / radius_m)
    if central_angle_deg is not None:
        _positive(central_angle_deg, "the central angle of a curve")
        angles.append(math.radians(central_angle_deg))
    if chord_m is not None:
        _positive(chord_m, "the chord of a curve")
        if chord_m > 2.0 * radius_m:
            raise ValueError("the chord of a curve is longer than twice its radius")
    if not angles:
        if chord_m is None:
            raise ValueError("a curve needs its arc, its chord or its central angle")
        return 2.0 * math.asin(chord_m / (2.0 * radius_m))
    angle = angles[0]
    if angle >= 2.0 * math.pi:
        raise ValueError("a curve goes all the way round")
    # A chord is compared as a chord: near half a circle it hardly changes with the angle.
    gap = 0.0 if chord_m is None else abs(2.0 * radius_m * math.sin(angle / 2.0) - chord_m)
    if max(gap, abs(angles[-1] - angle) * radius_m) > CURVE_AGREEMENT_M:
        raise ValueError("the arc, chord and central angle of a curve do not agree")
    return angle


@dataclass(frozen=True, slots=True)
class Traverse:
    """A boundary run through its courses and adjusted by the compass rule.

    ``unadjusted`` (n + 1, 2): from (0, 0) to where the calls end. ``closure`` (2,): end minus
    start (east, north). ``vertices`` (n, 2): adjusted corners, not repeated at the end.
    ``courses`` as called, ``adjusted`` after adjustment. ``perimeter_m`` is along the called
    courses, arcs included. ``ratio`` is perimeter / closure, infinite for a perfect closure.
    ``area_m2`` is signed: positive where the calls run counter-clockwise.
    """

    courses: tuple[Course, ...]
    unadjusted: Array
    closure: Array
    vertices: Array
    adjusted: tuple[Course, ...]
    perimeter_m: float
    area_m2: float

    @property
    def closure_m(self) -> float:
        """Length of the closure."""
        return float(np.hypot(*self.closure))

    @property
    def ratio(self) -> float:
        """Perimeter over closure: 15 200 is called 1:15 200."""
        return math.inf if self.closure_m == 0.0 else self.perimeter_m / self.closure_m


def _course_vectors(courses: Sequence[Course]) -> Array:
    """Return the chords as (n, 2) departures and latitudes (east, north)."""
    azimuth = np.radians([course.azimuth_deg for course in courses])
    chord = np.array([course.chord_m for course in courses])
    return np.stack([chord * np.sin(azimuth), chord * np.cos(azimuth)], axis=-1)


def run_traverse(courses: Sequence[Course]) -> Traverse:
    """Run the courses from (0, 0) and close them by the compass rule.

    Each chord is corrected by −closure · chord / Σ chord (Bowditch). Area is that of the
    adjusted corners by the surveyor's formula, plus or minus the exact circular segments
    ½·R²·(Δ − sin Δ). Raises ``ValueError`` for fewer than two courses, or two straight ones.
    """
    if len(courses) < 2 or (len(courses) == 2 and not any(c.central_angle_rad for c in courses)):
        raise ValueError("a boundary needs at least three courses (or two with a curve)")
    vectors = _course_vectors(courses)
    unadjusted = np.vstack([np.zeros(2), np.cumsum(vectors, axis=0)])
    closure = unadjusted[-1]
    chords = np.hypot(vectors[:, 0], vectors[:, 1])
    # long courses take more of the misclosure, as they gather more of the error
    corrected = vectors - closure * (chords / chords.sum())[:, None]
    # the last step ends at the start again: not listed twice
    vertices = np.vstack([np.zeros(2), np.cumsum(corrected, axis=0)[:-1]])
    adjusted = tuple(
        Course(
            wrap_degrees(math.degrees(math.atan2(east, north))),
            math.hypot(east, north),
            # an adjusted chord with the called angle: the radius takes up the change
            course.central_angle_rad,
        )
        for course, (east, north) in zip(courses, corrected.tolist(), strict=True)
    )
    area = polygon_area_m2(vertices) + sum(_segment_area_m2(course) for course in adjusted)
    perimeter = sum(course.length_m for course in courses)
    return Traverse(tuple(courses), unadjusted, closure, vertices, adjusted, perimeter, area)


def polygon_area_m2(vertices: Array) -> float:
    """Return the signed area of a ring (n, 2), positive counter-clockwise (surveyor's formula)."""
    # about the first vertex: products of grid coordinates would lose the digits that matter
    x, y = (vertices - vertices[0]).T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def _segment_area_m2(course: Course) -> float:
    """Return the signed area between arc and chord: an arc to the left adds to a ring run left."""
    if course.central_angle_rad == 0.0:
        return 0.0
    angle = course.central_angle_rad
    return 0.5 * course.radius_m**2 * (angle - math.sin(angle))


def densify(traverse: Traverse, *, most_sagitta_m: float = 0.005) -> tuple[Array, tuple[int, ...]]:
    """Return the boundary as a ring of chords (n, 2), and for each edge the index of its course.

    The ring is unclosed, in meters east and north of the first corner. Arcs are cut into equal
    chords that depart from the arc by at most ``most_sagitta_m`` (sagitta = R·(1 − cos(δ/2))),
    so the ring's area differs slightly from ``area_m2``.

    Parameters
    ----------
    traverse
        The closed boundary.
    most_sagitta_m
        Greatest departure of a chord from its arc, m.

    Returns
    -------
    ring
        Corners (n, 2), m.
    course
        Index of the course of each edge (n,).
    """
    points: list[Array] = []
    owners: list[int] = []
    for index, (start, course) in enumerate(zip(traverse.vertices, traverse.adjusted, strict=True)):
        inner = _arc_points(start, course, most_sagitta_m)
        points.extend([start[None, :], inner])
        owners.extend([index] * (1 + len(inner)))
    return np.vstack(points), tuple(owners)


def _arc_points(start: Array, course: Course, most_sagitta_m: float) -> Array:
    """Return the points strictly inside an arc (k, 2), none for a line."""
    if course.central_angle_rad == 0.0:
        return np.empty((0, 2))
    # an arc smaller than the sagitta allowed is one chord
    cosine = max(-1.0, 1.0 - most_sagitta_m / course.radius_m)
    count = math.ceil(abs(course.central_angle_rad) / (2.0 * math.acos(cosine)))
    side = math.copysign(1.0, course.central_angle_rad)
    # azimuth to mathematical angle
    ahead = math.radians(90.0 - course.tangent_in_deg)
    to_center = side * course.radius_m * np.array([-math.sin(ahead), math.cos(ahead)])
    # spokes strictly between start and end, which are corners of the ring already
    angles = course.central_angle_rad * np.arange(1, count) / count
    spokes = [rotation(float(angle)) @ -to_center for angle in angles]
    return np.array(spokes).reshape(-1, 2) + start + to_center


def closure_fault(
    traverse: Traverse,
    *,
    least_ratio: float = LEAST_CLOSURE_RATIO,
    most_closure_m: float = MOST_CLOSURE_M,
) -> str | None:
    """Return why a boundary must be refused, None where it closes well enough.

    It is refused where the closure is past both limits: longer than ``most_closure_m`` and
    worse than 1:``least_ratio``. Both limits are judgment, no source: a short boundary with
    bearings to the minute may miss 1:3000 by centimeters that no pit would notice.

    Parameters
    ----------
    traverse
        The boundary with its misclosure.
    least_ratio
        A closure better than 1 to this passes.
    most_closure_m
        A closure shorter than this passes, m.

    Returns
    -------
    str | None
        The reason, None where it passes.
    """
    if traverse.closure_m <= most_closure_m or traverse.ratio >= least_ratio:
        return None
    return (
        f"the calls do not close: misclosure {traverse.closure_m:.3f} m from the start after "
        f"{traverse.perimeter_m:.2f} m (1:{traverse.ratio:.0f}; allowed {most_closure_m:g} m "
        f"or 1:{least_ratio:.0f}): look for a wrong bearing, distance or turn"
    )
