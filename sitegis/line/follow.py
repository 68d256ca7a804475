"""Follow the drain from mark to mark: a mixture over bends and over the scale of the noise.

A hypothesis is a Gaussian over where the drain passes a mark and how it goes on, given the bends
so far and the scale k of the crew's noise. Between two marks the drain goes straight or bends,
once, or twice where that alone explains the next mark, at places spread evenly: a Poisson
process of catalog bends. Each mark then weighs the hypotheses, its heavy tail as a mixture of
normals. So a bend that a single mark cannot show stays open, and any number can be found
(a Gaussian sum filter: Alspach and Sorenson 1972, from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..numerics.noise_scale import PRIOR_MEAN_SQUARE, SCALES, log_prior
from ..numerics.ordering import COVARIANCE, LOG, MATTERS_M, at_least, ordered
from ..numerics.records import join_rows, take_rows
from .bend_catalog import BENDS_PER_M, SIGNED_RAD, SIGNED_SD_RAD, SIGNED_WEIGHTS
from .states import (
    MOST_BENDS,
    Indices,
    State,
    advance,
    ahead_and_left,
    bend_states,
    likely_rows,
    log_density,
    prune,
    tail_nodes,
    weigh,
)
from .straights import BEND_MARK_SD_M, HALF_NORMAL_MEAN, HALF_NORMAL_SD, HEADING_SD_RAD, Marks

CELL_M, MOST_CELLS = 0.5, 8
"""Longest piece of a span whose bends are one Gaussian, and the most pieces of a span."""
MARKED_SHARE = 0.8
"""Probability that a point marked as a bend is one. Judgment, no source."""
BEHIND_M = 0.25
"""A bend may lie this far past the mark that it should come before: marks scatter."""
LEAST_START_M = 0.6
"""Two marks nearer than this give no direction to start with. Judgment."""
UNEXPLAINED = 7.0
"""A mark this unlikely (nats below its best) after one bend is tried with two."""
STRAY_SHARES, STRAY_VARIANCES = np.array([0.95, 0.05]), np.array([1.0, 25.0])
"""A count or heading in twenty is astray, five times as far off. Judgment, no source."""
COUNT_SCALE_SQUARE = PRIOR_MEAN_SQUARE
"""Counts keep the mean scale of the prior: they do not tell how well the head is found."""
TRIED_TWICE = 600
"""Ways with one bend that are tried with a second."""


def follow_drain(marks: Marks) -> State:
    """Follow the drain through all marks, (n >= 2) in downstream order.

    The weights of the rows sum to 1, the most probable first; ``log_weight`` before that sum is
    the log evidence but for what all rows share. Errors that all marks share (building,
    session) are left out of the spread: the last mark is the reference.
    """
    walk = _Walk(marks, _own_noise(marks), tail_nodes(marks.degrees_of_freedom))
    used = _apart_at_first(walk)
    state = _first_span(walk, used[0], used[1])
    for i in used[1:]:
        # the first span takes two marks at once: one alone gives no direction
        if i > used[1]:
            state = _to_mark(walk, state, i)
        state = _heading_update(_count_update(walk, state, i), float(marks.headings_rad[i]))
        if marks.bend_marks[i] and i < used[-1]:
            state = prune(_bend_at_mark(state, i))
    return take_rows(state, ordered(state.log_weight, LOG, descending=True))


@dataclass(frozen=True, slots=True)
class _Own:
    """Own noise of the marks: ``tape`` and ``receiver`` (n, 2, 2), ``session`` variance (n,)."""

    tape: Array
    receiver: Array
    session: Array


def _own_noise(marks: Marks) -> _Own:
    """Take the marks' errors against the last mark's: what is common moves all alike."""
    n = len(marks.xy)
    common = marks.covariance.reshape(n, 2, n, 2).transpose(0, 2, 1, 3).copy()
    # (n, n, 2, 2) blocks by pairs of marks, each mark's own part off the diagonal
    common[np.arange(n), np.arange(n)] -= marks.independent
    # one shift for all that the locator found in one session: it moves the drain, and bends nothing
    session = marks.session_sd_m**2 * np.outer(marks.received, marks.received)
    common -= session[:, :, None, None] * np.eye(2)
    own = common[np.arange(n), np.arange(n)]
    # the covariance of each mark's error less the last one's: var a + var b − 2 cov(a, b)
    tape = own + common[-1, -1] - common[:, -1] - common[-1, :]
    # a difference of estimates may come out a hair below 0, which no square root bears
    values, vectors = np.linalg.eigh(0.5 * (tape + tape.transpose(0, 2, 1)))
    tape = np.einsum("nik,nk,njk->nij", vectors, np.maximum(values, 0.0), vectors)
    received = marks.received[:, None, None]
    # a cleanout or stack is taped: its own part is the fitting's offset from the drain's axis, not
    # locator noise
    fittings = np.where(received, 0.0, marks.independent)
    # against the last mark the shared shift cancels, but for a mark of the other kind
    apart = marks.session_sd_m**2 * (marks.received != marks.received[-1])
    return _Own(tape + fittings, np.where(received, marks.independent, 0.0), apart.astype(float))


def shared_covariance(marks: Marks, scale_square: float) -> Array:
    """Return what all marks share (2, 2): the last mark's tape and building, and the session's.

    Parameters
    ----------
    marks
        Points of one pipe in downstream order, n of them.
    scale_square
        Factor on the locator's stated variance.

    Returns
    -------
    Array
        Covariance (2, 2), m².
    """
    # in the covariance the session stands once; a noisier crew has more of it
    block = marks.covariance[-2:, -2:] - marks.independent[-1]
    session = marks.session_sd_m**2 * bool(marks.received[-1])
    return np.asarray(block + session * (scale_square - 1.0) * np.eye(2))


@dataclass(frozen=True, slots=True)
class _Walk:
    """What every step needs: the marks, their own noise, the nodes of its tail."""

    marks: Marks
    own: _Own
    tails: tuple[Array, Array]

    def across(self, state: State, i: int) -> tuple[Array, Array]:
        """Return mark i's Gaussian and heavy-tailed variance (m,) across the drain."""
        direction = lot_direction(state.angle)
        normal = np.column_stack([-direction[:, 1], direction[:, 0]])
        squares = np.array(SCALES)[state.scale] ** 2
        tape = np.einsum("mi,ij,mj->m", normal, self.own.tape[i], normal)
        receiver = np.einsum("mi,ij,mj->m", normal, self.own.receiver[i], normal)
        return np.asarray(tape + squares * self.own.session[i]), np.asarray(squares * receiver)


