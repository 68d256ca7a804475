"""``lateral.gpkg``: the same features as layers in the grid CRS, in the CRS's own unit."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import fiona
import geopandas
import shapely

from .._frames import LotFrame
from .._survey import Survey
from .features import LAYERS, Feature, survey_features

# GeoPackage writes the time of its last change, but outputs depend on the input alone; and the
# file is a passing one, so no disk need be waited for
_SETTINGS = {
    "OGR_CURRENT_DATE": "1970-01-01T00:00:00Z",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
    "OGR_SQLITE_JOURNAL": "OFF",
}


def geopackage_bytes(survey: Survey) -> bytes:
    """Write all features as one layer for each ``layer`` value, and give the file's bytes.

    A layer without features is left out. Layers of mixed areas hold multi-polygons.
    """
    features = survey_features(survey)
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


def _write_layer(path: Path, layer: str, features: list[Feature], frame: LotFrame) -> None:
    rows: list[dict[str, Any]] = [
        {"evidence_class": f.evidence_class, **f.properties} for f in features
    ]
    geometries = [shapely.transform(feature.geometry, frame.to_crs) for feature in features]
    table = geopandas.GeoDataFrame(rows, geometry=geometries, crs=frame.crs)
    table.to_file(path, layer=layer, driver="GPKG", engine="fiona")
