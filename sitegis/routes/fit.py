"""Hold candidate routes against what a lateral cannot do, and weigh them by usual practice.

Where none fits it is said in plain words why.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry import polyline
from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..model.results import Exit
from ..model.site import Building, Main
from ..numerics.exit_mixture import outward_normals
from ..numerics.records import take_rows
from ..units import LengthUnit, about
from .bends import MOST_BENDS
from .draw import LEAST_STRAIGHT_M, Candidates, lay_straights
from .plan import (
    DIRECT_MOST_BENDS,
    DIRECT_MOST_TURN_RAD,
    TAP_LIMIT_RAD,
    TAP_SQUARE_FLOOR,
    TAP_SQUARE_SD_RAD,
    Plan,
)
from .regions import routes_cross, routes_inside
from .terrain import Terrain, run_alongside

__all__ = ["Fitted", "arrival_prior", "fit_candidates", "tap_prior"]

# All judgment, no source.
# drop above the main's invert that costs nothing; how fast more fades; what a riser leaves of it
EASY_DROP_M = 1.0
DROP_FADE_M = 1.0
DROP_FLOOR = 0.3
# share of the wall's length that a run must pass to count as alongside it
ALONGSIDE_SHARE = 0.5
# cosine against the wall's normal: flatter than 10° to the wall is no exit
_LEAST_OUTWARD = 0.17

Flags = NDArray[np.bool_]

REASONS: tuple[str, ...] = tuple(
    "wall backfall uphill reach tap fall house area alongside lot".split()
)


@dataclass(frozen=True, slots=True)
class Fitted:
    """Routes that fit. ``rows`` are their places among the candidates drawn.

    ``dropped`` counts the candidates by the reason that dropped them; ``components`` and
    ``drain_slopes`` as in :class:`~sitegis.routes.draw.Candidates`.
    """

    rows: NDArray[np.int64]
    vertices: Array
    inverts_m: Array
    lengths_m: Array
    arrivals_m: Array
    stations_m: Array
    log_prior: Array
    chosen: NDArray[np.int64]
    dropped: dict[str, int]
    components: NDArray[np.int64]
    drain_slopes: Array


def fit_candidates(
    plan: Plan, heads: Candidates, exit: Exit, building: Building, terrain: Terrain
) -> Fitted:
    """Drop the candidates that break a hard constraint; elevation prunes before geometry.

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    heads
        Candidates as drawn, n of them.
    exit
        Exit of the drain, a mixture of poses.
    building
        The building, its outline (n, 2) in the lot.
    terrain
        House, lot and streets as regions.

    Returns
    -------
    Fitted
        The routes that are left, and how many each constraint dropped.
    """
    dropped: dict[str, int] = {}
    rows = np.arange(len(heads.chosen))
    normals = outward_normals(building)
    outward = np.sum(lot_direction(heads.poses[:, 2]) * normals[heads.walls], axis=1)

    def sieve(reason: str, keep: Flags) -> Flags:
        dropped[reason] = int(keep.size - keep.sum())
        return keep

    # what needs no geometry first: most candidates of a wrong main end here
    for reason, test in (
        ("wall", lambda h, o: o > _LEAST_OUTWARD),
        ("backfall", lambda h, o: h.slopes > 0),
        ("uphill", lambda h, o: _highest_arrival(plan, h) >= 0),
    ):
        keep = sieve(reason, test(heads, outward))
        heads, rows, outward = take_rows(heads, keep), rows[keep], outward[keep]

    directions = lot_direction(heads.headings_rad)
    vertices, stations, log_ratio, last = lay_straights(plan, heads, directions)
    # An aimed length may fall outside its law: such a route has no prior.
    possible = np.isfinite(log_ratio)
    keep = sieve("reach", possible & _lengths_fit(plan, heads, directions, vertices, last))
    heads, rows, outward = take_rows(heads, keep), rows[keep], outward[keep]
    vertices, stations, log_ratio = vertices[keep], stations[keep], log_ratio[keep]
    last_of = np.arange(len(heads.chosen)), plan.sequences.counts[heads.chosen]
    # heading of the last straight, after as many bends as the sequence has
    slant = tap_slant(plan.main, stations, heads.headings_rad[last_of])
    run = polyline.stations(vertices)
    main_invert = main_inverts(plan.main, stations, heads.main_errors)
    # one slope outdoors from the wall to the main
    inverts = heads.inverts_m[:, None] - heads.slopes[:, None] * run
    state = _State(heads, rows, vertices, stations, inverts, run[:, -1], main_invert)
    log_prior = (
        log_ratio  # of the law over the one that the candidates were drawn from
        + exit.log_practice
        + np.log(tap_prior(slant))
        + np.log(arrival_prior(state.arrivals_m))
    )
    keep = sieve("tap", slant <= TAP_LIMIT_RAD)
    # both reasons are counted over all that reached the main, then dropped together
    keep &= sieve("fall", state.arrivals_m >= 0)
    state, log_prior = take_rows(state, keep), log_prior[keep]
    for reason in ("house", "area", "alongside", "lot"):
        keep = sieve(reason, _GEOMETRY[reason](plan, state, building, terrain))
        state, log_prior = take_rows(state, keep), log_prior[keep]
    return Fitted(
        rows=state.rows,
        vertices=state.vertices,
        inverts_m=state.inverts_m,
        lengths_m=state.lengths_m,
        arrivals_m=state.arrivals_m,
        stations_m=state.stations_m,
        log_prior=log_prior,
        chosen=state.heads.chosen,
        dropped=dropped,
        components=state.heads.components,
        drain_slopes=state.heads.drain_slopes,
    )


@dataclass(frozen=True, slots=True)
class _State:
    """Candidates with their geometry on the way through the constraints."""

    heads: Candidates
    rows: NDArray[np.int64]
    vertices: Array
    stations_m: Array
    inverts_m: Array
    lengths_m: Array
    main_inverts_m: Array

    @property
    def arrivals_m(self) -> Array:
        return self.inverts_m[:, -1] - self.main_inverts_m


def main_inverts(main: Main, stations: Array, errors: Array) -> Array:
    """Return a main's invert at stations (m,), with standard normal errors (m,) applied.

    Parameters
    ----------
    main
        The main.
    stations
        Stations on the main (m,), m.
    errors
        Standard normal errors (m,).

    Returns
    -------
    Array
        Inverts (m,), m above the slab.
    """
    # one error for a main as a whole: its record is off, not its every station
    invert = np.interp(stations, polyline.stations(main.line), main.inverts_m)
    return np.asarray(invert + main.invert_sd_m * errors)


def tap_slant(main: Main, stations: Array, headings: Array) -> Array:
    """Return the angle (m,) between the last straight and the main's normal at the tap.

    Parameters
    ----------
    main
        The main.
    stations
        Stations of the taps on the main (m,), m.
    headings
        Lot angles of the last straights (m,), rad.

    Returns
    -------
    Array
        Angles off square (m,), rad.
    """
    passed = polyline.stations(main.line)
    steps = np.diff(main.line, axis=0)
    angles = np.arctan2(steps[:, 1], steps[:, 0])
    # the main's own straight at the tap; both ends belong to the outer ones
    segment = np.clip(np.searchsorted(passed, stations, side="right") - 1, 0, len(angles) - 1)
    # angle off the main's normal: a wye points along the flow or against it, square is square
    return np.asarray(np.arccos(np.clip(np.abs(np.sin(headings - angles[segment])), 0.0, 1.0)))


def _highest_arrival(plan: Plan, heads: Candidates) -> Array:
    """Bound the arrival above the main from above: the shortest run to the main's lowest invert."""
    # an upper bound: the shortest way to the lowest invert; what fails here fails on any route
    least, _, _ = polyline.line_locate_point(plan.main.line, heads.poses[:, :2])
    lowest = plan.main.inverts_m.min() + plan.main.invert_sd_m * heads.main_errors
    return np.asarray(heads.inverts_m - heads.slopes * least - lowest)


