"""A fixed set of simple routes from every house to the mains on each of its sides.

Nobody measured indoors, so the exit is unknown: a route starts at one of a few exits (wall and
place on it) and runs straight, or square with one or two bends, as a plumber would lay it. All
arrays are over (lot, side) pairs; a pair stands for "the mains on that side of that lot".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import STRtree

from .._frames import Array
from ..routes.draw import LEAST_STRAIGHT_M
from ..routes.plan import TAP_LIMIT_RAD
from ._records import FRONT, Flags, Mains, Shapes, Whole, segments
from .houses import Rectangles

LONGEST_M = 80.0
STUB_M = 0.9
YARD_LEAST_M = 0.6
SEAM_M = 0.05
ON_WALL_M = 0.02
EASEMENT_M = 4.0

DIRECT, YARD_RIGHT, YARD_LEFT = 0, 1, 2
# Exit walls as seen from the house toward the main of the pair.
TOWARD, ASIDE_RIGHT, AWAY, ASIDE_LEFT = range(4)


@dataclass(frozen=True, slots=True)
class Kind:
    """One route of the set: way, exit wall, place on it (0..1), prior share within its way.

    ``place`` counts from the left end of the wall as one looks toward the main, and for the side
    walls from the end near the main. ``shape`` says how it is laid.
    """

    way: int
    wall: int
    place: float
    share: float
    shape: str


# Shares are judgement, no source: most drains leave through the wall that faces their main.
KINDS: tuple[Kind, ...] = (
    *(Kind(DIRECT, TOWARD, q, 0.125, "straight") for q in (0.5, 0.15, 0.85)),
    *(Kind(DIRECT, TOWARD, q, 0.125, "square") for q in (0.5, 0.15, 0.85)),
    Kind(DIRECT, ASIDE_RIGHT, 0.25, 0.125, "turn"),
    Kind(DIRECT, ASIDE_LEFT, 0.25, 0.125, "turn"),
    # flag lots only: over to the pole and down its middle
    Kind(DIRECT, TOWARD, 0.5, 0.5, "pole"),
    Kind(YARD_RIGHT, ASIDE_RIGHT, 0.75, 0.5, "turn"),
    Kind(YARD_RIGHT, AWAY, 0.5, 0.2, "around"),
    Kind(YARD_RIGHT, AWAY, 0.85, 0.3, "around"),
    Kind(YARD_LEFT, ASIDE_LEFT, 0.75, 0.5, "turn"),
    Kind(YARD_LEFT, AWAY, 0.5, 0.2, "around"),
    Kind(YARD_LEFT, AWAY, 0.15, 0.3, "around"),
)
WAYS = np.array([kind.way for kind in KINDS])
WALLS = np.array([kind.wall for kind in KINDS])
SHARES = np.array([kind.share for kind in KINDS])
# (k, k): which kinds leave through the same place; most straight and square ones are one pipe.
SAME_EXIT = np.array(
    [[(a.way, a.wall, a.place) == (b.way, b.wall, b.place) for b in KINDS] for a in KINDS], float
)


@dataclass(frozen=True, slots=True)
class Pairs:
    """(lot, side) pairs with mains: ``lot`` (q,), ``side`` (q,), and their candidate mains.

    ``main_pair`` and ``main`` (c,) list the candidates; ``easement`` (q,) where the main runs at
    a line that faces no way, so that the last metres may be in a neighbour's lot.
    """

    lot: Whole
    side: Whole
    alley: Flags
    easement: Flags
    main_pair: Whole
    main: Whole


@dataclass(frozen=True, slots=True)
class Laid:
    """Routes (q, k) of every pair: vertices (q, k, 4, 2), main reached (-1 none), and figures.

    A shorter route repeats its tap. ``stations_m`` along the main, ``slants_rad`` off square at
    the tap; ``fits`` is False where a route breaks a hard constraint.
    """

    vertices: Array
    main: Whole
    stations_m: Array
    slants_rad: Array
    lengths_m: Array
    fits: Flags


@dataclass(frozen=True, slots=True)
class _View:
    """A house as seen toward the mains of a pair: ahead and right unit vectors, and extents."""

    centre: Array
    ahead: Array
    right: Array
    near: Array
    far: Array
    low: Array
    high: Array
    yard_near: Array
    yard_right: Array
    yard_left: Array
    yard_away: Array
    front: Array
    gate: Array


def _view(houses: Rectangles, pairs: Pairs) -> _View:
    """Turn each house so that its side of the pair is ahead."""
    lot, side = pairs.lot, pairs.side
    axes = np.stack([-houses.rear, houses.right, houses.rear, -houses.right], axis=1)
    reach = np.stack(
        [-houses.low[:, 1], houses.high[:, 0], houses.high[:, 1], -houses.low[:, 0]], axis=1
    )
    # looking ahead toward side s, the next side in the order (front, right, rear, left) is left
    ahead, left = axes[lot, side], axes[lot, (side + 1) % 4]
    return _View(
        houses.centres[lot], ahead, -left,
        near=reach[lot, side], far=-reach[lot, (side + 2) % 4],
        low=-reach[lot, (side + 1) % 4], high=reach[lot, (side + 3) % 4],
        yard_near=houses.yards_m[lot, side],
        yard_right=houses.yards_m[lot, (side + 3) % 4],
        yard_left=houses.yards_m[lot, (side + 1) % 4],
        yard_away=houses.yards_m[lot, (side + 2) % 4],
        front=houses.front[lot],
        gate=np.where((side == FRONT)[:, None], houses.gates[lot], np.nan),
    )  # fmt: skip


def lay_routes(
    houses: Rectangles, pairs: Pairs, mains: Mains, house_shapes: Shapes, neighbours: STRtree,
    own: Whole,
) -> Laid:  # fmt: skip
    """Lay the set for every pair and hold it against what a lateral cannot do.

    ``neighbours`` is over all parcels, ``own`` (n,) the lots' places among
    them: a route through another lot is out, unless the main runs in its edge.
    """
    view = _view(houses, pairs)
    heads, directions = _heads(view, pairs, mains)
    heads[:, :, 0] = _on_the_wall(heads[:, :, 0], view, house_shapes[pairs.lot])
    main, station, hit = _reach(heads, directions, pairs, mains)
    laid = np.concatenate([heads, np.where(np.isfinite(hit), hit, heads[:, :, 2])[:, :, None]], 2)
    steps = np.diff(laid, axis=2)
    lengths = np.hypot(steps[..., 0], steps[..., 1])
    last = lengths[..., -1]
    total = lengths.sum(axis=2)
    slant = _slants(directions, main, station, mains)
    fits = (main >= 0) & (last >= LEAST_STRAIGHT_M) & (total <= LONGEST_M)
    fits &= (slant <= TAP_LIMIT_RAD) & _room(view)
    laid = _shift_taps(laid)
    _legal(laid, fits, pairs, house_shapes, neighbours, own)
    return Laid(laid, main, station, slant, total, fits)


def _heads(view: _View, pairs: Pairs, mains: Mains) -> tuple[Array, Array]:
    """Give each route's first three vertices (q, k, 3, 2) and its last direction (q, k, 2)."""
    count = len(pairs.lot)
    heads = np.zeros((count, len(KINDS), 3, 2))
    directions = np.zeros((count, len(KINDS), 2))
    width, depth = view.high - view.low, view.near - view.far
    for i, kind in enumerate(KINDS):
        stub_right = np.minimum(STUB_M, view.yard_right / 2.0)
        stub_left = np.minimum(STUB_M, view.yard_left / 2.0)
        across = view.low + kind.place * width
        if kind.wall == TOWARD:
            start = _at(view, view.near, across)
            heads[:, i] = start[:, None]
            directions[:, i] = view.ahead
            if kind.shape == "square":
                heads[:, i, 1:] = _at(view, view.near + STUB_M, across)[:, None]
            elif kind.shape == "pole":
                _head_for_pole(view, heads[:, i], directions[:, i])
            continue
        right = kind.way == YARD_RIGHT or kind.wall == ASIDE_RIGHT
        edge = view.high if right else view.low
        outside = view.high + stub_right if right else view.low - stub_left
        directions[:, i] = view.ahead
        if kind.wall == AWAY:
            back = view.far - np.minimum(STUB_M, view.yard_away / 2.0)
            heads[:, i, 0] = _at(view, view.far, across)
            heads[:, i, 1] = _at(view, back, across)
            heads[:, i, 2] = _at(view, back, outside)
        else:
            along = view.near - kind.place * depth
            heads[:, i, 0] = _at(view, along, edge)
            heads[:, i, 1:] = _at(view, along, outside)[:, None]
    _aim_square(heads, directions, pairs, mains)
    return heads, directions


