"""The faces of what is drawn on paper: those that come with reportlab, with accented letters."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN, BOLD, ITALIC = "RecordSans", "RecordSans-Bold", "RecordSans-Italic"
_FACES = {PLAIN: "Vera.ttf", BOLD: "VeraBd.ttf", ITALIC: "VeraIt.ttf"}


@cache
def register_fonts() -> None:
    """Make the faces known to reportlab, so that they go into the file."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in _FACES.items():
        pdfmetrics.registerFont(TTFont(name, folder / file))
