"""What finds tell of the ground, against the Schur complement of the whole joint Gaussian.

The ground's error at wall and finds has a covariance that is put together here entry by entry,
numpy solves it. Then depth and invert after a find against the Kalman update of all unknowns.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from sitegis.evidence import RouteSet
from sitegis.finds.ground import UNEVEN, ground_error, log_shared
from sitegis.finds.records import Found
from sitegis.geometry.frames import Array
from sitegis.model.results import Hypothesis, Routes
from sitegis.model.site import Ground, Site
from sitegis.routes.likelihoods import log_likelihoods
from sitegis.score.weighed_site import log_weights, weigh_site
from tests.invented import corner_site

SPOTS = np.array([[0.0, 9.0], [2.0, -6.0], [9.0, 30.0]])
SDS = np.array([0.05, 0.08, 0.3])
FINDS = ((0.0, -1.5), (0.0, -4.0))
MAIN = corner_site().mains[0]
WALL, NOISE_M = np.array([0.0, 0.0]), 0.02


def sites(depths: tuple[float, ...]) -> Site:
    """Put finds with a depth to the invert before the wall of a lot with three measured spots."""
    ground = Ground(SPOTS, np.array([2.0, 1.7, 1.0]), SDS, False)
    finds = tuple(
        Found(f"F{i}", "test-pit", *place, 0.02, "lot coordinates", "yes", depth_to_invert_m=depth)
        for i, (place, depth) in enumerate(zip(FINDS, depths, strict=False))
    )
    return replace(corner_site(), ground=ground, evidence=finds)


def straight_down(inverts: Array, fall: Array | float = 0.02) -> tuple[Array, Array]:
    """Lay routes (m, 2, 2) straight away from the wall, with inverts (m,) at it."""
    ends = np.array([WALL, (0.0, -20.0)])
    return np.tile(ends, (inverts.size, 1, 1)), np.stack([inverts, inverts - 20.0 * fall], 1)


def covariance(places: Array) -> Array:
    """Return the covariance of the ground's error between places, entry by entry."""
    together = np.empty((len(places), len(places)))
    for i, one in enumerate(places):
        for j, other in enumerate(places):
            parts, sds = [], []
            for place in (one, other):
                near = [1.0 / (np.hypot(*(place - spot)) ** 2 + 1e-6) for spot in SPOTS]
                share = np.array(near) / np.sum(near)
                sds.append(share @ SDS)
                parts.append(share * SDS)
            lengths = np.linalg.norm(parts[0]) * np.linalg.norm(parts[1])
            near = np.exp(-0.5 * (np.hypot(*(one - other)) * UNEVEN / SDS.mean()) ** 2)
            together[i, j] = sds[0] * sds[1] * near * (parts[0] @ parts[1]) / lengths
    return together


def ground_at(place: Array) -> float:
    """Return the mapped ground at a place."""
    return float(sites(()).ground.elevation_m(place))


@pytest.mark.parametrize("count", [1, 2])
def test_the_ground_at_the_wall_is_the_schur_complement(count: int) -> None:
    """The mean follows what the finds lie off by, the spread what is left."""
    inverts = np.array([-1.02, -1.0, -0.95])
    vertices, levels = straight_down(inverts)
    places = np.array([WALL, *FINDS[:count]])
    # the first find measures the middle route's invert on the mapped ground, the second 3 cm off
    depths = [ground_at(p) - (-1.0 + 0.02 * p[1]) + 0.03 * i for i, p in enumerate(places[1:])]
    mean, sd = ground_error(sites(tuple(depths)), vertices, levels, vertices[:, 0])
    whole = covariance(places)
    seen = whole[1:, 1:] + NOISE_M**2 * np.eye(count)
    gain = np.linalg.solve(seen, whole[1:, 0])
    gaps = (inverts + 1.0)[:, None] + 0.03 * np.arange(count)
    assert np.allclose(mean, gaps @ gain, atol=2e-6)
    left = np.sqrt(whole[0, 0] - whole[0, 1:] @ gain)
    assert np.allclose(sd, left, atol=2e-6)
    assert sd[0] < 0.6 * np.sqrt(whole[0, 0])


def test_depth_after_a_find_has_the_spread_of_the_whole_gaussian() -> None:
    """Invert and ground cancel: routes weighed and then given their ground, against Kalman."""
    prior_m, prior_sd = -1.0, 0.3
    place = np.array(FINDS[0])
    measured = ground_at(place) + 1.10
    site = sites((measured,))
    inverts = prior_m + prior_sd * np.linspace(-5.0, 5.0, 8001)
    vertices, levels = straight_down(inverts)
    mean, sd = ground_error(site, vertices, levels, vertices[:, 0])
    whole = covariance(np.array([WALL, place]))
    at_find = inverts - 0.02 * 1.5
    off = at_find - (ground_at(place) - measured)
    weights = np.exp(-0.5 * ((inverts - prior_m) / prior_sd) ** 2)
    weights *= np.exp(-0.5 * off**2 / (whole[1, 1] + NOISE_M**2))
    weights /= weights.sum()
    depth = ground_at(WALL) + mean - inverts
    middle = float(weights @ depth)
    spread = float(np.sqrt(weights @ ((depth - middle) ** 2 + sd**2)))
    # unknowns: invert, ground's error at wall and at the find; the find sees one sum of them
    joint = np.zeros((3, 3))
    joint[0, 0], joint[1:, 1:] = prior_sd**2, whole
    sees, tells = np.array([-1.0, 0.0, 1.0]), np.array([-1.0, 1.0, 0.0])
    power = sees @ joint @ sees + NOISE_M**2
    residual = measured - (ground_at(place) - prior_m + 0.02 * 1.5)
    gain = tells @ joint @ sees / power
    assert middle == pytest.approx(ground_at(WALL) - prior_m + gain * residual, abs=1e-4)
    assert spread == pytest.approx(np.sqrt(tells @ joint @ tells - gain**2 * power), rel=2e-3)
    assert spread < 0.7 * np.sqrt(whole[0, 0] + whole[1, 1])


