"""A fixed set of simple routes from every house to the mains on each of its sides, and what fits.

Nobody measured indoors, so the exit is unknown: a route starts at one of a few exits (wall and
place on it) and runs straight, or square with one or two bends, as a plumber would lay it. All
arrays are over (lot, side) pairs; a pair stands for "the mains on that side of that lot".
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import STRtree

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.ordering import ANGLE_RAD, MATTERS_M, at_least, on_lattice
from ..routes.draw import LEAST_STRAIGHT_M
from ..routes.plan import TAP_LIMIT_RAD
from .houses import Rectangles
from .layer_arrays import FRONT, Flags, Mains, Pairs, Shapes, Whole
from .reach import LONGEST_M, Meeting
from .segments import cross, line_pieces, spread

# judgment, no source: first straight outside the wall, least yard for a
# pipe, and how far off its wall an exit may lie
STUB_M = 0.9
YARD_LEAST_M = 0.6
ON_WALL_M = 0.02

DIRECT, YARD_RIGHT, YARD_LEFT = 0, 1, 2
# Exit walls as seen from the house toward the main of the pair.
TOWARD, ASIDE_RIGHT, AWAY, ASIDE_LEFT = range(4)


@dataclass(frozen=True, slots=True)
class RouteTemplate:
    """One route of the set: way, exit wall, place on it (0..1), prior share within its way.

    ``place`` counts from the left end of the wall as one looks toward the main, and for the side
    walls from the end near the main. ``shape`` says how it is laid.
    """

    way: int
    wall: int
    place: float
    share: float
    shape: str


# Places of exits on the wall that faces the main: the middles of thirds of its inner four fifths.
EXITS, EXIT_SHARE = (0.5, 0.23, 0.77), 0.27
# Shares are judgment, no source: most drains leave through the wall that faces their main.
KINDS: tuple[RouteTemplate, ...] = (
    *(RouteTemplate(DIRECT, TOWARD, q, 0.153, "straight") for q in EXITS),
    *(RouteTemplate(DIRECT, TOWARD, q, 0.153, "square") for q in EXITS),
    RouteTemplate(DIRECT, ASIDE_RIGHT, 0.25, 0.041, "turn"),
    RouteTemplate(DIRECT, ASIDE_LEFT, 0.25, 0.041, "turn"),
    # flag lots only: over to the pole and down its middle
    RouteTemplate(DIRECT, TOWARD, 0.5, 0.5, "pole"),
    RouteTemplate(YARD_RIGHT, ASIDE_RIGHT, 0.75, 0.5, "turn"),
    RouteTemplate(YARD_RIGHT, AWAY, 0.5, 0.2, "around"),
    RouteTemplate(YARD_RIGHT, AWAY, 0.85, 0.3, "around"),
    RouteTemplate(YARD_LEFT, ASIDE_LEFT, 0.75, 0.5, "turn"),
    RouteTemplate(YARD_LEFT, AWAY, 0.5, 0.2, "around"),
    RouteTemplate(YARD_LEFT, AWAY, 0.15, 0.3, "around"),
)
WAYS = np.array([kind.way for kind in KINDS])
WALLS = np.array([kind.wall for kind in KINDS])
SHARES = np.array([kind.share for kind in KINDS])
# (k, k): which kinds leave through the same place; most straight and square ones are one pipe.
SAME_EXIT = np.array(
    [[(a.way, a.wall, a.place) == (b.way, b.wall, b.place) for b in KINDS] for a in KINDS], float
)

# The straight route from the same exit as each square one; every other kind itself.
TWINS = np.array(
    [
        next(
            (
                j
                for j, b in enumerate(KINDS)
                if a.shape == "square" and b.shape == "straight" and a.place == b.place
            ),
            i,
        )
        for i, a in enumerate(KINDS)
    ]
)


@dataclass(frozen=True, slots=True)
class LotRoutes:
    """Routes (q, k) of every pair: vertices (q, k, 4, 2), main reached (-1 none), and figures.

    A shorter route repeats its tap. ``stations_m`` along the main, ``slants_rad`` off square at
    the tap, ``past_m`` how far past the main's end the route would meet it (0 on the main;
    drawn to the end). ``fits`` is False where a route breaks a hard constraint. ``between_m`` is
    the standard deviation of exits between the places that stand for a wall's.
    """

    vertices: Array
    main: Whole
    stations_m: Array
    slants_rad: Array
    past_m: Array
    lengths_m: Array
    fits: Flags
    between_m: Array


@dataclass(frozen=True, slots=True)
class _View:
    """A house as seen toward the mains of a pair: ahead and right unit vectors, and extents."""

    center: Array
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
    # outward axes in the order of sides: front, right, rear, left
    axes = np.stack([-houses.rear, houses.right, houses.rear, -houses.right], axis=1)
    reach = np.stack(
        [-houses.low[:, 1], houses.high[:, 0], houses.high[:, 1], -houses.low[:, 0]], axis=1
    )
    # looking ahead toward side s, the next side in the order (front, right, rear, left) is left
    ahead, left = axes[lot, side], axes[lot, (side + 1) % 4]
    return _View(
        center=houses.centers[lot],
        ahead=ahead,
        right=-left,
        near=reach[lot, side],
        # the wall behind lies at minus its own reach as one looks ahead
        far=-reach[lot, (side + 2) % 4],
        low=-reach[lot, (side + 1) % 4],
        high=reach[lot, (side + 3) % 4],
        yard_near=houses.yards_m[lot, side],
        yard_right=houses.yards_m[lot, (side + 3) % 4],
        yard_left=houses.yards_m[lot, (side + 1) % 4],
        yard_away=houses.yards_m[lot, (side + 2) % 4],
        front=houses.front[lot],
        gate=np.where((side == FRONT)[:, None], houses.gates[lot], np.nan),
    )


def lay_routes(
    houses: Rectangles,
    pairs: Pairs,
    mains: Mains,
    house_shapes: Shapes,
    neighbors: STRtree,
    own: Whole,
) -> LotRoutes:
    """Lay the set for every pair and hold it against what a lateral cannot do.

    ``neighbors`` is over all parcels, ``own`` (n,) the lots' places among
    them: a route through another lot is out, unless the main runs in its edge.

    Parameters
    ----------
    houses
        Rectangles of the houses.
    pairs
        Lot, side and mains that may serve it, q of them.
    mains
        The mains, m of them.
    house_shapes
        Outlines of the houses (n,).
    neighbors
        Index of all parcels.
    own
        Place of each lot among the parcels (n,).

    Returns
    -------
    LotRoutes
        The routes.
    """
    view = _view(houses, pairs)
    met = Meeting(pairs, mains, view.center)
    heads, directions = _heads(view)
    square = [i for i, kind in enumerate(KINDS) if kind.shape == "square"]
    # square to the main that it will meet, which is known only once its head is laid
    for i in square:
        directions[:, i] = met.toward(heads[:, i, 2], directions[:, i])
    # houses are no rectangles: exits are brought to the real wall
    heads[:, :, 0] = on_lattice(_on_the_wall(heads[:, :, 0], view, pairs, house_shapes))
    main, station, hit, past, slant = met.reach(heads[:, :, 2], directions)
    laid = np.concatenate([heads, hit[:, :, None]], 2)
    steps = np.diff(laid, axis=2)
    lengths = np.hypot(steps[..., 0], steps[..., 1])
    last = lengths[..., -1]
    total = lengths.sum(axis=2)
    fits = (main >= 0) & at_least(last, LEAST_STRAIGHT_M, MATTERS_M)
    fits &= at_least(LONGEST_M, total, MATTERS_M) & at_least(TAP_LIMIT_RAD, slant, ANGLE_RAD)
    fits &= _room(view)
    laid = _shift_taps(laid)
    keep_off_house(laid, fits, pairs, houses, house_shapes)
    stay_off_lots(laid, fits, pairs, neighbors, own)
    over = past > 0.0
    laid[over, -1] = on_lattice(
        shapely.get_coordinates(
            shapely.line_interpolate_point(mains.shapes[main[over]], station[over])
        )
    )
    # each place stands for an even part of its wall
    # standard deviation of an even law over the part that a place stands for
    third = np.array([kind.wall == TOWARD and kind.shape != "pole" for kind in KINDS])
    between = third * (view.high - view.low)[:, None] * EXIT_SHARE / np.sqrt(12.0)
    return LotRoutes(laid, main, station, slant, past, total, fits, between)


def _heads(view: _View) -> tuple[Array, Array]:
    """Return each route's first three vertices (q, k, 3, 2) and its last direction (q, k, 2)."""
    count = len(view.near)
    heads = np.zeros((count, len(KINDS), 3, 2))
    directions = np.zeros((count, len(KINDS), 2))
    width, depth = view.high - view.low, view.near - view.far
    for i, kind in enumerate(KINDS):
        # no farther out than the middle of the yard
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
    return on_lattice(heads), directions


