"""The pits a check is judged by: few places, weighed by the model that plans the dig.

Stage ``dig`` finds its places on a fine raster; these only serve to tell how much a check could
save, and so must find about as cheap a search as that does. Pits are proposed just outside the
wall that the drain leaves by, at set distances along the likely ways, and along the lot line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from ..finds.ground import ground_error
from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.results import Routes
from ..model.site import Site
from ..numerics.statistics import NORMAL_BELOW_95, weighted_quantiles
from ..pits.cost import BEDDING_M, FOOTING_BELOW_SLAB_M, dig_area
from ..pits.exposure import (
    Candidate,
    Flags,
    Places,
    Straights,
    best_first,
    rectangle_crossings,
    straights_of,
    trench_cost,
    weigh_pits,
    with_ground_error,
)
from ..rules.rule_set import RuleSet
from .particles import Particles
from .posterior import followed_alternative
from .search import SearchPlan, plan_cost, plan_searches
from .words import outdoor_words

# Where along a way pits are proposed, on the ways that are at least this likely.
DISTANCES_M = (2.0, 3.5, 6.0, 9.0, 13.0)
LEAST_PROBABILITY = 0.02
LONGER = (2.0, 3.0)  # a pit may be lengthened across the ways, in pit lengths: as stage dig does
STEP_LENGTHS, MOST_STEPS = 0.5, 6
"""Pits stand side by side at half a pit's length, as far as this: an answer that places the pipe
to a few inches must find a pit on it, not the gap between two."""
# searches are planned many times over: so many places are as far as their cost allows
MOST_PITS = 200
CLEARANCE_M = 0.1
# A pit is said to be at a wall or a lot line up to this distance.
AT_EDGE_M = 2.0
# multiples of the golden ratio, modulo 1: evenly spread strata for the ground's error
_GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)


@dataclass(frozen=True, slots=True)
class Pits:
    """Pits that could be dug: ``laid`` (b), the best first, with their ``costs`` (b,).

    Particles that the same pits would expose are one group: ``hits`` (b, g), ``group_of`` (p,).
    ``way_out`` is the cost of opening the ground from the wall and following the pipe.
    """

    laid: tuple[Candidate, ...]
    hits: Flags
    group_of: NDArray[np.intp]
    costs: Array
    way_out: float
    _plans: dict[bytes, SearchPlan] = field(default_factory=dict, repr=False, compare=False)
    _words: dict[int, str] = field(default_factory=dict, repr=False, compare=False)

    def words(self, pit: int, site: Site) -> str:
        """Say where a pit lies, worked out once a pit.

        Parameters
        ----------
        pit
            Its index.
        site
            The site as read.

        Returns
        -------
        str
            The place in words.
        """
        if pit not in self._words:
            self._words[pit] = position_words(self.laid[pit].center, site)
        return self._words[pit]

    def plan(self, weights: Array) -> SearchPlan:
        """Plan the search for particle weights (p,) that sum to 1; the same ones once."""
        return self.plans([weights])[0]

    def plans(self, weights: Sequence[Array]) -> list[SearchPlan]:
        """Plan the search for each of several particle weights (p,), all that are new at once."""
        keys = [one.tobytes() for one in weights]
        new = {k: one for k, one in zip(keys, weights, strict=True) if k not in self._plans}
        if new:
            grouped = np.array([self._grouped(one) for one in new.values()])
            found = plan_searches(self.hits, grouped, self.costs, self.way_out)
            self._plans.update(zip(new, found, strict=True))
        return [self._plans[key] for key in keys]

    def cost_of(self, order: tuple[int, ...], weights: Array) -> float:
        """Return the expected cost of digging in an order for particle weights (p,).

        Parameters
        ----------
        order
            Pits by index, as they are dug.
        weights
            Weights of the particles (p,).

        Returns
        -------
        float
            Expected cost.
        """
        return plan_cost(order, self.hits, self._grouped(weights), self.costs, self.way_out)

    def _grouped(self, weights: Array) -> Array:
        return np.bincount(self.group_of, weights, minlength=self.hits.shape[1]).astype(float)


def lay_pits(particles: Particles, sampled: Sequence[Routes], site: Site, rules: RuleSet) -> Pits:
    """Lay the pits of a site; of all that may be dug the ``MOST_PITS`` that pay best are kept.

    The way out is a trench along the most probable route, else along a first straight.

    Parameters
    ----------
    particles
        Routes that stand for the samples, p of them.
    sampled
        Route samples of every hypothesis.
    site
        The site as read.
    rules
        Rule set of the site.

    Returns
    -------
    Pits
        The pits, what each exposes and costs.
    """
    gap = _gap_m(particles, site, rules)
    places = Places.joined(
        [*_near_the_wall(particles, site, gap), *_along_the_routes(particles, site)]
    )
    places = _clear_of_house(places, site, gap)
    placed = particles.placed
    weights = particles.weights[placed]
    weighed = weigh_pits(site, rules, dig_area(site), _straights(particles, site), weights, places)
    laid = best_first(weighed, weights * particles.shows[placed])[:MOST_PITS]
    hits = np.zeros((len(laid), placed.size), bool)
    # what has no place is exposed by no pit
    hits[:, placed] = np.array([one.exposed for one in laid]).reshape(len(laid), len(weights))
    hits &= particles.shows
    # particles that no pit tells apart count as one: shorter sums, equal to the bit
    columns, group_of = np.unique(hits, axis=1, return_inverse=True)
    leading = followed_alternative(particles.scored, sampled)
    return Pits(
        tuple(laid),
        columns,
        group_of.reshape(-1).astype(np.intp),
        np.array([one.cost for one in laid]),
        trench_cost(site, rules, *leading) if leading else 0.0,
    )


def _straights(particles: Particles, site: Site) -> Straights:
    """Return the straights of the particles that have a place, the ground's error folded in."""
    placed = particles.placed
    strata = (np.arange(placed.sum()) * _GOLDEN + 0.5) % 1.0
    vertices = particles.vertices[placed]
    level = particles.inverts_m[placed]
    inverts = with_ground_error(level, strata, *ground_error(site, vertices, level, vertices))
    return straights_of(vertices, inverts)


