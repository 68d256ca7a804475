"""Slips of a survey, made on their own: nothing here is the package's.

Sites are those of :mod:`tests.independent_sites`, some with the basement in two rooms (with or
without a doorway measured from both), with a check tape from each room to a house corner, and
with the cleanout's depth taped. A slip changes what was written down; the truth stays. Whether
the input separates a slip from the truth is told from the truth without noise: a check tape or a
doorway that misses by 0.3 m or more, a taped depth by 0.15 m, headings where three marks lie
past the last bend.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from sitegis.model.site import Locate, Room, Site, Tie
from tests import neighborhood as hood
from tests.independent_sites import Regime, TrueSite, draw_site

Array = hood.Array
FOOT_M = 0.3048
TAPE_SD_M = 0.03
MISSES_M, DEPTH_MISSES_M = 0.30, 0.15
CLASSES = (
    "opposite corner", "adjacent corner", "hand", "rooms exchanged", "meters as feet",
    "depths halved", "depths doubled", "depths a foot less", "depths a foot more",
    "centimeters as inches", "one heading",
)  # fmt: skip
OUTDOORS = ("house moved", "ground off")
"""Slips that pits show and no reading of the marks: made at their rates only."""


@dataclass(frozen=True)
class Surveyed:
    """A site as surveyed without slips, and the truth it was drawn from.

    ``checked`` tells if check tapes were taken, ``taped`` if the cleanout's depth was.
    """

    true: TrueSite
    site: Site
    checked: bool
    taped: bool
    doors: bool

    @property
    def exit(self) -> Array:
        """The true place (2,) where the drain passes the wall."""
        return np.asarray(self.true.indoors[-1])

    @property
    def exit_invert_m(self) -> float:
        """The true invert there."""
        return float(self.true.inverts_m[0])


@dataclass(frozen=True)
class EvidenceFault:
    """A spoiled site: the class of the slip, and whether the input separates it."""

    kind: str
    site: Site
    separable: bool


def draw_survey(seed: int, regime: Regime, noisy: float = 1.5) -> Surveyed:
    """Draw a site with its ways of checking: half with two rooms, half with tapes and so on."""
    true = draw_site(seed, regime, noisy=noisy)
    generator = np.random.default_rng([seed, 90_210])
    factor = noisy if regime == "noisy" else 1.0
    checked, taped, parted = (bool(generator.random() < 0.5) for _ in range(3))
    doors = parted and bool(generator.random() < 0.5)
    site = true.site
    if parted:
        site = _in_two_rooms(site, generator, factor, doors=doors)
    if taped:
        depth = -true.invert_start_m + 0.015 * factor * generator.standard_normal()
        rows = [replace(site.locates[0], depth_m=float(depth)), *site.locates[1:]]
        site = replace(site, locates=tuple(rows))
    if checked:
        site = replace(site, ties=tuple(_check_tapes(site, generator, factor)))
    if generator.random() < 0.3:
        site = _with_headings(true, site, generator, factor)
    return Surveyed(true, site, checked, taped, doors)


def _inner(site: Site) -> Array:
    """Return width and depth of the basement inside its walls."""
    low, high = site.building.vertices.min(axis=0), site.building.vertices.max(axis=0)
    return np.asarray(high - low - 2 * hood.WALL_M)


def _in_two_rooms(
    site: Site, generator: np.random.Generator, factor: float, *, doors: bool
) -> Site:
    """Part the basement at half its depth; the rear room is taped from its rear-right corner."""
    width, depth = _inner(site)
    middle = depth / 2.0
    rows: list[Locate] = []
    for row in site.locates:
        if row.y_m < middle:
            rows.append(row)
        else:
            heading = None if row.heading_rad is None else row.heading_rad + np.pi
            rows.append(
                replace(
                    row, room="R2", x_m=width - row.x_m, y_m=depth - row.y_m, heading_rad=heading
                )
            )
    sd = 0.01 * factor
    if doors:
        for name, x in (("D1", 0.35 * width), ("D2", 0.35 * width + 0.9)):
            for room, place in (("R1", (x, middle)), ("R2", (width - x, depth - middle))):
                here = np.array(place) + sd * generator.standard_normal(2)
                rows.append(
                    Locate(name, "wall", room, float(here[0]), float(here[1]), None, None, None,
                           None, None, None, "", "", 40 + len(rows))
                )  # fmt: skip
    front = replace(site.rooms[0], size_m=(float(width), float(middle)))
    rear = Room(
        "R2",
        "Rear room",
        (float(width + hood.WALL_M), float(depth + hood.WALL_M)),
        0.02,
        np.pi,
        float(np.radians(0.3)),
        (float(width), float(depth - middle)),
    )
    return replace(site, rooms=(front, rear), locates=tuple(rows))


CORNERS = ("front-left", "front-right", "rear-right", "rear-left")


def in_building(site: Site, row: Locate) -> Array:
    """Return a row's place (2,) against the building's front-left outside corner, as written."""
    room = next(room for room in site.rooms if room.id == row.room)
    assert room.origin_m is not None
    assert room.x_toward_rad is not None
    cosine, sine = np.cos(room.x_toward_rad), np.sin(room.x_toward_rad)
    turn = np.array([[cosine, -sine], [sine, cosine]])
    return np.asarray(np.array(room.origin_m) + turn @ [row.x_m, row.y_m])


def corner_place(site: Site, name: str) -> Array:
    """Return an outside corner (2,) against the front-left one."""
    size = _inner(site) + 2 * hood.WALL_M
    x, y = name.endswith("right"), name.startswith("rear")
    return np.asarray(size * [float(x), float(y)])


def _check_tapes(site: Site, generator: np.random.Generator, factor: float) -> Iterator[Tie]:
    """Tape from the last mark of each room to the corner that tells its mirror images apart."""
    for number, room in enumerate(site.rooms):
        rows = [row for row in site.locates if row.room == room.id and row.kind != "wall"]
        if not rows:
            continue
        row = rows[-1]
        place = in_building(site, row)
        corner = max(CORNERS, key=lambda name: _least_apart(site, place, name))
        length = np.hypot(*(place - corner_place(site, corner)))
        length += TAPE_SD_M * factor * generator.standard_normal()
        yield Tie(row.id, f"building:{corner}", float(length), TAPE_SD_M, number + 2)


def _least_apart(site: Site, place: Array, corner: str) -> float:
    """Return the least difference of the tape among the mirror images of a place in the house."""
    size = _inner(site) + 2 * hood.WALL_M
    away = corner_place(site, corner)
    here = np.hypot(*(place - away))
    images = [np.abs(size * s - place) for s in ((1, 1), (1, 0), (0, 1))]
    return float(min(abs(np.hypot(*(image - away)) - here) for image in images))


def _with_headings(
    true: TrueSite, site: Site, generator: np.random.Generator, factor: float
) -> Site:
    """Read the head's axis at every mark but the first."""
    steps = np.diff(true.indoors, axis=0)
    passed = np.cumsum(np.hypot(*steps.T))
    angles = np.arctan2(steps[:, 1], steps[:, 0])
    turns = {room.id: room.x_toward_rad or 0.0 for room in site.rooms}
    rows = list(site.locates)
    for i, station in enumerate(true.stations_m):
        if i:
            along = angles[min(int(np.searchsorted(passed, station)), len(angles) - 1)]
            read = along - turns[rows[i].room] + np.radians(9.0) * factor * generator.normal()
            rows[i] = replace(rows[i], heading_rad=float(read))
    return replace(site, locates=tuple(rows))


