"""Tie-ins of planned fixtures to the located drain: where, how much fall, how much concrete."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from scipy.special import ndtr

from ..geometry.frames import Array, rotation
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model import branches
from ..model.derived import CodeCheck, ProfileCheck, TapSpread, TieIn
from ..model.results import ProfileComponent
from ..model.site import PlannedFixture
from ..model.survey import Survey
from ..numerics.ordering import smallest
from ..pits.cost import FOOTING_BELOW_SLAB_M
from .branch_path import (
    CLEAR_OF_BEND_M,
    CLEAR_OF_WALL_M,
    Branch,
    best_branch,
    fixture_place,
    room_pose,
    slab_opening,
)
from .codes import (
    backwater_checks,
    branch_size,
    cleanout_check,
    closet_check,
    ejector_check,
    load_check,
    stack_check,
    vent_check,
)
from .hydraulics import profile_check
from .loads import downstream, pipe_loads

__all__ = ["ProfileCheck", "TieIn", "profile_check", "tie_ins", "unplaced_fixtures"]

# Floor to the branch's invert at the fixture. A trap or closet bend under the floor needs 0.25 m:
# judgment. Other fixtures drop through the slab and a bend: slab + 0.05 m + the pipe.
TRAP_UNDER_FLOOR_M = 0.25
FLOOR_LEVEL = frozenset({"water-closet", "shower", "floor-drain"})
COVER_M = 0.05
SLAB_M = 0.10
BEDDING_M = 0.10
# between these a measurement decides, not a word: judgment, no source
LIKELY, UNLIKELY = 0.9, 0.5


CAUTIONS = (
    "Find out whether the slab is post-tensioned before cutting: a cut tendon kills.",
    "Scan for reinforcement, heating pipes and cables before cutting.",
    "Cut wet or with a dust collector: dry-cutting concrete makes silica dust.",
    "Expose the drain and measure its invert before cutting for the branch.",
    "Join the branch by a wye and an eighth bend, never by a tee laid flat.",
    "Nobody uses water upstream while the drain is open.",
)


def invert_at(
    profile: tuple[ProfileComponent, ...], upstream_m: float
) -> list[tuple[float, float, float]]:
    """Return weight, mean and variance of the invert a distance upstream of the profile's place.

    Parameters
    ----------
    profile
        Mixture of invert and slope.
    upstream_m
        Distance upstream, m.

    Returns
    -------
    list[tuple[float, float, float]]
        Weight, mean in m and variance in m² of each component.
    """
    # the profile stands at the drain's end: upstream the invert rises by slope × distance
    lever = np.array([1.0, upstream_m])
    return [
        (one.weight, float(lever @ one.mean), float(lever @ one.covariance @ lever))
        for one in profile
    ]


def p_enough_fall(
    components: list[tuple[float, float, float]], start_m: float, needed_m: float
) -> float:
    """Return the probability that start − invert ≥ needed: Σ w Φ((start − mean − needed) / sd).

    Parameters
    ----------
    components
        Weight, mean in m and variance in m² of the invert.
    start_m
        Elevation at which the branch starts, m.
    needed_m
        Fall that it needs, m.

    Returns
    -------
    float
        Probability.

    Examples
    --------
    >>> p_enough_fall([(1.0, -0.5, 0.01)], -0.2, 0.3)
    0.5
    """
    return float(
        sum(
            weight * ndtr((start_m - mean - needed_m) / max(np.sqrt(variance), 1e-9))
            for weight, mean, variance in components
        )
    )


VERDICTS = (
    "drains by gravity",
    "probably drains by gravity: measure the drain's invert before deciding",
    "probably needs an ejector: measure the drain's invert before deciding",
    "needs an ejector (a sump with a pump)",
)


def verdict(p_gravity: float) -> str:
    """Say in words what the probability means."""
    if p_gravity >= LIKELY:
        return VERDICTS[0]
    if p_gravity >= UNLIKELY:
        return VERDICTS[1]
    return VERDICTS[2] if p_gravity > 1 - LIKELY else VERDICTS[3]


def tie_in(
    survey: Survey,
    fixture: PlannedFixture,
    branch: Branch,
    floor_m: float,
    taps: Sequence[TapSpread] = (),
) -> TieIn:
    """Work out the tie-in of one fixture by a branch from a floor.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    fixture
        The planned fixture.
    branch
        The branch chosen.
    floor_m
        Elevation of the floor above the slab, m.
    taps
        Where each main may be tapped.

    Returns
    -------
    TieIn
        The tie-in with its checks.
    """
    diameter, governs = branch_size(survey.rules, fixture.kinds)
    rule = survey.rules.least_slope(diameter)
    at_floor = not FLOOR_LEVEL.isdisjoint(fixture.kinds)
    drop = TRAP_UNDER_FLOOR_M if at_floor else SLAB_M + COVER_M + diameter
    start, needed = floor_m - drop, rule.slope * branch.length_m
    # A wye laid flat joins the pipes' centers, so the smaller pipe's invert stands higher.
    step = 0.5 * max(survey.site.drain_diameter_m - diameter, 0.0)
    parts = invert_at(survey.drain.profile, survey.drain.length_m - branch.station_m)
    parts = [(weight, mean + step, variance) for weight, mean, variance in parts]
    mean = sum(weight * one for weight, one, _ in parts)
    # within the parts and between them: the law of total variance
    variance = sum(weight * (own + (one - mean) ** 2) for weight, one, own in parts)
    p_gravity = p_enough_fall(parts, start, needed)
    opening = slab_opening(branch.path)
    # down to the drain's own invert and bedding, or to the branch's where that lies deeper
    bottom = max(floor_m - (mean - step) + BEDDING_M, drop + BEDDING_M)
    area = float(opening.area)
    # mean depth between the fixture's end and the drain's, less the slab
    soil = area * max(0.5 * (drop + BEDDING_M + bottom) - SLAB_M, 0.0)
    end = branch.path[-1]
    return TieIn(
        fixture.id,
        fixture.name,
        branch.path,
        branch.entry,
        branch.station_m,
        float(end[0]),
        float(end[1]),
        diameter,
        branch.length_m,
        rule.slope,
        rule.section,
        needed,
        start - mean,
        float(np.sqrt(variance)),
        p_gravity,
        verdict(p_gravity),
        np.asarray(shapely.get_coordinates(opening.exterior)[:-1]),
        area,
        area * SLAB_M,
        soil,
        (*_own_cautions(survey, branch, bottom - floor_m, diameter), *CAUTIONS),
        _checks(survey, fixture, branch, floor_m, diameter, rule.slope, p_gravity, taps),
        vent=_vent_path(survey, fixture, branch),
        size_governed_by=governs,
    )


def _vent_path(survey: Survey, fixture: PlannedFixture, branch: Branch) -> Array | None:
    """Return the straight line (2, 2) from a fixture to its vent, None where no place is given."""
    room = next(room for room in survey.site.rooms if room.id == fixture.room)
    pose = room_pose(survey, room)
    if fixture.vent_m is None or pose is None:
        return None
    return np.stack([branch.path[0], pose[0] + rotation(pose[1]) @ np.array(fixture.vent_m)])


def stacks_on(survey: Survey) -> list[tuple[str, float]]:
    """Return the stacks that stand on the drain, with their stations."""
    drain = survey.drain
    stations = dict(zip(drain.point_ids, drain.stations_m, strict=True))
    return [
        (point.id, float(stations[point.id]))
        for point in survey.placement.points
        if point.kind == "stack" and point.id in stations
    ]


def _below_stacks(survey: Survey) -> list[tuple[float, float]]:
    """Return the ranges below the bases of stacks that the code keeps free whatever they serve."""
    rule = survey.rules.plumbing.stack_base
    if rule is None or rule.only_if:
        return []
    least_m = rule.least_m(survey.site.drain_diameter_m)
    return [(at, at + least_m) for _, at in stacks_on(survey)]


def _checks(
    survey: Survey,
    fixture: PlannedFixture,
    branch: Branch,
    floor_m: float,
    diameter_m: float,
    slope: float,
    p_gravity: float,
    taps: Sequence[TapSpread],
) -> tuple[CodeCheck, ...]:
    """Hold a branch against the plumbing code.

    The stack's size is taken as the drain's.
    """
    rules, unit = survey.rules, survey.site.units
    code, kinds = rules.plumbing, fixture.kinds
    straight_m = None
    if fixture.vent_m is not None:
        straight_m = math.dist(fixture.vent_m, (fixture.x_m, fixture.y_m))
    drain_m = survey.site.drain_diameter_m
    asked = [
        stack_check(code, branch.station_m - at, drain_m, name, unit)
        for name, at in stacks_on(survey)
        if branch.station_m > at
    ]
    # the wye's own eighth bend; a square entry turns by 45° once more, an angled one by 90°
    turns = {"square": (45.0, 45.0), "45-degree": (45.0,), "angled": (45.0, 90.0)}[branch.entry]
    checks = [
        *backwater_checks(survey, fixture, floor_m, taps),
        *(one for one in asked if one is not None),
        *(
            vent_check(
                code, kind, code.fixtures[kind].trap_m, fixture.vent_distance_m, unit, straight_m
            )
            for kind in kinds
        ),
        load_check(code, kinds, diameter_m, slope, unit, "a branch"),
        *([closet_check(code, diameter_m, unit)] if "water-closet" in kinds else []),
        cleanout_check(code, rules.cleanout_spacing_m, branch.length_m, turns, unit),
    ]
    if p_gravity < LIKELY:
        checks.append(ejector_check(code))
    return tuple(checks)


def _own_cautions(
    survey: Survey, branch: Branch, bottom_below_slab_m: float, diameter_m: float
) -> tuple[str, ...]:
    """Say what is particular about one branch."""
    lines = []
    if branch.entry == "angled":
        lines.append("No clear stretch for a wye opposite the fixture: the branch needs a bend.")
    walls = shapely.LinearRing(survey.site.building.vertices)
    gap = shapely.distance(walls, shapely.LineString(branch.path))
    soil = survey.rules.planned_soil(survey.site.dig.soil_type)
    ratio = survey.rules.trench_slopes[soil]
    # below a footing's underside the trench keeps off by the soil's slope
    away = ratio * (bottom_below_slab_m - FOOTING_BELOW_SLAB_M)
    if gap - survey.site.building.wall_thickness_m < away:
        lines.append(
            "The trench comes close to a footing, where digging may bring the wall down: move the "
            "branch, or ask a registered engineer first."
        )
    lines.append(
        f"Do not dig below a line at {ratio:g} to 1 down from the underside of a footing (soil "
        f"type {soil}) without a registered engineer."
    )
    if diameter_m > survey.site.drain_diameter_m + 1e-6:
        lines.append("The branch is larger than the drain: the drain must be replaced.")
    return tuple(lines)


def tie_ins(survey: Survey, taps: Sequence[TapSpread] = ()) -> tuple[TieIn, ...]:
    """Work out the tie-in of every planned fixture whose room has a place.

    Start levels, clearances, slab thickness (0.10 m) and opening width (0.60 m) are judgment.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    taps
        Where each main may be tapped.

    Returns
    -------
    tuple[TieIn, ...]
        One for each fixture whose room has a place.
    """
    # each fixture first by itself, then all of them on the pipes that they share
    made = [_best(found, taps) for _, found in _offers(survey) if found]
    loads = pipe_loads(survey, made)
    below = (downstream(loads, survey, one.joins, one.station_m) for one in made)
    return tuple(
        replace(one, checks=(*one.checks, *(check for load in some for check in load.checks)))
        for one, some in zip(made, below, strict=True)
    )


Offer = tuple[str, Survey, PlannedFixture, Branch, float]
"""A way to tie in: the run joined (empty: the drain), its pipe as the drain, and the rest."""


def _best(offers: list[Offer], taps: Sequence[TapSpread]) -> TieIn:
    """Choose the pipe to tie in to: the likeliest verdict, then the least slab to cut.

    Of equal ones (1 cm² of slab) the building drain, then the runs in their order.
    """
    made = [
        replace(tie_in(along, fixture, branch, floor_m, taps), joins=name)
        for name, along, fixture, branch, floor_m in offers
    ]
    # VERDICTS stand from best to worst
    ranks = [VERDICTS.index(one.verdict) for one in made]
    kept = [one for one, rank in zip(made, ranks, strict=True) if rank == min(ranks)]
    chosen = kept[smallest([one.concrete_m2 for one in kept], 1e-4)]
    sizes = {run.id: run.diameter_m for run in offers[0][1].site.runs}
    if not chosen.joins or sizes.get(chosen.joins) is not None:
        return chosen
    unknown = (
        f"It joins the branch {chosen.joins}, whose size is not known: no pipe may be joined by a "
        "larger one."
    )
    return replace(chosen, cautions=(unknown, *chosen.cautions))


def _offers(survey: Survey) -> Iterator[tuple[PlannedFixture, list[Offer]]]:
    """Yield every fixture with the pipes it can tie in to, the building drain first.

    A storm drain takes no fixture, and a closet joins no branch but one below a stack.
    """
    pipes = [("", survey, survey.exit.unseen_m)]
    stacks = {row.id for row in survey.site.locates if row.kind == "stack"}
    access = {run.id: run.access for run in survey.site.runs}
    for one in () if survey.joined is None else survey.joined.branches:
        if len(one.vertices) > 1 and one.system != "storm":
            as_drain = as_the_drain(survey, one)
            # a branch ends at its wye, not at a wall: kept as clear of its end as of a bend
            pipes.append((one.id, as_drain, CLEAR_OF_WALL_M - CLEAR_OF_BEND_M))
    for fixture in survey.site.fixtures:
        place = fixture_place(survey, fixture)
        offers: list[Offer] = []
        for name, along, unseen_m in pipes if place is not None else ():
            assert place is not None
            if name and "water-closet" in fixture.kinds and access.get(name) not in stacks:
                continue
            located = along.drain.vertices, unseen_m, place[0]
            # where the whole drain is too near to a stack the check says so
            branch = best_branch(*located, _below_stacks(along)) or best_branch(*located)
            if branch is not None:
                offers.append((name, along, fixture, branch, place[1]))
        yield fixture, offers


def as_the_drain(survey: Survey, branch: branches.Branch) -> Survey:
    """Return the survey with a branch's pipe, and its size where given, as the drain.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    branch
        The branch.

    Returns
    -------
    Survey
        The survey as if the branch were its drain.
    """
    noted = next((run for run in survey.site.runs if run.id == branch.id), None)
    site = survey.site
    if noted is not None and noted.diameter_m is not None:
        site = replace(site, drain_diameter_m=noted.diameter_m)
    return replace(survey, site=site, fitted=branches.drain_of(branch))


def unplaced_fixtures(survey: Survey) -> tuple[Notice, ...]:
    """Say which planned fixtures get no tie-in."""
    planned = {fixture.id for fixture, offers in _offers(survey) if offers}
    return tuple(
        notice_of("fixture-not-planned", f"fixture.{fixture.id}", text=fixture.name or fixture.id)
        for fixture in survey.site.fixtures
        if fixture.id not in planned
    )
