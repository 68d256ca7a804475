"""The public sewers: line with the flow, inverts, manholes and known taps."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import LotFrame
from ..model.site import Building, Lot, Main, Manhole, Street
from .context import Reading
from .faults import guess
from .inverts import InvertLevel, Station, find_inverts, inverts_at
from .main_line import line_of, note_flow, range_of, with_flow
from .manholes import make_taps, place_manholes
from .schema import MainTable

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
        reading.report.fault(
            "diameter-absurd",
            f"{key}.diameter",
            None,
            diameter=reading.report.format(table.diameter),
        )
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
