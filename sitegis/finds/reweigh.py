"""How routes are weighed anew by what a hole found or did not find: pure functions of arrays.

The program, and the page that is carried into the field, both use these few lines: every route
(m of them) has a weight, a find or a miss gives each a likelihood, and the weights times the
likelihood, brought back to a sum of 1, are the weights after it. Lengths in meters.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from ..evidence.kind import STRAY_BREADTH_M, STRAY_DEPTH_M
from ..geometry import polyline
from ..geometry.frames import Array
from ..numerics.statistics import normal_density

__all__ = [
    "COMMON_FAILURE",
    "PIT_SHOWS",
    "STRAY_BREADTH_M",
    "STRAY_DEPTH_M",
    "find_likelihood",
    "hole_shows",
    "joint_miss_apart",
    "joint_miss_likelihood",
    "joint_miss_showing",
    "miss_likelihood",
    "reweigh",
]

COMMON_FAILURE = 0.04
"""How often nothing dug on a site would show the pipe though it is there: the lot line or a depth
is wrong, or the pipe is abandoned and taken for the soil. Shared by all misses. Judgment."""
PIT_SHOWS = 0.95
"""How often one test pit shows the pipe that it crosses, the shared cause counted. Judgment."""


def hole_shows(
    vertices: Array, inverts_m: Array, hole: Array, bottom_m: float, bottom_sd_m: float = 0.0
) -> Array:
    """Return how surely (m,) a hole shows each route's pipe: that it passes, and lies high enough.

    ``vertices`` (m, v, 2) and ``inverts_m`` (m, v) of the routes, with the pipe's inside diameter
    added where its top is enough to see it. ``hole``: center x, y, angle of its length from lot
    x in radians, length and width (5,). A route that passes it shows with
    Φ((invert − bottom) / sd), its highest invert within the hole; 0 where it passes beside.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    inverts_m
        Inverts of the routes (m, v), m above the slab.
    hole
        Center x, y, angle of the length axis, length and width (5,), m and rad.
    bottom_m
        Elevation of the hole's bottom, m above the slab.
    bottom_sd_m
        Its standard deviation, m; 0 where it is exact.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    cosine, sine = np.cos(hole[2]), np.sin(hole[2])
    # routes in the hole's own axes, its center at 0
    local = (vertices - hole[:2]) @ np.array([[cosine, -sine], [sine, cosine]])
    start, step = local[:, :-1], np.diff(local, axis=1)
    low, high = np.zeros(start.shape[:2]), np.ones(start.shape[:2])
    for axis in (0, 1):
        half = 0.5 * hole[3 + axis]
        enter, leave = polyline.clip(start[..., axis], step[..., axis], -half, half)
        # clipped to both strips at once: the part of each straight within the rectangle
        low, high = np.maximum(low, enter), np.minimum(high, leave)
    # repeated last vertices are straights without length: they pass nothing
    passes = (low <= high) & (np.abs(step).sum(axis=2) > 0.0)
    change = np.diff(inverts_m, axis=1)
    # inverts fall evenly along a straight: the higher of its two ends within the hole
    above = np.maximum(inverts_m[:, :-1] + low * change, inverts_m[:, :-1] + high * change)
    # −inf where no straight passes: Φ of it is 0
    highest = np.where(passes, above, -np.inf).max(axis=1)
    return np.asarray(ndtr((highest - bottom_m) / max(bottom_sd_m, 1e-6)))


def miss_likelihood(
    shows: Array, reliabilities: Sequence[float] | Array, common: float = COMMON_FAILURE
) -> Array:
    """Return the probability (m,) that none of k holes shows the pipe, given each route.

    ``shows`` (k, m) from :func:`hole_shows`; ``reliabilities`` (k,) of one look where the pipe
    is surely in the hole. Misses share a cause: with probability c = ``common`` every one of them
    fails, so that L = c + (1 − c) Π (1 − rₖ sₖ / (1 − c)). One hole alone has L = 1 − r s.

    Parameters
    ----------
    shows
        How surely each hole shows the pipe (k, m).
    reliabilities
        Reliability of each look (k,).
    common
        Probability that all holes fail together.

    Returns
    -------
    Array
        Probabilities (m,).

    Examples
    --------
    >>> miss_likelihood(np.ones((2, 1)), [0.95, 0.95]).round(4).tolist()
    [0.0401]
    """
    each = np.asarray(reliabilities, float)[:, None] * np.asarray(shows, float)
    return joint_miss_likelihood(1.0 - each, common)


