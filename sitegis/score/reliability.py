"""How often a main stated at some probability was the right one on invented houses."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from ..late_dataclass import dataclass
from ..model.results import ScoredHypothesis
from ..units import percent

__all__ = ["HELD", "TRIAL_HOUSES", "Held", "reliability_words"]


@dataclass(frozen=True, slots=True)
class Held:
    """Mains stated from ``low`` to ``high``: the share that was right, and its 95 % interval."""

    low: float
    high: float
    right: float
    right_low: float
    right_high: float


# Measured by the benchmark `calibration`; a test holds these rows against its table.
TRIAL_HOUSES = 1000
HELD: tuple[Held, ...] = (
    Held(0.20, 0.40, 0.312, 0.202, 0.441),
    Held(0.40, 0.60, 0.500, 0.306, 0.694),
    Held(0.60, 0.80, 0.569, 0.440, 0.692),
    Held(0.80, 0.95, 0.856, 0.776, 0.915),
    Held(0.95, 0.99, 0.952, 0.908, 0.979),
    Held(0.99, 1.00, 0.997, 0.989, 1.000),
)


def reliability_words(scored: Sequence[ScoredHypothesis]) -> str:
    """Say how often a main stated about as surely as the leading one was right in trials.

    A main's probability is that of all its ways. The trials are invented, with practice of their
    own: the share says how far the model's sureness holds where its priors are somewhat wrong.
    """
    by_main: defaultdict[str | None, float] = defaultdict(float)
    for s in scored:
        by_main[s.hypothesis.main] += s.probability
    stated = min(max(by_main.values()), 1.0)
    row = next((held for held in reversed(HELD) if stated >= held.low), HELD[0])
    return (
        f"Calibration: in {TRIAL_HOUSES} invented trials, of the mains stated "
        f"at {percent(row.low)} to {percent(row.high)}, {percent(row.right)} were right (95 % "
        f"interval {percent(row.right_low)} to {percent(row.right_high)}). Real towns may "
        "differ more."
    )
