"""Where a pit may be dug, and through which surface."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from .._digging import keep_out_shape
from .._frames import Array
from .._site import Site
from .cloud import Integers
from .costs import surface_rate
from .hits import Flags

LAWN = "lawn"
# Records of neighbouring areas seldom meet to the millimetre; a pit may straddle such a crack.
CRACK_M = 0.02


def may_run_in(site: Site) -> BaseGeometry:
    """Join lot, rights-of-way and easements to one area, closing cracks between records."""
    rings: Iterable[Array] = (
        site.lot.vertices,
        *(street.row for street in site.streets),
        *(easement.ring for easement in site.easements),
    )
    joined = shapely.union_all([shapely.make_valid(shapely.Polygon(ring)) for ring in rings])
    opened = shapely.buffer(joined, CRACK_M, join_style="mitre")
    return shapely.buffer(opened, -CRACK_M, join_style="mitre")


def dig_area(site: Site) -> BaseGeometry:
    """Give the area a pit must lie within (prepared for fast tests).

    Lot, rights-of-way and easements without the building and its setback, and without every
    keep-out widened by its clearance and the tolerance zone.
    """
    settings = site.dig
    building = shapely.Polygon(site.building.vertices)
    closed = [shapely.buffer(building, settings.building_setback_m, join_style="mitre")]
    closed += [
        shapely.buffer(keep_out_shape(keep_out), keep_out.clearance_m + settings.tolerance_m)
        for keep_out in site.keep_outs
    ]
    area = shapely.difference(may_run_in(site), shapely.union_all(closed))
    shapely.prepare(area)
    return area


def rectangle_rings(centres: Array, angles_rad: Array, sizes_m: Array) -> Array:
    """Give the corners (c, 4, 2), counter-clockwise, of rectangles by centre, angle and size."""
    signs = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    local = signs[None] * sizes_m[:, None, :]
    cosine, sine = np.cos(angles_rad)[:, None], np.sin(angles_rad)[:, None]
    turned = [
        local[..., 0] * cosine - local[..., 1] * sine,
        local[..., 0] * sine + local[..., 1] * cosine,
    ]
    return np.asarray(centres[:, None, :] + np.stack(turned, axis=-1))


def allowed(area: BaseGeometry, rings: Array) -> Flags:
    """Tell which rings (c, 4, 2) lie within the dig area."""
    return np.asarray(shapely.covers(area, shapely.polygons(rings)), bool)


def surfaces_at(site: Site, points: Array) -> list[str]:
    """Name the surface at points (n, 2): lawn, or a right-of-way's own outside the lot.

    Judgement: the record says nothing of paths and drives on the lot.
    """
    names = [LAWN, *(street.surface for street in site.streets)]
    return [names[index] for index in _surface_indices(site, points)]


def surface_rates_at(site: Site, points: Array) -> Array:
    """Give the restoration cost per m² at points (n, 2)."""
    names = [LAWN, *(street.surface for street in site.streets)]
    return np.array([surface_rate(site.dig, name) for name in names])[
        _surface_indices(site, points)
    ]


def _surface_indices(site: Site, points: Array) -> Integers:
    """Give 0 for the lot and what is no street, else 1 + the index of the street (n,)."""
    inside = shapely.contains_xy(shapely.Polygon(site.lot.vertices), points)
    found = np.zeros(len(points), dtype=np.int64)
    for index, street in enumerate(site.streets, start=1):
        in_row = shapely.contains_xy(shapely.Polygon(street.row), points)
        found[in_row & ~inside] = index
    return found


def dearest_surfaces(site: Site, rings: Array) -> list[str]:
    """Name the surface of each pit (c, 4, 2): the dearest under its corners and centre."""
    corners = rings.shape[1]
    points = np.concatenate([rings, rings.mean(axis=1, keepdims=True)], axis=1)
    names = np.array(surfaces_at(site, points.reshape(-1, 2)), dtype=object)
    rows = names.reshape(-1, corners + 1)
    return [max(row, key=lambda name: surface_rate(site.dig, name)) for row in rows]
