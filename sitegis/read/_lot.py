"""The lot and its frame: from a layer, from four sides, or from the calls of a deed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from .._frames import Array, LotFrame, rotation, wrap_degrees
from .._site import Lot, Side
from .._traverse import (
    Course,
    Traverse,
    closure_fault,
    curve_course,
    densify,
    run_traverse,
    straight_course,
)
from ._context import Reading, ring_of
from ._frame import from_lonlat, grid_factors, make_frame, metres_per_unit
from ._report import guess
from ._rings import (
    begin_at,
    clean_ring,
    corner_points,
    edge_vectors,
    front_direction,
    front_left_index,
    is_simple,
    name_edges,
    signed_area,
)
from ._schema import Call, LotTable, Sides, StreetTable

SIMPLIFY_M = 0.02
LARGEST_M = 5000.0
# Standard deviations of a lot corner: judgement, no source.
CORNER_SD_M = {"layer": 0.30, "sides": 0.15, "calls": 0.05}


@dataclass(frozen=True, slots=True)
class _Outline:
    """A lot in its own lot frame, with the azimuth of lot x where the calls tell it."""

    ring: Array
    sides: tuple[Side, ...]
    x_azimuth_deg: float | None = None
    closure_m: float | None = None
    closure_ratio: float | None = None


def make_lot(reading: Reading) -> tuple[Lot, LotFrame] | None:
    """Make the lot, or None with the faults gathered."""
    table, report = reading.file.lot, reading.report
    given = [n for n in ("layer", "sides", "calls") if getattr(table, n) is not None]
    if len(given) != 1:
        report.site("lot-source", "lot", None,
                    "The lot must be given in one way." if given else "The lot is not given.",
                    "write exactly one of layer (with id_field and id), sides, or calls.")  # fmt: skip
        return None
    if table.layer is not None:
        return _from_layer(reading)
    if table.longitude is None or table.latitude is None:
        missing = "longitude" if table.longitude is None else "latitude"
        report.site("key-missing", f"lot.{missing}", None,
                    "A lot without a layer needs the place of one corner.",
                    "write longitude and latitude of a lot corner, from a map or a phone.")  # fmt: skip
    outline = _from_sides(reading, table.sides) if table.sides else _from_calls(reading)
    if outline is None or table.longitude is None or table.latitude is None:
        return None
    return _tie_to_grid(reading, outline, given[0])


# ------------------------------------------------------------------------------- from a layer


def _from_layer(reading: Reading) -> tuple[Lot, LotFrame] | None:
    """Read the parcel, find its front, and begin at its front-left corner."""
    table = reading.file.lot
    shape = reading.grid_shape(table, "lot", wanted="area", identifier=table.id)
    if shape is None:
        return None
    raw = ring_of(shape)
    if not is_simple(raw):
        _not_simple(reading, "lot.id", table.id)
        return None
    grid = clean_ring(raw, tolerance_m=SIMPLIFY_M)
    facing = _front_facing(reading, grid)
    if facing is None:
        return None
    for _ in range(2):
        x_angle = math.atan2(facing[0], -facing[1])
        sides = name_edges(grid, x_angle_rad=x_angle)
        if "front" not in sides:
            reading.report.site("front-unknown", "lot", None, "No lot line faces the front.",
                                "write lot.front_azimuth (front-left to front-right).")  # fmt: skip
            return None
        along = front_direction(grid, sides)
        facing = np.array([along[1], -along[0]])
    sides = name_edges(grid, x_angle_rad=math.atan2(along[1], along[0]))
    first = front_left_index(sides, grid)
    grid = begin_at(grid, first)
    sides = sides[first:] + sides[:first]
    unit_m, _ = metres_per_unit(reading.crs)
    frame = make_frame(
        reading.crs, grid[0] / unit_m, at_lot=np.zeros(2),
        x_azimuth_deg=wrap_degrees(math.degrees(math.atan2(along[0], along[1]))),
        elevation_m=reading.file.site.elevation_above_sea or 0.0,
    )  # fmt: skip
    ring = np.asarray(frame.from_grid_m(grid))
    sd_m = table.corner_sd or CORNER_SD_M["layer"]
    return Lot(ring, sides, signed_area(ring), sd_m, source="layer"), frame


def _not_simple(reading: Reading, key: str, value: object) -> None:
    reading.report.site("lot-not-simple", key, value,
                        "The lot crosses itself or has no area.",
                        "check the order of the corners; export the parcel again.")  # fmt: skip


def _front_facing(reading: Reading, grid: Array) -> Array | None:
    """Give the unit vector in the grid from the lot toward its front street."""
    table = reading.file.lot
    azimuth_deg = table.front_azimuth if table.front_azimuth is not None else table.front
    if azimuth_deg is not None:
        toward = math.radians(azimuth_deg + 90.0)
        return np.array([math.sin(toward), math.cos(toward)])
    street = _front_street(reading)
    if street is None:
        return None
    number = reading.file.street.index(street) + 1
    shape = _street_shape(reading, street, number)
    if shape is None:
        reading.report.site(
            "front-unknown", "lot.front_street", street.name,
            "It is not known where this street lies: neither it nor a main in it has a layer.",
            "write lot.front_azimuth: the bearing of the front line, front-left to front-right "
            "as seen from the street.",
        )  # fmt: skip
        return None
    edges = edge_vectors(grid)
    distances = shapely.distance(shapely.points(grid + edges / 2.0), shape)
    nearest = edges[int(np.argmin(distances))]
    normal = np.array([nearest[1], -nearest[0]])
    return np.asarray(normal / np.hypot(*normal))


def _front_street(reading: Reading) -> StreetTable | None:
    """Give the street that the lot fronts, or None with the fault gathered."""
    wanted, streets = reading.file.lot.front_street, reading.file.street
    report = reading.report
    if wanted is not None:
        for street in streets:
            if street.name == wanted:
                if street.side != "front":
                    report.site("front-unknown", "lot.front_street", wanted,
                                f"This street is on side {street.side!r} of the lot.",
                                "let front_street name the street whose side is \"front\".")  # fmt: skip
                    return None
                return street
        if wanted not in report.broken_names:
            report.site("street-unknown", "lot.front_street", wanted, "There is no such [[street]].",
                        guess(wanted, (s.name for s in streets)))  # fmt: skip
        return None
    fronts = [street for street in streets if street.side == "front"]
    if len(fronts) == 1:
        return fronts[0]
    report.site("front-unknown", "lot.front_street", None,
                "It is not said which street the lot fronts.",
                "write lot.front_street (the name of a [[street]]) or lot.front_azimuth.")  # fmt: skip
    return None


def _street_shape(reading: Reading, street: StreetTable, number: int) -> BaseGeometry | None:
    """Give a street's own shape in the grid, else that of a main that lies in it."""
    if street.layer is not None:
        return reading.grid_shape(
            street, f"street[{number}]", wanted="area or line", identifier=street.id
        )
    for place, main in enumerate(reading.file.main, start=1):
        if main.street == street.name and main.layer is not None:
            return reading.grid_shape(
                main, f"main[{place}]", wanted="line", identifier=main.feature or main.id
            )
    return None