def _on_the_wall(starts: Array, view: _View, houses: Shapes) -> Array:
    """Bring exits (q, k, 2) on the house's rectangle back to its wall, straight in."""
    count, kinds = starts.shape[:2]
    points = shapely.points(starts.reshape(-1, 2))
    owner = np.repeat(np.arange(count), kinds)
    off = np.flatnonzero(shapely.distance(points, houses[owner]) > ON_WALL_M)
    out = starts.reshape(-1, 2).copy()
    outward = np.stack([view.ahead, view.right, -view.ahead, -view.right], axis=1)
    inward = -outward[owner[off], WALLS[off % kinds]]
    rays = segments(out[off], out[off] + LONGEST_M * inward)
    wall = shapely.intersection(rays, houses[owner[off]])
    met = ~shapely.is_empty(wall)
    nearest = shapely.shortest_line(points[off[met]], wall[met])
    out[off[met]] = shapely.get_coordinates(nearest)[1::2]
    return out.reshape(starts.shape)


def _head_for_pole(view: _View, heads: Array, directions: Array) -> None:
    """Lead a flag lot's route (q, 3, 2) from its stub over to the pole, then square to the street.

    The last straight runs along the lot's front normal through the middle of the frontage.
    """
    flag = np.isfinite(view.gate[:, 0])
    stub = np.minimum(STUB_M, view.yard_near / 2.0)
    heads[:, 1] = _at(view, view.near + stub, (view.low + view.high) / 2.0)
    ahead = np.sum((view.gate - heads[:, 1]) * view.front, axis=1)
    turn = view.gate - ahead[:, None] * view.front
    heads[:, 2] = np.where(flag[:, None], turn, heads[:, 1])
    directions[flag] = view.front[flag]


