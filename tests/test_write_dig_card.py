"""The dig card in a real browser: what a crew sees at the curb on a phone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from pyproj import Geod

from sitegis.language import ENGLISH, Language
from sitegis.units import about, parse_length
from sitegis.write.page.dig_card import compass, dig_card, near_words, ticket_words

from .browser import Watched, open_page, open_phone
from .computed import NAMES, computed, written
from .filled import filled_survey


@pytest.fixture(scope="module", params=NAMES)
def map_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the page of a fixture once for all tests here."""
    path: Path = tmp_path_factory.mktemp("card") / f"{request.param}.html"
    path.write_bytes(written(request.param)["map.html"])
    return path


@pytest.fixture(scope="module")
def phone(browser: Browser, map_file: Path) -> Iterator[Watched]:
    """Open each page once, a second of the processor; what tests look at and touch in turn."""
    watched = open_phone(browser, map_file)
    yield watched
    watched.close()


def test_the_first_screen_says_what_to_do(phone: Watched, map_file: Path) -> None:
    """Call first, how sure, and all of pit 1, end above the fold at 844 points; pit 2 begins."""
    survey = computed(map_file.stem)
    unit, pits = survey.site.units, survey.dig.pits
    card = phone.page.locator("#card")
    first = card.locator("article").first
    box = first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 844
    words = first.inner_text().replace("\u00a0", " ")
    for tie in pits[0].ties[:2]:
        assert about(tie.distance_m, unit) in words
    assert about(pits[0].depth_05_m, unit) in words
    assert f"dig to {about(pits[0].depth_m, unit)}" in words
    above = card.inner_text()[: card.inner_text().index("Pit 1")]
    assert "wait for the marks" in above
    assert "Inferred, not located" in above
    assert "%" in above
    if len(pits) > 1:
        second = card.locator("article").nth(1).bounding_box()
        assert second is not None
        assert second["y"] < 844 - 40


def test_map_and_card_open_the_same_card(phone: Watched, map_file: Path) -> None:
    """A tap on the pit on the map, and one on the card, open it whole, within the screen."""
    page, survey = phone.page, computed(map_file.stem)
    pit = survey.dig.pits[0]
    longitude, latitude = survey.site.frame.written_lonlat(np.array([pit.x_m, pit.y_m]))
    shown = []
    for target in (".leaflet-z-pit-pane path >> nth=0", ".card .open-pit >> nth=0"):
        page.locator(target).tap()
        sheet = page.locator("dialog[open]")
        box = sheet.bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
        assert box["y"] + box["height"] <= 844
        shown.append(sheet.inner_text())
        place = [float(v) for v in sheet.locator(".copy input").input_value().split(",")]
        assert place == pytest.approx([latitude, longitude], abs=1e-8)
        sheet.locator(".close").tap()
        assert page.locator("dialog[open]").count() == 0
    assert shown[0] == shown[1]
    assert page.locator(".leaflet-tooltip").count() == 0


def test_nothing_covers_a_pit(phone: Watched) -> None:
    """What lies topmost at the middle of each pit is the pit itself (the sheets closed)."""
    page = phone.page
    page.locator("#map_site").scroll_into_view_if_needed()
    tops = page.evaluate(
        """() => [...document.querySelectorAll(".leaflet-z-pit-pane path")].map((path) => {
            const box = path.getBoundingClientRect();
            const [x, y] = [(box.left + box.right) / 2, (box.top + box.bottom) / 2];
            return document.elementFromPoint(x, y) === path;
        })"""
    )
    assert tops
    assert all(tops)


def test_a_swipe_on_the_map_scrolls_the_page(phone: Watched) -> None:
    """One finger moved up on the map moves the page, not the map; the button changes that.

    The last on its page, for the map stays moved.
    """
    page = phone.page
    page.locator("#map_site").scroll_into_view_if_needed()
    before = page.evaluate("[scrollY, map_site.getCenter().lat]")
    _swipe(page)
    after = page.evaluate("[scrollY, map_site.getCenter().lat]")
    assert after[0] > before[0] + 80
    assert after[1] == before[1]
    page.get_by_role("button", name="Move map").tap()
    page.locator("#map_site").scroll_into_view_if_needed()
    _swipe(page)
    assert page.evaluate("map_site.getCenter().lat") != before[1]


def _swipe(page: Page) -> None:
    """Put a finger on the map's middle and draw it 200 points up, as the browser's own input."""
    box = page.locator("#map_site").bounding_box()
    assert box is not None
    middle = min(box["y"] + box["height"] / 2, 600.0)
    session = page.context.new_cdp_session(page)
    for step in range(11):
        point = {"x": box["x"] + box["width"] / 2, "y": middle - 20.0 * step}
        kind = "touchMove" if step else "touchStart"
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [point]})
        page.wait_for_timeout(20)
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(300)


