"""DXF, KML, GPX and the PDF record, each read back by an independent library."""

from __future__ import annotations

import io
import re
import sqlite3
from contextlib import closing
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import ezdxf
import gpxpy
import numpy as np
import pypdf
import pytest
from lxml import etree
from pyproj import CRS, Proj

from sitegis.model.site import Easement, Paper, RecordTexts
from sitegis.model.survey import Survey
from sitegis.read import read_site
from sitegis.units import about, parse_bearing
from sitegis.write.derive import find
from sitegis.write.gis.dxf import dxf_bytes, plain_text
from sitegis.write.gis.geopackage import geopackage_bytes
from sitegis.write.gis.phone import gpx_bytes, kml_bytes
from sitegis.write.outputs import output_files
from sitegis.write.record import record_bytes
from sitegis.write.record.particulars import (
    building_words,
    lot_section,
    manhole_section,
    place_section,
)
from sitegis.write.record.sheet import POINT_M, fit
from sitegis.write.record.tables import lateral_section
from sitegis.write.text import corner_words, exit_sentence

from .computed import computed
from .filled import filled_survey

FIXTURES = Path(__file__).parents[1] / "fixtures"
KML = "{http://www.opengis.net/kml/2.2}"
HOSTILE = 'A & <b>"lot"</b> \x00\x1b ]]> %%d ^J <script>alert(1)</script>'


@pytest.fixture(scope="module")
def survey() -> Survey:
    """A survey with every block filled."""
    return filled_survey()


@pytest.fixture(scope="module")
def hostile() -> Survey:
    """A survey whose texts try to break out of every format."""
    return filled_survey(name=HOSTILE, note=HOSTILE)


def _drawing(survey: Survey) -> ezdxf.document.Drawing:
    return ezdxf.read(io.StringIO(dxf_bytes(survey).decode("utf-8")))


@pytest.mark.parametrize("name", ["survey", "hostile"])
def test_dxf_passes_the_audit(name: str, request: pytest.FixtureRequest) -> None:
    """ezdxf's own auditor finds nothing to repair in the drawing."""
    audit = _drawing(request.getfixturevalue(name)).audit()

    assert not audit.errors
    assert not audit.fixes


def test_dxf_states_its_unit_and_marks_what_is_inferred(survey: Survey) -> None:
    """The header says meters ($INSUNITS 6, DXF reference); inferred layers are dashed."""
    drawing = _drawing(survey)
    layers = {layer.dxf.name: layer.dxf.linetype for layer in drawing.layers}

    assert drawing.header["$INSUNITS"] == 6
    assert layers["SITEGIS-DRAIN-INFERRED"] == "DASHED"
    assert layers["SITEGIS-LOCATE-LOCATED"] == "CONTINUOUS"


def test_dxf_lot_has_the_grid_coordinates(survey: Survey) -> None:
    """The lot's corners stand in the drawing where the frame puts them, to 0.2 mm."""
    (lot,) = _drawing(survey).modelspace().query('LWPOLYLINE[layer=="SITEGIS-LOT-RECORD"]')
    expected = survey.site.frame.to_crs(survey.site.lot.vertices)

    drawn = np.array([point[:2] for point in lot.get_points()])
    assert drawn[np.lexsort(drawn.T)] == pytest.approx(expected[np.lexsort(expected.T)], abs=2e-4)


def test_dxf_text_has_no_codes() -> None:
    """Control characters and the codes that a drawing program obeys are taken apart."""
    assert "%%" not in plain_text("%%%%d")
    assert "\x1b" not in plain_text("\x1b[0m")


def test_every_format_names_the_datum() -> None:
    """By the grid's own CRS as PROJ names its datum; nobody needs to guess which frame it is."""
    site = computed("corner-lot-alley")
    datum = CRS(site.site.frame.crs).datum
    assert datum is not None
    files = output_files(site)
    space = ezdxf.read(io.StringIO(files["lateral.dxf"].decode())).modelspace()
    texts = {
        name: files[name].decode() for name in ("lateral.geojson", "lateral.kml", "lateral.gpx")
    }
    texts["lateral.dxf"] = " ".join(text.dxf.text for text in space.query("TEXT"))
    for name, text in texts.items():
        assert datum.name in text, name


