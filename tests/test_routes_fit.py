"""Habits and helpers of the hard constraints."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from scipy.stats import qmc

from sitegis.geometry.frames import Array, lot_direction
from sitegis.model.results import Hypothesis
from sitegis.model.site import Site
from sitegis.pits.cost import may_run_in
from sitegis.routes.draw import DIMENSIONS, Candidates, draw_heads, lay_straights
from sitegis.routes.fit import (
    REASONS,
    _highest_arrival,
    arrival_prior,
    fit_candidates,
    main_inverts,
    reason_for_none,
    tap_prior,
    tap_slant,
)
from sitegis.routes.plan import TAP_LIMIT_RAD, Plan, make_plan
from sitegis.routes.terrain import Face, Terrain, prepare_terrain, run_alongside

from .invented import corner_site, front_exit
from .route_model import RULES_END_M


def test_habits_are_one_at_best_and_never_below_their_floor() -> None:
    """Soft habits scale a weight between their floor and 1."""
    slant = np.linspace(0.0, np.pi, 50)
    for values, floor in (
        (tap_prior(slant), 0.15),
        (arrival_prior(np.linspace(0.0, 20.0, 50)), 0.3),
    ):
        assert values[0] == 1.0
        assert values.max() == 1.0
        assert values.min() == pytest.approx(floor, abs=1e-3)
        assert (np.diff(values) <= 0).all()


def test_a_drop_up_to_a_meter_costs_nothing() -> None:
    """Arriving up to 1 m above the main's invert is as good as level with it."""
    assert arrival_prior(np.array([0.0, 0.5, 1.0])) == pytest.approx(1.0)


def test_the_mains_invert_is_read_along_its_line() -> None:
    """Between the ends the invert is linear in the station, and errors scale with its sd."""
    main = corner_site().mains[0]
    got = main_inverts(main, np.array([0.0, 35.0, 35.0]), np.array([0.0, 0.0, 2.0]))
    assert got == pytest.approx([-1.6, -1.6 - 0.005 * 35, -1.6 - 0.005 * 35 + 0.2])


def test_slant_at_the_tap_follows_the_straight_that_is_hit() -> None:
    """On a bent main the angle is against the normal of the straight at the tap."""
    main = corner_site().mains[0]
    bent = replace(main, line=np.array([[40.0, -10.0], [10.0, -10.0], [10.0, -30.0]]))
    straight_down = np.full(2, -np.pi / 2)
    assert tap_slant(bent, np.array([10.0, 35.0]), straight_down) == pytest.approx([0, np.pi / 2])


def test_no_run_arrives_higher_than_the_shortest_one_to_the_lowest_invert() -> None:
    """Shapely's distance falls at each slope, to the main's lowest end with each one's error."""
    main = replace(corner_site().mains[0], invert_sd_m=0.17)
    generator = np.random.default_rng(7)
    heads = SimpleNamespace(
        poses=generator.uniform(0.0, 9.0, (6, 3)),
        main_errors=generator.normal(size=6),
        inverts_m=generator.uniform(-1.0, -0.3, 6),
        slopes=generator.uniform(0.01, 0.05, 6),
    )
    found = _highest_arrival(SimpleNamespace(main=main), heads)
    line = shapely.LineString(main.line)
    for row, height in enumerate(found):
        away = line.distance(shapely.Point(heads.poses[row, :2]))
        arrives = heads.inverts_m[row] - heads.slopes[row] * away
        stations = np.linspace(0.0, line.length, 50)
        every = main_inverts(main, stations, np.full(50, heads.main_errors[row]))
        assert height == pytest.approx(arrives - every.min())


def beside(face: Face, within_m: float) -> shapely.Polygon:
    """Return the rectangle from a face outward."""
    corners = [face.origin, face.origin + face.length_m * face.along]
    out = within_m * face.outward
    return shapely.Polygon([*corners, corners[1] + out, corners[0] + out])


def run_beside(line: shapely.LineString, face: Face, within_m: float) -> float:
    """Return how far a line runs beside a face, measured along it."""
    total = 0.0
    for a, b in pairwise(line.coords):
        part = shapely.LineString([a, b]).intersection(beside(face, within_m))
        if part.length > 0:
            ends = np.array(part.coords)
            total += abs(float((ends[-1] - ends[0]) @ face.along))
    return total


