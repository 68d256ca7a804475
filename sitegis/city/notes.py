"""What a city's answer assumes, and the cautions that go with it, as sentences."""

from __future__ import annotations

import numpy as np

from ..model.site import Priors
from ..read.inverts import DEPTH_M, INVERT_SD_M, UNKNOWN_SD_M
from ..rules.rule_set import load_rules
from .addresses import ADDRESS_BLUNDER
from .facing import REACH_M
from .habits import DEPTH_SDS_M, DEPTHS_M, WITH_BASEMENT, WITHOUT_BASEMENT
from .houses import LEAST_HOUSE_M2
from .infer import ALLEY_WEIGHT, EASEMENT_WEIGHT, NEAR_M, PAST_END_M, SLOPE, SLOPE_SD, UNLISTED_FIT
from .layer_arrays import Habits
from .mains import AT_LINE_M
from .reach import LONGEST_M
from .routes import KINDS
from .taps import ANYWHERE, LEAN, MANHOLE, MIDDLE, SQUARE


def assumptions(priors: Priors, habits: Habits) -> list[str]:
    """Say every default that entered, with its numbers; judgment without a source.

    Parameters
    ----------
    priors
        Weights given in CITY.toml.
    habits
        What is taken of the town, or was learned.

    Returns
    -------
    list[str]
        Sentences.
    """
    given = {
        name: value
        for name in ("front", "rear", "alley", "side", "side_yard", "unlisted")
        if (value := getattr(priors, name)) is not None
    }
    weights = ", ".join(f"{name.replace('_', '-')} {value:g}" for name, value in given.items())
    return [
        "Nobody measured indoors: every wall penetration is averaged over walls and places on them "
        f"({len(KINDS)} simple routes to the mains on each side of a lot).",
        "The route alternatives have the priors of a single site (front street first, an "
        "alley where its main is on record, rear and side less, side yards in older houses); "
        "common practice, no source."
        + (f" Given in CITY.toml instead: {weights}." if weights else ""),
        f"Other or not on record fits with {UNLISTED_FIT:g}.",
        f"Drains must pass the wall {_depths()} below the ground: {_shares(habits)}. A lateral "
        f"falls {100 * SLOPE:.1f} % (± {100 * SLOPE_SD:.1f} %); how far above its main it "
        "comes in is no evidence, since a riser takes it down.",
        f"A main without an invert lies {DEPTH_M:g} m below the ground (± {UNKNOWN_SD_M:g} m); "
        f"one on record is right to ± {INVERT_SD_M:.2f} m and runs with the flow.",
        f"A lot line faces a street or main within {REACH_M:g} m of it with no other lot between; "
        f"a main within {AT_LINE_M:g} m of a line runs along it. No lateral is longer than "
        f"{LONGEST_M:g} m.",
        "On a corner the street of the address, the narrower line and the deeper setback are "
        f"evidence for the front; an address is wrong {100 * ADDRESS_BLUNDER:g} times in 100. "
        "Where another line may be the front, both are weighed.",
        f"Of two mains the nearer is the likelier: by e for every {NEAR_M:g} m. A route that meets "
        f"a main past its end taps the end, the less likely the further (half at "
        f"{PAST_END_M:g} m). A main in an easement behind the lot weighs {EASEMENT_WEIGHT:g} times "
        f"the rear's prior, one in an alley {ALLEY_WEIGHT:g} times the alley's, unless CITY.toml "
        "gives it.",
        "The tap lies square from the wall penetration, one wye's lean with the flow, at the "
        "lot's middle, at a manhole within 12 m or anywhere along the frontage: "
        + ", ".join(f"{100 * s:g} %" for s in (SQUARE, LEAN, MIDDLE, MANHOLE, ANYWHERE))
        + ".",
        f"The largest building of {LEAST_HOUSE_M2:g} m² or more is the house.",
    ]


def _depths() -> str:
    pairs = zip(DEPTHS_M, DEPTH_SDS_M, strict=True)
    shallow, half, deep = (f"{depth:.1f} m (± {sd:.1f} m)" for depth, sd in pairs)
    return f"{shallow}, {half} or, under a basement floor, {deep}"


def _shares(habits: Habits) -> str:
    """Say the shares of the depths, and how far towns may lie from them."""
    weights = habits.weights / habits.weights.sum()
    means = weights @ habits.depths
    spreads = np.sqrt(weights @ (habits.depths - means) ** 2)
    shares = ", ".join(f"{100 * mean:.0f}" for mean in means.tolist())
    more = ", ".join(f"{100 * spread:.0f}" for spread in spreads.tolist())
    with_one, without = (
        ", ".join(f"{100 * share:.0f}" for share in shares)
        for shares in (WITH_BASEMENT, WITHOUT_BASEMENT)
    )
    return (
        f"{shares} of 100 (towns differ by {more}); {with_one} where a house is said to have a "
        f"basement, {without} where it is said to have none"
    )


def cautions(rule_set: str) -> list[str]:
    """Return the cautions of the rule set."""
    return list(load_rules(rule_set).cautions)
