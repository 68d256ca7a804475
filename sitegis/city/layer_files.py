"""The layers' files: paths that stay in the folder, kinds that are read, columns and the CRS."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import fiona
import fiona.errors
import numpy as np
from pyproj import CRS, Proj
from pyproj.exceptions import CRSError, ProjError

from ..geometry.frames import Array
from ..geometry.georeference import utm_crs
from ..geometry.operations import cell_of_place, operation
from ..late_dataclass import dataclass
from ..read.faults import Report, guess
from ..read.layers.features import flat_crs
from ..read.layers.files import is_harmless
from ..read.layers.geopackage import is_stored_layer
from ..read.text_files import is_inside
from .columns import AREAS, LINES, POINTS, words
from .filters import filter_columns, kept_rows
from .layer_arrays import Words
from .layer_frame import Layer, Source, around_and_middle, bounds_of, dimensions_of
from .schema import CityFile, LayerTable, columns_of
from .trial import ends_within_limits, limits_of, size_of

SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".parquet", ".gdb")
# What every file geodatabase holds, and by what GDAL's open driver knows it.
GDB_CATALOG = "a00000001.gdbtable"
_WORDS = {POINTS: "points", LINES: "lines", AREAS: "areas"}


def _is_plain(written: str) -> bool:
    """Return whether a path is relative, leads nowhere up, and is no address of another kind."""
    posix, windows = PurePosixPath(written), PureWindowsPath(written)
    up = ".." in posix.parts or ".." in windows.parts
    absolute = posix.is_absolute() or windows.is_absolute() or bool(windows.drive)
    odd = "://" in written or "/vsi" in f"/{written.lower()}" or not written.isprintable()
    return not (up or absolute or odd)


class LayerFiles:
    """Opens layers of a city's folder."""

    def __init__(self, folder: Path, file: CityFile | None, report: Report) -> None:
        self.folder, self.file, self.report = folder, file, report
        self.paths: list[Path] = []

    def _path(self, key: str, written: str) -> Path | None:
        """Return a layer's path inside the folder of ``CITY.toml``, or None with a fault."""
        path = self.folder / written
        try:
            if not _is_plain(written) or not is_inside(path, self.folder):
                self.report.fault("path-outside:city", key, written)
                return None
            there = path.exists()
        except (OSError, RuntimeError, ValueError) as error:
            # RuntimeError: pathlib's word for a loop of links
            self.report.fault("layer-unreadable:path", key, written, error=error)
            return None
        if not there:
            beside = sorted(self.folder.glob("*/*"))[:30]
            near = [other.relative_to(self.folder).as_posix() for other in beside]
            self.report.fault("layer-missing:city", key, written, known=guess(written, near))
            return None
        return path

    def sites_folder(self) -> Path | None:
        """Return the folder of site folders, None where there is none."""
        written = None if self.file is None else self.file.city.sites
        path = None if written is None else self._path("city.sites", written)
        if path is not None and not path.is_dir():
            self.report.fault("not-a-folder:sites", "city.sites", written)
        return path

    def layer(
        self, key: str, dimension: int | tuple[int, ...], *, per_lot: bool = False
    ) -> Layer | None:
        """Look through one layer; None with its faults gathered.

        Parameters
        ----------
        key
            Dotted key of ``CITY.toml``.
        dimension
            0 for points, 1 for lines, 2 for areas; several where any of them will do.
        per_lot
            Whether the layer may come in pieces.

        Returns
        -------
        Layer | None
            The rows that pass the filters, None with the faults gathered.
        """
        table: LayerTable | None = getattr(self.file, key)
        path = None if table is None else self._path(f"{key}.layer", table.layer)
        if table is None or path is None or not self.is_harmless(path, f"{key}.layer", table.layer):
            return None
        try:
            wanted = tuple(dict.fromkeys(columns_of(table).values()))
            source = _open(
                Source(path, table.layer_name, wanted, per_lot), f"{key}.layer", self.report
            )
            looked = None if source is None else _look_through(source, table, key)
        except (OSError, ValueError, RuntimeError, ImportError) as error:
            # pyogrio's DataSourceError is a RuntimeError; ImportError: GeoParquet needs pyarrow
            reason = str(error)[:160]
            self.report.fault("layer-unreadable:city", f"{key}.layer", table.layer, error=reason)
            return None
        kinds = (dimension,) if isinstance(dimension, int) else dimension
        return None if looked is None else self._checked(looked, key, kinds, table)

    def is_harmless(self, path: Path, key: str, written: str) -> bool:
        """Check the kind of a layer and what it may lead to; note the files it consists of.

        Parameters
        ----------
        path
            The layer's file.
        key
            Dotted key of ``CITY.toml``.
        written
            Path as written.

        Returns
        -------
        bool
            Whether it may be read.
        """
        suffix = path.suffix.lower()
        kind = suffix in SUFFIXES and (path.is_dir() if suffix == ".gdb" else path.is_file())
        if not kind or (suffix == ".gdb" and not (path / GDB_CATALOG).is_file()):
            self.report.fault("layer-kind:city", key, written)
            return False
        # a folder of files: a link among them could lead anywhere
        if suffix == ".gdb":
            parts = sorted(path.iterdir())
            if not all(is_inside(part, path) and part.is_file() for part in parts):
                self.report.fault("path-outside:geodatabase", key, written)
                return False
            self.paths += [part for part in parts if part.suffix.lower() != ".lock"]
            return True
        harmless = suffix == ".parquet" or is_harmless(path, self.folder, written, key, self.report)
        # a shapefile is several files, all of which the answer rests on
        companions = [path.with_suffix(s) for s in (".dbf", ".shx", ".prj", ".cpg")]
        self.paths += [path, *(c for c in companions if suffix == ".shp" and c.exists())]
        return harmless

    def _checked(
        self, looked: _Looked, key: str, wanted: tuple[int, ...], table: LayerTable
    ) -> Layer:
        """Gather the faults of a layer's columns, CRS and geometry; drop what is filtered out."""
        layer, columns = looked.layer, looked.columns
        missing = {name: c for name, c in columns_of(table).items() if c not in columns}
        for name, column in missing.items():
            known = guess(column, columns)
            self.report.fault("column-missing:layer", f"{key}.{name}", column, known=known)
        check_crs(layer, f"{key}.layer", table.layer, self.report)
        kinds = " or ".join(_WORDS[dimension] for dimension in wanted)
        if not looked.dimensions & set(wanted):
            self.report.fault("layer-empty:city", f"{key}.layer", table.layer, kinds=kinds)
        elif not missing:
            rows = len(looked.bounds)
            kept, notices = kept_rows(looked.filters, rows, table, key)
            self.report.notices += notices
            if not kept.any():
                self.report.fault("layer-filtered-empty", f"{key}.layer", table.layer, rows=rows)
            elif not kept.all():
                frame = None if layer.frame is None else layer.frame[kept].reset_index(drop=True)
                around, middle = around_and_middle(looked.bounds[kept])
                return replace(
                    layer, total_bounds=around, middle_bounds=middle, kept=kept, frame=frame
                )
        return layer


