"""Intervals and regions from weighted samples, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from statsmodels.nonparametric.bandwidths import bw_silverman

from sitegis.numerics.intervals import (
    LEVELS,
    Ellipse,
    Interval,
    Strata,
    _apart,
    _bandwidth,
    _grid,
    _kernel_widths,
    _moments,
    central_intervals,
    ellipse_of,
    highest_density_intervals,
    highest_density_regions,
    normal_samples,
    shifted,
)

Pieces = tuple[tuple[float, float], ...]


def mixture_set(share: float, mean: float, sd: float, level: float) -> Pieces:
    """Solve scipy's densities for the highest-density set of (1 − share) N(0, 1) + share N.

    The threshold is found by root finding on the probability above it; crossings on a fine grid.
    """
    x = np.linspace(-8.0, mean + 8.0 * sd, 400_001)
    density = (1 - share) * stats.norm.pdf(x) + share * stats.norm.pdf(x, mean, sd)

    def surplus(threshold: float) -> float:
        return float(np.sum(density[density >= threshold])) * (x[1] - x[0]) - level

    threshold = optimize.brentq(surplus, 1e-9, density.max() * (1 - 1e-6), xtol=1e-12)
    over = np.concatenate([[False], density >= threshold, [False]])
    starts, ends = np.flatnonzero(~over[:-1] & over[1:]), np.flatnonzero(over[:-1] & ~over[1:]) - 1
    return tuple((float(x[a]), float(x[b])) for a, b in zip(starts, ends, strict=True))


@pytest.mark.parametrize("level_index", range(3))
def test_both_kinds_of_a_normal_are_its_central_interval(level_index: int) -> None:
    """For N(5, 0.2) both sets are 5 ± z 0.2, z from scipy."""
    values, weights = normal_samples(np.ones(1), np.array([5.0]), np.array([0.2]))
    reach = 0.2 * stats.norm.ppf(0.5 + 0.5 * LEVELS[level_index])

    ((low, high),) = central_intervals(values, weights)[level_index].pieces
    assert (low, high) == pytest.approx((5.0 - reach, 5.0 + reach), abs=1e-3)
    ((low, high),) = highest_density_intervals(values, weights)[level_index].pieces
    assert (low, high) == pytest.approx((5.0 - reach, 5.0 + reach), abs=6e-3)


@pytest.mark.parametrize(
    ("share", "mean", "sd"), [(0.12, 6.0, 1.0), (0.2, 6.0, 1.0), (0.25, 7.0, 0.8)]
)
def test_a_mixture_of_two_normals_has_the_set_that_its_density_has(
    share: float, mean: float, sd: float
) -> None:
    """As many pieces, and each end within 0.12 standard deviations of scipy's."""
    even = stats.norm.ppf((np.arange(5000) + 0.5) / 5000)
    values = np.concatenate([even, mean + sd * even])
    weights = np.repeat([1 - share, share], 5000)
    for found in highest_density_intervals(values, weights):
        expected = mixture_set(share, mean, sd, found.level)
        assert len(found.pieces) == len(expected)
        assert np.array(found.pieces) == pytest.approx(np.array(expected), abs=0.12)


@pytest.mark.parametrize(("share", "mean", "sd"), [(0.3, 8.0, 0.5), (0.5, 9.0, 2.0), (0.05, 3, 1)])
def test_a_set_holds_its_level_of_the_distribution(share: float, mean: float, sd: float) -> None:
    """By scipy's distribution functions, also where a smooth density ranks two peaks poorly."""
    even = stats.norm.ppf((np.arange(5000) + 0.5) / 5000)
    values = np.concatenate([even, mean + sd * even])
    for found in highest_density_intervals(values, np.repeat([1 - share, share], 5000)):
        held = sum(
            (1 - share) * np.diff(stats.norm.cdf(piece))[0]
            + share * np.diff(stats.norm.cdf(piece, mean, sd))[0]
            for piece in found.pieces
        )
        assert held == pytest.approx(found.level, abs=2e-3)


