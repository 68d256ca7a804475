"""The mains side by side."""

from __future__ import annotations

import numpy as np
import pytest

from sitegis.evidence import Dye
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
