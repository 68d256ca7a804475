"""A cleanout found outside the building."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from .._fields import Ask, Length
from .._frames import Array
from .._site import Evidence, Site
from ._kind import (
    Default,
    EvidenceKind,
    ItemSd,
    Laid,
    Mark,
    OnRoute,
    Trust,
    as_it_is,
    at_its_place,
    near_route,
    reliability_in_force,
    sd_in_force,
    stray_place,
)

DEFAULT = Default(0.80, 0.30, "a cleanout outdoors is on this line 4 times in 5")  # judgement


@dataclass(frozen=True, slots=True)
class CleanoutOutside(Evidence):
    """A cleanout was found outside the building."""

    x_m: Annotated[Length, Ask("20 ft", "lot coordinates")]
    y_m: Annotated[Length, Ask("10 ft", "lot coordinates")]
    sd_m: ItemSd = None
    reliability: Trust = None
    kind: Literal["cleanout_outside"] = "cleanout_outside"


def sd_of(item: CleanoutOutside, site: Site) -> float:
    """Give the spread of the place across the route."""
    return sd_in_force(item.sd_m, DEFAULT.sd_m)


def likelihood(item: CleanoutOutside, laid: Laid) -> Array:
    """Distance of the cleanout from the route, Gaussian."""
    reliability = reliability_in_force(item.reliability, DEFAULT.reliability)
    return near_route(laid, item, reliability, sd_of(item, laid.site))


KIND = EvidenceKind(
    record=CleanoutOutside,
    words="a cleanout found outdoors",
    on_route=OnRoute(DEFAULT, likelihood, stray_place),
    cause=None,
    check=as_it_is,
    aims=at_its_place(sd_of),
    mark=lambda item: Mark("", "cleanout", "exposed", item.x_m, item.y_m, None, item.sd_m),
    assumed=None,
)