def test_a_set_holds_its_level_of_the_samples() -> None:
    """Skewed samples with uneven weights: each set holds its level, and hardly more."""
    generator = np.random.default_rng(3)
    values, weights = generator.gamma(2.0, size=3000), generator.random(3000)
    for sets in (central_intervals(values, weights), highest_density_intervals(values, weights)):
        for one in sets:
            inside = np.zeros(values.size, bool)
            for low, high in one.pieces:
                inside |= (values >= low) & (values <= high)
            assert weights[inside].sum() / weights.sum() == pytest.approx(one.level, abs=2e-3)


def test_the_densest_set_is_no_longer_than_the_central_one() -> None:
    """Of a skewed distribution it is shorter: gamma(2) by scipy, 95 %: 4.72 against 5.33."""
    values = stats.gamma.ppf((np.arange(4000) + 0.5) / 4000, 2.0)
    ((low, high),) = highest_density_intervals(values, np.ones(4000))[2].pieces
    length = optimize.minimize_scalar(
        lambda p: stats.gamma.ppf(p + 0.95, 2.0) - stats.gamma.ppf(p, 2.0),
        bounds=(0, 0.0499),
        method="bounded",
    ).fun
    assert high - low == pytest.approx(length, rel=0.025)


def test_a_set_holds_its_level_of_the_law_where_few_heavy_samples_tell_the_tails() -> None:
    """0.8 N(0, 0.5²) by 800 samples, 0.2 N(0, 10²) by 100 of exponential weights, 20 times over.

    What the sets of 95 % hold of the law itself, by its normal integrals (scipy): 93 % with so few
    samples, 87 % where every kernel was as narrow as the peak asks for.
    """

    def below(value: float) -> float:
        return float(0.8 * stats.norm.cdf(value, 0.0, 0.5) + 0.2 * stats.norm.cdf(value, 0.0, 10.0))

    held = []
    for seed in range(20):
        generator = np.random.default_rng(seed)
        values = np.concatenate([generator.normal(0.0, 0.5, 800), generator.normal(0.0, 10.0, 100)])
        heavy = generator.exponential(size=100)
        weights = np.concatenate([np.full(800, 0.001), 0.2 * heavy / heavy.sum()])
        pieces = highest_density_intervals(values, weights)[-1].pieces
        held.append(sum(below(high) - below(low) for low, high in pieces))

    assert 0.92 < np.mean(held) < 0.97


def test_samples_at_one_place_give_that_place() -> None:
    """No spread: every interval is the value itself, within a micrometer."""
    for sets in (central_intervals, highest_density_intervals):
        for one in sets(np.full(5, 2.5), np.ones(5)):
            assert np.array(one.pieces) == pytest.approx(2.5, abs=1e-6)


@pytest.mark.parametrize("level_index", range(3))
def test_the_region_of_a_normal_is_its_ellipse(level_index: int) -> None:
    """Semi-axes are √χ² sd with two degrees of freedom (scipy), the angle that of the axes."""
    generator = np.random.default_rng(2)
    turn = np.array([[np.cos(0.5), -np.sin(0.5)], [np.sin(0.5), np.cos(0.5)]])
    points = generator.normal(size=(40_000, 2)) * [0.6, 0.2] @ turn.T + [3.0, 4.0]

    (piece,) = highest_density_regions(points, np.ones(40_000))[level_index].pieces

    factor = np.sqrt(stats.chi2.ppf(LEVELS[level_index], 2))
    assert (piece.x_m, piece.y_m) == pytest.approx((3.0, 4.0), abs=0.02)
    assert piece.semi_major_m == pytest.approx(0.6 * factor, rel=0.02)
    assert piece.semi_minor_m == pytest.approx(0.2 * factor, rel=0.02)
    assert piece.angle_rad == pytest.approx(0.5, abs=0.02)


def inside(piece: Ellipse, points: np.ndarray) -> np.ndarray:
    """Return which points lie in an ellipse."""
    gap = points - [piece.x_m, piece.y_m]
    along = gap @ [np.cos(piece.angle_rad), np.sin(piece.angle_rad)]
    across = gap @ [-np.sin(piece.angle_rad), np.cos(piece.angle_rad)]
    return (along / piece.semi_major_m) ** 2 + (across / piece.semi_minor_m) ** 2 <= 1.0


