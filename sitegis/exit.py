"""Stage ``exit``: where the drain passes the outside face of the wall, and samples of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from shapely import Point, Polygon

from . import _polyline
from ._errors import ComputationError, Fault
from ._frames import Array, lot_direction
from ._results import Drain, Exit, ProfileComponent
from ._site import Building, Main, Notice, Site
from ._survey import Survey
from ._units import about

__all__ = ["find_exit", "sample_exit"]

UNSEEN_BENDS_PER_M = 0.01
"""Bends in the stretch between the last mark and the wall, per metre. A drain is seldom turned
in its last length before the wall. Judgement, no source."""
UNSEEN_BENDS_DEG = ((11.25, 0.10), (22.5, 0.35), (45.0, 0.55))
"""Angle and share of such a bend; a sharper one would not leave through this wall. Judgement."""
FAR_M = 1.5
UPHILL_M = 0.10  # a main this much above the drain is told; judgement
OBLIQUE_DEG = 60.0
WEAK_SD_M, WEAK_ANGLE_DEG = 2.0, 25.0
"""Spreads of the exit past which the marks hardly give it. Judgement, no source."""


@dataclass(frozen=True, slots=True)
class _Crossing:
    """Where a ray meets a wall: wall index, its left (inward) normal, length along the ray."""

    wall: int
    inward: Array
    length_m: float


def find_exit(survey: Survey) -> Survey:
    """Extend the last straight to the outside face of the wall, with covariance.

    The first crossing downstream of the last located point. Position = end + L t with
    L = n·(wall − end) / n·t; its covariance by the Jacobians of end, angle and wall. The
    building's place on the lot moves the marks and the wall alike, so that it is
    taken out first and put back whole. An unseen bend widens it (:func:`unseen_bend_terms`).
    Invert at the exit = invert at the end − slope · L per component of the profile.
    Where the last point already lies outside, the exit is where the fitted drain crosses the
    wall, and a notice says so. ``ComputationError`` where the line meets no wall.
    """
    site, drain = survey.site, survey.drain
    direction = lot_direction(drain.end_angle_rad)
    crossing, inside = _find_crossing(drain, site.building)
    length = crossing.length_m
    place = drain.vertices[-1] + length * direction
    straight, bend = _exit_covariance(drain, site.building, crossing)
    covariance = straight + bend
    profile = tuple(_carried(c, length, float(covariance[0, 0])) for c in drain.profile)
    weights = np.array([component.weight for component in profile])
    means = np.stack([component.mean for component in profile])
    mean = weights @ means
    variance = weights @ (np.stack([np.diag(c.covariance) for c in profile]) + (means - mean) ** 2)
    ground, ground_sd = _ground_at(site, place)
    exit = Exit(
        x_m=float(place[0]),
        y_m=float(place[1]),
        angle_rad=drain.end_angle_rad,
        side=site.building.sides[crossing.wall],
        wall_index=crossing.wall,
        covariance=covariance,
        profile=profile,
        invert_m=float(mean[0]),
        invert_sd_m=float(np.sqrt(variance[0])),
        slope=float(mean[1]),
        slope_sd=float(np.sqrt(variance[1])),
        slope_sd_ratio=drain.slope_sd_ratio,
        depth_m=ground - float(mean[0]),
        depth_sd_m=float(np.hypot(np.sqrt(variance[0]), ground_sd)),
        unseen_m=max(length, 0.0),
        bend_share=unseen_bend_share(length),
        straight_covariance=straight,
    )
    notices = _notices(exit, site, crossing, inside=inside)
    return replace(survey, left_at=replace(exit, notices=notices))


def sample_exit(
    exit: Exit, normals: Array, uniforms: Array, normals2: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Turn standard draws into exit poses with invert and slope.

    ``normals`` (m, 3) standard normal draws for x, y, angle; ``uniforms`` (m,) in [0, 1)
    choose the component of the profile's mixture; ``normals2`` (m, 2) standard normal draws
    for invert and slope. Each Gaussian is mean + V √λ · draw with the eigenvectors V and
    eigenvalues λ of its covariance, which also serves where the covariance is singular.
    Gives x, y (m, lot), angle (rad, lot), invert (m above slab), slope (fall per run), (m,) each.
    """
    x, y, angle = (
        np.array([exit.x_m, exit.y_m, exit.angle_rad]) + normals @ _square_root(exit.covariance).T
    ).T
    weights = np.array([component.weight for component in exit.profile])
    edges = np.cumsum(weights / weights.sum())
    chosen = np.minimum(np.searchsorted(edges, uniforms, side="right"), weights.size - 1)
    means = np.stack([component.mean for component in exit.profile])
    roots = np.stack([_square_root(component.covariance) for component in exit.profile])
    invert, slope = (means[chosen] + np.einsum("mij,mj->mi", roots[chosen], normals2)).T
    return x, y, angle, invert, slope


