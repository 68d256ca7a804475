"""Calibration of stage ``place`` on invented basements: coverage of ellipses, blunders named.

Run as ``python -m tests.benchmarks.placing [basements]``. Each basement has two rooms: the first
has a stated pose, the second hangs on three shared doorway points; points are tied to each other
and to building corners. Tape, poses and the building's place are off by Gaussian errors of the
stated spreads; the receiver is off by a bivariate Student-t (4 degrees of freedom, the stated
standard deviation) and a shift common to the session. Then one tape measurement gets a 10 cm
blunder of random sign.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace

import numpy as np

from sitegis.geometry.frames import Array, rotation
from sitegis.model.site import Building, Locate, Noise, Room, Site, Tie
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.place.adjust import NONCENTRALITY, assess, solve_network
from sitegis.place.assemble import site_network
from sitegis.place.blunders import clean_network, inseparable_rows
from sitegis.place.starts import starting_values
from tests.invented import SIDES, corner_site

from .heading import heading

BLUNDER_M = 0.10
_QUANTILE_95 = 5.991464547107979  # chi-square, 2 degrees of freedom
_CORNERS = ("front-left", "front-right", "rear-right", "rear-left")


@dataclass(frozen=True)
class Basement:
    """An invented basement: the site as measured, the true place of each pipe point (lot)."""

    site: Site
    truth: dict[str, Array]


def invent_basement(generator: np.random.Generator) -> Basement:
    """Draw a basement, measure it with errors."""
    noise = Noise()
    width, depth = generator.uniform(7.0, 10.0), generator.uniform(11.0, 15.0)
    outline = np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])
    corners_m = outline + np.array([2.5, 7.5])
    stated = Building(corners_m, SIDES, 0.0, 0.10, float(np.radians(0.2)), 0.02, 0.30)
    pose = np.array([2.5, 7.5]) + generator.normal(0, 0.10, 2)
    turn = rotation(generator.normal(0, stated.angle_sd_rad))
    corners = outline + generator.normal(0, 0.02, (4, 2))
    rooms, poses = _rooms(generator, width, depth)
    local = _points(generator, width, depth)
    rows, truth = _measure(generator, noise, local, poses)
    ties = _ties(generator, noise, local, corners)
    site = replace(
        corner_site(), building=stated, rooms=rooms, locates=rows, ties=ties, noise=noise
    )
    return Basement(site, {name: pose + turn @ (local[name] + truth[name]) for name in truth})


def _rooms(
    generator: np.random.Generator, width: float, depth: float
) -> tuple[tuple[Room, ...], dict[str, tuple[Array, float]]]:
    """Return the rooms as stated and their true poses in the building."""
    half = depth / 2
    first = Room("R1", "Front", (0.3, 0.3), 0.02, 0.0, float(np.radians(0.3)), (width - 0.6, half))
    second = Room("R2", "Rear", None, 0.02, None, 0.01, None)
    pose = np.array([0.3, 0.3]) + generator.normal(0, 0.02, 2)
    angle = float(generator.normal(0, first.x_toward_sd_rad))
    turned = float(generator.choice([0.0, np.pi / 2, np.pi]) + generator.normal(0, 0.01))
    return (first, second), {
        "R1": (pose, angle),
        "R2": (np.array([width - 0.3, half + 0.4]), turned),
    }


def _points(generator: np.random.Generator, width: float, depth: float) -> dict[str, Array]:
    """Return the true marks in the building frame: four in each room, three in the doorways."""
    half = depth / 2
    places = {}
    for i in range(4):
        places[f"A{i}"] = generator.uniform([0.5, 0.5], [width - 0.5, half - 0.3])
        places[f"B{i}"] = generator.uniform([0.5, half + 0.3], [width - 0.5, depth - 0.5])
    for i, share in enumerate((0.15, 0.5, 0.85)):
        places[f"D{i}"] = np.array([share * width, half + generator.uniform(-0.1, 0.1)])
    return places


def _measure(
    generator: np.random.Generator,
    noise: Noise,
    local: dict[str, Array],
    poses: dict[str, tuple[Array, float]],
) -> tuple[tuple[Locate, ...], dict[str, Array]]:
    """Tape every mark in its rooms; give the rows and each pipe's offset from its mark."""
    shift = generator.normal(0, noise.session_horizontal_m, 2)
    rows, truth = [], {}
    for name, place in local.items():
        for room in {"A": ("R1",), "B": ("R2",), "D": ("R1", "R2")}[name[0]]:
            origin, angle = poses[room]
            x, y = rotation(-angle) @ (place - origin)
            x, y = (value + generator.normal(0, noise.tape_sd_m(value)) for value in (x, y))
            found = name[0] != "D"
            depth = 0.6 if found else None
            rows.append(
                Locate(
                    name, "locate" if found else "wall", room, float(x), float(y), depth,
                    None, None, None, None, None, "slab", "", len(rows) + 2,
                )
            )  # fmt: skip
        if name[0] != "D":
            scale = np.sqrt(noise.horizontal_floor_m**2 / 2.0)  # variance of t4 is 2
            normal = generator.normal(0, 1, 2) / np.sqrt(generator.chisquare(4) / 4)
            truth[name] = -(scale * normal + shift)
    return tuple(rows), truth


