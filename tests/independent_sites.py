"""Invented sites in three regimes, drawn on their own: nothing here is the package's.

Blocks, mains and outdoor runs are those of :mod:`tests.neighborhood`. Under the slab all is
other than what the package assumes: drains are built upstream from a wall that they pass not
quite square, with bends anywhere, near the wall too, of other angles than the catalog's prior;
marks stop 0 to 4 m short of the wall. The crew's noise is as stated, 1.75 times that, or as
stated with habits shifted (other bends, more slanting exits, other slopes).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sitegis.model.site import Ground, Locate, Main, Noise, Room, Site
from tests import neighborhood as hood

Array = hood.Array
Regime = Literal["stated", "noisy", "habits"]
REGIMES: tuple[Regime, ...] = ("stated", "noisy", "habits")
NOISY = 1.75
BENDS_PER_M = 0.08
MOST_TRIES = 20_000
ANGLES_DEG = {
    "stated": ((22.5, 0.30), (45.0, 0.45), (90.0, 0.20), (60.0, 0.05)),
    "habits": ((15.0, 0.15), (22.5, 0.35), (30.0, 0.15), (45.0, 0.25), (90.0, 0.10)),
}


@dataclass(frozen=True)
class TrueSite:
    """A site as surveyed and what is really there.

    ``indoors`` and ``outdoors`` are polylines, upstream first; ``stations_m`` those of the marks
    along ``indoors``; ``after_bend`` counts the marks after the last bend; ``redundant`` the
    marks beyond two. ``inverts_m`` at the vertices of ``outdoors``, ``invert_start_m`` at the
    upstream end of ``indoors``. ``ground`` is as it is, that of the site as it was mapped.
    """

    site: Site
    main: str
    listed: bool
    tap_station_m: float
    indoors: Array
    outdoors: Array
    inverts_m: Array
    stations_m: Array
    after_bend: int
    redundant: int
    invert_start_m: float
    ground: Ground


class NoSuchHouseError(Exception):
    """No house fits these bends: about one seed in a thousand."""


def draw_site(
    seed: int, regime: Regime, redundant: int | None = None, *, noisy: float = NOISY
) -> TrueSite:
    """Draw one site: its bends first, then geometry until it fits, so that none are lost by it.

    ``redundant``: how many marks beyond two, as drawn where None. ``noisy`` is how many times
    noisier than stated the crew of that regime measures. ``NoSuchHouseError`` where nothing fits.
    """
    generator = np.random.default_rng([seed, REGIMES.index(regime), 4_711])
    intent = hood._draw_intent(generator)
    bends = _draw_bends(regime, generator)
    built, left = None, MOST_TRIES
    while built is None:
        if not left:
            raise NoSuchHouseError
        left -= 1
        block = hood._draw_block(intent, generator)
        built = _build(block, intent, bends, regime, generator)
    factor = noisy if regime == "noisy" else 1.0
    count = None if redundant is None else redundant + 2
    return survey_site(built, factor, generator, count)


@dataclass(frozen=True)
class BuiltLateral:
    """A lateral as it was built, its inverts at the start of the drain and at the wall and beyond.

    ``truth.indoors`` lies in the block's house square to its lot; ``house`` (4, 2) and ``drain``
    (k, 2) stand ``turned_rad`` from there.
    """

    block: hood.Block
    truth: hood.TrueLateral
    inverts_m: Array
    house: Array
    drain: Array
    turned_rad: float = 0.0


def survey_site(
    built: BuiltLateral, factor: float, generator: np.random.Generator, marks: int | None = None
) -> TrueSite:
    """Survey what was built with a crew ``factor`` times as noisy as it says: evidence, marks, lot.

    ``marks``: how many, as drawn where None.
    """
    block, truth, inverts = built.block, built.truth, built.inverts_m
    evidence = hood._draw_evidence(block, truth, generator)
    listed = not (len(block.mains) > 1 and generator.random() < 0.03)
    mains = block.mains if listed else tuple(m for m in block.mains if m.id != truth.main)
    evidence = tuple(e for e in evidence if listed or not hood._speaks_of(e, truth.main))
    site = hood._survey_site(block, mains, truth, evidence, generator)
    locates, stations = _mark(
        block, truth.indoors, inverts[0], truth.slope_indoors, factor, generator, marks
    )
    shift = generator.normal(0.0, site.building.position_sd_m, 2)
    building = replace(site.building, vertices=built.house + shift, angle_rad=built.turned_rad)
    inner = block.house[2] - block.house[0] - 2 * hood.WALL_M
    room = Room(
        "R1",
        "Basement",
        (hood.WALL_M, hood.WALL_M),
        0.02,
        0.0,
        np.radians(0.3),
        (float(inner[0]), float(inner[1])),
    )
    ground = Ground(site.ground.spots, _grounds(block), np.full(3, 0.05), False)
    mapped = replace(ground, elevations_m=ground.elevations_m + generator.normal(0.0, 0.05, 3))
    site = replace(site, building=building, locates=locates, rooms=(room,), ground=mapped)
    corners = np.cumsum(np.hypot(*np.diff(truth.indoors, axis=0).T))[:-1]
    last_bend = corners[-1] if len(corners) else -1.0
    after = int(np.sum(stations > last_bend))
    return TrueSite(
        site, truth.main, listed, truth.tap_station_m, built.drain, truth.outdoors,
        inverts[1:], stations, after, len(stations) - 2, float(inverts[0]), ground,
    )  # fmt: skip


def _grounds(block: hood.Block) -> Array:
    return np.array([block.ground_m, block.ground_front_m, block.ground_rear_m])


def _build(
    block: hood.Block,
    intent: hood.Intent,
    bends: Bends,
    regime: Regime,
    generator: np.random.Generator,
) -> BuiltLateral | None:
    """Build the drain upstream from the wall and the lateral on from it; None where none fits."""
    main = next(m for m in block.mains if m.id == hood._main_id(intent.lateral))
    indoors = None
    slants = (12.0, 0.3) if regime == "habits" else (5.0, 0.15)
    for _ in range(30):
        indoors = draw_indoors(block.house, intent.wall, bends, slants, generator)
        if indoors is not None:
            break
    if indoors is None:
        return None
    outdoors = hood._draw_outdoors(block, main, intent.wall, indoors, generator)
    if outdoors is None or not hood._allowed(block, outdoors):
        return None
    start = -generator.uniform(0.25, 0.65)
    typical = 0.014 if regime == "habits" else 0.018
    inside = typical * np.exp(generator.normal(0.0, 0.35))
    outside = inside if generator.random() < 0.5 else 0.019 * np.exp(generator.normal(0.0, 0.4))
    at_wall = start - inside * hood._length(indoors)
    found = joined(main, intent.wall, (indoors, outdoors), (start, at_wall), (inside, outside))
    return found and BuiltLateral(block, *found, block.house, indoors)


def joined(
    main: Main,
    wall: str,
    ways: tuple[Array, Array],
    levels_m: tuple[float, float],
    slopes: tuple[float, float],
) -> tuple[hood.TrueLateral, Array] | None:
    """Join a lateral to its main, None where it falls too low or high: truth, inverts.

    ``ways`` indoors and outdoors with their ``slopes``; ``levels_m`` at the start and the wall.
    """
    (indoors, outdoors), (start, at_wall), (inside, outside) = ways, levels_m, slopes
    steps = np.hypot(*np.diff(outdoors, axis=0).T)
    inverts = at_wall - outside * np.concatenate([[0.0], np.cumsum(steps)])
    station = float(np.abs(outdoors[-1] - main.line[0]).sum())
    bed = np.interp(station, [0.0, hood._length(main.line)], main.inverts_m)
    if not 0.03 < inverts[-1] - bed < 2.8:
        return None
    truth = hood.TrueLateral(
        main.id, station, indoors, outdoors, start, float(inside), wall, float(outside)
    )
    return truth, np.concatenate([[start], inverts])


@dataclass(frozen=True)
class Bends:
    """Straights (k + 1,) in meters upstream from the wall, and the turns (k,) between them."""

    straights_m: Array
    turns_deg: Array


def _draw_bends(regime: Regime, generator: np.random.Generator) -> Bends:
    """Draw the bends of a regime, 0.08 a meter."""
    angles = ANGLES_DEG["habits" if regime == "habits" else "stated"]
    return draw_bends(angles, BENDS_PER_M, generator)


def draw_bends(
    angles_deg: tuple[tuple[float, float], ...], per_m: float, generator: np.random.Generator
) -> Bends:
    """Draw 4 to 11 m of drain with so many bends a meter, of angles with shares."""
    angles, shares = np.array(angles_deg).T
    length = generator.uniform(4.0, 11.0)
    count = generator.poisson(per_m * length)
    at = np.sort(generator.uniform(0.0, length, count))
    turns = generator.choice(angles, count, p=shares) + generator.normal(0.0, 1.5, count)
    return Bends(np.diff(np.concatenate([[0.0], at, [length]])), turns)


def draw_indoors(
    house: Array,
    wall: str,
    bends: Bends,
    slants: tuple[float, float],
    generator: np.random.Generator,
) -> Array | None:
    """Lay a drain from somewhere in the wall upstream, bends to either hand; None if outside.

    ``slants``: sd of the angle off square in degrees, and the share that has any up to 40°.
    """
    low, high = house[0], house[2]
    axis = 0 if wall in ("left", "right") else 1
    here = np.empty(2)
    here[axis] = (high if wall in ("right", "rear") else low)[axis]
    here[1 - axis] = generator.uniform(low[1 - axis] + 0.6, high[1 - axis] - 0.6)
    slant = generator.normal(0.0, slants[0])
    if generator.random() < slants[1]:
        slant = generator.uniform(-40.0, 40.0)
    upstream = hood._turned(-hood.OUTWARD[wall], np.radians(slant))
    hands = generator.choice([-1.0, 1.0], len(bends.turns_deg))
    points = [here]
    for i, step in enumerate(bends.straights_m):
        here = here + step * upstream
        if not np.all((here > low + 0.3) & (here < high - 0.3)) and step > 0.3:
            return None
        points.append(here)
        if i < len(hands):
            upstream = hood._turned(upstream, np.radians(hands[i] * bends.turns_deg[i]))
    inside = np.all((here > low + 0.3) & (here < high - 0.3))
    return np.array(points[::-1]) if inside else None


def _mark(
    block: hood.Block,
    drain: Array,
    invert_start: float,
    slope: float,
    factor: float,
    generator: np.random.Generator,
    marks: int | None,
) -> tuple[tuple[Locate, ...], Array]:
    """Mark the drain: heavy-tailed scatter, one session's shift and depth scale, tape errors.

    The scatter is a Student-t of 4 degrees of freedom for half of the crews, normal for the
    rest, brought to the stated standard deviation.
    """
    noise = Noise()
    heavy = generator.random() < 0.5

    def draw(*shape: int) -> Array:
        if heavy:
            return np.asarray(generator.standard_t(4.0, shape) / np.sqrt(2.0)) * factor
        return np.asarray(generator.standard_normal(shape)) * factor

    steps = np.hypot(*np.diff(drain, axis=0).T)
    corners = np.concatenate([[0.0], np.cumsum(steps)])
    short = min(generator.uniform(0.0, 4.0), 0.7 * corners[-1])
    spacing = generator.uniform(0.7, 2.2)
    count = marks or max(3, round((corners[-1] - short) / spacing) + 1)
    spacing = spacing if marks is None else (corners[-1] - short) / (count - 1)
    at = np.linspace(0.0, corners[-1] - short, count)
    at[1:-1] += generator.uniform(-0.2, 0.2, count - 2) * spacing
    place = np.stack([np.interp(at, corners, drain[:, axis]) for axis in (0, 1)], axis=1)
    depth = -(invert_start - slope * at) - 0.025
    session = generator.normal(0.0, noise.session_horizontal_m * factor, 2)
    scale = 1.0 + generator.normal(0.0, noise.session_depth_scale * factor)
    sd = np.maximum(noise.horizontal_floor_m, noise.horizontal_share * depth)
    place = place + session + sd[:, None] * draw(count, 2)
    place[0] = drain[0] + generator.normal(0.0, 0.04 * factor, 2)
    read = depth * scale + np.maximum(noise.depth_floor_m, noise.depth_share * depth) * draw(count)
    counted, headed = generator.random() < 0.7, generator.random() < 0.25
    slack = abs(generator.normal(0.0, noise.footage_share))
    paid = at * (1.0 + slack) + generator.normal(0.0, 0.5 * noise.footage_floor_m * factor, count)
    along = np.diff(drain, axis=0)[np.clip(np.searchsorted(corners, at) - 1, 0, len(steps) - 1)]
    axis_rad = np.arctan2(along[:, 1], along[:, 0]) + np.radians(9.0) * draw(count)
    rows = []
    local = place - block.house[0] - hood.WALL_M
    tape = noise.tape_floor_m + noise.tape_share * np.abs(local)
    local = local + tape * factor * generator.standard_normal((count, 2))
    for i in range(count):
        rows.append(
            Locate(
                f"P{i}",
                "cleanout" if i == 0 else "locate",
                "R1",
                float(local[i, 0]),
                float(local[i, 1]),
                None if i == 0 else float(max(read[i], 0.05)),
                float(max(paid[i], 0.0)) if counted and i else None,
                float(axis_rad[i]) if headed and i else None,
                None,
                None,
                None,
                "slab",
                "",
                i + 2,
            )
        )
    return tuple(rows), at
