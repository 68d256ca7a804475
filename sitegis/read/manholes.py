"""The manholes of a main and the known taps, by their station with the flow."""

from __future__ import annotations

import shapely
from shapely.geometry.base import BaseGeometry

from ..geometry.frames import LotFrame
from ..model.lengths import signed_length
from ..model.site import Manhole, Street
from .context import Reading
from .faults import guess
from .inverts import Station, above_slab
from .layers.features import Feature as LayerFeature
from .schema import MainTable

# records of mains and manholes miss each other by so much; judgment, no source
OFF_LINE_M = 3.0


def place_manholes(
    reading: Reading,
    table: MainTable,
    key: str,
    line: BaseGeometry,
    *,
    frame: LotFrame,
    street: Street,
) -> tuple[Station, ...]:
    """Return the manholes with stations on the full line, upstream first.

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
    street
        The street it lies in.

    Returns
    -------
    tuple[Station, ...]
        The manholes without faults.
    """
    manholes = [*_taped_manholes(reading, table, key, line, street)]
    if table.manholes_layer is not None:
        manholes.extend(_layer_manholes(reading, table, key, line, frame))
    seen: set[str] = set()
    for spot in manholes:
        if spot.id in seen:
            reading.report.fault("id-twice:manhole", f"{key}.manholes", spot.id)
        seen.add(spot.id)
    return tuple(sorted(manholes, key=lambda spot: spot.station_m))


def _taped_manholes(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, street: Street
) -> list[Station]:
    """Station manholes given by their offset along from the foot of the front-left corner."""
    foot_m = float(line.project(shapely.Point(0.0, 0.0)))
    # offsets along run to the right or to the rear: along x at
    # front and rear, along y at the sides
    axis = 0 if street.side in ("front", "rear") else 1
    before = line.interpolate(max(foot_m - 1.0, 0.0))
    after = line.interpolate(min(foot_m + 1.0, line.length))
    # whether the line, with the flow, runs that way or against it
    step = (after.x - before.x, after.y - before.y)[axis]
    sign = 1.0 if step >= 0 else -1.0
    manholes = []
    for number, manhole in enumerate(table.manholes, start=1):
        station_m = foot_m + sign * manhole.offset_along
        place = f"{key}.manholes[{number}]"
        if not -OFF_LINE_M <= station_m <= line.length + OFF_LINE_M:
            reading.report.fault("manhole-off-main", f"{place}.offset_along", manhole.id)
            continue
        invert_m = above_slab(reading, manhole.invert, f"{place}.invert")
        rim_m = above_slab(reading, manhole.rim, f"{place}.rim")
        # a hair past the end is at the end
        manholes.append(Station(manhole.id, min(max(station_m, 0.0), line.length), invert_m, rim_m))
    return manholes


def _layer_manholes(
    reading: Reading, table: MainTable, key: str, line: BaseGeometry, frame: LotFrame
) -> list[Station]:
    """Station the manholes of a layer that belong to this main."""
    reference = table.manholes_layer
    assert reference is not None
    place = f"{key}.manholes_layer"
    features = reading.layers.features(reference, place, wanted="point")
    manholes = []
    named = (reference.id_field, reference.main_field, reference.rim_field, reference.invert_field)
    for field in named:
        if features and field is not None and field not in features[0].attributes:
            reading.report.fault(
                "id-field-missing:several-features",
                place,
                field,
                known=guess(field, features[0].attributes),
            )
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
        # named for this main it is told; of others the layer may hold any
        if line.distance(point) > OFF_LINE_M:
            if reference.main_field:
                reading.report.note(
                    "manhole-off-main",
                    place,
                    name=name,
                    distance_m=line.distance(point),
                    id=table.id,
                )
            continue
        invert_m, rim_m = (
            _level(reading, feature, field, place)
            for field in (reference.invert_field, reference.rim_field)
        )
        manholes.append(Station(name, float(line.project(point)), invert_m, rim_m))
    return manholes


def _level(reading: Reading, feature: LayerFeature, field: str | None, place: str) -> float | None:
    """Take a column's elevation, a number in the site's units, above the slab; None if empty."""
    value = None if field is None else feature.attributes.get(field)
    if value is None or not str(value).strip():
        return None
    try:
        elevation_m = signed_length(value, reading.file.site.units)
    except ValueError as error:
        reading.report.fault(
            "length-unreadable",
            f"{place}.{field}",
            str(value),
            reason=str(error),
            unit=reading.file.site.units,
        )
        return None
    return above_slab(reading, elevation_m, place)


def make_taps(
    reading: Reading, table: MainTable, key: str, manholes: tuple[Manhole, ...], length_m: float
) -> tuple[float, ...]:
    """Station the known taps: distance from a manhole, positive with the flow.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    table
        One ``[[main]]`` table.
    key
        Dotted key of ``site.toml``.
    manholes
        Manholes of the main.
    length_m
        Length of the main, m.

    Returns
    -------
    tuple[float, ...]
        Stations, m.
    """
    stations = []
    by_id = {manhole.id: manhole for manhole in manholes}
    for number, tap in enumerate(table.taps, start=1):
        place = f"{key}.taps[{number}]"
        manhole = by_id.get(tap.manhole)
        if manhole is None:
            reading.report.fault(
                "manhole-unknown", f"{place}.manhole", tap.manhole, known=guess(tap.manhole, by_id)
            )
        elif not 0.0 <= manhole.station_m + tap.distance <= length_m:
            reading.report.fault("tap-off-main", f"{place}.distance", None)
        else:
            stations.append(manhole.station_m + tap.distance)
    return tuple(sorted(stations))
