"""What was found outdoors, as the outputs tell it: status, findings, and what is left to dig."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

import numpy as np

from ..dig.trenches import exposures
from ..finds.records import Finding, FindJudgment
from ..geometry import polyline
from ..late_dataclass import dataclass
from ..model.derived import EvidenceClass
from ..model.dig_plan import FollowTrench
from ..model.survey import Survey
from ..score.posterior import most_probable_alternative
from ..units import about
from .answer_intervals import place_object
from .numbers import finite, members_of
from .text import pit_sentence

TAPE_COST = 20.0  # a measurement at the house, two people for a few minutes: judgment, no source
Status = Literal["proposed", "partly exposed", "as found"]
NEAR_WALL_M, APART_M = 1.5, 6.0
"""Seen as far as this from the wall, at the main, and nowhere farther apart than the second
(about two lengths of pipe), the whole lateral counts as seen. Judgment, no source."""


def status(survey: Survey) -> Status:
    """Return whether the lateral is proposed, partly exposed, or as found."""
    seen = exposures(survey)
    leading = most_probable_alternative(survey.scores.hypotheses, survey.routes)
    if not seen or leading is None:
        return "proposed"
    line = leading[1].vertices[leading[0].best]
    # (finds, 2): from and to along the route, in meters from the wall
    ends = np.concatenate([_span(line, one) for one in seen])
    stops = ends[np.argsort(ends[:, 0], kind="stable")]
    at_main = any(one.work == "connection" for one in seen)
    # a long trench may reach beyond finds that begin after it
    reached = np.maximum.accumulate(stops[:, 1])
    gaps = stops[1:, 0] - reached[:-1]
    whole = at_main and stops[0, 0] <= NEAR_WALL_M and bool((gaps <= APART_M).all())
    return "as found" if whole else "partly exposed"


def status_words(survey: Survey) -> str:
    """Say how far the record is seen rather than inferred."""
    return {
        "proposed": "Proposed: nothing outdoors was seen.",
        "partly exposed": "Partly exposed: what was seen is as found, all else is inferred.",
        "as found": "As found: the lateral was seen from the wall to the main.",
    }[status(survey)]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of the most probable route, by stations from the wall, and how it is known."""

    from_m: float
    to_m: float
    evidence_class: EvidenceClass


def stretches(survey: Survey) -> tuple[Stretch, ...]:
    """Return how each stretch of the most probable route is known; none where nothing was seen.

    Exposed where a hole shows it; between two places that were seen, or located by a locator,
    located if they lie no farther apart than ``APART_M`` (the pipe runs straight from one to the
    other, or nearly); else inferred.
    """
    leading = most_probable_alternative(survey.scores.hypotheses, survey.routes)
    seen = exposures(survey)
    if not seen or leading is None:
        return ()
    line = leading[1].vertices[leading[0].best]
    length = float(polyline.length(line))
    located = [one.finding for one in survey.scores.finds if one.finding.work == "locate"]
    known_by = (*seen, *(one for one in located if one.met == "yes"))
    ends = np.clip(np.concatenate([_span(line, one) for one in known_by]), 0.0, length)
    # here: the station up to which parts are made; known: whether a find lies behind it
    made, here, known = [], 0.0, False
    # a locator's mark has length 0: it closes a gap, and exposes nothing
    for start, end in sorted((float(a), float(b)) for a, b in ends):
        if start > here:
            near = known and start - here <= APART_M
            made.append(Stretch(here, start, "located" if near else "inferred"))
        if end > max(start, here):
            made.append(Stretch(max(start, here), end, "exposed"))
        here, known = max(here, end), True
    if length > here:
        made.append(Stretch(here, length, "inferred"))
    return tuple(made)


def _span(line: np.ndarray[Any, Any], one: Finding) -> np.ndarray[Any, Any]:
    """Return the stations (1, 2) between which a find shows the pipe.

    A trench shows its whole length, another hole at least its shorter side: it lies across.
    """
    # the second value is the station, the first the distance off the line
    at = float(polyline.line_locate_point(line, np.array([one.x_m, one.y_m]))[1])
    sides = sorted((one.width_m, one.length_m))
    half = 0.5 * (sides[1] if one.work == "trench" else sides[0]) if one.exposed else 0.0
    return np.array([[at - half, at + half]])


