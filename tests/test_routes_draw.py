"""Drawing of heads and straights: proper densities, and ratios that undo the aiming."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.stats import qmc

from sitegis.evidence import OutdoorLocate
from sitegis.evidence.kind import Aim
from sitegis.finds.records import Found
from sitegis.geometry.frames import Array, lot_direction
from sitegis.model.results import Hypothesis
from sitegis.routes import draw
from sitegis.routes.bends import ANGLE_SHARES, COUNT_SHARES, bend_sequences, draw_play
from sitegis.routes.draw import (
    DIMENSIONS,
    PAST_AIM_M,
    SAME_SLOPE_SHARE,
    ValueLaw,
    _draw_poses,
    _gaussians,
    _length,
    _length_aims,
    _observed,
    _offset_scale,
    _range,
    draw_aimed,
    draw_heads,
    lay_straights,
    suit_sequences,
)
from sitegis.routes.likelihoods import aims_for
from sitegis.routes.plan import INTO_YARD, PAST_CORNER, WITHIN_YARD, Plan, make_plan
from sitegis.routes.terrain import Face, prepare_terrain

from .invented import corner_site, front_exit
from .route_model import RULES_END_M


def uniforms(power: int = 12, dimensions: int = DIMENSIONS) -> np.ndarray:
    return qmc.Sobol(dimensions, scramble=True, seed=np.random.default_rng(1)).random(1 << power)


def plan_for(*evidence: OutdoorLocate | Found, yard: str | None = None, main: int = 0) -> Plan:
    site = corner_site(evidence=evidence)
    target = site.mains[main]
    way = "direct" if yard is None else "side-yard"
    hypothesis = Hypothesis("h", target.id, way, "front", yard, 1.0)  # type: ignore[arg-type]
    return make_plan(
        hypothesis,
        target,
        front_exit(),
        prepare_terrain(site),
        aims_for(site, target),
        drain_ends_m=RULES_END_M,
    )


@pytest.mark.parametrize("near_m", [None, 0.762, 7.0])
def test_a_length_law_is_a_proper_density(near_m: float | None) -> None:
    """The density integrates to 1 by scipy's quadrature, and the draws follow it."""
    law = ValueLaw(0.3, 9.0, near_m)
    density = lambda at: float(law(np.zeros(1), np.array([at]))[0])  # noqa: E731
    total = integrate.quad(density, 0.0, 60.0, points=[0.3, 9.0], limit=200)[0]
    assert total == pytest.approx(1.0, abs=1e-6)
    drawn = law((np.arange(4000) + 0.5) / 4000, None)
    edges = np.array([0.3, 0.8, 1.5, 3.0, 6.0, 9.0])
    shares = [integrate.quad(density, a, b)[0] for a, b in pairwise(edges)]
    counts, _ = np.histogram(drawn, edges)
    assert counts / 4000 == pytest.approx(shares, abs=2e-3)


def test_aiming_is_undone_by_its_ratio() -> None:
    """Means of prior / proposal, alone and times a test function, are those of the prior."""
    law = ValueLaw(0.3, 9.0)
    uniform = uniforms(14, 1)[:, 0]
    n = len(uniform)
    targets = [np.full(n, 4.0), np.where(np.arange(n) % 2, 7.0, np.nan)]
    value, log_ratio = draw_aimed(uniform, law, targets, [np.full(n, 0.1), np.full(n, 0.5)])
    weight = np.exp(log_ratio)
    assert weight.mean() == pytest.approx(1.0, abs=2e-3)
    exact = integrate.quad(
        lambda at: float(law(np.zeros(1), np.array([at]))[0]) * np.cos(at),
        0.3,
        60,
        points=[9.0],
        limit=200,
    )[0]
    assert (weight * np.cos(value)).mean() == pytest.approx(exact, abs=3e-3)
    near = np.abs(value - 4.0) < 0.3
    assert near.mean() > 0.25


