"""Writes the table of messages: the catalog, and what a city says as its source has it.

Run: python -m tests.hardness.messages        writes sitegis/messages/MESSAGES.md

A call of ``Fault`` or ``Notice`` names its code by a literal, or hands on a parameter of the
function around it; then that function's calls are followed in the same way.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Literal

from sitegis.messages.catalog import catalog, code_of

PACKAGE = Path(__file__).parents[2] / "sitegis"
TABLE = PACKAGE / "messages" / "MESSAGES.md"
Function = ast.FunctionDef | ast.AsyncFunctionDef
# Where the words stand in the calls that make a message: by position.
Place = int | tuple[int, int]
Takers = dict[tuple[Path | None, str, bool], "Taker"]
CODE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*$")
KINDS = {"Notice": "notice", "Failure": "lot left out"}
BASE: dict[str, dict[str, int]] = {
    "Fault": {"code": 0, "reason": 5, "remedy": 6},
    "Notice": {"code": 0, "reason": 1},
    "Unusable": {"code": 0, "reason": 2, "remedy": 3},
    "Failure": {"code": 2, "reason": 3},
    "PydanticCustomError": {"code": 0, "reason": 1},
}
# Codes that a table in the source chooses: where, and what they say.
CHOSEN: dict[str, tuple[tuple[str, str], ...]] = {
    "site_toml.py site": (),  # of pydantic's own errors: the codes raised in model/fields.py
    "read.py add": tuple((c, "fault") for c in ("key-missing", "key-unknown", "value-unfit")),
    "tables.py fault_at": (("main-unknown", "fault"),),
    "lots.py full": (("no-building", "lot left out"),),
}
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

Written by `python -m tests.hardness.messages` from `messages.toml`, and of a city from its
source; a test holds it complete.

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


@dataclass(frozen=True, slots=True)
class Call:
    """A call, the name called, and the functions around it from the inside out."""

    node: ast.Call
    name: str
    around: tuple[Function, ...]


def calls(tree: ast.AST, around: tuple[Function, ...] = ()) -> Iterator[Call]:
    """Yield all calls of a module with the functions around them."""
    for child in ast.iter_child_nodes(tree):
        inside = around
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            inside = (child, *around)
        if isinstance(child, ast.Call):
            called = child.func
            name = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
            yield Call(child, name, around)
        yield from calls(child, inside)


def parameters(function: Function) -> list[str]:
    """Name the parameters as a caller counts them."""
    names = [a.arg for a in (*function.args.posonlyargs, *function.args.args)]
    return names[1:] if names[:1] in (["self"], ["cls"]) else names


def argument(call: Call, place: Place, name: str) -> ast.expr | None:
    """Return an argument by place or name; of one that is taken apart, the part."""
    for keyword in call.node.keywords:
        if keyword.arg == name:
            return keyword.value
    given = call.node.args
    index, part = place if isinstance(place, tuple) else (place, None)
    for number, value in enumerate(given[: index + 1]):
        if isinstance(value, ast.Starred):
            return _part(value.value, index - number)
    if index >= len(given):
        return None
    return given[index] if part is None else _part(given[index], part)


def _part(value: ast.expr, number: int) -> ast.expr | None:
    """Return an item of a tuple, also of one that only a name stands for."""
    if isinstance(value, ast.Tuple):
        return value.elts[number] if number < len(value.elts) else None
    return ast.Subscript(value, ast.Constant(number), ast.Load())


def handed_on(value: ast.expr | None, call: Call) -> tuple[Function, Place] | None:
    """Return of which function around, and of which of its parameters, a value is handed on."""
    part = None
    if isinstance(value, ast.Subscript) and isinstance(value.slice, ast.Constant):
        value, part = value.value, int(str(value.slice.value))
    if isinstance(value, ast.Name):
        for function in call.around:
            if value.id in parameters(function):
                index = parameters(function).index(value.id)
                return function, index if part is None else (index, part)
    return None


def words(value: ast.expr | None) -> str:
    """Return the words of an expression, with … for what is filled in."""
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return value.value
    if isinstance(value, ast.JoinedStr):
        return "".join(words(part) for part in value.values)
    if isinstance(value, ast.BinOp) and isinstance(value.op, ast.Add):
        return words(value.left) + words(value.right)
    if isinstance(value, ast.IfExp):
        return words(value.body) or words(value.orelse)
    if isinstance(value, ast.Call) and getattr(value.func, "id", "") == "guess":
        return "take one of the names it lists."
    return "…"


def literals(value: ast.expr) -> list[str]:
    """Return the texts a code may be."""
    if isinstance(value, ast.IfExp):
        return literals(value.body) + literals(value.orelse)
    return [value.value] if isinstance(value, ast.Constant) and isinstance(value.value, str) else []


@dataclass(frozen=True, slots=True)
class Taker:
    """A function that makes a message of what it is given, and where in its call that stands."""

    kind: str
    roles: dict[str, Place]


def taker_key(path: Path, name: str, *, method: bool) -> tuple[Path | None, str, bool]:
    """Part functions of one name: by their module, or as methods."""
    return (None if method or name in BASE else path), name, method


def taker_of(takers: Takers, path: Path, call: Call) -> Taker | None:
    """Find what a call calls: in its module, as a method, or imported under its name."""
    method = isinstance(call.node.func, ast.Attribute)
    own = takers.get(taker_key(path, call.name, method=method))
    if own is not None or method:
        return own
    return next((t for (_, name, m), t in takers.items() if name == call.name and not m), None)


@cache
def collect(package: Path = PACKAGE) -> tuple[list[Message], list[str]]:
    """Return every message of the source, and the places whose code cannot be read off."""
    found = [
        (path, call)
        for path in sorted(package.rglob("*.py"))
        for call in calls(ast.parse(path.read_text("utf-8")))
    ]
    takers: Takers = {
        (None, name, False): Taker(KINDS.get(name, "fault"), dict(roles))
        for name, roles in BASE.items()
    }
    while True:
        known = len(takers)
        messages: list[Message] = []
        unclear: list[str] = []
        for path, call in found:
            taker = taker_of(takers, path, call)
            if taker is None:
                continue
            values = {r: argument(call, place, r) for r, place in taker.roles.items()}
            handed = {role: handed_on(value, call) for role, value in values.items()}
            wrapper, code = handed["code"], values["code"]
            if wrapper is not None:
                around = wrapper[0]
                places = {r: h[1] for r, h in handed.items() if h and h[0] is around}
                method = around.args.args[:1] and around.args.args[0].arg == "self"
                key = taker_key(path, around.name, method=bool(method))
                takers.setdefault(key, Taker(taker.kind, places))
            elif isinstance(code, ast.Constant | ast.IfExp):
                said = words(values.get("reason")), words(values.get("remedy"))
                messages += [Message(c, taker.kind, *said) for c in literals(code) if CODE.match(c)]
            elif isinstance(code, ast.Name | ast.JoinedStr | ast.BinOp) and values.get("reason"):
                unclear.append(f"{path.name} {call.name}")
        if len(takers) == known:
            return messages, unclear


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


def table(messages: list[Message]) -> str:
    """Write the table: one row a code and kind, the fullest words of its places."""
    messages = [*named("fault"), *named("notice"), *messages]
    best: dict[tuple[str, str], Message] = {}
    chosen = [Message(*pair, "…", "…") for pairs in CHOSEN.values() for pair in pairs]
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
    gathered, _ = collect()
    TABLE.write_text(table(gathered), "utf-8")
