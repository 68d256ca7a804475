"""Ties: names, sight, strength, and errors against independent propagation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import covariance_matrix, ufloat, umath

from sitegis.dig import plan_dig
from sitegis.dig.depths import best_line
from sitegis.dig.stakeout import (
    building_corner_names,
    choose_ties,
    corner_names,
    fixed_points,
    meeting_angle_deg,
    stakeout_row,
    stakeout_rows,
    tie_covariance,
    wall_offset,
)
from sitegis.model.dig_plan import TapeTie
from sitegis.model.site import Side
from tests.dig_clouds import two_way_survey
from tests.invented import HOUSE_FRONT_M, HOUSE_LEFT_M, HOUSE_WIDTH_M, corner_site


@settings(deadline=None, max_examples=40)
@given(st.floats(0.5, 20.0), st.floats(0.5, 15.0), st.floats(0.005, 0.05), st.floats(0.005, 0.05))
def test_error_of_two_ties_is_what_propagation_through_the_circles_gives(
    x: float, y: float, sd_one: float, sd_two: float
) -> None:
    """Two taped circles about (0, 0) and (10, 0), solved with the ``uncertainties`` package."""
    a, b = ufloat(np.hypot(x, y), sd_one), ufloat(np.hypot(x - 10.0, y), sd_two)
    across = (a**2 - b**2 + 100.0) / 20.0
    up = umath.sqrt(a**2 - across**2)
    expected = np.array(covariance_matrix([across, up]))

    found = tie_covariance(
        np.array([x, y]), np.array([[0.0, 0.0], [10.0, 0.0]]), np.array([sd_one, sd_two])
    )

    assert found == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    "place",
    [(6.0, 3.0), (1.0, 14.0), (12.0, 10.0), (6.0, 25.0), (1.0, 4.0), (13.5, 4.0), (0.5, 25.0)],
)
def test_the_chosen_pair_is_the_strongest_there_is(place: tuple[float, float]) -> None:
    """No other pair of visible corners gives a smaller worst-direction error (brute force)."""
    site, target = corner_site(), np.array(place)
    ties, covariance = choose_ties(site, target)
    chosen = float(np.linalg.eigvalsh(covariance)[-1])
    inner = shapely.Polygon(site.building.vertices).buffer(-0.05)
    seen = [
        point
        for point in fixed_points(site)
        if np.hypot(*(point.xy - target)) <= 30.0
        and not shapely.LineString([point.xy, target]).intersects(inner)
    ]

    for i, one in enumerate(seen):
        for two in seen[i + 1 :]:
            xy = np.stack([one.xy, two.xy])
            reach = np.hypot(*(xy - target).T)
            sds = np.hypot(0.01 + 0.001 * reach, [one.sd_m, two.sd_m])
            assert np.linalg.eigvalsh(tie_covariance(target, xy, sds))[-1] >= chosen - 1e-12
    assert len(ties) == min(3, len(seen))


def test_ties_are_the_distances_to_their_corners() -> None:
    """Each tie names a corner, gives its place and the straight distance."""
    site, target = corner_site(), np.array([6.0, 3.0])
    places = {point.name: point.xy for point in fixed_points(site)}

    for tie in choose_ties(site, target)[0]:
        assert (tie.from_x_m, tie.from_y_m) == pytest.approx(tuple(places[tie.from_name]))
        assert tie.distance_m == pytest.approx(np.hypot(*(places[tie.from_name] - target)))


def test_a_lot_corner_carries_the_doubt_of_the_building_on_the_lot() -> None:
    """The drain hangs on the building: a lot corner's sd is √(3² + 4²) cm, the building's 2 cm."""
    invented = corner_site()
    site = replace(
        invented,
        lot=replace(invented.lot, corner_sd_m=0.03),
        building=replace(invented.building, position_sd_m=0.04, outline_sd_m=0.02),
    )

    for point in fixed_points(site):
        expected = 0.05 if point.name.startswith("lot:") else 0.02
        assert point.sd_m == pytest.approx(expected)


def test_no_tie_goes_through_the_house_or_past_the_tape() -> None:
    """All round the house, no tie crosses its inside and none is longer than 30 m."""
    site = corner_site()
    inside = shapely.Polygon(site.building.vertices).buffer(-0.1)
    round_it = shapely.Polygon(site.building.vertices).buffer(1.2).exterior
    places = [np.array(round_it.interpolate(s).coords[0]) for s in np.arange(0, 45, 2.5)]

    for place in places:
        for tie in choose_ties(site, place)[0]:
            line = shapely.LineString([(tie.from_x_m, tie.from_y_m), place])
            assert not line.intersects(inside)
            assert tie.distance_m <= 30.0


def test_where_nothing_can_be_seen_there_are_no_ties() -> None:
    """A place 100 m off has no ties and an infinite error."""
    row = stakeout_row(corner_site(), "far", np.array([6.0, -120.0]))

    assert row.ties == ()
    assert row.sd_m == float("inf")
    assert row.angle_deg == 0.0


def test_ties_meet_at_the_angle_between_them() -> None:
    """From (0, 0) and (10, 0) to (5, 5) ties meet at 90°."""
    ties = choose_ties(corner_site(), np.array([6.0, 3.0]))[0]
    square = (
        replace(ties[0], from_x_m=0.0, from_y_m=0.0),
        replace(ties[1], from_x_m=10.0, from_y_m=0.0),
    )

    assert meeting_angle_deg(np.array([5.0, 5.0]), square) == pytest.approx(90.0)
    assert meeting_angle_deg(np.array([5.0, 5.0 * np.tan(np.radians(30))]), square) == (
        pytest.approx(60.0)
    )


def test_wall_offset_is_measured_square_from_the_nearest_wall() -> None:
    """2 m out from the front wall, 3 m along it from its left corner; likewise on the right."""
    front = np.array([HOUSE_LEFT_M + 3.0, HOUSE_FRONT_M - 2.0])
    right = np.array([HOUSE_LEFT_M + HOUSE_WIDTH_M + 1.5, HOUSE_FRONT_M + 4.0])

    assert wall_offset(corner_site(), front) == pytest.approx(
        ("front", "building:front-left", 3.0, 2.0)
    )
    assert wall_offset(corner_site(), right) == pytest.approx(
        ("right", "building:front-right", 4.0, 1.5)
    )


def test_a_place_before_the_wall_is_measured_along_it_from_the_far_corner() -> None:
    """1 m left of the front wall's line, 2 m out: house width and 1 m from the right corner."""
    before = np.array([HOUSE_LEFT_M - 1.0, HOUSE_FRONT_M - 2.0])

    assert wall_offset(corner_site(), before) == pytest.approx(
        ("front", "building:front-right", HOUSE_WIDTH_M + 1.0, 2.0)
    )


