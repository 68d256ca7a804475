"""Stage line end to end on invented sites."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.geometry.frames import Array, rotation
from sitegis.line import fit_line
from sitegis.line.order import ON_LINE_KINDS
from sitegis.line.stage import read_inverts
from sitegis.model.results import Adjustment, Drain, PlacedPoint, Placement
from sitegis.model.site import PointKind, Site
from sitegis.model.survey import Survey
from sitegis.rules.rule_set import load_rules
from tests.invented import HOUSE_FRONT_M, corner_site

DEPTH_M, SLOPE = 0.60, 0.0208


def survey_of(
    points: tuple[PlacedPoint, ...], *, site: Site | None = None, sd_m: float = 0.1
) -> Survey:
    """Place points by hand: own scatter for what the receiver found, 1 cm for the rest."""
    site = corner_site() if site is None else site
    n = len(points)
    mark = np.eye(2 * n) * 0.01**2
    mark += np.kron(np.ones((n, n)), site.building.position_sd_m**2 * np.eye(2))
    received = np.array([p.kind in ("locate", "bend") for p in points], dtype=float)
    session = site.noise.session_horizontal_m**2
    receiver = np.kron(
        np.diag(received) * sd_m**2 + session * np.outer(received, received), np.eye(2)
    )
    nothing = Adjustment((), 0.0, 0, 0.0, 0)
    placement = Placement(points, mark + receiver, mark, nothing, {})
    return Survey(site, load_rules("us-ipc"), placed=placement)


def point(
    name: str, kind: PointKind, xy: Array, *, depth_m: float | None, count_m: float | None = None
) -> PlacedPoint:
    x, y = map(float, xy)
    return PlacedPoint(
        name, kind, "R1", x, y, 0.1, 0.1, 0.0, 0.0, depth_m, 0.05, count_m, "slab", 2
    )


def straight_marks(count: int = 7, *, wiggle: float = 0.0) -> tuple[PlacedPoint, ...]:
    """Mark a drain from (7, 16) straight to the front wall, falling at a quarter inch a foot."""
    stations = np.linspace(0.0, 7.5, count)
    return tuple(
        point(
            f"P{i}",
            "cleanout" if i == 0 else "locate",
            np.array([7.0 + wiggle * (-1) ** i, 16.0 - s]),
            depth_m=DEPTH_M + SLOPE * s + (0.025 if i == 0 else 0.0),
        )
        for i, s in enumerate(stations)
    )


def codes(drain: Drain) -> list[str]:
    return [notice.code for notice in drain.notices]


def test_a_taped_depth_is_the_invert_and_a_reading_lies_the_head_above_it() -> None:
    """Invert = floor − depth, less the head's height for a reading only; spreads add in squares.

    Tape 3 cm, reading 5 cm, floor 1 cm: √(3² + 1²) and √(5² + 1²) cm.
    """
    marks = (
        point("C", "cleanout", np.array([7.0, 16.0]), depth_m=0.40),
        point("L", "locate", np.array([7.0, 14.0]), depth_m=0.40),
        point("N", "locate", np.array([7.0, 12.0]), depth_m=None),
    )
    survey = survey_of(marks, site=replace(corner_site(), head_above_invert_m=0.025))
    inverts, sds = read_inverts(survey.site, survey.placement)
    assert inverts == pytest.approx([-0.40, -0.425, np.nan], nan_ok=True)
    assert sds == pytest.approx([0.10**0.5 / 10, 0.26**0.5 / 10, np.nan], nan_ok=True)


def test_clean_straight_marks_give_the_drain() -> None:
    """Plan, stations and profile of a clean drain are those it was made from."""
    drain = fit_line(survey_of(straight_marks())).drain
    assert drain.vertices == pytest.approx(np.array([[7.0, 16.0], [7.0, 8.5]]), abs=1e-6)
    assert drain.stations_m == pytest.approx(np.linspace(0.0, 7.5, 7), abs=1e-6)
    assert drain.end_angle_rad == pytest.approx(-np.pi / 2, abs=1e-9)
    true_end = -(DEPTH_M + SLOPE * 7.5 + 0.025)
    sd = float(np.sqrt(sum(c.weight * c.covariance[0, 0] for c in drain.profile)))
    assert drain.invert_at_end_m == pytest.approx(true_end, abs=sd)
    assert drain.bends == ()
    assert codes(drain) == []


@settings(deadline=None, max_examples=10)
@given(st.permutations(range(7)))
def test_order_of_rows_changes_nothing(rows: list[int]) -> None:
    """The same marks in any order of rows give the same drain."""
    marks = straight_marks(wiggle=0.04)
    first = fit_line(survey_of(marks)).drain
    other = fit_line(survey_of(tuple(marks[i] for i in rows))).drain
    assert other.point_ids == first.point_ids
    assert other.vertices == pytest.approx(first.vertices, abs=1e-4)
    assert other.slope == pytest.approx(first.slope, abs=1e-6)


@settings(deadline=None, max_examples=10)
@given(st.floats(-3.0, 3.0), st.floats(-30.0, 30.0))
def test_drain_moves_with_the_lot(turn: float, shift: float) -> None:
    """Turned and shifted marks give the turned and shifted drain, and the same profile."""
    marks, matrix = straight_marks(wiggle=0.04), rotation(turn)
    moved = tuple(
        replace(p, x_m=float(xy[0]), y_m=float(xy[1]))
        for p in marks
        for xy in [matrix @ np.array([p.x_m, p.y_m]) + shift]
    )
    first, other = fit_line(survey_of(marks)).drain, fit_line(survey_of(moved)).drain
    assert other.vertices == pytest.approx(first.vertices @ matrix.T + shift, abs=1e-4)
    assert other.slope == pytest.approx(first.slope, abs=1e-6)
    assert other.end_covariance[2, 2] == pytest.approx(first.end_covariance[2, 2], rel=1e-3)


def bent(points: tuple[PlacedPoint, ...]) -> tuple[PlacedPoint, ...]:
    return (*points[:3], replace(points[3], x_m=points[3].x_m + 1.2), *points[4:])


def wild_depth(points: tuple[PlacedPoint, ...]) -> tuple[PlacedPoint, ...]:
    return (*points[:3], replace(points[3], depth_m=1.3), *points[4:])


def stepped(points: tuple[PlacedPoint, ...]) -> tuple[PlacedPoint, ...]:
    return tuple(replace(p, depth_m=0.5 if i < 4 else 0.85) for i, p in enumerate(points))


def no_depths(points: tuple[PlacedPoint, ...]) -> tuple[PlacedPoint, ...]:
    return tuple(replace(p, depth_m=None) for p in points)


def rising(points: tuple[PlacedPoint, ...]) -> tuple[PlacedPoint, ...]:
    return tuple(
        replace(p, depth_m=1.2 - 0.06 * (16.0 - p.y_m), footage_m=16.0 - p.y_m) for p in points
    )


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (bent, {"mark-off-line"}),
        (wild_depth, {"depth-off-line"}),
        (stepped, {"depth-jump"}),
        (no_depths, {"slope-not-measured"}),
        (rising, {"falls-upstream"}),
        (lambda points: points[:3], {"few-points"}),
    ],
)
def test_what_is_wrong_is_said(
    change: Callable[[tuple[PlacedPoint, ...]], tuple[PlacedPoint, ...]], expected: set[str]
) -> None:
    """Each kind of trouble has its notice."""
    assert expected <= set(codes(fit_line(survey_of(change(straight_marks()))).drain))


def test_a_mark_off_the_line_is_told_as_the_site_measures() -> None:
    """1.2 m aside is told in feet to whoever tapes in feet, and in meters to the other."""
    in_feet, in_meters = (
        next(
            notice.message
            for notice in fit_line(survey_of(bent(straight_marks()), site=site)).drain.notices
            if notice.code == "mark-off-line"
        )
        for site in (corner_site(), replace(corner_site(), units="m"))
    )
    assert re.search(r"lies [34]' \d+\" off", in_feet)
    assert re.search(r"lies 1\.\d+ m off", in_meters)


def test_without_depths_the_slope_is_as_vague_as_practice() -> None:
    """With no depths the slope's spread is nearly the prior's: only the slab above narrows it."""
    drain = fit_line(survey_of(no_depths(straight_marks()))).drain
    assert 0.8 < drain.slope_sd_ratio < 1.05


def test_floor_drain_beside_the_line_bounds_the_invert_from_above() -> None:
    """A deep floor drain off the line pushes the invert below it; a shallow one does nothing."""
    marks = no_depths(straight_marks())
    beside = np.array([8.5, 12.0])
    alone = fit_line(survey_of(marks)).drain.invert_at_end_m
    deep = point("FD", "floor-drain", beside, depth_m=0.95)
    shallow = point("FD", "floor-drain", beside, depth_m=0.05)
    with_deep = fit_line(survey_of((*marks, deep))).drain
    with_shallow = fit_line(survey_of((*marks, shallow))).drain
    start = with_deep.invert_at_end_m + with_deep.slope * (12.0 - 8.5)
    assert start < -0.9
    assert with_shallow.invert_at_end_m == pytest.approx(alone, abs=0.01)
    assert "FD" not in with_deep.point_ids


def test_taped_cleanout_depth_beats_the_shared_depth_scale() -> None:
    """A depth taped at the cleanout narrows the invert that the receiver alone leaves open."""
    marks = straight_marks()
    untaped = (replace(marks[0], depth_m=None), *marks[1:])
    with_tape, without = (fit_line(survey_of(m)).drain for m in (marks, untaped))

    def sd(drain: Drain) -> float:
        mean = drain.invert_at_end_m
        return float(
            np.sqrt(
                sum(
                    c.weight * (c.covariance[0, 0] + (c.mean[0] - mean) ** 2) for c in drain.profile
                )
            )
        )

    assert sd(with_tape) < 0.95 * sd(without)


def test_pipe_stays_below_the_slab() -> None:
    """Depths read far too shallow do not lift the pipe's crown into the slab."""
    marks = tuple(
        replace(p, depth_m=0.06 if p.kind == "locate" else None) for p in straight_marks()
    )
    drain = fit_line(survey_of(marks)).drain
    assert drain.invert_at_end_m < -0.10 - corner_site().drain_diameter_m + 0.05


def test_only_points_on_the_drain_are_used() -> None:
    """The points named are those of the kinds that lie on the drain."""
    wall = point("W", "wall", np.array([3.0, HOUSE_FRONT_M + 0.3]), depth_m=None)
    drain = fit_line(survey_of((*straight_marks(), wall))).drain
    assert "W" not in drain.point_ids
    assert len(drain.point_ids) == 7
    assert "wall" not in ON_LINE_KINDS
