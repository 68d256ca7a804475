"""Exit poses conditioned on finds: against the Kalman update, and many prior draws weighed.

The update is written out here with numpy's own inverse; the figures of one lateral offset and
angle are those that quadrature gives (scipy).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import ndtri
from scipy.stats import kstest, qmc

from sitegis.evidence import Aim
from sitegis.finds.reweigh import (
    COMMON_FAILURE,
    find_likelihood,
    hole_shows,
    miss_likelihood,
    reweigh,
)
from sitegis.routes import condition
from sitegis.routes.condition import (
    LINEAR_M,
    PLAY_RAD,
    PRIOR_SHARE_LEVEL,
    REACH_M,
    STRAY_M,
    WIDENED,
    along_two,
    component_shares,
    draw_given,
    draw_levels,
    first_straight_arms,
    log_fits,
    nearest_first,
)

Array = np.ndarray
LOOK_FAILS = 1.0 - 0.95 / (1.0 - COMMON_FAILURE)


def aim(x: float, y: float, sd_m: float) -> Aim:
    return Aim(np.array([x, y]), sd_m, held=True)


def linear_case(scale: float, monkeypatch: pytest.MonkeyPatch) -> tuple[Array, Array, list[Aim]]:
    """Return a pose along x with a lateral spread and an angle so small that all is linear."""
    monkeypatch.setattr(condition, "WIDENED", 1.0)
    monkeypatch.setattr(condition, "LINEAR_M", 0.0)
    root = np.diag([0.0, 0.10 * scale, np.radians(3.0) * scale])
    finds = [aim(5.0, 0.40 * scale, 0.01 * scale), aim(9.0, 0.62 * scale, 0.01 * scale)]
    return np.zeros((1, 3)), root[None], finds


def test_one_and_two_finds_are_the_kalman_update(monkeypatch: pytest.MonkeyPatch) -> None:
    """Mean, covariance and evidence of y(5) = 0.40, y(9) = 0.62 to 0.01 m: 1e-6 of the spread."""
    scale = 1e-5
    means, roots, finds = linear_case(scale, monkeypatch)
    arms = first_straight_arms(means, roots, finds)
    covariance = roots[0] @ roots[0]
    expected = {0: (0.050865, 3.994959, -0.664802), 2: (0.118903, 3.196305, 0.691087)}
    for which, rows in ((0, [0]), (1, [1]), (2, [0, 1])):
        h = np.array([[0.0, 1.0, finds[row].point[0]] for row in rows])
        z = np.array([finds[row].point[1] for row in rows])
        s = h @ covariance @ h.T + (0.01 * scale) ** 2 * np.eye(len(rows))
        gain = covariance @ h.T @ np.linalg.inv(s)
        mean, spread = gain @ z, covariance - gain @ h @ covariance
        got = roots[0] @ arms.means[0, which]
        got_spread = roots[0] @ np.linalg.inv(arms.precisions[0, which]) @ roots[0]
        unit = np.sqrt(np.diag(covariance))[1:]
        assert (got - mean)[1:] / unit == pytest.approx([0.0, 0.0], abs=1e-6)
        assert (got_spread - spread)[1:, 1:] / np.outer(unit, unit) == pytest.approx(
            np.zeros((2, 2)), abs=1e-6
        )
        log_z = -0.5 * (z @ np.linalg.inv(s) @ z + np.linalg.slogdet(2 * np.pi * s)[1])
        assert arms.log_fit[0, which] == pytest.approx(log_z, abs=1e-6)
        if which in expected:
            y, angle_deg, evidence = expected[which]
            assert mean[1] / scale == pytest.approx(y, abs=1e-6)
            assert np.degrees(mean[2]) / scale == pytest.approx(angle_deg, abs=1e-5)
            assert log_z + len(rows) * np.log(scale) == pytest.approx(evidence, abs=1e-5)


def drawn(count_log2: int, finds: list[Aim], *, headings: Array | None = None) -> tuple[Array, ...]:
    """Draw one wide component given finds: poses, log prior / proposal, standardized plays."""
    means = np.array([[0.0, 0.0, 0.0]])
    root = np.diag([0.02, 0.10, np.radians(3.0)])[None]
    arms = first_straight_arms(means, root, finds)
    count = 1 << count_log2
    uniforms = qmc.Sobol(6, seed=3).random(count)
    uniforms = np.clip(uniforms, 1e-12, 1 - 1e-9)
    along = None
    if headings is not None:
        rows, plays = np.repeat(root[:, 2], count, axis=0), np.full((count, 3), np.radians(2.0))
        along = along_two(np.zeros(count), rows, headings, plays, finds)
    z, ratio = draw_given(
        arms,
        np.zeros(count, np.int64),
        along,
        np.full(count, 0.2),
        ndtri(uniforms[:, [0, 1, 3, 4, 5]]),
        uniforms[:, 2],
    )
    return np.einsum("ij,nj->ni", root[0], z[:, :3]), ratio, z[:, 3:]


def beside(poses: Array, find: Aim) -> Array:
    """Return how far a find lies beside the line at each pose, without the tested code."""
    gap = find.point - poses[:, :2]
    return gap[:, 1] * np.cos(poses[:, 2]) - gap[:, 0] * np.sin(poses[:, 2])


@pytest.mark.parametrize("number", [1, 2])
def test_weighed_draws_give_what_brute_force_gives(number: int) -> None:
    """Evidence and moments from 4096 conditioned draws, against 4 million prior draws."""
    finds = [aim(5.0, 0.40, 0.01), aim(9.0, 0.62, 0.01)][:number]
    poses, ratio, _ = drawn(12, finds)
    log_like = sum(-0.5 * (beside(poses, f) / f.sd_m) ** 2 - np.log(f.sd_m) for f in finds)
    weights = np.exp(ratio + log_like)
    effective = weights.sum() ** 2 / (weights**2).sum()
    assert effective > 10 * (74.7, 10.3)[number - 1]  # those of as many prior draws: closed form
    generator = np.random.default_rng(11)
    prior = generator.normal(size=(4_000_000, 3)) * np.array([0.02, 0.10, np.radians(3.0)])
    brute = np.exp(sum(-0.5 * (beside(prior, f) / f.sd_m) ** 2 - np.log(f.sd_m) for f in finds))
    count = brute.sum() ** 2 / (brute**2).sum()
    error = 4.0 * np.hypot(1 / np.sqrt(count), 1 / np.sqrt(effective))
    assert np.log(weights.mean() / brute.mean()) == pytest.approx(0.0, abs=error)
    for column in (1, 2):
        mean = np.average(prior[:, column], weights=brute)
        sd = np.sqrt(np.average((prior[:, column] - mean) ** 2, weights=brute))
        got = np.average(poses[:, column], weights=weights)
        assert got == pytest.approx(mean, abs=error * sd)
        got_sd = np.sqrt(np.average((poses[:, column] - got) ** 2, weights=weights))
        assert got_sd == pytest.approx(sd, rel=error)


def test_no_draw_weighs_more_than_the_prior_share_allows() -> None:
    """The whole mixture stands below: prior / proposal never exceeds 1 / 0.2."""
    finds = [aim(5.0, 0.40, 0.01), aim(9.0, 0.62, 0.01)]
    headings = np.full((1 << 12, 3), np.nan)
    headings[:, 0] = np.radians(22.5)
    headings[::2, 1] = np.radians(2.0)
    poses, ratio, _ = drawn(12, finds, headings=headings)
    assert ratio.max() <= np.log(1 / 0.2) + 1e-9
    # the weights are the prior's: unbiased, whatever the arms
    assert np.exp(ratio).mean() == pytest.approx(1.0, abs=0.03)
    turned = np.exp(ratio) @ poses[:, 2] / np.exp(ratio).sum()
    assert turned == pytest.approx(0.0, abs=0.003)


def test_two_finds_past_a_bend_share_the_turn_between_exit_and_bend() -> None:
    """A straight after one bend that runs along two finds: the closed form, all Gaussian.

    Its angle is that of the exit (3°) and the play of the bend (2°) together, seen as well as two
    finds of 1 cm 4.1 m apart tell it: evidence N(off; 0, 3² + 2² + seen²), means by their shares.
    """
    finds = [aim(5.0, 0.40, 0.01), aim(9.0, 1.50, 0.01)]
    headings = np.full((1 << 13, 3), np.nan)
    headings[:, 0] = np.radians(11.25)
    poses, ratio, plays = drawn(13, finds, headings=headings)
    exit_sd, bend_sd = np.radians([3.0, 2.0])
    seen = np.hypot(0.01, 0.01) / np.hypot(4.0, 1.1)
    off = np.arctan2(1.1, 4.0) - np.radians(11.25)
    left = off - poses[:, 2] - bend_sd * plays[:, 0]
    weights = np.exp(ratio - 0.5 * (left / seen) ** 2) / (seen * np.sqrt(2.0 * np.pi))
    effective = weights.sum() ** 2 / (weights**2).sum()
    total = exit_sd**2 + bend_sd**2 + seen**2
    exact = np.exp(-0.5 * off**2 / total) / np.sqrt(2.0 * np.pi * total)
    narrow = total - 0.5 * seen**2
    square = np.exp(-0.5 * off**2 / narrow) / np.sqrt(2.0 * np.pi * narrow * 4.0 * np.pi * seen**2)
    assert effective > 3.0 * 2**13 * exact**2 / square  # those of as many prior draws
    assert np.log(weights.mean() / exact) == pytest.approx(0.0, abs=4.0 / np.sqrt(effective))
    for got, sd in ((poses[:, 2], exit_sd), (bend_sd * plays[:, 0], bend_sd)):
        mean, spread = off * sd**2 / total, sd * np.sqrt(1.0 - sd**2 / total)
        found = np.average(got, weights=weights)
        assert found == pytest.approx(mean, abs=4.0 * spread / np.sqrt(effective))
        found_sd = np.sqrt(np.average((got - found) ** 2, weights=weights))
        assert found_sd == pytest.approx(spread, rel=4.0 / np.sqrt(effective))


def test_components_that_suit_the_find_are_drawn_more() -> None:
    """Two exits 1 m apart: the one in line with the find gets more than its weight."""
    means = np.array([[0.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    roots = np.repeat(np.diag([0.0, 0.1, 0.02])[None], 2, axis=0)
    weights, straight = np.array([0.9, 0.1]), np.full((1, 3), np.nan)

    def shares(x: float) -> Array:
        finds = [aim(x, 1.0, 0.02)]
        arms = first_straight_arms(means, roots, finds)
        fits = log_fits(arms, means[:, 2], roots[:, 2], straight, finds)
        return component_shares(weights, fits)

    assert shares(3.0).sum() == pytest.approx(1.0, abs=1e-6)
    assert shares(3.0)[0, 1] > 0.5
    assert shares(-3.0).tolist() == [[0.9, 0.1]]  # behind the wall no arm is usable


def test_a_bend_makes_another_exit_suit_the_finds() -> None:
    """Exits along x and 22.5° off, finds along x: the second suits where a bend turns it back."""
    means = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, np.radians(22.5)]])
    roots = np.repeat(np.diag([0.0, 0.1, 0.02])[None], 2, axis=0)
    finds = [aim(5.0, 0.6, 0.02), aim(9.0, 0.6, 0.02)]
    arms = first_straight_arms(means, roots, finds)
    headings = np.full((2, 3), np.nan)
    headings[1, 0] = np.radians(-22.5)
    fits = log_fits(arms, means[:, 2], roots[:, 2], headings, finds)
    shares = component_shares(np.array([0.5, 0.5]), fits)
    assert shares[0, 0] > 0.7
    assert shares[1, 1] > 0.7


def test_levels_given_two_finds_are_the_kalman_update() -> None:
    """Invert −1 ± 0.1 and slope 2 ± 1 %, depths found 4 and 9 m on, 3 cm: numpy's own inverse."""
    count = 1 << 14
    root, away, sd = np.diag([0.1, 0.01]), np.array([4.0, 9.0]), 0.03
    found = np.array([-1.02, -1.20])
    rates = np.repeat((root[0] - away[:, None] * root[1])[None], count, axis=0)
    gaps = np.tile(found - (-1.0 - 0.02 * away), (count, 1))
    uniforms = qmc.Sobol(2, seed=5).random(count)
    normals = ndtri(np.clip(uniforms[:, 0], 1e-12, 1 - 1e-9))
    z, ratio = draw_levels(normals, uniforms[:, 1], gaps, rates, np.full((count, 2), 2.0 * sd))
    assert np.exp(ratio).mean() == pytest.approx(1.0, abs=0.01)
    assert ratio.max() <= np.log(1 / 0.3) + 1e-9
    left = gaps - np.einsum("nfi,ni->nf", rates, z)
    weights = np.exp(ratio - 0.5 * np.sum((left / sd) ** 2, axis=1))
    covariance = np.linalg.inv(np.eye(2) + rates[0].T @ rates[0] / sd**2)
    mean = covariance @ rates[0].T @ gaps[0] / sd**2
    assert np.average(z, axis=0, weights=weights) == pytest.approx(mean, abs=0.02)
    assert np.cov(z.T, aweights=weights) == pytest.approx(covariance, abs=0.02)
    spread = rates[0] @ rates[0].T + sd**2 * np.eye(2)
    exact = np.exp(-0.5 * gaps[0] @ np.linalg.inv(spread) @ gaps[0])
    exact *= sd**2 / np.sqrt(np.linalg.det(spread))
    assert weights.mean() == pytest.approx(exact, rel=0.02)
    assert weights.sum() ** 2 / (weights**2).sum() > 0.2 * count


