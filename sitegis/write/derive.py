"""What the outputs tell beyond the survey's own blocks, worked out once for all of them."""

from __future__ import annotations

from dataclasses import replace

from ..dig.excavation import excavations
from ..dig.loads import pipe_loads
from ..dig.tie_in import as_the_drain, profile_check, tie_ins
from ..model.derived import Derived, Feature, ProfileCheck
from ..model.handover import hand_over
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, share_out
from ..score.compare import compare_mains
from ..score.intervals import exit_spread, tap_spreads
from .features import list_features
from .profile import survey_profile
from .text import likely_and_not


def find(survey: Survey, *, on_lattices: bool = False) -> Survey:
    """Fill the block ``derived`` of a survey whose other blocks are; one that has it stays.

    Its probabilities become those that are written (:func:`as_written`).

    Parameters
    ----------
    survey
        Survey whose other blocks are filled.
    on_lattices
        Whether its numbers lie on their lattices already, as the last stage handed them over.

    Returns
    -------
    Survey
        The survey with the block ``derived``.
    """
    if survey.found is not None:
        return survey
    # first, so that all that is worked out below starts from what will stand written
    survey = as_written(survey if on_lattices else hand_over(survey))
    taps = tap_spreads(survey)
    dug, joined = excavations(survey), tie_ins(survey, taps)
    found = Derived(
        mains=compare_mains(survey),
        exit=exit_spread(survey),
        taps=taps,
        profile=profile_check(survey),
        tie_ins=joined,
        excavations=dug,
        features=list_features(survey, dug, joined),
        section=survey_profile(survey),
        branch_profiles=_branch_profiles(survey),
        loads=pipe_loads(survey, joined),
    )
    return replace(survey, found=found)


def _branch_profiles(survey: Survey) -> tuple[tuple[str, ProfileCheck], ...]:
    """Hold every branch's own fall against the rule set, as the drain's; with its sags."""
    branches = () if survey.joined is None else survey.joined.branches
    return tuple(
        (one.id, profile_check(as_the_drain(survey, one)))
        for one in branches
        if len(one.vertices) > 1
    )


def survey_features(survey: Survey) -> tuple[Feature, ...]:
    """Return all features of a survey whose blocks are filled, layer by layer."""
    if survey.found is not None:
        return survey.found.features
    return list_features(survey, excavations(survey), tie_ins(survey))


def drawn_features(survey: Survey) -> tuple[tuple[Feature, bool], ...]:
    """List what a drawing shows, each with whether it is hidden at first.

    Of the corridors that is the 95 % one; hidden is what belongs to a way too unlikely to be
    named in the answer.
    """
    unlikely = {scored.hypothesis.id for scored in likely_and_not(survey)[1]}
    return tuple(
        (feature, feature.properties.get("hypothesis") in unlikely)
        for feature in survey_features(survey)
        if feature.layer != "corridor" or feature.properties.get("level") == 0.95
    )


def as_written(survey: Survey) -> Survey:
    """Return the survey with probabilities of six decimals that sum to exactly 1."""
    scored = survey.scores.hypotheses
    probability = share_out([one.probability for one in scored], MATTERS_P)
    written = tuple(
        replace(one, probability=float(p)) for one, p in zip(scored, probability, strict=True)
    )
    return replace(survey, scored=replace(survey.scores, hypotheses=written))
