"""What the marks were worth: digging and cutting by a guess, at the same prices."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from ..geometry import polyline
from ..geometry.frames import Array
from ..model.dig_plan import GuessedCut, GuessedDig
from ..model.site import Main, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least, ordered, smallest
from ..numerics.statistics import NORMAL_95, NORMAL_BELOW_95, normal_density
from ..pits.cost import BEDDING_M, pit_cost, surface_rates_at
from ..pits.exposure import Straights, rectangle_crossings
from .branch_path import OPENING_M, fixture_place

OUT_M = 1.5
"""How far outside the wall a pit by a guess is dug. Judgment, no source."""
ASTRAY = 1.5
"""Slab opened beside a cut that missed, for each length that was lacking: half of the time the
wrong side is opened first, as far. Judgment, no source."""


def guessed_digs(
    survey: Survey, straights: Straights, weights: Array, way_out: float
) -> tuple[GuessedDig, ...]:
    """Return what digging by a guess is expected to cost: the owner's, and the nearest main.

    Straight from the upstream end of the drain, which can be seen, toward the main that is guessed:
    one pit of the usual size across that line, 1.5 m outside the wall, as deep as the marks
    would have it; where it shows nothing the trench from the wall, ``way_out``. Without the marks
    neither that depth nor where the trench begins is known, so that the cost is a lower bound.
    ``straights`` and ``weights`` (m,) are those that pits are planned by. Nothing where the marks
    show no start, or the line meets no wall.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    straights
        Straights of routes, with the routes (m) they belong to.
    weights
        Weights of the routes (m,).
    way_out
        Cost of the trench from the wall.

    Returns
    -------
    tuple[GuessedDig, ...]
        The owner's guess and the nearest main, as far as there are such.
    """
    site = survey.site
    if survey.fitted is None or not site.mains:
        return ()
    start = survey.fitted.vertices[0]
    made = [
        _dig(survey, by, main, start, straights, weights, way_out) for by, main in _guessed(survey)
    ]
    return tuple(one for one in made if one is not None)


def _guessed(survey: Survey) -> list[tuple[str, Main]]:
    """List who guesses which main: the nearest, and the one that the owner names."""
    site = survey.site
    owner = [("owner", main) for main in site.mains if main.id == site.dig.owner_guess]
    return [("nearest main", _nearest(site, survey.drain.vertices[0])), *owner]


def guessed_cuts(survey: Survey) -> tuple[GuessedCut, ...]:
    """Return what opening the slab over the drain costs, as expected: by the marks, by guesses.

    Where the first planned fixture that has a place is nearest, clear of the upstream end, or else
    as far from that end as the middle of the drain. By the marks the cut is as wide as the drain's
    place is known there (95 %); by a guess it is a usual one on the straight line from the
    upstream end toward the main. Either is widened until it shows the drain, which lies where the
    marks place it, with their spread.
    """
    site, placed = survey.site, survey.placed
    if survey.fitted is None or placed is None or not site.mains:
        return ()
    # as the marks alone give it
    left = survey.exit_from_inside or survey.exit
    drain = np.concatenate([survey.fitted.vertices, [[left.x_m, left.y_m]]])
    fixture, wanted = _to_be_joined(survey)
    middle_m = 0.5 * float(polyline.length(drain))
    here = _nearest_place(drain, wanted, middle_m)
    points = [point for point in placed.points if point.id in survey.fitted.point_ids]
    if not points:
        return ()
    away = [float(np.hypot(point.x_m - here[0], point.y_m - here[1])) for point in points]
    # spread of the mark nearest to the cut
    sd_m = points[smallest(away, MATTERS_M)].sd_major_m
    wide = max(OPENING_M, 2.0 * NORMAL_95 * sd_m + site.drain_diameter_m)
    cuts = [_cut(site, ("marks", ""), fixture, here, 0.0, sd_m, wide)]
    for by, main in _guessed(survey):
        station = polyline.line_locate_point(main.line, drain[0])[1]
        # straight to the main's nearest place, as one guesses who cannot see under the slab
        line = np.stack([drain[0], polyline.line_interpolate_point(main.line, station)])
        at = _nearest_place(line, wanted, middle_m)
        off_m = float(polyline.line_locate_point(drain, at)[0])
        cuts.append(_cut(site, (by, main.id), fixture, at, off_m, sd_m, OPENING_M))
    return tuple(cuts)


def _to_be_joined(survey: Survey) -> tuple[str, Array | None]:
    """Return the first planned fixture that has a place, with it; else "" and None."""
    for fixture in survey.site.fixtures:
        place = fixture_place(survey, fixture)
        if place is not None:
            return fixture.id, place[0]
    return "", None


def _nearest_place(line: Array, wanted: Array | None, else_m: float) -> Array:
    """Return where a line (n, 2) is nearest to what is wanted, off its start; else so far on."""
    station = else_m
    if wanted is not None:
        # clear of the upstream end: no opening centers on the cleanout
        station = max(float(polyline.line_locate_point(line, wanted)[1]), OPENING_M)
    return polyline.line_interpolate_point(line, np.array(station))


def _cut(
    site: Site,
    guess: tuple[str, str],
    fixture: str,
    center: Array,
    off_m: float,
    sd_m: float,
    wide_m: float,
) -> GuessedCut:
    """Price a cut whose middle is ``off_m`` beside where the drain most probably is.

    With u ~ N(off, sd²) and half the width h, P(found) = P(|u| ≤ h), and what must be added is
    E[(|u| − h)₊] = sd (φ(a) − a Φ(−a) + φ(b) − b Φ(−b)), a = (h − off) / sd, b = (h + off) / sd.
    """
    # a and b of the docstring: edges of the cut in sds of the drain's place
    ends = (0.5 * wide_m + np.array([-off_m, off_m])) / sd_m
    p_hit = float(1.0 - ndtr(-ends).sum())
    lacking = float(sd_m * (normal_density(ends, 1.0) - ends * ndtr(-ends)).sum())
    settings, area = site.dig, wide_m * OPENING_M
    cost = settings.slab_setup + area * settings.slab_per_m2
    more = ASTRAY * lacking * OPENING_M * settings.slab_per_m2
    return GuessedCut(
        guess[0],  # type: ignore[arg-type]  # one of three
        guess[1],
        fixture,
        float(center[0]),
        float(center[1]),
        min(max(p_hit, 0.0), 1.0),
        cost,
        cost + more,
    )


def _nearest(site: Site, start: Array) -> Main:
    """Return the main nearest to a place; of equal ones the first on record."""
    gaps = [float(polyline.line_locate_point(main.line, start)[0]) for main in site.mains]
    return site.mains[int(ordered(gaps, MATTERS_M)[0])]


def _dig(
    survey: Survey,
    by: str,
    main: Main,
    start: Array,
    straights: Straights,
    weights: Array,
    way_out: float,
) -> GuessedDig | None:
    """Price one pit by a guess, and the trench where it shows nothing."""
    site, penetration = survey.site, survey.exit
    station = float(polyline.line_locate_point(main.line, start)[1])
    # (2,) from the start to the main's nearest place: the straight line of whoever guesses
    gap = polyline.line_interpolate_point(main.line, np.array(station)) - start
    reach = float(np.hypot(*gap))
    if reach < MATTERS_M:
        return None
    toward = gap / reach
    wall = float(
        polyline.ray(start[None], toward[None], polyline.closed(site.building.vertices))[0][0]
    )
    if not np.isfinite(wall):
        return None
    center = start + (wall + OUT_M) * toward
    # the pit's length lies across that line, as a searcher would lay it
    across = float(np.arctan2(toward[1], toward[0])) + 0.5 * np.pi
    size = np.array([[site.dig.pit_length_m, site.dig.pit_width_m]])
    # the depth that shows the pipe in 95 of 100 cases, by the marks
    deepest = penetration.depth_m + NORMAL_BELOW_95 * penetration.depth_sd_m + BEDDING_M
    depth = float(np.clip(deepest, 0.0, site.dig.max_depth_m))
    crossing = rectangle_crossings(straights, center[None], np.array([across]), size)
    # (m,) depth of each route where it crosses the pit, nan where it does not
    below = float(site.ground.elevation_m(center)) - crossing.invert_m[0]
    p_hit = float(weights[at_least(depth, below, MATTERS_M)].sum())
    cost = float(
        pit_cost(
            size.prod(axis=1),
            np.array([depth]),
            surface_rates_at(site, center[None]),
            site.dig,
            survey.rules,
        )[0]
    )
    return GuessedDig(
        by=by,  # type: ignore[arg-type]  # one of the two
        main=main.id,
        x_m=float(center[0]),
        y_m=float(center[1]),
        p_hit=min(p_hit, 1.0),
        cost=cost,
        # the pit, and where it shows nothing the trench
        expected_cost=cost + (1.0 - p_hit) * way_out,
    )
