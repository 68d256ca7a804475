"""Stage ``doubt``: other readings of the same numbers, what nothing checks, what settles it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..geometry.frames import Array, wrap_radians
from ..line.bends import fit_plan
from ..line.order import TAPED_KINDS
from ..line.stage import gather_marks
from ..line.straights import HEADING_SD_RAD
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.doubts import Doubt, Measurement, OtherReading, ReadingKind, Speaks, Unchecked
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, MATTERS_P, at_least, in_steps, ordered
from ..numerics.statistics import log_sum
from ..units import about, percent
from .depths import as_it_is, depth_readings
from .readings import other_readings
from .settle import STATED, Candidate, settling_depth, settling_tape
from .unchecked import HEADING_BLUNDER, unchecked_inputs
from .weigh import (
    MOST_FITS,
    Outcome,
    Penetration,
    find_penetration,
    follow_reading,
    follow_stated,
    mark_reading,
    nearest_main,
    unit_term,
)

MOVED_M, DEEPER_M, TURNED_RAD = 0.5, 0.3, float(np.radians(20.0))
"""A reading that moves the exit, its depth or its direction by more changes what is dug."""
FLAG_FROM = 0.15
"""From this probability of all readings that change what is dug a person must settle it."""
NAME_FROM = 0.03
"""From this probability a reading is named in the notice. All three: judgment, no source."""
HOPELESS_NATS = 14.0
"""A reading so far behind the stated one is not followed further."""
OPEN_NATS = 3.0
"""What speaks against a reading by less than this (odds of 20) does not check the input."""


@dataclass(frozen=True, slots=True)
class _Found:
    """A reading with its evidence against the stated one; ``places`` of marks where they move."""

    id: str
    kind: ReadingKind
    about: str
    words: str
    prior: float
    evidence: tuple[Speaks, ...]
    penetration: Penetration
    invert_m: float
    places: dict[str, Array]
    slope: float = 0.0

    @property
    def log_evidence(self) -> float:
        """Sum of the evidence, in nats."""
        return sum(one.nats for one in self.evidence)


def doubt_input(survey: Survey) -> Survey:
    """Weigh other readings of the input against the one stated; list what nothing checks.

    Each is one slip with a small stated prior (:mod:`sitegis.doubt.readings`), followed to the
    wall cheaply (:mod:`sitegis.doubt.weigh`, :mod:`sitegis.doubt.depths`). Where those that move
    the exit by more than 0.5 m, its depth by more than 0.3 m or the main it leads to hold a
    seventh of the probability, a notice asks a person for the one measurement that settles it.
    What speaks against a reading hardly or not at all leaves its input unchecked: that is
    listed, with what an error would do.
    """
    stated = follow_stated(survey.site, survey.placement, survey.drain, survey.exit)
    invert = survey.exit.invert_m
    found = [
        *_of_places(survey, stated),
        *_of_depths(survey, stated.penetration),
        *_of_headings(survey, stated.penetration),
    ]
    logs = np.array(
        [np.log1p(-sum(one.prior for one in found))]
        + [np.log(one.prior) + one.log_evidence for one in found]
    )
    posterior = np.exp(logs - log_sum(logs))
    readings = tuple(
        _reading(survey, one, float(p), stated.penetration, invert)
        for one, p in zip(found, posterior[1:], strict=True)
    )
    elsewhere = float(
        sum(one.posterior for one in readings if _moves(survey, one, stated.penetration))
    )
    flagged = bool(at_least(elsewhere, FLAG_FROM, MATTERS_P))
    readings = tuple(
        replace(
            one,
            likely=flagged
            and one.posterior >= NAME_FROM
            and _moves(survey, one, stated.penetration),
        )
        for one in readings
    )
    order = sorted(range(len(readings)), key=lambda i: (-_steps(readings[i].posterior), i))
    readings, found = tuple(readings[i] for i in order), [found[i] for i in order]
    settle = _settle(survey, found, readings, stated.places) if flagged else None
    opened = _open_inputs(survey, found, readings, stated.places, stated.penetration)
    told = {one.about for one in opened} | {one.about for one in readings if one.likely}
    alone = (one for one in unchecked_inputs(survey) if one.about not in told)
    unchecked = (*opened, *alone)
    missed = 1.0 - float(np.prod([1.0 - one.posterior for one in unchecked if one.misses]))
    doubt = Doubt(readings, unchecked, settle, float(posterior[0]), elsewhere, missed)
    notices = (*(_notices(survey.site, doubt) if flagged else ()), *_unchecked_notices(unchecked))
    return replace(survey, doubted=replace(doubt, notices=notices))


def _steps(posterior: float) -> float:
    return float(in_steps(posterior, MATTERS_P))


# ---------------------------------------------------------------------------- the readings


def _of_places(survey: Survey, stated: Outcome) -> list[_Found]:
    """Follow the readings that move marks.

    Where they change their shape the line is fitted anew, for the three that promise most.
    """
    placement, drain = survey.placement, survey.drain
    marked = [
        (reading, mark_reading(reading.site, placement, drain))
        for reading in other_readings(survey.site, frozenset(drain.point_ids))
    ]
    least = stated.log_evidence - HOPELESS_NATS
    held = [pair for pair in marked if pair[1].log_network > least]
    bent = [pair for pair in held if pair[1].motion is None]
    promise = np.array([one.rough + one.log_network for _, one in bent])
    fitted = {
        bent[i][0].id for i in ordered(promise, MATTERS_P, descending=True)[:MOST_FITS].tolist()
    }
    found = []
    for reading, one in held:
        if one.motion is None and reading.id not in fitted:
            continue
        outcome = follow_reading(one, placement, drain)
        written = unit_term(drain, reading.scale)
        if outcome is not None and outcome.log_evidence + written > least:
            terms = [Speaks(name, outcome.terms[name] - v) for name, v in stated.terms.items()]
            found.append(
                _Found(
                    id=reading.id,
                    kind=reading.kind,
                    about=reading.about,
                    words=reading.words,
                    prior=reading.prior,
                    evidence=(*terms, Speaks("unit", written)),
                    penetration=outcome.penetration,
                    invert_m=survey.exit.invert_m,
                    places=outcome.places,
                )
            )
    return found


def _of_depths(survey: Survey, penetration: Penetration) -> list[_Found]:
    """Take over the readings of the depths.

    Depths may tell which way the drain flows: where a reading turns that, the drain is followed
    to the wall the other way.
    """
    placement = survey.placement
    stated = tuple(placement.index(name) for name in survey.drain.point_ids)
    ways: dict[tuple[int, ...], Penetration] = {stated: penetration, (): penetration}
    found = []
    for one in depth_readings(survey):
        if one.log_evidence <= -HOPELESS_NATS:
            continue
        if one.order not in ways:
            plan = fit_plan(gather_marks(placement, one.order, survey.site.noise))
            ways[one.order] = find_penetration(survey.site, plan.ends) or penetration
        found.append(
            _Found(
                id=one.id,
                kind="depths",
                about="locator's depths",
                words=one.words,
                prior=one.prior,
                evidence=one.evidence,
                penetration=ways[one.order],
                invert_m=one.invert_m,
                places={},
                slope=one.slope,
            )
        )
    return found


def _of_headings(survey: Survey, penetration: Penetration) -> list[_Found]:
    """Weigh that headings are wrong: the drain by its marks alone, headings as they may be.

    A heading is an axis, right to 10°, or read wrong at any angle: a mixture, so that no one of
    them turns the drain by a hard weight.
    """
    drain, placement = survey.drain, survey.placement
    indices = tuple(placement.index(name) for name in drain.point_ids)
    marks = gather_marks(placement, indices, survey.site.noise)
    headed = np.isfinite(marks.headings_rad)
    if not headed.any():
        return []
    plan = fit_plan(replace(marks, headings_rad=np.full(len(indices), np.nan)))
    other = find_penetration(survey.site, plan.ends)
    if other is None:
        return []
    off = _off_axis(marks.headings_rad, plan.best.vertices, plan.best.stations_m)
    right = (1.0 - HEADING_BLUNDER) * np.exp(-0.5 * (off / HEADING_SD_RAD) ** 2)
    right = right / (HEADING_SD_RAD * np.sqrt(2.0 * np.pi))
    stray = HEADING_BLUNDER / np.pi
    wrong = headed & (right < stray)
    if not wrong.any():
        return []
    logs = log_sum(np.array([*plan.log_evidence_by_bends.values()]))
    logs += float(np.log(right[headed & ~wrong]).sum()) - float(wrong.sum()) * float(np.log(np.pi))
    logs -= log_sum(np.array([*drain.log_evidence_by_bends.values()]))
    names = [name for name, bad in zip(drain.point_ids, wrong, strict=True) if bad]
    words = f"the heading at {', '.join(names)} was read wrong"
    prior = HEADING_BLUNDER ** len(names)
    invert = survey.exit.invert_m
    evidence = (Speaks("headings and line", logs),)
    return [_Found("heading", "heading", "headings", words, prior, evidence, other, invert, {})]


def _off_axis(headings: Array, vertices: Array, stations: Array) -> Array:
    """Give the angles (n,) in [0, π/2] between headings and the drain's axis at their stations."""
    steps = np.diff(vertices, axis=0)
    passed = np.cumsum(np.hypot(*steps.T))[:-1] + float(np.min(stations))
    axis = np.arctan2(steps[:, 1], steps[:, 0])[np.searchsorted(passed, stations)]
    return np.asarray(np.abs((headings - axis + np.pi / 2) % np.pi - np.pi / 2))


