"""Stage ``exit``: where the drain passes the outside face of the wall, and samples of it."""

from __future__ import annotations

import numpy as np

from ._frames import Array
from ._results import Exit

__all__ = ["sample_exit"]


def sample_exit(
    exit: Exit, normals: Array, uniforms: Array, normals2: Array
) -> tuple[Array, Array, Array, Array, Array]:
    """Turn standard draws into exit poses with invert and slope.

    ``normals`` (m, 3) standard normal draws for x, y, angle; ``uniforms`` (m,) in [0, 1)
    choose the component of the profile's mixture; ``normals2`` (m, 2) standard normal draws
    for invert and slope. Each Gaussian is mean + V √λ · draw with the eigenvectors V and
    eigenvalues λ of its covariance, which also serves where the covariance is singular.
    Gives x, y (m, lot), angle (rad, lot), invert (m above slab), slope (fall per run), (m,) each.
    """
    x, y, angle = (
        np.array([exit.x_m, exit.y_m, exit.angle_rad]) + normals @ _square_root(exit.covariance).T
    ).T
    weights = np.array([component.weight for component in exit.profile])
    edges = np.cumsum(weights / weights.sum())
    chosen = np.minimum(np.searchsorted(edges, uniforms, side="right"), weights.size - 1)
    means = np.stack([component.mean for component in exit.profile])
    roots = np.stack([_square_root(component.covariance) for component in exit.profile])
    invert, slope = (means[chosen] + np.einsum("mij,mj->mi", roots[chosen], normals2)).T
    return x, y, angle, invert, slope


def _square_root(covariance: Array) -> Array:
    """Give R with R Rᵀ = covariance, for a covariance that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))
