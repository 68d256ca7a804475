"""The command line: exit codes, streams, and what a user reads."""

from __future__ import annotations

import json
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from .forked import sitegis

PROJECT = Path(__file__).parents[1]


def apart(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a user does, from the start of the interpreter on."""
    return subprocess.run(
        [sys.executable, "-m", "sitegis", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Copy a fixture to spoil."""
    return Path(shutil.copytree(PROJECT / "fixtures" / "tape-only", tmp_path / "site"))


def test_help_names_every_command_and_exit_code() -> None:
    """``--help`` lists the commands and what the exit codes mean."""
    done = apart("--help")

    assert done.returncode == 0
    assert all(word in done.stdout for word in ("start", "check", "run", "2 bad input"))


def test_help_imports_no_heavy_package() -> None:
    """``--help`` loads neither numpy nor the geospatial packages."""
    code = (
        "import sys; from sitegis.cli.main import cli; cli.main(['--help'], standalone_mode=False);"
        "assert not {'numpy', 'pyproj', 'shapely', 'folium', 'scipy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


def test_run_writes_the_outputs_and_tells_the_answer(site: Path, tmp_path: Path) -> None:
    """``run`` writes the set and prints a summary of one screen on stdout."""
    done = apart("run", site, "--out", tmp_path / "out")

    assert done.returncode in (0, 1), done.stderr
    assert {"answer.json", "lateral.geojson", "map.html"} <= {
        path.name for path in (tmp_path / "out").iterdir()
    }
    assert "front-main" in done.stdout or "Elm Street" in done.stdout
    lines = done.stdout.splitlines()
    assert len(lines) <= 24
    # though the folder's path, told last, may be long
    assert all(len(line) <= 100 for line in lines[:-1])


def test_run_json_prints_the_answer(site: Path, tmp_path: Path) -> None:
    """``run --json`` prints answer.json and nothing else on stdout."""
    done = sitegis("run", site, "--out", tmp_path / "out", "--json")

    assert json.loads(done.stdout)["schema"] == 2


def test_faults_end_with_code_2_and_no_traceback(site: Path) -> None:
    """``check`` tells every fault at once on stderr, in words."""
    text = (site / "locates.csv").read_text("utf-8")
    text = text.replace("22' 10 1/2", "22-10").replace("L4,locate,basement", "L4,locate,attic")
    (site / "locates.csv").write_text(text, "utf-8")
    done = sitegis("check", site)

    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "2 faults found" in done.stderr
    assert "22-10" in done.stderr
    assert "attic" in done.stderr


def test_unwritable_place_ends_with_code_3(site: Path, tmp_path: Path) -> None:
    """``run`` into a place that cannot be a folder ends with code 3, in words."""
    (tmp_path / "file").write_text("kept", "utf-8")
    done = sitegis("run", site, "--out", tmp_path / "file" / "out")

    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert (tmp_path / "file").read_text("utf-8") == "kept"


def test_started_folder_checks_to_fill_me_in(tmp_path: Path) -> None:
    """The command that ``start`` names reads its folder and finds it merely unfilled."""
    started = apart("start", tmp_path / "new site")
    assert started.returncode == 0
    command = shlex.split(started.stderr.split("then: ")[1])
    done = apart(*command[1:])

    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_what_if_changes_the_answer(site: Path, tmp_path: Path) -> None:
    """``--without`` and ``--prior`` change the probabilities, and the answer says what it left."""
    sitegis("run", site, "--out", tmp_path / "a", "--quiet")
    told = sitegis(
        "run",
        site,
        "--out",
        tmp_path / "b",
        "--without",
        "tap_record",
        "--prior",
        "alley=5",
    )
    first, second = (
        json.loads((tmp_path / name / "answer.json").read_text("utf-8")) for name in ("a", "b")
    )

    def front(answer: dict) -> float:
        return sum(h["probability"] for h in answer["hypotheses"] if h["main"] == "front-main")

    assert front(second) < front(first)
    assert told.stdout.splitlines()[1] == "What if: without tap_record; prior alley = 5."
    assert "what-if" in {flag["code"] for flag in second["flags"]}
    assert "what-if" not in {flag["code"] for flag in first["flags"]}


def test_unknown_item_to_leave_out_is_told(site: Path, tmp_path: Path) -> None:
    """``--without`` of an item that is not there is bad input, with the items named."""
    done = sitegis("run", site, "--out", tmp_path / "a", "--without", "dyee")

    assert done.returncode == 2
    assert "tap_record" in done.stderr


def test_check_points_prints_adjustment_and_ellipses(site: Path) -> None:
    """``--points`` adds what was measured twice and a row with a 95 % ellipse for each point."""
    done = sitegis("check", site, "--points")
    names = [row.split(",")[0] for row in (site / "locates.csv").read_text().splitlines()[1:]]

    assert done.returncode in (0, 1)
    assert " redundant; " in done.stdout
    assert "95 % ellipse" in done.stdout
    told = [line.split()[0] for line in done.stdout.splitlines() if line.strip()]
    assert all(name in told for name in names)
