"""What the marks were worth: digging by a guess, at the same prices and by the same routes."""

from __future__ import annotations

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..model.dig_plan import GuessedDig
from ..model.site import Main, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least, ordered
from ..numerics.statistics import NORMAL_BELOW_95
from ..pits.cost import BEDDING_M, pit_cost, surface_rates_at
from ..pits.exposure import Straights, rectangle_crossings

OUT_M = 1.5
"""How far outside the wall a pit by a guess is dug. Judgment, no source."""


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
    guessed = [("nearest main", _nearest(site, start))]
    guessed += [("owner", main) for main in site.mains if main.id == site.dig.owner_guess]
    made = [_dig(survey, by, main, start, straights, weights, way_out) for by, main in guessed]
    return tuple(one for one in made if one is not None)


def _nearest(site: Site, start: Array) -> Main:
    """Give the main nearest to a place; of equal ones the first on record."""
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
    across = float(np.arctan2(toward[1], toward[0])) + 0.5 * np.pi
    size = np.array([[site.dig.pit_length_m, site.dig.pit_width_m]])
    deepest = penetration.depth_m + NORMAL_BELOW_95 * penetration.depth_sd_m + BEDDING_M
    depth = float(np.clip(deepest, 0.0, site.dig.max_depth_m))
    crossing = rectangle_crossings(straights, center[None], np.array([across]), size)
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
        expected_cost=cost + (1.0 - p_hit) * way_out,
    )
