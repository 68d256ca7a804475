"""``sitegis city``: every lot of a city from its layers."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from ..messages.errors import BadInput, CannotWrite, ComputationError
from .printing import EXIT_DONE, EXIT_FLAGS, exit_with, print_and_exit, print_line

if TYPE_CHECKING:
    from ..city import CitySummary

EXIT_INTERRUPTED = 130


class _Rate(ProgressColumn):
    """Lots a second."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text(f"{speed:.0f} lots/s" if speed else "")


@click.command("city")
@click.argument("files", nargs=-1, required=True, metavar="CITY", type=click.Path(path_type=Path))
@click.option(
    "--look",
    is_flag=True,
    help="Read layers instead (sitegis city --look LAYER… > CITY.toml): print a first CITY.toml for"
    " them, and on stderr what could not be told and what is wrong with the data.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File to write: .gpkg, or .parquet for a folder with one GeoParquet file a layer.",
)
@click.option(
    "--to",
    metavar="URL",
    help="Write PostGIS tables instead: postgresql://user@host/database. Keep the password in"
    " PGPASSWORD or ~/.pgpass.",
)
@click.option("--schema", help="Schema for the tables of --to.  [default: sitegis]")
@click.option(
    "--workers",
    default=1,
    show_default=True,
    type=click.IntRange(1, 256),
    help="Processes to share the work; the answer does not depend on it.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Share the work with the workers of this dask scheduler instead (tcp://host:8786, on a"
    " network you trust); the answer does not depend on it.",
)
@click.option(
    "--map",
    "map_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a map of all lots as well: one HTML file that needs no network.",
)
@click.option(
    "--summary",
    "summary_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a summary as well: one page of PDF.",
)
@click.option("--quiet", is_flag=True, help="Print nothing but faults.")
def command(  # noqa: PLR0913
    *,
    files: tuple[Path, ...],
    look: bool,
    out: Path | None,
    to: str | None,
    schema: str | None,
    workers: int,
    scheduler: str | None,
    map_file: Path | None,
    summary_file: Path | None,
    quiet: bool,
) -> None:
    """Infer the lateral of every lot from the layers that CITY.toml names.

    A run that was cut short goes on where it stopped when it is given again.
    """
    if look:
        _look(files, with_output=out is not None or to is not None)
    if len(files) > 1:
        raise click.UsageError("Give one CITY.toml.")
    city = files[0]
    if (out is None) == (to is None):
        raise click.UsageError("Give either --out FILE or --to URL.")
    if schema is not None and to is None:
        raise click.UsageError("--schema belongs to --to.")
    if scheduler is not None and workers > 1:
        raise click.UsageError("Give either --workers or --scheduler.")
    from ..city import work_name
    from ..library import functions as library

    # refused before the layers are read: that may take minutes
    try:
        target = library.city_target(to or out or "", schema)
    except BadInput as error:
        exit_with(error)
    try:
        run = functools.partial(
            library.city,
            city,
            target,
            workers=workers,
            scheduler=scheduler,
            map_file=map_file,
            summary_file=summary_file,
        )
        summary = _with_bar(run, quiet)
    except (BadInput, ComputationError, CannotWrite) as error:
        exit_with(error)
    except KeyboardInterrupt:
        _interrupted(work_name(city, target))
    lines = [] if quiet else [*summary.lines(), f"Written to {target}."]
    code = EXIT_FLAGS if summary.needs_person else EXIT_DONE
    print_and_exit(lines, code, done=f"The layers are written to {target} all the same.")


def _look(files: tuple[Path, ...], *, with_output: bool) -> NoReturn:
    """Print a first CITY.toml for layers, and the report on stderr."""
    from ..city import look

    if with_output:
        raise click.UsageError("--look writes no output: direct what it prints into CITY.toml.")
    try:
        found = look(list(files))
    except (BadInput, CannotWrite) as error:
        exit_with(error)
    for line in found.report:
        print_line(line, err=True)
    print_and_exit([found.toml.rstrip()], EXIT_DONE, done="Nothing was written.")


def _with_bar(run: Callable[..., CitySummary], quiet: bool) -> CitySummary:
    """Run with a progress bar on stderr."""
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        _Rate(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        disable=quiet,
    )
    with bar:
        reading = bar.add_task("reading", total=None)
        lots: list[TaskID] = []

        # the first call says how many lots there are, until then they are being read
        def update(now: int, total: int, before: int) -> None:
            if lots:
                bar.update(lots[0], advance=now)
                return
            bar.remove_task(reading)
            lots.append(bar.add_task("lots", total=total, completed=before))
            if before and not quiet:
                print_line(f"Going on: {before} of {total} lots were done before.", err=True)

        return run(progress=update)


def _interrupted(out: Path) -> NoReturn:
    """Say that nothing is lost."""
    print_line(f"Stopped. What is done is kept in {out}.work; give the command again.", err=True)
    sys.exit(EXIT_INTERRUPTED)
