"""What ``Result.answer`` holds: written from its schema by tests/answer_types.py."""

from __future__ import annotations

from typing import Any, Literal, NotRequired, TypedDict


class Reference(TypedDict):
    """``reference`` of ``answer.json``.

    Datum of the CRS, epoch of its coordinates where given, the operation by which longitude and
    latitude (WGS 84) were computed (null where both have one datum) with its stated accuracy,
    and the datum of the slab's elevation.
    """

    datum: str
    epoch: float | None
    operation: str | None
    operation_accuracy_m: float | None
    vertical_datum: str | None
    slab_elevation_m: float | None


class Noise(TypedDict):
    """``noise[]`` of ``answer.json``."""

    kind: Literal["plan", "depth", "tape"]
    scale: float
    low_95: float
    high_95: float


class Place(TypedDict):
    """``place`` of ``answer.json``."""

    longitude: float
    latitude: float
    x_m: float
    y_m: float


class ReadingEvidence(TypedDict):
    """``readings[].evidence[]`` of ``answer.json``."""

    source: str
    nats: float | None


class Reading(Place):
    """``readings[]`` of ``answer.json``."""

    kind: Literal[
        "corner",
        "house",
        "rooms",
        "unit",
        "depths",
        "heading",
        "ground",
        "slab",
        "place",
        "front",
        "earth",
    ]
    probability: float
    likely: bool
    evidence: NotRequired[list[ReadingEvidence]]


class Doubt(TypedDict):
    """``doubt`` of ``answer.json``.

    The probability of the input as stated and of all readings that move what is dug, and the
    measurement that settles them.
    """

    p_unchecked: NotRequired[float]


class Unchecked(TypedDict):
    """``unchecked[]`` of ``answer.json``."""

    makes_pits_miss: NotRequired[bool]
    settle: NotRequired[dict[str, Any] | None]


class ExitComponent(Place):
    """``exit.components[]`` of ``answer.json``."""

    weight: float
    turn_deg: float
    marks_after_bend: Literal[0, 1, 2]
    azimuth_deg: float
    wall: Literal["front", "right", "rear", "left"]
    unseen_m: float
    covariance: list[list[float]]


class RegionPiece(Place):
    """``regions[].pieces[]`` of ``answer.json``."""

    semi_major_m: float
    semi_minor_m: float
    major_azimuth_deg: float


class Region(TypedDict):
    """``regions[]`` of ``answer.json``."""

    level: float
    pieces: list[RegionPiece]


class Interval(TypedDict):
    """``intervals[]`` of ``answer.json``."""

    level: float
    pieces: list[list[float]]


class Exit(Place):
    """``exit`` of ``answer.json``."""

    azimuth_deg: float
    azimuth_sd_deg: float | None
    invert_m: float
    invert_sd_m: NotRequired[float | None]
    depth_m: float
    depth_sd_m: float | None
    slope: float
    slope_sd: float | None
    slope_sd_ratio: float | None
    wall: NotRequired[Literal["front", "right", "rear", "left"]]
    unseen_m: NotRequired[float]
    covariance: NotRequired[list[list[float]]]
    components: NotRequired[list[ExitComponent]]
    regions: NotRequired[list[Region]]
    intervals: NotRequired[
        dict[Literal["azimuth_deg", "invert_m", "depth_m", "slope"], list[Interval]]
    ]


class Tap(Place):
    """``tap`` of ``answer.json``.

    Tap on a main given that the lateral goes to it: station_m (median) along the main from its
    upstream end; from_manhole_m along the main from a manhole; intervals are central.
    """

    main: str
    probability: float
    station_m: float
    manhole: str | None
    direction: Literal["upstream", "downstream", None]
    from_manhole_m: float | None
    station: str | None
    intervals: dict[Literal["station_m", "from_manhole_m", "invert_m"], list[Interval]]


class Finding(Place):
    """``findings[]`` of ``answer.json``."""

    kind: Literal["test-pit", "vacuum-hole", "trench", "locate", "cleanout", "connection"]
    found: str
    exposed: bool
    p_this_drain: float | None
    causes: list[dict[str, Any]]
    worth: float | None


