"""Invented houses with several drains under the slab, drawn on their own: no code of the package.

Under a basement of 26 × 44 ft a building drain runs to the front wall or the rear one, and up to
two branches come to it. All is drawn from habits of its own: pipes are laid from the wye upstream,
bends come at 0.10 per meter with other shares than the package's, one wye in ten at any angle. The
crew pushes from every stack, finds the head with heavy-tailed noise, a shift and a depth scale of
the day, and each run's footage has a zero and a slack of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sitegis.model.site import Locate, Room, Run, Site
from tests.invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, HOUSE_WIDTH_M, corner_site

Array = np.ndarray
WALL_M = 0.3048
ANGLES_DEG = ((22.5, 0.30), (45.0, 0.50), (90.0, 0.20))
BENDS_PER_M = 0.10


@dataclass(frozen=True)
class TruePipe:
    """A pipe laid: ``vertices`` upstream first; a branch's turn at its wye and its station."""

    vertices: Array
    turn_deg: float = 0.0
    station_m: float = 0.0


@dataclass(frozen=True)
class TrueHouse:
    """A site as surveyed and what is there: pipes by run, which run joins which.

    ``inverts_m`` at the wyes by run; ``past`` counts the located points of a run past its wye.
    """

    site: Site
    pipes: dict[str, TruePipe]
    joins: dict[str, str | None]
    wyes: dict[str, Array]
    inverts_m: dict[str, float]
    past: dict[str, int]


def unit(angle: float) -> Array:
    return np.array([np.cos(angle), np.sin(angle)])


def length_of(line: Array) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def at_station(line: Array, station: float) -> Array:
    """Return the place at a station of a polyline (station 0 at its first vertex)."""
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    return np.array([np.interp(station, stations, line[:, axis]) for axis in (0, 1)])


def lay_upstream(
    start: Array, angle: float, length: float, generator: np.random.Generator
) -> Array:
    """Lay a pipe upstream from a place; ``angle`` of flow there. Gives vertices, upstream first."""
    vertices, left = [np.asarray(start, float)], length
    while True:
        straight = generator.exponential(1.0 / BENDS_PER_M)
        if straight >= left:
            vertices.append(vertices[-1] - left * unit(angle))
            return np.array(vertices[::-1])
        vertices.append(vertices[-1] - straight * unit(angle))
        left -= straight
        sizes, shares = zip(*ANGLES_DEG, strict=True)
        angle += np.radians(generator.choice(sizes, p=shares) * generator.choice([-1, 1]))
        angle += np.radians(generator.normal(0, 2.0))


def inside(line: Array) -> bool:
    """Return whether a pipe lies well under the basement."""
    low = np.array([HOUSE_LEFT_M, HOUSE_FRONT_M]) + WALL_M + 0.2
    high = np.array([HOUSE_LEFT_M + HOUSE_WIDTH_M, HOUSE_FRONT_M + HOUSE_DEPTH_M]) - WALL_M - 0.2
    return bool(np.all(line >= low) and np.all(line <= high))


def draw_house(seed: int, branches: int = 1, *, apart: bool = False) -> TrueHouse:
    """Draw a house until its pipes fit; ``apart``: the last run is a drain of its own."""
    generator = np.random.default_rng([seed, branches, int(apart), 90_210])
    while True:
        house = _try(generator, branches, apart=apart)
        if house is not None:
            return house


def _try(generator: np.random.Generator, branches: int, *, apart: bool) -> TrueHouse | None:
    flow = np.pi / 2 * generator.choice([-1.0, 1.0]) + np.radians(generator.normal(0, 3.0))
    wall = HOUSE_FRONT_M if np.sin(flow) < 0 else HOUSE_FRONT_M + HOUSE_DEPTH_M
    end = np.array(
        [
            HOUSE_LEFT_M + generator.uniform(0.25, 0.75) * HOUSE_WIDTH_M,
            wall - 0.8 * np.sign(np.sin(flow)),
        ]
    )
    trunk = lay_upstream(end, flow, generator.uniform(6.0, 10.0), generator)
    if not inside(trunk):
        return None
    pipes, joins, wyes = {"main": TruePipe(trunk)}, {"main": None}, {}
    for number in range(branches):
        name = ("kitchen", "bath")[number]
        alone = apart and number == branches - 1
        pipe = _own(trunk, generator) if alone else _branch(trunk, generator)
        if pipe is None or not inside(pipe.vertices):
            return None
        pipes[name], joins[name] = pipe, None if alone else "main"
        if not alone:
            wyes[name] = pipe.vertices[-1]
    stations = [pipe.station_m for name, pipe in pipes.items() if name in wyes]
    if len(stations) == 2 and abs(stations[0] - stations[1]) < 0.6:
        return None
    return _survey(pipes, joins, wyes, generator)


def _branch(trunk: Array, generator: np.random.Generator) -> TruePipe | None:
    """Lay a branch from a wye somewhere along the trunk, clear of its ends and bends."""
    whole = length_of(trunk)
    station = float(generator.uniform(0.2, 0.75) * whole)
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(trunk, axis=0).T))])
    if np.min(np.abs(stations - station)) < 0.4:
        return None
    segment = int(np.searchsorted(stations, station)) - 1
    along = trunk[segment + 1] - trunk[segment]
    angle = float(np.arctan2(along[1], along[0]))
    draw = generator.random()
    size = 45.0 if draw < 0.6 else 90.0 if draw < 0.9 else float(generator.uniform(25, 100))
    turn = size * float(generator.choice([-1, 1])) + float(generator.normal(0, 2.0))
    place = at_station(trunk, station)
    line = lay_upstream(place, angle - np.radians(turn), generator.uniform(2.0, 4.5), generator)
    return TruePipe(line, turn, station)


