"""What the outputs tell beyond the stages' own blocks, worked out once for all of them.

Units and frames as in :mod:`sitegis.model.results`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import shapely

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..numerics.intervals import Interval, Region, shifted
from .results import Contribution, Toward
from .site import Main, Manhole

Layer = Literal[
    "lot", "building", "main", "manhole", "locate", "drain", "exit", "route", "corridor", "pit",
    "tie", "keep-out", "branch", "wye", "spoil-setback", "planned-branch", "slab-opening",
    "other-reading", "planned-vent", "stretch", "dug",
]  # fmt: skip
EvidenceClass = Literal["exposed", "located", "inferred", "record", "measured"]
Value = str | float | int | bool | None
Entry = Literal["square", "45-degree", "angled"]
Verdict = Literal["met", "not met", "asked", "not asked", "not known", "ask"]


@dataclass(frozen=True, slots=True)
class MainComparison:
    """One main: the evidence for it, what its lateral would be, and how to rule it out.

    ``toward`` is front, rear or side. Lengths in meters are posterior means over the main's
    routes, None where no route fits: ``length_m`` from the wall to the tap, of which
    ``private_m`` inside the lot and ``public_m`` outside; ``fall_m`` over it; ``slope`` fall per
    run; ``arrival_above_main_m`` of the lateral's invert above the main's; ``cover_m`` from the
    ground to the top of the pipe at the lot line. ``opening`` says which surface a repair at
    the main would open; ``ruled_out_by`` the check that tells most about this main.
    """

    main: str
    name: str
    toward: Toward
    probability: float
    best_way: str
    speaks_for: tuple[Contribution, ...]
    speaks_against: tuple[Contribution, ...]
    length_m: float | None
    fall_m: float | None
    slope: float | None
    arrival_above_main_m: float | None
    cover_m: float | None
    private_m: float | None
    public_m: float | None
    opening: str
    ruled_out_by: str
    why_none: str


@dataclass(frozen=True, slots=True)
class ExitSpread:
    """Where the drain passes the wall, with 50, 80 and 95 %.

    ``angle`` (rad, lot) and ``place`` are highest-density sets; ``invert`` (m above the slab),
    ``depth`` (m from the outdoor ground) and ``slope`` (fall per run) are central.
    """

    angle: tuple[Interval, ...]
    place: tuple[Region, ...]
    invert: tuple[Interval, ...]
    depth: tuple[Interval, ...]
    slope: tuple[Interval, ...]


@dataclass(frozen=True, slots=True)
class TapSpread:
    """Where a lateral joins a main, given that it is this one; central 50, 80 and 95 %.

    ``probability`` that the lateral goes to this main. ``station_m`` (median) is counted along
    the main from its upstream end. ``manhole`` is the next one downstream on record, else the
    next one upstream, None where there is none. ``invert`` is that of the lateral at the main,
    before any riser or drop.
    """

    main: Main
    probability: float
    station_m: float
    place: Array
    manhole: Manhole | None
    station: tuple[Interval, ...]
    invert: tuple[Interval, ...]

    @property
    def from_manhole_m(self) -> float | None:
        """Distance along the main from the manhole to the tap, never below 0."""
        return None if self.manhole is None else abs(self.station_m - self.manhole.station_m)

    @property
    def direction(self) -> Literal["upstream", "downstream"] | None:
        """Which way from the manhole the tap lies, None where there is no manhole."""
        if self.manhole is None:
            return None
        return "upstream" if self.station_m < self.manhole.station_m else "downstream"

    @property
    def from_manhole(self) -> tuple[Interval, ...]:
        """The station's intervals counted from the manhole, in the tap's direction."""
        if self.manhole is None:
            return ()
        return shifted(self.station, -self.manhole.station_m, mirrored=self.direction == "upstream")


@dataclass(frozen=True, slots=True)
class Flow:
    """Flow in a pipe: velocity, flow, and depth of water as a share of the diameter."""

    velocity_m_s: float
    flow_m3_s: float
    depth_ratio: float


@dataclass(frozen=True, slots=True)
class Sag:
    """Water stands between two marks: ``rise_m`` is how much the later invert lies above."""

    low_point: str
    high_point: str
    rise_m: float
    sd_m: float


@dataclass(frozen=True, slots=True)
class ProfileCheck:
    """The building drain's fall against the rule set, its flow, and where water may stand.

    ``p_meets_least`` is the posterior probability that the slope is at least the rule's.
    """

    diameter_m: float
    slope: float
    slope_sd: float
    least_slope: float
    section: str
    p_meets_least: float
    full: Flow
    design: Flow
    sags: tuple[Sag, ...]
    statements: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CodeCheck:
    """What a code asks of a branch: a stable ``code``, its ``name``, and ``words`` with the number.

    ``verdict``: ``asked`` or ``not asked`` of a thing that must be built; ``ask`` the authority
    where the number is from memory or the words leave it open.
    """

    code: str
    name: str
    verdict: Verdict
    words: str
    section: str


@dataclass(frozen=True, slots=True)
class PipeLoad:
    """What a stretch of pipe carries: ``from_m`` to ``to_m`` along a ``run`` (empty: the drain).

    ``carries`` names the branches that entered above it, ``unlisted`` the runs without a list of
    their existing fixtures; ``units`` are drainage fixture units of all ``fixtures``. The
    diameter is None where nobody gave it.
    """

    run: str
    from_m: float
    to_m: float
    carries: tuple[str, ...]
    fixtures: tuple[str, ...]
    unlisted: tuple[str, ...]
    units: float
    diameter_m: float | None
    slope: float
    checks: tuple[CodeCheck, ...] = ()


@dataclass(frozen=True, slots=True)
class TieIn:
    """A branch from a planned fixture to the drain.

    ``path`` (k, 2) runs from the fixture to the wye at ``station_m`` along the drain. ``slope``
    is the rule set's least for the branch. ``needed_fall_m`` at that slope is held against
    ``available_fall_m`` ± ``available_fall_sd_m``; ``p_gravity`` is the probability that it
    drains by itself. ``joins`` is the run whose branch it joins, empty for the building drain.
    ``checks`` hold it against the plumbing code. ``vent`` (2, 2) is the straight line from the
    fixture to its vent where one is planned. ``opening`` (n, 2) is cut from
    the slab; volumes are in the ground.
    """

    fixture: str
    name: str
    path: Array
    entry: Entry
    station_m: float
    x_m: float
    y_m: float
    diameter_m: float
    length_m: float
    slope: float
    slope_section: str
    needed_fall_m: float
    available_fall_m: float
    available_fall_sd_m: float
    p_gravity: float
    verdict: str
    opening: Array
    concrete_m2: float
    concrete_m3: float
    soil_m3: float
    cautions: tuple[str, ...]
    checks: tuple[CodeCheck, ...] = ()
    joins: str = ""
    vent: Array | None = None
    size_governed_by: str = ""


@dataclass(frozen=True, slots=True)
class Excavation:
    """Quantities of one pit, and what must be done about its depth.

    ``vertical_m3`` between shored or shielded sides (the planned pit), ``sloped_m3`` with sides
    sloped by the rule set instead (None where the depth asks for an engineer), with the
    opening at the ground ``sloped_ring`` (4, 2), which may not fit (``sloped_fits``).
    ``shielded_m3`` has the rule set's lowest part vertical in a shield and is sloped above it.
    ``spoil_m3``, ``sloped_spoil_m3`` and ``shielded_spoil_m3`` are the loose (bulked) heaps;
    ``spoil_ring`` (4, 2) is the line that of the vertical pit stays behind.
    ``statements`` are sentences for the crew.
    """

    rank: int
    soil: str
    depth_m: float
    vertical_m3: float
    sloped_m3: float | None
    sloped_ring: Array | None
    sloped_fits: bool
    spoil_m3: float
    spoil_ring: Array
    backfill_m3: float
    statements: tuple[str, ...]
    sloped_spoil_m3: float | None = None
    shielded_m3: float | None = None
    shielded_spoil_m3: float | None = None


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing to show. ``geometry`` is a shapely geometry in lot coordinates (meters).

    ``evidence_class`` says how well its place is known: seen (``exposed``), found by the
    locator (``located``), computed (``inferred``), taken from a record (``record``), or taped
    and no part of the sewer (``measured``).
    """

    layer: Layer
    evidence_class: EvidenceClass
    geometry: shapely.Geometry
    properties: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Profile:
    """The section along the drain and its most probable route, (k,) each, stations from the exit.

    Stations are negative under the house. ``surface_m`` is the floor indoors, the ground
    outdoors, ``surface_sd_m`` how well it is known (0 indoors: the slab is the datum).
    ``low_m, high_m`` hold the invert with 90 %, whatever the ground; ``shallow_m, deep_m`` the
    depth below the surface, with the ground's error. ``marks`` (j, 2): station and invert of
    the locate points. ``seen``: name, station and invert of each place outdoors where the pipe was
    seen and its depth measured. ``main_invert_m`` at the last station, None without a route.
    """

    stations_m: Array
    xy: Array
    surface_m: Array
    surface_sd_m: Array
    invert_m: Array
    low_m: Array
    high_m: Array
    shallow_m: Array
    deep_m: Array
    marks: Array
    seen: tuple[tuple[str, float, float], ...]
    main_id: str
    main_invert_m: float | None
    main_diameter_m: float


@dataclass(frozen=True, slots=True)
class Derived:
    """The block that stage ``write`` reads: see :func:`sitegis.write.derive.find`.

    ``mains`` side by side, the ``exit`` and the ``taps`` (one a main, the most probable first)
    with their intervals, the drain's ``profile`` check, ``tie_ins``, the pits' ``excavations``,
    all ``features`` to show, and the long ``section``. ``branch_profiles`` are the checks of the
    branches' own falls, by run; ``loads`` what every stretch of pipe carries.
    """

    mains: tuple[MainComparison, ...]
    exit: ExitSpread
    taps: tuple[TapSpread, ...]
    profile: ProfileCheck
    tie_ins: tuple[TieIn, ...]
    excavations: tuple[Excavation, ...]
    features: tuple[Feature, ...]
    section: Profile
    branch_profiles: tuple[tuple[str, ProfileCheck], ...] = ()
    loads: tuple[PipeLoad, ...] = ()
