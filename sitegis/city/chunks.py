"""Cut a city into chunks of neighboring lots, each with as much around it as it needs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import shapely
from shapely import STRtree

from ..late_dataclass import dataclass
from ..numerics.records import take_rows
from .facing import REACH_M
from .layer_arrays import Block, Whole
from .lots import work_chunk
from .reach import LONGEST_M
from .read import City
from .surveyed_lots import CityGrid, work_sites
from .tables import Tables, join, save_tables, table

# as far as a route may run and a lot line look: then a lot's answer does not depend on its chunk
AROUND_M = LONGEST_M + REACH_M


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
    """Cuts blocks out of a city; each layer is indexed once."""

    def __init__(self, city: City) -> None:
        self.city = city
        block = city.block
        self.trees = {
            "parcels": STRtree(block.parcels.shapes),
            "houses": STRtree(block.houses),
            "centerlines": STRtree(block.centerlines.shapes),
            "rows": STRtree(block.rows.shapes),
            "mains": STRtree(block.mains.shapes),
            "manholes": STRtree(block.manholes.shapes),
        }
        self.chunks = self._chunks()

    def _chunks(self) -> list[Whole]:
        """Order lots along a Hilbert curve, then by id, and cut: neighbors stay together."""
        shapes = self.city.block.parcels.shapes
        size = self.city.file.city.lots_per_chunk
        if not len(shapes):
            return []
        # Hilbert curve: neighbors in the plane are neighbors on it
        along = geopandas.GeoSeries(shapely.centroid(shapes)).hilbert_distance(level=16).to_numpy()
        order = np.lexsort((np.arange(len(shapes)), along))
        return [np.sort(order[i : i + size]) for i in range(0, len(order), size)]

    def block(self, chunk: Whole) -> Block:
        """Return the layers within reach of a chunk of lots, places (n,) among the parcels."""
        whole = self.city.block
        low_x, low_y, high_x, high_y = shapely.total_bounds(whole.parcels.shapes[chunk])
        box = shapely.box(low_x - AROUND_M, low_y - AROUND_M, high_x + AROUND_M, high_y + AROUND_M)
        # sorted: places in the block stand in the order of the city's
        near = {name: np.sort(tree.query(box)) for name, tree in self.trees.items()}
        own = np.isin(near["parcels"], chunk)
        return replace(
            whole,
            parcels=take_rows(whole.parcels, near["parcels"]),
            own=own,
            houses=whole.houses[near["houses"]],
            centerlines=take_rows(whole.centerlines, near["centerlines"]),
            rows=take_rows(whole.rows, near["rows"]),
            mains=take_rows(whole.mains, near["mains"]),
            manholes=take_rows(whole.manholes, near["manholes"]),
        )

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
            block = self.block(self.chunks[number])
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
    except (shapely.errors.ShapelyError, ValueError, ArithmeticError) as error:
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
