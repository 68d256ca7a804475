"""Lengths, points along, nearest points, clips and rays against shapely and numpy."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from sitegis.geometry import polyline

SEEDS = st.integers(0, 2**32 - 1)


def lines_of(seed: int, count: int = 50, vertices: int = 5) -> np.ndarray:
    """Draw lines (m, v, 2) over 40 m; a third of them repeat their last vertex or two."""
    generator = np.random.default_rng(seed)
    lines = generator.uniform(0.0, 40.0, (count, vertices, 2))
    lines[::3, -1] = lines[::3, -2]
    if vertices > 2:
        lines[::6, -2:] = lines[::6, -3:-2]
    return lines


@given(SEEDS)
def test_lengths_equal_shapely(seed: int) -> None:
    """The length and the last station of every line are shapely's length."""
    lines = lines_of(seed)
    expected = shapely.length(shapely.linestrings(lines))

    assert polyline.length(lines) == pytest.approx(expected)
    assert polyline.stations(lines)[:, -1] == pytest.approx(expected)
    assert polyline.segment_lengths(lines).sum(axis=1) == pytest.approx(expected)


@given(SEEDS)
def test_points_along_equal_shapely(seed: int) -> None:
    """One distance on each of many lines, and many on one, give shapely's points; ends hold."""
    lines = lines_of(seed)
    at = np.random.default_rng(seed).uniform(0.0, 150.0, len(lines))

    each = shapely.line_interpolate_point(shapely.linestrings(lines), at)
    assert polyline.line_interpolate_point(lines, at) == pytest.approx(
        shapely.get_coordinates(each), abs=1e-7
    )
    many = shapely.line_interpolate_point(shapely.LineString(lines[1]), at)
    assert polyline.line_interpolate_point(lines[1], at) == pytest.approx(
        shapely.get_coordinates(many), abs=1e-7
    )
    before = shapely.line_interpolate_point(shapely.linestrings(lines), 7.0)
    assert polyline.line_interpolate_point(lines, 7.0) == pytest.approx(
        shapely.get_coordinates(before), abs=1e-7
    )


@given(SEEDS)
def test_values_along_equal_numpy(seed: int) -> None:
    """Each row is numpy.interp of that row, past the ends too."""
    generator = np.random.default_rng(seed)
    xp = np.cumsum(generator.uniform(0.1, 5.0, (30, 6)), axis=1)
    fp, x = generator.normal(size=(30, 6)), generator.uniform(-5.0, 40.0, 30)

    expected = [np.interp(*row) for row in zip(x, xp, fp, strict=True)]
    assert polyline.interp(x, xp, fp) == pytest.approx(expected)
    assert polyline.interp(x, xp[0], fp[0]) == pytest.approx(np.interp(x, xp[0], fp[0]))


@given(SEEDS)
def test_nearest_points_equal_shapely(seed: int) -> None:
    """Distance and station of the foot are shapely's, for many lines and for many points."""
    lines = lines_of(seed)
    point, points = np.array([20.0, 15.0]), lines_of(seed + 1)[:, 0]

    distance, station, _ = polyline.line_locate_point(lines, point)
    shapes, mark = shapely.linestrings(lines), shapely.Point(point)
    assert distance == pytest.approx(shapely.distance(shapes, mark))
    assert station == pytest.approx(shapely.line_locate_point(shapes, mark), abs=1e-7)

    distance, station, segment = polyline.line_locate_point(lines[0], points)
    one, marks = shapely.LineString(lines[0]), shapely.points(points)
    assert distance == pytest.approx(shapely.distance(one, marks))
    assert station == pytest.approx(shapely.line_locate_point(one, marks), abs=1e-7)
    parts = shapely.linestrings(np.stack([lines[0, :-1], lines[0, 1:]], axis=1)[segment])
    assert shapely.distance(parts, marks) == pytest.approx(distance)


