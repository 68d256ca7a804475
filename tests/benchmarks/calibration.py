"""Measure calibration over invented neighborhoods: ``python -m tests.benchmarks.calibration``.

Arguments: number of houses (300), first seed (0), worker processes (1), a file that keeps the
results, so that a run goes on where it stopped.

Each house of :mod:`tests.neighborhood` goes through place, line, exit, routes and score; the
posterior of each main (all its ways together, ``unlisted`` its own class) is held against the
truth, beside the prior alone. Intervals are Clopper-Pearson, 95 %.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest

from sitegis.exit import find_exit
from sitegis.line import fit_line
from sitegis.messages.errors import ComputationError
from sitegis.model.results import Scores
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import score_hypotheses
from tests.neighborhood import House, draw_house

from .heading import heading
from .kept import run_kept

LEVELS = (0.50, 0.80, 0.95)
BIN_EDGES = (0.0, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 0.99, 1.0)
UNLISTED = "unlisted"
_LEAVES = {
    "toward": "the wall that faces its main",
    "sideways": "a wall beside that",
    "away": "the wall that faces away",
}
STAGES = (place_points, fit_line, find_exit, sample_routes, score_hypotheses)


@dataclass(frozen=True)
class Outcome:
    """What one house gave: probabilities by class, the true class, where the tap fell.

    ``tap_quantile`` is the posterior distribution function of the tap station at the true tap,
    given the true main; None where that main is not on record or no route reaches it. ``bends``
    counts the true lateral's bends outdoors.
    """

    true_class: str
    posterior: dict[str, float]
    prior: dict[str, float]
    tap_quantile: float | None
    leaves: str
    bends: int
    seconds: float


def run_house(house: House) -> Outcome:
    """Run all stages on one house."""
    start = time.perf_counter()
    survey = Survey(house.site, load_rules(house.site.rule_set))
    for stage in STAGES:
        survey = stage(survey)
    return Outcome(
        house.truth.main if house.listed else UNLISTED,
        _by_class(survey.scores, posterior=True),
        _by_class(survey.scores, posterior=False),
        _tap_quantile(survey, house),
        house.leaves,
        len(house.truth.outdoors) - 2,
        time.perf_counter() - start,
    )


def _by_class(scores: Scores, *, posterior: bool) -> dict[str, float]:
    """Add up probabilities by main."""
    total: Counter[str] = Counter()
    for scored in scores.hypotheses:
        value = scored.probability if posterior else scored.hypothesis.prior
        total[scored.hypothesis.main or UNLISTED] += value
    return dict(total)


def _tap_quantile(survey: Survey, house: House) -> float | None:
    """Return the posterior share, given the true main, with the tap upstream of the truth."""
    stations_of = {r.hypothesis.id: r.tap_stations_m for r in survey.routes}
    below, whole = 0.0, 0.0
    for scored in survey.scores.hypotheses:
        if scored.hypothesis.main == house.truth.main and house.listed:
            upstream = stations_of[scored.hypothesis.id] < house.truth.tap_station_m
            below += scored.probability * float(scored.weights[upstream].sum())
            whole += scored.probability * float(scored.weights.sum())
    return below / whole if whole > 0.0 else None


def _scores(outcomes: list[Outcome], *, prior: bool) -> tuple[NDArray[np.float64], ...]:
    """Return Brier (sum over classes) and log score (bits) of each house."""
    brier, bits = [], []
    for outcome in outcomes:
        p = outcome.prior if prior else outcome.posterior
        classes = set(p) | {outcome.true_class}
        brier.append(sum((p.get(c, 0.0) - (c == outcome.true_class)) ** 2 for c in classes))
        bits.append(-np.log2(max(p.get(outcome.true_class, 0.0), 1e-6)))
    return np.array(brier), np.array(bits)


def _try_house(seed: int) -> Outcome | str:
    """Run one house; the fault's code where it stopped."""
    try:
        return run_house(draw_house(seed))
    except ComputationError as error:
        return error.fault.code


def report(count: int, first: int = 0, workers: int = 1, path: Path | None = None) -> list[str]:
    """Run ``count`` houses from a ``first`` seed on and give the table."""
    done = run_kept(_try_house, range(first, first + count), workers, path)
    outcomes = [outcome for outcome in done if isinstance(outcome, Outcome)]
    failed = Counter(outcome for outcome in done if isinstance(outcome, str))
    head = f"{count} invented houses, seeds {first} to {first + count - 1}"
    return table(head, outcomes, failed)


def table(head: str, outcomes: list[Outcome], failed: Counter[str]) -> list[str]:
    """Lay the table out; ``head`` tells which houses, ``failed`` what stopped the others."""
    lines = [
        f"{head}, {len(outcomes)} scored, median "
        f"{np.median([o.seconds for o in outcomes]):.2f} s; stopped: {dict(failed) or 'none'}",
        "",
        *_score_lines(outcomes),
        "",
        *_reliability_lines(outcomes),
        "",
        *_unlisted_lines(outcomes),
        "",
        *_coverage_lines(outcomes),
    ]
    classes = Counter(o.true_class for o in outcomes)
    lines.append("")
    lines.append("truths: " + ", ".join(f"{name} {n}" for name, n in sorted(classes.items())))
    return lines


