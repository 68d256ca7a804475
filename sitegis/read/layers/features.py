"""GIS layers: one feature at a time, in the CRS that each states."""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import field
from pathlib import Path
from typing import Any, Literal, Protocol

import fiona
import fiona.errors
import shapely
import shapely.errors
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from ...geometry.operations import cell_of_place, operation
from ...late_dataclass import dataclass
from ...messages.errors import Fault
from ...messages.printable import printable
from ...numerics.ordering import MATTERS_M, in_steps, largest
from ..faults import Report, guess
from .files import DRIVERS, files_of, is_harmless, layer_path
from .geopackage import is_stored_layer

# All judgment, no source. A larger file is read in a process of its own; no more features or
# columns than these are taken from a layer.
LARGE_BYTES = 5_000_000
MOST_FEATURES, MOST_COLUMNS = 100_000, 1000
# PROJ reads what these name, from anywhere on the disk.
_NAMES_FILES = re.compile(r"(?i)\binit\s*=|grids\s*=|\bfile\s*=")
Want = Literal["area", "line", "area or line", "point", "any"]
_DIMENSIONS: dict[Want, tuple[int, ...]] = {
    "area": (2,),
    "line": (1,),
    "area or line": (1, 2),
    "point": (0,),
    "any": (0, 1, 2),
}
_WORDS = {0: "points", 1: "lines", 2: "areas"}
_LAYER_ERRORS = (
    fiona.errors.FionaError,
    fiona.errors.FionaValueError,
    fiona._err.CPLE_BaseError,  # GDAL's own errors pass through fiona while rows are read
    shapely.errors.ShapelyError,
    OSError,
    UnicodeDecodeError,
    ValueError,
)


class LayerReference(Protocol):
    """What names a layer in ``site.toml``."""

    @property
    def layer(self) -> str | None:
        """The file, relative to the site folder."""

    @property
    def layer_name(self) -> str | None:
        """The layer within the file."""

    @property
    def id_field(self) -> str | None:
        """The attribute that names a feature."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature: flat geometry and CRS as in the layer, and its attributes."""

    shape: BaseGeometry
    crs: CRS
    attributes: dict[str, Any]


def read_crs(text: str, key: str, report: Report) -> CRS | None:
    """Read the site's CRS and insist on a projected one; a compound one is cut to its plan.

    None, with the fault reported, where it is unknown, not projected or names a file.

    Parameters
    ----------
    text
        CRS as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    CRS | None
        The CRS, None with the fault gathered.
    """
    try:
        if _NAMES_FILES.search(text):
            # such a text could have PROJ open files: refused before it is parsed
            raise CRSError("names a file")
        crs = CRS.from_user_input(text)
    except CRSError:
        report.fault("crs-unknown", key, text)
        return None
    crs = flat_crs(crs)
    if not crs.is_projected:
        report.fault("crs-not-projected", key, text)
        return None
    return crs


def crs_text(crs: CRS) -> str:
    """Name a CRS by its authority code where it has one, else by its WKT."""
    authority = crs.to_authority(min_confidence=90)
    return ":".join(authority) if authority else str(crs.to_wkt())


def flat_crs(crs: CRS) -> CRS:
    """Drop the vertical part of a compound CRS, and a way to WGS 84 that it brings with it.

    Such a way may name a grid file anywhere; the usual one is found anew.
    """
    if crs.is_compound and crs.sub_crs_list:
        # until nothing more comes off: a bound CRS may hold a compound one
        return flat_crs(crs.sub_crs_list[0])
    return flat_crs(crs.source_crs) if crs.is_bound and crs.source_crs else crs


