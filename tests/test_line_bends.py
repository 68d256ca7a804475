"""Number, place and angle of bends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import logsumexp

from sitegis.geometry.frames import Array
from sitegis.line import bends, follow
from sitegis.line.bend_catalog import (
    BENDS_PER_M,
    CATALOG_DEG,
    CATALOG_WEIGHTS,
    FREE_SHARE,
    SIGNED_RAD,
    SIGNED_SD_RAD,
)
from sitegis.line.bends import _about, _chain_of, _ends, _marks_after, _ties, fit_plan
from sitegis.line.follow import State, follow_drain, shared_covariance
from sitegis.line.states import tail_nodes
from sitegis.line.straights import HEADING_SD_RAD
from sitegis.model.results import LineEnd
from sitegis.numerics.mixture import Poses
from sitegis.numerics.noise_scale import SCALES
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
def test_one_bend_is_found_with_its_catalog_angle(turn_deg: float) -> None:
    """A clean drain with one bend gives one bend there, left positive."""
    fit = fit_plan(marks_of(polyline((turn_deg,), runs=(5, 5)), np.full(2, 0.05**2)))
    assert fit.best.parameters.size == 4
    assert np.degrees(fit.best.parameters[1]) == pytest.approx(turn_deg, abs=1.0)
    corner = 5.0 * np.array([np.cos(0.3), np.sin(0.3)])
    assert fit.best.vertices[1] == pytest.approx(corner, abs=0.01)
    assert max(fit.log_evidence_by_bends, key=lambda k: fit.log_evidence_by_bends[k]) == 1


@pytest.mark.parametrize("after", [1, 2, 3])
def test_an_end_counts_the_marks_after_its_bend(after: int) -> None:
    """A 45° bend four marks on, so many before the last: two stands for two or more."""
    fit = fit_plan(marks_of(polyline((45.0,), runs=(4, after)), np.full(2, 0.05**2)))
    shares = {n: sum(one.weight for one in fit.ends if one.marks_after == n) for n in range(3)}
    assert max(shares, key=lambda n: shares[n]) == min(after, 2)


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


def test_a_mark_of_a_bend_holds_what_is_said_of_it_where_nothing_else_tells() -> None:
    """With a last mark 100 m astray the odds are the prior's: straight on by 1 less its share."""
    xy = np.column_stack([2.0 * np.arange(4), np.zeros(4)])
    variances = np.repeat([[1e-4], [1e-4], [1e-4], [1e4]], 2, axis=1)

    def straight(at: int | None) -> float:
        state = follow_drain(marks_of(xy, variances, bend_marks=np.arange(4) == at))
        odds = logsumexp(state.log_weight[state.bends == 0]) - logsumexp(state.log_weight)
        return float(np.exp(odds))

    assert straight(2) == pytest.approx((1.0 - follow.MARKED_SHARE) * straight(None), rel=0.1)


def test_ends_are_a_distribution_whose_second_moment_is_stated() -> None:
    """Weights sum to 1; Σ w (Σᵢ + δᵢ δᵢᵀ) about the chain shown, any text on mixtures."""
    xy = polyline((22.5,), runs=(4, 2)) + 0.1 * np.random.default_rng(2).standard_normal((6, 2))
    fit = fit_plan(marks_of(xy, np.full(2, 0.12**2)))
    shares = np.array([end.weight for end in fit.ends])
    away = np.array([end.mean for end in fit.ends]) - fit.best.end
    own = np.stack([end.covariance for end in fit.ends])
    expected = np.einsum("i,ijk->jk", shares, own) + (shares[:, None] * away).T @ away
    assert shares.sum() == pytest.approx(1.0)
    assert len(shares) > 2
    assert fit.end_covariance == pytest.approx(expected)