def test_the_most_precise_finds_are_conditioned_on() -> None:
    aims = [aim(float(i), 0.0, sd) for i, sd in enumerate((0.5, 0.1, 0.3, 0.2, 0.05))]
    assert [one.sd_m for one in nearest_first(aims)] == [0.05, 0.1, 0.2, 0.3]


@pytest.mark.parametrize("finds", [0, 1, 2])
@pytest.mark.parametrize("misses", [0, 1, 2])
def test_ranks_of_the_truth_are_even_whatever_was_found(finds: int, misses: int) -> None:
    """Simulation-based calibration: truth and findings drawn from the model, ranks in the answer.

    The lateral offset and angle of a straight pipe are drawn from the prior, finds and misses (one
    in 25 sites shows nothing) from the truth; the rank of the truth's offset 12 m on among the
    weighed draws is uniform (Talts et al., arXiv 1804.06788, from memory): Kolmogorov-Smirnov.
    """
    generator = np.random.default_rng([finds, misses])
    spread = np.array([0.02, 0.10, np.radians(3.0)])
    ranks = []
    while len(ranks) < 300:
        truth = generator.normal(size=3) * spread
        seen, holes = [], []
        nothing_shows = generator.random() < COMMON_FAILURE
        for at in (4.0, 7.0)[:misses]:
            hole = np.array([at, generator.normal(0.0, 0.2), 0.0, 0.9, 0.5])
            inside = _in_hole(truth[None], hole)[0] > 0.5
            if inside and not nothing_shows and generator.random() > LOOK_FAILS:
                break  # it was found: not a site of this kind
            holes.append(hole)
        if len(holes) < misses:
            continue
        for at in (5.0, 9.0)[:finds]:
            y = _offset(truth[None], at)[0] + generator.normal(0.0, 0.03)
            seen.append(aim(at, y, 0.03))
        if seen:
            poses, ratio, _ = drawn(10, seen)
        else:
            poses, ratio = generator.normal(size=(1024, 3)) * spread, np.zeros(1024)
        weights = np.exp(ratio)
        for find in seen:
            weights = reweigh(weights, find_likelihood(beside(poses, find), find.sd_m, 1.0))
        if holes:
            shows = [_in_hole(poses, hole) for hole in holes]
            weights = reweigh(weights, miss_likelihood(np.stack(shows), [0.95] * len(holes)))
        below = _offset(poses, 12.0) < _offset(truth[None], 12.0)[0]
        ranks.append(float(weights[below].sum() / weights.sum()))
    assert kstest(ranks, "uniform").pvalue > 0.005


