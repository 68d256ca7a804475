"""Put the chunks together in the order of parcel ids: one file or tables, all at once."""

from __future__ import annotations

import contextlib
import glob
import hashlib
import importlib
import importlib.util
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import pyogrio.raw
import shapely

from .. import __version__
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..messages.errors import BadInput, CannotWrite
from .database import Database
from .in_order import LOTS_AT_ONCE, tables_in_order
from .layer_arrays import Shapes, box_around
from .map_page import LotsOnMap, Made, map_page
from .notes import assumptions, cautions
from .read import City
from .styles import certainty, describe_city, geometry_type
from .summary import CitySummary, Tally
from .tables import GEOMETRY, Columns, from_wkb, join, objects, table, to_wkb, write_whole
from .work_folder import data_date

LAYERS = (
    "lots",
    "lot_lines",
    "routes",
    "corridors",
    "taps",
    "exits",
    "next_check",
    "flags",
    "failures",
)
REPORTED = ("manholes_to_watch", "streets_to_visit", "data_faults", "notes")
Note = tuple[str, str, str]
GPKG, PARQUET = ".gpkg", ".parquet"


def check_output(out: Path | Database) -> None:
    """Refuse what could not be written, before any work: ``BadInput``, ``CannotWrite``."""
    if isinstance(out, Database):
        _postgis().check_database(out, (*LAYERS, *REPORTED))
        return
    if out.suffix.lower() not in (GPKG, PARQUET):
        raise BadInput((fault_of("output-kind", "--out", None, "file", out.name),))
    # before any work: hours of inference must not end at a missing package
    if out.suffix.lower() == PARQUET and importlib.util.find_spec("pyarrow") is None:
        raise BadInput((fault_of("output-kind:package", "--out", None, "file", out.name),))
    _refuse_foreign(out)


def _refuse_foreign(out: Path) -> None:
    """Refuse to replace what is no earlier output: a folder with other things in it, a pipe."""
    if out.is_dir() and out.suffix.lower() == GPKG:
        raise CannotWrite(f"{out} is a folder: choose another name.")
    if not out.is_dir():
        if out.exists() and (out.suffix.lower() == PARQUET or not out.is_file()):
            raise CannotWrite(f"{out} is there and no earlier output: choose another name.")
        return
    ours = {f"{name}{PARQUET}" for name in (*LAYERS, *REPORTED)}
    other = sorted(e.name for e in out.iterdir() if e.name not in ours or not e.is_file())
    if other:
        raise CannotWrite(
            f"{out} holds {other[0]}, which sitegis did not write and which would be lost: choose "
            "another name."
        )


def _postgis() -> Any:
    """Load the writer of tables; only a database needs its package."""
    # its package is not part of a plain install
    return importlib.import_module("sitegis.city.postgis")


@dataclass(frozen=True, slots=True)
class Pages:
    """Where the map and the one-page summary go; None for neither."""

    map: Path | None = None
    summary: Path | None = None


def assemble(
    city: City, files: list[Path], out: Path | Database, pages: Pages, inputs: tuple[Path, ...]
) -> CitySummary:
    """Write every layer sorted by parcel id, then put all of them into place together.

    ``inputs`` are all files that the answer rests on, ``CITY.toml`` among them.

    Parameters
    ----------
    city
        The layers as read.
    files
        Files of the chunks.
    out
        File or database to write.
    pages
        Files for map and summary.
    inputs
        Files that the answer rests on.

    Returns
    -------
    CitySummary
        The sums.

    Raises
    ------
    BadInput
        The output cannot be of that kind.
    CannotWrite
        The output cannot be placed.
    """
    tally = Tally()
    before = _read_failures(city)
    tally.failures.update(before["code"].tolist())
    made = Made(
        __version__, data_date(inputs), tuple((path.name, _digest(path)) for path in inputs)
    )
    lots = None if pages.map is None else LotsOnMap(_corner(city))
    layers = _layers(city, files, before, tally, made, lots)
    if isinstance(out, Database):
        _postgis().write_tables(_frames(layers, city), out, city.crs)
    elif out.suffix.lower() == PARQUET:
        _write_folder(_frames(layers, city), out)
    else:
        _write_geopackage(layers, city, out, made.date)
    summary = tally.summary(city.file.city.name, city.notices)
    notes = _note_rows(city, tally, made)
    if pages.map is not None and lots is not None:
        write_whole(pages.map, map_page(lots, tally, summary, made, notes))
    if pages.summary is not None:
        # its library is heavy, and seldom asked for
        page = importlib.import_module("sitegis.city.summary_page")
        write_whole(pages.summary, page.summary_page(summary, made, notes))
    return summary


