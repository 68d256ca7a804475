"""Invents the marks of the fixtures: ``python -m tests.invent_fixtures`` writes them again.

Nothing here is real: no place, house, person or record. Each scenario states what is truly
under the floor; the marks are drawn from it with a receiver's noise (repeatability, one shared
depth scale and one shared shift a session, heavy tails), rounded as they would be written down.
The site files are written by hand; this module makes ``locates.csv``, the layers and the hidden
truth under ``tests/truth/``.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon

from sitegis.geometry.frames import LotFrame

Array = NDArray[np.float64]
FOOT_M = 0.3048
PROJECT = Path(__file__).parents[1]


@dataclass(frozen=True)
class Scenario:
    """What is truly there, in lot meters, and how it was marked.

    ``drain`` runs from the cleanout through the wall to the main; ``stops_m`` are cable counts
    at which the head was found. ``rooms`` maps an id to (origin in the lot, turn in degrees).
    ``room_of`` tells the room of a lot point.
    """

    name: str
    drain: Array
    wall_point: tuple[float, float]
    invert_start_m: float
    slope: float
    main: str
    way: str
    stops_m: tuple[float, ...]
    rooms: dict[str, tuple[tuple[float, float], float]]
    room_of: Callable[[Array], str]
    units: str
    extra_rows: tuple[dict[str, str], ...] = ()
    shared_points: tuple[tuple[str, tuple[float, float], tuple[str, ...]], ...] = ()
    seed: int = 0


def along(drain: Array, station_m: float) -> Array:
    """Return the point of a polyline at a station."""
    steps = np.hypot(*np.diff(drain, axis=0).T)
    stations = np.concatenate([[0.0], np.cumsum(steps)])
    return np.array([np.interp(station_m, stations, drain[:, axis]) for axis in (0, 1)])


def written(value_m: float, units: str, *, tape: bool) -> str:
    """Write a length as a person would: to a quarter inch or centimeter."""
    if units == "m":
        return f"{value_m:.2f}" if tape else f"{round(value_m * 1000, -1):.0f}"
    inches = value_m / 0.0254
    if not tape:
        return f"{round(inches * 2) / 2:g}"
    quarters = round(inches * 4)
    sign, quarters = ("-" if quarters < 0 else ""), abs(quarters)
    feet, rest = divmod(quarters, 48)
    whole, fraction = divmod(rest, 4)
    part = {0: "", 1: " 1/4", 2: " 1/2", 3: " 3/4"}[fraction]
    return f"{sign}{feet}' {whole}{part}\""


def in_room(scenario: Scenario, room: str, xy: Array) -> Array:
    """Take a lot point into a room's frame."""
    origin, turn_deg = scenario.rooms[room]
    turn = np.radians(turn_deg)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return np.asarray(matrix @ (np.asarray(xy) - np.asarray(origin)))


COLUMNS = ("id", "kind", "room", "x", "y", "depth", "footage", "surface", "note")


def marks(scenario: Scenario) -> list[dict[str, str]]:
    """Draw the rows of ``locates.csv`` from the truth."""
    generator = np.random.default_rng(scenario.seed)
    depth_scale = 1 + generator.normal(0, 0.03)
    shift = generator.normal(0, 0.03, 2)
    units = scenario.units
    rows: list[dict[str, str]] = []
    for number, station in enumerate(scenario.stops_m):
        true = along(scenario.drain, station)
        invert = scenario.invert_start_m - scenario.slope * station
        depth = -(invert + 0.025)
        is_cleanout = number == 0
        scale = max(0.06, 0.05 * depth)
        offset = generator.standard_t(4, 2) * scale / np.sqrt(2) + shift
        xy = true if is_cleanout else true + offset
        read = depth * depth_scale + generator.standard_t(4) * 0.02
        room = scenario.room_of(true)
        local = in_room(scenario, room, xy) + generator.normal(0, 0.006, 2)
        count = station * 1.004
        rows.append(
            {
                "id": "CO1" if is_cleanout else f"L{number}",
                "kind": "cleanout" if is_cleanout else "locate",
                "room": room,
                "x": written(local[0], units, tape=True),
                "y": written(local[1], units, tape=True),
                "depth": "" if is_cleanout else written(read, units, tape=False),
                "footage": f"{count / (FOOT_M if units == 'ft' else 1):.1f}",
                "surface": "slab",
                "note": "cleanout plug in the floor" if is_cleanout else "",
            }
        )
    for name, xy, rooms in scenario.shared_points:
        for room in rooms:
            local = in_room(scenario, room, np.array(xy)) + generator.normal(0, 0.006, 2)
            rows.append(
                {
                    "id": name,
                    "kind": "wall",
                    "room": room,
                    "x": written(local[0], units, tape=True),
                    "y": written(local[1], units, tape=True),
                    "note": "door jamb, measured from both rooms",
                }
            )
    return rows + [dict(row) for row in scenario.extra_rows]


