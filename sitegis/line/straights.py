"""A chain of straights through points with errors in both coordinates.

Parameters of a chain with k bends: ``[θ0, φ1 … φk, c0 … ck]``. Straight j has the direction
θj = θ0 + φ1 + … + φj and holds the points with nj · p = cj, where nj is its left normal.
"""

from __future__ import annotations

import numpy as np

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..numerics.ordering import MATTERS_M, largest, smallest
from ..numerics.statistics import cho_solve, cholesky
from .bend_catalog import BEND_ANGLE_SD_RAD

HEADING_SD_RAD = float(np.radians(10.0))
"""Standard deviation of the head's axis as read by turning the locator. Judgment, no source."""
BEND_MARK_SD_M = 0.20
"""How near to the bend's vertex a bend is marked. Judgment, no source."""
# mean and standard deviation of |N(0, 1)|
HALF_NORMAL_MEAN, HALF_NORMAL_SD = np.sqrt(2.0 / np.pi), np.sqrt(1.0 - 2.0 / np.pi)


@dataclass(frozen=True, slots=True)
class Marks:
    """What the plan fit takes: n points in downstream order.

    ``xy`` (n, 2); ``covariance`` (2n, 2n), order x0, y0, x1, …; ``independent`` (n, 2, 2): the
    part of it that is each point's own and heavy-tailed; ``counts_m`` and ``headings_rad`` (n,),
    NaN where there is none; ``count_floor_m`` (n,) the independent sd of a count;
    ``count_share`` the scale of the cable's slack; ``bend_marks`` (n,) bool.
    ``degrees_of_freedom`` inf means Gaussian. ``received`` (n,): found with the locator, whose
    session moves all such marks alike by ``session_sd_m``; the others have no heavy tail.
    """

    xy: Array
    covariance: Array
    independent: Array
    counts_m: Array
    count_floor_m: Array
    count_share: float
    headings_rad: Array
    bend_marks: np.ndarray[tuple[int], np.dtype[np.bool_]]
    degrees_of_freedom: float
    received: np.ndarray[tuple[int], np.dtype[np.bool_]]
    session_sd_m: float


@dataclass(frozen=True, slots=True)
class Chain:
    """A fitted chain of straights.

    ``parameters`` (q,) with ``covariance`` (q, q); ``segment`` (n,) the straight of each point;
    ``offsets_m`` (left positive) and ``stations_m`` (n,) of the measured points;
    ``adjusted`` (n, 2) the points moved onto the line; ``end`` (3,) x, y, angle of the most
    downstream point with ``end_covariance`` (3, 3); ``weights`` (n,) of the tails (1 = regular);
    ``chi_square`` of all rows; ``log_likelihood`` of the data and the priors at the mode.
    """

    parameters: Array
    covariance: Array
    segment: np.ndarray[tuple[int], np.dtype[np.int64]]
    offsets_m: Array
    stations_m: Array
    adjusted: Array
    end: Array
    end_covariance: Array
    weights: Array
    chi_square: float
    log_likelihood: float
    converged: bool

    @property
    def vertices(self) -> Array:
        """Upstream start, bends, downstream end as (k + 2, 2)."""
        first = smallest(self.stations_m, MATTERS_M)
        last = largest(self.stations_m, MATTERS_M)
        corners = bend_vertices(self.parameters)
        return np.vstack([self.adjusted[first][None], corners, self.adjusted[last][None]])

    @property
    def bend_stations_m(self) -> Array:
        """Stations of the bends on the scale of ``stations_m``, (k,)."""
        return vertex_stations(self.parameters)