def test_places_in_two_heaps_give_two_ellipses_that_hold_the_level() -> None:
    """A bend that nobody saw: the heap beside the main one is a piece of its own from 80 % on."""
    generator = np.random.default_rng(4)
    heaps = [generator.normal(size=(3000, 2)) * 0.2, generator.normal(size=(900, 2)) * 0.3 + [4, 0]]
    points = np.concatenate(heaps)
    regions = highest_density_regions(points, np.ones(3900))
    assert [len(region.pieces) for region in regions[1:]] == [2, 2]
    for region in regions:
        held = np.any([inside(piece, points) for piece in region.pieces], axis=0)
        assert held.mean() == pytest.approx(region.level, abs=2e-3)


def two_kinds() -> tuple[np.ndarray, np.ndarray, Strata]:
    """Return N(0, 1) of 97 % and a kind of its own of 3 %, N(20, 2), at even quantiles."""
    even = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
    label = np.repeat([0, 1], 4000)
    values = np.concatenate([even, 20.0 + 2.0 * even])
    return values, np.repeat([0.97, 0.03], 4000), Strata(label, label)


@pytest.mark.parametrize("level_index", range(3))
def test_a_rare_kind_keeps_its_own_set_beside_the_common_one(level_index: int) -> None:
    """Far apart, the set is each normal's own central interval, z from scipy.

    The least set of all samples leaves the rare kind out at every level.
    """
    values, weights, strata = two_kinds()
    z = stats.norm.ppf(0.5 + 0.5 * LEVELS[level_index])
    found = highest_density_intervals(values, weights, strata)[level_index].pieces
    assert np.array(found) == pytest.approx(np.array([[-z, z], [20 - 2 * z, 20 + 2 * z]]), abs=0.03)
    assert len(highest_density_intervals(values, weights)[level_index].pieces) == 1


def test_the_least_half_holds_more_of_the_common_kind_and_next_to_none_of_a_spread_one() -> None:
    """Nine tenths N(0, 1) and a tenth even over ± 45: no fault of the numbers, but what half means.

    The least half is |x| ≤ z with 0.9 (2 Φ(z) − 1) + 0.1 z / 45 = 0.5: by scipy z = 0.762, which
    holds 55 % of the one kind and 1.7 % of the other.
    """
    normal = stats.norm.ppf((np.arange(9000) + 0.5) / 9000)
    values = np.concatenate([normal, np.linspace(-45.0, 45.0, 1000)])
    z = optimize.brentq(lambda x: 0.9 * (2 * stats.norm.cdf(x) - 1) + 0.1 * x / 45 - 0.5, 0.1, 3.0)
    pieces = highest_density_intervals(values, np.ones(10_000))[0].pieces
    held = np.any([(values >= low) & (values <= high) for low, high in pieces], axis=0)
    assert held[:9000].mean() == pytest.approx(2 * stats.norm.cdf(z) - 1, abs=0.01)
    assert held[9000:].mean() == pytest.approx(z / 45, abs=0.01)


@pytest.mark.parametrize("rare", [0.2, 0.02])
def test_each_of_two_kinds_that_overlap_holds_its_level(rare: float) -> None:
    """A kind three times as wide on the same place, whose own set covers the common one's.

    The union is its own central interval, 0.5 ± 3 z by scipy. Drawn in to the level of all it
    would be |x| ≤ c with .98 (2 Φ(c) − 1) + .02 P(wide) = .95: c = 2.05, half of the wide one.
    """
    even = stats.norm.ppf((np.arange(4000) + 0.5) / 4000)
    label = np.repeat([0, 1], 4000)
    values = np.concatenate([even, 0.5 + 3.0 * even])
    weights = np.repeat([1.0 - rare, rare], 4000)
    widest = highest_density_intervals(values, weights, Strata(label, label))[2]
    ((low, high),) = widest.pieces
    z = stats.norm.ppf(0.975)
    assert (low, high) == pytest.approx((0.5 - 3 * z, 0.5 + 3 * z), abs=0.1)


