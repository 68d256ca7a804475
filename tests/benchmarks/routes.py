"""Routes: the kernel against shapely, ln Z against quadrature, and the whole stage.

Run as ``python -m tests.benchmarks.routes``; both sides run in this one process, in turn, and
the best of several rounds counts. Times are CPU times of the process (``time.process_time``).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from time import process_time

import numpy as np
import shapely
from scipy import integrate, stats
from scipy.special import logsumexp
from scipy.stats import qmc

from sitegis.geometry.frames import Array
from sitegis.model.survey import Survey
from sitegis.pits.cost import may_run_in
from sitegis.routes import sample_routes
from sitegis.routes.draw import DIMENSIONS, draw_heads
from sitegis.routes.fit import fit_candidates
from sitegis.routes.regions import region_of_polygon, routes_cross, routes_inside
from sitegis.routes.terrain import prepare_terrain
from sitegis.rules.rule_set import load_rules
from tests.invented import HOUSE_FRONT_M, corner_site, front_exit
from tests.test_routes_sample import (
    ANGLE_SD_RAD,
    RUN_M,
    habits,
    reduced_case,
    window_share,
)

from .heading import heading

ROUTES, ONE_BY_ONE, ROUNDS = 100_000, 5_000, 5


def say(line: str) -> None:
    """Write a line of the result."""
    sys.stdout.write(line + "\n")


def best(action: Callable[[], object], rounds: int = ROUNDS) -> tuple[float, object]:
    """Return the least CPU time of some rounds, and the last result."""
    times, result = [], None
    for _ in range(rounds):
        start = process_time()
        result = action()
        times.append(process_time() - start)
    return min(times), result


def invented_routes() -> Array:
    """Return random routes from the front wall with up to three catalog bends."""
    generator = np.random.default_rng(1)
    here = np.column_stack([generator.uniform(3, 10, ROUTES), np.full(ROUTES, HOUSE_FRONT_M)])
    heading = -np.pi / 2 + generator.normal(0, 0.1, ROUTES)
    vertices = [here]
    for _ in range(4):
        step = generator.exponential(5.0, ROUTES)[:, None]
        here = here + step * np.column_stack([np.cos(heading), np.sin(heading)])
        vertices.append(here)
        turns = [-90, -45, -22.5, 0, 22.5, 45, 90]
        heading = heading + np.radians(generator.choice(turns, ROUTES))
    return np.stack(vertices, axis=1)


def compare_kernel(name: str, polygon: shapely.Polygon, routes: Array, *, inside: bool) -> None:
    """Time one predicate three ways, and check that all agree."""
    region = region_of_polygon(polygon)
    ours, got = best(lambda: (routes_inside if inside else routes_cross)(routes, region))
    shapely.prepare(polygon)
    predicate = shapely.contains_properly if inside else shapely.crosses
    whole, expected = best(lambda: predicate(polygon, shapely.linestrings(routes)))

    def one_by_one() -> list[bool]:
        method = polygon.contains_properly if inside else polygon.crosses
        return [bool(method(shapely.LineString(route))) for route in routes[:ONE_BY_ONE]]

    single, few = best(one_by_one, 2)
    single *= ROUTES / ONE_BY_ONE
    assert np.array_equal(got, expected)
    assert np.array_equal(got[:ONE_BY_ONE], few)  # type: ignore[index]
    say(f"{name}: {ROUTES} routes of 5 vertices, {len(region.starts)} edges, all answers equal")
    say(f"  kernel                                          {ours * 1e3:8.1f} ms")
    for words, seconds in (
        ("a LineString built per call ", single),
        ("LineStrings in one go", whole),
    ):
        say(
            f"  shapely, prepared, {words:29s}{seconds * 1e3:8.1f} ms   ratio {seconds / ours:6.1f}"
        )


def check_evidence() -> None:
    """Time ln Z of the two-parameter case, with its error against quadrature over 20 seeds."""
    site = corner_site()
    plan, exit = reduced_case(0.0, site)
    terrain = prepare_terrain(site)

    def integrand(angle: float) -> float:
        at = np.asarray(angle)
        density = stats.norm.pdf(angle, 0, ANGLE_SD_RAD)
        return float(density * habits(at, 0.0) * window_share(RUN_M * np.tan(at)))

    exact = np.log(integrate.quad(integrand, -0.4, 0.4, epsabs=1e-10)[0])
    say(f"ln Z of the two-parameter case against quadrature, {exact:.5f}")
    for power in (12, 14, 16):
        errors = []
        start = process_time()
        for seed in range(20):
            engine = qmc.Sobol(DIMENSIONS, scramble=True, seed=np.random.default_rng(seed))
            heads = draw_heads(plan, exit, engine.random(1 << power), 0.01)
            fitted = fit_candidates(plan, heads, exit, site.building, terrain)
            errors.append(float(logsumexp(fitted.log_prior) - power * np.log(2)) - exact)
        seconds = (process_time() - start) / 20
        error = float(np.sqrt(np.mean(np.square(errors))))
        say(f"  {1 << power:6d} draws {seconds * 1e3:8.2f} ms   rms error {error:.6f}")


def time_stage() -> None:
    """Time the whole stage on the invented corner lot."""
    survey = Survey(corner_site(), load_rules("us-ipc"), penetration=front_exit())
    seconds, result = best(lambda: sample_routes(survey), 3)
    assert isinstance(result, Survey)
    say(f"Stage routes, {len(result.routes)} hypotheses: {seconds:.2f} s (aim 0.6 s)")


if __name__ == "__main__":
    sys.stdout.write(heading("seed of the routes: 1; of the integrals: 0 to 19"))
    site = corner_site()
    routes = invented_routes()
    compare_kernel("Within lot and rights-of-way", may_run_in(site), routes, inside=True)
    house = shapely.Polygon(site.building.vertices)
    compare_kernel("Across the house's outline", house, routes, inside=False)
    check_evidence()
    time_stage()