def _reading(
    survey: Survey, one: _Found, posterior: float, stated: Penetration, invert_m: float
) -> OtherReading:
    """Put a reading into its record, against the exit as stated."""
    here = np.array([one.penetration.x_m, one.penetration.y_m])
    site = survey.site
    ground = site.ground.elevation_m(np.stack([here, [stated.x_m, stated.y_m]]))
    main = nearest_main(site, one.penetration)
    return OtherReading(
        id=one.id,
        kind=one.kind,
        about=one.about,
        words=one.words,
        prior=one.prior,
        log_evidence=one.log_evidence,
        posterior=posterior,
        x_m=one.penetration.x_m,
        y_m=one.penetration.y_m,
        angle_rad=one.penetration.angle_rad,
        depth_m=float(ground[0]) - one.invert_m,
        main=None if main is None else main[0].id,
        moved_m=float(np.hypot(here[0] - stated.x_m, here[1] - stated.y_m)),
        deeper_m=float(ground[0] - ground[1]) - (one.invert_m - invert_m),
        likely=False,
        evidence=one.evidence,
    )


def _moves(survey: Survey, one: OtherReading, stated: Penetration) -> bool:
    """Tell whether a reading changes what is dug: exit, depth, or the main it leads to."""
    main = nearest_main(survey.site, stated)
    turned = abs(float(wrap_radians(np.array(one.angle_rad - stated.angle_rad))))
    return (
        one.moved_m > MOVED_M
        or turned > TURNED_RAD
        or abs(one.deeper_m) > DEEPER_M
        or one.main != (None if main is None else main[0].id)
    )


