"""The exit at the outside face of the wall."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import binom, qmc, truncnorm
from scipy.stats import norm as normal
from shapely import LineString, Polygon

from sitegis.exit import (
    PIT_MOVED_M,
    PIT_OUT_M,
    _bend_notice,
    _carried,
    _corner_notice,
    _ground_at,
    _length_variance,
    _second_moment,
    choose_by,
    exit_notices,
    exit_turns,
    find_exit,
    sample_exit,
    straight_sd_rad,
    turn_words,
)
from sitegis.geometry.frames import Array
from sitegis.line.bend_catalog import BENDS_PER_M, SIGNED_RAD, SIGNED_WEIGHTS, turns_of_two
from sitegis.messages.errors import ComputationError
from sitegis.model.results import Drain, Exit, ExitComponent, LineEnd, ProfileComponent
from sitegis.model.site import Building, Site
from sitegis.model.survey import Survey
from sitegis.numerics.exit_mixture import (
    CELL_M,
    SQUARE_FLOOR,
    SQUARE_SD_RAD,
    _at_wall,
    _bent,
    _bent_to_wall,
    _held_inside,
    carry_to_wall,
    first_walls,
    outward_normals,
    square_prior,
)
from sitegis.numerics.mixture import Poses
from sitegis.rules.rule_set import load_rules
from tests.benchmarks.line import simulate
from tests.invented import (
    HOUSE_DEPTH_M,
    HOUSE_FRONT_M,
    HOUSE_LEFT_M,
    HOUSE_WIDTH_M,
    corner_site,
    front_exit,
)


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
    walls, lengths = first_walls(end[None], np.array([angle]), site.building)
    met = end + lengths[0] * np.array([np.cos(angle), np.sin(angle)])
    assert met == pytest.approx((crossing.x, crossing.y), abs=1e-6)
    found = exit_of(drain_at((end[0], end[1]), angle, covariance=1e-8 * np.eye(3)), site)
    straight = [c for c in found.components if c.turn_deg == 0.0 and c.wall_index == walls[0]]
    if straight:  # flatter than 10° to the wall is no exit
        nearest = min(straight, key=lambda c: abs(c.unseen_m - lengths[0]))
        assert (nearest.x_m, nearest.y_m) == pytest.approx((crossing.x, crossing.y), abs=1e-4)
        assert nearest.unseen_m == pytest.approx(lengths[0], abs=1e-4)
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
    middle = exit_of(drain_at((HOUSE_LEFT_M + 4.0, 9.0), -np.pi / 2))
    sd = float(np.sqrt(middle.mixture[0].covariance[0, 0]))
    found = exit_of(drain_at((HOUSE_LEFT_M + sigmas * sd, 9.0), -np.pi / 2))
    assert ("exit-near-corner" in codes(found)) == told


def crossing(origin: Array, angle: Array) -> tuple[Array, Array]:
    """Return where rays first leave the invented house, a rectangle, and their lengths."""
    low = np.array([HOUSE_LEFT_M, HOUSE_FRONT_M])
    high = low + np.array([HOUSE_WIDTH_M, HOUSE_DEPTH_M])
    step = np.column_stack([np.cos(angle), np.sin(angle)])
    to_side = np.where(step > 0, high - origin, low - origin) / step
    length = to_side.min(axis=1)
    return origin + length[:, None] * step, length


BENDS_DEG = [11.25, 22.5, 45.0, 60.0, 72.0, 90.0, 20.0, 50.0]
BEND_SHARES = [0.051, 0.187, 0.357, 0.051, 0.034, 0.170, 0.075, 0.075]
BEND_SDS = np.radians([2.0] * 6 + [12.0] * 2)


def drawn_exits(
    mean: Array, spread: Array, count: int, generator: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Draw exits by brute force: x, y, angle (m, 3), bends (m,), their sum (degrees), weights (m,).

    Bends come as a Poisson process of 0.08 per meter: made ones to 2°, 15 % to 12° around 20 and
    50; ways with a third one are dropped. The angle off square is weighed by
    0.11 + 0.89 exp(−½ (s/8°)²).
    """
    x, y, angle = generator.multivariate_normal(mean, spread, count).T
    here = np.column_stack([x, y])
    turn, bends, going = np.zeros(count), np.zeros(count, int), np.ones(count, bool)
    for _ in range(3):
        _, length = crossing(here, angle)
        at = generator.exponential(12.5, count)
        going &= at < length
        kind = generator.choice(8, count, p=BEND_SHARES)
        size = np.array(BENDS_DEG)[kind] * generator.choice([-1.0, 1.0], count) * going
        here = here + (at * going)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
        angle = angle + np.radians(size) + going * generator.normal(0.0, BEND_SDS[kind])
        turn, bends = turn + size, bends + going
    place, _ = crossing(here, angle)
    gap = np.abs(
        np.column_stack(
            [
                place[:, 0] - HOUSE_LEFT_M,
                place[:, 0] - HOUSE_LEFT_M - HOUSE_WIDTH_M,
                place[:, 1] - HOUSE_FRONT_M,
                place[:, 1] - HOUSE_FRONT_M - HOUSE_DEPTH_M,
            ]
        )
    )
    square = np.array([np.pi, 0.0, -np.pi / 2, np.pi / 2])[np.argmin(gap, axis=1)]
    slant = np.abs((angle - square + np.pi) % (2 * np.pi) - np.pi)
    weight = 0.11 + 0.89 * np.exp(-0.5 * (slant / np.radians(8.0)) ** 2)
    weight = np.where((bends < 3) & (np.cos(slant) > 0.17), weight, 0.0)
    return np.column_stack([place, angle]), bends, turn, weight / weight.sum()


