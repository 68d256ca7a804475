"""How well a run joins another one's pipe, over every place, fitting and split of its points."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..line.bend_catalog import BEND_ANGLE_SD_RAD
from ..line.profile import INVERT_PRIOR_M, SlopePrior
from ..line.straights import Marks, tail_weight
from ..numerics.ordering import LOG, MATTERS_M, at_least, largest
from ..numerics.records import join_rows
from ..numerics.statistics import log_sum
from .alternatives import CELL_SPREAD, Alternatives, Bent, first_logs, with_bends
from .pipes import Indices, Pipe
from .weigh import Beyond, Weighed, weigh

WYE_SHARES = {45.0: 0.60, 90.0: 0.30}
"""How often a branch under a slab comes in by a wye (45°) and by a tee or a combination (90°); the
rest at any angle from 20 to 160°. Judgment, no source."""
FREE_STEP_DEG, FREE_DEG = 7.0, (20.0, 160.0)
CELL_M = 0.25
DIRECTIONS = 90
ACROSS_M = 10.0
"""Width over which a drain of its own may lie anywhere. Judgment."""
SAME_PIPE = 0.10
"""Probability that a run lies wholly in another one's pipe. Judgment, no source."""
SIDE_RIGHT = 0.9
"""How often the side from which a wye was seen to come in is noted right. Judgment, no source."""
FAR_M = 1.0
"""A point this far off a pipe is not in it: ten times how well the head is found. Judgment."""
STRAY = 0.05
"""How often the footage of a wye is noted wrong, and may then be any. Judgment, no source."""
WYE_STEP_M = (0.02, 0.04)
"""A branch's invert above that of the pipe joined: mean and sd. A smaller pipe joins on the center
line or above. Judgment, no source."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What one run brings: its marks in downstream order, their inverts as read and sds (n,).

    NaN without a depth. ``side`` and ``wye_m`` as the camera saw them, None and NaN for not seen.
    """

    ids: tuple[str, ...]
    marks: Marks
    inverts_m: Array
    invert_sds_m: Array
    side: str | None = None
    wye_m: float = float("nan")


@dataclass(frozen=True, slots=True)
class Joint:
    """A run on a pipe, its first ``own`` points before the wye: alternatives with weights.

    ``weights`` (m, s) over alternatives and scales of the noise, summing to 1 within;
    ``log_evidence`` of the run's readings. ``weighed`` is None where the run lies wholly in the
    pipe, from its station ``first_m`` on.
    """

    own: int
    log_evidence: float
    weighed: Weighed | None
    weights: Array
    first_m: float = 0.0


def joints(reading: Reading, pipe: Pipe, slopes: SlopePrior) -> list[Joint]:
    """Weigh every split of a run's points: own before the wye, the others on the pipe past it.

    ln Z of a split is the log of the sum over places, fittings (45°, 90°, free) and bends, each
    weighted by its prior.

    Parameters
    ----------
    reading
        What a run's points read.
    pipe
        The pipe that is joined.
    slopes
        Prior of the slope.

    Returns
    -------
    list[Joint]
        One joint for each number of own points.
    """
    n = len(reading.marks.xy)
    ahead, across, segment = pipe.project(reading.marks.xy)
    evidence = _on_pipe(reading, pipe, across, ahead, segment) + np.log(SAME_PIPE)
    found = [Joint(0, float(evidence), None, np.ones((0, 0)), float(ahead[0]))]
    # distance off the pipe, or past its start: what lies clear of it lies before the wye
    away = np.maximum(np.abs(across), -ahead)  # beside the pipe, or upstream of it
    # the last point that lies clear of the pipe: it and all before it are before the wye
    off = np.flatnonzero(at_least(away, FAR_M, MATTERS_M))
    least = max(int(off[-1]) + 1 if off.size else 1, 1)
    # a pipe shorter than a cell has no place for a wye
    if float(pipe.stations_m[-1]) >= CELL_M:
        alternatives = with_bends(_wye_alternatives(reading, pipe), reading.marks.xy[0])
        # one table of first choices for all splits: column k is for k + 1 own points
        first = first_logs(alternatives, reading.marks, n)
        found += [
            _joint(reading, pipe, slopes, own, alternatives, first=first)
            for own in range(least, n + 1)
        ]
    return found


def joint_of(
    reading: Reading, pipe: Pipe, slopes: SlopePrior, own: int, *, fitted: bool = False
) -> Joint:
    """Weigh one split, ``own`` > 0; ``fitted``: the pipe was fitted to the points past it too.

    Parameters
    ----------
    reading
        What a run's points read.
    pipe
        The pipe that is joined.
    slopes
        Prior of the slope.
    own
        Number of marks before the wye.
    fitted
        Whether the pipe was fitted to the points past the wye too.

    Returns
    -------
    Joint
        The joint.
    """
    alternatives = with_bends(_wye_alternatives(reading, pipe), reading.marks.xy[0])
    return _joint(reading, pipe, slopes, own, alternatives, fitted=fitted)


