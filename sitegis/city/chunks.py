"""Cut a city into chunks of neighboring lots, each with as much around it as it needs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from ..late_dataclass import dataclass
from .facing import REACH_M
from .layer_arrays import Block
from .lots import work_chunk
from .reach import LONGEST_M
from .read import City
from .stored import along_curve
from .surveyed_lots import CityGrid, work_sites
from .tables import Tables, join, save_tables, table

# as far as a route may run and a lot line look: then a lot's answer does not depend on its chunk
AROUND_M = LONGEST_M + REACH_M
# what a shape or a number that is odd may end in
BREAKS = (shapely.errors.ShapelyError, ValueError, ArithmeticError)


@dataclass(frozen=True, slots=True)
class Task:
    """A chunk: its block, the site folders of its lots, and where its tables go."""

    block: Block
    sites: dict[str, Path]
    place: CityGrid
    path: Path

    @property
    def lots(self) -> int:
        """How many lots it has."""
        return int(self.block.own.sum())


class Cutter:
    """Cuts a city's lots into chunks, along a Hilbert curve and then by id."""

    def __init__(self, city: City) -> None:
        self.city = city
        order = np.argsort(along_curve(city.layers.lots.middles), kind="stable")
        size = city.file.city.lots_per_chunk
        self.chunks = [np.sort(order[i : i + size]) for i in range(0, len(order), size)]

    def tasks(self, numbers: list[int], paths: list[Path], place: CityGrid) -> Iterator[Task]:
        """Make the tasks of some chunks, one at a time.

        Parameters
        ----------
        numbers
            Numbers of the chunks.
        paths
            File of each chunk.
        place
            The city's grid.

        Yields
        ------
        Iterator[Task]
            One task a chunk.
        """
        for number, path in zip(numbers, paths, strict=True):
            block = self.city.layers.block(self.chunks[number], AROUND_M)
            self.city.layers.release()
            yield Task(block, self._sites(block), place, path)

    def _sites(self, block: Block) -> dict[str, Path]:
        """Find the site folders of a block's own lots."""
        folder = self.city.sites
        if folder is None:
            return {}
        names = {entry.name for entry in folder.iterdir() if entry.is_dir()}
        mine = [str(parcel) for parcel in block.parcels.ids[block.own]]
        return {parcel: folder / parcel for parcel in mine if parcel in names}


def do_task(task: Task) -> int:
    """Work out a chunk and write its tables; gives the number of lots."""
    finish_task(task, work_or_split(task.block))
    return task.lots


def finish_task(task: Task, tables: Tables) -> None:
    """Put the answers of site folders into a chunk's tables and write them.

    Parameters
    ----------
    task
        The chunk.
    tables
        Its answers from the layers.
    """
    save_tables(work_sites(tables, task.sites, task.place), task.path)


def work_or_split(block: Block) -> Tables:
    """Work out a chunk; where a shape breaks it, halve it until the lot at fault stands alone."""
    try:
        return work_chunk(block)
    except BREAKS as error:
        mine = np.flatnonzero(block.own)
        if len(mine) == 1:
            return _broken(block, int(mine[0]), f"{type(error).__name__}: {error}"[:200])
    # halves share the block: only which lots are worked on differs
    halves = []
    for part in (mine[: len(mine) // 2], mine[len(mine) // 2 :]):
        own = np.zeros_like(block.own)
        own[part] = True
        halves.append(work_or_split(replace(block, own=own)))
    return {name: join([half[name] for half in halves]) for name in halves[0]}


def _broken(block: Block, lot: int, reason: str) -> Tables:
    """Return the tables of a lot that cannot be worked out: all empty but the failures."""
    nothing = replace(block, own=np.zeros_like(block.own))
    tables = work_chunk(nothing)
    tables["failures"] = table(
        shapely.centroid(block.parcels.shapes[lot : lot + 1]),
        parcel=block.parcels.ids[lot : lot + 1],
        row=np.zeros(1, np.int64),
        code=["geometry"],
        reason=[reason],
    )
    return tables
