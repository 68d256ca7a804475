"""Scrambled Sobol' points, exact on any processor: whole numbers throughout.

A reference library has them too, but takes longer to import than a run takes to compute.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..late_dataclass import dataclass

# 2⁻³⁰ of the unit interval, exact in double precision, and far more points than are ever drawn
BITS = 30
# Degree s, coefficients a and first direction numbers m of the dimensions after the first:
# S. Joe and F. Y. Kuo, SIAM J. Sci. Comput. 30 (2008) 2635, their table new-joe-kuo-6.21201.
_PRIMITIVES = (
    (1, 0, (1,)),
    (2, 1, (1, 3)),
    (3, 1, (1, 3, 1)),
    (3, 2, (1, 1, 1)),
    (4, 1, (1, 1, 3, 3)),
    (4, 4, (1, 3, 5, 13)),
    (5, 2, (1, 1, 5, 5, 17)),
    (5, 4, (1, 1, 5, 5, 5)),
    (5, 7, (1, 1, 7, 11, 19)),
    (5, 11, (1, 1, 5, 1, 1)),
    (5, 13, (1, 1, 1, 3, 11)),
    (5, 14, (1, 3, 5, 5, 31)),
    (6, 1, (1, 3, 3, 9, 7, 49)),
    (6, 13, (1, 1, 1, 15, 21, 21)),
)
MOST_DIMENSIONS = len(_PRIMITIVES) + 1
_LOW = np.uint32(64)  # low bits of a point's number and one more, taken apart from the rest


@dataclass(frozen=True, slots=True)
class Sobol:
    """One scrambled sequence: direction numbers (BITS, d) and digital shift (d,)."""

    directions: NDArray[np.uint32]
    shift: NDArray[np.uint32]

    def points(self, first: int, number: int) -> Array:
        """Return points ``first`` to ``first + number`` of the sequence, (number, d) in [0, 1).

        Parameters
        ----------
        first
            Index of the first point.
        number
            How many.

        Returns
        -------
        Array
            Points (number, d).
        """
        index = np.arange(first, first + number, dtype=np.uint32)
        # a point is the exclusive or of what the low and the high bits of its number give
        low, high = index & (_LOW - 1), index // _LOW
        least = int(high.min(initial=0))
        highs = np.arange(least, int(high.max(initial=0)) + 1, dtype=np.uint32) * _LOW
        drawn = self._turned(np.arange(_LOW, dtype=np.uint32))[low]
        drawn ^= (self._turned(highs) ^ self.shift)[high - least]
        return np.asarray(drawn * 2.0**-BITS)

    def _turned(self, index: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """Return the exclusive or (number, d) of the directions of each index (number,)."""
        # Gray code order: the same points, each one exclusive or away from the one before
        gray = index ^ (index >> np.uint32(1))
        turned = np.zeros((index.size, len(self.shift)), np.uint32)
        for bit in range(int(gray.max(initial=0)).bit_length()):
            turned ^= (gray >> np.uint32(bit) & np.uint32(1))[:, None] * self.directions[bit]
        return turned


def scrambled(dimensions: int, generator: np.random.Generator) -> Sobol:
    """Return a Sobol' sequence of up to 15 dimensions, scrambled by a generator.

    The scrambling is a random lower triangular matrix over the digits and a digital shift
    (J. Matoušek, J. Complexity 14 (1998) 527).

    Parameters
    ----------
    dimensions
        Number of dimensions d.
    generator
        Source of the scrambling.

    Returns
    -------
    Sobol
        The sequence.
    """
    place = np.uint32(1) << np.arange(BITS, dtype=np.uint32)
    shift = generator.integers(2, size=(dimensions, BITS), dtype=np.uint32) @ place
    matrices = generator.integers(2, size=(dimensions, BITS, BITS), dtype=np.uint32)
    # lower triangular with ones on the diagonal over GF(2): it keeps the net's evenness
    lower = np.tril(matrices, -1) + np.eye(BITS)
    # sums of at most BITS ones: exact in floats, which are quicker
    mixed = (_digits(dimensions) @ lower.transpose(0, 2, 1)).astype(np.uint32) & np.uint32(1)
    return Sobol(np.ascontiguousarray((mixed @ place[::-1]).T), shift)


@cache
def _digits(dimensions: int) -> Array:
    """Return the digits (d, BITS, digits) of direction numbers, the first after the point first."""
    numbers = np.array([_direction_numbers(axis) for axis in range(dimensions)], np.uint32)
    places = np.arange(BITS, dtype=np.uint32)[::-1]
    return (numbers[:, :, None] >> places & np.uint32(1)).astype(float)


def _direction_numbers(axis: int) -> list[int]:
    """Return the BITS direction numbers of one dimension, each scaled by 2**BITS."""
    if axis == 0:
        # the first dimension is the van der Corput sequence
        return [1 << (BITS - 1 - bit) for bit in range(BITS)]
    degree, coefficients, first = _PRIMITIVES[axis - 1]
    numbers = [m << (BITS - 1 - bit) for bit, m in enumerate(first)]
    for bit in range(degree, BITS):
        # recurrence of the primitive polynomial, Bratley and Fox 1988 (from memory)
        value = numbers[bit - degree] ^ (numbers[bit - degree] >> degree)
        for back in range(1, degree):
            if coefficients >> (degree - 1 - back) & 1:
                value ^= numbers[bit - back]
        numbers.append(value)
    return numbers