@pytest.mark.parametrize(("ahead", "slant_deg"), [(0.8, 0.0), (1.5, 15.0), (4.0, -20.0)])
def test_mixture_matches_drawn_drains(ahead: float, slant_deg: float) -> None:
    """Shares of straight, of every bend and of two, and their moments, are those of drawn drains.

    The moments are those of what runs straight; two bends are told apart from it by their spread.
    """
    generator = np.random.default_rng(4)
    mean = np.array([HOUSE_LEFT_M + 4.0, HOUSE_FRONT_M + ahead, np.radians(slant_deg - 90.0)])
    spread = np.array([[9e-3, 1e-3, 3e-4], [1e-3, 6e-3, 1e-4], [3e-4, 1e-4, 4e-3]])
    building = replace(corner_site().building, position_sd_m=1e-9, outline_sd_m=1e-9)
    site = replace(corner_site(), building=building)
    found = exit_of(drain_at((mean[0], mean[1]), mean[2], covariance=spread), site)
    pose, bends, turn, weight = drawn_exits(mean, spread, 200_000, generator)
    parts = found.components
    assert sum(part.weight for part in parts) == pytest.approx(1.0)
    alone = [sign * bend for bend in BENDS_DEG for sign in (1.0, -1.0)]
    for bend in (11.25, 22.5, -22.5, 45.0, -45.0, 90.0):
        share = weight[np.isclose(turn, bend) & (bends == 1)].sum()
        stated = sum(part.weight for part in parts if np.isclose(part.turn_deg, bend))
        assert stated == pytest.approx(share, rel=0.12, abs=2e-3), bend
    jogs = weight[(bends == 2) & (np.abs(turn) < 22.6)].sum()
    stated = sum(part.weight for part in parts if part.turn_deg == 0.0)
    assert stated == pytest.approx(weight[bends == 0].sum() + jogs, rel=0.05)
    twice = sum(p.weight for p in parts if not np.isclose([*alone, 0.0], p.turn_deg).any())
    drawn = weight[(bends == 2) & (np.abs(turn) > 22.6)].sum()
    assert twice == pytest.approx(drawn, rel=0.4, abs=6e-3)
    straight = [part for part in parts if part.turn_deg == 0.0 and part.wall_index == 0]
    narrow = float(np.trace(straight[0].covariance[:2, :2]))
    straight = [part for part in straight if np.trace(part.covariance[:2, :2]) < 3.0 * narrow]
    weights = np.array([part.weight for part in straight])
    means = np.array([(part.x_m, part.y_m, part.angle_rad) for part in straight])
    center = weights @ means / weights.sum()
    away = means - center
    inside = np.einsum("m,mij->ij", weights, np.stack([part.covariance for part in straight]))
    covariance = (inside + (weights[:, None] * away).T @ away) / weights.sum()
    front = (bends == 0) & (np.abs(pose[:, 1] - HOUSE_FRONT_M) < 1e-6)
    assert center == pytest.approx(np.average(pose[front], axis=0, weights=weight[front]), abs=0.01)
    expected = np.cov(pose[front].T, aweights=weight[front])
    assert covariance == pytest.approx(expected, rel=0.05, abs=3e-4)