def finding_object(survey: Survey, one: FindJudgment) -> dict[str, Any]:
    """Return one finding as ``answer.json`` has it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        What the finding is taken for.

    Returns
    -------
    dict[str, Any]
        The object, ready for JSON.
    """
    item = one.finding
    return {
        "id": item.id,
        "kind": item.work,
        "found": item.met,
        "date": item.date,
        **place_object(survey.site.frame, item.x_m, item.y_m),
        "placed_by": item.placed,
        "sd_m": finite(item.sd_m),
        "at_pit": item.at_pit or None,
        **members_of(item, "exposed depth_to_invert_m dug_to_m"),
        "p_this_drain": finite(one.p_drain) if item.met == "yes" else None,
        **members_of(one, "off_m below_m"),
        "causes": [{"cause": name, "probability": finite(p)} for name, p in one.causes],
        "ties": [{"from": name, "distance_m": finite(length)} for name, length in item.ties],
        "worth": finite(one.worth, 2),
        **members_of(item, "note photo"),
        "photo_taken": item.photo_taken or None,
        "photo_off_m": finite(item.photo_off_m),
    }


def do_next(survey: Survey) -> list[dict[str, Any]]:
    """Return tapes, checks, the pits and trenches in one list, by what each is expected to save.

    A check saves what it takes off the dig less its own cost; a tape the pits that would be dug
    at the wrong place, by how probable the blunder is that it shows; the pits, dug in their order,
    what they take off the trench from the wall; of trenches that follow the pipe the cheaper
    stands first, and saves nothing further. Equals keep that order.
    """
    unit, dig = survey.site.units, survey.dig
    # kind, words, cost, expected saving
    rows: list[tuple[str, str, float, float]] = [
        ("check", one.check, one.cost, one.saving)
        # digs stand below; once the pipe is exposed, following it takes the place of checks
        for one in survey.scores.next_checks
        if not one.is_dig and not dig.follow
    ]
    rows += _tapes(survey)
    if dig.pits:
        saved = dig.expected_cost_straight - dig.expected_cost
        rows.append(("pit", pit_sentence(survey, dig.pits[0]), dig.pits[0].cost, saved))
    elif not dig.follow:
        rows.append(("trench", "follow the pipe from the wall", dig.expected_cost_straight, 0.0))
    rows += [
        (
            "trench",
            f"follow the pipe from {one.find} to the {one.to}, {about(one.length_m, unit)}",
            one.cost,
            0.0,
        )
        # to the cent: differences below it are rounding, and must not decide the order
        for one in sorted(dig.follow, key=lambda one: round(one.cost, 2))
    ]
    # stable: equals keep the order in which they were listed
    rows.sort(key=lambda row: -round(row[3], 2))
    return [
        {"kind": kind, "what": what, "cost": finite(cost, 2), "saving": finite(saving, 2)}
        for kind, what, cost, saving in rows
    ]


def _tapes(survey: Survey) -> Iterator[tuple[str, str, float, float]]:
    """List the measurements that show a blunder in the input, with cost and expected saving.

    Where the input is wrong every planned pit is dug in vain, and all of it has still to be done.
    """
    doubt, in_vain = survey.doubted, sum(pit.cost for pit in survey.dig.pits)
    if doubt is None or not in_vain:
        return
    if doubt.settle is not None:
        yield "tape", doubt.settle.words, TAPE_COST, doubt.p_elsewhere * in_vain - TAPE_COST
    for one in doubt.unchecked:
        # only a blunder that would put the pits beside the pipe costs anything
        if one.misses:
            yield "tape", one.check, TAPE_COST, one.posterior * in_vain - TAPE_COST


def follow_object(one: FollowTrench) -> dict[str, Any]:
    """Return a trench that follows the pipe as ``answer.json`` has it."""
    return {
        **members_of(one, "find to length_m depth_m"),
        "cost": finite(one.cost, 2),
    }
