"""One joint answer: what is found outdoors moves exit and routes together.

Held against brute force: routes drawn without knowing of the find, very many of them, weighed by
its likelihood written out here.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from sitegis.evidence import OutdoorLocate
from sitegis.finds.kinds import residuals
from sitegis.finds.records import Found, Missed
from sitegis.geometry import polyline
from sitegis.geometry.frames import Array
from sitegis.model.results import Bend, Drain, ExitComponent, FindJudgment, Routes
from sitegis.model.site import Evidence
from sitegis.model.survey import Survey
from sitegis.numerics.statistics import pareto_k
from sitegis.routes import sample, sample_routes
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit, score_hypotheses
from sitegis.score.exit_after import meet_exit
from sitegis.score.finds import BLUNDER, BLUNDERED, NOT_LISTED, OTHER_PIPE, _explained, find_notices
from sitegis.score.particles import draw_particles

from .hand_routes import ALLEY, FRONT, straight_routes
from .invented import corner_site, front_exit

RULES = load_rules("us-ipc")
FIND = Found("F1", "test-pit", 6.55, 3.0, 0.03, "lot coordinates", "yes", depth_to_invert_m=2.75)
SECOND = Found("F2", "test-pit", 6.35, -2.0, 0.03, "lot coordinates", "yes")
MISS = Missed(
    "F3", "test-pit", 6.6, 5.0, 0.05, "lot coordinates", "no", length_m=1.2, width_m=0.9,
    dug_to_m=3.2,
)  # fmt: skip


def mixed_exit() -> object:
    """Return the invented exit as two components, straight and bent by 22.5° to the right."""
    exit = front_exit(sd_m=0.25, sd_deg=3.0)
    (straight,) = exit.mixture
    bent = replace(straight, weight=0.2, turn_deg=-22.5, angle_rad=straight.angle_rad - 0.39)
    assert isinstance(bent, ExitComponent)
    return replace(exit, components=(replace(straight, weight=0.8), bent))


def sampled(*evidence: Evidence) -> Survey:
    site = corner_site(evidence=evidence)
    return sample_routes(Survey(site, RULES, penetration=mixed_exit()))  # type: ignore[arg-type]  # an exit


@cache
def answered(*evidence: Evidence) -> Survey:
    return score_hypotheses(sampled(*evidence))


@cache
def brute(name: str) -> Routes:
    """Draw the routes of one hypothesis 2¹⁶ times without any find."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sample, "FIRST_POWER", 16)
        survey = sampled()
    return next(one for one in survey.routes if one.hypothesis.id == name)