def test_corners_of_an_l_shaped_house_have_names_of_their_own() -> None:
    """The four corners keep their trade names; the other two are numbered."""
    outline = np.array([[0.0, 0], [8, 0], [8, 6], [5, 6], [5, 10], [0, 10]])
    sides: tuple[Side, ...] = ("front", "right", "rear", "right", "rear", "left")

    names = corner_names("building", outline, sides)

    assert len(set(names)) == 6
    assert names[0] == "building:front-left"
    assert names[1] == "building:front-right"
    assert names[5] == "building:rear-left"


def test_rows_cover_pits_exit_and_every_three_meters() -> None:
    """Each pit, the exit, and the route at 3, 6, … m of its length of about 17.7 m, by shapely."""
    survey = plan_dig(two_way_survey())

    rows = stakeout_rows(survey)
    names, places = [row.name for row in rows], [(row.x_m, row.y_m) for row in rows]
    line = best_line(survey)
    assert line is not None
    route = [shapely.LineString(line[0]).interpolate(m).coords[0] for m in (3, 6, 9, 12, 15)]
    planned = [(pit.x_m, pit.y_m) for pit in survey.dig.pits]
    expected = [*planned, (survey.exit.x_m, survey.exit.y_m), *route]
    assert np.array(places) == pytest.approx(np.array(expected), abs=1e-9)

    assert names[: len(survey.dig.pits)] == [f"pit-{pit.rank}" for pit in survey.dig.pits]
    assert names[len(survey.dig.pits)] == "exit"
    assert names[-5:] == ["route-3m", "route-6m", "route-9m", "route-12m", "route-15m"]


