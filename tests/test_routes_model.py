"""The whole prior of a direct way, drawn and judged anew with shapely and plain Monte Carlo.

Nothing of the stage's own drawing, constraints or kernel is used here: the model is written
again from its description, one draw a row, with ordinary random numbers from the prior itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.evidence import Evidence, MainInspection, OutdoorLocate, SurfaceSign, TapRecord
from sitegis.geometry.frames import Array
from sitegis.model.results import Exit, ProfileComponent
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.pits.cost import may_run_in
from sitegis.routes import sample_routes
from sitegis.routes.bends import ANGLE_SHARES, COUNT_SHARES, OFFSET_SHARE
from sitegis.rules.rule_set import load_rules

from .invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, HOUSE_WIDTH_M, corner_site
from .test_routes_sample import by_id, exit_at, log_evidence, survey

RULES = load_rules("us-ipc")
DRAWS = 60_000


def simple_exit(exit: Exit) -> Exit:
    """Return an exit with one profile component, so that the reference stays short."""
    profile = (ProfileComponent(1.0, np.array([-0.75, 0.018]), np.diag([0.05**2, 0.006**2])),)
    return replace(exit, profile=profile, covariance=np.diag([0.1**2, 0.1**2, 0.03**2]))


def free_lengths(generator: np.random.Generator, reach: float, aside: bool) -> Array:
    """Draw lengths: 0.3 m, and either an exponential of mean 1 m (0.4) or even up to reach.

    ``aside``, by a wall that does not look toward the main: log-normal about 30 in (0.7) instead.
    """
    short = 0.3 + generator.exponential(1.0, DRAWS)
    if aside:
        short = 0.762 * np.exp(generator.normal(0.0, 0.3, DRAWS))
    even = generator.uniform(0.3, reach, DRAWS)
    return np.where(generator.uniform(size=DRAWS) < (0.7 if aside else 0.4), short, even)


def reference_weights(site: Site, exit: Exit, main_id: str, seed: int) -> Array:
    """Draw whole routes from the described prior and give their weights, 0 where they break it."""
    generator = np.random.default_rng(seed)
    main = next(m for m in site.mains if m.id == main_id)
    line, house = shapely.LineString(main.line), shapely.Polygon(site.building.vertices)
    here = np.array([exit.x_m, exit.y_m]) + generator.normal(0, 0.1, (DRAWS, 2))
    heading = exit.angle_rad + generator.normal(0, 0.03, DRAWS)
    invert = generator.normal(-0.75, 0.05, DRAWS)
    slope = generator.normal(0.018, 0.006, DRAWS)
    least = RULES.least_slope(site.drain_diameter_m).slope
    slope = np.where(
        generator.uniform(size=DRAWS) < 0.6, slope, generator.uniform(least, 0.06, DRAWS)
    )
    reach = shapely.distance(line, shapely.Point(exit.x_m, exit.y_m))
    angles = np.radians(np.array(list(ANGLE_SHARES)))
    turns = generator.choice(angles, (DRAWS, 3), p=list(ANGLE_SHARES.values()))
    turns *= generator.choice([-1.0, 1.0], (DRAWS, 3))
    counts = generator.choice(4, DRAWS, p=COUNT_SHARES)
    back = (counts == 2) & (generator.uniform(size=DRAWS) < OFFSET_SHARE)
    turns[back, 1] = -turns[back, 0]
    turns[np.arange(3) >= counts[:, None]] = 0.0
    fits = (counts <= 2) & (np.abs(turns).sum(axis=1) <= np.radians(120.0) + 1e-12) & (slope > 0)

    wall = {"front": -np.pi / 2, "right": 0.0, "rear": np.pi / 2, "left": np.pi}[exit.side]
    outward = np.cos(heading - wall)
    fits &= outward > 0.17
    vertices, final = [here], heading
    nearest = line.interpolate(line.project(shapely.Point(exit.x_m, exit.y_m)))
    to_main = np.arctan2(nearest.y - exit.y_m, nearest.x - exit.x_m)
    aside = bool(np.cos(exit.angle_rad - to_main) < 0.5)
    for i in range(2):
        step = np.where(counts > i, free_lengths(generator, reach, aside and i == 0), 0.0)
        here = here + step[:, None] * np.column_stack([np.cos(final), np.sin(final)])
        final = final + np.where(counts > i, turns[:, i], 0.0)
        vertices.append(here)
    ray = here + 200.0 * np.column_stack([np.cos(final), np.sin(final)])
    met = shapely.intersection(shapely.linestrings(np.stack([here, ray], axis=1)), line)
    fits &= ~shapely.is_empty(met)
    tap = np.where(fits[:, None], np.column_stack([shapely.get_x(met), shapely.get_y(met)]), here)
    fits &= np.hypot(*(tap - here).T) >= 0.3
    early = shapely.linestrings(np.stack(vertices, axis=1))
    fits &= ~shapely.intersects(early, line)
    routes = shapely.linestrings(np.stack([*vertices, tap], axis=1))
    station = shapely.line_locate_point(line, shapely.points(tap))
    flow = np.arctan2(*(main.line[1] - main.line[0])[::-1])
    slant = np.arccos(np.clip(np.abs(np.sin(final - flow)), 0, 1))
    fits &= slant <= np.radians(75.0)
    bed = np.interp(station, [0.0, line.length], main.inverts_m)
    bed = bed + generator.normal(0, main.invert_sd_m, DRAWS)
    arrival = invert - slope * shapely.length(routes) - bed
    fits &= arrival >= 0
    fits &= shapely.contains_properly(may_run_in(site), routes)
    # Exits are up to some decimeters inside the wall: only the house's core is held against.
    fits &= ~shapely.intersects(routes, house.buffer(-0.45))
    fits &= ~_alongside(site, routes)

    weight = 0.15 + 0.85 * np.exp(-0.5 * (slant / np.radians(30.0)) ** 2)
    weight = weight * (0.3 + 0.7 * np.exp(-np.maximum(arrival - 1.0, 0.0)))
    return np.where(fits, weight, 0.0)


def _alongside(site: Site, routes: Array) -> Array:
    """Return which routes run beside a wall for half its length or more, within 4 m."""
    left, front = HOUSE_LEFT_M, HOUSE_FRONT_M
    right, rear = left + HOUSE_WIDTH_M, front + HOUSE_DEPTH_M
    width, depth = site.lot.vertices[2]
    strips = (
        (shapely.box(max(left - 4, 0), front, left, rear), 1, HOUSE_DEPTH_M),
        (shapely.box(right, front, min(right + 4, width), rear), 1, HOUSE_DEPTH_M),
        (shapely.box(left, max(front - 4, 0), right, front), 0, HOUSE_WIDTH_M),
        (shapely.box(left, rear, right, min(rear + 4, depth)), 0, HOUSE_WIDTH_M),
    )
    beside = np.zeros(len(routes), bool)
    for strip, axis, length in strips:
        bounds = np.nan_to_num(shapely.bounds(shapely.intersection(routes, strip)))
        beside |= bounds[:, 2 + axis] - bounds[:, axis] >= 0.5 * length
    return beside


@pytest.mark.parametrize(
    ("exit", "main"),
    [
        (exit_at(6.5, HOUSE_FRONT_M, -88.0, "front", 0), "front-main"),
        (exit_at(9.0, HOUSE_FRONT_M, -90.0, "front", 0), "side-main"),
        (exit_at(6.5, HOUSE_FRONT_M + HOUSE_DEPTH_M, 90.0, "rear", 2), "alley-main"),
    ],
    ids=["front", "side", "alley"],
)
def test_direct_ways_agree_with_plain_monte_carlo(exit: Exit, main: str) -> None:
    """ln Z of the stage and of an independent Monte Carlo differ by less than 4 standard errors."""
    site = corner_site()
    exit = simple_exit(exit)
    got, se = log_evidence(by_id(sample_routes(survey(site, exit)))[f"{main}:direct"])
    weights = reference_weights(site, exit, main, seed=11)
    expected = np.log(weights.mean())
    expected_se = weights.std() / weights.mean() / np.sqrt(DRAWS)
    # The house test of the reference is coarser at the wall: 1 % of slack.
    assert abs(got - expected) < 4 * np.hypot(se, expected_se) + 0.01


EVIDENCE = (
    OutdoorLocate(1.2, 36.0, 3.2),
    TapRecord("alley-main", "alley-main-MH0", 32.0),
    SurfaceSign(8.0, -3.0, 0.5),
    MainInspection("front-main", "front-main-MH0", (13.0, 26.0, 40.0)),
)


@given(
    st.sampled_from(range(4)),
    st.floats(0.1, 0.9),
    st.floats(-40, 40),
    st.integers(0, 99),
    st.sets(st.sampled_from(EVIDENCE)),
)
@settings(deadline=None, max_examples=4)
def test_any_exit_gives_sound_routes(
    wall: int, share: float, slant: float, seed: int, evidence: set[Evidence]
) -> None:
    """Whatever exit and evidence: finite weights, falling routes, words where nothing fits."""
    site = replace(corner_site(evidence=tuple(sorted(evidence, key=repr))), seed=seed)
    start, end = site.building.vertices[wall], site.building.vertices[(wall + 1) % 4]
    x, y = start + share * (end - start)
    side = ("front", "right", "rear", "left")[wall]
    normal = (-90.0, 0.0, 90.0, 180.0)[wall]
    result = sample_routes(
        Survey(site, RULES, penetration=exit_at(x, y, normal + slant, side, wall))
    )
    assert any(len(r.log_prior) for r in result.routes)
    for routes in result.routes:
        assert np.isfinite(routes.vertices).all()
        assert np.isfinite(routes.log_prior).all()
        assert all(np.isfinite(values).all() for values in routes.log_likelihoods.values())
        assert (np.diff(routes.inverts_m, axis=1) <= 0).all()
        assert len(routes.log_prior) or routes.why_none
