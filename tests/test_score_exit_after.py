"""The exit after all evidence, and the drain that meets it, against atoms and shapely.

A mixture of normals has the moments of any points that have its parts' moments: each normal is
put as points of numpy's Cholesky factor, and pooled with the routes by numpy's own averages.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from sitegis.finds.ground import ground_error
from sitegis.finds.records import Found
from sitegis.geometry.frames import Array
from sitegis.model.results import (
    Bend,
    Drain,
    Exit,
    ExitComponent,
    Hypothesis,
    ProfileComponent,
    Routes,
    ScoredHypothesis,
    Scores,
)
from sitegis.model.survey import Survey
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit
from sitegis.score.exit_after import is_held_outdoors, meet_exit

from .invented import corner_site, front_exit

FIND = Found("F1", "test-pit", 6.55, 3.0, 0.03, "lot coordinates", "yes")
SEEDS = st.integers(0, 2**32 - 1)


def points_of(mean: Array, covariance: Array) -> Array:
    """Return 2 n points (2n, n) of equal weight with a normal's mean and covariance."""
    factor = np.linalg.cholesky(covariance) * np.sqrt(len(mean))
    return np.concatenate([mean + factor.T, mean - factor.T])


def covariance_of(generator: np.random.Generator, scales: Array) -> Array:
    factor = generator.normal(size=(len(scales), len(scales))) + 2.0 * np.eye(len(scales))
    return np.asarray(scales[:, None] * (factor @ factor.T) * scales / 4.0)


def component(generator: np.random.Generator, weight: float, wall: int) -> ExitComponent:
    """Make a component by chance near the front exit, with a profile in two parts."""
    profile = tuple(
        ProfileComponent(
            share,
            generator.normal([-0.6, 0.02], [0.1, 0.005]),
            covariance_of(generator, np.array([0.04, 0.003])),
        )
        for share in (0.7, 0.3)
    )
    return ExitComponent(
        weight,
        0.0 if wall == 0 else 22.5,
        *generator.normal([7.0, 7.6, -1.6], [0.3, 0.02, 0.1]),
        ("front", "right")[wall],
        wall,
        covariance_of(generator, np.array([0.1, 0.02, 0.03])),
        profile,
        generator.uniform(0.5, 2.0),
    )


def routes_of(
    generator: np.random.Generator, name: str, parts: tuple[ExitComponent, ...]
) -> Routes:
    """Make 60 routes that start near one or the other of the first two components."""
    index = generator.integers(0, 2, 60)
    start = np.array([[parts[i].x_m, parts[i].y_m] for i in index]) + generator.normal(
        0, 0.1, (60, 2)
    )
    angle = np.array([parts[i].angle_rad for i in index]) + generator.normal(0, 0.05, 60)
    next_ = start + 6.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    vertices = np.stack([start, next_, next_ + np.array([1.0, -5.0])], axis=1)
    inverts = generator.normal(-0.7, 0.1, (60, 3))
    one = np.ones(60)
    return Routes(
        Hypothesis(name, "front-main", "direct", "front", None, 0.4), vertices, inverts,
        11.0 * one, one, one, 0.0 * one, {}, 100, components=index,
        drain_slopes=generator.normal(0.02, 0.004, 60),
    )  # fmt: skip


def surveyed(seed: int, last_wall: int = 1, find: Found = FIND) -> Survey:
    """Make a survey after scoring: two ways with routes, and 15 % of no known route."""
    generator = np.random.default_rng(seed)
    walls = ((0.5, 0), (0.3, 0), (0.2, last_wall))
    parts = tuple(component(generator, w, wall) for w, wall in walls)
    inside = replace(front_exit(), components=parts)
    ways = [routes_of(generator, name, parts) for name in ("a", "b")]
    none = replace(ways[0].hypothesis, id="unlisted", main=None, way="unlisted")
    scored = [
        ScoredHypothesis(way.hypothesis, p, 0.0, 0.0, 60.0, (), w / w.sum(), 0)
        for way, p in zip(ways, (0.6, 0.25), strict=True)
        for w in (generator.random(60),)
    ]
    nowhere = replace(
        ways[0], hypothesis=none, vertices=np.zeros((0, 3, 2)), components=np.zeros(0, np.int64)
    )
    scored.append(ScoredHypothesis(none, 0.15, 0.0, 0.0, 0.0, (), np.zeros(0), None))
    site = corner_site(evidence=(find,))
    return Survey(
        site,
        load_rules("us-ipc"),
        penetration=inside,
        sampled=(*ways, nowhere),
        scored=Scores(tuple(scored), (), ()),
    )


