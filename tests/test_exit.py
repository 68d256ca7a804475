"""The exit at the outside face of the wall."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, qmc
from scipy.stats import norm as normal
from shapely import LineString, Polygon

from sitegis._errors import ComputationError
from sitegis._frames import Array
from sitegis._results import Drain, Exit, ProfileComponent
from sitegis._rules import load_rules
from sitegis._site import Building, Site
from sitegis._survey import Survey
from sitegis.exit import find_exit, sample_exit, unseen_bend_terms
from tests.benchmarks.line import simulate
from tests.invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, front_exit


def drain_at(
    end: tuple[float, float],
    angle_rad: float,
    *,
    covariance: Array | None = None,
    length_m: float = 3.0,
) -> Drain:
    """Make a straight drain by hand that ends at a place with a direction."""
    x, y = end
    start = (x - length_m * np.cos(angle_rad), y - length_m * np.sin(angle_rad))
    spread = np.diag([0.02, 0.02, 0.0004]) if covariance is None else covariance
    profile = (
        ProfileComponent(0.6, np.array([-0.70, 0.02]), np.array([[4e-4, -1e-5], [-1e-5, 4e-6]])),
        ProfileComponent(0.4, np.array([-0.66, 0.01]), np.array([[5e-4, -2e-5], [-2e-5, 3e-6]])),
    )
    return Drain(
        np.array([start, end]), ("A", "B"), np.array([0.0, length_m]), np.zeros(2), (), angle_rad,
        spread, profile, 0.016, 0.005, 0.5, {0: 0.0},
    )  # fmt: skip


def exit_of(drain: Drain, site: Site | None = None) -> Exit:
    survey = Survey(corner_site() if site is None else site, load_rules("us-ipc"), fitted=drain)
    return find_exit(survey).exit


def codes(exit: Exit) -> list[str]:
    return [notice.code for notice in exit.notices]


@settings(deadline=None, max_examples=50)
@given(st.floats(-3.1, 3.1), st.floats(0.2, 0.8), st.floats(0.2, 0.8))
def test_exit_is_where_shapely_finds_the_wall(angle: float, u: float, v: float) -> None:
    """From anywhere inside, the exit is the ray's crossing with the outline (shapely)."""
    site = corner_site()
    low, high = site.building.vertices.min(axis=0), site.building.vertices.max(axis=0)
    end = low + np.array([u, v]) * (high - low)
    far = end + 100.0 * np.array([np.cos(angle), np.sin(angle)])
    crossing = Polygon(site.building.vertices).exterior.intersection(LineString([end, far]))
    found = exit_of(drain_at((end[0], end[1]), angle), site)
    assert (found.x_m, found.y_m) == pytest.approx((crossing.x, crossing.y), abs=1e-6)
    assert found.unseen_m == pytest.approx(np.hypot(crossing.x - end[0], crossing.y - end[1]))
    assert found.side == site.building.sides[found.wall_index]


def test_sides_are_named_as_seen_from_the_front() -> None:
    """Toward smaller y is the front, larger x the right, larger y the rear, smaller x the left."""
    middle = (HOUSE_LEFT_M + 4.0, HOUSE_FRONT_M + 6.0)
    angles = {"front": -np.pi / 2, "right": 0.0, "rear": np.pi / 2, "left": np.pi}
    for side, angle in angles.items():
        assert exit_of(drain_at(middle, angle)).side == side


def test_first_crossing_of_an_l_shaped_house() -> None:
    """In an L-shaped house the exit is the first wall downstream, not a later one."""
    outline = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 4.0], [4.0, 4.0], [4.0, 10.0], [0.0, 10.0]])
    building = Building(
        outline, ("front", "right", "rear", "right", "rear", "left"), 0.0, 0.1, 0.003, 0.02, 0.3
    )
    site = replace(corner_site(), building=building)
    angle = float(np.arctan2(-6.0, 6.0))
    found = exit_of(drain_at((2.0, 8.0), angle), site)
    assert (found.x_m, found.y_m) == pytest.approx((4.0, 6.0))


@pytest.mark.parametrize(("sigmas", "told"), [(1.5, True), (2.5, False)])
def test_an_exit_within_two_sigma_of_a_corner_is_told(sigmas: float, told: bool) -> None:
    """Nearer than 95 % of a Gaussian reaches, the wall round the corner is as good."""
    sd = float(np.sqrt(exit_of(drain_at((HOUSE_LEFT_M + 4.0, 9.0), -np.pi / 2)).covariance[0, 0]))
    found = exit_of(drain_at((HOUSE_LEFT_M + sigmas * sd, 9.0), -np.pi / 2))
    assert ("exit-near-corner" in codes(found)) == told


