"""What the readings say of where a run's own pipe may lie: one covariance, all scales of noise."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..line.straights import HALF_NORMAL_MEAN, HALF_NORMAL_SD, Marks, tail_weight
from ..numerics.noise_scale import PRIOR_MEAN_SQUARE, SCALES, log_prior
from ..numerics.records import take_rows
from .alternatives import (
    ORDER_SD_M,
    Alternatives,
    Bent,
    MarkOffsets,
    first_choice,
    first_logs,
    likely_rows,
    offsets_from,
)

WYE_SEEN_SD_M = 0.15
"""How well the camera tells the footage of a wye ahead of it. Judgment, no source."""
LIKELY_WITHIN, MOST_ALTERNATIVES = 10.0, 150
# a micron keeps exact readings solvable; a kilometer silences one
_WHITE, _SILENT_M = 1e-6, 1e3


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
    """Likely alternatives with their log weights (m, s) at the s scales of the noise.

    ``upstream`` (m, n) of the own marks; ``shift`` (m, q) and ``spread`` (m, q, q) the unknowns
    given the readings, at the mean scale of the noise.
    """

    alternatives: Alternatives
    log_weight: Array
    upstream: Array
    shift: Array
    spread: Array


def weigh(
    listed: Alternatives | Bent, marks: Marks, own: int, beyond: Beyond, first: Array | None = None
) -> Weighed:
    """Weigh alternatives by marks: the first ``own`` on the run's pipe, the others past its end.

    ln N of offsets across the pipe and of footage along it, whose zero is not known, with one
    covariance of the pipe joined, the fittings' angles and the marks, at every scale of the
    locator's noise. Heavy tails as in :func:`sitegis.line.straights.tail_weight`, on the
    whitened residuals. ``first`` (m, n) is what :func:`first_logs` gives, where it is at hand.

    Parameters
    ----------
    listed
        Alternatives as listed.
    marks
        Points of one pipe in downstream order, n of them.
    own
        Number of marks before the wye.
    beyond
        What is read past the end of the run's own pipe.
    first
        First choice (m, n), None to make it here.

    Returns
    -------
    Weighed
        The likely alternatives with log weights.
    """
    if own and first is None:
        # a rough choice by own marks first: the full covariance is for those that may matter
        first = first_logs(listed, marks, own)
    logs = listed.log_prior if first is None or not own else first[:, own - 1]
    alternatives = first_choice(listed, logs, marks, own)
    placed = offsets_from(alternatives, marks.xy[:own])
    raw, by_unknowns, by_marks, extra = _readings(alternatives, placed, marks, own, beyond)
    cross = _times_unknowns(by_unknowns, alternatives.unknowns)
    before = _in_order(placed.upstream, beyond.ahead - alternatives.stations[:, None])
    freedom, scaled = marks.degrees_of_freedom, _received(marks)
    squares = np.array([*np.square(SCALES), PRIOR_MEAN_SQUARE])
    # the scale nearest to 1: chosen by it, then all scales for those that are left
    middle = squares[np.argmin(np.abs(squares[:-1] - 1.0))]
    total = cross @ by_unknowns.transpose(0, 2, 1) + extra + _WHITE**2 * np.eye(extra.shape[0])
    # one covariance for all: what moves the pipe joined, the marks' errors, and the two together
    total = total + _carried(by_marks, marks.covariance + (middle - 1.0) * scaled)
    logs = before + _log_density(raw, total, freedom).logs
    kept = likely_rows(logs, LIKELY_WITHIN, MOST_ALTERNATIVES)
    # only the locator's part changes with the noise scale: added to what is factored already
    more = (squares - middle)[:, None, None, None] * _carried(by_marks[kept], scaled)
    at = _log_density(np.broadcast_to(raw[kept], more.shape[:-1]), total[kept] + more, freedom)
    prior = log_prior(np.array(SCALES))
    # the prior over the nodes of the scale, normalized
    normal = prior - np.log(np.exp(prior - prior.max()).sum()) - prior.max()
    alternatives = take_rows(alternatives, kept)
    root, white, weight = at.root[-1], at.white[-1], at.weight[-1]
    # whitened; the tails pull less
    pulled = np.linalg.solve(root, cross[kept]) * np.sqrt(weight)[..., None]
    shift = -np.einsum("mrq,mr->mq", pulled, np.sqrt(weight) * white)
    return Weighed(
        alternatives,
        alternatives.log_prior[:, None] + (before[kept] + at.logs[:-1]).T + normal,
        placed.upstream[kept],
        shift,
        alternatives.unknowns - pulled.transpose(0, 2, 1) @ pulled,
    )


def _times_unknowns(rows: Array, unknowns: Array) -> Array:
    """Return rows (m, r, q) times the covariance of each alternative's unknowns (m, q, q)."""
    own = np.diagonal(unknowns, axis1=1, axis2=2)
    shared = np.where(np.eye(own.shape[1], dtype=bool), 0.0, unknowns[0])
    return np.asarray(
        # what is shared is one product for all alternatives; the diagonal is each one's own
        (rows.reshape(-1, len(shared)) @ shared).reshape(rows.shape) + rows * own[:, None]
    )


