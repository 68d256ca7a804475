"""The invert along the drain: a straight fall with a mixture prior on its slope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import log_ndtr

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.results import ProfileComponent
from ..numerics.noise_scale import SCALES, NoiseScale, log_prior, scale_of_nodes
from ..numerics.ordering import at_least
from ..numerics.statistics import log_sum, normalized_weights
from ..rules.rule_set import RuleSet
from .states import tail_nodes, weigh_reading
from .straights import tail_weight

SWEEPS = 2
"""How often each mark's tail is fitted to the others; a third changes no digit that is shown."""
INVERT_PRIOR_M = (-0.50, 0.30)
"""Invert under a basement floor, mean and sd: one to a little over two feet down is ordinary
(common practice, no source)."""
SLAB_COVER_M = 0.10
"""Least distance from the slab's surface to the pipe's crown: the slab itself. Judgment."""
NEGLIGIBLE = 1e-3
"""Least share of a component of the profile that is kept. Judgment."""
TAPED_DEPTH_SD_M = 0.03
"""A depth taped to the pipe's bottom at an open cleanout, stack or floor drain. Judgment."""


@dataclass(frozen=True, slots=True)
class SlopePrior:
    """A mixture of normals for the slope: ``weights``, ``means``, ``sds``, (c,) each."""

    weights: Array
    means: Array
    sds: Array

    @property
    def mean(self) -> float:
        """Mean of the mixture."""
        return float(self.weights @ self.means)

    @property
    def sd(self) -> float:
        """Standard deviation of the whole mixture."""
        return float(np.sqrt(self.weights @ (self.sds**2 + (self.means - self.mean) ** 2)))


@dataclass(frozen=True, slots=True)
class Depths:
    """What the profile takes: n inverts along the line, and bounds.

    ``behind_m`` (n,): how far each lies upstream of the reference (the drain's end).
    ``inverts_m`` (n,) as read; ``sd_m`` (n,) repeatability; ``scaled_m`` (n,): the length that
    the session's depth scale multiplies (the fitted depth; 0 for a taped depth);
    ``scale_sd`` the sd of that scale. ``bounds``: rows (behind_m, highest invert, sd).
    """

    behind_m: Array
    inverts_m: Array
    sd_m: Array
    scaled_m: Array
    scale_sd: float
    degrees_of_freedom: float
    bounds: tuple[tuple[float, float, float], ...] = ()


def slope_prior(rules: RuleSet, diameter_m: float) -> SlopePrior:
    """Return the prior of the slope from the rule set's least slope and from practice.

    Practice is the rule set's ``practice_slope``. Where the least slope is below
    that, it is the second peak, else half of practice is (laid by an older rule or with the
    authority's leave). A wide component about 3 % takes steep drains, a tail about −½ % takes
    backfall. Those means, the weights .45 / .28 / .20 / .07 (.60 / .13 where practice is the least
    slope) and the sds are judgment, no source. ``ValueError`` where the rule set has no slope for
    the diameter.

    Parameters
    ----------
    rules
        Rule set of the site.
    diameter_m
        Inside diameter of the pipe, m.

    Returns
    -------
    SlopePrior
        Mixture of normals of the slope.

    Raises
    ------
    ValueError
        The rule set has no slope for the diameter.
    """
    practice = rules.practice_slope
    least = rules.least_slope(diameter_m).slope
    usual = least >= 0.9 * practice
    # the second peak: what an older rule or the authority's leave allows
    second = 0.5 * practice if usual else least
    # in order: practice, second peak, steep, backfall
    return SlopePrior(
        np.array([0.60, 0.13, 0.20, 0.07] if usual else [0.45, 0.28, 0.20, 0.07]),
        np.array([practice, second, 0.03, -0.005]),
        np.array([0.0035, 0.0025, 0.02, 0.01]),
    )


def apply_bound(
    mean: Array, covariance: Array, row: Array, highest: float, sd: float
) -> tuple[Array, Array, Array]:
    """Bring in that row · x lies below a bound known to ``sd``; gives also the log weight (...).

    The product of a Gaussian with Φ((highest − row · x)/sd), moments matched exactly
    (Rasmussen and Williams 2006, section 3.9, from memory). ``mean`` (..., n), ``row`` (n,),
    ``covariance`` (..., n, n); mean and covariance are given renewed.

    Parameters
    ----------
    mean
        Mean of the unknowns (..., n).
    covariance
        Their covariance (..., n, n).
    row
        What the bound is on (n,).
    highest
        The bound on row · x.
    sd
        Standard deviation of the bound.

    Returns
    -------
    mean
        Renewed (..., n).
    covariance
        Renewed (..., n, n).
    log_weight
        Log of the probability that the bound holds (...,).
    """
    spread = covariance @ row
    width = np.sqrt(spread @ row + sd**2)
    z = (highest - mean @ row) / width
    log_share = log_ndtr(z)
    # inverse Mills ratio φ(z)/Φ(z)
    ratio = np.exp(-0.5 * (z**2 + np.log(2.0 * np.pi)) - log_share)
    mean = mean - spread * (ratio / width)[..., None]
    moved = (ratio * (z + ratio) / width**2)[..., None, None]
    covariance = covariance - spread[..., :, None] * spread[..., None, :] * moved
    return mean, covariance, np.asarray(log_share)