def test_what_has_no_target_is_drawn_by_the_law_itself() -> None:
    """Rows whose targets are all nan: scipy's quantiles of both laws, weight 1."""
    uniform = (np.arange(400) + 0.5) / 400
    nothing = np.full(400, np.nan)
    value, log_ratio = draw_aimed(uniform, ValueLaw(0.3, 9.0, 0.762), [nothing], [nothing])
    near = stats.lognorm(0.3, scale=0.762).ppf(np.minimum(uniform / 0.7, 1.0))
    far = stats.uniform(0.3, 8.7).ppf((uniform - 0.7) / 0.3)
    assert value == pytest.approx(np.where(uniform < 0.7, near, far))
    assert log_ratio == pytest.approx(0.0)


def test_poses_have_the_exits_mean_and_covariance() -> None:
    """Unaimed poses have the mean and covariance of the exit."""
    covariance = np.array([[0.04, 0.003, 0.002], [0.003, 0.01, -0.0004], [0.002, -0.0004, 0.002]])
    exit = replace(front_exit(), covariance=covariance)
    heads = draw_heads(plan_for(), exit, uniforms(14), 0.01)
    assert heads.poses.mean(axis=0) == pytest.approx([exit.x_m, exit.y_m, exit.angle_rad], abs=2e-3)
    assert np.cov(heads.poses.T) == pytest.approx(covariance, abs=3e-4)


def test_aimed_poses_have_the_exits_mean_and_covariance_when_weighted() -> None:
    """Aimed poses, weighted by prior / proposal, have the mean and covariance of the exit."""
    covariance = np.array([[0.04, 0.0, 0.002], [0.0, 0.0, 0.0], [0.002, 0.0, 0.002]])
    exit = replace(front_exit(), covariance=covariance)
    plan = plan_for(OutdoorLocate(7.4, 2.0, None, 0.1))
    heads = draw_heads(plan, exit, uniforms(15), 0.01)
    odds = plan.sequences.prior[heads.chosen] / plan.shares[heads.chosen]
    weight = np.exp(heads.log_ratio) / odds
    assert weight.mean() == pytest.approx(1.0, abs=5e-3)
    mean = np.average(heads.poses, axis=0, weights=weight)
    assert mean == pytest.approx([exit.x_m, exit.y_m, exit.angle_rad], abs=3e-3)
    assert np.cov(heads.poses.T, aweights=weight) == pytest.approx(covariance, abs=6e-4)


def test_outdoor_slopes_are_kept_or_laid_anew() -> None:
    """The stated share keeps the drain's slope; the rest is even from the least to 6 %."""
    heads = draw_heads(plan_for(), front_exit(), uniforms(14), 0.0104)
    anew = (heads.slopes > 0.045) & (heads.slopes < 0.06)
    expected = (1 - SAME_SLOPE_SHARE) * 0.015 / (0.06 - 0.0104)
    assert anew.mean() == pytest.approx(expected, abs=0.005)


def test_sequences_are_drawn_by_their_shares() -> None:
    """Chosen sequences follow the proposal's shares; the ratio brings them back to the prior."""
    plan = plan_for()
    heads = draw_heads(plan, front_exit(), uniforms(14), 0.01)
    weight = np.exp(heads.log_ratio)
    straight = plan.sequences.counts[heads.chosen] == 0
    assert weight[straight].sum() / len(weight) == pytest.approx(COUNT_SHARES[0], rel=0.02)
    assert weight.mean() == pytest.approx(plan.sequences.prior.sum(), rel=0.05)


def test_straights_turn_by_the_chosen_bends_and_end_on_the_main() -> None:
    """Vertices follow exit direction and bends; short sequences repeat the tap."""
    plan = plan_for(yard="left", main=2)
    heads = draw_heads(plan, front_exit(), uniforms(10), 0.01)
    vertices, _, _, last = lay_straights(plan, heads, lot_direction(heads.headings_rad))
    ends = np.isfinite(last)
    assert ends.any()
    assert vertices[ends, -1, 1] == pytest.approx(plan.main.line[0, 1])
    counts = plan.sequences.counts[heads.chosen]
    two = np.flatnonzero(ends & (counts == 2))
    assert np.array_equal(vertices[two, 3], vertices[two, 4])


