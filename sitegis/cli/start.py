"""``sitegis start``: a blank site folder."""

from __future__ import annotations

from pathlib import Path

import click

from .._errors import BadInput, CannotWrite
from ..read import start_site
from ._report import leave_with


@click.command("start")
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--units",
    type=click.Choice(["ft", "m"]),
    default="ft",
    show_default=True,
    help="Whether the blank site is for feet and inches or for metres.",
)
def command(directory: Path, units: str) -> None:
    """Make a blank site folder DIRECTORY with instructions on how to measure and fill it in."""
    try:
        written = start_site(directory, units)
    except (BadInput, CannotWrite) as error:
        leave_with(error)
    for path in written:
        click.echo(str(path))
    click.echo(f"Fill these in, then: sitegis check {directory}", err=True)