@pytest.mark.parametrize(
    ("index", "normal"), [(0, (0, -1)), (1, (1, 0)), (2, (0, 1)), (3, (-1, 0))]
)
def test_wall_normals_point_outward(index: int, normal: tuple[float, float]) -> None:
    """Front, right, rear and left walls of the invented house."""
    assert outward_normals(corner_site().building)[index] == pytest.approx(normal)


def test_ends_of_a_mixture_are_each_carried_to_the_wall() -> None:
    """Two directions at the last mark, 30 and 70 %, stay two directions at the wall, and are told.

    30° apart, 2 m out of the wall the pit would lie about 1 m aside: a person must look.
    """
    spread = np.diag([1e-4, 1e-4, np.radians(1.0) ** 2])
    end = (HOUSE_LEFT_M + 4.0, HOUSE_FRONT_M + 0.3)
    drain = drain_at(end, -np.pi / 2, covariance=spread)
    ends = tuple(
        LineEnd(weight, np.array([*end, -np.pi / 2 + turn]), spread, 0)
        for weight, turn in ((0.3, 0.0), (0.7, np.radians(30.0)))
    )
    found = exit_of(replace(drain, ends=ends))
    groups = exit_turns(found)
    # What leaves square is nine times as probable as what leaves by 30°: 1 to 0.11.
    assert groups["left"][0] == pytest.approx(0.11 * 0.7 / (0.11 * 0.7 + 0.3), abs=0.03)
    assert groups["straight on"][0] + groups["left"][0] == pytest.approx(1.0, abs=0.02)
    assert "exit-may-bend" in codes(found)
    assert turn_words(found).startswith("straight on 7")


def test_an_error_of_the_angle_moves_a_bend_aside() -> None:
    """Plane geometry: 3 m on at 0.7 rad, 3 m times the angle's sd square to the way."""
    at, turns = np.array([3.0]), (np.array([0.4]), np.zeros(1))
    means, spread = _bent(np.array([1.0, 2.0, 0.7]), np.diag([0.0, 0.0, 0.01]), at, turns, 0.0)
    along = np.exp(0.7j)
    end = complex(1.0, 2.0) + 3.0 * along
    assert means[0] == pytest.approx([end.real, end.imag, 1.1])
    aside = 0.3 * 1j * along
    square = np.outer([aside.real, aside.imag], [aside.real, aside.imag])
    assert spread[0, :2, :2] == pytest.approx(square)


@pytest.mark.parametrize("turn", [1, 2, 3])
def test_which_wall_is_listed_first_is_nothing_to_the_exit(turn: int) -> None:
    """The same poses, bends on the way too, from an outline that begins at another corner."""
    drain, building = drain_at((7.0, 11.0), -np.pi / 2), corner_site().building
    again = replace(
        building,
        vertices=np.roll(building.vertices, turn, axis=0),
        sides=(*building.sides[-turn:], *building.sides[:-turn]),
    )
    one, other = carry_to_wall(drain, building), carry_to_wall(drain, again)
    assert other.weights.size == one.weights.size > 1
    order, same = (np.lexsort(poses.means.T.round(9)) for poses in (one, other))
    assert other.weights[same] == pytest.approx(one.weights[order])


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
    assert added == pytest.approx(np.diag([0.25, 0.25, 0.0]), abs=1e-7)


def test_invert_falls_by_slope_times_unseen_length() -> None:
    """Each component of the profile is carried down at its own slope; depth is from the ground."""
    site = corner_site()
    found = exit_of(drain_at((7.0, HOUSE_FRONT_M + 1.0), -np.pi / 2), site)
    assert [c.mean[0] for c in found.profile] == pytest.approx([-0.72, -0.67])
    # Ways that bend before the wall are longer: by millimeters on the whole.
    assert found.invert_m == pytest.approx(0.6 * -0.72 + 0.4 * -0.67, abs=1e-3)
    ground = float(site.ground.elevation_m(np.array([found.x_m, found.y_m])))
    assert found.depth_m == pytest.approx(ground - found.invert_m)
    variance = 4e-4 + 2e-5 + 4e-6  # by hand: invert, twice the covariance, slope, over 1 m
    assert found.profile[0].covariance[0, 0] == pytest.approx(variance, rel=0.05)


