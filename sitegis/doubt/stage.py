"""Stage ``doubt``: other readings of the same numbers, what nothing checks, what settles it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ..geometry.frames import Array, wrap_radians
from ..line.bends import fit_plan
from ..line.stage import gather_marks
from ..line.straights import HEADING_SD_RAD
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.doubts import (
    Doubt,
    EvidenceTerm,
    Measurement,
    OtherReading,
    Unchecked,
    evidence_against,
)
from ..model.site import Main, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, MATTERS_P, at_least, ordered
from ..numerics.statistics import log_sum
from ..units import about, is_imperial, percent
from .ask import INDOORS, asked_together, measurement_for
from .depths import depth_readings, leading_main
from .levels import level_readings
from .lot import earth_readings, lot_readings
from .readings import other_readings
from .unchecked import HEADING_BLUNDER, unchecked_inputs
from .weigh import (
    MOST_FITS,
    Found,
    Outcome,
    Penetration,
    find_penetration,
    follow_reading,
    follow_stated,
    mark_reading,
    unit_term,
)

MOVED_M, DEEPER_M, TURNED_RAD = 0.5, 0.3, float(np.radians(20.0))
"""A reading that moves the exit, its depth or its direction by more changes what is dug."""
FLAG_FROM = 0.15
"""From this probability of all readings that change what is dug a person must settle it."""
NAME_FROM = 0.03
"""From this probability a reading is named in the notice. All three: judgment, no source."""
LISTED = 2.0 / 3.0
"""An input is listed as unchecked from this share of these limits on: a foot off in the depths,
tempered by what else is known of them, falls a hair short. Judgment, no source."""
SUREST = 0.999
"""No reading is said to be surer."""
FAR_M = 2000.0
"""From so far on a distance is one on the earth, told in miles or kilometers."""
HOPELESS_NATS = 14.0
"""A reading so far behind the stated one is not followed further."""
OPEN_NATS = 3.0
"""Evidence against a reading of less than this (odds of 20) does not check the input."""


def doubt_input(survey: Survey) -> Survey:
    """Weigh other readings of the input against the one stated; list what nothing checks.

    Each is one blunder with a small stated prior (:mod:`sitegis.doubt.readings`), followed to the
    wall cheaply (:mod:`sitegis.doubt.weigh`, :mod:`sitegis.doubt.depths`). Where those that move
    the exit by more than 0.5 m, its depth by more than 0.3 m or the main it leads to hold a
    seventh of the probability, a notice asks a person for the one measurement that settles it.
    A reading with hardly any evidence or none against it leaves its input unchecked: that is
    listed, with what an error would do.
    """
    stated = follow_stated(survey.site, survey.placement, survey.drain, survey.exit)
    found = [
        *_of_places(survey, stated),
        *_of_depths(survey, stated.penetration),
        *_of_headings(survey, stated.penetration),
        *level_readings(survey, stated.penetration),
        *lot_readings(survey, stated.penetration),
        *earth_readings(survey, stated.penetration),
    ]
    # what is hopeless would only be listed
    found = [one for one in found if one.log_evidence > -HOPELESS_NATS]
    logs = np.array(
        # the stated reading has what the priors of all others leave
        [np.log1p(-sum(one.prior for one in found))]
        + [np.log(one.prior) + one.log_evidence for one in found]
    )
    posterior = np.exp(logs - log_sum(logs))
    order = ordered(posterior[1:], MATTERS_P, descending=True).tolist()
    found = [found[i] for i in order]
    readings = tuple(
        _reading(survey, one, float(posterior[1 + i]), stated.penetration)
        for i, one in zip(order, found, strict=True)
    )
    moves = _moving(survey, readings, stated.penetration)
    elsewhere = float(sum(one.posterior for one in readings if one.id in moves))
    asked = _asked(readings, moves)
    flagged = bool(asked)
    readings = tuple(replace(one, likely=one.id in asked) for one in readings)
    settle = _settle(survey, found, readings, stated.places) if flagged else None
    # inputs nearly wrong enough to dig elsewhere are listed, though no one is asked
    nearly = _moving(survey, readings, stated.penetration, LISTED)
    unchecked = tuple(_unchecked(survey, found, readings, nearly, stated.places))
    weighed = {one.about for one in readings}
    # those without weighed readings: theirs are in `elsewhere` already
    missed = 1.0 - float(
        np.prod([1.0 - o.posterior for o in unchecked if o.misses and o.about not in weighed])
    )
    doubt = Doubt(readings, unchecked, settle, float(posterior[0]), elsewhere, missed)
    asked_for = _notices(survey, doubt, stated.penetration) if flagged else ()
    notices = (*asked_for, *_unchecked_notices(unchecked))
    return replace(survey, doubted=replace(doubt, notices=notices))


# ---------------------------------------------------------------------------- the readings


def _of_places(survey: Survey, stated: Outcome) -> Iterator[Found]:
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
    # a full fit costs as much as a stage: for the readings only that promise most
    promise = np.array([one.rough + one.log_network for _, one in bent])
    fitted = {
        bent[i][0].id for i in ordered(promise, MATTERS_P, descending=True)[:MOST_FITS].tolist()
    }
    for reading, one in held:
        if one.motion is None and reading.id not in fitted:
            continue
        outcome = follow_reading(one, placement, drain)
        # the scale of what was written changes the density of it
        written = unit_term(drain, reading.scale)
        if outcome is not None and outcome.log_evidence + written > least:
            terms = evidence_against(stated.terms, outcome.terms)
            yield Found(
                id=reading.id,
                kind=reading.kind,
                about=reading.about,
                words=reading.words,
                prior=reading.prior,
                evidence=(*terms, EvidenceTerm("unit", written)),
                penetration=outcome.penetration,
                invert_m=survey.exit.invert_m,
                places=outcome.places,
            )


def _of_depths(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Take over the readings of the depths.

    Depths may tell which way the drain flows: where a reading turns that, the drain is followed
    to the wall the other way.
    """
    placement = survey.placement
    stated = tuple(placement.index(name) for name in survey.drain.point_ids)
    # orders of the marks that were followed already
    followed: dict[tuple[int, ...], Penetration] = {stated: penetration, (): penetration}
    for one in depth_readings(survey):
        if one.log_evidence <= -HOPELESS_NATS:
            continue
        if one.order not in followed:
            plan = fit_plan(gather_marks(placement, one.order, survey.site.noise))
            followed[one.order] = find_penetration(survey.site, plan.ends) or penetration
        yield Found(
            id=one.id,
            kind="depths",
            about="locator's depths",
            words=one.words,
            prior=one.prior,
            evidence=one.evidence,
            penetration=followed[one.order],
            invert_m=one.invert_m,
            places={},
            slope=one.slope,
        )


