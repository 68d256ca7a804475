"""Writes the table of messages: the catalog, and the few that the source says in its own words.

Run: python -m tests.hardness.messages        writes sitegis/messages/MESSAGES.md
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Literal

from sitegis.messages.catalog import catalog, code_of
from tests.sources import tree_of

PACKAGE = Path(__file__).parents[2] / "sitegis"
TABLE = PACKAGE / "messages" / "MESSAGES.md"
# Calls that say what is no message of the catalog: the kind, and where code, reason, remedy stand.
SAID_IN_SOURCE = {"Failure": ("lot left out", 2, 3), "PydanticCustomError": ("fault", 0, 1)}
# Codes that a table in the source chooses: where, and what they say.
CHOSEN = (("no-building", "lot left out"),)
# What the source puts together at run time, in words.
SAID = {
    "bearing-unreadable": ("This is not a bearing.", "Write it like N 45°30'15\" E or 45.504."),
    "bearing-magnetic": ("", "Write the grid bearing."),
    "book-broken": ("This is no readable workbook, or another kind of file under its name.",
                    "Open it in the spreadsheet and save it again as .xlsx, without a password."),
    "call-unfit": ("This call of the lot lacks a part, or its parts contradict each other.", ""),
    "cluster-lost": ("The cluster's scheduler or all its workers are out of reach.", ""),
    "crs-unfit": ("The CRS distorts lengths here by more than a site can bear.", ""),
    "crs-unit": ("The grid counts in US survey feet, or in other feet than the tape's.", ""),
    "depth-absurd": ("A depth here should lie between 2 in (5 cm) and … ft.",
                     "Write the unit that is meant, or correct depth_units."),
    "encoding": ("", "Save it as UTF-8 (spreadsheet: Save as › CSV UTF-8)."),
    "length-unreadable": ("This is not a length, or can be read in two ways.", ""),
    "lift-absurd": ("", "Write the unit that is meant, or correct depth_units."),
    "name-unfit": ("", "Take another name."),
    "name-unknown": ("A tie or row names a point, room or corner that is not there.",
                     "Take one of the names it lists."),
    "point-not-tied": ("Nothing holds the place of ….", "Measure … more distances: from … to …."),
    "room-not-tied": ("Nothing says where this room lies in the building.", ""),
    "prior-unusable": ("There is no such prior, or its weight is below 0.",
                       "Give one of front, rear, alley, side, side_yard, unlisted a number."),
    "schema-unfit": ("This name of a schema cannot be used.", ""),
    "soil-type-refused": ("Soil dug before is never type A: the trench is planned on type C.", ""),
    "spacing-absurd": ("", "Write the unit that is meant, or correct depth_units."),
    "toml-syntax": ("The notation is broken, or a field or table is written twice.",
                    "Check quotes, brackets and '=' there: a length with its unit stands in "
                    "quotation marks (\"12 ft\"); inside a \"…\" text write in for inches "
                    "(\"12' 4in\") or \\\" for the inch mark."),
    "value-out-of-range": ("It should be greater or less than the bound named.", ""),
    "value-wrong": ("It should be of another kind (a number, a text, a list).",
                    "Write what it names; check what the template says about this key."),
    "value-unfit": ("It should be of another kind or within the bound named.",
                    "Take it out or correct it."),
    "key-unknown": ("This key is not known here.", "Take one of the names it lists."),
    "id-missing": ("", "Give the parcel an id in the layer."),
    "no-shape": ("", "Correct the parcel's polygon in the layer."),
    "right-of-way": ("", "Nothing, if the parcel is a street; else look at the layers."),
    "no-building": ("No building stands on the parcel.", "Nothing, if the parcel is empty."),
}  # fmt: skip
HEAD = """\
# Messages

Every fault and notice that sitegis can give, by its code. A fault ends a run with code 2 and
nothing written; a notice stands in the answer (a `!` before it on the terminal, and exit code 1,
where a person must look). "…" stands for what the message names: a point, a length, a file.

Written by `python -m tests.hardness.messages` from `messages.toml`; a test holds it complete.

| code | | what it says | what to do |
|---|---|---|---|
"""


@dataclass(frozen=True, slots=True)
class Message:
    """One place in the source that gives a message."""

    code: str
    kind: str
    reason: str
    remedy: str


def words(value: ast.expr) -> str:
    """Return the words of an expression, with … for what is filled in."""
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return value.value
    if isinstance(value, ast.JoinedStr):
        return "".join(words(part) for part in value.values)
    return "…"


@cache
def collect(package: Path = PACKAGE) -> tuple[Message, ...]:
    """Return every message that the source says in its own words."""
    return tuple(
        Message(words(node.args[code]), kind, words(node.args[reason]), "")
        for path in sorted(package.rglob("*.py"))
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        for kind, code, reason in [SAID_IN_SOURCE.get(node.func.id, ("", 0, 0))]
        if kind
    )


def named(kind: Literal["fault", "notice"]) -> Iterator[Message]:
    """Yield the messages of the catalog, with … for values."""
    for name, message in catalog(kind).items():
        yield Message(code_of(name), kind, _shown(message.says), _shown(message.remedy))


def _shown(template: str) -> str:
    """Show a template; names that are known are told as such."""
    if template == "{known}":
        return "take one of the names it lists."
    return "".join(
        text + ("" if value is None else "…") for text, value, _, _ in Formatter().parse(template)
    )


def table(messages: Iterable[Message]) -> str:
    """Write the table: one row a code and kind, the fullest words of its places."""
    messages = [*named("fault"), *named("notice"), *messages]
    best: dict[tuple[str, str], Message] = {}
    chosen = [Message(*pair, "…", "…") for pair in CHOSEN]
    for message in [*messages, *chosen]:
        key = (message.code, message.kind)
        if key not in best or _fullness(message) > _fullness(best[key]):
            best[key] = message
    rows = [
        f"| `{m.code}` | {m.kind} | {_cell(m.reason, m.code, 0)} | {_cell(m.remedy, m.code, 1)} |"
        for _, m in sorted(best.items())
    ]
    return HEAD + "\n".join(rows) + "\n"


def _fullness(message: Message) -> int:
    return sum(len(text.replace("…", "")) for text in (message.reason, message.remedy))


def _cell(text: str, code: str, column: int) -> str:
    said = SAID.get(code, ("", ""))[column] or text
    plain = " ".join(said.split()).replace("|", "\\|").replace("<", "&lt;")
    return plain[:1].upper() + plain[1:] if plain.strip("….: ") else "(in the message)"


if __name__ == "__main__":
    TABLE.write_text(table(collect()), "utf-8")
