"""The parcel layer as lots: one polygon an id; which are roads, and why one is no lot."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..read.faults import Report
from .columns import AREAS, Placer, are_finite, hashes, numbers, words
from .elevations import numbers_and_texts, true_elevations
from .filters import basement_codes, basement_words, unknown_basements
from .layer_arrays import Flags, Shapes, Whole, Words
from .layer_frame import Layer
from .schema import ParcelTable
from .stored import Lots, Stored

# slivers between drawn lines are no lots
LEAST_LOT_M2 = 1.0
MOST_WITHOUT_ID = 0.5  # judgment, no source


@dataclass(frozen=True, slots=True)
class Failure:
    """A lot that could not be worked on, and why; ``row`` counts the parcel layer's from 1."""

    parcel: str
    row: int
    code: str
    reason: str


def _largest_polygon(shapes: Shapes) -> Shapes:
    """Return each geometry's largest polygon part, made valid; None where there is none."""
    out = shapes.copy()
    invalid = ~shapely.is_valid(out)
    out[invalid] = shapely.make_valid(out[invalid])
    several = shapely.get_type_id(out) != 3
    for i in np.flatnonzero(several):
        parts = [p for p in shapely.get_parts(out[i]) if p.geom_type == "Polygon"]
        nested = [
            q for p in shapely.get_parts(out[i]) if p.geom_type == "MultiPolygon" for q in p.geoms
        ]
        candidates = parts + nested
        # of equally large parts one by its bytes, whatever the order in the file
        out[i] = max(candidates, key=lambda p: (round(p.area, 3), p.wkb)) if candidates else None
    return out


def make_lots(
    layer: Layer, table: ParcelTable, place: Placer, houses: Stored, ways: Shapes, report: Report
) -> tuple[Lots, tuple[Failure, ...], list[Notice]]:
    """Make the lots in the order of their ids, and tell what is no lot, with its row from 1.

    No lot is: a parcel without id or area, a second one of an id, one with the outline of
    another (units of a condominium), and one that is the street itself. A column in which most
    have no id of their own is a fault.

    Parameters
    ----------
    layer
        The layer.
    table
        The layer's table.
    place
        Takes a geometry to the working CRS.
    houses
        Outlines of the houses.
    ways
        Centerlines of streets and alleys.
    report
        Gathers what is to be refused.

    Returns
    -------
    lots
        In the order of their ids.
    failures
        What is no lot.
    notices
        What was decided.
    """
    read = _read_pieces(layer, table, place)
    chosen, failures = _once_each(read)
    nameless = sum(f.code in ("id-twice", "id-missing") for f in failures)
    if nameless > MOST_WITHOUT_ID * len(read.ids):
        report.fault("ids-repeated", "parcels.id", table.id, count=nameless, of=len(read.ids))
    stacked = _stacked_on(read.measures[chosen])
    failures += [
        Failure(
            str(read.ids[chosen[i]]),
            int(chosen[i]) + 1,
            "stacked",
            f"It has the outline of parcel {read.ids[chosen[stacked[i]]]}: see there.",
        )
        for i in np.flatnonzero(stacked >= 0).tolist()
    ]
    chosen = chosen[stacked < 0]
    read.outlines.put_in_order(chosen)
    roads, notices = judge_roads(read.ids[chosen], read.outlines, houses, ways)
    failures += [
        Failure(
            str(read.ids[i]),
            int(i) + 1,
            "right-of-way",
            "A street or alley runs in this parcel: by its shape, built share and centerline "
            "it is a road.",
        )
        for i in chosen[roads].tolist()
    ]
    chosen = chosen[~roads]
    read.outlines.put_in_order(np.flatnonzero(~roads))
    grounds, remarks = true_elevations(
        read.grounds, read.texts, table.ground, place.unit_m(table.units), "parcels"
    )
    years = read.years[chosen]
    lots = Lots(
        ids=read.ids[chosen],
        outlines=read.outlines,
        middles=read.measures[chosen, :2],
        years=np.where((years >= 1600) & (years <= 2100), years, np.nan),
        grounds_m=grounds[chosen],
        basements=basement_codes(read.basements[chosen]),
    )
    remarks += unknown_basements(read.other_basements, "parcels")
    # rows as the layer has them, whatever its filters leave out
    rows = np.flatnonzero(layer.kept) + 1
    listed = tuple(replace(f, row=int(rows[f.row - 1])) for f in failures)
    return lots, listed, remarks + notices


@dataclass(frozen=True, slots=True)
class _Read:
    """All rows of the layer: ``measures`` (n, 4) are middle, area and length, nan without a shape.

    ``hashes`` are of the outlines, ``grounds`` and ``texts`` the numbers of the column as they
    stand, and how often what is none; ``basements`` are "1", "0" or "".
    """

    ids: Words
    outlines: Stored
    measures: Array
    hashes: Array
    years: Array
    grounds: Array
    texts: Counter[str]
    basements: Words
    other_basements: Counter[str]


def _read_pieces(layer: Layer, table: ParcelTable, place: Placer) -> _Read:
    """Keep every row's outline, and what decides which rows are lots."""
    stored, texts, odd = Stored(), Counter[str](), Counter[str]()
    parts: list[tuple[Any, ...]] = []
    for frame, shapes in place.pieces(layer):
        shapes[~(are_finite(shapes) & (shapely.get_dimensions(shapes) == AREAS))] = None
        polygons = _largest_polygon(shapes)
        stored.append(polygons, words(frame, table.street))
        middles = shapely.centroid(polygons)
        grounds, others = numbers_and_texts(frame, table.ground)
        texts.update(others)
        basements, others = basement_words(frame, table.basement)
        odd.update(others)
        parts.append(
            (
                words(frame, table.id),
                np.column_stack(
                    [
                        shapely.get_x(middles),
                        shapely.get_y(middles),
                        shapely.area(polygons),
                        shapely.length(polygons),
                    ]
                ),
                hashes(polygons),
                numbers(frame, table.year_built),
                grounds,
                basements,
            )
        )
    ids, measured, content, years, values, basements = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return _Read(ids, stored, measured, content, years, values, texts, basements, odd)


