"""Do the parts of a description suit each other? Heights against heights, directions, the earth.

Each check holds two inputs against each other that a blunder sets apart and nothing else does, with
a tolerance that ordinary ground and streets keep. All tolerances are judgment, no source.
"""

from __future__ import annotations

import math

import numpy as np
import shapely
from pyproj import CRS, Geod

from ..geometry import polyline
from ..geometry.frames import Array, LotFrame
from ..model.site import Building, Lot, Main, Street
from .context import Reading
from .streets import Level

HOUSE_BELOW_M, HOUSE_ABOVE_M = 1.0, 2.5
"""A yard may lie so far below every street, and above: houses stand on banks, seldom in holes."""
SLAB_SHALLOW_M, SLAB_DEEP_M = 0.0, 3.6
"""A basement's slab lies below the yard, by less than a floor and a half."""
SEA_APART_M, OTHER_DATUM_M = 1.5, 30.0
"""Ground by the slab's elevation and by the sea's may differ so; past the second the datums do."""
RIM_APART_M, RIM_SLOPE = 0.9, 0.03
"""A cover lies at the street's ground but for the street's own fall on the way to it."""
MAIN_DEEP_M, MAIN_SHALLOW_M = 4.6, 1.2
"""Sanitary mains lie mostly within these depths of their invert (15 ft and 4 ft)."""
TURNED_DEG = 7.0
"""A typed front line and a layer's street or house differ by less."""
SIDE_APART_M = 3.0
"""A main lies nearer its own side of the lot, or not so much farther from it."""
IN_LOT_M = 2.0
"""A main on record in a street runs no further than this inside a lot."""
AREA_MARGIN_DEG = 0.5
PLACE_APART_M = 250.0


def check_levels(
    reading: Reading, level: Level, streets: tuple[Street, ...], mains: tuple[Main, ...], lot: Lot
) -> None:
    """Note heights that do not suit each other: yard, streets, slab, sea, covers and mains.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    level
        Elevation of the slab in the main's datum, where it is known.
    streets
        The streets.
    mains
        The mains.
    lot
        The lot, its ring (n, 2).
    """
    _yard_and_streets(reading, level)
    _slab_and_yard(reading, level)
    _slab_and_sea(reading, level)
    by_name = {street.name: street for street in streets}
    _covers(reading, by_name, mains, lot)
    _depths_of_mains(reading, by_name, mains, lot)


def _yard_and_streets(reading: Reading, level: Level) -> None:
    """Hold the yard at the house against the ground of all streets."""
    streets = [s for s in reading.file.street if s.ground_above_slab is not None]
    if level.assumed or not streets:
        return
    shown = reading.report.format
    # each street against the yard
    above = [float(s.ground_above_slab or 0.0) - level.elevation_m for s in streets]
    lowest, highest = min(above), max(above)
    # only where all streets agree: one may well lie on a bank
    if lowest > HOUSE_BELOW_M or highest < -HOUSE_ABOVE_M:
        lower = lowest > HOUSE_BELOW_M
        reading.report.note(
            "yard-against-streets",
            "site.ground_above_slab",
            yard_m=level.elevation_m,
            off_m=lowest if lower else -highest,
            text="lower" if lower else "higher",
            streets=", ".join(
                f"{street.name} {shown(float(street.ground_above_slab or 0.0))}"
                for street in streets
            ),
        )


def _slab_and_yard(reading: Reading, level: Level) -> None:
    """Hold the slab against the yard: a basement's lies below it, by one floor or so."""
    if not level.assumed and not SLAB_SHALLOW_M < level.elevation_m < SLAB_DEEP_M:
        reading.report.note("slab-against-yard", "site.ground_above_slab", yard_m=level.elevation_m)


def _slab_and_sea(reading: Reading, level: Level) -> None:
    """Hold slab + yard against the elevation above the sea, where both may be of one datum."""
    site = reading.file.site
    if site.slab_elevation is None or site.elevation_above_sea is None:
        return
    ground_m = site.slab_elevation + level.elevation_m
    apart_m = ground_m - site.elevation_above_sea
    if SEA_APART_M < abs(apart_m) < OTHER_DATUM_M:
        reading.report.note(
            "slab-against-sea",
            "site.slab_elevation",
            ground_m=ground_m,
            sea_m=site.elevation_above_sea,
            apart_m=abs(apart_m),
            text="higher" if apart_m > 0 else "lower",
        )