def test_at_a_corner_the_earlier_segment_is_nearest() -> None:
    """A point outside a corner is as near to both sides of it; the first counts, either way up."""
    corner = np.array([[0.0, 0.0], [7.3, 0.1], [7.3, 9.7]])
    outside = np.array([[8.0, -0.6], [9.1, -1.7], [7.4, 0.0]])

    assert polyline.line_locate_point(corner, outside)[2].tolist() == [0, 0, 0]
    assert polyline.line_locate_point(corner[::-1], outside)[2].tolist() == [0, 0, 0]


@given(SEEDS)
def test_a_clip_along_two_axes_is_the_part_in_shapelys_box(seed: int) -> None:
    """Share from and to along both axes, times the length, is the length inside the box."""
    lines = lines_of(seed, vertices=2)
    lines[::4, 1, 0] = lines[::4, 0, 0]  # some run square to an axis, in the box and beside it
    low, high = np.array([8.0, 12.0]), np.array([23.0, 30.0])
    start, step = lines[:, 0], lines[:, 1] - lines[:, 0]
    enter, leave = np.zeros(len(lines)), np.ones(len(lines))
    for axis in (0, 1):
        first, last = polyline.clip(start[:, axis], step[:, axis], low[axis], high[axis])
        enter, leave = np.maximum(enter, first), np.minimum(leave, last)

    inside = shapely.intersection(shapely.linestrings(lines), shapely.box(*low, *high))
    expected = shapely.length(inside)
    found = np.maximum(leave - enter, 0.0) * np.hypot(*step.T)
    assert found == pytest.approx(expected, abs=1e-9)


@given(SEEDS)
def test_normals_point_out_of_shapelys_polygon(seed: int) -> None:
    """A step along the normal from the middle of a counter-clockwise ring's side leads outside."""
    generator = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(9) + generator.uniform(0.1, 0.9, 9)) / 9
    ring = generator.uniform(4.0, 9.0, 9)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    line = polyline.closed(ring)
    polygon, middle = shapely.Polygon(ring), 0.5 * (line[:-1] + line[1:])
    normals = polyline.normals(line)

    assert np.hypot(*normals.T) == pytest.approx(np.ones(9))
    assert not shapely.contains_xy(polygon, middle + 1e-6 * normals).any()
    assert shapely.contains_xy(polygon, middle - 1e-6 * normals).all()
    assert (polyline.directions(line) * normals).sum(axis=1) == pytest.approx(np.zeros(9))


@given(SEEDS)
def test_rays_hit_where_shapely_says(seed: int) -> None:
    """The first hit of a ray on a bent line is shapely's nearest crossing; else infinite."""
    generator = np.random.default_rng(seed)
    line = np.array([[-10.0, 0.0], [5.0, 2.0], [5.0, 2.0], [30.0, -3.0], [42.0, 9.0]])
    origins = generator.uniform(0, 20, (200, 2)) + np.array([0.0, 5.0])
    angle = generator.uniform(0, 2 * np.pi, 200)
    directions = np.column_stack([np.cos(angle), np.sin(angle)])
    distance, station = polyline.ray(origins, directions, line)

    whole = shapely.LineString(line)
    rays = shapely.linestrings(np.stack([origins, origins + 500 * directions], axis=1))
    met = shapely.intersection(rays, whole)
    hit = ~shapely.is_empty(met)
    assert np.array_equal(np.isfinite(distance), hit)
    expected = shapely.distance(shapely.points(origins[hit]), met[hit])
    assert distance[hit] == pytest.approx(expected)
    at = origins[hit] + distance[hit, None] * directions[hit]
    assert station[hit] == pytest.approx(shapely.line_locate_point(whole, shapely.points(at)))


def test_a_ray_from_the_line_itself_hits_at_once() -> None:
    """A wall on the lot line leaves the lot where it stands, at any rounding of the last bit."""
    line = np.array([[0.0, 0.1], [30.0, 0.3]])
    origins = polyline.line_interpolate_point(line, np.linspace(0.1, 29.9, 50))
    distance, _ = polyline.ray(origins, np.array([0.0, -1.0]), line)

    assert distance == pytest.approx(np.zeros(50), abs=1e-9)


