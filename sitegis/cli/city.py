"""``sitegis city``: every lot of a city from its layers."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NoReturn

import click
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from .._errors import BadInput, CannotWrite, ComputationError
from ..city import run_city
from ._report import EXIT_DONE, EXIT_FLAGS, leave_with

EXIT_INTERRUPTED = 130


class _Rate(ProgressColumn):
    """Lots a second."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text(f"{speed:.0f} lots/s" if speed else "")


@click.command("city")
@click.argument("city", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="File to write: .gpkg, or .parquet for a folder with one GeoParquet file a layer.",
)
@click.option(
    "--workers",
    default=1,
    show_default=True,
    type=click.IntRange(1, 256),
    help="Processes to share the work; the answer does not depend on it.",
)
@click.option("--quiet", is_flag=True, help="Print nothing but faults.")
def command(*, city: Path, out: Path, workers: int, quiet: bool) -> None:
    """Infer the lateral of every lot from the layers that CITY.toml names.

    A run that was cut short goes on where it stopped when it is given again.
    """
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        _Rate(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        disable=quiet,
    )
    try:
        with bar:
            lots = bar.add_task("reading", total=None)

            def tell(now: int, total: int, before: int) -> None:
                if now == 0 and before and not quiet:
                    click.echo(f"Going on: {before} of {total} lots were done before.", err=True)
                known = bar.tasks[0].total is not None
                bar.update(lots, description="lots", total=total)
                bar.update(lots, advance=now if known else before + now)

            summary = run_city(city, out, workers=workers, progress=tell)
    except (BadInput, ComputationError, CannotWrite) as error:
        leave_with(error)
    except KeyboardInterrupt:
        _interrupted(out)
    if not quiet:
        for line in summary.lines():
            click.echo(line)
        click.echo(f"Written to {out}.")
    sys.exit(EXIT_FLAGS if summary.needs_person else EXIT_DONE)


def _interrupted(out: Path) -> NoReturn:
    """Say that nothing is lost."""
    click.echo(f"Stopped. What is done is kept in {out}.work; give the command again.", err=True)
    sys.exit(EXIT_INTERRUPTED)
