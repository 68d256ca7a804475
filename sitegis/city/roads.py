"""Which parcels are roads: shape, built share and centerline speak together."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from .layer_arrays import Flags, Shapes, Words
from .stored import Stored

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
