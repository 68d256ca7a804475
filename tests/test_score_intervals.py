"""Intervals of exit and tap, against the distributions that the samples are drawn from."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from scipy import stats

from sitegis.finds.records import Missed
from sitegis.model.survey import Survey
from sitegis.numerics.intervals import LEVELS, Region, Strata
from sitegis.score.intervals import (
    NO_PRACTICE,
    _draws,
    _first_straight,
    _ground_at_wall,
    _poses,
    _with_no_practice,
    direction_sets,
    exit_spread,
    exit_strata,
    place_sets,
    stationing_manhole,
    tap_spreads,
)
from sitegis.units import format_station

from .benchmarks.coverage import least_region
from .filled import filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


def with_taps(survey: Survey, stations: np.ndarray) -> Survey:
    """Replace the tap stations of the first way's samples."""
    first, *others = survey.routes
    return dataclasses.replace(
        survey, sampled=(dataclasses.replace(first, tap_stations_m=stations), *others)
    )


def test_the_station_has_the_quantiles_of_the_taps(survey: Survey) -> None:
    """Taps at the quantiles of N(20, 3) give 20 ± z 3 (scipy), counted from the upper end."""
    count = len(survey.routes[0].vertices)
    stations = stats.norm.ppf((np.arange(count) + 0.5) / count, 20.0, 3.0)
    first = tap_spreads(with_taps(survey, stations))[0]
    weights = survey.scores.hypotheses[0].weights
    assert np.ptp(weights) == pytest.approx(0.0)
    assert first.station_m == pytest.approx(20.0, abs=0.05)
    for one in first.station[:2]:
        reach = 3.0 * stats.norm.ppf(0.5 + 0.5 * one.level)
        assert np.array(one.pieces) == pytest.approx(np.array([[20 - reach, 20 + reach]]), abs=0.2)


def test_a_tap_is_counted_from_the_next_manhole_downstream(survey: Survey) -> None:
    """Distance from the manhole and station add up, low ends beside high ones."""
    for tap in tap_spreads(survey):
        assert tap.manhole is not None
        downstream = [m for m in tap.main.manholes if m.station_m > tap.station_m]
        if downstream:
            assert tap.direction == "upstream"
            assert tap.manhole.station_m == min(m.station_m for m in downstream)
            for ahead, back in zip(tap.station, tap.from_manhole, strict=True):
                both = np.array(ahead.pieces) + np.array(back.pieces)[:, ::-1]
                assert both == pytest.approx(tap.manhole.station_m)


def test_without_a_manhole_downstream_the_next_upstream_serves(survey: Survey) -> None:
    """Past the last manhole the station is counted downstream from it; without any from none."""
    main = survey.site.mains[0]
    last = max(main.manholes, key=lambda manhole: manhole.station_m)
    assert stationing_manhole(main, last.station_m + 1.0) == last
    assert stationing_manhole(dataclasses.replace(main, manholes=()), 5.0) is None


def test_of_several_manholes_downstream_the_nearest_serves(survey: Survey) -> None:
    main = survey.site.mains[0]
    some = [
        dataclasses.replace(main.manholes[0], id=name, station_m=station_m)
        for name, station_m in (("A", 90.0), ("B", 30.0), ("C", 60.0), ("D", 0.0))
    ]
    assert stationing_manhole(dataclasses.replace(main, manholes=tuple(some)), 5.0) == some[1]


def test_the_ways_to_a_main_count_by_their_probability(survey: Survey) -> None:
    """The taps' probabilities are those of the mains, the more probable first."""
    taps = tap_spreads(survey)
    expected = {}
    for scored in survey.scores.hypotheses:
        if scored.hypothesis.main is not None:
            name = scored.hypothesis.main
            expected[name] = expected.get(name, 0.0) + scored.probability
    assert {tap.main.id: tap.probability for tap in taps} == pytest.approx(expected)
    assert taps[0].probability >= taps[-1].probability


