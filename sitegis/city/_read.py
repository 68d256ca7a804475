"""``CITY.toml`` and its layers into arrays; every fault gathered first, then raised once."""

from __future__ import annotations

import tomllib
import warnings
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import fiona
import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import ValidationError
from pyproj import CRS

from .._errors import BadInput, Fault
from .._geodesy import utm_crs
from .._site import Notice, Priors
from ..read._files import is_inside
from ..read._geopackage import is_stored_layer
from ..read._layer_files import is_harmless
from ..read._layers import flat_crs, read_crs
from ..read._report import Report, guess, index_lines, line_of, shorten
from ._parcels import Failure, make_lots
from ._records import Block, Flags, Mains, Manholes, Shapes, Ways
from ._schema import AlleyTable, CityFile, LayerTable, RowTable, StreetTable, known_keys
from ._shapes import AREAS, LINES, POINTS, Placer, are_finite, extent, order_by_place, words

FAR_M = 5000.0  # a town's sewers lie among its parcels; judgement
METRES = {"ft": 0.3048, "m": 1.0}
SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".parquet")
_WORDS = {POINTS: "points", LINES: "lines", AREAS: "areas"}
_SYNTAX_REMEDY = "check quotes, brackets and '=' there."


@dataclass(frozen=True, slots=True)
class City:
    """What was read: the layers in metres, and what it takes to write in the CRS's own unit.

    ``paths`` are all files that the answer rests on.
    """

    file: CityFile
    block: Block
    failures: tuple[Failure, ...]
    notices: tuple[Notice, ...]
    crs: CRS
    metres_per_unit: float
    sites: Path | None
    paths: tuple[Path, ...]


class Faults:
    """The faults of one ``CITY.toml``."""

    def __init__(self, path: Path) -> None:
        self.name = path.name
        self.lines: dict[str, int] = {}
        self.found: list[Fault] = []

    def add(self, code: str, key: str, value: object, reason: str, remedy: str) -> None:
        """Gather one fault under its dotted key."""
        shown = "" if value is None else shorten(value)
        row = line_of(self.lines, key)
        self.found.append(Fault(code, self.name, row, key, shown, reason, remedy))

    def take(self, report: Report) -> None:
        """Take over what the checks of a site's layers found, as this file's faults."""
        for fault in report.faults:
            self.add(fault.code, fault.field, fault.value or None, fault.reason, fault.remedy)

    def leave(self) -> None:
        """Raise all faults, if any."""
        if self.found:
            raise BadInput(tuple(dict.fromkeys(self.found)))


def read_city(path: Path) -> City:
    """Read ``CITY.toml`` and its layers; raises ``BadInput`` with every fault that was found."""
    faults = Faults(path)
    file = _read_file(path, faults)
    faults.leave()
    assert file is not None
    return _read_layers(path, file, faults)


def _read_file(path: Path, faults: Faults) -> CityFile | None:
    """Parse and check the TOML file."""
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        faults.add("file-unreadable", "file", None, f"The file cannot be read ({error}).",
                   "name a CITY.toml, saved as UTF-8.")  # fmt: skip
        return None
    faults.lines = index_lines(text)
    try:
        return CityFile.model_validate(tomllib.loads(text))
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            key = ".".join(str(part) for part in detail["loc"])
            if detail["type"] == "extra_forbidden":
                faults.add("key-unknown", key, None, "This key is not known.",
                           guess(str(detail["loc"][-1]), known_keys(detail["loc"])))  # fmt: skip
                continue
            missing = detail["type"] == "missing"
            code = "key-missing" if missing else "value-unfit"
            remedy = "write it." if missing else "take it out or correct it."
            faults.add(code, key, None if missing else detail["input"],
                       f"{detail['msg']}.", remedy)  # fmt: skip
    except (ValueError, RecursionError) as error:
        # ValueError covers TOMLDecodeError and Python's limit for digits of a whole number
        reason = str(error).splitlines()[0][:200]
        faults.add(
            "toml-syntax", "file", None, f"The notation is broken: {reason}.", _SYNTAX_REMEDY
        )
    return None


