"""Sampling of routes: ln Z against quadrature, and whole sites against what must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy import integrate, stats
from scipy.special import logsumexp
from scipy.stats import qmc

from sitegis.evidence import OutdoorLocate, RouteSet
from sitegis.geometry.frames import Array
from sitegis.model.results import Exit, Hypothesis, ProfileComponent, Routes
from sitegis.model.site import Main, Site
from sitegis.model.survey import Survey
from sitegis.pits.cost import may_run_in
from sitegis.routes import sample_routes
from sitegis.routes.bends import ANGLE_SHARES
from sitegis.routes.draw import DIMENSIONS, draw_heads
from sitegis.routes.fit import fit_candidates
from sitegis.routes.likelihoods import aims_for, log_likelihoods
from sitegis.routes.plan import Plan, make_plan
from sitegis.routes.terrain import prepare_terrain
from sitegis.rules.rule_set import load_rules

from .invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, front_exit

RULES = load_rules("us-ipc")
X_SD_M, ANGLE_SD_RAD = 0.4, np.radians(3.0)
EXIT_X_M, RUN_M, WINDOW_M = 7.0, 18.0, (6.2, 7.5)
LEFT_TURN_RAD = np.radians(22.5)


def survey(site: Site, exit: Exit) -> Survey:
    return Survey(site, RULES, penetration=exit)


def log_evidence(routes: Routes) -> tuple[float, float]:
    logs = routes.log_prior + sum(routes.log_likelihoods.values())
    effective = np.exp(2 * logsumexp(logs) - logsumexp(2 * logs))
    return float(logsumexp(logs) - np.log(routes.drawn)), float(
        np.sqrt(1 / effective - 1 / routes.drawn)
    )


def by_id(result: Survey) -> dict[str, Routes]:
    return {routes.hypothesis.id: routes for routes in result.routes}


def exit_at(x: float, y: float, angle_deg: float, side: str, index: int) -> Exit:
    """Return an exit like the invented one at another wall."""
    return replace(
        front_exit(),
        x_m=x,
        y_m=y,
        angle_rad=np.radians(angle_deg),
        side=side,
        wall_index=index,
        covariance=np.diag([0.1**2, 0.1**2, np.radians(1.5) ** 2]),
    )


# ------------------------------------------------------------------ ln Z against quadrature


def reduced_case(turn_rad: float, site: Site) -> tuple[Plan, Exit]:
    """Return a plan with one sequence of bends, a short main, two unknowns in the pose."""
    main = Main(
        "window",
        "First Street",
        "front",
        "street",
        np.array([[WINDOW_M[1], HOUSE_FRONT_M - RUN_M], [WINDOW_M[0], HOUSE_FRONT_M - RUN_M]]),
        np.array([-2.2, -2.2]),
        0.0,
        True,
        0.2,
        (),
        (),
    )
    profile = (ProfileComponent(1.0, np.array([-1.0, 0.02]), np.zeros((2, 2))),)
    exit = replace(
        front_exit(),
        x_m=EXIT_X_M,
        y_m=HOUSE_FRONT_M,
        angle_rad=-np.pi / 2,
        profile=profile,
        covariance=np.diag([X_SD_M**2, 0.0, ANGLE_SD_RAD**2]),
    )
    hypothesis = Hypothesis("window:direct", "window", "direct", "front", None, 1.0)
    ends_m = RULES.building_drain_beyond_wall_m
    terrain, aims = prepare_terrain(site), aims_for(site, main)
    plan = make_plan(hypothesis, main, exit, terrain, aims, drain_ends_m=ends_m)
    one = np.flatnonzero(
        (plan.sequences.counts == (turn_rad != 0))
        & np.isclose(plan.sequences.turns_rad[:, 0], turn_rad)
    )
    assert one.size == 1
    sequences = replace(plan.sequences.chosen(one), prior=np.ones(1))
    return replace(plan, sequences=sequences, rules=plan.rules[one], shares=np.ones(1)), exit


def estimate(plan: Plan, exit: Exit, site: Site, power: int = 16) -> tuple[float, float]:
    """Estimate ln Z with its standard error from the stage's own draws."""
    uniforms = qmc.Sobol(DIMENSIONS, scramble=True, seed=np.random.default_rng(5)).random(
        1 << power
    )
    fitted = fit_candidates(
        plan, draw_heads(plan, exit, uniforms, 0.01), exit, site.building, prepare_terrain(site)
    )
    # each candidate is kept or dropped for one reason, or for slant and fall together
    counted = sum(fitted.dropped.values()) + len(fitted.rows)
    together = min(fitted.dropped["tap"], fitted.dropped["fall"])
    assert 1 << power <= counted <= (1 << power) + together
    laid = RouteSet(
        site,
        plan.main,
        fitted.vertices,
        fitted.inverts_m,
        fitted.lengths_m,
        fitted.stations_m,
        plan.sequences.turns_rad[fitted.chosen],
        None,
    )
    logs = fitted.log_prior + sum(log_likelihoods(laid).values())
    effective = np.exp(2 * logsumexp(logs) - logsumexp(2 * logs))
    return float(logsumexp(logs) - power * np.log(2)), float(np.sqrt(1 / effective - 2.0**-power))


