"""Invented neighborhoods with known truth, drawn on their own: nothing here is the package's.

Noise, bends, slopes and habits have other distributions than the inference assumes (Laplace and
uniform where it takes Student-t and normal, log-normal slopes, other bend shares, other
reliabilities), so that calibration is measured against a world that it was not tuned to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from sitegis.evidence import Dye, Evidence, Neighbors, PermitDrawing, Sound, TapRecord
from sitegis.geometry.frames import LotFrame
from sitegis.model.site import (
    Building,
    DigSettings,
    Ground,
    Locate,
    Lot,
    Main,
    Manhole,
    Noise,
    Priors,
    Room,
    Site,
    Street,
)

Array = NDArray[np.float64]
SIDES = ("front", "right", "rear", "left")
WALL_M = 0.3
OUTWARD = {
    "front": np.array([0.0, -1.0]),
    "rear": np.array([0.0, 1.0]),
    "left": np.array([-1.0, 0.0]),
    "right": np.array([1.0, 0.0]),
}


@dataclass(frozen=True)
class Block:
    """One lot of a block: true outlines, streets and mains; ``habit`` is the block's main."""

    width_m: float
    depth_m: float
    house: Array
    ground_m: float
    ground_front_m: float
    ground_rear_m: float
    streets: tuple[Street, ...]
    mains: tuple[Main, ...]
    habit: str
    year_built: int


@dataclass(frozen=True)
class Intent:
    """What the builders meant, drawn before any geometry, so that rejection can't bias it.

    ``sides`` of the lot that have a main, the side the ``block`` used, the side this ``lateral``
    goes to and the ``wall`` it leaves by.
    """

    sides: tuple[str, ...]
    year_built: int
    block: str
    lateral: str
    wall: str


@dataclass(frozen=True)
class TrueLateral:
    """What is really there: ``indoors`` and ``outdoors`` polylines (upstream first)."""

    main: str
    tap_station_m: float
    indoors: Array
    outdoors: Array
    invert_start_m: float
    slope_indoors: float
    wall: str
    slope_outdoors: float


@dataclass(frozen=True)
class House:
    """A site as it would be surveyed, and its truth.

    ``listed`` tells if its main is on record; ``leaves`` if the drain leaves the house
    ``toward`` its main, ``sideways`` or ``away`` from it.
    """

    site: Site
    truth: TrueLateral
    listed: bool
    leaves: str


def draw_house(seed: int) -> House:
    """Draw one house: the intent first, then geometry until the lateral fits and falls."""
    generator = np.random.default_rng([seed, 20_817])
    intent = _draw_intent(generator)
    truth = None
    while truth is None:
        block = _draw_block(intent, generator)
        truth = _draw_lateral(block, intent, generator)
    evidence = _draw_evidence(block, truth, generator)
    listed = not (len(block.mains) > 1 and generator.random() < 0.03)
    mains = block.mains if listed else tuple(m for m in block.mains if m.id != truth.main)
    evidence = tuple(item for item in evidence if listed or not _speaks_of(item, truth.main))
    site = _survey_site(block, mains, truth, evidence, generator)
    facing = float(OUTWARD[intent.lateral] @ OUTWARD[intent.wall])
    leaves = {1.0: "toward", 0.0: "sideways", -1.0: "away"}[facing]
    return House(site, truth, listed, leaves)


# ---------------------------------------------------------------------------------- block


def _draw_intent(generator: np.random.Generator) -> Intent:
    """Draw which sides have a main, the block's habit, and what this house's builder did."""
    year = int(generator.integers(1905, 1996))
    sides = ["front"]
    if generator.random() < 0.6:
        sides.append("rear")
    if generator.random() < 0.2:
        sides.append(str(generator.choice(["left", "right"])))
    alley = 0.6 - 0.5 * np.clip((year - 1925) / 50, 0.0, 1.0)
    share = np.array([{"front": 1 - alley, "rear": alley}.get(side, 0.15) for side in sides])
    block = sides[int(generator.choice(len(sides), p=share / share.sum()))]
    lateral = block if generator.random() < 0.85 else str(generator.choice(sides))
    wall = _draw_wall(lateral, year, generator)
    return Intent(tuple(sides), year, block, lateral, wall)


