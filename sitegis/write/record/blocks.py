"""Blocks of the record's pages: text, tables and sections of the report, and drawings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import Color
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, Table
from reportlab.platypus.paragraph import cleanBlockQuotedText

from ...model.survey import Survey
from ..fonts import BOLD, ITALIC, PLAIN
from ..report.section import Cells, Section
from .tagging import Node, TaggedParagraph, tagged

RULING = 18.0
BODY = ParagraphStyle("body", fontName=PLAIN, fontSize=8, leading=10.5)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=7, leading=9)
HEAD = ParagraphStyle(
    "head", parent=BODY, fontName=BOLD, fontSize=9.5, leading=12, spaceBefore=6, spaceAfter=1
)
CELL_HEAD = ParagraphStyle("cell-head", parent=SMALL, fontName=BOLD)
ITALICS = ParagraphStyle("italic", parent=SMALL, fontName=ITALIC)
CAUTION = ParagraphStyle("caution", parent=SMALL, fontName=BOLD, spaceBefore=2)
TITLE = ParagraphStyle("title", parent=BODY, fontName=BOLD, fontSize=13, leading=16)
Draw = Callable[[Canvas, Survey, tuple[float, float, float, float]], object]
Inset = tuple[float, float, float, float]
SHARES: dict[Cells, tuple[float, ...]] = {
    ("field", "value"): (0.27, 0.5, 0.23),
    ("place", "easting, northing"): (0.2, 0.23, 0.23, 0.13, 0.21),
    ("main", "from the tap"): (0.2, 0.17, 0.2, 0.2, 0.23),
    ("side", "grid bearing"): (0.2, 0.4, 0.4),
    ("to", "from"): (0.35, 0.4, 0.25),
    ("id", "kind"): (0.12, 0.15, 0.12, 0.14, 0.14, 0.19, 0.14),
    ("part", "class"): (0.65, 0.35),
    ("stretch", "class"): (0.65, 0.35),
    ("finding", "what"): (0.12, 0.17, 0.17, 0.13, 0.23, 0.18),
    ("revision", "date"): (0.1, 0.12, 0.14, 0.2, 0.44),
    ("run", "footage"): (0.11, 0.15, 0.16, 0.07, 0.08, 0.1, 0.15, 0.18),
    ("from the wall", "ground to invert"): (0.2, 0.25, 0.33, 0.22),
    ("main", "probability"): (0.1, 0.1, 0.15, 0.11, 0.11, 0.08, 0.12, 0.23),
    ("route alternative", "probability"): (0.27, 0.13, 0.6),
    ("branch", "joins"): (0.14, 0.2, 0.12, 0.24, 0.18, 0.12),
    ("pipe", "fixture units"): (0.24, 0.1, 0.1, 0.56),
    ("pit", "size"): (0.1, 0.16, 0.12, 0.16, 0.2, 0.14, 0.12),
    ("hole", "center"): (0.1, 0.48, 0.14, 0.14, 0.14),
    ("what", "planned"): (0.2, 0.8),
    ("what", "where"): (0.4, 0.6),
    ("check", "result"): (0.2, 0.1, 0.7),
}
"""What the columns of a section take of the width, by the first two of its head."""


class Drawing(Flowable):
    """A drawing as a block of a page; ``inset`` keeps room for what stands around its frame.

    Where ``least`` is given it takes what is left of a page, from that height to its own.
    """

    def __init__(
        self,
        survey: Survey,
        size: tuple[float, float],
        draw: Draw,
        inset: Inset = (0, 0, 0, 0),
        least: float | None = None,
    ) -> None:
        super().__init__()
        self.survey, self.draw_on, self.inset = survey, draw, inset
        self.width, self.height = size
        self.most, self.least = size[1], size[1] if least is None else least

    def wrap(self, _available_width: float, available_height: float) -> tuple[float, float]:
        """Take the height there is, within its bounds.

        Parameters
        ----------
        _available_width
            Width of the page's text, points.
        available_height
            Height that is left, points.

        Returns
        -------
        tuple[float, float]
            Width and height, points.
        """
        self.height = min(self.most, max(self.least, available_height - 4.0))
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the page's canvas."""
        left, bottom, right, top = self.inset
        frame = (left, bottom, self.width - left - right, self.height - bottom - top)
        self.draw_on(self.canv, self.survey, frame)


