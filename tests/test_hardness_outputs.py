"""Outputs stand whole or not at all: wherever they go, whatever fails, whenever it is killed."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import pytest

from sitegis.messages.errors import CannotWrite
from sitegis.model.survey import Survey
from sitegis.pipeline import run
from sitegis.write import write_outputs
from tests.computed import computed
from tests.hardness.corpus import FIXTURES
from tests.hardness.judge import judge
from tests.lacking import lacking

SITE = next(folder for folder in FIXTURES if folder.name == "tape-only")
OTHER = next(folder for folder in FIXTURES if folder.name == "side-yard-run")
Content = dict[str, bytes]


def content(folder: Path) -> Content:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


def in_child(work: Callable[[], object], *, wait_s: float | None = None) -> int | None:
    """Do work in a forked process; kill -9 it after a time; give its exit code (None: killed)."""
    child = os.fork()
    if child == 0:
        code = 70
        with contextlib.suppress(BaseException):
            try:
                work()
                code = 0
            except CannotWrite:
                code = 3
        os._exit(code)
    if wait_s is not None:
        time.sleep(wait_s)
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return None if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)


@pytest.fixture(scope="module")
def survey() -> Survey:
    return computed(SITE.name)


@pytest.fixture(scope="module")
def sets(tmp_path_factory: pytest.TempPathFactory, survey: Survey) -> tuple[Content, Content]:
    """Return the old set (of another site) and the new one."""
    folder = tmp_path_factory.mktemp("sets")
    write_outputs(computed(OTHER.name), folder / "old")
    write_outputs(survey, folder / "new")
    return content(folder / "old"), content(folder / "new")


@pytest.mark.parametrize(
    "moment",
    [*range(4), *(pytest.param(late, marks=pytest.mark.adverse) for late in range(4, 40))],
)
def test_kill_minus_nine_at_a_random_moment_of_run(
    moment: int, tmp_path: Path, sets: tuple[Content, Content]
) -> None:
    """The old or the new outputs stand whole, and the next run clears what was left."""
    old, new = sets
    out = tmp_path / "out"
    out.mkdir()
    for name, raw in old.items():
        (out / name).write_bytes(raw)
    in_child(lambda: run(SITE, out), wait_s=Random(moment).uniform(0.0, 1.0))
    assert content(out) in (old, new)


@pytest.mark.parametrize("kills", [8, pytest.param(60, marks=pytest.mark.adverse)])
def test_after_a_kill_the_next_run_clears_up(
    kills: int, tmp_path: Path, survey: Survey, sets: tuple[Content, Content]
) -> None:
    """Killed at random moments of writing: one set whole each time, nothing left at last."""
    old, new = sets
    out = tmp_path / "out"
    out.mkdir()
    random = Random(60)
    for _ in range(kills):
        for name, raw in old.items():
            (out / name).write_bytes(raw)
        in_child(lambda: write_outputs(survey, out), wait_s=random.uniform(0.0, 0.6))
        assert content(out) in (old, new)
    write_outputs(survey, out)
    assert content(out) == new
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("most_bytes", [0, 1, 5_000, 60_000, 200_000])
def test_a_disk_that_takes_no_more(
    most_bytes: int, tmp_path: Path, survey: Survey, sets: tuple[Content, Content]
) -> None:
    """The system lets no file grow past a bound: code 3, the old set untouched, nothing beside."""
    old, _ = sets
    out = tmp_path / "out"
    out.mkdir()
    for name, raw in old.items():
        (out / name).write_bytes(raw)

    def work() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))
        write_outputs(survey, out)

    assert in_child(work) == 3
    assert content(out) == old
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """Mount a disk of 64 KiB, where that is allowed."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.system(f"mount -t tmpfs -o size=64k tmpfs '{place}' 2>/dev/null") != 0:
        lacking("leave to mount a disk", "run as root in a container that may mount")
    yield place
    os.system(f"umount '{place}'")


def test_a_full_disk_is_told(full_disk: Path) -> None:
    """``run`` onto a full disk ends in code 3 with the reason, and leaves it empty."""
    outcome = judge("run", SITE, full_disk / "out")
    assert not outcome.broken
    assert (outcome.code, "disk is full" in outcome.errors) == (3, True)
    assert not list(full_disk.iterdir())


@pytest.mark.adverse
def test_places_that_cannot_hold_outputs(tmp_path: Path) -> None:
    """A file, a path under a file, a loop of links, a name too long: refused in words."""
    (tmp_path / "outs").mkdir()
    (tmp_path / "outs" / "file").write_text("kept", "utf-8")
    (tmp_path / "outs" / "loop").symlink_to("loop")
    for name, code in (("file", 2), ("file/out", 3), ("loop", 3)):
        outcome = judge("run", SITE, tmp_path / "outs" / name)
        assert (name, outcome.broken, outcome.code) == (name, (), code)
    assert (tmp_path / "outs" / "file").read_text("utf-8") == "kept"
    with pytest.raises(CannotWrite):
        run(SITE, tmp_path / ("x" * 300))


@pytest.mark.parametrize("inside", ["out", "."])
def test_outputs_inside_the_site_folder(inside: str, tmp_path: Path) -> None:
    """Outputs may go into the site folder or beside its files, which stay as they are."""
    site = Path(shutil.copytree(SITE, tmp_path / "site"))
    before = content(site)
    for _ in range(2):
        outcome = judge("run", site, site / inside)
        assert (outcome.broken, outcome.code in (0, 1)) == ((), True)
    assert before.items() <= content(site).items()
    assert json.loads((site / inside / "answer.json").read_bytes())["schema"] == 2
