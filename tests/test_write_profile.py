"""The long section: its numbers against closed forms, its drawing as an XML reader sees it."""

from __future__ import annotations

import dataclasses
from xml.etree import ElementTree

import numpy as np
import pytest

from sitegis.model.results import ProfileComponent
from sitegis.model.survey import Survey
from sitegis.write.page.html import profile_svg
from sitegis.write.profile import ground_band, invert_under_slab, survey_profile

from .computed import computed
from .filled import filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


def test_one_gaussian_carries_back_as_a_line(survey: Survey) -> None:
    """var(a + b s) = var a + 2 s cov + s² var b, the textbook rule for a linear function."""
    component = ProfileComponent(
        1.0, np.array([-0.6, 0.02]), np.array([[0.04**2, 1e-5], [1e-5, 0.004**2]])
    )
    drain = dataclasses.replace(survey.drain, profile=(component,))
    mean, sd = invert_under_slab(dataclasses.replace(survey, fitted=drain), np.array([0.0, 5.0]))
    assert mean == pytest.approx([-0.6, -0.5])
    assert sd == pytest.approx([0.04, np.sqrt(0.04**2 + 2 * 5 * 1e-5 + 25 * 0.004**2)])


def test_a_mixture_has_the_moments_of_its_draws(survey: Survey) -> None:
    """Mean and sd agree with a large sample drawn from the mixture."""
    generator = np.random.default_rng(5)
    parts = survey.drain.profile
    weights = np.array([part.weight for part in parts])
    picked = generator.choice(len(parts), 200_000, p=weights / weights.sum())
    draws = np.empty(picked.size)
    for i, part in enumerate(parts):
        mine = picked == i
        sample = generator.multivariate_normal(part.mean, part.covariance, mine.sum())
        draws[mine] = sample[:, 0] + 4.0 * sample[:, 1]
    mean, sd = invert_under_slab(survey, np.array([4.0]))
    assert mean[0] == pytest.approx(draws.mean(), abs=4 * sd[0] / np.sqrt(picked.size))
    assert sd[0] == pytest.approx(draws.std(), rel=0.01)


def test_stations_run_from_the_start_through_the_wall_to_the_main(survey: Survey) -> None:
    """Negative under the house, 0 at the wall, positive outdoors; the band holds the invert."""
    profile = survey_profile(survey)
    assert np.all(np.diff(profile.stations_m) >= 0)
    assert profile.stations_m[0] == pytest.approx(
        -survey.drain.length_m
        - np.hypot(*(survey.drain.vertices[-1] - [survey.exit.x_m, survey.exit.y_m]))
    )
    assert np.all(profile.low_m <= profile.invert_m)
    assert np.all(profile.invert_m <= profile.high_m)
    assert np.all(profile.invert_m < profile.surface_m)


def test_marks_stand_at_their_inverts(survey: Survey) -> None:
    """A mark's invert is the floor less its depth less the height of the head above invert."""
    profile = survey_profile(survey)
    depths = [p.depth_m for p in survey.placement.points if p.depth_m is not None]
    assert profile.marks[:, 1] == pytest.approx(
        [-depth - survey.site.head_above_invert_m for depth in depths]
    )


def test_the_main_stands_below_the_lateral_by_the_arrival(survey: Survey) -> None:
    """Invert of the main at the tap = lateral invert there − arrival above the main."""
    profile = survey_profile(survey)
    best = survey.scores.hypotheses[0].best
    routes = survey.routes[0]
    assert profile.main_id == "front-main"
    assert profile.main_invert_m == pytest.approx(
        routes.inverts_m[best, -1] - routes.arrivals_m[best]
    )


@pytest.mark.parametrize("units", ["ft", "m"])
def test_the_drawing_is_well_formed_and_named(survey: Survey, units: str) -> None:
    """An XML reader takes it; it has a title; lines that are inferred say so."""
    root = ElementTree.fromstring(profile_svg(survey_profile(survey), units))
    assert root.get("role") == "img"
    texts = [element.text or "" for element in root.iter() if element.tag.endswith("text")]
    assert any("inferred, not located" in text for text in texts)
    assert any(text.startswith(f"{units} above slab") for text in texts)


