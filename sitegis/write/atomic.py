"""Put a set of files into a folder all together or not at all.

The set is staged in a sibling folder, synced, and exchanged with the old folder in one step
(Linux ``renameat2``; elsewhere a pair of renames, undone by the next run if it was cut short).
What else lies in the folder is linked into the staged one first, so it is there at every moment.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import fcntl
import os
import shutil
import tempfile
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from ..messages.errors import CannotWrite

_RENAME_EXCHANGE = 2  # linux/fs.h
_AT_FDCWD = -100  # fcntl.h
_STAGED = frozenset({"set", "old"})
_NO_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP}
_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "you may not write there",
    errno.EPERM: "you may not write there",
    errno.EXDEV: "the folder is a mount point; choose a folder inside it",
    errno.EBUSY: "the folder is a mount point or in use; choose a folder inside it",
    errno.EEXIST: "a part of the path is a file, not a folder",
    errno.ENOTDIR: "a part of the path is a file, not a folder",
    errno.ENAMETOOLONG: "the name is too long",
}


def place_set(files: Mapping[str, bytes], out_dir: Path) -> tuple[Path, ...]:
    """Place files (name → content) in a folder together; give their paths.

    Files of the same names are replaced, everything else in the folder stays. Raises
    ``CannotWrite``, and the folder is then as it was before.

    Parameters
    ----------
    files
        Content by name.
    out_dir
        Folder of the outputs.

    Returns
    -------
    tuple[Path, ...]
        Paths of the files.

    Raises
    ------
    CannotWrite
        A file cannot be placed; the folder is as it was.
    """
    try:
        # links are followed: the folder that they lead to is exchanged, the link stays
        out = Path(os.path.realpath(out_dir))
        _refuse_unusable(out, files)
        out.parent.mkdir(parents=True, exist_ok=True)
        _recover(out, set(files))
        _stage_and_exchange(files, out)
    except CannotWrite:
        raise
    except OSError as error:
        raise CannotWrite(_in_words(error, out_dir)) from error
    return tuple(out_dir / name for name in files)


def _refuse_unusable(out: Path, ours: Collection[str]) -> None:
    """Refuse what cannot be exchanged: a file, or the folder in which the caller stands.

    And a folder, a pipe or a device that has an output's name: it is not ours to replace.
    """
    if out.exists() and not out.is_dir():
        raise CannotWrite(f"{out} is a file, not a folder: choose another name.")
    # the shell would go on standing in the old folder, which is then gone
    if Path.cwd().is_relative_to(out):
        raise CannotWrite(f"{out} is the folder you are in: choose a folder inside it.")
    for entry in _entries(out) if out.is_dir() else ():
        # a link is a name of its own: replacing it leaves what it leads to
        if entry.name in ours and not (entry.is_symlink() or entry.is_file()):
            raise CannotWrite(
                f"Could not write to {out}: {entry.name} there is no file that sitegis wrote, and "
                "it would be lost. Choose another folder, or take it away."
            )


def _in_words(error: OSError, out_dir: Path) -> str:
    reason = _REASONS.get(error.errno or 0, error.strerror or str(error))
    return f"Could not write to {out_dir}: {reason}. What was there before is as it was."


def _prefix(out: Path) -> str:
    return f".{out.name}.sitegis-"


@contextlib.contextmanager
def _locked_stage(out: Path, ours: set[str]) -> Iterator[Path]:
    """Make a staging folder beside the output that other runs can tell is in use.

    The lock goes with the process, so what a killed run leaves behind is free to be cleared.
    """
    while True:
        # beside the output, as folders can be exchanged within one file system alone
        stage = Path(tempfile.mkdtemp(prefix=_prefix(out), dir=out.parent))
        descriptor = _open_folder(stage)
        if descriptor is not None:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            if stage.exists():
                break
            os.close(descriptor)
        # another run took it for a killed one's in the moment before the lock: once more
    try:
        yield stage
    finally:
        try:
            _clear(stage, out, ours)
        finally:
            os.close(descriptor)


def _stage_and_exchange(files: Mapping[str, bytes], out: Path) -> None:
    """Stage the set with all foreign entries, then exchange and sync."""
    with _locked_stage(out, set(files)) as holder:
        stage = holder / "set"
        stage.mkdir()
        for name, content in files.items():
            _write_synced(stage / name, content)
        existed = out.is_dir()
        if existed:
            _link_foreign(out, stage, set(files))
            # rights, set-group and sticky bits of the folder that was there
            stage.chmod(out.stat().st_mode & 0o7777)
        # names before the exchange: after a power cut there is the old set or the new one
        _sync_folder(stage)
        if existed:
            _exchange(stage, out, holder / "old")
        else:
            os.rename(stage, out)
        _sync_folder(out.parent)


def _write_synced(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:
        return list(entries)


def _link_foreign(source: Path, target: Path, ours: set[str]) -> None:
    """Make everything that is not ours appear in the target too, without moving it."""
    for entry in _entries(source):
        if entry.name in ours:
            continue
        destination = target / entry.name
        if entry.is_dir(follow_symlinks=False):
            destination.mkdir()
            _link_foreign(Path(entry.path), destination, set())
            shutil.copystat(entry.path, destination)
        elif entry.is_symlink():
            destination.symlink_to(os.readlink(entry.path))
        else:
            _link_or_copy(entry.path, destination)


def _link_or_copy(source: str, destination: Path) -> None:
    try:
        os.link(source, destination)
    except OSError as error:
        # file systems without hard links, and files of others under protected_hardlinks
        if error.errno not in {errno.EPERM, errno.ENOTSUP, errno.EMLINK, errno.ENOSYS}:
            raise
        shutil.copy2(source, destination)


def _bring_latecomers(old: Path, out: Path, ours: set[str]) -> None:
    """Move what appeared in the old folder while the new one was staged."""
    for entry in _entries(old):
        destination = out / entry.name
        # whatever came there meanwhile wins over what was left behind
        if entry.name not in ours and not os.path.lexists(destination):
            os.rename(entry.path, destination)


def _exchange(stage: Path, out: Path, aside: Path) -> None:
    """Exchange two folders in one step; where the system cannot, by two renames."""
    try:
        _rename_exchange(stage, out)
    except OSError as error:
        if error.errno not in _NO_EXCHANGE:
            raise
        # a run that is killed between the two is set right by the next: _recover
        os.rename(out, aside)
        os.rename(stage, out)


def _rename_exchange(first: Path, second: Path) -> None:
    """Call ``renameat2(…, RENAME_EXCHANGE)``; ``OSError`` ENOSYS where the C library lacks it."""
    library = ctypes.CDLL(None, use_errno=True)
    # not in the C libraries of all systems
    call = getattr(library, "renameat2", None)
    if call is None:
        raise OSError(errno.ENOSYS, "no renameat2")
    paths = (os.fsencode(first), os.fsencode(second))
    if call(_AT_FDCWD, paths[0], _AT_FDCWD, paths[1], _RENAME_EXCHANGE) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), str(second))


def _recover(out: Path, ours: set[str]) -> None:
    """Clear what a killed run left beside the output, and undo a pair of renames cut short."""
    for entry in _entries(out.parent):
        # a user's own folder of such a name holds other things, and a pipe is never opened
        if not entry.name.startswith(_prefix(out)) or not entry.is_dir(follow_symlinks=False):
            continue
        descriptor = _open_folder(Path(entry))
        if descriptor is None:
            continue
        try:
            # a lock that can be had belongs to a process that is gone
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if {left.name for left in _entries(Path(entry))} <= _STAGED:
                _clear(Path(entry), out, ours)
        except (BlockingIOError, FileNotFoundError):
            # another run is staging there now, or has just done so
            continue
        finally:
            os.close(descriptor)


def _open_folder(folder: Path) -> int | None:
    """Open a folder and no link; None where another run has just taken it away."""
    try:
        return os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except FileNotFoundError:
        return None


def _clear(holder: Path, out: Path, ours: set[str]) -> None:
    """Remove a staging folder once nothing in it is the only copy of anything."""
    old = holder / "old"
    # killed between two renames: the old folder goes back
    if old.is_dir() and not out.exists():
        os.rename(old, out)
    for left in (old, holder / "set"):
        if left.is_dir() and out.is_dir():
            _bring_latecomers(left, out, ours)
    # what cannot be removed now is tried again by the next run
    shutil.rmtree(holder, ignore_errors=True)
