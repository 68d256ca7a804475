"""Slips noticed and sound sites left in peace by stage ``doubt``.

Run: python -m tests.benchmarks.doubt FILE slips|sound|hits COUNT FIRST
Each run adds rows of JSON to FILE for COUNT seeds from FIRST on, then the table of FILE is printed
(with COUNT 0 that alone). ``slips`` spoils each site in every way that it allows, ``sound`` follows
sites of noise as stated and 1.5 times that, ``hits`` spoils sites as often as the package states,
answers each in full and digs its pits on paper: a hit is a pit that crosses the true lateral
with its top above the bottom.
All are drawn by :mod:`tests.slips`, apart from the package. Printed: the share of slips that stay
silent where the input separates them, whether the named measurement settles them, the share of
sound sites that are flagged, how well P(hit) holds, and the time the stage takes.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from sitegis.doubt import doubt_input, lower_hits
from sitegis.doubt.depths import DEPTH_BLUNDER
from sitegis.doubt.levels import GROUND_BLUNDER
from sitegis.doubt.lot import BUILDING_BLUNDER
from sitegis.doubt.readings import EXCHANGED_BLUNDER, ROOM_BLUNDER, UNIT_BLUNDER
from sitegis.doubt.unchecked import HEADING_BLUNDER
from sitegis.exit import find_exit
from sitegis.line import fit_line
from sitegis.messages.errors import ComputationError
from sitegis.model.doubts import Measurement
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.rules.rule_set import load_rules
from sitegis.to_the_wall import through
from tests.benchmarks.digging import MOST_PITS, Dig, answered
from tests.benchmarks.kept import keep_rows
from tests.slips import (
    CLASSES,
    OUTDOORS,
    EvidenceFault,
    Surveyed,
    draw_survey,
    in_building,
    make_slip,
    slips_of,
)

MOVED_M, DEEPER_M = 0.5, 0.3
SETTLES_M, SETTLES_DEPTH_M, EXIT_M = 0.20, 0.12, 1.5
RULES = load_rules("us-ipc")


def follow(site: Site) -> Survey | None:
    """Follow a site to the wall and doubt its input; None where that is refused."""
    try:
        return through(Survey(site, RULES), place_points, fit_line, find_exit, doubt_input)
    except ComputationError:
        return None


def flags(survey: Survey | None) -> set[str]:
    """Return the codes that need a person."""
    if survey is None:
        return {"refused"}
    return {notice.code for notice in survey.notices if notice.needs_person}


def moved(one: Survey, other: Survey) -> bool:
    """Return whether a slip changes what is dug: exit by 0.5 m, its depth by 0.3 m."""
    a, b = one.exit, other.exit
    return bool(
        np.hypot(a.x_m - b.x_m, a.y_m - b.y_m) > MOVED_M or abs(a.depth_m - b.depth_m) > DEEPER_M
    )


def settled(surveyed: Surveyed, slip: EvidenceFault, survey: Survey) -> bool:
    """Return whether a measurement that is named brings out the truth.

    What it measures in truth must agree with a reading that leads to the true exit within 1 m
    and 0.3 m in depth, and with no other, nor the stated one.
    """
    named = [survey.doubt.settle, *(one.settle for one in survey.doubt.unchecked)]
    return any(_brings_out(surveyed, slip, survey, one) for one in named if one is not None)


def _brings_out(
    surveyed: Surveyed, slip: EvidenceFault, survey: Survey, measurement: Measurement
) -> bool:
    if slip.kind == "one heading":
        return "heading" in measurement.readings
    true_m = _measured(surveyed, measurement)
    if true_m is None:
        return False
    near_m = SETTLES_M if measurement.end not in ("floor", "head") else SETTLES_DEPTH_M
    agree = {
        name
        for name, value in zip(measurement.readings, measurement.expected_m, strict=True)
        if abs(value - true_m) < near_m
    }
    readings = [one for one in survey.doubt.readings if one.id in agree]
    right = [
        one
        for one in readings
        if np.hypot(one.x_m - surveyed.exit[0], one.y_m - surveyed.exit[1]) < EXIT_M
    ]
    return "stated" not in agree and bool(readings) and len(right) == len(readings)


def _measured(surveyed: Surveyed, measurement: Measurement) -> float | None:
    """Measure what is named, in truth; None for what is no length here."""
    rows = {row.id: row for row in surveyed.site.locates}
    site = surveyed.site
    if measurement.end.startswith("building:") and measurement.start in rows:
        place = in_building(site, rows[measurement.start])
        corners = {
            "front-left": 0,
            "front-right": 1,
            "rear-right": 2,
            "rear-left": 3,
        }
        corner = site.building.vertices[corners[measurement.end[9:]]] - site.building.vertices[0]
        return float(np.hypot(*(place - corner)))
    if measurement.end == "floor":
        return _true_depth(surveyed, measurement.start)
    if measurement.end == "head":
        return _true_depth(surveyed, measurement.start) - surveyed.site.head_above_invert_m
    return None


def _true_depth(surveyed: Surveyed, mark: str) -> float:
    """Return the true depth of the invert at a mark below the slab."""
    true = surveyed.true
    ids = [row.id for row in surveyed.site.locates if row.kind != "wall"]
    length = float(np.hypot(*np.diff(true.indoors, axis=0).T).sum())
    slope = (true.invert_start_m - float(true.inverts_m[0])) / length
    return slope * float(true.stations_m[ids.index(mark)]) - true.invert_start_m


def slip_rows(seed: int) -> Iterator[dict[str, Any]]:
    """Spoil one site in every way and tell what became of it."""
    surveyed = draw_survey(seed, ("stated", "noisy", "habits")[seed % 3])
    sound = follow(surveyed.site)
    if sound is None:
        return
    for slip in slips_of(surveyed, seed):
        survey = follow(slip.site)
        row: dict[str, Any] = {"what": "slip", "seed": seed, "kind": slip.kind}
        row |= {"separable": slip.separable, "refused": survey is None}
        if survey is not None:
            start = time.process_time()
            doubt_input(survey)
            row["ms"] = 1000.0 * (time.process_time() - start)
            row["moved"] = moved(survey, sound)
            row["settled"] = settled(surveyed, slip, survey)
            row["named"] = "other-reading" in flags(survey)
            row["listed"] = bool(survey.doubt.unchecked)
        row["noticed"] = bool(flags(survey) - flags(sound))
        yield row


def sound_rows(seed: int) -> Iterator[dict[str, Any]]:
    """Follow one sound site at either noise."""
    for noisy in (1.0, 1.5):
        surveyed = draw_survey(seed, "stated" if noisy == 1.0 else "noisy", noisy)
        survey = follow(surveyed.site)
        if survey is not None:
            flagged = "other-reading" in flags(survey)
            away = survey.doubt.p_elsewhere
            yield {"what": "sound", "seed": seed, "noise": noisy, "flagged": flagged, "away": away}


def slip_rates(surveyed: Surveyed) -> dict[str, float]:
    """Return how often the package says that each class of slips is made on a site."""
    rooms = len({row.room for row in surveyed.site.locates})
    shared = (
        (ROOM_BLUNDER * rooms, CLASSES[:3]),
        (EXCHANGED_BLUNDER, CLASSES[3:4]),
        (UNIT_BLUNDER, CLASSES[4:5]),
        (DEPTH_BLUNDER, CLASSES[5:10]),
        (HEADING_BLUNDER, CLASSES[10:11]),
        (BUILDING_BLUNDER, OUTDOORS[:1]),
        (GROUND_BLUNDER, OUTDOORS[1:]),
    )
    return {kind: total / len(kinds) for total, kinds in shared for kind in kinds}


def hit_rows(seed: int) -> Iterator[dict[str, Any]]:
    """Spoil one site as often as the package states, answer it in full, and dig its pits."""
    surveyed = draw_survey(seed, "stated")
    generator = np.random.default_rng([seed, 8_888])
    rates = slip_rates(surveyed)
    kinds = [*rates, "none"]
    kind = str(generator.choice(kinds, p=[*rates.values(), 1.0 - sum(rates.values())]))
    site = surveyed.site if kind == "none" else make_slip(surveyed, kind, generator)
    survey = None if site is None else follow(site)
    if survey is None:
        return
    try:
        survey = lower_hits(answered(survey))
    except ComputationError:
        return
    asked = "other-reading" in flags(survey)
    line = shapely.LineString(surveyed.true.outdoors)
    dig = Dig(seed, surveyed.true)
    for rank, pit in enumerate(survey.dig.pits[:MOST_PITS], start=1):
        inside = shapely.intersection(line, shapely.Polygon(pit.ring))
        station = 0.0 if inside.is_empty else float(line.project(shapely.centroid(inside)))
        top = float(dig.depth_m(np.array(station))) - survey.site.drain_diameter_m
        hit = not inside.is_empty and top <= pit.depth_m
        yield {
            "what": "hit",
            "seed": seed,
            "kind": kind,
            "rank": rank,
            "asked": asked,
            "said": pit.p_hit,
            "away": given_away(survey),
            "hit": bool(hit),
        }


def given_away(survey: Survey) -> float:
    """Return what slips take off every P(hit)."""
    return 1.0 - (1.0 - survey.doubt.p_elsewhere) * (1.0 - survey.doubt.p_unchecked)


ROWS = {"slips": slip_rows, "sound": sound_rows, "hits": hit_rows}


def table(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield the table of all rows."""
    slips = [row for row in rows if row["what"] == "slip"]
    if slips:
        yield from _slip_table(slips)
    for noisy in (1.0, 1.5):
        own = [row for row in rows if row["what"] == "sound" and row["noise"] == noisy]
        if own:
            flagged = [row["seed"] for row in own if row["flagged"]]
            away = 100.0 * float(np.mean([row["away"] for row in own]))
            yield (
                f"sound sites, noise {noisy:g} times as stated: {len(own)}, flagged "
                f"{len(flagged)} ({100 * len(flagged) / len(own):.1f} %), probability given "
                f"away {away:.1f} % on average"
            )
    hits = [row for row in rows if row["what"] == "hit"]
    if hits:
        yield from _hit_table(hits)


