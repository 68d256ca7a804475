"""A city's layers in files: shapes read back in parts, columns mapped into memory page by page.

What was read of them is let go after every chunk (:meth:`Layers.release`), so that a town of a
million lots is worked on in little more memory than a small one.
"""

from __future__ import annotations

import mmap
import os
import tempfile
import weakref
from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any, Generic, TypeVar

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
from .filters import basement_codes
from .layer_arrays import (
    Block,
    Habits,
    Laterals,
    Mains,
    Manholes,
    Parcels,
    Shapes,
    Streets,
    Whole,
    Words,
    box_around,
)
from .layer_frame import release_memory

# Rows that are boxed together in the index, and those that are read at once.
PAGE, GROUP = 64, 8192
CURVE_LEVEL = 16
# Smaller arrays stay in memory.
LEAST_MAPPED_BYTES = 1 << 20

R = TypeVar("R", Streets, Mains, Manholes)


class Shelf:
    """Arrays in files that go with the process; what is read of them can be let go again."""

    def __init__(self) -> None:
        self._maps: list[mmap.mmap] = []

    def keep(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return an array that lies in a file, of the same values and read-only; a small one as is.

        Raises ``CannotWrite`` where the temporary folder is full.
        """
        if values.nbytes < LEAST_MAPPED_BYTES or not values.nbytes:
            return values
        try:
            with tempfile.TemporaryFile(prefix="sitegis-") as file:
                values.tofile(file)
                file.flush()
                mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        except OSError as error:
            raise CannotWrite(f"{tempfile.gettempdir()}: {error.strerror}.") from error
        self._maps.append(mapped)
        return np.frombuffer(mapped, values.dtype).reshape(values.shape)

    def release(self) -> None:
        """Let go the memory of what was read; it is read from the files again when it is used."""
        for mapped in self._maps:
            mapped.madvise(mmap.MADV_DONTNEED)


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
        self._added: list[tuple[Array, NDArray[np.int32]]] = []
        self._starts: Whole = np.zeros(0, np.int64)
        self._along: Whole = np.zeros(0, np.int64)
        self._shelf = Shelf()

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
        self._added.append((bounds, np.array(sizes, np.int32).reshape(2, -1)))

    def gather(self) -> Array:
        """Return the boxes (n, 4) of all rows as they were appended."""
        if self._added:
            sizes = np.concatenate([sizes for _bounds, sizes in self._added], axis=1)
            whole = sizes.sum(axis=0, dtype=np.int64)
            self._starts = np.cumsum(whole) - whole
            self._shape_sizes, self._text_sizes = sizes
            self.bounds = np.concatenate([bounds for bounds, _sizes in self._added])
            self._added = []
        return self.bounds

    def put_in_order(self, order: Whole) -> None:
        """Keep the rows at places ``order`` (n,) of those there are, in that order."""
        bounds, keep = self.gather()[order], self._shelf.keep
        self._starts = keep(self._starts[order])
        self._shape_sizes = keep(self._shape_sizes[order])
        self._text_sizes = keep(self._text_sizes[order])
        self.bounds = keep(bounds)
        middles = (bounds[:, :2] + bounds[:, 2:]) / 2.0
        del bounds
        # neighbors in the plane are neighbors on the curve, so that pages have small boxes
        self._along = keep(np.argsort(along_curve(middles), kind="stable"))
        firsts = np.arange(0, len(order), PAGE)
        low = np.minimum.reduceat(self.bounds[self._along, :2], firsts) if len(order) else middles
        high = np.maximum.reduceat(self.bounds[self._along, 2:], firsts) if len(order) else middles
        self._pages = STRtree(shapely.box(*low.T, *high.T))
        if len(order) > GROUP:
            release_memory()

    def release(self) -> None:
        """Let go the memory of what was read."""
        self._shelf.release()

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
    basements: Array

    def parcels(self, rows: Whole) -> Parcels:
        """Read some lots (k,)."""
        return Parcels(
            self.ids[rows],
            self.outlines.shapes(rows),
            self.outlines.texts(rows),
            self.years[rows],
            self.grounds_m[rows],
            self.basements[rows],
        )

    def on(self, shelf: Shelf) -> Lots:
        """Return the same lots with their columns in files."""
        return replace(
            self,
            ids=shelf.keep(self.ids),
            middles=shelf.keep(self.middles),
            years=shelf.keep(self.years),
            grounds_m=shelf.keep(self.grounds_m),
            basements=shelf.keep(self.basements),
        )


class Shelved(Generic[R]):
    """A layer whose shapes and columns lie in files."""

    def __init__(self, record: R, shelf: Shelf) -> None:
        self.shapes = Stored.of(record.shapes)
        columns = {
            field.name: shelf.keep(getattr(record, field.name))
            for field in fields(record)
            if field.name != "shapes"
        }
        # in the place of the shapes: nothing, as often
        nothing = np.broadcast_to(np.array([None], object), len(self.shapes))
        self.columns: R = replace(record, shapes=nothing, **columns)

    def within(self, bounds: Array) -> R:
        """Return the rows, in order, whose boxes meet one."""
        rows = self.shapes.within(bounds)
        return replace(take_rows(self.columns, rows), shapes=self.shapes.shapes(rows))


@dataclass(frozen=True, slots=True)
class Records:
    """The layers of a whole city as they were read; ``rows`` is empty where none was given."""

    lots: Lots
    houses: Stored
    centerlines: Streets
    rows: Streets
    has_rows: bool
    mains: Mains
    manholes: Manholes
    laterals: Laterals
    priors: Priors
    habits: Habits


class Layers:
    """The layers of a whole city, in files; ``habits`` may be learned from its laterals."""

    def __init__(self, read: Records) -> None:
        self._shelf = Shelf()
        self.lots, self.houses = read.lots.on(self._shelf), read.houses
        self.centerlines = Shelved(read.centerlines, self._shelf)
        self.rows, self.has_rows = Shelved(read.rows, self._shelf), read.has_rows
        self.mains = Shelved(read.mains, self._shelf)
        self.manholes = Shelved(read.manholes, self._shelf)
        self.laterals, self.priors, self.habits = read.laterals, read.priors, read.habits

    def release(self) -> None:
        """Let go the memory of what was read from the files."""
        self._shelf.release()
        shelved = (self.centerlines, self.rows, self.mains, self.manholes)
        for stored in (self.lots.outlines, self.houses, *(layer.shapes for layer in shelved)):
            stored.release()

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
        outset = around_m * np.array([-1.0, -1.0, 1.0, 1.0])
        bounds = box_around(self.lots.outlines.bounds[own]) + outset
        rows, houses = self.lots.outlines.within(bounds), self.houses.within(bounds)
        return Block(
            parcels=self.lots.parcels(rows),
            own=np.isin(rows, own),
            houses=self.houses.shapes(houses),
            basements=basement_codes(self.houses.texts(houses)),
            centerlines=self.centerlines.within(bounds),
            rows=self.rows.within(bounds),
            has_rows=self.has_rows,
            mains=self.mains.within(bounds),
            manholes=self.manholes.within(bounds),
            laterals=self._laterals(rows, bounds),
            priors=self.priors,
            habits=self.habits,
        )

    def _laterals(self, lots: Whole, bounds: Array) -> Laterals:
        """Return the laterals on record of some lots (n,), numbered by them and the mains there."""
        if not len(self.laterals.lot):
            return self.laterals
        found = take_rows(self.laterals, np.isin(self.laterals.lot, lots))
        mains = np.append(self.mains.shapes.within(bounds), np.iinfo(np.int64).max)
        place = np.searchsorted(mains, found.main)
        return replace(
            found,
            lot=np.searchsorted(lots, found.lot),
            main=np.where(mains[place] == found.main, place, -1),
        )
