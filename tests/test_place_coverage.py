"""Calibration on invented basements, a small run of the benchmark ``placing``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from sitegis.model.survey import Survey
from sitegis.place import place_points
from tests.benchmarks.placing import blunders, coverage, invent_basement

BASEMENTS = pytest.mark.parametrize(
    "basements", [150, pytest.param(3000, marks=pytest.mark.statistical)]
)


@BASEMENTS
def test_ellipses_hold_the_pipe_as_often_as_they_say(basements: int) -> None:
    """One pipe point per basement: the count of hits is believable for 95 %."""
    hits = coverage(basements, 5)[0][:, 3]
    low, high = stats.binom.interval(0.999, len(hits), 0.95)
    assert low <= hits.sum() <= high


@BASEMENTS
def test_a_blunder_that_must_show_is_named_or_its_set_is(basements: int) -> None:
    """Where the network shows 10 cm in at least 95 % of cases, it is named or its set is."""
    outcomes = [o for o in blunders(basements, 6) if o.power >= 4.93]
    found = sum(o.verdict in {"named", "in set"} for o in outcomes)
    assert found >= stats.binom.ppf(0.001, len(outcomes), 0.95)
    assert np.mean([o.verdict == "wrong" for o in outcomes]) < 0.03


def test_a_trial_that_does_not_settle_refuses_no_site() -> None:
    """Of this basement's ties some pairs, changed over on trial, fit no place at all.

    The truth is the invented one; 13.8 is the 99.9 % point of chi-square of 2 (table).
    """
    basement = invent_basement(np.random.default_rng(5149))
    placed = place_points(Survey(basement.site, None)).placement  # type: ignore[arg-type]
    for name, true in basement.truth.items():
        i = placed.index(name)
        off = np.array([placed.points[i].x_m, placed.points[i].y_m]) - true
        block = placed.covariance_m2[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
        assert off @ np.linalg.solve(block, off) < 13.8
