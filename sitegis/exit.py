"""Stage ``exit``: where the drain passes the outside face of the wall, and samples of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from shapely import Point, Polygon

from .geometry import polyline
from .geometry.frames import Array, lot_direction, wrap_radians
from .messages.catalog import fault_of, notice_of
from .messages.errors import ComputationError, Notice
from .model.results import Drain, Exit, ExitComponent, ProfileComponent
from .model.site import Building, Main, Site
from .model.survey import Survey
from .numerics.exit_mixture import back_to_wall, carry_to_wall, outward_normals, square_prior
from .numerics.mixture import Poses, merge_poses
from .numerics.ordering import at_least
from .numerics.statistics import largest_sd_m, mixture_moments, square_root
from .units import about, percent

__all__ = [
    "choose_by",
    "choose_components",
    "choose_profile",
    "exit_notices",
    "exit_turns",
    "find_exit",
    "sample_exit",
    "sample_profile",
    "square_root",
    "straight_sd_rad",
    "turn_words",
]

# judgment, no source: past these lengths, heights and angles a person is told
FAR_M = 1.5
UPHILL_M = 0.10  # a main this much above the drain is told; judgment
OBLIQUE_DEG = 60.0
SAME_DIRECTION_RAD = float(np.radians(8.0))
"""Less than the least made bend, so that its components are told apart from going straight on."""
WORTH_NAMING, WORTH_A_LOOK = 0.01, 0.15
PIT_OUT_M, PIT_MOVED_M = 2.0, 0.6
"""A direction this probable whose pit, this far out, lies this far aside, needs a person. All
judgment, no source."""
WEAK_SD_M, WEAK_ANGLE_DEG = 2.0, 25.0
"""Spreads of the exit past which the marks hardly give it. Judgment, no source."""
LIKELY = 0.1  # a part of the mixture that counts for how well the exit is held; judgment


def find_exit(survey: Survey) -> Survey:
    """Carry the drain to the outside face of the wall: a mixture of straight on and bent.

    Bends in the stretch that no mark shows come at the rate of those that marks show
    (:mod:`sitegis.numerics.exit_mixture`); that drains leave square to walls is weighed in.
    The stated pose is that of the most probable component. Invert at the exit = invert at the
    end − slope · L per component of the profile. Where the last point lies outside, a notice says
    so; where its scatter does not explain that, the exit is where the fitted drain crosses the
    wall. ``ComputationError`` where the line meets no wall.
    """
    site, drain = survey.site, survey.drain
    found, inside = _to_the_wall(drain, site.building)
    weighed, log_practice = square_prior(found, site.building)
    poses = merge_poses(weighed)
    components = tuple(_component(poses, row, drain, site.building) for row in range(_size(poses)))
    # the pose stated is one component's, no mean of a drain that bends and one that does not
    first = components[0]
    covariance = _second_moment(poses)
    # an invert belongs to the place of its wall: what passes another wall takes no part in it
    profile = tuple(
        replace(part, weight=component.weight * part.weight)
        for component in components
        if component.wall_index == first.wall_index
        for part in component.profile
    )
    mean, variance = _moments(profile)
    ground, ground_sd = _ground_at(site, np.array([first.x_m, first.y_m]))
    exit = Exit(
        x_m=first.x_m,
        y_m=first.y_m,
        angle_rad=first.angle_rad,
        side=first.side,
        wall_index=first.wall_index,
        covariance=covariance,
        profile=first.profile,
        invert_m=float(mean[0]),
        invert_sd_m=float(np.sqrt(variance[0])),
        slope=float(mean[1]),
        slope_sd=float(np.sqrt(variance[1])),
        slope_sd_ratio=drain.slope_sd_ratio,
        depth_m=ground - float(mean[0]),
        depth_sd_m=float(np.hypot(np.sqrt(variance[0]), ground_sd)),
        unseen_m=max(first.unseen_m, 0.0),
        bend_share=float(poses.weights[poses.turns_deg != 0.0].sum()),
        components=components,
        log_practice=log_practice,
    )
    return replace(
        survey, penetration=replace(exit, notices=tuple(exit_notices(exit, site, inside=inside)))
    )


def _size(poses: Poses) -> int:
    return int(poses.weights.size)


def _to_the_wall(drain: Drain, building: Building) -> tuple[Poses, bool]:
    """Carry the drain to the wall, or back to it; and tell whether its last point is inside."""
    end = drain.vertices[-1]
    poses = carry_to_wall(drain, building)
    if _size(poses):
        return poses, bool(Polygon(building.vertices).covers(Point(end)))
    back = back_to_wall(drain, building, float(np.hypot(*(end - drain.vertices[-2]))))
    if back is not None:
        return back, False
    raise ComputationError(
        fault_of("drain-meets-no-wall", "locates.csv", None, "x, y", "", end=end[0], end_2=end[1])
    )


def _component(poses: Poses, row: int, drain: Drain, building: Building) -> ExitComponent:
    """Make the record of one component, the profile carried down its own length."""
    covariance, length = poses.covariances[row], float(poses.lengths_m[row])
    wall = int(poses.kinds[row])
    x, y, angle = map(float, poses.means[row])
    variance_m2 = _length_variance(covariance[:2, :2], angle, float(poses.turns_deg[row]))
    return ExitComponent(
        weight=float(poses.weights[row]),
        turn_deg=float(poses.turns_deg[row]),
        x_m=x,
        y_m=y,
        # into (−π, π]
        angle_rad=float(np.angle(np.exp(1j * angle))),
        side=building.sides[wall],
        wall_index=wall,
        covariance=covariance,
        profile=tuple(_carried(part, length, variance_m2) for part in drain.profile),
        unseen_m=length,
        marks_after=int(poses.marks_after[row]),
    )


def _second_moment(poses: Poses) -> Array:
    """Return the second moment (3, 3) about the first pose over all through the same wall."""
    same = poses.kinds == poses.kinds[0]
    share = poses.weights[same] / poses.weights[same].sum()
    away = poses.means[same] - poses.means[0]
    away[:, 2] = wrap_radians(away[:, 2])
    spread = poses.covariances[same] + np.einsum("mi,mj->mij", away, away)
    return np.asarray(np.einsum("m,mij->ij", share, spread))


def _moments(profile: tuple[ProfileComponent, ...]) -> tuple[Array, Array]:
    """Return mean and variance (2,) each of invert and slope over a mixture."""
    return mixture_moments(
        np.array([part.weight for part in profile]),
        np.stack([part.mean for part in profile]),
        np.stack([np.diag(part.covariance) for part in profile]),
    )


def choose_components(exit: Exit, uniforms: Array) -> tuple[NDArray[np.int64], Array]:
    """Choose components by uniforms (m,): their indices, and the uniforms that are left over.

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    uniforms
        Draws (m,) in [0, 1).

    Returns
    -------
    component
        Index of each (m,).
    left
        Uniforms that are left over (m,).
    """
    return choose_by(np.array([component.weight for component in exit.mixture]), uniforms)


def choose_by(
    weights: Array, uniforms: Array, rows: NDArray[np.int64] | None = None
) -> tuple[NDArray[np.int64], Array]:
    """Choose by weights (c,) and uniforms (m,); gives the place of each within its share too.

    Parameters
    ----------
    weights
        Weights (c,), or several sets of them (s, c), each summing to any positive number.
    uniforms
        Draws (m,) in [0, 1).
    rows
        Which set each draw chooses by (m,); None where there is one.

    Returns
    -------
    chosen
        Index of each (m,).
    left
        Place within the chosen share (m,), in [0, 1).
    """
    weights = np.atleast_2d(weights)
    rows = np.zeros(len(uniforms), np.int64) if rows is None else rows
    edges = np.cumsum(weights / weights.sum(axis=1, keepdims=True), axis=1)
    # one search over all sets: the edges of each stand one further on than those before it
    passed = (edges + np.arange(len(edges))[:, None]).ravel()
    found = np.searchsorted(passed, rows + uniforms, side="right") - rows * weights.shape[1]
    chosen = np.clip(found, 0, weights.shape[1] - 1)
    shares = np.diff(edges, prepend=0.0, axis=1)
    # what is left of a uniform within its share is a uniform again: one draw serves twice
    left = uniforms - (edges - shares)[rows, chosen]
    return chosen, np.clip(left / np.maximum(shares[rows, chosen], 1e-300), 0.0, 1.0)


def sample_exit(
    exit: Exit, normals: Array, uniforms: Array, normals2: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Turn standard draws into exit poses with invert and slope.

    ``normals`` (m, 3) standard normal draws for x, y, angle; ``uniforms`` (m,) in [0, 1)
    choose the component of the exit (:func:`choose_components`) and, by what is left over, that
    of its profile; ``normals2`` (m, 2) standard normal draws for invert and slope. Each
    Gaussian is mean + C^½ · draw with the symmetric root of its covariance, which also serves
    where that is singular.
    Gives x, y (m, lot), angle (rad, lot), invert (m above slab), slope (fall per run), (m,) each.

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    normals
        Standard normal draws (m, 3) for x, y, angle.
    uniforms
        Draws (m,) in [0, 1) for the components.
    normals2
        Standard normal draws (m, 2) for invert and slope.

    Returns
    -------
    tuple[Array, Array, Array, Array, Array]
        x, y in m, angle in rad, invert in m above the slab, slope: (m,) each.
    """
    chosen, left = choose_components(exit, uniforms)
    means = np.array([(c.x_m, c.y_m, c.angle_rad) for c in exit.mixture])
    roots = square_root(np.stack([c.covariance for c in exit.mixture]))
    x, y, angle = (means[chosen] + np.einsum("mij,mj->mi", roots[chosen], normals)).T
    invert, slope = sample_profile(exit, chosen, left, normals2)
    return x, y, angle, invert, slope


