"""The measurement that settles readings of each kind: what to do, and what each would give."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Array
from ..line.order import TAPED_KINDS
from ..model.doubts import Measurement, ReadingKind
from ..model.survey import Survey
from .depths import as_it_is
from .levels import asked_level
from .settle import (
    MOST_NAMED,
    STATED,
    Candidate,
    house_corners,
    lot_corners,
    settling_depth,
    settling_tape,
)
from .weigh import Found

TAPED: frozenset[ReadingKind] = frozenset({"corner", "house", "rooms", "unit"})
"""The kinds of readings that one tape from a mark to a corner of the house tells apart."""


INDOORS = TAPED | {"depths", "heading"}
"""The kinds of readings of what was measured in the house."""


def asked_together(one: ReadingKind, other: ReadingKind) -> bool:
    """Return whether one measurement settles readings of both kinds.

    Parameters
    ----------
    one
        Kind of one reading.
    other
        Kind of the other.

    Returns
    -------
    bool
        Whether it does.
    """
    return one == other or {one, other} <= TAPED


def measurement_for(
    survey: Survey, found: Sequence[Found], stated: dict[str, Array]
) -> Measurement | None:
    """Return the measurement that tells readings of one kind apart, None where none does.

    ``found`` with the more probable ones first; ``stated`` are the places (2,) of the marks.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    found
        Readings, the more probable ones first.
    stated
        Places (2,) of the marks by name, m.

    Returns
    -------
    Measurement | None
        The measurement, None where none tells them apart.
    """
    kind = found[0].kind
    if kind == "depths":
        return _depth_measurement(survey, found)
    if kind in ("ground", "slab"):
        return _leveling(survey, found)
    if kind in TAPED or kind == "place":
        return _tape(survey, found, stated)
    if kind == "front":
        return _compass(survey, found)
    if kind == "heading":
        named = found[0].words.removeprefix("the heading at ").removesuffix(" was read wrong")
        words = (
            f"read the heading at {named} again, or mark the head once more between it and the wall"
        )
        return _without_lengths(words, named, "", found)
    words = "look a corner of the lot up on another map and read its longitude and latitude"
    return _without_lengths(words, "lot", "", found)


def _without_lengths(words: str, start: str, end: str, found: Sequence[Found]) -> Measurement:
    # no length is read off a map or a heading: 0 stands for it, for the stated reading too
    ids = (STATED, *(one.id for one in found))
    return Measurement(words, start, end, ids, (0.0,) * len(ids))


def _tape(survey: Survey, found: Sequence[Found], stated: dict[str, Array]) -> Measurement | None:
    """Ask for a tape: from a mark to a corner of the house, or from there to one of the lot."""
    site = survey.site
    corners = house_corners(site)
    if found[0].kind == "place":
        stated, marks, ends = corners, tuple(corners), lot_corners(site)
    else:
        # the last marks first: they hold the exit most
        marks, ends = survey.drain.point_ids[::-1], corners
    candidates = [Candidate(STATED, "", stated)]
    candidates += [Candidate(one.id, one.words, one.places) for one in found if one.places]
    return settling_tape(site, candidates, marks, ends)


def _leveling(survey: Survey, found: Sequence[Found]) -> Measurement:
    """Ask for a difference of heights."""
    ask, start, end, written_m = asked_level(survey, found[0])
    if not end:
        return _without_lengths(ask, start, end, found)
    rows = [(STATED, "", written_m)] + [(one.id, one.words, one.expected) for one in found]
    # a difference of heights may be below 0, a depth may not
    return settling_depth(survey.site.units, ask, start, end, rows, least_m=-np.inf)


def _compass(survey: Survey, found: Sequence[Found]) -> Measurement:
    """Ask for a compass along the front line."""
    written = survey.site.frame.azimuth_deg(0.0)
    others = " or ".join(f"{one.expected:.0f}°" for one in found[:MOST_NAMED])
    words = (
        "hold a compass along the front line, from its left end to its right (add the "
        f"declination): {written:.0f}° from grid north if all is as written; {others} if not"
    )
    return _without_lengths(words, "front line", "", found)


def _depth_measurement(survey: Survey, found: Sequence[Found]) -> Measurement:
    """Ask for a depth taped to the pipe; where that was done, to read the last mark again."""
    site, drain, placement = survey.site, survey.drain, survey.placement
    # distance upstream of the drain's end, where the profile stands
    behind = dict(zip(drain.point_ids, drain.length_m - drain.stations_m, strict=True))
    opened = [
        point
        for point in placement.points
        if point.kind in TAPED_KINDS and point.id in behind and point.indoors
    ]
    closed = [point for point in opened if point.depth_m is None]
    read = [placement.points[placement.index(name)] for name in drain.point_ids]
    received = [
        point for point in read if point.kind not in TAPED_KINDS and point.depth_m is not None
    ]
    # a taped depth does not hang on the locator: better than reading it once more
    if closed or not opened:
        at = closed[0] if closed else received[-1]
        where = f"at the open {at.kind} {at.id}" if closed else f"through a hole at {at.id}"
        ask = f"tape from the floor to the bottom of the pipe {where}"
        back = float(behind[at.id])
        floor = at.surface_elevation_m
        # a reading's invert is at the wall, the stretch that nobody saw past the drain's end
        end = survey.exit.unseen_m
        rows = [(STATED, "", floor - drain.invert_at_end_m - drain.slope * back)]
        rows += [(o.id, o.words, floor - o.invert_m - o.slope * (back + end)) for o in found]
        return settling_depth(site.depth_units, ask, at.id, "floor", rows)
    at = received[-1]
    depth = at.depth_m or 0.0
    ask = f"read the depth at {at.id} again, at the floor and with the locator lifted"
    rows = [(STATED, "", depth)]
    rows += [(one.id, one.words, as_it_is(one.id, depth)) for one in found]
    return settling_depth(site.depth_units, ask, at.id, "head", rows)
