"""Number, place and angle of bends."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import logsumexp

from sitegis._frames import Array
from sitegis.line.bends import CATALOGUE_DEG, CATALOGUE_WEIGHTS, fit_plan
from tests.test_line_straights import marks_of


def polyline(turns_deg: tuple[float, ...], *, runs: tuple[int, ...], step_m: float = 1.0) -> Array:
    """Mark a chain every ``step_m``, vertices half way between marks."""
    at, angle, marks = np.zeros(2), 0.3, []
    for turn, run in zip((*turns_deg, 0.0), runs, strict=True):
        along = np.array([np.cos(angle), np.sin(angle)])
        marks += [at + along * step_m * (0.5 + i) for i in range(run)]
        at = at + along * step_m * run
        angle += np.radians(turn)
    return np.array(marks)


@pytest.mark.parametrize("turn_deg", [22.5, -22.5, 45.0, -45.0, 90.0])
def test_one_bend_is_found_with_its_catalogue_angle(turn_deg: float) -> None:
    """A clean drain with one bend gives one bend there, left positive."""
    fit = fit_plan(marks_of(polyline((turn_deg,), runs=(5, 5)), np.full(2, 0.05**2)))
    assert fit.best.parameters.size == 4
    assert np.degrees(fit.best.parameters[1]) == pytest.approx(turn_deg, abs=1.0)
    corner = 5.0 * np.array([np.cos(0.3), np.sin(0.3)])
    assert fit.best.vertices[1] == pytest.approx(corner, abs=0.01)
    assert max(fit.log_evidence_by_bends, key=lambda k: fit.log_evidence_by_bends[k]) == 1


def test_two_bends_are_found() -> None:
    """An offset made of two 45s is told from one bend and from none."""
    xy = polyline((45.0, -45.0), runs=(4, 3, 4))
    fit = fit_plan(marks_of(xy, np.full(2, 0.05**2)))
    assert np.degrees(fit.best.parameters[1:3]) == pytest.approx([45.0, -45.0], abs=1.5)


def test_noise_alone_seldom_makes_a_bend() -> None:
    """On straight drains with ordinary noise a bend wins in at most 5 of 40 (expected 1)."""
    generator = np.random.default_rng(11)
    straight = np.column_stack([np.linspace(0.0, 8.0, 7), np.zeros(7)])
    bent = 0
    for _ in range(40):
        xy = straight + 0.1 * generator.standard_normal((7, 2))
        bent += fit_plan(marks_of(xy, np.full(2, 0.01))).best.parameters.size > 2
    assert bent <= 5


def test_a_marked_bend_draws_the_bend_to_it() -> None:
    """A mark of kind bend makes a bend that the marks alone leave open, at its place."""
    xy = polyline((22.5,), runs=(3, 2), step_m=1.2)
    corner = 3.6 * np.array([np.cos(0.3), np.sin(0.3)])
    xy = np.insert(xy, 3, corner, axis=0)
    plain = fit_plan(marks_of(xy, np.full(2, 0.02)))
    bends = np.arange(6) == 3
    marked = fit_plan(marks_of(xy, np.full(2, 0.02), bend_marks=bends))

    def odds(fit: dict[int, float]) -> float:
        return fit[1] - fit[0]

    assert odds(marked.log_evidence_by_bends) > odds(plain.log_evidence_by_bends) + 1.0
    assert marked.best.vertices[1] == pytest.approx(corner, abs=0.15)


def test_weights_are_a_distribution_and_widen_the_end() -> None:
    """Chains' weights sum to 1; averaging never narrows the best chain's own share."""
    xy = polyline((22.5,), runs=(4, 2))
    fit = fit_plan(marks_of(xy, np.full(2, 0.12**2)))
    assert fit.weights.sum() == pytest.approx(1.0)
    assert np.all(np.linalg.eigvalsh(fit.end_covariance) > -1e-12)


def test_spread_of_the_end_is_that_of_the_mixture_of_likely_chains() -> None:
    """Second moment about the best chain's end: Σ w (Σᵢ + δᵢ δᵢᵀ), any text on mixtures.

    Chains that hold 5 % of the evidence or more take part.
    """
    xy = polyline((22.5,), runs=(4, 4)) + 0.12 * np.random.default_rng(2).standard_normal((8, 2))
    fit = fit_plan(marks_of(xy, np.full(2, 0.15**2)))
    likely = [i for i, weight in enumerate(fit.weights) if weight >= 0.05]
    shares = fit.weights[likely] / fit.weights[likely].sum()
    away = np.array([fit.chains[i].end - fit.best.end for i in likely])
    own = np.array([fit.chains[i].end_covariance for i in likely])
    expected = np.einsum("i,ijk->jk", shares, own) + (shares[:, None] * away).T @ away
    assert len(likely) >= 2
    assert np.abs(away).max() > 0.05
    assert fit.end_covariance == pytest.approx(expected)


@pytest.mark.parametrize("turn_deg", [22.5, 45.0, 90.0])
def test_evidence_of_a_bend_is_the_integral_over_line_bend_and_place(turn_deg: float) -> None:
    """ln Z of one bend by importance sampling over direction, offset, place and angle.

    Priors: direction even over the circle, offset and place even over the extent, angle N(nominal,
    2°); 30 % for one bend and half the catalogue's share for its hand.
    """
    sd, split = 0.05, 5
    xy = polyline((turn_deg,), runs=(split, 5))
    xy = xy + sd * np.random.default_rng(3).standard_normal(xy.shape)
    extent = float(np.hypot(*np.ptp(xy, axis=0)))
    law = stats.multivariate_normal

    def log_density(v: Array) -> Array:
        angle, offset, place, turn = v.T[..., None]
        first = xy[:split, 1] * np.cos(angle) - xy[:split, 0] * np.sin(angle) - offset
        x = place * np.cos(angle) - offset * np.sin(angle)
        y = place * np.sin(angle) + offset * np.cos(angle)
        after = angle + turn
        second = (xy[split:, 1] - y) * np.cos(after) - (xy[split:, 0] - x) * np.sin(after)
        fit = stats.norm.logpdf(np.concatenate([first, second], axis=1), scale=sd).sum(axis=1)
        made = stats.norm.logpdf(turn[:, 0], np.radians(turn_deg), np.radians(2.0))
        return np.asarray(fit + made - np.log(2 * np.pi) - 2 * np.log(extent))

    start = np.array([0.3, 0.0, float(split), np.radians(turn_deg)])
    best = optimize.minimize(lambda v: -log_density(v[None])[0], start, method="BFGS")
    around = law(best.x, 1.5 * best.hess_inv, seed=np.random.default_rng(1))
    draws = around.rvs(40_000)
    log_z = logsumexp(log_density(draws) - around.logpdf(draws)) - np.log(len(draws))
    share = CATALOGUE_WEIGHTS[CATALOGUE_DEG.index(turn_deg)]
    expected = log_z + np.log(0.30) + np.log(share / 2)

    fit = fit_plan(marks_of(xy, np.full(2, sd**2)))
    assert fit.log_evidence_by_bends[1] == pytest.approx(expected, abs=0.1)


def test_two_points_make_a_straight() -> None:
    """Two points leave nothing but a straight."""
    fit = fit_plan(marks_of(np.array([[0.0, 0.0], [3.0, 4.0]]), np.full(2, 0.01)))
    assert fit.best.vertices == pytest.approx(np.array([[0.0, 0.0], [3.0, 4.0]]))
    assert list(fit.log_evidence_by_bends) == [0]
    # Two marks 5 m apart with sd 0.1 each: the direction is known to √2 · 0.1 / 5.
    assert np.sqrt(fit.end_covariance[2, 2]) == pytest.approx(np.sqrt(2) * 0.1 / 5.0, rel=1e-6)


def test_catalogue_weights_are_a_distribution() -> None:
    """The catalogue is that of made drainage fittings, and its weights sum to 1."""
    assert CATALOGUE_DEG[:5] == tuple(360.0 / n for n in (32, 16, 8, 6, 5))
    assert sum(CATALOGUE_WEIGHTS) == pytest.approx(1.0)


def test_many_marks_are_fitted_as_well() -> None:
    """Forty marks along two bends, more than are split exhaustively, give both bends."""
    generator = np.random.default_rng(2)
    xy = polyline((45.0, 90.0), runs=(14, 12, 14), step_m=0.4)
    xy += 0.05 * generator.standard_normal(xy.shape)
    fit = fit_plan(marks_of(xy, np.full(2, 0.05**2), degrees_of_freedom=4.0))
    assert np.degrees(fit.best.parameters[1:3]) == pytest.approx([45.0, 90.0], abs=2.0)
    first = 14 * 0.4 * np.array([np.cos(0.3), np.sin(0.3)])
    assert fit.best.vertices[1] == pytest.approx(first, abs=0.1)