def sample_profile(
    exit: Exit, chosen: NDArray[np.int64], uniforms: Array, normals: Array
) -> tuple[Array, Array]:
    """Draw invert and slope (m,) at the exit components ``chosen`` (m,), as ``sample_exit``.

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    chosen
        Component of each draw (m,).
    uniforms
        Draws (m,) in [0, 1) that choose the profile's component.
    normals
        Standard normal draws (m, 2).

    Returns
    -------
    invert
        m above the slab (m,).
    slope
        Fall per run (m,).
    """
    means, roots = choose_profile(exit, chosen, uniforms)
    values = means + np.einsum("mij,mj->mi", roots, normals)
    return values[:, 0], values[:, 1]


def choose_profile(exit: Exit, chosen: NDArray[np.int64], uniforms: Array) -> tuple[Array, Array]:
    """Choose the profile's component of draws at the exit components ``chosen`` (m,).

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    chosen
        Component of each draw (m,).
    uniforms
        Draws (m,) in [0, 1) that choose.

    Returns
    -------
    means
        Of invert, m above the slab, and slope (m, 2).
    roots
        Symmetric roots (m, 2, 2) of their covariance.
    """
    parts = [component.profile for component in exit.mixture]
    most = max(map(len, parts))
    # padded with inf, which no uniform reaches: profiles of fewer parts share one table
    edges = np.full((len(parts), most), np.inf)
    means, covariances = np.zeros((len(parts), most, 2)), np.zeros((len(parts), most, 2, 2))
    for index, profile in enumerate(parts):
        weights, held = np.array([part.weight for part in profile]), slice(len(profile))
        edges[index, held] = np.cumsum(weights / weights.sum())
        means[index, held] = [part.mean for part in profile]
        covariances[index, held] = [part.covariance for part in profile]
        # whatever rounding left of the last share belongs to the last part
        edges[index, len(profile) - 1] = np.inf
    # row of the flattened table: how many edges a uniform has passed is its part
    part = chosen * most + (uniforms[:, None] >= edges[chosen]).sum(axis=1)
    return means.reshape(-1, 2)[part], square_root(covariances).reshape(-1, 2, 2)[part]


