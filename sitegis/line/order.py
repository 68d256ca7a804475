"""Which marks lie on the drain, in which order, and which way it flows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import fault_of, notice_of
from ..messages.errors import ComputationError, Notice
from ..model.results import PlacedPoint, Placement
from ..numerics.noise_scale import PRIOR_MEAN_SQUARE as MEAN_SQUARE
from ..numerics.ordering import MATTERS_M, at_least, ordered

ON_LINE_KINDS = ("cleanout", "stack", "locate", "bend")
UPSTREAM_ODDS = {"cleanout": 30.0, "stack": 8.0}
"""How much oftener such a point stands at the upstream end than at the other. Judgment."""
# odds below which a person is told; judgment, no source
SURE_ODDS = 10.0
# fall per run of building drains and how it scatters; judgment, no source
USUAL_SLOPE, SLOPE_SPREAD = 0.02, 0.015
TAPED_KINDS = ("cleanout", "stack", "floor-drain", "branch")
"""Kinds whose depth is taped to the pipe's bottom, not read by the locator."""


@dataclass(frozen=True, slots=True)
class Ordered:
    """Indices into the placement in downstream order, and what was noticed on the way."""

    indices: tuple[int, ...]
    notices: tuple[Notice, ...]


def count_of(point: PlacedPoint) -> float:
    """Return the footage of a point, NaN where there is none; a cleanout is 0 unless given."""
    if point.footage_m is not None:
        return point.footage_m
    return 0.0 if point.kind == "cleanout" else float("nan")


def points_on_line(placement: Placement) -> list[int]:
    """Choose the points that the plan fit takes.

    Cleanout, stack, located head and marked bend found indoors. A floor drain or a branch joins
    the drain from the side and a wall point only ties the survey, so none of these are taken.
    ``ComputationError`` where fewer than two remain or all lie on one spot.
    """
    chosen = [i for i, p in enumerate(placement.points) if p.kind in ON_LINE_KINDS and p.indoors]
    xy = _coordinates(placement, chosen)
    spread = float(np.hypot(*np.ptp(xy, axis=0))) if len(chosen) > 1 else 0.0
    # marks within a foot of each other give no line
    if spread < 0.3:
        raise ComputationError(
            fault_of(
                "too-few-points:order",
                "locates.csv",
                None,
                "kind",
                "",
                count=len(chosen),
                spread=spread,
            )
        )
    return chosen


def order_downstream(placement: Placement, inverts: Array, invert_sds: Array) -> Ordered:
    """Order the drain's points with the flow.

    Where every point has a footage (a cleanout counts 0) the footage orders them, unless that
    path is half as long again as the shortest chain. Else the shortest chain through
    them does. Its direction of flow comes from the counts, else from the odds of depths that
    fall and of a cleanout or stack at its upstream end, taken together; odds below ten to one
    are told. ``inverts`` and ``invert_sds`` (points of the placement,) NaN where not read.

    Parameters
    ----------
    placement
        Points placed in the lot, with their covariance.
    inverts
        Inverts as read (n,), m above the slab; NaN where not read.
    invert_sds
        Their standard deviations (n,), m.

    Returns
    -------
    Ordered
        Indices of the points in order, with how it was found.
    """
    chosen = points_on_line(placement)
    xy = _coordinates(placement, chosen)
    counts = np.array([count_of(placement.points[i]) for i in chosen])
    chain = shortest_chain(xy)
    notices: list[Notice] = []
    if np.all(np.isfinite(counts)):
        counted = np.argsort(counts, kind="stable")
        # a path half as long again, and a foot for scatter: the counts contradict the places
        most_m = 1.5 * polyline.length(xy[chain]) + 0.3
        if at_least(most_m, polyline.length(xy[counted]), MATTERS_M):
            return Ordered(tuple(chosen[i] for i in counted), ())
        notices.append(_count_notice([placement.points[i].id for i in chosen]))
    kinds = [placement.points[i].kind for i in chosen]
    forward, sure = _flows_forward(chain, xy, counts, kinds, inverts[chosen], invert_sds[chosen])
    if not sure:
        notices.append(_direction_notice())
    ordered = chain if forward else chain[::-1]
    return Ordered(tuple(chosen[i] for i in ordered), tuple(notices))


