"""The input as frozen records: what stage ``read`` makes of a site folder.

All lengths are meters, angles in the lot frame are radians counter-clockwise from lot x,
azimuths are degrees clockwise from grid north, elevations are meters above the basement slab
(the site datum: slab = 0). Coordinates are lot coordinates unless a field says otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import Annotated, ClassVar, Literal, get_args

import numpy as np
from pydantic import ConfigDict, Field

from ..geometry import polyline
from ..geometry.frames import Array, LotFrame
from ..late_dataclass import dataclass
from ..messages.errors import Notice
from ..numerics.ordering import MATTERS_M, largest
from .fields import RECORD, Date, Depth, Extent, Length, Name, Point, Share, Text, Weight
from .revisions import Revision

Side = Literal["front", "right", "rear", "left"]
SIDES: tuple[Side, ...] = ("front", "right", "rear", "left")
PointKind = Literal["stack", "cleanout", "locate", "bend", "floor-drain", "branch", "wall"]
POINT_KINDS: tuple[PointKind, ...] = get_args(PointKind)
System = Literal["sanitary", "storm", "combined", "unknown"]
Toward = Literal["downstream", "upstream"]
Stopped = Literal["blockage", "end-of-cable", "main", "other"]
Seen = Literal[
    "connection", "bend", "start", "end", "material", "repair", "crack", "break",
    "displaced-joint", "intruding-connection", "roots", "deposits", "soil", "obstacle",
    "infiltration", "water-level", "other",
]  # fmt: skip
ClockHour = Annotated[int, Field(ge=1, le=12)]
CORNER_SIDES: Mapping[str, tuple[Side, Side]] = {
    "front-left": ("left", "front"),
    "front-right": ("front", "right"),
    "rear-right": ("right", "rear"),
    "rear-left": ("rear", "left"),
}
_OUTWARD: Mapping[str, tuple[float, float]] = {
    "front-left": (-1.0, -1.0),
    "front-right": (1.0, -1.0),
    "rear-right": (1.0, 1.0),
    "rear-left": (-1.0, 1.0),
}


@dataclass(frozen=True, slots=True)
class Noise:
    """``[noise]``: standard deviations of what is measured. Judgment; all can be overridden.

    The locator's repeatability is ``max(floor, share × depth)``; a session shares one depth
    scale error and one horizontal shift; tails are Student-t with ``degrees_of_freedom``, which
    has a variance only above 2.
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    tape_floor_m: Extent = 0.01
    tape_share: Share = 0.001
    horizontal_floor_m: Extent = 0.10
    horizontal_share: Share = 0.05
    depth_floor_m: Extent = 0.05
    depth_share: Share = 0.05
    session_depth_scale: Share = 0.05
    session_horizontal_m: Annotated[Length, Field(ge=0)] = 0.05
    degrees_of_freedom: Annotated[float, Field(gt=2, le=1000)] = 4.0
    footage_share: Share = 0.02
    footage_floor_m: Extent = 0.10

    def tape_sd_m(self, length_m: float) -> float:
        """Return the standard deviation of a taped length: floor + share × length."""
        return self.tape_floor_m + self.tape_share * abs(length_m)

    def horizontal_sd_m(self, depth_m: float) -> float:
        """Return the locator's horizontal repeatability: max(floor, share × depth)."""
        return max(self.horizontal_floor_m, self.horizontal_share * abs(depth_m))

    def depth_sd_m(self, depth_m: float) -> float:
        """Return the locator's depth repeatability: max(floor, share × depth)."""
        return max(self.depth_floor_m, self.depth_share * abs(depth_m))

    def located_sd_m(self, depth_m: float) -> float:
        """Return the horizontal sd of one place found with the locator, the session's shift in."""
        return math.hypot(self.horizontal_sd_m(depth_m), self.session_horizontal_m)