@pytest.mark.parametrize("name", ["survey", "hostile"])
def test_kml_is_well_formed_and_holds_every_locate(
    name: str, request: pytest.FixtureRequest
) -> None:
    """lxml parses the KML; each located point stands in it in longitude, latitude order."""
    survey = request.getfixturevalue(name)
    root = etree.fromstring(kml_bytes(survey))
    coordinates = [
        tuple(float(v) for v in node.text.split(",")[:2])
        for node in root.iter(f"{KML}coordinates")
        if node.getparent().tag == f"{KML}Point"
    ]
    for point in survey.placement.points:
        lonlat = survey.site.frame.to_lonlat(np.array([point.x_m, point.y_m]))
        assert any(np.allclose(lonlat, c, atol=1e-7) for c in coordinates), point.id


def test_kml_names_inferred_things_as_such(survey: Survey) -> None:
    """The route's placemark says that it is inferred and warns before digging."""
    root = etree.fromstring(kml_bytes(survey))
    (folder,) = [f for f in root.iter(f"{KML}Folder") if f.findtext(f"{KML}name") == "route"]
    for mark in folder.iter(f"{KML}Placemark"):
        assert "(inferred)" in mark.findtext(f"{KML}name")
        assert "one-call center" in mark.findtext(f"{KML}description")


def test_kml_hides_what_the_answer_does_not_name(survey: Survey) -> None:
    """A way under 1 % is there but hidden (visibility 0, OGC KML 2.2); the others show."""
    hidden = {
        mark.findtext(f"{KML}name").split(",")[0]: mark.findtext(f"{KML}visibility") == "0"
        for mark in etree.fromstring(kml_bytes(survey)).iter(f"{KML}Placemark")
    }
    chances = {s.hypothesis.id: s.probability for s in survey.scores.hypotheses if s.best}
    assert {name: hidden[name] for name in chances} == {n: p < 0.01 for n, p in chances.items()}


@pytest.mark.parametrize("name", ["survey", "hostile"])
def test_gpx_holds_pits_and_routes(name: str, request: pytest.FixtureRequest) -> None:
    """gpxpy reads GPX 1.1 back with a waypoint per pit and a route per hypothesis drawn."""
    survey = request.getfixturevalue(name)
    text = gpx_bytes(survey).decode("utf-8")
    etree.fromstring(text.encode("utf-8"))
    gpx = gpxpy.parse(text)

    assert 'xmlns="http://www.topografix.com/GPX/1/1"' in text
    assert sum(w.type == "pit" for w in gpx.waypoints) == len(survey.dig.pits)
    drawn = [s for s in survey.scores.hypotheses if s.best is not None]
    assert len(gpx.routes) == len(drawn) + 1


@pytest.mark.parametrize("make", [dxf_bytes, kml_bytes, gpx_bytes, record_bytes])
def test_the_same_survey_gives_the_same_bytes(make: object, survey: Survey) -> None:
    """No time or random identifier gets into a file."""
    assert callable(make)
    assert make(survey) == make(survey)


@pytest.fixture(scope="module")
def text(survey: Survey) -> str:
    """What the record of that survey says."""
    return _text(survey)


def _text(survey: Survey) -> str:
    reader = pypdf.PdfReader(io.BytesIO(record_bytes(survey)))
    return "\n".join(page.extract_text() for page in reader.pages)


def test_record_states_what_a_municipality_asks_for(text: str) -> None:
    """Scale, stationing, diameter, length, depth, ties, class and cautions stand in the PDF."""
    for words in (
        "1 in =",
        "Tap stationing",
        "Diameter",
        "Length, wall to main",
        "Material",
        "Depth to invert",
        "Swing ties",
        "inferred",
        "located",
        "one-call",
        "Signatures",
    ):
        assert words in text, words


def test_record_and_summary_tell_the_exit_alike(survey: Survey) -> None:
    """Wall, corner, distance and depth of the exit stand in the record as on the screen."""
    distance_m, corner = corner_words(survey)
    distance = about(distance_m, survey.site.units)
    depth = about(survey.exit.depth_m, survey.site.units)
    rows = {name: value for name, value, _ in lateral_section(find(survey)).rows}
    said = exit_sentence(survey)
    place = re.search(rf"{re.escape(distance)} ± .+ from the {corner}", said)
    assert place is not None
    assert rows["Wall penetration"].startswith(f"{survey.exit.side} wall, {place.group()} (95 %")
    assert rows["Depth to invert at the wall"].startswith(f"{depth} ± ")
    assert re.search(rf"invert {re.escape(depth)} ± .+ below", said)


