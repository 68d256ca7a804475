"""Invented routes for tests of stage ``dig``: straight from the exit to the front main or alley."""

from __future__ import annotations

import numpy as np

from sitegis.model.results import Hypothesis, Routes, ScoredHypothesis, Scores
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.routes.unlisted import unlisted_routes
from sitegis.rules.rule_set import RuleSet, load_rules
from tests.invented import corner_site, front_exit

RULES = load_rules("us-ipc")


def front_routes(count: int = 3000, *, sd_m: float = 1.5, seed: int = 3) -> Routes:
    """Straight routes from about the exit to spread taps on the front main."""
    generator, leaving = np.random.default_rng(seed), front_exit()
    start = np.stack(
        [leaving.x_m + generator.normal(0, 0.15, count), np.full(count, leaving.y_m)], axis=1
    )
    tap = np.stack([6.6 + generator.normal(0, sd_m, count), np.full(count, -10.06)], axis=1)
    return _routes(
        "front-main:direct",
        "front-main",
        "direct",
        "front",
        np.stack([start, tap], axis=1),
        generator,
    )


def alley_routes(count: int = 2000, *, seed: int = 4) -> Routes:
    """Routes that turn along the left side of the house and run to the alley main."""
    generator, leaving = np.random.default_rng(seed), front_exit()
    x_yard = 1.2 + generator.normal(0, 0.25, count)
    y_out = 6.2 + generator.normal(0, 0.3, count)
    vertices = np.empty((count, 4, 2))
    vertices[:, 0] = leaving.x_m, leaving.y_m
    vertices[:, 1] = np.stack([np.full(count, leaving.x_m - 0.1), y_out], axis=1)
    vertices[:, 2] = np.stack([x_yard, y_out], axis=1)
    vertices[:, 3] = np.stack(
        [x_yard + generator.normal(0, 0.6, count), np.full(count, 40.5)], axis=1
    )
    return _routes(
        "alley-main:side-yard-left", "alley-main", "side-yard", "rear", vertices, generator
    )


def _routes(
    identifier: str,
    main: str,
    way: str,
    toward: str,
    vertices: np.ndarray,
    generator: np.random.Generator,
) -> Routes:
    count = len(vertices)
    lengths = np.hypot(*np.moveaxis(np.diff(vertices, axis=1), -1, 0))
    along = np.concatenate([np.zeros((count, 1)), np.cumsum(lengths, axis=1)], axis=1)
    start = front_exit().invert_m + generator.normal(0, 0.05, (count, 1))
    slope = np.maximum(generator.normal(0.0177, 0.004, (count, 1)), 0.004)
    inverts = start - slope * along
    hypothesis = Hypothesis(
        identifier,
        main,
        way,
        toward,
        "left" if way == "side-yard" else None,
        0.5,  # type: ignore[arg-type]
    )
    return Routes(
        hypothesis,
        vertices,
        inverts,
        along[:, -1],
        inverts[:, -1] + 1.6,
        np.full(count, 30.0),
        np.zeros(count),
        {},
        count,
    )


def unlisted(prior: float = 0.02) -> Routes:
    """Return the hypothesis that no main on record is the right one: first straights alone."""
    hypothesis = Hypothesis("unlisted", None, "unlisted", None, None, prior)
    return unlisted_routes(hypothesis, corner_site(), front_exit())


def scored(routes: Routes, probability: float) -> ScoredHypothesis:
    """Score a hypothesis with a probability, all its routes alike in weight."""
    count = len(routes.vertices)
    return ScoredHypothesis(
        routes.hypothesis,
        probability,
        0.0,
        0.0,
        float(count),
        (),
        np.full(count, 1.0 / max(count, 1)),
        0 if routes.tap_stations_m.size else None,
    )


def survey_of(
    *weighted: tuple[Routes, float], site: Site | None = None, rules: RuleSet = RULES
) -> Survey:
    """Put routes with probabilities into a survey, the most probable first."""
    ordered = sorted(weighted, key=lambda pair: -pair[1])
    scores = Scores(tuple(scored(routes, p) for routes, p in ordered), (), ())
    return Survey(
        site or corner_site(),
        rules,
        penetration=front_exit(),
        sampled=tuple(routes for routes, _ in ordered),
        scored=scores,
    )


def two_way_survey(p_front: float = 0.7, p_alley: float = 0.28, site: Site | None = None) -> Survey:
    """Front or alley, the rest unlisted."""
    rest = 1.0 - p_front - p_alley
    return survey_of(
        (front_routes(), p_front), (alley_routes(), p_alley), (unlisted(), rest), site=site
    )
