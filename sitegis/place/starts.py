"""Starting values for the adjustment: poses chained through what they share, mirrors kept."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Array, rotation
from ..late_dataclass import dataclass
from ..numerics.ordering import MATTERS_P, ordered
from .adjust import gauss_newton
from .network import Network, Observation, compile_equations, evaluate, misclosures

# judgment, no source: starts for Gauss–Newton, optima kept for one loose part, directions tried
# (15° apart), places along each axis, and the distance that makes two optima two
_MOST_STARTS = 16
_KEPT_PER_STEP = 4
_ANGLES = 24
_PLACES = 7
_DISTINCT_M = 0.2


@dataclass(frozen=True, slots=True)
class _State:
    """Unknowns so far, and which of them have a place."""

    x: Array
    placed: frozenset[int]


def rigid_fit(local: Array, known: Array) -> tuple[Array, float]:
    """Fit a pose (x, y, θ) that takes local (n, 2) to known (n, 2) points; no scale, no mirror.

    θ = atan2(Σ(l × k), Σ(l · k)) about the centroids; n ≥ 2. Also gives the rms misfit.

    Parameters
    ----------
    local
        Points (n, 2) in their own frame, m.
    known
        The same points (n, 2) in the other frame, m.

    Returns
    -------
    pose
        x, y in m and θ in rad (3,).
    misfit
        Rms distance, m.
    """
    center, target = local.mean(axis=0), known.mean(axis=0)
    a, b = local - center, known - target
    # the angle that maximizes Σ b · R(θ) a
    theta = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    turned = a @ rotation(theta).T
    misfit = float(np.sqrt(np.mean(np.sum((b - turned) ** 2, axis=1))))
    origin = target - rotation(theta) @ center
    return np.array([origin[0], origin[1], theta]), misfit


def starting_values(network: Network, center: Array) -> list[Array]:
    """Return starts (size,) for Gauss–Newton, at most 16.

    What is observed directly is placed first; then nodes with both offsets in a placed pose,
    poses with two placed nodes (rigid fit) or an origin and a direction. Where only distances
    hold a node or a room, every separate local optimum (mirror image) becomes a start.
    ``center`` (2,) is where something that nothing holds is put.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    center
        Where something that nothing holds is put (2,), m.

    Returns
    -------
    list[Array]
        Unknowns (size,) to begin at.
    """
    states = [_observed(network)]
    finished: list[Array] = []
    while states:
        state = _settle(network, states.pop())
        loose = _next_loose(network, state)
        if loose is None:
            finished.append(_fill(network, state, center))
            continue
        choices = _choices(network, state, loose, center)
        room = max(1, _MOST_STARTS - len(finished) - len(states))
        states.extend(choices[-room:])  # the best stand last
    return finished[:_MOST_STARTS]


def _observed(network: Network) -> _State:
    """Take what is observed directly."""
    x = np.zeros(network.size)
    known: set[int] = set()
    for item in network.observations:
        # control: the building's pose, corners and points taped from the lot's own lines
        if item.kind == "value":
            x[item.columns[0]] = item.value
            known.add(item.columns[0])
    placed = {column for column in _poses(network) if {column, column + 1, column + 2} <= known}
    # both coordinates, or for a pose all three: one alone gives no place to start from
    placed |= {column for column in _nodes(network) if {column, column + 1} <= known}
    return _State(x, frozenset(placed))


def _poses(network: Network) -> list[int]:
    return list(network.poses.values())


def _nodes(network: Network) -> list[int]:
    """Return the columns of the nodes that are no pose's origin."""
    origins = set(network.poses.values())
    return [column for column in dict.fromkeys(network.nodes.values()) if column not in origins]


def _offset_table(network: Network) -> dict[tuple[int, int], dict[str, float]]:
    """Return the offsets by (node, pose)."""
    table: dict[tuple[int, int], dict[str, float]] = {}
    for item in network.observations:
        if item.kind in {"offset-x", "offset-y"}:
            node, pose = item.columns
            # the first of each: a point measured twice in one room needs no mean for a start
            table.setdefault((node, pose), {}).setdefault(item.kind, item.value)
    return {key: pair for key, pair in table.items() if len(pair) == 2}


