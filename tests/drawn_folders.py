"""Whole site folders with a known truth, drawn on their own: nothing here is the package's.

Other houses than those of :mod:`tests.independent_sites`: rectangles and L-shapes, one to three
rooms, each taped from a corner of its own; lots typed by sides or out of layers; corner lots and
alleys; marks outdoors; feet or meters. The folder is what a crew would hand in, written as text.
All lengths here are meters in lot coordinates (origin front-left, x along the front, y rearward)
until they are written.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import numpy.typing as npt
from pyproj import Transformer

from tests.hardness.toml_text import dump

Array = npt.NDArray[np.float64]
WALL_M, FOOT_M, HEAD_M = 0.30, 0.3048, 0.025
GRIDS = {
    "EPSG:26916": (-87.6, 41.5),
    "EPSG:3435": (-88.0, 41.8),
    "EPSG:26910": (-122.4, 45.5),
    "EPSG:2264": (-80.8, 35.3),
    "EPSG:26917": (-80.5, 43.4),
}
"""Grids and a place in each (longitude, latitude), of the EPSG registry's areas of use."""
GRID_UNIT_M = {name: 1200 / 3937 if name in ("EPSG:3435", "EPSG:2264") else 1.0 for name in GRIDS}
CORNERS = ("front-left", "front-right", "rear-right", "rear-left")
X_TOWARD = {"front-left": 0.0, "front-right": 90.0, "rear-right": 180.0, "rear-left": 270.0}
"""From a corner x runs so (degrees from the front wall) that y, to its left, stays inside."""
OUTWARD = {"front": (0.0, -1.0), "right": (1.0, 0.0), "rear": (0.0, 1.0), "left": (-1.0, 0.0)}


@dataclass(frozen=True)
class Box:
    """A room inside its walls: low and high corners (2,) in the lot, the corner taped from."""

    id: str
    low: Array
    high: Array
    corner: str
    at_house_corner: bool

    @property
    def origin(self) -> Array:
        """The corner taped from (2,)."""
        right, rear = "right" in self.corner, "rear" in self.corner
        return np.array(
            [(self.high if right else self.low)[0], (self.high if rear else self.low)[1]]
        )

    def axes(self) -> Array:
        """Return x and y of the room as rows (2, 2)."""
        angle = np.radians(X_TOWARD[self.corner])
        return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

    def seen(self, place: Array) -> Array:
        """Return a place (2,) in the room's coordinates."""
        return np.asarray(self.axes() @ (place - self.origin))

    @property
    def size(self) -> Array:
        """Extent along the room's own x and y (2,)."""
        return np.asarray(np.abs(self.axes() @ (self.high - self.low)))


@dataclass(frozen=True)
class Drawn:
    """A folder as handed in, and its truth.

    ``file`` is ``site.toml`` as a tree, ``rows`` and ``ties`` the tables (numbers in the unit of
    the site, depths in the depth unit), ``layers`` rings and lines (n, 2) in grid units by layer
    and id, in ``grid``. ``drain`` (n, 2) runs down to the outside face of the wall at ``exit``.
    ``unit_m`` and ``depth_unit_m`` are a unit's meters; ``has`` names what checks there are.
    """

    file: dict[str, Any]
    rows: list[dict[str, Any]]
    ties: list[dict[str, Any]]
    layers: dict[str, dict[str, Array]]
    grid: str
    boxes: tuple[Box, ...]
    house: Array
    drain: Array
    exit_invert_m: float
    marks_past_bend: int
    unit_m: float
    depth_unit_m: float
    true_depths_m: dict[str, float]
    places: dict[str, Array]
    has: frozenset[str] = field(default_factory=frozenset)

    @property
    def exit(self) -> Array:
        """The true place (2,) at the outside face."""
        return np.asarray(self.drain[-1])


def write_folder(drawn: Drawn, folder: Path) -> None:
    """Write a drawn site as a site folder."""
    folder.mkdir(parents=True)
    tables = [f"{key} = {dump(value)}" for key, value in drawn.file.items()]
    (folder / "site.toml").write_text("\n".join(tables) + "\n", "utf-8")
    _write_table(folder / "locates.csv", drawn.rows)
    if drawn.ties:
        _write_table(folder / "ties.csv", drawn.ties)
    if drawn.layers:
        (folder / "layers").mkdir()
    for name, shapes in drawn.layers.items():
        kind = "LineString" if name == "mains" else "Polygon"
        rows = [
            {
                "type": "Feature",
                "properties": {"id": key},
                "geometry": {
                    "type": kind,
                    "coordinates": xy.tolist()
                    if kind == "LineString"
                    else [[*xy.tolist(), xy[0].tolist()]],
                },
            }
            for key, xy in shapes.items()
        ]
        with fiona.open(
            folder / "layers" / "town.gpkg",
            "w",
            driver="GPKG",
            layer=name,
            crs=drawn.grid,
            schema={"geometry": kind, "properties": {"id": "str"}},
        ) as sink:
            sink.writerecords(rows)


