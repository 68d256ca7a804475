"""``lateral.gpkg``: the same features as layers in the grid CRS, in the CRS's own unit."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import fiona
import fiona.errors
import shapely

from .._errors import CannotWrite
from .._frames import LotFrame
from .._survey import Survey
from .features import LAYERS, NOT_LOCATED, Feature, survey_features

# GeoPackage writes the time of its last change, but outputs depend on the input alone; and the
# file is a passing one, so no disk need be waited for
_SETTINGS = {
    "OGR_CURRENT_DATE": "1970-01-01T00:00:00.000Z",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
}
# RuntimeError: fiona's word for a record that GDAL could not write
_NO_ROOM = (fiona._err.CPLE_BaseError, fiona.errors.DriverError, RuntimeError, OSError)
# fiona's names of column types; a column with text in it is text, one with a float is floats
_TYPES = {str: "str", float: "float", bool: "bool", int: "int"}


def geopackage_bytes(survey: Survey) -> bytes:
    """Write all features as one layer for each ``layer`` value, and give the file's bytes.

    A layer without features is left out. Layers of mixed areas hold multi-polygons. Raises
    ``CannotWrite`` where the passing file finds no room.
    """
    features = survey_features(survey)
    try:
        with (
            fiona.Env(**_SETTINGS),
            tempfile.TemporaryDirectory(prefix="sitegis-") as folder,
        ):
            path = Path(folder, "lateral.gpkg")
            for layer in LAYERS:
                chosen = [feature for feature in features if feature.layer == layer]
                if chosen:
                    _write_layer(path, layer, chosen, survey.site.frame)
            return path.read_bytes()
    except _NO_ROOM as error:
        raise CannotWrite(
            f"There is no room for a passing file in {tempfile.gettempdir()} ({str(error)[:120]}). "
            "Make room there, or let TMPDIR name another folder. Nothing was written."
        ) from error


def _write_layer(path: Path, layer: str, features: list[Feature], frame: LotFrame) -> None:
    """Write one layer by fiona itself: a table between would cost more than the file."""
    kinds = {feature.geometry.geom_type for feature in features}
    several = {"Polygon", "MultiPolygon"} == kinds
    schema = {
        "geometry": "MultiPolygon" if several else kinds.pop() if len(kinds) == 1 else "Unknown",
        "properties": {"evidence_class": "str", **_columns(features)},
    }
    inferred = any(feature.evidence_class == "inferred" for feature in features)
    with fiona.open(
        path, "w", driver="GPKG", layer=layer, crs=frame.crs, schema=schema,
        DESCRIPTION=NOT_LOCATED if inferred else "",
    ) as collection:  # fmt: skip
        collection.writerecords(_record(f, frame, several=several) for f in features)


def _columns(features: list[Feature]) -> dict[str, str]:
    """Give each property its type: that of its values, text where there are none."""
    columns = {}
    for key in features[0].properties:
        types = {type(f.properties[key]) for f in features} - {type(None)}
        known = next((k for k in _TYPES if any(issubclass(t, k) for t in types)), str)
        columns[key] = _TYPES[known]
    return columns


def _record(feature: Feature, frame: LotFrame, *, several: bool) -> dict[str, Any]:
    """Give a feature as fiona takes it, in the CRS."""
    geometry = shapely.transform(feature.geometry, frame.to_crs)
    if several and geometry.geom_type == "Polygon":
        geometry = shapely.MultiPolygon([geometry])
    return {
        "geometry": geometry.__geo_interface__,
        "properties": {"evidence_class": feature.evidence_class, **feature.properties},
    }
