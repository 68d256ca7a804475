"""Compare ln Z by importance sampling with dynesty's, both against the closed form.

Run: ``python -m tests.benchmarks.scoring [repeats of dynesty]``. One process, one thread.

The problem is what a route sample faces, made linear so that the truth is known: three
parameters (offset of the exit 0.15 m, its heading 1.5°, a bend 3°, all Gaussian), and three
readings (3 m, 8 m and 18 m out) with Gaussian noise. Each hypothesis expects other readings.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import dynesty
import numpy as np
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm, qmc

from sitegis.numerics.statistics import estimate_log_evidence

from .heading import heading

Array = NDArray[np.float64]

PRIOR_SD = np.array([0.15, np.radians(1.5), np.radians(3.0)])
DESIGN = np.array([[1.0, 3.0, 0.0], [1.0, 8.0, 5.0], [1.0, 18.0, 15.0]])
NOISE_SD = np.array([0.25, 0.25, 0.60])
READINGS = {
    "as expected": np.array([0.05, 0.20, 0.40]),
    "somewhat off": np.array([0.40, 0.70, 1.20]),
    "far off": np.array([0.80, 1.60, 2.50]),
    "at odds": np.array([-0.50, 0.50, -1.50]),
}
FIRST_POWER, LAST_POWER = 12, 16
OWN_REPEATS = 50


@dataclass(frozen=True)
class Result:
    """ln Z, its own error estimate, and the seconds it took."""

    log_z: float
    log_z_se: float
    seconds: float
    calls: int


def log_likelihood(parameters: Array, readings: Array) -> Array:
    """Log likelihood for parameters (..., 3)."""
    residual = (readings - parameters @ DESIGN.T) / NOISE_SD
    return np.asarray(
        -0.5 * np.sum(residual**2, axis=-1) - np.log(NOISE_SD * np.sqrt(2 * np.pi)).sum()
    )


def closed_form(readings: Array) -> float:
    """Return ln Z = ln N(readings; 0, X S X' + noise)."""
    covariance = DESIGN @ np.diag(PRIOR_SD**2) @ DESIGN.T + np.diag(NOISE_SD**2)
    return float(multivariate_normal.logpdf(readings, cov=covariance))


def own(readings: Array, seed: int) -> Result:
    """Draw quasi-random points from the prior and sum; grow as stage ``routes`` does.

    From 2¹² points, doubled up to 2¹⁶ until 400 effective samples and a standard error of 0.05.
    """
    start = time.perf_counter()
    engine = qmc.Sobol(3, rng=np.random.default_rng(seed))
    values = log_likelihood(norm.ppf(engine.random(1 << FIRST_POWER)) * PRIOR_SD, readings)
    estimate = estimate_log_evidence(values, len(values))
    while (estimate.effective_samples < 400 or estimate.log_z_se > 0.05) and (
        len(values) < 1 << LAST_POWER
    ):
        points = norm.ppf(engine.random(len(values))) * PRIOR_SD
        values = np.concatenate([values, log_likelihood(points, readings)])
        estimate = estimate_log_evidence(values, len(values))
    return Result(estimate.log_z, estimate.log_z_se, time.perf_counter() - start, len(values))


def nested(readings: Array, seed: int) -> Result:
    """Run dynesty with 500 live points, uniform in ellipsoids without bootstrap (its fastest)."""
    start = time.perf_counter()
    sampler = dynesty.NestedSampler(
        lambda p: float(log_likelihood(p, readings)),
        lambda u: norm.ppf(u) * PRIOR_SD,
        3,
        nlive=500,
        sample="unif",
        bootstrap=0,
        rstate=np.random.default_rng(seed),
    )
    sampler.run_nested(print_progress=False)
    seconds = time.perf_counter() - start
    found = sampler.results
    return Result(
        float(found.logz[-1]), float(found.logzerr[-1]), seconds, int(np.sum(found.ncall))
    )


def root_mean_square(results: list[Result], truth: float) -> float:
    """Error against the truth."""
    return float(np.sqrt(np.mean([(r.log_z - truth) ** 2 for r in results])))


def say(line: str) -> None:
    """Write one line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main(repeats: int) -> None:
    """Write both sides and the ratio."""
    say(
        f"own: Sobol points grown from 2^{FIRST_POWER}, {OWN_REPEATS} seeds; "
        f"dynesty {dynesty.__version__}: 500 live points, {repeats} seeds; medians"
    )
    say(
        f"{'':14s} {'ln Z':>9s} | {'own rms':>8s} {'own':>6s} {'own':>6s} {'own':>7s} | "
        f"{'dynesty':>8s} {'dyn.':>6s} {'dyn.':>6s} {'dyn.':>8s} | {'time':>6s}"
    )
    say(
        f"{'hypothesis':14s} {'exact':>9s} | {'error':>8s} {'se':>6s} {'points':>6s} {'ms':>7s} | "
        f"{'rms err':>8s} {'se':>6s} {'calls':>6s} {'ms':>8s} | {'ratio':>6s}"
    )
    own(READINGS["as expected"], 0)
    ratios = []
    for name, readings in READINGS.items():
        truth = closed_form(readings)
        mine = [own(readings, seed) for seed in range(OWN_REPEATS)]
        theirs = [nested(readings, seed) for seed in range(repeats)]
        own_s = float(np.median([r.seconds for r in mine]))
        dynesty_s = float(np.median([r.seconds for r in theirs]))
        ratios.append(dynesty_s / own_s)
        say(
            f"{name:14s} {truth:9.4f} | {_columns(mine, truth)} {own_s * 1e3:7.2f} | "
            f"{_columns(theirs, truth)} {dynesty_s * 1e3:8.1f} | {ratios[-1]:6.0f}"
        )
    say(
        f"time ratio per hypothesis: least {min(ratios):.0f}, most {max(ratios):.0f} "
        "(aim: 1000 at equal or better error)"
    )


def _columns(results: list[Result], truth: float) -> str:
    """Write root mean square error, standard error and calls."""
    error = np.median([r.log_z_se for r in results])
    calls = np.median([r.calls for r in results])
    return f"{root_mean_square(results, truth):8.4f} {error:6.3f} {calls:6.0f}"


if __name__ == "__main__":
    sys.stdout.write(heading("seeds: 0, 1, … on either side"))
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
