"""How many of the neighbors that were asked drain to a main."""

from __future__ import annotations

from collections.abc import Iterable
from math import comb
from typing import Annotated, Literal

import numpy as np
from pydantic import Field
from scipy.special import betaln

from ..late_dataclass import dataclass
from ..model.fields import Ask, Name
from ..model.site import Evidence, Main, Site
from . import kind as parts

# Judgment, no source: the share that follows the practice, and how sure that is, in neighbors.
MEAN = 0.85
STRENGTH = 4.0


@dataclass(frozen=True, slots=True)
class Neighbors(Evidence):
    """``draining`` of ``asked`` neighbors are known to drain to a main."""

    main: Annotated[Name, Ask("front-main")]
    draining: Annotated[int, Field(ge=0, le=10_000), Ask(4, "so many drain to this main")]
    asked: Annotated[int, Field(ge=1, le=10_000), Ask(5, "of so many asked")]
    kind: Literal["neighbors"] = "neighbors"


def check(item: Neighbors, mains: tuple[Main, ...]) -> Iterable[parts.EvidenceFault]:
    """Refuse more neighbors than were asked.

    Parameters
    ----------
    item
        Item of evidence.
    mains
        The mains.

    Yields
    ------
    Iterable[parts.EvidenceFault]
        The fault, or none.
    """
    if item.draining > item.asked:
        yield parts.EvidenceFault(
            "fault", "neighbors-count", "draining", item.draining, {"asked": item.asked}
        )


def likelihood(draining: int, asked: int, *, follows: bool) -> float:
    """Return P(k of n neighbors drain to a main), Beta-binomial.

    The share of neighbors has mean ``MEAN`` where the main is the practice, 1 minus that where it
    is not, and the weight of ``STRENGTH`` neighbors.

    Parameters
    ----------
    draining
        Number k that drains to the main.
    asked
        Number n of neighbors.
    follows
        Whether the main is the one the block uses.

    Returns
    -------
    float
        Probability.
    """
    mean = MEAN if follows else 1.0 - MEAN
    # a Beta of that mean, worth so many neighbors asked
    return beta_binomial(draining, asked, mean * STRENGTH, (1.0 - mean) * STRENGTH)


def beta_binomial(k: int, n: int, a: float, b: float) -> float:
    """Return P(k of n) for a share that is Beta(a, b): C(n, k) B(k + a, n − k + b) / B(a, b).

    Parameters
    ----------
    k
        Number of successes.
    n
        Number of trials.
    a
        First parameter of the Beta distribution.
    b
        Second parameter.

    Returns
    -------
    float
        Probability.

    Examples
    --------
    >>> round(beta_binomial(1, 1, 3.0, 1.0), 12)
    0.75
    """
    # Beta functions by logarithms: large counts overflow otherwise
    return float(comb(n, k) * np.exp(betaln(k + a, n - k + b) - betaln(a, b)))


def assumed(item: Neighbors, site: Site, main: str) -> str:
    """Say what the neighbors were taken to tell.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.
    main
        Name of the main.

    Returns
    -------
    str
        The sentence.
    """
    return (
        f"neighbors: if the block mostly joins {main}, {100 * MEAN:.0f} % of neighbors drain "
        f"there (as sure as {STRENGTH:g} neighbors; {parts.SOURCE})."
    )


KIND = parts.EvidenceKind(
    record=Neighbors,
    label="neighbors",
    words="neighbors that were asked where they drain",
    on_route=None,
    cause=parts.OfPractice(
        lambda item, main, site: likelihood(
            item.draining, item.asked, follows=item.main == main.id
        ),
        lambda item, way, site: 1.0,
        once=False,
    ),
    check=check,
    aims=parts.nowhere,
    mark=None,
    assumed=assumed,
)
