"""Do intervals hold? ``python -m tests.benchmarks.coverage HOW SITES FIRST FILE [BEFORE]``.

HOW is ``wall``, ``whole``, ``late`` (to the wall, only sites with none or one mark after the last
bend), ``far`` (the same through all stages but ``dig``, and every eighth of the other sites),
``cells`` (as ``far``, through all stages), ``other`` (through all stages, two regimes, sites of
:mod:`tests.other_sites`), ``crew`` (to the wall, the noisy regime alone, with 3,
10 and 30 redundant marks in turn), ``fall`` (to the wall, depths drawn anew by the package's own
priors of invert, slope and noise: what holds there is as stated, whatever is off elsewhere is the
difference of the sites from those priors), or ``own``: as ``late``, with the bends, slants and
slopes that the sites were drawn with in place of the package's. No method that gives honest
probabilities can hold more of such sites than that, but by saying more than 95 % of all.

Sites of :mod:`tests.independent_sites`, three regimes, SITES each from seed FIRST (``late``,
``far``, ``cells`` and ``own``: as many as it takes for SITES in each of the two cells), go to the
wall (place, line, exit), or through all stages up to the pits. FILE keeps one line of JSON a site,
so that a run goes on where it stopped; with SITES 0 the table of the file is printed alone, and of
a second file beside it: the same program run with an older package on the path. Judged are the sets
of 50, 80 and 95 % as ``answer.json`` states them (:mod:`sitegis.score.intervals`; to the wall the
same sets, from draws of the exit as the marks give it).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.stats import binomtest

from sitegis.dig import plan_dig
from sitegis.doubt import doubt_input, lower_hits
from sitegis.exit import choose_components, find_exit, sample_exit
from sitegis.line import bend_catalog, bends, fit_line, follow, stage, states
from sitegis.line.profile import INVERT_PRIOR_M, SLAB_COVER_M, SlopePrior, slope_prior
from sitegis.messages.errors import ComputationError
from sitegis.model.derived import ExitSpread
from sitegis.model.survey import Survey
from sitegis.numerics import exit_mixture
from sitegis.numerics.intervals import (
    Interval,
    Region,
    central_intervals,
    shifted,
)
from sitegis.numerics.noise_scale import RATE, SHAPE
from sitegis.place import place_points
from sitegis.place.ellipse import point_regions
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import score_hypotheses
from sitegis.score.intervals import (
    direction_sets,
    exit_spread,
    exit_strata,
    place_sets,
    tap_spreads,
)
from tests.independent_sites import (
    ANGLES_DEG,
    NOISY,
    REGIMES,
    NoSuchHouseError,
    Regime,
    TrueSite,
    draw_site,
)
from tests.other_sites import draw_other_site

Array = NDArray[np.float64]
Row = dict[str, Any]
TO_WALL = (place_points, fit_line, find_exit)
BEYOND = {"far": (*TO_WALL, sample_routes, score_hypotheses)}
BEYOND["whole"] = BEYOND["cells"] = BEYOND["other"] = (
    *TO_WALL,
    doubt_input,
    sample_routes,
    score_hypotheses,
    plan_dig,
    lower_hits,
)
LATE = ("late", "far", "cells", "own")
ONE_OF = 8  # of the sites with two marks and more, where ``far`` or ``cells`` is asked
# crews' noise, and that falls are as assumed, are asked of one regime each
ASKED = {"crew": REGIMES[1:2], "fall": REGIMES[:1], "other": REGIMES[:2]}
NONE, DRAWS = -1.0, 3000
WORKERS, BATCH = 2, 40
REDUNDANT = (3, 10, 30)
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0)


@dataclass(frozen=True)
class Outcome:
    """One site: for each quantity the least stated level whose set holds the truth, 1 for none.

    ``azimuth_length_deg``: how long the three sets of the azimuth are. ``marks`` those of the
    ellipses, one a mark; −1 where there is none. ``hit``: did the first pit expose the pipe, with
    ``stated``; ``depth`` at it if so. ``kept``: what the doubt of the input left of the probability
    that routes gave. ``corridor``: tap in the 95 %.
    """

    seed: int
    regime: str
    after_bend: int
    redundant: int
    azimuth: float
    azimuth_length_deg: list[float]
    place: float
    invert: float
    marks: list[float]
    station: float
    corridor: float
    stated: float
    hit: float
    depth: float
    kept: float = 1.0


def run_site(seed: int, regime: Regime, how: str) -> Outcome | None:
    """Run one site; None where it gives no answer, or is not asked for."""
    redundant = REDUNDANT[seed % len(REDUNDANT)] if how == "crew" else None
    try:
        if how == "other":
            true = draw_other_site(seed, NOISY if regime == "noisy" else 1.0)
        else:
            true = draw_site(seed, regime, redundant)
    except NoSuchHouseError:
        return None
    whole, far = plan_dig in BEYOND.get(how, ()), how in BEYOND
    if how in LATE and true.after_bend > 1 and (not far or seed % ONE_OF):
        return None
    if how == "fall":
        true = with_own_fall(true, seed)
    if how == "own":
        with generators_prior(regime):
            return run_site(seed, regime, "late")
    survey = Survey(true.site, load_rules(true.site.rule_set))
    try:
        for step in BEYOND.get(how, TO_WALL):
            survey = step(survey)
    except ComputationError:
        return None
    spread = exit_spread(survey) if far else _spread_of_marks(survey)
    step = true.outdoors[1] - true.outdoors[0]
    angle = float(np.arctan2(step[1], step[0]))
    stated, hit, depth = _first_pit(survey, true) if whole else (NONE, NONE, NONE)
    return Outcome(
        seed=seed,
        regime=regime,
        after_bend=true.after_bend,
        redundant=true.redundant,
        azimuth=least_interval(spread.angle, angle, around=2.0 * np.pi),
        azimuth_length_deg=[float(np.degrees(_length(one))) for one in spread.angle],
        place=least_region(spread.place, true.outdoors[0]),
        invert=least_interval(spread.invert, float(true.inverts_m[0])),
        marks=_mark_shares(survey, true),
        station=tap_level(survey, true) if far else NONE,
        corridor=_in_corridor(survey, true) if whole else NONE,
        stated=stated,
        hit=hit,
        depth=depth,
        kept=survey.doubt.p_kept if whole else 1.0,
    )


def with_own_fall(true: TrueSite, seed: int) -> TrueSite:
    """Draw invert, slope, the crew's noise and the readings anew, by the package's own priors.

    Invert at the last mark and slope, held below the slab at both ends; k² of the noise inverse
    gamma, half of the crews with the tail of Student's t, as :mod:`tests.independent_sites` has it.
    """
    generator = np.random.default_rng([seed, 4_712])
    site, stations = true.site, true.stations_m
    prior = slope_prior(load_rules(site.rule_set), site.drain_diameter_m)
    highest = -SLAB_COVER_M - site.drain_diameter_m
    inverts, slope = np.zeros(1), 0.0
    while max(inverts[0], inverts[-1]) > highest:
        part = generator.choice(prior.weights.size, p=prior.weights)
        slope = generator.normal(prior.means[part], prior.sds[part])
        inverts = generator.normal(*INVERT_PRIOR_M) + slope * (stations[-1] - stations)
    scale, noise = np.sqrt(RATE / generator.gamma(SHAPE)), site.noise
    depth = -inverts - site.head_above_invert_m
    count = depth.size
    own = generator.standard_normal(count)
    if generator.random() < 0.5:
        own = generator.standard_t(4.0, count) / np.sqrt(2.0)
    sds = np.array([noise.depth_sd_m(value) for value in depth])
    read = depth * (1.0 + scale * generator.normal(0.0, noise.session_depth_scale))
    read = np.maximum(read + scale * sds * own, 0.05)
    locates = tuple(
        one if one.depth_m is None else replace(one, depth_m=float(value))
        for one, value in zip(site.locates, read, strict=True)
    )
    length = float(np.hypot(*np.diff(true.indoors, axis=0).T).sum())
    wall = inverts[-1] - slope * (length - stations[-1])
    return replace(true, site=replace(site, locates=locates), inverts_m=np.array([wall]))


@contextmanager
def generators_prior(regime: Regime) -> Iterator[None]:
    """Put the generator's bends, slants and slopes in the place of the package's."""
    habits = regime == "habits"
    angles, shares = np.array(ANGLES_DEG["habits" if habits else "stated"]).T
    slant_sd, astray = (12.0, 0.3) if habits else (5.0, 0.15)  # as independent_sites draws
    peak = (1.0 - astray) / (slant_sd * np.sqrt(2.0 * np.pi))
    names = {
        "SIGNED_RAD": np.radians(np.outer(angles, [1.0, -1.0]).ravel()),
        "SIGNED_WEIGHTS": np.repeat(shares / 2.0, 2),
        "SIGNED_SD_RAD": np.full(2 * angles.size, np.radians(1.5)),
        "SQUARE_SD_RAD": float(np.radians(slant_sd)),
        "SQUARE_FLOOR": astray / 80.0 / (peak + astray / 80.0),
    }
    typical = 0.014 if habits else 0.018
    slopes = SlopePrior(  # the log-normal's moments
        np.ones(1),
        np.array([typical * np.exp(0.35**2 / 2)]),
        np.array([typical * np.exp(0.35**2 / 2) * np.sqrt(np.exp(0.35**2) - 1.0)]),
    )
    with ExitStack() as stack:
        stack.enter_context(patch.object(stage, "slope_prior", lambda *_: slopes))
        for module in (bends, bend_catalog, exit_mixture, follow, states):
            for name, value in names.items():
                if hasattr(module, name):
                    stack.enter_context(patch.object(module, name, value))
        yield


def _spread_of_marks(survey: Survey) -> ExitSpread:
    """Return the sets of the exit from draws of what the marks give, as ``exit_spread`` does."""
    exit, generator = survey.exit, np.random.default_rng(3)
    normals, uniforms = generator.standard_normal((DRAWS, 3)), generator.random(DRAWS)
    x, y, angle, invert, _ = sample_exit(
        exit, normals, uniforms, generator.standard_normal((DRAWS, 2))
    )
    weights = np.ones(DRAWS)
    strata = exit_strata(exit, choose_components(exit, uniforms)[0], weights)
    turn = (angle - exit.angle_rad + np.pi) % (2 * np.pi) - np.pi
    inverts = central_intervals(invert, weights)
    return ExitSpread(
        angle=shifted(direction_sets(turn, weights, strata), exit.angle_rad),
        place=place_sets(np.column_stack([x, y]), weights, strata),
        invert=inverts,
        depth=inverts,
        slope=inverts,
    )


def _length(interval: Interval) -> float:
    return sum(high - low for low, high in interval.pieces)


def least_interval(
    intervals: tuple[Interval, ...], truth: float, *, around: float = np.inf
) -> float:
    """Return the least level whose set holds a number, 1 where none; ``around``: a circle."""
    for one in intervals:
        for low, high in one.pieces:
            gap = truth - low if np.isinf(around) else (truth - low) % around
            if 0.0 <= gap <= high - low:
                return one.level
    return 1.0


def least_region(regions: tuple[Region, ...], truth: Array) -> float:
    """Return the least stated level one of whose ellipses holds a place, 1 where none."""
    for region in regions:
        for one in region.pieces:
            gap = truth - np.array([one.x_m, one.y_m])
            axis = np.array([np.cos(one.angle_rad), np.sin(one.angle_rad)])
            along = gap @ axis / one.semi_major_m
            across = (axis[0] * gap[1] - axis[1] * gap[0]) / one.semi_minor_m
            if along**2 + across**2 <= 1.0:
                return region.level
    return 1.0


def _mark_shares(survey: Survey, true: TrueSite) -> list[float]:
    """Return for every mark the least level whose ellipse holds the pipe's place there."""
    steps = np.hypot(*np.diff(true.indoors, axis=0).T)
    corners = np.concatenate([[0.0], np.cumsum(steps)])
    shares = []
    for i, point in enumerate(survey.placement.points):
        if point.kind != "locate":
            continue
        pipe = [np.interp(true.stations_m[i], corners, true.indoors[:, axis]) for axis in (0, 1)]
        regions = point_regions(survey.placement, i, survey.site.noise)
        shares.append(least_region(regions, np.array(pipe)))
    return shares


