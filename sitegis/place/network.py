"""The network as records and as equations: what was measured, and what it should read.

Unknowns lie in one vector: two columns for a node (a point, a corner), three for a pose (a room
or the building: x and y of its origin and its angle, all in the lot). The first two columns of a
pose serve as the node of its origin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..late_dataclass import dataclass

Indices = NDArray[np.intp]
ObservationKind = Literal["offset-x", "offset-y", "distance", "value", "turn", "wall"]
_KINDS: tuple[ObservationKind, ...] = (
    "offset-x",
    "offset-y",
    "distance",
    "value",
    "turn",
    "wall",
)


@dataclass(frozen=True, slots=True)
class Observation:
    """One measured number.

    ``columns`` are the first columns of what it joins: (node, pose) for an offset, (node, node)
    for a distance, (column,) for a value, (angle column, angle column) for a turn of the first
    against the second, (node, wall start, wall end) for the distance inward from a wall.
    ``room`` and ``joins`` say in words what it belongs to.
    """

    name: str
    kind: ObservationKind
    columns: tuple[int, ...]
    value: float
    sd: float
    room: str = ""
    joins: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Network:
    """Observations and the columns of their unknowns: ``nodes`` and ``poses`` by name."""

    nodes: Mapping[str, int]
    poses: Mapping[str, int]
    size: int
    observations: tuple[Observation, ...]

    @property
    def free(self) -> int:
        """Observations less unknowns."""
        return len(self.observations) - self.size


@dataclass(frozen=True, slots=True)
class Equations:
    """Observations sorted by kind into arrays, so that they are evaluated without a loop."""

    values: Array
    sds: Array
    turns: Indices
    rows: Mapping[str, Indices]
    columns: Mapping[str, Indices]
    size: int


def compile_equations(observations: Sequence[Observation], size: int) -> Equations:
    """Sort observations by kind into index arrays for :func:`evaluate`.

    Parameters
    ----------
    observations
        What was measured, k of them.
    size
        Number of unknowns.

    Returns
    -------
    Equations
        The equations.
    """
    rows: dict[str, Indices] = {}
    columns: dict[str, Indices] = {}
    for kind in _KINDS:
        chosen = [i for i, item in enumerate(observations) if item.kind == kind]
        if chosen:
            rows[kind] = np.array(chosen, dtype=np.intp)
            # one row a role and one column an observation: unpacks as
            # (node, pose), (start, end) and so on
            columns[kind] = np.array([observations[i].columns for i in chosen], dtype=np.intp).T
    values = np.array([item.value for item in observations], dtype=float)
    sds = np.array([item.sd for item in observations], dtype=float)
    none = np.empty(0, dtype=np.intp)
    return Equations(values, sds, rows.get("turn", none), rows, columns, size)


def evaluate(equations: Equations, x: Array) -> tuple[Array, Array]:
    """Return the computed observations (k,) and their derivatives (k, size) at unknowns x.

    Offsets of node P in a pose (X, Y, θ): u = c·dx + s·dy, v = −s·dx + c·dy. Distances are
    Euclidean. The inward distance from a wall A → B (inside on its left) is
    (B − A) × (P − A) / |B − A|.

    Parameters
    ----------
    equations
        Observations sorted by kind, k of them.
    x
        Unknowns (size,), m and rad.

    Returns
    -------
    computed
        (k,), m or rad.
    derivatives
        By the unknowns (k, size).
    """
    computed = np.zeros(len(equations.values))
    jacobian = np.zeros((len(equations.values), equations.size))
    for kind, row in equations.rows.items():
        column = equations.columns[kind]
        if kind in {"offset-x", "offset-y"}:
            _offsets(kind, row, column, x, computed, jacobian)
        elif kind == "distance":
            _distances(row, column, x, computed, jacobian)
        elif kind == "wall":
            _walls(row, column, x, computed, jacobian)
        else:
            # left are values, an unknown observed as such, and turns, the difference of two angles
            computed[row] = x[column[0]]
            jacobian[row, column[0]] = 1.0
            if kind == "turn":
                computed[row] -= x[column[1]]
                jacobian[row, column[1]] = -1.0
    return computed, jacobian


def misclosures(equations: Equations, computed: Array) -> Array:
    """Return observed minus computed (k,), turns brought into (−π, π].

    Parameters
    ----------
    equations
        Observations sorted by kind, k of them.
    computed
        Computed observations (k,).

    Returns
    -------
    Array
        Differences (k,).
    """
    difference = np.asarray(equations.values - computed)
    turns = equations.turns
    # an angle and the same a whole turn on are one: the misclosure is the short way round
    difference[turns] = np.arctan2(np.sin(difference[turns]), np.cos(difference[turns]))
    return difference


def _offsets(
    kind: str, row: Indices, column: Indices, x: Array, computed: Array, jacobian: Array
) -> None:
    """Fill in the offsets along one room axis."""
    node, pose = column
    across, up = x[node] - x[pose], x[node + 1] - x[pose + 1]
    cosine, sine = np.cos(x[pose + 2]), np.sin(x[pose + 2])
    # the axis of the pose that is read: x along the wall, y square to it
    along, aside = (cosine, sine) if kind == "offset-x" else (-sine, cosine)
    computed[row] = along * across + aside * up
    jacobian[row, node], jacobian[row, node + 1] = along, aside
    jacobian[row, pose], jacobian[row, pose + 1] = -along, -aside
    # d/dθ turns the axis by a quarter
    jacobian[row, pose + 2] = -aside * across + along * up


def _distances(row: Indices, column: Indices, x: Array, computed: Array, jacobian: Array) -> None:
    """Fill in the taped distances."""
    start, end = column
    across, up = x[end] - x[start], x[end + 1] - x[start + 1]
    length = np.hypot(across, up)
    computed[row] = length
    # two points in one place have a distance without direction
    safe = np.maximum(length, 1e-9)
    np.add.at(jacobian, (row, end), across / safe)
    np.add.at(jacobian, (row, end + 1), up / safe)
    np.add.at(jacobian, (row, start), -across / safe)
    np.add.at(jacobian, (row, start + 1), -up / safe)


def _walls(row: Indices, column: Indices, x: Array, computed: Array, jacobian: Array) -> None:
    """Fill in the distances inward from the outside face of a wall."""
    node, start, end = column
    run, rise = x[end] - x[start], x[end + 1] - x[start + 1]
    across, up = x[node] - x[start], x[node + 1] - x[start + 1]
    length = np.maximum(np.hypot(run, rise), 1e-9)
    # cross product over the wall's length: the height of a triangle over its base
    inward = (run * up - rise * across) / length
    computed[row] = inward
    # quotient rule: the wall's ends move both the product and the length
    by_run = up / length - inward * run / length**2
    by_rise = -across / length - inward * rise / length**2
    by_across, by_up = -rise / length, run / length
    jacobian[row, node], jacobian[row, node + 1] = by_across, by_up
    jacobian[row, end], jacobian[row, end + 1] = by_run, by_rise
    jacobian[row, start] = -by_across - by_run
    jacobian[row, start + 1] = -by_up - by_rise
