"""The weight of each item of evidence: posterior odds with it against without it."""

from __future__ import annotations

import numpy as np

from ..geometry.frames import Array
from ..model.results import Contribution
from ..numerics.ordering import MATTERS_P, in_steps
from ..numerics.statistics import log_sum
from .weighed_site import LOCATES, WeighedSite, all_log_evidence
from .words import limit_bits, name_hypothesis, odds_words


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
        Names left out beforehand.

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
