"""Answers kept in the site folder, and the record that lives on them.

The invented site of two pits is run through its three revisions, as its story tells them.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from sitegis.finds.records import Finding
from sitegis.messages.errors import CannotWrite
from sitegis.model.survey import Survey
from sitegis.pipeline import WhatIf, compute, run
from sitegis.write.answer import answer
from sitegis.write.derive import survey_features
from sitegis.write.keep import inputs_digest, keep_revision
from sitegis.write.page.map_data import map_data
from sitegis.write.profile import survey_profile
from sitegis.write.record.document import record_bytes

from .computed import computed

STORY = Path(__file__).parents[1] / "fixtures" / "dug-and-found"
TRUTH = json.loads((Path(__file__).parent / "truth" / "dug-and-found.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def told() -> Survey:
    return computed(STORY.name)


def test_the_last_answer_knows_both_findings_and_the_kept_pits(told: Survey) -> None:
    found = answer(told)
    assert found["status"] == "partly exposed"
    assert [(f["id"], f["found"], f["at_pit"]) for f in found["findings"]] == [
        ("F1", "no", "R1-P1"),
        ("F2", "yes", "R2-P1"),
    ]
    assert found["pits"] == []
    assert found["comparison"]["expected_cost"] == 0.0
    assert {f["to"] for f in found["follow"]} == {"wall", "main"}
    assert found["findings"][1]["p_this_drain"] > 0.95
    assert [tie["from"] for tie in found["findings"][1]["ties"]] == [
        "building:front-left",
        "building:front-right",
        "lot:front-right",
    ]


def test_the_kept_revisions_tell_the_story_still(told: Survey) -> None:
    """Each finding is at a pit that was kept before it; the last answer is that of today.

    A kept answer stays what it was, though a later program may put its pits in another order; if
    the exit moves by half its spread from R3, keep the story anew.
    """
    kept = told.site.revisions
    assert [one.findings for one in kept] == [(), ("F1",), ("F1", "F2")]
    finds = {one.id: one.at_pit for one in told.site.evidence if isinstance(one, Finding)}
    for number, (name, pit) in enumerate(finds.items()):
        assert pit in {one.id for one in kept[number].pits}, name
    last, exit = kept[-1], told.exit
    assert last.inputs == inputs_digest(STORY)
    spread = np.sqrt(np.diag(exit.covariance))
    azimuth = told.site.frame.azimuth_deg(exit.angle_rad)
    assert abs(exit.x_m - last.exit_x_m) < 0.5 * spread[0]
    assert abs(azimuth - last.azimuth_deg) < 0.5 * np.degrees(spread[2])
    assert last.pits == told.dig.pits == ()


def test_the_find_brings_the_exit_nearer_to_the_truth(told: Survey) -> None:
    """The hidden truth of the invented site: the marks alone are 0.7 m off, and cannot know."""
    found = answer(told)
    true_x = TRUTH["exit"]["x_m"]
    before = abs(found["exit_from_inside"]["x_m"] - true_x)
    after = abs(found["exit"]["x_m"] - true_x)
    assert after < 0.75 * before
    tap = TRUTH["drain"][-1][0]
    stations = found["tap"]["intervals"]["station_m"]
    assert stations[-1]["level"] == 0.95
    main = next(main for main in told.site.mains if main.id == TRUTH["main"])
    station = abs(tap - float(main.line[0, 0]))
    ((low, high),) = stations[-1]["pieces"]
    assert low < station < high


def test_the_record_tells_the_revisions_and_what_was_measured(told: Survey) -> None:
    pages = PdfReader(BytesIO(record_bytes(told))).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert "Partly exposed: what was seen is as found" in text
    for words in (
        "R1 2026-05-04",
        "R2 2026-05-11",
        "R3 2026-05-12",
        "exit by 1'",
        '102 1/2"',
        "17' 4\" from the front-left",
    ):
        assert words in text


def test_the_holes_that_were_dug_are_drawn(told: Survey) -> None:
    """The empty one crossed out on paper and dotted on the map, with the corners of R1-P1."""
    dug = {f.properties["id"]: f for f in survey_features(told) if f.layer == "dug"}
    assert {name: f.properties["found"] for name, f in dug.items()} == {"F1": "no", "F2": "yes"}
    kept = json.loads((STORY / "revisions" / "R1.json").read_text("utf-8"))["pits"][0]
    assert dug["F1"].geometry.area == pytest.approx(kept["length_m"] * kept["width_m"], rel=1e-3)
    middle = dug["F1"].geometry.centroid
    assert (middle.x, middle.y) == pytest.approx((kept["x_m"], kept["y_m"]), abs=1e-3)
    text = " ".join(page.extract_text() for page in PdfReader(BytesIO(record_bytes(told))).pages)
    assert "F1 (dug, nothing found)" in text
    assert "F2 (dug, seen)" in text
    features = map_data(told, survey_profile(told))["features"]
    shown = [f["properties"] for f in features if f["properties"]["layer"] == "dug"]
    assert {(one["label"], one["found"]) for one in shown} == {("F1", "no"), ("F2", "yes")}


def test_an_answer_is_kept_once_and_touches_nothing_of_the_user_s(tmp_path: Path) -> None:
    site = tmp_path / "site"
    shutil.copytree(
        STORY, site, ignore=shutil.ignore_patterns("revisions", "findings.csv", "ties*")
    )
    before = {p.name: p.read_bytes() for p in site.iterdir()}
    survey = run(site, tmp_path / "out", keep=True)
    kept = json.loads((site / "revisions" / "R1.json").read_text("utf-8"))
    assert kept["date"] == "2026-05-04"  # of the survey, not the clock
    assert [pit["id"] for pit in kept["pits"]] == [f"R1-P{pit.rank}" for pit in survey.dig.pits]
    assert kept["inputs"] == inputs_digest(site)
    run(site, tmp_path / "out", keep=True)
    assert [p.name for p in (site / "revisions").iterdir()] == ["R1.json"]
    (site / "findings.csv").write_text(
        "id,kind,at_pit,found,date\nF1,test-pit,R1-P1,no,2026-05-11\n", "utf-8"
    )
    after = run(site, tmp_path / "out", keep=True)
    second = json.loads((site / "revisions" / "R2.json").read_text("utf-8"))
    assert (second["date"], second["findings"]) == ("2026-05-11", ["F1"])
    assert second["pits"][0]["x_m"] != kept["pits"][0]["x_m"]
    assert not _overlap(second["pits"][0], kept["pits"][0])
    assert after.dig.pits[0].extends == "F1"
    assert {p.name: p.read_bytes() for p in site.iterdir() if p.name in before} == before


def test_what_changes_no_answer_makes_no_revision(tmp_path: Path) -> None:
    """Photos and kept answers are no inputs of the digest; every table and layer is."""
    site = tmp_path / "site"
    shutil.copytree(STORY, site)
    before = inputs_digest(site)
    (site / "photos").mkdir()
    (site / "photos" / "pit.jpg").write_bytes(b"no picture")
    (site / "revisions" / "R3.json").unlink()
    assert inputs_digest(site) == before
    seen = {before}
    for name in ("site.toml", "locates.csv", "ties.csv", "findings.csv", "layers/mains.geojson"):
        path = site / name
        path.parent.mkdir(exist_ok=True)
        path.write_text((path.read_text("utf-8") if path.exists() else "") + "\n", "utf-8")
        seen.add(inputs_digest(site))
    assert len(seen) == 6


def _overlap(one: dict[str, float], other: dict[str, float]) -> bool:
    """Return whether two pits that stand alike share ground."""
    apart = abs(one["x_m"] - other["x_m"]) - 0.5 * (one["length_m"] + other["length_m"])
    beside = abs(one["y_m"] - other["y_m"]) - 0.5 * (one["width_m"] + other["width_m"])
    return max(apart, beside) < -0.005


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path, told: Survey) -> None:
    site = tmp_path / "site"
    shutil.copytree(STORY, site, ignore=shutil.ignore_patterns("revisions"))
    told = replace(told, site=replace(told.site, revisions=()))
    (site / "revisions").symlink_to(tmp_path)
    with pytest.raises(CannotWrite, match="leads out"):
        keep_revision(told, site)
    (site / "revisions").unlink()
    (site / "revisions").write_text("mine", "utf-8")
    with pytest.raises(CannotWrite, match="cannot be kept"):
        keep_revision(told, site)
    assert (site / "revisions").read_text("utf-8") == "mine"


def test_without_a_finding_the_answer_is_the_one_before_it() -> None:
    """What if the second pit had not been dug: its hole is ground again, and is proposed."""
    before = compute(STORY, WhatIf(frozenset({"F2"})))
    assert [one.finding.id for one in before.scores.finds] == ["F1"]
    assert [pit.extends for pit in before.dig.pits][:1] == ["F1"]
