"""Mutations of the folder itself: links, pipes, folders in place of files, holes, hostile text."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from random import Random

from .toml_text import places, tree, write_tree

SECRET = "secret-that-no-output-may-show"
NAMES = ("site.toml", "locates.csv", "ties.csv", "layers", "layers/town.gpkg")
HOSTILE = (
    "<script>alert(1)</script>", "</script><img src=x onerror=alert(1)>", "=cmd|'/C calc'!A0",
    "+1+1", "-1+1", "@SUM(A1)", "]]>", "&amp;&#0;", "{\\rtf1}", "%%U %%D", "\\P\\U+0041 ^J",
    "a\u0085b",
    "javascript:alert(1)", "`${1}`", "{{1}}", "'; DROP TABLE x; --", "\U0001f6bd",
    "ﷺ" * 20, "\u202eabc",
    "0\n  0\nENDSEC", "a\\nb",
)  # fmt: skip


def _removed(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def file_replaced(folder: Path, random: Random) -> None:
    """Put something that is no ordinary file in a file's place, or nothing."""
    path = folder / random.choice(NAMES)
    if not path.parent.is_dir():
        return
    _removed(path)
    how = random.randrange(8)
    outside = folder.parent / "outside.txt"
    if how == 0:
        path.mkdir()
    elif how == 1:
        os.mkfifo(path)
    elif how == 2:
        path.symlink_to(path.name)
    elif how == 3:
        outside.write_text(SECRET, "utf-8")
        path.symlink_to(outside)
    elif how == 4:
        path.symlink_to(random.choice(("/dev/zero", "/etc/passwd", "/proc/self/mem", "nowhere")))
    elif how == 5:
        with path.open("wb") as file:
            file.truncate(10**9)
    elif how == 6:
        path.write_bytes(b"")


def texts_hostile(folder: Path, random: Random) -> None:
    """Put hostile text into names and notes, where any text is allowed."""
    value = tree(folder)
    if value is None:
        return
    free = ("name", "note", "surveyed_by", "receiver", "sonde", "surface")
    for path in places(value):
        owner = value
        for key in path[:-1]:
            owner = owner[key]
        named = isinstance(owner[path[-1]], str) and path[-1] in free
        if named and path[0] != "street" and random.random() < 0.7:
            owner[path[-1]] = random.choice(HOSTILE)
    if isinstance(value.get("keep_out"), list) and random.random() < 0.5:
        value["keep_out"].append({"id": random.choice(HOSTILE), "points": [[3, 3]], "note": "x"})
    write_tree(folder, value)


def layer_elsewhere(folder: Path, random: Random) -> None:
    """Name a layer that lies elsewhere, or is no plain file."""
    value = tree(folder)
    if value is None or not isinstance(value.get("lot"), dict):
        return
    value["lot"] = {"id": "1", "id_field": "x", "layer_name": "x", "front_azimuth": 90.0,
                    "layer": random.choice((
        "/etc/passwd", "../outside.gpkg", "layers/../../x.gpkg", "/vsizip/layers/a.zip/x.gpkg",
        "/vsicurl/http://127.0.0.1:9/x.gpkg", "http://127.0.0.1:9/x.geojson", "layers",
        "file:///etc/passwd", "zip://layers/a.zip", "PG:dbname=x", "layers/x.vrt",
        "\\\\host\\x.gpkg",
        "C:\\x.gpkg", "layers/town.gpkg|layername=parcels", "layers/\0.gpkg", "-", "", ".",
        "site.toml", "<OGRVRTDataSource/>", "{\"type\":\"FeatureCollection\",\"features\":[]}",
        "layers/" + "x" * 300 + ".gpkg", "/vsistdin/", "GPKG:layers/town.gpkg:parcels",
    ))}  # fmt: skip
    write_tree(folder, value)


def extra_files(folder: Path, random: Random) -> None:
    """Add files that nobody asked for."""
    (folder / random.choice(("notes.txt", "fieldbook.xlsx", "answer.json", ".hidden"))).write_bytes(
        random.choice((b"PK\3\4", b"", random.randbytes(100)))
    )


MUTATIONS = (
    file_replaced,
    file_replaced,
    texts_hostile,
    texts_hostile,
    layer_elsewhere,
    extra_files,
)
