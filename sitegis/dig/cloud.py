"""One cloud of weighted routes over all hypotheses, thin enough to dig through quickly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..finds.ground import ground_error
from ..finds.records import Missed
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.survey import Survey
from ..numerics.ordering import at_least, on_lattice
from ..pits.exposure import Integers, Straights, straights_of, with_ground_error
from ..score.particles import pad_routes, still_showing, systematic

# judgment, no source: routes for all ways together and for each at least; the share of a way's
# weight in its lightest routes; the least probability of a way that is dug for
ROUTES_TOTAL, ROUTES_AT_LEAST = 1500, 200
LIGHT_SHARE = 1e-3
WORTH_DIGGING = 0.002
UNLISTED_DRAWS = 128
"""First straights of a lateral to no main on record that pits are held against: judgment."""
COUNT_STEP = 2.0**-24  # in which counts decide how often a route is taken
CLOUD_WEIGHT = 2.0**-40  # unit of a route's weight: sums of them are exact in any order


Part = tuple[Array, Array, Array, int | Integers, Array | None]


@dataclass(frozen=True, slots=True)
class RouteCloud:
    """Routes of all hypotheses: ``vertices`` (m, v, 2), ``inverts_m`` (m, v), ``weights`` (m,).

    ``owner`` (m,) is an index into ``hypotheses``. The weights of one hypothesis sum to its
    probability; what is missing to 1 belongs to hypotheses that have no route. A short route
    repeats its tap. The error of the mapped ground is folded into ``inverts_m`` (one draw per
    route), so that depth = mapped ground − invert carries both uncertainties. ``showing`` (m,) is
    the probability that the next test pit which a route crosses shows the pipe (None: surely).
    """

    vertices: Array
    inverts_m: Array
    weights: Array
    owner: Integers
    hypotheses: tuple[str, ...]
    showing: Array | None = None

    @property
    def empty(self) -> bool:
        """Whether no hypothesis has a route."""
        return self.weights.size == 0

    @property
    def straights(self) -> Straights:
        """The straights of all routes."""
        return straights_of(self.vertices, self.inverts_m)


def systematic_counts(weights: Array, count: int, offset: float) -> Integers:
    """Draw ``count`` items by systematic resampling and tell how often (m,) each was taken.

    ``weights`` (m,) need not sum to 1; ``offset`` in [0, 1). Each item is taken ⌊count·w⌋ or
    ⌈count·w⌉ times (Kitagawa 1996).

    Parameters
    ----------
    weights
        Weights of the routes (m,).
    count
        How many to draw.
    offset
        Place of the first draw, in [0, 1).

    Returns
    -------
    Integers
        How often each was taken (m,).

    Examples
    --------
    >>> systematic_counts(np.array([0.5, 0.25, 0.25]), 4, 0.5).tolist()
    [2, 1, 1]
    """
    edges = on_lattice(np.cumsum(weights / weights.sum()) * count, COUNT_STEP)
    # rounding to the lattice must not lose the last item
    edges[-1] = count
    # how many of the evenly spaced marks, offset + 0, 1, 2 …, lie below each edge
    reached = np.clip(np.ceil(edges - offset), 0, count).astype(np.int64)
    return np.asarray(np.diff(np.concatenate([[0], reached])), np.int64)


def likely_part(cloud: RouteCloud) -> RouteCloud:
    """Keep the routes of hypotheses that reach 0.2 %: no pit is dug for the others."""
    share = np.bincount(cloud.owner, cloud.weights, len(cloud.hypotheses))
    kept = at_least(share, WORTH_DIGGING)[cloud.owner]
    return replace(
        cloud,
        vertices=cloud.vertices[kept],
        inverts_m=cloud.inverts_m[kept],
        weights=cloud.weights[kept],
        owner=cloud.owner[kept],
        showing=None if cloud.showing is None else cloud.showing[kept],
    )


def weighed_by_exposure(cloud: RouteCloud) -> RouteCloud:
    """Weigh routes by the probability that a pit on them shows the pipe, after earlier misses."""
    if cloud.showing is None:
        return cloud
    return replace(cloud, weights=on_lattice(cloud.weights * cloud.showing, CLOUD_WEIGHT))


def gather_cloud(survey: Survey) -> RouteCloud:
    """Thin the routes of every hypothesis that has any to one cloud of about 2000.

    Stratified by hypothesis: each keeps at least ``ROUTES_AT_LEAST`` draws, so that corridors
    of improbable ways are drawn too; the weights put the probabilities right.
    """
    generator = np.random.default_rng([survey.site.seed, 5])
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    parts: list[Part] = []
    scored_all = survey.scores.hypotheses
    missed = [item.id for item in survey.site.evidence if isinstance(item, Missed)]
    for index, scored in enumerate(scored_all):
        routes = routes_of.get(scored.hypothesis.id)
        offset = float(generator.random())
        if routes is None or not routes.tap_stations_m.size or scored.probability <= 0:
            continue
        # resampled routes of a way share its probability evenly, however few or many they are
        count = max(ROUTES_AT_LEAST, round(ROUTES_TOTAL * scored.probability))
        taken = systematic_counts(scored.weights, count, offset)
        kept = np.flatnonzero(taken)
        weights = on_lattice(scored.probability * taken[kept] / count, CLOUD_WEIGHT)
        part = routes.vertices[kept], routes.inverts_m[kept]
        parts.append((*part, weights, index, still_showing(routes, missed)[kept]))
    cloud = _join(parts, tuple(scored.hypothesis.id for scored in scored_all))
    return _with_ground_error(survey, cloud, generator)


def unlisted_cloud(survey: Survey) -> RouteCloud:
    """Draw first straights of a lateral to no main on record, as routes that end with them.

    A pit by the wall shows such a lateral as well; where it goes from there is not known, so that
    no corridor and no depth along a way is drawn of these. Their weights sum to the probability
    of ``unlisted``; the cloud is empty without it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.

    Returns
    -------
    RouteCloud
        ``UNLISTED_DRAWS`` straights, or none.
    """
    scored_all = survey.scores.hypotheses
    missed = [item.id for item in survey.site.evidence if isinstance(item, Missed)]
    parts: list[Part] = []
    for index, scored in enumerate(scored_all):
        if scored.hypothesis.main is not None or scored.probability <= 0.0:
            continue
        (of,) = (one for one in survey.routes if one.hypothesis.id == scored.hypothesis.id)
        chosen = systematic(scored.weights, of, UNLISTED_DRAWS)
        weights = on_lattice(np.full(chosen.size, scored.probability / chosen.size), CLOUD_WEIGHT)
        part = of.vertices[chosen], of.inverts_m[chosen]
        parts.append((*part, weights, index, still_showing(of, missed)[chosen]))
    cloud = _join(parts, tuple(scored.hypothesis.id for scored in scored_all))
    return _with_ground_error(survey, cloud, np.random.default_rng([survey.site.seed, 15]))


def searched_cloud(survey: Survey, cloud: RouteCloud) -> RouteCloud:
    """Return what pits are dug for: the listed ways' routes, and first straights of ``unlisted``.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    cloud
        Thinned routes of every hypothesis.

    Returns
    -------
    RouteCloud
        The routes of both, in this order; weights sum to 1 at most.
    """
    both = [one for one in (cloud, unlisted_cloud(survey)) if not one.empty]
    parts = [(one.vertices, one.inverts_m, one.weights, one.owner, one.showing) for one in both]
    return _join(parts, cloud.hypotheses)


def whole_cloud(survey: Survey) -> RouteCloud:
    """Gather the routes of every hypothesis with their own weights, none resampled.

    The lightest, which hold 0.1 % of a hypothesis together, are left out; the inverts are without
    the error of the ground.
    """
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    parts: list[Part] = []
    scored_all = survey.scores.hypotheses
    for index, scored in enumerate(scored_all):
        routes = routes_of[scored.hypothesis.id]
        if scored.probability <= 0 or scored.best is None:
            continue
        # the heaviest first, until all but the lightest thousandth is there
        heavy = np.argsort(-scored.weights, kind="stable")
        enough = np.searchsorted(np.cumsum(scored.weights[heavy]), 1.0 - LIGHT_SHARE) + 1
        kept = np.sort(heavy[:enough])
        weights = scored.probability * scored.weights[kept]
        parts.append((routes.vertices[kept], routes.inverts_m[kept], weights, index, None))
    return _join(parts, tuple(scored.hypothesis.id for scored in scored_all))


def _join(parts: Sequence[Part], hypotheses: tuple[str, ...]) -> RouteCloud:
    """Stack routes of different vertex counts; shorter ones repeat their tap."""
    if not parts:
        empty = np.zeros(0)
        return RouteCloud(
            np.zeros((0, 2, 2)), np.zeros((0, 2)), empty, empty.astype(np.int64), hypotheses
        )
    width = max(part[0].shape[1] for part in parts)
    vertices = [pad_routes(part[0], width) for part in parts]
    inverts = [pad_routes(part[1], width) for part in parts]
    owner = [np.full(part[2].size, part[3], dtype=np.int64) for part in parts]
    weights = np.concatenate([part[2] for part in parts])
    return RouteCloud(
        np.concatenate(vertices),
        np.concatenate(inverts),
        weights,
        np.concatenate(owner),
        hypotheses,
        np.concatenate(showing) if (showing := [p for *_, p in parts if p is not None]) else None,
    )


def _with_ground_error(
    survey: Survey, cloud: RouteCloud, generator: np.random.Generator
) -> RouteCloud:
    """Fold the error of the mapped ground into the inverts, one draw per route."""
    if cloud.empty:
        return cloud
    # even quantiles in random order: each route has a ground error of its own, their spread exact
    strata = (generator.permutation(cloud.weights.size) + 0.5) / cloud.weights.size
    error = ground_error(survey.site, cloud.vertices, cloud.inverts_m, cloud.vertices)
    inverts = with_ground_error(cloud.inverts_m, strata, *error)
    return replace(cloud, inverts_m=inverts)
