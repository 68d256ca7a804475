"""The pipeline: the stages in their order, one value passed on. No geometry here."""

from __future__ import annotations

from pathlib import Path

from ._survey import Survey
from .dig import plan_dig
from .exit import find_exit
from .line import fit_line
from .place import place_points
from .read import read_site
from .routes import sample_routes
from .score import score_hypotheses
from .write import write_outputs


def compute(site_dir: Path) -> Survey:
    """Turn a site folder into a survey with every block filled.

    Raises ``BadInput`` with every fault of the folder, ``ComputationError`` where the input is
    well formed but gives no answer.
    """
    survey = read_site(site_dir)
    for stage in (place_points, fit_line, find_exit, sample_routes, score_hypotheses, plan_dig):
        survey = stage(survey)
    return survey


def run(site_dir: Path, out_dir: Path) -> Survey:
    """Compute a site and write its outputs together; ``CannotWrite`` if they cannot be placed."""
    survey = compute(site_dir)
    write_outputs(survey, out_dir)
    return survey
