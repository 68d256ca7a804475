"""What a person should know of how the runs join."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.branches import Branch, Branches
from ..model.site import Run, Site
from ..units import about, percent
from .joining import Reading

SURE, WORTH_A_LOOK = 0.8, 0.2
FAR_SDS = 3.0
JOIN_WORTH_A_LOOK = 0.10
"""All judgment, no source."""


def branch_notices(site: Site, block: Branches, readings: Sequence[Reading]) -> Iterator[Notice]:
    """Say what is not sure of the tree, what contradicts it, and where two systems may meet.

    Parameters
    ----------
    site
        The site as read.
    block
        The tree of pipes.
    readings
        What each run's points read.

    Returns
    -------
    Iterator[Notice]
        What is to be said.
    """
    runs = {run.id: run for run in site.runs}
    yield from _topology(block)
    for branch in block.branches:
        yield from _against_the_camera(site, runs[branch.id], branch)
        if branch.slope + 2.0 * branch.slope_sd < 0:
            yield notice_of("branch-falls-away", f"run.{branch.id}", name=branch.id)
    for crossing in block.crossings:
        likely = crossing.probability >= JOIN_WORTH_A_LOOK
        name = "cross-connection" if likely else "cross-connection:passing"
        one, other = crossing.runs
        yield notice_of(
            name,
            f"run.{one}",
            one=one,
            other=other,
            place=f"x {about(crossing.x_m, site.units)}, y {about(crossing.y_m, site.units)}",
            spread=about(2.0 * crossing.sd_m, site.units),
            share=percent(crossing.probability),
        )


def _topology(block: Branches) -> Iterator[Notice]:
    """Say so where another alternative to join is probable too."""
    best = block.topologies[0]
    if best.probability >= SURE or len(block.topologies) < 2:
        return
    yield notice_of(
        "runs-join-unsure",
        "run",
        share=percent(best.probability),
        best=_words(best.joins),
        second=_words(block.topologies[1].joins),
        share_2=percent(block.topologies[1].probability),
    )


def _words(joins: tuple[tuple[str, str | None], ...]) -> str:
    """Say how runs join: "kitchen joins main; main by itself"."""
    return "; ".join(
        f"{one} joins {other}" if other is not None else f"{one} leaves by itself"
        for one, other in joins
    )


def _against_the_camera(site: Site, run: Run, branch: Branch) -> Iterator[Notice]:
    """Name what the crew noted of a joint and the points contradict."""
    seen, where, units = run.joins, f"run.{run.id}.joins", site.units
    if seen is None:
        return
    if seen.run is not None and branch.joins != seen.run and branch.probability >= WORTH_A_LOOK:
        result = "leaves by itself" if branch.joins is None else f"joins {branch.joins}"
        yield notice_of(
            "run-joins-otherwise",
            where,
            name=run.id,
            noted=seen.run,
            told=result,
            share=percent(branch.probability),
        )
    wye = branch.wye
    if wye is None:
        return
    if seen.side is not None and seen.side != wye.side:
        yield notice_of("wye-side-disagrees", where, name=run.id, noted=seen.side, side=wye.side)
    if seen.footage_m is not None and wye.footage_m is not None:
        off = seen.footage_m - wye.footage_m
        sd = float(np.hypot(wye.station_sd_m, 0.03 * seen.footage_m + 0.15))
        if abs(off) > FAR_SDS * sd:
            yield notice_of(
                "wye-footage-disagrees",
                where,
                name=run.id,
                noted=about(seen.footage_m, units),
                footage=about(wye.footage_m, units),
            )