def _write_table(path: Path, rows: list[dict[str, Any]]) -> None:
    columns = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)


# ------------------------------------------------------------------------------------- drawing


def draw_folder(seed: int, noise: float = 1.0) -> Drawn:
    """Draw one site; ``noise`` is how many times noisier than stated its crew measures."""
    generator = np.random.default_rng([seed, 6_061])
    for _ in range(2000):
        drawn = _draw(generator, noise)
        if drawn is not None:
            return drawn
    raise AssertionError(seed)


def _draw(generator: np.random.Generator, noise: float) -> Drawn | None:
    lot = np.array([generator.uniform(13.0, 24.0), generator.uniform(30.0, 44.0)])
    size = np.array([generator.uniform(7.0, min(13.0, lot[0] - 3.0)), generator.uniform(8.0, 15.0)])
    low = np.array([generator.uniform(1.2, lot[0] - size[0] - 1.2), generator.uniform(4.5, 9.0)])
    house, boxes = _house(low, low + size, generator)
    sides = ["front"]
    sides += ["rear"] if generator.random() < 0.45 else []
    sides += ["right"] if generator.random() < 0.25 else []
    share = np.array([1.0, 0.8, 0.5][: len(sides)])
    leaves = str(generator.choice(sides, p=share / share.sum()))
    drain = _drain(house, boxes, leaves, generator)
    if drain is None:
        return None
    return _survey(lot, house, boxes, drain, sides, leaves, generator, noise)


def _house(
    low: Array, high: Array, generator: np.random.Generator
) -> tuple[Array, tuple[Box, ...]]:
    """Draw the outside ring (n, 2) from the front-left corner, and the rooms in it."""
    ring = np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    inner_low, inner_high = low + WALL_M, high - WALL_M
    plan = generator.choice(
        ["one", "depth", "width", "three", "ell"], p=[0.3, 0.25, 0.15, 0.15, 0.15]
    )
    middle = inner_low + (inner_high - inner_low) * generator.uniform(0.4, 0.6, 2)
    if plan == "one":
        cells = [(inner_low, inner_high, CORNERS)]
    elif plan == "width":
        cells = [
            (inner_low, np.array([middle[0] - 0.06, inner_high[1]]), ("front-left", "rear-left")),
            (np.array([middle[0] + 0.06, inner_low[1]]), inner_high, ("front-right", "rear-right")),
        ]
    else:
        cells = [
            (inner_low, np.array([inner_high[0], middle[1] - 0.06]), ("front-left", "front-right")),
            (np.array([inner_low[0], middle[1] + 0.06]), inner_high, ("rear-left", "rear-right")),
        ]
    if plan == "three":
        rear_low = cells[1][0]
        cells[1:] = [
            (rear_low, np.array([middle[0] - 0.06, inner_high[1]]), ("rear-left",)),
            (np.array([middle[0] + 0.06, rear_low[1]]), inner_high, ("rear-right",)),
        ]
    if plan == "ell":  # the rear part is narrower: an L
        cut = high[0] - generator.uniform(2.0, 3.2)
        ring = np.array([low, [high[0], low[1]], [high[0], middle[1]], [cut, middle[1]],
                         [cut, high[1]], [low[0], high[1]]])  # fmt: skip
        cells[0] = (inner_low, np.array([inner_high[0], middle[1] - WALL_M]), cells[0][2])
        cells[1] = (
            np.array([inner_low[0], middle[1] - WALL_M + 0.12]),
            np.array([cut - WALL_M, inner_high[1]]),
            ("rear-left",),
        )
    boxes = []
    for number, (a, b, corners) in enumerate(cells, start=1):
        boxes.append(
            Box(f"B{number}", np.array(a), np.array(b), str(generator.choice(corners)), True)
        )
    return ring, tuple(boxes)


def _turned(vector: Array, angle: float) -> Array:
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([cosine * vector[0] - sine * vector[1], sine * vector[0] + cosine * vector[1]])


