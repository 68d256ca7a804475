"""The chunks' tables in the order of parcel ids, some thousand lots at a time.

Chunks hold neighbors, the output goes by id: so the rows of a large city are first written to
files sorted by ranges of ids, as an external sort does. What is in memory does not grow with the
city.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from .layer_arrays import Whole, Words
from .tables import GEOMETRY, Columns, Tables, join, load_tables, objects

# So many lots' tables take about 60 MB.
LOTS_AT_ONCE = 10_000


def tables_in_order(
    files: list[Path], ids: Words, seen: Callable[[Tables], None]
) -> Iterator[Tables]:
    """Yield the tables of ``files``, sorted by parcel, range after range; shapes are WKB.

    ``ids`` (n,) are the parcels' in order. Every chunk's tables are shown to ``seen`` once,
    before the first range is given.

    Parameters
    ----------
    files
        Files of the chunks.
    ids
        Parcel ids in order (n,).
    seen
        Called once with every chunk's tables.

    Yields
    ------
    Iterator[Tables]
        Tables sorted by parcel.
    """
    bounds = ids[LOTS_AT_ONCE::LOTS_AT_ONCE]
    if not len(bounds):
        if files:
            yield _sorted(_loaded(files, seen))
        return
    with contextlib.ExitStack() as opened:
        shared = [
            _Ranges(
                group,
                bounds,
                opened.enter_context(tempfile.TemporaryFile(prefix=".part-", dir=files[0].parent)),
            )
            for group in _groups(files, seen)
        ]
        for part in range(len(bounds) + 1):
            yield _sorted(_joined([group.rows(part) for group in shared]))


class _Ranges:
    """The rows of some chunks in an empty file: range of ids after range."""

    def __init__(self, tables: Tables, bounds: Words, file: IO[bytes]) -> None:
        parts = np.arange(len(bounds) + 2)
        self._columns = {
            name: {column: values.dtype for column, values in columns.items()}
            for name, columns in tables.items()
        }
        rows, starts = {}, {}
        for name, columns in tables.items():
            part = np.searchsorted(bounds, columns["parcel"], side="right")
            rows[name] = np.argsort(part, kind="stable")
            starts[name] = np.searchsorted(part[rows[name]], parts).tolist()
        self._starts, self._offsets, self._file = starts, [0], file
        for part in parts[:-1].tolist():
            for name, columns in tables.items():
                here = rows[name][starts[name][part] : starts[name][part + 1]]
                for column, values in columns.items():
                    self._write(values[here], shapes=column == GEOMETRY)
            self._offsets.append(self._file.tell())
        self._file.flush()

    def _write(self, values: NDArray[Any], *, shapes: bool) -> None:
        if shapes:
            content = [wkb or b"" for wkb in values.tolist()]
            self._file.write(np.array([len(wkb) for wkb in content], np.int64).tobytes())
            self._file.write(b"".join(content))
        else:
            self._file.write(values.tobytes())

    def rows(self, part: int) -> Tables:
        """Return the rows of one range."""
        start, end = self._offsets[part : part + 2]
        content, at = os.pread(self._file.fileno(), end - start, start), 0
        tables: Tables = {}
        for name, columns in self._columns.items():
            low, high = self._starts[name][part : part + 2]
            tables[name] = {}
            for column, kind in columns.items():
                shapes = column == GEOMETRY
                # sizes first, then the bytes of the shapes
                values = np.frombuffer(content, np.int64 if shapes else kind, high - low, at)
                at += values.nbytes
                if shapes:
                    ends = at + np.cumsum(values)
                    pairs = zip((ends - values).tolist(), ends.tolist(), strict=True)
                    at += int(values.sum())
                    values = objects(content[first:last] or None for first, last in pairs)
                tables[name][column] = values
        return tables


def _loaded(files: list[Path], seen: Callable[[Tables], None]) -> Tables:
    """Load tables and put them under one another."""
    parts = []
    for file in files:
        parts.append(load_tables(file, as_wkb=True))
        seen(parts[-1])
    return _joined(parts)


def _joined(parts: list[Tables]) -> Tables:
    return {name: join([part[name] for part in parts]) for name in parts[0]}


def _groups(files: list[Path], seen: Callable[[Tables], None]) -> Iterator[Tables]:
    """Yield the tables of as many chunks together as one range holds."""
    parts: list[Tables] = []
    for file in files:
        parts.append(load_tables(file, as_wkb=True))
        seen(parts[-1])
        if sum(len(part["lots"]["parcel"]) for part in parts) >= LOTS_AT_ONCE:
            yield _joined(parts)
            parts = []
    if parts:
        yield _joined(parts)


def _rows(columns: Columns, rows: Whole) -> Columns:
    return {name: values[rows] for name, values in columns.items()}


def _sorted(tables: Tables) -> Tables:
    """Sort every table by parcel; rows of one parcel keep their order."""
    there = sorted({name for t in tables.values() for name in t["parcel"].tolist()})
    place = {name: number for number, name in enumerate(there)}
    made = {}
    for name, columns in tables.items():
        at = np.array([place[parcel] for parcel in columns["parcel"].tolist()], np.int64)
        made[name] = _rows(columns, np.argsort(at, kind="stable"))
    return made