# -------------------------------------------------------------------------------------- slips


def slips_of(surveyed: Surveyed, seed: int) -> Iterator[EvidenceFault]:
    """Make every slip that the site allows, one at a time."""
    generator = np.random.default_rng([seed, 4_021])
    for kind in CLASSES:
        spoiled = make_slip(surveyed, kind, generator)
        if spoiled is not None:
            yield EvidenceFault(kind, spoiled, separable(surveyed, spoiled, kind))


def make_slip(surveyed: Surveyed, kind: str, generator: np.random.Generator) -> Site | None:
    """Make one slip of a class; None where nobody could make it here."""
    site = surveyed.site
    if kind in ("opposite corner", "adjacent corner", "hand"):
        return _taped_otherwise(site, kind, generator)
    if kind == "rooms exchanged":
        return _exchanged(site)
    if kind == "meters as feet":
        scaled = [_scaled(row, FOOT_M) for row in site.locates]
        return replace(site, units="ft", locates=tuple(scaled))
    if kind == "one heading":
        return _one_heading(site, generator)
    outdoors = kind in OUTDOORS
    return _outdoors(site, kind, generator) if outdoors else _depths_otherwise(site, kind)


def _outdoors(site: Site, kind: str, generator: np.random.Generator) -> Site:
    """Place the house 1 to 5 m off, or give the ground at it some feet too high or low."""
    if kind == "house moved":
        away, angle = generator.uniform(1.0, 5.0), generator.uniform(0.0, 2.0 * np.pi)
        step = away * np.array([np.cos(angle), np.sin(angle)])
        ring = site.building.vertices + step
        return replace(site, building=replace(site.building, vertices=ring))
    off_m = FOOT_M * float(generator.choice([-6.0, -3.0, -1.0, 1.0, 3.0, 6.0]))
    levels = np.concatenate([site.ground.elevations_m[:1] + off_m, site.ground.elevations_m[1:]])
    return replace(site, ground=replace(site.ground, elevations_m=levels))


