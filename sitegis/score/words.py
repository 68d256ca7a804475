"""How hypotheses and odds are said in trade language, and how often such odds held in trials."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np

from ..late_dataclass import dataclass
from ..model.results import Hypothesis, ScoredHypothesis
from ..model.site import Site
from ..units import FOOT_M, LengthUnit, format_length, is_imperial, percent

# odds of a million to one are called certain; below 0.07 bits the ratio rounds to 1.0
MOST_BITS = 20.0
NEGLIGIBLE_BITS = 0.07
HALF_FOOT_M = FOOT_M / 2


def name_main(main_id: str, site: Site) -> str:
    """Name a main by where it lies: ``the alley``, ``the front street``.

    Where two mains would share a name, the main's id is added.

    Parameters
    ----------
    main_id
        Id of the main.
    site
        The site as read.

    Returns
    -------
    str
        The phrase.
    """
    names = {main.id: _place_of(main.side, main.kind) for main in site.mains}
    name = names.get(main_id, f"main {main_id}")
    if list(names.values()).count(name) > 1:
        return f"{name} ({main_id})"
    return name


def _place_of(side: str, kind: str) -> str:
    """Say where a street lies."""
    if kind == "alley":
        return "the alley"
    return f"the {side} street" if side in ("front", "rear") else "the side street"


def name_hypothesis(hypothesis: Hypothesis, site: Site) -> str:
    """Name a route alternative: ``the alley``, ``the alley by the left side yard``.

    Parameters
    ----------
    hypothesis
        The route alternative.
    site
        The site as read.

    Returns
    -------
    str
        The phrase.
    """
    if hypothesis.main is None:
        return "other or not on record"
    name = name_main(hypothesis.main, site)
    if hypothesis.way == "side-yard" and hypothesis.yard_side is not None:
        return f"{name} by the {hypothesis.yard_side} side yard"
    return name


def odds_words(bits: float, name: str) -> str:
    """Say a weight of evidence as a likelihood ratio, and for or against what.

    Parameters
    ----------
    bits
        Weight of evidence, bits.
    name
        What it is for or against.

    Returns
    -------
    str
        The phrase.

    Examples
    --------
    >>> odds_words(2.0704, "the alley")
    'likelihood ratio 4.2 for the alley'
    >>> odds_words(-1.0, "the alley")
    'likelihood ratio 2.0 against the alley'
    """
    if bits <= -MOST_BITS:
        return f"rules out {name}"
    if bits >= MOST_BITS:
        return f"rules out all but {name}"
    if abs(bits) < NEGLIGIBLE_BITS:
        return f"no evidence on {name}"
    times = float(2.0 ** abs(bits))
    shown = f"{times:.1f}" if times < 10 else f"{times:,.0f}".replace(",", " ")
    return f"likelihood ratio {shown} {'for' if bits > 0 else 'against'} {name}"


def outdoor_words(length_m: float, units: LengthUnit) -> str:
    r"""Say a length as a tape is read across a yard: to half a foot or a tenth of a meter.

    Parameters
    ----------
    length_m
        Length, m.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The length as text.

    Examples
    --------
    >>> outdoor_words(5.588, "ft"), outdoor_words(7.5, "m"), outdoor_words(9.001, "mm")
    ('18\' 6"', '7.5 m', '9.0 m')
    """
    if not is_imperial(units):
        return f"{length_m:.1f} m"
    return format_length(round(length_m / HALF_FOOT_M) * HALF_FOOT_M, "ft", fraction=1)


def limit_bits(log_odds: float) -> float:
    """Turn natural log odds into bits, held within ± ``MOST_BITS`` (1 : 1 000 000 and past it)."""
    return float(np.clip(log_odds / np.log(2.0), -MOST_BITS, MOST_BITS))


SUPPORT = ((10.0, "weak"), (100.0, "moderate"), (1000.0, "moderately strong"), (1e4, "strong"))
"""Likelihood ratios below each bound and what they are called, beyond the last "very strong".

After the scale of the ENFSI guideline for evaluative reporting, 2015 (from memory).
"""


def support_words(bits: float) -> str:
    """Say a likelihood ratio in words: how strong an item is, for or against.

    >>> support_words(2.98)
    'weak support: 7.9 times as likely so as otherwise'
    >>> support_words(-8.0)
    'moderately strong evidence against: 256 times as likely otherwise'
    """
    if np.isnan(bits) or abs(bits) < NEGLIGIBLE_BITS:
        return ""
    times = float(2.0 ** min(abs(bits), MOST_BITS))
    name = next((name for bound, name in SUPPORT if times < bound), "very strong")
    shown = f"{times:.1f}" if times < 10 else f"{times:,.0f}".replace(",", " ")
    if bits > 0:
        return f"{name} support: {shown} times as likely so as otherwise"
    return f"{name} evidence against: {shown} times as likely otherwise"


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
    Held(0.20, 0.40, 0.408, 0.270, 0.558),
    Held(0.40, 0.60, 0.500, 0.306, 0.694),
    Held(0.60, 0.80, 0.491, 0.354, 0.629),
    Held(0.80, 0.95, 0.869, 0.796, 0.923),
    Held(0.95, 0.99, 0.952, 0.907, 0.979),
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
