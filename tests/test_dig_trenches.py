"""Trenches from where the pipe was seen, against shapely and sums by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from sitegis.dig.trenches import exposures, follow_trenches
from sitegis.finds.records import FindJudgment, Found
from sitegis.model.site import Ground
from sitegis.model.survey import Survey
from tests.dig_clouds import front_routes, survey_of, unlisted
from tests.invented import corner_site, thrown_m

BENT = np.array([[7.0, 7.6], [7.0, 3.6], [10.0, -0.4], [10.0, -10.0]])


def seen(name: str, x: float, y: float) -> Found:
    return Found(name, "test-pit", x, y, 0.03, "lot coordinates", "yes")


def bent_survey() -> Survey:
    """All routes along one bent line, level at −0.5 m, under flat ground of 2 m."""
    flat = Ground(np.array([[0.0, 0.0]]), np.array([2.0]), np.array([0.0]), assumed=False)
    routes = replace(
        front_routes(40), vertices=np.tile(BENT, (40, 1, 1)), inverts_m=np.full((40, 4), -0.5)
    )
    return survey_of((routes, 1.0), site=replace(corner_site(), ground=flat))


def test_trenches_run_from_the_outer_finds_to_wall_and_main() -> None:
    """Stations by shapely; 0.9 m wide, 2.5 + 0.15 m deep, one set-up: priced by hand."""
    survey = bent_survey()
    finds = (seen("F2", 9.0, 1.0), seen("F1", 7.05, 5.0), seen("F3", 10.0, -4.0))
    line = shapely.LineString(BENT)
    stations = {one.id: line.project(shapely.Point(one.x_m, one.y_m)) for one in finds}
    wall, main = follow_trenches(survey, finds)
    assert (wall.find, wall.to, main.find, main.to) == ("F1", "wall", "F3", "main")
    assert wall.length_m == pytest.approx(stations["F1"])
    assert main.length_m == pytest.approx(line.length - stations["F3"])
    dig = survey.site.dig
    per_m = 0.9 * (thrown_m(2.65) * dig.per_m3_protected + dig.surface_per_m2["lawn"])
    assert wall.cost == pytest.approx(dig.setup + wall.length_m * per_m)
    assert wall.depth_m == main.depth_m == pytest.approx(2.65)
    # the street's pavement is dearer than the lawn
    assert (main.cost - dig.setup) / main.length_m > per_m


@pytest.mark.parametrize(("y", "spans"), [(7.52, ["main"]), (7.48, ["wall", "main"])])
def test_nothing_shorter_than_a_tenth_of_a_meter_is_a_trench(y: float, spans: list[str]) -> None:
    """8 cm from the wall the pipe needs no trench to it."""
    made = follow_trenches(bent_survey(), (seen("F1", 7.0, y),))
    assert [one.to for one in made] == spans


def test_without_a_find_or_a_route_nothing_is_followed() -> None:
    assert follow_trenches(bent_survey(), ()) == ()
    assert follow_trenches(survey_of((unlisted(), 1.0)), (seen("F1", 7.0, 5.0),)) == ()


def test_what_is_less_likely_than_not_the_drain_is_not_followed() -> None:
    """Of finds at 49, 50 and 98 % the last two."""
    survey = bent_survey()
    judged = tuple(
        FindJudgment(seen(name, 7.0, 5.0), p, 0.1, 0.1, (), 0.0)
        for name, p in (("F1", 0.49), ("F2", 0.5), ("F3", 0.98))
    )
    survey = replace(survey, scored=replace(survey.scores, finds=judged))
    assert [one.id for one in exposures(survey)] == ["F2", "F3"]


@pytest.mark.parametrize(("short_m", "spans"), [(0.08, ["wall"]), (0.12, ["wall", "main"])])
def test_a_find_beside_the_main_needs_no_trench_to_it(short_m: float, spans: list[str]) -> None:
    """By shapely's place so far before the end of the way."""
    line = shapely.LineString(BENT)
    place = line.interpolate(line.length - short_m)
    made = follow_trenches(bent_survey(), (seen("F1", place.x, place.y),))
    assert [one.to for one in made] == spans