def _read_layers(path: Path, file: CityFile, faults: Faults) -> City:
    """Read every layer, even after a fault in one, so that all faults are told together."""
    reader = _Reader(path.resolve().parent, file, faults)
    parcels = reader.frame("parcels", AREAS)
    crs = reader.choose_crs(parcels)
    kinds = {
        "buildings": AREAS, "streets": LINES, "alleys": LINES, "rights_of_way": AREAS,
        "mains": LINES, "manholes": POINTS,
    }  # fmt: skip
    frames = {key: reader.frame(key, dimension) for key, dimension in kinds.items()}
    if file.streets is None and file.alleys is None and file.rights_of_way is None:
        faults.add("key-missing", "streets", None, "Neither streets nor rights of way are given.",
                   "write [streets], or [rights_of_way], or both.")  # fmt: skip
    sites = reader.sites_folder()
    if crs is not None and parcels is not None:
        reader.check_near(parcels, frames, crs)
    faults.leave()
    assert crs is not None
    assert parcels is not None
    factor = float(crs.axis_info[0].unit_conversion_factor)
    place = Placer(crs, factor, METRES[file.city.units])
    houses, centrelines = _areas(frames["buildings"], place), _centrelines(frames, file, place)
    records, failures, notices = make_lots(parcels, file.parcels, place, houses, centrelines.shapes)
    block = Block(
        parcels=records,
        own=np.ones(len(records.ids), bool),
        houses=houses,
        centrelines=centrelines,
        rows=_rows(frames["rights_of_way"], file.rights_of_way, place),
        has_rows=file.rights_of_way is not None,
        mains=_mains(frames["mains"], file, place),
        manholes=_manholes(frames["manholes"], file, place),
        priors=Priors(**file.prior.model_dump()),
    )
    return City(file, block, failures, tuple(notices), crs, factor, sites, tuple(reader.paths))


def _is_plain(written: str) -> bool:
    """Tell whether a path is relative, leads nowhere up, and is no address of another kind."""
    posix, windows = PurePosixPath(written), PureWindowsPath(written)
    up = ".." in posix.parts or ".." in windows.parts
    absolute = posix.is_absolute() or windows.is_absolute() or bool(windows.drive)
    odd = "://" in written or "/vsi" in f"/{written.lower()}" or not written.isprintable()
    return not (up or absolute or odd)


