"""The pages of the lateral record: plan, tables, profile, cautions, signatures."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Any

import numpy as np
from reportlab.lib import pagesizes
from reportlab.lib.colors import Color
from reportlab.lib.units import inch
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    KeepTogether,
    PageBreak,
    SimpleDocTemplate,
    Spacer,
    Table,
)

from ...model.site import Paper
from ...model.survey import Survey
from ...units import is_imperial
from ..cut_sheet import cut_sheets
from ..derive import find
from ..fonts import BOLD, PLAIN, register_fonts
from ..numbers import written_date
from ..report import Report, report
from ..report.section import Section
from ..text import worth_sentence
from . import as_found, particulars, tables
from .blocks import BODY, CAUTION, HEAD, ITALICS, SMALL, TITLE, Drawing, Notes, grid, sections, text
from .plan import draw_house, draw_plan
from .profile import draw_profile
from .tagging import Node, TaggedCanvas, TaggedFigure

MARGIN = 0.6 * inch
PAPERS: dict[Paper, tuple[float, float]] = {
    "letter": pagesizes.letter,
    "a4": pagesizes.A4,
    "tabloid": pagesizes.TABLOID,
    "a3": pagesizes.A3,
}
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


def _first_page(survey: Survey, width: float, height: float) -> list[Flowable]:
    """Title, who measured when with what, and the plan."""
    site = survey.site
    with_what = ", ".join(filter(None, (site.receiver, site.sonde))) or tables.BLANK
    lines = [
        text("Lateral record", TITLE),
        text(site.name, HEAD),
        _job(survey, width),
        text(
            f"Measured with: {with_what}. {particulars.datum_words(survey)} Rules: "
            f"{survey.rules.title} ({survey.rules.edition}).",
            SMALL,
        ),
        Spacer(1, 5),
    ]
    # measured before it is set: the plan takes what is left of the page
    used = sum(line.wrap(width, height)[1] + 9 for line in lines)
    drawing = Drawing(survey, (width - 12, height - used - 24), draw_plan)
    return [*lines, TaggedFigure(drawing, PLAN_ALT)]


def _job(survey: Survey, width: float) -> Table:
    """Set what the job is filed by, two a row."""
    rows, whole, cells = particulars.job_rows(survey), Node("Table"), []
    for n in range(0, len(rows), 2):
        line = Node("TR", whole)
        cells.append(
            [
                text(words, style, Node(role, line, scope="Row" if role == "TH" else ""))
                for pair in rows[n : n + 2]
                for words, style, role in zip(pair, (SMALL, BODY), ("TH", "TD"), strict=True)
            ]
        )
    widths = [width * share for share in (0.14, 0.36) * 2]
    left = ("LEFTPADDING", (0, 0), (-1, -1), 0)
    return grid(cells, widths, (0.5, 0.5), left, hAlign="LEFT")


def _tables(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """All tables and the profile."""
    first = [
        *as_found.found_sections(survey),
        tables.lateral_section(survey),
        particulars.place_section(survey),
        particulars.manhole_section(survey),
        particulars.lot_section(survey),
        *parts["depths"],
        tables.tie_section(survey),
    ]
    falls = (
        *parts["branches"],
        *as_found.log_sections(survey),
        *parts["falls"],
        tables.adjustment_section(survey),
    )
    last = (
        tables.point_section(survey),
        *parts["mains"],
        *parts["routes"],
        tables.class_section(survey),
    )
    house = Drawing(survey, (width - 12, 4.8 * inch), draw_house, least=3.4 * inch)
    profile = Drawing(survey, (width - 12, 2.4 * inch), draw_profile, (22, 28, 4, 4))
    return [
        *sections(first, width),
        CondPageBreak(4.0 * inch),
        text("Under the slab", HEAD),
        text("Beside each locate point: its depth to the camera head.", SMALL),
        Spacer(1, 2),
        TaggedFigure(house, HOUSE_ALT),
        KeepTogether([text("Profile", HEAD), TaggedFigure(profile, PROFILE_ALT)]),
        *sections(falls, width),
        *_dig(survey, parts, width),
        *sections(last, width),
    ]


def _dig(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """Pits and tie-ins, each with the cautions that belong to it."""
    blocks = []
    if survey.derived.excavations:
        blocks += [
            *sections(parts["excavations"], width),
            *([text(worth_sentence(survey), SMALL)] if survey.dig.guesses else []),
            text(" ".join(survey.rules.pit_cautions), CAUTION),
        ]
    if survey.dig.vacuum_holes:
        blocks += sections(parts["vacuum"], width)
    # the report lists two sections a fixture: what is planned, and how well it holds
    for planned, held in zip(parts["tie_ins"][::2], parts["tie_ins"][1::2], strict=True):
        blocks += sections([replace(planned, sentences=()), held], width)
        blocks.append(KeepTogether([text(" ".join(planned.sentences), CAUTION)]))
    return blocks


def _cut_sheets(survey: Survey, width: float) -> list[Flowable]:
    """One page a planned fixture for whoever cuts the slab."""
    story: list[Flowable] = []
    for one in cut_sheets(survey):
        story += [PageBreak(), text(one.title, TITLE)]
        if one.drawing is not None:
            story.append(TaggedFigure(one.drawing, CUT_ALT))
        story += [
            *sections([Section("Where to cut", ("what", "where"), tuple(one.places))], width),
            text("Check before cutting", HEAD),
            *(text(f"[  ] {line}", SMALL) for line in one.before),
        ]
    return story


def _last(survey: Survey, parts: Report, width: float) -> list[Flowable]:
    """Notices, cautions and signatures."""
    rows = (*parts["flags"][0].rows, *parts["notices"][0].rows)
    notices = [text(f"• {message}", SMALL) for _, message in rows]
    cautions = [text(f"• {caution}", SMALL) for caution in survey.rules.cautions]
    # two columns, read down and parted in the middle where the page ends
    part = (len(cautions) + 3) // 4
    quarters = [cautions[i * part : (i + 1) * part] for i in range(4)]
    signers = [
        ["Measured by, date", "Received by the municipality, date"],
        ["Licensed contractor, license no., date", "Inspected by, date"],
    ]
    signatures = grid(
        [[text(one, SMALL), "", text(other, SMALL)] for one, other in signers],
        [0.42 * width, 0.06 * width, 0.42 * width],
        (1, 3),
        ("LINEABOVE", (0, 0), (0, -1), 0.5, Color(0, 0, 0)),
        ("LINEABOVE", (2, 0), (2, -1), 0.5, Color(0, 0, 0)),
        rowHeights=28,
        hAlign="LEFT",
    )
    return [
        CondPageBreak(0.7 * inch),
        text("Flags and assumptions", HEAD), *(notices or [text("none")]),
        CondPageBreak(2.5 * inch), text("Cautions", HEAD),
        grid([quarters[:2], quarters[2:]], [width / 2] * 2, (1, 0)),
        KeepTogether([
            text("Signatures", HEAD),
            text("A signature states what was measured; it does not turn an inferred line into "
                 "a located one.", ITALICS),
            Spacer(1, 20),
            signatures,
        ]),
        Notes(),
    ]  # fmt: skip
