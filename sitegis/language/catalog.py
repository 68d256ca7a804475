"""Phrases of the dig card, the cautions and the field sheet, by language.

A phrase is looked up by its English text, as in gettext. English needs no catalog.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

LANGUAGES = ("en",)


@dataclass(frozen=True, slots=True)
class Language:
    """A language: its ``code`` and the ``phrases`` that it has for English ones."""

    code: str = "en"
    phrases: Mapping[str, str] = field(default_factory=dict)

    def __call__(self, english: str, **values: object) -> str:
        """Return a phrase with its values filled in; a text without values is left as it is.

        No line breaks before a percent sign.

        >>> Language()("Pit {rank}", rank=1)
        'Pit 1'
        """
        phrase = self.phrases.get(english, english)
        filled = phrase.format(**values) if values else phrase
        return filled.replace(" %", "\N{NO-BREAK SPACE}%")


def load_language(code: str) -> Language:
    """Return a language by its code; ``KeyError`` where there is none."""
    if code not in LANGUAGES:
        raise KeyError(code)
    return Language(code)
