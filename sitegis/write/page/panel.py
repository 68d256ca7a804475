"""The words beside the map: what the page's template fills in, escaped there."""

from __future__ import annotations

import re
from typing import Any

from markupsafe import Markup

from ...dig.trenches import exposures
from ...evidence import item_label
from ...model.results import ScoredHypothesis
from ...model.survey import Survey
from ...score.words import support_words
from ...units import percent
from ..cut_sheet import CutSheet, cut_sheets
from ..fonts import BOLD, PLAIN
from ..found import status_words
from ..report import report
from ..report.answer import evidence_words
from ..report.section import Section
from ..text import (
    WORTH_NAMING,
    alternative_words,
    contribution_words,
    is_negligible,
    likely_and_not,
    short_name,
    unlikely_words,
)
from .map_data import COLORS, LETTERS


def _known_words(survey: Survey) -> str:
    """Say what is not inferred."""
    if not exposures(survey):
        return "Only the locate points were located."
    return status_words(survey)


def panel_context(survey: Survey) -> dict[str, Any]:
    """Gather every text of the page, in the site's units; nothing here is HTML."""
    site = survey.site
    likely, unlikely = likely_and_not(survey)
    parts = report(survey)
    lead = parts["lead"][0].sentences
    return {
        "name": site.name,
        "lead": lead[0].replace(" %", "\N{NO-BREAK SPACE}%"),
        "known": _known_words(survey),
        "sentences": lead[1:],
        "hypotheses": [_hypothesis(survey, i, scored) for i, scored in enumerate(likely)],
        "unlikely": [
            _hypothesis(survey, len(likely) + i, scored) for i, scored in enumerate(unlikely)
        ],
        "unlikely_words": ": ".join(unlikely_words(unlikely)) if unlikely else "",
        "mains": _mains(survey, parts["mains"][0]),
        "parts": parts,
        "pit_cautions": list(survey.rules.pit_cautions),
        "cut_sheets": [_cut_sheet(one) for one in cut_sheets(survey)],
        "cautions": list(survey.rules.cautions),
        "assumptions": list(survey.scores.assumptions),
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


def _mains(survey: Survey, section: Section) -> list[dict[str, Any]]:
    """Return each main with what speaks for and against it and its row of the report."""
    streets = {main.id: main.street for main in survey.site.mains}
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
