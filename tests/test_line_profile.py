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
    _fit_components,
    apply_bound,
    learn_profile,
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
    """NIST's certified coefficients and deviations, the prior taken off what the profile gives."""
    y, x = NORRIS.T
    certified_sd, slope_sd = 0.884796396144373, 10.0
    found = depths(x, y, sd_m=np.full(36, certified_sd))
    (part,), _, _ = weigh_profile(found, single(1.0, slope_sd))
    own = np.diag([INVERT_PRIOR_M[1] ** -2, slope_sd**-2])
    precision = np.linalg.inv(part.covariance)
    shift = precision @ part.mean - own @ np.array([INVERT_PRIOR_M[0], 1.0])
    covariance = np.linalg.inv(precision - own)
    assert covariance @ shift == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-7)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-03], rel=1e-7
    )


@pytest.mark.parametrize(("slope_sd", "expected"), [(0.2, 4.370104), (1e-9, -2.896100)])
def test_evidence_of_slope_against_level_closed_form(slope_sd: float, expected: float) -> None:
    """Six points, σ .075, priors N(0, .5²) and N(0, .2²): ln Z with a slope and without.

    In units of 0.6, so that the level's prior is the invert's: six densities by ln 0.6 greater.
    """
    heights, unit = np.array([0.02, 0.11, 0.13, 0.29, 0.31, 0.42]), INVERT_PRIOR_M[1] / 0.5
    inverts = unit * heights + INVERT_PRIOR_M[0]
    found = depths(np.arange(6.0), inverts, sd_m=np.full(6, 0.075 * unit))
    _, _, evidence = weigh_profile(found, single(0.0, slope_sd * unit))
    assert evidence + 6.0 * np.log(unit) == pytest.approx(expected, abs=5e-7)


def test_a_taped_depth_shows_what_all_readings_share() -> None:
    """A taped end and five readings 12 % too deep: scipy's normal law of all of them, conditioned.

    The readings alone leave the invert 6 cm too deep, to 4 cm; the tape takes most of that off.
    """
    behind, truth = np.linspace(5.0, 0.0, 6), np.array([-0.6, 0.02])
    design = np.column_stack([np.ones(6), behind])
    scaled = np.where(np.arange(6) == 0, 0.0, -(design @ truth))
    inverts = design @ truth - 0.12 * scaled
    sds = np.where(np.arange(6) == 0, 0.01, 0.05)
    found = depths(behind, inverts, sd_m=sds, scaled_m=scaled, scale_sd=0.05)
    (part,), _, _ = weigh_profile(found, single(0.02, 0.004))
    wide = np.diag([0.3**2, 0.004**2])
    noise = np.diag(sds**2) + 0.05**2 * np.outer(scaled, scaled)
    gain = wide @ design.T @ np.linalg.inv(design @ wide @ design.T + noise)
    mean = np.array([-0.5, 0.02])
    assert part.mean == pytest.approx(mean + gain @ (inverts - design @ mean), abs=1e-9)
    assert part.covariance == pytest.approx(wide - gain @ design @ wide, abs=1e-12)
    untaped = depths(behind[1:], inverts[1:], sd_m=sds[1:], scaled_m=scaled[1:], scale_sd=0.05)
    (alone,), _, _ = weigh_profile(untaped, single(0.02, 0.004))
    assert abs(part.mean[0] + 0.6) < 0.6 * abs(alone.mean[0] + 0.6)


def test_five_meters_of_marks_leave_slope_to_two_percent() -> None:
    """Six marks a meter apart, 0.75 m deep, at 5 %: sd σ/√Σ(s − s̄)² = 0.9 %, so ±1.8 % at 95 %."""
    s = np.linspace(0.0, 5.0, 6)
    sd = 0.05 * 0.75
    formula = sd / np.sqrt(np.sum((s - s.mean()) ** 2))
    found = depths(5.0 - s, -0.7 - 0.02 * s, sd_m=np.full(6, sd))
    components, _, _ = weigh_profile(found, single(0.02, 10.0))
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
    components, _, _ = weigh_profile(found, single(0.02, 0.004))
    information = 1.0 / (0.05**2 / 400 + (0.05 * 0.8) ** 2) + 1.0 / 0.30**2
    assert components[0].covariance[0, 0] == pytest.approx(1.0 / information, rel=1e-9)


