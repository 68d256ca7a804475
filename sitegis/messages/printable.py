"""Text that a terminal, a page or a drawing shows as what it is.

A name may hold signs that are no letters: an escape sequence that writes into the clipboard or
hides a line, an override that turns the reading direction so that one name looks like another.
Texts of a site are refused for them; whatever else is printed shows them as escapes.
"""

from __future__ import annotations

import re

# C0 but tab and line ends, DEL, C1, line separators, direction embeddings, overrides and
# isolates (Unicode UAX 9), halves of surrogate pairs (bytes of a file name that are no UTF-8).
_ODD = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def odd_character(text: str) -> str:
    """Name the first character that is no text, empty where there is none.

    >>> odd_character("plan\u202eexe")
    'U+202E'
    """
    found = _ODD.search(text)
    return f"U+{ord(found[0]):04X}" if found else ""


def printable(text: str) -> str:
    r"""Show characters that are no text as escapes; tabs and line ends stay.

    >>> printable("main\x1b]0;owned\x07")
    'main\\u001b]0;owned\\u0007'
    """
    return _ODD.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
