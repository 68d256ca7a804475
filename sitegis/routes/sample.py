"""Stage ``routes``: weighted samples of complete routes for every hypothesis."""

from __future__ import annotations

from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np
from scipy.special import logsumexp
from scipy.stats import qmc

from .._frames import Array
from .._results import Exit, Hypothesis, Routes
from .._site import Main, Site
from .._survey import Survey
from .bends import MOST_BENDS
from .draw import DIMENSIONS, draw_heads
from .evidence import CountTie, Laid, aims_for, count_tie, log_likelihoods
from .fit import Fitted, fit_candidates
from .hypotheses import enumerate_hypotheses
from .plan import Plan, make_plan
from .terrain import Terrain, prepare_terrain
from .why import why_nothing_fits

__all__ = ["UNLISTED_LOG_FIT", "sample_routes"]

# ln Z of a lateral that runs in no listed way, before evidence. Direct ways that suit the exit
# have ln Z of about −1; `unlisted` gains only where every listed way is far worse. Judgement,
# no source.
UNLISTED_LOG_FIT = -6.0

PILOT_POWER, FIRST_POWER, LAST_POWER = 11, 12, 16
EFFECTIVE_SAMPLES, LOG_EVIDENCE_SE = 400.0, 0.05
# Share of the proposal over bend sequences that the pilot may not move.
DEFENSIVE_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class _Case:
    """What all hypotheses of a site share."""

    site: Site
    exit: Exit
    terrain: Terrain
    tie: CountTie | None
    least_slope: float


@dataclass(frozen=True, slots=True)
class _Batch:
    """Fitting routes of one draw with their likelihoods."""

    fitted: Fitted
    log_likelihoods: dict[str, Array]
    drawn: int

    @property
    def log_weights(self) -> Array:
        """Log prior / proposal × habits × likelihoods (m,)."""
        return np.asarray(self.fitted.log_prior + sum(self.log_likelihoods.values()))


def sample_routes(survey: Survey) -> Survey:
    """Sample complete routes for every hypothesis, by importance sampling.

    Exit pose from its posterior, up to three bends from the catalogue, lengths by the aim of
    the way, the last one solved so that it meets the main; scrambled Sobol' points seeded from
    ``site.seed`` and the hypothesis id. A pilot of 2¹¹ points adapts the proposal over bend
    sequences; then 2¹² points are doubled up to 2¹⁶ until the effective sample size
    (Σw)²/Σw² reaches 400 and the standard error of ln Z, √(1/ESS − 1/drawn), 0.05
    (see e.g. Owen, Monte Carlo theory, methods and examples, ch. 9).
    """
    site, exit = survey.site, survey.exit
    case = _Case(
        site, exit, prepare_terrain(site), count_tie(survey),
        survey.rules.least_slope(site.drain_diameter_m).slope,
    )  # fmt: skip
    mains = {main.id: main for main in site.mains}
    sampled = tuple(
        _unlisted(hypothesis)
        if hypothesis.main is None
        else _sample(hypothesis, mains[hypothesis.main], case)
        for hypothesis in enumerate_hypotheses(site)
    )
    return replace(survey, sampled=sampled)


def _unlisted(hypothesis: Hypothesis) -> Routes:
    return _empty(hypothesis, 0, "no route is sampled for a way that is not listed")


def _empty(hypothesis: Hypothesis, drawn: int, why: str) -> Routes:
    none = np.zeros(0)
    width = MOST_BENDS + 2
    return Routes(
        hypothesis, np.zeros((0, width, 2)), np.zeros((0, width)), none, none, none, none,
        {}, drawn, why,
    )  # fmt: skip