def _offset(poses: Array, at: float) -> Array:
    """Return y of the lines at poses where x is ``at``."""
    return np.asarray(poses[:, 1] + (at - poses[:, 0]) * np.tan(poses[:, 2]))


def _in_hole(poses: Array, hole: Array) -> Array:
    """Return which lines pass a hole, 20 m long from their poses."""
    ahead = np.column_stack([np.cos(poses[:, 2]), np.sin(poses[:, 2])])
    ends = np.stack([poses[:, :2], poses[:, :2] + 20.0 * ahead], axis=1)
    return hole_shows(ends, np.zeros((len(poses), 2)), hole, -1.0)


def test_a_find_far_from_where_the_marks_point_breaks_nothing() -> None:
    """Sixty sigmas aside: the weights are finite or nothing, and no warning is raised."""
    poses, ratio, _ = drawn(8, [aim(5.0, 25.0, 0.01), aim(9.0, 45.0, 0.01)])
    assert np.isfinite(poses).all()
    assert (ratio <= np.log(1 / 0.2) + 1e-9).all()
    assert not np.isnan(ratio).any()


@pytest.mark.parametrize("later", [False, True], ids=["first straight", "later ones too"])
def test_the_ratio_of_a_draw_is_prior_over_the_whole_mixture(later: bool) -> None:
    """Every part's density by scipy: each arm conditioned on its own, shares of what is usable."""
    generator = np.random.default_rng(5)
    n, bends = 150, 2
    means = np.array([[0.0, 0.0, 0.0], [0.3, -0.2, 0.1]])
    roots = np.stack([np.diag([0.1, 0.1, 0.05]), np.diag([0.2, 0.05, 0.08])])
    aims = [
        Aim(np.array([6.0, 0.4]), 0.05, True, True),
        Aim(np.array([9.0, 1.0]), 0.08, True, True),
    ]
    arms = first_straight_arms(means, roots, aims)
    arms.usable[1, 0] = False
    component = generator.integers(0, 2, n)
    along = None
    if later:
        headings = np.where(
            generator.random((n, bends)) < 0.3, np.nan, generator.normal(0.1, 0.1, (n, bends))
        )
        plays = np.full((n, bends), 0.04)
        along = along_two(means[component, 2], roots[component, 2], headings, plays, aims)
    stay = generator.choice([0.2, 0.4], n)
    z, log_ratio = draw_given(
        arms, component, along, stay, generator.normal(size=(n, 2 + bends)), generator.random(n)
    )
    assert 0.5 < np.exp(log_ratio).mean() < 1.5
    for i in range(n):
        prior = stats.multivariate_normal(np.zeros(3 + bends), np.eye(3 + bends)).pdf(z[i])
        plain = stats.multivariate_normal(np.zeros(bends), np.eye(bends)).pdf(z[i, 3:])
        parts = [
            stats.multivariate_normal(
                arms.means[component[i], a], np.linalg.inv(arms.precisions[component[i], a])
            ).pdf(z[i, :3])
            * plain
            for a in np.flatnonzero(arms.usable[component[i]])
        ]
        for bend, pair in np.argwhere(along.usable[i]) if along is not None else ():
            h, spread = along.rates[i, bend], along.variance[pair]
            power = h @ h + spread
            parts.append(
                stats.multivariate_normal(
                    h * along.off[i, bend, pair] / power, np.eye(h.size) - np.outer(h, h) / power
                ).pdf(z[i])
            )
        mixture = stay[i] * prior + (1.0 - stay[i]) * np.mean(parts)
        assert log_ratio[i] == pytest.approx(np.log(prior / mixture), abs=1e-6)