def habits(angle: Array, turn: float) -> Array:
    """Return the stated practice: square to the main (30°, 0.15); the exit has that of the wall."""
    at_main = 0.15 + 0.85 * np.exp(-0.5 * ((angle + turn) / np.radians(30)) ** 2)
    return np.asarray(at_main)


def window_share(shift: Array) -> Array:
    """Return P(exit x + shift falls in the window)."""
    law = stats.norm(EXIT_X_M, X_SD_M)
    return np.asarray(law.cdf(WINDOW_M[1] - shift) - law.cdf(WINDOW_M[0] - shift))


def test_straight_route_has_the_evidence_of_quadrature() -> None:
    """Two unknowns, one window: ln Z equals scipy's quadrature within 1e-3 and 3 se."""

    def integrand(angle: float) -> float:
        density = stats.norm.pdf(angle, 0, ANGLE_SD_RAD)
        at = np.asarray(angle)
        return float(density * habits(at, 0.0) * window_share(RUN_M * np.tan(at)))

    exact = np.log(integrate.quad(integrand, -0.4, 0.4, epsabs=1e-10, points=[0.0])[0])
    site = corner_site()
    got, se = estimate(*reduced_case(0.0, site), site)
    assert abs(got - exact) < min(3 * se, 1e-3)


def test_bent_route_has_the_evidence_of_quadrature() -> None:
    """Place, angle, length before the bend, its play: ln Z equals scipy's quadrature.

    Of bends 15 in 100 are rolled or bent pipe, 12° about the catalog's angle, the rest made, 2°:
    the play by Gauss and Hermite's nodes of each.
    """
    nodes, shares = np.polynomial.hermite_e.hermegauss(16)
    shares = shares / shares.sum()
    total = sum(
        share * each * _bent_evidence(LEFT_TURN_RAD + np.radians(sd) * node)
        for share, sd in ((0.15, 12.0), (0.85, 2.0))
        for each, node in zip(shares, nodes, strict=True)
    )
    site = corner_site()
    got, se = estimate(*reduced_case(LEFT_TURN_RAD, site), site)
    assert abs(got - np.log(total)) < 3 * se


def _bent_evidence(turn: float) -> float:
    """Return the evidence of a route that turns once by an angle."""
    angle = np.linspace(-0.3, 0.3, 201)[:, None]
    length = np.linspace(0.3, RUN_M, 1001)[None]
    law = 0.4 * stats.expon.pdf(length, 0.3, 1.0)
    law = law + 0.6 * stats.uniform.pdf(length, 0.3, RUN_M - 0.3)
    left = RUN_M - length * np.cos(angle)
    shift = length * np.sin(angle) + left * np.tan(angle + turn)
    value = law * habits(angle, turn) * window_share(shift)
    value = value * stats.norm.pdf(angle, 0, ANGLE_SD_RAD)
    value[left / np.cos(angle + turn) < 0.3] = 0.0
    value[np.broadcast_to(np.abs(angle + turn) > np.radians(75.0), value.shape)] = 0.0
    inner = integrate.simpson(value, x=length[0], axis=1)
    return float(integrate.simpson(inner, x=angle[:, 0]))


