"""From routes and priors to a posterior per lot, and to what a check would tell."""

from __future__ import annotations

from dataclasses import field

import numpy as np
from scipy.special import entr, ndtr

from ..evidence import dye
from ..evidence.kind import UNLISTED_PASSES
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..line.profile import INVERT_PRIOR_M
from ..model.site import SIDES, Main, Priors
from ..read.inverts import DEPTH_M, INVERT_SD_M, UNKNOWN_SD_M
from ..read.streets import GROUND_M, GROUND_SD_M, STEP_TO_STREET_SD_M
from ..routes.fit import tap_prior
from ..routes.hypotheses import OLDER_BEFORE_YEAR, list_hypotheses
from .layer_arrays import FRONT, REAR, Flags, Mains, Pairs, Whole, Words, unique_rows
from .mains import main_inverts
from .routes import DIRECT, KINDS, SHARES, WALLS, WAYS, YARD_LEFT, YARD_RIGHT, LotRoutes

# Judgment, no source: slope of a lateral, and how well a way that is not listed fits at random.
SLOPE, SLOPE_SD = 0.018, 0.006
UNLISTED_FIT = 0.30
PAST_END_M = 8.0
# A drain need not pass under a basement floor: depth below the ground, sd, and how many must.
SHALLOW_M, SHALLOW_SD_M, MUST_BE_LOW = 0.9, 0.3, 0.3
NEAR_M = 7.0
# Against the rear's and the alley's prior: nobody lays a main through private yards but to serve
# them, while one in an alley also passes lots by that drain to the street.
EASEMENT_WEIGHT, ALLEY_WEIGHT = 2.0, 0.65
HYPOTHESES = 4 * 3 + 1
UNLISTED = HYPOTHESES - 1
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


@dataclass(slots=True)
class PriorTable:
    """The stage's priors by signature (sides, kinds, age): few differ in a whole city."""

    priors: Priors
    known: dict[tuple[tuple[tuple[int, bool], ...], int | None], Array] = field(
        default_factory=dict
    )

    def prior_of(self, pairs: tuple[tuple[int, bool], ...], year: int | None) -> Array:
        """Return the prior (13,) of a lot with mains on these (side, alley) pairs.

        Parameters
        ----------
        pairs
            Sides with mains, and whether in an alley.
        year
            Year of the house, None where not known.

        Returns
        -------
        Array
            Prior (13,).
        """
        # few signatures in a whole city: the stage's own hypotheses are worked out once for each
        key = (pairs, year)
        if key not in self.known:
            self.known[key] = self._work_out(pairs, year)
        return self.known[key]

    def mixed(
        self, pairs: tuple[tuple[int, bool], ...], year: int | None, sure: float, other: int
    ) -> Array:
        """Return the prior (13,) where the front is the front with ``sure``, else side ``other``.

        Parameters
        ----------
        pairs
            Sides with mains, and whether in an alley.
        year
            Year of the house, None where not known.
        sure
            Probability that the front is the front.
        other
            Side that is the front else.

        Returns
        -------
        Array
            Prior (13,).
        """
        own = self.prior_of(pairs, year)
        if other <= FRONT:
            return own
        # as seen with the other line as front, then turned back to the sides of this one
        turned = self.prior_of(tuple(((side - other) % 4, alley) for side, alley in pairs), year)
        back = np.append(np.roll(turned[:UNLISTED].reshape(4, 3), other, axis=0), turned[UNLISTED])
        return np.asarray(sure * own + (1.0 - sure) * back)

    def _work_out(self, pairs: tuple[tuple[int, bool], ...], year: int | None) -> Array:
        mains = [_stub(side, alley) for side, alley in pairs]
        prior = np.zeros(HYPOTHESES)
        for hypothesis in list_hypotheses(mains, self.priors, year):
            if hypothesis.main is None:
                prior[UNLISTED] += hypothesis.prior
                continue
            side = int(hypothesis.main)
            prior[3 * side + _alternative(side, hypothesis.yard_side)] += hypothesis.prior
        return prior


def _stub(side: int, alley: bool) -> Main:
    """Make a main of which only id, side and kind are looked at."""
    # the priors ask for no geometry
    nothing = np.zeros((0, 2))
    return Main(
        id=str(side),
        street="",
        side=SIDES[side],
        kind="alley" if alley else "street",
        line=nothing,
        inverts_m=np.zeros(0),
        invert_sd_m=0.0,
        invert_known=False,
        diameter_m=0.2,
        manholes=(),
        tap_stations_m=(),
    )


def _alternative(side: int, yard: str | None) -> int:
    """Return the way's code: yards are named by the house's side, codes as seen toward the main."""
    if yard is None:
        return DIRECT
    # looking toward side s, the next side in the order (front, right, rear, left) is on the left
    return YARD_LEFT if SIDES.index(yard) == (side + 1) % 4 else YARD_RIGHT


