"""Geometry behind the checks, against shapely."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays

from sitegis.score.checks import inside_ring, route_distance
from sitegis.score.particles import leave_lot

RING = np.array([[0.0, 0.0], [10.0, 1.0], [12.0, 9.0], [5.0, 6.0], [1.0, 11.0]])
coordinates = st.floats(-3.0, 14.0, width=32)


@settings(deadline=None, max_examples=50)
@given(arrays(float, (6, 2), elements=coordinates))
def test_inside_ring_agrees_with_shapely(points: np.ndarray) -> None:
    """Inside is as shapely says, for points that do not lie on the ring itself."""
    polygon = shapely.Polygon(RING)
    clear = shapely.distance(polygon.exterior, shapely.points(points)) > 1e-6
    assert (inside_ring(points, RING) == shapely.contains_xy(polygon, points))[clear].all()


@settings(deadline=None, max_examples=50)
@given(arrays(float, (3, 4, 2), elements=coordinates), arrays(float, 2, elements=coordinates))
def test_route_distance_agrees_with_shapely(vertices: np.ndarray, point: np.ndarray) -> None:
    """Distance to a polyline is shapely's."""
    expected = [shapely.LineString(line).distance(shapely.Point(point)) for line in vertices]
    assert route_distance(vertices, point) == pytest.approx(expected, abs=1e-6)


@settings(deadline=None, max_examples=50)
@given(st.floats(0.0, 2 * np.pi), st.floats(0.5, 3.0))
def test_leaving_agrees_with_shapely(angle: float, first: float) -> None:
    """A straight out of a lot leaves where shapely's intersection ends."""
    lot = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 8.0], [0.0, 8.0]])
    start, way = np.array([4.0, 3.0]), np.array([np.cos(angle), np.sin(angle)])
    vertices = np.array([[start, start + first * way, start + 30.0 * way]])
    found = leave_lot(vertices, np.zeros((1, 3)), lot)
    inside = shapely.Polygon(lot).intersection(shapely.LineString(vertices[0]))
    assert found.run_m[0] == pytest.approx(inside.length, abs=1e-9)
    ring = shapely.LinearRing(lot)
    assert found.along_m[0] % 36.0 == pytest.approx(
        ring.project(shapely.Point(found.places[0])) % 36.0, abs=1e-9
    )