# -------------------------------------------------------------------- from sides and from calls


def _from_sides(reading: Reading, sides: Sides) -> _Outline | None:
    """Solve four lengths with a right angle at the front-left corner.

    The rear-right corner is where the circles about front-right (right side) and rear-left
    (rear side) meet, on the side away from the front-left corner.
    """
    front_right, rear_left = np.array([sides.front, 0.0]), np.array([0.0, sides.left])
    across = rear_left - front_right
    diagonal = float(np.hypot(*across))
    along = (sides.right**2 - sides.rear**2 + diagonal**2) / (2.0 * diagonal)
    height_squared = sides.right**2 - along**2
    if height_squared <= 0.0:
        reading.report.site(
            "lot-does-not-close", "lot.sides", None,
            "With a right angle at the front-left corner these four sides do not meet.",
            "check the four lengths, or give the deed's calls.",
        )  # fmt: skip
        return None
    unit = across / diagonal
    away = np.array([unit[1], -unit[0]])
    rear_right = front_right + along * unit + math.sqrt(height_squared) * away
    ring = np.array([[0.0, 0.0], front_right, rear_right, rear_left])
    if not is_simple(ring) or signed_area(ring) <= 0:
        _not_simple(reading, "lot.sides", None)
        return None
    uneven = max(abs(sides.front - sides.rear), abs(sides.left - sides.right))
    if uneven > 0.15:
        reading.report.note(
            "right-angle-assumed",
            "The lot's opposite sides differ; its front-left corner is taken as a right angle.",
            "lot.sides", needs_person=False,
        )  # fmt: skip
    return _Outline(ring, ("front", "right", "rear", "left"))


