"""What the stages from ``place`` to ``score`` add: frozen records, one block per stage.

What stage ``dig`` adds stands in :mod:`sitegis.model.dig_plan`.

Units and frames as in :mod:`sitegis.model.site`: meters, lot coordinates, lot angles in radians
counter-clockwise from lot x, elevations above the slab. ``n`` points, ``m`` route samples.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..finds.records import FindJudgment
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..messages.errors import Notice
from ..numerics.noise_scale import NoiseScale
from .site import PointKind, Side

Integers = NDArray[np.int64]

Way = Literal["direct", "side-yard", "unlisted"]
Toward = Literal["front", "rear", "side"]

# ---------------------------------------------------------------------------------- place


@dataclass(frozen=True, slots=True)
class AdjustedObservation:
    """One observation after the adjustment.

    ``w`` is the normalized residual, ``redundancy`` lies in [0, 1], ``detectable_m`` is the
    minimal detectable blunder (inf where redundancy is 0), ``inseparable`` names the
    observations whose blunder is inseparable from this one's.
    """

    name: str
    value_m: float
    sd_m: float
    residual_m: float
    redundancy: float
    w: float
    detectable_m: float
    inseparable: tuple[str, ...] = ()
    removed: bool = False
    proposal: str = ""


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The network adjustment: ``chi_square`` on ``degrees_of_freedom``, before any removal too."""

    observations: tuple[AdjustedObservation, ...]
    chi_square: float
    degrees_of_freedom: int
    chi_square_before: float
    iterations: int
    mirror_points: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlacedPoint:
    """A point in lot coordinates.

    ``sd_major_m, sd_minor_m, major_angle_rad`` are the standard ellipse (one sigma) of the
    pipe's place for what the locator found, of the mark for what was measured directly.
    ``depth_m`` is the surface-to-head depth after the lift and null-spacing checks;
    ``depth_sd_m`` its repeatability without the session's common part.
    """

    id: str
    kind: PointKind
    room: str
    x_m: float
    y_m: float
    sd_major_m: float
    sd_minor_m: float
    major_angle_rad: float
    surface_elevation_m: float
    depth_m: float | None
    depth_sd_m: float
    footage_m: float | None
    surface: str
    row: int
    heading_rad: float | None = None
    distorted: bool = False

    @property
    def indoors(self) -> bool:
        """Whether the point was found inside the building."""
        return self.room != "lot"


@dataclass(frozen=True, slots=True)
class Placement:
    """All points placed in the lot.

    ``covariance_m2`` (2n, 2n), order x0, y0, x1, y1, …: tape, building position and (for
    ``locate`` and ``bend``) the locator with the session's common shift.
    ``mark_covariance_m2`` is the same without the locator. ``tape`` is the scale of the tape's
    noise as learned from the network; ``locator_square`` what the locator's variance was
    multiplied by once the drain told how well the head is found.
    ``room_outlines`` are the rooms with known size as (4, 2) lot polygons.
    """

    points: tuple[PlacedPoint, ...]
    covariance_m2: Array
    mark_covariance_m2: Array
    adjustment: Adjustment
    room_outlines: Mapping[str, Array]
    notices: tuple[Notice, ...] = ()
    tape: NoiseScale | None = None
    locator_square: float = 1.0

    def index(self, point_id: str) -> int:
        """Return the place of a point in ``points``; KeyError where there is none."""
        for i, point in enumerate(self.points):
            if point.id == point_id:
                return i
        raise KeyError(point_id)


# ----------------------------------------------------------------------------------- line


@dataclass(frozen=True, slots=True)
class Bend:
    """A fitted bend: ``angle_deg`` positive to the left as one looks downstream."""

    station_m: float
    angle_deg: float
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True)
class ProfileComponent:
    """One Gaussian of the profile's posterior: invert at a reference station, and slope.

    ``mean`` (2,) = invert_m, slope (fall per run, positive downstream); ``covariance`` (2, 2).
    """

    weight: float
    mean: Array
    covariance: Array


