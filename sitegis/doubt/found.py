"""A reading followed to the wall: what it would change, and what speaks for and against it."""

from __future__ import annotations

from dataclasses import field

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.doubts import EvidenceTerm, ReadingKind
from .weigh import Penetration


@dataclass(frozen=True, slots=True)
class Found:
    """A reading with its evidence against the stated one.

    ``penetration`` is where the drain would leave, its invert at ``invert_m``, the mains' inverts
    ``main_rise_m`` above what is written, the ground ``ground_rise_m``. ``places`` (2,) of marks,
    or of the house's corners, by name where they move. ``off_earth_m`` is how far off the place on
    earth would be. ``expected`` is what the measurement of its kind would then give: meters, or
    degrees from grid north.
    """

    id: str
    kind: ReadingKind
    about: str
    words: str
    prior: float
    evidence: tuple[EvidenceTerm, ...]
    penetration: Penetration
    invert_m: float
    places: dict[str, Array] = field(default_factory=dict)
    slope: float = 0.0
    ground_rise_m: float = 0.0
    main_rise_m: float = 0.0
    off_earth_m: float = 0.0
    expected: float = 0.0

    @property
    def log_evidence(self) -> float:
        """Sum of the evidence, in nats."""
        return sum(one.nats for one in self.evidence)