def _sample(hypothesis: Hypothesis, main: Main, case: _Case) -> Routes:
    """Sample one hypothesis: pilot, adapted proposal, growth."""
    aims = aims_for(case.site, main)
    plan = make_plan(hypothesis, main, case.site, case.exit, case.terrain, aims)
    if plan.why_none:
        return _empty(hypothesis, 0, plan.why_none)
    engine = _engine(hypothesis.id, case.site.seed)
    pilot = _draw(plan, engine, 1 << PILOT_POWER, case)
    if not len(pilot.fitted.rows):
        pilot = _draw(plan, engine, 3 << PILOT_POWER, case)
    if not len(pilot.fitted.rows):
        why = why_nothing_fits(plan, pilot.fitted, case.exit, case.least_slope)
        return _empty(hypothesis, pilot.drawn, why)
    plan = plan.with_shares(_adapted_shares(plan, pilot))
    engine = _engine(hypothesis.id + "/main", case.site.seed)
    batches = [_draw(plan, engine, 1 << FIRST_POWER, case)]
    while not _enough(batches) and sum(b.drawn for b in batches) < 1 << LAST_POWER:
        batches.append(_draw(plan, engine, sum(b.drawn for b in batches), case))
    return _joined(hypothesis, batches)


def _engine(name: str, seed: int) -> qmc.Sobol:
    generator = np.random.default_rng([seed, crc32(name.encode())])
    return qmc.Sobol(DIMENSIONS, scramble=True, seed=generator)


def _draw(plan: Plan, engine: qmc.Sobol, number: int, case: _Case) -> _Batch:
    heads = draw_heads(plan, case.exit, engine.random(number), case.least_slope)
    fitted = fit_candidates(plan, heads, case.exit, case.site.building, case.terrain)
    laid = Laid(
        case.site, plan.main, fitted.vertices, fitted.inverts_m, fitted.lengths_m,
        fitted.stations_m, plan.sequences.turns_rad[fitted.chosen], case.tie,
    )  # fmt: skip
    return _Batch(fitted, log_likelihoods(laid), number)


def _adapted_shares(plan: Plan, pilot: _Batch) -> Array:
    """Move the proposal over sequences toward prior × √(mean square weight), keeping a share."""
    logs = pilot.log_weights
    weights = np.exp(logs - logs.max())
    chosen = pilot.fitted.chosen
    own = weights * plan.shares[chosen] / plan.sequences.prior[chosen]
    size = len(plan.shares)
    expected = pilot.drawn * plan.shares
    square = np.bincount(chosen, own**2, minlength=size) / np.maximum(expected, 1.0)
    best = plan.sequences.prior * np.sqrt(square)
    return np.asarray(DEFENSIVE_SHARE * plan.shares + (1.0 - DEFENSIVE_SHARE) * best / best.sum())


def _enough(batches: list[_Batch]) -> bool:
    logs = np.concatenate([batch.log_weights for batch in batches])
    if not len(logs):
        return False
    effective = float(np.exp(2 * logsumexp(logs) - logsumexp(2 * logs)))
    drawn = sum(batch.drawn for batch in batches)
    spread = max(1.0 / effective - 1.0 / drawn, 0.0) ** 0.5
    return effective >= EFFECTIVE_SAMPLES and spread <= LOG_EVIDENCE_SE


def _joined(hypothesis: Hypothesis, batches: list[_Batch]) -> Routes:
    parts = [batch.fitted for batch in batches]
    names = batches[0].log_likelihoods
    return Routes(
        hypothesis=hypothesis,
        vertices=np.concatenate([p.vertices for p in parts]),
        inverts_m=np.concatenate([p.inverts_m for p in parts]),
        lengths_m=np.concatenate([p.lengths_m for p in parts]),
        arrivals_m=np.concatenate([p.arrivals_m for p in parts]),
        tap_stations_m=np.concatenate([p.stations_m for p in parts]),
        log_prior=np.concatenate([p.log_prior for p in parts]),
        log_likelihoods={
            name: np.concatenate([b.log_likelihoods[name] for b in batches]) for name in names
        },
        drawn=sum(batch.drawn for batch in batches),
    )
