"""Digging with and without learning: ``python -m tests.benchmarks.digging SITES FIRST FILE``.

Sites of :mod:`tests.independent_sites` ("stated" regime), SITES from seed FIRST, are dug on paper.
A pit shows the pipe where the true one crosses it with its top above the bottom, but with
probability 5 % (4 % of which all pits of a site share), and after each miss the answer is worked
out anew with it. What was found after a miss (within 2 cm, its depth too) is weighed too, and
intervals are held against the truth: the central ones of each quantity, and the sets that the
answer states (:mod:`sitegis.score.intervals`), which leave no kind of exit out at 95 %.
Placing, line and exit are worked out once a site; of the dig, what only draws is left out, and
between stages nothing is rounded.

Against that: (a) one pit in line with the drain 1.5 m outside the wall, (b) one pit 1.5 m outside
the wall toward the nearest main, (c) the first answer's pits in their first order; each followed,
where it finds nothing, by the trench from the wall. Money by the same prices. Then: does the stated
probability of the next pit hold after misses, and do the intervals hold with finds and misses?
FILE keeps what was done, so that a run goes on where it stopped; a fourth argument are the workers,
else two. With ``finds`` before SITES nothing is dug: one find 1 to 6 m out on each, and a second
one 5 m on, wherever the marks point; laterals with a bend are told apart.
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import binomtest, kstest

from sitegis.dig import plan_dig
from sitegis.exit import find_exit
from sitegis.finds.ground import ground_error
from sitegis.finds.records import Found, Missed
from sitegis.finds.reweigh import PIT_SHOWS
from sitegis.geometry import polyline
from sitegis.line import fit_line
from sitegis.messages.errors import ComputationError
from sitegis.model.dig_plan import Pit
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.pits.cost import BEDDING_M, pit_cost, surface_rates_at
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit, score_hypotheses
from sitegis.score.intervals import exit_spread
from tests.independent_sites import TrueSite, draw_site

from .coverage import least_interval, least_region, tap_level
from .kept import run_kept

Array = NDArray[np.float64]
Row = dict[str, Any]
MOST_PITS = 3
COMMON, ALONE = 0.04, 0.01 / 0.96  # of misses where the pipe is there: together 5 %
OUT_M, ON_M = 1.5, 5.0
FIND_SD_M = 0.02
STATES = ("marks", "1 miss", "2 misses", "1 find", "1 find after misses", "2 finds")
QUANTITIES = (
    "exit along the wall",
    "azimuth",
    "invert at the wall",
    "depth at the wall",
    "tap station",
)
SETS = ("place", "azimuth", "invert", "depth", "slope of the drain", "tap station")
NOT_ASKED = {
    "sitegis.score.stage": {"prepare_checks": None, "ask_checks": (), "rank_checks": (),
                            "telling_checks": {}},
    "sitegis.score.finds": {"_worth": 0.0},
    "sitegis.dig.plan": {"draw_corridors": (), "whole_cloud": None, "depth_table": (),
                         "hit_map": None, "compare_directions": (), "follow_trenches": (),
                         "undecided_direction": (), "_notices": (), "guessed_digs": (),
                         "guessed_cuts": (),
                         "rank_holes": ()},
}  # fmt: skip
"""What draws or advises and changes no pit, by module: name and what stands in its place."""


def answered(survey: Survey, *, to_pits: bool = True) -> Survey:
    """Go from the wall to the pits, or to the joint exit, without what is not asked here."""
    with ExitStack() as left_out:
        for module, names in NOT_ASKED.items():
            for name, instead in names.items():
                put = patch(f"{module}.{name}", lambda *_, one=instead, **__: one)
                left_out.enter_context(put)
        for step in (sample_routes, score_hypotheses, join_exit, *([plan_dig] if to_pits else [])):
            survey = step(survey)
    return survey


def with_evidence(survey: Survey, *more: Found | Missed) -> Survey:
    """Add findings to a site, and go back to the wall."""
    site = replace(survey.site, evidence=(*survey.site.evidence, *more))
    return replace(
        survey,
        site=site,
        penetration=survey.exit_from_inside,
        left_inside=None,
        sampled=None,
        scored=None,
        planned=None,
    )


class Dig:
    """One site dug on paper: the truth, the luck of its pits, and what was found."""

    def __init__(self, seed: int, true: TrueSite) -> None:
        self.true, self.generator = true, np.random.default_rng([seed, 77])
        self.nothing_shows = bool(self.generator.random() < COMMON)

    def depth_m(self, station_m: Array) -> Array:
        """Return the true depth of the invert at stations of the lateral."""
        along = polyline.stations(self.true.outdoors)
        at = polyline.line_interpolate_point(self.true.outdoors, station_m)
        ground = self.ground_m(at)
        return np.asarray(ground - np.interp(station_m, along, self.true.inverts_m))

    def ground_m(self, at: Array) -> Array:
        """Return the ground at places: as far off what is mapped as the site says, everywhere.

        Errors of spots that are interpolated partly cancel between them, where lawns are no more
        even than that: so they are stretched to the spread that is stated there.
        """
        true, mapped = self.true.ground, self.true.site.ground
        gap = np.asarray(at, float)[..., None, :] - mapped.spots
        weight = 1.0 / (np.sum(gap**2, axis=-1) + 1e-6)
        weight = weight / weight.sum(axis=-1, keepdims=True)
        stated, own = weight @ mapped.sds_m, np.sqrt(weight**2 @ mapped.sds_m**2)
        level = mapped.elevation_m(at)
        return np.asarray(level + (true.elevation_m(at) - level) * stated / own)

    def shows(self, ring: Array, bottom_depth_m: float) -> float | None:
        """Return at which station a hole shows the pipe, where it does."""
        line = shapely.LineString(self.true.outdoors)
        inside = shapely.intersection(line, shapely.Polygon(ring))
        if inside.is_empty or self.nothing_shows or self.generator.random() < ALONE:
            return None
        station = float(line.project(shapely.centroid(inside)))
        top = float(self.depth_m(np.array(station))) - self.true.site.drain_diameter_m
        return station if top <= bottom_depth_m else None

    def find(self, name: str, station_m: float) -> Found:
        """Measure what was found, to 2 cm."""
        at = polyline.line_interpolate_point(self.true.outdoors, np.array(station_m))
        x, y = at + self.generator.normal(0.0, FIND_SD_M, 2)
        depth = float(self.depth_m(np.array(station_m)) + self.generator.normal(0.0, FIND_SD_M))
        return Found(
            name,
            "test-pit",
            float(x),
            float(y),
            FIND_SD_M,
            "lot coordinates",
            "yes",
            depth_to_invert_m=depth,
        )


def missed(name: str, pit: Pit) -> Missed:
    """Return a pit that showed nothing as a finding."""
    sides = np.diff(pit.ring, axis=0)[:2]
    length, width = (float(one) for one in np.hypot(*sides.T))
    return Missed(
        name,
        "test-pit",
        pit.x_m,
        pit.y_m,
        0.02,
        "lot coordinates",
        "no",
        angle_rad=float(np.arctan2(sides[0, 1], sides[0, 0])),
        length_m=length,
        width_m=width,
        dug_to_m=pit.depth_m,
    )


def shares_below(survey: Survey, dig: Dig) -> list[float | None]:
    """Return the posterior share below the truth of each quantity; None without a posterior."""
    routes_of, true = {one.hypothesis.id: one for one in survey.routes}, dig.true
    step = true.outdoors[1] - true.outdoors[0]
    wall, truth = survey.exit, float(np.arctan2(step[1], step[0]))
    along = np.diff(polyline.closed(survey.site.building.vertices), axis=0)[wall.wall_index]
    along = along / np.hypot(*along)
    below: list[list[Array]] = [[], [], [], []]
    weights, taps, tap_weights = [], [], []
    for scored in survey.scores.hypotheses:
        routes = routes_of[scored.hypothesis.id]
        if not scored.weights.any():
            continue
        first, here = routes.vertices[:, 1] - routes.vertices[:, 0], routes.vertices[:, 0]
        turn = np.arctan2(first[:, 1], first[:, 0]) - truth
        higher, sd = ground_error(survey.site, routes.vertices, routes.inverts_m, here)
        ground = survey.site.ground.elevation_m(here) + higher
        deeper = dig.depth_m(np.zeros(())) - (ground - routes.inverts_m[:, 0])
        below[0].append((here - true.outdoors[0]) @ along < 0)
        below[1].append((turn + np.pi) % (2.0 * np.pi) < np.pi)
        below[2].append(routes.inverts_m[:, 0] < true.inverts_m[0])
        below[3].append(ndtr(deeper / sd))
        weights.append(scored.probability * scored.weights)
        if scored.hypothesis.main == true.main:
            taps.append(routes.tap_stations_m < true.tap_station_m)
            tap_weights.append(weights[-1])
    if not weights:
        return [None] * len(QUANTITIES)
    every = np.concatenate(weights)
    shares: list[float | None] = [float(np.concatenate(one) @ every / every.sum()) for one in below]
    of_tap = np.concatenate(tap_weights) if taps else np.zeros(0)
    known = true.listed and of_tap.sum() > 1e-6
    return [*shares, float(np.concatenate(taps) @ of_tap / of_tap.sum()) if known else None]


def stated_sets(survey: Survey, dig: Dig) -> list[float | None]:
    """Return the least level of the answer's own sets that holds the truth, 1 for none."""
    spread, true = exit_spread(survey), dig.true
    step = true.outdoors[1] - true.outdoors[0]
    invert = float(true.inverts_m[0])
    slope = (true.invert_start_m - invert) / polyline.length(true.indoors)
    tap = tap_level(survey, true)
    return [
        least_region(spread.place, true.outdoors[0]),
        least_interval(spread.angle, float(np.arctan2(step[1], step[0])), around=2.0 * np.pi),
        least_interval(spread.invert, invert),
        least_interval(spread.depth, float(dig.depth_m(np.zeros(())))),
        least_interval(spread.slope, float(slope)),
        tap if tap >= 0.0 else None,
    ]


