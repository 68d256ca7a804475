"""``sitegis start``: a blank site folder."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import NoReturn

import click

from ..language import LOCALES
from ..messages.errors import BadInput, CannotWrite
from .printing import EXIT_DONE, exit_with, print_and_exit, print_line


@click.command("start")
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--units",
    type=click.Choice(["ft", "m"]),
    default="ft",
    show_default=True,
    help="Whether the blank site is for feet and inches or for meters.",
)
@click.option("--workbook", is_flag=True, help="fieldbook.xlsx in place of the text files.")
@click.option("--sheet", is_flag=True, help="Add field-sheet.pdf, a sheet to fill in by hand.")
@click.option(
    "--language",
    type=click.Choice(list(LOCALES)),
    default="en",
    show_default=True,
    help="Of the field sheet.",
)
@click.option("--ask", is_flag=True, help="Ask for what a first answer needs, and fill it in.")
@click.option("--city", is_flag=True, help="A blank CITY.toml for a city's layers instead.")
def command(
    directory: Path, units: str, workbook: bool, sheet: bool, language: str, ask: bool, city: bool
) -> None:
    """Make a blank site folder DIRECTORY with instructions on how to measure and fill it in."""
    from ..read import start_site

    if city:
        _start_city(directory)
    if ask and workbook:
        raise click.UsageError("--ask fills in the text files: leave --workbook out.")
    try:
        written = start_site(directory, units, workbook=workbook, sheet=sheet, language=language)
        if ask:
            _ask(directory, units)
    except (BadInput, CannotWrite) as error:
        exit_with(error)
    print_line(f"Fill these in, then: sitegis check {shlex.quote(str(directory))}", err=True)
    print_and_exit(
        map(str, written), EXIT_DONE, done=f"The folder {directory} is made all the same."
    )


def _ask(directory: Path, units: str) -> None:
    """Ask in the terminal, and fill the answers into the blank files."""
    from ..read.interview import fill_folder
    from .ask import ask_site

    fill_folder(directory, ask_site(*(("m", "mm") if units == "m" else ("ft", "in"))))


def _start_city(directory: Path) -> NoReturn:
    """Write the blank CITY.toml alone."""
    from ..city import blank_city

    try:
        written = blank_city(directory)
    except (BadInput, CannotWrite) as error:
        exit_with(error)
    print_and_exit([str(written)], EXIT_DONE, done="The file is made all the same.")