def exposed_by(pit: Candidate, particles: Particles, site: Site) -> Flags:
    """Return which particles (p,) a pit exposes.

    Parameters
    ----------
    pit
        The pit.
    particles
        Routes that stand for the samples, p of them.
    site
        The site as read.

    Returns
    -------
    Flags
        Mask (p,).
    """
    crossings = rectangle_crossings(
        _straights(particles, site),
        pit.center[None],
        np.array([pit.angle_rad]),
        np.array([pit.size_m]),
    )
    seen = np.zeros(particles.placed.size, bool)
    seen[particles.placed] = pit.ground_m - crossings.invert_m[0] <= pit.depth_m
    return np.asarray(seen & particles.shows)


# ---------------------------------------------------------------------------------- places


def _gap_m(particles: Particles, site: Site, rules: RuleSet) -> float:
    """Return how far from the house a pit for the pipe at the exit must stay."""
    inverts = particles.inverts_m[particles.listed, 0]
    if not inverts.size:
        return site.dig.building_setback_m
    # depth below the slab of a trench that shows the pipe, in 95 of 100 cases
    deepest = NORMAL_BELOW_95 * float(inverts.std()) + BEDDING_M - float(inverts.mean())
    slope = rules.footing_slope(site.dig.soil_type)
    # no digging within the slope that starts at the footing's underside
    return max(site.dig.building_setback_m, slope * (deepest - FOOTING_BELOW_SLAB_M))


def _near_the_wall(particles: Particles, site: Site, gap_m: float) -> Iterator[Places]:
    """Propose pits across all ways as close outside the wall as setback and footing allow."""
    if particles.listed.any():
        yield _across(particles, particles.listed, gap_m + 0.5 * site.dig.pit_width_m, site)


def _clear_of_house(places: Places, site: Site, gap_m: float) -> Places:
    """Move pits straight away from the house until they clear it."""
    if not len(places.centers):
        return places
    house = shapely.Polygon(site.building.vertices)
    rings = shapely.polygons(places.rings())
    short = np.maximum(gap_m + CLEARANCE_M - shapely.distance(house, rings), 0.0)
    nearest = shapely.get_coordinates(
        shapely.shortest_line(house, shapely.points(places.centers))
    ).reshape(-1, 2, 2)
    # unit vectors from the house's nearest place to the pit's center
    away = nearest[:, 1] - nearest[:, 0]
    away = away / np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
    return replace(places, centers=places.centers + short[:, None] * away)


