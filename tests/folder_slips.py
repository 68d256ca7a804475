"""Slips of whoever fills in a site folder, one at a time, on :mod:`tests.drawn_folders`.

A slip changes what was written down; the truth stays. ``separable`` is told from the truth
without noise: something else in the folder contradicts what the slip makes of it by more than
:data:`MISSES_M` (a tape, a door measured from both rooms, a mark outdoors),
:data:`DEPTH_MISSES_M` (a taped depth), or by what the class says.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.drawn_folders import CORNERS, FOOT_M, X_TOWARD, Array, Box, Drawn

MISSES_M, DEPTH_MISSES_M = 0.30, 0.15
HEADING_SLIP_DEG = 47.0
Row = dict[str, Any]


@dataclass(frozen=True)
class EvidenceFault:
    """A spoiled folder.

    ``inputs``: words of which one must stand in what the answer lists as unchecked, where
    nothing separates the slip. ``moves`` tells that the slip moves the answer on the earth
    although it may not in lot coordinates.
    """

    kind: str
    drawn: Drawn
    separable: bool
    inputs: tuple[str, ...]
    moves: bool = False


def slips_of(drawn: Drawn, seed: int) -> Iterator[EvidenceFault]:
    """Make every slip that the folder allows."""
    generator = np.random.default_rng([seed, 5_150])
    for kind, make in MAKERS.items():
        slip = make(drawn, kind, generator)
        if slip is not None:
            yield slip


def make_slip(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Make one slip; None where nobody could make it here."""
    return MAKERS[kind](drawn, kind, generator)


# ---------------------------------------------------------------------------- rooms and marks


def _place(box: Box, row: Row, unit_m: float) -> Array:
    """Return a row's place (2,) in the lot, as written in a room."""
    return np.asarray(box.origin + unit_m * np.array([row["x"], row["y"]]) @ box.axes())


def _as_written(drawn: Drawn) -> list[tuple[str, str, Array]]:
    """Return id, kind and place of every row indoors as written."""
    boxes = {box.id: box for box in drawn.boxes}
    return [
        (row["id"], row["kind"], _place(boxes[row["room"]], row, drawn.unit_m))
        for row in drawn.rows
        if row["room"] != "lot"
    ]


def _contradicted(drawn: Drawn) -> bool:
    """Return whether a tape or a door contradicts the rows as written."""
    places: dict[str, list[Array]] = {}
    for name, _, place in _as_written(drawn):
        places.setdefault(name, []).append(place)
    corners = dict(
        zip(
            CORNERS, (drawn.house[0], drawn.house[1], drawn.house[-2], drawn.house[-1]), strict=True
        )
    )
    missed = [
        abs(
            np.hypot(*(places[tie["from"]][0] - corners[tie["to"][9:]]))
            - drawn.unit_m * tie["distance"]
        )
        for tie in drawn.ties
    ]
    missed += [np.hypot(*(seen[0] - seen[1])) for seen in places.values() if len(seen) == 2]
    return bool(max(missed, default=0.0) > MISSES_M)


def _boxes_with_marks(drawn: Drawn) -> list[Box]:
    used = {row["room"] for row in drawn.rows if row["kind"] in ("locate", "cleanout")}
    return [box for box in drawn.boxes if box.id in used]


