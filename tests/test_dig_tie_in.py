"""Tie-ins: geometry of the branch, fall, opening and what is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sitegis.dig import plan_dig
from sitegis.dig.branch_path import best_branch, clear_spans, fixture_place, slab_opening
from sitegis.dig.tie_in import COVER_M, SLAB_M, invert_at, p_enough_fall, tie_ins, verdict
from sitegis.geometry.frames import Array
from sitegis.model.results import Adjustment, Drain, PlacedPoint, Placement, ProfileComponent
from sitegis.model.site import PlannedFixture
from sitegis.model.survey import Survey
from sitegis.rules.rule_set import load_rules
from tests.dig_clouds import front_routes, survey_of
from tests.invented import corner_site

INCH = 0.0254
STRAIGHT = np.array([[7.4, 17.0], [7.4, 9.0]])


def tie_survey(
    *fixtures: PlannedFixture,
    drain: Array = STRAIGHT,
    invert_m: float = -0.6,
    outlines: dict[str, Array] | None = None,
) -> Survey:
    """Return the corner lot with a located drain, its invert at its end, planned fixtures."""
    cov = np.array([[0.03**2, 0.0], [0.0, 0.002**2]])
    fitted = Drain(
        drain,
        (),
        np.zeros(0),
        np.zeros(0),
        (),
        -np.pi / 2,
        np.eye(3),
        (ProfileComponent(1.0, np.array([invert_m, 0.02]), cov),),
        0.02,
        0.002,
        0.4,
        {},
    )
    site = replace(corner_site(), fixtures=fixtures)
    points = tuple(
        PlacedPoint(row.id, row.kind, row.room, 3.0 + row.y_m, 9.0 - row.x_m, 0.1, 0.1, 0.0, 0.0,
                    row.depth_m, 0.02, None, "slab", row.row)
        for row in site.locates
    )  # fmt: skip
    placed = Placement(points, np.eye(12), np.eye(12), Adjustment((), 0, 0, 0, 0), outlines or {})
    return replace(survey_of((front_routes(50), 1.0), site=site), placed=placed, fitted=fitted)


def fixture(kind: str, x: float, y: float, room: str = "R1") -> PlannedFixture:
    """Return a planned fixture in room coordinates."""
    return PlannedFixture("F", kind, room, x, y, name=f"New {kind}")


def test_a_branch_meets_a_straight_drain_square() -> None:
    """From 2 m beside the drain the foot of the perpendicular is the wye's place."""
    branch = best_branch(STRAIGHT, 1.4, np.array([5.4, 13.0]))

    assert branch is not None
    assert branch.entry == "square"
    assert branch.length_m == pytest.approx(2.0)
    assert branch.station_m == pytest.approx(4.0)
    assert branch.path[-1] == pytest.approx([7.4, 13.0])


def test_where_square_is_too_near_the_start_the_branch_slants_downstream() -> None:
    """Opposite the cleanout a 45° branch lands 2 m downstream: 2√2 long."""
    branch = best_branch(STRAIGHT, 1.4, np.array([5.4, 17.0]))

    assert branch is not None
    assert branch.entry == "45-degree"
    assert branch.path[-1] == pytest.approx([7.4, 15.0])
    assert branch.length_m == pytest.approx(2 * np.sqrt(2))


def test_a_longer_slanting_branch_is_better_than_one_that_needs_a_bend() -> None:
    """Beyond a 90° corner 3 m away a 45° entry at 3√2 m wins over 3.46 m straight at the bend."""
    corner = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0]])

    branch = best_branch(corner, 1.0, np.array([13.0, 0.2]))

    assert branch is not None
    assert branch.entry == "45-degree"
    assert branch.length_m == pytest.approx(3 * np.sqrt(2))


def test_past_the_end_only_an_angled_branch_is_left() -> None:
    """A fixture below the located drain's end needs another bend, and is told so."""
    survey = tie_survey(fixture("lavatory", 2.0, 0.05), drain=np.array([[7.4, 17.0], [7.4, 12.0]]))

    found = tie_ins(survey)[0]

    assert found.entry == "angled"
    assert any("needs a bend" in line for line in found.cautions)
    assert (found.x_m, found.y_m) == pytest.approx((7.4, 12.0))


