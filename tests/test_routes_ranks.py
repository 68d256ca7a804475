"""Simulation-based calibration in small: the benchmark ``ranks`` runs it at length."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from .benchmarks.ranks import exit_ranks, record, route_ranks


@pytest.mark.parametrize("ways", [20, pytest.param(200, marks=pytest.mark.statistical)])
def test_tap_stations_have_uniform_ranks(ways: int) -> None:
    """Over true ways drawn from the model with their tap records, ranks are uniform (KS)."""
    ranks = route_ranks("front-main:direct", record, ways, seed=3, pool=8_000)
    assert stats.kstest(ranks, "uniform").pvalue > 1e-3
    assert np.ptp(ranks) > 0.5


@pytest.mark.parametrize("drains", [15, pytest.param(200, marks=pytest.mark.statistical)])
def test_exits_have_uniform_ranks(drains: int) -> None:
    """Over drains drawn from the profile's prior, ranks of place and invert are uniform (KS)."""
    ranks = exit_ranks(drains, heavy=False, seed=9)
    assert stats.kstest(ranks["place"], "uniform").pvalue > 1e-3
    assert stats.kstest(ranks["invert"], "uniform").pvalue > 1e-3