def _feet(*pairs: tuple[float, float]) -> Array:
    return np.array(pairs, dtype=float) * FOOT_M


# Corner lot, 50' x 125'; house 26' x 44' at 8' from the left and 25' from the front line.
# The basement is split by a wall at 22' from the front wall (outside face), doorway in it.
CORNER = Scenario(
    name="corner-lot-alley",
    drain=_feet((24.0, 34.0), (24.0, 52.0), (20.0, 56.0), (20.0, 133.0)),
    wall_point=(20.0 * FOOT_M, 69.0 * FOOT_M),
    invert_start_m=-0.46,
    slope=0.0190,
    main="alley-main",
    way="direct",
    stops_m=tuple(np.array([0, 4.5, 9, 13.5, 17, 22, 26, 30, 34.5]) * FOOT_M),
    rooms={
        "front-room": ((9.0 * FOOT_M, 26.0 * FOOT_M), 0.0),
        "laundry": ((33.0 * FOOT_M, 68.0 * FOOT_M), 180.0),
    },
    room_of=lambda xy: "front-room" if xy[1] < 47.0 * FOOT_M else "laundry",
    units="ft",
    shared_points=(
        ("D1", (15.0 * FOOT_M, 47.0 * FOOT_M), ("front-room", "laundry")),
        ("D2", (18.0 * FOOT_M, 47.0 * FOOT_M), ("front-room", "laundry")),
    ),
    extra_rows=(
        {
            "id": "ST1",
            "kind": "stack",
            "room": "front-room",
            "x": "15' 0\"",
            "y": "7' 6\"",
            "surface": "slab",
            "note": "4 in cast-iron stack",
        },
        {
            "id": "FD1",
            "kind": "floor-drain",
            "room": "laundry",
            "x": "8' 3\"",
            "y": "12' 0\"",
            "surface": "slab",
            "note": "floor drain",
        },
    ),
    seed=11,
)

# Tape only: 40' x 120' lot, house 24' x 36' at 6' and 22'; drain to the front street.
TAPE = Scenario(
    name="tape-only",
    drain=_feet((20.0, 50.0), (20.0, 36.0), (17.5, 29.96), (17.5, -30.0)),
    wall_point=(17.5 * FOOT_M, 22.0 * FOOT_M),
    invert_start_m=-0.50,
    slope=0.0205,
    main="front-main",
    way="direct",
    stops_m=tuple(np.array([0, 4, 8, 12, 16, 20.5, 25]) * FOOT_M),
    rooms={"basement": ((7.0 * FOOT_M, 23.0 * FOOT_M), 0.0)},
    room_of=lambda _: "basement",
    units="ft",
    seed=23,
)

# Older house, 1911: out through the left wall, then down the side yard to the front street.
SIDE_YARD = Scenario(
    name="side-yard-run",
    drain=_feet((26.0, 66.0), (26.0, 58.0), (22.0, 54.0), (8.0, 54.0), (6.0, 52.0), (6.0, -28.0)),
    wall_point=(10.0 * FOOT_M, 54.0 * FOOT_M),
    invert_start_m=-0.40,
    slope=0.0180,
    main="front-main",
    way="side-yard",
    stops_m=tuple(np.array([0, 3.5, 7, 11, 15, 19, 22.5]) * FOOT_M),
    rooms={"cellar": ((11.0 * FOOT_M, 29.0 * FOOT_M), 0.0)},
    room_of=lambda _: "cellar",
    units="ft",
    extra_rows=(
        {
            "id": "ST1",
            "kind": "stack",
            "room": "cellar",
            "x": "15' 0\"",
            "y": "38' 9\"",
            "surface": "slab",
            "note": "stack beside the cleanout",
        },
    ),
    seed=37,
)

