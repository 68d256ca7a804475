"""How well a reading of the input agrees with everything else that was told.

Terms of the log evidence, each of a reading against the same of the input as stated: how the
measurements agree (place), how the marks make a drain (line), where the drain then leaves the
house, and what was seen outdoors. They are cheap stand-ins for the whole pipeline: means, no
spreads, and one adjustment a reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace

import numpy as np
import shapely

from ..evidence import CableToMain, CameraNote
from ..geometry import polyline
from ..geometry.frames import Array, lot_direction, wrap_radians
from ..late_dataclass import dataclass
from ..line.bends import PlanFit, fit_plan
from ..line.order import order_downstream
from ..line.stage import gather_marks, read_inverts
from ..line.straights import HEADING_SD_RAD
from ..model.doubts import EvidenceTerm, ReadingKind
from ..model.results import Adjustment, Drain, Exit, LineEnd, Placement
from ..model.site import Main, Side, Site
from ..numerics.exit_mixture import SQUARE_FLOOR, SQUARE_SD_RAD, first_walls, outward_normals
from ..numerics.ordering import MATTERS_M, MATTERS_P, at_least, in_steps, largest, smallest
from ..numerics.statistics import log_sum
from ..place.adjust import Solution, gauss_newton
from ..place.assemble import site_network
from ..place.network import Equations, compile_equations
from ..place.stage import heading_in_lot
from ..place.starts import starting_values

BLUNDER_NATS = 9.5
"""What one blunder of the tape costs: 1 in 50, its size anything up to 10 m at a spread of 3 cm."""
SHORT_MEAN_M, FAR_MEAN_M, FAR_SHARE = 2.0, 8.0, 0.15
"""Marks end so far short of the wall on average, and in some houses; exponential."""
FACING_OTHER = 0.15
"""A drain leaves by a wall that faces no main so much more seldom than by one that does."""
OUTSIDE_M, OUTSIDE_NATS = 0.30, 12.0
"""A mark indoors so far outside the house is evidence against a reading so much."""
OUTDOOR_SD_M, OUTDOOR_SPREAD, OUTDOOR_WORST = 0.5, 0.25, 5.0
"""A pipe seen outdoors lies off the exit's straight by so much plus a share of the distance; no
more than so many nats are held against a reading for it."""
SLACK_M, SHORTEST_SD_M = 4.0, 0.6
"""Footage at the main beyond the shortest way, exponential; and how well the way is known."""
TURN_RIGHT, TURN_NEAR_M = 0.85, 1.2
"""A camera's note of a turn is right so often, and within so much of the bend. All above:
judgment, no source."""
SPACING_M, SPACING_LOG_SD = 1.3, 0.5
"""Crews mark a drain so far apart on average (about 4 ft), and how that varies from crew to crew.
Common practice, no source."""
RIGID_M = 0.08
"""Marks that keep their shape this well are moved as one, and the line is not fitted anew."""
NO_WALL_NATS = 10.0
"""The evidence against a drain that meets no wall ahead. Judgment, no source."""
MOST_FITS, MOST_STARTS, MOST_STEPS = 3, 2, 6
"""A reading that holds is settled in a few steps from the start that its own rows give."""
FEW_STEPS, HOPELESS_CHI_SQUARE = 2, 1000.0
"""One that is so far off after so few is 500 nats from holding, and is followed no further: what
more steps took off was a quarter at most. Judgment."""


@dataclass(frozen=True, slots=True)
class Penetration:
    """Where a drain leaves: pose, side, length past the last mark, and the log of its practice."""

    x_m: float
    y_m: float
    angle_rad: float
    side: Side
    unseen_m: float
    log_practice: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """A reading followed to the wall: its log evidence, where the drain leaves, its marks.

    ``terms`` of the log evidence by what they come from. ``places`` (2,) by name of every mark
    in the lot.
    """

    terms: dict[str, float]
    penetration: Penetration
    places: dict[str, Array]

    @property
    def log_evidence(self) -> float:
        """Sum of the terms."""
        return sum(self.terms.values())


def follow_stated(site: Site, placement: Placement, drain: Drain, exit: Exit) -> Outcome:
    """Weigh the input as stated in the same terms as its other readings.

    A drain that meets no wall in these terms keeps its exit, as the least usual.

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.
    drain
        Fitted building drain.
    exit
        Exit of the drain, a mixture of poses.

    Returns
    -------
    Outcome
        Penetration and log evidence of the stated input.
    """
    penetration = find_penetration(site, drain.ends) or Penetration(
        exit.x_m, exit.y_m, exit.angle_rad, exit.side, exit.unseen_m, -NO_WALL_NATS
    )
    places = {point.id: np.array([point.x_m, point.y_m]) for point in placement.points}
    terms = {"tapes": _network_term(placement.adjustment), "line": 0.0}
    terms |= _terms(site, drain, places, penetration, mirrored=False)
    return Outcome(terms, penetration, places)


@dataclass(frozen=True, slots=True)
class Marked:
    """A reading's marks in the lot: ``places`` (2,) and ``headings`` by name.

    ``log_network`` of its measurements. ``motion``: the matrix and offset that take the marks
    as stated there as one, None where they change their shape; ``rough`` then ranks readings
    by how little their way through the marks turns and how well headings lie along it.
    """

    site: Site
    places: dict[str, Array]
    headings: dict[str, float | None]
    log_network: float
    motion: tuple[Array, Array] | None
    rough: float


def mark_reading(site: Site, placement: Placement, drain: Drain) -> Marked:
    """Place the marks of another reading by one short adjustment.

    Parameters
    ----------
    site
        The site as the reading has it.
    placement
        Points placed under the stated input.
    drain
        Fitted building drain.

    Returns
    -------
    Marked
        The marks of the reading.
    """
    # the reading's own network, its rows as they would then have been written
    network = site_network(site)
    equations = compile_equations(network.observations, network.size)
    starts = starting_values(network, site.building.vertices.mean(axis=0))[:MOST_STARTS]
    solution = min(
        (_settled(equations, start) for start in starts),
        key=lambda tried: float(in_steps(tried.chi_square, MATTERS_P)),
    )
    columns = {point.id: network.nodes[point.id] for point in placement.points}
    places = {name: solution.x[column : column + 2] for name, column in columns.items()}
    headings = {name: heading_in_lot(site, network, solution.x, name) for name in places}
    # do the marks keep their shape: then the drain moves with them, unfitted
    before = np.array([_xy(placement, name) for name in drain.point_ids])
    after = np.array([places[name] for name in drain.point_ids])
    linear, offset, misfit = isometry(before, after)
    motion = (linear, offset) if misfit < RIGID_M else None
    rough = 0.0 if motion else _rough(after, [headings[name] for name in drain.point_ids])
    return Marked(site, places, headings, -0.5 * solution.chi_square, motion, rough)


def _settled(equations: Equations, start: Array) -> Solution:
    """Solve a reading's network, in a few steps where it cannot hold."""
    few = gauss_newton(equations, start, most=FEW_STEPS)
    if few.converged or few.chi_square > HOPELESS_CHI_SQUARE:
        return few
    return gauss_newton(equations, few.x, most=MOST_STEPS - FEW_STEPS)


