"""Hypotheses of where a drain runs: Gaussians that are moved along, bent, weighed and pruned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc, gammaincinv

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..numerics.noise_scale import SCALES
from ..numerics.ordering import LOG, at_least, ordered
from ..numerics.records import take_rows
from .bend_catalog import BENDS_PER_M, SIGNED_RAD, SIGNED_SD_RAD

Indices = NDArray[np.int64]

# slots of every row, so that states are rectangular arrays; to more than these
# the rate of bends gives next to no probability
MOST_BENDS = 8
KEPT_WITHIN, KEPT_EACH = 11.0, 60
"""Hypotheses of one noise scale that are kept: within so many nats of its best, so many."""


@dataclass(frozen=True, slots=True)
class State:
    """Hypotheses, m rows: ``foot`` (m, 2), ``angle`` and ``count`` (m,), the footage.

    ``spread`` (m, 3, 3) of the drain's place left of the foot, the angle and the count.
    ``log_weight`` (m,); ``scale`` (m,) indices into the nodes of k. ``spans`` and ``turns``
    (m, 8): the bends so far, by the mark they come before (−1: none) and their index in the
    catalog; ``at`` (m, 8, 2) their places.
    """

    foot: Array
    angle: Array
    count: Array
    spread: Array
    log_weight: Array
    scale: Indices
    spans: Indices
    turns: Indices
    at: Array

    @property
    def bends(self) -> Indices:
        """Number of bends so far, (m,)."""
        return np.asarray((self.spans >= 0).sum(axis=1))


def tail_nodes(degrees_of_freedom: float) -> tuple[Array, Array]:
    """Return a Student-t of variance 1 as a mixture of normals: shares (j,) and variances (j,).

    The t is a normal whose precision is gamma; its range is cut at 40, 75, 93 and 98.5 %, each
    piece keeps its mean variance, so that the mixture's is exact.
    """
    if np.isinf(degrees_of_freedom):
        return np.ones(1), np.ones(1)
    half = 0.5 * degrees_of_freedom
    # cut at shares of the precision's gamma law: few pieces, most of them where the tail is
    from_above = 1.0 - np.array([0.40, 0.75, 0.93, 0.985])
    cuts = np.concatenate([[np.inf], gammaincinv(half, from_above), [0.0]])
    shares = -np.diff(gammainc(half, cuts))
    # E[1/precision] within a piece: the inverse of a gamma of shape a is one of shape a − 1
    means = -np.diff(gammainc(half - 1.0, cuts)) / shares
    return np.asarray(shares), np.asarray(means)


def advance(state: State, length_m: Array) -> State:
    """Go straight on: the drain's place moves by the angle's error times the length.

    Parameters
    ----------
    state
        Hypotheses of the drain so far, m rows.
    length_m
        Length to go (m,), m.

    Returns
    -------
    State
        The rows further on.
    """
    direction = lot_direction(state.angle)
    carry = np.broadcast_to(np.eye(3), state.spread.shape).copy()
    # left of the foot: place + angle × length
    carry[:, 0, 1] = length_m
    return replace(
        state,
        foot=state.foot + length_m[:, None] * direction,
        count=state.count + length_m,
        spread=carry @ state.spread @ carry.transpose(0, 2, 1),
        log_weight=state.log_weight - BENDS_PER_M * length_m,
    )


def bend_states(state: State, index: Indices, place_sd_m: Array, span: int) -> State:
    """Bend by catalog entries (m,), −1 for none, at the foot, whose place has a spread (m,).

    Parameters
    ----------
    state
        Hypotheses of the drain so far, m rows.
    index
        Entries of the catalog (m,), −1 for none.
    place_sd_m
        Standard deviation of the bend's place along the drain (m,), m.
    span
        The mark before which the bends lie.

    Returns
    -------
    State
        The rows after the bend.
    """
    bent = index >= 0
    turn = np.where(bent, SIGNED_RAD[index], 0.0)
    sine, cosine = np.sin(turn), np.cos(turn)
    carry = np.broadcast_to(np.eye(3), state.spread.shape).copy()
    # past a bend by φ an error across becomes one across (cos φ) and one along, which the footage
    # feels (−sin φ)
    carry[:, 0, 0], carry[:, 2, 0] = cosine, -sine
    spread = carry @ state.spread @ carry.transpose(0, 2, 1)
    # a bend that stands further on moves the drain aside by sin φ and shortens the path by 1 − cos
    # φ
    along = np.column_stack([-sine, np.zeros_like(sine), 1.0 - cosine]) * place_sd_m[:, None]
    spread += np.einsum("mi,mj->mij", along, along)
    spread[:, 1, 1] += np.where(bent, SIGNED_SD_RAD[index] ** 2, 0.0)
    # next free slot; callers bend only rows that have one
    slot = np.minimum(state.bends, MOST_BENDS - 1)[bent]
    rows = np.flatnonzero(bent)
    spans, turns, at = state.spans.copy(), state.turns.copy(), state.at.copy()
    spans[rows, slot], turns[rows, slot], at[rows, slot] = span, index[bent], state.foot[bent]
    angle = state.angle + turn
    return replace(state, angle=angle, spread=spread, spans=spans, turns=turns, at=at)


def weigh(state: State, part: int, off: Array, variances: Array, shares: Array) -> State:
    """Weigh by a reading of one part of the state that is ``off`` (m,), and move toward it.

    Its noise is a mixture of normals, ``variances`` (m, j) or (j,) with ``shares`` (j,); the
    mixture that follows is brought back to one normal of equal moments.

    Parameters
    ----------
    state
        Hypotheses of the drain so far, m rows.
    part
        0 for the place across, 1 for the angle, 2 for the footage.
    off
        Reading less state (m,).
    variances
        Variances of the reading's parts, (m, j) or (j,).
    shares
        Their shares (j,).

    Returns
    -------
    State
        The rows given the reading, their log weights renewed.
    """
    step, shrunk, whole = weigh_reading(state.spread[:, part, part], off, variances, shares)
    return move_states(state, part, step, shrunk, state.log_weight + whole)


def weigh_reading(
    spread: Array, off: Array, variances: Array, shares: Array
) -> tuple[Array, Array, Array]:
    """Return how a reading whose noise is a mixture of normals moves and shrinks a normal.

    Parameters
    ----------
    spread
        Variance (m,) of what is read.
    off
        Reading less its mean (m,).
    variances
        Variances of the noise's parts, (m, j) or (j,).
    shares
        Their shares (j,).

    Returns
    -------
    step
        Departure over variance (m,): the mean moves by ``spread`` times it.
    shrunk
        The variance loses ``spread``² times it (m,).
    log_evidence
        (m,).
    """
    total = spread[:, None] + variances
    logs = np.log(shares) - 0.5 * (np.log(2 * np.pi * total) + off[:, None] ** 2 / total)
    # the reading's evidence: Σ shares × N(off; 0, spread + variance)
    whole = np.logaddexp.reduce(logs, axis=1)
    share = np.exp(logs - whole[:, None])
    # Kalman gains, averaged over the pieces of the noise by their posterior shares
    inverse, second = np.sum(share / total, axis=1), np.sum(share / total**2, axis=1)
    # law of total variance: mean of the conditional variances plus the variance of the means
    return off * inverse, inverse - off**2 * (second - inverse**2), whole


def move_states(state: State, part: int, step: Array, shrunk: Array, log_weight: Array) -> State:
    """Move by gain times step and take the gain's share off the spread, (m,) each.

    Parameters
    ----------
    state
        Hypotheses of the drain so far, m rows.
    part
        0 for the place across, 1 for the angle, 2 for the footage.
    step
        Departure over its variance (m,).
    shrunk
        What is taken off the spread per squared gain (m,).
    log_weight
        Log weights (m,) that the rows get.

    Returns
    -------
    State
        The moved rows.
    """
    column = state.spread[:, :, part]
    move = column * step[:, None]
    # rank-one: what a reading of one part says of the others by their covariance
    spread = state.spread - shrunk[:, None, None] * np.einsum("mi,mj->mij", column, column)
    direction = lot_direction(state.angle)
    normal = np.column_stack([-direction[:, 1], direction[:, 0]])
    return replace(
        state,
        foot=state.foot + move[:, :1] * normal,
        angle=state.angle + move[:, 1],
        count=state.count + move[:, 2],
        spread=spread,
        log_weight=log_weight,
    )


def prune(state: State) -> State:
    """Keep the likely rows of every scale."""
    return take_rows(state, likely_rows(state.log_weight, state.scale))


def likely_rows(log_weight: Array, scale: Indices) -> Indices:
    """Choose rows of every scale: within e⁻¹¹ of its best, sixty at most.

    Parameters
    ----------
    log_weight
        Log weights (m,).
    scale
        Index of each row's noise scale (m,).

    Returns
    -------
    Indices
        Row indices (k,).
    """
    kept = []
    for node in range(len(SCALES)):
        rows = np.flatnonzero(scale == node)
        best = float(log_weight[rows].max(initial=-np.inf))
        # by steps and with a stated order: which rows stay must not hang on the last bit
        rows = rows[at_least(log_weight[rows], best - KEPT_WITHIN, LOG)]
        kept.append(rows[ordered(log_weight[rows], LOG, descending=True)][:KEPT_EACH])
    return np.concatenate(kept)


def ahead_and_left(state: State, mark: Array) -> tuple[Array, Array]:
    """Return how far ahead (m,) and how far left (m,) of the drain a mark lies.

    Parameters
    ----------
    state
        Hypotheses of the drain so far, m rows.
    mark
        Place (2,), m.

    Returns
    -------
    ahead
        Along the drain from the foot (m,), m.
    left
        Across it (m,), m.
    """
    gap = mark - state.foot
    direction = lot_direction(state.angle)
    left = direction[:, 0] * gap[:, 1] - direction[:, 1] * gap[:, 0]
    return np.sum(direction * gap, axis=1), left


def log_density(off: Array, plain: Array, tailed: Array, tails: tuple[Array, Array]) -> Array:
    """Return the log density of readings (m,) with a Gaussian and a heavy-tailed variance (m,).

    Parameters
    ----------
    off
        Residuals (m,).
    plain
        Gaussian variances (m,).
    tailed
        Variances of the heavy-tailed part (m,).
    tails
        Shares (j,) and variances (j,) of the unit tail.

    Returns
    -------
    Array
        Log densities (m,).
    """
    density, minus_half_square = np.zeros_like(off), -0.5 * off**2
    for share, spread in zip(*tails, strict=True):
        # only the locator's part has the heavy tail
        total = plain + spread * tailed
        density += share * np.exp(minus_half_square / total) / np.sqrt(2 * np.pi * total)
    return np.asarray(np.log(np.maximum(density, 1e-300)))
