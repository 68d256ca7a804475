"""Whether coordinates can be in the CRS a layer states, and whether distances in it hold."""

from __future__ import annotations

from typing import Any

import numpy as np
from pyproj import CRS, Proj
from pyproj.exceptions import CRSError, ProjError

from ..geometry.georeference import utm_crs
from ..geometry.operations import cell_of_place, operation
from ..read.faults import Report
from ..read.layers.features import flat_crs
from .layer_frame import Layer

# Judgment, no source: data seldom leaves the area a CRS is made for by more.
BEYOND_AREA_DEG = 3.0
MOST_STRETCH = 0.005
Bounds = Any


def check_crs(layer: Layer, key: str, written: str, report: Report) -> None:
    """Fault a layer whose CRS is missing, or cannot be that of its coordinates.

    Parameters
    ----------
    layer
        The layer.
    key
        Dotted key of ``CITY.toml``.
    written
        Path as written.
    report
        Where faults and notices are gathered.
    """
    if layer.crs is None:
        report.fault("crs-missing", key, written)
        return
    crs = flat_crs(CRS(layer.crs))
    bounds = layer.middle_bounds
    if not np.isfinite(bounds).all():
        return
    # a little over: data at the antimeridian and the poles
    degrees = np.abs(bounds[[0, 2]]).max() <= 181.0 and np.abs(bounds[[1, 3]]).max() <= 90.5
    if not (crs.is_geographic or crs.is_projected):
        report.fault("crs-unfit:no-place", key, written, crs=crs.name)
    elif crs.is_geographic and not degrees:
        most = np.abs(bounds).max()
        report.fault("crs-unfit:no-degrees", key, written, crs=crs.name, most=most)
    elif crs.is_projected and degrees:
        report.fault("crs-unfit:degrees", key, written, crs=crs.name)
    elif _is_outside(crs, bounds):
        report.fault("crs-unfit:outside", key, written, crs=crs.name)


def _is_outside(crs: CRS, bounds: Bounds) -> bool:
    """Return whether coordinates lie far outside the area that their CRS is made for."""
    try:
        longitude, latitude = _middle(crs, bounds)
    except (CRSError, ProjError):
        return True
    if not np.isfinite([longitude, latitude]).all():
        return True
    area = crs.area_of_use
    if area is None:
        return False
    # along the parallel from the area's western edge, for areas that cross the antimeridian
    east = (longitude - area.west) % 360.0
    width = (area.east - area.west) % 360.0 or 360.0
    beside = max(0.0, min(east - width, 360.0 - east))
    low, high = area.south - BEYOND_AREA_DEG, area.north + BEYOND_AREA_DEG
    return beside > BEYOND_AREA_DEG or not low <= latitude <= high


def _middle(crs: CRS, bounds: Bounds) -> tuple[float, float]:
    """Return longitude and latitude of the middle of bounds, inf where there are none."""
    x, y = (bounds[0] + bounds[2]) / 2.0, (bounds[1] + bounds[3]) / 2.0
    chosen = operation(crs, CRS("EPSG:4326"), cell_of_place(crs, x, y))
    longitude, latitude = chosen.transformer.transform(x, y)
    return float(longitude), float(latitude)


def check_stretch(crs: CRS, bounds: Bounds, report: Report) -> None:
    """Fault a working CRS in which lengths are off by over 0.5 % at the middle of bounds.

    Parameters
    ----------
    crs
        The working CRS.
    bounds
        Extent of the parcels, in the CRS's unit.
    report
        Where faults and notices are gathered.
    """
    try:
        longitude, latitude = _middle(crs, bounds)
        factors = Proj(crs).get_factors(longitude, latitude)
        better = utm_crs(longitude, latitude)
    except (CRSError, ProjError, ValueError):
        # nothing is known of the scale there
        return
    # conformal CRS have one scale, others one along the meridian and one across
    stretch = max(abs(s - 1.0) for s in (factors.meridional_scale, factors.parallel_scale))
    if stretch > MOST_STRETCH:
        report.fault(
            "crs-stretches", "city.crs", crs.name, crs=crs.name, off=100 * stretch, better=better
        )
