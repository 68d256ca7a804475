"""Rules for ties: at what precision numbers decide, are handed on and are written.

The last bit of a computed number differs between processors (vector units, BLAS kernels, the C
library's functions), so that no decision may hang on it. Three rules:

1. **What is handed on lies on a lattice** (:func:`on_lattice`), whose steps are powers of two.
   Such numbers are held exactly, and so are their sums, differences and most products, in any
   order: what is equal by construction is equal to the bit. A lattice is far finer than what
   its numbers mean and far coarser than rounding noise.
2. **What decides is compared in steps** (:func:`in_steps`) of what matters, 1 mm or 1e-6 in
   probability, and equals fall to a stated second key (:func:`largest`, :func:`smallest`,
   :func:`ordered`); thresholds take :func:`at_least`.
3. **What is written** is rounded to what means something (:func:`decimals`), derived from
   what lies on the lattice; probabilities still sum to exactly 1 (:func:`share_out`).

Rounding alone only moves a tie to the middle between two steps. So the middles lie where no
number falls by construction: the lattice of lengths has its middles at odd multiples of 2⁻¹⁴ m,
which no tape fraction down to 1/1024 in, no millimeter and no hundredth of a foot is (all have
odd denominators left, and come no nearer than 4e-9 m); decimal steps are rounded a
little off their middles (``OFF_MIDDLE``).
"""

from __future__ import annotations

import math
import sys

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

LENGTH_M = 2.0**-13
"""Lattice of lot coordinates and elevations: 0.122 mm, of which a tape means none."""
FINE_M = 2.0**-20
"""Lattice of standard deviations, residuals and readings: 0.00095 mm."""
ANGLE_RAD = 2.0**-19
"""Lattice of angles: 0.4 seconds of arc, 0.08 mm at 40 m."""
COVARIANCE = 2.0**-28
"""Lattice of variances (m², m rad, rad²): the square of 0.06 mm."""
RATIO = 2.0**-26
"""Lattice of slopes and other ratios near 1."""
LOG = 2.0**-22
"""Lattice of log densities and log weights: 2e-7 of a weight."""
WEIGHT = 2.0**-32
"""Unit of weights that sum to 1."""

MATTERS_M = 1e-3
"""Step in which lengths decide."""
MATTERS_P = 1e-6
"""Step in which probabilities decide, and are written."""
MATTERS_RELATIVE = 1e-9
"""Step in which costs and scores decide, relative to the largest."""
OFF_MIDDLE = 0.0173
"""How far off the middle between two steps a number is rounded up, in steps."""


def _as_numbers(values: ArrayLike) -> float | Array:
    """Return numbers as floats; one float stays, for it is rounded several times as quickly."""
    return values if isinstance(values, float) else np.asarray(values, float)


def in_steps(values: ArrayLike, step: float | Array) -> Array:
    """Return values (...) as whole numbers of steps, to compare; inf and nan stay.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    step
        Size of a step, in the unit of the values; one for each row (..., 1) may differ.

    Returns
    -------
    Array
        Values in whole steps (...), as floats.

    Examples
    --------
    >>> in_steps([0.0009995, 0.0010005, 0.0015], 0.001).tolist()
    [1.0, 1.0, 2.0]
    """
    steps = _as_numbers(values) / step
    # half a step up, and a little more, then down: a tie at the middle rounds up everywhere
    if isinstance(steps, np.ndarray):  # in place: a large array's memory costs more than its sum
        steps += 0.5 + OFF_MIDDLE
        return np.floor(steps, out=steps)
    return np.asarray(np.floor(steps + (0.5 + OFF_MIDDLE)))


def on_lattice(values: ArrayLike, step: float = LENGTH_M) -> Array:
    """Return values (...) on the nearest places of a lattice whose step is a power of two.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    step
        A power of two, in the unit of the values.

    Returns
    -------
    Array
        The nearest places (...).

    Examples
    --------
    >>> float(on_lattice(0.3048)), float(on_lattice(0.3048 + 1e-9))
    (0.3048095703125, 0.3048095703125)
    """
    places = _as_numbers(values) / step
    # plus 0.0 turns a negative zero into a plain one, which prints alike
    if isinstance(places, np.ndarray):  # in place, as above
        np.rint(places, out=places)
        places *= step
        places += 0.0
        return places
    return np.asarray(np.rint(places) * step + 0.0)


