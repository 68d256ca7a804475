"""The GeoPackage in other people's programs: QGIS, GDAL's validator, a shapefile and back."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import ezdxf
import fiona
import numpy as np
import pytest
from PIL import Image

import sitegis
from sitegis.write.looks import LOOKS, UTILITY_COLORS
from sitegis.write.numbers import written_date

ROOT = Path(__file__).parent.parent
SYSTEM_PYTHON = "/usr/bin/python3"
VALIDATOR = (
    "import osgeo_utils.samples.validate_gpkg as v, sys; sys.exit(v.main(['', sys.argv[1]]))"
)
INFERRED = {
    "drain", "exit", "route", "corridor", "pit", "tie", "spoil-setback", "planned-branch",
    "slab-opening",
}  # fmt: skip


def _needs(module: str, package: str) -> None:
    """Skip, or fail in CI, where the system's Python lacks a module; say how to get it."""
    has = [SYSTEM_PYTHON, "-c", f"import {module}"]
    if (
        not shutil.which(SYSTEM_PYTHON)
        or subprocess.run(has, check=False, capture_output=True).returncode
    ):
        reason = f"no {module} on this machine: install the package {package!r}"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the corner lot: it has no-dig areas of two shapes and points of three classes."""
    folder = tmp_path_factory.mktemp("corner")
    sitegis.run(ROOT / "fixtures" / "corner-lot-alley", folder)
    return folder / "lateral.gpkg"


def _pixels(path: Path, mode: str) -> np.ndarray:
    """Return a picture as an array."""
    with Image.open(path) as image:
        return np.asarray(image.convert(mode))


def looks_in_qgis(package: Path, layers: list[str]) -> dict[str, dict[str, Any]]:
    """Return how QGIS itself shows layers, each with its picture."""
    _needs("qgis.core", "python3-qgis")
    folder = package.parent
    done = subprocess.run(
        [SYSTEM_PYTHON, str(ROOT / "tests" / "qgis_look.py"), str(package), str(folder), *layers],
        env={"QT_QPA_PLATFORM": "offscreen", "PATH": "/usr/bin", "HOME": str(folder)},
        check=True,
        capture_output=True,
        timeout=120,
    )
    looks: dict[str, dict[str, Any]] = json.loads(done.stdout)
    return {name: look | {"picture": folder / f"{name}.png"} for name, look in looks.items()}


@pytest.fixture(scope="module")
def looks(package: Path) -> dict[str, dict[str, Any]]:
    """Open each layer in QGIS."""
    layers = [layer for layer in fiona.listlayers(package) if layer != "layer_styles"]
    return looks_in_qgis(package, layers)


def test_qgis_draws_inferred_dashed_and_the_rest_solid(looks: dict[str, dict[str, Any]]) -> None:
    """Nothing inferred looks located, whatever QGIS would do without a style."""
    dashed = {
        layer: {one["dashed"] for one in told["symbols"].values()} for layer, told in looks.items()
    }
    assert {layer for layer, seen in dashed.items() if seen == {True}} == INFERRED
    assert all(seen == {False} for layer, seen in dashed.items() if layer not in INFERRED)


def test_qgis_colors_are_the_standard_ones(looks: dict[str, dict[str, Any]]) -> None:
    """Sewers green, gas yellow (APWA Uniform Color Code, shades judgment), areas see-through."""
    assert looks["main"]["symbols"][""]["color"] == LOOKS["main"].color == "#00843d"
    assert looks["keep-out-line"]["symbols"][""]["color"] == UTILITY_COLORS["gas"]
    assert looks["keep-out"]["symbols"]["gas"]["color"] == UTILITY_COLORS["gas"]
    for layer in ("lot", "building", "keep-out", "spoil-setback"):
        assert {one["fill_alpha"] for one in looks[layer]["symbols"].values()} == {0}
    assert looks["corridor"]["symbols"][""]["fill_alpha"] < 64


def test_qgis_shows_labels_and_titles(looks: dict[str, dict[str, Any]]) -> None:
    """Pits and mains are named on the map; columns have titles with units."""
    assert looks["pit"]["labels"]
    assert looks["main"]["labels"]
    assert not looks["corridor"]["labels"]
    assert "Azimuth (°)" in looks["exit"]["aliases"]


def test_qgis_renders_each_layer_in_its_color(looks: dict[str, dict[str, Any]]) -> None:
    """The picture holds the color of the style, and a dashed line has gaps where it runs."""
    for layer, told in looks.items():
        pixels = _pixels(told["picture"], "RGB").reshape(-1, 3)
        for one in told["symbols"].values():
            wanted = [int(one["color"][at : at + 2], 16) for at in (1, 3, 5)]
            assert (np.abs(pixels.astype(int) - wanted).sum(axis=1) < 40).any(), layer
    share = {}
    for layer in ("route", "main"):
        pixels = _pixels(looks[layer]["picture"], "L")
        rows = (pixels < 200).any(axis=1)
        used = np.flatnonzero(rows)
        share[layer] = rows[used[0] : used[-1] + 1].mean()
    assert share["main"] > 0.97
    assert looks["route"]["features"] > 0


def test_validator_finds_nothing(package: Path) -> None:
    """GDAL's own validator of the standard, by requirement of OGC 12-128."""
    _needs("osgeo_utils.samples.validate_gpkg", "python3-gdal")
    done = subprocess.run(
        [SYSTEM_PYTHON, "-c", VALIDATOR, str(package)], check=False, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_each_layer_has_one_geometry_type(package: Path) -> None:
    """No layer is of unknown geometry, and its features keep to it."""
    for layer in fiona.listlayers(package):
        if layer == "layer_styles":
            continue
        with fiona.open(package, layer=layer) as source:
            kinds = {feature.geometry.type for feature in source}
            assert kinds == {source.schema["geometry"]}, layer


def test_a_shapefile_and_back_loses_nothing(package: Path, tmp_path: Path) -> None:
    """``ogr2ogr`` takes every layer to a shapefile; as many features come back."""
    if shutil.which("ogr2ogr") is None:
        _needs("nothing_of_that_name", "gdal-bin")
    layers = [layer for layer in fiona.listlayers(package) if layer != "layer_styles"]
    command = ["ogr2ogr", "-f", "ESRI Shapefile", str(tmp_path / "shapes"), str(package), *layers]
    subprocess.run(command, check=True, capture_output=True)
    back = ["ogr2ogr", "-f", "GPKG", str(tmp_path / "back.gpkg"), str(tmp_path / "shapes")]
    subprocess.run(back, check=True, capture_output=True)
    for layer in layers:
        with (
            fiona.open(package, layer=layer) as one,
            fiona.open(tmp_path / "back.gpkg", layer=layer) as two,
        ):
            assert len(one) == len(two), layer


def test_dates_are_the_surveys_own(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All dates are the survey's; SOURCE_DATE_EPOCH (reproducible-builds.org) comes first."""
    with closing(sqlite3.connect(package)) as database:
        dates = Counter(
            row[0]
            for query in (
                "SELECT last_change FROM gpkg_contents",
                "SELECT update_time FROM layer_styles",
            )
            for row in database.execute(query)
        )
    assert set(dates) == {"2026-04-14T00:00:00.000Z"}
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    assert written_date("2026-04-14") == "2001-09-09T01:46:40.000Z"


@pytest.fixture(scope="module")
def drawing(package: Path) -> ezdxf.document.Drawing:
    """Read the drawing of the corner lot."""
    return ezdxf.readfile(package.with_name("lateral.dxf"))


def test_text_is_never_dashed(drawing: ezdxf.document.Drawing) -> None:
    """A letter drawn in a dashed line type prints as dots: every text has its own, continuous."""
    space = drawing.modelspace()
    texts = [*space.query("TEXT"), *(a for block in space.query("INSERT") for a in block.attribs)]
    assert len(texts) > 20
    assert {text.dxf.linetype for text in texts} == {"CONTINUOUS"}


def test_unlikely_layers_are_frozen(drawing: ezdxf.document.Drawing) -> None:
    """Frozen is neither shown nor printed; a layer that is only off may still be printed."""
    frozen = {layer.dxf.name for layer in drawing.layers if layer.is_frozen()}
    assert frozen == {
        layer.dxf.name for layer in drawing.layers if layer.dxf.name.endswith("UNLIKELY")
    }
    assert frozen


def test_blocks_carry_their_texts(drawing: ezdxf.document.Drawing, package: Path) -> None:
    """One block a pit, with name, depth to dig to and chance; one a manhole and a cleanout."""
    answer = json.loads(package.with_name("answer.json").read_text("utf-8"))
    found = Counter(one.dxf.name for one in drawing.modelspace().query("INSERT"))
    assert found["SITEGIS-PIT"] == len(answer["pits"])
    assert found["SITEGIS-CLEANOUT"] == 1
    pit = next(one for one in drawing.modelspace().query("INSERT") if "PIT" in one.dxf.name)
    told = {attribute.dxf.tag: attribute.dxf.text for attribute in pit.attribs}
    feet = round(answer["pits"][0]["depth_m"] / 0.0254) // 12
    assert told["DIG_TO"].startswith(f"dig to {feet}'")
    probability = f"{answer['pits'][0]['p_hit']:.0%}".replace("%", " %")
    assert told["P_HIT"] == f"{probability} to find the pipe"


def test_the_sheet_is_to_scale(drawing: ezdxf.document.Drawing) -> None:
    """A viewport's height on paper times the stated scale is the ground that it shows."""
    sheet = drawing.layouts.get("Layout1")
    view = next(one for one in sheet.query("VIEWPORT") if one.dxf.status > 1)
    told = next(t.dxf.text for t in drawing.modelspace().query("TEXT") if "Sheet: " in t.dxf.text)
    feet_an_inch = float(told.split("=")[1].split()[0])
    assert told == f"Sheet: 1 in = {feet_an_inch:.0f} ft."
    # survey feet and feet differ by 2e-6
    assert view.dxf.view_height == pytest.approx(view.dxf.height / 25.4 * feet_an_inch, rel=1e-5)
    assert drawing.audit().errors == []


def test_librecad_draws_the_whole_site(package: Path, tmp_path: Path) -> None:
    """LibreCAD opens it on the site: what it draws fills its sheet, and lies not in one corner."""
    if shutil.which("librecad") is None or shutil.which("pdftoppm") is None:
        _needs("nothing_of_that_name", "librecad, poppler-utils")
    path = shutil.copy(package.with_name("lateral.dxf"), tmp_path / "site.dxf")
    env = {"QT_QPA_PLATFORM": "offscreen", "PATH": "/usr/bin", "HOME": str(tmp_path)}
    command = ["librecad", "dxf2pdf", "-a", "-m", str(path)]
    subprocess.run(command, env=env, check=True, capture_output=True, timeout=120)
    picture = ["pdftoppm", "-r", "50", "-gray", "-singlefile", str(tmp_path / "site.pdf")]
    subprocess.run([*picture, str(tmp_path / "site")], check=True)
    pixels = _pixels(tmp_path / "site.pgm", "L")
    dark = np.argwhere(pixels < 200)
    height, width = pixels.shape
    assert np.ptp(dark[:, 0]) > 0.8 * height
    assert np.ptp(dark[:, 1]) > 0.4 * width
