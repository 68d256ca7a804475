"""``sitegis check``: every fault of a site folder at once."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from .._errors import BadInput, ComputationError
from ..pipeline import check as check_site
from ._report import exit_code, leave_with, notice_lines


@click.command("check")
@click.argument("site", type=click.Path(path_type=Path))
def command(site: Path) -> None:
    """Read the folder SITE, place its points and fit the drain; report what is wrong."""
    try:
        survey = check_site(site)
    except (BadInput, ComputationError) as error:
        leave_with(error)
    located = sum(point.kind == "locate" for point in survey.placement.points)
    click.echo(
        f"{survey.site.name}: no faults. {located} locate points, "
        f"{len(survey.site.mains)} mains, {len(survey.site.evidence)} items of evidence."
    )
    for line in notice_lines(survey.notices):
        click.echo(line)
    sys.exit(exit_code(survey.notices))
