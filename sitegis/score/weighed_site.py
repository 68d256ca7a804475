"""All that is needed to score one site, ln Z per hypothesis and what each item of it weighs."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from ..finds.ground import MOST_FINDS, deep_finds, shared_key
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.results import Contribution, Routes
from ..model.site import Evidence, Site
from ..numerics.ordering import MATTERS_P, in_steps
from ..numerics.statistics import EvidenceSum, estimate_log_evidence, log_sum
from ..routes.likelihoods import item_names, unlisted_log_likelihood
from .posterior import prior_by_main
from .tables import is_tabled, tabled_log_likelihood
from .words import limit_bits, name_hypothesis, odds_words

LOCATES = "locates"
NONE_LEFT_OUT: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class WeighedSite:
    """A site with its route samples.

    ``items`` are the named items of evidence that count, ``left_out`` the names that a what-if
    leaves out; ``practice`` is the prior of each listed main (sums to 1).
    """

    site: Site
    routes: tuple[Routes, ...]
    items: tuple[tuple[str, Evidence], ...]
    practice: dict[str, float]
    left_out: frozenset[str] = NONE_LEFT_OUT

    @property
    def prior(self) -> Array:
        """Prior of each hypothesis (h,)."""
        return np.array([routes.hypothesis.prior for routes in self.routes])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the items of evidence, the geometry first."""
        return (LOCATES, *(name for name, _ in self.items))


def weigh_site(site: Site, routes: tuple[Routes, ...], without: frozenset[str]) -> WeighedSite:
    """Gather the items of a site, ``without`` some by name.

    Parameters
    ----------
    site
        The site as read.
    routes
        Route samples of every hypothesis.
    without
        Names of the items of evidence left out.

    Returns
    -------
    WeighedSite
        The items with their names, and the prior by main.
    """
    names = item_names(site.evidence)
    items = tuple(
        (name, item) for name, item in zip(names, site.evidence, strict=True) if name not in without
    )
    # every main on record, also one that no route reaches
    by_main: dict[str | None, float] = {main.id: 0.0 for main in site.mains}
    for sampled in routes:
        main_id = sampled.hypothesis.main
        by_main[main_id] = by_main.get(main_id, 0.0) + sampled.hypothesis.prior
    return WeighedSite(site, routes, items, prior_by_main(by_main) if site.mains else {}, without)


def log_weights(
    weighed: WeighedSite, routes: Routes, without: frozenset[str] = NONE_LEFT_OUT
) -> Array:
    """Return the log weight of each route sample (m,), all evidence but ``without`` counted.

    Parameters
    ----------
    weighed
        Site with its route samples and items of evidence.
    routes
        Route samples of one hypothesis.
    without
        Names of the items of evidence left out.

    Returns
    -------
    Array
        Log weights (m,).
    """
    counted = [
        routes.log_likelihoods[name]
        for name, item in weighed.items
        if name in routes.log_likelihoods and name not in without and not is_tabled(item)
    ]
    deep = [item.id for item in deep_finds(weighed.site)[:MOST_FINDS]]
    present = {name for name, _ in weighed.items} - without
    counted += [
        routes.log_likelihoods[key]
        for size in range(2, len(deep) + 1)
        for some in combinations(deep, size)
        if present.issuperset(some) and (key := shared_key(some)) in routes.log_likelihoods
    ]
    # log_prior has the density that routes were drawn with taken off already
    total = np.sum([routes.log_prior, *counted], axis=0)
    # tabled items give one value where there is no route: cut to none
    return np.asarray(total + _tabled(weighed, routes, without)[: total.size])


def _tabled(weighed: WeighedSite, routes: Routes, without: frozenset[str]) -> Array:
    """Return the joint log likelihood of the tabled items, (1,) where there are none."""
    items = [
        (name, item) for name, item in weighed.items if name not in without and is_tabled(item)
    ]
    if not items:
        return np.zeros(1)
    return tabled_log_likelihood(items, routes, weighed.site, weighed.practice)


