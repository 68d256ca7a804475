"""``map.html`` in a real browser with the network off: what a user sees and can reach.

These tests need Chromium: without it they fail in CI and are skipped elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from sitegis.score.what_if import rescore
from sitegis.units import percent
from sitegis.write.outputs import output_files
from sitegis.write.page.map_data import map_data
from sitegis.write.page.reweigh_data import what_if_data
from sitegis.write.profile import survey_profile

from .browser import Watched, open_page, show_layers
from .computed import computed, written
from .filled import RULES, filled_survey

HOSTILE = '</script><script>window.caught=1</script>"\'><img src=x onerror="window.caught=2">\u2028\u2029{{7*7}}${7*7}`&amp;'  # noqa: E501


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_bytes(output_files(filled_survey())["map.html"])
    return path


@pytest.fixture
def shown(browser: Browser, map_file: Path) -> Iterator[Watched]:
    watched = open_page(browser, map_file)
    yield watched
    watched.close()


@pytest.fixture(scope="module")
def untouched(browser: Browser, map_file: Path) -> Iterator[Watched]:
    """Open the map once for the tests that only look."""
    watched = open_page(browser, map_file)
    yield watched
    watched.close()


def test_it_asks_for_nothing_but_itself(untouched: Watched, map_file: Path) -> None:
    """One request, the file; pictures may stand in it as data. No complaint in the console."""
    outside = [url for url in untouched.requests if not url.startswith("data:")]
    assert outside == [map_file.as_uri()]
    assert untouched.complaints == []


def test_every_layer_is_drawn_and_has_a_toggle(shown: Watched) -> None:
    """Each layer of the list can be turned off and on, and something vanishes and comes back."""
    show_layers(shown.page)
    labels = shown.page.locator("#layers label")
    names = labels.all_inner_texts()
    for wanted in (
        "A: front-main direct, 70 %",
        "B: alley-main around the right, 25 %",
        "Streets",
        "Lot",
        "Probability",
        "Public sewers",
        "No-dig areas",
        "Drain under the house",
        "Locate points",
        "Test pits",
    ):
        assert any(wanted in name for name in names), wanted
    drawn = ".leaflet-pane path"
    for i in range(labels.count()):
        box = labels.nth(i).locator("input")
        box.set_checked(True)
        before = shown.page.locator(drawn).count()
        box.set_checked(False)
        assert shown.page.locator(drawn).count() < before, names[i]
        box.set_checked(True)
        assert shown.page.locator(drawn).count() == before, names[i]
    assert shown.complaints == []


def test_inferred_lines_are_dashed_and_say_so(untouched: Watched) -> None:
    """Routes and drain are dashed, and the words stand beside them on the map."""
    for pane in ("route", "drain"):
        paths = untouched.page.locator(f".leaflet-z-{pane}-pane path")
        assert paths.count() > 0
        for i in range(paths.count()):
            assert paths.nth(i).get_attribute("stroke-dasharray")
    texts = untouched.page.locator(".route-label").all_inner_texts()
    assert len(texts) == 2
    assert all("inferred, not located" in text for text in texts)
    assert "Inferred, not located" in untouched.page.locator("#card").inner_text()


def test_alternatives_differ_in_color_and_without(untouched: Watched) -> None:
    """Each has its own color and its own dash pattern, its corridor the same color."""
    paths = untouched.page.locator(".leaflet-z-route-pane path")
    all_paths = [paths.nth(i) for i in range(paths.count())]
    for look in ("stroke", "stroke-dasharray"):
        assert len({path.get_attribute(look) for path in all_paths}) == len(all_paths) == 2
    colors = {path.get_attribute("stroke") for path in all_paths}
    corridors = untouched.page.locator(".leaflet-z-corridor-pane path").all()
    assert {path.get_attribute("fill") for path in corridors} == colors


def test_the_legend_names_every_symbol(shown: Watched) -> None:
    """Each layer that is drawn stands in the list or the legend, door jambs by themselves."""
    show_layers(shown.page)
    words = shown.page.locator("#legend").inner_text()
    for symbol in (
        "Seen (exposed)",
        "Found by the locator",
        "Corridor of an alternative",
        "50 %",
        "80 %",
        "95 %",
        "Wall penetration",
        "Manhole",
        "Flow",
    ):
        assert symbol in words
    assert shown.page.locator(".leaflet-z-jamb-pane path").count() == 0


def test_here_is_shown_only_if_asked_with_its_accuracy(browser: Browser, map_file: Path) -> None:
    """The circle has the radius that the phone states (haversine on Leaflet's sphere)."""
    (latitude, longitude), *_ = map_data(filled_survey(), survey_profile(filled_survey()))["pits"]
    watched = open_page(browser, map_file)
    page, context = watched.page, watched.page.context
    context.grant_permissions(["geolocation"])
    context.set_geolocation({"latitude": latitude, "longitude": longitude, "accuracy": 7.0})
    assert page.locator("path.here").count() == 0
    page.get_by_role("button", name="Where am I").click()
    page.wait_for_selector("path.here")
    radius = page.evaluate(
        "Object.values(map_site._layers).find((l) => l.options.className === 'here').getRadius()"
    )
    assert radius == 7.0
    said = page.locator("#map-words").inner_text()
    assert "within 23' 0\"" in said
    assert 'Pit 1 is 0" to 23\' 0" away' in said
    page.get_by_role("button", name="Where am I").click()
    assert page.locator("path.here").count() == 0
    assert watched.asked_for == [map_file.as_uri()]
    context.close()


def test_pits_are_white_and_sewers_green(untouched: Watched) -> None:
    """APWA Uniform Color Code: proposed excavation white, sewers green."""
    pit = untouched.page.locator(".leaflet-z-pit-pane path").first
    assert pit.get_attribute("fill") == "#ffffff"
    sewer = untouched.page.locator(".leaflet-z-main-pane path").first.get_attribute("stroke") or ""
    red, green, blue = (int(sewer[i : i + 2], 16) for i in (1, 3, 5))
    assert green > 1.5 * max(red, blue)


def test_zoom_reaches_a_hand_breadth(shown: Watched) -> None:
    """The map zooms to level 23 and past it."""
    assert shown.page.evaluate("map_site.getMaxZoom()") >= 23
    shown.page.evaluate("map_site.setZoom(23, {animate: false})")
    assert shown.page.evaluate("map_site.getZoom()") == 23


def test_cautions_stand_where_digging_is_advised(untouched: Watched) -> None:
    """In the section that says where to dig, every caution is visible without opening anything."""
    section = untouched.page.get_by_role("region", name="Where to dig")
    for caution in RULES.cautions:
        line = section.get_by_role("listitem").filter(has_text=caution)
        line.scroll_into_view_if_needed()
        assert line.is_visible()


def test_the_measure_tool_measures_ground_feet(shown: Watched) -> None:
    """The front lot line of 50 ft measures 50 ft on the page, with meters beside it."""
    page = shown.page
    frame = filled_survey().site.frame
    ends = [frame.to_lonlat(xy) for xy in ([0.0, 0.0], [15.24, 0.0])]
    page.get_by_role("button", name="Measure").click()
    for longitude, latitude in ends:
        page.evaluate(f"map_site.fire('click', {{latlng: L.latLng({latitude}, {longitude})}})")
    assert page.locator(".measured").inner_text() == "50' 0\" (15.24 m)"


def test_the_section_and_the_map_are_tied_by_keys(shown: Watched) -> None:
    """Walking along the section with the arrow keys moves a ring on the map and reads a depth."""
    slider = shown.page.get_by_label("Walk along the line")
    slider.focus()
    shown.page.keyboard.press("ArrowRight")
    first = shown.page.locator("#walk-out").inner_text()
    assert "inside the wall" in first
    shown.page.keyboard.press("End")
    last = shown.page.locator("#walk-out").inner_text()
    assert "outside the wall" in last
    assert "inferred" in last
    assert shown.page.locator(".profile.wide .cursor").get_attribute("visibility") == "visible"


def test_the_section_follows_the_pointer(shown: Watched) -> None:
    """Pointing at the section reads the depth there."""
    shown.page.locator(".profile.wide .hover").hover(position={"x": 200, "y": 40})
    assert "invert" in shown.page.locator("#walk-out").inner_text()


def test_every_control_has_a_name_and_can_be_reached(shown: Watched) -> None:
    """Tab reaches each control, and none is without a name."""
    page = shown.page
    nameless = page.evaluate(
        """() => [...document.querySelectorAll("button, input, summary, a[href]")].filter((e) =>
            !(e.textContent || e.getAttribute("aria-label") || e.title ||
              (e.labels && e.labels.length && e.labels[0].textContent))).length"""
    )
    assert nameless == 0
    reached = set()
    show_layers(page)
    for _ in range(80):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                "document.activeElement.tagName + (document.activeElement.id || "
                "document.activeElement.className)"
            )
        )
    assert any("tool" in name for name in reached)
    assert any("leaflet-control-layers-selector" in name for name in reached)
    assert any("walk" in name for name in reached)
    assert "SUMMARY" in reached
    assert page.locator("html").get_attribute("lang") == "en"


