"""How well a lateral that runs in no listed way suits the exit: none of its routes can be drawn."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from ..exit import sample_exit
from ..finds.kinds import miss_given
from ..finds.records import Missed
from ..geometry.frames import Array, lot_direction
from ..model.results import Exit
from ..model.site import SIDES, Side, Site
from .bends import COUNT_SHARES
from .draw import LEAST_STRAIGHT_M, ValueLaw
from .sobol import scrambled

__all__ = [
    "UNLISTED_ELSEWHERE",
    "UNLISTED_OPEN",
    "draw_unlisted",
    "unlisted_log_fit",
    "unlisted_misses",
]

# How often an unlisted lateral leaves toward a side where a main not on record, or a tank, may
# lie, against any other side. Common practice, no source.
UNLISTED_OPEN, UNLISTED_ELSEWHERE = 1.0, 0.25
# From there it fits as a direct way from the wall that faces its main: over invented houses the
# mean of such a Z is e⁻¹.
FITTING_LOG_FIT = -1.0
REACH_M = 20.0
"""How far from the wall an unlisted lateral is taken to end: judgment, no source."""
DRAWS = 1024


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


def unlisted_misses(site: Site, exit: Exit) -> dict[str, Array]:
    """Return ln P(a hole shows nothing | an unlisted lateral), over draws of it, by hole missed.

    The draws (:func:`draw_unlisted`) are the same for all holes: these are weighed together.

    Parameters
    ----------
    site
        The site as read.
    exit
        Exit of the drain, a mixture of poses.

    Returns
    -------
    dict[str, Array]
        Log likelihoods (s,) by id; none where nothing was missed.
    """
    missed = [item for item in site.evidence if isinstance(item, Missed)]
    if not missed:
        return {}
    vertices, inverts = draw_unlisted(site, exit)
    return {one.id: np.log(miss_given(one, site, vertices, inverts)) for one in missed}


def draw_unlisted(site: Site, exit: Exit, count: int = DRAWS) -> tuple[Array, Array]:
    """Draw what is known of an unlisted lateral: its first straight.

    Wherever it ends, it leaves by the exit and runs straight to its first bend, which stands as on
    a direct way; past that its place is not known, and it is taken to pass no hole.

    Parameters
    ----------
    site
        The site as read.
    exit
        Exit of the drain, a mixture of poses.
    count
        How many: a power of two.

    Returns
    -------
    vertices
        Both ends (s, 2, 2), m.
    inverts_m
        Inverts there (s, 2), m above the slab.
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
    return vertices, np.stack([invert, invert - slope * length], axis=1)


def _weight(site: Site, side: Side) -> float:
    """Weigh a side of the lot as where an unlisted lateral goes."""
    on_record = any(main.side == side for main in site.mains)
    # a street may lie at a side too, on a corner lot; the rear may hide a tank or an alley
    reaches = side in ("front", "rear") or any(street.side == side for street in site.streets)
    return UNLISTED_OPEN if reaches and not on_record else UNLISTED_ELSEWHERE
