"""Neighborhoods of raster cells.

A reference library has them too, but takes longer to import than they take to compute.
"""

from __future__ import annotations

import numpy as np

from ..geometry.frames import Array

REACH_SDS = 3.0
"""A smoothing kernel ends at this many standard deviations."""


def highest_near(cells: Array, reach: int) -> Array:
    """Return the highest of cells (rows, columns) within ``reach`` rows and columns of each.

    Parameters
    ----------
    cells
        Raster (rows, columns).
    reach
        Rows and columns to each side.

    Returns
    -------
    Array
        Raster of the same shape.

    Examples
    --------
    >>> highest_near(np.eye(3), 1).tolist()
    [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0], [1.0, 1.0, 1.0]]
    """
    # a square window is separable: along rows, then along columns
    for axis in (0, 1):
        lines = np.moveaxis(cells, axis, 0)
        highest = lines.copy()
        for step in range(1, reach + 1):
            np.maximum(highest[step:], lines[:-step], out=highest[step:])
            np.maximum(highest[:-step], lines[step:], out=highest[:-step])
        cells = np.moveaxis(highest, 0, axis)
    return cells


def lowest_near(cells: Array, reach: int) -> Array:
    """Return the lowest of cells (rows, columns) within ``reach`` rows and columns of each.

    Parameters
    ----------
    cells
        Raster (rows, columns).
    reach
        Rows and columns to each side.

    Returns
    -------
    Array
        Raster of the same shape.
    """
    return -highest_near(-cells, reach)


def smoothed(cells: Array, sd_cells: float) -> Array:
    """Return cells (rows, columns) smoothed by a Gaussian, mirrored at the edges.

    The kernel's steps are whole cells; it sums to 1.

    Parameters
    ----------
    cells
        Raster (rows, columns).
    sd_cells
        Standard deviation of the kernel, in cells.

    Returns
    -------
    Array
        Raster of the same shape.
    """
    reach = int(REACH_SDS * sd_cells + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sd_cells) ** 2)
    kernel /= kernel.sum()
    # a Gaussian is separable: two passes of one dimension
    for axis in (0, 1):
        lines = np.moveaxis(cells, axis, 0)
        wide = np.pad(lines, ((reach, reach), (0, 0)), mode="symmetric")
        total = sum(part * wide[at : at + len(lines)] for at, part in enumerate(kernel))
        cells = np.moveaxis(np.asarray(total), 0, axis)
    return cells