def test_a_narrow_screen_needs_no_sideways_scrolling(browser: Browser, map_file: Path) -> None:
    """At 360 px the page fits the width; card, map and answer come one below the other."""
    watched = open_page(browser, map_file, width=360, height=780)
    page = watched.page
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    map_box = page.locator("#map_site").bounding_box()
    panel_box = page.locator("#answer").bounding_box()
    assert map_box is not None
    assert panel_box is not None
    assert panel_box["y"] >= map_box["y"] + map_box["height"]
    card_box = page.locator("#card").bounding_box()
    assert card_box is not None
    assert card_box["y"] + card_box["height"] <= map_box["y"]
    assert map_box["height"] >= 340
    watched.close()


@pytest.mark.parametrize("width", [1400, 390])
def test_the_printed_map_is_drawn_to_its_edge(browser: Browser, map_file: Path, width: int) -> None:
    """On paper, as narrow as a phone, the frame is as high as the map that was drawn for it."""
    watched = open_page(browser, map_file, width=width)
    page = watched.page
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    drawn = page.evaluate("map_site.getSize().y")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 748, "height": 990})
    frame = page.locator("#map_site").bounding_box()
    assert frame is not None
    assert frame["height"] == pytest.approx(drawn, abs=3)
    page.context.close()


def test_hostile_words_stay_words(browser: Browser, tmp_path: Path) -> None:
    """Names and notes with markup, quotes and line separators run nothing and are shown."""
    path = tmp_path / "map.html"
    path.write_bytes(
        output_files(filled_survey(name=HOSTILE, note=HOSTILE, mark=HOSTILE))["map.html"]
    )
    watched = open_page(browser, path)
    page = watched.page
    page.evaluate("map_site.setZoom(22, {animate: false})")
    assert page.evaluate("window.caught === undefined")
    assert page.locator("img").count() == 0
    assert "<img src=x" in page.locator("h1").inner_text()
    assert "{{7*7}}${7*7}`&amp;" in page.locator("h1").inner_text()
    assert page.title().startswith("Lateral map: </script>")
    assert watched.complaints == []
    assert [url for url in watched.requests if not url.startswith("data:")] == [path.as_uri()]
    watched.close()