def _ties(
    generator: np.random.Generator, noise: Noise, local: dict[str, Array], corners: Array
) -> tuple[Tie, ...]:
    """Tape each mark to none to six neighbors and, for a few, to building corners."""
    names = list(local)
    neighbors = int(generator.integers(0, 7))
    pairs = {
        frozenset((a, b))
        for a in names
        for b in sorted(names, key=lambda n: float(np.hypot(*(local[a] - local[n]))))[
            1 : 1 + neighbors
        ]
    }
    ends = [(sorted(pair), None) for pair in sorted(pairs, key=sorted)]
    places = local | {
        f"building:{name}": corner for name, corner in zip(_CORNERS, corners, strict=True)
    }
    far = [
        ["A0", "building:front-left"],
        ["A1", "building:front-right"],
        ["B0", "building:rear-left"],
        ["B1", "building:rear-right"],
    ]
    ties = []
    for i, (a, b) in enumerate([pair for pair, _ in ends] + far):
        length = float(np.hypot(*(places[a] - places[b])))
        sd = noise.tape_sd_m(length)
        ties.append(Tie(a, b, length + float(generator.normal(0, sd)), sd, i + 2))
    return tuple(ties)


def coverage(count: int, seed: int) -> tuple[Array, Array]:
    """Count hits of the 95 % ellipses (count, points) and false alarms (count,), 0 and 1."""
    generator = np.random.default_rng(seed)
    hits, alarms = [], []
    for _ in range(count):
        basement = invent_basement(generator)
        placed = place_points(Survey(basement.site, None)).placement  # type: ignore[arg-type]
        row = []
        for name, true in basement.truth.items():
            i = placed.index(name)
            off = np.array([placed.points[i].x_m, placed.points[i].y_m]) - true
            block = placed.covariance_m2[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
            row.append(float(off @ np.linalg.solve(block, off)) <= _QUANTILE_95)
        hits.append(row)
        codes = {notice.code for notice in placed.notices}
        alarms.append(bool(codes & {"measurement-left-out", "blunder-not-located"}))
    return np.array(hits, dtype=float), np.array(alarms, dtype=float)


@dataclass(frozen=True)
class Outcome:
    """What became of one 10 cm blunder.

    ``power`` is blunder / standard deviation of its detection (the noncentrality);
    ``verdict``: ``named`` where the blunder alone was named, ``in set`` where a set was named
    that it cannot be told from, ``wrong`` where something else was, ``silent`` where nothing was.
    """

    power: float
    redundancy: float
    free: int
    verdict: str


def blunder_outcome(basement: Basement, generator: np.random.Generator) -> Outcome:
    """Put 10 cm on one tape measurement of a basement and see what is named."""
    network = site_network(basement.site)
    taped = [
        i for i, item in enumerate(network.observations) if item.room or item.kind == "distance"
    ]
    index = int(generator.choice(taped))
    item = network.observations[index]
    changed = list(network.observations)
    changed[index] = replace(item, value=item.value + float(generator.choice([-1, 1])) * BLUNDER_M)
    wrong = replace(network, observations=tuple(changed))
    center = np.asarray(basement.site.building.vertices.mean(axis=0))
    solutions = solve_network(wrong, starting_values(wrong, center))
    cleaned = clean_network(wrong, solutions)
    sds = np.array([other.sd for other in wrong.observations])
    quality = assess(solutions[0], sds)
    rivals = inseparable_rows(quality, index)
    if cleaned.removals:
        first = cleaned.removals[0].index
        verdict = "named" if first == index else "in set" if first in rivals else "wrong"
    elif cleaned.suspects:
        verdict = "in set" if {index, *rivals} & set(cleaned.suspects) else "wrong"
    else:
        verdict = "silent"
    power = BLUNDER_M / float(quality.detectable[index]) * NONCENTRALITY
    return Outcome(power, float(quality.redundancy[index]), network.free, verdict)


def blunders(count: int, seed: int) -> list[Outcome]:
    """Return what became of one blunder in each of many basements."""
    generator = np.random.default_rng(seed)
    return [blunder_outcome(invent_basement(generator), generator) for _ in range(count)]


def share_lines(outcomes: list[Outcome]) -> list[str]:
    """Return the table of blunders: all, by what the network can show, by what is left over."""
    groups = [("all", outcomes)]
    for words, low, high in (
        ("noncentrality under 3.29 (hidden more often than not)", 0.0, 3.29),
        ("noncentrality 3.29 to 4.93 (shows in 50 to 95 %)", 3.29, 4.93),
        ("noncentrality 4.93 or more (shows in 95 % or more)", 4.93, np.inf),
    ):
        groups.append((words, [o for o in outcomes if low <= o.power < high]))
    for least, most in ((2, 10), (11, 20), (21, 30), (31, 60)):
        words = f"{least} to {most} degrees of freedom"
        groups.append((words, [o for o in outcomes if least <= o.free <= most]))
    kinds = ("named", "in set", "wrong", "silent")
    lines = [f"{'a blunder of 10 cm':<55}{'n':>7}" + "".join(f"{kind:>9}" for kind in kinds)]
    for words, chosen in groups:
        if chosen:
            shares = [100 * sum(o.verdict == kind for o in chosen) / len(chosen) for kind in kinds]
            row = "".join(f"{share:>8.1f}%" for share in shares)
            lines.append(f"{words:<55}{len(chosen):>7}{row}")
    return lines


def main(count: int) -> None:
    """Print the table."""
    start = time.perf_counter()
    hits, alarms = coverage(count, 20)
    lines = [
        f"{count} invented basements, {hits.shape[1]} pipe points each",
        f"95 % ellipses that hold the pipe: {100 * hits.mean():.2f} % of {hits.size} "
        f"(aim 93 to 97 %; standard error {100 * hits.mean(axis=1).std() / np.sqrt(count):.2f})",
    ]
    lines.append(f"sound basements in which a measurement was blamed: {100 * alarms.mean():.1f} %")
    outcomes = blunders(count, 21)
    free = [o.free for o in outcomes]
    lines.append(
        f"degrees of freedom: {min(free)} to {max(free)} (aim with 2 or more: 95 % named or in set)"
    )
    lines += share_lines(outcomes)
    each = 1000 * (time.perf_counter() - start) / (2 * count)
    lines.append(f"{each:.1f} ms per basement and part")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    sys.stdout.write(heading("seeds: 20 for coverage, 21 for blunders"))
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
