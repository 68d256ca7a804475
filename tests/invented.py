"""Invented sites as records, for tests of single stages: no real place, person or record.

``corner_site`` is a 50 ft × 125 ft corner lot: front street along the front, a side street along
the right, an alley along the rear, a house of 26 ft × 44 ft with two basement rooms. The true
drain runs from the stack toward the front wall and on to the front main unless told otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sitegis.evidence import Evidence
from sitegis.geometry.frames import Array, LotFrame
from sitegis.model.results import Exit, ProfileComponent
from sitegis.model.site import (
    Building,
    DigSettings,
    Ground,
    Locate,
    Lot,
    Main,
    Manhole,
    Noise,
    Priors,
    Room,
    Site,
    Street,
)

FOOT_M = 0.3048
LOT_WIDTH_M, LOT_DEPTH_M = 50 * FOOT_M, 125 * FOOT_M
HOUSE_WIDTH_M, HOUSE_DEPTH_M = 26 * FOOT_M, 44 * FOOT_M
HOUSE_LEFT_M, HOUSE_FRONT_M = 8 * FOOT_M, 25 * FOOT_M
WALL_M = 1 * FOOT_M
SIDES = ("front", "right", "rear", "left")


@dataclass(frozen=True)
class Truth:
    """What is really there: drain polyline in the lot (upstream first, ends at the main)."""

    drain: Array
    invert_start_m: float
    slope: float
    main: str


FRONT_TRUTH = Truth(
    drain=np.array([[7.4, 17.0], [7.4, 10.5], [6.6, -10.06]]),
    invert_start_m=-0.45,
    slope=0.0208,
    main="front-main",
)


def _rectangle(x: float, y: float, width: float, depth: float) -> Array:
    return np.array([[x, y], [x + width, y], [x + width, y + depth], [x, y + depth]])


def _main(identifier: str, street: str, side: str, kind: str, line: Array, invert: float) -> Main:
    length = float(np.hypot(*(line[-1] - line[0])))
    direction = (line[-1] - line[0]) / length
    manholes = tuple(
        Manhole(f"{identifier}-MH{i}", *(line[0] + direction * s), s, invert - 0.005 * s)
        for i, s in enumerate((length * 0.1, length * 0.9))
    )
    return Main(
        identifier,
        street,
        side,
        kind,
        line,  # type: ignore[arg-type]
        np.array([invert, invert - 0.005 * length]),
        0.10,
        True,
        0.2032,
        manholes,
        (),
        0.3,
    )


def corner_site(
    truth: Truth = FRONT_TRUTH,
    *,
    evidence: tuple[Evidence, ...] = (),
    seed: int = 7,
    noise_scale: float = 1.0,
    count: int = 6,
) -> Site:
    """Build the corner lot with ``count`` noisy locate points along the indoor part of a truth."""
    generator = np.random.default_rng(seed)
    lot = Lot(_rectangle(0, 0, LOT_WIDTH_M, LOT_DEPTH_M), SIDES, LOT_WIDTH_M * LOT_DEPTH_M, 0.05)
    building = Building(
        _rectangle(HOUSE_LEFT_M, HOUSE_FRONT_M, HOUSE_WIDTH_M, HOUSE_DEPTH_M),
        SIDES,
        0.0,
        0.10,
        np.radians(0.2),
        0.02,
        WALL_M,
    )
    half = HOUSE_DEPTH_M / 2
    rooms = (
        Room(
            "R1",
            "Front room",
            (WALL_M, WALL_M),
            0.02,
            0.0,
            np.radians(0.3),
            (HOUSE_WIDTH_M - 2 * WALL_M, half - WALL_M - 0.08),
        ),
        Room(
            "R2",
            "Laundry",
            (WALL_M, half + 0.08),
            0.02,
            0.0,
            np.radians(0.3),
            (HOUSE_WIDTH_M - 2 * WALL_M, half - WALL_M - 0.08),
        ),
    )
    streets = (
        Street(
            "First Street",
            "front",
            "street",
            20.1,
            _rectangle(-30, -20.1, 75, 20.1),
            "asphalt",
            2.0,
            0.1,
        ),
        Street(
            "Side Street",
            "right",
            "street",
            18.0,
            _rectangle(LOT_WIDTH_M, -20, 18, 80),
            "asphalt",
            2.0,
            0.1,
        ),
        Street(
            "Rear Alley",
            "rear",
            "alley",
            4.9,
            _rectangle(-30, LOT_DEPTH_M, 75, 4.9),
            "gravel",
            2.1,
            0.1,
        ),
    )
    mains = (
        _main(
            "front-main",
            "First Street",
            "front",
            "street",
            np.array([[40.0, -10.06], [-30.0, -10.06]]),
            -1.6,
        ),
        _main(
            "side-main",
            "Side Street",
            "right",
            "street",
            np.array([[LOT_WIDTH_M + 9, 55.0], [LOT_WIDTH_M + 9, -15.0]]),
            -1.7,
        ),
        _main(
            "alley-main",
            "Rear Alley",
            "rear",
            "alley",
            np.array([[40.0, LOT_DEPTH_M + 2.4], [-30.0, LOT_DEPTH_M + 2.4]]),
            -1.2,
        ),
    )
    return Site(
        name="Invented corner lot",
        units="ft",
        depth_units="in",
        rule_set="us-ipc",
        frame=LotFrame("EPSG:32616", 400_000.0, 4_600_000.0, 84.2, 0.9996),
        lot=lot,
        building=building,
        rooms=rooms,
        locates=_locates(truth, rooms, generator, noise_scale, count),
        ties=(),
        wall_contacts=(),
        streets=streets,
        mains=mains,
        evidence=evidence,
        fixtures=(),
        keep_outs=(),
        easements=(),
        ground=Ground(
            np.array([[6.4, 14.0], [7.6, -10.0], [7.6, 40.0]]),
            np.array([2.1, 2.0, 2.1]),
            np.array([0.05, 0.1, 0.1]),
            assumed=False,
        ),
        noise=Noise(),
        priors=Priors(),
        dig=DigSettings(),
        seed=1,
        year_built=1924,
        slab_elevation_m=100.0,
    )


def _locates(
    truth: Truth,
    rooms: tuple[Room, ...],
    generator: np.random.Generator,
    noise_scale: float,
    count: int,
) -> tuple[Locate, ...]:
    """Sample the indoor part of the true drain with receiver noise, in room coordinates."""
    steps = np.hypot(*np.diff(truth.drain, axis=0).T)
    stations = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0.0, (truth.drain[0, 1] - HOUSE_FRONT_M) * 0.9, count)
    rows = []
    for i, s in enumerate(at):
        xy = np.array([np.interp(s, stations, truth.drain[:, axis]) for axis in (0, 1)])
        invert = truth.invert_start_m - truth.slope * s
        depth = -(invert + 0.025)
        xy = xy + generator.normal(0, 0.10 * noise_scale, 2) * (i > 0)
        depth = depth + generator.normal(0, 0.05 * noise_scale)
        room = rooms[0] if xy[1] < HOUSE_FRONT_M + HOUSE_DEPTH_M / 2 else rooms[1]
        assert room.origin_m is not None
        local = xy - np.array([HOUSE_LEFT_M, HOUSE_FRONT_M]) - np.array(room.origin_m)
        rows.append(
            Locate(
                f"P{i}",
                "cleanout" if i == 0 else "locate",
                room.id,
                *map(float, local),
                None if i == 0 else float(depth),
                float(s),
                None,
                None,
                None,
                None,
                "slab",
                "",
                i + 2,
            )
        )
    return tuple(rows)


def front_exit(*, sd_m: float = 0.15, sd_deg: float = 1.5) -> Exit:
    """Return the exit of ``FRONT_TRUTH`` as stage ``exit`` would, with a given uncertainty."""
    start, end = FRONT_TRUTH.drain[1], FRONT_TRUTH.drain[2]
    share = (start[1] - HOUSE_FRONT_M) / (start[1] - end[1])
    x, y = start + share * (end - start)
    angle = float(np.arctan2(*(end - start)[::-1]))
    run = 6.5 + float(np.hypot(*(np.array([x, y]) - start)))
    invert = FRONT_TRUTH.invert_start_m - FRONT_TRUTH.slope * run
    profile = (
        ProfileComponent(0.7, np.array([invert, 0.0208]), np.diag([0.04**2, 0.004**2])),
        ProfileComponent(0.3, np.array([invert, 0.0104]), np.diag([0.04**2, 0.003**2])),
    )
    covariance = np.diag([sd_m**2, 0.02**2, np.radians(sd_deg) ** 2])
    return Exit(
        float(x),
        float(y),
        angle,
        "front",
        0,
        covariance,
        profile,
        invert,
        0.04,
        0.0177,
        0.006,
        0.8,
        2.1 - invert,
        0.07,
        0.7,
    )


def thrown_m(depth_m: float) -> float:
    """Return the depth of soil handled by hand: once, under 5 ft twice, under 10 ft thrice.

    Added up by hand, as the default of 5 ft a throw asks for.
    """
    return depth_m + max(depth_m - 1.524, 0.0) + max(depth_m - 3.048, 0.0)
