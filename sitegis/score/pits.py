"""A cheap stand-in for the dig: where a pit could be dug, what it costs, whom it would expose.

Stage ``dig`` ranks the real pits on a fine raster; this only serves to tell how much a check
could save, and so must find about as cheap a search as that does. Pits are proposed just outside
the wall that the drain leaves by, at set distances along the likely ways, and along the lot line.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from .. import _polyline
from .._digging import BEDDING_M, FOOTING_BELOW_SLAB_M, keep_out_shape, pit_cost
from .._frames import Array, lot_direction
from .._rules import RuleSet
from .._site import Site
from ..routes.terrain import allowed_polygon
from .particles import Particles
from .search import Flags, SearchPlan, plan_cost, plan_search
from .words import say_outdoors

DEFAULT_DEPTH_M = 2.5
DEFAULT_RUN_M = 10.0
# Where along a way pits are proposed, on the ways that are at least this likely.
DISTANCES_M = (2.0, 3.5, 6.0, 9.0, 13.0)
LEAST_PROBABILITY = 0.02
LONGER = 2.0
MOST_BESIDE = 3
MOST_PITS = 48
CLEARANCE_M = 0.1
# A pit is said to be at a wall or a lot line up to this distance.
AT_EDGE_M = 2.0


@dataclass(frozen=True, slots=True)
class Pits:
    """Pits that could be dug, with ``costs`` (b,) and ``centres`` (b, 2).

    Particles that the same pits would expose are one group: ``hits`` (b, g), ``group_of`` (p,).
    ``way_out`` is the cost of opening the ground from the wall and following the pipe.
    """

    hits: Flags
    group_of: NDArray[np.intp]
    costs: Array
    centres: Array
    way_out: float

    def plan(self, weights: Array) -> SearchPlan:
        """Plan the search for particle weights (p,) that sum to 1."""
        return plan_search(self.hits, self._grouped(weights), self.costs, self.way_out)

    def cost_of(self, order: tuple[int, ...], weights: Array) -> float:
        """Give the expected cost of digging in an order for particle weights (p,)."""
        return plan_cost(order, self.hits, self._grouped(weights), self.costs, self.way_out)

    def exposed_by(self, pit: int) -> Flags:
        """Tell which particles (p,) a pit exposes."""
        return np.asarray(self.hits[pit][self.group_of])

    def _grouped(self, weights: Array) -> Array:
        return np.bincount(self.group_of, weights, minlength=self.hits.shape[1]).astype(float)


@dataclass(frozen=True, slots=True)
class _Places:
    """Proposed pits (c): centres, unit vectors along their length, lengths."""

    centres: Array
    along: Array
    lengths_m: Array

    @classmethod
    def joined(cls, parts: list[_Places]) -> _Places:
        if not parts:
            return cls(np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
        return cls(
            np.concatenate([part.centres for part in parts]),
            np.concatenate([part.along for part in parts]),
            np.concatenate([part.lengths_m for part in parts]),
        )

    def kept(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> _Places:
        return _Places(self.centres[keep], self.along[keep], self.lengths_m[keep])


def lay_pits(particles: Particles, site: Site, rules: RuleSet) -> Pits:
    """Lay the pits of a site; of all that may be dug the ``MOST_PITS`` that pay best are kept.

    A pit is dug to the 95 % quantile (mean + 1.645 sd) of the depth of what crosses it and
    ``BEDDING_M`` more, but no deeper than the site allows; deeper pipe stays unseen.
    """
    gap = _gap_m(particles, site)
    places = _Places.joined(
        [*_near_the_wall(particles, site, gap), *_along_the_ways(particles, site)]
    )
    places = _clear_of_house(places, site, gap)
    places = places.kept(_may_be_dug(places, site))
    crossed, depth = _crossings(places, particles, site)
    weight = crossed * particles.weights
    p = weight.sum(axis=1)
    mean = (weight * depth).sum(axis=1) / np.maximum(p, 1e-12)
    spread = np.sqrt((weight * (depth - mean[:, None]) ** 2).sum(axis=1) / np.maximum(p, 1e-12))
    dug = np.minimum(mean + 1.645 * spread + BEDDING_M, site.dig.max_depth_m)
    area = places.lengths_m * site.dig.pit_width_m
    costs = pit_cost(area, dug, _surface_rates(places, site), site.dig, rules)
    hits = crossed & (depth <= dug[:, None])
    worth = (hits @ particles.weights) / costs
    usable = _clear_of_footing(places, dug, site) & (worth > 0.0)
    best = np.argsort(-np.where(usable, worth, -1.0), kind="stable")[: min(MOST_PITS, usable.sum())]
    columns, group_of = np.unique(hits[best], axis=1, return_inverse=True)
    return Pits(
        columns, group_of.reshape(-1).astype(np.intp), costs[best], places.centres[best],
        _way_out(particles, site, rules),
    )  # fmt: skip


# ---------------------------------------------------------------------------------- places


def _gap_m(particles: Particles, site: Site) -> float:
    """Give how far from the house a pit for the pipe at the exit must stay."""
    inverts = particles.inverts_m[particles.listed, 0]
    if not inverts.size:
        return site.dig.building_setback_m
    deepest = 1.645 * float(inverts.std()) + BEDDING_M - float(inverts.mean())
    return max(site.dig.building_setback_m, deepest - FOOTING_BELOW_SLAB_M)


def _near_the_wall(particles: Particles, site: Site, gap_m: float) -> Iterator[_Places]:
    """Propose pits across all ways as close outside the wall as setback and footing allow."""
    if particles.listed.any():
        yield _across(particles, particles.listed, gap_m + 0.5 * site.dig.pit_width_m, site)


def _clear_of_house(places: _Places, site: Site, gap_m: float) -> _Places:
    """Move pits straight away from the house until they clear it."""
    if not len(places.centres):
        return places
    house = shapely.Polygon(site.building.vertices)
    rings = shapely.polygons(_rings(places, site.dig.pit_width_m))
    short = np.maximum(gap_m + CLEARANCE_M - shapely.distance(house, rings), 0.0)
    nearest = shapely.get_coordinates(
        shapely.shortest_line(house, shapely.points(places.centres))
    ).reshape(-1, 2, 2)
    away = nearest[:, 1] - nearest[:, 0]
    away = away / np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
    return replace(places, centres=places.centres + short[:, None] * away)


def _along_the_ways(particles: Particles, site: Site) -> Iterator[_Places]:
    """Propose pits across each likely way at set distances and where it leaves the lot."""
    for i, scored in enumerate(particles.scored):
        mine = (particles.hypothesis == i) & particles.listed
        if scored.probability < LEAST_PROBABILITY or not mine.any():
            continue
        for distance in DISTANCES_M:
            yield _across(particles, mine, distance, site)
        run = particles.crossings.run_m[mine]
        if np.isfinite(run).any():
            inside = float(np.nanmedian(run)) - 0.6 * site.dig.pit_width_m
            yield _across(particles, mine, max(inside, 0.5), site)


def _across(particles: Particles, chosen: Flags, distance_m: float, site: Site) -> _Places:
    """Propose pits side by side across some ways at a distance from the wall.

    They stand square across the ways' mean direction there, the middle one on the median, where
    two more stand square to the house.
    """
    vertices, weights = particles.vertices[chosen], particles.weights[chosen]
    points = _polyline.line_interpolate_point(vertices, distance_m)
    ahead = _polyline.line_interpolate_point(vertices, distance_m + 0.2) - points
    direction = weights @ ahead
    size = float(np.hypot(*direction))
    if size < 1e-9:
        return _Places.joined([])
    along = np.array([-direction[1], direction[0]]) / size
    offset = points @ along
    order = np.argsort(offset, kind="stable")
    share = np.cumsum(weights[order]) / weights.sum()
    low, middle, high = np.interp((0.02, 0.5, 0.98), share, offset[order])
    centre = np.average(points, axis=0, weights=weights)
    length = site.dig.pit_length_m
    beside = int(min(np.ceil(max(high - middle, middle - low) / length), MOST_BESIDE))
    house = lot_direction(site.building.angle_rad + np.array([0.0, np.pi / 2]))
    row = 2 * beside + 1
    steps = np.concatenate([np.arange(-beside, beside + 1) * length, [0.0, 0.0, 0.0]])
    lengths = np.concatenate([np.full(row, length), [LONGER * length, length, length]])
    shift = middle - centre @ along + steps
    return _Places(
        centre + shift[:, None] * along, np.concatenate([np.tile(along, (row + 1, 1)), house]),
        lengths,
    )  # fmt: skip


def _rings(places: _Places, width_m: float) -> Array:
    """Give the corners (c, 4, 2) of pits."""
    across = np.column_stack([-places.along[:, 1], places.along[:, 0]]) * (0.5 * width_m)
    half = places.along * (0.5 * places.lengths_m)[:, None]
    corners = (-half - across, half - across, half + across, across - half)
    return np.asarray(places.centres[:, None] + np.stack(corners, axis=1))


def _may_be_dug(places: _Places, site: Site) -> Flags:
    """Tell which pits lie in lot, rights-of-way or easements, clear of house and keep-outs."""
    settings = site.dig
    closed = [shapely.Polygon(site.building.vertices).buffer(settings.building_setback_m)]
    closed += [
        keep_out_shape(keep_out).buffer(keep_out.clearance_m + settings.tolerance_m)
        for keep_out in site.keep_outs
    ]
    open_area = shapely.difference(allowed_polygon(site), shapely.union_all(closed))
    shapely.prepare(open_area)
    rings = shapely.polygons(_rings(places, settings.pit_width_m))
    return np.asarray(shapely.covers(open_area, rings), bool).reshape(len(places.centres))


def _clear_of_footing(places: _Places, dug_m: Array, site: Site) -> Flags:
    """Tell which pits stay out of the 45° line down from the footing (common practice)."""
    if not len(dug_m):
        return np.zeros(0, bool)
    below = dug_m - site.ground.elevation_m(places.centres) - FOOTING_BELOW_SLAB_M
    rings = shapely.polygons(_rings(places, site.dig.pit_width_m))
    gap = shapely.distance(shapely.Polygon(site.building.vertices), rings)
    return np.asarray((below <= site.dig.building_setback_m) | (gap >= below))


def _crossings(places: _Places, particles: Particles, site: Site) -> tuple[Flags, Array]:
    """Tell which particles pass through which pits (c, p), and how deep there (0 where not).

    Straights are clipped to the rectangle (Liang and Barsky); the depth is that in the middle of
    the first straight's part inside.
    """
    listed = np.flatnonzero(particles.listed)
    vertices, inverts = particles.vertices[listed], particles.inverts_m[listed]
    crossed = np.zeros((len(places.centres), particles.listed.size), bool)
    depth = np.zeros(crossed.shape)
    ground = site.ground.elevation_m(places.centres) if len(places.centres) else np.zeros(0)
    rows = np.arange(len(listed))
    for c, (centre, along, length) in enumerate(
        zip(places.centres, places.along, places.lengths_m, strict=True)
    ):
        enter, leave = np.zeros(vertices[:, 1:, 0].shape), np.ones(vertices[:, 1:, 0].shape)
        for axis, half in (
            (along, 0.5 * length),
            (np.array([-along[1], along[0]]), 0.5 * site.dig.pit_width_m),
        ):
            value = (vertices - centre) @ axis
            step = np.diff(value, axis=1)
            safe = np.where(np.abs(step) > 1e-12, step, 1e-12)
            first, second = (-half - value[:, :-1]) / safe, (half - value[:, :-1]) / safe
            np.maximum(enter, np.minimum(first, second), out=enter)
            np.minimum(leave, np.maximum(first, second), out=leave)
        meets = leave > enter
        straight = np.argmax(meets, axis=1)
        share = 0.5 * (enter + leave)[rows, straight]
        upper, lower = inverts[rows, straight], inverts[rows, straight + 1]
        any_met = meets.any(axis=1)
        crossed[c, listed] = any_met
        depth[c, listed] = np.where(any_met, ground[c] - upper - share * (lower - upper), 0.0)
    return crossed, depth


# ----------------------------------------------------------------------------------- costs


def _surface_rates(places: _Places, site: Site) -> Array:
    """Give what restoring the surface costs per m² (c,): the street's own outside the lot."""
    known = site.dig.surface_per_m2
    rates = np.full(len(places.centres), known.get("lawn", 0.0))
    outside = ~shapely.contains_xy(shapely.Polygon(site.lot.vertices), places.centres)
    for street in site.streets:
        within = outside & shapely.contains_xy(shapely.Polygon(street.row), places.centres)
        rates[within] = known.get(street.surface, max(known.values(), default=0.0))
    return rates