def layer_names(path: Path) -> list[str]:
    """Return the names of a file's layers; one nameless layer for files that hold a single one."""
    if path.suffix.lower() in (".gpkg", ".gdb"):
        return list(fiona.listlayers(path))
    return [""]


@dataclass(frozen=True, slots=True)
class _Looked:
    """A layer before its filters, with the boxes (n, 4) of its rows.

    And its columns, its geometries' dimensions, what filters look at.
    """

    layer: Layer
    bounds: Array
    columns: list[str]
    dimensions: set[int]
    filters: dict[str, Words]


def _look_through(source: Source, table: LayerTable, key: str) -> _Looked:
    """Read a layer once: what must be known of all its rows, and the rows of a small one."""
    columns = source.columns()
    bounds, dimensions, pieces = [], set(), 0
    texts: dict[str, list[Words]] = {name: [] for name in filter_columns(table)}
    for frame in source.frames():
        pieces += 1
        bounds.append(bounds_of(frame))
        dimensions |= set(dimensions_of(frame))
        if columns is None:
            columns = [str(c) for c in frame.columns if c != frame.geometry.name]
        for name, parts in texts.items():
            if name in columns:
                parts.append(words(frame, name))
    every = np.concatenate(bounds)
    around, middle = around_and_middle(every)
    whole = frame if pieces == 1 else None
    layer = Layer(source, frame.crs, around, middle, np.ones(len(every), bool), whole)
    filters = {name: np.concatenate(parts) for name, parts in texts.items() if parts}
    return _Looked(layer, every, columns or [], dimensions, filters)