def seen_by_hand(routes: Routes, find: Found) -> Array:
    """Write the likelihood of a find out: normal about its place and depth, or astray."""
    point = np.array([find.x_m, find.y_m])
    distance, station, _ = polyline.line_locate_point(routes.vertices, point)
    steps = np.hypot(*np.moveaxis(np.diff(routes.vertices, axis=1), -1, 0))
    beyond = np.maximum(station[:, None] - np.cumsum(steps, axis=1)[:, :-1], 0.0)
    sd = np.sqrt(0.02**2 + find.sd_m**2 + np.radians(1.5) ** 2 * (beyond**2).sum(axis=1))
    right = np.exp(-0.5 * (distance / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    stray = 1 / 20.0
    if find.depth_to_invert_m is not None:
        site = corner_site()
        fall = (routes.inverts_m[:, 0] - routes.inverts_m[:, -1]) / routes.lengths_m
        here = routes.inverts_m[:, 0] - fall * station
        ground = float(site.ground.elevation_m(point))
        ground_sd = float(replace(site.ground, elevations_m=site.ground.sds_m).elevation_m(point))
        depth_sd = np.hypot(0.02, ground_sd)
        gap = here - (ground - find.depth_to_invert_m)
        right = right * np.exp(-0.5 * (gap / depth_sd) ** 2) / (depth_sd * np.sqrt(2 * np.pi))
        stray = stray / 2.0
    return np.asarray(0.98 * right + 0.02 * stray)


def moments(values: Array, weights: Array) -> tuple[float, float]:
    mean = float(np.average(values, weights=weights))
    return mean, float(np.sqrt(np.average((values - mean) ** 2, weights=weights)))


@pytest.mark.parametrize("finds", [(FIND,), (FIND, SECOND)], ids=["one", "two"])
def test_conditioned_routes_are_the_many_unconditioned_ones_weighed(
    finds: tuple[Found, ...],
) -> None:
    """Evidence, exit, direction, invert and tap, within four standard errors of both."""
    name = "front-main:direct"
    got = next(one for one in sampled(*finds).routes if one.hypothesis.id == name)
    logs = got.log_prior + sum(got.log_likelihoods.values())
    weights = np.exp(logs - logs.max())
    many = brute(name)
    dull = np.exp(many.log_prior) * np.prod([seen_by_hand(many, f) for f in finds], axis=0)
    effective = weights.sum() ** 2 / (weights**2).sum()
    of_many = dull.sum() ** 2 / (dull**2).sum()
    assert effective > 400
    assert of_many > 100  # what it is held against is worth something itself
    error = 4.0 * np.hypot(effective**-0.5, of_many**-0.5)
    log_z = np.log(weights.sum()) + logs.max() - np.log(got.drawn)
    assert log_z == pytest.approx(np.log(dull.sum() / many.drawn), abs=error)
    for values in (
        lambda r: r.vertices[:, 0, 0],
        lambda r: r.inverts_m[:, 0],
        lambda r: r.tap_stations_m,
        lambda r: np.arctan2(*np.moveaxis(np.diff(r.vertices[:, :2], axis=1)[:, 0], -1, 0)[::-1]),
    ):
        mean, sd = moments(values(many), dull)
        assert moments(values(got), weights)[0] == pytest.approx(mean, abs=error * sd)
    assert pareto_k(weights) < 0.7


def test_the_exit_is_read_from_the_same_routes() -> None:
    """Its place, direction and invert are the weighted means over all ways; the first stays."""
    survey = join_exit(answered(FIND))
    inside, joint = survey.exit_from_inside, survey.exit
    assert inside.x_m == front_exit().x_m
    assert abs(joint.x_m - inside.x_m) > 0.02
    assert joint.mixture[0].covariance[2, 2] < inside.mixture[0].covariance[2, 2]
    weights, xs, inverts = [], [], []
    for scored in survey.scores.hypotheses:
        routes = next(r for r in survey.routes if r.hypothesis.id == scored.hypothesis.id)
        if scored.weights.any():
            weights.append(scored.probability * scored.weights)
            xs.append(routes.vertices[:, 0, 0])
            inverts.append(routes.inverts_m[:, 0])
    every = np.concatenate(weights)
    parts = joint.mixture
    x = sum(part.weight * part.x_m for part in parts)
    assert x == pytest.approx(np.average(np.concatenate(xs), weights=every), abs=2e-3)
    invert = np.average(np.concatenate(inverts), weights=every)
    assert joint.invert_m == pytest.approx(invert, abs=2e-3)


def test_what_is_unlisted_leaves_as_its_first_straights_do() -> None:
    """The law of total expectation over listed ways and ``unlisted``, with a tenth of the latter.

    Of the whole mixture E[x] = Σ P(way) E[x | way], ``unlisted`` like any, and its second moment
    likewise.
    """
    survey = answered(FIND)
    scored = tuple(
        replace(one, probability=0.1 if one.hypothesis.id == "unlisted" else 0.9 * one.probability)
        for one in survey.scores.hypotheses
    )
    rest = sum(one.probability for one in scored) - 0.1
    scored = tuple(
        one
        if one.hypothesis.id == "unlisted"
        else replace(one, probability=0.9 / rest * one.probability)
        for one in scored
    )
    survey = replace(survey, scored=replace(survey.scores, hypotheses=scored))
    joint = join_exit(survey).exit
    first, second = 0.0, 0.0
    for one in scored:
        routes = next(r for r in survey.routes if r.hypothesis.id == one.hypothesis.id)
        if one.weights.any():
            x = routes.vertices[:, 0, 0]
            first += one.probability * float(one.weights @ x)
            second += one.probability * float(one.weights @ x**2)
    parts = joint.mixture
    assert sum(part.weight * part.x_m for part in parts) == pytest.approx(first, abs=2e-3)
    whole = sum(part.weight * (part.x_m**2 + part.covariance[0, 0]) for part in parts)
    assert whole - first**2 == pytest.approx(second - first**2, rel=0.05)


def test_the_drain_under_the_slab_meets_the_exit_after_a_find() -> None:
    """Its last straight lies on the exit's own line; the bend before it on the straight above."""
    vertices = np.array([[2.0, 18.0], [7.0, 13.0], [7.0, 9.0]])
    ids = ("P0", "P1", "P2")
    drain = Drain(
        vertices,
        ids,
        np.zeros(3),
        np.zeros(3),
        (Bend(7.07, 45.0, 7.0, 13.0),),
        -np.pi / 2,
        np.eye(3),
        (),
        0.02,
        0.004,
        0.5,
        {},
    )
    marks = [SimpleNamespace(id=i, x_m=x, y_m=y) for i, (x, y) in zip(ids, vertices, strict=True)]
    placement = SimpleNamespace(points=marks, index=ids.index)
    joint = replace(front_exit(), x_m=7.3, y_m=7.62, angle_rad=-np.pi / 2 + 0.05, components=())
    laid = meet_exit(drain, placement, joint)  # type: ignore[arg-type]  # as much as is asked
    along = np.array([np.cos(joint.angle_rad), np.sin(joint.angle_rad)])
    gap = laid.vertices[1:] - np.array([joint.x_m, joint.y_m])
    assert gap[:, 0] * along[1] - gap[:, 1] * along[0] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert laid.vertices[0].tolist() == [2.0, 18.0]
    # on x + y = 20, the straight above
    assert laid.vertices[1].sum() == pytest.approx(20.0)
    assert laid.stations_m[0] == pytest.approx(0.0)
    assert laid.bends[0].angle_deg == pytest.approx(-45.0 + np.degrees(0.05))
    # the last mark lies right of a line that has moved to the left of it, as one looks downstream
    assert laid.offsets_m[2] < -0.1
    bent = replace(front_exit().mixture[0], turn_deg=22.5)
    assert meet_exit(drain, placement, replace(joint, components=(bent,))) is drain  # type: ignore[arg-type]


def test_checks_after_a_miss_count_that_no_hole_may_show_the_pipe() -> None:
    """P(no hole shows it | one miss) = c / P(miss) by Bayes' rule, c = 0.04.

    P(miss) is the ratio of the whole evidence with and without it. Before any miss it is c, and
    that is left out of account then, as in P(hit): shares are those of what a first hole shows.
    """
    survey, before = answered(MISS), answered()
    with_miss, without = (
        sum(one.hypothesis.prior * np.exp(one.log_evidence) for one in each.scores.hypotheses)
        for each in (survey, before)
    )
    listed = 1.0 - next(
        one.probability for one in before.scores.hypotheses if one.hypothesis.id == "unlisted"
    )
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    unshown = float(particles.weights[~particles.shows].sum())
    shared = 0.04 * listed * without / with_miss
    assert unshown == pytest.approx((shared - 0.04 * listed) / 0.96, abs=0.01)
    assert 0.05 < shared < 0.2
    first = draw_particles(before.scores.hypotheses, before.routes, before.site)
    assert first.shows.all()


def test_without_anything_outdoors_the_exit_stays() -> None:
    survey = answered()
    assert join_exit(survey) is survey


def test_a_point_located_outdoors_to_an_inch_moves_the_exit() -> None:
    """Its direction and spread are no longer those of the marks indoors alone."""
    located = OutdoorLocate(6.55, 3.0, None, sd_m=0.0254)
    survey = join_exit(answered(located))
    inside, joint = survey.exit_from_inside, survey.exit
    sd = np.sqrt([part.mixture[0].covariance[2, 2] for part in (inside, joint)])
    assert sd[1] < 0.9 * sd[0]
    # the straight one points from the wall to the place, as nearly as the marks let it
    first = joint.mixture[0]
    off = np.hypot(6.55 - first.x_m, 3.0 - first.y_m) * np.sin(
        np.arctan2(3.0 - first.y_m, 6.55 - first.x_m) - first.angle_rad
    )
    before = np.hypot(6.55 - inside.x_m, 3.0 - inside.y_m) * np.sin(
        np.arctan2(3.0 - inside.y_m, 6.55 - inside.x_m) - inside.angle_rad
    )
    assert abs(off) < 0.3 * abs(before)


def test_a_miss_leaves_what_its_share_says() -> None:
    """Leave-one-out: P(route) after the miss ∝ P(route) (1 − 0.95 · in the hole)."""
    p, left = _in_hole(answered()), _in_hole(answered(MISS))
    assert p > 0.3
    # 1 cm of the hole's rim and the sampling of both runs
    assert left == pytest.approx(0.05 * p / (1 - 0.95 * p), abs=0.02)


def test_a_hole_where_no_route_passes_saves_nothing() -> None:
    """It leaves every route its probability: the search stays as it was, at the same cost."""
    survey = answered(replace(MISS, x_m=13.0, y_m=-1.0))
    (judged,) = survey.scores.finds
    assert judged.worth == pytest.approx(0.0, abs=1.0)


def _in_hole(survey: Survey) -> float:
    """Return the probability that the pipe crosses the hole of ``MISS``."""
    total = 0.0
    for scored in survey.scores.hypotheses:
        routes = next(r for r in survey.routes if r.hypothesis.id == scored.hypothesis.id)
        if scored.weights.any():
            inside = np.zeros(len(scored.weights), bool)
            for at in np.linspace(4.55, 5.45, 19):
                x = _x_at(routes.vertices, at)
                inside |= np.abs(x - 6.6) <= 0.6
            total += scored.probability * float(scored.weights[inside].sum())
    return total


def _x_at(vertices: Array, y: float) -> Array:
    """Return where routes cross a line y = const, nan where they do not."""
    x = np.full(len(vertices), np.nan)
    for i in range(vertices.shape[1] - 1):
        a, b = vertices[:, i], vertices[:, i + 1]
        crosses = (a[:, 1] - y) * (b[:, 1] - y) < 0
        share = (y - a[:, 1]) / np.where(crosses, b[:, 1] - a[:, 1], 1.0)
        x = np.where(crosses & np.isnan(x), a[:, 0] + share * (b[:, 0] - a[:, 0]), x)
    return np.nan_to_num(x, nan=1e9)


def test_a_find_in_line_is_this_drain_and_one_far_off_is_doubted() -> None:
    survey = answered(FIND)
    (judged,) = survey.scores.finds
    assert judged.p_drain > 0.98
    assert not [n for n in survey.scores.notices if n.code == "find-not-explained"]
    astray = replace(FIND, x_m=12.0, depth_to_invert_m=1.0)
    survey = answered(astray)
    (judged,) = survey.scores.finds
    assert judged.p_drain < 0.5
    assert sum(p for _, p in judged.causes) == pytest.approx(1.0 - judged.p_drain, abs=1e-6)
    (notice,) = [n for n in survey.scores.notices if n.code == "find-not-explained"]
    assert notice.needs_person
    assert "another pipe" in notice.message
    # it does not silently win: the ways keep most of their order
    assert survey.scores.hypotheses[0].hypothesis.main == "front-main"


def test_a_find_narrower_than_the_drain_is_another_pipe_more_often() -> None:
    narrow = replace(FIND, diameter_m=0.03)
    plain, told = answered(FIND), answered(narrow)
    one, other = plain.scores.finds[0], told.scores.finds[0]
    assert not [n for n in plain.scores.notices if n.code == "find-narrower"]
    (notice,) = [n for n in told.scores.notices if n.code == "find-narrower"]
    assert notice.needs_person
    assert "another pipe" in notice.message
    odds = [j.p_drain / dict(j.causes)["another pipe"] for j in (one, other)]
    assert odds[0] / odds[1] == pytest.approx(10.0, rel=0.25)


def test_a_find_uphill_is_said_with_how_much_lower_the_routes_pass() -> None:
    """In line, but 1.5 m above where any route's fall brings the pipe."""
    assert FIND.depth_to_invert_m is not None
    uphill = replace(FIND, depth_to_invert_m=FIND.depth_to_invert_m - 1.5)
    survey = answered(uphill)
    (judged,) = survey.scores.finds
    assert judged.p_drain < 0.1
    assert judged.below_m == pytest.approx(-1.5, abs=0.3)
    (notice,) = [n for n in survey.scores.notices if n.code == "find-not-explained"]
    assert re.search(r"the routes pass .* from it and .* lower\.", notice.message)


def test_a_search_from_above_without_a_depth_tells_of_the_strip_alone() -> None:
    """A locator that found nothing over a strip: less sure than a pit, at any depth."""
    strip = Missed(
        "F4", "locate", 6.6, 5.0, 0.05, "lot coordinates", "no", length_m=1.2, width_m=0.9
    )
    pit, found = (answered(one) for one in (MISS, strip))
    before = answered()
    odds = [_odds(one) for one in (before, found, pit)]
    assert odds[0] > odds[1] > odds[2]


def _odds(survey: Survey) -> float:
    """Return the odds of the direct way to the front main, which leads through the strip."""
    (p,) = [
        one.probability
        for one in survey.scores.hypotheses
        if one.hypothesis.id == "front-main:direct"
    ]
    return p / (1.0 - p)


def test_what_else_explains_a_find_is_told_the_likeliest_first() -> None:
    """Equals in the order of the alphabet; what is under half a percent, or 10 cm, has no word."""
    find = Found("F1", "test-pit", 6.6, 2.0, 0.05, "lot coordinates", "yes")
    causes = (("b", 0.2), ("d", 0.0049), ("c", 0.4), ("a", 0.2 + 1e-9), ("e", 0.0051))
    for below_m, said in ((0.101, "higher"), (-0.101, "lower"), (0.0995, ""), (np.nan, "")):
        judged = FindJudgment(find, 0.19, 0.5, below_m, causes, 0.0)
        (notice,) = find_notices([judged], corner_site())
        assert notice.code == "find-not-explained"
        assert "What else explains it: c 40 %, a 20 %, b 20 %, e under 1 %. Look" in notice.message
        passed = notice.message.split("the routes pass ")[1].split(". What")[0]
        assert passed.rpartition(" ")[2] == (said or "it")
    for p, told in ((0.899, True), (0.901, False)):
        judged = FindJudgment(find, p, 0.5, 0.0, causes, 0.0)
        assert len([*find_notices([judged], corner_site())]) == told


def test_what_explains_a_find_are_four_laws_by_scipy() -> None:
    """Normal about this drain, even for another pipe, Student-t of a blunder's spread, no route.

    Each with its prior; beside them what the routes missed it by, across and below.
    """
    item = replace(FIND, direction_rad=-1.5, x_m=6.7)
    site = corner_site(evidence=(item,))
    generator, scored = np.random.default_rng(2), []
    listed = [straight_routes(one, site, count=50) for one in (FRONT, ALLEY)]
    listed.append(
        replace(listed[0], hypothesis=replace(FRONT, id="none"), vertices=np.zeros((0, 3, 2)))
    )
    probabilities = generator.dirichlet(np.ones(len(listed))) * 0.9
    for one, p in zip(listed, probabilities, strict=True):
        weights = (
            generator.dirichlet(np.ones(len(one.vertices))) if len(one.vertices) else np.zeros(0)
        )
        scored.append(
            SimpleNamespace(hypothesis=one.hypothesis, probability=float(p), weights=weights)
        )
    weighed = SimpleNamespace(site=site, routes=tuple(listed))
    shares, across, below, weights = _explained(weighed, scored, item)  # type: ignore[arg-type]
    ground_sd = float(
        replace(site.ground, elevations_m=site.ground.sds_m).elevation_m(np.array([6.7, 3.0]))
    )
    sd, depth_sd = np.hypot(0.02, 0.03), np.hypot(0.02, ground_sd)
    fits = blundered = rest = 0.0
    expected: list[list[Array]] = [[], [], []]
    for one, routes in zip(scored, listed, strict=True):
        if not one.weights.size:
            rest += one.probability
            continue
        share = one.probability * one.weights
        off, low, turn = residuals(item, site, routes.vertices, routes.inverts_m, routes.lengths_m)
        right = stats.norm.pdf(off, 0, sd) * stats.norm.pdf(low, 0, depth_sd)
        fits += float(share @ (right * stats.norm.pdf(turn, 0, np.radians(5.0))))
        wide = stats.t.pdf(off, 3, scale=np.hypot(1.5, sd))
        wide = wide * stats.norm.pdf(low, 0, np.hypot(0.4, depth_sd)) / np.pi
        blundered += float(share @ wide)
        for kept, part in zip(expected, (off, low, share), strict=True):
            kept.append(part)
    stray = 1.0 / 20.0 / 2.0 / np.pi
    assert shares == pytest.approx(
        {
            "this drain": 0.98 * (1.0 - BLUNDER) * fits,
            OTHER_PIPE: 0.02 * stray,
            BLUNDERED: 0.98 * BLUNDER * blundered,
            NOT_LISTED: 0.98 * rest * stray,
        },
        rel=1e-5,
    )
    assert fits > 0.0
    for got, kept in zip((across, below, weights), expected, strict=True):
        assert got == pytest.approx(np.concatenate(kept))
