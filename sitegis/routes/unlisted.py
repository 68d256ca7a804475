"""How well a lateral that runs in no listed way suits the exit: none of its routes can be drawn."""

from __future__ import annotations

import numpy as np

from ..model.site import SIDES, Side, Site

__all__ = ["UNLISTED_ELSEWHERE", "UNLISTED_OPEN", "unlisted_log_fit"]

# How often an unlisted lateral leaves toward a side where a main not on record, or a tank, may
# lie, against any other side. Common practice, no source.
UNLISTED_OPEN, UNLISTED_ELSEWHERE = 1.0, 0.25
# From there it fits as a direct way from the wall that faces its main: over invented houses the
# mean of such a Z is e⁻¹.
FITTING_LOG_FIT = -1.0


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


def _weight(site: Site, side: Side) -> float:
    """Weigh a side of the lot as where an unlisted lateral goes."""
    on_record = any(main.side == side for main in site.mains)
    # a street may lie at a side too, on a corner lot; the rear may hide a tank or an alley
    reaches = side in ("front", "rear") or any(street.side == side for street in site.streets)
    return UNLISTED_OPEN if reaches and not on_record else UNLISTED_ELSEWHERE
