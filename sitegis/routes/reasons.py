"""Say in plain words why no route of a hypothesis fits."""

from __future__ import annotations

import numpy as np

from ..model.results import Exit
from ..units import LengthUnit, about
from .bends import MOST_BENDS
from .fit import REASONS, Fitted
from .plan import DIRECT_MOST_BENDS, DIRECT_MOST_TURN_RAD, Plan

__all__ = ["reason_for_none"]


def reason_for_none(
    plan: Plan, fitted: Fitted, exit: Exit, least_slope: float, units: LengthUnit
) -> str:
    """Name the constraint at which the last candidates were dropped, lengths in ``units``.

    Parameters
    ----------
    plan
        Sequences of bends that can serve the hypothesis.
    fitted
        What the constraints dropped.
    exit
        Exit of the drain, a mixture of poses.
    least_slope
        Least slope of the rule set.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The sentence.
    """
    # the constraint that took the last ones is the one to relax; those before it had left some
    last = next((r for r in reversed(REASONS) if fitted.dropped.get(r, 0) > 0), "reach")
    if last in ("uphill", "fall", "backfall"):
        return _uphill(plan, exit, least_slope, units)
    place = f"the {exit.side} wall"
    words = {
        "wall": "the drain does not point out of the wall",
        "reach": f"no run from {place} {_with_bends(plan)} meets the main",
        "tap": f"no run from {place} meets the main at a usable angle",
        "house": "would have to pass under the house again",
        "area": "would leave the lot and the right-of-way, and no easement is given",
        "lot": "the run beside the house would leave the lot",
        "alongside": _alongside(plan),
    }
    return words[last]


def _with_bends(plan: Plan) -> str:
    if plan.face is None:
        turn = round(float(np.degrees(DIRECT_MOST_TURN_RAD)))
        return f"with {DIRECT_MOST_BENDS} bends of {turn}° together or less"
    return f"with {MOST_BENDS} bends or fewer"


def _alongside(plan: Plan) -> str:
    if plan.face is None:
        return "every run passes alongside the house: see the side-yard routes"
    return f"no run passes along half of the {plan.face.side} wall or more"


def _uphill(plan: Plan, exit: Exit, least_slope: float, units: LengthUnit) -> str:
    lowest = float(plan.main.inverts_m.min())
    above = lowest - exit.invert_m
    if above > 0:
        return f"would have to fall uphill: main invert is {about(above, units)} above the drain"
    # as much as even the least slope over the shortest run would be too low
    short = lowest - (exit.invert_m - least_slope * plan.reach_m)
    return (
        f"there is not enough fall: at the least slope over {about(plan.reach_m, units)} the pipe "
        f"would connect {about(max(short, 0.0), units)} below the main's invert"
    )
