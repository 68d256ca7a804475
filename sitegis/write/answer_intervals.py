"""Intervals, regions and taps as they stand in ``answer.json``."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..geometry.frames import LotFrame, wrap_degrees
from ..model.derived import TapSpread
from ..numerics.intervals import Ellipse, Interval, Region
from ..numerics.ordering import on_lattice
from ..units import LengthUnit, format_station
from .numbers import finite, members_of


def place_object(frame: LotFrame, x_m: float, y_m: float) -> dict[str, float | None]:
    """Return a lot position in both frames, the degrees (8 decimals) from what is written.

    Parameters
    ----------
    frame
        The lot on the grid.
    x_m
        Lot coordinate along the front line, m.
    y_m
        Lot coordinate toward the rear, m.

    Returns
    -------
    dict[str, float | None]
        Longitude, latitude, x and y.
    """
    longitude, latitude = frame.written_lonlat(np.array([x_m, y_m]))
    # as written: the degrees were worked out from the same
    x_m, y_m = on_lattice([x_m, y_m]).tolist()
    return {
        "longitude": finite(float(longitude), 8),
        "latitude": finite(float(latitude), 8),
        "x_m": finite(x_m),
        "y_m": finite(y_m),
    }


def interval_list(intervals: tuple[Interval, ...]) -> list[dict[str, Any]]:
    """Return each level with its pieces, low before high."""
    return [
        {"level": one.level, "pieces": [[finite(low), finite(high)] for low, high in one.pieces]}
        for one in intervals
    ]


def azimuth_list(frame: LotFrame, angles: tuple[Interval, ...]) -> list[dict[str, Any]]:
    """Return intervals of a lot angle (rad) as grid azimuths, clockwise from low to high.

    The low end lies in [0, 360); the high end may pass 360.

    Parameters
    ----------
    frame
        The lot on the grid.
    angles
        Intervals of a lot angle, rad.

    Returns
    -------
    list[dict[str, Any]]
        Azimuths, degrees.
    """
    rows = []
    for one in angles:
        pieces = []
        for low, high in one.pieces:
            # lot angles run counter-clockwise, azimuths clockwise: the high end is the low one
            start = wrap_degrees(frame.azimuth_deg(high))
            pieces.append([finite(start), finite(start + float(np.degrees(high - low)))])
        rows.append({"level": one.level, "pieces": sorted(pieces)})
    return rows


def region_list(frame: LotFrame, regions: tuple[Region, ...]) -> list[dict[str, Any]]:
    """Return each level with its ellipses.

    Parameters
    ----------
    frame
        The lot on the grid.
    regions
        One region a level.

    Returns
    -------
    list[dict[str, Any]]
        The levels with their ellipses.
    """
    return [
        {"level": one.level, "pieces": [_ellipse(frame, piece) for piece in one.pieces]}
        for one in regions
    ]


def _ellipse(frame: LotFrame, one: Ellipse) -> dict[str, float | None]:
    """Return an ellipse; the azimuth of its major axis in [0, 180)."""
    return {
        **place_object(frame, one.x_m, one.y_m),
        **members_of(one, "semi_major_m semi_minor_m"),
        # an axis has no sense; rounded first, or 180 might be written for 0
        "major_azimuth_deg": finite(round(frame.azimuth_deg(one.angle_rad), 6) % 180.0),
    }


def tap_object(frame: LotFrame, tap: TapSpread, units: LengthUnit) -> dict[str, Any]:
    """Return the tap on one main, given that the lateral goes to it.

    Parameters
    ----------
    frame
        The lot on the grid.
    tap
        Where the main may be tapped.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    dict[str, Any]
        The object, ready for JSON.
    """
    return {
        "main": tap.main.id,
        "probability": finite(tap.probability),
        **place_object(frame, float(tap.place[0]), float(tap.place[1])),
        "station_m": finite(tap.station_m),
        "manhole": None if tap.manhole is None else tap.manhole.id,
        **members_of(tap, "direction from_manhole_m"),
        "station": station_words(tap, units),
        "intervals": {
            "station_m": interval_list(tap.station),
            "from_manhole_m": interval_list(tap.from_manhole),
            "invert_m": interval_list(tap.invert),
        },
    }


def station_words(tap: TapSpread, units: LengthUnit) -> str | None:
    """Return the station as a surveyor writes it, None without a manhole on record.

    For example ``station 1+49.7 from MH-A2, upstream``.

    Parameters
    ----------
    tap
        Where the main may be tapped.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str | None
        The station as text, None without a manhole.
    """
    if tap.manhole is None or tap.from_manhole_m is None:
        return None
    at = format_station(tap.from_manhole_m, units)
    return f"station {at} from {tap.manhole.id}, {tap.direction}"
