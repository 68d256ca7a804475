"""Stage ``place``: from offsets, ties and walls to points in the lot with their covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from ..geometry import polyline
from ..geometry.frames import Array, rotation
from ..messages.catalog import fault_of
from ..messages.errors import ComputationError
from ..model.results import AdjustedObservation, Adjustment, PlacedPoint, Placement
from ..model.site import Locate, Noise, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, smallest
from ..numerics.statistics import ellipse
from .adjust import NONCENTRALITY, Solution, condition, null_space, solve_network
from .assemble import BUILDING, building_outline, find_room, site_network, wall_candidates
from .blunders import (
    MIRROR_CHI_SQUARE,
    Cleaned,
    clean_network,
    huber_suspect,
    inseparable_rows,
    predicted_against,
)
from .crew import learn_tape, tape_square, taped_part
from .ellipse import tail_factor
from .head import HeadDepth, read_head
from .network import Network
from .notices import (
    adjustment_notices,
    changed_over_notices,
    head_notices,
    mirror_notices,
    weak_notices,
)
from .observability import require_observable, require_some_place
from .proposals import changed_over, propose
from .starts import starting_values

LOCATOR_KINDS = frozenset({"locate", "bend"})
# Judgment, no source: what rules a mirror image out.
_OUTSIDE_HOUSE_M = 0.5
_DEEP_IN_ROOM_M = 0.3


def place_points(survey: Survey) -> Survey:
    """Place every point in the lot by weighted least squares and read the head's depths.

    Unknowns: points, room poses (x, y, θ), the building's pose and the corners that are used.
    Observations: room offsets, ties, walls, and the poses and corners as weighted control.
    Gauss–Newton runs from several starts; blunders that can be located are taken out one at a
    time. Where a blunder is detected and cannot be located, the tape's covariance is multiplied
    by chi-square / degrees of freedom. The locator's noise (a Student-t brought to an equal
    95 % ellipse) and the session's common shift are added for kinds ``locate`` and ``bend``.

    Raises ``ComputationError`` where something is not tied to anything, a name is unknown, no
    place fits, or a point may lie farther off than any lot is large.
    """
    site = survey.site
    network, starts = _network_with_walls(site)
    solutions = solve_network(network, starts)
    _require_held(site, solutions[0])

    def implausible(x: Array) -> int:
        return _implausible(site, network, x)

    cleaned = clean_network(network, solutions, implausible=implausible)
    mirrors = _mirrors(site, network, cleaned)
    # a second method names its own suspect: where the two differ a person is told
    robust = huber_suspect(network, solutions[0].x) if cleaned.removals else None
    solution_x = cleaned.solution.x
    adjustment = _adjustment(
        site, network, cleaned, tuple(n for _, names in mirrors for n in names)
    )
    rows = _first_rows(site)
    readings = {row.id: _reading(site, row.id) for row in rows}
    tape = learn_tape(network, cleaned)
    mark = _mark_covariance(network, cleaned, rows, tape_square(tape))
    require_some_place(site, [row.id for row in rows], _blocks(mark), adjustment)
    total = mark + _locator_covariance(site, rows, readings)
    points = tuple(
        _point(site, network, solution_x, row, readings[row.id], block)
        for row, block in zip(rows, _blocks(total), strict=True)
    )
    doubtful = bool(cleaned.removals or cleaned.suspects)
    notices = (
        *changed_over_notices(adjustment, changed_over(network, starts) if doubtful else None),
        *adjustment_notices(site, network, cleaned, adjustment, robust_suspect=robust),
        *mirror_notices(site, network, solution_x, mirrors),
        *head_notices(site, readings),
        *weak_notices(
            site, [row.id for row in rows], _blocks(mark), condition(cleaned.solution.design)
        ),
    )
    outlines = _room_outlines(site, network, solution_x)
    placement = Placement(points, total, mark, adjustment, outlines, tuple(notices), tape)
    return replace(survey, placed=placement)


def _require_held(site: Site, solution: Solution) -> None:
    """Raise in words where something is not tied; any building corner may serve the cure."""
    if null_space(solution.design).shape[1]:
        wider = site_network(site, all_corners=True)
        require_observable(wider, solve_network(wider, starting_values(wider, _center(site)))[0])


def _blocks(covariance: Array) -> list[Array]:
    """Return the (2, 2) blocks on the diagonal."""
    return [covariance[i : i + 2, i : i + 2] for i in range(0, len(covariance), 2)]


def _center(site: Site) -> Array:
    """Return the middle of the building in the lot."""
    return np.asarray(site.building.vertices.mean(axis=0))


def _network_with_walls(site: Site) -> tuple[Network, list[Array]]:
    """Build the network, each wall contact on the nearest edge of its side."""
    network = site_network(site)
    # twice: where a side has several edges, the one a contact is
    # at shows only once rooms have places
    starts = starting_values(network, _center(site))
    edges: dict[int, int] = {}
    for i, contact in enumerate(site.wall_contacts):
        candidates = wall_candidates(site, contact.side)
        if len(candidates) > 1:
            column = network.nodes[contact.point]
            point = starts[0][column : column + 2]
            away = [_edge_distance(site, edge, point) for edge in candidates]
            # the edge nearest to where the first start puts the point
            edges[i] = candidates[smallest(away, MATTERS_M)]
    if not edges:
        return network, starts
    network = site_network(site, wall_edges=edges)
    return network, starting_values(network, _center(site))


def _edge_distance(site: Site, edge: int, point: Array) -> float:
    """Return the distance from a point to an edge of the building."""
    wall = polyline.closed(site.building.vertices)[edge : edge + 2]
    return float(polyline.line_locate_point(wall, point)[0])


def _mirrors(site: Site, network: Network, cleaned: Cleaned) -> list[tuple[Array, tuple[str, ...]]]:
    """Return the other solutions that fit as well, with the points that lie elsewhere in them."""
    best = cleaned.solution
    found: list[tuple[Array, tuple[str, ...]]] = []
    ids = tuple(dict.fromkeys(row.id for row in site.locates))
    lowest = min(s.chi_square for s in cleaned.solutions)
    # counted only where there is a rival, for the count buffers polygons
    against = _implausible(site, network, best.x) if len(cleaned.solutions) > 1 else 0
    for other in cleaned.solutions[1:]:
        if other.chi_square - lowest > MIRROR_CHI_SQUARE:
            break
        # an image that other knowledge speaks against more than the chosen one is no second answer
        if _implausible(site, network, other.x) > against:
            continue
        # a hand's breadth: nobody would dig elsewhere for less
        moved = tuple(
            name for name in ids if float(np.hypot(*_shift(network, best.x, other.x, name))) > 0.05
        )
        known = any(names == moved and np.allclose(x, other.x, atol=0.02) for x, names in found)
        if moved and not known:
            found.append((other.x, moved))
    return found


def _implausible(site: Site, network: Network, x: Array) -> int:
    """Count what is evidence against a solution besides the measurements.

    Indoor points and room corners well outside the building, points deep in a room in which
    they were not measured, and rooms that overlap.
    """
    pose = x[network.poses[BUILDING] : network.poses[BUILDING] + 3]
    # in this solution the building has a pose of its own, a little off the stated one
    outline = pose[:2] + building_outline(site) @ rotation(pose[2]).T
    outlines = _room_outlines(site, network, x)
    indoors = [row for row in site.locates if row.room != "lot"]
    points = np.array([x[network.nodes[r.id] : network.nodes[r.id] + 2] for r in indoors])
    # points outside the house, or deep in another room: evidence for the other image
    house = shapely.Polygon(outline).buffer(_OUTSIDE_HOUSE_M)
    inside = np.concatenate([points.reshape(-1, 2), *outlines.values()])
    wrong = int(np.count_nonzero(~shapely.contains_xy(house, inside[:, 0], inside[:, 1])))
    cores = {name: shapely.Polygon(c).buffer(-_DEEP_IN_ROOM_M) for name, c in outlines.items()}
    for i, (name, core) in enumerate(cores.items()):
        mine = {row.id for row in indoors if _room_id(site, row) == name}
        foreign = np.array([row.id not in mine for row in indoors], dtype=bool)
        if len(points):
            deep = shapely.contains_xy(core, points[:, 0], points[:, 1])
            wrong += int(np.count_nonzero(foreign & deep))
        wrong += sum(core.intersects(other) for other in list(cores.values())[:i])
    return wrong


def _room_id(site: Site, row: Locate) -> str:
    """Return the id of the room a row was measured in."""
    room = None if row.room == "lot" else find_room(site, row.room)
    return "lot" if room is None else room.id


def _shift(network: Network, first: Array, second: Array, name: str) -> Array:
    """Return how far a node lies from itself in another solution."""
    column = network.nodes[name]
    return np.asarray(second[column : column + 2] - first[column : column + 2])


def _adjustment(
    site: Site, network: Network, cleaned: Cleaned, mirror_points: tuple[str, ...]
) -> Adjustment:
    """Put the adjustment into its record."""
    # two numberings: of the network's observations, and of those still in the equations
    rows = {index: row for row, index in enumerate(cleaned.kept)}
    names = [item.name for item in network.observations]
    out = []
    for index, item in enumerate(network.observations):
        row = rows.get(index)
        doubtful = row is None or index in cleaned.suspects
        proposal = propose(site, network, cleaned, index) if doubtful else ""
        rivals: tuple[str, ...] = ()
        if row is None:
            # an observation taken out is held against all the others: w = misclosure over its sd
            residual_m, spread = predicted_against(network, cleaned, index)
            # r = σ²/(σ² + a C aᵀ), as it would have had were it still in; ∇ = δ0 σ/√r with that
            redundancy, detectable_m = (item.sd / spread) ** 2, NONCENTRALITY * spread
            w = residual_m / spread
        else:
            quality = cleaned.reliability
            residual_m = float(cleaned.solution.whitened[row]) * item.sd
            redundancy, w = float(quality.redundancy[row]), float(quality.w[row])
            detectable_m = float(quality.detectable[row])
            rivals = tuple(names[cleaned.kept[i]] for i in inseparable_rows(quality, row))
        out.append(
            AdjustedObservation(
                name=item.name,
                value_m=item.value,
                sd_m=item.sd,
                residual_m=residual_m,
                redundancy=redundancy,
                w=w,
                detectable_m=detectable_m,
                inseparable=rivals,
                removed=row is None,
                proposal=proposal,
            )
        )
    return Adjustment(
        observations=tuple(out),
        chi_square=cleaned.solution.chi_square,
        # as many unknowns as before: only observations were taken out
        degrees_of_freedom=len(cleaned.kept) - network.size,
        chi_square_before=cleaned.chi_square_first,
        iterations=cleaned.solution.iterations,
        mirror_points=tuple(dict.fromkeys(mirror_points)),
    )


def _first_rows(site: Site) -> list[Locate]:
    """Return one row for each point: the first one."""
    rows: dict[str, Locate] = {}
    for row in site.locates:
        rows.setdefault(row.id, row)
    return list(rows.values())


def _reading(site: Site, point: str) -> HeadDepth | None:
    """Read the head at a point from the first of its rows that has a depth or nulls."""
    for row in site.locates:
        if row.id == point:
            head = read_head(
                row.depth_m,
                site.noise,
                depth_lifted_m=row.depth_lifted_m,
                lift_m=row.lift_m,
                null_spacing_m=row.null_spacing_m,
                poles_m=site.poles_m,
            )
            if head is not None:
                return head
    return None


def _mark_covariance(
    network: Network, cleaned: Cleaned, rows: list[Locate], tape_square: float
) -> Array:
    """Return the covariance of the marks (2n, 2n), inflated where a blunder is left in.

    Elsewhere the tape's part is multiplied by ``tape_square``.
    """
    columns = [network.nodes[row.id] + axis for row in rows for axis in (0, 1)]
    # the whole network's: the points' rows and columns are picked once the tape's part is added
    covariance = cleaned.reliability.covariance
    # the tape is worse than stated: its part grows by the learned scale
    if tape_square > 1.0 and not cleaned.suspects:
        covariance = covariance + (tape_square - 1.0) * taped_part(network, cleaned)
    covariance = covariance[np.ix_(columns, columns)]
    free = len(cleaned.kept) - network.size
    if cleaned.suspects and free > 0:
        # a blunder is somewhere and not located: the whole is scaled by the variance of unit weight
        covariance = covariance * max(1.0, cleaned.solution.chi_square / free)
    # exactly symmetric, which products of matrices are only up to rounding
    return np.asarray((covariance + covariance.T) / 2.0)


def _locator_covariance(
    site: Site, rows: list[Locate], readings: dict[str, HeadDepth | None]
) -> Array:
    """Return the locator's part (2n, 2n): repeatability on the diagonal, the session in common."""
    noise = site.noise
    # the t's longer tail as a wider normal of equal 95 % ellipse:
    # points are handed on with a covariance
    factor = _tail(noise)
    # a point only taped, as a cleanout or a stack, has no locator's error
    received = np.array([row.kind in LOCATOR_KINDS for row in rows], dtype=float)
    spread = np.array(
        [
            head.horizontal_sd_m
            if (head := readings[row.id]) is not None
            else noise.horizontal_sd_m(0.0)
            for row in rows
        ]
    )
    # the session shifts all that was located alike: off the diagonal too
    common = noise.session_horizontal_m**2 * np.outer(received, received)
    own = np.diag(received * factor * spread**2)
    # points' entries become (2, 2) blocks: x and y err alike and independently
    return np.asarray(np.kron(common + own, np.eye(2)), float)