def _from_calls(reading: Reading) -> _Outline | None:
    """Run the deed's calls, close them by the compass rule and turn them onto the front line."""
    calls = reading.file.lot.calls or ()
    courses = _courses(reading, calls)
    if courses is None:
        return None
    try:
        traverse = run_traverse(courses)
    except ValueError as error:
        reading.report.site("call-unfit", "lot.calls", None, f"{error}.", "check the calls.")
        return None
    reason = closure_fault(traverse)
    if reason:
        reading.report.site("lot-does-not-close", "lot.calls", None, f"{reason}.",
                            "compare every call with the deed.")  # fmt: skip
        return None
    points, owners = densify(traverse)
    if not is_simple(points):
        _not_simple(reading, "lot.calls", None)
        return None
    if signed_area(points) < 0:
        reading.report.site(
            "calls-clockwise", "lot.calls", None,
            "The calls run clockwise, or do not begin with the front line.",
            "begin at the front-left corner, along the front line, and go on counter-clockwise "
            "(right side next); turn each bearing about (N 10 E becomes S 10 W) where the deed "
            "runs the other way.",
        )  # fmt: skip
        return None
    return _turned(calls, traverse, points, owners)


def _turned(
    calls: tuple[Call, ...], traverse: Traverse, points: Array, owners: tuple[int, ...]
) -> _Outline:
    """Name the sides and turn the boundary so that the front line is lot x."""
    first = edge_vectors(points)[0]
    guessed = name_edges(points, x_angle_rad=math.atan2(first[1], first[0]))
    sides: tuple[Side, ...] = tuple(
        calls[owner].side or side for owner, side in zip(owners, guessed, strict=True)
    )
    if "front" not in sides:
        sides = guessed
    along = front_direction(points, sides)
    start = front_left_index(sides, points)
    ring = begin_at(points, start)
    sides = sides[start:] + sides[:start]
    ring = (ring - ring[0]) @ rotation(math.atan2(along[1], along[0]))
    azimuth_deg = wrap_degrees(math.degrees(math.atan2(along[0], along[1])))
    ratio = traverse.ratio if math.isfinite(traverse.ratio) else None
    return _Outline(ring, sides, azimuth_deg, traverse.closure_m, ratio)


def _courses(reading: Reading, calls: tuple[Call, ...]) -> list[Course] | None:
    """Turn calls into courses with grid azimuths; None with the faults gathered."""
    table, report = reading.file.lot, reading.report
    to_grid_deg = 0.0
    if any(
        bearing and bearing[1] for call in calls for bearing in (call.bearing, call.chord_bearing)
    ):
        if table.declination is None:
            report.site("declination-missing", "lot.declination", None,
                        "A call is magnetic, and the declination is not given.",
                        "write lot.declination in degrees, east positive, for the year of the "
                        "survey.")  # fmt: skip
            return None
        to_grid_deg = table.declination - _convergence_deg(reading)
    else:
        report.note("bearings-as-grid",
                    "The bearings of the lot's calls are taken as grid bearings.",
                    "lot.calls")  # fmt: skip
    courses: list[Course] = []
    faulty = False
    for number, call in enumerate(calls, start=1):
        try:
            courses.append(_course(call, courses[-1] if courses else None, to_grid_deg))
        except ValueError as error:
            faulty = True
            report.site("call-unfit", f"lot.calls[{number}]", None, f"{error}.",
                        "a straight call has bearing and distance; a curve has radius, arc and "
                        "turn, and chord_bearing unless it runs on from the call before.")  # fmt: skip
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
        call.radius, call.turn, arc_m=call.arc, chord_m=call.distance,
        chord_azimuth_deg=None if call.chord_bearing is None else grid(call.chord_bearing),
        tangent_in_azimuth_deg=None
        if call.chord_bearing is not None or before is None
        else before.tangent_out_deg,
    )  # fmt: skip