def _square_root(covariance: Array) -> Array:
    """Give R with R Rᵀ = covariance, for a covariance that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _crossings(origin: Array, direction: Array, building: Building) -> list[_Crossing]:
    """List where the line through ``origin`` meets the outline, by signed length."""
    outline = _polyline.closed(building.vertices)
    lengths, _ = _polyline.meet(origin, direction, outline[:-1], outline[1:])
    inward = -_polyline.normals(outline)
    walls = (int(wall) for wall in np.flatnonzero(np.isfinite(lengths)))
    found = [_Crossing(wall, inward[wall], float(lengths[wall])) for wall in walls]
    return sorted(found, key=lambda crossing: crossing.length_m)


def _find_crossing(drain: Drain, building: Building) -> tuple[_Crossing, bool]:
    """Find the wall crossing of the drain, and whether its last point is inside."""
    end, direction = drain.vertices[-1], lot_direction(drain.end_angle_rad)
    crossings = _crossings(end, direction, building)
    ahead = [crossing for crossing in crossings if crossing.length_m >= 0.0]
    if ahead and Polygon(building.vertices).covers(Point(end)):
        return ahead[0], True
    last = float(np.hypot(*(end - drain.vertices[-2])))
    behind = [crossing for crossing in crossings if -last <= crossing.length_m < 0.0]
    if behind:
        return behind[-1], False
    raise ComputationError(
        Fault(
            "drain-meets-no-wall", "locates.csv", None, "x, y", "",
            "The last straight of the drain does not cross a wall of the building: its last "
            f"located point ({end[0]:.2f}, {end[1]:.2f} m on the lot) lies outside the outline.",
            "Check the room's origin and direction and the building's setbacks; give points "
            "found outdoors the room 'lot'.",
        )
    )  # fmt: skip


def unseen_bend_share(unseen_m: float) -> float:
    """Give the probability 1 − exp(−ρ L) of a bend in the unseen stretch."""
    return 1.0 - float(np.exp(-UNSEEN_BENDS_PER_M * max(unseen_m, 0.0)))


def unseen_bend_terms(unseen_m: float) -> tuple[float, float, float]:
    """Give the second moments that a bend in the unseen stretch adds.

    With probability q (:func:`unseen_bend_share`) a bend is there, anywhere on the stretch, by
    an angle φ of the catalogue, left or right. At a distance u before the wall it shifts the exit
    by u tan φ across the line. Gives E[shift²] = q L²/3 E[tan² φ] (m²),
    E[shift · φ] = q L/2 E[φ tan φ] (m rad), E[φ²] = q E[φ²] (rad²).
    """
    angles, shares = np.array(UNSEEN_BENDS_DEG).T
    angles = np.radians(angles)
    share = unseen_bend_share(unseen_m)
    tangent = np.tan(angles)
    return (
        share * unseen_m**2 / 3.0 * float(shares @ tangent**2),
        share * unseen_m / 2.0 * float(shares @ (angles * tangent)),
        share * float(shares @ angles**2),
    )


def _exit_covariance(drain: Drain, building: Building, crossing: _Crossing) -> tuple[Array, Array]:
    """Carry the end's covariance (3, 3) to the wall; gives it, and what an unseen bend adds."""
    direction = lot_direction(drain.end_angle_rad)
    left = np.array([-direction[1], direction[0]])
    rate = float(crossing.inward @ direction)
    # Moves a point along the line until it is on the wall.
    slide = np.eye(2) - np.outer(direction, crossing.inward) / rate
    jacobian = np.eye(3)
    jacobian[:2, :2] = slide
    jacobian[:2, 2] = crossing.length_m * (slide @ left)
    shared = np.zeros((3, 3))
    shared[:2, :2] = building.position_sd_m**2 * np.eye(2)
    own = _nonnegative(drain.end_covariance - shared)
    wall = np.append(direction / rate, 0.0) * building.outline_sd_m
    shift, mixed, turn = unseen_bend_terms(max(crossing.length_m, 0.0))
    across = np.append(slide @ left, 0.0)
    angle = np.array([0.0, 0.0, 1.0])
    bend = (
        shift * np.outer(across, across)
        + mixed * (np.outer(across, angle) + np.outer(angle, across))
        + turn * np.outer(angle, angle)
    )
    straight = jacobian @ own @ jacobian.T + shared + np.outer(wall, wall)
    return np.asarray(0.5 * (straight + straight.T)), bend


def _nonnegative(covariance: Array) -> Array:
    """Give the nearest covariance without negative eigenvalues."""
    root = _square_root(covariance)
    return np.asarray(root @ root.T)


