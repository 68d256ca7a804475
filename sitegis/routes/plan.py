"""The plan of one hypothesis: which bend sequences can serve it, and how each straight is laid.

A plumber who means to reach a main by a way lays each straight with an aim. The prior density
of the straights therefore depends on the way: free lengths, a length that brings the next
straight into the yard, a length that brings the pipe past the far corner of the house, a length
that stays in the yard into which the drain itself leaves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..evidence import Aim
from ..geometry import polyline
from ..geometry.frames import Array, lot_direction
from ..late_dataclass import dataclass
from ..model.results import Exit, Hypothesis
from ..model.site import Main
from ..units import LengthUnit, about
from .bends import MOST_BENDS, Sequences, bend_sequences
from .terrain import Face, Terrain

__all__ = [
    "FREE",
    "INTO_YARD",
    "PAST_CORNER",
    "WITHIN_YARD",
    "Plan",
    "make_plan",
    "proposal_shares",
]

FREE, INTO_YARD, PAST_CORNER, WITHIN_YARD = 0, 1, 2, 3

# All judgment, no source.
DIRECT_MOST_BENDS = 2
DIRECT_MOST_TURN_RAD = float(np.radians(120.0))
YARD_HEADING_RAD = float(np.radians(25.0))
YARD_ENTRY_RAD = float(np.radians(75.0))
# A trench beside a house follows the wall, about as truly as a drain leaves square.
YARD_PARALLEL_SD_RAD = float(np.radians(7.0))
YARD_PARALLEL_FLOOR = 0.15
YARD_CLEAR_M = 0.15
YARD_APPROACH_M = 6.0
TAP_SQUARE_SD_RAD = float(np.radians(30.0))
TAP_SQUARE_FLOOR = 0.15
TAP_LIMIT_RAD = float(np.radians(75.0))


@dataclass(frozen=True, slots=True)
class Plan:
    """How to draw routes for one hypothesis.

    ``rules`` (s, 3) names the rule of the length before each bend; ``shares`` (s,) are the
    proposal's probabilities of the sequences. ``forward`` is +1 or −1: the direction of the
    yard run along ``face``. ``toward`` (2,) is the unit vector from the house to the main;
    ``drain_ends_m`` how far outside the wall the building drain ends.
    """

    hypothesis: Hypothesis
    main: Main
    sequences: Sequences
    rules: NDArray[np.int64]
    shares: Array
    reach_m: float
    toward: Array
    face: Face | None
    forward: float
    aims: tuple[Aim, ...]
    drain_ends_m: float
    why_none: str = ""

    def with_shares(self, shares: Array) -> Plan:
        """Return the plan with other proposal probabilities."""
        return replace(self, shares=shares / shares.sum())


def make_plan(
    hypothesis: Hypothesis,
    main: Main,
    exit: Exit,
    terrain: Terrain,
    aims: tuple[Aim, ...] = (),
    *,
    drain_ends_m: float,
    units: LengthUnit = "m",
) -> Plan:
    """Choose the sequences that can serve a hypothesis, or say why none can.

    Lengths in ``why_none`` are told in ``units``. The prior over the bends of a side-yard run
    is the one given the way (:func:`_given_the_yard`).

    Parameters
    ----------
    hypothesis
        The route alternative.
    main
        The main.
    exit
        Exit of the drain, a mixture of poses.
    terrain
        House, lot and streets as regions.
    aims
        Points that the route probably meets.
    drain_ends_m
        How far outside the wall the building drain ends by the rule set, m.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    Plan
        The sequences with their prior, or the reason why there is none.
    """
    reach_m, toward = _nearest(main.line, np.array([exit.x_m, exit.y_m]))
    sequences = bend_sequences()
    face = None if hypothesis.yard_side is None else terrain.faces[hypothesis.yard_side]
    forward = 1.0 if face is None or float(face.along @ toward) >= 0 else -1.0
    # sequences are chosen at the mean exit: four sds of its angle, and the main's own
    # turns, may still bring the last straight square
    slack = 4.0 * float(np.sqrt(exit.covariance[2, 2])) + _wander_rad(main.line, toward)
    squareness = _final_squareness(sequences, exit.angle_rad, toward)
    if face is None:
        rules = np.full(sequences.turns_rad.shape, FREE, np.int64)
        keep = squareness <= TAP_LIMIT_RAD + slack
        # a run that turns more is not laid by intent as a direct one
        keep &= sequences.counts <= DIRECT_MOST_BENDS
        keep &= np.abs(sequences.turns_rad).sum(axis=1) <= DIRECT_MOST_TURN_RAD
        prior = np.where(keep, sequences.prior, 0.0)
        reason = "" if keep.any() else _no_direct_reason(exit)
    else:
        run = _YardRun(face, forward, toward, TAP_LIMIT_RAD + slack)
        rules, prior = _given_the_yard(run, exit)
        reason = _no_yard_reason(face, bool(prior.any()), units)
    chosen = np.flatnonzero(prior)
    # proposal only: sequences that arrive square to the main are drawn more often
    weight = prior[chosen] * (
        TAP_SQUARE_FLOOR + np.exp(-0.5 * (squareness[chosen] / TAP_SQUARE_SD_RAD) ** 2)
    )
    laid = replace(sequences.chosen(chosen), prior=prior[chosen])
    return Plan(
        hypothesis=hypothesis,
        main=main,
        sequences=laid,
        rules=rules[chosen],
        shares=proposal_shares(weight),
        reach_m=reach_m,
        toward=toward,
        face=face,
        forward=forward,
        aims=aims,
        drain_ends_m=drain_ends_m,
        why_none=reason,
    )


@dataclass(frozen=True, slots=True)
class _YardRun:
    """A run beside a face, ``forward`` (±1) along it, to a main that lies ``toward`` (2,).

    ``most_slant_rad`` bounds the angle off square at the main.
    """

    face: Face
    forward: float
    toward: Array
    most_slant_rad: float


def _given_the_yard(run: _YardRun, exit: Exit) -> tuple[NDArray[np.int64], Array]:
    """Return the rules (s, 3) and the prior (s,) of the bends of a side-yard run, given the way.

    A side-yard run turns two or three times by what it is, and its rarity stands in the
    hypothesis's own prior. So p(bends | way, exit) = p(bends) h(δ) / N over the sequences that
    can serve the way at the mean exit direction, 0 for the others; h = floor +
    (1 − floor) exp(−½ δ² / (7° ² + sd²)) with the angle δ between the yard's straight and the
    face and the sd of the exit's angle. N is the sum over those sequences, but never less than
    the same sum for an exit square in the wall away from the main: the way starts from its own
    wall or from that one, and an exit that needs still more bends pays for them.
    That a run starts from the other of its two walls half the time (a factor ½) is not charged:
    its laid lengths fit about a third as often as a straight, which says as much.
    """
    sequences = bend_sequences()
    variance = float(exit.mixture[0].covariance[2, 2])
    rules, weight = _yard_weights(sequences, run, exit.angle_rad, variance)
    away = -run.forward * run.face.along
    _, usual = _yard_weights(sequences, run, float(np.arctan2(away[1], away[0])), variance)
    if exit.side == run.face.side:
        into = rules == INTO_YARD
        # straights before the one that enters the yard stay in the yard that the drain leaves into
        before = np.arange(MOST_BENDS) < np.argmax(into, axis=1)[:, None]
        rules[before & into.any(axis=1)[:, None]] = WITHIN_YARD
    # tiny: where nothing serves, 0 / tiny is 0 and not nan
    return rules, weight / max(float(weight.sum()), float(usual.sum()), np.finfo(float).tiny)


def _yard_weights(
    sequences: Sequences, run: _YardRun, exit_angle: float, variance: float
) -> tuple[NDArray[np.int64], Array]:
    """Return the rules (s, 3) and p(bends) h(δ), 0 where a sequence cannot serve the way."""
    rules, serves, off = _yard_rules(sequences, exit_angle, run.face, run.forward)
    serves &= _final_squareness(sequences, exit_angle, run.toward) <= run.most_slant_rad
    gauss = np.exp(-0.5 * off**2 / (YARD_PARALLEL_SD_RAD**2 + variance))
    practice = YARD_PARALLEL_FLOOR + (1.0 - YARD_PARALLEL_FLOOR) * gauss
    return rules, np.where(serves, sequences.prior * practice, 0.0)


def proposal_shares(weight: Array) -> Array:
    """Share draws half by weight, half by its root: rare sequences are seen too."""
    root = np.sqrt(weight)
    return np.asarray(0.5 * weight / weight.sum() + 0.5 * root / root.sum()) if len(root) else root


def _no_direct_reason(exit: Exit) -> str:
    return (
        f"the drain passes the {exit.side} wall: a direct run cannot turn toward the main "
        f"with {DIRECT_MOST_BENDS} bends of {np.degrees(DIRECT_MOST_TURN_RAD):.0f}° together"
    )


def _no_yard_reason(face: Face, any_sequence: bool, units: LengthUnit) -> str:
    if face.yard_m < 4 * YARD_CLEAR_M:
        return (
            f"no room for a pipe beside the {face.side} wall: "
            f"it stands {about(face.yard_m, units)} from the lot line"
        )
    return "" if any_sequence else f"three bends do not bring the pipe along the {face.side} wall"


def _nearest(line: Array, point: Array) -> tuple[float, Array]:
    """Return the distance from a point (2,) to a polyline and the unit vector toward it."""
    distance, _, segment = polyline.line_locate_point(line, point)
    # the main's normal on the house's side: the unit vector from the house to the main
    normal = polyline.normals(line)[segment]
    return float(distance), normal if float(normal @ (line[segment] - point)) >= 0 else -normal


def _wander_rad(line: Array, toward: Array) -> float:
    """Return the largest turn of a main's straights from the one nearest the house."""
    # sine of the angle between each straight and the nearest one
    off = np.abs(polyline.directions(line) @ toward)
    return float(np.arcsin(np.clip(off, 0.0, 1.0)).max())