def _way_out(particles: Particles, site: Site, rules: RuleSet) -> float:
    """Price a trench from the wall to where the pipe leaves the lot, at its depth there."""
    crossings = particles.crossings
    leaves = np.isfinite(crossings.along_m)
    depth = np.full(leaves.size, np.nan)
    if leaves.any():
        ground = site.ground.elevation_m(crossings.places[leaves])
        depth[leaves] = np.maximum(ground - crossings.inverts_m[leaves], 0.3)
    length_m = _mean(crossings.run_m, particles.weights, leaves, DEFAULT_RUN_M)
    depth_m = _mean(depth, particles.weights, leaves, DEFAULT_DEPTH_M) + BEDDING_M
    area = np.array([max(length_m, site.dig.pit_length_m) * site.dig.pit_width_m])
    rate = site.dig.surface_per_m2.get("lawn", 0.0)
    return float(pit_cost(area, np.array([depth_m]), rate, site.dig, rules)[0])


def _mean(values: Array, weights: Array, chosen: Flags, default: float = 0.0) -> float:
    """Give the weighted mean of some values, a default where there are none."""
    total = float(weights[chosen].sum())
    return float(values[chosen] @ weights[chosen]) / total if total > 0.0 else default


# ----------------------------------------------------------------------------------- words


