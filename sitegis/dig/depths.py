"""How deep the pipe lies along the most probable route, and what a trench along it would cost."""

from __future__ import annotations

import numpy as np
import shapely

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
REPEAT_M = 1e-6  # vertices nearer than a micrometre are one place


def routes_of(survey: Survey, scored: ScoredHypothesis) -> Routes | None:
    """Give the route samples of a hypothesis, None where it has none."""
    for routes in survey.routes:
        if routes.hypothesis.id == scored.hypothesis.id and len(routes.vertices):
            return routes
    return None


def without_repeats(vertices: Array, along: Array | None = None) -> Array:
    """Drop vertices (v, 2) that repeat the one before; ``along`` (v, ...) is thinned alike."""
    keep = np.ones(len(vertices), dtype=bool)
    keep[1:] = np.hypot(*np.diff(vertices, axis=0).T) > REPEAT_M
    return (vertices if along is None else along)[keep]


def best_route(survey: Survey, scored: ScoredHypothesis) -> tuple[Array, Array] | None:
    """Give vertices (v, 2) and inverts (v,) of a hypothesis's most probable route, if any.

    The vertices have no repeats: a sampled route repeats its tap up to the common width.
    """
    routes = routes_of(survey, scored)
    if scored.best is None or routes is None:
        return None
    vertices, inverts = routes.vertices[scored.best], routes.inverts_m[scored.best]
    return without_repeats(vertices), without_repeats(vertices, inverts)


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


def stations(vertices: Array) -> Array:
    """Give the distance from the first vertex (..., v) along polylines (..., v, 2)."""
    steps = np.hypot(*np.moveaxis(np.diff(vertices, axis=-2), -1, 0))
    return np.concatenate([np.zeros((*steps.shape[:-1], 1)), np.cumsum(steps, axis=-1)], axis=-1)


def points_at(vertices: Array, at_m: Array) -> Array:
    """Give the points (n, 2) of one polyline (v, 2) at distances (n,) from its start."""
    along = stations(vertices)
    return np.stack([np.interp(at_m, along, vertices[:, axis]) for axis in (0, 1)], axis=-1)


def values_along(along: Array, values: Array, at_m: Array) -> Array:
    """Interpolate vertex values (m, v, …) of many polylines at one distance (m,) each.

    ``along`` (m, v) are the vertices' distances; past an end the end's value holds.
    """
    after = np.clip((along < at_m[:, None]).sum(axis=1), 1, along.shape[1] - 1)
    row = np.arange(along.shape[0])
    low, high = along[row, after - 1], along[row, after]
    share = np.clip((at_m - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    before = values[row, after - 1]
    share = share.reshape(share.shape + (1,) * (before.ndim - 1))
    return np.asarray(before + share * (values[row, after] - before))


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
    along = stations(vertices)
    at = np.append(np.arange(0.0, along[-1] - 0.2 * step, step), along[-1])
    xy = points_at(vertices, at)
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
    along = stations(vertices)
    quantiles = np.empty((at_m.size, 3))
    for i, at in enumerate(at_m):
        there = values_along(along, inverts, np.full(len(along), at))
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
    length = float(inside) if inside > 0.1 else float(stations(vertices)[-1])
    count = max(2, int(np.ceil(length)) + 1)
    at = (np.arange(count) + 0.5) * length / count
    xy = points_at(vertices, at)
    scored, routes = found
    along = stations(routes.vertices)
    inverts = np.array(
        [scored.weights @ values_along(along, routes.inverts_m, np.full(len(along), s)) for s in at]
    )
    depth = site.ground.elevation_m(xy) - inverts + BEDDING_M
    area = np.full(count, site.dig.pit_width_m * length / count)
    rates = surface_rates_at(site, xy)
    pieces = pit_cost(area, np.maximum(depth, 0.0), rates, site.dig, survey.rules)
    return float(pieces.sum() - (count - 1) * site.dig.setup)
