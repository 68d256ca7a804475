"""The stage: evidence per hypothesis to probabilities, weights and the next check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..geometry.frames import Array
from ..messages.catalog import fault_of
from ..messages.errors import ComputationError
from ..model.results import Contribution, Routes, ScoredHypothesis, Scores
from ..model.survey import Survey
from ..numerics.statistics import EvidenceSum, normalized_weights, pareto_k
from .assumptions import list_assumptions
from .finds import find_notices, judge_finds
from .next_check import ask_checks, prepare_checks, rank_checks, telling_checks
from .notices import list_notices
from .posterior import most_probable_route, posterior
from .weighed_site import (
    NONE_LEFT_OUT,
    WeighedSite,
    hypothesis_evidence,
    log_weights,
    weigh_items,
    weigh_site,
)
from .words import reliability_words


def score_hypotheses(survey: Survey) -> Survey:
    """Fill the scores: posterior over the hypotheses, contributions, next checks, assumptions.

    p(h | all) ∝ prior(h) · Z(h), with Z(h) by importance sampling over the hypothesis's routes
    (:func:`~sitegis.numerics.statistics.estimate_log_evidence`). Raises ``ComputationError`` where
    every hypothesis, ``unlisted`` too, is impossible.
    """
    return replace(survey, scored=score_routes(survey, survey.routes))


def score_routes(
    survey: Survey, sampled: Sequence[Routes], without: frozenset[str] = NONE_LEFT_OUT
) -> Scores:
    """Score given route samples, ``without`` some items of evidence by name.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    sampled
        Route samples of every hypothesis.
    without
        Names of the items of evidence left out.

    Returns
    -------
    Scores
        Probabilities, contributions and notices.
    """
    weighed = weigh_site(survey.site, tuple(sampled), without)
    # items are left out by weigh_site; the geometry is none, and is taken out of Z
    left_out = without & {"locates"}
    estimates = [hypothesis_evidence(weighed, routes, left_out) for routes in weighed.routes]
    log_evidence = np.array([estimate.log_z for estimate in estimates])
    probability = _posterior(log_evidence, weighed.prior)
    contributions = weigh_items(weighed, log_evidence, left_out)
    scored = [
        _scored(weighed, routes, *rest)
        for routes, *rest in zip(weighed.routes, estimates, probability, contributions, strict=True)
    ]
    # nine decimals, then the id: the same order on every processor
    scored.sort(key=lambda s: (-round(s.probability, 9), s.hypothesis.id))
    ordered = tuple(scored)
    context = prepare_checks(survey, weighed, ordered, weighed.routes)
    asked = ask_checks(context)
    finds = judge_finds(survey, weighed, ordered)
    return Scores(
        hypotheses=ordered,
        next_checks=rank_checks(context, asked),
        assumptions=(*list_assumptions(weighed), reliability_words(ordered)),
        notices=(*list_notices(ordered, survey.site), *find_notices(finds, survey.site)),
        finds=finds,
        telling=telling_checks(context, asked),
    )


def _posterior(log_evidence: Array, prior: Array) -> Array:
    """Return the posterior, or say that nothing is possible."""
    try:
        return posterior(log_evidence, prior)
    except ValueError as error:
        raise ComputationError(
            fault_of("nothing-possible", "site.toml", None, "prior", "")
        ) from error


def _scored(
    weighed: WeighedSite,
    routes: Routes,
    estimate: EvidenceSum,
    probability: float,
    contributions: tuple[Contribution, ...],
) -> ScoredHypothesis:
    """Put one hypothesis together."""
    weights = normalized_weights(log_weights(weighed, routes))
    return ScoredHypothesis(
        hypothesis=routes.hypothesis,
        probability=float(probability),
        log_evidence=estimate.log_z,
        log_evidence_se=estimate.log_z_se,
        effective_samples=estimate.effective_samples,
        contributions=contributions,
        weights=weights,
        best=most_probable_route(routes, weights),
        pareto_k=pareto_k(weights),
    )
