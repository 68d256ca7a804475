"""The record lives: what was found and when, what moved, and how each stretch is known."""

from __future__ import annotations

import numpy as np

from ...finds.records import Finding
from ...model.revisions import Revision
from ...model.survey import Survey
from ...units import about, format_length, percent
from ..found import status_words, stretches
from ..keep import revision_of
from ..report.section import Section
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