def test_what_is_odd_is_said() -> None:
    """Far, oblique and near a corner each have their notice; an ordinary exit has none."""
    assert codes(exit_of(drain_at((7.0, 8.2), -np.pi / 2))) == []
    assert "exit-far-from-last-mark" in codes(exit_of(drain_at((7.0, 9.8), -np.pi / 2)))
    oblique = exit_of(drain_at((5.0, 8.0), np.radians(-15.0)))
    told = {
        notice.code: str(notice) for notice in exit_notices(oblique, corner_site(), inside=True)
    }
    assert "at 15° only" in told["exit-oblique"]
    assert "exit-near-corner" in codes(exit_of(drain_at((HOUSE_LEFT_M + 0.2, 8.0), -np.pi / 2)))


@pytest.mark.parametrize(("share", "told"), [(0.2, True), (0.05, False)])
def test_a_likely_way_held_within_three_meters_alone_is_told(share: float, told: bool) -> None:
    """The spread told is the widest of the ways that count; a rare one does not."""
    sure = front_exit()
    (one,) = sure.mixture
    vague = replace(one, weight=share, covariance=np.diag([9.0, 0.01, 1e-4]))
    mixed = replace(sure, components=(replace(one, weight=1.0 - share), vague))
    found = {notice.code for notice in exit_notices(mixed, corner_site(), inside=True)}
    assert ("exit-weakly-held" in found) == told


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


@pytest.mark.parametrize("sites", [25, pytest.param(400, marks=pytest.mark.statistical)])
@pytest.mark.parametrize("bend", [False, True])
def test_stated_ellipse_covers_the_true_exit(bend: bool, sites: int) -> None:
    """Over simulated sites the 95 % ellipse and intervals hold within binomial limits."""
    hits = [simulate(seed, bend=bend, heavy=True) for seed in range(1000, 1000 + sites)]
    lowest = binom.ppf(0.002, sites, 0.95)
    for name in ("place", "angle", "invert", "slope"):
        assert sum(getattr(hit, name) for hit in hits) >= lowest, name
    # Nor wider than need be: the rms error is at least 60 % of what is stated.
    error = np.sqrt(np.mean([hit.across_error_m**2 for hit in hits]))
    assert error > 0.6 * np.sqrt(np.mean([hit.across_sd_m**2 for hit in hits]))


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


def test_spread_of_depth_is_that_of_invert_and_ground() -> None:
    """Independent: their variances add up; the ground's among equal spots is theirs."""
    site = corner_site()
    site = replace(site, ground=replace(site.ground, sds_m=np.full(3, 0.3)))
    found = exit_of(drain_at((7.0, HOUSE_FRONT_M + 1.0), -np.pi / 2), site)
    assert found.depth_sd_m**2 == pytest.approx(found.invert_sd_m**2 + 0.09)
    # law of total variance over the profile's two parts
    parts = found.profile
    assert found.slope_sd**2 == pytest.approx(
        np.average(
            [p.covariance[1, 1] + (p.mean[1] - found.slope) ** 2 for p in parts],
            weights=[p.weight for p in parts],
        ),
        rel=0.02,
    )


def test_the_spread_of_what_goes_straight_on_is_that_of_its_mixture() -> None:
    """Law of total variance; what turns or leaves by another wall is no part of it."""
    stated = replace(front_exit(), angle_rad=-2.5)
    parts = tuple(
        ExitComponent(
            weight, 0.0, stated.x_m, stated.y_m, stated.angle_rad + turn, "front", wall,
            np.diag([0.01, 0.01, sd**2]), stated.profile, 0.7,
        )
        for weight, turn, sd, wall in (
            (0.4, 0.0, 0.02, 0), (0.2, 0.05 - 2 * np.pi, 0.03, 0), (0.3, 0.8, 0.5, 0),
            (0.1, 0.0, 0.6, 1),
        )
    )  # fmt: skip
    share, turns, sds = np.array([2, 1]) / 3, np.array([0.0, 0.05]), np.array([0.02, 0.03])
    total = share @ sds**2 + share @ (turns - share @ turns) ** 2
    found = straight_sd_rad(replace(stated, components=parts))
    assert found == pytest.approx(np.sqrt(total), rel=1e-9)


