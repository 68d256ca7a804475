"""Neighborhoods of raster cells against scipy.ndimage."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from sitegis.numerics.raster import highest_near, lowest_near, smoothed


@pytest.mark.parametrize("reach", [1, 2, 3])
@pytest.mark.parametrize("shape", [(9, 14), (14, 9), (2, 7), (1, 1)])
def test_highest_and_lowest_are_scipys_filters(shape: tuple[int, int], reach: int) -> None:
    """Square windows, cut off at the edges (scipy's mode "nearest" adds no other values)."""
    cells = np.random.default_rng(reach).normal(size=shape)
    size = 2 * reach + 1
    expected = ndimage.maximum_filter(cells, size, mode="nearest")
    assert highest_near(cells, reach) == pytest.approx(expected, abs=0)
    expected = ndimage.minimum_filter(cells, size, mode="nearest")
    assert lowest_near(cells, reach) == pytest.approx(expected, abs=0)


@pytest.mark.parametrize("sd", [0.4, 0.8, 1.5, 2.2])
def test_smoothing_is_scipys_gaussian_filter(sd: float) -> None:
    """Cut off at three standard deviations, mirrored at the edges (scipy's mode "reflect")."""
    cells = np.random.default_rng(3).random((17, 12))
    expected = ndimage.gaussian_filter(cells, sd, mode="reflect", truncate=3.0)
    assert smoothed(cells, sd) == pytest.approx(expected)
