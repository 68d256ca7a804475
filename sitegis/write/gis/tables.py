"""The tables of a GeoPackage besides its features: styles, meanings of columns, dates.

They follow OGC GeoPackage 1.2 (12-128r15): ``layer_styles`` is registered as an attributes table,
``gpkg_data_columns`` by the schema extension (annex F.9).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path

from ...late_dataclass import dataclass

_STYLES = """
CREATE TABLE layer_styles (
 id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
 f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
 styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
 owner TEXT(30), ui TEXT(30), update_time DATETIME)
"""
_COLUMNS = """
CREATE TABLE gpkg_data_columns (
 table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
 mime_type TEXT, constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
 CONSTRAINT gdc_tn UNIQUE (table_name, name))
"""
_CONSTRAINTS = """
CREATE TABLE gpkg_data_column_constraints (
 constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
 min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
 CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value))
"""
_SCHEMA = "http://www.geopackage.org/spec121/#extension_schema"


@dataclass(frozen=True, slots=True)
class LayerTable:
    """What is told of one layer: its texts, its style, and title and meaning of its columns."""

    name: str
    title: str
    description: str
    qml: str
    sld: str
    columns: Mapping[str, tuple[str, str]]


def describe_layers(path: Path, layers: Iterable[LayerTable], *, date: str) -> None:
    """Store styles and meanings in a GeoPackage that holds the layers already.

    Parameters
    ----------
    path : pathlib.Path
        The GeoPackage.
    layers : iterable of LayerTable
        Its layers, each with geometry column ``geom``.
    date : str
        Every date in the file, ``YYYY-MM-DDThh:mm:ss.sssZ``: the same input gives the same bytes.
    """
    listed = list(layers)
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = OFF")
        database.execute("BEGIN")
        for statement in (_STYLES, _COLUMNS, _CONSTRAINTS):
            database.execute(statement)
        database.execute(
            "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT,"
            " extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,"
            " CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
        )
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            database.execute(
                "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
                (table, _SCHEMA),
            )
        database.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)"
            " VALUES ('layer_styles', 'attributes', 'layer_styles', 'Styles of the layers', 0)"
        )
        for layer in listed:
            _describe(database, layer, date)
        database.execute("UPDATE gpkg_contents SET last_change = ?", (date,))
        database.execute("COMMIT")


def _describe(database: sqlite3.Connection, layer: LayerTable, date: str) -> None:
    """Store one layer's style and its columns' titles and meanings."""
    database.execute(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name,"
        " f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner,"
        " update_time) VALUES ('', '', ?, 'geom', ?, ?, ?, 1, '', '', ?)",
        (layer.name, layer.name[:30], layer.qml, layer.sld, date),
    )
    database.execute(
        "UPDATE gpkg_contents SET identifier = ?, description = ? WHERE table_name = ?",
        (layer.title, layer.description, layer.name),
    )
    for column, (title, meaning) in layer.columns.items():
        database.execute(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)",
            (layer.name, column, column, title, meaning),
        )