def _settle(network: Network, state: _State) -> _State:
    """Place all that follows without a choice."""
    x, placed = state.x.copy(), set(state.placed)
    offsets = {
        key: np.array([pair["offset-x"], pair["offset-y"]])
        for key, pair in _offset_table(network).items()
    }
    moved = True
    # each placed thing may place others: go round until nothing new follows
    while moved:
        moved = False
        for pose in _poses(network):
            if pose not in placed and _place_pose(network, x, placed, pose, offsets):
                placed.add(pose)
                moved = True
        for (node, pose), local in offsets.items():
            if pose in placed and node not in placed and node not in network.poses.values():
                x[node : node + 2] = x[pose : pose + 2] + rotation(x[pose + 2]) @ local
                placed.add(node)
                moved = True
    return _State(x, frozenset(placed))


def _place_pose(
    network: Network, x: Array, placed: set[int], pose: int, offsets: dict[tuple[int, int], Array]
) -> bool:
    """Place a pose by its origin and direction, or by two or more nodes it shares."""
    local = [np.zeros(2)]
    known = [_origin(x, placed, pose, offsets)]
    for (node, other), value in offsets.items():
        if other == pose and node in placed:
            local.append(value)
            known.append(x[node : node + 2])
    pairs = [(a, b) for a, b in zip(local, known, strict=True) if b is not None]
    # with a stated direction one point is enough; points close together fit a direction badly
    turn = _turn(network, x, placed, pose)
    if turn is not None and pairs:
        a, b = pairs[0]
        x[pose + 2] = turn
        x[pose : pose + 2] = b - rotation(turn) @ a
        return True
    if len(pairs) >= 2:
        a_all, b_all = np.array([a for a, _ in pairs]), np.array([b for _, b in pairs])
        # points in one place fix no direction
        if float(np.ptp(a_all, axis=0).max()) > 0.05:
            x[pose : pose + 3] = rigid_fit(a_all, b_all)[0]
            return True
    return False


def _origin(
    x: Array, placed: set[int], pose: int, offsets: dict[tuple[int, int], Array]
) -> Array | None:
    """Return the observed origin of a pose where it is known in a placed one."""
    for (node, other), value in offsets.items():
        if node == pose and other in placed:
            return np.asarray(x[other : other + 2] + rotation(x[other + 2]) @ value)
    return None


def _turn(network: Network, x: Array, placed: set[int], pose: int) -> float | None:
    """Return the observed angle of a pose where it is known against a placed one."""
    for item in network.observations:
        if item.kind == "turn" and item.columns[0] == pose + 2 and item.columns[1] - 2 in placed:
            return float(x[item.columns[1]] + item.value)
    return None


def _next_loose(network: Network, state: _State) -> int | None:
    """Choose the unplaced node or pose with the most observations to what is placed."""
    best, most = None, 0
    for column in _poses(network) + _nodes(network):
        if column not in state.placed:
            # the best tied goes first: fewer optima to carry, and what it places ties the next
            count = len(_local_observations(network, state, column))
            if count > most:
                best, most = column, count
    return best


def _members(network: Network, state: _State, column: int) -> dict[int, Array]:
    """Return what moves with a node or a pose: node column → its offset in it."""
    if column not in network.poses.values():
        return {column: np.zeros(2)}
    members = {column: np.zeros(2)}
    for (node, pose), pair in _offset_table(network).items():
        # nodes of its room that only this pose knows hang on it and move along
        if pose == column and node not in state.placed and node not in network.poses.values():
            members[node] = np.array([pair["offset-x"], pair["offset-y"]])
    return members