@pytest.mark.parametrize("inside_m", [-0.15, 0.05, 0.4])
def test_an_end_is_cut_at_the_wall_as_scipy_cuts_a_normal(inside_m: float) -> None:
    """Share, mean and variance across the front wall by scipy's truncnorm; along it, regression."""
    building = corner_site().building
    start, end = building.vertices[:2]
    along = (end - start) / np.hypot(*(end - start))
    inward = np.array([-along[1], along[0]])
    mean = np.append(0.5 * (start + end) + inside_m * inward, 0.3)
    turn = np.block([[np.column_stack([along, inward]), np.zeros((2, 1))], [0.0, 0.0, 1.0]])
    own = np.array([[0.04, 0.012, 0.0], [0.012, 0.02, 0.002], [0.0, 0.002, 0.01]])
    held, weights, means, covariances = _held_inside(
        np.ones(1), mean[None], (turn @ own @ turn.T)[None], building
    )
    sd = np.sqrt(own[1, 1] + building.outline_sd_m**2)
    cut = truncnorm(-inside_m / sd, np.inf, loc=inside_m, scale=sd)
    moved = turn.T @ (means[0] - mean)
    assert held.all()
    assert weights[0] == pytest.approx(normal.cdf(inside_m / sd))
    # what hangs together with the distance to the wall follows it by regression
    gain = own[:, 1] / sd**2
    assert moved == pytest.approx(gain * (cut.mean() - inside_m), abs=1e-9)
    expected = own - np.outer(gain, gain) * (sd**2 - cut.var())
    assert turn.T @ covariances[0] @ turn == pytest.approx(expected, abs=1e-9)


def test_an_unseen_bend_is_looked_for_in_cells_no_longer_than_stated() -> None:
    """Straight at the front wall from 6 m: each bend once a cell, all as likely but for the rest.

    Together they are the Poisson law's one bend in 6 m, ρ L exp(−ρ L), less what a bend adds to the
    way to the wall.
    """
    building = corner_site().building
    x, y = HOUSE_LEFT_M + HOUSE_WIDTH_M / 2, HOUSE_FRONT_M + 6.0
    mean, spread = np.array([x, y, -np.pi / 2]), np.diag([1e-4, 1e-4, 1e-4])
    once, _ = _bent_to_wall(1.0, (mean, spread), 6.0, building)
    cells = once.weights.size / SIGNED_RAD.size
    assert 6.0 / cells <= CELL_M
    expected = BENDS_PER_M * 6.0 * np.exp(-BENDS_PER_M * 6.0)
    assert 0.8 * expected < once.weights.sum() < expected


@pytest.mark.parametrize("ahead_m", [2.1, 6.0])
def test_an_unseen_bend_is_as_likely_as_poissons_law_has_it(ahead_m: float) -> None:
    """One in the middle of each cell, two halfway: rate, share, and no other on shapely's way."""
    building = corner_site().building
    wall = shapely.LinearRing(building.vertices)
    here = np.array([HOUSE_LEFT_M + HOUSE_WIDTH_M / 3, HOUSE_FRONT_M + ahead_m])
    spread = np.diag([1e-6, 1e-6, 1e-6])
    once, twice = _bent_to_wall(0.7, (np.array([*here, -np.pi / 2]), spread), ahead_m, building)

    def expected(at: float, turn: float, likely: float) -> float:
        bend = here - [0.0, at]
        ray = 60.0 * np.array([np.cos(turn - np.pi / 2), np.sin(turn - np.pi / 2)])
        met = shapely.intersection(wall, shapely.LineString([bend, bend + ray]))
        rest = shapely.distance(met, shapely.Point(bend)) if not met.is_empty else np.inf
        return float(0.7 * likely * np.exp(-BENDS_PER_M * (at + rest)))

    cells = int(np.ceil(ahead_m / CELL_M))
    size = ahead_m / cells
    singly = [
        expected((i + 0.5) * size, turn, BENDS_PER_M * size * share)
        for i in range(cells)
        for turn, share in zip(SIGNED_RAD, SIGNED_WEIGHTS, strict=True)
    ]
    assert sorted(once.weights) == pytest.approx(sorted(singly), rel=1e-6)
    pairs = [
        expected(0.5 * ahead_m, turn, 0.5 * (BENDS_PER_M * ahead_m) ** 2 * share)
        for share, turn, _ in zip(*turns_of_two(), strict=True)
    ]
    assert sorted(twice.weights) == pytest.approx(sorted(pairs), rel=1e-6)


