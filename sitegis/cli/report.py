"""How faults and notices are told on the terminal."""

from __future__ import annotations

import sys
from typing import NoReturn

from ..messages.errors import BadInput, CannotWrite, ComputationError, Fault, Notice
from .printing import EXIT_CANNOT_WRITE, print_line

EXIT_DONE, EXIT_FLAGS, EXIT_BAD_INPUT = 0, 1, 2


def counted(number: int, noun: str) -> str:
    """Write a number with its noun.

    Parameters
    ----------
    number
        How many.
    noun
        Noun in the singular.

    Returns
    -------
    str
        The phrase.

    Examples
    --------
    >>> counted(1, "main"), counted(2, "main")
    ('1 main', '2 mains')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def fault_lines(faults: tuple[Fault, ...]) -> list[str]:
    """Return faults as lines: where, what stands there, what is wrong, what to do."""
    lines = [f"{counted(len(faults), 'fault')} found; nothing was written."]
    for number, fault in enumerate(faults, start=1):
        row = "" if fault.row is None else f", row {fault.row}"
        value = f" = {fault.value!r}" if fault.value else ""
        lines += [
            f"{number:3d}. {fault.file}{row}, {fault.field}{value}  [{fault.code}]",
            f"     wrong: {fault.reason}",
            f"     to do: {fault.remedy}",
        ]
    return lines


def exit_with(error: BadInput | ComputationError | CannotWrite) -> NoReturn:
    """Print an error on stderr and leave with its exit code."""
    if isinstance(error, CannotWrite):
        print_line(str(error), err=True)
        sys.exit(EXIT_CANNOT_WRITE)
    faults = error.faults if isinstance(error, BadInput) else (error.fault,)
    for line in fault_lines(faults):
        print_line(line, err=True)
    sys.exit(EXIT_BAD_INPUT)


def notice_lines(notices: tuple[Notice, ...]) -> list[str]:
    """Return notices as lines: another reading of the input first, then what needs a person."""
    ordered = sorted(notices, key=lambda one: (one.code != "other-reading", not one.needs_person))
    return [
        f"{'!' if notice.needs_person else '·'} {notice.message}  [{notice.code}: {notice.where}]"
        for notice in ordered
    ]


def exit_code(notices: tuple[Notice, ...]) -> int:
    """Return 1 where a person must look at something, else 0."""
    return EXIT_FLAGS if any(notice.needs_person for notice in notices) else EXIT_DONE
