"""What the laterals of a town have in common, and what the laterals on record tell of it.

The weights of the inference that no layer gives, as one vector for the whole town: how many drains
leave shallow, half way and below a basement floor, how much nearer mains are preferred, mains
behind the lot and in a side street, and neighbors drained alike. With laterals on record their
posterior is that of a conditional logit with a stated prior, handed on as weighted points.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..line.profile import INVERT_PRIOR_M
from ..numerics.records import join_rows
from ..read.streets import GROUND_M, GROUND_SD_M
from ..routes.sobol import scrambled
from .layer_arrays import Flags, Habits, Whole

# Judgment, no source: depths below the ground at which drains must pass the wall, shallow (frost or
# cover), half way (a crawl space, a half basement), below a basement floor, and their standard
# deviations.
DEPTHS_M = (0.9, 1.75, GROUND_M - INVERT_PRIOR_M[0])
DEPTH_SDS_M = (0.3, 0.4, math.hypot(GROUND_SD_M, INVERT_PRIOR_M[1]))
# Judgment, no source: a town's shares of the three. Towns differ: Dirichlet, mean 48, 24, 28 %.
DEPTH_COUNTS = (1.0, 0.5, 0.6)
# All judgment, no source, mean and standard deviation from town to town: log of the pull of nearer
# mains against e for every 7 m (less where whole rows were drained alike, whatever was nearer), log
# weights of mains behind the lot and in a side street, log odds by one neighbor on the same line.
LOG_NEAR, LOG_BEHIND, LOG_ASIDE, BESIDE = (-0.2, 0.4), (0.0, 0.5), (0.0, 0.5), (0.5, 0.5)
# Judgment, no source: shares of the three where a house is said to have a basement, or none.
WITH_BASEMENT, WITHOUT_BASEMENT = (0.10, 0.15, 0.75), (0.85, 0.13, 0.02)
# How strongly a share that CITY.toml gives holds against laterals on record, in houses.
SHARE_WORTH = 10.0
POINTS, WIDER = 128, 1.2
STEP, NEWTON_STEPS = 0.02, 3


@dataclass(frozen=True, slots=True)
class Features:
    """What is weighed of pairs (q,) of lot and side.

    ``farther`` is how much longer the pair's shortest route is than the lot's, over the meters at
    which that counts; ``behind`` and ``aside`` 1 for mains behind the lot, and beside it; ``votes``
    counts the laterals on record of neighbors on the same line, next door 1, less further off.
    """

    farther: Array
    behind: Array
    aside: Array
    votes: Array


@dataclass(frozen=True, slots=True)
class Choices:
    """Lots with a lateral on record: their rows (r,), one a side and line that could serve one.

    ``fits`` (3, r) are prior times fit by depth; ``chosen`` the line on record. ``unlisted`` is the
    weight of other ways, ``basements`` 1 or 0 where that is known, else nan; both are the lot's in
    each of its rows.
    """

    lot: Whole
    features: Features
    fits: Array
    line: Whole
    chosen: Flags
    unlisted: Array
    basements: Array


@dataclass(frozen=True, slots=True)
class Learned:
    """Habits, and how they do on the laterals on record, each left out in turn.

    ``lots`` is their number, ``right`` how many likeliest lines are those on record, ``stated``
    the sum of what was said of them.
    """

    habits: Habits
    lots: int
    right: int
    stated: float


def factors(habits: Habits, point: int, features: Features) -> Array:
    """Return the weights (q,) of pairs at one point.

    Parameters
    ----------
    habits
        The points.
    point
        Number of the point.
    features
        Features of the pairs (q,).

    Returns
    -------
    Array
        Weights (q,).
    """
    return np.asarray(
        np.exp(
            habits.behind[point] * features.behind
            + habits.aside[point] * features.aside
            + habits.beside[point] * features.votes
            - habits.near[point] * features.farther
        )
    )


def habits_of(basement_share: float | None) -> Habits:
    """Return what is taken of a town without laterals on record.

    The depths are those of a share of basements that is given, or spread over the Dirichlet
    distribution, and the pull of nearer mains over its normal one: points of Gauss quadratures.
    All else is its mean.

    Parameters
    ----------
    basement_share
        Share of houses with a basement, None where nobody knows.

    Returns
    -------
    Habits
        The points.
    """
    if basement_share is None:
        depths, depth_weights = _depth_points()
    else:
        depths, depth_weights = shares_of(np.array([basement_share])), np.ones(1)
    # three points of a Gauss-Hermite quadrature
    mean, sd = LOG_NEAR
    log_near = mean + math.sqrt(3.0) * sd * np.array([-1.0, 0.0, 1.0])
    count = len(depths)
    zeros = np.zeros(3 * count)
    return Habits(
        np.outer([1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0], depth_weights).ravel(),
        np.tile(depths, (3, 1)),
        np.round(np.repeat(np.exp(log_near), count), 9),
        zeros,
        zeros,
        zeros,
    )


@functools.cache
def _depth_points() -> tuple[Array, Array]:
    """Return points (6, 3) of the Dirichlet distribution and their weights.

    By breaking a stick: how many leave deep, and of the others how many half way, each a beta
    distribution and its Gauss quadrature.
    """
    shallow, half, deep = DEPTH_COUNTS
    first, first_weights = _beta_points(deep, half + shallow, 3)
    second, second_weights = _beta_points(half, shallow, 2)
    of_deep, of_half = (part.ravel() for part in np.meshgrid(first, second, indexing="ij"))
    rest = 1.0 - of_deep
    depths = np.column_stack([rest * (1.0 - of_half), rest * of_half, of_deep])
    return depths, np.outer(first_weights, second_weights).ravel()


def _beta_points(a: float, b: float, count: int) -> tuple[Array, Array]:
    """Return points of a beta distribution and their weights, to nine digits.

    Those of a Gauss quadrature: roots of the polynomial that is orthogonal to all lower ones, and
    weights that keep the moments. Few points, so that the moments' own equations are solved.
    """
    order = np.arange(2 * count)
    moments = np.cumprod(np.append(1.0, (a + order[:-1]) / (a + b + order[:-1])))
    hankel = moments[np.add.outer(order[:count], order[:count])]
    lower = np.linalg.solve(hankel, -moments[count:])
    x = np.sort(np.roots(np.append(1.0, lower[::-1])).real)
    weights = np.linalg.solve(np.vander(x, increasing=True).T, moments[:count])
    return np.asarray(np.round(x, 9), float), np.asarray(np.round(weights, 9), float)


def shares_of(basements: Array) -> Array:
    """Return the shares (n, 3) of depths where a share of houses (n,) has a basement."""
    within = basements[:, None] * np.array(WITH_BASEMENT)
    return np.asarray(within + (1.0 - basements[:, None]) * np.array(WITHOUT_BASEMENT))


def lot_shares(habits: Habits, point: int, basements: Array) -> Array:
    """Return the shares (n, 3) of depths of lots at one point: the town's where nothing is known.

    Parameters
    ----------
    habits
        The points.
    point
        Number of the point.
    basements
        1 for a house with a basement, 0 for one without, nan where not known (n,).

    Returns
    -------
    Array
        Shares (n, 3).
    """
    own = shares_of(np.nan_to_num(basements))
    return np.where(np.isnan(basements)[:, None], habits.depths[point], own)


def join_choices(parts: list[Choices]) -> Choices:
    """Return one record of the lots of several, numbered on."""
    firsts = np.cumsum([0, *(int(part.lot.max(initial=-1)) + 1 for part in parts)])
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("line", "chosen", "unlisted", "basements")
    }
    fits = np.concatenate([part.fits for part in parts], axis=1)
    lot = np.concatenate([p.lot + first for p, first in zip(parts, firsts[:-1], strict=True)])
    return Choices(lot=lot, features=join_rows([p.features for p in parts]), fits=fits, **joined)


def learn(choices: Choices, basement_share: float | None) -> Learned:
    """Return the posterior of a town's habits given laterals on record, as 128 weighted points.

    The points are drawn about the mode by the curvature there, a little wider, and weighed by
    likelihood times prior over their density. A lot left out has its likelihood taken out of the
    weights (importance sampling).

    Parameters
    ----------
    choices
        Lots with a lateral on record, one at least.
    basement_share
        Share of houses with a basement, None where nobody knows.

    Returns
    -------
    Learned
        The points, and how they do.
    """
    from scipy.optimize import minimize  # noqa: PLC0415 - loads slowly, and only here

    counts = np.array(DEPTH_COUNTS)
    if basement_share is not None:
        counts = 0.5 + SHARE_WORTH * shares_of(np.array([basement_share]))[0]

    def against(theta: Array) -> float:
        likelihood = np.log(_shares(choices, _habits(theta[None]), 0)[1]).sum()
        return -float(likelihood + _log_prior(theta[None], counts)[0])

    start = np.array([-1.0, -0.5, LOG_NEAR[0], LOG_BEHIND[0], LOG_ASIDE[0], BESIDE[0]])
    mode = minimize(against, start, method="BFGS", options={"gtol": 1e-3}).x
    for _ in range(NEWTON_STEPS):
        slope, curvature = _derivatives(against, mode)
        mode = mode - np.linalg.solve(curvature, slope)
    # to whole steps: what the search ends at differs in the last digits between processors, and any
    # point near the mode serves
    mode = np.round(mode, 2)
    curvature = np.round(_derivatives(against, mode)[1], 2)
    root = np.linalg.cholesky(np.linalg.inv(curvature))
    drawn = scrambled(len(start), np.random.default_rng(1)).points(0, POINTS // 2)
    half = ndtri(np.clip(drawn, 1e-6, 1.0 - 1e-6))
    # each with its mirror image: then their mean is the mode
    z = np.concatenate([half, -half])
    thetas = np.round(mode + WIDER * z @ root.T, 4)
    points = _habits(thetas)
    each = [_shares(choices, points, j) for j in range(POINTS)]
    log_weight = np.array([np.log(truth).sum() for _all, truth in each])
    log_weight += _log_prior(thetas, counts) + 0.5 * (z**2).sum(axis=1)
    weights = np.exp(np.round(log_weight - log_weight.max(), 6))
    habits = replace(points, weights=np.round(weights / weights.sum(), 9))
    return Learned(habits, *_left_out(choices, habits.weights, each))


def _habits(thetas: Array) -> Habits:
    """Return points (m, 6) as habits, evenly weighted."""
    return Habits(
        np.full(len(thetas), 1.0 / len(thetas)),
        np.exp(_log_shares(thetas)),
        np.exp(thetas[:, 2]),
        *thetas[:, 3:].T,
    )


def _log_shares(thetas: Array) -> Array:
    """Return the logs (m, 3) of the shares of depths, whose logits are those against shallow."""
    logits = np.column_stack([np.zeros(len(thetas)), thetas[:, :2]])
    return logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)


def _log_prior(thetas: Array, counts: Array) -> Array:
    """Return the log prior density of points (m, 6), up to a constant."""
    # Dirichlet in its logits
    out = np.asarray(_log_shares(thetas) @ counts)
    for column, (mean, sd) in enumerate((LOG_NEAR, LOG_BEHIND, LOG_ASIDE, BESIDE), start=2):
        out = out - 0.5 * ((thetas[:, column] - mean) / sd) ** 2
    return out


def _shares(choices: Choices, habits: Habits, point: int) -> tuple[Array, Array]:
    """Return at one point each row's probability (r,), and of each lot that of its line (n,)."""
    shares = lot_shares(habits, point, choices.basements)
    weight = factors(habits, point, choices.features) * (shares.T * choices.fits).sum(axis=0)
    count = int(choices.lot.max()) + 1
    first = np.flatnonzero(np.diff(choices.lot, prepend=-1))
    total = np.bincount(choices.lot, weight, minlength=count) + choices.unlisted[first]
    share = weight / total[choices.lot]
    truth = np.bincount(choices.lot, share * choices.chosen, minlength=count)
    # a line that no route reaches may yet be the one: a record is wrong sometimes
    return share, np.maximum(truth, 1e-3)


