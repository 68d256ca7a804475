"""The words of dig card, cautions and field sheet in the language of the crew.

A phrase is looked up by its English text, as in gettext; the catalogs are ``.po`` files, read by
Babel. English needs no catalog and no library.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import field
from importlib import resources

from ..late_dataclass import dataclass

__all__ = ["ENGLISH", "LANGUAGES", "Language", "load_language"]

LOCALES = {"en": "en_US", "es": "es_US", "fr": "fr_CA"}
"""The languages that there are, and whose numbers they write: Spanish in the United States, French
in Canada."""
LANGUAGES = tuple(LOCALES)
_DECIMAL = re.compile(r"(?<![\d.])(\d+)\.(\d+)(?= (?:m|mm|ft|in|%|m³)\b|:1)")
REVIEW = "Translation not yet reviewed by a qualified translator."


@dataclass(frozen=True, slots=True)
class Language:
    """A language: ``code``, the ``phrases`` it has for English ones, its ``decimal`` sign."""

    code: str = "en"
    phrases: Mapping[str, str] = field(default_factory=dict)
    decimal: str = "."

    def __call__(self, english: str, **values: object) -> str:
        """Return a phrase with its values filled in; a text without values is left as it is.

        Numbers with a unit get the language's decimal sign; no line breaks before a percent sign.

        >>> Language()("Pit {rank}", rank=1)
        'Pit 1'
        """
        phrase = self.phrases.get(english, english)
        filled = phrase.format(**values) if values else phrase
        if self.decimal != "." and values:
            filled = _DECIMAL.sub(rf"\1{self.decimal}\2", filled)
        return filled.replace(" %", "\N{NO-BREAK SPACE}%")

    @property
    def review(self) -> str:
        """What stands beside a translation, in both languages; empty in English."""
        return "" if self.code == "en" else f"{self(REVIEW)} ({REVIEW})"


ENGLISH = Language()


def load_language(code: str) -> Language:
    """Return a language by its code; ``KeyError`` where there is none."""
    locale = LOCALES[code]
    if code == "en":
        return ENGLISH
    from babel.messages.pofile import read_po  # noqa: PLC0415 - only for another language
    from babel.numbers import get_decimal_symbol  # noqa: PLC0415

    with resources.files("sitegis.language").joinpath(f"{code}.po").open("rb") as file:
        catalog = read_po(file, locale)
    phrases = {str(one.id): str(one.string) for one in catalog if one.id and one.string}
    return Language(code, phrases, get_decimal_symbol(locale))
