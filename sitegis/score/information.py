"""How much a check is expected to tell: exact sums over outcomes and hypotheses."""

from __future__ import annotations

import numpy as np
from scipy.special import entr

from ..geometry.frames import Array


def entropy_bits(probabilities: Array) -> Array:
    """Return the entropy −Σ p log2 p (...) of probabilities (..., h) whose rows sum to 1.

    >>> float(entropy_bits(np.array([0.5, 0.25, 0.25])))
    1.5
    """
    return np.asarray(np.sum(entr(probabilities), axis=-1) / np.log(2.0))


def information_gain_bits(prior: Array, likelihood: Array) -> float:
    """Return the expected information gain, H(prior) − Σₒ P(o) H(posterior | o), in bits.

    ``prior`` (h,), ``likelihood`` (h, o) = P(outcome | hypothesis), rows sum to 1
    (D. V. Lindley, "On a measure of the information provided by an experiment", 1956).

    Parameters
    ----------
    prior
        Probabilities (h,).
    likelihood
        P(outcome | hypothesis) (h, o).

    Returns
    -------
    float
        Gain, bits.
    """
    joint = np.asarray(prior, float)[:, None] * np.asarray(likelihood, float)
    outcome = joint.sum(axis=0)
    # I = H(outcome) + H(hypothesis) − H(both), in natural logs
    gain = entr(outcome).sum() + entr(np.asarray(prior, float)).sum() - entr(joint).sum()
    return max(float(gain / np.log(2.0)), 0.0)
