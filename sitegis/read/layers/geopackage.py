"""A look into a GeoPackage before GDAL reads it: nothing in it may be worked out by reading it.

A GeoPackage is an SQLite database, so a layer may be a program: a view without end, a column
that is worked out row by row. Such layers are refused by what the schema says of them. What
every GeoPackage has besides tables stays welcome: triggers fire only when something is written,
which nothing here does, and the spatial index is the one kind of virtual table that is known.
The file's own damage is looked for as well: a damaged one can end the whole process.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from ..faults import Report

# Larger files are only looked at where their tables are described.
MOST_CHECKED_BYTES = 100_000_000
# All judgment: steps of SQLite's machine (a count, no clock), tables, rows of a description.
MOST_STEPS, STEPS_AT_ONCE = 500_000_000, 1_000_000
MOST_TABLES, MOST_DESCRIBED, LONGEST_DESCRIPTION = 10_000, 20_000, 1_000_000
_DESCRIBED = (
    "SELECT * FROM gpkg_contents",
    "SELECT * FROM gpkg_geometry_columns",
    "SELECT * FROM gpkg_spatial_ref_sys",
)
# What no reading of plain tables needs; SQLite's own advice for files of strangers.
_LIMITS = {
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 50,
    sqlite3.SQLITE_LIMIT_COMPOUND_SELECT: 5,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 10,
    sqlite3.SQLITE_LIMIT_VDBE_OP: 1_000_000,
    sqlite3.SQLITE_LIMIT_LENGTH: LONGEST_DESCRIPTION,
}
_SETTINGS = (
    "trusted_schema = OFF",
    "cell_size_check = ON",
    "mmap_size = 0",
    "query_only = ON",
    "ignore_check_constraints = ON",
)
# Tables that GDAL itself looks into, whichever layer is asked for.
_OF_THE_FORMAT = re.compile(r"(?i)gpkg|rtree_|layer_styles$|qgis_|ogr_|spatial_ref_sys$")
_RTREE = re.compile(r"(?i)\s*CREATE\s+VIRTUAL\s+TABLE\s.*\sUSING\s+rtree\s*\(")


def is_sound_geopackage(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse a GeoPackage that SQLite finds damaged, that is no UTF-8, or that computes.

    GDAL tells damaged bytes in its errors, and the library between dies of decoding them.
    A view that is not asked for stays where it is: GDAL does not run it.

    Parameters
    ----------
    path
        The layer's file.
    written
        Path as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether it may be read.
    """
    try:
        with _opened(path) as database:
            computed = _computed(database)
            if not computed:
                _read_descriptions(database)
                # the check reads the whole file
                if path.stat().st_size <= MOST_CHECKED_BYTES:
                    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, MOST_CHECKED_BYTES)
                    (found,) = database.execute("PRAGMA quick_check(1)").fetchone()
                    if found != "ok":
                        raise sqlite3.DatabaseError(found)
    except (sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
        report.fault("layer-unreadable:damaged", key, written, error=str(error)[:160])
        return False
    if computed:
        report.fault("layer-computed:file", key, written, computed=computed)
    return not computed


def is_stored_layer(path: Path, layer: str, key: str, report: Report) -> bool:
    """Refuse a layer that is a view or a virtual table; the file is one that was found sound.

    That there is no such layer is left to the reader to tell.

    Parameters
    ----------
    path
        The layer's file.
    layer
        Name of the layer.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether it is a table.
    """
    # SQLite's names are alike whatever their case
    query = "SELECT type, sql FROM sqlite_master WHERE name = ? COLLATE NOCASE"
    try:
        with _opened(path) as database:
            found = database.execute(query, (layer,)).fetchone()
    except (sqlite3.Error, UnicodeDecodeError) as error:
        report.fault("layer-unreadable:damaged", key, layer, error=str(error)[:160])
        return False
    if found is None or (found[0] == "table" and not _is_virtual(found[1])):
        return True
    report.fault("layer-computed", key, layer)
    return False


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database for reading only, within limits."""
    # immutable: no journal beside it is read or written
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    with contextlib.closing(sqlite3.connect(address, uri=True)) as database:
        database.text_factory = lambda raw: str(raw, "utf-8")
        for limit, value in _LIMITS.items():
            database.setlimit(limit, value)
        left = iter(range(MOST_STEPS // STEPS_AT_ONCE))
        # called every million steps; the first true answer ends the query
        database.set_progress_handler(lambda: next(left, None) is None, STEPS_AT_ONCE)
        for setting in _SETTINGS:
            database.execute(f"PRAGMA {setting}")
        yield database


def _is_virtual(sql: str | None) -> bool:
    return bool(re.match(r"(?i)\s*CREATE\s+VIRTUAL\b", sql or ""))


def _computed(database: sqlite3.Connection) -> str:
    """Say what in the file would be worked out while it is read; empty where nothing is."""
    listed = "SELECT type, name, sql FROM sqlite_master WHERE type IN ('table', 'view')"
    relations = database.execute(listed).fetchmany(MOST_TABLES + 1)
    if len(relations) > MOST_TABLES:
        return f"It holds more than {MOST_TABLES} tables."
    for kind, name, sql in relations:
        virtual = _is_virtual(sql)
        plain = kind == "table" and (not virtual or _RTREE.match(sql))
        if _OF_THE_FORMAT.match(name) and not plain:
            return f"Its table {name[:60]} is a view or a virtual table."
        # one that is not asked for is not run
        if kind == "view" or virtual:
            continue
        columns = database.execute("SELECT name, hidden FROM pragma_table_xinfo(?)", (name,))
        for column, hidden in columns:
            if hidden:
                return f"The column {column[:60]} of its table {name[:60]} is a generated one."
    return ""


def _read_descriptions(database: sqlite3.Connection) -> None:
    """Read all that describes the layers: what is damaged or no UTF-8 raises."""
    database.execute("SELECT type, name, tbl_name, sql FROM sqlite_master").fetchall()
    for query in _DESCRIBED:
        if len(database.execute(query).fetchmany(MOST_DESCRIBED + 1)) > MOST_DESCRIBED:
            raise sqlite3.DataError("too many rows where its layers are described")
