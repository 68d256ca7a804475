"""Chains of straights with errors in both coordinates, against published and library fits."""

from __future__ import annotations

import numpy as np
import odrpack
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from sitegis.geometry.frames import Array, rotation
from sitegis.line.straights import (
    Chain,
    Marks,
    _differences,
    _finish,
    _Problem,
    _standardized_squares,
    bend_vertices,
    fit_chain,
    line_coordinates,
    tail_weight,
    vertex_stations,
)

# York et al. 2004, American Journal of Physics 72, 367: Pearson's data with York's weights.
YORK_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
YORK_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_WX = np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0])
YORK_WY = np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0])


def marks_of(xy: Array, variances: Array, **changes: object) -> Marks:
    """Make uncorrelated Gaussian marks (n, 2) with variances (n, 2)."""
    n = len(xy)
    blocks = np.array([np.diag(v) for v in np.broadcast_to(variances, (n, 2))])
    values: dict[str, object] = {
        "covariance": np.diag(np.broadcast_to(variances, (n, 2)).ravel()),
        "independent": blocks,
        "counts_m": np.full(n, np.nan),
        "count_floor_m": np.full(n, 0.1),
        "count_share": 0.02,
        "headings_rad": np.full(n, np.nan),
        "bend_marks": np.zeros(n, dtype=bool),
        "degrees_of_freedom": np.inf,
        "received": np.ones(n, dtype=bool),
        "session_sd_m": 0.0,
    }
    return Marks(xy=xy, **(values | changes))  # type: ignore[arg-type]


def york_fit() -> Chain:
    marks = marks_of(
        np.column_stack([YORK_X, YORK_Y]), np.column_stack([1.0 / YORK_WX, 1.0 / YORK_WY])
    )
    return fit_chain(marks, np.zeros(10, dtype=int), np.array([-0.4, 5.0]))


def as_intercept_slope(chain: Chain) -> tuple[Array, Array]:
    """Turn direction and offset into y = a + b x with standard deviations."""
    angle, offset = chain.parameters
    cosine, sine = np.cos(angle), np.sin(angle)
    jacobian = np.array([[offset * sine / cosine**2, 1.0 / cosine], [1.0 / cosine**2, 0.0]])
    covariance = jacobian @ chain.covariance @ jacobian.T
    return np.array([offset / cosine, np.tan(angle)]), np.sqrt(np.diag(covariance))


def test_straight_reproduces_the_published_york_line() -> None:
    """Pearson's data with York's weights give the published line, spread and S."""
    chain = york_fit()
    line, sd = as_intercept_slope(chain)
    assert line == pytest.approx([5.479910224, -0.480533407], abs=5e-10)
    assert sd == pytest.approx([0.294970735, 0.057985009], abs=1e-9)
    assert chain.chi_square == pytest.approx(11.866353, abs=5e-7)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000))
def test_straight_agrees_with_orthogonal_distance_regression(seed: int) -> None:
    """For random data the line is that of ODRPACK, coded independently."""
    generator = np.random.default_rng(seed)
    x = np.sort(generator.uniform(0.0, 8.0, 9))
    sds = generator.uniform(0.05, 0.3, (9, 2))
    slope = generator.uniform(-2.0, 2.0)
    xy = np.column_stack([x, 1.0 + slope * x]) + sds * generator.standard_normal((9, 2))
    reference = odrpack.odr_fit(
        lambda x, beta: beta[0] + beta[1] * x,
        xy[:, 0],
        xy[:, 1],
        np.array([1.0, slope]),
        weight_x=1.0 / sds[:, 0] ** 2,
        weight_y=1.0 / sds[:, 1] ** 2,
        maxit=500,
        sstol=1e-14,
        partol=1e-14,
    )
    start = np.array([np.arctan(slope), np.cos(np.arctan(slope))])
    chain = fit_chain(marks_of(xy, sds**2), np.zeros(9, dtype=int), start)
    line, _ = as_intercept_slope(chain)
    assert line == pytest.approx(reference.beta, rel=1e-5, abs=1e-5)
    assert chain.chi_square == pytest.approx(reference.sum_square, rel=1e-7)