def test_bends_are_off_their_angle_by_their_play() -> None:
    """Of drawn bends 15 in 100 are rolled or bent pipe, sd 12°, the rest made, sd 2° (scipy)."""
    plan = plan_for(yard="left", main=2)
    heads = draw_heads(plan, front_exit(), uniforms(13), 0.01)
    turned = np.diff(heads.headings_rad, axis=1)
    play = np.degrees(turned - plan.sequences.turns_rad[heads.chosen])
    cdf = lambda at: 0.15 * stats.norm.cdf(at, 0, 12) + 0.85 * stats.norm.cdf(at, 0, 2)  # noqa: E731
    for bend in play.T:
        assert stats.kstest(bend, cdf).statistic < 0.01


def test_the_yard_length_brings_the_pipe_into_the_yard() -> None:
    """The bend into the yard lies between wall and lot line, by the drawn distance."""
    plan = plan_for(yard="left", main=2)
    heads = draw_heads(plan, front_exit(), uniforms(10), 0.01)
    vertices, _, _, _ = lay_straights(plan, heads, lot_direction(heads.headings_rad))
    rules = plan.rules[heads.chosen]
    assert plan.face is not None
    for i in range(3):
        bend = vertices[rules[:, i] == INTO_YARD, i + 1]
        outward = (bend - plan.face.origin) @ plan.face.outward
        assert outward.min(initial=1.0) >= 0.15 - 1e-9
        assert outward.max(initial=1.0) <= plan.face.strip_m - 0.15 + 1e-9


def test_sequences_are_a_proper_prior() -> None:
    """All sequences of 0…3 catalog bends, and their priors sum to 1."""
    sequences = bend_sequences()
    assert len(sequences.prior) == 1 + 12 + 144 + 1728
    assert sequences.prior.sum() == pytest.approx(1.0)
    assert sum(ANGLE_SHARES.values()) == pytest.approx(1.0)
    assert sum(COUNT_SHARES) == pytest.approx(1.0)
    # the second of two bends turns back by as much: half of them, and 1 in 2 Σ share² of the rest
    first, second = sequences.turns_rad[sequences.counts == 2, :2].T
    equal = sequences.prior[sequences.counts == 2][first == -second].sum()
    by_chance = 0.5 * sum(share**2 for share in ANGLE_SHARES.values())
    assert equal == pytest.approx(COUNT_SHARES[2] * (0.5 + 0.5 * by_chance))
    bends = np.degrees(np.abs(sequences.turns_rad[sequences.turns_rad != 0]))
    assert np.isin(np.round(bends, 9), list(ANGLE_SHARES)).all()


def test_a_short_straight_has_the_stated_share() -> None:
    """Two in five free lengths follow an exponential with mean 1 m (scipy)."""
    law = ValueLaw(0.3, 18.0)
    drawn = law((np.arange(10_000) + 0.5) / 10_000, None)
    expected = 0.4 * stats.expon.cdf(1.0, 0.3, 1.0) + 0.6 * stats.uniform.cdf(1.0, 0.3, 17.7)
    assert (drawn < 1.0).mean() == pytest.approx(expected, abs=1e-3)


def test_components_of_the_exit_are_drawn_by_their_weights() -> None:
    """With 30 % through another wall, 30 % of the poses are there, each with its own moments."""
    exit = front_exit()
    (narrow,) = exit.mixture
    covariance = np.diag([0.1, 0.3, np.radians(2.0)]) ** 2
    other = replace(
        narrow,
        weight=0.3,
        x_m=12.0,
        y_m=14.0,
        angle_rad=0.2,
        side="right",
        wall_index=1,
        covariance=covariance,
    )
    exit = replace(exit, components=(replace(narrow, weight=0.7), other))
    heads = draw_heads(plan_for(), exit, uniforms(14), 0.01)
    there = heads.walls == 1
    assert there.mean() == pytest.approx(0.3, abs=2e-3)
    for rows, part in ((~there, narrow), (there, other)):
        mean = heads.poses[rows].mean(axis=0)
        assert mean == pytest.approx([part.x_m, part.y_m, part.angle_rad], abs=5e-3)
        assert np.cov(heads.poses[rows].T) == pytest.approx(part.covariance, rel=0.05, abs=3e-4)


