"""How many bends, which and where: the mixture of the drain's ends, and the likeliest chain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..geometry.frames import Array, lot_direction, wrap_radians
from ..late_dataclass import dataclass
from ..model.results import LineEnd
from ..numerics.mixture import Poses, merge_poses
from ..numerics.noise_scale import SCALES, NoiseScale, log_prior, scale_of_nodes
from ..numerics.ordering import MATTERS_M, MATTERS_P, ordered, smallest
from ..numerics.statistics import log_sum, normalized_weights
from .bend_catalog import SIGNED_RAD, SIGNED_SD_RAD
from .follow import follow_drain, shared_covariance
from .states import Indices, State
from .straights import Chain, Marks, bend_vertices, fit_chain

# a mark farther from the vertex than this is of another bend; judgment, no source
_TIE_REACH_M = 0.75


@dataclass(frozen=True, slots=True)
class PlanFit:
    """The likeliest chain of straights, where the drain may end, and what was learned.

    ``best`` is fitted with the noise as learned; ``ends`` is the whole distribution of the end;
    ``end_covariance`` (3, 3) its second moment of x, y, angle about the best chain's end;
    ``log_evidence_by_bends`` ln(prior × evidence) per number of bends, up to what all share;
    ``noise`` the scale of the plan's noise. ``chains``: likely chains with their shares, the first
    of them ``best``, as many as asked for.
    """

    best: Chain
    ends: tuple[LineEnd, ...]
    log_evidence_by_bends: dict[int, float]
    end_covariance: Array
    noise: NoiseScale
    chains: tuple[tuple[float, Chain], ...]


def fit_plan(marks: Marks, *, most: int = 1) -> PlanFit:
    """Follow the drain over all bends and noise scales, and fit the likeliest chain in full.

    The mixture of ends comes from :func:`~sitegis.line.follow.follow_drain`, chains that came to
    the same end merged; the chain shown has the likeliest bends and is fitted to all marks at
    once (:func:`~sitegis.line.straights.fit_chain`). ``most``: how many chains that bend between
    other marks are fitted.

    Parameters
    ----------
    marks
        Points of one pipe in downstream order, n of them.
    most
        Number of chains that are fitted in full.

    Returns
    -------
    PlanFit
        The chain shown, the mixture of ends and the learned scale.
    """
    state = follow_drain(marks)
    weights = normalized_weights(state.log_weight)
    nodes = np.array(
        [log_sum(state.log_weight[state.scale == node]) for node in range(len(SCALES))]
    )
    # the rows carry the prior of the node already, and scale_of_nodes brings its own
    noise = scale_of_nodes("plan", nodes - log_prior(np.array(SCALES)))
    ends = _ends(state, weights, marks)
    counts = sorted(set(state.bends.tolist()))
    evidence = {n: log_sum(state.log_weight[state.bends == n]) for n in counts}
    chains = tuple(
        (share, _chain_of(state, row, marks, noise.mean_square))
        for share, row in _likeliest_rows(state, weights, most)
    )
    best = chains[0][1]
    return PlanFit(best, ends, evidence, _about(best.end, ends), noise, chains)


def _ends(state: State, weights: Array, marks: Marks) -> tuple[LineEnd, ...]:
    """Merge the hypotheses' ends, each with the errors that all marks share."""
    direction = lot_direction(state.angle)
    left = np.column_stack([-direction[:, 1], direction[:, 0]])
    # from (left of the foot, angle) to (x, y, angle)
    lift = np.zeros((len(weights), 3, 2))
    lift[:, :2, 0], lift[:, 2, 1] = left, 1.0
    covariances = lift @ state.spread[:, :2, :2] @ lift.transpose(0, 2, 1)
    for node, scale in enumerate(SCALES):
        rows = state.scale == node
        covariances[rows, :2, :2] += shared_covariance(marks, scale**2)
    # How far along the drain its end lies is as well known as its last mark.
    own = np.einsum("mi,ij,mj->m", direction, marks.independent[-1], direction)
    covariances[:, :2, :2] += own[:, None, None] * np.einsum("mi,mj->mij", direction, direction)
    none = np.zeros(len(weights))
    merged = merge_poses(
        Poses(
            weights=weights,
            means=np.column_stack([state.foot, state.angle]),
            covariances=covariances,
            kinds=state.bends,
            marks_after=_marks_after(state, marks),
            turns_deg=none,
            lengths_m=none,
        )
    )
    return tuple(
        LineEnd(float(weight), mean, covariance, int(bends), int(after))
        for weight, mean, covariance, bends, after in zip(
            merged.weights,
            merged.means,
            merged.covariances,
            merged.kinds,
            merged.marks_after,
            strict=True,
        )
    )