@dataclass(frozen=True, slots=True)
class Priors:
    """``[prior]``: relative weights of the ways a lateral may run. Common practice, no source.

    ``None`` means the default of stage ``routes`` (which depends on year and mains on record).
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    front: Weight | None = None
    rear: Weight | None = None
    alley: Weight | None = None
    side: Weight | None = None
    side_yard: Weight | None = None
    unlisted: Weight | None = None


@dataclass(frozen=True, slots=True)
class RecordTexts:
    """``[record]``: what the lateral record states and nothing is computed from.

    An empty text is printed as a ruled line, to be filled in by hand. ``ticket_valid_until`` is
    the one-call ticket's last day; ``test_result`` is of the test or inspection; ``photos`` and
    ``video`` say where they are kept.
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    address: Text = ""
    parcel: Text = ""
    legal_description: Text = ""
    owner: Text = ""
    permit: Text = ""
    ticket: Text = ""
    contractor: Text = ""
    license: Text = ""
    sewer_type: Literal["sanitary", "storm", "combined"] | None = None
    test_result: Text = ""
    photos: Text = ""
    video: Text = ""
    ticket_valid_until: Date | None = None


FixtureKind = Literal[
    "water-closet", "shower", "lavatory", "floor-drain", "laundry", "kitchen", "bathroom"
]
FIXTURE_SETS: Mapping[str, tuple[str, ...]] = {"bathroom": ("water-closet", "lavatory", "shower")}
"""What a set is made of; a shower stands for a bathtub too, which loads a drain as much."""


def single_fixtures(kinds: Iterable[str]) -> tuple[str, ...]:
    """Return kinds of fixtures with the sets among them taken apart.

    >>> single_fixtures(["kitchen", "bathroom"])
    ('kitchen', 'water-closet', 'lavatory', 'shower')
    """
    return tuple(one for kind in kinds for one in FIXTURE_SETS.get(kind, (kind,)))


Paper = Literal["letter", "a4", "tabloid", "a3"]
SiteLanguage = Literal["en", "es", "fr"]


@dataclass(frozen=True, slots=True)
class DigSettings:
    """Cost model and pit rules. Judgment, not sourced; all can be overridden.

    Costs are in ``currency``; ``surface_per_m2`` restores what is cut; ``tolerance_m`` is the
    tolerance zone about marked utilities (24 in by default); ``vacuum_hole`` is the price of one
    vacuum test hole without restoration. A cut in the slab down to the drain costs ``slab_setup``
    and ``slab_per_m2``: sawing, breaking out, soil by hand, concrete again.
    ``hand_lift_m`` is how high soil is thrown where pits are dug by hand, as they are unless the
    user says a machine lifts it (None): 5 ft, common practice, no source. ``owner_guess`` is the
    main that the owner takes the lateral to join: it weighs nothing, and tells only what the
    marks were worth.
    """

    pit_length_m: float = 1.2
    pit_width_m: float = 0.9
    cell_m: float = 0.25
    tolerance_m: float = 0.6096
    building_setback_m: float = 0.6
    max_depth_m: float = 4.5
    soil_type: str | None = None
    owner_guess: str = ""
    currency: str = "USD"
    setup: float = 450.0
    per_m3: float = 110.0
    per_m3_protected: float = 190.0
    vacuum_hole: float = 350.0
    slab_setup: float = 300.0
    slab_per_m2: float = 450.0
    hand_lift_m: float | None = 1.524
    surface_per_m2: Mapping[str, float] = field(
        default_factory=lambda: {
            "lawn": 15.0,
            "soil": 10.0,
            "gravel": 25.0,
            "concrete": 140.0,
            "asphalt": 110.0,
        }
    )


@dataclass(frozen=True, slots=True)
class Lot:
    """The lot: closed polygon counter-clockwise from the front-left corner, (n, 2), unclosed.

    ``sides[i]`` names the edge from vertex i to vertex i + 1. ``closure_m`` and
    ``closure_ratio`` are of the calls before adjustment (None where there were none; the
    ratio is perimeter / closure). ``corner_sd_m`` is the standard deviation of a corner.
    ``seen_twice`` where two inputs say where on earth the lot lies; ``told_at`` are the longitude
    and latitude (degrees) that were written beside a layer.
    """

    vertices: Array
    sides: tuple[Side, ...]
    area_m2: float
    corner_sd_m: float
    closure_m: float | None = None
    closure_ratio: float | None = None
    source: str = "record"
    seen_twice: bool = False
    told_at: tuple[float, float] | None = None

    def edge(self, side: Side) -> Array:
        """Return the longest edge on a side as (2, 2), in the order of the polygon.

        Raises ``KeyError`` where no edge is on that side.
        """
        outline = polyline.closed(self.vertices)
        indices = [i for i, name in enumerate(self.sides) if name == side]
        if not indices:
            raise KeyError(side)
        lengths = polyline.segment_lengths(outline)[indices]
        chosen = indices[largest(lengths, MATTERS_M)]
        return outline[chosen : chosen + 2]


