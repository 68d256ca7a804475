"""The catalog of checks, against answers drawn at random; geometry behind them against shapely."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from scipy import stats

from sitegis.evidence import tap_record
from sitegis.model.survey import Survey
from sitegis.score import score_hypotheses
from sitegis.score.checks import (
    Check,
    CheckContext,
    _candidate_places,
    _push_on,
    _station_edges,
    list_checks,
)
from sitegis.score.next_check import prepare_checks
from sitegis.score.particles import Particles, draw_particles, lot_crossings
from sitegis.score.weighed_site import NONE_LEFT_OUT, weigh_site
from sitegis.score.words import outdoor_words
from tests.dig_clouds import two_way_survey

from .hand_routes import hand_survey

DRAWS = 20_000


@cache
def asked() -> tuple[Survey, CheckContext, tuple[Check, ...]]:
    """Return the survey made by hand, what its checks look at, and the checks."""
    survey = hand_survey()
    scored = score_hypotheses(survey).scores.hypotheses
    case = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    context = prepare_checks(survey, case, scored, survey.routes)
    return survey, context, tuple(list_checks(context))


def noise() -> np.ndarray:
    """Return standard normal draws, stratified."""
    return np.asarray(stats.norm.ppf((np.arange(DRAWS) + 0.5) / DRAWS))


def test_where_the_pushed_head_turns_up_is_drawn_with_the_locators_noise() -> None:
    """Shapely's place on each route ten feet past the last mark, left or right of the exit's line.

    Noise is added, and the nearest half meter read: shares of draws. A first straight of what is
    unlisted counts as far as it runs; one that ends before is the average of the others.
    """
    survey, context, checks = asked()
    (push,) = (check for check in checks if check.kind == "push-on")
    particles, exit = context.particles, survey.exit
    table = push.likelihood(particles)
    ahead = 10 * 0.3048 - exit.unseen_m
    line = shapely.LineString(
        [
            [exit.x_m - 99 * np.cos(exit.angle_rad), exit.y_m - 99 * np.sin(exit.angle_rad)],
            [exit.x_m + 99 * np.cos(exit.angle_rad), exit.y_m + 99 * np.sin(exit.angle_rad)],
        ]
    )
    half = table.shape[1] // 2
    assert table.shape[1] % 2 == 1
    sd = survey.site.noise.located_sd_m(exit.depth_m)
    straights = shapely.linestrings(np.nan_to_num(particles.vertices))
    known = particles.listed | (shapely.length(straights) >= ahead)
    assert 0 < (known & ~particles.listed).sum() < (~particles.listed).sum()
    chosen = np.flatnonzero(known)[::29]
    assert not particles.listed[chosen].all()
    for row in chosen:
        spot = shapely.LineString(particles.vertices[row]).interpolate(ahead)
        left = shapely.LinearRing([line.coords[0], line.coords[1], spot]).is_ccw
        off = line.distance(spot) * (1 if left else -1)
        nearest = np.clip(np.rint((off + sd * noise()) / 0.5), -half, half).astype(int) + half
        drawn = np.bincount(nearest, minlength=2 * half + 1) / DRAWS
        assert table[row] == pytest.approx(drawn, abs=2e-3)
    assert push.outcomes[half] == "straight on"
    assert push.outcomes[-1].endswith("to the left")
    assert push.outcomes[0].endswith("to the right")
    average = np.average(table[known], axis=0, weights=particles.weights[known])
    assert table[~known] == pytest.approx(np.tile(average, (int((~known).sum()), 1)))


def test_a_spot_is_found_by_how_far_the_pipe_passes() -> None:
    """Within a meter, to a blurred edge, nine times in ten; else once in fifty: by draws."""
    survey, context, checks = asked()
    particles = context.particles
    spots = [check for check in checks if check.kind == "spot"]
    assert len(spots) >= 2
    yard = shapely.Polygon(survey.site.lot.vertices) - shapely.Polygon(
        survey.site.building.vertices
    )
    half_meters = [
        shapely.Point(x, y) for x in np.arange(0, 16, 0.5) for y in np.arange(-1, 39, 0.5)
    ]
    places = [point for point in half_meters if yard.contains(point)]
    lines = shapely.linestrings(particles.vertices[particles.listed])
    blur = max(survey.site.noise.horizontal_floor_m, 0.05)
    rows = np.arange(len(lines))[::41]
    gaps = shapely.distance(lines[rows][:, None], np.array(places)[None])
    within = stats.norm.cdf((1.0 - gaps) / blur)  # a share of draws of the edge, to all digits
    edge = (gaps[:, :1] <= 1.0 + blur * noise()).mean(axis=1)
    assert within[:, 0] == pytest.approx(edge, abs=1e-3)
    units = survey.site.units
    named = [
        f"spot {outdoor_words(point.x, units)} from the left lot line and "
        f"{outdoor_words(point.y, units)} from the front lot line"
        for point in places
    ]
    for check in spots:
        (place,) = (k for k, words in enumerate(named) if words in check.name)
        yes = check.likelihood(particles)
        assert yes[rows, 0] == pytest.approx(0.02 + 0.88 * within[:, place])
        assert yes.sum(axis=1) == pytest.approx(1.0)


def test_the_pit_to_check_with_is_the_one_that_pays_best() -> None:
    """No pit that was laid shows more of the weight for its cost; counted pit by pit."""
    _, context, checks = asked()
    (pit,) = (check for check in checks if check.kind == "pit")
    particles, pits = context.particles, context.pits
    best = particles.weights @ pit.likelihood(particles)[:, 0] / pit.cost
    for row, cost in zip(pits.hits, pits.costs, strict=True):
        assert particles.weights @ row[pits.group_of] / cost <= best + 1e-9


def test_a_record_names_main_and_place_as_often_as_records_are_right() -> None:
    """Six in ten lots have one; the default share is of this lot, the rest of any main at random.

    Over its bins the record of the own main is the tap's station with the record's noise, drawn.
    """
    survey, context, checks = asked()
    (record,) = (check for check in checks if check.kind == "connection-record")
    particles, mains = context.particles, survey.site.mains
    table = record.likelihood(particles)
    right = tap_record.DEFAULT.reliability
    assert table.sum(axis=1) == pytest.approx(1.0)
    assert table[:, 0] == pytest.approx(np.where(particles.listed, 0.4, 0.4 + 0.6 * right))
    first = 1
    names = list(dict.fromkeys(record.outcomes[1:]))
    assert len(names) == len(mains)
    for main, name in zip(mains, names, strict=True):
        bins = record.outcomes.count(name)
        columns = slice(first, first + bins)
        first += bins
        mine = particles.on_main(main.id)
        stray = 0.6 * (1 - right) / len(mains)
        assert table[~mine][:, columns].sum(axis=1) == pytest.approx(stray)
        if not mine.any():
            continue
        stations = particles.stations_m[mine]
        low, high = stations.min(), stations.max()
        assert bins == np.clip(np.ceil((high - low) / 1.5), 1, 16)
        for row in np.flatnonzero(mine)[::53]:
            said = particles.stations_m[row] + tap_record.DEFAULT.sd_m * noise()
            place = np.clip((said - low) / (high - low) * bins, 0, bins - 1e-9).astype(int)
            drawn = np.bincount(place, minlength=bins) / DRAWS
            assert table[row, columns] == pytest.approx(
                0.6 * right * drawn + stray / bins, abs=1e-3
            )


@pytest.mark.parametrize(("length_m", "bins"), [(0.0, 1), (1.5, 1), (4.4, 3), (90.0, 16)])
def test_a_record_names_no_more_than_a_meter_and_a_half_of_main(length_m: float, bins: int) -> None:
    """Far along a main as well as at its beginning; sixteen bins at most, all of one width."""
    edges = _station_edges(40.0 + length_m * np.array([0.3, 1.0, 0.0]))
    assert edges == pytest.approx(40.0 + length_m * np.arange(bins + 1) / bins)


def test_neighbors_answer_as_the_habit_says() -> None:
    """Per hypothesis the three answers sum to 1; both do most often where the lateral does."""
    _, context, checks = asked()
    (ask,) = (check for check in checks if check.kind == "neighbors")
    particles = context.particles
    table = ask.likelihood(particles)
    assert table.sum(axis=1) == pytest.approx(1.0)
    leader = next(s.hypothesis.main for s in particles.scored if s.hypothesis.main is not None)
    own = particles.on_main(leader)
    assert table[own, 2].min() > table[~own, 2].max()
    assert table[own, 0].max() < table[~own, 0].min()


@settings(deadline=None, max_examples=50)
@given(st.floats(0.0, 2 * np.pi), st.floats(0.5, 3.0))
def test_leaving_agrees_with_shapely(angle: float, first: float) -> None:
    """A straight out of a lot leaves where shapely's intersection ends."""
    lot = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 8.0], [0.0, 8.0]])
    start, way = np.array([4.0, 3.0]), np.array([np.cos(angle), np.sin(angle)])
    vertices = np.array([[start, start + first * way, start + 30.0 * way]])
    found = lot_crossings(vertices, np.zeros((1, 3)), lot)
    inside = shapely.Polygon(lot).intersection(shapely.LineString(vertices[0]))
    assert found.run_m[0] == pytest.approx(inside.length, abs=1e-9)
    ring = shapely.LinearRing(lot)
    assert found.along_m[0] % 36.0 == pytest.approx(
        ring.project(shapely.Point(found.places[0])) % 36.0, abs=1e-9
    )


