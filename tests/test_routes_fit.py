"""Habits and helpers of the hard constraints."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from sitegis.routes.fit import (
    _highest_arrival,
    arrival_prior,
    main_inverts,
    tap_prior,
    tap_slant,
)

from .invented import corner_site


def test_habits_are_one_at_best_and_never_below_their_floor() -> None:
    """Soft habits scale a weight between their floor and 1."""
    slant = np.linspace(0.0, np.pi, 50)
    for values, floor in (
        (tap_prior(slant), 0.15),
        (arrival_prior(np.linspace(0.0, 20.0, 50)), 0.3),
    ):
        assert values[0] == 1.0
        assert values.max() == 1.0
        assert values.min() == pytest.approx(floor, abs=1e-3)
        assert (np.diff(values) <= 0).all()


def test_a_drop_up_to_a_meter_costs_nothing() -> None:
    """Arriving up to 1 m above the main's invert is as good as level with it."""
    assert arrival_prior(np.array([0.0, 0.5, 1.0])) == pytest.approx(1.0)


def test_the_mains_invert_is_read_along_its_line() -> None:
    """Between the ends the invert is linear in the station, and errors scale with its sd."""
    main = corner_site().mains[0]
    got = main_inverts(main, np.array([0.0, 35.0, 35.0]), np.array([0.0, 0.0, 2.0]))
    assert got == pytest.approx([-1.6, -1.6 - 0.005 * 35, -1.6 - 0.005 * 35 + 0.2])


def test_slant_at_the_tap_follows_the_straight_that_is_hit() -> None:
    """On a bent main the angle is against the normal of the straight at the tap."""
    main = corner_site().mains[0]
    bent = replace(main, line=np.array([[40.0, -10.0], [10.0, -10.0], [10.0, -30.0]]))
    straight_down = np.full(2, -np.pi / 2)
    assert tap_slant(bent, np.array([10.0, 35.0]), straight_down) == pytest.approx([0, np.pi / 2])


def test_no_run_arrives_higher_than_the_shortest_one_to_the_lowest_invert() -> None:
    """Shapely's distance falls at each slope, to the main's lowest end with each one's error."""
    main = replace(corner_site().mains[0], invert_sd_m=0.17)
    generator = np.random.default_rng(7)
    heads = SimpleNamespace(
        poses=generator.uniform(0.0, 9.0, (6, 3)),
        main_errors=generator.normal(size=6),
        inverts_m=generator.uniform(-1.0, -0.3, 6),
        slopes=generator.uniform(0.01, 0.05, 6),
    )
    found = _highest_arrival(SimpleNamespace(main=main), heads)
    line = shapely.LineString(main.line)
    for row, height in enumerate(found):
        away = line.distance(shapely.Point(heads.poses[row, :2]))
        arrives = heads.inverts_m[row] - heads.slopes[row] * away
        stations = np.linspace(0.0, line.length, 50)
        every = main_inverts(main, stations, np.full(50, heads.main_errors[row]))
        assert height == pytest.approx(arrives - every.min())
