"""Layers as read from files into records: flat, in meters, in an order of their own."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from .columns import AREAS, LINES, Placer, are_finite, hashes, order_by_place, words
from .elevations import read_elevations
from .filters import basement_words, unknown_basements
from .layer_arrays import Flags, Mains, Manholes, Shapes, Streets, lone_mains
from .layer_frame import Layer
from .parcels import some
from .schema import AlleyTable, BuildingTable, CityFile, RowTable, StreetTable
from .stored import Stored


def read_buildings(
    layer: Layer, table: BuildingTable, place: Placer
) -> tuple[Stored, list[Notice]]:
    """Keep valid polygons, parts apart, in an order that does not depend on their rows.

    Parameters
    ----------
    layer
        The layer.
    table
        The layer's table.
    place
        Takes a geometry to the working CRS.

    Returns
    -------
    buildings
        Polygons, with "1", "0" or "" for a basement as text.
    notices
        Words of basements that are not known.
    """
    stored, content, odd = Stored(), [], Counter[str]()
    for frame, every in place.pieces(layer):
        good = are_finite(every) & (shapely.get_dimensions(every) == AREAS)
        basements, unknown = basement_words(frame, table.basement)
        odd.update(unknown)
        shapes, basements = every[good], basements[good]
        invalid = ~shapely.is_valid(shapes)
        shapes[invalid] = shapely.make_valid(shapes[invalid])
        parts, outer = shapely.get_parts(shapes, return_index=True)
        parts, inner = shapely.get_parts(parts, return_index=True)
        whole = shapely.get_type_id(parts) == 3
        parts = parts[whole]
        stored.append(parts, basements[outer[inner[whole]]])
        content.append(hashes(parts))
    # the order of order_by_place
    stored.put_in_order(np.lexsort((np.concatenate(content), *stored.gather().T[::-1])))
    return stored, unknown_basements(odd, "buildings")


def _lines(layer: Layer, place: Placer) -> tuple[Shapes, NDArray[np.int64]]:
    """Return the single lines of a layer and the row each came from, ordered by place."""
    ((_frame, shapes),) = place.pieces(layer)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_dimensions(shapes) == LINES))
    # flat: parts of one row apart, with the row that they came from
    parts, source = shapely.get_parts(shapes[good], return_index=True)
    # judgment: shorter pieces are slips of the pen
    keep = shapely.length(parts) > 0.1
    parts, source = parts[keep], good[source[keep]]
    order = order_by_place(parts)
    return np.asarray(parts[order], object), source[order]


def read_centerlines(layers: dict[str, Layer | None], file: CityFile, place: Placer) -> Streets:
    """Join streets and alleys.

    Parameters
    ----------
    layers
        Layers by key.
    file
        ``CITY.toml`` as validated.
    place
        Takes a geometry to the working CRS.

    Returns
    -------
    Streets
        The lines with their names.
    """
    made = [
        _centerlines(layer, table, place)
        for key, table in (("streets", file.streets), ("alleys", file.alleys))
        if table is not None and (layer := layers[key]) is not None
    ]
    if not made:
        return Streets(np.zeros(0, object), np.zeros(0, np.str_), np.zeros(0, bool))
    shapes = np.concatenate([m.shapes for m in made])
    order = order_by_place(shapes)
    names = np.concatenate([m.names for m in made])
    return Streets(shapes[order], names[order], np.concatenate([m.alleys for m in made])[order])


def _centerlines(layer: Layer, table: StreetTable | AlleyTable, place: Placer) -> Streets:
    shapes, source = _lines(layer, place)
    frame = layer.frame
    return Streets(shapes, words(frame, table.name)[source], _alleys(frame, table)[source])


def _alleys(frame: Any, table: StreetTable | AlleyTable | RowTable) -> Flags:
    """Return which rows are alleys."""
    if isinstance(table, AlleyTable):
        return np.ones(len(frame), bool)
    values = {value.casefold() for value in table.alley_values}
    return np.array([str(w).casefold() in values for w in words(frame, table.kind)], bool)


def read_rows(layer: Layer | None, table: RowTable | None, place: Placer) -> Streets:
    """Return the right-of-way polygons, parts apart.

    Parameters
    ----------
    layer
        The layer.
    table
        The layer's table, None where there is none.
    place
        Takes a geometry to the working CRS.

    Returns
    -------
    Streets
        The polygons with their names.
    """
    if table is None or layer is None:
        return Streets(np.zeros(0, object), np.zeros(0, np.str_), np.zeros(0, bool))
    ((frame, shapes),) = place.pieces(layer)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_dimensions(shapes) == AREAS))
    parts, source = shapely.get_parts(shapely.make_valid(shapes[good]), return_index=True)
    areas = shapely.get_dimensions(parts) == AREAS
    parts, source = parts[areas], good[source[areas]]
    order = order_by_place(parts)
    names, alleys = words(frame, table.name), _alleys(frame, table)
    return Streets(np.asarray(parts[order], object), names[source[order]], alleys[source[order]])


def read_mains(layer: Layer, file: CityFile, place: Placer) -> tuple[Mains, list[Notice]]:
    """Return the mains as single lines; parts of one row share its id, and lose their inverts.

    Parameters
    ----------
    layer
        The layer.
    file
        ``CITY.toml`` as validated.
    place
        Takes a geometry to the working CRS.

    Returns
    -------
    mains
        Single lines.
    notices
        What was turned or left out.
    """
    table = file.mains
    shapes, source = _lines(layer, place)
    frame = layer.frame
    single = np.bincount(source, minlength=len(frame))[source] == 1
    unit_m = place.unit_m(table.units)
    up, remarks = read_elevations(frame, table.invert_up, unit_m, "mains")
    down, more = read_elevations(frame, table.invert_down, unit_m, "mains")
    return lone_mains(
        words(frame, table.id)[source],
        shapes,
        np.where(single, up[source], np.nan),
        np.where(single, down[source], np.nan),
    ), remarks + more


def with_the_flow(mains: Mains) -> tuple[Mains, list[Notice]]:
    """Turn the mains whose inverts fall against their line, and say how many there were."""
    # nan compares false: a main without both inverts keeps its direction
    uphill = mains.inverts_down_m > mains.inverts_up_m
    if not uphill.any():
        return mains, []
    shapes, up, down = mains.shapes.copy(), mains.inverts_up_m, mains.inverts_down_m
    shapes[uphill] = shapely.reverse(shapes[uphill])
    turned = lone_mains(mains.ids, shapes, np.where(uphill, down, up), np.where(uphill, up, down))
    names = some(mains.ids[uphill])
    return turned, [notice_of("mains-reversed", "mains", count=int(uphill.sum()), names=names)]


def read_manholes(layer: Layer | None, file: CityFile, place: Placer) -> tuple[Manholes, Array]:
    """Return the manholes and their rims' elevations (h,), nan where not known.

    Parameters
    ----------
    layer
        The layer.
    file
        ``CITY.toml`` as validated.
    place
        Takes a geometry to the working CRS.

    Returns
    -------
    manholes
        The points.
    rims
        Elevations (h,), m.
    """
    if file.manholes is None or layer is None:
        return Manholes(np.zeros(0, np.str_), np.zeros(0, object)), np.zeros(0)
    ((frame, shapes),) = place.pieces(layer)
    good = np.flatnonzero(are_finite(shapes) & (shapely.get_type_id(shapes) == 0))
    ids = words(frame, file.manholes.id)[good]
    rims, _remarks = read_elevations(
        frame, file.manholes.rim, place.unit_m(file.manholes.units), "manholes"
    )
    order = np.lexsort((*shapely.bounds(shapes[good]).T[:2], ids))
    return Manholes(ids[order], shapes[good][order]), rims[good][order]