@pytest.mark.parametrize("level_index", range(3))
def test_places_of_a_rare_kind_keep_their_own_ellipse(level_index: int) -> None:
    """Two round heaps far apart, 98 and 2 %: each its circle of √χ² sd (scipy)."""
    generator = np.random.default_rng(6)
    label = np.repeat([0, 1], 20_000)
    points = generator.normal(size=(40_000, 2)) * np.array([0.2, 0.4])[label, None]
    points[:, 0] += 9.0 * label
    weights = np.array([0.98, 0.02])[label]
    region = highest_density_regions(points, weights, Strata(label, label))[level_index]
    factor = np.sqrt(stats.chi2.ppf(LEVELS[level_index], 2))
    assert [piece.semi_major_m for piece in region.pieces] == pytest.approx(
        [0.2 * factor, 0.4 * factor], rel=0.03
    )


def test_intervals_move_and_mirror() -> None:
    """Counted from 10 against the direction, [2, 3] and [6, 8] are [2, 4] and [7, 8]."""
    (moved,) = shifted((Interval(0.8, ((2.0, 3.0), (6.0, 8.0))),), -10.0, mirrored=True)
    assert moved.pieces == ((2.0, 4.0), (7.0, 8.0))


def test_an_ellipse_of_no_spread_is_a_point() -> None:
    """A covariance of zero has no axes."""
    one = ellipse_of(np.array([1.0, 2.0]), np.zeros((2, 2)), 2.4)
    assert (one.semi_major_m, one.semi_minor_m) == (0.0, 0.0)


HEAPS = np.array([[0.0, 0.0], [2.4, 1.1], [8.2, 3.6]])  # along 24°: not of one step


def heaps() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw three round heaps of 60, 30 and 10 % apart on an oblique line, uneven in spread."""
    generator = np.random.default_rng(9)
    label = np.repeat([0, 1, 2], 3000)
    points = (
        HEAPS[label] + generator.normal(size=(9000, 2)) * np.array([0.2, 0.12, 0.35])[label, None]
    )
    return points, np.array([0.6, 0.3, 0.1])[label] / 3000, label


@pytest.mark.parametrize("toward", [1.0, -1.0])
def test_heaps_on_an_oblique_line_are_told_apart(toward: float) -> None:
    """Each piece has center and axes of numpy's moments of one heap, which alone was drawn so.

    The middle heap lies near the first, and, turned about, near the last.
    """
    points, weights, label = heaps()
    points = toward * points
    pieces = highest_density_regions(points, weights)[2].pieces
    assert len(pieces) == 3
    for piece in pieces:
        near = np.argmin(np.hypot(*(toward * HEAPS - [piece.x_m, piece.y_m]).T))
        own = points[label == near]
        assert (piece.x_m, piece.y_m) == pytest.approx(own.mean(axis=0), abs=1e-9)
        axes = np.sqrt(np.linalg.eigvalsh(np.cov(own.T, bias=True)))
        assert piece.semi_minor_m / piece.semi_major_m == pytest.approx(axes[0] / axes[1], abs=1e-3)


def test_all_edges_of_a_region_are_of_one_density() -> None:
    """What a set of highest density is (Hyndman 1996): on every edge scipy's density is the same.

    That of the mixture of the heaps' normals, and each region holds its level of the samples.
    """
    points, weights, label = heaps()
    parts = [
        (
            weights[label == i].sum(),
            stats.multivariate_normal(
                points[label == i].mean(axis=0), np.cov(points[label == i].T)
            ),
        )
        for i in range(3)
    ]
    for region in highest_density_regions(points, weights):
        edges = [
            sum(
                share
                * normal.pdf(
                    [
                        piece.x_m + piece.semi_major_m * np.cos(piece.angle_rad),
                        piece.y_m + piece.semi_major_m * np.sin(piece.angle_rad),
                    ]
                )
                for share, normal in parts
            )
            for piece in region.pieces
        ]
        assert edges == pytest.approx([edges[0]] * len(edges), rel=0.02)
        held = np.any([inside(piece, points) for piece in region.pieces], axis=0)
        assert weights[held].sum() == pytest.approx(region.level, abs=2e-3)
        # the same level by scipy's density of the samples: what is densest comes first
        density = sum(share * normal.pdf(points) for share, normal in parts)
        assert weights[held != (density >= edges[0])].sum() < 5e-3


def test_the_grid_is_fine_for_the_least_kernel_and_reaches_past_the_widest() -> None:
    """A sixth of the least, four widths of the widest on either side, within the cells allowed."""
    values = np.array([-3.0, 2.5, 7.0])
    grid, cell = _grid(values, [0.05, 0.4])
    assert cell == pytest.approx(0.05 / 6)
    assert np.diff(grid) == pytest.approx(cell)
    for beyond in (values.min() - grid[0], grid[-1] - values.max()):
        assert 4 * 0.4 <= beyond <= 4 * 0.4 + 3 * cell
    assert _grid(values, [1e-4, 0.4])[1] == pytest.approx(10.0 / 4000)


@pytest.mark.parametrize("law", [stats.norm(2.0, 0.7), stats.t(2.1, -4.0, 0.3)])
def test_a_kernel_is_as_wide_as_silverman_has_it(law: stats.rv_continuous) -> None:
    """Statsmodels' rule of thumb, where the spread is the least and where the quartiles are."""
    values = law.ppf((np.arange(6001) + 0.5) / 6001)
    part = np.zeros(values.size, dtype=np.int64)
    share = np.full(values.size, 0.31)
    width = _bandwidth(values, share, part)
    assert width == pytest.approx(bw_silverman(values), rel=2e-3)
    # two parts far from each other spread about their own middles
    both = _bandwidth(
        np.concatenate([values, values + 1.5]), np.tile(share, 2), np.repeat([0, 1], values.size)
    )
    own = min(
        values.std(),
        np.subtract(*stats.scoreatpercentile(np.concatenate([values, values + 1.5]), [75, 25]))
        / 1.349,
    )
    assert both == pytest.approx(0.9 * own * (2 * values.size) ** -0.2, rel=2e-3)


