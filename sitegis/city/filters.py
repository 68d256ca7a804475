"""Which rows of a layer are read, by filters of CITY.toml; usual words of flow and basements."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from .columns import count_words, words
from .layer_arrays import Flags, Words
from .schema import LayerTable, SewerTable

# Usual words and abbreviations of sewer layers; common practice, no source.
SANITARY = frozenset(
    (
        "sanitary san ss s sewer sanitarysewer wastewater ww foul gravity gm sgm combined comb cs "
        "cso cb c"
    ).split()
)
OTHER_SYSTEM = frozenset(
    (
        "storm st stm sd sw stormwater stormdrain drainage fm forcemain force sfm pressure "
        "pressurized rising risingmain water w reclaimed private lateral"
    ).split()
)
ACTIVE = frozenset(
    "active act a inservice existing exist ex installed live current operational inuse".split()
)
NOT_ACTIVE = frozenset(
    (
        "abandoned aband abnd abn ab removed rem retired ret inactive proposed prop future plugged "
        "outofservice oos decommissioned demolished design planned"
    ).split()
)
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


def filter_columns(table: LayerTable) -> list[str]:
    """Return the columns that decide which rows of a layer are read."""
    known = [table.system, table.status] if isinstance(table, SewerTable) else []
    named = [*table.where, *table.leave_out, *(name for name in known if name is not None)]
    return list(dict.fromkeys(named))


def kept_rows(
    values: Mapping[str, Words], count: int, table: LayerTable, key: str
) -> tuple[Flags, list[Notice]]:
    """Return which rows (n,) of a layer are read, and say what is not, with counts by value.

    Parameters
    ----------
    values
        Texts (n,) of the layer's :func:`filter_columns`.
    count
        How many rows the layer has.
    table
        The layer's table of ``CITY.toml``.
    key
        Dotted key of ``CITY.toml``.

    Returns
    -------
    kept
        Mask (n,).
    notices
        What is left out.
    """
    kept = np.ones(count, bool)
    rows: list[str] = []
    unknown: list[str] = []

    def drop(column: str, out: Callable[[str], bool]) -> None:
        there = values[column]
        # what another column dropped already is not counted once more
        gone = np.array([out(value) for value in there], bool) & kept
        kept[gone] = False
        if gone.any():
            rows.append(f"{column} {_counted(there[gone].tolist())}")

    for column, wanted in table.where.items():
        names = {_plain(str(value)) for value in wanted}
        drop(column, lambda value, names=names: _plain(value) not in names)  # type: ignore[misc]
    for column, unwanted in table.leave_out.items():
        names = {_plain(str(value)) for value in unwanted}
        drop(column, lambda value, names=names: _plain(value) in names)  # type: ignore[misc]
    if isinstance(table, SewerTable):
        for name, good, bad in (
            (table.system, SANITARY, OTHER_SYSTEM),
            (table.status, ACTIVE, NOT_ACTIVE),
        ):
            # who writes a filter of his own is taken at his word
            if name is None or name in table.where:
                continue
            drop(name, lambda value, bad=bad: _is_any(value, bad))  # type: ignore[misc]
            left = values[name][kept]
            odd = [v for v in left.tolist() if v and not _is_any(v, good)]
            if odd:
                unknown.append(f"{name} {_counted(odd)}")
    notices = []
    if rows:
        out, shown = int((~kept).sum()), "; ".join(rows)
        notices.append(notice_of("rows-left-out", key, key=key, out=out, of=len(kept), rows=shown))
    if unknown:
        notices.append(notice_of("values-not-known", key, key=key, words="; ".join(unknown)))
    return kept, notices


def known_share(values: Words, what: str) -> float:
    """Return the share of filled values that are usual words for a ``system`` or ``status``.

    Parameters
    ----------
    values
        Filled values.
    what
        ``system`` or ``status``.

    Returns
    -------
    float
        Share in [0, 1].
    """
    known = SANITARY | OTHER_SYSTEM if what == "system" else ACTIVE | NOT_ACTIVE
    filled = [value for value in values.tolist() if value]
    return sum(_is_any(value, known) for value in filled) / max(len(filled), 1)


def _plain(value: str) -> str:
    return re.sub(r"[\W_]+", "", value.casefold())


def _is_any(value: str, known: frozenset[str]) -> bool:
    """Return whether a value, or a longer word in it, is one of the known words."""
    if _plain(value) in known:
        return True
    # words of four letters and more: short codes mean something only by themselves
    parts = re.findall(r"[a-z]{4,}", value.casefold())
    return any(part in known for part in parts)


def _counted(values: list[str]) -> str:
    """Count values, most frequent first."""
    counts = sorted(Counter(v or "(empty)" for v in values).items(), key=lambda i: (-i[1], i[0]))
    text = ", ".join(f"{value} {count}" for value, count in counts[:SHOWN])
    return f"{text}, …" if len(counts) > SHOWN else text


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
    if _plain(word) in WITH:
        return "1"
    if _plain(word) in WITHOUT:
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
