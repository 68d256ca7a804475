"""Ways a run's own pipe may lie: straight or with bends, from a place with a direction.

A way says where the pipe ends downstream (a wye, or its last point), which way the water goes
there, and where it bends upstream of that, once or twice. Given a way, all else is linear: what
the readings say of it follows from one covariance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from ..geometry.frames import Array, lot_direction
from ..line.catalogue import BENDS_PER_M, SIGNED_RAD, SIGNED_SD_RAD, SIGNED_WEIGHTS
from ..line.straights import (
    HALF_NORMAL_MEAN,
    HALF_NORMAL_SD,
    Marks,
    tail_weight,
)
from ..numerics.noise_scale import PRIOR_MEAN_SQUARE, SCALES, log_prior
from ..numerics.ordering import LOG, at_least, ordered
from ..numerics.records import join_rows, take_rows

Indices = NDArray[np.int64]

BEND_CELLS = 8
CELL_SPREAD = 0.5
"""Sd of a cell's normal as a share of the cell: so spaced, they sum to an even spread to 1.5 %."""
"""Pieces of a run's own pipe in which a bend may lie."""
OWN_BENDS = 2
"""Most bends of a run's own pipe: a branch under a slab is a few meters long."""
CALLS_FOR, TRIED_TWICE = 3.0, 60
"""A second bend is tried upstream of so many ways with one, where the best way leaves more nats
than a bend costs (its rate times some meters) unexplained."""
LIKELY_WITHIN, FIRST_WITHIN = 10.0, 12.0
MOST_WAYS, MOST_FIRST = 150, 1000
ALLOWED_M, ALLOWED_SLANT = 0.12, 0.05
"""What a first choice among ways allows for besides the marks' noise: a cell's place, an angle."""
ORDER_SD_M = 0.20
"""How far a mark may lie on the wrong side of a wye or a bend: marks scatter. Judgment."""
WYE_SEEN_SD_M = 0.15
"""How well the camera tells the footage of a wye ahead of it. Judgment, no source."""
_WHITE, _SILENT_M = 1e-6, 1e3


@dataclass(frozen=True, slots=True)
class Ways:
    """m ways: ``ends`` (m, 2), ``angles`` (m,) of flow there, ``log_prior`` (m,).

    ``end_rows`` (m, 2, q) and ``angle_rows`` (m, q): how end and direction move with the q unknowns
    of covariance ``unknowns`` (m, q, q), the last four of which are place and angle of each bend.
    ``bend_at`` (m, 2) is the length upstream to a bend from what is before it, inf for none,
    ``bend_rad`` its turn;
    ``stations`` (m,) of the end on the pipe joined, ``label`` (m,) the kind of fitting; only from
    what is ``made`` (m,) a bend is tried too: a free angle explains a bend next to it.
    """

    ends: Array
    angles: Array
    log_prior: Array
    end_rows: Array
    angle_rows: Array
    unknowns: Array
    bend_at: Array
    bend_rad: Array
    stations: Array
    label: Indices
    made: NDArray[np.bool_]


def with_bends(ways: Ways, farthest: Array) -> Ways:
    """Give straight ways again, and each with one bend of the catalogue anywhere upstream.

    ``farthest`` (2,) is the most upstream mark; the bend's place is spread evenly over the length
    to it, at the rate of bends per meter of :mod:`sitegis.line.catalogue`.
    """
    length = np.hypot(*(ways.ends - farthest).T)
    plain = replace(ways, log_prior=ways.log_prior - BENDS_PER_M * length)
    made = np.flatnonzero(ways.made)
    return join_rows([plain, _bent(take_rows(plain, made), length[made], 0)])


def with_second_bends(ways: Ways, farthest: Array) -> Ways:
    """Give ways with one bend a second one anywhere upstream of it, as :func:`with_bends`."""
    corners = ways.ends - ways.bend_at[:, :1] * lot_direction(ways.angles)
    return _bent(ways, np.hypot(*(corners - farthest).T), 1)


