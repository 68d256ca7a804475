"""The public sewers: line with the flow, inverts, manholes and known taps."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from .._frames import Array, LotFrame, lot_direction
from .._site import Building, Lot, Main, Manhole, Street
from ._context import Reading
from ._report import guess
from ._rings import outward
from ._schema import MainTable
from ._streets import BEYOND_M, REACH_M, lot_window, outward_normal

# Judgement, no source, where the record says nothing.
DIAMETER_M = 0.2032
DEPTH_M, UNKNOWN_SD_M = 2.7, 0.8
INVERT_SD_M = 0.1524
SLAB_SD_M = 0.03
LINE_SD_M = {"layer": 0.5, "offset": 0.6}
SLOPE = 0.004
OFF_LINE_M = 3.0
SHALLOWEST_M, DEEPEST_M = 0.5, 15.0


@dataclass(frozen=True, slots=True)
class _Spot:
    """A manhole on the full line: id, station with the flow, invert above the slab."""

    id: str
    station_m: float
    invert_m: float | None


@dataclass(frozen=True, slots=True)
class _Level:
    """Known inverts (station, elevation above slab) with their sd."""

    knots: tuple[tuple[float, float], ...]
    sd_m: float
    known: bool


def make_mains(
    reading: Reading, lot: Lot, frame: LotFrame, streets: tuple[Street, ...], building: Building
) -> tuple[Main, ...]:
    """Make the mains; those with faults are left out, the faults gathered."""
    report = reading.report
    by_name = {street.name: street for street in streets}
    mains: list[Main] = []
    seen: set[str] = set()
    for number, table in enumerate(reading.file.main, start=1):
        key = f"main[{number}]"
        if table.id in seen or table.id == "unlisted":
            report.site("id-twice", f"{key}.id", table.id, "This main id is taken.",
                        "give each main its own id.")  # fmt: skip
        seen.add(table.id)
        street = by_name.get(table.street)
        if street is None and table.street not in report.broken_names:
            report.site(
                "street-unknown",
                f"{key}.street",
                table.street,
                "There is no [[street]] of this name.",
                guess(table.street, by_name),
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
            report.note("main-under-house", f"The main {main.id} runs under the building.",
                        key, needs_person=True)  # fmt: skip
        mains.append(main)
    return tuple(mains)


def _main(
    reading: Reading, table: MainTable, key: str, lot: Lot, *, frame: LotFrame, street: Street
) -> Main | None:
    """Make one main."""
    faults_before = len(reading.report.faults)
    if table.diameter is not None and not 0.05 <= table.diameter <= 4.0:
        reading.report.site("diameter-absurd", f"{key}.diameter", None,
                            f"A main {reading.report.say(table.diameter)} across is not "
                            f"believable.",
                            "check the unit, as in \"8 in\".")  # fmt: skip
    line = _line(reading, table, key, lot, frame=frame, street=street)
    if line is None:
        return None
    line = _with_flow(reading, table, key, line, frame=frame, lot=lot)
    spots = _manholes(reading, table, key, line, frame=frame, street=street)
    middle_m = float(line.project(shapely.Point(lot.vertices.mean(axis=0))))
    level = _level(reading, table, key, line, spots=spots, street=street, middle_m=middle_m)
    if level is None or len(reading.report.faults) > faults_before:
        return None
    return _assemble(reading, table, key, line, spots=spots, level=level, street=street, lot=lot)


# -------------------------------------------------------------------------------- the line


def _line(
    reading: Reading, table: MainTable, key: str, lot: Lot, *, frame: LotFrame, street: Street
) -> BaseGeometry | None:
    """Give the full line: from a layer, or parallel to the lot line at an offset."""
    report = reading.report
    if table.layer is not None:
        if table.offset is not None:
            report.site("main-source", f"{key}.offset", None, "The main has both layer and offset.",
                        "keep one of them.")  # fmt: skip
            return None
        line = reading.lot_shape(
            frame, table, key, wanted="line", identifier=table.feature or table.id
        )
        if line is not None and not line.intersects(lot_window(lot)):
            report.site("main-far", f"{key}.layer", table.id,
                        f"This main does not come within {report.say(REACH_M)} of the lot.",
                        "check the id, and the CRS of the layer.")  # fmt: skip
            return None
        return line
    offset_m = table.offset
    if offset_m is None:
        offset_m = street.row_width_m / 2.0
        report.note("main-offset-assumed",
                    f"Main {table.id}: its place is not given; the middle of {street.name} is "
                    "assumed.", f"{key}.offset", needs_person=True)  # fmt: skip
    edge = lot.edge(street.side)
    span = float(np.hypot(*(edge[1] - edge[0])))
    along = (edge[1] - edge[0]) / span
    shift = outward_normal(edge) * offset_m
    farthest = max((abs(manhole.offset_along) for manhole in table.manholes), default=0.0)
    reach = max(BEYOND_M, farthest + span + 10.0)
    ends = np.array([edge[0] - reach * along + shift, edge[1] + reach * along + shift])
    return shapely.LineString(ends)


def _with_flow(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, *, frame: LotFrame, lot: Lot
) -> BaseGeometry:
    """Turn the line so that it runs with the flow."""
    near = shapely.intersection(line, lot_window(lot))
    parts = [part for part in shapely.get_parts(near) if part.length > 0] or [line]
    piece = max(parts, key=lambda part: part.length)
    ends = shapely.get_coordinates(piece)[[0, -1]]
    chord = ends[1] - ends[0]
    # An intersection may come back reversed: the line's own order decides.
    if line.project(shapely.Point(ends[1])) < line.project(shapely.Point(ends[0])):
        chord = -chord
    length = float(np.hypot(*chord))
    if table.flow_toward is None:
        reading.report.note(
            "flow-assumed",
            f"Main {table.id}: the direction of flow is not given; "
            + ("the layer's drawing order" if table.layer else "toward the right end of the lot "
               "line as the lot is walked counter-clockwise") + " is taken.",
            f"{key}.flow_toward",
        )  # fmt: skip
        return line
    flow = table.flow_toward
    toward = outward(flow) if isinstance(flow, str) else lot_direction(frame.angle_rad(flow))
    cosine = float(chord @ toward) / length if length > 0 else 0.0
    if abs(cosine) < 0.25:
        reading.report.site("flow-across", f"{key}.flow_toward", flow,
                            "The main runs across this direction, not along it.",
                            "write the side of the lot, or the azimuth, toward which it "
                            "flows.")  # fmt: skip
    return line if cosine >= 0 else shapely.reverse(line)


# ---------------------------------------------------------------------------------- manholes


def _manholes(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, *, frame: LotFrame,
    street: Street,
) -> tuple[_Spot, ...]:  # fmt: skip
    """Give the manholes with stations on the full line, upstream first."""
    spots = [*_taped_manholes(reading, table, key, line, street)]
    if table.manholes_layer is not None:
        spots.extend(_layer_manholes(reading, table, key, line, frame))
    seen: set[str] = set()
    for spot in spots:
        if spot.id in seen:
            reading.report.site(
                "id-twice",
                f"{key}.manholes",
                spot.id,
                "This manhole is on the main twice.",
                "keep one of them.",
            )
        seen.add(spot.id)
    return tuple(sorted(spots, key=lambda spot: spot.station_m))


def _taped_manholes(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, street: Street
) -> list[_Spot]:
    """Station manholes given by their offset along from the foot of the front-left corner."""
    foot_m = float(line.project(shapely.Point(0.0, 0.0)))
    axis = 0 if street.side in ("front", "rear") else 1
    before = line.interpolate(max(foot_m - 1.0, 0.0))
    after = line.interpolate(min(foot_m + 1.0, line.length))
    step = (after.x - before.x, after.y - before.y)[axis]
    sign = 1.0 if step >= 0 else -1.0
    spots = []
    for number, manhole in enumerate(table.manholes, start=1):
        station_m = foot_m + sign * manhole.offset_along
        place = f"{key}.manholes[{number}]"
        if not -OFF_LINE_M <= station_m <= line.length + OFF_LINE_M:
            reading.report.site("manhole-off-main", f"{place}.offset_along", manhole.id,
                                "This manhole lies past the end of the main's line.",
                                "check the distance and its sign; + runs toward lot x (front, "
                                "rear) or y (left, right).")  # fmt: skip
            continue
        invert_m = _above_slab(reading, manhole.invert, f"{place}.invert")
        spots.append(_Spot(manhole.id, min(max(station_m, 0.0), line.length), invert_m))
    return spots


def _layer_manholes(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, frame: LotFrame
) -> list[_Spot]:
    """Station the manholes of a layer that belong to this main."""
    reference = table.manholes_layer
    assert reference is not None
    place = f"{key}.manholes_layer"
    features = reading.layers.features(reference, place, wanted="point")
    spots = []
    for field in (reference.id_field, reference.main_field):
        if features and field is not None and field not in features[0].attributes:
            reading.report.site("id-field-missing", place, field, "The layer has no such column.",
                                guess(field, features[0].attributes))  # fmt: skip
            return []
    for feature in features:
        owner = feature.attributes.get(reference.main_field) if reference.main_field else None
        if reference.main_field and str(owner).strip() not in (table.id, table.feature):
            continue
        shape = reading.in_grid(feature.shape, feature.crs, place)
        if shape is None:
            continue
        point = shapely.Point(frame.from_grid_m(shapely.get_coordinates(shape)[0]))
        name = str(feature.attributes[reference.id_field]).strip()
        if line.distance(point) > OFF_LINE_M:
            if reference.main_field:
                reading.report.note("manhole-off-main",
                                    f"Manhole {name} lies "
                                    f"{reading.report.say(line.distance(point))} off main "
                                    f"{table.id} and is left out.", place,
                                    needs_person=True)  # fmt: skip
            continue
        spots.append(_Spot(name, float(line.project(point)), None))
    return spots


# ----------------------------------------------------------------------------------- inverts


def _above_slab(reading: Reading, elevation_m: float | None, key: str) -> float | None:
    """Take an elevation in the main's datum to one above the slab; needs the levelled tie."""
    if elevation_m is None:
        return None
    slab_m = reading.file.site.slab_elevation
    if slab_m is None and "site.slab_elevation" in reading.report.cut_keys:
        return None
    if slab_m is None:
        reading.report.site(
            "slab-elevation-missing", key, None,
            "This is an elevation in the main's datum, and the slab's is not given.",
            "write site.slab_elevation (levelled from a manhole rim or a benchmark), or give the "
            "main's depth below the street instead.",
        )  # fmt: skip
        return None
    return elevation_m - slab_m


