"""Which houses have a basement, by what assessors and permits write."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from .columns import count_words, words

# What is written of basements; common practice, no source. Numbers are areas, or 1 and 0.
WITH = frozenset(
    (
        "y yes t true x full fullbasement partial part p b bsmt basement basements finished fin "
        "unfinished unfin f daylight walkout walkoutbasement cellar"
    ).split()
)
WITHOUT = frozenset(
    (
        "n no none false slab slabongrade crawl crawlspace pier piers post nobasement without "
        "nobsmt"
    ).split()
)
SHOWN = 6


def basement_words(frame: Any, column: str | None) -> tuple[NDArray[np.str_], Counter[str]]:
    """Return "1", "0" or "" for each row (n,), and how often each word is there that is not known.

    Parameters
    ----------
    frame
        The layer, or some of its rows, as a GeoDataFrame.
    column
        Name of the column, None where none is named.

    Returns
    -------
    codes
        Basement, none, or not known (n,).
    unknown
        Counts of other words.
    """
    if column is None:
        return np.full(len(frame), "", "<U1"), Counter()
    written = words(frame, column)
    codes = {word: _code(word) for word in np.unique(written).tolist()}
    unknown = [word for word in written.tolist() if word and codes[word] is None]
    return np.array([codes[word] or "" for word in written.tolist()], "<U1"), Counter(unknown)


def _code(word: str) -> str | None:
    plain = re.sub(r"[\W_]+", "", word.casefold())
    if plain in WITH:
        return "1"
    if plain in WITHOUT:
        return "0"
    try:
        return "1" if float(word) > 0.0 else "0"
    except ValueError:
        return None


def basement_codes(texts: NDArray[np.str_]) -> Array:
    """Return codes of texts (n,) as numbers: 1, 0, and nan where not known."""
    return np.where(texts == "1", 1.0, np.where(texts == "0", 0.0, np.nan))


def unknown_basements(unknown: Counter[str], key: str) -> list[Notice]:
    """Say which words were not known.

    Parameters
    ----------
    unknown
        Counts of the words.
    key
        Dotted key of ``CITY.toml``.

    Returns
    -------
    list[Notice]
        One, or none.
    """
    if not unknown:
        return []
    return [notice_of("basements-not-known", key, key=key, shown=count_words(unknown, SHOWN))]