def test_bends_that_bring_a_straight_along_two_finds_are_drawn_more() -> None:
    """Two finds on a line turned by 22.5° to the right; weighed, the bends keep their prior."""
    exit = replace(front_exit(), covariance=np.diag([0.05, 0.0, np.radians(1.0)]) ** 2)
    turned = exit.angle_rad - np.radians(22.5)
    ahead = np.array([np.cos(turned), np.sin(turned)])
    corner = np.array([exit.x_m, exit.y_m - 2.0])
    finds = tuple(
        Found(name, "test-pit", *(corner + away * ahead), 0.02, "lot coordinates", "yes")
        for name, away in (("F1", 1.0), ("F2", 5.0))
    )
    plan = plan_for(*finds)
    suited = suit_sequences(plan, exit)
    last = np.degrees(plan.sequences.headings_rad[:, 3])
    right = np.abs(last + 22.5) < 1e-6
    assert suited.shares[right].sum() > 2.0 * plan.shares[right].sum()
    assert suited.shares.min() > 0.4 * plan.shares.min()
    heads = draw_heads(suited, exit, uniforms(15), 0.01)
    weight = np.exp(heads.log_ratio)
    expected = plan.sequences.prior[right].sum()
    assert weight[right[heads.chosen]].sum() / len(weight) == pytest.approx(expected, rel=0.05)
    assert suit_sequences(plan_for(), exit).shares.tolist() == plan_for().shares.tolist()


def test_a_straight_is_drawn_as_long_as_leads_the_next_one_through_the_aim() -> None:
    """By hand: 3 m along x, then 4 to 3 through (7, 3); in the value of its law."""
    plan = plan_for(OutdoorLocate(5.0, 2.0, None))
    aims = tuple(replace(aim, point=np.array([7.0, 3.0])) for aim in plan.aims[:1])
    pair = np.array([[[1.0, 0.0], [0.8, 0.6]]])
    starts, offset, scale = np.zeros((1, 2)), np.array([0.5]), np.array([2.0])
    targets, _ = _length_aims(replace(plan, aims=aims), starts, pair, offset, scale)
    assert targets[0] == pytest.approx([(3.0 - 0.5) / 2.0])
    # along y it passes 5 cm beside the aim, itself: the next aim is some way past that
    past = replace(plan, aims=(replace(plan.aims[0], point=np.array([0.05, 2.0]), sd_m=0.1),))
    pair = np.array([[[0.0, 1.0], [np.sqrt(0.5), np.sqrt(0.5)]]])
    targets, _ = _length_aims(past, starts, pair, offset, scale)
    assert targets[-1] == pytest.approx([(2.0 + PAST_AIM_M - 0.5) / 2.0])


def test_what_a_depth_says_of_invert_and_slope_is_its_derivative() -> None:
    """Invert at a find: that at the wall less slope times the way; rates by central differences."""
    generator = np.random.default_rng(12)
    level, root = generator.normal(size=(6, 2)), generator.normal(size=(6, 2, 2))
    poses = generator.normal(size=(6, 3))
    slope = np.where(np.arange(6) % 2, 0.03, np.nan)
    deep = [
        Aim(generator.normal(size=2) + 5.0, 0.1, True, True, (-1.2, 0.02)),
        Aim(generator.normal(size=2) - 9.0, 0.1, True, True, (-0.7, 0.30)),
    ]
    gaps, rates, sds = _observed(deep, poses, slope, level, root)

    def below(row: int, aim: Aim, z: np.ndarray) -> float:
        assert aim.invert_m is not None
        invert, own = level[row] + root[row] @ z
        fall = own if np.isnan(slope[row]) else slope[row]
        return float(invert - fall * abs(complex(*(aim.point - poses[row, :2]))))

    for row in range(6):
        for f, aim in enumerate(deep):
            expected = aim.invert_m[0] - below(row, aim, np.zeros(2))  # type: ignore[index]
            assert gaps[row, f] == pytest.approx(expected)
            numeric = [
                (below(row, aim, 1e-5 * e) - below(row, aim, -1e-5 * e)) / 2e-5 for e in np.eye(2)
            ]
            assert rates[row, f] == pytest.approx(numeric, abs=1e-8)
            away = np.hypot(*(aim.point - poses[row, :2]))
            # wider than the find: twice its sd, a centimeter, and 4 mm a meter of the way
            square = (2.0 * aim.invert_m[1]) ** 2 + 0.01**2 + (0.004 * away) ** 2  # type: ignore[index]
            assert sds[row, f] == pytest.approx(np.sqrt(square))