def decimals(values: ArrayLike, digits: int) -> Array:
    """Return values (...) rounded to decimals, off the middle; the doubles nearest to these.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    digits
        Number of decimals.

    Returns
    -------
    Array
        Rounded values (...).

    Examples
    --------
    >>> decimals([0.00635 - 1e-12, 0.00635, -0.00001], 4).tolist()
    [0.0064, 0.0064, 0.0]
    """
    scale = 10.0**digits
    return np.asarray(in_steps(_as_numbers(values) * scale, 1.0) / scale + 0.0)


def at_least(values: ArrayLike, threshold: ArrayLike, step: float = MATTERS_P) -> NDArray[np.bool_]:
    """Return which values reach a threshold, both counted in steps.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    threshold
        What is to be reached, a number or an array that broadcasts.
    step
        Size of a step, in the unit of the values.

    Returns
    -------
    NDArray[np.bool_]
        Mask (...) of the values that do.

    Examples
    --------
    >>> at_least([0.01 - 1e-13, 0.00999], 0.01).tolist()
    [True, False]
    """
    return np.asarray(in_steps(values, step) >= in_steps(threshold, step))


def ordered(values: ArrayLike, step: float, *then: ArrayLike, descending: bool = False) -> Indices:
    """Return the indices that sort values (n,) in steps; equals by ``then`` (n,), then by index.

    ``then`` are ascending keys, the first one first, compared as they are: whole numbers, or
    what :func:`in_steps` gives.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    *then
        Ascending further keys (n,), the first one first.
    step
        Size of a step, in the unit of the values.
    descending
        Whether the largest comes first.

    Returns
    -------
    Indices
        Indices (n,).

    Examples
    --------
    >>> ordered([2.0, 1.0, 1.0 + 1e-12], 1e-6, [0, 5, 4]).tolist()
    [2, 1, 0]
    """
    steps = in_steps(values, step)
    first = -steps if descending else steps
    # lexsort takes the last key as the first: hence the reverse order, the index last of all
    return np.lexsort((np.arange(steps.size), *(np.ravel(key) for key in then[::-1]), first))


def smallest(values: ArrayLike, step: float, *then: ArrayLike) -> int:
    """Return the index of the smallest of values (n,) in steps; equals as by :func:`ordered`.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    *then
        Ascending further keys (n,), the first one first.
    step
        Size of a step, in the unit of the values.

    Returns
    -------
    int
        Index.

    Examples
    --------
    >>> smallest([1.0 + 1e-12, 2.0, 1.0], 1e-6)
    0
    """
    steps = in_steps(values, step).ravel()
    tied = (steps == steps.min()).nonzero()[0]
    if then and tied.size > 1:
        keys = [np.ravel(key)[tied] for key in then[::-1]]
        return int(tied[np.lexsort((tied, *keys))[0]])
    return int(tied[0])


def largest(values: ArrayLike, step: float, *then: ArrayLike) -> int:
    """Return the index of the largest of values (n,) in steps; equals as by :func:`ordered`.

    Parameters
    ----------
    values
        Numbers (...), or (n,) where they are ranked.
    *then
        Ascending further keys (n,), the first one first.
    step
        Size of a step, in the unit of the values.

    Returns
    -------
    int
        Index.

    Examples
    --------
    >>> largest([0.5, 0.7, 0.7 + 1e-13], 1e-6, [0, 2, 1])
    2
    """
    return smallest(-np.asarray(values, float), step, *then)


