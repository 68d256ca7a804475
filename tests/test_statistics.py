"""Weights, quantiles and covariances against scipy and numpy."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import integrate, linalg, special, stats
from scipy.spatial.distance import mahalanobis

from sitegis.geometry.frames import wrap_radians
from sitegis.numerics import statistics
from sitegis.numerics.mixture import MOST_COMPONENTS, Poses, merge_poses
from sitegis.place.adjust import NONCENTRALITY

SEEDS = st.integers(0, 2**32 - 1)


def test_factors_are_scipys_quantiles() -> None:
    """1.96, 1.645 and 2.4477 come out of scipy's normal and chi-square distributions."""
    assert pytest.approx(stats.norm.ppf(0.975)) == statistics.NORMAL_95
    assert pytest.approx(stats.norm.ppf(0.95)) == statistics.NORMAL_BELOW_95
    assert pytest.approx(np.sqrt(stats.chi2.ppf(0.95, 2))) == statistics.ELLIPSE_95


def test_the_noncentrality_is_that_of_baardas_tables() -> None:
    """A test at 0.1 % that finds a blunder with 80 % needs 3.29 + 0.84 standard deviations."""
    assert pytest.approx(stats.norm.ppf(0.9995) + stats.norm.ppf(0.8), abs=5e-3) == NONCENTRALITY


@given(arrays(float, st.integers(1, 30), elements=st.floats(-700, 700)))
def test_weights_are_scipys_softmax(logs: np.ndarray) -> None:
    """Log weights become scipy's softmax, however large; what is impossible weighs nothing."""
    assert statistics.normalized_weights(logs) == pytest.approx(special.softmax(logs), abs=1e-12)
    assert statistics.log_sum(logs) == pytest.approx(special.logsumexp(logs))
    assert not statistics.normalized_weights(np.full(3, -np.inf)).any()
    assert statistics.log_sum(np.zeros(0)) == -np.inf


@given(SEEDS)
def test_equal_weights_give_numpys_quantiles(seed: int) -> None:
    """Rows of equal weight have numpy's quantiles by the method "hazen"."""
    values = np.random.default_rng(seed).normal(size=(4, 25))
    shares = [0.0, 0.05, 0.3, 0.5, 0.95, 1.0]

    expected = np.quantile(values, shares, axis=1, method="hazen").T
    found = statistics.weighted_quantiles(values, np.full(25, 0.7), shares)
    assert found == pytest.approx(expected, abs=1e-9)


@given(SEEDS)
def test_weighted_quantiles_have_their_share_below(seed: int) -> None:
    """numpy's weighted inverse of the distribution is at most half a sample's weight away.

    A sample without weight counts for nothing, wherever it lies.
    """
    generator = np.random.default_rng(seed)
    values, weights = generator.normal(size=40), generator.uniform(0.1, 1.0, 40)
    weights[::5], values[::5] = 0.0, 1e3 * generator.normal(size=8)
    share, half = generator.uniform(0.1, 0.9), 0.5 * weights.max() / weights.sum()

    low, high = (
        np.quantile(values, share + way * half, weights=weights, method="inverted_cdf")
        for way in (-1, 1)
    )
    assert low - 1e-12 <= statistics.weighted_quantiles(values, weights, (share,))[0]
    assert statistics.weighted_quantiles(values, weights, (share,))[0] <= high + 1e-12


def test_moments_of_a_mixture_by_quadrature() -> None:
    """Mean and variance of two normals mixed 3 to 1, integrated by scipy."""
    weights, means, sds = np.array([3.0, 1.0]), np.array([0.2, 2.5]), np.array([0.5, 1.1])

    def density(x: float) -> float:
        return float(0.75 * stats.norm.pdf(x, 0.2, 0.5) + 0.25 * stats.norm.pdf(x, 2.5, 1.1))

    mean = integrate.quad(lambda x: x * density(x), -10, 15)[0]
    variance = integrate.quad(lambda x: (x - mean) ** 2 * density(x), -10, 15)[0]
    assert statistics.mixture_moments(weights, means, sds**2) == pytest.approx((mean, variance))


