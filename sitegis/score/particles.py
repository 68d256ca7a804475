"""A few hundred routes that stand for the whole posterior, for exact sums over checks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..finds.records import Missed
from ..finds.reweigh import joint_miss_showing
from ..geometry import polyline
from ..geometry.frames import Array, wrap_radians
from ..late_dataclass import dataclass
from ..model.results import Routes, ScoredHypothesis
from ..model.site import Site
from ..numerics.ordering import LENGTH_M, MATTERS_P, WEIGHT, at_least, on_lattice, ordered

# judgment, no source: enough that pits and checks rank as on all routes;
# least probability of a way that gets any
PARTICLES, UNSHOWN, FIRST_STRAIGHTS = 192, 24, 32
LEAST_PROBABILITY = 1e-4


@dataclass(frozen=True, slots=True)
class Crossings:
    """Where routes leave the lot, nan where one does not.

    ``places`` (p, 2); ``along_m`` (p,) round the lot's ring from its first corner;
    ``inverts_m`` and ``run_m`` (p,), the latter from the exit.
    """

    places: Array
    along_m: Array
    inverts_m: Array
    run_m: Array


@dataclass(frozen=True, slots=True)
class Particles:
    """Equal shares of each hypothesis's posterior.

    ``hypothesis`` (p,) is the index into ``scored``; ``weights`` (p,) sum to 1; ``listed`` (p,)
    is False for ``unlisted``, of which there are first straights alone and no stations.
    ``vertices`` and ``inverts_m`` of a way without a route are nan. ``shows`` (p,) is False
    for what stands for pits that show nothing though the pipe is there.
    """

    scored: tuple[ScoredHypothesis, ...]
    hypothesis: NDArray[np.intp]
    weights: Array
    listed: NDArray[np.bool_]
    vertices: Array
    inverts_m: Array
    stations_m: Array
    crossings: Crossings
    shows: NDArray[np.bool_]

    @property
    def placed(self) -> NDArray[np.bool_]:
        """Which particles have a place that a pit could show (p,)."""
        return np.asarray(~np.isnan(self.vertices[:, 0, 0]))

    def on_main(self, main_id: str) -> NDArray[np.bool_]:
        """Return which particles have a route to a main (p,)."""
        to_main = np.array([s.hypothesis.main == main_id for s in self.scored])
        return np.asarray(to_main[self.hypothesis] & self.listed)

    def by_hypothesis(self, weights: Array) -> Array:
        """Add up particle weights (p, ...) per hypothesis (h, ...)."""
        total = np.zeros((len(self.scored), *weights.shape[1:]))
        np.add.at(total, self.hypothesis, weights)
        return total


def draw_particles(
    scored: Sequence[ScoredHypothesis], sampled: Sequence[Routes], site: Site
) -> Particles:
    """Resample each hypothesis that matters: systematic in the order of the tap stations.

    Nothing is random: the i-th particle stands for the (i + ½)/n quantile of the weights. The
    routes stand there twice: as what a pit on them shows, and, by fewer, as what none does.

    Parameters
    ----------
    scored
        Hypotheses with probabilities, most probable first.
    sampled
        Route samples of every hypothesis.
    site
        The site as read.

    Returns
    -------
    Particles
        The particles, in order of hypothesis and tap.
    """
    missed = [item.id for item in site.evidence if isinstance(item, Missed)]
    routes_of = {routes.hypothesis.id: routes for routes in sampled}
    width = max((r.vertices.shape[1] for r in sampled if r.vertices.size), default=2)
    index, weights, vertices, inverts, stations = [], [], [], [], []
    shows: list[NDArray[np.bool_]] = []
    for i, item in enumerate(scored):
        if not at_least(item.probability, LEAST_PROBABILITY):
            continue
        routes = routes_of[item.hypothesis.id]
        most = PARTICLES if item.hypothesis.main is not None else FIRST_STRAIGHTS
        parts = [(item.weights, 1.0, True, most)]
        if missed and item.weights.any():  # before any miss every hole shows what it crosses
            showing = still_showing(routes, missed)
            # parted: what a next hole would show, and what stays unseen though it is crossed
            both = item.weights * showing, item.weights * (1.0 - showing)
            # on the lattice, as all shares that decide later
            in_both = (float(on_lattice(own.sum(), WEIGHT)) for own in both)
            parts = list(zip(both, in_both, (True, False), (most, UNSHOWN), strict=True))
        for own, share, shown, most in parts:
            chosen = systematic(own, routes, most)
            count = max(chosen.size, 1)
            index.append(np.full(count, i))
            # equal shares of the way's probability
            weights.append(np.full(count, item.probability * share / count))
            shows.append(np.full(count, shown))
            # a way without a route stands as one particle without a place
            if chosen.size:
                vertices.append(pad_routes(routes.vertices[chosen], width))
                inverts.append(pad_routes(routes.inverts_m[chosen], width))
                taps = routes.tap_stations_m
                stations.append(taps[chosen] if taps.size else np.full(chosen.size, np.nan))
            else:
                vertices.append(np.full((1, width, 2), np.nan))
                inverts.append(np.full((1, width), np.nan))
                stations.append(np.full(1, np.nan))
    all_weights = np.concatenate(weights)
    places, levels = np.concatenate(vertices), np.concatenate(inverts)
    return Particles(
        tuple(scored),
        np.concatenate(index),
        all_weights / all_weights.sum(),
        ~np.isnan(np.concatenate(stations)),
        places,
        levels,
        np.concatenate(stations),
        lot_crossings(places, levels, site.lot.vertices),
        np.concatenate(shows),
    )


def still_showing(routes: Routes, missed: Sequence[str]) -> Array:
    """Return how far a hole still shows the pipe of each route (m,) that it crosses, after misses.

    Parameters
    ----------
    routes
        Route samples of one hypothesis.
    missed
        Ids of the finds that showed nothing.

    Returns
    -------
    Array
        Factors (m,) in [0, 1].
    """
    singles = [np.exp(routes.log_likelihoods[name]) for name in missed]
    return joint_miss_showing(np.reshape(singles, (-1, len(routes.lengths_m))))


def systematic(weights: Array, routes: Routes, count: int) -> NDArray[np.intp]:
    """Pick ``count`` samples at even quantiles of the weights (m,), ordered by where they lead.

    Parameters
    ----------
    weights
        Weights of the samples (m,), of any sum.
    routes
        Route samples of one hypothesis.
    count
        How many to pick.

    Returns
    -------
    NDArray[np.intp]
        Indices (count,), none where nothing has a weight.
    """
    if weights.size == 0 or not weights.any():
        return np.zeros(0, np.intp)
    if routes.tap_stations_m.size:
        order = ordered(routes.tap_stations_m, LENGTH_M)
    else:
        # first straights, which lead to no tap: by their direction, round from the first one's
        angle = np.arctan2(*np.diff(routes.vertices[:, :2], axis=1)[:, 0].T[::-1])
        order = ordered(wrap_radians(angle - angle[0]), MATTERS_P)
    edges = np.cumsum(weights[order])
    # systematic resampling in that order: even over the quantiles, without a draw
    wanted = (np.arange(count) + 0.5) / count
    found = np.searchsorted(on_lattice(edges / edges[-1], WEIGHT), on_lattice(wanted, WEIGHT))
    return np.asarray(order[found])


def pad_routes(values: Array, width: int) -> Array:
    """Repeat the last entry of every route along axis 1, up to a width.

    Parameters
    ----------
    values
        One row a route (m, v, ...).
    width
        Length wanted along axis 1, at least v.

    Returns
    -------
    Array
        Array (m, width, ...).
    """
    missing = width - values.shape[1]
    if missing == 0:
        return np.asarray(values, float)
    return np.concatenate([values, np.repeat(values[:, -1:], missing, axis=1)], axis=1)


def lot_crossings(vertices: Array, inverts_m: Array, lot: Array) -> Crossings:
    """Find where routes (p, v, 2) first cross the ring of the lot (n, 2) outward.

    Parameters
    ----------
    vertices
        Vertices of the routes (p, v, 2), m.
    inverts_m
        Their inverts (p, v), m above the slab.
    lot
        Ring of the lot (n, 2), m.

    Returns
    -------
    Crossings
        Place and invert of each crossing.
    """
    ring, passed = polyline.closed(lot), polyline.stations(vertices)
    run, along = np.full(len(vertices), np.nan), np.full(len(vertices), np.nan)
    toward = polyline.directions(vertices)
    for j in range(toward.shape[1]):
        # the first crossing counts: a route that comes back in is not asked
        inside = np.flatnonzero(np.isnan(run))
        reach, at = polyline.ray(vertices[inside, j], toward[inside, j], ring)
        step = (passed[:, j + 1] - passed[:, j])[inside]
        hit = reach <= step + polyline.TOLERANCE_M
        leaves = inside[hit]
        run[leaves], along[leaves] = passed[leaves, j] + reach[hit], at[hit]
    places = polyline.line_interpolate_point(vertices, run)
    return Crossings(places, along, polyline.interp(run, passed, inverts_m), run)
