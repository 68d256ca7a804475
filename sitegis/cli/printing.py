"""Printing: signs that are no text are shown as escapes, what could not be printed is told.

Also how faults and notices are told, and with which exit codes a command ends.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable
from typing import NoReturn, TextIO

import click

from ..messages.errors import BadInput, CannotWrite, ComputationError, Fault, Notice
from ..messages.printable import printable

EXIT_CANNOT_WRITE = 3


def print_line(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print a line; raises ``OSError`` where stdout takes no more.

    Where nobody reads on (a pipe that was closed) nothing more is printed. That stderr takes no
    more can be told nowhere: the exit code alone is left.

    Parameters
    ----------
    text
        The line.
    err
        Whether it goes to stderr.
    nl
        Whether a line end follows.

    Raises
    ------
    OSError
        Stdout takes no more.
    """
    try:
        click.echo(printable(text), err=err, nl=nl)
    except BrokenPipeError:
        _lead_away(sys.stderr if err else sys.stdout)
    except OSError:
        if not err:
            raise
        _lead_away(sys.stderr)


def print_and_exit(lines: Iterable[str], code: int, *, done: str) -> NoReturn:
    """Print results on stdout and leave with a code; ``done`` is what holds if that fails.

    Parameters
    ----------
    lines
        Lines for stdout.
    code
        Exit code.
    done
        What holds if printing fails.
    """
    try:
        for line in lines:
            print_line(line)
    except OSError as error:
        sys.exit(unprinted(error, done))
    sys.exit(flushed(code, done))


def flushed(code: int, done: str = "") -> int:
    """Let stdout take what it still has to; give the code, or that of what could not be printed.

    Parameters
    ----------
    code
        Exit code if all is printed.
    done
        What holds if printing fails.

    Returns
    -------
    int
        Exit code.
    """
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _lead_away(sys.stdout)
    except OSError as error:
        return unprinted(error, done)
    return code


def accepts_output() -> bool:
    """Return whether stdout takes anything, by a line end."""
    try:
        click.echo()
    except OSError:
        return False
    return True


def unprinted(error: OSError, done: str = "") -> int:
    """Say that stdout takes no more, and what was done nevertheless; give the exit code.

    Parameters
    ----------
    error
        What stdout said.
    done
        What holds nevertheless.

    Returns
    -------
    int
        Exit code.
    """
    _lead_away(sys.stdout)
    reason = (error.strerror or str(error)).lower()
    print_line(f"Could not print the result on stdout: {reason}. {done}".rstrip(), err=True)
    return EXIT_CANNOT_WRITE


def _lead_away(stream: TextIO) -> None:
    """Let a stream that takes no more lead nowhere, so that its end is no error."""
    # a stream in memory has no descriptor, and takes everything
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
        stream.flush()


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