def _open(source: Source, key: str, report: Report) -> Source | None:
    """Name the layer; several layers in a file without a name to choose by are refused.

    None with the fault gathered where the layer is worked out while it is read, or where reading
    it takes more than it may.
    """
    path, layer_name = source.path, source.layer_name
    if path.suffix.lower() != ".parquet":
        names = layer_names(path)
        if layer_name is None and len(names) > 1:
            raise ValueError(f"the file has several layers: {', '.join(names[:20])}")
        layer_name = names[0] if layer_name is None else layer_name
        # a view could make the reader work without end: only stored layers are read
        if path.suffix.lower() == ".gpkg" and not is_stored_layer(path, layer_name, key, report):
            return None
    source = replace(source, layer_name=layer_name or None)
    if not ends_within_limits(source):
        memory_bytes, cpu_s = limits_of(size_of(path))
        values = {"most_cpu_s": cpu_s, "most_memory_bytes": memory_bytes / 2**30}
        report.fault("layer-too-heavy:city", key, path.name, **values)
        return None
    return source


# Judgment, no source: data seldom leaves the area a CRS is made for by more.
BEYOND_AREA_DEG = 3.0
MOST_STRETCH = 0.005
Bounds = Any


def check_crs(layer: Layer, key: str, written: str, report: Report) -> None:
    """Fault a layer whose CRS is missing, or cannot be that of its coordinates.

    Parameters
    ----------
    layer
        The layer.
    key
        Dotted key of ``CITY.toml``.
    written
        Path as written.
    report
        Where faults and notices are gathered.
    """
    if layer.crs is None:
        report.fault("crs-missing", key, written)
        return
    crs = flat_crs(CRS(layer.crs))
    bounds = layer.middle_bounds
    if not np.isfinite(bounds).all():
        return
    # a little over: data at the antimeridian and the poles
    degrees = np.abs(bounds[[0, 2]]).max() <= 181.0 and np.abs(bounds[[1, 3]]).max() <= 90.5
    if not (crs.is_geographic or crs.is_projected):
        report.fault("crs-unfit:no-place", key, written, crs=crs.name)
    elif crs.is_geographic and not degrees:
        most = np.abs(bounds).max()
        report.fault("crs-unfit:no-degrees", key, written, crs=crs.name, most=most)
    elif crs.is_projected and degrees:
        report.fault("crs-unfit:degrees", key, written, crs=crs.name)
    elif _is_outside(crs, bounds):
        report.fault("crs-unfit:outside", key, written, crs=crs.name)


def _is_outside(crs: CRS, bounds: Bounds) -> bool:
    """Return whether coordinates lie far outside the area that their CRS is made for."""
    try:
        longitude, latitude = _middle(crs, bounds)
    except (CRSError, ProjError):
        return True
    if not np.isfinite([longitude, latitude]).all():
        return True
    area = crs.area_of_use
    if area is None:
        return False
    # along the parallel from the area's western edge, for areas that cross the antimeridian
    east = (longitude - area.west) % 360.0
    width = (area.east - area.west) % 360.0 or 360.0
    beside = max(0.0, min(east - width, 360.0 - east))
    low, high = area.south - BEYOND_AREA_DEG, area.north + BEYOND_AREA_DEG
    return beside > BEYOND_AREA_DEG or not low <= latitude <= high


def _middle(crs: CRS, bounds: Bounds) -> tuple[float, float]:
    """Return longitude and latitude of the middle of bounds, inf where there are none."""
    x, y = (bounds[0] + bounds[2]) / 2.0, (bounds[1] + bounds[3]) / 2.0
    chosen = operation(crs, CRS("EPSG:4326"), cell_of_place(crs, x, y))
    longitude, latitude = chosen.transformer.transform(x, y)
    return float(longitude), float(latitude)


def check_stretch(crs: CRS, bounds: Bounds, report: Report) -> None:
    """Fault a working CRS in which lengths are off by over 0.5 % at the middle of bounds.

    Parameters
    ----------
    crs
        The working CRS.
    bounds
        Extent of the parcels, in the CRS's unit.
    report
        Where faults and notices are gathered.
    """
    try:
        longitude, latitude = _middle(crs, bounds)
        factors = Proj(crs).get_factors(longitude, latitude)
        better = utm_crs(longitude, latitude)
    except (CRSError, ProjError, ValueError):
        # nothing is known of the scale there
        return
    # conformal CRS have one scale, others one along the meridian and one across
    stretch = max(abs(s - 1.0) for s in (factors.meridional_scale, factors.parallel_scale))
    if stretch > MOST_STRETCH:
        report.fault(
            "crs-stretches", "city.crs", crs.name, crs=crs.name, off=100 * stretch, better=better
        )
