"""What the outputs tell beyond the survey's own blocks, worked out once for all of them."""

from __future__ import annotations

from dataclasses import dataclass

from .._survey import Survey
from ..dig.excavation import Excavation, excavations
from ..dig.tie_in import ProfileCheck, TieIn, profile_check, tie_ins
from ..score.compare import MainComparison, compare_mains
from ..score.intervals import ExitSpread, TapSpread, exit_spread, tap_spreads


@dataclass(frozen=True, slots=True)
class Findings:
    """The mains side by side, the tie-ins, the drain's profile check, the pits' quantities.

    ``exit`` and ``taps`` (one a main, the most probable first) with their intervals.
    """

    mains: tuple[MainComparison, ...]
    tie_ins: tuple[TieIn, ...]
    profile: ProfileCheck
    excavations: tuple[Excavation, ...]
    exit: ExitSpread
    taps: tuple[TapSpread, ...]


def find(survey: Survey) -> Findings:
    """Work out the findings of a survey whose blocks are filled."""
    return Findings(
        compare_mains(survey), tie_ins(survey), profile_check(survey), excavations(survey),
        exit_spread(survey), tap_spreads(survey),
    )  # fmt: skip
