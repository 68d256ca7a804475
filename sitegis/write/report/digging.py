"""Pits, what digging them takes, vacuum test holes, and what is planned to tie in."""

from __future__ import annotations

import numpy as np

from ...dig.excavation import sides_of
from ...dig.stakeout import choose_ties
from ...model.derived import TieIn
from ...model.dig_plan import DirectionComparison
from ...model.survey import Survey
from ...numerics.statistics import NORMAL_95
from ...pits.exposure import VACUUM_HOLE_M
from ...units import (
    FOOT_M,
    LengthUnit,
    about,
    format_area,
    format_length,
    format_slope,
    format_volume,
    is_imperial,
    percent,
    small_unit,
)
from ..cutting import opening_places, tie_in_place
from ..text import WORTH_NAMING, tape_words, worth_sentence
from .section import Section

Facts = list[tuple[str, str]]
CUBIC_FOOT_M3 = FOOT_M**3
GREEDY = "The order is greedy: each pit is the best one if those before it found nothing."
ENTRY_WORDS = {
    "square": "square to the drain",
    "45-degree": "slanting downstream at 45°",
    "angled": "at an angle: another bend is needed",
}


def pit_section(survey: Survey) -> Section:
    """Return the test pits in their order: probability, depth and cost of each, and of all."""
    unit, dig, currency = survey.site.units, survey.dig, survey.site.dig.currency
    costs = (
        f"Expected cost to find the pipe in this order: {dig.expected_cost:,.0f} {currency}; "
        f"by following the drain straight out: {dig.expected_cost_straight:,.0f} {currency}. "
        f"{worth_sentence(survey)}"
    ).rstrip()
    return Section(
        "Test pits, in this order (proposed)",
        ("pit", "finds the pipe", "with those before", "invert down", "cost"),
        tuple(
            (
                str(pit.rank),
                percent(pit.p_hit),
                percent(pit.p_hit_so_far),
                f"{about(pit.depth_05_m, unit)} to {about(pit.depth_95_m, unit)}",
                f"{pit.cost:,.0f} {currency}",
            )
            for pit in dig.pits
        ),
        (costs, GREEDY) if dig.pits else (),
    )


def excavation_section(survey: Survey) -> Section:
    """Return what digging each pit takes, and what the depths ask for, each sentence once."""
    unit, holes = survey.site.units, survey.derived.excavations
    rows = []
    about_pits: dict[str, list[str]] = {}
    for pit, hole in zip(survey.dig.pits, holes, strict=True):
        ring, name = pit.ring, f"pit {pit.rank}"
        if pit.whole is not None:
            ring, name = pit.whole.ring, f"{' + '.join(map(str, pit.whole.ranks))} as one"
        sloped = "engineer" if hole.sloped_m3 is None else format_volume(hole.sloped_m3, unit)
        if hole.sloped_m3 is not None and not hole.sloped_fits:
            sloped += " (no room)"
        size = " × ".join(about(side, unit) for side in sides_of(ring))
        volumes = (hole.vertical_m3, hole.spoil_m3, hole.backfill_m3)
        vertical, spoil, backfill = (format_volume(volume, unit) for volume in volumes)
        rows.append((name, size, about(hole.depth_m, unit), vertical, sloped, spoil, backfill))
        for line in hole.statements:
            about_pits.setdefault(line, []).append(str(hole.rank))
    slope = survey.rules.trench_slopes[holes[0].soil] if holes else 0.0
    return Section(
        "Test pits (proposed)",
        (
            "pit",
            "size",
            "dug to",
            "vertical sides (shored or shielded)",
            f"sloped at {slope:g}:1",
            "spoil (bulked volume)",
            "backfill",
        ),
        tuple(rows),
        tuple(
            line
            if len(ranks) == len(holes) or line.startswith("Pits ")
            else f"Pit {', '.join(ranks)}: {line}"
            for line, ranks in about_pits.items()
        ),
    )


def vacuum_section(survey: Survey) -> Section:
    """Return the vacuum test holes with their tapes, probabilities and prices."""
    across = about(VACUUM_HOLE_M, small_unit(survey.site.units))
    currency = survey.site.dig.currency
    return Section(
        f"Or vacuum test holes of {across} (proposed; nobody enters one)",
        ("hole", "center", "finds the pipe", "with those before", "with surface"),
        tuple(
            (
                f"hole {hole.rank}",
                tape_words(hole.ties, survey.site.units),
                percent(hole.p_hit),
                percent(hole.p_hit_so_far),
                f"{hole.cost:,.0f} {currency}",
            )
            for hole in survey.dig.vacuum_holes
        ),
    )


def discriminating_directions(survey: Survey) -> list[DirectionComparison]:
    """Return the directions worth telling apart that have a pit which discriminates them."""
    likely = [one for one in survey.dig.ways if one.probability >= WORTH_NAMING]
    return [one for one in likely if one.ring is not None] if len(likely) > 1 else []


def discriminating_section(survey: Survey) -> Section:
    """Return for each direction which pit would tell it from the others."""
    sentences = []
    for one in discriminating_directions(survey):
        ties = choose_ties(survey.site, np.array([one.x_m, one.y_m]))[0]
        where = tape_words(ties, survey.site.units)
        sentences.append(
            f"Toward the {one.toward} ({percent(one.probability)}): a pit {where} exposes the pipe "
            f"with {percent(one.p_if_so)} if so, {percent(one.p_otherwise)} if not."
        )
    return Section("Discriminating test pits", sentences=tuple(sentences))


def tie_in_sections(survey: Survey) -> list[Section]:
    """Return of each planned branch what is cut and dug, with its cautions, and what the code says.

    The two follow each other.
    """
    sections = []
    for one in survey.derived.tie_ins:
        drains = ("Drains by gravity", f"{percent(one.p_gravity)}: {one.verdict}")
        facts = (drains, *tie_in_facts(survey, one))
        title = f"Tie-in of {one.name or one.fixture} (planned)"
        sections.append(Section(title, ("what", "planned"), facts, one.cautions))
        checks = tuple((check.name, check.verdict, check.words) for check in one.checks)
        title = f"Held against {survey.rules.edition.partition(';')[0]}"
        sections.append(Section(title, ("check", "result", "numbers"), checks))
    return sections


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
    return [
        ("Tie in at", tie_in_place(survey, one)),
        ("Enters", ENTRY_WORDS[one.entry]),
        (
            "Branch",
            f"{pipe_words(survey, one)} (governed by {one.size_governed_by}), at least "
            f"{format_slope(one.slope, unit)} ({one.slope_section})",
        ),
        ("Fall", fall_words(survey, one)),
        (
            "Slab cut",
            f"{format_area(one.concrete_m2, unit)} cut, {small_volume(one.concrete_m3, unit)} of "
            f"concrete, {small_volume(one.soil_m3, unit)} of soil",
        ),
        *opening_places(survey, one),
    ]


def pipe_words(survey: Survey, one: TieIn) -> str:
    """Return length and diameter of a planned branch.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    str
        The phrase.
    """
    unit = survey.site.units
    diameter = format_length(one.diameter_m, small_unit(unit))
    return f"{about(one.length_m, unit)} of {diameter} pipe"


def fall_words(survey: Survey, one: TieIn) -> str:
    """Return the fall that a planned branch needs and has, with 95 %.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    str
        The phrase.
    """
    small = small_unit(survey.site.units)
    spread = about(NORMAL_95 * one.available_fall_sd_m, small)
    return (
        f"needs {format_length(one.needed_fall_m, small, fraction=4)}, has "
        f"{about(one.available_fall_m, small)} ± {spread} (95 %)"
    )


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
