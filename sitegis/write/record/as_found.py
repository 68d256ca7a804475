"""The record lives: what was found and when, what moved, and how each stretch is known.

The columns of the observation log follow the structure of EN 13508-2 (a main code, amount, place on
the circumference by the clock, distance, from where to where, photo and video), from memory and
from public summaries: the standard's text was not at hand. The codes stand beside plain words,
which govern.
"""

from __future__ import annotations

import numpy as np

from ...finds.records import Finding
from ...model.revisions import Revision
from ...model.site import Observation, Run, Seen
from ...model.survey import Survey
from ...units import about, format_length, percent
from ..found import status_words, stretches
from ..keep import revision_of
from ..report.section import Cells, Section
from ..text import point_words, worth_sentence
from .particulars import coordinate_words
from .tables import Rows

NOW = "now"
SAME = "nothing that matters"


def found_sections(survey: Survey) -> list[Section]:
    """Return what was found outdoors and what each answer changed, where there is either."""
    revisions = _revision_rows(survey)
    if not revisions:
        return []
    status = Section("Status of this record", sentences=(status_words(survey),))
    findings = Section(
        "Found outdoors (places and depths as measured)",
        ("finding", "what", "easting, northing", "depth", "swing ties", "note"),
        tuple(_finding_rows(survey)),
        (worth_sentence(survey),),
    )
    known = Section(
        "How each stretch outdoors is known", ("stretch", "class"), tuple(_stretch_rows(survey))
    )
    moved = Section(
        "Revisions", ("revision", "date", "status", "new", "what moved"), tuple(revisions)
    )
    return [status, *(one for one in (findings, known) if one.rows), moved]


def _finding_rows(survey: Survey) -> Rows:
    """List the findings: what, when, where (as measured), how deep, and by which ties."""
    rows: Rows = []
    for one in survey.scores.finds:
        item = one.finding
        found = "this drain" if item.met == "yes" else "nothing" if item.met == "no" else item.met
        sure = f" ({percent(one.p_drain)})" if item.met == "yes" else ""
        ties = "; ".join(
            f"{format_length(length, survey.site.units)} from {point_words(name)}"
            for name, length in item.ties
        )
        place = coordinate_words(survey, np.array([item.x_m, item.y_m]))[0]
        rows.append(
            (
                f"{item.id} {item.date}".strip(),
                f"{item.work}: {found}{sure}",
                place,
                _depth_words(item, survey),
                ties or item.placed,
                item.note,
            )
        )
    return rows


def _depth_words(item: Finding, survey: Survey) -> str:
    """Say how deep the pipe was found, or how deep it was looked for."""
    units = survey.site.depth_units
    if item.depth_to_invert_m is not None:
        return f"invert {format_length(item.depth_to_invert_m, units)}"
    if item.depth_to_top_m is not None:
        return f"top {format_length(item.depth_to_top_m, units)}"
    return "" if item.dug_to_m is None else f"dug to {format_length(item.dug_to_m, units)}"


def _stretch_rows(survey: Survey) -> Rows:
    """List how each stretch of the most probable route is known."""
    units = survey.site.units
    return [
        (
            f"{about(one.from_m, units)} to {about(one.to_m, units)} from the wall",
            one.evidence_class,
        )
        for one in stretches(survey)
    ]


def _revision_rows(survey: Survey) -> Rows:
    """List the kept answers and this one: date, what was newly found, what moved since the last."""
    kept = survey.site.revisions
    if not kept and not survey.scores.finds:
        return []
    now = revision_of(survey, NOW, "")
    # a kept answer of this very state stands for it: no row twice
    same = kept and kept[-1].findings == now.findings and _moved(kept[-1], now, survey) == SAME
    every = list(kept) if same else [*kept, now]
    rows: Rows = []
    for before, one in zip([None, *every[:-1]], every, strict=True):
        known = () if before is None else before.findings
        new = (
            ", ".join(name for name in one.findings if name not in known)
            or "the locate points indoors"
        )
        moved = "" if before is None else _moved(before, one, survey)
        rows.append((one.id, one.date, one.status, new, moved))
    return rows


