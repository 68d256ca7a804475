"""The house with two stacks, from its folder to every file: branches, wyes, log, tie-ins."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import ezdxf
import fiona
import jsonschema
import numpy as np
import pytest

from sitegis.dig.tie_in import tie_ins
from sitegis.geometry.frames import LotFrame
from sitegis.library.functions import Result
from sitegis.model.survey import Survey
from sitegis.write.answer import answer
from sitegis.write.derive import find
from sitegis.write.gis.dxf import dxf_bytes
from sitegis.write.gis.geojson import geojson_bytes
from sitegis.write.gis.geopackage import geopackage_bytes
from sitegis.write.page.html import map_bytes
from sitegis.write.record import record_bytes
from sitegis.write.report import report
from sitegis.write.report.answer import flag_section
from sitegis.write.report.section import Section
from sitegis.write.summary import summary_lines
from tests.computed import computed
from tests.displayed import page_text, pdf_text

TRUTH = json.loads((Path(__file__).parent / "truth" / "two-stacks.json").read_text("utf-8"))
SCHEMA = Path(__file__).parents[1] / "sitegis" / "write" / "assets" / "answer.schema.json"


@pytest.fixture(scope="module")
def survey() -> Survey:
    return find(computed("two-stacks"))


@pytest.fixture(scope="module")
def record(survey: Survey) -> str:
    """Read the text of the record back."""
    return pdf_text(record_bytes(survey))


def test_the_tree_is_the_true_one(survey: Survey) -> None:
    """Which run joins which, wyes within what is stated of them, the exit beside the truth."""
    told = answer(survey)
    best = told["branches"]["ways_to_join"][0]
    assert best["joins"] == TRUTH["joins"]
    assert best["probability"] > 0.9
    wyes = {one["id"]: one["wye"] for one in told["branches"]["branches"] if one["wye"]}
    assert set(wyes) == set(TRUTH["wyes"])
    for name, (x, y) in TRUTH["wyes"].items():
        assert np.hypot(wyes[name]["x_m"] - x, wyes[name]["y_m"] - y) < wyes[name]["radius_95_m"]
    assert told["exit"]["x_m"] == pytest.approx(TRUTH["exit"]["x_m"], abs=0.25)
    assert told["hypotheses"][0]["main"] == TRUTH["main"]


def test_the_answer_keeps_its_contract(survey: Survey) -> None:
    told = answer(survey)
    jsonschema.validate(told, json.loads(SCHEMA.read_text("utf-8")))
    assert sum(way["probability"] for way in told["branches"]["ways_to_join"]) == pytest.approx(1)
    for one in told["branches"]["branches"]:
        if one["wye"]:
            assert np.linalg.eigvalsh(np.array(one["wye"]["covariance"])).min() > -1e-6


def test_a_storm_main_is_not_joined(survey: Survey) -> None:
    """The drain is sanitary: the storm sewer in the same street has probability 0."""
    told = answer(survey)
    storm = [one for one in told["hypotheses"] if one["main"] == "front-storm"]
    assert storm
    assert sum(one["probability"] for one in storm) == 0.0


def test_every_layer_shows_the_branches(survey: Survey, tmp_path: Path) -> None:
    """GeoJSON, GeoPackage (by GDAL) and DXF (by its own reader) against ``answer.json``."""
    told = {one["id"]: one for one in answer(survey)["branches"]["branches"]}
    drawn = json.loads(geojson_bytes(survey))["features"]
    lines = {f["properties"]["id"]: f for f in drawn if f["properties"]["layer"] == "branch"}
    assert set(lines) == {"bath", "kitchen"}
    for name, feature in lines.items():
        assert feature["properties"]["evidence_class"] == "inferred"
        expected = [[v["longitude"], v["latitude"]] for v in told[name]["vertices"]]
        assert np.array(feature["geometry"]["coordinates"]) == pytest.approx(
            np.array(expected), abs=2e-8
        )
    path = tmp_path / "lateral.gpkg"
    path.write_bytes(geopackage_bytes(survey))
    with fiona.open(path, layer="wye") as layer:
        assert {row["properties"]["run"] for row in layer} == {"bath", "kitchen"}
    drawing = ezdxf.read(io.StringIO(dxf_bytes(survey).decode("utf-8")))
    assert "SITEGIS-BRANCH-INFERRED" in drawing.layers


def test_the_record_has_the_log_run_by_run(record: str) -> None:
    """What the camera saw, with code, clock and video time; the codes said to be from memory."""
    assert "Observation log" in record
    for words in ("BBA", "10 to 2", "00:06:12", "joins main from the left", "from memory"):
        assert words in record


def test_the_tie_in_takes_the_nearest_pipe_that_drains(survey: Survey) -> None:
    """Each fixture stands nearer to a branch than to the trunk: less slab is cut there."""
    joined = {one["fixture"]: one for one in answer(survey)["tie_ins"]}
    assert joined["WC"]["joins"] == "bath"
    assert joined["LT"]["joins"] == "kitchen"
    for one in joined.values():
        assert one["p_gravity"] > 0.9
        off = abs(one["path"][0][0] - TRUTH["exit"]["x_m"])  # straight to the trunk, x = 24 ft
        assert one["length_m"] < off
        units = [check["words"] for check in one["checks"] if check["code"] == "fixture-units"]
        # its own branch, that of the run joined, and the trunk below that one's wye
        assert f"on run {one['joins']}" in units[1]
        assert "on run main below the wye" in units[2]


def test_a_branch_that_lies_too_high_is_not_tied_in_to(survey: Survey) -> None:
    """A pipe 2 m higher takes no fixture by gravity, however near: a lower one is joined."""
    assert survey.joined is not None
    higher = np.array([2.0, 0.0])
    branches = tuple(
        replace(one, profile=tuple(replace(p, mean=p.mean + higher) for p in one.profile))
        if one.id == "kitchen"
        else one
        for one in survey.joined.branches
    )
    high = replace(survey, joined=replace(survey.joined, branches=branches))
    tub = next(one for one in tie_ins(high, survey.derived.taps) if one.fixture == "LT")
    assert tub.joins != "kitchen"
    assert tub.p_gravity > 0.9


def test_every_pipe_has_its_load_in_answer_and_record(survey: Survey, record: str) -> None:
    """IPC Table 709.1 by hand: bath 5 + 3, kitchen 2 + 2, trunk 2, then 10, then 14."""
    told = answer(survey)["branches"]["loads"]
    assert [(one["run"], one["carries"], one["fixture_units"]) for one in told] == [
        ("bath", [], 8),
        ("kitchen", [], 4),
        ("main", [], 2),
        ("main", ["bath"], 10),
        ("main", ["bath", "kitchen"], 14),
    ]
    assert "What each pipe carries" in record
    assert "14 drainage fixture units on run main below the wyes of bath, kitchen" in record


def test_frames(survey: Survey) -> None:
    """A branch's places in WGS 84 are those of the lot through the site's own frame."""
    frame: LotFrame = survey.site.frame
    one = answer(survey)["branches"]["branches"][0]["vertices"][0]
    back = frame.written_lonlat(np.array([one["x_m"], one["y_m"]]))
    assert [one["longitude"], one["latitude"]] == pytest.approx(back.tolist(), abs=1e-7)


def _said(section: Section) -> list[str]:
    """Return every cell and sentence of a section, but headings."""
    return [*(cell for row in section.rows for cell in row), *section.sentences]


def test_page_record_notebook_and_screen_tell_the_same(survey: Survey, record: str) -> None:
    """Read back by html.parser and pypdf: whoever shows a section shows each of its cells whole.

    The page has the alternatives as bars with all their evidence, and how pits are dug on their
    cards; the record leaves out what only helps to decide; the screen shows flags and what falls.
    """
    parts = report(survey)
    sections = [(one.title, one) for some in parts.values() for one in some]
    notebook = Result(survey)._repr_html_()
    page = page_text(map_bytes(survey).decode())
    shown = {"notebook": page_text(notebook), "page": page, "record": record}
    flat = {name: _flat(text) for name, text in shown.items()}
    otherwise = ("Test pits (proposed)", "Which main: the route alternatives")
    on_paper = ("Mains", "Branches", "Held", "What each")
    for title, section in sections:
        for words in map(_flat, _said(section)):
            assert words in flat["notebook"], title
            assert title in otherwise or words in flat["page"], title
            assert not title.startswith(on_paper) or words in flat["record"], title
    screen = _flat(" ".join(summary_lines(survey)))
    for planned in parts["tie_ins"][::2]:
        fall = dict(planned.rows)["Fall"]
        assert all(_flat(fall) in flat[name] for name in shown)
        assert _flat(fall) in screen
    assert all(_flat(row[1]) in screen for row in flag_section(survey).rows)


def _flat(text: str) -> str:
    """Leave out blanks: a renderer wraps where it must."""
    return "".join(text.split())