def _score_lines(outcomes: list[Outcome]) -> list[str]:
    """Compare posterior and prior."""
    several = [o for o in outcomes if len(o.prior) > 2]
    lines = [f"{'':40s} {'Brier':>14s} {'log score, bits':>17s} {'leader right':>22s}"]
    for name, chosen in (("all houses", outcomes), ("houses with 2 mains or more", several)):
        lines.append(_score_line(f"{name}, prior", chosen, prior=True))
        lines.append(_score_line(f"{name}, posterior", chosen, prior=False))
    lines.append("  of these, by the wall the drain leaves by, posterior:")
    for leaves, words in _LEAVES.items():
        chosen = [o for o in several if o.leaves == leaves]
        if len(chosen) > 1:
            lines.append(_score_line(f"  {words} ({len(chosen)})", chosen, prior=False))
    return lines


def _score_line(name: str, chosen: list[Outcome], *, prior: bool) -> str:
    """Write one row of scores."""
    brier, bits = _scores(chosen, prior=prior)
    right = sum(_leader(o, prior=prior) == o.true_class for o in chosen)
    return f"{name:40s} {_mean(brier):>14s} {_mean(bits):>17s} {_share(right, len(chosen)):>22s}"


def _leader(outcome: Outcome, *, prior: bool) -> str:
    p = outcome.prior if prior else outcome.posterior
    return max(p, key=lambda name: p[name])


def _mean(values: NDArray[np.float64]) -> str:
    """Write a mean with its standard error."""
    return f"{values.mean():.3f} ± {values.std(ddof=1) / np.sqrt(values.size):.3f}"


def _share(hits: int, whole: int) -> str:
    """Write a share with its binomial interval."""
    interval = binomtest(hits, whole).proportion_ci(0.95)
    return f"{hits / whole:.3f} [{interval.low:.3f}, {interval.high:.3f}]"


def _reliability_lines(outcomes: list[Outcome]) -> list[str]:
    """Hold stated probabilities of mains and 'unlisted' against how often they were true."""
    pairs = np.array(
        [(p, name == o.true_class) for o in outcomes for name, p in o.posterior.items()]
    )
    lines = [f"{'stated':>14s} {'count':>6s} {'mean stated':>12s} {'found true':>24s}"]
    for low, high in pairwise(BIN_EDGES):
        within = (pairs[:, 0] >= low) & (pairs[:, 0] < high if high < 1.0 else pairs[:, 0] <= 1.0)
        whole, hits = int(within.sum()), int(pairs[within, 1].sum())
        if whole:
            stated = pairs[within, 0].mean()
            lines.append(
                f"{low:6.2f} – {high:4.2f}  {whole:6d} {stated:12.3f} {_share(hits, whole):>24s}"
            )
    return lines


def _unlisted_lines(outcomes: list[Outcome]) -> list[str]:
    """Hold how many houses are said to have a main that is not on record against how many do."""
    lines = [f"{'not on record, drain leaves by':40s} {'houses':>8s} {'stated':>8s} {'true':>6s}"]
    for leaves, words in _LEAVES.items():
        chosen = [o for o in outcomes if o.leaves == leaves]
        stated = sum(o.posterior.get(UNLISTED, 0.0) for o in chosen)
        true = sum(o.true_class == UNLISTED for o in chosen)
        lines.append(f"  {words:38s} {len(chosen):8d} {stated:8.1f} {true:6d}")
    return lines


def _coverage_lines(outcomes: list[Outcome]) -> list[str]:
    """Return how often the true tap lay within the central quantiles of the tap station.

    By the true number of bends too. A posterior covers over all truths that look alike from
    indoors, not over each kind of truth: straight laterals lie amid the corridor, those with one
    bend toward its edges, and nobody who digs knows which he has.
    """
    chosen = [o for o in outcomes if o.tap_quantile is not None]
    quantiles = np.array([o.tap_quantile for o in chosen], float)
    bends = np.array([o.bends for o in chosen])
    kinds = {"no bend": bends == 0, "one bend": bends == 1, "two or more": bends > 1}
    lines = [f"true tap within the central share, given the true main ({quantiles.size} houses)"]
    heads = "".join(f"{f'{name} ({of_kind.sum()})':>20s}" for name, of_kind in kinds.items())
    lines.append(f"{'':14s} {'all':>24s}{heads}")
    for level in LEVELS:
        inside = np.abs(quantiles - 0.5) <= level / 2
        split = "".join(
            f"{inside[of_kind].mean() if of_kind.any() else np.nan:20.3f}"
            for of_kind in kinds.values()
        )
        lines.append(f"{level:14.2f} {_share(int(inside.sum()), quantiles.size):>24s}{split}")
    return lines


if __name__ == "__main__":
    arguments = [int(word) for word in sys.argv[1:4]] or [300]
    kept_in = [Path(word) for word in sys.argv[4:5]]
    sys.stdout.write(heading("seeds: one a house, from the second argument on"))
    sys.stdout.write("\n".join(report(*arguments, *kept_in)) + "\n")
