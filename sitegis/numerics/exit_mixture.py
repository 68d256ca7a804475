"""The exit as a mixture: straight on to the wall, or bent on the way where no mark shows it.

Each end of the drain (:class:`~sitegis.model.results.LineEnd`) is carried to the wall straight, and
with one bend at places spread evenly over the stretch. Bends come at one rate per meter, as in
the stretches that marks show, with the angles of the catalog.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

from ..geometry import polyline
from ..geometry.frames import Array, lot_direction, wrap_radians
from ..line.bend_catalog import BENDS_PER_M, SIGNED_RAD, SIGNED_SD_RAD, SIGNED_WEIGHTS, turns_of_two
from ..model.results import Drain, LineEnd
from ..model.site import Building
from .mixture import Poses, join_poses
from .ordering import FINE_M, MATTERS_P, in_steps
from .statistics import nonnegative

__all__ = [
    "back_to_wall",
    "carry_to_wall",
    "first_walls",
    "outward_normals",
    "square_prior",
]

LEAST_INSIDE = float(np.log(1e-3))
"""An end less probably inside than this is not the marks' scatter: the wall is elsewhere."""
ASIDE_SHARE = 0.26
"""How far aside of one bend half way two bends lead, of the length: (u₂ − u₁) sin φ of even places
u and a bend φ has a mean square of 1/6 · 0.4."""
CELL_M = 0.75
"""Longest piece of the unseen stretch whose bends are one component."""
SQUARE_SD_RAD, SQUARE_FLOOR = float(np.radians(8.0)), 0.11
"""How drains leave walls: floor + (1 − floor) exp(−½ (angle off square / 8°)²), that is, half of
them square to 8° and half at any angle: 0.89 · 8° √(2π) = 0.11 · 160°. Judgment, no source."""
LEAST_OUTWARD = 0.17
"""A drain that leaves flatter than 10° to the wall is none. Judgment, no source."""


def first_walls(
    origins: Array, angles: Array, building: Building
) -> tuple[NDArray[np.int64], Array]:
    """Return the first wall that rays meet, and the length to it, (m,) each; −1 and inf for none.

    ``origins`` (m, 2), ``angles`` (m,) on the lot.

    Parameters
    ----------
    origins
        Starts of the rays (m, 2) in the lot, m.
    angles
        Lot angles of the rays (m,), rad.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    wall
        Edges met (m,), −1 for none.
    length
        Distances to them (m,) in m, inf for none.
    """
    outline = polyline.closed(building.vertices)
    lengths, _ = polyline.meet(
        origins[:, None], lot_direction(angles)[:, None], outline[:-1], outline[1:]
    )
    # walls behind the ray are not ahead of it
    lengths = np.where(lengths >= 0.0, lengths, np.inf)
    # of two walls that a ray meets at their corner the earlier one
    walls = np.argmin(in_steps(lengths, FINE_M), axis=1)
    least = lengths[np.arange(len(walls)), walls]
    return np.where(np.isfinite(least), walls, -1), least


def carry_to_wall(drain: Drain, building: Building) -> Poses:
    """Carry every end of a drain whose last point is indoors to the outside face of the wall.

    Straight on with prior weight exp(−ρ L), L the length to the wall; bent by φ in a cell of
    length Δ with ρ Δ p(φ)/2 exp(−ρ L'), L' the length along that way; bent twice with
    (ρ L)²/2 exp(−ρ L'), by what pairs turn (:func:`~sitegis.line.bend_catalog.turns_of_two`), half
    way: a Poisson process of bends, three in one unseen stretch left out. An end at the wall is
    first held to lie inside of it (:func:`_held_inside`). The weights sum to 1.

    Parameters
    ----------
    drain
        Fitted building drain.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    Poses
        Poses at the outside face of the wall, kinds the wall's index; weights sum to 1.
    """
    after, weights, means, covariances = _ends(drain, building)
    held, weights, means, covariances = _held_inside(weights, means, covariances, building)
    walls, lengths = first_walls(means[:, :2], means[:, 2], building)
    parts = [
        _at_wall(
            # exp(−ρ L): no bend on the way; with L inf (no wall ahead) the row weighs nothing
            weights * np.exp(-BENDS_PER_M * lengths),
            means,
            covariances,
            (walls, lengths, np.zeros(walls.size), np.zeros(walls.size), after[held]),
            building,
        )
    ]
    # without a wall straight ahead the stretch has no length to lay bends in
    for end in np.flatnonzero(walls >= 0):
        here = means[end], covariances[end]
        parts += _bent_to_wall(float(weights[end]), here, float(lengths[end]), building)
    return join_poses(parts)


