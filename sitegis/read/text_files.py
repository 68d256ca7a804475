"""Files of a site folder as text: regular, small, UTF-8, or a fault that names the cure."""

from __future__ import annotations

import codecs
import os
import stat
from pathlib import Path
from typing import BinaryIO

from ..messages.catalog import fault_of
from ..messages.printable import odd_character
from .faults import Report

MOST_BYTES = 20_000_000


def is_inside(path: Path, folder: Path) -> bool:
    """Return whether a path, with all links followed, stays in a folder.

    Parameters
    ----------
    path
        Path to look at.
    folder
        The site folder.

    Returns
    -------
    bool
        Whether it does.
    """
    return path.resolve().is_relative_to(folder.resolve())


def open_ordinary(path: Path) -> BinaryIO | None:
    """Open an ordinary file for reading; None for a folder, a pipe, a device, without waiting.

    Raises ``OSError`` where it cannot be opened.
    """
    if not stat.S_ISREG(path.stat().st_mode):
        return None  # some devices act on being opened
    # what took its place since is opened without waiting, and found out
    # O_NONBLOCK: opening a pipe would wait for a writer
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    if stat.S_ISREG(os.fstat(descriptor).st_mode):
        return os.fdopen(descriptor, "rb")
    os.close(descriptor)
    return None


def read_text(path: Path, report: Report, *, folder: Path) -> str | None:
    """Return a file's text without byte order mark, or None with the fault gathered.

    Parameters
    ----------
    path
        The file.
    report
        Where faults and notices are gathered.
    folder
        The site folder.

    Returns
    -------
    str | None
        The text, None with the fault gathered.
    """

    def fault(name: str, /, **values: object) -> None:
        report.add(fault_of(name, path.name, None, "file", **values))

    try:
        if not is_inside(path, folder):
            fault("path-outside")
            return None
        file = open_ordinary(path)
        if file is None:
            fault("not-a-file")
            return None
        with file:
            # one byte more than is allowed tells that there is more
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            fault("file-too-big", most_bytes=MOST_BYTES // 1_000_000)
            return None
    except FileNotFoundError:
        fault("file-missing")
        return None
    except (OSError, RuntimeError) as error:
        # RuntimeError: pathlib's word for a loop of links
        fault("file-unreadable", error=error)
        return None
    return _decode(raw, fault)


def _decode(raw: bytes, fault: object) -> str | None:
    """Decode UTF-8 strictly; name the encodings that trade software writes instead."""
    assert callable(fault)
    # a zero as second byte: UTF-16 without its mark
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or raw[1:2] == b"\0":
        fault("encoding:utf-16")
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        fault("encoding", line=line)
        return None
    if "\0" in text:
        fault("file-not-text")
        return None
    if odd := odd_character(text):
        # the odd character is told as U+ and its number
        before = text[: text.index(chr(int(odd[2:], 16)))]
        fault("text-unprintable:line", count=before.count(chr(10)) + 1, odd=odd)
        return None
    if not text.strip():
        fault("file-empty")
        return None
    return text
