"""What a person should know about the scores."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from ..evidence import item_label
from ..finds.records import Finding
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.results import ScoredHypothesis
from ..model.site import Site
from ..numerics.statistics import MOST_PARETO_K
from ..units import percent
from .words import name_hypothesis, name_main, odds_words

LEAST_EFFECTIVE_SAMPLES = 400.0
MOST_LOG_EVIDENCE_SE = 0.05
ABOUT_EQUAL_RATIO = 2.0
NEGLIGIBLE = 0.005
# one to ten, in bits
STRONGLY_AGAINST_BITS = -3.3
WHERE = "hypotheses"


def list_notices(scored: Sequence[ScoredHypothesis], site: Site) -> tuple[Notice, ...]:
    """List the notices; ``scored`` is ordered, most probable first.

    Parameters
    ----------
    scored
        Hypotheses with probabilities, most probable first.
    site
        The site as read.

    Returns
    -------
    tuple[Notice, ...]
        What is to be said.
    """
    notices = [
        *_impossible(scored),
        *_equally_likely(scored, site),
        *_against_the_leader(scored, site),
        *_sampling(scored, site),
    ]
    return tuple(notices)


def _impossible(scored: Sequence[ScoredHypothesis]) -> Iterator[Notice]:
    """Say where no listed way is possible, or none of them leads."""
    listed = [s for s in scored if s.hypothesis.way != "unlisted"]
    if not listed:
        return  # that no main is on record is said where the mains are read
    if not any(s.probability > 0.0 for s in listed):
        yield notice_of("no-way-fits", WHERE)
    elif scored[0].hypothesis.way == "unlisted":
        yield notice_of("unlisted-leads", WHERE)


def _equally_likely(scored: Sequence[ScoredHypothesis], site: Site) -> Iterator[Notice]:
    """Say where the two most probable mains are about equally likely."""
    by_main: dict[str | None, float] = {}
    for s in scored:
        by_main[s.hypothesis.main] = by_main.get(s.hypothesis.main, 0.0) + s.probability
    # at equal probability by name, whatever the last digits
    ranked = sorted(by_main.items(), key=lambda pair: (-round(pair[1], 9), pair[0] or ""))
    if len(ranked) > 1 and ranked[0][1] < ABOUT_EQUAL_RATIO * ranked[1][1]:
        yield notice_of(
            "mains-equally-likely",
            WHERE,
            main_words=_main_words(ranked[0], scored, site),
            main_words_2=_main_words(ranked[1], scored, site),
        )
        return
    alternatives = [s for s in scored if s.hypothesis.way != "unlisted"]
    if (
        len(alternatives) > 1
        and alternatives[0].probability < ABOUT_EQUAL_RATIO * alternatives[1].probability
    ):
        names = " and ".join(name_hypothesis(s.hypothesis, site) for s in alternatives[:2])
        yield notice_of("ways-equally-likely", WHERE, names=names)


def _main_words(
    ranked: tuple[str | None, float], scored: Sequence[ScoredHypothesis], site: Site
) -> str:
    """Say a main with its probability."""
    main, probability = ranked
    if main is None:
        return f"other or not on record {percent(probability)}"
    return f"{name_main(main, site)} {percent(probability)}"


def _against_the_leader(scored: Sequence[ScoredHypothesis], site: Site) -> Iterator[Notice]:
    """Say which items of evidence speak strongly against the leading hypothesis."""
    leader = scored[0]
    name = name_hypothesis(leader.hypothesis, site)
    for item in leader.contributions:
        if item.bits < STRONGLY_AGAINST_BITS and leader.hypothesis.way != "unlisted":
            label, odds = item_label(item.item, item.kind), odds_words(item.bits, name)
            yield notice_of("evidence-disagrees", WHERE, item=label, odds=odds)


def _sampling(scored: Sequence[ScoredHypothesis], site: Site) -> Iterator[Notice]:
    """Say where there were too few samples, and whether that could change the order."""
    # the shape of the weights' tail is asked for only where finds weigh routes anew
    looked = any(isinstance(item, Finding) for item in site.evidence)
    for s in scored:
        # even two standard errors up it would not matter
        if s.best is None or s.probability * np.exp(2.0 * s.log_evidence_se) < NEGLIGIBLE:
            continue
        few = s.effective_samples < LEAST_EFFECTIVE_SAMPLES
        heavy = looked and s.pareto_k > MOST_PARETO_K
        if few or heavy or s.log_evidence_se > MOST_LOG_EVIDENCE_SE:
            yield notice_of(
                "few-samples",
                WHERE,
                needs_person=_could_change_order(s, scored),
                name_hypothesis=name_hypothesis(s.hypothesis, site),
                effective_samples=s.effective_samples,
                log_evidence_se=s.log_evidence_se,
            )


def _could_change_order(chosen: ScoredHypothesis, scored: Sequence[ScoredHypothesis]) -> bool:
    """Return whether two standard errors of ln Z could swap the leader with the next."""
    for first, second in pairwise(scored[:2]):
        if chosen not in (first, second) or second.probability <= 0.0:
            return False
        spread = np.hypot(first.log_evidence_se, second.log_evidence_se)
        return bool(np.log(first.probability / second.probability) < 2.0 * spread)
    return False