def share_out(weights: ArrayLike, unit: float = WEIGHT) -> Array:
    """Return weights (..., n), row by row, as multiples of a unit that sum to exactly 1.

    A row of nothing but 0 stays so.

    Whole units first, what is missing by the largest remainders (Hamilton's method), of equal
    ones the first in order. 1 / unit must be a whole number. With a unit of a power of two sums
    of the result are exact; with 1e-6 they are what six decimals say.

    Parameters
    ----------
    weights
        Numbers of at least 0 (..., n).
    unit
        Step of the result; 1 / unit is whole.

    Returns
    -------
    Array
        Shares (..., n), multiples of the unit.

    Examples
    --------
    >>> share_out([1.0, 1.0, 1.0], 1e-6).tolist()
    [0.333334, 0.333333, 0.333333]
    """
    shares = np.asarray(weights, float)
    count = shares.shape[-1]
    if not count:
        return np.zeros_like(shares)
    total = shares.sum(axis=-1, keepdims=True)
    there = total > 0.0
    units = round(1.0 / unit)
    # to a 1024th of a unit: a share that is whole by construction has a remainder of 0
    scaled = on_lattice(shares / np.where(there, total, 1.0) * units, 2.0**-10)
    whole = np.floor(scaled)
    missing = np.where(there, units - whole.sum(axis=-1, keepdims=True), 0.0)
    # least of whole − scaled is the largest remainder
    order = np.argsort(whole - scaled, axis=-1, kind="stable")
    more = np.maximum(missing, 0.0)
    # in the order of remainders one unit more for the first, as many as are missing
    units_more = more // count + (np.arange(count) < more % count)
    whole += np.take_along_axis(units_more, np.argsort(order, axis=-1, kind="stable"), axis=-1)
    # the rounding to 1024ths may lift a sum past the whole by a unit: the largest gives it back
    first = np.expand_dims(np.argmax(whole, axis=-1), -1)
    whole += np.minimum(missing, 0.0) * (np.arange(count) == first)
    return np.asarray(whole / units)


def keys_of(points: ArrayLike) -> tuple[Array, Array]:
    """Return x and y (n,) of points (n, 2) in millimeters, as second and third keys of a tie."""
    steps = in_steps(np.reshape(np.asarray(points, float), (-1, 2)), MATTERS_M)
    return steps[:, 0], steps[:, 1]


def axis_angle(axis: ArrayLike) -> float:
    """Return the angle of an axis (2,), which has no sense, in (−π/2, π/2].

    >>> [round(axis_angle(axis), 6) for axis in ([0.0, -1.0], [1e-12, -1.0], [-1e-12, 1.0])]
    [1.570796, 1.570796, 1.570796]
    """
    x, y = np.asarray(axis, float)
    angle = float(np.arctan2(y, x))
    # within a hair of either end both are called +π/2, an axis having no sense
    if angle <= -np.pi / 2 + ANGLE_RAD:
        return angle + np.pi
    return angle - np.pi if angle > np.pi / 2 + ANGLE_RAD else angle


def relative_step(values: ArrayLike) -> float:
    """Return the step in which costs or scores (n,) decide: 1e-9 of the largest.

    As a power of two, so that it does not itself hang on the last bit. Never 0, however small
    the values are.

    >>> relative_step([1e-320]) > 0.0
    True
    """
    sizes = np.abs(np.asarray(values, float))
    most = float(sizes.max(initial=0.0))
    if not math.isfinite(most):
        most = float(np.max(sizes, initial=0.0, where=np.isfinite(sizes)))
    if MATTERS_RELATIVE * most < sys.float_info.min:
        return MATTERS_RELATIVE
    return 2.0 ** math.ceil(math.log2(MATTERS_RELATIVE * most) + OFF_MIDDLE)


def relative_steps(values: Array) -> Array:
    """Return the step of each row (..., 1) of costs or scores (..., n), as ``relative_step``.

    >>> relative_steps(np.array([[1.0, 3.0], [0.0, 0.0]])).ravel() == [relative_step([3.0]), 1e-9]
    array([ True,  True])
    """
    most = MATTERS_RELATIVE * np.abs(values).max(axis=-1, keepdims=True)
    powers = np.ceil(np.log2(np.maximum(most, sys.float_info.min)) + OFF_MIDDLE).astype(int)
    return np.where(most < sys.float_info.min, MATTERS_RELATIVE, np.ldexp(1.0, powers))
