"""The building on its lot, and its rooms in the building."""

from __future__ import annotations

import math

import numpy as np
import shapely

from ..geometry.frames import Array, LotFrame, rotation
from ..model.site import Building, Lot, Room, Side, WallContact
from ..numerics.ordering import MATTERS_M, largest, smallest
from .context import Reading, ring_of
from .rings import (
    begin_at,
    clean_ring,
    corner_points,
    is_simple,
    name_edges,
    outward,
    side_angle_rad,
)
from .schema import BuildingTable, RoomTable

SIMPLIFY_M = 0.05
# How well a building is placed on its lot, and its corners against each other: judgment.
POSITION_SD_M = {"layer": 0.30, "taped": 0.10}
ANGLE_SD_DEG = {"layer": 0.5, "taped": 0.3}
OUTLINE_SD_M = {"layer": 0.10, "taped": 0.02}
DEFAULT_WALL_M = 0.3048
WALL_SD_M, ASSUMED_WALL_SD_M = 0.0127, 0.0762
"""How well a wall's thickness is known that was measured, and one that is assumed. Judgment."""
ORIGIN_SD_M = 0.0254
OVERHANG_M = 0.5


def make_building(reading: Reading, lot: Lot, frame: LotFrame) -> Building | None:
    """Make the building from a layer, from setbacks or from corners; None with the faults.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    lot
        The lot, its ring (n, 2).
    frame
        The lot on the grid.

    Returns
    -------
    Building | None
        The building, None with the faults gathered.
    """
    table, report = reading.file.building, reading.report
    given = [n for n in ("layer", "setbacks", "corners") if getattr(table, n) is not None]
    if len(given) != 1:
        report.fault("building-source" if given else "building-source:none", "building", None)
        return None
    ring: Array | None
    if table.layer is not None:
        shape = reading.lot_shape(frame, table, "building", wanted="area", identifier=table.id)
        shape = None if shape is None else reading.simplified(shape, "building")
        ring = None if shape is None else ring_of(shape)
    elif table.setbacks is not None:
        ring = _from_setbacks(reading, table, lot)
    else:
        ring = np.array(table.corners, float)
    if ring is None:
        return None
    if not is_simple(ring):
        report.fault("building-not-simple", f"building.{given[0]}", None)
        return None
    if not _inside_lot(reading, ring, lot, given[0]):
        return None
    return _building(table, ring, "layer" if table.layer is not None else "taped", reading)


def _from_setbacks(reading: Reading, table: BuildingTable, lot: Lot) -> Array | None:
    """Place a rectangle by its front-left corner: set back from the front and the left line.

    Setbacks are square to the lot lines. With a right setback the front-left corner is set back
    from the right line by that and the building's width.
    """
    report = reading.report
    setbacks, width, depth = table.setbacks, table.width, table.depth
    assert setbacks is not None
    missing = [n for n, v in (("width", width), ("depth", depth)) if v is None]
    for name in missing:
        report.fault("key-missing:building-size", f"building.{name}", None)
    if (setbacks.left is None) == (setbacks.right is None):
        report.fault("building-source:setbacks", "building.setbacks", None)
        return None
    if width is None or depth is None:
        return None
    side: Side = "left" if setbacks.left is not None else "right"
    angle_rad = math.radians(table.rotation)
    box = np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]]) @ rotation(angle_rad).T
    # the front corner on the side that was taped
    reference = box[0] if side == "left" else box[1]
    inset = setbacks.left if setbacks.left is not None else setbacks.right
    assert inset is not None
    point = _offset_crossing(lot, setbacks.front, side, inset)
    if point is None:
        report.fault("building-source:lines-do-not-cross", "building.setbacks", None, side=side)
        return None
    return np.asarray(box - reference + point)


def _offset_crossing(lot: Lot, front: float, side: Side, inset: float) -> Array | None:
    """Return the point at given distances inside the front line and a side line."""
    if side not in lot.sides or "front" not in lot.sides:
        return None
    normals, values = [], []
    chosen: tuple[tuple[Side, float], ...] = (("front", front), (side, inset))
    for name, distance in chosen:
        start, end = lot.edge(name)
        along = (end - start) / np.hypot(*(end - start))
        inward = np.array([-along[1], along[0]])
        normals.append(inward)
        values.append(float(inward @ start) + distance)
    matrix = np.array(normals)
    # nearly parallel lines cross far off, or nowhere (the sine of their angle)
    if abs(np.linalg.det(matrix)) < 0.2:
        return None
    return np.linalg.solve(matrix, np.array(values))


def _inside_lot(reading: Reading, ring: Array, lot: Lot, source: str) -> bool:
    """Fault a building wholly outside its lot; note one that is partly over the line."""
    house, land = shapely.Polygon(ring), shapely.Polygon(lot.vertices)
    key = f"building.{'id' if source == 'layer' else source}"
    overlap = shapely.area(shapely.intersection(house, land))
    # a twentieth of the house on the lot: a blunder of place or unit, no overhang
    if overlap < 0.05 * house.area:
        reading.report.fault("building-outside", key, None)
        return False
    over = float(shapely.hausdorff_distance(land, shapely.union(land, house)))
    if over > 0.01:
        reading.report.note("building-over-line", key, needs_person=over > OVERHANG_M, over_m=over)
    return True


