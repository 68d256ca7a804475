"""The stage: routes and their probabilities in, a plan for digging out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..finds.records import Missed
from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.dig_plan import DigPlan, HitMap, LongerPit, Pit
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.intervals import Interval, central_intervals
from ..numerics.ordering import MATTERS_M, MATTERS_P, at_least, ordered
from ..pits.cost import LAWN, surface_rate
from ..pits.exposure import VACUUM_HOLE_M, Candidate, Flags, rectangle_crossings, vacuum_hits
from ..routes.hypotheses import UNLISTED_ID
from ..score.search import cut_search
from .cloud import (
    RouteCloud,
    gather_cloud,
    likely_part,
    searched_cloud,
    weighed_by_exposure,
    whole_cloud,
)
from .compare import compare_directions, undecided_direction
from .corridors import draw_corridors
from .depths import depth_table, trench_cost
from .excavation import planned_soil
from .guess import guessed_cuts, guessed_digs
from .pits import Field, hit_map, lay_field, rank_holes, rank_pits
from .stakeout import choose_ties
from .standing import never_worse, still_standing
from .tie_in import unplaced_fixtures
from .trenches import exposures, follow_trenches

# a way with less of a pit's probability is not named there; judgment
CONTRIBUTES = 0.01


def plan_dig(survey: Survey) -> Survey:
    """Plan test pits from routes and scores; fill the survey's block ``planned``.

    ``expected_cost`` is that of digging the pits in order until one exposes the pipe, and the
    trench of :func:`sitegis.pits.exposure.trench_cost` should all miss; after the first no pit is
    planned where that trench is the cheaper search, and once something was missed no first one
    either. ``expected_cost_straight`` is that trench alone.
    """
    cloud = gather_cloud(survey)
    penetration = survey.exit
    exit_ties = choose_ties(survey.site, np.array([penetration.x_m, penetration.y_m]))[0]
    straight = trench_cost(survey)
    # after a miss a route counts by the probability that a pit on it would show the pipe
    every = likely_part(searched_cloud(survey, cloud))
    if every.empty:
        nothing = HitMap((0.0, 0.0), survey.site.dig.cell_m, np.zeros((0, 0)))
        plan = DigPlan((), nothing, (), (), straight, straight, exit_ties, (_no_route(),))
        return replace(survey, planned=plan)
    seen = exposures(survey)
    field = lay_field(survey.site, survey.rules, weighed_by_exposure(every))
    # two holes ahead only after a miss: for a first pit it saved nothing that 100 invented digs
    # could show (1.002 times the money, 95 % range 0.974 to 1.030)
    missed_one = has_missed(survey.site)
    least = 0 if missed_one else 1
    # once the pipe is seen it is followed, and nothing is searched for
    pits = () if seen else _pits(survey, field, _ranked(field, straight, least))
    # P(still hidden) before each pit and after the last
    missed = 1.0 - np.array([0.0, *(pit.p_hit_so_far for pit in pits)])
    costs = np.array([pit.cost for pit in pits])
    # the first pit is planned whatever the trench costs, unless something was missed already
    count, cost = cut_search(costs, missed, straight, least=min(len(pits), least))
    cost = 0.0 if seen else cost
    pits = pits[:count]
    ways = compare_directions(survey, replace(field, cloud=every))
    guessing = not seen and not missed_one
    plan = DigPlan(
        pits,
        hit_map(field),
        draw_corridors(cloud, whole_cloud(survey)),
        depth_table(survey, cloud),
        cost,
        straight,
        exit_ties,
        (*_notices(survey, pits), *undecided_direction(survey, pits, ways)),
        ways,
        follow_trenches(survey, seen),
        guessed_digs(survey, field.straights, field.cloud.weights, straight) if guessing else (),
        guessed_cuts(survey) if guessing else (),
        () if seen else rank_holes(field),
    )
    return replace(survey, planned=plan)


def _ranked(field: Field, straight: float, least: int) -> tuple[Candidate, ...]:
    """Rank pits, two holes ahead where none must be dug; no plan costs more than the one before."""
    chosen = rank_pits(field, None if least else straight)
    return never_worse(field, chosen, still_standing(field.site), straight, least)


def _pits(survey: Survey, field: Field, chosen: tuple[Candidate, ...]) -> tuple[Pit, ...]:
    """Turn chosen candidates into records, with probabilities in their order."""
    pits: list[Pit] = []
    cloud = field.cloud
    # routes (m,) that some pit so far exposes: P(hit so far) counts none twice
    seen = np.zeros(cloud.weights.size, bool)
    depths = _depth_intervals(field, chosen)
    vacuum = _vacuum_hits(survey, field, chosen)
    for rank, (one, depth) in enumerate(zip(chosen, depths, strict=True), start=1):
        seen |= one.exposed
        volume = one.size_m[0] * one.size_m[1] * one.depth_m
        pits.append(
            Pit(
                rank=rank,
                x_m=float(one.center[0]),
                y_m=float(one.center[1]),
                ring=one.ring,
                p_hit=_share(cloud.weights, one.exposed),
                p_hit_so_far=_share(cloud.weights, seen),
                depth_m=one.depth_m,
                depth_05_m=one.depth_05_m,
                depth_95_m=one.depth_95_m,
                volume_m3=volume,
                cost=one.cost,
                surface=one.surface,
                needs_protection=bool(
                    at_least(one.depth_m, survey.rules.protective_depth_m, MATTERS_M)
                ),
                ties=choose_ties(survey.site, one.center)[0],
                hypotheses=_hypotheses(cloud, one),
                depth=depth,
                vacuum_p_hit=_share(cloud.weights, vacuum[rank - 1]),
                vacuum_cost=survey.site.dig.vacuum_hole
                + VACUUM_HOLE_M**2 * surface_rate(survey.site.dig, one.surface),
                extends=one.extends,
                whole=_longer(one, chosen, cloud.weights),
            )
        )
    return tuple(pits)


def _longer(one: Candidate, chosen: tuple[Candidate, ...], weights: Array) -> LongerPit | None:
    """Return the one longer pit that a pit makes of those before it; None for a pit of its own."""
    parts = one.parts()
    if len(parts) == 1:
        return None
    ranks = {id(pit): rank for rank, pit in enumerate(chosen, start=1)}
    depth_m = max(part.depth_m for part in parts)
    seen = np.logical_or.reduce([part.exposed for part in parts])
    return LongerPit(
        tuple(ranks[id(part)] for part in parts),
        one.whole_ring(),
        depth_m,
        _share(weights, seen),
        float(np.prod(one.whole()[2])) * depth_m,
        sum(part.cost for part in parts),
    )


def _vacuum_hits(survey: Survey, field: Field, chosen: tuple[Candidate, ...]) -> Flags:
    """Return which routes a vacuum test hole at the center of each pit finds."""
    centers = np.reshape([one.center for one in chosen], (-1, 2))
    # an elevation: the hole is dug no deeper than the deepest pit, from its own ground
    deepest = np.array([one.ground_m - survey.site.dig.max_depth_m for one in chosen])
    reach_m = VACUUM_HOLE_M + survey.site.drain_diameter_m
    return vacuum_hits(field.straights, centers, reach_m, deepest)


def _depth_intervals(field: Field, chosen: tuple[Candidate, ...]) -> list[tuple[Interval, ...]]:
    """Return the depth of the invert below ground where routes cross each pit, as intervals."""
    if not chosen:
        return []
    crossings = rectangle_crossings(
        field.straights,
        np.stack([one.center for one in chosen]),
        np.array([one.angle_rad for one in chosen]),
        np.array([one.size_m for one in chosen]),
    )
    return [
        # given that the pipe crosses the pit: routes elsewhere say nothing of its depth there
        central_intervals(one.ground_m - inverts[crossed], field.cloud.weights[crossed])
        for one, crossed, inverts in zip(chosen, crossings.crossed, crossings.invert_m, strict=True)
    ]


def _share(weights: Array, chosen: Flags) -> float:
    """Sum the weights of chosen routes, within [0, 1] despite rounding."""
    return min(1.0, float(weights[chosen].sum()))


def _hypotheses(cloud: RouteCloud, one: Candidate) -> tuple[str, ...]:
    """Name the listed ways whose routes a pit exposes, those with the most weight first."""
    share = np.bincount(cloud.owner[one.exposed], cloud.weights[one.exposed], len(cloud.hypotheses))
    order = ordered(share, MATTERS_P, descending=True)
    named = (cloud.hypotheses[i] for i in order if at_least(share[i], CONTRIBUTES))
    return tuple(name for name in named if name != UNLISTED_ID)


def _notices(survey: Survey, pits: tuple[Pit, ...]) -> tuple[Notice, ...]:
    """Say what a person should know about the plan."""
    notices = [planned_soil(survey.site, survey.rules)[1]]
    if not pits and not exposures(survey):
        missed = has_missed(survey.site)
        notices.append(notice_of("trench-from-the-wall" if missed else "no-place-for-a-pit", "dig"))
    notices += [_in_right_of_way(pit) for pit in pits if pit.surface != LAWN]
    notices += [
        # planned to the depth that shows 95 % of the routes, unless that is deeper than allowed
        _too_deep(pit)
        for pit in pits
        if not at_least(pit.depth_m, pit.depth_95_m, MATTERS_M)
    ]
    if survey.placed is not None and survey.fitted is not None:
        notices += unplaced_fixtures(survey)
    return tuple(notice for notice in notices if notice is not None)


def has_missed(site: Site) -> bool:
    """Return whether anything was looked for outdoors and not found."""
    return any(isinstance(item, Missed) for item in site.evidence)


def _in_right_of_way(pit: Pit) -> Notice:
    """Say that a pit lies in the public way."""
    return notice_of(
        "pit-in-right-of-way", f"dig.pit-{pit.rank}", rank=pit.rank, surface=pit.surface
    )


def _too_deep(pit: Pit) -> Notice:
    """Say that the pipe may lie below the deepest pit allowed."""
    return notice_of("pit-may-miss-deep-pipe", f"dig.pit-{pit.rank}", rank=pit.rank)


def _no_route() -> Notice:
    """Say that there is nothing to dig for."""
    return notice_of("no-route-to-dig-for", "dig")