def elevation_fit(low_m: Array, low_sd_m: Array, high_m: Array, high_sd_m: Array) -> Array:
    """Return the probability that a lateral comes in above its main, from Gaussian arrivals (n,).

    ``low_m`` is the arrival from a drain under a basement floor, ``high_m`` from one as shallow as
    frost or cover let it be: 3 of 10 houses must have the first (judgment, no source). Nothing
    more: between mains depth is no practice, since a lateral to a deep main ends in a riser.

    Parameters
    ----------
    low_m
        Arrival above the main from a drain under a basement (n,), m.
    low_sd_m
        Its standard deviation (n,), m.
    high_m
        Arrival from a shallow drain (n,), m.
    high_sd_m
        Its standard deviation (n,), m.

    Returns
    -------
    Array
        Probabilities (n,).
    """
    low, high = ndtr(low_m / low_sd_m), ndtr(high_m / high_sd_m)
    return np.asarray(MUST_BE_LOW * low + (1.0 - MUST_BE_LOW) * high)


def end_weight(past_m: Array) -> Array:
    """Weigh a route that would meet its main past its end: 1/(1 + (past/8 m)²), judgment.

    Such laterals tap the last reach or the manhole at the end; 1 on the main itself.
    """
    return np.asarray(1.0 / (1.0 + (past_m / PAST_END_M) ** 2))


def _elevations(
    pairs: Pairs, laid: LotRoutes, mains: Mains, grounds_m: Array
) -> tuple[Array, Flags]:
    """Return how well the lateral's invert lies above the main's (q, k), and where it is known."""
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
    low_sd = np.sqrt(main + GROUND_SD_M**2 + INVERT_PRIOR_M[1] ** 2)
    high_sd = np.sqrt(main + SHALLOW_SD_M**2)
    low, high = below - (GROUND_M - INVERT_PRIOR_M[0]), below - SHALLOW_M
    return elevation_fit(low, low_sd, high, high_sd), known


def infer(
    pairs: Pairs,
    laid: LotRoutes,
    mains: Mains,
    *,
    grounds_m: Array,
    years: Array,
    table: PriorTable,
    front_sure: Array,
    other_fronts: Whole,
) -> Posterior:
    """Turn routes into probabilities: prior × mean fit over exits and shapes, for each way.

    The fit of a route is 0 where it breaks a hard constraint, else tap practice × elevation fit
    (:func:`elevation_fit`); its share says how likely its exit and shape are within its way.
    ``unlisted`` fits with 0.3 (judgment). Every row of the posterior sums to 1. ``grounds_m``
    and ``years`` (n,) by lot, nan where not known. Where another line may be the front
    (``other_fronts``, -1 none), the prior is that of both, by ``front_sure``.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    mains
        The mains, m of them.
    grounds_m
        Ground elevations of the lots (n,), m; nan where not known.
    years
        Years of the houses (n,), nan where not known.
    table
        Priors by sides with mains.
    front_sure
        Probability that the front is the front (n,).
    other_fronts
        Side that is the front else (n,), −1 for none.

    Returns
    -------
    Posterior
        Probabilities by lot, way and main.
    """
    count = len(grounds_m)
    elevations, known = _elevations(pairs, laid, mains, grounds_m)
    practice = tap_prior(laid.slants_rad) * end_weight(laid.past_m)
    # kinds that break a hard constraint weigh nothing, whatever else speaks for them
    fit = np.where(laid.fits, practice * elevations, 0.0)
    weight = fit * SHARES * (_near_weight(pairs, laid) * _served(pairs, table.priors))[:, None]
    given = [
        table.mixed(key, year, sure, other)
        for (key, year), sure, other in zip(
            _signatures(pairs, years), front_sure.tolist(), other_fronts.tolist(), strict=True
        )
    ]
    prior = np.array(given).reshape(count, HYPOTHESES)
    evidence = np.zeros((count, HYPOTHESES))
    evidence[:, UNLISTED] = UNLISTED_FIT
    # column by column: numpy adds rows in an order that depends on how many there are
    for i, way in enumerate(WAYS.tolist()):
        evidence[pairs.lot, 3 * pairs.side + way] += weight[:, i]
    joint = prior * evidence
    total = joint.sum(axis=1, keepdims=True)
    possible = total > 0.0
    joint = np.where(possible, joint, np.eye(HYPOTHESES)[UNLISTED])
    probability = joint / joint.sum(axis=1, keepdims=True)
    # probability of a route: its share of its way's evidence times the way's probability
    scale = prior / np.where(possible, total, np.inf)
    routes = weight * scale[pairs.lot[:, None], 3 * pairs.side[:, None] + WAYS]
    elevation = np.zeros(count, bool)
    elevation[pairs.lot[(known & laid.fits).any(axis=1)]] = True
    return Posterior(prior, probability, routes, _walls(count, pairs, weight), elevation)