def test_covariance_matches_drawn_crossings() -> None:
    """Ends and directions drawn from the drain's posterior cross the wall as stated."""
    generator = np.random.default_rng(4)
    angle = np.radians(-75.0)
    spread = np.array([[9e-3, 1e-3, 3e-4], [1e-3, 6e-3, 1e-4], [3e-4, 1e-4, 4e-4]])
    building = replace(corner_site().building, position_sd_m=1e-9, outline_sd_m=0.03)
    site = replace(corner_site(), building=building)
    found = exit_of(drain_at((7.0, 8.4), float(angle), covariance=spread), site)
    x, y, turned = generator.multivariate_normal([7.0, 8.4, angle], spread, 200_000).T
    wall = HOUSE_FRONT_M + 0.03 * generator.standard_normal(200_000)
    drawn = np.stack([x + (wall - y) / np.tan(turned), wall, turned])
    length = found.unseen_m
    shift, mixed, turn = unseen_bend_terms(length)
    across = np.array([1.0 / np.sin(-angle), 0.0])  # a step across the line, slid along to the wall
    expected = np.cov(drawn)
    expected[0, 0] += shift * across[0] ** 2
    expected[0, 2] += mixed * across[0]
    expected[2, 0] += mixed * across[0]
    expected[2, 2] += turn
    assert found.covariance == pytest.approx(expected, rel=0.03, abs=3e-5)


def test_unseen_bend_terms_match_drawn_bends() -> None:
    """Second moments of rare drawn bends agree with the closed form."""
    generator = np.random.default_rng(8)
    length, n = 1.2, 400_000
    angles = np.radians(generator.choice([11.25, 22.5, 45.0], n, p=[0.10, 0.35, 0.55]))
    angles *= generator.choice([-1.0, 1.0], n)
    shift = generator.uniform(0.0, length, n) * np.tan(angles)
    share = 1.0 - np.exp(-0.01 * length)
    drawn = share * np.array([np.mean(shift**2), np.mean(shift * angles), np.mean(angles**2)])
    assert unseen_bend_terms(length) == pytest.approx(drawn, rel=0.02)
    assert unseen_bend_terms(0.0) == (0.0, 0.0, 0.0)


def test_building_shift_moves_exit_whole() -> None:
    """The building's place on the lot goes into the exit once, in every direction."""
    known = replace(corner_site().building, position_sd_m=0.0)
    loose = replace(known, position_sd_m=0.5)
    own = np.diag([0.01, 0.01, 0.0004])
    carried = own + np.diag([0.25, 0.25, 0.0])
    angle = np.radians(-60.0)
    first = exit_of(
        drain_at((7.0, 8.4), angle, covariance=own), replace(corner_site(), building=known)
    )
    second = exit_of(
        drain_at((7.0, 8.4), angle, covariance=carried), replace(corner_site(), building=loose)
    )
    added = second.covariance - first.covariance
    assert added == pytest.approx(np.diag([0.25, 0.25, 0.0]), abs=1e-9)


def test_invert_falls_by_slope_times_unseen_length() -> None:
    """Each component of the profile is carried down at its own slope; depth is from the ground."""
    site = corner_site()
    found = exit_of(drain_at((7.0, HOUSE_FRONT_M + 1.0), -np.pi / 2), site)
    assert [c.mean[0] for c in found.profile] == pytest.approx([-0.72, -0.67])
    assert found.invert_m == pytest.approx(0.6 * -0.72 + 0.4 * -0.67)
    ground = float(site.ground.elevation_m(np.array([found.x_m, found.y_m])))
    assert found.depth_m == pytest.approx(ground - found.invert_m)
    variance = 4e-4 + 2e-5 + 4e-6  # by hand: invert, twice the covariance, slope, over 1 m
    assert found.profile[0].covariance[0, 0] == pytest.approx(variance, rel=0.05)


def test_what_is_odd_is_said() -> None:
    """Far, oblique and near a corner each have their notice; an ordinary exit has none."""
    assert codes(exit_of(drain_at((7.0, 8.2), -np.pi / 2))) == []
    assert "exit-far-from-last-mark" in codes(exit_of(drain_at((7.0, 9.8), -np.pi / 2)))
    assert "exit-oblique" in codes(exit_of(drain_at((5.0, 8.0), np.radians(-15.0))))
    assert "exit-near-corner" in codes(exit_of(drain_at((HOUSE_LEFT_M + 0.2, 8.0), -np.pi / 2)))