class Notes(Flowable):
    """Ruled lines for notes and a sketch by hand, on what is left of the last page."""

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Take all the room that is left.

        Parameters
        ----------
        available_width
            Width of the page's text, points.
        available_height
            Height that is left, points.

        Returns
        -------
        tuple[float, float]
            Width and height, points.
        """
        self.width, self.height = available_width, available_height
        return available_width, max(available_height - 1.0, 0.0)

    def draw(self) -> None:
        """Draw the title and the lines."""
        if self.height < 3 * RULING:
            return
        with tagged(self.canv, Node("P")):
            self.canv.setFont(BOLD, 9.5)
            self.canv.drawString(0, self.height - RULING, "Notes and sketch, by hand")
        self.canv.setLineWidth(0.3)
        self.canv.setStrokeColorRGB(0.6, 0.6, 0.6)
        for number in range(2, int(self.height / RULING)):
            y = self.height - number * RULING - 4
            self.canv.line(0, y, self.width, y)


@cache
def _plain_piece(style: ParagraphStyle) -> Any:
    """Return a piece of text without mark-up in a style, as the library makes it."""
    return Paragraph("x", style).frags[0]


def text(words: str, style: ParagraphStyle = BODY, node: Node | None = None) -> TaggedParagraph:
    """Return a paragraph of a user's or our own words; mark-up in them is shown, not obeyed.

    Words without any character of mark-up are one piece as they stand: to read them as mark-up
    takes half of a paragraph's time.

    Parameters
    ----------
    words
        What it says.
    style
        How it is set.
    node
        Its node of the structure; by its style where none is given.

    Returns
    -------
    TaggedParagraph
        The paragraph.
    """
    escaped, pieces = escape(words), None
    if escaped and escaped == words:
        pieces = [copy(_plain_piece(style))]
        pieces[0].text = cleanBlockQuotedText(words)
    made = TaggedParagraph(escaped, style, frags=pieces)
    made.node = node or Node({"title": "H1", "head": "H2"}.get(style.name, "P"))
    return made


def grid(
    cells: Sequence[list[Any]],
    widths: Sequence[float],
    padding: tuple[float, float],
    *style: tuple[Any, ...],
    **settings: Any,
) -> Table:
    """Return a table in the plain font, its cells set from their top.

    Parameters
    ----------
    cells
        Rows of words or paragraphs.
    widths
        Width of each column, points.
    padding
        Above and below the words of a cell, points.
    *style
        More commands of the library's table style.
    **settings
        More settings of the library's table.

    Returns
    -------
    Table
        The table.
    """
    every = (0, 0), (-1, -1)
    plain = [
        ("FONTNAME", *every, PLAIN),
        ("VALIGN", *every, "TOP"),
        ("TOPPADDING", *every, padding[0]),
        ("BOTTOMPADDING", *every, padding[1]),
    ]
    return Table(cells, colWidths=widths, style=[*plain, *style], **settings)


def _ruled(head: Cells, rows: Sequence[Cells], widths: Sequence[float]) -> Table:
    """Return a table with a ruled head; long words wrap."""
    whole = Node("Table")
    cells = []
    for row, style, role in [(head, CELL_HEAD, "TH"), *((row, SMALL, "TD") for row in rows)]:
        line, scope = Node("TR", whole), "Column" if role == "TH" else ""
        cells.append([text(words, style, Node(role, line, scope=scope)) for words in row])
    return grid(
        cells,
        widths,
        (0.8, 1.0),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, Color(0, 0, 0)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.25, Color(0.7, 0.7, 0.7)),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        repeatRows=1,
        hAlign="LEFT",
    )


def sections(some: Sequence[Section], width: float) -> list[Flowable]:
    """Return sections of the report as blocks: title, table, and sentences under it.

    A table's title stays with its first rows, the others may go on overleaf.

    Parameters
    ----------
    some
        The sections.
    width
        Width of the page's text, points.

    Returns
    -------
    list[Flowable]
        The blocks.
    """
    blocks: list[Flowable] = []
    for one in some:
        title, mark = text(one.title, HEAD), "• " if len(one.sentences) > 1 else ""
        lines = [text(f"{mark}{line}", SMALL) for line in one.sentences]
        if not one.head:
            blocks.append(KeepTogether([title, *lines]))
        elif one.rows:
            widths = [share * width for share in SHARES[one.head[:2]]]
            blocks += [CondPageBreak(1.3 * inch), title, _ruled(one.head, one.rows, widths), *lines]
        else:
            blocks += [title, text("none"), *lines]
    return blocks