def _lengths_fit(
    plan: Plan, heads: Candidates, directions: Array, vertices: Array, last: Array
) -> Flags:
    """Return which candidates reach the main, no straight too short and no earlier crossing."""
    counts = plan.sequences.counts[heads.chosen]
    keep = np.isfinite(last) & (last >= LEAST_STRAIGHT_M)
    for i in range(vertices.shape[1] - 2):
        bending = np.flatnonzero(keep & (counts > i))
        start = vertices[bending, i]
        length = np.sum((vertices[bending, i + 1] - start) * directions[bending, i], axis=1)
        reach, _ = polyline.ray(start, directions[bending, i], plan.main.line)
        # a straight that would cross the main before its bend has met it already
        keep[bending] = (length >= LEAST_STRAIGHT_M) & (reach > length)
    return keep


def tap_prior(slant_rad: Array) -> Array:
    """Weigh the angle off square at the main: floor + (1 − floor)·exp(−½(angle/30°)²).

    A wye joins at 45° as well as square, so that the practice is a loose one. Judgment; on invented
    houses 15° left too few taps in the 80 and 95 % corridors (see the calibration benchmark).
    """
    gauss = np.exp(-0.5 * (slant_rad / TAP_SQUARE_SD_RAD) ** 2)
    return np.asarray(TAP_SQUARE_FLOOR + (1.0 - TAP_SQUARE_FLOOR) * gauss)


def arrival_prior(arrival_m: Array) -> Array:
    """Weigh the drop at the main: 1 up to 1 m, then fading to the share of mains with a riser."""
    past = np.maximum(arrival_m - EASY_DROP_M, 0.0)
    return np.asarray(DROP_FLOOR + (1.0 - DROP_FLOOR) * np.exp(-past / DROP_FADE_M))