def _joint(
    reading: Reading,
    pipe: Pipe,
    slopes: SlopePrior,
    own: int,
    alternatives: Bent,
    *,
    first: Array | None = None,
    fitted: bool = False,
) -> Joint:
    """Weigh one split over all alternatives, from a first choice ``first`` where there is one."""
    split = partial(
        _weigh_split,
        pipe=pipe,
        slopes=slopes,
        alternatives=alternatives,
        own=own,
        first=first,
        fitted=fitted,
    )
    if not np.isfinite(reading.wye_m):
        weighed = split(reading)
    else:
        blind = replace(reading, wye_m=float("nan"))
        # the noted wye is right, or (5 %) stray: then the footage may be anywhere
        weighed = _both(split(reading), np.log(1.0 - STRAY), split(blind), np.log(STRAY / ACROSS_M))
    logs = weighed.log_weight + np.log(1.0 - SAME_PIPE)
    total = log_sum(logs.ravel())
    return Joint(own, total, weighed, np.exp(logs - total))


def _both(one: Weighed, log_one: float, other: Weighed, log_other: float) -> Weighed:
    """Put together the alternatives with the wye as seen and as not seen, each with its share."""
    return Weighed(
        join_rows([one.alternatives, other.alternatives]),
        np.concatenate([one.log_weight + log_one, other.log_weight + log_other]),
        np.concatenate([one.upstream, other.upstream]),
        np.concatenate([one.shift, other.shift]),
        np.concatenate([one.spread, other.spread]),
    )


def _weigh_split(
    reading: Reading,
    pipe: Pipe,
    slopes: SlopePrior,
    alternatives: Bent,
    own: int,
    first: Array | None,
    *,
    fitted: bool,
) -> Weighed:
    """Weigh the alternatives of one split by plan, footage and the inverts before the wye."""
    ahead, across, segment = pipe.project(reading.marks.xy)
    count = pipe.covariance.shape[0]
    # points past the wye lie on the pipe joined and say how it runs
    shared = np.arange(own, len(ahead))
    along = lot_direction(pipe.angles[segment[shared]])
    shift, _ = pipe.shift_rows(reading.marks.xy[shared], segment[shared])
    rows = np.zeros((shared.size, count + 6))
    # a pipe that lies farther left leaves its marks farther right
    rows[:, :count] = -shift
    beyond = Beyond(
        across=across[shared],
        ahead=ahead[shared],
        across_rows=rows,
        normals=np.stack([-along[:, 1], along[:, 0]], axis=-1),
        along=along,
        seen_m=reading.wye_m,
        across_used=fitted,
    )
    weighed = weigh(alternatives, reading.marks, own, beyond, first)
    inverts = _tied_inverts(reading, pipe, slopes, weighed, own)
    return replace(weighed, log_weight=weighed.log_weight + inverts[:, None])


def _wye_alternatives(reading: Reading, pipe: Pipe) -> Alternatives:
    """List the places and fittings of a wye, none with a bend yet."""
    length = float(pipe.stations_m[-1])
    cells = int(np.ceil(length / CELL_M))
    size = length / cells
    stations = np.asarray((np.arange(cells) + 0.5) * size, float)
    turns, shares, sds, labels = _fittings()
    if reading.side is not None:
        right = (turns > 0) == (reading.side == "left")
        # the side that the camera noted: 2 × 0.9 and 2 × 0.1, so that the shares still sum to 1
        shares = shares * 2.0 * np.where(right, SIDE_RIGHT, 1.0 - SIDE_RIGHT)
    m, kinds = cells * turns.size, turns.size
    places, segment = pipe.at(stations)
    places, segment, at = (np.repeat(v, kinds, axis=0) for v in (places, segment, stations))
    turn = np.tile(turns, cells)
    count = pipe.covariance.shape[0]
    shift, bend = pipe.shift_rows(places, segment)
    flow = lot_direction(pipe.angles[segment])
    left = np.stack([-flow[:, 1], flow[:, 0]], axis=-1)
    end_rows = np.zeros((m, 2, count + 6))
    end_rows[:, :, :count] = left[:, :, None] * shift[:, None]
    # unknowns: the pipe's own, then the wye's place along it, the fitting's angle, and two bends
    end_rows[:, :, count] = flow
    angle_rows = np.zeros((m, count + 6))
    angle_rows[:, :count], angle_rows[:, count + 1] = bend, 1.0
    unknowns = np.zeros((m, count + 6, count + 6))
    unknowns[:, :count, :count] = pipe.covariance
    # an even place within the cell, as a normal
    unknowns[:, count, count] = (CELL_SPREAD * size) ** 2
    unknowns[:, count + 1, count + 1] = np.tile(sds, cells) ** 2
    return Alternatives(
        ends=places,
        angles=pipe.angles[segment] - turn,
        # any place along the pipe alike
        log_prior=np.tile(np.log(shares), cells) - np.log(cells),
        end_rows=end_rows,
        angle_rows=angle_rows,
        unknowns=unknowns,
        bend_at=np.full((m, 2), np.inf),
        bend_rad=np.zeros((m, 2)),
        stations=at,
        label=np.tile(labels, cells),
        made=np.tile(labels < len(WYE_SHARES), cells),
    )