def _cells(length_m: float) -> tuple[Array, float]:
    """Cut a span into cells: their middles (c,) and their size."""
    # fewer pieces than the length asks for widen each: a bounded number of hypotheses
    number = int(np.clip(np.ceil(length_m / CELL_M), 1, MOST_CELLS))
    size = length_m / number
    return np.asarray((np.arange(number) + 0.5) * size, float), size


def _apart_at_first(walk: _Walk) -> list[int]:
    """Choose the marks: of a first pair too close to give a direction, the better known one."""
    marks, used = walk.marks, list(range(len(walk.marks.xy)))
    while len(used) > 2 and np.hypot(*(marks.xy[used[1]] - marks.xy[used[0]])) < LEAST_START_M:
        first, second = (float(np.trace(walk.own.tape[i] + walk.own.receiver[i])) for i in used[:2])
        # of two known alike the second goes
        used.remove(used[1] if at_least(second, first, COVARIANCE) else used[0])
    return used


def _first_span(walk: _Walk, first: int, second: int) -> State:
    """Start at the first two marks: a direction even over the circle, no bend or one between.

    With a bend by φ, b past the first mark, the drain goes on at arcsin(b sin φ / L) to the left
    of the chord of length L (law of sines).
    """
    marks = walk.marks
    chord = marks.xy[second] - marks.xy[first]
    length = max(float(np.hypot(*chord)), 1e-6)
    at, size = _cells(length)
    kinds = SIGNED_RAD.size
    # first no bend at all (−1), then every bend of the catalog in every cell
    index = np.concatenate([[-1], np.tile(np.arange(kinds), at.size)])
    turn = np.where(index >= 0, SIGNED_RAD[index], 0.0)
    before = np.concatenate([[0.0], np.repeat(at, kinds)])
    logs = np.where(index >= 0, np.log(BENDS_PER_M * size * SIGNED_WEIGHTS[index]), 0.0)
    # law of sines in the triangle first mark, bend, second mark: the last straight's angle off the
    # chord
    off = np.arcsin(np.clip(before * np.sin(turn) / length, -1.0, 1.0))
    # length of the last straight from the second mark back to the foot of the first
    lever = length * np.cos(off)
    # length from the bend to the second mark
    rest = lever - before * np.cos(turn)
    # a drain does not turn back on itself within a span
    ahead = ~at_least(0.0, rest, MATTERS_M) & ~at_least(0.2 * length, lever, MATTERS_M)
    usable = np.flatnonzero(ahead)
    # every node of the noise scale starts with the same ways: the marks weigh the nodes
    scale = np.repeat(np.arange(len(SCALES)), usable.size)
    rows = np.tile(usable, len(SCALES))
    index, turn, before, lever, rest = (v[rows] for v in (index, turn, before, lever, rest))
    bent = index >= 0
    angle = np.arctan2(chord[1], chord[0]) + off[rows]
    count = float(marks.counts_m[first])
    known = np.isfinite(count)
    spans = np.full((rows.size, MOST_BENDS), -1)
    spans[:, 0] = np.where(bent, second, -1)
    turns = np.where(spans >= 0, index[:, None], -1)
    places = np.zeros((rows.size, MOST_BENDS, 2))
    # along the first straight, whose direction is the last one's less the turn
    places[:, 0] = marks.xy[first] + before[:, None] * lot_direction(angle - turn)
    state = State(
        foot=np.tile(marks.xy[second], (rows.size, 1)),
        angle=angle,
        count=(count if known else 0.0) + before + rest,
        spread=np.zeros((rows.size, 3, 3)),
        # Poisson: no other bend over this length; and the prior of the noise scale
        log_weight=logs[rows] - BENDS_PER_M * (before + rest) + log_prior(np.array(SCALES))[scale],
        scale=scale,
        spans=spans,
        turns=turns,
        at=places,
    )
    # two marks give place and direction: var of the angle = (var here + var there) / length²
    here, there = (sum(walk.across(state, i)) for i in (second, first))
    sine, cosine = np.sin(turn), np.cos(turn)
    # a bend anywhere in its cell: the variance of an even law is its width squared over 12
    place = np.where(bent, size**2 / 12.0, 0.0)
    # with both marks held a bend's own error turns the last straight the
    # more, the nearer it is to the second mark
    made = np.where(bent, SIGNED_SD_RAD[index] * (1.0 - rest / lever), 0.0)
    spread = state.spread
    spread[:, 0, 0] = here
    spread[:, 0, 1] = spread[:, 1, 0] = here / lever
    spread[:, 1, 1] = (here + cosine**2 * there + sine**2 * place) / lever**2 + made**2
    floor = marks.count_floor_m[first] ** 2 * COUNT_SCALE_SQUARE
    # without a footage to begin with 100 m are open, so that the first one read sets the zero
    spread[:, 2, 2] = (floor if known else 1e4) + _slack_variance(marks, length)
    return state


