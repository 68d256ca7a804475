"""Manning's formula against handbook values, the slope rule, and sags."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from sitegis.dig.hydraulics import (
    _cleanout_line,
    find_sags,
    full_flow,
    p_slope_at_least,
    part_flow,
    profile_check,
)
from sitegis.model.results import Adjustment, Drain, PlacedPoint, Placement, ProfileComponent
from sitegis.model.survey import Survey
from sitegis.rules.rule_set import load_rules
from tests.dig_clouds import front_routes, survey_of
from tests.invented import front_exit

FOOT, INCH = 0.3048, 0.0254
GALLON_PER_MINUTE = 3.785411784e-3 / 60


def component(slope: float, sd: float, weight: float = 1.0) -> ProfileComponent:
    """Return a profile at −0.5 m with a slope and its spread."""
    return ProfileComponent(weight, np.array([-0.5, slope]), np.diag([0.03**2, sd**2]))


def drain_survey(
    depths_m: list[float], *, slope: float = 0.02, slope_sd: float = 0.005, ratio: float = 0.5
) -> Survey:
    """Return marks 1 m apart along y with depths below the slab, under a drain of a given slope."""
    count = len(depths_m)
    points = tuple(
        PlacedPoint(
            f"P{i}", "locate", "R1", 7.0, 15.0 - i, 0.1, 0.1, 0.0, 0.0, depth, 0.02, None, "slab", i
        )
        for i, depth in enumerate(depths_m)
    )
    nothing = Adjustment((), 0.0, 0, 0.0, 0)
    placement = Placement(points, np.eye(2 * count), np.eye(2 * count), nothing, {})
    drain = Drain(
        np.array([[7.0, 15.0], [7.0, 16.0 - count]]),
        tuple(point.id for point in points),
        np.arange(float(count)),
        np.zeros(count),
        (),
        -np.pi / 2,
        np.eye(3),
        (component(slope, slope_sd),),
        slope,
        slope_sd,
        ratio,
        {},
    )
    survey = survey_of((front_routes(50), 1.0))
    return replace(survey, placed=placement, fitted=drain)


@pytest.mark.parametrize(("inches", "velocity_ft_s", "flow_gpm"), [(4, 2.23, 87), (6, 2.92, 257)])
def test_full_pipe_at_an_eighth_inch_a_foot(
    inches: int, velocity_ft_s: float, flow_gpm: float
) -> None:
    """At n = 0.013, ⅛ in/ft: 4 in 2.23 ft/s and 87 gpm, 6 in 2.92 ft/s and 257 gpm."""
    flow = full_flow(inches * INCH, 1 / 96)

    assert flow.velocity_m_s / FOOT == pytest.approx(velocity_ft_s, abs=0.005)
    assert flow.flow_m3_s / GALLON_PER_MINUTE == pytest.approx(flow_gpm, abs=0.5)


def test_four_inch_pipe_needs_084_percent_for_two_feet_a_second() -> None:
    """At n = 0.013, 4 in runs full at 2 ft/s where it falls 0.84 %, to the last digit given."""
    assert full_flow(4 * INCH, 0.00835).velocity_m_s < 2 * FOOT
    assert full_flow(4 * INCH, 0.00845).velocity_m_s > 2 * FOOT


@pytest.mark.parametrize(
    ("share_of_full_flow", "depth_ratio", "velocity_ratio"),
    [(0.5, 0.5, 1.0), (0.0876, 0.2, 0.615), (0.3370, 0.4, 0.902), (0.9775, 0.8, 1.140)],
)
def test_part_full_flow_follows_the_hydraulic_elements_of_a_circle(
    share_of_full_flow: float, depth_ratio: float, velocity_ratio: float
) -> None:
    """Hydraulic elements of a circular pipe, n constant (any sewer handbook; from memory)."""
    full = full_flow(0.1, 0.02)

    found = part_flow(share_of_full_flow * full.flow_m3_s, 0.1, 0.02)

    assert found.depth_ratio == pytest.approx(depth_ratio, abs=0.001)
    assert found.velocity_m_s / full.velocity_m_s == pytest.approx(velocity_ratio, abs=0.002)


def test_past_the_greatest_free_flow_the_pipe_is_full() -> None:
    """Greatest free flow is 1.076 × full at 0.938 of the height; beyond it V = Q / A."""
    full = full_flow(0.1, 0.02)

    below, beyond = (part_flow(share * full.flow_m3_s, 0.1, 0.02) for share in (1.075, 1.08))

    assert 0.90 < below.depth_ratio < 0.94
    assert beyond.depth_ratio == 1.0
    assert beyond.velocity_m_s == pytest.approx(1.08 * full.velocity_m_s)


def test_no_flow_and_no_slope_have_no_velocity() -> None:
    """A dry pipe is empty; a pipe with backfall does not run free."""
    assert part_flow(0.0, 0.1, 0.02).depth_ratio == 0.0
    assert part_flow(0.001, 0.1, -0.01).velocity_m_s == 0.0
    assert full_flow(0.1, -0.01).flow_m3_s == 0.0


def test_probability_of_enough_slope_is_the_mixtures_tail() -> None:
    """0.6 N(2 %, 0.5 %) + 0.4 N(1 %, 0.2 %) above 1.04 %, with scipy's normal."""
    profile = (component(0.02, 0.005, 0.6), component(0.01, 0.002, 0.4))

    expected = 0.6 * norm.sf(0.0104, 0.02, 0.005) + 0.4 * norm.sf(0.0104, 0.01, 0.002)

    assert p_slope_at_least(profile, 0.0104) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("rules", "diameter_m", "slope"),
    [
        ("us-ipc", 2.5 * INCH, 1 / 48),
        ("us-ipc", 4 * INCH, 1 / 96),
        ("us-ipc", 8 * INCH, 1 / 192),
        ("ca-npc", 3 * INCH, 1 / 50),
    ],
)
def test_the_drain_is_held_against_the_rule_for_its_size(
    rules: str, diameter_m: float, slope: float
) -> None:
    """IPC 704.1: ¼, ⅛, 1/16 in/ft; Ontario 7.4.8.1: 1:50 for 3 in."""
    survey = drain_survey([0.5, 0.52])
    survey = replace(
        survey, rules=load_rules(rules), site=replace(survey.site, drain_diameter_m=diameter_m)
    )

    assert profile_check(survey).least_slope == pytest.approx(slope, rel=1e-9)