@given(st.floats(-5, 5), st.floats(0.01, 3.0))
def test_the_density_is_scipys(residual: float, sd: float) -> None:
    """N(0, sd²) at a residual."""
    found = statistics.normal_density(np.array(residual), sd)
    assert found == pytest.approx(stats.norm.pdf(residual, 0.0, sd))


@given(SEEDS, st.integers(1, 3))
def test_a_square_root_gives_back_its_covariance(seed: int, rank: int) -> None:
    """R Rᵀ is the covariance, for one of full rank, for singular ones, and for a stack."""
    factor = np.random.default_rng(seed).normal(size=(5, 3, rank))
    covariances = factor @ np.swapaxes(factor, -1, -2)

    roots = statistics.square_root(covariances)
    assert roots @ np.swapaxes(roots, -1, -2) == pytest.approx(covariances, abs=1e-9)
    assert statistics.square_root(covariances[0]) == pytest.approx(roots[0])


@given(st.floats(0.01, 2.0), st.floats(0.1, 0.95), st.floats(-1.5, 1.5))
def test_an_ellipse_gives_back_what_its_covariance_was_made_of(
    major: float, ratio: float, angle: float
) -> None:
    """Axes and angle of a turned diagonal covariance come back."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    covariance = turn @ np.diag([major**2, (ratio * major) ** 2]) @ turn.T
    found = statistics.ellipse(covariance)
    assert found == pytest.approx((major, ratio * major, angle), abs=1e-6)
    assert statistics.largest_sd_m(covariance) == pytest.approx(major)


@given(st.floats(-60.0, 60.0))
def test_a_wrapped_angle_is_the_phase_of_its_unit_vector(angle: float) -> None:
    """Python's own phase of e^(i angle), but −π for π."""
    wrapped = float(wrap_radians(np.array(angle)))
    assert -np.pi <= wrapped < np.pi
    assert cmath.exp(1j * wrapped) == pytest.approx(cmath.exp(1j * angle), abs=1e-9)


@given(SEEDS)
def test_the_nearest_covariance_is_the_projection(seed: int) -> None:
    """No matrix without negative eigenvalues drawn about it lies nearer (Higham 1988)."""
    generator = np.random.default_rng(seed)
    given_ = generator.normal(size=(3, 3))
    given_ = given_ + given_.T
    found = statistics.nonnegative(given_)
    factors = generator.normal(size=(200, 3, 3))
    others = found + 0.1 * generator.uniform(-1, 1, (200, 1, 1)) * (
        factors @ np.swapaxes(factors, -1, -2)
    )
    lawful = np.linalg.eigvalsh(others)[:, 0] >= 0.0

    assert np.linalg.eigvalsh(found)[0] >= -1e-12
    distances = np.linalg.norm(others[lawful] - given_, axis=(1, 2))
    assert np.linalg.norm(found - given_) <= distances.min(initial=np.inf) + 1e-12
    assert statistics.nonnegative(given_, 0.5) == pytest.approx(
        0.5 * np.eye(3) + statistics.nonnegative(given_ - 0.5 * np.eye(3))
    )


@pytest.mark.parametrize(("spread", "seen"), [(0.9, 0.19), (0.8, 0.36), (0.7, 0.48), (0.5, 0.69)])
def test_the_tail_of_importance_weights_has_its_known_shape(spread: float, seen: float) -> None:
    """Target N(0, 1), proposal N(0, s²): k = 1 − s² exactly (change of variable).

    The fit is a little low near the limit: ``seen`` is the mean of a reference routine over
    seeds with 16 384 draws; here five seeds. Trusted is what lies below 0.7, as published.
    """
    shapes = []
    for seed in range(5):
        x = np.random.default_rng(seed).normal(size=16384) * spread
        log_weights = -0.5 * x**2 * (1.0 - spread**-2)
        shapes.append(statistics.pareto_k(np.exp(log_weights - log_weights.max())))
    assert np.mean(shapes) == pytest.approx(seen, abs=0.06)
    assert np.mean(shapes) == pytest.approx(1.0 - spread**2, abs=0.12)
    assert statistics.MOST_PARETO_K == 0.7