# -------------------------------------------------------------------- what settles, what is open


def _settle(
    survey: Survey,
    found: Sequence[_Found],
    readings: Sequence[OtherReading],
    stated: dict[str, Array],
) -> Measurement | None:
    """Choose the measurement for the most probable reading that is likely, and its like."""
    first = next((i for i, one in enumerate(readings) if one.likely), None)
    if first is None:
        return None
    kind = readings[first].kind
    same = [
        one
        for one, told in zip(found, readings, strict=True)
        if (one.kind == "depths") == (kind == "depths")
        and (told.posterior >= NAME_FROM or told.log_evidence > -OPEN_NATS)
    ]
    return _measurement(survey, same, stated, kind)


def _measurement(
    survey: Survey, found: Sequence[_Found], stated: dict[str, Array], kind: ReadingKind
) -> Measurement | None:
    """Give the measurement that tells readings of one kind apart."""
    site, drain = survey.site, survey.drain
    if kind == "heading":
        marks = found[0].words.removeprefix("the heading at ").removesuffix(" was read wrong")
        words = (
            f"read the heading at {marks} again, or mark the head once more between it and the wall"
        )
        return Measurement(words, marks, "", (STATED, found[0].id), (0.0, 0.0))
    if kind == "depths":
        return _depth_measurement(survey, found)
    candidates = [Candidate(STATED, "", stated)]
    candidates += [Candidate(one.id, one.words, one.places) for one in found if one.places]
    return settling_tape(site, candidates, drain.point_ids[::-1])


