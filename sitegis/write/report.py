"""What is told in tables, once for page, record and library: sections of rows in site units."""

from __future__ import annotations

from dataclasses import dataclass

from ..model.derived import EvidenceClass
from ..model.survey import Survey
from ..units import about, format_slope, percent
from .page.panel_parts import evidence_words
from .text import likely_and_not, short_name

DEPTH_EVERY_M = 3.0
"""About how far apart the rows of the depth table stand: 10 ft, judgment."""


@dataclass(frozen=True, slots=True)
class Section:
    """A table: its ``title``, the ``head`` of its columns, and rows of as many cells.

    ``evidence_class`` is that of all its values; the title says so where it is ``inferred``.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    evidence_class: EvidenceClass = "inferred"


def depth_section(survey: Survey) -> Section:
    """Return the depth along the most probable route, both ends kept."""
    units, steps = survey.site.units, survey.dig.depths
    chosen = steps
    if steps:
        apart_m = max(steps[-1].station_m / max(len(steps) - 1, 1), 0.1)
        chosen = (*steps[: -1 : max(1, round(DEPTH_EVERY_M / apart_m))], steps[-1])
    return Section(
        "Depth along the most probable route (inferred)",
        ("from the wall", "ground to invert", "90 %: from to", "cover over the pipe"),
        tuple(
            (
                about(step.station_m, units),
                about(step.depth_m, units),
                f"{about(step.depth_05_m, units)} to {about(step.depth_95_m, units)}",
                about(max(step.depth_m - survey.site.drain_diameter_m, 0.0), units),
            )
            for step in chosen
        ),
    )


def route_section(survey: Survey) -> Section:
    """Return the alternatives worth a line, with the strongest evidence; one line for the rest."""
    likely, unlikely = likely_and_not(survey)
    rows = []
    for scored in likely:
        strongest = sorted(scored.contributions, key=lambda one: -abs(one.bits))[:2]
        words = "; ".join(evidence_words(one) for one in strongest if one.words)
        rows.append((short_name(survey, scored.hypothesis), percent(scored.probability), words))
    if unlikely:
        together = sum(scored.probability for scored in unlikely)
        names = ", ".join(short_name(survey, scored.hypothesis) for scored in unlikely)
        rows.append((f"{len(unlikely)} more", percent(together), names))
    return Section(
        "Which main: the route alternatives",
        ("route alternative", "probability", "strongest evidence"),
        tuple(rows),
    )


def main_section(survey: Survey) -> Section:
    """Return the mains side by side, means over the routes; without a route why none fits."""
    unit = survey.site.units

    def length_words(length_m: float | None) -> str:
        return "" if length_m is None else about(length_m, unit)

    rows = []
    for main in survey.derived.mains:
        length, fall = main.why_none, ""
        if main.length_m is not None:
            length = f"{length_words(main.private_m)} + {length_words(main.public_m)}"
            length = f"{length_words(main.length_m)}: {length}"
        if main.slope is not None:
            fall = f"{length_words(main.fall_m)}, {format_slope(main.slope, unit)}"
        drop, cover = length_words(main.arrival_above_main_m), length_words(main.cover_m)
        probability = percent(main.probability)
        rows.append(
            (main.main, probability, length, fall, drop, cover, main.opening, main.ruled_out_by)
        )
    return Section(
        "Mains side by side (inferred; means over the routes)",
        (
            "main",
            "probability",
            "length: on the lot (private) + outside (public)",
            "fall",
            "drop at main (above its invert)",
            "cover at the lot line",
            "a repair opens",
            "check to rule it out",
        ),
        tuple(rows),
    )
