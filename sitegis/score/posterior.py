"""ln Z of one hypothesis from its weighted route samples, and what that estimate is worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .. import _polyline
from .._frames import Array
from .._results import Routes, ScoredHypothesis

KERNEL_SAMPLES = 256


@dataclass(frozen=True, slots=True)
class EvidenceSum:
    """An estimate of ln Z, its standard error, and the effective number of samples."""

    log_z: float
    log_z_se: float
    effective_samples: float


NOTHING = EvidenceSum(float("-inf"), 0.0, 0.0)


def estimate_log_evidence(log_weights: Array, drawn: int) -> EvidenceSum:
    """Estimate ln Z from importance weights: ``logsumexp(log_weights) − ln(drawn)``.

    ``log_weights`` (m,) of the feasible samples among ``drawn`` (the rest weigh nothing).
    Effective samples are (Σw)² / Σw² (Kish); the standard error of ln Z is, by the delta
    method, √(1/effective − 1/drawn), which is on the safe side for quasi-random points.
    Raises ``ValueError`` where fewer were drawn than are weighed, or a weight is not a number.

    >>> round(estimate_log_evidence(np.log([0.5, 0.5]), 2).log_z, 6)
    -0.693147
    """
    log_weights = np.asarray(log_weights, float)
    if drawn < log_weights.size:
        raise ValueError(f"{log_weights.size} samples are weighed, but only {drawn} were drawn")
    total = _log_sum(log_weights)
    if np.isnan(total) or total == np.inf:
        raise ValueError("a log weight is not a number")
    if total == -np.inf:
        return NOTHING
    effective = float(np.exp(2.0 * total - _log_sum(2.0 * log_weights)))
    variance = max(1.0 / effective - 1.0 / drawn, 0.0)
    return EvidenceSum(float(total - np.log(drawn)), float(np.sqrt(variance)), effective)


def _log_sum(values: Array) -> float:
    """Give ln Σ exp, −inf where there is nothing to add."""
    if values.size == 0:
        return float("-inf")
    highest = float(values.max())
    if not np.isfinite(highest):
        return highest
    return highest + float(np.log(np.exp(values - highest).sum()))


def normalised_weights(log_weights: Array) -> Array:
    """Give weights that sum to 1; all zero where every sample is impossible."""
    total = _log_sum(log_weights)
    if total == -np.inf:
        return np.zeros_like(log_weights)
    weights = np.exp(log_weights - total)
    return np.asarray(weights / weights.sum())


def posterior(log_evidence: Array, prior: Array) -> Array:
    """Turn ln Z (h,) and prior (h,) into probabilities that sum to 1 (Bayes).

    Raises ``ValueError`` where every hypothesis is impossible.

    >>> posterior(np.array([0.0, 0.0]), np.array([0.25, 0.75])).round(9).tolist()
    [0.25, 0.75]
    """
    with np.errstate(divide="ignore"):
        log_joint = np.asarray(log_evidence, float) + np.log(np.asarray(prior, float))
    probability = normalised_weights(log_joint)
    if not probability.any():
        raise ValueError("every hypothesis is impossible")
    return probability


def most_probable_route(routes: Routes, weights: Array) -> int | None:
    """Find the sample where the weighted samples lie densest, None where there is none.

    A weight alone is no density: it is high where the proposal was thin. So a Gaussian kernel
    density over the routes' places at a third, two thirds and the whole of their vertices'
    chord is used, on the heaviest samples, with Silverman's bandwidth.
    """
    heaviest = np.argsort(-weights, kind="stable")[:KERNEL_SAMPLES]
    heaviest = heaviest[weights[heaviest] > 0.0]
    if heaviest.size == 0:
        return None
    features = _places(routes.vertices[heaviest])
    scale = np.maximum(features.std(axis=0), 0.05)
    scaled = features / scale
    bandwidth = heaviest.size ** (-1.0 / (features.shape[1] + 4))
    gap = np.sum((scaled[:, None, :] - scaled[None, :, :]) ** 2, axis=-1)
    density = np.exp(-0.5 * gap / bandwidth**2) @ weights[heaviest]
    return int(heaviest[int(np.argmax(density))])


def most_probable_way(
    scored: Sequence[ScoredHypothesis], sampled: Sequence[Routes]
) -> tuple[ScoredHypothesis, Routes] | None:
    """Give the first of scored hypotheses that has a best route, with its routes."""
    routes_of = {routes.hypothesis.id: routes for routes in sampled}
    for one in scored:
        if one.best is not None and len(routes_of[one.hypothesis.id].vertices):
            return one, routes_of[one.hypothesis.id]
    return None


def _places(vertices: Array) -> Array:
    """Give each route's points at a third, two thirds and all of its length, (m, 6)."""
    whole = _polyline.length(vertices)
    places = [_polyline.line_interpolate_point(vertices, s * whole) for s in (1 / 3, 2 / 3, 1.0)]
    return np.concatenate(places, axis=1)


def prior_by_main(hypothesis_priors: Mapping[str | None, float]) -> dict[str, float]:
    """Share out the prior over the listed mains only; they sum to 1 (equal where all are 0)."""
    listed = {main: p for main, p in hypothesis_priors.items() if main is not None}
    total = sum(listed.values())
    if total <= 0.0:
        return {main: 1.0 / len(listed) for main in listed}
    return {main: p / total for main, p in listed.items()}