def _layers(
    city: City,
    files: list[Path],
    before: Columns,
    tally: Tally,
    made: Made,
    on_map: LotsOnMap | None,
) -> Iterator[tuple[str, Columns]]:
    """Yield layer after layer, each in pieces of some thousand lots; shapes may be WKB.

    ``tally`` has added all up once the first piece is given, ``on_map`` once the last is.
    """
    ids = city.layers.lots.ids
    bounds = [*ids[LOTS_AT_ONCE::LOTS_AT_ONCE].tolist(), None]
    low = None
    for high, tables in zip(bounds, tables_in_order(files, ids, tally.add), strict=False):
        if on_map is not None:
            on_map.add(tables)
        for name in LAYERS:
            columns = tables[name]
            if name == "lots":
                columns["certainty"] = certainty(columns)
            yield name, _with(columns, before, low, high) if name == "failures" else columns
        low = high
    yield from tally.layers().items()
    yield "data_faults", _data_faults(city)
    yield "notes", _notes(_note_rows(city, tally, made))


def _corner(city: City) -> Array:
    """Return the town's corner (2,), m."""
    bounds = city.layers.lots.outlines.bounds
    return box_around(bounds)[:2] if len(bounds) else np.zeros(2)


def _with(failures: Columns, before: Columns, low: str | None, high: str | None) -> Columns:
    """Put the parcels that could not even be read among the failures from ``low`` to ``high``."""
    parcel = before["parcel"]
    rows = np.ones(len(parcel), bool) if low is None else parcel >= low
    rows &= np.ones(len(parcel), bool) if high is None else parcel < high
    both = join([failures, {name: values[rows] for name, values in before.items()}])
    order = np.argsort(both["parcel"], kind="stable")
    return {name: values[order] for name, values in both.items()}


def _frames(layers: Iterator[tuple[str, Columns]], city: City) -> Iterator[tuple[str, Any]]:
    """Yield layer after layer whole, as a GeoDataFrame."""
    pieces: dict[str, list[Columns]] = {}
    for name, columns in layers:
        pieces.setdefault(name, []).append(columns)
    for name, parts in pieces.items():
        yield name, _frame(join(parts), city)


def _clear_killed(out: Path) -> None:
    """Remove what runs into this output left beside it when they were killed, and nothing else.

    The lock on the work folder says that no other run is at it.
    """
    # hidden names of our own pattern; anything else beside the output stays
    for left in out.parent.glob(f".{glob.escape(out.name)}.part-*"):
        if left.is_dir() and all(path.name.startswith(out.name) for path in left.iterdir()):
            shutil.rmtree(left, ignore_errors=True)


@contextlib.contextmanager
def _staged(out: Path) -> Iterator[Path]:
    """Make a name beside the output; what is there in the end is renamed into its place."""
    _clear_killed(out)
    # beside the output: a rename is atomic only within one file system
    holder = Path(tempfile.mkdtemp(prefix=f".{out.name}.part-", dir=out.parent))
    try:
        yield holder / out.name
        _replace(holder / out.name, out, holder)
    finally:
        shutil.rmtree(holder, ignore_errors=True)


def _write_folder(frames: Iterator[tuple[str, Any]], out: Path) -> None:
    """Write a folder of GeoParquet."""
    with _staged(out) as staged:
        staged.mkdir()
        for name, frame in frames:
            frame.to_parquet(staged / f"{name}{PARQUET}", index=False)


def _write_geopackage(
    layers: Iterator[tuple[str, Columns]], city: City, out: Path, when: str
) -> None:
    """Write the layers, dated ``when``, as they come."""
    # GDAL stamps layers with this date: the day of the inputs, so
    # that the same inputs give the same bytes
    earlier = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{when}T00:00:00.000Z"})
    columns: dict[str, list[str]] = {}
    try:
        with _staged(out) as staged:
            for name, piece in layers:
                _write(piece, name, city, staged, append=name in columns)
                columns[name] = [column for column in piece if column != GEOMETRY]
            describe_city(staged, columns, f"{when}T00:00:00.000Z")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": earlier})


