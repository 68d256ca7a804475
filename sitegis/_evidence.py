"""The kinds of evidence about which main a lateral joins (records only).

``reliability`` is the probability that the item is right as reported; ``None`` takes the
kind's default, which stage ``score`` prints. All lengths are metres, positions are lot
coordinates, stations are metres along a main's line with the flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class CableToMain:
    """The cable count when the head reached the main."""

    count_m: float
    sd_m: float | None = None
    kind: Literal["cable_to_main"] = "cable_to_main"


@dataclass(frozen=True, slots=True)
class OutdoorLocate:
    """The head was found from above outside the building."""

    x_m: float
    y_m: float
    depth_m: float | None
    sd_m: float | None = None
    point: str = ""
    kind: Literal["outdoor_locate"] = "outdoor_locate"


@dataclass(frozen=True, slots=True)
class Dye:
    """Dye poured indoors was or was not seen at a manhole after a wait."""

    manhole: str
    seen: bool
    waited_min: float
    reliability: float | None = None
    kind: Literal["dye"] = "dye"


@dataclass(frozen=True, slots=True)
class Sound:
    """A tapping or running water indoors was or was not heard at a manhole."""

    manhole: str
    heard: bool
    reliability: float | None = None
    kind: Literal["sound"] = "sound"


@dataclass(frozen=True, slots=True)
class TapRecord:
    """A record places this lot's tap at a distance from a manhole of a main.

    ``distance_m`` is positive with the flow (downstream of the manhole), negative against it.
    """

    main: str
    manhole: str
    distance_m: float
    sd_m: float | None = None
    reliability: float | None = None
    kind: Literal["tap_record"] = "tap_record"


@dataclass(frozen=True, slots=True)
class PermitDrawing:
    """A permit drawing shows the lateral going to a main."""

    main: str
    reliability: float | None = None
    kind: Literal["permit_drawing"] = "permit_drawing"


@dataclass(frozen=True, slots=True)
class Neighbours:
    """``draining`` of ``asked`` neighbours are known to drain to a main."""

    main: str
    draining: int
    asked: int
    kind: Literal["neighbours"] = "neighbours"


@dataclass(frozen=True, slots=True)
class Era:
    """The year the building was built, where it speaks for a habit of its time."""

    year_built: int
    kind: Literal["era"] = "era"


@dataclass(frozen=True, slots=True)
class CleanoutOutside:
    """A cleanout was found outside the building."""

    x_m: float
    y_m: float
    sd_m: float | None = None
    reliability: float | None = None
    kind: Literal["cleanout_outside"] = "cleanout_outside"


@dataclass(frozen=True, slots=True)
class SurfaceSign:
    """A settled strip or a patch in the pavement that a trench may have left."""

    x_m: float
    y_m: float
    radius_m: float
    reliability: float | None = None
    kind: Literal["surface_sign"] = "surface_sign"


@dataclass(frozen=True, slots=True)
class CameraNote:
    """What the camera showed at a cable count."""

    count_m: float
    saw: Literal["turn-left", "turn-right", "material-change", "flowing-pipe"]
    reliability: float | None = None
    kind: Literal["camera_note"] = "camera_note"


@dataclass(frozen=True, slots=True)
class MainInspection:
    """Taps found in a main by stationing; ``complete`` if the whole frontage was inspected."""

    main: str
    stations_m: tuple[float, ...]
    complete: bool = True
    sd_m: float | None = None
    reliability: float | None = None
    kind: Literal["main_inspection"] = "main_inspection"


Evidence = (
    CableToMain
    | OutdoorLocate
    | Dye
    | Sound
    | TapRecord
    | PermitDrawing
    | Neighbours
    | Era
    | CleanoutOutside
    | SurfaceSign
    | CameraNote
    | MainInspection
)
