"""Mutations of geometry: in the layers, and in the shapes that ``site.toml`` describes."""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import fiona
import fiona.errors
import geopandas
import numpy as np
import shapely
import shapely.errors

from sitegis.read.faults import Report
from sitegis.read.layers.geopackage import is_sound_geopackage

from .toml_text import tree, write_tree

Array = np.ndarray
Shape = shapely.geometry.base.BaseGeometry
UNMADE = (
    fiona.errors.FionaError,
    fiona.errors.FionaValueError,
    fiona._err.CPLE_BaseError,
    shapely.errors.ShapelyError,
    ValueError,
    TypeError,
)
Change = Callable[[geopandas.GeoDataFrame], geopandas.GeoDataFrame]
TARGETS = ("EPSG:4326", "EPSG:3857", "EPSG:2154", "EPSG:3031", "EPSG:32601", "EPSG:4978")


def gpkg(folder: Path) -> Path | None:
    return next(iter(sorted(folder.glob("layers/*.gpkg"))), None)


def rewrite(
    folder: Path,
    random: Random,
    change: Change,
    *,
    every: bool = False,
) -> None:
    """Write the layers again, one (or every one) of them changed."""
    path = gpkg(folder)
    if path is None or path.is_symlink() or not path.is_file():
        return
    if not is_sound_geopackage(path, path.name, "layer", Report()):
        return  # spoiled byte by byte before: GDAL would take this process down with it
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            names = fiona.listlayers(str(path))
            frames = {n: geopandas.read_file(path, layer=n, engine="fiona") for n in names}
        except UNMADE:
            return  # an earlier mutation spoiled the file itself
        chosen = names if every or not names else [random.choice(names)]
        path.unlink()
        for name, frame in frames.items():
            # what GEOS does not even make or GDAL not write is left half written
            with contextlib.suppress(*UNMADE):
                made = change(frame) if name in chosen else frame
                made.to_file(path, layer=name, driver="GPKG", engine="fiona")


def _coordinates_moved(shape: Shape, random: Random) -> Shape:
    """Spoil the coordinates of a geometry in one way."""
    count = len(shapely.get_coordinates(shape))
    how = random.randrange(10)

    def moved(xy: Array) -> Array:
        xy = np.array(xy)
        i, j = random.randrange(count), random.randrange(count)
        if how == 0:
            xy[[i, j]] = xy[[j, i]]
        elif how == 1:
            xy[i] = xy[j]
        elif how == 2:
            xy[:] = xy[0]
        elif how == 3:
            xy[:, 1] = xy[0, 1]
        elif how == 4:
            xy = xy[:, ::-1].copy()
        elif how == 5:
            xy[i] += [random.choice((1e-9, 1e3, 1e7, 1e15)), random.choice((0, -1e3, 1e12))]
        elif how == 6:
            xy[i] = [1e300, -1e300]
        elif how == 7:
            xy = xy[0] + (xy - xy[0]) * random.choice((1e-6, 1e-3, 0.3048, 3.28, 100.0, -1.0))
        elif how == 8:
            turn = random.uniform(0, 6.28)
            rotation = np.array(
                [[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]]
            )
            xy = xy[0] + (xy - xy[0]) @ rotation
        else:
            xy += [random.choice((5.0, 50.0, 1e4, -1e7)), random.choice((5.0, -30.0, 1e6))]
        if shape.geom_type == "Polygon":
            xy[-1] = xy[0]
        return xy

    return shapely.transform(shape, moved)


def _other_kind(shape: Shape, random: Random) -> Shape | None:
    """Return another kind of geometry, or a harmless twin."""
    xy = shapely.get_coordinates(shape)
    closed = np.vstack([xy, xy[:1]])
    choices: tuple[Callable[[], Shape | None], ...] = (
        lambda: None,
        shapely.Point,
        shapely.Polygon,
        lambda: shapely.LineString(xy if len(xy) > 1 else np.vstack([xy, xy])),
        lambda: shapely.Point(xy[0]),
        lambda: shapely.MultiPoint(xy),
        lambda: shapely.GeometryCollection([shape, shapely.Point(xy[0])]),
        lambda: shapely.force_3d(shape, 7.0),
        lambda: shapely.force_3d(shape, math.nan),
        lambda: (
            shapely.MultiPolygon([shape, shapely.affinity.translate(shape, 500, 0)])
            if shape.geom_type == "Polygon"
            else shapely.MultiLineString([xy, xy + 100.0])
            if len(xy) > 1
            else shape
        ),
        lambda: (
            shapely.Polygon(closed, [xy.mean(axis=0) + np.array([[0, 0], [1, 0], [0, 1]])])
            if len(xy) > 2
            else shape
        ),
        lambda: shape.buffer(random.choice((0.001, 1.0, -1.0, 30.0))),
        lambda: shapely.segmentize(shape, random.choice((5.0, 0.05))),
        lambda: shapely.reverse(shape),
        lambda: shape.envelope,
        lambda: shape.convex_hull,
    )
    return random.choice(choices)()