def hypothesis_evidence(
    weighed: WeighedSite, routes: Routes, without: frozenset[str] = NONE_LEFT_OUT
) -> EvidenceSum:
    """Estimate ln Z of one hypothesis.

    Without the geometry (``locates`` left out) the routes stay as sampled and only their fit, ln Z
    of the geometry alone, is taken away.

    Parameters
    ----------
    weighed
        Site with its route samples and items of evidence.
    routes
        Route samples of one hypothesis.
    without
        Names of the items of evidence left out.

    Returns
    -------
    EvidenceSum
        ln Z with its standard error.
    """
    estimate = estimate_log_evidence(log_weights(weighed, routes, without), routes.drawn)
    if LOCATES not in without:
        return estimate
    geometry = estimate_log_evidence(routes.log_prior, routes.drawn)
    if geometry.log_z == -np.inf:
        # no route fits: only leaving the geometry out makes the way possible again
        return _flat_evidence(weighed, routes, without)
    # Z of routes × items over Z of routes alone: mean likelihood of the items
    return EvidenceSum(
        estimate.log_z - geometry.log_z, estimate.log_z_se, estimate.effective_samples
    )


def _flat_evidence(weighed: WeighedSite, routes: Routes, without: frozenset[str]) -> EvidenceSum:
    """Return the items' log likelihood where there is no route: any place is as likely."""
    flat = sum(
        unlisted_log_likelihood(item, weighed.site)
        for name, item in weighed.items
        if name not in without and not is_tabled(item)
    )
    return EvidenceSum(float(flat + _tabled(weighed, routes, without)[0]), 0.0, 0.0)


def all_log_evidence(weighed: WeighedSite, without: frozenset[str] = NONE_LEFT_OUT) -> Array:
    """Return ln Z of every hypothesis (h,).

    Parameters
    ----------
    weighed
        Site with its route samples and items of evidence.
    without
        Names of the items of evidence left out.

    Returns
    -------
    Array
        ln Z (h,).
    """
    return np.array(
        [hypothesis_evidence(weighed, routes, without).log_z for routes in weighed.routes]
    )


def weigh_items(
    weighed: WeighedSite, log_evidence: Array, left_out: frozenset[str]
) -> tuple[tuple[Contribution, ...], ...]:
    """Return each hypothesis its contributions, the weightiest first.

    Weight of evidence, leave-one-out: log2 of (posterior odds of the hypothesis with the item /
    without it) (Good, *Probability and the Weighing of Evidence*, 1950). Items that share a
    cause don't add up, and a second witness to the same thing weighs less than the first.
    ``locates`` is the fit of the geometry: what the indoor marks say by themselves.

    Parameters
    ----------
    weighed
        Site with its route samples and items of evidence.
    log_evidence
        ln Z of each hypothesis (h,).
    left_out
        Names left out already.

    Returns
    -------
    tuple[tuple[Contribution, ...], ...]
        Contributions of each hypothesis, in bits.
    """
    # a prior of 0 has a log of −inf, and stays ruled out
    with np.errstate(divide="ignore"):
        log_prior = np.log(weighed.prior)
    full = _log_odds(log_evidence + log_prior)
    kinds = {LOCATES: LOCATES, **{name: item.kind for name, item in weighed.items}}
    rows: list[list[Contribution]] = [[] for _ in weighed.routes]
    for name in weighed.names:
        if name in left_out:
            continue
        reduced = _log_odds(all_log_evidence(weighed, left_out | {name}) + log_prior)
        for row, routes, after, before in zip(rows, weighed.routes, full, reduced, strict=True):
            # equal infinities would subtract to nan
            bits = limit_bits(after - before) if after != before else 0.0
            words = odds_words(bits, name_hypothesis(routes.hypothesis, weighed.site))
            row.append(Contribution(name, kinds[name], bits, words))
    return tuple(
        tuple(sorted(row, key=lambda c: -float(in_steps(abs(c.bits), MATTERS_P)))) for row in rows
    )


def _log_odds(log_joint: Array) -> Array:
    """Return ln(p / (1 − p)) of each hypothesis from ln(prior × Z), (h,); ±inf at the ends."""
    odds = np.empty_like(log_joint)
    for i, value in enumerate(log_joint):
        others = np.delete(log_joint, i)
        rest = log_sum(others)
        # impossible against impossible: odds of one
        if value == -np.inf and rest == -np.inf:
            odds[i] = 0.0
        else:
            odds[i] = value - rest
    return odds
