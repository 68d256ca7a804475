"""The mains side by side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from sitegis.evidence import Dye
from sitegis.model.results import Contribution, Hypothesis, Routes, ScoredHypothesis, Scores
from sitegis.score import score_hypotheses
from sitegis.score.compare import compare_mains

from .hand_routes import ALLEY, FRONT, UNLISTED, hand_survey, straight_routes
from .invented import corner_site


def test_every_main_has_a_row() -> None:
    """All mains on record are compared, most probable first; one without a route says so."""
    rows = compare_mains(score_hypotheses(hand_survey(Dye("front-main-MH1", True, 30.0))))
    assert [row.main for row in rows] == ["front-main", "alley-main", "side-main"]
    assert [row.toward for row in rows] == ["front", "rear", "side"]
    assert rows[2].length_m is None
    assert rows[0].speaks_for[0].item == "dye"
    assert any(one.item == "dye" for one in rows[1].speaks_against)


def test_figures_are_weighted_means_of_the_routes() -> None:
    """Length, fall and the split at the lot line come out as for one known straight route."""
    site = corner_site()
    front = straight_routes(FRONT, site, spread_m=1e-9)
    survey = hand_survey(sampled=(front, straight_routes(UNLISTED, site)))
    row = compare_mains(score_hypotheses(survey))[0]
    assert row.length_m == pytest.approx(front.lengths_m[0], rel=1e-6)
    assert row.slope == pytest.approx(0.02, rel=1e-6)
    assert row.fall_m == pytest.approx(0.02 * front.lengths_m[0], rel=1e-6)
    assert row.arrival_above_main_m == pytest.approx(0.4)
    assert row.private_m is not None
    assert row.public_m is not None
    assert row.private_m + row.public_m == pytest.approx(row.length_m)
    run = np.hypot(*(front.vertices[0, 2] - front.vertices[0, 1]))
    assert row.public_m == pytest.approx(run * 10.06 / (7.62 - 1.5 + 10.06), rel=1e-3)
    ground = float(site.ground.elevation_m(np.array([6.9, 0.0])))
    top = front.inverts_m[0, 0] - 0.02 * row.private_m + site.drain_diameter_m
    assert row.cover_m == pytest.approx(ground - top, abs=0.01)


def scattered(hypothesis: Hypothesis, seed: int) -> Routes:
    """Make 40 two-straight routes by chance; every fourth ends within the lot."""
    generator = np.random.default_rng(seed)
    ends = np.column_stack([generator.uniform(2.0, 12.0, 40), generator.uniform(-12.0, -6.0, 40)])
    ends[::4, 1] = generator.uniform(1.0, 3.0, 10)
    middle = np.column_stack([generator.uniform(6.0, 8.0, 40), generator.uniform(4.0, 6.0, 40)])
    vertices = np.stack([np.tile([7.0, 7.6], (40, 1)), middle, ends], axis=1)
    inverts = generator.uniform(-1.2, -0.6, 40)[:, None] - np.array([0.0, 0.1, 0.4])
    lengths = shapely.length(shapely.linestrings(vertices))
    nothing = np.zeros(40)
    return Routes(
        hypothesis,
        vertices,
        inverts,
        lengths,
        generator.uniform(0.1, 2.0, 40),
        nothing,
        nothing,
        {},
        100,
    )


def test_figures_of_two_ways_are_averages_by_shapely_and_numpy() -> None:
    """Each route by its share of its way times the way's probability; cover where one leaves."""
    site, generator = corner_site(), np.random.default_rng(7)
    ways = [FRONT, replace(FRONT, id="front-main:side-yard-left", way="side-yard")]
    sampled = [scattered(way, seed) for seed, way in enumerate(ways)]
    bits = (0.5, 0.0701, 0.0699, -0.0699, -0.0701)
    said = [Contribution(str(one), "era", one, "") for one in bits]
    scored = [
        ScoredHypothesis(way, p, 0.0, 0.0, 40.0, tuple(said), w / w.sum(), 0)
        for way, p in zip(ways, (0.55, 0.2), strict=True)
        for w in (generator.random(40),)
    ]
    survey = replace(hand_survey(sampled=tuple(sampled)), scored=Scores(tuple(scored), (), ()))
    row = next(one for one in compare_mains(survey) if one.main == "front-main")

    weights = np.concatenate([one.probability * one.weights for one in scored])
    vertices = np.concatenate([one.vertices for one in sampled])
    inverts = np.concatenate([one.inverts_m for one in sampled])
    lengths, lot = shapely.length(shapely.linestrings(vertices)), shapely.Polygon(site.lot.vertices)
    within = shapely.length(shapely.intersection(shapely.linestrings(vertices), lot))
    leaves = within < lengths - 1e-6
    fall = inverts[:, 0] - inverts[:, 2]

    def mean(values: np.ndarray, of: np.ndarray | None = None) -> object:
        kept = np.ones(80, bool) if of is None else of
        return pytest.approx(np.average(values[kept], weights=weights[kept]), abs=1e-6)

    covers = []
    for line, levels, along in zip(vertices, inverts, within, strict=True):
        place = shapely.LineString(line).interpolate(along)
        passed = np.concatenate([[0.0], np.hypot(*np.diff(line, axis=0).T).cumsum()])
        top = np.interp(along, passed, levels) + site.drain_diameter_m
        covers.append(float(site.ground.elevation_m(np.array([place.x, place.y]))) - top)
    assert row.probability == pytest.approx(0.75)
    assert row.best_way == FRONT.id
    assert row.length_m == mean(lengths)
    assert row.fall_m == mean(fall)
    assert row.slope == mean(fall / lengths)
    assert row.arrival_above_main_m == mean(np.concatenate([one.arrivals_m for one in sampled]))
    assert row.cover_m == mean(np.array(covers), leaves)
    assert row.private_m == mean(within, leaves)
    assert row.public_m == pytest.approx(row.length_m - row.private_m)  # type: ignore[operator]
    assert [one.item for one in row.speaks_for] == ["0.5", "0.0701"]
    assert [one.item for one in row.speaks_against] == ["-0.0701"]


def test_opening_and_check_are_named() -> None:
    """The surface is said, and between two ways the check named is the one with most gain."""
    site = corner_site()
    sampled = tuple(straight_routes(h, site) for h in (FRONT, ALLEY))
    survey = score_hypotheses(hand_survey(sampled=sampled))
    rows = compare_mains(survey)
    alley = next(row for row in rows if row.main == "alley-main")
    assert alley.opening == "Rear Alley: alley, gravel"
    most = max(survey.scores.next_checks, key=lambda check: check.gain_bits)
    assert alley.ruled_out_by == most.check
    side = next(row for row in rows if row.main == "side-main")
    assert "as good as ruled out" in side.ruled_out_by


def test_all_ways_to_a_main_count() -> None:
    """A main's probability is the sum over its ways."""
    site = corner_site()
    sampled = tuple(straight_routes(h, site) for h in (FRONT, ALLEY, UNLISTED))
    survey = score_hypotheses(hand_survey(sampled=sampled))
    rows = compare_mains(survey)
    unlisted = next(s for s in survey.scores.hypotheses if s.hypothesis.main is None)
    assert sum(row.probability for row in rows) == pytest.approx(1 - unlisted.probability)
