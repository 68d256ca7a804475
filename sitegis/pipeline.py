"""The pipeline: the stages in their order, one value passed on. No geometry here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from ._errors import ComputationError
from ._site import Notice, indoor_marks, without_marks
from ._survey import Survey
from .dig import plan_dig
from .exit import find_exit
from .line import fit_line
from .place import place_points
from .read import read_site
from .routes import sample_routes
from .routes.evidence import item_names
from .score import score_hypotheses, suppose
from .write import write_outputs


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A question to the answer: evidence items or marks to leave out, prior weights to put in.

    ``without`` names items of evidence (``dye``, ``dye-2``) and points measured indoors, by id.
    """

    without: frozenset[str] = frozenset()
    priors: Mapping[str, float] = field(default_factory=dict)


def _through(survey: Survey, *stages: Callable[[Survey], Survey]) -> Survey:
    """Pass a survey through stages; what one cannot do is told where the user wrote it."""
    try:
        for stage in stages:
            survey = stage(survey)
    except ComputationError as error:
        if survey.whereabouts is None:
            raise
        raise ComputationError(survey.whereabouts.of_fault(error.fault)) from error
    return survey


def check(site_dir: Path) -> Survey:
    """Read a site folder, place its points and follow the drain to the wall.

    Raises ``BadInput`` with every fault of the folder, ``ComputationError`` where the input is
    well formed but gives no answer.
    """
    return _to_the_wall(read_site(site_dir))


def _to_the_wall(survey: Survey) -> Survey:
    return _through(survey, place_points, fit_line, find_exit)


def compute(site_dir: Path, what_if: WhatIf | None = None) -> Survey:
    """Turn a site folder into a survey with every block filled; raises as ``check``."""
    asked = what_if or WhatIf()
    survey = read_site(site_dir)
    marks = asked.without & indoor_marks(survey.site) - {*item_names(survey.site.evidence)}
    survey = _to_the_wall(replace(survey, site=without_marks(survey.site, marks)))
    survey = _through(survey, sample_routes, score_hypotheses)
    survey = suppose(survey, without=asked.without - marks, priors=asked.priors)
    return _through(_tell_what_if(survey, asked), plan_dig)


def _tell_what_if(survey: Survey, asked: WhatIf) -> Survey:
    """Say in the answer itself what it supposes, so that it is not taken for the site's."""
    supposed = [f"without {item}" for item in sorted(asked.without)]
    supposed += [f"prior {key} = {weight:g}" for key, weight in asked.priors.items()]
    if not supposed:
        return survey
    told = Notice("what-if", f"What if: {'; '.join(supposed)}.", "run", needs_person=False)
    scores = survey.scores
    return replace(survey, scored=replace(scores, notices=(told, *scores.notices)))


def run(
    site_dir: Path, out_dir: Path, what_if: WhatIf | None = None, *, base_map: bool = False
) -> Survey:
    """Compute a site and write its outputs together; ``CannotWrite`` if they cannot be placed."""
    survey = compute(site_dir, what_if)
    write_outputs(survey, out_dir, base_map=base_map)
    return survey