# Metric: 15 m x 36 m lot, house 9 m x 12 m at 3 m and 7 m; main in the lane at the rear.
METRIC = Scenario(
    name="metric-rear-main",
    drain=np.array([[6.6, 9.0], [6.6, 13.2], [7.4, 14.0], [7.4, 39.0]]),
    wall_point=(7.4, 19.0),
    invert_start_m=-0.42,
    slope=0.0200,
    main="rear-main",
    way="direct",
    stops_m=(0.0, 1.4, 2.8, 4.5, 5.8, 7.2, 8.6),
    rooms={
        "basement": ((3.3, 7.3), 0.0),
        "utility": ((11.7, 13.0), 90.0),
    },
    room_of=lambda xy: "basement" if xy[1] < 13.0 else "utility",
    units="m",
    shared_points=(
        ("D1", (4.6, 13.0), ("basement", "utility")),
        ("D2", (5.5, 13.0), ("basement", "utility")),
    ),
    seed=41,
)

# House 28' x 40' at 8' and 24'. The drain bends between the last mark and the front wall, where
# nobody saw it. What was dug, and the answers kept, are written by hand and by run --keep.
DUG = Scenario(
    name="dug-and-found",
    drain=_feet((21.0, 52.0), (21.0, 30.5), (24.2, 22.775), (24.2, -30.0)),
    wall_point=(23.692 * FOOT_M, 24.0 * FOOT_M),
    invert_start_m=-0.52,
    slope=0.0205,
    main="front-main",
    way="direct",
    stops_m=tuple(np.array([0, 3.5, 7, 10.5, 14, 17]) * FOOT_M),
    rooms={"basement": ((9.0 * FOOT_M, 25.0 * FOOT_M), 0.0)},
    room_of=lambda _: "basement",
    units="ft",
    seed=31,
)

# Two stacks, a kitchen branch, a cleanout in the yard: 50' x 120' lot, house 28' x 40' at 10' and
# 25'. The trunk runs straight to the front main; both branches come in by 45-degree wyes.
RUN_TRUNK = _feet((24.0, 60.0), (24.0, -30.0))
RUN_PATHS = {
    "main": (_feet((24.0, 60.0), (24.0, 26.0)), (0, 4, 8, 12, 16, 20, 24.5, 29)),
    "bath": (_feet((14.0, 56.0), (24.0, 46.0), (24.0, 30.0)), (0, 4, 8, 11.5, 17, 21)),
    "kitchen": (_feet((33.0, 45.0), (24.0, 36.0), (24.0, 26.0)), (0, 4, 7.5, 11, 15.5, 19)),
    "yard": (_feet((24.0, 17.0), (24.0, 40.0)), (0, 3.5, 11, 15, 19)),
}
RUN_ACCESS = {"main": "ST1", "bath": "ST2", "kitchen": "KC", "yard": "YC"}
RUN_WYES = {"bath": (24.0, 46.0), "kitchen": (24.0, 36.0)}
GROUND_M, TRUNK_INVERT_M, TRUNK_SLOPE = 6.0 * FOOT_M, -0.44, 0.0205


