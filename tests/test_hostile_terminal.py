"""Nothing that a stranger wrote reaches a terminal as anything but text; prints tell the truth."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import unicodedata
from contextlib import closing
from pathlib import Path

import pytest

from sitegis.messages.errors import BadInput, Fault
from sitegis.messages.printable import odd_character, printable
from sitegis.read import read_site
from sitegis.read.faults import Report
from sitegis.read.layers.features import Layers
from tests.hardness.corpus import FIXTURES
from tests.test_workbook_faults import form_cell, good_book, spoiled

pytestmark = pytest.mark.adverse

__all__ = ["good_book"]

TAPED = {folder.name: folder for folder in FIXTURES}["tape-only"]
# Clears the screen; sets the title and the clipboard; rings; the same in C1; turns the direction.
SIGNS = ("\x1b[2J", "\x1b]0;owned\x07", "\x1b]52;c;aGk=\x07", "\x08\x08", "\x7f", "\x9b2J", "\x85",
         "\x9d0;owned\x9c", "\u202e", "\u2066", "\u2028")  # fmt: skip


def test_every_sign_that_is_no_text_is_shown_as_an_escape() -> None:
    """Held against Unicode's own categories and direction classes, over all code points."""
    turning = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    for code in range(0x110000):
        sign = chr(code)
        odd = (
            unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp")
            or unicodedata.bidirectional(sign) in turning
        ) and sign not in "\t\n\r"
        assert bool(odd_character(sign)) == odd, hex(code)
    shown = printable("a".join(SIGNS))
    assert shown.isascii()
    assert shown.isprintable()


def spoil(folder: Path, name: str, old: str, new: str) -> Path:
    """Copy the tape-only fixture with one text of a file exchanged."""
    site = Path(shutil.copytree(TAPED, folder / "site"))
    text = (site / name).read_text("utf-8")
    assert old in text
    (site / name).write_text(text.replace(old, new, 1), "utf-8", newline="")
    return site


@pytest.mark.parametrize("sign", SIGNS)
@pytest.mark.parametrize("name", ["site.toml", "locates.csv"])
def test_a_text_file_with_such_a_sign_is_refused(name: str, sign: str, tmp_path: Path) -> None:
    """As it stands in the file; the fault says on which line, and shows none of it."""
    old = 'name = "' if name == "site.toml" else ",slab,"
    site = spoil(tmp_path, name, old, old + sign)
    with pytest.raises(BadInput) as caught:
        read_site(site)
    codes = {fault.code for fault in caught.value.faults}
    # TOML itself forbids control characters that are not written as escapes
    assert "text-unprintable" in codes
    assert printable(str(caught.value)) == str(caught.value)


@pytest.mark.parametrize("sign", SIGNS)
def test_an_escape_in_toml_is_refused_as_well(sign: str, tmp_path: Path) -> None:
    """Written as an escape of TOML it is text until it is parsed."""
    escaped = "".join(f"\\u{ord(c):04x}" for c in sign)
    site = spoil(tmp_path, "site.toml", 'name = "', f'name = "{escaped}')
    with pytest.raises(BadInput) as caught:
        read_site(site)
    assert {fault.code for fault in caught.value.faults} == {"text-unprintable"}
    assert {fault.field for fault in caught.value.faults} == {"site.name"}


def test_a_workbook_with_such_a_sign_is_refused(tmp_path: Path, good_book: bytes) -> None:
    """An override that a spreadsheet shows as nothing is told at its cell."""

    def put(book: object) -> None:
        form_cell(book, "site.name").value = "Invented \u202elot"

    faults = spoiled(tmp_path, good_book, put)
    assert [fault.code for fault in faults] == ["text-unprintable"]


