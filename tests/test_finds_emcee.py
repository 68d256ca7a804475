"""Three whole sites after finds, against emcee on a model that is written apart.

Every listed way of a site is laid and weighed by ``tests/route_model.py`` (geometry by shapely,
densities by scipy, nothing aimed, nothing conditioned). Its prior draws are weighed for the
probability of each way; resampled, they start emcee's walkers (Foreman-Mackey et al. 2013).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import emcee
import numpy as np
import pytest

from sitegis.finds.records import Found, Missed
from sitegis.geometry.frames import Array
from sitegis.model.results import Exit
from sitegis.model.site import Evidence
from sitegis.model.survey import Survey
from sitegis.routes import sample_routes
from sitegis.routes.hypotheses import enumerate_hypotheses
from sitegis.rules.rule_set import load_rules
from sitegis.score import join_exit, score_hypotheses

from .invented import HOUSE_DEPTH_M, HOUSE_FRONT_M, HOUSE_LEFT_M, corner_site, front_exit
from .route_model import CUBE, RouteModel
from .test_routes_sample import exit_at

pytestmark = pytest.mark.statistical

RULES = load_rules("us-ipc")
FEW_DRAWS, RARE_DRAWS, STEPS, WALKERS = 3_000, 40_000, 50, 240
LEVELS = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
WORTH = 0.01
QUANTITIES = ("exit along the wall", "bearing", "invert", "tap station")


def _front() -> tuple[Exit, tuple[Evidence, ...]]:
    """Return a drain that leaves by the front, seen 4.6 m out in a pit after an empty one."""
    miss = Missed("F1", "test-pit", 7.6, 5.0, 0.05, "lot coordinates", "no", length_m=1.2,
                  width_m=0.9, dug_to_m=5.0)  # fmt: skip
    find = Found(
        "F2", "test-pit", 6.55, 3.0, 0.03, "lot coordinates", "yes", depth_to_invert_m=2.75
    )
    return front_exit(sd_m=0.25, sd_deg=3.0), (miss, find)


def _side() -> tuple[Exit, tuple[Evidence, ...]]:
    """Return one that leaves by the left wall, seen in a trench along it: two ways explain it."""
    left = exit_at(HOUSE_LEFT_M, HOUSE_FRONT_M + 0.45 * HOUSE_DEPTH_M, 180.0, "left", 3)
    find = Found(
        "F1",
        "trench",
        HOUSE_LEFT_M - 0.8,
        left.y_m + 3.0,
        0.05,
        "lot coordinates",
        "yes",
        direction_rad=np.radians(80.0),
    )
    return left, (find,)


def _bent() -> tuple[Exit, tuple[Evidence, ...]]:
    """Return a drain that leaves by the front, seen twice along a line turned right by 22°."""
    finds = tuple(
        Found(name, "test-pit", x, y, 0.1, "lot coordinates", "yes", depth_to_invert_m=depth)
        for name, x, y, depth in (("F1", 7.35, 3.95, 2.75), ("F2", 8.5, 1.18, 2.81))
    )
    return front_exit(sd_m=0.15, sd_deg=2.0), finds


DRAWS = {_front: 20_000, _side: 20_000, _bent: 120_000}


@dataclass(frozen=True)
class Walked:
    """Probabilities of the ways, their standard errors, draws (n, 4), and what they are worth.

    Walkers are drawn from weighed draws, and hardly forget them: ``effective`` counts both.
    """

    probability: dict[str, float]
    error: dict[str, float]
    values: dict[str, Array]
    effective: dict[str, float]


def models(exit: Exit, evidence: tuple[Evidence, ...]) -> dict[str, tuple[RouteModel, float]]:
    """Return the re-written model of every listed way, with its prior."""
    site = corner_site(evidence=evidence)
    mains = {main.id: main for main in site.mains}
    slope = RULES.least_slope(site.drain_diameter_m).slope
    return {
        one.id: (RouteModel(site, exit, mains[str(one.main)], one.yard_side, slope), one.prior)
        for one in enumerate_hypotheses(site)
        if one.main is not None
    }


def quantities(model: RouteModel, cube: Array, station: Array) -> Array:
    """Return what is compared (n, 4) of points of the cube."""
    laid = model.lay(cube)
    along = laid["vertices"][:, 0, 0 if model.exit.side == "front" else 1]
    return np.column_stack([along, laid["heading"], laid["invert"], station])


@cache
def walked(make: Callable[[], tuple[Exit, tuple[Evidence, ...]]]) -> Walked:
    """Weigh prior draws of every way, then walk from what is left of them."""
    generator, every = np.random.default_rng(20), models(*make())
    found = {name: _weighed(*one, FEW_DRAWS, generator) for name, one in every.items()}
    best = max(float(weights.mean()) for _, weights in found.values())
    for name, (_, weights) in found.items():
        # three thousand draws may see a hundredth of what a way is worth, of a rare one nothing
        if weights.mean() > 0.01 * WORTH * best:
            found[name] = _weighed(*every[name], DRAWS[make], generator)
        elif weights.any():
            found[name] = _weighed(*every[name], RARE_DRAWS, np.random.default_rng(21))
    z = np.array([weights.mean() for _, weights in found.values()])
    p = z / z.sum()
    own = (
        np.array([weights.std() / np.sqrt(weights.size) for _, weights in found.values()]) / z.sum()
    )
    # of p = z / Σ z, each z with its own error
    errors = np.sqrt((1.0 - 2.0 * p) * own**2 + p**2 * (own**2).sum())
    values = {
        name: _walk(every[name][0], *found[name], generator)
        for name, one in zip(found, p, strict=True)
        if one > WORTH
    }
    named = [dict(zip(found, row.tolist(), strict=True)) for row in (p, errors)]
    effective = {
        name: float(1.0 / (1.0 / WALKERS + (weights**2).sum() / weights.sum() ** 2))
        for name, (_, weights) in found.items()
        if name in values
    }
    return Walked(*named, values, effective)


def _weighed(
    model: RouteModel, prior: float, draws: int, generator: np.random.Generator
) -> tuple[Array, Array]:
    """Return prior draws of a way (n, 15), and what each weighs (n,)."""
    cube = generator.random((draws, CUBE))
    return cube, prior * np.exp(model.log_weight(cube)[0])


def _walk(model: RouteModel, cube: Array, weights: Array, generator: np.random.Generator) -> Array:
    """Walk by emcee from prior draws resampled by weight; the last place of every walker."""

    def log_weight(points: Array) -> Array:
        inside = ((points > 0.0) & (points < 1.0)).all(axis=1)
        return np.where(inside, model.log_weight(np.clip(points, 0.0, 1.0))[0], -np.inf)

    starts = cube[generator.choice(len(cube), WALKERS, p=weights / weights.sum())]
    near = np.clip(starts + generator.normal(0.0, 1e-4, starts.shape), 1e-9, 1.0 - 1e-9)
    starts = np.where(np.isfinite(log_weight(near))[:, None], near, starts)
    sampler = emcee.EnsembleSampler(
        WALKERS,
        CUBE,
        log_weight,
        vectorize=True,
        moves=[
            (emcee.moves.DEMove(), 0.6),
            (emcee.moves.DESnookerMove(), 0.1),
            (emcee.moves.StretchMove(), 0.3),
        ],
    )
    np.random.seed(11)  # emcee takes the global generator's kind of state
    sampler.random_state = np.random.get_state()
    sampler.run_mcmc(starts, STEPS, progress=False, skip_initial_state_check=True)
    last = sampler.get_last_sample().coords
    assert np.mean(sampler.acceptance_fraction) > 0.03
    return quantities(model, last, model.log_weight(last)[1])


@cache
def answered(make: Callable[[], tuple[Exit, tuple[Evidence, ...]]]) -> Survey:
    """Return the package's answer."""
    exit, evidence = make()
    site = corner_site(evidence=evidence)
    survey = sample_routes(Survey(site, RULES, penetration=exit))
    return join_exit(score_hypotheses(survey))