def _slack_variance(marks: Marks, length_m: Array | float) -> Array | float:
    """Return the variance of the cable's slack over a length."""
    return np.asarray((HALF_NORMAL_SD * marks.count_share * length_m) ** 2)


@dataclass(frozen=True, slots=True)
class _Options:
    """Ways on to a mark: the ``rows`` (m,) they start from, and their bend.

    ``index`` of the bend in the catalog (−1: none), the length ``before`` it, its cell, its
    prior and, with the mark, the log weight.
    """

    rows: Indices
    index: Indices
    before: Array
    cell_m: Array
    log_prior: Array
    log_weight: Array

    def go(self, state: State, span: int) -> State:
        """Follow the ways up to and past their bend."""
        straight = advance(take_rows(state, self.rows), self.before)
        gone = bend_states(straight, self.index, self.cell_m / np.sqrt(12.0), span)
        return replace(gone, log_weight=gone.log_weight + self.log_prior)


def _options(walk: _Walk, state: State, i: int, *, straight: bool = True) -> _Options:
    """List the ways on to mark i, straight and with every bend in every cell, and weigh them."""
    mark, m, kinds = walk.marks.xy[i], len(state.angle), SIGNED_RAD.size
    gap = np.hypot(*(mark - state.foot).T)
    # one number of cells for all rows keeps the table rectangular; each row has its own size
    cells = int(np.clip(np.ceil(np.median(gap) / CELL_M), 1, MOST_CELLS))
    open_rows = np.flatnonzero(state.bends < MOST_BENDS)
    rows = np.repeat(open_rows, cells * kinds)
    # in the middle of its cell; where in it is part of the spread
    share = np.repeat((np.arange(cells) + 0.5) / cells, kinds)
    before = (gap[open_rows, None] * share).ravel()
    index = np.tile(np.arange(kinds), open_rows.size * cells)
    if straight:
        rows = np.concatenate([np.arange(m), rows])
        before = np.concatenate([np.zeros(m), before])
        index = np.concatenate([np.full(m, -1), index])
    bent = index >= 0
    cell = np.where(bent, gap[rows] / cells, 0.0)
    turn = np.where(bent, SIGNED_RAD[index], 0.0)
    # the rows without a bend have a cell of 0, whose log is not taken up
    with np.errstate(divide="ignore"):
        prior = np.where(bent, np.log(BENDS_PER_M * cell * SIGNED_WEIGHTS[index]), 0.0)
    ahead, left = ahead_and_left(state, mark)
    sine, cosine = np.sin(turn), np.cos(turn)
    # the mark in the axes of the straight past the bend: ahead of it, and off it
    rest = cosine * (ahead[rows] - before) + sine * left[rows]
    off = cosine * left[rows] - sine * (ahead[rows] - before)
    place, mixed = state.spread[rows, 0, 0], state.spread[rows, 0, 1]
    angle = state.spread[rows, 1, 1]
    # how far the angle at the foot acts on the mark's offset, the bend between them
    lever = rest + before * cosine
    # the offset's variance: place and angle of the drain carried to the mark, then the bend's own
    # place and turn
    variance = cosine**2 * place + 2.0 * cosine * lever * mixed + lever**2 * angle
    variance = variance + sine**2 * cell**2 / 12.0
    variance = variance + np.where(bent, (rest * SIGNED_SD_RAD[index]) ** 2, 0.0)
    tape, receiver = walk.across(state, i)  # a mark's own noise is about round
    logs = log_density(off, variance + tape[rows], receiver[rows], walk.tails)
    # the Poisson process: its rate at the bend is in the prior, here that there is no other
    logs = logs + state.log_weight[rows] + prior - BENDS_PER_M * (before + rest)
    # a bend behind the mark is not one before it, but for what marks scatter
    keep = np.flatnonzero(~at_least(-BEHIND_M, rest, MATTERS_M))
    return take_rows(_Options(rows, index, before, cell, prior, logs), keep)


