"""``sitegis check``: every fault of a site folder at once."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..messages.errors import BadInput, CannotWrite, ComputationError, Fault
from .printing import counted, exit_code, exit_with, notice_lines, print_and_exit, print_line

if TYPE_CHECKING:
    from .. import Check, Site

LEAST_COLUMNS = 60
"""A terminal of so many columns shows the sketch in characters by itself."""


@click.command("check")
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--points", is_flag=True, help="Print the adjustment and the adjusted points too.")
@click.option(
    "--sketch",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw what was typed into this SVG file, also where it has faults.",
)
@click.option(
    "--draw/--no-draw",
    default=None,
    help="Draw what was typed in plain characters too; on a terminal of 60 columns or more it is.",
)
def command(*, site: Path, points: bool, sketch: Path | None, draw: bool | None) -> None:
    """Read the folder SITE, place its points and fit the drain; report what is wrong."""
    from ..library.functions import check
    from ..place.report import adjustment_lines, point_lines

    try:
        checked = check(site)
    except (BadInput, ComputationError) as error:
        if isinstance(error, BadInput) and error.draft is not None:
            _name_blunders(error.draft, error.faults)
            _draw(sketch, error.draft, None)
            for line in _in_characters(error.draft, None, draw):
                print_line(line, err=True)
        exit_with(error)
    survey = checked.survey
    _draw(sketch, checked.site, checked)
    located = sum(point.kind == "locate" for point in survey.placement.points)
    lines = [
        *_in_characters(checked.site, checked, draw),
        f"{checked.site.name}: no faults. {counted(located, 'locate point')}, "
        f"{counted(len(checked.site.mains), 'main')}, "
        f"{counted(len(checked.site.evidence), 'item')} of evidence.",
        *notice_lines(tuple(n for n in checked.notices if n.code != "unchecked-input")),
        *_tapes_first(checked),
    ]
    if points:
        units = checked.site.units
        lines += ["", *adjustment_lines(survey.placement.adjustment, units)]
        lines += ["", *point_lines(survey.placement.points, units)]
    print_and_exit(
        lines, exit_code(checked.notices), done="The site was checked; nothing is written by it."
    )


def _tapes_first(checked: Check) -> list[str]:
    """Say what to check first: what nothing checks, the gravest first."""
    unchecked = checked.survey.doubt.unchecked
    if not unchecked:
        return []
    lines = ["What no other input checks, and what to measure first:"]
    for number, one in enumerate(unchecked, start=1):
        lines += [f"{number:3d}. {one.words}", f"     To check it: {one.check}"]
    return lines


def _name_blunders(draft: Site, faults: tuple[Fault, ...]) -> None:
    """Say which usual blunders would make refused rows agree."""
    from ..doubt.usual import fitting_blunders

    likely_blunders = fitting_blunders(draft, faults)
    if likely_blunders:
        print_line(
            "The rows would agree if one of these were so; measure again and correct it:", err=True
        )
    for words in likely_blunders:
        print_line(f"  - {words}", err=True)


def _draw(path: Path | None, site: Site, checked: Check | None) -> None:
    """Write the sketch where one is asked for; leave with code 3 where it cannot be placed."""
    if path is None:
        return
    from ..write.sketch import sketch_bytes

    try:
        path.write_bytes(sketch_bytes(site, checked.survey if checked else None))
    except OSError as error:
        exit_with(CannotWrite(f"{path} cannot be written: {error.strerror or error}"))
    print_line(f"Sketch: open {path} in a browser.", err=True)


def _in_characters(site: Site, checked: Check | None, wanted: bool | None) -> tuple[str, ...]:
    """Return the sketch in characters where it is asked for, or a terminal can show it."""
    columns = shutil.get_terminal_size().columns
    if wanted is None:
        wanted = sys.stdout is not None and sys.stdout.isatty() and columns >= LEAST_COLUMNS
    if not wanted:
        return ()
    from ..write.sketch_text import sketch_lines

    return sketch_lines(site, checked.survey if checked else None, columns)