def _once_each(read: _Read) -> tuple[Whole, list[Failure]]:
    """Return the rows that have an id and an area, in the order of ids.

    Of several with one id the largest is taken, of equally large ones the least hash decides.
    """
    ids, area = read.ids, np.round(np.nan_to_num(read.measures[:, 2]), 3)
    # rows of one id stand together, and their order in the file plays no part
    order = np.lexsort((read.hashes, -area, ids))
    ids = ids[order]
    nameless, shapeless = ids == "", area[order] <= LEAST_LOT_M2
    good = np.flatnonzero(~nameless & ~shapeless)
    again = np.zeros(len(order), bool)
    again[good[1:]] = ids[good[1:]] == ids[good[:-1]]
    failures = []
    for place in np.flatnonzero(nameless | shapeless | again).tolist():
        parcel, row = str(ids[place]), int(order[place]) + 1
        if nameless[place]:
            failures.append(Failure("", row, "id-missing", "The parcel has no id."))
        elif shapeless[place]:
            failures.append(Failure(parcel, row, "no-shape", "The parcel has no usable area."))
        else:
            failures.append(
                Failure(parcel, row, "id-twice", "A larger parcel has the same id and was used.")
            )
    return order[good[~again[good]]], failures


def _stacked_on(measures: Array) -> Whole:
    """Return the first parcel with the same outline (to 1 cm), -1 for those that are it."""
    # middle, area and outline to 1 cm: units of a condominium share all of them
    keys = np.round(measures, 2)
    _unique, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    below = first[inverse.ravel()]
    return np.where(below == np.arange(len(keys)), -1, below)


# All judgment, no source: where each sign says neither road nor lot.
# centerline that must run in a parcel, then width, compactness and built share at which
# a sign is even, and how near to even is doubtful
LEAST_RUN_M = 20.0
EVEN_WIDTH_M = 40.0
EVEN_COMPACTNESS = 0.5
EVEN_BUILT, LEAST_BUILT = 0.02, 0.002
DOUBT = 0.7
NAMED = 5


def judge_roads(
    ids: Words, parcels: Stored, houses: Stored, ways: Shapes
) -> tuple[Flags, list[Notice]]:
    """Return which parcels (n,) are roads, and warn of those that have buildings or are in doubt.

    Parameters
    ----------
    ids
        Ids of the parcels (n,).
    parcels
        The parcels (n,).
    houses
        Outlines of the houses.
    ways
        Centerlines of streets and alleys.

    Returns
    -------
    roads
        Mask (n,).
    notices
        What is in doubt.
    """
    scores, built = road_scores(parcels, houses, ways)
    roads, doubtful = scores > 0.0, np.abs(scores) < DOUBT
    notices = []
    if (these := roads & (built > 0.0)).any():
        names = some(ids[these])
        notices.append(notice_of("road-with-building", "parcels", count=these.sum(), names=names))
    if doubtful.any():
        names = some(ids[doubtful])
        notices.append(notice_of("road-in-doubt", "parcels", count=doubtful.sum(), names=names))
    return roads, notices


def some(names: Words) -> str:
    """Name the first few."""
    shown = ", ".join(str(name) for name in names[:NAMED])
    return f"{shown}, …" if len(names) > NAMED else shown


def road_scores(parcels: Stored, houses: Stored, ways: Shapes) -> tuple[Array, Array]:
    """Return each parcel's (n,) score, above 0 for a road, and its built share.

    The sum of logs of: centerline run over the root of the area; mean width (area over run)
    below 40 m; compactness 4πA/P² below 0.5; built share below 2 %. Judgment, no source. A
    parcel with less than 20 m of centerline is no road (-inf): nothing shows one in it.

    Parameters
    ----------
    parcels
        Outlines of the parcels (n,).
    houses
        Outlines of the houses.
    ways
        Centerlines of streets and alleys.

    Returns
    -------
    score
        (n,).
    built
        Built share (n,).
    """
    score, built = np.full(len(parcels), -np.inf), np.zeros(len(parcels))
    if not len(ways) or not len(parcels):
        return score, built
    run, tree = np.zeros(len(parcels)), STRtree(ways)
    for rows in parcels.groups():
        shapes = parcels.shapes(rows)
        parcel, line = tree.query(shapes, predicate="intersects")
        lengths_m = shapely.length(shapely.intersection(ways[line], shapes[parcel]))
        run[rows] = np.bincount(parcel, lengths_m, minlength=len(rows))
    near = np.flatnonzero(run >= LEAST_RUN_M)
    shapes = parcels.shapes(near)
    area, run, tree = shapely.area(shapes), run[near], STRtree(shapes)
    compact = 4.0 * np.pi * area / shapely.length(shapes) ** 2
    for rows in houses.groups():
        buildings = houses.shapes(rows)
        house, place = tree.query(buildings, predicate="intersects")
        on = shapely.area(shapely.intersection(shapes[place], buildings[house]))
        built[near] += np.bincount(place, on, minlength=len(near))
    built[near] /= area
    score[near] = np.round(
        np.log(run / np.sqrt(area))
        # area over run is the mean width
        + np.log(EVEN_WIDTH_M * run / area)
        + np.log(EVEN_COMPACTNESS / compact)
        + np.log(EVEN_BUILT / np.maximum(built[near], LEAST_BUILT)),
        6,
    )
    return score, built