def test_the_exit_is_read_from_the_routes_that_count(survey: Survey) -> None:
    """Place and direction hold their share of the routes' own first vertices and straights."""
    spread = exit_spread(survey)
    places, angles, weights = [], [], []
    for scored, routes in zip(survey.scores.hypotheses, survey.routes, strict=True):
        if scored.weights.size:
            step = routes.vertices[:, 1] - routes.vertices[:, 0]
            places.append(routes.vertices[:, 0])
            angles.append(np.arctan2(step[:, 1], step[:, 0]))
            weights.append(scored.probability * scored.weights)
    place, angle = np.concatenate(places), np.concatenate(angles)
    weight = np.concatenate(weights)
    for one in spread.angle:
        held = np.zeros(angle.size, bool)
        for low, high in one.pieces:
            held |= (angle - low) % (2 * np.pi) <= high - low
        # the few routes of this survey weigh up to 0.05 each, beside what has none
        assert weight[held].sum() == pytest.approx(one.level, abs=0.06)
    (ellipse,) = spread.place[2].pieces
    center = np.average(place, axis=0, weights=weight)
    assert (ellipse.x_m, ellipse.y_m) == pytest.approx(tuple(center), abs=0.1)


def test_kinds_of_exit_go_by_marks_after_the_bend_and_by_wall(survey: Survey) -> None:
    """Counted by hand: a rare wall goes to the likeliest of as many marks, rare marks to the most.

    Six components of 60, 20, 10, 8.5, 0.75 and 0.75 %, and a sample that came by none.
    """
    part = survey.exit.mixture[0]
    kinds = [(2, 0), (2, 1), (0, 0), (0, 2), (0, 1), (1, 0)]
    parts = tuple(
        dataclasses.replace(part, marks_after=marks, wall_index=wall) for marks, wall in kinds
    )
    exit = dataclasses.replace(survey.exit, components=parts)
    component = np.array([0, 1, 2, 3, 4, 5, -1])
    weights = np.array([0.6, 0.2, 0.1, 0.085, 0.0075, 0.0075, 0.0])
    label = exit_strata(exit, component, weights).label
    assert len(set(label.tolist())) == 4
    assert label[4] == label[2]
    assert label[5] == label[6] == label[0]


@pytest.mark.parametrize("missed", [False, True])
def test_a_bend_that_no_route_takes_stays_in_the_widest_set(survey: Survey, missed: bool) -> None:
    """An exit turned by −70°, 25 % of it: 2.5 % by a tenth, and 1.5 by what has no route.

    So its N(−70°, 2°) is stated. Not where something was dug and missed: then routes tell what the
    marks do not know.
    """
    part = survey.exit.mixture[0]
    spread = np.diag([0.01, 0.01, np.radians(2.0) ** 2])
    turned = part.angle_rad + np.radians(-70.0)
    exit = dataclasses.replace(
        survey.exit,
        components=(
            dataclasses.replace(part, weight=0.75, covariance=spread, marks_after=2),
            dataclasses.replace(
                part, weight=0.25, covariance=spread, marks_after=0, angle_rad=turned
            ),
        ),
    )
    miss = Missed("F1", "test-pit", 7.0, 6.0, 0.05, "lot coordinates", "no")
    site = dataclasses.replace(survey.site, evidence=(miss,) if missed else ())
    spreads = exit_spread(dataclasses.replace(survey, penetration=exit, site=site)).angle
    quantiles = turned + np.radians(2.0) * stats.norm.ppf([0.1, 0.5, 0.9])
    for one, expected in zip(spreads, (0, 0, 0 if missed else 3), strict=True):
        held = [
            sum((q - low) % (2 * np.pi) <= high - low for low, high in one.pieces)
            for q in quantiles
        ]
        assert sum(held) == expected


def test_the_slope_is_that_of_the_profile(survey: Survey) -> None:
    """The 95 % interval ends where scipy's mixture distribution has 2.5 and 97.5 %."""
    (low, high) = exit_spread(survey).slope[2].pieces[0]
    for edge, share in ((low, 0.025), (high, 0.975)):
        below = sum(
            part.weight * stats.norm.cdf(edge, part.mean[1], np.sqrt(part.covariance[1, 1]))
            for part in survey.exit.profile
        )
        assert below == pytest.approx(share, abs=2e-3)