def _of_headings(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh that headings are wrong: the drain by its marks alone, headings as they may be.

    A heading is an axis, right to 10°, or read wrong at any angle: a mixture, so that no one of
    them turns the drain by a hard weight.
    """
    drain, placement = survey.drain, survey.placement
    indices = tuple(placement.index(name) for name in drain.point_ids)
    marks = gather_marks(placement, indices, survey.site.noise)
    headed = np.isfinite(marks.headings_rad)
    if not headed.any():
        return
    plan = fit_plan(replace(marks, headings_rad=np.full(len(indices), np.nan)))
    other = find_penetration(survey.site, plan.ends)
    if other is None:
        return
    # how far each heading lies off the drain that the marks alone give
    off = _off_axis(marks.headings_rad, plan.best.vertices, plan.best.stations_m)
    right = (1.0 - HEADING_BLUNDER) * np.exp(-0.5 * (off / HEADING_SD_RAD) ** 2)
    right = right / (HEADING_SD_RAD * np.sqrt(2.0 * np.pi))
    stray = HEADING_BLUNDER / np.pi
    # read wrong where that explains it better than a scatter of 10°
    wrong = headed & (right < stray)
    if not wrong.any():
        return
    # evidence without headings, times that of each heading right
    # or astray, over that with all as read
    logs = log_sum(np.array([*plan.log_evidence_by_bends.values()]))
    logs += float(np.log(right[headed & ~wrong]).sum()) - float(wrong.sum()) * float(np.log(np.pi))
    logs -= log_sum(np.array([*drain.log_evidence_by_bends.values()]))
    names = [name for name, bad in zip(drain.point_ids, wrong, strict=True) if bad]
    words = f"the heading at {', '.join(names)} was read wrong"
    prior = HEADING_BLUNDER ** len(names)
    invert = survey.exit.invert_m
    evidence = (EvidenceTerm("headings and line", logs),)
    yield Found("heading", "heading", "headings", words, prior, evidence, other, invert, {})


def _off_axis(headings: Array, vertices: Array, stations: Array) -> Array:
    """Return angles (n,) in [0, π/2] between headings and the drain's axis at their stations."""
    steps = np.diff(vertices, axis=0)
    # stations of the bends, on the scale of the marks' stations
    passed = np.cumsum(np.hypot(*steps.T))[:-1] + float(np.min(stations))
    axis = np.arctan2(steps[:, 1], steps[:, 0])[np.searchsorted(passed, stations)]
    return np.asarray(np.abs((headings - axis + np.pi / 2) % np.pi - np.pi / 2))


def _reading(survey: Survey, one: Found, posterior: float, stated: Penetration) -> OtherReading:
    """Put a reading into its record, against the exit as stated."""
    here = np.array([one.penetration.x_m, one.penetration.y_m])
    site = survey.site
    ground = site.ground.elevation_m(np.stack([here, [stated.x_m, stated.y_m]]))
    main = leading_main(site, one.penetration, one.invert_m, one.main_rise_m)
    moved_m = float(np.hypot(here[0] - stated.x_m, here[1] - stated.y_m))
    # ground there against ground here, and invert there against invert here
    deeper_m = float(ground[0] - ground[1]) - (one.invert_m - survey.exit.invert_m)
    return OtherReading(
        one.id,
        one.kind,
        one.about,
        one.words,
        one.prior,
        one.log_evidence,
        posterior,
        one.penetration.x_m,
        one.penetration.y_m,
        one.penetration.angle_rad,
        float(ground[0]) + one.ground_rise_m - one.invert_m,
        None if main is None else main.id,
        max(moved_m, one.off_earth_m),
        deeper_m + one.ground_rise_m,
        False,
        one.evidence,
    )


def _asked(readings: Sequence[OtherReading], moves: frozenset[str]) -> frozenset[str]:
    """Return the ids of the readings that a person must settle.

    Those that move what is dug where together they are likely; and of the slab's elevation and
    of all depths, by which a slab is cut where they move no pit, those likely themselves.
    """
    elsewhere = sum(one.posterior for one in readings if one.id in moves)
    named = moves if at_least(elsewhere, FLAG_FROM, MATTERS_P) else frozenset()
    return frozenset(
        one.id
        for one in readings
        if (one.posterior >= NAME_FROM and one.id in named)
        or (one.kind in ("slab", "depths") and at_least(one.posterior, FLAG_FROM, MATTERS_P))
    )


def _moving(
    survey: Survey, readings: Sequence[OtherReading], stated: Penetration, share: float = 1.0
) -> frozenset[str]:
    """Return the ids of readings that change what is dug: exit, depth, or the main it leads to.

    ``share`` of the limits.
    """
    main = leading_main(survey.site, stated, survey.exit.invert_m)
    leads = None if main is None else main.id
    turned = wrap_radians(np.array([one.angle_rad - stated.angle_rad for one in readings]))
    return frozenset(
        one.id
        for one, turn in zip(readings, np.abs(turned).tolist(), strict=True)
        if one.moved_m > share * MOVED_M
        or turn > share * TURNED_RAD
        or abs(one.deeper_m) > share * DEEPER_M
        or one.main != leads
    )


# -------------------------------------------------------------------- what settles, what is open


def _settle(
    survey: Survey,
    found: Sequence[Found],
    readings: Sequence[OtherReading],
    stated: dict[str, Array],
) -> Measurement | None:
    """Choose the measurement for the most probable reading that is likely, and its like."""
    first = next((one for one in readings if one.likely), None)
    if first is None:
        return None
    same = [
        one
        for one, record in zip(found, readings, strict=True)
        if asked_together(one.kind, first.kind)
        and (record.posterior >= NAME_FROM or record.log_evidence > -OPEN_NATS)
    ]
    return measurement_for(survey, same, stated)


def _unchecked(
    survey: Survey,
    found: Sequence[Found],
    readings: Sequence[OtherReading],
    moves: frozenset[str],
    stated: dict[str, Array],
) -> Iterator[Unchecked]:
    """List what nothing checks: inputs that other readings change, then those that stand alone.

    Of the second the probability is that of their readings, where any were weighed.
    """
    opened = _open_inputs(survey, found, readings, moves, stated)
    yield from opened
    listed = {one.about for one in opened} | {one.about for one in readings if one.likely}
    weighed: dict[str, float] = {}
    for one in readings:
        weighed[one.about] = weighed.get(one.about, 0.0) + one.posterior
    for alone in unchecked_inputs(survey):
        if alone.about not in listed:
            yield replace(alone, posterior=weighed.get(alone.about, alone.posterior))


def _open_inputs(
    survey: Survey,
    found: Sequence[Found],
    readings: Sequence[OtherReading],
    moves: frozenset[str],
    stated: dict[str, Array],
) -> list[Unchecked]:
    """List the inputs whose other readings hardly anything is evidence against, worst first.

    What the notice asks a person to settle is not listed again; heights, lot and place on earth
    are listed where they stand alone.
    """
    site, listed = survey.site, []
    asked = next((one.about for one in readings if one.likely), None)
    indoors = (one for one in found if one.kind in INDOORS and one.about != asked)
    for about_what in dict.fromkeys(one.about for one in indoors):
        rows = [
            (one, record)
            for one, record in zip(found, readings, strict=True)
            if one.about == about_what and record.log_evidence > -OPEN_NATS and record.id in moves
        ]
        if not rows:
            continue
        settle = measurement_for(survey, [one for one, _ in rows], stated)
        gravest = min(rows, key=lambda row: -round(row[1].moved_m + abs(row[1].deeper_m), 2))[1]
        moved, deeper = gravest.moved_m, gravest.deeper_m
        effects = []
        if moved > LISTED * MOVED_M:
            effects.append(f"the exit lies {about(moved, site.units)} elsewhere")
        if abs(deeper) > LISTED * DEEPER_M:
            text = "shallow" if deeper > 0 else "deep"
            effects.append(f"the pit is {about(abs(deeper), site.units)} too {text}")
        effects = effects or ["the drain leads to another main"]
        listed.append(
            Unchecked(
                about=about_what,
                words=f"Nothing checks the {about_what}: if "
                f"{gravest.words}, {' and '.join(effects)}.",
                check="one more tape." if settle is None else settle.words + ".",
                moved_m=moved,
                deeper_m=deeper,
                posterior=float(sum(record.posterior for _, record in rows)),
                settle=settle,
            )
        )
    return sorted(listed, key=lambda one: -round(one.moved_m + abs(one.deeper_m), 2))


def _notices(survey: Survey, doubt: Doubt, stated: Penetration) -> tuple[Notice, ...]:
    """Ask a person to settle what is in doubt."""
    main = leading_main(survey.site, stated, survey.exit.invert_m)
    likely = [one for one in doubt.readings if one.likely]
    if not likely:
        return ()
    named = "; ".join(
        f"{one.words} ({', '.join(_changes(survey.site, one, main))})" for one in likely[:3]
    )
    check = "Measure again." if doubt.settle is None else f"To settle it {doubt.settle.words}."
    name = "other-reading:levels" if likely[0].kind == "slab" else "other-reading"
    return (notice_of(name, likely[0].about, named=named, check=check),)


def _changes(site: Site, one: OtherReading, main: Main | None) -> Iterator[str]:
    """Say how likely a reading is and what it changes of what is dug; ``main`` as stated."""
    yield percent(min(one.posterior, SUREST))
    if one.moved_m > FAR_M:
        imperial = is_imperial(site.units)
        away = f"{one.moved_m / 1609.344:.0f} mi" if imperial else f"{one.moved_m / 1000.0:.0f} km"
        yield f"all of it {away} away"
    elif at_least(one.moved_m, 0.01, MATTERS_M):
        yield f"exit {about(one.moved_m, site.units)} away"
    if abs(one.deeper_m) > DEEPER_M:
        side = "deeper" if one.deeper_m > 0 else "shallower"
        yield f"pit {about(abs(one.deeper_m), site.units)} {side}"
    if main is not None and one.main is not None and one.main != main.id:
        yield f"toward {one.main}"


def _unchecked_notices(unchecked: Sequence[Unchecked]) -> tuple[Notice, ...]:
    """Say of each input that nothing checks it."""
    return tuple(
        notice_of("unchecked-input", one.about, words=one.words, check=one.check)
        for one in unchecked
    )


def lower_hits(survey: Survey) -> Survey:
    """Multiply the pits' P(hit) by the probability that no blunder moves what is dug.

    A pit planned for the input as stated is counted a miss under every reading that moves the
    exit, its depth or the main, and under a blunder in an input that nothing checks (the place of
    the house, the ground): the probability of those is given away, small as it may be.
    """
    kept = survey.doubt.p_kept
    if kept == 1.0:
        return survey
    pits = tuple(
        replace(
            pit,
            p_hit=kept * pit.p_hit,
            p_hit_so_far=kept * pit.p_hit_so_far,
            vacuum_p_hit=kept * pit.vacuum_p_hit,
            whole=pit.whole and replace(pit.whole, p_hit=kept * pit.whole.p_hit),
        )
        for pit in survey.dig.pits
    )
    return replace(survey, planned=replace(survey.dig, pits=pits))