def _at(view: _View, ahead: Array, right: Array) -> Array:
    """Give the place at distances ahead and right of the house's middle (q, 2)."""
    return np.asarray(view.centre + ahead[:, None] * view.ahead + right[:, None] * view.right)


def _aim_square(heads: Array, directions: Array, pairs: Pairs, mains: Mains) -> None:
    """Turn the square routes from their stub toward the nearest point of the pair's mains."""
    square = [i for i, kind in enumerate(KINDS) if kind.shape == "square"]
    lines = _lines_of_pairs(pairs, mains)
    for i in square:
        way = shapely.get_coordinates(
            shapely.shortest_line(shapely.points(heads[:, i, 2]), lines)
        ).reshape(-1, 2, 2)
        step = way[:, 1] - way[:, 0]
        length = np.hypot(*step.T)
        far = length > 1e-6
        directions[far, i] = step[far] / length[far, None]


def _lines_of_pairs(pairs: Pairs, mains: Mains) -> Shapes:
    """Gather each pair's mains into one multi-line."""
    return np.asarray(
        shapely.multilinestrings(mains.shapes[pairs.main], indices=pairs.main_pair), object
    )


def _reach(
    heads: Array, directions: Array, pairs: Pairs, mains: Mains
) -> tuple[Whole, Array, Array]:
    """Find where each last straight first meets a main of its pair: main, station, place."""
    count, kinds = heads.shape[:2]
    starts = heads[:, :, 2].reshape(-1, 2)
    ends = starts + LONGEST_M * directions.reshape(-1, 2)
    rays = segments(starts, ends)
    # every ray against the candidates of its own pair: few, so no tree is needed
    per_pair = np.bincount(pairs.main_pair, minlength=count)
    order = np.argsort(pairs.main_pair, kind="stable")
    first = np.cumsum(per_pair) - per_pair
    ray_pair = np.repeat(np.arange(count), kinds)
    repeat = per_pair[ray_pair]
    source = np.repeat(np.arange(count * kinds), repeat)
    rank = np.arange(len(source)) - np.repeat(np.cumsum(repeat) - repeat, repeat)
    target = pairs.main[order][first[ray_pair[source]] + rank]
    meets = shapely.intersects(rays[source], mains.shapes[target])
    source, target = source[meets], target[meets]
    marks = shapely.points(starts[source])
    crossing = shapely.intersection(rays[source], mains.shapes[target])
    nearest = shapely.get_coordinates(shapely.shortest_line(marks, crossing))[1::2]
    gap = np.hypot(*(nearest - starts[source]).T)
    order = np.lexsort((target, gap, source))
    pick = order[np.flatnonzero(np.diff(source[order], prepend=-1))]
    main = np.full(count * kinds, -1, np.int64)
    station = np.zeros(count * kinds)
    hit = np.full((count * kinds, 2), np.nan)
    main[source[pick]], hit[source[pick]] = target[pick], nearest[pick]
    station[source[pick]] = shapely.line_locate_point(
        mains.shapes[target[pick]], shapely.points(nearest[pick])
    )
    return (
        main.reshape(count, kinds), station.reshape(count, kinds), hit.reshape(count, kinds, 2)
    )  # fmt: skip


