"""The lot's tie to the grid, and the angles between them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from pyproj.transformer import TransformerGroup

from sitegis.geometry import operations as _operations
from sitegis.geometry.frames import LotFrame, lot_direction, rotation, to_wgs84, wrap_degrees
from sitegis.geometry.operations import cell_of, operation

FRAME = LotFrame("EPSG:32616", 400_000.0, 4_600_000.0, 84.2, 0.9996)
METERS = st.floats(-500, 500)
DEGREES = st.floats(-1000, 1000)


def test_rotation_turns_counter_clockwise() -> None:
    """A quarter turn takes x to y."""
    assert rotation(math.pi / 2) @ [1.0, 0.0] == pytest.approx([0.0, 1.0])


@settings(deadline=None, max_examples=50)
@given(st.floats(-7, 7))
def test_rotation_keeps_lengths_and_hand(angle: float) -> None:
    """A rotation is orthogonal with determinant 1, and turns x into the direction of its angle."""
    matrix = rotation(angle)
    assert matrix @ matrix.T == pytest.approx(np.eye(2))
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    assert matrix[:, 0] == pytest.approx(lot_direction(angle))


@settings(deadline=None, max_examples=50)
@given(DEGREES)
def test_wrapped_azimuth(angle: float) -> None:
    """A wrapped azimuth is in [0, 360) and points the same way."""
    wrapped = wrap_degrees(angle)
    assert 0.0 <= wrapped < 360.0
    assert math.cos(math.radians(wrapped - angle)) == pytest.approx(1.0)


def test_tiny_negative_azimuth_is_north() -> None:
    """An azimuth a rounding below 0 is 0, not 360."""
    assert wrap_degrees(-1e-20) == 0.0


def test_lot_x_goes_along_its_azimuth() -> None:
    """Ground distance along x becomes grid distance × combined factor at the x azimuth."""
    east, north = FRAME.to_grid_m(np.array([100.0, 0.0])) - FRAME.to_grid_m(np.zeros(2))
    assert math.hypot(east, north) == pytest.approx(99.96)
    assert math.degrees(math.atan2(east, north)) == pytest.approx(84.2)


def test_lot_y_lies_to_the_left_of_x() -> None:
    """The rear lies counter-clockwise of the front line: the frame is right-handed."""
    east, north = FRAME.to_grid_m(np.array([0.0, 100.0])) - FRAME.to_grid_m(np.zeros(2))
    assert math.degrees(math.atan2(east, north)) % 360 == pytest.approx(354.2)


@settings(deadline=None, max_examples=50)
@given(METERS, METERS, st.floats(0, 360), st.sampled_from([1.0, 0.3048, 1200 / 3937]))
def test_grid_and_back(x: float, y: float, azimuth: float, unit: float) -> None:
    """A point taken to the grid or the CRS's own unit comes back."""
    frame = LotFrame("EPSG:3435", 350_000.0, 590_000.0, azimuth, 0.99994, unit)
    point = np.array([x, y])
    assert frame.from_grid_m(frame.to_grid_m(point)) == pytest.approx(point, abs=1e-6)
    assert frame.from_crs(frame.to_crs(point)) == pytest.approx(point, abs=1e-6)


@settings(deadline=None, max_examples=50)
@given(DEGREES)
def test_angle_and_azimuth_are_inverse(azimuth: float) -> None:
    """A grid azimuth taken to a lot angle comes back, and the angle points that way."""
    angle = FRAME.angle_rad(azimuth)
    difference = (FRAME.azimuth_deg(angle) - azimuth + 180.0) % 360.0 - 180.0
    assert difference == pytest.approx(0.0, abs=1e-9)
    east, north = FRAME.to_grid_m(lot_direction(angle)) - FRAME.to_grid_m(np.zeros(2))
    assert math.sin(math.atan2(east, north) - math.radians(azimuth)) == pytest.approx(0, abs=1e-7)


def test_many_points_at_once() -> None:
    """Arrays of points keep their shape through every frame."""
    points = np.arange(12.0).reshape(2, 3, 2)
    assert FRAME.to_grid_m(points).shape == (2, 3, 2)
    assert FRAME.to_lonlat(points)[1, 2] == pytest.approx(FRAME.to_lonlat(points[1, 2]), abs=1e-12)


def test_lonlat_is_pyproj_own() -> None:
    """The origin's longitude and latitude are what pyproj gives for it, longitude first."""
    expected = Transformer.from_crs(32616, 4326, always_xy=True).transform(400_000.0, 4_600_000.0)
    assert FRAME.to_lonlat(np.zeros(2)) == pytest.approx(expected, abs=1e-12)
    assert expected[0] == pytest.approx(-88.2, abs=0.1)


@pytest.mark.parametrize(
    ("crs", "name", "accuracy_m"),
    [
        ("EPSG:3435", "NAD83 to WGS 84 (1)", 4.0),
        ("EPSG:6455", "NAD83(2011) to WGS 84 (1)", 2.0),
        ("EPSG:26771", "NAD27 to WGS 84 (4)", 10.0),
        ("EPSG:32616", "", 0.0),
    ],
)
def test_the_operation_is_one_of_the_register(crs: str, name: str, accuracy_m: float) -> None:
    """Names and accuracies of EPSG operations 1188, 9774 and 1173; WGS 84 needs none."""
    found = to_wgs84(crs, cell_of(-87.5, 41.2))
    assert (found.name, found.accuracy_m) == (name, accuracy_m)


def test_a_grid_that_a_machine_has_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """An operation with a grid, first in PROJ's list and more accurate, is not taken."""
    gridded = Transformer.from_pipeline("+proj=hgridshift +grids=@null")

    class WithGrid(TransformerGroup):
        @property
        def transformers(self) -> list[Transformer]:
            return [gridded, *super().transformers]

    monkeypatch.setattr(_operations, "TransformerGroup", WithGrid)
    assert "grids=" in gridded.definition
    cell = cell_of(-87.5, 41.2)
    crs, wgs84 = CRS.from_epsg(3435), CRS.from_epsg(4326)
    with pytest.warns(UserWarning, match="missing Grid"):
        assert WithGrid(crs, wgs84).transformers[0] is gridded
    bare = operation.__wrapped__(crs, wgs84, cell)
    assert bare.name == "NAD83 to WGS 84 (1)"
    assert "grids=" not in bare.transformer.definition
