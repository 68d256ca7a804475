"""``site.toml`` to a checked model; every fault under its dotted key and line."""

from __future__ import annotations

import copy
import difflib
import re
import tomllib
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from ..messages.catalog import fault_of
from ..messages.printable import odd_character, printable
from ..model.fields import inputs_of, tables_in
from ..model.lengths import UNIT_WORDS
from ..rules.rule_set import rule_set_names
from ..units import LengthUnit
from .faults import Report, guess, index_lines
from .file_names import SITE_FILE
from .schema import SiteFile
from .text_files import read_text

Raw = dict[str, object]
FILL_ME_IN = "FILL ME IN"
# The deepest key of a site.toml has 5 parts. A parser's time grows with the square of this.
MOST_DEEP = 20
# Judgment, no source: all lists of a site filled to their bounds. Each key that is not known is
# compared with those that are.
MOST_KEYS = 30_000
_DEEP_KEY = re.compile(r"""(?<![\w"'\-])(?:[\w"'\-]++[ \t]*+\.[ \t]*+){100}""")
# Kinds of values that pydantic may miss, each with its own words in the catalog.
_KINDS = ("string", "bool", "int", "float", "list", "tuple")
# Mistakes that the TOML parser finds, by the start of its message.
_TOML_MISTAKES = {
    "Cannot overwrite a value": "toml-syntax:field-twice",
    "Cannot declare": "toml-syntax:table-twice",
    "Unescaped '\\'": "toml-syntax:backslash",
    "Invalid hex value": "toml-syntax:backslash",
}


def load_toml(folder: Path, report: Report) -> tuple[Raw | None, Raw]:
    """Parse ``site.toml``; a mistake of the notation becomes a fault with its line.

    Gives the parsed file or None, and what the units are read from: where the notation is
    broken, the lines that look like units, so that the tables are not faulted for it.

    Parameters
    ----------
    folder
        The site folder.
    report
        Where faults and notices are gathered.

    Returns
    -------
    parsed
        None where the notation is broken.
    for_units
        What the units are read from.
    """
    text = read_text(folder / SITE_FILE, report, folder=folder)
    if text is None:
        return None, {}
    report.lines = index_lines(text)
    # looked for in the text first: the parser would take too long on it
    deep = _DEEP_KEY.search(text) is not None
    try:
        raw = {} if deep else tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # ValueError covers TOMLDecodeError and Python's limit for digits of a whole number
        found = re.search(r"at line (\d+)", str(error))
        row = int(found[1]) if found else None
        reason = str(error).splitlines()[0][:200]
        mistakes = (name for start, name in _TOML_MISTAKES.items() if reason.startswith(start))
        name = next(mistakes, "toml-syntax")
        report.add(fault_of(name, SITE_FILE, row, "file", said=reason))
        units = re.findall(r'(?m)^[ \t]*((?:depth_)?units)\s*=\s*"(\w+)"', text)
        return None, {"site": dict(units)}
    if deep or _is_deep(raw):
        report.add(fault_of("toml-too-deep", SITE_FILE, None, "file", ""))
        return None, {}
    if _count_keys(raw) > MOST_KEYS:
        report.add(fault_of("too-many-keys", SITE_FILE, None, "file", "", most=MOST_KEYS))
        return None, {}
    for key, text in _texts(raw):
        if odd := odd_character(text):
            report.fault("text-unprintable", key, printable(text), odd=odd)
    return raw, raw


def _count_keys(value: object) -> int:
    """Count the keys of all tables, however they are nested."""
    if isinstance(value, dict):
        return len(value) + sum(map(_count_keys, value.values()))
    return sum(map(_count_keys, value)) if isinstance(value, list) else 0


def _texts(value: object, key: str = "") -> Iterator[tuple[str, str]]:
    """Yield the texts of a raw file with their dotted keys, items of lists counted from 1."""
    if isinstance(value, str):
        yield key, value
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _texts(item, f"{key}.{name}" if key else name)
    elif isinstance(value, list):
        for number, item in enumerate(value, start=1):
            yield from _texts(item, f"{key}[{number}]")


def _is_deep(raw: Raw) -> bool:
    """Return whether tables or lists are nested deeper than any field; without recursion."""
    level: list[object] = [raw]
    for _ in range(MOST_DEEP):
        level = [
            child
            for value in level
            if isinstance(value, dict | list)
            for child in (value.values() if isinstance(value, dict) else value)
        ]
    return bool(level)