def _tail(noise: Noise) -> float:
    """Return the tail factor; ``ComputationError`` where the tail has no standard deviation."""
    freedom = noise.degrees_of_freedom
    if not freedom > 2:
        raise ComputationError(
            fault_of(
                "tail-too-heavy", "site.toml", None, "noise.degrees_of_freedom", f"{freedom:g}"
            )
        )
    return tail_factor(freedom)


def _point(
    site: Site, network: Network, x: Array, row: Locate, head: HeadDepth | None, covariance: Array
) -> PlacedPoint:
    """Put one point into its record."""
    column = network.nodes[row.id]
    xy = x[column : column + 2]
    major, minor, angle = ellipse(covariance)
    room = None if row.room == "lot" else find_room(site, row.room)
    surface = float(site.ground.elevation_m(xy)) if room is None else float(room.floor_elevation_m)
    counts = [r.footage_m for r in site.locates if r.id == row.id]
    return PlacedPoint(
        id=row.id,
        kind=row.kind,
        room="lot" if room is None else room.id,
        x_m=float(xy[0]),
        y_m=float(xy[1]),
        sd_major_m=major,
        sd_minor_m=minor,
        major_angle_rad=angle,
        surface_elevation_m=surface,
        depth_m=None if head is None else head.depth_m,
        depth_sd_m=0.0 if head is None else head.depth_sd_m,
        footage_m=next((count for count in counts if count is not None), None),
        surface=row.surface,
        row=row.row,
        heading_rad=heading_in_lot(site, network, x, row.id),
        distorted=head is not None and head.distorted,
    )


def heading_in_lot(site: Site, network: Network, x: Array, point: str) -> float | None:
    """Turn a point's heading from its room into the lot, at unknowns (size,); None without one.

    Parameters
    ----------
    site
        The site as read.
    network
        Nodes, poses and observations of the site.
    x
        Unknowns (size,), m and rad.
    point
        Id of the point.

    Returns
    -------
    float | None
        Lot angle, rad; None without one.
    """
    for row in site.locates:
        if row.id == point and row.heading_rad is not None:
            room = None if row.room == "lot" else find_room(site, row.room)
            turn = 0.0 if room is None else float(x[network.poses[room.id] + 2])
            return float(np.angle(np.exp(1j * (row.heading_rad + turn))))
    return None


def _room_outlines(site: Site, network: Network, x: Array) -> dict[str, Array]:
    """Return the rooms of known size as (4, 2) lot polygons, counter-clockwise."""
    outlines = {}
    for room in site.rooms:
        if room.size_m is not None:
            width, depth = room.size_m
            local = np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])
            pose = x[network.poses[room.id] : network.poses[room.id] + 3]
            outlines[room.id] = np.asarray(pose[:2] + local @ rotation(pose[2]).T)
    return outlines