def test_a_turned_drain_has_turned_ends() -> None:
    """An isometry: marks turned by an angle give ends, and their covariances, turned by it."""
    xy = polyline((22.5,), runs=(4, 2)) + 0.1 * np.random.default_rng(3).standard_normal((6, 2))
    own = np.diag([0.12**2, 0.05**2])
    turn = 1.1
    lift = np.eye(3)
    lift[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    inside = lift[:2, :2]

    def fit(places: Array, block: Array) -> tuple[LineEnd, ...]:
        blocks = {"covariance": np.kron(np.eye(6), block), "independent": np.tile(block, (6, 1, 1))}
        return fit_plan(marks_of(places, np.ones(2), **blocks)).ends

    plain, turned = fit(xy, own), fit(xy @ inside.T, inside @ own @ inside.T)
    assert len(plain) == len(turned) > 2
    for one, other in zip(plain, turned, strict=True):
        assert other.weight == pytest.approx(one.weight, abs=1e-6)
        assert other.mean == pytest.approx(lift @ one.mean + [0.0, 0.0, turn], abs=1e-5)
        assert other.covariance == pytest.approx(lift @ one.covariance @ lift.T, abs=1e-6)


def log_odds_of_a_bend(xy: Array, sd: float, near: int, turn_deg: float) -> float:
    """Return ln (evidence of one bend by an angle / evidence of none) by importance sampling.

    Unknown: direction and offset, even; the bend's place, 0.08 a meter, anywhere between
    the first and the last mark (``near`` is where the sums start); its angle, N(nominal, 2°);
    ln k of the noise, k² inverse gamma (4, 4). The catalog's share is left out.
    """
    normal = stats.norm

    def scale_density(u: Array) -> Array:
        return stats.invgamma.logpdf(np.exp(2 * u), 4.0, scale=4.0) + 2 * u + np.log(2.0)

    def straight(v: Array) -> Array:
        angle, offset, u = v.T[..., None]
        off = xy[:, 1] * np.cos(angle) - xy[:, 0] * np.sin(angle) - offset
        fit = normal.logpdf(off, scale=sd * np.exp(u)).sum(axis=1)
        return np.asarray(fit + scale_density(u[:, 0]))

    def bent(v: Array) -> Array:
        angle, offset, u, place, turn = v.T[..., None]
        scale = sd * np.exp(u)
        along = xy[:, 0] * np.cos(angle) + xy[:, 1] * np.sin(angle)
        first = xy[:, 1] * np.cos(angle) - xy[:, 0] * np.sin(angle) - offset
        x = place * np.cos(angle) - offset * np.sin(angle)
        y = place * np.sin(angle) + offset * np.cos(angle)
        after = angle + turn
        second = (xy[:, 1] - y) * np.cos(after) - (xy[:, 0] - x) * np.sin(after)
        fit = normal.logpdf(np.where(along < place, first, second), scale=scale).sum(axis=1)
        made = normal.logpdf(turn[:, 0], np.radians(turn_deg), np.radians(2.0))
        between = (place[:, 0] > along[:, 0]) & (place[:, 0] < along[:, -1])
        value = fit + made + np.log(BENDS_PER_M) + scale_density(u[:, 0])
        return np.asarray(np.where(between, value, -1e9))

    def integral(density: Callable[[Array], Array], start: Array, widths: Array) -> float:
        best = optimize.minimize(
            lambda v: -density(v[None])[0],
            start,
            method="Nelder-Mead",
            options={"maxiter": 4000, "xatol": 1e-6, "fatol": 1e-6},
        )
        around = stats.multivariate_t(best.x, np.diag(widths**2), df=5, seed=1)
        draws = around.rvs(200_000)
        logs = density(draws) - around.logpdf(draws)
        for _ in range(3):  # adapt the proposal to what it found
            weight = np.exp(logs - logs.max())
            center = np.average(draws, axis=0, weights=weight)
            spread = 1.5 * np.cov(draws.T, aweights=weight)
            around = stats.multivariate_t(center, spread, df=5, seed=2)
            draws = around.rvs(200_000)
            logs = density(draws) - around.logpdf(draws)
        return float(logsumexp(logs) - np.log(len(draws)))

    none = integral(straight, np.array([0.3, 0.0, 0.0]), np.array([0.1, 0.3, 0.3]))
    place = float(xy[near - 1 : near + 1].mean(axis=0) @ [np.cos(0.3), np.sin(0.3)])
    one = integral(
        bent,
        np.array([0.3, 0.0, 0.0, place, np.radians(turn_deg)]),
        np.array([0.05, 0.2, 0.3, 0.3, 0.05]),
    )
    return one - none


@pytest.mark.parametrize(
    ("turn_deg", "runs"),
    [
        (45.0, (6, 1)),
        pytest.param(22.5, (4, 3), marks=pytest.mark.statistical),
        pytest.param(-22.5, (5, 2), marks=pytest.mark.statistical),
    ],
)
def test_odds_of_a_bend_are_those_of_the_integrals(turn_deg: float, runs: tuple[int, int]) -> None:
    """Odds of one bend of an angle against none agree with integrals done apart.

    One mark after the bend too: there its place and angle cannot be told apart. Both are within
    a fifth of a nat: a cell's places are taken as normal.
    """
    sd = 0.15
    xy = polyline((turn_deg,), runs=runs)
    xy = xy + sd * np.random.default_rng(3).standard_normal(xy.shape)
    state = follow_drain(marks_of(xy, np.full(2, sd**2)))
    index = int(np.argmin(np.abs(SIGNED_RAD - np.radians(turn_deg))))
    bent = (state.bends == 1) & (state.turns[:, 0] == index)
    got = logsumexp(state.log_weight[bent]) - logsumexp(state.log_weight[state.bends == 0])
    share = (1.0 - FREE_SHARE) * CATALOG_WEIGHTS[CATALOG_DEG.index(abs(turn_deg))]
    expected = log_odds_of_a_bend(xy, sd, runs[0], turn_deg) + np.log(share / 2)
    assert got == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("sd_m", [0.08, 0.1, 0.175, 0.2])
def test_the_scale_of_the_noise_is_that_of_the_conjugate_posterior(sd_m: float) -> None:
    """On a straight drain: inverse gamma (4 + r/2, 4 + S/2), S about scipy's fit, r = 28."""
    generator = np.random.default_rng(7)
    xy = np.column_stack([np.linspace(0.0, 15.0, 30), np.zeros(30)])
    xy = xy + sd_m * generator.standard_normal(xy.shape)
    fitted = stats.linregress(xy[:, 0], xy[:, 1])
    off = (xy[:, 1] - fitted.intercept - fitted.slope * xy[:, 0]) / np.hypot(1.0, fitted.slope)
    law = stats.invgamma(4.0 + 14.0, scale=4.0 + 0.5 * float(off @ off) / 0.1**2)
    noise = fit_plan(marks_of(xy, np.full(2, 0.1**2))).noise
    expected = np.sqrt(law.ppf([0.025, 0.5, 0.975]))
    assert [noise.low, noise.median, noise.high] == pytest.approx(expected, rel=0.06)
    assert noise.mean_square == pytest.approx(law.mean(), rel=0.1)


def test_three_marks_hardly_move_the_scale() -> None:
    """One redundant mark twice as far off as stated leaves the median of k below 1.3."""
    xy = np.array([[0.0, 0.0], [2.0, 0.25], [4.0, 0.0]])
    assert 1.0 < fit_plan(marks_of(xy, np.full(2, 0.1**2))).noise.median < 1.3


def test_a_heading_shares_the_scale_of_the_marks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three times the stated noise and no bends: a heading turns the drain by the stated weights.

    Two measurements of one angle combine by the ratio of their variances, whatever scale both
    share (any text): marks every 0.7 m known to 0.10 m give it to 0.10 / sqrt(Σ (x − mean)²).
    """
    monkeypatch.setattr(follow, "BENDS_PER_M", 1e-12)
    along = 0.7 * np.arange(6.0)
    xy = np.column_stack([along, 0.3 * np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0])])
    headings = np.full(6, np.nan)
    headings[-1] = np.radians(20.0)
    plain, headed = (
        fit_plan(marks_of(xy, np.full(2, 0.1**2), headings_rad=h))
        for h in (headings * np.nan, headings)
    )
    start, turned = (sum(end.weight * end.mean[2] for end in fit.ends) for fit in (plain, headed))
    own = 0.1**2 / float(np.sum((along - along.mean()) ** 2))
    expected = own / (own + HEADING_SD_RAD**2) * (np.radians(20.0) - start)
    assert plain.noise.median > 1.5
    assert turned - start == pytest.approx(expected, rel=0.35)


def test_likely_chains_bend_between_other_marks() -> None:
    """Each with the weight of all that bend between the same marks, added up here by hand."""
    turn = np.radians(22.5)
    xy = np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [4.0 + np.cos(turn), np.sin(turn)]])
    marks = marks_of(xy, np.full(2, 0.15**2))
    fit, state = fit_plan(marks, most=4), follow_drain(marks)
    total: dict[tuple[int, ...], float] = {}
    weights = np.exp(state.log_weight - logsumexp(state.log_weight))
    for spans, weight in zip(state.spans.tolist(), weights, strict=True):
        total[tuple(spans)] = total.get(tuple(spans), 0.0) + float(weight)
    assert fit.chains[0][1] is fit.best
    assert len(fit.chains) == 4
    for share, _ in fit.chains:
        assert min(abs(share - one) for one in total.values()) < 1e-9
    assert len({round(share, 9) for share, _ in fit.chains}) == 4


def test_a_drain_shaped_like_a_u_is_followed_with_five_marks() -> None:
    """Two right angles between two marks or round them lead back the way it came."""
    xy = np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [4.0, 2.0], [2.0, 2.0]])
    fit = fit_plan(marks_of(xy, np.full(2, 0.1**2), degrees_of_freedom=4.0))
    back = [end for end in fit.ends if np.cos(end.mean[2]) < -0.9]
    assert sum(end.weight for end in back) > 0.95
    assert np.degrees(fit.best.parameters[1:3]).sum() == pytest.approx(180.0, abs=8.0)


def test_two_bends_in_a_span_are_tried_where_one_explains_no_mark(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A drain that turns back within a meter: the evidence is that of trying pairs everywhere."""
    marks = marks_of(
        np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [6.0, 0.0], [6.0, 1.0], [4.0, 1.0]]),
        np.full(2, 0.05**2),
    )
    found = logsumexp(follow_drain(marks).log_weight)
    monkeypatch.setattr(follow, "UNEXPLAINED", -np.inf)
    assert found == pytest.approx(logsumexp(follow_drain(marks).log_weight), abs=0.1)