def tap_level(survey: Survey, true: TrueSite) -> float:
    """Return the least level of the tap's station that holds, given the true main."""
    for tap in tap_spreads(survey) if true.listed else ():
        if tap.main.id == true.main:
            return least_interval(tap.station, true.tap_station_m)
    return NONE


def _in_corridor(survey: Survey, true: TrueSite) -> float:
    """Return whether the tap lies in the 95 % corridor of all ways together."""
    if not true.listed:
        return NONE
    tap = shapely.Point(true.outdoors[-1])
    for corridor in survey.dig.corridors:
        if corridor.hypothesis == "all" and corridor.level == 0.95:
            area = shapely.union_all(
                [
                    shapely.Polygon(ring, holes)
                    for ring, holes in zip(corridor.rings, corridor.holes, strict=True)
                ]
            )
            # The main on record lies up to 0.4 m aside: the tap is where its line passes.
            return float(area.distance(tap) < 0.4)
    return NONE


def _first_pit(survey: Survey, true: TrueSite) -> tuple[float, float, float]:
    """Return what pit 1 states, whether it exposes the pipe, and the share of depth that holds.

    It is right where it crosses the pipe above its bottom. Depths are from the ground that is
    there, not as it was mapped.
    """
    if not survey.dig.pits:
        return NONE, NONE, NONE
    pit = survey.dig.pits[0]
    line, ring = shapely.LineString(true.outdoors), shapely.Polygon(pit.ring)
    if not line.intersects(ring):
        return pit.p_hit, 0.0, NONE
    passed = line.project(shapely.intersection(line, ring).centroid)
    steps = np.hypot(*np.diff(true.outdoors, axis=0).T)
    invert = np.interp(passed, np.concatenate([[0.0], np.cumsum(steps)]), true.inverts_m)
    ground = float(true.ground.elevation_m(np.array([pit.x_m, pit.y_m])))
    depth = ground - float(invert)
    return pit.p_hit, float(depth <= pit.depth_m), float(pit.depth_05_m <= depth <= pit.depth_95_m)


