"""What ``site.toml`` may hold: pydantic models, lengths already in meters.

A model says only what one key may be; what keys mean together is checked by the modules that
build records. Annotations are evaluated as they stand: as texts pydantic would compile each anew.
"""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from ..evidence import AnyEvidence
from ..model.fields import (
    Azimuth,
    Bearing,
    Corner,
    Date,
    Depth,
    Extent,
    Length,
    Money,
    Name,
    Point,
    RuleSetName,
    Sd,
    SoilType,
    Table,
    Text,
    as_azimuth,
)
from ..model.site import (
    FixtureKind,
    Noise,
    Observation,
    Paper,
    PlannedFixture,
    Priors,
    RecordTexts,
    Run,
    Side,
    SiteLanguage,
    System,
)
from ..units import LengthUnit


def _as_direction(value: object) -> object:
    """Keep a side's name; read anything else as a bearing."""
    return value if value in ("front", "right", "rear", "left") else as_azimuth(value)


Direction = Annotated[Side | float, BeforeValidator(_as_direction)]


class Layered(Table):
    """A table whose shape may come from a layer."""

    layer: Text | None = None
    layer_name: Text | None = None
    id_field: Text | None = None
    id: Name | None = None


class SiteTable(Table):
    """``[site]``."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
    units: LengthUnit
    depth_units: LengthUnit | None = None
    rule_set: RuleSetName
    crs: Text | None = None
    elevation_above_sea: Length | None = None
    slab_elevation: Length | None = None
    slab_elevation_sd: Sd | None = None
    ground_above_slab: Length | None = None
    ground_above_slab_sd: Sd | None = None
    year_built: Annotated[int, Field(ge=1600, le=2200)] | None = None
    surveyed_by: Text = ""
    surveyed_on: Date | None = None
    receiver: Text = ""
    sonde: Text = ""
    sonde_length: Extent | None = None
    head_above_invert: Length | None = None
    drain_diameter: Extent | None = None
    drain_material: Text = ""
    existing_fixtures: tuple[FixtureKind, ...] = ()
    vertical_datum: Text = ""
    coordinate_epoch: Annotated[float, Field(ge=1980, le=2200)] | None = None
    paper: Paper | None = None
    language: SiteLanguage = "en"
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1


class Sides(Table):
    """Four taped lot lines."""

    front: Extent
    right: Extent
    rear: Extent
    left: Extent


class Call(Table):
    """One course of the lot's description: a straight or a curve."""

    bearing: Bearing | None = None
    distance: Extent | None = None
    radius: Extent | None = None
    arc: Extent | None = None
    turn: Literal["left", "right"] | None = None
    chord_bearing: Bearing | None = None
    side: Side | None = None


class SecondCorner(Table):
    """A second lot corner with known longitude and latitude."""

    corner: Corner
    longitude: float
    latitude: float


class LotTable(Layered):
    """``[lot]``."""

    front: Azimuth | None = None
    front_street: Name | None = None
    front_azimuth: Azimuth | None = None
    sides: Sides | None = None
    calls: Annotated[tuple[Call, ...], Field(min_length=3, max_length=500)] | None = None
    corner: Corner = "front-left"
    longitude: float | None = None
    latitude: float | None = None
    second_corner: SecondCorner | None = None
    declination: Annotated[float, Field(ge=-180, le=180)] | None = None
    corner_sd: Sd | None = None


class Setbacks(Table):
    """Front wall to front line; left or right wall to that lot line."""

    front: Length
    left: Length | None = None
    right: Length | None = None


class BuildingTable(Layered):
    """``[building]``."""

    setbacks: Setbacks | None = None
    width: Extent | None = None
    depth: Extent | None = None
    rotation: Annotated[float, Field(ge=-360, le=360)] = 0.0
    corners: Annotated[tuple[Point, ...], Field(min_length=3, max_length=500)] | None = None
    position_sd: Sd | None = None
    wall_thickness: Extent | None = None


class RoomTable(Table):
    """``[[room]]``."""

    id: Name
    name: Text = ""
    corner: Corner | None = None
    origin: Point | None = None
    origin_sd: Sd | None = None
    x_toward: Side | Annotated[float, Field(ge=-360, le=360)] | None = None
    x_toward_sd: Annotated[float, Field(gt=0, le=90)] = 0.5
    size: tuple[Extent, Extent] | None = None
    floor_above_slab: Length = 0.0


class WallTable(Table):
    """``[[wall]]``."""

    point: Name
    side: Side
    thickness: Extent | None = None
    sd: Sd | None = None


class StreetTable(Layered):
    """``[[street]]``."""

    name: Name
    side: Side
    kind: Literal["street", "alley"] = "street"
    row_width: Extent | None = None
    surface: Text = "asphalt"
    ground_above_slab: Length | None = None
    ground_above_slab_sd: Sd | None = None


