"""No retired phrase is left in anything that people read; the list is ours.

Keys, values and names of files that programs read stay, and so do words that also mean something
else: what is listed is the phrase as it was shown.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.computed import NAMES, computed, written
from tests.displayed import (
    city_outputs,
    help_texts,
    messages,
    outputs_of,
    questions,
    sources,
    templates,
)

RETIRED = (
    # the plumber's and the drain contractor's
    r"(?<!camera )\bhead\b", r"cable[- ]counts?\b", r"\bcable (was )?paid out",
    r"(?<!\()\breceivers?\b(?!\))(?! =)", r"\binside bottom\b",
    r"\bleaves (the building|through|by the)\b",
    r"\bexit \(inferred\)", r"\barrives?\b", r"\btoilets?\b", r"\bbasins?\b", r"tap the stack",
    r"\bdye poured\b", r"\bmain inspection\b", r"other people's", r"\btap records?\b",
    r"\bsag\b(?! \(belly\))", r"sewer map's (own )?(levels|datum)", r"\bmade good\b", r"\bloose\b",
    r"\blaid back\b", r"\bupright sides\b", r"\bone-call centre\b", r"\bkeep-outs?\b(?![-`/])",
    r"(?<!wait for )\b(?:first|last|every|each|the|these|more) marks?\b",
    # the surveyor's
    r"\boff [-+]?\d", r"(?-i:\bw [-+]?\d)", r"\bslip of\b", r"\bslips?\b", r"\bmore than needed\b",
    r"\bchi-square\b", r"\bcannot be told from\b", r"\bend .{1,12} from where they begin\b",
    r"\bground to grid\b", r"' .{1,6} upstream of\b", r"\bplaced points?\b",
    # the statistician's and the GIS analyst's
    r"(?<!right-of-)(?<!rights-of-)(?<!rights of )(?<!either )(?<!which )(?<!in one )(?<!another )"
    r"(?<!in two )(?<!of three )(?<!in more than one )(?<!one-)\bways?\b(?!:| round)",
    r"\bstraight there\b", r"\bbeforehand\b", r"\bchances?\b", r"\bspeaks?\b", r"×\d", r"\bbits?\b",
    r"\btelling\b", r"(?<!prior\.)(?<!side_yard, )\bunlisted\b(?! =)",
    r"how far such a probability", r"\bhabits?\b",
    # spelling
    r"neighbour|centre|metre\b|metres|judgement|catalogue|levelled|colour|licence",
)  # fmt: skip


def found_in(text: str) -> list[str]:
    """Return the retired phrases of a text, however its lines break, each with what is about it."""
    text = " ".join(text.split())
    return [
        f"{text[max(match.start() - 40, 0) : match.start()]}>>{match[0]}<<"
        f"{text[match.end() : match.end() + 30]}"
        for phrase in RETIRED
        for match in re.finditer(phrase, text, re.IGNORECASE)
    ]


@pytest.mark.parametrize("name", [*NAMES, "dug-and-found"])
def test_outputs_speak_the_trades_words(name: str) -> None:
    """Screen, page, record, drawing, phone files and tape table of every fixture."""
    left = {
        place: found
        for place, text in outputs_of(computed(name), written(name))
        if (found := found_in(text))
    }
    assert not left


def test_templates_help_and_messages_speak_the_trades_words(tmp_path: Path) -> None:
    """Blank folder, workbook, field sheet, help of every command, every message, documents."""
    texts = [*templates(tmp_path), *help_texts(), *messages(), *sources(), *questions()]
    left = {place: found for place, text in texts if (found := found_in(text))}
    assert not left


def test_a_city_s_outputs_speak_the_trades_words(tmp_path: Path) -> None:
    """Screen, map and desk page of the invented town."""
    left = {where: found for where, text in city_outputs(tmp_path) if (found := found_in(text))}
    assert not left


@pytest.mark.parametrize(
    "text",
    ["the depth of the head", "other\n  people's", "Cable count 3 ft", "off -1/8\"",
     "×9.7 for the alley", "w -0.35",
     "another way: All 6 other ways together", "arrives 10\" above its invert", "most telling"],
)  # fmt: skip
def test_the_list_finds_what_was_shown(text: str) -> None:
    """The phrases as the release before showed them are found."""
    assert found_in(text)


@pytest.mark.parametrize(
    "text",
    ["camera head", "the camera\n  head", "right-of-way", "9\" either way, 95 %",
     "locator (receiver)", "sag (belly)",
     "call the one-call center and wait for the marks", "likelihood ratio 9.7"],
)  # fmt: skip
def test_the_list_leaves_other_words_alone(text: str) -> None:
    """What the trades say is not found."""
    assert not found_in(text)
