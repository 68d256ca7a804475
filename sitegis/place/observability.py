"""What the network does not hold: told in words, with the measurement that would cure it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..geometry.frames import Array
from ..messages.catalog import fault_of
from ..messages.errors import ComputationError
from ..model.results import Adjustment
from ..model.site import Site
from ..numerics.ordering import MATTERS_M, MATTERS_P, in_steps, largest, smallest
from ..numerics.statistics import largest_sd_m
from ..units import format_length
from .adjust import Solution, null_space
from .network import Network, Observation, compile_equations, evaluate

_LOOSE_SD_M = 30.0  # spread of what nothing holds: wider than a lot is large
# what one more taped distance is good for; judgment, no source
_TAPE_SD_M = 0.015
# each costs a matrix of eigenvalues: on a large site every so many-th is tried
_MOST_CANDIDATES = 400
# a place that both solutions agree on to this can be measured from; judgment, no source
_STILL_M = 0.05
MOST_SPREAD_M = 1000.0
"""A point that may lie farther off than this is not placed at all. Judgment, no source."""


def require_observable(network: Network, solution: Solution) -> None:
    """Raise ``ComputationError`` in words where directions of the unknowns are not held.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    solution
        Unknowns at the optimum, with design and residuals.

    Raises
    ------
    ComputationError
        Points or rooms can move without any measurement changing.
    """
    loose = null_space(solution.design)
    if not loose.shape[1]:
        return
    rooms, points = _loose_parts(network, loose)
    cures = best_cures(network, solution, loose.shape[1])
    what = _what(rooms, points, loose)
    remedy = f"measure {_count(len(cures))} more distance{'s' if len(cures) > 1 else ''}: " + (
        "; ".join(f"from {a} to {b}" for a, b in cures)
    )
    if rooms:
        remedy += (
            ". A point measured in two rooms (a doorway corner, say) also ties them, like two"
            " distances"
        )
    name = "room-not-tied:adjusted" if rooms else "point-not-tied"
    loosened, measure = ", ".join(rooms or points), f"{remedy[0].upper()}{remedy[1:]}"
    raise ComputationError(
        fault_of(name, "ties.csv", None, "from, to", loosened, what=what, measure=measure)
    )


def require_some_place(
    site: Site, names: Sequence[str], blocks: Sequence[Array], adjustment: Adjustment
) -> None:
    """Raise ``ComputationError`` where a point may lie more than ``MOST_SPREAD_M`` off.

    ``blocks`` are the points' covariances (2, 2) in m². Named is the point that is held worst,
    and as the cure the measurement with the largest |w|, or else the one with the largest sd.

    Parameters
    ----------
    site
        The site as read.
    names
        Names of the points.
    blocks
        Covariances of the points (2, 2), m².
    adjustment
        Result of the adjustment of tapes and ties.

    Raises
    ------
    ComputationError
        A point may lie too far off.
    """
    spreads = [largest_sd_m(block) for block in blocks]
    worst = largest(spreads, MATTERS_M) if spreads else 0
    if not spreads or spreads[worst] <= MOST_SPREAD_M:
        return
    # a point so far off hangs on one wild or useless value: the worst w, or the widest sd
    items = adjustment.observations
    doubtful = items[
        largest([abs(item.w) for item in items], MATTERS_P, [-item.sd_m for item in items])
    ]
    spread = format_length(spreads[worst], site.units, fraction=1)
    raise ComputationError(
        fault_of(
            "point-not-placed",
            "locates.csv",
            None,
            "x, y",
            names[worst],
            spread=spread,
            doubtful=doubtful.name,
        )
    )


def _loose_parts(network: Network, loose: Array) -> tuple[list[str], list[str]]:
    """Name the rooms that can move or turn freely, and the points that can move by themselves."""
    # how much each unknown takes part in what is free
    moves = np.linalg.norm(loose, axis=1)
    # below this share of the largest move it is rounding
    significant = 1e-4 * float(moves.max())
    rooms = [
        name
        for name, column in network.poses.items()
        if float(moves[column : column + 3].max()) > significant
    ]
    points = [
        name
        for name, column in network.nodes.items()
        # a pose's origin moves with its room and is named there
        if column not in network.poses.values()
        and float(moves[column : column + 2].max()) > significant
    ]
    return rooms, points


def _what(rooms: list[str], points: list[str], loose: Array) -> str:
    """Return in words what is loose."""
    if not rooms:
        return f"Nothing holds the place of {' and '.join(repr(p) for p in points)}."
    named = " and ".join(f"'{room}'" for room in rooms)
    subject = f"Room {named} is" if len(rooms) == 1 else f"Rooms {named} are"
    # a rigid body in the plane has three freedoms: shift along two axes and turn
    if loose.shape[1] >= 3:
        return f"{subject} not tied to anything."
    if loose.shape[1] == 1:
        return f"{subject} free to swing: one more measurement is missing."
    return f"{subject} tied by too little: {loose.shape[1]} measurements are missing."


def _count(number: int) -> str:
    """Return a small number in words."""
    return {1: "one", 2: "two", 3: "three"}.get(number, str(number))


def best_cures(network: Network, solution: Solution, count: int) -> list[tuple[str, str]]:
    """Choose the distances that would best hold what is loose, one after the other.

    With a loose prior of 30 m on every unknown, each candidate a (a distance between two named
    points that are not measured from each other yet) turns the covariance C into
    C − C aᵀ a C/(σ² + a C aᵀ); the one that leaves the smallest largest eigenvalue is taken
    (the trace breaks ties).

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    solution
        Unknowns at the optimum, with design and residuals.
    count
        How many to choose.

    Returns
    -------
    list[tuple[str, str]]
        Pairs of names to measure between.
    """
    information = solution.design.T @ solution.design
    # a weak prior stands in for what is missing, so that the covariance exists
    # C = (AᵀA + I/30²)⁻¹; what nothing holds comes out as wide as the prior
    covariance = np.linalg.inv(information + np.eye(network.size) / _LOOSE_SD_M**2)
    candidates = _candidates(network, np.asarray(covariance, float))
    if not candidates:
        return []
    chosen: list[tuple[str, str]] = []
    equations = compile_equations(candidates, network.size)
    # derivatives (c, size) of the candidates' distances at the solution
    rows = evaluate(equations, solution.x)[1]
    for _ in range(count):
        scores = []
        for row in rows:
            gain = covariance @ row
            # rank-one update (Sherman and Morrison): one more distance
            after = covariance - np.outer(gain, gain) / (_TAPE_SD_M**2 + row @ gain)
            scores.append((float(np.linalg.eigvalsh(after)[-1]), float(np.trace(after))))
        widest, traces = np.array(scores).T
        best = smallest(widest, MATTERS_P, in_steps(traces, MATTERS_P))
        gain = covariance @ rows[best]
        covariance = covariance - np.outer(gain, gain) / (_TAPE_SD_M**2 + rows[best] @ gain)
        chosen.append((candidates[best].joins[0], candidates[best].joins[1]))
    return chosen


def _candidates(network: Network, covariance: Array) -> list[Observation]:
    """Return the distances that could be taped between something loose and something held."""
    spread = {
        name: float(np.trace(covariance[c : c + 2, c : c + 2])) for name, c in network.nodes.items()
    }
    # the two coordinates' variances summed, m²: below 2 m together something holds it
    held = [name for name, value in spread.items() if value < 4.0]
    loose = [name for name in spread if name not in held]
    # where nothing is held, between the loose parts
    pairs = [(a, b) for a in loose for b in (held or loose) if a != b]
    taped = {frozenset(i.columns) for i in network.observations if i.kind == "distance"}
    items = []
    for a, b in pairs:
        columns = (network.nodes[a], network.nodes[b])
        if columns[0] != columns[1] and frozenset(columns) not in taped:
            items.append(Observation("", "distance", columns, 1.0, _TAPE_SD_M, joins=(a, b)))
    step = max(1, len(items) // _MOST_CANDIDATES)
    return items[::step]


def separating_measurement(
    first: Mapping[str, Array], second: Mapping[str, Array], names: Sequence[str]
) -> tuple[str, str, float]:
    """Choose the distance that differs most between two solutions: from, to, difference.

    ``first`` and ``second`` give the place (2,) of every named point in either solution;
    ``names`` are the points in doubt. The other end is something that lies still.

    Parameters
    ----------
    first
        Places (2,) by name in one solution, m.
    second
        Places (2,) by name in the other, m.
    names
        Points in doubt.

    Returns
    -------
    tuple[str, str, float]
        From, to, and the difference in m.
    """
    # only what lies in one place in both solutions can serve as the other end
    still = [
        name
        for name in first
        if name not in names and float(np.hypot(*(first[name] - second[name]))) < _STILL_M
    ]
    best = ("", "", 0.0)
    for doubtful in names:
        for name in still:
            gap = abs(
                float(np.hypot(*(first[doubtful] - first[name])))
                - float(np.hypot(*(second[doubtful] - second[name])))
            )
            if in_steps(gap, MATTERS_M) > in_steps(best[2], MATTERS_M):
                best = (doubtful, name, gap)
    return best