@pytest.mark.parametrize("degrees_of_freedom", [3.0, 4.0, 10.0])
def test_the_tail_as_a_mixture_of_normals_is_a_t(degrees_of_freedom: float) -> None:
    """Shares and variance are exact, quantiles within 4 % of scipy's t brought to variance 1."""
    shares, variances = tail_nodes(degrees_of_freedom)
    assert shares.sum() == pytest.approx(1.0)
    assert shares @ variances == pytest.approx(1.0)
    scale = np.sqrt((degrees_of_freedom - 2.0) / degrees_of_freedom)
    for level in (0.75, 0.9, 0.975, 0.995):
        at = stats.t.ppf(level, degrees_of_freedom) * scale
        mixed = shares @ stats.norm.cdf(at / np.sqrt(variances))
        assert 1.0 - mixed == pytest.approx(1.0 - level, rel=0.15)


def test_two_points_make_a_straight() -> None:
    """Two points are best joined by a straight; what bends between them is unlikelier."""
    fit = fit_plan(marks_of(np.array([[0.0, 0.0], [3.0, 4.0]]), np.full(2, 0.01)))
    assert fit.best.vertices == pytest.approx(np.array([[0.0, 0.0], [3.0, 4.0]]))
    # 5 m at 0.08 bends a meter: none with odds of 1 to 0.4, less ways that turn back.
    odds = np.exp(fit.log_evidence_by_bends[1] - fit.log_evidence_by_bends[0])
    assert odds == pytest.approx(0.4, abs=0.03)
    # Two marks 5 m apart with sd 0.1 each: the direction is known to √2 · 0.1 / 5, on the mean
    # of k² = 4/3.
    straight = [end for end in fit.ends if end.bends == 0]
    mean_square = np.average(
        [end.covariance[2, 2] for end in straight], weights=[end.weight for end in straight]
    )
    assert np.sqrt(mean_square) == pytest.approx(np.sqrt(2 * 4 / 3) * 0.1 / 5.0, rel=2e-2)


