"""The pages of the lateral record: plan, tables, profile, cautions, signatures."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import replace
from datetime import datetime
from functools import cache, partial
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from reportlab.lib import pagesizes
from reportlab.lib.colors import Color
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)
from reportlab.platypus.paragraph import cleanBlockQuotedText

from ...model.site import Paper
from ...model.survey import Survey
from ...units import is_imperial
from ..cut_sheet import cut_sheets
from ..derive import find
from ..fonts import BOLD, ITALIC, PLAIN, register_fonts
from ..found import status_words
from ..numbers import written_date
from ..report import Report, report
from ..report.section import Section
from ..text import worth_sentence
from . import as_found, log, particulars, tables
from .plan import draw_house, draw_plan
from .profile import draw_profile
from .tagging import Node, TaggedCanvas, TaggedFigure, TaggedParagraph, tagged

MARGIN = 0.6 * inch
RULING = 18.0
PAPERS: dict[Paper, tuple[float, float]] = {
    "letter": pagesizes.letter,
    "a4": pagesizes.A4,
    "tabloid": pagesizes.TABLOID,
    "a3": pagesizes.A3,
}
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
NOT_A_LOCATE = (
    "Dashed lines are inferred, not located. Before any digging call the one-call center and "
    "wait for the marks."
)


PLAN_ALT = (
    "Plan of the lot, to the stated scale, north as marked: lot lines with bearings and distances, "
    "house, streets, sewers with manholes, and, dashed because inferred, the lateral with its "
    "corridor. The tables that follow give every place in numbers."
)
HOUSE_ALT = (
    "Plan under the slab, to the stated scale: locate points with their depths, and, "
    "dashed because inferred, the building drain. The table of points gives them in numbers."
)
PROFILE_ALT = (
    "Profile of drain and lateral from the house to the main: slab, ground and, dashed because "
    "inferred, the invert with its 90 % band. The table of depths gives them in numbers."
)
CUT_ALT = (
    "Plan of the room with the walls to measure from, the slab opening and its corners, and the "
    "drain beneath, dashed because inferred. The table below gives the offsets."
)


class _Drawing(Flowable):
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
        """Take the height there is, within its bounds."""
        self.height = min(self.most, max(self.least, available_height - 4.0))
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the page's canvas."""
        left, bottom, right, top = self.inset
        frame = (left, bottom, self.width - left - right, self.height - bottom - top)
        self.draw_on(self.canv, self.survey, frame)


