"""How well an unlisted lateral suits the exit: shares of walls that can be summed by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.model.site import SIDES, Side, Site
from sitegis.routes.unlisted import unlisted_log_fit

from .invented import corner_site


def site_with(mains: tuple[str, ...], streets: tuple[Side, ...] = ("front",)) -> Site:
    site = corner_site()
    return replace(
        site,
        mains=tuple(main for main in site.mains if main.side in mains),
        streets=tuple(street for street in site.streets if street.side in streets),
    )


@pytest.mark.parametrize("mains", [(), ("front",), ("front", "rear"), ("right",)])
def test_the_four_walls_share_one_probability(mains: tuple[str, ...]) -> None:
    """p(wall | unlisted) sums to 1 over the walls; from each it fits with e⁻¹."""
    fits = [np.exp(unlisted_log_fit(site_with(mains), side)) for side in SIDES]
    assert sum(fits) == pytest.approx(np.exp(-1.0))


def test_an_unlisted_lateral_leaves_where_no_main_is_on_record() -> None:
    """With the front main alone on record: rear 1, the three others 0.25 each of 1.75."""
    site = site_with(("front",))
    assert np.exp(unlisted_log_fit(site, "rear") + 1.0) == pytest.approx(1.0 / 1.75)
    assert np.exp(unlisted_log_fit(site, "front") + 1.0) == pytest.approx(0.25 / 1.75)
    assert np.exp(unlisted_log_fit(site, "left") + 1.0) == pytest.approx(0.25 / 1.75)


def test_a_side_counts_where_it_has_a_street() -> None:
    """A side street without a main on record is as open as the rear."""
    site = site_with(("front",), ("front", "right"))
    assert unlisted_log_fit(site, "right") == pytest.approx(unlisted_log_fit(site, "rear"))
    assert unlisted_log_fit(site, "left") < unlisted_log_fit(site, "right")
