"""The kinds of evidence about which main a lateral joins: one module each, listed here.

``reliability`` of an item is the probability that it is right as reported; ``None`` takes the
kind's default, which stage ``score`` prints. All lengths are meters, positions are lot
coordinates, stations are meters along a main's line with the flow.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from ..model.site import Evidence
from . import (
    cable_to_main,
    camera_note,
    cleanout_outside,
    dye,
    era,
    main_inspection,
    neighbors,
    outdoor_locate,
    permit_drawing,
    sound,
    surface_sign,
    tap_record,
)
from .cable_to_main import CableToMain
from .camera_note import CameraNote
from .cleanout_outside import CleanoutOutside
from .dye import Dye
from .era import Era
from .kind import (
    SOURCE,
    Aim,
    AtManhole,
    CountTie,
    EvidenceKind,
    FromArchive,
    OfPractice,
    RouteSet,
    SharedMiss,
    reliability_in_force,
)
from .main_inspection import MainInspection
from .neighbors import Neighbors
from .outdoor_locate import OutdoorLocate
from .permit_drawing import PermitDrawing
from .sound import Sound
from .surface_sign import SurfaceSign
from .tap_record import TapRecord

__all__ = [
    "KINDS",
    "SOURCE",
    "Aim",
    "AnyEvidence",
    "AtManhole",
    "CableToMain",
    "CameraNote",
    "CleanoutOutside",
    "CountTie",
    "Dye",
    "Era",
    "Evidence",
    "EvidenceKind",
    "FromArchive",
    "MainInspection",
    "Neighbors",
    "OfPractice",
    "OutdoorLocate",
    "PermitDrawing",
    "RouteSet",
    "SharedMiss",
    "Sound",
    "SurfaceSign",
    "TapRecord",
    "item_label",
    "reliability_in_force",
]

_LISTED = (
    dye, sound, tap_record, permit_drawing, neighbors, cable_to_main, camera_note, outdoor_locate,
    cleanout_outside, surface_sign, main_inspection, era,
)  # fmt: skip
KINDS: Mapping[str, EvidenceKind[Any]] = {module.KIND.name: module.KIND for module in _LISTED}
"""Every kind of evidence by its name, in the order in which a blank site explains them."""


def item_label(item: str, kind: str) -> str:
    """Return the name that people read of an item of evidence, and which it is of several.

    Parameters
    ----------
    item
        Name of the item, with its number.
    kind
        Kind of evidence.

    Returns
    -------
    str
        The label.

    Examples
    --------
    >>> item_label("tap_record-2", "tap_record"), item_label("locates", "locates")
    ('connection record 2', 'locate points')
    """
    if kind == "locates":
        return "locate points"
    label = KINDS[kind].label if kind in KINDS else kind.replace("_", " ")
    return f"{label} {item.removeprefix(kind).lstrip('-')}".strip()


if TYPE_CHECKING:
    AnyEvidence = Evidence
else:
    AnyEvidence = Annotated[
        functools.reduce(operator.or_, (kind.record for kind in KINDS.values())),
        Field(discriminator="kind"),
    ]