@dataclass(frozen=True, slots=True)
class Layers:
    """The layers of one site folder; ``names`` keeps the layer names of files seen.

    ``opened`` are layers that stay open for the next id, until :meth:`close`. ``looked`` keeps
    what is wrong with the files that were looked into, ``wholes`` the layers that were read as a
    whole: those of manholes, once for all mains. ``is_apart`` where this is the process that reads
    a large layer for another.
    """

    folder: Path
    report: Report
    is_apart: bool = False
    names: dict[Path, list[str]] = field(default_factory=dict)
    looked: dict[Path, tuple[Fault, ...]] = field(default_factory=dict)
    opened: dict[tuple[Path, str | None], Any] = field(default_factory=dict)
    wholes: dict[tuple[str | None, str | None, Want], list[Feature]] = field(default_factory=dict)

    @contextmanager
    def _opened(self, path: Path, reference: LayerReference, key: str) -> Iterator[Any]:
        """Open a layer; gives None with the fault gathered where it cannot be opened."""
        written = reference.layer or ""
        driver = DRIVERS[path.suffix.lower()]
        if not self._is_harmless(path, written, key):
            yield None
            return
        if driver == "GPKG" and path not in self.names:
            self.names[path] = list(fiona.listlayers(str(path)))
        names = self.names.get(path, [])
        chosen = reference.layer_name
        if chosen is None and len(names) == 1:
            chosen = names[0]
        if driver == "GPKG" and chosen not in names:
            given = "layer_name" if reference.layer_name else "layer"
            name = "layer-name-missing" if reference.layer_name else "layer-name-missing:several"
            self.report.fault(
                name,
                f"{key}.{given}",
                reference.layer_name or written,
                known=guess(reference.layer_name or "", names),
            )
            yield None
            return
        if driver != "GPKG":
            chosen = None
        at = path, chosen
        if at not in self.opened:
            if chosen is not None and not is_stored_layer(
                path, chosen, f"{key}.layer", self.report
            ):
                yield None
                return
            self.opened[at] = fiona.open(str(path), enabled_drivers=[driver], layer=chosen)
        try:
            yield self.opened[at] if self._is_narrow(self.opened[at], written, key) else None
        except BaseException:
            self.opened.pop(at).close()  # what failed once is not asked again
            raise

    def close(self) -> None:
        """Close the layers that were read."""
        while self.opened:
            self.opened.popitem()[1].close()

    def _is_harmless(self, path: Path, written: str, key: str) -> bool:
        """Look into a file once; what is wrong with it is told of each layer that needs it."""
        if path not in self.looked:
            found = Report()
            is_harmless(path, self.folder, written, key, found)
            self.looked[path] = tuple(found.faults)
        for fault in self.looked[path]:
            self.report.at_key(fault, f"{key}.layer", written)
        return not self.looked[path]

    def _is_narrow(self, opened: Any, written: str, key: str) -> bool:
        """Refuse a layer with more columns than anybody's."""
        columns = len(opened.schema["properties"])
        if columns > MOST_COLUMNS:
            self.report.fault(
                "too-many-columns",
                f"{key}.layer",
                written,
                columns=columns,
                most_columns=MOST_COLUMNS,
            )
        return columns <= MOST_COLUMNS

    def features(
        self, reference: LayerReference, key: str, *, wanted: Want, identifier: str | None = None
    ) -> list[Feature]:
        """Read the features of a layer, or those of one id; faults are gathered.

        Parameters
        ----------
        reference
            Layer and id as written.
        key
            Dotted key of ``site.toml``.
        wanted
            Kinds of geometry that will do.
        identifier
            Id of the feature, None for all of the layer.

        Returns
        -------
        list[Feature]
            The features without faults.
        """
        if identifier is not None:
            return self._features(reference, key, wanted, identifier)
        whole = (reference.layer, reference.layer_name, wanted)
        found = self.wholes.get(whole) or self._features(reference, key, wanted, None)
        self.wholes[whole] = found
        return found

    def _features(
        self, reference: LayerReference, key: str, wanted: Want, identifier: str | None
    ) -> list[Feature]:
        """Read features of a layer's file, here or in another process."""
        written = reference.layer or ""
        path = layer_path(self.folder, written, f"{key}.layer", self.report)
        if path is None:
            return []
        try:
            # a large file may be made to exhaust memory: its own process may die of it
            if not self.is_apart and sum(f.stat().st_size for f in files_of(path)) > LARGE_BYTES:
                return self._features_apart(reference, key, wanted, identifier)
            with self._opened(path, reference, key) as opened:
                if opened is None:
                    return []
                crs = self._crs_of(opened, written, key)
                if crs is None:
                    return []
                return self._rows(opened, reference, key, wanted, identifier, crs)
        except _LAYER_ERRORS as error:
            self.report.fault("layer-unreadable", f"{key}.layer", written, error=str(error)[:160])
            return []

    def _features_apart(
        self, reference: LayerReference, key: str, wanted: Want, identifier: str | None
    ) -> list[Feature]:
        """Read features in another process; faults are gathered."""
        apart = importlib.import_module("sitegis.read.layers.apart")  # few sites need it
        question = {
            "layer": reference.layer,
            "layer_name": reference.layer_name,
            "id_field": reference.id_field,
            "key": key,
            "wanted": wanted,
            "identifier": identifier,
        }
        answer = apart.read_apart(self.folder, question, self.report)
        if answer is None or not answer["features"]:
            return []
        crs = CRS.from_wkt(answer["crs"])
        return [
            Feature(shapely.from_wkb(shape), crs, attributes)
            for shape, attributes in answer["features"]
        ]

    def _crs_of(self, opened: Any, written: str, key: str) -> CRS | None:
        """Return the CRS a layer states; a layer that states none is refused."""
        wkt = opened.crs_wkt
        try:
            crs = flat_crs(CRS.from_wkt(wkt)) if wkt else None
        except CRSError:
            crs = None
        if crs is None or not (crs.is_projected or crs.is_geographic):
            self.report.fault("crs-missing", f"{key}.layer", written)
            return None
        return crs

    def _rows(
        self,
        opened: Any,
        reference: LayerReference,
        key: str,
        wanted: Want,
        identifier: str | None,
        crs: CRS,
    ) -> list[Feature]:
        """Read the rows that are wanted."""
        fields = dict(opened.schema["properties"])
        where = None
        if identifier is not None:
            if reference.id_field is None:
                iter(opened)  # takes off the filter of an earlier id
                if len(opened) != 1:
                    self.report.fault(
                        "id-field-missing",
                        f"{key}.id_field",
                        None,
                        count=len(opened),
                        known=guess("", fields),
                    )
                    return []
            elif reference.id_field not in fields:
                self.report.fault(
                    "id-field-missing:several-features",
                    f"{key}.id_field",
                    reference.id_field,
                    known=guess(reference.id_field, fields),
                )
                return []
            else:
                # GDAL filters by the column; what it lets through is compared again below
                where = _where(reference.id_field, str(fields[reference.id_field]), identifier)
        rows = opened.filter(where=where) if where else iter(opened)
        found, skipped = [], 0
        for row in rows:
            attributes = dict(row.properties)
            if (
                identifier is not None
                and reference.id_field is not None
                and (str(attributes.get(reference.id_field)).strip() != identifier)
            ):
                continue
            shape = _flat_shape(row)
            if shape is None or shapely.get_dimensions(shape) not in _DIMENSIONS[wanted]:
                skipped += 1
                continue
            # control characters must not reach a terminal or a page
            shown = {k: printable(v) if isinstance(v, str) else v for k, v in attributes.items()}
            found.append(Feature(shape, crs, shown))
            if len(found) > MOST_FEATURES:
                self.report.fault(
                    "too-many-features",
                    f"{key}.layer",
                    reference.layer,
                    most_features=MOST_FEATURES,
                )
                return []
        if not found:
            self._none_found(reference, key, wanted, identifier, skipped)
        return found

    def _none_found(
        self,
        reference: LayerReference,
        key: str,
        wanted: Want,
        identifier: str | None,
        skipped: int,
    ) -> None:
        """Gather the fault of a layer in which nothing fits."""
        if skipped:
            words = " or ".join(_WORDS[d] for d in _DIMENSIONS[wanted])
            self.report.fault("geometry-unfit", f"{key}.layer", reference.layer, words=words)
        elif identifier is not None:
            self.report.fault(
                "feature-missing", f"{key}.id", identifier, column=reference.id_field or "id"
            )
        else:
            self.report.fault("layer-empty", f"{key}.layer", reference.layer)

    def feature(
        self, reference: LayerReference, key: str, *, wanted: Want, identifier: str | None
    ) -> Feature | None:
        """Read one feature; of several with one id the largest is taken, with a notice.

        Parameters
        ----------
        reference
            Layer and id as written.
        key
            Dotted key of ``site.toml``.
        wanted
            Kinds of geometry that will do.
        identifier
            Id of the feature, None for all of the layer.

        Returns
        -------
        Feature | None
            The feature, None with the fault gathered.
        """
        found = self.features(reference, key, wanted=wanted, identifier=identifier or "")
        if not found:
            return None
        # drawings often hold one thing as several pieces: its largest is the thing
        best = found[_largest([feature.shape for feature in found])]
        parts = shapely.get_num_geometries(best.shape)
        if len(found) > 1 or parts > 1:
            self.report.note("several-parts", key, text=key)
        return Feature(_largest_part(best.shape), best.crs, best.attributes)


