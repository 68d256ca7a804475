"""The heavy tail of a receiver's error in an ellipse."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy import stats

from sitegis.model.site import Noise
from sitegis.place.ellipse import point_regions, tail_factor

from .filled import filled_survey


@pytest.mark.parametrize("freedom", [3.0, 4.0, 8.0, 30.0])
def test_the_tail_factor_matches_the_quantiles_of_scipy(freedom: float) -> None:
    """The Gaussian ellipse of the inflated variance reaches where scipy's F puts 95 % of the t."""
    reach = 2.0 * stats.f.ppf(0.95, 2, freedom) * (freedom - 2.0) / freedom
    assert tail_factor(freedom) * stats.chi2.ppf(0.95, 2) == pytest.approx(reach, rel=1e-9)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_the_ellipses_of_a_point_hold_their_level(level: float) -> None:
    """Tape (normal), session (normal) and receiver (Student-t, 4) drawn by numpy, 200 000 times.

    The standard error of the share is 0.001.
    """
    noise, own_m = Noise(), 0.12
    mark = np.diag([0.05**2, 0.03**2])
    receiver = noise.session_horizontal_m**2 + tail_factor(noise.degrees_of_freedom) * own_m**2
    survey = filled_survey()
    one = dataclasses.replace(
        survey.placement,
        points=survey.placement.points[:1],
        mark_covariance_m2=mark,
        covariance_m2=mark + receiver * np.eye(2),
    )
    region = next(r for r in point_regions(one, 0, noise) if r.level == level)

    generator, count = np.random.default_rng(5), 200_000
    normal = generator.normal(size=(2, count, 2))
    freedom = noise.degrees_of_freedom
    tail = np.sqrt((freedom - 2.0) / generator.chisquare(freedom, (count, 1)))
    error = normal[0] * np.sqrt(np.diag(mark) + noise.session_horizontal_m**2)
    error += own_m * normal[1] * tail
    (piece,) = region.pieces
    turn = np.array(
        [
            [np.cos(piece.angle_rad), -np.sin(piece.angle_rad)],
            [np.sin(piece.angle_rad), np.cos(piece.angle_rad)],
        ]
    )
    scaled = error @ turn / [piece.semi_major_m, piece.semi_minor_m]
    assert np.mean(np.sum(scaled**2, axis=1) <= 1.0) == pytest.approx(level, abs=0.025)


def test_a_gaussian_needs_no_factor() -> None:
    """Infinite degrees of freedom leave the variance alone, large ones nearly so."""
    assert tail_factor(float("inf")) == 1.0
    assert tail_factor(1e6) == pytest.approx(1.0, abs=1e-5)


def test_a_t_without_a_variance_is_refused() -> None:
    """Two degrees of freedom or fewer have no variance to match."""
    with pytest.raises(ValueError, match="variance"):
        tail_factor(2.0)