def follow_reading(marked: Marked, placement: Placement, drain: Drain) -> Outcome | None:
    """Follow a reading to the wall, its line fitted anew where the marks change their shape.

    Parameters
    ----------
    marked
        Marks of the reading.
    placement
        Points placed under the stated input.
    drain
        Fitted building drain.

    Returns
    -------
    Outcome | None
        The outcome, None where the drain meets no wall.
    """
    site, line, mirrored = marked.site, 0.0, False
    if marked.motion is not None:
        linear, offset = marked.motion
        mirrored = bool(np.linalg.det(linear) < 0)
        ends = tuple(_moved_end(end, linear, offset) for end in drain.ends)
    else:
        plan = _fit(site, placement, marked.places, marked.headings)
        ends = plan.ends
        line += log_sum(np.array([*plan.log_evidence_by_bends.values()]))
        line -= log_sum(np.array([*drain.log_evidence_by_bends.values()]))
    penetration = find_penetration(site, ends)
    if penetration is None:
        return None
    terms = {"tapes": marked.log_network, "line": line}
    terms |= _terms(site, drain, marked.places, penetration, mirrored=mirrored)
    return Outcome(terms, penetration, marked.places)


def _xy(placement: Placement, name: str) -> tuple[float, float]:
    point = placement.points[placement.index(name)]
    return point.x_m, point.y_m


