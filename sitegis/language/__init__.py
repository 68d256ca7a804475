"""The words of dig card, cautions and field sheet in the language of the crew."""

from .catalog import ENGLISH, LANGUAGES, Language, load_language

__all__ = ["ENGLISH", "LANGUAGES", "Language", "load_language"]
