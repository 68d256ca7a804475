"""The usual blunders that make a refused input fit: tried where rows contradict each other."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from ..messages.errors import Fault
from ..model.site import Site
from ..read.consistency import check_depths, check_places
from ..read.faults import Report
from ..read.runs import counted_by_run
from ..units import is_imperial
from .readings import FEET_PER_METER, other_readings

TRIED = frozenset(
    {"count-too-short", "depth-jumps", "point-outside-room", "point-outside-building"}
)
"""The faults that a blunder of the whole room, or of a column, may explain."""


def fitting_blunders(site: Site, faults: Sequence[Fault]) -> tuple[str, ...]:
    """Say which usual blunders would make the rows agree, where all faults are of that kind.

    ``site`` is the input as far as it could be read. Empty where none fits, or where something
    else is wrong.

    Parameters
    ----------
    site
        The site as read.
    faults
        What was refused.

    Returns
    -------
    tuple[str, ...]
        The sentences.
    """
    if not faults or any(fault.code not in TRIED for fault in faults):
        return ()
    return tuple(words for words, other in _blunders(site) if _agrees(other))


def _blunders(site: Site) -> Iterator[tuple[str, Site]]:
    """Yield the readings of the marks, then the footage in the other unit."""
    # no drain was fitted: every point indoors may be one of its marks
    marks = frozenset(row.id for row in site.locates if row.room != "lot")
    for reading in other_readings(site, marks):
        yield reading.words, reading.site
    imperial = is_imperial(site.units)
    factor = FEET_PER_METER if imperial else 1.0 / FEET_PER_METER
    rows = tuple(
        row if row.footage_m is None else replace(row, footage_m=factor * row.footage_m)
        for row in site.locates
    )
    was, read = ("meters", "feet") if imperial else ("feet", "meters")
    yield f"the footage is in {was}, not {read}", replace(site, locates=rows)


def _agrees(site: Site) -> bool:
    """Return whether the rows of a site make sense together."""
    report = Report()
    check_places(site.locates, site.rooms, site.building, report)
    check_depths(site.locates, site.rooms, site.noise, report)
    counted_by_run(site.locates, site.rooms, site.runs, site.noise, report)
    return not report.faults
