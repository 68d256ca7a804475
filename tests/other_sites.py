"""Invented sites of another world than :mod:`tests.independent_sites`, with known truth.

Half of the houses stand turned on their lots, drains bend oftener and by right angles oftener,
slopes are even over a wide range, laterals bend anywhere on their way, and what rounds a house runs
beside it at any distance the yard allows. Blocks, evidence and the crew's noise are the same.
"""

from __future__ import annotations

import numpy as np
import shapely

from sitegis.model.site import Main
from tests import neighborhood as hood
from tests.independent_sites import (
    Bends,
    BuiltLateral,
    NoSuchHouseError,
    TrueSite,
    draw_bends,
    draw_indoors,
    joined,
    survey_site,
)

Array = hood.Array
BENDS_PER_M = 0.11
ANGLES_DEG = ((11.25, 0.10), (22.5, 0.25), (45.0, 0.40), (90.0, 0.25))
SLANTS = (4.0, 0.25)
JOGS = hood.Jogs(0.45, (0.2, 0.4, 0.4), (0.4, 10.0), (0.5, 5.0), 1.5, 0.7)
TURN_SD_DEG = 6.0
MOST_TRIES = 4_000


def draw_other_site(seed: int, factor: float) -> TrueSite:
    """Draw one site: intent, bends and turn first, then geometry until it fits.

    ``factor`` is how many times noisier than stated the crew measures. ``NoSuchHouseError`` where
    nothing fits.
    """
    generator = np.random.default_rng([seed, 990_211])
    intent = hood._draw_intent(generator)
    bends = draw_bends(ANGLES_DEG, BENDS_PER_M, generator)
    is_turned = generator.random() < 0.5
    for _ in range(MOST_TRIES):
        turned = np.radians(generator.normal(0.0, TURN_SD_DEG)) if is_turned else 0.0
        built = _build(intent, bends, float(turned), generator)
        if built is not None:
            return survey_site(built, factor, generator)
    raise NoSuchHouseError


def _build(
    intent: hood.Intent, bends: Bends, turned_rad: float, generator: np.random.Generator
) -> BuiltLateral | None:
    """Build drain and lateral on a block drawn for them; None where they do not fit."""
    block = hood._draw_block(intent, generator)
    house = _about(block.house, block.house[0], turned_rad)
    lot = shapely.Polygon(hood._rectangle(0.0, 0.0, block.width_m, block.depth_m))
    indoors = draw_indoors(block.house, intent.wall, bends, SLANTS, generator)
    if indoors is None or not lot.contains(shapely.Polygon(house)):
        return None
    main = next(m for m in block.mains if m.id == hood._main_id(intent.lateral))
    drain = _about(indoors, block.house[0], turned_rad)
    outdoors = _draw_outdoors((house, turned_rad), main, intent.wall, drain, generator)
    if outdoors is None or not hood._allowed(block, outdoors, house):
        return None
    start, inside = -generator.uniform(0.28, 0.85), generator.uniform(0.008, 0.032)
    outside = inside if generator.random() < 0.5 else generator.uniform(0.01, 0.05)
    at_wall = start - inside * hood._length(indoors)
    found = joined(main, intent.wall, (indoors, outdoors), (start, at_wall), (inside, outside))
    return found and BuiltLateral(block, *found, house, drain, turned_rad)


def _about(points: Array, middle: Array, angle_rad: float) -> Array:
    """Return points (n, 2) turned about a place (2,), counter-clockwise."""
    return hood._turned((points - middle).T, angle_rad).T + middle


def _draw_outdoors(
    house: tuple[Array, float],
    main: Main,
    wall: str,
    indoors: Array,
    generator: np.random.Generator,
) -> Array | None:
    """Draw the lateral from the wall of a turned house to the main; None where it misses it."""
    corners, turned_rad = house
    heading = indoors[-1] - indoors[-2]
    heading = heading / np.hypot(*heading)
    points = [indoors[-1]]
    if wall == main.side:
        heading = hood._jog(points, heading, generator, JOGS)
    else:
        toward = hood._turned(hood.OUTWARD[main.side], turned_rad)
        points.append(points[-1] + heading * _beside(generator))
        if heading @ toward < -0.5:
            aside = np.array([-toward[1], toward[0]]) * generator.choice([-1.0, 1.0])
            past = float(((corners - points[-1]) @ aside).max()) + 0.7 * _beside(generator)
            points.append(points[-1] + aside * past)
        heading = hood._turned(toward, generator.normal(0.0, np.radians(2.0)))
        if generator.random() < 0.4:
            points.append(points[-1] + heading * generator.uniform(2.0, 12.0))
            angle = generator.choice([11.25, 22.5, 45.0]) * generator.choice([-1.0, 1.0])
            heading = hood._turned(heading, np.radians(angle))
    meeting = hood._meet(points[-1], heading, main.line)
    return None if meeting is None else np.array([*points, meeting])


def _beside(generator: np.random.Generator) -> float:
    """Draw how far from a wall a lateral runs beside it: near it or anywhere in the yard."""
    near = generator.random() < 0.6
    return float(generator.uniform(0.5, 1.6) if near else generator.uniform(0.5, 4.0))
