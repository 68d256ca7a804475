"""An invented town with the faults of real layers, and where every lateral in it truly taps.

Written apart from ``tests.invented_city`` and from the model: blocks of uneven lots about streets
of uneven widths, mains cut at manholes that know nothing of the blocks, ends of mains short of
the last lot, storm and abandoned pipes beside the sanitary ones, addresses in many notations.
Where a lateral goes is drawn from what it would cost to lay and from the age of the block, not
from any prior of the model; where along the main it taps, from rules that builders followed.
All names are invented.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from pathlib import Path

import geopandas
import numpy as np
import shapely

CRS = "EPSG:26914"
ORIGIN = np.array([612_000.0, 4_871_000.0])
TURN = math.radians(11.0)
NAMES = tuple(
    "Quarn Teld Birrow SaintOvo Halde Mirro Vask Onder Pell Grust Ixley Dorm Wenna Juro Zabel Kelt "
    "Ruse Fenno Lorr Cask".replace("SaintOvo", "Saint-Ovo").split()
)
TYPES = (("Street", "St"), ("Avenue", "Ave"), ("Road", "Rd"), ("Drive", "Dr"))
TOWARD = (("North", "N"), ("South", "S"), ("", ""), ("", ""))


@dataclass(frozen=True)
class Faults:
    """Which faults the layers have; shares are of rows."""

    roads: bool = True  # the streets are one parcel with a kiosk on it
    split_share: float = 0.0  # digitized against the flow
    gap_m: float = 0.3  # ends that miss each other
    wrong_label: float = 0.03
    missing_label: float = 0.10
    placeholder: float | str | None = None
    placeholder_share: float = 0.1
    feet: bool = False  # inverts in feet though the layer is in meters
    storm: bool = True
    bend_m: float = 0.0  # streets, fronts and mains wind by so much
    uneven_m: float = 0.0  # houses' setbacks differ by so much, fronts step in and out
    relief_m: float = 0.0  # hills between the blocks
    habit: float = 0.0  # how often a house is drained as the one beside it was


@dataclass
class Town:
    parcels: geopandas.GeoDataFrame
    buildings: geopandas.GeoDataFrame
    streets: geopandas.GeoDataFrame
    mains: geopandas.GeoDataFrame
    manholes: geopandas.GeoDataFrame
    truth: dict[str, dict[str, object]]  # parcel: line, tap (x, y), kind
    line_of: dict[str, str]  # main id: the line it is a piece of


@dataclass
class _Line:
    """A whole main before it is cut: ends in plan coordinates, depth, what flows in it."""

    name: str
    start: np.ndarray
    end: np.ndarray
    depth: float
    system: str = "SAN"
    status: str = "ACT"
    street: str = ""
    manholes: list[float] = field(default_factory=list)

    @property
    def length(self) -> float:
        return float(math.dist(self.start, self.end))

    def at(self, station: float) -> np.ndarray:
        return self.start + (self.end - self.start) * station / self.length

    def station(self, point: np.ndarray) -> float:
        return float((point - self.start) @ (self.end - self.start) / self.length)

    def distance(self, point: np.ndarray) -> float:
        return math.dist(point, self.at(min(max(self.station(point), 0.0), self.length)))


class _Town:
    def __init__(self, seed: int, faults: Faults) -> None:
        self.rng = np.random.default_rng(seed)
        self.faults = faults
        self.parcels, self.buildings, self.streets = [], [], []
        self.lines: list[_Line] = []
        self.truth: dict[str, dict[str, object]] = {}
        self.blocks = []

    def out(self, points):
        xy = np.atleast_2d(np.asarray(points, float)).copy()
        xy[:, 1] += self.faults.bend_m * np.sin(xy[:, 0] / 95.0 + xy[:, 1] / 300.0)
        cos, sin = math.cos(TURN), math.sin(TURN)
        return xy @ np.array([[cos, sin], [-sin, cos]]) + ORIGIN

    def ground(self, point) -> float:
        x, y = point
        hills = self.faults.relief_m * math.sin(x / 75.0 + 0.7) * math.sin(y / 45.0)
        rolling = 1.5 * math.sin(x / 210.0) * math.cos(y / 170.0)
        return 214.0 + 0.012 * x + 0.006 * y + rolling + hills

    def line_of(self, start, end):
        """Return a line in steps of at most 10 m, so that it winds with the plan."""
        steps = max(math.ceil(math.dist(start, end) / 10.0), 1) if self.faults.bend_m else 1
        return shapely.LineString(self.out(np.linspace(start, end, steps + 1)))

    def box(self, x0, y0, x1, y1):
        ring = shapely.LinearRing([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        if self.faults.bend_m:
            ring = shapely.segmentize(ring, 10.0)
        return shapely.Polygon(self.out(shapely.get_coordinates(ring)))


def invent_town(lots: int, *, seed: int = 1, faults: Faults = Faults()) -> Town:
    """Make a town of whole blocks with about ``lots`` lots; the same seed, the same town."""
    town = _Town(seed, faults)
    columns = max(round(math.sqrt(lots / 16 / 2.2)), 1)
    rows = max(math.ceil(lots / 16 / columns), 1)
    xs, ys = _lay_out(town, columns, rows)
    for row in range(rows):
        for column in range(columns):
            _block(town, row, column, xs[column], ys[row])
    _lay_laterals(town)
    return _layers(town, xs, ys)


def _lay_out(town, columns, rows):
    """Lay streets (along x) and avenues (along y) of uneven widths, with their mains."""
    rng = town.rng
    xs, ys, x, y = [], [], 0.0, 0.0
    for _ in range(columns):
        x += float(rng.choice([18.0, 20.0, 24.0]))
        length = float(rng.uniform(118.0, 150.0))
        xs.append((x, x + length))
        x += length
    for _ in range(rows):
        y += float(rng.choice([16.0, 18.0, 20.0]))
        depth = float(rng.uniform(72.0, 92.0))
        ys.append((y, y + depth))
        y += depth
    for i in range(rows + 1):
        low = ys[i - 1][1] if i else ys[0][0] - 18.0
        high = ys[i][0] if i < rows else ys[-1][1] + 18.0
        _way(town, i, 0, (xs[0][0] - 18.0, xs[-1][1] + 18.0), (low, high))
    for i in range(columns + 1):
        low = xs[i - 1][1] if i else xs[0][0] - 18.0
        high = xs[i][0] if i < columns else xs[-1][1] + 18.0
        _way(town, i + 7, 1, (ys[0][0] - 18.0, ys[-1][1] + 18.0), (low, high))
    return xs, ys


def _way(town, number, axis, along, across):
    """Put a street with its name and its pipes: some avenues have no sewer of their own."""
    rng = town.rng
    middle = 0.5 * (across[0] + across[1])
    name, kind = NAMES[number % len(NAMES)], int(rng.integers(len(TYPES)))
    if number >= len(NAMES):
        name = f"{name} {number // len(NAMES) + 1}"
    toward = int(rng.integers(len(TOWARD)))

    def at(s, offset):
        return np.array([s, middle + offset] if axis == 0 else [middle + offset, s])

    town.streets.append((name, kind, toward, at(along[0], 0.0), at(along[1], 0.0)))
    if axis == 1 and rng.random() < 0.4:
        return
    offset, depth = float(rng.uniform(-2.5, 2.5)), float(rng.uniform(2.6, 3.6))
    # a main ends at the last manhole, short of the street's end
    head, tail = (float(rng.uniform(2.0, 46.0)) for _ in range(2))
    start, end = along[1] - head, along[0] + 0.3 * tail
    if rng.random() < 0.5:
        start, end = along[0] + head, along[1] - 0.3 * tail
    town.lines.append(
        _Line(f"L{number}{'EN'[axis]}", at(start, offset), at(end, offset), depth, street=name)
    )
    if town.faults.storm and rng.random() < 0.5:
        beside = -offset - math.copysign(1.5, offset)
        town.lines.append(
            _Line(f"D{number}{'EN'[axis]}", at(start, beside), at(end, beside), 1.8, "STM")
        )
    if town.faults.storm and rng.random() < 0.2:
        other = offset + math.copysign(4.0, -offset)
        town.lines.append(
            _Line(f"X{number}{'EN'[axis]}", at(start, other), at(end, other), 2.4, status="ABAND")
        )


def _block(town, row, column, x, y):
    """Fill a block: two rows of lots, old ones with an alley or a rear easement and its main."""
    rng = town.rng
    old = rng.random() < 0.45
    year = int(rng.integers(1898, 1938)) if old else int(rng.integers(1950, 1998))
    alley = 4.8 if old and rng.random() < 0.7 else 0.0
    middle = 0.5 * (y[0] + y[1])
    rear = None
    if old and (alley or rng.random() < 0.5):
        rear = _Line(
            f"R{row}.{column}",
            np.array([x[1] - rng.uniform(1, 14), middle]),
            np.array([x[0] - 5.0, middle]),
            float(rng.uniform(2.4, 3.0)),
        )
        town.lines.append(rear)
    if alley:
        town.streets.append(
            ("", -1, 2, np.array([x[0] - 9.0, middle]), np.array([x[1] + 9.0, middle]))
        )
    for side, (front, back) in enumerate(((y[0], middle - alley / 2), (y[1], middle + alley / 2))):
        count = int(rng.integers(7, 10))
        cuts = x[0] + (x[1] - x[0]) * np.cumsum([0, *rng.dirichlet(np.full(count, 40.0))])
        for i in range(count):
            town.blocks.append(
                {
                    "row": row + side,
                    "column": column,
                    "x": (cuts[i], cuts[i + 1]),
                    "front": front,
                    "back": back,
                    "year": year,
                    "rear": rear,
                    "old": old,
                    "corner": -1 if i == 0 else 1 if i == count - 1 else 0,
                    "row_of": (row, column, side),
                    "step": float(rng.uniform(0.0, town.faults.uneven_m))
                    if town.faults.uneven_m
                    else 0.0,
                }
            )


def _lay_laterals(town):
    """Build the house on each lot, choose the main, and tap it."""
    rng = town.rng
    before: dict[str, float] = {}
    beside, row_of = "", None
    for number, lot in enumerate(town.blocks):
        if lot["row_of"] != row_of:
            before, beside, row_of = {}, "", lot["row_of"]
        name = f"T{number:05d}"
        (x0, x1), front, back = lot["x"], lot["front"], lot["back"]
        up = 1.0 if back > front else -1.0
        width, depth = x1 - x0, abs(back - front)
        house_w = min(width - 2.4, float(rng.uniform(8.0, 12.5)))
        set_back = float(rng.uniform(3.0, 9.0)) + lot["step"]
        house_d = min(float(rng.uniform(9.0, 15.0)), depth - set_back - 4.0)
        left = x0 + 1.2 + float(rng.uniform(0.0, max(width - house_w - 2.4, 0.01)))
        near, far = front + up * set_back, front + up * (set_back + house_d)
        corner = lot["corner"]
        faces_side = corner != 0 and rng.random() < 0.22
        options = _options(town, lot, left, house_w, near, far)
        choice, before = _choose(town, lot, options, faces_side, (beside, before))
        beside, best = choice or beside, max(before.values(), default=0.0)
        tap = _tap(rng, options[choice], (x0, x1, front, back)) if choice else None
        street = town.streets[lot["row"]][:3]
        if faces_side:
            avenues = [s for s in town.streets if s[3][0] == s[4][0]]
            street = avenues[lot["column"] + (corner > 0)][:3]
        town.parcels.append(
            {
                "apn": name,
                "situs": _address(town, street),
                "yr": lot["year"],
                "elev": round(town.ground(((x0 + x1) / 2, (near + far) / 2)), 2),
                "geometry": town.box(
                    x0,
                    min(front + up * lot["step"] / 3.0, back),
                    x1,
                    max(front + up * lot["step"] / 3.0, back),
                ),
            }
        )
        town.buildings.append(
            {"geometry": town.box(left, min(near, far), left + house_w, max(near, far))}
        )
        kind = "corner" if corner else "interior"
        town.truth[name] = {"kind": kind, "line": "", "tap": None, "best": best}
        if choice:
            line, _exit, _length = options[choice]
            town.truth[name].update(line=line.name, tap=tuple(town.out(tap)[0]), choice=choice)


def _options(town, lot, left, house_w, near, far):
    """Return what could be laid: toward the front, the rear, and the side street of a corner."""
    rng = town.rng
    share = float(rng.uniform(0.1, 0.9))
    if rng.random() < 0.15:
        # out through a side wall and on along it
        share = float(rng.choice([-0.9, house_w + 0.9])) / house_w
    exits = {
        "front": np.array([left + share * house_w, near]),
        "rear": np.array([left + share * house_w, far]),
        "side": np.array(
            [
                left if lot["corner"] < 0 else left + house_w,
                near + min(max(share, 0.1), 0.9) * (far - near),
            ]
        ),
    }
    live = [line for line in town.lines if line.system == "SAN" and line.status == "ACT"]
    found = {}
    for toward, exit in exits.items():
        if toward == "side" and not lot["corner"]:
            continue
        vertical = toward == "side"
        if toward == "rear":
            lines = [lot["rear"]] if lot["rear"] is not None else []
        else:
            lines = [
                line
                for line in live
                if line.street and (abs(line.start[0] - line.end[0]) < 1e-6) == vertical
            ]
        near_by = sorted(
            ((line.distance(exit), line.name, line) for line in lines), key=lambda t: t[:2]
        )
        if near_by and near_by[0][0] < 40.0:
            found[toward] = (near_by[0][2], exit, near_by[0][0])
    return found


def _choose(town, lot, options, faces_side, beside):
    """Draw the way: cheap ways rather than dear ones, old rows to the rear, few into nowhere.

    With a habit the way of the house beside is taken first. The second value is how probable each
    way is for one who knows all of this, and nothing of the other houses.
    """
    rng, habit = town.rng, town.faults.habit
    if not options or rng.random() < 0.015:
        return "", {}
    dear = {}
    for toward, (line, exit, length) in options.items():
        cost = length / 7.0
        if toward == "rear":
            cost += 0.6 if lot["old"] else 2.5
        if toward == "side":
            cost += -0.6 if faces_side else 1.4
        if toward == "front" and faces_side:
            cost += 1.4
        if town.faults.relief_m and _uphill(town, line, exit, length):
            cost += 4.0
        dear[toward] = cost
    weights = np.exp(-np.array(list(dear.values())))
    weights = weights / weights.sum()
    chosen = str(rng.choice(list(dear), p=weights))
    last, before = beside
    kept = sum(before.get(toward, 0.0) for toward in dear)
    shares = {
        toward: habit * before.get(toward, 0.0) + (1.0 - habit * kept) * weight
        for toward, weight in zip(dear, weights.tolist(), strict=True)
    }
    if habit and last in dear and rng.random() < habit:
        chosen = last
    return chosen, shares


def _uphill(town, line, exit, length):
    """Return whether a drain 1.8 m below the ground at the house would not fall to the main."""
    tap = line.at(min(max(line.station(exit), 0.0), line.length))
    return town.ground(exit) - 1.8 - 0.01 * length < town.ground(tap) - line.depth


def _tap(rng, option, lot):
    """Draw where along its main a lateral taps; past the end it goes to the last manhole."""
    line, exit, length = option
    square = line.station(exit)
    x0, x1, front, back = lot
    rule = rng.random()
    if rule < 0.55:
        station = square + rng.normal(0.0, 0.6)
    elif rule < 0.72:
        station = square + min(length, rng.uniform(1.5, 5.0))  # one wye's lean, with the flow
    elif rule < 0.82:
        station = line.station(np.array([(x0 + x1) / 2, (front + back) / 2])) + rng.normal(0.0, 1.0)
    elif rule < 0.90:
        manholes = sorted(_manholes(line, rng), key=lambda s: abs(s - square))
        station = manholes[0] if abs(manholes[0] - square) < 12.0 else square
    else:
        ends = [
            line.station(np.array(p)) for p in ((x0, front), (x1, front), (x0, back), (x1, back))
        ]
        station = rng.uniform(min(ends) - 3.0, max(ends) + 3.0)
    return line.at(min(max(station, 0.0), line.length))


def _manholes(line, rng):
    """Return the stations of a line's manholes, drawn once: uneven reaches, both ends."""
    if not line.manholes:
        stations = [0.0]
        while stations[-1] < line.length:
            stations.append(stations[-1] + float(rng.uniform(55.0, 105.0)))
        if len(stations) > 2 and line.length - stations[-2] < 15.0:
            stations.pop(-2)
        stations[-1] = line.length
        line.manholes += stations
    return line.manholes


