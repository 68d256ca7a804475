"""The words beside the map: what the page's template fills in, escaped there."""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup

from ...dig.trenches import exposures
from ...evidence import item_label
from ...model.dig_plan import Pit
from ...model.results import ScoredHypothesis
from ...model.survey import Survey
from ...score.reliability import reliability_words
from ...score.words import support_words
from ...units import about, percent
from ..cut_sheet import CutSheet, cut_sheets
from ..fonts import BOLD, PLAIN
from ..found import status_words
from ..report import depth_section, main_section
from ..text import (
    WORTH_NAMING,
    alternative_words,
    check_sentence,
    contribution_words,
    dig_sentence,
    exit_sentence,
    is_negligible,
    join_sentence,
    likely_and_not,
    noise_sentence,
    short_name,
    slope_sentence,
    unlikely_words,
    worth_sentence,
)
from .map_data import COLORS, LETTERS
from .panel_parts import (
    alternative_sentences,
    branch_sentences,
    evidence_words,
    profile_rows,
    tie_in_rows,
)

OUTCOME_ROWS = 5


def _known_words(survey: Survey) -> str:
    """Say what is not inferred."""
    if not exposures(survey):
        return "Only the locate points were located."
    return status_words(survey)


def panel_context(survey: Survey) -> dict[str, Any]:
    """Gather every text of the page, in the site's units; nothing here is HTML."""
    site = survey.site
    likely, unlikely = likely_and_not(survey)
    return {
        "name": site.name,
        "lead": join_sentence(survey).replace(" %", "\N{NO-BREAK SPACE}%"),
        "known": _known_words(survey),
        "sentences": [
            exit_sentence(survey),
            slope_sentence(survey),
            noise_sentence(survey),
            dig_sentence(survey),
        ],
        "hypotheses": [_hypothesis(survey, i, scored) for i, scored in enumerate(likely)],
        "unlikely": [
            _hypothesis(survey, len(likely) + i, scored) for i, scored in enumerate(unlikely)
        ],
        "unlikely_words": ": ".join(unlikely_words(unlikely)) if unlikely else "",
        "reliability": reliability_words(survey.scores.hypotheses),
        "next_check": check_sentence(survey),
        "outcomes": _outcomes(survey),
        "mains": _mains(survey),
        "ways": alternative_sentences(survey),
        "pits": [_pit(survey, pit) for pit in survey.dig.pits],
        "pit_cautions": list(survey.rules.pit_cautions),
        "tie_ins": tie_in_rows(survey, survey.derived.tie_ins),
        "cut_sheets": [_cut_sheet(one) for one in cut_sheets(survey)],
        "profile_check": [
            *profile_rows(survey, survey.derived.profile),
            *branch_sentences(survey),
        ],
        "depths": depth_section(survey),
        "cautions": list(survey.rules.cautions),
        "flags": [n for n in survey.notices if n.needs_person],
        "notices": [n for n in survey.notices if not n.needs_person],
        "assumptions": list(survey.scores.assumptions),
        "costs": _costs(survey),
        "record": _record(survey),
    }


def _hypothesis(survey: Survey, index: int, scored: ScoredHypothesis) -> dict[str, Any]:
    """Return one bar with its evidence for and against."""
    why_none = next(
        (r.why_none for r in survey.routes if r.hypothesis.id == scored.hypothesis.id), ""
    )
    return {
        "id": scored.hypothesis.id,
        "letter": LETTERS[index % len(LETTERS)],
        "color": COLORS[index % len(COLORS)],
        "name": short_name(survey, scored.hypothesis),
        "way": alternative_words(survey, scored.hypothesis),
        "percent": percent(scored.probability),
        "width": f"{scored.probability * 100.0:.1f}",
        "why_none": why_none,
        "evidence": [
            {
                "item": item_label(item.item, item.kind),
                "weight": contribution_words(item.bits),
                "words": item.words,
                "support": support_words(item.bits),
                "sign": _sign(item.bits),
            }
            for item in scored.contributions
        ],
    }


