"""Digging with and without learning: ``python -m tests.benchmarks.digging SITES FIRST FILE``.

Sites of :mod:`tests.independent_sites` ("stated" regime), SITES from seed FIRST, are dug on paper.
A pit shows the pipe where the true one crosses it above its bottom, but with probability 5 % (4 %
of which all pits of a site share), and after each miss the answer is worked out anew with it. After
a find (within 2 cm, its depth too) a second one 5 m on is added. FILE keeps a line of JSON a site,
so that a run goes on where it stopped; with SITES 0 the tables are printed alone.

Against that: (a) one pit in line with the drain 1.5 m outside the wall, (b) one pit 1.5 m outside
the wall toward the nearest main, (c) the first answer's pits in their first order; each followed,
where it finds nothing, by the trench from the wall. Money by the same prices. Then: does the stated
probability of the next pit hold after misses, and do the intervals hold with finds and misses?
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.stats import binomtest, kstest

from sitegis.dig import plan_dig
from sitegis.exit import find_exit
from sitegis.finds.records import Found, Missed
from sitegis.geometry import polyline
from sitegis.line import fit_line
from sitegis.messages.errors import ComputationError
from sitegis.model.dig_plan import Pit
from sitegis.model.handover import hand_over
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.pits.cost import BEDDING_M, pit_cost, surface_rates_at
from sitegis.place import place_points
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit, score_hypotheses, stage
from tests.independent_sites import TrueSite, draw_site

Array = NDArray[np.float64]
Row = dict[str, Any]
MOST_PITS = 3
COMMON, ALONE = 0.04, 0.01 / 0.96  # of misses where the pipe is there: together 5 %
OUT_M, ON_M = 1.5, 5.0
FIND_SD_M = 0.02
STATES = ("marks", "1 miss", "2 misses", "1 find", "2 finds")
QUANTITIES = ("exit along the wall", "azimuth", "invert at the wall", "tap station")


def answered(survey: Survey) -> Survey:
    """Go from the wall to the pits; next checks and worths, which nothing here asks, left out."""
    with (
        patch.object(stage, "set_scene", lambda *_: None),
        patch.object(stage, "ask_checks", lambda *_: ()),
        patch.object(stage, "rank_checks", lambda *_: ()),
        patch.object(stage, "telling_checks", lambda *_: {}),
        patch("sitegis.score.finds._worth", lambda *_: 0.0),
    ):
        for step in (sample_routes, score_hypotheses, join_exit, plan_dig):
            survey = hand_over(step(survey))
    return survey


def with_evidence(survey: Survey, *more: Found | Missed) -> Survey:
    """Add findings to a site, and go back to the wall."""
    site = replace(survey.site, evidence=(*survey.site.evidence, *more))
    return replace(
        survey, site=site, penetration=survey.exit_from_inside, left_inside=None, sampled=None,
        scored=None, planned=None,
    )  # fmt: skip


class Dig:
    """One site dug on paper: the truth, the luck of its pits, and what was found."""

    def __init__(self, seed: int, true: TrueSite) -> None:
        self.true, self.generator = true, np.random.default_rng([seed, 77])
        self.nothing_shows = bool(self.generator.random() < COMMON)

    def shows(self, ring: Array, bottom_depth_m: float) -> tuple[Array, float] | None:
        """Tell where a hole shows the pipe: the middle of what it crosses, and its invert."""
        line = shapely.LineString(self.true.outdoors)
        inside = shapely.intersection(line, shapely.Polygon(ring))
        if inside.is_empty or self.nothing_shows or self.generator.random() < ALONE:
            return None
        at = np.array(shapely.centroid(inside).coords[0])
        station = float(line.project(shapely.Point(at)))
        invert = float(np.interp(station, polyline.stations(self.true.outdoors),
                                 self.true.inverts_m))  # fmt: skip
        depth = float(self.true.site.ground.elevation_m(at)) - invert
        return (at, depth) if depth <= bottom_depth_m else None

    def find(self, name: str, at: Array, depth_m: float) -> Found:
        """Measure what was found, to 2 cm."""
        x, y = at + self.generator.normal(0.0, FIND_SD_M, 2)
        depth = depth_m + float(self.generator.normal(0.0, FIND_SD_M))
        return Found(name, "test-pit", float(x), float(y), FIND_SD_M, "lot coordinates", "yes",
                     depth_to_invert_m=depth)  # fmt: skip


def missed(name: str, pit: Pit) -> Missed:
    """Give a pit that showed nothing as a finding."""
    sides = np.diff(pit.ring, axis=0)[:2]
    length, width = (float(one) for one in np.hypot(*sides.T))
    return Missed(
        name, "test-pit", pit.x_m, pit.y_m, 0.02, "lot coordinates", "no",
        angle_rad=float(np.arctan2(sides[0, 1], sides[0, 0])), length_m=length, width_m=width,
        dug_to_m=pit.depth_m,
    )  # fmt: skip


def shares_below(survey: Survey, true: TrueSite) -> list[float | None]:
    """Give the posterior share below the truth of each quantity; None where it has no posterior."""
    routes_of = {one.hypothesis.id: one for one in survey.routes}
    step = true.outdoors[1] - true.outdoors[0]
    wall, truth = survey.exit, float(np.arctan2(step[1], step[0]))
    along = np.diff(polyline.closed(survey.site.building.vertices), axis=0)[wall.wall_index]
    along = along / np.hypot(*along)
    parts: list[list[Array]] = [[], [], []]
    weights, taps, tap_weights = [], [], []
    for scored in survey.scores.hypotheses:
        routes = routes_of[scored.hypothesis.id]
        if not scored.weights.any():
            continue
        first = routes.vertices[:, 1] - routes.vertices[:, 0]
        turn = np.arctan2(first[:, 1], first[:, 0]) - truth
        parts[0].append((routes.vertices[:, 0] - true.outdoors[0]) @ along)
        parts[1].append((turn + np.pi) % (2.0 * np.pi) - np.pi)
        parts[2].append(routes.inverts_m[:, 0] - true.inverts_m[0])
        weights.append(scored.probability * scored.weights)
        if scored.hypothesis.main == true.main:
            taps.append(routes.tap_stations_m - true.tap_station_m)
            tap_weights.append(weights[-1])
    every = np.concatenate(weights)
    told: list[float | None] = [float(every[np.concatenate(one) < 0].sum() / every.sum())
                                for one in parts]  # fmt: skip
    of_tap = np.concatenate(tap_weights) if taps else np.zeros(0)
    if true.listed and of_tap.sum() > 1e-6:
        told.append(float(of_tap[np.concatenate(taps) < 0].sum() / of_tap.sum()))
    else:
        told.append(None)
    return told


def run_site(seed: int) -> Row | None:
    """Dig one site; None where it gives no answer."""
    true = draw_site(seed, "stated")
    survey = Survey(true.site, load_rules(true.site.rule_set))
    try:
        for step in (place_points, fit_line, find_exit):
            survey = step(survey)
        first = survey = answered(survey)
        dig, row = Dig(seed, true), {"seed": seed, "pits": [], "states": {}}
        row["states"]["marks"] = shares_below(survey, true)
        found, spent, count = None, 0.0, 0
        while survey.dig.pits and count < MOST_PITS and found is None:
            pit = survey.dig.pits[0]
            found, count, spent = dig.shows(pit.ring, pit.depth_m), count + 1, spent + pit.cost
            row["pits"].append([count - 1, pit.p_hit, found is not None])
            if found is None:
                survey = answered(with_evidence(survey, missed(f"F{count}", pit)))
                if count <= 2:
                    row["states"][STATES[count]] = shares_below(survey, true)
        if found is None:
            spent += survey.dig.expected_cost_straight
        row["learning"] = [count, spent]
        if found is not None:
            _finds(survey, dig, found, row)
        _others(first, dig, row)
    except ComputationError:
        return None
    return row


def _finds(survey: Survey, dig: Dig, found: tuple[Array, float], row: Row) -> None:
    """Add the find, and a second one 5 m on, and see whether the intervals still hold."""
    one = dig.find("G1", *found)
    survey = answered(with_evidence(survey, one))
    row["states"]["1 find"] = shares_below(survey, dig.true)
    row["p_drain"] = survey.scores.finds[-1].p_drain
    row["k"] = max((h.pareto_k for h in survey.scores.hypotheses if h.probability > 0.05),
                   default=-1.0)  # fmt: skip
    row["effective"] = survey.scores.hypotheses[0].effective_samples
    line = shapely.LineString(dig.true.outdoors)
    station = float(line.project(shapely.Point(found[0]))) + ON_M
    if station < line.length - 1.0:
        at = np.array(line.interpolate(station).coords[0])
        invert = float(np.interp(station, polyline.stations(dig.true.outdoors),
                                 dig.true.inverts_m))  # fmt: skip
        depth = float(dig.true.site.ground.elevation_m(at)) - invert
        survey = answered(with_evidence(survey, dig.find("G2", at, depth)))
        row["states"]["2 finds"] = shares_below(survey, dig.true)


def _others(first: Survey, dig: Dig, row: Row) -> None:
    """Dig the three other ways: (a), (b) and (c)."""
    left, site = first.exit_from_inside, first.site
    here = np.array([left.x_m, left.y_m])
    ahead = np.array([np.cos(left.angle_rad), np.sin(left.angle_rad)])
    row["in line"] = _one_pit(first, dig, here + OUT_M * ahead, left.angle_rad)
    row["nearest main"] = _one_pit(first, dig, here + OUT_M * _toward_main(site, here, ahead),
                                   left.angle_rad)  # fmt: skip
    spent, count, hit = 0.0, 0, False
    for pit in first.dig.pits[:MOST_PITS]:
        spent, count = spent + pit.cost, count + 1
        if dig.shows(pit.ring, pit.depth_m) is not None:
            hit = True
            break
    row["fixed order"] = [count, spent + (0.0 if hit else first.dig.expected_cost_straight)]


def _toward_main(site: Site, here: Array, ahead: Array) -> Array:
    """Give the unit vector to the nearest main, straight ahead where it is behind the wall."""
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
    cost = float(pit_cost(np.array([size.prod()]), np.array([depth]),
                          surface_rates_at(first.site, center[None]), settings,
                          first.rules)[0])  # fmt: skip
    hit = dig.shows(ring, depth) is not None
    return [1, cost + (0.0 if hit else first.dig.expected_cost_straight)]


# ------------------------------------------------------------------------------------ tables


def tell(line: str) -> None:
    """Write a line."""
    sys.stdout.write(line + "\n")


def print_tables(rows: list[Row]) -> None:
    """Print holes and money, probabilities held, and shares that intervals hold."""
    tell(f"{len(rows)} sites\n\nway            holes   money (mean)   against learning")
    ours = np.mean([row["learning"][1] for row in rows])
    for way in ("learning", "fixed order", "in line", "nearest main"):
        holes, money = np.mean([row[way] for row in rows], axis=0)
        tell(f"{way:13s}  {holes:5.2f}   {money:9.0f}      {money / ours:6.2f}")
    tell("\nafter misses   pits   stated P(hit)   found   95 % of the share found")
    for number in range(MOST_PITS):
        told = [(p, hit) for row in rows for n, p, hit in row["pits"] if n == number]
        if told:
            p, hits = np.mean([one[0] for one in told]), sum(one[1] for one in told)
            low, high = binomtest(hits, len(told)).proportion_ci(method="wilson")
            tell(f"{number:12d}  {len(told):5d}   {p:11.3f}   {hits / len(told):7.3f}   "
                  f"{low:.3f} to {high:.3f}")  # fmt: skip
    tell("\nshare of truths in the central 50, 80 and 95 %; KS p of uniform ranks")
    for state in STATES:
        for which, name in enumerate(QUANTITIES):
            below = [row["states"][state][which] for row in rows if state in row["states"]]
            ranks = np.array([one for one in below if one is not None])
            if len(ranks) > 4:
                level = np.abs(2.0 * ranks - 1.0)
                held = "  ".join(f"{(level < one).mean():.2f}" for one in (0.5, 0.8, 0.95))
                tell(f"{state:9s} {name:20s} n {len(ranks):4d}   {held}   "
                      f"{kstest(ranks, 'uniform').pvalue:.3f}")  # fmt: skip
    of = [row for row in rows if "k" in row]
    if of:
        good = np.mean([row["k"] < 0.7 for row in of])
        tell(f"\nafter the find: Pareto k below 0.7 in {good:.0%}; effective samples of the "
              f"likeliest way, median {np.median([row['effective'] for row in of]):.0f}, least "
              f"{min(row['effective'] for row in of):.0f}; P(this drain) at least 0.5 in "
              f"{np.mean([row['p_drain'] >= 0.5 for row in of]):.0%}")  # fmt: skip


def main() -> None:
    """Run what is asked, print the tables."""
    sites, first, path = int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])
    rows = [json.loads(line) for line in path.read_text("utf-8").splitlines()] \
        if path.exists() else []  # fmt: skip
    done = {row["seed"] for row in rows}
    for seed in range(first, first + sites):
        if seed not in done and (row := run_site(seed)) is not None:
            rows.append(row)
            with path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
    tell(f"python -m tests.benchmarks.digging {sites} {first} {path.name}")
    print_tables([row for row in rows if "learning" in row])


if __name__ == "__main__":
    main()
