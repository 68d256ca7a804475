"""Streets, their right-of-way, and the ground between house and main."""

from __future__ import annotations

import math

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array, LotFrame
from ..late_dataclass import dataclass
from ..model.site import Building, Ground, Lot, Street
from ..numerics.ordering import MATTERS_M, in_steps
from .context import Reading, ring_of
from .rings import clean_ring
from .schema import StreetTable

REACH_M = 120.0
BEYOND_M = 60.0
# Judgment, no source: common right-of-way widths, a basement's depth below the ground.
ROW_WIDTH_M = {"street": 20.0, "alley": 5.0}
GROUND_M, GROUND_SD_M = 2.1, 0.4
MEASURED_SD_M = 0.10
STEP_TO_STREET_SD_M = 0.30
HIGHEST_M = 15.0


def lot_window(lot: Lot) -> BaseGeometry:
    """Return the box about the lot beyond which streets and mains do not matter."""
    low, high = lot.vertices.min(axis=0) - REACH_M, lot.vertices.max(axis=0) + REACH_M
    return shapely.box(low[0], low[1], high[0], high[1])


@dataclass(frozen=True, slots=True)
class Level:
    """A ground elevation above the slab, and whether it was assumed."""

    elevation_m: float
    sd_m: float
    assumed: bool = False


def house_level(reading: Reading) -> Level:
    """Return the ground at the house: as measured, from the streets', or the default."""
    site, report = reading.file.site, reading.report
    if site.ground_above_slab is not None:
        # outside of these it is a wrong unit or another datum
        if not -1.0 <= site.ground_above_slab <= HIGHEST_M:
            report.fault(
                "ground-absurd",
                "site.ground_above_slab",
                None,
                ground_above_slab_m=site.ground_above_slab,
            )
        return Level(site.ground_above_slab, site.ground_above_slab_sd or MEASURED_SD_M)
    if reading.file.ground:
        mean = float(np.mean([spot.above_slab for spot in reading.file.ground]))
        return Level(mean, STEP_TO_STREET_SD_M)
    known = [s.ground_above_slab for s in reading.file.street if s.ground_above_slab is not None]
    level = Level(float(np.mean(known)) if known else GROUND_M, GROUND_SD_M, assumed=True)
    report.note(
        "ground-assumed", "site.ground_above_slab", elevation_m=level.elevation_m, sd_m=level.sd_m
    )
    return level


def make_ground(
    reading: Reading, building: Building, level: Level, streets: tuple[Street, ...], lot: Lot
) -> Ground:
    """Gather the known ground spots: taped ones, the house's, and the streets' where given.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    building
        The building, its outline (n, 2) in the lot.
    level
        Elevation of the slab in the main's datum, where it is known.
    streets
        The streets.
    lot
        The lot, its ring (n, 2).

    Returns
    -------
    Ground
        The spot elevations.
    """
    spots = [(spot.x, spot.y, spot.above_slab, spot.sd or 0.05) for spot in reading.file.ground]
    if not spots or reading.file.site.ground_above_slab is not None:
        center = building.vertices.mean(axis=0)
        spots.append((float(center[0]), float(center[1]), level.elevation_m, level.sd_m))
    measured = {t.name for t in reading.file.street if t.ground_above_slab is not None}
    # only what was measured: an assumed street would count as a second reading of the yard
    for street in streets:
        if street.name in measured:
            x, y = _street_point(lot, street)
            spots.append((x, y, street.ground_elevation_m, street.ground_elevation_sd_m))
    table = np.array(spots, float)
    return Ground(table[:, :2], table[:, 2], table[:, 3], level.assumed)


def _street_point(lot: Lot, street: Street) -> tuple[float, float]:
    """Return the place in a street's middle opposite the lot."""
    middle = lot.edge(street.side).mean(axis=0)
    row = shapely.Polygon(street.row)
    near = shapely.shortest_line(shapely.Point(middle), row).coords[-1]
    center = np.array(near) + outward_normal(lot.edge(street.side)) * street.row_width_m / 2.0
    return float(center[0]), float(center[1])


def outward_normal(edge: Array) -> Array:
    """Return the unit normal of an edge (2, 2) of a counter-clockwise ring, pointing outward."""
    along = edge[1] - edge[0]
    return np.asarray(np.array([along[1], -along[0]]) / np.hypot(*along))


