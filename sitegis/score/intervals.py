"""What is stated of exit and tap, read from the weighted routes of all ways together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..exit import choose_components, sample_exit
from ..finds.ground import deep_finds, ground_error
from ..geometry import polyline
from ..geometry.frames import Array, wrap_radians
from ..line.bend_catalog import CATALOG_DEG
from ..model.derived import ExitSpread, TapSpread
from ..model.results import Exit, Routes, ScoredHypothesis
from ..model.site import Main, Manhole
from ..model.survey import Survey
from ..numerics.intervals import (
    LEVELS,
    Interval,
    Region,
    Strata,
    central_intervals,
    highest_density_intervals,
    highest_density_regions,
    normal_samples,
    shifted,
    without_gaps,
)
from ..numerics.ordering import MATTERS_P, at_least, largest
from ..numerics.statistics import weighted_quantiles
from .exit_after import is_held_outdoors

# judgment, no source: floor for what no listed way explains; shortest straight that has a
# direction; draws that stand for the marks alone, of each component and in all at least
LEAST_PROBABILITY = 1e-4
LEAST_STRAIGHT_M = 0.05
DRAWS_EACH, LEAST_DRAWS = 32, 512
LEAST_STRATUM = 0.03
"""A kind of exit less probable than this counts to the most probable kind. Judgment."""
NO_PRACTICE = 0.10
"""Share of laterals that keep to no practice by which routes are weighed: place and direction at
the wall are known as the marks give them. For sets of 95 % alone. Judgment, no source: with none
what no mark shows falls short (tests/benchmarks/coverage.txt)."""
LEAST_TURN_RAD = float(np.radians(min(CATALOG_DEG)))
"""Directions less apart than the least made bend are not told apart: fittings are rolled."""


def exit_spread(survey: Survey) -> ExitSpread:
    """Return the intervals of the exit after all evidence.

    Place, direction and invert are those of the weighted routes; ``unlisted``, where nothing is
    held outdoors, leaves as the marks give it. The slope is that of
    the drain under the slab, which the marks and practice alone tell. The 95 % sets of
    direction and place hold their level whether two marks or more, one or none lie after the last
    bend, and whichever wall the drain leaves by; those of 50 and 80 % are the least. For
    these 95 % a tenth counts as the marks give it, whatever routes say, as long as nothing is
    held outdoors.
    """
    exit, site = survey.exit, survey.site
    poses, component, alone = _poses(survey)
    x, y, angle, invert, weights = poses
    widened = weights if is_held_outdoors(site) else _with_no_practice(weights, alone)
    strata = exit_strata(survey.exit_from_inside, component, widened)
    turn = wrap_radians(angle - exit.angle_rad)
    higher, ground_sd = _ground_at_wall(survey, weights.size)
    # a fixed permutation of even quantiles: each route gets a ground
    # of its own, no draw moves the whole
    order = np.random.default_rng([site.seed, 11]).permutation(weights.size)
    ground = higher + ground_sd * ndtri((order + 0.5) / weights.size)
    slopes = normal_samples(
        np.array([one.weight for one in exit.profile]),
        np.array([one.mean[1] for one in exit.profile]),
        np.sqrt([max(float(one.covariance[1, 1]), 0.0) for one in exit.profile]),
    )
    return ExitSpread(
        shifted(direction_sets(turn, weights, strata, widened), exit.angle_rad),
        place_sets(np.stack([x, y], axis=1), weights, strata, widened),
        central_intervals(invert, weights),
        central_intervals(ground - invert, weights),
        central_intervals(*slopes),
    )


def _ground_at_wall(survey: Survey, count: int) -> tuple[Array, Array]:
    """Return the ground at the wall given each sample, mean and sd (m,), in their order."""
    inside = survey.exit_from_inside
    # the depth's spread holds invert and ground: the invert's part is taken off again
    own = np.sqrt(max(inside.depth_sd_m**2 - inside.invert_sd_m**2, 0.0))
    mean, sd = np.full(count, inside.depth_m + inside.invert_m), np.full(count, own)
    if deep_finds(survey.site):
        known = [
            ground_error(survey.site, one.vertices, one.inverts_m, one.vertices[:, 0])
            for _, one in _sampled(survey)
        ]
        if known:
            higher, spread = np.concatenate(known, axis=1)
            # what the marks alone give comes last, and no find tells of its ground
            mean[: higher.size] += higher
            sd[: spread.size] = spread
    return mean, sd


def _with_no_practice(weights: Array, alone: NDArray[np.bool_]) -> Array:
    """Return weights (m,) with ``NO_PRACTICE`` of all on the samples of the marks alone."""
    more = NO_PRACTICE * float(weights.sum() / weights[alone].sum())
    return weights * (1.0 - NO_PRACTICE + np.where(alone, more, 0.0))


def direction_sets(
    turn: Array, weights: Array, strata: Strata, widened: Array | None = None
) -> tuple[Interval, ...]:
    """Return the sets of a direction: where it most likely runs, and what leaves no kind out.

    The sets of 50 and 80 % are the least of all. Of that of 95 % it is asked that it holds whatever
    lies beyond the last mark: there a rare kind keeps its own set, and no gap is less than the
    least made bend.

    Parameters
    ----------
    turn
        Samples (m,), rad.
    weights
        Their weights (m,).
    strata
        Kind and part of each sample.
    widened
        Weights (m,) for the set of 95 %; None for the same.

    Returns
    -------
    tuple[Interval, ...]
        One for each of 50, 80 and 95 %.
    """
    together = Strata(np.zeros_like(strata.label), strata.part)
    likeliest = highest_density_intervals(turn, weights, together, LEVELS[:-1])
    widened = weights if widened is None else widened
    (widest,) = highest_density_intervals(turn, widened, strata, LEVELS[-1:])
    return (*likeliest, without_gaps(widest, LEAST_TURN_RAD))


def place_sets(
    points: Array, weights: Array, strata: Strata, widened: Array | None = None
) -> tuple[Region, ...]:
    """Return the regions of a place (m, 2) as :func:`direction_sets` those of a direction.

    Parameters
    ----------
    points
        Samples (m, 2), m.
    weights
        Their weights (m,).
    strata
        Kind and part of each sample.
    widened
        Weights (m,) for the set of 95 %; None for the same.

    Returns
    -------
    tuple[Region, ...]
        One for each of 50, 80 and 95 %.
    """
    likeliest = highest_density_regions(points, weights, levels=LEVELS[:-1])
    widened = weights if widened is None else widened
    return likeliest + highest_density_regions(points, widened, strata, LEVELS[-1:])


def exit_strata(exit: Exit, component: NDArray[np.int64], weights: Array) -> Strata:
    """Sort samples (m,) of an exit by the marks after the last bend, and by the wall.

    What is less probable than 3 % counts to the most probable wall of as many marks, a number of
    marks that is less probable to the most probable kind, as does what came by no component.

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    component
        Component of the exit's mixture of each sample (m,).
    weights
        Weights of the samples (m,).

    Returns
    -------
    Strata
        Kind and part of each sample.
    """
    walls = 1 + max(part.wall_index for part in exit.mixture)
    kinds = [part.marks_after * walls + part.wall_index for part in exit.mixture]
    # −1, what came by no component, takes the last entry
    kind = np.array([*kinds, -1])[component]
    share = np.bincount(kind[kind >= 0], weights[kind >= 0], minlength=3 * walls) / weights.sum()
    counted = np.arange(share.size)
    most = largest(share, MATTERS_P)
    # the kinds with none, one, and two marks or more after the last bend
    for own in np.arange(share.size).reshape(3, walls):
        few = ~at_least(share[own], LEAST_STRATUM)
        counted[own[few]] = own[largest(share[own], MATTERS_P)]
        if not at_least(share[own].sum(), LEAST_STRATUM):
            counted[own] = most
    return Strata(np.where(kind < 0, most, counted[kind]), component)


def _poses(survey: Survey) -> tuple[Array, NDArray[np.int64], NDArray[np.bool_]]:
    """Gather x, y, angle, invert at the exit and weight of every route (5, m), and component (m,).

    A component is that of the exit as the marks give it, −1 where a route has none. Gives also
    which are no routes but what the marks alone give (m,).
    """
    parts, components = [], []
    for scored, routes in _sampled(survey):
        straight = _first_straight(routes)
        angle = np.arctan2(straight[:, 1], straight[:, 0])
        weights = scored.probability * scored.weights
        parts.append([*routes.vertices[:, 0].T, angle, routes.inverts_m[:, 0], weights])
        known = routes.components if routes.components.size else np.full(weights.size, -1)
        components.append(known)
    rest = max(1.0 - sum(float(part[-1].sum()) for part in parts), LEAST_PROBABILITY)
    drawn, of = _draws(survey, rest)
    component = np.concatenate([*components, of])
    alone = np.arange(component.size) >= component.size - of.size
    return np.concatenate([*parts, drawn], axis=1), component, alone


def _sampled(survey: Survey) -> list[tuple[ScoredHypothesis, Routes]]:
    """Pair the ways that have routes of some weight with them, ``unlisted`` after finds alone."""
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    held = is_held_outdoors(survey.site)
    return [
        (scored, routes_of[scored.hypothesis.id])
        for scored in survey.scores.hypotheses
        # without anything outdoors it leaves as the marks give it, which is drawn by itself
        if scored.weights.any() and (held or scored.hypothesis.main is not None)
    ]


def _first_straight(routes: Routes) -> Array:
    """Return the vector (m, 2) of each route's first straight that has a length."""
    steps = np.diff(routes.vertices, axis=1)
    first = np.argmax(np.hypot(steps[..., 0], steps[..., 1]) > LEAST_STRAIGHT_M, axis=1)
    return np.asarray(steps[np.arange(len(steps)), first])