def _near_weight(pairs: Pairs, laid: LotRoutes) -> Array:
    """Weigh each pair (q,) by its shortest route against its lot's: exp(-meters more / 7 m).

    Of two mains the nearer is the likelier. Judgment, no source.
    """
    shortest = np.where(laid.fits, laid.lengths_m, np.inf).min(axis=1, initial=np.inf)
    # shortest route of any pair of the lot
    of_lot = np.full(int(pairs.lot.max(initial=-1)) + 1, np.inf)
    np.minimum.at(of_lot, pairs.lot, shortest)
    more = np.where(np.isfinite(shortest), shortest, 0.0) - np.where(
        np.isfinite(shortest), of_lot[pairs.lot], 0.0
    )
    return np.asarray(np.exp(-more / NEAR_M))


def _served(pairs: Pairs, priors: Priors) -> Array:
    """Weigh pairs (q,) by whom a main behind the lot serves, where CITY.toml gives no prior."""
    weight = np.ones(len(pairs.lot))
    if priors.alley is None:
        weight[pairs.alley] = ALLEY_WEIGHT
    if priors.rear is None:
        weight[pairs.easement & ~pairs.alley & (pairs.side == REAR)] = EASEMENT_WEIGHT
    return weight


def _signatures(
    pairs: Pairs, years: Array
) -> list[tuple[tuple[tuple[int, bool], ...], int | None]]:
    """Return each lot's (side, alley) pairs, and a year that stands for all of its age."""
    # one year for each age: then signatures are few
    ages = np.where(years < OLDER_BEFORE_YEAR, OLDER_BEFORE_YEAR - 1, OLDER_BEFORE_YEAR)
    ages = np.where(np.isfinite(years), ages, np.nan)
    sides: list[list[tuple[int, bool]]] = [[] for _ in years]
    for lot, side, alley in zip(
        pairs.lot.tolist(), pairs.side.tolist(), pairs.alley.tolist(), strict=True
    ):
        sides[lot].append((side, alley))
    return [
        (tuple(s), None if not np.isfinite(y) else int(y))
        for s, y in zip(sides, ages.tolist(), strict=True)
    ]


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


def visit_bits(posterior: Posterior) -> Array:
    """Return what it would tell, in bits (n,), to see indoors through which wall the drain leaves.

    Mutual information of hypothesis and exit wall: H(wall) − Σ p(h) H(wall | h).
    """
    joint = posterior.probability[:, :, None] * posterior.walls
    wall = joint.sum(axis=1)
    inside = (posterior.probability * entr(posterior.walls).sum(axis=2)).sum(axis=1)
    return np.asarray(np.maximum((entr(wall).sum(axis=1) - inside) / np.log(2.0), 0.0))


def dye_bits(passes: Array, unlisted: Array) -> Array:
    """Return the bits that dye at a manhole would tell, which passes with probability ``passes``.

    Reliabilities are those of stage ``routes``: seen 9 times in 10 where it passes, 1 in 50
    where not; an unlisted way passes 1 time in 10. Information about passing or not:
    H(seen) − H(seen | passing). ``passes``, ``unlisted`` and the answer (n,).

    Parameters
    ----------
    passes
        Probability that the flow passes (n,).
    unlisted
        Probability of an unlisted way (n,).

    Returns
    -------
    Array
        Gain (n,), bits.
    """
    seen, stray = dye.DEFAULT.reliability, dye.FALSE_SEEN
    passing = passes + UNLISTED_PASSES * unlisted
    out = passing * seen + (1.0 - passing) * stray
    # entropy left once it is known whether the lateral passes
    inside = passing * _binary(np.full_like(out, seen)) + (1.0 - passing) * _binary(
        np.full_like(out, stray)
    )
    return np.maximum(_binary(out) - inside, 0.0)


def _binary(p: Array) -> Array:
    """Return the entropy of yes or no, in bits."""
    return np.asarray((entr(p) + entr(1.0 - p)) / np.log(2.0))


def pass_shares(
    pairs: Pairs, laid: LotRoutes, posterior: Posterior, below: Whole
) -> tuple[Whole, Whole, Array]:
    """Return lot, manhole and the probability that the lateral's flow passes it first, (k,) each.

    ``below`` (q, k): the first manhole down the main from each tap, -1 where none.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    posterior
        Probabilities of every lot's ways.
    below
        First manhole down the main from each tap (q, k), −1 for none.

    Returns
    -------
    lot
        (k,).
    manhole
        (k,).
    probability
        (k,).
    """
    on = (below >= 0) & (posterior.routes > 0.0)
    lot = np.broadcast_to(pairs.lot[:, None], below.shape)[on]
    keys, inverse = unique_rows(lot, below[on])
    share = np.asarray(
        np.bincount(inverse.ravel(), posterior.routes[on], minlength=keys.shape[1]), float
    )
    return keys[0], keys[1], share
