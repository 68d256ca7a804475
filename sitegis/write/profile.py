"""The long section: floor, ground, invert with its band, and the main, as numbers."""

from __future__ import annotations

import numpy as np

from ..dig.depths import best_route, invert_quantiles, most_probable
from ..dig.trenches import exposures
from ..finds.kinds import measured_invert_m
from ..geometry import polyline
from ..geometry.frames import Array
from ..model.derived import Profile
from ..model.survey import Survey
from ..numerics.intervals import normal_samples
from ..numerics.statistics import NORMAL_BELOW_95, mixture_moments
from ..pits.exposure import ground_sd_m

INDOOR_STEPS = 13


def survey_profile(survey: Survey) -> Profile:
    """Put the section together from the drain's fit, the routes and the depths of ``dig``.

    The invert's band outdoors is of the routes' inverts alone: the error of the mapped ground
    makes a depth uncertain, not the pipe's elevation. Of a survey whose ``derived`` is filled it is
    the one there.
    """
    if survey.found is not None:
        return survey.found.section
    # two halves, under the house and outdoors, joined at the wall: station 0
    stations, xy, invert, spread = _indoor(survey)
    steps = survey.dig.depths
    # (n, 6); none where no route fits
    outdoor = np.array(
        [(s.station_m, s.x_m, s.y_m, s.ground_m, s.depth_05_m, s.depth_95_m) for s in steps]
    ).reshape(-1, 6)
    # the slab is elevation 0, and known exactly: all elevations are relative to it
    floor = np.zeros(len(stations))
    ground, ground_sd = outdoor[:, 3], ground_sd_m(survey.site, outdoor[:, 1:3])
    low, middle, high = _outdoor_inverts(survey, outdoor[:, 0]).T
    main_id, main_invert, diameter = _main_at_end(survey)
    return Profile(
        np.concatenate([stations, outdoor[:, 0]]),
        np.concatenate([xy, outdoor[:, 1:3]]),
        np.concatenate([floor, ground]),
        np.concatenate([floor, ground_sd]),
        np.concatenate([invert, middle]),
        np.concatenate([invert - spread, low]),
        np.concatenate([invert + spread, high]),
        # indoors depths are from the slab's surface, which is at elevation 0
        np.concatenate([-invert - spread, outdoor[:, 4]]),
        np.concatenate([spread - invert, outdoor[:, 5]]),
        _marks(survey, float(stations[0])),
        _seen(survey, outdoor[:, :3]),
        main_id,
        main_invert,
        diameter,
    )


def _outdoor_inverts(survey: Survey, at_m: Array) -> Array:
    """Return 5, 50 and 95 % quantiles (n, 3) of the inverts of the most probable way's routes."""
    found = most_probable(survey)
    if found is None or not at_m.size:
        return np.zeros((0, 3))
    scored, routes = found
    return invert_quantiles(routes.vertices, routes.inverts_m, scored.weights, at_m)


def invert_under_slab(survey: Survey, back_m: Array) -> tuple[Array, Array]:
    """Return the invert's mean and sd (n,) at distances back (upstream) from the drain's end.

    Each Gaussian of the profile is carried back by its slope, the mixture's two moments taken.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    back_m
        Distances upstream of the drain's end (n,), m.

    Returns
    -------
    means
        (n,), m above the slab.
    sds
        (n,), m.
    """
    weights, means, variances = _carried_back(survey, np.asarray(back_m, float))
    mean, variance = mixture_moments(weights, means, variances)
    return mean, np.sqrt(variance)


def invert_samples(survey: Survey, back_m: float) -> tuple[Array, Array]:
    """Return values (m,) and weights that stand for the invert at a distance back from the end.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    back_m
        Distance upstream of the drain's end, m.

    Returns
    -------
    samples
        (m,), m above the slab.
    weights
        (m,).
    """
    weights, means, variances = _carried_back(survey, np.array([back_m]))
    # of each component by itself: a mixture of normal distributions is not one
    return normal_samples(weights, means[:, 0], np.sqrt(np.maximum(variances[:, 0], 0.0)))


def _carried_back(survey: Survey, back: Array) -> tuple[Array, Array, Array]:
    """Return weights (k,), means and variances (k, n) of the profile's Gaussians, carried back."""
    components = survey.drain.profile
    weights = np.array([one.weight for one in components])
    means = np.stack([one.mean[0] + one.mean[1] * back for one in components])
    # variance of invert + slope × distance
    variances = np.stack(
        [
            one.covariance[0, 0]
            + 2.0 * back * one.covariance[0, 1]
            + back**2 * one.covariance[1, 1]
            for one in components
        ]
    )
    return weights, means, variances


def _indoor(survey: Survey) -> tuple[Array, Array, Array, Array]:
    """Sample the drain under the house: stations from the exit, places, invert, half band."""
    drain, penetration = survey.drain, survey.exit
    ending = np.array([[penetration.x_m, penetration.y_m]])
    line = np.concatenate([drain.vertices, ending])
    whole = float(polyline.length(line))
    # more than a straight line needs: bends show in plan, and the band widens as a curve
    sampled = np.linspace(0.0, whole, INDOOR_STEPS)
    xy = polyline.line_interpolate_point(line, sampled)
    invert, sd = invert_under_slab(survey, drain.length_m - sampled)
    # 0 at the outside of the wall, negative under the house
    # half of a band of 90 %, as the routes have it outdoors
    return sampled - whole, xy, invert, NORMAL_BELOW_95 * sd


def _marks(survey: Survey, start_m: float) -> Array:
    """Return station and invert of the points on the drain that have a depth, (j, 2)."""
    drain, placement = survey.drain, survey.placement
    head = survey.site.head_above_invert_m
    rows = []
    for name, station in zip(drain.point_ids, drain.stations_m, strict=True):
        point = placement.points[placement.index(name)]
        if point.depth_m is not None:
            # the locator found the camera's head, which rides above the invert
            rows.append((start_m + station, point.surface_elevation_m - point.depth_m - head))
    return np.array(rows, dtype=float).reshape(-1, 2)


def _seen(survey: Survey, along: Array) -> tuple[tuple[str, float, float], ...]:
    """Return name, station, invert of what was seen beside a route's stations and places (n, 3)."""
    if len(along) < 2:
        return ()
    rows = []
    for find in exposures(survey):
        known = measured_invert_m(find, survey.site)
        if known is not None:
            # beside the route, not on it: the nearest station
            at = polyline.line_locate_point(along[:, 1:], np.array([find.x_m, find.y_m]))[1]
            rows.append((find.id, float(along[0, 0] + at), known[0]))
    return tuple(rows)


def _main_at_end(survey: Survey) -> tuple[str, float | None, float]:
    """Return id, invert at the tap and diameter of the main that the best route joins."""
    scored = survey.scores.hypotheses[0]
    route = best_route(survey, scored)
    if route is None or scored.best is None or not survey.dig.depths:
        return "", None, 0.0
    samples = next(r for r in survey.routes if r.hypothesis.id == scored.hypothesis.id)
    diameter = next(
        (main.diameter_m for main in survey.site.mains if main.id == scored.hypothesis.main), 0.0
    )
    # the main's own invert: the route's at the tap less how far above it arrives
    invert = float(route[1][-1] - samples.arrivals_m[scored.best])
    return scored.hypothesis.main or "", invert, diameter


def ground_band(profile: Profile) -> tuple[Array, Array]:
    """Return the low and high edge (k,) that hold the surface with 90 %."""
    half = NORMAL_BELOW_95 * profile.surface_sd_m
    return profile.surface_m - half, profile.surface_m + half
