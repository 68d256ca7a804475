"""Expected information gain."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays
from scipy.special import logit, softmax
from scipy.stats import entropy

from sitegis.score.posterior import entropy_bits, information_gain_bits
from sitegis.score.weighed_site import _log_odds


def test_worked_example() -> None:
    """0.503300 bit of 1.647731 (the design's sourced check values)."""
    prior, plus = np.array([0.5, 0.3, 0.15, 0.05]), np.array([0.9, 0.1, 0.1, 0.5])
    gain = information_gain_bits(prior, np.stack([plus, 1 - plus], axis=1))
    assert gain == pytest.approx(0.503300, abs=5e-7)
    assert entropy_bits(prior) == pytest.approx(1.647731, abs=5e-7)


def test_entropy_is_worked_out_row_by_row() -> None:
    """Four even chances are two bits, a certainty none (closed form), each row by itself."""
    rows = np.array([[0.25, 0.25, 0.25, 0.25], [1.0, 0.0, 0.0, 0.0]])
    assert entropy_bits(rows) == pytest.approx([2.0, 0.0])


@settings(deadline=None, max_examples=50)
@given(
    arrays(float, 4, elements=st.floats(0.01, 1.0)),
    arrays(float, (4, 3), elements=st.floats(0.01, 1.0)),
)
def test_gain_is_the_drop_of_entropy(prior: np.ndarray, likelihood: np.ndarray) -> None:
    """The gain is the mean drop of scipy's entropy, never negative, never above the prior's."""
    prior = prior / prior.sum()
    likelihood = likelihood / likelihood.sum(axis=1, keepdims=True)
    gain = information_gain_bits(prior, likelihood)
    outcome = prior @ likelihood
    after = sum(
        outcome[o] * entropy(prior * likelihood[:, o] / outcome[o], base=2) for o in range(3)
    )
    assert gain == pytest.approx(entropy(prior, base=2) - after, abs=1e-12)
    assert 0.0 <= gain <= entropy(prior, base=2) + 1e-12


def test_certain_prior_gains_nothing() -> None:
    """What is certain can't be learned."""
    assert information_gain_bits(np.array([1.0, 0.0]), np.array([[0.9, 0.1], [0.1, 0.9]])) == 0.0


def test_perfect_check_gains_all() -> None:
    """A check that tells the hypotheses apart gains the whole entropy."""
    prior = np.array([0.5, 0.3, 0.2])
    assert information_gain_bits(prior, np.eye(3)) == pytest.approx(entropy(prior, base=2))


def test_log_odds_are_scipys_logit_of_the_share() -> None:
    """Of three by softmax; the only possible one is certain, of impossible ones odds are even."""
    joint = np.array([-3.1, -4.6, -2.7])
    assert _log_odds(joint) == pytest.approx(logit(softmax(joint)))
    nothing = -np.inf
    assert _log_odds(np.array([-1.2, nothing])).tolist() == [np.inf, -np.inf]
    assert _log_odds(np.array([nothing, nothing])).tolist() == [0.0, 0.0]