class DoNext(TypedDict):
    """``do_next[]`` of ``answer.json``."""

    kind: Literal["tape", "check", "pit", "trench"]


Stretche = TypedDict("Stretche", {"class": Literal["exposed", "located", "inferred"]})


class Follow(TypedDict):
    """``follow[]`` of ``answer.json``."""

    to: Literal["wall", "main"]
    length_m: float


class Line(Place):
    """``line[]`` of ``answer.json``."""

    id: str
    sd_m: float | None
    invert_m: float
    depth_m: float
    regions: NotRequired[list[Region]]
    intervals: NotRequired[dict[Literal["invert_m"], list[Interval]]]


class HypothesisEvidence(TypedDict):
    """``hypotheses[].evidence[]`` of ``answer.json``."""

    kind: str
    label: str
    bits: float | None
    words: NotRequired[str]


class Hypothesis(TypedDict):
    """``hypotheses[]`` of ``answer.json``."""

    id: str
    main: str | None
    way: Literal["direct", "side-yard", "unlisted"]
    toward: Literal["front", "rear", "side", None]
    probability: float
    log_evidence: float | None
    log_evidence_se: float | None
    length_m: float | None
    fall_m: float | None
    arrival_above_main_m: float | None
    drop_at_main_m: float | None
    intervals: NotRequired[dict[Literal["length_m", "fall_m", "drop_at_main_m"], list[Interval]]]
    yard_side: NotRequired[Literal["front", "right", "rear", "left", None]]
    prior: NotRequired[float]
    evidence: list[HypothesisEvidence]


Tie = TypedDict("Tie", {"from": str, "x_m": float, "y_m": float, "distance_m": float})


class PitVacuumHole(TypedDict):
    """``pits[].vacuum_hole`` of ``answer.json``.

    A vacuum test hole at the pit's center instead: width, probability that any part of the pipe
    shows, price with restoration.
    """

    across_m: float
    p_hit: float
    cost: float | None


class PitLongerPit(TypedDict):
    """``pits[].longer_pit`` of ``answer.json``.

    Where this pit lengthens an earlier one (the first of pits, as lengthened before), because
    two pits nearer than twice the spoil's setback leave no room between: the one pit that both
    become, its plan, greatest depth, volume with vertical sides, P(hit) of any part and cost of
    all parts. The pit's own members are of the part added, its excavation is of the whole. Null
    for a pit of its own.
    """

    pits: list[int]
    ring: list[list[float]]
    length_m: float
    width_m: float
    depth_m: float
    volume_m3: float
    p_hit: float
    cost: float


class Excavation(TypedDict):
    """``excavation`` of ``answer.json``.

    Quantities of the pit: in place with vertical (shored or shielded) and with sloped sides,
    spoil (bulked volume), backfill; rings in lot coordinates.
    """

    soil: str
    depth_m: float
    vertical_m3: float
    sloped_m3: float | None
    sloped_ring: list[list[float]] | None
    sloped_fits: bool
    spoil_loose_m3: float
    spoil_bulked_m3: float
    spoil_setback_ring: list[list[float]]
    sloped_spoil_loose_m3: NotRequired[float | None]
    sloped_spoil_bulked_m3: NotRequired[float | None]
    shielded_m3: NotRequired[float | None]
    shielded_spoil_loose_m3: NotRequired[float | None]
    shielded_spoil_bulked_m3: NotRequired[float | None]
    backfill_m3: float
    statements: list[str]
    cautions: list[str]


class Pit(Place):
    """``pits[]`` of ``answer.json``."""

    rank: int
    p_hit: float
    p_hit_so_far: float
    depth_m: float
    depth_05_m: float
    depth_95_m: float
    volume_m3: float
    ties: list[Tie]
    intervals: NotRequired[dict[Literal["depth_m"], list[Interval]]]
    vacuum_hole: NotRequired[PitVacuumHole]
    extends: NotRequired[str | None]
    longer_pit: NotRequired[PitLongerPit | None]
    excavation: NotRequired[Excavation]


