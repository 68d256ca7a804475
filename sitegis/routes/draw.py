"""Draw candidate routes of a plan from quasi-random numbers, with prior / proposal ratios."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import cast

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from ..evidence import Aim
from ..exit import choose_by, choose_components, choose_profile
from ..geometry import polyline
from ..geometry.frames import Array, wrap_radians
from ..late_dataclass import dataclass
from ..model.results import Exit
from ..numerics.ordering import RATIO, WEIGHT, at_least, on_lattice
from ..numerics.statistics import normal_density, square_root
from .bends import MOST_BENDS, draw_play
from .condition import (
    DETOUR,
    LINEAR_M,
    PRIOR_SHARE_BENT,
    PRIOR_SHARE_STRAIGHT,
    WIDENED,
    Arms,
    along_two,
    component_shares,
    draw_given,
    draw_levels,
    first_straight_arms,
    log_fits,
    nearest_first,
)
from .plan import (
    INTO_YARD,
    PAST_CORNER,
    WITHIN_YARD,
    YARD_APPROACH_M,
    YARD_CLEAR_M,
    Plan,
    proposal_shares,
)

Law = Callable[[Array, Array | None], Array]

__all__ = [
    "DIMENSIONS",
    "Candidates",
    "ValueLaw",
    "draw_aimed",
    "draw_heads",
    "is_found",
    "lay_straights",
    "near_words",
    "suit_sequences",
]

# place 2, angle 1, component 1, invert and slope 2, main 1, slope outdoors 1,
# sequence 1, then three lengths and three plays of bends
DIMENSIONS = 12 + MOST_BENDS
# two fittings cannot stand nearer; judgment, no source
LEAST_STRAIGHT_M = 0.3
# Share of bends set close behind the fitting before them, and their mean distance; spread of the
# rest is even. Judgment, no source.
SHORT_SHARE, SHORT_MEAN_M = 0.4, 1.0
# Instead of these, past a wall that looks more than so far aside from the main, and for runs beside
# a house: the share that turn or run about where the building drain ends by the rule set, and the
# log-normal's sd. There the trade changes hands, and whatever is dug farther from the house is dug
# for nothing. Judgment, no source.
NEAR_SHARE, NEAR_LOG_SD = 0.7, 0.3
LOOKS_ASIDE_RAD = float(np.radians(60.0))
# Share of laterals that keep the drain's slope; the rest is even between the least slope of the
# rule set and the steepest. Judgment, no source.
SAME_SLOPE_SHARE, STEEPEST_SLOPE = 0.6, 0.06
# Share of the proposal that stays with the prior where there is something to aim at.
PRIOR_SHARE = 0.4
# An aim this near a straight is met by it; the bend is then drawn about so far past it.
MET_WITHIN_SD, PAST_AIM_M = 3.0, 2.0
# keeps uniforms off 0, where the inverse of Φ is infinite
_TINY = 1e-12
SINGULAR = 1e-9  # what is held this much better than the rest is held fast, not noise


@dataclass(frozen=True, slots=True)
class Candidates:
    """Heads of candidate routes, then their vertices; all arrays have n rows.

    ``poses`` (n, 3) of x, y, angle; ``headings_rad`` (n, 4) of the straights after 0…3 bends;
    ``walls`` the wall each leaves by; ``inverts_m`` at the
    exit; ``slopes`` outdoors; ``main_errors`` standard normal draws for the main's invert;
    ``components`` of the exit's mixture and the drain's own ``drain_slopes`` at the exit;
    ``chosen`` the sequence; ``uniforms`` (n, 3) for the lengths; ``log_ratio`` log of prior /
    proposal so far.
    """

    poses: Array
    headings_rad: Array
    walls: NDArray[np.int64]
    inverts_m: Array
    slopes: Array
    main_errors: Array
    chosen: NDArray[np.int64]
    uniforms: Array
    log_ratio: Array
    components: NDArray[np.int64]
    drain_slopes: Array


def near_words() -> str:
    """Say where laterals turn past a wall that does not look toward their main."""
    return (
        f"Past a wall that does not look toward the main, and beside the house, {NEAR_SHARE:.0%} "
        "of laterals turn or run about as far outside as the building drain ends by the rule set, "
        f"within a factor of {np.exp(NEAR_LOG_SD):.2f} two times in three; the rest anywhere "
        "(judgment, no source)."
    )


def draw_heads(plan: Plan, exit: Exit, uniforms: Array, least_slope: float) -> Candidates:
    """Draw exit pose, slope, the main's error and the bends from (n, ``DIMENSIONS``) uniforms.

    A bend is its catalog angle and its own play (:func:`~sitegis.routes.bends.draw_play`).

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    exit
        Exit of the drain, a mixture of poses.
    uniforms
        Draws (n, ``DIMENSIONS``) in [0, 1).
    least_slope
        Least slope of the rule set.

    Returns
    -------
    Candidates
        The candidates, nothing laid yet.
    """
    uniforms = np.clip(uniforms, _TINY, 1.0 - 1e-9)
    # inverse of Φ: uniforms to standard normal draws, one dimension each, so that low discrepancy
    # survives
    normals = ndtri(uniforms[:, [0, 1, 2, 4, 5, 6]])
    chosen = np.searchsorted(
        on_lattice(np.cumsum(plan.shares), WEIGHT), uniforms[:, 8], side="right"
    )
    chosen = np.minimum(chosen, len(plan.shares) - 1)
    spread, play = draw_play(uniforms[:, 9 + MOST_BENDS :])
    held = nearest_first([aim for aim in plan.aims if aim.held])
    if held:
        given = _given_finds(plan, exit, held, chosen, uniforms, (spread, play))
        component, left, poses, play, log_ratio = given
    else:
        component, left = choose_components(exit, uniforms[:, 3])
        poses, log_ratio = _draw_poses(plan, exit, component, normals[:, :2], uniforms[:, 2])
    same = uniforms[:, 7] < SAME_SLOPE_SHARE
    # what is left of a uniform that chose is a uniform again: one dimension serves two draws
    anew = (uniforms[:, 7] - SAME_SLOPE_SHARE) / (1.0 - SAME_SLOPE_SHARE)
    slope = np.where(same, np.nan, least_slope + anew * (STEEPEST_SLOPE - least_slope))
    level, root = choose_profile(exit, component, left)
    standard = normals[:, 3:5]
    if deep := [aim for aim in held if aim.invert_m is not None]:
        gaps, rates, sds = _observed(deep, poses, slope, level, root)
        standard, ratio = draw_levels(standard[:, 1], uniforms[:, 4], gaps, rates, sds)
        log_ratio = log_ratio + ratio
    invert, drain_slope = (level + np.einsum("nij,nj->ni", root, standard)).T
    slope = np.where(same, drain_slope, slope)
    # importance weights so far: prior over proposal, here of the sequence of bends
    log_ratio = log_ratio + np.log(plan.sequences.prior[chosen] / plan.shares[chosen])
    walls = np.array([part.wall_index for part in exit.mixture])[component]
    headings = poses[:, 2:] + plan.sequences.headings_rad[chosen]
    # fittings turn by a little more or less than their angle; what one adds stays in all straights
    # after it
    headings[:, 1:] += np.cumsum(spread * play, axis=1)
    return Candidates(
        poses=poses,
        headings_rad=headings,
        walls=walls,
        inverts_m=invert,
        slopes=slope,
        main_errors=normals[:, 5],
        chosen=chosen,
        uniforms=uniforms[:, 9 : 9 + MOST_BENDS],
        log_ratio=log_ratio,
        components=component,
        drain_slopes=drain_slope,
    )


def is_found(plan: Plan) -> bool:
    """Return whether something of ``findings.csv`` is held against the routes of a plan."""
    return any(aim.found for aim in nearest_first([aim for aim in plan.aims if aim.held]))


def suit_sequences(plan: Plan, exit: Exit) -> Plan:
    """Return a plan that draws half its routes by how their bends suit what was found.

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    exit
        Exit of the drain, a mixture of poses.

    Returns
    -------
    Plan
        The same where nothing was found.
    """
    held = nearest_first([aim for aim in plan.aims if aim.held])
    if not is_found(plan):
        return plan
    means, roots, weights, arms, turns = _gaussians(plan, exit, held)
    fits = log_fits(arms, means[:, 2], roots[:, 2], turns, held)
    best = float(fits.max())
    if best == -np.inf:
        return plan
    suits = plan.sequences.prior * (weights * np.exp(fits - best)).sum(axis=1)
    suited = on_lattice(proposal_shares(suits), RATIO) + RATIO
    return plan.with_shares(plan.shares + suited / suited.sum())


def _gaussians(plan: Plan, exit: Exit, held: list[Aim]) -> tuple[Array, Array, Array, Arms, Array]:
    """Return means (c, 3), roots, weights of the exit's components, arms, and turns (s, b)."""
    parts = exit.mixture
    means = np.array([(part.x_m, part.y_m, part.angle_rad) for part in parts])
    roots = square_root(np.stack([part.covariance for part in parts]))
    weights = np.array([part.weight for part in parts])
    turns = plan.sequences.headings_rad[:, 1:]
    # nan where a sequence has no such straight
    turns = np.where(np.arange(1, MOST_BENDS + 1) <= plan.sequences.counts[:, None], turns, np.nan)
    return means, roots, weights / weights.sum(), first_straight_arms(means, roots, held), turns


