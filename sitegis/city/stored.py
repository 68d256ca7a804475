"""What a city has one of per lot, parcels and buildings: kept in a file, read back in parts.

In memory are the bounding boxes and where each row lies in the file (about 60 bytes a row), so that
a town of a million lots is worked on in little more memory than a small one.
"""

from __future__ import annotations

import ctypes
import os
import tempfile
import weakref
from collections.abc import Iterator

import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.errors import CannotWrite
from ..model.site import Priors
from ..numerics.records import take_rows
from .layer_arrays import (
    Block,
    Mains,
    Manholes,
    Parcels,
    Shapes,
    Streets,
    Whole,
    Words,
    box_around,
)

# Rows that are boxed together in the index, and those that are read at once.
PAGE, GROUP = 64, 8192
CURVE_LEVEL = 16


def release_memory() -> None:
    """Hand freed memory back to the system, which the C library else keeps (glibc alone can)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


def along_curve(points: Array) -> Whole:
    """Return the places (n,) of points (n, 2) along a Hilbert curve over all of them."""
    if not len(points):
        return np.zeros(0, np.int64)
    bounds = (*points.min(axis=0).tolist(), *points.max(axis=0).tolist())
    parts = [
        geopandas.GeoSeries(shapely.points(part)).hilbert_distance(bounds, level=CURVE_LEVEL)
        for part in np.array_split(points, len(points) // GROUP + 1)
    ]
    return np.concatenate([part.to_numpy() for part in parts]).astype(np.int64)


class Stored:
    """Geometries in meters, each with a text, in a file that goes with the process.

    Rows are appended, then put in order; from then on they are read by place or by box.
    """

    def __init__(self) -> None:
        try:
            self._file, name = tempfile.mkstemp(prefix="sitegis-")
            os.unlink(name)
        except OSError as error:
            raise CannotWrite(f"{tempfile.gettempdir()}: {error.strerror}.") from error
        weakref.finalize(self, os.close, self._file)
        self._added: list[tuple[Array, Whole]] = []
        self._starts: Whole = np.zeros(0, np.int64)
        self._along: Whole = np.zeros(0, np.int64)

    @classmethod
    def of(cls, shapes: Shapes) -> Stored:
        """Return shapes (n,), none missing, in their order."""
        stored = cls()
        stored.append(shapes)
        stored.put_in_order(np.arange(len(shapes)))
        return stored

    def append(self, shapes: Shapes, texts: NDArray[np.str_] | None = None) -> None:
        """Add rows; a missing shape may stand only in one that is left out of the order.

        Parameters
        ----------
        shapes
            Geometries (k,), m, flat.
        texts
            One text a row (k,), None for none.

        Raises
        ------
        CannotWrite
            The temporary folder is full.
        """
        content = [wkb or b"" for wkb in shapely.to_wkb(shapes).tolist()]
        coded = [b""] * len(content) if texts is None else [t.encode() for t in texts.tolist()]
        try:
            with open(self._file, "ab", closefd=False) as file:
                file.writelines(part for row in zip(content, coded, strict=True) for part in row)
        except OSError as error:
            raise CannotWrite(f"{tempfile.gettempdir()}: {error.strerror}.") from error
        sizes = [[len(a) for a in content], [len(b) for b in coded]]
        bounds = shapely.bounds(shapes).reshape(-1, 4)
        self._added.append((bounds, np.array(sizes, np.int64).reshape(2, -1)))

    def put_in_order(self, order: Whole) -> None:
        """Keep the rows at places ``order`` (n,) of those there are, in that order."""
        if self._added:
            sizes = np.concatenate([sizes for _bounds, sizes in self._added], axis=1)
            self._starts = np.cumsum(sizes.sum(axis=0)) - sizes.sum(axis=0)
            self._shape_sizes, self._text_sizes = sizes.astype(np.int32)
            self.bounds = np.concatenate([bounds for bounds, _sizes in self._added])
            self._added = []
        self._starts, self.bounds = self._starts[order], self.bounds[order]
        self._shape_sizes = self._shape_sizes[order]
        self._text_sizes = self._text_sizes[order]
        middles = (self.bounds[:, :2] + self.bounds[:, 2:]) / 2.0
        # neighbors in the plane are neighbors on the curve, so that pages have small boxes
        self._along = np.argsort(along_curve(middles), kind="stable")
        firsts = np.arange(0, len(order), PAGE)
        low = np.minimum.reduceat(self.bounds[self._along, :2], firsts) if len(order) else middles
        high = np.maximum.reduceat(self.bounds[self._along, 2:], firsts) if len(order) else middles
        self._pages = STRtree(shapely.box(*low.T, *high.T))

    def __len__(self) -> int:
        """Return how many rows there are."""
        return len(self.bounds)

    def shapes(self, rows: Whole) -> Shapes:
        """Read the geometries of rows (k,)."""
        return np.asarray(shapely.from_wkb(self._read(self._starts[rows], self._shape_sizes[rows])))

    def texts(self, rows: Whole) -> NDArray[np.str_]:
        """Read the texts of rows (k,)."""
        starts = self._starts[rows] + self._shape_sizes[rows]
        read = [content.decode() for content in self._read(starts, self._text_sizes[rows])]
        return np.array(read, dtype=np.str_) if read else np.zeros(0, np.str_)

    def _read(self, starts: Whole, sizes: NDArray[np.int32]) -> list[bytes]:
        pairs = zip(starts.tolist(), sizes.tolist(), strict=True)
        return [os.pread(self._file, size, start) for start, size in pairs]

    def within(self, bounds: Array) -> Whole:
        """Return the rows (k,), in order, whose boxes meet one: west, south, east, north."""
        pages = self._pages.query(shapely.box(*bounds))
        rows = (np.sort(pages)[:, None] * PAGE + np.arange(PAGE)).ravel()
        rows = self._along[rows[rows < len(self)]]
        meets = (self.bounds[rows, :2] <= bounds[2:]) & (self.bounds[rows, 2:] >= bounds[:2])
        return np.sort(rows[meets.all(axis=1)]).astype(np.int64)

    def groups(self) -> Iterator[Whole]:
        """Yield all rows, some thousand neighbors at a time."""
        for start in range(0, len(self), GROUP):
            yield np.sort(self._along[start : start + GROUP]).astype(np.int64)


@dataclass(frozen=True, slots=True)
class Lots:
    """All lots in the order of their ids: ``outlines`` with the address as text, middles (n, 2)."""

    ids: Words
    outlines: Stored
    middles: Array
    years: Array
    grounds_m: Array

    def parcels(self, rows: Whole) -> Parcels:
        """Read some lots (k,)."""
        return Parcels(
            self.ids[rows],
            self.outlines.shapes(rows),
            self.outlines.texts(rows),
            self.years[rows],
            self.grounds_m[rows],
        )


@dataclass(frozen=True, slots=True)
class Layers:
    """The layers of a whole city: what there is one of per lot lies in files, the rest in memory.

    ``rows`` is empty where no right-of-way layer was given.
    """

    lots: Lots
    houses: Stored
    centerlines: Streets
    rows: Streets
    has_rows: bool
    mains: Mains
    manholes: Manholes
    priors: Priors


class Surroundings:
    """Cuts blocks out of a city's layers; each layer is indexed once."""

    def __init__(self, layers: Layers) -> None:
        self.layers = layers
        self._trees = {
            name: STRtree(getattr(layers, name).shapes)
            for name in ("centerlines", "rows", "mains", "manholes")
        }

    def block(self, own: Whole, around_m: float) -> Block:
        """Return the layers within a box about some lots (n,), in order, and some meters more.

        Parameters
        ----------
        own
            Places of the lots among all.
        around_m
            How far the box reaches beyond them, m.

        Returns
        -------
        Block
            The layers as arrays.
        """
        layers = self.layers
        outset = around_m * np.array([-1.0, -1.0, 1.0, 1.0])
        bounds = box_around(layers.lots.outlines.bounds[own]) + outset
        box = shapely.box(*bounds)
        # sorted: places in the block stand in the order of the city's
        near = {name: np.sort(tree.query(box)) for name, tree in self._trees.items()}
        rows = layers.lots.outlines.within(bounds)
        return Block(
            parcels=layers.lots.parcels(rows),
            own=np.isin(rows, own),
            houses=layers.houses.shapes(layers.houses.within(bounds)),
            has_rows=layers.has_rows,
            priors=layers.priors,
            **{name: take_rows(getattr(layers, name), at) for name, at in near.items()},
        )
