"""The ways a lateral may run from the house to a main, with their prior probabilities.

All default weights are common practice without a source. ``site.priors`` overrides each.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from ..model.results import Hypothesis, Toward
from ..model.site import Main, Priors, Side, Site, closed_mains
from ..units import percent
from .bends import ANGLE_SHARES, COUNT_SHARES, OFFSET_SHARE
from .fit import EASY_DROP_M
from .plan import DIRECT_MOST_TURN_RAD
from .unlisted import UNLISTED_ELSEWHERE, UNLISTED_OPEN

__all__ = [
    "UNLISTED_ID",
    "enumerate_hypotheses",
    "list_hypotheses",
    "prior_weights",
    "prior_words",
]

UNLISTED_ID = "unlisted"
# judgment, no source: from then on alleys and side yards count for less
OLDER_BEFORE_YEAR = 1950
UNLISTED_SHARE = 0.02

Destination = Literal["front", "rear", "alley", "side"]
_Age = Literal["older", "newer", "unknown"]

# Relative weights by the age of the house; common practice, no source.
_ALLEY: Mapping[_Age, float] = {"older": 1.0, "newer": 0.25, "unknown": 0.5}
_SIDE_YARD: Mapping[_Age, float] = {"older": 0.25, "newer": 0.05, "unknown": 0.15}
_FRONT, _REAR, _SIDE = 1.0, 0.3, 0.25
_AGE_WORDS: Mapping[_Age, str] = {
    "older": f"built before {OLDER_BEFORE_YEAR}",
    "newer": f"built in {OLDER_BEFORE_YEAR} or later",
    "unknown": "year built not given",
}


def enumerate_hypotheses(site: Site) -> tuple[Hypothesis, ...]:
    """List every way for every main, then ``unlisted``, with priors that sum to 1.

    A main along the front or rear gets a direct way and a run along the left and the right side
    of the house; a main along the left or right a direct way and a run along the front and the
    rear. Mains that share a destination share its weight evenly. The side-yard weight is against
    a main's direct way and shared evenly by its runs: p(way | main) is the same whatever other
    mains are on record. ``unlisted`` keeps 2 % unless
    ``site.priors.unlisted`` gives it a relative weight like the others. A storm main has none
    where the drain is sanitary.
    """
    return list_hypotheses(site.mains, site.priors, site.year_built, closed_mains(site))


def list_hypotheses(
    mains: Sequence[Main],
    priors: Priors,
    year_built: int | None,
    closed: frozenset[str] = frozenset(),
) -> tuple[Hypothesis, ...]:
    """List the hypotheses of :func:`enumerate_hypotheses` where there is no site record.

    Of the mains only id, kind and side are looked at; those ``closed`` have no weight.

    Parameters
    ----------
    mains
        The mains, of which id, kind and side count.
    priors
        Relative weights as the user gave them.
    year_built
        Year of the house, None where it is not known.
    closed
        Ids of the mains that cannot be joined.

    Returns
    -------
    tuple[Hypothesis, ...]
        The hypotheses, their priors summing to 1.
    """
    weights = _weights(priors, _age(year_built))
    listed: list[Hypothesis] = []
    for main in mains:
        same = [other.id for other in mains if destination(other) == destination(main)]
        open_ones = [name for name in same if name not in closed]
        # a storm main beside a sanitary one takes nothing of the destination's weight
        share = weights[destination(main)] / len(open_ones) if main.id in open_ones else 0.0
        listed.append(_hypothesis(main, None, share))
        listed.extend(_hypothesis(main, yard, share) for yard in _yards(main.side))
    return _normalized(_with_yard_weight(listed, weights["side_yard"]), priors.unlisted)


def destination(main: Main) -> Destination:
    """Name what a main is to the lot: front, alley, rear or side."""
    # before the side: an alley counts as one wherever it runs
    if main.kind == "alley":
        return "alley"
    if main.side in ("left", "right"):
        return "side"
    return "front" if main.side == "front" else "rear"


def prior_weights(site: Site) -> dict[str, float]:
    """Return the relative weights in force: the defaults for the house's age, or the user's."""
    return _weights(site.priors, _age(site.year_built))


def _weights(priors: Priors, age: _Age) -> dict[str, float]:
    defaults = {
        "front": _FRONT,
        "rear": _REAR,
        "alley": _ALLEY[age],
        "side": _SIDE,
        "side_yard": _SIDE_YARD[age],
    }
    # what the user gives goes before the default, 0 too
    return {
        name: value if (given := getattr(priors, name)) is None else float(given)
        for name, value in defaults.items()
    }


def prior_words(site: Site) -> tuple[str, ...]:
    """Say in words which priors are in force and where they come from."""
    weights = prior_weights(site)
    given = [name for name in weights if getattr(site.priors, name) is not None]
    listed = ", ".join(f"{name.replace('_', '-')} {weights[name]:g}" for name in weights)
    sentences = [
        f"Prior weights of the route alternatives: {listed} "
        f"({_AGE_WORDS[_age(site.year_built)]}); common practice, no source.",
        "An alley counts only where an alley main is on record; mains with the same destination "
        "share its weight; the side-yard runs to a main together have the side-yard weight "
        "times that of its direct route.",
    ]
    if site.priors.unlisted is None:
        sentences.append(
            f"Other or not on record keeps {percent(UNLISTED_SHARE)}; it runs toward the front, "
            "the rear or a street where no main is on record "
            f"{UNLISTED_OPEN / UNLISTED_ELSEWHERE:g} times as often as toward any other side; "
            "judgment, no source."
        )
    else:
        given.append("unlisted")
        sentences.append(f"Other or not on record has relative weight {site.priors.unlisted:g}.")
    if given:
        names = ", ".join(name.replace("_", "-") for name in given)
        sentences.append(f"Given by the user instead of the default: {names}.")
    return (*sentences, *_practice_words())


def _practice_words() -> tuple[str, str]:
    """Say in words how laterals are taken to be laid."""
    counts = ", ".join(f"{percent(share)} {n}" for n, share in enumerate(COUNT_SHARES))
    angles = ", ".join(f"{percent(share)} {angle:g}°" for angle, share in ANGLE_SHARES.items())
    return (
        f"Outdoor bends by number: {counts}; by angle: {angles}, left and right alike; "
        f"of two bends {percent(OFFSET_SHARE)} are an offset (two equal ones, one to either hand); "
        "judgment, no source.",
        "Laterals mostly leave square to the wall and join square to the main, fall throughout, "
        "stay in the lot, rights-of-way and easements, do not pass under the house again, and "
        f"connect above the main's invert; a drop of more than {EASY_DROP_M:g} m is less common, "
        f"but a riser remains possible; a direct route turns "
        f"{np.degrees(DIRECT_MOST_TURN_RAD):.0f}° at most; a side-yard run follows the wall; "
        "judgment, no source.",
    )


def _age(year_built: int | None) -> _Age:
    if year_built is None:
        return "unknown"
    return "older" if year_built < OLDER_BEFORE_YEAR else "newer"


def _yards(main_side: Side) -> tuple[Side, Side]:
    """Name the sides of the house a run to a main on this side may pass."""
    return ("left", "right") if main_side in ("front", "rear") else ("front", "rear")


def toward_of(main_side: Side) -> Toward:
    """Say which way a main on a side of the lot lies: front, rear or side."""
    return "side" if main_side in ("left", "right") else main_side  # type: ignore[return-value]


def _hypothesis(main: Main, yard: Side | None, weight: float) -> Hypothesis:
    """Name one way; its prior is still a relative weight."""
    way: Literal["direct", "side-yard"] = "direct" if yard is None else "side-yard"
    suffix = "" if yard is None else f"-{yard}"
    return Hypothesis(f"{main.id}:{way}{suffix}", main.id, way, toward_of(main.side), yard, weight)


def _with_yard_weight(listed: list[Hypothesis], weight: float) -> list[Hypothesis]:
    """Share a main's side-yard weight, relative to its direct way, among its side-yard runs."""
    runs = Counter(h.main for h in listed if h.way == "side-yard")
    return [
        replace(h, prior=h.prior * weight / runs[h.main]) if h.way == "side-yard" else h
        for h in listed
    ]


def _normalized(listed: list[Hypothesis], unlisted: float | None) -> tuple[Hypothesis, ...]:
    """Add ``unlisted`` and bring the priors to a sum of 1."""
    total = sum(h.prior for h in listed)
    if unlisted is None:
        # so that it is 2 % of the whole, not of the others
        unlisted = total * UNLISTED_SHARE / (1.0 - UNLISTED_SHARE)
    whole = total + unlisted
    if whole <= 0:
        # nothing on record can be: all of it goes to what is not on record
        listed, unlisted, whole = [replace(h, prior=0.0) for h in listed], 1.0, 1.0
    scaled = [replace(h, prior=h.prior / whole) for h in listed]
    return (*scaled, Hypothesis(UNLISTED_ID, None, "unlisted", None, None, unlisted / whole))
