"""Ties a lot to a projected grid: units, scale, convergence, and fits to known corners."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from pyproj import CRS, Proj
from pyproj.enums import TransformDirection
from pyproj.exceptions import CRSError

from ..late_dataclass import dataclass
from ..units import FOOT_M, US_SURVEY_FOOT_M
from .frames import Array, LotFrame, rotation, to_wgs84, unit_words, wrap_degrees
from .operations import cell_of, cell_of_place

MEAN_EARTH_RADIUS_M = 6_372_000.0
"""20 906 000 ft, NOAA Manual NOS NGS 5, State Plane Coordinate System of 1983 (from memory)."""

# judgment, no source: the worst of state plane and UTM is 0.1 % off 1; a degree outside its area a
# grid still serves a lot that straddles the line
MOST_SCALE_DEPARTURE = 0.005
MOST_DEGREES_OUTSIDE = 1.0


@dataclass(frozen=True, slots=True)
class GridUnit:
    """The unit of a projected CRS. ``words`` says it aloud, beside the unit of the tape."""

    crs: str
    name: str
    meters_per_unit: float
    unit_name: str
    words: str


@lru_cache(maxsize=64)
def grid_unit(crs: str) -> GridUnit:
    """Describe a projected CRS and its unit.

    Raises ``ValueError`` where the CRS is not known, not projected, has axes other than east
    and north in one unit, or is the web map grid, whose distances are not ground distances.
    """
    system = _projected(crs)
    axis = system.axis_info[0]
    factor, unit_name = float(axis.unit_conversion_factor), str(axis.unit_name)
    # registers round the factor of the survey foot; 1200/3937 m is the definition
    if math.isclose(factor, US_SURVEY_FOOT_M, rel_tol=1e-9):
        factor, unit_name = US_SURVEY_FOOT_M, "US survey foot"
    elif math.isclose(factor, FOOT_M, rel_tol=1e-12):
        factor, unit_name = FOOT_M, "international foot"
    one = unit_words(unit_name)
    plural = one.replace("foot", "feet") if "foot" in one else f"{one}s"
    words = f"{system.name}: grid coordinates in {plural}"
    if factor != 1.0:
        words += f" ({factor:.10g} m)"
    if unit_name == "US survey foot":
        words += "; taped distances are in international feet (0.3048 m)"
    return GridUnit(crs, str(system.name), factor, unit_name, words)


@lru_cache(maxsize=64)
def _projected(crs: str) -> CRS:
    """Read a CRS and refuse what cannot carry a lot."""
    try:
        system = CRS.from_user_input(crs)
    except CRSError as error:
        raise ValueError(f"{crs!r} is not a coordinate reference system that is known") from error
    if not system.is_projected:
        raise ValueError(
            f"{crs} ({system.name}) is not a projected grid: name a state plane or UTM"
        )
    plane = system.axis_info[:2]
    if {str(axis.direction) for axis in plane} != {"east", "north"}:
        raise ValueError(f"{crs} ({system.name}) does not run east and north")
    if plane[0].unit_conversion_factor != plane[1].unit_conversion_factor:
        raise ValueError(f"{crs} ({system.name}) has a different unit on each axis")
    # on the web grid a meter is 1/cos(latitude) of one on the ground
    operation = system.coordinate_operation
    if operation is not None and "pseudo mercator" in str(operation.method_name).lower():
        raise ValueError(f"{crs} ({system.name}) is for web maps: name a state plane or UTM")
    return system


@lru_cache(maxsize=64)
def _projection(crs: str) -> Proj:
    return Proj(_projected(crs))


def utm_crs(longitude: float, latitude: float) -> str:
    """Return the WGS 84 UTM zone of a place by the regular 6° zones.

    The widened zones off Norway and about Svalbard are not followed. Raises ``ValueError``
    outside 80° S to 84° N.

    Parameters
    ----------
    longitude
        Degrees east, WGS 84.
    latitude
        Degrees north, WGS 84.

    Returns
    -------
    str
        EPSG code such as ``EPSG:32616``.

    Raises
    ------
    ValueError
        The latitude lies outside 80° S to 84° N.

    Examples
    --------
    >>> utm_crs(-87.5, 41.2)
    'EPSG:32616'
    """
    _check_lonlat(longitude, latitude)
    if not -80.0 <= latitude <= 84.0:
        raise ValueError(f"there is no UTM zone at latitude {latitude}")
    # longitude 180 is the east edge of zone 60
    zone = min(60, int((longitude + 180.0) // 6.0) + 1)
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


def _check_lonlat(longitude: float, latitude: float) -> None:
    if not (abs(longitude) <= 180.0 and abs(latitude) <= 90.0):
        raise ValueError(
            f"longitude {longitude}, latitude {latitude} is not on the earth (longitude first)"
        )


# ----------------------------------------------------------------------- grid and ground


def grid_from_lonlat(crs: str, lonlat: Array) -> Array:
    """Take WGS 84 longitude, latitude (..., 2) to grid easting, northing in meters.

    NAD 83 and WGS 84 are joined without grids (:func:`sitegis.geometry.operations.operation`), so a
    shift of up to about 2 m between the two is not told apart (common practice). Raises
    ``ValueError`` where a place cannot be projected or is more than 1° outside the CRS's area of
    use (judgment).

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    lonlat
        Longitude, latitude (..., 2), degrees.

    Returns
    -------
    Array
        Easting, northing (..., 2), m.

    Raises
    ------
    ValueError
        A place cannot be projected or lies outside the area of use.
    """
    unit = grid_unit(crs)
    places = np.asarray(lonlat, float)
    for longitude, latitude in places.reshape(-1, 2).tolist():
        _check_lonlat(longitude, latitude)
        _check_area(crs, longitude, latitude)
    # one operation for all of a lot, chosen by its first place
    cell = cell_of(*places.reshape(-1, 2)[0].tolist())
    easting, northing = to_wgs84(crs, cell).transformer.transform(
        places[..., 0], places[..., 1], direction=TransformDirection.INVERSE
    )
    grid = np.stack([np.asarray(easting), np.asarray(northing)], axis=-1) * unit.meters_per_unit
    if not np.all(np.isfinite(grid)):
        raise ValueError(f"the place cannot be projected to {crs} ({unit.name})")
    return np.asarray(grid)


def _check_area(crs: str, longitude: float, latitude: float) -> None:
    area = _projected(crs).area_of_use
    if area is None:
        return
    margin = MOST_DEGREES_OUTSIDE
    inside = (
        # an area across the antimeridian: its longitudes cannot be compared so
        area.west - margin <= longitude <= area.east + margin or area.west > area.east
    ) and area.south - margin <= latitude <= area.north + margin
    if not inside:
        raise ValueError(
            f"longitude {longitude}, latitude {latitude} is outside the area of {crs} "
            f"({area.west} to {area.east}, {area.south} to {area.north}): "
            "check the order (longitude first), the sign, and the CRS"
        )


def grid_scale_factor(crs: str, longitude: float, latitude: float) -> float:
    """Return grid distance / ellipsoid distance at a place, from PROJ's factors.

    Meridional and parallel scale are equal on a conformal grid; their mean is taken. Raises
    ``ValueError`` where they differ by more than 10 ppm (not conformal) or lie more than 0.5 %
    from 1 (judgment: a grid that is not meant for this place).

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    longitude
        Degrees east, WGS 84.
    latitude
        Degrees north, WGS 84.

    Returns
    -------
    float
        Grid distance per ellipsoid distance.

    Raises
    ------
    ValueError
        The grid is not conformal or is not meant for this place.
    """
    factors = _projection(crs).get_factors(longitude, latitude)
    along, across = float(factors.meridional_scale), float(factors.parallel_scale)
    if abs(along - across) > 1e-5:
        raise ValueError(f"{crs} does not keep angles: name a state plane or UTM")
    scale = (along + across) / 2.0
    if abs(scale - 1.0) > MOST_SCALE_DEPARTURE:
        raise ValueError(f"{crs} stretches distances by {scale:.4f} here: it is not for this place")
    return scale


def elevation_factor(elevation_m: float) -> float:
    """Return ellipsoid distance / ground distance, R / (R + h), R = 6 372 000 m.

    NOAA Manual NOS NGS 5 (from memory). ``elevation_m`` is above the ellipsoid; a height above
    the sea in its place errs by 0.16 ppm a meter of geoid height. Raises ``ValueError`` outside
    −500 m to 9000 m.

    >>> round(elevation_factor(1000.0), 8)
    0.99984309
    """
    if not -500.0 <= elevation_m <= 9000.0:
        raise ValueError(f"an elevation of {elevation_m:g} m is not on land")
    return MEAN_EARTH_RADIUS_M / (MEAN_EARTH_RADIUS_M + elevation_m)


def combined_factor(crs: str, longitude: float, latitude: float, elevation_m: float) -> float:
    """Return grid distance / ground distance: grid scale factor × elevation factor.

    NOAA Manual NOS NGS 5 (from memory). Raises ``ValueError`` as its two parts do.

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    longitude
        Degrees east, WGS 84.
    latitude
        Degrees north, WGS 84.
    elevation_m
        Height of the ground, m.

    Returns
    -------
    float
        Grid distance per ground distance.

    Raises
    ------
    ValueError
        As :func:`grid_scale_factor` and the elevation factor.
    """
    return grid_scale_factor(crs, longitude, latitude) * elevation_factor(elevation_m)


def convergence_deg(crs: str, longitude: float, latitude: float) -> float:
    """Return the grid convergence: true azimuth − grid azimuth, degrees (from PROJ's factors).

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    longitude
        Degrees east, WGS 84.
    latitude
        Degrees north, WGS 84.

    Returns
    -------
    float
        True azimuth less grid azimuth, degrees.
    """
    return float(_projection(crs).get_factors(longitude, latitude).meridian_convergence)


# ------------------------------------------------------------------------------- the frame


def lot_frame(
    crs: str,
    *,
    x_azimuth_deg: float,
    lonlat: tuple[float, float] | None = None,
    grid_m: tuple[float, float] | None = None,
    elevation_m: float = 0.0,
    lot_xy: tuple[float, float] = (0.0, 0.0),
) -> LotFrame:
    """Tie the lot to the grid by one corner and the grid azimuth of lot x.

    The corner is given as WGS 84 longitude, latitude or as grid meters (one of them);
    ``lot_xy`` is where that corner lies in the lot (the origin by default). The scale is the
    combined factor at the corner. Raises ``ValueError``.

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    x_azimuth_deg
        Grid azimuth of lot x, degrees.
    lonlat
        The corner's longitude, latitude, degrees; None where ``grid_m`` is given.
    grid_m
        The corner's easting, northing, m; None where ``lonlat`` is given.
    elevation_m
        Height of the ground, m.
    lot_xy
        Where the corner lies in the lot, m.

    Returns
    -------
    LotFrame
        The frame of the lot.

    Raises
    ------
    ValueError
        Not just one place is given, or it does not fit the CRS.
    """
    if (lonlat is None) == (grid_m is None):
        raise ValueError("give the corner either as longitude and latitude or in grid meters")
    if not math.isfinite(x_azimuth_deg):
        raise ValueError("the azimuth of the front line is not a finite number")
    corner = (
        np.asarray(grid_m, float) if lonlat is None else grid_from_lonlat(crs, np.array(lonlat))
    )
    frame = _frame_at(crs, corner, x_azimuth_deg, elevation_m)
    # the frame stands with its origin at the corner: moved back by what lies between the two
    origin = 2.0 * corner - frame.to_grid_m(np.asarray(lot_xy, float))
    return _moved(frame, origin)


def _frame_at(crs: str, corner_m: Array, x_azimuth_deg: float, elevation_m: float) -> LotFrame:
    """Make the frame whose origin is at a grid point."""
    unit = grid_unit(crs)
    corner = corner_m / unit.meters_per_unit
    cell = cell_of_place(_projected(crs), *map(float, corner))
    longitude, latitude = to_wgs84(crs, cell).transformer.transform(*corner)
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        raise ValueError(f"the corner {corner_m.tolist()} m is not a place in {crs}")
    return LotFrame(
        crs,
        float(corner_m[0]),
        float(corner_m[1]),
        wrap_degrees(x_azimuth_deg),
        combined_factor(crs, float(longitude), float(latitude), elevation_m),
        unit.meters_per_unit,
        unit.unit_name,
    )


def _moved(frame: LotFrame, origin_m: Array) -> LotFrame:
    """Return the same frame with another origin."""
    return LotFrame(
        crs=frame.crs,
        origin_easting_m=float(origin_m[0]),
        origin_northing_m=float(origin_m[1]),
        x_azimuth_deg=frame.x_azimuth_deg,
        combined_factor=frame.combined_factor,
        meters_per_unit=frame.meters_per_unit,
        unit_name=frame.unit_name,
    )


@dataclass(frozen=True, slots=True)
class FittedFrame:
    """A frame fitted to corners. ``residuals_m`` (n,) are ground distances, given − fitted."""

    frame: LotFrame
    residuals_m: Array

    @property
    def largest_residual_m(self) -> float:
        """The worst corner; for two corners half of what their distances differ by."""
        return float(self.residuals_m.max())


def fit_lot_frame(
    crs: str, lot_xy: Array, grid_m: Array, *, elevation_m: float = 0.0
) -> FittedFrame:
    """Tie the lot to the grid by two or more corners, by least squares with the scale held.

    ``lot_xy`` (n, 2) taped or deeded, ``grid_m`` (n, 2) grid meters of the same corners. The
    scale is the combined factor, not fitted, so that a wrong corner shows as a residual and
    does not stretch the lot. The turn is atan2(Σ(x·N − y·E), Σ(x·E + y·N)) about the centroids.
    Raises ``ValueError`` for fewer than two corners or corners in one place.

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    lot_xy
        Corners in the lot (n, 2), m.
    grid_m
        The same corners on the grid (n, 2), m.
    elevation_m
        Height of the ground, m.

    Returns
    -------
    FittedFrame
        The frame with the corners' residuals in m.

    Raises
    ------
    ValueError
        Fewer than two corners, or corners in one place.
    """
    lot, grid = np.asarray(lot_xy, float), np.asarray(grid_m, float)
    if lot.shape != grid.shape or lot.ndim != 2 or lot.shape[1] != 2 or len(lot) < 2:
        raise ValueError("a lot is tied by two or more corners, each in the lot and in the grid")
    # the turn alone is taken of the fit; its scale would hide a wrong corner
    turn = fit_similarity(lot, grid).turn_rad
    frame = _frame_at(crs, grid.mean(axis=0), 90.0 - math.degrees(turn), elevation_m)
    # least squares with turn and scale held: centroid upon centroid
    origin = 2.0 * grid.mean(axis=0) - frame.to_grid_m(lot.mean(axis=0))
    fitted = _moved(frame, origin)
    # grid meters back to ground, where the tape measured
    difference = (grid - fitted.to_grid_m(lot)) / fitted.combined_factor
    return FittedFrame(fitted, np.hypot(difference[:, 0], difference[:, 1]))


# ------------------------------------------------------------------------------ similarity


@dataclass(frozen=True, slots=True)
class Similarity:
    """The four-parameter Helmert transformation: E = a·x − b·y + te, N = b·x + a·y + tn.

    Ghilani & Wolf, Adjustment Computations, ch. 18. In EPSG method 9621's terms a = M·cos θ,
    b = −M·sin θ (EPSG Guidance Note 7-2).
    """

    a: float
    b: float
    te: float
    tn: float

    @property
    def scale(self) -> float:
        """Target distance / source distance."""
        return math.hypot(self.a, self.b)

    @property
    def turn_rad(self) -> float:
        """Angle from source x to target east, counter-clockwise."""
        return math.atan2(self.b, self.a)

    def apply(self, points: Array) -> Array:
        """Transform (..., 2)."""
        matrix = self.scale * rotation(self.turn_rad)
        return np.asarray(np.asarray(points, float) @ matrix.T + np.array([self.te, self.tn]))


def fit_similarity(source: Array, target: Array) -> Similarity:
    """Fit the four-parameter transformation to points (n, 2), n ≥ 2, by least squares.

    About the centroids a = Σ(x·E + y·N)/Σ(x² + y²), b = Σ(x·N − y·E)/Σ(x² + y²). Raises
    ``ValueError`` where the points of either side all lie in one place.

    Parameters
    ----------
    source
        Points (n, 2) to transform.
    target
        The same points (n, 2) in the other frame.

    Returns
    -------
    Similarity
        The transformation with its residuals.

    Raises
    ------
    ValueError
        The points of either side all lie in one place.
    """
    from_mean, to_mean = source.mean(axis=0), target.mean(axis=0)
    x, y = (source - from_mean).T
    east, north = (target - to_mean).T
    spread = float(x @ x + y @ y)
    a_sum, b_sum = float(x @ east + y @ north), float(x @ north - y @ east)
    if spread < 1e-12 or math.hypot(a_sum, b_sum) < 1e-12:
        raise ValueError("the corners lie in one place: they give no direction")
    turned = Similarity(a_sum / spread, b_sum / spread, 0.0, 0.0)
    te, tn = (to_mean - turned.apply(from_mean)).tolist()
    return Similarity(turned.a, turned.b, te, tn)
