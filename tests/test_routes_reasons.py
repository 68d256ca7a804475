"""Ways that cannot be say why in plain words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sitegis.model.site import Site
from sitegis.routes import sample_routes

from .invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, front_exit
from .test_routes_sample import by_id, exit_at, survey

REAR = exit_at(6.5, HOUSE_FRONT_M + HOUSE_DEPTH_M, 90.0, "rear", 2)


def with_main(site: Site, name: str, **changes: object) -> Site:
    mains = tuple(replace(m, **changes) if m.id == name else m for m in site.mains)  # type: ignore[arg-type]
    return replace(site, mains=mains)


def test_too_little_fall_is_told_in_the_units_of_the_site() -> None:
    """A main a little below the drain, but too far for the least slope, says by how much."""
    exit = front_exit()
    near = with_main(
        corner_site(), "front-main", inverts_m=np.full(2, exit.invert_m - 0.05), invert_sd_m=0.001
    )
    profile = tuple(
        replace(c, mean=np.array([exit.invert_m, 0.02]), covariance=np.diag([1e-6, 1e-6]))
        for c in exit.profile
    )
    got = by_id(sample_routes(survey(near, replace(exit, profile=profile))))["front-main:direct"]
    assert not len(got.log_prior)
    # 17.7 m (58 ft) at 1.042 % fall 0.18 m; 0.05 m are there: 0.13 m (5 in) are lacking.
    assert got.why_none.startswith("there is not enough fall: at the least slope over 58' ")
    assert " would connect 5\" below the main's invert" in got.why_none
    metric = replace(near, units="m")
    got = by_id(sample_routes(survey(metric, replace(exit, profile=profile))))["front-main:direct"]
    assert "connect 0.13 m below" in got.why_none


def test_a_house_on_the_lot_line_has_no_side_yard() -> None:
    """A wall half a meter from the lot line leaves no room for a pipe."""
    site = corner_site()
    moved = site.building.vertices - np.array([HOUSE_LEFT_M - 0.4, 0.0])
    site = replace(site, building=replace(site.building, vertices=moved))
    exit = replace(front_exit(), x_m=front_exit().x_m - HOUSE_LEFT_M + 0.4)
    got = by_id(sample_routes(survey(site, exit)))["alley-main:side-yard-left"]
    assert got.why_none == (
        "no room for a pipe beside the left wall: it stands 1' 4\" from the lot line"
    )


def test_a_rear_exit_cannot_go_straight_to_the_front() -> None:
    """A direct run from the rear wall cannot turn to the front main."""
    why = by_id(sample_routes(survey(corner_site(), REAR)))["front-main:direct"].why_none
    assert why == "would have to pass under the house again"


def test_a_main_beyond_private_ground_is_out_of_reach() -> None:
    """Without a right-of-way or easement up to the main its ways leave the allowed area."""
    site = corner_site()
    streets = tuple(s for s in site.streets if s.side == "front")
    got = by_id(sample_routes(survey(replace(site, streets=streets), REAR)))["alley-main:direct"]
    assert got.why_none == "would leave the lot and the right-of-way, and no easement is given"


def test_a_drain_that_falls_backward_has_no_route() -> None:
    """With a main far above, every way to it says that it would run uphill."""
    site = with_main(corner_site(), "alley-main", inverts_m=np.full(2, 1.0), invert_sd_m=0.01)
    got = by_id(sample_routes(survey(site, REAR)))
    for name in ("alley-main:direct", "alley-main:side-yard-left"):
        if "bring" not in got[name].why_none:
            assert got[name].why_none.startswith("would have to fall uphill: main invert is 5' ")