def _depth_measurement(survey: Survey, found: Sequence[_Found]) -> Measurement:
    """Ask for a depth taped to the pipe; where that was done, to read the last mark again."""
    site, drain, placement = survey.site, survey.drain, survey.placement
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
    if closed or not opened:
        at = closed[0] if closed else received[-1]
        where = f"at the open {at.kind} {at.id}" if closed else f"through a hole at {at.id}"
        ask = f"tape from the floor to the bottom of the pipe {where}"
        back = float(behind[at.id])
        floor = at.surface_elevation_m
        end = survey.exit.unseen_m
        rows = [(STATED, "", floor - drain.invert_at_end_m - drain.slope * back)]
        rows += [(o.id, o.words, floor - o.invert_m - o.slope * (back + end)) for o in found]
        return settling_depth(site, ask, at.id, "floor", rows)
    at = received[-1]
    depth = at.depth_m or 0.0
    ask = f"read the depth at {at.id} again, at the floor and with the locator lifted"
    rows = [(STATED, "", depth)]
    rows += [(one.id, one.words, as_it_is(one.id, depth)) for one in found]
    return settling_depth(site, ask, at.id, "head", rows)


def _open_inputs(
    survey: Survey,
    found: Sequence[_Found],
    readings: Sequence[OtherReading],
    stated: dict[str, Array],
    penetration: Penetration,
) -> list[Unchecked]:
    """List the inputs whose other readings hardly anything speaks against, worst first.

    What the notice asks a person to settle is not listed again.
    """
    site, listed = survey.site, []
    asked = next((one.about for one in readings if one.likely), None)
    for about_what in dict.fromkeys(one.about for one in found if one.about != asked):
        rows = [
            (one, told)
            for one, told in zip(found, readings, strict=True)
            if one.about == about_what
            and told.log_evidence > -OPEN_NATS
            and _moves(survey, told, penetration)
        ]
        if not rows:
            continue
        settle = _measurement(survey, [one for one, _ in rows], stated, rows[0][1].kind)
        moved = max(told.moved_m for _, told in rows)
        deeper = max(
            (told.deeper_m for _, told in rows), key=lambda m: float(in_steps(abs(m), MATTERS_M))
        )
        effects = []
        if moved > MOVED_M:
            effects.append(f"the exit {about(moved, site.units)} elsewhere")
        if abs(deeper) > DEEPER_M:
            text = "shallow" if deeper > 0 else "deep"
            effects.append(f"the pit {about(abs(deeper), site.units)} too {text}")
        effects = effects or ["another main"]
        listed.append(
            Unchecked(
                about=about_what,
                words=f"Nothing checks the {about_what}: if "
                f"{rows[0][1].words}, {' and '.join(effects)}.",
                check="one more tape." if settle is None else settle.words + ".",
                moved_m=moved,
                deeper_m=deeper,
                posterior=float(sum(told.posterior for _, told in rows)),
                settle=settle,
            )
        )
    return sorted(listed, key=lambda one: -round(one.moved_m + abs(one.deeper_m), 2))


def _notices(site: Site, doubt: Doubt) -> tuple[Notice, ...]:
    """Ask a person to settle what is in doubt."""
    likely = [one for one in doubt.readings if one.likely]
    if not likely:
        return ()
    named = "; ".join(
        f"{one.words} ({percent(one.posterior)}; exit {about(one.moved_m, site.units)} away"
        + (
            f", pit {about(abs(one.deeper_m), site.units)} "
            f"{'deeper' if one.deeper_m > 0 else 'shallower'}"
            if abs(one.deeper_m) > DEEPER_M
            else ""
        )
        + ")"
        for one in likely[:3]
    )
    check = "Measure again." if doubt.settle is None else f"To settle it {doubt.settle.words}."
    return (notice_of("other-reading", likely[0].about, named=named, check=check),)


def _unchecked_notices(unchecked: Sequence[Unchecked]) -> tuple[Notice, ...]:
    """Say of each input that nothing checks it."""
    return tuple(
        notice_of("unchecked-input", one.about, words=one.words, check=one.check)
        for one in unchecked
    )