def test_later_straights_turn_by_the_sum_of_the_bends_before_them() -> None:
    """As many as there are bends, nan past them; weights and roots are the exit's."""
    plan = plan_for(Found("F1", "test-pit", 7.4, 2.0, 0.1, "lot coordinates", "yes"))
    exit = replace(
        front_exit(),
        components=tuple(
            replace(front_exit().mixture[0], weight=w, x_m=x) for w, x in ((3.0, 7.0), (1.0, 8.0))
        ),
    )
    means, roots, weights, _, turns = _gaussians(plan, exit, [a for a in plan.aims if a.held])
    assert means[:, 0].tolist() == [7.0, 8.0]
    assert weights == pytest.approx([0.75, 0.25])
    for root, part in zip(roots, exit.mixture, strict=True):
        assert root @ root == pytest.approx(part.covariance, abs=1e-12)
    for row, bends, count in zip(
        turns, plan.sequences.turns_rad, plan.sequences.counts, strict=True
    ):
        assert row[:count] == pytest.approx(np.cumsum(bends)[:count])
        assert np.isnan(row[count:]).all()
    assert {0, 1, 2} <= {int(count) for count in plan.sequences.counts}


def test_lengths_that_lead_through_an_aim_solve_two_equations() -> None:
    """Strewn starts, pairs of straights and aims: one by one by numpy's solver, in the law's value.

    No aim behind either straight, nor one met before the last that the straight itself meets.
    """
    generator = np.random.default_rng(8)
    plan = plan_for(OutdoorLocate(5.0, 2.0, None))
    points, sds = generator.uniform(-6.0, 6.0, (4, 2)), np.array([0.4, 0.9, 0.2, 1.4])
    aims = tuple(
        replace(plan.aims[0], point=p, sd_m=float(s)) for p, s in zip(points, sds, strict=True)
    )
    n = 120
    start, offset = generator.uniform(-2.0, 2.0, (n, 2)), generator.normal(size=n)
    scale = generator.choice([-1.0, 1.0], n) * generator.uniform(0.5, 2.0, n)
    pair = lot_direction(generator.uniform(-np.pi, np.pi, (n, 2)))
    targets, widths = _length_aims(replace(plan, aims=aims), start, pair, offset, scale)
    seen = {"fits": 0, "past": 0, "met": 0}
    for row in range(n):
        now, after = (complex(*one) for one in pair[row])
        gaps = [complex(*(p - start[row])) / now for p in points]  # ahead, and to the left
        met = [g.real > 0 and abs(g.imag) < 3.0 * s for g, s in zip(gaps, sds, strict=True)]
        last = max((g.real for g, m in zip(gaps, met, strict=True) if m), default=np.nan)
        for k, point in enumerate(points):
            length, further = np.linalg.solve(pair[row].T, point - start[row])
            good = length > 0.3 and further > 0 and not (met[k] and gaps[k].real < last)
            seen["fits"] += good
            seen["met"] += met[k] and not good
            expected = (length - offset[row]) / scale[row] if good else np.nan
            assert targets[k][row] == pytest.approx(expected, nan_ok=True, rel=1e-7)
            width = max(sds[k] / abs((after / now).imag), 0.02) / abs(scale[row])
            assert widths[k][row] == pytest.approx(width)
        seen["past"] += bool(np.isfinite(last))
        expected = (last + PAST_AIM_M - offset[row]) / scale[row]
        assert targets[4][row] == pytest.approx(expected, nan_ok=True)
        assert widths[4][row] == pytest.approx(PAST_AIM_M / abs(scale[row]))
    assert min(seen.values()) > 30


