"""Where sanitary and storm pipes meet: joined, or passing each other."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from ..geometry.frames import Array
from ..model.branches import Branch, Crossing
from ..model.results import Drain
from ..model.site import Run
from ..numerics.ordering import at_least
from .topology import Forest, opposed, probability_of

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
