"""Alternatives of where a run's own pipe may lie: straight or bent, from a place with a direction.

An alternative says where the pipe ends downstream (a wye, or its last point), where the water goes
there, and where it bends upstream of that, once or twice. Given an alternative, all else is linear
(:mod:`sitegis.branches.weigh`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..line.bend_catalog import BENDS_PER_M, SIGNED_RAD, SIGNED_SD_RAD, SIGNED_WEIGHTS
from ..line.straights import Marks, tail_weight
from ..numerics.ordering import LOG, at_least, ordered
from ..numerics.records import join_rows, take_rows

Indices = NDArray[np.int64]

BEND_CELLS = 8
"""Pieces of a run's own pipe in which a bend may lie."""
CELL_SPREAD = 0.5
"""Sd of a cell's normal as a share of the cell: so spaced, they sum to an even spread to 1.5 %."""
OWN_BENDS = 2
"""Most bends of a run's own pipe: a branch under a slab is a few meters long."""
CALLS_FOR, TRIED_TWICE = 3.0, 60
"""A second bend is tried on so many alternatives with one, where the best leaves more nats
than a bend costs (its rate times some meters) unexplained."""
FIRST_WITHIN, MOST_FIRST = 12.0, 1000
ALLOWED_M, ALLOWED_SLANT = 0.12, 0.05
"""What a first choice allows for besides the marks' noise: a cell's place, an angle."""
ORDER_SD_M = 0.20
"""How far a mark may lie on the wrong side of a wye or a bend: marks scatter. Judgment."""


