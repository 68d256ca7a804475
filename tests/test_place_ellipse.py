"""Error ellipses and the heavy tail."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sitegis.place.ellipse import FACTOR_95, ellipse, tail_factor


@settings(deadline=None, max_examples=50)
@given(st.floats(0.01, 2.0), st.floats(0.1, 0.95), st.floats(-1.5, 1.5))
def test_an_ellipse_gives_back_what_its_covariance_was_made_of(
    major: float, ratio: float, angle: float
) -> None:
    """Axes and angle of a turned diagonal covariance come back."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    covariance = turn @ np.diag([major**2, (ratio * major) ** 2]) @ turn.T
    assert ellipse(covariance) == pytest.approx((major, ratio * major, angle), abs=1e-6)


def test_the_factor_for_95_percent_is_that_of_chi_square() -> None:
    """The factor is the root of scipy's quantile."""
    assert pytest.approx(np.sqrt(stats.chi2.ppf(0.95, 2)), abs=1e-4) == FACTOR_95


@pytest.mark.parametrize("freedom", [3.0, 4.0, 8.0, 30.0])
def test_the_tail_factor_matches_the_quantiles_of_scipy(freedom: float) -> None:
    """The Gaussian ellipse of the inflated variance reaches where scipy's F puts 95 % of the t."""
    reach = 2.0 * stats.f.ppf(0.95, 2, freedom) * (freedom - 2.0) / freedom
    assert tail_factor(freedom) * stats.chi2.ppf(0.95, 2) == pytest.approx(reach, rel=1e-9)


def test_a_gaussian_needs_no_factor() -> None:
    """Infinite degrees of freedom leave the variance alone, large ones nearly so."""
    assert tail_factor(float("inf")) == 1.0
    assert tail_factor(1e6) == pytest.approx(1.0, abs=1e-5)


def test_a_t_without_a_variance_is_refused() -> None:
    """Two degrees of freedom or fewer have no variance to match."""
    with pytest.raises(ValueError, match="variance"):
        tail_factor(2.0)