def _rough(points: Array, headings: list[float | None]) -> float:
    """Rank a way through points (n, 2): minus its length, its turns and what headings are off."""
    order = _chain_order(points)
    steps = np.diff(points[order], axis=0)
    angles = np.arctan2(steps[:, 1], steps[:, 0])
    turns = float(np.abs(wrap_radians(np.diff(angles))).sum())
    off = [
        (heading - angle + np.pi / 2) % np.pi - np.pi / 2
        for i, angle in zip(order[1:], angles, strict=True)
        if (heading := headings[i]) is not None
    ]
    # bounded: one wild heading must not outweigh the way through all marks
    astray = float(np.minimum(0.5 * (np.array(off) / HEADING_SD_RAD) ** 2, 3.0).sum())
    # in meters of length, of which an eighth of a turn counts two: judgment, no source
    return -float(np.hypot(*steps.T).sum()) - 2.0 * turns / (np.pi / 4) - astray


def _chain_order(points: Array) -> list[int]:
    """Order points (n, 2) from neighbor to neighbor, the first one first."""
    left, order = [*range(1, len(points))], [0]
    while left:
        away = np.hypot(*(points[left] - points[order[-1]]).T)
        order.append(left.pop(smallest(away, MATTERS_M)))
    return order


def isometry(before: Array, after: Array) -> tuple[Array, Array, float]:
    """Fit the motion or reflection that takes points (n, 2) to points (n, 2).

    Gives the matrix (2, 2), the offset (2,) and the largest misfit (Kabsch 1976, with the
    reflection where that fits better). Points on one straight fit a motion and a reflection
    alike: the motion is taken.

    Parameters
    ----------
    before
        Points (n, 2), m.
    after
        The same points (n, 2), m.

    Returns
    -------
    matrix
        (2, 2).
    offset
        (2,), m.
    misfit
        Largest distance, m.
    """
    middle, target = before.mean(axis=0), after.mean(axis=0)
    # Kabsch: the rotation nearest to the cross covariance, or the reflection where that fits
    # clearly better
    left, _, right = np.linalg.svd((after - target).T @ (before - middle))
    found = []
    for hand in (1.0, -1.0):
        turn = hand * np.sign(np.linalg.det(left @ right))
        linear = left @ np.diag([1.0, turn]) @ right
        misfit = np.hypot(*((before - middle) @ linear.T + target - after).T)
        found.append((linear, float(misfit.max())))
    linear, worst = found[1] if found[1][1] < found[0][1] - RIGID_M / 2.0 else found[0]
    return linear, target - linear @ middle, worst


def _moved_end(end: LineEnd, linear: Array, offset: Array) -> LineEnd:
    """Return an end of the drain taken through a motion or reflection."""
    # a direction turns by the matrix itself, mirrored ones too
    axis = linear @ lot_direction(float(end.mean[2]))
    mean = np.append(linear @ end.mean[:2] + offset, np.arctan2(axis[1], axis[0]))
    return replace(end, mean=mean)


def _fit(
    site: Site, placement: Placement, places: dict[str, Array], headings: dict[str, float | None]
) -> PlanFit:
    """Fit the plan to marks at other places and counts, in the order that these then have."""
    counts = {row.id: row.footage_m for row in site.locates if row.footage_m is not None}
    moved = replace(
        placement,
        points=tuple(
            replace(
                point,
                x_m=float(places[point.id][0]),
                y_m=float(places[point.id][1]),
                heading_rad=headings[point.id],
                footage_m=counts.get(point.id, point.footage_m),
            )
            for point in placement.points
        ),
    )
    ordered = order_downstream(moved, *read_inverts(site, moved))
    return fit_plan(gather_marks(moved, ordered.indices, site.noise))


