"""The chunks' tables in the order of parcel ids, some thousand lots at a time.

Chunks hold neighbors, the output goes by id: so the rows of a large city are first shared out to
files by ranges of ids, as an external sort does. What is in memory does not grow with the city.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from .layer_arrays import Whole, Words
from .tables import Columns, Tables, join, load_tables, save_tables

# So many lots' tables take about 60 MB.
LOTS_AT_ONCE = 10_000
RANGE_FILES = "range-*.npz"


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
    shared: list[list[Path]] = [[] for _ in range(len(bounds) + 1)]
    for number, group in enumerate(_groups(files, seen)):
        # each group writes to every range: no more than a group is in memory
        for part, rows in enumerate(_split(group, bounds)):
            path = files[0].with_name(f"range-{part:05d}-{number:05d}.npz")
            save_tables(rows, path)
            shared[part].append(path)
    for paths in shared:
        yield _sorted(_loaded(paths, lambda _tables: None))
        for path in paths:
            path.unlink()


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


def _split(tables: Tables, bounds: Words) -> Iterator[Tables]:
    """Share rows out to the ranges between bounds."""
    at = {name: np.searchsorted(bounds, t["parcel"], side="right") for name, t in tables.items()}
    for part in range(len(bounds) + 1):
        yield {name: _rows(t, np.flatnonzero(at[name] == part)) for name, t in tables.items()}


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