def atoms_of(survey: Survey, i: int) -> tuple[Array, Array, Array]:
    """Pool component i's poses (n, 3), profiles (n, 2) and weights: routes, and what is kept."""
    pose, profile, weights = [], [], []
    for scored, way in zip(survey.scores.hypotheses[:2], survey.routes[:2], strict=True):
        own = way.components == i
        step = way.vertices[own, 1] - way.vertices[own, 0]
        angle = np.array([np.angle(complex(*one)) for one in step])
        # on the sheet of the component's own angle
        center = survey.exit.components[i].angle_rad
        angle = center + np.angle(np.exp(1j * (angle - center)))
        pose.append(np.column_stack([way.vertices[own, 0], angle]))
        profile.append(np.column_stack([way.inverts_m[own, 0], way.drain_slopes[own]]))
        weights.append(scored.probability * scored.weights[own])
    part = survey.exit.components[i]
    kept = 0.15 * part.weight
    for one in part.profile:
        poses = points_of(np.array([part.x_m, part.y_m, part.angle_rad]), part.covariance)
        slopes = points_of(one.mean, one.covariance)
        # every pair of both: 6 · 4 points of a pose and a profile that do not hang together
        pose.append(np.repeat(poses, len(slopes), axis=0))
        profile.append(np.tile(slopes, (len(poses), 1)))
        weights.append(np.full(24, kept * one.weight / 24))
    return np.concatenate(pose), np.concatenate(profile), np.concatenate(weights)


@pytest.mark.parametrize("seed", range(6))
def test_components_have_the_moments_of_all_that_left_by_them(seed: int) -> None:
    """Weight, mean and covariance of pose and profile: numpy's of the pooled points."""
    survey = surveyed(seed)
    joint = join_exit(survey).exit
    total = 0.0
    for part in joint.components:
        old = min(range(3), key=lambda i: abs(survey.exit.components[i].unseen_m - part.unseen_m))
        pose, profile, weights = atoms_of(survey, old)
        total += part.weight
        assert part.weight == pytest.approx(weights.sum())
        mean = np.average(pose, axis=0, weights=weights)
        assert (part.x_m, part.y_m, part.angle_rad) == pytest.approx(mean)
        assert part.covariance == pytest.approx(np.cov(pose.T, aweights=weights, ddof=0))
        (one,) = part.profile
        assert one.weight == 1.0
        assert one.mean == pytest.approx(np.average(profile, axis=0, weights=weights))
        assert one.covariance == pytest.approx(np.cov(profile.T, aweights=weights, ddof=0))
    assert total == pytest.approx(1.0)
    weight = [part.weight for part in joint.components]
    assert weight == sorted(weight, reverse=True)


@pytest.mark.parametrize("seed", range(6))
def test_the_stated_exit_is_that_of_the_first_wall(seed: int) -> None:
    """Its spread is the pooled second moment about the first pose, its invert that of the pool.

    The ground stands where it stood: depth is ground less invert, and their variances add up.
    """
    survey = surveyed(seed)
    inside, joint = survey.exit, join_exit(survey).exit
    first = joint.components[0]
    same = [i for i, part in enumerate(inside.components) if part.wall_index == first.wall_index]
    pools = [atoms_of(survey, i) for i in same]
    pose, profile, weights = (np.concatenate([pool[k] for pool in pools]) for k in range(3))
    away = pose - np.array([first.x_m, first.y_m, first.angle_rad])
    assert (joint.x_m, joint.y_m, joint.angle_rad) == (first.x_m, first.y_m, first.angle_rad)
    assert joint.covariance == pytest.approx(
        np.einsum("m,mi,mj->ij", weights / weights.sum(), away, away)
    )
    mean = np.average(profile, axis=0, weights=weights)
    sd = np.sqrt(np.diag(np.cov(profile.T, aweights=weights, ddof=0)))
    assert (joint.invert_m, joint.slope) == pytest.approx(tuple(mean))
    assert (joint.invert_sd_m, joint.slope_sd) == pytest.approx(tuple(sd))
    # the prior's spread of the slope has not changed
    assert joint.slope_sd / joint.slope_sd_ratio == pytest.approx(
        inside.slope_sd / inside.slope_sd_ratio
    )
    assert joint.depth_m + joint.invert_m == pytest.approx(inside.depth_m + inside.invert_m)
    ground = inside.depth_sd_m**2 - inside.invert_sd_m**2
    assert joint.depth_sd_m**2 - joint.invert_sd_m**2 == pytest.approx(ground)
    assert joint.unseen_m == first.unseen_m
    bent = [part.weight for part in joint.components if part.wall_index == 1]
    assert joint.bend_share == pytest.approx(sum(bent))


