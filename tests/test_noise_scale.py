"""The scale of the crew's noise, against closed forms and quadrature worked out apart."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from sitegis.geometry.frames import Array
from sitegis.line.profile import Depths, SlopePrior, learn_profile, mixture_moments
from sitegis.numerics.noise_scale import (
    SCALES,
    log_evidence,
    log_integral,
    log_prior,
    next_within,
    scale_of_nodes,
    scale_of_squares,
)

# Line with noise of sd 0.05 k: closed forms and quadrature by numpy and scipy, apart.
STATIONS = np.arange(6.0)
HEIGHTS = np.array([0.02, 0.11, 0.13, 0.29, 0.31, 0.42])


def test_prior_is_the_inverse_gamma() -> None:
    """k² ~ IG(4, 4): k at 2.5, 50, 97.5 % by scipy; density of ln k: that of k² times 2 k²."""
    scale = scale_of_squares("plan", 0.0, 0.0)
    law = stats.invgamma(4.0, scale=4.0)
    expected = np.sqrt(law.ppf([0.025, 0.5, 0.975]))
    assert [scale.low, scale.median, scale.high] == pytest.approx(expected)
    assert expected == pytest.approx([0.675, 1.044, 1.916], abs=5e-4)
    at = np.array([0.6, 1.0, 2.0])
    assert np.exp(log_prior(at)) == pytest.approx(law.pdf(at**2) * 2.0 * at**2)


def test_three_residuals_have_the_multivariate_t() -> None:
    """u = (1.2, −2.0, 1.5): IG(5.5, 7.845), E k² 1.743333, median 1.231772, ln Z −6.374904."""
    residuals = np.array([1.2, -2.0, 1.5])
    scale = scale_of_squares("plan", float(residuals @ residuals), 3)
    assert scale.median == pytest.approx(1.231772, abs=1e-6)
    beyond = stats.t(11.0, scale=1.194305).isf(0.5 * 0.0027)  # the next residual, scipy's t
    within = next_within(np.array([residuals @ residuals]), np.array([3]), 0.0027)
    assert within == pytest.approx([beyond], abs=1e-5)
    assert scale.mean_square == pytest.approx(1.743333, abs=1e-6)
    law = stats.multivariate_t(np.zeros(3), np.eye(3), df=8)
    assert log_evidence(residuals) == pytest.approx(float(law.logpdf(residuals)), abs=1e-9)


@pytest.mark.parametrize(
    ("redundant", "median"), [(1, 1.152), (3, 1.289), (10, 1.493), (30, 1.636), (100, 1.711)]
)
def test_what_a_crew_1_75_times_as_noisy_is_taken_for(redundant: int, median: float) -> None:
    """With S = 1.75² r three readings hardly move the scale and a hundred do."""
    scale = scale_of_squares("depth", 1.75**2 * redundant, redundant)
    assert scale.median == pytest.approx(median, abs=6e-4)


def line_evidence(design: Array, prior_sds: Array, scale: float) -> float:
    covariance = design @ np.diag(prior_sds**2) @ design.T + (0.05 * scale) ** 2 * np.eye(6)
    return float(stats.multivariate_normal(np.zeros(6), covariance).logpdf(HEIGHTS))


@pytest.mark.parametrize(("slope", "expected"), [(True, 5.464304), (False, -2.738690)])
def test_a_few_nodes_integrate_the_scale(slope: bool, expected: float) -> None:
    """ln Z of a line and of a level with N(0, 0.5²), N(0, 0.2²) priors: 32 nodes elsewhere."""
    design = np.column_stack([np.ones(6), STATIONS])[:, : 2 if slope else 1]
    sds = np.array([0.5, 0.2])[: 2 if slope else 1]
    logs = np.array([line_evidence(design, sds, scale) for scale in SCALES])
    assert log_integral(logs) == pytest.approx(expected, abs=0.03)
    if slope:  # mean k given the line: 0.957418
        weights = np.exp(logs + log_prior(np.array(SCALES)))
        assert weights @ SCALES / weights.sum() == pytest.approx(0.957418, abs=0.02)


@pytest.mark.parametrize(("size", "number"), [(0.8, 4), (1.2, 12), (1.7, 25)])
def test_quantiles_from_the_nodes_are_the_conjugate_ones(size: float, number: int) -> None:
    """Normal residuals: the nodes' log-likelihoods give the inverse gamma's quantiles."""
    squares = size**2 * number
    logs = np.array([-number * np.log(k) - 0.5 * squares / k**2 for k in SCALES])
    found, expected = scale_of_nodes("plan", logs), scale_of_squares("plan", squares, number)
    for name in ("low", "median", "high"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=0.03)


def test_profile_with_learned_noise_is_the_integral() -> None:
    """Mean and spread of the invert over k agree with scipy's quadrature of a Gaussian model."""
    behind, slope, sd = np.linspace(5.0, 0.0, 6), 0.02, 0.05
    inverts = -0.60 + slope * behind + np.array([0.09, -0.08, 0.10, -0.12, 0.05, -0.07])
    depths = Depths(behind, inverts, np.full(6, sd), np.full(6, 0.6), 0.0, np.inf)
    prior = SlopePrior(np.ones(1), np.array([slope]), np.array([0.005]))
    parts, _, scale = learn_profile(depths, prior)
    found, spread = mixture_moments(parts)

    def at(k: float) -> tuple[Array, Array, float]:
        design, mean = np.column_stack([np.ones(6), behind]), np.array([-0.50, slope])
        wide = np.diag([0.30**2, 0.005**2])
        whole = design @ wide @ design.T + (sd * k) ** 2 * np.eye(6)
        gain, off = wide @ design.T @ np.linalg.inv(whole), inverts - design @ mean
        evidence = stats.multivariate_normal(np.zeros(6), whole).logpdf(off)
        return mean + gain @ off, wide - gain @ design @ wide, float(evidence)

    def density(u: float) -> float:
        k = float(np.exp(u))
        return float(np.exp(at(k)[2]) * stats.invgamma.pdf(k**2, 4.0, scale=4.0) * 2 * k**2)

    def integral(value: object) -> float:
        return float(integrate.quad(value, -1.5, 2.0, epsabs=1e-12)[0])  # type: ignore[arg-type]

    total = integral(density)
    mean = integral(lambda u: density(u) * at(np.exp(u))[0][0]) / total
    square = integral(
        lambda u: density(u) * (at(np.exp(u))[1][0, 0] + (at(np.exp(u))[0][0] - mean) ** 2)
    )
    assert found[0] == pytest.approx(mean, abs=1e-4)
    assert spread[0, 0] == pytest.approx(square / total, rel=0.02)
    expected = integral(lambda u: density(u) * np.exp(2 * u)) / total
    assert scale.mean_square == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("residuals", [(0.4, -0.9), (1.2, -2.0, 1.5), (1.0, -0.2, -1.4, 0.6, 0.9)])