@pytest.mark.parametrize("slant_deg", [0.0, -7.0, 25.0])
def test_practice_weighs_an_exit_by_the_integral_over_its_direction(slant_deg: float) -> None:
    """Share, mean and variance of the direction by scipy's quadrature of normal times practice."""
    building = corner_site().building
    outward = outward_normals(building)[0]
    square, slant, sd = float(np.arctan2(*outward[::-1])), np.radians(slant_deg), np.radians(6.0)
    own = np.array([[0.04, 0.0, 0.003], [0.0, 0.02, 0.0], [0.003, 0.0, sd**2]])
    none, zero = np.zeros(1), np.zeros(1, dtype=np.int64)
    pose = np.array([[1.0, 2.0, square + slant]])
    one = Poses(np.ones(1), pose, own[None], zero, zero, none, none)
    weighed, log_mean = square_prior(one, building)

    def moment(power: int) -> float:
        def inside(s: float) -> float:
            practice = np.exp(-0.5 * (s / SQUARE_SD_RAD) ** 2)
            factor = SQUARE_FLOOR + (1.0 - SQUARE_FLOOR) * practice
            return float(s**power * factor * normal.pdf(s, slant, sd))

        return float(quad(inside, slant - 9 * sd, slant + 9 * sd, epsabs=1e-13)[0])

    shares = weighed.weights / weighed.weights.sum()
    turned = weighed.means[:, 2] - square
    mean = moment(1) / moment(0)
    assert np.exp(log_mean) == pytest.approx(moment(0))
    assert shares @ turned == pytest.approx(mean, abs=1e-9)
    variance = shares @ (weighed.covariances[:, 2, 2] + (turned - mean) ** 2)
    assert variance == pytest.approx(moment(2) / moment(0) - mean**2)
    # the place follows the direction by regression
    moved = shares @ weighed.means[:, :2] - [1.0, 2.0]
    assert moved == pytest.approx(own[2, :2] / sd**2 * (mean - slant), abs=1e-9)


def test_the_profile_at_the_wall_is_carried_by_its_derivatives() -> None:
    """Invert − slope × length and slope, by central differences in invert, slope and length."""
    spread = np.array([[3.1e-4, -1.7e-5], [-1.7e-5, 5.3e-6]])
    one = ProfileComponent(0.37, np.array([-0.83, 0.0231]), spread)
    length_m, variance_m2 = 2.7, 0.43
    at, eps = np.array([*one.mean, length_m]), 1e-6

    def there(value: Array) -> Array:
        return np.array([value[0] - value[1] * value[2], value[1]])

    slopes = np.stack(
        [(there(at + eps * unit) - there(at - eps * unit)) / (2 * eps) for unit in np.eye(3)], 1
    )
    joint = np.zeros((3, 3))
    joint[:2, :2], joint[2, 2] = spread, variance_m2
    found = _carried(one, length_m, variance_m2)
    assert found.weight == 0.37
    assert found.mean == pytest.approx(there(at))
    assert found.covariance == pytest.approx(slopes @ joint @ slopes.T, rel=1e-7)


@pytest.mark.parametrize("wall_rad", [0.0, 0.7, np.pi / 2])
@pytest.mark.parametrize("turn_deg", [0.0, 22.5, -45.0, -90.0])
def test_a_length_is_known_as_the_rays_that_meet_the_wall_say(
    turn_deg: float, wall_rad: float
) -> None:
    """Straight, by a turn of the drain's heading; bent, by a bend further on: central differences.

    The wall lies 3 m off, turned to any side: the lot's axes are nothing to it.
    """

    def path(further_m: float, turned_rad: float) -> tuple[Array, float]:
        first = np.array([np.cos(-1.2 + turned_rad), np.sin(-1.2 + turned_rad)])
        last = np.radians(turn_deg) - 1.2 + turned_rad
        ahead = np.array([np.cos(last), np.sin(last)])
        bend = first * (0.8 + further_m)
        on = (-3.0 - bend[1]) / ahead[1]
        return bend + on * ahead, 0.8 + further_m + on

    step = (1e-5, 0.0) if turn_deg else (0.0, 1e-5)
    (place, length), (back, short) = path(*step), path(*(-one for one in step))
    sd_m = 0.2  # along the wall
    aside = np.array([np.cos(wall_rad), np.sin(wall_rad)])
    found = _length_variance(
        np.outer(aside, aside) * sd_m**2, wall_rad - 1.2 + np.radians(turn_deg), turn_deg
    )
    expected = ((length - short) / np.hypot(*(place - back)) * sd_m) ** 2
    assert found == pytest.approx(expected, rel=1e-4)


