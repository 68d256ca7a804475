"""One layer's file as frames, whole or in pieces, here or in the process that tries first."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from .layer_arrays import Flags, box_around

# Kinds of files that are read from any row on without reading what stands before it.
IN_PIECES = (".gpkg", ".shp", ".gdb")
PIECE_ROWS = 20_000


@dataclass(frozen=True, slots=True)
class Source:
    """A layer of a file: ``layer_name`` is None for the only one.

    ``wanted`` are the columns read of a kind that comes in pieces; of other kinds all are.
    A layer ``per_lot`` comes in pieces where it is large.
    """

    path: Path
    layer_name: str | None
    wanted: tuple[str, ...] = ()
    per_lot: bool = False

    @property
    def in_pieces(self) -> bool:
        """Whether the file is of a kind that comes in pieces."""
        return self.path.suffix.lower() in IN_PIECES

    def frames(self) -> Iterator[Any]:
        """Yield the rows as GeoDataFrames, at least one, a large layer's in pieces.

        Raises what geopandas raises, ``ValueError`` where the layer has no shapes.
        """
        if self.path.suffix.lower() == ".parquet":
            yield geopandas.read_parquet(self.path)
            return
        rows = self._info()["features"] if self.in_pieces and self.per_lot else -1
        if rows <= PIECE_ROWS:
            yield self._read()
            return
        for start in range(0, rows, PIECE_ROWS):
            yield self._read(rows=slice(start, start + PIECE_ROWS))

    def columns(self) -> list[str] | None:
        """Return the names of all columns, None where the frames have them."""
        return [str(name) for name in self._info()["fields"]] if self.in_pieces else None

    def _info(self) -> Any:
        with _calm():
            return pyogrio.read_info(self.path, layer=self.layer_name)

    def _read(self, **options: Any) -> Any:
        if self.layer_name:
            options["layer"] = self.layer_name
        if self.in_pieces:
            options["columns"] = list(self.wanted)
        with _calm():
            frame = geopandas.read_file(self.path, **options)
        if not isinstance(frame, geopandas.GeoDataFrame):
            raise ValueError("the layer holds no shapes")
        return frame


@dataclass(frozen=True, slots=True)
class Layer:
    """A layer that was looked through once: its CRS and the boxes (n, 4) of the rows kept.

    ``frame`` holds the rows of a layer that came whole, as all do that have fewer than one a lot;
    the pieces of others are read again.
    """

    source: Source
    crs: Any
    bounds: Array
    kept: Flags
    frame: Any

    @property
    def total_bounds(self) -> Array:
        """The box (4,) of all rows, nan where none has a shape."""
        boxes = self.bounds[np.isfinite(self.bounds).all(axis=1)]
        return box_around(boxes) if len(boxes) else np.full(4, np.nan)

    def pieces(self) -> Iterator[Any]:
        """Yield the rows kept as GeoDataFrames."""
        if self.frame is not None:
            yield self.frame
            return
        end = 0
        for frame in self.source.frames():
            start, end = end, end + len(frame)
            yield frame[self.kept[start:end]].reset_index(drop=True)


def bounds_of(frame: Any) -> Array:
    """Return the boxes (n, 4) of a frame's geometries, nan where there is none."""
    return np.asarray(shapely.bounds(frame.geometry.to_numpy())).reshape(-1, 4)


def dimensions_of(frame: Any) -> NDArray[np.int64]:
    """Return the different dimensions of a frame's geometries, -1 for none."""
    return np.unique(shapely.get_dimensions(frame.geometry.to_numpy()))


@contextlib.contextmanager
def _calm() -> Iterator[None]:
    """Quiet warnings: a column of mixed or odd types is still read, what matters checked later."""
    with warnings.catch_warnings():
        for category in (UserWarning, RuntimeWarning):
            warnings.simplefilter("ignore", category)
        yield
