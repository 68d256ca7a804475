"""The errors that sitegis raises on purpose, and what faults and notices are made of.

SitegisError
├── BadInput          the site folder cannot be used as it is; carries every fault (code 2)
├── ComputationError  well-formed input that gives no answer; carries the reason (code 2)
└── CannotWrite       the outputs could not be put in place (code 3)
"""

from __future__ import annotations

from typing import Any

from ..late_dataclass import dataclass
from .printable import printable


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input, and what to do about it.

    ``code`` is a stable kebab-case name (``length-unreadable``), ``row`` the 1-based line
    of a table as a text editor shows it (None where there are no rows), ``field`` the column
    or the dotted TOML key, ``value`` what stands there.
    """

    code: str
    file: str
    row: int | None
    field: str
    value: str
    reason: str
    remedy: str

    def __str__(self) -> str:
        """Return the fault as one line of a report."""
        place = self.file if self.row is None else f"{self.file} row {self.row}"
        shown = f" = {self.value!r}" if self.value else ""
        return printable(f"{place}, {self.field}{shown}: {self.reason} To do: {self.remedy}")


@dataclass(frozen=True, slots=True)
class Notice:
    """Something a person should know: a stable code, a sentence, and where it belongs.

    ``needs_person`` makes the run end with exit code 1.
    """

    code: str
    message: str
    where: str
    needs_person: bool = True


class SitegisError(Exception):
    """Root of every error raised on purpose."""


class BadInput(SitegisError, ValueError):  # noqa: N818 - reads as the user's word for it
    """The site folder has faults; all that were found, in file order.

    ``draft`` is the ``Site`` as far as it could be made of the rest, None where nothing could.
    """

    def __init__(self, faults: tuple[Fault, ...], draft: Any = None) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults
        self.draft = draft


class ComputationError(SitegisError, ArithmeticError):
    """Well-formed input that gives no answer; ``fault`` says why and what to do."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(str(fault))
        self.fault = fault


class CannotWrite(SitegisError, OSError):  # noqa: N818 - reads as the user's word for it
    """The outputs could not be put in place; the earlier ones are as they were."""
