"""One spoiled thing, one fault: the code, the place and a remedy."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from sitegis.messages.errors import BadInput, Fault
from sitegis.model.lengths import read_bearing
from sitegis.read import read_site
from tests.read_folder import LOCATES, SITE, TIES, without, write_folder


def faults_of(folder: Path) -> tuple[Fault, ...]:
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    return caught.value.faults


SITE_SPOILS = [
    # (old text, new text, code, key)
    ('units = "ft"\n', 'units = "yd"\n', "value-not-allowed", "site.units"),
    ('name = "Invented tiny site"\n', "", "key-missing", "site.name"),
    ('rule_set = "us-ipc"', 'rule_set = "us-ipcc"', "value-not-allowed", "site.rule_set"),
    ("slab_elevation = 583.2", "slab_elevaton = 583.2", "key-unknown", "site.slab_elevaton"),
    ("slab_elevation = 583.2", "slab_elevation = nan", "length-unreadable", "site.slab_elevation"),
    ("slab_elevation = 583.2", "slab_elevation = inf", "length-unreadable", "site.slab_elevation"),
    ("slab_elevation = 583.2\n", "", "slab-elevation-missing", "main[1].invert"),
    ('"7\'0\\""', '"7-0"', "length-unreadable", "site.ground_above_slab"),
    ('"7\'0\\""', '"7,5 ft"', "length-unreadable", "site.ground_above_slab"),
    ('"7\'0\\""', "700", "ground-absurd", "site.ground_above_slab"),
    ('crs = "EPSG:26916"', 'crs = "EPSG:4326"', "crs-not-projected", "site.crs"),
    ('crs = "EPSG:26916"', 'crs = "EPSG:999999"', "crs-unknown", "site.crs"),
    ('crs = "EPSG:26916"', 'crs = "EPSG:26910"', "crs-unfit", "site.crs"),
    ('crs = "EPSG:26916"', "drain_diameter = 4", "size-absurd", "site.drain_diameter"),
    (
        "longitude = -87.5\nlatitude = 41.2",
        "longitude = 41.2\nlatitude = -87.5",
        "lonlat-swapped",
        "lot.latitude",
    ),
    ("latitude = 41.2", "latitude = 141.2", "lonlat-out-of-range", "lot.latitude"),
    ("latitude = 41.2", "latitude = nan", "value-out-of-range", "lot.latitude"),
    ("latitude = 41.2\n", "", "key-missing", "lot.latitude"),
    ("front_azimuth = 90.0\n", "", "azimuth-missing", "lot.front_azimuth"),
    ("front_azimuth = 90.0", 'front_azimuth = "N 95 E"', "bearing-unreadable", "lot.front_azimuth"),
    (
        "front_azimuth = 90.0",
        'front_azimuth = "mag N 45 E"',
        "bearing-magnetic",
        "lot.front_azimuth",
    ),
    ('right = "125 ft"', 'right = "12 ft"', "lot-does-not-close", "lot.sides"),
    ('front = "50 ft", right', 'front = "90000 ft", right', "lot-does-not-close", "lot.sides"),
    ('width = "26 ft"\n', "", "key-missing", "building.width"),
    (
        'setbacks = {front = "25 ft"',
        'setbacks = {front = "250 ft"',
        "building-outside",
        "building.setbacks",
    ),
    ('setbacks = {front = "25 ft", left = "6 ft"}', "", "building-source", "building"),
    (
        'setbacks = {front = "25 ft", left = "6 ft"}',
        'corners = [["6 ft","25 ft"],["32 ft","69 ft"],["32 ft","25 ft"],["6 ft","69 ft"]]',
        "building-not-simple",
        "building.corners",
    ),
    ('wall_thickness = "1 ft"', "wall_thickness = 12", "wall-absurd", "building.wall_thickness"),
    ('id = "R2"', 'id = "R1"', "id-twice", "room[2].id"),
    ('id = "R2"', 'id = "R:2"', "name-unfit", "room[2].id"),
    ('size = ["24 ft", "20 ft"]', "size = [24]", "key-missing", "room[1].size[2]"),
    ('size = ["24 ft", "20 ft"]', "origin = [1, 1]", "room-origin-twice", "room[1].origin"),
    ('side = "rear"', 'side = "back"', "value-not-allowed", "street[2].side"),
    ('name = "Alley"', 'name = "First Street"', "id-twice", "street[2].name"),
    ('row_width = "66 ft"', 'row_width = "66 in"', None, None),
    ('row_width = "66 ft"', 'row_width = "3 in"', "row-width-absurd", "street[1].row_width"),
    ('street = "First Street"', 'street = "Frist Street"', "street-unknown", "main[1].street"),
    ("invert = 575.10", "invert = 675.10", "invert-absurd", "main[1].invert"),
    ("invert = 575.10", "depth = 9", "invert-absurd", "main[1].depth"),
    ("invert = 575.10", "invert = 575.10\ndepth = 9", "invert-source", "main[1].invert"),
    (
        "invert = 575.10",
        "invert_upstream = 575\ninvert_downstream = 576",
        "invert-reversed",
        "main[1].invert_upstream",
    ),
    ('diameter = "8 in"', "diameter = 18", "diameter-absurd", "main[1].diameter"),
    ('flow_toward = "left"', 'flow_toward = "rear"', "flow-across", "main[1].flow_toward"),
    ('flow_toward = "left"', 'flow_toward = "uphill"', "bearing-unreadable", "main[1].flow_toward"),
    (
        '{manhole = "MH-2", distance = "31 ft"}',
        '{manhole = "MH-9", distance = "31 ft"}',
        "manhole-unknown",
        "main[1].taps[1].manhole",
    ),
    (
        '{manhole = "MH-2", distance = "31 ft"}',
        '{manhole = "MH-2", distance = "3100 ft"}',
        "tap-off-main",
        "main[1].taps[1].distance",
    ),
    ('{id = "MH-2"', '{id = "MH-1"', "id-twice", "main[1].manholes"),
    ('manhole = "MH-1"\nseen', 'manhole = "MH-7"\nseen', "manhole-unknown", "evidence[1].manhole"),
    ('kind = "dye"', 'kind = "die"', "value-not-allowed", "evidence[1].kind"),
    ('kind = "dye"\n', "", "key-missing", "evidence[1].kind"),
    ("waited = 20", "waited = -1", "value-out-of-range", "evidence[1].waited"),
    ("seen = true", 'seen = "yes"', "value-wrong", "evidence[1].seen"),
    (
        "waited = 20",
        "waited = 20\nreliability = 0.5",
        "value-out-of-range",
        "evidence[1].reliability",
    ),
    (
        "waited = 20",
        "waited = 20\nreliability = 1.0",
        "value-out-of-range",
        "evidence[1].reliability",
    ),
    ('main = "front-main"', 'main = "frontmain"', "main-unknown", "evidence[2].main"),
    ("draining = 4", "draining = 6", "neighbors-count", "evidence[2].draining"),
    ('x = "3 ft"\ny = "4 ft"', 'x = "30 ft"\ny = "4 ft"', "fixture-outside", "fixture[1].x"),
    ('y = "4 ft"', 'y = "-4 ft"', "fixture-outside", "fixture[1].x"),
    (
        'kind = "water-closet"\nroom = "R1"',
        'kind = "water-closet"\nroom = "R9"',
        "room-unknown",
        "fixture[1].room",
    ),
    ('corner = "rear-right"\n', "", None, None),
    (
        "[[fixture]]",
        '[[wall]]\npoint = "W9"\nside = "left"\n[[fixture]]',
        "point-unknown",
        "wall[1].point",
    ),
    ("[[fixture]]", '[[keep_out]]\nid = "gas"\n[[fixture]]', "keep-out-source", "keep_out[1]"),
    ("[[fixture]]", '[[easement]]\nid = "E"\n[[fixture]]', "easement-source", "easement[1]"),
    (
        "[[fixture]]",
        "[noise]\ndepth_share = 5\n[[fixture]]",
        "value-out-of-range",
        "noise.depth_share",
    ),
    ("[[fixture]]", "[prior]\nfront = -1\n[[fixture]]", "value-out-of-range", "prior.front"),
    ("[[fixture]]", "[costs]\nsetup = 1\n[[fixture]]", "key-unknown", "costs"),
    ("[lot]", "[lot", "toml-syntax", "file"),
]


@pytest.mark.parametrize(("old", "new", "code", "key"), SITE_SPOILS)
def test_one_spoiled_key(
    tmp_path: Path, old: str, new: str, code: str | None, key: str | None
) -> None:
    """One spoiled key gives one fault at that key, or none where it is no fault after all."""
    assert old in SITE
    folder = write_folder(tmp_path / "s", site=SITE.replace(old, new, 1))
    if code is None:
        assert read_site(folder).site.name == "Invented tiny site"
        return
    faults = faults_of(folder)
    assert [(fault.code, fault.field) for fault in faults] == [(code, key)], faults
    assert len(faults[0].remedy) > 5
    assert faults[0].reason.endswith(".")


@pytest.mark.parametrize(
    ("line", "reason", "remedy"),
    [
        ('surveyed_on = "4/14/2026"', "no.* a date", "2026-04-14"),
        ("surveyed_on = 1728000", "no.* a date", "2026-04-14"),
        ('year_built = "about 1924"', "whole number", "digits"),
        ("receiver = 12", "a text", "quotation marks"),
        ("seed = 1.5", "whole number", "digits"),
        ('units = "ft"', "written twice", "out"),
        ("[lot]", "written twice", r"\[\[room\]\]"),
        ('receiver = "C:\\Users"', "backslash", "/"),
        ('receiver = "a\\q"', "backslash", "/"),
    ],
)
def test_a_value_of_another_kind_is_told_in_words(
    tmp_path: Path, line: str, reason: str, remedy: str
) -> None:
    """What a value should be, and how that is written, for the slips people make."""
    folder = write_folder(tmp_path / "s", site=SITE.replace("[site]\n", f"[site]\n{line}\n", 1))
    (fault,) = faults_of(folder)
    assert re.search(reason, fault.reason)
    assert re.search(remedy, fault.remedy)


LOCATE_SPOILS = [
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12-4,15,18,3,", "length-unreadable", 3, "x"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,nan,15,18,3,", "length-unreadable", 3, "x"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,1e999,15,18,3,", "length-unreadable", 3, "x"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,,15,18,3,", "cell-empty", 3, "x"),
    ("P1,locate,R1,12,15,18,3,", ",locate,R1,12,15,18,3,", "cell-empty", 3, "id"),
    ("P1,locate,R1,12,15,18,3,", "P1,locat,R1,12,15,18,3,", "kind-unknown", 3, "kind"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R7,12,15,18,3,", "room-unknown", 3, "room"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,,3,", "depth-missing", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,-18,3,", "depth-negative", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,18ft,3,", "depth-absurd", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,1.5,3,", "depth-absurd", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,3500000,3,", "depth-absurd", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,90,3,", "depth-jumps", 3, "depth"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,12,15,18,-3,", "count-negative", 3, "footage"),
    ("P1,locate,R1,12,15,18,3,", "P1,locate,R1,28,15,18,,", "point-outside-room", 3, "x"),
    ("footage,note\nCO,cleanout,R1,12,18,,0,",
     "footage,note,depth_lifted,lift\nCO,stack,R1,12,18,9,0,,9.3,0.3",
     "lift-absurd", 2, "lift"),
    ("footage,note\nCO,cleanout,R1,12,18,,0,",
     "footage,note,null_spacing\nCO,stack,R1,12,18,9,0,,0.7",
     "spacing-absurd", 2, "null_spacing"),
    ("P5,locate,R1,12,3,21,15,", "P5,locate,R2,12,60,21,70,", "point-outside-building", 7, "x"),
    ("P5,locate,R1,12,3,21,15,", "P5,locate,R1,12,3,21,13.5,", None, 7, ""),
    ("P5,locate,R1,12,3,21,15,", "FD,floor-drain,R1,2,3,,12.5,", "count-too-short", 7,
     "footage"),
    ("P2,locate,R1,12,12,19,6,", "P1,locate,R1,12,12,19,6,", "id-twice", 4, "id"),
    ("P2,locate,R1,12,12,19,6,", "P1,locate,R1,12,12,19,6,,,,,x", "row-too-long", 4, "file"),
    ("P2,locate,R1,12,12,19,6,", 'P2,"locate,R1,12,12,19,6,', "quote-open", 4, "file"),
    ("id,kind,room", "id,knd,room", "column-missing", 1, "kind"),
    ("footage,note", "cable,note", "column-unknown", 1, "cable"),
    ("footage,note", "footage,depth", "column-twice", 1, "depth"),
    ("P1", "P:1", "name-unfit", 3, "id"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "code", "row", "field"), LOCATE_SPOILS)
def test_one_spoiled_row(
    tmp_path: Path, old: str, new: str, code: str | None, row: int, field: str
) -> None:
    """One spoiled row gives its fault at the row a text editor shows."""
    assert old in LOCATES
    folder = write_folder(tmp_path / "s", locates=LOCATES.replace(old, new, 1), ties=None)
    if code is None:
        assert len(read_site(folder).site.locates) == 6
        return
    found = [(fault.code, fault.row, fault.field) for fault in faults_of(folder)]
    assert (code, row, field) in found
    others = {item[0] for item in found} - {code, "column-unknown"}
    assert not others or code in ("id-twice", "quote-open"), found


def test_depth_says_which_unit_it_took(tmp_path: Path) -> None:
    """A depth of 18 with depths in feet is told in words, with the unit that would fit."""
    spoiled = SITE.replace('depth_units = "in"', 'depth_units = "ft"')
    faults = faults_of(write_folder(tmp_path / "s", site=spoiled))
    assert [(f.code, f.row) for f in faults] == [("depth-absurd", row) for row in range(3, 8)]
    assert "depth 18 is 18 ft here because depth_units is 'ft'" in faults[0].reason
    assert "write 18in" in faults[0].remedy


def test_a_missing_column_hides_no_other_fault(tmp_path: Path) -> None:
    """Without the column depth the rows are still read, and ties to their points stand."""
    kept = (0, 1, 2, 3, 4, 6, 7)
    rows = "".join(
        ",".join(line.split(",")[i] for i in kept) + "\n" for line in LOCATES.splitlines()
    ).replace("P1,locate,R1,12,", "P1,locate,R1,12-4,")
    faults = faults_of(write_folder(tmp_path / "s", locates=rows))
    assert [(f.code, f.row, f.field) for f in faults] == [
        ("column-missing", 1, "depth"),
        ("length-unreadable", 3, "x"),
    ]


def test_an_unreadable_table_of_points_makes_no_tie_unknown(tmp_path: Path) -> None:
    """Ties to points nobody could read are not faulted again; a corner that is none is."""
    ties = TIES.replace("building:front-left", "building:front-middle")
    folder = write_folder(tmp_path / "s", ties=ties)
    (folder / "locates.csv").write_bytes(LOCATES.encode("utf-16"))
    found = [(f.code, f.file, f.row) for f in faults_of(folder)]
    assert found == [("encoding", "locates.csv", None), ("tie-unknown", "ties.csv", 3)]


def test_a_room_turned_out_of_the_house_is_told_how_to_turn(tmp_path: Path) -> None:
    """From the rear-right corner x toward the front puts y outside: x must run to the left."""
    second = 'name = "Boiler"\ncorner = "rear-right"\n'
    site = SITE.replace(second, f'{second}x_toward = "front"\n')
    rows = LOCATES + "Q1,locate,R2,6,9,21,,\n"
    (fault,) = faults_of(write_folder(tmp_path / "s", site=site, locates=rows))
    assert fault.code == "point-outside-building"
    assert 'x_toward = "left"' in fault.remedy
    cured = site.replace('x_toward = "front"', 'x_toward = "left"')
    read_site(write_folder(tmp_path / "c", site=cured, locates=rows))


TIE_SPOILS = [
    ("CO,R1:origin", "CO,R8:origin", "tie-unknown", "to"),
    ("CO,R1:origin", "C0,R1:origin", "tie-unknown", "from"),
    ("CO,R1:origin", "CO,CO", "tie-to-itself", "to"),
    ("21' 7 1/2in", "-3", "tie-not-positive", "distance"),
    ("21' 7 1/2in", "21075", "tie-too-long", "distance"),
    ("21' 7 1/2in", "21 7", "length-unreadable", "distance"),
]


@pytest.mark.parametrize(("old", "new", "code", "field"), TIE_SPOILS)
def test_one_spoiled_tie(tmp_path: Path, old: str, new: str, code: str, field: str) -> None:
    """One spoiled tie gives one fault in its row."""
    folder = write_folder(tmp_path / "s", ties=TIES.replace(old, new, 1))
    assert [(f.code, f.file, f.row, f.field) for f in faults_of(folder)] == [
        (code, "ties.csv", 2, field)
    ]


def test_ten_faults_in_one_report(tmp_path: Path) -> None:
    """Ten spoiled things come back as ten faults, in file and row order."""
    site = SITE
    for old, new in (
        ("slab_elevation = 583.2", 'slab_elevation = 583.2\nslab_elevation_sd = "x"'),
        ('name = "Laundry"', 'nane = "Laundry"'),
        ("draining = 4", "draining = 6"),
        ('manhole = "MH-1"\nseen', 'manhole = "MH-7"\nseen'),
        ('kind = "water-closet"\nroom = "R1"', 'kind = "water-closet"\nroom = "R9"'),
    ):
        site = site.replace(old, new, 1)
    rows = LOCATES.replace("P1,locate,R1,12,15,18", "P1,locate,R1,12-4,15,18")
    rows = rows.replace("P2,locate", "P2,locat").replace("P4,locate,R1", "P4,locate,R5")
    ties = TIES.replace("CO,R1", "C9,R1").replace("20' 7in,2in", "0,2in")
    faults = faults_of(write_folder(tmp_path / "s", site=site, locates=rows, ties=ties))
    assert len(faults) == 10
    assert [f.file for f in faults] == ["site.toml"] * 5 + ["locates.csv"] * 3 + ["ties.csv"] * 2
    assert [f.row for f in faults[5:]] == [3, 4, 6, 2, 3]
    assert [f.row for f in faults[:5]] == sorted(f.row or 0 for f in faults[:5])


def test_did_you_mean(tmp_path: Path) -> None:
    """A misspelled key is answered with the key that was meant."""
    folder = write_folder(tmp_path / "s", site=SITE.replace("waited = 20", "wated = 20"))
    remedies = {f.code: f.remedy for f in faults_of(folder)}
    assert "did you mean 'waited'?" in remedies["key-unknown"]


def test_broken_item_does_not_raise_followers(tmp_path: Path) -> None:
    """A main that cannot be used is one fault; what names it is not faulted again."""
    folder = write_folder(tmp_path / "s", site=SITE.replace('offset = "33 ft"', 'offset = "x"'))
    assert {f.field for f in faults_of(folder)} == {"main[1].offset"}


@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (b"", "file-empty"),
        (b"  \n\n", "file-empty"),
        (LOCATES.encode("utf-16"), "encoding"),
        (LOCATES.replace("note", "caf\u00e9").encode("latin-1"), "encoding"),
        (LOCATES.replace(",", ";").encode(), "table-separator"),
        (LOCATES.replace(",", "\t").encode(), "table-separator"),
        (b"id,kind,room,x,y,depth\n", "no-rows"),
        (b"id,kind,room,x,y,depth\nA,stack,R1,1,1,\nB,stack,R1,2,2,\n", "no-locates"),
        (b"id,kind,room,x,y,depth\nA,locate,R1,1,1,18\n", "too-few-points"),
        (b"id,\0kind,room,x,y,depth\n", "file-not-text"),
        (b"\xff\xfe\x00\x00", "encoding"),
        (b"id,kind,room,x,y,depth\n" + b"A" * 200_000, "table-broken"),
        (b"id,kind,room,x,y,depth\n" + b"A,locate,R1,1,1,18\n" * 20_001, "too-many-rows"),
    ],
)
def test_spoiled_table_file(tmp_path: Path, raw: bytes, code: str) -> None:
    """A table that is no good table is told as what it is."""
    folder = write_folder(tmp_path / "s", ties=None)
    (folder / "locates.csv").write_bytes(raw)
    assert code in {fault.code for fault in faults_of(folder)}


def test_bom_blank_lines_and_case_are_taken(tmp_path: Path) -> None:
    """A byte order mark, blank lines and capital headings are read; rows keep their lines."""
    folder = write_folder(tmp_path / "s")
    text = LOCATES.replace("id,kind", "ID,Kind").replace("P1,", "\n,,,\nP1,")
    (folder / "locates.csv").write_text(text, encoding="utf-8-sig")
    assert [locate.row for locate in read_site(folder).site.locates] == [2, 5, 6, 7, 8, 9]


@pytest.mark.parametrize("name", ["site.toml", "locates.csv", "ties.csv"])
def test_no_ordinary_file(tmp_path: Path, name: str) -> None:
    """A pipe, a directory, a link to a device and a missing file are refused, not waited for."""
    folder = write_folder(tmp_path / "s")
    (folder / name).unlink()
    os.mkfifo(folder / name)
    assert "not-a-file" in {f.code for f in faults_of(folder)}
    (folder / name).unlink()
    (folder / name).mkdir()
    assert "not-a-file" in {f.code for f in faults_of(folder)}
    (folder / name).rmdir()
    (folder / name).symlink_to("/dev/zero")
    assert "path-outside" in {f.code for f in faults_of(folder)}
    (folder / name).unlink()
    (folder / name).symlink_to(folder / name)
    assert {"file-unreadable", "path-outside"} & {f.code for f in faults_of(folder)}


def test_missing_files(tmp_path: Path) -> None:
    """A missing table or folder is told."""
    folder = write_folder(tmp_path / "s")
    (folder / "locates.csv").unlink()
    assert faults_of(folder)[0].code == "file-missing"
    assert [f.code for f in faults_of(tmp_path / "nothing")] == ["folder-missing"]
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert [f.code for f in faults_of(tmp_path / "file")] == ["not-a-folder"]


def test_big_file_is_not_read(tmp_path: Path) -> None:
    """A file of gigabytes is refused by its size."""
    folder = write_folder(tmp_path / "s")
    with (folder / "ties.csv").open("wb") as file:
        file.truncate(3_000_000_000)
    assert [f.code for f in faults_of(folder)] == ["file-too-big"]


ADRIFT = without(SITE, 'corner = "rear-right"')


def test_room_that_nothing_holds(tmp_path: Path) -> None:
    """A room without origin whose points hang on nothing is a fault that names the cure."""
    rows = LOCATES + "Q,floor-drain,R2,3,3,,,\n"
    fault = faults_of(write_folder(tmp_path / "s", site=ADRIFT, locates=rows))[0]
    assert (fault.code, fault.field) == ("room-not-tied", "room[2]")
    assert "two points" in fault.remedy


def test_room_held_by_two_shared_points(tmp_path: Path) -> None:
    """Two points measured from both rooms hold a room."""
    rows = (
        LOCATES + "D1,wall,R1,3,20,,,\nD1,wall,R2,3,0,,,\nD2,wall,R1,6,20,,,\nD2,wall,R2,6,0,,,\n"
    )
    site = read_site(write_folder(tmp_path / "s", site=ADRIFT, locates=rows)).site
    assert site.rooms[1].origin_m is None


def test_room_held_by_three_ties(tmp_path: Path) -> None:
    """Three ties to building corners hold a room."""
    rows = LOCATES + "Q1,wall,R2,3,3,,,\nQ2,wall,R2,6,0,,,\n"
    ties = TIES + "Q1,building:rear-left,9,\nQ1,building:rear-right,12,\nQ2,CO,20,\n"
    assert (
        len(read_site(write_folder(tmp_path / "s", site=ADRIFT, locates=rows, ties=ties)).site.ties)
        == 5
    )


def test_place_missing_without_crs(tmp_path: Path) -> None:
    """A lot without a layer, a CRS or a longitude is told which key is missing."""
    folder = write_folder(tmp_path / "s", site=without(SITE, "crs", "longitude"))
    assert [(f.code, f.field) for f in faults_of(folder)] == [("key-missing", "lot.longitude")]


def test_unreadable_units_fault_no_depths(tmp_path: Path) -> None:
    """Where depth_units is misspelled only that is told, not every depth read with it."""
    folder = write_folder(tmp_path / "s", site=SITE.replace('= "in"', '= "inch"'))
    assert [(f.code, f.field) for f in faults_of(folder)] == [
        ("value-not-allowed", "site.depth_units")
    ]


def test_a_t_without_variance_is_refused(tmp_path: Path) -> None:
    """A Student-t has a variance above 2 degrees of freedom only (any statistics text)."""
    site = SITE + "\n[noise]\ndegrees_of_freedom = 2\n"
    assert [f.field for f in faults_of(write_folder(tmp_path, site=site))] == [
        "noise.degrees_of_freedom"
    ]


def test_flow_against_leveled_manholes_needs_a_person(tmp_path: Path) -> None:
    """A main said to flow left whose left manhole is leveled higher is told."""
    leveled = SITE.replace("invert = 575.10\n", "")
    for offset, invert in (("-40 ft", 576.0), ("200 ft", 575.0)):
        written = f'offset_along = "{offset}"'
        leveled = leveled.replace(written, f"{written}, invert = {invert}")
    against = read_site(write_folder(tmp_path / "a", site=leveled)).site.notices
    assert [(n.where, n.needs_person) for n in against if n.code == "flow-against-inverts"] == [
        ("main[1].flow_toward", True)
    ]
    turned = leveled.replace('flow_toward = "left"', 'flow_toward = "right"')
    along = read_site(write_folder(tmp_path / "b", site=turned.replace('"31 ft"', '"-31 ft"')))
    assert "flow-against-inverts" not in {notice.code for notice in along.site.notices}


def test_a_keep_out_keeps_no_clearance_of_its_own(tmp_path: Path) -> None:
    """A clearance that is not given is 0: the tolerance zone is added where digging is planned."""
    keep_out = '\n[[keep_out]]\nid = "gas"\nkind = "gas"\npoints = [["44 ft","0 ft"]]\n'
    site = read_site(write_folder(tmp_path, site=SITE + keep_out)).site
    assert site.keep_outs[0].clearance_m == 0.0


@pytest.mark.parametrize("mark", ["mag {}", "Magnetic {}", "{} (mag)", "{} mag."])
def test_magnetic_marks_before_and_behind(mark: str) -> None:
    """A magnetic mark is seen wherever it stands, the azimuth is the magnetic one."""
    assert read_bearing(mark.format("N 45 E")) == (45.0, True)


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    """A folder saved by a Windows editor (CRLF, UTF-8 with a mark) reads the same."""
    plain = read_site(write_folder(tmp_path / "a")).site
    folder = write_folder(tmp_path / "b")
    for name in ("site.toml", "locates.csv", "ties.csv"):
        raw = (folder / name).read_bytes()
        (folder / name).write_bytes(b"\xef\xbb\xbf" + raw.replace(b"\n", b"\r\n"))
    windows = read_site(folder).site
    assert (windows.locates, windows.ties, windows.rooms) == (
        plain.locates,
        plain.ties,
        plain.rooms,
    )
