"""Faults and notices gathered while a site folder is read, and raised once."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from ..messages.catalog import fault_of, notice_of
from ..messages.errors import BadInput, Fault, Notice
from ..model.site import Site
from ..model.survey import Whereabouts
from ..units import LengthUnit, format_length
from .file_names import FINDINGS_FILE, LOCATES_FILE, SITE_FILE, TIES_FILE

ALL_POINTS = "*points"  # among the broken names where the table of points could not be read
_FILE_ORDER = {SITE_FILE: 0, LOCATES_FILE: 1, TIES_FILE: 2, FINDINGS_FILE: 3}
_HEADER = re.compile(r"^\s*(\[\[?)([^\]\[]+)\]\]?\s*(?:#.*)?$")
_ITEM = re.compile(r"^(\w+)\[(\d+)\](.*)$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*=")


class Where(Whereabouts, Protocol):
    """Where a fault or a notice stands, if not in the text files, and in which order."""

    def order(self, fault: Fault) -> tuple[int, int, int]:
        """Return the sort key of a moved fault."""
        ...


@dataclass(slots=True)
class Report:
    """The one place where faults and notices are gathered; ``lines`` maps TOML keys to lines.

    ``file`` is what has those keys: ``site.toml``, or a city's ``CITY.toml``.

    ``broken_names`` are the ids of what could not be made, ``cut_keys`` the keys taken out:
    what follows from them is not told again. ``units_known`` is False where the
    units are not readable, so that no depth is called absurd for it. ``where`` moves what is
    gathered to the cells of a workbook. ``numbers`` are what the items of a list were counted
    as, where faulty ones were taken out.
    """

    faults: list[Fault] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    lines: Mapping[str, int] = field(default_factory=dict)
    broken_names: set[str] = field(default_factory=set)
    cut_keys: set[str] = field(default_factory=set)
    units_known: bool = True
    units: LengthUnit = "m"
    where: Where | None = None
    file: str = SITE_FILE
    numbers: dict[str, list[int]] = field(default_factory=dict)

    def add(self, fault: Fault) -> None:
        """Gather a fault of any file."""
        self.faults.append(fault)

    def fault(self, name: str, key: str, value: object, /, **values: object) -> None:
        """Gather a fault of the file, by its name in the catalog, under its dotted key.

        Parameters
        ----------
        name
            Name in the catalog.
        key
            Dotted key of the file.
        value
            What stands there.
        **values
            Values that the words have places for; lengths as in :meth:`shown`.
        """
        self.at_key(fault_of(name, self.file, None, key, **self.shown(values)), key, value)

    def at_key(self, fault: Fault, key: str, value: object) -> None:
        """Gather a fault under a dotted key of the file.

        That something is missing is not told of a key that was faulted and cut out.

        Parameters
        ----------
        fault
            The fault, its place not known yet.
        key
            Dotted key of the file.
        value
            What stands there.
        """
        key = self.as_written(key)
        if key in self.cut_keys and fault.code.endswith(("-missing", "-source")):
            return
        shown = "" if value is None else shorten(value)
        row = line_of(self.lines, key)
        self.faults.append(replace(fault, file=self.file, row=row, field=key, value=shown))

    def note(
        self, name: str, where: str, /, *, needs_person: bool | None = None, **values: Any
    ) -> None:
        """Gather a notice by its name in the catalog.

        Parameters
        ----------
        name
            Name in the catalog.
        where
            Table, row or stage it is about.
        needs_person
            Whether a person must look, None as the catalog says.
        **values
            Values that the words have places for; lengths as in :meth:`shown`.
        """
        where = self.as_written(where)
        self.notices.append(notice_of(name, where, needs_person=needs_person, **self.shown(values)))

    def shown(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return values as they are read: lengths, named ``…_m``, in the site's units."""
        return {
            name: self.format(value) if name.endswith("_m") else value
            for name, value in values.items()
        }

    def as_written(self, key: str) -> str:
        """Return a key with its item counted as in the file, whatever was taken out since."""
        found = _ITEM.match(key)
        numbers = self.numbers.get(found[1], []) if found else []
        if found is None or not 0 < int(found[2]) <= len(numbers):
            return key
        return f"{found[1]}[{numbers[int(found[2]) - 1]}]{found[3]}"

    def renamed(self, old: str, new: str) -> None:
        """Find a key of ``site.toml`` under its new name at the line of its old one.

        Parameters
        ----------
        old
            Key as written.
        new
            Today's key.
        """
        if old in self.lines:
            self.lines = {**self.lines, new: self.lines[old]}

    def took_out(self, name: str, index: int, *, of: int) -> None:
        """Remember that an item, counted from 0, is taken out of a list.

        Parameters
        ----------
        name
            Key of the list.
        index
            Which item, from 0.
        of
            Length of the list before.
        """
        # counted as in the file from the start; each removal takes its own number along
        self.numbers.setdefault(name, list(range(1, of + 1))).pop(index)

    def placed_notices(self) -> tuple[Notice, ...]:
        """Return the notices, each once, at their places."""
        unique = dict.fromkeys(self.notices)
        return tuple(unique if self.where is None else map(self.where.of_notice, unique))

    def format(self, length_m: float) -> str:
        """Write a length in the site's units, feet and inches to the half inch."""
        return format_length(length_m, self.units, fraction=2)

    def raise_faults(self, draft: Site | None = None) -> None:
        """Raise ``BadInput`` with all faults, each once, in file and row order, if any.

        ``draft`` is the site as far as it could be made.
        """
        if self.faults:
            where = self.where
            if where is None:
                raise BadInput(tuple(sorted(dict.fromkeys(self.faults), key=_in_order)), draft)
            # two faults of the text files may be one cell of the book
            moved = dict.fromkeys(where.of_fault(fault) for fault in self.faults)
            raise BadInput(tuple(sorted(moved, key=where.order)), draft)