def _bent(ways: Ways, length: Array, slot: int) -> Ways:
    """Give each way (m,) every bend in every cell of a length (m,) upstream of what it has."""
    m, kinds = len(ways.angles), SIGNED_RAD.size
    rows = np.repeat(np.arange(m), BEND_CELLS * kinds)
    share = np.tile(np.repeat((np.arange(BEND_CELLS) + 0.5) / BEND_CELLS, kinds), m)
    index = np.tile(np.arange(kinds), m * BEND_CELLS)
    size = length[rows] / BEND_CELLS
    bent = take_rows(ways, rows)
    place = 2 * (slot - OWN_BENDS)
    bent.unknowns[:, place, place] = (CELL_SPREAD * size) ** 2
    bent.unknowns[:, place + 1, place + 1] = SIGNED_SD_RAD[index] ** 2
    bent.bend_at[:, slot], bent.bend_rad[:, slot] = share * length[rows], SIGNED_RAD[index]
    with np.errstate(divide="ignore"):
        chance = np.log(BENDS_PER_M * size * SIGNED_WEIGHTS[index])
    return replace(bent, log_prior=bent.log_prior + chance)


@dataclass(frozen=True, slots=True)
class Placed:
    """How n own marks lie to m ways: ``across`` and ``upstream`` (m, n) with what they rest on.

    ``across_rows`` and ``upstream_rows`` (m, n, q) by the unknowns; ``normals`` and ``along``
    (m, n, 2) by the marks' own places.
    """

    across: Array
    upstream: Array
    across_rows: Array
    upstream_rows: Array
    normals: Array
    along: Array


def place_on(ways: Ways, xy: Array) -> Placed:
    """Place own marks (n, 2) on ways: offset (left positive) and length upstream of the end."""
    origin, angle, gone = ways.ends, ways.angles, np.zeros(len(ways.angles))
    moves, turns, goes = ways.end_rows, ways.angle_rows, np.zeros_like(ways.angle_rows)
    past, found = np.ones((len(gone), len(xy)), bool), None
    for slot in range(OWN_BENDS + 1):
        flow = lot_direction(angle)
        left = np.stack([-flow[:, 1], flow[:, 0]], axis=-1)
        gap = xy[None] - origin[:, None]
        back = -np.einsum("mni,mi->mn", gap, flow)
        across_rows = back[..., None] * turns[:, None]
        across_rows = across_rows - np.einsum("mi,miq->mq", left, moves)[:, None]
        back_rows = goes + np.einsum("mi,miq->mq", flow, moves)
        here = (
            np.einsum("mni,mi->mn", gap, left),
            gone[:, None] + back,
            across_rows,
            np.broadcast_to(back_rows[:, None], across_rows.shape),
            np.broadcast_to(left[:, None], gap.shape),
            np.broadcast_to(-flow[:, None], gap.shape),
        )
        found = (
            here
            if found is None
            else tuple(
                np.where(past if new.ndim == 2 else past[..., None], new, old)
                for new, old in zip(here, found, strict=True)
            )
        )
        if slot == OWN_BENDS:
            break
        past = past & (back > ways.bend_at[:, slot, None])
        at = np.where(np.isfinite(ways.bend_at[:, slot]), ways.bend_at[:, slot], 0.0)
        place, turn = np.zeros_like(turns), np.zeros_like(turns)
        place[:, 2 * (slot - OWN_BENDS)], turn[:, 2 * (slot - OWN_BENDS) + 1] = 1.0, 1.0
        moves = moves - flow[:, :, None] * place[:, None]
        moves = moves - (at[:, None] * left)[:, :, None] * turns[:, None]
        origin, gone, goes = origin - at[:, None] * flow, gone + at, goes + place
        angle, turns = angle - ways.bend_rad[:, slot], turns - turn
    assert found is not None
    return Placed(*found)


@dataclass(frozen=True, slots=True)
class Beyond:
    """What is read past the end of a run's own pipe, on the pipe joined: k shared marks.

    ``across`` (k,) offsets, ``ahead`` (k,) stations; ``across_rows`` (k, q) by the unknowns;
    ``normals`` and ``along`` (k, 2). ``seen_m`` is the footage at which the camera saw the end,
    NaN for none. ``across_used``: the pipe was fitted to their offsets, which then tell no more.
    """

    across: Array
    ahead: Array
    across_rows: Array
    normals: Array
    along: Array
    seen_m: float = float("nan")
    across_used: bool = False


