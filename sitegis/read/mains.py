"""The public sewers: line with the flow, inverts, manholes and known taps."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import LotFrame, lot_direction
from ..model.site import Building, Lot, Main, Manhole, Street
from ..numerics.ordering import MATTERS_M, in_steps, largest, smallest
from .context import PLAIN_VERTICES, Reading
from .faults import guess
from .inverts import InvertLevel, Station, find_inverts, inverts_at
from .manholes import make_taps, place_manholes
from .rings import outward
from .schema import MainTable
from .streets import BEYOND_M, REACH_M, lot_window, outward_normal

# Judgment, no source, where the record says nothing.
DIAMETER_M = 0.2032
LINE_SD_M = {"layer": 0.5, "offset": 0.6}


def make_mains(
    reading: Reading, lot: Lot, frame: LotFrame, streets: tuple[Street, ...], building: Building
) -> tuple[Main, ...]:
    """Make the mains; those with faults are left out, the faults gathered.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    lot
        The lot, its ring (n, 2).
    frame
        The lot on the grid.
    streets
        The streets.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    tuple[Main, ...]
        The mains without faults.
    """
    report = reading.report
    by_name = {street.name: street for street in streets}
    mains: list[Main] = []
    seen: set[str] = set()
    for number, table in enumerate(reading.file.main, start=1):
        key = f"main[{number}]"
        if table.id in seen or table.id == "unlisted":
            report.fault("id-twice:main", f"{key}.id", table.id)
        seen.add(table.id)
        street = by_name.get(table.street)
        if street is None and table.street not in report.broken_names:
            report.fault(
                "street-unknown:main",
                f"{key}.street",
                table.street,
                known=guess(table.street, by_name),
            )
        main = (
            None if street is None else _main(reading, table, key, lot, frame=frame, street=street)
        )
        if main is None:
            report.broken_names.update([table.id, *(m.id for m in table.manholes)])
            if table.manholes_layer is not None:
                report.broken_names.add("*manholes")
            continue
        if shapely.intersects(shapely.LineString(main.line), shapely.Polygon(building.vertices)):
            report.note("main-under-house", key, main=main.id)
        mains.append(main)
    return tuple(mains)


def _main(
    reading: Reading, table: MainTable, key: str, lot: Lot, *, frame: LotFrame, street: Street
) -> Main | None:
    """Make one main."""
    faults_before = len(reading.report.faults)
    if table.diameter is not None and not 0.05 <= table.diameter <= 4.0:
        reading.report.fault("diameter-absurd", f"{key}.diameter", None, diameter_m=table.diameter)
    line = line_of(reading, table, key, lot, frame=frame, street=street)
    if line is None:
        return None
    line = with_flow(reading, table, key, line, frame=frame, lot=lot)
    manholes = place_manholes(reading, table, key, line, frame=frame, street=street)
    note_flow(reading, table, key, manholes)
    middle_m = float(line.project(shapely.Point(lot.vertices.mean(axis=0))))
    level = find_inverts(
        reading, table, key, line, manholes=manholes, street=street, middle_m=middle_m
    )
    if level is None or len(reading.report.faults) > faults_before:
        return None
    return _assemble(
        reading, table, key, line, manholes=manholes, level=level, street=street, lot=lot
    )


def _assemble(
    reading: Reading,
    table: MainTable,
    key: str,
    line: BaseGeometry,
    *,
    manholes: tuple[Station, ...],
    level: InvertLevel,
    street: Street,
    lot: Lot,
) -> Main | None:
    """Cut the line to the block and its manholes, and write the inverts at its vertices.

    None with a fault gathered where nothing of it is left.
    """
    low_m, high_m = range_of(line, lot, manholes)
    # stations of the line's own vertices, so that cutting keeps its shape
    vertices = [float(line.project(shapely.Point(xy))) for xy in shapely.get_coordinates(line)]
    knots = [station for station, _ in level.knots] + [spot.station_m for spot in manholes]
    wanted = [low_m, *(s for s in (*vertices, *knots) if low_m < s < high_m), high_m]
    # a vertex at a manhole is one: doubled ones would have a straight without length
    stations = np.unique(np.round(wanted, 6))
    stations = stations[np.concatenate([[True], np.diff(stations) > 0.01])]
    if len(stations) < 2:
        reading.report.fault("main-too-short", key, table.id)
        return None
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, stations))
    placed = tuple(
        Manhole(
            id=spot.id,
            x_m=float(place[0]),
            y_m=float(place[1]),
            # stations count anew from where the line was cut
            station_m=spot.station_m - low_m,
            invert_m=spot.invert_m,
            rim_m=spot.rim_m,
        )
        for spot in manholes
        for place in [line.interpolate(spot.station_m).coords[0]]
    )
    taps = make_taps(reading, table, key, placed, high_m - low_m)
    source = "layer" if table.layer is not None else "offset"
    return Main(
        id=table.id,
        street=street.name,
        side=street.side,
        kind=street.kind,
        line=points,
        inverts_m=inverts_at(level, stations),
        invert_sd_m=level.sd_m,
        invert_known=level.known,
        diameter_m=table.diameter or DIAMETER_M,
        manholes=placed,
        tap_stations_m=taps,
        line_sd_m=table.line_sd or LINE_SD_M[source],
        diameter_known=table.diameter is not None,
        system=table.system,
        drawn=table.layer is not None,
    )


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
            report.fault("main-far", f"{key}.layer", table.id, reach_m=REACH_M)
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
        lower_m=lower_m - upper_m,
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
