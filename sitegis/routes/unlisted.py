"""How well a lateral that runs in no listed way suits the exit, and what is known of its route."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..exit import choose_components, sample_exit
from ..finds.ground import log_shared
from ..finds.kinds import find_density, miss_given, passes_find, residuals
from ..finds.records import Found, Missed
from ..geometry.frames import Array, lot_direction
from ..model.results import Exit, Hypothesis, Routes
from ..model.site import SIDES, Evidence, Side, Site
from .bends import COUNT_SHARES
from .draw import LEAST_STRAIGHT_M, ValueLaw
from .likelihoods import item_names, unlisted_log_likelihood
from .sobol import scrambled

__all__ = [
    "UNLISTED_ELSEWHERE",
    "UNLISTED_OPEN",
    "unlisted_log_fit",
    "unlisted_routes",
]

# How often an unlisted lateral leaves toward a side where a main not on record, or a tank, may
# lie, against any other side. Common practice, no source.
UNLISTED_OPEN, UNLISTED_ELSEWHERE = 1.0, 0.25
# From there it fits as a direct way from the wall that faces its main: over invented houses the
# mean of such a Z is e⁻¹.
FITTING_LOG_FIT = -1.0
REACH_M = 20.0
"""How far from the wall an unlisted lateral is taken to end: judgment, no source."""
DRAWS, DRAWS_PER_FIND = 1024, 8192
"""First straights that are drawn; more where something was found, for few of them pass it."""


def unlisted_log_fit(site: Site, exit_side: Side) -> float:
    """Return ln Z of the geometry of ``unlisted``: ln p(exit wall | unlisted) − 1.

    The wall that the drain leaves by is evidence. A listed way fits from the wall that suits it
    and from hardly any other, so that its own fit says p(wall | way); an unlisted one may suit
    any of the four: p = w(wall) / Σ w. It ends at a main or a tank that is not on record, and
    such lie in a street or an alley or behind the rear line, where no main is on record there:
    w = 1. Toward a neighbor at the side, or toward a main on record, w = 0.25. Judgment, no
    source; the same weight for every wall would leave ln ¼ − 1.

    Parameters
    ----------
    site
        The site as read.
    exit_side
        Wall that the drain passes.

    Returns
    -------
    float
        ln Z.

    Examples
    --------
    >>> from math import exp, log
    >>> round(exp(log(1 / 1.75) - 1.0), 3)  # the rear wall, a front main alone on record
    0.21
    """
    weights = {side: _weight(site, side) for side in SIDES}
    return float(np.log(weights[exit_side] / sum(weights.values()))) + FITTING_LOG_FIT


def unlisted_routes(hypothesis: Hypothesis, site: Site, exit: Exit) -> Routes:
    """Sample what is known of an unlisted lateral: its first straight, and no tap.

    Wherever it ends, it leaves by the exit and runs straight to its first bend, which stands as on
    a direct way; past that its place is not known. A hole that a straight crosses is held against
    it, and a find beside it as against any route; where a straight ends before a find, the find
    may be this lateral or not: it is as likely anywhere.

    Parameters
    ----------
    hypothesis
        The hypothesis ``unlisted``.
    site
        The site as read.
    exit
        Exit of the drain, a mixture of poses.

    Returns
    -------
    Routes
        ``DRAWS`` straights (s, 2, 2), more where something was found; without taps.
    """
    found = any(isinstance(item, Found) for item in site.evidence)
    drawn = _first_straights(site, exit, DRAWS_PER_FIND if found else DRAWS)
    vertices, inverts, lengths, components, slopes = drawn
    log_fit, none = unlisted_log_fit(site, exit.side), np.zeros(0)
    named = zip(item_names(site.evidence), site.evidence, strict=True)
    logs = {name: _log_likelihood(item, site, vertices, inverts, lengths) for name, item in named}
    return Routes(
        hypothesis=hypothesis,
        vertices=vertices,
        inverts_m=inverts,
        lengths_m=lengths,
        arrivals_m=none,
        tap_stations_m=none,
        log_prior=np.full(len(lengths), log_fit),
        log_likelihoods=logs | log_shared(site, vertices, inverts, lengths),
        drawn=len(lengths),
        why_none="no route is sampled for other or not on record",
        components=components,
        drain_slopes=slopes,
    )


def _log_likelihood(
    item: Evidence, site: Site, vertices: Array, inverts_m: Array, lengths_m: Array
) -> Array:
    """Return ln P(item | first straight) (s,): what is not told of it is as likely anywhere."""
    if isinstance(item, Missed):
        return np.asarray(np.log(miss_given(item, site, vertices, inverts_m)))
    anywhere = np.full(len(lengths_m), unlisted_log_likelihood(item, site))
    if not isinstance(item, Found):
        return anywhere
    misses = residuals(item, site, vertices, inverts_m, lengths_m)
    return np.where(passes_find(item, vertices), np.log(find_density(item, site, misses)), anywhere)


def _first_straights(
    site: Site, exit: Exit, count: int
) -> tuple[Array, Array, Array, NDArray[np.int64], Array]:
    """Draw both ends (s, 2, 2) and inverts there (s, 2) of first straights from the exit.

    With them their lengths (s,), m, the component of the exit's mixture and the drain's slope at
    the exit of each (s,). ``count`` is a power of two.
    """
    sequence = scrambled(7, np.random.default_rng([site.seed, 13]))
    uniforms = np.clip(sequence.points(0, count), 1e-12, 1.0 - 1e-9)
    normals = ndtri(uniforms[:, :5])
    x, y, angle, invert, slope = sample_exit(exit, normals[:, :3], uniforms[:, 5], normals[:, 3:])
    straight = COUNT_SHARES[0]
    # what is left of a uniform that chose is a uniform again
    anew = np.maximum(uniforms[:, 6] - straight, 0.0) / (1.0 - straight)
    bend = ValueLaw(LEAST_STRAIGHT_M, REACH_M)(anew)
    length = np.where(uniforms[:, 6] < straight, REACH_M, bend)
    start = np.stack([x, y], axis=1)
    vertices = np.stack([start, start + length[:, None] * lot_direction(angle)], axis=1)
    component, _ = choose_components(exit, uniforms[:, 5])
    return vertices, np.stack([invert, invert - slope * length], axis=1), length, component, slope


def _weight(site: Site, side: Side) -> float:
    """Weigh a side of the lot as where an unlisted lateral goes."""
    on_record = any(main.side == side for main in site.mains)
    # a street may lie at a side too, on a corner lot; the rear may hide a tank or an alley
    reaches = side in ("front", "rear") or any(street.side == side for street in site.streets)
    return UNLISTED_OPEN if reaches and not on_record else UNLISTED_ELSEWHERE
