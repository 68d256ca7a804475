"""Stage ``routes``: weighted samples of complete routes for every hypothesis."""

from __future__ import annotations

from dataclasses import replace
from zlib import crc32

import numpy as np

from ..evidence import CountTie, RouteSet
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.results import Exit, Hypothesis, Routes
from ..model.site import Main, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, at_least, largest
from ..numerics.statistics import (
    MOST_PARETO_K,
    effective_samples,
    estimate_log_evidence,
    normalized_weights,
    pareto_k,
)
from .bends import MOST_BENDS
from .draw import DIMENSIONS, draw_heads, is_found, suit_sequences
from .fit import Fitted, fit_candidates, reason_for_none
from .hypotheses import enumerate_hypotheses
from .likelihoods import aims_for, count_tie, log_likelihoods
from .plan import Plan, make_plan, proposal_shares
from .sobol import Sobol, scrambled
from .terrain import Terrain, prepare_terrain
from .unlisted import unlisted_routes

__all__ = ["sample_routes"]

# powers of two: a Sobol' sequence is even only over whole ones; where something was found, which
# leaves few draws to adapt by, pilot and first batch are twice as large
PILOT_POWER, FIRST_POWER, LAST_POWER = 10, 11, 16
# judgment, no source: what the draws of one way must be worth
EFFECTIVE_SAMPLES, LOG_EVIDENCE_SE = 400.0, 0.05
# of those, where something was found, what all but the likeliest sequence of bends must be worth,
# as long as they hold this share: half a set of 95 % may lie there. Judgment.
REST_EFFECTIVE, REST_SHARE = 200.0, 0.02
# Share of the proposal over bend sequences that the pilot may not move.
DEFENSIVE_SHARE = 0.25
# A way whose prior × Z, two standard errors up, is below this share of the best is not refined
# further: no evidence that is weighed later lifts it to where its accuracy matters. Judgment.
NEGLIGIBLE_SHARE = 3e-4
# One that reaches this share of the best is drawn so often in any case: by it the answer is
# known, by the others their own probability. Judgment.
LEADING_SHARE, LEADING_POWER = 0.05, 12
SO_FEW = "so few routes fit that none was found among those drawn"


@dataclass(frozen=True, slots=True)
class _Setting:
    """What all hypotheses of a site share."""

    site: Site
    exit: Exit
    terrain: Terrain
    tie: CountTie | None
    least_slope: float
    drain_ends_m: float


@dataclass(frozen=True, slots=True)
class _Batch:
    """Fitting routes of one draw with their likelihoods."""

    fitted: Fitted
    log_likelihoods: dict[str, Array]
    drawn: int
    shares: Array
    prior: Array

    @property
    def log_odds(self) -> Array:
        """Log prior / proposal of each route's bend sequence (m,)."""
        return np.asarray(np.log(self.prior / self.shares)[self.fitted.chosen])

    @property
    def log_weights(self) -> Array:
        """Log prior / proposal × practice × likelihoods (m,)."""
        return np.asarray(self.fitted.log_prior + sum(self.log_likelihoods.values()))


def sample_routes(survey: Survey) -> Survey:
    """Sample complete routes for every hypothesis, by importance sampling.

    Exit pose from its posterior, up to three bends from the catalog, lengths by the aim of
    the way, the last one solved so that it meets the main; scrambled Sobol' points seeded from
    ``site.seed`` and the hypothesis id. A pilot of 2¹⁰ points adapts the proposal over bend
    sequences (twice as many in each step where something was found); then 2¹¹ points are doubled
    up to 2¹⁶ until the effective sample size (Σw)²/Σw² reaches 400 and the standard error of
    ln Z, √(1/ESS − 1/drawn), 0.05 (see e.g. Owen, Monte Carlo theory, methods and examples,
    ch. 9), for the leading ways at least to 2¹². Ways with a negligible share of the posterior
    stay at the first batch.
    """
    site, exit = survey.site, survey.exit
    setting = _Setting(
        site,
        exit,
        prepare_terrain(site),
        count_tie(survey),
        survey.rules.least_slope(site.drain_diameter_m).slope,
        survey.rules.building_drain_beyond_wall_m,
    )
    mains = {main.id: main for main in site.mains}
    hypotheses = enumerate_hypotheses(site)
    runs = [_started(one, mains[one.main], setting) for one in hypotheses if one.main is not None]
    # against the best way so far: all have their first batch by now
    best = max((run.log_share() for run in runs), default=-np.inf)
    listed = [_routes(_grown(run, best, setting)) for run in runs]
    loose = [unlisted_routes(one, site, exit) for one in hypotheses if one.main is None]
    return replace(survey, sampled=(*listed, *loose))


