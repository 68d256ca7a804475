"""The first stages, from the site folder to where the drain passes the foundation wall."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from .branches import fit_drains
from .doubt import doubt_input
from .exit import find_exit
from .messages.errors import ComputationError
from .model.handover import hand_over, hand_over_site
from .model.survey import Survey
from .place import place_points
from .read import read_site

Stage = Callable[[Survey], Survey]


def through(survey: Survey, *stages: Stage) -> Survey:
    """Pass a survey through stages; what one cannot do is told where the user wrote it.

    Each hands its numbers on on their lattices (:mod:`sitegis.model.handover`).

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    *stages
        Functions of a survey that fill a block, in their order.

    Returns
    -------
    Survey
        The survey with the blocks of these stages.

    Raises
    ------
    ComputationError
        A stage can give no answer.
    """
    try:
        for stage in stages:
            survey = hand_over(stage(survey), survey)
    except ComputationError as error:
        if survey.whereabouts is None:
            raise
        raise ComputationError(survey.whereabouts.of_fault(error.fault)) from error
    return survey


def to_the_wall(survey: Survey) -> Survey:
    """Place the points of a survey that was read, follow the drain to the wall, doubt the input."""
    return through(hand_over_site(survey), place_points, fit_drains, find_exit, doubt_input)


def check(site_dir: Path) -> Survey:
    """Read a site folder, place its points and follow the drain to the wall.

    Raises ``BadInput`` with every fault of the folder, ``ComputationError`` where the input is
    well formed but gives no answer.
    """
    return to_the_wall(read_site(site_dir))
