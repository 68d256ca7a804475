"""``lateral.gpkg``: the same features as layers in the grid CRS, in the CRS's own unit."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable
from contextlib import closing
from dataclasses import replace

import shapely
from shapely.geometry.base import BaseGeometry

from ...geometry.frames import LotFrame, known_crs
from ...model.derived import Feature
from ...model.survey import Survey
from ..attributes import attribute_table, column_title
from ..derive import survey_features
from ..features import LAYERS, NOT_LOCATED, clearance_area
from ..looks import look_of
from ..numbers import written_date
from ..text import reference_words
from .styles import Symbol, style_qml, style_sld
from .tables import Layer, LayerTable, add_layer, begin_geopackage, describe_layers

_SHAPES = {"Point": "point", "LineString": "line", "Polygon": "polygon", "MultiPolygon": "polygon"}
# a column with text in it is text, one with a float is floats (types of 12-128r15, table 1)
_TYPES = {str: "TEXT", float: "REAL", bool: "BOOLEAN", int: "INTEGER"}
_LITTLE_ENDIAN, _ENVELOPE_XY = 1, 1 << 1


def geopackage_bytes(survey: Survey) -> bytes:
    """Return the features as the bytes of a GeoPackage, one geometry type a layer, styled.

    A layer without features is left out, and so are spatial indices, which would double the file
    for a handful of features. It is made in memory: SQL takes a sixth of the time of a layer each
    by GDAL.
    """
    frame, words = survey.site.frame, reference_words(survey)
    tables = gis_tables(survey_features(survey))
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as database:
        database.execute("BEGIN")
        srs_id = begin_geopackage(database, known_crs(frame.crs))
        for table, chosen in tables.items():
            add_layer(database, _layer(table, chosen, frame, srs_id), srs_id)
        layers = [_layer_table(table, chosen, words) for table, chosen in tables.items()]
        describe_layers(database, layers, date=written_date(survey.site.surveyed_on))
        database.execute("COMMIT")
        return database.serialize()


def gis_tables(features: Iterable[Feature]) -> dict[str, list[Feature]]:
    """Sort features into tables of one geometry type each, in drawing order.

    A no-dig area is drawn as what is to be kept clear, its clearance about it; the line or point
    of the record itself stands in a table beside it. Many-part areas make all of a table so.
    """
    tables: dict[str, list[Feature]] = {}
    for layer in LAYERS:
        for feature in features:
            if feature.layer != layer:
                continue
            # one geometry type to a table, as a GIS wants it
            if layer == "keep-out":
                shape = _SHAPES[feature.geometry.geom_type]
                if shape != "polygon":
                    tables.setdefault(f"{layer}-{shape}", []).append(feature)
                area = clearance_area(feature)
                if not area.is_empty:
                    tables.setdefault(layer, []).append(replace(feature, geometry=area))
            else:
                tables.setdefault(layer, []).append(feature)
    return tables


def _layer(table: str, features: list[Feature], frame: LotFrame, srs_id: int) -> Layer:
    """Return one layer, in the CRS."""
    shapes = shapely.transform([feature.geometry for feature in features], frame.written_crs)
    # all of a table must be of one type
    if any(shape.geom_type.startswith("Multi") for shape in shapes):
        shapes = [shapely.multipolygons(shapely.get_parts(shape)) for shape in shapes]
    columns = _columns(features)
    rows = [
        (_geometry_bytes(shape, srs_id), one.evidence_class, *(one.properties[c] for c in columns))
        for shape, one in zip(shapes, features, strict=True)
    ]
    return Layer(
        table,
        shapes[0].geom_type.upper(),
        {"evidence_class": "TEXT", **columns},
        rows,
        tuple(map(float, shapely.total_bounds(shapes))),
    )


def _geometry_bytes(shape: BaseGeometry, srs_id: int) -> bytes:
    """Return a geometry as a GeoPackage stores it (12-128r15, 2.1.3): a header, then its WKB."""
    flags, envelope = _LITTLE_ENDIAN, b""
    if shape.geom_type != "Point":
        low_x, low_y, high_x, high_y = shape.bounds
        flags, envelope = flags | _ENVELOPE_XY, struct.pack("<4d", low_x, high_x, low_y, high_y)
    header = struct.pack("<2sBBi", b"GP", 0, flags, srs_id)
    return header + envelope + bytes(shapely.to_wkb(shape, byte_order=1))


def _layer_table(table: str, features: list[Feature], reference: str) -> LayerTable:
    """Return what is told of one table: its style, and what its columns mean."""
    layer = features[0].layer
    attributes = attribute_table()
    shape = _SHAPES[features[0].geometry.geom_type]
    attribute = "kind" if layer == "keep-out" else "evidence_class"
    values = sorted({str(f.properties.get(attribute, f.evidence_class)) for f in features})
    symbols = [
        Symbol(
            value if len(values) > 1 else "",
            look_of(layer, value),
            dashed=(value if attribute == "evidence_class" else "") == "inferred",
        )
        for value in values
    ]
    inferred = any(feature.evidence_class == "inferred" for feature in features)
    names = ("evidence_class", *features[0].properties)
    columns = {
        name: (column_title(name), attributes[layer, name].meaning)
        if (layer, name) in attributes
        else (column_title(name), "exposed, located, inferred or record")
        for name in names
    }
    return LayerTable(
        table,
        f"{table} (inferred, not located)" if inferred else table,
        f"{attributes[layer, ''].meaning}. {NOT_LOCATED if inferred else ''} {reference}",
        style_qml(
            shape,
            symbols,
            attribute=attribute,
            aliases={name: title for name, (title, _) in columns.items()},
        ),
        style_sld(table, shape, symbols, attribute=attribute),
        columns,
    )


def _columns(features: list[Feature]) -> dict[str, str]:
    """Return each property its type: that of its values, text where there are none."""
    columns = {}
    for key in features[0].properties:
        # None has no type: a column of nothing else is text
        types = {type(f.properties[key]) for f in features} - {type(None)}
        known = next((k for k in _TYPES if any(issubclass(t, k) for t in types)), str)
        columns[key] = _TYPES[known]
    return columns