@pytest.mark.parametrize("make", [_front, _side, _bent])
def test_a_find_leaves_the_ways_that_emcee_starts_from(
    make: Callable[[], tuple[Exit, tuple[Evidence, ...]]],
) -> None:
    """P(way | find) of all listed ways, within four combined standard errors."""
    brute = walked(make)
    scored = {one.hypothesis.id: one for one in answered(make).scores.hypotheses}
    listed = 1.0 - scored["unlisted"].probability
    for name, p in brute.probability.items():
        ours = scored[name].probability / listed
        error = np.hypot(brute.error[name], ours * (1 - ours) * scored[name].log_evidence_se)
        assert ours == pytest.approx(p, abs=4.0 * error + 1e-4), name
    assert max(brute.error.values()) < 0.03


@pytest.mark.parametrize("make", [_front, _side, _bent])
def test_exit_and_tap_after_a_find_are_distributed_as_emcee_says(
    make: Callable[[], tuple[Exit, tuple[Evidence, ...]]],
) -> None:
    """Place, bearing and invert at the wall and the tap of each way that counts, at five levels.

    Walkers count once each, or less; ours by their effective number.
    """
    survey, brute = answered(make), walked(make)
    routes_of = {routes.hypothesis.id: routes for routes in survey.routes}
    axis = 0 if survey.exit_from_inside.side == "front" else 1
    for name, values in brute.values.items():
        routes = routes_of[name]
        (scored,) = [s for s in survey.scores.hypotheses if s.hypothesis.id == name]
        step = routes.vertices[:, 1] - routes.vertices[:, 0]
        heading = np.arctan2(step[:, 1], step[:, 0])
        middle = survey.exit_from_inside.angle_rad
        heading = middle + (heading - middle + np.pi) % (2 * np.pi) - np.pi
        ours = np.column_stack(
            [routes.vertices[:, 0, axis], heading, routes.inverts_m[:, 0], routes.tap_stations_m]
        )
        weights = scored.weights
        share = np.sum(weights**2) + 1 / brute.effective[name]
        spread = np.sqrt(LEVELS * (1 - LEVELS) * share)
        for column, words in enumerate(QUANTITIES):
            edges = np.quantile(values[:, column], LEVELS)
            below = np.array([weights[ours[:, column] < edge].sum() for edge in edges])
            assert np.all(np.abs(below - LEVELS) < 4.0 * spread), (name, words, below)


def test_the_comparison_would_see_an_answer_without_the_find() -> None:
    """The same levels, held against the answer that does not know of the find, are far off."""
    exit, _ = _front()
    survey = sample_routes(Survey(corner_site(), RULES, penetration=exit))
    (routes,) = [r for r in survey.routes if r.hypothesis.id == "front-main:direct"]
    weights = np.exp(routes.log_prior - routes.log_prior.max())
    weights = weights / weights.sum()
    values = walked(_front).values["front-main:direct"]
    edges = np.quantile(values[:, 0], LEVELS)
    below = np.array([weights[routes.vertices[:, 0, 0] < edge].sum() for edge in edges])
    spread = np.sqrt(LEVELS * (1 - LEVELS) * (np.sum(weights**2) + 1 / WALKERS))
    assert np.any(np.abs(below - LEVELS) > 8.0 * spread)