# ---------------------------------------------------------------------------------- tables

KINDS: tuple[tuple[str, Callable[[Outcome], bool]], ...] = (
    ("no mark after bend", lambda o: o.after_bend == 0),
    ("one mark", lambda o: o.after_bend == 1),
    ("two or more", lambda o: o.after_bend >= 2),
    ("redundant ≤ 3", lambda o: o.redundant <= 3),
    ("redundant 4 to 9", lambda o: 3 < o.redundant < 10),
    ("redundant 10 to 29", lambda o: 10 <= o.redundant < 30),
    ("redundant ≥ 30", lambda o: o.redundant >= 30),
)


def _share(hits: NDArray[np.bool_]) -> str:
    if not hits.size:
        return f"{'-':>19s}"
    interval = binomtest(int(hits.sum()), int(hits.size)).proportion_ci(0.95)
    return f"{100 * hits.mean():5.1f} [{100 * interval.low:4.1f}, {100 * interval.high:5.1f}]"


def _row(name: str, shares: Array, *, middle: bool = True) -> str:
    shares = shares[shares >= 0]
    inside = _share(shares <= 0.95 + 1e-9)
    half = _share(shares <= 0.50 + 1e-9) if middle else ""
    return f"  {name:30s}{shares.size:6d}   95 %: {inside}   {'50 %: ' + half if middle else ''}"


