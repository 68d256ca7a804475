"""What a person should know about the placing, in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from scipy.special import chdtri

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.results import Adjustment
from ..model.site import Site
from ..numerics.ordering import MATTERS_M, largest
from ..numerics.statistics import largest_sd_m
from ..units import format_length
from .assemble import named_places
from .blunders import Cleaned
from .head import HeadDepth
from .network import Network
from .observability import separating_measurement

# probability below the limit of chi-square: one sound site in a
# thousand is called strained; judgment, no source
_STRAINED = 0.999
# Judgment, no source: past these a place is told as weakly held.
_WEAK_SD_M, _WEAK_CONDITION = 0.5, 1e6


def adjustment_notices(
    site: Site,
    network: Network,
    cleaned: Cleaned,
    adjustment: Adjustment,
    *,
    robust_suspect: int | None = None,
) -> Iterator[Notice]:
    """Return notices of measurements taken out, blunders not located, and tape without a check.

    Parameters
    ----------
    site
        The site as read.
    network
        Nodes, poses and observations of the site.
    cleaned
        Adjusted network without the observations taken out.
    adjustment
        Result of the adjustment of tapes and ties.
    robust_suspect
        Observation that the robust adjustment finds farthest off, None for none.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    for removal in cleaned.removals:
        item = adjustment.observations[removal.index]
        proposal = f" It looks like {item.proposal}; nothing was changed." if item.proposal else ""
        off, value = (
            _shown(length, network, removal.index, site)
            for length in (abs(item.residual_m), item.value_m)
        )
        yield notice_of(
            "measurement-left-out",
            _plain(item.name),
            plain=_plain(item.name),
            text=value,
            off=off,
            w=removal.w,
            chi_square_before=removal.chi_square_before,
            chi_square_after=removal.chi_square_after,
            proposal=proposal,
            second_opinion=_second_opinion(cleaned, removal.index, robust_suspect, adjustment),
        )
    yield from _not_located(cleaned, adjustment)
    # suspects already say more than a strained whole
    free = adjustment.degrees_of_freedom
    if not cleaned.suspects and free > 0:
        limit = float(chdtri(free, 1.0 - _STRAINED))
        if adjustment.chi_square > limit:
            yield notice_of(
                "measurements-strained",
                "ties.csv",
                chi_square=adjustment.chi_square,
                free=free,
                limit=limit,
            )
    yield from _unchecked(site, network, adjustment)


def _second_opinion(
    cleaned: Cleaned, index: int, robust_suspect: int | None, adjustment: Adjustment
) -> str:
    """Say so where a robust adjustment blames a measurement that was kept."""
    if robust_suspect is None or robust_suspect not in cleaned.kept:
        return ""
    # the robust fit looked at all the data, as only the first removal did
    if index != cleaned.removals[0].index:
        return ""
    other = _plain(adjustment.observations[robust_suspect].name)
    return f" A robust adjustment blames '{other}' more: check that one too."


def _shown(value: float, network: Network, index: int, site: Site) -> str:
    """Show an observed value: a length in the site's units, a direction in degrees."""
    if (
        network.observations[index].kind == "turn"
        or "direction" in network.observations[index].name
    ):
        return f"{np.degrees(value):.1f}°"
    return format_length(value, site.units)


def _plain(name: str) -> str:
    """Name an observation without its unit, which the value beside it has."""
    return name.removesuffix(" (m per m)")


