"""Spoil site folders in many ways and count what becomes of them.

Run: OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.hardness 2000 [--from SEED] [--check]
One thread is what the command line sets for itself. Each folder has a process of its own, so
that a crash is counted, not suffered. Prints a table of outcomes by mutation;
every broken promise is named with its seed: ``--from SEED --show`` with a count of 1 tells more.

``--kill-city`` kills a run of ``city`` on an invented town that often instead, each at another
moment, lets it go on, and compares the layers with those of a run that nobody touched.
"""

from __future__ import annotations

import argparse
import os
import pickle
import random
import shutil
import signal
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from dataclasses import replace
from pathlib import Path
from select import select
from typing import NoReturn

import click

from sitegis.city.run import run_city
from sitegis.pipeline import run
from tests.hardness.corpus import FIXTURES, drawn
from tests.hardness.judge import LONGEST_WAIT_S, Outcome, judge
from tests.invented_city import invent_city, write_city
from tests.test_city_run import assert_same

from .heading import heading


def run_one(seed: int, command: str) -> Outcome:
    """Spoil one folder and run the command on it in a process of its own, which may die."""
    folder = Path(tempfile.mkdtemp(prefix="hardness-"))
    try:
        (folder / "outs").mkdir()
        child = os.fork()
        if child == 0:
            _work(seed, command, folder)
        handle = os.pidfd_open(child)
        if not select([handle], [], [], 2 * LONGEST_WAIT_S)[0]:
            os.kill(child, signal.SIGKILL)  # it waits inside a library, deaf to its own clock
        os.close(handle)
        _, status = os.waitpid(child, 0)
        told = (folder / "stderr").read_text("utf-8", "replace")
        if not (folder / "outcome").exists():
            stage = "run" if (folder / "spoiled").exists() else "spoiling, not the run,"
            died = f"the {stage} ended the process ({os.waitstatus_to_exitcode(status)})"
            return Outcome(-1, 0.0, told, (died,))
        outcome: Outcome = pickle.loads((folder / "outcome").read_bytes())
        if "Traceback" in told:
            # written past the command line's own stderr, as libraries in C do
            broken = (*outcome.broken, "a traceback on the process's stderr")
            return replace(outcome, errors=outcome.errors + told, broken=broken)
        return outcome
    finally:
        shutil.rmtree(folder)


def _work(seed: int, command: str, folder: Path) -> NoReturn:
    """Do the child's part: spoil, run, leave the outcome in a file."""
    try:
        stderr = os.open(folder / "stderr", os.O_CREAT | os.O_WRONLY)
        os.dup2(stderr, 2)
        site = drawn(seed).write(folder / "site")
        (folder / "spoiled").touch()
        outcome = judge(command, site, folder / "outs" / "out")
        (folder / "outcome").write_bytes(pickle.dumps(outcome))
    except BaseException:  # noqa: BLE001 whatever it was, the parent tells of it
        traceback.print_exc()
    finally:
        os._exit(0)


def kill_city(count: int, first: int) -> None:
    """Kill ``city`` at moments from the first import of a layer to past its end; print a table."""
    table: dict[str, Counter[str]] = defaultdict(Counter)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = write_city(invent_city(96, seed=3, curve=6.0), folder, chunk=4)
        usual, out = folder / "usual.gpkg", folder / "out.gpkg"
        start = time.perf_counter()
        run_city(path, usual)
        whole_s = time.perf_counter() - start
        for number in range(count):
            child = os.fork()
            if child == 0:
                try:
                    run_city(path, out)
                finally:
                    os._exit(0)
            time.sleep(random.Random(first + number).uniform(0.0, 1.1 * whole_s))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            work = folder / "out.gpkg.work"
            chunks = len(list(work.glob("chunk-*.npz")))
            low = chunks // 8 * 8
            when = "after its end" if out.exists() else f"{low:2d} to {low + 7} chunks"
            if out.exists():
                assert_same(out, usual)
            run_city(path, out)
            assert_same(out, usual)
            left = sorted(p.name for p in folder.iterdir() if p.name.startswith((".out", "out")))
            table[when]["killed"] += 1
            table[when]["leavings"] += left != ["out.gpkg"]
            out.unlink()
    click.echo(
        f"{count} runs of city killed, of {whole_s:.1f} s each; all went on to the same layers."
    )
    click.echo(f"{'killed at':20}{'runs':>6}{'leavings':>10}")
    for when, counted in sorted(table.items()):
        click.echo(f"{when:20}{counted['killed']:6d}{counted['leavings']:10d}")


def main() -> None:
    """Run the corpus and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--check", action="store_true", help="check only, which is faster")
    parser.add_argument("--show", action="store_true", help="show what went to stderr")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no more after these")
    parser.add_argument("--kill-city", action="store_true", help="kill runs of city instead")
    given = parser.parse_args()
    if given.kill_city:
        kill_city(given.count, given.first)
        return
    click.echo(heading("seeds: from --from on, one a folder"), nl=False)
    codes: dict[str, Counter[int]] = defaultdict(Counter)
    broken: dict[str, list[int]] = defaultdict(list)
    total: Counter[int] = Counter()
    seconds, mutated = [], 0
    with tempfile.TemporaryDirectory() as folder:
        run(FIXTURES[0], Path(folder) / "out")  # what is imported here is imported once for all
    start = time.perf_counter()
    for seed in range(given.first, given.first + given.count):
        if time.perf_counter() - start > given.seconds:
            break
        case = drawn(seed)
        outcome = run_one(seed, "check" if given.check else "run")
        total[outcome.code] += 1
        if total.total() % 500 == 0:
            click.echo(f"{total.total()} in {time.perf_counter() - start:.0f} s", err=True)
        seconds.append(outcome.seconds)
        mutated += len(case.mutations)
        for mutation in {m.__name__ for m in case.mutations}:
            codes[mutation][outcome.code] += 1
        for promise in outcome.broken:
            broken[promise].append(seed)
            if len(broken[promise]) == 1:
                click.echo(f"broken: {case.name}: {promise}")
        if given.show:
            click.echo(f"{case.name}: {outcome.code}\n{outcome.errors}")
    seconds.sort()
    click.echo(
        f"\n{len(seconds)} spoiled folders ({mutated} mutations) from seed {given.first}, "
        f"{time.perf_counter() - start:.0f} s; a run took {seconds[len(seconds) // 2]:.2f} s in "
        f"the middle, {seconds[-1]:.2f} s at most."
    )
    click.echo(f"{'mutation':24}{'done':>7}{'flags':>7}{'bad in':>7}{'write':>7}{'other':>7}")
    for mutation, count in [*sorted(codes.items()), ("all", total)]:
        known = [count[code] for code in (0, 1, 2, 3)]
        numbers = "".join(f"{n:7d}" for n in (*known, count.total() - sum(known)))
        click.echo(f"{mutation:24}{numbers}")
    click.echo(f"promises broken: {sum(map(len, broken.values()))}")
    for promise, seeds in sorted(broken.items()):
        click.echo(f"  {len(seeds):5d} × {promise}  seeds {seeds[:8]}")


if __name__ == "__main__":
    main()