def test_record_shows_what_to_keep_out_of(survey: Survey, text: str) -> None:
    """A gas line on record stands on the plan and in its legend."""
    assert survey.site.keep_outs
    assert all(f"{one.kind}: {one.id}" in text for one in survey.site.keep_outs)
    assert all(f"{one.kind}, from record" in text for one in survey.site.keep_outs)


def test_record_warns_on_every_page(survey: Survey) -> None:
    """Each page says that dashed lines are inferred, not located."""
    reader = pypdf.PdfReader(io.BytesIO(record_bytes(survey)))

    assert all("inferred, not located" in page.extract_text() for page in reader.pages)


def test_record_shows_hostile_text_as_text(hostile: Survey) -> None:
    """Mark-up in a site's name is printed, not obeyed."""
    assert "<script>alert(1)</script>" in _text(hostile)


def _on_paper(survey: Survey, paper: Paper | None) -> tuple[float, float]:
    site = replace(survey.site, paper=paper)
    reader = pypdf.PdfReader(io.BytesIO(record_bytes(replace(survey, site=site))))
    box = reader.pages[0].mediabox
    return float(box.width), float(box.height)


@pytest.mark.parametrize(
    ("paper", "inches"),
    [
        ("letter", (8.5, 11)),
        ("a4", (210 / 25.4, 297 / 25.4)),
        ("tabloid", (11, 17)),
        ("a3", (297 / 25.4, 420 / 25.4)),
    ],
)
def test_record_is_on_the_paper_asked_for(
    survey: Survey, paper: Paper, inches: tuple[float, float]
) -> None:
    """Sizes by ISO 216 and ANSI/ASME Y14.1 (Letter is A, Tabloid is B)."""
    assert _on_paper(survey, paper) == pytest.approx(np.array(inches) * 72, abs=0.01)


def test_a_site_in_meters_in_america_is_not_forced_to_a4() -> None:
    """The invented lot lies in Illinois: Letter in meters too; on the same zone far south, A4."""
    metric = filled_survey(units="m")
    south = replace(metric.site.frame, crs="EPSG:32716", origin_northing_m=7_000_000.0)
    there = replace(metric, site=replace(metric.site, frame=south))
    assert _on_paper(metric, None) == (612, 792)
    assert _on_paper(there, None) == pytest.approx((210 / 25.4 * 72, 297 / 25.4 * 72), abs=0.01)


@pytest.mark.parametrize(("unit", "words"), [("ft", "1 in = 20 ft"), ("m", "1:200")])
def test_plan_scale_is_the_one_stated(unit: str, words: str) -> None:
    """A 30 m line is as long on paper as the stated scale makes it."""
    frame = (0.0, 0.0, 500.0, 500.0)
    sheet = fit(np.zeros(2), np.array([30.0, 30.0]), frame, unit)
    drawn = sheet.points(np.array([[0.0, 0.0], [30.0, 0.0]]))
    paper_m = float(drawn[1, 0] - drawn[0, 0]) * POINT_M
    ratio = {"1 in = 20 ft": 240.0, "1:200": 200.0}[words]

    assert sheet.scale.words == words
    assert 30.0 / paper_m == pytest.approx(ratio)


def test_record_of_a_lot_of_a_mile_shows_house_and_lateral(survey: Survey, text: str) -> None:
    """On a section of land (a mile square) the plan keeps to the house; a mile fits too."""
    mile_m = 1609.344
    square = mile_m * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    site = replace(survey.site, lot=replace(survey.site.lot, vertices=square))
    found = [
        re.findall(r"1 in = (\d+) ft", said) for said in (text, _text(replace(survey, site=site)))
    ]
    assert int(found[1][0]) <= int(found[0][0])
    sheet = fit(np.zeros(2), square[2], (0.0, 0.0, 500.0, 500.0), "ft")
    assert sheet.scale.words == "1 in = 1000 ft"
    assert sheet.length(mile_m) == pytest.approx(5280 / 1000 * 72)


