"""The footage when the camera head reached the main."""

from __future__ import annotations

from typing import Annotated, Literal

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Extent
from ..model.site import Evidence
from . import kind as parts

DEFAULT = parts.Default(0.90, 0.30, "the footage at the main is right 9 times in 10")  # judgment


@dataclass(frozen=True, slots=True)
class CableToMain(Evidence):
    """The footage when the camera head reached the main."""

    footage_m: Annotated[Extent, Ask("62 ft", "of the distance counter")]
    sd_m: parts.ItemSd = None
    kind: Literal["cable_to_main"] = "cable_to_main"


def likelihood(item: CableToMain, laid: parts.RouteSet) -> Array:
    """Count at the exit plus the route's length against the count at the main.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Likelihoods (m,), per m.
    """
    sd_m = parts.sd_in_force(item.sd_m, DEFAULT.sd_m)
    reliability = parts.reliability_in_force(None, DEFAULT.reliability)
    return parts.counted(laid, laid.lengths_m, item.footage_m, sd_m, reliability)


KIND = parts.EvidenceKind(
    record=CableToMain,
    label="footage at the main",
    words="footage when the camera head dropped into the main",
    on_route=parts.OnRoute(DEFAULT, likelihood, parts.stray_count),
    cause=None,
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=None,
)
