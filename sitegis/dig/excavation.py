"""How much is dug, where the spoil goes, and what the rule set asks of the hole."""

from __future__ import annotations

import numpy as np
import shapely

from .._dig_plan import Pit
from .._digging import may_run_in
from .._findings import Excavation
from .._frames import Array
from .._messages import notice_of
from .._rules import RuleSet
from .._site import Notice, Site
from .._survey import Survey
from .._units import FOOT_M, is_imperial


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
    asked = site.dig.soil_type
    if asked is None:
        return rules.default_soil, None
    if asked in rules.trench_slopes and asked not in rules.undisturbed_soils:
        return asked, None
    known = asked in rules.trench_slopes
    return rules.default_soil, notice_of(
        "soil-type-refused" if known else "soil-type-refused:unknown", "dig.soil",
        asked=asked, default=rules.default_soil, rules=rules.name,
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


def excavate(site: Site, rules: RuleSet, pit: Pit) -> Excavation:
    """Work out the quantities of one pit."""
    soil = planned_soil(site, rules)[0]
    length, width = sides_of(pit.ring)
    vertical = length * width * pit.depth_m
    sloped: float | None = None
    ring: Array | None = None
    fits = False
    if pit.depth_m < rules.engineer_depth_m:
        slope = rules.trench_slopes[soil]
        sloped = prismoid_m3(length, width, pit.depth_m, slope)
        ring = widened(pit.ring, slope * pit.depth_m)
        open_ground = shapely.difference(may_run_in(site), shapely.Polygon(site.building.vertices))
        fits = bool(shapely.covers(open_ground, shapely.Polygon(ring)))
    pipe = 0.25 * np.pi * site.drain_diameter_m**2 * width
    return Excavation(
        pit.rank,
        soil,
        pit.depth_m,
        vertical,
        sloped,
        ring,
        fits,
        vertical * rules.bulking[soil],
        widened(pit.ring, rules.spoil_setback_m),
        vertical - pipe,
        depth_statements(site, rules, pit.depth_m, soil),
    )


def depth_statements(site: Site, rules: RuleSet, depth_m: float, soil: str) -> tuple[str, ...]:
    """Say what the rule set asks of a hole this deep."""

    def say(length_m: float) -> str:
        feet = is_imperial(site.units)
        return f"{round(length_m / FOOT_M, 2):g} ft" if feet else f"{round(length_m, 2):g} m"

    lines = []
    if depth_m >= rules.egress_depth_m:
        lines.append(f"{say(rules.egress_depth_m)} deep or more: a ladder or ramp in the hole.")
    if depth_m >= rules.engineer_depth_m:
        lines.append(
            f"{say(rules.engineer_depth_m)} deep or more: a registered engineer designs the "
            "protective system."
        )
    elif depth_m >= rules.protective_depth_m:
        ratio = rules.trench_slopes[soil]
        lines.append(
            f"{say(rules.protective_depth_m)} deep or more: shore or shield it, or lay the sides "
            f"back {ratio:g} to 1 (soil type {soil}). Nobody enters before."
        )
    else:
        lines.append("Shallow, but shore it all the same where the ground may cave in.")
    lines.append(f"Spoil stays {say(rules.spoil_setback_m)} back from the edge.")
    return tuple(lines)


def excavations(survey: Survey) -> tuple[Excavation, ...]:
    """Work out the quantities of every planned pit."""
    return tuple(excavate(survey.site, survey.rules, pit) for pit in survey.dig.pits)
