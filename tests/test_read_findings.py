"""``findings.csv`` read: places by four ways, holes that missed, other pipes, and every fault.

A place by longitude and latitude goes there and back, one by ties is held against distances
worked out on paper.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sitegis.finds.records import Finding
from sitegis.messages.errors import BadInput, Fault
from sitegis.model.site import Site, corner_index
from sitegis.read import read_site

from .read_folder import TIES, write_folder
from .test_read_fuzz import faults_or_none, mutate

HEAD = (
    "id,kind,x,y,longitude,latitude,at_pit,width,length,sd,dug_to,found,depth_to_invert,"
    "depth_to_top,direction,diameter,material,date,note,photo"
)
REVISION = {
    "id": "R1", "date": "2026-04-14", "inputs": "0" * 64, "status": "proposed", "findings": [],
    "exit_x_m": 6.0, "exit_y_m": 8.0, "azimuth_deg": 180.0, "invert_m": -0.7, "main": "front-main",
    "station_m": 20.0, "probabilities": [["front-main:direct", 0.9]],
    "pits": [{"id": "R1-P2", "x_m": 6.5, "y_m": 4.0, "angle_rad": 0.3, "length_m": 1.2,
              "width_m": 0.9, "depth_m": 2.4, "p_hit": 0.3}],
}  # fmt: skip


def row(**cells: str) -> str:
    """Return a row of the table by column."""
    return ",".join(cells.get(name, "") for name in HEAD.split(","))


@pytest.fixture
def site_of(tmp_path: Path) -> Callable[..., Site]:
    """Read a folder with some findings, and ties and a kept answer where asked."""

    def read(*rows: str, ties: str = TIES, revision: object = None) -> Site:
        folder = write_folder(tmp_path / "site", ties=ties)
        (folder / "findings.csv").write_text("\n".join([HEAD, *rows]) + "\n", "utf-8")
        if revision is not None:
            (folder / "revisions").mkdir()
            (folder / "revisions" / "R1.json").write_text(json.dumps(revision), "utf-8")
        return read_site(folder).site

    return read


def only(site: Site) -> Finding:
    (found,) = (item for item in site.evidence if isinstance(item, Finding))
    return found


def faults(read: Callable[..., Site], *rows: str, **more: object) -> list[Fault]:
    with pytest.raises(BadInput) as caught:
        read(*rows, **more)
    return [fault for fault in caught.value.faults if fault.file != "ties.csv"]


def test_a_find_by_lot_coordinates(site_of: Callable[..., Site]) -> None:
    found = only(site_of(row(id="F1", kind="test-pit", x="20 ft", y="-3 ft", found="yes",
                             depth_to_invert="78in", diameter="4in", direction="180",
                             date="2026-05-02", material="clay")))  # fmt: skip
    assert (found.kind, found.exposed) == ("found", True)
    assert (found.x_m, found.y_m) == pytest.approx((6.096, -0.9144))
    assert found.depth_to_invert_m == pytest.approx(78 * 0.0254)
    assert (found.date, found.material) == ("2026-05-02", "clay")


def test_longitude_and_latitude_give_the_same_place(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "site")
    (folder / "findings.csv").write_text(
        HEAD + "\n" + row(id="F1", kind="locate", x="5m", y="-2m", found="yes") + "\n", "utf-8"
    )
    frame = read_site(folder).site.frame
    longitude, latitude = frame.to_lonlat(np.array([5.0, -2.0]))
    (folder / "findings.csv").write_text(
        HEAD
        + "\n"
        + row(
            id="F1",
            kind="locate",
            longitude=f"{longitude:.9f}",
            latitude=f"{latitude:.9f}",
            found="yes",
        )
        + "\n",
        "utf-8",
    )
    found = only(read_site(folder).site)
    assert (found.x_m, found.y_m) == pytest.approx((5.0, -2.0), abs=2e-3)
    assert found.sd_m == 0.5


def test_two_places_that_differ_are_told(tmp_path: Path) -> None:
    """By lot coordinates here, by longitude and latitude half a degree off (over 40 km)."""
    folder = write_folder(tmp_path / "site")
    placed = row(id="F1", kind="locate", x="5m", y="-2m", found="yes")
    (folder / "findings.csv").write_text(HEAD + "\n" + placed + "\n", "utf-8")
    site = read_site(folder).site
    assert "find-places-differ" not in {one.code for one in site.notices}
    longitude, latitude = site.frame.to_lonlat(np.array([5.0, -2.0]))
    for away, told in ((0.0, False), (0.5, True)):
        both = row(id="F1", kind="locate", x="5m", y="-2m", found="yes",
                   longitude=f"{longitude + away:.9f}", latitude=f"{latitude:.9f}")  # fmt: skip
        (folder / "findings.csv").write_text(HEAD + "\n" + both + "\n", "utf-8")
        site = read_site(folder).site
        assert ("find-places-differ" in {one.code for one in site.notices}) == told
        assert only(site).x_m == pytest.approx(5.0)


@pytest.mark.parametrize("third", [False, True])
def test_ties_place_it_outside_the_house(site_of: Callable[..., Site], *, third: bool) -> None:
    """Distances from two (or three) house corners to (4, 3), taped on paper."""
    building = site_of(row(id="F0", kind="locate", x="5m", y="-2m", found="yes")).building
    place = np.array([4.0, 3.0])
    names = ["front-left", "front-right", "rear-left"][: 3 if third else 2]
    lines = [
        f"F1,building:{name},{np.hypot(*(place - corner)):.4f}m,"
        for name in names
        for corner in [building.vertices[corner_index(building.vertices, building.sides, name)]]
    ]
    ties = TIES + "\n".join(lines) + "\n"
    folder_row = row(id="F1", kind="test-pit", found="yes")
    site = site_of_again(site_of, folder_row, ties)
    found = only(site)
    assert (found.x_m, found.y_m) == pytest.approx((4.0, 3.0), abs=0.002)
    assert found.placed == f"{len(names)} swing ties"
    assert not any("F1" in (tie.from_name, tie.to_name) for tie in site.ties)


def site_of_again(read: Callable[..., Site], line: str, ties: str) -> Site:
    """Read once more into the same folder."""
    return read(line, ties=ties)


def test_a_pit_of_a_kept_answer(site_of: Callable[..., Site]) -> None:
    site = site_of(row(id="F1", kind="test-pit", at_pit="R1-P2", found="no"), revision=REVISION)
    missed = only(site)
    assert missed.kind == "missed"
    assert missed.hole == pytest.approx((6.5, 4.0, 0.3, 1.2, 0.9))
    assert (missed.dug_to_m, missed.at_pit) == (2.4, "R1-P2")
    assert [one.id for one in site.revisions] == ["R1"]


def test_another_pipe_becomes_a_no_dig_area_and_a_miss(site_of: Callable[..., Site]) -> None:
    site = site_of(row(id="F1", kind="test-pit", x="5m", y="-2m", length="1.2m", width="0.9m",
                       dug_to="2m", found="gas", date="2026-05-02"))  # fmt: skip
    area = next(one for one in site.keep_outs if one.id == "F1")
    assert (area.kind, area.note) == ("gas", "found in F1 on 2026-05-02")
    assert area.points.tolist() == [[5.0, -2.0]]
    assert only(site).kind == "missed"


def test_another_pipe_whose_direction_was_seen_is_a_line(site_of: Callable[..., Site]) -> None:
    """Two meters either way along the azimuth, on the grid (pyproj's forward step by hand)."""
    site = site_of(row(id="F1", kind="trench", x="5m", y="-2m", length="1.2m", width="0.9m",
                       dug_to="2m", found="water", direction="30"))  # fmt: skip
    area = next(one for one in site.keep_outs if one.id == "F1")
    assert area.points.mean(axis=0) == pytest.approx([5.0, -2.0])
    east, north = (site.frame.to_crs(area.points[1]) - site.frame.to_crs(area.points[0])).tolist()
    assert np.hypot(east, north) == pytest.approx(4.0, rel=1e-3)
    assert np.degrees(np.arctan2(east, north)) % 180.0 == pytest.approx(30.0, abs=0.01)


FAULTY = [
    ({"kind": "hole"}, "kind-unknown", "kind"),
    ({"found": "maybe"}, "found-unknown", "found"),
    ({"x": "", "y": ""}, "finding-without-place", "x"),
    ({"y": ""}, "place-half", "y"),
    ({"x": "900m"}, "finding-far", "x"),
    ({"at_pit": "R9-P1"}, "pit-unknown", "at_pit"),
    ({"found": "no"}, "hole-size-missing", "length"),
    ({"found": "no", "length": "1m", "width": "1m"}, "dug-to-missing", "dug_to"),
    ({"length": "1m"}, "hole-half", "width"),
    ({"length": "-1m", "width": "1m"}, "size-not-positive", "length"),
    ({"depth_to_invert": "40m"}, "depth-outdoors-absurd", "depth_to_invert"),
    ({"depth_to_invert": "1m", "depth_to_top": "1.2m"}, "top-below-invert", "depth_to_top"),
    ({"direction": "up"}, "direction-unreadable", "direction"),
    ({"date": "2.5.26"}, "date-unreadable", "date"),
    ({"photo": "../a.jpg"}, "photo-name", "photo"),
    ({"longitude": "-87.9"}, "place-half", "latitude"),
    ({"id": "P1"}, "finding-name-taken", "id"),
    ({"x": "", "y": "", "longitude": "west", "latitude": "41"}, "degrees-unreadable", "longitude"),
]


@pytest.mark.parametrize(("cells", "code", "field"), FAULTY)
def test_each_fault_is_told(
    site_of: Callable[..., Site], cells: dict[str, str], code: str, field: str
) -> None:
    good = {"id": "F1", "kind": "test-pit", "x": "5m", "y": "-2m", "found": "yes"}
    told = faults(site_of, row(**{**good, **cells}))
    assert (code, field) in [(fault.code, fault.field) for fault in told]
    assert all(fault.file == "findings.csv" and fault.row == 2 for fault in told)


def test_all_faults_of_the_table_come_in_one_report(site_of: Callable[..., Site]) -> None:
    told = faults(
        site_of,
        row(id="F1", kind="hole", x="5m", y="1m", found="yes"),
        row(id="F2", kind="locate", found="no"),
        row(id="F1", kind="locate", x="1m", y="1m", found="yes"),
    )
    assert {(fault.code, fault.row) for fault in told} >= {
        ("kind-unknown", 2),
        ("hole-size-missing", 3),
        ("finding-without-place", 3),
        ("id-twice", 4),
    }


def test_ties_that_contradict_each_other_are_told(site_of: Callable[..., Site]) -> None:
    ties = TIES + "".join(
        f"F1,building:{name},{length}m,\n"
        for name, length in (("front-left", 9.0), ("front-right", 9.0), ("rear-left", 9.0))
    )
    (fault,) = faults(site_of, row(id="F1", kind="test-pit", found="yes"), ties=ties)
    assert fault.code == "finding-ties-differ"
    (fault,) = faults(
        site_of,
        row(id="F2", kind="test-pit", found="yes"),
        ties=TIES + "F2,building:front-left,5m,\n",
    )
    assert fault.code == "finding-one-tie"


@pytest.mark.parametrize("broken", ["{", '{"id": "R1"}', json.dumps({**REVISION, "id": "R7"})])
def test_a_broken_kept_answer_is_a_fault(tmp_path: Path, broken: str) -> None:
    folder = write_folder(tmp_path / "site")
    (folder / "revisions").mkdir()
    (folder / "revisions" / "R1.json").write_text(broken, "utf-8")
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    (fault,) = caught.value.faults
    assert (fault.code, fault.file) == ("revision-broken", "revisions/R1.json")


GOOD = "\n".join([
    HEAD,
    row(id="F1", kind="test-pit", x="20 ft", y="-3 ft", found="yes", depth_to_invert="78in",
        direction="N 3 E", date="2026-05-02", diameter="4in"),
    row(id="F2", kind="test-pit", at_pit="R1-P2", found="no"),
    row(id="F3", kind="locate", longitude="-87.9", latitude="41.2", found="water", length="2m",
        width="1m"),
    row(id="F4", kind="trench", found="yes", depth_to_top="70in"),
]) + "\n"  # fmt: skip
FIND_TIES = TIES + "F4,building:front-left,15 ft,\nF4,building:front-right,20 ft,\n"


@pytest.mark.parametrize("seed", range(60))
def test_spoiled_findings_give_faults_or_an_answer(tmp_path: Path, seed: int) -> None:
    """Table, ties and kept answer, spoiled in one to six places, raise nothing but BadInput."""
    generator = random.Random(seed)
    texts = {"findings": GOOD, "ties": FIND_TIES, "revision": json.dumps(REVISION)}
    for _ in range(generator.randint(1, 6)):
        name = generator.choice(("findings", "findings", "ties", "revision"))
        texts[name] = mutate(texts[name], generator)
    folder = write_folder(tmp_path / "site", ties=texts["ties"])
    (folder / "findings.csv").write_text(texts["findings"], "utf-8")
    (folder / "revisions").mkdir()
    (folder / "revisions" / "R1.json").write_text(texts["revision"], "utf-8")
    told = faults_or_none(folder)
    assert told is None or (told and all(fault.reason and fault.remedy for fault in told))