def _bent_to_wall(
    weight: float, end: tuple[Array, Array], length_m: float, building: Building
) -> list[Poses]:
    """Carry one end to the wall with one bend in every cell, and with two on the way."""
    # less a hair, so that a whole number of cells gains none by the last bit
    cells = max(2, int(np.ceil(length_m / CELL_M - MATTERS_P)))
    size = length_m / cells
    at = np.repeat((np.arange(cells) + 0.5) * size, SIGNED_RAD.size)
    turn, turn_sd = np.tile(SIGNED_RAD, cells), np.tile(SIGNED_SD_RAD, cells)
    mean, covariance = _bent(*end, at, (turn, turn_sd), size)
    met, rest = first_walls(mean[:, :2], mean[:, 2], building)
    # rate × cell × share of the bend, left and right each having half of its share
    probability = weight * BENDS_PER_M * size * np.tile(SIGNED_WEIGHTS, cells)
    # and no other bend, before it or after it
    probability = probability * np.exp(-BENDS_PER_M * (at + rest))
    carried = met, rest, np.degrees(turn), at, np.zeros(at.size, dtype=np.int64)
    once = _at_wall(probability, mean, covariance, carried, building)
    # two bends lie anywhere: both put halfway, and what their places scatter added to the spread
    share, turn, turn_sd = turns_of_two()
    at = np.full(turn.size, length_m / 2.0)
    mean, covariance = _bent(*end, at, (turn, turn_sd), length_m)
    # an even law of two places scatters the end by about a quarter of the length
    covariance[:, :2, :2] += (length_m * ASIDE_SHARE) ** 2 * np.eye(2)
    met, rest = first_walls(mean[:, :2], mean[:, 2], building)
    # Poisson: two events in a stretch have (ρ L)²/2, wherever they lie
    probability = weight * 0.5 * (BENDS_PER_M * length_m) ** 2 * share
    probability = probability * np.exp(-BENDS_PER_M * (at + rest))
    carried = met, rest, np.degrees(turn), at, np.zeros(at.size, dtype=np.int64)
    twice = _at_wall(probability, mean, covariance, carried, building)
    return [once, twice]


def back_to_wall(drain: Drain, building: Building, most_m: float) -> Poses | None:
    """Return where a drain whose last point lies outside passed the wall before it; None if not.

    Parameters
    ----------
    drain
        Fitted building drain.
    building
        The building, its outline (n, 2) in the lot.
    most_m
        Longest way back that is looked at, m.

    Returns
    -------
    Poses | None
        Poses where it passed the wall, None where it did not.
    """
    after, weights, means, covariances = _ends(drain, building)
    walls, lengths = first_walls(means[:, :2], means[:, 2] + np.pi, building)
    walls = np.where(lengths <= most_m, walls, -1)
    if not np.any(walls >= 0):
        return None
    none = np.zeros(walls.size)
    return join_poses(
        # negative: the pose is carried back against the flow
        [_at_wall(weights, means, covariances, (walls, -lengths, none, none, after), building)]
    )


def _ends(drain: Drain, building: Building) -> tuple[NDArray[np.int64], Array, Array, Array]:
    """Return marks after the last bend, weights, means and covariances of a drain's ends.

    The building's own place is left out.
    """
    # a drain that was not followed as a mixture has the one end of its chain
    ends = drain.ends or (LineEnd(1.0, drain_end(drain), drain.end_covariance, len(drain.bends)),)
    return (
        np.array([end.marks_after for end in ends]),
        np.array([end.weight for end in ends]),
        np.stack([end.mean for end in ends]),
        np.stack([_own(end.covariance, building) for end in ends]),
    )


