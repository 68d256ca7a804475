"""Tape ties from building and lot corners, so that a place can be found again on the ground."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import shapely

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.dig_plan import TapeTie
from ..model.fields import CORNERS
from ..model.site import Side, Site, corner_index
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least, in_steps, smallest
from ..numerics.statistics import largest_sd_m
from ..place.assemble import building_outline
from .depths import best_line

# a tape's length, common practice; step of the stakes along a route, and below this
# a tie has no direction on the ground: judgment
TAPE_M = 30.0
ROUTE_STEP_M = 3.0
SHORTEST_TIE_M = 0.3
ERROR_STEP_M = 1e-5  # in which standard errors choose the ties
ALONG_ONE_LINE = 1e-6  # determinant of the unit vectors below which ties hold nothing across
# a corner that turns less cannot be found on the ground: a chord of a curve, a bend in a long line
# (the chords of a curve of 0.6 m or more turn less); judgment
LEAST_TURN_DEG = 15.0


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A corner to tape from, with the sd of its place against the drain (per axis)."""

    name: str
    xy: Array
    sd_m: float


@dataclass(frozen=True, slots=True)
class StakeoutRow:
    """One place to mark on the ground.

    ``ties``: two ties and, where there is one, a third to check with. ``angle_deg`` is the angle
    at which the first two meet (90 is best), ``sd_m`` the standard error (major axis) of the
    place they give. ``offset_m`` is square out from ``wall``, ``along_m`` along that wall from
    the corner ``along_from``.
    """

    name: str
    x_m: float
    y_m: float
    ties: tuple[TapeTie, ...]
    angle_deg: float
    sd_m: float
    wall: Side
    along_from: str
    along_m: float
    offset_m: float


def corner_names(kind: str, outline: Array, sides: tuple[Side, ...]) -> tuple[str, ...]:
    """Name the corners of an outline (n, 2), which stands square in its own frame.

    ``building:front-left`` and so on as ``ties.csv`` names them; any other corner by its number.

    Parameters
    ----------
    kind
        ``lot`` or ``building``.
    outline
        Corners (n, 2), m.
    sides
        Side of each edge (n,).

    Returns
    -------
    tuple[str, ...]
        Names (n,).

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 9.0], [0.0, 9.0]])
    >>> corner_names("lot", square, ("front", "right", "rear", "left"))
    ('lot:front-left', 'lot:front-right', 'lot:rear-right', 'lot:rear-left')
    """
    named: dict[int, str] = {}
    for corner in CORNERS:
        named.setdefault(corner_index(outline, sides, corner), corner)
    return tuple(f"{kind}:{named.get(i, f'corner-{i + 1}')}" for i in range(len(sides)))


def building_corner_names(site: Site) -> tuple[str, ...]:
    """Name the building's outside corners in the order of its outline."""
    return corner_names("building", building_outline(site), site.building.sides)


def fixed_points(site: Site) -> tuple[FixedPoint, ...]:
    """List the corners one can tape from, outside.

    The drain was placed from the building, so a building corner carries only the outline's sd; a
    lot corner carries its own and that of the building's place on the lot. What turns less than
    15° is no corner: a curve in the lot line is read as chords.
    """
    lot_sd = float(np.hypot(site.lot.corner_sd_m, site.building.position_sd_m))
    names = corner_names("lot", site.lot.vertices, site.lot.sides)
    return (
        *_sharp(building_corner_names(site), site.building.vertices, site.building.outline_sd_m),
        *_sharp(names, site.lot.vertices, lot_sd),
    )


def _sharp(names: tuple[str, ...], outline: Array, sd_m: float) -> list[FixedPoint]:
    """List the corners of an outline (n, 2) that can be found on the ground."""
    away, here = np.roll(outline, -1, axis=0) - outline, outline - np.roll(outline, 1, axis=0)
    cross = here[:, 0] * away[:, 1] - here[:, 1] * away[:, 0]
    # exterior angle at each corner
    turn_deg = np.abs(np.degrees(np.arctan2(cross, (here * away).sum(axis=1))))
    corners = zip(names, outline, turn_deg >= LEAST_TURN_DEG, strict=True)
    return [FixedPoint(name, xy, sd_m) for name, xy, sharp in corners if sharp]


