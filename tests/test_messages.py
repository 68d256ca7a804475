"""The table of messages is complete: every code of the source stands in it, and no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from string import Formatter
from typing import Literal

import pytest

from sitegis.messages.catalog import catalog, message_of
from tests.hardness.messages import CHOSEN, PACKAGE, TABLE, collect, named, table
from tests.sources import tree_of

ROW = re.compile(r"^\| `([a-z0-9-]+)` \| (fault|notice|lot left out) \| (.+?) \| (.+?) \|$", re.M)
AGAIN = "write it again: python -m tests.hardness.messages"


def rows() -> list[tuple[str, str, str, str]]:
    """Read the table's rows: code, kind, what it says, what to do."""
    return ROW.findall(TABLE.read_text("utf-8"))


def test_every_code_of_the_source_is_in_the_table_and_no_other() -> None:
    """The literal codes of the source, by its syntax tree, are the table's codes."""
    messages = (*collect(), *named("fault"), *named("notice"))
    source = {(m.code, m.kind) for m in messages} | set(CHOSEN)
    table = {(code, kind) for code, kind, _, _ in rows()}
    assert len(source) > 100
    assert source == table, AGAIN


def test_no_message_is_made_beside_the_catalog() -> None:
    """Faults and notices come from the catalog, but for those a process of its own sends back."""
    made = [
        path.name
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Fault", "Notice")
    ]
    assert sorted(made) == ["apart.py", "catalog.py", "catalog.py"]
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", one.code) for one in collect())


def test_each_message_says_what_and_each_fault_what_to_do() -> None:
    """No cell is empty; a fault names its cause and its remedy."""
    for code, kind, reason, remedy in rows():
        assert reason != "(in the message)", code
        assert kind != "fault" or remedy != "(in the message)", code


def test_the_table_is_written_from_the_catalog() -> None:
    """The words of the table are those of the catalog and, where still there, of the source."""
    assert TABLE.read_text("utf-8") == table(collect()), AGAIN


@pytest.mark.parametrize("kind", ["fault", "notice"])
def test_one_message_is_that_of_the_whole_catalog(kind: Literal["fault", "notice"]) -> None:
    """Read alone it is what the standard library reads from the whole file."""
    whole = catalog(kind)
    assert {name: message_of(kind, name) for name in whole} == whole
    with pytest.raises(KeyError):
        message_of(kind, "no-such-message")


def values_of(name: str, kind: str) -> set[str]:
    """Return the values that a message of the catalog asks for."""
    message = catalog("fault" if kind == "fault" else "notice")[name]
    return {
        value
        for text in (message.says, message.remedy)
        for _, value, _, _ in Formatter().parse(text)
        if value is not None
    }


@cache
def given() -> tuple[tuple[str, str, str, set[str]], ...]:
    """Return each call in the source that names a message, read once for all tests here."""
    return tuple(_given())


def _given() -> Iterator[tuple[str, str, str, set[str]]]:
    """Yield each call in the source that names a message: place, kind, name, values given."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(tree_of(path)):
            if not isinstance(node, ast.Call) or any(k.arg is None for k in node.keywords):
                continue
            called = node.func
            function = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
            kind = "notice" if function in ("notice_of", "note") else "fault"
            if function not in SAYING:
                continue
            known = catalog("notice" if kind == "notice" else "fault")
            names = {
                c.value
                for a in node.args
                for c in ast.walk(a)
                if isinstance(c, ast.Constant) and c.value in known
            }
            values = {k.arg for k in node.keywords if k.arg} - {"needs_person"}
            for name in names:
                yield f"{path.name}:{node.lineno}", kind, str(name), values


SAYING = {"fault_of", "notice_of", "note", "fault", "fault_at", "_row_fault", "_whole",
          "unusable", "_lost"}  # fmt: skip
# Names that the source puts together: by the kind of value or of slip.
COMPOSED = re.compile(r"value-wrong:|toml-syntax:|main-unknown$|.*:key$")


@pytest.mark.parametrize("kind", ["fault", "notice"])
def test_every_message_gets_its_values(kind: str) -> None:
    """What a message asks for is given wherever it is said, and nothing that none of them asks."""
    calls = [call for call in given() if call[1] == kind]
    assert len(calls) > 40
    lacking = [(at, name) for at, _, name, values in calls if not values_of(name, kind) <= values]
    assert lacking == []
    wanted: dict[str, set[str]] = {}
    for at, _, name, _ in calls:
        wanted.setdefault(at, set()).update(values_of(name, kind))
    assert [(at, name) for at, _, name, values in calls if not values <= wanted[at]] == []


def test_no_message_is_left_that_nobody_says() -> None:
    """Every name of the catalog stands in the source."""
    said = {
        node.value
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Constant)
    }
    names = {*catalog("fault"), *catalog("notice")}
    assert [n for n in sorted(names - said) if not COMPOSED.match(n)] == []