def _note(row: Row, state: str, survey: Survey, dig: Dig) -> None:
    """Keep where the truth lies in the posterior, and in the sets that are stated of it."""
    row["states"][state] = shares_below(survey, dig)
    row.setdefault("sets", {})[state] = stated_sets(survey, dig)


def run_site(seed: int) -> Row:
    """Dig one site; a row without ``learning`` where it gives no answer."""
    true = draw_site(seed, "stated")
    survey = Survey(true.site, load_rules(true.site.rule_set))
    dig, row = Dig(seed, true), {"seed": seed, "pits": [], "states": {}}
    try:
        for step in (place_points, fit_line, find_exit):
            survey = step(survey)
        first = survey = answered(survey)
        _note(row, "marks", survey, dig)
        station, spent, count = None, 0.0, 0
        while survey.dig.pits and count < MOST_PITS and station is None:
            pit = survey.dig.pits[0]
            station, count, spent = dig.shows(pit.ring, pit.depth_m), count + 1, spent + pit.cost
            row["pits"].append([count - 1, pit.p_hit * PIT_SHOWS, station is not None])
            if station is None:
                survey = answered(with_evidence(survey, missed(f"F{count}", pit)))
                if count <= 2:
                    _note(row, STATES[count], survey, dig)
        if station is None:
            spent += survey.dig.expected_cost_straight
        elif count > 1:
            _finds(survey, dig, station, row, "1 find after misses")
        row["straight"] = first.dig.expected_cost_straight
        _others(first, dig, row)
        row["learning"] = [count, spent]
    except ComputationError as error:
        row["fault"] = str(error)
    return row


