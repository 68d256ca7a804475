"""The parts of a workbook counted as they stream by, before anything of them is held in memory.

A cell takes three bytes in an archive that packs a thousand to one, and a thousand bytes once it
is an object: what an archive's directory says of sizes bounds neither memory nor time.
"""

from __future__ import annotations

import zipfile
from collections import Counter
from xml.parsers import expat

# All judgment, no source: several times what a full field book holds (20 000 rows of 20 cells).
MOST_CELLS, MOST_TEXTS, MOST_OTHER = 400_000, 300_000, 150_000
# an empty row costs little, and a format may go down to a sheet's last (1 048 576, ECMA-376)
MOST_ROWS = 1_100_000
# Elements that come once or twice a cell, row or text; all others are "other".
_MOST_OF = {
    "c": MOST_CELLS, "v": MOST_CELLS, "f": MOST_CELLS, "is": MOST_CELLS, "row": MOST_ROWS,
    "si": MOST_TEXTS, "t": MOST_CELLS + MOST_TEXTS,
}  # fmt: skip
_WORDS = {"c": "cells", "row": "rows", "si": "texts"}


class TooManyError(ValueError):
    """More elements of a kind than are read; the text names the kind."""


class DoctypeError(ValueError):
    """A document type was declared."""


def count_elements(archive: zipfile.ZipFile, part: zipfile.ZipInfo, counts: Counter[str]) -> bool:
    """Add a part's elements to ``counts``; tells whether it is XML at all.

    Any part may be named as XML by the archive's table of contents, so each is tried; one that
    is no XML ends at once. Raises ``TooManyError`` or ``DoctypeError`` as soon as it is seen:
    without a document type no entity can be defined, so none can expand.

    Parameters
    ----------
    archive
        The workbook.
    part
        One of its parts.
    counts
        Elements counted so far, changed in place.

    Returns
    -------
    bool
        Whether it is XML.

    Raises
    ------
    TooManyError
        An element occurs too often.
    DoctypeError
        The part has a document type.
    """
    before = counts.total()

    def met_doctype(*_: object) -> None:
        raise DoctypeError

    def met_element(name: str, _: object) -> None:
        name = name.rpartition(":")[2]
        kind = name if name in _MOST_OF else ""
        counts[kind] += 1
        most = _MOST_OF.get(kind, MOST_OTHER)
        if counts[kind] > most:
            raise TooManyError(f"more than {most} {_WORDS.get(kind, 'elements')}")

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = met_doctype
    parser.StartElementHandler = met_element
    with archive.open(part) as content:
        try:
            while chunk := content.read(65536):
                parser.Parse(chunk, False)
        except expat.ExpatError:
            # no XML, or damaged: openpyxl tells of it where it needs the part
            return counts.total() > before
    return True
