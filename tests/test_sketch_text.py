"""The sketch in characters: read back by columns and rows, against reflections by hand."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sitegis.model.site import Site
from sitegis.read import read_site
from sitegis.to_the_wall import check
from sitegis.write.sketch_text import sketch_lines

FIXTURES = Path(__file__).parents[1] / "fixtures"
WIDEST = 80


def where(lines: tuple[str, ...], words: str) -> tuple[int, int]:
    """Return row and column of words that stand once on the sheet."""
    found = [(i, line.index(words)) for i, line in enumerate(lines) if words in line]
    assert len(found) == 1, words
    return found[0]


def drawing(site: Site) -> tuple[str, ...]:
    lines = sketch_lines(site, columns=WIDEST)
    foot = next(i for i, line in enumerate(lines) if line.startswith("v front"))
    return lines[:foot]


@pytest.mark.parametrize("fixture", ["tape-only", "corner-lot-alley", "two-stacks"])
def test_all_that_was_typed_stands_in_plain_characters(fixture: str) -> None:
    """Marks, rooms, streets, scale and north, within 80 columns of ASCII."""
    survey = check(FIXTURES / fixture)
    lines = sketch_lines(survey.site, survey, WIDEST)
    text = "\n".join(lines)
    assert text.isascii()
    assert max(map(len, lines)) <= WIDEST
    for row in survey.site.locates:
        assert row.id in text
    for name in [room.name for room in survey.site.rooms] + [s.name for s in survey.site.streets]:
        assert name in text
    assert "north is up" in text
    assert "(inferred, not located)" in text


def test_a_mirrored_room_looks_mirrored() -> None:
    """x taken as width − x: every mark's column is reflected about the room's middle, no row is."""
    site = read_site(FIXTURES / "tape-only").site
    room = site.rooms[0]
    width = room.size_m[0] if room.size_m else 0.0
    assert width > 0.0
    rows = tuple(replace(row, x_m=width - row.x_m) for row in site.locates)
    one, other = drawing(site), drawing(replace(site, locates=rows))
    wall = next(line for line in one if "####" in line)
    middle = (wall.index("#") + wall.rindex("#")) / 2.0
    apart = []
    for row in site.locates:
        (r1, c1), (r2, c2) = (
            where(one, f"*{row.id}" if row.kind == "locate" else f"o{row.id}"),
            (where(other, f"*{row.id}" if row.kind == "locate" else f"o{row.id}")),
        )
        assert r1 == r2
        assert c1 - middle == pytest.approx(middle - c2, abs=1.1)
        apart.append(abs(c1 - c2))
    assert max(apart) >= 3


def test_another_corner_shows_another_origin_and_axes() -> None:
    """From the front left x runs right and y up; from the front right x runs up and y left."""
    site = read_site(FIXTURES / "tape-only").site
    room = site.rooms[0]
    assert room.origin_m is not None
    ring = site.building.vertices
    width = float(np.ptp(ring[:, 0]))
    (row, column) = where(drawing(site), "O-")
    lines = drawing(site)
    assert lines[row][column:].split("x")[0].endswith(">")
    assert lines[row - 1][column] == "|"
    right = replace(
        room,
        origin_m=(width - room.origin_m[0], room.origin_m[1]),
        x_toward_rad=np.pi / 2,
        size_m=None if room.size_m is None else room.size_m[::-1],
    )
    lines = drawing(replace(site, rooms=(right,)))
    row = next(i for i, line in enumerate(lines) if "y<-" in line)
    column = lines[row].rindex("O")
    assert lines[row].index("y<") < column
    assert lines[row - 1][column] == "|"
    above = "".join(line[column] for line in lines if len(line) > column)
    assert "x^|" in above


def test_it_is_drawn_where_asked_for_and_on_a_terminal() -> None:
    """Not into a pipe; with ``--draw`` there too; by itself on a terminal of 80 columns."""
    command = [sys.executable, "-m", "sitegis", "check", str(FIXTURES / "tape-only")]
    plain, drawn = (
        subprocess.run([*command, *more], check=False, capture_output=True, text=True).stdout
        for more in ([], ["--draw"])
    )
    assert "front wall" not in plain
    assert "front wall" in drawn
    assert drawn.endswith(plain)
    ours, theirs = pty.openpty()
    environment = {**os.environ, "COLUMNS": "80", "LINES": "50", "TERM": "dumb"}
    done = subprocess.Popen(command, stdout=theirs, stderr=subprocess.DEVNULL, env=environment)
    os.close(theirs)
    shown = b""
    while True:
        try:
            more_bytes = os.read(ours, 65536)
        except OSError:  # the terminal's other end is closed
            break
        if not more_bytes:
            break
        shown += more_bytes
    done.wait()
    os.close(ours)
    assert shown.decode().replace("\r\n", "\n") == drawn
