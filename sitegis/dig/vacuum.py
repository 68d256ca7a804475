"""Vacuum test holes: where the next one finds the pipe for what it costs, hole after hole."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import Array
from ..model.dig_plan import VacuumHole
from ..model.site import Site
from ..numerics.ordering import at_least, in_steps, relative_step
from ..pits.cost import (
    dug_holes,
    hole_of,
    keep_out_shape,
    may_run_in,
    surface_rate,
    surfaces_at,
    with_edge,
)
from ..pits.exposure import VACUUM_HOLE_M, vacuum_hits
from .hits import accumulate, pit_spans
from .pits import LEAST_GAIN, PITS_AT_MOST, STOP_BELOW, Field, reachable
from .stakeout import choose_ties


def vacuum_area(site: Site) -> BaseGeometry:
    """Return where the center of a hole may stand (prepared for fast tests).

    In lot, rights-of-way and easements, off the building and what was dug by half a hole, and off
    others' lines by their own clearance: within the tolerance zone this is the way to dig.
    """
    half_m = 0.5 * VACUUM_HOLE_M
    closed = [shapely.buffer(shapely.Polygon(site.building.vertices), half_m)]
    closed += [shapely.buffer(hole_of(item), half_m) for item in dug_holes(site)]
    closed += [
        shapely.buffer(keep_out_shape(one), one.clearance_m + half_m) for one in site.keep_outs
    ]
    area = with_edge(shapely.difference(may_run_in(site), shapely.union_all(closed)))
    shapely.prepare(area)
    return area


def rank_holes(field: Field) -> tuple[VacuumHole, ...]:
    """Choose holes greedily by P(hit) per cost, each after the misses before it; at most five.

    Their centers are those of the raster's cells. Of places worth the same (to a thousandth) the
    frontmost goes first, then the leftmost. The price is the site's for a hole with its
    restoration; nobody enters one, so that no depth asks for a protective system.
    """
    site, grid = field.site, field.grid
    # a pipe is found when any of it is in the hole: half a diameter more on either side
    reach_m = VACUUM_HOLE_M + site.drain_diameter_m
    spans = pit_spans(field.straights, grid, (0.5 * reach_m, 0.5 * reach_m))
    seen = reachable(field, spans)
    centers, area = grid.centers().reshape(-1, 2), vacuum_area(site)
    cost = site.dig.vacuum_hole + VACUUM_HOLE_M**2 * field.surface_per_m2.ravel()
    crossed = accumulate(spans, field.cloud.weights, seen).ravel()
    worth = np.flatnonzero(at_least(crossed, LEAST_GAIN))
    worth = worth[shapely.contains_xy(area, *centers[worth].T)]
    left, found = np.array(field.cloud.weights), np.zeros(field.cloud.weights.size, bool)
    holes: list[VacuumHole] = []
    # as the pits: greedy, each after the misses before it
    while worth.size and len(holes) < PITS_AT_MOST and at_least(left.sum(), STOP_BELOW):
        gain = accumulate(spans, left, seen).ravel()[worth]
        score = in_steps(gain / cost[worth], relative_step(gain / cost[worth]))
        # cells are in order from the front, then from the left
        cell = worth[int(np.flatnonzero(score == score.max())[0])]
        hit = _hits(field, centers[cell], reach_m)
        if not at_least(left[hit].sum(), LEAST_GAIN):
            break
        found |= hit
        left = np.where(hit, 0.0, left)
        xy, weights = centers[cell], field.cloud.weights
        surface = str(surfaces_at(site, xy[None])[0])
        holes.append(
            VacuumHole(
                rank=len(holes) + 1,
                x_m=float(xy[0]),
                y_m=float(xy[1]),
                p_hit=min(float(weights[hit].sum()), 1.0),
                p_hit_so_far=min(float(weights[found].sum()), 1.0),
                cost=site.dig.vacuum_hole + VACUUM_HOLE_M**2 * surface_rate(site.dig, surface),
                surface=surface,
                ties=choose_ties(site, xy)[0],
            )
        )
    return tuple(holes)


def _hits(
    field: Field, center: Array, reach_m: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which routes (m,) a hole finds, exactly."""
    ground_m = float(field.site.ground.elevation_m(center))
    deepest = np.array([ground_m - field.site.dig.max_depth_m])
    return np.asarray(vacuum_hits(field.straights, center[None], reach_m, deepest)[0], bool)
