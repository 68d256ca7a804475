"""Exit poses and bends drawn with a find in mind: their Gaussian conditioned on what was found.

A find of 1 cm leaves hardly a draw of the prior with any weight. So poses, and how far bends are
off their angle, are drawn from a mixture of arms: the prior, and that Gaussian given that the first
straight passes the find (or each of two finds, or that a later straight runs along two), each a
linear observation (Kalman; the Schur complement of the joint covariance). The weight is prior /
whole mixture (deterministic mixture; Hesterberg 1995 and Elvira et al., arXiv 1511.03095, the
first from memory), so that it never exceeds 1 / the prior's share.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..evidence import Aim
from ..geometry.frames import Array, lot_direction, wrap_radians
from ..late_dataclass import dataclass
from ..numerics.ordering import RATIO, on_lattice, ordered
from ..numerics.statistics import square_root

__all__ = [
    "MOST_FINDS",
    "PRIOR_SHARE_BENT",
    "PRIOR_SHARE_STRAIGHT",
    "Along",
    "Arms",
    "along_two",
    "component_shares",
    "draw_given",
    "draw_levels",
    "first_straight_arms",
    "log_fits",
    "nearest_first",
]

MOST_FINDS = 4
"""The most precise ones that poses are conditioned on; all are weighed."""
PRIOR_SHARE_STRAIGHT, PRIOR_SHARE_BENT = 0.2, 0.4
"""Share of draws left to the prior, for routes without a bend and with some. Judgment."""
WIDENED, LINEAR_M = 2.0, 0.01
"""The proposal is wider than the find: by this factor, and by what linearizing may leave."""
# a find must lie at least so far out of the wall for a straight to pass it; judgment, no source
AHEAD_M = 0.1
# linearizing anew so many times settles the angle for all but
# the widest poses; judgment, no source
ROUNDS = 4
PRIOR_SHARE_LEVEL = 0.3
"""Share of inverts and slopes that stay with the prior. Judgment."""
REACH_M, STRAY_M, PLAY_RAD = 5.0, 1000.0, float(np.radians(5.0))
"""For choosing components alone: over how far a straight may be laid to a find, against a stray
find, and how far a bend is off its angle, all kinds together. Judgment."""
DETOUR = 0.004
"""What the invert at a find may be off, per meter from the exit: its way is a fifth longer than
the straight one, at a fall of 2 %. Judgment; it only widens the proposal."""
_COMPONENT_SHARE = 0.5  # of the proposal over the exit's components that stays with the prior


@dataclass(frozen=True, slots=True)
class Arms:
    """Gaussians of standardized poses z (pose = mean + root z), arms of c components.

    ``means`` (c, a, 3), ``precisions`` (c, a, 3, 3), ``usable`` (c, a); ``log_fit`` (c, a) is the
    log density of what is observed under the component's own Gaussian; ``sizes`` (a,) of how many
    finds each arm is given.
    """

    means: Array
    precisions: Array
    usable: NDArray[np.bool_]
    log_fit: Array
    sizes: NDArray[np.int64]


def nearest_first(aims: Sequence[Aim]) -> list[Aim]:
    """Return the aims that poses are conditioned on: the ``MOST_FINDS`` most precise ones."""
    order = ordered([aim.sd_m for aim in aims], RATIO)
    return [aims[i] for i in order[:MOST_FINDS]]


def first_straight_arms(means: Array, roots: Array, aims: Sequence[Aim]) -> Arms:
    """Condition every component on each find, each two finds, and all, on the first straight.

    ``means`` (c, 3) of x, y, angle and the roots (c, 3, 3) of its covariances. What is observed
    is that the find lies 0 beside the line through x, y at the angle; linearized anew about the
    conditioned mean a few times. A find behind the wall leaves its arm unusable.

    Parameters
    ----------
    means
        Means (c, 3) of x, y in m and angle in rad.
    roots
        Symmetric roots (c, 3, 3) of their covariances.
    aims
        The finds.

    Returns
    -------
    Arms
        One conditioned Gaussian per component and arm.
    """
    # arms for one, two and all finds: which of them lie on the first straight is not known
    sets = [s for size in (1, 2, len(aims)) for s in combinations(range(len(aims)), size)]
    sets = list(dict.fromkeys(s for s in sets if s))
    points = np.stack([aim.point for aim in aims])
    # wider than the find by intent: a proposal with lighter tails than
    # the target has weights without a bound
    noise = np.array([(WIDENED * aim.sd_m) ** 2 + LINEAR_M**2 for aim in aims])
    parts = [_arm(means, roots, points[list(s)], noise[list(s)]) for s in sets]
    return Arms(
        np.stack([part[0] for part in parts], axis=1),
        np.stack([part[1] for part in parts], axis=1),
        np.stack([part[2] for part in parts], axis=1),
        np.stack([part[3] for part in parts], axis=1),
        np.array([len(s) for s in sets], np.int64),
    )


def _arm(
    means: Array, roots: Array, points: Array, noise: Array
) -> tuple[Array, Array, NDArray[np.bool_], Array]:
    """Condition components on points (k, 2) beside the line, variance ``noise`` (k,)."""
    z = np.zeros((len(means), 3))
    for _ in range(ROUNDS):
        # linearized about the conditioned mean and repeated (iterated Kalman update): the angle
        # enters by a sine
        beside, rate, ahead = _beside(means + np.einsum("cij,cj->ci", roots, z), points)
        seen = np.einsum("cki,cij->ckj", rate, roots)
        # variance of what is observed: pose (standard normal in z) plus the find's own
        spread = seen @ seen.swapaxes(1, 2) + np.diag(noise)
        # the residual at the linearization's own origin, z = 0
        misfit = np.einsum("ckj,cj->ck", seen, z) - beside
        z = np.einsum("ckj,ck->cj", seen, np.linalg.solve(spread, misfit[..., None])[..., 0])
    # Bayes in z: prior precision 1 plus that of the finds
    precision = np.eye(3) + np.einsum("cki,k,ckj->cij", seen, 1.0 / noise, seen)
    square = np.einsum("ck,ck->c", misfit, np.linalg.solve(spread, misfit[..., None])[..., 0])
    log_fit = -0.5 * (square + np.linalg.slogdet(2.0 * np.pi * spread)[1])
    usable = np.asarray((ahead > AHEAD_M).all(axis=1), bool)
    # on the lattice, or draws would differ in the last bit between processors
    return on_lattice(z, RATIO), on_lattice(precision, RATIO), usable, log_fit


def _beside(poses: Array, points: Array) -> tuple[Array, Array, Array]:
    """Return how far points (k, 2) lie left of the lines at poses (c, 3), its rate, how far ahead.

    (c, k), (c, k, 3) and (c, k).
    """
    along = lot_direction(poses[:, 2])
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    gap = points[None] - poses[:, None, :2]
    beside = np.einsum("ckj,cj->ck", gap, left)
    ahead = np.einsum("ckj,cj->ck", gap, along)
    # derivative of the distance beside by x, y and angle: a turn to
    # the left moves points ahead to the right
    rate = np.concatenate(
        [np.broadcast_to(-left[:, None], (*beside.shape, 2)), -ahead[..., None]], axis=2
    )
    return beside, rate, ahead


def component_shares(weights: Array, log_fit: Array) -> Array:
    """Return shares (..., c) by which to draw components: half by weight, half as the finds suit.

    Parameters
    ----------
    weights
        Weights of the components (c,).
    log_fit
        Log density of what was found given each component (..., c), -inf where it cannot be.

    Returns
    -------
    Array
        Shares (..., c), summing to 1.
    """
    best = log_fit.max(axis=-1, keepdims=True)
    none = best == -np.inf
    # posterior shares of the components, mixed with their prior: no component starves
    suits = weights * np.exp(np.where(none, 0.0, log_fit - np.where(none, 0.0, best)))
    suits = suits / suits.sum(axis=-1, keepdims=True)
    mixed = _COMPONENT_SHARE * weights + (1.0 - _COMPONENT_SHARE) * suits
    # plus a step, so that no component has a share of 0 to divide by
    return np.where(none, weights, on_lattice(mixed, RATIO) + RATIO)


@dataclass(frozen=True, slots=True)
class Along:
    """That a later straight runs along two finds: one linear observation a row, bend and pair.

    ``rates`` (n, b, 3 + b) of the straight's angle by standardized pose and bends' play, ``off``
    (n, b, p) what it is turned by to run along the pair, ``variance`` (p,) of that, ``usable``
    (n, b, p).
    """

    rates: Array
    off: Array
    variance: Array
    usable: NDArray[np.bool_]

    def pulled(self, z: Array, rows: NDArray[np.int64], arm: NDArray[np.int64]) -> Array:
        """Bring prior draws (m, 3 + b) of some rows to the mean and spread of their arms (m,).

        Parameters
        ----------
        z
            Prior draws (m, 3 + b).
        rows
            Row of each draw (m,).
        arm
            Arm of each draw (m,).

        Returns
        -------
        Array
            Draws (m, 3 + b).
        """
        bend, pair = np.divmod(arm, self.usable.shape[2])
        rate, variance = self.rates[rows, bend], self.variance[pair]
        # variance of the straight's angle under the prior: z is standard normal
        power = np.einsum("mi,mi->m", rate, rate)
        # root of I - h h' / (h h' + variance): only the draw along h is narrowed
        narrowed = (np.sqrt(variance / (power + variance)) - 1.0) / power
        along = np.einsum("mi,mi->m", rate, z) * narrowed
        # Kalman gain for one observation of h · z
        gain = self.off[rows, bend, pair] / (power + variance)
        return np.asarray(z + (along + gain)[:, None] * rate)

    def log_over_prior(self, z: Array) -> Array:
        """Return log of each arm's density over the prior's (n, b p) at z (n, 3 + b)."""
        # what the drawn straight still lacks to run along the pair
        left = self.off - np.einsum("nbi,ni->nb", self.rates, z)[..., None]
        spread = np.einsum("nbi,nbi->nb", self.rates, self.rates)[..., None] + self.variance
        over = 0.5 * (
            self.off**2 / spread - left**2 / self.variance + np.log(spread / self.variance)
        )
        return np.asarray(over.reshape(len(z), -1))


def along_two(
    expected: Array, root_rows: Array, headings: Array, plays: Array, aims: Sequence[Aim]
) -> Along:
    """Condition each row's angles on two finds that a later straight runs along.

    ``expected`` (n,) angles of the components' means, ``root_rows`` (n, 3) of their roots,
    ``headings`` (n, b) of the straights after each bend (nan where there is none), ``plays``
    (n, b) how far each bend may be off its angle, one standard deviation.

    Parameters
    ----------
    expected
        Mean angle of each row's component (n,), rad.
    root_rows
        Its root's row of the angle (n, 3).
    headings
        Turn of each later straight against the first (n, b), rad; nan for none.
    plays
        How far each bend may be off its angle (n, b), rad, one standard deviation.
    aims
        The finds.

    Returns
    -------
    Along
        The observations and which are usable.
    """
    bends = headings.shape[1]
    # a straight's direction: that at the wall plus the play of every bend before it
    each = np.repeat(plays[:, None], bends, axis=1) * np.tri(bends)
    rates = np.concatenate([np.repeat(root_rows[:, None], bends, axis=1), each], axis=2)
    power = np.einsum("nbi,nbi->nb", rates, rates)
    offs, variances, usable = [], [], []
    for one, other in combinations(aims, 2):
        gap = other.point - one.point
        reach = max(float(np.hypot(*gap)), 1e-6)
        spread = WIDENED * float(np.hypot(one.sd_m, other.sd_m))
        variance = (spread / reach) ** 2 + (LINEAR_M / reach) ** 2
        off = wrap_radians(float(np.arctan2(gap[1], gap[0])) - headings - expected[:, None])
        # the straight runs from one find to the other, or the other way
        # of the two ways the one that is the lesser turn
        off = np.where(np.abs(off) > 0.5 * np.pi, wrap_radians(off + np.pi), off)
        offs.append(np.nan_to_num(off))
        variances.append(variance)
        # four sds of pose and play together: past that an arm would only waste draws
        usable.append(np.isfinite(off) & (off**2 < 16.0 * (power + variance)))
    return Along(rates, np.stack(offs, 2), np.array(variances), np.stack(usable, 2))


def log_fits(
    arms: Arms, means: Array, root_rows: Array, headings: Array, aims: Sequence[Aim]
) -> Array:
    """Return how well each component suits the finds (s, c) before each sequence of bends, roughly.

    Log density of the finds on the first straight or along a later one; those that an arm leaves
    out are met by a straight that is laid to them (a density over ``REACH_M``), or are another
    pipe where nothing bends. For the proposal alone: it need not be exact.

    Parameters
    ----------
    arms
        Of the first straight, by component (c).
    means
        Mean angles of the components (c,), rad.
    root_rows
        Their roots' rows of the angle (c, 3).
    headings
        Turn of each later straight against the first (s, b), rad; nan for none.
    aims
        The finds.

    Returns
    -------
    Array
        Log densities (s, c), -inf where a component suits none.
    """
    many = len(aims)
    bent = np.isfinite(headings).any(axis=1)
    laid = -np.log(np.where(bent, REACH_M, STRAY_M))[:, None, None] * (many - arms.sizes)
    fits = [np.where(arms.usable, arms.log_fit, -np.inf)[None] + laid]
    if many > 1:
        rows = np.repeat(headings, len(means), axis=0)
        plays = np.full(rows.shape, PLAY_RAD)
        each = np.tile(means, len(headings)), np.tile(root_rows, (len(headings), 1))
        along = along_two(*each, rows, plays, aims)
        spread = np.einsum("nbi,nbi->nb", along.rates, along.rates)[..., None] + along.variance
        reach = [np.hypot(*(other.point - one.point)) for one, other in combinations(aims, 2)]
        density = -0.5 * (along.off**2 / spread + np.log(2.0 * np.pi * spread))
        density -= np.log(np.maximum(reach, LINEAR_M)) + (many - 1) * np.log(REACH_M)
        density = np.where(along.usable, density, -np.inf)
        fits.append(density.reshape(len(headings), len(means), -1))
    return np.asarray(np.logaddexp.reduce(np.concatenate(fits, axis=2), axis=2))


def draw_given(
    arms: Arms,
    component: NDArray[np.int64],
    along: Along | None,
    prior_share: Array,
    normals: Array,
    uniforms: Array,
) -> tuple[Array, Array]:
    """Draw standardized poses and plays (n, 3 + b) from prior and arms, with log prior / mixture.

    ``component`` (n,) of ``arms``; ``normals`` (n, 2 + b) and ``uniforms`` (n,): the latter choose
    the arm, what is left of them is the third normal.

    Parameters
    ----------
    arms
        Of the first straight, by component.
    component
        Of each row (n,).
    along
        Arms of later straights; None without any.
    prior_share
        Share of each row that is drawn from the prior.
    normals
        Standard normal draws (n, 2 + b).
    uniforms
        Draws (n,) in [0, 1).

    Returns
    -------
    standardized
        Poses and plays (n, 3 + b).
    log_ratio
        Log of prior over mixture (n,).
    """
    usable, straight = arms.usable[component], arms.usable.shape[1]
    if along is not None:
        usable = np.concatenate([usable, along.usable.reshape(len(usable), -1)], axis=1)
    number = usable.sum(axis=1)
    # where no arm is usable the prior has all of the proposal
    stay = np.where(number > 0, prior_share, 1.0)
    each = (1.0 - stay) / np.maximum(number, 1)
    past = np.maximum(uniforms - stay, 0.0) / np.where(each > 0.0, each, 1.0)
    rank = np.minimum(past.astype(np.int64), np.maximum(number - 1, 0))
    # stable sort brings the usable arms of a row to the front, in their order
    picked = np.argsort(~usable, axis=1, kind="stable")[np.arange(len(rank)), rank]
    own = (uniforms < stay) | (number == 0)
    # the uniform's place within the part that it chose: a uniform again
    within = np.where(own, uniforms / stay, past - rank)
    third = ndtri(np.clip(within, 1e-12, 1.0 - 1e-9))
    z = np.column_stack([normals[:, :2], third, normals[:, 2:]])
    # arms of the first straight come first in every row, those of later straights after them
    first, later = (np.flatnonzero(~own & ((picked < straight) == one)) for one in (True, False))
    roots = square_root(np.asarray(np.linalg.inv(arms.precisions), float))
    of = component[first], picked[first]
    z[first, :3] = arms.means[of] + np.einsum("nij,nj->ni", roots[of], z[first, :3])
    if along is not None:
        z[later] = along.pulled(z[later], later, picked[later] - straight)
    away, pose = z[:, None, :3] - arms.means[component], z[:, :3]
    log_arm = -0.5 * np.einsum("nai,naij,naj->na", away, arms.precisions[component], away)
    # ln N(z; mean, precision⁻¹) − ln N(z; 0, 1): the constants ½ ln 2π cancel
    log_arm += 0.5 * np.linalg.slogdet(arms.precisions)[1][component]
    over = log_arm + 0.5 * np.einsum("ni,ni->n", pose, pose)[:, None]
    if along is not None:
        over = np.concatenate([over, along.log_over_prior(z)], axis=1)
    over = np.where(usable, over, -np.inf)
    most = np.maximum(over.max(axis=1), 0.0)  # an arm may lie where the prior hardly is
    mixture = stay * np.exp(-most) + each * np.exp(over - most[:, None]).sum(axis=1)
    # log of prior over mixture, the prior's own density taken out of both
    return z, -(most + np.log(mixture))


def draw_levels(
    normals: Array, uniforms: Array, gaps: Array, rates: Array, sds: Array
) -> tuple[Array, Array]:
    """Draw standardized inverts and slopes (n, 2) from prior and finds; log prior / mixture.

    Each find is a linear observation: rates · z = gap, to its sd. Kalman; the mixture is that of
    the prior and of the Gaussian given all finds.

    Parameters
    ----------
    normals
        Standard normal draws (n,).
    uniforms
        Draws (n,) in [0, 1) that choose, and what is left of them is the other normal.
    gaps
        Invert measured at each find less that expected (n, f), m.
    rates
        Its rate by z (n, f, 2), m.
    sds
        Standard deviation of that (n, f), m, widened.

    Returns
    -------
    standardized
        Draws (n, 2).
    log_ratio
        Log of prior over mixture (n,).
    """
    seen = rates / sds[..., None]
    # precision 1 + HᵀR⁻¹H = L Lᵀ and its mean, written out for two dimensions
    a, b, c = (
        np.einsum("nf,nf->n", seen[..., i], seen[..., j]) for i, j in ((0, 0), (0, 1), (1, 1))
    )
    first = np.sqrt(1.0 + a)
    below = b / first
    second = np.sqrt(1.0 + c - below**2)
    half_0, half_1 = np.einsum("nfi,nf->in", seen, gaps / sds)
    half_0 = half_0 / first
    half_1 = (half_1 - below * half_0) / second
    own = uniforms < PRIOR_SHARE_LEVEL
    left = np.where(
        own,
        uniforms / PRIOR_SHARE_LEVEL,
        (uniforms - PRIOR_SHARE_LEVEL) / (1.0 - PRIOR_SHARE_LEVEL),
    )
    drawn = np.stack([ndtri(np.clip(left, 1e-12, 1.0 - 1e-9)), normals])
    # Lᵀ z = L⁻¹ HᵀR⁻¹ gap + normal draws
    given_1 = (half_1 + drawn[1]) / second
    given_0 = (half_0 + drawn[0] - below * given_1) / first
    z_0, z_1 = np.where(own, drawn[0], given_0), np.where(own, drawn[1], given_1)
    off_0, off_1 = first * z_0 + below * z_1 - half_0, second * z_1 - half_1
    over = 0.5 * (z_0**2 + z_1**2 - off_0**2 - off_1**2) + np.log(first * second)
    most = np.maximum(over, 0.0)
    mixture = PRIOR_SHARE_LEVEL * np.exp(-most)
    mixture += (1.0 - PRIOR_SHARE_LEVEL) * np.exp(over - most)
    return np.stack([z_0, z_1], axis=1), -(most + np.log(mixture))
