"""An invented city of any size with its hidden truth: layers as a city would hand them over.

Blocks of two rows of lots. Blocks with an odd number are old quarters: an alley runs between
the rows. Streets along the blocks may be curved. Every lot's front street is the one along its
row. All names are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import shapely
from shapely import Polygon

CRS = "EPSG:26916"
ORIGIN = np.array([440_000.0, 4_630_000.0])
LOT_WIDTH, LOT_DEPTH = 15.0, 38.0
STREET, AVENUE, ALLEY = 20.0, 22.0, 5.0
LOTS_PER_ROW = 12


@dataclass
class City:
    """Layers as GeoDataFrames and the truth, one row a lot."""

    parcels: geopandas.GeoDataFrame
    buildings: geopandas.GeoDataFrame
    streets: geopandas.GeoDataFrame
    mains: geopandas.GeoDataFrame
    manholes: geopandas.GeoDataFrame
    truth: dict[str, dict[str, object]]


class _Builder:
    def __init__(self, seed: int, curve: float) -> None:
        self.rng = np.random.default_rng(seed)
        self.curve = curve
        self.parcels, self.buildings, self.streets = [], [], []
        self.mains, self.manholes = [], []
        self.truth = {}

    def place(self, points):
        """Bend the straight plan: whole streets become curves, lots follow."""
        xy = np.atleast_2d(np.asarray(points, float)).copy()
        xy[:, 1] += self.curve * np.sin(xy[:, 0] / 160.0)
        return xy + ORIGIN

    def line(self, start, end):
        count = max(int(math.dist(start, end) / 10.0), 1) + 1
        return shapely.LineString(self.place(np.linspace(start, end, count)))

    def ring(self, x0, y0, x1, y1):
        across = np.linspace(x0, x1, max(int((x1 - x0) / 8.0), 1) + 1)
        low = np.stack([across, np.full_like(across, y0)], axis=1)
        high = np.stack([across[::-1], np.full_like(across, y1)], axis=1)
        return Polygon(self.place(np.concatenate([low, high])))

    def ground(self, x, y):
        return 180.0 + 0.01 * y + 0.004 * x

    def main(self, name, start, end, depth):
        """Lay a main in two pieces with manholes, falling from start to end."""
        points = np.linspace(start, end, 3)
        inverts = [self.ground(*p) - depth for p in points]
        inverts = [min(inverts[: i + 1]) - 0.3 * i for i in range(3)]
        for i in range(2):
            self.mains.append(
                {
                    "main_id": f"{name}-{i + 1}", "up": round(inverts[i], 3),
                    "down": round(inverts[i + 1], 3),
                    "geometry": self.line(points[i], points[i + 1]),
                }
            )  # fmt: skip
        for i, point in enumerate(points):
            self.manholes.append(
                {
                    "mh_id": f"{name}-M{i + 1}", "inv": round(inverts[i], 3),
                    "geometry": shapely.Point(self.place(point)[0]),
                }
            )  # fmt: skip

    def lot(self, name, box, *, street, faces_north, kind, main, year, rear_main):
        """Put a lot with its house; ``faces_north``: the front street is at the top."""
        x0, y0, x1, y1 = box
        rng = self.rng
        missing = rng.random()
        self.parcels.append(
            {
                "pin": name, "addr_st": "" if missing < 0.3 else street,
                "year": float("nan") if missing < 0.1 else year,
                "ground": round(self.ground((x0 + x1) / 2, (y0 + y1) / 2), 2),
                "geometry": self.ring(*box),
            }
        )  # fmt: skip
        setback, side = rng.uniform(5.0, 8.0), rng.uniform(1.2, 2.2)
        depth = rng.uniform(10.0, 14.0)
        bottom = y1 - setback - depth if faces_north else y0 + setback
        width = min(x1 - x0 - 2.6 * side, 11.5)
        left = x0 + side if kind != "corner" else x0 + (x1 - x0 - width) / 2
        if kind != "vacant":
            self.buildings.append({"geometry": self.ring(left, bottom, left + width, bottom + depth)})
        if rng.random() < 0.4 and kind != "vacant":
            shed = y0 + 1.5 if faces_north else y1 - 6.5
            self.buildings.append({"geometry": self.ring(x1 - 6.5, shed, x1 - 1.5, shed + 5.0)})
        old = year < 1950
        to_rear = rear_main and rng.random() < (0.6 if old else 0.2)
        self.truth[name] = {
            "kind": kind, "street": street, "toward": "rear" if to_rear else "front", "main": main,
        }  # fmt: skip


def invent_city(lots: int, *, seed: int = 1, curve: float = 0.0) -> City:
    """Make a city with at least ``lots`` lots (cut to that many); the same seed, the same city."""
    builder = _Builder(seed, curve)
    per_block = 2 * LOTS_PER_ROW
    blocks = math.ceil(lots / per_block)
    columns = max(math.ceil(math.sqrt(blocks / 2.0)), 1)
    rows = math.ceil(blocks / columns)
    length = LOTS_PER_ROW * LOT_WIDTH
    pitch_x, pitch_y = length + AVENUE, 2 * LOT_DEPTH + ALLEY + STREET
    number = 0
    for row in range(rows):
        for column in range(columns):
            _block(builder, row, column, pitch_x, pitch_y, number, lots)
            number += per_block
    _streets(builder, rows, columns, pitch_x, pitch_y)
    frame = {"crs": CRS}
    return City(
        geopandas.GeoDataFrame(builder.parcels, **frame).iloc[:lots],
        geopandas.GeoDataFrame(builder.buildings, **frame),
        geopandas.GeoDataFrame(builder.streets, **frame),
        geopandas.GeoDataFrame(builder.mains, **frame),
        geopandas.GeoDataFrame(builder.manholes, **frame),
        dict(list(builder.truth.items())[:lots]),
    )


def _block(builder, row, column, pitch_x, pitch_y, number, lots):
    """Fill one block: odd ones have an alley, the others lots back to back; some odd shapes."""
    rng = builder.rng
    x, y = column * pitch_x, row * pitch_y
    alley = (row + column) % 2 == 1
    year = int(rng.integers(1905, 1945)) if alley else int(rng.integers(1955, 1995))
    depth = LOT_DEPTH if alley else LOT_DEPTH + ALLEY / 2
    through = not alley and row % 3 == 2
    south, north = f"{_word(row)} Street", f"{_word(row + 1)} Street"
    for i in range(LOTS_PER_ROW):
        left, right = x + i * LOT_WIDTH, x + (i + 1) * LOT_WIDTH
        corner = i in (0, LOTS_PER_ROW - 1)
        top = y + 2 * LOT_DEPTH + ALLEY
        vacant = rng.random() < 0.02
        kind = "vacant" if vacant else "corner" if corner else "interior"
        shared = {"year": year, "rear_main": alley}
        if through and i == 5:
            builder.lot(
                f"P{number + i:06d}", (left, y, right, top), street=south, faces_north=False,
                kind="through", main="", **shared,
            )  # fmt: skip
            continue
        builder.lot(
            f"P{number + i:06d}", (left, y, right, y + depth), street=south, faces_north=False,
            kind=kind, main="", **shared,
        )  # fmt: skip
        builder.lot(
            f"P{number + LOTS_PER_ROW + i:06d}", (left, top - depth, right, top), street=north,
            faces_north=True, kind=kind, main="", **shared,
        )  # fmt: skip
    if alley:
        middle = y + LOT_DEPTH + ALLEY / 2
        ends = (x - AVENUE / 2, middle), (x + LOTS_PER_ROW * LOT_WIDTH + AVENUE / 2, middle)
        builder.streets.append({"st_name": "", "class": "alley", "geometry": builder.line(*ends)})
        builder.main(f"A{row}-{column}", *ends[::-1], 2.9)


def _streets(builder, rows, columns, pitch_x, pitch_y):
    """Lay streets between the rows and avenues between the columns, with mains in the streets."""
    west, east = -AVENUE / 2, columns * pitch_x - AVENUE / 2
    for row in range(rows + 1):
        y = row * pitch_y - STREET / 2
        builder.streets.append(
            {
                "st_name": f"{_word(row)} Street", "class": "street",
                "geometry": builder.line((west, y), (east, y)),
            }
        )  # fmt: skip
        for column in range(columns):
            x = column * pitch_x
            ends = (x + pitch_x - AVENUE / 2, y + 1.0), (x - AVENUE / 2, y + 1.0)
            builder.main(f"S{row}-{column}", *ends, 3.2)
    for column in range(columns + 1):
        x = column * pitch_x - AVENUE / 2
        ends = (x, -STREET / 2), (x, rows * pitch_y - STREET / 2)
        builder.streets.append(
            {
                "st_name": f"{_word(column + 400)} Avenue", "class": "street",
                "geometry": builder.line(*ends),
            }
        )  # fmt: skip


_SYLLABLES = ("ba", "do", "fe", "gu", "ki", "la", "mo", "ne", "pu", "ra", "si", "to", "vu", "we")


def _word(number: int) -> str:
    """Give an invented name of three syllables, another one for every number."""
    base = len(_SYLLABLES)
    parts = (number % base, number // base % base, number // base**2 % base)
    return "".join(_SYLLABLES[part] for part in parts).capitalize()


CITY_TOML = """\
[city]
name = "Invented city"
units = "m"
lots_per_chunk = {chunk}

