"""``sitegis check``: every fault of a site folder at once."""

from __future__ import annotations

from pathlib import Path

import click

from ..messages.errors import BadInput, ComputationError
from .printing import leave
from .report import counted, exit_code, leave_with, notice_lines


@click.command("check")
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--points", is_flag=True, help="Print the adjustment and the adjusted points too.")
def command(*, site: Path, points: bool) -> None:
    """Read the folder SITE, place its points and fit the drain; report what is wrong."""
    from ..library.functions import check
    from ..place.report import adjustment_lines, point_lines

    try:
        survey = check(site).survey
    except (BadInput, ComputationError) as error:
        leave_with(error)
    located = sum(point.kind == "locate" for point in survey.placement.points)
    lines = [
        f"{survey.site.name}: no faults. {counted(located, 'locate point')}, "
        f"{counted(len(survey.site.mains), 'main')}, "
        f"{counted(len(survey.site.evidence), 'item')} of evidence.",
        *notice_lines(survey.notices),
    ]
    if points:
        units = survey.site.units
        lines += ["", *adjustment_lines(survey.placement.adjustment, units)]
        lines += ["", *point_lines(survey.placement.points, units)]
    leave(lines, exit_code(survey.notices), done="The site was checked; nothing is written by it.")