def _covers(
    reading: Reading, streets: dict[str, Street], mains: tuple[Main, ...], lot: Lot
) -> None:
    """Hold the manholes' covers against the ground of their street."""
    off: list[tuple[float, str]] = []
    allowed = 0.0
    for main in mains:
        street = streets.get(main.street)
        if street is None:
            continue
        middle = lot.edge(main.side).mean(axis=0)
        for hole in main.manholes:
            if hole.rim_m is None:
                continue
            away_m = math.hypot(hole.x_m - float(middle[0]), hole.y_m - float(middle[1]))
            allowed = max(allowed, RIM_APART_M + RIM_SLOPE * away_m)
            off.append((hole.rim_m - street.ground_elevation_m, hole.id))
    if not off:
        return
    values = [value for value, _ in off]
    # the median: one cover misread is no matter of the slab
    middle_m = float(np.median(values))
    if abs(middle_m) > allowed:
        reading.report.note(
            "covers-against-streets",
            "site.slab_elevation",
            covers=", ".join(dict.fromkeys(name for _, name in off)),
            off_m=abs(middle_m),
            text="above" if middle_m > 0 else "below",
        )


def _depths_of_mains(
    reading: Reading, streets: dict[str, Street], mains: tuple[Main, ...], lot: Lot
) -> None:
    """Hold the recorded inverts against the streets: all too deep or too shallow is a blunder."""
    depths = {}
    for main in mains:
        street = streets.get(main.street)
        if main.invert_known and street is not None:
            middle = lot.edge(main.side).mean(axis=0)
            _, abreast_m, _ = polyline.line_locate_point(main.line, middle)
            invert_m = np.interp(abreast_m, polyline.stations(main.line), main.inverts_m)
            depths[main.id] = street.ground_elevation_m - float(invert_m)
    if not depths:
        return
    deep, shallow = min(depths.values()) > MAIN_DEEP_M, max(depths.values()) < MAIN_SHALLOW_M
    if deep or shallow:
        reading.report.note(
            "mains-against-streets",
            "main",
            mains=", ".join(f"{name} {reading.report.format(d)}" for name, d in depths.items()),
            text="deep" if deep else "shallow",
        )


# ---------------------------------------------------------------------------- directions, earth


def check_directions(
    reading: Reading,
    lot: Lot,
    building: Building,
    streets: tuple[Street, ...],
    mains: tuple[Main, ...],
) -> None:
    """Note a front, or a typed front line, that the layers' streets and house contradict.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    lot
        The lot, its ring (n, 2).
    building
        The building, its outline (n, 2) in the lot.
    streets
        The streets.
    mains
        The mains.
    """
    _mains_by_side(reading, lot, mains)
    if lot.source == "layer":
        return
    drawn = {t.id for t in reading.file.main if t.layer is not None}
    turns = {
        main.id: turn_deg(main.line, lot.edge(main.side)) for main in mains if main.id in drawn
    }
    if building.source == "layer":
        turns["the building"] = math.degrees(building.angle_rad)
    turned = {name: deg for name, deg in turns.items() if abs(deg) > TURNED_DEG}
    if turned:
        listed = ", ".join(f"{name} by {abs(deg):.0f}°" for name, deg in turned.items())
        reading.report.note("front-line-turned", "lot.front_azimuth", listed=listed)
    _in_the_lot(reading, lot, streets, [main for main in mains if main.id in drawn])


def _mains_by_side(reading: Reading, lot: Lot, mains: tuple[Main, ...]) -> None:
    """Note a main of a layer that lies nearer another side of the lot than its street's.

    Streets with a layer of their own are held against it where they are read.
    """
    drawn_streets = {table.name for table in reading.file.street if table.layer is not None}
    middles = {side: lot.edge(side).mean(axis=0) for side in dict.fromkeys(lot.sides)}
    for main in mains:
        if not main.drawn or main.street in drawn_streets or main.side not in middles:
            continue
        away = {
            side: round(float(polyline.line_locate_point(main.line, xy)[0]), 2)
            for side, xy in middles.items()
        }
        nearest = min(away, key=lambda side: away[side])
        if away[main.side] > away[nearest] + SIDE_APART_M:
            reading.report.note(
                "street-side", "main", name=main.street, side=main.side, nearest=nearest
            )


