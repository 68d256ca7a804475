"""Layers that are programs, or that grow while they are read, are refused by what they say."""

from __future__ import annotations

import json
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import fiona
import pytest
import shapely
from pyproj import CRS

from sitegis.city.read import read_city
from sitegis.messages.errors import BadInput
from sitegis.read.faults import Report
from sitegis.read.layers import apart
from sitegis.read.layers import features as _layers
from sitegis.read.layers.features import Layers
from tests.hardness.corpus import FIXTURES

pytestmark = pytest.mark.adverse

TOWN = {folder.name: folder for folder in FIXTURES}["corner-lot-alley"] / "layers" / "town.gpkg"
ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"
SHAPE = "(SELECT geom FROM parcels LIMIT 1)"
CONTENTS = (
    "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id)"
    " VALUES ('odd', 'features', 'odd', 3435)"
)
GEOMETRY = "INSERT INTO gpkg_geometry_columns VALUES ('odd', 'geom', 'POLYGON', 3435, 0, 0)"
ODD = {
    "endless": (f"CREATE VIEW odd AS {ENDLESS} SELECT i AS fid, {SHAPE} AS geom, 'x' AS parcel_id"
                " FROM n WHERE i < 0",),
    "product": (f"CREATE VIEW odd AS {ENDLESS}, m AS (SELECT i FROM n LIMIT 100000) SELECT"
                f" a.i AS fid, {SHAPE} AS geom, 'x' AS parcel_id FROM m a, m b, m c"
                " WHERE a.i + b.i = -c.i",),
    "generated": ("CREATE TABLE odd (fid INTEGER PRIMARY KEY, geom POLYGON)",
                  f"INSERT INTO odd (geom) SELECT {SHAPE}",
                  "ALTER TABLE odd ADD COLUMN parcel_id TEXT AS (hex(zeroblob(450000000)))"),
    "virtual": ("CREATE VIRTUAL TABLE odd USING fts5(geom, parcel_id)",
                f"INSERT INTO odd SELECT {SHAPE}, 'x'"),
}  # fmt: skip


def spoiled(path: Path, *statements: str) -> Path:
    """Copy the invented town and work on its database as a stranger might."""
    shutil.copy(TOWN, path)
    database = sqlite3.connect(path)
    for statement in statements:
        database.execute(statement)
    database.commit()
    database.close()
    return path


def read(folder: Path, name: str, layer: str | None, identifier: str | None = "x") -> Report:
    """Read a layer of a file in a folder."""
    report = Report()
    reference = Reference(name, layer, "parcel_id")
    Layers(folder, report).features(reference, "lot", wanted="area", identifier=identifier)
    return report


class Reference:
    """A layer as a site names it."""

    def __init__(self, layer: str, layer_name: str | None, id_field: str | None) -> None:
        self.layer, self.layer_name, self.id_field = layer, layer_name, id_field


@pytest.mark.parametrize("kind", ODD)
def test_a_layer_that_computes_is_refused(kind: str, tmp_path: Path) -> None:
    """None of them is read: the first two would run for ever, the third take two gigabytes."""
    spoiled(tmp_path / "odd.gpkg", *ODD[kind], CONTENTS, GEOMETRY)
    report = read(tmp_path, "odd.gpkg", "odd")
    assert [fault.code for fault in report.faults] == ["layer-computed"]
    assert "table" in report.faults[0].remedy


@pytest.mark.parametrize("kind", ["endless", "product", "virtual"])
def test_a_view_that_is_not_asked_for_harms_nobody(kind: str, tmp_path: Path) -> None:
    """The file's other layers are read; the endless view beside them never runs."""
    spoiled(tmp_path / "odd.gpkg", *ODD[kind], CONTENTS, GEOMETRY)
    report = read(tmp_path, "odd.gpkg", "parcels", None)
    assert not report.faults


@pytest.mark.parametrize("name", ["gpkg_extensions", "gpkg_ogr_contents", "rtree_parcels_geom"])
def test_no_table_of_the_format_is_a_view(name: str, tmp_path: Path) -> None:
    """GDAL looks into these whichever layer is asked for; one without end is refused."""
    columns = {
        "gpkg_extensions": "'parcels' AS table_name, 'geom' AS column_name, 'x' AS"
        " extension_name, '' AS definition, '' AS scope"
    }
    listed = columns.get(name, "i AS id, i AS minx, i AS maxx, i AS miny, i AS maxy")
    view = f"CREATE VIEW {name} AS {ENDLESS} SELECT {listed} FROM n WHERE i < 0"
    spoiled(tmp_path / "odd.gpkg", f"DROP TABLE {name}", view)
    report = read(tmp_path, "odd.gpkg", "parcels", None)
    assert [fault.code for fault in report.faults] == ["layer-computed"]