def _address(town, street):
    """Write an address in one of many notations; some are missing or name another street."""
    rng = town.rng
    name, kind, toward = street
    if rng.random() < town.faults.missing_label:
        return ""
    if rng.random() < town.faults.wrong_label:
        name, kind, toward = NAMES[int(rng.integers(len(NAMES)))], int(rng.integers(4)), 2
    style = int(rng.integers(4))
    number = int(rng.integers(100, 2400))
    long, short = TYPES[kind]
    far, near = TOWARD[toward]
    head = f"{far} " if far else ""
    head_short = f"{near} " if near else ""
    return (
        f"{number} {head_short}{name} {short}",
        f"{number} {head}{name} {long}".upper(),
        f"{head_short}{name} {short}.",
        f"{number}-A {head}{name} {short}, Unit 2",
    )[style]


def _layers(town, xs, ys):
    rng, faults = town.rng, town.faults
    mains, manholes, line_of = [], [], {}
    for line in town.lines:
        stations = _manholes(line, rng)
        inverts = [town.ground(line.at(s)) - line.depth for s in stations]
        for i in range(1, len(inverts)):
            inverts[i] = min(inverts[i], inverts[i - 1] - 0.004 * (stations[i] - stations[i - 1]))
        for i, (a, b) in enumerate(itertools.pairwise(stations)):
            ends = np.array([line.at(a), line.at(b)])
            ends[1] += rng.normal(0.0, faults.gap_m / 2, 2)
            up, down = inverts[i], inverts[i + 1]
            if rng.random() < faults.split_share:
                ends, up, down = ends[::-1], down, up
            name = f"{line.name}-{i + 1}"
            line_of[name] = line.name
            mains.append(
                {
                    "facility": name,
                    "sys": line.system,
                    "stat": line.status,
                    "us_inv": _written(faults, rng, up),
                    "ds_inv": _written(faults, rng, down),
                    "geometry": town.line_of(*ends),
                }
            )
        if line.system == "SAN":
            manholes += [
                {"facility": f"{line.name}/{i}", "geometry": shapely.Point(town.out(line.at(s))[0])}
                for i, s in enumerate(stations)
            ]
    parcels = list(town.parcels)
    buildings = list(town.buildings)
    if faults.roads:
        whole = town.box(xs[0][0] - 18.0, ys[0][0] - 18.0, xs[-1][1] + 18.0, ys[-1][1] + 18.0)
        blocks = shapely.union_all([town.box(x[0], y[0], x[1], y[1]) for x in xs for y in ys])
        parcels.append(
            {
                "apn": "ROAD",
                "situs": "",
                "yr": 0,
                "elev": 0.0,
                "geometry": shapely.difference(whole, blocks),
            }
        )
        spot = xs[0][0] - 15.0, ys[0][0] - 15.0
        buildings.append({"geometry": town.box(*spot, spot[0] + 4.0, spot[1] + 3.5)})
    streets = [
        {
            "fullname": f"{TOWARD[toward][1]} {name} {TYPES[kind][1]}".strip().upper()
            if name
            else "",
            "class": "Residential" if name else "Alley",
            "geometry": town.line_of(start, end),
        }
        for name, kind, toward, start, end in town.streets
    ]
    frames = [
        geopandas.GeoDataFrame(rows, geometry="geometry", crs=CRS)
        for rows in (parcels, buildings, streets, mains, manholes)
    ]
    return Town(*frames, town.truth, line_of)