def table(outcomes: list[Outcome]) -> list[str]:
    """Write the table of one file."""
    lines = []
    for regime in REGIMES:
        of = [o for o in outcomes if o.regime == regime]
        if not of:
            continue
        lines.append(f"{regime} ({len(of)} sites)")
        through = any(o.stated >= 0 for o in of)
        lines += [
            _row(name, np.array([getattr(o, name) for o in of]))
            for name in ("azimuth", "place", "invert", *(("station",) if through else ()))
        ]
        lines.append(_row("locate ellipse", np.array([m for o in of for m in o.marks])))
        if through:
            corridor = np.array([o.corridor for o in of if o.corridor >= 0])
            lines.append(
                f"  {'tap in the 95 % corridor':30s}{corridor.size:6d}         "
                f"{_share(corridor > 0)}"
            )
            depth = np.array([o.depth for o in of if o.depth >= 0])
            lines.append(
                f"  {'depth at pit 1 (90 %)':30s}{depth.size:6d}         {_share(depth > 0)}"
            )
        for words, keep in KINDS:
            kept = [o for o in of if keep(o)]
            for name in ("azimuth", "place") if kept else ():
                lines.append(_row(f"{name}, {words}", np.array([getattr(o, name) for o in kept])))
        lengths = np.median([o.azimuth_length_deg for o in of], axis=0)
        lines.append(
            f"  length of the azimuth's sets, median: 50 % {lengths[0]:.0f}°, "
            f"80 % {lengths[1]:.0f}°, 95 % {lengths[2]:.0f}°"
        )
        lines += _pit_rows(of)
    together = _pit_rows(outcomes)
    return [*lines, "all regimes", *together] if together else lines


