"""The profile against certified regressions, closed forms and the plumbing codes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from sitegis.geometry.frames import Array
from sitegis.line.profile import (
    INVERT_PRIOR_M,
    Depths,
    SlopePrior,
    apply_bound,
    fit_linear,
    mixture_moments,
    slope_prior,
    weigh_profile,
)
from sitegis.rules.rule_set import load_rules

# NIST Statistical Reference Datasets, linear regression, Norris (y, x).
NORRIS_TEXT = """
    0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
    449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
    448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
    0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
    228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
NORRIS = np.array(NORRIS_TEXT.split(), dtype=float).reshape(-1, 2)


def single(slope: float, sd: float) -> SlopePrior:
    return SlopePrior(np.array([1.0]), np.array([slope]), np.array([sd]))


def depths(behind: Array, inverts: Array, **changes: object) -> Depths:
    values: dict[str, object] = {
        "sd_m": np.full(behind.size, 0.03),
        "scaled_m": np.zeros(behind.size),
        "scale_sd": 0.0,
        "degrees_of_freedom": np.inf,
    }
    return Depths(behind, inverts, **(values | changes))  # type: ignore[arg-type]


def test_norris_certified_values() -> None:
    """Half of the pairs by numpy, the rest on that as a prior: NIST's certified coefficients."""
    y, x = NORRIS.T
    assert len(y) == 36
    design = np.column_stack([np.ones(36), x])
    half = np.linalg.inv(design[:18].T @ design[:18])
    prior = half @ design[:18].T @ y[:18], half
    mean, covariance, _ = fit_linear(design[18:], y[18:], np.eye(18), prior)
    residual_sd = np.sqrt(np.sum((y - design @ mean) ** 2) / 34)
    assert mean == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert residual_sd == pytest.approx(0.884796396144373, rel=1e-11)
    assert residual_sd * np.sqrt(np.diag(covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-03], rel=1e-10
    )


def test_evidence_of_slope_against_level_closed_form() -> None:
    """The six-point example: ln Z 4.370104 with a slope, −2.896100 without."""
    s = np.arange(6.0)
    y = np.array([0.02, 0.11, 0.13, 0.29, 0.31, 0.42])
    noise, ones = 0.075**2 * np.eye(6), np.ones(6)
    sloped = fit_linear(
        np.column_stack([ones, s]), y, noise, (np.zeros(2), np.diag([0.5**2, 0.2**2]))
    )
    level = fit_linear(ones[:, None], y, noise, (np.zeros(1), np.array([[0.25]])))
    assert sloped[2] == pytest.approx(4.370104, abs=5e-7)
    assert level[2] == pytest.approx(-2.896100, abs=5e-7)


def test_evidence_agrees_with_scipy_density() -> None:
    """The log evidence is scipy's multivariate normal density of the data."""
    generator = np.random.default_rng(3)
    design = generator.standard_normal((5, 2))
    values, spread = generator.standard_normal(5), np.diag([0.3, 0.2])
    noise = 0.1 * np.eye(5) + 0.05
    _, _, evidence = fit_linear(design, values, noise, (np.array([0.1, -0.2]), spread))
    density = stats.multivariate_normal(
        design @ np.array([0.1, -0.2]), design @ spread @ design.T + noise
    )
    assert evidence == pytest.approx(density.logpdf(values), rel=1e-12)


def test_five_meters_of_marks_leave_slope_to_two_percent() -> None:
    """Six marks a meter apart, 0.75 m deep, at 5 %: sd σ/√Σ(s − s̄)² = 0.9 %, so ±1.8 % at 95 %."""
    s = np.linspace(0.0, 5.0, 6)
    sd = 0.05 * 0.75
    formula = sd / np.sqrt(np.sum((s - s.mean()) ** 2))
    found = depths(5.0 - s, -0.7 - 0.02 * s, sd_m=np.full(6, sd))
    components, _, _ = weigh_profile(found, single(0.02, 10.0), 30)
    fitted_sd = np.sqrt(components[0].covariance[1, 1])
    assert fitted_sd == pytest.approx(formula, rel=0.01)
    assert 2.0 * fitted_sd == pytest.approx(0.018, abs=0.001)


@pytest.mark.parametrize(
    ("name", "diameter_m", "peaks"),
    [
        ("us-ipc", 0.1016, (1 / 48, 1 / 96)),  # IPC table 704.1: 3 to 6 in, 1/8 in per foot
        ("us-ipc", 0.0508, (1 / 48, 1 / 96)),  # up to 2 1/2 in, 1/4 in per foot
        ("us-ipc", 0.2032, (1 / 48, 1 / 192)),  # 8 in and more, 1/16 in per foot
        ("ca-npc", 0.1016, (1 / 50, 1 / 100)),
    ],
)
def test_slope_prior_peaks_at_code_slopes(
    name: str, diameter_m: float, peaks: tuple[float, float]
) -> None:
    """The two narrow components stand at practice and at the code's least slope."""
    prior = slope_prior(load_rules(name), diameter_m)
    assert prior.means[:2] == pytest.approx(peaks, rel=0.01)
    assert prior.weights.sum() == pytest.approx(1.0)
    assert np.any(prior.means < 0)


def test_prior_spread_is_that_of_the_mixture() -> None:
    """Mean and sd of the mixture agree with numerical integration of its density."""
    prior = slope_prior(load_rules("us-ipc"), 0.1016)
    x = np.linspace(-0.2, 0.2, 200_001)
    density = (prior.weights * stats.norm.pdf(x[:, None], prior.means, prior.sds)).sum(axis=1)
    mean = np.trapezoid(x * density, x)
    assert prior.mean == pytest.approx(mean, rel=1e-6)
    assert prior.sd == pytest.approx(np.sqrt(np.trapezoid((x - mean) ** 2 * density, x)), rel=1e-6)


