"""Geometry behind the checks, against shapely."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
import shapely
from hypothesis import given, settings

from sitegis.score.particles import leave_lot


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
