"""``stakeout.csv``: every place to mark on the ground, with its ties and coordinates."""

from __future__ import annotations

import csv
import io

import numpy as np

from ..dig.stakeout import StakeoutRow, stakeout_rows
from ..model.survey import Survey
from ..units import about
from .text import point_words

TIES = 3
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
_COLUMNS = (
    "name", "evidence_class", "easting", "northing", "longitude", "latitude", "x_m", "y_m",
    "sd_m", "tie_angle_deg", "wall", "along_from", "along_wall", "out_from_wall",
    *(f"tie_{i}_{part}" for i in range(1, TIES + 1) for part in ("from", "distance", "m")),
)  # fmt: skip


def stakeout_bytes(survey: Survey) -> bytes:
    """Write the table as CSV (UTF-8, RFC 4180): grid coordinates in the CRS's own unit, ties.

    Distances stand twice: as a tape is read in the site's units, and in meters.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for row in stakeout_rows(survey):
        writer.writerow([plain_cell(cell) for cell in _cells(survey, row)])
    return text.getvalue().encode("utf-8")


def plain_cell(text: str) -> str:
    """Keep a cell from being taken for a formula by a spreadsheet: a leading quote.

    A number may begin with its sign, and with nothing else.

    >>> plain_cell("=1+1"), plain_cell("-2.5"), plain_cell("pit-1"), plain_cell(" -2.5")
    ("'=1+1", '-2.5', 'pit-1', "' -2.5")
    """
    stripped = text.lstrip()
    # both: programs strip blanks before they look for a formula
    if not stripped.startswith(_FORMULA_STARTS) and not text.startswith(_FORMULA_STARTS):
        return text
    if text != stripped:
        return "'" + text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text


def _cells(survey: Survey, row: StakeoutRow) -> list[str]:
    frame, unit = survey.site.frame, survey.site.units
    place = np.array([row.x_m, row.y_m])
    east, north = frame.written_crs(place)
    longitude, latitude = frame.written_lonlat(place)
    cells = [
        row.name,
        "inferred",
        f"{east:.4f}",
        f"{north:.4f}",
        f"{longitude:.9f}",
        f"{latitude:.9f}",
        f"{row.x_m:.3f}",
        f"{row.y_m:.3f}",
        f"{row.sd_m:.3f}" if np.isfinite(row.sd_m) else "",
        f"{row.angle_deg:.1f}",
        row.wall,
        point_words(row.along_from),
        about(row.along_m, unit),
        about(row.offset_m, unit),
    ]
    for tie in row.ties[:TIES]:
        cells += [
            point_words(tie.from_name),
            about(tie.distance_m, unit),
            f"{tie.distance_m:.3f}",
        ]
    # every row as long as the head
    return cells + [""] * (len(_COLUMNS) - len(cells))
