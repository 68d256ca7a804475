"""The ground a route may run in: allowed area, lot, house, and the yards beside its walls."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely
from shapely import Polygon

from ..geometry import polyline
from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..model.site import SIDES, Building, Side, Site
from ..pits.cost import may_run_in
from .regions import Region, region_of_polygon, region_of_rings

__all__ = ["Face", "Terrain", "prepare_terrain", "run_alongside"]

# A pipe farther from a wall than this is not said to run alongside it. Judgment, no source.
ALONGSIDE_M = 4.0


@dataclass(frozen=True, slots=True)
class Face:
    """One face of the house's bounding rectangle, with the yard beside it.

    ``origin`` (2,) a corner, ``along`` and ``outward`` unit vectors (2,), ``length_m`` of the
    face, ``yard_m`` the least distance from the face to the lot line.
    """

    side: Side
    origin: Array
    along: Array
    outward: Array
    length_m: float
    yard_m: float

    @property
    def strip_m(self) -> float:
        """Width of the strip that counts as alongside."""
        return min(self.yard_m, ALONGSIDE_M)


@dataclass(frozen=True, slots=True)
class Terrain:
    """What routes are held against, in lot coordinates."""

    allowed: Region
    lot: Region
    house: Region
    faces: Mapping[Side, Face]


def prepare_terrain(site: Site) -> Terrain:
    """Build the regions and faces of a site once for all hypotheses."""
    return Terrain(
        allowed=region_of_polygon(may_run_in(site)),
        lot=region_of_rings(site.lot.vertices),
        house=region_of_rings(site.building.vertices),
        faces=_faces(site.building, site.lot.vertices),
    )


def _faces(building: Building, lot: Array) -> dict[Side, Face]:
    """Return the four faces of the bounding rectangle in the building frame."""
    x_axis = lot_direction(building.angle_rad)
    y_axis = lot_direction(building.angle_rad + np.pi / 2)
    # corners in the building's own axes, where its bounding rectangle is
    local = (building.vertices - building.vertices[0]) @ np.stack([x_axis, y_axis], axis=1)
    (left, front), (right, rear) = local.min(axis=0), local.max(axis=0)
    corner = {
        "front": (left, front, x_axis, -y_axis, right - left),
        "right": (right, front, y_axis, x_axis, rear - front),
        "rear": (left, rear, x_axis, y_axis, right - left),
        "left": (left, front, y_axis, -x_axis, rear - front),
    }
    faces: dict[Side, Face] = {}
    for side in SIDES:
        x, y, along, outward, length = corner[side]
        origin = building.vertices[0] + x * x_axis + y * y_axis
        yard = _yard_m(origin, along * length, outward, lot)
        faces[side] = Face(side, origin, along, outward, float(length), yard)
    return faces


def _yard_m(origin: Array, span: Array, outward: Array, lot: Array) -> float:
    """Return the least distance from a face to the lot line, 0 where the face is outside."""
    # the least of seven places along the face, from just off one corner to just off the other
    starts = origin + np.linspace(0.02, 0.98, 7)[:, None] * span
    distance, _ = polyline.ray(starts, outward, polyline.closed(lot))
    inside = shapely.contains_xy(Polygon(lot), starts[:, 0], starts[:, 1])
    return float(np.where(inside & np.isfinite(distance), distance, 0.0).min())


def run_alongside(vertices: Array, face: Face, *, within_m: float) -> tuple[Array, Array]:
    """Return the length run beside a face (m,), and the pieces beside it (m, v − 1, 2, 2).

    A straight is clipped to the rectangle from the face outward to ``within_m``; the length is
    measured along the face. A piece of a straight that misses the rectangle shrinks to one point.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    face
        A side of the house.
    within_m
        How far outward counts as beside it, m.

    Returns
    -------
    length
        Run beside the face (m,), m.
    pieces
        Ends of the pieces (m, v − 1, 2, 2), m.
    """
    offset = vertices - face.origin
    along, outward = offset @ face.along, offset @ face.outward
    steps, along_steps = np.diff(vertices, axis=1), np.diff(along, axis=1)
    from_along, to_along = polyline.clip(along[:, :-1], along_steps, 0.0, face.length_m)
    from_out, to_out = polyline.clip(outward[:, :-1], np.diff(outward, axis=1), 0.0, within_m)
    # inside both strips at once: later of the entries, earlier of the exits
    enter = np.maximum(from_along, from_out)
    leave = np.maximum(np.minimum(to_along, to_out), enter)
    # measured along the face, so that a slanting pipe gains nothing
    run = (np.abs(along_steps) * (leave - enter)).sum(axis=1)
    limits = np.clip(np.stack([enter, leave], axis=-1), 0.0, 1.0)
    return run, vertices[:, :-1, None] + limits[..., None] * steps[:, :, None]