def _to_mark(walk: _Walk, state: State, i: int) -> State:
    """Go on to mark i, straight or with a bend, and weigh by how far off the drain it lies.

    Where neither explains it, two bends are tried; where it lies behind every way (its order is
    doubtful) the drain goes there all the same.
    """
    options = _options(walk, state, i)
    if not options.rows.size:
        return _across_update(walk, _arrive(walk, state, i), i)
    peak = float(state.log_weight.max())
    tape, receiver = walk.across(state, i)
    # the density that a mark right on the drain would have: what falls far short is unexplained
    peak -= 0.5 * float(np.log(2 * np.pi * np.min(tape + receiver)))
    likely = likely_rows(options.log_weight, state.scale[options.rows])
    found = take_rows(options, likely).go(state, i)
    if not at_least(UNEXPLAINED, peak - float(options.log_weight.max()), LOG):
        # without the bend's prior: a rare one may be half of the pair that fits
        order = ordered(options.log_weight - options.log_prior, LOG, descending=True)
        bent = take_rows(options, order[options.index[order] >= 0][:TRIED_TWICE])
        once = bent.go(state, i)
        twice = _options(walk, once, i, straight=False)
        if twice.rows.size:
            likely = likely_rows(twice.log_weight, once.scale[twice.rows])
            found = join_rows([found, take_rows(twice, likely).go(once, i)])
    return prune(_across_update(walk, _arrive(walk, found, i), i))


