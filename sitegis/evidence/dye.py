"""A dye test from indoors: dye that was or was not seen at a manhole after a wait."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, StrictBool

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Name
from ..model.site import Evidence, Site
from . import kind as parts

# Judgment, no source: how far dye carries, the speed of a thin flow, and how often a color is
# taken for dye.
REACH_M = 300.0
FLOW_M_PER_MIN = 18.0
FALSE_SEEN = 0.02
DEFAULT = parts.Default(0.90, 0.0, "dye that passes a manhole in time is seen 9 times in 10")


@dataclass(frozen=True, slots=True)
class Dye(Evidence):
    """A dye test from indoors: dye was or was not seen at a manhole after a wait."""

    manhole: Annotated[Name, Ask("MH-1")]
    seen: Annotated[StrictBool, Ask(False)]
    waited_min: Annotated[float, Field(ge=0, le=10_000), Ask(30, "minutes")]
    reliability: parts.Trust = None
    kind: Literal["dye"] = "dye"


def likelihood(item: Dye, laid: parts.RouteSet) -> Array:
    """Seen with the reliability × exp(−distance/300 m) × share that arrived within the wait.

    The share is a logistic of (wait − travel time) with the travel time at 0.3 m/s from the
    exit, and a scale of a third of it.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Probabilities (m,).
    """
    distance = parts.passing(laid, item.manhole)
    # lateral and main: dye travels both
    whole = laid.lengths_m + np.nan_to_num(distance)
    # minutes, half of one at least: the share below divides by it
    travel = np.maximum(whole / FLOW_M_PER_MIN, 0.5)
    arrived = 1.0 / (1.0 + np.exp(-np.clip((item.waited_min - travel) / (travel / 3), -50, 50)))
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    # thinned on the way; in time or not
    detect = reliability * np.exp(-np.nan_to_num(distance) / REACH_M) * arrived
    # whoever watches takes something for dye now and then, passed or not
    seen = np.where(np.isnan(distance), FALSE_SEEN, np.maximum(detect, FALSE_SEEN))
    return np.asarray(seen if item.seen else 1.0 - seen)


def unlisted(item: Dye, site: Site) -> float:
    """Return P(seen or not) where the lateral runs in no listed way.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Probability.
    """
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    return parts.unlisted_notice(reliability, FALSE_SEEN, noticed=item.seen)


KIND = parts.EvidenceKind(
    record=Dye,
    label="dye test",
    words="dye test from the basement",
    on_route=parts.OnRoute(DEFAULT, likelihood, unlisted),
    cause=parts.AtManhole(lambda item: item.seen, FALSE_SEEN),
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=None,
)