def _length_variance(spread: Array, angle_rad: float, turn_deg: float) -> float:
    """Return the variance of the unseen length, m², by that of its place at the wall (2, 2).

    A place further on along the last heading is that much longer a way. Aside of it, it comes of a
    bend further on: of the heading's turn by τ, that is tan(τ/2) longer (the path's derivative).
    """
    # two bends that turn by more than a right angle together are taken for one right angle
    longer = float(np.tan(np.radians(np.clip(turn_deg, -90.0, 90.0)) / 2.0))
    ahead = lot_direction(angle_rad)
    way = ahead + longer * np.array([ahead[1], -ahead[0]])
    return float(way @ spread @ way)


def _carried(component: ProfileComponent, length_m: float, variance_m2: float) -> ProfileComponent:
    """Carry invert and slope down the unseen stretch; its length is known to ``variance_m2``."""
    # invert and slope at the end become those at the wall: the fall of the stretch is taken off
    carry = np.array([[1.0, -length_m], [0.0, 1.0]])
    covariance = carry @ component.covariance @ carry.T
    # a stretch longer than thought also falls further: slope² times the variance of its length
    covariance[0, 0] += (component.mean[1] ** 2) * variance_m2
    return ProfileComponent(component.weight, carry @ component.mean, covariance)


def _ground_at(site: Site, place: Array) -> tuple[float, float]:
    """Return outdoor ground and its sd at a place: the spots' sds weighted as their elevations."""
    # as the elevation itself is interpolated; 1e-6 m² keeps a place right on a spot finite
    weight = 1.0 / (np.sum((site.ground.spots - place) ** 2, axis=1) + 1e-6)
    share = weight / weight.sum()
    return float(site.ground.elevation_m(place)), float(share @ site.ground.sds_m)


