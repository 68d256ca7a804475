"""The best next check: what it would tell, and what digging it would save."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np
from numpy.typing import NDArray
from scipy.special import entr

from ..geometry.frames import Array
from ..model.results import NextCheck, Routes, ScoredHypothesis
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, decimals, in_steps, largest
from ..units import percent
from .checks import Check, CheckContext, list_checks
from .particles import Particles, draw_particles
from .pits import Pits, lay_pits
from .posterior import information_gain_bits
from .search import CENT, SearchPlan
from .weighed_site import WeighedSite
from .words import name_hypothesis

# neighboring spots say nearly the same: the list would be full of them
MOST_SEARCHES = 2
LEAST_OUTCOME = 1e-9
Asked = tuple[Check, Array]
"""A check with P(particle, outcome) as (p, o)."""


def rank_checks(context: CheckContext, asked: Sequence[Asked]) -> tuple[NextCheck, ...]:
    """Rank the checks by what they save: expected dig cost before − after − their own cost.

    Exact sums over outcomes and route particles. The dig is the pit search of
    :mod:`sitegis.score.pits`; a check that changes it in no outcome saves nothing of it,
    however much it tells. Of the spots in the yard only the ``MOST_SEARCHES`` best are kept.

    Parameters
    ----------
    context
        Particles, pits and what else the checks are judged by.
    asked
        Checks with their outcomes.

    Returns
    -------
    tuple[NextCheck, ...]
        The checks, what saves most first.
    """
    spots = [_evaluate(*one, context) for one in asked if one[0].kind == "spot"]
    others = [_evaluate(*one, context) for one in asked if one[0].kind != "spot"]
    return tuple(sorted([*others, *sorted(spots, key=_rank)[:MOST_SEARCHES]], key=_rank))


def prepare_checks(
    survey: Survey,
    weighed: WeighedSite,
    scored: Sequence[ScoredHypothesis],
    sampled: Sequence[Routes],
) -> CheckContext:
    """Draw the particles and lay the pits that the checks are judged by.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    weighed
        Site with its route samples and items of evidence.
    scored
        Hypotheses with probabilities, most probable first.
    sampled
        Route samples of every hypothesis.

    Returns
    -------
    CheckContext
        What the checks are judged by.
    """
    particles = draw_particles(scored, sampled, survey.site)
    return CheckContext(
        survey, weighed, particles, lay_pits(particles, sampled, survey.site, survey.rules)
    )


def ask_checks(context: CheckContext) -> tuple[Asked, ...]:
    """List the checks, each with P(particle, outcome) as (p, o)."""
    weights = context.particles.weights[:, None]
    return tuple(
        (check, weights * check.likelihood(context.particles)) for check in list_checks(context)
    )


def telling_checks(context: CheckContext, asked: Sequence[Asked]) -> dict[str, str]:
    """Name for each main the check with the most expected information on "this one or another".

    The cheaper on a tie; mains that no check tells from another are left out.

    Parameters
    ----------
    context
        Particles, pits and what else the checks are judged by.
    asked
        Checks with their outcomes.

    Returns
    -------
    dict[str, str]
        Name of a check by main.
    """
    telling = {}
    for main in context.survey.site.mains:
        mine = context.particles.on_main(main.id)
        gains = [
            (-float(in_steps(_binary_gain(mine, joint), MATTERS_P)), check.cost, check.name)
            for check, joint in asked
        ]
        if gains and min(gains)[0] < 0.0:
            telling[main.id] = min(gains)[2]
    return telling


def _binary_gain(mine: NDArray[np.bool_], joint: Array) -> float:
    """Return the expected information of P(particle, outcome) on whether it is this main, bits."""
    # I = H(main) + H(outcome) − H(main, outcome)
    yes, no = joint[mine].sum(axis=0), joint[~mine].sum(axis=0)
    prior = entr(yes.sum()) + entr(no.sum())
    outcome = entr(yes + no).sum()
    return float((prior + outcome - entr(yes).sum() - entr(no).sum()) / np.log(2.0))


def _rank(check: NextCheck) -> tuple[float, float, str]:
    """Order by saving in cents, then by gain in millionths of a bit, then by words."""
    saving, gain = in_steps(check.saving, CENT), in_steps(check.gain_bits, MATTERS_P)
    return -float(saving), -float(gain), check.check


def _evaluate(check: Check, joint: Array, context: CheckContext) -> NextCheck:
    """Work out one check."""
    particles = context.particles
    by_hypothesis = particles.by_hypothesis(joint)
    prior = by_hypothesis.sum(axis=1)
    # P(outcome | hypothesis); rows without weight count for nothing
    conditional = by_hypothesis / np.where(prior > 0.0, prior, 1.0)[:, None]
    gain = information_gain_bits(prior, conditional)
    value = dig_cost_saved(joint, particles, context.pits, ends_search=check.ends_search)
    # plus 0.0, so that no −0.0 is shown
    saving = round(value - check.cost, 6) + 0.0
    outcomes = _outcome_table(check, joint, context)
    return NextCheck(check.name, gain, saving, check.cost, outcomes, is_dig=check.ends_search)


def dig_cost_saved(
    joint: Array, particles: Particles, pits: Pits, *, ends_search: bool = False
) -> float:
    """Return the value of information of a check for the dig, before its own cost.

    Σₒ P(o) [cost of today's plan given o − cost of the best plan given o], never below 0, and
    exactly 0 where today's plan stays the best whatever comes out. ``joint`` (p, o) is
    P(particle, outcome). Few particles are left by an answer: planned and priced on the same
    ones its dig looks too cheap, planned on every other one and priced on the rest too dear. The
    mean of the two is stated (tests/benchmarks/checks.txt holds it against what was saved).
    After the first outcome of a check that ``ends_search`` (a pit that hits) nothing is left to
    dig; the first pit of today's plan thus saves just its own cost.

    Parameters
    ----------
    joint
        P(particle, outcome) (p, o).
    particles
        Routes that stand for the samples, p of them.
    pits
        Pits that may be dug.
    ends_search
        Whether the first outcome leaves nothing to dig.

    Returns
    -------
    float
        Cost saved, in the site's currency.
    """
    today = pits.plan(particles.weights)
    if ends_search:
        rest = joint[:, 1:]
        # where the check hits, all of today's digging is saved
        # the particles as they are given that the pit hit
        found = joint[:, 0] / max(float(joint[:, 0].sum()), LEAST_OUTCOME)
        saved = float(joint[:, 0].sum()) * pits.cost_of(today.order, found)
        return saved + _saved(rest, rest, today, pits)
    saved = _saved(joint, joint, today, pits)
    if saved <= 0.0:
        return 0.0
    # every other particle: planned on one half, priced on the other, and the reverse
    # what has no route is half in either half
    odd = np.where(particles.listed, np.arange(joint.shape[0]) % 2, 0.5)[:, None]
    halves = (joint * odd, joint * (1.0 - odd))
    apart = sum(_saved(one, other, today, pits) for one, other in permutations(halves))
    return max(0.5 * (saved + apart), 0.0)


def _saved(seen: Array, priced: Array, today: SearchPlan, pits: Pits) -> float:
    """Return what planning on the particles ``seen`` after each outcome saves on those priced.

    Both (p, o); the priced ones count by what they sum to.
    """
    outcomes = [
        (known, column)
        for known, column in zip(seen.T, priced.T, strict=True)
        if min(float(column.sum()), float(known.sum())) >= LEAST_OUTCOME
    ]
    plans = pits.plans([known / known.sum() for known, _ in outcomes])
    saved = 0.0
    for (_, column), plan in zip(outcomes, plans, strict=True):
        # an answer that changes no pit saves nothing
        if plan.order != today.order:
            probability = float(column.sum())
            given = column / probability
            was, best = (pits.cost_of(one.order, given) for one in (today, plan))
            saved += probability * (was - best)
    return saved


def _outcome_table(
    check: Check, joint: Array, context: CheckContext
) -> tuple[tuple[str, float, str], ...]:
    """Say for each outcome how likely it is and what to do then, outcomes by words."""
    merged: dict[str, Array] = {}
    for words, column in zip(check.outcomes, joint.T, strict=True):
        merged[words] = merged.get(words, 0.0) + column
    rows = [
        (words, float(column.sum()), _what_then(words, column / column.sum(), check, context))
        for words, column in merged.items()
        if column.sum() > LEAST_OUTCOME
    ]
    total = sum(probability for _, probability, _ in rows)
    return tuple((words, probability / total, then) for words, probability, then in rows)


def _what_then(words: str, weights: Array, check: Check, context: CheckContext) -> str:
    """Say which way leads after an outcome, and where to dig first."""
    by_hypothesis = context.particles.by_hypothesis(weights)
    leader = largest(by_hypothesis, MATTERS_P)
    name = name_hypothesis(context.particles.scored[leader].hypothesis, context.survey.site)
    plan = context.pits.plan(weights)
    if check.ends_search and words == check.outcomes[0]:
        act = "the search is over, expose the pipe by hand"
    elif plan.order:
        act = f"dig {context.pits.words(plan.order[0], context.survey.site)}"
    else:
        act = "open the ground at the wall and follow the pipe"
    # as probabilities are written: a sum to 1 is one, whatever its last bit
    return f"{name} {percent(float(decimals(by_hypothesis[leader], 6)))}: {act}"
