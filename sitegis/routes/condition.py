"""Exit poses drawn with a find in mind: the pose's Gaussian conditioned on what was found.

A find of 1 cm leaves hardly a draw of the prior with any weight. So poses are drawn from a
mixture of arms: the prior, and that Gaussian given that the first straight passes the find (or
each of two finds, or that a later straight runs along two), each a linear observation of the pose
(Kalman; the Schur complement of the joint covariance). The weight is prior / whole mixture
(deterministic mixture; Hesterberg 1995 and Elvira et al., arXiv 1511.03095, the first from
memory), so that it never exceeds 1 / the prior's share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..evidence import Aim
from ..finds.kinds import BEND_PLAY_RAD
from ..geometry.frames import Array, lot_direction, wrap_radians
from ..numerics.ordering import RATIO, on_lattice, ordered
from ..numerics.statistics import square_root

__all__ = [
    "MOST_FINDS",
    "PRIOR_SHARE_BENT",
    "PRIOR_SHARE_STRAIGHT",
    "Arms",
    "component_shares",
    "draw_given",
    "first_straight_arms",
    "heading_arms",
    "nearest_first",
]

MOST_FINDS = 4
"""The most precise ones that poses are conditioned on; all are weighed."""
PRIOR_SHARE_STRAIGHT, PRIOR_SHARE_BENT = 0.2, 0.4
"""Share of draws left to the prior, for routes without a bend and with some. Judgment."""
WIDENED, LINEAR_M = 2.0, 0.01
"""The proposal is wider than the find: by this factor, and by what linearizing may leave."""
AHEAD_M = 0.1
ROUNDS = 4
_COMPONENT_SHARE = 0.5  # of the proposal over the exit's components that stays with the prior


@dataclass(frozen=True, slots=True)
class Arms:
    """Gaussians of standardized poses z (pose = mean + root z), arms of c components.

    ``means`` (c, a, 3), ``precisions`` (c, a, 3, 3), ``usable`` (c, a); ``log_fit`` (c, a) is the
    log density of what is observed under the component's own Gaussian.
    """

    means: Array
    precisions: Array
    usable: NDArray[np.bool_]
    log_fit: Array


def nearest_first(aims: Sequence[Aim]) -> list[Aim]:
    """Return the aims that poses are conditioned on: the ``MOST_FINDS`` most precise ones."""
    order = ordered([aim.sd_m for aim in aims], RATIO)
    return [aims[i] for i in order[:MOST_FINDS]]


def first_straight_arms(means: Array, roots: Array, aims: Sequence[Aim]) -> Arms:
    """Condition every component on each find, each two finds, and all, on the first straight.

    ``means`` (c, 3) of x, y, angle and the roots (c, 3, 3) of its covariances. What is observed
    is that the find lies 0 beside the line through x, y at the angle; linearized anew about the
    conditioned mean a few times. A find behind the wall leaves its arm unusable.

    Parameters
    ----------
    means
        Means (c, 3) of x, y in m and angle in rad.
    roots
        Symmetric roots (c, 3, 3) of their covariances.
    aims
        The finds.

    Returns
    -------
    Arms
        One conditioned Gaussian per component and arm.
    """
    sets = [s for size in (1, 2, len(aims)) for s in combinations(range(len(aims)), size)]
    sets = list(dict.fromkeys(s for s in sets if s))
    points = np.stack([aim.point for aim in aims])
    noise = np.array([(WIDENED * aim.sd_m) ** 2 + LINEAR_M**2 for aim in aims])
    parts = [_arm(means, roots, points[list(s)], noise[list(s)]) for s in sets]
    return Arms(
        np.stack([part[0] for part in parts], axis=1),
        np.stack([part[1] for part in parts], axis=1),
        np.stack([part[2] for part in parts], axis=1),
        np.stack([part[3] for part in parts], axis=1),
    )


def _arm(
    means: Array, roots: Array, points: Array, noise: Array
) -> tuple[Array, Array, NDArray[np.bool_], Array]:
    """Condition components on points (k, 2) beside the line, variance ``noise`` (k,)."""
    z = np.zeros((len(means), 3))
    for _ in range(ROUNDS):
        beside, rate, ahead = _beside(means + np.einsum("cij,cj->ci", roots, z), points)
        seen = np.einsum("cki,cij->ckj", rate, roots)
        spread = seen @ seen.swapaxes(1, 2) + np.diag(noise)
        # the residual at the linearization's own origin, z = 0
        misfit = np.einsum("ckj,cj->ck", seen, z) - beside
        z = np.einsum("ckj,ck->cj", seen, np.linalg.solve(spread, misfit[..., None])[..., 0])
    precision = np.eye(3) + np.einsum("cki,k,ckj->cij", seen, 1.0 / noise, seen)
    square = np.einsum("ck,ck->c", misfit, np.linalg.solve(spread, misfit[..., None])[..., 0])
    log_fit = -0.5 * (square + np.linalg.slogdet(2.0 * np.pi * spread)[1])
    usable = np.asarray((ahead > AHEAD_M).all(axis=1), bool)
    return on_lattice(z, RATIO), on_lattice(precision, RATIO), usable, log_fit


def _beside(poses: Array, points: Array) -> tuple[Array, Array, Array]:
    """Return how far points (k, 2) lie left of the lines at poses (c, 3), its rate, how far ahead.

    (c, k), (c, k, 3) and (c, k).
    """
    along = lot_direction(poses[:, 2])
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    gap = points[None] - poses[:, None, :2]
    beside = np.einsum("ckj,cj->ck", gap, left)
    ahead = np.einsum("ckj,cj->ck", gap, along)
    rate = np.concatenate(
        [np.broadcast_to(-left[:, None], (*beside.shape, 2)), -ahead[..., None]], axis=2
    )
    return beside, rate, ahead


def component_shares(weights: Array, arms: Arms) -> Array:
    """Return shares (c,) by which to draw components: half by weight, half as the finds suit.

    Parameters
    ----------
    weights
        Weights of the components (c,).
    arms
        The conditioned Gaussians.

    Returns
    -------
    Array
        Shares (c,), summing to 1.
    """
    log_fit = np.where(arms.usable, arms.log_fit, -np.inf).max(axis=1)
    best = float(log_fit.max())
    if best == -np.inf:
        return weights
    suits = weights * np.exp(log_fit - best)
    mixed = _COMPONENT_SHARE * weights + (1.0 - _COMPONENT_SHARE) * suits / suits.sum()
    return np.asarray(on_lattice(mixed, RATIO) + RATIO)


def heading_arms(
    expected: Array, root_rows: Array, headings: Array, aims: Sequence[Aim]
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Condition each row's angle on two finds that a later straight runs along.

    ``expected`` (n,) angles of the components' means, ``root_rows`` (n, 3) of their roots,
    ``headings`` (n, b) of the straights after each bend (nan where there is none). Gives means
    (n, a, 3), precisions (n, a, 3, 3) and which are usable.

    Parameters
    ----------
    expected
        Mean angle of each row's component (n,), rad.
    root_rows
        Its root's row of the angle (n, 3).
    headings
        Turn of each later straight against the first (n, b), rad; nan for none.
    aims
        The finds.

    Returns
    -------
    means
        Standardized (n, a, 3).
    precisions
        (n, a, 3, 3).
    usable
        Mask (n, a).
    """
    means, precisions, usable = [], [], []
    variance = np.einsum("ni,ni->n", root_rows, root_rows)
    for one, other in combinations(aims, 2):
        gap = other.point - one.point
        reach = max(float(np.hypot(*gap)), 1e-6)
        noise = (WIDENED * np.hypot(one.sd_m, other.sd_m) / reach) ** 2 + (LINEAR_M / reach) ** 2
        noise += BEND_PLAY_RAD**2
        bearing = float(np.arctan2(gap[1], gap[0]))
        for column in headings.T:
            off = wrap_radians(bearing - column - expected)
            # the straight runs from one find to the other, or the other way
            off = np.where(np.abs(off) > 0.5 * np.pi, wrap_radians(off + np.pi), off)
            gain = off / (variance + noise)
            means.append(gain[:, None] * root_rows)
            precisions.append(np.eye(3) + root_rows[:, :, None] * root_rows[:, None, :] / noise)
            usable.append(np.isfinite(off) & (off**2 < 16.0 * (variance + noise)))
    return (
        np.nan_to_num(np.stack(means, axis=1)),
        np.stack(precisions, axis=1),
        np.stack(usable, axis=1),
    )


