"""Mixtures of Gaussian poses (x, y, angle): joined, and merged where they say the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array, wrap_radians
from ..late_dataclass import dataclass
from .ordering import MATTERS_P, at_least, ordered
from .records import join_rows, take_rows

__all__ = ["Poses", "join_poses", "merge_poses"]

Indices = NDArray[np.int64]
# judgment, no source: least share kept, of the largest; most Gaussians kept; how near means, and
# how alike spreads (variances to a factor of four) must be to be one
NEGLIGIBLE = 2e-4
MOST_COMPONENTS = 60
_MERGE_SQUARE, _LIKE_SIZES = 1.0, float(np.log(4.0))


@dataclass(frozen=True, slots=True)
class Poses:
    """Gaussians of a pose, m rows: ``weights`` (m,), ``means`` (m, 3) of x, y, angle.

    ``covariances`` (m, 3, 3). ``kinds`` (m,): what may not be merged (the wall of an exit, the
    bends before an end), nor may what has other ``marks_after`` (m,), marks after the last bend;
    ``turns_deg`` (m,) of an exit's unseen bend; ``lengths_m`` (m,) from the drain's end.
    """

    weights: Array
    means: Array
    covariances: Array
    kinds: Indices
    marks_after: Indices
    turns_deg: Array
    lengths_m: Array


def join_poses(parts: list[Poses]) -> Poses:
    """Join rows and bring the weights to a sum of 1."""
    joined = join_rows(parts)
    total = max(float(joined.weights.sum()), 1e-300)
    return replace(joined, weights=joined.weights / total)


def merge_poses(poses: Poses) -> Poses:
    """Merge Gaussians that say the same into one of equal moments; most probable first.

    Rows join the most probable one before them of the same kind with the same bend and as many
    marks after the last one, whose mean lies within one sigma (Mahalanobis, both covariances), and
    whose place is spread as widely, to a factor of two. Rows below a share of 0.0002,
    and past the sixtieth, are left out; others with the same bend and marks take their weight, so
    that each stays as probable as it was.
    """
    # shares of every bend before anything is dropped, to be restored at the end
    labels, before = np.unique(_bend_labels(poses), return_inverse=True)
    shares = np.bincount(before, poses.weights, minlength=labels.size)
    order = ordered(poses.weights, MATTERS_P, descending=True)
    order = order[at_least(poses.weights[order], NEGLIGIBLE * float(poses.weights.max()))]
    poses = take_rows(poses, order)
    # plus 1 mm², so that exact places have a ratio
    sizes = np.trace(poses.covariances[:, :2, :2], axis1=1, axis2=2) + 1e-6
    heads: list[int] = []
    member = np.empty(order.size, dtype=np.int64)
    for row in range(order.size):
        member[row] = len(heads)
        if heads:
            index = np.array(heads)
            away = poses.means[row] - poses.means[index]
            away[:, 2] = wrap_radians(away[:, 2])
            # the least bit of variance keeps poses that are known exactly solvable
            both = poses.covariances[row] + poses.covariances[index] + 1e-12 * np.eye(3)
            # Mahalanobis distance squared of the means, by the sum of both covariances
            square = np.einsum("mi,mi->m", away, np.linalg.solve(both, away[..., None])[..., 0])
            same = poses.kinds[index] == poses.kinds[row]
            same &= poses.marks_after[index] == poses.marks_after[row]
            same &= ~at_least(np.abs(np.log(sizes[index] / sizes[row])), _LIKE_SIZES)
            same &= ~at_least(square, _MERGE_SQUARE)
            same &= np.abs(poses.turns_deg[index] - poses.turns_deg[row]) < 1.0
            if same.any():
                # the first is the most probable, for heads are found in that order
                member[row] = int(np.argmax(same))
                continue
        heads.append(row)
    merged = _merged(poses, np.array(heads), member)
    # np.unique sorts: a binary search finds each label again
    after = np.searchsorted(labels, _bend_labels(merged))
    left = np.bincount(after, merged.weights, minlength=labels.size)
    # what was dropped goes to those with the same bend, so that P(bend) stays
    weights = merged.weights * (shares / np.where(left > 0.0, left, 1.0))[after]
    order = ordered(weights, MATTERS_P, descending=True)
    return join_poses([take_rows(replace(merged, weights=weights), order)])


def _bend_labels(poses: Poses) -> Array:
    """Label the rows by their bend and the marks after the last one."""
    return np.asarray(np.round(poses.turns_deg, 3) + 1000.0 * poses.marks_after)


def _merged(poses: Poses, heads: NDArray[np.int64], member: NDArray[np.int64]) -> Poses:
    """Match the moments of every group; the most probable sixty."""
    number = heads.size
    weights = np.asarray(np.bincount(member, poses.weights, minlength=number), float)
    share = poses.weights / weights[member]
    # about the head, not about 0: angles on both sides of ±π would average to nonsense
    away = poses.means - poses.means[heads][member]
    away[:, 2] = wrap_radians(away[:, 2])
    shift = np.zeros((number, 3))
    np.add.at(shift, member, share[:, None] * away)
    away = away - shift[member]
    covariances = np.zeros((number, 3, 3))
    # moment matching: mean of the covariances plus the spread of the means
    second = poses.covariances + np.einsum("mi,mj->mij", away, away)
    np.add.at(covariances, member, share[:, None, None] * second)
    lengths = np.asarray(np.bincount(member, share * poses.lengths_m, minlength=number), float)
    merged = Poses(
        weights=weights,
        means=poses.means[heads] + shift,
        covariances=covariances,
        kinds=poses.kinds[heads],
        marks_after=poses.marks_after[heads],
        turns_deg=poses.turns_deg[heads],
        lengths_m=lengths,
    )
    order = ordered(weights, MATTERS_P, descending=True)[:MOST_COMPONENTS]
    return take_rows(merged, order)
