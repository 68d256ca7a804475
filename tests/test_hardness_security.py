"""No file outside the site folder, no network, no hostile text alive in an output."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import ezdxf
import pytest
from lxml import etree, html
from pyproj import CRS

from sitegis.read.layers.features import flat_crs
from tests.hardness.corpus import FIXTURES
from tests.hardness.files import HOSTILE, SECRET
from tests.hardness.judge import judge

BY_NAME = {folder.name: folder for folder in FIXTURES}
LAYERED = BY_NAME["corner-lot-alley"]
LAYER = '"layers/town.gpkg"'


def layered(folder: Path, layer: str) -> Path:
    """Copy the fixture with layers, every layer named otherwise."""
    site = Path(shutil.copytree(LAYERED, folder / "site"))
    text = (site / "site.toml").read_text("utf-8")
    (site / "site.toml").write_text(text.replace(LAYER, json.dumps(layer)), "utf-8")
    return site


@pytest.mark.parametrize(
    "written",
    [
        "{outside}", "../outside.gpkg", "layers/../../outside.gpkg", "file://{outside}",
        "layers/link.gpkg", "linked/outside.gpkg", "/vsizip/layers/town.zip/town.gpkg",
        "zip://layers/town.zip!town.gpkg", "layers/town.zip", "/vsicurl/http://127.0.0.1:9/a.gpkg",
        "http://127.0.0.1:9/a.geojson", "GPKG:{outside}:parcels", "layers/vrt.gpkg",
        "layers/vrt.geojson", "layers/virtual.gpkg", "layers//../../outside.gpkg",
    ],
)  # fmt: skip
def test_no_layer_elsewhere_is_read(written: str, tmp_path: Path) -> None:
    """A layer that would answer, were it followed out of the folder, is refused with code 2."""
    outside = Path(shutil.copy(LAYERED / "layers" / "town.gpkg", tmp_path / "outside.gpkg"))
    site = layered(tmp_path, written.format(outside=outside))
    layers = site / "layers"
    (layers / "link.gpkg").symlink_to(outside)
    (site / "linked").symlink_to(tmp_path)
    with zipfile.ZipFile(layers / "town.zip", "w") as archive:
        archive.write(outside, "town.gpkg")
    vrt = (
        f"<OGRVRTDataSource><OGRVRTLayer name='parcels'><SrcDataSource>{outside}"
        "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    (layers / "vrt.gpkg").write_text(vrt, "utf-8")
    (layers / "vrt.geojson").write_text(vrt, "utf-8")
    (layers / "virtual.gpkg").write_bytes(b"SQLite format 3\0" + vrt.encode())
    outcome = judge("check", site, tmp_path / "out")
    assert not outcome.broken
    assert outcome.code == 2


def crs_by(kind: str, address: str) -> dict[str, object]:
    """Return a GeoJSON CRS member that names an address."""
    key = {"link": "href", "URL": "url", "OGC": "urn"}.get(kind, "name")
    return {"type": kind, "properties": {key: address, "type": "proj4"}}


@pytest.mark.parametrize("kind", ["link", "URL", "OGC", "name", "l\\u0069nk"])
def test_no_crs_of_a_layer_is_fetched(kind: str, tmp_path: Path) -> None:
    """A GeoJSON that says where its CRS can be fetched: nobody asks there."""
    asked: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                asked.append(connection.recv(100))
                connection.close()

        threading.Thread(target=answer, daemon=True).start()
        crs = crs_by(kind, f"http://127.0.0.1:{server.getsockname()[1]}/crs")
        site = layered(tmp_path, "layers/town.geojson")
        ring = [[-87.5, 41.2], [-87.4999, 41.2], [-87.4999, 41.2003], [-87.5, 41.2]]
        feature = {
            "type": "Feature",
            "properties": {"parcel_id": "INV-17"},
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        layer = {"type": "FeatureCollection", "crs": crs, "features": [feature]}
        text = json.dumps(layer).replace("\\\\u", "\\u")
        (site / "layers" / "town.geojson").write_text(text, "utf-8")
        outcome = judge("check", site, tmp_path / "out")
    assert not outcome.broken
    assert outcome.code == 2
    assert not asked


@pytest.mark.parametrize(
    "written",
    ["+init={fifo}:3435", "+proj=utm +zone=16 +nadgrids={fifo}", "{fifo}", "file://{fifo}",
     "+proj=utm +zone=16 +geoidgrids={fifo} +type=crs", "http://127.0.0.1:9/3435"],
)  # fmt: skip
def test_no_crs_of_a_site_opens_a_file(written: str, tmp_path: Path) -> None:
    """A CRS that names a file is refused; were the pipe opened, the run would wait for ever."""
    os.mkfifo(tmp_path / "fifo")
    site = layered(tmp_path, "layers/town.gpkg")
    text = (site / "site.toml").read_text("utf-8")
    crs = json.dumps(written.format(fifo=tmp_path / "fifo"))
    (site / "site.toml").write_text(text.replace('"EPSG:3435"', crs), "utf-8")
    outcome = judge("check", site, tmp_path / "out")
    assert not outcome.broken
    assert (outcome.code, "crs-unknown" in outcome.errors) == (2, True)


def test_a_crs_is_parted_from_the_grid_file_it_names() -> None:
    """A layer's CRS that brings its own way to WGS 84, by a grid file, loses that way."""
    crs = CRS.from_user_input("+proj=utm +zone=16 +ellps=clrk66 +nadgrids=/x/y +type=crs")
    assert crs.is_bound
    assert not flat_crs(crs).is_bound
    assert "PARAMETERFILE" in crs.to_wkt()
    assert "PARAMETERFILE" not in flat_crs(crs).to_wkt()