def _own(trunk: Array, generator: np.random.Generator) -> TruePipe | None:
    """Lay a drain of its own, out through a side wall: it keeps clear of the trunk."""
    flow = np.pi * generator.choice([0.0, 1.0]) + np.radians(generator.normal(0, 3.0))
    edge = HOUSE_LEFT_M + (HOUSE_WIDTH_M if np.cos(flow) > 0 else 0.0)
    end = np.array(
        [
            edge - 0.8 * np.sign(np.cos(flow)),
            HOUSE_FRONT_M + generator.uniform(0.15, 0.85) * HOUSE_DEPTH_M,
        ]
    )
    line = lay_upstream(end, flow, generator.uniform(2.0, 3.5), generator)
    fine = np.array([at_station(line, s) for s in np.linspace(0, length_of(line), 40)])
    many = np.array([at_station(trunk, s) for s in np.linspace(0, length_of(trunk), 80)])
    gap = np.hypot(*(fine[:, None] - many[None]).transpose(2, 0, 1)).min()
    return TruePipe(line) if gap > 0.8 else None


def _survey(
    pipes: dict[str, TruePipe],
    joins: dict[str, str | None],
    wyes: dict[str, Array],
    generator: np.random.Generator,
) -> TrueHouse:
    """Push the camera from every access and write down what is found."""
    site = corner_site(count=3)
    moved = generator.normal(0, site.building.position_sd_m, 2)
    turned = generator.normal(0, site.building.angle_sd_rad)
    shift, scale = generator.normal(0, 0.05, 2), 1.0 + generator.normal(0, 0.05)
    trunk = pipes["main"].vertices
    slope = float(np.clip(generator.normal(0.02, 0.004), 0.005, 0.05))
    start = float(generator.uniform(-0.65, -0.40))
    rows: list[Locate] = []
    past, inverts, runs = {}, {}, []
    for name, pipe in pipes.items():
        own = length_of(pipe.vertices)
        line, fall = pipe.vertices, slope
        if joins[name] is not None:
            after = np.array(
                [at_station(trunk, s) for s in np.linspace(pipe.station_m, length_of(trunk), 200)]
            )
            line = np.vstack([pipe.vertices, after[1:]])
            inverts[name] = start - slope * pipe.station_m
            fall = float(np.clip(generator.normal(0.02, 0.006), 0.004, 0.06))
        goes_on = 0.0
        if joins[name] is not None and generator.random() < 0.75:
            goes_on = float(generator.uniform(0.5, min(3.5, length_of(trunk) - pipe.station_m)))
        reach = own + goes_on if name != "main" else own
        step = float(generator.uniform(1.0, 1.6))
        slack = 1.0 + abs(generator.normal(0, 0.02))
        zero = generator.normal(0, 0.3)
        access = f"ST-{name}"
        runs.append(Run(name, access))
        found = np.arange(step * generator.uniform(0.5, 1.0), reach, step)
        past[name] = int(np.sum(found > own)) if joins[name] is not None else 0
        rows.append(_row(access, "stack", line[0] + generator.normal(0, 0.05, 2), None, None, ""))
        for number, station in enumerate(found):
            up = own - station
            if joins[name] is None:
                invert = start - fall * station
            elif up > 0:
                invert = inverts[name] + fall * up + 0.01
            else:
                invert = inverts[name] + slope * up
            depth = -(invert + 0.025)
            read = depth * scale + generator.standard_t(4) * max(0.05, 0.05 * depth)
            noise = generator.standard_t(4, 2) * max(0.10, 0.05 * depth)
            xy = at_station(line, station) + noise + shift
            count = station * slack + zero * (number >= 0) + generator.normal(0, 0.10)
            rows.append(
                _row(f"{name}-{number}", "locate", xy, max(read, 0.06), max(count, 0.0), name)
            )
    rows = [_in_room(row, generator) for row in rows]
    base = np.array([HOUSE_LEFT_M, HOUSE_FRONT_M])
    turn = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])

    def displaced(line: Array) -> Array:
        return base + moved + (np.asarray(line) - base) @ turn.T

    room = Room(
        "R1",
        "Basement",
        (WALL_M, WALL_M),
        0.02,
        0.0,
        np.radians(0.3),
        (HOUSE_WIDTH_M - 2 * WALL_M, HOUSE_DEPTH_M - 2 * WALL_M),
    )
    return TrueHouse(
        replace(site, rooms=(room,), locates=tuple(rows), runs=tuple(runs)),
        {name: replace(pipe, vertices=displaced(pipe.vertices)) for name, pipe in pipes.items()},
        joins,
        {name: displaced(place) for name, place in wyes.items()},
        inverts,
        past,
    )


def _row(
    name: str, kind: str, xy: Array, depth: float | None, count: float | None, run: str
) -> Locate:
    return Locate(
        name, kind, "R1", float(xy[0]), float(xy[1]), depth, count, None, None, None, None,
        "slab", "", 1, run,
    )  # type: ignore[arg-type]  # fmt: skip


def _in_room(row: Locate, generator: np.random.Generator) -> Locate:
    taped = generator.normal(0, 0.01, 2)
    return replace(
        row,
        x_m=row.x_m - HOUSE_LEFT_M - WALL_M + float(taped[0]),
        y_m=row.y_m - HOUSE_FRONT_M - WALL_M + float(taped[1]),
    )
