"""What each finding is taken for, what else would explain it, and what it was worth."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, cast

import numpy as np

from ..evidence.kind import student
from ..finds.kinds import (
    across_sd_m,
    find_density,
    is_narrower,
    measured_invert_m,
    miss_given,
    passes_find,
    reliability_of,
    residuals,
    right_density,
    stray_find,
)
from ..finds.records import FindJudgment, Found, Missed, without_findings
from ..finds.reweigh import joint_miss_apart
from ..geometry import polyline
from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.results import ScoredHypothesis
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.statistics import normal_density, normalized_weights, weighted_quantiles
from ..units import about, percent
from .particles import draw_particles
from .pits import lay_pits
from .posterior import posterior
from .weighed_site import WeighedSite, hypothesis_evidence, log_weights

BLUNDER = 0.03
"""How often a blunder indoors, or the building's place on the lot, misplaces all that the marks
tell: judgment, no source."""
BLUNDER_M, BLUNDER_DEPTH_M = 1.5, 0.4
"""By how much, one standard deviation in plan and in height; Student-t with ``BLUNDER_DEGREES``."""
BLUNDER_DEGREES = 3.0
DOUBTED, REFUSED = 0.9, 0.5
"""A find that is this drain with less is said; with less than the second the search goes on."""
OTHER_PIPE, BLUNDERED, NOT_LISTED = (
    "another pipe",
    "a blunder indoors or a wrong place of the building",
    "a way that is not listed",
)


def judge_finds(
    survey: Survey, weighed: WeighedSite, scored: Sequence[ScoredHypothesis]
) -> tuple[FindJudgment, ...]:
    """Judge every finding that counts, in the order of the table.

    Once the pipe was seen there is nothing left to search for: what comes after saves no search.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    weighed
        Site with its route samples and items of evidence.
    scored
        Hypotheses with probabilities, most probable first.

    Returns
    -------
    tuple[FindJudgment, ...]
        One judgment for each finding.
    """
    items = [item for _, item in weighed.items if isinstance(item, Found | Missed)]
    judged: list[FindJudgment] = []
    seen = False
    for item in items:
        one = _judged(survey, weighed, scored, item, done=seen)
        judged.append(one)
        seen = seen or (item.exposed and one.p_drain >= REFUSED)
    return tuple(judged)


def _judged(
    survey: Survey,
    weighed: WeighedSite,
    scored: Sequence[ScoredHypothesis],
    item: Found | Missed,
    *,
    done: bool,
) -> FindJudgment:
    """Judge one finding; ``done``: the pipe was seen before it."""
    without = _scored_without(weighed, scored, item.id)
    # a miss was not taken for anything: it only has a worth
    if not isinstance(item, Found):
        worth = 0.0 if done else _worth(survey, without, item)
        return FindJudgment(item, 0.0, np.nan, np.nan, (), worth)
    shares, off, below, weights = _explained(weighed, without, item)
    total = sum(shares.values())
    p_drain = shares.pop("this drain") / total
    causes = tuple((name, share / total) for name, share in shares.items())
    off_m = float(weighted_quantiles(off, weights, (0.5,))[0]) if off.size else np.nan
    below_m = float(weighted_quantiles(below, weights, (0.5,))[0]) if below.size else np.nan
    seen = item.exposed and p_drain >= REFUSED
    worth = 0.0 if done else _worth(survey, without, item, seen=seen)
    return FindJudgment(item, float(p_drain), off_m, below_m, causes, worth)


def _scored_without(
    weighed: WeighedSite, scored: Sequence[ScoredHypothesis], name: str
) -> tuple[ScoredHypothesis, ...]:
    """Return the hypotheses with weights and probabilities as they were without one item."""
    # what a what-if leaves out stays out
    left_out = frozenset({name}) | (weighed.left_out & {"locates"})
    estimates = [hypothesis_evidence(weighed, routes, left_out) for routes in weighed.routes]
    p = posterior(np.array([one.log_z for one in estimates]), weighed.prior)
    of = {
        routes.hypothesis.id: (routes, one) for routes, one in zip(weighed.routes, p, strict=True)
    }
    made = []
    for one in scored:
        routes, probability = of[one.hypothesis.id]
        weights = normalized_weights(log_weights(weighed, routes, left_out))
        made.append(replace(one, probability=float(probability), weights=weights))
    return tuple(made)


def _explained(
    weighed: WeighedSite, without: Sequence[ScoredHypothesis], item: Found
) -> tuple[dict[str, float], Array, Array, Array]:
    """Weigh what explains a find, given all but itself: shares by cause, not normalized.

    Gives the residuals across and below of the weighted routes besides. A blunder moves all that
    the marks tell: the same residuals under Student-t of its own spread.
    """
    site, right = weighed.site, reliability_of(item, weighed.site)
    stray = stray_find(item, site)
    routes_of = {routes.hypothesis.id: routes for routes in weighed.routes}
    fits = blundered = rest = 0.0
    offs, belows, weights = [], [], []
    for one in without:
        if not one.weights.any() or not one.probability > 0.0:
            # ways without a route: what they explain is not known, only that they may
            rest += one.probability
            continue
        of, share = routes_of[one.hypothesis.id], one.probability * one.weights
        if one.hypothesis.main is None:
            # past its first straight an unlisted lateral's place is not known
            passed = passes_find(item, of.vertices)
            rest += float(share[~passed].sum())
            share = share[passed]
            parts = (of.vertices[passed], of.inverts_m[passed], of.lengths_m[passed])
        else:
            parts = (of.vertices, of.inverts_m, of.lengths_m)
        misses = residuals(item, site, *parts)
        across, below, turn = misses
        # density of the find under this drain, averaged over its routes
        fits += float(share @ right_density(item, site, misses))
        spread = float(np.hypot(BLUNDER_M, across_sd_m(item, site)))
        wide = student(across, spread, BLUNDER_DEGREES)
        if below is not None:
            measured = cast(tuple[float, float], measured_invert_m(item, site))
            wide = wide * normal_density(below, float(np.hypot(BLUNDER_DEPTH_M, measured[1])))
        if turn is not None:
            # a blunder says nothing of the direction: even over half a turn
            wide = wide / np.pi
        blundered += float(share @ wide)
        offs.append(across)
        belows.append(np.full(across.size, np.nan) if below is None else below)
        weights.append(share)
    shares = {
        # prior of each cause × density of what was measured under it
        "this drain": right * (1.0 - BLUNDER) * fits,
        OTHER_PIPE: (1.0 - right) * stray,
        BLUNDERED: right * BLUNDER * blundered,
        NOT_LISTED: right * rest * stray,
    }
    joined = [np.concatenate(part) if part else np.zeros(0) for part in (offs, belows, weights)]
    return shares, joined[0], joined[1], joined[2]


def _worth(
    survey: Survey, without: Sequence[ScoredHypothesis], item: Found | Missed, *, seen: bool = False
) -> float:
    """Return the expected cost of digging that a finding saves, by the pits of stage ``score``.

    What the search planned without it would cost by what is known now, less the cost of the
    search planned now; of a pipe that was seen, all the search that would have been left.
    """
    rules, sampled = survey.rules, survey.routes
    site = without_findings(survey.site, frozenset({item.id}))
    before = draw_particles(without, sampled, site)
    planned = lay_pits(before, sampled, site, rules)
    # the pipe is exposed: all that was still to be searched for is saved
    if seen:
        return planned.plan(before.weights).cost
    placed = before.placed
    vertices, inverts = before.vertices[placed], before.inverts_m[placed]
    if isinstance(item, Missed):
        likelihood = np.ones(placed.size)
        alone = joint_miss_apart(miss_given(item, site, vertices, inverts)[None])
        likelihood[placed] = np.where(before.shows[placed], alone, 1.0)
    else:
        likelihood = np.full(placed.size, stray_find(item, site))
        misses = residuals(item, site, vertices, inverts, polyline.length(vertices))
        known = before.shows[placed] & (before.listed[placed] | passes_find(item, vertices))
        likelihood[np.flatnonzero(placed)[known]] = find_density(item, site, misses)[known]
    weights = before.weights * likelihood
    weights = weights / weights.sum()
    # the search as planned before, priced by what is known now
    order = planned.plan(before.weights).order
    return max(planned.cost_of(order, weights) - planned.plan(weights).cost, 0.0)


def find_notices(judged: Sequence[FindJudgment], site: Site) -> Iterator[Notice]:
    """Say which finds no route explains well, or are too narrow, and what else they would be.

    Parameters
    ----------
    judged
        What each finding is taken for.
    site
        The site as read.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    for one in judged:
        if not isinstance(one.finding, Found):
            continue
        causes = sorted(one.causes, key=lambda pair: (-round(pair[1], 6), pair[0]))
        words = ", ".join(f"{name} {percent(p)}" for name, p in causes if p >= 0.005)
        values: dict[str, Any] = {"id": one.finding.id, "p": percent(one.p_drain)}
        where = f"findings.csv row {one.finding.row}"
        if one.p_drain < DOUBTED:
            values |= {"off": _off_words(one, site), "causes": words}
            yield notice_of("find-not-explained", where, **values)
        elif is_narrower(one.finding, site):
            across = (one.finding.diameter_m or 0.0, site.drain_diameter_m)
            found, drain = (about(value, site.depth_units) for value in across)
            values |= {"found": found, "drain": drain, "causes": words or f"{OTHER_PIPE} under 1 %"}
            yield notice_of("find-narrower", where, **values)


def _off_words(one: FindJudgment, site: Site) -> str:
    """Say how far from a find the routes pass."""
    where = f"{about(one.off_m, site.units)} from it" if np.isfinite(one.off_m) else "far from it"
    # below 10 cm a difference in depth is not worth a word
    if np.isfinite(one.below_m) and abs(one.below_m) > 0.1:
        side = "lower" if one.below_m < 0 else "higher"
        where += f" and {about(abs(one.below_m), site.units)} {side}"
    return where