def test_last_point_outside_gives_the_crossing_behind_it() -> None:
    """A last point past the wall is named, and the wall that the drain passed is the exit."""
    found = exit_of(drain_at((7.0, HOUSE_FRONT_M - 0.5), -np.pi / 2))
    assert codes(found) == ["last-point-outside"]
    assert (found.y_m, found.unseen_m) == pytest.approx((HOUSE_FRONT_M, 0.0))


def test_drain_outside_is_refused() -> None:
    """A drain that meets no wall gives no exit, and says what to check."""
    with pytest.raises(ComputationError, match="setbacks"):
        exit_of(drain_at((7.0, HOUSE_FRONT_M + HOUSE_DEPTH_M + 5.0), np.pi / 2, length_m=1.0))


def test_samples_have_the_stated_moments() -> None:
    """Quasi-random draws through ``sample_exit`` give back mean, covariance and mixture."""
    exit = front_exit()
    uniforms = qmc.Sobol(6, seed=3).random(2**13)
    normals = normal.ppf(np.clip(uniforms[:, :5], 1e-9, 1 - 1e-9))
    x, y, angle, invert, slope = sample_exit(exit, normals[:, :3], uniforms[:, 5], normals[:, 3:])
    pose = np.stack([x, y, angle])
    assert pose.mean(axis=1) == pytest.approx([exit.x_m, exit.y_m, exit.angle_rad], abs=1e-3)
    assert np.cov(pose) == pytest.approx(exit.covariance, abs=2e-5)
    assert slope.mean() == pytest.approx(0.7 * 0.0208 + 0.3 * 0.0104, abs=2e-5)
    assert invert.mean() == pytest.approx(exit.invert_m, abs=1e-3)


@pytest.mark.parametrize("bend", [False, True])
def test_stated_ellipse_covers_the_true_exit(bend: bool) -> None:
    """Over simulated sites the 95 % ellipse and intervals hold within binomial limits."""
    sites = 20 if bend else 30
    hits = [simulate(seed, bend=bend, heavy=True) for seed in range(1000, 1000 + sites)]
    lowest = binom.ppf(0.002, sites, 0.95)
    for name in ("place", "angle", "invert", "slope"):
        assert sum(getattr(hit, name) for hit in hits) >= lowest, name
    # Nor wider than need be: the rms error is at least 60 % of what is stated.
    error = np.sqrt(np.mean([hit.across_error_m**2 for hit in hits]))
    assert error > 0.6 * np.sqrt(np.mean([hit.across_sd_m**2 for hit in hits]))


def test_covariance_splits_into_straight_and_bend() -> None:
    """What the exit says of a bend adds up: total − straight is its second moments."""
    found = exit_of(drain_at((HOUSE_LEFT_M + 4.0, HOUSE_FRONT_M + 1.5), -np.pi / 2))
    assert found.straight_covariance is not None
    added = found.covariance - found.straight_covariance
    assert added[2, 2] == pytest.approx(unseen_bend_terms(found.unseen_m)[2], rel=1e-9)
    assert found.bend_share == pytest.approx(1 - np.exp(-0.01 * found.unseen_m))
    assert np.linalg.eigvalsh(added).min() > -1e-15


def test_a_main_above_the_drain_is_told() -> None:
    """One of two mains raised over the drain is told; where both are, a person must look."""
    drain = drain_at((7.0, HOUSE_FRONT_M + 1.0), -np.pi / 2)
    site = corner_site()
    assert "main-above-drain" not in codes(exit_of(drain, site))

    def raised(count: int) -> Site:
        mains = tuple(
            replace(main, inverts_m=main.inverts_m * 0.0 - 0.2, invert_known=True)
            if number < count
            else replace(main, inverts_m=main.inverts_m * 0.0 - 3.0, invert_known=True)
            for number, main in enumerate(site.mains)
        )
        return replace(site, mains=mains)

    for count in (1, len(site.mains)):
        told = [n for n in exit_of(drain, raised(count)).notices if n.code == "main-above-drain"]
        assert len(told) == count
        assert all(notice.needs_person == (count == len(site.mains)) for notice in told)
        assert all(re.search(r"lies 1' \d+\" above", notice.message) for notice in told)