def test_a_steady_fall_has_no_sag_and_a_rise_has_one() -> None:
    """Depths 0.50 … 0.58 m fall; with 0.70 m in the middle water stands below the end mark."""
    assert find_sags(drain_survey([0.50, 0.52, 0.54, 0.56, 0.58])) == ()

    sag = find_sags(drain_survey([0.50, 0.52, 0.70, 0.56, 0.58]))[0]

    assert (sag.low_point, sag.high_point) == ("P2", "P3")
    assert sag.rise_m == pytest.approx(0.14)
    assert sag.sd_m == pytest.approx(np.hypot(0.02, 0.02))


def test_a_rise_within_the_noise_is_no_sag() -> None:
    """A rise of 5 cm between readings of ± 2 cm each is not believed (1.8 σ)."""
    assert find_sags(drain_survey([0.50, 0.57, 0.52])) == ()


def test_the_statements_say_what_was_found() -> None:
    """Slope against the rule, how little the marks say, slow flow, and the sag with its marks."""
    survey = drain_survey([0.5, 0.52, 0.70, 0.56], slope=0.006, slope_sd=0.004, ratio=0.95)

    text = " ".join(profile_check(survey).statements)

    assert "704.1" in text
    assert "708.1.1" in text
    assert "ends 2' 6\" beyond the wall" in text  # 30 in, IPC chapter 2
    # 0.6 % ± 0.4 % against 1/8 in per foot: 1 − Φ((0.6 − 1.0417) / 0.4) = 13.5 % at least that
    assert "below what new work must have, 1.04 %" in text
    assert "probability of 87 %" in text
    assert "met with" not in text
    assert "say little about the slope" in text
    assert "2 ft/s" in text
    assert "Between P2 and P3" in text


def test_cleanouts_are_counted_over_all_of_the_new_drain() -> None:
    """What is located, what is unseen and what lies beyond the wall, in feet by hand."""
    survey = drain_survey([0.5, 0.52, 0.54])
    inside = replace(front_exit(), unseen_m=35.0)
    survey = replace(survey, penetration=inside)
    rules = survey.rules
    whole = survey.drain.length_m + 35.0 + rules.building_drain_beyond_wall_m
    line = _cleanout_line(survey)
    assert f"{int(np.ceil(whole / rules.cleanout_spacing_m))} on these" in line
    assert whole > rules.cleanout_spacing_m
    feet, inches = (int(part) for part in re.findall(r"these (\d+)' (\d+)", line)[0])
    assert 12 * feet + inches == pytest.approx(whole / 0.0254, abs=0.51)
