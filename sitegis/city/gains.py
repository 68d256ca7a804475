"""What a check would tell of a lot: a look indoors, or dye at a manhole."""

from __future__ import annotations

import numpy as np
from scipy.special import entr

from ..evidence import dye
from ..evidence.kind import UNLISTED_PASSES
from ..geometry.frames import Array
from .infer import Posterior
from .layer_arrays import Pairs, Whole, unique_rows
from .routes import LotRoutes


def visit_bits(posterior: Posterior) -> Array:
    """Return what it would tell, in bits (n,), to see indoors through which wall the drain leaves.

    Mutual information of hypothesis and exit wall: H(wall) − Σ p(h) H(wall | h).
    """
    joint = posterior.probability[:, :, None] * posterior.walls
    wall = joint.sum(axis=1)
    inside = (posterior.probability * entr(posterior.walls).sum(axis=2)).sum(axis=1)
    return np.asarray(np.maximum((entr(wall).sum(axis=1) - inside) / np.log(2.0), 0.0))


def dye_bits(passes: Array, unlisted: Array) -> Array:
    """Return the bits that dye at a manhole would tell, which passes with probability ``passes``.

    Reliabilities are those of stage ``routes``: seen 9 times in 10 where it passes, 1 in 50
    where not; an unlisted way passes 1 time in 10. Information about passing or not:
    H(seen) − H(seen | passing). ``passes``, ``unlisted`` and the answer (n,).

    Parameters
    ----------
    passes
        Probability that the flow passes (n,).
    unlisted
        Probability of an unlisted way (n,).

    Returns
    -------
    Array
        Gain (n,), bits.
    """
    seen, stray = dye.DEFAULT.reliability, dye.FALSE_SEEN
    passing = passes + UNLISTED_PASSES * unlisted
    out = passing * seen + (1.0 - passing) * stray
    # entropy left once it is known whether the lateral passes
    inside = passing * _binary(np.full_like(out, seen)) + (1.0 - passing) * _binary(
        np.full_like(out, stray)
    )
    return np.maximum(_binary(out) - inside, 0.0)


def _binary(p: Array) -> Array:
    """Return the entropy of yes or no, in bits."""
    return np.asarray((entr(p) + entr(1.0 - p)) / np.log(2.0))


def pass_shares(
    pairs: Pairs, laid: LotRoutes, posterior: Posterior, below: Whole
) -> tuple[Whole, Whole, Array]:
    """Return lot, manhole and the probability that the lateral's flow passes it first, (k,) each.

    ``below`` (q, k): the first manhole down the main from each tap, -1 where none.

    Parameters
    ----------
    pairs
        Lot, side and mains that may serve it, q of them.
    laid
        Routes of every pair, by exit and shape.
    posterior
        Probabilities of every lot's ways.
    below
        First manhole down the main from each tap (q, k), −1 for none.

    Returns
    -------
    lot
        (k,).
    manhole
        (k,).
    probability
        (k,).
    """
    on = (below >= 0) & (posterior.routes > 0.0)
    lot = np.broadcast_to(pairs.lot[:, None], below.shape)[on]
    keys, inverse = unique_rows(lot, below[on])
    share = np.asarray(
        np.bincount(inverse.ravel(), posterior.routes[on], minlength=keys.shape[1]), float
    )
    return keys[0], keys[1], share