def _given_finds(
    plan: Plan,
    exit: Exit,
    held: list[Aim],
    chosen: NDArray[np.int64],
    uniforms: Array,
    plays: tuple[Array, Array],
) -> tuple[NDArray[np.int64], Array, Array, Array, Array]:
    """Draw components, poses and play conditioned on finds (:mod:`sitegis.routes.condition`).

    ``plays``: spread and draws (n, 3) of the bends. Gives the components (n,), the uniforms left
    over from choosing them, poses (n, 3), standardized plays (n, 3), and log of prior / proposal.
    """
    means, roots, weights, arms, turns = _gaussians(plan, exit, held)
    if is_found(plan):
        fits = log_fits(arms, means[:, 2], roots[:, 2], turns, held)
        shares, row = component_shares(weights, fits), chosen
    else:
        fits = np.where(arms.usable, arms.log_fit, -np.inf).max(axis=1)
        shares, row = component_shares(weights, fits)[None], np.zeros(len(chosen), np.int64)
    component, left = choose_by(shares, uniforms[:, 3], row)
    counts, along = plan.sequences.counts[chosen], None
    # one find lies on some later straight anyhow; two tell its direction
    if len(held) > 1:
        expected, rows = means[component, 2], roots[component, 2]
        along = along_two(expected, rows, turns[chosen], plays[0], held)
    stay = np.where(counts > 0, PRIOR_SHARE_BENT, PRIOR_SHARE_STRAIGHT)
    normals = np.column_stack([ndtri(uniforms[:, :2]), plays[1]])
    z, log_ratio = draw_given(arms, component, along, stay, normals, uniforms[:, 2])
    poses = means[component] + np.einsum("nij,nj->ni", roots[component], z[:, :3])
    prior = np.log(weights / (shares / shares.sum(axis=1, keepdims=True)))
    return component, left, poses, z[:, 3:], log_ratio + prior[row, component]