def test_an_angled_branch_turns_by_a_wye_and_a_quarter_bend() -> None:
    """45° and 90°: past IPC 708.1.4's 45°, and just the 135° together that UPC 707.4 allows."""
    survey = tie_survey(fixture("lavatory", 2.0, 0.05), drain=np.array([[7.4, 17.0], [7.4, 12.0]]))
    words = []
    for name in ("us-ipc", "us-upc"):
        one = tie_ins(replace(survey, rules=load_rules(name)))[0]
        words += [check.words for check in one.checks if check.code == "cleanout"]
    assert "one more for the turns (90°)" in words[0]
    assert "one more" not in words[1]


def test_a_wye_stands_clear_of_start_bend_and_wall() -> None:
    """On 4 m + 45° bend + 3 m, with the wall 0.2 m past the end: 0.45 m off, 0.4 m at the end."""
    bent = np.array([[0.0, 0.0], [4.0, 0.0], [4.0 + 3 / np.sqrt(2), 3 / np.sqrt(2)]])

    assert clear_spans(bent, 0.2) == [
        pytest.approx((0.45, 3.55)),
        pytest.approx((4.45, 6.6)),
    ]


@settings(deadline=None, max_examples=50)
@given(st.floats(-5, 20), st.floats(0, 25))
def test_every_wye_stands_where_one_can(x: float, y: float) -> None:
    """Wherever the fixture, the branch ends within a clear stretch, on the drain."""
    bent = np.array([[7.4, 17.0], [7.4, 12.0], [9.0, 9.0]])

    branch = best_branch(bent, 0.5, np.array([x, y]))

    assert branch is not None
    spans = clear_spans(bent, 0.5)
    assert any(low - 1e-9 <= branch.station_m <= high + 1e-9 for low, high in spans)


def test_needed_fall_is_the_code_slope_times_the_length() -> None:
    """IPC 704.1: 3 in at ⅛ in/ft over 2.66 m; 2 in at ¼ in/ft."""
    toilet = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0)))[0]
    basin = tie_ins(tie_survey(fixture("lavatory", 2.0, 2.0)))[0]

    assert toilet.diameter_m == pytest.approx(3 * INCH)
    assert toilet.needed_fall_m == pytest.approx(toilet.length_m / 96)
    assert basin.diameter_m == pytest.approx(2 * INCH)
    assert basin.needed_fall_m == pytest.approx(basin.length_m / 48)
    assert "704.1" in toilet.slope_section


def test_available_fall_ends_half_the_difference_of_the_pipes_above_the_invert() -> None:
    """3 in into 4 in with centers level: 0.25 m below the floor to the invert + ½ in."""
    found = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0)))[0]

    invert = -0.6 + 0.02 * (8.0 - found.station_m)
    assert found.available_fall_m == pytest.approx(-0.25 - (invert + 0.5 * INCH))


def test_ontario_asks_for_one_in_fifty() -> None:
    """Ontario 7.4.8.1: 3 in and smaller 1:50."""
    survey = replace(tie_survey(fixture("water-closet", 2.0, 2.0)), rules=load_rules("ca-npc"))

    assert tie_ins(survey)[0].slope == pytest.approx(0.02)


def test_probability_of_draining_is_the_normal_tail() -> None:
    """Available fall N(mean, sd) against the needed fall, with scipy's normal."""
    found = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.32))[0]

    expected = norm.sf(found.needed_fall_m, found.available_fall_m, found.available_fall_sd_m)

    assert 0.01 < expected < 0.99
    assert found.p_gravity == pytest.approx(expected)


def test_invert_upstream_carries_the_slopes_uncertainty() -> None:
    """At 5 m upstream: −0.6 + 5 · 2 %, variance 0.03² + 5² · 0.002²."""
    profile = tie_survey().drain.profile

    assert invert_at(profile, 5.0) == [(1.0, pytest.approx(-0.5), pytest.approx(0.001))]