def exit_notices(exit: Exit, site: Site, *, inside: bool) -> Iterator[Notice]:
    """Say what a person should know of the exit.

    Parameters
    ----------
    exit
        Exit of the drain, a mixture of poses.
    site
        The site as read.
    inside
        Whether the last point of the drain lies indoors.

    Returns
    -------
    Iterator[Notice]
        What is to be said, in order.
    """
    if not inside:
        yield notice_of("last-point-outside", "exit")
    if exit.unseen_m > FAR_M:
        yield notice_of(
            "exit-far-from-last-mark", "exit", unseen_m=about(exit.unseen_m, site.units)
        )
    # a rare component far aside does not make the exit weakly held
    likely = [
        one.covariance
        for index, one in enumerate(exit.mixture)
        if index == 0 or at_least(one.weight, LIKELY)
    ]
    spread = max(largest_sd_m(covariance[:2, :2]) for covariance in likely)
    turn_deg = max(float(np.degrees(np.sqrt(covariance[2, 2]))) for covariance in likely)
    if spread > WEAK_SD_M or turn_deg > WEAK_ANGLE_DEG:
        yield notice_of(
            "exit-weakly-held",
            "exit",
            spread=about(spread, site.units),
            turn_deg=min(turn_deg, 90.0),
        )
    outward = outward_normals(site.building)[exit.wall_index]
    # cosine of the angle between drain and the wall's outward normal
    square = float(outward @ lot_direction(np.array(exit.angle_rad)))
    incidence = float(np.degrees(np.arccos(np.clip(square, -1.0, 1.0))))
    if incidence > OBLIQUE_DEG:
        yield notice_of("exit-oblique", "exit", incidence=90.0 - incidence)
    yield from _bend_notice(exit)
    yield from _corner_notice(exit, site.building)
    yield from _high_mains(exit, site)


def exit_turns(exit: Exit) -> dict[str, tuple[float, Array]]:
    """Group the mixture by where it goes against the stated direction.

    Gives the weight and the mean x, y, turn (3,) of what goes "straight on" (within 8° of the
    stated direction, through the same wall), "left" and "right" (as one looks downstream), the
    stated group first; only groups that have a weight.
    """
    turns = np.array([c.angle_rad - exit.angle_rad for c in exit.mixture])
    turns = wrap_radians(turns)
    same = np.array([c.wall_index == exit.wall_index for c in exit.mixture])
    straight = same & (np.abs(turns) < SAME_DIRECTION_RAD)
    weights = np.array([c.weight for c in exit.mixture])
    poses = np.column_stack([[(c.x_m, c.y_m) for c in exit.mixture], turns])
    # what passes another wall counts as turned, by the sense in which its direction differs
    groups = {
        "straight on": straight,
        "left": ~straight & (turns >= 0),
        "right": ~straight & (turns < 0),
    }
    return {
        name: (float(weights[rows].sum()), weights[rows] @ poses[rows] / weights[rows].sum())
        for name, rows in groups.items()
        if rows.any()
    }