def _local_observations(network: Network, state: _State, column: int) -> list[Observation]:
    """Return the observations that tie a node or a pose (with its nodes) to what is placed."""
    members = set(_members(network, state, column))
    angle = column + 2 if column in network.poses.values() else -1
    placed_angles = {pose + 2 for pose in network.poses.values() if pose in state.placed}
    known = state.placed | members | placed_angles | {angle}
    return [
        item
        for item in network.observations
        if item.kind != "value"
        and set(item.columns) <= known
        and set(item.columns) & (members | {angle})
        # what lies wholly within the loose part ties it to nothing
        and not set(item.columns) <= (members | {angle})
    ]


def _choices(network: Network, state: _State, column: int, center: Array) -> list[_State]:
    """Find the separate local optima of one loose node or pose: grid, then Gauss–Newton."""
    members = _members(network, state, column)
    local = _local_observations(network, state, column)
    inside = [
        item
        for item in network.observations
        if item.kind in {"offset-x", "offset-y"}
        and item.columns[1] == column
        and item.columns[0] in members
    ]
    # only what joins the new part to placed ones is solved for, the placed ones held: small and
    # quick
    equations = compile_equations(
        [*local, *inside, *_held(state, local, members, column)], network.size
    )
    # the grid is screened by the ties to placed things alone:
    # offsets within the part fit at any pose
    screen = compile_equations(local, network.size)
    is_pose = column in network.poses.values()
    grid = _grid(state, column, local, is_pose, center)
    costs, trials = [], []
    for pose in grid:
        x = state.x.copy()
        turn = rotation(pose[2])
        # the part moves as one rigid piece to the trial pose
        for node, offset in members.items():
            x[node : node + 2] = pose[:2] + turn @ offset
        if is_pose:
            x[column : column + 3] = pose
        residual = misclosures(screen, evaluate(screen, x)[0]) / screen.sds
        costs.append(float(residual @ residual))
        trials.append(x)
    probes = [*members, *([] if not is_pose else [column])]
    found: list[tuple[float, Array]] = []
    # the grid finds the basins, Gauss–Newton from the best of them the optima within
    for index in ordered(costs, MATTERS_P)[:12]:
        solved = gauss_newton(equations, trials[index], most=25)
        # two solutions are one optimum if all that moves ends in the same places
        place = np.array([solved.x[node : node + 2] for node in probes])
        if all(_apart(place, x, probes) for _, x in found):
            found.append((solved.chi_square, solved.x))
    found = [found[i] for i in ordered([chi for chi, _ in found], MATTERS_P)]
    best = found[0][0]
    placed = state.placed | set(members) | {column}
    # a mirror image may fit worse here and better once all measurements count: kept with much room
    kept = [x for chi, x in found if chi <= best + 100.0 + 10.0 * abs(best)]
    # the best one last: the caller pops from the end
    return [_State(x, frozenset(placed)) for x in kept[:_KEPT_PER_STEP]][::-1]


def _held(
    state: _State, local: Sequence[Observation], members: dict[int, Array], column: int
) -> list[Observation]:
    """Return observations that hold what is placed where it is while the loose part moves."""
    moving = {column + 2} | {node + axis for node in [*members, column] for axis in (0, 1)}
    fixed: set[int] = set()
    for item in local:
        if item.kind in {"offset-x", "offset-y"}:
            node, pose = item.columns
            fixed |= {node, node + 1, pose, pose + 1, pose + 2}
        elif item.kind == "turn":
            fixed |= set(item.columns)
        else:
            fixed |= {node + axis for node in item.columns for axis in (0, 1)}
    # 1 mm, 1 mrad: stiff against any tape, soft enough for well-conditioned equations
    return [Observation("", "value", (i,), float(state.x[i]), 1e-3) for i in sorted(fixed - moving)]


def _apart(place: Array, x: Array, probes: Sequence[int]) -> bool:
    """Return whether a solution differs from another by more than a hand's breadth."""
    other = np.array([x[node : node + 2] for node in probes])
    return float(np.max(np.abs(place - other))) > _DISTINCT_M


