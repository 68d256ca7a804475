"""Work through seeds on several processes, keeping each result, so that a run can go on."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

Result = TypeVar("Result")


def run_kept(
    work: Callable[[int], Result], seeds: Sequence[int], workers: int, path: Path | None
) -> list[Result]:
    """Return what ``work`` gives for each seed; what ``path`` holds already is not done again.

    ``path`` is written and read by this function alone (it is a pickle): keep it outside of the
    repository, and trust no other's.
    """
    known: dict[int, Result] = {}
    if path is not None and path.exists():
        with path.open("rb") as file:
            while file.peek(1):
                seed, result = pickle.load(file)
                known[seed] = result
    missing = [seed for seed in seeds if seed not in known]
    with ProcessPoolExecutor(workers) as pool:
        for seed, result in zip(missing, pool.map(work, missing), strict=True):
            known[seed] = result
            if path is not None:
                with path.open("ab") as file:
                    pickle.dump((seed, result), file)
    return [known[seed] for seed in seeds]
