"""What explains the plan of the lateral record: its looks, legend, north arrow and scale bar."""

from __future__ import annotations

import numpy as np
from reportlab.lib.colors import Color, HexColor
from reportlab.pdfgen.canvas import Canvas

from ...model.survey import Survey
from ...units import FOOT_M, is_imperial
from .. import fonts
from ..looks import utility_color
from . import sheet as paper
from .names import Box
from .sheet import Sheet

BLACK, GRAY, GREEN = Color(0, 0, 0), Color(0.45, 0.45, 0.45), Color(0.0, 0.42, 0.2)
VIOLET = Color(0.36, 0.16, 0.53)
DASH_INFERRED, DASH_LOT, DASH_PLANNED = [5.0, 3.0], [12.0, 3.0, 2.0, 3.0], [3.0, 2.0]
DASH_VENT, DASH_READING = [0.8, 1.6], [1.5, 2.0]
KNOWN: dict[str, tuple[str, Color, list[float], float]] = {
    "exposed": ("lateral, seen", BLACK, [], 2.6),
    "located": ("lateral between places seen", BLACK, [9.0, 2.0], 2.0),
}
"""How stretches that are not inferred are drawn: words, color, dash, width."""
DASH_CLEAR, DASH_EASEMENT = [1.0, 2.0], [7.0, 2.0, 1.5, 2.0, 1.5, 2.0]
CORRIDOR_LEVEL, CORRIDOR_GRAY = 0.95, 0.9


def legend_rows(survey: Survey) -> list[tuple[str, Color, list[float], float]]:
    """List what the lines mean: words, color, dash, width."""
    rows: list[tuple[str, Color, list[float], float]] = [
        ("lateral and drain, inferred", BLACK, DASH_INFERRED, 1.4),
        ("main, from record", GREEN, [], 1.4),
        ("lot line, from record", BLACK, DASH_LOT, 0.9),
        ("right-of-way, room", GRAY, [], 0.5),
    ]
    seen = {f.evidence_class for f in survey.derived.features if f.layer == "stretch"}
    rows += [look for known, look in KNOWN.items() if known in seen]
    if any(f.layer == "dug" for f in survey.derived.features):
        rows.append(("dug; crossed: nothing found", GRAY, [], 0.9))
    if survey.doubted is not None and any(one.likely for one in survey.doubted.readings):
        rows.append(("exit by another reading", VIOLET, DASH_READING, 1.4))
    if survey.dig.corridors:
        gray = Color(CORRIDOR_GRAY, CORRIDOR_GRAY, CORRIDOR_GRAY)
        rows.append(("corridor: 95 % of the routes", gray, [], 6.0))
    if survey.site.easements:
        rows.append(("easement, from record", BLACK, DASH_EASEMENT, 0.7))
    if survey.site.keep_outs:
        kinds = sorted({one.kind for one in survey.site.keep_outs})
        rows += [(f"{kind}, from record", HexColor(utility_color(kind)), [], 1.2) for kind in kinds]
    return rows


def legend_box(survey: Survey, sheet: Sheet) -> Box:
    """Return what the legend covers, with a margin.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    sheet
        Scale and frame of the drawing.

    Returns
    -------
    Box
        Left, bottom, right and top, points.
    """
    right, height = sheet.left + sheet.width, 10.0 * len(legend_rows(survey)) + 26
    return right - 138, sheet.bottom, right, sheet.bottom + height


def draw_legend(canvas: Canvas, survey: Survey, sheet: Sheet) -> None:
    """Say what the lines mean, in the lower right corner.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    sheet
        Scale and frame of the drawing.
    """
    rows = legend_rows(survey)
    width, height = 128.0, 10.0 * len(rows) + 16
    left, bottom = sheet.left + sheet.width - width - 6, sheet.bottom + 6
    canvas.setFillColorRGB(1, 1, 1)
    paper.pen(canvas, GRAY, 0.5)
    canvas.rect(left, bottom, width, height, stroke=1, fill=1)
    canvas.setFillColor(BLACK)
    canvas.setFont(fonts.PLAIN, 6)
    for number, (words, color, dash, line_width) in enumerate(rows):
        y = bottom + height - 10 - 10 * number
        paper.pen(canvas, color, line_width, dash)
        canvas.line(left + 5, y + 2, left + 33, y + 2)
        canvas.drawString(left + 38, y, words)
    paper.pen(canvas, BLACK, 0.5)
    y = bottom + 6
    paper.circle(canvas, np.array([left + 10, y + 2]), 1.6, fill=False)
    paper.circle(canvas, np.array([left + 26, y + 2]), 1.6, fill=True)
    canvas.drawString(left + 38, y, "located from above; seen")


def draw_north(canvas: Canvas, survey: Survey, sheet: Sheet) -> None:
    """Draw the north arrow (grid north) in the upper right corner.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    sheet
        Scale and frame of the drawing.
    """
    angle = survey.site.frame.angle_rad(0.0)
    direction = np.array([np.cos(angle), np.sin(angle)])
    center = np.array([sheet.left + sheet.width - 26, sheet.bottom + sheet.height - 30])
    canvas.setFillColorRGB(1, 1, 1)
    paper.circle(canvas, center, 21, fill=True)
    canvas.setFillColor(BLACK)
    canvas.setLineWidth(1.2)
    canvas.line(*(center - direction * 17), *(center + direction * 4))
    paper.arrow(canvas, center + direction * 1, direction, size=9)
    canvas.setFont(fonts.BOLD, 7)
    letter = center + direction * 15
    canvas.drawCentredString(letter[0], letter[1] - 2.5, "N")


def draw_scale_bar(canvas: Canvas, survey: Survey, sheet: Sheet) -> None:
    """Draw a scale bar in the lower left corner, with the scale in words.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    sheet
        Scale and frame of the drawing.
    """
    unit_m, word = (FOOT_M, "ft") if is_imperial(survey.site.units) else (1.0, "m")
    # the least round length that is long enough to read, half an inch
    step = next(n for n in paper.ROUND if n >= 5 and sheet.length(n * unit_m) >= 36)
    length = sheet.length(step * unit_m)
    left, bottom = sheet.left + 10, sheet.bottom + 12
    canvas.setFillColorRGB(1, 1, 1)
    canvas.rect(left - 6, bottom - 8, 2 * length + 36, 34, stroke=0, fill=1)
    canvas.setFillColor(BLACK)
    canvas.setLineWidth(0.8)
    canvas.rect(left, bottom, length, 4, stroke=1, fill=1)
    canvas.rect(left + length, bottom, length, 4, stroke=1, fill=0)
    canvas.setFont(fonts.PLAIN, 6)
    for i in range(3):
        text = f"{i * step}" + (f" {word}" if i == 2 else "")
        canvas.drawCentredString(left + i * length, bottom + 7, text)
    canvas.setFont(fonts.BOLD, 7)
    canvas.drawString(left, bottom + 16, sheet.scale.words)
