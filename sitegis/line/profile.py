"""The invert along the drain: a straight fall with a mixture prior on its slope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr

from ..geometry.frames import Array
from ..model.results import ProfileComponent
from ..numerics.noise_scale import SCALES, NoiseScale, log_prior, scale_of_nodes
from ..numerics.statistics import cho_solve, cholesky, log_sum, normalized_weights
from ..rules.rule_set import RuleSet
from .straights import tail_weight

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

    def at_scale(self, scale: float) -> Depths:
        """Give the same with the receiver's noise, repeatability and session, times a scale."""
        received = self.scaled_m > 0
        sd_m = np.where(received, self.sd_m * scale, self.sd_m)
        return replace(self, sd_m=sd_m, scale_sd=self.scale_sd * scale)


def slope_prior(rules: RuleSet, diameter_m: float) -> SlopePrior:
    """Give the prior of the slope from the rule set's least slope and from practice.

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
    second = 0.5 * practice if usual else least
    return SlopePrior(
        np.array([0.60, 0.13, 0.20, 0.07] if usual else [0.45, 0.28, 0.20, 0.07]),
        np.array([practice, second, 0.03, -0.005]),
        np.array([0.0035, 0.0025, 0.02, 0.01]),
    )


def fit_linear(
    design: Array,
    values: Array,
    covariance: Array,
    prior: tuple[Array, Array] | None = None,
) -> tuple[Array, Array, float]:
    """Fit a linear model with correlated Gaussian errors; exact.

    ``design`` (n, q), ``values`` (n,), ``covariance`` (n, n); ``prior`` mean (q,) and
    covariance (q, q), None for a flat one. Gives mean (q,), covariance (q, q) and the log
    evidence ln N(values; H μ, H P Hᵀ + Σ) (NaN under the flat prior, where it has no meaning).

    Parameters
    ----------
    design
        Derivative of the values by the unknowns (n, q).
    values
        Observations (n,).
    covariance
        Their covariance (n, n).
    prior
        Mean (q,) and covariance (q, q) of the unknowns, None for a flat prior.

    Returns
    -------
    mean
        Of the unknowns (q,).
    covariance
        Of the unknowns (q, q).
    log_evidence
        NaN under a flat prior.
    """
    if prior is None:
        root = cholesky(covariance)
        normal = design.T @ cho_solve(root, design)
        inverse = np.linalg.inv(normal)
        mean = inverse @ (design.T @ cho_solve(root, values))
        return mean, np.asarray(inverse, float), float("nan")
    center, spread = prior
    total = design @ spread @ design.T + covariance
    root = cholesky(total)
    innovation = values - design @ center
    gain = cho_solve(root, design @ spread).T
    log_determinant = 2.0 * float(np.log(np.diag(root)).sum())
    log_determinant += values.size * float(np.log(2 * np.pi))
    evidence = -0.5 * float(innovation @ cho_solve(root, innovation)) - 0.5 * log_determinant
    posterior = spread - gain @ design @ spread
    return center + gain @ innovation, 0.5 * (posterior + posterior.T), evidence


def apply_bound(
    mean: Array, covariance: Array, row: Array, highest: float, sd: float
) -> tuple[Array, Array, float]:
    """Bring in that row · x lies below a bound known to ``sd``; gives also the log weight.

    The product of a Gaussian with Φ((highest − row · x)/sd), moments matched exactly
    (Rasmussen and Williams 2006, section 3.9, from memory). ``mean`` and ``row`` (n,),
    ``covariance`` (n, n); mean and covariance are given renewed.

    Parameters
    ----------
    mean
        Mean of the unknowns (n,).
    covariance
        Their covariance (n, n).
    row
        What the bound is on (n,).
    highest
        The bound on row · x.
    sd
        Standard deviation of the bound.

    Returns
    -------
    mean
        Renewed (n,).
    covariance
        Renewed (n, n).
    log_weight
        Log of the probability that the bound holds.
    """
    spread = covariance @ row
    width = float(np.sqrt(row @ spread + sd**2))
    z = (highest - float(row @ mean)) / width
    log_share = float(log_ndtr(z))
    ratio = float(np.exp(-0.5 * (z**2 + np.log(2.0 * np.pi)) - log_share))
    mean = mean - spread * (ratio / width)
    covariance = covariance - np.outer(spread, spread) * (ratio * (z + ratio) / width**2)
    return mean, covariance, log_share


def fit_profile(
    depths: Depths, prior: SlopePrior, *, iterations: int = 30
) -> tuple[tuple[ProfileComponent, ...], Array]:
    """Fit invert at the reference and slope; gives the mixture and the marks' tail weights (n,).

    Each component of the slope's prior is a linear Gaussian problem solved exactly: invert as
    read = invert + slope · behind − κ · depth + noise, κ ~ N(0, scale_sd²) shared by the
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
    """
    components, tails, _ = weigh_profile(depths, prior, iterations)
    return components, tails


def learn_profile(
    depths: Depths, prior: SlopePrior, *, iterations: int = 30
) -> tuple[tuple[ProfileComponent, ...], Array, NoiseScale]:
    """Fit invert and slope with the scale of the receiver's depth noise integrated over.

    :func:`fit_profile` at the nodes of :mod:`sitegis.numerics.noise_scale`; over them the
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
    runs = [weigh_profile(depths.at_scale(scale), prior, iterations) for scale in SCALES]
    evidence = np.array([run[2] for run in runs])
    logs = evidence + log_prior(np.array(SCALES))
    shares = normalized_weights(logs)
    components = []
    for same in zip(*(run[0] for run in runs), strict=True):
        weights = shares * np.array([part.weight for part in same])
        scaled = [replace(p, weight=float(w)) for p, w in zip(same, weights, strict=True)]
        total = float(weights.sum())
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

    As :func:`fit_profile`, at the receiver's noise as stated.

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
    fitted = [
        _fit_component(depths, float(m), float(s), iterations)
        for m, s in zip(prior.means, prior.sds, strict=True)
    ]
    logs = np.log(prior.weights) + np.array([entry[2] for entry in fitted])
    weights = normalized_weights(logs)
    evidence = log_sum(logs)
    components = tuple(
        ProfileComponent(float(w), mean, covariance)
        for w, (mean, covariance, _, _) in zip(weights, fitted, strict=True)
    )
    tails = np.stack([entry[3] for entry in fitted])
    return components, np.asarray(weights @ tails), evidence


