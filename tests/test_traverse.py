"""The boundary from its calls: closure, adjustment, curves and area."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate
from shapely.geometry import Polygon

from sitegis.geometry.traverse import (
    Course,
    closure_fault,
    curve_course,
    densify,
    polygon_area_m2,
    run_traverse,
    straight_course,
)
from sitegis.units import parse_bearing, parse_length

# J. Mahun, open surveying text, compass rule example (azimuths, feet); the text prints
# closure 0.157 ft, about 1/15 200, and the adjusted course A-B.
MAHUN = [
    ("226°54'23\"", 639.15),
    ("0°00'00\"", 523.69),
    ("235°02'29\"", 409.54),
    ("79°35'02\"", 815.93),
]


def mahun_courses() -> list[Course]:
    return [straight_course(parse_bearing(azimuth), feet) for azimuth, feet in MAHUN]


def rectangle(width: float, depth: float, turn_deg: float = 0.0) -> list[Course]:
    sides = zip((90.0, 0.0, 270.0, 180.0), (width, depth, width, depth), strict=True)
    return [straight_course(azimuth + turn_deg, length) for azimuth, length in sides]


def test_closure_matches_mahun() -> None:
    """The closure and its ratio are those printed in Mahun's compass rule example."""
    # The text adds latitudes and departures rounded to 0.001 ft, hence a tolerance of 0.001.
    traverse = run_traverse(mahun_courses())
    assert traverse.closure_m == pytest.approx(0.157, abs=0.001)
    assert traverse.ratio == pytest.approx(15_200, rel=0.005)


def test_adjusted_course_matches_mahun() -> None:
    """Course A-B after adjustment has the printed latitude and departure."""
    traverse = run_traverse(mahun_courses())
    departure, latitude = traverse.vertices[1] - traverse.vertices[0]
    assert latitude == pytest.approx(-436.631, abs=0.0011)
    assert departure == pytest.approx(-466.761, abs=0.0011)


def test_adjusted_boundary_closes() -> None:
    """The adjusted courses add up to nothing."""
    adjusted = run_traverse(mahun_courses()).adjusted
    total = sum(c.chord_m * np.exp(1j * math.radians(90 - c.azimuth_deg)) for c in adjusted)
    assert abs(total) < 1e-9


def test_rectangle_area_and_perimeter() -> None:
    """A 50 ft × 125 ft lot has 6250 ft² and closes perfectly."""
    width, depth = parse_length("50'", "ft"), parse_length("125'", "ft")
    traverse = run_traverse(rectangle(width, depth))
    assert traverse.area_m2 == pytest.approx(6250 * 0.3048**2)
    assert traverse.perimeter_m == pytest.approx(350 * 0.3048)
    assert traverse.closure_m < 1e-12


def test_clockwise_calls_have_negative_area() -> None:
    """Calls that run clockwise are told by the sign of the area."""
    reverse = [straight_course(c.azimuth_deg + 180, c.chord_m) for c in rectangle(10, 20)[::-1]]
    assert run_traverse(reverse).area_m2 == pytest.approx(-200.0)


@pytest.mark.parametrize(("turn", "sign"), [("left", 1.0), ("right", -1.0)])
def test_four_quarter_arcs_are_a_circle(turn: str, sign: float) -> None:
    """Four quarter arcs close to a circle: area πR², length 2πR."""
    quarters = [
        curve_course(7.0, turn, central_angle_deg=90, tangent_in_azimuth_deg=-sign * 90.0 * i)  # type: ignore[arg-type]
        for i in range(4)
    ]
    traverse = run_traverse(quarters)
    assert traverse.closure_m < 1e-12
    assert traverse.area_m2 == pytest.approx(sign * math.pi * 49.0)
    assert traverse.perimeter_m == pytest.approx(2 * math.pi * 7.0)


