"""What stage ``doubt`` adds: other readings of the input, and what nothing checks.

Units and frames as in :mod:`sitegis.model.results`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from ..late_dataclass import dataclass
from ..messages.errors import Notice

ReadingKind = Literal[
    "corner",
    "house",
    "rooms",
    "unit",
    "depths",
    "heading",
    "ground",
    "slab",
    "place",
    "front",
    "earth",
]


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measurement that settles which reading holds.

    ``words`` say what to measure and what each reading would give; ``start`` and ``end`` name
    its ends. ``readings`` (ids, ``stated`` among them) with ``expected_m``, one each.
    """

    words: str
    start: str
    end: str
    readings: tuple[str, ...]
    expected_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class EvidenceTerm:
    """What one part of the input says of a reading, in nats against the input as stated."""

    source: str
    nats: float


def evidence_against(
    stated: Mapping[str, float], terms: Mapping[str, float]
) -> tuple[EvidenceTerm, ...]:
    """Hold a reading's terms against those of the input as stated, in nats by source.

    Parameters
    ----------
    stated
        Log densities of the input as stated.
    terms
        Those of the reading, with every source of ``stated``.

    Returns
    -------
    tuple[EvidenceTerm, ...]
        One for each source, in the order of ``stated``.
    """
    return tuple(EvidenceTerm(name, terms[name] - value) for name, value in stated.items())


@dataclass(frozen=True, slots=True)
class OtherReading:
    """Another way to read the same numbers, and where the drain would then leave the house.

    ``about`` names the input in question, ``words`` say what would be true. ``log_evidence`` is
    against the input as stated; ``posterior`` among all readings. ``moved_m`` is how far the
    exit lies from the stated one (for "earth", the whole site on the earth), ``deeper_m`` how
    much deeper its invert lies below the ground,
    ``main`` the main it leads to. ``likely`` where a person must settle it before a dig.
    ``evidence`` is what ``log_evidence`` is the sum of.
    """

    id: str
    kind: ReadingKind
    about: str
    words: str
    prior: float
    log_evidence: float
    posterior: float
    x_m: float
    y_m: float
    angle_rad: float
    depth_m: float
    main: str | None
    moved_m: float
    deeper_m: float
    likely: bool
    evidence: tuple[EvidenceTerm, ...] = ()


@dataclass(frozen=True, slots=True)
class Unchecked:
    """An input that no other input checks: what an error in it would do, and what checks it.

    ``moved_m`` and ``deeper_m`` are the most that one of its other readings moves the exit and
    deepens the pit (0 where the words alone tell it); ``posterior`` the probability that it is
    wrong in one of the ways considered (where no reading was followed, its stated prior).
    ``settle`` is the check with what each reading would give, where readings were followed.
    ``misses`` where an error, one of a blunder's size, makes pits miss.
    """

    about: str
    words: str
    check: str
    posterior: float
    moved_m: float = 0.0
    deeper_m: float = 0.0
    settle: Measurement | None = None
    misses: bool = False


@dataclass(frozen=True, slots=True)
class Doubt:
    """The block of stage ``doubt``.

    ``posterior_stated`` is the probability of the input as stated, ``p_elsewhere`` that of all
    readings that move what is dug, ``p_unchecked`` that of blunders in inputs that nothing checks,
    that make pits miss and for which no reading was weighed. ``settle`` is the one measurement to
    make first, None where nothing is in doubt.
    """

    readings: tuple[OtherReading, ...]
    unchecked: tuple[Unchecked, ...]
    settle: Measurement | None
    posterior_stated: float
    p_elsewhere: float
    p_unchecked: float = 0.0
    notices: tuple[Notice, ...] = ()

    @property
    def p_kept(self) -> float:
        """Probability that no blunder moves what is dug: another reading or one nothing shows."""
        # taken as independent
        return (1.0 - self.p_elsewhere) * (1.0 - self.p_unchecked)
