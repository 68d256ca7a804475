"""How many bends, which and where: chains of straights weighed by their evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, product

import numpy as np

from .._frames import Array, wrap_radians
from .._statistics import log_sum, normalized_weights
from .._ties import LOG, MATTERS_M, MATTERS_P, at_least, largest, on_lattice, ordered, smallest
from .straights import (
    Chain,
    Marks,
    fit_chain,
    line_coordinates,
    vertex_stations,
)

CATALOGUE_DEG = (11.25, 22.5, 45.0, 60.0, 72.0, 90.0)
"""Angles of made drainage bends (1/32, 1/16, 1/8, 1/6, 1/5; 90 as two 45s)."""
CATALOGUE_WEIGHTS = (0.06, 0.22, 0.42, 0.06, 0.04, 0.20)
"""How often each is met; left and right alike. Judgement, no source."""
BEND_COUNT_WEIGHTS = (0.55, 0.30, 0.12, 0.03)
"""Prior of 0, 1, 2, 3 bends under one basement. Judgement, no source."""
BASEMENT_RUN_M = 8.0
"""Length of a building drain under one basement to which that prior belongs. Judgement."""
BENDS_PER_M = sum(n * weight for n, weight in enumerate(BEND_COUNT_WEIGHTS)) / BASEMENT_RUN_M
"""Bends per metre of drain, seen or not: 0.63 over 8 m, about 0.08."""
MANY_POINTS = 9
"""Three bends are tried from this many points on."""
_REFINED, _KEPT_WITHIN, _SLACK_M, _TIE_REACH_M, _MARKED = 6, 12.0, 0.25, 0.75, 0.8
_PRUNED_BELOW = 8.0
COMPARABLE = 0.05
"""Chains with less than this share of the evidence do not widen the answer."""


@dataclass(frozen=True, slots=True)
class _Start:
    """Where a full fit starts: rough log evidence, parameters, each point's straight, bends."""

    promise: float
    parameters: Array
    segment: np.ndarray[tuple[int], np.dtype[np.int64]]
    nominal_rad: Array


@dataclass(frozen=True, slots=True)
class PlanFit:
    """The best chain, all kept chains with weights that sum to 1, and ln Z + ln prior per count.

    ``end_covariance`` (3, 3) of x, y, angle at the end holds the chains of comparable evidence:
    Σ w (Σi + δi δiᵀ), δi the chain's end against the best one's.
    """

    best: Chain
    chains: tuple[Chain, ...]
    weights: Array
    log_evidence_by_bends: dict[int, float]
    end_covariance: Array


def fit_plan(marks: Marks) -> PlanFit:
    """Fit straights with 0, 1, 2 (3 where points are many) standard bends, and average.

    Per count the most promising (bends, places) are found by a closed form, then each
    is fitted in full (:func:`~sitegis.line.straights.fit_chain`) and weighed by Laplace's
    approximation to its evidence: ln L + ln prior + ½ ln|2π Q|.
    """
    extent = max(float(np.hypot(*np.ptp(marks.xy, axis=0))), 0.5)
    scored: list[tuple[int, Chain, float]] = []
    evidence: dict[int, float] = {}
    most = min(3 if len(marks.xy) >= MANY_POINTS else 2, max(len(marks.xy) - 2, 0))
    top = -np.inf
    for bends in range(most + 1):
        if bends == 3 and evidence[2] < evidence[1]:
            break
        starts = _promising(marks, bends, extent)
        top = max(top, max((start.promise for start in starts), default=-np.inf))
        found = _modes(marks, starts, extent, top - _PRUNED_BELOW)
        evidence[bends] = log_sum(np.array([log for _, log in found]))
        scored += [(bends, chain, log) for chain, log in found]
    weights = normalized_weights(np.array([log for _, _, log in scored]))
    chains = tuple(chain for _, chain, _ in scored)
    best = chains[largest(weights, MATTERS_P)]
    return PlanFit(best, chains, weights, evidence, _average_end(best, chains, weights))


def _average_end(best: Chain, chains: tuple[Chain, ...], weights: Array) -> Array:
    """Give the second moment of the end about the best chain's over comparable chains."""
    kept = at_least(weights, min(COMPARABLE, float(weights.max())))
    share = np.where(kept, weights, 0.0)
    share = share / share.sum()
    total = np.zeros((3, 3))
    for weight, chain in zip(share, chains, strict=True):
        if weight > 0:
            away = chain.end - best.end
            away[2] = wrap_radians(away[2])
            total += weight * (chain.end_covariance + np.outer(away, away))
    return total


def _log_count(marks: Marks, bends: int) -> float:
    """Give the log prior of a count; each marked bend left out speaks against it fivefold.

    The factor is judgement, no source.
    """
    missing = max(int(marks.bend_marks.sum()) - bends, 0)
    return float(np.log(BEND_COUNT_WEIGHTS[bends]) - missing * np.log(5.0))