def test_depth_is_wider_than_the_invert_by_the_ground(survey: Survey) -> None:
    """An uncertain ground adds its variance to that of the invert (normal distributions)."""
    exit = dataclasses.replace(
        survey.exit, depth_sd_m=float(np.hypot(survey.exit.invert_sd_m, 0.4))
    )
    spread = exit_spread(dataclasses.replace(survey, penetration=exit))
    invert, depth = (np.diff(s[2].pieces[0])[0] / 3.92 for s in (spread.invert, spread.depth))
    assert depth == pytest.approx(np.hypot(invert, 0.4), rel=0.06)


@pytest.mark.parametrize(
    ("length_m", "unit", "words"),
    [
        (149.66 * 0.3048, "ft", "1+49.7"),
        (0.0, "ft", "0+00.0"),
        (99.97 * 0.3048, "in", "1+00.0"),
        (45.6, "m", "0+045.6"),
        (1234.5, "mm", "1+234.5"),
    ],
)
def test_stations_are_written_as_surveyors_do(length_m: float, unit: str, words: str) -> None:
    """Full stations of 100 ft (1 km) and the rest; rounding carries into the station."""
    assert format_station(length_m, unit) == words  # type: ignore[arg-type]


def test_a_direction_and_a_place_have_their_sets_at_three_levels() -> None:
    """Of normal samples of one kind: scipy's central intervals, and ellipses of √χ² with 2."""
    even = stats.norm.ppf((np.arange(1000) + 0.5) / 1000)
    weights, kind = np.full(1000, 1e-3), Strata.one(1000)
    for one, level in zip(direction_sets(0.05 * even, weights, kind), LEVELS, strict=True):
        assert one.level == level
        assert one.pieces[0] == pytest.approx(stats.norm.interval(level, 0.0, 0.05), abs=2e-3)
    turned = np.random.default_rng(3).permuted(even)
    places = np.stack([2.0 * even, turned], axis=1)
    for region, level in zip(place_sets(places, weights, kind), LEVELS, strict=True):
        assert region.level == level
        reach = 2.0 * np.sqrt(stats.chi2.ppf(level, 2))
        assert region.pieces[0].semi_major_m == pytest.approx(reach, rel=0.05)


def test_each_kind_of_exit_is_drawn_as_often_and_weighs_what_it_is_worth(survey: Survey) -> None:
    """Nine in ten straight, one in ten a meter aside: by the mixture's own weights and means."""
    straight = survey.exit.mixture[0]
    parts = (
        dataclasses.replace(straight, weight=0.9),
        dataclasses.replace(straight, weight=0.1, x_m=straight.x_m + 1.0),
    )
    mixed = dataclasses.replace(survey.exit, components=parts)
    drawn, of = _draws(dataclasses.replace(survey, penetration=mixed, left_inside=None), 0.3)
    assert np.unique(np.bincount(of)).size == 1
    assert np.bincount(of, drawn[4]) == pytest.approx([0.27, 0.03])
    means = [drawn[0, of == kind].mean() for kind in (0, 1)]
    assert means == pytest.approx([part.x_m for part in parts], abs=0.05)


def test_the_first_straight_is_the_first_longer_than_five_centimeters(survey: Survey) -> None:
    """Counted straight by straight; the ground at the wall is the invert and depth together."""
    generator = np.random.default_rng(2)
    vertices = np.cumsum(generator.normal(0.0, 1.0, (40, 5, 2)), axis=1)
    vertices[::2, 1] = vertices[::2, 0] + [0.03, 0.035]
    vertices[::4, 2] = vertices[::4, 1] + [-0.049, 0.0]
    routes = dataclasses.replace(survey.routes[0], vertices=vertices)
    for route, found in zip(vertices, _first_straight(routes), strict=True):
        steps = [b - a for a, b in itertools.pairwise(route)]
        assert found == pytest.approx(next(step for step in steps if np.hypot(*step) > 0.05))
    inside = survey.exit_from_inside
    blurred = dataclasses.replace(inside, invert_sd_m=0.03, depth_sd_m=0.05)
    for name in ("penetration", "left_inside"):
        if getattr(survey, name, None) is not None:
            survey = dataclasses.replace(survey, **{name: blurred})
    mean, sd = _ground_at_wall(survey, 3)
    assert mean == pytest.approx(np.full(3, inside.depth_m + inside.invert_m))
    assert sd == pytest.approx(np.full(3, 0.04))


