"""The work folder beside the output: a manifest and one file a chunk, so that nothing is lost."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import zipfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from .. import __version__
from ..messages.errors import CannotWrite
from .tables import load_tables, write_whole

MANIFEST = "manifest.json"
SCHEMA = 1


def hash_inputs(paths: tuple[Path, ...], sites: Path | None) -> str:
    """Return the SHA-256 of everything that the answer rests on: files, site folders, version.

    Parameters
    ----------
    paths
        Files.
    sites
        Folder of the site folders, None without any.

    Returns
    -------
    str
        The digest in hex.
    """
    digest = hashlib.sha256(f"sitegis {__version__} city {SCHEMA}".encode())
    under = sorted(p for p in sites.rglob("*") if p.is_file()) if sites is not None else []
    for path in (*paths, *under):
        digest.update(f"\0{path.name}\0{path.stat().st_size}\0".encode())
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()


def data_date(paths: tuple[Path, ...]) -> str:
    """Return the date (UTC, ISO 8601) on outputs: SOURCE_DATE_EPOCH, else the newest input's.

    The same inputs give the same bytes whenever and wherever they are worked on.
    """
    given = os.environ.get("SOURCE_DATE_EPOCH", "")
    seconds = int(given) if given.isdecimal() else max(path.stat().st_mtime for path in paths)
    return datetime.fromtimestamp(seconds, UTC).date().isoformat()


@contextlib.contextmanager
def work_folder(out: Path) -> Iterator[Path]:
    """Make or reopen the work folder of an output; ``CannotWrite`` while another run holds it."""
    folder = out.parent / f"{out.name}.work"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        raise CannotWrite(f"{folder}: {error.strerror}.") from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield folder
    except BlockingIOError:
        raise CannotWrite(f"Another run is working on {out} (its folder {folder.name}).") from None
    finally:
        os.close(descriptor)


def reopen(folder: Path, inputs: str, chunks: int) -> list[int]:
    """Return the chunks that are done already; those of other inputs are removed first.

    Parameters
    ----------
    folder
        The work folder.
    inputs
        Digest of the inputs.
    chunks
        Number of chunks.

    Returns
    -------
    list[int]
        Numbers of the chunks.
    """
    manifest = {"schema": SCHEMA, "inputs": inputs, "chunks": chunks}
    path = folder / MANIFEST
    if not _is_of(path, manifest):
        _clear(folder)
        write_whole(path, json.dumps(manifest, indent=1).encode())
        return []
    for left in folder.glob(".part-*"):
        left.unlink()
    return [number for number in range(chunks) if _is_whole(chunk_path(folder, number))]


def _is_of(path: Path, manifest: dict[str, object]) -> bool:
    """Return whether a manifest is there and says the same."""
    if not path.is_file():
        return False
    try:
        return bool(json.loads(path.read_text("utf-8")) == manifest)
    except (FileNotFoundError, ValueError):
        return False


def _clear(folder: Path) -> None:
    """Remove our own files, and no others."""
    for pattern in (MANIFEST, "chunk-*.npz", ".part-*"):
        for path in folder.glob(pattern):
            path.unlink()


def chunk_path(folder: Path, number: int) -> Path:
    """Name the file of a chunk.

    Parameters
    ----------
    folder
        The work folder.
    number
        Number of the chunk.

    Returns
    -------
    Path
        The file.
    """
    return folder / f"chunk-{number:06d}.npz"


def _is_whole(path: Path) -> bool:
    """Return whether a chunk file is there and can be read."""
    if not path.is_file():
        return False
    try:
        load_tables(path)
    except FileNotFoundError:
        return False
    except (OSError, ValueError, zipfile.BadZipFile):
        path.unlink()
        return False
    return True


def discard(folder: Path) -> None:
    """Remove the work folder once the output is in place; what is not ours stays."""
    _clear(folder)
    if not any(folder.iterdir()):
        folder.rmdir()