def _drain(
    house: Array, boxes: tuple[Box, ...], leaves: str, generator: np.random.Generator
) -> Array | None:
    """Lay the drain upstream from the wall's outside face; None where it leaves the rooms."""
    low, high = house.min(axis=0), house.max(axis=0)
    axis = 0 if leaves in ("left", "right") else 1
    here = np.array(
        [generator.uniform(low[0] + 1, high[0] - 1), generator.uniform(low[1] + 1, high[1] - 1)]
    )
    here[axis] = (high if leaves in ("right", "rear") else low)[axis]
    heading = _turned(-np.array(OUTWARD[leaves]), np.radians(generator.normal(0.0, 6.0)))
    points, room = [here], WALL_M + generator.uniform(0.5, 5.0)
    for _ in range(int(generator.choice([1, 2, 3], p=[0.3, 0.45, 0.25]))):
        here = here + room * heading
        points.append(here)
        turn = generator.choice([22.5, 45.0, 60.0, 90.0], p=[0.3, 0.45, 0.05, 0.2])
        heading = _turned(heading, np.radians(turn * generator.choice([-1, 1])))
        room = generator.uniform(1.2, 5.0)
    drain = np.array(points[::-1])
    steps = np.hypot(*np.diff(drain, axis=0).T)
    if steps.sum() < 4.5:
        return None
    along = np.linspace(0.0, 1.0, 60)
    inside = np.cumsum(np.concatenate([[0.0], steps]))
    line = np.stack(
        [np.interp(along * (inside[-1] - WALL_M - 0.1), inside, drain[:, i]) for i in (0, 1)],
        axis=1,
    )
    free = [
        any(np.all(p > b.low - 0.15) and np.all(p < b.high + 0.15) for b in boxes) for p in line
    ]
    return drain if all(free) else None


def _survey(
    lot: Array,
    house: Array,
    boxes: tuple[Box, ...],
    drain: Array,
    sides: list[str],
    leaves: str,
    generator: np.random.Generator,
    noise: float,
) -> Drawn | None:
    """Measure the site and put it into tables."""
    chosen = {name: bool(generator.random() < share) for name, share in (
        ("ties", 0.5), ("doors", 0.5), ("taped", 0.45), ("headings", 0.3), ("footage", 0.7),
        ("layers", 0.5), ("metric", 0.35), ("sizes", 0.7), ("outdoors", 0.25), ("streets", 0.7),
        ("slab", 0.35), ("rims", 0.5), ("sea", 0.3), ("crs", 0.5), ("typed lot", 0.4),
    )}  # fmt: skip
    unit, depth_unit = (1.0, 0.001) if chosen["metric"] else (FOOT_M, 0.0254)
    start, slope = -generator.uniform(0.25, 0.6), 0.018 * np.exp(generator.normal(0.0, 0.35))
    marked = _marks(boxes, drain, start, slope, chosen, generator, noise)
    if marked is None:
        return None
    rows, places, depths, past = marked
    length = float(np.hypot(*np.diff(drain, axis=0).T).sum())
    invert = start - slope * length
    ground = {name: 2.0 + generator.normal(0.0, 0.15) for name in sides}
    yard = float(np.mean([*ground.values()]) + abs(generator.normal(0.15, 0.15)))
    heights = _Ground(yard, ground, invert, 180.0 + float(generator.uniform(0.0, 20.0)))
    file, layers, grid = _tables(lot, house, boxes, heights, chosen, generator, unit)
    if chosen["outdoors"]:
        out = np.array(OUTWARD[leaves])
        ahead = drain[-1] - drain[-2]
        ahead = ahead / np.hypot(*ahead)
        place = drain[-1] + generator.uniform(1.0, 2.5) * ahead
        if float(ahead @ out) < 0.9:
            chosen["outdoors"] = False
        else:
            read = yard - invert - HEAD_M + 0.12 * noise * generator.normal()
            seen = place + 0.12 * noise * generator.standard_normal(2)
            rows.append(("X1", "locate", "lot", seen, float(read), None, None))
            places["X1"] = place
    if len(boxes) > 1 and chosen["doors"]:
        rows += _doors(boxes, generator, noise, places)
    ties = _ties(house, boxes, rows, places, generator, noise) if chosen["ties"] else []
    table = []
    for name, kind, room, here, depth, footage, heading in rows:
        row = {
            "id": name,
            "kind": kind,
            "room": room,
            "x": round(float(here[0] / unit), 3),
            "y": round(float(here[1] / unit), 3),
            "depth": "" if depth is None else round(depth / depth_unit, 1),
            "footage": "" if footage is None else round(footage / unit, 2),
            "heading": "" if heading is None else round(heading, 1),
        }
        table.append(row)
    sd = round(0.03 / unit, 3)
    taped = [{"from": a, "to": b, "distance": round(d / unit, 3), "sd": sd} for a, b, d in ties]
    return Drawn(
        file, table, taped, layers, grid, boxes, house, drain, invert, past, unit, depth_unit,
        depths, places,
        frozenset(name for name, yes in chosen.items() if yes),
    )  # fmt: skip


