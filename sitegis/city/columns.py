"""Columns as text and numbers, geometries in meters and in an order of their own."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from ..geometry.frames import Array
from ..geometry.operations import Operation, cell_of_place, operation
from ..late_dataclass import dataclass
from ..read.layers.features import flat_crs
from .layer_arrays import Flags, Shapes, Words

POINTS, LINES, AREAS = 0, 1, 2
METERS = {"ft": 0.3048, "m": 1.0}


@dataclass(frozen=True, slots=True)
class Placer:
    """Takes geometries to the working CRS in meters."""

    crs: CRS
    meters_per_unit: float
    meters_per_attribute: float

    def shapes(self, frame: Any) -> Shapes:
        """Return a frame's geometries (n,), flat, meters of the city's CRS; None where missing."""
        flat = shapely.force_2d(frame.geometry.to_numpy())
        if not CRS(frame.crs).equals(self.crs, ignore_axis_order=True):
            transformer = operation_of(frame, self.crs).transformer
            flat = shapely.transform(
                flat, lambda xy: np.stack(transformer.transform(*xy.T), axis=1).reshape(-1, 2)
            )
        if self.meters_per_unit != 1.0:
            flat = shapely.transform(flat, lambda xy: xy * self.meters_per_unit)
        return np.asarray(flat, object)

    def unit_m(self, written: str | None) -> float:
        """Return the unit of a layer's elevations in meters: its own, or the city's."""
        return self.meters_per_attribute if written is None else METERS[written]


def words(frame: Any, column: str | None) -> Words:
    """Return a column as text (n,); whole numbers lose their ``.0``, nothing becomes "".

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    column
        Name of the column, None where none is named.

    Returns
    -------
    Words
        Texts (n,).
    """
    if column is None:
        return np.full(len(frame), "", dtype=np.str_)
    values = frame[column]
    if pd.api.types.is_float_dtype(values):
        filled = values.to_numpy(float)
        text = [
            "" if not np.isfinite(v) else str(int(v)) if v == int(v) else repr(float(v))
            for v in filled
        ]
    else:
        text = [
            "" if missing else str(v).strip()
            for v, missing in zip(values, values.isna(), strict=True)
        ]
    return np.array(text, dtype=np.str_) if text else np.zeros(0, np.str_)


def numbers(frame: Any, column: str | None) -> Array:
    """Return a column as numbers (n,), nan where there is none.

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    column
        Name of the column, None where none is named.

    Returns
    -------
    Array
        Numbers (n,), nan for none.
    """
    if column is None:
        return np.full(len(frame), np.nan)
    values = pd.to_numeric(frame[column], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(values), values, np.nan)


def are_finite(shapes: Shapes) -> Flags:
    """Return which geometries (n,) are there, hold something and lie within 1e9 of the origin."""
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    bounds = shapely.bounds(shapes)
    return np.asarray(there & (np.abs(np.nan_to_num(bounds, nan=np.inf)) < 1e9).all(axis=1))


def order_by_place(shapes: Shapes) -> NDArray[np.int64]:
    """Return the order (n,) by bounding box, then by content: the same for any order of rows."""
    if not len(shapes):
        return np.zeros(0, np.int64)
    bounds = shapely.bounds(shapes)
    content = np.array([hash_of(wkb) for wkb in shapely.to_wkb(shapes)], dtype=np.uint64)
    return np.lexsort((content, *bounds.T[::-1]))


def hash_of(content: bytes) -> int:
    """Return a stable 64-bit number of some bytes."""
    return int.from_bytes(hashlib.blake2b(content, digest_size=8).digest(), "little")


def middle_of(frame: Any) -> Array:
    """Return bounds (4,) of a frame's middle feature, nan where there is none.

    A stray feature tells nothing of where the layer lies.
    """
    each = shapely.bounds(frame.geometry.to_numpy())
    each = each[np.isfinite(each).all(axis=1)]
    return np.asarray(np.median(each, axis=0)) if len(each) else np.full(4, np.nan)


def operation_of(frame: Any, crs: CRS) -> Operation:
    """Choose the operation from a frame's CRS to another, the same on every machine.

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    crs
        The working CRS.

    Returns
    -------
    Operation
        Operation from the frame's CRS.
    """
    source, (west, south, east, north) = flat_crs(CRS(frame.crs)), middle_of(frame)
    return operation(source, crs, cell_of_place(source, (west + east) / 2.0, (south + north) / 2.0))


def extent(frame: Any, crs: CRS) -> shapely.Polygon:
    """Return the box of a frame's geometries in the working CRS; not finite where none can be.

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    crs
        The working CRS.

    Returns
    -------
    shapely.Polygon
        The box.
    """
    bounds = operation_of(frame, crs).transformer.transform_bounds(*frame.total_bounds)
    return shapely.box(*bounds)
