"""Small, odd and shared places to run in: the same outputs, or a reason in words."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from random import Random

import pytest

from sitegis.pipeline import run
from sitegis.write import write_outputs
from sitegis.write.atomic import place_set
from tests.computed import computed
from tests.hardness.corpus import FIXTURES

pytestmark = pytest.mark.adverse

SITE = next(folder for folder in FIXTURES if folder.name == "tape-only")
ROOT = Path(__file__).parent.parent
NOBODY = 65534


def content(folder: Path) -> dict[str, bytes]:
    """The files of a folder."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def run_apart(*arguments: str | Path, options: tuple[str, ...] = (), **how: object) -> str:
    """Run the command line in a process of its own; give what it told on stderr."""
    done = subprocess.run(
        [sys.executable, *options, "-m", "sitegis", *map(str, arguments)],
        check=False,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        **how,
    )
    assert done.returncode in (0, 1), done.stderr.decode()
    return done.stderr.decode()


def test_an_empty_environment_changes_nothing(tmp_path: Path) -> None:
    """No HOME, no TERM, no PATH, 20 columns, python -O, every warning an error, umask 077."""
    write_outputs(computed(SITE.name), tmp_path / "usual")
    environment = {"PYTHONPATH": str(ROOT), "COLUMNS": "20"}
    told = run_apart(
        "run",
        SITE,
        "--out",
        tmp_path / "out",
        options=("-O", "-W", "error"),
        env=environment,
        cwd=tmp_path,
        umask=0o077,
    )
    assert told == ""
    assert content(tmp_path / "out") == content(tmp_path / "usual")
    assert {path.stat().st_mode & 0o077 for path in (tmp_path / "out").iterdir()} == {0}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "usual"]


def test_a_user_without_a_home_gets_the_same() -> None:
    """Not root, the home read-only: the same outputs, and nothing left where it should not be."""
    if os.getuid() != 0:
        pytest.skip("the whole suite runs as such a user already")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        place.chmod(0o777)
        (place / "home").mkdir(mode=0o555)
        shutil.copytree(SITE, place / "site")
        run(place / "site", place / "usual")  # what is imported here is imported for both

        def work() -> None:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.environ["HOME"] = str(place / "home")
            run(place / "site", place / "out")

        _, status = os.waitpid(fork(work), 0)
        assert os.waitstatus_to_exitcode(status) == 0
        assert content(place / "out") == content(place / "usual")
        assert (place / "out").stat().st_uid == NOBODY
        assert not list((place / "home").iterdir())


def fork(work) -> int:
    """Start work in a forked process."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    return child


def test_many_runs_at_once_into_one_folder_leave_one_set_whole(tmp_path: Path) -> None:
    """Four writers, 25 rounds each: none fails, one writer's set stands, and nothing beside it."""
    out = tmp_path / "out"
    names = [f"file-{n}" for n in range(12)]
    place_set(dict.fromkeys(names, b"first"), out)

    def write(who: int) -> None:
        for turn in range(25):
            place_set(dict.fromkeys(names, b"%d %d" % (who, turn)), out)

    children = [fork(lambda who=who: write(who)) for who in range(4)]
    for child in children:
        _, status = os.waitpid(child, 0)
        assert os.waitstatus_to_exitcode(status) == 0
    final = set(content(out).values())
    assert len(final) == 1
    assert sorted(content(out)) == sorted(names)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


@pytest.fixture(scope="module")
def new(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The set that a run left alone writes."""
    out = tmp_path_factory.mktemp("new") / "out"
    write_outputs(computed(SITE.name), out)
    return content(out)


@pytest.mark.statistical
@pytest.mark.parametrize("moment", range(25))
def test_an_interrupt_at_any_stage_leaves_one_set_whole(
    moment: int, new: dict[str, bytes], tmp_path: Path
) -> None:
    """Ctrl-C: code 130 and one word, or the usual end; the outputs old or new, nothing beside."""
    out = tmp_path / "out"
    old = {"answer.json": b"{}", "letter": b"keep me"}
    place_set(old, out)
    site = Path(shutil.copytree(SITE, tmp_path / "site"))
    child = subprocess.Popen(
        [sys.executable, "-m", "sitegis", "run", str(site), "--out", str(out)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    time.sleep(Random(moment).uniform(0.3, 6.0))
    child.send_signal(signal.SIGINT)
    _, told = child.communicate()
    assert b"Traceback" not in told or b"sitegis/" not in told
    assert child.returncode in (0, 1, 130, -2)
    # an interrupt may come after the new set stands, while its summary is printed
    stands = content(out)
    assert stands == {**new, "letter": b"keep me"} or (
        child.returncode in (130, -2) and stands == old
    )
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "site"]