class _Reader:
    """Opens layers of a city's folder."""

    def __init__(self, folder: Path, file: CityFile, faults: Faults) -> None:
        self.folder, self.file, self.faults = folder, file, faults
        self.paths: list[Path] = []

    def _path(self, key: str, written: str) -> Path | None:
        """Give a layer's path inside the folder of ``CITY.toml``, or None with a fault."""
        path = self.folder / written
        try:
            if not _is_plain(written) or not is_inside(path, self.folder):
                self.faults.add(
                    "path-outside", key, written, "The path leads out of CITY.toml's folder.",
                    "copy the layer beside CITY.toml and write its relative path.",
                )  # fmt: skip
                return None
            there = path.exists()
        except (OSError, RuntimeError, ValueError) as error:
            # RuntimeError: pathlib's word for a loop of links
            self.faults.add("layer-unreadable", key, written,
                            f"The path cannot be followed ({error}).", "check it.")  # fmt: skip
            return None
        if not there:
            beside = sorted(self.folder.glob("*/*"))[:30]
            near = [other.relative_to(self.folder).as_posix() for other in beside]
            self.faults.add("layer-missing", key, written, "There is no such file.",
                            guess(written, near))  # fmt: skip
            return None
        return path

    def frame(self, key: str, dimension: int) -> Any:
        """Read one layer as a GeoDataFrame, None with its faults gathered."""
        table: LayerTable | None = getattr(self.file, key)
        path = None if table is None else self._path(f"{key}.layer", table.layer)
        if table is None or path is None:
            return None
        if path.suffix.lower() not in SUFFIXES or not path.is_file():
            self.faults.add("layer-kind", f"{key}.layer", table.layer, "This kind is not read.",
                            "save it as GeoPackage, GeoJSON, shapefile or GeoParquet.")  # fmt: skip
            return None
        report = Report()
        harmless = path.suffix.lower() == ".parquet" or is_harmless(
            path, self.folder, table.layer, f"{key}.layer", report
        )
        self.faults.take(report)
        if not harmless:
            return None
        companions = [path.with_suffix(s) for s in (".dbf", ".shx", ".prj", ".cpg")]
        beside = [c for c in companions if path.suffix.lower() == ".shp" and c.exists()]
        self.paths += [path, *beside]
        report = Report()
        try:
            frame = _open(path, table.layer_name, f"{key}.layer", report)
        except (OSError, ValueError, RuntimeError, ImportError) as error:
            # pyogrio's DataSourceError is a RuntimeError; ImportError: GeoParquet needs pyarrow
            self.faults.add("layer-unreadable", f"{key}.layer", table.layer,
                            f"The layer cannot be read ({str(error)[:160]}).",
                            "open it in a GIS and export it again; say layer_name if it holds "
                            "several.")  # fmt: skip
            return None
        self.faults.take(report)
        if frame is not None:
            self._check_frame(frame, key, dimension, table)
        return frame

    def _check_frame(self, frame: Any, key: str, dimension: int, table: LayerTable) -> None:
        """Gather the faults of a layer's columns, CRS and geometry."""
        columns = [str(c) for c in frame.columns if c != frame.geometry.name]
        fixed = {"layer", "layer_name", "alley_values"}
        for name, column in table.model_dump(exclude=fixed).items():
            if column is not None and column not in columns:
                self.faults.add(
                    "column-missing", f"{key}.{name}", column, "The layer has no such column.",
                    guess(column, columns),
                )  # fmt: skip
        if frame.crs is None:
            self.faults.add(
                "crs-missing", f"{key}.layer", table.layer, "The layer does not say its CRS.",
                "export it with its CRS (a shapefile needs its .prj file).",
            )  # fmt: skip
        dimensions = shapely.get_dimensions(frame.geometry.to_numpy())
        if not len(frame) or not (dimensions == dimension).any():
            self.faults.add("layer-empty", f"{key}.layer", table.layer,
                            f"The layer holds no {_WORDS[dimension]}.",
                            f"name a layer of {_WORDS[dimension]}.")  # fmt: skip

    def choose_crs(self, parcels: Any) -> CRS | None:
        """Give the working CRS: the one written, or the parcels', which must be projected."""
        report = Report()
        written = self.file.city.crs
        if written:
            crs = read_crs(written, "city.crs", report)
        elif parcels is None or parcels.crs is None:
            crs = None
        else:
            crs = flat_crs(CRS(parcels.crs))
            if not crs.is_projected:
                west, south, east, north = parcels.total_bounds
                report.site("crs-not-projected", "city.crs", crs.name, "Degrees are no distances.",
                            "write city.crs: a state plane or UTM EPSG code, here perhaps "
                            f'"{utm_crs((west + east) / 2, (south + north) / 2)}".')  # fmt: skip
                crs = None
        self.faults.take(report)
        return crs

    def check_near(self, parcels: Any, frames: dict[str, Any], crs: CRS) -> None:
        """Fault a layer that lies far from the parcels: its CRS is hardly the one it states."""
        town = extent(parcels, crs)
        for key, frame in frames.items():
            if frame is None or frame.crs is None:
                continue
            away_m = float(shapely.distance(town, extent(frame, crs)))
            away_m *= float(crs.axis_info[0].unit_conversion_factor)
            if np.isfinite(away_m) and away_m > FAR_M:
                self.faults.add("layer-far", f"{key}.layer", getattr(self.file, key).layer,
                                f"The layer lies {away_m / 1000:,.0f} km from the parcels.",
                                "check its CRS in a GIS, over the parcels.")  # fmt: skip

    def sites_folder(self) -> Path | None:
        """Give the folder of site folders, None where there is none."""
        written = self.file.city.sites
        path = None if written is None else self._path("city.sites", written)
        if path is not None and not path.is_dir():
            self.faults.add("not-a-folder", "city.sites", written, "This is no folder.",
                            "name the folder that holds the site folders.")  # fmt: skip
        return path


def _open(path: Path, layer_name: str | None, key: str, report: Report) -> Any:
    """Open a layer; several layers in a file without a name to choose by are refused.

    None with the fault gathered where the layer is worked out while it is read.
    """
    if path.suffix.lower() == ".parquet":
        return geopandas.read_parquet(path)
    names = fiona.listlayers(path) if path.suffix.lower() == ".gpkg" else []
    if layer_name is None and len(names) > 1:
        raise ValueError(f"the file has several layers: {', '.join(names[:20])}")
    name = names[0] if layer_name is None and names else layer_name
    if names and not is_stored_layer(path, str(name), key, report):
        return None
    options = {} if name is None else {"layer": name}
    with warnings.catch_warnings():
        # a column of mixed or odd types is still read; what matters of it is checked later
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        frame = geopandas.read_file(path, **options)
    if not isinstance(frame, geopandas.GeoDataFrame):
        raise ValueError("the layer holds no shapes")
    return frame