def _fit_component(
    depths: Depths, slope: float, slope_sd: float, iterations: int
) -> tuple[Array, Array, float, Array]:
    """Fit under one component: mean, covariance, log evidence, tail weights."""
    prior = (np.array([INVERT_PRIOR_M[0], slope]), np.diag([INVERT_PRIOR_M[1] ** 2, slope_sd**2]))
    design = np.column_stack([np.ones_like(depths.behind_m), depths.behind_m])
    common = depths.scale_sd**2 * np.outer(depths.scaled_m, depths.scaled_m)
    weights = np.ones_like(depths.sd_m)
    mean, covariance, evidence = prior[0], prior[1], 0.0
    if weights.size:
        extra = np.zeros_like(weights)
        for _ in range(iterations):
            own = depths.sd_m**2 / weights
            mean, covariance, evidence = fit_linear(
                design, depths.inverts_m, common + np.diag(own), prior
            )
            residual = depths.inverts_m - design @ mean
            # The part of the residuals that the common scale explains is no one mark's fault.
            shared = common @ np.linalg.solve(common + np.diag(own), residual)
            square = ((residual - shared) / depths.sd_m) ** 2
            renewed, extra = tail_weight(square, depths.degrees_of_freedom)
            done = np.max(np.abs(renewed - weights)) < 1e-6
            weights = renewed
            if done:
                break
        evidence += -0.5 * float(np.log(weights).sum()) - float(extra.sum())
    for behind, highest, sd in depths.bounds:
        mean, covariance, share = apply_bound(
            mean, covariance, np.array([1.0, behind]), highest, sd
        )
        evidence += share
    return mean, covariance, evidence, weights


def mixture_moments(profile: Sequence[ProfileComponent]) -> tuple[Array, Array]:
    """Give mean (2,) and covariance (2, 2) of the whole mixture of invert and slope."""
    weights = np.array([component.weight for component in profile])
    means = np.stack([component.mean for component in profile])
    mean = weights @ means
    away = means - mean
    inside = np.einsum("c,cij->ij", weights, np.stack([c.covariance for c in profile]))
    return mean, inside + np.einsum("c,ci,cj->ij", weights, away, away)