def test_the_grounds_sd_is_weighed_by_the_inverse_squares_of_distances() -> None:
    """Three spots strewn about: by hand, to a thousandth; on a spot it is that spot's own."""
    site = corner_site()
    spots, sds = np.array([[1.3, 0.4], [7.9, 3.2], [4.1, 9.6]]), np.array([0.02, 0.05, 0.11])
    site = replace(
        site, ground=replace(site.ground, spots=spots, elevations_m=np.ones(3), sds_m=sds)
    )
    place = np.array([3.7, 4.9])
    weights = np.array([1.0 / ((x - 3.7) ** 2 + (y - 4.9) ** 2) for x, y in spots])
    assert _ground_at(site, place)[1] == pytest.approx(weights @ sds / weights.sum(), rel=1e-5)
    assert _ground_at(site, spots[2])[1] == pytest.approx(0.11, rel=1e-5)


def test_draws_choose_by_weights_as_a_search_set_by_set_does() -> None:
    """Of each row's own weights the first whose running sum is past the uniform; what is left."""
    generator = np.random.default_rng(8)
    weights, rows = generator.uniform(0.1, 3.0, (4, 5)), generator.integers(0, 4, 60)
    uniforms = np.append(generator.uniform(size=59), 1.0 - 1e-12)
    chosen, left = choose_by(weights, uniforms, rows)
    for row, uniform, index, rest in zip(rows, uniforms, chosen, left, strict=True):
        passed = np.cumsum(weights[row]) / weights[row].sum()
        own = next(i for i, edge in enumerate(passed) if uniform < edge)
        before = passed[own] - weights[row, own] / weights[row].sum()
        assert index == own
        assert rest == pytest.approx((uniform - before) / (passed[own] - before), abs=1e-9)


@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize(("sigmas", "told"), [(1.9, True), (2.1, False)])
def test_either_corner_of_a_turned_wall_is_told(
    wall: int, end: int, sigmas: float, told: bool
) -> None:
    """Within two sds along the wall: the sd of a Gaussian in shapely's direction of that side."""
    ring = np.array([[2.0, 3.0], [9.1, 4.3], [7.8, 11.2], [0.9, 9.7]])
    building = replace(corner_site().building, vertices=ring)
    corners = ring[[wall, (wall + 1) % 4]][:: 1 - 2 * end]
    side = LineString(corners)
    spread = np.array([[0.03, 0.011, 0.0], [0.011, 0.05, 0.0], [0.0, 0.0, 1e-4]])
    along = (corners[1] - corners[0]) / side.length
    sd = float(np.sqrt(along @ spread[:2, :2] @ along))
    at = side.interpolate(sigmas * sd)
    sure = front_exit()
    mixed = replace(sure, x_m=at.x, y_m=at.y, wall_index=wall, covariance=spread, components=())
    assert bool(list(_corner_notice(mixed, building))) == told


@pytest.mark.parametrize("turn_deg", [22.5, -22.5])
@pytest.mark.parametrize(("aside_m", "told"), [(0.03, True), (-0.03, False)])
def test_a_bend_is_told_where_the_pit_would_stand_elsewhere(
    turn_deg: float, aside_m: float, told: bool
) -> None:
    """A pit two meters out by the turned direction, moved by a little more or less than counts."""
    sure, turn = front_exit(), np.radians(turn_deg)
    (one,) = sure.mixture
    angle = sure.angle_rad
    first, second = (PIT_OUT_M * np.array([np.cos(a), np.sin(a)]) for a in (angle, angle + turn))
    # the turned one leaves so far aside along x that both pits are as far apart as counts
    across = np.sqrt(PIT_MOVED_M**2 - (second - first)[1] ** 2 if abs((second - first)[1]) < 0.6
                     else 0.0)  # fmt: skip
    x = sure.x_m - (second - first)[0] + across + aside_m
    bent = replace(one, weight=0.4, x_m=float(x), angle_rad=angle + turn, turn_deg=turn_deg)
    mixed = replace(sure, components=(replace(one, weight=0.6), bent))
    assert bool(list(_bend_notice(mixed))) == told