def directions(parameters: Array) -> Array:
    """Return the directions (..., k + 1) of the straights of chains (..., 2k + 2)."""
    return np.cumsum(parameters[..., : parameters.shape[-1] // 2], axis=-1)


def bend_vertices(parameters: Array) -> Array:
    """Intersect each straight with the next: (..., k, 2)."""
    angles = directions(parameters)
    constants = parameters[..., parameters.shape[-1] // 2 :]
    sine, cosine = np.sin(angles), np.cos(angles)
    # intersection of two lines in normal form x·(−sin, cos) = c, by Cramer's rule
    determinant = np.sin(np.diff(angles, axis=-1))
    before, after = constants[..., :-1], constants[..., 1:]
    x = (before * cosine[..., 1:] - after * cosine[..., :-1]) / determinant
    y = (before * sine[..., 1:] - after * sine[..., :-1]) / determinant
    return np.stack([x, y], axis=-1)


def _station_bases(parameters: Array, vertices: Array) -> Array:
    """Return per straight what is added to t · p for the station: (..., k + 1)."""
    along = lot_direction(directions(parameters))
    # stations are projections on each straight's direction; bases make them agree at the bends
    steps = np.sum((along[..., :-1, :] - along[..., 1:, :]) * vertices, axis=-1)
    zero = np.zeros((*parameters.shape[:-1], 1))
    return np.concatenate([zero, np.cumsum(steps, axis=-1)], axis=-1)


def vertex_stations(parameters: Array) -> Array:
    """Return the stations of the bends, (..., k)."""
    vertices = bend_vertices(parameters)
    along = lot_direction(directions(parameters))[..., 1:, :]
    bases = _station_bases(parameters, vertices)[..., 1:]
    return np.asarray(bases + np.sum(along * vertices, axis=-1))


def line_coordinates(
    parameters: Array, xy: Array, segment: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[Array, Array]:
    """Return offsets (left positive) and stations (..., n) of points (n, 2) on their straights.

    Parameters
    ----------
    parameters
        The chain (..., 2k + 2): first direction and the k turns after it, rad, then each
        straight's offset from the origin, m.
    xy
        Points (n, 2), m.
    segment
        Straight of each point (n,).

    Returns
    -------
    offsets
        Left positive (..., n), m.
    stations
        Along the chain (..., n), m.
    """
    angles = directions(parameters)[..., segment]
    constants = parameters[..., parameters.shape[-1] // 2 :][..., segment]
    bases = _station_bases(parameters, bend_vertices(parameters))[..., segment]
    sine, cosine = np.sin(angles), np.cos(angles)
    offsets = xy[:, 1] * cosine - xy[:, 0] * sine - constants
    return offsets, bases + xy[:, 0] * cosine + xy[:, 1] * sine


@dataclass(frozen=True, slots=True)
class _Problem:
    """One fit: the marks, the straight of each, nominal bend angles, bends tied to marks.

    ``counted`` and ``headed`` index the marks with a count and a heading; ``contrasts``
    (m − 1, m) are orthonormal differences of the counts, whose zero is not known.
    """

    marks: Marks
    segment: np.ndarray[tuple[int], np.dtype[np.int64]]
    nominal_rad: Array
    nominal_sd_rad: Array
    ties: tuple[tuple[int, int], ...]
    counted: np.ndarray[tuple[int], np.dtype[np.int64]]
    headed: np.ndarray[tuple[int], np.dtype[np.int64]]
    contrasts: Array

    def residuals(self, parameters: Array, xy: Array) -> Array:
        """Return the rows (..., rows): offsets, counts, headings, bend angles, bend marks."""
        marks, bends = self.marks, self.nominal_rad.size
        offsets, stations = line_coordinates(parameters, xy, self.segment)
        # slack is half normal, a share of the length: its mean is taken off every footage
        shrink = 1.0 / (1.0 + HALF_NORMAL_MEAN * marks.count_share)
        counts = marks.counts_m[self.counted] * shrink - stations[..., self.counted]
        angles = directions(parameters)[..., self.segment[self.headed]]
        turn = marks.headings_rad[self.headed] - angles
        # an axis has no sense: into (−90°, 90°]
        headings = (turn + np.pi / 2) % np.pi - np.pi / 2
        nominal = parameters[..., 1 : bends + 1] - self.nominal_rad
        # footages count from an unknown zero: contrasts, orthogonal to it, are what they say
        rows = [offsets, counts @ self.contrasts.T, headings, nominal]
        if self.ties:
            vertex, mark = np.array(self.ties).T
            rows.append(vertex_stations(parameters)[..., vertex] - stations[..., mark])
        return np.concatenate(rows, axis=-1)

    def point_jacobian(self, parameters: Array) -> Array:
        """Return the derivative of the rows by the points' coordinates, (rows, 2n)."""
        n = self.segment.size
        angles = directions(parameters)[self.segment]
        along = lot_direction(angles)
        normal = np.stack([-along[:, 1], along[:, 0]], axis=-1)
        counted, ties = self.counted, [mark for _, mark in self.ties]
        passive = self.headed.size + self.nominal_rad.size
        contrasts = self.contrasts
        differences = contrasts.shape[0]
        jacobian = np.zeros((n + differences + passive + len(ties), n, 2))
        jacobian[np.arange(n), np.arange(n)] = normal
        jacobian[n : n + differences, counted] = -contrasts[:, :, None] * along[counted]
        jacobian[n + differences + passive + np.arange(len(ties)), ties] = -along[ties]
        return jacobian.reshape(jacobian.shape[0], 2 * n)

    def own_covariance(self) -> Array:
        """Return the covariance of the rows that does not come from the points, (rows, rows)."""
        n, share, contrasts = self.segment.size, self.marks.count_share, self.contrasts
        differences = contrasts.shape[0]
        sizes = (n + differences, self.headed.size, self.nominal_rad.size, len(self.ties))
        # in the order of the rows: offsets and counts, headings, bend angles, bend marks
        variance = np.repeat([0.0, HEADING_SD_RAD**2, 0.0, BEND_MARK_SD_M**2], sizes)
        made = sum(sizes[:2])
        variance[made : made + self.nominal_sd_rad.size] = self.nominal_sd_rad**2
        covariance = np.diag(variance)
        length = self.marks.counts_m[self.counted]
        # slack grows along the cable: two footages share the part up to the nearer one, here fully
        # correlated
        slack = (HALF_NORMAL_SD * share) ** 2 * np.outer(length, length)
        counts = np.diag(self.marks.count_floor_m[self.counted] ** 2) + slack
        rows = slice(n, n + differences)
        covariance[rows, rows] = contrasts @ counts @ contrasts.T
        return covariance

    def parameter_jacobian(self, parameters: Array, xy: Array) -> Array:
        """Return the derivative (rows, 2k + 2) by the parameters, by central differences."""
        # smooth rows: an error of the step squared, far below what the fit settles to
        step = 1e-5 * np.eye(parameters.size)
        rows = self.residuals(np.vstack([parameters + step, parameters - step]), xy)
        return np.asarray((rows[: parameters.size] - rows[parameters.size :]).T / 2e-5)


def _differences(m: int) -> Array:
    """Return an orthonormal basis (m − 1, m) of the differences of m values."""
    if m < 2:
        return np.zeros((0, m))
    # orthonormal basis of all that is square to (1, …, 1): free of the zero
    basis = np.linalg.qr(np.column_stack([np.ones(m), np.eye(m)[:, 1:]]))[0]
    return np.asarray(basis[:, 1:].T)


def tail_weight(square: Array, degrees_of_freedom: float) -> tuple[Array, Array]:
    """Return weight and extra cost, (n,) each, of squared standardized residuals (n,) in the tails.

    The cost is δ²/2 up to one sigma and that of a Student-t beyond, joined with one slope:
    ((ν + 1)/2) ln((ν + δ²)/(ν + 1)) + ½. The weight is its derivative by δ²/2,
    min(1, (ν + 1)/(ν + δ²)) (Lange, Little and Taylor 1989, from memory, for the Student-t
    weight; the cap at 1 is ours: the middle stays Gaussian, so that few points do not
    look better than they are). Extra = cost − weight · δ²/2.

    Parameters
    ----------
    square
        Squared standardized residuals (n,).
    degrees_of_freedom
        ν of the tail; inf is a Gaussian.

    Returns
    -------
    weight
        (n,).
    extra
        Cost beyond weight · δ²/2 (n,).
    """
    if np.isinf(degrees_of_freedom):
        return np.ones_like(square), np.zeros_like(square)
    nu = degrees_of_freedom
    weight = np.minimum(1.0, (nu + 1.0) / (nu + square))
    cost = 0.5 * (nu + 1.0) * np.log((nu + np.maximum(square, 1.0)) / (nu + 1.0)) + 0.5
    return weight, np.where(square <= 1.0, 0.0, cost - 0.5 * weight * square)


def _spread(independent: Array, factor: Array) -> Array:
    """Lay (n, 2, 2) blocks times a factor (n,) on the diagonal of a (2n, 2n) matrix."""
    n = factor.size
    full = np.zeros((n, 2, n, 2))
    full[np.arange(n), :, np.arange(n), :] = independent * factor[:, None, None]
    return np.asarray(full.reshape(2 * n, 2 * n))


def fit_chain(
    marks: Marks,
    segment: np.ndarray[tuple[int], np.dtype[np.int64]],
    start: Array,
    *,
    nominal_rad: Array | None = None,
    nominal_sd_rad: Array | float = BEND_ANGLE_SD_RAD,
    ties: tuple[tuple[int, int], ...] = (),
    tolerance: float = 1e-9,
) -> Chain:
    """Fit a chain of straights to points with errors in both coordinates.

    Minimizes rᵀ R⁻¹ r with the rows r of offsets across the line, cable counts along it,
    headings, bend angles against their nominal values and bends against bend marks, and
    R = B C Bᵀ + D: B the rows' derivative by the coordinates, C the points' covariance. This is
    the Gauss–Helmert model (total least squares with full covariance); the derivative by the
    parameters is taken at the adjusted points, which makes the minimum that of York et al.
    2004 for one straight and uncorrelated errors. Heavy tails by iterated weights on each
    point's own part of C. ``start`` (2k + 2,); ``nominal_rad`` (k,) defaults to the start's,
    known to ``nominal_sd_rad`` (k,) or one for all.
    ``tolerance``: the step (m, rad) at which it has converged, within 40 steps.

    Parameters
    ----------
    marks
        Points of one pipe in downstream order, n of them.
    segment
        Straight of each mark (n,).
    start
        Parameters (2k + 2,) to begin at.
    nominal_rad
        Nominal angles of the bends (k,), rad; None takes the start's.
    nominal_sd_rad
        How well they are known, of all or of each (k,), rad.
    ties
        Pairs of bend and mark that stand in one place.
    tolerance
        Step (m, rad) at which it has converged.

    Returns
    -------
    Chain
        The fitted chain with covariance and log evidence.
    """
    bends = start.size // 2 - 1
    nominal = np.asarray(start[1 : bends + 1] if nominal_rad is None else nominal_rad)
    counted = np.flatnonzero(np.isfinite(marks.counts_m))
    headed = np.flatnonzero(np.isfinite(marks.headings_rad))
    nominal_sd = np.broadcast_to(nominal_sd_rad, nominal.shape)
    problem = _Problem(
        marks, segment, nominal, nominal_sd, ties, counted, headed, _differences(counted.size)
    )
    own, parameters = problem.own_covariance(), np.array(start, float)
    weights, converged = np.ones(segment.size), False
    for _ in range(40):
        # a tail weight below 1 is a wider own variance of that mark
        covariance = marks.covariance + _spread(marks.independent, 1.0 / weights - 1.0)
        step, _ = _normal_step(problem, parameters, covariance, own)
        if not np.all(np.isfinite(step)):
            break
        # directions move by 0.2 rad a step at most: the model is linear no further
        scale = min(1.0, 0.2 / max(float(np.max(np.abs(step[: bends + 1]))), 1e-12))
        parameters = parameters + scale * step
        square, _ = _standardized_squares(problem, parameters)
        renewed, _ = tail_weight(square, marks.degrees_of_freedom)
        moved = float(np.max(np.abs(renewed - weights)))
        weights = renewed
        if np.max(np.abs(step)) < tolerance and moved < 100.0 * tolerance:
            converged = True
            break
    return _finish(problem, parameters, weights, converged)


def _standardized_squares(problem: _Problem, parameters: Array) -> tuple[Array, Array]:
    """Return (offset / own sd)² of each point, and the own variance across the line."""
    angles = directions(parameters)[problem.segment]
    normal = np.stack([-np.sin(angles), np.cos(angles)], axis=-1)
    variance = np.einsum("ni,nij,nj->n", normal, problem.marks.independent, normal)
    offsets, _ = line_coordinates(parameters, problem.marks.xy, problem.segment)
    return offsets**2 / np.maximum(variance, 1e-12), variance


def _normal_step(
    problem: _Problem, parameters: Array, covariance: Array, own: Array
) -> tuple[Array, Array]:
    """Return the Gauss–Helmert step and the parameters' covariance."""
    jacobian = problem.point_jacobian(parameters)
    residual = problem.residuals(parameters, problem.marks.xy)
    # R = B C Bᵀ + D: residuals whitened by its Cholesky factor
    root = cholesky(jacobian @ covariance @ jacobian.T + own)
    # adjusted points: x̂ = x − C Bᵀ R⁻¹ r, where the parameters' derivative belongs (York et al.
    # 2004)
    moved = covariance @ (jacobian.T @ cho_solve(root, residual))
    adjusted = problem.marks.xy - moved.reshape(-1, 2)
    slopes = problem.parameter_jacobian(parameters, adjusted)
    white = np.linalg.solve(root, np.column_stack([slopes, residual]))
    normal = white[:, :-1].T @ white[:, :-1]
    # pseudo-inverse: a parameter that no row holds stays where it started
    inverse = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    return -inverse @ (white[:, :-1].T @ white[:, -1]), np.asarray(inverse, float)


def _finish(problem: _Problem, parameters: Array, weights: Array, converged: bool) -> Chain:
    """Gather covariance, adjusted points, end pose and likelihood at the mode."""
    marks, n = problem.marks, weights.size
    own = problem.own_covariance()
    covariance = marks.covariance + _spread(marks.independent, 1.0 / weights - 1.0)
    jacobian = problem.point_jacobian(parameters)
    residual = problem.residuals(parameters, marks.xy)
    root = cholesky(jacobian @ covariance @ jacobian.T + own)
    gain = cho_solve(root, jacobian @ covariance).T
    adjusted = marks.xy - (gain @ residual).reshape(n, 2)
    _, inverse = _normal_step(problem, parameters, covariance, own)
    slopes = problem.parameter_jacobian(parameters, adjusted)
    _, stations = line_coordinates(parameters, adjusted, problem.segment)
    last = largest(stations, MATTERS_M)
    rows = slice(2 * last, 2 * last + 2)
    # the end's direction is θ0 + φ1 + … + φk, free of the constants
    angle_row = np.where(np.arange(parameters.size) < parameters.size // 2, 1.0, 0.0)
    # the end moves with the parameters and with its own point's remaining error
    spread = np.vstack([-gain[rows] @ slopes, angle_row])
    end_covariance = spread @ inverse @ spread.T
    end_covariance[:2, :2] += (covariance - gain @ jacobian @ covariance)[rows, rows]
    chi_square = float(residual @ cho_solve(root, residual))
    # normalized with the noise as stated: tails enter by their extra cost alone
    regular = np.linalg.slogdet(2 * np.pi * (jacobian @ marks.covariance @ jacobian.T + own))[1]
    square, _ = _standardized_squares(problem, parameters)
    _, extra = tail_weight(square, marks.degrees_of_freedom)
    offsets, stations = line_coordinates(parameters, marks.xy, problem.segment)
    return Chain(
        parameters=parameters,
        covariance=inverse,
        segment=problem.segment,
        offsets_m=offsets,
        stations_m=stations,
        adjusted=adjusted,
        end=np.array([*adjusted[last], directions(parameters)[-1]]),
        end_covariance=0.5 * (end_covariance + end_covariance.T),
        weights=weights,
        chi_square=chi_square,
        log_likelihood=float(-0.5 * chi_square - 0.5 * regular - extra.sum()),
        converged=converged,
    )
