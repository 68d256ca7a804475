"""The answer on one screen: what ``run`` prints."""

from __future__ import annotations

import math
import re
import textwrap
from itertools import product

from ..model.derived import TieIn
from ..model.survey import Survey
from ..units import percent
from .cutting import tie_in_place
from .derive import find
from .report.answer import flag_section
from .report.digging import fall_words, pipe_words
from .text import (
    check_sentence,
    dig_sentence,
    exit_sentence,
    hypothesis_line,
    join_sentence,
    likely_and_not,
    noise_is_learned,
    noise_sentence,
    pit_sentence,
    slope_sentence,
    worth_sentence,
)

SCREEN_LINES, SCREEN_COLUMNS = 23, 98  # one more line says where the outputs are
LEAST_COLUMNS = 40
LONGEST_LINES = 3
# how many ways beyond the second, fixtures, pits, flags and cautions, and whether blank lines part
# them: the first to fit
_SUMMARIES = (
    (2, 3, 3, 3, 4, True), (2, 3, 3, 3, 4, False), (2, 3, 2, 3, 4, False), (2, 3, 2, 2, 3, False),
    (2, 3, 1, 2, 2, False), (2, 3, 1, 1, 1, False), (0, 3, 1, 1, 1, False), (0, 2, 1, 1, 1, False),
    (0, 1, 1, 1, 1, False), (0, 0, 1, 1, 1, False),
)  # fmt: skip


def summary_lines(survey: Survey, *, columns: int = SCREEN_COLUMNS) -> tuple[str, ...]:
    """Return the answer on one screen: at most 23 lines of 98 characters.

    Sentences, ways beyond the second, planned fixtures, pits, flags and the cautions for whoever
    digs; what does not fit is counted, and it is said where everything stands. On a screen
    narrower than 98 ``columns`` (at least 40) the lines are shorter and may be more.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    columns
        Width of the screen, at least 40.

    Returns
    -------
    tuple[str, ...]
        The lines.
    """
    width = min(max(columns, LEAST_COLUMNS), SCREEN_COLUMNS)
    planned = find(survey).derived.tie_ins
    lines: list[str] = []
    # what the marks are worth is said where it pushes nothing else off the screen
    for (ways, fixtures, pits, flags, cautions, blank), worth in product(_SUMMARIES, (True, False)):
        sections = [
            _sentences(survey, ways, width),
            _planned_lines(survey, planned, fixtures, width),
            _pit_lines(survey, pits, width) + (_worth_lines(survey, width) if worth else []),
            _flag_lines(survey, flags, width),
            _unchecked_lines(survey, width) if ways else [],
            _caution_lines(survey, cautions, width),
        ]
        lines = []
        for section in filter(None, sections):
            lines += ["", *section] if blank and lines else section
        if len(lines) <= SCREEN_LINES:
            break
    return tuple(lines)


