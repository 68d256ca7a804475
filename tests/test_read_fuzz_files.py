"""A fuzz target a reader: whatever bytes are in a file, features or faults come of it.

The readers of layers work in a forked process, so that a crash in a C library is a failure of
its test and not the end of all.
"""

from __future__ import annotations

import os
import tempfile
import traceback
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import fiona
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from sitegis.city.read import read_city
from sitegis.messages.errors import BadInput
from sitegis.read.faults import Report
from sitegis.read.layers.features import Layers
from sitegis.read.photos import Photo, read_photo
from sitegis.read.workbook.file import read_book
from tests.hardness.corpus import FIXTURES
from tests.test_read_photos import jpeg

pytestmark = pytest.mark.statistical
TOWN = FIXTURES[0].parent / "invented-town" / "CITY.toml"
few = settings(
    deadline=None,
    max_examples=40,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
# places (as shares of the length) where bytes are put over what is there, and where it is cut
spoils = st.tuples(
    st.lists(st.tuples(st.floats(0.0, 1.0), st.binary(min_size=1, max_size=12)), max_size=8),
    st.one_of(st.none(), st.floats(0.0, 1.0)),
)


def spoiled(raw: bytes, spoil: tuple[list[tuple[float, bytes]], float | None]) -> bytes:
    """Write over a file at some places and cut it off at another."""
    content = bytearray(raw)
    for share, piece in spoil[0]:
        at = int(share * max(len(raw) - len(piece), 0))
        content[at : at + len(piece)] = piece
    return bytes(content if spoil[1] is None else content[: int(spoil[1] * len(raw))])


def survives(work: Callable[[], object]) -> None:
    """Do work in a forked process, which may neither die nor raise."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        code = 1
        try:
            work()
            code = 0
        except BaseException:  # noqa: BLE001 whatever it was, the parent tells of it
            os.write(writer, traceback.format_exc()[-4000:].encode())
        finally:
            os._exit(code)
    os.close(writer)
    with open(reader, "rb") as told:
        words = told.read().decode()
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0, words


@pytest.fixture(scope="module")
def layers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write one small layer of each kind by GDAL."""
    folder = tmp_path_factory.mktemp("layers")
    schema = {"geometry": "Polygon", "properties": {"id": "str", "depth": "float"}}
    for name, driver in (("a.gpkg", "GPKG"), ("a.geojson", "GeoJSON"), ("a.shp", "ESRI Shapefile")):
        crs = "EPSG:4326" if driver == "GeoJSON" else "EPSG:26916"
        with fiona.open(folder / name, "w", driver=driver, schema=schema, crs=crs) as layer:
            layer.writerecords(
                {
                    "geometry": shapely.geometry.mapping(shapely.box(n, 0, n + 1, 1)),
                    "properties": {"id": str(n), "depth": n / 2},
                }
                for n in range(5)
            )
    return folder


def read_spoiled(layers: Path, kind: str, part: str, spoil: object) -> None:
    """Read a layer of which one file is spoiled."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for path in layers.glob(f"a.{'*' if kind == 'shp' else kind}"):
            if kind != "shp" or path.suffix in (".shp", ".shx", ".dbf", ".prj", ".cpg"):
                raw = path.read_bytes()
                whole = path.suffix != f".{part}"
                (folder / path.name).write_bytes(raw if whole else spoiled(raw, spoil))

        def work() -> None:
            report = Report()
            reference = SimpleNamespace(layer=f"a.{kind}", layer_name=None, id_field="id")
            for identifier in ("3", None):
                Layers(folder, report).features(
                    reference, "lot", wanted="area", identifier=identifier
                )
            assert all(fault.reason and fault.remedy for fault in report.faults)

        survives(work)


@few
@given(spoil=spoils)
def test_any_geopackage(layers: Path, spoil: object) -> None:
    """The reader of GeoPackages."""
    read_spoiled(layers, "gpkg", "gpkg", spoil)


@few
@given(spoil=spoils)
def test_any_geojson(layers: Path, spoil: object) -> None:
    """The reader of GeoJSON."""
    read_spoiled(layers, "geojson", "geojson", spoil)


@few
@given(part=st.sampled_from(["shp", "shx", "dbf", "prj", "cpg"]), spoil=spoils)
def test_any_shapefile(layers: Path, part: str, spoil: object) -> None:
    """The reader of shapefiles, each of their files in turn."""
    read_spoiled(layers, "shp", part, spoil)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Save a small workbook."""
    made = Workbook()
    made.active.append(["id", 1.5, True, "12'4\"", "=A1"])
    made.active.merge_cells("A3:B4")
    made.save(tmp_path_factory.mktemp("book") / "fieldbook.xlsx")
    return tmp_path_factory.getbasetemp() / "book0" / "fieldbook.xlsx"


@few
@given(spoil=spoils, inside=st.booleans(), part=st.integers(0, 20))
def test_any_workbook(book: Path, spoil: object, inside: bool, part: int) -> None:
    """The reader of workbooks: the archive's own bytes spoiled, or those of a part in it."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "fieldbook.xlsx"
        if inside:
            with zipfile.ZipFile(book) as old, zipfile.ZipFile(path, "w") as new:
                parts = old.infolist()
                for number, kept in enumerate(parts):
                    raw = old.read(kept)
                    new.writestr(
                        kept.filename, spoiled(raw, spoil) if number == part % len(parts) else raw
                    )
        else:
            path.write_bytes(spoiled(book.read_bytes(), spoil))
        report = Report()
        pages = read_book(path, report, folder=Path(name))
        assert pages is not None or report.faults
        assert all(fault.reason and fault.remedy for fault in report.faults)


@few
@given(spoil=spoils)
def test_any_city(spoil: object) -> None:
    """The reader of CITY.toml; the layers it names are not there."""
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "CITY.toml").write_bytes(spoiled(TOWN.read_bytes(), spoil))
        with pytest.raises(BadInput) as caught:
            read_city(Path(name) / "CITY.toml")
        assert all(fault.reason and fault.remedy for fault in caught.value.faults)


@few
@given(spoil=spoils)
def test_any_photo(spoil: object) -> None:
    """The reader of what photographs say of themselves."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "photos"
        folder.mkdir()
        raw = jpeg((-87.9, 41.2), 4.0, "2026:05:12 10:31:07")
        (folder / "a.jpg").write_bytes(spoiled(raw, spoil))

        def work() -> None:
            told = read_photo("a.jpg", folder.parent)
            assert told is None or isinstance(told, Photo)

        survives(work)
