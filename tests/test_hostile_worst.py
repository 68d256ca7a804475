"""The worst ordinary file of each kind below 5 MB ends within 20 s of computing and 1 GiB.

The system counts both for a process of its own, so that a busy machine changes nothing. What
such a folder ends in (an answer or a fault) is not asked here, only that it is one of the two.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import fiona
import numpy as np
import pyproj
import pytest
import shapely

from tests.hardness.corpus import FIXTURES
from tests.hardness.limited import run_limited
from tests.test_hostile_book import ROW, SHEET, book
from tests.test_hostile_layers import features_of

pytestmark = pytest.mark.statistical
BY_NAME = {folder.name: folder for folder in FIXTURES}
MOST_BYTES = 5_000_000


def write_items(site: Path, items: list[str]) -> None:
    """Add items to site.toml."""
    with (site / "site.toml").open("a") as file:
        file.write("\n" + "\n".join(items))


def first(site: Path, table: str, key: str) -> str:
    """Return a value of the first item of a table."""
    text = (site / "site.toml").read_text("utf-8").partition(f"[[{table}]]")[2]
    return re.search(rf'(?m)^{key} = "([^"]+)"', text)[1]


def mains(site: Path) -> None:
    street = first(site, "street", "name")
    write_items(
        site,
        [
            f"[[main]]\nid='m{n}'\nstreet='{street}'\noffset='{20 + n / 100} ft'\ndepth='8 ft'"
            for n in range(45)
        ],
    )


def rooms(site: Path) -> None:
    text = (site / "site.toml").read_text("utf-8")
    block = "[[room]]" + text.partition("[[room]]")[2].partition("\n\n")[0]
    write_items(site, [re.sub('id = ".*"', f'id = "r{n}"', block, count=1) for n in range(190)])


def finds(site: Path) -> None:
    write_items(
        site,
        [
            f"[[evidence]]\nkind='outdoor_locate'\nx='{10 + n / 10} ft'\ny='-5 ft'"
            for n in range(190)
        ],
    )


def no_dig_areas(site: Path) -> None:
    draw = random.Random(1)
    items = []
    for n in range(190):
        points = [
            [round(draw.uniform(0, 40), 2), round(draw.uniform(0, 80), 2)] for _ in range(900)
        ]
        items.append(f"[[keep_out]]\nid='k{n}'\nkind='gas'\nclearance='1 ft'\npoints={points}")
    write_items(site, items)


def points(site: Path) -> None:
    path = site / "locates.csv"
    lines = path.read_text("utf-8").splitlines()
    marks = [line for line in lines if ",locate," in line]
    more = [f"X{n}," + marks[n % len(marks)].partition(",")[2] for n in range(285)]
    path.write_text("\n".join(lines + more) + "\n", "utf-8")


def rows_without_end(site: Path) -> None:
    with (site / "ties.csv").open("a") as file:
        file.write("A,B,1 ft,\n" * 480_000)


def one_long_text(site: Path) -> None:
    write_items(site, [f"# {'x' * 4_800_000}"])


def many_keys(site: Path) -> None:
    write_items(site, [f"[x{n}]\na=1" for n in range(300_000)])


def cells(site: Path) -> None:
    for path in site.glob("*.*"):
        path.unlink()
    with (
        zipfile.ZipFile(book(site / "plain.zip")) as old,
        zipfile.ZipFile(site / "fieldbook.xlsx", "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for kept in old.infolist():
            if kept.filename != SHEET:
                new.writestr(kept, old.read(kept))
        row = "<row>" + "<c><v>1</v></c>" * 60 + "</row>"
        sheet = ROW.removesuffix("<row>") + row * 6600 + "</sheetData></worksheet>"
        new.writestr(SHEET, sheet)


def main_layer(site: Path, name: str, text: str | None = None) -> Path:
    """Let every main come from another file, and write it if it is given."""
    path = site / "layers" / name
    toml = (site / "site.toml").read_text("utf-8")
    old = 'layer = "layers/town.gpkg"\nlayer_name = "mains"'
    assert old in toml
    named = f'layer = "layers/{name}"' + '\nlayer_name = "mains"' * name.endswith(".gpkg")
    (site / "site.toml").write_text(toml.replace(old, named), "utf-8")
    if text is not None:
        path.write_text(text, "utf-8")
    return path


def drawn_mains(site: Path, count: int, wave_ft: float) -> None:
    """Write the mains again with more vertices, waved from side to side."""
    with fiona.open(site / "layers" / "town.gpkg", layer="mains") as layer:
        kept, schema, crs = list(layer), layer.schema, layer.crs
    made = []
    for row in kept:
        line = shapely.geometry.shape(row.geometry)
        along = np.linspace(0.0, 1.0, count)
        xy = shapely.get_coordinates(shapely.line_interpolate_point(line, along, normalized=True))
        xy += wave_ft * np.random.default_rng(1).uniform(-1, 1, xy.shape)
        shape = shapely.geometry.mapping(shapely.LineString(xy))
        made.append({"geometry": shape, "properties": dict(row.properties)})
    path = main_layer(site, "mains.gpkg")
    with fiona.open(path, "w", driver="GPKG", layer="mains", schema=schema, crs=crs) as layer:
        layer.writerecords(made)


def smooth_mains(site: Path) -> None:
    drawn_mains(site, 8000, 0.0)


def rough_mains(site: Path) -> None:
    drawn_mains(site, 900, 1.0)


def empty_rows(site: Path) -> None:
    path = main_layer(site, "mains.gpkg")
    shutil.copy(site / "layers" / "town.gpkg", path)
    with closing(sqlite3.connect(path)) as database, database:
        for (name,) in database.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            database.execute(f"DROP TRIGGER {name}")
        database.execute("ALTER TABLE mains DROP COLUMN main_id")
        database.execute("ALTER TABLE mains ADD COLUMN main_id REAL")
        database.execute(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n LIMIT"
            " 330000) INSERT INTO mains (diameter_in) SELECT NULL FROM n"
        )


def many_features(site: Path) -> None:
    empty = '{"type":"Feature","properties":{},"geometry":null},'
    text = features_of([{"main_id": "x"}])
    main_layer(
        site, "m.geojson", text.replace('[{"type": "F', "[" + empty * 92_000 + '{"type": "F')
    )


def empty_arrays(site: Path) -> None:
    text = features_of([{"main_id": "x"}])
    main_layer(site, "m.geojson", text[:-1] + ', "x": [' + "[]," * 1_600_000 + "0]}")


def deep_arrays(site: Path) -> None:
    main_layer(site, "m.geojson", "[" * 2_400_000 + "]" * 2_400_000)


def one_long_line(site: Path) -> None:
    line = [[round(-87.5 + n * 1e-7, 7), 41.2] for n in range(180_000)]
    shape = {"type": "LineString", "coordinates": line}
    rows = [{"type": "Feature", "properties": {"main_id": "front-main"}, "geometry": shape}]
    text = json.dumps({"type": "FeatureCollection", "features": rows})
    main_layer(site, "m.geojson", text)


def long_shape(site: Path) -> None:
    """One main of 300,000 vertices in a shapefile of 4.8 MB."""
    line = [(-87.5 + n * 1e-8, 41.2) for n in range(300_000)]
    schema = {"geometry": "LineString", "properties": {"main_id": "str:12"}}
    rows = [
        {
            "geometry": {"type": "LineString", "coordinates": line},
            "properties": {"main_id": "front-main"},
        }
    ]
    path = main_layer(site, "m.shp")
    with fiona.open(path, "w", "ESRI Shapefile", schema=schema, crs="EPSG:4326") as layer:
        layer.writerecords(rows)


def shapes_without_geometry(site: Path) -> None:
    """400,000 rows of nothing, by the layout of the ESRI Shapefile Technical Description (1998)."""
    count = 400_000
    path = main_layer(site, "m.shp")

    def header(of: int) -> bytes:
        return struct.pack(">7i", 9994, 0, 0, 0, 0, 0, of // 2) + struct.pack(
            "<2i8d", 1000, 3, *[0.0] * 8
        )

    shapes = b"".join(struct.pack(">2i", n + 1, 2) + bytes(4) for n in range(count))
    index = b"".join(struct.pack(">2i", 50 + 6 * n, 2) for n in range(count))
    path.write_bytes(header(100 + len(shapes)) + shapes)
    path.with_suffix(".shx").write_bytes(header(100 + len(index)) + index)
    field = b"main_id".ljust(11, b"\0") + b"C" + bytes(4) + bytes([10, 0]) + bytes(14)
    table = struct.pack("<4B I 2H 20x", 3, 126, 1, 1, count, 65, 11) + field + b"\r"
    path.with_suffix(".dbf").write_bytes(table + b" front-main" * count + b"\x1a")
    path.with_suffix(".prj").write_text(pyproj.CRS(26915).to_wkt("WKT1_ESRI"), "utf-8")


TAPED = (mains, rooms, finds, no_dig_areas, points, rows_without_end, one_long_text, many_keys,
         cells)  # fmt: skip
LAYERED = (smooth_mains, rough_mains, empty_rows, many_features, empty_arrays, deep_arrays,
           one_long_line, long_shape, shapes_without_geometry)  # fmt: skip


@pytest.mark.parametrize(
    ("fixture", "spoil"),
    [*(("tape-only", s) for s in TAPED), *(("corner-lot-alley", s) for s in LAYERED)],
)
def test_the_worst_of_a_kind_ends_in_time(
    fixture: str, spoil: Callable[[Path], None], tmp_path: Path
) -> None:
    """An answer or a fault, within the limits, and never a traceback."""
    site = Path(shutil.copytree(BY_NAME[fixture], tmp_path / "site"))
    spoil(site)
    assert max(path.stat().st_size for path in site.rglob("*")) < MOST_BYTES * 1.1
    done = run_limited("run", site, "--out", tmp_path / "out")
    assert done.returncode in (0, 1, 2), (done.returncode, done.stderr[-2000:])
    assert "Traceback" not in done.stderr