@pytest.mark.parametrize("sd_m", [0.05, 0.3])
def test_aimed_draws_have_the_evidence_of_quadrature(sd_m: float) -> None:
    """A narrow locate outdoors aims the draws; ln Z still equals scipy's quadrature."""
    point = np.array([7.3, -4.0])
    site = corner_site(evidence=(OutdoorLocate(*point, None, sd_m),))
    angle = np.linspace(-0.2, 0.2, 601)[:, None]
    # The exits that hit the window lie between two bounds, over which the rule is scaled.
    low = WINDOW_M[0] - RUN_M * np.tan(angle)
    x = low + (WINDOW_M[1] - WINDOW_M[0]) * np.linspace(0.0, 1.0, 801)[None]
    off = (point[0] - x) * np.cos(angle) + (point[1] - HOUSE_FRONT_M) * np.sin(angle)
    value = 0.95 * stats.t.pdf(off / sd_m, 4) / sd_m + 0.05 / 20.0
    value = value * habits(angle, 0.0) * stats.norm.pdf(x, EXIT_X_M, X_SD_M)
    inner = integrate.simpson(value, x=x, axis=1)
    inner = inner * stats.norm.pdf(angle[:, 0], 0, ANGLE_SD_RAD)
    exact = np.log(integrate.simpson(inner, x=angle[:, 0]))
    plan, exit = reduced_case(0.0, site)
    assert plan.aims
    got, se = estimate(plan, exit, site)
    assert abs(got - exact) < min(3 * se, 5e-3)


# ------------------------------------------------------------------------- whole sites


@pytest.fixture(scope="module")
def front() -> Survey:
    return sample_routes(survey(corner_site(), front_exit()))


def test_every_hypothesis_has_its_routes(front: Survey) -> None:
    """One block a hypothesis, `unlisted` last and without a tap, priors that sum to 1."""
    assert [r.hypothesis.id for r in front.routes][-1] == "unlisted"
    assert len(front.routes) == 10
    assert sum(r.hypothesis.prior for r in front.routes) == pytest.approx(1.0)
    assert len(by_id(front)["unlisted"].tap_stations_m) == 0


def test_routes_keep_every_hard_constraint(front: Survey) -> None:
    """Kept routes end on the main, stay in the area, miss the house and fall (shapely)."""
    site = front.site
    area = may_run_in(site).buffer(1e-6)
    shapely.prepare(area)
    house = shapely.Polygon(site.building.vertices)
    mains = {main.id: main for main in site.mains}
    for routes in front.routes:
        if not len(routes.log_prior) or routes.hypothesis.main is None:
            continue
        lines = shapely.linestrings(routes.vertices)
        line = shapely.LineString(mains[routes.hypothesis.main].line)
        taps = shapely.points(routes.vertices[:, -1])
        assert shapely.distance(line, taps).max() < 1e-6
        assert np.allclose(shapely.line_locate_point(line, taps), routes.tap_stations_m, atol=1e-6)
        assert shapely.covers(area, lines).all()
        inside = shapely.length(shapely.intersection(house, lines))
        # The exit's own place is uncertain by centimeters across the wall.
        assert inside.max() < 0.15
        assert (np.diff(routes.inverts_m, axis=1) <= 1e-12).all()
        assert (routes.arrivals_m >= 0).all()
        assert np.allclose(shapely.length(lines), routes.lengths_m)


def test_routes_meet_a_main_with_a_jog_once() -> None:
    """A lateral ends where it first meets its main (shapely finds no earlier crossing)."""
    site = corner_site()
    jog = np.array([[40.0, -12.0], [7.5, -12.0], [7.5, -9.0], [-30.0, -9.0]])
    main = replace(site.mains[0], line=jog, inverts_m=np.array([-2.5, -2.6, -2.61, -2.8]))
    result = sample_routes(survey(replace(site, mains=(main,)), front_exit()))
    lines = shapely.linestrings(by_id(result)[f"{main.id}:direct"].vertices)
    met = shapely.intersection(lines, shapely.LineString(jog))
    assert len(lines) > 1000
    assert shapely.get_num_geometries(met).max() == 1


def test_bends_are_about_the_catalogs(front: Survey) -> None:
    """Three bends at most; five in six are within three sd of made ones (2°) of a catalog angle.

    Of drawn ones 85 in 100 are made; a rolled or bent one may by chance lie as near.
    """
    near = total = 0
    for routes in front.routes:
        steps = np.diff(routes.vertices, axis=1)
        angles = np.arctan2(steps[..., 1], steps[..., 0])
        real = np.hypot(steps[..., 0], steps[..., 1]) > 1e-9
        turns = np.degrees(np.abs((np.diff(angles, axis=1) + np.pi) % (2 * np.pi) - np.pi))
        bends = turns[real[:, 1:]]
        gaps = np.abs(bends[:, None] - np.array(list(ANGLE_SHARES)))
        near, total = near + int((gaps.min(axis=1, initial=90.0) < 6.0).sum()), total + bends.size
    assert total > 10_000
    assert near / total > 0.85 * 0.997


