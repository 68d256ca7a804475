"""GIS layer files: paths that stay inside the site folder, three drivers, ordinary files only."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path, PurePosixPath, PureWindowsPath

from ..faults import Report, guess
from ..text_files import is_inside
from .geopackage import is_sound_geopackage

DRIVERS = {
    ".gpkg": "GPKG",
    ".geojson": "GeoJSON",
    ".json": "GeoJSON",
    ".shp": "ESRI Shapefile",
}
MOST_LAYER_BYTES = 2_000_000_000


def layer_path(folder: Path, written: str, key: str, report: Report) -> Path | None:
    """Return a layer's path, or None with the fault why it is refused.

    Parameters
    ----------
    folder
        The site folder.
    written
        Path as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    Path | None
        The path, None with the fault gathered.
    """
    # written on either kind of machine, read on either
    posix, windows = PurePosixPath(written), PureWindowsPath(written)
    refused = ""
    if "://" in written or written.lower().startswith(("http:", "https:", "ftp:", "file:")):
        refused = "This is a web address."
    elif "/vsi" in f"/{written.lower()}" or not written.isprintable():
        refused = "This is not a plain file name."
    elif posix.is_absolute() or windows.is_absolute() or windows.drive or written.startswith("\\"):
        refused = "The path is absolute."
    elif ".." in posix.parts or ".." in windows.parts:
        refused = "The path leads up and out with '..'."
    path = folder / written
    try:
        if not refused and not is_inside(path, folder):
            refused = "The path leads through a link out of the site folder."
        if refused:
            report.fault("path-outside:layer", key, written, refused=refused)
            return None
        if not _is_there(path):
            near = [p.relative_to(folder).as_posix() for p in sorted(folder.glob("layers/*"))]
            report.fault("layer-missing", key, written, known=guess(written, near))
            return None
        return _checked_file(path, folder, written, key, report)
    except (OSError, RuntimeError, ValueError) as error:
        # RuntimeError: pathlib's word for a loop of links before Python 3.13
        report.fault("layer-unreadable:path", key, written, error=error)
        return None


def _is_there(path: Path) -> bool:
    """Return whether a path leads to something; a loop of links raises OSError in any Python."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def _checked_file(path: Path, folder: Path, written: str, key: str, report: Report) -> Path | None:
    """Check kind and size of a layer file, and that what lies beside it is ordinary and inside."""
    status = path.stat()
    if not stat.S_ISREG(status.st_mode):
        report.fault("not-a-file:layer", key, written)
        return None
    if path.suffix.lower() not in DRIVERS:
        report.fault("layer-kind", key, written)
        return None
    if status.st_size > MOST_LAYER_BYTES:
        report.fault("file-too-big:layer", key, written)
        return None
    if status.st_size == 0:
        report.fault("file-empty:layer", key, written)
        return None
    return path if _is_well_accompanied(path, folder, written, key, report) else None


def files_of(path: Path) -> list[Path]:
    """Return the files that GDAL may open with a layer: of its name, with whatever ending."""
    stem = f"{path.stem}.".casefold()
    with os.scandir(path.parent) as entries:
        # GDAL opens side files of the layer's name by itself: .prj, .dbf, .qix, .aux.xml and more
        found = [Path(e.path) for e in entries if e.name.casefold().startswith(stem)]
    # a folder of such a name is opened by nobody
    return sorted(p for p in found if not p.is_dir())


def is_harmless(path: Path, folder: Path, written: str, key: str, report: Report) -> bool:
    """Refuse a layer whose files are no ordinary ones inside the folder, or whose content is odd.

    That is a GeoJSON with a link, a GeoPackage that is damaged or computes its layers.

    Parameters
    ----------
    path
        The layer's file.
    folder
        The site folder.
    written
        Path as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether it may be read.
    """
    if not _is_well_accompanied(path, folder, written, key, report):
        return False
    driver = DRIVERS[path.suffix.lower()]
    if driver == "GeoJSON":
        return is_plain_geojson(path, written, key, report)
    return driver != "GPKG" or is_sound_geopackage(path, written, key, report)


def _is_well_accompanied(path: Path, folder: Path, written: str, key: str, report: Report) -> bool:
    """Refuse a layer beside which a pipe, a device or a link out of the folder has its name."""
    files = files_of(path)
    if not all(is_inside(file, folder) for file in files):
        report.fault("path-outside:beside-layer", key, written)
        return False
    odd = [file.name for file in files if file.exists() and not file.is_file()]
    if odd:
        report.fault("not-a-file:beside-layer", key, written, odd=odd[0][:60])
    return not odd


MOST_GEOJSON_BYTES = 100_000_000
# Judgment, no source. GDAL gives every feature every column that any feature has, and looks
# through all columns for each property: time and memory grow with the product. A layer that
# writes each of them takes six bytes a cell at least.
MOST_COLUMNS, MOST_UNWRITTEN_CELLS, CELL_BYTES = 1000, 5_000_000, 4


def is_plain_geojson(path: Path, written: str, key: str, report: Report) -> bool:
    """Refuse what GDAL would go to the network for: a CRS that is a link (GeoJSON of 2008).

    What Python's strict parser does not read is refused too: GDAL's reads more. And more columns
    than any layer has.

    Parameters
    ----------
    path
        The layer's file.
    written
        Path as written.
    key
        Dotted key of ``site.toml``.
    report
        Where faults and notices are gathered.

    Returns
    -------
    bool
        Whether it may be read.
    """
    if path.stat().st_size > MOST_GEOJSON_BYTES:
        report.fault("file-too-big:geojson", key, written)
        return False
    linked: list[object] = []
    columns: set[str] = set()
    features = 0

    def seen(pairs: list[tuple[str, object]]) -> dict[str, object]:
        linked.extend(
            value
            for name, value in pairs
            if name == "crs" and isinstance(value, dict) and value.get("type") != "name"
        )
        nonlocal features
        if ("type", "Feature") in pairs:
            # without properties, GDAL takes the members of the feature itself for them
            inside = [value for name, value in pairs if name == "properties"]
            for named in inside or [dict(pairs)]:
                columns.update(named if isinstance(named, dict) else ())
            features += 1
        # nothing else is looked at further out: what is large is let go at once
        kept = {name: value if name == "type" else None for name, value in reversed(pairs)}
        # of two members of one name either might be taken: both count
        return {**kept, **({"type": None} if _twice(pairs, "type") else {})}

    try:
        # the hook sees every object as it closes, inner ones first: no tree is walked afterwards
        json.loads(path.read_bytes().decode("utf-8-sig"), object_pairs_hook=seen)
    except (ValueError, RecursionError) as error:
        report.fault("layer-unreadable:geojson", key, written, error=str(error)[:160])
        return False
    if linked:
        report.fault("path-outside:crs-link", key, written)
    # what GDAL would fill in though nobody wrote it
    cells = len(columns) * features
    unwritten = cells > MOST_UNWRITTEN_CELLS and cells * CELL_BYTES > path.stat().st_size
    wide = unwritten or len(columns) > MOST_COLUMNS
    if wide:
        name = "too-many-columns:unwritten" if unwritten else "too-many-columns"
        report.fault(
            name, key, written, columns=len(columns), features=features, most_columns=MOST_COLUMNS
        )
    return not linked and not wide


def _twice(pairs: list[tuple[str, object]], name: str) -> bool:
    return sum(key == name for key, _ in pairs) > 1