def test_reading_fires_no_trigger_and_changes_no_byte(tmp_path: Path) -> None:
    """Triggers on every table of the format, as hostile ones would be, leave the file as it was."""
    tables = ("parcels", "gpkg_contents", "gpkg_ogr_contents", "gpkg_extensions")
    events = ("INSERT", "UPDATE", "DELETE")
    path = spoiled(
        tmp_path / "odd.gpkg",
        *(
            f"CREATE TRIGGER odd_{table}_{event} AFTER {event} ON {table} "
            "BEGIN DELETE FROM buildings; END"
            for table in tables
            for event in events
        ),
    )
    before = path.read_bytes()
    assert not read(tmp_path, "odd.gpkg", "parcels", None).faults
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["odd.gpkg"]


def test_a_check_that_computes_is_not_run(tmp_path: Path) -> None:
    """A CHECK that would take two gigabytes for each row is not looked at."""
    check = "CREATE TABLE odd (a CHECK (length(hex(zeroblob(450000000 + a))) > a))"
    path = spoiled(
        tmp_path / "odd.gpkg",
        check,
        "PRAGMA ignore_check_constraints = ON",
        "INSERT INTO odd VALUES (1), (2), (3)",
    )
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert not read(path.parent, "odd.gpkg", "parcels", None).faults
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000  # kB


def test_a_spatial_index_stays_welcome() -> None:
    """The invented town has what every GeoPackage has: an index, triggers, a layer by name."""
    with closing(sqlite3.connect(TOWN)) as database, database:
        kinds = dict(database.execute("SELECT type, count(*) FROM sqlite_master GROUP BY type"))
        (virtual,) = database.execute(
            "SELECT count(*) FROM sqlite_master WHERE sql LIKE 'CREATE VIRTUAL TABLE%rtree%'"
        ).fetchone()
    assert kinds["trigger"] > 40
    assert virtual == 5
    report = Report()
    found = Layers(TOWN.parent, report).features(
        Reference("town.gpkg", "parcels", "parcel_id"), "lot", wanted="area"
    )
    assert (len(found), report.faults) == (2, [])


