"""Sobol' points against the reference library's, and against integrals in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import qmc

from sitegis.routes.sobol import MOST_DIMENSIONS, scrambled


@pytest.mark.parametrize("seed", [0, 1, 20, 300])
@pytest.mark.parametrize("dimensions", [1, 2, 7, MOST_DIMENSIONS])
def test_points_are_the_reference_librarys(dimensions: int, seed: int) -> None:
    """scipy.stats.qmc.Sobol, scrambled from the same generator: equal to the bit."""
    reference = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed))
    # the reference draws from a child of the generator it is given
    own = scrambled(dimensions, np.random.default_rng(seed).spawn(1)[0])
    assert np.array_equal(own.points(0, 2048), reference.random(2048))
    assert np.array_equal(own.points(2048, 4096), reference.random(4096))


def test_every_elementary_interval_holds_its_share() -> None:
    """Each dimension alone is a (0, m, 1)-net: 2^m points, one in each of 2^m equal parts."""
    points = scrambled(MOST_DIMENSIONS, np.random.default_rng(3)).points(0, 1024)
    parts = np.sort((points * 1024).astype(int), axis=0)
    assert np.array_equal(parts, np.tile(np.arange(1024)[:, None], MOST_DIMENSIONS))


def test_a_smooth_integral_converges_faster_than_random_draws() -> None:
    """∫ Π (1 + (x − ½) / j²) dx = 1: random draws miss by sd/√n, these by far less."""
    scale = 1.0 / np.arange(1, MOST_DIMENSIONS + 1) ** 2
    errors = []
    for seed in range(20):
        points = scrambled(MOST_DIMENSIONS, np.random.default_rng(seed)).points(0, 4096)
        errors.append(np.prod(1.0 + (points - 0.5) * scale, axis=1).mean() - 1.0)
    variance = math.prod(1.0 + share**2 / 12.0 for share in scale) - 1.0
    random = math.sqrt(variance / 4096)
    assert np.sqrt(np.mean(np.square(errors))) < 0.02 * random