@given(SEEDS)
def test_lines_meet_segments_ahead_and_behind(seed: int) -> None:
    """Where a line meets the sides of a box is shapely's crossing, signed from the origin."""
    generator = np.random.default_rng(seed)
    box = np.array([[0.0, 0.0], [12.0, 0.0], [12.0, 9.0], [0.0, 9.0], [0.0, 0.0]])
    origin, angle = generator.uniform(1.0, 8.0, 2), generator.uniform(0.0, 2 * np.pi)
    direction = np.array([np.cos(angle), np.sin(angle)])
    reach, at = polyline.meet(origin, direction, box[:-1], box[1:])

    through = shapely.LineString([origin - 100 * direction, origin + 100 * direction])
    ends = shapely.get_coordinates(shapely.intersection(through, shapely.Polygon(box)))
    met = np.isfinite(reach)
    assert sorted((ends - origin) @ direction) == pytest.approx(sorted(reach[met]))
    feet = box[:-1] + at[:, None] * polyline.directions(box)
    assert feet[met] == pytest.approx(origin + reach[met, None] * direction)


def test_repeated_points_are_marked_as_shapely_removes_them() -> None:
    """What is kept is what shapely's remove_repeated_points keeps."""
    line = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 0.0], [2.0, 3.0], [2.0, 3.0], [2.0, 3.0]])
    kept = line[polyline.remove_repeated_points(line)]

    expected = shapely.remove_repeated_points(shapely.LineString(line), 1e-6)
    assert kept == pytest.approx(shapely.get_coordinates(expected))


@given(SEEDS)
def test_lines_in_rows_and_columns_equal_shapely_one_by_one(seed: int) -> None:
    """Stacks (2, 3, v, 2) of lines give, for each, shapely's point, nearest distance, station."""
    generator = np.random.default_rng(seed)
    lines = lines_of(seed, 6, 4).reshape(2, 3, 4, 2)
    at, points = generator.uniform(0.0, 60.0, (2, 3)), generator.uniform(0.0, 40.0, (2, 3, 2))
    shapes, marks = shapely.linestrings(lines), shapely.points(points)

    along = shapely.line_interpolate_point(shapes, at)
    found = polyline.line_interpolate_point(lines, at)
    assert found[..., 0] == pytest.approx(shapely.get_x(along), abs=1e-7)
    assert found[..., 1] == pytest.approx(shapely.get_y(along), abs=1e-7)
    distance, station, _ = polyline.line_locate_point(lines, points)
    assert distance == pytest.approx(shapely.distance(shapes, marks))
    assert station == pytest.approx(shapely.line_locate_point(shapes, marks), abs=1e-7)
    # a quarter turn to the right, by complex numbers
    ways, normals = polyline.directions(lines), polyline.normals(lines)
    turned = (ways[..., 0] + 1j * ways[..., 1]) * -1j
    assert normals[..., 0] == pytest.approx(turned.real)
    assert normals[..., 1] == pytest.approx(turned.imag)


@given(SEEDS)
def test_a_clip_along_one_axis_is_the_part_in_shapelys_strip(seed: int) -> None:
    """Both shares lie in [0, 1], and cut off what a strip without ends cuts off."""
    lines = lines_of(seed, vertices=2)
    enter, leave = polyline.clip(lines[:, 0, 0], lines[:, 1, 0] - lines[:, 0, 0], 8.0, 30.0)
    strip = shapely.box(8.0, -1e4, 30.0, 1e4)
    expected = shapely.length(shapely.intersection(shapely.linestrings(lines), strip))
    found = np.maximum(leave - enter, 0.0) * polyline.length(lines)
    assert found == pytest.approx(expected, abs=1e-9)
