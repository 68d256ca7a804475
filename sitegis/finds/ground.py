"""What a depth measured in a pit tells of the mapped ground: one error that near places share.

A find's depth is measured from the ground that is there, its invert follows by the ground as
mapped. What that is off at a pit it is off, nearly, at the wall as well: the two cancel in the
depth at the wall. So the ground's error is one Gaussian field with the spread that the site says:
between places its correlation is that of the interpolated errors of the spots, times
exp(−d² / 2 l²) with l = spread / unevenness, for a lawn is not even between them. A route that lies
r = error + noise above the invert measured at a find tells of it by Gaussian conditioning (the
Schur complement of the joint covariance), and so do the depths of finds of each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from ..evidence.kind import place_of
from ..geometry import polyline
from ..geometry.frames import Array
from ..model.site import Site
from ..numerics.ordering import FINE_M, MATTERS_P, at_least, on_lattice
from ..pits.exposure import ground_sd_m
from .kinds import measured_invert_m, reliability_of, residuals, right_density, stray_find
from .records import Found

__all__ = ["deep_finds", "ground_error", "log_shared", "shared_key"]

MOST_FINDS = 4
"""Of whose depths the common error is counted; further ones count as if measured from a ground of
their own."""
LEAST = 1e-300
UNEVEN, UNEVEN_ASSUMED = 0.01, 0.03
"""How much the ground's error changes from place to place, per meter, one standard deviation: of a
ground that was measured, and of one that was assumed, which has no fall. Judgment, no source."""


def deep_finds(site: Site) -> tuple[Found, ...]:
    """Return the finds of a site whose depth was measured."""
    found = [item for item in site.evidence if isinstance(item, Found)]
    return tuple(item for item in found if measured_invert_m(item, site) is not None)


def ground_error(site: Site, vertices: Array, inverts_m: Array, at: Array) -> tuple[Array, Array]:
    """Return by how much the ground is higher than mapped given each route, mean and sd (m, ...).

    Only finds that more likely than not are this drain tell of it, route by route. Without any
    the mean is 0 and the sd what the site says.

    Parameters
    ----------
    site
        The site as read.
    vertices
        Vertices of the routes (m, v, 2), m.
    inverts_m
        Inverts of the routes (m, v), m above the slab.
    at
        Places of each route (m, ..., 2), m.

    Returns
    -------
    mean_m
        (m, ...).
    sd_m
        (m, ...).
    """
    sd = ground_sd_m(site, at)
    mean, deep = np.zeros(sd.shape), deep_finds(site)
    if not deep or not len(vertices):
        return mean, sd
    points = np.stack([place_of(item) for item in deep])
    gaps, log_odds = _gaps(site, deep, vertices, inverts_m, polyline.length(vertices))
    variance = _covariance(site, points, points) + np.diag(_noise(site, deep, points))
    patterns, of = np.unique(at_least(log_odds, 0.0, MATTERS_P), axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        rows = np.flatnonzero(of.reshape(-1) == number)
        if not pattern.any():
            continue
        # error given the gaps r of the finds: cross (its variance and noise)⁻¹ r
        inverse = np.linalg.inv(variance[np.ix_(pattern, pattern)])
        cross = _covariance(site, at[rows], points[pattern])
        gain = cross @ inverse
        off = gaps[np.ix_(rows, np.flatnonzero(pattern))]
        lead = (slice(None), *(None,) * (cross.ndim - 2), slice(None))
        mean[rows] = np.sum(gain * off[lead], axis=-1)
        sd[rows] = np.sqrt(np.maximum(sd[rows] ** 2 - np.sum(gain * cross, axis=-1), 0.0))
    return on_lattice(mean, FINE_M), on_lattice(sd, FINE_M)


def shared_key(names: Sequence[str]) -> str:
    """Return the name of what the depths of some finds say together beyond each subset."""
    return " ".join(("ground", *names))


def log_shared(site: Site, vertices: Array, inverts_m: Array, lengths_m: Array) -> dict[str, Array]:
    """Return what depths of several finds say together beyond each alone, by :func:`shared_key`.

    Of the finds A that count, the sum over all their subsets is ln L(A) − Σ ln L(one), L being the
    mixture over which of them are this drain: the depths of those have the covariance of the
    ground's error between them, and each its own noise. The first ``MOST_FINDS`` with a depth.

    Parameters
    ----------
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
    dict[str, Array]
        Terms (m,) of every two and more finds; none where fewer have a depth.
    """
    deep = deep_finds(site)[:MOST_FINDS]
    if len(deep) < 2 or not len(vertices):
        return {}
    gaps, log_odds = _gaps(site, deep, vertices, inverts_m, lengths_m)
    points = np.stack([place_of(item) for item in deep])
    spread = _covariance(site, points, points) + np.diag(_noise(site, deep, points))
    counted = range(len(deep))
    # ln of each set of right finds, over the product of each alone
    right = {
        some: log_odds[:, some].sum(axis=1) + _log_ratio(gaps[:, some], spread[np.ix_(some, some)])
        for size in range(len(deep) + 1)
        for some in combinations(counted, size)
    }
    alone = np.logaddexp(0.0, log_odds)
    terms: dict[tuple[int, ...], Array] = {}
    for size in range(2, len(deep) + 1):
        for some in combinations(counted, size):
            inner = [one for n in range(size + 1) for one in combinations(some, n)]
            whole = np.logaddexp.reduce([right[one] for one in inner]) - alone[:, some].sum(axis=1)
            terms[some] = whole - sum(terms[one] for one in inner if one in terms)
    return {shared_key([deep[i].id for i in some]): term for some, term in terms.items()}


def _log_ratio(gaps: Array, spread: Array) -> Array:
    """Return ln of a joint normal density of gaps (m, k) over the product of its marginals."""
    own = np.diag(spread)
    square = np.einsum("mi,mi->m", gaps, np.linalg.solve(spread, gaps.T).T - gaps / own)
    return np.asarray(-0.5 * (square + np.linalg.slogdet(spread)[1] - np.log(own).sum()))


def _gaps(
    site: Site, deep: Sequence[Found], vertices: Array, inverts_m: Array, lengths_m: Array
) -> tuple[Array, Array]:
    """Return how far routes lie above the inverts found (m, k), and ln odds that those are theirs.

    Odds of being this drain against another pipe, by all that was measured of each find.
    """
    above, log_odds = [], []
    for item in deep:
        misses = residuals(item, site, vertices, inverts_m, lengths_m)
        own = reliability_of(item, site)
        stray = (1.0 - own) * stray_find(item, site)
        right = own * right_density(item, site, misses)
        assert misses[1] is not None  # of a find with a depth
        above.append(misses[1])
        log_odds.append(np.log(np.maximum(right, LEAST)) - np.log(stray))
    return np.stack(above, axis=1), np.stack(log_odds, axis=1)


def _noise(site: Site, deep: Sequence[Found], points: Array) -> Array:
    """Return the variance (k,) of depths found, without that of the ground."""
    total = np.array([(measured_invert_m(item, site) or (0.0, 0.0))[1] for item in deep])
    return np.maximum(total**2 - ground_sd_m(site, points) ** 2, FINE_M**2)


def _covariance(site: Site, at: Array, points: Array) -> Array:
    """Return the covariance of the ground's error (..., k) between places and points (k, 2)."""
    ground = site.ground
    uneven = UNEVEN_ASSUMED if ground.assumed else UNEVEN
    # each spot's part in the error, of length 1 in all
    parts, others = (
        part / np.maximum(np.sqrt(np.sum(part**2, axis=-1, keepdims=True)), FINE_M)
        for part in (ground.shares(at) * ground.sds_m, ground.shares(points) * ground.sds_m)
    )
    x, y = (at[..., None, i] - points[:, i] for i in (0, 1))
    near = np.exp(-0.5 * (x**2 + y**2) * (uneven / max(float(ground.sds_m.mean()), FINE_M)) ** 2)
    spreads = ground_sd_m(site, at)[..., None] * ground_sd_m(site, points)
    return np.asarray(spreads * (parts @ others.T) * near)