def test_record_does_not_call_unchecked_measurements_sound(text: str) -> None:
    """Where nothing is measured twice the record says so, not that nothing is suspicious."""
    said = " ".join(text.split())
    assert "No measurement checks another" in said
    assert "none is suspicious" not in said


def test_record_does_not_state_what_nobody_gave(survey: Survey) -> None:
    """Sizes that were assumed, and a material that nobody saw, are not put down as known."""
    site = survey.site
    mains = tuple(replace(main, diameter_known=False) for main in site.mains)
    bare = replace(site, drain_diameter_known=False, drain_material="", mains=mains)
    given, assumed = (
        {field: how for field, _, how in lateral_section(find(one)).rows}
        for one in (survey, replace(survey, site=bare))
    )
    fields = ("Diameter", "Main's diameter")
    assert [given[field] for field in fields] == ["as stated on site", "record"]
    assert [assumed[field] for field in fields] == ["assumed: not given"] * 2
    assert assumed["Material"] == ""


def _words(survey: Survey) -> str:
    return " ".join(_text(survey).split())


def test_record_prints_what_the_job_is_filed_by(survey: Survey) -> None:
    """Every text of ``[record]`` stands in the PDF as it was given."""
    texts = RecordTexts(
        "12 Invented Ave", "INV-00-17", "Lot 4, Block 2, Invented Addition", "Inv. Owner",
        "P-1001", "T-2002", "Invented Drains", "L-3003", "combined", "air test passed",
        "folder seven", "tape eight", date(2026, 5, 1),
    )  # fmt: skip
    words = _words(replace(survey, site=replace(survey.site, record=texts)))
    for name in (field.name for field in fields(RecordTexts)):
        assert str(getattr(texts, name)) in words, name


def test_what_is_not_given_is_a_line_to_fill_in(text: str) -> None:
    """Each text that is missing has a ruled line beside its name."""
    lines = text.splitlines()
    for name in ("Address", "Legal description", "Owner", "Permit number", "License", "Video"):
        assert lines[lines.index(name) + 1].startswith("____"), name


def test_the_parcel_id_is_that_of_the_layer() -> None:
    """A lot found in a layer by its id has that id as its parcel."""
    site = read_site(FIXTURES / "corner-lot-alley").site
    assert site.record.parcel == "INV-17"


def test_record_gives_coordinates_as_pyproj_does(survey: Survey, text: str) -> None:
    """Exit, property line and tap on the grid, and in degrees by pyproj from those."""
    rows = {row[0]: row for row in place_section(survey).rows}
    to_degrees = Proj(survey.site.frame.crs)
    for name in (
        "wall penetration (inferred)",
        "at the property line (inferred)",
        "tap (inferred)",
    ):
        _, grid, degrees, _, _ = rows[name]
        east, north = (float(value) for value in grid.split(", "))
        longitude, latitude = to_degrees(east, north, inverse=True)
        assert [float(value) for value in degrees.split(", ")] == pytest.approx(
            [longitude, latitude], abs=2e-7
        )
        assert grid in text
    tap = survey.site.frame.to_crs(survey.routes[0].vertices[survey.scores.hypotheses[0].best, -1])
    shown = [float(value) for value in rows["tap (inferred)"][1].split(", ")]
    assert shown == pytest.approx(tap, abs=0.006)


def test_lot_lines_have_the_bearings_of_the_corners(survey: Survey) -> None:
    """Bearing and distance by plane trigonometry from the corners' grid coordinates."""
    frame, corners = survey.site.frame, survey.site.lot.vertices
    grid = frame.to_grid_m(corners)
    for (side, bearing, distance), start, end in zip(
        lot_section(survey).rows, grid, np.roll(grid, -1, axis=0), strict=True
    ):
        assert side in survey.site.lot.sides
        east, north = end - start
        assert parse_bearing(bearing) == pytest.approx(
            np.degrees(np.arctan2(east, north)) % 360, abs=1 / 3600
        )
        ground_ft = np.hypot(east, north) / frame.combined_factor / 0.3048
        assert float(distance.removesuffix(" ft")) == pytest.approx(ground_ft, abs=0.006)
        assert bearing.split()[1] in _words(survey)


