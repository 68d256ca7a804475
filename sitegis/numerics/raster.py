"""Neighborhoods of raster cells.

A reference library has them too, but takes longer to import than they take to compute.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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


def boxes_of(marked: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return boxes (k, 4) that hold the marked cells (rows, columns) together, none twice.

    Least column and row, and those past the last. One for each run of marked cells in a row, and
    for all rows one after another with the same run.

    >>> boxes_of(np.array([[1, 1, 0], [1, 1, 0], [0, 1, 1]], bool)).tolist()
    [[0, 0, 2, 2], [1, 2, 3, 3]]
    """
    wide = np.zeros((marked.shape[0], marked.shape[1] + 2), bool)
    wide[:, 1:-1] = marked
    # in every row a run begins and ends by turns
    row, column = np.nonzero(wide[:, 1:] != wide[:, :-1])
    row, first, past = row[::2], column[::2], column[1::2]
    order = np.lexsort((row, past, first))
    row, first, past = row[order], first[order], past[order]
    begins = np.ones(row.size, bool)
    begins[1:] = (np.diff(first) != 0) | (np.diff(past) != 0) | (np.diff(row) != 1)
    last = np.roll(begins, -1)
    return np.stack([first[begins], row[begins], past[begins], row[last] + 1], axis=1)
