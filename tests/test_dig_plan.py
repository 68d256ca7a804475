"""The stage as a whole: costs, records, notices, determinism."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from sitegis.dig import plan_dig
from sitegis.dig.cloud import unlisted_cloud
from sitegis.dig.stakeout import choose_ties
from sitegis.model.site import DigSettings, KeepOut
from tests.dig_clouds import front_routes, survey_of, two_way_survey
from tests.invented import corner_site

LOT_CLOSED = KeepOut(
    "lot",
    "other",
    np.array([[-1.0, -0.1], [16.0, -0.1], [16.0, 38.2], [-1.0, 38.2]]),
    0.0,
    "",
    True,
)


def test_expected_cost_is_the_walk_through_the_search() -> None:
    """Σ cost × P(reached) plus the trench after the last miss, pit by pit."""
    plan = plan_dig(two_way_survey()).dig

    expected, reached = 0.0, 1.0
    for pit in plan.pits:
        expected += reached * pit.cost
        reached = 1.0 - pit.p_hit_so_far
    assert plan.expected_cost == pytest.approx(expected + reached * plan.expected_cost_straight)


def test_test_pits_beat_the_straight_trench_on_the_corner_lot() -> None:
    """One pit of about 3 m³ against a trench of 8 m: less than half the cost."""
    plan = plan_dig(two_way_survey()).dig

    assert plan.expected_cost < 0.5 * plan.expected_cost_straight


def test_the_same_survey_gives_the_same_plan() -> None:
    """Two runs agree to the last bit."""
    one, two = plan_dig(two_way_survey()).dig, plan_dig(two_way_survey()).dig

    assert [(pit.x_m, pit.y_m, pit.p_hit) for pit in one.pits] == [
        (pit.x_m, pit.y_m, pit.p_hit) for pit in two.pits
    ]
    assert np.array_equal(one.hit_map.p, two.hit_map.p)


def test_the_hit_map_is_a_probability_over_the_lot() -> None:
    """Every cell lies in [0, 1]; the best smallest pit is about as good as pit 1."""
    plan = plan_dig(two_way_survey()).dig

    assert plan.hit_map.p.min() >= 0.0
    assert plan.hit_map.p.max() <= 1.0
    assert plan.hit_map.p.max() >= plan.pits[0].p_hit - 0.01


def test_pits_in_the_right_of_way_say_so() -> None:
    """With the lot closed to digging, pits lie in the street and name its surface."""
    survey = two_way_survey(site=replace(corner_site(), keep_outs=(LOT_CLOSED,)))

    plan = plan_dig(survey).dig

    assert plan.pits
    assert {pit.surface for pit in plan.pits} <= {"asphalt", "gravel"}
    assert "pit-in-right-of-way" in {notice.code for notice in plan.notices}


def test_soil_type_a_is_noticed() -> None:
    """The refused soil type reaches the plan's notices."""
    site = replace(corner_site(), dig=DigSettings(soil_type="A"))

    plan = plan_dig(two_way_survey(site=site)).dig

    assert "soil-type-refused" in {notice.code for notice in plan.notices}


def test_pits_name_the_ways_they_would_find() -> None:
    """A pit of a site with one way names that way; ties come with it."""
    survey = plan_dig(survey_of((front_routes(), 0.98)))

    for pit in survey.dig.pits:
        assert pit.hypotheses == ("front-main:direct",)
        assert pit.ties == choose_ties(survey.site, np.array([pit.x_m, pit.y_m]))[0]


def test_probability_stays_below_what_is_listed() -> None:
    """Of 2 % unlisted pits find no more than what leaves through them, by shapely."""
    survey = plan_dig(two_way_survey(0.7, 0.28))
    pits, loose = survey.dig.pits, unlisted_cloud(survey)
    assert loose.weights.sum() == pytest.approx(0.02)
    rings = shapely.union_all([shapely.Polygon(pit.ring) for pit in pits])
    met = shapely.intersects(shapely.linestrings(loose.vertices), rings)
    assert 0.0 < loose.weights[met].sum() < 0.02
    assert pits[-1].p_hit_so_far <= 0.98 + loose.weights[met].sum() + 1e-9


def test_a_single_route_is_dug_for_like_many() -> None:
    """One route with all the weight: one pit on it finds it for sure."""
    pits = plan_dig(survey_of((front_routes(1), 1.0))).dig.pits

    assert [pit.p_hit for pit in pits] == pytest.approx([1.0])