def test_levels_are_drawn_from_prior_and_all_finds_and_weighed_by_both() -> None:
    """Posterior by numpy's inverse of prior precision 1 and each find's; densities by scipy."""
    generator = np.random.default_rng(6)
    n = 150
    gaps, rates = generator.normal(size=(n, 3)), generator.normal(size=(n, 3, 2))
    sds, uniforms = generator.uniform(0.3, 2.0, (n, 3)), generator.random(n)
    normals = generator.normal(size=n)
    z, log_ratio = draw_levels(normals, uniforms, gaps, rates, sds)
    whitened = []
    for i in range(n):
        seen = rates[i] / sds[i, :, None]
        covariance = np.linalg.inv(np.eye(2) + seen.T @ seen)
        mean = covariance @ seen.T @ (gaps[i] / sds[i])
        prior = stats.multivariate_normal(np.zeros(2), np.eye(2)).pdf(z[i])
        given_ = stats.multivariate_normal(mean, covariance).pdf(z[i])
        share = PRIOR_SHARE_LEVEL
        expected = np.log(prior / (share * prior + (1.0 - share) * given_))
        assert log_ratio[i] == pytest.approx(expected, abs=1e-9)
        if uniforms[i] < share:
            assert z[i] == pytest.approx([stats.norm.ppf(uniforms[i] / share), normals[i]])
        else:
            gone = z[i] - mean
            square = stats.norm.ppf((uniforms[i] - share) / (1.0 - share)) ** 2 + normals[i] ** 2
            assert gone @ np.linalg.solve(covariance, gone) == pytest.approx(square)
            whitened.append(square)
    assert len(whitened) > 75