def _derivatives(against: Callable[[Array], float], at: Array) -> tuple[Array, Array]:
    """Return first (6,) and second derivatives (6, 6) by differences, the second made positive."""
    size = len(at)
    steps = STEP * np.eye(size)
    slope = np.array([against(at + s) - against(at - s) for s in steps]) / (2.0 * STEP)
    out = np.empty((size, size))
    for i, a in enumerate(steps):
        for j, b in enumerate(steps[: i + 1]):
            value = against(at + a + b) - against(at + a - b)
            value -= against(at - a + b) - against(at - a - b)
            out[i, j] = out[j, i] = value / (4.0 * STEP**2)
    values, vectors = np.linalg.eigh(out)
    return slope, np.asarray((vectors * np.maximum(values, 0.1)) @ vectors.T)


def _left_out(
    choices: Choices, weights: Array, each: list[tuple[Array, Array]]
) -> tuple[int, int, float]:
    """Return the number of lots, how many are right with each left out, and what is stated."""
    truth = np.array([of_lot for _share, of_lot in each])
    without = weights[:, None] / truth
    without = without / without.sum(axis=0)
    share = np.zeros(len(choices.lot))
    for j, (of_row, _truth) in enumerate(each):
        share = share + without[j, choices.lot] * of_row
    # rows of one line on several sides count together
    keys, row = np.unique(np.stack([choices.lot, choices.line]), axis=1, return_inverse=True)
    line = np.bincount(row.ravel(), share, minlength=keys.shape[1])
    chosen = np.zeros(keys.shape[1], bool)
    chosen[row.ravel()[choices.chosen]] = True
    order = np.lexsort((keys[1], -np.round(line, 9), keys[0]))
    top = order[np.flatnonzero(np.diff(keys[0][order], prepend=-1))]
    return len(top), int(chosen[top].sum()), float(np.round(line[top].sum(), 6))