def _finds(survey: Survey, dig: Dig, station_m: float, row: Row, state: str) -> None:
    """Add the find, and a second one 5 m on, and see whether the intervals still hold."""
    survey = answered(with_evidence(survey, dig.find("G1", station_m)), to_pits=False)
    _note(row, state, survey, dig)
    row["samples"] = {state: _samples(survey)}
    if state == "1 find" and station_m + ON_M < polyline.length(dig.true.outdoors) - 1.0:
        two = with_evidence(survey, dig.find("G2", station_m + ON_M))
        survey = answered(two, to_pits=False)
        _note(row, "2 finds", survey, dig)
        row["samples"]["2 finds"] = _samples(survey)


def _samples(survey: Survey) -> list[float]:
    """Return P(the last find is this drain), the worst Pareto k of what counts, and samples."""
    scored = survey.scores.hypotheses
    k = max((h.pareto_k for h in scored if h.probability > 0.05), default=-1.0)
    return [survey.scores.finds[-1].p_drain, k, scored[0].effective_samples]


def run_found(seed: int) -> Row:
    """Find the pipe of one site twice, wherever it is; nothing is dug for it."""
    true = draw_site(seed, "stated")
    dig, row = Dig(seed, true), {"seed": seed, "states": {}, "bent": len(true.outdoors) > 2}
    survey = Survey(true.site, load_rules(true.site.rule_set))
    station = float(np.random.default_rng([seed, 78]).uniform(1.0, 6.0))
    try:
        for step in (place_points, fit_line, find_exit):
            survey = step(survey)
        _finds(survey, dig, min(station, polyline.length(true.outdoors) - 1.0), row, "1 find")
    except ComputationError as error:
        row["fault"] = str(error)
    return row