def test_depths_choose_among_slope_components() -> None:
    """Weights of the mixture are prior × density of the data under each component."""
    prior = SlopePrior(np.array([0.5, 0.5]), np.array([0.02, 0.01]), np.array([1e-6, 1e-6]))
    behind = np.linspace(10.0, 0.0, 6)
    inverts = -0.7 + 0.02 * behind
    components, _, _ = weigh_profile(depths(behind, inverts), prior)
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
    components, tails, _ = weigh_profile(depths(np.empty(0), np.empty(0)), prior)
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
    components, tails, _ = weigh_profile(found, single(0.0208, 0.0035))
    assert tails[2] < 0.1
    assert np.all(np.delete(tails, 2) > 0.8)
    assert components[0].mean[0] == pytest.approx(-0.75, abs=0.02)


@pytest.mark.parametrize("apart_m", [0.0, 0.05, 0.10, 0.15])
def test_heavy_tails_are_those_of_scipys_t(apart_m: float) -> None:
    """Three marks at one place, one of them astray: mean, spread and ln Z by scipy's quadrature.

    The density of a reading is that of t with 4 degrees of freedom and the stated sd. One normal
    in the place of each is worst where it is in doubt whether the third is astray (10 cm).
    """
    sd = 0.03
    inverts = np.array([-0.7, -0.69, -0.7 - apart_m])
    found = depths(np.zeros(3), inverts, sd_m=np.full(3, sd), degrees_of_freedom=4.0)
    (part,), _, evidence = weigh_profile(found, single(0.02, 0.01))
    at = np.linspace(-1.3, -0.2, 20_001)
    density = stats.norm(*INVERT_PRIOR_M).pdf(at)
    for value in inverts:
        density = density * stats.t(4.0, value, sd / np.sqrt(2.0)).pdf(at)
    total = integrate.trapezoid(density, at)
    mean = integrate.trapezoid(at * density, at) / total
    spread = np.sqrt(integrate.trapezoid((at - mean) ** 2 * density, at) / total)
    assert evidence == pytest.approx(np.log(total), abs=0.15)
    assert part.mean[0] == pytest.approx(mean, abs=0.1 * spread)
    assert np.sqrt(part.covariance[0, 0]) == pytest.approx(spread, rel=0.2)


@pytest.mark.parametrize("law", [stats.norm(), stats.t(4.0, 0.0, np.sqrt(0.5))])
def test_thirty_readings_show_a_crew_1_75_times_as_noisy(law: stats.rv_continuous) -> None:
    """Even quantiles of either law of the stated sd, times 1.75: k about 1.636.

    So the closed form of normal residuals has it; which of the two laws a crew has is not known.
    """
    count = 30
    residuals = 1.75 * 0.05 * law.ppf((np.arange(count) + 0.5) / count)
    behind = np.linspace(8.0, 0.0, count)
    order = np.random.default_rng(5).permutation(count)
    inverts = -0.6 + 0.02 * behind + residuals[order]
    found = depths(
        behind,
        inverts,
        sd_m=np.full(count, 0.05),
        scaled_m=np.full(count, 0.6),
        degrees_of_freedom=4.0,
    )
    _, _, scale = learn_profile(found, single(0.02, 0.01))
    assert 1.636 * 0.85 < scale.median < 1.636 * 1.15


def test_components_of_normal_readings_are_bayes_linear_regressions() -> None:
    """Invert, slope and the session's share by numpy's inverse; the evidence by scipy's density.

    Located depths grow with the scale of the noise and with the session; a taped one does neither.
    """
    generator = np.random.default_rng(4)
    behind, values = generator.uniform(0.0, 9.0, 5), generator.normal(-0.6, 0.1, 5)
    sds = generator.uniform(0.02, 0.08, 5)
    scaled = np.array([0.9, 1.2, 0.0, 0.7, 1.5])
    depths = Depths(behind, values, sds, scaled, 0.04, np.inf)
    scales, slopes = np.array([0.8, 1.0, 2.2]), np.array([0.02, 0.01, 0.03])
    slope_sds = np.array([0.004, 0.02, 0.01])
    means, covariances, evidences, _ = _fit_components(depths, scales, slopes, slope_sds)
    for c in range(3):
        prior = np.array([INVERT_PRIOR_M[0], slopes[c], 0.0])
        spread = np.diag([INVERT_PRIOR_M[1], slope_sds[c], 1.0]) ** 2
        rows = np.column_stack([np.ones(5), behind, -scaled * 0.04 * scales[c]])
        noise = np.diag(np.where(scaled > 0, sds * scales[c], sds) ** 2)
        after = np.linalg.inv(np.linalg.inv(spread) + rows.T @ np.linalg.solve(noise, rows))
        pulled = np.linalg.solve(spread, prior) + rows.T @ np.linalg.solve(noise, values)
        assert means[c] == pytest.approx((after @ pulled)[:2])
        assert covariances[c] == pytest.approx(after[:2, :2])
        law = stats.multivariate_normal(rows @ prior, rows @ spread @ rows.T + noise)
        assert evidences[c] == pytest.approx(law.logpdf(values))
