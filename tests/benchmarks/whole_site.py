"""ln Z of three whole site hypotheses: stage ``routes`` against dynesty, and plain Monte Carlo.

Run as ``python -m tests.benchmarks.whole_site``. The model that dynesty and the Monte Carlo see is
``tests/route_model.py``, written again from the description; the stage has its own drawing,
aiming, constraints, kernel and likelihoods. Both errors are combined.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import dynesty
import numpy as np

from sitegis.evidence import OutdoorLocate, TapRecord
from sitegis.model.site import Side
from sitegis.model.survey import Survey
from sitegis.routes import sample_routes
from sitegis.rules.rule_set import load_rules
from tests.invented import (
    HOUSE_DEPTH_M,
    HOUSE_FRONT_M,
    HOUSE_LEFT_M,
    corner_site,
    front_exit,
)
from tests.route_model import CUBE, RouteModel
from tests.test_routes_sample import by_id, exit_at, log_evidence

from .heading import heading

RULES = load_rules("us-ipc")
LIVE = 400
NOWHERE = -1e10


def cases() -> dict[str, RouteModel]:
    """Return three hypotheses by name: direct with a locate, direct with a record, a yard run."""
    front, rear = front_exit(), exit_at(6.5, HOUSE_FRONT_M + HOUSE_DEPTH_M, 90.0, "rear", 2)
    front = replace(front, covariance=np.diag([0.15, 0.05, np.radians(1.5)]) ** 2)
    left = exit_at(HOUSE_LEFT_M, HOUSE_FRONT_M + 0.45 * HOUSE_DEPTH_M, 180.0, "left", 3)
    record = TapRecord("alley-main", "alley-main-MH0", 27.5)
    return {
        "front-main:direct": _model("front-main", front, None, OutdoorLocate(7.1, -4.0, 3.1)),
        "alley-main:direct": _model("alley-main", rear, None, record),
        "alley-main:side-yard-left": _model("alley-main", left, "left"),
    }


def _model(main_id: str, exit: object, yard: Side | None, *evidence: object) -> RouteModel:
    site = corner_site(evidence=evidence)  # type: ignore[arg-type]
    main = next(m for m in site.mains if m.id == main_id)
    return RouteModel(site, exit, main, yard, RULES.least_slope(site.drain_diameter_m).slope)  # type: ignore[arg-type]


def ours(model: RouteModel, name: str) -> tuple[float, float]:
    """Return ln Z and its standard error from stage ``routes``."""
    return log_evidence(
        by_id(sample_routes(Survey(model.site, RULES, penetration=model.exit)))[name]
    )


def nested(
    model: RouteModel, *, live: int, seed: int, dlogz: float = 0.1, walks: int = 25
) -> tuple[float, float, int]:
    """Run dynesty: ln Z, its own error and the number of calls.

    Where no route can be, ln of the weight is ``NOWHERE``: dynesty counts such a plateau.
    """
    sampler = dynesty.NestedSampler(
        lambda cube: max(float(model.log_weight(cube)[0][0]), NOWHERE),
        lambda cube: cube,
        CUBE,
        nlive=live,
        sample="rwalk",
        walks=walks,
        rstate=np.random.default_rng(seed),
    )
    sampler.run_nested(dlogz=dlogz, print_progress=False)
    found = sampler.results
    return float(found.logz[-1]), float(found.logzerr[-1]), int(np.sum(found.ncall))


def monte_carlo(model: RouteModel, *, draws: int, seed: int) -> tuple[float, float]:
    """Return ln Z and its standard error from plain random points of the cube."""
    generator = np.random.default_rng(seed)
    values = np.exp(
        np.concatenate(
            [
                model.log_weight(generator.random((min(draws, 20_000), CUBE)))[0]
                for _ in range(max(draws // 20_000, 1))
            ]
        )
    )
    return float(np.log(values.mean())), float(values.std() / values.mean() / np.sqrt(values.size))


def main(runs: int) -> None:
    """Write all sides."""
    sys.stdout.write(
        f"dynesty {dynesty.__version__}, {LIVE} live points, random walks, {runs} seeds; plain\n"
        "Monte Carlo of 400000 draws of the same model. z: difference over combined error.\n"
        f"{'hypothesis':28s}{'stage':>8s}{'se':>7s}{'s':>6s} |{'dynesty':>9s}{'error':>7s}"
        f"{'calls':>8s}{'s':>6s}{'z':>7s} |{'plain':>8s}{'se':>7s}{'z':>7s}\n"
    )
    for name, model in cases().items():
        start = time.process_time()
        got, se = ours(model, name)
        own_s = time.process_time() - start
        plain, plain_se = monte_carlo(model, draws=400_000, seed=3)
        plain_z = (got - plain) / np.hypot(se, plain_se)
        for seed in range(runs):
            start = time.process_time()
            value, error, calls = nested(model, live=LIVE, seed=seed)
            seconds = time.process_time() - start
            z = (got - value) / np.hypot(se, error)
            sys.stdout.write(
                f"{name:28s}{got:8.3f}{se:7.3f}{own_s:6.2f} |{value:9.3f}{error:7.3f}{calls:8d}"
                f"{seconds:6.0f}{z:7.2f} |{plain:8.3f}{plain_se:7.3f}{plain_z:7.2f}\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    sys.stdout.write(heading("seeds: 0, 1, … for dynesty, 3 for Monte Carlo"))
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