def _level(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, *, spots: tuple[_Spot, ...],
    street: Street, middle_m: float,
) -> _Level | None:  # fmt: skip
    """Find what is known of the main's inverts; None with the faults gathered."""
    report = reading.report
    pair = (table.invert_upstream, table.invert_downstream)
    given = [table.invert is not None, table.depth is not None, pair != (None, None)]
    if sum(given) > 1 or (given[2] and None in pair):
        report.site(
            "invert-source",
            f"{key}.invert",
            None,
            "The main's invert must be given in one way.",
            "write invert, or depth, or invert_upstream with invert_downstream.",
        )
        return None
    slab_sd_m = reading.file.site.slab_elevation_sd or SLAB_SD_M
    sd_m = math.hypot(table.invert_sd or INVERT_SD_M, slab_sd_m)
    ground_m = street.ground_elevation_m
    knots = [(spot.station_m, spot.invert_m) for spot in spots if spot.invert_m is not None]
    if given[2]:
        ends = [_above_slab(reading, value, f"{key}.{name}")
                for value, name in zip(pair, ("invert_upstream", "invert_downstream"),
                                       strict=True)]  # fmt: skip
        if ends[0] is None or ends[1] is None:
            return None
        if ends[0] < ends[1]:
            report.site("invert-reversed", f"{key}.invert_upstream", None,
                        "The upstream invert is lower than the downstream one.",
                        "swap them, or correct the numbers.")  # fmt: skip
            return None
        taped = table.layer is None and len(spots) > 1
        stations = (spots[0].station_m, spots[-1].station_m) if taped else (0.0, line.length)
        knots.extend(zip(stations, (ends[0], ends[1]), strict=True))
    elif given[0]:
        invert_m = _above_slab(reading, table.invert, f"{key}.invert")
        if invert_m is None:
            return None
        knots.append((middle_m, invert_m))
    elif table.depth is not None:
        knots.append((middle_m, ground_m - table.depth))
        sd_m = math.hypot(table.invert_sd or INVERT_SD_M, street.ground_elevation_sd_m)
    elif not knots:
        report.note("invert-assumed",
                    f"Main {table.id}: its depth is not known; {report.say(DEPTH_M)} below "
                    f"the street is "
                    f"assumed (give or take {report.say(UNKNOWN_SD_M)}).", f"{key}.invert",
                    needs_person=True)  # fmt: skip
        return _Level(((middle_m, ground_m - DEPTH_M),), UNKNOWN_SD_M, known=False)
    return _checked(reading, table, key, _Level(tuple(sorted(knots)), sd_m, known=True), ground_m)