def _final_squareness(sequences: Sequences, exit_angle: float, toward: Array) -> Array:
    """Return the angle (s,) between the last straight and the main's normal, at the mean exit."""
    last = sequences.headings_rad[np.arange(len(sequences.counts)), sequences.counts]
    return np.asarray(np.arccos(np.clip(lot_direction(exit_angle + last) @ toward, -1.0, 1.0)))


def _yard_rules(
    sequences: Sequences, exit_angle: float, face: Face, forward: float
) -> tuple[NDArray[np.int64], NDArray[np.bool_], Array]:
    """Name the rule before each bend, and tell which sequences have a straight in the yard.

    The yard straight is the first one after a bend that heads along the face within 25°, seen
    from the mean exit direction; a straight before it must head out of the house on that side,
    within 75° of square to the face: no run enters a yard by turning away from it. Gives the
    angle (s,) between the yard straight and the face besides.
    """
    directions = lot_direction(exit_angle + sequences.headings_rad)
    off = np.arccos(np.clip(directions @ (forward * face.along), -1.0, 1.0))
    # the yard straight is one after a bend: the first straight belongs to the exit
    close = off <= YARD_HEADING_RAD
    close &= np.arange(MOST_BENDS + 1) <= sequences.counts[:, None]
    close[:, 0] = False
    runs = close.any(axis=1)
    # number of the yard straight; past the last where a sequence has none
    yard = np.where(runs, np.argmax(close, axis=1), MOST_BENDS + 1)
    outward = directions @ face.outward >= np.cos(YARD_ENTRY_RAD)
    enters = (outward & (np.arange(MOST_BENDS + 1) < yard[:, None])).any(axis=1)
    before = np.arange(1, MOST_BENDS + 1)
    rules = np.full(sequences.turns_rad.shape, FREE, np.int64)
    # the bend before the yard straight brings the pipe into the yard,
    # the one that ends it lies past the corner
    rules[before == yard[:, None]] = INTO_YARD
    rules[before == yard[:, None] + 1] = PAST_CORNER
    rows = np.arange(len(yard))
    return rules, runs & enters, off[rows, np.minimum(yard, MOST_BENDS)]