def _mains(survey: Survey) -> list[dict[str, Any]]:
    """Return each main with what speaks for and against it and its row of the report."""
    streets, section = {main.id: main.street for main in survey.site.mains}, main_section(survey)
    return [
        {
            "name": f"{streets[main.main]} ({main.main})",
            "percent": row[1],
            "out": main.probability < WORTH_NAMING,
            "speaks_for": [evidence_words(one) for one in main.speaks_for],
            "speaks_against": [evidence_words(one) for one in main.speaks_against],
            "facts": [pair for pair in zip(section.head[2:], row[2:], strict=True) if pair[1]],
        }
        for main, row in zip(survey.derived.mains, section.rows, strict=True)
    ]


def _sign(bits: float) -> str:
    """Return the class of a weight of evidence."""
    return "none" if is_negligible(bits) else "for" if bits > 0 else "against"


def _outcomes(survey: Survey) -> list[dict[str, str]]:
    """List the outcomes of the best check, in its order; the least likely are put together."""
    checks = survey.scores.next_checks
    if not checks:
        return []
    table = checks[0].outcome_table
    likely = sorted(table, key=lambda row: -round(row[1], 6))[:OUTCOME_ROWS]
    shown = [
        {"outcome": outcome, "percent": percent(probability), "then": then}
        for outcome, probability, then in table
        if (outcome, probability, then) in likely
    ]
    rest = [row for row in table if row not in likely]
    if rest:
        together = percent(sum(row[1] for row in rest))
        words = f"{len(rest)} less likely outcomes: see answer.json"
        shown.append({"outcome": "anything else", "percent": together, "then": words})
    return shown


def _pit(survey: Survey, pit: Pit) -> dict[str, Any]:
    unit = survey.site.units
    return {
        "rank": pit.rank,
        "percent": percent(pit.p_hit),
        "so_far": percent(pit.p_hit_so_far),
        "depth": f"{about(pit.depth_05_m, unit)} to {about(pit.depth_95_m, unit)}",
        "cost": f"{pit.cost:,.0f} {survey.site.dig.currency}",
    }


def _cut_sheet(sheet: CutSheet) -> dict[str, Any]:
    """Return a cut sheet, its drawing as SVG with names of its own."""
    svg = ""
    if sheet.drawing is not None:
        from reportlab.graphics import renderSVG  # noqa: PLC0415 - only where a slab is cut

        whole = renderSVG.drawToString(sheet.drawing)
        svg = whole[whole.index("<svg") :].replace(' style="clip-path: url(#clip)"', "")
        svg = re.sub(r"<title>.*</clipPath>", "", svg, flags=re.S).replace(' id="group"', "")
        svg = svg.replace(BOLD, "sans-serif; font-weight: bold").replace(PLAIN, "sans-serif")
        svg = svg.replace("<svg ", '<svg class="cut" role="img" aria-label="Plan of the cut" ', 1)
    return {
        "title": sheet.title,
        "svg": Markup(svg),
        "places": sheet.places,
        "before": sheet.before,
    }


def _costs(survey: Survey) -> str:
    dig, currency = survey.dig, survey.site.dig.currency
    return (
        f"Expected cost to find the pipe in this order: {dig.expected_cost:,.0f} {currency}; "
        f"by following the drain straight out: {dig.expected_cost_straight:,.0f} {currency}. "
        f"{worth_sentence(survey)}"
    ).rstrip()


def _record(survey: Survey) -> list[tuple[str, str]]:
    """List who measured with what, the frame and the rules, where they are known."""
    site, rules = survey.site, survey.rules
    rows = [
        ("Measured by", site.surveyed_by),
        ("Measured on", site.surveyed_on),
        ("Locator", site.receiver),
        ("Sonde", site.sonde),
        ("Grid", f"{site.frame.crs}, unit {site.frame.unit_words}"),
        ("Rules", f"{rules.title}, {rules.edition}"),
    ]
    return [(name, value) for name, value in rows if value]
