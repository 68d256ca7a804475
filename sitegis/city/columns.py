"""Columns as text and numbers, geometries in meters and in an order of their own."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from ..geometry.frames import Array
from ..geometry.operations import Operation, cell_of_place, operation
from ..late_dataclass import dataclass
from ..numerics.ordering import on_lattice
from ..read.layers.features import flat_crs
from .layer_arrays import Flags, Shapes, Words
from .layer_frame import Layer

POINTS, LINES, AREAS = 0, 1, 2
METERS = {"ft": 0.3048, "m": 1.0}


@dataclass(frozen=True, slots=True)
class Placer:
    """Takes geometries to the working CRS in meters."""

    crs: CRS
    meters_per_unit: float
    meters_per_attribute: float

    def pieces(self, layer: Layer) -> Iterator[tuple[Any, Shapes]]:
        """Yield a layer's rows, and their geometries (n,), flat, in meters; None where missing.

        A layer that came whole is one piece. The layer's middle chooses the operation for all.
        """
        moved = not CRS(layer.crs).equals(self.crs, ignore_axis_order=True)
        transformer = operation_of(layer, self.crs).transformer if moved else None

        def to_meters(xy: Array) -> Array:
            if transformer is not None:
                xy = np.stack(transformer.transform(*xy.T), axis=1).reshape(-1, 2)
                xy = on_lattice(xy)  # the operation's own last bits are the processor's
            return xy * self.meters_per_unit

        as_they_are = transformer is None and self.meters_per_unit == 1.0
        for frame in layer.pieces():
            flat = shapely.force_2d(frame.geometry.to_numpy())
            yield (
                frame,
                np.asarray(flat if as_they_are else shapely.transform(flat, to_meters), object),
            )

    def unit_m(self, written: str | None) -> float:
        """Return the unit of a layer's elevations in meters: its own, or the city's."""
        return self.meters_per_attribute if written is None else METERS[written]


def count_words(counts: Mapping[str, int], most: int | None = None) -> str:
    """Return what is counted in words, the most frequent first, no more than ``most`` of them.

    Parameters
    ----------
    counts
        How often each is there.
    most
        How many are named, None for all.

    Returns
    -------
    str
        Names and counts.
    """
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return ", ".join(f"{name} {n}" for name, n in ordered[:most])


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
    return np.lexsort((hashes(shapes), *shapely.bounds(shapes).reshape(-1, 4).T[::-1]))


def hashes(shapes: Shapes) -> Array:
    """Return a stable number of each geometry's content (n,), 0 where there is none."""
    return np.array([_hash_of(wkb or b"") for wkb in shapely.to_wkb(shapes).tolist()], float)


def _hash_of(content: bytes) -> int:
    """Return a stable 48-bit number of some bytes, which a float holds."""
    return int.from_bytes(hashlib.blake2b(content, digest_size=6).digest(), "little")


def operation_of(layer: Layer, crs: CRS) -> Operation:
    """Choose the operation from a layer's CRS to another, the same on every machine.

    Parameters
    ----------
    layer
        The layer.
    crs
        The working CRS.

    Returns
    -------
    Operation
        Operation from the layer's CRS.
    """
    source, (west, south, east, north) = flat_crs(CRS(layer.crs)), layer.middle_bounds
    return operation(source, crs, cell_of_place(source, (west + east) / 2.0, (south + north) / 2.0))


def extent(layer: Layer, crs: CRS) -> shapely.Polygon:
    """Return the box of a layer's geometries in the working CRS; not finite where none can be.

    Parameters
    ----------
    layer
        The layer.
    crs
        The working CRS.

    Returns
    -------
    shapely.Polygon
        The box.
    """
    whole = layer.total_bounds.tolist()
    return shapely.box(*operation_of(layer, crs).transformer.transform_bounds(*whole))