def _modes(
    marks: Marks, starts: list[_Start], extent: float, floor: float
) -> list[tuple[Chain, float]]:
    """Fit the promising chains of one bend count; gives (chain, log evidence with prior).

    Past the first that holds, chains that promise less than ``floor`` are left out. Where
    the splits were thinned, each point then goes to the straight that its station is on.
    """
    found: list[tuple[Chain, float]] = []
    for first in starts:
        start = first
        if found and start.promise < floor:
            break
        chain = _fitted(marks, start)
        thinned = len(_cut_places(len(marks.xy), start.nominal_rad.size)) < len(marks.xy) - 1
        if thinned and chain.converged and (segment := _reassigned(chain)) is not None:
            start = replace(start, segment=segment, parameters=chain.parameters)
            chain = _fitted(marks, start)
        # Scattered marks can keep the tails' weights swinging; a straight is there all the same.
        holds = chain.converged or not start.nominal_rad.size
        if holds and _order_holds(chain.parameters, marks.xy, chain.segment, 2 * _SLACK_M):
            log_count = _log_count(marks, start.nominal_rad.size)
            found.append((chain, log_count + _log_evidence(chain, start, marks, extent)))
    return _distinct(found)


def _fitted(marks: Marks, start: _Start) -> Chain:
    """Fit one start in full."""
    return fit_chain(
        marks, start.segment, start.parameters, nominal_rad=start.nominal_rad,
        ties=_ties(marks, start.parameters, start.segment), tolerance=1e-5,
    )  # fmt: skip


def _distinct(found: list[tuple[Chain, float]]) -> list[tuple[Chain, float]]:
    """Keep one of chains that came to the same place."""
    kept: list[tuple[Chain, float]] = []
    for i in ordered([log for _, log in found], MATTERS_P, descending=True):
        chain, log = found[i]
        if all(np.max(np.abs(chain.parameters - k.parameters)) > 1e-3 for k, _ in kept):
            kept.append((chain, log))
    return kept


def _order_holds(
    parameters: Array,
    xy: Array,
    segment: np.ndarray[tuple[int], np.dtype[np.int64]],
    slack_m: float,
) -> bool:
    """Tell whether each bend comes after the points before it and before those after it."""
    _, stations = line_coordinates(parameters, xy, segment)
    at = vertex_stations(parameters)
    if np.any(np.diff(at) <= 0) or np.any((at <= stations.min()) | (at >= stations.max())):
        return False
    return all(
        stations[segment == j].max() - slack_m < at[j] < stations[segment == j + 1].min() + slack_m
        for j in range(at.size)
    )


