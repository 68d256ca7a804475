"""The summary of a city on one page of PDF."""

from __future__ import annotations

import io
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.platypus import KeepInFrame, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from .map_page import Made
from .summary import CitySummary

_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=8.5, leading=11)
_HEAD = ParagraphStyle("head", parent=_BODY, fontName="Helvetica-Bold", fontSize=10, spaceBefore=6)
_TITLE = ParagraphStyle("title", parent=_BODY, fontName="Helvetica-Bold", fontSize=16, leading=20)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=6.5, leading=8)
STOPS = 8


def summary_page(summary: CitySummary, made: Made, notes: list[tuple[str, str, str]]) -> bytes:
    """Return the page's bytes: counts, how sure, stops, the layers' faults, inputs, assumptions.

    Parameters
    ----------
    summary
        What the run found, in sums.
    made
        Version, date and inputs of the run.
    notes
        Kind, where and words of each note.

    Returns
    -------
    bytes
        The PDF.
    """
    answered = summary.lots - sum(summary.unanswered.values())
    below = answered - summary.sure - summary.rather_sure
    sure = [
        ("95 % or more", summary.sure, "#1b6d63"),
        ("80 to 95 %", summary.rather_sure, "#8fbf97"),
        ("below 80 %", below, "#f0a35a"),
        ("no answer", summary.lots - answered, "#b9bcc2"),
    ]
    story: list[Any] = [
        Paragraph(_text(summary.name), _TITLE),
        Paragraph(_text(made.line()), _SMALL),
        Paragraph(
            "Inferred from records, never a locate: have marks made before any digging.", _BODY
        ),
        Paragraph("How sure the answers are", _HEAD),
        _bar(sure),
        Paragraph(
            "; ".join(f'<font color="{color}">■</font> {name}: {n} lots' for name, n, color in sure)
            + ".",
            _BODY,
        ),
        *(Paragraph(_text(line), _BODY) for line in summary.lines()[1:2]),
        Paragraph("Stops that settle most", _HEAD),
        _stops(summary),
    ]
    for kind, head in (
        ("warning", "The layers"),
        ("assumption", "Assumed"),
        ("caution", "Cautions"),
    ):
        lines = [note for k, _code, note in notes if k == kind]
        if lines:
            story.append(Paragraph(head, _HEAD))
            story += [Paragraph("• " + _text(line), _SMALL) for line in lines]
    story.append(Paragraph("Inputs, SHA-256", _HEAD))
    story.append(
        Paragraph(
            _text("; ".join(f"{name} {digest[:16]}" for name, digest in made.inputs[:12])), _SMALL
        )
    )
    buffer = io.BytesIO()
    page = SimpleDocTemplate(
        buffer,
        pagesize=letter,
        leftMargin=0.7 * inch,
        rightMargin=0.7 * inch,
        topMargin=0.6 * inch,
        bottomMargin=0.6 * inch,
        title=summary.name,
        invariant=1,
    )
    page.build([KeepInFrame(page.width - 12, page.height - 12, story, mode="shrink")])
    return buffer.getvalue()


def _text(words: str) -> str:
    return escape("".join(c if c.isprintable() else " " for c in words))


def _bar(parts: list[tuple[str, int, str]]) -> Any:
    """Return a bar of shares."""
    shown = [(n, color) for _name, n, color in parts if n]
    total = sum(n for n, _color in shown) or 1
    if not shown:
        return Spacer(1, 6)
    bar = Table(
        [[""] * len(shown)], colWidths=[6.8 * inch * n / total for n, _c in shown], rowHeights=[12]
    )
    bar.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (i, 0), (i, 0), colors.HexColor(shown[i][1]))
                for i in range(len(shown))
            ]
        )
    )
    return bar


def _stops(summary: CitySummary) -> Any:
    """Return manholes and streets side by side, best first."""
    rows = [["Manhole to watch, with dye", "lots", "Street, looking indoors", "houses"]]
    for i in range(STOPS):
        row = []
        for ranked in (summary.manholes, summary.streets):
            row += [_short(ranked[i].name), str(ranked[i].lots)] if i < len(ranked) else ["", ""]
        rows.append(row)
    made = Table(rows, colWidths=[2.6 * inch, 0.7 * inch, 2.6 * inch, 0.7 * inch])
    made.setStyle(
        TableStyle(
            [
                ("FONT", (0, 0), (-1, -1), "Helvetica", 8),
                ("FONT", (0, 0), (-1, 0), "Helvetica-Bold", 8),
                ("LINEBELOW", (0, 0), (-1, 0), 0.5, colors.gray),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ]
        )
    )
    return made


def _short(name: str) -> str:
    return name if len(name) <= 34 else f"{name[:33]}…"