def run_marks() -> list[dict[str, str]]:
    """Draw the rows of the house with several runs, each with its own zero and footage."""
    generator = np.random.default_rng(59)
    depth_scale, shift = 1 + generator.normal(0, 0.03), generator.normal(0, 0.03, 2)
    trunk_start = RUN_TRUNK[0]
    rows: list[dict[str, str]] = []
    for run, (path, stops_ft) in RUN_PATHS.items():
        for number, stop_ft in enumerate(stops_ft):
            station = stop_ft * FOOT_M
            true = along(path, station)
            on_trunk = abs(true[0] - trunk_start[0]) < 1e-6
            wye = np.array(RUN_WYES.get(run, (0.0, 0.0))) * FOOT_M
            invert = TRUNK_INVERT_M - TRUNK_SLOPE * (trunk_start[1] - true[1])
            if not on_trunk:
                upstream = float(np.hypot(*(true - wye)))
                invert = TRUNK_INVERT_M - TRUNK_SLOPE * (trunk_start[1] - wye[1])
                invert += 0.01 + 0.022 * upstream
            outside = true[1] < 25.0 * FOOT_M
            depth = -(invert + 0.025) + (GROUND_M if outside else 0.0)
            spread = max(0.06, 0.05 * depth) / np.sqrt(2)
            offset = generator.standard_t(4, 2) * spread + shift
            read = depth * depth_scale + generator.standard_t(4) * 0.02
            access = number == 0
            local = true + (0.0 if access else offset) + generator.normal(0, 0.006, 2)
            local = local - (0.0 if outside else np.array([11.0, 26.0]) * FOOT_M)
            kind = "cleanout" if RUN_ACCESS[run] in ("KC", "YC") else "stack"
            rows.append(
                {
                    "id": RUN_ACCESS[run] if access else f"{run[0].upper()}{number}",
                    "kind": kind if access else "locate",
                    "room": "lot" if outside else "basement",
                    "x": written(local[0], "ft", tape=True),
                    "y": written(local[1], "ft", tape=True),
                    "depth": "" if access else written(read, "ft", tape=False),
                    "footage": f"{station * 1.004 / FOOT_M:.1f}",
                    "surface": "soil" if outside else "slab",
                    "note": "access of this run" if access else "",
                    "run": run,
                }
            )
    return rows


def run_truth() -> dict[str, object]:
    """Return what the tests compare with for the house with several runs."""
    wall = (24.0 * FOOT_M, 25.0 * FOOT_M)
    station = _station(RUN_TRUNK, wall)
    return {
        "invented": True,
        "main": "front-main",
        "way": "direct",
        "drain": np.round(RUN_TRUNK, 4).tolist(),
        "exit": {
            "x_m": round(wall[0], 4),
            "y_m": round(wall[1], 4),
            "invert_m": round(TRUNK_INVERT_M - TRUNK_SLOPE * station, 4),
        },
        "slope": TRUNK_SLOPE,
        "joins": {"main": None, "bath": "main", "kitchen": "main", "yard": "main"},
        "wyes": {
            name: [round(x * FOOT_M, 4), round(y * FOOT_M, 4)] for name, (x, y) in RUN_WYES.items()
        },
    }


SCENARIOS = (CORNER, TAPE, SIDE_YARD, METRIC, DUG)


def truth(scenario: Scenario) -> dict[str, object]:
    """Return what the tests compare with: lot meters, elevations above the slab."""
    station = _station(scenario.drain, scenario.wall_point)
    return {
        "invented": True,
        "main": scenario.main,
        "way": scenario.way,
        "drain": np.round(scenario.drain, 4).tolist(),
        "exit": {
            "x_m": round(scenario.wall_point[0], 4),
            "y_m": round(scenario.wall_point[1], 4),
            "invert_m": round(scenario.invert_start_m - scenario.slope * station, 4),
        },
        "slope": scenario.slope,
    }


def _station(drain: Array, point: tuple[float, float]) -> float:
    return float(LineString(drain).project(Point(point)))


CORNER_FRAME = LotFrame(
    "EPSG:3435",
    1_091_400.0 * 1200 / 3937,
    1_642_250.0 * 1200 / 3937,
    84.2,
    0.99995,
    1200 / 3937,
    "US survey foot",
)
METRIC_FRAME = LotFrame("EPSG:26917", 561_240.0, 4_861_910.0, 103.5, 0.99962)


def _frame_layers(path: Path, frame: LotFrame, layers: dict[str, list[dict[str, object]]]) -> None:
    """Write layers whose geometries are given in lot meters into a GeoPackage in the grid CRS."""
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    for name, rows in layers.items():
        moved = []
        for row in rows:
            shape = row["geometry"]
            kind = type(shape)
            ring = shape.exterior.coords if kind is Polygon else shape.coords  # type: ignore[attr-defined]
            coordinates = frame.to_crs(np.array(ring))
            moved.append(
                {**row, "geometry": kind(coordinates if len(coordinates) > 1 else coordinates[0])}
            )
        geopandas.GeoDataFrame(moved, geometry="geometry", crs=frame.crs).to_file(
            path, layer=name, driver="GPKG", engine="pyogrio"
        )