def _held_inside(
    weights: Array, means: Array, covariances: Array, building: Building
) -> tuple[NDArray[np.bool_], Array, Array, Array]:
    """Hold ends of a drain whose last mark was made indoors to the inside of the nearest wall.

    A mark scatters past the wall, the drain under it does not: the Gaussian is cut at the wall
    and brought to the moments of what is left (Rasmussen and Williams 2006, section 3.9, with a
    step for Φ, from memory); the weight takes the share that is left. Ends of which less than
    one in a thousand lies inside are left out; also gives which are held.
    """
    corners = polyline.closed(building.vertices)
    start, along = corners[:-1], np.diff(corners, axis=0)
    # foot of each end on every wall, clipped to the wall's own length: (m, w)
    share = np.sum((means[:, None, :2] - start) * along, axis=2) / np.sum(along**2, axis=1)
    foot = start + np.clip(share, 0.0, 1.0)[..., None] * along
    away = np.hypot(*np.moveaxis(means[:, None, :2] - foot, 2, 0))
    wall = np.argmin(in_steps(away, FINE_M), axis=1)
    normal = outward_normals(building)[wall]
    # covariance of the whole pose with its distance from the wall: what the cut moves
    column = np.einsum("mij,mj->mi", covariances[:, :, :2], normal)
    sd = np.sqrt(np.sum(column[:, :2] * normal, axis=1) + building.outline_sd_m**2)
    # how far inside, in sds; negative where the mark lies outside
    room = -np.sum((means[:, :2] - start[wall]) * normal, axis=1) / sd
    # P(the end lies inside of the wall), by its distance in sds
    log_share = log_ndtr(room)
    held = log_share > LEAST_INSIDE
    # inverse Mills ratio φ/Φ: mean and variance of a Gaussian cut at the wall
    ratio = np.exp(-0.5 * room**2 - 0.5 * np.log(2.0 * np.pi) - log_share)
    step = column / sd[:, None]
    # variance of a truncated Gaussian falls by r (z + r) of that across the wall
    cut = np.einsum("mi,mj->mij", step, step) * (ratio * (room + ratio))[:, None, None]
    moved = means - step * ratio[:, None]
    return held, (weights * np.exp(log_share))[held], moved[held], (covariances - cut)[held]


def drain_end(drain: Drain) -> Array:
    """Return x, y, angle (3,) of a drain's last vertex."""
    return np.append(drain.vertices[-1], drain.end_angle_rad)


def _own(covariance: Array, building: Building) -> Array:
    """Return a covariance (3, 3) without what the building's place on the lot adds."""
    # the building's own place moves wall and drain alike: out here, in again at the wall
    shared = np.diag([building.position_sd_m**2, building.position_sd_m**2, 0.0])
    return nonnegative(covariance - shared)


def _bent(
    mean: Array, covariance: Array, at: Array, turns: tuple[Array, Array], cell_m: float
) -> tuple[Array, Array]:
    """Return mean (m, 3) and covariance (m, 3, 3) just after bends ``at`` meters past an end.

    ``turns``: the angle of each bend and its standard deviation.
    """
    turn, turn_sd = turns
    along = lot_direction(np.array(mean[2]))
    left = np.array([-along[1], along[0]])
    bent = np.concatenate([mean[:2] + at[:, None] * along, (mean[2] + turn)[:, None]], axis=1)
    carry = np.broadcast_to(np.eye(3), (at.size, 3, 3)).copy()
    # an error of the angle moves the bend aside by its distance from the end
    carry[:, :2, 2] = at[:, None] * left
    spread = carry @ covariance @ carry.transpose(0, 2, 1)
    # anywhere in its cell, along the drain: an even law has its width squared over 12
    spread[:, :2, :2] += cell_m**2 / 12.0 * np.outer(along, along)
    spread[:, 2, 2] += turn_sd**2
    return bent, spread