def _moved(before: Revision, one: Revision, survey: Survey) -> str:
    """Say what moved from one answer to the next, by how much."""
    units, words = survey.site.units, []
    step = float(np.hypot(one.exit_x_m - before.exit_x_m, one.exit_y_m - before.exit_y_m))
    # nobody would notice a smaller one on the ground (judgment)
    if step >= 0.05:
        words.append(f"exit by {about(step, units)}")
    # into -180° to 180°: 359° to 1° is a turn by 2°
    turn = (one.azimuth_deg - before.azimuth_deg + 180.0) % 360.0 - 180.0
    if abs(turn) >= 1.0:
        words.append(f"direction by {turn:+.0f}°")
    drop = one.invert_m - before.invert_m
    if abs(drop) >= 0.02:
        words.append(f"invert at the wall {'up' if drop > 0 else 'down'} {about(abs(drop), units)}")
    if one.main != before.main:
        words.append(f"main from {before.main or 'none listed'} to {one.main or 'none listed'}")
    elif one.station_m is not None and before.station_m is not None:
        along = one.station_m - before.station_m
        if abs(along) >= 0.1:
            words.append(f"tap by {about(abs(along), units)} along the main")
    was, now = (max((p for _, p in each.probabilities), default=0.0) for each in (before, one))
    if abs(now - was) >= 0.02:
        words.append(f"likeliest route from {percent(was)} to {percent(now)}")
    return "; ".join(words) or SAME


CODES: dict[Seen, str] = {
    "connection": "BCA",
    "bend": "BCC",
    "start": "BCD",
    "end": "BCE",
    "repair": "BCB",
    "crack": "BAB",
    "break": "BAC",
    "displaced-joint": "BAJ",
    "intruding-connection": "BAG",
    "roots": "BBA",
    "deposits": "BBC",
    "soil": "BBD",
    "obstacle": "BBE",
    "infiltration": "BBF",
    "water-level": "BDD",
}
"""Main codes of EN 13508-2 by what was seen; from memory where the summary did not have them."""
HEAD = ("run", "footage", "seen", "code", "clock", "amount", "photo, video", "remark")
NOTE = (
    "Footage from each run's own access; clock positions looking the way the camera goes, 12 at "
    "the top. Code: main code in the structure of EN 13508-2, from memory; the words govern."
)
STOPPED = {
    "blockage": "stopped by a blockage",
    "end-of-cable": "end of cable",
    "main": "reached the main",
    "other": "stopped",
}


def log_sections(survey: Survey) -> list[Section]:
    """Return the log, where there is one: by run and footage its start, what was seen, its end."""
    rows: list[Cells] = []
    for run in survey.site.runs:
        seen = [
            (one.footage_m, _row(one, survey))
            for one in survey.site.observations
            if one.run == run.id
        ]
        noted = sorted([*seen, *_noted(survey, run)], key=lambda entry: entry[0])
        rows += [row for _, row in noted]
    if not survey.site.runs:
        rows += [_row(one, survey) for one in survey.site.observations]
    return [Section("Observation log", HEAD, tuple(rows), (NOTE,))] if rows else []


def _noted(survey: Survey, run: Run) -> list[tuple[float, tuple[str, ...]]]:
    """Return what the run itself says, by footage: its start, its joint, its end."""
    units = survey.site.units
    push = "" if run.toward == "downstream" else ", pushed upstream"
    access = f"at {run.access}{push}"
    rows: list[tuple[float, tuple[str, ...]]] = [
        (0.0, (run.id, about(0.0, units), "start", "BCD", "", "", "", access))
    ]
    wye = run.joins
    if wye is not None and wye.footage_m is not None:
        side = "" if wye.side is None else f" from the {wye.side}"
        words = f"joins {wye.run or wye.point or 'another pipe'}{side}"
        where = about(wye.footage_m, units)
        rows.append((wye.footage_m, (run.id, where, "connection", "BCA", "", "", "", words)))
    if run.stopped is not None:
        at = run.stopped_at_m
        where = "" if at is None else about(at, units)
        # not known where: after all else
        last = float("inf") if at is None else at
        rows.append((last, (run.id, where, "end", "BCE", "", "", "", STOPPED[run.stopped])))
    return rows


def _row(one: Observation, survey: Survey) -> tuple[str, ...]:
    """Return the row of one observation."""
    units = survey.site.units
    footage = about(one.footage_m, units)
    if one.footage_to_m is not None:
        footage += f" to {about(one.footage_to_m, units)}"
    hours = [str(hour) for hour in (one.clock_from, one.clock_to) if hour is not None]
    kept = ", ".join(text for text in (one.photo, one.video_time) if text)
    return (
        one.run,
        footage,
        one.seen.replace("-", " "),
        CODES.get(one.seen, ""),
        " to ".join(hours),
        one.amount,
        kept,
        one.note,
    )
