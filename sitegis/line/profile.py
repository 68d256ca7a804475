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
from ..numerics.statistics import log_sum, normalized_weights
from ..rules.rule_set import RuleSet
from .straights import tail_weight

SETTLED = 1e-6
"""Tail weights that change by less than this have settled."""
INVERT_PRIOR_M = (-0.50, 0.30)
"""Invert under a basement floor, mean and sd: one to a little over two feet down is ordinary
(common practice, no source)."""
SLAB_COVER_M = 0.10
"""Least distance from the slab's surface to the pipe's crown: the slab itself. Judgment."""
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
    authority's leave). A wide component takes steep drains, a tail takes backfall. The weights
    .45 / .28 / .20 / .07 (.60 / .13 where practice is the least slope) and the sds are
    judgment, no source. ``ValueError`` where the rule set has no slope for the diameter.

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


def fit_linear(
    design: Array, values: Array, covariance: Array, prior: tuple[Array, Array]
) -> tuple[Array, Array, Array]:
    """Fit a linear model with correlated Gaussian errors; exact. Many at once, one each (...).

    The log evidence is ln N(values; H μ, H P Hᵀ + Σ).

    Parameters
    ----------
    design
        Derivative H of the values by the unknowns (n, q).
    values
        Observations (n,).
    covariance
        Their covariance Σ (..., n, n).
    prior
        Mean μ (..., q) and covariance P (..., q, q) of the unknowns.

    Returns
    -------
    mean
        Of the unknowns (..., q).
    covariance
        Of the unknowns (..., q, q).
    log_evidence
        (...,).
    """
    center, spread = prior
    # Kalman form: gain from the innovation's covariance S = H P Hᵀ + Σ, evidence N(innovation; 0,
    # S)
    crossed = design @ spread
    root = np.linalg.cholesky(crossed @ design.T + covariance)
    innovation = values - center @ design.T
    white = np.linalg.solve(root, np.concatenate([crossed, innovation[..., None]], axis=-1))
    rows, off = white[..., :-1].swapaxes(-1, -2), white[..., -1:]
    half = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    evidence = -0.5 * np.sum(off**2, axis=(-2, -1)) - half
    evidence = evidence - 0.5 * values.size * float(np.log(2 * np.pi))
    return center + (rows @ off)[..., 0], spread - rows @ rows.swapaxes(-1, -2), evidence


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
    depths: Depths, prior: SlopePrior, *, iterations: int = 30
) -> tuple[tuple[ProfileComponent, ...], Array, NoiseScale]:
    """Fit invert and slope with the scale of the receiver's depth noise integrated over.

    :func:`weigh_profile` at the nodes of :mod:`sitegis.numerics.noise_scale`; over them the
    components of one slope are brought to one Gaussian of equal moments. Gives also the marks'
    tail weights (n,) and the scale.

    Parameters
    ----------
    depths
        What was read along the line, n marks.
    prior
        Prior of the slope.
    iterations
        Rounds of the tail weights.

    Returns
    -------
    mixture
        Of invert and slope at the reference.
    tails
        Weights of the marks (n,).
    scale
        Of the depth noise.
    """
    runs = _weigh_scales(depths, prior, np.array(SCALES), iterations)
    evidence = np.array([run[2] for run in runs])
    logs = evidence + log_prior(np.array(SCALES))
    # the noise scale is integrated out on its nodes
    shares = normalized_weights(logs)
    components = []
    for same in zip(*(run[0] for run in runs), strict=True):
        weights = shares * np.array([part.weight for part in same])
        scaled = [replace(p, weight=float(w)) for p, w in zip(same, weights, strict=True)]
        total = float(weights.sum())
        # one Gaussian of equal moments for each peak of the slope, so that their number stays
        mean, covariance = mixture_moments(
            [replace(part, weight=part.weight / max(total, 1e-300)) for part in scaled]
        )
        components.append(ProfileComponent(total, mean, covariance))
    tails = np.asarray(shares @ np.stack([run[1] for run in runs]))
    return tuple(components), tails, scale_of_nodes("depth", evidence)


