"""Slips noticed and sound sites left in peace, on whole site folders of other makers.

Run: python -m tests.benchmarks.doubt_folders FILE slips|sound COUNT FIRST
Folders are drawn by :mod:`tests.drawn_folders` and spoiled by :mod:`tests.folder_slips`, apart
from the package and from the sites that its thresholds were chosen on; each is read as a user's
would be and followed to the wall. Each run adds rows of JSON to FILE for COUNT seeds from FIRST
on (those it holds are not done again), then the table of FILE is printed (with COUNT 0 that
alone).
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from sitegis.branches import fit_drains
from sitegis.doubt import doubt_input
from sitegis.doubt.depths import DEPTH_BLUNDER
from sitegis.doubt.levels import GROUND_BLUNDER
from sitegis.doubt.lot import BUILDING_BLUNDER
from sitegis.doubt.readings import EXCHANGED_BLUNDER, ROOM_BLUNDER, UNIT_BLUNDER
from sitegis.doubt.unchecked import HEADING_BLUNDER
from sitegis.exit import find_exit
from sitegis.messages.errors import BadInput, ComputationError
from sitegis.model.doubts import Measurement
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.to_the_wall import check, through
from tests.benchmarks.kept import keep_rows
from tests.drawn_folders import CORNERS, HEAD_M, Drawn, draw_folder, write_folder
from tests.folder_slips import MAKERS, EvidenceFault, slips_of

MOVED_M, DEEPER_M = 0.5, 0.3
SETTLES_M, SETTLES_DEPTH_M, EXIT_M = 0.20, 0.12, 1.0
BESIDE = {"exit-may-bend", "exit-far-from-last-mark"}
"""Flags that say how well the exit is known, whatever was slipped: they notice nothing."""


def follow(drawn: Drawn) -> tuple[Survey | None, set[str]]:
    """Read a folder and follow it to the wall: the survey, and codes that need a person."""
    with tempfile.TemporaryDirectory() as folder:
        write_folder(drawn, Path(folder) / "site")
        try:
            survey = check(Path(folder) / "site")
        except BadInput as error:
            return None, {fault.code for fault in error.faults}
        except ComputationError as error:
            return None, {error.fault.code}
    return survey, {notice.code for notice in survey.notices if notice.needs_person} - BESIDE


def moved(one: Survey, other: Survey) -> bool:
    """Return whether a slip changes what is dug: exit by 0.5 m, its depth by 0.3 m."""
    a, b = one.exit, other.exit
    return bool(
        np.hypot(a.x_m - b.x_m, a.y_m - b.y_m) > MOVED_M or abs(a.depth_m - b.depth_m) > DEEPER_M
    )


def given_away(survey: Survey) -> float:
    """Return what slips take off every P(hit)."""
    return 1.0 - (1.0 - survey.doubt.p_elsewhere) * (1.0 - survey.doubt.p_unchecked)


def settled(slip: EvidenceFault, survey: Survey, sound: Survey) -> bool | None:
    """Return whether a measurement that is named brings out the truth; None where none is a length.

    What it gives in truth must agree with readings that lead to the exit as it was found before
    the slip, and with no other, nor the stated one.
    """
    if slip.kind == "one heading":
        named = [survey.doubt.settle, *(one.settle for one in survey.doubt.unchecked)]
        return any(one is not None and "heading" in one.readings for one in named)
    if slip.moves or slip.inputs == ("ground",):
        return None
    named = [survey.doubt.settle, *(one.settle for one in survey.doubt.unchecked)]
    return any(_brings_out(slip.drawn, survey, one, sound) for one in named if one is not None)


def _brings_out(drawn: Drawn, survey: Survey, measurement: Measurement, sound: Survey) -> bool:
    if measurement.end.startswith("building:"):
        corners = (drawn.house[0], drawn.house[1], drawn.house[-2], drawn.house[-1])
        corner = corners[CORNERS.index(measurement.end[9:])]
        true_m = float(np.hypot(*(drawn.places[measurement.start] - corner)))
        near_m = SETTLES_M
    elif measurement.end in ("floor", "head"):
        true_m = drawn.true_depths_m[measurement.start]
        true_m -= HEAD_M if measurement.end == "head" else 0.0
        near_m = SETTLES_DEPTH_M
    else:
        return False
    agree = {
        name
        for name, value in zip(measurement.readings, measurement.expected_m, strict=True)
        if abs(value - true_m) < near_m
    }
    readings = [one for one in survey.doubt.readings if one.id in agree]
    away = [np.hypot(one.x_m - sound.exit.x_m, one.y_m - sound.exit.y_m) for one in readings]
    return "stated" not in agree and bool(away) and bool(max(away) < EXIT_M)


def slip_rows(seed: int) -> Iterator[dict[str, Any]]:
    """Spoil one folder in every way and tell what became of it."""
    drawn = draw_folder(seed)
    sound, before = follow(drawn)
    if sound is None:
        yield {"what": "refused", "seed": seed, "codes": sorted(before)}
        return
    bare, steps = Survey(sound.site, sound.rules), (place_points, fit_drains, find_exit)
    yield {
        "what": "twin",
        "seed": seed,
        "away": given_away(sound),
        "ms": _milliseconds(doubt_input, sound),
        "before_ms": _milliseconds(through, bare, *steps),
    }
    for slip in slips_of(drawn, seed):
        survey, codes = follow(slip.drawn)
        row: dict[str, Any] = {"what": "slip", "seed": seed, "kind": slip.kind}
        row |= {"separable": bool(slip.separable), "refused": survey is None}
        row["codes"] = sorted(codes - before)
        row["noticed"] = bool(codes - before)
        row["listed"] = False
        row["grave"] = True
        if survey is not None:
            row["away"] = given_away(survey)
            row["grave"] = bool(slip.moves or moved(survey, sound))
            row["listed"] = any(
                word in one.about for one in survey.doubt.unchecked for word in slip.inputs
            )
            row["settled"] = settled(slip, survey, sound)
            row["ms"] = _milliseconds(doubt_input, survey)
        yield row


def _milliseconds(work: Callable[..., Survey], *given: Any) -> float:
    start = time.process_time()
    work(*given)
    return 1000.0 * (time.process_time() - start)


def sound_rows(seed: int) -> Iterator[dict[str, Any]]:
    """Follow one sound folder at either noise."""
    for noise in (1.0, 1.5):
        survey, codes = follow(draw_folder(seed, noise))
        row: dict[str, Any] = {"what": "sound", "seed": seed, "noise": noise}
        row |= {"codes": sorted(codes), "refused": survey is None}
        row["away"] = 0.0 if survey is None else given_away(survey)
        yield row


def rates() -> dict[str, float]:
    """Return how often the package says that each class of slips is made; a room's once a site."""
    shared = (
        (ROOM_BLUNDER, ("opposite corner", "adjacent corner", "hand", "opposite corner and hand")),
        (EXCHANGED_BLUNDER, ("rooms exchanged",)),
        (UNIT_BLUNDER, ("offsets in another unit",)),
        (DEPTH_BLUNDER, tuple(kind for kind in MAKERS if kind.startswith("depths"))),
        (HEADING_BLUNDER, ("one heading",)),
        (BUILDING_BLUNDER, ("house moved",)),
        (GROUND_BLUNDER, ("ground 6 ft lower", "ground a foot lower")),
    )
    return {kind: total / len(kinds) for total, kinds in shared for kind in kinds}


