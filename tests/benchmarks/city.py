"""A city: time, memory and growth; against the pipeline in a loop and a plain shapely loop.

``python -m tests.benchmarks.city [--against REVISION] [SIZE …]`` (default 1000 10000 100000). Both
sides of every ratio are worked out in this one run, on the invented city of
``tests.invented_city``; ``--against`` takes an earlier revision out of git and lets both work
4,000 lots in turn.
"""

from __future__ import annotations

import math
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import shapely
from shapely import STRtree

from sitegis.city.facing import OFFSET_M, REACH_M, SAMPLE_M, lot_edges
from sitegis.city.frontage import find_frontages
from sitegis.city.houses import find_houses
from sitegis.city.read import read_city
from sitegis.pipeline import compute
from tests.invented_city import invent_city, write_city

from .heading import heading

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"
WORKERS = 2
LOOP_LOTS = 400
COPIED_LOTS = 50_000
CODE = "import sys; from sitegis.cli.main import main; main(sys.argv[1:])"


@dataclass
class Run:
    lots: int
    seconds: float
    processor_seconds: float
    one_process_mib: float
    all_processes_mib: float


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(sizes: list[int], revision: str) -> None:
    say(
        f"Python {platform.python_version()}, shapely {shapely.__version__}, "
        f"{os.cpu_count()} cores, load at the start {os.getloadavg()[0]:.1f} "
        "(above 0: other work shared the cores)"
    )
    if revision:
        with tempfile.TemporaryDirectory() as folder:
            measure_against(revision, Path(folder))
    with tempfile.TemporaryDirectory() as folder:
        runs = [measure_run(Path(folder) / str(size), size) for size in sizes]
        arrays, loop, lots, alike = measure_frontage(Path(folder) / str(sizes[0]) / "CITY.toml")
    say_runs(runs)
    say_pipeline(max(run.lots / run.seconds for run in runs))
    say(f"\nfrontage of {lots} lots, one core: arrays against a plain shapely loop")
    say(f"  arrays {arrays:.3f} s, loop {loop:.3f} s: ratio {loop / arrays:.1f}; ")
    say(f"  lines told alike (faces a street or not): {100 * alike:.2f} %")


def measure_against(revision: str, folder: Path) -> None:
    """Let an earlier revision and this one work the same 4,000 lots, three times in turn."""
    root = Path(__file__).parents[2]
    archive = subprocess.run(
        ["git", "archive", "--format=tar", revision, "sitegis"],
        cwd=root,
        check=True,
        capture_output=True,
    ).stdout
    (folder / "before").mkdir()
    subprocess.run(["tar", "-x", "-C", str(folder / "before")], input=archive, check=True)
    path = write_city(invent_city(4000, seed=1, curve=8.0), folder / "town")
    best = {"before": math.inf, "now": math.inf}
    for _ in range(3):
        for side, home in (("before", folder / "before"), ("now", root)):
            used = children_seconds()
            done = subprocess.run(
                [
                    sys.executable,
                    "-c",
                    CODE,
                    "city",
                    str(path),
                    "--out",
                    str(folder / f"{side}.gpkg"),
                    "--quiet",
                ],
                env={**os.environ, "PYTHONPATH": str(home)},
                cwd=home,
                check=False,
            )
            if done.returncode not in (0, 1):
                raise SystemExit(f"{side} ended with {done.returncode}")
            best[side] = min(best[side], children_seconds() - used)
    say("\n4,000 lots, one worker, processor seconds of the whole command, best of three in turn")
    say(
        f"  {revision} {best['before']:.1f} s, now {best['now']:.1f} s: "
        f"ratio {best['before'] / best['now']:.2f}"
    )


def say_runs(runs: list[Run]) -> None:
    say(f"\nsitegis city --workers {WORKERS}, from the start of the command to the file")
    say("    lots   seconds   lots/s   processor s   largest process MiB   all MiB   growth")
    for before, run in zip([None, *runs], runs, strict=False):
        say(
            f"{run.lots:8d} {run.seconds:9.1f} {run.lots / run.seconds:8.0f} "
            f"{run.processor_seconds:13.1f} {run.one_process_mib:21.0f} "
            f"{run.all_processes_mib:9.0f}   {growth(before, run)}"
        )
    say(
        "growth: exponent of processor seconds (of all processes, which other work on the machine\n"
        "hardly changes) over lots against the row above; 1 is in proportion"
    )


def say_pipeline(best: float) -> None:
    fixtures = sorted(path.parent for path in FIXTURES.glob("*/site.toml"))
    compute(fixtures[0])
    start = time.perf_counter()
    for fixture in fixtures:
        compute(fixture)
    loop = len(fixtures) / (time.perf_counter() - start)
    say("\nlots a second: layers alone (two workers) against the per-lot pipeline in a loop")
    say(f"  city {best:.0f}, pipeline {loop:.2f} (it samples routes and plans digs besides): ")
    say(f"  ratio {best / loop:.0f}")


def growth(before: Run | None, run: Run) -> str:
    if before is None:
        return ""
    more_seconds = math.log(run.processor_seconds / before.processor_seconds)
    return f"{more_seconds / math.log(run.lots / before.lots):.2f}"