def test_likelihood_at_the_mode_is_that_of_the_stated_law() -> None:
    """With one mark far off, line and likelihood are what scipy finds for the law as written.

    −ln L = Σ cost + n/2 ln(2π σ²), the cost δ²/2 up to one sigma and beyond it
    (ν + 1)/2 ln((ν + δ²)/(ν + 1)) + ½ (:func:`tail_weight`).
    """
    sd, nu = 0.1, 4.0
    xy = np.column_stack([np.arange(7.0), [0.05, -0.02, 0.04, 0.9, -0.06, 0.03, 0.02]])

    def cost(parameters: Array) -> float:
        angle, offset = parameters
        square = ((np.cos(angle) * xy[:, 1] - np.sin(angle) * xy[:, 0] - offset) / sd) ** 2
        tail = 0.5 * (nu + 1) * np.log((nu + square) / (nu + 1)) + 0.5
        return float(np.where(square <= 1.0, 0.5 * square, tail).sum())

    best = optimize.minimize(
        cost, np.zeros(2), method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    marks = marks_of(xy, np.full(2, sd**2), degrees_of_freedom=nu)
    chain = fit_chain(marks, np.zeros(7, dtype=int), np.zeros(2))
    assert chain.parameters == pytest.approx(best.x, abs=1e-5)
    assert chain.log_likelihood == pytest.approx(
        -best.fun - 3.5 * np.log(2 * np.pi * sd**2), abs=1e-6
    )


def test_footage_with_the_mean_of_its_slack_fits_without_a_remainder() -> None:
    """A half normal of scale 2 % has the mean of scipy's, 2 % × √(2/π): so much more runs out."""
    along = np.array([0.0, 2.0, 5.0, 9.0, 14.0])
    xy = np.column_stack([along * np.cos(0.3), along * np.sin(0.3)])
    counts = 7.0 + along * (1.0 + 0.02 * float(stats.halfnorm.mean()))
    marks = marks_of(xy, np.full(2, 0.01), counts_m=counts)
    chain = fit_chain(marks, np.zeros(5, dtype=int), np.array([0.3, 0.0]))
    assert chain.chi_square == pytest.approx(0.0, abs=1e-12)


def test_a_bent_chain_ends_on_its_last_straight() -> None:
    """East and then north: the end is the last mark, going north."""
    xy = np.array([[0.0, 0.0], [2.0, 0.0], [4.0, 0.0], [5.0, 1.0], [5.0, 3.0], [5.0, 6.0]])
    start = np.array([0.0, np.pi / 2, 0.0, -5.0])
    chain = fit_chain(marks_of(xy, np.full(2, 0.01)), np.array([0, 0, 0, 1, 1, 1]), start)
    assert chain.end == pytest.approx([5.0, 6.0, np.pi / 2], abs=1e-6)


def test_common_shift_does_not_move_the_line_but_widens_it() -> None:
    """A shift shared by all points adds its variance to the end, across and along, in full."""
    xy = np.column_stack([np.arange(6.0), [0.05, -0.02, 0.01, 0.03, -0.04, 0.02]])
    alone = marks_of(xy, np.full(2, 0.01))
    shared = marks_of(
        xy,
        np.full(2, 0.01),
        covariance=alone.covariance + np.kron(np.ones((6, 6)), 0.04 * np.eye(2)),
    )
    segment, start = np.zeros(6, dtype=int), np.zeros(2)
    one, two = fit_chain(alone, segment, start), fit_chain(shared, segment, start)
    assert two.parameters == pytest.approx(one.parameters, abs=1e-9)
    added = two.end_covariance - one.end_covariance
    assert added == pytest.approx(np.diag([0.04, 0.04, 0.0]), abs=1e-9)


def test_end_spread_is_that_of_repeated_draws() -> None:
    """The covariance of the end across the line and of its angle is met by 400 draws."""
    generator = np.random.default_rng(5)
    truth = np.column_stack([np.linspace(0.0, 6.0, 7), np.zeros(7)])
    segment = np.zeros(7, dtype=int)
    ends = []
    for _ in range(400):
        xy = truth + 0.1 * generator.standard_normal((7, 2))
        chain = fit_chain(marks_of(xy, np.full(2, 0.01)), segment, np.zeros(2))
        ends.append(chain.end[1:])
    met = np.cov(np.array(ends).T)
    stated = chain.end_covariance[1:, 1:]
    # A variance from 400 draws is known to 7 %; three of those.
    assert np.diag(met) == pytest.approx(np.diag(stated), rel=0.22)
    assert met[0, 1] == pytest.approx(stated[0, 1], rel=0.35)


def test_noise_free_bend_is_recovered_exactly() -> None:
    """Marks on a polyline with a 45° bend give its vertex, angle and stations."""
    along = np.array([0.0, 1.0, 2.0, 3.0])
    turn = np.radians(45.0)
    second = 3.5 + np.outer(np.array([0.7, 1.7, 2.7]), [np.cos(turn), np.sin(turn)])
    second[:, 1] -= 3.5
    xy = np.vstack([np.column_stack([along, np.zeros(4)]), second])
    segment = np.array([0, 0, 0, 0, 1, 1, 1])
    chain = fit_chain(
        marks_of(xy, np.full(2, 0.01)),
        segment,
        np.array([0.05, turn - 0.02, 0.1, -2.3]),
        nominal_rad=np.array([turn]),
    )
    assert chain.vertices == pytest.approx(np.array([xy[0], [3.5, 0.0], xy[-1]]), abs=1e-9)
    assert np.degrees(chain.parameters[1]) == pytest.approx(45.0, abs=1e-9)
    assert np.diff(chain.stations_m) == pytest.approx([1.0, 1.0, 1.0, 1.2, 1.0, 1.0], abs=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.floats(-3.0, 3.0), st.floats(-50.0, 50.0), st.floats(-50.0, 50.0))
def test_fit_moves_with_the_lot(turn: float, shift_x: float, shift_y: float) -> None:
    """Turning and shifting all marks turns and shifts the line and its covariance with them."""
    xy = np.array([[0.0, 0.02], [1.1, -0.05], [2.0, 0.03], [3.0, 0.6], [3.7, 1.4], [4.4, 2.0]])
    segment, start = np.array([0, 0, 0, 1, 1, 1]), np.array([0.0, 0.785, 0.0, -1.6])
    matrix, shift = rotation(turn), np.array([shift_x, shift_y])
    first = fit_chain(marks_of(xy, np.full(2, 0.01)), segment, start)
    moved_start = np.array([turn, start[1], 0.0, 0.0])
    for j, angle in enumerate([turn, turn + start[1]]):
        normal = np.array([-np.sin(angle), np.cos(angle)])
        moved_start[2 + j] = start[2 + j] + normal @ shift
    moved = fit_chain(
        marks_of(xy @ matrix.T + shift, np.full(2, 0.01)),
        segment,
        moved_start,
        nominal_rad=start[1:2],
    )
    assert moved.vertices == pytest.approx(first.vertices @ matrix.T + shift, abs=1e-6)
    full = np.eye(3)
    full[:2, :2] = matrix
    assert moved.end_covariance == pytest.approx(full @ first.end_covariance @ full.T, abs=1e-7)
    assert moved.log_likelihood == pytest.approx(first.log_likelihood, abs=1e-6)


def test_heading_turns_the_line_by_its_weight() -> None:
    """One heading combines with the marks' direction as two measurements of one angle do."""
    xy = np.column_stack([np.linspace(0.0, 2.0, 5), np.zeros(5)])
    headings = np.full(5, np.nan)
    headings[2] = np.radians(8.0) + np.pi  # the axis has no sense of direction
    segment, start = np.zeros(5, dtype=int), np.zeros(2)
    alone = fit_chain(marks_of(xy, np.full(2, 0.09)), segment, start)
    both = fit_chain(marks_of(xy, np.full(2, 0.09), headings_rad=headings), segment, start)
    share = (1 / np.radians(10.0) ** 2) / (1 / np.radians(10.0) ** 2 + 1 / alone.covariance[0, 0])
    assert both.parameters[0] == pytest.approx(share * np.radians(8.0), rel=0.02)


def test_outlier_is_given_little_weight() -> None:
    """One mark 2 m off moves a heavy-tailed fit by less than a tenth of the Gaussian one."""
    xy = np.column_stack([np.linspace(0.0, 6.0, 7), np.zeros(7)])
    xy[3, 1] = 2.0
    segment, start = np.zeros(7, dtype=int), np.zeros(2)
    gaussian = fit_chain(marks_of(xy, np.full(2, 0.01)), segment, start)
    robust = fit_chain(marks_of(xy, np.full(2, 0.01), degrees_of_freedom=4.0), segment, start)
    assert robust.weights[3] < 0.1
    assert np.all(robust.weights[[0, 1, 2, 4, 5, 6]] > 0.9)
    assert abs(robust.end[1]) < 0.1 * abs(gaussian.end[1])


def test_tail_cost_is_quadratic_inside_and_smooth_at_one_sigma() -> None:
    """Weight 1 up to one sigma, then (ν + 1)/(ν + δ²); the cost has no step or kink there."""
    square = np.array([0.5, 1.0 - 1e-9, 1.0 + 1e-9, 9.0])
    weight, extra = tail_weight(square, 4.0)
    cost = extra + 0.5 * weight * square
    assert weight == pytest.approx([1.0, 1.0, 1.0, 5.0 / 13.0], abs=1e-8)
    assert cost[:2] == pytest.approx(0.5 * square[:2])
    assert cost[2] == pytest.approx(cost[1], abs=1e-8)
    assert cost[3] - cost[2] == pytest.approx(2.5 * np.log(13.0 / 5.0), abs=1e-8)


def test_stations_run_on_through_a_bend() -> None:
    """Station is distance along the chain: checked on a square corner by hand."""
    parameters = np.array([0.0, np.pi / 2, 0.0, -2.0])  # along x to (2, 0), then along y
    xy = np.array([[0.5, 0.1], [2.3, 1.5]])
    offsets, stations = line_coordinates(parameters, xy, np.array([0, 1]))
    assert stations == pytest.approx([0.5, 3.5])
    assert offsets == pytest.approx([0.1, -0.3])


def test_counts_place_a_bend_that_offsets_leave_open() -> None:
    """With one mark past the bend, counts tell how far along it is; slack may make them longer."""
    xy = np.array([[0.0, 0.0], [1.5, 0.0], [3.0, 0.0], [5.0, 1.0]])
    # By way of a 45° bend at (4, 0): 4 m and then √2 m.
    counts = 1.01 * np.array([0.0, 1.5, 3.0, 4.0 + np.sqrt(2.0)]) + 0.4
    segment, start = np.array([0, 0, 0, 1]), np.array([0.0, 0.785, 0.0, -2.8])
    open_fit = fit_chain(marks_of(xy, np.full(2, 0.01)), segment, start)
    counted = fit_chain(
        marks_of(xy, np.full(2, 0.01), counts_m=counts, count_floor_m=np.full(4, 0.02)),
        segment,
        start,
    )
    assert counted.vertices[1] == pytest.approx([4.0, 0.0], abs=0.1)
    assert counted.covariance[1, 1] < open_fit.covariance[1, 1]


def test_one_count_alone_says_nothing() -> None:
    """The zero of the count is unknown, so that a single count changes nothing."""
    xy = np.column_stack([np.arange(5.0), [0.02, -0.03, 0.05, 0.0, -0.01]])
    counts = np.full(5, np.nan)
    counts[3] = 40.0
    segment, start = np.zeros(5, dtype=int), np.zeros(2)
    plain = fit_chain(marks_of(xy, np.full(2, 0.01)), segment, start)
    counted = fit_chain(marks_of(xy, np.full(2, 0.01), counts_m=counts), segment, start)
    assert counted.end == pytest.approx(plain.end, abs=1e-12)
    assert counted.end_covariance == pytest.approx(plain.end_covariance, abs=1e-12)


def test_a_point_weighs_by_its_spread_across_the_line() -> None:
    """Points spread by 0.2 m along 70° and 0.02 m across that, on a line at 30° off x.

    Across the line the variance is 0.04 sin² 40° + 0.0004 cos² 40°, whatever the frame. A point
    0.3 m off, one of seven, gets Student-t's weight (ν + 1)/(ν + δ²) for it.
    """
    angle, nu = np.radians(30.0), 4.0
    along = np.linspace(0.0, 12.0, 7)
    xy = along[:, None] * np.array([np.cos(angle), np.sin(angle)])
    xy[3] += 0.3 * np.array([-np.sin(angle), np.cos(angle)])
    axes = rotation(np.radians(70.0))
    block = axes @ np.diag([0.04, 0.0004]) @ axes.T
    marks = marks_of(
        xy,
        np.ones(2),
        covariance=np.kron(np.eye(7), block),
        independent=np.tile(block, (7, 1, 1)),
        degrees_of_freedom=nu,
    )
    chain = fit_chain(marks, np.zeros(7, dtype=int), np.array([angle, 0.0]))
    offset = line_coordinates(chain.parameters, xy, np.zeros(7, dtype=int))[0]
    between = np.radians(70.0) - chain.parameters[0]
    variance = 0.04 * np.sin(between) ** 2 + 0.0004 * np.cos(between) ** 2
    weight, _ = tail_weight(offset**2 / variance, nu)
    assert chain.weights == pytest.approx(weight, abs=1e-4)
    assert chain.weights[3] < 0.9


def test_stations_run_on_through_two_bends() -> None:
    """A staircase by hand: 2 m along x, 3 m along y, then along x again."""
    parameters = np.array([0.0, np.pi / 2, -np.pi / 2, 0.0, -2.0, 3.0])
    _, stations = line_coordinates(parameters, np.array([[4.0, 3.0]]), np.array([2]))
    assert vertex_stations(parameters) == pytest.approx([2.0, 5.0])
    assert stations == pytest.approx([2.0 + 3.0 + 2.0])


def test_differences_of_footages_scatter_as_those_drawn() -> None:
    """Each its own error, and one half-normal slack that grows with the footage, drawn anew."""
    counts = np.array([1.0, 4.0, 9.0])
    xy = np.column_stack([counts, np.zeros(3)])
    floor = np.array([0.05, 0.10, 0.07])
    marks = marks_of(xy, np.ones(2), counts_m=counts, count_floor_m=floor, count_share=0.1)
    contrasts = np.array([[1.0, -1.0, 0.0], [1.0, 1.0, -2.0]]) / np.sqrt([[2.0], [6.0]])
    nothing = np.zeros(0)
    whole = np.arange(3)
    problem = _Problem(marks, whole * 0, nothing, nothing, (), whole, whole[:0], contrasts)
    generator = np.random.default_rng(1)
    slack = stats.halfnorm(scale=0.1).rvs((200_000, 1), random_state=generator)
    drawn = (slack * counts + generator.normal(0.0, floor, (200_000, 3))) @ contrasts.T
    rows = slice(3, 5)
    assert problem.own_covariance()[rows, rows] == pytest.approx(np.cov(drawn.T), rel=0.02)


@pytest.mark.parametrize("seed", range(3))
def test_rows_of_a_chain_of_three_straights_are_shapelys(seed: int) -> None:
    """Offsets, stations and bend marks against lines of shapely, derivatives by differences."""
    generator = np.random.default_rng(seed)
    angle, turns = generator.uniform(-3.0, 3.0), np.array([0.71, -0.47])
    corners = np.array([generator.uniform(-2.0, 2.0, 2)])
    for heading, length in zip(angle + np.cumsum([0.0, *turns]), (3.1, 2.6, 3.7), strict=True):
        step = length * np.array([np.cos(heading), np.sin(heading)])
        corners = np.vstack([corners, corners[-1] + step])
    line = shapely.LineString(corners)
    headings = angle + np.cumsum([0.0, *turns])
    constants = corners[1:, 1] * np.cos(headings) - corners[1:, 0] * np.sin(headings)
    parameters = np.array([angle, *turns, *constants])
    segment = np.array([0, 0, 1, 1, 2, 2])
    at = np.array([0.9, 2.2, 3.9, 4.8, 6.6, 8.3])
    aside = generator.normal(0.0, 0.1, 6)
    normals = np.stack([-np.sin(headings), np.cos(headings)], axis=1)[segment]
    xy = np.array([line.interpolate(s).coords[0] for s in at]) + aside[:, None] * normals
    counts, read = at + generator.normal(0.0, 0.1, 6), np.full(6, np.nan)
    read[[1, 4]] = headings[segment[[1, 4]]] + np.array([0.06, np.pi - 0.04])
    marks = marks_of(xy, np.full((6, 2), 0.01), counts_m=counts, headings_rad=read)
    whole = np.arange(6)
    problem = _Problem(
        marks,
        segment,
        np.array([0.78, -0.39]),
        np.full(2, 0.05),
        ((1, 3), (0, 2)),
        whole,
        np.array([1, 4]),
        _differences(6),
    )

    rows = problem.residuals(parameters, xy)

    assert bend_vertices(parameters) == pytest.approx(corners[1:3])
    passed = np.array([line.project(shapely.Point(point)) for point in xy])
    assert rows[:6] == pytest.approx(aside)
    # the share of slack: the mean of a half normal, sqrt(2 / π) of its scale
    off = counts / (1.0 + np.sqrt(2.0 / np.pi) * marks.count_share) - passed
    assert np.sum(rows[6:11] ** 2) == pytest.approx(np.sum((off - off.mean()) ** 2))
    assert rows[11:15] == pytest.approx([0.06, -0.04, 0.71 - 0.78, -0.47 + 0.39])
    bends = [line.project(shapely.Point(corner)) for corner in corners[1:3]]
    assert rows[15:] == pytest.approx([bends[1] - passed[3], bends[0] - passed[2]])

    def moved(flat: Array) -> Array:
        return problem.residuals(parameters, flat.reshape(-1, 2))

    numeric = optimize.approx_fprime(xy.ravel(), moved, 1e-6)
    assert problem.point_jacobian(parameters) == pytest.approx(numeric, abs=1e-6)


def test_a_mark_departs_by_its_spread_square_to_its_straight() -> None:
    """With correlated errors: scipy's Mahalanobis distance along the normal, of each mark."""
    angle, turn = 0.63, -0.88
    parameters = np.array([angle, turn, 1.3, -0.4])
    xy = np.random.default_rng(1).uniform(0.0, 5.0, (4, 2))
    segment = np.array([0, 0, 1, 1])
    blocks = np.array([[[0.04, 0.013], [0.013, 0.02]]]) * np.arange(1, 5)[:, None, None]
    marks = marks_of(xy, np.full((4, 2), 0.01), independent=blocks)
    none = np.zeros(0, dtype=int)
    problem = _Problem(marks, segment, np.zeros(1), np.ones(1), (), none, none, np.zeros((0, 0)))
    squares, variances = _standardized_squares(problem, parameters)
    for row, point in enumerate(xy):
        heading = angle + turn * segment[row]
        side = rotation(heading).T
        spread = (side @ blocks[row] @ side.T)[1, 1]
        off = (side @ point)[1] - parameters[2 + segment[row]]
        assert variances[row] == pytest.approx(spread)
        assert squares[row] == pytest.approx(off**2 / spread)


def test_stacks_of_chains_are_those_of_each() -> None:
    """Chains of three straights in rows and columns: bends, stations and offsets one by one."""
    generator = np.random.default_rng(3)
    stack = np.concatenate(
        [
            generator.uniform(-3.0, 3.0, (4, 5, 1)),
            generator.choice([-1.0, 1.0], (4, 5, 2)) * generator.uniform(0.3, 1.2, (4, 5, 2)),
            generator.uniform(-2.0, 2.0, (4, 5, 3)),
        ],
        axis=2,
    )
    xy, segment = generator.uniform(-4.0, 4.0, (6, 2)), np.array([0, 0, 1, 1, 2, 2])
    corners, along = bend_vertices(stack), vertex_stations(stack)
    offsets, stations = line_coordinates(stack, xy, segment)
    for row in range(4):
        for column in range(5):
            one = stack[row, column]
            assert corners[row, column] == pytest.approx(bend_vertices(one))
            assert along[row, column] == pytest.approx(vertex_stations(one))
            alone = line_coordinates(one, xy, segment)
            assert offsets[row, column] == pytest.approx(alone[0])
            assert stations[row, column] == pytest.approx(alone[1])
            gap = np.hypot(*np.diff(bend_vertices(one), axis=0)[0])
            assert abs(np.diff(vertex_stations(one))[0]) == pytest.approx(gap)


def test_all_rows_of_a_bent_chain_have_their_joint_normal_density() -> None:
    """Offsets, footage, headings, bends and bend marks: scipy's density with derivatives by steps.

    Points are moved onto the line by the regression on all rows.
    """
    generator = np.random.default_rng(12)
    factor = 0.05 * generator.normal(size=(12, 12))
    xy = np.array([[0.1, 0.0], [1.1, 0.1], [2.1, 0.3], [2.9, 1.0], [3.5, 1.6], [4.4, 2.3]])
    counts, read = np.array([0.0, 1.1, 2.0, 3.2, np.nan, 5.1]), np.full(6, np.nan)
    read[[1, 4]] = 0.2, 0.7
    marks = marks_of(
        xy,
        np.full((6, 2), 0.01),
        covariance=factor @ factor.T + 0.01 * np.eye(12),
        counts_m=counts,
        headings_rad=read,
    )
    counted = np.array([0, 1, 2, 3, 5])
    segment = np.array([0, 0, 0, 1, 1, 1])
    problem = _Problem(
        marks,
        segment,
        np.array([0.78]),
        np.full(1, 0.05),
        ((0, 2),),
        counted,
        np.array([1, 4]),
        _differences(5),
    )
    parameters = np.array([0.1, 0.65, 0.05, -1.4])
    chain = _finish(problem, parameters, np.ones(6), converged=True)

    def moved(flat: Array) -> Array:
        return problem.residuals(parameters, flat.reshape(-1, 2))

    rows = moved(xy.ravel())
    step = 1e-5 * np.eye(12)
    slopes = np.stack([moved(xy.ravel() + s) - moved(xy.ravel() - s) for s in step], axis=1) / 2e-5
    covariance = slopes @ marks.covariance @ slopes.T + problem.own_covariance()
    density = stats.multivariate_normal(np.zeros(rows.size), covariance).logpdf(rows)
    assert rows.size == 6 + 4 + 2 + 1 + 1
    assert chain.log_likelihood == pytest.approx(density)
    assert chain.chi_square == pytest.approx(rows @ np.linalg.solve(covariance, rows))
    onto = xy.ravel() - marks.covariance @ slopes.T @ np.linalg.solve(covariance, rows)
    assert chain.adjusted.ravel() == pytest.approx(onto)


@pytest.mark.parametrize("degrees", [2.5, 4.0, 9.0])
def test_tail_weights_are_the_slope_of_their_cost(degrees: float) -> None:
    """By differences over half the square, on either side of one sigma and near it."""
    square = np.array([0.3, 0.99, 1.005, 1.01, 1.015, 1.3, 4.0, 30.0])

    def cost(at: Array) -> Array:
        weight, extra = tail_weight(at, degrees)
        return np.asarray(extra + 0.5 * weight * at)

    slope = (cost(square + 1e-5) - cost(square - 1e-5)) / 1e-5
    assert tail_weight(square, degrees)[0] == pytest.approx(slope, rel=1e-6)


def test_the_end_of_a_chain_turns_by_the_sum_of_its_directions() -> None:
    """Variance of the last direction: all of the fitted turns' covariance, added up."""
    generator = np.random.default_rng(5)
    corner = np.array([4.0, 0.0])
    xy = np.vstack(
        [
            np.column_stack([np.arange(4.0), np.zeros(4)]),
            corner + np.arange(0.5, 4.0)[:, None] * np.array([np.cos(0.8), np.sin(0.8)]),
        ]
    )
    marks = marks_of(xy + generator.normal(0.0, 0.02, xy.shape), np.full((8, 2), 0.02**2))
    segment = np.repeat([0, 1], 4)
    start = np.array([0.0, 0.8, 0.0, -4.0 * np.sin(0.8)])
    chain = fit_chain(marks, segment, start, nominal_rad=np.array([0.79]))
    angles = chain.covariance[:2, :2]
    assert chain.end[2] == pytest.approx(chain.parameters[:2].sum())
    assert chain.end_covariance[2, 2] == pytest.approx(angles.sum())
