"""What stage ``branches`` adds: how several runs join, each branch with its wye.

Units and frames as in :mod:`sitegis.model.results`.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.errors import Notice
from .results import Bend, Drain, ProfileComponent
from .site import System, Toward


@dataclass(frozen=True, slots=True)
class Wye:
    """Where a branch joins another run's pipe: a wye or a tee.

    ``covariance`` (3, 3) of x, y and the invert of the pipe joined, of the whole mixture of ways
    in; ``radius_95_m`` holds the place with 95 % probability. ``station_m`` along the pipe joined;
    ``footage_m`` on the branch's own counter, None where it has no footage. ``turn_deg`` is the
    flow's turn as it joins, positive to the left; ``side`` of the pipe joined that the branch
    comes from, looking downstream. ``p_45``, ``p_90``: probability of such a fitting.
    """

    x_m: float
    y_m: float
    invert_m: float
    covariance: Array
    radius_95_m: float
    station_m: float
    station_sd_m: float
    footage_m: float | None
    turn_deg: float
    turn_sd_deg: float
    side: Literal["left", "right"]
    p_45: float
    p_90: float


@dataclass(frozen=True, slots=True)
class Branch:
    """A run that is not the trunk: its own pipe down to its wye, or a drain of its own.

    ``joins`` is the run joined, None where it joins none; ``probability`` of just that.
    ``vertices`` (k, 2) from the upstream start to the wye (or the last point); ``point_ids`` with
    ``stations_m`` and ``offsets_m`` (left positive) of the points on it; ``shared_ids`` the points
    of the run past the wye, on the pipe joined. ``vertex_sd_m`` (k,) across the pipe.
    ``profile`` at the last vertex.
    """

    id: str
    joins: str | None
    probability: float
    system: System
    toward: Toward
    vertices: Array
    vertex_sd_m: Array
    point_ids: tuple[str, ...]
    stations_m: Array
    offsets_m: Array
    shared_ids: tuple[str, ...]
    bends: tuple[Bend, ...]
    wye: Wye | None
    profile: tuple[ProfileComponent, ...]
    slope: float
    slope_sd: float
    slope_sd_ratio: float

    @property
    def length_m(self) -> float:
        """Length from the upstream start to the last vertex."""
        steps = self.vertices[1:] - self.vertices[:-1]
        return float((steps**2).sum(axis=1).__pow__(0.5).sum())


def drain_of(branch: Branch) -> Drain:
    """Return a branch's own pipe as a drain, for what is worked out of either alike."""
    along = branch.vertices[-1] - branch.vertices[-2]
    spread = float(branch.vertex_sd_m[-1]) ** 2
    return Drain(
        vertices=branch.vertices,
        point_ids=branch.point_ids,
        stations_m=branch.stations_m,
        offsets_m=branch.offsets_m,
        bends=branch.bends,
        end_angle_rad=float(np.arctan2(along[1], along[0])),
        end_covariance=np.diag([spread, spread, 0.0]),
        profile=branch.profile,
        slope=branch.slope,
        slope_sd=branch.slope_sd,
        slope_sd_ratio=branch.slope_sd_ratio,
        log_evidence_by_bends={},
    )


@dataclass(frozen=True, slots=True)
class Topology:
    """One way the runs can join: ``joins`` pairs each run with the run it joins, or None."""

    joins: tuple[tuple[str, str | None], ...]
    probability: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a sanitary and a storm run meet: joined with a probability, or passing each other."""

    runs: tuple[str, str]
    x_m: float
    y_m: float
    sd_m: float
    probability: float


@dataclass(frozen=True, slots=True)
class Branches:
    """How the runs of a site join.

    ``trunk`` is the run whose pipe the building drain is; ``trunk_ids`` are the points of other
    runs that inform it. ``topologies`` are the most probable ways, most probable first.
    """

    trunk: str
    trunk_ids: tuple[str, ...]
    branches: tuple[Branch, ...]
    topologies: tuple[Topology, ...]
    crossings: tuple[Crossing, ...]
    notices: tuple[Notice, ...] = ()