@dataclass(frozen=True)
class Laid:
    """What candidates are held against, in shapely's own shapes, and their vertices as laid."""

    plan: Plan
    heads: Candidates
    site: Site
    terrain: Terrain
    vertices: Array
    ratio: Array
    last: Array

    def line(self, row: int) -> shapely.LineString | None:
        """Return a route that meets the main once, no straight shorter than 0.3 m."""
        pipe = shapely.LineString(self.plan.main.line)
        count = self.plan.sequences.counts[self.heads.chosen[row]]
        corners = self.vertices[row, [*range(count + 1), 4]]
        if not (np.isfinite(self.last[row]) and np.isfinite(self.ratio[row])):
            return None
        ways = lot_direction(self.heads.headings_rad[row, : count + 1])
        before = shapely.LineString(corners[:-1]) if count else shapely.Point(corners[0])
        short = np.min(np.sum(np.diff(corners, axis=0) * ways, axis=1)) < 0.3
        return None if short or before.intersects(pipe) else shapely.LineString(corners)

    def at_the_main(self, row: int, line: shapely.LineString) -> tuple[float, float, float]:
        """Return station, angle off the main's normal, and height above its invert."""
        main, count = self.plan.main, self.plan.sequences.counts[self.heads.chosen[row]]
        pipe = shapely.LineString(main.line)
        station = pipe.project(shapely.Point(line.coords[-1]))
        at, on = (pipe.interpolate(station + way) for way in (-1e-4, 1e-4))
        along = complex(on.x - at.x, on.y - at.y)
        turned = np.exp(1j * self.heads.headings_rad[row, count]) / along * abs(along)
        slant = float(np.arccos(min(abs(turned.imag), 1.0)))
        levels = main.inverts_m[[0, -1]] + main.invert_sd_m * self.heads.main_errors[row]
        fallen = self.heads.inverts_m[row] - self.heads.slopes[row] * line.length
        return station, slant, float(fallen - np.interp(station, [0.0, pipe.length], levels))

    def early(self, row: int) -> str:
        """Name what is wrong before any length is drawn, or nothing."""
        heads, main = self.heads, self.plan.main
        nearest = shapely.LineString(main.line).distance(shapely.Point(heads.poses[row, :2]))
        lowest = main.inverts_m.min() + main.invert_sd_m * heads.main_errors[row]
        if self.outward(row).real <= 0.17:
            return "wall"
        if heads.slopes[row] <= 0:
            return "backfall"
        uphill = heads.inverts_m[row] - heads.slopes[row] * nearest < lowest
        return "uphill" if uphill else ""

    def normal(self, row: int) -> complex:
        """Return the outward normal of the wall that a candidate leaves by."""
        ring, wall = self.site.building.vertices, self.heads.walls[row]
        edge = complex(*(ring[(wall + 1) % len(ring)] - ring[wall]))
        return -1j * edge / abs(edge)

    def outward(self, row: int) -> complex:
        """Return a candidate's first direction, seen from the wall's normal."""
        ahead = complex(np.exp(1j * self.heads.poses[row, 2]))
        return ahead * self.normal(row).conjugate()

    def late(self, row: int, line: shapely.LineString) -> str:
        """Name what is wrong with where a route runs, or nothing."""
        face = self.plan.face
        sides = [face] if face is not None else list(self.terrain.faces.values())
        lot, house = (shapely.Polygon(one.vertices) for one in (self.site.lot, self.site.building))
        start = complex(*line.coords[0])
        zero = complex(*self.site.building.vertices[self.heads.walls[row]])
        beyond = ((start - zero) * self.normal(row).conjugate()).real
        ahead = np.exp(1j * self.heads.poses[row, 2]) / self.outward(row).real
        moved = start + max(0.005 - beyond, 0.0) * ahead
        outside = shapely.LineString([(moved.real, moved.imag), *line.coords[1:]])
        if outside.intersection(house).length > 0:
            return "house"
        if not may_run_in(self.site).buffer(1e-9).covers(line):
            return "area"
        runs = [run_beside(line, one, one.strip_m) / one.length_m for one in sides]
        if (max(runs) >= 0.5) != (face is not None):
            return "alongside"
        yard = line.intersection(beside(face, 500.0)) if face is not None else line
        return "" if face is None or lot.buffer(1e-9).covers(yard) else "lot"