def _paragraph(words: str, width: int, *, indent: str = "", whole: bool = False) -> list[str]:
    """Wrap words to the screen, later lines indented; cut after three lines unless ``whole``."""
    # a number is not parted from its unit or sign at the end of a line
    together = re.sub(r"(?<=\d) (?=%|m\b|mm\b)|(?<=') (?=\d)|(?<=±) ", "\N{NO-BREAK SPACE}", words)
    lines = textwrap.wrap(
        together,
        width,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        max_lines=None if whole else math.ceil(LONGEST_LINES * SCREEN_COLUMNS / width),
        placeholder=" …",
        break_on_hyphens=False,
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _sentences(survey: Survey, beyond: int, width: int) -> list[str]:
    """Return name, what was supposed, answer with some ways beyond the second, next check."""
    lines = _paragraph(survey.site.name, width)
    for notice in survey.notices:
        if notice.code == "what-if":
            lines += _paragraph(notice.message, width)
    lines += _paragraph(join_sentence(survey), width)
    likely, unlikely = likely_and_not(survey)
    if len(likely) + len(unlikely) == 3:
        beyond = 2  # naming the one that is left takes no more than counting it
    for scored in likely[2 : 2 + beyond]:
        lines += _paragraph(hypothesis_line(survey, scored), width)
    rest = (*likely[2 + beyond :], *unlikely)
    if rest:
        together, others = sum(scored.probability for scored in rest), len(rest)
        words = f"All {others} other routes together" if others > 1 else "The one other route"
        lines.append(f"{words}: {percent(together) if together > 0.0 else 'ruled out'}.")
    for sentence in (
        exit_sentence(survey),
        slope_sentence(survey),
        noise_sentence(survey) if noise_is_learned(survey) else "",
        check_sentence(survey),
        "The line is inferred, not located.",
    ):
        lines += _paragraph(sentence, width) if sentence else []
    return lines


def _planned_lines(survey: Survey, planned: tuple[TieIn, ...], most: int, width: int) -> list[str]:
    """Say where planned fixtures tie in and whether they drain, with the caution for cutting."""
    if not planned:
        return []
    lines = []
    if most:
        lines = _paragraph(
            "Where to cut (first find out whether the slab is post-tensioned; cut wet):", width
        )
        for one in planned[:most]:
            lines += _paragraph(_planned_words(survey, one), width, indent="  ")
    if len(planned) > most:
        fixtures = "fixture" if len(planned) - most == 1 else "fixtures"
        lines.append(f"  {len(planned) - most} more planned {fixtures}: see map.html")
    return lines


def _planned_words(survey: Survey, one: TieIn) -> str:
    """Say where a planned fixture's branch meets the drain, its trench and its fall."""
    place = tie_in_place(survey, one, short=True)
    pipe, fall = pipe_words(survey, one), fall_words(survey, one)
    return f"{one.name}: {place}; {pipe}, {fall}: {one.verdict}"


def _pit_lines(survey: Survey, most: int, width: int) -> list[str]:
    """Return lines on the first pits, and how many more there are."""
    pits = survey.dig.pits
    if not pits:
        return _paragraph(dig_sentence(survey), width)
    lines = ["Test pits, in this order:"]
    for pit in pits[:most]:
        lines += _paragraph(pit_sentence(survey, pit), width, indent="  ")
    left = len(pits) - most
    if left > 0:
        found = percent(pits[-1].p_hit_so_far)
        words = f"{left} more in map.html; with all {len(pits)}: {found} to have found it"
        lines += _paragraph(words, width, indent="  ")
    return lines


def _worth_lines(survey: Survey, width: int) -> list[str]:
    """Return lines on what the marks, or what was dug, are worth."""
    words = worth_sentence(survey, cuts=False)
    return _paragraph(words, width) if words else []


def _flag_lines(survey: Survey, most: int, width: int) -> list[str]:
    """Return lines on what a person must look at, in the order of its section."""
    section = flag_section(survey)
    if not section.rows:
        return []
    lines = [f"{section.title}:"]
    for _, message in section.rows[:most]:
        lines += _paragraph(message, width, indent="  ", whole=True)
    if len(section.rows) > most:
        lines.append(f"  {len(section.rows) - most} more: see map.html or record.pdf")
    return lines


def _unchecked_lines(survey: Survey, width: int) -> list[str]:
    """Say in one sentence what nothing checks, and which tapes; ``check`` which to take first."""
    doubt = survey.doubted
    named = [] if doubt is None else [one.about for one in doubt.unchecked]
    lines = []
    if named:
        words = f"Nothing checks: {'; '.join(named)}. 'sitegis check' says what to tape first."
        lines = _paragraph(words, width)
    tapes = (one.message for one in survey.notices if one.code == "tape-not-checked")
    return [*lines, *(line for message in tapes for line in _paragraph(message, width, whole=True))]


def _caution_lines(survey: Survey, most: int, width: int) -> list[str]:
    """Return the first sentence of the cautions of whoever digs, and where all of it stands."""
    lines = _paragraph(
        "Before anyone digs or cuts (all cautions: see map.html or record.pdf):", width
    )
    for caution in survey.rules.pit_cautions[:most]:
        first = re.match(r".*?\.(?= |$)", caution)
        lines += _paragraph(first.group() if first else caution, width, indent="  ")
    return lines