def _written(faults, rng, invert):
    """Write an invert as the layer has it, with its faults."""
    if faults.placeholder is not None and rng.random() < faults.placeholder_share:
        return faults.placeholder
    value = round(invert / 0.3048 if faults.feet else invert, 2)
    return str(value) if isinstance(faults.placeholder, str) else value


TOWN_TOML = """\
[city]
name = "Invented town with faults"
units = "m"

[parcels]
layer = "town.gpkg"
layer_name = "parcels"
id = "apn"
street = "situs"
year_built = "yr"
ground = "elev"

[buildings]
layer = "town.gpkg"
layer_name = "buildings"

[streets]
layer = "town.gpkg"
layer_name = "streets"
name = "fullname"
kind = "class"

[mains]
layer = "town.gpkg"
layer_name = "mains"
id = "facility"
system = "sys"
status = "stat"
invert_up = "us_inv"
invert_down = "ds_inv"

[manholes]
layer = "town.gpkg"
layer_name = "manholes"
id = "facility"
"""


def write_town(town: Town, folder: Path, toml: str = TOWN_TOML) -> Path:
    """Write the layers and ``CITY.toml``; give its path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("parcels", "buildings", "streets", "mains", "manholes"):
        getattr(town, name).to_file(folder / "town.gpkg", layer=name, driver="GPKG")
    path = folder / "CITY.toml"
    path.write_text(toml, "utf-8")
    return path