@pytest.mark.parametrize("seed", range(4))
def test_the_depth_after_a_deep_find_has_the_moments_of_all_that_left(seed: int) -> None:
    """Ground less invert, atom by atom: numpy's mean and variance, each with its own ground's.

    What goes by no known route keeps the ground as mapped and its spread.
    """
    deep = Found("F1", "test-pit", 6.9, 3.0, 0.3, "lot coordinates", "yes", depth_to_invert_m=1.0)
    ground = float(corner_site().ground.elevation_m(np.array([6.9, 3.0])))
    survey = surveyed(seed, 0, replace(deep, depth_to_invert_m=ground + 0.75))
    kept = [
        (part.weight * one.weight, one.mean[0])
        for part in survey.exit.components
        for one in part.profile
    ]
    middle = float(np.average([m for _, m in kept], weights=[w for w, _ in kept]))
    inside = replace(survey.exit, invert_m=middle, invert_sd_m=0.05, depth_sd_m=0.3)
    survey = replace(survey, penetration=inside)
    ground, own = inside.depth_m + middle, 0.3**2 - 0.05**2

    depths, spreads, weights = [], [], []
    for scored, way in zip(survey.scores.hypotheses[:2], survey.routes[:2], strict=True):
        mean, sd = ground_error(survey.site, way.vertices, way.inverts_m, way.vertices[:, 0])
        assert np.ptp(mean) > 0.003
        depths.append(ground + mean - way.inverts_m[:, 0])
        spreads.append(sd**2)
        weights.append(scored.probability * scored.weights)
    for part in inside.components:
        for one in part.profile:
            inverts = points_of(one.mean, one.covariance)[:, 0]
            depths.append(ground - inverts)
            spreads.append(np.full(inverts.size, own))
            weights.append(np.full(inverts.size, 0.15 * part.weight * one.weight / inverts.size))
    each, share = np.concatenate(depths), np.concatenate(weights)
    joint = join_exit(survey).exit
    assert joint.depth_m == pytest.approx(np.average(each, weights=share), abs=1e-9)
    variance = np.cov(each, aweights=share, ddof=0) + share @ np.concatenate(spreads)
    assert joint.depth_sd_m == pytest.approx(np.sqrt(variance), abs=1e-9)


def test_without_a_find_the_exit_stays() -> None:
    """A main with nothing found or missed holds nothing; a find does."""
    survey = surveyed(0)
    site = replace(survey.site, evidence=())
    assert not is_held_outdoors(site)
    assert is_held_outdoors(survey.site)
    assert join_exit(replace(survey, site=site)).exit is survey.exit


def drain_of(vertices: Array, marks: Array) -> tuple[Drain, object]:
    """Make a drain through vertices, and a placement of its marks."""
    ids = tuple(f"P{i}" for i in range(len(marks)))
    bends = tuple(Bend(0.0, 0.0, float(x), float(y)) for x, y in vertices[1:-1])
    drain = Drain(vertices, ids, np.zeros(len(marks)), np.zeros(len(marks)), bends, -1.5,
                  np.eye(3), (), 0.02, 0.004, 0.5, {})  # fmt: skip
    points = [SimpleNamespace(id=i, x_m=x, y_m=y) for i, (x, y) in zip(ids, marks, strict=True)]
    return drain, SimpleNamespace(points=points, index=ids.index)


def line_of(joint: Exit) -> shapely.LineString:
    """Return the exit's own line, 100 m either way."""
    way = 100.0 * np.array([np.cos(joint.angle_rad), np.sin(joint.angle_rad)])
    here = np.array([joint.x_m, joint.y_m])
    return shapely.LineString([here - way, here + way])


