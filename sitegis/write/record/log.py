"""The observation log of the lateral record: what the camera saw, run by run.

Its columns follow the structure of EN 13508-2 (a main code, amount, place on the circumference by
the clock, distance, from where to where, photo and video), from memory and from public summaries:
the standard's text was not at hand. The codes stand beside plain words, which govern.
"""

from __future__ import annotations

from ...model.site import Observation, Run, Seen
from ...model.survey import Survey
from ...units import about
from ..report.section import Cells, Section

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
