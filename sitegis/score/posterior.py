"""From ln Z and prior to probabilities, what knowing more tells, a way's likeliest route."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import entr

from ..geometry import polyline
from ..geometry.frames import Array
from ..model.results import Routes, ScoredHypothesis
from ..numerics.ordering import LENGTH_M, WEIGHT, at_least, largest, ordered, relative_step
from ..numerics.statistics import normalized_weights
from .particles import systematic

KERNEL_SAMPLES = 256


def posterior(log_evidence: Array, prior: Array) -> Array:
    """Turn ln Z (h,) and prior (h,) into probabilities that sum to 1 (Bayes).

    Raises ``ValueError`` where every hypothesis is impossible.

    Parameters
    ----------
    log_evidence
        ln Z of each hypothesis (h,).
    prior
        Prior of each hypothesis (h,).

    Returns
    -------
    Array
        Probabilities (h,), summing to 1.

    Raises
    ------
    ValueError
        Every hypothesis is impossible.

    Examples
    --------
    >>> posterior(np.array([0.0, 0.0]), np.array([0.25, 0.75])).round(9).tolist()
    [0.25, 0.75]
    """
    with np.errstate(divide="ignore"):
        log_joint = np.asarray(log_evidence, float) + np.log(np.asarray(prior, float))
    probability = normalized_weights(log_joint)
    if not probability.any():
        raise ValueError("every hypothesis is impossible")
    return probability


def most_probable_route(routes: Routes, weights: Array) -> int | None:
    """Find the sample where the weighted samples lie densest, None where there is none.

    A weight alone is no density: it is high where the proposal was thin. So a Gaussian kernel
    density over the routes' places at a third, two thirds and the whole of their vertices'
    chord is used, on the heaviest samples, with Scott's bandwidth.

    Parameters
    ----------
    routes
        Route samples of one hypothesis.
    weights
        Weights of the samples (m,).

    Returns
    -------
    int | None
        Index of the sample, None where there is none, or none that reaches a main.
    """
    if not routes.tap_stations_m.size:
        return None
    heaviest = ordered(weights, WEIGHT, descending=True)[:KERNEL_SAMPLES]
    heaviest = heaviest[weights[heaviest] > 0.0]
    if heaviest.size == 0:
        return None
    # three places in plan: routes that share them share their trench
    features = _places(routes.vertices[heaviest])
    # 5 cm at least: a direction in which all agree does not decide alone
    scale = np.maximum(features.std(axis=0), 0.05)
    scaled = features / scale
    # Scott's n^(−1/(d + 4)) for d standardized features
    bandwidth = heaviest.size ** (-1.0 / (features.shape[1] + 4))
    gap = sum((one[:, None] - one) ** 2 for one in scaled.T)
    density = np.exp(-0.5 * gap / bandwidth**2) @ weights[heaviest]
    return int(heaviest[largest(density, relative_step(density))])


def most_probable_alternative(
    scored: Sequence[ScoredHypothesis], sampled: Sequence[Routes]
) -> tuple[ScoredHypothesis, Routes] | None:
    """Return the first of scored hypotheses that has a best route, with its routes.

    Parameters
    ----------
    scored
        Hypotheses with probabilities, most probable first.
    sampled
        Route samples of every hypothesis.

    Returns
    -------
    tuple[ScoredHypothesis, Routes] | None
        Hypothesis and routes, None where none has a best route.
    """
    routes_of = {routes.hypothesis.id: routes for routes in sampled}
    for one in scored:
        if one.best is not None and len(routes_of[one.hypothesis.id].vertices):
            return one, routes_of[one.hypothesis.id]
    return None


def followed_alternative(
    scored: Sequence[ScoredHypothesis], sampled: Sequence[Routes]
) -> tuple[ScoredHypothesis, Routes] | None:
    """Return the hypothesis along whose best route a trench from the wall would follow the pipe.

    That is the most probable one with a route; where no listed way has one, ``unlisted`` with the
    middle one of its longest first straights.

    Parameters
    ----------
    scored
        Hypotheses, most probable first.
    sampled
        Route samples of every hypothesis.

    Returns
    -------
    tuple[ScoredHypothesis, Routes] | None
        Hypothesis and routes, None where there is nothing to follow.
    """
    if (listed := most_probable_alternative(scored, sampled)) is not None:
        return listed
    routes_of = {routes.hypothesis.id: routes for routes in sampled}
    for one in scored:
        routes = routes_of[one.hypothesis.id]
        if one.weights.any():
            longest = at_least(routes.lengths_m, routes.lengths_m.max(), LENGTH_M)
            return replace(one, best=int(systematic(one.weights * longest, routes, 1)[0])), routes
    return None


def _places(vertices: Array) -> Array:
    """Return each route's points at a third, two thirds and all of its length, (m, 6)."""
    whole = polyline.length(vertices)
    places = [polyline.line_interpolate_point(vertices, s * whole) for s in (1 / 3, 2 / 3, 1.0)]
    return np.concatenate(places, axis=1)


def prior_by_main(hypothesis_priors: Mapping[str | None, float]) -> dict[str, float]:
    """Share out the prior over the listed mains only; they sum to 1 (equal where all are 0)."""
    listed = {main: p for main, p in hypothesis_priors.items() if main is not None}
    total = sum(listed.values())
    if total <= 0.0:
        return {main: 1.0 / len(listed) for main in listed}
    return {main: p / total for main, p in listed.items()}


def entropy_bits(probabilities: Array) -> Array:
    """Return the entropy −Σ p log2 p (...) of probabilities (..., h) whose rows sum to 1.

    >>> float(entropy_bits(np.array([0.5, 0.25, 0.25])))
    1.5
    """
    return np.asarray(np.sum(entr(probabilities), axis=-1) / np.log(2.0))


def information_gain_bits(prior: Array, likelihood: Array) -> float:
    """Return the expected information gain, H(prior) − Σₒ P(o) H(posterior | o), in bits.

    ``prior`` (h,), ``likelihood`` (h, o) = P(outcome | hypothesis), rows sum to 1
    (D. V. Lindley, "On a measure of the information provided by an experiment", 1956).

    Parameters
    ----------
    prior
        Probabilities (h,).
    likelihood
        P(outcome | hypothesis) (h, o).

    Returns
    -------
    float
        Gain, bits.
    """
    joint = np.asarray(prior, float)[:, None] * np.asarray(likelihood, float)
    outcome = joint.sum(axis=0)
    # I = H(outcome) + H(hypothesis) − H(both), in natural logs
    gain = entr(outcome).sum() + entr(np.asarray(prior, float)).sum() - entr(joint).sum()
    return max(float(gain / np.log(2.0)), 0.0)