class VacuumHole(Place):
    """``vacuum_holes[]`` of ``answer.json``."""

    rank: int
    across_m: float
    p_hit: float
    p_hit_so_far: float
    cost: float | None
    surface: str
    ties: list[Tie]


class Main(TypedDict):
    """``mains[]`` of ``answer.json``."""

    main: str
    name: str
    toward: Literal["front", "rear", "side"]
    probability: float
    best_way: str
    best_hypothesis: str
    speaks_for: list[str]
    evidence_for: list[str]
    speaks_against: list[str]
    evidence_against: list[str]
    length_m: float | None
    fall_m: float | None
    slope: float | None
    arrival_above_main_m: float | None
    drop_at_main_m: float | None
    cover_at_lot_line_m: float | None
    private_m: float | None
    public_m: float | None
    opening: str
    ruled_out_by: str
    why_none: str
    tap: NotRequired[Tap | None]


class CodeCheck(TypedDict):
    """``code_check`` of ``answer.json``."""

    code: Literal[
        "backwater-valve",
        "stack-base",
        "trap-arm",
        "fixture-units",
        "water-closets",
        "water-closet-drain",
        "cleanout",
        "ejector",
    ]
    verdict: Literal["met", "not met", "asked", "not asked", "not known", "ask"]
    words: str
    section: str


class TieIn(Place):
    """``tie_ins[]`` of ``answer.json``."""

    fixture: str
    name: str
    path: list[list[float]]
    entry: Literal["square", "45-degree", "angled"]
    station_m: float
    diameter_m: float
    length_m: float
    slope: float
    slope_section: str
    needed_fall_m: float
    available_fall_m: float
    available_fall_sd_m: float | None
    p_gravity: float
    verdict: str
    slab_opening: list[list[float]]
    concrete_m2: float
    concrete_m3: float
    soil_m3: float
    cautions: list[str]
    checks: NotRequired[list[CodeCheck]]


class ProfileCheckSag(TypedDict):
    """``profile_check.sags[]`` of ``answer.json``."""

    low_point: str
    high_point: str
    rise_m: float
    sd_m: float


class ProfileCheck(TypedDict):
    """``profile_check`` of ``answer.json``.

    The building drain's fall against the rule set and Manning's formula.
    """

    diameter_m: float
    slope: float
    slope_sd: float | None
    least_slope: float
    section: str
    p_meets_least: float
    full: dict[Literal["velocity_m_s", "flow_m3_s", "depth_ratio"], float]
    design: dict[Literal["velocity_m_s", "flow_m3_s", "depth_ratio"], float]
    sags: list[ProfileCheckSag]
    statements: list[str]


class NextCheckOutcomeTable(TypedDict):
    """``next_checks[].outcome_table[]`` of ``answer.json``."""

    outcome: str
    probability: float
    then: str


class NextCheck(TypedDict):
    """``next_checks[]`` of ``answer.json``."""

    check: str
    gain_bits: float
    saving: float
    outcome_table: list[NextCheckOutcomeTable]


class Flag(TypedDict):
    """``flags[]`` of ``answer.json``."""

    code: str
    message: str
    where: str
    needs_person: NotRequired[bool]


class BranchesWaysToJoin(TypedDict):
    """``branches.ways_to_join[]`` of ``answer.json``."""

    probability: float


class BranchesBranche(TypedDict):
    """``branches.branches[]`` of ``answer.json``."""

    evidence_class: NotRequired[Literal["inferred"]]
    probability: float


class BranchesLoad(TypedDict):
    """``branches.loads[]`` of ``answer.json``."""

    run: str
    from_m: float
    to_m: float
    carries: list[str]
    fixtures: list[str]
    runs_without_list: list[str]
    fixture_units: float
    diameter_m: float | None
    slope: float
    checks: list[CodeCheck]


class Branches(TypedDict):
    """``branches`` of ``answer.json``.

    How several runs join; only where there are several
    """

    ways_to_join: list[BranchesWaysToJoin]
    branches: list[BranchesBranche]
    loads: NotRequired[list[BranchesLoad]]
    cross_connections: list[dict[str, Any]]