def strewn_context(units: str, spread_m: float) -> tuple[CheckContext, Particles]:
    """Return what checks look at, routes strewn about a straight way, without any pit."""
    survey = two_way_survey()
    particles = draw_particles(survey.scores.hypotheses, survey.routes, survey.site)
    generator = np.random.default_rng(4)
    vertices = particles.vertices.copy()
    ahead = np.array([np.cos(survey.exit.angle_rad), np.sin(survey.exit.angle_rad)])
    out = np.array([0.0, 4.0, 9.0, 15.0])[:, None] * ahead
    vertices[particles.listed] = np.array([survey.exit.x_m, survey.exit.y_m]) + out
    vertices[particles.listed, 1:] += generator.normal(
        0.0, spread_m, (particles.listed.sum(), 3, 2)
    )
    weights = generator.dirichlet(np.ones(particles.weights.size))
    particles = replace(particles, vertices=vertices, weights=weights)
    survey = replace(survey, site=replace(survey.site, units=units))  # type: ignore[arg-type]
    made = SimpleNamespace(survey=survey, particles=particles)
    return made, particles  # type: ignore[return-value]  # what these checks read


@pytest.mark.parametrize(("units", "push_m"), [("m", 3.0), ("ft", 3.048)])
@pytest.mark.parametrize("spread_m", [0.25, 4.0])
def test_the_pushed_head_is_read_to_half_meters_of_where_shapely_has_it(
    units: str, push_m: float, spread_m: float
) -> None:
    """Scipy's normal between the edges of bins, the outer ones open; as many as the routes need."""
    context, particles = strewn_context(units, spread_m)
    exit, site = context.survey.exit, context.survey.site
    check = _push_on(context)
    table = check.likelihood(particles)
    distance = max(push_m - exit.unseen_m, 1.0)
    every = shapely.linestrings(np.nan_to_num(particles.vertices))
    known = particles.listed | (shapely.length(every) >= distance)
    lines = every[known]
    spots = shapely.get_coordinates(shapely.line_interpolate_point(lines, distance))
    along = np.exp(1j * exit.angle_rad)
    offs = ((spots[:, 0] - exit.x_m + 1j * (spots[:, 1] - exit.y_m)) / along).imag
    bins = min(int(np.ceil(np.abs(offs).max() / 0.5)), 6)
    assert (bins > 4) == (spread_m > 1.0)
    assert table.shape[1] == len(check.outcomes) == 2 * bins + 1
    sd = site.noise.located_sd_m(max(exit.depth_m, 0.5))
    edges = np.concatenate([[-np.inf], (np.arange(-bins, bins) + 0.5) * 0.5, [np.inf]])
    expected = np.diff(stats.norm.cdf((edges - offs[:, None]) / sd), axis=1)
    assert table[known] == pytest.approx(expected)
    own = particles.weights[known]
    for row in table[~known]:
        assert row == pytest.approx(own @ expected / own.sum())
    assert check.outcomes[bins] == "straight on"
    assert [words.split()[-1] for words in check.outcomes] == (
        ["right"] * bins + ["on"] + ["left"] * bins
    )