def _checked(
    reading: Reading, table: MainTable, key: str, level: _Level, ground_m: float
) -> _Level | None:
    """Fault inverts that lie above the street or far too deep: a slip of unit or datum."""
    for _, invert_m in level.knots:
        depth_m = ground_m - invert_m
        if not SHALLOWEST_M <= depth_m <= DEEPEST_M:
            field = "depth" if table.depth is not None else "invert"
            reading.report.site(
                "invert-absurd", f"{key}.{field}", None,
                f"The main {table.id} would lie {reading.report.say(depth_m)} below the street.",
                "check unit and datum: write depth as in \"9 ft\"; inverts and "
                "site.slab_elevation must be in the same datum.",
            )  # fmt: skip
            return None
    return level


def _inverts_at(level: _Level, stations: Array) -> Array:
    """Interpolate the known inverts; past them the nearest slope goes on, downward."""
    at, inverts = (np.array(column) for column in zip(*level.knots, strict=True))
    keep = np.concatenate([[True], np.diff(at) > 0.5])
    at, inverts = at[keep], inverts[keep]
    if len(at) == 1:
        return np.asarray(inverts[0] - SLOPE * (stations - at[0]))
    slopes = np.diff(inverts) / np.diff(at)
    inside = np.interp(stations, at, inverts)
    before = np.minimum(stations - at[0], 0.0) * slopes[0]
    after = np.maximum(stations - at[-1], 0.0) * slopes[-1]
    return np.asarray(inside + before + after)