def _rate_line(rows: list[dict[str, Any]]) -> str:
    """Hold what slips take off P(hit) against how often they move the dig, at the stated rates."""
    often, twins = rates(), [row for row in rows if row["what"] == "twin"]
    moved_p = said_p = 0.0
    for twin in twins:
        own = [
            row
            for row in rows
            if row["what"] == "slip" and row["seed"] == twin["seed"] and row["kind"] in often
        ]
        answered = [row for row in own if not row["refused"]]
        moved_p += sum(often[row["kind"]] * row["grave"] for row in answered)
        said_p += sum(often[row["kind"]] * row["away"] for row in answered)
        said_p += (1.0 - sum(often[row["kind"]] for row in own)) * twin["away"]
    moved_p, said_p = 100 * moved_p / len(twins), 100 * said_p / len(twins)
    return (
        f"slips at the stated rates on {len(twins)} folders: {moved_p:.1f} % dig elsewhere, "
        f"the answers give away {said_p:.1f} %"
    )


CLASSES = {
    "room from another corner": ("opposite corner", "adjacent corner", "corner written"),
    "x and y the other way": ("hand", "opposite corner and hand"),
    "room ids exchanged": ("rooms exchanged",),
    "meters read as feet": ("offsets in another unit",),
    "one wrong heading": ("one heading",),
    "ground lower at the house": ("ground 6 ft lower", "ground a foot lower"),
    "depths halved, doubled, off": tuple(kind for kind in MAKERS if kind.startswith("depths")),
    "slab of the first floor": ("slab of the first floor", "another datum"),
    "neighboring zone, its unit": ("neighboring zone", "feet for meters"),
    "front line 12, 90, 180°": ("front line 12°", "front line 90°", "front line 180°"),
    "a degree, digits of latitude": ("a degree of latitude", "digits exchanged"),
    "longitude without its minus": ("longitude without minus",),
    "building layer or house moved": ("house moved",),
}
"""The classes of slips that once stayed silent, by the kinds made here."""


