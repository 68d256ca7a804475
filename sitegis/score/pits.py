"""A cheap stand-in for the dig: pits side by side along the lot line, each with its cost.

Stage ``dig`` plans the real pits over the whole lot; this only serves to tell how much a check
could save. Pits that share no ground are exclusive places to look, so the search of
:mod:`sitegis.score.search` is exact for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .._frames import Array
from .._rules import RuleSet
from .._site import DigSettings, Site
from .particles import Particles
from .search import SearchPlan, plan_search
from .words import say_outdoors

BELOW_INVERT_M = 0.15
DEFAULT_DEPTH_M = 2.5
DEFAULT_RUN_M = 10.0


@dataclass(frozen=True, slots=True)
class PitRow:
    """Pits along the lot line, with ``costs`` (b,) and ``centres`` (b, 2).

    ``pit_of`` (p,) tells which pit would expose each particle (−1: none). ``way_out`` is the
    cost of opening the ground from the wall and following the pipe.
    """

    pit_of: NDArray[np.intp]
    costs: Array
    centres: Array
    way_out: float

    def probabilities(self, weights: Array) -> Array:
        """Give P(hit) of each pit (b,) for particle weights (p,) that sum to 1."""
        dug = self.pit_of >= 0
        found = np.bincount(self.pit_of[dug], weights[dug], minlength=self.costs.size)
        return found.astype(float)

    def plan(self, weights: Array) -> SearchPlan:
        """Plan the search for particle weights (p,) that sum to 1."""
        return plan_search(self.probabilities(weights), self.costs, self.way_out)


def lay_pits(particles: Particles, site: Site, rules: RuleSet) -> PitRow:
    """Lay pits of the site's pit length side by side round the lot line.

    A pipe deeper than the site's greatest digging depth is in no pit.
    """
    crossings, settings = particles.crossings, site.dig
    leaves = np.isfinite(crossings.along_m)
    depth = np.full(leaves.size, np.nan)
    if leaves.any():
        ground = site.ground.elevation_m(crossings.places[leaves])
        depth[leaves] = np.maximum(ground - crossings.inverts_m[leaves], 0.3)
    slot = np.full(leaves.size, -1, np.intp)
    reach = leaves & (np.nan_to_num(depth, nan=np.inf) <= settings.max_depth_m)
    slot[reach] = (crossings.along_m[reach] / settings.pit_length_m).astype(np.intp)
    used, pit_of = np.unique(slot[reach], return_inverse=True)
    slot[reach] = pit_of
    costs = [
        pit_cost(_mean(depth, particles.weights, slot == b), settings, rules)
        for b in range(used.size)
    ]
    centres = _along_ring(site.lot.vertices, (used + 0.5) * settings.pit_length_m)
    length_m = _mean(crossings.run_m, particles.weights, leaves, DEFAULT_RUN_M)
    depth_m = _mean(depth, particles.weights, leaves, DEFAULT_DEPTH_M)
    way_out = pit_cost(depth_m, settings, rules, length_m=max(length_m, settings.pit_length_m))
    return PitRow(slot, np.array(costs), centres, way_out)


def pit_cost(
    depth_m: float, settings: DigSettings, rules: RuleSet, *, length_m: float | None = None
) -> float:
    """Give set-up + volume × rate + restoring the lawn, for a pit or a trench of a length."""
    area = (length_m or settings.pit_length_m) * settings.pit_width_m
    deep = depth_m + BELOW_INVERT_M
    protected = deep > rules.protective_depth_m
    rate = settings.per_m3_protected if protected else settings.per_m3
    surface = settings.surface_per_m2.get("lawn", 0.0)
    return settings.setup + area * deep * rate + area * surface


def _mean(values: Array, weights: Array, chosen: NDArray[np.bool_], default: float = 0.0) -> float:
    """Give the weighted mean of some values, a default where there are none."""
    total = float(weights[chosen].sum())
    return float(values[chosen] @ weights[chosen]) / total if total > 0.0 else default


def _along_ring(ring: Array, along_m: Array) -> Array:
    """Give the points at distances round a ring (n, 2)."""
    closed = np.concatenate([ring, ring[:1]])
    passed = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    return np.stack([np.interp(along_m, passed, closed[:, i]) for i in (0, 1)], axis=-1)


def say_place(point: Array, site: Site) -> str:
    """Say where on the lot line a point lies: side, and distance from its left or front end."""
    ring = site.lot.vertices
    edges = np.roll(ring, -1, axis=0) - ring
    share = np.clip(np.sum((point - ring) * edges, axis=1) / np.sum(edges**2, axis=1), 0.0, 1.0)
    gap = np.linalg.norm(ring + share[:, None] * edges - point, axis=1)
    i = int(np.argmin(gap))
    side = site.lot.sides[i]
    axis, end_name = (0, "left") if side in ("front", "rear") else (1, "front")
    ends = np.stack([ring[i], ring[i] + edges[i]])
    near_end = ends[int(np.argmin(ends[:, axis]))]
    distance = say_outdoors(float(np.hypot(*(point - near_end))), site.units)
    return f"at the {side} lot line, {distance} from its {end_name} end"