def weigh_profile(
    depths: Depths, prior: SlopePrior, iterations: int
) -> tuple[tuple[ProfileComponent, ...], Array, float]:
    """Fit every component of the slope's prior; gives also tail weights and log evidence.

    Each component is a linear Gaussian problem solved exactly, at the receiver's noise as stated:
    invert as read = invert + slope · behind − κ · depth + noise, κ ~ N(0, scale_sd²) shared by the
    session and eliminated into the covariance. Tails by iterated weights, bounds by
    :func:`apply_bound`; the components' weights are prior weight × evidence.

    Parameters
    ----------
    depths
        What was read along the line, n marks.
    prior
        Prior of the slope.
    iterations
        Rounds of the tail weights.

    Returns
    -------
    mixture
        Of invert and slope at the reference.
    tails
        Weights of the marks (n,).
    log_evidence
        Of the depths.
    """
    return _weigh_scales(depths, prior, np.ones(1), iterations)[0]


def _weigh_scales(
    depths: Depths, prior: SlopePrior, scales: Array, iterations: int
) -> list[tuple[tuple[ProfileComponent, ...], Array, float]]:
    """Weigh the profile as :func:`weigh_profile` with the receiver's noise times each scale (s,).

    Repeatability and session grow alike.
    """
    each = (scales.size, prior.means.size)
    # every scale with every component of the prior, fitted at once
    scale, number = (a.ravel() for a in np.indices(each))
    fitted = _fit_components(
        depths, scales[scale], prior.means[number], prior.sds[number], iterations
    )
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
    depths: Depths, scales: Array, slopes: Array, slope_sds: Array, iterations: int
) -> tuple[Array, Array, Array, Array]:
    """Fit under components (c,): means, covariances, log evidences, tail weights (c, n).

    Each iterates until its own weights settle.
    """
    c, n = scales.size, depths.sd_m.size
    center = np.stack([np.full(c, INVERT_PRIOR_M[0]), slopes], axis=1)
    spread = np.zeros((c, 2, 2))
    spread[:, 0, 0], spread[:, 1, 1] = INVERT_PRIOR_M[1] ** 2, slope_sds**2
    design = np.column_stack([np.ones_like(depths.behind_m), depths.behind_m])
    sds = np.where(depths.scaled_m > 0, depths.sd_m * scales[:, None], depths.sd_m)
    common = np.outer(depths.scaled_m, depths.scaled_m)
    # one κ for the session, eliminated: it correlates all depths in proportion to each
    common = ((depths.scale_sd * scales) ** 2)[:, None, None] * common
    mean, covariance, evidence = center.copy(), spread.copy(), np.zeros(c)
    # left: rows that still move; none without a depth, the prior then stays
    weights, extra, left = np.ones((c, n)), np.zeros((c, n)), np.arange(c if n else 0)
    for _ in range(iterations):
        if not left.size:
            break
        # a tail weight below 1 is a wider variance of that one mark
        noise = common[left] + (sds[left] ** 2 / weights[left])[..., None] * np.eye(n)
        mean[left], covariance[left], evidence[left] = fit_linear(
            design, depths.inverts_m, noise, (center[left], spread[left])
        )
        residual = depths.inverts_m - mean[left] @ design.T
        # The part of the residuals that the common scale explains is no one mark's fault.
        shared = (common[left] @ np.linalg.solve(noise, residual[..., None]))[..., 0]
        square = ((residual - shared) / sds[left]) ** 2
        renewed, extra[left] = tail_weight(square, depths.degrees_of_freedom)
        moved = np.max(np.abs(renewed - weights[left]), axis=1)
        weights[left] = renewed
        left = left[moved >= SETTLED]
    # back to the noise as stated: a widened mark must not look better for it
    evidence -= 0.5 * np.log(weights).sum(axis=1) + extra.sum(axis=1)
    # by matched moments, not exact: one after the other in a fixed order
    for behind, highest, sd in depths.bounds:
        mean, covariance, share = apply_bound(
            mean, covariance, np.array([1.0, behind]), highest, sd
        )
        evidence += share
    return mean, covariance, evidence, weights


def mixture_moments(profile: Sequence[ProfileComponent]) -> tuple[Array, Array]:
    """Return mean (2,) and covariance (2, 2) of the whole mixture of invert and slope."""
    weights = np.array([component.weight for component in profile])
    means = np.stack([component.mean for component in profile])
    mean = weights @ means
    away = means - mean
    inside = np.einsum("c,cij->ij", weights, np.stack([c.covariance for c in profile]))
    return mean, inside + np.einsum("c,ci,cj->ij", weights, away, away)
