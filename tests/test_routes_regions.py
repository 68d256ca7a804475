"""The route kernel against shapely."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.geometry.frames import Array
from sitegis.routes.regions import (
    region_of_polygon,
    region_of_rings,
    routes_cross,
    routes_inside,
)


def random_routes(generator: np.random.Generator, number: int, size: float) -> Array:
    """Return routes of five vertices; half of them short steps, a quarter padded."""
    routes = generator.uniform(-0.1 * size, 1.1 * size, (number, 5, 2))
    half = number // 2
    routes[:half] = routes[:half, :1] + np.cumsum(
        generator.normal(0, size / 20, (half, 5, 2)), axis=1
    )
    routes[: number // 4, 3:] = routes[: number // 4, 2:3]
    return routes


def random_polygon(generator: np.random.Generator, corners: int, size: float) -> Array:
    """Return a simple ring that is star-shaped about its middle, mostly not convex."""
    angle = np.sort(generator.uniform(0, 2 * np.pi, corners))
    radius = generator.uniform(0.15, 0.5, corners) * size
    return size / 2 + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


@given(st.integers(0, 2**32 - 1), st.integers(3, 14))
@settings(deadline=None, max_examples=50)
def test_inside_and_crossing_equal_shapely(seed: int, corners: int) -> None:
    """On random rings and routes both predicates equal shapely's, route by route."""
    generator = np.random.default_rng(seed)
    ring = random_polygon(generator, corners, 40.0)
    polygon = shapely.Polygon(ring)
    routes = random_routes(generator, 400, 40.0)
    lines = shapely.linestrings(routes)
    region = region_of_rings(ring)
    expected = shapely.contains_properly(polygon, lines)
    assert np.array_equal(routes_inside(routes, region), expected)
    crossing = shapely.intersects(polygon.exterior, lines)
    assert np.array_equal(routes_cross(routes, region), crossing)


@given(st.integers(0, 2**32 - 1), st.integers(3, 9))
@settings(deadline=None, max_examples=10)
def test_routes_alone_and_about_a_corner_equal_shapely(seed: int, corners: int) -> None:
    """One short route at a time: edges on every side of it are clear of its box, or pass it."""
    generator = np.random.default_rng(seed)
    ring = random_polygon(generator, corners, 4.0)
    edge, polygon, region = shapely.LinearRing(ring), shapely.Polygon(ring), region_of_rings(ring)
    for route in random_routes(generator, 24, 4.0)[:16, None]:
        line = shapely.LineString(route[0])
        assert routes_cross(route, region)[0] == edge.intersects(line)
        assert routes_inside(route, region)[0] == polygon.contains_properly(line)


def test_holes_and_parts_equal_shapely() -> None:
    """A region of two parts, one with a hole, is treated as shapely treats it."""
    generator = np.random.default_rng(3)
    part = shapely.box(0, 0, 20, 30).difference(shapely.box(8, 10, 12, 20))
    area = shapely.MultiPolygon([part, shapely.box(25, 0, 40, 40)])
    routes = random_routes(generator, 20_000, 40.0)
    expected = shapely.contains_properly(area, shapely.linestrings(routes))
    assert expected.any()
    assert np.array_equal(routes_inside(routes, region_of_polygon(area)), expected)


def test_order_of_rings_does_not_matter() -> None:
    """Clockwise or counter-clockwise, the answer is the same."""
    generator = np.random.default_rng(4)
    ring = random_polygon(generator, 9, 40.0)
    routes = random_routes(generator, 2_000, 40.0)
    there, back = region_of_rings(ring), region_of_rings(ring[::-1])
    assert np.array_equal(routes_inside(routes, there), routes_inside(routes, back))


def test_no_routes_give_no_answers() -> None:
    """An empty set of routes is worked through without complaint."""
    none = np.zeros((0, 5, 2))
    region = region_of_rings(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    assert routes_inside(none, region).shape == routes_cross(none, region).shape == (0,)