def test_rounded_corner_area() -> None:
    """A corner rounded by radius r takes r²·(1 − π/4) from a rectangle, in exact and ring form."""
    r = 6.0
    courses = [
        straight_course(90, 20 - r),
        curve_course(r, "left", arc_m=r * math.pi / 2, tangent_in_azimuth_deg=90),
        straight_course(0, 40 - r),
        straight_course(270, 20),
        straight_course(180, 40),
    ]
    traverse = run_traverse(courses)
    assert traverse.area_m2 == pytest.approx(800 - r**2 * (1 - math.pi / 4))
    ring, owners = densify(traverse, most_sagitta_m=0.0005)
    assert Polygon(ring).area == pytest.approx(traverse.area_m2, abs=0.01)
    assert set(owners) == {0, 1, 2, 3, 4}
    assert len(owners) == len(ring)


def test_curve_elements_agree() -> None:
    """Radius with arc, chord or angle gives one curve: L = RΔ, C = 2R·sin(Δ/2)."""
    radius, angle = 150.0, math.radians(37.0)
    chord = 2 * radius * math.sin(angle / 2)
    by_arc = curve_course(radius, "right", arc_m=radius * angle, chord_azimuth_deg=10)
    by_chord = curve_course(radius, "right", chord_m=chord, chord_azimuth_deg=10)
    by_angle = curve_course(radius, "right", central_angle_deg=37, tangent_in_azimuth_deg=-8.5)
    for course in (by_arc, by_chord, by_angle):
        assert course.chord_m == pytest.approx(chord)
        assert course.length_m == pytest.approx(radius * angle)
        assert course.radius_m == pytest.approx(radius)
        assert course.azimuth_deg == pytest.approx(10.0)
        assert course.tangent_in_deg == pytest.approx(351.5)
        assert course.tangent_out_deg == pytest.approx(28.5)


def test_long_arc_with_its_chord() -> None:
    """An arc of more than half a circle may have its chord beside it."""
    course = curve_course(
        10, "left", arc_m=10 * 4.0, chord_m=20 * math.sin(2.0), chord_azimuth_deg=0
    )
    assert course.length_m == pytest.approx(40.0)


def test_densified_points_lie_on_the_arc() -> None:
    """Every point of a densified left arc is one radius from its center, on the left."""
    course = curve_course(10, "left", central_angle_deg=120, tangent_in_azimuth_deg=90)
    traverse = run_traverse([course, straight_course(course.azimuth_deg + 180, course.chord_m)])
    ring, owners = densify(traverse)
    on_arc = ring[[i for i, owner in enumerate(owners) if owner == 0]]
    assert len(on_arc) > 10
    assert np.hypot(*(on_arc - [0.0, 10.0]).T) == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({"chord_azimuth_deg": 0}, "arc, its chord or its central angle"),
        ({"arc_m": 5.0}, "bearing of its chord"),
        ({"chord_m": 21.0, "chord_azimuth_deg": 0}, "longer than twice"),
        ({"chord_m": 20.1, "chord_azimuth_deg": 0}, "longer than twice"),
        ({"arc_m": 5.0, "central_angle_deg": 40, "chord_azimuth_deg": 0}, "do not agree"),
        ({"arc_m": 5.0, "chord_m": 5.5, "chord_azimuth_deg": 0}, "do not agree"),
        ({"arc_m": 40.0, "central_angle_deg": 130.8, "chord_azimuth_deg": 0}, "do not agree"),
        ({"arc_m": 5.0, "chord_azimuth_deg": 0, "tangent_in_azimuth_deg": 0}, "do not agree"),
        ({"arc_m": 70.0, "chord_azimuth_deg": 0}, "all the way round"),
        ({"arc_m": math.nan, "chord_azimuth_deg": 0}, "more than 0"),
        ({"arc_m": 5.0, "chord_azimuth_deg": math.nan}, "bearing"),
    ],
)
def test_curves_that_cannot_be(arguments: dict[str, float], reason: str) -> None:
    """A curve that lacks something or contradicts itself is refused with the reason."""
    with pytest.raises(ValueError, match=reason):
        curve_course(10.0, "left", **arguments)


