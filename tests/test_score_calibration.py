"""Limiting cases through all stages, and whether the posterior beats the prior (all invented)."""

from __future__ import annotations

import numpy as np
import pytest

from sitegis._evidence import Evidence, OutdoorLocate
from sitegis._rules import load_rules
from sitegis._survey import Survey
from sitegis.exit import find_exit
from sitegis.line import fit_line
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.score import score_hypotheses

from .benchmarks.calibration import run_house
from .invented import Truth, corner_site
from .neighbourhood import draw_house

REAR_TRUTH = Truth(np.array([[7.4, 14.5], [7.4, 40.5]]), -0.3, 0.0208, "alley-main")


def main_probability(main: str, *evidence: Evidence) -> float:
    """Run all stages on the corner lot with a drain toward the alley."""
    survey = Survey(corner_site(REAR_TRUTH, evidence=evidence), load_rules("us-ipc"))
    for stage in (place_points, fit_line, find_exit, sample_routes, score_hypotheses):
        survey = stage(survey)
    scored = survey.scores.hypotheses
    return sum(s.probability for s in scored if s.hypothesis.main == main)


def test_point_located_in_the_alley_settles_it() -> None:
    """A head found in the alley makes the alley more than 99 % likely."""
    assert main_probability("alley-main", OutdoorLocate(7.4, 39.0, None)) > 0.99


def test_drawn_house_meets_its_own_promises() -> None:
    """The true lateral starts at the wall, ends on its main and falls all the way to it."""
    for seed in range(20):
        house = draw_house(seed)
        truth = house.truth
        assert truth.indoors[-1] == pytest.approx(truth.outdoors[0])
        if house.listed:
            main = next(m for m in house.site.mains if m.id == truth.main)
            axis = 0 if main.line[0, 0] == main.line[1, 0] else 1
            assert abs(truth.outdoors[-1, axis] - main.line[0, axis]) <= 0.4 + 1e-9
            assert main.inverts_m.min() < truth.invert_start_m


def test_posterior_beats_the_prior() -> None:
    """Over drawn houses with a choice of mains the Brier score is below that of the prior.

    Only drains that leave by the wall that faces their main: the benchmark measures the others.
    """
    drawn = (draw_house(seed) for seed in range(40))
    chosen = [h for h in drawn if h.leaves == "toward" and len(h.site.mains) > 1][:8]
    outcomes = [run_house(house) for house in chosen]

    def brier(p: dict[str, float], truth: str) -> float:
        return sum((p.get(name, 0.0) - (name == truth)) ** 2 for name in {*p, truth})

    stated = np.mean([brier(o.posterior, o.true_class) for o in outcomes])
    before = np.mean([brier(o.prior, o.true_class) for o in outcomes])
    assert stated < 0.5 * before
