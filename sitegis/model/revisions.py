"""Answers that were kept: what an earlier run of the site said, to hold the next against."""

from __future__ import annotations

from ..late_dataclass import dataclass


@dataclass(frozen=True, slots=True)
class KeptPit:
    """A pit proposed in a kept answer, by its lasting id (``R1-P2``)."""

    id: str
    x_m: float
    y_m: float
    angle_rad: float
    length_m: float
    width_m: float
    depth_m: float
    p_hit: float


@dataclass(frozen=True, slots=True)
class Revision:
    """What a kept answer said: numbers to hold the next one against, and its pits.

    ``inputs`` is the digest of the folder it was made from; ``probabilities`` by hypothesis;
    ``findings`` the ids of those it knew.
    """

    id: str
    date: str
    inputs: str
    status: str
    findings: tuple[str, ...]
    exit_x_m: float
    exit_y_m: float
    azimuth_deg: float
    invert_m: float
    main: str
    station_m: float | None
    probabilities: tuple[tuple[str, float], ...]
    pits: tuple[KeptPit, ...]