def _room(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Tape one room from another corner, or with x and y exchanged."""
    boxes = _boxes_with_marks(drawn)
    box = boxes[int(generator.integers(len(boxes)))]
    far_x, far_y, hand = {
        "opposite corner": (True, True, False),
        "adjacent corner": (bool(generator.random() < 0.5), False, False),
        "hand": (False, False, True),
        "opposite corner and hand": (True, True, True),
    }[kind]
    far_y = far_y or (kind == "adjacent corner" and not far_x)
    size = box.size / drawn.unit_m
    rows = []
    for old in drawn.rows:
        row = dict(old)
        if row["room"] == box.id:
            x = size[0] - row["x"] if far_x else row["x"]
            y = size[1] - row["y"] if far_y else row["y"]
            axis = None
            if row["heading"] != "":
                angle = np.radians(row["heading"])
                axis = [np.cos(angle) * (-1 if far_x else 1), np.sin(angle) * (-1 if far_y else 1)]
            if hand:
                x, y = y, x
                axis = None if axis is None else axis[::-1]
            if not (-0.2 < x < size[0] + 0.2 and -0.2 < y < size[1] + 0.2):
                return None
            row |= {"x": round(float(x), 3), "y": round(float(y), 3)}
            if axis is not None:
                row["heading"] = round(float(np.degrees(np.arctan2(axis[1], axis[0])) % 360.0), 1)
        rows.append(row)
    spoiled = replace(drawn, rows=rows)
    return EvidenceFault(
        kind, spoiled, _contradicted(spoiled), (f"Room {box.id}", "sides of the house")
    )


def _exchanged(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Exchange the names of two rooms in the rows."""
    boxes = _boxes_with_marks(drawn)
    if len(boxes) < 2:
        return None
    names = {boxes[0].id: boxes[1].id, boxes[1].id: boxes[0].id}
    rows = [row | {"room": names.get(row["room"], row["room"])} for row in drawn.rows]
    spoiled = replace(drawn, rows=rows)
    sizes = {box.id: box.size / drawn.unit_m for box in drawn.boxes}
    for row in rows:
        if (
            row["room"] in sizes
            and not (np.array([row["x"], row["y"]]) < sizes[row["room"]] + 0.2).all()
        ):
            return None
    return EvidenceFault(
        kind,
        spoiled,
        _contradicted(spoiled),
        (f"Room {boxes[0].id}", f"Room {boxes[1].id}", "sides of the house"),
    )


def _corner_written(
    drawn: Drawn, kind: str, generator: np.random.Generator
) -> EvidenceFault | None:
    """Write another corner for a room than the one taped from."""
    boxes = _boxes_with_marks(drawn)
    box = boxes[int(generator.integers(len(boxes)))]
    if len(drawn.boxes) > 1 or len(drawn.house) > 4:
        return None
    other = str(generator.choice([name for name in CORNERS if name != box.corner]))
    file = copy.deepcopy(drawn.file)
    room = next(room for room in file["room"] if room["id"] == box.id)
    turned = (X_TOWARD[other] - X_TOWARD[box.corner]) % 180.0 == 90.0
    size = box.size[::-1] if turned else box.size
    if "size" in room and turned:
        room["size"] = room["size"][::-1]
    for row in drawn.rows:
        if (
            row["room"] == box.id
            and not (np.array([row["x"], row["y"]]) * drawn.unit_m < size + 0.1).all()
        ):
            return None
    room["corner"] = other
    spoiled = replace(
        drawn,
        file=file,
        boxes=tuple(replace(b, corner=other) if b.id == box.id else b for b in drawn.boxes),
    )
    return EvidenceFault(
        kind, spoiled, _contradicted(spoiled), (f"Room {box.id}", "sides of the house")
    )


def _offsets_in_meters(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Write x and y in meters where feet are read, or feet where meters are."""
    factor = FOOT_M if drawn.unit_m != 1.0 else 1.0 / FOOT_M
    rows = [
        row
        if row["room"] == "lot"
        else row | {"x": round(row["x"] * factor, 3), "y": round(row["y"] * factor, 3)}
        for row in drawn.rows
    ]
    spoiled = replace(drawn, rows=rows)
    counted = "footage" in drawn.has
    return EvidenceFault(kind, spoiled, counted or _contradicted(spoiled), ("unit of x and y",))


def _depths(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Change every depth of the receiver."""
    factor, offset = {
        "depths halved": (0.5, 0.0),
        "depths doubled": (2.0, 0.0),
        "depths a foot less": (1.0, -FOOT_M),
        "depths a foot more": (1.0, FOOT_M),
        "depths 2.54 times": (2.54, 0.0),
    }[kind]
    rows, missed = [], 0.0
    for row in drawn.rows:
        if row["depth"] == "" or row["kind"] != "locate" or row["room"] == "lot":
            rows.append(row)
            continue
        depth = factor * row["depth"] + offset / drawn.depth_unit_m
        if depth * drawn.depth_unit_m < 0.06:
            return None
        missed = max(missed, abs(depth - row["depth"]) * drawn.depth_unit_m)
        rows.append(row | {"depth": round(depth, 1)})
    apart = "taped" in drawn.has and missed > DEPTH_MISSES_M
    return EvidenceFault(kind, replace(drawn, rows=rows), apart, ("depths",))


def _one_heading(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Read the heading of the last mark 47° off."""
    headed = [i for i, row in enumerate(drawn.rows) if row["heading"] != ""]
    if not headed:
        return None
    rows = [dict(row) for row in drawn.rows]
    last = [i for i in headed if drawn.rows[i]["room"] != "lot"][-1]
    rows[last]["heading"] = round(
        (rows[last]["heading"] + HEADING_SLIP_DEG * float(generator.choice([-1, 1]))) % 360.0, 1
    )
    return EvidenceFault(kind, replace(drawn, rows=rows), drawn.marks_past_bend >= 3, ("heading",))


# ------------------------------------------------------------------------------- the lot, heights


def _front(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Turn the front line: by 12° (magnetic), 90° (the side's), 180°."""
    if "front_azimuth" not in drawn.file["lot"]:
        return None
    turn = {
        "front line 12°": 12.0 * float(generator.choice([-1, 1])),
        "front line 90°": 90.0,
        "front line 180°": 180.0,
    }[kind]
    file = copy.deepcopy(drawn.file)
    file["lot"]["front_azimuth"] = round((file["lot"]["front_azimuth"] + turn) % 360.0, 1)
    return EvidenceFault(kind, replace(drawn, file=file), bool(drawn.layers), ("front line",), True)


def _earth(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Drop the minus of the longitude, or slip by a degree of latitude or a digit."""
    if "longitude" not in drawn.file["lot"]:
        return None
    file = copy.deepcopy(drawn.file)
    lot = file["lot"]
    if kind == "longitude without minus":
        lot["longitude"] = -lot["longitude"]
    elif kind == "a degree of latitude":
        lot["latitude"] = round(lot["latitude"] + float(generator.choice([-1, 1])), 7)
    else:
        text = f"{lot['latitude']:.7f}"
        i = text.index(".") + 3
        text = text[:i] + text[i + 1] + text[i] + text[i + 2 :]
        if float(text) == lot["latitude"]:
            return None
        lot["latitude"] = float(text)
    apart = bool(drawn.layers) or kind == "longitude without minus"
    return EvidenceFault(kind, replace(drawn, file=file), apart, ("on earth",), True)


def _house_moved(drawn: Drawn, kind: str, generator: np.random.Generator) -> EvidenceFault | None:
    """Shift the layer of buildings by 5 m, or take the setbacks from other lines."""
    if "buildings" in drawn.layers:
        angle = generator.uniform(0.0, 2 * np.pi)
        scale = 1.0 if drawn.grid not in ("EPSG:3435", "EPSG:2264") else 3937.0 / 1200.0
        shift = 5.0 * scale * np.array([np.cos(angle), np.sin(angle)])
        layers = {**drawn.layers, "buildings": {"9": drawn.layers["buildings"]["9"] + shift}}
        return EvidenceFault(
            kind, replace(drawn, layers=layers), False, ("place of the house",), True
        )
    setbacks = drawn.file["building"].get("setbacks")
    if setbacks is None:
        return None
    file = copy.deepcopy(drawn.file)
    file["building"]["setbacks"] = {"front": setbacks["front"], "right": setbacks["left"]}
    return EvidenceFault(kind, replace(drawn, file=file), False, ("place of the house",), True)


ZONES = {
    "neighboring zone": {
        "EPSG:3435": "EPSG:3436",
        "EPSG:26916": "EPSG:26917",
        "EPSG:26917": "EPSG:26918",
        "EPSG:26910": "EPSG:26911",
    },
    "feet for meters": {"EPSG:3435": "EPSG:26971", "EPSG:2264": "EPSG:32119"},
}
"""Neighbors in the EPSG registry, and the same zone in the other unit."""


def _zone(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Put layers into the CRS of a neighboring zone, or meters for feet."""
    other = ZONES[kind].get(drawn.grid)
    if other is None or not drawn.layers:
        return None
    file = copy.deepcopy(drawn.file)
    file["site"]["crs"] = other
    typed = "longitude" in file["lot"]
    apart = typed or kind == "feet for meters" or drawn.grid == "EPSG:3435"
    return EvidenceFault(kind, replace(drawn, file=file, grid=other), apart, ("on earth",), True)


def _ground(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Write the ground at the house 6 ft lower than it is, or a foot."""
    file = copy.deepcopy(drawn.file)
    drop = 1.83 if kind == "ground 6 ft lower" else FOOT_M
    file["site"]["ground_above_slab"] = round(
        file["site"]["ground_above_slab"] - drop / drawn.unit_m, 3
    )
    apart = kind == "ground 6 ft lower" and "streets" in drawn.has
    return EvidenceFault(kind, replace(drawn, file=file), apart, ("ground",))


def _slab(drawn: Drawn, kind: str, _: np.random.Generator) -> EvidenceFault | None:
    """Write the first floor's elevation for the slab's, or one of another datum."""
    if "slab_elevation" not in drawn.file["site"]:
        return None
    file = copy.deepcopy(drawn.file)
    step = 2.74 if kind == "slab of the first floor" else 0.6
    file["site"]["slab_elevation"] = round(file["site"]["slab_elevation"] + step / drawn.unit_m, 3)
    apart = kind == "slab of the first floor" and bool({"rims", "sea"} & drawn.has)
    if kind == "slab of the first floor" and "streets" not in drawn.has and "sea" not in drawn.has:
        apart = False
    return EvidenceFault(kind, replace(drawn, file=file), apart, ("slab elevation",), True)


MAKERS: dict[str, Callable[[Drawn, str, np.random.Generator], EvidenceFault | None]] = {
    "opposite corner": _room, "adjacent corner": _room, "hand": _room,
    "opposite corner and hand": _room, "rooms exchanged": _exchanged,
    "corner written": _corner_written, "offsets in another unit": _offsets_in_meters,
    "depths halved": _depths, "depths doubled": _depths, "depths a foot less": _depths,
    "depths a foot more": _depths, "depths 2.54 times": _depths, "one heading": _one_heading,
    "front line 12°": _front, "front line 90°": _front, "front line 180°": _front,
    "longitude without minus": _earth, "a degree of latitude": _earth, "digits exchanged": _earth,
    "house moved": _house_moved, "neighboring zone": _zone, "feet for meters": _zone,
    "ground 6 ft lower": _ground, "ground a foot lower": _ground,
    "slab of the first floor": _slab, "another datum": _slab,
}  # fmt: skip
