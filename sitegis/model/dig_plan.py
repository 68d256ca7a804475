"""What stage ``dig`` adds: frozen records of pits, hit map, corridors, depths and directions.

Units and frames as in :mod:`sitegis.model.results`; money in the site's currency.
"""

from __future__ import annotations

from typing import Literal

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.errors import Notice
from ..numerics.intervals import Interval
from .results import Toward


@dataclass(frozen=True, slots=True)
class TapeTie:
    """A taped distance to a pit, exit or route point from a named fixed point."""

    from_name: str
    from_x_m: float
    from_y_m: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class LongerPit:
    """One pit in the place of several that would stand too near each other, by ``ranks``.

    ``ring`` (4, 2) is about all of them, ``depth_m`` the greatest of theirs; ``p_hit`` that any
    part shows the pipe; ``volume_m3`` of the whole with vertical sides, ``cost`` of all parts.
    """

    ranks: tuple[int, ...]
    ring: Array
    depth_m: float
    p_hit: float
    volume_m3: float
    cost: float


@dataclass(frozen=True, slots=True)
class Pit:
    """A test pit: ``ring`` (4, 2) in plan, probability to expose the pipe, depth, cost.

    ``p_hit`` is of this pit alone before any other is dug; ``p_hit_so_far`` after this and all
    pits ranked before it. ``depth_m`` is the dug depth; ``depth_05_m, depth_95_m`` the depth of
    the invert below ground there. ``extends`` names the finding whose hole it widens, empty for
    a pit of its own; where the pit lengthens an earlier one of the plan, ``whole`` is what both
    become. ``depth`` holds its central intervals over all routes that cross the pit. A vacuum
    test hole at its center finds the pipe with ``vacuum_p_hit`` and costs ``vacuum_cost``.
    """

    rank: int
    x_m: float
    y_m: float
    ring: Array
    p_hit: float
    p_hit_so_far: float
    depth_m: float
    depth_05_m: float
    depth_95_m: float
    volume_m3: float
    cost: float
    surface: str
    needs_protection: bool
    ties: tuple[TapeTie, ...]
    hypotheses: tuple[str, ...] = ()
    depth: tuple[Interval, ...] = ()
    vacuum_p_hit: float = 0.0
    vacuum_cost: float = 0.0
    extends: str = ""
    whole: LongerPit | None = None


@dataclass(frozen=True, slots=True)
class VacuumHole:
    """A vacuum test hole in the order of :func:`sitegis.dig.pits.rank_holes`.

    ``p_hit`` alone, ``p_hit_so_far`` after this and all before it; ``cost`` with restoration.
    """

    rank: int
    x_m: float
    y_m: float
    p_hit: float
    p_hit_so_far: float
    cost: float
    surface: str
    ties: tuple[TapeTie, ...]


@dataclass(frozen=True, slots=True)
class HitMap:
    """P(hit) of a pit centered on each cell: ``p`` (rows, columns), row 0 at ``origin_m``, y up."""

    origin_m: tuple[float, float]
    cell_m: float
    p: Array


@dataclass(frozen=True, slots=True)
class Corridor:
    """The area that a share of a hypothesis's routes never leaves: ``level`` 0.5, 0.8 or 0.95.

    ``rings`` are outer rings (n, 2); ``holes[i]`` the holes of ring i. ``routes_held`` is the
    share of the routes, by posterior weight, that lie wholly within these rings, ``taps_held``
    that of the taps.
    """

    hypothesis: str
    level: float
    rings: tuple[Array, ...]
    holes: tuple[tuple[Array, ...], ...]
    routes_held: float
    taps_held: float


@dataclass(frozen=True, slots=True)
class DepthStep:
    """Depth along the most probable route, at a distance from the exit."""

    station_m: float
    x_m: float
    y_m: float
    ground_m: float
    invert_m: float
    depth_m: float
    depth_05_m: float
    depth_95_m: float


@dataclass(frozen=True, slots=True)
class DirectionComparison:
    """One direction the lateral may take, and the pit that best tells it from the others.

    ``probability`` of the direction; ``length_m`` and ``depth_m`` (of the invert at the lot line,
    or at the main where no lot line is crossed) are means over its routes. A pit at ``x_m, y_m``
    exposes the pipe with ``p_if_so`` if the lateral goes this way, ``p_otherwise`` if not; the
    ring is None where no pit tells.
    """

    toward: Toward
    probability: float
    length_m: float
    depth_m: float
    x_m: float
    y_m: float
    ring: Array | None
    p_if_so: float
    p_otherwise: float


@dataclass(frozen=True, slots=True)
class FollowTrench:
    """A trench that follows the pipe from where it was seen (``find``) to the wall or the main.

    Along the most probable route; ``depth_m`` is its greatest depth.
    """

    find: str
    to: Literal["wall", "main"]
    length_m: float
    depth_m: float
    cost: float


@dataclass(frozen=True, slots=True)
class GuessedDig:
    """What digging without the marks is expected to cost: one pit by a guess, then a trench.

    ``by`` says whose guess the ``main`` is; the pit at ``x_m, y_m`` finds the pipe with ``p_hit``
    and costs ``cost``; ``expected_cost`` counts the trench from the wall where it does not.
    """

    by: Literal["owner", "nearest main"]
    main: str
    x_m: float
    y_m: float
    p_hit: float
    cost: float
    expected_cost: float


@dataclass(frozen=True, slots=True)
class GuessedCut:
    """What opening the slab over the drain is expected to cost: by the marks, or by a guess.

    The cut lies where ``fixture`` would join ("": at the middle of the drain), at ``x_m, y_m``; it
    finds the drain with ``p_hit`` and costs ``cost``; ``expected_cost`` counts the slab that is
    opened beside it until the drain is found. ``main`` is the one that is guessed.
    """

    by: Literal["marks", "owner", "nearest main"]
    main: str
    fixture: str
    x_m: float
    y_m: float
    p_hit: float
    cost: float
    expected_cost: float


@dataclass(frozen=True, slots=True)
class DigPlan:
    """Where to dig: pits in greedy order, hit map, corridors, depth table, expected costs.

    ``ways`` compares front, rear and side, the most probable first. Where the pipe was seen the
    search is over: no pits, nothing left to expect, and ``follow`` prices the trenches from there.
    ``vacuum_holes`` are another way to look, in an order of their own.
    ``guesses`` and ``cuts`` say what digging, and cutting the slab, without the marks would cost,
    as long as nothing was dug; the latter begin with the cut by the marks.
    """

    pits: tuple[Pit, ...]
    hit_map: HitMap
    corridors: tuple[Corridor, ...]
    depths: tuple[DepthStep, ...]
    expected_cost: float
    expected_cost_straight: float
    exit_ties: tuple[TapeTie, ...]
    notices: tuple[Notice, ...] = ()
    ways: tuple[DirectionComparison, ...] = ()
    follow: tuple[FollowTrench, ...] = ()
    guesses: tuple[GuessedDig, ...] = ()
    cuts: tuple[GuessedCut, ...] = ()
    vacuum_holes: tuple[VacuumHole, ...] = ()