def _observed(
    deep: list[Aim], poses: Array, slope: Array, level: Array, root: Array
) -> tuple[Array, Array, Array]:
    """Return what finds with a depth say of invert and slope: gaps, rates and sds (n, f).

    ``slope`` (n,) outdoors, nan where it is the drain's; ``level`` (n, 2) and ``root`` (n, 2, 2) of
    the drain's invert and slope at the exit. The way to a find is taken as straight.
    """
    away = np.stack([np.hypot(*(aim.point - poses[:, :2]).T) for aim in deep], axis=1)
    found, sds = np.array([aim.invert_m for aim in deep]).T
    fall = np.where(np.isnan(slope), level[:, 1], slope)[:, None] * away
    own = np.where(np.isnan(slope)[:, None], away, 0.0)
    rates = root[:, None, 0] - own[..., None] * root[:, None, 1]
    spread = np.sqrt((WIDENED * sds) ** 2 + LINEAR_M**2 + (DETOUR * away) ** 2)
    return found - level[:, :1] + fall, rates, spread


def _draw_poses(
    plan: Plan, exit: Exit, component: NDArray[np.int64], normals: Array, uniforms: Array
) -> tuple[Array, Array]:
    """Draw x, y first and then the angle given them, which may be aimed; gives log ratio too.

    ``component`` (n,) of the exit's mixture; ``normals`` (n, 2) for the place, ``uniforms`` (n,)
    for the angle. Gives poses (n, 3).
    """
    means = np.array([(part.x_m, part.y_m, part.angle_rad) for part in exit.mixture])
    covariances = np.stack([part.covariance for part in exit.mixture])
    roots = square_root(covariances[:, :2, :2])
    # pseudo-inverse: a place that is held fast in one direction says nothing of the angle by it
    inverses = np.linalg.pinv(covariances[:, :2, :2], rcond=SINGULAR, hermitian=True)
    # the angle given the place: mean + C_θp C_pp⁻¹ (p − mean), variance the Schur complement
    gains = np.einsum("cj,cjk->ck", covariances[:, 2, :2], inverses)
    rest = covariances[:, 2, 2] - np.einsum("ck,ck->c", gains, covariances[:, 2, :2])
    spread = np.sqrt(np.maximum(rest, 1e-18))[component]
    place = np.einsum("nij,nj->ni", roots[component], normals)
    expected = means[component, 2] + np.einsum("nk,nk->n", gains[component], place)
    start = means[component, :2] + place
    # turns toward the aims, nan where out of reach, and how wide each is seen from the wall
    targets, widths = [], []
    for aim in plan.aims:
        gap = aim.point - start
        turn = np.arctan2(gap[:, 1], gap[:, 0]) - expected
        turn = wrap_radians(turn)
        # An aim further off than the pose allows would waste its draws.
        # in the draw's own units, standard deviations of the angle given the place
        targets.append(np.where(np.abs(turn) < 4 * spread, turn / spread, np.nan))
        widths.append(np.maximum(aim.sd_m / np.hypot(*gap.T) / spread, 0.02))
    draw, log_ratio = draw_aimed(uniforms, _standard_normal, targets, widths)
    return np.column_stack([start, expected + spread * draw]), log_ratio