def test_what_keeps_to_no_practice_lies_on_the_marks_alone() -> None:
    """A tenth of the whole goes to them by their own weights, the sum stays as it was."""
    weights, alone = np.array([0.3, 0.5, 0.05, 0.15]), np.array([False, False, True, True])
    found = _with_no_practice(weights, alone)
    assert found.sum() == pytest.approx(1.0)
    assert found[:2] == pytest.approx((1.0 - NO_PRACTICE) * weights[:2])
    assert found[2] / found[3] == pytest.approx(1.0 / 3.0)


def test_a_place_of_95_percent_counts_what_keeps_to_no_practice() -> None:
    """Two clusters 3 m apart, the second of 2 % and, widened, of 12 %: by what each set holds.

    The least set of 95 % of 98 and 2 is the first alone; of 88 and 12 it needs both.
    """
    generator = np.random.default_rng(3)
    points = generator.normal(0.0, 0.1, (2000, 2)) + np.repeat([[0.0, 0.0], [3.0, 0.0]], 1000, 0)
    kind = Strata(np.zeros(2000, np.int64), np.repeat([0, 1], 1000))
    share = [np.repeat(np.array([p, 1.0 - p]) / 1000, 1000) for p in (0.98, 0.88)]
    narrow, wide = place_sets(points, share[0], kind), place_sets(points, share[0], kind, share[1])

    def holds(region: Region, x_m: float) -> bool:
        return least_region((region,), np.array([x_m, 0.0])) < 1.0

    assert holds(narrow[2], 0.0)
    assert not holds(narrow[2], 3.0)
    assert holds(wide[2], 0.0)
    assert holds(wide[2], 3.0)
    assert not any(holds(region, 3.0) for region in wide[:2])
    assert [one.pieces for one in wide[:2]] == [one.pieces for one in narrow[:2]]


def test_what_no_way_with_a_route_has_is_left_to_the_marks_alone(survey: Survey) -> None:
    """Weights of routes by their ways, of the rest on the marks: one in all; places as laid."""
    fewer = tuple(
        dataclasses.replace(one, probability=0.7 * one.probability)
        for one in survey.scores.hypotheses
    )
    scores = dataclasses.replace(survey.scores, hypotheses=fewer)
    poses, component, alone = _poses(dataclasses.replace(survey, scored=scores))
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    routed = [(one, routes_of[one.hypothesis.id]) for one in fewer if one.weights.any()]
    weights = np.concatenate([one.probability * one.weights for one, _ in routed])
    assert poses[4, ~alone] == pytest.approx(weights)
    assert poses[4, alone].sum() == pytest.approx(0.3)
    assert poses[4].sum() == pytest.approx(1.0)
    places = np.concatenate([routes.vertices[:, 0] for _, routes in routed])
    assert poses[:2, ~alone] == pytest.approx(places.T)
    inverts = np.concatenate([routes.inverts_m[:, 0] for _, routes in routed])
    assert poses[3, ~alone] == pytest.approx(inverts)
    assert component.size == alone.size == poses.shape[1]


def test_under_a_ground_that_is_known_depths_are_inverts_taken_from_it(survey: Survey) -> None:
    """Turned round: the deepest end of an interval is the ground less the invert's lowest."""
    exit = dataclasses.replace(survey.exit, depth_sd_m=survey.exit.invert_sd_m)
    spread = exit_spread(dataclasses.replace(survey, penetration=exit))
    ground = exit.depth_m + exit.invert_m
    for depth, invert in zip(spread.depth, spread.invert, strict=True):
        turned = ground - np.array(invert.pieces)[::-1, ::-1]
        assert np.array(depth.pieces) == pytest.approx(turned, abs=1e-6)