@settings(deadline=None, max_examples=50)
@given(st.floats(-3.0, 3.0), st.floats(0.01, 2.0))
def test_bound_matches_numerical_moments(distance: float, sd: float) -> None:
    """A bound's mean, variance and weight are those of the density times Φ, integrated."""
    mean, variance = np.array([0.3]), np.array([[0.25]])
    highest = 0.3 + 0.5 * distance
    found, spread, log_share = apply_bound(mean, variance, np.ones(1), highest, sd)
    x = np.linspace(0.3 - 6.0, 0.3 + 6.0, 40_001)
    density = stats.norm.pdf(x, 0.3, 0.5) * stats.norm.cdf((highest - x) / sd)
    share = np.trapezoid(density, x)
    expected = np.trapezoid(x * density, x) / share
    assert log_share == pytest.approx(np.log(share), rel=1e-6, abs=1e-9)
    assert found[0] == pytest.approx(expected, abs=1e-6)
    width = np.trapezoid((x - expected) ** 2 * density, x) / share
    assert spread[0, 0] == pytest.approx(width, rel=1e-5)


def test_shared_depth_scale_is_not_averaged_away() -> None:
    """Many marks leave the invert known no better than scale sd × depth (closed form)."""
    behind = np.zeros(400)
    found = depths(
        behind,
        np.full(400, -0.8),
        sd_m=np.full(400, 0.05),
        scaled_m=np.full(400, 0.8),
        scale_sd=0.05,
    )
    components, _, _ = weigh_profile(found, single(0.02, 0.004), 30)
    information = 1.0 / (0.05**2 / 400 + (0.05 * 0.8) ** 2) + 1.0 / 0.30**2
    assert components[0].covariance[0, 0] == pytest.approx(1.0 / information, rel=1e-9)


def test_depths_choose_among_slope_components() -> None:
    """Weights of the mixture are prior × density of the data under each component."""
    prior = SlopePrior(np.array([0.5, 0.5]), np.array([0.02, 0.01]), np.array([1e-6, 1e-6]))
    behind = np.linspace(10.0, 0.0, 6)
    inverts = -0.7 + 0.02 * behind
    components, _, _ = weigh_profile(depths(behind, inverts), prior, 30)
    logs = [
        stats.multivariate_normal(
            -0.5 + b * behind, 0.09 * np.ones((6, 6)) + 0.0009 * np.eye(6)
        ).logpdf(inverts)
        for b in (0.02, 0.01)
    ]
    expected = 1.0 / (1.0 + np.exp(logs[1] - logs[0]))
    assert components[0].weight == pytest.approx(expected, rel=1e-3)


def test_without_depths_the_prior_stands() -> None:
    """No depth at all leaves the slope's mixture as it was."""
    prior = slope_prior(load_rules("us-ipc"), 0.1016)
    components, tails, _ = weigh_profile(depths(np.empty(0), np.empty(0)), prior, 30)
    mean, covariance = mixture_moments(components)
    assert tails.size == 0
    assert mean[1] == pytest.approx(prior.mean)
    assert np.sqrt(covariance[1, 1]) == pytest.approx(prior.sd)


def test_one_wild_depth_is_named_and_does_little() -> None:
    """A depth 0.5 m off gets little weight; the rest keep theirs."""
    behind = np.linspace(8.0, 0.0, 7)
    inverts = -0.75 + 0.0208 * behind
    inverts[2] += 0.5
    found = depths(behind, inverts, degrees_of_freedom=4.0)
    components, tails, _ = weigh_profile(found, single(0.0208, 0.0035), 30)
    assert tails[2] < 0.1
    assert np.all(np.delete(tails, 2) > 0.8)
    assert components[0].mean[0] == pytest.approx(-0.75, abs=0.02)


@pytest.mark.parametrize("apart_m", [0.0, 0.15, 0.5])
def test_evidence_with_tails_is_just_below_quadrature(apart_m: float) -> None:
    """Two marks at one place: the evidence is a lower bound of the integral, and a close one.

    The cost of a mark is δ²/2 to one sigma and ((ν + 1)/2) ln((ν + δ²)/(ν + 1)) + ½ beyond; a
    Gaussian of the same slope in δ² lies above that cost everywhere, so no fit can claim more
    than what scipy's quadrature gives.
    """
    nu, sd = 4.0, 0.03
    inverts = np.array([-0.7, -0.7 - apart_m])
    found = depths(np.zeros(2), inverts, sd_m=np.full(2, sd), degrees_of_freedom=nu)
    _, _, evidence = weigh_profile(found, single(0.02, 0.01), 200)

    at = np.linspace(-3.0, 2.0, 100_001)
    square = ((inverts[:, None] - at) / sd) ** 2
    tail = 0.5 * (nu + 1) * np.log((nu + square) / (nu + 1)) + 0.5
    cost = np.where(square <= 1.0, 0.5 * square, tail)
    likelihood = np.prod(np.exp(-cost) / (sd * np.sqrt(2 * np.pi)), axis=0)
    prior = stats.norm(*INVERT_PRIOR_M).pdf(at)
    truth = np.log(integrate.trapezoid(likelihood * prior, at))
    assert truth - 1.0 < evidence < truth + 1e-6