def learn_profile(
    depths: Depths, prior: SlopePrior
) -> tuple[tuple[ProfileComponent, ...], Array, NoiseScale]:
    """Fit invert and slope with the scale of the locator's depth noise integrated over.

    :func:`weigh_profile` at the nodes of :mod:`sitegis.numerics.noise_scale`; every node keeps its
    own Gaussian for each component of the slope, so that a value has the Student-t that a scale not
    known makes of a normal, and not one normal of its spread: of that, half would hold 56 %. Those
    lighter than ``NEGLIGIBLE`` are left out. Gives also the marks' tail weights (n,) and the scale.

    Parameters
    ----------
    depths
        What was read along the line, n marks.
    prior
        Prior of the slope.

    Returns
    -------
    mixture
        Of invert and slope at the reference.
    tails
        Weights of the marks (n,).
    scale
        Of the depth noise.
    """
    runs = _weigh_scales(depths, prior, np.array(SCALES))
    evidence = np.array([run[2] for run in runs])
    logs = evidence + log_prior(np.array(SCALES))
    # the noise scale is integrated out on its nodes
    shares = normalized_weights(logs)
    parts = [
        replace(part, weight=float(share) * part.weight)
        for share, (of_scale, _, _) in zip(shares, runs, strict=True)
        for part in of_scale
    ]
    kept = at_least(np.array([part.weight for part in parts]), NEGLIGIBLE)
    parts = [part for part, keep in zip(parts, kept, strict=True) if keep]
    total = sum(part.weight for part in parts)
    components = [replace(part, weight=part.weight / total) for part in parts]
    tails = np.asarray(shares @ np.stack([run[1] for run in runs]))
    return tuple(components), tails, scale_of_nodes("depth", evidence)


def weigh_profile(
    depths: Depths, prior: SlopePrior
) -> tuple[tuple[ProfileComponent, ...], Array, float]:
    """Fit every component of the slope's prior; gives also tail weights and log evidence.

    Each component is a linear problem with heavy tails, at the locator's noise as stated: invert
    as read = invert + slope · behind − κ · depth + noise, κ ~ N(0, scale_sd²) shared by the
    session; a noise is a Student-t whose standard deviation is the one stated. Tails by
    :func:`_fit_components`, bounds by :func:`apply_bound`; the components' weights are prior
    weight × evidence.

    Parameters
    ----------
    depths
        What was read along the line, n marks.
    prior
        Prior of the slope.

    Returns
    -------
    mixture
        Of invert and slope at the reference.
    tails
        Weights of the marks (n,).
    log_evidence
        Of the depths.
    """
    return _weigh_scales(depths, prior, np.ones(1))[0]


def _weigh_scales(
    depths: Depths, prior: SlopePrior, scales: Array
) -> list[tuple[tuple[ProfileComponent, ...], Array, float]]:
    """Weigh the profile as :func:`weigh_profile` with the locator's noise times each scale (s,).

    Repeatability and session grow alike.
    """
    each = (scales.size, prior.means.size)
    # every scale with every component of the prior, fitted at once
    scale, number = (a.ravel() for a in np.indices(each))
    fitted = _fit_components(depths, scales[scale], prior.means[number], prior.sds[number])
    weighed = []
    means, covariances, evidences, tails = (part.reshape(*each, *part.shape[1:]) for part in fitted)
    for mean, covariance, evidence, tail in zip(means, covariances, evidences, tails, strict=True):
        # prior weight × evidence, per component of the slope
        logs = np.log(prior.weights) + evidence
        weights = normalized_weights(logs)
        components = tuple(
            ProfileComponent(float(w), one, spread)
            for w, one, spread in zip(weights, mean, covariance, strict=True)
        )
        weighed.append((components, np.asarray(weights @ tail), log_sum(logs)))
    return weighed


