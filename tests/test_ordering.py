"""How numbers are compared, rounded and shared out, against exact arithmetic."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.dig import cloud
from sitegis.numerics import ordering
from sitegis.numerics.ordering import (
    axis_angle,
    decimals,
    in_steps,
    ordered,
    relative_step,
    share_out,
    smallest,
)


@pytest.mark.parametrize("most", [1e-290, 3e-7, 1.0, 1234.5, 7e12, 1e300])
def test_costs_decide_in_a_billionth_of_the_largest(most: float) -> None:
    """A power of two from one to two billionths of it; what is no number does not count."""
    step = relative_step([0.1 * most, -most, math.nan, math.inf])
    assert math.frexp(step)[0] == 0.5
    assert 1e-9 * most <= step <= 2.03e-9 * most


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 40), min_size=1, max_size=6).filter(any))
def test_shares_are_those_of_the_largest_remainders(weights: list[int]) -> None:
    """Hamilton's method in fractions: whole 64ths, the rest by remainder, of equal ones first."""
    exact = [Fraction(64 * weight, sum(weights)) for weight in weights]
    units = [math.floor(one) for one in exact]
    rest = sorted(range(len(exact)), key=lambda i: (units[i] - exact[i], i))
    for i in rest[: 64 - sum(units)]:
        units[i] += 1
    assert share_out(weights, 1 / 64).tolist() == [unit / 64 for unit in units]


@given(st.lists(st.lists(st.floats(0.0, 9.0), min_size=4, max_size=4), max_size=5))
def test_rows_are_shared_out_each_for_itself(rows: list[list[float]]) -> None:
    """As row by row; rows of nothing stay so."""
    shared = share_out(np.reshape(rows, (-1, 4)), 1e-3)
    assert shared.tolist() == [share_out(row, 1e-3).tolist() for row in rows]
    assert all(round(sum(one), 9) == any(row) for one, row in zip(shared, rows, strict=True))


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(-3, 3), st.integers(0, 2)), min_size=1, max_size=9))
def test_order_is_that_of_sorted(rows: list[tuple[int, int]]) -> None:
    """By steps, then by the second key, then as they stand; the noise of a bit is no step."""
    values = [0.5 * step + 1e-13 * i for i, (step, _) in enumerate(rows)]
    keys = [key for _, key in rows]
    expected = sorted(range(len(rows)), key=lambda i: (rows[i][0], keys[i], i))
    assert ordered(values, 1e-6, keys).tolist() == expected
    assert smallest(values, 1e-6, keys) == expected[0]
    falling = sorted(range(len(rows)), key=lambda i: (-rows[i][0], keys[i], i))
    assert ordered(values, 1e-6, keys, descending=True).tolist() == falling


@given(st.integers(-(10**9), 10**9))
def test_decimals_are_those_of_decimal(number: int) -> None:
    """Seven decimals to three, halves aside: Python's decimal rounds the same way."""
    exact = Decimal(number).scaleb(-7)
    if number % 10**4 not in range(4800, 5001):
        assert float(decimals(float(exact), 3)) == float(round(exact, 3))
        assert int(in_steps(float(exact), 1e-3)) == int(round(exact, 3).scaleb(3))


@given(st.floats(-math.pi, math.pi))
def test_an_axis_has_one_angle(angle: float) -> None:
    """Either sense of an axis has the same angle, in (−π/2, π/2], along it."""
    axis = np.array([math.cos(angle), math.sin(angle)])
    found = axis_angle(axis)
    assert -math.pi / 2 < found <= math.pi / 2 + 2e-6
    assert math.sin(found - angle) == pytest.approx(0.0, abs=1e-12)
    assert math.sin(found - axis_angle(-axis)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("step", "least", "most"),
    [
        (ordering.LENGTH_M, 1e-4, 2e-4),
        (ordering.FINE_M, 5e-7, 1e-6),
        (ordering.ANGLE_RAD, 1e-6, 2e-6),
        (ordering.COVARIANCE, 1e-9, 4e-9),
        (ordering.RATIO, 1e-8, 2e-8),
        (ordering.LOG, 1e-7, 3e-7),
        (ordering.WEIGHT, 1e-10, 3e-10),
        (cloud.COUNT_STEP, 1e-8, 1e-7),
        (cloud.CLOUD_WEIGHT, 1e-13, 1e-12),
    ],
)
def test_a_lattice_is_a_power_of_two(step: float, least: float, most: float) -> None:
    """Only so are sums of its multiples exact in binary (IEEE 754), whatever their order."""
    assert math.frexp(step)[0] == 0.5
    assert least < step < most
