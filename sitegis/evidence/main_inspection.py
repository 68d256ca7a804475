"""Taps found in a main by a camera, by their distance from a manhole."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field, StrictBool

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Length, Name
from ..model.site import Evidence, Main, Site
from ..numerics.ordering import MATTERS_M, ordered
from ..numerics.statistics import normal_density
from . import kind as parts
from .tap_record import TAP_SD_M

DEFAULT = parts.Default(0.90, 0.50, "CCTV finds 9 of 10 connections")  # judgment, no source
MOST_AIMS = 4


@dataclass(frozen=True, slots=True)
class MainInspection(Evidence):
    """Taps found in a main; ``complete`` if the whole frontage was inspected.

    ``taps_m`` are distances from the manhole, positive with the flow.
    """

    main: Annotated[Name, Ask("front-main")]
    manhole: Annotated[Name, Ask("MH-1")]
    taps_m: Annotated[
        tuple[Length, ...],
        Field(max_length=1000),
        Ask(("31 ft", "64 ft"), "from the manhole, + with the flow"),
    ]
    complete: Annotated[StrictBool, Ask(True, "the whole frontage seen")] = True
    sd_m: parts.ItemSd = None
    reliability: parts.Trust = None
    kind: Literal["main_inspection"] = "main_inspection"


def stations(item: MainInspection, main: Main) -> Array:
    """Return the stations (k,) of the taps that lie on the part of the main near the lot.

    Parameters
    ----------
    item
        Item of evidence.
    main
        The main.

    Returns
    -------
    Array
        Stations (k,), m.
    """
    start_m = parts.station_from(item.manhole, 0.0, main)
    if start_m is None:
        return np.zeros(0)
    found = np.sort(start_m + np.array(item.taps_m))
    return found[(found >= 0.0) & (found <= float(polyline.length(main.line)))]


def check(item: MainInspection, mains: tuple[Main, ...]) -> Iterable[parts.EvidenceFault]:
    """Note the taps past the part of the main that is known.

    Parameters
    ----------
    item
        Item of evidence.
    mains
        The mains.

    Yields
    ------
    Iterable[parts.EvidenceFault]
        What is to be noted.
    """
    main = next(main for main in mains if main.id == item.main)
    length_m = float(polyline.length(main.line))
    for number, distance_m in enumerate(item.taps_m, start=1):
        station_m = parts.station_from(item.manhole, distance_m, main)
        if station_m is None or not 0.0 <= station_m <= length_m:
            key = f"taps[{number}]"
            yield parts.EvidenceFault("notice", "tap-off-main", key, None, {"main": item.main})


def likelihood(item: MainInspection, laid: parts.RouteSet) -> Array:
    """Tap station among the taps found; without one the inspection missed it.

    Relative to all taps being others' and spread evenly over the block: reliability × block ×
    mean over taps of N(station − tap) + (1 − reliability); half the reliability where the
    inspection is not complete. Another main's hypothesis: 1.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Likelihoods (m,), relative.
    """
    if laid.main.id != item.main:
        return np.ones(len(laid.stations_m))
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    # a camera that did not see all of the frontage may not have come to the tap
    reliability *= 1.0 if item.complete else 0.5
    taps = stations(item, laid.main)
    if not taps.size:
        return np.full(len(laid.stations_m), 1.0 - reliability)
    sd = float(np.hypot(parts.sd_in_force(item.sd_m, DEFAULT.sd_m), TAP_SD_M))
    # any of the taps found may be this lot's: mean over them
    found = normal_density(laid.stations_m[:, None] - taps, sd).mean(axis=1)
    # relative to an even density over the block, which makes it
    # comparable with the constant 1 of other mains
    return np.asarray(reliability * parts.block_m(laid.main) * found + (1.0 - reliability))


def aims(item: MainInspection, site: Site, main: Main) -> Iterable[parts.Aim]:
    """Aim at the inspected taps in front of the lot, at most four, on the item's own main.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    main
        The main.

    Yields
    ------
    Iterable[parts.Aim]
        Points aimed at, with their spread in m.
    """
    if item.main != main.id:
        return
    places = polyline.line_interpolate_point(main.line, stations(item, main))
    gaps = np.hypot(*(places - site.lot.vertices.mean(axis=0)).T)
    for index in ordered(gaps, MATTERS_M)[:MOST_AIMS]:
        yield parts.Aim(places[index], parts.sd_in_force(item.sd_m, DEFAULT.sd_m))


def no_news(item: Any, site: Site) -> float:
    """Return 1: what is in a listed main tells nothing of another way.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        1.
    """
    return 1.0


KIND = parts.EvidenceKind(
    record=MainInspection,
    label="CCTV of the main",
    words="CCTV of the main: connections the city's camera found",
    on_route=parts.OnRoute(DEFAULT, likelihood, no_news),
    cause=None,
    check=check,
    aims=aims,
    mark=None,
    assumed=None,
)