def shortest_chain(xy: Array) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Order points (n, 2) along a short open path: principal direction, then 2-opt.

    Every reversal of a stretch that shortens the path is made until none does (Croes 1958, from
    memory). The result starts at the end with the smaller first coordinate on the
    principal axis; a caller decides on the direction.
    """
    centered = xy - xy.mean(axis=0)
    # first right singular vector of the centered points: their principal direction
    axis = np.linalg.svd(centered, full_matrices=False)[2][0]
    order = ordered(centered @ axis, MATTERS_M)
    improved = True
    while improved:
        improved = False
        best = float(polyline.length(xy[order]))
        for i in range(order.size - 1):
            for j in range(i + 2, order.size + 1):
                trial = np.concatenate([order[:i], order[i:j][::-1], order[j:]])
                length = float(polyline.length(xy[trial]))
                # by more than rounding, or two equal orders would take turns for ever
                if length < best - 1e-9:
                    order, best, improved = trial, length, True
    return order


def _flows_forward(
    chain: np.ndarray[tuple[int], np.dtype[np.int64]],
    xy: Array,
    counts: Array,
    kinds: Sequence[str],
    inverts: Array,
    invert_sds: Array,
) -> tuple[bool, bool]:
    """Return whether a chain runs with the flow, and whether that is sure."""
    ordered = xy[chain]
    stations = polyline.stations(ordered)
    counts, inverts, invert_sds = counts[chain], inverts[chain], invert_sds[chain]
    known = np.isfinite(counts)
    if known.sum() >= 2 and np.ptp(counts[known]) > 0:
        # sign of the footage's slope along the chain: footage grows with
        # the flow from where it was pushed in
        return bool(np.polyfit(stations[known], counts[known], 1)[0] > 0), True
    log_odds = _log_odds_of_fall(*_fall(stations, inverts, invert_sds))
    middle = 0.5 * stations[-1]
    for kind, odds in UPSTREAM_ODDS.items():
        starts = [stations[i] for i, j in enumerate(chain) if kinds[int(j)] == kind]
        # near the middle it says nothing; of the kinds the stronger alone counts
        if starts and abs(float(np.mean(starts)) - middle) > 0.25 * middle:
            log_odds += np.sign(middle - float(np.mean(starts))) * np.log(odds)
            break
    return log_odds >= 0, abs(log_odds) >= np.log(SURE_ODDS)


def _log_odds_of_fall(fall: float, z: float) -> float:
    """Weigh a fall per run, z sds, for the flow running that way: slopes about ± 2 %.

    N(fall; 2 %, v) against N(fall; −2 %, v), v = spread of slopes² + mean k² × the fall's sd².
    """
    if z == 0.0:
        return 0.0
    variance = SLOPE_SPREAD**2 + MEAN_SQUARE * (fall / z) ** 2
    # ln of the ratio of two normals of one variance, at ± μ: 2 μ x / v
    return 2.0 * USUAL_SLOPE * fall / variance


def _fall(stations: Array, inverts: Array, sds: Array) -> tuple[float, float]:
    """Return the weighted fall per run and its z score (0, 0 where depths do not tell)."""
    known = np.isfinite(inverts)
    if known.sum() < 2:
        return 0.0, 0.0
    # weighted straight line of invert on station: slope, and slope over its sd
    weight = 1.0 / sds[known] ** 2
    away = stations[known] - np.average(stations[known], weights=weight)
    information = float(weight @ away**2)
    if information <= 0:
        return 0.0, 0.0
    fall = -float(weight @ (away * inverts[known])) / information
    return fall, fall * float(np.sqrt(information))


def _coordinates(placement: Placement, chosen: list[int]) -> Array:
    return np.array([[placement.points[i].x_m, placement.points[i].y_m] for i in chosen])


def _count_notice(ids: list[str]) -> Notice:
    return notice_of("cable-count-disagrees", "locates.csv", ids=", ".join(ids))


def _direction_notice() -> Notice:
    return notice_of("flow-direction-unsure", "locates.csv")