@given(SEEDS, st.integers(2, 4))
def test_a_drain_laid_anew_is_shapelys(seed: int, count: int) -> None:
    """Corner, feet, stations, signed offsets and turns of a drain of one to three straights."""
    generator = np.random.default_rng(seed)
    turns = generator.choice([-1, 1], count - 1) * generator.uniform(0.35, 1.2, count - 1)
    turns[0] = 0.0
    angles = -1.57 - turns[::-1].cumsum()[::-1] + turns  # the last straight runs at about −90°
    steps = 5.0 * np.column_stack([np.cos(angles), np.sin(angles)])
    vertices = np.array([3.0, 25.0]) + np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    marks = np.array(
        [
            generator.normal(vertices[i] + s * steps[i], 0.1)
            for i in range(count - 1)
            for s in (0.3, 0.7)
        ]
    )
    drain, placement = drain_of(vertices, marks)
    x, y = vertices[-1] + generator.normal(0, 0.15, 2) + [0.0, -1.0]
    joint = replace(front_exit(), x_m=x, y_m=y, angle_rad=angles[-1] + generator.normal(0, 0.03))
    laid = meet_exit(drain, placement, joint)  # type: ignore[arg-type]  # as much as is asked

    line = line_of(joint)
    foot = line.interpolate(line.project(shapely.Point(vertices[-1])))
    assert laid.vertices[-1] == pytest.approx([foot.x, foot.y], abs=1e-6)
    if count == 2:
        corner = line.interpolate(line.project(shapely.Point(vertices[0])))
    else:
        assert laid.vertices[:-2] == pytest.approx(vertices[:-2])
        above = shapely.LineString([vertices[-3] - 9 * steps[-2], vertices[-3] + 9 * steps[-2]])
        corner = shapely.intersection(above, line)
    assert laid.vertices[-2] == pytest.approx([corner.x, corner.y], abs=1e-6)
    whole = shapely.LineString(laid.vertices)
    points = shapely.points(marks)
    assert laid.stations_m == pytest.approx(shapely.line_locate_point(whole, points), abs=1e-6)
    ways = np.diff(laid.vertices, axis=0) @ [1, 1j]
    for mark, offset, station in zip(marks, laid.offsets_m, laid.stations_m, strict=True):
        corners = [whole.project(shapely.Point(vertex)) for vertex in laid.vertices]
        if min(abs(station - one) for one in corners) > 1e-6:
            assert abs(offset) == pytest.approx(whole.distance(shapely.Point(mark)), abs=1e-6)
            near, next_ = (whole.interpolate(station + s) for s in (-1e-7, 1e-7))
            ring = shapely.LinearRing([near, next_, shapely.Point(mark)])
            assert (offset > 0) == ring.is_ccw or abs(offset) < 1e-3
    turned = np.degrees(np.angle(ways[1:] / ways[:-1]))
    assert [bend.angle_deg for bend in laid.bends] == pytest.approx(list(turned))
    for bend, vertex in zip(laid.bends, laid.vertices[1:-1], strict=True):
        assert (bend.x_m, bend.y_m) == pytest.approx(tuple(vertex))
        assert bend.station_m == pytest.approx(whole.project(shapely.Point(vertex)), abs=1e-6)
    assert laid.end_angle_rad == joint.angle_rad


def test_the_likeliest_component_tells_whether_the_drain_is_laid_anew() -> None:
    """Straight 80 %, bent 20 %: laid anew; the other way round it stays."""
    drain, placement = drain_of(np.array([[7.0, 13.0], [7.0, 9.0]]), np.array([[7.0, 12.0]]))
    (straight,) = front_exit().mixture
    bent = replace(straight, turn_deg=22.5)
    joint = replace(front_exit(), components=(straight, bent))
    assert meet_exit(drain, placement, joint) is not drain  # type: ignore[arg-type]
    joint = replace(front_exit(), components=(bent, straight))
    assert meet_exit(drain, placement, joint) is drain  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("turn_deg", "aside_m"),
    [(4.0, 0.1), (30.0, 2.0), (30.0, -6.0)],
    ids=["hardly turns", "meets before it begins", "meets past its end"],
)
def test_straights_that_meet_nowhere_in_particular_keep_the_foot(
    turn_deg: float, aside_m: float
) -> None:
    """The bend is then shapely's foot of the old one on the exit's line."""
    first = np.radians(-90.0 - turn_deg)
    corner = np.array([7.0, 13.0])
    start = corner - 2.0 * np.array([np.cos(first), np.sin(first)])
    drain, placement = drain_of(np.array([start, corner, [7.0, 9.0]]), np.array([corner]))
    joint = replace(front_exit(), x_m=7.0 + aside_m, y_m=7.6, angle_rad=-np.pi / 2)
    laid = meet_exit(drain, placement, joint)  # type: ignore[arg-type]
    line = line_of(joint)
    foot = line.interpolate(line.project(shapely.Point(corner)))
    assert laid.vertices[1] == pytest.approx([foot.x, foot.y], abs=1e-6)