@dataclass(frozen=True, slots=True)
class _Run:
    """One hypothesis on its way: what was drawn so far, or why nothing fits."""

    hypothesis: Hypothesis
    plan: Plan | None
    sequence: Sobol | None
    batches: tuple[_Batch, ...]
    drawn: int
    why_none: str = ""

    @property
    def log_weights(self) -> Array:
        """Log weights (m,) of all batches."""
        return np.concatenate([batch.log_weights for batch in self.batches])

    def log_share(self, errors: float = 0.0) -> float:
        """Log of prior × Z, some standard errors up; −inf where nothing fits."""
        if not self.batches or self.hypothesis.prior <= 0:
            return -np.inf
        found = estimate_log_evidence(self.log_weights, self.drawn)
        return float(np.log(self.hypothesis.prior)) + found.log_z + errors * found.log_z_se


def _started(hypothesis: Hypothesis, main: Main, setting: _Setting) -> _Run:
    """Plan a hypothesis, draw its pilot, and the first batch with the adapted proposal."""
    aims = aims_for(setting.site, main)
    plan = make_plan(
        hypothesis,
        main,
        setting.exit,
        setting.terrain,
        aims,
        drain_ends_m=setting.drain_ends_m,
        units=setting.site.units,
    )
    if plan.why_none:
        return _Run(hypothesis, None, None, (), 0, plan.why_none)
    plan = suit_sequences(plan, setting.exit)
    sequence = _sequence(hypothesis.id, setting.site.seed)
    twice = int(is_found(plan))
    drawn = 1 << PILOT_POWER + twice
    pilot = _draw(plan, sequence.points(0, drawn), setting)
    # others, twice as many, before a way is said to fit nowhere
    if not len(pilot.fitted.rows):
        more = 2 << PILOT_POWER
        pilot, drawn = _draw(plan, sequence.points(more, more), setting), drawn + more
    if not len(pilot.fitted.rows):
        reason = reason_for_none(
            plan, pilot.fitted, setting.exit, setting.least_slope, setting.site.units
        )
        return _Run(hypothesis, None, None, (), drawn, reason)
    adapted = plan.with_shares(_adapted_shares(plan, (pilot,)))
    # a sequence of its own: the points that adapted the proposal are not weighed by it
    sequence = _sequence(hypothesis.id + "/main", setting.site.seed)
    first = _draw(adapted, sequence.points(0, 1 << FIRST_POWER + twice), setting)
    return _Run(hypothesis, plan, sequence, (first,), first.drawn)


def _grown(run: _Run, best_log_share: float, setting: _Setting) -> _Run:
    """Double the draws until they are enough, the budget is spent, or the share negligible.

    Every doubling adapts the proposal anew to all draws before it.
    """
    while (
        run.plan is not None
        and run.sequence is not None
        and run.drawn < 1 << LAST_POWER
        and at_least(run.log_share(errors=2.0), best_log_share + np.log(NEGLIGIBLE_SHARE))
        and not _enough(run, best_log_share)
    ):
        adapted = run.plan.with_shares(_adapted_shares(run.plan, run.batches))
        batch = _draw(adapted, run.sequence.points(run.drawn, run.drawn), setting)
        run = replace(run, batches=(*run.batches, batch), drawn=run.drawn + batch.drawn)
    return run


def _sequence(name: str, seed: int) -> Sobol:
    (generator,) = np.random.default_rng([seed, crc32(name.encode())]).spawn(1)
    return scrambled(DIMENSIONS, generator)


def _draw(plan: Plan, uniforms: Array, setting: _Setting) -> _Batch:
    heads = draw_heads(plan, setting.exit, uniforms, setting.least_slope)
    fitted = fit_candidates(plan, heads, setting.exit, setting.site.building, setting.terrain)
    laid = RouteSet(
        site=setting.site,
        main=plan.main,
        vertices=fitted.vertices,
        inverts_m=fitted.inverts_m,
        lengths_m=fitted.lengths_m,
        stations_m=fitted.stations_m,
        turns_rad=plan.sequences.turns_rad[fitted.chosen],
        tie=setting.tie,
    )
    return _Batch(fitted, log_likelihoods(laid), len(uniforms), plan.shares, plan.sequences.prior)