def _areas(frame: Any, place: Placer) -> Shapes:
    """Give valid polygons, parts apart, in an order that does not depend on their rows."""
    shapes = place.shapes(frame)
    shapes = shapes[are_finite(shapes)]
    shapes = shapes[shapely.get_dimensions(shapes) == AREAS]
    invalid = ~shapely.is_valid(shapes)
    shapes[invalid] = shapely.make_valid(shapes[invalid])
    parts = shapely.get_parts(shapely.get_parts(shapes))
    parts = parts[shapely.get_type_id(parts) == 3]
    return np.asarray(parts[order_by_place(parts)], object)


def _lines(frame: Any, place: Placer) -> tuple[Shapes, NDArray[np.int64]]:
    """Give the single lines of a layer and the row each came from, ordered by place."""
    shapes = place.shapes(frame)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_dimensions(shapes) == LINES))
    parts, source = shapely.get_parts(shapes[good], return_index=True)
    keep = shapely.length(parts) > 0.1
    parts, source = parts[keep], good[source[keep]]
    order = order_by_place(parts)
    return np.asarray(parts[order], object), source[order]


def _centrelines(frames: dict[str, Any], file: CityFile, place: Placer) -> Ways:
    """Join streets and alleys."""
    made = [
        _ways(frames[key], table, place)
        for key, table in (("streets", file.streets), ("alleys", file.alleys))
        if table is not None
    ]
    if not made:
        return Ways(np.zeros(0, object), np.zeros(0, np.str_), np.zeros(0, bool))
    shapes = np.concatenate([m.shapes for m in made])
    order = order_by_place(shapes)
    names = np.concatenate([m.names for m in made])
    return Ways(shapes[order], names[order], np.concatenate([m.alleys for m in made])[order])


def _ways(frame: Any, table: StreetTable | AlleyTable, place: Placer) -> Ways:
    shapes, source = _lines(frame, place)
    return Ways(shapes, words(frame, table.name)[source], _alleys(frame, table)[source])


def _alleys(frame: Any, table: StreetTable | AlleyTable | RowTable) -> Flags:
    """Tell which rows are alleys."""
    if isinstance(table, AlleyTable):
        return np.ones(len(frame), bool)
    values = {value.casefold() for value in table.alley_values}
    return np.array([str(w).casefold() in values for w in words(frame, table.kind)], bool)


def _rows(frame: Any, table: RowTable | None, place: Placer) -> Ways:
    """Give the right-of-way polygons, parts apart."""
    if table is None:
        return Ways(np.zeros(0, object), np.zeros(0, np.str_), np.zeros(0, bool))
    shapes = place.shapes(frame)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_dimensions(shapes) == AREAS))
    parts, source = shapely.get_parts(shapely.make_valid(shapes[good]), return_index=True)
    areas = shapely.get_dimensions(parts) == AREAS
    parts, source = parts[areas], good[source[areas]]
    order = order_by_place(parts)
    names, alleys = words(frame, table.name), _alleys(frame, table)
    return Ways(np.asarray(parts[order], object), names[source[order]], alleys[source[order]])


def _mains(frame: Any, file: CityFile, place: Placer) -> Mains:
    """Give the mains as single lines; parts of one row share its id, and lose their inverts."""
    table = file.mains
    shapes, source = _lines(frame, place)
    single = np.bincount(source, minlength=len(frame))[source] == 1
    up = np.where(single, place.lengths(frame, table.invert_up)[source], np.nan)
    down = np.where(single, place.lengths(frame, table.invert_down)[source], np.nan)
    uphill = down > up
    shapes[uphill] = shapely.reverse(shapes[uphill])
    up, down = np.where(uphill, down, up), np.where(uphill, up, down)
    return Mains(words(frame, table.id)[source], shapes, up, down)


def _manholes(frame: Any, file: CityFile, place: Placer) -> Manholes:
    if file.manholes is None:
        return Manholes(np.zeros(0, np.str_), np.zeros(0, object))
    shapes = place.shapes(frame)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_type_id(shapes) == 0))
    ids = words(frame, file.manholes.id)[good]
    order = np.lexsort((*shapely.bounds(shapes[good]).T[:2], ids))
    return Manholes(ids[order], shapes[good][order])
