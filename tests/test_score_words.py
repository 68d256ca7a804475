"""Odds and ways in trade language."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.score.words import limit_bits, name_hypothesis, name_main, odds_words, support_words

from .hand_routes import ALLEY, FRONT, UNLISTED
from .invented import corner_site


@pytest.mark.parametrize(
    ("bits", "words"),
    [
        (np.log2(4.2), "likelihood ratio 4.2 for the alley"),
        (-np.log2(4.2), "likelihood ratio 4.2 against the alley"),
        (10.0, "likelihood ratio 1 024 for the alley"),
        (0.01, "no evidence on the alley"),
        (-20.0, "rules out the alley"),
        (20.0, "rules out all but the alley"),
    ],
)
def test_odds_in_words(bits: float, words: str) -> None:
    """Bits are said as a likelihood ratio, for or against."""
    assert odds_words(bits, "the alley") == words


def test_bits_are_limited_but_finite() -> None:
    """What is impossible counts as 20 bits, so that every number can be written."""
    assert limit_bits(-np.inf) == -20.0
    assert limit_bits(np.log(8.0)) == pytest.approx(3.0)


def test_ways_are_named_by_where_they_lie() -> None:
    """Names are by front street, alley and side yard; two alleys are told apart by id."""
    site = corner_site()
    assert name_hypothesis(FRONT, site) == "the front street"
    assert name_hypothesis(ALLEY, site) == "the alley by the left side yard"
    assert name_hypothesis(UNLISTED, site) == "other or not on record"
    assert name_main("side-main", site) == "the side street"
    twin = replace(site, mains=(*site.mains, replace(site.mains[2], id="old-alley-main")))
    assert name_main("alley-main", twin) == "the alley (alley-main)"


@pytest.mark.parametrize(
    ("times", "name"),
    [
        (9.9, "weak"),
        (10.1, "moderate"),
        (101.0, "moderately strong"),
        (1001.0, "strong"),
        (10_001.0, "very strong"),
    ],
)
def test_a_likelihood_ratio_is_said_on_the_scale_of_forensic_reporting(
    times: float, name: str
) -> None:
    """The bounds 10, 100, 1000, 10 000 of the ENFSI guideline of 2015 (from memory)."""
    assert support_words(np.log2(times)).startswith(f"{name} support")
    assert support_words(-np.log2(times)).startswith(f"{name} evidence against")