Row = tuple[str, str, str, Array, float | None, float | None, float | None]


def _marks(
    boxes: tuple[Box, ...],
    drain: Array,
    start: float,
    slope: float,
    chosen: dict[str, bool],
    generator: np.random.Generator,
    noise: float,
) -> tuple[list[Row], dict[str, Array], dict[str, float], int] | None:
    """Mark the drain every 1 to 2 m; None with a mark in no room."""
    steps = np.hypot(*np.diff(drain, axis=0).T)
    inside = np.concatenate([[0.0], np.cumsum(steps)])
    end = inside[-1] - WALL_M - generator.uniform(0.2, 1.8)
    count = max(5, round(end / generator.uniform(1.0, 1.8)) + 1)
    stations = np.linspace(0.0, end, count)
    session = generator.normal(0.0, 0.05 * noise, 2)
    scale = 1.0 + generator.normal(0.0, 0.05 * noise)
    rows: list[Row] = []
    places, depths = {}, {}
    for i, station in enumerate(stations):
        place = np.array([np.interp(station, inside, drain[:, axis]) for axis in (0, 1)])
        depth = -(start - slope * station)
        head = depth - HEAD_M
        seen = place + session + max(0.10, 0.05 * head) * noise * generator.standard_normal(2)
        if i == 0:
            seen = place + 0.03 * noise * generator.standard_normal(2)
        box = next(
            (b for b in boxes if np.all(seen > b.low - 0.1) and np.all(seen < b.high + 0.1)), None
        )
        if box is None:
            return None
        name = "CO" if i == 0 else f"M{i}"
        read: float | None = head * scale + max(0.05, 0.05 * head) * noise * generator.normal()
        if i == 0:
            read = depth + 0.015 * noise * generator.normal() if chosen["taped"] else None
        leg = min(int(np.searchsorted(inside, station, "right")) - 1, len(steps) - 1)
        along = box.axes() @ (drain[leg + 1] - drain[leg])
        axis = np.degrees(np.arctan2(along[1], along[0])) + 9.0 * noise * generator.normal()
        rows.append(
            (
                name,
                "cleanout" if i == 0 else "locate",
                box.id,
                box.seen(seen),
                None if read is None else max(read, 0.06),
                station * 1.01 + 0.04 * noise * generator.normal()
                if chosen["footage"] and i
                else None,
                float(axis) % 360.0 if chosen["headings"] and i else None,
            )
        )
        places[name], depths[name] = place, depth
    if chosen["footage"]:
        first = rows[0]
        rows[0] = (*first[:5], 0.0, None)
    return rows, places, depths, int(np.sum(stations > inside[-2] + 0.2))


def _doors(
    boxes: tuple[Box, ...], generator: np.random.Generator, noise: float, places: dict[str, Array]
) -> list[Row]:
    """Measure a door's two jambs from both rooms, for every wall between rooms."""
    rows: list[Row] = []
    for one, other in [(a, b) for i, a in enumerate(boxes) for b in boxes[i + 1 :]]:
        low, high = np.maximum(one.low, other.low), np.minimum(one.high, other.high)
        span = high - low
        if (span > -0.2).all() and span.max() > 1.6:
            axis = int(span.argmax())
            for step in (0.25, 0.25 + 0.85 / span[axis]):
                place = (low + high) / 2.0
                place[axis] = low[axis] + step * span[axis]
                name = f"J{len(rows) // 2 + 1}"
                places[name] = place
                for box in (one, other):
                    seen = box.seen(place) + 0.01 * noise * generator.standard_normal(2)
                    rows.append((name, "wall", box.id, seen, None, None, None))
    return rows