def _fit_components(
    depths: Depths, scales: Array, slopes: Array, slope_sds: Array
) -> tuple[Array, Array, Array, Array]:
    """Fit under components (c,): means, covariances, log evidences, tail weights (c, n).

    Unknown are invert, slope and the session's κ in standard deviations. A noise is a mixture of
    normals; each mark in turn is taken out and put back as the one normal that leaves mean and
    variance as the mixture would (expectation propagation: Minka 2001, from memory).
    """
    c, n = scales.size, depths.sd_m.size
    mean = np.stack([np.full(c, INVERT_PRIOR_M[0]), slopes, np.zeros(c)], axis=1)
    sds = np.stack([np.full(c, INVERT_PRIOR_M[1]), slope_sds, np.ones(c)], axis=1)
    prior_sum = np.sum((mean / sds) ** 2 + 2.0 * np.log(sds), axis=1)
    spread = sds[:, None] ** 2 * np.eye(3)
    received = depths.scaled_m > 0
    own = np.where(received, depths.sd_m * scales[:, None], depths.sd_m)
    rows = np.ones((n, c, 3))
    rows[..., 1] = depths.behind_m[:, None]
    # κ moves all depths of the session in proportion to each
    rows[..., 2] = -depths.scaled_m[:, None] * (depths.scale_sd * scales)
    tail = tail_nodes(depths.degrees_of_freedom)
    # of each mark: precision, precision × value, log factor
    sites = np.zeros((n, 3, c))
    for mark in [*range(n)] * (SWEEPS if tail[0].size > 1 else 1):
        row = rows[mark]
        column = np.einsum("cij,cj->ci", spread, row)
        variance, middle = (np.einsum("ci,ci->c", row, x) for x in (column, mean))
        old, sites[mark] = (
            sites[mark].copy(),
            _site(depths.inverts_m[mark], own[:, mark], tail, (middle, variance), sites[mark]),
        )
        more, pull = (sites[mark] - old)[:2]
        # rank-one: the new normal in the place of the old one
        gain = column / (1.0 + more * variance)[:, None]
        spread = spread - np.einsum("c,ci,cj->cij", more, gain, column)
        mean = mean + gain * (pull - more * middle)[:, None]
    # ∫ prior × normals: ½ (ηᵀ Λ⁻¹ η − ln |Λ|) of what is left, less that of the prior
    shift = np.linalg.solve(spread, mean[..., None])[..., 0]
    evidence = sites[:, 2].sum(axis=0) + 0.5 * (
        np.sum(shift * mean, axis=1) + np.linalg.slogdet(spread)[1] - prior_sum
    )
    residual = (depths.inverts_m - np.einsum("nci,ci->cn", rows, mean)) / own
    weights = tail_weight(residual**2, depths.degrees_of_freedom)[0]
    mean, spread = mean[:, :2], spread[:, :2, :2]
    # by matched moments, not exact: one after the other in a fixed order
    for behind, highest, sd in depths.bounds:
        mean, spread, share = apply_bound(mean, spread, np.array([1.0, behind]), highest, sd)
        evidence += share
    return mean, spread, evidence, weights


def _site(
    value: float, sd: Array, tail: tuple[Array, Array], here: tuple[Array, Array], old: Array
) -> Array:
    """Return the normal (3, c) that stands for a mark: precision, precision × value, log factor.

    ``here``: mean and variance (c,) of the invert there, ``old`` (3, c) being part of them.
    """
    precision = 1.0 / here[1] - old[0]
    middle = (here[0] / here[1] - old[1]) / precision
    variance = 1.0 / precision
    off = value - middle
    # mean and variance that the mixture leaves
    step, shrunk, factor = weigh_reading(variance, off, sd[:, None] ** 2 * tail[1], tail[0])
    left = variance - variance**2 * shrunk
    moved = middle + variance * step
    # a mark that may be astray or not can leave more than was there: it then tells no spread
    own = np.maximum(1.0 / left - precision, 0.0)
    pull = moved * (precision + own) - middle * precision
    factor = factor + 0.5 * np.log(1.0 + own * variance)
    factor += 0.5 * (middle**2 * precision - moved**2 * (precision + own))
    return np.stack([own, pull, factor])


def mixture_moments(profile: Sequence[ProfileComponent]) -> tuple[Array, Array]:
    """Return mean (2,) and covariance (2, 2) of the whole mixture of invert and slope."""
    weights = np.array([component.weight for component in profile])
    means = np.stack([component.mean for component in profile])
    mean = weights @ means
    away = means - mean
    inside = np.einsum("c,cij->ij", weights, np.stack([c.covariance for c in profile]))
    return mean, inside + np.einsum("c,ci,cj->ij", weights, away, away)