def _draws(survey: Survey, weight: float) -> tuple[Array, NDArray[np.int64]]:
    """Draw x, y, angle and invert as the marks alone give them, with their weights (5, m).

    As many of every component, so that a rare kind has a shape too. Gives the component of each
    (m,) as well.
    """
    exit, generator = survey.exit_from_inside, np.random.default_rng([survey.site.seed, 12])
    share = np.array([part.weight for part in exit.mixture])
    share = share / share.sum()
    # uniforms spread evenly over each component's own piece of (0, 1)
    each = max(DRAWS_EACH, LEAST_DRAWS // share.size)
    within = (np.arange(each) + 0.5) / each
    uniforms = ((np.cumsum(share) - share)[:, None] + share[:, None] * within).ravel()
    normals = generator.normal(size=(uniforms.size, 5))
    x, y, angle, invert, _ = sample_exit(exit, normals[:, :3], uniforms, normals[:, 3:])
    drawn = np.stack([x, y, angle, invert, np.repeat(weight * share / each, each)])
    return drawn, choose_components(exit, uniforms)[0]


def tap_spreads(survey: Survey) -> tuple[TapSpread, ...]:
    """Return the tap on each main that any route reaches, the most probable main first."""
    spreads = [_tap(survey, main) for main in survey.site.mains]
    found = [spread for spread in spreads if spread is not None]
    return tuple(sorted(found, key=lambda one: (-round(one.probability, 9), one.main.id)))


def _tap(survey: Survey, main: Main) -> TapSpread | None:
    """Gather the taps on one main over all ways to it."""
    alternatives = [pair for pair in _sampled(survey) if pair[0].hypothesis.main == main.id]
    if not alternatives:
        return None
    probability = sum(scored.probability for scored, _ in alternatives)
    # of ways too improbable for a number each counts alike
    weights = np.concatenate(
        [max(one.probability, 1e-300) * one.weights for one, _ in alternatives]
    )
    stations = np.concatenate([routes.tap_stations_m for _, routes in alternatives])
    inverts = np.concatenate([routes.inverts_m[:, -1] for _, routes in alternatives])
    median = float(weighted_quantiles(stations, weights, (0.5,))[0])
    place = polyline.line_interpolate_point(main.line, median)
    return TapSpread(
        main=main,
        probability=float(probability),
        station_m=median,
        place=place,
        manhole=stationing_manhole(main, median),
        station=central_intervals(stations, weights),
        invert=central_intervals(inverts, weights),
    )


def stationing_manhole(main: Main, station_m: float) -> Manhole | None:
    """Return the manhole a station is counted from: the next downstream, else the next upstream.

    Sewers are stationed up from their lower manhole (common practice, no source).

    Parameters
    ----------
    main
        The main.
    station_m
        Station on the main, m.

    Returns
    -------
    Manhole | None
        The manhole, None where the main has none on record.
    """
    below = [manhole for manhole in main.manholes if manhole.station_m > station_m]
    if below:
        # the manhole just downstream, by its station; the id decides where two share one
        return min(below, key=lambda manhole: (manhole.station_m, manhole.id))
    return max(main.manholes, key=lambda manhole: (manhole.station_m, manhole.id), default=None)
