"""A city's layers as PostGIS tables: all of them appear together, or none."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
import psycopg
import shapely
from psycopg import sql
from pyproj import CRS

from ..messages.errors import CannotWrite
from .database import Database
from .layer_arrays import Shapes

# A table with this comment is ours to replace; no other is.
MARK = "Written by sitegis city: inferred, never a locate."
CONNECT_S = "10"
LONGEST_REASON = 400
SECRETS = ("password", "sslpassword")
Connection = psycopg.Connection[Any]


def check_database(target: Database, names: tuple[str, ...]) -> None:
    """Refuse, before any work, what could not be written; ``CannotWrite``.

    Parameters
    ----------
    target
        The database.
    names
        Tables to write.

    Raises
    ------
    CannotWrite
        The tables could not be written.
    """
    with _transaction(target) as connection:
        _extension_schema(connection, target)
        for name in names:
            if _is_ours(connection, target, name):
                _refuse_dependents(connection, target, name)
        found = connection.execute(
            "SELECT coalesce((SELECT has_schema_privilege(oid, 'CREATE') FROM pg_namespace"
            " WHERE nspname = %s), has_database_privilege(current_database(), 'CREATE'))",
            (target.schema,),
        ).fetchone()
        if not found or not found[0]:
            raise CannotWrite(f"{target}: this user may not make tables there.")


def write_tables(frames: Iterator[tuple[str, Any]], target: Database, crs: CRS) -> None:
    """Write named GeoDataFrames as tables in one transaction, in the place of earlier ones.

    Rows are numbered in ``fid`` as in a GeoPackage, so that a GIS has a key. A table that sitegis
    did not write is never replaced. The CRS is the table's SRID where it has an EPSG code, else
    the SRID is 0 and the table's comment holds the CRS. Raises ``CannotWrite``.

    Parameters
    ----------
    frames
        Named GeoDataFrames.
    target
        The database.
    crs
        The working CRS.

    Raises
    ------
    CannotWrite
        A table cannot be written.
    """
    srid = crs.to_epsg() or 0
    comment = MARK if srid else f"{MARK} CRS: {crs.to_wkt()}"
    with _transaction(target) as connection:
        kind = sql.Identifier(_extension_schema(connection, target), "geometry")
        connection.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", (f"sitegis {MARK}",))
        connection.execute(
            sql.SQL("CREATE SCHEMA IF NOT EXISTS {}").format(sql.Identifier(target.schema))
        )
        made = []
        for name, frame in frames:
            _fill(connection, sql.Identifier(target.schema, f"{name}.part"), frame, (kind, srid))
            made.append(name)
        # last, so that readers of the earlier tables wait for no more than this
        for name in made:
            _put(connection, target, name, comment)


def _fill(connection: Connection, place: Any, frame: Any, kind: Any) -> None:
    """Make a table and copy a frame's rows into it."""
    geometry, srid = kind
    plain = [name for name in frame.columns if name != "geometry"]
    shapes, shape_type = _alike(np.asarray(frame.geometry, object))
    columns = [
        sql.SQL("fid bigint PRIMARY KEY"),
        *(sql.SQL(f"{{}} {_type(frame[name])}").format(sql.Identifier(name)) for name in plain),
        sql.SQL(f"geometry {{}}({shape_type}, {{}})").format(geometry, sql.Literal(srid)),
    ]
    listed = sql.SQL(", ").join(columns)
    connection.execute(sql.SQL("CREATE TABLE {} ({})").format(place, listed))
    shapes = shapely.set_srid(shapes, srid)
    values = [_values(frame[name]) for name in plain]
    values.append(list(shapely.to_wkb(shapes, hex=True, include_srid=True)))
    with connection.cursor().copy(sql.SQL("COPY {} FROM STDIN").format(place)) as copy:
        for number, row in enumerate(zip(*values, strict=True), start=1):
            copy.write_row((number, *row))
    connection.execute(sql.SQL("CREATE INDEX ON {} USING gist (geometry)").format(place))
    if "parcel" in plain:
        connection.execute(sql.SQL("CREATE INDEX ON {} (parcel)").format(place))


def _alike(shapes: Shapes) -> tuple[Shapes, str]:
    """Bring shapes to one type where they can have one, as a GIS wants a layer.

    Polygons among multi-polygons become multi-polygons of one part.
    """
    found = {shape.geom_type for shape in shapes if shape is not None}
    if found == {"Polygon", "MultiPolygon"}:
        single = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
        shapes = shapes.copy()
        shapes[single] = [shapely.MultiPolygon([shape]) for shape in shapes[single]]
        return shapes, "MultiPolygon"
    return shapes, found.pop() if len(found) == 1 else "Geometry"


