"""The command line in a process of its own, forked from the tests' one: no library loads anew.

Its streams, environment and exit code are its own, as a user's are; only the start of the
interpreter is not seen, which ``test_start_up`` and others look at.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path
from typing import IO

import sitegis.pipeline  # loaded here, before any child
from sitegis.cli.main import main


def sitegis(*arguments: str | Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command line on arguments with a changed environment; give code and words."""
    given = [str(argument) for argument in arguments]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            _main(given, environment, out, err)
        _, status = os.waitpid(child, 0)
        words = []
        for file in (out, err):
            file.seek(0)
            words.append(file.read().decode())
    return subprocess.CompletedProcess(given, os.waitstatus_to_exitcode(status), *words)


def _main(given: list[str], environment: dict[str, str], out: IO[bytes], err: IO[bytes]) -> None:
    """Be the program, and end."""
    code = 70
    try:
        for number, file in ((1, out), (2, err)):
            os.dup2(file.fileno(), number)
        sys.stdin = io.StringIO()
        sys.stdout, sys.stderr = (
            io.TextIOWrapper(io.FileIO(number, "w", closefd=False), "utf-8", write_through=True)
            for number in (1, 2)
        )
        os.environ.update(environment)
        warnings.resetwarnings()
        try:
            main(given)
        except SystemExit as left:
            code = left.code if isinstance(left.code, int) else int(left.code is not None)
    finally:
        os._exit(code)
