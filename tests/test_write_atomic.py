"""Outputs appear together or not at all, and nothing that is not ours is ever lost."""

from __future__ import annotations

import contextlib
import errno
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from sitegis.messages.errors import CannotWrite
from sitegis.write import atomic
from sitegis.write.atomic import place_set

OLD = {"answer.json": b"old answer", "map.html": b"old map"}
NEW = {"answer.json": b"new answer", "map.html": b"new map", "lateral.geojson": b"new"}


class Killed(BaseException):
    """Stands for a process that ends at this very call."""


def _content(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _leftovers(out: Path) -> list[Path]:
    return [path for path in out.parent.iterdir() if path.name.startswith(f".{out.name}.sitegis")]


def _no_exchange(first: Path, second: Path) -> None:
    raise OSError(errno.ENOSYS, "no renameat2")


def test_a_first_set_appears_whole(tmp_path: Path) -> None:
    """Folders that are missing are made; the paths come back; nothing is left beside."""
    out = tmp_path / "deep" / "out"
    paths = place_set(NEW, out)
    assert paths == tuple(out / name for name in NEW)
    assert _content(out) == NEW
    assert not _leftovers(out)


@pytest.mark.parametrize("exchange", [True, False])
def test_a_second_set_replaces_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, exchange: bool
) -> None:
    """With the one-step exchange and without, the new set stands and nothing is left beside."""
    if not exchange:
        monkeypatch.setattr(atomic, "_rename_exchange", _no_exchange)
    out = tmp_path / "out"
    place_set(OLD, out)
    place_set(NEW, out)
    assert _content(out) == NEW
    assert not _leftovers(out)


@pytest.mark.parametrize("exchange", [True, False])
def test_foreign_files_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, exchange: bool
) -> None:
    """What somebody else put into the folder is there afterwards: files, folders, links, modes."""
    if not exchange:
        monkeypatch.setattr(atomic, "_rename_exchange", _no_exchange)
    out = tmp_path / "out"
    place_set(OLD, out)
    (out / "notes.txt").write_bytes(b"mine")
    (out / "notes.txt").chmod(0o640)
    (out / "photos" / "day one").mkdir(parents=True)
    (out / "photos" / "day one" / "a.jpg").write_bytes(b"picture")
    (out / "link").symlink_to("nowhere")
    place_set(NEW, out)
    assert _content(out) == {**NEW, "notes.txt": b"mine", "photos/day one/a.jpg": b"picture"}
    assert os.readlink(out / "link") == "nowhere"
    assert (out / "notes.txt").stat().st_mode & 0o777 == 0o640


def test_foreign_files_are_copied_where_links_are_impossible(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system without hard links keeps foreign files too."""

    def no_link(*_: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    out = tmp_path / "out"
    place_set(OLD, out)
    (out / "notes.txt").write_bytes(b"mine")
    monkeypatch.setattr(os, "link", no_link)
    place_set(NEW, out)
    assert _content(out) == {**NEW, "notes.txt": b"mine"}


def test_a_file_that_comes_while_staging_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody writes into the folder between staging and exchange: it is not lost."""
    out = tmp_path / "out"
    place_set(OLD, out)
    exchange = atomic._rename_exchange

    def late(first: Path, second: Path) -> None:
        (out / "late.txt").write_bytes(b"late")
        exchange(first, second)

    monkeypatch.setattr(atomic, "_rename_exchange", late)
    place_set(NEW, out)
    assert _content(out) == {**NEW, "late.txt": b"late"}


def _failing(original: Callable[..., object], left: list[int], error: BaseException) -> object:
    def call(*arguments: object, **options: object) -> object:
        left[0] -= 1
        if left[0] < 0:
            raise error
        return original(*arguments, **options)

    return call


CALLS = ["fsync", "open", "mkdir", "rename", "link", "scandir"]


@pytest.mark.parametrize("exchange", [True, False])
@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "full"), Killed()])
def test_a_fault_in_any_call_leaves_one_set_whole(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    error: BaseException,
    *,
    exchange: bool,
) -> None:
    """Whichever call fails, and whenever: the old set or the new one is there, whole.

    The next run puts the new set in place and clears what is left.
    """
    out = tmp_path / "out"
    for nth in range(60):
        place_set(OLD, out)
        (out / "lateral.geojson").unlink(missing_ok=True)
        (out / "notes.txt").write_bytes(b"mine")
        with monkeypatch.context() as patch:
            if not exchange:
                patch.setattr(atomic, "_rename_exchange", _no_exchange)
            left = [nth]
            patch.setattr(os, name, _failing(getattr(os, name), left, error))
            with contextlib.suppress(CannotWrite, Killed):
                place_set(NEW, out)
        if out.exists():
            assert _content(out) in [{**OLD, "notes.txt": b"mine"}, {**NEW, "notes.txt": b"mine"}]
        else:
            # without the one-step exchange a kill between two renames is undone by the next run
            assert not exchange
        place_set(NEW, out)
        assert _content(out) == {**NEW, "notes.txt": b"mine"}
        assert not _leftovers(out)
        if left[0] >= 0:
            # the call came less often than that: every one of its turns has failed once
            assert nth > 0 or (name == "rename" and exchange)
            return
    raise AssertionError("the call never came to its end")