@dataclass(frozen=True, slots=True)
class LineEnd:
    """One Gaussian of where the drain passes its last located point, and which way it goes on.

    ``mean`` (3,) of x, y, angle with ``covariance`` (3, 3); ``bends`` counts the bends upstream.
    ``marks_after`` counts the marks after the last of them, 2 for two or more and for no bend.
    """

    weight: float
    mean: Array
    covariance: Array
    bends: int
    marks_after: int = 2


@dataclass(frozen=True, slots=True)
class Drain:
    """The building drain as fitted under the slab.

    ``vertices`` (k, 2) from the upstream start through the bends to the last located point.
    ``point_ids`` with ``stations_m`` (meters along the line from its start) and
    ``offsets_m`` (left positive) are the points used. ``end_angle_rad`` is the lot angle of the
    last straight; ``end_covariance`` (3, 3) of x, y, angle at the last vertex.
    ``profile`` is at the last vertex. ``slope_sd_ratio`` = posterior / prior standard deviation
    of the slope: near 1 the data say nothing. ``ends`` is the whole distribution of the end as a
    mixture (empty: the one Gaussian of ``end_angle_rad`` and ``end_covariance``). ``noise`` are
    the scales of the crew's noise, in plan and in depth, as learned from these marks.
    """

    vertices: Array
    point_ids: tuple[str, ...]
    stations_m: Array
    offsets_m: Array
    bends: tuple[Bend, ...]
    end_angle_rad: float
    end_covariance: Array
    profile: tuple[ProfileComponent, ...]
    slope: float
    slope_sd: float
    slope_sd_ratio: float
    log_evidence_by_bends: Mapping[int, float]
    notices: tuple[Notice, ...] = ()
    ends: tuple[LineEnd, ...] = ()
    noise: tuple[NoiseScale, ...] = ()

    @property
    def length_m(self) -> float:
        """Length from the upstream start to the last located point."""
        steps = self.vertices[1:] - self.vertices[:-1]
        return float((steps**2).sum(axis=1).__pow__(0.5).sum())

    @property
    def invert_at_end_m(self) -> float:
        """Posterior mean of the invert at the last vertex."""
        return float(sum(c.weight * c.mean[0] for c in self.profile))


# ----------------------------------------------------------------------------------- exit


@dataclass(frozen=True, slots=True)
class ExitComponent:
    """One Gaussian of the exit: the drain goes straight on, or bends on its way to the wall.

    ``turn_deg`` is the bend between the last located point and the wall, positive to the left, 0
    where there is none. ``covariance`` (3, 3) of x, y, angle; ``profile`` at this exit;
    ``unseen_m`` the length from the last located point to the wall along this way. The weights
    of an exit's components sum to 1. ``marks_after`` counts the marks after the last bend: 0
    where it lies past the last located point, 2 for two or more and where there is no bend.
    """

    weight: float
    turn_deg: float
    x_m: float
    y_m: float
    angle_rad: float
    side: Side
    wall_index: int
    covariance: Array
    profile: tuple[ProfileComponent, ...]
    unseen_m: float
    marks_after: int = 2


@dataclass(frozen=True, slots=True)
class Exit:
    """Where the drain passes the outside face of the wall.

    The distribution is the mixture of ``components``, most probable first; the pose, wall and
    ``unseen_m`` stated here are those of the first. ``covariance`` (3, 3) of x, y, angle is the
    second moment about that pose over all components through the same wall. ``profile`` is at
    the exit (invert, slope). ``depth_m`` is from the outdoor ground to the invert.
    ``bend_share`` is the probability of a bend between the last located point and the wall.
    ``log_practice`` is the log of how well the exit, before the practice of leaving square was
    weighed in, suits that practice: part of the evidence of every route. Without components
    (made by hand) the pose is one Gaussian.
    """

    x_m: float
    y_m: float
    angle_rad: float
    side: Side
    wall_index: int
    covariance: Array
    profile: tuple[ProfileComponent, ...]
    invert_m: float
    invert_sd_m: float
    slope: float
    slope_sd: float
    slope_sd_ratio: float
    depth_m: float
    depth_sd_m: float
    unseen_m: float
    notices: tuple[Notice, ...] = ()
    bend_share: float = 0.0
    components: tuple[ExitComponent, ...] = ()
    log_practice: float = 0.0

    @property
    def mixture(self) -> tuple[ExitComponent, ...]:
        """The components, or the one Gaussian where there are none."""
        return self.components or (
            ExitComponent(
                weight=1.0,
                turn_deg=0.0,
                x_m=self.x_m,
                y_m=self.y_m,
                angle_rad=self.angle_rad,
                side=self.side,
                wall_index=self.wall_index,
                covariance=self.covariance,
                profile=self.profile,
                unseen_m=self.unseen_m,
            ),
        )


