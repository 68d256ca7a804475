"""Notices of the score."""

from __future__ import annotations

import numpy as np
import pytest

from sitegis.model.results import Contribution, Hypothesis, ScoredHypothesis
from sitegis.score.notices import list_notices

from .hand_routes import ALLEY, FRONT, UNLISTED
from .invented import corner_site

FRONT_YARD = Hypothesis(
    "front-main:side-yard-left", "front-main", "side-yard", "front", "left", 0.1
)


def scored(
    hypothesis: Hypothesis,
    probability: float,
    *,
    se: float = 0.01,
    effective: float = 5000.0,
    bits: float = 0.0,
) -> ScoredHypothesis:
    contributions = (Contribution("dye", "dye", bits, "…"),)
    weights = np.full(4, 0.25)
    return ScoredHypothesis(hypothesis, probability, -1.0, se, effective, contributions, weights, 0)


def codes(*hypotheses: ScoredHypothesis) -> dict[str, bool]:
    return {n.code: n.needs_person for n in list_notices(hypotheses, corner_site())}


@pytest.mark.parametrize(("first", "expected"), [(0.66, True), (0.68, False)])
def test_factor_of_two_between_mains(first: float, expected: bool) -> None:
    """Within a factor of 2 a person is asked to check; past it not."""
    found = codes(scored(FRONT, first), scored(ALLEY, 1 - first))
    assert ("mains-equally-likely" in found) is expected
    assert found.get("mains-equally-likely", True)


def test_ways_to_one_main_add_up() -> None:
    """Two like ways to one main are no doubt about the main, but about the way."""
    found = codes(scored(FRONT, 0.45), scored(FRONT_YARD, 0.40), scored(ALLEY, 0.15))
    assert "mains-equally-likely" not in found
    assert "ways-equally-likely" in found


def test_a_main_as_impossible_as_what_is_not_on_record_is_put_in_order() -> None:
    """Two finds may leave nothing of either: a name and none are compared all the same."""
    assert codes(scored(FRONT, 1.0), scored(ALLEY, 1e-12), scored(UNLISTED, 1e-13)) == {}


def test_without_a_main_on_record_nothing_is_said_of_mains_that_do_not_fit() -> None:
    """Their depths cannot be checked; the reader of the mains says that there are none."""
    assert not codes(scored(UNLISTED, 1.0))
    assert codes(scored(UNLISTED, 1.0), scored(FRONT, 0.0))["no-way-fits"]


def test_unlisted_in_the_lead_needs_a_person() -> None:
    """Where no main on record leads, a person must look."""
    assert codes(scored(UNLISTED, 0.8), scored(FRONT, 0.2))["unlisted-leads"]


def test_evidence_against_the_leader_is_said() -> None:
    """An item that speaks ten to one against the leader is named; two to one is not."""
    assert "evidence-disagrees" in codes(scored(FRONT, 0.9, bits=-3.4), scored(ALLEY, 0.1))
    assert "evidence-disagrees" not in codes(scored(FRONT, 0.9, bits=-1.0), scored(ALLEY, 0.1))


@pytest.mark.parametrize(
    ("se", "effective", "first", "code", "person"),
    [
        (0.04, 500.0, 0.9, False, False),
        (0.06, 500.0, 0.9, True, False),
        (0.04, 399.0, 0.9, True, False),
        (0.30, 100.0, 0.55, True, True),
    ],
)
def test_few_samples(se: float, effective: float, first: float, code: bool, person: bool) -> None:
    """Below 400 effective samples or past 0.05: said; a person only where the order could turn."""
    found = codes(scored(FRONT, first, se=se, effective=effective), scored(ALLEY, 1 - first))
    assert ("few-samples" in found) is code
    assert found.get("few-samples", False) is person


def test_negligible_ways_make_no_noise() -> None:
    """A way of one in a thousand with few samples is not worth a notice."""
    found = codes(scored(FRONT, 0.999), scored(ALLEY, 0.001, effective=5.0, se=0.5))
    assert found == {}