def measure_run(folder: Path, size: int) -> Run:
    """Run the command in its own process; sample the memory of it and its workers."""
    path, lots = write_town(folder, size)
    command = [sys.executable, "-c", CODE, "city", str(path), "--out", str(folder / "out.gpkg"),
               "--workers", str(WORKERS), "--quiet"]  # fmt: skip
    used = children_seconds()
    start = time.perf_counter()
    process = subprocess.Popen(command)
    highest = 0.0
    while process.poll() is None:
        highest = max(highest, sum(map(proportional_mib, family(process.pid))))
        time.sleep(0.2)
    seconds = time.perf_counter() - start
    if process.returncode not in (0, 1):
        raise SystemExit(f"sitegis city ended with {process.returncode}")
    largest = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    return Run(lots, seconds, children_seconds() - used, largest, highest)


def write_town(folder: Path, size: int) -> tuple[Path, int]:
    """Write an invented city, a large one as several of 50,000 lots; give the count of lots."""
    copies = max(round(size / COPIED_LOTS), 1)
    city = invent_city(size // copies, seed=1, curve=8.0)
    path = write_city(city, folder)
    west, south, east, north = city.parcels.total_bounds
    for copy in range(1, copies):
        row, column = divmod(copy, 5)
        apart = (column * (east - west + 500.0), row * (north - south + 500.0))
        for name in ("parcels", "buildings", "streets", "mains", "manholes"):
            frame = getattr(city, name).copy()
            frame.geometry = frame.geometry.translate(*apart)
            for key in {"pin", "main_id", "mh_id"} & set(frame.columns):
                frame[key] = frame[key] + f"/{copy}"
            frame.to_file(folder / "layers" / "city.gpkg", layer=name, driver="GPKG", mode="a")
    return path, copies * len(city.parcels)


def children_seconds() -> float:
    """Return the processor time of all child processes that have ended."""
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def family(pid: int) -> list[int]:
    """Return a process and its children."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text("ascii").split()
    except OSError:
        return [pid]
    return [pid, *(p for child in children for p in family(int(child)))]


def proportional_mib(pid: int) -> float:
    """Return a process's memory with shared pages shared out (Linux)."""
    try:
        text = Path(f"/proc/{pid}/smaps_rollup").read_text("ascii")
    except OSError:
        return 0.0
    return float(text.split("\nPss:")[1].split()[0]) / 1024.0


def measure_frontage(path: Path) -> tuple[float, float, int, float]:
    """Time the frontage of some lots both ways; give how many lines are told alike."""
    city = read_city(path)
    every = np.arange(len(city.layers.lots.ids))
    block, lots = city.layers.block(every, 0.0), every[:LOOP_LOTS]
    centers = find_houses(block.parcels.shapes[lots], block.houses).centers
    start = time.perf_counter()
    found = find_frontages(block, lots, STRtree(block.parcels.shapes), centers)
    arrays = time.perf_counter() - start
    parcels = geopandas.GeoSeries(block.parcels.shapes)
    streets = geopandas.GeoSeries(block.centerlines.shapes)
    start = time.perf_counter()
    facing = [plain_facing(parcels, streets, int(lot)) for lot in lots]
    loop = time.perf_counter() - start
    alike = np.mean(np.concatenate(facing) == (found.faced_m > 0.0))
    return arrays, loop, len(lots), float(alike)


def plain_facing(
    parcels: geopandas.GeoSeries, streets: geopandas.GeoSeries, lot: int
) -> list[bool]:
    """Return line by line and point by point whether a lot line faces a street."""
    edges = lot_edges(np.array([parcels[lot]], object))
    told = []
    for begin, end in zip(edges.starts, edges.ends, strict=True):
        along = (end - begin) / math.dist(begin, end)
        normal = np.array([along[1], -along[0]])
        count = min(max(math.ceil(math.dist(begin, end) / SAMPLE_M), 1), 8)
        seen = 0
        for i in range(count):
            place = begin + (i + 0.5) / count * (end - begin) + OFFSET_M * normal
            seen += sees_street(parcels, streets, lot, place, normal)
        told.append(seen * math.dist(begin, end) / count >= 0.5 * min(math.dist(begin, end), 10.0))
    return told


def sees_street(
    parcels: geopandas.GeoSeries,
    streets: geopandas.GeoSeries,
    lot: int,
    place: np.ndarray,
    normal: np.ndarray,
) -> bool:
    """Look from a point outside a lot line along its normal."""
    point = shapely.Point(place)
    if any(parcels[i].contains(point) for i in parcels.sindex.query(point)):
        return False
    ray = shapely.LineString([place, place + REACH_M * normal])
    near = [streets[i] for i in streets.sindex.query(ray) if streets[i].intersects(ray)]
    if near:
        sight = shapely.LineString(
            [
                point,
                min(
                    (shapely.shortest_line(point, street.intersection(ray)) for street in near),
                    key=lambda line: line.length,
                ).coords[-1],
            ]
        )
    else:
        around = streets.sindex.query(point.buffer(REACH_M))
        lines = [shapely.shortest_line(point, streets[i]) for i in around]
        ahead = [
            line
            for line in lines
            if line.length <= REACH_M
            and np.dot(np.subtract(line.coords[-1], place), normal) >= 0.25 * line.length
        ]
        if not ahead:
            return False
        sight = min(ahead, key=lambda line: line.length)
    across = parcels.sindex.query(sight)
    return not any(i != lot and parcels[i].intersects(sight) for i in across)


if __name__ == "__main__":
    sys.stdout.write(heading("seed of every invented city: 1"))
    given = sys.argv[1:]
    against = given[1] if given[:1] == ["--against"] else ""
    rest = given[2:] if against else given
    main([int(text) for text in rest] or [1000, 10_000, 100_000], against)
