"""The lot and its frame: from a layer, from four sides, or from the calls of a deed."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array, LotFrame, wrap_degrees
from ..geometry.georeference import fit_lot_frame, grid_from_lonlat, lot_frame
from ..model.site import Lot
from ..numerics.ordering import MATTERS_M, smallest
from .context import Reading, ring_of
from .faults import guess
from .outline import Outline, fault_not_simple, outline_from_calls, outline_from_sides
from .rings import (
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
from .schema import LotTable, StreetTable

SIMPLIFY_M = 0.02
LARGEST_M = 5000.0
# Standard deviations of a lot corner: judgment, no source.
CORNER_SD_M = {"layer": 0.30, "sides": 0.15, "calls": 0.05}


def make_lot(reading: Reading) -> tuple[Lot, LotFrame] | None:
    """Make the lot, or None with the faults gathered."""
    table, report = reading.file.lot, reading.report
    given = [n for n in ("layer", "sides", "calls") if getattr(table, n) is not None]
    if len(given) != 1:
        report.fault("lot-source" if given else "lot-source:none", "lot", None)
        return None
    if table.layer is not None:
        return _from_layer(reading)
    outline = (
        outline_from_sides(reading, table.sides) if table.sides else outline_from_calls(reading)
    )
    if outline is None or table.longitude is None or table.latitude is None:
        return None
    return _tie_to_grid(reading, outline, given[0])


# ------------------------------------------------------------------------------- from a layer


def _from_layer(reading: Reading) -> tuple[Lot, LotFrame] | None:
    """Read the parcel, find its front, and begin at its front-left corner."""
    table = reading.file.lot
    shape = reading.grid_shape(table, "lot", wanted="area", identifier=table.id)
    shape = None if shape is None else reading.simplified(shape, "lot")
    if shape is None:
        return None
    raw = ring_of(shape)
    if not is_simple(raw):
        fault_not_simple(reading, "lot.id", table.id)
        return None
    grid = clean_ring(raw, tolerance_m=SIMPLIFY_M)
    facing = _front_facing(reading, grid)
    if facing is None:
        return None
    # which edges are the front follows from the direction, and
    # the other way round: twice settles it
    for _ in range(2):
        x_angle = math.atan2(facing[0], -facing[1])
        sides = name_edges(grid, x_angle_rad=x_angle)
        if "front" not in sides:
            reading.report.fault("front-unknown:no-line", "lot", None)
            return None
        along = front_direction(grid, sides)
        facing = np.array([along[1], -along[0]])
    sides = name_edges(grid, x_angle_rad=math.atan2(along[1], along[0]))
    first = front_left_index(sides, grid)
    grid = begin_at(grid, first)
    sides = sides[first:] + sides[:first]
    azimuth_deg = wrap_degrees(math.degrees(math.atan2(along[0], along[1])))
    frame = _frame(reading, grid_m=grid[0], x_azimuth_deg=azimuth_deg)
    if frame is None:
        return None
    ring = np.asarray(frame.from_grid_m(grid))
    sd_m = table.corner_sd or CORNER_SD_M["layer"]
    typed = (
        None
        if table.longitude is None or table.latitude is None
        else (table.longitude, table.latitude)
    )
    lot = Lot(
        ring,
        sides,
        signed_area(ring),
        sd_m,
        source="layer",
        seen_twice=typed is not None,
        told_at=typed,
    )
    return lot, frame


def _front_facing(reading: Reading, grid: Array) -> Array | None:
    """Return the unit vector in the grid from the lot toward its front street."""
    table = reading.file.lot
    azimuth_deg = table.front_azimuth if table.front_azimuth is not None else table.front
    if azimuth_deg is not None:
        # looking along the front line from the front-left corner the street lies to the right
        toward = math.radians(azimuth_deg + 90.0)
        return np.array([math.sin(toward), math.cos(toward)])
    street = _front_street(reading)
    if street is None:
        return None
    number = reading.file.street.index(street) + 1
    shape = _street_shape(reading, street, number)
    if shape is None:
        reading.report.fault("front-unknown:street-without-layer", "lot.front_street", street.name)
        return None
    edges = edge_vectors(grid)
    # from the middles of the edges: a corner touches two
    distances = shapely.distance(shapely.points(grid + edges / 2.0), shape)
    nearest = edges[smallest(distances, MATTERS_M)]
    # the ring runs counter-clockwise: outward is right of an edge
    normal = np.array([nearest[1], -nearest[0]])
    return np.asarray(normal / np.hypot(*normal))


def _front_street(reading: Reading) -> StreetTable | None:
    """Return the street that the lot fronts, or None with the fault gathered."""
    wanted, streets = reading.file.lot.front_street, reading.file.street
    report = reading.report
    if wanted is not None:
        for street in streets:
            if street.name == wanted:
                if street.side != "front":
                    report.fault(
                        "front-unknown:other-side", "lot.front_street", wanted, side=street.side
                    )
                    return None
                return street
        if wanted not in report.broken_names:
            report.fault(
                "street-unknown",
                "lot.front_street",
                wanted,
                known=guess(wanted, (s.name for s in streets)),
            )
        return None
    fronts = [street for street in streets if street.side == "front"]
    if len(fronts) == 1:
        return fronts[0]
    report.fault("front-unknown", "lot.front_street", None)
    return None


def _street_shape(reading: Reading, street: StreetTable, number: int) -> BaseGeometry | None:
    """Return a street's own shape in the grid, else that of a main that lies in it."""
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


