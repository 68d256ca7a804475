"""The parcel layer as lots: one polygon an id; what is no lot is told, with its reason."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from ..late_dataclass import dataclass
from ..messages.errors import Notice
from ..numerics.records import take_rows
from .columns import AREAS, Placer, are_finite, numbers, words
from .elevations import read_elevations
from .faults import Faults
from .layer_arrays import Parcels, Shapes, Whole
from .roads import judge_roads
from .schema import ParcelTable

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
    frame: Any, table: ParcelTable, place: Placer, houses: Shapes, ways: Shapes, faults: Faults
) -> tuple[Parcels, tuple[Failure, ...], list[Notice]]:
    """Make the lots in the order of their ids, and tell what is no lot, with its row from 1.

    No lot is: a parcel without id or area, a second one of an id, one with the outline of
    another (units of a condominium), and one that is the street itself. A column in which most
    have no id of their own is a fault.

    Parameters
    ----------
    frame
        The layer as a GeoDataFrame.
    table
        The layer's table.
    place
        Takes a geometry to the working CRS.
    houses
        Outlines of the houses.
    ways
        Centerlines of streets and alleys.
    faults
        Gathers what is to be refused.

    Returns
    -------
    parcels
        In the order of their ids.
    failures
        What is no lot.
    notices
        What was decided.
    """
    records, rows, failures, remarks = _once_each(frame, table, place)
    nameless = sum(f.code in ("id-twice", "id-missing") for f in failures)
    if nameless > MOST_WITHOUT_ID * len(frame):
        faults.add(
            "ids-repeated",
            "parcels.id",
            table.id,
            f"{nameless} of {len(frame)} parcels have no id of their own in this column.",
            "name the column that tells each parcel from every other.",
        )
    stacked = _stacked_on(records.shapes)
    on = np.flatnonzero(stacked >= 0)
    failures += [
        Failure(
            str(records.ids[i]),
            int(rows[i]),
            "stacked",
            f"It has the outline of parcel {records.ids[stacked[i]]}: see there.",
        )
        for i in on.tolist()
    ]
    records, rows = take_rows(records, stacked < 0), rows[stacked < 0]
    roads, notices = judge_roads(records, houses, ways)
    failures += [
        Failure(
            str(records.ids[i]),
            int(rows[i]),
            "right-of-way",
            "A street or alley runs in this parcel: by its shape, built share and centerline "
            "it is a road.",
        )
        for i in np.flatnonzero(roads).tolist()
    ]
    return take_rows(records, ~roads), tuple(failures), remarks + notices


def _once_each(
    frame: Any, table: ParcelTable, place: Placer
) -> tuple[Parcels, Whole, list[Failure], list[Notice]]:
    """Keep one polygon an id: of several rows with one id the largest."""
    ids, shapes = words(frame, table.id), place.shapes(frame)
    shapes[~(are_finite(shapes) & (shapely.get_dimensions(shapes) == AREAS))] = None
    polygons = _largest_polygon(shapes)
    area = np.round(np.nan_to_num(shapely.area(polygons)), 3)
    wkb = shapely.to_wkb(polygons)
    failures: list[Failure] = []
    kept: list[int] = []
    # by id, the largest first: rows of one id stand together, and
    # their order in the file plays no part
    for i in sorted(range(len(ids)), key=lambda i: (ids[i], -area[i], wkb[i] or b"")):
        parcel, row = str(ids[i]), i + 1
        if parcel == "":
            failures.append(Failure("", row, "id-missing", "The parcel has no id."))
        elif area[i] <= LEAST_LOT_M2:
            failures.append(Failure(parcel, row, "no-shape", "The parcel has no usable area."))
        elif kept and ids[kept[-1]] == ids[i]:
            failures.append(
                Failure(parcel, row, "id-twice", "A larger parcel has the same id and was used.")
            )
        else:
            kept.append(i)
    chosen = np.array(kept, dtype=np.int64)
    grounds, remarks = read_elevations(frame, table.ground, place.unit_m(table.units), "parcels")
    years = numbers(frame, table.year_built)[chosen]
    records = Parcels(
        ids[chosen],
        polygons[chosen],
        words(frame, table.street)[chosen],
        np.where((years >= 1600) & (years <= 2100), years, np.nan),
        grounds[chosen],
    )
    return records, chosen + 1, failures, remarks


def _stacked_on(shapes: Shapes) -> Whole:
    """Return the first parcel with the same outline (to 1 cm), -1 for those that are it."""
    centers = shapely.get_coordinates(shapely.centroid(shapes))
    # middle, area and outline to 1 cm: units of a condominium share all of them
    keys = np.round(np.column_stack([centers, shapely.area(shapes), shapely.length(shapes)]), 2)
    _unique, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    below = first[inverse.ravel()]
    return np.where(below == np.arange(len(shapes)), -1, below)