def _log_evidence(chain: Chain, start: _Start, marks: Marks, extent: float) -> float:
    """Weigh a chain: likelihood, prior of its bends and places, and the room about its mode."""
    size = chain.parameters.size
    determinant = float(np.linalg.slogdet(2 * np.pi * chain.covariance)[1])
    turns = chain.parameters[1 : size // 2]
    tied = len(_ties(marks, start.parameters, start.segment))
    log_place = _log_place(turns.size, tied, bool(marks.bend_marks.any()), extent)
    # A bend's place along the line has density 1/extent; the offset of the next straight
    # changes by sin φ as the bend moves.
    log_place -= float(np.log(np.abs(np.sin(turns))).sum())
    log_prior = _log_labels(start.nominal_rad) - float(np.log(2 * np.pi * extent))
    return chain.log_likelihood + log_prior + log_place + 0.5 * determinant


def _log_place(bends: int, tied: int, any_marked: bool, extent: float) -> float:
    """Give the log density of the bends' places: near a bend mark, or anywhere."""
    free = np.log((1.0 - _MARKED if any_marked else 1.0) / extent)
    orders = np.log(np.arange(1, bends + 1)).sum()
    return float(tied * np.log(_MARKED) + (bends - tied) * free + orders)


def _log_labels(nominal: Array) -> float:
    """Give the log prior of nominal bend angles (radians, signed)."""
    degrees = np.abs(np.degrees(nominal))[..., None]
    which = np.argmin(np.abs(degrees - np.array(CATALOGUE_DEG)), axis=-1)
    return float(np.log(np.array(CATALOGUE_WEIGHTS)[which] / 2.0).sum())


def _ties(
    marks: Marks, parameters: Array, segment: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[tuple[int, int], ...]:
    """Pair each bend with the marked bend next to it, within reach, each once."""
    marked = np.flatnonzero(marks.bend_marks)
    at = vertex_stations(parameters)
    if not marked.size or not at.size:
        return ()
    stations = line_coordinates(parameters, marks.xy, segment)[1][marked]
    pairs: list[tuple[int, int]] = []
    for vertex, station in enumerate(at):
        near = smallest(np.abs(stations - station), MATTERS_M)
        if abs(stations[near] - station) < _TIE_REACH_M and marked[near] not in [
            mark for _, mark in pairs
        ]:
            pairs.append((vertex, int(marked[near])))
    return tuple(pairs)


@lru_cache(maxsize=4)
def _labels(bends: int) -> tuple[Array, Array]:
    """List signed catalogue bends (m, bends) in radians with log prior (m,).

    All of them for one or two bends; for three only the common ones, to save time.
    """
    least = 0.1 if bends > 2 else 0.0
    common = [(a, w) for a, w in zip(CATALOGUE_DEG, CATALOGUE_WEIGHTS, strict=True) if w >= least]
    signed = np.radians([s * a for a, _ in common for s in (1.0, -1.0)])
    logs = np.log([w / 2.0 for _, w in common for _ in range(2)])
    chosen = np.array(list(product(range(signed.size), repeat=bends)), dtype=int)
    chosen = chosen.reshape(signed.size**bends, bends)
    return signed[chosen], logs[chosen].sum(axis=1)


def _promising(marks: Marks, bends: int, extent: float) -> list[_Start]:
    """Find starts for the full fit, most promising first.

    With independent, round errors and given bends the best direction is a closed form: each
    straight's scatter matrix turned back by the bends before it, summed; the smaller
    eigenvalue is the cost and the larger one's axis the direction. Done for all
    catalogue bends at once, per way of splitting the points into runs.
    """
    labels, log_labels = _labels(bends)
    n = len(marks.xy)
    entries: list[tuple[float, int, Array, np.ndarray[tuple[int], np.dtype[np.int64]]]] = []
    for cuts in combinations(_cut_places(n, bends), bends):
        segment = np.searchsorted(np.array(cuts, dtype=int), np.arange(n), side="right")
        parameters, cost = _closed_form(marks, segment, labels)
        promise = on_lattice(
            log_labels - 0.5 * cost - bends * np.log(extent) + _log_count(marks, bends), LOG
        )
        # bends about a run of one point may change places: the first in the list is taken
        entries += [
            (float(promise[m]), int(m), parameters[m], segment)
            for m in np.argsort(-promise, kind="stable")[:_REFINED]
        ]
    entries.sort(key=lambda entry: -entry[0])
    chosen: dict[int, _Start] = {}
    for promise_m, m, start, segment in entries:
        top = next(iter(chosen.values())).promise if chosen else np.inf
        if len(chosen) == _REFINED or (chosen and promise_m < top - _KEPT_WITHIN):
            break
        if m not in chosen and _order_holds(start, marks.xy, segment, _SLACK_M):
            chosen[m] = _Start(promise_m, start, segment, labels[m])
    return list(chosen.values())


def _cut_places(n: int, bends: int) -> list[int]:
    """List where points may be split into runs; thinned evenly where they are many."""
    most = {0: n, 1: n, 2: 20}.get(bends, 9)
    return sorted({round(place) for place in np.linspace(1, n - 1, min(n - 1, most))})


def _reassigned(chain: Chain) -> np.ndarray[tuple[int], np.dtype[np.int64]] | None:
    """Give each point the straight that its station lies on; None where that changes nothing."""
    segment = np.searchsorted(chain.bend_stations_m, chain.stations_m)
    whole = np.unique(segment).size == chain.bend_stations_m.size + 1
    changed = bool(np.any(segment != chain.segment)) and bool(np.all(np.diff(segment) >= 0))
    return segment if whole and changed else None


def _closed_form(
    marks: Marks, segment: np.ndarray[tuple[int], np.dtype[np.int64]], labels: Array
) -> tuple[Array, Array]:
    """Fit all labels (m, k) to one split: parameters (m, 2k + 2) and costs (m,)."""
    n, bends = segment.size, labels.shape[1]
    z = marks.xy[:, 0] + 1j * marks.xy[:, 1]
    blocks = marks.covariance.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n), :]
    w = 2.0 / np.trace(blocks, axis1=1, axis2=2)
    totals = np.array([w[segment == j].sum() for j in range(bends + 1)])
    means = np.array([(w * z)[segment == j].sum() for j in range(bends + 1)]) / totals
    away = z - means[segment]
    # A 2×2 scatter matrix as its trace and a complex deviator, which turns by twice the angle.
    trace = float((w * np.abs(away) ** 2).sum())
    deviator = np.array([(w * away**2)[segment == j].sum() for j in range(bends + 1)])
    turned = np.concatenate([np.zeros((len(labels), 1)), np.cumsum(labels, axis=1)], axis=1)
    total = (deviator * np.exp(-2j * turned)).sum(axis=1)
    direction = 0.5 * np.angle(total)
    steps = np.diff(z)
    runs = np.array([steps[segment[:-1] == j].sum() for j in range(bends + 1)])
    ahead = np.real((runs * np.exp(-1j * (turned + direction[:, None]))).sum(axis=1))
    direction = np.where(ahead < 0, direction + np.pi, direction)
    angles = direction[:, None] + turned
    constants = np.imag(means * np.exp(-1j * angles))
    parameters = np.concatenate([direction[:, None], labels, constants], axis=1)
    return parameters, 0.5 * (trace - np.abs(total))
