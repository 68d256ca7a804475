"""Every format against ``answer.json``: how many pits and marks there are, and where.

Each file is read back by a library that did not write it, or by a plain parser.
"""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import Any

import ezdxf
import geopandas
import numpy as np
import pypdf
import pytest
import shapely
from lxml import etree
from pyproj import Transformer

from sitegis.model.survey import Survey
from sitegis.units import percent
from sitegis.write.derive import survey_features
from sitegis.write.outputs import output_files
from sitegis.write.stakeout import _COLUMNS

from .computed import computed
from .filled import filled_survey

PROJECT = Path(__file__).parents[1]
KML = "{http://www.opengis.net/kml/2.2}"
GPX = "{http://www.topografix.com/GPX/1/1}"
# eight decimals of a degree are about a millimeter
# Where a name that people read is not the id.
SHOWN = {"wall penetration": "exit"}
DEGREES = 2e-8


@pytest.fixture(scope="module", params=["filled", "corner-lot-alley"])
def survey(request: pytest.FixtureRequest) -> Survey:
    """A survey in meters of its grid, and one whose grid is in US survey feet."""
    if request.param == "filled":
        return filled_survey()
    return computed(request.param)


@pytest.fixture(scope="module")
def files(survey: Survey) -> dict[str, bytes]:
    return output_files(survey)


@pytest.fixture(scope="module")
def told(files: dict[str, bytes]) -> dict[str, Any]:
    return dict(json.loads(files["answer.json"]))


@pytest.fixture(scope="module")
def places(told: dict[str, Any]) -> dict[str, np.ndarray]:
    """Exit and pits of the answer, in degrees."""
    rows = {"exit": told["exit"], **{f"pit-{p['rank']}": p for p in told["pits"]}}
    return {name: np.array([row["longitude"], row["latitude"]]) for name, row in rows.items()}


