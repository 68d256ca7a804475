"""``lateral.gpkg``: the same features as layers in the grid CRS, in the CRS's own unit."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import fiona
import fiona.errors
import shapely

from ...geometry.frames import LotFrame
from ...messages.errors import CannotWrite
from ...model.derived import Feature
from ...model.survey import Survey
from ..attributes import attribute_table, column_title
from ..derive import survey_features
from ..features import LAYERS, NOT_LOCATED, clearance_area
from ..looks import look_of
from ..numbers import written_date
from ..text import reference_words
from .styles import Symbol, style_qml, style_sld
from .tables import LayerTable, describe_layers

# the file is a passing one, so no disk need be waited for; its dates are set at the end
_SETTINGS = {
    "OGR_CURRENT_DATE": "1970-01-01T00:00:00.000Z",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
}
# RuntimeError: fiona's word for a record that GDAL could not write
_NO_ROOM = (
    fiona._err.CPLE_BaseError,
    fiona.errors.DriverError,
    sqlite3.OperationalError,
    RuntimeError,
    OSError,
)
# fiona's names of column types; a column with text in it is text, one with a float is floats
_SHAPES = {"Point": "point", "LineString": "line", "Polygon": "polygon", "MultiPolygon": "polygon"}
_TYPES = {str: "str", float: "float", bool: "bool", int: "int"}


def geopackage_bytes(survey: Survey) -> bytes:
    """Return the features as the bytes of a GeoPackage, one geometry type a layer, styled.

    A layer without features is left out. Raises ``CannotWrite`` where the passing file finds no
    room.
    """
    tables = gis_tables(survey_features(survey))
    try:
        with (
            fiona.Env(**_SETTINGS),
            tempfile.TemporaryDirectory(prefix="sitegis-") as folder,
        ):
            path = Path(folder, "lateral.gpkg")
            for table, chosen in tables.items():
                _write_layer(path, table, chosen, survey.site.frame)
            layers = [
                _layer_table(table, chosen, reference_words(survey))
                for table, chosen in tables.items()
            ]
            describe_layers(path, layers, date=written_date(survey.site.surveyed_on))
            return path.read_bytes()
    except _NO_ROOM as error:
        raise CannotWrite(
            f"There is no room for a passing file in {tempfile.gettempdir()} ({str(error)[:120]}). "
            "Make room there, or let TMPDIR name another folder. Nothing was written."
        ) from error


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


def _write_layer(path: Path, table: str, features: list[Feature], frame: LotFrame) -> None:
    """Write one layer by fiona itself: a table between would cost more than the file.

    Without a spatial index, which would double the file for a handful of features.
    """
    kinds = {feature.geometry.geom_type for feature in features}
    several = any(kind.startswith("Multi") for kind in kinds)
    single = next(iter(kinds)).removeprefix("Multi")
    schema = {
        "geometry": f"Multi{single}" if several else single,
        "properties": {"evidence_class": "str", **_columns(features)},
    }
    with fiona.open(
        path, "w", driver="GPKG", layer=table, crs=frame.crs, schema=schema, SPATIAL_INDEX="NO"
    ) as out:
        out.writerecords(_record(f, frame, several=several) for f in features)


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


def _record(feature: Feature, frame: LotFrame, *, several: bool) -> dict[str, Any]:
    """Return a feature as fiona takes it, in the CRS."""
    geometry = shapely.transform(feature.geometry, frame.written_crs)
    # all of a table must be of one type
    if several and geometry.geom_type == "Polygon":
        geometry = shapely.MultiPolygon([geometry])
    return {
        "geometry": geometry.__geo_interface__,
        "properties": {"evidence_class": feature.evidence_class, **feature.properties},
    }
