"""The command ``sitegis``: finds a command's module only when it is asked for."""

from __future__ import annotations

import atexit
import ctypes
import gc
import importlib
import io
import logging
import os
import sys
from contextlib import suppress
from typing import NoReturn

import click

from .. import __version__
from .deferred import defer_unused
from .printing import accepts_output, flushed, print_line, unprinted

COMMANDS = {
    "start": "Make a blank site folder with instructions.",
    "check": "Read a site folder and report every fault at once.",
    "run": "Turn a site folder into an answer, a map and GIS layers.",
    "city": "Infer the lateral of every lot of a city from its layers.",
}
EXIT_DEFECT, EXIT_INTERRUPTED = 70, 130
# Judgment, no source: objects kept before the search for cycles, and how often older ones are.
SELDOM = (100_000, 50, 50)
# glibc's M_MMAP_THRESHOLD and M_TRIM_THRESHOLD (malloc.h): blocks up to the most it takes, 32 MiB,
# come from the heap, and up to 256 MiB (judgment) stay there
MALLOC_OPTIONS = ((-3, 32 << 20), (-1, 256 << 20))


class LazyGroup(click.Group):
    """A group whose commands live in modules of this package, imported on use."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module of one command.

        Parameters
        ----------
        ctx
            Context of the call.
        cmd_name
            Name of the command.

        Returns
        -------
        click.Command | None
            The command, None where there is none.
        """
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"sitegis.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them.

        Parameters
        ----------
        ctx
            Context of the call.
        formatter
            Where the list is written.
        """
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sitegis")
@click.option("-v", "--verbose", count=True, help="More messages on stderr; twice for all.")
@click.option("--debug", is_flag=True, help="Show the traceback of a defect in sitegis itself.")
@click.pass_context
def cli(context: click.Context, verbose: int, debug: bool) -> None:
    """Turn marks on a basement floor into where the drain runs and where to dig.

    Exit codes: 0 done, 1 done with flags that need a person, 2 bad input, 3 could not write.
    """
    context.obj = {"debug": debug}
    level = (logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)]
    logging.basicConfig(level=level, format="%(name)s: %(message)s", stream=sys.stderr)


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line; a defect of sitegis itself ends in one line and code 70.

    Always leaves with an exit code, by ``SystemExit`` where arguments are given.
    """
    # The matrices are small: several BLAS threads cost more than they save.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # no installed package is asked whether it wants to add to pydantic's checks
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    atexit.register(gc.freeze)  # at the end nobody looks once more for cycles of objects
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a letter that the terminal's encoding lacks is no reason to stop
            stream.reconfigure(errors="backslashreplace")
    given = sys.argv[1:] if arguments is None else arguments
    if "city" in given:
        gc.set_threshold(*SELDOM)  # a city's objects are many, and hardly any in cycles
    else:
        gc.disable()  # one site ends before cycles of objects add up: the same memory, less time
        _keep_memory()
    defer_unused()
    code = flushed(_run(given))
    if arguments is None and "city" not in given:
        _end_process(code)
    sys.exit(code)


def _end_process(code: int) -> NoReturn:
    """End a process of the command line's own, of one thread, as Python ends one.

    But for the memory: the system takes it back at once, Python piece by piece.
    """
    atexit._run_exitfuncs()
    code = flushed(code)
    if sys.stderr is not None:
        with suppress(OSError):  # nobody is left to be told
            sys.stderr.flush()
    os._exit(code)


def _keep_memory() -> None:
    """Have the C library keep what is freed for the next array, where it is glibc.

    It hands large blocks back at once otherwise, and the system clears each page anew.
    """
    set_option = getattr(ctypes.CDLL(None), "mallopt", None) if os.name == "posix" else None
    if set_option is not None:
        for option, size in MALLOC_OPTIONS:
            set_option(option, size)


def _run(given: list[str]) -> int:
    """Run a command and give its exit code."""
    try:
        # click would leave the process by itself, and print usage errors past print_line
        code = cli.main(args=given, prog_name="sitegis", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 1
    except click.ClickException as wrong:
        shown = io.StringIO()
        wrong.show(shown)
        print_line(shown.getvalue().rstrip("\n"), err=True)
        return wrong.exit_code
    except click.Abort:
        print_line("Interrupted.", err=True)
        return EXIT_INTERRUPTED
    except Exception as defect:
        # not ours: what reads stdout is gone, or the disk is full
        if isinstance(defect, OSError) and not accepts_output():
            return unprinted(defect)
        if "--debug" in given:
            raise
        print_line(
            f"sitegis: a defect in sitegis itself ({type(defect).__name__}: {defect}). Nothing was"
            " written. Run again with 'sitegis --debug …' and send what it prints.",
            err=True,
        )
        return EXIT_DEFECT