def _marks_after(state: State, marks: Marks) -> Indices:
    """Count the marks after each row's last bend (m,): 2 for two or more, and for no bend.

    A mark that says it is a bend is none after it.
    """
    # the mark after each row's last bend; −1 where it has none
    last = state.spans.max(axis=1)
    at_mark = marks.bend_marks[np.maximum(last, 0)]
    return np.where(last < 0, 2, np.minimum(len(marks.xy) - last - at_mark, 2))


def _about(end: Array, ends: tuple[LineEnd, ...]) -> Array:
    """Return the second moment (3, 3) of the ends about one."""
    total = np.zeros((3, 3))
    for part in ends:
        away = part.mean - end
        away[2] = wrap_radians(away[2])
        total += part.weight * (part.covariance + np.outer(away, away))
    return total


def _likeliest_rows(state: State, weights: Array, most: int) -> list[tuple[float, int]]:
    """Choose the likeliest bends, then the likeliest of what bends between other marks.

    Gives row and share of each: that of all which bend between the same marks, whatever their
    turns. Of equal ones the first in the order of their bends.
    """
    kinds = np.concatenate([state.spans, state.turns], axis=1)
    listed, first, member = np.unique(kinds, axis=0, return_index=True, return_inverse=True)
    # one kind comes at every noise scale and by many places: all of them count for it
    total = np.bincount(np.asarray(member).ravel(), weights)
    _, where = np.unique(listed[:, : state.spans.shape[1]], axis=0, return_inverse=True)
    where = np.asarray(where).ravel()
    shares, seen, chosen = np.bincount(where, total), set[int](), list[tuple[float, int]]()
    for kind in ordered(total, MATTERS_P, descending=True):
        if len(chosen) < most and int(where[kind]) not in seen:
            seen.add(int(where[kind]))
            chosen.append((float(shares[where[kind]]), int(first[kind])))
    return chosen


def _chain_of(state: State, row: int, marks: Marks, square: float) -> Chain:
    """Fit the chain with a row's bends, the locator's noise as learned."""
    # the learned scale concerns what was located; taped points keep their spread
    factor = np.where(marks.received, square - 1.0, 0.0)
    more = np.zeros_like(marks.covariance)
    for i, share in enumerate(factor):
        own = slice(2 * i, 2 * i + 2)
        more[own, own] = share * marks.independent[i]
    scaled = replace(
        marks,
        covariance=marks.covariance + more,
        independent=marks.independent * (1.0 + factor)[:, None, None],
    )
    number = int(state.bends[row])
    kinds = state.turns[row, :number]
    turns = SIGNED_RAD[kinds]
    # as many bends as come before a mark, on that straight it lies
    segment = np.sum(np.arange(len(marks.xy))[:, None] >= state.spans[row, :number], axis=1)
    first = float(state.angle[row]) - float(turns.sum())
    start = _start(scaled, segment, first, turns, state.at[row, :number])
    return fit_chain(
        scaled,
        segment,
        start,
        nominal_rad=turns,
        nominal_sd_rad=SIGNED_SD_RAD[kinds],
        ties=_ties(marks, start),
        tolerance=1e-6,
    )


def _start(marks: Marks, segment: Indices, first: float, turns: Array, places: Array) -> Array:
    """Return parameters to start from: a straight without a mark holds the bend before it."""
    angles = first + np.concatenate([[0.0], np.cumsum(turns)])
    constants = []
    for j, angle in enumerate(angles):
        own = marks.xy[segment == j]
        # without marks of its own a straight goes through the bend that opens it
        points = own if len(own) else places[j - 1 : j]
        constants.append(
            float(np.mean(points[:, 1] * np.cos(angle) - points[:, 0] * np.sin(angle)))
        )
    return np.concatenate([[first], turns, constants])


def _ties(marks: Marks, start: Array) -> tuple[tuple[int, int], ...]:
    """Pair each bend with the marked bend next to it, within reach, each once."""
    marked = np.flatnonzero(marks.bend_marks)
    if not marked.size:
        return ()
    corners = bend_vertices(start)
    pairs: list[tuple[int, int]] = []
    for vertex, corner in enumerate(corners):
        away = np.hypot(*(marks.xy[marked] - corner).T)
        near = smallest(away, MATTERS_M)
        if away[near] < _TIE_REACH_M and marked[near] not in [mark for _, mark in pairs]:
            pairs.append((vertex, int(marked[near])))
    return tuple(pairs)
