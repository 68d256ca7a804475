"""What is stated of exit and tap, read from the weighted routes of all ways together."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from ..exit import sample_exit
from ..geometry import polyline
from ..geometry.frames import Array, wrap_radians
from ..model.derived import ExitSpread, TapSpread
from ..model.results import Routes, ScoredHypothesis
from ..model.site import Main, Manhole
from ..model.survey import Survey
from ..numerics.intervals import (
    central_intervals,
    highest_density_intervals,
    highest_density_regions,
    normal_samples,
    shifted,
)
from ..numerics.statistics import weighted_quantiles

LEAST_PROBABILITY = 1e-4
LEAST_STRAIGHT_M = 0.05
UNLISTED_DRAWS = 512


def exit_spread(survey: Survey) -> ExitSpread:
    """Return the intervals of the exit after all evidence.

    Place, direction and invert are those of the weighted routes; the part of the probability
    that has no route (``unlisted``) keeps the exit as the marks give it. The slope is that of
    the drain under the slab, which the marks and practice alone tell.
    """
    exit, site = survey.exit, survey.site
    x, y, angle, invert, weights = _poses(survey)
    turn = wrap_radians(angle - exit.angle_rad)
    ground_sd = np.sqrt(max(exit.depth_sd_m**2 - exit.invert_sd_m**2, 0.0))
    order = np.random.default_rng([site.seed, 11]).permutation(weights.size)
    ground = exit.depth_m + exit.invert_m + ground_sd * ndtri((order + 0.5) / weights.size)
    slopes = normal_samples(
        np.array([one.weight for one in exit.profile]),
        np.array([one.mean[1] for one in exit.profile]),
        np.sqrt([max(float(one.covariance[1, 1]), 0.0) for one in exit.profile]),
    )
    return ExitSpread(
        shifted(highest_density_intervals(turn, weights), exit.angle_rad),
        highest_density_regions(np.stack([x, y], axis=1), weights),
        central_intervals(invert, weights),
        central_intervals(ground - invert, weights),
        central_intervals(*slopes),
    )


def _poses(survey: Survey) -> Array:
    """Gather x, y, angle, invert at the exit and the weight of every route (5, m)."""
    parts = []
    for scored, routes in _sampled(survey):
        straight = _first_straight(routes)
        angle = np.arctan2(straight[:, 1], straight[:, 0])
        weights = scored.probability * scored.weights
        parts.append([*routes.vertices[:, 0].T, angle, routes.inverts_m[:, 0], weights])
    rest = max(1.0 - sum(float(part[-1].sum()) for part in parts), LEAST_PROBABILITY)
    return np.concatenate([*parts, _draws(survey, rest)], axis=1)


def _sampled(survey: Survey) -> list[tuple[ScoredHypothesis, Routes]]:
    """Pair the ways that have routes of some weight with them."""
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    return [
        (scored, routes_of[scored.hypothesis.id])
        for scored in survey.scores.hypotheses
        if scored.weights.any()
    ]


def _first_straight(routes: Routes) -> Array:
    """Give the vector (m, 2) of each route's first straight that has a length."""
    steps = np.diff(routes.vertices, axis=1)
    first = np.argmax(np.hypot(steps[..., 0], steps[..., 1]) > LEAST_STRAIGHT_M, axis=1)
    return np.asarray(steps[np.arange(len(steps)), first])


def _draws(survey: Survey, weight: float) -> Array:
    """Draw x, y, angle and invert as the marks alone give them, with their weights (5, m)."""
    generator, count = np.random.default_rng([survey.site.seed, 12]), UNLISTED_DRAWS
    x, y, angle, invert, _ = sample_exit(
        survey.exit_from_inside,
        generator.normal(size=(count, 3)),
        generator.random(count),
        generator.normal(size=(count, 2)),
    )
    return np.stack([x, y, angle, invert, np.full(count, weight / count)])


def tap_spreads(survey: Survey) -> tuple[TapSpread, ...]:
    """Return the tap on each main that any route reaches, the most probable main first."""
    spreads = [_tap(survey, main) for main in survey.site.mains]
    found = [spread for spread in spreads if spread is not None]
    return tuple(sorted(found, key=lambda one: (-round(one.probability, 9), one.main.id)))


def _tap(survey: Survey, main: Main) -> TapSpread | None:
    """Gather the taps on one main over all ways to it."""
    ways = [pair for pair in _sampled(survey) if pair[0].hypothesis.main == main.id]
    if not ways:
        return None
    probability = sum(scored.probability for scored, _ in ways)
    # of ways too improbable for a number each counts alike
    weights = np.concatenate([max(one.probability, 1e-300) * one.weights for one, _ in ways])
    stations = np.concatenate([routes.tap_stations_m for _, routes in ways])
    inverts = np.concatenate([routes.inverts_m[:, -1] for _, routes in ways])
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
        return min(below, key=lambda manhole: (manhole.station_m, manhole.id))
    return max(main.manholes, key=lambda manhole: (manhole.station_m, manhole.id), default=None)
