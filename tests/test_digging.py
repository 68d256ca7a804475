"""What a hole costs, where it may be dug, and through which surface."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.model.site import DigSettings, Easement, KeepOut
from sitegis.pits.cost import (
    dearest_surfaces,
    dig_area,
    keep_out_shape,
    may_run_in,
    pit_cost,
    rectangle_rings,
    surface_rate,
    surface_rates_at,
    surfaces_at,
)
from sitegis.pits.exposure import allowed
from tests.dig_clouds import RULES
from tests.invented import HOUSE_FRONT_M, LOT_WIDTH_M, corner_site


def test_a_pit_costs_what_it_adds_up_to() -> None:
    """1.2 × 0.9 × 1.0 m on lawn: 450 + 1.08 × 110 + 1.08 × 15; at 2 m the protected rate.

    What lies under 5 ft is thrown a second time.
    """
    settings_ = DigSettings()

    costs = pit_cost(np.full(2, 1.08), np.array([1.0, 2.0]), np.full(2, 15.0), settings_, RULES)

    assert costs == pytest.approx(
        [450 + 118.8 + 16.2, 450 + 1.08 * (2.0 + 2.0 - 1.524) * 190 + 16.2]
    )


def test_protection_begins_at_five_feet() -> None:
    """29 CFR 1926.652(a)(1): an excavation of 5 ft needs protection, one of less does not.

    Depths within a millimeter are one depth, so that the last bit decides nothing.
    """
    area, lawn = np.ones(2), np.zeros(2)

    costs = pit_cost(area, np.array([5 * 0.3048, 5 * 0.3048 - 0.002]), lawn, DigSettings(), RULES)

    assert costs[0] - 450 == pytest.approx(1.524 * 190)
    assert costs[1] - 450 == pytest.approx(1.522 * 110)


@pytest.mark.parametrize(
    ("points", "is_area", "kind"),
    [
        ([[1.0, 2.0]], False, "Point"),
        ([[1.0, 2.0], [3.0, 2.0], [3.0, 4.0]], False, "LineString"),
        ([[1.0, 2.0], [3.0, 2.0], [3.0, 4.0]], True, "Polygon"),
    ],
)
def test_keep_outs_are_points_lines_or_areas(
    points: list[list[float]], is_area: bool, kind: str
) -> None:
    """The shape follows the number of points and the flag."""
    assert (
        keep_out_shape(KeepOut("K", "tree", np.array(points), 1.0, "", is_area)).geom_type == kind
    )


def test_an_unknown_surface_takes_the_dearest_rate() -> None:
    """A surface without a rate is not cheaper than any known one."""
    assert surface_rate(DigSettings(), "granite setts") == 140.0
    assert surface_rate(DigSettings(), "lawn") == 15.0


def square_at(x: float, y: float, side: float = 1.0) -> np.ndarray:
    """Return one square ring as (1, 4, 2)."""
    return rectangle_rings(np.array([[x, y]]), np.zeros(1), np.full((1, 2), side))


def test_a_pit_keeps_its_setback_from_the_building() -> None:
    """At 0.6 m from the front wall a pit is allowed, 1 cm nearer it is not."""
    area, edge = dig_area(corner_site()), HOUSE_FRONT_M - 0.6

    assert allowed(area, square_at(6.0, edge - 0.501))[0]
    assert not allowed(area, square_at(6.0, edge - 0.49))[0]


def test_a_keep_out_is_widened_by_clearance_and_tolerance() -> None:
    """A gas line with 0.3 m clearance and 0.6096 m tolerance keeps pits 0.9096 m away."""
    gas = KeepOut("G", "gas", np.array([[4.0, -20.0], [4.0, 7.0]]), 0.3, "")
    area = dig_area(replace(corner_site(), keep_outs=(gas,)))

    assert allowed(area, square_at(4.0 + 0.92 + 0.5, 3.0))[0]
    assert not allowed(area, square_at(4.0 + 0.90 + 0.5, 3.0))[0]


def test_a_pit_may_straddle_the_lot_line_but_not_the_neighbors() -> None:
    """Lot and right-of-way join; the neighbor's ground does not, unless an easement is given."""
    site = corner_site()
    ring = np.array([[-6.0, 10.0], [0.0, 10.0], [0.0, 20.0], [-6.0, 20.0]])
    with_easement = replace(site, easements=(Easement("E", ring),))

    assert allowed(dig_area(site), square_at(6.0, 0.0))[0]
    assert not allowed(dig_area(site), square_at(0.0, 15.0))[0]
    assert allowed(dig_area(with_easement), square_at(0.0, 15.0))[0]


def test_cracks_between_records_are_closed() -> None:
    """A right-of-way drawn 1 cm off the lot line still touches the lot."""
    site = corner_site()
    street = replace(site.streets[0], row=site.streets[0].row - np.array([0.0, 0.01]))

    area = may_run_in(replace(site, streets=(street,)))

    assert area.geom_type == "Polygon"
    assert area.area == pytest.approx(15.24 * 38.1 + 75 * 20.1, rel=1e-3)


def test_the_dearest_surface_under_a_pit_counts() -> None:
    """A pit across the lot line is priced as asphalt; one on the lot as lawn."""
    site = corner_site()
    rings = np.concatenate([square_at(6.0, 0.2), square_at(6.0, 3.0), square_at(6.0, 39.5)])

    assert dearest_surfaces(site, rings) == ["asphalt", "lawn", "gravel"]
    assert surfaces_at(site, np.array([[LOT_WIDTH_M + 5.0, 10.0]])) == ["asphalt"]
    assert surface_rates_at(site, np.array([[6.0, -1.0], [6.0, 1.0]])) == pytest.approx([110, 15])


def test_a_turned_rectangle_keeps_size_and_center() -> None:
    """Corners of a 3 × 1 m rectangle at 30°: sides 3 and 1, center where asked, length at 30°."""
    ring = rectangle_rings(
        np.array([[5.0, 7.0]]), np.array([np.radians(30)]), np.array([[3.0, 1.0]])
    )[0]

    side = ring[1] - ring[0]
    assert ring.mean(axis=0) == pytest.approx([5.0, 7.0])
    assert np.hypot(*side) == pytest.approx(3.0)
    assert np.hypot(*(ring[2] - ring[1])) == pytest.approx(1.0)
    assert np.degrees(np.arctan2(side[1], side[0])) == pytest.approx(30.0)