def _standard_normal(uniform: Array, density_at: Array | None) -> Array:
    """Draw from N(0, 1), or give its density where ``density_at`` is given."""
    if density_at is None:
        return np.asarray(ndtri(uniform))
    return normal_density(density_at)


def lay_straights(
    plan: Plan, heads: Candidates, directions: Array
) -> tuple[Array, Array, Array, Array]:
    """Lay the straights of candidates: vertices (n, 5, 2), tap stations, log ratio, last length.

    A straight before a bend follows the bend's rule; the last one ends where its ray first hits
    the main (length inf where it never does, the vertices are then not finite).

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    heads
        Candidates as drawn, n of them.
    directions
        Unit vectors along their straights (n, 4, 2).

    Returns
    -------
    vertices
        (n, 5, 2), m.
    stations
        Of the taps on the main (n,), m.
    log_ratio
        Log of prior over proposal (n,).
    last
        Length of the last straight (n,), m.
    """
    counts = plan.sequences.counts[heads.chosen]
    n = len(counts)
    vertices = np.empty((n, MOST_BENDS + 2, 2))
    vertices[:, 0] = here = heads.poses[:, :2]
    log_ratio, direction = heads.log_ratio.copy(), directions[:, 0].copy()
    for i in range(MOST_BENDS):
        bending = np.flatnonzero(counts > i)
        here = np.array(here)
        length, ratio = _length(plan, heads, i, here[bending], directions[bending, i : i + 2])
        log_ratio[bending] += ratio
        here[bending] += length[:, None] * directions[bending, i]
        # rows without this bend stay where they were, and take the tap below
        vertices[:, i + 1] = here
        direction[bending] = directions[bending, i + 1]
    # the last length is no draw: the straight ends where it meets the main
    last, stations = polyline.ray(here, direction, plan.main.line)
    tap = here + np.where(np.isfinite(last), last, np.nan)[:, None] * direction
    vertices[:, 4] = tap
    for i in range(MOST_BENDS):
        # a shorter route repeats its last vertex: one array for all
        vertices[counts <= i, i + 1] = tap[counts <= i]
    return vertices, stations, log_ratio, last