def layer_coordinates(folder: Path, random: Random) -> None:
    """Spoil coordinates of one layer: crossed, doubled, collapsed, far, swapped, not finite."""

    def change(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
        shapes = [
            _coordinates_moved(s, random) if s is not None and not s.is_empty else s
            for s in frame.geometry
        ]
        return frame.set_geometry(geopandas.GeoSeries(shapes, index=frame.index, crs=frame.crs))

    rewrite(folder, random, change)


def layer_kind(folder: Path, random: Random) -> None:
    """Change geometries to other kinds: none, empty, points, many parts, heights, holes."""

    def change(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
        shapes = [
            None if s is None or s.is_empty else _other_kind(s, random) for s in frame.geometry
        ]
        return frame.set_geometry(geopandas.GeoSeries(shapes, index=frame.index, crs=frame.crs))

    rewrite(folder, random, change)


def layer_crs(folder: Path, random: Random) -> None:
    """State another CRS, none, or move the layer into one."""
    target = random.choice(TARGETS)
    moved = random.random() < 0.4

    def change(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
        if random.random() < 0.15:
            return frame.set_crs(None, allow_override=True)
        return frame.to_crs(target) if moved else frame.set_crs(target, allow_override=True)

    rewrite(folder, random, change, every=random.random() < 0.5)


def layer_rows(folder: Path, random: Random) -> None:
    """Drop or double features, empty a layer, or change its columns."""
    how = random.randrange(5)

    def change(frame: geopandas.GeoDataFrame) -> geopandas.GeoDataFrame:
        if how == 0:
            return frame.iloc[1:]
        if how == 1:
            return geopandas.GeoDataFrame(geopandas.pd.concat([frame] * 3), crs=frame.crs)
        if how == 2:
            return frame.iloc[:0]
        name = frame.columns[0]
        if how == 3:
            return frame.rename(columns={name: random.choice(("x", "ID", 'a"b', "select"))})
        frame[name] = random.choice((None, 1, 1.5, "", "<b>'\"", frame[name].iloc[0]))
        return frame

    rewrite(folder, random, change)


def layer_bytes(folder: Path, random: Random) -> None:
    """Change bytes of a layer file, cut it short, or put another kind of file in its place."""
    path = gpkg(folder)
    raw = bytearray(path.read_bytes()) if path is not None and path.is_file() else bytearray()
    if path is None or not raw:
        return
    how = random.randrange(4)
    if how == 0:
        del raw[random.randrange(len(raw)) :]
    elif how == 1:
        for _ in range(random.choice((1, 20, 2000))):
            raw[random.randrange(len(raw))] = random.randrange(256)
    elif how == 2:
        raw = bytearray(random.choice((b"", b"PK\3\4", b"SQLite format 3\0", b"{}", b"<xml/>")))
    else:
        raw = bytearray(random.randbytes(4096))
    path.unlink()
    path.write_bytes(raw)


def lot_described(folder: Path, random: Random) -> None:
    """Describe the lot by sides, calls or a place on earth that cannot be."""
    value = tree(folder)
    if value is None or not isinstance(value.get("lot"), dict):
        return
    size = random.choice((1e-6, 0.5, 15.0, 40.0, 3000.0, 9e4))
    places = (
        (180.0, 0.0), (179.9999, -16.5), (-180.0, 65.0), (-87.5, 90.0), (0.0, -90.0), (-87.5, 84.5),
        (41.2, -87.5), (-87.5, -41.2), (0.0, 0.0), (361.0, 41.0), (-87.5, 95.0), (-93.4, 42.0),
        (1e300, 1e300), (-149.9, 61.2), (5.0, 72.0),
    )  # fmt: skip
    longitude, latitude = random.choice(places)
    lot: dict[str, Any] = {"longitude": longitude, "latitude": latitude}
    how = random.randrange(5)
    if how <= 1:
        lot["sides"] = {
            "front": size,
            "right": random.choice((size, 30.0, 38.0)),
            "rear": random.choice((size, 0.01)),
            "left": random.choice((size, 38.0)),
        }
        lot["front_azimuth"] = random.choice((0.0, 90.0, 359.999999, 84.2, 180.0))
    elif how == 2:
        turns = random.sample((0.0, 90.0, 180.0, 270.0, 10.0, 200.0), random.choice((3, 4, 5)))
        sides = ("front", "right", "rear", "left", "left")
        lot["calls"] = [
            {"bearing": t, "distance": size, "side": s} for t, s in zip(turns, sides, strict=False)
        ]
    elif how == 3:
        lot["calls"] = [
            {"bearing": 90.0, "distance": 12.2, "side": "front"},
            {
                "radius": size,
                "arc": random.choice((0.001, 10.0, 1000.0)),
                "turn": "left",
                "chord_bearing": random.uniform(0, 360),
                "side": "right",
            },
            {"bearing": 270.0, "distance": 12.2, "side": "rear"},
            {"bearing": 180.0, "distance": 36.0, "side": "left"},
        ]
    else:
        lot = {
            **value["lot"],
            "second_corner": {
                "corner": random.choice(("front-left", "front-right", "rear-left", "x")),
                "longitude": longitude,
                "latitude": latitude,
            },
        }
    value["lot"] = lot
    if random.random() < 0.5 and isinstance(value.get("site"), dict):
        value["site"].pop("crs", None)
    write_tree(folder, value)


def building_described(folder: Path, random: Random) -> None:
    """Describe the building by corners or setbacks that cannot be."""
    value = tree(folder)
    if value is None:
        return
    rings = (
        [[2, 7], [10, 18], [10, 7], [2, 18]],
        [[2, 7], [2, 7], [2, 7]],
        [[2, 7], [10, 7], [6, 7]],
        [[2, 7], [2, 18], [9, 18], [9, 7]],
        [[2, 7], [9, 7], [9, 18], [2, 18], [2, 7]],
        [[2, 7], [9, 7], [9, 7], [9, 18], [2, 18]],
        [[-900, 7], [900, 7], [900, 800], [-900, 800]],
        [[500, 700], [509, 700], [509, 718], [500, 718]],
        [[2, 7], [2.01, 7], [2.01, 7.01]],
        [[2, 7], [9, 7], [9, 18], [5, 18], [5, 8], [4.99, 8], [4.99, 18], [2, 18]],
        [[2, 7], [9, 7], [9, 18], [5.5, 7.0000001], [2, 18]],
    )
    how = random.randrange(3)
    old = value.get("building") if isinstance(value.get("building"), dict) else {}
    building: dict[str, Any] = {"wall_thickness": random.choice((0.3, 0.3, 1e-9, 4.0, 900.0))}
    if how == 0:
        scale = random.choice((1.0, 3.28, 0.01))
        building["corners"] = [[x * scale, y * scale] for x, y in random.choice(rings)]
    elif how == 1:
        building |= {
            "setbacks": {"front": random.choice((6.0, -5.0, 1e4)), "left": 1.5},
            "width": random.choice((7.0, 1e-6, 900.0, 20.0)),
            "depth": 11.0,
            "rotation": random.choice((0.0, 45.0, 180.0, -359.0)),
        }
    else:
        building = {**(old or {}), **building, "position_sd": random.choice((1e-9, 1.0, 99.0))}
    value["building"] = building
    write_tree(folder, value)


def things_around(folder: Path, random: Random) -> None:
    """Add keep-outs, easements, ground spots, rooms, walls and mains that cannot be."""
    value = tree(folder)
    if value is None:
        return
    ring = random.choice(
        (
            [[0, 0], [10, 10], [10, 0], [0, 10]],
            [[1, 1], [1, 1], [1, 1]],
            [[0, 0], [1, 0], [2, 0]],
            [[-500, -500], [500, -500], [500, 500], [-500, 500]],
            [[3, 3], [3.001, 3], [3, 3.001]],
            [[3, 3], [9, 3], [9, 9], [3, 3]],
        )
    )
    point = random.choice((f"L{random.randrange(9)}", "CO1", "nobody"))
    tables: tuple[tuple[str, dict[str, Any]], ...] = (
        ("easement", {"id": "E", "points": ring}),
        ("keep_out", {"id": "K", "points": ring, "clearance": random.choice((0, 1, 1e4))}),
        ("keep_out", {"id": "K", "points": [random.choice(ring)], "clearance": 0}),
        (
            "ground",
            {
                "x": 1,
                "y": 1,
                "above_slab": random.choice((-900, 0, 2, 900)),
                "sd": random.choice((1e-9, 0.1, 1e4)),
            },
        ),
        (
            "room",
            {
                "id": "R9",
                "name": "<b>",
                "origin": [random.choice((0, 5, 1e4)), 2],
                "origin_sd": random.choice((1e-9, 1.0, 1e3)),
                "x_toward": 33.3,
            },
        ),
        ("room", {"id": "R9"}),
        (
            "wall",
            {
                "point": point,
                "side": random.choice(("front", "left", "rear", "right")),
                "thickness": random.choice((0.001, 0.3, 50)),
                "sd": random.choice((1e-9, 0.1)),
            },
        ),
        (
            "main",
            {
                "id": "M9",
                "street": random.choice(("x", "Invented First Street", "Invented Elm Street")),
                "offset": random.choice((-50, 0, 5, 1e4)),
                "depth": random.choice((-5, 0.01, 3, 900)),
                "flow_toward": "left",
            },
        ),
        ("street", {"name": "S9", "side": "front", "row_width": random.choice((0.01, 15, 1e4))}),
        (
            "evidence",
            {
                "kind": "outdoor_locate",
                "x": random.choice((0, 5, -9e4)),
                "y": 3,
                "depth": random.choice((0, 30, 9e4)),
                "sd": random.choice((1e-9, 0.3, 1e4)),
            },
        ),
        (
            "evidence",
            {
                "kind": "cable_to_main",
                "count": random.choice((1e-6, 20, 120, 9e4)),
                "sd": random.choice((1e-9, 1)),
            },
        ),
        (
            "evidence",
            {"kind": "surface_sign", "x": 3, "y": 3, "radius": random.choice((1e-9, 1, 9e4))},
        ),
        (
            "evidence",
            {"kind": "cleanout_outside", "x": 3, "y": random.choice((-3, 300)), "sd": 1e-9},
        ),
        (
            "evidence",
            {
                "kind": "camera_note",
                "count": random.choice((0, 30, 9e4)),
                "saw": random.choice(("turn-left", "flowing-pipe", "material-change")),
            },
        ),
        (
            "evidence",
            {
                "kind": "tap_record",
                "main": "front-main",
                "manhole": "MH-1",
                "distance": random.choice((-9e4, 0, 30, 9e4)),
                "sd": 1e-9,
            },
        ),
        (
            "evidence",
            {
                "kind": "main_inspection",
                "main": "front-main",
                "manhole": "MH-2",
                "taps": random.choice(([], [0], [1] * 900, [5, -9e4])),
            },
        ),
        (
            "fixture",
            {
                "id": "F9",
                "kind": "water-closet",
                "room": random.choice(("basement", "laundry")),
                "x": random.choice((1, -9e4)),
                "y": 1,
            },
        ),
    )
    for _ in range(random.choice((1, 1, 3))):
        name, table = random.choice(tables)
        if isinstance(value.setdefault(name, []), list):
            value[name] += [table] * random.choice((1, 1, 1, 40))
    write_tree(folder, value)


def settings_wild(folder: Path, random: Random) -> None:
    """Set noise, priors, costs and dig settings to their extremes."""
    value = tree(folder)
    if value is None:
        return

    def some(*choices: float) -> float:
        return random.choice(choices)

    tables: dict[str, dict[str, Any]] = {
        "noise": {
            "horizontal_floor": some(1e-9, 0.1, 50),
            "depth_floor": some(1e-9, 0.1, 50),
            "horizontal_share": some(0, 0.05, 1),
            "depth_share": some(0, 0.05, 1),
            "session_depth_scale": some(0, 0.05, 1),
            "session_horizontal": some(0, 0.1, 90),
            "tape_floor": some(1e-9, 0.01, 9),
            "tape_share": some(0, 1),
            "degrees_of_freedom": some(1, 4, 1000),
            "footage_share": some(0, 1),
            "footage_floor": some(1e-9, 0.1, 99),
        },
        "prior": {
            "front": some(0, 1, 1e6),
            "rear": some(0, 1e-300),
            "alley": some(0, 1),
            "side": some(0, 1),
            "side_yard": some(0, 1e6),
            "unlisted": some(0, 1e-9, 1),
        },
        "cost": {
            "setup": some(0, 450, 1e9),
            "per_m3": some(0, 1e9),
            "currency": "XXX",
            "surface": {"lawn": some(0, 1e9), "moon": 3},
        },
        "dig": {
            "pit_length": some(1e-6, 1.2, 900),
            "pit_width": some(1e-6, 0.9, 900),
            "cell": some(0.06, 0.25, 2.0),
            "tolerance": some(0, 0.6, 900),
            "building_setback": some(0, 900),
            "max_depth": some(1e-6, 4.5, 900),
        },
    }
    name = random.choice(list(tables))
    keys = random.sample(list(tables[name]), random.choice((1, len(tables[name]))))
    value[name] = {key: tables[name][key] for key in keys}
    write_tree(folder, value)


MUTATIONS = (
    layer_coordinates, layer_coordinates, layer_kind, layer_crs, layer_rows, layer_bytes,
    lot_described, lot_described, building_described, things_around, things_around, things_around,
    settings_wild, settings_wild,
)  # fmt: skip
