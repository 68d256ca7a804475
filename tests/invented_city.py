"""An invented city of any size with its hidden truth: layers as a city would hand them over.

Blocks of two rows of lots. Every other block is an old quarter: an alley runs between the rows,
and some houses share walls. Other blocks hold flag lots, lots without frontage and through lots.
Streets along the blocks may be curved. Every lot's front street is the one along its row. All
names are invented.
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
                    "main_id": f"{name}-{i + 1}",
                    "up": round(inverts[i], 3),
                    "down": round(inverts[i + 1], 3),
                    "geometry": self.line(points[i], points[i + 1]),
                }
            )
        for i, point in enumerate(points):
            self.manholes.append(
                {
                    "mh_id": f"{name}-M{i + 1}",
                    "inv": round(inverts[i], 3),
                    "geometry": shapely.Point(self.place(point)[0]),
                }
            )

    def lot(self, name, outline, house, *, street, kind, year):
        """Put a lot with its house (a box, or None); some attributes are missing."""
        missing = self.rng.random()
        x, y = outline.centroid.coords[0]
        self.parcels.append(
            {
                "pin": name,
                "addr_st": "" if missing < 0.3 else street,
                "year": float("nan") if missing < 0.1 else float(year),
                "ground": round(self.ground(x - ORIGIN[0], y - ORIGIN[1]), 2),
                "geometry": outline,
            }
        )
        if house is not None:
            self.buildings.append({"geometry": self.ring(*house)})
        self.truth[name] = {"kind": kind, "street": street}

    def house(self, box, *, faces_north):
        """Draw a house in a lot's box, and now and then a shed behind it."""
        x0, y0, x1, y1 = box
        rng = self.rng
        room = y1 - y0
        setback = min(rng.uniform(5.0, 8.0), 0.2 * room)
        depth = min(rng.uniform(10.0, 14.0), 0.5 * room)
        side = rng.uniform(1.2, 2.2)
        width = min(x1 - x0 - 2.6 * side, 11.5)
        bottom = y1 - setback - depth if faces_north else y0 + setback
        if rng.random() < 0.4 and room > 30.0:
            shed = y0 + 1.5 if faces_north else y1 - 6.5
            self.buildings.append({"geometry": self.ring(x1 - 6.5, shed, x1 - 1.5, shed + 5.0)})
        return x0 + side, bottom, x0 + side + width, bottom + depth


def invent_city(lots: int, *, seed: int = 1, curve: float = 0.0) -> City:
    """Make a city of whole blocks with about ``lots`` lots; the same seed, the same city."""
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
            _block(builder, row, column, pitch_x, pitch_y, number)
            number += per_block
    _streets(builder, rows, columns, pitch_x, pitch_y)
    frame = {"crs": CRS}
    return City(
        geopandas.GeoDataFrame(builder.parcels, **frame),
        geopandas.GeoDataFrame(builder.buildings, **frame),
        geopandas.GeoDataFrame(builder.streets, **frame),
        geopandas.GeoDataFrame(builder.mains, **frame),
        geopandas.GeoDataFrame(builder.manholes, **frame),
        builder.truth,
    )