@dataclass(frozen=True, slots=True)
class Building:
    """The building: outside outline, counter-clockwise from its front-left corner, in the lot.

    The building frame has its origin at ``vertices[0]`` and x at ``angle_rad`` from lot x.
    ``position_sd_m`` and ``angle_sd_rad`` tell how well the building is placed on the lot as a
    whole; ``outline_sd_m`` how well one corner is known against the others.
    ``sides[i]`` names the wall from vertex i to vertex i + 1.
    """

    vertices: Array
    sides: tuple[Side, ...]
    angle_rad: float
    position_sd_m: float
    angle_sd_rad: float
    outline_sd_m: float
    wall_thickness_m: float
    source: str = "record"


@dataclass(frozen=True, slots=True)
class Room:
    """A basement room. Pose in the building frame where known, else None.

    ``x_toward_rad`` is the angle of room x from building x, counter-clockwise; room y is 90°
    counter-clockwise of room x. ``size_m`` is the extent along x and y.
    """

    id: str
    name: str
    origin_m: tuple[float, float] | None
    origin_sd_m: float
    x_toward_rad: float | None
    x_toward_sd_rad: float
    size_m: tuple[float, float] | None
    floor_elevation_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Locate:
    """One row of ``locates.csv``: room coordinates (or lot coordinates where room is ``lot``).

    ``depth_m`` is from the surface to the head; ``heading_rad`` is the direction of the head's
    axis, counter-clockwise from room x; ``row`` is the line of the table. Every other field is a
    column of the table, in this order, under its name without the unit. ``run`` names the push
    of the cable that found it, empty where it belongs to none or to the only one.
    """

    id: str
    kind: PointKind
    room: str
    x_m: Length
    y_m: Length
    depth_m: Depth | None
    footage_m: Length | None
    heading_rad: float | None
    depth_lifted_m: Depth | None
    lift_m: Depth | None
    null_spacing_m: Depth | None
    surface: str
    note: str
    row: int
    run: str = ""


@dataclass(frozen=True, slots=True)
class WyeSeen:
    """Where a run was seen to join: another run or a point, from which side, at what footage.

    ``side`` is the side of the pipe joined from which this one comes in, looking downstream.
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    run: Name | None = None
    point: Name | None = None
    footage_m: Annotated[Length, Field(ge=0)] | None = None
    side: Literal["left", "right"] | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """``[[run]]``: one push of the cable, with a zero of its own at ``access``.

    ``toward`` "upstream" is a push inwards, against the flow. ``stopped_at_m`` is the footage
    where it stopped, ``stopped`` why; ``existing_fixtures`` drain into it today. ``diameter_m``
    is inside, None where not given.
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    id: Name
    access: Name
    toward: Toward = "downstream"
    joins: WyeSeen | None = None
    stopped: Stopped | None = None
    stopped_at_m: Annotated[Length, Field(ge=0)] | None = None
    system: System = "unknown"
    existing_fixtures: tuple[FixtureKind, ...] = ()
    diameter_m: Extent | None = None