def _draw_block(intent: Intent, generator: np.random.Generator) -> Block:
    """Draw lot, house, streets and mains."""
    width, depth = generator.uniform(11.0, 18.0), generator.uniform(31.0, 43.0)
    house_width = width - generator.uniform(3.2, 5.5)
    left = generator.uniform(0.25, 0.6) * (width - house_width)
    front = generator.uniform(5.0, 9.0)
    house_depth = generator.uniform(9.0, 14.0)
    house = _rectangle(left, front, house_width, house_depth)
    ground = generator.uniform(1.9, 2.4)
    at_front = ground + generator.uniform(-0.5, 0.1)
    at_rear = ground + generator.uniform(-0.3, 0.2)
    levels = (at_front, at_rear)
    pairs = [_street_and_main(side, width, depth, levels, generator) for side in intent.sides]
    return Block(
        width,
        depth,
        house,
        ground,
        at_front,
        at_rear,
        tuple(street for street, _ in pairs),
        tuple(main for _, main in pairs),
        _main_id(intent.block),
        intent.year_built,
    )


def _main_id(side: str) -> str:
    return "alley-main" if side == "rear" else f"{side}-main"


def _rectangle(x: float, y: float, width: float, depth: float) -> Array:
    return np.array([[x, y], [x + width, y], [x + width, y + depth], [x, y + depth]])


def _street_and_main(
    side: str,
    width: float,
    depth: float,
    grounds: tuple[float, float],
    generator: np.random.Generator,
) -> tuple[Street, Main]:
    """Draw a street or alley along a side of the lot with its main."""
    alley = side == "rear"
    row_width = generator.uniform(4.5, 6.0) if alley else generator.uniform(15.0, 20.0)
    offset = row_width * generator.uniform(0.35, 0.65)
    along = np.array([[-35.0, 35.0 + width], [-35.0, 35.0 + depth]])
    if side in ("front", "rear"):
        y = -offset if side == "front" else depth + offset
        line = np.array([[along[0, 0], y], [along[0, 1], y]])
        low = -row_width if side == "front" else depth
        row = _rectangle(-35.0, low, 70.0 + width, row_width)
    else:
        x = -offset if side == "left" else width + offset
        line = np.array([[x, along[1, 0]], [x, along[1, 1]]])
        row = _rectangle(-row_width if side == "left" else width, -35.0, row_width, 70.0 + depth)
    if generator.random() < 0.5:
        line = line[::-1].copy()
    ground = grounds[1] if side == "rear" else grounds[0]
    cover = generator.uniform(2.4, 3.8) if alley else generator.uniform(2.6, 4.2)
    length = float(np.hypot(*(line[1] - line[0])))
    middle = ground - cover
    inverts = np.array([middle + 0.0025 * length, middle - 0.0025 * length])
    name = "Rear Alley" if alley else f"{side.capitalize()} Street"
    main_id = _main_id(side)
    direction = (line[1] - line[0]) / length
    manholes = tuple(
        Manhole(f"{main_id}-MH{i}", *map(float, line[0] + direction * s), float(s), None)
        for i, s in enumerate((generator.uniform(2, 12), length - generator.uniform(2, 12)))
    )
    kind = "alley" if alley else "street"
    street = Street(
        name,
        side,
        kind,
        row_width,
        row,  # type: ignore[arg-type]
        "gravel" if alley else "asphalt",
        ground,
        0.1,
    )
    main = Main(
        main_id,
        name,
        side,
        kind,
        line,
        inverts,
        0.10,
        True,  # type: ignore[arg-type]
        0.2,
        manholes,
        (),
        0.3,
    )
    return street, main


# -------------------------------------------------------------------------------- lateral


def _draw_lateral(
    block: Block, intent: Intent, generator: np.random.Generator
) -> TrueLateral | None:
    """Draw a lateral; None where the builder would not have built it."""
    main_id, wall = _main_id(intent.lateral), intent.wall
    main = next(m for m in block.mains if m.id == main_id)
    indoors = _draw_indoors(block.house, wall, generator)
    outdoors = _draw_outdoors(block, main, wall, indoors, generator)
    if outdoors is None or not _allowed(block, outdoors):
        return None
    start = -generator.uniform(0.25, 0.60)
    inside = 0.017 * np.exp(generator.normal(0.0, 0.30))
    outside = 0.018 * np.exp(generator.normal(0.0, 0.35))
    arrival = start - inside * _length(indoors) - outside * _length(outdoors)
    station = float(np.abs(outdoors[-1] - main.line[0]).sum())
    invert = np.interp(station, [0.0, _length(main.line)], main.inverts_m)
    if not 0.05 < arrival - invert < 2.5:
        return None
    return TrueLateral(
        main_id, station, indoors, outdoors, start, float(inside), wall, float(outside)
    )


