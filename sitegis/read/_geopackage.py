"""A look into a GeoPackage before GDAL reads it: a damaged one can end the whole process."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from ._report import Report

# Larger files are only looked at where their tables are described.
MOST_CHECKED_BYTES = 100_000_000
_DESCRIBED = (
    "SELECT type, name, tbl_name, sql FROM sqlite_master",
    "SELECT * FROM gpkg_contents",
    "SELECT * FROM gpkg_geometry_columns",
    "SELECT * FROM gpkg_spatial_ref_sys",
)


def is_sound_geopackage(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse a GeoPackage that SQLite finds damaged, or whose descriptions are no UTF-8.

    GDAL tells such bytes in its errors, and the library between dies of decoding them.
    """
    address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    try:
        with contextlib.closing(sqlite3.connect(address, uri=True)) as database:
            database.text_factory = lambda raw: str(raw, "utf-8")
            for query in _DESCRIBED:
                database.execute(query).fetchall()
            if path.stat().st_size <= MOST_CHECKED_BYTES:
                (found,) = database.execute("PRAGMA quick_check(1)").fetchone()
                if found != "ok":
                    raise sqlite3.DatabaseError(found)
    except (sqlite3.Error, UnicodeDecodeError, OverflowError) as error:
        report.site("layer-unreadable", key, written,
                    f"The GeoPackage is damaged ({str(error)[:160]}).",
                    "open it in a GIS and export it again as GeoPackage.")  # fmt: skip
        return False
    return True