def units_of(raw: Raw, report: Report) -> tuple[LengthUnit, LengthUnit]:
    """Return units and depth units from a raw file; feet, and marked so, where not readable.

    Parameters
    ----------
    raw
        The parsed file.
    report
        Where faults and notices are gathered.

    Returns
    -------
    tuple[LengthUnit, LengthUnit]
        Unit of lengths, unit of depths.
    """
    site = raw.get("site")
    table = site if isinstance(site, dict) else {}
    known: dict[object, LengthUnit] = {"ft": "ft", "in": "in", "m": "m", "mm": "mm"}
    written = [table.get("units"), table.get("depth_units", table.get("units"))]
    found = [known.get(word) if isinstance(word, str) else None for word in written]
    report.units_known = None not in found
    units = found[0] or "ft"
    report.units = units
    return units, found[1] or units


def validate(
    raw: Raw, report: Report, units: LengthUnit, depth_units: LengthUnit
) -> SiteFile | None:
    """Check a raw file against the schema; go on with what is left once bad parts are cut out.

    A file with places still to be filled in is checked for other faults, but gives no model.
    Cutting lets the later checks find their faults in the same run. None where a required
    table is beyond that.

    Parameters
    ----------
    raw
        The parsed file.
    report
        Where faults and notices are gathered.
    units
        Unit of a bare number.
    depth_units
        Unit of a bare depth.

    Returns
    -------
    SiteFile | None
        The file, None where it is beyond repair.
    """
    context = {"units": units, "depth_units": depth_units}
    remaining = copy.deepcopy(raw)
    blanks = list(_blanks(remaining, ()))
    for path in blanks:
        report.fault("fill-me-in", dotted(path), None)
    # a part cut out may leave what held it incomplete: cut again, at most so often
    for attempt in range(4):
        try:
            file = SiteFile.model_validate(remaining, context=context)
            return None if blanks else file
        except ValidationError as error:
            details = error.errors(include_url=False)
        for detail in details:
            unfilled = _real_path(remaining, detail["loc"]) in blanks
            # what is missing after a cut was taken out by us
            if not unfilled and (attempt == 0 or detail["type"] != "missing"):
                _gather(detail, report, units)
        # from the back, so that earlier numbers still hold
        paths = sorted((_real_path(remaining, d["loc"]) for d in details), key=_deepest_first)
        for path in paths:
            report.cut_keys.add(report.as_written(dotted(path)))
            _cut(remaining, path, report)
        _stand_in(remaining)
    return None


def _stand_in(remaining: Raw) -> None:
    """Put something in place of a name, rule set, lot or building that is told to be missing.

    Nothing is made of it: it lets the checks go on to what else is there.
    """
    site = remaining.setdefault("site", {})
    if isinstance(site, dict):
        site.setdefault("name", "not given")
        site.setdefault("rule_set", rule_set_names()[0])
    for table in ("lot", "building"):
        remaining.setdefault(table, {})


def _blanks(raw: object, path: tuple[str | int, ...]) -> Iterator[tuple[str | int, ...]]:
    """Find the places that a blank file marks to be filled in; take the keys out."""
    if isinstance(raw, list):
        for place, item in enumerate(raw):
            yield from _blanks(item, (*path, place))
    elif isinstance(raw, dict):
        for key in list(raw):
            if raw[key] == FILL_ME_IN:
                del raw[key]
                yield (*path, key)
            else:
                yield from _blanks(raw[key], (*path, key))


def _deepest_first(path: tuple[str | int, ...]) -> tuple[str, tuple[int, ...]]:
    """Order paths so that list items are cut from the back."""
    numbers = tuple(-part for part in path if isinstance(part, int))
    return str(path[0]) if path else "", numbers


