"""Calibration on invented basements, a small run of the benchmark ``placing``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.benchmarks.placing import blunders, coverage

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
