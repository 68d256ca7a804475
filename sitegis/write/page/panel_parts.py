"""The parts of the page for the investigator, the crew and the renovator, in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...dig.stakeout import choose_ties
from ...dig.tie_in import verdict
from ...evidence import item_label
from ...model.derived import PipeLoad, ProfileCheck, TieIn
from ...model.dig_plan import DirectionComparison
from ...model.results import Contribution
from ...model.survey import Survey
from ...numerics.statistics import NORMAL_95
from ...score.words import support_words
from ...units import (
    FOOT_M,
    LengthUnit,
    about,
    format_area,
    format_length,
    format_slope,
    is_imperial,
    percent,
)
from ..cutting import opening_places, tie_in_place
from ..text import WORTH_NAMING, tape_words

Facts = list[tuple[str, str]]
DRAINS = verdict(1.0)
CUBIC_FOOT_M3 = FOOT_M**3
ENTRY_WORDS = {
    "square": "square to the drain",
    "45-degree": "slanting downstream at 45°",
    "angled": "at an angle: another bend is needed",
}


def evidence_words(one: Contribution) -> str:
    """Say what an item of evidence speaks for, its name with spaces, and how strongly.

    >>> evidence_words(Contribution("tap_record", "tap_record", 5.7, "likelihood ratio 52"))
    'connection record: likelihood ratio 52 (moderate support)'
    """
    support = support_words(one.bits).partition(":")[0]
    return f"{item_label(one.item, one.kind)}: {one.words}{f' ({support})' if support else ''}"


def tie_in_rows(survey: Survey, planned: tuple[TieIn, ...]) -> list[dict[str, Any]]:
    """Return each planned branch: whether it drains, where it ties in, what is cut, what to mind.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    planned
        Planned tie-ins.

    Returns
    -------
    list[dict[str, Any]]
        One row a tie-in.
    """
    return [
        {
            "name": one.name or one.fixture,
            "percent": percent(one.p_gravity),
            # the percentage says it where it drains; else what to do is added
            "verdict": "" if one.verdict == DRAINS else f": {one.verdict}",
            "facts": tie_in_facts(survey, one),
            "cautions": list(one.cautions),
        }
        for one in planned
    ]


def tie_in_facts(survey: Survey, one: TieIn) -> Facts:
    """List where a branch ties in, its pipe and fall, and what is cut and dug.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    Facts
        Names and facts.
    """
    unit = survey.site.units
    small: LengthUnit = "in" if is_imperial(unit) else "mm"
    return [
        ("Tie in at", tie_in_place(survey, one)),
        ("Enters", ENTRY_WORDS[one.entry]),
        (
            "Branch",
            f"{format_length(one.diameter_m, small)} pipe (governed by {one.size_governed_by}), "
            f"{about(one.length_m, unit)} long, at least {format_slope(one.slope, unit)} "
            f"({one.slope_section})",
        ),
        (
            "Fall",
            f"needs {format_length(one.needed_fall_m, small, fraction=4)}, has "
            f"{about(one.available_fall_m, small)} ± "
            f"{about(NORMAL_95 * one.available_fall_sd_m, small)} (95 %)",
        ),
        (
            "Slab cut",
            f"{format_area(one.concrete_m2, unit)} cut, {small_volume(one.concrete_m3, unit)} of "
            f"concrete, {small_volume(one.soil_m3, unit)} of soil",
        ),
        *opening_places(survey, one),
        *((check.name, check.words) for check in one.checks),
    ]


def small_volume(volume_m3: float, unit: LengthUnit) -> str:
    """Write the volume of a slab opening: cubic feet, or cubic meters to the hundredth.

    Parameters
    ----------
    volume_m3
        Volume, m³.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The volume as text.

    Examples
    --------
    >>> small_volume(0.028316846592, "ft"), small_volume(0.1, "m")
    ('1.0 cu ft', '0.10 m³')
    """
    if is_imperial(unit):
        return f"{volume_m3 / CUBIC_FOOT_M3:,.1f} cu ft"
    return f"{volume_m3:,.2f} m³"


def profile_rows(survey: Survey, check: ProfileCheck) -> list[str]:
    """Say how the existing drain falls and flows, against the rule with its section.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    check
        The check of the fall.

    Returns
    -------
    list[str]
        The sentences.
    """
    full, design = check.full, check.design
    return [
        *check.statements,
        f"Running full it would flow {speed(full.velocity_m_s, survey.site.units)} (Manning, "
        f"n = 0.013); at a house's peak {speed(design.velocity_m_s, survey.site.units)}, "
        f"{100 * design.depth_ratio:.0f} % full.",
    ]


def branch_sentences(survey: Survey) -> list[str]:
    """Say of every branch what it joins, where and how surely, and how it falls."""
    units, sentences = survey.site.units, []
    checks = dict(survey.derived.branch_profiles)
    for one in () if survey.joined is None else survey.joined.branches:
        joins = f"joins {one.joins}" if one.joins is not None else "is a drain of its own"
        words = f"Run {one.id} {joins} (probability {percent(one.probability)})"
        if one.wye is not None:
            words += (
                f", by a wye known within {about(one.wye.radius_95_m, units)} (95 %), from the "
                f"{one.wye.side} looking downstream"
            )
        if one.id in checks:
            words += (
                f"; its pipe falls {100 * one.slope:.1f} % "
                f"(± {100 * NORMAL_95 * one.slope_sd:.1f} %, 95 %)"
            )
            words += "".join(
                f"; water may stand between {sag.low_point} and {sag.high_point}"
                for sag in checks[one.id].sags
            )
        sentences.append(words + ". Inferred, not located.")
    if survey.joined is not None:
        sentences += [
            f"{load_place(survey, one)}: {check.words}."
            for one in survey.derived.loads
            for check in one.checks
        ]
    return sentences


def load_place(survey: Survey, one: PipeLoad) -> str:
    """Name a stretch of pipe by its run and the distances along it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        Load of a stretch.

    Returns
    -------
    str
        The phrase.
    """
    unit = survey.site.units
    return f"Run {one.run}, {about(one.from_m, unit)} to {about(one.to_m, unit)}"


def speed(velocity_m_s: float, unit: LengthUnit) -> str:
    """Write a velocity in feet or meters a second.

    Parameters
    ----------
    velocity_m_s
        Velocity, m/s.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The velocity as text.

    Examples
    --------
    >>> speed(0.6096, "ft"), speed(0.6096, "m")
    ('2.0 ft/s', '0.61 m/s')
    """
    if is_imperial(unit):
        return f"{velocity_m_s / FOOT_M:.1f} ft/s"
    return f"{velocity_m_s:.2f} m/s"


def telling_pits(survey: Survey) -> list[DirectionComparison]:
    """Return the directions worth telling apart that have a pit which tells them."""
    directions = survey.dig.ways
    if sum(direction.probability >= WORTH_NAMING for direction in directions) < 2:
        return []
    return [
        direction
        for direction in directions
        if direction.ring is not None and direction.probability >= WORTH_NAMING
    ]


def alternative_sentences(survey: Survey) -> list[str]:
    """Say for each direction which pit would tell it from the others."""
    unit = survey.site.units
    rows = []
    for pit in telling_pits(survey):
        ties = choose_ties(survey.site, np.array([pit.x_m, pit.y_m]))[0]
        where = tape_words(ties, unit)
        rows.append(
            f"Toward the {pit.toward} ({percent(pit.probability)}): a pit {where} exposes the pipe "
            f"with {percent(pit.p_if_so)} if so, {percent(pit.p_otherwise)} if not."
        )
    return rows
