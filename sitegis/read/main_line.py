"""The line of a public sewer: where it lies, which way it flows, and the part that matters."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import LotFrame, lot_direction
from ..model.site import Lot, Street
from ..numerics.ordering import MATTERS_M, in_steps, largest, smallest
from .context import PLAIN_VERTICES, Reading
from .inverts import Station
from .rings import outward
from .schema import MainTable
from .streets import BEYOND_M, REACH_M, lot_window, outward_normal

# Less rise than this between two leveled manholes says nothing about the flow: judgment.
LEAST_RISE_M = 0.01
# A manhole farther off says nothing about the block: judgment.
NEAR_M = 1000.0


def line_of(
    reading: Reading, table: MainTable, key: str, lot: Lot, *, frame: LotFrame, street: Street
) -> BaseGeometry | None:
    """Return the full line: from a layer, or parallel to the lot line at an offset.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    table
        One ``[[main]]`` table.
    key
        Dotted key of ``site.toml``.
    lot
        The lot, its ring (n, 2).
    frame
        The lot on the grid.
    street
        The street it lies in.

    Returns
    -------
    BaseGeometry | None
        The line in the lot, m; None with the faults gathered.
    """
    report = reading.report
    if table.layer is not None:
        if table.offset is not None:
            report.fault("main-source", f"{key}.offset", None)
            return None
        line = reading.lot_shape(
            frame, table, key, wanted="line", identifier=table.feature or table.id
        )
        if line is not None and not line.intersects(lot_window(lot)):
            report.fault("main-far", f"{key}.layer", table.id, reach_m=report.format(REACH_M))
            return None
        return None if line is None else reading.simplified(_cut(line, lot), key)
    offset_m = table.offset
    if offset_m is None:
        offset_m = street.row_width_m / 2.0
        report.note("main-offset-assumed", f"{key}.offset", id=table.id, street=street.name)
    edge = lot.edge(street.side)
    span = float(np.hypot(*(edge[1] - edge[0])))
    along = (edge[1] - edge[0]) / span
    shift = outward_normal(edge) * offset_m
    farthest = max((abs(manhole.offset_along) for manhole in table.manholes), default=0.0)
    # beyond the lot as streets are laid, or to the farthest manhole and a little more
    reach = max(BEYOND_M, farthest + span + 10.0)
    ends = np.array([edge[0] - reach * along + shift, edge[1] + reach * along + shift])
    return shapely.LineString(ends)


def _cut(line: BaseGeometry, lot: Lot) -> BaseGeometry:
    """Cut a long line of many vertices to the part within a kilometer of the lot."""
    vertices = shapely.get_coordinates(line)
    if len(vertices) <= PLAIN_VERTICES:
        return line
    west, south, east, north = shapely.bounds(lot_window(lot))
    # how far each vertex lies beyond the window, along the worse axis
    outside = np.maximum([west, south] - vertices, vertices - [east, north]).max(axis=1)
    near = np.flatnonzero(outside < NEAR_M)
    if not len(near):  # the straight that passes the lot is longer than all that
        return line
    # one vertex more at either end, so that the straights into the block stay whole
    return shapely.LineString(vertices[max(near[0] - 1, 0) : near[-1] + 2])


def with_flow(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, *, frame: LotFrame, lot: Lot
) -> BaseGeometry:
    """Turn the line so that it runs with the flow.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    table
        One ``[[main]]`` table.
    key
        Dotted key of ``site.toml``.
    line
        Full line of the main in the lot, m.
    frame
        The lot on the grid.
    lot
        The lot, its ring (n, 2).

    Returns
    -------
    BaseGeometry
        The line, upstream end first.
    """
    near = shapely.intersection(line, lot_window(lot))
    parts = [part for part in shapely.get_parts(near) if part.length > 0] or [line]
    # the part that passes the lot tells the flow: far off the line may turn
    piece = parts[largest(shapely.length(parts), MATTERS_M)]
    ends = shapely.get_coordinates(piece)[[0, -1]]
    chord = ends[1] - ends[0]
    # An intersection may come back reversed: the line's own order decides.
    if line.project(shapely.Point(ends[1])) < line.project(shapely.Point(ends[0])):
        chord = -chord
    length = float(np.hypot(*chord))
    if table.flow_toward is None:
        name = "flow-assumed:drawn" if table.layer else "flow-assumed"
        reading.report.note(name, f"{key}.flow_toward", id=table.id)
        return line
    flow = table.flow_toward
    toward = outward(flow) if isinstance(flow, str) else lot_direction(frame.angle_rad(flow))
    cosine = float(chord @ toward) / length if length > 0 else 0.0
    # within 15° of square to the line nothing is said of the flow
    if abs(cosine) < 0.25:
        reading.report.fault("flow-across", f"{key}.flow_toward", flow)
    return line if cosine >= 0 else shapely.reverse(line)


def note_flow(reading: Reading, table: MainTable, key: str, manholes: tuple[Station, ...]) -> None:
    """Note a flow direction against which the leveled manholes fall.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    table
        One ``[[main]]`` table.
    key
        Dotted key of ``site.toml``.
    manholes
        Manholes with stations, upstream first.
    """
    levels = [(spot.id, spot.invert_m) for spot in manholes if spot.invert_m is not None]
    if len(levels) < 2:
        return
    (upper, upper_m), (lower, lower_m) = levels[0], levels[-1]
    if lower_m - upper_m <= LEAST_RISE_M:
        return
    stated = "stated" if table.flow_toward is not None else "assumed"
    reading.report.note(
        "flow-against-inverts",
        f"{key}.flow_toward",
        id=table.id,
        stated=stated,
        upper=upper,
        lower=lower,
        lower_m=reading.report.format(lower_m - upper_m),
    )


def range_of(line: BaseGeometry, lot: Lot, manholes: tuple[Station, ...]) -> tuple[float, float]:
    """Return the stations between which the line is near the lot or holds a manhole.

    Parameters
    ----------
    line
        Full line of the main in the lot, m.
    lot
        The lot, its ring (n, 2).
    manholes
        Manholes with stations, upstream first.

    Returns
    -------
    tuple[float, float]
        Stations of both ends, m.
    """
    parts = shapely.get_parts(shapely.intersection(line, lot_window(lot)))
    land = shapely.Polygon(lot.vertices)
    # second key: of parts as near the longest
    near = in_steps(-shapely.length(parts), MATTERS_M)
    piece = parts[smallest(shapely.distance(parts, land), MATTERS_M, near)]
    stations = [float(line.project(shapely.Point(xy))) for xy in shapely.get_coordinates(piece)]
    stations += [spot.station_m for spot in manholes]
    return min(stations), max(stations)
