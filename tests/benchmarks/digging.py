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
Beside what is dug, what stands by chance: one find 1 to 6 m out and a second one 5 m on, wherever
the marks point; and two holes about the exit, as far as they miss, and a find after the first miss.
All of one site starts from the same exit. FILE keeps what was done, so that a run goes on where it
stopped; with SITES 0 what it holds is printed. A fourth argument are the workers, else one; with
``dug`` after it sites are only dug: nothing stands by chance.
The ground is as far off what is mapped as the site says, everywhere (``Dig.ground_m``).
"""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
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
from sitegis.dig.cloud import gather_cloud, whole_cloud
from sitegis.dig.corridors import draw_corridors
from sitegis.exit import find_exit
from sitegis.finds.ground import ground_error
from sitegis.finds.records import Found, Missed
from sitegis.finds.reweigh import PIT_SHOWS
from sitegis.geometry import polyline
from sitegis.line import fit_line
from sitegis.messages.errors import ComputationError
from sitegis.model.dig_plan import Pit
from sitegis.model.revisions import KeptPit, Revision
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.numerics.intervals import LEVELS
from sitegis.pits.cost import BEDDING_M, pit_cost, surface_rates_at
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit, score_hypotheses
from sitegis.score.intervals import exit_spread
from tests.independent_sites import TrueSite, draw_site

from .coverage import least_interval, least_region, tap_level
from .kept import all_kept, run_kept

Array = NDArray[np.float64]
Row = dict[str, Any]
MOST_PITS = 3
LEAST_SITES = 9  # of a line in the tables
COMMON, ALONE = 0.04, 0.01 / 0.96  # of misses where the pipe is there: together 5 %
OUT_M, ON_M = 1.5, 5.0
FIND_SD_M = 0.02
STATES = (
    "marks",
    "1 find",
    "2 finds",
    "1 miss",
    "2 misses",
    "find after a miss",
    "dug: 1 miss",
    "dug: 2 misses",
    "dug: find after",
)
FOUND_STATES = ("1 find", "2 finds", "find after a miss", "dug: find after")
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
    """Add findings to a site, and go back to the wall; a plan there is, is kept."""
    site = replace(survey.site, evidence=(*survey.site.evidence, *more))
    if survey.planned is not None:
        site = replace(site, revisions=(*site.revisions, kept_plan(survey)))
    return replace(
        survey,
        site=site,
        penetration=survey.exit_from_inside,
        left_inside=None,
        sampled=None,
        scored=None,
        planned=None,
    )


def kept_plan(survey: Survey) -> Revision:
    """Return what ``run --keep`` would keep of a plan: its pits, and what it knew."""
    name = f"R{len(survey.site.revisions) + 1}"
    known = tuple(item.id for item in survey.site.evidence if isinstance(item, Found | Missed))
    pits = []
    for pit in survey.dig.pits:
        sides = np.diff(pit.ring, axis=0)[:2]
        length, width = (float(one) for one in np.hypot(*sides.T))
        angle = float(np.arctan2(sides[0, 1], sides[0, 0]))
        ident = f"{name}-P{pit.rank}"
        pits.append(KeptPit(ident, pit.x_m, pit.y_m, angle, length, width, pit.depth_m, pit.p_hit))
    exit = survey.exit
    pose = (exit.x_m, exit.y_m, exit.angle_rad, exit.invert_m)
    return Revision(name, "", "", "proposed", known, *pose, "", None, (), tuple(pits))


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


def in_corridor(survey: Survey, true: TrueSite) -> bool | None:
    """Return whether the tap lies in the 95 % corridor of all ways together; None without one."""
    if not true.listed or tap_level(survey, true) < 0.0:
        return None
    clouds = gather_cloud(survey), whole_cloud(survey)
    # one owner of all: the corridor of all ways alone
    one, other = (replace(c, owner=np.zeros_like(c.owner), hypotheses=("all",)) for c in clouds)
    drawn = draw_corridors(one, other)
    widest = next((c for c in drawn if c.level == LEVELS[-1]), None)
    if widest is None:
        return None
    shape = shapely.union_all(
        [shapely.Polygon(r, h) for r, h in zip(widest.rings, widest.holes, strict=True)]
    )
    return bool(shapely.intersects(shape, shapely.Point(true.outdoors[-1])))


def _note(row: Row, state: str, survey: Survey, dig: Dig) -> None:
    """Keep where the truth lies in the posterior, and in the sets that are stated of it."""
    row["states"][state] = shares_below(survey, dig)
    row.setdefault("sets", {})[state] = stated_sets(survey, dig)
    row.setdefault("corridor", {})[state] = in_corridor(survey, dig.true)
    if survey.scores.finds:
        row.setdefault("samples", {})[state] = _samples(survey)


def run_site(seed: int, *, by_chance: bool = True) -> Row:
    """Dig one site, then find and miss by chance; with a ``fault`` where it gives no answer."""
    true = draw_site(seed, "stated")
    survey = Survey(true.site, load_rules(true.site.rule_set))
    row: Row = {"seed": seed, "pits": [], "states": {}, "bent": len(true.outdoors) > 2}
    try:
        for step in (place_points, fit_line, find_exit):
            survey = step(survey)
        dig_out(answered(survey), Dig(seed, true), row)
        if by_chance:
            stand_by_chance(survey, Dig(seed, true), row, np.random.default_rng([seed, 78]))
    except ComputationError as error:
        row["fault"] = str(error)
    return row


def dig_out(first: Survey, dig: Dig, row: Row) -> None:
    """Dig what is proposed, learning from each miss; then the other ways."""
    _note(row, "marks", first, dig)
    survey, station, spent, count = first, None, 0.0, 0
    while survey.dig.pits and count < MOST_PITS and station is None:
        pit = survey.dig.pits[0]
        station, count, spent = dig.shows(pit.ring, pit.depth_m), count + 1, spent + pit.cost
        row["pits"].append([count - 1, pit.p_hit * PIT_SHOWS, station is not None])
        if station is None:
            survey = answered(with_evidence(survey, missed(f"F{count}", pit)))
            if count <= 2:
                _note(row, ("dug: 1 miss", "dug: 2 misses")[count - 1], survey, dig)
    if station is None:
        spent += survey.dig.expected_cost_straight
    elif count > 1:
        seen = with_evidence(survey, dig.find("G1", station))
        _note(row, "dug: find after", answered(seen, to_pits=False), dig)
    row["straight"] = first.dig.expected_cost_straight
    _others(first, dig, row)
    row["learning"] = [count, spent]


def stand_by_chance(wall: Survey, dig: Dig, row: Row, generator: np.random.Generator) -> None:
    """Weigh finds 1 to 6 m out and 5 m on, then holes about the exit and a find after a miss.

    Two holes of 1.2 by 0.9 m, 1 to 4 m out, up to 1.5 m beside the exit's line. Where one shows
    the pipe the site counts for no more misses: another hole in its place would favor some truths.
    """
    length = float(polyline.length(dig.true.outdoors))
    station = min(generator.uniform(1.0, 6.0), length - 1.0)
    survey = with_evidence(wall, dig.find("G1", station))
    _note(row, "1 find", answered(survey, to_pits=False), dig)
    if station + ON_M < length - 1.0:
        survey = with_evidence(survey, dig.find("G2", station + ON_M))
        _note(row, "2 finds", answered(survey, to_pits=False), dig)
    left, survey = wall.exit_from_inside, wall
    ahead = np.array([np.cos(left.angle_rad), np.sin(left.angle_rad)])
    across = np.array([-ahead[1], ahead[0]])
    bottom = left.depth_m + 3.0 * left.depth_sd_m + BEDDING_M
    corners = np.array([[-0.6, -0.45], [0.6, -0.45], [0.6, 0.45], [-0.6, 0.45]])
    for number, state in enumerate(("1 miss", "2 misses"), start=1):
        out_m, beside_m = generator.uniform((1.0, -1.5), (4.0, 1.5))
        middle = np.array([left.x_m, left.y_m]) + out_m * ahead + beside_m * across
        if dig.shows(middle + corners @ np.array([across, ahead]), bottom) is not None:
            return
        hole = Missed(
            f"F{number}",
            "test-pit",
            float(middle[0]),
            float(middle[1]),
            0.02,
            "lot coordinates",
            "no",
            angle_rad=float(np.arctan2(across[1], across[0])),
            length_m=1.2,
            width_m=0.9,
            dug_to_m=bottom,
        )
        survey = with_evidence(survey, hole)
        _note(row, state, answered(survey, to_pits=False), dig)
        if number == 1:
            after = with_evidence(survey, dig.find("G3", station))
            _note(row, "find after a miss", answered(after, to_pits=False), dig)


def _samples(survey: Survey) -> list[float]:
    """Return P(the last find is this drain), the worst Pareto k of what counts, and samples."""
    scored = survey.scores.hypotheses
    k = max((h.pareto_k for h in scored if h.probability > 0.05), default=-1.0)
    return [survey.scores.finds[-1].p_drain, k, scored[0].effective_samples]


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
    tell(
        "\nwhat the stated sets of 50, 80 and 95 % hold, the last with the 95 % range of the share"
    )
    for state in STATES:
        for which, name in enumerate(SETS):
            of_state = [row["sets"][state][which] for row in rows if state in row["sets"]]
            _held(state, name, np.array([one for one in of_state if one is not None]))
        inside = [row["corridor"][state] for row in rows if state in row["corridor"]]
        held = np.array([0.95 if one else 1.0 for one in inside if one is not None])
        _held(state, "tap in the corridor", held, (0.95,))
    tell("\nranks of truths in the posterior itself: KS p, mean, counts of ten bins")
    for state in STATES:
        for which, name in enumerate(QUANTITIES):
            below = [row["states"][state][which] for row in rows if state in row["states"]]
            ranks = np.array([one for one in below if one is not None])
            if len(ranks) > LEAST_SITES:
                counts = " ".join(map(str, np.histogram(ranks, 10, (0.0, 1.0))[0]))
                p = kstest(ranks, "uniform").pvalue
                tell(
                    f"{state:18s}{name:20s}{len(ranks):5d}   {p:.3f}  {ranks.mean():.3f}   {counts}"
                )
    tell(
        "\nfinds: Pareto k < 0.7; effective samples of the likeliest way: median, a tenth below;"
        " P(this drain) at least 0.5"
    )
    for state in STATES:
        of = [row["samples"][state] for row in rows if state in row.get("samples", {})]
        if len(of) > LEAST_SITES and state in FOUND_STATES:
            drain, k, effective = np.array(of).T
            few, half = np.quantile(effective, (0.1, 0.5))
            tell(
                f"{state:18s}{len(of):5d}   {np.mean(k < 0.7):.3f} {wilson(k < 0.7)}   {half:5.0f}"
                f"   {few:5.0f}   {np.mean(drain >= 0.5):.3f}"
            )


def _held(state: str, name: str, levels: Array, asked: tuple[float, ...] = LEVELS) -> None:
    """Print which share of least levels that hold the truth lies within each level asked."""
    if len(levels) > LEAST_SITES:
        shares = "  ".join(f"{(levels <= one + 1e-9).mean():.3f}" for one in asked)
        range_of = wilson(levels <= asked[-1] + 1e-9)
        tell(f"{state:18s}{name:20s}{len(levels):5d}   {shares:>21s}  {range_of}")


def wilson(held: NDArray[np.bool_]) -> str:
    """Write the 95 % range of a share, Wilson's."""
    low, high = binomtest(int(held.sum()), len(held)).proportion_ci(method="wilson")
    return f"[{low:.3f}, {high:.3f}]"


def main() -> None:
    """Run what is asked, print the tables."""
    asked = sys.argv[1:]
    sites, first, path, *more = asked
    workers, seeds = int(more[0]) if more else 1, range(int(first), int(first) + int(sites))
    work = partial(run_site, by_chance="dug" not in more)
    rows = run_kept(work, seeds, workers, Path(path)) if seeds else all_kept(Path(path))
    whole = [row for row in rows if "fault" not in row]
    tell(f"python -m tests.benchmarks.digging {sites} {first} FILE")
    tell(f"{len(whole)} sites; {len(rows) - len(whole)} more gave no answer\n")
    print_money(whole)
    print_hits(whole)
    print_intervals(whole)
    for bent in (False, True):
        tell("\nlaterals with a bend" if bent else "\nstraight laterals")
        print_intervals([row for row in whole if row["bent"] == bent])


if __name__ == "__main__":
    main()