def test_catalog_weights_are_a_distribution() -> None:
    """The catalog is that of made drainage fittings, and its weights sum to 1."""
    assert CATALOG_DEG[:5] == tuple(360.0 / n for n in (32, 16, 8, 6, 5))
    assert sum(CATALOG_WEIGHTS) == pytest.approx(1.0)


def test_many_marks_are_fitted_as_well() -> None:
    """Forty marks along two bends, more than are split exhaustively, give both bends."""
    generator = np.random.default_rng(2)
    xy = polyline((45.0, 90.0), runs=(14, 12, 14), step_m=0.4)
    xy += 0.05 * generator.standard_normal(xy.shape)
    fit = fit_plan(marks_of(xy, np.full(2, 0.05**2), degrees_of_freedom=4.0))
    assert np.degrees(fit.best.parameters[1:3]) == pytest.approx([45.0, 90.0], abs=2.0)
    first = 14 * 0.4 * np.array([np.cos(0.3), np.sin(0.3)])
    assert fit.best.vertices[1] == pytest.approx(first, abs=0.1)


def test_each_bend_is_tied_to_the_marked_bend_next_to_it() -> None:
    """Corners as two lines meet, by numpy's solver; 0.75 m is as far as a mark reaches, each once.

    A chain without a bend has nothing to tie.
    """
    angles, constants = np.array([0.2, 0.9, 0.4]), np.array([1.0, -2.0, 2.5])
    normals = np.column_stack([-np.sin(angles), np.cos(angles)])
    corners = np.array([np.linalg.solve(normals[i : i + 2], constants[i : i + 2]) for i in (0, 1)])
    start = np.concatenate([angles[:1], np.diff(angles), constants])
    xy = np.array(
        [
            corners[1] + [0.5, 0.5],
            corners[0] + [0.2, 0.7],
            corners[0] - [0.0, 0.1],
            corners[0] + [0.0, 0.01],
            [90.0, 90.0],
        ]
    )
    bends = np.array([True, True, True, False, True])
    assert _ties(marks_of(xy, np.ones(2), bend_marks=bends), start) == ((0, 2), (1, 0))
    far = np.array([True, False, False, False, True])
    xy[0] = corners[1] + [0.54, 0.54]
    assert _ties(marks_of(xy, np.ones(2), bend_marks=far), start) == ()
    assert _ties(marks_of(xy, np.ones(2), bend_marks=bends), start[[0, 3]]) == ()


