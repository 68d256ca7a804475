"""The catalogs of the dig card, the cautions and the field sheet: whole, and true to their values.

Extraction and reading are Babel's, the reference for gettext catalogs in Python.
"""

from __future__ import annotations

import io
import re
import string
from importlib import import_module, resources
from pathlib import Path

import pytest
from babel.messages.extract import extract
from babel.messages.pofile import read_po
from babel.numbers import format_decimal
from click.testing import CliRunner
from pypdf import PdfReader

from sitegis.cli.start import command
from sitegis.dig.excavation import LONGER
from sitegis.language import LANGUAGES, LOCALES, REVIEW, load_language
from sitegis.rules.rule_set import load_rules, rule_set_names
from sitegis.write.page.dig_card import POINTS_OF_THE_COMPASS, dig_card
from sitegis.write.page.reweigh_data import SAID

from .computed import NAMES, computed

sheet = import_module("sitegis.read.field_sheet")
OTHERS = tuple(code for code in LANGUAGES if code != "en")
CORNERS = ("front-left", "front-right", "rear-right", "rear-left")
SURFACES = ("lawn", "concrete", "asphalt", "gravel")
KINDS_NEAR = ("gas", "water", "electric", "telecom", "tree", "storm", "sewer")


def all_phrases() -> set[str]:
    """Return every English phrase of card, cautions and field sheet."""
    phrases = {REVIEW, LONGER, *SAID, *POINTS_OF_THE_COMPASS, *KINDS_NEAR, *SURFACES}
    phrases |= {f"the {corner} {kind} corner" for corner in CORNERS for kind in ("building", "lot")}
    for side in ("front", "right", "rear", "left"):
        phrases |= {f"around the {side} of the house", f"toward the {side}"}
    for name in rule_set_names():
        rules = load_rules(name)
        phrases |= {rules.call_first, *rules.cautions}
        phrases |= {row.words for row in rules.pit_statements}
    card = resources.files("sitegis.write.page").joinpath("dig_card.py").read_bytes()
    phrases |= {
        words
        for _, words, *_ in extract("python", io.BytesIO(card), keywords={"say": None})
        if isinstance(words, str) and words
    }
    page = resources.files("sitegis.write.page").joinpath("assets", "page.html").read_text("utf-8")
    phrases |= set(re.findall(r'card\.say\("([^"]+)"\)', page))
    phrases |= {label for row in sheet.HEAD_FIELDS for label, _ in row}
    for title, boxes, _, how in sheet.BACK:
        phrases |= {title, how, *(label for label, _ in boxes)} - {""}
    return phrases | {
        *sheet.CHECKLIST, *sheet.FIRST, *sheet.UNITS.values(), sheet.KINDS, sheet.FOOT, sheet.TITLE,
        sheet.BACK_TITLE, sheet.SHEET_OF, sheet.TIES_HEAD, sheet.TIES_FOOT, sheet.FIRST_HEAD,
        sheet.CHECKLIST_HEAD, sheet.SKETCH_HEAD, sheet.SKETCH_FOOT, sheet.SURFACES,
    }  # fmt: skip


@pytest.mark.parametrize("code", OTHERS)
def test_every_phrase_is_translated_and_no_other(code: str) -> None:
    """What the program says there and what the catalog holds are the same set."""
    with resources.files("sitegis.language").joinpath(f"{code}.po").open("rb") as file:
        catalog = read_po(file, LOCALES[code])
    assert {str(one.id) for one in catalog if one.id} == all_phrases()
    assert all(one.string and not one.fuzzy for one in catalog if one.id)


@pytest.mark.parametrize("code", OTHERS)
def test_a_translation_keeps_values_and_numbers(code: str) -> None:
    """The same fields in braces, and every number and section of the English phrase."""
    language = load_language(code)
    for english, phrase in language.phrases.items():
        fields = [
            sorted(str(f) for _, f, *_ in string.Formatter().parse(t) if f)
            for t in (english, phrase)
        ]
        assert fields[0] == fields[1], english
        numbers = [sorted(re.findall(r"\d+", re.sub(r"\{.*?\}", "", t))) for t in (english, phrase)]
        assert numbers[0] == numbers[1], english


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("name", NAMES)
def test_the_card_is_wholly_in_the_language(name: str, code: str) -> None:
    """Nothing on the card of a fixture is left in English but names, and it asks for a review."""
    survey, language = computed(name), load_language(code)
    english, other = (dig_card(survey, load_language(c)) for c in ("en", code))
    for key in ("call", "inferred", "what"):
        assert other[key] != english[key]
    assert not set(other["cautions"]) & set(english["cautions"])
    for mine, theirs in zip(other["pits"], english["pits"], strict=True):
        for key in ("title", "chance", "expect", "dig_to", "near", "protection"):
            assert mine[key] != theirs[key], key
        for tape, said in zip(mine["tapes"], theirs["tapes"], strict=True):
            assert tape["from"] != said["from"]
        for (term, value), (said, told) in zip(mine["facts"], theirs["facts"], strict=True):
            assert term != said
            assert value != told
        left = set(mine["statements"]) & set(theirs["statements"])
        assert all(line.startswith(("Pits ", "Pit ")) for line in left)
    assert REVIEW in language.review
    assert language.review != REVIEW


def test_numbers_are_written_as_the_locale_writes_them() -> None:
    """As Babel does: a comma in French Canada, a point in Spanish of the United States."""
    for code, locale in LOCALES.items():
        said = load_language(code)("dig to {depth}", depth="2.67 m")
        assert format_decimal(2.67, locale=locale) in said
        feet = load_language(code)("dig to {depth}", depth="8' 9 1/2\"")
        assert "8' 9 1/2\"" in feet


@pytest.mark.parametrize("code", ["en", *OTHERS])
def test_nothing_of_the_field_sheet_runs_into_its_foot(tmp_path: Path, code: str) -> None:
    """As the reader of PDF finds the lines: only the caution stands in the lower margin."""
    CliRunner().invoke(command, [str(tmp_path / "site"), "--sheet", "--language", code])
    page = PdfReader(tmp_path / "site" / "field-sheet.pdf").pages[0]
    low: list[str] = []

    def look(text: str, _: object, place: list[float], *__: object) -> None:
        if text.strip() and place[5] < sheet.MARGIN + 2:
            low.append(text)

    page.extract_text(visitor_text=look)
    language = load_language(code)
    caution = " ".join(filter(None, (language(sheet.FOOT), language.review)))
    assert " ".join(" ".join(low).split()) == " ".join(caution.split())


@pytest.mark.parametrize("code", OTHERS)
def test_the_field_sheet_is_in_the_language(tmp_path: Path, code: str) -> None:
    """Both sides, by ``start --language``; what cannot be read by the font would be missing."""
    done = CliRunner().invoke(command, [str(tmp_path / "site"), "--sheet", "--language", code])
    assert done.exit_code == 0
    pages = PdfReader(tmp_path / "site" / "field-sheet.pdf").pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    language = load_language(code)
    for english in (sheet.TITLE, sheet.FIRST_HEAD, sheet.BACK[2][0], *sheet.CHECKLIST[1:]):
        assert " ".join(language(english).replace("\u00a0", " ").split()) in text
    assert language(REVIEW) in text