# --------------------------------------------------------------------------------- terms


def _network_term(adjustment: Adjustment) -> float:
    """Return the log evidence of the measurements as stated, blunders at what they cost."""
    removed = sum(item.removed for item in adjustment.observations)
    # three explanations of the misfit: noise alone, blunders taken out at a price each, or one more
    # not located
    strained = adjustment.chi_square_before
    freedom = max(adjustment.degrees_of_freedom, 0)
    # in units of chi-square: twice the nats
    cleaned = adjustment.chi_square + 2.0 * BLUNDER_NATS * removed
    one_more = 2.0 * BLUNDER_NATS * (removed + 1) + freedom
    return -0.5 * min(strained, cleaned, one_more)


def find_penetration(site: Site, ends: Sequence[LineEnd]) -> Penetration | None:
    """Carry the ends of a drain straight to the wall; None where they meet none.

    The log practice sums, over the ends, how far short of the wall marks stop, how square drains
    leave, and whether the wall faces a main.

    Parameters
    ----------
    site
        The site as read.
    ends
        Mixture of the drain's ends.

    Returns
    -------
    Penetration | None
        The penetration, None where no end meets a wall.
    """
    building = site.building
    weights = np.array([end.weight for end in ends])
    means = np.stack([end.mean for end in ends])
    walls, lengths = first_walls(means[:, :2], means[:, 2], building)
    normals = outward_normals(building)
    # angle off square, for each end at the wall that it meets
    slant = wrap_radians(means[:, 2] - np.arctan2(normals[walls, 1], normals[walls, 0]))
    spread = np.array([end.covariance[2, 2] for end in ends]) + SQUARE_SD_RAD**2
    square = SQUARE_FLOOR + (1.0 - SQUARE_FLOOR) * np.exp(-0.5 * slant**2 / spread)
    facing = _facing(site)
    practice = square * _short(lengths) * np.array([facing[building.sides[w]] for w in walls])
    # out of a wall, not along it or back in
    practice = np.where((walls >= 0) & (np.cos(slant) > 0.1), practice, 0.0) * weights
    if not practice.sum() > 0.0:
        return None
    best = largest(practice, MATTERS_P)
    x, y = means[best, :2] + lengths[best] * lot_direction(float(means[best, 2]))
    side = building.sides[int(walls[best])]
    return Penetration(
        x_m=float(x),
        y_m=float(y),
        angle_rad=float(means[best, 2]),
        side=side,
        unseen_m=float(lengths[best]),
        log_practice=float(np.log(practice.sum())),
    )


def _short(lengths: Array) -> Array:
    """Return the density of stopping so far short of the wall."""
    lengths = np.where(np.isfinite(lengths), lengths, 1e3)
    # crews mark up to the wall: most last marks lie within a few meters, some far
    near = (1.0 - FAR_SHARE) * np.exp(-lengths / SHORT_MEAN_M) / SHORT_MEAN_M
    return np.asarray(near + FAR_SHARE * np.exp(-lengths / FAR_MEAN_M) / FAR_MEAN_M)


def _facing(site: Site) -> dict[Side, float]:
    """Return the share of drains by wall: those that face a main, and the others."""
    faced = {main.side for main in site.mains}
    weights = {
        side: 1.0 if side in faced or not faced else FACING_OTHER for side in site.building.sides
    }
    total = sum(weights.values())
    return {side: weight / total for side, weight in weights.items()}


def _terms(
    site: Site, drain: Drain, places: dict[str, Array], penetration: Penetration, *, mirrored: bool
) -> dict[str, float]:
    """Weigh where the marks lie, where the drain leaves, and what was seen past the wall."""
    return {
        "walls": -OUTSIDE_NATS * _outside(site, places),
        "exit": penetration.log_practice,
        "outdoors": outdoor_terms(site, drain, penetration, mirrored=mirrored),
    }


def _outside(site: Site, places: dict[str, Array]) -> int:
    """Count the marks indoors that lie outside the house."""
    house = shapely.buffer(shapely.Polygon(site.building.vertices), OUTSIDE_M)
    indoors = [row.id for row in site.locates if row.room != "lot"]
    xy = np.array([places[name] for name in indoors])
    return int(np.count_nonzero(~shapely.contains_xy(house, xy[:, 0], xy[:, 1])))


