"""A survey with its numbers as they are written, so that every output tells the same ones."""

from __future__ import annotations

from dataclasses import replace

from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, share_out


def as_written(survey: Survey) -> Survey:
    """Return the survey with probabilities of six decimals that sum to exactly 1."""
    scored = survey.scores.hypotheses
    probability = share_out([one.probability for one in scored], MATTERS_P)
    written = tuple(
        replace(one, probability=float(p)) for one, p in zip(scored, probability, strict=True)
    )
    return replace(survey, scored=replace(survey.scores, hypotheses=written))
