"""What an ``[[evidence]]`` table may hold, one model per kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictBool

from ._fields import Depth, Extent, Length, Name, Reliability, Sd, Table


class Item(Table):
    """One ``[[evidence]]`` table."""


class CableToMainItem(Item):
    """The cable count when the head reached the main."""

    kind: Literal["cable_to_main"]
    count: Extent
    sd: Sd | None = None


class OutdoorLocateItem(Item):
    """The head found from above outside."""

    kind: Literal["outdoor_locate"]
    x: Length
    y: Length
    depth: Annotated[Depth, Field(ge=0)] | None = None
    sd: Sd | None = None
    point: Name | None = None


class DyeItem(Item):
    """Dye poured indoors."""

    kind: Literal["dye"]
    manhole: Name
    seen: StrictBool
    waited: Annotated[float, Field(ge=0, le=10_000)]
    reliability: Reliability | None = None


class SoundItem(Item):
    """A tapping or running water indoors."""

    kind: Literal["sound"]
    manhole: Name
    heard: StrictBool
    reliability: Reliability | None = None


class TapRecordItem(Item):
    """A record of this lot's tap."""

    kind: Literal["tap_record"]
    main: Name
    manhole: Name
    distance: Length
    sd: Sd | None = None
    reliability: Reliability | None = None


class PermitDrawingItem(Item):
    """A permit drawing."""

    kind: Literal["permit_drawing"]
    main: Name
    reliability: Reliability | None = None


class NeighboursItem(Item):
    """What neighbours drain to."""

    kind: Literal["neighbours"]
    main: Name
    draining: Annotated[int, Field(ge=0, le=10_000)]
    asked: Annotated[int, Field(ge=1, le=10_000)]


class EraItem(Item):
    """The year the building was built."""

    kind: Literal["era"]
    year_built: Annotated[int, Field(ge=1600, le=2200)]


class CleanoutOutsideItem(Item):
    """A cleanout found outside."""

    kind: Literal["cleanout_outside"]
    x: Length
    y: Length
    sd: Sd | None = None
    reliability: Reliability | None = None


class SurfaceSignItem(Item):
    """A settled strip or a patch."""

    kind: Literal["surface_sign"]
    x: Length
    y: Length
    radius: Extent
    reliability: Reliability | None = None


class CameraNoteItem(Item):
    """What the camera showed."""

    kind: Literal["camera_note"]
    count: Annotated[Length, Field(ge=0)]
    saw: Literal["turn-left", "turn-right", "material-change", "flowing-pipe"]
    reliability: Reliability | None = None


class MainInspectionItem(Item):
    """Taps found in a main: distances from a manhole, positive with the flow."""

    kind: Literal["main_inspection"]
    main: Name
    manhole: Name
    taps: Annotated[tuple[Length, ...], Field(max_length=1000)]
    complete: StrictBool = True
    sd: Sd | None = None
    reliability: Reliability | None = None


EvidenceItem = Annotated[
    CableToMainItem
    | OutdoorLocateItem
    | DyeItem
    | SoundItem
    | TapRecordItem
    | PermitDrawingItem
    | NeighboursItem
    | EraItem
    | CleanoutOutsideItem
    | SurfaceSignItem
    | CameraNoteItem
    | MainInspectionItem,
    Field(discriminator="kind"),
]