def _length(
    plan: Plan, heads: Candidates, i: int, here: Array, directions: Array
) -> tuple[Array, Array]:
    """Draw the length before bend i for the rows that have it: length and log ratio.

    The length is offset + scale × value with the value drawn by the rule.
    """
    rows = np.flatnonzero(plan.sequences.counts[heads.chosen] > i)
    rules = plan.rules[heads.chosen[rows], i]
    length, log_ratio = np.empty(len(rows)), np.zeros(len(rows))
    # past a wall that does not look toward the main, and beside the house
    aside = directions[:, 0] @ plan.toward
    near = (i == 0) & ~at_least(aside, np.cos(LOOKS_ASIDE_RAD)) | (rules == INTO_YARD)
    for rule, close in product(np.unique(rules).tolist(), (False, True)):
        of_rule = np.flatnonzero((rules == rule) & (near == close))
        if not of_rule.size:
            continue
        start, pair = here[of_rule], directions[of_rule]
        # rules measure square to the house or past its corner; the length along the drain follows
        # linearly
        offset, scale = _offset_scale(plan, rule, start, pair[:, 0])
        targets, widths = _length_aims(plan, start, pair, offset, scale)
        law = ValueLaw(*_range(plan, rule), plan.drain_ends_m if close else None)
        value, ratio = draw_aimed(heads.uniforms[rows[of_rule], i], law, targets, widths)
        length[of_rule] = offset + scale * value
        log_ratio[of_rule] = ratio
    return length, log_ratio


def _offset_scale(plan: Plan, rule: int, start: Array, direction: Array) -> tuple[Array, Array]:
    """Return offset and scale of length against the rule's value."""
    if rule not in (INTO_YARD, PAST_CORNER) or plan.face is None:
        # without a face the length itself is what the rule draws
        return np.zeros(len(start)), np.ones(len(start))
    face = plan.face
    gap = start - face.origin
    if rule == INTO_YARD:
        rate, done = direction @ face.outward, gap @ face.outward
    else:
        # the corner of the house that the run passes last
        far = face.length_m if plan.forward > 0 else 0.0
        rate = plan.forward * (direction @ face.along)
        done = plan.forward * (gap @ face.along - far)
    # a straight parallel to the face never gains on it: an absurd length, which the fit drops
    rate = np.where(np.abs(rate) > 1e-6, rate, 1e-6)
    return -done / rate, 1.0 / rate


def _range(plan: Plan, rule: int) -> tuple[float, float]:
    """Return the range over which the rule's value is spread evenly."""
    if plan.face is None:
        return LEAST_STRAIGHT_M, max(plan.reach_m, 2 * LEAST_STRAIGHT_M)
    if rule == INTO_YARD:
        return YARD_CLEAR_M, max(plan.face.strip_m - YARD_CLEAR_M, 2 * YARD_CLEAR_M)
    if rule == PAST_CORNER:
        return YARD_CLEAR_M, max(plan.reach_m, 2 * YARD_CLEAR_M)
    # within the yard a straight ends short of the lot line
    room = plan.face.strip_m - YARD_CLEAR_M if rule == WITHIN_YARD else plan.reach_m
    return LEAST_STRAIGHT_M, max(min(room, YARD_APPROACH_M), 2 * LEAST_STRAIGHT_M)


@dataclass(frozen=True, slots=True)
class ValueLaw:
    """The prior of a rule's value: even over a range, mixed with a law of short ones.

    Exponential from the least on, or, with ``near_m``, log-normal about that, or about the middle
    of a range that is too narrow for it.
    """

    least: float
    most: float
    near_m: float | None = None

    def __call__(self, uniform: Array, density_at: Array | None = None) -> Array:
        """Draw from uniforms, or give the density where ``density_at`` is given."""
        share = SHORT_SHARE if self.near_m is None else NEAR_SHARE
        width = self.most - self.least
        if density_at is None:
            # the uniform's place past the short share, stretched over the range
            even = self.least + (uniform - share) / (1.0 - share) * width
            return np.where(uniform < share, self._short(uniform / share), even)
        above = density_at - self.least
        flat = (1.0 - share) / width * ((above >= 0) & (above <= width))
        return np.asarray(flat + share * self._short_density(density_at))

    @property
    def _median_m(self) -> float:
        return min(cast(float, self.near_m), 0.5 * (self.least + self.most))

    def _short(self, uniform: Array) -> Array:
        """Invert the law of short values at uniforms, those past 1 taken as 1."""
        uniform = np.minimum(uniform, 1 - _TINY)
        if self.near_m is None:
            return self.least - SHORT_MEAN_M * np.log1p(-uniform)
        return np.asarray(self._median_m * np.exp(NEAR_LOG_SD * ndtri(uniform)))

    def _short_density(self, value: Array) -> Array:
        if self.near_m is None:
            above = value - self.least
            decay = np.exp(-np.maximum(above, 0.0) / SHORT_MEAN_M) / SHORT_MEAN_M
            return np.where(above >= 0, decay, 0.0)
        ratio = np.log(np.maximum(value, _TINY) / self._median_m)
        return normal_density(ratio, NEAR_LOG_SD) / np.maximum(value, _TINY) * (value > 0)


