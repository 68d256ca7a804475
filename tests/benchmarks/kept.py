"""Work through seeds on several processes, keeping each result, so that a run can go on."""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, TypeVar

Result = TypeVar("Result")


def run_kept(
    work: Callable[[int], Result], seeds: Sequence[int], workers: int, path: Path | None
) -> list[Result]:
    """Return what ``work`` gives for each seed; what ``path`` holds already is not done again.

    ``path`` is written and read by this function alone (it is a pickle): keep it outside of the
    repository, and trust no other's.
    """
    known = {} if path is None or not path.exists() else _known(path)
    missing = [seed for seed in seeds if seed not in known]
    with ProcessPoolExecutor(workers) as pool:
        for seed, result in zip(missing, pool.map(work, missing), strict=True):
            known[seed] = result
            if path is not None:
                with path.open("ab") as file:
                    pickle.dump((seed, result), file)
    return [known[seed] for seed in seeds]


def _known(path: Path) -> dict[int, Any]:
    known: dict[int, Any] = {}
    with path.open("rb") as file:
        while file.peek(1):
            seed, result = pickle.load(file)
            known[seed] = result
    return known


def all_kept(path: Path) -> list[Any]:
    """Return what a file of :func:`run_kept` holds, by seed."""
    return [result for _, result in sorted(_known(path).items())]


def keep_rows(
    path: Path, what: str, seeds: Iterable[int], rows_of: Callable[[int], Iterable[dict[str, Any]]]
) -> list[dict[str, Any]]:
    """Add what a file of JSON lines does not hold yet, then return all its rows.

    ``rows_of`` gives the rows of one seed, with ``seed`` and ``what`` (``what`` asks for them in
    the plural or not) among their members.
    """
    kept = path.read_text("utf-8").splitlines() if path.exists() else []
    done = {(row["what"], row["seed"]) for row in map(json.loads, kept)}
    with path.open("a", encoding="utf-8") as file:
        for seed in seeds:
            if (what.removesuffix("s"), seed) in done:
                continue
            for row in rows_of(seed):
                file.write(json.dumps(row) + "\n")
            file.flush()
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]
