"""The tables of a GeoPackage: layers, reference systems, styles, meanings of columns, dates.

They follow OGC GeoPackage 1.2 (12-128r15, annex C): ``layer_styles`` is registered as an attributes
table, ``gpkg_data_columns`` by the schema extension (annex F.9).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence

from pyproj import CRS

from ...geometry.frames import known_crs
from ...late_dataclass import dataclass

# what marks the file as a GeoPackage, "GPKG", and as one of version 1.2.0
_APPLICATION_ID, _VERSION = 0x47504B47, 10200
_CORE = (
    """
CREATE TABLE gpkg_spatial_ref_sys (
 srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
 organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT)
""",
    """
CREATE TABLE gpkg_contents (
 table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
 description TEXT DEFAULT '',
 last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
 min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
 CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id))
""",
    """
CREATE TABLE gpkg_geometry_columns (
 table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
 srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
 CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
 CONSTRAINT uk_gc_table_name UNIQUE (table_name),
 CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
 CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id))
""",
)
# a CRS of nobody's register
_OWN_SRS = 100_000
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
class Layer:
    """A layer with its features: ``rows`` of a geometry's bytes and a value a column.

    ``geometry`` is the type of all of them (``POLYGON``), ``columns`` the type of each column,
    ``bounds`` least x and y, greatest x and y.
    """

    name: str
    geometry: str
    columns: Mapping[str, str]
    rows: Sequence[Sequence[object]]
    bounds: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LayerTable:
    """What is told of one layer: its texts, its style, and title and meaning of its columns."""

    name: str
    title: str
    description: str
    qml: str
    sld: str
    columns: Mapping[str, tuple[str, str]]


def begin_geopackage(database: sqlite3.Connection, crs: CRS) -> int:
    """Make the tables that every GeoPackage has, and name its CRS; return the CRS's ``srs_id``.

    Parameters
    ----------
    database
        An empty database.
    crs
        The CRS of the layers.

    Returns
    -------
    int
        What the tables call the CRS.
    """
    database.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
    database.execute(f"PRAGMA user_version = {_VERSION}")
    for statement in _CORE:
        database.execute(statement)
    register, code = crs.to_authority() or ("NONE", str(_OWN_SRS))
    systems = [
        # the three that the standard asks for (requirement 11)
        ("Undefined Cartesian SRS", -1, "NONE", -1, "undefined"),
        ("Undefined geographic SRS", 0, "NONE", 0, "undefined"),
        ("WGS 84 geodetic", 4326, "EPSG", 4326, _definition(known_crs("EPSG:4326"))),
        (crs.name, int(code), register, int(code), _definition(crs)),
    ]
    database.executemany(
        "INSERT OR IGNORE INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)", systems
    )
    return int(code)


def _definition(crs: CRS) -> str:
    """Return a CRS as its definition stands in a GeoPackage: WKT 1 (OGC 01-009)."""
    return crs.to_wkt("WKT1_GDAL") or "undefined"


def add_layer(database: sqlite3.Connection, layer: Layer, srs_id: int) -> None:
    """Add a layer with its features.

    Parameters
    ----------
    database
        The GeoPackage.
    layer
        The layer.
    srs_id
        Its CRS.
    """
    name = _quoted(layer.name)
    columns = "".join(f", {_quoted(column)} {kind}" for column, kind in layer.columns.items())
    database.execute(
        f"CREATE TABLE {name} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,"
        f" geom {layer.geometry}{columns})"
    )
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, min_x, min_y, max_x, max_y, srs_id)"
        " VALUES (?, 'features', ?, ?, ?, ?, ?)",
        (layer.name, *layer.bounds, srs_id),
    )
    database.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
        (layer.name, layer.geometry, srs_id),
    )
    database.executemany(
        f"INSERT INTO {name} VALUES (NULL, ?{', ?' * len(layer.columns)})", layer.rows
    )


def _quoted(name: str) -> str:
    """Return a name of a table or column as SQL takes it."""
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


def describe_layers(
    database: sqlite3.Connection, layers: Iterable[LayerTable], *, date: str
) -> None:
    """Store styles and meanings in a GeoPackage that holds the layers already.

    Parameters
    ----------
    database : sqlite3.Connection
        The GeoPackage, within a transaction.
    layers : iterable of LayerTable
        Its layers, each with geometry column ``geom``.
    date : str
        Every date in the file, ``YYYY-MM-DDThh:mm:ss.sssZ``: the same input gives the same bytes.
    """
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
    for layer in layers:
        _describe(database, layer, date)
    database.execute("UPDATE gpkg_contents SET last_change = ?", (date,))


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
