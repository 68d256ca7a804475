"""Spoil site folders in many ways and count what becomes of them.

Run: OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.hardness 2000 [--from SEED] [--check]
One thread is what the command line sets for itself. Prints a table of outcomes by mutation;
every broken promise is named with its seed: ``--from SEED --show`` with a count of 1 tells more.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path

import click

from tests.hardness.corpus import drawn
from tests.hardness.judge import Outcome, judge


def run_one(seed: int, command: str) -> tuple[str, tuple[str, ...], Outcome]:
    """Spoil one folder and run it."""
    folder = Path(tempfile.mkdtemp(prefix="hardness-"))
    try:
        case = drawn(seed)
        site = case.write(folder / "site")
        (folder / "outs").mkdir()
        outcome = judge(command, site, folder / "outs" / "out")
        return case.name, tuple(m.__name__ for m in case.mutations), outcome
    finally:
        shutil.rmtree(folder)


def main() -> None:
    """Run the corpus and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", type=int)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--check", action="store_true", help="check only, which is faster")
    parser.add_argument("--show", action="store_true", help="show what went to stderr")
    parser.add_argument("--seconds", type=float, default=1e9, help="begin no more after these")
    given = parser.parse_args()
    codes: dict[str, Counter[int]] = defaultdict(Counter)
    broken: dict[str, list[int]] = defaultdict(list)
    total: Counter[int] = Counter()
    seconds = []
    start = time.perf_counter()
    for seed in range(given.first, given.first + given.count):
        if time.perf_counter() - start > given.seconds:
            break
        name, mutations, outcome = run_one(seed, "check" if given.check else "run")
        total[outcome.code] += 1
        seconds.append(outcome.seconds)
        for mutation in set(mutations):
            codes[mutation][outcome.code] += 1
        for promise in outcome.broken:
            broken[promise].append(seed)
            if len(broken[promise]) == 1:
                click.echo(f"broken: {name}: {promise}")
        if given.show:
            click.echo(f"{name}: {outcome.code}\n{outcome.errors}")
    seconds.sort()
    click.echo(f"\n{len(seconds)} spoiled folders from seed {given.first}, "
          f"{time.perf_counter() - start:.0f} s; a run took {seconds[len(seconds) // 2]:.2f} s in "
          f"the middle, {seconds[-1]:.2f} s at most.")  # fmt: skip
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