def say_place(point: Array, site: Site) -> str:
    """Say where a pit is: by a wall or lot line and a distance from its left or front end.

    In the open it is said by its distances from the left and the front lot line.
    """
    to_wall, wall, from_end, end = _edge_near(point, site.building.vertices, site.building.sides)
    to_line, line, line_end, line_end_name = _edge_near(point, site.lot.vertices, site.lot.sides)
    if min(to_wall, to_line) > AT_EDGE_M:
        x, y = (say_outdoors(float(value), site.units) for value in point)
        return f"{x} from the left lot line and {y} from the front lot line"
    if to_wall < to_line:
        out, along = say_outdoors(to_wall, site.units), say_outdoors(from_end, site.units)
        return f"{out} outside the {wall} wall, {along} from its {end} end"
    along = say_outdoors(line_end, site.units)
    return f"at the {line} lot line, {along} from its {line_end_name} end"


def _edge_near(point: Array, ring: Array, sides: tuple[str, ...]) -> tuple[float, str, float, str]:
    """Give the nearest edge of a ring: distance, side, distance from its end, the end's name."""
    line = _polyline.closed(ring)
    gap, station, i = _polyline.line_locate_point(line, point)
    axis, end_name = (0, "left") if sides[i] in ("front", "rear") else (1, "front")
    end = i if line[i, axis] <= line[i + 1, axis] else i + 1
    return float(gap), sides[i], abs(float(station - _polyline.stations(line)[end])), end_name
