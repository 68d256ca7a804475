"""Which main, which check first, and what a person must look at."""

from __future__ import annotations

from ...evidence import item_label
from ...messages.errors import Notice
from ...model.results import Contribution
from ...model.survey import Survey
from ...score.words import reliability_words, support_words
from ...units import about, format_slope, percent
from ..text import (
    check_sentence,
    dig_sentence,
    exit_sentence,
    join_sentence,
    likely_and_not,
    noise_sentence,
    short_name,
    slope_sentence,
)
from .section import Cells, Section

OUTCOME_ROWS = 5
ASSUMED = "-assumed"
UNCHECKED = "unchecked-input"  # many words: the report names what is not checked


def evidence_words(one: Contribution) -> str:
    """Say what an item of evidence supports, its name with spaces, and how strongly.

    >>> evidence_words(Contribution("tap_record", "tap_record", 5.7, "likelihood ratio 52"))
    'connection record: likelihood ratio 52 (moderate support)'
    """
    support = support_words(one.bits).partition(":")[0]
    return f"{item_label(one.item, one.kind)}: {one.words}{f' ({support})' if support else ''}"


def lead_section(survey: Survey) -> Section:
    """Return which main it most likely joins, wall penetration, slope, noise, where to dig."""
    sentences = (
        join_sentence(survey),
        exit_sentence(survey),
        slope_sentence(survey),
        noise_sentence(survey),
        dig_sentence(survey),
    )
    return Section(survey.site.name, sentences=tuple(filter(None, sentences)))


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
        (reliability_words(survey.scores.hypotheses),),
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
        chance = percent(main.probability)
        rows.append((main.main, chance, length, fall, drop, cover, main.opening, main.ruled_out_by))
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


def check_section(survey: Survey) -> Section:
    """Return the best check and its outcomes, in its order; the least likely are put together."""
    checks = survey.scores.next_checks
    table = checks[0].outcome_table if checks else ()
    likely = sorted(table, key=lambda row: -round(row[1], 6))[:OUTCOME_ROWS]
    rows = [(outcome, percent(chance), then) for outcome, chance, then in table
            if (outcome, chance, then) in likely]  # fmt: skip
    rest = [row for row in table if row not in likely]
    if rest:
        together = percent(sum(row[1] for row in rest))
        words = f"{len(rest)} less likely outcomes: see answer.json"
        rows.append(("anything else", together, words))
    head = ("if", "probability", "then")
    return Section("Before you dig", head, tuple(rows), (check_sentence(survey),))


def flag_section(survey: Survey) -> Section:
    """Return what a person must look at: another reading, then finds, what was assumed last."""

    def order(notice: Notice) -> tuple[bool, bool, bool]:
        last = notice.code.endswith(ASSUMED)
        return notice.code != "other-reading", notice.code != "find-not-explained", last

    return _notices(
        "A person must look at", sorted((n for n in survey.notices if n.needs_person), key=order)
    )


def notice_section(survey: Survey) -> Section:
    """Return the other notices, inputs that nothing checks together in the last."""
    others = [n for n in survey.notices if not n.needs_person]
    named = _notices("Notices", [n for n in others if n.code != UNCHECKED])
    unchecked = [n.where for n in others if n.code == UNCHECKED]
    last = [("inputs", f"No other input checks: {'; '.join(unchecked)}.")] if unchecked else []
    return Section(named.title, named.head, (*named.rows, *last))


def _notices(title: str, notices: list[Notice]) -> Section:
    rows: tuple[Cells, ...] = tuple((notice.where, notice.message) for notice in notices)
    return Section(title, ("where", "what"), rows)
