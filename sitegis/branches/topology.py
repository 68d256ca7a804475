"""All the trees in which runs can join, weighed one by one, and where two systems meet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product

import numpy as np
import shapely

from ..geometry.frames import Array
from ..model.branches import Branch, Crossing, Topology
from ..model.results import Drain
from ..model.site import Run, Site, System
from ..numerics.ordering import MATTERS_P, at_least, ordered, share_out
from ..numerics.statistics import normalized_weights
from ..units import percent
from .joining import SAME_PIPE, WYE_SHARES

Forest = tuple[int | None, ...]
"""For each run the index of the run it joins, None for a drain of its own."""

APART = 0.10
"""Probability that one more run under the house belongs to a drain of its own. Judgment."""
CROSS = 0.03
"""Probability that a storm and a sanitary run join. Judgment: such joints are forbidden."""
DEEPER = 0.3
"""How often a run joins a branch, against joining the building drain itself. Judgment."""
NOTED_RIGHT = 0.9
"""How often a joint that was seen is noted right. Judgment, no source."""


def forests(number: int) -> Iterator[Forest]:
    """List how ``number`` runs can join without a ring: (n + 1)^(n − 1) forests (Cayley's formula).

    >>> [sum(1 for _ in forests(n)) for n in (1, 2, 3, 4)]
    [1, 3, 16, 125]
    """
    choices = [(None, *(j for j in range(number) if j != i)) for i in range(number)]
    # of all choices those in which every run comes to an end: no rings
    for joins in product(*choices):
        if all(_ends(joins, i) for i in range(number)):
            yield joins


def _ends(joins: Forest, start: int) -> bool:
    """Return whether following the joints from a run comes to an end."""
    at: int | None = start
    for _ in range(len(joins)):
        if at is None:
            return True
        at = joins[at]
    return at is None


def opposed(one: System, other: System) -> bool:
    """Return whether two systems must be kept apart.

    Parameters
    ----------
    one
        System of one run.
    other
        System of the other.

    Returns
    -------
    bool
        Whether they must.
    """
    return {one, other} == {"sanitary", "storm"}


def edge_prior(runs: Sequence[Run], joins: Forest) -> float:
    """Return the log prior of a forest, up to what all share.

    A run joins the building drain more often than a branch. A joint noted by the crew
    (``joins.run``) is right with 90 %.

    Parameters
    ----------
    runs
        The runs, n of them.
    joins
        Run that each joins, None for none.

    Returns
    -------
    float
        Log prior.
    """
    total = 0.0
    roots = 0
    for i, run in enumerate(runs):
        j = joins[i]
        # storm and sanitary pipes are kept apart by the code
        suited = [
            k for k, other in enumerate(runs) if k != i and not opposed(run.system, other.system)
        ]
        if j is None:
            roots += 1
            # the first root is the building drain itself, and costs nothing
            total += float(np.log(APART if suited else 1.0 - CROSS)) if roots > 1 else 0.0
        elif j in suited:
            total += float(np.log((1.0 - APART) / len(suited)))
            total += float(np.log(DEEPER)) if joins[j] is not None else 0.0
        else:
            # shared among the runs that are not suited
            total += float(np.log(CROSS / max(len(runs) - 1 - len(suited), 1)))
        noted = None if run.joins is None else run.joins.run
        if noted is not None:
            right = j is not None and runs[j].id == noted
            total += float(np.log(NOTED_RIGHT if right else 1.0 - NOTED_RIGHT))
    return total


def weigh_forests(
    runs: Sequence[Run], alone: Array, onto: Callable[[int, int, int | None], float]
) -> tuple[list[Forest], Array]:
    """Return all forests, most probable first, with their probabilities.

    ``alone`` (n,): ln Z of each run as a drain of its own; ``onto(i, j, k)``: ln Z of run i on the
    own pipe of run j that itself joins run k (None: none). Of equal ones the earlier in the list.

    Parameters
    ----------
    runs
        The runs, n of them.
    alone
        ln Z of each run as a drain of its own (n,).
    onto
        ln Z of run i on run j that itself joins run k.

    Returns
    -------
    forests
        Most probable first.
    probabilities
        Summing to 1.
    """
    listed = list(forests(len(runs)))
    logs = np.array(
        [
            edge_prior(runs, joins)
            + sum(
                float(alone[i]) if j is None else onto(i, j, joins[j]) for i, j in enumerate(joins)
            )
            for joins in listed
        ]
    )
    weights = normalized_weights(logs)
    order = ordered(weights, MATTERS_P, descending=True)
    return [listed[i] for i in order], weights[order]


def join_words(site: Site) -> tuple[str, ...]:
    """Say in words how runs are taken to join, where there are several."""
    if len(site.runs) < 2:
        return ()
    made = ", ".join(f"{percent(share)} at {angle:.0f}°" for angle, share in WYE_SHARES.items())
    return (
        f"Runs: one more joins another with {percent(1.0 - APART)}, a storm run a sanitary one "
        f"with {percent(CROSS)}; a branch joined in place of the building drain counts "
        f"{DEEPER:g} times; a joint noted by the crew is right with {percent(NOTED_RIGHT)}; a "
        f"branch comes in {made}, else at any angle; a run lies wholly in another one's pipe with "
        f"{percent(SAME_PIPE)}; judgment, no source.",
    )


def named(runs: Sequence[Run], listed: Sequence[Forest], weights: Array) -> tuple[Topology, ...]:
    """Name the alternatives of at least one percent, all others shared out among them.

    Parameters
    ----------
    runs
        The runs, n of them.
    listed
        Forests, most probable first.
    weights
        Probabilities of the forests.

    Returns
    -------
    tuple[Topology, ...]
        The trees of one percent or more.
    """
    kept = max(int(np.sum(at_least(weights, 0.01))), 1)
    # so that what is named adds up to all, in whole millionths
    shares = share_out(weights[:kept])
    return tuple(
        Topology(
            tuple(
                (run.id, None if j is None else runs[j].id)
                for run, j in zip(runs, joins, strict=True)
            ),
            float(share),
        )
        for joins, share in zip(listed[:kept], shares, strict=True)
    )


def probability_of(listed: Sequence[Forest], weights: Array, run: int, joined: int | None) -> float:
    """Return the probability that a run joins just that other one, whatever the others do.

    Parameters
    ----------
    listed
        Forests, most probable first.
    weights
        Probabilities of the forests.
    run
        Index of the run.
    joined
        Index of the run joined, None for none.

    Returns
    -------
    float
        Probability.
    """
    return float(sum(w for joins, w in zip(listed, weights, strict=True) if joins[run] == joined))


WORTH_NAMING = 0.02
"""A joint of two systems this probable is named; the prior alone gives 3 %. Judgment."""


def find_crossings(
    runs: Sequence[Run],
    listed: Sequence[Forest],
    weights: Array,
    drain: Drain,
    branches: Sequence[Branch],
    trunk: str,
) -> tuple[Crossing, ...]:
    """Return the places where runs of opposed systems meet in plan, and how sure it is they join.

    The place is the wye where one is thought to join the other, else where the pipes as drawn
    cross or come nearest; ``sd_m`` its spread there.

    Parameters
    ----------
    runs
        The runs, n of them.
    listed
        Forests, most probable first.
    weights
        Probabilities of the forests.
    drain
        Fitted building drain.
    branches
        The branches as drawn.
    trunk
        Id of the trunk's run.

    Returns
    -------
    tuple[Crossing, ...]
        The crossings.
    """
    drawn = {trunk: (drain.vertices, float(np.sqrt(np.trace(drain.end_covariance[:2, :2]) / 2)))}
    for one in branches:
        if len(one.vertices):
            drawn[one.id] = (one.vertices, float(one.vertex_sd_m.max()))
    wyes = {one.id: one for one in branches if one.wye is not None}
    found = []
    for i, first in enumerate(runs):
        for j in range(i + 1, len(runs)):
            second = runs[j]
            if not opposed(first.system, second.system):
                continue
            joined = probability_of(listed, weights, i, j) + probability_of(listed, weights, j, i)
            crossing = _meeting(first.id, second.id, joined, drawn, wyes)
            if crossing is not None:
                found.append(crossing)
    return tuple(found)


def _meeting(
    first: str,
    second: str,
    joined: float,
    drawn: dict[str, tuple[Array, float]],
    wyes: dict[str, Branch],
) -> Crossing | None:
    """Return where two runs meet, None where they neither cross as drawn nor probably join."""
    for one, other in ((first, second), (second, first)):
        branch = wyes.get(one)
        if branch is not None and branch.joins == other and branch.wye is not None:
            wye = branch.wye
            # 2.45 sds is the 95 % radius of a round normal
            return Crossing((first, second), wye.x_m, wye.y_m, wye.radius_95_m / 2.45, joined)
    if first not in drawn or second not in drawn:
        return None
    lines = [shapely.LineString(drawn[name][0]) for name in (first, second)]
    # where the two are nearest; a crossing has both points in one
    near = shapely.get_coordinates(shapely.shortest_line(*lines))
    # neither joined nor crossing as drawn: nothing to name
    if not at_least(joined, WORTH_NAMING) and not shapely.intersects(*lines):
        return None
    x, y = near.mean(axis=0)
    spread = float(np.hypot(drawn[first][1], drawn[second][1]))
    return Crossing((first, second), float(x), float(y), spread, joined)
