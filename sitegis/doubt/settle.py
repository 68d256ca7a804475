"""The one measurement that settles which reading holds: chosen by what it separates.

A tape to a point on a room's center line cannot tell a mirror pair, so the tape is chosen among
all marks and house corners by the least difference it leaves between any two readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.doubts import Measurement
from ..model.site import CORNER_SIDES, Site, corner_index
from ..place.assemble import corner_name
from ..units import LengthUnit, format_length

APART_M = 0.20
"""Two tapes told apart: five times what a tape around a house corner is off. Judgment."""
STATED = "stated"
MOST_NAMED = 4


@dataclass(frozen=True, slots=True)
class Candidate:
    """A reading to be told apart: id, words, and the places (2,) of all marks by name."""

    id: str
    words: str
    places: dict[str, Array]


def settling_tape(
    site: Site, readings: Sequence[Candidate], marks: Sequence[str], ends: Mapping[str, Array]
) -> Measurement | None:
    """Choose the tape from a mark to one of ``ends`` (2,) by name that best tells readings apart.

    ``readings`` with the stated one first, then the more probable ones; ``marks`` are those that
    may be taped from, in order of preference. The tape that separates the stated reading from
    most others (by 0.2 m or more) is taken, then most pairs of all, then the widest. None where
    no tape separates any.

    Parameters
    ----------
    site
        The site as read.
    readings
        The stated reading, then others by probability.
    marks
        Points that may be taped from, in order of preference.
    ends
        Places (2,) that may be taped to, by their names in ties.

    Returns
    -------
    Measurement | None
        The tape, None where none separates any.
    """
    if len(readings) < 2 or not marks or not ends:
        return None
    # rows: every tape that can be taken; columns: what it would read under each reading
    keys = [(mark, end) for mark in marks for end in ends]
    lengths = np.array(
        [
            [float(np.hypot(*(one.places[mark] - ends[end]))) for one in readings]
            for mark, end in keys
        ]
    )
    from_stated = np.abs(lengths[:, 1:] - lengths[:, :1])
    # settled is what parts any two readings, not each from the stated one alone
    pairs = np.stack(
        [np.abs(lengths[:, i] - lengths[:, j]) for i, j in combinations(range(len(readings)), 2)],
        axis=1,
    )
    # ascending: most apart from the stated one, most pairs, widest in whole
    # centimeters, then the order of the marks
    scores = [
        (
            -int((from_stated[row] >= APART_M).sum()),
            -int((pairs[row] >= APART_M).sum()),
            -round(float(pairs[row].min()), 2),
            -round(float(from_stated[row].min()), 2),
            row,
        )
        for row in range(len(keys))
    ]
    best = min(scores)[-1]
    # no tape in reach tells any reading from the stated one
    if not (from_stated[best] >= APART_M).any():
        return None
    mark, end = keys[best]
    words = _tape_words(site, mark, end, readings, lengths[best])
    return Measurement(
        words,
        mark,
        end,
        tuple(one.id for one in readings),
        tuple(float(value) for value in lengths[best]),
    )


def _tape_words(
    site: Site, mark: str, end: str, readings: Sequence[Candidate], lengths: Array
) -> str:
    """Say what to tape, and what each reading would give; those that agree are named together."""

    def length_words(value: float) -> str:
        return format_length(value, site.units, fraction=1)

    parts = [f"{length_words(float(lengths[0]))} if all is as written"]
    for one, length in list(zip(readings, lengths.tolist(), strict=True))[1 : MOST_NAMED + 1]:
        parts.append(f"{length_words(length)} if {one.words}")
    more = len(readings) - 1 - MOST_NAMED
    rest = f" ({more} further readings differ too)" if more > 0 else ""
    return f"tape from {_named(mark)} to {_named(end)}: {'; '.join(parts)}{rest}"


def _named(name: str) -> str:
    """Say what a name of a tie means."""
    where, _, corner = name.rpartition(":")
    if where == "building":
        return f"the {corner} outside corner of the house"
    return f"the {corner} corner of the lot" if where == "lot" else name


def house_corners(site: Site) -> dict[str, Array]:
    """Return the outside corners of the house (2,) by the names that ties have for them."""
    ring = site.building.vertices
    return {f"building:{corner_name(site, i)}": ring[i] for i in range(len(ring))}


def lot_corners(site: Site) -> dict[str, Array]:
    """Return the corners of the lot (2,) by the names that ties have for them."""
    ring, sides = site.lot.vertices, site.lot.sides
    return {f"lot:{name}": ring[corner_index(ring, sides, name)] for name in CORNER_SIDES}


def settling_depth(
    unit: LengthUnit,
    ask: str,
    start: str,
    end: str,
    depths: Sequence[tuple[str, str, float]],
    least_m: float = 0.0,
) -> Measurement:
    """Ask for one depth or height from ``start`` to ``end``: rows of (id, words, meters).

    The stated reading comes first; ``ask`` says what to do. None is said to be below ``least_m``.

    Parameters
    ----------
    unit
        Unit to write in.
    ask
        What to do.
    start
        From what.
    end
        To what.
    depths
        Id, words and depth in m of each reading.
    least_m
        Least that is written, m.

    Returns
    -------
    Measurement
        The measurement.
    """

    def length_words(value: float) -> str:
        return format_length(max(value, least_m), unit, fraction=2)

    parts = [f"{length_words(depths[0][2])} if all is as written"]
    parts += [f"{length_words(depth)} if {words}" for _, words, depth in depths[1 : MOST_NAMED + 1]]
    return Measurement(
        f"{ask}: {'; '.join(parts)}",
        start,
        end,
        tuple(row[0] for row in depths),
        tuple(row[2] for row in depths),
    )