def test_a_chain_is_fitted_from_its_row_with_the_noise_as_learned(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Located marks 1.7 times as wide each, taped ones as stated; straights through their marks.

    A straight with no mark of its own starts through the bend that opens it.
    """
    xy = polyline((22.5, -45.0), runs=(3, 2, 3))
    plain = marks_of(xy, np.array([0.05**2, 0.04**2]))
    marks = replace(plain, received=np.arange(len(xy)) % 3 != 1)
    state, asked = follow_drain(marks), []
    row = int(np.flatnonzero(state.bends == 3)[0])
    monkeypatch.setattr(bends, "fit_chain", lambda *given, **more: asked.append((given, more)))
    _chain_of(state, row, marks, 1.7**2)
    ((scaled, segment, start), more) = asked[0]
    n, each = len(xy), np.where(marks.received, 1.7**2, 1.0)
    for i in range(n):
        assert scaled.independent[i] == pytest.approx(each[i] * marks.independent[i])
    extra = scaled.covariance - marks.covariance
    for i in range(n):
        for j in range(n):
            block = extra[2 * i : 2 * i + 2, 2 * j : 2 * j + 2]
            expected = (each[i] - 1.0) * marks.independent[i] if i == j else np.zeros((2, 2))
            assert block == pytest.approx(expected, abs=1e-12)
    spans, kinds = state.spans[row, :3].tolist(), state.turns[row, :3]
    assert segment.tolist() == [sum(i >= one for one in spans) for i in range(n)]
    assert more["nominal_rad"] == pytest.approx(SIGNED_RAD[kinds])
    assert more["nominal_sd_rad"] == pytest.approx(SIGNED_SD_RAD[kinds])
    assert start[1:4] == pytest.approx(SIGNED_RAD[kinds])
    assert start[:4].sum() == pytest.approx(state.angle[row])
    for k in range(4):
        own = xy[segment == k] if (segment == k).any() else state.at[row, k - 1 : k]
        left = np.exp(1j * (start[: k + 1].sum() + 0.5 * np.pi))
        through = np.mean([(complex(*at) * left.conjugate()).real for at in own])
        assert start[4 + k] == pytest.approx(through)
    assert isinstance(state, State)


def test_ends_scatter_left_of_their_foot_and_by_what_all_marks_share(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The map from (left, angle) to (x, y, angle) by differences; along the drain its last mark's.

    A mixture's second moment about any pose is numpy's of its drawn normals.
    """
    xy = polyline((22.5,), runs=(3, 3))
    marks = marks_of(xy, np.array([0.05**2, 0.03**2]), session_sd_m=0.04)
    state, asked = follow_drain(marks), list[Poses]()
    weights = np.exp(state.log_weight - logsumexp(state.log_weight))
    monkeypatch.setattr(bends, "merge_poses", lambda poses: asked.append(poses) or poses)
    ends = _ends(state, weights, marks)
    poses = asked[0]
    assert poses.weights.tolist() == weights.tolist()
    assert poses.kinds.tolist() == state.bends.tolist()
    for row in range(0, len(weights), 37):
        ahead = np.exp(1j * state.angle[row])
        foot = complex(*state.foot[row])

        def pose(left: float, turn: float, ahead: complex = ahead, foot: complex = foot) -> Array:
            at = foot + 1j * ahead * left
            return np.array([at.real, at.imag, np.angle(ahead) + turn])

        step = 1e-6
        lift = np.column_stack(
            [pose(step, 0.0) - pose(-step, 0.0), pose(0.0, step) - pose(0.0, -step)]
        ) / (2 * step)
        expected = lift @ state.spread[row, :2, :2] @ lift.T
        along = np.array([ahead.real, ahead.imag])
        own = along @ marks.independent[-1] @ along
        shared = shared_covariance(marks, SCALES[state.scale[row]] ** 2)
        expected[:2, :2] += shared + own * np.outer(along, along)
        assert poses.covariances[row] == pytest.approx(expected, abs=1e-9)
        assert poses.means[row] == pytest.approx([*state.foot[row], state.angle[row]])
        assert ends[row].mean.tolist() == poses.means[row].tolist()
    generator = np.random.default_rng(2)
    parts = (
        LineEnd(0.7, np.array([1.0, 2.0, 3.1]), np.diag([0.3, 0.2, 0.01]), 0),
        LineEnd(0.3, np.array([1.5, 1.0, -3.1]), np.diag([0.1, 0.4, 0.02]), 1),
    )
    about = np.array([1.2, 1.9, 3.0])
    total = np.zeros((3, 3))
    for part in parts:
        drawn = generator.multivariate_normal(part.mean, part.covariance, 200_000) - about
        drawn[:, 2] = np.angle(np.exp(1j * drawn[:, 2]))
        total += part.weight * drawn.T @ drawn / 200_000
    assert _about(about, parts) == pytest.approx(total, abs=4e-3)


def test_every_bend_turns_either_way_by_its_own_angle() -> None:
    """The made ones of the catalog and the two free ones, each to the left and to the right."""
    assert np.degrees(SIGNED_RAD[::2]) == pytest.approx([*CATALOG_DEG, 20.0, 50.0])
    assert SIGNED_RAD[1::2] == pytest.approx(-SIGNED_RAD[::2])


def test_marks_after_the_last_bend_are_those_that_it_comes_before() -> None:
    """Counted one by one, a mark that says it is the bend left out; two stands for more or none."""
    spans = np.array([[-1, -1], [2, -1], [3, -1], [1, 4], [4, 3], [5, -1], [0, -1]])
    said = np.array([False, False, True, False, True, True])
    found = _marks_after(
        SimpleNamespace(spans=spans),  # type: ignore[arg-type]  # what it reads
        SimpleNamespace(bend_marks=said, xy=np.zeros((6, 2))),  # type: ignore[arg-type]
    )
    expected = []
    for row in spans:
        last = max(row)
        later = [i for i in range(6) if i >= last and not (i == last and said[i])]
        expected.append(2 if last < 0 else min(len(later), 2))
    assert found.tolist() == expected
    assert set(expected) == {0, 1, 2}