def cells(outcomes: list[Outcome], how: str) -> list[str]:
    """Write one line for each cell of ``late``, ``far``, ``own`` or ``crew``."""
    named: list[tuple[str, Callable[[Outcome], bool], tuple[Regime, ...]]] = [
        ("no mark", lambda o: o.after_bend == 0, REGIMES),
        ("one mark", lambda o: o.after_bend == 1, REGIMES),
        ("two or more", lambda o: o.after_bend > 1, REGIMES),
    ]
    if how == "crew":
        named = [
            (f"{count} redundant", partial(_has_redundant, count=count), REGIMES[1:2])
            for count in REDUNDANT
        ]
    columns = ("azimuth", "place", "invert")
    lines = [" " * 30 + "".join(f"{name + ' 95 %':23s}{'50 %':22s}" for name in columns)]
    lines[0] += "azimuth's 95 %, median"
    for words, keep, regimes in named:
        for regime in regimes:
            of = [o for o in outcomes if o.regime == regime and keep(o)]
            if not of:
                continue
            length = np.median([o.azimuth_length_deg[-1] for o in of])
            row = f"{words:14s}{regime:8s}{len(of):6d}  "
            for name in columns:
                level = np.array([getattr(o, name) for o in of])
                row += f"{_share(level <= 0.95 + 1e-9):23s}{_share(level <= 0.5 + 1e-9):22s}"
            lines.append(f"{row}{length:4.0f}°")
    return lines


def as_drawn(outcomes: list[Outcome]) -> list[str]:
    """Write what all sites as drawn hold: those with two marks and more stand for ``ONE_OF`` each.

    After ± 1.96 standard errors of a weighted mean, √Σ w² (h − h̄)² / Σ w.
    """
    lines = ["all sites as drawn: 95 %, 50 %; pit 1 stated, hit"]
    for regime in REGIMES:
        of = [o for o in outcomes if o.regime == regime]
        if not of:
            continue
        row = f"{regime:8s}{len(of):6d}"
        for name in ("azimuth", "place", "invert", "station"):
            told = [o for o in of if getattr(o, name) >= 0]
            levels = np.array([getattr(o, name) for o in told])
            most, half = (_weighed(told, levels <= level + 1e-9) for level in (0.95, 0.5))
            row += f"  {name} {most}, {half}"
        lines.append(row)
        pits = [o for o in of if o.stated >= 0]
        for low, high in [(0.0, 1.0), *pairwise(BINS)]:
            inside = [o for o in pits if low < o.stated <= high]
            if inside:
                stated = _weighed(inside, np.array([o.stated for o in inside])).split(" ")[0]
                hit = _weighed(inside, np.array([o.hit for o in inside]))
                lines.append(f"  {low:.2f} to {high:.2f}{len(inside):6d}  {stated}  {hit}")
    return lines


def _weighed(of: list[Outcome], values: Array | NDArray[np.bool_]) -> str:
    weights = np.array([ONE_OF if o.after_bend > 1 else 1.0 for o in of])
    mean = float(np.average(values, weights=weights))
    error = np.sqrt((weights**2 * (values - mean) ** 2).sum()) / weights.sum()
    return f"{100 * mean:.1f} ± {196 * error:.1f}"


