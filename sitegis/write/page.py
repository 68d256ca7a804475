"""``map.html``: one page that opens without a network."""

from __future__ import annotations

from html import escape

from .._survey import Survey
from .text import answer_sentences


def map_bytes(survey: Survey, *, base_map: bool = False) -> bytes:
    """Write the page."""
    del base_map
    words = "".join(f"<p>{escape(line)}</p>" for line in answer_sentences(survey))
    title = escape(survey.site.name)
    page = f"<!doctype html><html lang=en><title>{title}</title><body>{words}</body></html>\n"
    return page.encode()