def _one_heading(site: Site, generator: np.random.Generator) -> Site | None:
    """Read the last heading 47° off."""
    headed = [i for i, row in enumerate(site.locates) if row.heading_rad is not None]
    if not headed:
        return None
    rows, last = list(site.locates), headed[-1]
    off = float(np.radians(47.0) * generator.choice([-1, 1]))
    rows[last] = replace(rows[last], heading_rad=(rows[last].heading_rad or 0.0) + off)
    return replace(site, locates=tuple(rows))


def _depths_otherwise(site: Site, kind: str) -> Site | None:
    """Change every depth of the receiver; None where one would vanish."""
    factor, offset = {
        "depths halved": (0.5, 0.0),
        "depths doubled": (2.0, 0.0),
        "depths a foot less": (1.0, -FOOT_M),
        "depths a foot more": (1.0, FOOT_M),
        "centimeters as inches": (2.54, 0.0),
    }[kind]
    rows = [
        row
        if row.depth_m is None or row.kind != "locate"
        else replace(row, depth_m=factor * row.depth_m + offset)
        for row in site.locates
    ]
    if any(row.depth_m is not None and row.depth_m < 0.06 for row in rows):
        return None
    return replace(site, locates=tuple(rows))


def _scaled(row: Locate, factor: float) -> Locate:
    """Return a row whose offsets were written in another unit."""
    return replace(row, x_m=factor * row.x_m, y_m=factor * row.y_m)


def _taped_otherwise(site: Site, kind: str, generator: np.random.Generator) -> Site | None:
    """Take one room's offsets from another corner or with x and y exchanged."""
    rooms = [room for room in site.rooms if any(row.room == room.id for row in site.locates)]
    room = rooms[int(generator.integers(len(rooms)))]
    assert room.size_m is not None
    width, depth = room.size_m
    far = {
        "opposite corner": (True, True),
        "hand": (False, False),
        "adjacent corner": (True, False) if generator.random() < 0.5 else (False, True),
    }[kind]
    rows = []
    for row in site.locates:
        if row.room == room.id:
            x = width - row.x_m if far[0] else row.x_m
            y = depth - row.y_m if far[1] else row.y_m
            heading = row.heading_rad
            if heading is not None:
                cosine, sine = np.cos(heading), np.sin(heading)
                cosine, sine = (-cosine if far[0] else cosine), (-sine if far[1] else sine)
                heading = float(np.arctan2(sine, cosine))
            if kind == "hand":
                x, y = y, x
                heading = None if heading is None else float(np.pi / 2 - heading)
            if not (-0.25 < x < width + 0.25 and -0.25 < y < depth + 0.25):
                return None
            row = replace(row, x_m=float(x), y_m=float(y), heading_rad=heading)  # noqa: PLW2901
        rows.append(row)
    return replace(site, locates=tuple(rows))


def _exchanged(site: Site) -> Site | None:
    """Exchange the ids of the two rooms in the rows."""
    if len(site.rooms) < 2 or len({row.room for row in site.locates}) < 2:
        return None
    other = {"R1": "R2", "R2": "R1"}
    return replace(site, locates=tuple(replace(r, room=other[r.room]) for r in site.locates))


def separable(surveyed: Surveyed, spoiled: Site, kind: str) -> bool:
    """Return, from the truth without noise, whether the input separates a slip from the truth."""
    if kind == "one heading":
        return surveyed.true.after_bend >= 3
    if kind.startswith("depths") or kind == "centimeters as inches":
        return surveyed.taped and _depth_missed(surveyed, spoiled) > DEPTH_MISSES_M
    return max(_tape_missed(surveyed.site, spoiled), _door_missed(spoiled)) > MISSES_M


def _depth_missed(surveyed: Surveyed, spoiled: Site) -> float:
    """Return how far the receiver's depths depart from what was written without the slip."""
    pairs = zip(surveyed.site.locates, spoiled.locates, strict=True)
    return max(abs((a.depth_m or 0.0) - (b.depth_m or 0.0)) for a, b in pairs)


def _tape_missed(site: Site, spoiled: Site) -> float:
    """Return the largest misfit of a check tape to a slip's places."""
    places = {row.id: in_building(spoiled, row) for row in spoiled.locates}
    missed = [
        abs(
            np.hypot(*(places[tie.from_name] - corner_place(site, tie.to_name[9:])))
            - tie.distance_m
        )
        for tie in site.ties
    ]
    return float(max(missed, default=0.0))


def _door_missed(spoiled: Site) -> float:
    """Return the largest distance between a doorway's places as measured from both rooms."""
    seen: dict[str, Array] = {}
    worst = 0.0
    for row in spoiled.locates:
        if row.kind == "wall":
            place = in_building(spoiled, row)
            worst = max(worst, float(np.hypot(*(place - seen.setdefault(row.id, place)))))
    return worst