@dataclass(frozen=True, slots=True)
class Weighed:
    """Likely ways with their log weights (m, s) at the s scales of the noise.

    ``upstream`` (m, n) of the own marks; ``shift`` (m, q) and ``spread`` (m, q, q) the unknowns
    given the readings, at the mean scale of the noise.
    """

    ways: Ways
    log_weight: Array
    upstream: Array
    shift: Array
    spread: Array


def weigh(
    ways: Ways, marks: Marks, own: int, beyond: Beyond, first: Array | None = None
) -> Weighed:
    """Weigh ways by the marks: the first ``own`` on the run's pipe, the others past its end.

    ln N of offsets across the pipe and of footage along it, whose zero is not known, with one
    covariance of the pipe joined, the fittings' angles and the marks, at every scale of the
    receiver's noise. Heavy tails as in :func:`sitegis.line.straights.tail_weight`, on the
    whitened residuals. ``first`` (m, n) is what :func:`first_logs` gives, where it is at hand.
    """
    logs = first_logs(ways, marks, own) if first is None else first
    logs = logs[:, own - 1] if own else ways.log_prior
    ways = _first_choice(ways, logs, marks, own)
    placed = place_on(ways, marks.xy[:own])
    raw, by_unknowns, by_marks, extra = _readings(ways, placed, marks, own, beyond)
    cross = by_unknowns @ ways.unknowns
    fixed = cross @ by_unknowns.transpose(0, 2, 1)
    fixed = fixed + by_marks @ marks.covariance @ by_marks.transpose(0, 2, 1)
    fixed = fixed + extra + _WHITE**2 * np.eye(extra.shape[0])
    received = by_marks @ _received(marks) @ by_marks.transpose(0, 2, 1)
    before = _in_order(placed.upstream, beyond.ahead - ways.stations[:, None])

    def density(rows: Indices | slice, scale: float) -> _Density:
        total = fixed[rows] + (scale**2 - 1.0) * received[rows]
        return _log_density(raw[rows], total, marks.degrees_of_freedom)

    middle = int(np.argmin(np.abs(np.array(SCALES) ** 2 - 1.0)))
    logs = before + density(slice(None), SCALES[middle]).logs
    kept = _likely(logs, LIKELY_WITHIN, MOST_WAYS)
    columns = [before[kept] + density(kept, scale).logs for scale in SCALES]
    prior = log_prior(np.array(SCALES))
    normal = prior - np.log(np.exp(prior - prior.max()).sum()) - prior.max()
    ways = take_rows(ways, kept)
    mean = density(kept, float(np.sqrt(PRIOR_MEAN_SQUARE)))
    # whitened; the tails pull less
    pulled = np.linalg.solve(mean.root, cross[kept]) * np.sqrt(mean.weight)[..., None]
    shift = -np.einsum("mrq,mr->mq", pulled, np.sqrt(mean.weight) * mean.white)
    return Weighed(
        ways,
        ways.log_prior[:, None] + np.stack(columns, axis=1) + normal,
        placed.upstream[kept],
        shift,
        ways.unknowns - pulled.transpose(0, 2, 1) @ pulled,
    )


def _first_choice(ways: Ways, logs: Array, marks: Marks, own: int) -> Ways:
    """Leave out ways that own marks plainly contradict; try a second bend where they call for it.

    ``logs`` (m,) of a first choice. Where even the best way leaves much unexplained, the
    likeliest ones with a bend get another one upstream of it.
    """
    kept = _likely(logs, FIRST_WITHIN, MOST_FIRST)
    ways, logs = take_rows(ways, kept), logs[kept]
    once = np.flatnonzero(np.isfinite(ways.bend_at[:, 0]))[:TRIED_TWICE]
    least = float((ways.log_prior - logs).min(initial=np.inf))
    if not own or not once.size or at_least(CALLS_FOR, least, LOG):
        return ways
    twice = with_second_bends(take_rows(ways, once), marks.xy[0])
    logs = np.concatenate([logs, first_logs(twice, marks, own)[:, -1]])
    return take_rows(join_rows([ways, twice]), _likely(logs, FIRST_WITHIN, MOST_FIRST))