def draw_given(
    arms: tuple[Array, Array, NDArray[np.bool_]],
    prior_share: Array,
    normals: Array,
    uniforms: Array,
) -> tuple[Array, Array]:
    """Draw standardized poses (n, 3) from the mixture of prior and arms, with log prior / mixture.

    ``arms``: means (n, a, 3), precisions (n, a, 3, 3), usable (n, a). ``normals`` (n, 2) and
    ``uniforms`` (n,): the latter choose the arm, what is left of them is the third normal.

    Parameters
    ----------
    arms
        Means (n, a, 3), precisions (n, a, 3, 3) and usable (n, a).
    prior_share
        Share of each row that is drawn from the prior.
    normals
        Standard normal draws (n, 2).
    uniforms
        Draws (n,) in [0, 1).

    Returns
    -------
    poses
        Standardized (n, 3).
    log_ratio
        Log of prior over mixture (n,).
    """
    means, precisions, usable = arms
    number = usable.sum(axis=1)
    stay = np.where(number > 0, prior_share, 1.0)
    each = (1.0 - stay) / np.maximum(number, 1)
    past = np.maximum(uniforms - stay, 0.0) / np.where(each > 0.0, each, 1.0)
    rank = np.minimum(past.astype(np.int64), np.maximum(number - 1, 0))
    picked = np.argsort(~usable, axis=1, kind="stable")[np.arange(len(rank)), rank]
    own = (uniforms < stay) | (number == 0)
    within = np.where(own, uniforms / stay, past - rank)
    draw = np.column_stack([normals, ndtri(np.clip(within, 1e-12, 1.0 - 1e-9))])
    rows = np.arange(len(rank))
    precision = np.where(own[:, None, None], np.eye(3), precisions[rows, picked])
    center = np.where(own[:, None], 0.0, means[rows, picked])
    z = center + np.einsum("nij,nj->ni", square_root(np.linalg.inv(precision)), draw)
    away = z[:, None] - means
    log_arm = -0.5 * np.einsum("nai,naij,naj->na", away, precisions, away)
    log_arm += 0.5 * np.linalg.slogdet(precisions)[1]
    log_prior = -0.5 * np.einsum("ni,ni->n", z, z)
    over = np.where(usable, log_arm - log_prior[:, None], -np.inf)
    most = np.maximum(over.max(axis=1), 0.0)  # an arm may lie where the prior hardly is
    mixture = stay * np.exp(-most) + each * np.exp(over - most[:, None]).sum(axis=1)
    return z, -(most + np.log(mixture))