def _at_wall(
    weights: Array,
    means: Array,
    covariances: Array,
    carried: tuple[NDArray[np.int64], Array, Array, Array, NDArray[np.int64]],
    building: Building,
) -> Poses:
    """Carry Gaussians straight to the wall: position = end + L t, L = n·(wall − end) / n·t.

    ``carried``: wall (−1: none, the row is left out), length L, bend in degrees, length before it
    and marks after the last bend, (m,) each. The covariance by the Jacobians of end, angle and
    wall; the building's place, which moves marks and wall alike, is put back whole.
    """
    met = (carried[0] >= 0) & (weights > 0)
    weights, means, covariances = weights[met], means[met], covariances[met]
    walls, lengths, turns_deg, before_m, after = carried
    walls, lengths, turns_deg = walls[met], lengths[met], turns_deg[met]
    direction = lot_direction(means[:, 2])
    inward = -outward_normals(building)[walls]
    # cosine against the wall's normal: an oblique drain slides along the wall by 1/cos of an error
    rate = np.sum(inward * direction, axis=1)
    # projection along the drain onto the wall: what lies along the drain has no effect on where it
    # passes
    slide = np.eye(2) - np.einsum("mi,mj->mij", direction, inward) / rate[:, None, None]
    left = np.column_stack([-direction[:, 1], direction[:, 0]])
    jacobian = np.broadcast_to(np.eye(3), (len(walls), 3, 3)).copy()
    jacobian[:, :2, :2] = slide
    # an error of the angle acts over the whole length and then slides along the wall
    jacobian[:, :2, 2] = lengths[:, None] * np.einsum("mij,mj->mi", slide, left)
    total = jacobian @ covariances @ jacobian.transpose(0, 2, 1)
    # a wall that stands further out lengthens the drain, not its line
    wall = direction / rate[:, None] * building.outline_sd_m
    total[:, :2, :2] += np.einsum("mi,mj->mij", wall, wall)
    total[:, :2, :2] += building.position_sd_m**2 * np.eye(2)
    moved = np.column_stack([means[:, :2] + lengths[:, None] * direction, means[:, 2]])
    return Poses(
        weights=weights,
        means=moved,
        covariances=0.5 * (total + total.transpose(0, 2, 1)),
        kinds=walls,
        marks_after=after[met],
        turns_deg=turns_deg,
        lengths_m=before_m[met] + lengths,
    )


def outward_normals(building: Building) -> Array:
    """Return the outward unit normal (w, 2) of every wall."""
    return polyline.normals(polyline.closed(building.vertices))


def square_prior(poses: Poses, building: Building) -> tuple[Poses, float]:
    """Weigh in that drains leave square to walls; gives the poses and the log of the mean practice.

    Each Gaussian times floor + (1 − floor) exp(−½ (s/8°)²), s its angle off square, is two
    Gaussians, exactly: itself, and itself given "square, to 8°".

    Parameters
    ----------
    poses
        Poses at walls, kinds the wall's index.
    building
        The building, its outline (n, 2) in the lot.

    Returns
    -------
    poses
        Two for each pose given, weights summing to 1.
    log_mean
        Log of the mean factor.
    """
    normals = outward_normals(building)[poses.kinds]
    slant = poses.means[:, 2] - np.arctan2(normals[:, 1], normals[:, 0])
    slant = wrap_radians(slant)
    possible = np.cos(slant) > LEAST_OUTWARD
    # product of two Gaussians in the angle: N(slant; 0, var + 8°²) × the conditioned pose
    variance = poses.covariances[:, 2, 2] + SQUARE_SD_RAD**2
    # mean of exp(−½ (s/8°)²) over the pose's own Gaussian of s
    suits = SQUARE_SD_RAD / np.sqrt(variance) * np.exp(-0.5 * slant**2 / variance)
    # conditioning on "square" moves x and y too, by their covariance with the angle
    gain = poses.covariances[:, :, 2] / variance[:, None]
    square = replace(
        poses,
        weights=poses.weights * possible * (1.0 - SQUARE_FLOOR) * suits,
        means=poses.means - gain * slant[:, None],
        covariances=poses.covariances - np.einsum("mi,mj->mij", gain, poses.covariances[:, 2]),
    )
    any_way = replace(poses, weights=poses.weights * possible * SQUARE_FLOOR)
    # how usual an exit this is: evidence against readings that would have it slant
    total = float(square.weights.sum() + any_way.weights.sum())
    # every pose runs along a wall or back in: no use in weighing them by practice
    if total <= 0.0:
        return poses, 0.0
    return join_poses([any_way, square]), float(np.log(total))
