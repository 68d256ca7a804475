"""Printing: signs that are no text are shown as escapes, and what could not be printed is told."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable
from typing import NoReturn, TextIO

import click

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