def _carried(component: ProfileComponent, length_m: float, variance_m2: float) -> ProfileComponent:
    """Carry invert and slope down the unseen stretch; its length is known to ``variance_m2``."""
    carry = np.array([[1.0, -length_m], [0.0, 1.0]])
    covariance = carry @ component.covariance @ carry.T
    covariance[0, 0] += (component.mean[1] ** 2) * variance_m2
    return ProfileComponent(component.weight, carry @ component.mean, covariance)


def _ground_at(site: Site, place: Array) -> tuple[float, float]:
    """Give outdoor ground and its sd at a place: the spots' sds weighted as their elevations."""
    weight = 1.0 / (np.sum((site.ground.spots - place) ** 2, axis=1) + 1e-6)
    share = weight / weight.sum()
    return float(site.ground.elevation_m(place)), float(share @ site.ground.sds_m)


def _notices(exit: Exit, site: Site, crossing: _Crossing, *, inside: bool) -> tuple[Notice, ...]:
    """Say what a person should know of the exit."""
    notices = []
    if not inside:
        notices.append(
            Notice(
                "last-point-outside",
                "The last point located indoors lies outside the building's outline. Check the "
                "room's origin, the building's setbacks, or give that point the room 'lot'.",
                "exit",
            )
        )
    if exit.unseen_m > FAR_M:
        notices.append(
            Notice(
                "exit-far-from-last-mark",
                f"The last mark is {about(exit.unseen_m, site.units)} short of the outside face of "
                "the wall. Push the head further and mark it close to the wall.",
                "exit",
            )
        )
    spread = float(np.sqrt(np.linalg.eigvalsh(exit.covariance[:2, :2])[-1]))
    turn_deg = float(np.degrees(np.sqrt(exit.covariance[2, 2])))
    if spread > WEAK_SD_M or turn_deg > WEAK_ANGLE_DEG:
        notices.append(
            Notice(
                "exit-weakly-held",
                f"The marks hardly give the exit: it may lie {about(spread, site.units)} off and "
                f"the drain turn by {min(turn_deg, 90.0):.0f}° (one standard deviation). Mark the "
                "head at more places, as far apart and as near to the wall as can be.",
                "exit",
            )
        )
    incidence = float(np.degrees(np.arccos(np.clip(
        -crossing.inward @ lot_direction(exit.angle_rad), -1.0, 1.0
    ))))  # fmt: skip
    if incidence > OBLIQUE_DEG:
        notices.append(
            Notice(
                "exit-oblique",
                f"The drain meets the wall at {90.0 - incidence:.0f}° only, which is unusual: look "
                "for a bend between the last mark and the wall.",
                "exit",
            )
        )
    return (*notices, *_corner_notice(exit, site.building), *_high_mains(exit, site))


def _invert_abreast(main: Main, exit: Exit) -> float:
    """Give a main's invert at its point nearest to the exit."""
    _, abreast_m, _ = _polyline.line_locate_point(main.line, np.array([exit.x_m, exit.y_m]))
    return float(np.interp(abreast_m, _polyline.stations(main.line), main.inverts_m))


def _high_mains(exit: Exit, site: Site) -> list[Notice]:
    """Say which mains lie higher than the drain on record; it is most often a slip of levels."""
    recorded = [main for main in site.mains if main.invert_known]
    above_m = {main.id: _invert_abreast(main, exit) - exit.invert_m for main in recorded}
    high = {name: height_m for name, height_m in above_m.items() if height_m > UPHILL_M}
    return [
        Notice(
            "main-above-drain",
            f"Main {name} lies {about(height_m, site.units)} above the drain at the wall, on "
            "record: it would have to run uphill. Check that the main's invert or depth is right "
            "and, where it is in the sewer map's levels, that site.slab_elevation is too.",
            f"main.{name}",
            needs_person=len(high) == len(recorded),
        )
        for name, height_m in high.items()
    ]


def _corner_notice(exit: Exit, building: Building) -> tuple[Notice, ...]:
    """Say so where the drain may as well leave through the wall round the corner."""
    start = building.vertices[exit.wall_index]
    following = building.vertices[(exit.wall_index + 1) % len(building.vertices)]
    along = (following - start) / np.hypot(*(following - start))
    reach = float(along @ (np.array([exit.x_m, exit.y_m]) - start))
    sd = float(np.sqrt(along @ exit.covariance[:2, :2] @ along))
    if min(reach, float(np.hypot(*(following - start))) - reach) > 2.0 * sd:
        return ()
    return (
        Notice(
            "exit-near-corner",
            "The exit lies so close to a corner of the building that the drain may leave through "
            "the wall round the corner.",
            "exit",
        ),
    )
