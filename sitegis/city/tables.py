"""Tables of columns: what a chunk of lots gives, kept in one file without any pickle."""

from __future__ import annotations

import io
import os
import tempfile
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ..numerics.ordering import decimals
from .layer_arrays import Shapes

GEOMETRY = "geometry"
# decimals of lengths and of all other numbers that are not whole
LENGTH_DIGITS, DIGITS = 4, 6
Columns = dict[str, NDArray[Any]]
Tables = dict[str, Columns]


def table(geometry: Shapes | None, **columns: Any) -> Columns:
    """Return a table of columns (n,); ``geometry`` becomes its last column.

    Lengths (``_m``) are rounded to 0.1 mm, other numbers to 1e-6.

    Parameters
    ----------
    geometry
        One shape a row (n,), None for a table without.
    **columns
        Values (n,) by the name of the column.

    Returns
    -------
    Columns
        Arrays (n,) by name.

    Raises
    ------
    ValueError
        The columns differ in length.
    """
    made = {name: rounded(name, np.asarray(values)) for name, values in columns.items()}
    if geometry is not None:
        made[GEOMETRY] = np.asarray(geometry, object)
    lengths = {len(values) for values in made.values()}
    if len(lengths) != 1:
        raise ValueError(f"columns of different lengths: {sorted(lengths)}")
    return made


def rounded(name: str, values: NDArray[Any]) -> NDArray[Any]:
    """Return a column as it is written: lengths (``_m``) to 0.1 mm, other floats to 1e-6.

    Parameters
    ----------
    name
        Name of the column.
    values
        Its values (n,); what is no float stays.

    Returns
    -------
    NDArray[Any]
        Values (n,).
    """
    if values.dtype.kind != "f":
        return values
    return decimals(values, LENGTH_DIGITS if name.endswith("_m") else DIGITS)


def join(tables: Sequence[Columns]) -> Columns:
    """Put tables with the same columns under one another."""
    return {name: np.concatenate([t[name] for t in tables]) for name in tables[0]}


def save_tables(tables: Tables, path: Path) -> None:
    """Write tables to a file, atomically: it is there whole or not at all.

    Parameters
    ----------
    tables
        Columns by layer.
    path
        The file.
    """
    arrays: dict[str, NDArray[Any]] = {}
    for name, columns in tables.items():
        for column, values in columns.items():
            key = f"{name}/{column}"
            if column == GEOMETRY:
                wkb = [b"" if w is None else w for w in to_wkb(values)]
                arrays[key] = np.frombuffer(b"".join(wkb), np.uint8)
                arrays[f"{key}#sizes"] = np.array([len(w) for w in wkb], np.int64)
            else:
                arrays[key] = values
    buffer = io.BytesIO()
    # as numpy.savez_compressed does, but with the fastest compression
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, values in arrays.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as member:
                np.lib.format.write_array(member, values, allow_pickle=False)
    write_whole(path, buffer.getvalue())


def load_tables(path: Path, *, as_wkb: bool = False) -> Tables:
    """Read what :func:`save_tables` wrote; shapes as bytes if wanted.

    Parameters
    ----------
    path
        The file.
    as_wkb
        Whether shapes stay bytes.

    Returns
    -------
    Tables
        The tables.
    """
    tables: Tables = {}
    with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
        for key in stored.files:
            if key.endswith("#sizes"):
                continue
            name, _slash, column = key.partition("/")
            values = stored[key]
            if column == GEOMETRY:
                values = _wkb(values, stored[f"{key}#sizes"])
                values = values if as_wkb else from_wkb(values)
            tables.setdefault(name, {})[column] = values
    return tables


def _wkb(content: NDArray[Any], sizes: NDArray[Any]) -> Shapes:
    ends = np.cumsum(sizes)
    raw = content.tobytes()
    return objects(
        raw[start:end] or None
        for start, end in zip((ends - sizes).tolist(), ends.tolist(), strict=True)
    )


def objects(values: Iterable[Any]) -> Shapes:
    """Make an array (n,) of anything, a sequence too."""
    listed = list(values)
    out = np.empty(len(listed), object)
    out[:] = listed
    return out


def to_wkb(shapes: Shapes) -> Shapes:
    """Return shapes (n,) as WKB, the same bytes on any processor; what is WKB already stays."""
    if len(shapes) and isinstance(next((s for s in shapes if s is not None), None), bytes):
        return shapes
    return np.asarray(shapely.to_wkb(shapes, byte_order=1), object)


def from_wkb(content: Shapes) -> Shapes:
    """Return the shapes (n,) of WKB."""
    return np.asarray(shapely.from_wkb(content), object)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under a temporary name, sync it and rename it into place.

    Parameters
    ----------
    path
        The file.
    content
        Its bytes.
    """
    descriptor, temporary = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        # a temporary file is its owner's alone, a map is for all who may look into the folder
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