def joint_miss_likelihood(singles: Array, common: float = COMMON_FAILURE) -> Array:
    """Return P(none shows the pipe) (m,) from each hole's own P(it does not) (k, m).

    Parameters
    ----------
    singles
        P(it does not show the pipe) of each hole (k, m).
    common
        Probability that all holes fail together.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    return np.asarray(common + (1.0 - common) * joint_miss_apart(singles, common))


def joint_miss_apart(singles: Array, common: float = COMMON_FAILURE) -> Array:
    """Return P(none shows the pipe) (m,) where holes do show it: without what misses share.

    Parameters
    ----------
    singles
        P(it does not show the pipe) of each hole (k, m).
    common
        Probability that all holes fail together.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    # 1 − rₖ sₖ / (1 − c): the own failures of a hole, the shared ones taken out
    apart = 1.0 - np.minimum((1.0 - np.asarray(singles, float)) / (1.0 - common), 1.0)
    return np.asarray(apart.prod(axis=0))


def joint_miss_showing(singles: Array, common: float = COMMON_FAILURE) -> Array:
    """Return how far a hole still shows the pipe that it crosses, against a first one's (m,).

    P(the next hole shows it | route, all misses so far) over P(a first one does), that is
    (1 − c / L) / (1 − c): 1 for a route that no hole has crossed; one that a hole has crossed is
    left mostly because nothing shows its pipe at all. ``singles`` (k, m) as for
    :func:`joint_miss_likelihood`.

    Parameters
    ----------
    singles
        P(it does not show the pipe) of each hole (k, m).
    common
        Probability that all holes fail together.

    Returns
    -------
    Array
        Factors (m,) in [0, 1].

    Examples
    --------
    >>> joint_miss_showing(np.zeros((0, 1))), joint_miss_showing(np.full((1, 1), 0.05)).round(4)
    (array([1.]), array([0.2083]))
    """
    return np.asarray((1.0 - common / joint_miss_likelihood(singles, common)) / (1.0 - common))


def find_likelihood(
    across_m: Array,
    sd_m: float,
    reliability: float,
    below_m: Array | None = None,
    below_sd_m: float = 1.0,
    turn_rad: Array | None = None,
    turn_sd_rad: float = 1.0,
) -> Array:
    """Return the density (m,) of a find given each route: e · right + (1 − e) · stray.

    ``across_m`` is how far each route passes from the find, ``sd_m`` how truly that is known;
    ``below_m`` its invert less that found; ``turn_rad`` its direction against that found, within
    ±π/2. Right is the product of normal densities of what was measured; a stray find lies anywhere
    within ``STRAY_BREADTH_M``, ``STRAY_DEPTH_M`` and half a turn. ``reliability`` e: of this drain.

    Parameters
    ----------
    across_m
        Distance of each route from the find (m,), m.
    sd_m
        Standard deviation of that, m.
    reliability
        Probability that it is this drain.
    below_m
        Invert of each route less that found (m,), m; None where not measured.
    below_sd_m
        Standard deviation of that, m.
    turn_rad
        Direction of each route against that found (m,), rad; None where not measured.
    turn_sd_rad
        Standard deviation of that, rad.

    Returns
    -------
    Array
        Densities (m,).
    """
    right = normal_density(np.asarray(across_m, float), sd_m)
    stray = 1.0 / STRAY_BREADTH_M
    if below_m is not None:
        right, stray = right * normal_density(below_m, below_sd_m), stray / STRAY_DEPTH_M
    if turn_rad is not None:
        right, stray = right * normal_density(turn_rad, turn_sd_rad), stray / np.pi
    return np.asarray(reliability * right + (1.0 - reliability) * stray)


def reweigh(weights: Array, *likelihoods: Array) -> Array:
    """Return weights (m,) after finds and misses: w L / Σ w L; all 0 where nothing explains them.

    Parameters
    ----------
    weights
        Weights before (m,), summing to 1.
    *likelihoods
        Likelihood of each find and of all misses, given each route (m,).

    Returns
    -------
    Array
        Weights after (m,), summing to 1 or all 0.

    Examples
    --------
    >>> reweigh(np.array([0.5, 0.5]), np.array([0.05, 1.0])).round(4).tolist()
    [0.0476, 0.9524]
    """
    product = np.asarray(weights, float).copy()
    for likelihood in likelihoods:
        product *= likelihood
    total = float(product.sum())
    return product / total if total > 0.0 else product
