"""One layer's file as frames, whole or in pieces, here or in the process that tries first."""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import json
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
        if self._is_parquet:
            yield from self._parquet_frames()
            return
        rows = self._info()["features"] if self.in_pieces and self.per_lot else -1
        if rows <= PIECE_ROWS:
            yield self._read()
            return
        for start in range(0, rows, PIECE_ROWS):
            yield self._read(rows=slice(start, start + PIECE_ROWS))
            # of a large layer's pieces: it would pile up otherwise
            release_memory()

    @property
    def _is_parquet(self) -> bool:
        return self.path.suffix.lower() == ".parquet"

    def _parquet_frames(self) -> Iterator[Any]:
        """Yield the rows of a GeoParquet, of a large layer with one a lot batch after batch."""
        with self._open_parquet() as file:
            about = json.loads((file.schema_arrow.metadata or {}).get(b"geo", b"{}"))
            geometry = about.get("primary_column", "")
            column = about.get("columns", {}).get(geometry, {})
            whole = not self.per_lot or file.metadata.num_rows <= PIECE_ROWS
            if whole or column.get("encoding") != "WKB":
                yield geopandas.read_parquet(self.path)
                return
            there = [name for name in self.wanted if name in file.schema_arrow.names]
            for batch in file.iter_batches(PIECE_ROWS, columns=[*there, geometry]):
                frame = batch.to_pandas()
                shapes = shapely.from_wkb(frame.pop(geometry).to_numpy())
                # without the key the standard means longitude and latitude
                crs = column.get("crs", "OGC:CRS84")
                yield geopandas.GeoDataFrame(frame, geometry=shapes, crs=crs)
                release_memory()

    def _open_parquet(self) -> Any:
        # its package is not part of a plain install; unbuffered a row group is read whole
        parquet = importlib.import_module("pyarrow.parquet")
        return parquet.ParquetFile(self.path, buffer_size=1 << 20, pre_buffer=False)

    def columns(self) -> list[str] | None:
        """Return the names of all columns, None where the frames have them."""
        if self._is_parquet:
            with self._open_parquet() as file:
                return [str(name) for name in file.schema_arrow.names]
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
    """A layer that was looked through once: its CRS and which of its rows (n,) are kept.

    ``total_bounds`` (4,) is the box of all rows kept, ``middle_bounds`` (4,) the box in the middle
    of theirs, by which a stray feature tells nothing of where the layer lies; nan where none has
    a shape. ``frame`` holds the rows of a layer that came whole, as all do that have fewer than
    one a lot; the pieces of others are read again.
    """

    source: Source
    crs: Any
    total_bounds: Array
    middle_bounds: Array
    kept: Flags
    frame: Any

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


def around_and_middle(bounds: Array) -> tuple[Array, Array]:
    """Return the box (4,) around boxes (n, 4) and the one in their middle, nan where there is none.

    Parameters
    ----------
    bounds
        Boxes (n, 4), nan for none.

    Returns
    -------
    around
        West, south, east, north.
    middle
        Medians of them.
    """
    there = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(there):
        return np.full(4, np.nan), np.full(4, np.nan)
    return box_around(there), np.asarray(np.median(there, axis=0))


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


def release_memory() -> None:
    """Hand freed memory back to the system, which the C library else keeps (glibc alone can)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
