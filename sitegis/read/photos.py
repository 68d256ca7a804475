"""Place and time that a photograph says of itself (EXIF), to hold findings against.

A telephone's word: some meters off at best, and anybody may write it. It contradicts or stands in,
it never measures. The file is a stranger's: an ordinary one inside the site folder, of a limited
size, opened as JPEG alone, no picture is decoded.
"""

from __future__ import annotations

import datetime
import io
import math
import os
import struct
import warnings
from pathlib import Path
from typing import Any

from ..late_dataclass import dataclass
from ..units import about
from .csv_tables import Cells
from .file_names import FINDINGS_FILE
from .text_files import is_inside, open_ordinary

__all__ = ["Photo", "hold_against_photo", "named_photo", "read_photo"]

PHOTO_FOLDER = "photos"
MOST_BYTES = 40_000_000
"""A telephone's picture has a tenth of it. Judgment, no source."""
PHOTO_SD_M, LEAST_SD_M, MOST_SD_M = 8.0, 5.0, 200.0
"""How well a photograph is placed, one standard deviation an axis, where it does not say; no
better than the second whatever it says (whoever takes it stands beside the pit), and worth nothing
past the third. Judgment, no source."""
APART_95 = math.sqrt(-2.0 * math.log(0.05))
"""Two places that are one lie nearer than so many sds 19 times in 20 (Rayleigh)."""
# the tags of EXIF 2.32 (CIPA DC-008), from memory
GPS, DETAILS, TAKEN, CHANGED = 0x8825, 0x8769, 0x9003, 0x0132
LATITUDE, LONGITUDE, ERROR_M = (1, 2), (3, 4), 31
UNREADABLE = (
    OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, AttributeError,
    ArithmeticError, RuntimeError, struct.error, Warning,
)  # fmt: skip
"""What Pillow is known to raise at a file that is no picture, or a broken one."""


@dataclass(frozen=True, slots=True)
class Photo:
    """What a photograph says of itself; None where it says nothing of it.

    ``longitude, latitude`` in degrees with ``sd_m`` an axis; ``taken`` on the camera's own clock.
    """

    longitude: float | None
    latitude: float | None
    sd_m: float
    taken: datetime.datetime | None


def named_photo(cells: Cells, folder: Path) -> tuple[str, Photo | None]:
    """Read the photo that a row names, a plain file name, and what it says of itself.

    That it is not there, or cannot be read, is a notice.

    Parameters
    ----------
    cells
        One row of a table.
    folder
        The site folder.

    Returns
    -------
    name
        As written.
    photo
        What it says of itself, None where nothing.
    """
    text = cells.text("photo")
    if not text:
        return "", None
    if Path(text).name != text or text.startswith("."):
        cells.fault("photo-name", "photo", folder=PHOTO_FOLDER)
        return "", None
    photo = read_photo(text, folder)
    # unlike Path.is_file, no error for a name too long
    if not os.path.isfile(folder / PHOTO_FOLDER / text):
        _note(cells, "photo-not-there", name=text, folder=PHOTO_FOLDER)
    elif photo is None:
        _note(cells, "photo-not-read", name=text)
    return text, photo


def hold_against_photo(
    cells: Cells, photo: Photo, off_m: float | None, sd_m: float, date: str
) -> None:
    """Notice where a photo was taken elsewhere, or on another day, than a row says.

    ``off_m`` is how far its place is from the row's, None where that is not held; ``sd_m`` of
    both together an axis.

    Parameters
    ----------
    cells
        One row of a table.
    photo
        What the photograph says of itself.
    off_m
        Distance of its place from the row's, m; None where that is not held.
    sd_m
        Standard deviation of that along an axis, m.
    date
        Date of the row.
    """
    name = cells.text("photo")
    # farther apart than two places of one spot are 19 times in 20
    if off_m is not None and off_m > APART_95 * sd_m:
        give, off = (about(value, cells.units) for value in (APART_95 * sd_m, off_m))
        _note(cells, "photo-place-differs", name=name, off=off, give=give)
    if photo.taken is not None and date and photo.taken.date().isoformat() != date:
        _note(cells, "photo-date-differs", name=name, taken=photo.taken.date(), date=date)


def _note(cells: Cells, code: str, /, **values: Any) -> None:
    cells.report.note(code, FINDINGS_FILE, row=cells.row.number, **values)


def read_photo(name: str, folder: Path) -> Photo | None:
    """Return what a photograph of the site ``folder`` says of itself.

    None where it is not an ordinary file there, is too big, is no JPEG, or is broken.

    Parameters
    ----------
    name
        Plain file name.
    folder
        The site folder.

    Returns
    -------
    Photo | None
        What it says of itself, None where it says nothing.
    """
    path = folder / PHOTO_FOLDER / name
    try:
        if not is_inside(path, folder):
            return None
        file = open_ordinary(path)
        if file is None:
            return None
        with file:
            # one byte more than is allowed tells that there is more
            raw = file.read(MOST_BYTES + 1)
        return None if len(raw) > MOST_BYTES else _described(raw)
    except UNREADABLE:
        return None


def _described(raw: bytes) -> Photo:
    """Read a picture's EXIF; raises one of ``UNREADABLE`` where that cannot be done."""
    from PIL import Image  # noqa: PLC0415 - only where a finding names a photo

    with warnings.catch_warnings():
        # Pillow warns where a picture is broken: as an error it is caught with the others
        warnings.simplefilter("error")
        # JPEG alone: other formats bring decoders that need not be trusted
        with Image.open(io.BytesIO(raw), formats=("JPEG", "MPO")) as picture:
            tags = picture.getexif()
            gps, details = tags.get_ifd(GPS), tags.get_ifd(DETAILS)
    at = [_degrees(gps, *which) for which in (LONGITUDE, LATITUDE)]
    longitude, latitude = at if None not in at else (None, None)
    error = _number(gps.get(ERROR_M)) or PHOTO_SD_M
    if error > MOST_SD_M or (longitude, latitude) == (0.0, 0.0):
        longitude = latitude = None  # no fix: what cameras write then
    taken = _time(details.get(TAKEN)) or _time(tags.get(CHANGED))
    return Photo(longitude, latitude, max(error, LEAST_SD_M), taken)


def _number(value: Any) -> float | None:
    """Return a finite number above or equal 0, None where there is none."""
    if value is None:
        return None
    number = float(value)
    return number if math.isfinite(number) and number >= 0.0 else None


def _degrees(gps: dict[int, Any], of_side: int, of_value: int) -> float | None:
    """Return degrees from degrees, minutes and seconds with their side; None where not whole."""
    side, parts = str(gps.get(of_side, "")).strip("\0 "), gps.get(of_value)
    if side not in ("N", "S", "E", "W") or not isinstance(parts, tuple) or len(parts) != 3:
        return None
    numbers = [one for part in parts if (one := _number(part)) is not None]
    if len(numbers) < len(parts):
        return None
    whole = numbers[0] + numbers[1] / 60.0 + numbers[2] / 3600.0
    most = 90.0 if side in ("N", "S") else 180.0
    return None if whole > most else -whole if side in ("S", "W") else whole


def _time(text: Any) -> datetime.datetime | None:
    """Return a time written as in 2026:05:12 10:31:07."""
    try:
        return datetime.datetime.strptime(str(text).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