class _Notes(Flowable):
    """Ruled lines for notes and a sketch by hand, on what is left of the last page."""

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Take all the room that is left."""
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


class _Pages(TaggedCanvas):
    """A canvas that writes the foot of every page once it knows how many pages there are.

    The file is said to be made on ``date``.
    """

    def __init__(self, *args: Any, date: datetime, title: str, **settings: Any) -> None:
        super().__init__(*args, **settings)
        self._finished: list[dict[str, Any]] = []
        self._named = title, date
        # the library takes the clock's: the same survey shall give the same bytes
        stamp = self._doc._timeStamp  # type: ignore[attr-defined]
        stamp.t, stamp.lt = date.timestamp(), date.timetuple()
        stamp.YMDhms = tuple(stamp.lt)[:6]

    def showPage(self) -> None:  # noqa: N802 - reportlab's name
        """Keep the page for later."""
        # reportlab's canvas keeps a page's state among its attributes
        self._finished.append(dict(self.__dict__))
        self._startPage()  # type: ignore[attr-defined]

    def save(self) -> None:
        """Write the foot of each page, then the file."""
        for page in self._finished:
            self.__dict__.update(page)
            self.setFont(BOLD, 7.5)
            self.drawString(MARGIN, 0.42 * inch, NOT_A_LOCATE)
            self.setFont(PLAIN, 7.5)
            words = f"page {self.getPageNumber()} of {len(self._finished)}"
            right = self._pagesize[0] - MARGIN  # type: ignore[attr-defined]
            self.drawRightString(right, 0.42 * inch, words)
            self.close_page()
            super().showPage()
        self.write_structure(self._named[0], LANGUAGE, self._named[1])
        super().save()


LANGUAGE = "en-US"


def record_bytes(survey: Survey) -> bytes:
    """Make the record as a PDF, on the paper asked for or else that in use at the site.

    The same survey gives the same bytes: the file's date is the survey's.
    """
    register_fonts()
    survey = find(survey)
    size = PAPERS[survey.site.paper or usual_paper(survey)]
    target, title = io.BytesIO(), f"Lateral record: {survey.site.name}"
    document = SimpleDocTemplate(
        target,
        pagesize=size,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=0.7 * inch,
        invariant=1,
        title=title,
        author=survey.site.surveyed_by,
        subject="Inferred from located points; not a locate",
        creator="sitegis",
        lang=LANGUAGE,
        displayDocTitle=True,
        initialFontName=PLAIN,
    )
    width = size[0] - 2 * MARGIN

    parts = report(survey)
    story = [
        *_first_page(survey, width, size[1] - MARGIN - 0.7 * inch),
        PageBreak(),
        *_tables(survey, parts, width),
        *_last(survey, parts, width),
        *_cut_sheets(survey, width),
    ]
    date = datetime.fromisoformat(written_date(survey.site.surveyed_on))
    document.build(story, canvasmaker=partial(_Pages, date=date, title=title))
    return target.getvalue()


def usual_paper(survey: Survey) -> Paper:
    """Choose the paper of an ordinary printer: Letter in North America, also with meters, else A4.

    Letter is the everyday paper of the United States, Canada and Mexico (from memory). Sites in
    feet or inches have it wherever they lie.
    """
    longitude, latitude = survey.site.frame.to_lonlat(np.zeros(2))
    american = -170.0 <= longitude <= -50.0 and 15.0 <= latitude <= 84.0
    return "letter" if american or is_imperial(survey.site.units) else "a4"


@cache
def _plain_piece(style: ParagraphStyle) -> Any:
    """Return a piece of text without mark-up in a style, as the library makes it."""
    return Paragraph("x", style).frags[0]


def _text(words: str, style: ParagraphStyle = BODY, node: Node | None = None) -> TaggedParagraph:
    """Make a paragraph of a user's or our own words; mark-up in them is shown, not obeyed.

    Words without any character of mark-up are one piece as they stand: to read them as mark-up
    takes half of a paragraph's time.
    """
    escaped, pieces = escape(words), None
    if escaped and escaped == words:
        pieces = [copy(_plain_piece(style))]
        pieces[0].text = cleanBlockQuotedText(words)
    made = TaggedParagraph(escaped, style, frags=pieces)
    made.node = node or Node({"title": "H1", "head": "H2"}.get(style.name, "P"))
    return made


def _first_page(survey: Survey, width: float, height: float) -> list[Flowable]:
    """Title, who measured when with what, and the plan."""
    site = survey.site
    with_what = ", ".join(filter(None, (site.receiver, site.sonde))) or tables.BLANK
    lines = [
        _text("Lateral record", TITLE),
        _text(site.name, HEAD),
        _job(survey, width),
        _text(
            f"Measured with: {with_what}. {particulars.datum_words(survey)} Rules: "
            f"{survey.rules.title} ({survey.rules.edition}).",
            SMALL,
        ),
        Spacer(1, 5),
    ]
    # measured before it is set: the plan takes what is left of the page
    used = sum(line.wrap(width, height)[1] + 9 for line in lines)
    drawing = _Drawing(survey, (width - 12, height - used - 24), draw_plan)
    return [*lines, TaggedFigure(drawing, PLAN_ALT)]


def _job(survey: Survey, width: float) -> Table:
    """Set what the job is filed by, two a row."""
    rows, whole, cells = particulars.job_rows(survey), Node("Table"), []
    for n in range(0, len(rows), 2):
        line = Node("TR", whole)
        cells.append(
            [
                _text(words, style, Node(role, line, scope="Row" if role == "TH" else ""))
                for pair in rows[n : n + 2]
                for words, style, role in zip(pair, (SMALL, BODY), ("TH", "TD"), strict=True)
            ]
        )
    table = Table(cells, colWidths=[width * share for share in (0.14, 0.36) * 2], hAlign="LEFT")
    table.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), PLAIN),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 0.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return table


def _table(head: tuple[str, ...], rows: tables.Rows, widths: list[float]) -> Table:
    """Set a table with a ruled head; long words wrap."""
    whole = Node("Table")
    cells = []
    for row, style, role in [(head, CELL_HEAD, "TH"), *((row, SMALL, "TD") for row in rows)]:
        line, scope = Node("TR", whole), "Column" if role == "TH" else ""
        cells.append([_text(words, style, Node(role, line, scope=scope)) for words in row])
    table = Table(cells, colWidths=widths, repeatRows=1, hAlign="LEFT")
    table.setStyle(
        TableStyle(
            [
                ("FONTNAME", (0, 0), (-1, -1), PLAIN),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, Color(0, 0, 0)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.25, Color(0.7, 0.7, 0.7)),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 0.8),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.0),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    return table


def _block(
    title: str, head: tuple[str, ...], rows: tables.Rows, shares: tuple[float, ...], width: float
) -> list[Flowable]:
    """Set a titled table; the title stays with its first rows, the others may go on overleaf."""
    if not rows:
        return [_text(title, HEAD), _text("none")]
    table = _table(head, rows, [share * width for share in shares])
    return [CondPageBreak(1.3 * inch), _text(title, HEAD), table]


SHARES: dict[tuple[str, ...], tuple[float, ...]] = {
    ("from the wall", "ground to invert"): (0.2, 0.25, 0.33, 0.22),
    ("main", "probability"): (0.1, 0.1, 0.15, 0.11, 0.11, 0.08, 0.12, 0.23),
    ("route alternative", "probability"): (0.27, 0.13, 0.6),
    ("branch", "joins"): (0.14, 0.2, 0.12, 0.24, 0.18, 0.12),
    ("pipe", "fixture units"): (0.24, 0.1, 0.1, 0.56),
    ("pit", "size"): (0.1, 0.16, 0.12, 0.16, 0.2, 0.14, 0.12),
    ("hole", "center"): (0.1, 0.48, 0.14, 0.14, 0.14),
    ("what", "planned"): (0.2, 0.8),
    ("check", "result"): (0.2, 0.1, 0.7),
}
"""What the columns of a section take of the width, by the first two of its head."""


def _sections(sections: Sequence[Section], width: float) -> list[Flowable]:
    """Set sections of the report: title, table, and sentences under it."""
    blocks: list[Flowable] = []
    for one in sections:
        mark = "• " if len(one.sentences) > 1 else ""
        lines = [_text(f"{mark}{line}", SMALL) for line in one.sentences]
        if one.head:
            blocks += _block(one.title, one.head, list(one.rows), SHARES[one.head[:2]], width)
            blocks += lines
        else:
            blocks.append(KeepTogether([_text(one.title, HEAD), *lines]))
    return blocks


def _as_found(survey: Survey, width: float) -> list[Flowable]:
    """Return what was found outdoors and what each answer changed, where there is either."""
    revisions = as_found.revision_rows(survey)
    if not revisions:
        return []
    blocks: list[Flowable] = [
        _text("Status of this record", HEAD),
        _text(status_words(survey), SMALL),
    ]
    if survey.scores.finds:
        blocks += _block(
            "Found outdoors (places and depths as measured)",
            ("finding", "what", "easting, northing", "depth", "swing ties", "note"),
            as_found.finding_rows(survey),
            (0.12, 0.17, 0.17, 0.13, 0.23, 0.18),
            width,
        )
        blocks.append(_text(worth_sentence(survey), SMALL))
    if rows := as_found.stretch_rows(survey):
        blocks += _block(
            "How each stretch outdoors is known", ("stretch", "class"), rows, (0.65, 0.35), width
        )
    return blocks + _block(
        "Revisions",
        ("revision", "date", "status", "new", "what moved"),
        revisions,
        (0.1, 0.12, 0.14, 0.2, 0.44),
        width,
    )


def _tables(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """All tables and the profile."""
    return [
        *_as_found(survey, width),
        *_block("Lateral", ("field", "value", "how it is known"),
                tables.lateral_rows(survey, survey.derived.taps), (0.27, 0.5, 0.23), width),
        *_block("Places, depths and elevations",
                ("place", "easting, northing", "longitude, latitude", "depth to invert",
                 "invert elevation (90 %)"),
                particulars.place_rows(survey), (0.2, 0.23, 0.23, 0.13, 0.21), width),
        _text(particulars.datum_words(survey), SMALL),
        *_block("Manholes at the ends of each reach",
                ("main", "from the tap", "manhole", "distance from the tap", "invert elevation"),
                particulars.manhole_rows(survey, survey.derived.taps),
                (0.2, 0.17, 0.2, 0.2, 0.23), width),
        *_block("Lot lines, counter-clockwise from the front-left corner",
                ("side", "grid bearing", "distance on the ground"),
                particulars.lot_rows(survey), (0.2, 0.4, 0.4), width),
        *_sections(parts["depths"], width),
        *_block("Swing ties", ("to", "from", "distance"), tables.tie_rows(survey),
                (0.35, 0.4, 0.25), width),
        CondPageBreak(4.0 * inch),
        _text("Under the slab", HEAD),
        _text("Beside each locate point: its depth to the camera head.", SMALL),
        Spacer(1, 2),
        TaggedFigure(
            _Drawing(survey, (width - 12, 4.8 * inch), draw_house, least=3.4 * inch), HOUSE_ALT
        ),
        KeepTogether([
            _text("Profile", HEAD),
            TaggedFigure(
                _Drawing(survey, (width - 12, 2.4 * inch), draw_profile, (22, 28, 4, 4)),
                PROFILE_ALT,
            ),
        ]),
        *_runs(survey, parts, width),
        *_sections([*parts["falls"], tables.adjustment_section(survey)], width),
        *_dig(survey, parts, width),
        *_block("Points, in lot coordinates (x along the front line, y toward the rear)",
                ("id", "kind", "class", "x", "y", "depth to camera head", "95 % radius"),
                tables.point_rows(survey), (0.12, 0.15, 0.12, 0.14, 0.14, 0.19, 0.14), width),
        *_sections([*parts["mains"], *parts["routes"]], width),
        *_block("Evidence class of each part", ("part", "class"), tables.class_rows(survey),
                (0.65, 0.35), width),
    ]  # fmt: skip


def _runs(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """Branches and the observation log, where the site has runs."""
    blocks = _sections(parts["branches"], width)
    if survey.site.runs or survey.site.observations:
        blocks += _block(
            "Observation log", log.LOG_HEAD, log.log_rows(survey), log.LOG_SHARES, width
        )
        blocks.append(_text(log.LOG_NOTE, SMALL))
    return blocks


def _dig(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """Pits and tie-ins, each with the cautions that belong to it."""
    blocks = []
    if survey.derived.excavations:
        blocks += [
            *_sections(parts["excavations"], width),
            *([_text(worth_sentence(survey), SMALL)] if survey.dig.guesses else []),
            _text(" ".join(survey.rules.pit_cautions), CAUTION),
        ]
    if survey.dig.vacuum_holes:
        blocks += _sections(parts["vacuum"], width)
    # the report lists two sections a fixture: what is planned, and how well it holds
    for planned, held in zip(parts["tie_ins"][::2], parts["tie_ins"][1::2], strict=True):
        blocks += _sections([replace(planned, sentences=()), held], width)
        blocks.append(KeepTogether([_text(" ".join(planned.sentences), CAUTION)]))
    return blocks


def _cut_sheets(survey: Survey, width: float) -> list[Flowable]:
    """One page a planned fixture for whoever cuts the slab."""
    story: list[Flowable] = []
    for one in cut_sheets(survey):
        story += [PageBreak(), _text(one.title, TITLE)]
        if one.drawing is not None:
            story.append(TaggedFigure(one.drawing, CUT_ALT))
        story += _block("Where to cut", ("what", "where"), list(one.places), (0.4, 0.6), width)
        story += [
            _text("Check before cutting", HEAD),
            *(_text(f"[  ] {line}", SMALL) for line in one.before),
        ]
    return story


def _last(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """Notices, cautions and signatures."""
    rows = (*parts["flags"][0].rows, *parts["notices"][0].rows)
    notices = [_text(f"• {message}", SMALL) for _, message in rows]
    cautions = [_text(f"• {caution}", SMALL) for caution in survey.rules.cautions]
    # two columns, read down and parted in the middle where the page ends
    part = (len(cautions) + 3) // 4
    quarters = [cautions[i * part : (i + 1) * part] for i in range(4)]
    columns = Table([quarters[:2], quarters[2:]], colWidths=[width / 2] * 2,
                    style=TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"),
                                      ("FONTNAME", (0, 0), (-1, -1), PLAIN),
                                      ("TOPPADDING", (0, 0), (-1, -1), 1),
                                      ("BOTTOMPADDING", (0, 0), (-1, -1), 0)]))  # fmt: skip
    signers = [
        ["Measured by, date", "Received by the municipality, date"],
        ["Licensed contractor, license no., date", "Inspected by, date"],
    ]
    signatures = Table(
        [[_text(one, SMALL), "", _text(other, SMALL)] for one, other in signers],
        colWidths=[0.42 * width, 0.06 * width, 0.42 * width], hAlign="LEFT", rowHeights=28,
        style=TableStyle([
            ("FONTNAME", (0, 0), (-1, -1), PLAIN), ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("TOPPADDING", (0, 0), (-1, -1), 1),
            ("LINEABOVE", (0, 0), (0, -1), 0.5, Color(0, 0, 0)),
            ("LINEABOVE", (2, 0), (2, -1), 0.5, Color(0, 0, 0)),
        ]),
    )  # fmt: skip
    return [
        CondPageBreak(0.7 * inch),
        _text("Flags and assumptions", HEAD), *(notices or [_text("none")]),
        CondPageBreak(2.5 * inch), _text("Cautions", HEAD), columns,
        KeepTogether([
            _text("Signatures", HEAD),
            _text("A signature states what was measured; it does not turn an inferred line into "
                  "a located one.", ITALICS),
            Spacer(1, 20),
            signatures,
        ]),
        _Notes(),
    ]  # fmt: skip
