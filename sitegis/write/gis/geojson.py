"""``lateral.geojson``: RFC 7946, WGS 84, right-hand rings, 8 decimals (about 1 mm)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import shapely

from ...geometry.frames import Array, LotFrame
from ...model.derived import Feature, Value
from ...model.survey import Survey
from ..derive import survey_features
from ..features import AGREED_LAYERS
from ..numbers import finite, json_bytes
from ..text import reference_words

DEGREE_STEP = 1e-8


def geojson_bytes(survey: Survey) -> bytes:
    """Write the features of the agreed layers as one RFC 7946 FeatureCollection.

    Its foreign member ``reference`` says what the places are relative to, and how good that is.
    """
    agreed = [
        feature
        for feature in survey_features(survey)
        if feature.layer in (*AGREED_LAYERS, "other-reading", "stretch", "dug")
    ]
    collection = feature_collection(agreed, survey.site.frame)
    return json_bytes({**collection, "reference": reference_words(survey)}, indent=None)


def feature_collection(features: Iterable[Feature], frame: LotFrame) -> dict[str, Any]:
    """Turn features in lot coordinates into a FeatureCollection with a bounding box.

    Parameters
    ----------
    features
        Features in lot coordinates.
    frame
        The lot on the grid.

    Returns
    -------
    dict[str, Any]
        The collection, ready for JSON.
    """
    written = []
    bounds: list[Array] = []
    listed = list(features)
    geometries = to_wgs84([feature.geometry for feature in listed], frame)
    for feature, geometry in zip(listed, geometries, strict=True):
        # what is smaller than a millimeter vanishes on the grid of eight decimals
        if geometry.is_empty:
            continue
        bounds.append(shapely.bounds(geometry))
        written.append(
            {
                "type": "Feature",
                "geometry": geometry_object(geometry),
                "properties": {
                    "layer": feature.layer,
                    "evidence_class": feature.evidence_class,
                    **{key: _plain(value) for key, value in feature.properties.items()},
                },
            }
        )
    collection: dict[str, Any] = {"type": "FeatureCollection", "features": written}
    if bounds:
        corners = np.array(bounds)
        # west, south, east, north as RFC 7946 orders them, section 5
        box = (*corners[:, :2].min(axis=0), *corners[:, 2:].max(axis=0))
        collection["bbox"] = [round(float(value), 8) for value in box]
    return collection


def to_wgs84(geometries: Sequence[shapely.Geometry], frame: LotFrame) -> list[shapely.Geometry]:
    """Take lot geometries to longitude, latitude on a grid of 1e-8 degrees, rings right-handed.

    ``shapely.set_precision`` rounds and keeps areas valid, so that rounding folds no ring.

    Parameters
    ----------
    geometries
        Geometries in the lot, m.
    frame
        The lot on the grid.

    Returns
    -------
    list[shapely.Geometry]
        Geometries in degrees.
    """
    moved = shapely.set_precision(
        shapely.transform(list(geometries), frame.written_lonlat), DEGREE_STEP
    )
    # outer rings counter-clockwise: RFC 7946, section 3.1.6
    return list(shapely.orient_polygons(moved, exterior_cw=False))


def geometry_object(geometry: shapely.Geometry) -> dict[str, Any]:
    """Return the GeoJSON object (RFC 7946) of a point, a line, polygons or lines.

    Raises ``TypeError`` for any other kind of geometry.
    """
    if geometry.geom_type == "GeometryCollection":
        raise TypeError("no output for a GeometryCollection")
    written = geometry.__geo_interface__
    return {"type": written["type"], "coordinates": _rounded(written["coordinates"])}


def _rounded(part: Any) -> Any:
    """Round nested coordinates to eight decimals again."""
    if isinstance(part, (list, tuple)):
        return [_rounded(one) for one in part]
    # + 0.0 turns -0.0 into 0.0
    return round(float(part), 8) + 0.0


def _plain(value: Value) -> Value:
    """Round numbers, pass the rest."""
    if isinstance(value, float):
        return finite(value)
    return value
