"""A tapping or running water indoors that was or was not heard at a manhole."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import StrictBool

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Name
from ..model.site import Evidence, Site
from . import kind as parts

# Judgment, no source: how far a sound carries, and how often another is taken for it.
REACH_M = 80.0
FALSE_HEARD = 0.08
DEFAULT = parts.Default(0.80, 0.0, "a sound in a pipe that passes a manhole is heard 8 in 10")


@dataclass(frozen=True, slots=True)
class Sound(Evidence):
    """A tapping or running water indoors was or was not heard at a manhole."""

    manhole: Annotated[Name, Ask("MH-1")]
    heard: Annotated[StrictBool, Ask(True)]
    reliability: parts.Trust = None
    kind: Literal["sound"] = "sound"


def likelihood(item: Sound, laid: parts.RouteSet) -> Array:
    """Heard with the reliability × exp(−distance/80 m) where the flow passes the manhole.

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
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    # sound fades along the main; in the lateral itself it hardly does (judgment)
    detect = reliability * np.exp(-np.nan_to_num(distance) / REACH_M)
    heard = np.where(np.isnan(distance), FALSE_HEARD, np.maximum(detect, FALSE_HEARD))
    return np.asarray(heard if item.heard else 1.0 - heard)


def unlisted(item: Sound, site: Site) -> float:
    """Return P(heard or not) where the lateral runs in no listed way.

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
    return parts.unlisted_notice(reliability, FALSE_HEARD, noticed=item.heard)


KIND = parts.EvidenceKind(
    record=Sound,
    label="acoustic test",
    words="acoustic (knock) test: knocking or water heard at a manhole",
    on_route=parts.OnRoute(DEFAULT, likelihood, unlisted),
    cause=parts.AtManhole(lambda item: item.heard, FALSE_HEARD),
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=None,
)
