"""How deep the pipe lies along the most probable route, and what a trench along it would cost."""

from __future__ import annotations

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..model.dig_plan import DepthStep
from ..model.results import Routes, ScoredHypothesis
from ..model.survey import Survey
from ..numerics.statistics import weighted_quantiles
from ..pits.exposure import trench_cost as trench_along
from ..score.posterior import followed_alternative, most_probable_alternative
from ..units import FOOT_M
from .cloud import RouteCloud

THREE_FEET_M = 3 * FOOT_M


def routes_of(survey: Survey, scored: ScoredHypothesis) -> Routes | None:
    """Return the route samples of a hypothesis, None where it has none.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    scored
        The hypothesis.

    Returns
    -------
    Routes | None
        Its routes, None without any.
    """
    for routes in survey.routes:
        if routes.hypothesis.id == scored.hypothesis.id and len(routes.vertices):
            return routes
    return None


def best_route(survey: Survey, scored: ScoredHypothesis) -> tuple[Array, Array] | None:
    """Return vertices (v, 2) and inverts (v,) of a hypothesis's most probable route, if any.

    The vertices have no repeats: a sampled route repeats its tap up to the common width.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    scored
        The hypothesis.

    Returns
    -------
    tuple[Array, Array] | None
        Vertices (v, 2) and inverts (v,) in m, None without routes.
    """
    routes = routes_of(survey, scored)
    if scored.best is None or routes is None:
        return None
    vertices, inverts = routes.vertices[scored.best], routes.inverts_m[scored.best]
    kept = polyline.remove_repeated_points(vertices)
    return vertices[kept], inverts[kept]


def most_probable(survey: Survey) -> tuple[ScoredHypothesis, Routes] | None:
    """Return the most probable hypothesis that has a best route, with its routes."""
    return most_probable_alternative(survey.scores.hypotheses, survey.routes)


def best_line(survey: Survey) -> tuple[Array, Array] | None:
    """Return vertices (v, 2) and inverts (v,) of the most probable route of all, if any."""
    found = most_probable(survey)
    return None if found is None else best_route(survey, found[0])


def depth_table(survey: Survey, cloud: RouteCloud) -> tuple[DepthStep, ...]:
    """Tabulate ground, invert and depth along the most probable route, with 5–95 % quantiles.

    One row a meter (3 ft where the site is in feet or inches) and one at the main. Invert and
    quantiles are over the routes of the same hypothesis at the same distance from the exit (the
    median, for the invert of one sample may lie anywhere in its band), against the ground of the
    most probable route; they include the error of the mapped ground.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    cloud
        Thinned routes of every hypothesis.

    Returns
    -------
    tuple[DepthStep, ...]
        Rows from the exit to the main.
    """
    line, found = best_line(survey), most_probable(survey)
    if line is None or found is None:
        return ()
    vertices, _ = line
    step = THREE_FEET_M if survey.site.units in ("ft", "in") else 1.0
    along = polyline.stations(vertices)
    # a last whole step just before the main would be a row for nothing
    at = np.append(np.arange(0.0, along[-1] - 0.2 * step, step), along[-1])
    xy = polyline.line_interpolate_point(vertices, at)
    ground = survey.site.ground.elevation_m(xy)
    # of one way alone: routes to another main run at other depths, elsewhere
    chosen = cloud.owner == cloud.hypotheses.index(found[0].hypothesis.id)
    spread = invert_quantiles(
        cloud.vertices[chosen], cloud.inverts_m[chosen], cloud.weights[chosen], at
    )
    return tuple(
        DepthStep(
            *(
                float(value)
                for value in (
                    at[i],
                    xy[i, 0],
                    xy[i, 1],
                    ground[i],
                    spread[i, 1],
                    ground[i] - spread[i, 1],
                    ground[i] - spread[i, 2],
                    ground[i] - spread[i, 0],
                )
            )
        )
        for i in range(at.size)
    )


def invert_quantiles(vertices: Array, inverts: Array, weights: Array, at_m: Array) -> Array:
    """Return the 5, 50 and 95 % quantiles (n, 3) of the inverts of routes at distances (n,).

    A route that has ended counts with its invert at the tap.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    inverts
        Inverts of the routes (m, v), m.
    weights
        Weights of the routes (m,).
    at_m
        Distances from the exit (n,), m.

    Returns
    -------
    Array
        Inverts (n, 3), m.
    """
    along = polyline.stations(vertices)
    quantiles = np.empty((at_m.size, 3))
    for i, at in enumerate(at_m):
        there = polyline.interp(at, along, inverts)
        quantiles[i] = weighted_quantiles(there, weights, (0.05, 0.5, 0.95))
    return quantiles


def trench_cost(survey: Survey) -> float:
    """Price one trench from the exit along the most probable route, else a first straight."""
    found = followed_alternative(survey.scores.hypotheses, survey.routes)
    return 0.0 if found is None else trench_along(survey.site, survey.rules, *found)
