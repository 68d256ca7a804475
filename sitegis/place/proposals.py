"""Typical blunders of tape and pencil, recognized and proposed, never applied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
from scipy.special import chdtri

from ..geometry.frames import Array
from ..model.site import Site
from ..numerics.ordering import MATTERS_M, MATTERS_P, in_steps, smallest
from ..units import FOOT_M, INCH_M, format_length, is_imperial
from .adjust import settled
from .assemble import find_room
from .blunders import Cleaned, predicted_against
from .network import Network, Observation

# judgment, no source: how near a corrected value must come
_FIT_SIGMA = 3.0
# Every pair is adjusted anew: past this many ties that would take too long.
_MOST_TIES = 12
# probability below the limit of chi-square; judgment, no source
_UNSTRAINED = 0.999


def likely_blunders(
    value_m: float, *, imperial: bool, room_size_m: float | None = None
) -> Iterator[tuple[str, float]]:
    """Yield what a length may have been if it was written or read wrongly: words, meters.

    Parameters
    ----------
    value_m
        Length as read, m.
    imperial
        Whether it was written in feet and inches.
    room_size_m
        Extent of the room, m; None where it is not known.

    Yields
    ------
    Iterator[tuple[str, float]]
        Words and corrected length, m.
    """
    if room_size_m is not None:
        yield "measured from the other wall", room_size_m - value_m
    if imperial:
        yield "one foot off", value_m + FOOT_M
        yield "one foot off", value_m - FOOT_M
        yield from _feet_inches_blunders(value_m)
        # N meters read as N feet: meant is N m
        yield "meters typed as feet", value_m / FOOT_M
        yield "inches typed as feet", value_m * INCH_M / FOOT_M
        return
    yield from _metric_blunders(value_m)
    yield "feet typed as meters", value_m * FOOT_M
    for step in (1.0, 0.1):
        yield f"{step:g} m off", value_m + step
        yield f"{step:g} m off", value_m - step


def _feet_inches_blunders(value_m: float) -> Iterator[tuple[str, float]]:
    """Yield blunders in the feet and inches of a length."""
    # to the eighth of an inch that the tape is read to: exact digits to confuse
    total = round(abs(value_m) / INCH_M * 8) / 8
    feet, inches = divmod(total, 12.0)
    whole, rest = divmod(inches, 1.0)
    sign = 1.0 if value_m >= 0 else -1.0
    # 5' 5" swapped is itself
    if feet != whole:
        yield "feet and inches swapped", sign * (whole * FOOT_M + (feet + rest) * INCH_M)
    for words, digits in _digit_blunders(int(feet)):
        yield f"{words} in the feet", sign * (digits * FOOT_M + inches * INCH_M)
    for words, digits in _digit_blunders(int(whole)):
        yield f"{words} in the inches", sign * (feet * FOOT_M + (digits + rest) * INCH_M)


def _metric_blunders(value_m: float) -> Iterator[tuple[str, float]]:
    """Yield blunders in the millimeters of a length."""
    sign = 1.0 if value_m >= 0 else -1.0
    for words, digits in _digit_blunders(round(abs(value_m) * 1000)):
        yield words, sign * digits / 1000.0


def _digit_blunders(number: int) -> Iterator[tuple[str, int]]:
    """Yield numbers that differ by a 6 read as a 9 or by two neighbors changed over."""
    text = str(number)
    for i, digit in enumerate(text):
        if digit in "69":
            yield (
                "a 6 and a 9 confused",
                int(text[:i] + ("9" if digit == "6" else "6") + text[i + 1 :]),
            )
    for i in range(len(text) - 1):
        if text[i] != text[i + 1]:
            yield "two digits changed over", int(text[:i] + text[i + 1] + text[i] + text[i + 2 :])


def propose(site: Site, network: Network, cleaned: Cleaned, index: int) -> str:
    """Say which blunder would explain an observation, or nothing.

    A blunder is proposed where the corrected value agrees with what all the other measurements
    say within 3 standard deviations, the closest first, at most two.

    Parameters
    ----------
    site
        The site as read.
    network
        Nodes, poses and observations of the site.
    cleaned
        Adjusted network without the observations taken out.
    index
        Index of the observation.

    Returns
    -------
    str
        The sentence, empty where nothing would explain it.
    """
    item = network.observations[index]
    # no one misreads a direction or a control point by one foot
    if item.kind in {"turn", "value"}:
        return ""
    error, spread = predicted_against(network, cleaned, index)
    if not np.isfinite(spread):
        return ""
    # what all other measurements say the value is
    expected = item.value - error
    found: dict[str, tuple[float, float]] = {}
    for words, value in likely_blunders(
        item.value, imperial=is_imperial(site.units), room_size_m=_room_size_m(site, item)
    ):
        miss = abs(value - expected)
        closer = words not in found or miss < found[words][0]
        # a change below the spread explains nothing, though it fits
        if miss <= _FIT_SIGMA * spread and abs(value - item.value) > spread and closer:
            found[words] = (miss, value)
    # of blunders that come as near the one that was thought of first
    ranked = sorted(found.items(), key=lambda pair: float(in_steps(pair[1][0], MATTERS_M)))[:2]
    shown = [f"{words} ({format_length(value, site.units)})" for words, (_, value) in ranked]
    return " or ".join(shown)


def _room_size_m(site: Site, item: Observation) -> float | None:
    """Return the size of the room along an offset's axis, where it is known."""
    room = find_room(site, item.room) if item.room else None
    if room is None or room.size_m is None:
        return None
    return room.size_m[0 if item.kind == "offset-x" else 1]


def changed_over(network: Network, starts: Sequence[Array]) -> tuple[int, int] | None:
    """Return the two ties whose distances, exchanged, make all measurements agree; None if none do.

    ``starts``: unknowns (size,) to adjust from. They agree where chi-square stays below its
    99.9 % point for the degrees of freedom, and does not as written; of several such pairs that
    with the least chi-square is given.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    starts
        Unknowns (size,) to adjust from.

    Returns
    -------
    tuple[int, int] | None
        Indices of the two ties, None where none do.
    """
    items = network.observations
    ties = [index for index, item in enumerate(items) if item.kind == "distance"]
    free = len(items) - network.size
    if free < 1 or not 2 <= len(ties) <= _MOST_TIES:
        # no redundancy: chi-square is 0 whatever the ties say
        return None
    limit = float(chdtri(free, 1.0 - _UNSTRAINED))
    if settled(network, starts)[0].chi_square <= limit:
        return None
    fits: dict[tuple[int, int], float] = {}
    for one, other in combinations(ties, 2):
        exchanged = list(items)
        # the values alone change places: each tie keeps its own ends and spread
        exchanged[one] = replace(items[one], value=items[other].value)
        exchanged[other] = replace(items[other], value=items[one].value)
        trial = replace(network, observations=tuple(exchanged))
        found = settled(trial, starts)
        # what does not settle explains nothing
        fits[one, other] = found[0].chi_square if found else np.inf
    best = list(fits)[smallest(list(fits.values()), MATTERS_P)]
    return best if fits[best] <= limit else None
