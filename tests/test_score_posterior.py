"""ln Z, its standard error, posterior and the typical route."""

from __future__ import annotations

import dynesty
import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm, qmc

from sitegis.numerics.statistics import estimate_log_evidence, normalized_weights
from sitegis.score.posterior import (
    most_probable_route,
    posterior,
    prior_by_main,
)

from .hand_routes import FRONT, straight_routes
from .invented import corner_site

STATIONS = np.arange(6.0)
READINGS = np.array([0.02, 0.11, 0.13, 0.29, 0.31, 0.42])
SIGMA, INTERCEPT_SD, SLOPE_SD = 0.075, 0.5, 0.2
# ln Z in closed form, from the design's sourced check values (two independent computations).
LOG_Z_SLOPE, LOG_Z_CONSTANT = 4.370104, -2.896100


def line_log_likelihood(intercept: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Log likelihood of the readings for many lines."""
    expected = intercept[..., None] + slope[..., None] * STATIONS
    return norm.logpdf(READINGS, expected, SIGMA).sum(axis=-1)


def test_log_evidence_agrees_with_the_closed_form() -> None:
    """Draws from the prior of a line give ln Z within three standard errors of closed form."""
    normals = norm.ppf(qmc.Sobol(2, rng=np.random.default_rng(11)).random(2**15))
    slope = line_log_likelihood(INTERCEPT_SD * normals[:, 0], SLOPE_SD * normals[:, 1])
    constant = line_log_likelihood(INTERCEPT_SD * normals[:, 0], np.zeros(len(normals)))
    for values, truth in ((slope, LOG_Z_SLOPE), (constant, LOG_Z_CONSTANT)):
        estimate = estimate_log_evidence(values, len(values))
        assert abs(estimate.log_z - truth) < 3 * estimate.log_z_se
        assert estimate.log_z_se < 0.1


def test_closed_form_is_what_scipy_gives() -> None:
    """The sourced values are the log density of a Gaussian (scipy multivariate_normal)."""
    ones, noise = np.ones((6, 6)), SIGMA**2 * np.eye(6)
    constant = INTERCEPT_SD**2 * ones + noise
    slope = constant + SLOPE_SD**2 * np.outer(STATIONS, STATIONS)
    assert multivariate_normal.logpdf(READINGS, cov=slope) == pytest.approx(LOG_Z_SLOPE, abs=5e-7)
    found = multivariate_normal.logpdf(READINGS, cov=constant)
    assert found == pytest.approx(LOG_Z_CONSTANT, abs=5e-7)


def test_log_evidence_agrees_with_dynesty() -> None:
    """Nested sampling by dynesty on the same line agrees within 0.5 (its own error is 0.25)."""
    sampler = dynesty.NestedSampler(
        lambda p: float(line_log_likelihood(p[0], p[1])),
        lambda u: norm.ppf(u) * np.array([INTERCEPT_SD, SLOPE_SD]),
        2,
        nlive=100,
        rstate=np.random.default_rng(4),
    )
    sampler.run_nested(print_progress=False, dlogz=0.1)
    normals = norm.ppf(qmc.Sobol(2, rng=np.random.default_rng(12)).random(2**14))
    values = line_log_likelihood(INTERCEPT_SD * normals[:, 0], SLOPE_SD * normals[:, 1])
    estimate = estimate_log_evidence(values, len(values))
    assert estimate.log_z == pytest.approx(float(sampler.results.logz[-1]), abs=0.5)


def test_standard_error_covers_independent_runs() -> None:
    """The spread of ln Z over 400 pseudo-random runs is the standard error, within a fifth."""
    generator = np.random.default_rng(8)
    estimates = []
    for _ in range(400):
        x = generator.normal(size=600)
        feasible = x > -0.5
        estimates.append(estimate_log_evidence(-((x[feasible] - 1) ** 2), 600))
    spread = np.std([e.log_z for e in estimates], ddof=1)
    assert np.mean([e.log_z_se for e in estimates]) == pytest.approx(spread, rel=0.2)


@settings(deadline=None, max_examples=50)
@given(
    arrays(float, st.integers(1, 40), elements=st.floats(-50, 50)),
    st.integers(0, 100),
    st.floats(-300, 300),
)
def test_log_evidence_properties(log_weights: np.ndarray, more: int, shift: float) -> None:
    """The contract's formula holds, effective samples lie in [1, m], a common factor adds."""
    drawn = log_weights.size + more
    estimate = estimate_log_evidence(log_weights, drawn)
    assert estimate.log_z == pytest.approx(logsumexp(log_weights) - np.log(drawn), abs=1e-9)
    assert 1 - 1e-9 <= estimate.effective_samples <= log_weights.size * (1 + 1e-9)
    moved = estimate_log_evidence(log_weights + shift, drawn)
    assert moved.log_z - estimate.log_z == pytest.approx(shift, abs=1e-9)
    assert normalized_weights(log_weights).sum() == pytest.approx(1.0, abs=1e-12)


def test_nothing_feasible_is_impossible() -> None:
    """No feasible sample gives ln Z of minus infinity and no effective samples."""
    estimate = estimate_log_evidence(np.zeros(0), 100)
    assert (estimate.log_z, estimate.effective_samples) == (float("-inf"), 0.0)


@pytest.mark.parametrize(
    ("weights", "drawn", "match"),
    [
        ([0.0, 0.0], 1, "only 1 were drawn"),
        ([0.0, np.nan], 5, "is not a number"),
        ([0.0, np.inf], 5, "is not a number"),
    ],
)
def test_unusable_weights_are_refused(weights: list[float], drawn: int, match: str) -> None:
    """Weights that are no numbers, or more than were drawn, are refused."""
    with pytest.raises(ValueError, match=match):
        estimate_log_evidence(np.array(weights), drawn)


@settings(deadline=None, max_examples=50)
@given(st.lists(st.tuples(st.floats(1e-6, 1.0), st.floats(1e-6, 1.0)), min_size=1, max_size=8))
def test_posterior_is_bayes_by_hand(pairs: list[tuple[float, float]]) -> None:
    """On tiny discrete cases the posterior is prior × likelihood / sum, and sums to 1."""
    prior, likelihood = np.array(pairs).T
    found = posterior(np.log(likelihood), prior)
    by_hand = [p * z / sum(a * b for a, b in pairs) for p, z in pairs]
    assert found == pytest.approx(by_hand, rel=1e-9)
    assert abs(found.sum() - 1.0) < 1e-12


def test_posterior_survives_tiny_evidence() -> None:
    """Evidence far below the smallest float still gives the right odds."""
    found = posterior(np.array([-5000.0, -5000.0 - np.log(3.0)]), np.array([0.5, 0.5]))
    assert found == pytest.approx([0.75, 0.25], rel=1e-9)


def test_typical_route_is_where_routes_lie_densest() -> None:
    """A lone sample with the greatest weight, far from the others, is not the typical route."""
    routes = straight_routes(FRONT, corner_site(), count=400, spread_m=0.3)
    vertices = routes.vertices.copy()
    vertices[5, -1, 0] += 9.0
    weights = np.full(400, 1.0 / 400)
    weights[5] *= 10
    moved = type(routes)(
        **{**{f: getattr(routes, f) for f in routes.__slots__}, "vertices": vertices}
    )
    best = most_probable_route(moved, weights / weights.sum())
    assert best is not None
    assert best != 5
    assert abs(vertices[best, -1, 0] - 6.8) < 0.3


def test_no_route_no_typical_route() -> None:
    """Without samples, or with zero weights only, there is no typical route."""
    routes = straight_routes(FRONT, corner_site(), count=3)
    assert most_probable_route(routes, np.zeros(3)) is None


def test_prior_by_main_leaves_out_the_unlisted() -> None:
    """The listed mains share all; where all are 0 they share evenly."""
    assert prior_by_main({"a": 0.6, "b": 0.2, None: 0.2}) == pytest.approx({"a": 0.75, "b": 0.25})
    assert prior_by_main({"a": 0.0, "b": 0.0}) == {"a": 0.5, "b": 0.5}


@pytest.mark.parametrize("seed", range(6))
def test_the_densest_route_is_that_of_a_kernel_written_out(seed: int) -> None:
    """Shapely's places at one, two and three thirds; a normal kernel of n^(−1/10) of each sd."""
    generator = np.random.default_rng(seed)
    count, weights = 60, np.random.default_rng(seed).dirichlet(np.full(60, 2.0))
    vertices = np.cumsum(generator.normal(0.0, 1.5, (count, 4, 2)), axis=1)
    routes = straight_routes(FRONT, corner_site(), count=count)
    moved = type(routes)(
        **{**{f: getattr(routes, f) for f in routes.__slots__}, "vertices": vertices}
    )
    lines = shapely.linestrings(vertices)
    places = np.column_stack(
        [
            shapely.get_coordinates(
                shapely.line_interpolate_point(lines, third / 3, normalized=True)
            )
            for third in (1, 2, 3)
        ]
    )
    width = np.std(places, axis=0) * count ** (-1.0 / 10.0)
    kernels = norm.pdf((places[:, None] - places) / width).prod(axis=2)
    assert most_probable_route(moved, weights) == int(np.argmax(kernels @ weights))
