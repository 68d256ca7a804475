"""The trunk's points: its own run's, and those that other runs found past their wyes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..line.order import ON_LINE_KINDS
from ..model.results import PlacedPoint, Placement
from ..model.site import Run, Site
from ..numerics.ordering import MATTERS_M, at_least
from .joining import Joint
from .runs import Followed, part_of
from .topology import Forest

Member = tuple[str, float | None]
"""A point of the trunk by its id, with its footage on the trunk's counter."""


def own_members(one: Followed) -> list[Member]:
    """List the points of a run with its own footage."""
    counts = one.reading.marks.counts_m
    return [(name, _or_none(c)) for name, c in zip(one.reading.ids, counts, strict=True)]


def trunk_members(
    followed: list[Followed], joins: Forest, splits: dict[int, Joint], root: int
) -> list[Member]:
    """List the trunk's points: its own run's, and those of other runs past their wyes on it.

    Another run's footage is brought to the trunk's zero by the mean difference.

    Parameters
    ----------
    followed
        The runs as followed.
    joins
        Run that each joins, None for none.
    splits
        Joint of each run that joins.
    root
        Index of the trunk's run.

    Returns
    -------
    list[Member]
        The points.
    """
    pipe, trunk = followed[root].pipe, followed[root].reading
    members = own_members(followed[root])
    if pipe is None:
        return members
    stations, _, _ = pipe.project(trunk.marks.xy)
    # footage less station: where the trunk's counter would stand at its first point
    zero = _mean(trunk.marks.counts_m - stations)
    # a point that several runs found is one of the trunk's once
    taken = {name for name, _ in members}
    for i, one in enumerate(followed):
        alternative = _downstream(joins, i)
        if i == root or root not in alternative:
            continue
        reading, last = one.reading, splits[alternative[alternative.index(root) - 1]]
        ahead, _, _ = pipe.project(reading.marks.xy)
        # a run that comes by way of another lies on the trunk only past that one's wye
        low = _station_of(last) if joins[i] != root else -np.inf
        past = [
            p
            for p in range(splits[i].own, len(reading.ids))
            if reading.ids[p] not in taken and at_least(ahead[p], low, MATTERS_M)
        ]
        # NaN where no point has a footage on both counters: then none is passed on
        shift = _mean((zero + ahead - reading.marks.counts_m)[past])
        members += [(reading.ids[p], _or_none(reading.marks.counts_m[p] + shift)) for p in past]
        taken |= {reading.ids[p] for p in past}
    return members


def _downstream(joins: Forest, start: int) -> list[int]:
    """List the runs whose pipes a run's water takes, itself first."""
    alternative = [start]
    while (following := joins[alternative[-1]]) is not None:
        alternative.append(following)
    return alternative


def _station_of(joint: Joint) -> float:
    """Return the mean station of a wye on the pipe joined, 0 where the run lies wholly in it."""
    if joint.weighed is None:
        return 0.0
    return float(joint.weights.sum(axis=1) @ joint.weighed.alternatives.stations)


def _mean(values: np.ndarray) -> float:
    """Return the mean of what is known, NaN where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _or_none(count: float) -> float | None:
    return float(count) if np.isfinite(count) else None


def trunk_placement(site: Site, placement: Placement, members: list[Member], run: Run) -> Placement:
    """Return the placement of the trunk's points, and of what lies beside it and is no other run's.

    An access stands as a cleanout, its counter at 0.

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.
    members
        The trunk's points.
    run
        The run.

    Returns
    -------
    Placement
        The placement.
    """
    counts = dict(members)
    others = {row.id for row in site.locates if row.run and row.run != run.id}
    others |= {other.access for other in site.runs if other.id != run.id}
    chosen: list[int] = []
    points: list[PlacedPoint] = []
    for i, point in enumerate(placement.points):
        if point.id in counts:
            points.append(_member(point, counts[point.id], run))
        elif point.kind not in ON_LINE_KINDS and point.id not in others:
            points.append(point)
        else:
            continue
        chosen.append(i)
    return part_of(placement, chosen, points)


def _member(point: PlacedPoint, count_m: float | None, run: Run) -> PlacedPoint:
    """Return a point with its footage on the trunk's counter."""
    if point.id == run.access and point.footage_m is None:
        return replace(point, kind="cleanout")
    kind = "stack" if point.kind == "cleanout" and count_m is None else point.kind
    return replace(point, kind=kind, footage_m=count_m)
