"""How much is dug, where the spoil goes, and what the rule set asks of the hole."""

from __future__ import annotations

import numpy as np
import shapely

from .._dig_plan import Pit
from .._digging import FOOTING_BELOW_SLAB_M, may_run_in
from .._errors import Notice
from .._findings import Excavation
from .._frames import Array
from .._messages import notice_of
from .._rules import RuleSet
from .._site import Site
from .._survey import Survey
from .._ties import MATTERS_M, at_least


def prismoid_m3(length_m: float, width_m: float, depth_m: float, slope: float) -> float:
    """Give the volume of a pit with sides laid back, by the prismoidal formula.

    V = d/6 · (A_bottom + 4 A_middle + A_top), exact for plane sides; ``slope`` is horizontal per
    vertical, length and width are at the bottom.

    >>> prismoid_m3(2.0, 1.0, 1.5, 0.0)
    3.0
    """
    areas = [
        (length_m + 2 * slope * z) * (width_m + 2 * slope * z)
        for z in (0.0, 0.5 * depth_m, depth_m)
    ]
    return depth_m / 6.0 * (areas[0] + 4.0 * areas[1] + areas[2])


def planned_soil(site: Site, rules: RuleSet) -> tuple[str, Notice | None]:
    """Choose the soil type to plan on, and say so where it is not the one asked for.

    A type that is undisturbed ground only is refused: a sewer's trench was dug before.
    """
    asked, soil = site.dig.soil_type, rules.planned_soil(site.dig.soil_type)
    if asked in (None, soil):
        return soil, None
    known = asked in rules.trench_slopes
    return soil, notice_of(
        "soil-type-refused" if known else "soil-type-refused:unknown", "dig.soil",
        asked=asked, default=soil, rules=rules.name,
    )  # fmt: skip


def sides_of(ring: Array) -> tuple[float, float]:
    """Give length and width of a rectangle (4, 2)."""
    first, second = np.hypot(*(ring[1] - ring[0])), np.hypot(*(ring[2] - ring[1]))
    return float(max(first, second)), float(min(first, second))


def widened(ring: Array, by_m: float) -> Array:
    """Move the sides of a counter-clockwise rectangle (4, 2) outward."""
    centre, along = ring.mean(axis=0), (ring[1] - ring[0]) / np.hypot(*(ring[1] - ring[0]))
    across = np.array([-along[1], along[0]])
    local = (ring - centre) @ np.stack([along, across]).T
    grown = local + np.sign(local) * by_m
    return np.asarray(centre + grown @ np.stack([along, across]))


def shielded_m3(
    length_m: float, width_m: float, depth_m: float, slope: float, vertical_m: float
) -> float:
    """Give the volume of a pit whose lowest part is vertical and whose sides slope above it.

    >>> round(shielded_m3(4.0, 3.0, 6.0, 1.5, 4.0), 6)
    138.0
    """
    lowest = min(vertical_m, depth_m)
    above = prismoid_m3(length_m, width_m, depth_m - lowest, slope)
    return length_m * width_m * lowest + above


def excavate(site: Site, rules: RuleSet, pit: Pit) -> Excavation:
    """Work out the quantities of one pit, for each protective system."""
    soil = rules.planned_soil(site.dig.soil_type)
    length, width = sides_of(pit.ring)
    vertical = length * width * pit.depth_m
    sloped: float | None = None
    shielded: float | None = None
    ring: Array | None = None
    fits = False
    if pit.depth_m < rules.engineer_depth_m:
        slope = rules.trench_slopes[soil]
        sloped = prismoid_m3(length, width, pit.depth_m, slope)
        shielded = shielded_m3(length, width, pit.depth_m, slope, rules.shield_vertical_m)
        ring = widened(pit.ring, slope * pit.depth_m)
        open_ground = shapely.difference(may_run_in(site), shapely.Polygon(site.building.vertices))
        fits = bool(shapely.covers(open_ground, shapely.Polygon(ring)))
    pipe = 0.25 * np.pi * site.drain_diameter_m**2 * width
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
    """Say what the rule set asks of a hole this deep, with the sections."""
    return tuple(
        row.words.format(ratio=rules.trench_slopes[soil], soil=soil)
        for row in rules.pit_statements
        if (not row.at or at_least(depth_m, getattr(rules, row.at), MATTERS_M))
        and (not row.until or not at_least(depth_m, getattr(rules, row.until), MATTERS_M))
        and (below_footing or not row.below_footing)
    )


def is_below_footing(site: Site, rules: RuleSet, pit: Pit, soil: str) -> bool:
    """Tell whether a pit's bottom lies below the footing's underside, and near enough to matter.

    Near is twice the distance that the line down from the footing asks for: judgement.
    """
    bottom_m = float(site.ground.elevation_m(np.array([pit.x_m, pit.y_m]))) - pit.depth_m
    away_m = rules.trench_slopes[soil] * (-FOOTING_BELOW_SLAB_M - bottom_m)
    gap_m = shapely.distance(shapely.Polygon(site.building.vertices), shapely.Polygon(pit.ring))
    return away_m > MATTERS_M and bool(at_least(2.0 * away_m, gap_m, MATTERS_M))


def excavations(survey: Survey) -> tuple[Excavation, ...]:
    """Work out the quantities of every planned pit."""
    return tuple(excavate(survey.site, survey.rules, pit) for pit in survey.dig.pits)