def _on_the_wall(starts: Array, view: _View, pairs: Pairs, houses: Shapes) -> Array:
    """Bring exits (q, k, 2) on the house's rectangle back to its wall, straight in."""
    walls = line_pieces(shapely.get_exterior_ring(houses))
    sizes = np.bincount(walls.line, minlength=len(houses))
    # each pair tests the walls of its own house: rows of (pair, wall) laid end to end
    firsts = np.cumsum(sizes) - sizes
    owner, rank = spread(sizes[pairs.lot])
    piece = firsts[pairs.lot][owner] + rank
    first = np.flatnonzero(rank == 0)
    outward = np.stack([view.ahead, view.right, -view.ahead, -view.right], axis=1)
    out = starts.copy()
    for k, wall in enumerate(WALLS.tolist()):
        inward = -outward[:, wall]
        # from a little outside, since most exits are on the wall already
        outside = starts[:, k] - SEAM_M * inward
        along = cross(outside[owner], inward[owner], walls, piece)
        # least distance to a wall, the bit taken back that the start was moved out
        deep = np.minimum.reduceat(along, first) - SEAM_M if len(along) else np.zeros(0)
        off = np.isfinite(deep) & (deep > ON_WALL_M)
        out[off, k] = starts[off, k] + deep[off, None] * inward[off]
    return out