@pytest.fixture(scope="module")
def grid(told: dict[str, Any], places: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The same places in the CRS, by pyproj."""
    forward = Transformer.from_crs(4326, told["crs"], always_xy=True)
    return {name: np.array(forward.transform(*place)) for name, place in places.items()}


def _marks(survey: Survey) -> set[str]:
    return {str(f.properties["id"]) for f in survey_features(survey) if f.layer == "locate"}


def test_the_geopackage_has_the_places_of_the_answer(
    survey: Survey, files: dict[str, bytes], grid: dict[str, np.ndarray], tmp_path: Path
) -> None:
    """geopandas finds exit, pits and marks: as many, and to two millimeters where they are."""
    path = tmp_path / "lateral.gpkg"
    path.write_bytes(files["lateral.gpkg"])
    tables = {name: geopandas.read_file(path, layer=name) for name in ("exit", "pit", "locate")}
    found = {f"pit-{row.rank}": row.geometry.centroid for row in tables["pit"].itertuples()}
    found["exit"] = tables["exit"].geometry[0]
    assert found.keys() == grid.keys()
    for name, point in found.items():
        assert (point.x, point.y) == pytest.approx(tuple(grid[name]), abs=0.007)
    assert set(tables["locate"]["id"]) == _marks(survey)


def test_the_drawing_has_the_places_of_the_answer(
    survey: Survey, files: dict[str, bytes], grid: dict[str, np.ndarray]
) -> None:
    """ezdxf finds a circle at the exit, a ring about each pit, a circle or block for each mark."""
    space = ezdxf.read(io.StringIO(files["lateral.dxf"].decode("utf-8"))).modelspace()
    (penetration,) = space.query('CIRCLE[layer=="SITEGIS-EXIT-INFERRED"]')
    assert tuple(penetration.dxf.center)[:2] == pytest.approx(tuple(grid["exit"]), abs=0.007)
    rings = space.query('LWPOLYLINE[layer=="SITEGIS-PIT-INFERRED"]')
    centers = [shapely.Polygon([p[:2] for p in ring.get_points()]).centroid for ring in rings]
    assert len(centers) == len(grid) - 1
    for rank, center in enumerate(centers, start=1):
        assert (center.x, center.y) == pytest.approx(tuple(grid[f"pit-{rank}"]), abs=0.007)
    marks = [c for c in space.query("CIRCLE INSERT") if c.dxf.layer.startswith("SITEGIS-LOCATE-")]
    assert len(marks) == len(_marks(survey))


def test_the_kml_has_the_places_of_the_answer(
    survey: Survey, files: dict[str, bytes], places: dict[str, np.ndarray]
) -> None:
    """lxml finds a placemark for exit, each pit and each mark, where the answer has them."""
    root = etree.fromstring(files["lateral.kml"])
    folders = {f.findtext(f"{KML}name"): f for f in root.iter(f"{KML}Folder")}
    found = {}
    for layer in ("exit", "pit"):
        for mark in folders[layer].iter(f"{KML}Placemark"):
            words = mark.findtext(f".//{KML}coordinates").split()
            corners = np.array([[float(v) for v in word.split(",")[:2]] for word in words])
            shape = shapely.Polygon(corners) if len(corners) > 3 else shapely.Point(corners[0])
            name = mark.findtext(f"{KML}name").removesuffix(" (inferred)").split(",")[0]
            found[SHOWN.get(name, name)] = shape.centroid
    assert found.keys() == places.keys()
    for name, point in found.items():
        assert (point.x, point.y) == pytest.approx(tuple(places[name]), abs=DEGREES)
    names = [m.findtext(f"{KML}name") for m in folders["locate"].iter(f"{KML}Placemark")]
    assert set(names) == _marks(survey)


def test_the_gpx_has_the_places_of_the_answer(
    survey: Survey, files: dict[str, bytes], places: dict[str, np.ndarray]
) -> None:
    """lxml finds a waypoint for exit, each pit and each mark."""
    root = etree.fromstring(files["lateral.gpx"])
    found = {layer: {} for layer in ("exit", "pit", "locate", "manhole")}
    for point in root.iter(f"{GPX}wpt"):
        name = point.findtext(f"{GPX}name").removesuffix(" (inferred)")
        place = float(point.get("lon")), float(point.get("lat"))
        found[point.findtext(f"{GPX}type")][SHOWN.get(name, name)] = place
    assert found["pit"].keys() | found["exit"].keys() == places.keys()
    for name, place in (found["pit"] | found["exit"]).items():
        assert place == pytest.approx(tuple(places[name]), abs=DEGREES)
    assert found["locate"].keys() == _marks(survey)


def test_the_stakeout_has_the_places_of_the_answer(
    files: dict[str, bytes], places: dict[str, np.ndarray], grid: dict[str, np.ndarray]
) -> None:
    """The table stakes exit and pits where the answer has them; no cell begins a formula."""
    text = io.StringIO(files["stakeout.csv"].decode("utf-8"), newline="")
    rows = {row["name"]: row for row in csv.DictReader(text)}
    for name, place in places.items():
        row = rows[name]
        assert (float(row["longitude"]), float(row["latitude"])) == pytest.approx(
            tuple(place), abs=DEGREES
        )
        assert (float(row["easting"]), float(row["northing"])) == pytest.approx(
            tuple(grid[name]), abs=0.007
        )
    for row in rows.values():
        for cell in row.values():
            assert not re.match(r"\s*[=@\t\r]", cell)
            assert not cell.startswith(("+", "-")) or float(cell) is not None


def test_the_record_says_what_the_answer_says(
    files: dict[str, bytes], told: dict[str, Any]
) -> None:
    """Site, best route with its probability, each main with its own, pits and tie-ins."""
    pages = pypdf.PdfReader(io.BytesIO(files["record.pdf"])).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    best = told["hypotheses"][0]
    assert len(pages) <= 6 + len(told["tie_ins"])  # plan, profile, tables; a cut sheet each
    assert told["site"] in text
    assert f"{best['main']} {best['way']} {best['probability'] * 100:.0f} %" in text
    for main in told["mains"]:
        assert f"{main['main']} {percent(main['probability'])}" in text
    for pit in told["pits"]:
        assert all(words in text for words in pit["excavation"]["statements"])
    for one in told["tie_ins"]:
        assert f"Tie-in of {one['name']} (planned)" in text
        assert all(words in text for words in one["cautions"])


def _table(heading: str) -> list[list[str]]:
    """Read the rows of the first table under a heading of the table of attributes."""
    text = (PROJECT / "sitegis" / "write" / "ATTRIBUTES.md").read_text("utf-8")
    part = text[text.index(heading) :]
    lines = part[part.index("|---") :].splitlines()[1:]
    rows = []
    for line in lines:
        if not line.startswith("|"):
            break
        rows.append([cell.strip().strip("`") for cell in line.strip().strip("|").split("|")])
    return rows


def test_the_table_of_attributes_is_complete() -> None:
    """Every attribute of every layer is documented with type and meaning, and no other is."""
    rows = _table("# Attributes")
    some = {"two-stacks": ("branch", "wye"), "dug-and-found": ("stretch", "dug")}
    more = [
        f for name, of in some.items() for f in survey_features(computed(name)) if f.layer in of
    ]
    features = [*survey_features(filled_survey()), *more]
    expected = {(f.layer, key) for f in features for key in f.properties}
    expected |= {(f.layer, "(layer)") for f in features}
    assert {(row[0], row[1]) for row in rows} == expected
    assert len(rows) == len(expected)
    assert all(row[3] and (row[2] or row[1] == "(layer)") for row in rows)


@pytest.mark.parametrize(
    ("ending", "unit"), [("_m", "m"), ("_m2", "m²"), ("_m3", "m³"), ("_deg", "degrees")]
)
def test_the_documented_units_are_those_of_the_names(ending: str, unit: str) -> None:
    """An attribute that ends in a unit is documented in that unit."""
    rows = [row for row in _table("# Attributes") if row[1].endswith(ending)]
    assert rows
    assert all(row[2] == f"number, {unit}" for row in rows)


def test_the_table_of_stakeout_columns_is_complete() -> None:
    """Every column of the stake-out is documented, in its order."""
    assert tuple(row[0] for row in _table("## `stakeout.csv`")) == _COLUMNS