def _type(column: pd.Series[Any]) -> str:
    """Name PostgreSQL's type for a column."""
    if pd.api.types.is_bool_dtype(column):
        return "boolean"
    if pd.api.types.is_integer_dtype(column):
        return "bigint"
    return "double precision" if pd.api.types.is_float_dtype(column) else "text"


def _values(column: pd.Series[Any]) -> list[Any]:
    """Return a column's values; none where there is no number, as in a GeoPackage."""
    values = [
        None if missing else value
        for value, missing in zip(column.tolist(), column.isna(), strict=True)
    ]
    if _type(column) != "text":
        return values
    # PostgreSQL's text holds anything but the null character
    return [
        None if v is None else str(v).replace("\0", "\N{REPLACEMENT CHARACTER}") for v in values
    ]


def _put(connection: Connection, target: Database, name: str, comment: str) -> None:
    """Rename a filled table into the place of the earlier one."""
    place = sql.Identifier(target.schema, name)
    part = sql.Identifier(target.schema, f"{name}.part")
    if _is_ours(connection, target, name):
        # one may have been made since the run began
        _refuse_dependents(connection, target, name)
        connection.execute(sql.SQL("DROP TABLE {}").format(place))
    connection.execute(sql.SQL("ALTER TABLE {} RENAME TO {}").format(part, sql.Identifier(name)))
    connection.execute(sql.SQL("COMMENT ON TABLE {} IS {}").format(place, sql.Literal(comment)))


def _is_ours(connection: Connection, target: Database, name: str) -> bool:
    """Return whether an earlier table of ours stands there; ``CannotWrite`` for anybody else's."""
    found = connection.execute(
        "SELECT c.relkind::text, obj_description(c.oid, 'pg_class') FROM pg_class c"
        " JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = %s AND c.relname = %s",
        (target.schema, name),
    ).fetchone()
    if found is None:
        return False
    kind, comment = found
    if kind != "r" or not (comment or "").startswith(MARK):
        raise CannotWrite(
            f"{target}: the table {name} there was not written by sitegis; give another --schema."
        )
    return True


def _refuse_dependents(connection: Connection, target: Database, name: str) -> None:
    """Raise ``CannotWrite`` where a view or a key of somebody's stands on an earlier table.

    The table could be replaced only together with it, which is never done.
    """
    found = connection.execute(
        "SELECT DISTINCT pg_describe_object(d.classid, d.objid, d.objsubid)"
        " FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace"
        " LEFT JOIN pg_type t ON t.oid = c.reltype"
        " JOIN pg_depend d ON d.deptype = 'n' AND (d.refclassid, d.refobjid) IN"
        " (('pg_class'::regclass, c.oid), ('pg_type'::regclass, t.oid),"
        " ('pg_type'::regclass, t.typarray))"
        " WHERE n.nspname = %s AND c.relname = %s ORDER BY 1",
        (target.schema, name),
    ).fetchall()
    if found:
        more = f" and {len(found) - 1} more" if len(found) > 1 else ""
        raise CannotWrite(
            f"{target}: {found[0][0]}{more} there rests on the table {name}, which is to be"
            " replaced. Move it to another schema's tables, or give another --schema."
        )


def _extension_schema(connection: Connection, target: Database) -> str:
    """Find the schema that holds PostGIS's types."""
    found = connection.execute(
        "SELECT n.nspname FROM pg_extension e JOIN pg_namespace n ON n.oid = e.extnamespace"
        " WHERE e.extname = 'postgis'"
    ).fetchone()
    if found is None:
        raise CannotWrite(
            f"{target}: this database has no PostGIS; its owner makes it with"
            " CREATE EXTENSION postgis."
        )
    return str(found[0])


@contextlib.contextmanager
def _transaction(target: Database) -> Iterator[Connection]:
    """Connect; what happens inside is kept as a whole or not at all."""
    given: dict[str, Any] = {
        "connect_timeout": CONNECT_S,
        **target.parameters,
        "client_encoding": "utf8",
    }
    try:
        with psycopg.connect(**given) as connection:
            yield connection
    except psycopg.Error as error:
        # not chained: the driver's words may hold a password
        raise CannotWrite(f"{target}: {_words(error, target)}") from None


def _words(error: Exception, target: Database) -> str:
    """Return an error of the database in one line, any password masked.

    The database's own hints are left out: they advise what loses other people's work.
    """
    diagnostic = getattr(error, "diag", None)
    parts = (diagnostic.message_primary, diagnostic.message_detail) if diagnostic else ()
    whole = " ".join(part for part in parts if part) or str(error).partition("HINT:")[0]
    message = " ".join(whole.split()) or type(error).__name__
    for key in SECRETS:
        secret = target.parameters.get(key)
        if secret:
            message = message.replace(secret, "***")
    return message[:LONGEST_REASON]
