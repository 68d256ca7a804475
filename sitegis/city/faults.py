"""The faults of one ``CITY.toml``, gathered first and raised once."""

from __future__ import annotations

from pathlib import Path

from ..messages.errors import BadInput, Fault, Notice
from ..read.faults import Report, line_of, shorten


class Faults:
    """The faults of one ``CITY.toml``, and what is worth knowing of its layers."""

    def __init__(self, path: Path) -> None:
        self.name = path.name
        self.lines: dict[str, int] = {}
        self.found: list[Fault] = []
        self.notices: list[Notice] = []

    def add(self, code: str, key: str, value: object, reason: str, remedy: str) -> None:
        """Gather one fault under its dotted key.

        Parameters
        ----------
        code
            Code of the fault.
        key
            Dotted key of ``CITY.toml``.
        value
            What stands there.
        reason
            What is wrong.
        remedy
            What to do.
        """
        shown = "" if value is None else shorten(value)
        row = line_of(self.lines, key)
        self.found.append(Fault(code, self.name, row, key, shown, reason, remedy))

    def absorb(self, report: Report) -> None:
        """Take over what the checks of a site's layers found, as this file's faults."""
        for fault in report.faults:
            self.add(fault.code, fault.field, fault.value or None, fault.reason, fault.remedy)

    def raise_all(self) -> None:
        """Raise all faults, if any."""
        if self.found:
            raise BadInput(tuple(dict.fromkeys(self.found)))
