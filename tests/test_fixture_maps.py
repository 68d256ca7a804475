"""Each fixture's ``map.html`` in a real browser with the network off."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from playwright.sync_api import Browser

from .browser import Watched, open_page, show_layers
from .computed import NAMES, computed, written

LAYERS = (
    "Streets and alleys", "Lot, house and rooms", "Probability that a pit", "Public sewers",
    "Drain under the house", "Locate points", "Test pits", "Spoil stays outside",
)  # fmt: skip
# what only some of them have
MORE_LAYERS = {
    "corner-lot-alley": ("No-dig areas", "Tie-in: branch", "Tie-in: slab opening"),
}
HEADINGS = (
    "Where it may go",
    "Mains side by side",
    "Before you dig",
    "Where to dig",
    "Fall of the drain under the house",
    "Depth along the most probable route (inferred)",
)


@pytest.fixture(scope="module", params=NAMES)
def map_file(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the map of a fixture once for all tests here."""
    folder = tmp_path_factory.mktemp("maps") / request.param
    folder.mkdir()
    path = folder / "map.html"
    path.write_bytes(written(request.param)["map.html"])
    return path


@pytest.fixture(scope="module")
def watched(browser: Browser, map_file: Path) -> Iterator[Watched]:
    """Open each map once; what tests look at in turn."""
    watched = open_page(browser, map_file)
    yield watched
    watched.close()


@pytest.fixture(scope="module")
def on_letter(watched: Watched) -> bytes:
    """Print each map once on Letter paper."""
    return watched.page.pdf(format="Letter", print_background=True)


def test_it_opens_alone_and_silently(watched: Watched, map_file: Path) -> None:
    """No request but the file itself, and nothing in the console."""
    assert watched.asked_for == [map_file.as_uri()]
    assert watched.complaints == []


def test_every_layer_is_there_and_toggles(browser: Browser, map_file: Path) -> None:
    """Each expected layer has a switch that takes shapes off the map and puts them back."""
    watched = open_page(browser, map_file)
    show_layers(watched.page)
    labels = watched.page.locator("#layers label")
    names = labels.all_inner_texts()
    expected = (*LAYERS, *MORE_LAYERS.get(map_file.parent.name, ()))
    assert [e for e in expected if not any(e in name for name in names)] == []
    counts = watched.page.evaluate(
        """() => {
            const drawn = () => document.querySelectorAll(".leaflet-pane path").length;
            const set = (box, on) => { if (box.checked !== on) box.click(); return drawn(); };
            return [...document.querySelectorAll("#layers label input")].map(
                (box) => [set(box, true), set(box, false), set(box, true)]);
        }"""
    )
    assert len(counts) == len(names)
    for name, (before, without, after) in zip(names, counts, strict=True):
        assert without < before == after, name
    assert watched.complaints == []
    watched.close()


def test_the_panel_has_every_part(watched: Watched, map_file: Path) -> None:
    """The headings of the answer stand in the panel, and what a pit asks for on its card."""
    found = watched.page.locator("#answer h2").all_inner_texts()
    assert [heading for heading in HEADINGS if heading not in found] == []
    assert ("Tie-in" in found) == (map_file.parent.name == "corner-lot-alley")
    pits = watched.page.locator("dialog.pit-sheet")
    assert pits.count() > 0
    assert all("Spoil stays" in (words or "") for words in pits.all_text_contents())


def test_a_phone_needs_no_sideways_scrolling(browser: Browser, map_file: Path) -> None:
    """At 360 px everything fits the width, every details element opened."""
    watched = open_page(browser, map_file, width=360, height=780)
    watched.page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= 360
    watched.close()


@pytest.mark.parametrize("paper", ["Letter", pytest.param("A4", marks=pytest.mark.statistical)])
def test_it_prints_whole_and_readable(watched: Watched, on_letter: bytes, paper: str) -> None:
    """On paper no word of card, answer or pit cards is left out, and none is below 7 points.

    Sizes as pypdf reads them from the text matrix of the printed file.
    """
    wanted = watched.page.evaluate(
        """() => {
            const words = [];
            for (const part of document.querySelectorAll("#card, #answer, dialog")) {
                const walk = document.createTreeWalker(part, NodeFilter.SHOW_TEXT);
                while (walk.nextNode()) {
                    const within = walk.currentNode.parentElement;
                    if (!within.closest(".no-print, .close, .copy button")) {
                        words.push(walk.currentNode.data);
                    }
                }
            }
            return words.join(" ");
        }"""
    )
    printed = on_letter if paper == "Letter" else watched.page.pdf(format=paper)
    sizes: list[float] = []

    def measure(
        text: str, device: list[float], matrix: list[float], _: object, size: float
    ) -> None:
        if text.strip():
            sizes.append(abs(size * matrix[3] * device[3]))

    pages = pypdf.PdfReader(io.BytesIO(printed)).pages
    got = " ".join(page.extract_text(visitor_text=measure) for page in pages)
    assert _letters(wanted) - _letters(got) == set()
    assert min(sizes) >= 7.0


def _letters(text: str) -> set[str]:
    """Return the words of a text that are wholly of letters, which no line break parts."""
    text = unicodedata.normalize("NFKC", text)  # ligatures
    return {word.strip(".,:;()") for word in text.split() if word.strip(".,:;()").isalpha()}


def test_the_mains_stand_side_by_side_on_one_sheet(
    watched: Watched, on_letter: bytes, map_file: Path
) -> None:
    """On paper one page holds every main with what it would be, and what tells them apart."""
    wanted = watched.page.locator(".side-by-side h3 > span:first-child").all_inner_texts()
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(on_letter)).pages]
    (sheet,) = (page for page in pages if "Mains side by side" in page)
    for name in wanted:
        assert _letters(name) <= _letters(sheet)
    assert sheet.count("A repair opens") == len(wanted)
    ways = computed(map_file.parent.name).dig.ways
    assert ("Discriminating test pits" in sheet) == (sum(w.probability >= 0.01 for w in ways) > 1)