def test_an_invert_has_the_students_t_of_a_scale_not_known(residuals: tuple[float, ...]) -> None:
    """Half and 95 % of the invert are scipy's t, of n − 1 residuals (methods, section 2).

    One normal of the same spread would have the half as much as a tenth too wide.
    """
    sd, read = 0.01, np.array(residuals)
    number = read.size
    depths = Depths(
        np.zeros(number), -0.5 + sd * read, np.full(number, sd), np.full(number, 0.6), 0.0, np.inf
    )
    parts, _, _ = learn_profile(depths, SlopePrior(np.ones(1), np.zeros(1), np.array([1e-6])))
    shape = 4.0 + 0.5 * (number - 1)
    rate = 4.0 + 0.5 * float(np.sum((read - read.mean()) ** 2))
    law = stats.t(2.0 * shape, -0.5 + sd * read.mean(), sd * np.sqrt(rate / shape / number))

    def passed(value: float) -> float:
        return sum(
            part.weight * stats.norm.cdf(value, part.mean[0], np.sqrt(part.covariance[0, 0]))
            for part in parts
        )

    assert sum(part.weight for part in parts) == pytest.approx(1.0, abs=1e-12)
    for share in (0.025, 0.25, 0.75, 0.975):
        assert passed(law.ppf(share)) == pytest.approx(share, abs=0.004)
