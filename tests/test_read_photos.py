"""What photographs say of themselves, against EXIF written byte by byte here (CIPA DC-008)."""

from __future__ import annotations

import datetime
import io
import os
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sitegis.finds.records import Finding
from sitegis.messages.errors import BadInput
from sitegis.model.survey import Survey
from sitegis.read import photos, read_site
from sitegis.read.photos import Photo, read_photo

from .read_folder import write_folder
from .test_read_findings import HEAD, row

Entry = tuple[int, int, int, bytes]
ASCII, LONG, RATIONAL = 2, 4, 5


def rational(*parts: tuple[int, int]) -> bytes:
    """Return rationals, little end first."""
    return b"".join(struct.pack("<II", *part) for part in parts)


def directory(entries: list[Entry], start: int) -> bytes:
    """Write one IFD that stands at ``start``, what does not fit its fields behind it."""
    body, extra = struct.pack("<H", len(entries)), b""
    after = start + 2 + 12 * len(entries) + 4
    for tag, kind, count, value in sorted(entries):
        field = value.ljust(4, b"\0")
        if len(value) > 4:
            field = struct.pack("<I", after + len(extra))
            extra += value
        body += struct.pack("<HHI", tag, kind, count) + field
    return body + struct.pack("<I", 0) + extra


def jpeg(
    place: tuple[float, float] | None = None, error_m: float | None = None, taken: str = ""
) -> bytes:
    """Return a JPEG of one pixel with a place (longitude, latitude), its error, and a time."""
    gps: list[Entry] = []
    if place is not None:
        for tag, value, sides in ((3, place[0], "EW"), (1, place[1], "NS")):
            seconds = round(abs(value) * 3600 * 10_000)
            parts = (seconds // 36_000_000, 1), (seconds // 600_000 % 60, 1)
            side = sides[value < 0].encode() + b"\0"
            gps.append((tag, ASCII, 2, side))
            gps.append((tag + 1, RATIONAL, 3, rational(*parts, (seconds % 600_000, 10_000))))
    if error_m is not None:
        gps.append((31, RATIONAL, 1, rational((round(error_m * 1000), 1000))))
    details: list[Entry] = [(0x9003, ASCII, 20, taken.encode() + b"\0")] if taken else []
    first = 8 + 2 + 2 * 12 + 4
    second = first + len(directory(details, first))
    pointers: list[Entry] = [
        (0x8769, LONG, 1, struct.pack("<I", first)),
        (0x8825, LONG, 1, struct.pack("<I", second)),
    ]
    tiff = struct.pack("<2sHI", b"II", 42, 8) + directory(pointers, 8)
    tiff += directory(details, first) + directory(gps, second)
    segment = b"Exif\0\0" + tiff
    plain = io.BytesIO()
    Image.new("RGB", (1, 1)).save(plain, "JPEG")
    head = b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment
    return plain.getvalue()[:2] + head + plain.getvalue()[2:]


def put(folder: Path, name: str, content: bytes) -> Path:
    (folder / "photos").mkdir(exist_ok=True)
    (folder / "photos" / name).write_bytes(content)
    return folder


def test_place_and_time_are_read(tmp_path: Path) -> None:
    """Degrees, minutes and seconds west and south; the telephone's own error, 5 m at best."""
    put(tmp_path, "a.jpg", jpeg((-87.9120, -41.2210), 12.5, "2026:05:12 10:31:07"))
    told = read_photo("a.jpg", tmp_path)
    assert told is not None
    assert (told.longitude, told.latitude) == pytest.approx((-87.9120, -41.2210), abs=1e-7)
    assert told.sd_m == 12.5
    assert told.taken == datetime.datetime(2026, 5, 12, 10, 31, 7)
    put(tmp_path, "b.jpg", jpeg((1.0, 2.0), 0.5))
    close = read_photo("b.jpg", tmp_path)
    assert close is not None
    assert (close.sd_m, close.taken) == (photos.LEAST_SD_M, None)
    put(tmp_path, "c.jpg", jpeg())
    assert read_photo("c.jpg", tmp_path) == Photo(None, None, photos.PHOTO_SD_M, None)


@pytest.mark.parametrize(("place", "error"), [((0.0, 0.0), None), ((5.0, 5.0), 900.0)])
def test_no_fix_is_no_place(tmp_path: Path, place: tuple[float, float], error: float) -> None:
    put(tmp_path, "a.jpg", jpeg(place, error))
    told = read_photo("a.jpg", tmp_path)
    assert told is not None
    assert told.longitude is None


def test_only_an_ordinary_picture_in_the_folder_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No link out of it, no pipe, no folder, no other format, nothing too big."""
    outside = put(tmp_path, "out.jpg", jpeg((1.0, 2.0))) / "photos" / "out.jpg"
    site = tmp_path / "site"
    site.mkdir()
    put(site, "text.jpg", b"no picture")
    png = io.BytesIO()
    Image.new("RGB", (1, 1)).save(png, "PNG")
    put(site, "b.png", png.getvalue())
    (site / "photos" / "link.jpg").symlink_to(outside)
    (site / "photos" / "folder.jpg").mkdir()
    os.mkfifo(site / "photos" / "pipe.jpg")
    names = ("text.jpg", "b.png", "link.jpg", "folder.jpg", "pipe.jpg", "none.jpg")
    assert [read_photo(name, site) for name in names] == [None] * 6
    put(site, "a.jpg", jpeg((1.0, 2.0)))
    assert read_photo("a.jpg", site) is not None
    monkeypatch.setattr(photos, "MOST_BYTES", 100)
    assert read_photo("a.jpg", site) is None


@pytest.fixture
def read_with(tmp_path: Path) -> Callable[..., Survey]:
    """Read a site with one finding and its photo, taken at a place of the lot."""

    def read(place_m: tuple[float, float], taken: str = "", **cells: str) -> Survey:
        folder = write_folder(tmp_path / "site")
        degrees = read_site(folder).site.frame.to_lonlat(np.array([place_m]))[0]
        put(folder, "p.jpg", jpeg((float(degrees[0]), float(degrees[1])), None, taken))
        (folder / "findings.csv").write_text(f"{HEAD}\n{row(**cells)}\n", "utf-8")
        return read_site(folder)

    return read


FOUND = {"id": "F1", "kind": "test-pit", "found": "yes", "photo": "p.jpg"}


def codes(survey: Survey) -> set[str]:
    return {one.code for one in survey.site.notices if one.code.startswith("photo")}


def finding(survey: Survey) -> Finding:
    (found,) = (item for item in survey.site.evidence if isinstance(item, Finding))
    return found


def test_a_photo_elsewhere_or_on_another_day_is_a_notice(read_with: Callable[..., Survey]) -> None:
    """40 m off is said, 10 m is a telephone; neither moves the find."""
    given = {"x": "20ft", "y": "10ft", "date": "2026-05-12"}
    far = read_with((46.096, 3.048), "2026:05:11 09:00:00", **FOUND, **given)
    assert codes(far) == {"photo-place-differs", "photo-date-differs"}
    near = read_with((12.096, 11.048), "2026:05:12 09:00:00", **FOUND, **given)
    assert codes(near) == set()
    for survey in (far, near):
        assert (finding(survey).x_m, finding(survey).y_m) == pytest.approx((6.096, 3.048))
    assert finding(near).photo_taken == "2026-05-12 09:00:00"
    assert finding(far).photo_off_m == pytest.approx(40.0, abs=0.02)
    assert finding(near).photo_off_m == pytest.approx(10.0, abs=0.02)


def test_a_find_without_a_place_lies_weakly_where_its_photo_was_taken(
    read_with: Callable[..., Survey],
) -> None:
    """Within 8 m whatever sd the row has; a hole that missed has no place by it."""
    survey = read_with((3.0, 4.0), **FOUND, sd="1in")
    assert codes(survey) == {"photo-place-taken"}
    found = finding(survey)
    assert found.sd_m == photos.PHOTO_SD_M
    assert np.hypot(found.x_m, found.y_m) == pytest.approx(5.0, abs=0.01)
    assert found.photo_off_m is None
    miss = {**FOUND, "found": "no", "length": "4ft", "width": "3ft", "dug_to": "9ft"}
    with pytest.raises(BadInput) as raised:
        read_with((3.0, 4.0), **miss)
    assert [fault.code for fault in raised.value.faults] == ["finding-without-place"]