def test_a_mixture_weighs_its_parts() -> None:
    """Half surely enough, half surely not: one half."""
    assert p_enough_fall([(0.5, -2.0, 1e-6), (0.5, 0.0, 1e-6)], -0.2, 0.1) == pytest.approx(0.5)


def test_a_shallow_drain_needs_an_ejector() -> None:
    """A drain right under the slab takes no toilet by gravity; a deep one does."""
    shallow = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.15))[0]
    deep = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.8))[0]

    assert "ejector" in shallow.verdict
    assert deep.verdict == "drains by gravity"


@pytest.mark.parametrize(
    ("p", "word"),
    [(0.95, "drains"), (0.6, "probably drains"), (0.3, "probably needs"), (0.0, "needs")],
)
def test_verdicts_follow_the_probability(p: float, word: str) -> None:
    """Four words for four ranges."""
    assert verdict(p).startswith(word)


def test_the_slab_opening_is_as_wide_as_agreed() -> None:
    """A 2 m branch: 0.6 m wide, 0.3 m past each end: 2.6 × 0.6 m; a fixture on the drain 0.6²."""
    assert slab_opening(np.array([[0.0, 0.0], [2.0, 0.0]])).area == pytest.approx(1.56)
    assert slab_opening(np.array([[1.0, 1.0], [1.0, 1.0]])).area == pytest.approx(0.36)


def test_concrete_and_soil_follow_from_the_opening() -> None:
    """Concrete is 0.10 m thick; soil is dug 0.10 m below both pipes' inverts, less the slab."""
    found = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0)))[0]
    drain_invert = -0.6 + 0.02 * (8.0 - found.station_m)

    assert found.concrete_m2 == pytest.approx((found.length_m + 0.6) * 0.6)
    assert found.concrete_m3 == pytest.approx(0.1 * found.concrete_m2)
    mean_depth = 0.5 * ((0.25 + 0.1) + (-drain_invert + 0.1)) - 0.1
    assert found.soil_m3 == pytest.approx(found.concrete_m2 * mean_depth)


def test_a_branch_near_a_wall_warns_of_the_footing() -> None:
    """A deep branch that starts beside the front wall warns; one in mid-room does not."""
    near = tie_ins(tie_survey(fixture("water-closet", 2.0, 0.35), invert_m=-0.9))[0]
    far = tie_ins(tie_survey(fixture("water-closet", 3.0, 3.0), invert_m=-0.6))[0]

    # 1.5 × (0.7 m deep − 0.3 m to the footing's underside) is nearer than this one stands
    aside = tie_ins(tie_survey(fixture("water-closet", 3.0, 1.4), invert_m=-0.6))[0]

    # what counts is how deep below the slab, wherever the room's own floor is
    survey = tie_survey(fixture("water-closet", 3.0, 1.4), invert_m=-0.6)
    rooms = tuple(replace(room, floor_elevation_m=0.25) for room in survey.site.rooms)
    raised = tie_ins(replace(survey, site=replace(survey.site, rooms=rooms)))[0]

    assert not any("close to a footing" in line for line in raised.cautions)
    assert any("close to a footing" in line for line in near.cautions)
    assert not any("close to a footing" in line for line in aside.cautions)
    assert not any("close to a footing" in line for line in far.cautions)
    assert any("post-tensioned" in line for line in far.cautions)
    assert any("silica" in line for line in far.cautions)


def test_the_adjusted_outline_places_a_room_first() -> None:
    """An outline turned by 90° carries the fixture with it."""
    outline = np.array([[5.0, 10.0], [5.0, 14.0], [1.0, 14.0], [1.0, 10.0]])
    survey = tie_survey(outlines={"R1": outline})

    place = fixture_place(survey, fixture("lavatory", 3.0, 1.0))

    assert place is not None
    assert place[0] == pytest.approx([4.0, 13.0])


