"""Whole site hypotheses against dynesty, plain Monte Carlo and emcee, on a model written again.

``tests/route_model.py`` says what is shared with the package; the benchmark ``whole_site`` runs the
same comparison at length.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import emcee
import numpy as np
import pytest
from scipy.stats import energy_distance, qmc

from sitegis.evidence import RouteSet
from sitegis.geometry.frames import Array
from sitegis.model.results import Routes
from sitegis.model.survey import Survey
from sitegis.routes import sample_routes
from sitegis.routes.draw import DIMENSIONS, draw_heads
from sitegis.routes.fit import fit_candidates
from sitegis.routes.hypotheses import enumerate_hypotheses
from sitegis.routes.likelihoods import aims_for, log_likelihoods
from sitegis.routes.plan import make_plan
from sitegis.routes.terrain import prepare_terrain

from .benchmarks.whole_site import RULES, cases, monte_carlo, nested
from .route_model import CUBE, RouteModel
from .test_routes_sample import by_id, log_evidence

NAMES = ("front-main:direct", "alley-main:direct", "alley-main:side-yard-left")
WALKERS = 300
LEVELS = np.array([0.05, 0.25, 0.5, 0.75, 0.95])


@lru_cache(maxsize=3)
def sampled(name: str) -> tuple[RouteModel, Routes]:
    """Sample one hypothesis by the stage, once for all tests of this module."""
    model = cases()[name]
    return model, by_id(sample_routes(Survey(model.site, RULES, penetration=model.exit)))[name]


@pytest.mark.parametrize("name", NAMES)
def test_evidence_agrees_with_plain_monte_carlo(name: str) -> None:
    """ln Z agrees with random points of the re-written model within 4 combined errors."""
    model, routes = sampled(name)
    got, se = log_evidence(routes)
    value, error = monte_carlo(model, draws=8_000, seed=5)
    assert abs(got - value) < 4 * np.hypot(se, error)


def test_evidence_agrees_with_dynesty() -> None:
    """ln Z of a run in the side yard agrees with a short nested run within 3 combined errors."""
    model, routes = sampled("alley-main:side-yard-left")
    got, se = log_evidence(routes)
    value, error, _ = nested(model, live=50, seed=1, dlogz=0.5, walks=12)
    assert error < 0.4
    assert abs(got - value) < 3 * np.hypot(se, error)


def drawn_with(turn_deg: float) -> tuple[RouteModel, Array, Array]:
    """Return the stage's own draws with one sequence of bends: the model, tap stations, weights."""
    name = "front-main:direct"
    model = cases()[name]
    site, terrain = model.site, prepare_terrain(model.site)
    (way,) = [one for one in enumerate_hypotheses(site) if one.id == name]
    ends_m, aims = RULES.building_drain_beyond_wall_m, aims_for(site, model.main)
    plan = make_plan(way, model.main, model.exit, terrain, aims, drain_ends_m=ends_m)
    one = np.flatnonzero(
        (plan.sequences.counts == (turn_deg != 0.0))
        & np.isclose(plan.sequences.turns_rad[:, 0], np.radians(turn_deg))
    )
    laws = replace(plan.sequences.chosen(one), prior=np.ones(1))
    plan = replace(plan, sequences=laws, rules=plan.rules[one], shares=np.ones(1))
    points = qmc.Sobol(DIMENSIONS, rng=np.random.default_rng(5)).random(1 << 13)
    heads = draw_heads(plan, model.exit, points, model.least_slope)
    fitted = fit_candidates(plan, heads, model.exit, site.building, terrain)
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
    weights = np.exp(logs - logs.max())
    return model, fitted.stations_m, weights / weights.sum()


@pytest.mark.parametrize("turn_deg", [0.0, -11.25])
def test_taps_are_distributed_as_emcee_says(turn_deg: float) -> None:
    """Given the bends, tap stations have emcee's quantiles and energy distance up to chance.

    emcee walks over pose, levels, the main's error, the bend's length and play; each walker
    counts once, however long it walks, and the stage's samples by their effective number.
    """
    model, stations, weights = drawn_with(turn_deg)
    walked = walk(model, np.radians(turn_deg))
    own = 1.0 / np.sum(weights**2)
    below = np.array([weights[stations < q].sum() for q in np.quantile(walked, LEVELS)])
    spread = np.sqrt(LEVELS * (1 - LEVELS) * (1 / own + 1 / WALKERS))
    assert np.all(np.abs(below - LEVELS) < 4 * spread)

    generator = np.random.default_rng(4)
    size = int(min(own, WALKERS))
    few = generator.choice(walked, size, replace=False)
    distance = energy_distance(few, stations, None, weights)
    probability = [
        energy_distance(generator.choice(stations, size, p=weights), stations, None, weights)
        for _ in range(200)
    ]
    assert distance < 1.5 * max(probability)


def walk(model: RouteModel, turn: float) -> Array:
    """Walk over one sequence of bends with emcee and give the tap stations."""
    turns, counts, prior = model.sequences
    index = int(np.argmin(np.abs(turns.sum(axis=1) - turn) + 9.0 * (counts != (turn != 0.0))))
    middle = float(np.cumsum(prior)[index] - 0.5 * prior[index])
    free = [0, 1, 2, 3, 4, 5, 6, 7, *([9, 12] if turn else [])]

    def log_weight(points: Array) -> tuple[Array, Array]:
        cube = np.full((len(points), CUBE), 0.5)
        cube[:, free], cube[:, 8] = np.clip(points, 0.0, 1.0), middle
        value, station = model.log_weight(cube)
        inside = ((points > 0.0) & (points < 1.0)).all(axis=1)
        return np.where(inside, value, -np.inf), station

    def with_station(points: Array) -> list[tuple[float, float]]:
        return list(zip(*(a.tolist() for a in log_weight(points)), strict=True))

    generator = np.random.default_rng(8)
    drawn = generator.random((6000, len(free)))
    weights = np.exp(log_weight(drawn)[0])
    starts = drawn[generator.choice(len(drawn), WALKERS, p=weights / weights.sum())]
    starts = np.clip(starts + generator.normal(0.0, 1e-4, starts.shape), 1e-9, 1.0 - 1e-9)
    sampler = emcee.EnsembleSampler(
        len(starts),
        len(free),
        with_station,
        vectorize=True,
        blobs_dtype=[("station", float)],
        moves=[(emcee.moves.DEMove(), 0.7), (emcee.moves.StretchMove(), 0.3)],
    )
    # emcee draws from the global generator's kind of state.
    np.random.seed(11)
    sampler.random_state = np.random.get_state()
    sampler.run_mcmc(starts, 100, progress=False)
    return sampler.get_blobs(discard=60)["station"].ravel()
