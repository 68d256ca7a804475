"""How findings weigh on routes: the two kinds of evidence that ``findings.csv`` gives."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..evidence import KINDS, EvidenceKind
from ..evidence import kind as parts
from ..geometry import polyline
from ..geometry.frames import Array
from ..model.site import Evidence, Main, Site
from ..numerics.ordering import MATTERS_M, at_least
from ..numerics.poles import depth_of_poles_m, poles_at_find
from ..pits.exposure import ground_sd_m
from .records import Finding, Found, Missed, Work
from .reweigh import COMMON_FAILURE, PIT_SHOWS, find_likelihood, hole_shows, miss_likelihood

__all__ = [
    "FIND_KINDS",
    "find_density",
    "is_narrower",
    "kind_of",
    "measured_invert_m",
    "miss_given",
    "passes_find",
    "reliability_of",
    "residuals",
    "right_density",
    "stray_find",
]

Residuals = tuple[Array, Array | None, Array | None]
# All judgment, no source: how often what was found is this drain, by what was done to find it; ...
RIGHT: Mapping[Work, float] = {
    "test-pit": 0.98,
    "vacuum-hole": 0.95,
    "trench": 0.98,
    "locate": 0.95,
    "cleanout": 0.90,
    "connection": 0.80,
}
# ... how often it shows where the pipe is there; ...
SHOWS: Mapping[Work, float] = {
    "test-pit": PIT_SHOWS,
    "vacuum-hole": 0.90,
    "trench": 0.95,
    "locate": 0.60,
    "cleanout": 0.50,
    "connection": 0.60,
}
# ... how truly the pipe lies where it is said to be, the place's own spread apart; and a measured
# depth, from a pit's edge and by the locator's share.
ACROSS_SD_M: Mapping[Work, float] = {
    "test-pit": 0.02,
    "vacuum-hole": 0.03,
    "trench": 0.02,
    "locate": 0.0,
    "cleanout": 0.15,
    "connection": 0.15,
}
DEPTH_SD_M = 0.02
DIRECTION_SD_RAD = float(np.radians(5.0))
PIPE_WALL_M = 0.008
NO_BOTTOM_M = -1000.0  # of what was searched from above, however deep
# A lateral is hardly ever narrower than the drain that feeds it: judgment.
NARROWER_M, NARROWER_ODDS = 0.015, 0.1


def kind_of(item: Evidence) -> EvidenceKind[Any]:
    """Return the kind of an item of evidence, from ``site.toml`` or ``findings.csv``."""
    return KINDS[item.kind] if item.kind in KINDS else FIND_KINDS[item.kind]


def measured_invert_m(item: Finding, site: Site) -> tuple[float, float] | None:
    """Return the invert that was measured and its standard deviation; None without a depth.

    From the top of the pipe its diameter and wall are taken off: the measured diameter, else
    the drain's. The ground it was measured from is known as well as the site says. A pipe located
    from above, as deep as it reads, lies less deep in iron (:mod:`sitegis.numerics.poles`).

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    tuple[float, float] | None
        Invert above the slab and its standard deviation in m, None without a depth.
    """
    depth = item.depth_to_invert_m
    if depth is None and item.depth_to_top_m is not None:
        diameter = site.drain_diameter_m if item.diameter_m is None else item.diameter_m
        depth = item.depth_to_top_m + diameter + PIPE_WALL_M
    if depth is None:
        return None
    point = parts.place_of(item)
    sd = DEPTH_SD_M
    if item.work == "locate":
        depth = depth_of_poles_m(depth, poles_at_find(item.material, site.poles_m))
        sd = float(np.hypot(site.noise.depth_sd_m(depth), site.noise.session_depth_scale * depth))
    ground, ground_sd = float(site.ground.elevation_m(point)), float(ground_sd_m(site, point))
    return ground - depth, float(np.hypot(sd, ground_sd))


def across_sd_m(item: Finding, site: Site) -> float:
    """Return how truly a find is placed across the pipe, one standard deviation.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Standard deviation, m.
    """
    own = ACROSS_SD_M[item.work]
    if item.work == "locate":
        depth = item.depth_to_invert_m or item.depth_to_top_m or 0.0
        own = site.noise.located_sd_m(depth)
    return float(np.hypot(own, max(item.sd_m, parts.LEAST_SD_M)))


def residuals(
    item: Finding, site: Site, vertices: Array, inverts_m: Array, lengths_m: Array
) -> Residuals:
    """Return how each route misses a find: across (m,), below, and turn; None if not measured.

    A connection is held against the tap, anything else against the nearest place of the route.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    vertices
        Vertices of the routes (m, v, 2), m.
    inverts_m
        Inverts of the routes (m, v), m above the slab.
    lengths_m
        Lengths of the routes (m,), m.

    Returns
    -------
    Residuals
        Across, below and turn: (m,) in m and rad, None where not measured.
    """
    point = parts.place_of(item)
    across, station, segment = polyline.line_locate_point(vertices, point)
    if item.work == "connection":
        across, station = np.hypot(*(vertices[:, -1] - point).T), lengths_m
    below = turn = None
    if (measured := measured_invert_m(item, site)) is not None:
        # routes fall evenly from wall to main: the invert at the foot of the find
        fall = (inverts_m[:, 0] - inverts_m[:, -1]) / np.maximum(lengths_m, 1e-9)
        below = inverts_m[:, 0] - fall * station - measured[0]
    if item.direction_rad is not None:
        step = np.take_along_axis(np.diff(vertices, axis=1), segment[:, None, None], axis=1)
        angle = np.arctan2(step[:, 0, 1], step[:, 0, 0]) - item.direction_rad
        # a direction was measured either way along the pipe: into (−90°, 90°]
        turn = (angle + 0.5 * np.pi) % np.pi - 0.5 * np.pi
    return across, below, turn


def is_narrower(item: Finding, site: Site) -> bool:
    """Return whether a find is narrower than the drain that would feed it.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    bool
        Whether it is.
    """
    known = site.drain_diameter_known and item.diameter_m is not None
    return known and (item.diameter_m or 0.0) < site.drain_diameter_m - NARROWER_M


def reliability_of(item: Finding, site: Site) -> float:
    """Return the probability that a find is this drain, before it is held against any route.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Probability.
    """
    right = RIGHT[item.work]
    if is_narrower(item, site):
        # odds of being this drain, a tenth as much for one narrower than what feeds it
        odds = NARROWER_ODDS * right / (1.0 - right)
        return odds / (1.0 + odds)
    return right


def found_likelihood(item: Found, laid: parts.RouteSet) -> Array:
    """Return the density (m,) of a find: place, invert and direction, or a stray pipe's.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Densities (m,).
    """
    misses = residuals(item, laid.site, laid.vertices, laid.inverts_m, laid.lengths_m)
    return find_density(item, laid.site, misses)


def find_density(item: Found, site: Site, misses: Residuals) -> Array:
    """Return the density (m,) of what was measured of a find: of this drain, or of a stray pipe.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    misses
        Residuals of each route.

    Returns
    -------
    Array
        Densities (m,).
    """
    return _density(item, site, misses, reliability_of(item, site))


def passes_find(item: Found, vertices: Array) -> NDArray[np.bool_]:
    """Return which first straights (m,) run on past a find: the others end before it.

    Parameters
    ----------
    item
        Item of evidence. A connection is beyond every first straight.
    vertices
        Both ends (m, 2, 2), m.

    Returns
    -------
    NDArray[np.bool_]
        Mask (m,).
    """
    if item.work == "connection":
        return np.zeros(len(vertices), bool)
    _, station, _ = polyline.line_locate_point(vertices, parts.place_of(item))
    return np.asarray(at_least(polyline.length(vertices) - station, MATTERS_M, MATTERS_M), bool)


def right_density(item: Found, site: Site, misses: Residuals) -> Array:
    """Return the density (m,) of what was measured of a find that is this drain.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    misses
        Residuals of each route.

    Returns
    -------
    Array
        Densities (m,).
    """
    return _density(item, site, misses, 1.0)


def _density(item: Found, site: Site, misses: Residuals, reliability: float) -> Array:
    across, below, turn = misses
    measured = measured_invert_m(item, site)
    return find_likelihood(
        across,
        across_sd_m(item, site),
        reliability,
        below,
        1.0 if measured is None else measured[1],
        turn,
        DIRECTION_SD_RAD,
    )


def stray_find(item: Finding, site: Site) -> float:
    """Return the density of a find that has nothing to do with the lateral.

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
    depth = parts.STRAY_DEPTH_M if measured_invert_m(item, site) is not None else 1.0
    return 1.0 / parts.STRAY_BREADTH_M / depth / (1.0 if item.direction_rad is None else np.pi)