def changed_over_notices(adjustment: Adjustment, pair: tuple[int, int] | None) -> Iterator[Notice]:
    """Return a notice of two ties whose distances look exchanged.

    Parameters
    ----------
    adjustment
        Result of the adjustment of tapes and ties.
    pair
        Places of the two ties among the observations, None for none.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    if pair is None:
        return
    one, other = (adjustment.observations[index].name for index in pair)
    yield notice_of("ties-changed-over", "ties.csv", one=one, other=other)


def _not_located(cleaned: Cleaned, adjustment: Adjustment) -> Iterator[Notice]:
    """Return a notice that one of several measurements is wrong and nothing tells which."""
    if not cleaned.suspects:
        return
    suspects = [adjustment.observations[i] for i in cleaned.suspects]
    listed = "; ".join(
        f"'{_plain(item.name)}'" + (f" (looks like {item.proposal})" if item.proposal else "")
        for item in suspects[:8]
    )
    yield notice_of("blunder-not-located", _plain(suspects[0].name), listed=listed)


def _unchecked(site: Site, network: Network, adjustment: Adjustment) -> Iterator[Notice]:
    """Return a notice of the points that no second measurement checks."""
    weak: dict[str, None] = {}
    for item, quality in zip(network.observations, adjustment.observations, strict=True):
        # of an error only 2 % would show in the residual:
        # practically unchecked (judgment, no source)
        if item.room and not quality.removed and quality.redundancy < 0.02:
            weak.setdefault(item.joins[0])
    if not weak:
        return
    yield notice_of("tape-not-checked", "locates.csv", weak=", ".join(weak))


def mirror_notices(
    site: Site, network: Network, x: Array, mirrors: Sequence[tuple[Array, tuple[str, ...]]]
) -> Iterator[Notice]:
    """Return notices of a second place that fits as well, and of what would settle it.

    ``mirrors``: the other solution's unknowns (size,) and the nodes that it moves; ``x`` (size,).

    Parameters
    ----------
    site
        The site as read.
    network
        Nodes, poses and observations of the site.
    x
        Unknowns (size,), m and rad.
    mirrors
        Unknowns (size,) of each other solution and the nodes that it moves.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    for other, names in mirrors:
        start, end, difference = separating_measurement(
            named_places(site, network, x), named_places(site, network, other), names
        )
        settle = (
            f"Measure from {start} to {end} to settle it (the two differ by "
            f"{format_length(difference, site.units)} there)."
            if start
            else "Measure one more distance to settle it."
        )
        yield notice_of("mirror-solution", names[0], names=", ".join(names), settle=settle)


def head_notices(site: Site, readings: Mapping[str, HeadDepth | None]) -> Iterator[Notice]:
    """Return notices of the locator's readings that contradict each other.

    Parameters
    ----------
    site
        The site as read.
    readings
        Depth of the camera head by point.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    for point, head in readings.items():
        if head is not None and head.distorted:
            expected = (
                "raising the locator did not raise the reading by as much"
                if head.check == "lift"
                else "the depth from the nulls and the depth reading disagree"
            )
            yield notice_of(
                "field-distorted",
                point,
                point=point,
                expected=expected,
                departure_m=format_length(abs(head.departure_m), site.depth_units),
            )


def weak_notices(
    site: Site, names: Sequence[str], blocks: Sequence[Array], condition: float
) -> Iterator[Notice]:
    """Return a notice of a network so weakly shaped that a point, or the sums, may lie far off.

    ``blocks`` are the points' covariances (2, 2) from tape, ties and building alone;
    ``condition`` is the network's. What the building's own place adds is not held against it.

    Parameters
    ----------
    site
        The site as read.
    names
        Names of the points.
    blocks
        Covariances of the points (2, 2), m².
    condition
        Condition number of the network.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    if not names:
        return
    spreads = [largest_sd_m(block) for block in blocks]
    worst = largest(spreads, MATTERS_M)
    # the stated spread of the house's place moves every point
    # alike: taping more indoors would not help
    least = float(np.hypot(_WEAK_SD_M, site.building.position_sd_m))
    if spreads[worst] <= least and condition <= _WEAK_CONDITION:
        return
    spread = format_length(spreads[worst], site.units, fraction=2)
    yield notice_of(
        "place-weakly-held", names[worst], names=names[worst], spread=spread, condition=condition
    )