def test_the_spread_about_the_first_pose_is_that_of_sigma_points() -> None:
    """Each Gaussian by six points of its own moments (Julier 1997); other walls do not count."""
    generator = np.random.default_rng(6)
    roots = generator.normal(0.0, 0.1, (4, 3, 3))
    means, weights = generator.normal(0.0, 0.4, (4, 3)), generator.uniform(0.1, 0.9, 4)
    walls, none = np.array([2, 1, 2, 2]), np.zeros(4)
    poses = Poses(weights, means, roots @ roots.transpose(0, 2, 1), walls, walls, none, none)
    total, found = 0.0, np.zeros((3, 3))
    for row in (0, 2, 3):
        for step in np.sqrt(3.0) * np.vstack([roots[row].T, -roots[row].T]):
            away = means[row] + step - means[0]
            found += weights[row] / 6.0 * np.outer(away, away)
        total += weights[row]
    assert _second_moment(poses) == pytest.approx(found / total)


def test_what_meets_no_wall_or_has_no_weight_is_no_exit() -> None:
    """Of four ends two are carried to the wall, to where numpy's ray by its length ends."""
    generator = np.random.default_rng(3)
    means = np.column_stack([generator.uniform(6.0, 8.0, (4, 2)), np.full(4, -1.5)])
    lengths = np.array([1.1, 0.7, 1.9, 1.3])
    after = np.array([0, 2, 1, 3])
    carried = np.array([-1, 0, 0, 0]), lengths, np.zeros(4), np.zeros(4), after
    weights = np.array([0.3, 0.4, 0.0, 0.3])
    spreads = np.tile(np.diag([0.02, 0.02, 1e-3]), (4, 1, 1))
    found = _at_wall(weights, means, spreads, carried, corner_site().building)
    ahead = np.array([np.cos(-1.5), np.sin(-1.5)])
    kept = [1, 3]
    assert found.marks_after.tolist() == [2, 3]
    assert found.means[:, :2] == pytest.approx(means[kept, :2] + lengths[kept, None] * ahead)
    assert found.weights / found.weights.sum() == pytest.approx([0.4 / 0.7, 0.3 / 0.7])


def test_an_end_is_held_to_the_wall_that_shapely_has_nearest() -> None:
    """Ends alike in every direction move square off the nearest side of a house in an L."""
    ring = np.array([[0.0, 0.0], [8.0, 1.0], [7.5, 5.0], [4.0, 4.5], [3.6, 9.0], [-1.0, 8.4]])
    building = replace(corner_site().building, vertices=ring, outline_sd_m=0.01)
    house = shapely.Polygon(ring)
    generator = np.random.default_rng(6)
    places = generator.uniform(-1.0, 9.0, (300, 2))
    near = shapely.distance(house.exterior, shapely.points(places)) < 0.3
    within = shapely.contains_xy(house, *places.T)
    means = np.column_stack([places, np.full(300, 0.3)])[near & within]
    count = len(means)
    held, _, moved, _ = _held_inside(
        np.full(count, 1.0 / count), means, np.tile(0.2**2 * np.eye(3), (count, 1, 1)), building
    )
    assert held.all()
    met = set()
    for before, after in zip(means, moved, strict=True):
        sides = [shapely.LineString(ring[[i, (i + 1) % 6]]) for i in range(6)]
        gaps = [side.distance(shapely.Point(before[:2])) for side in sides]
        side = int(np.argmin(gaps))
        edge = complex(*(ring[(side + 1) % 6] - ring[side]))
        inward = 1j * edge / abs(edge)
        step = complex(*(after - before)[:2]) / inward
        assert step.real > 0
        assert step.imag == pytest.approx(0.0, abs=1e-9)
        met.add(side)
    assert len(met) == 6


@pytest.mark.parametrize(("share", "told"), [(0.2, True), (0.05, False)])
def test_a_likely_way_of_wide_direction_is_told(share: float, told: bool) -> None:
    """30° of one that counts, beside one of 1°; the widest direction is said, at most 90°."""
    (one,) = front_exit().mixture
    vague = replace(one, weight=share, covariance=np.diag([1e-4, 1e-4, np.radians(30.0) ** 2]))
    mixed = replace(front_exit(), components=(replace(one, weight=1.0 - share), vague))
    found = {n.code: str(n) for n in exit_notices(mixed, corner_site(), inside=True)}
    assert ("exit-weakly-held" in found) == told
    assert not told or "30°" in found["exit-weakly-held"]
