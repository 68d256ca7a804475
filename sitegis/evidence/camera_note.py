"""What the camera showed at a footage."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Length
from ..model.site import Evidence
from ..numerics.statistics import normal_density
from . import kind as parts

DEFAULT = parts.Default(0.80, 0.50, "a camera note is right 4 times in 5")  # judgment, no source


@dataclass(frozen=True, slots=True)
class CameraNote(Evidence):
    """What the camera showed at a footage."""

    footage_m: Annotated[Length, Field(ge=0), Ask("28 ft", "of the distance counter")]
    saw: Annotated[
        Literal["turn-left", "turn-right", "material-change", "flowing-pipe"], Ask("turn-left")
    ]
    reliability: parts.Trust = None
    kind: Literal["camera_note"] = "camera_note"


def likelihood(item: CameraNote, laid: parts.RouteSet) -> Array:
    """Weigh a turn of the noted hand, or the main, at the count; a material change is no news.

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
    flat = np.full(len(laid.lengths_m), 1.0 / parts.LEAST_BLOCK_M)
    if laid.tie is None or item.saw == "material-change":
        return flat
    at = item.footage_m - laid.tie.exit_count_m
    spread = float(np.hypot(DEFAULT.sd_m, laid.tie.sd_m))
    if item.saw == "flowing-pipe":
        right = normal_density(laid.lengths_m - at, spread)
    else:
        hand = 1.0 if item.saw == "turn-left" else -1.0
        stations = polyline.stations(laid.vertices)[:, 1:4]
        right = (normal_density(stations - at, spread) * (hand * laid.turns_rad > 0)).sum(axis=1)
    reliability = parts.reliability_in_force(item.reliability, DEFAULT.reliability)
    return np.asarray(reliability * right + (1.0 - reliability) * flat)


KIND = parts.EvidenceKind(
    record=CameraNote,
    label="camera note",
    words="what the camera showed",
    on_route=parts.OnRoute(DEFAULT, likelihood, parts.stray_count),
    cause=None,
    check=parts.as_it_is,
    aims=parts.nowhere,
    mark=None,
    assumed=None,
)
