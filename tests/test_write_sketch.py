"""The sketch of ``check``: read back as XML (Python's own parser), places against hand geometry."""

from __future__ import annotations

import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sitegis.doubt.usual import fitting_blunders
from sitegis.messages.errors import BadInput
from sitegis.read import read_site
from sitegis.to_the_wall import check
from sitegis.write.sketch import sketch_bytes

FIXTURES = Path(__file__).parents[1] / "fixtures"
SVG = "{http://www.w3.org/2000/svg}"


def test_what_was_typed_is_drawn() -> None:
    """Rooms, axes, all marks, streets, north and the dashed drain stand in it."""
    survey = check(FIXTURES / "corner-lot-alley")
    tree = ET.fromstring(sketch_bytes(survey.site, survey))
    words = [text.text or "" for text in tree.iter(f"{SVG}text")]
    for row in survey.site.locates:
        assert row.id in words
    for room in survey.site.rooms:
        assert room.name in words
    assert words.count("x") == words.count("y") == len(survey.site.rooms)
    assert "N" in words
    for street in survey.site.streets:
        assert f"{street.name} ({street.side})" in words
    dashed = [line for line in tree.iter(f"{SVG}polyline") if line.get("stroke-dasharray")]
    assert dashed


def test_marks_lie_where_the_tape_puts_them() -> None:
    """One scale, y up: the distance between two marks is that of their offsets in one room."""
    survey = check(FIXTURES / "tape-only")
    tree = ET.fromstring(sketch_bytes(survey.site))
    dots = [
        np.array([float(c.get("cx", "")), float(c.get("cy", ""))])
        for c in tree.iter(f"{SVG}circle")
        if c.get("fill") == "#c4161c"
    ]
    rows = [row for row in survey.site.locates if row.kind == "locate"]
    lot = next(p for p in tree.iter(f"{SVG}polygon") if p.get("fill") == "#f4faef")
    corners = np.array([xy.split(",") for xy in lot.get("points", "").split()], float)
    scale = float(np.ptp(corners[:, 1]) / np.ptp(survey.site.lot.vertices[:, 1]))
    assert float(np.ptp(corners[:, 0]) / np.ptp(survey.site.lot.vertices[:, 0])) == pytest.approx(
        scale, rel=1e-3
    )
    for i, j in ((0, 1), (0, 5), (2, 4)):
        pixels = float(np.hypot(*(dots[i] - dots[j])))
        meters = float(np.hypot(rows[i].x_m - rows[j].x_m, rows[i].y_m - rows[j].y_m))
        assert pixels / scale == pytest.approx(meters, abs=0.03)
    assert 500.0 < float(tree.get("width", "")) <= 960.0
    assert float(tree.get("height", "")) <= 1200.0  # a long lot is seen whole


def test_texts_are_escaped() -> None:
    """A room's name with markup stays a text."""
    survey = check(FIXTURES / "tape-only")
    room = replace(survey.site.rooms[0], name="<b>&\"'")
    tree = ET.fromstring(sketch_bytes(replace(survey.site, rooms=(room,))))
    assert "<b>&\"'" in [text.text for text in tree.iter(f"{SVG}text")]


def test_a_refused_site_is_drawn_and_its_slip_named(tmp_path: Path) -> None:
    """Footage in meters under ft: too short for the floor; the sketch and the slip are given."""
    folder = tmp_path / "site"
    shutil.copytree(FIXTURES / "tape-only", folder)
    text = (folder / "locates.csv").read_text()
    for feet in ("4.0", "8.0", "12.0", "16.1", "20.6", "25.1"):
        text = text.replace(f",{feet},slab", f",{float(feet) * 0.3048:.2f},slab")
    (folder / "locates.csv").write_text(text)
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    assert {fault.code for fault in caught.value.faults} == {"count-too-short"}
    assert caught.value.draft is not None
    likely_blunders = fitting_blunders(caught.value.draft, caught.value.faults)
    assert "the footage is in meters, not feet" in likely_blunders
    sketch = tmp_path / "sketch.svg"
    command = [sys.executable, "-m", "sitegis", "check", str(folder), "--sketch", str(sketch)]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 2
    assert "the footage is in meters" in done.stderr
    ET.fromstring(sketch.read_bytes())


def test_no_slip_is_offered_where_something_else_is_wrong(tmp_path: Path) -> None:
    """A missing length is no slip of a room."""
    folder = tmp_path / "site"
    shutil.copytree(FIXTURES / "tape-only", folder)
    text = (folder / "locates.csv").read_text().replace('12\' 11""', "twelve")
    (folder / "locates.csv").write_text(text)
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    if caught.value.draft is not None:
        assert fitting_blunders(caught.value.draft, caught.value.faults) == ()