# -------------------------------------------------------------------------------- to the grid


def _frame(
    reading: Reading, *, grid_m: Array, x_azimuth_deg: float, at_lot: Array | None = None
) -> LotFrame | None:
    """Tie the lot to the grid at one corner; a place the CRS is not made for is a fault."""
    lot_xy = (0.0, 0.0) if at_lot is None else (float(at_lot[0]), float(at_lot[1]))
    try:
        return lot_frame(
            reading.crs_text,
            x_azimuth_deg=x_azimuth_deg,
            lot_xy=lot_xy,
            grid_m=(float(grid_m[0]), float(grid_m[1])),
            elevation_m=reading.file.site.elevation_above_sea or 0.0,
        )
    except ValueError as error:
        _unfit(reading, error)
        return None


def _unfit(reading: Reading, error: ValueError) -> None:
    reading.report.fault("crs-unfit:lot", "site.crs", reading.file.site.crs, error=error)


def _tie_to_grid(reading: Reading, outline: Outline, source: str) -> tuple[Lot, LotFrame] | None:
    """Tie an outline to the grid by a corner's longitude and latitude and an azimuth."""
    table, report = reading.file.lot, reading.report
    # before anything is transformed: a blunder of the unit gives sizes that no CRS takes
    extent = float(np.ptp(outline.ring, axis=0).max())
    if extent > LARGEST_M:
        report.fault("lot-absurd", f"lot.{source}", None, extent=extent)
        return None
    corners = corner_points(outline.ring)
    here = np.array([table.longitude, table.latitude], float)
    try:
        grid_m = grid_from_lonlat(reading.crs_text, here)
        azimuth_deg = _azimuth(reading, table, outline, grid_m, corners)
    except ValueError as error:
        _unfit(reading, error)
        return None
    if azimuth_deg is None:
        return None
    frame = _frame(reading, grid_m=grid_m, x_azimuth_deg=azimuth_deg, at_lot=corners[table.corner])
    if frame is None:
        return None
    if outline.closure_m is not None and outline.closure_ratio is not None:
        report.note(
            "calls-closure",
            "lot.calls",
            closure_m=outline.closure_m,
            closure_ratio=outline.closure_ratio,
        )
    lot = Lot(
        vertices=outline.ring,
        sides=outline.sides,
        area_m2=outline.area_m2 or signed_area(outline.ring),
        corner_sd_m=table.corner_sd or CORNER_SD_M[source],
        closure_m=outline.closure_m,
        closure_ratio=outline.closure_ratio,
        source=source,
        seen_twice=table.second_corner is not None,
    )
    return lot, frame


def _azimuth(
    reading: Reading, table: LotTable, outline: Outline, grid_m: Array, corners: dict[str, Array]
) -> float | None:
    """Return the azimuth of the front line: by a second corner, as written, or from the calls."""
    report, second = reading.report, table.second_corner
    if second is not None:
        if second.corner == table.corner:
            report.fault("second-corner", "lot.second_corner", second.corner)
            return None
        there = grid_from_lonlat(reading.crs_text, np.array([second.longitude, second.latitude]))
        pair = np.stack([corners[table.corner], corners[second.corner]])
        fitted = fit_lot_frame(reading.crs_text, pair, np.stack([grid_m, there]))
        if fitted.largest_residual_m > 0.5:
            report.note(
                "corners-disagree",
                "lot.second_corner",
                # the fit leaves half of the disagreement at each of the two corners
                largest_residual_m=2.0 * fitted.largest_residual_m,
            )
        return fitted.frame.x_azimuth_deg
    for given in (table.front_azimuth, table.front, outline.x_azimuth_deg):
        if given is not None:
            return given
    report.fault("azimuth-missing", "lot.front_azimuth", None)
    return None