def test_inverts_are_elevations_in_a_named_datum(survey: Survey) -> None:
    """Elevation at the exit = slab's elevation + the median of the routes' inverts there.

    The median is numpy's; without the slab's elevation the record says so and names no datum.
    """
    tied = replace(survey.site, slab_elevation_m=100.0, vertical_datum="Invented Datum 29")
    rows = {row[0]: row for row in place_section(replace(survey, site=tied)).rows}
    starts = survey.routes[0].inverts_m[:, 0]
    stated_ft = float(rows["wall penetration (inferred)"][4].split(" ft")[0])
    step_ft = np.ptp(starts) / 20 / 0.3048
    assert stated_ft == pytest.approx((100.0 + np.median(starts)) / 0.3048, abs=step_ft)
    words = _words(replace(survey, site=tied))
    assert "Vertical: Invented Datum 29; basement slab 328.08 ft" in words
    bare = replace(survey, site=replace(survey.site, slab_elevation_m=None))
    assert "not tied to a vertical datum" in _words(bare)


def test_both_manholes_of_the_reach_are_named_with_their_distances(survey: Survey) -> None:
    """The two distances add up to the stations' difference of the manholes, to 0.1 ft each."""
    found = find(survey)
    tap = found.derived.taps[0]
    down, up = manhole_section(found).rows[:2]
    assert (down[1], up[1]) == ("downstream", "upstream")
    stations = {one.id: one.station_m for one in tap.main.manholes}
    apart_ft = (stations[down[2]] - stations[up[2]]) / 0.3048
    both = [float(row[3].replace("+", "")) for row in (down, up)]
    assert sum(both) == pytest.approx(apart_ft, abs=0.11)
    words = _words(survey)
    assert all(name in words for name in stations)


def test_every_main_and_easement_stands_on_the_plan(survey: Survey) -> None:
    """All mains beside the lot are named on the first page, and an easement is drawn and named."""
    ring = np.array([[0.0, 8.0], [15.0, 8.0], [15.0, 9.5], [0.0, 9.5]])
    site = replace(survey.site, easements=(Easement("E-1", ring),))
    reader = pypdf.PdfReader(io.BytesIO(record_bytes(replace(survey, site=site))))
    first = reader.pages[0].extract_text()
    assert all(main.id in first for main in survey.site.mains)
    assert "easement: E-1" in first
    assert "easement, from record" in first


def test_record_states_its_scales_date_and_language(survey: Survey, text: str) -> None:
    """Exaggeration as a ratio; the file is dated by the survey (PDF 32000-1, 7.9.4)."""
    reader = pypdf.PdfReader(io.BytesIO(record_bytes(survey)))
    assert re.search(r"vertical exaggeration \d+:1", text)
    assert reader.metadata is not None
    assert reader.metadata.title == f"Lateral record: {survey.site.name}"
    assert str(reader.metadata.creation_date_raw).startswith("D:20010203")
    assert reader.trailer["/Root"]["/Lang"] == "en-US"


def test_building_and_pits_have_their_sizes(survey: Survey) -> None:
    """Walls by the distance between corners, in their order."""
    vertices = survey.site.building.vertices
    lengths = np.hypot(*(np.roll(vertices, -1, axis=0) - vertices).T)
    words = building_words(survey)
    for side, length in zip(survey.site.building.sides, lengths, strict=True):
        assert f"{side} {about(float(length), 'ft')}" in words


def test_record_and_layers_say_the_operation_and_its_accuracy(survey: Survey) -> None:
    """The record's words and each GeoPackage layer's description name EPSG:1188 with its 4 m."""
    frame = replace(survey.site.frame, crs="EPSG:26916")
    moved = replace(survey, site=replace(survey.site, frame=frame))
    said = "WGS 84 by NAD83 to WGS 84 (1), accuracy 4 m"
    assert said in _words(moved)
    with closing(sqlite3.connect(":memory:")) as database:
        database.deserialize(geopackage_bytes(moved))
        rows = database.execute(
            "SELECT description FROM gpkg_contents WHERE data_type = 'features'"
        ).fetchall()
    assert rows
    assert all(said in row[0] for row in rows)