def _fittings() -> tuple[Array, Array, Array, Indices]:
    """Return turns of the flow (rad), shares, sds and labels.

    A turn is positive to the left, where the branch comes from the left too. A wye or tee is
    known to the 2° of made fittings; a free angle is spread over its step.
    """
    turns, shares, sds, labels = [], [], [], []
    for label, (angle, share) in enumerate(WYE_SHARES.items()):
        for sign in (1.0, -1.0):
            turns.append(np.radians(sign * angle))
            shares.append(0.5 * share)
            sds.append(BEND_ANGLE_SD_RAD)
            labels.append(label)
    # what is no fitting of today (a saddle, a hand-cut hole): any angle, in steps
    free = np.arange(FREE_DEG[0] + 0.5 * FREE_STEP_DEG, FREE_DEG[1], FREE_STEP_DEG)
    rest = 1.0 - sum(WYE_SHARES.values())
    for angle in free:
        for sign in (1.0, -1.0):
            turns.append(np.radians(sign * angle))
            shares.append(0.5 * rest / free.size)
            sds.append(np.radians(FREE_STEP_DEG) * CELL_SPREAD)
            labels.append(len(WYE_SHARES))
    return np.array(turns), np.array(shares), np.array(sds), np.array(labels, dtype=np.int64)


def apart(reading: Reading, slopes: SlopePrior) -> float:
    """Return ln Z of a run as a drain of its own: anywhere, in any direction, with a bend or none.

    Parameters
    ----------
    reading
        What a run's points read.
    slopes
        Prior of the slope.

    Returns
    -------
    float
        ln Z.
    """
    marks, n = reading.marks, len(reading.marks.xy)
    # flow in any direction: even over the circle, in steps as normals
    angles = (np.arange(DIRECTIONS) + 0.5) * 2.0 * np.pi / DIRECTIONS
    m = angles.size
    flow = lot_direction(angles)
    end_rows = np.zeros((m, 2, 6))
    end_rows[:, :, 0] = np.stack([-flow[:, 1], flow[:, 0]], axis=-1)
    angle_rows = np.zeros((m, 6))
    angle_rows[:, 1] = 1.0
    unknowns = np.zeros((m, 6, 6))
    # A normal as high at its middle as an even spread over the width.
    unknowns[:, 0, 0] = ACROSS_M**2 / (2.0 * np.pi)
    unknowns[:, 1, 1] = (CELL_SPREAD * 2.0 * np.pi / DIRECTIONS) ** 2
    alternatives = Alternatives(
        ends=np.tile(marks.xy[-1], (m, 1)),
        angles=angles,
        log_prior=np.full(m, -np.log(m)),
        end_rows=end_rows,
        angle_rows=angle_rows,
        unknowns=unknowns,
        bend_at=np.full((m, 2), np.inf),
        bend_rad=np.zeros((m, 2)),
        stations=np.zeros(m),
        label=np.zeros(m, dtype=np.int64),
        made=np.full(m, True),
    )
    none = Beyond(np.zeros(0), np.zeros(0), np.zeros((0, 6)), np.zeros((0, 2)), np.zeros((0, 2)))
    weighed = weigh(with_bends(alternatives, marks.xy[0]), marks, n, none)
    known = np.isfinite(reading.inverts_m)
    inverts = _log_inverts(
        reading.inverts_m[known],
        reading.invert_sds_m[known],
        weighed.upstream[:, known],
        np.full((1, 1), INVERT_PRIOR_M[0]),
        np.full((1, 1, 1), INVERT_PRIOR_M[1] ** 2),
        slopes,
    )
    return log_sum((weighed.log_weight + inverts[:, None]).ravel())