def test_two_depths_have_the_joint_density_of_the_mixture() -> None:
    """Which of both are this drain, summed by hand with scipy's densities; and what is left of it.

    Alone each counts with the ground's error anew: together they tell more of the fall.
    """
    falls = np.linspace(-0.05, 0.09, 8)
    inverts = np.full(falls.size, -1.0)
    vertices, levels = straight_down(inverts, falls)
    places = np.array(FINDS)
    depths = [ground_at(p) - (-1.0 + 0.02 * p[1]) for p in places]
    site = sites(tuple(depths))
    laid = RouteSet(
        site, MAIN, vertices, levels, np.full(8, 20.0), np.zeros(8), np.zeros((8, 3)), None
    )
    found = log_likelihoods(laid)
    assert set(found) == {"F0", "F1", "ground F0 F1"}
    whole = covariance(places) + NOISE_M**2 * np.eye(2)
    gaps = (falls - 0.02)[:, None] * places[:, 1]
    across = norm.pdf(0.0, 0.0, np.hypot(0.02, 0.02))
    stray, right = 0.02 / 20.0 / 2.0, 0.98 * across
    alone = [right * norm.pdf(gaps[:, i], 0.0, np.sqrt(whole[i, i])) for i in (0, 1)]
    both = right**2 * multivariate_normal.pdf(gaps, np.zeros(2), whole)
    joint = both + stray * (alone[0] + alone[1]) + stray**2
    assert np.allclose(sum(found.values()), np.log(joint), atol=1e-9)
    assert np.allclose(found["F1"], np.log(alone[1] + stray), atol=1e-9)
    assert np.ptp(found["ground F0 F1"]) > 0.1


def test_terms_of_three_depths_add_up_for_every_two(monkeypatch: pytest.MonkeyPatch) -> None:
    """What three say together less one of them is what two say that were given alone."""
    places = (*FINDS, (0.0, -7.0))
    monkeypatch.setattr("tests.test_finds_ground.FINDS", places)
    depths = [ground_at(np.array(p)) + 1.0 + 0.02 * i for i, p in enumerate(places)]
    vertices, levels = straight_down(np.linspace(-1.2, -0.8, 9))
    site, lengths = sites(tuple(depths)), np.full(9, 20.0)
    three = log_shared(site, vertices, levels, lengths)
    assert len(three) == 4
    for left in range(3):
        kept = tuple(item for i, item in enumerate(site.evidence) if i != left)
        two = log_shared(replace(site, evidence=kept), vertices, levels, lengths)
        (key,) = two
        assert np.allclose(three[key], two[key], atol=1e-12)


def test_another_pipe_or_no_depth_tells_nothing_of_the_ground() -> None:
    """Half a meter off is another pipe; a find without a depth measured nothing."""
    vertices, levels = straight_down(np.array([-1.0, -0.5]))
    place = np.array(FINDS[0])
    site = sites((ground_at(place) + 1.03,))
    mean, sd = ground_error(site, vertices, levels, vertices[:, 0])
    own = float(np.sqrt(covariance(WALL[None])[0, 0]))
    assert sd[0] < 0.8 * own
    assert mean[1] == 0.0
    assert sd[1] == pytest.approx(own, abs=2e-6)
    blank = replace(site, evidence=(Found("F", "test-pit", *FINDS[0], 0.02, "here", "yes"),))
    mean, sd = ground_error(blank, vertices, levels, vertices[:, 0])
    assert not mean.any()
    assert np.allclose(sd, own)


def test_a_routes_weight_sums_what_finds_say_alone_and_together() -> None:
    """Three finds with a depth: each alone, every two, and all; without one, what is left of it."""
    names = ("F0", "F1", "F2")
    deep = [
        Found(name, "test-pit", 0.0, -1.0, 0.02, "lot coordinates", "yes", depth_to_invert_m=2.0)
        for name in names
    ]
    generator = np.random.default_rng(3)
    sets = [some for size in (1, 2, 3) for some in combinations(names, size)]
    said = {some: generator.normal(size=5) for some in sets}
    nothing = np.zeros(0)
    routes = Routes(
        Hypothesis("h", MAIN.id, "direct", "front", None, 1.0),
        np.zeros((5, 2, 2)),
        np.zeros((5, 2)),
        np.ones(5),
        nothing,
        np.ones(5),
        generator.normal(size=5),
        {some[0] if len(some) == 1 else " ".join(("ground", *some)): v for some, v in said.items()},
        5,
    )
    site = replace(corner_site(), evidence=tuple(deep))
    weighed = weigh_site(site, (routes,), frozenset())
    for out in (frozenset(), frozenset({"F1"}), frozenset({"F0", "F2"})):
        expected = routes.log_prior + sum(v for some, v in said.items() if not out & {*some})
        assert log_weights(weighed, routes, out) == pytest.approx(expected)