def _ties(
    house: Array,
    boxes: tuple[Box, ...],
    rows: list[Row],
    places: dict[str, Array],
    generator: np.random.Generator,
    noise: float,
) -> list[tuple[str, str, float]]:
    """Tape from one or two marks of each room to outside corners of the house."""
    found = []
    named = dict(zip(CORNERS, (house[0], house[1], house[-2], house[-1]), strict=True))
    if len(house) == 6:  # the rear-right corner of an L is not named for sure
        named.pop("rear-right")
        named.pop("front-right")
    for box in boxes:
        marks = [row[0] for row in rows if row[2] == box.id and row[1] != "wall"]
        for mark in marks[-1 : -1 - int(generator.integers(1, 3)) : -1]:
            corner = str(generator.choice([*named]))
            length = np.hypot(*(places[mark] - named[corner])) + 0.03 * noise * generator.normal()
            # the tape is pulled from the mark as made, which lies off the pipe: common scatter
            seen = next(row for row in rows if row[0] == mark and row[2] == box.id)
            at = box.origin + box.axes().T @ seen[3]
            length += np.hypot(*(at - named[corner])) - np.hypot(*(places[mark] - named[corner]))
            found.append((mark, f"building:{corner}", float(length)))
    return found


@dataclass(frozen=True)
class _Earth:
    """Where the lot lies: a grid, the front-left corner, the front line's grid azimuth."""

    grid: str
    longitude: float
    latitude: float
    azimuth_deg: float

    def on_grid(self, xy: Array) -> Array:
        """Take lot coordinates (n, 2) to the grid, in its unit."""
        to_grid = Transformer.from_crs("EPSG:4326", self.grid, always_xy=True)
        start = np.array(to_grid.transform(self.longitude, self.latitude))
        angle = np.radians(self.azimuth_deg)
        along = np.array([np.sin(angle), np.cos(angle)])
        back = np.array([-along[1], along[0]])
        return np.asarray(start + (xy[:, :1] * along + xy[:, 1:] * back) / GRID_UNIT_M[self.grid])


@dataclass(frozen=True)
class _Ground:
    """Heights above the slab: the yard's, the streets' by side, the drain's invert at the wall.

    ``datum_m`` is the slab's elevation.
    """

    yard_m: float
    streets_m: dict[str, float]
    invert_m: float
    datum_m: float


def _named(layer: str, name: str) -> dict[str, str]:
    return {"layer": "layers/town.gpkg", "layer_name": layer, "id_field": "id", "id": name}


def _tables(
    lot: Array,
    house: Array,
    boxes: tuple[Box, ...],
    ground: _Ground,
    chosen: dict[str, bool],
    generator: np.random.Generator,
    unit: float,
) -> tuple[dict[str, Any], dict[str, dict[str, Array]], str]:
    """Write ``site.toml`` as a tree, and the layers."""
    grid = str(generator.choice([*GRIDS]))
    longitude, latitude = np.array(GRIDS[grid]) + generator.uniform(-0.2, 0.2, 2)
    earth = _Earth(grid, float(longitude), float(latitude), float(generator.uniform(0.0, 360.0)))
    typed = not chosen["layers"] or chosen["typed lot"]
    placed = house + generator.normal(0.0, 0.05, 2)
    streets, mains, layers = _streets(lot, house, ground, chosen, generator, unit)
    layers["buildings"] = {"9": placed}
    if not typed:
        layers["parcels"] = {"17": np.array([[0.0, 0.0], [lot[0], 0.0], lot, [0.0, lot[1]]])}
    file = {
        "site": _site_table(earth, ground, chosen, generator, unit),
        "lot": _lot_table(lot, earth, unit)
        if typed
        else _named("parcels", "17") | {"front_street": "Invented front way"},
        "building": _building_table(placed, unit, layered=chosen["layers"]),
        "room": [
            {"id": box.id, "name": f"Room {box.id}", "corner": box.corner}
            | ({"size": [round(float(v) / unit, 3) for v in box.size]} if chosen["sizes"] else {})
            for box in boxes
        ],
        "street": streets,
        "main": mains,
    }
    drawn = {
        name: {key: earth.on_grid(xy) for key, xy in shapes.items()}
        for name, shapes in layers.items()
    }
    return file, drawn if chosen["layers"] else {}, grid


