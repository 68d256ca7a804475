"""What a depth measured in a pit tells of the mapped ground: one error that near places share.

A find's depth is measured from the ground that is there, its invert follows by the ground as
mapped. What that is off at a pit it is off, nearly, at the wall as well: the two cancel in the
depth at the wall. So the ground's error e(x) = sd(x) a(x) · ε is one field, ε standard normal
at the spots and a(x) their part in the interpolation, brought to length 1; a route that lies
r = e + noise above the invert measured at a find tells of e by Gaussian conditioning (the Schur
complement of their joint covariance).
"""

from __future__ import annotations

import numpy as np

from ..evidence.kind import place_of
from ..geometry import polyline
from ..geometry.frames import Array
from ..model.site import Site
from ..numerics.ordering import FINE_M, MATTERS_P, at_least, on_lattice
from ..pits.exposure import ground_sd_m
from .kinds import measured_invert_m, reliability_of, residuals, right_density, stray_find
from .records import Found

__all__ = ["deep_finds", "ground_error"]

UNEVEN = 0.01
"""How much the ground's error differs at least between two places, per meter between them: one
standard deviation, for one spot tells of no slope. Judgment, no source."""


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
    lengths = polyline.length(vertices)
    above, right = [], []
    for item in deep:
        misses = residuals(item, site, vertices, inverts_m, lengths)
        own, stray = reliability_of(item, site), stray_find(item, site)
        density = own * right_density(item, site, misses)
        above.append(misses[1])
        right.append(at_least(density / (density + (1.0 - own) * stray), 0.5, MATTERS_P))
    there = ground_sd_m(site, points)
    total = np.array([(measured_invert_m(item, site) or (0.0, 0.0))[1] for item in deep])
    noise = np.maximum(total**2 - there**2, FINE_M**2)
    field, spots = there[:, None] * _parts(site, points), _parts(site, at)
    patterns, of = np.unique(np.stack(right, axis=1), axis=0, return_inverse=True)
    gaps = np.stack([one for one in above if one is not None], axis=1)
    for number, pattern in enumerate(patterns):
        rows = np.flatnonzero(of.reshape(-1) == number)
        if not pattern.any():
            continue
        seen = field[pattern]
        # ε given the gaps r = seen · ε + noise: gain = seenᵀ (seen seenᵀ + noise)⁻¹
        gain = np.linalg.solve(seen @ seen.T + np.diag(noise[pattern]), seen).T
        here, spread = spots[rows], sd[rows]
        shift = gaps[np.ix_(rows, np.flatnonzero(pattern))] @ gain.T
        lead = (..., *(None,) * (here.ndim - 2), slice(None))
        mean[rows] = spread * np.sum(here * shift[lead], axis=-1)
        left = 1.0 - np.sum(here * (here @ (gain @ seen)), axis=-1)
        away = np.min(np.hypot(*np.moveaxis(at[rows][..., None, :] - points[pattern], -1, 0)), -1)
        again = np.maximum(spread * np.sqrt(np.maximum(left, 0.0)), UNEVEN * away)
        sd[rows] = np.minimum(again, spread)
    return on_lattice(mean, FINE_M), on_lattice(sd, FINE_M)


def _parts(site: Site, at: Array) -> Array:
    """Return each spot's part (..., k) in the error at places (..., 2), of length 1, or 0."""
    parts: Array = site.ground.shares(at) * site.ground.sds_m
    size = np.sqrt(np.sum(parts**2, axis=-1, keepdims=True))
    return parts / np.where(size > 0.0, size, 1.0)