def tie_covariance(target: Array, points: Array, sds_m: Array) -> Array:
    """Return the covariance (2, 2) of a place from taped distances, by least squares.

    Each distance (sd (..., n)) fixes the place along the unit vector u from its point (..., n, 2):
    covariance = (Σ u uᵀ / sd²)⁻¹; infinite where the ties lie along one line.

    Parameters
    ----------
    target
        Place in the lot (2,), m.
    points
        Ends of the ties (..., n, 2), m.
    sds_m
        Standard deviations of the distances (..., n), m.

    Returns
    -------
    Array
        Covariance (..., 2, 2), m².
    """
    along = target - points
    unit = along / np.hypot(along[..., 0], along[..., 1])[..., None]
    across = np.swapaxes(unit, -1, -2)
    # nearly along one line: nothing holds the place square to it
    held = np.abs(np.linalg.det(across @ unit)) >= ALONG_ONE_LINE
    # normal matrix of the distances: each fixes the place along its own direction alone
    normal = np.swapaxes(unit / sds_m[..., None] ** 2, -1, -2) @ unit
    covariance = np.full(normal.shape, np.inf)
    covariance[held] = np.linalg.inv(normal[held])
    return covariance


def choose_ties(site: Site, target: Array) -> tuple[tuple[TapeTie, ...], Array]:
    """Choose two ties that meet strongest and a third to check; give them with the covariance.

    ``target`` (2,) in the lot; the covariance (2, 2), m², is that of the first two. A tie is no
    longer than a 30 m tape and does not pass through the building. The pair with the smallest
    standard error (major axis) wins, which favors meeting near 90° and short, well known points;
    the check is the third point that leaves the smallest error of all three; of equal ones the
    first in the order of :func:`fixed_points`. Where fewer than two
    corners can be seen, what can be seen is given and the covariance is infinite.

    Parameters
    ----------
    site
        The site as read.
    target
        Place in the lot (2,), m.

    Returns
    -------
    ties
        Two and a check, fewer where few can be seen.
    covariance
        (2, 2), m².
    """
    usable = _in_sight(site, target)
    ties = [_tie(point, target) for point in usable]
    if len(usable) < 2:
        return tuple(ties), np.full((2, 2), np.inf)
    points = np.array([point.xy for point in usable])
    tape = [site.noise.tape_sd_m(tie.distance_m) for tie in ties]
    sds = np.hypot(tape, [point.sd_m for point in usable])
    # the best two by their joint error, which favors a right angle; the third one only checks
    pairs = np.array(list(combinations(range(len(usable)), 2)))
    covariances = tie_covariance(target, points[pairs], sds[pairs])
    best = smallest(_major_sds(covariances), ERROR_STEP_M)
    chosen: list[int] = pairs[best].tolist()
    others = [i for i in range(len(usable)) if i not in chosen]
    if others:
        threes = np.array([[*chosen, i] for i in others])
        errors = _major_sds(tie_covariance(target, points[threes], sds[threes]))
        chosen.append(others[smallest(errors, ERROR_STEP_M)])
    return tuple(ties[i] for i in chosen), covariances[best]


def _in_sight(site: Site, target: Array) -> list[FixedPoint]:
    """Keep the corners within a tape's length that the building does not hide."""
    # 5 cm in: a tape along the wall's face is not through the house
    inner = shapely.buffer(shapely.Polygon(site.building.vertices), -0.05)
    points = fixed_points(site)
    ends = np.array([(point.xy, target) for point in points])
    distance = np.hypot(*(ends[:, 0] - target).T)
    hidden = shapely.intersects(shapely.linestrings(ends), inner)
    far = at_least(distance, SHORTEST_TIE_M, MATTERS_M)
    in_sight = far & at_least(TAPE_M, distance, MATTERS_M) & ~hidden
    return [points[i] for i in np.flatnonzero(in_sight)]