def test_spots_are_searched_along_the_middle_route_of_each_likely_way() -> None:
    """Shapely's places 3, 6, 9 and 14 m on, to half a meter, in the lot and off the house."""
    context, particles = strewn_context("m", 0.8)
    scored = tuple(
        replace(one, probability=p)
        for one, p in zip(particles.scored, (0.6, 0.021, 0.01), strict=True)
    )
    site = context.survey.site
    yard = shapely.Polygon(site.lot.vertices) - shapely.Polygon(site.building.vertices)
    for shares, ways in ((scored, 2), (tuple(reversed(scored)), 1)):
        found = _candidate_places(
            SimpleNamespace(survey=context.survey, particles=replace(particles, scored=shares))  # type: ignore[arg-type]
        )
        expected, counted = set(), 0
        for i, one in enumerate(shares):
            mine = np.flatnonzero((particles.hypothesis == i) & particles.listed)
            if not mine.size or one.probability < 0.02:
                continue
            counted += 1
            line = shapely.LineString(particles.vertices[mine[mine.size // 2]])
            for distance in (3.0, 6.0, 9.0, 14.0):
                spot = np.rint(shapely.get_coordinates(line.interpolate(distance))[0] * 2) / 2
                if yard.contains(shapely.Point(spot)):
                    expected.add(tuple(spot.tolist()))
        assert counted == ways
        assert {tuple(spot) for spot in found.tolist()} == expected
        assert expected