[parcels]
layer = "layers/city.gpkg"
layer_name = "parcels"
id = "pin"
street = "addr_st"
year_built = "year"
ground = "ground"

[buildings]
layer = "layers/city.gpkg"
layer_name = "buildings"

[streets]
layer = "layers/city.gpkg"
layer_name = "streets"
name = "st_name"
kind = "class"

[mains]
layer = "layers/city.gpkg"
layer_name = "mains"
id = "main_id"
invert_up = "up"
invert_down = "down"

[manholes]
layer = "layers/city.gpkg"
layer_name = "manholes"
id = "mh_id"
"""


def write_city(city: City, folder: Path, *, chunk: int = 2000, shuffle: int | None = None) -> Path:
    """Write layers and ``CITY.toml``; give its path. ``shuffle`` is a seed for the row order."""
    layers = folder / "layers"
    layers.mkdir(parents=True, exist_ok=True)
    for name in ("parcels", "buildings", "streets", "mains", "manholes"):
        frame = getattr(city, name)
        if shuffle is not None:
            order = np.random.default_rng(shuffle).permutation(len(frame))
            frame = frame.iloc[order].reset_index(drop=True)
        frame.to_file(layers / "city.gpkg", layer=name, driver="GPKG")
    path = folder / "CITY.toml"
    path.write_text(CITY_TOML.format(chunk=chunk), "utf-8")
    return path