def strewn_along(
    generator: np.random.Generator, n: int, bends: int, spread: float
) -> tuple[Array, Array, Array, Array, list[Aim]]:
    """Return angles, rows of roots, headings, plays and three finds, all at random."""
    finds = [
        Aim(generator.uniform(-4.0, 9.0, 2), float(generator.uniform(0.02, 0.3)), True, True)
        for _ in range(3)
    ]
    headings = generator.uniform(-spread, spread, (n, bends))
    headings = np.where(generator.random((n, bends)) < 0.2, np.nan, headings)
    plays = generator.uniform(0.02, 0.2, (n, bends))
    return (
        generator.uniform(-3.0, 3.0, n),
        generator.normal(0.0, 0.1, (n, 3)),
        headings,
        plays,
        finds,
    )


def test_a_later_straight_along_two_finds_is_one_linear_observation() -> None:
    """Its angle's derivatives, the lesser turn onto the line of the pair, and how well it is known.

    Turns by complex numbers, modulo half a turn; finds a bend past four sds are left out.
    """
    n, bends = 50, 3
    expected, rows, headings, plays, finds = strewn_along(np.random.default_rng(2), n, bends, 3.0)
    along = along_two(expected, rows, headings, plays, finds)
    pairs = [(0, 1), (0, 2), (1, 2)]
    assert along.off.shape == (n, bends, 3)
    counts = {True: 0, False: 0}
    for k, (a, b) in enumerate(pairs):
        gap = complex(*(finds[b].point - finds[a].point))
        square = (WIDENED**2 * (finds[a].sd_m ** 2 + finds[b].sd_m ** 2) + LINEAR_M**2) / abs(
            gap
        ) ** 2
        assert along.variance[k] == pytest.approx(square)
        for row in range(n):
            for bend in range(bends):
                rate = np.concatenate(
                    [rows[row], np.where(np.arange(bends) <= bend, plays[row], 0)]
                )
                assert along.rates[row, bend] == pytest.approx(rate)
                if np.isnan(headings[row, bend]):
                    assert not along.usable[row, bend, k]
                    continue
                now = np.exp(1j * (expected[row] + headings[row, bend]))
                off = 0.5 * float(np.angle((gap / abs(gap) / now) ** 2))
                assert along.off[row, bend, k] == pytest.approx(off)
                near = off**2 < 16.0 * (rate @ rate + square)
                counts[bool(near)] += 1
                assert along.usable[row, bend, k] == near
    assert min(counts.values()) > 40


