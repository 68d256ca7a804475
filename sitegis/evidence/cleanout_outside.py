"""A cleanout found outside the building."""

from __future__ import annotations

from typing import Annotated, Literal

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Length
from ..model.site import Evidence, Site
from . import kind as parts

DEFAULT = parts.Default(0.80, 0.30, "a cleanout outdoors is on this line 4 times in 5")  # judgment


@dataclass(frozen=True, slots=True)
class CleanoutOutside(Evidence):
    """A cleanout was found outside the building."""

    x_m: Annotated[Length, Ask("20 ft", "lot coordinates")]
    y_m: Annotated[Length, Ask("10 ft", "lot coordinates")]
    sd_m: parts.ItemSd = None
    reliability: parts.Trust = None
    kind: Literal["cleanout_outside"] = "cleanout_outside"


def sd_of(item: CleanoutOutside, site: Site) -> float:
    """Return the spread of the place across the route.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Standard deviation, m.
    """
    return parts.sd_in_force(item.sd_m, DEFAULT.sd_m)


def likelihood(item: CleanoutOutside, laid: parts.RouteSet) -> Array:
    """Distance of the cleanout from the route, Gaussian.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Likelihoods (m,).
    """
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    return parts.near_route(laid, item, reliability, sd_of(item, laid.site))


KIND = parts.EvidenceKind(
    record=CleanoutOutside,
    label="cleanout outdoors",
    words="a cleanout found outdoors",
    on_route=parts.OnRoute(DEFAULT, likelihood, parts.stray_place),
    cause=None,
    check=parts.as_it_is,
    aims=parts.at_its_place(sd_of),
    mark=lambda item: parts.Mark("", "cleanout", "exposed", item.x_m, item.y_m, None, item.sd_m),
    assumed=None,
)