def outdoor_terms(site: Site, drain: Drain, penetration: Penetration, *, mirrored: bool) -> float:
    """Weigh what was seen or counted past the wall, and turns that the camera showed.

    Parameters
    ----------
    site
        The site as read.
    drain
        Fitted building drain.
    penetration
        The wall penetration.
    mirrored
        Whether left and right are exchanged.

    Returns
    -------
    float
        Log likelihood, nats.
    """
    total = _seen_outdoors(site, penetration)
    for item in site.evidence:
        if isinstance(item, CableToMain):
            total += _footage_term(site, drain, penetration, item)
        elif isinstance(item, CameraNote) and item.saw in ("turn-left", "turn-right"):
            total += _turn_term(site, drain, penetration, item, mirrored=mirrored)
    return total


def _seen_outdoors(site: Site, penetration: Penetration) -> float:
    """Weigh the marks found outdoors by how far off the exit's straight they lie."""
    total = 0.0
    here, ahead = np.array([penetration.x_m, penetration.y_m]), lot_direction(penetration.angle_rad)
    for row in site.locates:
        if row.room == "lot" and row.kind in ("locate", "bend", "cleanout", "branch"):
            away = np.array([row.x_m, row.y_m]) - here
            along = float(away @ ahead)
            across = abs(float(ahead[0] * away[1] - ahead[1] * away[0]))
            # behind the wall it is off by all of its distance
            off = across if along > 0 else float(np.hypot(*away))
            sd = OUTDOOR_SD_M + OUTDOOR_SPREAD * max(along, 0.0)
            # bounded, for another pipe may have been found
            total -= min(0.5 * (off / sd) ** 2, OUTDOOR_WORST) + np.log(sd)
    return total


def unit_term(drain: Drain, scale: float) -> float:
    """Weigh that offsets and tapes along the drain were written in a unit ``scale`` times larger.

    Crews mark every few feet, a log-normal of their own; the first mark lies anywhere in the
    house, the others by the scatter of a mark off a line, and each of these densities is one of
    the offset as written: a factor of ``scale`` each, two for the first mark.

    Parameters
    ----------
    drain
        Fitted building drain.
    scale
        Factor of the other unit.

    Returns
    -------
    float
        Log likelihood, nats.
    """
    marks = len(drain.point_ids)
    if scale == 1.0 or marks < 2:
        return 0.0
    # mean spacing of the marks
    apart_m = float(np.ptp(drain.stations_m)) / (marks - 1)
    if apart_m <= 0.0:
        return 0.0
    # log-normal spacing of marks under both units; each coordinate written brings a factor of the
    # scale
    off = np.log(np.array([1.0, scale]) * apart_m / SPACING_M) / SPACING_LOG_SD
    return float(np.log(scale) * marks + 0.5 * (off[0] ** 2 - off[1] ** 2))


def _last_footage(site: Site, drain: Drain) -> tuple[float, float] | None:
    """Return footage and station of the last mark whose footage is known."""
    counts = {row.id: row.footage_m for row in site.locates if row.footage_m is not None}
    known = [
        (float(station), counts[name])
        for name, station in zip(drain.point_ids, drain.stations_m, strict=True)
        if name in counts
    ]
    return max(known, default=None)


def foot_on(main: Main, place: Exit | Penetration) -> tuple[float, float]:
    """Return how far a main passes from where the drain leaves, and the station there, m.

    Parameters
    ----------
    main
        The main.
    place
        The wall penetration.

    Returns
    -------
    distance_m
        From the place to the main.
    station_m
        Along the main.
    """
    here = np.array([place.x_m, place.y_m])
    distance, station, _ = polyline.line_locate_point(main.line, here)
    return float(distance), float(station)