def _in_order(fault: Fault) -> tuple[int, str, int]:
    """Return the sort key: site.toml, the tables, then layers; rows ascending."""
    rank = _FILE_ORDER.get(fault.file, len(_FILE_ORDER))
    return rank, fault.file, fault.row or 0


def shorten(value: object, limit: int = 60) -> str:
    r"""Show a value on one line, cut to a length a person can read.

    Parameters
    ----------
    value
        What stands there.
    limit
        Greatest number of characters.

    Returns
    -------
    str
        The value on one line.

    Examples
    --------
    >>> shorten("a\nb")
    'a b'
    """
    text = " ".join(str(value).split()) if isinstance(value, str) else _plain_repr(value)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _plain_repr(value: object) -> str:
    """Return repr; a whole number past Python's own limit for digits is only described."""
    try:
        return repr(value)
    except ValueError:
        return "a number with thousands of digits"


def guess(wrong: str, right: Iterable[str]) -> str:
    """Return a did-you-mean sentence, or the list of what would be right.

    Parameters
    ----------
    wrong
        What was written.
    right
        What would be right.

    Returns
    -------
    str
        The sentence.

    Examples
    --------
    >>> guess("stak", ["stack", "bend"])
    "did you mean 'stack'? Known: stack, bend."
    """
    known = list(dict.fromkeys(right))
    listing = "Known: " + (", ".join(known[:30]) if known else "none") + "."
    # reversed, so that of names alike but for case the first is the one shown
    lowered = {name.lower(): name for name in reversed(known)}
    close = difflib.get_close_matches(wrong.lower(), list(lowered), n=1, cutoff=0.6)
    return f"did you mean {lowered[close[0]]!r}? {listing}" if close else listing


def index_lines(text: str) -> dict[str, int]:
    r"""Map dotted keys of a TOML text (array items counted from 1) to their line numbers.

    Only for showing: a line-wise scan, which takes the key before ``=`` at a line's start.

    >>> index_lines("[site]\nname = 'x'\n[[room]]\nid = 1")["room[1].id"]
    4
    """
    lines: dict[str, int] = {}
    counts: dict[str, int] = {}
    prefix = ""
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        key = _KEY.match(line)
        if header:
            name = header[2].strip()
            # items of a list of tables are counted in their order
            if header[1] == "[[":
                counts[name] = counts.get(name, 0) + 1
                name = f"{name}[{counts[name]}]"
            prefix = name
            lines.setdefault(prefix, number)
        elif key:
            lines.setdefault(f"{prefix}.{key[1]}" if prefix else key[1], number)
    return lines


def line_of(lines: Mapping[str, int], key: str) -> int | None:
    """Return the line of a dotted key, or of the nearest table around it.

    Parameters
    ----------
    lines
        Line of each dotted key.
    key
        Dotted key.

    Returns
    -------
    int | None
        Line from 1, None where none is known.
    """
    while key:
        if key in lines:
            return lines[key]
        cut = max(key.rfind("."), key.rfind("["))
        key = key[:cut] if cut > 0 else ""
    return None