@pytest.mark.parametrize("length", [0.0, -3.0, math.inf, math.nan])
def test_courses_without_length(length: float) -> None:
    """A course of no length is refused."""
    with pytest.raises(ValueError, match="more than 0"):
        straight_course(0.0, length)


def test_turn_must_be_left_or_right() -> None:
    """A curve that turns neither way is refused."""
    with pytest.raises(ValueError, match="left or right, not 'straight'"):
        curve_course(10.0, "straight", arc_m=5.0, chord_azimuth_deg=0.0)  # type: ignore[arg-type]


def test_too_few_courses() -> None:
    """Two straight courses bound nothing."""
    with pytest.raises(ValueError, match="at least three"):
        run_traverse([straight_course(0, 1), straight_course(180, 1)])


def test_closure_within_either_limit_is_taken() -> None:
    """Centimeters on a small lot pass, and so does 1:15 200 on a large one."""
    nearly = [*rectangle(15, 38)[:3], straight_course(180, 38.05)]
    assert closure_fault(run_traverse(nearly)) is None
    assert closure_fault(run_traverse(mahun_courses())) is None


def test_wrong_call_is_refused() -> None:
    """A side that is a meter short is told with its closure and ratio."""
    short = [*rectangle(15, 38)[:3], straight_course(180, 37)]
    fault = closure_fault(run_traverse(short))
    assert fault is not None
    assert "1.000 m" in fault
    assert "1:105" in fault


