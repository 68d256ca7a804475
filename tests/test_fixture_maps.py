"""Each fixture's ``map.html`` in a real browser with the network off."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Browser

from sitegis.write.page.html import map_bytes

from .browser import open_page
from .computed import NAMES, computed

LAYERS = (
    "Streets and alleys", "Lot, house and rooms", "Chance that a pit", "Public sewers",
    "Drain under the house", "Marks found", "Test pits", "Spoil stays outside",
)  # fmt: skip
# what only some of them have
MORE_LAYERS = {
    "corner-lot-alley": ("Keep-outs", "Tie-in: branch", "Tie-in: slab opening"),
}
HEADINGS = (
    "Where it may go", "Mains side by side", "Before you dig", "Where to dig",
    "Fall of the drain under the house", "Depth along the most probable route",
)  # fmt: skip


@pytest.fixture(scope="module", params=NAMES)
def map_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the map of a fixture once for all tests here."""
    folder = tmp_path_factory.mktemp("maps") / request.param
    folder.mkdir()
    path = folder / "map.html"
    path.write_bytes(map_bytes(computed(request.param)))
    return path


def test_it_opens_alone_and_silently(browser: Browser, map_file: Path) -> None:
    """No request but the file itself, and nothing in the console."""
    watched = open_page(browser, map_file)
    assert watched.asked_for == [map_file.as_uri()]
    assert watched.complaints == []
    watched.page.context.close()


def test_every_layer_is_there_and_toggles(browser: Browser, map_file: Path) -> None:
    """Each expected layer has a switch that takes shapes off the map and puts them back."""
    watched = open_page(browser, map_file)
    labels = watched.page.locator("#layers label")
    names = labels.all_inner_texts()
    expected = (*LAYERS, *MORE_LAYERS.get(map_file.parent.name, ()))
    assert [e for e in expected if not any(e in name for name in names)] == []
    drawn = watched.page.locator(".leaflet-pane path")
    for i in range(labels.count()):
        box = labels.nth(i).locator("input")
        box.set_checked(True)
        before = drawn.count()
        box.set_checked(False)
        assert drawn.count() < before, names[i]
        box.set_checked(True)
        assert drawn.count() == before, names[i]
    assert watched.complaints == []
    watched.page.context.close()


def test_the_panel_has_every_part(browser: Browser, map_file: Path) -> None:
    """The headings of the answer stand in the panel, and a caution stands beside every pit."""
    watched = open_page(browser, map_file)
    found = watched.page.locator("#answer h2").all_inner_texts()
    assert [heading for heading in HEADINGS if heading not in found] == []
    assert ("Tie-in" in found) == (map_file.parent.name == "corner-lot-alley")
    pits = watched.page.locator("#answer tr.ties")
    assert pits.count() > 0
    assert all("Spoil stays" in words for words in pits.all_inner_texts())
    watched.page.context.close()


def test_a_phone_needs_no_sideways_scrolling(browser: Browser, map_file: Path) -> None:
    """At 360 px everything fits the width, every details element opened."""
    watched = open_page(browser, map_file, width=360, height=780)
    watched.page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= 360
    watched.page.context.close()


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_it_prints_on_one_page(browser: Browser, map_file: Path, paper: str) -> None:
    """Map, section and answer come out on one sheet, with a caution on it."""
    watched = open_page(browser, map_file)
    printed = watched.page.pdf(format=paper, print_background=True)
    watched.page.context.close()
    pages = pypdf.PdfReader(io.BytesIO(printed)).pages
    assert len(pages) == 1
    assert "one-call" in pages[0].extract_text()