def _length(line: Array) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _draw_wall(main_side: str, year: int, generator: np.random.Generator) -> str:
    """Draw the wall that the drain leaves by: mostly the one that faces the main."""
    opposite = {"front": "rear", "rear": "front", "left": "right", "right": "left"}[main_side]
    sideways = [s for s in SIDES if s not in (main_side, opposite)]
    wrong_way = 0.10 if year < 1950 else 0.03
    drawn = generator.random()
    if drawn < wrong_way:
        return opposite
    return str(generator.choice(sideways)) if drawn < wrong_way + 0.12 else main_side


def _draw_indoors(house: Array, wall: str, generator: np.random.Generator) -> Array:
    """Draw the drain under the slab, from the stack to the outside face of a wall."""
    low, high = house[0] + 1.2, house[2] - 1.2
    stack = low + (high - low) * generator.uniform(0.15, 0.85, 2)
    lean = generator.laplace(0.0, np.radians(2.5))
    if generator.random() < 0.12:
        lean += np.radians(22.5) * generator.choice([-1.0, 1.0])
    direction = _turned(OUTWARD[wall], lean)
    corner = stack
    if generator.random() < 0.35:
        turn = np.radians(45.0) * generator.choice([-1.0, 1.0])
        corner = stack + _turned(direction, turn) * generator.uniform(0.8, 2.0)
        corner = np.clip(corner, house[0] + 0.6, house[2] - 0.6)
    points = [stack, corner] if corner is not stack else [stack]
    axis = 0 if wall in ("left", "right") else 1
    face = house[2] if wall in ("right", "rear") else house[0]
    reach = (face[axis] - corner[axis]) / direction[axis]
    return np.array([*points, corner + direction * reach])


def _turned(vector: Array, angle: float) -> Array:
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.array([[cosine, -sine], [sine, cosine]]) @ vector


def _draw_outdoors(
    block: Block, main: Main, wall: str, indoors: Array, generator: np.random.Generator
) -> Array | None:
    """Draw the lateral from the wall to the main; None where it never meets it."""
    exit_point = indoors[-1]
    heading = indoors[-1] - indoors[-2]
    heading = heading / np.hypot(*heading)
    points = [exit_point]
    if wall == main.side:
        heading = _jog(points, heading, generator)
    else:
        heading = _round_the_house(points, heading, block, main.side, generator)
    meeting = _meet(points[-1], heading, main.line)
    return None if meeting is None else np.array([*points, meeting])


@dataclass(frozen=True)
class Jogs:
    """How laterals bend on the way to a main that the wall faces.

    ``straight`` is the share that does not, three quarters of all bend once at most; ``shares`` of
    bends of 11.25, 22.5 and 45°; ranges of the straights before a first and a second bend; play
    of a bend; ``whole``: how often a second bend takes the first one back, not half of it.
    """

    straight: float = 0.5
    shares: tuple[float, float, float] = (0.25, 0.45, 0.30)
    first_m: tuple[float, float] = (0.6, 6.0)
    second_m: tuple[float, float] = (0.8, 4.0)
    play_deg: float = 1.0
    whole: float = 1.0


def _jog(
    points: list[Array], heading: Array, generator: np.random.Generator, jogs: Jogs = Jogs()
) -> Array:
    """Bend none, one or two times on the way to a main that the wall faces."""
    drawn, play = generator.random(), np.radians(jogs.play_deg)
    if drawn < jogs.straight:
        return heading
    angle = np.radians(generator.choice([11.25, 22.5, 45.0], p=jogs.shares))
    angle = angle * generator.choice([-1.0, 1.0])
    points.append(points[-1] + heading * generator.uniform(*jogs.first_m))
    turned = _turned(heading, angle + generator.normal(0.0, play))
    if drawn < 0.75:
        return turned
    points.append(points[-1] + turned * generator.uniform(*jogs.second_m))
    # no draw where every second bend takes the first back
    back = angle if jogs.whole == 1.0 or generator.random() < jogs.whole else 0.5 * angle
    return _turned(turned, -back + generator.normal(0.0, play))