def first_logs(ways: Ways, marks: Marks, own: int) -> Array:
    """Give how well ways (m,) fit the first 1 to ``own`` marks, (m, own): a first choice.

    By the marks' offsets and order with wide allowance.
    """
    across, upstream = _offsets(ways, marks.xy[:own])
    rows = np.arange(own)
    blocks = marks.covariance.reshape(len(marks.xy), 2, len(marks.xy), 2)[rows, :, rows, :]
    noise = np.trace(blocks + marks.independent[:own], axis1=1, axis2=2)
    variance = noise + ALLOWED_M**2 + (ALLOWED_SLANT * upstream) ** 2
    square = across**2 / variance
    weight, cost = tail_weight(square, marks.degrees_of_freedom)
    order = log_ndtr((upstream + ORDER_SD_M) / ORDER_SD_M)
    order[:, 1:] += log_ndtr((ORDER_SD_M - np.diff(upstream, axis=1)) / ORDER_SD_M)
    each = order - 0.5 * weight * square - cost
    return np.asarray(ways.log_prior[:, None] + np.cumsum(each, axis=1))


def _offsets(ways: Ways, xy: Array) -> tuple[Array, Array]:
    """Give what :func:`place_on` gives, without what it rests on: offset and length upstream."""
    flow = lot_direction(ways.angles)
    gap_x, gap_y = (xy[:, axis] - ways.ends[:, axis, None] for axis in (0, 1))
    back = -(gap_x * flow[:, :1] + gap_y * flow[:, 1:])
    off = gap_y * flow[:, :1] - gap_x * flow[:, 1:]
    gone = np.zeros((len(back), 1))
    for slot in range(OWN_BENDS):
        bent = np.flatnonzero(np.isfinite(ways.bend_at[:, slot]))
        turn, at = ways.bend_rad[bent, slot, None], ways.bend_at[bent, slot, None]
        gone[bent] += at
        sine, cosine = np.sin(turn), np.cos(turn)
        # about the bend, turned back by it
        ahead, left = back[bent] - gone[bent], off[bent]
        past = ahead > 0
        off[bent] = np.where(past, left * cosine - ahead * sine, left)
        back[bent] = np.where(past, gone[bent] + ahead * cosine + left * sine, back[bent])
    return off, back


def _likely(logs: Array, within: float, most: int) -> Indices:
    """Choose rows within some nats of the best, so many at most, the best first."""
    rows = np.flatnonzero(at_least(logs, float(logs.max()) - within, LOG))
    return np.asarray(rows[ordered(logs[rows], LOG, descending=True)][:most])


def _in_order(before: Array, past: Array) -> Array:
    """Give the log (m,) of how well marks lie in the order of the push, but for their scatter.

    ``before`` (m, own) upstream of the end, ``past`` (m, k) past it. What is found later in a push
    does not lie upstream of what was found before it: a cable only goes on.
    """
    along = np.concatenate([-before, past], axis=1)
    room = np.concatenate([before, past, np.diff(along, axis=1)], axis=1)
    return np.asarray(log_ndtr((room + ORDER_SD_M) / ORDER_SD_M).sum(axis=1))


