"""``start --ask``: a site asked for in the terminal, answered as a crew would."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sitegis.cli.main import cli

from .computed import FIXTURES

TAPE_ONLY = FIXTURES / "tape-only"
SITE = [
    "Asked house", "us-upc", "40", "120", "40.02", "", "42.0431", "-93.4102", "N 78-10-00 E",
    "22'", "6'", "24'", "36'", "1'", "6'6\"", "Basement", "front-left",
]  # fmt: skip
STREETS = ["Elm Street", "", "30'", "10'6\"", "Rear Alley", "", "7'", "11'", "", ""]


def _points() -> list[str]:
    """Return the marks of the fixture as they would be typed, Enter where a default is right."""
    with (TAPE_ONLY / "locates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return [text for r in rows for text in ("", r["x"], r["y"], r["depth"], r["footage"])]


def _start(folder: Path, lines: list[str], *options: str) -> Result:
    given = "".join(f"{line}\n" for line in lines)
    return CliRunner().invoke(cli, ["start", str(folder), "--ask", *options], input=given)


def test_sixty_answers_give_the_answer_of_the_whole_folder(tmp_path: Path) -> None:
    """The same truth told both ways: the same main, and the exit within the tape's error.

    The folder says more (a record of a tap, the row's width, a deed), so that the exit agrees,
    not the chances.
    """
    lines = [*SITE, *STREETS, *_points(), "end"]
    assert len(lines) <= 65
    told = _start(tmp_path / "asked", lines)
    assert told.exit_code == 0, told.output
    answers = []
    for folder in (tmp_path / "asked", TAPE_ONLY):
        ran = CliRunner().invoke(cli, ["run", str(folder), "--out", str(tmp_path / folder.name)])
        assert ran.exit_code in (0, 1), ran.output
        answers.append(json.loads((tmp_path / folder.name / "answer.json").read_text("utf-8")))
    asked, written = (answer["exit"] for answer in answers)
    assert asked["wall"] == written["wall"]
    assert asked["x_m"] == pytest.approx(written["x_m"], abs=0.05)
    assert asked["y_m"] == pytest.approx(written["y_m"], abs=0.05)


def test_a_wrong_answer_is_asked_for_again_and_said(tmp_path: Path) -> None:
    """An ambiguous length, a code that is not there, a compass word."""
    lines = list(SITE)
    lines[2:3] = ["12-4", "40"]
    lines[1:2] = ["plumbing", "us-upc"]
    told = _start(tmp_path / "asked", [*lines, *STREETS, *_points(), "end"])
    assert told.exit_code == 0
    assert "can be read in more than one way" in told.output
    assert "'plumbing' is none of: ca-npc" in told.output
    site = tomllib.loads((tmp_path / "asked" / "site.toml").read_text("utf-8"))
    assert site["lot"]["sides"] == {"front": "40", "right": "120", "rear": "40.02", "left": "120"}


def test_what_was_answered_is_kept_where_the_person_leaves(tmp_path: Path) -> None:
    """Input ends in the middle of a point: all before it stands in the files, ``check`` asks on."""
    told = _start(tmp_path / "asked", [*SITE, *STREETS, *_points()[:12]])
    assert told.exit_code == 0
    assert "what was answered is kept" in told.output
    with (tmp_path / "asked" / "locates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["id"] for row in rows] == ["CO1", "L1", "L2"]
    assert rows[2]["x"]
    assert not rows[2]["y"]
    checked = CliRunner().invoke(cli, ["check", str(tmp_path / "asked")])
    assert checked.exit_code == 2
    assert "locates.csv" in checked.output


def test_a_front_street_without_a_sewer_leaves_no_main_there(tmp_path: Path) -> None:
    """A metric site that drains to the rear; quotation marks in a name stay a name."""
    site = ['"Old" house\\', "ca-npc", "12.2", "36.6", "", "", "45.4", "-75.7", "78",
            "6.7", "1.8", "7.3", "11", "0.3", "2", "Basement", "front-left"]  # fmt: skip
    streets = ["Elm Street", "", "", "Rear Alley", "", "2.1", "3350", "", ""]
    told = _start(tmp_path / "asked", [*site, *streets, "end"], "--units", "m")
    assert told.exit_code == 0, told.output
    written = tomllib.loads((tmp_path / "asked" / "site.toml").read_text("utf-8"))
    assert written["site"]["name"] == '"Old" house\\'
    assert [main["street"] for main in written["main"]] == ["Rear Alley"]
    assert [street["name"] for street in written["street"]] == ["Elm Street", "Rear Alley"]


def test_the_workbook_is_not_asked_for(tmp_path: Path) -> None:
    """Both at once would leave it open which is filled in."""
    assert _start(tmp_path / "asked", [], "--workbook").exit_code == 2
    assert not (tmp_path / "asked").exists()