def _head_for_pole(view: _View, heads: Array, directions: Array) -> None:
    """Lead a flag lot's route (q, 3, 2) from its stub over to the pole, then square to the street.

    The last straight runs along the lot's front normal through the middle of the frontage.
    """
    flag = np.isfinite(view.gate[:, 0])
    stub = np.minimum(STUB_M, view.yard_near / 2.0)
    heads[:, 1] = _at(view, view.near + stub, (view.low + view.high) / 2.0)
    # along the front normal from the stub to the street: the turn
    # stands abreast of it in the pole's middle
    ahead = np.sum((view.gate - heads[:, 1]) * view.front, axis=1)
    turn = view.gate - ahead[:, None] * view.front
    heads[:, 2] = np.where(flag[:, None], turn, heads[:, 1])
    directions[flag] = view.front[flag]


def _at(view: _View, ahead: Array, right: Array) -> Array:
    """Return the place at distances ahead and right of the house's middle (q, 2)."""
    return np.asarray(view.center + ahead[:, None] * view.ahead + right[:, None] * view.right)


def _room(view: _View) -> Flags:
    """Return which kinds have a yard to run in (q, k)."""
    room = np.ones((len(view.near), len(KINDS)), bool)
    for i, kind in enumerate(KINDS):
        if kind.shape == "pole":
            room[:, i] = np.isfinite(view.gate[:, 0])
        if kind.wall == ASIDE_RIGHT or kind.way == YARD_RIGHT:
            room[:, i] &= at_least(view.yard_right, YARD_LEAST_M, MATTERS_M)
        if kind.wall == ASIDE_LEFT or kind.way == YARD_LEFT:
            room[:, i] &= at_least(view.yard_left, YARD_LEAST_M, MATTERS_M)
        if kind.wall == AWAY:
            room[:, i] &= at_least(view.yard_away, YARD_LEAST_M, MATTERS_M)
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


# Judgment, no source.
SEAM_M = 0.05
EASEMENT_M = 4.0


