"""A whole city: chunks over workers, resumable, then one file."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..messages.catalog import fault_of
from ..messages.errors import CannotWrite, ComputationError
from ..model.handover import on_lattices
from ..read.layers.features import crs_text
from .assemble import Pages, assemble, check_output
from .chunks import AROUND_M, BREAKS, Cutter, Task, do_task
from .cluster import work_on_cluster
from .database import Database
from .habits import Choices, join_choices, learn
from .laterals import learned_notice
from .layer_arrays import Whole
from .layer_frame import release_memory
from .lots import work_choices
from .read import City, basement_share, read_city
from .stored import Layers
from .summary import CitySummary
from .surveyed_lots import CityGrid
from .work_folder import chunk_path, discard, hash_inputs, reopen, work_folder

NO_PAGES = Pages()
# Called with: lots done now, lots in all, lots that were done before.
Progress = Callable[[int, int, int], None]


def run_city(
    path: Path,
    out: Path | Database,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    pages: Pages = NO_PAGES,
) -> CitySummary:
    """Infer every lot of a city and write one file, or tables; give the summary.

    Chunks of neighboring lots go to ``workers`` processes, or to the workers of a dask
    ``scheduler`` (its address); each chunk has its own file in the folder ``OUT.work`` (a
    database's: :func:`work_name`), so that a run that was cut short goes on where it stopped.
    The answer does not depend on workers, chunks or the order of rows. Raises ``BadInput`` with
    every fault of ``CITY.toml`` and its layers, ``ComputationError`` where a worker or the
    cluster is lost, ``CannotWrite``. ``pages`` names files for the map and the summary.

    Parameters
    ----------
    path
        Path of ``CITY.toml``.
    out
        File or database to write.
    workers
        Number of processes.
    scheduler
        Address of a dask scheduler, None for processes here.
    progress
        Called with lots done, all lots, and lots done earlier.
    pages
        Files for map and summary.

    Returns
    -------
    CitySummary
        The sums.

    Raises
    ------
    BadInput
        ``CITY.toml`` or a layer has faults.
    ComputationError
        A worker or the cluster is lost.
    CannotWrite
        The output cannot be placed.
    """
    check_output(out)
    city = read_city(path)
    inputs = hash_inputs((path, *city.paths), city.sites)
    cutter = Cutter(city)
    city = with_habits(city, cutter.chunks)
    city.layers.release()
    release_memory()
    place = CityGrid(crs_text(city.crs), city.meters_per_unit)
    total = len(city.layers.lots.ids)
    with work_folder(work_name(path, out)) as folder:
        try:
            done = set(reopen(folder, inputs, len(cutter.chunks)))
            earlier = sum(len(cutter.chunks[number]) for number in done)
            announce = progress or (lambda _now, _all, _before: None)
            announce(0, total, earlier)
            left = [n for n in range(len(cutter.chunks)) if n not in done]
            tasks = cutter.tasks(left, [chunk_path(folder, n) for n in left], place)
            if scheduler is not None and left:
                worked = work_on_cluster(tasks, scheduler)
            else:
                worked = _work_all(tasks, workers)
            for lots in worked:
                announce(lots, total, earlier)
            files = [chunk_path(folder, n) for n in range(len(cutter.chunks))]
            summary = assemble(city, files, out, pages, tuple(dict.fromkeys((path, *city.paths))))
        except OSError as error:
            if isinstance(error, CannotWrite):
                raise
            reason = error.strerror or str(error)
            raise CannotWrite(f"{error.filename or out}: {reason}.") from error
        discard(folder)
    return summary


def work_name(path: Path, out: Path | Database) -> Path:
    """Name the output whose work folder a run takes; a database's stands beside ``CITY.toml``.

    Parameters
    ----------
    path
        Path of ``CITY.toml``.
    out
        File or database to write.

    Returns
    -------
    Path
        Path beside which the work folder lies.
    """
    return path.with_name(f"{path.stem}.postgis") if isinstance(out, Database) else out


def _work_all(tasks: Iterator[Task], workers: int) -> Iterator[int]:
    """Work the tasks off, here or in processes, never with more than two a worker in hand."""
    if workers <= 1:
        yield from map(do_task, tasks)
        return
    # spawn, not fork: libraries with threads of their own do not survive a fork
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_end_with_parent) as pool:
        waiting: set[Future[int]] = set()
        try:
            for task in tasks:
                waiting.add(pool.submit(do_task, task))
                # two in hand for each worker: none waits, and not the whole city is cut at once
                if len(waiting) >= 2 * workers:
                    finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    yield from (future.result() for future in finished)
            while waiting:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                yield from (future.result() for future in finished)
        except BrokenProcessPool as error:
            fault = fault_of("worker-lost", "CITY.toml", None, "--workers", str(workers))
            raise ComputationError(fault) from error
        finally:
            # what has not begun is dropped; what is done is kept in its file
            pool.shutdown(wait=False, cancel_futures=True)


def _end_with_parent() -> None:
    """End this worker when the run that started it is gone: it would wait for ever.

    An interrupt from the keyboard reaches the workers too; the run alone answers it.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    # os._exit: a worker deep in a library's call would not notice an exception
    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def with_habits(city: City, chunks: list[Whole]) -> City:
    """Return a city whose habits are learned from its laterals on record, with a notice of them.

    A city without any stays as it is.

    Parameters
    ----------
    city
        The layers as read.
    chunks
        Places of neighboring lots, chunk by chunk.

    Returns
    -------
    City
        The city.
    """
    known = city.layers.laterals.lot
    parts: list[Choices] = []
    for chunk in chunks if len(known) else ():
        parts += _choices(city.layers, chunk[np.isin(chunk, known)])
        city.layers.release()
    if not parts:
        return city
    learned = learn(join_choices(parts), basement_share(city.file, city.layers.lots))
    city.layers.habits = on_lattices(learned.habits)
    weights, depths = learned.habits.weights.tolist(), learned.habits.depths.T.tolist()
    whole = math.fsum(weights)
    means = [math.fsum(w * s for w, s in zip(weights, d, strict=True)) / whole for d in depths]
    notice = learned_notice(learned.lots, learned.right, learned.stated, means)
    return replace(city, notices=(*city.notices, notice))


def _choices(layers: Layers, lots: Whole) -> list[Choices]:
    """Return what some lots could choose from; a lot that breaks the arithmetic is left out.

    It is told when it is worked out.
    """
    if not len(lots):
        return []
    try:
        made = work_choices(layers.block(lots, AROUND_M))
    except BREAKS:
        middle = len(lots) // 2
        halves = (lots[:middle], lots[middle:]) if middle else ()
        return [part for half in halves for part in _choices(layers, half)]
    return [made] if len(made.lot) else []