def _on_pipe(reading: Reading, pipe: Pipe, across: Array, ahead: Array, segment: Indices) -> float:
    """Return ln Z of a run wholly in a pipe: all its points across it and its footage along it."""
    n, marks = len(across), reading.marks
    # a push that goes back and forth is not one along a pipe
    if not _rising(ahead):
        return -np.inf
    count = pipe.covariance.shape[0]
    shift, _ = pipe.shift_rows(marks.xy, segment)
    along = lot_direction(pipe.angles[segment])
    rows = np.zeros((n, count + 6))
    rows[:, :count] = -shift
    beyond = Beyond(across, ahead, rows, np.stack([-along[:, 1], along[:, 0]], axis=-1), along)
    unknowns = np.zeros((1, count + 6, count + 6))
    unknowns[:, :count, :count] = pipe.covariance
    whole = Alternatives(
        ends=pipe.corners[:1],
        angles=pipe.angles[:1],
        log_prior=np.zeros(1),
        end_rows=np.zeros((1, 2, count + 6)),
        angle_rows=np.zeros((1, count + 6)),
        unknowns=unknowns,
        bend_at=np.full((1, 2), np.inf),
        bend_rad=np.zeros((1, 2)),
        # a meter upstream of the pipe's first point, where marks may scatter past its start
        stations=np.full(1, -1.0),
        label=np.zeros(1, dtype=np.int64),
        made=np.full(1, True),
    )
    weighed = weigh(whole, marks, 0, beyond)
    return log_sum(weighed.log_weight.ravel()) + _pipe_inverts(reading, pipe, ahead)


def _rising(ahead: Array) -> bool:
    """Return whether stations grow with the flow but for the scatter of marks."""
    return bool(np.all(at_least(np.diff(ahead), -0.5, MATTERS_M)))


def _tied_inverts(
    reading: Reading, pipe: Pipe, slopes: SlopePrior, weighed: Weighed, own: int
) -> Array:
    """Return the log density (m,) of a run's inverts, before the wye and past it together.

    Those before it are continuous at it, those past it are of the pipe joined, whose own error
    moves all of them alike.
    """
    known = np.flatnonzero(np.isfinite(reading.inverts_m))
    ahead, _, _ = pipe.project(reading.marks.xy[known])
    before = known < own
    m = len(weighed.alternatives.stations)
    # own points take the invert at the wye, those past it at their own stations
    stations = np.where(before, weighed.alternatives.stations[:, None], ahead)
    upstream = np.zeros((m, known.size))
    upstream[:, before] = weighed.upstream[:, known[before]]
    mean, variance = pipe.inverts(stations)
    # a branch enters a little above the invert: one step at the wye for all marks before it
    step = np.outer(before, before) * WYE_STEP_M[1] ** 2
    return _log_inverts(
        reading.inverts_m[known],
        reading.invert_sds_m[known],
        upstream,
        mean + WYE_STEP_M[0] * before,
        variance + step,
        slopes,
    )


def _log_inverts(
    read: Array, sds: Array, upstream: Array, mean: Array, variance: Array, slopes: SlopePrior
) -> Array:
    """Return ln Σ weight · N(read) (m,) over the slopes: invert at the end + slope · upstream.

    ``mean`` (m, n) of the end's invert with ``variance`` (m, n, n), as each reading takes it.
    """
    if not read.size:
        return np.zeros(len(mean))
    logs = []
    for weight, slope, sd in zip(slopes.weights, slopes.means, slopes.sds, strict=True):
        off = read - mean - slope * upstream
        # the branch's slope is one unknown: an error that grows upstream, shared by all its marks
        cover = variance + sd**2 * upstream[:, :, None] * upstream[:, None]
        root = np.linalg.cholesky(cover + np.diag(sds**2))
        white = np.linalg.solve(root, off[..., None])[..., 0]
        tail, more = tail_weight(white**2, 4.0)
        half = np.log(np.einsum("mii->mi", root)).sum(axis=1)
        cost = np.sum(0.5 * tail * white**2 + more, axis=1)
        logs.append(np.log(weight) - cost - half - 0.5 * read.size * np.log(2 * np.pi))
    stacked = np.stack(logs)
    # log-sum-exp over the peaks of the slope's prior
    peak = stacked.max(axis=0)
    return np.asarray(peak + np.log(np.exp(stacked - peak).sum(axis=0)))


def _pipe_inverts(reading: Reading, pipe: Pipe, ahead: Array) -> float:
    """Return the log density of the inverts of a run wholly in a pipe."""
    known = np.flatnonzero(np.isfinite(reading.inverts_m))
    mean, variance = pipe.inverts(ahead[None, known])
    # no branch of its own: a slope of 0 over a length of 0
    still = SlopePrior(np.ones(1), np.zeros(1), np.zeros(1))
    found = _log_inverts(
        reading.inverts_m[known],
        reading.invert_sds_m[known],
        np.zeros((1, known.size)),
        mean,
        variance,
        still,
    )
    return float(found[0])


def total_evidence(found: list[Joint]) -> float:
    """Return ln Z of a run on a pipe over all splits."""
    return log_sum(np.array([one.log_evidence for one in found])) if found else -np.inf


def likeliest(found: list[Joint]) -> Joint:
    """Return the split with the most evidence; of equal ones that with fewer own points."""
    return found[largest([one.log_evidence for one in found], LOG)]