def _adapted_shares(plan: Plan, batches: tuple[_Batch, ...]) -> Array:
    """Move the proposal over sequences toward prior × √(mean square weight), keeping a share.

    That is the proposal of least variance for draws in strata; weights are taken free of the
    proposal that drew them. Where something was found half of it goes by the root: ln Z is soon
    known by the one sequence that suits best, the azimuth not before the rare ones are.
    """
    logs = np.concatenate([batch.log_weights - batch.log_odds for batch in batches])
    chosen = np.concatenate([batch.fitted.chosen for batch in batches])
    if not len(logs):
        return plan.shares
    # second moment of the weights in each sequence of bends, up to one factor
    square = np.bincount(chosen, np.exp(2 * (logs - logs.max())), minlength=len(plan.shares))
    # draws that each sequence had over all batches
    expected = sum(batch.drawn * batch.shares for batch in batches)
    best = plan.sequences.prior * np.sqrt(square / np.maximum(expected, 1.0))
    best = proposal_shares(best) if is_found(plan) else best / best.sum()
    return np.asarray(DEFENSIVE_SHARE * plan.shares + (1.0 - DEFENSIVE_SHARE) * best)


def _enough(run: _Run, best_log_share: float) -> bool:
    leading = at_least(run.log_share(errors=2.0), best_log_share + np.log(LEADING_SHARE))
    if leading and run.drawn < 1 << LEADING_POWER:
        return False
    found = estimate_log_evidence(run.log_weights, run.drawn)
    if run.plan is not None and any(aim.held for aim in run.plan.aims):
        # a precise find may leave a few heavy draws: go on until they are seen through
        weights = normalized_weights(run.log_weights)
        if not at_least(MOST_PARETO_K, pareto_k(weights), MATTERS_P):
            return False
        if is_found(run.plan) and not _rest_known(run, weights):
            return False
    many = at_least(found.effective_samples, EFFECTIVE_SAMPLES)
    return bool(many and at_least(LOG_EVIDENCE_SE, found.log_z_se))


def _rest_known(run: _Run, weights: Array) -> bool:
    """Return whether the sequences of bends beside the likeliest one are seen through too."""
    chosen = np.concatenate([batch.fitted.chosen for batch in run.batches])
    share = np.bincount(chosen, weights)
    rest = weights[chosen != largest(share, MATTERS_P)]
    if not at_least(rest.sum(), REST_SHARE):
        return True
    return bool(at_least(effective_samples(rest), REST_EFFECTIVE))


def _routes(run: _Run) -> Routes:
    """Join the batches of a run."""
    if not run.batches or not len(run.log_weights):
        none, width = np.zeros(0), MOST_BENDS + 2
        return Routes(
            hypothesis=run.hypothesis,
            vertices=np.zeros((0, width, 2)),
            inverts_m=np.zeros((0, width)),
            lengths_m=none,
            arrivals_m=none,
            tap_stations_m=none,
            log_prior=none,
            log_likelihoods={},
            drawn=run.drawn,
            why_none=run.why_none or SO_FEW,
        )
    parts = [batch.fitted for batch in run.batches]
    return Routes(
        hypothesis=run.hypothesis,
        vertices=np.concatenate([p.vertices for p in parts]),
        inverts_m=np.concatenate([p.inverts_m for p in parts]),
        lengths_m=np.concatenate([p.lengths_m for p in parts]),
        arrivals_m=np.concatenate([p.arrivals_m for p in parts]),
        tap_stations_m=np.concatenate([p.stations_m for p in parts]),
        log_prior=np.concatenate([p.log_prior for p in parts]),
        log_likelihoods={
            name: np.concatenate([batch.log_likelihoods[name] for batch in run.batches])
            for name in run.batches[0].log_likelihoods
        },
        drawn=run.drawn,
        components=np.concatenate([p.components for p in parts]),
        drain_slopes=np.concatenate([p.drain_slopes for p in parts]),
    )