def _carried(rows: Array, covariance: Array) -> Array:
    """Return rows (m, r, p) times a covariance (p, p) times these rows, (m, r, r)."""
    once = (rows.reshape(-1, len(covariance)) @ covariance).reshape(rows.shape)
    return np.asarray(once @ rows.transpose(0, 2, 1))


def _in_order(before: Array, past: Array) -> Array:
    """Return the log (m,) of how well marks lie in the order of the push, but for their scatter.

    ``before`` (m, own) upstream of the end, ``past`` (m, k) past it. What is found later in a push
    does not lie upstream of what was found before it: a cable only goes on.
    """
    along = np.concatenate([-before, past], axis=1)
    # own marks lie upstream of the end, shared ones past it, all in their order: Φ(room / sd) each
    room = np.concatenate([before, past, np.diff(along, axis=1)], axis=1)
    return np.asarray(log_ndtr((room + ORDER_SD_M) / ORDER_SD_M).sum(axis=1))


def _readings(
    alternatives: Alternatives, placed: MarkOffsets, marks: Marks, own: int, beyond: Beyond
) -> tuple[Array, Array, Array, Array]:
    """Return the residuals (m, r), their derivatives by unknowns and marks, and the own covariance.

    Rows: offsets of all marks, then contrasts of the footage. ``by_marks`` (m, r, 2n).
    """
    m, n = len(alternatives.angles), len(marks.xy)
    q, k = alternatives.angle_rows.shape[1], n - own
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
        [-placed.upstream, beyond.ahead[None] - alternatives.stations[:, None]], axis=1
    )  # of every mark, past the end
    along_by = np.zeros((m, n, q))
    along_by[:, :own] = -placed.upstream_rows
    flow = lot_direction(alternatives.angles)
    end_moves = np.einsum("mi,miq->mq", flow, alternatives.end_rows)
    # points past the end are read from it: it moves, they do not
    along_by[:, own:] = -end_moves[:, None]
    along_marks = np.zeros((m, n, n, 2))
    along_marks[:, np.arange(own), np.arange(own)] = -placed.along
    along_marks[:, own + np.arange(k), own + np.arange(k)] = beyond.along
    # readings of footage, and the wye that the camera saw as one more
    pick = np.concatenate([counted, [n]]) if seen else counted
    shrink = 1.0 / (1.0 + HALF_NORMAL_MEAN * marks.count_share)
    counts = np.append(marks.counts_m, beyond.seen_m)[pick]
    floor = np.append(marks.count_floor_m, WYE_SEEN_SD_M)[pick]
    at_end = np.zeros((m, 1, *along_by.shape[2:]))
    along = np.concatenate([along, np.zeros((m, 1))], axis=1)[:, pick]
    along_by = np.concatenate([along_by, at_end], axis=1)[:, pick]
    along_marks = np.concatenate([along_marks, np.zeros((m, 1, n, 2))], axis=1)[:, pick]
    # the zero of the footage is not known: contrasts that do not see it
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
    # offsets that the pipe was fitted to say nothing twice: a variance of a kilometer silences them
    extra[np.arange(own, n), np.arange(own, n)] = _SILENT_M**2 if beyond.across_used else 0.0
    extra[n:, n:] = basis @ (PRIOR_MEAN_SQUARE * np.diag(floor**2) + slack) @ basis.T
    return raw, by_unknowns, marked, extra


def _contrasts(m: int) -> Array:
    """Return an orthonormal basis (m − 1, m) of the differences of m values (Helmert's)."""
    rows = np.zeros((max(m - 1, 0), m))
    for i in range(1, m):
        # Helmert's contrasts: each against the mean of those before it
        rows[i - 1, :i], rows[i - 1, i] = 1.0, -float(i)
        rows[i - 1] /= np.sqrt(i * (i + 1.0))
    return rows


def _received(marks: Marks) -> Array:
    """Return the part (2n, 2n) of the marks' covariance that grows with the locator's noise."""
    n = len(marks.xy)
    own = np.zeros((n, 2, n, 2))
    own[np.arange(n), :, np.arange(n), :] = marks.independent * marks.received[:, None, None]
    return own.reshape(2 * n, 2 * n)


@dataclass(frozen=True, slots=True)
class _Density:
    """Log densities (...), roots (..., r, r), whitened residuals and their weights (..., r)."""

    logs: Array
    root: Array
    white: Array
    weight: Array


def _log_density(raw: Array, total: Array, degrees_of_freedom: float) -> _Density:
    """Return log densities of residuals (..., r), covariances (..., r, r), heavy in the tails."""
    root = np.asarray(np.linalg.cholesky(total), float)
    white = np.empty(raw.shape)
    for i in range(raw.shape[-1]):  # forward substitution, all alternatives at once
        known = np.sum(root[..., i, :i] * white[..., :i], axis=-1)
        white[..., i] = (raw[..., i] - known) / root[..., i, i]
    weight, more = tail_weight(white**2, degrees_of_freedom)
    half = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    logs = -np.sum(0.5 * weight * white**2 + more, axis=-1) - half
    logs = logs - 0.5 * raw.shape[-1] * np.log(2.0 * np.pi)
    return _Density(logs, root, white, weight)
