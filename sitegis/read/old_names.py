"""Names of the release before this one: still read, with a notice that gives the new one."""

from __future__ import annotations

from collections.abc import Mapping

from .faults import Report

Raw = dict[str, object]

# Words that a key may still take, by table and key.
OLD_WORDS: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("evidence", "kind"): {"neighbours": "neighbors"},
    ("fixture", "kind"): {"toilet": "water-closet", "basin": "lavatory"},
}
# Keys by table, and the columns of ``locates.csv``.
OLD_KEYS: Mapping[str, Mapping[str, str]] = {
    "evidence": {"count": "footage"},
    "noise": {"cable_count_share": "footage_share", "cable_count_floor": "footage_floor"},
    "locates": {"cable_count": "footage"},
}


def rename_old(raw: Raw, report: Report) -> None:
    """Put today's names where a raw site has those of the release before, each with a notice.

    Parameters
    ----------
    raw
        The parsed file, changed in place.
    report
        Where faults and notices are gathered.
    """
    for table, items in raw.items():
        listed = items if isinstance(items, list) else [items]
        for number, item in enumerate(listed, start=1):
            if isinstance(item, dict):
                place = f"{table}[{number}]" if isinstance(items, list) else table
                _rename(table, item, place, report)


def _rename(table: str, item: Raw, place: str, report: Report) -> None:
    """Rename the keys and words of one table, the keys in their places."""
    keys = OLD_KEYS.get(table, {})
    for old in [key for key in item if keys.get(key, key) not in item]:
        new, value = keys[old], item.pop(old)
        item[new] = value
        report.renamed(f"{place}.{old}", f"{place}.{new}")
        report.note("old-name", f"{place}.{old}", old=old, new=new)
    for key, word in item.items():
        words = OLD_WORDS.get((table, key), {})
        if isinstance(word, str) and word in words:
            item[key] = words[word]
            report.note("old-name", f"{place}.{key}", old=word, new=words[word])


def new_headings(table: str, names: list[str], report: Report, file: str) -> list[str]:
    """Return the headings of a table, lower case, with today's names for those before.

    Parameters
    ----------
    table
        Name of the table.
    names
        Headings as written.
    report
        Where faults and notices are gathered.
    file
        Name of the file.

    Returns
    -------
    list[str]
        The headings.
    """
    renamed = {old: new for old, new in OLD_KEYS.get(table, {}).items() if new not in names}
    for old in sorted(renamed.keys() & set(names)):
        report.note("old-name", file, old=old, new=renamed[old])
    return [renamed.get(name, name) for name in names]


def new_key(key: str, report: Report) -> str:
    """Return the dotted key of a form under today's name.

    Parameters
    ----------
    key
        Dotted key as written.
    report
        Where faults and notices are gathered.

    Returns
    -------
    str
        The dotted key.
    """
    table, _, name = key.partition(".")
    new = OLD_KEYS.get(table, {}).get(name)
    if new is None:
        return key
    report.note("old-name", key, old=name, new=new)
    return f"{table}.{new}"