def _clear_of_house(plan: Plan, state: _State, building: Building, terrain: Terrain) -> Flags:
    """Return which routes do not pass under the house again once they are outside its wall."""
    vertices = state.vertices.copy()
    direction = lot_direction(state.heads.poses[:, 2])
    normal = outward_normals(building)[state.heads.walls]
    beyond = np.sum((vertices[:, 0] - building.vertices[state.heads.walls]) * normal, axis=1)
    # the pose scatters about the wall's face: start 5 mm outside, or the wall itself would count
    inside = np.maximum(0.005 - beyond, 0.0)
    # moved along the drain, not square to the wall, so that the line stays the same
    vertices[:, 0] += (inside / np.sum(direction * normal, axis=1))[:, None] * direction
    return ~routes_cross(vertices, terrain.house)


def _in_area(plan: Plan, state: _State, building: Building, terrain: Terrain) -> Flags:
    return routes_inside(state.vertices, terrain.allowed)


def _alongside(plan: Plan, state: _State, building: Building, terrain: Terrain) -> Flags:
    """Return which routes pass beside the wall they should, or beside none where direct."""
    if plan.face is not None:
        run, _ = run_alongside(state.vertices, plan.face, within_m=plan.face.strip_m)
        # the other way round below: a direct route must not be one along a wall
        return run >= ALONGSIDE_SHARE * plan.face.length_m
    keep = np.ones(len(state.rows), bool)
    for face in terrain.faces.values():
        run, _ = run_alongside(state.vertices, face, within_m=face.strip_m)
        keep &= run < ALONGSIDE_SHARE * face.length_m
    return keep


def _in_own_yard(plan: Plan, state: _State, building: Building, terrain: Terrain) -> Flags:
    """Return which side-yard routes stay in the lot as long as they are beside the house."""
    if plan.face is None:
        return np.ones(len(state.rows), bool)
    # as far out as it likes beside the wall: the question is the lot line, not the distance
    _, pieces = run_alongside(state.vertices, plan.face, within_m=1e6)
    inside = routes_inside(pieces.reshape(-1, 2, 2), terrain.lot).reshape(pieces.shape[:2])
    length = np.hypot(*np.moveaxis(pieces[:, :, 1] - pieces[:, :, 0], -1, 0))
    return np.asarray((inside | (length < 1e-9)).all(axis=1))


_GEOMETRY = {
    "house": _clear_of_house,
    "area": _in_area,
    "alongside": _alongside,
    "lot": _in_own_yard,
}


def reason_for_none(
    plan: Plan, fitted: Fitted, exit: Exit, least_slope: float, units: LengthUnit
) -> str:
    """Name the constraint at which the last candidates were dropped, lengths in ``units``.

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    fitted
        What the constraints dropped.
    exit
        Exit of the drain, a mixture of poses.
    least_slope
        Least slope of the rule set.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The sentence.
    """
    # the constraint that took the last ones is the one to relax; those before it had left some
    last = next((r for r in reversed(REASONS) if fitted.dropped.get(r, 0) > 0), "reach")
    if last in ("uphill", "fall", "backfall"):
        return _uphill(plan, exit, least_slope, units)
    place = f"the {exit.side} wall"
    words = {
        "wall": "the drain does not point out of the wall",
        "reach": f"no run from {place} {_with_bends(plan)} meets the main",
        "tap": f"no run from {place} meets the main at a usable angle",
        "house": "would have to pass under the house again",
        "area": "would leave the lot and the right-of-way, and no easement is given",
        "lot": "the run beside the house would leave the lot",
        "alongside": _alongside_words(plan),
    }
    return words[last]


def _with_bends(plan: Plan) -> str:
    if plan.face is None:
        turn = round(float(np.degrees(DIRECT_MOST_TURN_RAD)))
        return f"with {DIRECT_MOST_BENDS} bends of {turn}° together or less"
    return f"with {MOST_BENDS} bends or fewer"


def _alongside_words(plan: Plan) -> str:
    if plan.face is None:
        return "every run passes alongside the house: see the side-yard routes"
    return f"no run passes along half of the {plan.face.side} wall or more"


def _uphill(plan: Plan, exit: Exit, least_slope: float, units: LengthUnit) -> str:
    lowest = float(plan.main.inverts_m.min())
    above = lowest - exit.invert_m
    if above > 0:
        return f"would have to fall uphill: main invert is {about(above, units)} above the drain"
    # as much as even the least slope over the shortest run would be too low
    short = lowest - (exit.invert_m - least_slope * plan.reach_m)
    return (
        f"there is not enough fall: at the least slope over {about(plan.reach_m, units)} the pipe "
        f"would connect {about(max(short, 0.0), units)} below the main's invert"
    )