def _hit_table(hits: list[dict[str, Any]]) -> Iterator[str]:
    """Hold P(hit) against how many pits hit, in bins; errors by sites, whose pits hang together."""
    first = [row for row in hits if row["rank"] == 1]
    slipped = [row for row in first if row["kind"] != "none"]
    yield (
        f"slips at the stated rates, answered in full: {len(first)} sites, {len(slipped)} with a "
        f"slip, {sum(row['asked'] for row in slipped)} of these asked about, of the others "
        f"{sum(row['asked'] for row in first if row not in slipped)}"
    )
    yield f"{'P(hit)':16}{'pits':>8}{'stated':>9}{'hit':>8}{'error':>8}{'no slips':>10}"
    edges = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0)
    for low, high in pairwise(edges):
        named = f"{low:.2f} to {high:.2f}"
        yield from _hit_line(named, [row for row in hits if low < row["said"] <= high])
    yield from _hit_line("all pits", hits)
    yield from _hit_line("first pits", first)
    yield from _hit_line("  with a slip", slipped)


def _hit_line(named: str, own: list[dict[str, Any]]) -> Iterator[str]:
    """Yield stated and actual hits, their difference's error, and what is stated without slips.

    The error is the spread of a site's sum of hits less what was stated.
    """
    if not own:
        return
    said, hit = (np.array([float(row[name]) for row in own]) for name in ("said", "hit"))
    kept = 1.0 - np.array([row["away"] for row in own])
    raw = np.minimum(said / np.maximum(kept, 1e-9), 1.0)
    _, site = np.unique([row["seed"] for row in own], return_inverse=True)
    error = np.sqrt(float((np.bincount(site, hit - said) ** 2).sum())) / len(own)
    yield (
        f"{named:16}{len(own):8}{100 * said.mean():8.1f}%{100 * hit.mean():7.1f}%"
        f"{100 * error:7.1f}%{100 * raw.mean():9.1f}%"
    )


