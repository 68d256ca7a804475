"""What if an item of evidence were left out, or a prior were another: same routes, new scores."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

from ..messages.catalog import fault_of
from ..messages.errors import BadInput, Fault
from ..model.results import Scores
from ..model.site import Priors
from ..model.survey import Survey
from ..routes.hypotheses import enumerate_hypotheses
from ..routes.likelihoods import item_names
from .stage import score_routes
from .weighed_site import LOCATES, NONE_LEFT_OUT

NO_PRIORS: Mapping[str, float] = {}
PRIOR_KEYS = tuple(field.name for field in fields(Priors))


def rescore(
    survey: Survey,
    *,
    without: frozenset[str] = NONE_LEFT_OUT,
    priors: Mapping[str, float] = NO_PRIORS,
) -> Scores:
    """Score again without some items of evidence or with other priors; no route is sampled anew.

    ``without``: items by name (``dye``, ``dye-2`` for the second of its kind, ``locates`` for
    the fit of the geometry). ``priors``: relative weights by key (front, rear, alley, side,
    side_yard, unlisted), over the site's own. Where an item that steered the sampling is left
    out, fewer effective samples remain, and the notices say so. Raises ``BadInput`` for an
    unknown name or key, or a weight below 0.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    without
        Names of the items of evidence left out.
    priors
        Relative weights by key.

    Returns
    -------
    Scores
        The scores.

    Raises
    ------
    BadInput
        A name or key is not known, or a weight is below 0.
    """
    faults = (*_unknown_items(survey, without), *_bad_priors(priors))
    if faults:
        raise BadInput(faults)
    if not priors:
        return score_routes(survey, survey.routes, without)
    site = replace(survey.site, priors=replace(survey.site.priors, **priors))
    # ids stay, since mains and ways do: only the priors are new
    renewed = {hypothesis.id: hypothesis for hypothesis in enumerate_hypotheses(site)}
    sampled = [
        replace(routes, hypothesis=renewed[routes.hypothesis.id]) for routes in survey.routes
    ]
    return score_routes(replace(survey, site=site), sampled, without)


def _unknown_items(survey: Survey, without: frozenset[str]) -> list[Fault]:
    """List the names that no item of evidence has."""
    known = (LOCATES, *item_names(survey.site.evidence))
    return [
        fault_of("evidence-unknown", "site.toml", None, "evidence", name, known=", ".join(known))
        for name in sorted(without - set(known))
    ]


def _bad_priors(priors: Mapping[str, float]) -> list[Fault]:
    """List the keys that are no prior, and the weights that are no weight."""
    faults = []
    for key, value in priors.items():
        if key not in PRIOR_KEYS:
            name = "prior-unusable"
        elif not 0.0 <= value < float("inf"):
            name = "prior-unusable:weight"
        else:
            continue
        known = ", ".join(PRIOR_KEYS)
        faults.append(fault_of(name, "site.toml", None, f"prior.{key}", f"{value:g}", known=known))
    return faults


def suppose(
    survey: Survey,
    *,
    without: frozenset[str] = NONE_LEFT_OUT,
    priors: Mapping[str, float] = NO_PRIORS,
) -> Survey:
    """Return the survey with the scores of a what-if; as it is where nothing is asked.

    Parameters and errors are those of ``rescore``.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    without
        Names of the items of evidence left out.
    priors
        Relative weights by key.

    Returns
    -------
    Survey
        The survey with the scores supposed.

    Raises
    ------
    BadInput
        A name or key is not known, or a weight is below 0.
    """
    if not without and not priors:
        return survey
    return replace(survey, scored=rescore(survey, without=without, priors=priors))
