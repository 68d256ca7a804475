"""Names of the release before this one: still read, with a notice that gives the new one."""

from __future__ import annotations

from collections.abc import Mapping

from .faults import Report
from .site_toml import Raw

# Words that a key of the items of a table may still take, by table and key.
OLD_WORDS: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("evidence", "kind"): {"neighbours": "neighbors"},
}


def rename_old(raw: Raw, report: Report) -> None:
    """Put today's names where a raw site has those of the release before, each with a notice."""
    for (table, key), words in OLD_WORDS.items():
        items = raw.get(table)
        for number, item in enumerate(items if isinstance(items, list) else (), start=1):
            old = item.get(key) if isinstance(item, dict) else None
            if isinstance(old, str) and old in words:
                item[key] = words[old]
                report.note("old-name", f"{table}[{number}].{key}", old=old, new=words[old])
