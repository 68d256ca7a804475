"""What was dug, counted by the page itself: the program's own re-weighting, offline."""

from __future__ import annotations

import io
import json
import random
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, Page
from scipy.stats import norm

from sitegis.finds.reweigh import (
    STRAY_BREADTH_M,
    STRAY_DEPTH_M,
    find_likelihood,
    hole_shows,
    joint_miss_showing,
    miss_likelihood,
    reweigh,
)
from sitegis.geometry import polyline
from sitegis.geometry.frames import Array
from sitegis.language import load_language
from sitegis.pipeline import compute
from sitegis.read.csv_tables import FINDING_COLUMNS
from sitegis.write.page.reweigh_data import reweigh_data

from .browser import Watched, open_phone
from .computed import FIXTURES, computed, written

NAME = "corner-lot-alley"


@pytest.fixture
def phone(browser: Browser, tmp_path: Path) -> Iterator[Watched]:
    """Open the page of a fixture on a phone, the network off."""
    path = tmp_path / "map.html"
    path.write_bytes(written(NAME)["map.html"])
    watched = open_phone(browser, path)
    yield watched
    watched.close()


def _carried(page: Page) -> dict[str, Any]:
    return json.loads(page.locator("#survey-data").text_content() or "")["finds"]


def _program(data: dict[str, Any], finds: list[dict[str, Any]]) -> tuple[Array, Array]:
    """Weigh the routes that the page carries by the program's own functions."""
    vertices, inverts = np.array(data["vertices"]), np.array(data["inverts"])
    likelihoods, shows = [], []
    for find in finds:
        hole = np.array([find[key] for key in ("x", "y", "angle", "length", "width")])
        if find["found"]:
            across, station, _ = polyline.line_locate_point(vertices, hole[:2])
            along = np.stack(
                [
                    np.interp(s, stations, line)
                    for s, stations, line in zip(
                        station, polyline.stations(vertices), inverts, strict=True
                    )
                ]
            )
            below = None if find["invert"] is None else along - find["invert"]
            likelihoods.append(
                find_likelihood(
                    across,
                    data["across_sd"][find["work"]],
                    data["right"][find["work"]],
                    below,
                    data["depth_sd"],
                )
            )
        else:
            shows.append(hole_shows(vertices, inverts + data["diameter"], hole, find["bottom"]))
    loose, bare = np.array([weight for _, weight in data["loose"]]), data["unlisted"]
    ends, levels = np.array(bare["vertices"]), np.array(bare["inverts"]) + data["diameter"]
    missed = [f for f in finds if not f["found"]]
    holes = [[f[key] for key in ("x", "y", "angle", "length", "width")] for f in missed]
    passed = [
        hole_shows(ends, levels, np.array(hole), f["bottom"])
        for hole, f in zip(holes, missed, strict=True)
    ]
    of_ways = np.ones(len(ends))
    if passed:
        reliability = [data["shows"]["test-pit"]] * len(passed)
        of_ways *= miss_likelihood(np.stack(passed), reliability)
    own = loose[bare["loose"]]
    for find in finds:
        stray = 1.0 / STRAY_BREADTH_M / (1.0 if find["invert"] is None else STRAY_DEPTH_M)
        if find["found"]:
            loose = loose * stray
            of_ways *= _beside_straights(data, find, stray)
    loose[bare["loose"]] = own * of_ways.mean()
    weights, showing = np.array(data["weights"]), np.ones(len(vertices))
    if shows:
        reliability = [data["shows"]["test-pit"]] * len(shows)
        likelihoods.append(miss_likelihood(np.stack(shows), reliability))
        showing = joint_miss_showing(1.0 - data["shows"]["test-pit"] * np.stack(shows))
    whole = np.concatenate([np.prod([weights, *likelihoods], axis=0), loose])
    return reweigh(whole)[: len(weights)], showing


def _beside_straights(data: dict[str, Any], find: dict[str, Any], stray: float) -> Array:
    """Return the density of a find given each first straight: what ends before it, anywhere."""
    ends, levels = np.array(data["unlisted"]["vertices"]), np.array(data["unlisted"]["inverts"])
    found = []
    for line, invert in zip(ends, levels, strict=True):
        whole, place = shapely.LineString(line), shapely.Point(find["x"], find["y"])
        station = whole.project(place)
        if station >= whole.length:
            found.append(stray)
            continue
        right = norm.pdf(whole.distance(place), 0.0, data["across_sd"][find["work"]])
        if find["invert"] is not None:
            there = invert[0] + station / whole.length * (invert[1] - invert[0])
            right *= norm.pdf(there - find["invert"], 0.0, data["depth_sd"])
        e = data["right"][find["work"]]
        found.append(e * right + (1.0 - e) * stray)
    return np.array(found)


def test_the_page_weighs_as_the_program_does(phone: Watched) -> None:
    """Misses in one and two pits, a find with and without a depth, and both: equal to 1e-6."""
    data = _carried(phone.page)
    pits = [{**pit, "work": "test-pit", "invert": None} for pit in data["pits"]]
    missed = [{**p, "found": False, "bottom": p["ground"] - p["depth"]} for p in pits]
    beside = {**pits[0], "found": True, "x": pits[0]["x"] + 0.3}
    deep = {**beside, "invert": pits[0]["ground"] - pits[0]["depth"] + 0.2}
    for finds in ([], missed[:1], missed[:2], [beside], [deep], [missed[1], deep]):
        state = phone.page.evaluate(
            "(finds) => weighFinds(JSON.parse("
            "document.getElementById('survey-data').textContent).finds, finds)",
            finds,
        )
        weights, showing = _program(data, finds)
        assert state["weights"] == pytest.approx(weights.tolist(), abs=1e-6)
        assert state["showing"] == pytest.approx(showing.tolist(), abs=1e-6)
        assert sum(state["weights"]) + sum(state["loose"]) == pytest.approx(1.0)
        assert state["effective"] == pytest.approx(weights.sum() ** 2 / (weights**2).sum())