def test_the_angle_is_aimed_in_sds_of_what_the_place_leaves_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Angle given the place by numpy's inverse (Schur complement); turns by complex numbers."""
    covariance = np.array([[0.04, 0.003, 0.012], [0.003, 0.01, -0.004], [0.012, -0.004, 0.02]])
    part = replace(front_exit().mixture[0], covariance=covariance)
    other = replace(part, covariance=2.0 * np.diag(np.diag(covariance)), x_m=9.0, angle_rad=2.9)
    exit = replace(front_exit(), components=(part, other))
    plan = plan_for(OutdoorLocate(5.0, 2.0, None))
    points = np.array([[7.4, 2.0], [3.0, -4.0], [7.0, 7.55], [2.0, 8.0]])
    plan = replace(
        plan,
        aims=(
            *(replace(plan.aims[0], point=p, sd_m=0.1 + 0.01 * p[0]) for p in points),
            replace(plan.aims[0], point=points[1], sd_m=0.001),
        ),
    )
    asked: list[list[Array]] = []

    def aimed(uniform: Array, law: object, targets: list[Array], widths: list[Array]) -> object:
        asked.extend((targets, widths))
        return np.full(uniform.size, 0.5), np.full(uniform.size, 7.0)

    monkeypatch.setattr(draw, "draw_aimed", aimed)
    generator = np.random.default_rng(3)
    component, normals = generator.integers(0, 2, 60), generator.normal(size=(60, 2))
    poses, ratio = _draw_poses(plan, exit, component, normals, generator.random(60))
    assert ratio.tolist() == [7.0] * 60
    targets, widths = asked
    reached = 0
    for row, of in enumerate(component):
        own = exit.components[of]
        place = own.covariance[:2, :2]
        gain = own.covariance[2, :2] @ np.linalg.inv(place)
        sd = np.sqrt(own.covariance[2, 2] - gain @ own.covariance[:2, 2])
        away = poses[row, :2] - [own.x_m, own.y_m]
        assert away @ np.linalg.solve(place, away) == pytest.approx(normals[row] @ normals[row])
        expected = own.angle_rad + gain @ away
        assert poses[row, 2] == pytest.approx(expected + 0.5 * sd)
        for k, point in enumerate(points):
            gap = complex(*(point - poses[row, :2]))
            turn = float(np.angle(gap * np.exp(-1j * expected)))
            within = abs(turn) < 4.0 * sd
            reached += within
            assert targets[k][row] == pytest.approx(turn / sd if within else np.nan, nan_ok=True)
            width = max((0.1 + 0.01 * point[0]) / abs(gap) / sd, 0.02)
            assert widths[k][row] == pytest.approx(width)
    assert 30 < reached < 210
    # however truly a place is known, no aim is narrower than a fiftieth
    assert widths[4].tolist() == [0.02] * 60