def missed_likelihood(item: Missed, laid: parts.RouteSet) -> Array:
    """Return P(this hole shows nothing | route) (m,): the top of the pipe above its bottom.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    return miss_given(item, laid.site, laid.vertices, laid.inverts_m)


def miss_given(item: Missed, site: Site, vertices: Array, inverts_m: Array) -> Array:
    """Return P(this hole shows nothing | a pipe) (m,), wherever the pipe leads.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    vertices
        Vertices of the pipes (m, v, 2), m.
    inverts_m
        Inverts of the pipes (m, v), m above the slab.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    # a search without a known hole says nothing of any route
    if not item.has_hole:
        return np.ones(len(vertices))
    point = parts.place_of(item)
    bottom = NO_BOTTOM_M
    if item.dug_to_m is not None:
        bottom = float(site.ground.elevation_m(point)) - item.dug_to_m
    shows = hole_shows(
        vertices,
        # the top of the pipe in the hole is enough to see it
        inverts_m + site.drain_diameter_m,
        np.array(item.hole),
        bottom,
        float(ground_sd_m(site, point)),
    )
    return miss_likelihood(shows[None], [SHOWS[item.work]])


def _aims(item: Found, site: Site, main: Main) -> tuple[parts.Aim, ...]:
    place, spread = parts.place_of(item), across_sd_m(item, site)
    measured = measured_invert_m(item, site)
    return (parts.Aim(place, spread, held=True, found=True, invert_m=measured),)