def _building(table: BuildingTable, ring: Array, source: str, reading: Reading) -> Building:
    """Begin at the front-left corner, find the angle, name the walls."""
    # digitized corners are not square: the direction is of the rectangle about the outline
    if source == "layer":
        ring = clean_ring(ring, tolerance_m=SIMPLIFY_M)
        angle_rad = _angle_of(ring)
    else:
        written = ring[1] - ring[0]
        turned = ring
        ring = clean_ring(ring, tolerance_m=1e-6)
        # the first wall typed gives the direction, where it begins the outline and runs along x
        first_is_front = np.allclose(turned[0], ring[0]) and abs(written[1]) <= abs(written[0])
        angle_rad = math.atan2(written[1], written[0]) if first_is_front else _angle_of(ring)
    corner = corner_points(ring, x_angle_rad=angle_rad)["front-left"]
    ring = begin_at(ring, smallest(np.hypot(*(ring - corner).T), MATTERS_M))
    thickness_m = table.wall_thickness
    if thickness_m is None:
        thickness_m = DEFAULT_WALL_M
        reading.report.note("wall-assumed", "building.wall_thickness", thickness_m=thickness_m)
    elif not 0.05 <= thickness_m <= 1.5:
        reading.report.fault(
            "wall-absurd", "building.wall_thickness", None, thickness_m=thickness_m
        )
    return Building(
        vertices=ring,
        sides=name_edges(ring, x_angle_rad=angle_rad),
        angle_rad=angle_rad,
        position_sd_m=table.position_sd or POSITION_SD_M[source],
        angle_sd_rad=math.radians(ANGLE_SD_DEG[source]),
        outline_sd_m=OUTLINE_SD_M[source],
        wall_thickness_m=thickness_m,
        source=source,
    )


def _angle_of(ring: Array) -> float:
    """Return the building's x angle in (−45°, 45°]: of the least rotated rectangle about it."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.Polygon(ring)))
    edges = np.diff(corners[:3], axis=0)
    longest = edges[largest(np.hypot(*edges.T), MATTERS_M)]
    degrees = math.degrees(math.atan2(longest[1], longest[0]))
    # the quarter turn nearest to lot x
    return math.radians(degrees - 90.0 * math.floor((degrees + 45.0) / 90.0))


def make_rooms(reading: Reading, building: Building) -> tuple[Room, ...]:
    """Make the rooms; their faults are gathered.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    tuple[Room, ...]
        The rooms without faults.
    """
    # in the building's own frame, where rooms are typed
    frame_ring = (building.vertices - building.vertices[0]) @ rotation(building.angle_rad)
    corners = corner_points(frame_ring)
    seen: set[str] = set()
    rooms = []
    for number, table in enumerate(reading.file.room, start=1):
        key = f"room[{number}]"
        if table.id in seen or table.id in ("lot", "building"):
            reading.report.fault("id-twice:room", f"{key}.id", table.id)
        if table.corner is not None and table.origin is not None:
            reading.report.fault("room-origin-twice", f"{key}.origin", None)
        seen.add(table.id)
        rooms.append(_room(table, corners, building.wall_thickness_m, _origin_sd_m(table, reading)))
    return tuple(rooms)


def _origin_sd_m(table: RoomTable, reading: Reading) -> float:
    """Return how well a room's origin is known: one at a corner lies an assumed wall inside."""
    if table.origin_sd is not None or table.corner is None or _wall_is_known(reading):
        return table.origin_sd or ORIGIN_SD_M
    # independent: tape and wall
    return math.hypot(ORIGIN_SD_M, ASSUMED_WALL_SD_M)


def _wall_is_known(reading: Reading) -> bool:
    return reading.file.building is not None and reading.file.building.wall_thickness is not None


def _room(
    table: RoomTable, corners: dict[str, Array], thickness_m: float, origin_sd_m: float
) -> Room:
    """Make one room: a corner's origin lies one wall thickness inside each face."""
    origin, toward = table.origin, table.x_toward
    if table.corner is not None:
        sides: tuple[Side, Side] = {
            "front-left": ("front", "left"),
            "front-right": ("front", "right"),
            "rear-right": ("rear", "right"),
            "rear-left": ("rear", "left"),
        }[table.corner]  # type: ignore[assignment]  # the values are sides
        inside = corners[table.corner] - thickness_m * (outward(sides[0]) + outward(sides[1]))
        origin = (float(inside[0]), float(inside[1]))
        # Seen from each corner, this x leaves y (90° counter-clockwise of it) inside the house.
        inward: dict[str, Side] = {
            "front-left": "right",
            "front-right": "rear",
            "rear-right": "left",
            "rear-left": "front",
        }
        toward = toward if toward is not None else inward[table.corner]
    elif origin is not None and toward is None:
        toward = "right"
    angle = side_angle_rad(toward) if isinstance(toward, str) else toward
    if isinstance(angle, float | int) and not isinstance(toward, str):
        angle = math.radians(angle)
    return Room(
        id=table.id,
        name=table.name or table.id,
        origin_m=origin,
        origin_sd_m=origin_sd_m,
        x_toward_rad=angle,
        x_toward_sd_rad=math.radians(table.x_toward_sd),
        size_m=table.size,
        floor_elevation_m=table.floor_above_slab,
    )


def make_wall_contacts(reading: Reading, building: Building) -> tuple[WallContact, ...]:
    """Make the wall contacts; thickness defaults to the building's.

    The sd defaults to half an inch, to three inches where the thickness is assumed.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    tuple[WallContact, ...]
        The contacts without faults.
    """
    assumed = WALL_SD_M if _wall_is_known(reading) else ASSUMED_WALL_SD_M
    return tuple(
        WallContact(
            wall.point,
            wall.side,
            wall.thickness or building.wall_thickness_m,
            wall.sd or (assumed if wall.thickness is None else WALL_SD_M),
        )
        for wall in reading.file.wall
    )