# --------------------------------------------------------------------------------- routes


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way the lateral may run. ``id`` such as ``front-main:direct`` or ``unlisted``.

    ``yard_side`` is the side of the house a side-yard run takes. ``prior`` sums to 1 over all
    hypotheses of a site.
    """

    id: str
    main: str | None
    way: Way
    toward: Toward | None
    yard_side: Side | None
    prior: float


@dataclass(frozen=True, slots=True)
class Routes:
    """Weighted samples of complete routes of one hypothesis, feasible ones only.

    ``vertices`` (m, v, 2): exit, bends, tap; a route shorter than v repeats its tap.
    ``inverts_m`` (m, v): invert of the lateral at each vertex, before any riser at the main.
    ``lengths_m`` (m,) exit to tap. ``arrivals_m`` (m,): lateral invert above the main's invert
    at the tap. ``tap_stations_m`` (m,) along the main. ``log_prior`` (m,): log of (prior density
    / proposal density) times the soft priors and constraints. ``log_likelihoods``: per item of
    route-dependent evidence, (m,). ``drawn`` is the number of samples
    drawn, feasible or not, so that ln Z = logsumexp(log_prior + Σ log_likelihoods) − ln(drawn).
    ``why_none`` tells in words why nothing fits, where nothing does. ``components`` (m,) are
    indices into the exit's mixture and ``drain_slopes`` (m,) the drain's slopes at it, empty where
    not drawn. ``unlisted`` has first straights in place of routes, and no arrivals and taps
    (:func:`sitegis.routes.unlisted.unlisted_routes`).
    """

    hypothesis: Hypothesis
    vertices: Array
    inverts_m: Array
    lengths_m: Array
    arrivals_m: Array
    tap_stations_m: Array
    log_prior: Array
    log_likelihoods: Mapping[str, Array]
    drawn: int
    why_none: str = ""
    components: Integers = field(default_factory=lambda: np.zeros(0, np.int64))
    drain_slopes: Array = field(default_factory=lambda: np.zeros(0))


# ---------------------------------------------------------------------------------- score


@dataclass(frozen=True, slots=True)
class Contribution:
    """How much one item of evidence supports a hypothesis: bits, leave-one-out."""

    item: str
    kind: str
    bits: float
    words: str


@dataclass(frozen=True, slots=True)
class ScoredHypothesis:
    """A hypothesis with its posterior. ``weights`` (m,) over its route samples sum to 1.

    ``best`` is the index of its most probable route, None where there is no route. ``pareto_k``
    is the shape of the tail of its importance weights: above 0.7 they are not to be trusted.
    """

    hypothesis: Hypothesis
    probability: float
    log_evidence: float
    log_evidence_se: float
    effective_samples: float
    contributions: tuple[Contribution, ...]
    weights: Array
    best: int | None
    pareto_k: float = float("nan")


@dataclass(frozen=True, slots=True)
class NextCheck:
    """A check that could be made next: expected gain, saving, and what each outcome means.

    ``outcome_table`` rows: outcome in words, its probability, what to do then. ``is_dig`` marks
    the check that is itself a test pit.
    """

    check: str
    gain_bits: float
    saving: float
    cost: float
    outcome_table: tuple[tuple[str, float, str], ...]
    is_dig: bool = False


@dataclass(frozen=True, slots=True)
class Scores:
    """The posterior over the hypotheses, most probable first, and what findings are taken for."""

    hypotheses: tuple[ScoredHypothesis, ...]
    next_checks: tuple[NextCheck, ...]
    assumptions: tuple[str, ...]
    notices: tuple[Notice, ...] = ()
    telling: Mapping[str, str] = field(default_factory=dict)
    """By main, the check that tells most about whether it is the one."""
    finds: tuple[FindJudgment, ...] = ()
