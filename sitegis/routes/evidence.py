"""Route-dependent evidence: names, what the proposal aims at, log-likelihoods.

Items that depend on the hypothesis alone (permit drawing, neighbours, era) are weighed in stage
``score``.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from .. import _polyline
from .._evidence import (
    CleanoutOutside,
    Evidence,
    MainInspection,
    OutdoorLocate,
    SurfaceSign,
    TapRecord,
)
from .._frames import Array
from .._site import Main, Site
from .._survey import Survey
from .likelihoods import (
    DEFAULTS,
    FALSE_HEARD,
    FALSE_SEEN,
    LEAST_BLOCK_M,
    LIKELIHOODS,
    UNLISTED,
    CountTie,
    Default,
    Laid,
    recorded_station,
    reliability_in_force,
    sd_of,
)
from .plan import Aim

__all__ = [
    "DEFAULTS",
    "FALSE_HEARD",
    "FALSE_SEEN",
    "LEAST_BLOCK_M",
    "CountTie",
    "Default",
    "Laid",
    "aims_for",
    "count_tie",
    "is_route_dependent",
    "item_names",
    "log_likelihoods",
    "reliability_in_force",
    "unlisted_log_likelihood",
]


def item_names(evidence: tuple[Evidence, ...]) -> tuple[str, ...]:
    """Name the items: the kind, then kind-2, kind-3 for further ones of the same kind.

    >>> item_names((SurfaceSign(1.0, 2.0, 0.5), SurfaceSign(3.0, 2.0, 0.5)))
    ('surface_sign', 'surface_sign-2')
    """
    seen: Counter[str] = Counter()
    names = []
    for item in evidence:
        seen[item.kind] += 1
        names.append(item.kind if seen[item.kind] == 1 else f"{item.kind}-{seen[item.kind]}")
    return tuple(names)


def is_route_dependent(item: Evidence) -> bool:
    """Tell whether an item's likelihood depends on the route."""
    return item.kind in DEFAULTS


def log_likelihoods(laid: Laid) -> dict[str, Array]:
    """Give log-likelihoods (m,) of every route-dependent item, by item name."""
    evidence = laid.site.evidence
    return {
        name: np.log(np.maximum(LIKELIHOODS[item.kind](item, laid), 1e-300))
        for name, item in zip(item_names(evidence), evidence, strict=True)
        if is_route_dependent(item)
    }


def unlisted_log_likelihood(item: Evidence, site: Site) -> float:
    """Give the log-likelihood of an item where the lateral runs in no listed way.

    A place or station is then as likely anywhere; dye and sound pass a manhole by chance.
    """
    if not is_route_dependent(item):
        return 0.0
    return float(np.log(UNLISTED[item.kind](item, site)))


def count_tie(survey: Survey) -> CountTie | None:
    """Tie cable counts to the exit from the drain's points that have one; None without any."""
    if survey.fitted is None or survey.placed is None or survey.left_at is None:
        return None
    drain, placed = survey.fitted, survey.placed
    gaps = []
    for name, station in zip(drain.point_ids, drain.stations_m, strict=True):
        count = placed.points[placed.index(name)].cable_count_m
        if count is not None:
            gaps.append(count - float(station))
    if not gaps:
        return None
    at_exit = float(np.median(gaps)) + drain.length_m + survey.left_at.unseen_m
    noise = survey.site.noise
    return CountTie(at_exit, float(np.hypot(noise.cable_count_floor_m, 0.1)))


def aims_for(site: Site, main: Main) -> tuple[Aim, ...]:
    """List the points that the evidence says the route to a main probably meets."""
    aims: list[Aim] = []
    for item in site.evidence:
        if isinstance(item, OutdoorLocate | CleanoutOutside):
            aims.append(Aim(np.array([item.x_m, item.y_m]), sd_of(item, site)))
        elif isinstance(item, SurfaceSign):
            aims.append(Aim(np.array([item.x_m, item.y_m]), max(item.radius_m, 0.1)))
        elif isinstance(item, TapRecord) and item.main == main.id:
            station = recorded_station(item, main)
            if station is not None:
                aims.append(
                    Aim(_polyline.line_interpolate_point(main.line, station), sd_of(item, site))
                )
        elif isinstance(item, MainInspection) and item.main == main.id:
            near = _nearest_stations(item, main, site)
            places = _polyline.line_interpolate_point(main.line, np.array(near))
            aims.extend(Aim(place, sd_of(item, site)) for place in places)
    return tuple(aims)


def _nearest_stations(item: MainInspection, main: Main, site: Site) -> list[float]:
    """Give the inspected taps in front of the lot, at most four."""
    middle = site.lot.vertices.mean(axis=0)
    places = _polyline.line_interpolate_point(main.line, np.array(item.stations_m))
    order = np.argsort(np.hypot(*(places - middle).T), kind="stable")[:4]
    return [item.stations_m[int(i)] for i in order]