def test_between_two_renames_the_next_run_brings_the_folder_back(tmp_path: Path) -> None:
    """A kill between the two renames leaves the folder aside; foreign files come back with it."""
    out = tmp_path / "out"
    holder = tmp_path / ".out.sitegis-left"
    (holder / "old").mkdir(parents=True)
    (holder / "old" / "notes.txt").write_bytes(b"mine")
    place_set(NEW, out)
    assert _content(out) == {**NEW, "notes.txt": b"mine"}
    assert not _leftovers(out)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "may not write"),
        (errno.EBUSY, "mount point"),
    ],
)
def test_the_reason_is_said_in_plain_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    """A user reads what is wrong with the disk, and that the earlier set is untouched."""

    def fail(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    out = tmp_path / "out"
    place_set(OLD, out)
    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(CannotWrite, match=f"{words}.*as it was"):
        place_set(NEW, out)
    assert _content(out) == OLD


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    """A file of the folder's name is neither overwritten nor removed."""
    out = tmp_path / "out"
    out.write_bytes(b"a file")
    with pytest.raises(CannotWrite, match="is a file"):
        place_set(NEW, out)
    assert out.read_bytes() == b"a file"


def test_the_folder_one_stands_in_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exchanging the caller's own folder would leave the caller in a folder that is gone."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CannotWrite, match="folder you are in"):
        place_set(NEW, Path())


def test_a_link_to_a_folder_stays_a_link(tmp_path: Path) -> None:
    """Where the output is a symbolic link, the folder behind it is exchanged."""
    behind = tmp_path / "behind"
    behind.mkdir()
    (tmp_path / "out").symlink_to(behind)
    place_set(NEW, tmp_path / "out")
    assert (tmp_path / "out").is_symlink()
    assert _content(behind) == NEW


def test_the_mode_of_the_folder_stays(tmp_path: Path) -> None:
    """A folder that others may read stays one; a private one stays private."""
    out = tmp_path / "out"
    out.mkdir(mode=0o700)
    out.chmod(0o710)
    place_set(NEW, out)
    assert out.stat().st_mode & 0o777 == 0o710


def test_a_new_folder_follows_the_umask(tmp_path: Path) -> None:
    """A folder made for the outputs is as readable as any other new folder."""
    place_set(NEW, tmp_path / "out")
    (tmp_path / "plain").mkdir()
    modes = [(tmp_path / name).stat().st_mode for name in ("out", "plain")]
    assert modes[0] == modes[1]


def test_a_run_that_stages_now_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two runs into one folder at a time: neither clears the other's staging folder."""
    out = tmp_path / "out"
    inner: list[tuple[Path, ...]] = []
    exchange = os.rename

    def nested(first: Path, second: Path) -> None:
        if not inner:
            inner.append(())
            inner[0] = place_set(OLD, out)
        exchange(first, second)

    monkeypatch.setattr(os, "rename", nested)
    with pytest.raises(CannotWrite):
        # the other run has put its set there meanwhile: this one gives up and says so
        place_set(NEW, out)
    assert _content(out) == OLD


def _write_without_pause(out: Path) -> None:
    """Place sets of growing size in a child process until it is killed."""
    for number in range(1, 1_000_000):
        content = (b"%06d" % number) + bytes(50_000 + number)
        place_set(dict.fromkeys(("a", "b", "c"), content), out)


def test_kill_minus_nine_at_any_moment_leaves_one_set_whole(tmp_path: Path) -> None:
    """A process that writes without pause is killed again and again: no set is ever mixed."""
    out = tmp_path / "out"
    place_set(dict.fromkeys(("a", "b", "c"), b"000000"), out)
    (out / "notes.txt").write_bytes(b"mine")
    numbers = set()
    for attempt in range(12):
        child = os.fork()
        if child == 0:
            try:
                _write_without_pause(out)
            finally:
                os._exit(1)
        time.sleep(0.02 + 0.013 * attempt)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        found = {(out / name).read_bytes() for name in ("a", "b", "c")}
        assert len(found) == 1
        numbers.add(found.pop()[:6])
        assert (out / "notes.txt").read_bytes() == b"mine"
    assert len(numbers) > 1
    place_set(NEW, out)
    assert not _leftovers(out)