def test_side_yard_routes_pass_the_yard(front: Survey) -> None:
    """A side-yard route runs at least half the wall's length between wall and lot line."""
    site = front.site
    strip = shapely.box(0.0, HOUSE_FRONT_M, HOUSE_LEFT_M, HOUSE_FRONT_M + HOUSE_DEPTH_M)
    routes = by_id(front)["alley-main:side-yard-left"]
    beside = shapely.intersection(shapely.linestrings(routes.vertices), strip)
    heights = shapely.bounds(beside)
    assert len(routes.log_prior) > 100
    assert (heights[:, 3] - heights[:, 1]).min() >= 0.5 * HOUSE_DEPTH_M - 1e-6
    outside = shapely.linestrings(routes.vertices)
    slab = shapely.box(-50, HOUSE_FRONT_M, 50, HOUSE_FRONT_M + HOUSE_DEPTH_M)
    own = shapely.Polygon(site.lot.vertices).buffer(1e-6)
    assert shapely.covers(own, shapely.intersection(outside, slab)).all()


@pytest.mark.parametrize(
    "exit",
    [
        front_exit(),
        exit_at(HOUSE_LEFT_M, 10.0, 180.0, "left", 3),
        exit_at(6.5, HOUSE_FRONT_M + HOUSE_DEPTH_M, 90.0, "rear", 2),
    ],
    ids=["front", "left", "rear"],
)
def test_sampling_reaches_its_aims(exit: Exit) -> None:
    """Every way with a share worth naming has 400 effective samples and an se of 0.05."""
    got = [r for r in sample_routes(survey(corner_site(), exit)).routes if len(r.log_prior)]
    shares = np.array([log_evidence(r)[0] + np.log(r.hypothesis.prior) for r in got])
    shares = np.exp(shares - logsumexp(shares))
    for routes, share in zip(got, shares, strict=True):
        if share > 1e-3:
            logs = routes.log_prior
            assert np.exp(2 * logsumexp(logs) - logsumexp(2 * logs)) >= 400
            assert log_evidence(routes)[1] <= 0.05


def test_the_same_seed_gives_the_same_answer(front: Survey) -> None:
    """Two runs agree to the last bit; another seed draws other routes."""
    again = by_id(sample_routes(survey(corner_site(), front_exit())))
    other = by_id(sample_routes(survey(replace(corner_site(), seed=2), front_exit())))
    for name, routes in by_id(front).items():
        assert np.array_equal(routes.vertices, again[name].vertices)
        assert np.array_equal(routes.log_prior, again[name].log_prior)
    key = "front-main:direct"
    assert not np.array_equal(by_id(front)[key].log_prior, other[key].log_prior)
    first, second = log_evidence(by_id(front)[key]), log_evidence(other[key])
    assert abs(first[0] - second[0]) < 4 * np.hypot(first[1], second[1])


def symmetric_site() -> Site:
    """Return the invented house in the middle of its lot, on mains that are symmetric too."""
    site = corner_site()
    middle = site.lot.vertices[1, 0] / 2
    width = site.building.vertices[1, 0] - site.building.vertices[0, 0]
    shift = middle - width / 2 - site.building.vertices[0, 0]
    building = replace(site.building, vertices=site.building.vertices + np.array([shift, 0.0]))
    streets = tuple(
        replace(
            s,
            row=np.column_stack(
                [np.where(s.row[:, 0] < middle, middle - 40, middle + 40), s.row[:, 1]]
            ),
        )
        for s in site.streets
        if s.side != "right"
    )
    mains = tuple(
        replace(
            m,
            line=np.array([[middle + 40, m.line[0, 1]], [middle - 40, m.line[0, 1]]]),
            inverts_m=np.full(2, m.inverts_m[0]),
        )
        for m in site.mains
        if m.side != "right"
    )
    return replace(site, building=building, streets=streets, mains=mains)