@dataclass(frozen=True, slots=True)
class Observation:
    """``[[observation]]``: what the camera saw on a run, at a footage, or from one to another.

    ``clock_from`` and ``clock_to`` are whole hours looking the way the camera goes, 12 at the
    top; ``amount`` is as written (a size, a share of the section).
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    run: Name = field(default="", kw_only=True)
    footage_m: Annotated[Length, Field(ge=0)]
    footage_to_m: Annotated[Length, Field(ge=0)] | None = field(default=None, kw_only=True)
    seen: Seen
    clock_from: ClockHour | None = None
    clock_to: ClockHour | None = None
    amount: Text = ""
    photo: Text = ""
    video_time: Text = ""
    note: Text = ""


@dataclass(frozen=True, slots=True)
class Tie:
    """A taped distance between two named points.

    A name is a point's id, ``building:front-left`` (and so on, an outside building corner),
    ``lot:front-left`` (a lot corner) or ``ROOM:origin``.
    """

    from_name: str
    to_name: str
    distance_m: float
    sd_m: float
    row: int


@dataclass(frozen=True, slots=True)
class WallContact:
    """A point that lies on the inside face of an outside wall."""

    point: str
    side: Side
    thickness_m: float
    sd_m: float


@dataclass(frozen=True, slots=True)
class Street:
    """A street or alley along one side of the lot; ``row`` is its right-of-way polygon (n, 2)."""

    name: str
    side: Side
    kind: Literal["street", "alley"]
    row_width_m: float
    row: Array
    surface: str
    ground_elevation_m: float
    ground_elevation_sd_m: float


@dataclass(frozen=True, slots=True)
class Manhole:
    """A manhole on a main: lot coordinates, station along it, invert and rim (cover) if known."""

    id: str
    x_m: float
    y_m: float
    station_m: float
    invert_m: float | None
    rim_m: float | None = None


@dataclass(frozen=True, slots=True)
class Main:
    """A public sewer. ``line`` (n, 2) runs with the flow; ``inverts_m`` (n,) at its vertices.

    Stations are meters along ``line`` from its first vertex. ``invert_known`` is False where
    the invert is a default rather than a record (its sd is then large), ``diameter_known``
    where the diameter is. ``system`` is what it carries on record. ``drawn`` where a layer gave it.
    """

    id: str
    street: str
    side: Side
    kind: Literal["street", "alley"]
    line: Array
    inverts_m: Array
    invert_sd_m: float
    invert_known: bool
    diameter_m: float
    manholes: tuple[Manhole, ...]
    tap_stations_m: tuple[float, ...]
    line_sd_m: float = 0.3
    diameter_known: bool = True
    system: System = "unknown"
    drawn: bool = False


@dataclass(frozen=True, slots=True)
class PlannedFixture:
    """``[[fixture]]``: a fixture, or a set, that a renovation would add, and its vent in its room.

    ``vent_distance_m`` is along the pipe from its trap to the vent.
    """

    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    id: Name
    name: Text = field(default="", kw_only=True)
    kind: FixtureKind
    room: Name
    x_m: Length
    y_m: Length
    vent_distance_m: Annotated[Length, Field(ge=0)] | None = None
    vent_m: Point | None = None

    @property
    def kinds(self) -> tuple[str, ...]:
        """The single fixtures that it is."""
        return single_fixtures((self.kind,))


@dataclass(frozen=True, slots=True)
class KeepOut:
    """Another utility, a tree or the like: ``points`` (n, 2), a line, a ring or one point."""

    id: str
    kind: str
    points: Array
    clearance_m: float
    note: str
    is_area: bool = False


@dataclass(frozen=True, slots=True)
class Easement:
    """An area (n, 2) outside the lot in which a lateral may run."""

    id: str
    ring: Array


class Evidence:
    """An item of evidence about which main the lateral joins; the package ``evidence`` has each."""

    __slots__ = ()
    __pydantic_config__: ClassVar[ConfigDict] = RECORD
    kind: str


@dataclass(frozen=True, slots=True)
class Ground:
    """Known ground elevations (above slab): spots (n, 2), elevations (n,), sds (n,).

    ``assumed`` is True where nothing was measured and the default depth of a basement is used.
    """

    spots: Array
    elevations_m: Array
    sds_m: Array
    assumed: bool

    def elevation_m(self, xy: Array) -> Array:
        """Interpolate (..., 2) by inverse squared distance between the spots (…,)."""
        weight = self._weights(xy)
        return np.asarray((weight @ self.elevations_m) / weight.sum(axis=-1))

    def shares(self, xy: Array) -> Array:
        """Return what each spot (..., k) counts for at places (..., 2), 1 in all."""
        weight = self._weights(xy)
        return np.asarray(weight / weight.sum(axis=-1, keepdims=True))

    def _weights(self, xy: Array) -> Array:
        """Return inverse squared distances (..., k) to the spots."""
        # coordinate by coordinate: numpy is slow along an axis of two
        here = np.asarray(xy, float)[..., None]
        x, y = here[..., 0, :] - self.spots[:, 0], here[..., 1, :] - self.spots[:, 1]
        return np.asarray(1.0 / (x**2 + y**2 + 1e-6))


@dataclass(frozen=True, slots=True)
class Site:
    """Everything that was read from one site folder.

    ``poles_m`` is how far apart the sonde's poles stand in the drain, 0 for a point.
    """

    name: str
    units: Literal["ft", "in", "m", "mm"]
    depth_units: Literal["ft", "in", "m", "mm"]
    rule_set: str
    frame: LotFrame
    lot: Lot
    building: Building
    rooms: tuple[Room, ...]
    locates: tuple[Locate, ...]
    ties: tuple[Tie, ...]
    wall_contacts: tuple[WallContact, ...]
    streets: tuple[Street, ...]
    mains: tuple[Main, ...]
    evidence: tuple[Evidence, ...]
    fixtures: tuple[PlannedFixture, ...]
    keep_outs: tuple[KeepOut, ...]
    easements: tuple[Easement, ...]
    ground: Ground
    noise: Noise
    priors: Priors
    dig: DigSettings
    notices: tuple[Notice, ...] = ()
    seed: int = 1
    year_built: int | None = None
    head_above_invert_m: float = 0.025
    drain_diameter_m: float = 0.1016
    drain_diameter_known: bool = True
    slab_elevation_m: float | None = None
    elevation_above_sea_m: float | None = None
    vertical_datum: str = ""
    coordinate_epoch: float | None = None
    paper: Paper | None = None
    language: SiteLanguage = "en"
    record: RecordTexts = RecordTexts()
    surveyed_by: str = ""
    surveyed_on: str = ""
    receiver: str = ""
    sonde: str = ""
    drain_material: str = ""
    existing_fixtures: tuple[FixtureKind, ...] = ()
    poles_m: float = 0.0
    runs: tuple[Run, ...] = ()
    observations: tuple[Observation, ...] = ()
    revisions: tuple[Revision, ...] = ()

    @property
    def datum_known(self) -> bool:
        """Whether the slab's elevation in the mains' datum was given."""
        return self.slab_elevation_m is not None


def drain_system(site: Site) -> System:
    """Return what the building drain carries: from its runs, else from the record.

    Where one run carries sewage the building drain does: a storm run beside it is a drain apart.
    """
    known: tuple[System, ...] = tuple(run.system for run in site.runs)
    for system in ("sanitary", "combined", "storm"):
        if system in known:
            return system
    return site.record.sewer_type or "unknown"


def closed_mains(site: Site) -> frozenset[str]:
    """Return the ids of the mains that the drain cannot join: storm mains, where it is sanitary.

    A combined main takes either.
    """
    if drain_system(site) != "sanitary":
        return frozenset()
    return frozenset(main.id for main in site.mains if main.system == "storm")


def indoor_marks(site: Site) -> frozenset[str]:
    """Return the ids of the points measured indoors."""
    return frozenset(row.id for row in site.locates if row.room != "lot")


def without_marks(site: Site, marks: frozenset[str]) -> Site:
    """Return the site as if some points had never been measured: no row, tie or wall names them.

    Parameters
    ----------
    site
        The site as read.
    marks
        Ids of the points left out.

    Returns
    -------
    Site
        The site without them.
    """
    return replace(
        site,
        locates=tuple(row for row in site.locates if row.id not in marks),
        ties=tuple(tie for tie in site.ties if not {tie.from_name, tie.to_name} & marks),
        wall_contacts=tuple(one for one in site.wall_contacts if one.point not in marks),
    )


def corner_index(vertices: Array, sides: tuple[Side, ...], name: str) -> int:
    """Find the vertex of (n, 2) that a corner's name means; ``KeyError`` for another name.

    Among the vertices where the two named sides meet (or all, where they never do), the one
    farthest out in the corner's direction; of equals (1 mm) the first.

    Parameters
    ----------
    vertices
        Outline (n, 2), m.
    sides
        Side of each edge (n,).
    name
        Name of a corner, as ``front-left``.

    Returns
    -------
    int
        Index of the vertex.

    Raises
    ------
    KeyError
        No corner has that name.
    """
    before, after = CORNER_SIDES[name]
    meeting = [
        i for i in range(len(sides)) if sides[i - 1] == before and sides[i] == after
    ] or list(range(len(sides)))
    reach = vertices @ np.array(_OUTWARD[name])
    return meeting[largest(reach[meeting], MATTERS_M)]
