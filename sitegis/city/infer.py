"""From routes, priors and a town's habits to a posterior per lot."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.site import Priors
from ..numerics.records import take_rows
from ..read.inverts import DEPTH_M, INVERT_SD_M, UNKNOWN_SD_M
from ..read.streets import STEP_TO_STREET_SD_M
from ..routes.fit import tap_prior
from .habits import DEPTH_SDS_M, DEPTHS_M, Choices, Features, factors, lot_shares
from .layer_arrays import FRONT, REAR, Flags, Habits, Mains, Pairs, Whole, Words, unique_rows
from .lot_priors import HYPOTHESES, UNLISTED, PriorTable, signatures
from .mains import main_inverts
from .routes import KINDS, SHARES, WALLS, WAYS, LotRoutes

# Judgment, no source: slope of a lateral, and how well a way that is not listed fits at random.
SLOPE, SLOPE_SD = 0.018, 0.006
UNLISTED_FIT = 0.30
PAST_END_M = 8.0
NEAR_M = 7.0
# Judgment, no source: likelihood of a lateral on record if another line is tapped.
WRONG_RECORD = 0.01
# Against the rear's and the alley's prior: nobody lays a main through private yards but to serve
# them, while one in an alley also passes lots by that drain to the street.
EASEMENT_WEIGHT, ALLEY_WEIGHT = 2.0, 0.65
ANSWERS = ("main on record", "no main on record", "no route fits")


@dataclass(frozen=True, slots=True)
class Posterior:
    """Per lot (n, 13): side × way (direct, side yard right, left of the house) and unlisted.

    ``routes`` (q, k) the probability of each route of each pair; ``walls`` (n, 13, 4) the exit
    wall given each hypothesis, as sides of the house (uniform for unlisted).
    """

    prior: Array
    probability: Array
    routes: Array
    walls: Array
    elevation_known: Flags

    @property
    def answers(self) -> Words:
        """What kind of answer each lot (n,) has: one of ``ANSWERS``.

        A lot without a main, or whose every simple route breaks a hard constraint, is left with
        the unlisted way alone: that is no knowledge of where its lateral runs.
        """
        no_main = self.prior[:, :UNLISTED].max(axis=1) <= 0.0
        none_fits = ~no_main & (self.probability[:, :UNLISTED].max(axis=1) <= 0.0)
        return np.asarray(np.array(ANSWERS)[1 * no_main + 2 * none_fits])

    def toward(self, side: int) -> Array:
        """Probability (n,) that the lateral goes to a main on a side code."""
        return np.asarray(self.probability[:, 3 * side : 3 * side + 3].sum(axis=1))


def above(arrival_m: Array, sd_m: Array) -> Array:
    """Return the probability that a Gaussian arrival lies above its main.

    Nothing more: between mains depth is no practice, for a lateral to a deep main ends in a riser.

    Parameters
    ----------
    arrival_m
        Mean height above the main (n,), m.
    sd_m
        Its standard deviation (n,), m.

    Returns
    -------
    Array
        Probabilities (n,).
    """
    return np.asarray(ndtr(arrival_m / sd_m))


def end_weight(past_m: Array) -> Array:
    """Weigh a route that would meet its main past its end: 1/(1 + (past/8 m)²), judgment.

    Such laterals tap the last reach or the manhole at the end; 1 on the main itself.
    """
    return np.asarray(1.0 / (1.0 + (past_m / PAST_END_M) ** 2))


def _elevations(
    pairs: Pairs, laid: LotRoutes, mains: Mains, grounds_m: Array
) -> tuple[Array, Flags]:
    """Return the probabilities to come in above the main (3, q, k), and where elevations are known.

    By the depth at which the drain leaves, of Gaussian arrivals.
    """
    invert = np.full(laid.main.shape, np.nan)
    found = laid.main >= 0
    invert[found] = main_inverts(mains, laid.main[found], laid.stations_m[found])
    ground = grounds_m[pairs.lot][:, None]
    known = np.isfinite(invert) & np.isfinite(ground)
    # ground to main, less the fall of the lateral: how deep its invert may lie at the house
    below = np.where(known, ground - invert, DEPTH_M) - SLOPE * laid.lengths_m
    # not known: an ordinary depth below the ground, with the spread
    # of such and of the step to the street
    main = np.where(known, INVERT_SD_M**2, UNKNOWN_SD_M**2 + STEP_TO_STREET_SD_M**2)
    main = main + (SLOPE_SD * laid.lengths_m) ** 2
    arrives = [
        above(below - depth, np.sqrt(main + sd**2))
        for depth, sd in zip(DEPTHS_M, DEPTH_SDS_M, strict=True)
    ]
    return np.stack(arrives), known


@dataclass(frozen=True, slots=True)
class LotFacts:
    """What is known of the lots (n,) beside their routes; nan where it is not.

    ``front_sure`` is the probability that the front is the front, ``other_fronts`` the side that is
    it else (-1 none). ``basements`` is 1 with a basement, 0 without. ``record`` is the line that a
    lateral on record taps, -1 for none. ``votes`` (q,) are those of neighbors, by pair.
    """

    grounds_m: Array
    years: Array
    front_sure: Array
    other_fronts: Whole
    basements: Array
    record: Whole
    votes: Array


@dataclass(frozen=True, slots=True)
class Weighed:
    """Routes before the town's habits weigh them: by lot (n, 13) the prior, by pair the rest.

    ``fits`` (3, q, k) are practice, share and fit by the depth at which the drain leaves; 0 for a
    route that breaks a hard constraint, whatever else is evidence for it.
    """

    prior: Array
    fits: Array
    features: Features
    elevation_known: Flags

    def by_alternative(self, weight: Array) -> Array:
        """Return the sums (3, q, 3) of weights (3, q, k) by way."""
        sums = np.zeros((*weight.shape[:2], 3))
        # column by column: numpy adds rows in an order that depends on how many there are
        for i, way in enumerate(WAYS.tolist()):
            sums[:, :, way] += weight[:, :, i]
        return sums


def weigh(
    pairs: Pairs, laid: LotRoutes, mains: Mains, facts: LotFacts, table: PriorTable
) -> Weighed:
    """Weigh routes by practice and elevations: tap practice × share × probability to come in above.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    mains
        The mains, m of them.
    facts
        What is known of the lots.
    table
        Priors by sides with mains.

    Returns
    -------
    Weighed
        Weights by lot and route.
    """
    arrives, known = _elevations(pairs, laid, mains, facts.grounds_m)
    practice = tap_prior(laid.slants_rad) * end_weight(laid.past_m)
    base = np.where(laid.fits, practice, 0.0) * SHARES * _served(pairs, table.priors)[:, None]
    given = [
        table.mixed(key, year, sure, other)
        for (key, year), sure, other in zip(
            signatures(pairs, facts.years),
            facts.front_sure.tolist(),
            facts.other_fronts.tolist(),
            strict=True,
        )
    ]
    count = len(facts.grounds_m)
    elevation = np.zeros(count, bool)
    elevation[pairs.lot[(known & laid.fits).any(axis=1)]] = True
    features = Features(
        farther=_farther_m(pairs, laid) / NEAR_M,
        behind=np.asarray(pairs.side == REAR, float),
        aside=np.asarray((pairs.side != REAR) & (pairs.side != FRONT), float),
        votes=facts.votes,
    )
    prior = np.array(given).reshape(count, HYPOTHESES)
    return Weighed(prior, base * arrives, features, elevation)


def infer(
    pairs: Pairs, laid: LotRoutes, mains: Mains, facts: LotFacts, table: PriorTable, habits: Habits
) -> Posterior:
    """Turn routes into probabilities: prior × mean fit over exits and shapes, for each way.

    The fit of a route is 0 where it breaks a hard constraint, else tap practice × the probability
    that it comes in above its main; its share says how likely its exit and shape are within its
    way. ``unlisted`` fits with 0.3 (judgment). Every row of the posterior sums to 1. What a town's
    laterals have in common is the same for all its lots: the posterior is its mean over ``habits``.
    A lateral on record speaks a hundred times for its line.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    mains
        The mains, m of them.
    facts
        What is known of the lots.
    table
        Priors by sides with mains.
    habits
        What the town's laterals have in common.

    Returns
    -------
    Posterior
        Probabilities by lot, way and main.
    """
    weighed = weigh(pairs, laid, mains, facts, table)
    on_record, other = _record_likelihoods(pairs, laid, mains, facts.record)
    fits = weighed.fits * on_record
    by_alternative = weighed.by_alternative(fits)
    places = pairs.lot[:, None], 3 * pairs.side[:, None] + np.arange(3)
    probability, scale = np.zeros_like(weighed.prior), np.zeros((3, len(pairs.lot)))
    whole = math.fsum(habits.weights.tolist())
    for point, share in enumerate(habits.weights.tolist()):
        depths = lot_shares(habits, point, facts.basements)[pairs.lot].T
        weight = factors(habits, point, weighed.features) * depths
        joint = np.zeros_like(weighed.prior)
        joint[places] = sum(w[:, None] * way for w, way in zip(weight, by_alternative, strict=True))
        joint[:, UNLISTED] = UNLISTED_FIT * other
        joint *= weighed.prior
        total = _row_sums(joint)
        by = share / whole / np.where(total > 0.0, total, np.inf)
        probability += joint * by[:, None]
        scale += weight * by[pairs.lot]
    total = _row_sums(probability)
    possible = total > 0.0
    probability = probability / np.where(possible, total, 1.0)[:, None]
    probability = np.where(possible[:, None], probability, np.eye(HYPOTHESES)[UNLISTED])
    # probability of a route: its share of its way's evidence times the way's probability
    routes = sum(by[:, None] * fit for by, fit in zip(scale, fits, strict=True))
    routes = routes * weighed.prior[pairs.lot[:, None], 3 * pairs.side[:, None] + WAYS]
    walls = _walls(len(probability), pairs, routes)
    return Posterior(weighed.prior, probability, routes, walls, weighed.elevation_known)


def _row_sums(values: Array) -> Array:
    """Return the sums of rows (n, 13), column by column, so that no other row plays a part."""
    total = np.zeros(len(values))
    for column in values.T:
        total += column
    return total


def _record_likelihoods(
    pairs: Pairs, laid: LotRoutes, mains: Mains, record: Whole
) -> tuple[Array, Array]:
    """Return the likelihoods of records by route (q, k), and those of other ways by lot (n,)."""
    other = np.where(record >= 0, WRONG_RECORD, 1.0)
    if not (record >= 0).any():
        return np.ones(laid.main.shape), other
    line = np.where(laid.main >= 0, mains.line[laid.main], -1)
    on_record = record[pairs.lot][:, None]
    return np.where((on_record >= 0) & (line != on_record), WRONG_RECORD, 1.0), other


def choices_of(
    pairs: Pairs, laid: LotRoutes, mains: Mains, facts: LotFacts, table: PriorTable
) -> Choices:
    """Return the rows of lots with a lateral on record, for :func:`.habits.learn`.

    Lots without any route that fits are left out.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    mains
        The mains, m of them.
    facts
        What is known of the lots.
    table
        Priors by sides with mains.

    Returns
    -------
    Choices
        One row a side and line.
    """
    weighed = weigh(pairs, laid, mains, facts, table)
    prior = weighed.prior[pairs.lot[:, None], 3 * pairs.side[:, None] + WAYS]
    fits = weighed.fits * prior
    reached = (facts.record >= 0)[pairs.lot][:, None] & (laid.main >= 0) & (fits.max(axis=0) > 0.0)
    pair, kind = np.nonzero(reached)
    line = mains.line[laid.main[pair, kind]]
    keys, row = unique_rows(pair, line)
    count = keys.shape[1]
    lots, lot = np.unique(pairs.lot[keys[0]], return_inverse=True)
    return Choices(
        lot=lot.astype(np.int64),
        features=take_rows(weighed.features, keys[0]),
        fits=np.array([np.bincount(row, fit[pair, kind], minlength=count) for fit in fits], float),
        line=keys[1],
        chosen=keys[1] == facts.record[lots][lot],
        unlisted=UNLISTED_FIT * weighed.prior[lots, UNLISTED][lot],
        basements=facts.basements[lots][lot],
    )


def _farther_m(pairs: Pairs, laid: LotRoutes) -> Array:
    """Return how much longer each pair's (q,) shortest route is than its lot's, m.

    Of two mains the nearer is the likelier, by e for every 7 m. Judgment, no source.
    """
    shortest = np.where(laid.fits, laid.lengths_m, np.inf).min(axis=1, initial=np.inf)
    # shortest route of any pair of the lot
    of_lot = np.full(int(pairs.lot.max(initial=-1)) + 1, np.inf)
    np.minimum.at(of_lot, pairs.lot, shortest)
    return np.where(np.isfinite(shortest), shortest, 0.0) - np.where(
        np.isfinite(shortest), of_lot[pairs.lot], 0.0
    )


def _served(pairs: Pairs, priors: Priors) -> Array:
    """Weigh pairs (q,) by whom a main behind the lot serves, where CITY.toml gives no prior."""
    weight = np.ones(len(pairs.lot))
    if priors.alley is None:
        weight[pairs.alley] = ALLEY_WEIGHT
    if priors.rear is None:
        weight[pairs.easement & ~pairs.alley & (pairs.side == REAR)] = EASEMENT_WEIGHT
    return weight


def _walls(count: int, pairs: Pairs, weight: Array) -> Array:
    """Return P(exit wall | hypothesis) (n, 13, 4); walls are sides of the house."""
    walls = np.zeros((count, HYPOTHESES, 4))
    # as seen toward side s: ahead s, right s - 1, away s + 2, left s + 1 (in the order of sides)
    turn = np.array([0, 3, 2, 1])
    for i, kind in enumerate(KINDS):
        wall = (pairs.side + turn[WALLS[i]]) % 4
        np.add.at(walls, (pairs.lot, 3 * pairs.side + kind.way, wall), weight[:, i])
    total = walls.sum(axis=2, keepdims=True)
    return np.where(total > 0.0, walls / np.where(total > 0.0, total, 1.0), 0.25)