def test_draws_brought_along_two_finds_have_the_conditional_law() -> None:
    """An affine map of standard normals: its mean and covariance by numpy's own inverse."""
    expected, rows, headings, plays, finds = strewn_along(np.random.default_rng(4), 12, 2, 0.4)
    along = along_two(expected, rows, headings, plays, finds)
    for row in range(12):
        for bend in range(2):
            for pair in range(3):
                at = np.concatenate([np.zeros((1, 5)), np.eye(5)])
                arm = np.full(6, bend * 3 + pair)
                moved = along.pulled(at, np.full(6, row), arm)
                map_ = (moved[1:] - moved[0]).T
                h, off = along.rates[row, bend], along.off[row, bend, pair]
                covariance = np.linalg.inv(np.eye(5) + np.outer(h, h) / along.variance[pair])
                assert map_ @ map_.T == pytest.approx(covariance, abs=1e-9)
                assert moved[0] == pytest.approx(covariance @ h * off / along.variance[pair])


def test_how_exits_suit_finds_before_each_sequence_is_a_sum_over_all_arms() -> None:
    """Arms of the first straight, the others laid to or stray; pairs along a later one: scipy."""
    generator = np.random.default_rng(9)
    means = np.array([[0.0, 0.0, 0.0], [0.3, -0.2, 0.1], [0.1, 0.2, -0.4]])
    roots = np.stack([np.diag(generator.uniform(0.05, 0.2, 3)) for _ in means])
    finds = [aim(5.0, 0.6, 0.05), aim(9.0, 1.5, 0.08), aim(7.0, 0.9, 0.1)]
    arms = first_straight_arms(means, roots, finds)
    headings = np.where(
        np.arange(3) < np.arange(4)[:, None], generator.normal(0.0, 0.3, (4, 3)), np.nan
    )
    for some in (finds, finds[:1]):
        arms = first_straight_arms(means, roots, some)
        fits = log_fits(arms, means[:, 2], roots[:, 2], headings, some)
        assert fits.shape == (4, 3)
        for s, row in enumerate(headings):
            for c, mean in enumerate(means):
                parts = []
                for a in np.flatnonzero(arms.usable[c]):
                    rest = len(some) - arms.sizes[a]
                    breadth = REACH_M if np.isfinite(row).any() else STRAY_M
                    parts.append(np.exp(arms.log_fit[c, a]) / breadth**rest)
                for bend in np.flatnonzero(np.isfinite(row)):
                    for i, one in enumerate(some):
                        for other in some[i + 1 :]:
                            gap = complex(*(other.point - one.point))
                            turn = gap / abs(gap) / np.exp(1j * (mean[2] + row[bend]))
                            off = 0.5 * float(np.angle(turn**2))
                            seen = WIDENED**2 * (one.sd_m**2 + other.sd_m**2) + LINEAR_M**2
                            square = seen / abs(gap) ** 2 + (bend + 1) * PLAY_RAD**2
                            square += roots[c, 2] @ roots[c, 2]
                            if off**2 < 16.0 * square:
                                density = stats.norm(0.0, np.sqrt(square)).pdf(off)
                                parts.append(density / abs(gap) / REACH_M ** (len(some) - 1))
                expected = np.log(np.sum(parts)) if parts else -np.inf
                assert fits[s, c] == pytest.approx(expected)
