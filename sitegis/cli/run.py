"""``sitegis run``: a site folder into an answer."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Timer
from typing import TYPE_CHECKING

import click

from ..language import LOCALES
from ..messages.errors import BadInput, CannotWrite, ComputationError
from .deferred import defer_templates
from .printing import exit_code, exit_with, print_and_exit

if TYPE_CHECKING:
    from .. import Result
    from ..model.site import SiteLanguage

WIDE = 100  # columns where the output is no terminal


def _weights(_: click.Context, __: click.Parameter, given: tuple[str, ...]) -> dict[str, float]:
    """Read ``--prior KEY=WEIGHT``."""
    weights = {}
    for text in given:
        key, _equals, number = text.partition("=")
        try:
            weights[key] = float(number)
        except ValueError:
            raise click.BadParameter(f"{text!r} is not KEY=NUMBER, for example alley=0.6") from None
    return weights


@click.command("run")
@click.argument("site", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the outputs; they replace an earlier set together or not at all.",
)
@click.option(
    "--without",
    multiple=True,
    metavar="ITEM",
    help="Leave out an item of evidence (dye, dye-2 for the second) or a locate point by its id.",
)
@click.option(
    "--prior",
    multiple=True,
    metavar="KEY=WEIGHT",
    callback=_weights,
    help="Override a prior weight: front, rear, alley, side, side_yard, unlisted.",
)
@click.option("--base-map", is_flag=True, help="Let map.html load a base map from the network.")
@click.option(
    "--keep", is_flag=True, help="Keep the answer in SITE/revisions where the inputs changed."
)
@click.option(
    "--language",
    type=click.Choice(list(LOCALES)),
    help="Of the dig card and the cautions on map.html, in place of the site's.",
)
@click.option("--json", "as_json", is_flag=True, help="Print answer.json instead of the summary.")
@click.option("--quiet", is_flag=True, help="Print nothing but faults.")
def command(  # noqa: PLR0913 - one an option
    *,
    site: Path,
    out: Path,
    without: tuple[str, ...],
    prior: dict[str, float],
    base_map: bool,
    keep: bool,
    language: SiteLanguage | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Turn the folder SITE into answer.json, lateral.geojson, map.html and more in --out."""
    if keep and (without or prior):
        raise click.UsageError(
            "--keep keeps the site's own answer, not one with --without, --prior."
        )
    try:
        with progress_line(quiet=quiet) as progress:
            defer_templates()
            from ..library.functions import run

            result = run(
                site,
                out,
                without=without,
                priors=prior,
                base_map=base_map,
                keep=keep,
                language=language,
                progress=progress,
            )
    except (BadInput, ComputationError, CannotWrite) as error:
        exit_with(error)
    done = f"The outputs are written to {out} all the same."
    if as_json:
        lines = [(out / "answer.json").read_text("utf-8").removesuffix("\n")]
    else:
        lines = [] if quiet else _lines(result, out)
    print_and_exit(lines, exit_code(result.notices), done=done)


def _lines(result: Result, out: Path) -> list[str]:
    """Return the summary."""
    columns = shutil.get_terminal_size((WIDE, 24)).columns
    last = f"Written to {out}: open {out / 'map.html'} in a browser."
    return [*result.summary(columns=columns - 2).split("\n"), last]


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