@pytest.mark.parametrize(("drawn", "tail"), [(2500, 150), (100, 20)])
def test_the_tail_is_a_fifth_of_the_weights_or_three_roots_of_them(drawn: int, tail: int) -> None:
    """M = min(m / 5, 3 √m) of Vehtari et al. (2024): k hangs on the M largest and the next alone.

    Weights below the next one may be any; the next one may not.
    """
    heavy = 1.0 + np.random.default_rng(4).pareto(2.0, tail)
    level = np.ones(drawn - tail)
    other = np.where(np.arange(level.size) > 0, 0.5, 1.0)
    found = statistics.pareto_k(np.concatenate([heavy, level]))
    assert statistics.pareto_k(np.concatenate([heavy, other])) == pytest.approx(found)
    assert statistics.pareto_k(np.concatenate([heavy, 0.5 * level])) != pytest.approx(found)


def test_the_tails_shape_is_that_of_zhang_and_stephens() -> None:
    """The steps of *Technometrics* 51 (2009) one by one, n = 40 of 200, prior of 10 at 0.5."""
    weights = np.sort(np.random.default_rng(8).pareto(1.6, 200))
    n, low = 40, weights[-41]
    x = [float(w - low) for w in weights[-n:]]
    count, quarter = 30 + math.isqrt(n), x[math.floor(n / 4 + 0.5) - 1]
    thetas = [
        1.0 / x[-1] + (1.0 - math.sqrt(count / (j - 0.5))) / (3.0 * quarter)
        for j in range(1, count + 1)
    ]

    def shape(theta: float) -> float:
        return sum(math.log1p(-theta * one) for one in x) / n

    fits = [n * (math.log(-theta / shape(theta)) - shape(theta) - 1.0) for theta in thetas]
    shares = [1.0 / sum(math.exp(other - one) for other in fits) for one in fits]
    theta = sum(share * one for share, one in zip(shares, thetas, strict=True))
    expected = (n * shape(theta) + 10 * 0.5) / (n + 10)
    assert statistics.pareto_k(weights) == pytest.approx(expected)


def test_weights_without_a_tail_have_no_shape() -> None:
    assert np.isnan(statistics.pareto_k(np.ones(20)))
    assert statistics.pareto_k(np.ones(1000)) == -np.inf


def test_a_sample_without_weight_ends_no_distribution() -> None:
    """The quantiles of shares 0 and 1 are numpy's least and greatest of what has weight."""
    values, weights = np.array([9.0, 2.0, -7.0, 4.0]), np.array([0.0, 1.0, 0.0, 3.0])
    found = statistics.weighted_quantiles(values, weights, (0.0, 1.0))
    ends = np.quantile(values, [1e-9, 1.0], weights=weights, method="inverted_cdf")
    assert found == pytest.approx(ends)


@pytest.mark.parametrize(("feasible", "drawn"), [(40, 100), (100, 100), (3, 1000)])
def test_the_error_of_an_evidence_is_that_of_a_share(feasible: int, drawn: int) -> None:
    """Equal weights w: Z = w p, and sd(ln p) = √((1 − p) / (p n)), the binomial law's."""
    found = statistics.estimate_log_evidence(np.full(feasible, np.log(0.3)), drawn)
    p = feasible / drawn
    assert found.log_z == pytest.approx(np.log(0.3 * p))
    assert found.log_z_se == pytest.approx(stats.binom.std(drawn, p) / drawn / p, abs=1e-6)
    assert found.effective_samples == pytest.approx(feasible)
    with pytest.raises(ValueError, match="only 2 were drawn"):
        statistics.estimate_log_evidence(np.zeros(3), 2)


@given(SEEDS)
def test_roots_and_projections_of_stacks_are_those_of_each(seed: int) -> None:
    """scipy's matrix square root, for a stack (2, 3) of covariances at once."""
    factor = np.random.default_rng(seed).normal(size=(2, 3, 4, 4))
    stack = factor @ np.swapaxes(factor, -1, -2) + 0.1 * np.eye(4)
    roots, kept = statistics.square_root(stack), statistics.nonnegative(stack)
    for index in np.ndindex(2, 3):
        assert roots[index] == pytest.approx(linalg.sqrtm(stack[index]), abs=1e-8)
        assert kept[index] == pytest.approx(stack[index])


