"""GIS layer files: paths that stay inside the site folder, three drivers, ordinary files only."""

from __future__ import annotations

import os
import stat
from pathlib import Path, PurePosixPath, PureWindowsPath

from ..faults import Report, guess
from ..text_files import is_inside
from .geojson import is_plain_geojson
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
