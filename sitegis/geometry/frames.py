"""Lot coordinates to the grid and to WGS 84, and angles between them.

Lot frame: meters on the ground, origin at the front-left lot corner, x along the front line,
y toward the rear, right-handed. Grid: a projected CRS in meters after its unit is applied.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from ..late_dataclass import dataclass
from ..numerics.ordering import decimals, on_lattice
from .operations import Cell, Operation, cell_of_place, operation

Array = NDArray[np.float64]


@lru_cache(maxsize=64)
def known_crs(crs: str) -> CRS:
    """Return the CRS of an EPSG code or WKT."""
    return CRS.from_user_input(crs)


def to_wgs84(crs: str, cell: Cell) -> Operation:
    """Return the operation from a projected CRS to WGS 84 longitude, latitude about a place.

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    cell
        Whole degrees about which the operation is chosen.

    Returns
    -------
    Operation
        Operation from easting, northing to longitude, latitude.
    """
    return operation(known_crs(crs), known_crs("EPSG:4326"), cell)


@lru_cache(maxsize=1024)
def _at_origin(crs: str, easting: float, northing: float) -> Operation:
    # one operation for the whole lot, by its corner: no two points take different datum shifts
    return to_wgs84(crs, cell_of_place(known_crs(crs), easting, northing))


def rotation(angle_rad: float) -> Array:
    """Return the matrix (2, 2) that turns a column vector counter-clockwise by an angle."""
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cosine, -sine], [sine, cosine]])


def lot_direction(angle_rad: float | Array) -> Array:
    """Return unit vectors (..., 2) for lot angles (...,), counter-clockwise from lot x, radians."""
    along = np.empty((*np.shape(angle_rad), 2))
    np.cos(angle_rad, out=along[..., 0])
    np.sin(angle_rad, out=along[..., 1])
    return along


def unit_words(name: str) -> str:
    """Return a CRS's unit as it is spelled here.

    >>> unit_words("metre"), unit_words("US survey foot")
    ('meter', 'US survey foot')
    """
    return name.replace("metre", "meter")


def wrap_degrees(angle_deg: float) -> float:
    """Bring an azimuth into [0, 360).

    >>> wrap_degrees(-30.0)
    330.0
    """
    wrapped = float(angle_deg % 360.0)
    # −1e-17 % 360.0 is 360.0 in floating point
    return 0.0 if wrapped == 360.0 else wrapped


def wrap_radians(angle_rad: Array) -> Array:
    """Bring angles or their differences into [−π, π).

    >>> wrap_radians(np.array([4.0, -np.pi, np.pi])).round(3).tolist()
    [-2.283, -3.142, -3.142]
    """
    return np.asarray((angle_rad + np.pi) % (2.0 * np.pi) - np.pi)


@dataclass(frozen=True, slots=True)
class LotFrame:
    """The tie of the lot to the grid.

    ``origin_easting_m, origin_northing_m``: grid coordinates of the front-left lot corner, in
    meters (the CRS's own unit is ``meters_per_unit`` meters). ``x_azimuth_deg``: grid azimuth
    of lot x. ``combined_factor``: grid distance / ground distance. ``unit_name``: the CRS's unit
    in words, for example ``US survey foot``.
    """

    crs: str
    origin_easting_m: float
    origin_northing_m: float
    x_azimuth_deg: float
    combined_factor: float = 1.0
    meters_per_unit: float = 1.0
    unit_name: str = "metre"

    @property
    def _turn(self) -> Array:
        """Matrix from lot vectors to grid vectors, without the scale."""
        # azimuths count clockwise from north, angles counter-clockwise from east
        return rotation(np.radians(90.0 - self.x_azimuth_deg))

    def to_grid_m(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2) in meters to grid easting, northing in meters."""
        offset = np.array([self.origin_easting_m, self.origin_northing_m])
        return np.asarray(offset + self.combined_factor * (np.asarray(xy, float) @ self._turn.T))

    def from_grid_m(self, easting_northing: Array) -> Array:
        """Take grid coordinates (..., 2) in meters to lot coordinates in meters."""
        offset = np.array([self.origin_easting_m, self.origin_northing_m])
        moved = (np.asarray(easting_northing, float) - offset) / self.combined_factor
        # of row vectors the way there took the transpose: this is its inverse
        return np.asarray(moved @ self._turn)

    @property
    def unit_words(self) -> str:
        """The name of the CRS's unit as people here spell it."""
        return unit_words(self.unit_name)

    def to_crs(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2) to coordinates in the CRS's own unit."""
        return self.to_grid_m(xy) / self.meters_per_unit

    def from_crs(self, coordinates: Array) -> Array:
        """Take coordinates (..., 2) in the CRS's own unit to lot coordinates in meters."""
        return self.from_grid_m(np.asarray(coordinates, float) * self.meters_per_unit)

    @property
    def to_degrees(self) -> Operation:
        """The operation by which longitudes and latitudes are written."""
        unit_m = self.meters_per_unit
        # the CRS's own unit, as pyproj takes it
        return _at_origin(self.crs, self.origin_easting_m / unit_m, self.origin_northing_m / unit_m)

    @property
    def datum(self) -> str:
        """The name of the CRS's geodetic datum."""
        geodetic = known_crs(self.crs).geodetic_crs
        return "not named" if geodetic is None or geodetic.datum is None else geodetic.datum.name

    def to_lonlat(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2) to WGS 84 longitude, latitude in degrees."""
        coordinates = self.to_crs(xy)
        longitude, latitude = self.to_degrees.transformer.transform(
            coordinates[..., 0], coordinates[..., 1]
        )
        return np.stack([np.asarray(longitude), np.asarray(latitude)], axis=-1)

    def written_crs(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2) to the CRS as they are written, both on the lattice."""
        # before and after: the same place gives the same digits by whatever path it was computed
        return on_lattice(self.to_crs(on_lattice(xy)))

    def written_lonlat(self, xy: Array) -> Array:
        """Take lot coordinates (..., 2), put on the lattice, to degrees of 8 decimals (1 mm)."""
        return decimals(self.to_lonlat(on_lattice(xy)), 8)

    def azimuth_deg(self, angle_rad: float) -> float:
        """Turn a lot angle (counter-clockwise from lot x, radians) into a grid azimuth.

        >>> round(LotFrame("EPSG:32616", 0.0, 0.0, 90.0).azimuth_deg(np.pi / 2), 9)
        0.0
        """
        return wrap_degrees(self.x_azimuth_deg - float(np.degrees(angle_rad)))

    def angle_rad(self, azimuth_deg: float) -> float:
        """Turn a grid azimuth into a lot angle (counter-clockwise from lot x, radians)."""
        return float(np.radians(self.x_azimuth_deg - azimuth_deg))
