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
def test_the_tail_factor_is_the_closed_form(freedom: float) -> None:
    """F(2, ν) has the closed quantile ν/2·(0.05^(−2/ν) − 1); for ν = 4 the factor is 1.159."""
    quantile = freedom / 2 * (0.05 ** (-2 / freedom) - 1)
    expected = 2 * quantile * (freedom - 2) / freedom / (-2 * np.log(0.05))
    assert tail_factor(freedom) == pytest.approx(expected, rel=1e-9)
    assert freedom != 4.0 or tail_factor(freedom) == pytest.approx(1.159, abs=5e-4)


def test_a_t_without_a_variance_is_refused() -> None:
    """Two degrees of freedom or fewer have no variance to match."""
    with pytest.raises(ValueError, match="variance"):
        tail_factor(2.0)
