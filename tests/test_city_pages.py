"""The map and the summary of a city, read back by other libraries."""

from __future__ import annotations

import base64
import hashlib
import json
import re

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from sitegis import __version__
from sitegis.city import Pages, run_city
from sitegis.rules.rule_set import load_rules
from tests.invented_town import Faults, invent_town, write_town
from tests.test_write_gis import looks_in_qgis

CLASSES = ["95 % or more", "80 to 95 %", "below 80 %", "no main on record", "no route fits"]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A town worked out with both pages."""
    folder = tmp_path_factory.mktemp("pages")
    town = invent_town(60, seed=4, faults=Faults())
    town.parcels.loc[3, "apn"] = "</script><b>3"
    path = write_town(town, folder)
    pages = Pages(folder / "city.html", folder / "city.pdf")
    return path, run_city(path, folder / "out.gpkg", pages=pages), pages


def data_of(text: str) -> dict:
    found = re.search(r'<script id="data" type="application/json">(.*?)</script>', text)
    return json.loads(found[1])


def unpacked(text: str, kind) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), kind)


def test_the_map_holds_every_lot_where_it_is(made):
    """Outlines decoded by numpy lie over the file's own, to the page's simplification."""
    path, _summary, pages = made
    data = data_of(pages.map.read_text("utf-8"))
    lots = geopandas.read_file(path.parent / "out.gpkg", layer="lots").sort_values("parcel")
    ids = data["ids"].split("\n")
    assert ids == lots["parcel"].tolist()
    at = unpacked(data["at"], "<i4").reshape(-1, 2)
    rings, ends = unpacked(data["rings"], "<i2").reshape(-1, 2), unpacked(data["ends"], "<u4")
    corner = lots.total_bounds[:2]
    for i, (shape, end) in enumerate(zip(lots.geometry, ends, strict=True)):
        begin = ends[i - 1] if i else 0
        outline = shapely.Polygon(corner + (at[i] + rings[begin:end]) / 10.0)
        assert shapely.symmetric_difference(outline, shape).area < 0.05 * shape.area
    stated = unpacked(data["p"], "u1")
    told = (lots["answer"] == "main on record").to_numpy()
    assert (stated[~told] == 255).all()
    assert np.abs(stated[told] / 200.0 - lots["line_probability"][told]).max() < 0.005
    assert data["stops"]
    assert "% of what is open" in data["stops"][0]["tells"]


def test_the_map_needs_no_network_and_runs_no_layer_text(made):
    """No address but that of this page, a policy that forbids any, and ids are never markup."""
    text = made[2].map.read_text("utf-8")
    assert not re.search(r"(?:src|href|url\()\s*=?\s*[\"']?(?:https?:)?//", text)
    assert "default-src 'none'" in text
    assert text.count("</script>") == 2
    assert "</script><b>3" in data_of(text)["ids"]


def test_the_summary_is_one_page_with_its_sources(made):
    """Version, counts, inputs' hashes and every caution, as pypdf reads them."""
    path, summary, pages = made
    reader = PdfReader(pages.summary)
    assert len(reader.pages) == 1
    text = " ".join(reader.pages[0].extract_text().split())
    assert f"sitegis {__version__}" in text
    assert f"{summary.sure} lots" in text
    assert "never a locate" in text
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    assert digest[:16] in text
    for caution in load_rules("us-ipc").cautions:
        assert caution.split(".")[0][:40] in text
    notes = geopandas.read_file(path.parent / "out.gpkg", layer="notes")
    assert f"CITY.toml {digest}" in notes[notes["kind"] == "input"]["note"].tolist()


def test_pages_may_be_read_by_others(made):
    """Map and summary have the permissions of an ordinary file."""
    _path, _summary, pages = made
    assert {page.stat().st_mode & 0o777 for page in (pages.map, pages.summary)} == {0o644}


def test_pages_are_the_same_to_the_byte(made, tmp_path):
    """The same town with two workers gives the same pages."""
    path, _summary, pages = made
    again = Pages(tmp_path / "city.html", tmp_path / "city.pdf")
    run_city(path, tmp_path / "out.gpkg", workers=2, pages=again)
    assert again.map.read_bytes() == pages.map.read_bytes()
    assert again.summary.read_bytes() == pages.summary.read_bytes()


def test_qgis_shows_how_sure_a_lot_is_and_dashes_what_is_inferred(made):
    """QGIS itself opens the layers: a color a class of lots, routes and the like dashed."""
    layers = ["lots", "routes", "corridors", "taps", "lot_lines"]
    told = looks_in_qgis(made[0].parent / "out.gpkg", layers)
    assert list(told["lots"]["symbols"]) == CLASSES
    assert told["lots"]["labels"]
    assert "Line probability" in told["lots"]["aliases"]
    for layer, told_of in told.items():
        inferred = layer in ("routes", "corridors", "taps")
        assert all(look["dashed"] == inferred for look in told_of["symbols"].values()), layer


def test_the_class_of_a_lot_is_that_of_its_line(made):
    """By pandas' own cut of the stated probability; a lot without an answer has its reason."""
    lots = geopandas.read_file(made[0].parent / "out.gpkg", layer="lots")
    told = lots["answer"] == "main on record"
    share = lots.loc[told, "line_probability"]
    cut = pd.cut(share, [-1.0, 0.8, 0.95, 2.0], right=False, labels=CLASSES[2::-1])
    assert lots.loc[told, "certainty"].tolist() == cut.tolist()
    assert lots.loc[~told, "certainty"].tolist() == lots.loc[~told, "answer"].tolist()


# a stop of the walking list is brought to the middle, with a dark ring of 10 px about it
RING_PIXEL = """() => {
  const canvas = document.getElementById("canvas"), wide = window.devicePixelRatio || 1;
  const x = canvas.width / 2 + 10 * wide, pen = canvas.getContext("2d");
  return [...pen.getImageData(x, canvas.height / 2, 1, 1).data.slice(0, 3)];
}"""


def test_the_map_is_of_use_on_a_phone(made, browser):
    """Chromium at 390 × 844: buttons zoom, an id is found in any case, a wrong one is answered.

    No inferred lot is called certain: the largest share is said as over 99 %. A stop is shown.
    """
    path, _summary, pages = made
    lots = geopandas.read_file(path.parent / "out.gpkg", layer="lots").set_index("parcel")
    sure = str(lots["line_probability"].idxmax())
    assert lots.loc[sure, "line_probability"] > 0.9925
    page = browser.new_page(viewport={"width": 390, "height": 844})
    try:
        page.goto(pages.map.as_uri())
        whole = page.inner_text("#scale")
        for _ in range(4):
            page.click("#nearer")
        assert page.inner_text("#scale") != whole
        page.click("#all")
        assert page.inner_text("#scale") == whole
        page.fill("#find", sure.lower())
        page.keyboard.press("Enter")
        assert sure in page.inner_text("#lot")
        assert "over 99 %" in page.inner_text("#lot")
        assert not page.is_visible("#none")
        page.fill("#find", "nowhere")
        page.keyboard.press("Enter")
        assert page.is_visible("#none")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.click("#stops li button")
        assert max(page.evaluate(RING_PIXEL)) < 60
    finally:
        page.close()