@st.composite
def closed_courses(draw: st.DrawFn) -> list[Course]:
    """Courses of a star-shaped ring, run counter-clockwise; some are exact, none cross."""
    count = draw(st.integers(3, 9))
    radii = draw(st.lists(st.floats(5, 60), min_size=count, max_size=count))
    angles = 2 * np.pi * np.arange(count) / count
    ring = np.array(radii)[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    steps = np.roll(ring, -1, axis=0) - ring
    return [
        straight_course(math.degrees(math.atan2(east, north)), math.hypot(east, north))
        for east, north in steps
    ]


@settings(deadline=None, max_examples=50)
@given(closed_courses(), st.floats(-720, 720), st.integers(0, 8))
def test_area_ignores_turn_and_start(courses: list[Course], turn: float, start: int) -> None:
    """Area and closure do not depend on the direction of north nor on the point of beginning."""
    reference = run_traverse(courses)
    shift = start % len(courses)
    moved = run_traverse(
        [
            straight_course(c.azimuth_deg + turn, c.chord_m)
            for c in courses[shift:] + courses[:shift]
        ]
    )
    assert reference.closure_m < 1e-9
    assert moved.area_m2 == pytest.approx(reference.area_m2, rel=1e-9)
    assert moved.area_m2 == pytest.approx(Polygon(reference.vertices).area, rel=1e-9)


@settings(deadline=None, max_examples=50)
@given(closed_courses(), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_area_ignores_shift(courses: list[Course], east: float, north: float) -> None:
    """The surveyor's formula does not lose the area of a lot far from the origin."""
    vertices = run_traverse(courses).vertices
    moved = vertices + np.array([east, north])
    assert polygon_area_m2(moved) == pytest.approx(polygon_area_m2(vertices), rel=1e-6)


@settings(deadline=None, max_examples=50)
@given(closed_courses(), st.floats(-0.5, 0.5), st.floats(-0.5, 0.5))
def test_compass_rule_spreads_by_length(
    courses: list[Course], angle_error: float, length_error: float
) -> None:
    """Each corner moves by the closure times its share of the way (the rule's own definition)."""
    wrong = straight_course(courses[0].azimuth_deg + angle_error, courses[0].chord_m + length_error)
    traverse = run_traverse([wrong, *courses[1:]])
    lengths = [c.chord_m for c in traverse.courses]
    share = np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) / sum(lengths)
    expected = traverse.unadjusted[:-1] - share[:, None] * traverse.closure
    assert traverse.vertices == pytest.approx(expected, abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(
    st.floats(2.0, 90.0),
    st.floats(5.0, 300.0),
    st.floats(-720.0, 720.0),
    st.sampled_from(["left", "right"]),
)
def test_a_densified_arc_is_its_heading_integrated(
    radius: float, angle_deg: float, tangent_deg: float, turn: str
) -> None:
    """A curve turns by 1/R a meter: x' = sin, y' = cos of the azimuth, by scipy's Simpson rule.

    Points lie on it, none of its middles departs from the chord by more than asked, and with one
    chord less they would (but for the half circle's limit): R (1 − cos(δ/2)).
    """
    course = curve_course(
        radius,
        turn,
        central_angle_deg=angle_deg,
        tangent_in_azimuth_deg=tangent_deg,  # type: ignore[arg-type]
    )
    back = straight_course(course.azimuth_deg + 180.0, course.chord_m)
    ring, owners = densify(run_traverse([course, back]), most_sagitta_m=0.02)
    chords = owners.count(0)
    sign = 1.0 if turn == "right" else -1.0
    s = np.linspace(0.0, radius * math.radians(angle_deg), 4 * chords + 1)
    azimuth = math.radians(tangent_deg) + sign * s / radius
    path = np.stack(
        [integrate.cumulative_simpson(f(azimuth), x=s, initial=0.0) for f in (np.sin, np.cos)],
        axis=1,
    )
    assert ring == pytest.approx(path[::4], abs=1e-4 * radius)
    middles = 0.5 * (path[:-4:4] + path[4::4])
    assert np.hypot(*(path[2::4] - middles).T).max() <= 0.02 * (1 + 1e-3)
    if chords > 1:
        half = math.radians(angle_deg) / (chords - 1) / 2
        assert radius * (1 - math.cos(half)) > 0.02


@pytest.mark.parametrize(("off_deg", "agrees"), [(0.32, True), (0.36, False)])
def test_chord_and_tangent_agree_to_three_centimeters(off_deg: float, *, agrees: bool) -> None:
    """At 5 m of chord 0.03 m is 0.344°: hardly less is taken, hardly more refused."""
    angle = 2 * math.asin(5.0 / 20.0)

    def made() -> Course:
        return curve_course(
            10.0,
            "left",
            arc_m=10 * angle,
            chord_azimuth_deg=40.0,
            tangent_in_azimuth_deg=40.0 + math.degrees(angle) / 2 + off_deg,
        )

    if agrees:
        assert made().chord_m == pytest.approx(5.0)
    else:
        with pytest.raises(ValueError, match="do not agree"):
            made()


def test_a_curve_just_past_a_full_turn_is_refused() -> None:
    """2π · 10 m is 62.83 m."""
    with pytest.raises(ValueError, match="all the way round"):
        curve_course(10.0, "left", arc_m=62.9, chord_azimuth_deg=0.0)
    assert curve_course(10.0, "left", arc_m=62.7, chord_azimuth_deg=0.0).length_m > 62.0


def test_chords_depart_by_five_millimeters_where_nothing_is_asked() -> None:
    """R (1 − cos(δ/2)) of 70° at 40 m: up to 5 mm, and more with one chord less."""
    course = curve_course(40.0, "left", central_angle_deg=70, tangent_in_azimuth_deg=12)
    back = straight_course(course.azimuth_deg + 180, course.chord_m)
    _, owners = densify(run_traverse([course, back]))
    chords = owners.count(0)
    off = [40.0 * (1.0 - math.cos(math.radians(35.0) / n)) for n in (chords, chords - 1)]
    assert off[0] <= 0.005 < off[1]