@pytest.mark.parametrize("forward", [1.0, -1.0])
def test_a_length_drawn_by_the_yard_ends_where_its_value_says(forward: float) -> None:
    """So far square off the face, or so far past its last corner, along the way that is run."""
    turned = np.radians(23.0)
    along = np.array([np.cos(turned), np.sin(turned)])
    outward = np.array([-along[1], along[0]])
    face = Face("left", np.array([3.0, 1.0]), along, outward, 9.0, 3.1)
    plan = replace(plan_for(), face=face, forward=forward, reach_m=21.0)
    generator = np.random.default_rng(5)
    start = face.origin + generator.uniform(-1.0, 1.0, (30, 2))
    direction = lot_direction(generator.uniform(-np.pi, np.pi, 30))
    corner = face.origin + (9.0 * along if forward > 0 else 0.0)
    for rule, axis, zero in (
        (INTO_YARD, outward, face.origin),
        (PAST_CORNER, forward * along, corner),
    ):
        offset, scale = _offset_scale(plan, rule, start, direction)
        for value in (0.2, 2.9):
            end = start + (offset + scale * value)[:, None] * direction
            assert (end - zero) @ axis == pytest.approx(np.full(30, value))
    # ranges: the yard less 15 cm on either side, up to the main, 6 m at most beside the house
    assert _range(plan, INTO_YARD) == pytest.approx((0.15, 2.95))
    assert _range(plan, PAST_CORNER) == pytest.approx((0.15, 21.0))
    assert _range(plan, WITHIN_YARD) == pytest.approx((0.3, 2.95))
    assert _range(replace(plan, face=replace(face, yard_m=20.0)), WITHIN_YARD) == (0.3, 3.85)
    assert _range(plan, 0) == pytest.approx((0.3, 6.0))
    assert _range(replace(plan, face=None), 0) == pytest.approx((0.3, 21.0))
    narrow = replace(plan, face=replace(face, yard_m=0.2), reach_m=0.1)
    assert _range(narrow, INTO_YARD) == pytest.approx((0.15, 0.3))
    assert _range(narrow, PAST_CORNER) == pytest.approx((0.15, 0.3))
    assert _range(narrow, WITHIN_YARD) == pytest.approx((0.3, 0.6))
    assert _range(replace(narrow, face=None), 0) == pytest.approx((0.3, 0.6))


def test_values_are_drawn_from_the_law_or_about_the_nearest_part_of_the_uniform() -> None:
    """The law keeps 0.4 of the unit interval, aims share the rest: values and density by scipy."""
    generator = np.random.default_rng(11)
    n = 90
    target = np.where(generator.random((n, 3)) < 0.4, np.nan, generator.normal(0.0, 2.0, (n, 3)))
    width, uniform = generator.uniform(0.1, 1.0, (n, 3)), generator.random(n)

    def law(uniforms: Array, density_at: Array | None) -> Array:
        own = stats.norm(0.3, 1.7)
        return np.asarray(own.ppf(uniforms) if density_at is None else own.pdf(density_at))

    value, ratio = draw_aimed(uniform, law, list(target.T), list(width.T))
    for row in range(n):
        some = np.flatnonzero(np.isfinite(target[row]))
        stay = 0.4 if some.size else 1.0
        share = (1.0 - stay) / max(some.size, 1)
        if uniform[row] < stay:
            expected = stats.norm(0.3, 1.7).ppf(uniform[row] / stay)
        else:
            number, within = divmod((uniform[row] - stay) / share, 1.0)
            k = some[int(number)]
            expected = stats.norm(target[row, k], width[row, k]).ppf(within)
        assert value[row] == pytest.approx(expected, rel=1e-7)
        own = stats.norm(0.3, 1.7).pdf(value[row])
        about = stats.norm(target[row, some], width[row, some]).pdf(value[row]).sum()
        assert ratio[row] == pytest.approx(np.log(own / (stay * own + share * about)))