def straight_sd_rad(exit: Exit) -> float:
    """Return the standard deviation of the direction among what goes straight on."""
    parts = [part for part in exit.mixture if part.wall_index == exit.wall_index]
    turns = wrap_radians(np.array([part.angle_rad - exit.angle_rad for part in parts]))
    near = np.abs(turns) < SAME_DIRECTION_RAD
    weights = np.array([part.weight for part in parts])[near]
    variances = np.array([part.covariance[2, 2] for part in parts])[near]
    return float(np.sqrt(mixture_moments(weights, turns[near], variances)[1]))


def turn_words(exit: Exit) -> str:
    """Say how probable it is that the drain goes straight on or bends before the wall."""
    return ", ".join(
        f"{name if name == 'straight on' else f'turned {name}'} {percent(weight)}"
        for name, (weight, _) in exit_turns(exit).items()
        if weight >= WORTH_NAMING
    )


def _bend_notice(exit: Exit) -> Iterator[Notice]:
    """Say so where another direction than the stated one is probable, and digs elsewhere."""
    groups = exit_turns(exit)
    here = np.array([exit.x_m, exit.y_m])
    # where one would dig, not the angle, decides whether the other direction matters
    ahead = PIT_OUT_M * lot_direction(exit.angle_rad)
    for name in ("left", "right"):
        if name in groups:
            weight, (x, y, turn) = groups[name]
            moved = np.array([x, y]) - here - ahead
            moved = moved + PIT_OUT_M * lot_direction(exit.angle_rad + turn)
            if weight >= WORTH_A_LOOK and float(np.hypot(*moved)) > PIT_MOVED_M:
                yield notice_of("exit-may-bend", "exit", turn_words=turn_words(exit))
                return


def invert_abreast(main: Main, exit: Exit) -> float:
    """Return a main's invert at its point nearest to the exit.

    Parameters
    ----------
    main
        The main.
    exit
        Exit of the drain, a mixture of poses.

    Returns
    -------
    float
        Invert above the slab, m.
    """
    _, abreast_m, _ = polyline.line_locate_point(main.line, np.array([exit.x_m, exit.y_m]))
    return float(np.interp(abreast_m, polyline.stations(main.line), main.inverts_m))


def _high_mains(exit: Exit, site: Site) -> Iterator[Notice]:
    """Say which mains lie higher than the drain on record; it is most often a blunder of levels."""
    recorded = [main for main in site.mains if main.invert_known]
    above_m = {main.id: invert_abreast(main, exit) - exit.invert_m for main in recorded}
    high = {name: height_m for name, height_m in above_m.items() if height_m > UPHILL_M}
    # one main of several that is too high is merely not the outlet; all of them are a wrong level
    asks = len(high) == len(recorded)
    for name, height_m in high.items():
        words = about(height_m, site.units)
        yield notice_of(
            "main-above-drain", f"main.{name}", needs_person=asks, name=name, height_m=words
        )


def _corner_notice(exit: Exit, building: Building) -> Iterator[Notice]:
    """Say so where the drain may as well leave through the wall round the corner."""
    start = building.vertices[exit.wall_index]
    following = building.vertices[(exit.wall_index + 1) % len(building.vertices)]
    along = (following - start) / np.hypot(*(following - start))
    reach = float(along @ (np.array([exit.x_m, exit.y_m]) - start))
    sd = float(np.sqrt(along @ exit.mixture[0].covariance[:2, :2] @ along))
    # as seen from the stated component: is either end of the wall within two sds
    if min(reach, float(np.hypot(*(following - start))) - reach) > 2.0 * sd:
        return
    yield notice_of("exit-near-corner", "exit")
