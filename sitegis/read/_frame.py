"""The tie of the lot to the grid, from what the site folder gives."""

from __future__ import annotations

import numpy as np
from pyproj import CRS, Proj, Transformer

from .._frames import Array, LotFrame, rotation

MEAN_EARTH_RADIUS_M = 6_371_000.0


def utm_crs(longitude: float, latitude: float) -> CRS:
    """Give the UTM zone (WGS 84) of a place: zone = ⌊(longitude + 180) / 6⌋ + 1.

    >>> utm_crs(-87.65, 40.44).to_epsg()
    32616
    """
    zone = int((longitude + 180.0) // 6.0) % 60 + 1
    return CRS.from_epsg((32600 if latitude >= 0 else 32700) + zone)


def crs_text(crs: CRS) -> str:
    """Name a CRS by its authority code where it has one, else by its WKT."""
    authority = crs.to_authority(min_confidence=90)
    return ":".join(authority) if authority else str(crs.to_wkt())


def metres_per_unit(crs: CRS) -> tuple[float, str]:
    """Give how many metres the CRS's unit has, and its name.

    >>> round(metres_per_unit(CRS.from_epsg(3435))[0], 9)
    0.304800610
    """
    axis = crs.axis_info[0]
    return float(axis.unit_conversion_factor), str(axis.unit_name)


def to_lonlat(crs: CRS, coordinate: Array) -> tuple[float, float]:
    """Take one coordinate in the CRS's own unit to WGS 84 longitude, latitude."""
    transformer = Transformer.from_crs(crs, CRS.from_epsg(4326), always_xy=True)
    longitude, latitude = transformer.transform(float(coordinate[0]), float(coordinate[1]))
    return float(longitude), float(latitude)


def from_lonlat(crs: CRS, longitude: float, latitude: float) -> Array:
    """Take WGS 84 longitude, latitude to a coordinate in the CRS's own unit."""
    transformer = Transformer.from_crs(CRS.from_epsg(4326), crs, always_xy=True)
    return np.array(transformer.transform(longitude, latitude), dtype=float)


def grid_factors(
    crs: CRS, longitude: float, latitude: float, elevation_m: float
) -> tuple[float, float]:
    """Give the combined factor (grid / ground) and the meridian convergence in degrees.

    Combined factor = √(areal scale of the projection) · R / (R + h), R the mean earth radius.
    True azimuth = grid azimuth + convergence.
    """
    factors = Proj(crs).get_factors(longitude, latitude)
    scale = float(np.sqrt(factors.areal_scale))
    elevation_factor = MEAN_EARTH_RADIUS_M / (MEAN_EARTH_RADIUS_M + elevation_m)
    return scale * elevation_factor, float(factors.meridian_convergence)


def make_frame(
    crs: CRS,
    known_corner: Array,
    *,
    at_lot: Array,
    x_azimuth_deg: float,
    elevation_m: float,
) -> LotFrame:
    """Make the lot frame from one known place: CRS coordinate and lot coordinate of it."""
    unit_m, unit_name = metres_per_unit(crs)
    factor, _ = grid_factors(crs, *to_lonlat(crs, known_corner), elevation_m)
    turned = rotation(np.radians(90.0 - x_azimuth_deg)) @ np.asarray(at_lot, float)
    origin = known_corner * unit_m - factor * turned
    return LotFrame(
        crs_text(crs), float(origin[0]), float(origin[1]), x_azimuth_deg % 360.0,
        factor, unit_m, unit_name,
    )  # fmt: skip