def _real_path(raw: object, location: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Drop what pydantic adds to a location (names of union members, list tags)."""
    path: list[str | int] = []
    here = raw
    for place, part in enumerate(location):
        last = place == len(location) - 1
        if isinstance(here, dict) and isinstance(part, str) and (part in here or last):
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            continue
        path.append(part)
    return tuple(path)


def _cut(raw: Raw, path: tuple[str | int, ...], report: Report) -> None:
    """Take a faulty part out: a wrong key alone, or the whole item of a list of tables."""
    if len(path) >= 2 and isinstance(path[1], int):
        items = raw.get(str(path[0]))
        if isinstance(items, list) and path[1] < len(items):
            item = items[path[1]]
            if not isinstance(item, dict):
                report.took_out(str(path[0]), path[1], of=len(items))
                items.pop(path[1])
            elif len(path) == 3 and isinstance(path[2], str) and path[2] in item:
                del item[path[2]]
            else:
                report.broken_names.update(_names_in(item))
                report.took_out(str(path[0]), path[1], of=len(items))
                items.pop(path[1])
        return
    here: object = raw
    for part in path[:-1]:
        here = here.get(str(part)) if isinstance(here, dict) else None
        if isinstance(here, list):
            return
    if isinstance(here, dict) and path:
        here.pop(str(path[-1]), None)


def _names_in(item: Mapping[str, object]) -> Iterator[str]:
    """Yield the names an item defines, so that what refers to it is not faulted as well."""
    for key in ("id", "name"):
        if isinstance(item.get(key), str | int):
            yield str(item[key]).strip()
    manholes = item.get("manholes")
    for manhole in manholes if isinstance(manholes, list) else ():
        if isinstance(manhole, dict):
            yield from _names_in(manhole)


def dotted(path: tuple[str | int, ...]) -> str:
    """Write a path as a key, items counted from 1.

    >>> dotted(("room", 0, "size"))
    'room[1].size'
    """
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _gather(detail: ErrorDetails, report: Report, units: LengthUnit) -> None:
    """Turn one pydantic error into a fault in plain words."""
    location = detail["loc"]
    path = tuple(part for part in location if isinstance(part, int) or not _is_tag(location, part))
    key, kind, value = dotted(path) or "file", detail["type"], detail["input"]
    context = detail.get("ctx", {})
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        # the key that was probably meant is not called missing as well
        name, known = str(location[-1]), _known_keys(location)
        report.fault("key-unknown", key, None, known=guess(name, known))
        meant = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
        report.cut_keys.update(key.removesuffix(name) + close for close in meant)
    elif kind == "missing":
        report.fault("key-missing", key, None)
    elif kind in ("literal_error", "union_tag_invalid"):
        expected = str(context.get("expected") or context.get("expected_tags") or "")
        choices = [c.strip(" '") for c in re.split(r",| or ", expected)]
        shown = context.get("tag", value)
        if kind == "union_tag_invalid":
            key += ".kind"
        report.fault("value-not-allowed", key, shown, known=guess(str(shown), choices))
    elif kind == "union_tag_not_found":
        report.fault("key-missing:evidence-kind", f"{key}.kind", None)
    elif kind == "date-unreadable" or kind.startswith("date_"):
        report.fault("date-unreadable", key, value)
    elif kind in ("length-unreadable", "bearing-unreadable", "bearing-magnetic", "name-unfit"):
        report.fault(
            f"{kind}:key", key, value, sentence=_sentence(detail["msg"]), unit=UNIT_WORDS[units]
        )
    elif _is_number(value) and kind in (
        "finite_number",
        "greater_than",
        "less_than",
        "greater_than_equal",
        "less_than_equal",
    ):
        report.fault("value-out-of-range", key, value, sentence=_sentence(detail["msg"]))
    else:
        missed = kind.split("_")[0]
        name = f"value-wrong:{missed}" if missed in _KINDS else "value-wrong"
        report.fault(name, key, value, sentence=_sentence(detail["msg"]))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float | str)


def _sentence(message: str) -> str:
    """Return pydantic's message as a sentence about what was written."""
    text = re.sub(r"\bvalid ", "", message.replace("Input should", "It should")).strip()
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else text + "."


def _is_tag(location: tuple[str | int, ...], part: str) -> bool:
    """Return whether a part of a location is pydantic's own (union members), not a key."""
    if location[:1] == ("evidence",) and len(location) > 2 and part == location[2]:
        return True
    return "[" in part or part in ("float", "str", "int", "literal")


def _known_keys(location: tuple[str | int, ...]) -> list[str]:
    """Return the keys of the model in which an unknown key stood."""
    models: list[type] = [SiteFile]
    for part in location[:-1]:
        if isinstance(part, int):
            continue
        found = [table for model in models for table in tables_in(inputs_of(model).get(part))]
        tagged = [m for m in models if typing.get_args(inputs_of(m).get("kind")) == (part,)]
        models = tagged or found or models
    return sorted({name for model in models for name in inputs_of(model)})