def test_a_room_without_a_place_is_held_by_its_points() -> None:
    """Points placed by a turn of −90° and a shift give the room that pose."""
    survey = tie_survey()
    rooms = tuple(replace(room, origin_m=None) for room in survey.site.rooms)
    survey = replace(survey, site=replace(survey.site, rooms=rooms))

    place = fixture_place(survey, fixture("lavatory", 1.0, 2.0))

    assert place is not None
    assert place[0] == pytest.approx([3.0 + 2.0, 9.0 - 1.0])


def test_a_fixture_in_an_unknown_room_is_told_by_the_plan() -> None:
    """No tie-in, and a notice for a person."""
    survey = plan_dig(tie_survey(fixture("lavatory", 1.0, 1.0, room="R9")))

    assert tie_ins(survey) == ()
    assert "fixture-not-planned" in {notice.code for notice in survey.dig.notices}


def chain(seed: int, turns_deg: tuple[float, ...]) -> Array:
    """Return a drain of 4 m straights that starts anywhere, runs anyhow and turns by the angles."""
    generator = np.random.default_rng(seed)
    headings = generator.uniform(0, 2 * np.pi) + np.radians(np.cumsum([0.0, *turns_deg]))
    steps = 4.0 * np.exp(1j * headings)
    places = complex(*generator.uniform(-9, 9, 2)) + np.concatenate([[0.0], np.cumsum(steps)])
    return np.column_stack([places.real, places.imag])


@pytest.mark.parametrize("seed", range(8))
def test_clear_spans_keep_off_what_turns(seed: int) -> None:
    """Two straights that turn by 4° are one, by 6° two, whatever way they run; ends by hand."""
    drain = chain(seed, (4.0, 6.0, -30.0))
    assert clear_spans(drain, 9.0) == [
        pytest.approx(span) for span in ((0.45, 7.55), (8.45, 11.55), (12.45, 16.0))
    ]


@pytest.mark.parametrize("seed", range(24))
def test_no_wye_anywhere_on_the_drain_makes_a_shorter_branch(seed: int) -> None:
    """Brute force: every millimeter of the clear stretches, by the angle that shapely's line has.

    Where it passes 90° (square to the pipe) or 45° (slanting downstream); else the nearest place.
    """
    drain = chain(seed, (35.0, -60.0))
    place = drain.mean(axis=0) + np.random.default_rng(seed).uniform(-6, 6, 2)
    branch = best_branch(drain, 0.1, place)
    assert branch is not None
    line, found, nearest = shapely.LineString(drain), [], np.inf
    for low, high in clear_spans(drain, 0.1):
        at = np.arange(low, high, 1e-3)
        ends = shapely.get_coordinates(shapely.line_interpolate_point(line, at))
        ways = shapely.get_coordinates(shapely.line_interpolate_point(line, at + 1e-4)) - ends
        away = np.hypot(*(ends - place).T)
        cosine = ((ends - place) * ways).sum(axis=1) / away / np.hypot(*ways.T)
        for entry, angle in (("square", 0.0), ("45-degree", np.sqrt(0.5))):
            passed = np.flatnonzero(np.diff(np.sign(cosine - angle)))
            found += [(away[k], entry, at[k]) for k in passed]
        nearest = min(nearest, float(away.min()))
    end = line.interpolate(branch.station_m)
    assert branch.path[1] == pytest.approx([end.x, end.y])
    assert branch.length_m == pytest.approx(np.hypot(*(branch.path[1] - branch.path[0])))
    if not found:
        assert branch.entry == "angled"
        assert branch.length_m == pytest.approx(nearest, abs=2e-3)
    else:
        length, entry, station = min(found)
        assert branch.entry == entry
        assert branch.length_m == pytest.approx(length, abs=2e-3)
        assert branch.station_m == pytest.approx(station, abs=2e-3)


