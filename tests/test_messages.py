"""The table of messages is complete: every code of the source stands in it, and no other."""

from __future__ import annotations

import re

from tests.hardness.messages import CHOSEN, TABLE, collect

ROW = re.compile(r"^\| `([a-z0-9-]+)` \| (fault|notice|lot left out) \| (.+?) \| (.+?) \|$", re.M)
AGAIN = "write it again: python -m tests.hardness.messages"


def rows() -> list[tuple[str, str, str, str]]:
    """Read the table's rows: code, kind, what it says, what to do."""
    return ROW.findall(TABLE.read_text("utf-8"))


def test_every_code_of_the_source_is_in_the_table_and_no_other() -> None:
    """The literal codes of the source, by its syntax tree, are the table's codes."""
    messages, _ = collect()
    source = {(m.code, m.kind) for m in messages}
    source |= {pair for pairs in CHOSEN.values() for pair in pairs}
    table = {(code, kind) for code, kind, _, _ in rows()}
    assert len(source) > 100
    assert source == table, AGAIN


def test_no_code_is_made_where_the_table_cannot_follow() -> None:
    """A code that is no literal is chosen at a place whose codes are listed by hand."""
    _, unclear = collect()
    assert set(unclear) <= set(CHOSEN)


def test_each_message_says_what_and_each_fault_what_to_do() -> None:
    """No cell is empty; a fault names its cause and its remedy."""
    for code, kind, reason, remedy in rows():
        assert reason != "(in the message)", code
        assert kind != "fault" or remedy != "(in the message)", code
