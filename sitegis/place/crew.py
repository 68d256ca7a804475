"""The crew's noise: the tape's from the network, the locator's once the drain tells it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Array
from ..model.results import PlacedPoint, Placement
from ..numerics.noise_scale import PRIOR_MEDIAN, NoiseScale, scale_of_squares
from ..numerics.statistics import ellipse
from .blunders import Cleaned
from .network import Network

TAPED_KINDS = frozenset({"offset-x", "offset-y", "distance", "wall"})
"""Observations read from a tape; poses and corners are what is known of room and building."""


def learn_tape(network: Network, cleaned: Cleaned) -> NoiseScale:
    """Learn the scale of the tape's noise from its residuals v: Σ (v/σ)² on Σ redundancy.

    That is one step of the variance components after Foerstner, with a prior (from memory).

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    cleaned
        Adjusted network without the observations taken out.

    Returns
    -------
    NoiseScale
        Scale of the tape's noise.
    """
    taped = _taped(network, cleaned)
    # Σv²/σ² has the expectation s² Σr where the true spread is s times the stated one
    square = float(np.sum(cleaned.solution.whitened[taped] ** 2))
    return scale_of_squares("tape", square, float(np.sum(cleaned.reliability.redundancy[taped])))


def taped_part(network: Network, cleaned: Cleaned) -> Array:
    """Return what the tape's noise adds to the covariance of the unknowns: G Gᵀ, G = N⁻¹ Aᵀ P½.

    Parameters
    ----------
    network
        Nodes, poses and observations of the site.
    cleaned
        Adjusted network without the observations taken out.

    Returns
    -------
    Array
        Covariance (size, size).
    """
    # errors e of the tape move the unknowns by N⁻¹ Aᵀ e (rows whitened): their covariance is G Gᵀ
    gain = cleaned.reliability.covariance @ cleaned.solution.design[_taped(network, cleaned)].T
    return np.asarray(gain @ gain.T)


def _taped(network: Network, cleaned: Cleaned) -> NDArray[np.bool_]:
    return np.array([network.observations[i].kind in TAPED_KINDS for i in cleaned.kept], dtype=bool)


def tape_square(tape: NoiseScale) -> float:
    """Return the factor on the tape's variance: never below 1, and 1 where nothing was learned."""
    # a few ties that happen to agree make no tape better than its stated accuracy
    return max(1.0, (tape.median / PRIOR_MEDIAN) ** 2)


def with_locator_scale(placement: Placement, square: float) -> Placement:
    """Return a placement with the locator's variance times ``square``, whatever it was before.

    Parameters
    ----------
    placement
        Points placed in the lot, with their covariance.
    square
        Factor on the variance.

    Returns
    -------
    Placement
        The placement, its covariances renewed.
    """
    mark = placement.mark_covariance_m2
    # what is not tape and building is the locator's, and grows with its scale alone
    locator = (placement.covariance_m2 - mark) * (square / placement.locator_square)
    total = mark + locator
    points = tuple(
        _resized(point, total[2 * i : 2 * i + 2, 2 * i : 2 * i + 2])
        for i, point in enumerate(placement.points)
    )
    return replace(placement, points=points, covariance_m2=total, locator_square=square)


def _resized(point: PlacedPoint, covariance: Array) -> PlacedPoint:
    major, minor, angle = ellipse(covariance)
    return replace(point, sd_major_m=major, sd_minor_m=minor, major_angle_rad=angle)