def test_left_and_right_yards_of_a_symmetric_lot_are_equal() -> None:
    """Mirror images have the same ln Z within 3 standard errors."""
    site = symmetric_site()
    middle = float(site.lot.vertices[1, 0] / 2)
    got = by_id(sample_routes(survey(site, exit_at(middle, HOUSE_FRONT_M, -90.0, "front", 0))))
    left, left_se = log_evidence(got["alley-main:side-yard-left"])
    right, right_se = log_evidence(got["alley-main:side-yard-right"])
    assert abs(left - right) < 3 * np.hypot(left_se, right_se)


def test_rear_exit_suits_the_alley() -> None:
    """A drain that leaves through the rear wall suits the alley far better than the front.

    Front and alley weigh alike for this house, and an eighth of a main's weight takes one yard,
    so that the alley is several times likelier.
    """
    site = corner_site()
    rear = exit_at(6.5, HOUSE_FRONT_M + HOUSE_DEPTH_M, 90.0, "rear", 2)
    got = by_id(sample_routes(survey(site, rear)))
    alley = log_evidence(got["alley-main:direct"])[0]
    assert alley > log_evidence(got["unlisted"])[0]

    weighed = {
        name: log_evidence(got[name])[0] + np.log(got[name].hypothesis.prior)
        for name in ("alley-main:direct", "front-main:side-yard-left")
    }
    assert weighed["alley-main:direct"] > weighed["front-main:side-yard-left"] + np.log(4.0)
    assert "pass under the house again" in got["front-main:direct"].why_none


def test_outdoor_locate_in_the_alley_makes_the_alley_dominate() -> None:
    """With the head found behind the house the alley's ways outweigh the front's."""
    site = corner_site(evidence=(OutdoorLocate(1.2, 36.0, None),))
    got = by_id(sample_routes(survey(site, exit_at(HOUSE_LEFT_M, 15.0, 180.0, "left", 3))))
    share = {
        name: log_evidence(r)[0] + np.log(r.hypothesis.prior)
        for name, r in got.items()
        if len(r.log_prior)
    }
    alley = max(value for name, value in share.items() if name.startswith("alley"))
    front = max(value for name, value in share.items() if name.startswith("front"))
    assert alley > front + 2


def test_a_narrow_locate_does_not_starve_the_sampling() -> None:
    """A locate of 5 cm in the alley still leaves 400 effective samples on the way there."""
    site = corner_site(evidence=(OutdoorLocate(1.2, 36.0, None, 0.05),))
    got = by_id(sample_routes(survey(site, exit_at(HOUSE_LEFT_M, 10.0, 180.0, "left", 3))))
    routes = got["alley-main:side-yard-left"]
    logs = routes.log_prior + routes.log_likelihoods["outdoor_locate"]
    assert np.exp(2 * logsumexp(logs) - logsumexp(2 * logs)) >= 400


def test_several_locates_do_not_starve_the_sampling() -> None:
    """Four locates along a run with one bend leave 400 effective samples on the way."""
    points = ((7.2, 4.5), (7.8, 1.3), (9.1, -2.0), (10.3, -5.1))
    site = corner_site(evidence=tuple(OutdoorLocate(x, y, 2.8) for x, y in points))
    exit = replace(front_exit(), covariance=np.diag([0.15, 0.10, 0.06]) ** 2)
    routes = by_id(sample_routes(survey(site, exit)))["front-main:direct"]
    logs = routes.log_prior + sum(routes.log_likelihoods.values())
    assert np.exp(2 * logsumexp(logs) - logsumexp(2 * logs)) >= 400


def test_a_main_above_the_drain_is_pruned_in_words() -> None:
    """A main 0.4 m above the drain's exit has no route and says that it would run uphill."""
    exit = front_exit()
    site = corner_site()
    mains = tuple(
        replace(m, inverts_m=np.full(2, exit.invert_m + 0.4), invert_sd_m=0.01)
        if m.id == "front-main"
        else m
        for m in site.mains
    )
    got = by_id(sample_routes(survey(replace(site, mains=mains), exit)))["front-main:direct"]
    assert len(got.log_prior) == 0
    assert got.why_none == "would have to fall uphill: main invert is 1' 4\" above the drain"


def test_no_mains_leave_only_the_unlisted_way() -> None:
    """Without a main on record all probability is with `unlisted`."""
    got = sample_routes(survey(replace(corner_site(), mains=()), front_exit())).routes
    assert [r.hypothesis.id for r in got] == ["unlisted"]
    assert got[0].hypothesis.prior == 1.0
