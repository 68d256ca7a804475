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
from sitegis.language import LANGUAGES, load_language
from sitegis.language.catalog import LOCALES, REVIEW
from sitegis.rules.rule_set import load_rules, rule_set_names
from sitegis.write.page.dig_card import POINTS_OF_THE_COMPASS, dig_card
from sitegis.write.page.reweigh_data import SAID

from .computed import NAMES, computed

sheet = import_module("sitegis.read.field_sheet")
OTHERS = tuple(code for code in LANGUAGES if code != "en")
CORNERS = ("front-left", "front-right", "rear-right", "rear-left")
KINDS_NEAR = ("gas", "water", "electric", "telecom", "tree", "storm", "sewer")


def all_phrases() -> set[str]:
    """Return every English phrase of card, cautions and field sheet."""
    phrases = {REVIEW, *SAID, *POINTS_OF_THE_COMPASS, *KINDS_NEAR}
    phrases |= {f"the {corner} {kind} corner" for corner in CORNERS for kind in ("building", "lot")}
    phrases |= {f"around the {side} of the house" for side in ("front", "right", "rear", "left")}
    for name in rule_set_names():
        rules = load_rules(name)
        phrases |= {rules.call_first, *rules.cautions}
        phrases |= {row.words for row in rules.pit_statements}
    card = resources.files("sitegis.write.page").joinpath("dig_card.py").read_bytes()
    phrases |= {
        words for _, words, *_ in extract("python", io.BytesIO(card), keywords={"say": None})
        if isinstance(words, str) and words
    }  # fmt: skip
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
