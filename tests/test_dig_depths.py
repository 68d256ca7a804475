"""Depths along the most probable route, and the trench that follows it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from sitegis.dig.cloud import gather_cloud
from sitegis.dig.depths import (
    best_line,
    depth_table,
    invert_quantiles,
    most_probable,
    trench_cost,
)
from sitegis.model.results import Routes
from sitegis.model.site import Ground, Site
from sitegis.model.survey import Survey
from tests.dig_clouds import alley_routes, front_routes, survey_of, unlisted
from tests.invented import corner_site

FLAT = Ground(np.array([[0.0, 0.0]]), np.array([2.0]), np.array([0.0]), assumed=False)


def straight_survey(site: Site | None = None, *, sd_m: float = 0.1) -> Survey:
    """Routes from (7, 7.6) to (7, −10): N(−0.5, sd) at the exit, 0.36 m lower at the main."""
    routes = front_routes(4000)
    vertices = np.tile(np.array([[7.0, 7.6], [7.0, -10.0]]), (4000, 1, 1))
    start = norm.ppf((np.arange(4000) + 0.5) / 4000) * sd_m - 0.5
    start[0] = -0.5
    inverts = np.stack([start, start - 0.36], axis=1)
    made: Routes = replace(routes, vertices=vertices, inverts_m=inverts)
    return survey_of((made, 1.0), site=site or replace(corner_site(), ground=FLAT))


def test_depth_table_has_the_closed_form_quantiles() -> None:
    """Flat ground at 2 m, invert N(−0.5, 0.1): depth 2.5, from 2.336 to 2.664 (1.645 σ)."""
    survey = straight_survey()

    first, *_, last = depth_table(survey, gather_cloud(survey))

    assert (first.ground_m, first.invert_m) == pytest.approx((2.0, -0.5), abs=0.01)
    assert first.depth_m == pytest.approx(2.5, abs=0.01)
    assert (first.depth_05_m, first.depth_95_m) == pytest.approx((2.336, 2.664), abs=0.01)
    assert last.station_m == pytest.approx(17.6)
    assert last.depth_m == pytest.approx(2.86, abs=0.01)


def test_inverts_of_equal_weight_have_numpys_quantiles() -> None:
    """By the method "hazen", half way down straight routes of unlike falls."""
    vertices = np.tile(np.array([[0.0, 0.0], [10.0, 0.0]]), (40, 1, 1))
    inverts = np.random.default_rng(2).uniform(-3.0, -1.0, (40, 2))
    (found,) = invert_quantiles(vertices, inverts, np.full(40, 1.0 / 40), np.array([5.0]))
    middle = inverts.mean(axis=1)
    assert found == pytest.approx(np.quantile(middle, (0.05, 0.5, 0.95), method="hazen"))


def test_depth_table_steps_by_feet_or_meters() -> None:
    """Sites in feet get a row each 3 ft, metric ones each meter, and all one at the main."""
    feet = straight_survey()
    metric = straight_survey(replace(feet.site, units="m"))

    at_feet, at_meters = (
        [row.station_m for row in depth_table(each, gather_cloud(each))] for each in (feet, metric)
    )

    assert np.diff(at_feet)[:-1] == pytest.approx(0.9144)
    assert np.diff(at_meters)[:-1] == pytest.approx(1.0)


def test_the_most_probable_route_is_the_best_of_the_most_probable_way() -> None:
    """A way without routes is passed over, however probable."""
    survey = survey_of((unlisted(), 0.5), (front_routes(), 0.2), (alley_routes(), 0.3))

    found, line = most_probable(survey), best_line(survey)

    assert found is not None
    assert found[0].hypothesis.id == "alley-main:side-yard-left"
    assert line is not None
    assert line[0][-1][1] == pytest.approx(40.5)


def test_trench_to_the_lot_line_costs_what_it_adds_up_to() -> None:
    """7.6 m of trench 0.9 m wide at the mean depth 2.5 + 0.36 · 3.8/17.6 + 0.15, protected rate.

    Dug by hand: what lies deeper than a throw of 5 ft is handled twice.
    """
    depth = 2.5 + 0.36 * 3.8 / 17.6 + 0.15
    expected = 450 + 7.6 * 0.9 * ((depth + (depth - 5 * 0.3048)) * 190 + 15)

    # the cloud's routes are a few millimeters longer or shorter than the best one
    assert trench_cost(straight_survey()) == pytest.approx(expected, rel=1e-4)


def test_no_route_no_trench() -> None:
    """Where no way fits there is no line to follow."""
    survey = survey_of()

    assert trench_cost(survey) == 0.0
    assert depth_table(survey, gather_cloud(survey)) == ()


def test_rows_stand_on_the_route_over_its_own_ways_inverts() -> None:
    """Places by shapely, ground by the mapped plane, quantiles by numpy, of the likelier way only.

    Routes turn and are of unlike lengths; one that has ended counts with its tap's invert.
    """
    plane = np.array([[0.0, 0.0], [15.0, 0.0], [0.0, 40.0]])
    ground = Ground(plane, np.array([2.0, 2.6, 1.2]), np.zeros(3), assumed=False)
    site = replace(corner_site(), ground=ground, units="m")
    survey = survey_of((alley_routes(), 0.6), (front_routes(), 0.4), site=site)
    cloud = gather_cloud(survey)
    line = shapely.LineString(survey.routes[0].vertices[0])
    rows = depth_table(survey, cloud)

    stations = [row.station_m for row in rows]
    assert stations[:-1] == pytest.approx(list(range(len(rows) - 1)))
    assert stations[-1] == pytest.approx(line.length)
    assert 0.2 < stations[-1] - stations[-2] <= 1.2
    own = cloud.owner == 0
    steps = np.hypot(*np.moveaxis(np.diff(cloud.vertices[own], axis=1), -1, 0))
    along = np.cumsum(np.insert(steps, 0, 0.0, axis=1), axis=1)
    for row in rows[::5]:
        point = line.interpolate(row.station_m)
        assert (row.x_m, row.y_m) == pytest.approx((point.x, point.y))
        assert row.ground_m == pytest.approx(
            float(ground.elevation_m(np.array([point.x, point.y])))
        )
        inverts = [
            np.interp(row.station_m, *one) for one in zip(along, cloud.inverts_m[own], strict=True)
        ]
        low, middle, high = (
            np.quantile(inverts, s, weights=cloud.weights[own], method="inverted_cdf")
            for s in (0.05, 0.5, 0.95)
        )
        assert row.invert_m == pytest.approx(middle, abs=2e-3)
        assert row.depth_m == pytest.approx(row.ground_m - row.invert_m)
        assert row.depth_95_m == pytest.approx(row.ground_m - low, abs=4e-3)
        assert row.depth_05_m == pytest.approx(row.ground_m - high, abs=4e-3)


@pytest.mark.parametrize(("beyond_m", "rows"), [(0.19, 5), (0.21, 6)])
def test_the_row_at_the_main_takes_the_place_of_one_just_before_it(
    beyond_m: float, rows: int
) -> None:
    """Of 4.19 m the rows are 0, 1, 2, 3 and the end; of 4.21 m one stands at 4 as well."""
    survey = straight_survey()
    way = survey.routes[0]
    vertices = np.tile(np.array([[7.0, 7.6], [7.0, 3.6 - beyond_m]]), (4000, 1, 1))
    survey = replace(
        survey, sampled=(replace(way, vertices=vertices),), site=replace(survey.site, units="m")
    )
    assert len(depth_table(survey, gather_cloud(survey))) == rows
