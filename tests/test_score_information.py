"""Expected information gain."""

from __future__ import annotations

from dataclasses import replace

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra.numpy import arrays
from scipy.special import logit, softmax
from scipy.stats import entropy

from sitegis.evidence import Dye, Neighbors, Sound, TapRecord
from sitegis.score.posterior import entropy_bits, information_gain_bits
from sitegis.score.weighed_site import (
    NONE_LEFT_OUT,
    _log_odds,
    all_log_evidence,
    weigh_items,
    weigh_site,
)

from .hand_routes import ALLEY, FRONT, hand_survey, straight_routes
from .invented import corner_site


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


def test_an_item_weighs_what_leaving_it_out_takes_off_the_log_odds() -> None:
    """By scipy's logit of posteriors with and without each; in the order of their weight.

    The practice is the prior of the mains, each way's added up, those without a way at none.
    """
    items = (
        Dye("front-main-MH1", False, 30.0),
        Neighbors("alley-main", 2, 3),
        Sound("alley-main-MH1", True),
        TapRecord("front-main", "front-main-MH1", 30.0),
    )
    survey = hand_survey(*items)
    site = survey.site
    beside = straight_routes(replace(ALLEY, id="alley-main:direct", way="direct", prior=0.2), site)
    routes = (*survey.routes, beside)
    weighed = weigh_site(site, routes, NONE_LEFT_OUT)
    total = FRONT.prior + ALLEY.prior + 0.2
    assert weighed.practice == pytest.approx(
        {"front-main": FRONT.prior / total, "alley-main": (ALLEY.prior + 0.2) / total}
        | {main.id: 0.0 for main in site.mains if main.id not in ("front-main", "alley-main")}
    )

    def odds(left_out: frozenset[str]) -> np.ndarray:
        log_joint = all_log_evidence(weighed, left_out) + np.log(
            [r.hypothesis.prior for r in routes]
        )
        return np.asarray(logit(softmax(log_joint)))

    full = odds(NONE_LEFT_OUT)
    rows = weigh_items(weighed, all_log_evidence(weighed), NONE_LEFT_OUT)
    for i, row in enumerate(rows):
        assert {one.item for one in row} == set(weighed.names)
        sizes = [abs(one.bits) for one in row]
        assert sizes == sorted(sizes, reverse=True)
        for one in row:
            bits = (full[i] - odds(frozenset({one.item}))[i]) / np.log(2.0)
            assert one.bits == pytest.approx(float(np.clip(bits, -20.0, 20.0)), abs=1e-9)
    assert len({one.item for row in rows for one in row[:1]}) > 1
    assert corner_site().mains[0].id == "front-main"