@given(SEEDS)
def test_a_factor_solves_as_numpy_does(seed: int) -> None:
    """A x = b by scipy's Cholesky factor is numpy's solution."""
    generator = np.random.default_rng(seed)
    factor = generator.normal(size=(5, 5))
    matrix, right = factor @ factor.T + np.eye(5), generator.normal(size=(5, 3))
    root = statistics.cholesky(matrix)
    assert root == pytest.approx(linalg.cholesky(matrix, lower=True))
    assert statistics.cho_solve(root, right) == pytest.approx(np.linalg.solve(matrix, right))


def strewn_poses(seed: int, count: int = 60) -> Poses:
    """Return poses in a few heaps, some of other kinds, bends and marks."""
    generator = np.random.default_rng(seed)
    roots = generator.normal(0.0, 0.3, (count, 3, 3))
    heap = generator.integers(0, 5, count)
    means = generator.normal(0.0, 0.25, (count, 3)) + generator.normal(0.0, 2.0, (5, 3))[heap]
    means[::9, 2] += np.pi
    return Poses(
        generator.dirichlet(np.full(count, 0.5)),
        means,
        roots @ roots.swapaxes(1, 2) + 0.05 * np.eye(3),
        generator.integers(0, 2, count),
        generator.integers(1, 3, count),
        generator.choice([0.0, 22.5], count),
        generator.uniform(0.0, 3.0, count),
    )


@pytest.mark.parametrize("seed", range(4))
def test_poses_that_say_the_same_are_merged_one_by_one(seed: int) -> None:
    """Each joins the most probable before it that scipy's Mahalanobis distance has within one.

    Of the same kind, bend and marks and a spread of place alike to a factor of four in variance;
    weight, mean and covariance of each heap are numpy's, and of every bend and marks the share.
    """
    poses = strewn_poses(seed)
    order = [
        int(i)
        for i in np.argsort(-poses.weights, kind="stable")
        if poses.weights[i] >= 2e-4 * poses.weights.max()
    ]
    heads: dict[int, list[int]] = {}
    for row in order:
        for head, joined in heads.items():
            gap = poses.means[row] - poses.means[head]
            gap[2] = np.angle(np.exp(1j * gap[2]))
            both = np.linalg.inv(poses.covariances[row] + poses.covariances[head])
            sizes = [np.trace(poses.covariances[k, :2, :2]) for k in (row, head)]
            if (
                poses.kinds[row] == poses.kinds[head]
                and poses.marks_after[row] == poses.marks_after[head]
                and poses.turns_deg[row] == poses.turns_deg[head]
                and mahalanobis(gap, np.zeros(3), both) < 1.0
                and max(sizes) / min(sizes) < 4.0
            ):
                joined.append(row)
                break
        else:
            heads[row] = [row]
    merged = merge_poses(poses)
    assert 5 < len(heads) < min(len(order), MOST_COMPONENTS)
    assert len(merged.weights) == len(heads)
    assert (np.diff(merged.weights) <= 1e-6).all()
    of = {}
    for row in range(len(poses.weights)):
        key = poses.turns_deg[row], poses.marks_after[row]
        of[key] = of.get(key, 0.0) + poses.weights[row]
    kept = dict.fromkeys(of, 0.0)
    for head, rows in heads.items():
        kept[poses.turns_deg[head], poses.marks_after[head]] += float(poses.weights[rows].sum())
    for head, rows in heads.items():
        key = poses.turns_deg[head], poses.marks_after[head]
        weight = poses.weights[rows].sum() * of[key] / kept[key]
        at = int(np.argmin(np.abs(merged.weights - weight)))
        assert merged.weights[at] == pytest.approx(weight)
        away = poses.means[rows] - poses.means[head]
        away[:, 2] = np.angle(np.exp(1j * away[:, 2]))
        share = poses.weights[rows] / poses.weights[rows].sum()
        assert merged.means[at] == pytest.approx(poses.means[head] + share @ away)
        spread = np.cov(away.T, aweights=share, ddof=0) if len(rows) > 1 else np.zeros((3, 3))
        inner = np.einsum("m,mij->ij", share, poses.covariances[rows])
        assert merged.covariances[at] == pytest.approx(inner + spread)
        assert merged.lengths_m[at] == pytest.approx(share @ poses.lengths_m[rows])
        assert (merged.kinds[at], merged.turns_deg[at]) == (poses.kinds[head], key[0])
