"""The record as a tagged PDF: structure, metadata and pages, read by pypdf.

What a tagged PDF holds is ISO 32000-1's: 14.3.2 metadata, 14.7 structure, 14.8.2.2 real content and
artifacts, 14.11.5 output intents.
"""

from __future__ import annotations

import io
import re
from typing import Any
from xml.etree import ElementTree

import pypdf
import pytest
from PIL import ImageCms

from sitegis.write.record import record_bytes

from .computed import NAMES, written
from .filled import filled_survey

DC = "{http://purl.org/dc/elements/1.1/}"
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
XMP = "{http://ns.adobe.com/xap/1.0/}"
MARKS = re.compile(rb"/(\w+) <</MCID (\d+)>> BDC|/Artifact BMC|\bEMC\b|\bBT\b|\bET\b")


@pytest.fixture(scope="module")
def reader() -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(record_bytes(filled_survey())))


def elements(node: Any) -> list[Any]:
    """List a structure element and all below it, in reading order."""
    node = node.get_object()
    if isinstance(node, int) or "/S" not in node:
        return []
    return [node, *(one for kid in node["/K"] for one in elements(kid))]


def test_every_mark_of_a_page_is_in_the_structure_and_no_other(reader: pypdf.PdfReader) -> None:
    """Marks count up from 0; the parent tree leads each to an element of its role and page."""
    root = reader.root_object["/StructTreeRoot"]
    numbers = root["/ParentTree"]["/Nums"]
    trees = dict(zip(numbers[::2], numbers[1::2], strict=True))
    for page in reader.pages:
        assert page["/Tabs"] == "/S"
        found = [m for m in MARKS.finditer(page.get_contents().get_data()) if m.group(2)]  # type: ignore[union-attr]
        assert [int(m.group(2)) for m in found] == list(range(len(found)))
        parents = trees[page["/StructParents"]]
        assert len(parents) == len(found)
        for mark, parent in zip(found, parents, strict=True):
            element = parent.get_object()
            assert element["/S"] == f"/{mark.group(1).decode()}"
            # a number alone is a mark on the element's page (ISO 32000-1, 14.7.4.2)
            kids = [kid.get_object() for kid in element["/K"]]
            marks = [
                (element["/Pg"], kid) if isinstance(kid, int) else (kid["/Pg"], kid["/MCID"])
                for kid in kids
                if isinstance(kid, int) or "/MCID" in kid
            ]
            assert (page, int(mark.group(2))) in marks


def test_marks_are_balanced_and_hold_all_that_is_shown(reader: pypdf.PdfReader) -> None:
    """No mark within another, none begun or ended within a text object, no text outside of one."""
    for page in reader.pages:
        contents = page.get_contents()
        assert contents is not None
        depth, in_text = 0, False
        # the page's first text object sets font and leading and shows nothing
        stream = contents.get_data()
        for match in MARKS.finditer(stream, stream.index(b"/Artifact BMC")):
            word = match.group()
            if word in (b"BT", b"ET"):
                in_text = word == b"BT"
                assert depth == 1
                continue
            assert not in_text
            depth += -1 if word == b"EMC" else 1
            assert depth in (0, 1)
        assert depth == 0


def test_tables_figures_and_headings_are_what_they_are(reader: pypdf.PdfReader) -> None:
    """Rows in tables, cells in rows, heads with a scope, drawings described and placed."""
    listed = elements(reader.root_object["/StructTreeRoot"]["/K"])
    roles = [one["/S"] for one in listed]
    assert roles[:2] == ["/Document", "/H1"]
    assert roles.count("/Figure") == 4  # plan, under the slab, profile, one cut sheet
    inside = {"/TR": ("/Table",), "/TH": ("/TR",), "/TD": ("/TR",), "/Table": ("/Document",)}
    for one in listed:
        if one["/S"] in inside:
            assert one["/P"].get_object()["/S"] in inside[one["/S"]]
        if one["/S"] == "/TH":
            assert one["/A"]["/Scope"] in ("/Column", "/Row")
        if one["/S"] == "/Figure":
            assert len(one["/Alt"]) > 80
            left, bottom, right, top = one["/A"]["/BBox"]
            assert 0 <= left < right <= 612
            assert 0 <= bottom < top <= 792


def test_title_language_date_and_colors_are_stated(reader: pypdf.PdfReader) -> None:
    """The same in catalog, document information and XMP; no level of PDF/A is claimed."""
    root, info = reader.root_object, reader.metadata
    assert info is not None
    assert root["/Lang"] == "en-US"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    xml = ElementTree.fromstring(root["/Metadata"].get_data())
    texts = {one.tag: "".join(one.itertext()).strip() for one in xml.iter()}
    assert texts[f"{DC}title"] == info.title
    assert texts[f"{DC}language"] == "en-US"
    assert info.creation_date is not None
    assert texts[f"{XMP}CreateDate"] == info.creation_date.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert b"pdfaid" not in root["/Metadata"].get_data()
    profile = root["/OutputIntents"][0]["/DestOutputProfile"].get_data()
    assert "sRGB" in ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile)))


@pytest.mark.parametrize("name", NAMES)
def test_no_page_is_half_empty(name: str) -> None:
    """Words stand in the lower 45 % of every page but the last, or lines to write on by hand."""
    pages = pypdf.PdfReader(io.BytesIO(written(name)["record.pdf"])).pages
    for page in list(pages)[:-1]:
        heights: list[float] = []

        def note(text: str, _cm: Any, tm: list[float], *_: Any, at: list[float] = heights) -> None:
            if text.strip():
                at.append(_cm[5] + tm[5])

        if "Notes and sketch, by hand" not in page.extract_text(visitor_text=note):
            assert min(y for y in heights if y > 40) < 0.45 * float(page.mediabox.height)


@pytest.mark.parametrize("name", [*NAMES, "two-stacks", "dug-and-found"])
def test_no_page_ends_with_a_heading(name: str) -> None:
    """The line above a page's foot is none of the headings that the file's structure lists."""
    reader = pypdf.PdfReader(io.BytesIO(written(name)["record.pdf"]))
    heads = {"Flags and assumptions", "Cautions", "Signatures", "Profile", "Under the slab",
             "Where to cut", "Check before cutting", "Swing ties", "Lateral"}  # fmt: skip
    for page in reader.pages:
        words = page.extract_text().partition("Dashed lines are inferred")[0].rstrip()
        assert words.splitlines()[-1] not in heads