def _class_table(slips: list[dict[str, Any]]) -> Iterator[str]:
    """Yield how the slips of each class that move the dig come out: said, or listed."""
    yield (
        f"{'class':31}{'move the dig':>13}{'refused':>9}{'flagged':>9}{'listed':>8}"
        f"{'neither':>9}  said most often"
    )
    for name, kinds in CLASSES.items():
        own = [row for row in slips if row["kind"] in kinds and row["grave"]]
        refused = [row for row in own if row["refused"]]
        flagged = [row for row in own if row["noticed"] and not row["refused"]]
        listed = [row for row in own if row["listed"] and not row["noticed"]]
        codes = Counter(code for row in own for code in row["codes"]).most_common(3)
        left = len(own) - len(refused) - len(flagged) - len(listed)
        yield (
            f"{name:31}{len(own):13}{len(refused):9}{len(flagged):9}{len(listed):8}{left:9}  "
            f"{', '.join(f'{code} {count}' for code, count in codes)}"
        )


def _cost_line(twins: list[dict[str, Any]]) -> str:
    """Hold the stage's processor time on sound folders against that of the stages before it."""
    own, before = (np.array([row[name] for row in twins]) for name in ("ms", "before_ms"))
    return (
        f"stage doubt on the {len(twins)} folders without slips: mean {own.mean():.0f} ms, "
        f"median {np.median(own):.0f}, most {own.max():.0f}; place, line and exit before it: "
        f"mean {before.mean():.0f} ms; ratio {own.mean() / before.mean():.2f}"
    )


ROWS = {"slips": slip_rows, "sound": sound_rows}


def table(rows: list[dict[str, Any]]) -> Iterator[str]:
    """Yield the table of all rows."""
    slips = [row for row in rows if row["what"] == "slip"]
    if slips:
        yield from _slip_table(slips)
        yield from _class_table(slips)
        yield _rate_line(rows)
        yield _cost_line([row for row in rows if row["what"] == "twin"])
        yield ""
    for noise in (1.0, 1.5):
        own = [row for row in rows if row["what"] == "sound" and row["noise"] == noise]
        if own:
            yield from _sound_lines(own, noise)


def _sound_lines(own: list[dict[str, Any]], noise: float) -> Iterator[str]:
    count = len(own)
    flagged = [row["seed"] for row in own if "other-reading" in row["codes"]]
    refused = sum(row["refused"] for row in own)
    yield (
        f"sound folders, noise {noise:g} times as stated: {count}, another reading asked for in "
        f"{len(flagged)} ({100 * len(flagged) / count:.1f} %), refused {refused}, probability "
        f"given away {100 * float(np.mean([row['away'] for row in own])):.1f} %"
    )
    codes = [code for row in own for code in row["codes"]]
    yield "  other flags: " + ", ".join(
        f"{code} {100 * codes.count(code) / count:.1f} %" for code in sorted({*codes})
    )


def _slip_table(slips: list[dict[str, Any]]) -> Iterator[str]:
    yield f"{len(slips)} slips on {len({row['seed'] for row in slips})} folders"
    yield (
        f"{'slip':27}{'made':>6}{'harmless':>10}{'separable':>11}{'silent':>8}{'open':>6}"
        f"{'flagged':>9}{'listed':>8}{'neither':>9}{'settled':>12}"
    )
    for kind in (*MAKERS, "all"):
        own = [row for row in slips if kind in (row["kind"], "all")]
        grave = [row for row in own if row["grave"]]
        apart = [row for row in grave if row["separable"]]
        silent = [row["seed"] for row in apart if not row["noticed"]]
        alone = [row for row in grave if not row["separable"]]
        neither = [row["seed"] for row in alone if not (row["noticed"] or row["listed"])]
        told = [row for row in grave if row.get("settled") is not None]
        yield (
            f"{kind:27}{len(own):6}{len(own) - len(grave):10}{len(apart):11}{len(silent):8}"
            f"{len(alone):6}{sum(row['noticed'] for row in alone):9}"
            f"{sum(row['listed'] for row in alone):8}{len(neither):9}"
            f"{sum(row['settled'] for row in told):8}/{len(told):<4}"
            + (f" silent {silent[:6]}" if silent and kind != "all" else "")
            + (f" neither {neither[:6]}" if neither and kind != "all" else "")
        )
    milliseconds = [row["ms"] for row in slips if "ms" in row]
    yield (
        f"stage doubt on these: {np.median(milliseconds):.0f} ms a site (median), "
        f"{np.quantile(milliseconds, 0.95):.0f} ms (95 %), on a busy machine"
    )


def main(arguments: list[str]) -> None:
    """Add what is asked for to the file, then print its table."""
    path, what, count, first = Path(arguments[0]), arguments[1], *map(int, arguments[2:4])
    rows = keep_rows(path, what, range(first, first + count), ROWS[what])
    sys.stdout.write("\n".join(table(rows)) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