def nearest_main(
    mains: Sequence[Main], penetration: Penetration, feet: Sequence[tuple[float, float]] = ()
) -> tuple[Main, float] | None:
    """Return the main that the drain leaves toward, with its distance; None without mains.

    The nearest one among those ahead; where none is ahead, the nearest.

    Parameters
    ----------
    mains
        The mains.
    penetration
        The wall penetration.
    feet
        What ``foot_on`` gives of each, where it is known.

    Returns
    -------
    tuple[Main, float] | None
        Main and distance in m, None without mains.
    """
    here, ahead = np.array([penetration.x_m, penetration.y_m]), lot_direction(penetration.angle_rad)
    found = []
    feet = feet or [foot_on(main, penetration) for main in mains]
    for main, (distance, station) in zip(mains, feet, strict=True):
        foot = polyline.line_interpolate_point(main.line, station)
        # ahead: within about 70° of the drain's direction
        is_behind = not at_least((foot - here) @ ahead, 0.3 * distance, MATTERS_M)
        found.append((is_behind, round(distance, 3), main))
    if not found:
        return None
    _, distance_m, main = min(found, key=lambda item: item[:2])
    return main, distance_m


def _footage_term(site: Site, drain: Drain, penetration: Penetration, item: CableToMain) -> float:
    """Weigh the footage at the main: no less than the shortest way, not much more."""
    known, nearest = _last_footage(site, drain), nearest_main(site.mains, penetration)
    if known is None or nearest is None:
        return 0.0
    # from the last known footage to the drain's end and on to the wall
    past_m = drain.length_m - known[0] + penetration.unseen_m
    slack = item.footage_m - known[1] - past_m - nearest[1]
    if slack < 0.0:
        return -min(0.5 * (slack / SHORTEST_SD_M) ** 2, OUTDOOR_WORST)
    return -min(slack / SLACK_M, OUTDOOR_WORST)


def _turn_term(
    site: Site, drain: Drain, penetration: Penetration, item: CameraNote, *, mirrored: bool
) -> float:
    """Weigh a turn that the camera showed: against the fitted bends, or toward a main."""
    known = _last_footage(site, drain)
    if known is None:
        return 0.0
    hand = 1.0 if item.saw == "turn-left" else -1.0
    # where the camera saw the turn, on the drain's own stations
    station = known[0] + item.footage_m - known[1]
    if station <= drain.length_m:
        near = [bend for bend in drain.bends if abs(bend.station_m - station) < TURN_NEAR_M]
        if not near:
            return 0.0
        seen = np.sign(near[0].angle_deg) * (-1.0 if mirrored else 1.0)
        return float(np.log(TURN_RIGHT if seen == hand else 1.0 - TURN_RIGHT))
    # past the drain's end: a quarter turn to the side that the camera showed
    after = lot_direction(penetration.angle_rad + hand * np.pi / 2.0)
    return float(np.log(TURN_RIGHT if _leads(site, after) else 1.0 - TURN_RIGHT))


def _leads(site: Site, direction: Array) -> bool:
    """Return whether a direction leads to a side of the lot with a main."""
    outward = {"front": (0.0, -1.0), "right": (1.0, 0.0), "rear": (0.0, 1.0), "left": (-1.0, 0.0)}
    return any(float(direction @ np.array(outward[main.side])) > 0.5 for main in site.mains)


@dataclass(frozen=True, slots=True)
class Found:
    """A reading with its evidence against the stated one.

    ``penetration`` is where the drain would leave, its invert at ``invert_m``, the mains' inverts
    ``main_rise_m`` above what is written, the ground ``ground_rise_m``. ``places`` (2,) of marks,
    or of the house's corners, by name where they move. ``off_earth_m`` is how far off the place on
    earth would be. ``expected`` is what the measurement of its kind would then give: meters, or
    degrees from grid north.
    """

    id: str
    kind: ReadingKind
    about: str
    words: str
    prior: float
    evidence: tuple[EvidenceTerm, ...]
    penetration: Penetration
    invert_m: float
    places: dict[str, Array] = field(default_factory=dict)
    slope: float = 0.0
    ground_rise_m: float = 0.0
    main_rise_m: float = 0.0
    off_earth_m: float = 0.0
    expected: float = 0.0

    @property
    def log_evidence(self) -> float:
        """Sum of the evidence, in nats."""
        return sum(one.nats for one in self.evidence)