def _tie(point: FixedPoint, target: Array) -> TapeTie:
    """Record the distance from a corner to a place."""
    x, y = (float(value) for value in point.xy)
    return TapeTie(point.name, x, y, float(np.hypot(*(target - point.xy))))


def _major_sds(covariances: Array) -> Array:
    """Return the standard error (k,) of a place along its worst direction, of each (k, 2, 2)."""
    held = np.isfinite(covariances).all(axis=(1, 2))
    errors = np.full(len(covariances), np.inf)
    errors[held] = np.sqrt(np.maximum(np.linalg.eigvalsh(covariances[held])[:, -1], 0.0))
    return errors


def meeting_angle_deg(target: Array, ties: tuple[TapeTie, ...]) -> float:
    """Return the angle, 0 to 90°, at which the first two ties meet at (2,); 0 without two ties.

    sin = |u × v| / (|u| |v|) of the ties as vectors.

    Parameters
    ----------
    target
        Place in the lot (2,), m.
    ties
        The ties, of which two count.

    Returns
    -------
    float
        Angle, degrees.
    """
    if len(ties) < 2:
        return 0.0
    one, two = (target - np.array([tie.from_x_m, tie.from_y_m]) for tie in ties[:2])
    sine = abs(one[0] * two[1] - one[1] * two[0]) / (np.hypot(*one) * np.hypot(*two))
    return float(np.degrees(np.arcsin(min(1.0, sine))))


def wall_offset(site: Site, target: Array) -> tuple[Side, str, float, float]:
    """Return the nearest wall to (2,), the corner it is measured from, meters along it and out.

    It is measured from the wall's first corner, for a place before that from its other one. Out
    is negative inside the building.

    Parameters
    ----------
    site
        The site as read.
    target
        Place in the lot (2,), m.

    Returns
    -------
    tuple[Side, str, float, float]
        Side, name of the corner, meters along the wall, meters out.
    """
    outline = polyline.closed(site.building.vertices)
    nearest = int(polyline.line_locate_point(outline, target)[2])
    outward, from_start = polyline.normals(outline)[nearest], target - outline[nearest]
    # along the wall: the outward normal turned back by a quarter
    at = float(from_start @ np.array([-outward[1], outward[0]]))
    names = building_corner_names(site)
    name = names[nearest]
    # before the wall's first corner: measured along from its other one
    if in_steps(at, MATTERS_M) < 0.0:
        name = names[(nearest + 1) % len(names)]
        at = float(polyline.segment_lengths(outline)[nearest]) - at
    return site.building.sides[nearest], name, at, float(from_start @ outward)


def stakeout_row(site: Site, name: str, target: Array) -> StakeoutRow:
    """Work out how to mark one place (2,) in the lot on the ground.

    Parameters
    ----------
    site
        The site as read.
    name
        Name of the place.
    target
        Place in the lot (2,), m.

    Returns
    -------
    StakeoutRow
        Ties and offset.
    """
    ties, covariance = choose_ties(site, target)
    finite = bool(np.isfinite(covariance).all())
    sd = largest_sd_m(covariance) if finite else float("inf")
    return StakeoutRow(
        name,
        float(target[0]),
        float(target[1]),
        ties,
        meeting_angle_deg(target, ties),
        sd,
        *wall_offset(site, target),
    )


def stakeout_rows(survey: Survey) -> tuple[StakeoutRow, ...]:
    """Work out how to mark every pit, the exit, and each 3 m of the most probable route."""
    site, penetration = survey.site, survey.exit
    targets = [(f"pit-{pit.rank}", np.array([pit.x_m, pit.y_m])) for pit in survey.dig.pits]
    targets.append(("exit", np.array([penetration.x_m, penetration.y_m])))
    line = best_line(survey)
    if line is not None:
        at = np.arange(ROUTE_STEP_M, float(polyline.length(line[0])), ROUTE_STEP_M)
        names = [f"route-{station:g}m" for station in at]
        targets += list(zip(names, polyline.line_interpolate_point(line[0], at), strict=True))
    return tuple(stakeout_row(site, name, xy) for name, xy in targets)