def _site_table(
    earth: _Earth,
    ground: _Ground,
    chosen: dict[str, bool],
    generator: np.random.Generator,
    unit: float,
) -> dict[str, Any]:
    site: dict[str, Any] = {
        "name": "Invented drawn site",
        "units": "m" if unit == 1.0 else "ft",
        "depth_units": "mm" if unit == 1.0 else "in",
        "rule_set": "ca-npc" if earth.grid == "EPSG:26917" else "us-ipc",
        "ground_above_slab": round(float(ground.yard_m + generator.normal(0.0, 0.04)) / unit, 3),
    }
    if chosen["crs"] or chosen["layers"]:
        site["crs"] = earth.grid
    if chosen["slab"]:
        site["slab_elevation"] = round(ground.datum_m / unit, 3)
    if chosen["sea"]:
        sea_m = ground.datum_m + ground.yard_m + generator.normal(0.0, 0.3)
        site["elevation_above_sea"] = round(float(sea_m) / unit, 1)
    return site


def _lot_table(lot: Array, earth: _Earth, unit: float) -> dict[str, Any]:
    width, depth = (round(float(v) / unit, 3) for v in lot)
    return {
        "longitude": round(earth.longitude, 7),
        "latitude": round(earth.latitude, 7),
        "front_azimuth": round(earth.azimuth_deg, 1),
        "sides": {"front": width, "right": depth, "rear": width, "left": depth},
    }


def _building_table(house: Array, unit: float, *, layered: bool) -> dict[str, Any]:
    wall = {"wall_thickness": round(WALL_M / unit, 3)}
    written = [[round(x / unit, 3), round(y / unit, 3)] for x, y in house.tolist()]
    if layered:
        return _named("buildings", "9") | wall
    if len(house) > 4:
        return wall | {"corners": written}
    width, depth = (round(float(v) / unit, 3) for v in house[2] - house[0])
    left, front = written[0]
    return wall | {"setbacks": {"front": front, "left": left}, "width": width, "depth": depth}


def _streets(
    lot: Array,
    house: Array,
    ground: _Ground,
    chosen: dict[str, bool],
    generator: np.random.Generator,
    unit: float,
) -> tuple[list[dict[str, Any]], list[dict[str, Any]], dict[str, dict[str, Array]]]:
    """Return streets and mains as tables, and their layers in lot coordinates."""
    streets, mains = [], []
    ways: dict[str, Array] = {}
    lines: dict[str, Array] = {}
    for side, height_m in ground.streets_m.items():
        width = 5.0 if side == "rear" else 20.0
        offset = width / 2.0 + float(generator.uniform(-1.0, 1.0))
        out = np.array(OUTWARD[side])
        base = {
            "front": np.array([[-60.0, 0.0], [lot[0] + 60.0, 0.0]]),
            "rear": np.array([[lot[0] + 60.0, lot[1]], [-60.0, lot[1]]]),
            "right": np.array([[lot[0], -60.0], [lot[0], lot[1] + 60.0]]),
        }[side]
        away = {
            "front": 8.0,
            "rear": lot[1] - house[:, 1].max(),
            "right": lot[0] - house[:, 0].max(),
        }
        bed = ground.invert_m - 0.02 * (away[side] + offset) - float(generator.uniform(0.1, 1.2))
        name = f"Invented {side} way"
        street: dict[str, Any] = {
            "name": name,
            "side": side,
            "kind": "alley" if side == "rear" else "street",
            "row_width": round(width / unit, 3),
        }
        main: dict[str, Any] = {
            "id": f"{side}-main",
            "street": name,
            "diameter": round(0.2 / unit, 3),
            "flow_toward": "front" if side == "right" else "left",
        }
        if chosen["streets"]:
            street["ground_above_slab"] = round(float(height_m) / unit, 3)
        if chosen["slab"]:
            main["invert"] = round(float(ground.datum_m + bed) / unit, 3)
        else:
            main["depth"] = f"{height_m - bed:.3f}m"
        if chosen["slab"] and chosen["rims"]:
            rim = ground.datum_m + height_m + generator.normal(0.0, 0.1)
            main["manholes"] = [
                {
                    "id": f"MH-{side}",
                    "offset_along": round(-30.0 / unit, 3),
                    "rim": round(float(rim) / unit, 3),
                }
            ]
        if chosen["layers"]:
            main |= {k: v for k, v in _named("mains", "").items() if k != "id"}
            street |= _named("ways", name)
        else:
            main["offset"] = round(offset / unit, 3)
        ways[name] = np.concatenate([base, base[::-1] + out * width])
        lines[f"{side}-main"] = base + out * offset
        streets.append(street)
        mains.append(main)
    return streets, mains, {"ways": ways, "mains": lines}
