"""What a command is doing, shown on a terminal where it takes longer than a moment."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Timer

AFTER_S = 1.0


@contextmanager
def progress_line(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Yield a function that takes what is being done; a line on stderr tells it after a second.

    The line goes when the work is done. Nothing is shown where ``quiet`` is asked for or
    stderr is no terminal.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console

    status = Console(stderr=True).status("starting")
    timer = Timer(AFTER_S, status.start)
    timer.start()
    try:
        yield status.update
    finally:
        timer.cancel()
        # it may just have fired: it shall not start a line that nobody stops
        timer.join()
        status.stop()
