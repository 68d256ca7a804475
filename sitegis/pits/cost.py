"""What a hole costs, and where one may be dug: for what a check may save and for the dig itself.

Lengths in meters; money in the site's currency.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from ..finds.records import Finding
from ..geometry.frames import Array
from ..model.site import DigSettings, KeepOut, Site
from ..numerics.ordering import MATTERS_M, at_least
from ..rules.rule_set import RuleSet

BEDDING_M = 0.15  # dug below the invert to see the pipe whole: judgment, no source
FOOTING_BELOW_SLAB_M = 0.30  # underside of a footing: common practice, no source
LAWN = "lawn"
# Lot and right-of-way records seldom meet exactly: gaps up to twice this are closed.
_SEAM_M = 0.05


def pit_cost(
    area_m2: Array,
    depth_m: Array,
    surface_per_m2: Array | float,
    settings: DigSettings,
    rules: RuleSet,
) -> Array:
    """Price vertical-sided pits or trenches (c,): set-up + volume × rate + area × restoration.

    From the rule set's depth for a protective system on the whole volume takes the protected
    rate. The rates are the user's or defaults (judgment, no source). Dug by hand, as it is unless
    the site says by machine, what lies deeper than one throw is handled again, once for each
    further ``hand_lift_m`` (common practice, no source): the rate counts for each handling.

    Parameters
    ----------
    area_m2
        Areas in plan (c,), m².
    depth_m
        Depths (c,), m.
    surface_per_m2
        Restoration cost per m², of all or of each (c,).
    settings
        What digging costs and may do.
    rules
        Rule set of the site.

    Returns
    -------
    Array
        Costs (c,).
    """
    protected = at_least(depth_m, rules.protective_depth_m, MATTERS_M)
    rate = np.where(protected, settings.per_m3_protected, settings.per_m3)
    volume_m3 = area_m2 * handled_m(np.maximum(depth_m, 0.0), settings.hand_lift_m)
    return np.asarray(settings.setup + volume_m3 * rate + area_m2 * surface_per_m2)


def handled_m(depth_m: Array, lift_m: float | None) -> Array:
    """Sum up the depths (c,) of soil handled, each layer as often as it is thrown.

    Parameters
    ----------
    depth_m
        Depths (c,), m.
    lift_m
        Height of one throw, m; None where a machine digs.

    Returns
    -------
    Array
        Depths handled (c,), m.

    Examples
    --------
    >>> handled_m(np.array([1.0, 3.0, 4.0]), 1.5).tolist()
    [1.0, 4.5, 7.5]
    """
    if lift_m is None or not np.size(depth_m):
        return np.asarray(depth_m)
    # depth below the first, second … throw: soil that deep is handled so many times more
    throws = range(max(int(np.max(depth_m) // lift_m), 0) + 1)
    return np.asarray(sum(np.maximum(depth_m - throw * lift_m, 0.0) for throw in throws))


def spacing_m(rules: RuleSet) -> float:
    """Return how far apart two planned pits stand at least.

    Spoil and gear of each stay back from its edge by the rule set's distance: twice that
    (judgment; the distance has its section in the rule set).
    """
    return 2.0 * rules.spoil_setback_m


# ------------------------------------------------------------------------------- the ground


def keep_out_shape(keep_out: KeepOut) -> BaseGeometry:
    """Return another utility or a tree as a point, line or area in lot coordinates.

    One point is a point; three or more are an area where the record says so; else a line.
    """
    points = np.atleast_2d(keep_out.points)
    if len(points) == 1:
        return shapely.Point(points[0])
    if keep_out.is_area and len(points) >= 3:
        return shapely.make_valid(shapely.Polygon(points))
    return shapely.LineString(points)


def with_edge(area: BaseGeometry) -> BaseGeometry:
    """Return an area with its edge: what lies on it, to half a millimeter, is within."""
    return shapely.buffer(area, 0.5 * MATTERS_M, join_style="mitre")


def may_run_in(site: Site) -> Polygon | MultiPolygon:
    """Unite lot, rights-of-way and easements: where a lateral may run, and a pit may stand.

    Seams up to 0.1 m between the records are closed.
    """
    rings = [site.lot.vertices]
    rings += [street.row for street in site.streets]
    rings += [easement.ring for easement in site.easements]
    # grown, joined and shrunk again: gaps between records close, the outer edge stays
    parts = [Polygon(ring).buffer(_SEAM_M, join_style="mitre") for ring in rings if len(ring) >= 3]
    return shapely.unary_union(parts).buffer(-_SEAM_M, join_style="mitre")


def dig_area(site: Site) -> BaseGeometry:
    """Return the area a pit must lie within (prepared for fast tests).

    Where a lateral may run, without what lies nearer to the building than its setback, or to a
    no-dig area than its clearance and the tolerance zone, and without what has been dug already.
    """
    settings = site.dig
    closed = [shapely.buffer(Polygon(site.building.vertices), settings.building_setback_m)]
    closed += [
        shapely.buffer(keep_out_shape(keep_out), keep_out.clearance_m + settings.tolerance_m)
        for keep_out in site.keep_outs
    ]
    # less a hair, so that a pit may stand edge to edge with one that was dug
    closed += [
        shapely.buffer(hole_of(item), -MATTERS_M, join_style="mitre") for item in dug_holes(site)
    ]
    # what touches the edge is within, whatever the last bit says
    area = with_edge(shapely.difference(may_run_in(site), shapely.union_all(closed)))
    shapely.prepare(area)
    return area


def dug_holes(site: Site) -> list[Finding]:
    """Return the findings whose hole was dug outdoors, over a known area to a known depth."""
    found = [item for item in site.evidence if isinstance(item, Finding)]
    return [item for item in found if item.has_hole and item.dug_to_m is not None]


def hole_of(item: Finding) -> Polygon:
    """Return the hole of a finding in plan, its corners counter-clockwise."""
    plan = np.array([item.hole])
    return Polygon(rectangle_rings(plan[:, :2], plan[:, 2], plan[:, 3:])[0])


def rectangle_rings(centers: Array, angles_rad: Array, sizes_m: Array) -> Array:
    """Return the corners (c, 4, 2), counter-clockwise, of rectangles by center, angle and size.

    Parameters
    ----------
    centers
        Middles (c, 2), m.
    angles_rad
        Lot angles of the length axes (c,), rad.
    sizes_m
        Lengths and widths (c, 2), m.

    Returns
    -------
    Array
        Corners (c, 4, 2), m.
    """
    signs = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    local = signs[None] * sizes_m[:, None, :]
    cosine, sine = np.cos(angles_rad)[:, None], np.sin(angles_rad)[:, None]
    turned = [
        local[..., 0] * cosine - local[..., 1] * sine,
        local[..., 0] * sine + local[..., 1] * cosine,
    ]
    return np.asarray(centers[:, None, :] + np.stack(turned, axis=-1))


# ----------------------------------------------------------------------------- the surfaces


def surface_rate(settings: DigSettings, surface: str) -> float:
    """Return the restoration cost per m²; the dearest known one where the surface is unknown.

    Parameters
    ----------
    settings
        What digging costs and may do.
    surface
        Kind of surface.

    Returns
    -------
    float
        Cost per m².
    """
    known = settings.surface_per_m2
    return known[surface] if surface in known else max(known.values(), default=0.0)


def _rights_of_way(site: Site, points: Array) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Yield each right-of-way's surface and which of points (..., 2) lie on it, not on the lot."""
    x, y = points[..., 0], points[..., 1]
    # the lot's own surface counts where a right-of-way reaches into it
    inside = shapely.contains_xy(with_edge(Polygon(site.lot.vertices)), x, y)
    for street in site.streets:
        yield street.surface, shapely.contains_xy(with_edge(Polygon(street.row)), x, y) & ~inside


