"""The whole set: which files, where, and what happens when it cannot be written."""

from __future__ import annotations

import cProfile
import dataclasses
import os
import pstats
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from sitegis.geometry.frames import LotFrame
from sitegis.messages.errors import CannotWrite
from sitegis.model.survey import Survey
from sitegis.pipeline import run
from sitegis.write import write_outputs
from sitegis.write.derive import survey_features
from sitegis.write.features import LAYERS
from sitegis.write.gis import geopackage_bytes
from sitegis.write.outputs import output_files

from .computed import computed
from .filled import filled_survey

# corners are written on a lattice of 1/8192 m: half a step along the perimeter, over the area
LATTICE = 2 * (15.24 + 38.1) * 0.5 / 8192 / (15.24 * 38.1)
NOT_OF_EVERY_SITE = ("branch", "wye", "stretch", "dug")
NAMES = {"answer.json", "lateral.geojson", "lateral.gpkg", "map.html", "stakeout.csv"}

FIXTURES = Path(__file__).parent.parent / "fixtures"


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


@pytest.fixture(scope="module")
def package(survey: Survey, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("gpkg") / "lateral.gpkg"
    path.write_bytes(geopackage_bytes(survey))
    return path


def test_the_set_is_complete_and_named(survey: Survey, tmp_path: Path) -> None:
    """Every file is there under the folder that was asked for, and nothing else."""
    paths = write_outputs(survey, tmp_path / "out")
    assert {path.name for path in paths} >= NAMES
    assert {path.name for path in (tmp_path / "out").iterdir()} == {path.name for path in paths}
    assert all(path.parent == tmp_path / "out" and path.stat().st_size for path in paths)


def test_the_same_survey_gives_the_same_bytes() -> None:
    """Every file of the set depends on the survey alone."""
    first, second = output_files(filled_survey()), output_files(filled_survey())
    assert [name for name in first if first[name] != second[name]] == []


def test_a_survey_that_is_not_complete_writes_nothing(survey: Survey, tmp_path: Path) -> None:
    """A defect upstream leaves no half set, not even the folder."""
    with pytest.raises(RuntimeError, match="has not run"):
        write_outputs(dataclasses.replace(survey, planned=None), tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_a_path_through_a_file_is_said_plainly(survey: Survey, tmp_path: Path) -> None:
    """A file in the way of a folder: plain words."""
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(CannotWrite, match=r"Could not write to .*a file, not a folder"):
        write_outputs(survey, tmp_path / "file" / "out")


def test_writing_the_geopackage_drops_nothing(
    survey: Survey, caplog: pytest.LogCaptureFixture
) -> None:
    """GDAL logs a warning where it cannot store a value: there is none."""
    geopackage_bytes(survey)
    assert [record for record in caplog.records if record.levelname != "DEBUG"] == []


def test_features_of_a_layer_have_the_same_properties(survey: Survey) -> None:
    """Every layer is a table: each of its features has the same columns."""
    named = ("two-stacks", "dug-and-found")
    features = [*survey_features(survey), *(f for n in named for f in survey_features(computed(n)))]
    for layer in LAYERS:
        columns = {tuple(f.properties) for f in features if f.layer == layer}
        assert len(columns) == 1, layer


def test_the_geopackage_has_a_layer_for_every_layer(package: Path) -> None:
    """GDAL lists every layer of the features, and what the record has within no-dig areas."""
    listed = set(geopandas.list_layers(package)["name"])
    assert (
        {"keep-out-line"}
        <= listed - {*LAYERS, "layer_styles"}
        <= {"keep-out-line", "keep-out-point"}
    )
    assert set(LAYERS) - listed == set(NOT_OF_EVERY_SITE)


def test_the_geopackage_is_in_the_grid(survey: Survey, package: Path) -> None:
    """geopandas reads the lot in the site's CRS with its area on the ground times scale squared."""
    lot = geopandas.read_file(package, layer="lot")
    assert lot.crs == survey.site.frame.crs
    scale = survey.site.frame.combined_factor
    assert lot.geometry.area[0] == pytest.approx(15.24 * 38.1 * scale**2, rel=LATTICE)


def test_a_foot_crs_gets_feet(survey: Survey, tmp_path: Path) -> None:
    """In EPSG:3435 (US survey foot = 1200/3937 m) the lot has its area in square survey feet."""
    foot = 1200 / 3937
    frame = LotFrame(
        "EPSG:3435", 1_000_000 * foot, 1_900_000 * foot, 84.2, 1.0, foot, "US survey foot"
    )
    site = dataclasses.replace(survey.site, frame=frame)
    path = tmp_path / "feet.gpkg"
    path.write_bytes(geopackage_bytes(dataclasses.replace(survey, site=site)))
    lot = geopandas.read_file(path, layer="lot")
    assert lot.geometry.area[0] == pytest.approx(15.24 * 38.1 / foot**2, rel=LATTICE)


def test_the_geopackage_tells_the_same_as_the_features(survey: Survey, package: Path) -> None:
    """Counts and evidence classes agree, layer by layer; no layer calls the inferred located."""
    features = survey_features(survey)
    for layer in [name for name in LAYERS if name not in NOT_OF_EVERY_SITE]:
        table = geopandas.read_file(package, layer=layer)
        mine = [feature for feature in features if feature.layer == layer]
        assert list(table["evidence_class"]) == [feature.evidence_class for feature in mine]
        moved = [shapely.transform(f.geometry, survey.site.frame.to_crs) for f in mine]
        assert np.allclose(shapely.bounds(table.geometry.values), shapely.bounds(moved), atol=1e-6)


def test_the_geopackage_is_a_sound_database(package: Path) -> None:
    """SQLite's own check finds nothing, and the application id is GPKG (OGC 12-128r18)."""
    with closing(sqlite3.connect(package)) as connection, connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
    connection.close()


def test_a_run_works_out_each_finding_once(tmp_path: Path) -> None:
    """Nine files and the summary, and no finding is worked out twice (Python's own profiler)."""
    profile = cProfile.Profile()
    profile.runcall(run, FIXTURES / "tape-only", tmp_path / "out")
    calls = {
        name: count
        for (file, _, name), (_, count, *_) in pstats.Stats(profile).stats.items()  # type: ignore[attr-defined]
        if f"{os.sep}sitegis{os.sep}" in file
    }
    once = ("compare_mains", "exit_spread", "tap_spreads", "profile_check", "tie_ins",
            "excavations", "list_features", "stakeout_rows")  # fmt: skip
    assert {name: calls.get(name, 0) for name in once} == dict.fromkeys(once, 1)
