"""The sheets of ``fieldbook.xlsx``: what is written blank and read again, from one description."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib import resources
from typing import Any, Literal

from ...late_dataclass import dataclass
from ...model.fields import CellKind, cell_of, inputs_of, tables_in
from ...model.site import Locate
from ..evidence_form import evidence_columns
from ..schema import SiteFile

Join = Literal["form", "rows", "pairs", "points", "parent", "table"]
Path = tuple[str | int, ...]
KEY, VALUE, HINT = "key", "value", "what it is"
# Rows that only explain: their first cell begins so.
EXAMPLE, HINTS = "example", "hint:"
_WORDS = (
    ("the comments of a blank site.toml ('sitegis start') say how", "its hint says how"),
    ("the template says about this key", "its hint says"),
    ("site.toml", "fieldbook.xlsx"),
    ("locates.csv", "sheet locates"),
    ("ties.csv", "sheet ties"),
    ("findings.csv", "sheet findings"),
)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table, or one key of a form.

    ``path`` tells where its value goes in the table; ``examples`` are for feet and for meters;
    ``free`` lets other words than the choices stand; ``source`` names the sheet whose first
    column it refers to. A column with a ``section`` is a heading within a form.
    """

    name: str
    path: Path
    kind: CellKind
    hint: str
    examples: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    free: bool = False
    source: str | None = None
    section: str | None = None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet; ``table`` is the dotted key in ``site.toml`` that its rows fill."""

    name: str
    title: str
    join: Join
    table: str
    columns: tuple[Column, ...]


@cache  # the same for every book: an eighth of the time that a small one takes to read
def load_sheets() -> tuple[Sheet, ...]:
    """Read the description of the sheets that the package carries."""
    return tuple(_sheet(table) for table in _description()["sheet"])


def load_how_to() -> tuple[str, ...]:
    """Read the lines of the sheet that tells how to use the book; blocks begin with a heading."""
    return tuple(str(_description()["how_to"]).splitlines())


def _description() -> dict[str, Any]:
    text = resources.files("sitegis.read").joinpath("template/fieldbook.toml").read_text("utf-8")
    return tomllib.loads(text)


def _sheet(table: dict[str, Any]) -> Sheet:
    inside = table["name"] if table.get("join") == "table" else table.get("table", "")
    where = tuple(part for part in inside.split(".") if part)
    rows = table.get("form") or table.get("columns") or evidence_columns()
    columns = tuple(_column(row, where) for row in rows)
    return Sheet(
        table["name"], table["title"], table.get("join", "form"), table.get("table", ""), columns
    )


def _column(row: dict[str, Any], where: Path) -> Column:
    """Make a column; what its cells hold is the schema's, unless the description says it."""
    if "section" in row:
        return Column("", (), "text", "", section=row["section"])
    path = tuple(row.get("path", row["name"].split(".")))
    root: object = Locate if where == ("locates",) else SiteFile
    kind, choices, is_free = cell_of(_annotation(root, path if root is Locate else (*where, *path)))
    return Column(
        name=row["name"],
        path=path,
        kind=row.get("kind", kind),
        hint=row["hint"],
        examples=tuple(row.get("example", ())),
        choices=tuple(row.get("choices", choices)),
        free=is_free,
        source=row.get("from"),
    )


def _annotation(here: object, path: Path) -> object:
    """Find the annotation of a key within a model or record; str where there is none."""
    for part in path:
        inside = [inputs_of(table) for table in tables_in(here)]
        here = next((keys[str(part)] for keys in inside if part in keys), str)
    return here


def is_explanation(first: object) -> bool:
    """Return whether a row only explains, by its first cell.

    >>> is_explanation("Example L1"), is_explanation("L1")
    (True, False)
    """
    return isinstance(first, str) and first.strip().lower().startswith((EXAMPLE, HINTS))


def in_book_words(text: str, sheets: tuple[Sheet, ...]) -> str:
    """Name sheets where a sentence about the text files names tables and files.

    Parameters
    ----------
    text
        The sentence.
    sheets
        Sheets of the workbook.

    Returns
    -------
    str
        The sentence for the workbook.
    """
    by_table = {sheet.table: sheet.name for sheet in sheets if sheet.join != "form"}
    for written, word in _WORDS:
        text = text.replace(written, word)
    return re.sub(
        r"\[\[(\w+)\]\]", lambda found: f"row in sheet {by_table.get(found[1], found[1])}", text
    )
