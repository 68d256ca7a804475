"""The pipeline: the stages in their order, one value passed on. No geometry here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import field, replace
from pathlib import Path

from .dig import plan_dig
from .doubt import lower_hits
from .finds.records import Finding, without_findings
from .late_dataclass import dataclass
from .messages.catalog import notice_of
from .model.handover import hand_over
from .model.site import SiteLanguage, indoor_marks, without_marks
from .model.survey import Survey
from .read import read_site
from .routes import sample_routes
from .routes.likelihoods import item_names
from .score import join_exit, score_hypotheses, suppose
from .to_the_wall import check, through, to_the_wall
from .write import find, write_outputs
from .write.keep import keep_revision

__all__ = ["WhatIf", "check", "compute", "run"]

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A question to the answer: evidence items or marks to leave out, prior weights to put in.

    ``without`` names items of evidence (``dye``, ``dye-2``) and points measured indoors, by id.
    """

    without: frozenset[str] = frozenset()
    priors: Mapping[str, float] = field(default_factory=dict)


def _nobody(_: str) -> None:
    """Report to nobody what is being done."""


def compute(
    site_dir: Path, what_if: WhatIf | None = None, *, progress: Progress = _nobody
) -> Survey:
    """Turn a site folder into a survey with every block filled; raises as ``check``.

    ``progress`` is given what is being done, a few words at a time.

    Parameters
    ----------
    site_dir
        The site folder.
    what_if
        What to leave out and which priors to take; None for the site as it is.
    progress
        Called with a few words at each stage.

    Returns
    -------
    Survey
        The survey with every block filled.

    Raises
    ------
    BadInput
        The site folder has faults.
    ComputationError
        The input is well formed but gives no answer.
    """
    asked = what_if or WhatIf()
    progress("reading the site folder")
    survey = read_site(site_dir)
    # a name is first that of an item of evidence, and a mark's only where no item has it
    marks = asked.without & indoor_marks(survey.site) - {*item_names(survey.site.evidence)}
    progress("following the drain to the wall")
    findings = asked.without & {i.id for i in survey.site.evidence if isinstance(i, Finding)}
    # before the fit: marks make the drain, and findings outdoors bear on where it leaves
    site = without_findings(without_marks(survey.site, marks), findings)
    survey = to_the_wall(replace(survey, site=site))
    progress("sampling routes to the mains")
    survey = through(survey, sample_routes)
    progress("weighing the evidence")
    survey = through(survey, score_hypotheses)
    # what is left of the question weighs evidence anew over the routes that were drawn
    without = asked.without - marks - findings
    supposed = suppose(survey, without=without, priors=asked.priors)
    survey = hand_over(supposed, survey)
    progress("planning the dig")
    survey = through(_note_what_if(survey, asked), join_exit, _plan)
    return find(survey, on_lattices=True)


def _plan(survey: Survey) -> Survey:
    """Plan the dig, its pits lowered by the probability that the input means another place."""
    return lower_hits(plan_dig(survey))


def _note_what_if(survey: Survey, asked: WhatIf) -> Survey:
    """Say in the answer itself what it supposes, so that it is not taken for the site's."""
    supposed = [f"without {item}" for item in sorted(asked.without)]
    supposed += [f"prior {key} = {weight:g}" for key, weight in asked.priors.items()]
    if not supposed:
        return survey
    notice = notice_of("what-if", "run", supposed="; ".join(supposed))
    scores = survey.scores
    return replace(survey, scored=replace(scores, notices=(notice, *scores.notices)))


def run(
    site_dir: Path,
    out_dir: Path,
    what_if: WhatIf | None = None,
    *,
    base_map: bool = False,
    keep: bool = False,
    language: SiteLanguage | None = None,
    progress: Progress = _nobody,
) -> Survey:
    """Compute a site and write its outputs together; ``CannotWrite`` if they cannot be placed.

    ``language`` stands in place of the site's on the page. ``keep`` then keeps the answer in the
    site folder (:mod:`sitegis.write.keep`).

    Parameters
    ----------
    site_dir
        The site folder.
    out_dir
        Folder for the outputs.
    what_if
        What to leave out and which priors to take; None for the site as it is.
    base_map
        Whether the page asks for a base map.
    keep
        Whether the answer is kept in the site folder as a revision.
    language
        Language of the page, None for the site's.
    progress
        Called with a few words at each stage.

    Returns
    -------
    Survey
        The survey with every block filled.

    Raises
    ------
    BadInput
        The site folder has faults.
    ComputationError
        The input is well formed but gives no answer.
    CannotWrite
        The outputs cannot be placed.
    """
    survey = compute(site_dir, what_if, progress=progress)
    if language is not None:
        survey = replace(survey, site=replace(survey.site, language=language))
    progress("writing the files")
    write_outputs(survey, out_dir, base_map=base_map)
    # the answer to a question is not the site's
    if keep and not (what_if and (what_if.without or what_if.priors)):
        keep_revision(survey, site_dir)
    return survey
