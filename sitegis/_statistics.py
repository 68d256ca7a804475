"""Weights, quantiles and covariances: what more than one stage works out the same way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ._frames import Array

SHARE = 1e-9  # step in which shares of a weight decide


def weighted_quantiles(values: Array, weights: Array, shares: Sequence[float]) -> Array:
    """Give, for each share (s,), the least of values (..., m) with that share of the weight.

    ``weights`` (..., m) need not sum to 1; the answer is (..., s). Nan where nothing weighs.
    A weight up to a value that equals the share but for noise is that share.

    >>> weighted_quantiles(np.array([3.0, 1.0, 2.0]), np.array([1.0, 1.0, 2.0]), (0.5, 0.9))
    array([2., 3.])
    """
    values, weights = np.broadcast_arrays(values, weights)
    order = np.argsort(np.where(weights > 0.0, values, np.inf), axis=-1, kind="stable")
    values = np.take_along_axis(values, order, axis=-1)
    reached = np.cumsum(np.take_along_axis(weights, order, axis=-1), axis=-1)
    whole = reached[..., -1:]
    found = [
        np.take_along_axis(values, (reached < wanted).sum(axis=-1, keepdims=True), axis=-1)
        for wanted in (share * whole * (1 - SHARE) for share in shares)
    ]
    return np.asarray(np.where(whole > 0.0, np.concatenate(found, axis=-1), np.nan))