def test_kernels_widen_by_the_root_of_two_to_the_spread_of_all() -> None:
    """Each is √2 wider, the last is no wider than numpy's spread and one more would be."""
    generator = np.random.default_rng(3)
    values, share = generator.normal(4.0, 2.3, 400), generator.uniform(0.2, 1.7, 400)
    spread = np.sqrt(np.cov(values, aweights=share, ddof=0))
    for bandwidth in (0.1, 0.37, 1.3, 5.0):
        widths = _kernel_widths(values, share, bandwidth)
        assert widths[0] == pytest.approx(bandwidth)
        assert widths[1:] / widths[:-1] == pytest.approx(np.full(widths.size - 1, np.sqrt(2.0)))
        assert widths[-1] <= max(spread, bandwidth) * (1 + 1e-9)
        assert widths[-1] * np.sqrt(2.0) > spread
    assert _kernel_widths(values, share, float(spread) / 4.0).size == 5


@pytest.mark.parametrize("toward_deg", [17.0, 71.0, 118.0, 163.0])
def test_heaps_along_any_line_are_parted_in_their_gaps(toward_deg: float) -> None:
    """Three heaps of unlike weight: each part is one heap, with numpy's moments."""
    generator, toward = np.random.default_rng(5), np.radians(toward_deg)
    heap = np.repeat([0, 1, 2], [300, 200, 250])
    along, aside = generator.normal(0.0, 0.2, 750), generator.normal(0, 0.25, 750)
    along += np.array([0.0, 3.1, 7.4])[heap]
    axes = np.array([[np.cos(toward), np.sin(toward)], [-np.sin(toward), np.cos(toward)]])
    points, share = np.stack([along, aside], axis=1) @ axes, generator.uniform(0.5, 1.5, 750)
    found = [set(np.flatnonzero(flags).tolist()) for flags in _apart(points, share)]
    expected = [set(np.flatnonzero(heap == one).tolist()) for one in range(3)]
    assert sorted(found, key=min) == expected
    weight, mean, covariance = _moments(points, share)
    assert weight == pytest.approx(share.sum())
    assert mean == pytest.approx(np.average(points, axis=0, weights=share))
    floor = covariance - np.cov(points.T, aweights=share, ddof=0)
    assert floor[0, 1] == pytest.approx(0.0, abs=1e-9)
    assert 0.0 < floor[0, 0] == pytest.approx(floor[1, 1], rel=1e-3)
