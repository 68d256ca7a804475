"""``lateral.geojson``: RFC 7946, and no inferred line that passes for a located one."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import numpy as np
import pytest
import shapely
from geojson_pydantic import FeatureCollection
from geojson_validator import validate_geometries, validate_structure
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from sitegis.geometry.frames import LotFrame
from sitegis.model.derived import Feature
from sitegis.model.survey import Survey
from sitegis.write.gis.geojson import feature_collection, geojson_bytes

from .filled import filled_survey

LAYERS = {
    "lot", "building", "main", "manhole", "locate", "drain", "exit", "route", "corridor", "pit",
    "tie", "keep-out", "other-reading",
}  # fmt: skip
CLASSES = {"exposed", "located", "inferred", "record", "measured"}


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


@pytest.fixture(scope="module")
def collection(survey: Survey) -> dict[str, Any]:
    return dict(json.loads(geojson_bytes(survey)))


def _layer(collection: dict[str, Any], layer: str) -> list[dict[str, Any]]:
    return [f for f in collection["features"] if f["properties"]["layer"] == layer]


def test_an_independent_validator_finds_nothing(collection: dict[str, Any]) -> None:
    """geojson-validator (an independent program) finds no fault in structure or geometry."""
    assert validate_structure(collection) == {}
    faults = validate_geometries(collection)
    assert not faults["invalid"]


def test_an_independent_model_reads_it(collection: dict[str, Any]) -> None:
    """geojson-pydantic (an independent program) reads every feature."""
    assert len(FeatureCollection(**collection).features) == len(collection["features"])


def test_every_layer_and_class_is_one_of_the_design(collection: dict[str, Any]) -> None:
    """All layers appear, no other, each feature with one of the four classes."""
    assert {f["properties"]["layer"] for f in collection["features"]} == LAYERS
    assert {f["properties"]["evidence_class"] for f in collection["features"]} <= CLASSES


@pytest.mark.parametrize("layer", ["drain", "exit", "route", "corridor", "pit", "tie"])
def test_what_was_computed_is_never_called_located(collection: dict[str, Any], layer: str) -> None:
    """An inferred line is never shown as a located one."""
    found = _layer(collection, layer)
    assert found
    assert {f["properties"]["evidence_class"] for f in found} == {"inferred"}


def test_only_points_are_located_or_exposed(collection: dict[str, Any]) -> None:
    """The two strong classes belong to points that were found, and to nothing else."""
    strong = [
        f
        for f in collection["features"]
        if f["properties"]["evidence_class"] in ("located", "exposed")
    ]
    assert {f["geometry"]["type"] for f in strong} == {"Point"}
    assert {f["properties"]["layer"] for f in strong} == {"locate"}
    kinds = {f["properties"]["kind"]: f["properties"]["evidence_class"] for f in strong}
    assert kinds == {"cleanout": "exposed", "locate": "located"}


def test_there_is_no_crs_member(collection: dict[str, Any]) -> None:
    """RFC 7946 section 4: the coordinate reference system is WGS 84 and is not named."""
    assert "crs" not in collection


def test_the_bounding_box_holds_every_coordinate(collection: dict[str, Any]) -> None:
    """RFC 7946 section 5: west, south, east, north of all geometries."""
    shapes = [shapely.from_geojson(json.dumps(f["geometry"])) for f in collection["features"]]
    assert collection["bbox"] == pytest.approx(shapely.total_bounds(shapes), abs=1e-9)


def test_lot_corners_come_back_to_a_millimeter(survey: Survey, collection: dict[str, Any]) -> None:
    """pyproj takes the written corners back to the lot's own measures: 50 ft by 125 ft."""
    ring = np.array(_layer(collection, "lot")[0]["geometry"]["coordinates"][0])
    back = Transformer.from_crs(4326, survey.site.frame.crs, always_xy=True)
    grid = np.stack(back.transform(ring[:, 0], ring[:, 1]), axis=-1)
    sides = np.hypot(*np.diff(grid, axis=0).T) / survey.site.frame.combined_factor
    assert np.sort(sides) == pytest.approx([15.24, 15.24, 38.1, 38.1], abs=2e-3)


def test_routes_end_at_the_tap_without_repeats(collection: dict[str, Any]) -> None:
    """A route that repeats its tap in the samples has no repeated vertex in the file."""
    for route in _layer(collection, "route"):
        steps = np.diff(np.array(route["geometry"]["coordinates"]), axis=0)
        assert np.all(np.abs(steps).max(axis=1) > 0)


def test_the_same_survey_gives_the_same_bytes() -> None:
    """Nothing of the clock or of chance is written."""
    assert geojson_bytes(filled_survey()) == geojson_bytes(filled_survey())


def test_a_survey_without_pits_or_corridors_is_still_a_collection(survey: Survey) -> None:
    """Empty blocks give fewer features, not a broken file."""
    planned = dataclasses.replace(survey.dig, pits=(), corridors=(), exit_ties=())
    text = geojson_bytes(dataclasses.replace(survey, planned=planned))
    found = json.loads(text)
    assert validate_structure(found) == {}
    assert {f["properties"]["layer"] for f in found["features"]} == LAYERS - {
        "corridor",
        "pit",
        "tie",
    }


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.floats(0.5, 30.0), min_size=3, max_size=12),
    st.booleans(),
    st.floats(-80.0, 80.0),
    st.floats(0.0, 359.0),
)
def test_rings_are_right_handed_and_rounded(
    radii: list[float], clockwise: bool, northing_degrees: float, azimuth: float
) -> None:
    """RFC 7946 section 3.1.6: outer rings counter-clockwise, holes clockwise; 8 decimals."""
    angles = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=-1) * np.array(radii)[:, None]
    ring = ring[::-1] if clockwise else ring
    frame = LotFrame("EPSG:32616", 500_000.0, 111_000.0 * abs(northing_degrees), azimuth)
    # the hole is small enough for the ring's center, whatever the radii
    hole = shapely.Point(0, 0).buffer(0.1)
    area = shapely.Polygon(ring)
    if area.is_valid and area.contains(hole):
        area = area.difference(hole)
    written = feature_collection([Feature("pit", "inferred", area, {"id": "p"})], frame)
    geometry = written["features"][0]["geometry"]
    polygons = (
        geometry["coordinates"] if geometry["type"] == "MultiPolygon" else [geometry["coordinates"]]
    )
    for outer, *holes in polygons:
        assert shapely.LinearRing(outer).is_ccw
        assert not any(shapely.LinearRing(inner).is_ccw for inner in holes)
        assert all(round(value, 8) == value for pair in outer for value in pair)