def _convergence_deg(reading: Reading) -> float:
    """Give true minus grid azimuth at the lot; 0 where the lot's place is not given."""
    table = reading.file.lot
    if table.longitude is None or table.latitude is None:
        return 0.0
    return grid_factors(reading.crs, table.longitude, table.latitude, 0.0)[1]


# -------------------------------------------------------------------------------- to the grid


def _tie_to_grid(reading: Reading, outline: _Outline, source: str) -> tuple[Lot, LotFrame] | None:
    """Tie an outline to the grid by a corner's longitude and latitude and an azimuth."""
    table, report = reading.file.lot, reading.report
    assert table.longitude is not None
    assert table.latitude is not None
    extent = float(np.ptp(outline.ring, axis=0).max())
    if extent > LARGEST_M:
        report.site("lot-absurd", f"lot.{source}", None, f"The lot is {extent:.0f} m across.",
                    "check the unit of the lengths (site.units).")  # fmt: skip
        return None
    corners = corner_points(outline.ring)
    coordinate = from_lonlat(reading.crs, table.longitude, table.latitude)
    azimuth_deg = _azimuth(reading, table, outline, coordinate, corners)
    if azimuth_deg is None or not bool(np.isfinite(coordinate).all()):
        return None
    frame = make_frame(
        reading.crs, coordinate, at_lot=corners[table.corner], x_azimuth_deg=azimuth_deg,
        elevation_m=reading.file.site.elevation_above_sea or 0.0,
    )  # fmt: skip
    lot = Lot(
        outline.ring, outline.sides, signed_area(outline.ring),
        table.corner_sd or CORNER_SD_M[source], outline.closure_m, outline.closure_ratio, source,
    )  # fmt: skip
    return lot, frame


def _azimuth(
    reading: Reading, table: LotTable, outline: _Outline, coordinate: Array,
    corners: dict[str, Array],
) -> float | None:  # fmt: skip
    """Give the azimuth of the front line: as written, by a second corner, or from the calls."""
    report = reading.report
    if table.second_corner is not None:
        second = table.second_corner
        unit_m, _ = metres_per_unit(reading.crs)
        there = from_lonlat(reading.crs, second.longitude, second.latitude)
        in_grid = (there - coordinate) * unit_m
        in_lot = corners[second.corner] - corners[table.corner]
        if second.corner == table.corner or not bool(np.isfinite(in_grid).all()):
            report.site("second-corner", "lot.second_corner", second.corner,
                        "The second corner must be another corner with its own place.",
                        "check it.")  # fmt: skip
            return None
        gap = abs(float(np.hypot(*in_grid)) - float(np.hypot(*in_lot)))
        if gap > 1.0:
            report.note("corners-disagree",
                        f"The two lot corners lie {gap:.1f} m nearer or farther apart than the "
                        "lot lines say; the direction of the lot is as uncertain.",
                        "lot.second_corner", needs_person=True)  # fmt: skip
        lot_angle = math.atan2(in_lot[1], in_lot[0])
        return wrap_degrees(math.degrees(math.atan2(in_grid[0], in_grid[1]) + lot_angle))
    for given in (table.front_azimuth, table.front, outline.x_azimuth_deg):
        if given is not None:
            return given
    report.site("azimuth-missing", "lot.front_azimuth", None,
                "The direction of the front line is not given.",
                "write lot.front_azimuth (front-left to front-right, as in 84.2), or a second "
                "corner.")  # fmt: skip
    return None
