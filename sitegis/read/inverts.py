"""How deep a main lies: inverts above the slab from what the record gives."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.site import Street
from .context import Reading
from .schema import MainTable

# Judgment, no source, where the record says nothing.
DEPTH_M, UNKNOWN_SD_M = 2.7, 0.8
# half a foot
INVERT_SD_M = 0.1524
SLAB_SD_M = 0.03
SLOPE = 0.004
SHALLOWEST_M, DEEPEST_M = 0.5, 15.0


@dataclass(frozen=True, slots=True)
class Station:
    """A manhole on the full line: id, station with the flow, invert and rim above the slab."""

    id: str
    station_m: float
    invert_m: float | None
    rim_m: float | None = None


@dataclass(frozen=True, slots=True)
class InvertLevel:
    """Known inverts (station, elevation above slab) with their sd."""

    knots: tuple[tuple[float, float], ...]
    sd_m: float
    known: bool


def above_slab(reading: Reading, elevation_m: float | None, key: str) -> float | None:
    """Take an elevation in the main's datum to one above the slab; needs the leveled tie.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    elevation_m
        Elevation in the main's datum, m; None where not given.
    key
        Dotted key of ``site.toml``.

    Returns
    -------
    float | None
        Elevation above the slab, m; None where not given or not tied.
    """
    if elevation_m is None:
        return None
    slab_m = reading.file.site.slab_elevation
    if slab_m is None and "site.slab_elevation" in reading.report.cut_keys:
        return None
    if slab_m is None:
        reading.report.fault("slab-elevation-missing", key, None)
        return None
    return elevation_m - slab_m


def find_inverts(
    reading: Reading,
    table: MainTable,
    key: str,
    line: BaseGeometry,
    *,
    manholes: tuple[Station, ...],
    street: Street,
    middle_m: float,
) -> InvertLevel | None:
    """Find what is known of the main's inverts; None with the faults gathered.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    table
        One ``[[main]]`` table.
    key
        Dotted key of ``site.toml``.
    line
        Full line of the main in the lot, m.
    manholes
        Manholes with stations, upstream first.
    street
        The street it lies in.
    middle_m
        Station abreast of the lot's middle, m.

    Returns
    -------
    InvertLevel | None
        The known inverts with stations, None with the faults gathered.
    """
    report = reading.report
    pair = (table.invert_upstream, table.invert_downstream)
    given = [table.invert is not None, table.depth is not None, pair != (None, None)]
    if sum(given) > 1 or (given[2] and None in pair):
        report.fault("invert-source", f"{key}.invert", None)
        return None
    slab_sd_m = reading.file.site.slab_elevation_sd or SLAB_SD_M
    sd_m = math.hypot(table.invert_sd or INVERT_SD_M, slab_sd_m)
    ground_m = street.ground_elevation_m
    knots = [(spot.station_m, spot.invert_m) for spot in manholes if spot.invert_m is not None]
    if given[2]:
        ends = [
            above_slab(reading, value, f"{key}.{name}")
            for value, name in zip(pair, ("invert_upstream", "invert_downstream"), strict=True)
        ]
        if ends[0] is None or ends[1] is None:
            return None
        if ends[0] < ends[1]:
            report.fault("invert-reversed", f"{key}.invert_upstream", None)
            return None
        # typed manholes are the ends that the record's pair is of; a drawn main has its own
        taped = table.layer is None and len(manholes) > 1
        stations = (manholes[0].station_m, manholes[-1].station_m) if taped else (0.0, line.length)
        knots.extend(zip(stations, (ends[0], ends[1]), strict=True))
    elif given[0]:
        invert_m = above_slab(reading, table.invert, f"{key}.invert")
        if invert_m is None:
            return None
        knots.append((middle_m, invert_m))
    elif table.depth is not None:
        knots.append((middle_m, ground_m - table.depth))
        sd_m = math.hypot(table.invert_sd or INVERT_SD_M, street.ground_elevation_sd_m)
    elif not knots:
        report.note(
            "invert-assumed",
            f"{key}.invert",
            id=table.id,
            depth_m=DEPTH_M,
            unknown_sd_m=UNKNOWN_SD_M,
        )
        return InvertLevel(((middle_m, ground_m - DEPTH_M),), UNKNOWN_SD_M, known=False)
    return _checked(
        reading, table, key, InvertLevel(tuple(sorted(knots)), sd_m, known=True), ground_m
    )


def _checked(
    reading: Reading, table: MainTable, key: str, level: InvertLevel, ground_m: float
) -> InvertLevel | None:
    """Fault inverts that lie above the street or far too deep: a blunder of unit or datum."""
    for _, invert_m in level.knots:
        depth_m = ground_m - invert_m
        if not SHALLOWEST_M <= depth_m <= DEEPEST_M:
            field = "depth" if table.depth is not None else "invert"
            reading.report.fault(
                "invert-absurd", f"{key}.{field}", None, id=table.id, depth_m=depth_m
            )
            return None
    return level


def inverts_at(level: InvertLevel, stations: Array) -> Array:
    """Interpolate the known inverts at stations (n,); past them the nearest slope goes on.

    Parameters
    ----------
    level
        Known inverts with stations.
    stations
        Stations (n,), m.

    Returns
    -------
    Array
        Inverts (n,), m above the slab.
    """
    at, inverts = (np.array(column) for column in zip(*level.knots, strict=True))
    # two knots in one place give no slope
    keep = np.concatenate([[True], np.diff(at) > 0.5])
    at, inverts = at[keep], inverts[keep]
    if len(at) == 1:
        # a single knot: an ordinary fall of a sewer, with the flow
        return np.asarray(inverts[0] - SLOPE * (stations - at[0]))
    slopes = np.diff(inverts) / np.diff(at)
    inside = np.interp(stations, at, inverts)
    # minimum and maximum with 0: each acts beyond its own end alone
    before = np.minimum(stations - at[0], 0.0) * slopes[0]
    after = np.maximum(stations - at[-1], 0.0) * slopes[-1]
    return np.asarray(inside + before + after)