def _round_the_house(
    points: list[Array],
    heading: Array,
    block: Block,
    side: str,
    generator: np.random.Generator,
) -> Array:
    """Turn toward the main, past the corner of the house where the wall looks the other way."""
    goal = OUTWARD[side]
    points.append(points[-1] + heading * generator.uniform(0.5, 1.1))
    if heading @ goal < -0.5:
        across = np.array([-goal[1], goal[0]])
        hand = generator.choice([-1.0, 1.0])
        axis = int(np.argmax(np.abs(across)))
        edge = (block.house.max(axis=0) if hand * across[axis] > 0 else block.house.min(axis=0))[
            axis
        ]
        target = edge + hand * across[axis] * generator.uniform(0.45, 0.9)
        corner = points[-1].copy()
        corner[axis] = target
        points.append(corner)
    return _turned(goal, generator.normal(0.0, np.radians(1.2)))


def _meet(start: Array, heading: Array, line: Array) -> Array | None:
    """Meet a straight main along one axis."""
    axis = 0 if line[0, 0] == line[1, 0] else 1
    if abs(heading[axis]) < 0.3:
        return None
    reach = (line[0, axis] - start[axis]) / heading[axis]
    if reach <= 0.5:
        return None
    point = start + heading * reach
    low, high = np.sort(line[:, 1 - axis])
    return point if low + 14.0 < point[1 - axis] < high - 14.0 else None


def _allowed(block: Block, outdoors: Array, house: Array | None = None) -> bool:
    """Return whether a lateral stays in the lot and the streets, and out of the house.

    ``house`` (4, 2) where it does not stand as the block has it.
    """
    lot = shapely.Polygon(_rectangle(0.0, 0.0, block.width_m, block.depth_m))
    area = shapely.union_all([lot, *(shapely.Polygon(s.row) for s in block.streets)])
    line = shapely.LineString(outdoors)
    inside = shapely.Polygon(block.house if house is None else house).buffer(-0.02)
    return bool(area.buffer(1e-6).contains(line) and not inside.intersects(line))


# ------------------------------------------------------------------------------- evidence


def _speaks_of(item: Evidence, main_id: str) -> bool:
    """Return whether an item names a main or one of its manholes."""
    return getattr(item, "main", None) == main_id or str(getattr(item, "manhole", "")).startswith(
        main_id
    )


def _draw_evidence(
    block: Block, truth: TrueLateral, generator: np.random.Generator
) -> tuple[Evidence, ...]:
    """Draw what an investigator would have gathered: each kind in some of the houses."""
    items: list[Evidence] = []
    ids = [m.id for m in block.mains]
    main = next(m for m in block.mains if m.id == truth.main)
    if generator.random() < 0.4:
        asked = int(generator.integers(2, 5))
        about = str(generator.choice(ids))
        probability = 0.88 if about == block.habit else 0.12 / max(len(ids) - 1, 1)
        items.append(Neighbors(about, int(generator.binomial(asked, probability)), asked))
    if generator.random() < 0.3:
        right = generator.random() < 0.78
        wrong = block.habit if generator.random() < 0.6 else str(generator.choice(ids))
        items.append(PermitDrawing(truth.main if right else wrong))
    if generator.random() < 0.2:
        items.append(_draw_tap_record(block, truth, generator))
    about_main = main if generator.random() < 0.5 else block.mains[generator.integers(len(ids))]
    manhole = about_main.manholes[1]
    passes = about_main.id == truth.main and truth.tap_station_m < manhole.station_m
    if generator.random() < 0.3:
        seen = bool(generator.random() < (0.82 if passes else 0.01))
        items.append(Dye(manhole.id, seen, 30.0))
    if generator.random() < 0.15:
        heard = bool(generator.random() < (0.45 if passes else 0.06))
        items.append(Sound(manhole.id, heard))
    return tuple(items)


def _draw_tap_record(block: Block, truth: TrueLateral, generator: np.random.Generator) -> TapRecord:
    """Draw a tap record: right with a Laplace error, or another lot's."""
    if generator.random() < 0.82:
        main = next(m for m in block.mains if m.id == truth.main)
        station = truth.tap_station_m + generator.laplace(0.0, 0.4)
    else:
        main = block.mains[generator.integers(len(block.mains))]
        station = generator.uniform(15.0, _length(main.line) - 15.0)
    return TapRecord(main.id, main.manholes[0].id, float(station - main.manholes[0].station_m))


