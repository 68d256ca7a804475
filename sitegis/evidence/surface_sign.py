"""A settled strip or a patch in the pavement that a trench may have left."""

from __future__ import annotations

from typing import Annotated, Literal

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Extent, Length
from ..model.site import Evidence, Site
from . import kind as parts

DEFAULT = parts.Default(0.50, 0.0, "every second surface sign is of this trench")  # judgment
LEAST_RADIUS_M = 0.1


@dataclass(frozen=True, slots=True)
class SurfaceSign(Evidence):
    """A settled strip or a patch in the pavement that a trench may have left."""

    x_m: Annotated[Length, Ask("20 ft", "lot coordinates")]
    y_m: Annotated[Length, Ask("-15 ft", "lot coordinates")]
    radius_m: Annotated[Extent, Ask("3 ft")]
    reliability: parts.Trust = None
    kind: Literal["surface_sign"] = "surface_sign"


def sd_of(item: SurfaceSign, site: Site) -> float:
    """Return the spread of the trench about the sign: its radius.

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
    return max(item.radius_m, LEAST_RADIUS_M)


def likelihood(item: SurfaceSign, laid: parts.RouteSet) -> Array:
    """Distance of the sign from the route, Gaussian with its radius.

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
    record=SurfaceSign,
    label="surface sign",
    words="a settled strip, a patch in the pavement",
    on_route=parts.OnRoute(DEFAULT, likelihood, parts.stray_place),
    cause=None,
    check=parts.as_it_is,
    aims=parts.at_its_place(sd_of),
    mark=lambda item: parts.Mark(
        "", "surface-sign", "record", item.x_m, item.y_m, None, item.radius_m
    ),
    assumed=None,
)
