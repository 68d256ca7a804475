"""Files of a site folder as text: regular, small, UTF-8, or a fault that names the cure."""

from __future__ import annotations

import codecs
import os
import stat
from pathlib import Path
from typing import BinaryIO

from .._errors import Fault
from .._printable import odd_character
from ._report import Report

MOST_BYTES = 20_000_000
_SAVE_UTF8 = (
    "save it as UTF-8 (spreadsheet: Save as › CSV UTF-8; editor: Save as › Encoding › UTF-8)."
)


def is_inside(path: Path, folder: Path) -> bool:
    """Tell whether a path, with all links followed, stays in a folder."""
    return path.resolve().is_relative_to(folder.resolve())


def open_ordinary(path: Path) -> BinaryIO | None:
    """Open an ordinary file for reading; None for a folder, a pipe, a device, without waiting.

    Raises ``OSError`` where it cannot be opened.
    """
    if not stat.S_ISREG(path.stat().st_mode):
        return None  # some devices act on being opened
    # what took its place since is opened without waiting, and found out
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    if stat.S_ISREG(os.fstat(descriptor).st_mode):
        return os.fdopen(descriptor, "rb")
    os.close(descriptor)
    return None


def read_text(path: Path, report: Report, *, folder: Path) -> str | None:
    """Give a file's text without byte order mark, or None with the fault gathered."""

    def fault(code: str, reason: str, remedy: str) -> None:
        report.add(Fault(code, path.name, None, "file", "", reason, remedy))

    try:
        if not is_inside(path, folder):
            fault(
                "path-outside",
                "This is a link to a place outside the site folder.",
                "copy the file itself into the site folder.",
            )
            return None
        file = open_ordinary(path)
        if file is None:
            fault("not-a-file", "This is not an ordinary file.", "put a text file in its place.")
            return None
        with file:
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            fault(
                "file-too-big",
                f"The file has more than {MOST_BYTES // 1_000_000} MB, which is the most.",
                "check that it is the right file, and take out what is not of this site.",
            )
            return None
    except FileNotFoundError:
        fault("file-missing", "There is no such file in the site folder.",
              "make it, or begin with 'sitegis start' for a blank folder.")  # fmt: skip
        return None
    except (OSError, RuntimeError) as error:
        # RuntimeError: pathlib's word for a loop of links
        fault("file-unreadable", f"The file cannot be read ({error}).", "check its permissions.")
        return None
    return _decode(raw, fault)


def _decode(raw: bytes, fault: object) -> str | None:
    """Decode UTF-8 strictly; name the encodings that trade software writes instead."""
    assert callable(fault)
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or raw[1:2] == b"\0":
        fault("encoding", "The file is in UTF-16, not UTF-8.", _SAVE_UTF8)
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        fault(
            "encoding",
            f"The file is not in UTF-8 (line {line}); it looks like Windows-1252 or Latin-1.",
            _SAVE_UTF8,
        )
        return None
    if "\0" in text:
        fault("file-not-text", "The file holds zero bytes: it is no text.", "save it as text.")
        return None
    if odd := odd_character(text):
        before = text[: text.index(chr(int(odd[2:], 16)))]
        fault(
            "text-unprintable",
            f"Line {before.count(chr(10)) + 1} holds the character {odd}, which is no text.",
            "delete it there: type the text anew, or paste it as plain text.",
        )
        return None
    if not text.strip():
        fault("file-empty", "The file is empty.", "fill it in, or restore it.")
        return None
    return text