def test_fall_of_a_profile_in_two_parts_is_that_of_its_samples() -> None:
    """Mean, spread and probability against 400,000 draws of the mixture by numpy."""
    survey = tie_survey(fixture("lavatory", 2.0, 2.0))
    parts = (
        ProfileComponent(0.7, np.array([-0.5, 0.02]), np.diag([0.03**2, 0.002**2])),
        ProfileComponent(0.3, np.array([-0.34, 0.01]), np.array([[2e-3, 4e-5], [4e-5, 9e-6]])),
    )
    survey = replace(survey, fitted=replace(survey.drain, profile=parts))
    found = tie_ins(survey)[0]
    generator = np.random.default_rng(5)
    draws = np.concatenate(
        [
            generator.multivariate_normal(one.mean, one.covariance, round(4e5 * one.weight))
            for one in parts
        ]
    )
    invert = draws @ [1.0, 8.0 - found.station_m]
    # 2 in into 4 in, centers level: 1 in; from under slab and cover, by its own diameter
    fall = -(SLAB_M + COVER_M + 2 * INCH) - (invert + 1 * INCH)
    assert found.available_fall_m == pytest.approx(fall.mean(), abs=1e-3)
    assert found.available_fall_sd_m == pytest.approx(fall.std(), rel=0.01)
    assert found.p_gravity == pytest.approx((fall >= found.needed_fall_m).mean(), abs=0.004)


def test_under_a_shallow_drain_the_branch_is_the_deeper_one() -> None:
    """Both ends are dug to 0.10 m under the branch's 0.25 m: 0.25 m of soil under the slab."""
    found = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.2))[0]
    assert found.soil_m3 == pytest.approx(found.concrete_m2 * 0.25)


def test_an_opening_covers_its_path_and_shapelys_buffer_of_it() -> None:
    """0.3 m about a slanting path, corners square: shapely's square-capped buffer."""
    path = np.array([[1.0, 2.0], [3.5, 2.8]])
    expected = shapely.LineString(path).buffer(0.3, cap_style="square")
    assert slab_opening(path).symmetric_difference(expected).area == pytest.approx(0.0, abs=1e-9)


def test_a_stack_upstream_asks_for_its_distance_and_one_downstream_does_not() -> None:
    """IPC 704.3 speaks of what is downstream of a stack's base; a square entry turns twice 45°."""
    survey = tie_survey(fixture("lavatory", 2.0, 2.0))
    at = tie_ins(survey)[0].station_m
    for station_m, asked in ((at - 2.0, True), (at + 0.5, False)):
        (first, *others) = survey.placement.points
        points = (replace(first, id="S1", kind="stack"), *others)
        drain = replace(survey.drain, point_ids=("S1",), stations_m=np.array([station_m]))
        placed = replace(survey.placement, points=points)
        (found,) = tie_ins(replace(survey, placed=placed, fitted=drain))
        said = {check.code: check for check in found.checks}
        assert ("stack-base" in said) == asked
        assert found.entry == "square"
        # no turn passes 45°, both together do: a question
        assert said["cleanout"].verdict == "ask"


@pytest.mark.parametrize(("drain_in", "told"), [(2, True), (3, False), (4, False)])
def test_a_branch_larger_than_the_drain_is_told(drain_in: int, *, told: bool) -> None:
    """A closet's 3 in into a 2 in drain: the drain must be replaced."""
    survey = tie_survey(fixture("water-closet", 2.0, 2.0))
    survey = replace(survey, site=replace(survey.site, drain_diameter_m=drain_in * INCH))
    found = tie_ins(survey)[0]
    assert any("must be replaced" in line for line in found.cautions) == told


def test_a_stated_room_carries_its_fixtures_in_a_turned_house() -> None:
    """Corner + e^(0.3 i) (origin + e^(0.4 i) place), by complex numbers."""
    survey = tie_survey()
    (first, *others) = survey.site.rooms
    room = replace(first, origin_m=(1.2, 2.3), x_toward_rad=0.4, floor_elevation_m=-0.17)
    building = replace(survey.site.building, angle_rad=0.3)
    site = replace(survey.site, rooms=(room, *others), building=building)
    found = fixture_place(replace(survey, site=site), fixture("lavatory", 1.7, 0.6))
    expected = complex(*building.vertices[0]) + np.exp(0.3j) * (
        1.2 + 2.3j + np.exp(0.4j) * (1.7 + 0.6j)
    )
    assert found is not None
    assert found[0] == pytest.approx([expected.real, expected.imag])
    assert found[1] == -0.17
