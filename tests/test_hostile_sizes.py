"""What is small as a file stays small in time and memory, or is refused."""

from __future__ import annotations

import json
import math
from pathlib import Path
from types import SimpleNamespace

import fiona
import numpy as np
import pytest
import shapely

from sitegis.model.site import Lot
from sitegis.read.context import MOST_LEFT, MOST_VERTICES, PLAIN_VERTICES, TOLERANCE_M, Reading
from sitegis.read.faults import Report
from sitegis.read.layers import features
from sitegis.read.layers.features import Layers
from sitegis.read.mains import NEAR_M, line_of

pytestmark = pytest.mark.adverse


class ShownLine(Reading):
    """A reading whose layer holds one line."""

    shown: shapely.LineString

    def lot_shape(self, *_: object, **__: object) -> shapely.LineString:
        """Return that line."""
        return ShownLine.shown


def read_main(line: shapely.LineString) -> tuple[shapely.LineString | None, Report]:
    """Read a main's line past an invented lot of 20 m by 40 m."""
    report = Report()
    ShownLine.shown = line
    reading = ShownLine(SimpleNamespace(), SimpleNamespace(), SimpleNamespace(), report)
    vertices = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 40.0], [0.0, 40.0]])
    lot = Lot(vertices, ("front", "right", "rear", "left"), 800.0, None)
    table = SimpleNamespace(layer="x.gpkg", offset=None, feature=None, id="m")
    made = line_of(reading, table, "main[1]", lot, frame=None, street=None)
    return made, report


def arc(count: int, length_m: float, wave_m: float = 0.0) -> shapely.LineString:
    """Draw a main that bends with a radius of 900 m past the front, waved from side to side."""
    angle = np.linspace(-length_m / 1800.0, length_m / 1800.0, count)
    radius = 900.0 + wave_m * np.where(np.arange(count) % 2, 1.0, -1.0)
    return shapely.LineString(
        np.column_stack([radius * np.sin(angle), 890.0 - radius * np.cos(angle)])
    )


def test_a_main_of_8000_vertices_is_simplified_to_the_tolerance() -> None:
    """Held against the Hausdorff distance of shapely (GEOS), both ways, and the length."""
    line = arc(8000, 1500.0)
    made, report = read_main(line)
    assert made is not None
    assert len(made.coords) < PLAIN_VERTICES
    assert shapely.hausdorff_distance(line, made, densify=0.01) <= TOLERANCE_M
    assert made.length == pytest.approx(line.length, abs=0.05)
    assert [notice.code for notice in report.notices] == ["shape-simplified"]


def test_a_main_of_ordinary_detail_is_left_alone() -> None:
    """Up to the bound no vertex moves and nothing is said."""
    line = arc(PLAIN_VERTICES, 500.0)
    made, report = read_main(line)
    assert made is line
    assert not report.notices


def test_a_long_main_is_cut_to_the_neighborhood() -> None:
    """A trunk of 60 000 vertices over 50 km: the kilometer about the lot is what it was."""
    x = np.linspace(-25_000.0, 25_000.0, 60_000)
    line = shapely.LineString(np.column_stack([x, 0.01 * np.sin(x / 10.0) - 10.0]))
    made, _ = read_main(line)
    assert made is not None
    low, _, high, _ = made.bounds
    assert -NEAR_M - 150.0 < low < -NEAR_M
    assert NEAR_M < high < NEAR_M + 150.0
    window = shapely.box(-NEAR_M, -100.0, NEAR_M, 100.0)
    near = shapely.clip_by_rect(line, *window.bounds)
    assert shapely.hausdorff_distance(near, made.intersection(window), densify=0.001) < 0.03


@pytest.mark.parametrize(("count", "wave_m"), [(8000, 0.3), (MOST_VERTICES + 1, 0.0)])
def test_a_main_that_keeps_its_detail_is_refused(count: int, wave_m: float) -> None:
    """Rougher than the tolerance, or more than are even tried."""
    made, report = read_main(arc(count, 1500.0, wave_m))
    assert made is None
    assert [fault.code for fault in report.faults] == ["shape-too-detailed"]
    assert str(MOST_LEFT) in report.faults[0].reason


def test_a_layer_of_manholes_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many mains name it."""
    schema = {"geometry": "Point", "properties": {"id": "str"}}
    with fiona.open(
        tmp_path / "m.gpkg", "w", driver="GPKG", schema=schema, crs="EPSG:26916"
    ) as layer:
        layer.writerecords(
            {"geometry": {"type": "Point", "coordinates": (n, n)}, "properties": {"id": str(n)}}
            for n in range(3)
        )
    reference = SimpleNamespace(layer="m.gpkg", layer_name=None, id_field="id")
    layers = Layers(tmp_path, Report())
    first = layers.features(reference, "main[1].manholes_layer", wanted="point")
    monkeypatch.delattr(features.fiona, "open")
    assert layers.features(reference, "main[2].manholes_layer", wanted="point") == first
    assert len(first) == 3


def test_more_features_than_are_read_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A layer of a whole country is cut by the user, not read to its end."""
    monkeypatch.setattr(features, "MOST_FEATURES", 10)
    points = [
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": "Point", "coordinates": [-87.0 + math.sin(n) / 100, 41.0]},
        }
        for n in range(11)
    ]
    text = json.dumps({"type": "FeatureCollection", "features": points})
    (tmp_path / "m.geojson").write_text(text)
    report = Report()
    reference = SimpleNamespace(layer="m.geojson", layer_name=None, id_field=None)
    assert Layers(tmp_path, report).features(reference, "main", wanted="point") == []
    assert [fault.code for fault in report.faults] == ["too-many-features"]
