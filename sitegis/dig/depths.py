"""How deep the pipe lies along the most probable route, and what a trench along it would cost."""

from __future__ import annotations

import numpy as np
import shapely

from .. import _polyline
from .._dig_plan import DepthStep
from .._digging import BEDDING_M, pit_cost
from .._frames import Array
from .._results import Routes, ScoredHypothesis
from .._survey import Survey
from .._units import FOOT_M
from .area import surface_rates_at
from .cloud import RouteCloud
from .hits import weighted_quantiles

THREE_FEET_M = 3 * FOOT_M


def routes_of(survey: Survey, scored: ScoredHypothesis) -> Routes | None:
    """Give the route samples of a hypothesis, None where it has none."""
    for routes in survey.routes:
        if routes.hypothesis.id == scored.hypothesis.id and len(routes.vertices):
            return routes
    return None


def best_route(survey: Survey, scored: ScoredHypothesis) -> tuple[Array, Array] | None:
    """Give vertices (v, 2) and inverts (v,) of a hypothesis's most probable route, if any.

    The vertices have no repeats: a sampled route repeats its tap up to the common width.
    """
    routes = routes_of(survey, scored)
    if scored.best is None or routes is None:
        return None
    vertices, inverts = routes.vertices[scored.best], routes.inverts_m[scored.best]
    kept = _polyline.remove_repeated_points(vertices)
    return vertices[kept], inverts[kept]


def most_probable(survey: Survey) -> tuple[ScoredHypothesis, Routes] | None:
    """Give the most probable hypothesis that has a best route, with its routes."""
    for scored in survey.scores.hypotheses:
        routes = routes_of(survey, scored)
        if scored.best is not None and routes is not None:
            return scored, routes
    return None


def best_line(survey: Survey) -> tuple[Array, Array] | None:
    """Give vertices (v, 2) and inverts (v,) of the most probable route of all, if any."""
    found = most_probable(survey)
    return None if found is None else best_route(survey, found[0])


def depth_table(survey: Survey, cloud: RouteCloud) -> tuple[DepthStep, ...]:
    """Tabulate ground, invert and depth along the most probable route, with 5–95 % quantiles.

    One row a metre (3 ft where the site is in feet or inches) and one at the main. Invert and
    quantiles are over the routes of the same hypothesis at the same distance from the exit (the
    median, for the invert of one sample may lie anywhere in its band), against the ground of the
    most probable route; they include the error of the mapped ground.
    """
    line, found = best_line(survey), most_probable(survey)
    if line is None or found is None:
        return ()
    vertices, _ = line
    step = THREE_FEET_M if survey.site.units in ("ft", "in") else 1.0
    along = _polyline.stations(vertices)
    at = np.append(np.arange(0.0, along[-1] - 0.2 * step, step), along[-1])
    xy = _polyline.line_interpolate_point(vertices, at)
    ground = survey.site.ground.elevation_m(xy)
    chosen = cloud.owner == cloud.hypotheses.index(found[0].hypothesis.id)
    spread = _invert_quantiles(
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


def _invert_quantiles(vertices: Array, inverts: Array, weights: Array, at_m: Array) -> Array:
    """Give the 5, 50 and 95 % quantiles (n, 3) of the inverts of routes at distances (n,).

    A route that has ended counts with its invert at the tap.
    """
    along = _polyline.stations(vertices)
    quantiles = np.empty((at_m.size, 3))
    for i, at in enumerate(at_m):
        there = _polyline.interp(at, along, inverts)
        quantiles[i] = weighted_quantiles(there, weights, (0.05, 0.5, 0.95))
    return quantiles


def trench_cost(survey: Survey) -> float:
    """Price the renovator's habit: one trench from the exit along the most probable route.

    The trench is as wide as a pit, runs until the route leaves the lot (or meets the main) and
    is dug to the hypothesis's mean invert + 0.15 m. Paid whether the route is right or not, so
    it is a lower bound of what the habit costs. 0 where there is no route.
    """
    line, found = best_line(survey), most_probable(survey)
    if line is None or found is None:
        return 0.0
    site, (vertices, _) = survey.site, line
    inside = shapely.intersection(
        shapely.LineString(vertices), shapely.Polygon(site.lot.vertices)
    ).length
    length = float(inside) if inside > 0.1 else float(_polyline.length(vertices))
    count = max(2, int(np.ceil(length)) + 1)
    at = (np.arange(count) + 0.5) * length / count
    xy = _polyline.line_interpolate_point(vertices, at)
    scored, routes = found
    along = _polyline.stations(routes.vertices)
    inverts = np.array(
        [scored.weights @ _polyline.interp(station, along, routes.inverts_m) for station in at]
    )
    depth = site.ground.elevation_m(xy) - inverts + BEDDING_M
    area = np.full(count, site.dig.pit_width_m * length / count)
    rates = surface_rates_at(site, xy)
    pieces = pit_cost(area, np.maximum(depth, 0.0), rates, site.dig, survey.rules)
    return float(pieces.sum() - (count - 1) * site.dig.setup)