class ComparisonGuesse(Place):
    """``comparison.guesses[]`` of ``answer.json``."""

    by: Literal["owner", "nearest main"]
    main: str
    p_hit: float
    cost: float | None
    expected_cost: float | None


class ComparisonCut(Place):
    """``comparison.cuts[]`` of ``answer.json``."""

    by: Literal["marks", "owner", "nearest main"]
    main: str | None
    fixture: str | None
    p_hit: float
    cost: float | None
    expected_cost: float | None


class DiscriminatingPit(Place):
    """``discriminating_pit`` of ``answer.json``."""

    p_if_so: float
    p_otherwise: float


class Direction(TypedDict):
    """``direction`` of ``answer.json``."""

    toward: str
    probability: float
    length_m: float | None
    depth_m: float | None
    telling_pit: DiscriminatingPit | None
    discriminating_pit: DiscriminatingPit | None


class Comparison(TypedDict):
    """``comparison`` of ``answer.json``.

    What digging costs, and where the route alternatives by direction are told apart.
    """

    currency: str
    expected_cost: float | None
    expected_cost_straight: float | None
    guesses: NotRequired[list[ComparisonGuesse]]
    cuts: NotRequired[list[ComparisonCut]]
    ways: list[Direction]
    directions: list[Direction]


class AdjustmentObservation(TypedDict):
    """``adjustment.observations[]`` of ``answer.json``."""

    name: str
    value_m: float
    sd_m: float
    residual_m: float
    redundancy: float
    standardized_residual: float
    w: float
    minimum_detectable_error_m: float | None
    detectable_m: float | None
    inseparable: list[str]
    removed: bool
    proposal: str | None


class Adjustment(TypedDict):
    """``adjustment`` of ``answer.json``.

    The least-squares adjustment of the tape: global test and each observation.
    """

    chi_square: float | None
    degrees_of_freedom: int
    chi_square_before: float | None
    mirror_points: list[str]
    observations: list[AdjustmentObservation]


class Answer(TypedDict):
    """``answer.json``.

    Lengths in meters, x_m and y_m in the lot frame, azimuths in degrees clockwise from grid
    north, inverts above the basement slab. null stands for a number that does not exist. Schema
    2 keeps the members of schema 1 whose meaning is the same; one with a newer name beside it
    says so and goes with schema 3. Values that changed: evidence kind neighbours is neighbors.
    """

    schema: Literal[2]
    site: str
    crs: str
    crs_unit: NotRequired[str]
    reference: NotRequired[Reference]
    units: NotRequired[Literal["ft", "in", "m", "mm"]]
    rule_set: NotRequired[dict[Literal["name", "edition"], str]]
    noise: NotRequired[list[Noise]]
    readings: NotRequired[list[Reading]]
    doubt: NotRequired[Doubt]
    unchecked: NotRequired[list[Unchecked]]
    seed: int
    exit: Exit
    tap: NotRequired[Tap | None]
    exit_from_inside: NotRequired[dict[str, Any] | None]
    status: NotRequired[Literal["proposed", "partly exposed", "as found"]]
    findings: NotRequired[list[Finding]]
    do_next: NotRequired[list[DoNext]]
    stretches: NotRequired[list[Stretche]]
    follow: NotRequired[list[Follow]]
    line: list[Line]
    hypotheses: list[Hypothesis]
    pits: list[Pit]
    vacuum_holes: NotRequired[list[VacuumHole]]
    mains: NotRequired[list[Main]]
    tie_ins: NotRequired[list[TieIn]]
    profile_check: NotRequired[ProfileCheck]
    next_checks: list[NextCheck]
    flags: list[Flag]
    cautions: list[str]
    assumptions: NotRequired[list[str]]
    runs: NotRequired[list[dict[str, Any]]]
    observations: NotRequired[list[dict[str, Any]]]
    branches: NotRequired[Branches]
    comparison: NotRequired[Comparison]
    adjustment: NotRequired[Adjustment]