def _others(first: Survey, dig: Dig, row: Row) -> None:
    """Dig the three other ways: (a), (b) and (c)."""
    left, site = first.exit_from_inside, first.site
    here = np.array([left.x_m, left.y_m])
    ahead = np.array([np.cos(left.angle_rad), np.sin(left.angle_rad)])
    row["in line"] = _one_pit(first, dig, here + OUT_M * ahead, left.angle_rad)
    row["nearest main"] = _one_pit(
        first, dig, here + OUT_M * _toward_main(site, here, ahead), left.angle_rad
    )
    spent, count, hit = 0.0, 0, False
    for pit in first.dig.pits[:MOST_PITS]:
        spent, count = spent + pit.cost, count + 1
        if dig.shows(pit.ring, pit.depth_m) is not None:
            hit = True
            break
    row["fixed order"] = [count, spent + (0.0 if hit else first.dig.expected_cost_straight)]


def _toward_main(site: Site, here: Array, ahead: Array) -> Array:
    """Return the unit vector to the nearest main, straight ahead where it is behind the wall."""
    gaps = []
    for main in site.mains:
        station = float(polyline.line_locate_point(main.line, here)[1])
        gaps.append(polyline.line_interpolate_point(main.line, station) - here)
    if not gaps:
        return ahead
    nearest = min(gaps, key=lambda gap: float(np.hypot(*gap)))
    unit = nearest / np.hypot(*nearest)
    return unit if unit @ ahead > 0.2 else ahead


def _one_pit(first: Survey, dig: Dig, center: Array, along_rad: float) -> list[float]:
    """Dig one pit of the standard size across a direction, then the trench."""
    settings, turn = first.site.dig, along_rad + 0.5 * np.pi
    size = np.array([settings.pit_length_m, settings.pit_width_m])
    signs = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * size
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    ring = center + signs @ axes
    left = first.exit_from_inside
    depth = left.depth_m + 1.645 * left.depth_sd_m + BEDDING_M
    cost = float(
        pit_cost(
            np.array([size.prod()]),
            np.array([depth]),
            surface_rates_at(first.site, center[None]),
            settings,
            first.rules,
        )[0]
    )
    hit = dig.shows(ring, depth) is not None
    return [1, cost + (0.0 if hit else first.dig.expected_cost_straight)]


# ------------------------------------------------------------------------------------ tables


def tell(line: str) -> None:
    """Write a line."""
    sys.stdout.write(line + "\n")


def print_money(rows: list[Row]) -> None:
    """Print holes and money of each way to dig, and its cost against ours, site by site."""
    tell("way            holes   money (mean)   against learning   its 95 % range")
    ours = np.array([row["learning"][1] for row in rows])
    for way in ("learning", "fixed order", "in line", "nearest main"):
        holes, money = np.array([row[way] for row in rows]).T
        more = money - ours
        give = 1.96 * more.std() / np.sqrt(len(rows)) / ours.mean()
        ratio = money.mean() / ours.mean()
        tell(
            f"{way:13s}  {holes.mean():5.2f}   {money.mean():9.0f}      {ratio:6.3f}            "
            f"{ratio - give:.3f} to {ratio + give:.3f}"
        )