def _length_aims(
    plan: Plan, start: Array, pair: Array, offset: Array, scale: Array
) -> tuple[list[Array], list[Array]]:
    """Return the values, with widths, that send the next straight through each aim.

    One more target lies past the last aim that the straight itself meets: a bend short of it
    would miss it, so the aims met before the last one are no targets.
    """
    if not plan.aims:
        return [], []
    now, following = pair[:, 0], pair[:, 1]
    # sine of the turn: where it is small the length hardly moves the straight after the bend
    cross = now[:, 0] * following[:, 1] - now[:, 1] * following[:, 0]
    gaps = np.stack([aim.point - start for aim in plan.aims])
    along = np.sum(gaps * now, axis=2)
    beside = np.abs(now[:, 0] * gaps[..., 1] - now[:, 1] * gaps[..., 0])
    spread = np.array([[aim.sd_m] for aim in plan.aims])
    # the straight itself passes the aim, before any bend
    met = (along > 0) & (beside < MET_WITHIN_SD * spread)
    furthest = np.where(met, along, -np.inf).max(axis=0)
    # Cramer's rule: the length at which the next straight runs through the aim
    length = (gaps[..., 0] * following[:, 1] - gaps[..., 1] * following[:, 0]) / cross
    ahead = np.sum((gaps - length[..., None] * now) * following, axis=2) > 0
    fits = ahead & (length > LEAST_STRAIGHT_M) & ~(met & (along < furthest))
    past = np.where(np.isfinite(furthest), furthest + PAST_AIM_M, np.nan)
    targets = (np.concatenate([np.where(fits, length, np.nan), past[None]]) - offset) / scale
    widths = np.maximum(spread / np.abs(cross), 0.02)
    # from meters along the straight into the rule's own value
    widths = np.concatenate([widths, np.full((1, len(start)), PAST_AIM_M)]) / np.abs(scale)
    return list(targets), list(widths)


def draw_aimed(
    uniform: Array, law: Law, targets: list[Array], widths: list[Array]
) -> tuple[Array, Array]:
    """Draw from a law mixed with Gaussians about targets: values and log(prior / proposal).

    The mixture keeps ``PRIOR_SHARE`` for the law; the rest is shared evenly among the targets
    that are not NaN in a row.

    Parameters
    ----------
    uniform
        Draws (n,) in [0, 1).
    law
        Inverse distribution, and density where values are given.
    targets
        Values aimed at (n,), nan where there is none, one array a target.
    widths
        Their standard deviations (n,).

    Returns
    -------
    values
        (n,).
    log_ratio
        Log of prior over proposal (n,).
    """
    if not targets:
        return law(uniform, None), np.zeros(len(uniform))
    target, width = np.stack(targets, axis=1), np.stack(widths, axis=1)
    usable = np.isfinite(target)
    number = usable.sum(axis=1)
    stay = np.where(number > 0, PRIOR_SHARE, 1.0)
    each = (1.0 - stay) / np.maximum(number, 1)
    # the first part of the unit interval belongs to the law, the rest in even shares to the aims
    own = law(np.minimum(uniform / stay, 1.0 - _TINY), None)
    past = np.maximum(uniform - stay, 0.0) / np.where(each > 0, each, 1.0)
    rank = np.minimum(past.astype(np.int64), np.maximum(number - 1, 0))
    order = np.argsort(~usable, axis=1, kind="stable")
    rows = np.arange(len(uniform))
    picked = order[rows, rank]
    within = np.clip(past - rank, _TINY, 1.0 - 1e-9)
    aimed = target[rows, picked] + width[rows, picked] * ndtri(within)
    value = np.where((uniform < stay) | (number == 0), own, aimed)
    # the law's density wherever the value came from: 0 where an aimed one lies outside its range
    density = law(uniform, value)
    gauss = normal_density(value[:, None] - target, width)
    # density of the mixture actually drawn from (balance heuristic), whichever part the value came
    # from
    proposal = stay * density + each * np.where(usable, gauss, 0.0).sum(axis=1)
    with np.errstate(divide="ignore"):
        return value, np.log(density) - np.log(np.maximum(proposal, 1e-300))
