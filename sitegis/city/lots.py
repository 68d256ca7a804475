"""One chunk of lots from layers to tables: frontage, house, mains, routes, posterior."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import shapely
from shapely import STRtree

from ..model.handover import on_lattices
from ..numerics.records import take_rows
from .frontage import Frontages, find_frontages
from .habits import Choices
from .houses import Houses, Rectangles, find_houses, measure_houses
from .infer import LotFacts, choices_of, infer
from .laterals import votes_of
from .layer_arrays import Block, Pairs, Whole
from .lot_priors import PriorTable
from .lot_tables import Worked, answers, lot_lines
from .mains import find_pairs, snap_manholes
from .routes import LotRoutes, lay_routes
from .tables import Tables, table
from .taps import find_taps, place_on_record

PER_LOT = ("codes", "sure", "front", "front_names", "frontage_m", "gates", "others", "address_fit")


def work_chunk(block: Block) -> Tables:
    """Work out the block's own lots; what cannot be worked out becomes a row of ``failures``.

    Nothing is drawn at random: the answer of a lot depends on the layers about it alone, not
    on the chunk it is in. Lengths and coordinates are meters.
    """
    parcels = block.parcels
    tree, lots, houses, frontages = _find(block)
    without = shapely.is_missing(houses.shapes)
    kept = np.flatnonzero(~without)
    tables = {
        "lot_lines": lot_lines(block, lots, frontages),
        "failures": table(
            shapely.point_on_surface(parcels.shapes[lots[without]]),
            parcel=parcels.ids[lots[without]],
            row=np.zeros(int(without.sum()), np.int64),
            code=np.full(int(without.sum()), "no-building"),
            reason=np.full(int(without.sum()), "No building of 12 m² or more stands on the lot."),
        ),
    }
    worked = _work(block, lots, frontages, houses, kept, tree)
    return tables | answers(worked)


def work_choices(block: Block) -> Choices:
    """Lay routes for the block's own lots, all with a lateral on record, and weigh them."""
    tree, lots, houses, frontages = _find(block)
    kept = np.flatnonzero(~shapely.is_missing(houses.shapes))
    _rectangles, pairs, laid = _lay(block, lots, frontages, houses, kept, tree)
    facts = _facts(block, lots[kept], _of(frontages, kept), take_rows(houses, kept), pairs)
    return choices_of(pairs, laid, block.mains, facts, PriorTable(block.priors))


def _find(block: Block) -> tuple[STRtree, Whole, Houses, Frontages]:
    """Find the block's own lots, with the tree of all parcels, their houses and frontages."""
    tree, lots = STRtree(block.parcels.shapes), np.flatnonzero(block.own)
    houses = find_houses(block.parcels.shapes[lots], block.houses)
    return tree, lots, houses, on_lattices(find_frontages(block, lots, tree, houses.centers))


def _lay(
    block: Block, lots: Whole, frontages: Frontages, houses: Houses, kept: Whole, tree: STRtree
) -> tuple[Rectangles, Pairs, LotRoutes]:
    """Lay routes for the lots that have a house."""
    # over all lots of the block, then renumbered to those with a house
    pairs = find_pairs(block, lots, frontages, tree)
    place = np.full(len(lots), -1, np.int64)
    place[kept] = np.arange(len(kept))
    pairs = _of_lots(pairs, place)
    shapes = block.parcels.shapes[lots[kept]]
    rectangles = on_lattices(
        measure_houses(houses.shapes[kept], shapes, frontages.front[kept], frontages.gates[kept])
    )
    laid = lay_routes(rectangles, pairs, block.mains, houses.shapes[kept], tree, lots[kept])
    return rectangles, pairs, on_lattices(laid)


def _facts(
    block: Block, lots: Whole, frontages: Frontages, houses: Houses, pairs: Pairs
) -> LotFacts:
    """Gather what else is known of the lots (n,) at some places of the block."""
    basements = block.parcels.basements[lots]
    if len(block.basements):
        of_house = block.basements[houses.buildings]
        basements = np.where(np.isnan(basements), of_house, basements)
    record = np.full(len(block.parcels.ids), -1, np.int64)
    record[block.laterals.lot] = block.laterals.line
    return LotFacts(
        grounds_m=block.parcels.grounds_m[lots],
        years=block.parcels.years[lots],
        front_sure=frontages.sure,
        other_fronts=frontages.others,
        basements=basements,
        record=record[lots],
        votes=votes_of(block.laterals, pairs, lots, block.mains, block.parcels.shapes),
    )


def _work(
    block: Block, lots: Whole, frontages: Frontages, houses: Houses, kept: Whole, tree: STRtree
) -> Worked:
    """Lay routes and infer for the lots that have a house."""
    rectangles, pairs, laid = _lay(block, lots, frontages, houses, kept, tree)
    mine, fronts, few = lots[kept], _of(frontages, kept), take_rows(houses, kept)
    facts = _facts(block, mine, fronts, few, pairs)
    table = PriorTable(block.priors)
    posterior = on_lattices(infer(pairs, laid, block.mains, facts, table, block.habits))
    snapped = on_lattices(snap_manholes(block.manholes, block.mains))
    taps = on_lattices(
        find_taps(block, block.parcels.shapes[mine], pairs, laid, posterior, snapped)
    )
    taps = place_on_record(taps, block.laterals, mine, block.mains)
    # a lateral on record whose line is not the answer
    apart = facts.record >= 0
    apart[taps.lot[taps.recorded]] = False
    return Worked(
        block, mine, fronts, few, rectangles, pairs, laid, posterior, snapped, taps, apart
    )


def _of_lots(pairs: Pairs, place: Whole) -> Pairs:
    """Keep the pairs of lots with a place, and number the lots by it."""
    kept = place[pairs.lot] >= 0
    number = np.cumsum(kept) - 1
    mains = kept[pairs.main_pair]
    return Pairs(
        lot=place[pairs.lot[kept]],
        side=pairs.side[kept],
        alley=pairs.alley[kept],
        easement=pairs.easement[kept],
        main_pair=number[pairs.main_pair[mains]],
        main=pairs.main[mains],
    )


def _of(frontages: Frontages, kept: Whole) -> Frontages:
    """Return what is known per lot for some lots; the edges stay those of all."""
    per_lot = {name: getattr(frontages, name)[kept] for name in PER_LOT}
    others = {
        f.name: getattr(frontages, f.name) for f in fields(frontages) if f.name not in per_lot
    }
    return Frontages(**others, **per_lot)