def _has_redundant(outcome: Outcome, count: int) -> bool:
    return outcome.redundant == count


def _pit_rows(of: list[Outcome]) -> list[str]:
    """Hold what pit 1 states against how often it hits, in bins.

    In brackets what 95 of 100 right statements scatter by: 1.96 √Σ p (1 − p) of the count.
    """
    pits = np.array([(o.stated, o.hit) for o in of if o.stated >= 0])
    if not pits.size:
        return []
    planned = np.mean([o.stated / o.kept for o in of if o.stated >= 0])
    rows = [
        f"  pit 1 stated {pits[:, 0].mean():.3f}, hit {pits[:, 1].mean():.3f}, log loss "
        f"{_log_loss(pits):.3f}; by routes alone {planned:.3f}"
    ]
    for low, high in pairwise(BINS):
        inside = (pits[:, 0] > low) & (pits[:, 0] <= high)
        if inside.any():
            p, hits = pits[inside].T
            scatter = 1.96 * np.sqrt((p * (1.0 - p)).sum()) / p.size
            rows.append(
                f"    {low:.2f} – {high:.2f} {p.size:5d}  stated {p.mean():.3f}  "
                f"hit {hits.mean():.3f} [± {scatter:.3f}]"
            )
    return rows


def _log_loss(pits: Array) -> float:
    p = np.clip(pits[:, 0], 0.005, 0.995)
    return float(-np.mean(np.where(pits[:, 1] > 0, np.log(p), np.log(1.0 - p))))


def _read(path: Path) -> dict[tuple[int, str], Row]:
    """Read what a file holds, by seed and regime."""
    lines = path.read_text("utf-8").splitlines() if path.exists() else []
    return {(row["seed"], row["regime"]): row for row in map(json.loads, lines)}


def outcomes_of(rows: Iterable[Row]) -> list[Outcome]:
    """Return the rows of sites that have an answer, by seed."""
    found = [Outcome(**row) for row in rows if "azimuth" in row]
    return sorted(found, key=lambda outcome: outcome.seed)


def _row_of(job: tuple[int, Regime, str]) -> Row:
    outcome = run_site(*job)
    return asdict(outcome) if outcome else {"seed": job[0], "regime": job[1]}


def _lacks(regime: Regime, how: str, sites: int, known: dict[tuple[int, str], Row]) -> bool:
    """Return whether a cell of none or one mark after the last bend has too few sites."""
    after = [row.get("after_bend") for (_, of), row in known.items() if of == regime]
    return how in LATE and min(after.count(0), after.count(1)) < sites


def main(arguments: list[str]) -> None:
    """Run what is missing, then print."""
    how, sites, first, path = arguments[0], int(arguments[1]), int(arguments[2]), Path(arguments[3])
    known = _read(path)
    with path.open("a", encoding="utf-8") as file, ProcessPoolExecutor(WORKERS) as pool:
        for regime in ASKED.get(how, REGIMES):
            start = first
            while start < first + sites or _lacks(regime, how, sites, known):
                seeds = range(start, start + BATCH)
                if how not in LATE:
                    seeds = range(start, min(start + BATCH, first + sites))
                start += BATCH
                jobs = [(s, regime, how) for s in seeds if (s, regime) not in known]
                for row in pool.map(_row_of, jobs):
                    known[(row["seed"], regime)] = row
                    file.write(json.dumps(row) + "\n")
                    file.flush()
    sys.stdout.write("\n".join(table(outcomes_of(known.values()))) + "\n")
    if how in LATE or how == "crew":
        sys.stdout.write("\n".join(["", *cells(outcomes_of(known.values()), how)]) + "\n")
    if how in BEYOND and how in LATE:
        sys.stdout.write("\n".join(["", *as_drawn(outcomes_of(known.values()))]) + "\n")
    for before in arguments[4:]:
        rows = _read(Path(before)).values()
        sys.stdout.write("\n".join(["", "before", *table(outcomes_of(rows))]) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