def test_a_hostile_main_id_stays_text(survey: Survey) -> None:
    """Markup in a name is drawn as letters."""
    profile = dataclasses.replace(survey_profile(survey), main_id="<script>&\"'")
    root = ElementTree.fromstring(profile_svg(profile, "ft"))
    assert any(element.text == "<script>&\"'" for element in root.iter())


def test_without_a_route_the_section_ends_at_the_wall(survey: Survey) -> None:
    """Where the likeliest answer is that nothing listed fits, only the house is drawn."""
    ranked = survey.scores.hypotheses
    bare = dataclasses.replace(
        survey,
        scored=dataclasses.replace(survey.scores, hypotheses=ranked[::-1]),
        planned=dataclasses.replace(survey.dig, depths=()),
    )
    profile = survey_profile(bare)
    assert profile.stations_m[-1] == pytest.approx(0.0)
    assert profile.main_invert_m is None
    ElementTree.fromstring(profile_svg(profile, "m"))


def _with_ground_sd(survey: Survey, sd_m: float) -> Survey:
    """The same survey with every spot of the ground known to ``sd_m``."""
    ground = survey.site.ground
    known = dataclasses.replace(ground, sds_m=np.full_like(ground.sds_m, sd_m))
    return dataclasses.replace(survey, site=dataclasses.replace(survey.site, ground=known))


def test_the_pipes_band_does_not_know_the_ground(survey: Survey) -> None:
    """A ground of 0.4 m sd widens its own band (1.645 sd, normal tables), not the invert's.

    The invert's quantiles at the wall are those of numpy over the routes' first inverts, within
    a step of the sorted sample.
    """
    good, poor = (survey_profile(_with_ground_sd(survey, sd_m)) for sd_m in (0.02, 0.4))
    assert np.array_equal(good.low_m, poor.low_m)
    assert np.array_equal(good.high_m, poor.high_m)
    outdoors = poor.stations_m > 0
    low, high = ground_band(poor)
    assert (high - low)[outdoors] == pytest.approx(2 * 1.645 * 0.4, rel=1e-3)
    assert np.all((high - low)[poor.stations_m < 0] == 0)
    starts = survey.routes[0].inverts_m[:, 0]
    at_wall = np.flatnonzero(poor.stations_m == 0.0)[-1]
    step = np.ptp(starts) / 20
    assert poor.low_m[at_wall] == pytest.approx(np.quantile(starts, 0.05), abs=step)
    assert poor.high_m[at_wall] == pytest.approx(np.quantile(starts, 0.95), abs=step)


def test_both_bands_are_drawn_apart(survey: Survey) -> None:
    """The drawing has one area for the ground and one for the invert."""
    root = ElementTree.fromstring(profile_svg(survey_profile(survey), "ft"))
    areas = [element.get("class") for element in root.iter() if element.tag.endswith("polygon")]
    assert areas == ["ground-band", "band"]


def test_what_was_seen_stands_at_the_depth_that_was_measured() -> None:
    """102.5 in below ground that stands as the site says, as typed in the fixture's findings."""
    survey = computed("dug-and-found")
    profile = survey_profile(survey)
    ((name, station, invert),) = profile.seen
    find = next(one.finding for one in survey.scores.finds if one.finding.exposed)
    ground = survey.site.ground.elevation_m(np.array([find.x_m, find.y_m]))
    assert name == "F2"
    assert invert == pytest.approx(float(ground) - 102.5 * 0.0254, abs=1e-5)
    along = profile.stations_m >= 0.0
    here = [np.interp(station, profile.stations_m[along], profile.xy[along, k]) for k in (0, 1)]
    assert np.hypot(*(np.array(here) - [find.x_m, find.y_m])) < 0.3
    svg = ElementTree.fromstring(str(profile_svg(profile, "ft")))
    assert [t.text for t in svg.iter("text") if t.text and t.text.startswith("F2")] == ["F2 (seen)"]