def print_hits(rows: list[Row]) -> None:
    """Print stated against actual P(hit) by the number of misses so far, then by what was said."""
    tell("\nafter misses   pits   stated P(hit)   found   95 % of the share found")
    for number in range(MOST_PITS):
        _hits(
            f"{number:12d}", [(p, hit) for row in rows for n, p, hit in row["pits"] if n == number]
        )
    tell("\nfirst pits     pits   stated P(hit)   found   95 % of the share found")
    edges = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 1.01)
    firsts = [(p, hit) for row in rows for n, p, hit in row["pits"] if n == 0]
    for low, high in pairwise(edges):
        within = [one for one in firsts if low <= one[0] < high]
        _hits(f"{low:4.2f} to {min(high, 1.0):4.2f}", within)


def _hits(name: str, told: list[tuple[float, bool]]) -> None:
    if told:
        p, hits = np.mean([one[0] for one in told]), sum(one[1] for one in told)
        low, high = binomtest(hits, len(told)).proportion_ci(method="wilson")
        tell(
            f"{name}  {len(told):5d}   {p:11.3f}   {hits / len(told):7.3f}   "
            f"{low:.3f} to {high:.3f}"
        )


def print_intervals(rows: list[Row]) -> None:
    """Print the shares of truths that intervals hold, and how the proposals fared."""
    tell("\nshare of truths in the central 50, 80 and 95 %; KS p of uniform ranks")
    for state in STATES:
        for which, name in enumerate(QUANTITIES):
            below = [row["states"][state][which] for row in rows if state in row["states"]]
            ranks = np.array([one for one in below if one is not None])
            if len(ranks) > 4:
                level = np.abs(2.0 * ranks - 1.0)
                held = "  ".join(f"{(level < one).mean():.3f}" for one in (0.5, 0.8, 0.95))
                tell(
                    f"{state:19s} {name:19s} n {len(ranks):4d}   {held}   "
                    f"{kstest(ranks, 'uniform').pvalue:.3f}"
                )
    tell("\nthe same of the sets that the answer states of the exit and the tap")
    for state in STATES:
        for which, name in enumerate(SETS):
            of_state = [row["sets"][state][which] for row in rows if state in row.get("sets", {})]
            levels = np.array([one for one in of_state if one is not None])
            if len(levels) > 4:
                held = "  ".join(f"{(levels <= one + 1e-9).mean():.3f}" for one in (0.5, 0.8, 0.95))
                tell(f"{state:19s} {name:19s} n {len(levels):4d}   {held}")
    for state in STATES:
        of = [row["samples"][state] for row in rows if state in row.get("samples", {})]
        if of:
            drain, k, effective = np.array(of).T
            tell(
                f"\n{state}: Pareto k below 0.7 in {np.mean(k < 0.7):.1%} of {len(of)}; effective "
                f"samples of the likeliest way, median {np.median(effective):.0f}, a tenth below "
                f"{np.quantile(effective, 0.1):.0f}; P(this drain) at least 0.5 in "
                f"{np.mean(drain >= 0.5):.1%}"
            )


def print_found(rows: list[Row]) -> None:
    """Print how intervals hold with finds, of all laterals and by whether they bend."""
    print_intervals(rows)
    for bent in (False, True):
        tell("\nlaterals with a bend" if bent else "\nstraight laterals")
        print_intervals([row for row in rows if row["bent"] == bent])


def main() -> None:
    """Run what is asked, print the tables."""
    asked = sys.argv[1:]
    found = asked[0] == "finds"
    sites, first, path, *more = asked[1:] if found else asked
    workers, seeds = int(more[0]) if more else 2, range(int(first), int(first) + int(sites))
    rows = run_kept(run_found if found else run_site, seeds, workers, Path(path))
    whole = [row for row in rows if "fault" not in row]
    tell(f"python -m tests.benchmarks.digging {' '.join(asked[: 3 if found else 2])} FILE")
    tell(f"{len(whole)} sites; {len(rows) - len(whole)} more gave no answer\n")
    if found:
        print_found(whole)
        return
    print_money(whole)
    print_hits(whole)
    print_intervals(whole)


if __name__ == "__main__":
    main()