def test_a_layers_text_is_shown_escaped(tmp_path: Path) -> None:
    """What a GIS wrote into a layer cannot be asked of the user: it is shown as escapes."""
    shutil.copy(TAPED.parent / "corner-lot-alley" / "layers" / "town.gpkg", tmp_path)
    with closing(sqlite3.connect(tmp_path / "town.gpkg")) as database, database:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(name, 1, lambda _: 0)
        database.execute("UPDATE manholes SET manhole_id = ?", ("MH\x1b]0;owned\x07",))

    class Reference:
        layer, layer_name, id_field = "town.gpkg", "manholes", None

    found = Layers(tmp_path, Report()).features(Reference(), "main", wanted="point")
    assert {feature.attributes["manhole_id"] for feature in found} == {"MH\\u001b]0;owned\\u0007"}


def run(*arguments: str | Path, code: str = "", **options: object) -> subprocess.CompletedProcess:
    """Run the command line in a process of its own."""
    command = [sys.executable, "-c", code] if code else [sys.executable, "-m", "sitegis"]
    return subprocess.run(
        [*command, *map(str, arguments)],
        check=False,
        stderr=subprocess.PIPE,
        timeout=300,
        **{"stdout": subprocess.PIPE, **options},
    )


def test_no_name_of_a_file_or_option_reaches_the_terminal_raw(tmp_path: Path) -> None:
    """A folder whose name is an escape sequence or no UTF-8, an option that is one."""
    odd = os.fsdecode(os.fsencode(str(tmp_path)) + b"/\x1b]0;owned\x07\xff")
    for arguments in (
        ["check", odd],
        ["start", odd],
        ["start", odd],
        ["check", "--\x1b[2J"],
        ["\x1b[2J"],
        ["run", odd, "--out", odd, "--without", "\x1b[2J"],
        ["city", odd, "--out", "a\x1b[2J"],
    ):
        done = run(*arguments)
        assert done.returncode in (0, 2), (arguments, done)
        assert not re.search(rb"[\x00-\x08\x0b-\x1f\x7f]", done.stdout + done.stderr), arguments


def test_a_full_stdout_is_told_with_the_truth(tmp_path: Path) -> None:
    """All outputs were written: code 3 says that stdout failed, the words say what was done."""
    out = tmp_path / "out"
    with open("/dev/full", "wb") as full:
        done = run("run", TAPED, "--out", out, stdout=full)
        assert (done.returncode, b"written to" in done.stderr) == (3, True), done.stderr
        assert b"othing was written" not in done.stderr
        assert json.loads((out / "answer.json").read_bytes())
        for arguments in (["check", TAPED], ["--help"], ["--version"], ["run", "--help"]):
            done = run(*arguments, stdout=full)
            assert (done.returncode, b"no space left" in done.stderr) == (3, True), done.stderr
            assert b"Traceback" not in done.stderr
            assert b"Exception ignored" not in done.stderr


def test_a_reader_that_leaves_early_changes_no_code(tmp_path: Path) -> None:
    """As with ``sitegis check SITE | head -1``: the same code as without, and no complaint."""
    usual = run("check", TAPED)
    reader, writer = os.pipe()
    os.close(reader)
    done = run("check", TAPED, stdout=writer)
    os.close(writer)
    assert (done.returncode, done.stderr) == (usual.returncode, b"")


def test_a_closed_or_full_stderr_changes_no_code(tmp_path: Path) -> None:
    """The code is all that is left to tell."""
    with open("/dev/full", "wb") as full:
        command = [sys.executable, "-m", "sitegis", "check", str(tmp_path)]
        done = subprocess.run(command, check=False, stdout=subprocess.PIPE, stderr=full)
    assert (done.returncode, done.stdout) == (2, b"")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_that_lacks_letters_gets_escapes(encoding: str) -> None:
    """No letter of a report ends the program."""
    done = run("check", TAPED, env={**os.environ, "PYTHONIOENCODING": encoding})
    assert done.returncode in (0, 1), done.stderr


def test_faults_of_a_library_show_escapes() -> None:
    """Who uses the package from Python prints the error itself."""
    fault = Fault("x", "a\x1b[2J.csv", 1, "id", "\x9b2J", "\u202e", "\x07")
    assert printable(str(BadInput((fault,)))) == str(BadInput((fault,)))
    rows = list(csv.reader(io.StringIO(str(fault))))
    assert len(rows) == 1
