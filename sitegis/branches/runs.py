"""Each run by itself: its points in downstream order, what they read, its pipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..late_dataclass import dataclass
from ..line.bends import fit_plan
from ..line.order import ON_LINE_KINDS, order_downstream
from ..line.profile import SlopePrior, learn_profile
from ..line.stage import gather_depths, gather_marks, read_inverts
from ..line.straights import Marks
from ..model.results import PlacedPoint, Placement
from ..model.site import Run, Site
from ..numerics.exit_mixture import first_walls
from ..numerics.ordering import at_least
from .joining import Reading
from .pipes import Pipe, pipe_of, relative

MOST_AHEAD_M = 6.0
"""Farthest past its last point that another run may join a pipe, carried on straight. Judgment."""

MOST_PIPES, LEAST_PIPE = 4, 0.1
"""So many bent alternatives of a run are held against another, of this share of the likeliest."""

LEAST_SPREAD_M = 0.3
"""Points nearer together than this give no direction, as in :mod:`sitegis.line.order`."""


@dataclass(frozen=True, slots=True)
class Followed:
    """One run: the indices of its points in the placement, downstream; its reading and its pipe.

    ``pipes``: how it may bend, with shares, the likeliest first; none where a single point gives
    no direction.
    """

    run: Run
    indices: tuple[int, ...]
    reading: Reading
    pipes: tuple[tuple[float, Pipe], ...]

    @property
    def pipe(self) -> Pipe | None:
        """The likeliest pipe, None where a single point gives no direction."""
        return self.pipes[0][1] if self.pipes else None


def points_of(site: Site, placement: Placement, run: Run) -> list[int]:
    """Return the indices of a run's points indoors: its access, and what it found or that names it.

    Several rows may be one point; with a single run a blank cell means that run.

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.
    run
        The run.

    Returns
    -------
    list[int]
        Indices in the placement.
    """
    alone = len(site.runs) == 1
    named = {row.id for row in site.locates if row.run == run.id or (alone and not row.run)}
    return [
        i
        for i, point in enumerate(placement.points)
        if point.indoors
        and (point.id == run.access or (point.id in named and point.kind in ON_LINE_KINDS))
    ]


def part_of(
    placement: Placement, indices: Sequence[int], points: Sequence[PlacedPoint]
) -> Placement:
    """Return a placement of some of the points, written anew, with their covariance.

    Parameters
    ----------
    placement
        Points placed in the lot, with their covariance.
    indices
        Points by place in the placement.
    points
        Those points, written anew.

    Returns
    -------
    Placement
        The placement of these alone.
    """
    # x and y of each point stand next to one another in the covariance
    rows = np.array([[2 * i, 2 * i + 1] for i in indices], dtype=int).ravel()
    return replace(
        placement,
        points=tuple(points),
        covariance_m2=placement.covariance_m2[np.ix_(rows, rows)],
        mark_covariance_m2=placement.mark_covariance_m2[np.ix_(rows, rows)],
    )


def counted(point: PlacedPoint, run: Run) -> PlacedPoint:
    """Return a point as its run counts: 0 at the access, less upstream on a push inwards.

    Parameters
    ----------
    point
        The point.
    run
        The run.

    Returns
    -------
    PlacedPoint
        The point with its footage.
    """
    # the push begins there: a cleanout counts 0
    if point.id == run.access and point.footage_m is None:
        return replace(point, kind="cleanout")
    count = point.footage_m
    if point.kind == "cleanout" and count is None:
        return replace(point, kind="stack")  # its counter is at 0 for its own run only
    if run.toward == "upstream" and count is not None:
        # footage grows against the flow on such a push: negative, it grows with it
        return replace(point, footage_m=-count)
    return point


def follow_run(site: Site, placement: Placement, run: Run, slopes: SlopePrior) -> Followed | None:
    """Order a run's points, gather what they read, and fit its pipe; None without points.

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.
    run
        The run.
    slopes
        Prior of the slope.

    Returns
    -------
    Followed | None
        The run, None without points.
    """
    chosen = points_of(site, placement, run)
    if not chosen:
        return None
    part = part_of(placement, chosen, [counted(placement.points[i], run) for i in chosen])
    reading, pipes, order = read_run(site, part, run, slopes, most=MOST_PIPES)
    return Followed(run, tuple(chosen[i] for i in order), reading, pipes)


def read_run(
    site: Site, part: Placement, run: Run, slopes: SlopePrior, *, most: int = 1
) -> tuple[Reading, tuple[tuple[float, Pipe], ...], tuple[int, ...]]:
    """Order the points of a placement that lie on one pipe, gather what they read, fit the pipe.

    Gives the pipes, ``most`` of them, as in :class:`Followed`, and the order.

    Parameters
    ----------
    site
        The site as read.
    part
        Placement of the points of one pipe.
    run
        The run.
    slopes
        Prior of the slope.
    most
        Number of pipes.

    Returns
    -------
    reading
        What the points read.
    pipes
        Weight and pipe.
    order
        Indices, downstream.
    """
    inverts, sds = read_inverts(site, part)
    on_line = [
        i for i, p in enumerate(part.points) if p.kind in ON_LINE_KINDS or p.id == run.access
    ]
    xy = np.array([[part.points[i].x_m, part.points[i].y_m] for i in on_line])
    several = len(on_line) > 1 and float(np.hypot(*np.ptp(xy, axis=0))) > LEAST_SPREAD_M
    order = order_downstream(part, inverts, sds).indices if several else tuple(on_line)
    # the house's place on the lot moves all points alike, and is taken off
    marks = relative(gather_marks(part, order, site.noise), site.building.position_sd_m)
    seen = run.joins
    # on a push against the flow the wye lies behind the camera, not ahead
    footage = None if seen is None or run.toward == "upstream" else seen.footage_m
    reading = Reading(
        tuple(part.points[i].id for i in order),
        marks,
        inverts[list(order)],
        sds[list(order)],
        None if seen is None else seen.side,
        float("nan") if footage is None else footage,
    )
    pipes = _fit_pipes(site, part, order, marks, slopes, most) if several else ()
    return reading, pipes, order


def _fit_pipes(
    site: Site, part: Placement, order: tuple[int, ...], marks: Marks, slopes: SlopePrior, most: int
) -> tuple[tuple[float, Pipe], ...]:
    """Fit the pipe of ordered points, carried on to the wall ahead or so far.

    Its invert is worked out on the likeliest one: stations hardly differ.
    """
    plan = fit_plan(marks, most=most)
    depths, _ = gather_depths(site, part, order, plan.best.stations_m, plan.best.vertices)
    profile, _, _ = learn_profile(depths, slopes)
    ends = np.stack([chain.end for _, chain in plan.chains])
    # (k,) from each end straight on to the first wall
    _, lengths = first_walls(ends[:, :2], ends[:, 2], site.building)
    shares = [share for share, _ in plan.chains]
    likely = at_least(shares, LEAST_PIPE * shares[0])
    # shares of what is kept sum to 1 again
    total = sum(share for (share, _), kept in zip(plan.chains, likely, strict=True) if kept)
    return tuple(
        (share / total, pipe_of(chain, min(float(length), MOST_AHEAD_M), profile))
        for (share, chain), length, kept in zip(plan.chains, lengths, likely, strict=True)
        if kept
    )