def _slants(directions: Array, main: Whole, station: Array, mains: Mains) -> Array:
    """Give the angle between the last straight and the main's normal at the tap."""
    slant = np.full(main.shape, np.pi)
    found = main >= 0
    lines, at = mains.shapes[main[found]], station[found]
    ahead = shapely.line_interpolate_point(lines, at + 0.05)
    behind = shapely.line_interpolate_point(lines, np.maximum(at - 0.05, 0.0))
    along = shapely.get_coordinates(ahead) - shapely.get_coordinates(behind)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    cosine = np.abs(np.sum(along * directions[found], axis=1))
    slant[found] = np.arcsin(np.clip(cosine, 0.0, 1.0))
    return slant


def _room(view: _View) -> Flags:
    """Tell which kinds have a yard to run in (q, k)."""
    room = np.ones((len(view.near), len(KINDS)), bool)
    for i, kind in enumerate(KINDS):
        if kind.shape == "pole":
            room[:, i] = np.isfinite(view.gate[:, 0])
        if kind.wall == ASIDE_RIGHT or kind.way == YARD_RIGHT:
            room[:, i] &= view.yard_right >= YARD_LEAST_M
        if kind.wall == ASIDE_LEFT or kind.way == YARD_LEFT:
            room[:, i] &= view.yard_left >= YARD_LEAST_M
        if kind.wall == AWAY:
            room[:, i] &= view.yard_away >= YARD_LEAST_M
    return room


def _shift_taps(laid: Array) -> Array:
    """Leave out vertices that repeat the one before: a shorter route repeats its tap instead."""
    out = laid.copy()
    for i in (0, 1):
        twice = np.hypot(*np.moveaxis(out[:, :, i + 1] - out[:, :, i], -1, 0)) < 1e-9
        for j in range(i + 1, 3):
            out[twice, j] = out[twice, j + 1]
        again = np.hypot(*np.moveaxis(out[:, :, i + 1] - out[:, :, i], -1, 0)) < 1e-9
        for j in range(i + 1, 3):
            out[again, j] = out[again, j + 1]
    return out


def _legal(
    laid: Array, fits: Flags, pairs: Pairs, houses: Shapes, neighbours: STRtree, own: Whole
) -> None:
    """Clear ``fits`` where a route passes under the house again or through another's lot."""
    pair, kind = np.nonzero(fits)
    lines = shapely.linestrings(laid[pair, kind])
    lot = pairs.lot[pair]
    inner = np.asarray(shapely.buffer(houses, -SEAM_M, join_style="mitre"), object)
    shapely.prepare(inner)
    out = np.asarray(shapely.intersects(inner[lot], lines))
    private = lines.copy()
    shortened = pairs.easement[pair]
    if shortened.any():
        ahead = np.maximum(shapely.length(lines[shortened]) - EASEMENT_M, 0.0)
        private[shortened] = _first_part(laid[pair, kind][shortened], ahead)
    source, parcel = neighbours.query(private, predicate="intersects")
    foreign = parcel != own[lot[source]]
    source, parcel = source[foreign], parcel[foreign]
    # records seldom meet exactly: a line's breadth over the edge is not through the lot
    within = shapely.length(shapely.intersection(private[source], neighbours.geometries[parcel]))
    out[source[within > 2.0 * SEAM_M]] = True
    fits[pair[out], kind[out]] = False


def _first_part(vertices: Array, until_m: Array) -> Shapes:
    """Cut routes (m, 4, 2) off at a distance from their start."""
    lines = shapely.linestrings(vertices)
    ends = shapely.get_coordinates(shapely.line_interpolate_point(lines, until_m))
    steps = np.hypot(*np.moveaxis(np.diff(vertices, axis=1), -1, 0))
    reached = np.cumsum(steps, axis=1)
    out = vertices.copy()
    for i in range(1, 4):
        past = reached[:, i - 1] >= until_m
        out[past, i] = ends[past]
    return np.asarray(shapely.linestrings(out), object)