# ---------------------------------------------------------------------------------- assembly


def _assemble(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, *, spots: tuple[_Spot, ...],
    level: _Level, street: Street, lot: Lot,
) -> Main:  # fmt: skip
    """Cut the line to the block and its manholes, and write the inverts at its vertices."""
    low_m, high_m = _range(line, lot, spots)
    vertices = [float(line.project(shapely.Point(xy))) for xy in shapely.get_coordinates(line)]
    knots = [station for station, _ in level.knots] + [spot.station_m for spot in spots]
    wanted = [low_m, *(s for s in (*vertices, *knots) if low_m < s < high_m), high_m]
    stations = np.unique(np.round(wanted, 6))
    stations = stations[np.concatenate([[True], np.diff(stations) > 0.01])]
    points = shapely.get_coordinates(shapely.line_interpolate_point(line, stations))
    placed = tuple(
        Manhole(spot.id, float(place[0]), float(place[1]), spot.station_m - low_m, spot.invert_m)
        for spot in spots
        for place in [line.interpolate(spot.station_m).coords[0]]
    )  # fmt: skip
    taps = _taps(reading, table, key, placed, high_m - low_m)
    source = "layer" if table.layer is not None else "offset"
    return Main(
        table.id, street.name, street.side, street.kind, points, _inverts_at(level, stations),
        level.sd_m, level.known, table.diameter or DIAMETER_M, placed, taps,
        table.line_sd or LINE_SD_M[source],
    )  # fmt: skip


def _range(line: BaseGeometry, lot: Lot, spots: tuple[_Spot, ...]) -> tuple[float, float]:
    """Give the stations between which the line is near the lot or holds a manhole."""
    parts = shapely.get_parts(shapely.intersection(line, lot_window(lot)))
    land = shapely.Polygon(lot.vertices)
    piece = min(parts, key=lambda part: (part.distance(land), -part.length))
    stations = [float(line.project(shapely.Point(xy))) for xy in shapely.get_coordinates(piece)]
    stations += [spot.station_m for spot in spots]
    return min(stations), max(stations)


def _taps(
    reading: Reading, table: MainTable, key: str, manholes: tuple[Manhole, ...], length_m: float
) -> tuple[float, ...]:
    """Station the known taps: distance from a manhole, positive with the flow."""
    stations = []
    by_id = {manhole.id: manhole for manhole in manholes}
    for number, tap in enumerate(table.taps, start=1):
        place = f"{key}.taps[{number}]"
        manhole = by_id.get(tap.manhole)
        if manhole is None:
            reading.report.site(
                "manhole-unknown",
                f"{place}.manhole",
                tap.manhole,
                "This main has no such manhole.",
                guess(tap.manhole, by_id),
            )
        elif not 0.0 <= manhole.station_m + tap.distance <= length_m:
            reading.report.site(
                "tap-off-main",
                f"{place}.distance",
                None,
                "This tap lies past the end of the main.",
                "distances are positive with the flow, negative against it.",
            )
        else:
            stations.append(manhole.station_m + tap.distance)
    return tuple(sorted(stations))
