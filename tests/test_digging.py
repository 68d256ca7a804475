"""What a hole costs, and the shapes of what closes the ground."""

from __future__ import annotations

import numpy as np
import pytest

from sitegis._digging import keep_out_shape, pit_cost
from sitegis._site import DigSettings, KeepOut
from tests.dig_clouds import RULES


def test_a_pit_costs_what_it_adds_up_to() -> None:
    """1.2 × 0.9 × 1.0 m on lawn: 450 + 1.08 × 110 + 1.08 × 15; at 2 m the protected rate."""
    settings_ = DigSettings()

    costs = pit_cost(np.full(2, 1.08), np.array([1.0, 2.0]), np.full(2, 15.0), settings_, RULES)

    assert costs == pytest.approx([450 + 118.8 + 16.2, 450 + 2.16 * 190 + 16.2])


def test_protection_begins_at_five_feet() -> None:
    """29 CFR 1926.652(a)(1): an excavation of 5 ft needs protection, one of less does not."""
    area, lawn = np.ones(2), np.zeros(2)

    costs = pit_cost(area, np.array([5 * 0.3048, 5 * 0.3048 - 1e-6]), lawn, DigSettings(), RULES)

    assert costs[0] - 450 == pytest.approx(1.524 * 190)
    assert costs[1] - 450 == pytest.approx(1.524 * 110, abs=1e-3)


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