def test_what_if_gives_the_numbers_of_the_program(browser: Browser, tmp_path: Path) -> None:
    """Each item of evidence switched off in the page: the probabilities are those of a new scoring.

    Then a prior is changed, which must follow Bayes' rule, and the reset brings the answer back.
    """
    survey = computed("corner-lot-alley")
    path = tmp_path / "map.html"
    path.write_bytes(written("corner-lot-alley")["map.html"])
    watched = open_page(browser, path)
    page = watched.page
    page.locator("#what-if summary").click()
    cells = page.locator("#what-if-rows td:last-child")
    ids = [scored.hypothesis.id for scored in survey.scores.hypotheses]
    names = [item["name"] for item in what_if_data(survey)["items"]]
    for i, name in enumerate(names):
        box = page.locator("#what-if-items input").nth(i)
        box.set_checked(False)
        shown = cells.evaluate_all("all => all.map((cell) => Number(cell.dataset.probability))")
        box.set_checked(True)
        again = rescore(survey, without=frozenset({name})).hypotheses
        expected = {scored.hypothesis.id: scored.probability for scored in again}
        assert shown == pytest.approx([expected[i] for i in ids], abs=1e-9), name
    page.locator("#what-if-rows input").first.fill("0")
    shown = cells.evaluate_all("all => all.map((cell) => Number(cell.dataset.probability))")
    kept = [scored.probability for scored in survey.scores.hypotheses[1:]]
    # the answer's probabilities are rounded to 1e-6, the page's are not
    rounding = 1e-6 / sum(kept)
    assert shown == pytest.approx([0.0, *(p / sum(kept) for p in kept)], abs=rounding)
    page.get_by_role("button", name="Back to the answer").click()
    assert cells.first.inner_text() == percent(survey.scores.hypotheses[0].probability)
    assert watched.complaints == []
    watched.close()


def test_a_base_map_is_asked_for_only_on_request(browser: Browser, tmp_path: Path) -> None:
    """With the base map on, tiles of one host are asked for, and nothing else."""
    path = tmp_path / "map.html"
    path.write_bytes(output_files(filled_survey(), base_map=True)["map.html"])
    watched = open_page(browser, path)
    outside = [u for u in watched.requests if not u.startswith(("data:", "file:"))]
    assert outside
    assert all(url.startswith("https://tile.openstreetmap.org/") for url in outside)
    watched.close()