@dataclass(frozen=True, slots=True)
class Alternatives:
    """m alternatives: ``ends`` (m, 2), ``angles`` (m,) of flow there, ``log_prior`` (m,).

    ``end_rows`` (m, 2, q) and ``angle_rows`` (m, q): how end and direction move with the q unknowns
    of covariance ``unknowns`` (m, q, q), the last four of which are place and angle of each bend;
    off the diagonal it is the same for all alternatives.
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


@dataclass(frozen=True, slots=True)
class Bent:
    """Many alternatives (m,) with bends put into rows ``of`` (m,), made only when chosen.

    ``log_prior``, ``bend_at`` and ``bend_rad`` as in :class:`Alternatives`; ``bend_sds`` (m, 2, 2)
    of place and turn of each bend, 0 for none.
    """

    alternatives: Alternatives
    of: Indices
    log_prior: Array
    bend_at: Array
    bend_rad: Array
    bend_sds: Array

    @property
    def ends(self) -> Array:
        """Where the alternatives end (m, 2)."""
        return np.asarray(self.alternatives.ends[self.of])

    @property
    def angles(self) -> Array:
        """Angles (m,) of flow there, rad."""
        return np.asarray(self.alternatives.angles[self.of])


def chosen_alternatives(alternatives: Alternatives | Bent, rows: Indices) -> Alternatives:
    """Take rows (k,) of alternatives, made where they are only listed.

    Parameters
    ----------
    alternatives
        Alternatives of where the run's own pipe may lie, m of them.
    rows
        Indices (k,).

    Returns
    -------
    Alternatives
        k alternatives.
    """
    if isinstance(alternatives, Alternatives):
        return take_rows(alternatives, rows)
    made = take_rows(alternatives.alternatives, alternatives.of[rows])
    # the last four unknowns: place and turn of the first bend, then of the second
    own = np.arange(-2 * OWN_BENDS, 0)
    variance = alternatives.bend_sds[rows].reshape(rows.size, -1) ** 2
    made.unknowns[:, own, own] = np.where(variance > 0.0, variance, made.unknowns[:, own, own])
    return replace(
        made,
        log_prior=alternatives.log_prior[rows],
        bend_at=alternatives.bend_at[rows],
        bend_rad=alternatives.bend_rad[rows],
    )


def with_bends(alternatives: Alternatives, farthest: Array) -> Bent:
    """List straight alternatives again, and each with one bend of the catalog anywhere upstream.

    ``farthest`` (2,) is the most upstream mark; the bend's place is spread evenly over the length
    to it, at the rate of bends per meter of :mod:`sitegis.line.bend_catalog`.

    Parameters
    ----------
    alternatives
        Alternatives of where the run's own pipe may lie, m of them.
    farthest
        Most upstream mark (2,), m.

    Returns
    -------
    Bent
        The straight ones and those with a bend.
    """
    # the Poisson process of bends over the length to the farthest mark: e^(−ρ L) for none
    length = np.hypot(*(alternatives.ends - farthest).T)
    m = len(length)
    plain = replace(alternatives, log_prior=alternatives.log_prior - BENDS_PER_M * length)
    straight = Bent(
        plain, np.arange(m), plain.log_prior, plain.bend_at, plain.bend_rad, np.zeros((m, 2, 2))
    )
    bent = _bent(plain, np.flatnonzero(alternatives.made), length, 0)
    names = ("of", "log_prior", "bend_at", "bend_rad", "bend_sds")
    both = {n: np.concatenate([getattr(straight, n), getattr(bent, n)]) for n in names}
    return Bent(plain, **both)


def with_second_bends(alternatives: Alternatives, farthest: Array) -> Bent:
    """List alternatives with one bend with a second one upstream of it, as :func:`with_bends`.

    Parameters
    ----------
    alternatives
        Alternatives of where the run's own pipe may lie, m of them.
    farthest
        Most upstream mark (2,), m.

    Returns
    -------
    Bent
        Those with two bends.
    """
    # where each alternative has its first bend, upstream of its end
    corners = alternatives.ends - alternatives.bend_at[:, :1] * lot_direction(alternatives.angles)
    return _bent(alternatives, np.arange(len(corners)), np.hypot(*(corners - farthest).T), 1)


def _bent(alternatives: Alternatives, chosen: Indices, length: Array, slot: int) -> Bent:
    """Return the chosen alternatives every bend in every cell of their length (m,) upstream."""
    kinds = SIGNED_RAD.size
    rows = np.repeat(chosen, BEND_CELLS * kinds)
    share = np.tile(np.repeat((np.arange(BEND_CELLS) + 0.5) / BEND_CELLS, kinds), chosen.size)
    index = np.tile(np.arange(kinds), chosen.size * BEND_CELLS)
    # each cell has the rate's share for its own length
    size = length[rows] / BEND_CELLS
    bend_at, bend_rad = alternatives.bend_at[rows], alternatives.bend_rad[rows]
    bend_at[:, slot], bend_rad[:, slot] = share * length[rows], SIGNED_RAD[index]
    sds = np.zeros((rows.size, 2, 2))
    sds[:, slot, 0], sds[:, slot, 1] = CELL_SPREAD * size, SIGNED_SD_RAD[index]
    with np.errstate(divide="ignore"):
        probability = np.log(BENDS_PER_M * size * SIGNED_WEIGHTS[index])
    return Bent(
        alternatives, rows, alternatives.log_prior[rows] + probability, bend_at, bend_rad, sds
    )


@dataclass(frozen=True, slots=True)
class MarkOffsets:
    """How n own marks lie to m alternatives: ``across``, ``upstream`` (m, n), what they rest on.

    ``across_rows`` and ``upstream_rows`` (m, n, q) by the unknowns; ``normals`` and ``along``
    (m, n, 2) by the marks' own places.
    """

    across: Array
    upstream: Array
    across_rows: Array
    upstream_rows: Array
    normals: Array
    along: Array


def offsets_from(alternatives: Alternatives, xy: Array) -> MarkOffsets:
    """Return own marks' (n, 2) offsets (left positive) and lengths upstream of each end.

    Parameters
    ----------
    alternatives
        Alternatives of where the run's own pipe may lie, m of them.
    xy
        Own marks (n, 2), m.

    Returns
    -------
    MarkOffsets
        Offsets (m, n) and lengths (m, n) in m, with their derivatives.
    """
    # walking upstream from the end: origin, direction and length passed of the stretch at hand
    origin, angle, gone = alternatives.ends, alternatives.angles, np.zeros(len(alternatives.angles))
    moves, turns, goes = (
        alternatives.end_rows,
        alternatives.angle_rows,
        np.zeros_like(alternatives.angle_rows),
    )
    # past: marks that lie beyond all bends so far
    past, found = np.ones((len(gone), len(xy)), bool), None
    for slot in range(OWN_BENDS + 1):
        flow = lot_direction(angle)
        left = np.stack([-flow[:, 1], flow[:, 0]], axis=-1)
        gap = xy[None] - origin[:, None]
        # length upstream of the origin of this stretch, along the flow
        back = -np.einsum("mni,mi->mn", gap, flow)
        # first order: an offset moves with the direction by its lever, and with the origin
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
        # marks upstream of the bend are read on the stretch before it
        past = past & (back > alternatives.bend_at[:, slot, None])
        at = np.where(
            np.isfinite(alternatives.bend_at[:, slot]), alternatives.bend_at[:, slot], 0.0
        )
        # unit vectors of the bend's two unknowns
        place, turn = np.zeros_like(turns), np.zeros_like(turns)
        place[:, 2 * (slot - OWN_BENDS)], turn[:, 2 * (slot - OWN_BENDS) + 1] = 1.0, 1.0
        # a bend farther upstream moves all beyond it against the
        # flow; a turn before it by its lever
        moves = moves - flow[:, :, None] * place[:, None]
        moves = moves - (at[:, None] * left)[:, :, None] * turns[:, None]
        origin, gone, goes = origin - at[:, None] * flow, gone + at, goes + place
        angle, turns = angle - alternatives.bend_rad[:, slot], turns - turn
    assert found is not None
    return MarkOffsets(*found)


def first_choice(listed: Alternatives | Bent, logs: Array, marks: Marks, own: int) -> Alternatives:
    """Leave out what own marks plainly contradict; try a second bend where they call for it.

    ``logs`` (m,) of a first choice. Where even the best alternative leaves much unexplained, the
    likeliest ones with a bend get another one upstream of it.

    Parameters
    ----------
    listed
        Alternatives as listed.
    logs
        Log weights of the first choice (m,).
    marks
        Points of one pipe in downstream order, n of them.
    own
        Number of marks before the wye.

    Returns
    -------
    Alternatives
        The alternatives that are left.
    """
    kept = likely_rows(logs, FIRST_WITHIN, MOST_FIRST)
    alternatives, logs = chosen_alternatives(listed, kept), logs[kept]
    once = np.flatnonzero(np.isfinite(alternatives.bend_at[:, 0]))[:TRIED_TWICE]
    # nats that even the best alternative leaves of its prior: what its marks cost
    least = float((alternatives.log_prior - logs).min(initial=np.inf))
    if not own or not once.size or at_least(CALLS_FOR, least, LOG):
        return alternatives
    twice = with_second_bends(take_rows(alternatives, once), marks.xy[0])
    # two bends compete with none and one on the same scale
    logs = np.concatenate([logs, first_logs(twice, marks, own)[:, -1]])
    chosen = likely_rows(logs, FIRST_WITHIN, MOST_FIRST)
    second = chosen >= kept.size
    both = [
        take_rows(alternatives, chosen[~second]),
        chosen_alternatives(twice, chosen[second] - kept.size),
    ]
    # join_rows puts the second kind last: each chosen row's place there,
    # so that the order of the choice stays
    place = np.where(second, np.sum(~second) + np.cumsum(second), np.cumsum(~second)) - 1
    return take_rows(join_rows(both), place)


def first_logs(alternatives: Alternatives | Bent, marks: Marks, own: int) -> Array:
    """Return how well alternatives (m,) fit the first 1 to ``own`` marks, (m, own): a first choice.

    By the marks' offsets and order with wide allowance; alternatives that lie more than
    ``FIRST_WITHIN`` behind for every number of marks may be given too high, but never as near as
    that.

    Parameters
    ----------
    alternatives
        Alternatives of where the run's own pipe may lie, m of them.
    marks
        Points of one pipe in downstream order, n of them.
    own
        Number of marks before the wye.

    Returns
    -------
    Array
        Log weights (m, own).
    """
    across, upstream = _offsets(alternatives, marks.xy[:own])
    rows = np.arange(own)
    blocks = marks.covariance.reshape(len(marks.xy), 2, len(marks.xy), 2)[rows, :, rows, :]
    # trace: the direction across an alternative is not looked at here, so that this is wide
    noise = np.trace(blocks + marks.independent[:own], axis1=1, axis2=2)
    variance = noise + ALLOWED_M**2 + (ALLOWED_SLANT * upstream) ** 2
    square = across**2 / variance
    weight, cost = tail_weight(square, marks.degrees_of_freedom)
    logs = alternatives.log_prior[:, None] - np.cumsum(0.5 * weight * square + cost, axis=1)

    def in_order(rows: Indices) -> Array:
        # Φ of a mark's way past the end, in sds of the scatter of marks
        order = log_ndtr((upstream[rows] + ORDER_SD_M) / ORDER_SD_M)
        order[:, 1:] += log_ndtr((ORDER_SD_M - np.diff(upstream[rows], axis=1)) / ORDER_SD_M)
        return np.asarray(np.cumsum(order, axis=1))

    # the order only takes away: what lies too far behind without it needs none
    best = np.flatnonzero(np.any(logs >= logs.max(axis=0) - 1.0, axis=1))
    least = (logs[best] + in_order(best)).max(axis=0) - FIRST_WITHIN - 1.0
    near = np.flatnonzero(np.any(logs >= least, axis=1))
    logs[near] += in_order(near)
    return np.asarray(logs)


def _offsets(alternatives: Alternatives | Bent, xy: Array) -> tuple[Array, Array]:
    """Return offset and length upstream as :func:`offsets_from`, without what they rest on."""
    flow, ends = lot_direction(alternatives.angles), alternatives.ends
    gap_x, gap_y = (xy[:, axis] - ends[:, axis, None] for axis in (0, 1))
    back = -(gap_x * flow[:, :1] + gap_y * flow[:, 1:])
    off = gap_y * flow[:, :1] - gap_x * flow[:, 1:]
    gone = np.zeros((len(back), 1))
    for slot in range(OWN_BENDS):
        bent = np.flatnonzero(np.isfinite(alternatives.bend_at[:, slot]))
        turn, at = alternatives.bend_rad[bent, slot, None], alternatives.bend_at[bent, slot, None]
        gone[bent] += at
        sine, cosine = np.sin(turn), np.cos(turn)
        # about the bend, turned back by it
        ahead, left = back[bent] - gone[bent], off[bent]
        past = ahead > 0
        off[bent] = np.where(past, left * cosine - ahead * sine, left)
        back[bent] = np.where(past, gone[bent] + ahead * cosine + left * sine, back[bent])
    return off, back


def likely_rows(logs: Array, within: float, most: int) -> Indices:
    """Choose rows within some nats of the best, so many at most, the best first.

    Parameters
    ----------
    logs
        Log weights (m,).
    within
        Nats below the best that are kept.
    most
        Most rows.

    Returns
    -------
    Indices
        Row indices (k,).
    """
    rows = np.flatnonzero(at_least(logs, float(logs.max()) - within, LOG))
    return np.asarray(rows[ordered(logs[rows], LOG, descending=True)][:most])