def make_streets(reading: Reading, lot: Lot, frame: LotFrame, level: Level) -> tuple[Street, ...]:
    """Make the streets; those with faults are left out, the faults gathered.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    lot
        The lot, its ring (n, 2).
    frame
        The lot on the grid.
    level
        Elevation of the slab in the main's datum, where it is known.

    Returns
    -------
    tuple[Street, ...]
        The streets without faults.
    """
    report = reading.report
    streets: list[Street] = []
    for number, table in enumerate(reading.file.street, start=1):
        key = f"street[{number}]"
        if any(street.name == table.name for street in streets):
            report.fault("id-twice:street", f"{key}.name", table.name)
        if table.side not in lot.sides:
            report.fault(
                "side-missing", f"{key}.side", table.side, sides=", ".join(dict.fromkeys(lot.sides))
            )
            report.broken_names.add(table.name)
            continue
        street = _street(reading, table, key, lot, frame=frame, level=level)
        if street is None:
            report.broken_names.add(table.name)
        else:
            streets.append(street)
    return tuple(streets)


def _street(
    reading: Reading, table: StreetTable, key: str, lot: Lot, *, frame: LotFrame, level: Level
) -> Street | None:
    """Make one street."""
    width_m = table.row_width
    if width_m is None:
        width_m = ROW_WIDTH_M[table.kind]
        if table.layer is None:
            reading.report.note(
                "row-width-assumed", f"{key}.row_width", name=table.name, width_m=width_m
            )
    elif not 1.5 <= width_m <= 150.0:
        reading.report.fault("row-width-absurd", f"{key}.row_width", None, width_m=width_m)
        return None
    if table.layer is not None:
        row = _layer_row(reading, table, key, lot, frame=frame, width_m=width_m)
        if row is None:
            return None
    else:
        row = _strip(lot, table, width_m)
    elevation_m, sd_m = _street_level(reading, table, lot, level)
    return Street(
        table.name, table.side, table.kind, width_m, row, table.surface.lower(), elevation_m, sd_m
    )


def _strip(lot: Lot, table: StreetTable, width_m: float) -> Array:
    """Return the strip along a lot line, 60 m beyond both its ends, counter-clockwise."""
    edge = lot.edge(table.side)
    along = (edge[1] - edge[0]) / np.hypot(*(edge[1] - edge[0]))
    out = outward_normal(edge) * width_m
    start, end = edge[0] - BEYOND_M * along, edge[1] + BEYOND_M * along
    return np.array([start, start + out, end + out, end])


def _layer_row(
    reading: Reading, table: StreetTable, key: str, lot: Lot, *, frame: LotFrame, width_m: float
) -> Array | None:
    """Read a street's area, or a centerline widened to the right-of-way; cut it to the block."""
    shape = reading.lot_shape(frame, table, key, wanted="area or line", identifier=table.id)
    if shape is None:
        return None
    if shapely.get_dimensions(shape) == 1:
        shape = shapely.buffer(shape, width_m / 2.0, cap_style="flat")
    parts = shapely.get_parts(shapely.intersection(shapely.make_valid(shape), lot_window(lot)))
    areas = [part for part in parts if part.geom_type == "Polygon" and part.area > 1.0]
    if not areas:
        reading.report.fault("street-far", f"{key}.layer", table.name, reach_m=REACH_M)
        return None
    land = shapely.Polygon(lot.vertices)
    # the part beside the lot, of equal ones the largest
    row = min(areas, key=lambda part: (round(part.distance(land), 2), -round(part.area, 3)))
    row = reading.simplified(row, key)
    if row is None:
        return None
    _note_wrong_side(reading, table, key, lot, row)
    return clean_ring(ring_of(row), tolerance_m=0.01)


def _note_wrong_side(
    reading: Reading, table: StreetTable, key: str, lot: Lot, row: BaseGeometry
) -> None:
    """Note a street whose layer lies nearer another side than the one written."""
    middles = {side: lot.edge(side).mean(axis=0) for side in dict.fromkeys(lot.sides)}
    distance = {side: float(row.distance(shapely.Point(xy))) for side, xy in middles.items()}
    nearest = min(distance, key=lambda side: float(in_steps(distance[side], MATTERS_M)))
    if nearest != table.side and distance[table.side] > distance[nearest] + 3.0:
        reading.report.note(
            "street-side", f"{key}.side", name=table.name, side=table.side, nearest=nearest
        )


def _street_level(
    reading: Reading, table: StreetTable, lot: Lot, level: Level
) -> tuple[float, float]:
    """Return the ground at a street: as given, from taped spots, or the house's with a wider sd."""
    if table.ground_above_slab is not None:
        return table.ground_above_slab, table.ground_above_slab_sd or MEASURED_SD_M
    if reading.file.ground:
        spots = np.array([(s.x, s.y, s.above_slab) for s in reading.file.ground], float)
        ground = Ground(spots[:, :2], spots[:, 2], np.full(len(spots), 0.05), assumed=False)
        middle = lot.edge(table.side).mean(axis=0)
        return float(ground.elevation_m(middle)), STEP_TO_STREET_SD_M
    return level.elevation_m, math.hypot(level.sd_m, STEP_TO_STREET_SD_M)
