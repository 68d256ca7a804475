"""What is left to dig once the pipe was seen: trenches from there to the wall or the main."""

from __future__ import annotations

import numpy as np

from ..finds.records import Finding
from ..geometry import polyline
from ..model.dig_plan import FollowTrench
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, at_least
from ..pits.exposure import trench_between
from ..score.posterior import most_probable_alternative

# a find counts as the pipe from even odds; a shorter rest is not a trench of its own (judgment)
MORE_LIKELY_THAN_NOT = 0.5
SHORTEST_M = 0.1


def exposures(survey: Survey) -> tuple[Finding, ...]:
    """Return the finds in which somebody saw the pipe, and which more likely than not are it."""
    return tuple(
        one.finding
        for one in survey.scores.finds
        if one.finding.exposed and at_least(one.p_drain, MORE_LIKELY_THAN_NOT, MATTERS_P)
    )


def follow_trenches(survey: Survey, seen: tuple[Finding, ...]) -> tuple[FollowTrench, ...]:
    """Price following the pipe along the most probable route: to the wall, and to the main.

    To the wall from the find nearest to it, to the main from the one farthest from it. Nothing
    where no route fits.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    seen
        Finds in which the pipe was seen.

    Returns
    -------
    tuple[FollowTrench, ...]
        The trenches with their cost.
    """
    leading = most_probable_alternative(survey.scores.hypotheses, survey.routes)
    if not seen or leading is None:
        return ()
    scored, routes = leading
    line = routes.vertices[scored.best]
    places = np.array([(one.x_m, one.y_m) for one in seen])
    stations = polyline.line_locate_point(line, places)[1]
    # to a millimeter, then by the order of the table
    order = np.argsort(np.round(stations, 3), kind="stable")
    first, last = int(order[0]), int(order[-1])
    length = float(polyline.length(line))
    spans = (
        (seen[first], "wall", 0.0, float(stations[first])),
        (seen[last], "main", float(stations[last]), length),
    )
    made = []
    for find, to, start, end in spans:
        if end - start >= SHORTEST_M:
            cost, depth = trench_between(survey.site, survey.rules, leading, start, end)
            made.append(FollowTrench(find.id, to, end - start, depth, cost))  # type: ignore[arg-type]  # one of the two
    return tuple(made)