def _note_rows(city: City, tally: Tally, made: Made) -> list[Note]:
    """List version, date, inputs, warnings about the layers, assumptions and cautions."""
    return [
        ("made", "version", f"sitegis {made.version}"),
        ("made", "date", made.date),
        *(("input", "sha256", f"{name} {digest}") for name, digest in made.inputs),
        *(("warning", notice.code, notice.message) for notice in tally.notices(city.notices)),
        *(("assumption", "", note) for note in assumptions(city.layers.priors, city.layers.habits)),
        *(("caution", "", note) for note in cautions(city.file.city.rule_set)),
    ]


def _notes(rows: list[Note]) -> Columns:
    """Make the table of notes."""
    return table(
        np.full(len(rows), None, object),
        kind=[row[0] for row in rows],
        code=[row[1] for row in rows],
        note=[row[2] for row in rows],
    )


def _digest(path: Path) -> str:
    """Return a file's SHA-256."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _data_faults(city: City) -> Columns:
    """Make a table of the features whose values cannot be right, as points on them."""
    faults = city.data_faults
    return table(
        shapely.point_on_surface(np.array([f.shape for f in faults], object)),
        **{
            name: np.array([getattr(f, name) for f in faults], dtype=np.str_)
            for name in ("layer", "feature", "code", "message")
        },
    )


def _read_failures(city: City) -> Columns:
    """Make a table of the parcels that could not even be read."""
    failures = city.failures
    return table(
        np.full(len(failures), None, object),
        parcel=np.array([f.parcel for f in failures], dtype=np.str_),
        row=np.array([f.row for f in failures], np.int64),
        code=np.array([f.code for f in failures], dtype=np.str_),
        reason=np.array([f.reason for f in failures], dtype=np.str_),
    )


def _frame(columns: Columns, city: City) -> Any:
    """Make a GeoDataFrame in the CRS's own unit."""
    shapes = columns[GEOMETRY]
    shapes = from_wkb(in_unit(shapes, city.meters_per_unit))
    data = {
        name: values.tolist() if values.dtype.kind == "U" else values
        for name, values in columns.items()
        if name != GEOMETRY
    }
    return geopandas.GeoDataFrame(data, geometry=shapes, crs=city.crs)


def in_unit(shapes: Shapes, meters_per_unit: float) -> Shapes:
    """Return shapes in meters (or their WKB) as WKB in another unit.

    Parameters
    ----------
    shapes
        Shapes in m, or their WKB.
    meters_per_unit
        Length of the unit, m.

    Returns
    -------
    Shapes
        WKB in that unit.
    """
    content = to_wkb(shapes)
    if meters_per_unit == 1.0:
        return content
    return to_wkb(shapely.transform(from_wkb(content), lambda xy: xy / meters_per_unit))


def _write(columns: Columns, name: str, city: City, staged: Path, *, append: bool) -> None:
    """Write a layer or add to it; an empty one too, so that readers find every layer."""
    code = city.crs.to_epsg()
    fields = [column for column in columns if column != GEOMETRY]
    values = [
        objects(columns[field].tolist()) if columns[field].dtype.kind == "U" else columns[field]
        for field in fields
    ]
    try:
        pyogrio.raw.write(
            staged,
            in_unit(columns[GEOMETRY], city.meters_per_unit),
            values,
            fields,
            layer=name,
            driver="GPKG",
            geometry_type=geometry_type(name),
            crs=f"EPSG:{code}" if code else city.crs.to_wkt("WKT1_GDAL"),
            append=append,
        )
    except (OSError, RuntimeError) as error:
        # GDAL's errors are RuntimeErrors
        raise CannotWrite(f"{staged.name}, layer {name}: {error}.") from error


def _replace(staged: Path, out: Path, holder: Path) -> None:
    """Put the staged file (or folder) in the output's place."""
    for file in [staged] if staged.is_file() else staged.iterdir():
        with file.open("rb") as opened:
            os.fsync(opened.fileno())
    # again: it may have come there meanwhile
    _refuse_foreign(out)
    # a folder cannot be replaced in one step: moved aside within the holder, which is then removed
    if out.is_dir():
        os.rename(out, holder / "old")
    os.replace(staged, out)