@pytest.mark.parametrize("width", [390, 1024, 1440])
def test_labels_cover_no_mark_and_nothing_is_cut_off(
    browser: Browser, map_file: Path, width: int
) -> None:
    """Labels lie inside the map, on no mark and on no other label; the section fits its box.

    On a desktop screen every main on record and its street are named, the far ones too.
    """
    watched = open_page(browser, map_file, width=width, height=844)
    found = watched.page.evaluate(
        """() => {
            const box = (e) => {
                const r = e.getBoundingClientRect();
                return [r.left, r.top, r.right, r.bottom];
            };
            const labels = [...document.querySelectorAll(".label:not(.crowded) span")].map(box);
            const marks = ["pit", "locate", "exit", "manhole"].flatMap((name) =>
                [...document.querySelectorAll(`.leaflet-z-${name}-pane path`)]).map(box);
            const texts = [...document.querySelectorAll("svg.profile text")].filter(
                (e) => e.getBoundingClientRect().width > 0).map(box);
            return { labels, marks, texts, frame: box(document.getElementById("map_site")),
                section: box(document.querySelector(".section")),
                page: document.documentElement.scrollWidth };
        }"""
    )
    shown = watched.page.locator(".label:not(.crowded)").all_inner_texts()
    watched.close()
    assert found["page"] <= width
    assert found["labels"]
    first, *rest = found["labels"]  # that of pit 1 stands whatever it covers
    for i, label in enumerate(found["labels"]):
        assert _inside(label, found["frame"])
        assert not any(_overlap(label, other) for other in found["labels"][:i])
    assert sum(_overlap(label, mark) for label in rest for mark in found["marks"]) == 0
    assert first
    assert found["texts"]
    assert all(_inside(text, found["section"]) for text in found["texts"])
    named = [word for main in computed(map_file.stem).site.mains for word in (main.id, main.street)]
    assert width < 1440 or [word for word in named if word not in shown] == []


def _inside(box: list[float], frame: list[float]) -> bool:
    low = box[0] >= frame[0] - 1 and box[1] >= frame[1] - 1
    return low and box[2] <= frame[2] + 1 and box[3] <= frame[3] + 1


def _overlap(one: list[float], other: list[float]) -> bool:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    return wide > 1.5 and min(one[3], other[3]) - max(one[1], other[1]) > 1.5


OTHER_LOOKS = ((1440, "plain"), (390, "pit cards"), (1440, "finds"), (1440, "layers"))


@pytest.mark.parametrize(
    ("width", "state"),
    [
        *((390, "plain"), (1440, "pit cards"), (390, "layers"), (390, "finds")),
        *(pytest.param(*other, marks=pytest.mark.statistical) for other in OTHER_LOOKS),
    ],
)
def test_axe_finds_nothing(browser: Browser, tmp_path: Path, width: int, state: str) -> None:
    """No finding of axe-core, the reference checker of WCAG, contrast among its rules."""
    path = tmp_path / "map.html"
    path.write_bytes(written("corner-lot-alley")["map.html"])
    watched = open_page(browser, path, width=width, height=844)
    page = watched.page
    if state == "pit cards":  # in the flow: of a modal one the checker leaves contrast open
        page.evaluate(
            "document.querySelectorAll('dialog').forEach("
            "(d) => { d.style.position = 'static'; d.show(); })"
        )
    if state == "finds":
        page.locator("[data-find=no]").first.click()
        page.get_by_role("button", name="Count it").click()
    if state == "layers":
        page.get_by_role("button", name="Layers").click()
    else:
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    page.evaluate("document.querySelector('meta[http-equiv]').remove()")
    found: dict[str, Any] = Axe().run(page).response
    checked = {rule["id"] for rule in found["passes"]}
    assert "color-contrast" in checked
    assert [(v["id"], [n["target"] for n in v["nodes"]]) for v in found["violations"]] == []
    watched.close()


@pytest.mark.parametrize("name", NAMES)
def test_bearings_are_those_of_the_geodesic(name: str) -> None:
    """From true north, within half a degree of PROJ's inverse geodesic between the two places."""
    survey = computed(name)
    frame, geod = survey.site.frame, Geod(ellps="WGS84")
    for pit in survey.dig.pits:
        for tie in pit.ties:
            ends = np.array([[tie.from_x_m, tie.from_y_m], [pit.x_m, pit.y_m]])
            (x0, y0), (x1, y1) = frame.to_lonlat(ends)
            expected = geod.inv(x0, y0, x1, y1)[0] % 360.0
            shown = re.match(r"(\d+)°", compass(survey, ends[1] - ends[0], Language()))
            assert shown is not None
            assert abs((float(shown[1]) - expected + 180.0) % 360.0 - 180.0) <= 0.6


def test_what_is_near_is_named_and_nothing_else() -> None:
    """A pit far from every other thing on record says so, one beside the gas pipe names it."""
    survey = filled_survey()
    for pit in survey.dig.pits:
        words = near_words(survey, pit, Language())
        assert ("away" in words) != ("records are incomplete" in words)


def test_the_ticket_and_its_last_day_stand_on_the_card() -> None:
    """Number and day as typed; without a day that is said, without a number there is nothing."""
    survey = computed("tape-only")

    def words(**given: object) -> str:
        record = replace(survey.site.record, **given)
        return ticket_words(replace(survey, site=replace(survey.site, record=record)), ENGLISH)

    told = words(ticket="A-17", ticket_valid_until=date(2026, 12, 3))
    assert "A-17" in told
    assert "2026-12-03" in told
    assert "not given" in words(ticket="A-17", ticket_valid_until=None)
    assert not words(ticket="")
    record = replace(survey.site.record, ticket="A-17", ticket_valid_until=date(2026, 12, 3))
    card = dig_card(replace(survey, site=replace(survey.site, record=record)), ENGLISH)
    assert told in repr(card)


def test_where_the_pipe_was_seen_the_card_says_so_and_what_following_it_takes() -> None:
    """The find's place is taped: from it to the wall is a distance that shapely measures."""
    survey = computed("dug-and-found")
    card = dig_card(survey, ENGLISH)
    first, *rest = card["no_pits"]
    assert not card["pits"]
    assert "The pipe was seen" in first
    find = next(one.finding for one in survey.scores.finds if one.finding.exposed)
    wall = shapely.Polygon(survey.site.building.vertices)
    away = shapely.distance(wall.exterior, shapely.Point(find.x_m, find.y_m))
    lengths = [parse_length(line.split(" from ")[0], "ft") for line in rest]
    assert away - 0.05 <= lengths[0] <= away + 0.5
    assert [("wall" in line, "main" in line) for line in rest] == [(True, False), (False, True)]