# --------------------------------------------------------------------------------- survey


def _survey_site(
    block: Block,
    mains: tuple[Main, ...],
    truth: TrueLateral,
    evidence: tuple[Evidence, ...],
    generator: np.random.Generator,
) -> Site:
    """Write the site down as it would be surveyed, with the surveyor's errors."""
    recorded = tuple(_recorded(main, generator) for main in mains)
    lot = _rectangle(0.0, 0.0, block.width_m, block.depth_m)
    shift = generator.uniform(-0.2, 0.2, 2)
    outline = block.house + shift
    inner = outline[2] - outline[0] - 2 * WALL_M
    room = Room("R1", "Basement", (WALL_M, WALL_M), 0.02, 0.0, np.radians(0.3), tuple(inner))  # type: ignore[arg-type]
    spots = np.array(
        [block.house.mean(axis=0), [block.width_m / 2, -5.0], [block.width_m / 2, block.depth_m]]
    )
    levels = np.array([block.ground_m, block.ground_front_m, block.ground_rear_m])
    return Site(
        name="Invented house",
        units="m",
        depth_units="m",
        rule_set="us-ipc",
        frame=LotFrame("EPSG:32616", 400_000.0, 4_600_000.0, 90.0, 0.9996),
        lot=Lot(lot, SIDES, block.width_m * block.depth_m, 0.05),
        building=Building(outline, SIDES, 0.0, 0.15, np.radians(0.3), 0.02, WALL_M),
        rooms=(room,),
        locates=_draw_locates(block.house, truth, generator),
        ties=(),
        wall_contacts=(),
        streets=block.streets,
        mains=recorded,
        evidence=evidence,
        fixtures=(),
        keep_outs=(),
        easements=(),
        ground=Ground(spots, levels + generator.uniform(-0.08, 0.08, 3), np.full(3, 0.05), False),
        noise=Noise(),
        priors=Priors(),
        dig=DigSettings(),
        seed=1,
        year_built=block.year_built,
        slab_elevation_m=100.0,
    )


def _recorded(main: Main, generator: np.random.Generator) -> Main:
    """Return a main as the record has it: invert and line a little off."""
    off = generator.laplace(0.0, 0.06)
    aside = generator.uniform(-0.4, 0.4)
    line = main.line.copy()
    line[:, 0 if line[0, 0] == line[1, 0] else 1] += aside
    return Main(
        main.id, main.street, main.side, main.kind, line, main.inverts_m + off, 0.10, True,
        main.diameter_m, main.manholes, (), 0.3,
    )  # fmt: skip


def _draw_locates(
    house: Array, truth: TrueLateral, generator: np.random.Generator
) -> tuple[Locate, ...]:
    """Mark the drain on the slab: Laplace scatter, uniform session shift and depth scale."""
    drain = truth.indoors
    steps = np.hypot(*np.diff(drain, axis=0).T)
    stations = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0.0, stations[-1] - generator.uniform(0.4, 0.9), generator.integers(4, 9))
    shift = generator.uniform(-0.08, 0.08, 2)
    scale = 1.0 + generator.uniform(-0.08, 0.08)
    quality = generator.uniform(0.05, 0.10)
    rows = []
    for i, s in enumerate(at):
        place = np.array([np.interp(s, stations, drain[:, axis]) for axis in (0, 1)])
        depth = -(truth.invert_start_m - truth.slope_indoors * s) - 0.025
        if i > 0:
            place = place + shift + generator.laplace(0.0, quality, 2)
        depth = depth * scale + generator.laplace(0.0, 0.03)
        local = place - house[0] - WALL_M + generator.uniform(-0.02, 0.02, 2)
        rows.append(
            Locate(
                f"P{i}",
                "cleanout" if i == 0 else "locate",
                "R1",
                float(local[0]),
                float(local[1]),
                None if i == 0 else float(depth),
                float(s * generator.uniform(1.0, 1.02)),
                None,
                None,
                None,
                None,
                "slab",
                "",
                i + 2,
            )
        )
    return tuple(rows)