def _readings(
    ways: Ways, placed: Placed, marks: Marks, own: int, beyond: Beyond
) -> tuple[Array, Array, Array, Array]:
    """Give the residuals (m, r), their derivatives by unknowns and marks, and the own covariance.

    Rows: offsets of all marks, then contrasts of the footage. ``by_marks`` (m, r, 2n).
    """
    m, n = len(ways.angles), len(marks.xy)
    q, k = ways.angle_rows.shape[1], n - own
    counted = np.flatnonzero(np.isfinite(marks.counts_m))
    seen = np.isfinite(beyond.seen_m)
    across = np.concatenate([placed.across, np.broadcast_to(beyond.across, (m, k))], axis=1)
    across_by = np.zeros((m, n, q))
    across_by[:, :own] = placed.across_rows
    across_by[:, own:] = beyond.across_rows
    by_marks = np.zeros((m, n, n, 2))
    by_marks[:, np.arange(own), np.arange(own)] = placed.normals
    by_marks[:, own + np.arange(k), own + np.arange(k)] = beyond.normals

    along = np.concatenate(
        [-placed.upstream, beyond.ahead[None] - ways.stations[:, None]], axis=1
    )  # of every mark, past the end
    along_by = np.zeros((m, n, q))
    along_by[:, :own] = -placed.upstream_rows
    flow = lot_direction(ways.angles)
    end_moves = np.einsum("mi,miq->mq", flow, ways.end_rows)
    along_by[:, own:] = -end_moves[:, None]
    along_marks = np.zeros((m, n, n, 2))
    along_marks[:, np.arange(own), np.arange(own)] = -placed.along
    along_marks[:, own + np.arange(k), own + np.arange(k)] = beyond.along
    pick = np.concatenate([counted, [n]]) if seen else counted
    shrink = 1.0 / (1.0 + HALF_NORMAL_MEAN * marks.count_share)
    counts = np.append(marks.counts_m, beyond.seen_m)[pick]
    floor = np.append(marks.count_floor_m, WYE_SEEN_SD_M)[pick]
    at_end = np.zeros((m, 1, *along_by.shape[2:]))
    along = np.concatenate([along, np.zeros((m, 1))], axis=1)[:, pick]
    along_by = np.concatenate([along_by, at_end], axis=1)[:, pick]
    along_marks = np.concatenate([along_marks, np.zeros((m, 1, n, 2))], axis=1)[:, pick]
    basis = _contrasts(pick.size)
    raw = np.concatenate([across, (counts * shrink - along) @ basis.T], axis=1)
    by_unknowns = np.concatenate([across_by, -np.einsum("ab,mbq->maq", basis, along_by)], axis=1)
    marked = np.concatenate(
        [
            by_marks.reshape(m, n, 2 * n),
            -np.einsum("ab,mbx->max", basis, along_marks.reshape(m, pick.size, 2 * n)),
        ],
        axis=1,
    )
    slack = (HALF_NORMAL_SD * marks.count_share) ** 2 * np.outer(counts, counts)
    extra = np.zeros((raw.shape[1],) * 2)
    extra[np.arange(own, n), np.arange(own, n)] = _SILENT_M**2 if beyond.across_used else 0.0
    extra[n:, n:] = basis @ (PRIOR_MEAN_SQUARE * np.diag(floor**2) + slack) @ basis.T
    return raw, by_unknowns, marked, extra


def _contrasts(m: int) -> Array:
    """Give an orthonormal basis (m − 1, m) of the differences of m values (Helmert's)."""
    rows = np.zeros((max(m - 1, 0), m))
    for i in range(1, m):
        rows[i - 1, :i], rows[i - 1, i] = 1.0, -float(i)
        rows[i - 1] /= np.sqrt(i * (i + 1.0))
    return rows


def _received(marks: Marks) -> Array:
    """Give the part (2n, 2n) of the marks' covariance that grows with the receiver's noise."""
    n = len(marks.xy)
    own = np.zeros((n, 2, n, 2))
    own[np.arange(n), :, np.arange(n), :] = marks.independent * marks.received[:, None, None]
    return own.reshape(2 * n, 2 * n)


@dataclass(frozen=True, slots=True)
class _Density:
    """Log densities (m,), roots (m, r, r), whitened residuals and their weights (m, r)."""

    logs: Array
    root: Array
    white: Array
    weight: Array


def _log_density(raw: Array, total: Array, degrees_of_freedom: float) -> _Density:
    """Give the log densities of residuals (m, r) with covariances (m, r, r), heavy in the tails."""
    root = np.asarray(np.linalg.cholesky(total), float)
    white = np.empty_like(raw)
    for i in range(raw.shape[1]):  # forward substitution, all ways at once
        known = np.sum(root[:, i, :i] * white[:, :i], axis=1)
        white[:, i] = (raw[:, i] - known) / root[:, i, i]
    weight, more = tail_weight(white**2, degrees_of_freedom)
    half = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    logs = -np.sum(0.5 * weight * white**2 + more, axis=1) - half
    logs = logs - 0.5 * raw.shape[1] * np.log(2.0 * np.pi)
    return _Density(logs, root, white, weight)
