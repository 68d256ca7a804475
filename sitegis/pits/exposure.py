"""The one model of a test pit: its plan, what it exposes, how deep it is dug, what it costs.

Stage ``score`` proposes few pits to tell what a check saves, stage ``dig`` ranks many; both
weigh them here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri
from shapely.geometry.base import BaseGeometry

from ..geometry import polyline
from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..model.results import Routes, ScoredHypothesis
from ..model.site import Site
from ..numerics.ordering import (
    FINE_M,
    LENGTH_M,
    MATTERS_M,
    at_least,
    in_steps,
    keys_of,
    on_lattice,
    ordered,
    relative_step,
)
from ..numerics.records import join_rows, take_rows
from ..numerics.statistics import weighted_quantiles
from ..rules.rule_set import RuleSet
from .cost import (
    BEDDING_M,
    FOOTING_BELOW_SLAB_M,
    dearest_surfaces,
    pit_cost,
    rectangle_rings,
    surface_rate,
    surface_rates_at,
)

Flags = NDArray[np.bool_]
Integers = NDArray[np.int64]
TOUCH_M = 1e-6  # a route that touches a pit crosses it, whatever the last bit says
VACUUM_HOLE_M = 0.381  # 15 in across: contractors' pages; they name 12 to 15 in
_BLOCK = 400_000  # pits times straights worked through at once


@dataclass(frozen=True, slots=True)
class Straights:
    """The straights of routes that have a length: ends (s, 2), inverts at both ends (s,).

    ``route`` (s,) is an index into the routes and does not decrease.
    """

    start: Array
    end: Array
    invert_start_m: Array
    invert_end_m: Array
    route: Integers
    routes: int


def straights_of(vertices: Array, inverts_m: Array) -> Straights:
    """Return the straights of routes (m, v, 2) with inverts (m, v), without those of no length.

    Parameters
    ----------
    vertices
        Vertices of the routes (m, v, 2), m.
    inverts_m
        Inverts of the routes (m, v), m above the slab.

    Returns
    -------
    Straights
        The straights with their routes.
    """
    # repeated last vertices of shorter routes have no length and cross nothing
    real = polyline.segment_lengths(vertices) > TOUCH_M
    return Straights(
        start=vertices[:, :-1][real],
        end=vertices[:, 1:][real],
        invert_start_m=inverts_m[:, :-1][real],
        invert_end_m=inverts_m[:, 1:][real],
        route=np.nonzero(real)[0].astype(np.int64),
        routes=len(vertices),
    )


def with_ground_error(inverts_m: Array, strata: Array, mean_m: Array, sd_m: Array) -> Array:
    """Fold the error of the mapped ground into inverts (m, v), one error a route.

    Depth = mapped ground − invert then carries both uncertainties. ``strata`` (m,) in (0, 1) are
    the quantiles of the routes' errors, spread evenly and independent of the routes.

    Parameters
    ----------
    inverts_m
        Inverts of the routes (m, v), m above the slab.
    strata
        Quantiles of the routes' errors (m,), in (0, 1).
    mean_m
        By how much the ground is higher than mapped (m, v), m.
    sd_m
        Standard deviation of that (m, v), m.

    Returns
    -------
    Array
        Inverts (m, v), m.
    """
    # a ground that is higher by e makes every depth larger by e, as an invert lower by e does
    return on_lattice(inverts_m - mean_m - ndtri(strata)[:, None] * sd_m, FINE_M)


def ground_sd_m(site: Site, xy: Array) -> Array:
    """Return the standard deviation (...,) of the mapped ground at places (..., 2), in meters.

    Parameters
    ----------
    site
        The site as read.
    xy
        Places (..., 2), m.

    Returns
    -------
    Array
        Standard deviations (...), m.
    """
    # the spreads at the spots interpolated as the elevations are
    return replace(site.ground, elevations_m=site.ground.sds_m).elevation_m(xy)


# ---------------------------------------------------------------------------------- the plan


@dataclass(frozen=True, slots=True)
class Places:
    """Proposed pits: ``centers`` (c, 2), ``angles_rad`` (c,) of the length, ``sizes_m`` (c, 2).

    Angles are from lot x; sizes are length and width.
    """

    centers: Array
    angles_rad: Array
    sizes_m: Array

    @classmethod
    def joined(cls, parts: list[Places]) -> Places:
        """Join lists of proposals; none gives an empty one."""
        empty = cls(np.zeros((0, 2)), np.zeros(0), np.zeros((0, 2)))
        return join_rows([empty, *parts])

    def rings(self) -> Array:
        """Return the corners (c, 4, 2), counter-clockwise."""
        return rectangle_rings(self.centers, self.angles_rad, self.sizes_m)


def allowed(area: BaseGeometry, rings: Array) -> Flags:
    """Return which rings (c, 4, 2) lie within the dig area.

    Parameters
    ----------
    area
        Dig area.
    rings
        Corners of the pits (c, 4, 2), m.

    Returns
    -------
    Flags
        Mask (c,).
    """
    return np.asarray(shapely.covers(area, shapely.polygons(rings)), bool)


def clear_of_footing(site: Site, rules: RuleSet, rings: Array, bottoms_m: Array) -> Flags:
    """Return which pits (c, 4, 2) stay outside the line down from the building's footing.

    The line falls from the footing's underside, here taken at the wall's face and 0.30 m below
    the slab, as flat as the rule set lays the sides of a trench in the soil planned on: judgment
    (45° is the usual drawing rule). ``bottoms_m`` (c,) are elevations above the slab.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    rings
        Corners of the pits (c, 4, 2), m.
    bottoms_m
        Elevations of the bottoms above the slab (c,), m.

    Returns
    -------
    Flags
        Mask (c,).
    """
    gaps = shapely.distance(shapely.Polygon(site.building.vertices), shapely.polygons(rings))
    return off_the_footing(site, rules, np.asarray(gaps, float), bottoms_m)


def off_the_footing(site: Site, rules: RuleSet, gaps_m: Array, bottoms_m: Array) -> Flags:
    """Return which pits stay outside that line, from how far each stands from the house.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    gaps_m
        Least distances of the pits from the building (...), m.
    bottoms_m
        Elevations of the bottoms above the slab (...), m.

    Returns
    -------
    Flags
        Mask (...).
    """
    away = rules.footing_slope(site.dig.soil_type) * (-FOOTING_BELOW_SLAB_M - bottoms_m)
    # within the setback no pit stands anyhow
    near = at_least(site.dig.building_setback_m, away, MATTERS_M)
    return np.asarray(near | at_least(gaps_m, away, MATTERS_M), bool)


# ------------------------------------------------------------------------ what a pit exposes


@dataclass(frozen=True, slots=True)
class Crossings:
    """Which routes cross which pits in plan (c, m), and their invert there (c, m; nan if not)."""

    crossed: Flags
    invert_m: Array


def rectangle_crossings(
    straights: Straights, centers: Array, angles_rad: Array, sizes_m: Array
) -> Crossings:
    """Test every route against rectangles exactly: clipped in the pit's axes.

    ``centers`` (c, 2), ``angles_rad`` (c,) of the length axis from lot x, ``sizes_m`` (c, 2)
    length and width. The invert is taken halfway through the first straight inside.

    Parameters
    ----------
    straights
        Straights of routes, with the routes (m) they belong to.
    centers
        Middles (c, 2), m.
    angles_rad
        Lot angles of the length axes (c,), rad.
    sizes_m
        Lengths and widths (c, 2), m.

    Returns
    -------
    Crossings
        Which route each rectangle crosses (c, m), and the invert there.
    """
    crossed = np.zeros((len(centers), straights.routes), bool)
    inverts = np.full(crossed.shape, np.nan)
    # half the diagonal: farther from the center nothing of the pit lies
    pit, index = _near(straights, centers, 0.5 * np.hypot(*np.reshape(sizes_m, (-1, 2)).T))
    cosine, sine = np.cos(angles_rad)[pit], np.sin(angles_rad)[pit]
    # into the pit's axes: there the rectangle is two intervals, and clipping is exact
    x, y = (straights.start[index] - centers[pit]).T
    dx, dy = (straights.end - straights.start)[index].T
    half = (0.5 * sizes_m + TOUCH_M)[pit].T
    low_u, high_u = polyline.clip(x * cosine + y * sine, dx * cosine + dy * sine, -half[0], half[0])
    low_v, high_v = polyline.clip(y * cosine - x * sine, dy * cosine - dx * sine, -half[1], half[1])
    low, high = np.maximum(low_u, low_v), np.minimum(high_u, high_v)
    inside = np.flatnonzero(low <= high)
    pit, index, half_way = pit[inside], index[inside], 0.5 * (low + high)[inside]
    # the straights of one route stand together: of a pit's, the first one counts
    first = np.flatnonzero(np.diff(pit * straights.routes + straights.route[index], prepend=-1))
    pit, index, half_way = pit[first], index[first], half_way[first]
    change = straights.invert_end_m - straights.invert_start_m
    crossed[pit, straights.route[index]] = True
    inverts[pit, straights.route[index]] = on_lattice(
        straights.invert_start_m[index] + half_way * change[index], FINE_M
    )
    return Crossings(crossed, inverts)


def _near(straights: Straights, centers: Array, reach_m: Array) -> tuple[Integers, Integers]:
    """Pair pits (k,) with the straights (k,) whose line passes within reach (c,), in order."""
    step = straights.end - straights.start
    across = np.stack([step[:, 1], -step[:, 0]], axis=1) / np.hypot(*step.T)[:, None]
    beside = np.sum(across * straights.start, axis=1)
    pits, found = [], []
    # so many pits at once that pits times straights fit in memory
    count = max(_BLOCK // max(beside.size, 1), 1)
    for start in range(0, len(centers), count):
        block = slice(start, start + count)
        # distance of a line from a center: beyond half the diagonal nothing crosses
        away = np.abs(beside - centers[block] @ across.T)
        pit, index = np.nonzero(away <= reach_m[block, None] + 2 * TOUCH_M)
        pits.append(pit + start)
        found.append(index)
    none = np.zeros(0, np.int64)
    return np.concatenate([none, *pits]), np.concatenate([none, *found])


# -------------------------------------------------------------------------- what a pit costs


@dataclass(frozen=True, slots=True)
class Candidate:
    """A pit that could be dug: plan, depth, cost, and which routes it exposes (m,).

    ``depth_m`` is dug; ``depth_05_m, depth_95_m`` are of the inverts that cross it. ``extends``
    names the finding whose hole it widens, ``lengthens`` is the planned pit that it makes longer.
    """

    center: Array
    angle_rad: float
    size_m: tuple[float, float]
    ring: Array
    ground_m: float
    depth_m: float
    depth_05_m: float
    depth_95_m: float
    cost: float
    surface: str
    exposed: Flags
    extends: str = ""
    lengthens: Candidate | None = None

    def parts(self) -> tuple[Candidate, ...]:
        """Return the pits that this one makes longer, in their order, and itself."""
        return (*(() if self.lengthens is None else self.lengthens.parts()), self)

    def whole(self) -> tuple[tuple[float, float], float, tuple[float, float]]:
        """Return center, angle and size of the one longer pit of all parts, along the first one."""
        angle = self.parts()[0].angle_rad
        axes = np.array([lot_direction(angle), lot_direction(angle + 0.5 * np.pi)])
        # corners of all parts in the first one's axes: their bounding rectangle is the whole
        corners = np.concatenate([one.ring for one in self.parts()]) @ axes.T
        low, high = corners.min(axis=0), corners.max(axis=0)
        x, y = 0.5 * (low + high) @ axes
        length, width = high - low
        return (float(x), float(y)), angle, (float(length), float(width))

    def whole_ring(self) -> Array:
        """Return the corners (4, 2) of the one longer pit, counter-clockwise."""
        center, angle, size = self.whole()
        rings = rectangle_rings(np.array([center]), np.array([angle]), np.array([size]))
        return np.asarray(rings[0])


def weigh_pits(
    site: Site,
    rules: RuleSet,
    area: BaseGeometry,
    straights: Straights,
    weights: Array,
    places: Places,
) -> tuple[Candidate, ...]:
    """Weigh the proposed pits that may be dug and that a route of any weight (m,) crosses.

    A pit is dug to the 95 % quantile of the inverts' depth and ``BEDDING_M`` more, no deeper than
    the site allows: deeper pipe stays unseen. It must lie within ``area`` (:func:`dig_area`) and
    clear of the footing; the surface is the dearest under it.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    area
        Dig area.
    straights
        Straights of routes, with the routes (m) they belong to.
    weights
        Weights of the routes (m,).
    places
        Proposed pits.

    Returns
    -------
    tuple[Candidate, ...]
        Those that may be dug, with what they expose.
    """
    places = take_rows(places, allowed(area, places.rings()))
    crossings = rectangle_crossings(straights, places.centers, places.angles_rad, places.sizes_m)
    asked = crossings.crossed & (weights > 0)
    some = np.asarray(asked.any(axis=1), bool)
    places, asked = take_rows(places, some), asked[some]
    rings = places.rings()
    if not some.any():
        return ()
    ground = site.ground.elevation_m(places.centers)
    depths = on_lattice(ground[:, None] - crossings.invert_m[some], FINE_M)
    quantiles = weighted_quantiles(depths, np.where(asked, weights, 0.0), (0.05, 0.95))
    # of a few routes of one weight a quantile may lie halfway between two places of the lattice
    low, high = LENGTH_M * in_steps(quantiles, LENGTH_M).T
    # a pipe that the record has above the ground costs no digging, never less than nothing;
    # volumes follow from the depth, so that it lies on a lattice no finer than they are written
    dug = np.clip(on_lattice(high + BEDDING_M), 0.0, site.dig.max_depth_m)
    surfaces = dearest_surfaces(site, rings)
    rates = np.array([surface_rate(site.dig, name) for name in surfaces])
    costs = pit_cost(places.sizes_m.prod(axis=1), dug, rates, site.dig, rules)
    # nan, where a route does not cross, is not exposed
    exposed = at_least(dug[:, None], depths, MATTERS_M)
    clear = clear_of_footing(site, rules, rings, ground - dug)
    return tuple(
        Candidate(
            places.centers[i],
            float(places.angles_rad[i]),
            (float(places.sizes_m[i, 0]), float(places.sizes_m[i, 1])),
            rings[i],
            float(ground[i]),
            float(dug[i]),
            float(low[i]),
            float(high[i]),
            float(costs[i]),
            surfaces[i],
            exposed[i],
        )
        for i in np.flatnonzero(clear)
    )


def best_first(pits: Sequence[Candidate], weights: Array) -> list[Candidate]:
    """Sort pits by the weight (m,) they expose over their cost, the best first.

    Of equal ones the frontmost goes first, then the leftmost, then the first in order.

    Parameters
    ----------
    pits
        The pits.
    weights
        Weights of the routes (m,).

    Returns
    -------
    list[Candidate]
        The same in order.
    """
    if not pits:
        return []
    worth = [float(weights[one.exposed].sum()) / one.cost for one in pits]
    x, y = keys_of([one.center for one in pits])
    return [pits[i] for i in ordered(worth, relative_step(worth), y, x, descending=True)]


def vacuum_hits(straights: Straights, centers: Array, reach_m: float, deepest_m: Array) -> Flags:
    """Return which routes (c, m) vacuum test holes at ``centers`` (c, 2) find.

    A hole sees a pipe whose center line passes within ``reach_m`` across (that of the hole and
    the pipe's own diameter) and whose invert (m) lies no lower than ``deepest_m`` (c,). It stands
    for a square one: round holes see a little less where routes are oblique.

    Parameters
    ----------
    straights
        Straights of routes, with the routes (m) they belong to.
    centers
        Middles (c, 2), m.
    reach_m
        How far across a hole sees a center line, m.
    deepest_m
        Elevations of the bottoms above the slab (c,), m.

    Returns
    -------
    Flags
        Mask (c, m).
    """
    sizes = np.full((len(centers), 2), reach_m)
    crossings = rectangle_crossings(straights, centers, np.zeros(len(centers)), sizes)
    return np.asarray(at_least(crossings.invert_m, deepest_m[:, None], MATTERS_M), bool)


def trench_cost(site: Site, rules: RuleSet, scored: ScoredHypothesis, routes: Routes) -> float:
    """Price the renovator's usual way: one trench from the exit along a way's most probable route.

    The trench is as wide as a pit, runs until the route leaves the lot (or meets the main) and
    is dug to the way's mean invert + 0.15 m. Paid whether the route is right or not, so it is a
    lower bound of what that way costs.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    scored
        The hypothesis.
    routes
        Route samples of one hypothesis.

    Returns
    -------
    float
        Cost.
    """
    line = routes.vertices[scored.best]
    inside = shapely.intersection(shapely.LineString(line), shapely.Polygon(site.lot.vertices))
    # within the lot; along all of it where the route hardly touches the lot
    length = float(inside.length if inside.length > 0.1 else polyline.length(line))
    return trench_between(site, rules, (scored, routes), 0.0, length)[0]


def trench_between(
    site: Site, rules: RuleSet, way: tuple[ScoredHypothesis, Routes], start_m: float, end_m: float
) -> tuple[float, float]:
    """Price a trench along a way's most probable route between two stations from the exit.

    It is as wide as a pit and dug to the way's mean invert + 0.15 m. Gives its cost, one set-up
    in it, and its greatest depth.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    way
        The hypothesis with its routes.
    start_m
        Station of the start, m from the exit.
    end_m
        Station of the end, m from the exit.

    Returns
    -------
    cost
        With one set-up.
    depth
        Greatest, m.
    """
    scored, routes = way
    line, length = routes.vertices[scored.best], end_m - start_m
    # pieces of a meter at most; on the lattice, so that a whole number of meters stays one
    count = max(2, int(np.ceil(on_lattice(length, FINE_M))) + 1)
    at = start_m + (np.arange(count) + 0.5) * length / count
    xy, along = polyline.line_interpolate_point(line, at), polyline.stations(routes.vertices)
    # mean invert of the way's routes at each station
    inverts = [scored.weights @ polyline.interp(here, along, routes.inverts_m) for here in at]
    depth = site.ground.elevation_m(xy) - np.array(inverts) + BEDDING_M
    area = np.full(count, site.dig.pit_width_m * length / count)
    pieces = pit_cost(area, np.maximum(depth, 0.0), surface_rates_at(site, xy), site.dig, rules)
    # each piece was priced with a set-up: one of them is enough
    return float(pieces.sum() - (count - 1) * site.dig.setup), float(depth.max())
