"""A record that places this lot's tap at a distance from a manhole of a main."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Length, Name
from ..model.site import Evidence, Main, Site
from ..numerics.statistics import normal_density
from . import kind as parts

# Judgment, no source; the second is of the tap on the main itself.
DEFAULT = parts.Default(0.80, 0.60, "a connection record is of this lot and main 4 times in 5")
TAP_SD_M = 0.2


@dataclass(frozen=True, slots=True)
class TapRecord(Evidence):
    """A record places this lot's tap at a distance from a manhole of a main.

    ``distance_m`` is positive with the flow (downstream of the manhole), negative against it.
    """

    main: Annotated[Name, Ask("front-main")]
    manhole: Annotated[Name, Ask("MH-1")]
    distance_m: Annotated[Length, Ask("31 ft", "from the manhole, + with the flow")]
    sd_m: parts.ItemSd = None
    reliability: parts.Trust = None
    kind: Literal["tap_record"] = "tap_record"


def likelihood(item: TapRecord, laid: parts.RouteSet) -> Array:
    """Tap station against the record on its main; on another main the record is wrong.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Likelihoods (m,), per m.
    """
    stray = unlisted(item, laid.site)
    station = parts.station_from(item.manhole, item.distance_m, laid.main)
    if station is None or laid.main.id != item.main:
        return np.full(len(laid.stations_m), stray)
    # of the record, and of where on the main a tap is
    sd = float(np.hypot(parts.sd_in_force(item.sd_m, DEFAULT.sd_m), TAP_SD_M))
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    return reliability * normal_density(laid.stations_m - station, sd) + stray


def unlisted(item: TapRecord, site: Site) -> float:
    """Return the density of a record that is wrong: another lot's tap, on any main.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Density.
    """
    wrong = 1.0 - parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    return wrong * if_wrong(item, item.main, site)


def if_wrong(item: TapRecord, block_main: str, site: Site) -> float:
    """Return the density, per meter of main, of a record of another lot's tap.

    Parameters
    ----------
    item
        Item of evidence.
    block_main
        Id of the main that the block uses.
    site
        The site as read.

    Returns
    -------
    float
        Density, per m.
    """
    main = next((main for main in site.mains if main.id == item.main), None)
    # any main, and any place along it
    return (
        1.0
        / max(len(site.mains), 1)
        / (parts.LEAST_BLOCK_M if main is None else parts.block_m(main))
    )


def aims(item: TapRecord, site: Site, main: Main) -> Iterable[parts.Aim]:
    """Aim at the recorded tap, on its own main.

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
    station = parts.station_from(item.manhole, item.distance_m, main)
    if item.main == main.id and station is not None:
        sd_m = parts.sd_in_force(item.sd_m, DEFAULT.sd_m)
        yield parts.Aim(polyline.line_interpolate_point(main.line, station), sd_m)


KIND = parts.EvidenceKind(
    record=TapRecord,
    label="connection record",
    words="connection record (sewer card) of this lot",
    on_route=parts.OnRoute(DEFAULT, likelihood, unlisted),
    cause=parts.FromArchive(DEFAULT.reliability, if_wrong),
    check=parts.as_it_is,
    aims=aims,
    mark=None,
    assumed=None,
)