def _mark(item: Found) -> parts.Mark:
    known = "exposed" if item.exposed else "located"
    depth = item.depth_to_invert_m
    return parts.Mark(item.id, item.work, known, item.x_m, item.y_m, depth, item.sd_m)  # type: ignore[arg-type]  # of both


def _found_words(item: Found, site: Site, main: str) -> str:
    return (
        f"Find {item.id}: what a {item.work} shows is this drain with probability "
        f"{reliability_of(item, site):.2g} ({parts.SOURCE}); it lies within "
        f"{across_sd_m(item, site):.2g} m (one standard deviation) of where {item.placed} puts it."
    )


def _missed_words(item: Missed, site: Site, main: str) -> str:
    return (
        f"Miss {item.id}: a {item.work} shows the pipe with probability {SHOWS[item.work]:g} "
        f"where it is there; all misses fail together with probability {COMMON_FAILURE:g} "
        f"({parts.SOURCE})."
    )


FIND_KINDS: Mapping[str, EvidenceKind[Any]] = {
    kind.name: kind
    for kind in (
        EvidenceKind(
            record=Found,
            label="find",
            words="found = yes in findings.csv",
            on_route=parts.OnRoute(
                parts.Default(0.98, 0.02, "what is dug up is this drain"),
                found_likelihood,
                stray_find,
            ),
            cause=None,
            check=parts.as_it_is,
            aims=_aims,
            mark=_mark,
            assumed=_found_words,
        ),
        EvidenceKind(
            record=Missed,
            label="miss",
            words="found = no in findings.csv",
            on_route=parts.OnRoute(
                parts.Default(0.95, 0.0, "a pit shows the pipe where it is there"),
                missed_likelihood,
                lambda item, site: 1.0,
            ),
            cause=parts.SharedMiss(),
            check=parts.as_it_is,
            aims=parts.nowhere,
            mark=None,
            assumed=_missed_words,
        ),
    )
}
