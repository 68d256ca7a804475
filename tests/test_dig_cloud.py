"""The cloud of routes: weights, strata, the error of the ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.dig.cloud import gather_cloud, likely_part, systematic_counts, whole_cloud
from tests.dig_clouds import alley_routes, front_routes, survey_of, two_way_survey, unlisted


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.floats(0.001, 10.0), min_size=1, max_size=60),
    st.integers(1, 500),
    st.floats(0.0, 0.999),
)
def test_systematic_resampling_takes_floor_or_ceiling(
    weights: list[float], count: int, offset: float
) -> None:
    """Each item is taken ⌊N w⌋ or ⌈N w⌉ times (Kitagawa 1996), N in all."""
    share = np.array(weights) / np.sum(weights)

    counts = systematic_counts(np.array(weights), count, offset)

    assert counts.sum() == count
    assert (counts >= np.floor(count * share - 1e-6)).all()
    assert (counts <= np.ceil(count * share + 1e-6)).all()


def test_weights_of_a_hypothesis_sum_to_its_probability() -> None:
    """The cloud keeps each probability; what has no route is missing to 1."""
    cloud = gather_cloud(two_way_survey(0.7, 0.28))

    share = np.bincount(cloud.owner, cloud.weights, len(cloud.hypotheses))

    assert dict(zip(cloud.hypotheses, share, strict=True)) == pytest.approx(
        {"front-main:direct": 0.7, "alley-main:side-yard-left": 0.28, "unlisted": 0.0}
    )


def test_a_heavy_route_keeps_its_weight_when_the_cloud_is_thinned() -> None:
    """A route that holds 40 % of its hypothesis holds 40 % after thinning, within one draw."""
    survey = survey_of((front_routes(), 0.9), (unlisted(), 0.1))
    scored = survey.scores.hypotheses[0]
    weights = np.full(scored.weights.size, 0.6 / (scored.weights.size - 1))
    weights[7] = 0.4
    heavy = replace(scored, weights=weights)
    scores = replace(survey.scores, hypotheses=(heavy, *survey.scores.hypotheses[1:]))

    cloud = gather_cloud(replace(survey, scored=scores))

    same = np.isclose(cloud.vertices, survey.routes[0].vertices[7]).all(axis=(1, 2))
    assert cloud.weights[same].sum() == pytest.approx(0.9 * 0.4, abs=0.001)


def test_the_same_seed_gives_the_same_cloud() -> None:
    """Two runs agree to the last bit; another seed does not."""
    survey = two_way_survey()
    other = replace(survey, site=replace(survey.site, seed=2))

    one, two, three = (gather_cloud(each) for each in (survey, survey, other))

    assert np.array_equal(one.inverts_m, two.inverts_m)
    assert not np.array_equal(one.inverts_m, three.inverts_m)


def test_the_ground_is_as_uncertain_as_it_is_mapped() -> None:
    """With no spread of its own, the invert's spread at a spot is the spot's: 0.3 m."""
    survey = survey_of((front_routes(), 1.0))
    routes = replace(survey.routes[0], inverts_m=np.full_like(survey.routes[0].inverts_m, -1.0))
    ground = replace(survey.site.ground, sds_m=np.full(3, 0.3))
    survey = replace(survey, site=replace(survey.site, ground=ground), sampled=(routes,))

    inverts = gather_cloud(survey).inverts_m[:, 0]

    assert inverts.std() == pytest.approx(0.3, rel=0.01)
    assert inverts.mean() == pytest.approx(-1.0, abs=0.005)


def test_short_routes_have_no_segments_of_no_length() -> None:
    """A route that repeats its tap adds no straight; all straights stay in route order."""
    cloud = gather_cloud(two_way_survey())

    segments = cloud.straights

    assert np.hypot(*(segments.end - segments.start).T).min() > 0
    assert (np.diff(segments.route) >= 0).all()
    assert len(np.unique(segments.route)) == cloud.weights.size


def test_no_pit_is_dug_for_what_is_all_but_ruled_out() -> None:
    """A way of 0.1 % stays in the cloud and leaves its likely part."""
    cloud = gather_cloud(survey_of((front_routes(), 0.999), (alley_routes(), 0.001)))

    assert set(cloud.owner) == {0, 1}
    assert set(likely_part(cloud).owner) == {0}


def test_a_survey_without_routes_gives_an_empty_cloud() -> None:
    """Nothing known is an empty cloud, not an error."""
    assert gather_cloud(survey_of((unlisted(), 1.0))).empty


def test_the_whole_cloud_is_the_least_number_of_routes_that_hold_all_but_a_thousandth() -> None:
    """Sorted by numpy: the heaviest that reach 99.9 %, each with its own weight and invert."""
    survey = survey_of((front_routes(), 0.75), (alley_routes(), 0.2), (unlisted(), 0.05))
    generator = np.random.default_rng(2)
    scored = tuple(
        replace(one, weights=w / w.sum())
        if (w := generator.pareto(1.0, one.weights.size)).size
        else one
        for one in survey.scores.hypotheses
    )
    survey = replace(survey, scored=replace(survey.scores, hypotheses=scored))
    cloud = whole_cloud(survey)
    for index in (0, 1):
        weights = scored[index].weights
        least = np.count_nonzero(np.cumsum(np.sort(weights)[::-1]) < 0.999) + 1
        own = cloud.owner == index
        assert own.sum() == least < weights.size
        floor = np.sort(weights)[-least]
        kept = weights >= floor
        assert cloud.weights[own] == pytest.approx(scored[index].probability * weights[kept])
        assert cloud.inverts_m[own][:, -1] == pytest.approx(
            survey.routes[index].inverts_m[kept][:, -1]
        )


def test_an_unlikely_way_keeps_enough_routes_to_be_drawn() -> None:
    """Of 1 % hardly 15 of 1500 draws would be left: 200 are, and weigh 1 % together."""
    cloud = gather_cloud(survey_of((front_routes(), 0.99), (alley_routes(), 0.01)))
    own = cloud.owner == 1
    assert own.sum() == 200
    assert cloud.weights[own].sum() == pytest.approx(0.01)
    assert (cloud.owner == 0).sum() == pytest.approx(0.99 * 1500, abs=1)