def _where(field: str, field_type: str, identifier: str) -> str | None:
    """Return an attribute filter for an id; None where the rows are rather compared one by one."""
    quoted_field = '"' + field.replace('"', '""') + '"'
    # 18 digits fit the 64 bits of a whole-number column
    if field_type.startswith("int"):
        return f"{quoted_field} = {int(identifier)}" if _is_whole(identifier) else None
    if field_type.startswith("str"):
        return quoted_field + " = '" + identifier.replace("'", "''") + "'"
    return None


def _is_whole(text: str) -> bool:
    return text.isascii() and text.removeprefix("-").isdigit() and len(text) <= 18


def _flat_shape(row: Any) -> BaseGeometry | None:
    """Return a row's geometry without heights; None where there is none or it is not finite."""
    if row.geometry is None:
        return None
    shape = shapely.force_2d(shapely.geometry.shape(row.geometry))
    coordinates = shapely.get_coordinates(shape)
    # nan fails the comparison too; 1e12 m is on no earth
    if shape.is_empty or not bool((abs(coordinates) < 1e12).all()):
        return None
    return shape


def _largest_part(shape: BaseGeometry) -> BaseGeometry:
    """Return the largest part of a multi-geometry; touching line parts are joined first."""
    if shape.geom_type == "MultiLineString":
        shape = shapely.line_merge(shape)
    parts = shapely.get_parts(shape)
    return parts[_largest(parts)]


def _largest(shapes: Sequence[BaseGeometry]) -> int:
    """Return the index of the largest shape, of equal ones the longest, of those the first."""
    # for lines, whose areas are all 0
    lengths = in_steps(shapely.length(shapes), MATTERS_M)
    return largest(shapely.area(shapes), MATTERS_M**2, -lengths)


def to_crs(shape: BaseGeometry, source: CRS, target: CRS) -> BaseGeometry:
    """Take a geometry to another CRS, easting or longitude first.

    Parameters
    ----------
    shape
        Geometry.
    source
        CRS it is in.
    target
        CRS wanted.

    Returns
    -------
    BaseGeometry
        The geometry in the other CRS.
    """
    if source.equals(target, ignore_axis_order=True):
        return shape
    if shape.is_empty:
        return shape
    middle = shape.envelope.centroid
    cell = cell_of_place(source, middle.x, middle.y)
    transformer = operation(source, target, cell).transformer

    def moved(coordinates: Any) -> Any:
        x, y = transformer.transform(coordinates[:, 0], coordinates[:, 1])
        coordinates[:, 0], coordinates[:, 1] = x, y
        return coordinates

    return shapely.transform(shape, moved)
