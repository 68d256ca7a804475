"""How much is dug, where the spoil goes, and what the rule set asks of the hole."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import shapely

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.derived import Excavation
from ..model.dig_plan import LongerPit, Pit
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least, smallest
from ..pits.cost import FOOTING_BELOW_SLAB_M, may_run_in, spacing_m
from ..rules.rule_set import RuleSet
from ..units import about, format_volume


def prismoid_m3(length_m: float, width_m: float, depth_m: float, slope: float) -> float:
    """Return the volume of a pit with sloped sides, by the prismoidal formula.

    V = d/6 · (A_bottom + 4 A_middle + A_top), exact for plane sides; ``slope`` is horizontal per
    vertical, length and width are at the bottom.

    Parameters
    ----------
    length_m
        Length at the bottom, m.
    width_m
        Width at the bottom, m.
    depth_m
        Depth, m.
    slope
        Horizontal per vertical.

    Returns
    -------
    float
        Volume, m³.

    Examples
    --------
    >>> prismoid_m3(2.0, 1.0, 1.5, 0.0)
    3.0
    """
    areas = [
        (length_m + 2 * slope * z) * (width_m + 2 * slope * z)
        for z in (0.0, 0.5 * depth_m, depth_m)
    ]
    # Simpson's rule over the depth: exact, for the area is a quadratic of it
    return depth_m / 6.0 * (areas[0] + 4.0 * areas[1] + areas[2])


def planned_soil(site: Site, rules: RuleSet) -> tuple[str, Notice | None]:
    """Choose the soil type to plan on, and say so where it is not the one asked for.

    A type that is undisturbed ground only is refused: a sewer's trench was dug before.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.

    Returns
    -------
    soil
        Type to plan on.
    notice
        None where it is the one asked for.
    """
    asked, soil = site.dig.soil_type, rules.planned_soil(site.dig.soil_type)
    if asked in (None, soil):
        return soil, None
    known = asked in rules.trench_slopes
    return soil, notice_of(
        "soil-type-refused" if known else "soil-type-refused:unknown",
        "dig.soil",
        asked=asked,
        default=soil,
        rules=rules.name,
    )


def sides_of(ring: Array) -> tuple[float, float]:
    """Return length and width of a rectangle (4, 2)."""
    first, second = np.hypot(*(ring[1] - ring[0])), np.hypot(*(ring[2] - ring[1]))
    return float(max(first, second)), float(min(first, second))


def widened(ring: Array, by_m: float) -> Array:
    """Move the sides of a counter-clockwise rectangle (4, 2) outward.

    Parameters
    ----------
    ring
        Corners (4, 2), m.
    by_m
        How far outward, m.

    Returns
    -------
    Array
        Corners (4, 2), m.
    """
    center, along = ring.mean(axis=0), (ring[1] - ring[0]) / np.hypot(*(ring[1] - ring[0]))
    across = np.array([-along[1], along[0]])
    local = (ring - center) @ np.stack([along, across]).T
    # each corner outward along both axes
    grown = local + np.sign(local) * by_m
    return np.asarray(center + grown @ np.stack([along, across]))


def shielded_m3(
    length_m: float, width_m: float, depth_m: float, slope: float, vertical_m: float
) -> float:
    """Return the volume of a pit whose lowest part is vertical and whose sides slope above it.

    Parameters
    ----------
    length_m
        Length at the bottom, m.
    width_m
        Width at the bottom, m.
    depth_m
        Depth, m.
    slope
        Horizontal per vertical of the upper part.
    vertical_m
        Height of the vertical part, m.

    Returns
    -------
    float
        Volume, m³.

    Examples
    --------
    >>> round(shielded_m3(4.0, 3.0, 6.0, 1.5, 4.0), 6)
    138.0
    """
    lowest = min(vertical_m, depth_m)
    above = prismoid_m3(length_m, width_m, depth_m - lowest, slope)
    return length_m * width_m * lowest + above


def excavate(site: Site, rules: RuleSet, pit: Pit) -> Excavation:
    """Work out the quantities of one pit, for each protective system.

    Those of a pit that lengthens another are of the whole longer pit, as it then stands open.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    pit
        The pit.

    Returns
    -------
    Excavation
        Volumes and outlines.
    """
    # it stands open as one: protection and volume are of the whole
    if pit.whole is not None:
        depth_m = pit.whole.depth_m
        return excavate(site, rules, replace(pit, whole=None, ring=pit.whole.ring, depth_m=depth_m))
    soil = rules.planned_soil(site.dig.soil_type)
    length, width = sides_of(pit.ring)
    vertical = length * width * pit.depth_m
    sloped: float | None = None
    shielded: float | None = None
    ring: Array | None = None
    fits = False
    # deeper than this the rule set has no slope or shield by itself: an engineer designs it
    if pit.depth_m < rules.engineer_depth_m:
        slope = rules.trench_slopes[soil]
        sloped = prismoid_m3(length, width, pit.depth_m, slope)
        shielded = shielded_m3(length, width, pit.depth_m, slope, rules.shield_vertical_m)
        ring = widened(pit.ring, slope * pit.depth_m)
        open_ground = shapely.difference(may_run_in(site), shapely.Polygon(site.building.vertices))
        fits = bool(shapely.covers(open_ground, shapely.Polygon(ring)))
    # the pipe crosses the pit's width: that much is not filled again
    pipe = 0.25 * np.pi * site.drain_diameter_m**2 * width
    # dug soil takes more room: the heap and the trucks are of this volume
    loose = rules.bulking[soil]
    below_footing = is_below_footing(site, rules, pit, soil)
    return Excavation(
        rank=pit.rank,
        soil=soil,
        depth_m=pit.depth_m,
        vertical_m3=vertical,
        sloped_m3=sloped,
        sloped_ring=ring,
        sloped_fits=fits,
        spoil_m3=vertical * loose,
        spoil_ring=widened(pit.ring, rules.spoil_setback_m),
        backfill_m3=vertical - pipe,
        statements=pit_statements(rules, pit.depth_m, soil, below_footing=below_footing),
        sloped_spoil_m3=None if sloped is None else sloped * loose,
        shielded_m3=shielded,
        shielded_spoil_m3=None if shielded is None else shielded * loose,
    )


def pit_statements(
    rules: RuleSet, depth_m: float, soil: str, *, below_footing: bool
) -> tuple[str, ...]:
    """Say what the rule set asks of a hole this deep, with the sections.

    Parameters
    ----------
    rules
        Rule set of the site.
    depth_m
        Depth, m.
    soil
        Soil type planned on.
    below_footing
        Whether the bottom lies below the footing.

    Returns
    -------
    tuple[str, ...]
        The sentences.
    """
    return tuple(
        row.words.format(ratio=rules.trench_slopes[soil], soil=soil)
        for row in rules.pit_statements
        if (not row.at or at_least(depth_m, getattr(rules, row.at), MATTERS_M))
        and (not row.until or not at_least(depth_m, getattr(rules, row.until), MATTERS_M))
        and (below_footing or not row.below_footing)
    )


def is_below_footing(site: Site, rules: RuleSet, pit: Pit, soil: str) -> bool:
    """Return whether a pit's bottom lies below the footing's underside, and near enough to matter.

    Near is twice the distance that the line down from the footing asks for: judgment.

    Parameters
    ----------
    site
        The site as read.
    rules
        Rule set of the site.
    pit
        The pit.
    soil
        Soil type planned on.

    Returns
    -------
    bool
        Whether it does.
    """
    bottom_m = float(site.ground.elevation_m(np.array([pit.x_m, pit.y_m]))) - pit.depth_m
    # how far from the footing the line at the soil's slope has come down to the bottom
    away_m = rules.trench_slopes[soil] * (-FOOTING_BELOW_SLAB_M - bottom_m)
    gap_m = shapely.distance(shapely.Polygon(site.building.vertices), shapely.Polygon(pit.ring))
    return away_m > MATTERS_M and bool(at_least(2.0 * away_m, gap_m, MATTERS_M))


def excavations(survey: Survey) -> tuple[Excavation, ...]:
    """Work out the quantities of every planned pit."""
    pits = survey.dig.pits
    found = [excavate(survey.site, survey.rules, pit) for pit in pits]
    # pits that a later one lengthens are part of that one
    begun = {rank for pit in pits if pit.whole for rank in pit.whole.ranks[:-1]}
    for i, pit in enumerate(pits):
        if pit.whole is not None:
            line = LONGER.format(**longer_values(survey, pit, pit.whole))
            found[i] = replace(found[i], statements=(line, *found[i].statements))
    for group in _overlapping(survey, [i for i, pit in enumerate(pits) if pit.rank not in begun]):
        line = _one_pit(survey, [found[i] for i in group], [pits[i] for i in group])
        for i in group:
            found[i] = replace(found[i], statements=(*found[i].statements, line))
    return tuple(found)


LONGER = (
    "Where pit {before} shows nothing, lengthen it by {length} {toward}: another pit closer than "
    "{least} would leave no room for spoil and gear. It is then one pit of {size}, {depth} deep: "
    "shore its whole length."
)


def longer_values(survey: Survey, pit: Pit, whole: LongerPit) -> dict[str, str]:
    """Return the values of :data:`LONGER` for a pit that lengthens another to a whole.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    whole
        The longer pit.

    Returns
    -------
    dict[str, str]
        Values by name.
    """
    unit, sides = survey.site.units, np.diff(pit.ring, axis=0)[:2]
    away = np.array([pit.x_m, pit.y_m]) - whole.ring.mean(axis=0)
    lengths = np.hypot(*sides.T)
    # the side of the new part that points away from the whole: that is by how much it grows
    along = int(abs(sides[1] @ away) / lengths[1] > abs(sides[0] @ away) / lengths[0])
    across_lot = abs(away[0]) > abs(away[1])
    names = ("left", "right") if across_lot else ("front", "rear")
    size = " x ".join(about(side, unit) for side in sides_of(whole.ring))
    return {
        "before": str(whole.ranks[0]),
        "length": about(float(lengths[along]), unit),
        "toward": f"toward the {names[int(away[0 if across_lot else 1] > 0.0)]}",
        "least": about(spacing_m(survey.rules), unit),
        "size": size,
        "depth": about(whole.depth_m, unit),
    }


def _whole_ring(pit: Pit) -> Array:
    """Return the plan (4, 2) of a pit as it stands open in the end."""
    return pit.ring if pit.whole is None else pit.whole.ring


def _overlapping(survey: Survey, which: list[int]) -> list[list[int]]:
    """Group the pits that overlap at the top where their sides are sloped."""
    slope = survey.rules.trench_slopes[survey.rules.planned_soil(survey.site.dig.soil_type)]
    pits = survey.dig.pits
    groups: list[list[int]] = [[i] for i in which]
    for i, j in combinations(which, 2):
        shapes = [shapely.Polygon(_whole_ring(pits[k])) for k in (i, j)]
        # two sloped pits meet at the surface where they are nearer than the sum of their widths of
        # slope
        if not at_least(
            shapely.distance(*shapes), slope * (pits[i].depth_m + pits[j].depth_m), MATTERS_M
        ):
            one, other = (next(group for group in groups if k in group) for k in (i, j))
            if one is not other:
                one.extend(other)
                groups.remove(other)
    return [sorted(group) for group in groups if len(group) > 1]


def _one_pit(survey: Survey, holes: list[Excavation], pits: list[Pit]) -> str:
    """Say that pits are one longer pit where their sides are sloped."""
    unit, rules = survey.site.units, survey.rules
    length, width = joint_sides([_whole_ring(pit) for pit in pits])
    depth = max(hole.depth_m for hole in holes)
    ranks = [str(hole.rank) for hole in holes]
    which = f"Pits {', '.join(ranks[:-1])} and {ranks[-1]}"
    size = f"{about(length, unit)} x {about(width, unit)}, {about(depth, unit)} deep"
    apart = sum(hole.sloped_m3 or 0.0 for hole in holes)
    together = prismoid_m3(length, width, depth, rules.trench_slopes[holes[0].soil])
    return (
        f"{which} overlap at the top with sloped sides: shore them, or dig one pit of {size} "
        f"({format_volume(together, unit)} sloped, apart {format_volume(apart, unit)})."
    )


def joint_sides(rings: list[Array]) -> tuple[float, float]:
    """Return length and width of the one rectangle about pits, each (4, 2).

    Of the rectangles along a side of a pit the smallest, of equal ones the first.
    """
    corners, sizes = np.concatenate(rings), []
    for ring in rings:
        along = (ring[1] - ring[0]) / np.hypot(*(ring[1] - ring[0]))
        # extent of all corners along that side and across it
        sizes.append(np.ptp(corners @ np.array([along, [-along[1], along[0]]]).T, axis=0))
    length, width = sizes[smallest([float(size.prod()) for size in sizes], MATTERS_M)]
    return float(max(length, width)), float(min(length, width))
