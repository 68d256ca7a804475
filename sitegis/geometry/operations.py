"""Coordinate operations chosen so that every machine has the same, whatever grids it holds."""

from __future__ import annotations

import math
import warnings
from functools import lru_cache

from pyproj import CRS, Proj, Transformer
from pyproj.transformer import AreaOfInterest, TransformerGroup

from ..late_dataclass import dataclass

Cell = tuple[int, int]
# operations are chosen at the middle of a cell, so that neighbors get the same
HALF_CELL_DEG = 0.5


@dataclass(frozen=True, slots=True)
class Operation:
    """How coordinates get from one CRS to another, easting or longitude first.

    ``name`` of the datum transformations on the way, empty where both have one datum;
    ``accuracy_m`` as the EPSG register states it, None where it states none.
    """

    transformer: Transformer
    name: str
    accuracy_m: float | None


def cell_of(longitude_deg: float, latitude_deg: float) -> Cell:
    """Return the whole degrees below a place; (0, 0) where it is none on the earth.

    Parameters
    ----------
    longitude_deg
        Degrees east.
    latitude_deg
        Degrees north.

    Returns
    -------
    Cell
        Longitude and latitude of the cell's corner, whole degrees.

    Examples
    --------
    >>> cell_of(-87.5, 41.2)
    (-88, 41)
    """
    if not (math.isfinite(longitude_deg) and math.isfinite(latitude_deg)):
        return 0, 0
    # the pole belongs to the last cell below it
    return math.floor(longitude_deg), math.floor(min(max(latitude_deg, -90.0), 89.0))


def cell_of_place(crs: CRS, x: float, y: float) -> Cell:
    """Return the cell of a place in a CRS, in its own datum: near enough to choose by.

    Parameters
    ----------
    crs
        CRS of the coordinates.
    x
        First coordinate, in the CRS's unit.
    y
        Second coordinate, in the CRS's unit.

    Returns
    -------
    Cell
        Longitude and latitude of the cell's corner, whole degrees.
    """
    if crs.is_geographic or not crs.is_projected:
        return cell_of(x, y)
    return cell_of(*Proj(crs)(x, y, inverse=True))


@lru_cache(maxsize=128)
def operation(source: CRS, target: CRS, cell: Cell) -> Operation:
    """Choose the operation between two CRS about a place, none that needs a grid file.

    Of PROJ's list for the middle of the cell (of one degree) the first that needs no grid and
    has an accuracy, else the first that needs no grid. Which grids a machine has, or may fetch,
    changes nothing: one with a grid is never taken.

    Parameters
    ----------
    source
        CRS of what goes in.
    target
        CRS of what comes out.
    cell
        Whole degrees about which the operation is chosen.

    Returns
    -------
    Operation
        A function of coordinates, the same on every machine.
    """
    longitude, latitude = (whole + HALF_CELL_DEG for whole in cell)
    area = AreaOfInterest(longitude, latitude, longitude, latitude)
    with warnings.catch_warnings():
        # it warns that a better one would need a grid
        warnings.simplefilter("ignore", UserWarning)
        listed = TransformerGroup(source, target, always_xy=True, area_of_interest=area)
    # PROJ names the files of grid shifts in the definition of a transformation
    free = [one for one in listed.transformers if "grids=" not in one.definition]
    known = [one for one in free if one.accuracy >= 0.0]
    if not free:
        chosen = Transformer.from_crs(source, target, always_xy=True)
        return Operation(chosen, chosen.description, None)
    chosen = (known or free)[0]
    # conversions to and from a projection are steps too, but change no datum
    steps = [one.name for one in chosen.operations or () if "Transformation" in one.type_name]
    return Operation(chosen, " + ".join(steps), chosen.accuracy if known else None)