def features_of(properties: list[dict[str, object]]) -> str:
    """Write a GeoJSON of features with these properties."""
    ring = [[-87.5, 41.2], [-87.49, 41.2], [-87.49, 41.21], [-87.5, 41.2]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    rows = [{"type": "Feature", "properties": p, "geometry": shape} for p in properties]
    return json.dumps({"type": "FeatureCollection", "features": rows})


@pytest.mark.parametrize("bare", [False, True])
def test_ten_thousand_properties_are_refused(bare: bool, tmp_path: Path) -> None:
    """As properties, or as members of a feature without any, which GDAL takes for the same."""
    text = features_of([{f"p{n}": n for n in range(10_000)}])
    if bare:
        text = text.replace('"properties": {', "").replace('}, "geometry"', ', "geometry"')
        assert len(json.loads(text)["features"][0]) == 10_002
    (tmp_path / "a.geojson").write_text(text)
    assert [f.code for f in read(tmp_path, "a.geojson", None).faults] == ["too-many-columns"]


def test_a_thousand_properties_in_one_of_many_features_are_refused(tmp_path: Path) -> None:
    """GDAL would give every feature every column: 20 million cells of half a megabyte."""
    wide = [{f"p{n}": 1 for n in range(900)}]
    text = features_of(wide + [{}] * 5)
    empty = '{"type": "Feature", "properties": {}, "geometry": null}, '
    text = text.replace('"features": [', '"features": [' + empty * 20_000)
    (tmp_path / "a.geojson").write_text(text)
    assert [f.code for f in read(tmp_path, "a.geojson", None).faults] == ["too-many-columns"]


def test_a_layer_with_many_written_columns_is_read(tmp_path: Path) -> None:
    """An ordinary export with 200 columns stays welcome."""
    rows = [{"parcel_id": str(row)} | {f"p{n}": n for n in range(200)} for row in range(50)]
    (tmp_path / "a.geojson").write_text(features_of(rows))
    assert not read(tmp_path, "a.geojson", None, "7").faults


@pytest.mark.parametrize("name", ["town.shp", "town.gpkg", "town.geojson"])
def test_a_pipe_beside_a_layer_is_not_opened(name: str, tmp_path: Path) -> None:
    """Whatever ending it has: were it opened, the run would wait for ever."""
    write_layer(tmp_path / name, 1)
    for ending in ("dbf", "prj", "cpg", "qix", "gpkg-wal", "gpkg-journal", "gfs", "shp.xml"):
        pipe = tmp_path / f"town.{ending}"
        kept = pipe.read_bytes() if pipe.exists() else None
        pipe.unlink(missing_ok=True)
        os.mkfifo(pipe)
        assert [f.code for f in read(tmp_path, name, None).faults] == ["not-a-file"], ending
        pipe.unlink()
        if kept is not None:
            pipe.write_bytes(kept)
    assert not read(tmp_path, name, None, "INV-0").faults


def write_layer(path: Path, rows: int) -> None:
    """Write invented parcels by GDAL."""
    driver = _layers.DRIVERS[path.suffix]
    schema = {"geometry": "Polygon", "properties": {"parcel_id": "str", "note": "str"}}
    crs = "EPSG:4326" if driver == "GeoJSON" else "EPSG:26916"
    with fiona.open(path, "w", driver=driver, schema=schema, crs=crs) as layer:
        layer.writerecords(
            {
                "geometry": shapely.geometry.mapping(shapely.box(n % 90, 0, n % 90 + 1, 1)),
                "properties": {"parcel_id": f"INV-{n}", "note": "invented " * 5},
            }
            for n in range(rows)
        )


@pytest.mark.parametrize("name", ["town.shp", "town.gpkg", "town.geojson"])
def test_a_large_layer_is_read_alike_in_another_process(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the other process gives is what this one would read, faults included."""
    write_layer(tmp_path / name, 40)
    answers = []
    for large in (_layers.LARGE_BYTES, 1):
        monkeypatch.setattr(_layers, "LARGE_BYTES", large)
        report = Report()
        layers = Layers(tmp_path, report)
        reference = Reference(name, None, "parcel_id")
        found = layers.features(reference, "lot", wanted="area", identifier="INV-7")
        whole = layers.features(reference, "lot", wanted="area") if name == "town.gpkg" else []
        layers.features(reference, "lot", wanted="area", identifier="INV-99")
        answers.append(
            (
                [f.shape.wkb for f in (*found, *whole)],
                [f.attributes for f in (*found, *whole)],
                [CRS(f.crs).to_wkt() for f in found],
                report.faults,
            )
        )
    assert answers[0] == answers[1]
    assert len(answers[0][0]) == (41 if name == "town.gpkg" else 1)
    assert [fault.code for fault in answers[0][3]] == ["feature-missing"]


NOW = "int(open('/proc/self/statm').read().split()[0]) * 4096"


@pytest.mark.parametrize("limit", ["MOST_CPU_S = 0", f"MOST_MEMORY_BYTES = {NOW} + 2**26"])
def test_the_death_of_that_process_is_a_fault(
    limit: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit of time ends it; past that of memory GDAL gives a row without its value.

    Either way nothing is taken from the layer and the user is told what to do.
    """
    write_layer(tmp_path / "town.gpkg", 3)
    large = "UPDATE town SET note = zeroblob(100000000) WHERE parcel_id = 'INV-1'"
    with closing(sqlite3.connect(tmp_path / "town.gpkg")) as database, database:
        named = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        for (trigger,) in database.execute(named).fetchall():
            database.execute(f"DROP TRIGGER {trigger}")
        database.execute(large)
    (tmp_path / "limited.py").write_text(
        f"import sys\nfrom sitegis.read import _layer_child as child\nchild.{limit}\n"
        "child.main(sys.argv[1])\n"
    )
    monkeypatch.setattr(apart, "CHILD", "limited")
    monkeypatch.syspath_prepend(tmp_path)
    report = read(tmp_path, "town.gpkg", None, "INV-1")
    assert [fault.code for fault in report.faults] == ["layer-too-heavy"]
    assert "block around the lot" in report.faults[0].remedy


def test_no_process_is_started_for_an_ordinary_site() -> None:
    """What reading a small site imports: neither multiprocessing nor the other process's part."""
    code = "import sys, pathlib; from sitegis.read import read_site"
    code += "; read_site(pathlib.Path(sys.argv[1]))"
    odd = ("multiprocessing", "sitegis.read.layers.apart", "sitegis.read.layers.child")
    listed = f"print([m for m in {odd} if m in sys.modules])"
    command = [sys.executable, "-c", f"{code}; {listed}", str(TOWN.parent.parent)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("kind", ["endless", "generated"])
def test_a_city_reads_no_layer_that_computes(kind: str, tmp_path: Path) -> None:
    """The same holds for the layers that CITY.toml names."""
    spoiled(tmp_path / "odd.gpkg", *ODD[kind], CONTENTS, GEOMETRY)
    named = {"parcels": "id", "buildings": "", "streets": "", "mains": "id"}
    text = '[city]\nname = "Invented"\nrule_set = "us-ipc"\n'
    for name, key in named.items():
        text += f'[{name}]\nlayer = "odd.gpkg"\nlayer_name = "odd"\n' + f'{key} = "fid"\n' * bool(
            key
        )
    (tmp_path / "CITY.toml").write_text(text, "utf-8")
    with pytest.raises(BadInput) as caught:
        read_city(tmp_path / "CITY.toml")
    codes = [fault.code for fault in caught.value.faults]
    assert codes == ["layer-computed"] * 4, caught.value