def surfaces_at(site: Site, points: Array) -> NDArray[np.object_]:
    """Name the surface at points (..., 2): lawn, or a right-of-way's own outside the lot.

    Judgment: the record says nothing of paths and drives on the lot.

    Parameters
    ----------
    site
        The site as read.
    points
        Places (..., 2), m.

    Returns
    -------
    NDArray[np.object_]
        Names (...).
    """
    names = np.full(points.shape[:-1], LAWN, object)
    for surface, here in _rights_of_way(site, points):
        names[here] = surface
    return names


def surface_rates_at(site: Site, points: Array) -> Array:
    """Return the restoration cost per m² at points (..., 2).

    Parameters
    ----------
    site
        The site as read.
    points
        Places (..., 2), m.

    Returns
    -------
    Array
        Cost per m² (...).
    """
    rates = np.full(points.shape[:-1], surface_rate(site.dig, LAWN))
    for surface, here in _rights_of_way(site, points):
        rates[here] = surface_rate(site.dig, surface)
    return rates


def dearest_surfaces(site: Site, rings: Array) -> list[str]:
    """Name the surface of each pit (c, 4, 2): the dearest under its corners and center.

    Parameters
    ----------
    site
        The site as read.
    rings
        Corners of the pits (c, 4, 2), m.

    Returns
    -------
    list[str]
        Names (c,).
    """
    points = np.concatenate([rings, rings.mean(axis=1, keepdims=True)], axis=1)
    return [
        max(names, key=lambda name: surface_rate(site.dig, name))
        for names in surfaces_at(site, points)
    ]