def _box(x: float, y: float, width: float, depth: float) -> Polygon:
    return Polygon([(x, y), (x + width, y), (x + width, y + depth), (x, y + depth)])


def corner_layers() -> dict[str, list[dict[str, object]]]:
    """Return the layers of the corner lot: neighbors too, as a city's layers would have them."""
    f = FOOT_M
    return {
        "parcels": [
            {"parcel_id": "INV-17", "geometry": _box(0, 0, 50 * f, 125 * f)},
            {"parcel_id": "INV-16", "geometry": _box(-50 * f, 0, 50 * f, 125 * f)},
        ],
        "buildings": [
            {"building_id": "B-17", "geometry": _box(8 * f, 25 * f, 26 * f, 44 * f)},
            {"building_id": "B-16", "geometry": _box(-42 * f, 27 * f, 24 * f, 40 * f)},
        ],
        "right_of_way": [
            {"name": "Invented First Street", "geometry": _box(-150 * f, -66 * f, 266 * f, 66 * f)},
            {"name": "Invented Side Street", "geometry": _box(50 * f, -66 * f, 60 * f, 260 * f)},
            {"name": "Invented Alley", "geometry": _box(-150 * f, 125 * f, 200 * f, 16 * f)},
        ],
        "mains": [
            {
                "main_id": "front-main",
                "diameter_in": 10.0,
                "geometry": LineString(_feet((110, -33), (-150, -33))),
            },
            {
                "main_id": "side-main",
                "diameter_in": 8.0,
                "geometry": LineString(_feet((82, 190), (82, -33))),
            },
            {
                "main_id": "alley-main",
                "diameter_in": 8.0,
                "geometry": LineString(_feet((44, 133), (-150, 133))),
            },
        ],
        "manholes": [
            {
                "manhole_id": "MH-F1",
                "main_id": "front-main",
                "geometry": Point(_feet((82, -33))[0]),
            },
            {
                "manhole_id": "MH-F2",
                "main_id": "front-main",
                "geometry": Point(_feet((-120, -33))[0]),
            },
            {
                "manhole_id": "MH-A1",
                "main_id": "alley-main",
                "geometry": Point(_feet((44, 133))[0]),
            },
            {
                "manhole_id": "MH-A2",
                "main_id": "alley-main",
                "geometry": Point(_feet((-130, 133))[0]),
            },
        ],
    }


def metric_layers() -> dict[str, list[dict[str, object]]]:
    """Return the layers of the metric site: parcels, buildings and mains."""
    return {
        "parcels": [
            {"pin": "INV-204", "geometry": _box(0, 0, 15, 36)},
            {"pin": "INV-205", "geometry": _box(15, 0, 15, 36)},
        ],
        "buildings": [
            {"bid": 9, "geometry": _box(3, 7, 9, 12)},
            {"bid": 10, "geometry": _box(18, 7, 9, 12)},
        ],
        "sewers": [
            {"sewer_id": "front-main", "geometry": LineString([(70, -10), (-55, -10)])},
            {"sewer_id": "rear-main", "geometry": LineString([(70, 39), (-55, 39)])},
        ],
    }


def write_all(fixtures: Path, truths: Path) -> None:
    """Write marks, layers and hidden truths."""
    for scenario in SCENARIOS:
        folder = fixtures / scenario.name
        with (folder / "locates.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
            writer.writeheader()
            writer.writerows(marks(scenario))
        text = json.dumps(truth(scenario), indent=1) + "\n"
        (truths / f"{scenario.name}.json").write_text(text, "utf-8")
    with (fixtures / "two-stacks" / "locates.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, (*COLUMNS, "run"), lineterminator="\n")
        writer.writeheader()
        writer.writerows(run_marks())
    text = json.dumps(run_truth(), indent=1) + "\n"
    (truths / "two-stacks.json").write_text(text, "utf-8")
    _frame_layers(fixtures / CORNER.name / "layers" / "town.gpkg", CORNER_FRAME, corner_layers())
    _frame_layers(fixtures / METRIC.name / "layers" / "town.gpkg", METRIC_FRAME, metric_layers())


if __name__ == "__main__":
    write_all(PROJECT / "fixtures", PROJECT / "tests" / "truth")