def test_nothing_here_shows_the_next_pit_and_the_line(phone: Watched, tmp_path: Path) -> None:
    """Tapped on pit 1: the next pit stands there at once, and the line makes the program agree.

    A fresh run with that line in findings.csv gives every main within 3 points, and the next pit
    within three standard errors of what either has routes for.
    """
    page = phone.page
    page.locator("[data-find=no][data-of='1']").tap()
    page.get_by_role("button", name="Count it").tap()
    box = page.locator("#finds")
    assert box.get_by_role("button", name=re.compile("Next: pit")).is_visible()
    shown = json.loads(page.locator("#finds-answer").get_attribute("data-probabilities") or "")
    lines = box.locator("textarea").input_value()
    assert lines.splitlines()[0] == ",".join(FINDING_COLUMNS)
    assert phone.asked_for == [page.url]
    assert phone.complaints == []
    box.locator(".qr summary").tap()
    picture = Image.open(io.BytesIO(box.locator(".qr svg").screenshot()))
    assert [code.text for code in zxingcpp.read_barcodes(picture)] == lines.splitlines()[-1:]

    site = tmp_path / "site"
    shutil.copytree(FIXTURES / NAME, site)
    (site / "findings.csv").write_text(lines + "\n")
    fresh = compute(site)
    again = {one.hypothesis.id: one.probability for one in fresh.scores.hypotheses}
    before = computed(NAME).scores.hypotheses
    for scored, probability in zip(before, shown, strict=True):
        assert again[scored.hypothesis.id] == pytest.approx(probability, abs=0.03)
    probability = float(page.locator("#finds-next").get_attribute("data-chance") or "")
    said = re.search(r"pit (\d)", page.locator("#finds-next button").inner_text())
    assert said is not None
    pit = reweigh_data(computed(NAME), load_language("en"))["pits"][int(said[1]) - 1]
    cloud = reweigh_data(fresh, load_language("en"))
    hole = np.array([pit[key] for key in ("x", "y", "angle", "length", "width")])
    shows = hole_shows(
        np.array(cloud["vertices"]), np.array(cloud["inverts"]), hole, pit["ground"] - pit["depth"]
    )
    joint = 0.04 + 0.96 * np.array(cloud["apart"])
    expected = float((np.array(cloud["weights"]) * (1 - 0.04 / joint) * shows).sum())
    left = [
        float(box.get_attribute("data-effective") or ""),
        1.0 / np.square(cloud["weights"]).sum(),
    ]
    error = np.sqrt(expected * (1.0 - expected) * sum(1.0 / one for one in left))
    assert error < 0.05
    assert probability == pytest.approx(expected, abs=3.0 * error)


def test_a_find_anywhere_on_the_map_is_counted_and_taken_back(phone: Watched) -> None:
    """The tool, then a tap on the map: the place's longitude and latitude stand in the line."""
    page, frame = phone.page, computed(NAME).site.frame
    page.locator("#tools").get_by_role("button", name="Found it").tap()
    longitude, latitude = frame.to_lonlat(np.array([8.0, 30.0]))
    page.evaluate(f"map_site.fire('click', {{latlng: L.latLng({latitude}, {longitude})}})")
    page.locator("[name=invert]").fill("8' 9 1/2\"")
    page.get_by_role("button", name="Count it").tap()
    row = page.locator("#finds textarea").input_value().splitlines()[1].split(",")
    cells = dict(zip(FINDING_COLUMNS, row, strict=True))
    assert cells["found"] == "yes"
    assert cells["depth_to_invert"] == "2.680m"
    assert float(cells["longitude"]) == pytest.approx(float(longitude), abs=1e-8)
    assert float(cells["latitude"]) == pytest.approx(float(latitude), abs=1e-8)
    page.get_by_role("button", name="Take back the last").tap()
    assert not page.locator("#finds").is_visible()


def test_a_line_is_read_from_its_code_by_another_program(phone: Watched) -> None:
    """ZXing reads what the page draws: 60 drawn lines, the longest, and other alphabets."""
    drawn = random.Random(4)
    cells = "0123456789,.-'\" FPRabcmyesno"
    texts = ["".join(drawn.choices(cells, k=drawn.randint(1, 134))) for _ in range(60)]
    texts += ["x" * 134, "Próf. 5′ 3″, à gauche"]
    rows = phone.page.evaluate("(texts) => texts.map(qrModules)", texts)
    for text, modules in zip(texts, rows, strict=True):
        light = np.pad(~np.array(modules), 4, constant_values=True).astype(np.uint8) * 255
        (code,) = zxingcpp.read_barcodes(np.kron(light, np.ones((4, 4), np.uint8)))
        assert code.text == text
        assert code.ec_level == "L"
    assert phone.page.evaluate("qrModules('x'.repeat(135))") is None


def test_planned_chances_are_those_of_the_plan(phone: Watched) -> None:
    """Before anything is dug the page's P(hit) of each pit is the program's, within 2 points."""
    data = _carried(phone.page)
    for pit, planned in zip(data["pits"], computed(NAME).dig.pits, strict=True):
        probability = phone.page.evaluate(
            "(pit) => { const d = JSON.parse(document.getElementById('survey-data').textContent)"
            ".finds; return pitChance(d, weighFinds(d, []), pit); }",
            pit,
        )
        assert probability == pytest.approx(planned.p_hit, abs=0.02)
