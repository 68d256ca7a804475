"""The year the building was built, where it is evidence for a practice of its time."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ..late_dataclass import dataclass
from ..model.fields import Ask
from ..model.site import Evidence, Main, Site
from . import kind as parts

# Built before this year, then later: how much more (or less) often than where no year is known.
# Judgment, no source.
YEAR = 1950
ALLEY = (2.0, 0.5)
SIDE_YARD = (1.67, 0.33)


@dataclass(frozen=True, slots=True)
class Era(Evidence):
    """The year the building was built, where it is evidence for a practice of its time."""

    year_built: Annotated[int, Field(ge=1600, le=2200), Ask(1924)]
    kind: Literal["era"] = "era"


def factor(year_built: int, factors: tuple[float, float]) -> float:
    """Look up how much a practice was liked: before ``YEAR``, or later.

    Parameters
    ----------
    year_built
        Year of the house.
    factors
        Factor before ``YEAR``, and later.

    Returns
    -------
    float
        The factor.
    """
    return factors[0] if year_built < YEAR else factors[1]


def is_in_prior(site: Site, key: Literal["alley", "side_yard"]) -> bool:
    """Return whether the default prior already used the year built; it must not count twice.

    Parameters
    ----------
    site
        The site as read.
    key
        Prior that is asked about.

    Returns
    -------
    bool
        Whether it did.
    """
    return site.year_built is not None and getattr(site.priors, key) is None


def of_main(item: Era, main: Main, site: Site) -> float:
    """Return P(era | the main that the block uses), against where no year is known.

    Parameters
    ----------
    item
        Item of evidence.
    main
        The main.
    site
        The site as read.

    Returns
    -------
    float
        Relative likelihood.
    """
    # only an alley says something of its age; where the prior used the year, nothing more
    counts = main.kind == "alley" and not is_in_prior(site, "alley")
    return factor(item.year_built, ALLEY) if counts else 1.0


def of_alternative(item: Era, way: str, site: Site) -> float:
    """Return P(era | way): side-yard runs belong to older houses.

    Parameters
    ----------
    item
        Item of evidence.
    way
        ``direct`` or ``side-yard``.
    site
        The site as read.

    Returns
    -------
    float
        Relative likelihood.
    """
    counts = way == "side-yard" and not is_in_prior(site, "side_yard")
    return factor(item.year_built, SIDE_YARD) if counts else 1.0


def assumed(item: Era, site: Site, main: str) -> str:
    """Say what the year built was taken to tell.

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
    if is_in_prior(site, "alley") and is_in_prior(site, "side_yard"):
        return (
            f"era: the year built ({item.year_built}) is already in the prior: not counted again."
        )
    return (
        f"era: in {item.year_built} an alley main was {factor(item.year_built, ALLEY):g} times as "
        "common as where no year is known, a side-yard run "
        f"{factor(item.year_built, SIDE_YARD):g} times ({parts.SOURCE})."
    )


KIND = parts.EvidenceKind(
    record=Era,
    label="year built",
    words="the year the building was built",
    on_route=None,
    cause=parts.OfPractice(of_main, of_alternative, once=True),
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=assumed,
)