def _along_the_routes(particles: Particles, site: Site) -> Iterator[Places]:
    """Propose pits across each likely way at set distances and where it leaves the lot."""
    for i, scored in enumerate(particles.scored):
        mine = (particles.hypothesis == i) & particles.listed
        if scored.probability < LEAST_PROBABILITY or not mine.any():
            continue
        for distance in DISTANCES_M:
            yield _across(particles, mine, distance, site)
        run = particles.crossings.run_m[mine]
        if np.isfinite(run).any():
            # just within the lot: the pit's half width and a little
            inside = float(np.nanmedian(run)) - 0.6 * site.dig.pit_width_m
            yield _across(particles, mine, max(inside, 0.5), site)


def _across(particles: Particles, chosen: Flags, distance_m: float, site: Site) -> Places:
    """Propose pits side by side across some ways at a distance from the wall.

    They stand square across the ways' mean direction there, singly and lengthened, the middle
    one on the median, where two more stand square to the house.
    """
    vertices, weights = particles.vertices[chosen], particles.weights[chosen]
    points = polyline.line_interpolate_point(vertices, distance_m)
    ahead = polyline.line_interpolate_point(vertices, distance_m + 0.2) - points
    # mean direction of the ways 0.2 m further on
    direction = weights @ ahead
    size = float(np.hypot(*direction))
    if size < 1e-9:
        return Places.joined([])
    along = np.array([-direction[1], direction[0]]) / size
    offset = points @ along
    # 96 % of the ways lie between the outer two
    low, middle, high = weighted_quantiles(offset, weights, (0.02, 0.5, 0.98))
    center = np.average(points, axis=0, weights=weights)
    length = site.dig.pit_length_m
    step = STEP_LENGTHS * length
    beside = int(min(np.ceil(max(high - middle, middle - low) / step), MOST_STEPS))
    house, across = site.building.angle_rad, float(np.arctan2(along[1], along[0]))
    factors = np.repeat((1.0, *LONGER), 2 * beside + 1)
    row = np.tile(np.arange(-beside, beside + 1) * step, 1 + len(LONGER))
    steps = np.concatenate([row, [0.0, 0.0]])
    lengths = np.concatenate([factors, [1.0, 1.0]]) * length
    shift = middle - center @ along + steps
    return Places(
        center + shift[:, None] * along,
        np.concatenate([np.full(row.size, across), [house, house + 0.5 * np.pi]]),
        np.column_stack([lengths, np.full(lengths.size, site.dig.pit_width_m)]),
    )


# ----------------------------------------------------------------------------------- words


def position_words(point: Array, site: Site) -> str:
    """Say where a pit is: by a wall or lot line and a distance from its left or front end.

    In the open it is said by its distances from the left and the front lot line.

    Parameters
    ----------
    point
        Middle of the pit (2,), m.
    site
        The site as read.

    Returns
    -------
    str
        The phrase.
    """
    to_wall, wall, from_end, end = _edge_near(point, site.building.vertices, site.building.sides)
    to_line, line, line_end, line_end_name = _edge_near(point, site.lot.vertices, site.lot.sides)
    if min(to_wall, to_line) > AT_EDGE_M:
        x, y = (outdoor_words(float(value), site.units) for value in point)
        return f"{x} from the left lot line and {y} from the front lot line"
    if to_wall < to_line:
        out, along = outdoor_words(to_wall, site.units), outdoor_words(from_end, site.units)
        return f"{out} outside the {wall} wall, {along} from its {end} end"
    along = outdoor_words(line_end, site.units)
    return f"at the {line} lot line, {along} from its {line_end_name} end"


def _edge_near(point: Array, ring: Array, sides: tuple[str, ...]) -> tuple[float, str, float, str]:
    """Return the nearest edge of a ring: distance, side, distance from its end, the end's name."""
    line = polyline.closed(ring)
    gap, station, i = polyline.line_locate_point(line, point)
    axis, end_name = (0, "left") if sides[i] in ("front", "rear") else (1, "front")
    end = i if line[i, axis] <= line[i + 1, axis] else i + 1
    return float(gap), sides[i], abs(float(station - polyline.stations(line)[end])), end_name