def _grid(
    state: _State, column: int, local: Sequence[Observation], is_pose: bool, center: Array
) -> Array:
    """Return trial poses (g, 3): about a shared node where there is one, else over the site."""
    turn = next(
        (item for item in local if item.kind == "turn" and item.columns[0] == column + 2), None
    )
    if not is_pose:
        angles = np.zeros(1)
    elif turn is not None:
        angles = np.array([state.x[turn.columns[1]] + turn.value])
    else:
        # a pose of unknown direction: every 15°
        angles = np.linspace(-np.pi, np.pi, _ANGLES, endpoint=False)
    pivot = _pivot(state, column, local) if is_pose else None
    if pivot is not None:
        # a shared point is a hinge: the direction alone is open
        known, offset = pivot
        return np.array([[*(known - rotation(a) @ offset), a] for a in angles])
    if not is_pose:
        # a node tied by two distances lies where their circles meet: no grid could do better
        circles = _circle_points(state, column, local)
        if len(circles):
            return np.column_stack([circles, np.zeros(len(circles))])
    # nothing better known: a square about the center as wide as
    # the longest tie reaches, 6 m at least
    ties = [item.value for item in local if item.kind == "distance"]
    reach = max([6.0, *ties])
    steps = np.linspace(-reach, reach, _PLACES)
    return np.array(
        [[center[0] + dx, center[1] + dy, a] for a in angles for dx in steps for dy in steps]
    )


def _pivot(state: _State, column: int, local: Sequence[Observation]) -> tuple[Array, Array] | None:
    """Return a placed node that the pose has both offsets of (or its own observed origin)."""
    parts: dict[int, dict[str, float]] = {}
    for item in local:
        if item.kind in {"offset-x", "offset-y"} and item.columns[1] == column:
            parts.setdefault(item.columns[0], {})[item.kind] = item.value
    for node, pair in parts.items():
        if len(pair) == 2 and node in state.placed:
            offset = np.array([pair["offset-x"], pair["offset-y"]])
            return state.x[node : node + 2], offset
    for item in local:
        if item.kind == "offset-x" and item.columns[0] == column:
            pose = item.columns[1]
            other = next(
                (o for o in local if o.kind == "offset-y" and o.columns == item.columns), None
            )
            if other is not None:
                turned = rotation(state.x[pose + 2]) @ np.array([item.value, other.value])
                return state.x[pose : pose + 2] + turned, np.zeros(2)
    return None


def _circle_points(state: _State, column: int, local: Sequence[Observation]) -> Array:
    """Return where the circles of a node's ties meet, pair by pair (k, 2).

    Circles that miss each other give the point between them.
    """
    circles = []
    for item in local:
        if item.kind == "distance":
            other = item.columns[0] if item.columns[1] == column else item.columns[1]
            circles.append((state.x[other : other + 2], item.value))
    points = []
    for i, (a, ra) in enumerate(circles):
        for b, rb in circles[:i]:
            gap = b - a
            length = float(np.hypot(*gap))
            # two ties from one point: their circles share a center and meet nowhere or everywhere
            if length < 1e-6:
                continue
            # two circles meet in two points, mirror images about the line of their centers
            along = (length**2 + ra**2 - rb**2) / (2.0 * length)
            aside = np.sqrt(max(ra**2 - along**2, 0.0))
            unit = gap / length
            normal = np.array([-unit[1], unit[0]])
            points += [a + along * unit + aside * normal, a + along * unit - aside * normal]
    return np.array(points).reshape(-1, 2)


def _fill(network: Network, state: _State, center: Array) -> Array:
    """Put what nothing holds at the center, with its nodes about it."""
    x, placed = state.x.copy(), set(state.placed)
    for pose in _poses(network):
        if pose not in placed:
            x[pose : pose + 2] = center
            placed.add(pose)
    settled = _settle(network, _State(x, frozenset(placed)))
    x = settled.x.copy()
    for node in _nodes(network):
        if node not in settled.placed:
            # a little off the poses put there: two nodes in one place
            # have a distance without direction
            x[node : node + 2] = center + 0.1
    return x
