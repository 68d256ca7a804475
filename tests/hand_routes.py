"""Route records made by hand for the tests of stage ``score``: all invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sitegis.evidence import Evidence, RouteSet
from sitegis.model.results import Hypothesis, Routes
from sitegis.model.site import Site
from sitegis.model.survey import Survey
from sitegis.routes.likelihoods import log_likelihoods
from sitegis.routes.unlisted import unlisted_routes

from .filled import RULES
from .invented import corner_site, front_exit

FRONT = Hypothesis("front-main:direct", "front-main", "direct", "front", None, 0.55)
ALLEY = Hypothesis("alley-main:side-yard-left", "alley-main", "side-yard", "rear", "left", 0.43)
UNLISTED = Hypothesis("unlisted", None, "unlisted", None, None, 0.02)


def straight_routes(
    hypothesis: Hypothesis,
    site: Site,
    *,
    count: int = 1000,
    drawn: int = 2000,
    spread_m: float = 1.5,
    log_prior: float = 0.0,
    seed: int = 3,
) -> Routes:
    """Make two-straight routes from the exit to a main, the tap spread along it.

    `unlisted` has first straights alone; its geometry fits one time in ten.
    """
    if hypothesis.main is None:
        loose = unlisted_routes(hypothesis, site, front_exit())
        return replace(loose, log_prior=np.full(loose.drawn, np.log(0.1)))
    generator = np.random.default_rng(seed)
    main = next(m for m in site.mains if m.id == hypothesis.main)
    penetration = front_exit()
    start = np.tile([penetration.x_m, penetration.y_m], (count, 1))
    tap = np.stack([generator.normal(6.8, spread_m, count), np.full(count, main.line[0, 1])], 1)
    middle = start + np.array([0.0, -1.5])
    vertices = np.stack([start, middle, tap], axis=1)
    lengths = np.linalg.norm(np.diff(vertices, axis=1), axis=-1)
    stations = main.line[0, 0] - tap[:, 0]
    run = np.concatenate([np.zeros((count, 1)), np.cumsum(lengths, axis=1)], axis=1)
    inverts = penetration.invert_m - 0.02 * run
    laid = RouteSet(site, main, vertices, inverts, run[:, -1], stations, np.zeros((count, 1)), None)
    return Routes(
        hypothesis,
        vertices,
        inverts,
        run[:, -1],
        np.full(count, 0.4),
        stations,
        np.full(count, log_prior),
        log_likelihoods(laid),
        drawn,
    )


def hand_survey(*evidence: Evidence, sampled: tuple[Routes, ...] | None = None) -> Survey:
    """Make a survey with hand-made routes to the front main and the alley."""
    site = corner_site(evidence=evidence)
    if sampled is None:
        sampled = tuple(straight_routes(h, site) for h in (FRONT, ALLEY, UNLISTED))
    return Survey(site, RULES, penetration=front_exit(), sampled=sampled)