def keep_off_house(
    laid: Array, fits: Flags, pairs: Pairs, houses: Rectangles, shapes: Shapes
) -> None:
    """Clear ``fits`` where a route passes under the house again.

    Parameters
    ----------
    laid
        Vertices of the routes (q, ..., 2), m.
    fits
        Mask (q, ...) of the routes that are left, changed in place.
    pairs
        Lot, side and mains that may serve it, q of them.
    houses
        Rectangles of the houses.
    shapes
        Outlines of the houses.
    """
    pair, kind = np.nonzero(fits)
    lot = pairs.lot[pair]
    offset = laid[pair, kind] - houses.centers[lot][:, None]
    local = np.stack(
        [(offset * axis[lot][:, None]).sum(axis=2) for axis in (houses.right, houses.rear)], axis=2
    )
    inside = _touches(local, houses.low[lot] + SEAM_M, houses.high[lot] - SEAM_M)
    rows = np.flatnonzero(inside)
    # few come into the rectangle; only they are held against the outline itself
    at, place = np.unique(lot[rows], return_inverse=True)
    inner = np.asarray(shapely.buffer(shapes[at], -SEAM_M, join_style="mitre"), object)
    shapely.prepare(inner)
    lines = shapely.linestrings(laid[pair[rows], kind[rows]])
    out = rows[np.asarray(shapely.intersects(inner[place], lines), bool)]
    fits[pair[out], kind[out]] = False


def _touches(routes: Array, low: Array, high: Array) -> Flags:
    """Return which routes (m, 4, 2) come into boxes (m, 2) by low and high corner.

    Each straight is cut at the box's sides (Liang and Barsky 1984, from memory).
    """
    start, step = routes[:, :-1], np.diff(routes, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        enter = (low[:, None] - start) / step
        leave = (high[:, None] - start) / step
    beside = (step == 0.0) & ((start <= low[:, None]) | (start >= high[:, None]))
    first, last = np.minimum(enter, leave), np.maximum(enter, leave)
    still = step == 0.0
    first, last = np.where(still, -np.inf, first), np.where(still, np.inf, last)
    begins = np.maximum(first.max(axis=2), 0.0)
    ends = np.minimum(last.min(axis=2), 1.0)
    return np.asarray(((begins < ends) & ~beside.any(axis=2)).any(axis=1))


def stay_off_lots(laid: Array, fits: Flags, pairs: Pairs, neighbors: STRtree, own: Whole) -> None:
    """Clear ``fits`` where a route passes through another's lot.

    Parameters
    ----------
    laid
        Vertices of the routes (q, ..., 2), m.
    fits
        Mask (q, ...) of the routes that are left, changed in place.
    pairs
        Lot, side and mains that may serve it, q of them.
    neighbors
        Index of all parcels.
    own
        Place of each lot among the parcels (n,).
    """
    pair, kind = np.nonzero(fits)
    lot, vertices = pairs.lot[pair], laid[pair, kind]
    private = np.asarray(shapely.linestrings(vertices), object)
    shortened = pairs.easement[pair]
    if shortened.any():
        ahead = np.maximum(shapely.length(private[shortened]) - EASEMENT_M, 0.0)
        private[shortened] = _first_part(vertices[shortened], ahead)
    source, parcel = neighbors.query(private, predicate="intersects")
    foreign = parcel != own[lot[source]]
    source, parcel = source[foreign], parcel[foreign]
    # records seldom meet exactly: a line's breadth over the edge is not through the lot
    within = shapely.length(shapely.intersection(private[source], neighbors.geometries[parcel]))
    out = source[within > 2.0 * SEAM_M]
    fits[pair[out], kind[out]] = False


def _first_part(vertices: Array, until_m: Array) -> Shapes:
    """Cut routes (m, 4, 2) off at a distance from their start."""
    ends = polyline.line_interpolate_point(vertices, until_m)
    reached = polyline.stations(vertices)
    out = vertices.copy()
    for i in range(1, 4):
        past = reached[:, i] >= until_m
        out[past, i] = ends[past]
    return np.asarray(shapely.linestrings(out), object)
