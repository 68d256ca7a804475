"""Pipes, devices and other people's folders where sitegis reads and writes."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from sitegis.city.assemble import check_output
from sitegis.city.read import read_city
from sitegis.city.work_folder import MANIFEST, chunk_path, reopen, work_folder
from sitegis.messages.errors import BadInput, CannotWrite
from sitegis.read import read_site
from sitegis.write.atomic import place_set
from tests.hardness.corpus import FIXTURES

TAPED = {folder.name: folder for folder in FIXTURES}["tape-only"]
SET = {"answer.json": b"new", "map.html": b"new"}


def content(folder: Path) -> dict[str, bytes | None]:
    """What lies under a folder: the bytes of files, None for all else."""
    return {
        str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None
        for p in sorted(folder.rglob("*"))
    }


@pytest.mark.parametrize("name", ["site.toml", "locates.csv", "ties.csv", "fieldbook.xlsx"])
@pytest.mark.parametrize("kind", ["pipe", "device", "folder"])
def test_only_ordinary_files_are_read(name: str, kind: str, tmp_path: Path) -> None:
    """A pipe would wait for ever, a device give without end; each is a fault with a remedy."""
    site = Path(shutil.copytree(TAPED, tmp_path / "site"))
    path = site / name
    for other in [path] if name != "fieldbook.xlsx" else site.glob("*.*"):
        other.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        make_zero(path)
    with pytest.raises(BadInput) as caught:
        read_site(site)
    assert "not-a-file" in {fault.code for fault in caught.value.faults}


def make_zero(path: Path) -> None:
    """Make a device that gives zeros without end, where this user may."""
    try:
        os.mknod(path, 0o600 | 0o020000, os.makedev(1, 5))
    except PermissionError:
        pytest.skip("this user may not make devices")


def test_a_city_is_an_ordinary_file(tmp_path: Path) -> None:
    """So is CITY.toml."""
    os.mkfifo(tmp_path / "CITY.toml")
    with pytest.raises(BadInput, match="not an ordinary file"):
        read_city(tmp_path / "CITY.toml")


def test_pipes_named_like_a_staging_folder_are_left_alone(tmp_path: Path) -> None:
    """Beside the output: a pipe, a link and a user's own folder of such names all stay."""
    out = tmp_path / "out"
    os.mkfifo(tmp_path / ".out.sitegis-pipe")
    (tmp_path / ".out.sitegis-link").symlink_to("/dev/zero")
    (tmp_path / ".out.sitegis-mine").mkdir()
    (tmp_path / ".out.sitegis-mine" / "letter").write_text("keep me")
    before = content(tmp_path)
    place_set(SET, out)
    place_set(SET, out)
    shutil.rmtree(out)
    assert content(tmp_path) == before


def test_what_a_killed_run_left_is_still_cleared(tmp_path: Path) -> None:
    """A staging folder of ours that nobody holds goes; one of another output's name stays."""
    for name in (".out.sitegis-a1", ".out2.sitegis-a1"):
        (tmp_path / name / "set").mkdir(parents=True)
        (tmp_path / name / "set" / "map.html").write_bytes(b"half")
    place_set(SET, tmp_path / "out")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".out2.sitegis-a1", "out"]


@pytest.mark.parametrize("name", ["out[1]", "*", "a?"])
def test_an_output_may_have_any_name(name: str, tmp_path: Path) -> None:
    """Signs that a shell reads as patterns name no other output's folder."""
    (tmp_path / ".other.sitegis-x" / "set").mkdir(parents=True)
    (tmp_path / f".{name}.sitegis-x" / "set").mkdir(parents=True)
    place_set(SET, tmp_path / name)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([".other.sitegis-x", name])


@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_nobodys_folder_is_replaced_by_an_output(kind: str, tmp_path: Path) -> None:
    """What has an output's name and is no file is refused, with all that it holds."""
    out = tmp_path / "out"
    place_set(SET, out)
    (out / "map.html").unlink()
    if kind == "folder":
        (out / "map.html").mkdir()
        (out / "map.html" / "letter").write_text("keep me")
    else:
        os.mkfifo(out / "map.html")
    before = content(tmp_path)
    with pytest.raises(CannotWrite, match=r"map\.html"):
        place_set({"answer.json": b"newer", "map.html": b"newer"}, out)
    assert content(tmp_path) == before


def test_nobodys_folder_is_replaced_by_a_city(tmp_path: Path) -> None:
    """A folder named like GeoParquet is replaced only where every file in it is a layer."""
    out = tmp_path / "town.parquet"
    out.mkdir()
    check_output(out)
    (out / "lots.parquet").write_bytes(b"earlier")
    check_output(out)
    (out / "letter").write_text("keep me")
    with pytest.raises(CannotWrite, match="letter"):
        check_output(out)
    (out / "letter").unlink()
    (out / "lots.parquet").unlink()
    (out / "lots.parquet").mkdir()
    with pytest.raises(CannotWrite, match=r"lots\.parquet"):
        check_output(out)
    os.mkfifo(tmp_path / "town.gpkg")
    with pytest.raises(CannotWrite, match="no earlier output"):
        check_output(tmp_path / "town.gpkg")


def test_pipes_in_a_work_folder_are_not_opened(tmp_path: Path) -> None:
    """In place of the manifest or of a chunk they count as not there."""
    with work_folder(tmp_path / "town.gpkg") as folder:
        os.mkfifo(folder / MANIFEST)
        assert reopen(folder, "inputs", 2) == []
        os.mkfifo(chunk_path(folder, 0))
        assert reopen(folder, "inputs", 2) == []
    shutil.rmtree(folder)
    os.mkfifo(folder)
    with pytest.raises(CannotWrite), work_folder(tmp_path / "town.gpkg"):
        pass