class ManholeTable(Table):
    """One manhole of a main."""

    id: Name
    offset_along: Length
    invert: Length | None = None
    rim: Length | None = None


class ManholesLayer(Table):
    """Manholes as points of a layer."""

    layer: Text
    layer_name: Text | None = None
    id_field: Text
    main_field: Text | None = None
    rim_field: Text | None = None
    invert_field: Text | None = None


class TapTable(Table):
    """A known tap of somebody else."""

    manhole: Name
    distance: Length


class MainTable(Table):
    """``[[main]]``: ``id`` names the main; ``feature`` or ``id`` finds it in a layer."""

    id: Name
    street: Name
    layer: Text | None = None
    layer_name: Text | None = None
    id_field: Text | None = None
    feature: Name | None = None
    offset: Length | None = None
    diameter: Extent | None = None
    invert: Length | None = None
    depth: Depth | None = None
    invert_upstream: Length | None = None
    invert_downstream: Length | None = None
    invert_sd: Sd | None = None
    flow_toward: Direction | None = None
    manholes: tuple[ManholeTable, ...] = ()
    manholes_layer: ManholesLayer | None = None
    taps: tuple[TapTable, ...] = ()
    line_sd: Sd | None = None
    system: System = "unknown"


class KeepOutTable(Table):
    """``[[keep_out]]``: ``feature`` finds it in a layer."""

    id: Name
    kind: Literal["gas", "water", "electric", "telecom", "tree", "other"] = "other"
    points: Annotated[tuple[Point, ...], Field(min_length=1, max_length=1000)] | None = None
    layer: Text | None = None
    layer_name: Text | None = None
    id_field: Text | None = None
    feature: Name | None = None
    clearance: Annotated[Length, Field(ge=0)] | None = None
    note: Text = ""


class EasementTable(Table):
    """``[[easement]]``: ``feature`` finds it in a layer."""

    id: Name
    points: Annotated[tuple[Point, ...], Field(min_length=3, max_length=1000)] | None = None
    layer: Text | None = None
    layer_name: Text | None = None
    id_field: Text | None = None
    feature: Name | None = None


class GroundTable(Table):
    """``[[ground]]``: a spot height."""

    x: Length
    y: Length
    above_slab: Length
    sd: Sd | None = None


class CostTable(Table):
    """``[cost]``."""

    setup: Money | None = None
    per_m3: Money | None = None
    per_m3_protected: Money | None = None
    vacuum_hole: Money | None = None
    slab_setup: Money | None = None
    slab_per_m2: Money | None = None
    dug_by: Literal["hand", "machine"] | None = None
    hand_lift: Annotated[Length, Field(ge=0.5)] | None = None
    surface: dict[str, Money] = Field(default_factory=dict)
    currency: Annotated[str, StringConstraints(pattern=r"^[A-Za-z]{3}$")] | None = None


class DigTable(Table):
    """``[dig]``."""

    pit_length: Extent | None = None
    pit_width: Extent | None = None
    cell: Annotated[Length, Field(ge=0.05, le=2.0)] | None = None
    tolerance: Annotated[Length, Field(ge=0)] | None = None
    building_setback: Annotated[Length, Field(ge=0)] | None = None
    max_depth: Extent | None = None
    soil: SoilType | None = None
    owner_guess: Name | None = None


# Judgment, no source: several times what a lot has. Each main, room or find outdoors takes a
# share of a second, so that a thousand would take minutes.
Few, Some = (Field(default=(), max_length=most) for most in (50, 200))


class SiteFile(Table):
    """The whole of ``site.toml``."""

    site: SiteTable
    lot: LotTable
    building: BuildingTable
    room: Annotated[tuple[RoomTable, ...], Some] = ()
    wall: Annotated[tuple[WallTable, ...], Some] = ()
    street: Annotated[tuple[StreetTable, ...], Few] = ()
    main: Annotated[tuple[MainTable, ...], Few] = ()
    run: Annotated[tuple[Run, ...], Few] = ()
    observation: Annotated[tuple[Observation, ...], Some] = ()
    evidence: Annotated[tuple[AnyEvidence, ...], Some] = ()
    fixture: Annotated[tuple[PlannedFixture, ...], Some] = ()
    keep_out: Annotated[tuple[KeepOutTable, ...], Some] = ()
    easement: Annotated[tuple[EasementTable, ...], Some] = ()
    ground: Annotated[tuple[GroundTable, ...], Some] = ()
    record: RecordTexts = RecordTexts()
    noise: Noise = Noise()
    prior: Priors = Priors()
    # of defaults alone: nothing to check, and no check of its own to build
    cost: CostTable = CostTable.model_construct()
    dig: DigTable = DigTable.model_construct()