@pytest.mark.parametrize(
    ("main", "yard", "spread_deg"), [(0, None, 35.0), (1, "left", 12.0), (1, "right", 12.0)]
)
def test_candidates_are_kept_as_shapely_has_each_of_them(
    main: int, yard: str | None, spread_deg: float
) -> None:
    """One by one: wall, main, fall, tap, house, area, yards; how many each reason drops.

    What is left has the inverts of an even fall, and the stated practice: 30° about square with a
    floor of 0.15, a drop past 1 m that fades to 0.3 in another meter.
    """
    site = corner_site()
    target, terrain = site.mains[main], prepare_terrain(site)
    way = "direct" if yard is None else "side-yard"
    exit = front_exit(sd_m=0.3, sd_deg=spread_deg)
    hypothesis = Hypothesis("h", target.id, way, target.side, yard, 1.0)  # type: ignore[arg-type]
    plan = make_plan(hypothesis, target, exit, terrain, drain_ends_m=RULES_END_M)
    uniforms = qmc.Sobol(DIMENSIONS, rng=np.random.default_rng(3)).random(512)
    heads = draw_heads(plan, exit, uniforms, 0.01)
    vertices, _, ratio, last = lay_straights(plan, heads, lot_direction(heads.headings_rad))
    laid = Laid(plan, heads, site, terrain, vertices, ratio, last)
    dropped = dict.fromkeys(REASONS, 0)
    kept = {}
    for row in range(512):
        if early := laid.early(row):
            dropped[early] += 1
        elif (line := laid.line(row)) is None:
            dropped["reach"] += 1
        else:
            station, slant, arrival = laid.at_the_main(row, line)
            dropped["tap"] += slant > TAP_LIMIT_RAD
            dropped["fall"] += arrival < 0
            if slant <= TAP_LIMIT_RAD and arrival >= 0:
                if late := laid.late(row, line):
                    dropped[late] += 1
                else:
                    kept[row] = line, station, slant, arrival
    fitted = fit_candidates(plan, heads, exit, site.building, terrain)
    assert fitted.dropped == dropped
    assert fitted.rows.tolist() == list(kept)
    assert len(kept) > 8
    for i, (row, (line, station, slant, arrival)) in enumerate(kept.items()):
        got = fitted.lengths_m[i], fitted.stations_m[i], fitted.arrivals_m[i]
        assert got == pytest.approx((line.length, station, arrival), abs=1e-8)
        invert = heads.inverts_m[row] - heads.slopes[row] * line.length
        assert fitted.inverts_m[i, [0, -1]] == pytest.approx([heads.inverts_m[row], invert])
        square = 0.15 + 0.85 * np.exp(-0.5 * (slant / np.radians(30.0)) ** 2)
        drop = 0.3 + 0.7 * np.exp(-max(arrival - 1.0, 0.0))
        expected = ratio[row] + exit.log_practice + np.log(square * drop)
        assert fitted.log_prior[i] == pytest.approx(expected, abs=1e-6)
        assert fitted.chosen[i] == heads.chosen[row]
        assert fitted.drain_slopes[i] == heads.drain_slopes[row]


def test_runs_beside_a_turned_face_are_shapelys() -> None:
    """Strewn routes of three straights, a face at any angle: the run along it, and its pieces."""
    generator = np.random.default_rng(4)
    along = np.array([np.cos(0.7), np.sin(0.7)])
    face = Face("left", np.array([1.0, -0.5]), along, np.array([-along[1], along[0]]), 4.0, 2.2)
    vertices: Array = generator.uniform(-4.0, 6.0, (60, 4, 2))
    run, pieces = run_alongside(vertices, face, within_m=2.2)
    met = 0
    for row, corners in enumerate(vertices):
        assert run[row] == pytest.approx(run_beside(shapely.LineString(corners), face, 2.2))
        for i in range(3):
            part = shapely.LineString(corners[i : i + 2]).intersection(beside(face, 2.2))
            length = float(np.hypot(*(pieces[row, i, 1] - pieces[row, i, 0])))
            assert length == pytest.approx(part.length, abs=1e-9)
            met += part.length > 0
            if part.length > 0:
                assert pieces[row, i, 0] == pytest.approx(np.array(part.coords[0]), abs=1e-9)
    assert met > 30


def test_the_last_constraint_that_dropped_candidates_is_told() -> None:
    """In the words of a direct run, which turns by 120° with two bends at most, and of a yard's."""
    site, terrain = corner_site(), prepare_terrain(corner_site())
    for main, yard, said in (
        (
            0,
            None,
            "no run from the front wall with 2 bends of 120° together or less meets the main",
        ),
        (1, "left", "no run from the front wall with 3 bends or fewer meets the main"),
    ):
        target = site.mains[main]
        way = "direct" if yard is None else "side-yard"
        hypothesis = Hypothesis("h", target.id, way, target.side, yard, 1.0)  # type: ignore[arg-type]
        plan = make_plan(hypothesis, target, front_exit(), terrain, drain_ends_m=RULES_END_M)
        fitted = SimpleNamespace(dropped={"wall": 5, "reach": 3, "tap": 0})
        told = reason_for_none(plan, fitted, front_exit(), 0.01, "m")  # type: ignore[arg-type]
        assert told == said