def _arrive(walk: _Walk, state: State, i: int) -> State:
    """Go straight on until abreast of mark i."""
    ahead, _ = ahead_and_left(state, walk.marks.xy[i])
    moved = advance(state, ahead)
    # a cable lies slack by a share of its length, never short: a half normal
    moved.spread[:, 2, 2] += _slack_variance(walk.marks, ahead)
    return moved


def _across_update(walk: _Walk, state: State, i: int) -> State:
    """Weigh by the distance of mark i from the drain; the tail's nodes collapse by moments."""
    _, left = ahead_and_left(state, walk.marks.xy[i])
    tape, receiver = walk.across(state, i)
    shares, variances = walk.tails
    return weigh(state, 0, left, tape[:, None] + receiver[:, None] * variances, shares)


def _count_update(walk: _Walk, state: State, i: int) -> State:
    """Weigh by the footage at mark i; a share of counts is astray."""
    marks = walk.marks
    if not np.isfinite(marks.counts_m[i]):
        return state
    # slack only adds footage: its mean is taken off, its spread is in _slack_variance
    shrink = 1.0 / (1.0 + HALF_NORMAL_MEAN * marks.count_share)
    off = marks.counts_m[i] * shrink - state.count
    # the mark's own error along the drain stands in its footage as well
    along = np.trace(walk.own.tape[i] + walk.own.receiver[i]) / 2.0
    own = (marks.count_floor_m[i] ** 2 + along) * COUNT_SCALE_SQUARE
    return weigh(state, 2, off, own * STRAY_VARIANCES, STRAY_SHARES)


def _heading_update(state: State, heading_rad: float) -> State:
    """Weigh by the axis of the head as read, which has no direction; a share is astray.

    It is read with the locator that finds the head, and shares the scale of its noise.
    """
    if not np.isfinite(heading_rad):
        return state
    # an axis, not an arrow: a half turn is no difference
    off = (heading_rad - state.angle + np.pi / 2) % np.pi - np.pi / 2
    own = (np.array(SCALES)[state.scale] * HEADING_SD_RAD) ** 2
    return weigh(state, 1, off, own[:, None] * STRAY_VARIANCES, STRAY_SHARES)


def _bend_at_mark(state: State, i: int) -> State:
    """Bend at a mark that says so, or not: such a mark is right with ``MARKED_SHARE``."""
    rows = np.repeat(np.arange(len(state.angle)), SIGNED_RAD.size)
    index = np.tile(np.arange(SIGNED_RAD.size), len(state.angle))
    # full slots take no further bend
    room = state.bends[rows] < MOST_BENDS
    rows, index = rows[room], index[room]
    bent = bend_states(take_rows(state, rows), index, np.full(index.size, BEND_MARK_SD_M), i)
    logs = bent.log_weight + np.log(MARKED_SHARE * SIGNED_WEIGHTS[index])
    # "left" as what is left over: the mark is wrong and the drain goes straight on
    left = replace(state, log_weight=state.log_weight + np.log(1.0 - MARKED_SHARE))
    return join_rows([replace(bent, log_weight=logs), left])
