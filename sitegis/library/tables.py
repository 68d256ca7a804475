"""Features as geopandas frames, and those on a folium map."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import folium
import geopandas as gpd
import pandas as pd
import shapely

from ..geometry.frames import LotFrame
from ..model.derived import Feature
from ..write.features import LAYERS
from ..write.looks import LOOKS

# pandas' own names of column types that may hold "no value"
_DTYPES = {bool: "boolean", int: "Int64", float: "float64", str: "string"}


def layer_frames(features: Iterable[Feature], frame: LotFrame) -> dict[str, gpd.GeoDataFrame]:
    """Return one frame a layer, in drawing order, geometry in the grid CRS and its unit.

    Parameters
    ----------
    features
        Features in lot coordinates.
    frame
        The lot on the grid.

    Returns
    -------
    dict[str, gpd.GeoDataFrame]
        Frames by layer.
    """
    listed = list(features)
    by_layer = {layer: [one for one in listed if one.layer == layer] for layer in LAYERS}
    return {layer: _frame(found, frame) for layer, found in by_layer.items() if found}


def _frame(features: list[Feature], frame: LotFrame) -> gpd.GeoDataFrame:
    """Return the features of one layer, each column with the one type of its values."""
    rows = pd.DataFrame(
        [{"evidence_class": one.evidence_class, **one.properties} for one in features]
    )
    typed = rows.astype({name: _dtype(rows[name]) for name in rows.columns})
    geometry = [shapely.transform(one.geometry, frame.to_crs) for one in features]
    return gpd.GeoDataFrame(typed, geometry=geometry, crs=frame.crs)


def _dtype(column: pd.Series[Any]) -> str:
    """Return the pandas type of a column: text unless all its values are of one other type."""
    # without None and NaN, which say "no value" in any column
    types = {type(value) for value in column if value is not None and value == value}  # noqa: PLR0124
    for kind, name in _DTYPES.items():
        if types and all(issubclass(one, kind) for one in types):
            return name
    # int beside float is a column of numbers all the same
    return "float64" if types <= {int, float} and types else "string"


def draw_frames(
    frames: Mapping[str, gpd.GeoDataFrame], *, name: str, tiles: str | None, on: folium.Map | None
) -> folium.Map:
    """Draw frames on a folium map, one group a site; what is inferred is dashed.

    Parameters
    ----------
    frames
        Frames by layer.
    name
        Name of the group.
    tiles
        Base map, None for none.
    on
        Map to draw on, None for a new one.

    Returns
    -------
    folium.Map
        The map.
    """
    shown = folium.Map(tiles=tiles, max_zoom=24) if on is None else on
    group = folium.FeatureGroup(name=name).add_to(shown)
    for layer, found in frames.items():
        _draw_layer(layer, found.to_crs("EPSG:4326")).add_to(group)
    # of all that is on the map, earlier sites too
    shown.fit_bounds(shown.get_bounds())  # type: ignore[arg-type]
    return shown


def _draw_layer(layer: str, lonlat: gpd.GeoDataFrame) -> folium.GeoJson:
    """Return one layer as folium draws it, with id, evidence class and probability on hover."""
    color = LOOKS[layer].color

    def style(feature: Mapping[str, Any]) -> dict[str, Any]:
        inferred = feature["properties"]["evidence_class"] == "inferred"
        return {
            "color": color,
            "weight": 3,
            "fillOpacity": 0.08,
            "dashArray": "8 6" if inferred else None,
        }

    shown = [name for name in ("id", "evidence_class", "probability") if name in lonlat]
    return folium.GeoJson(
        lonlat.to_json(),
        name=layer,
        style_function=style,
        marker=folium.CircleMarker(radius=5),
        tooltip=folium.GeoJsonTooltip(fields=shown),
    )