def _block(builder, row, column, pitch_x, pitch_y, number):
    """Fill one block: every other has an alley, the others lots back to back; some odd shapes."""
    rng = builder.rng
    x, y = column * pitch_x, row * pitch_y
    alley = (row + column) % 2 == 1
    year = int(rng.integers(1905, 1945)) if alley else int(rng.integers(1955, 1995))
    depth = LOT_DEPTH if alley else LOT_DEPTH + ALLEY / 2
    top = y + 2 * LOT_DEPTH + ALLEY
    south, north = f"{_word(row)} Street", f"{_word(row + 1)} Street"
    for i in range(LOTS_PER_ROW):
        left, right = x + i * LOT_WIDTH, x + (i + 1) * LOT_WIDTH
        names = f"P{number + i:06d}", f"P{number + LOTS_PER_ROW + i:06d}"
        if not alley and i == 5 and column % 3 == 0:
            box = (left, y, right, top)
            house = builder.house((left, y, right, y + depth), faces_north=False)
            builder.lot(
                names[0], builder.ring(*box), house, street=south, kind="through", year=year
            )
            continue
        if not alley and i == 7:
            _behind(builder, names[0], (left, y, right, y + depth), south, year, column % 2 == 0)
        elif alley and i in (3, 4) and column % 4 == 1:
            wall = left + LOT_WIDTH if i == 3 else left
            house = (
                (left + 2.0, y + 6.0, wall, y + 17.0)
                if i == 3
                else (wall, y + 6.0, right - 2.0, y + 17.0)
            )
            builder.lot(
                names[0],
                builder.ring(left, y, right, y + depth),
                house,
                street=south,
                kind="shared",
                year=year,
            )
        else:
            _plain(builder, names[0], (left, y, right, y + depth), south, year, i, north=False)
        _plain(builder, names[1], (left, top - depth, right, top), north, year, i, north=True)
    if alley:
        middle = y + LOT_DEPTH + ALLEY / 2
        ends = (x - AVENUE / 2, middle), (x + LOTS_PER_ROW * LOT_WIDTH + AVENUE / 2, middle)
        builder.streets.append({"st_name": "", "class": "alley", "geometry": builder.line(*ends)})
        builder.main(f"A{row}-{column}", *ends[::-1], 2.9)


def _plain(builder, name, box, street, year, place, *, north):
    """Put a plain lot; the ends of a row are corner lots, a few lots are vacant."""
    kind = "corner" if place in (0, LOTS_PER_ROW - 1) else "interior"
    vacant = builder.rng.random() < 0.02
    house = None if vacant else builder.house(box, faces_north=north)
    builder.lot(
        name, builder.ring(*box), house, street=street, kind="vacant" if vacant else kind, year=year
    )


def _behind(builder, name, box, street, year, has_pole):
    """Cut a lot in two: one at the street, one behind it, with a pole to the street or without."""
    left, y0, right, y1 = box
    cut, pole = y0 + 22.0, left + (4.0 if has_pole else 0.0)
    front = (pole, y0, right, cut)
    builder.lot(
        name,
        builder.ring(*front),
        builder.house(front, faces_north=False),
        street=street,
        kind="interior",
        year=year,
    )
    back = (left, cut, right, y1)
    outline = builder.ring(*back)
    if has_pole:
        outline = shapely.union(outline, builder.ring(left, y0, pole, cut + 1.0))
    builder.lot(
        f"{name}B",
        outline,
        builder.house(back, faces_north=False),
        street=street,
        kind="flag" if has_pole else "no-frontage",
        year=year,
    )


def _streets(builder, rows, columns, pitch_x, pitch_y):
    """Lay streets between the rows and avenues between the columns, with mains in the streets."""
    west, east = -AVENUE / 2, columns * pitch_x - AVENUE / 2
    for row in range(rows + 1):
        y = row * pitch_y - STREET / 2
        builder.streets.append(
            {
                "st_name": f"{_word(row)} Street",
                "class": "street",
                "geometry": builder.line((west, y), (east, y)),
            }
        )
        for column in range(columns):
            x = column * pitch_x
            ends = (x + pitch_x - AVENUE / 2, y + 1.0), (x - AVENUE / 2, y + 1.0)
            builder.main(f"S{row}-{column}", *ends, 3.2)
    for column in range(columns + 1):
        x = column * pitch_x - AVENUE / 2
        ends = (x, -STREET / 2), (x, rows * pitch_y - STREET / 2)
        builder.streets.append(
            {
                "st_name": f"{_word(column + 400)} Avenue",
                "class": "street",
                "geometry": builder.line(*ends),
            }
        )


_SYLLABLES = ("ba", "do", "fe", "gu", "ki", "la", "mo", "ne", "pu", "ra", "si", "to", "vu", "we")


def _word(number: int) -> str:
    """Return an invented name of three syllables, another one for every number."""
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