def test_draws_given_depths_weigh_back_to_what_the_marks_give() -> None:
    """Finds 3 and 6 m out, deeper than the marks have it: weighed, all moments are the prior's.

    Of place, angle, invert and slope at the wall, by the exit's own mixture of profiles.
    """
    exit = front_exit(sd_m=0.2, sd_deg=2.0)
    finds = tuple(
        Found(name, "test-pit", x, y, 0.05, "lot coordinates", "yes", depth_to_invert_m=3.0)
        for name, x, y in (("F1", exit.x_m + 0.1, exit.y_m - 3.0), ("F2", exit.x_m, exit.y_m - 6.0))
    )
    plan = plan_for(*finds)
    heads = draw_heads(plan, exit, uniforms(15), 0.01)
    # of all bends those that can serve: the prior leaves out the rest
    weights = np.exp(heads.log_ratio) / plan.sequences.prior.sum()
    assert weights.mean() == pytest.approx(1.0, abs=0.01)
    effective = weights.sum() ** 2 / (weights**2).sum()
    drawn = np.column_stack([heads.poses, heads.inverts_m, heads.drain_slopes])
    shares = np.array([one.weight for one in exit.profile])
    levels = np.array([one.mean for one in exit.profile])
    mean = np.array([exit.x_m, exit.y_m, exit.angle_rad, *(shares @ levels)])
    second = sum(
        w * (one.covariance + np.outer(one.mean, one.mean))
        for w, one in zip(shares, exit.profile, strict=True)
    )
    variance = [*np.diag(exit.covariance), *np.diag(second - np.outer(mean[3:], mean[3:]))]
    for values, expected, square in zip(drawn.T, mean, variance, strict=True):
        got = np.average(values, weights=weights)
        assert got == pytest.approx(expected, abs=4.0 * np.sqrt(square / effective) + 1e-6)
        spread = np.average((values - expected) ** 2, weights=weights)
        assert spread == pytest.approx(square, rel=8.0 / np.sqrt(effective))
    # without the weights it lies where the finds are
    assert abs(heads.inverts_m.mean() - mean[3]) > 0.01


@pytest.mark.parametrize("yard", [None, "left"])
@pytest.mark.parametrize("i", [0, 1])
def test_a_length_is_drawn_by_its_rules_law_near_where_the_wall_looks_aside(
    monkeypatch: pytest.MonkeyPatch, yard: str | None, i: int
) -> None:
    """Row by row: about where the building drain ends past 60° off the main, and into the yard.

    The value drawn, here the uniform itself, is a length by the rule's own offset and scale.
    """
    plan = plan_for(yard=yard, main=0 if yard is None else 1)
    heads = draw_heads(plan, front_exit(sd_deg=50.0), uniforms(9), 0.01)
    rows = np.flatnonzero(plan.sequences.counts[heads.chosen] > i)
    directions = lot_direction(heads.headings_rad[rows, i : i + 2])
    here = heads.poses[rows, :2] + 0.1
    laws: list[tuple[ValueLaw, int]] = []

    def aimed(uniform: Array, law: ValueLaw, targets: object, widths: object) -> object:
        laws.append((law, len(uniform)))
        return uniform, 7.0 + uniform

    monkeypatch.setattr(draw, "draw_aimed", aimed)
    length, ratio = _length(plan, heads, i, here, directions)
    expected: dict[ValueLaw, int] = {}
    for k, row in enumerate(rows):
        rule = plan.rules[heads.chosen[row], i]
        off = np.degrees(np.arccos(np.clip(directions[k, 0] @ plan.toward, -1.0, 1.0)))
        near = (i == 0 and off > 60.0) or rule == INTO_YARD
        law = ValueLaw(*_range(plan, rule), plan.drain_ends_m if near else None)
        expected[law] = expected.get(law, 0) + 1
        offset, scale = _offset_scale(plan, rule, here[k : k + 1], directions[k : k + 1, 0])
        value = heads.uniforms[row, i]
        assert length[k] == pytest.approx(offset[0] + scale[0] * value)
        assert ratio[k] == pytest.approx(7.0 + value)
    found: dict[ValueLaw, int] = {}
    for law, count in laws:
        found[law] = found.get(law, 0) + count
    assert found == expected
    assert len(found) > (1 if i == 0 else 0)


def test_the_play_of_bends_is_that_of_made_ones_or_of_rolled_ones() -> None:
    """Fifteen in a hundred off by 12°, the rest by 2°; within either scipy's normal quantiles."""
    even = (np.arange(2000) + 0.5) / 2000
    spread, drawn = draw_play(np.stack([even, even, even], axis=1))
    free = even < 0.15
    assert spread[:, 0] == pytest.approx(np.radians(np.where(free, 12.0, 2.0)))
    quantile = np.where(free, even / 0.15, (even - 0.15) / 0.85)
    assert drawn[:, 2] == pytest.approx(stats.norm.ppf(quantile))