@pytest.mark.parametrize("name", ["site.toml", "locates.csv", "ties.csv", "fieldbook.xlsx"])
def test_what_a_link_leads_to_is_never_shown(name: str, tmp_path: Path) -> None:
    """A file that is a link out of the folder is refused, and nothing of it is printed."""
    (tmp_path / "outside").write_text(f"{SECRET} = {SECRET}\n", "utf-8")
    site = Path(shutil.copytree(BY_NAME["tape-only"], tmp_path / "site"))
    (site / name).unlink(missing_ok=True)
    (site / name).symlink_to(tmp_path / "outside")
    outcome = judge("run", site, tmp_path / "out")
    assert not outcome.broken
    assert (outcome.code, SECRET in outcome.errors) == (2, False)


def test_a_run_needs_no_network_and_logs_no_secret(tmp_path: Path) -> None:
    """In a network namespace without any device the run is the same; -vv tells no environment."""
    command = ["unshare", "-n", "--"]
    if not shutil.which("unshare") or subprocess.run([*command, "true"], check=False).returncode:
        command = []  # where namespaces are not allowed the sockets are still blocked elsewhere
    done = subprocess.run(
        [
            *command,
            sys.executable,
            "-m",
            "sitegis",
            "-vv",
            "run",
            str(BY_NAME["tape-only"]),
            "--out",
            str(tmp_path / "out"),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**os.environ, "SITE_TOKEN": SECRET},
    )
    assert done.returncode in (0, 1), done.stderr
    assert SECRET not in done.stdout + done.stderr
    assert not any(SECRET.encode() in p.read_bytes() for p in (tmp_path / "out").iterdir())


@pytest.mark.parametrize("part", ["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"])
def test_a_workbook_that_unpacks_without_end_is_refused(part: str, tmp_path: Path) -> None:
    """A small archive that holds a quarter of a gigabyte of blanks ends in code 2."""
    site = tmp_path / "site"
    site.mkdir()
    with (
        zipfile.ZipFile(site / "fieldbook.xlsx", "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open(part, "w", force_zip64=True) as file,
    ):
        for _ in range(32):
            file.write(b" " * 2**23)
    outcome = judge("check", site, tmp_path / "out")
    assert not outcome.broken
    assert outcome.code == 2


def hostile_outputs(folder: Path, words: str) -> dict[str, bytes]:
    """Run the tape-only fixture with hostile words where any text is allowed."""
    site = Path(shutil.copytree(BY_NAME["tape-only"], folder / "site"))
    text = (site / "site.toml").read_text("utf-8")
    shown = json.dumps(words)
    text = re.sub(
        r'(?m)^(surveyed_by|name) = "Invented (Drain|tape).*$', rf"\1 = {_raw(shown)}", text
    )
    text += f'\n[[keep_out]]\nid = "K1"\npoints = [[3, 3]]\nnote = {shown}\n'
    (site / "site.toml").write_text(text, "utf-8")
    table = (site / "locates.csv").read_text("utf-8")
    cell = io.StringIO()
    csv.writer(cell).writerow([words.replace("\n", " ")])
    (site / "locates.csv").write_text(
        re.sub(r"(?m)slab,.*$", lambda _: "slab," + cell.getvalue().strip(), table), "utf-8"
    )
    outcome = judge("run", site, folder / "out")
    assert not outcome.broken, outcome.errors
    assert outcome.code in (0, 1), outcome.errors
    return {path.name: path.read_bytes() for path in (folder / "out").iterdir()}


def _raw(text: str) -> str:
    return text.replace("\\", "\\\\")


@pytest.mark.parametrize(
    "words",
    [
        *(HOSTILE[0], HOSTILE[5]),
        *(pytest.param(HOSTILE[i], marks=pytest.mark.adverse) for i in (1, 2, -2)),
    ],
)
def test_hostile_words_stay_words(words: str, tmp_path: Path) -> None:
    """Markup, formulas and control codes in names and notes are inert in every output."""
    files = hostile_outputs(tmp_path, words)
    page = html.fromstring(files["map.html"])
    alive = [s for s in page.iter("script") if (s.text or "").strip().startswith("alert(1)")]
    assert not alive
    assert not page.xpath("//*[@onerror]")
    for name in (n for n in files if n.endswith((".kml", ".gpx"))):
        assert etree.fromstring(files[name]) is not None
    for name in (n for n in files if n.endswith(".csv")):
        for row in csv.reader(io.StringIO(files[name].decode("utf-8-sig"))):
            for cell in row:
                number = re.fullmatch(r"[+-]?[0-9.]+(e[+-]?\d+)?", cell.strip())
                assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), cell
    for name in (n for n in files if n.endswith(".dxf")):
        drawing = ezdxf.readfile(tmp_path / "out" / name)
        assert not drawing.audit().errors
    json.loads(files["lateral.geojson"])


def test_a_damaged_geopackage_does_not_end_the_process(tmp_path: Path) -> None:
    """Bytes that are no UTF-8 in a layer's description are told; the library died of them."""
    site = layered(tmp_path, "layers/town.gpkg")
    path = site / "layers" / "town.gpkg"
    path.write_bytes(path.read_bytes().replace(b"parcels", b"\xf5arcels"))
    outcome = judge("check", site, tmp_path / "out")
    assert not outcome.broken
    assert (outcome.code, "layer-unreadable" in outcome.errors) == (2, True)