def test_a_curve_in_the_lot_line_gives_no_corner_to_tape_from() -> None:
    """Of a lot with a round corner of 6 m in 8° chords only the three square corners are taped."""
    site = corner_site()
    angles = np.radians(np.arange(-90.0, 0.0 + 4.0, 90.0 / 11))
    curve = np.array([6.0, 6.0]) + 6.0 * np.column_stack([np.cos(angles), np.sin(angles)])
    round_lot = np.vstack([[[0.0, 0.0]], curve, [[12.0, 36.0], [0.0, 36.0]]])
    sides: tuple[Side, ...] = ("front",) * len(curve) + ("right", "rear", "left")
    lot = replace(site.lot, vertices=round_lot, sides=sides)

    taped = [p.xy for p in fixed_points(replace(site, lot=lot)) if p.name.startswith("lot:")]

    assert np.array(taped) == pytest.approx(np.array([[0.0, 0.0], [12.0, 36.0], [0.0, 36.0]]))


@pytest.mark.parametrize("seed", range(6))
def test_offsets_from_a_turned_house_lead_back_to_the_place(seed: int) -> None:
    """From the named corner along its wall and square out of it, by complex numbers.

    The wall is the one that shapely has nearest.
    """
    generator = np.random.default_rng(seed)
    site = corner_site()
    middle = site.building.vertices.mean(axis=0)
    turn = np.exp(1j * generator.uniform(-3.0, 3.0))
    around = [complex(*(one - middle)) * turn for one in site.building.vertices]
    ring = np.array([[z.real, z.imag] for z in around]) + middle
    site = replace(site, building=replace(site.building, vertices=ring))
    house, names = shapely.Polygon(ring), building_corner_names(site)
    counted = 0
    for place in generator.uniform(middle - 12.0, middle + 12.0, (30, 2)):
        point = shapely.Point(place)
        if house.buffer(0.05).contains(point):
            continue
        gaps = [shapely.LineString(ring[[k, (k + 1) % 4]]).distance(point) for k in range(4)]
        if np.ptp(np.sort(gaps)[:2]) < 1e-6:
            continue
        side, corner, along_m, out_m = wall_offset(site, place)
        wall = int(np.argmin(gaps))
        assert side == site.building.sides[wall]
        start = names.index(corner)
        assert start in (wall, (wall + 1) % 4)
        edge = complex(*(ring[(wall + 1) % 4] - ring[wall]))
        ahead = edge / abs(edge) * (1 if start == wall else -1)
        outward = -1j * edge / abs(edge)
        back = complex(*ring[start]) + along_m * ahead + out_m * outward
        assert (back.real, back.imag) == pytest.approx(tuple(place))
        assert along_m >= -1e-9
        counted += 1
    assert counted > 4


def test_ties_that_meet_at_an_open_angle_count_as_its_supplement() -> None:
    """The angle between the lines of two ties by their complex quotient, either way round."""
    generator = np.random.default_rng(3)
    for target, one, two in generator.uniform(-9.0, 9.0, (40, 3, 2)):
        ties = tuple(TapeTie("", *map(float, place), 1.0) for place in (one, two))
        between = np.angle(complex(*(target - one)) / complex(*(target - two)))
        expected = min(abs(between), np.pi - abs(between))
        assert meeting_angle_deg(target, ties) == pytest.approx(np.degrees(expected), abs=1e-5)