def turn_deg(line: Array, edge: Array) -> float:
    """Return the angle in [−90°, 90°) from a lot line to the straight of a line next to it.

    Parameters
    ----------
    line
        The line (v, 2), m.
    edge
        The lot line (2, 2), m.

    Returns
    -------
    float
        Angle, degrees.
    """
    _, _, nearest = polyline.line_locate_point(line, edge.mean(axis=0))
    start = int(nearest)
    along, other = edge[1] - edge[0], line[start + 1] - line[start]
    turn = math.atan2(other[1], other[0]) - math.atan2(along[1], along[0])
    # a line has no sense: into [−90°, 90°)
    return math.degrees((turn + math.pi / 2) % math.pi - math.pi / 2)


def _in_the_lot(reading: Reading, lot: Lot, streets: tuple[Street, ...], mains: list[Main]) -> None:
    """Note streets and mains of layers that lie inside a typed lot."""
    # mains run in lots where there are easements
    if reading.file.easement:
        return
    land = shapely.buffer(shapely.Polygon(lot.vertices), -IN_LOT_M)
    inside = [main.id for main in mains if shapely.LineString(main.line).intersects(land)]
    drawn = {t.name for t in reading.file.street if t.layer is not None}
    inside += [
        street.name
        for street in streets
        if street.name in drawn and shapely.Polygon(street.row).intersects(land)
    ]
    if inside:
        reading.report.note("street-in-lot", "lot", inside=", ".join(inside))


def check_place(reading: Reading, frame: LotFrame) -> None:
    """Note a lot outside the area of its CRS, or far from where its corner is said to lie.

    Parameters
    ----------
    reading
        The site file as validated, with layers, frame of lengths and report.
    frame
        The lot on the grid.
    """
    longitude, latitude = (float(v) for v in frame.to_lonlat(np.zeros(2)))
    beyond, name = beyond_area_deg(frame.crs, longitude, latitude)
    if beyond > AREA_MARGIN_DEG:
        reading.report.note(
            "lot-outside-crs",
            "site.crs",
            longitude=longitude,
            latitude=latitude,
            crs=frame.crs[:40],
            area=name[:120],
            beyond=beyond,
        )
    table = reading.file.lot
    if table.layer is None or table.longitude is None or table.latitude is None:
        return
    apart_m = apart_on_earth_m((longitude, latitude), (table.longitude, table.latitude))
    if apart_m > PLACE_APART_M:
        reading.report.note("lot-far-from-corner", "lot.longitude", apart=apart_m / 1000.0)


def beyond_area_deg(crs: str, longitude: float, latitude: float) -> tuple[float, str]:
    """Return how far outside the area that a CRS is made for a place lies, and that area's name.

    In degrees, below 0 inside; where the area is not on record, 0 and no name.

    Parameters
    ----------
    crs
        EPSG code or WKT of the grid.
    longitude
        Degrees east, WGS 84.
    latitude
        Degrees north, WGS 84.

    Returns
    -------
    away
        Degrees outside, below 0 inside.
    name
        Of the area, empty where it is not on record.
    """
    area = CRS.from_user_input(crs).area_of_use
    # an area across the antimeridian has its west beyond its east
    if area is None or area.bounds[0] >= area.bounds[2]:
        return 0.0, ""
    west, south, east, north = area.bounds
    beyond = max(west - longitude, longitude - east, south - latitude, latitude - north)
    return beyond, str(area.name)


def apart_on_earth_m(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return how far two places (longitude, latitude in degrees) lie apart, on a sphere.

    Parameters
    ----------
    one
        Longitude, latitude, degrees.
    other
        Longitude, latitude, degrees.

    Returns
    -------
    float
        Distance, m.
    """
    return float(Geod(a=6_371_000.0, b=6_371_000.0).inv(*one, *other)[2])
