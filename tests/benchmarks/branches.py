"""How well several runs are joined, on invented houses whose truth is known.

Run: python -m tests.benchmarks.branches COUNT FROM_SEED. The houses are those of
:mod:`tests.branch_houses`: five in ten with one branch, three with two, two with a last run that
is a drain of its own. Printed: how often the most probable way to join is right, what its stated
probability is worth, and how often what is stated with 95 % holds the truth, with Wilson's
intervals. Every house is counted, none left out.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
import shapely

from sitegis.branches import fit_drains
from sitegis.messages.errors import ComputationError
from sitegis.model.branches import Branch
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.rules.rule_set import load_rules
from tests.branch_houses import TrueHouse, draw_house

KINDS = ((1, False), (2, False), (1, False), (1, True), (1, False), (2, False), (1, False),
         (2, True), (1, False), (2, False))  # fmt: skip


@dataclass
class Tally:
    """What was seen: (stated probability, right, tells, branches) a house; hits by statement."""

    ways: list[tuple[float, bool, bool, int]]
    hits: dict[str, list[bool]]
    errors: dict[str, list[float]]
    seconds: list[float]
    failed: int = 0


def wilson(hits: int, number: int) -> tuple[float, float]:
    """Return Wilson's 95 % interval of a share."""
    z, p = 1.96, hits / number
    middle = (p + z**2 / (2 * number)) / (1 + z**2 / number)
    half = z / (1 + z**2 / number) * np.sqrt(p * (1 - p) / number + z**2 / (4 * number**2))
    return float(middle - half), float(middle + half)


def look(house: TrueHouse, tally: Tally) -> None:
    """Fit one house and hold it against its truth."""
    began = time.process_time()
    try:
        survey = fit_drains(place_points(Survey(house.site, load_rules("us-ipc"))))
    except ComputationError:
        tally.failed += 1
        return
    tally.seconds.append(time.process_time() - began)
    found = survey.joined
    if found is None:
        tally.failed += 1
        return
    best = found.topologies[0]
    right = dict(best.joins) == house.joins
    tells = all(house.past[name] > 0 for name, other in house.joins.items() if other is not None)
    tally.ways.append((best.probability, right, tells, len(house.joins) - 1))
    if not right:
        return
    drain, truth = survey.drain, shapely.LineString(house.pipes["main"].vertices)
    normal = np.array([-np.sin(drain.end_angle_rad), np.cos(drain.end_angle_rad)])
    sd = float(np.sqrt(normal @ drain.end_covariance[:2, :2] @ normal))
    off = truth.distance(shapely.Point(drain.vertices[-1]))
    tally.hits["trunk, across, at its last point"].append(off < 1.96 * sd)
    tally.errors["trunk"].append(off)
    for branch in found.branches:
        if branch.wye is not None and branch.id in house.wyes:
            _branch(house, branch, tally)


def _branch(house: TrueHouse, branch: Branch, tally: Tally) -> None:
    """Hold one branch against its truth."""
    wye = branch.wye
    assert wye is not None
    off = np.array([wye.x_m, wye.y_m]) - house.wyes[branch.id]
    square = float(off @ np.linalg.solve(wye.covariance[:2, :2], off))
    tally.hits["wye, ellipse"].append(square < 5.991)
    tally.hits["wye, radius"].append(float(np.hypot(*off)) < wye.radius_95_m)
    fall = wye.invert_m - house.inverts_m[branch.id]
    tally.hits["wye, invert"].append(abs(fall) < 1.96 * float(np.sqrt(wye.covariance[2, 2])))
    tally.errors["wye"].append(float(np.hypot(*off)))
    line = shapely.LineString(branch.vertices)
    middle = line.interpolate(0.5, normalized=True)
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(branch.vertices, axis=0).T))])
    sd = float(np.interp(0.5 * stations[-1], stations, branch.vertex_sd_m))
    away = shapely.LineString(house.pipes[branch.id].vertices).distance(middle)
    tally.hits["branch, across, at its middle"].append(away < 1.96 * sd)
    tally.errors["branch"].append(away)


def say(line: str) -> None:
    """Write one line."""
    sys.stdout.write(line + "\n")


def main(count: int, seed: int) -> None:
    """Print the table."""
    names = (
        "trunk, across, at its last point",
        "branch, across, at its middle",
        "wye, ellipse",
        "wye, radius",
        "wye, invert",
    )
    errors: dict[str, list[float]] = {"trunk": [], "branch": [], "wye": []}
    tally = Tally([], {name: [] for name in names}, errors, [])
    for number in range(count):
        branches, apart = KINDS[number % len(KINDS)]
        look(draw_house(seed + number, branches, apart=apart), tally)
    say(f"python -m tests.benchmarks.branches {count} {seed}")
    say("seeds: one a house, from the second argument on\n")
    say(
        f"{count} invented houses, {tally.failed} without an answer, median "
        f"{np.median(tally.seconds):.2f} s of processor time\n"
    )
    stated, right, tells, branches_of = (
        np.array(column) for column in zip(*tally.ways, strict=True)
    )
    for words, rows in (
        ("the most probable way to join is right, all houses", np.ones(len(right), bool)),
        ("two runs, the branch with a point past its wye", tells & (branches_of == 1)),
        ("three runs, both branches with a point past it", tells & (branches_of == 2)),
        ("where the way is stated with 95 % or more", stated >= 0.95),
    ):
        n, hits = int(rows.sum()), int(right[rows].sum())
        low, high = wilson(hits, n)
        say(f"{words:52s} {hits / n:.3f} [{low:.3f}, {high:.3f}] of {n}")
    say("\nstated probability of that way, and how often it was right")
    for low_edge, high_edge in ((0.0, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.01)):
        rows = (stated >= low_edge) & (stated < high_edge)
        if rows.any():
            low, high = wilson(int(right[rows].sum()), int(rows.sum()))
            say(
                f"  {low_edge:.2f} to {min(high_edge, 1.0):.2f}: stated "
                f"{stated[rows].mean():.3f}, right {right[rows].mean():.3f} "
                f"[{low:.3f}, {high:.3f}] of {int(rows.sum())}"
            )
    brier = float(np.mean((stated - right) ** 2))
    say(f"  mean stated {stated.mean():.3f}, right {right.mean():.3f}, Brier {brier:.4f}")
    say("\nwhat is stated with 95 % holds the truth, the way to join being right")
    for name, hits_of in tally.hits.items():
        low, high = wilson(sum(hits_of), len(hits_of))
        say(f"  {name:36s} {np.mean(hits_of):.3f} [{low:.3f}, {high:.3f}] of {len(hits_of)}")
    say("\nerror, m                                  median    95 %")
    for name, values in errors.items():
        say(f"  {name:36s} {np.median(values):8.2f}{np.quantile(values, 0.95):8.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