def _slip_table(slips: list[dict[str, Any]]) -> Iterator[str]:
    sites = len({row["seed"] for row in slips})
    yield f"{len(slips)} slips on {sites} sites; harmless ones move neither exit nor depth"
    yield (
        f"{'slip':24}{'made':>6}{'harmless':>10}{'separable':>11}{'silent':>8}{'named':>7}"
        f"{'open':>6}{'listed':>8}{'settled':>12}"
    )
    for kind in (*CLASSES, "all"):
        own = [row for row in slips if kind in (row["kind"], "all")]
        grave = [row for row in own if row["refused"] or row["moved"]]
        apart = [row for row in grave if row["separable"]]
        silent = [row["seed"] for row in apart if not row["noticed"]]
        alone = [row for row in grave if not row["separable"]]
        told = [row for row in grave if not row["refused"]]
        yield (
            f"{kind:24}{len(own):6}{len(own) - len(grave):10}{len(apart):11}{len(silent):8}"
            f"{sum(row.get('named', False) for row in apart):7}{len(alone):6}"
            f"{sum(row['noticed'] or row.get('listed', False) for row in alone):8}"
            f"{sum(row['settled'] for row in told):8}/{len(told):<4}"
            + (f" silent: {silent[:5]}" if silent and kind != "all" else "")
        )
    grave = [row for row in slips if row["refused"] or row["moved"]]
    apart = [row for row in grave if row["separable"]]
    told = [row for row in grave if not row["refused"]]
    unsaid = sum(not row["noticed"] for row in apart)
    milliseconds = [row["ms"] for row in slips if "ms" in row]
    yield ""
    yield (
        f"silent where separable: {unsaid} of {len(apart)} "
        f"({100 * unsaid / max(len(apart), 1):.1f} %); settled by what is named: "
        f"{100 * sum(row['settled'] for row in told) / max(len(told), 1):.0f} %"
    )
    yield (
        f"stage doubt: {np.median(milliseconds):.0f} ms a site (median), "
        f"{np.quantile(milliseconds, 0.95):.0f} ms (95 %), on a busy machine"
    )
    yield ""


def main(arguments: list[str]) -> None:
    """Add what is asked for to the file, then print its table."""
    path, what, count, first = Path(arguments[0]), arguments[1], *map(int, arguments[2:4])
    rows = keep_rows(path, what, range(first, first + count), ROWS[what])
    sys.stdout.write("\n".join(table(rows)) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
