"""Stage ``score`` as a whole, on route records made by hand (all invented)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp

from sitegis.evidence import (
    CableToMain,
    Dye,
    Evidence,
    Neighbors,
    PermitDrawing,
    Sound,
    TapRecord,
)
from sitegis.messages.errors import ComputationError
from sitegis.model.survey import Survey
from sitegis.score import score_hypotheses

from .hand_routes import ALLEY, FRONT, UNLISTED, hand_survey, straight_routes
from .invented import corner_site


def probabilities(survey: Survey) -> dict[str, float]:
    return {s.hypothesis.id: s.probability for s in score_hypotheses(survey).scores.hypotheses}


def test_probabilities_sum_to_one_and_are_ordered() -> None:
    """Probabilities sum to 1 within 1e-12 and the most probable comes first."""
    survey = hand_survey(Dye("front-main-MH1", False, 30.0), Neighbors("alley-main", 2, 3))
    found = [s.probability for s in score_hypotheses(survey).scores.hypotheses]
    assert abs(sum(found) - 1.0) < 1e-12
    assert found == sorted(found, reverse=True)


def test_without_evidence_the_posterior_is_prior_times_fit() -> None:
    """Half of the draws fit, so each listed way keeps half its prior, `unlisted` a tenth."""
    found = probabilities(hand_survey())
    joint = np.array([0.55 * 0.5, 0.43 * 0.5, 0.02 * 0.1])
    expected = joint / joint.sum()
    assert list(found.values()) == pytest.approx(expected, rel=1e-12)


def test_symmetric_lot_gives_equal_halves() -> None:
    """Two ways with equal priors and equal fit get equal probabilities."""
    site = corner_site()
    front = straight_routes(replace(FRONT, prior=0.5), site)
    alley = straight_routes(replace(ALLEY, prior=0.5), site)
    found = probabilities(hand_survey(sampled=(front, alley)))
    assert list(found.values()) == pytest.approx([0.5, 0.5], abs=1e-15)


def test_log_evidence_follows_the_contract_of_the_routes() -> None:
    """Items of stage routes: ln Z = logsumexp(log_prior + Σ likelihoods) − ln(drawn)."""
    site = corner_site(evidence=(CableToMain(30.0),))
    base = straight_routes(FRONT, site)
    values = np.random.default_rng(5).normal(-2.0, 1.0, base.log_prior.size)
    front = replace(base, log_likelihoods={"cable_to_main": values})
    survey = replace(hand_survey(CableToMain(30.0)), sampled=(front,))
    scored = score_hypotheses(survey).scores.hypotheses[0]
    assert scored.log_evidence == pytest.approx(logsumexp(values) - np.log(2000), abs=1e-12)
    assert scored.weights == pytest.approx(np.exp(values - logsumexp(values)), rel=1e-9)


@pytest.mark.parametrize(
    "item",
    [
        PermitDrawing("alley-main"),
        TapRecord("alley-main", "alley-main-MH0", 26.2),
        Neighbors("alley-main", 3, 3),
        Dye("alley-main-MH1", True, 30.0),
        Sound("alley-main-MH1", True),
        Dye("front-main-MH1", False, 30.0),
    ],
)
def test_evidence_for_the_alley_raises_the_alley(item: Evidence) -> None:
    """Each kind that points to the alley raises its probability and is credited for it."""
    before = probabilities(hand_survey())[ALLEY.id]
    scores = score_hypotheses(hand_survey(item)).scores
    alley = next(s for s in scores.hypotheses if s.hypothesis.id == ALLEY.id)
    assert alley.probability > before + 0.02
    credited = next(c for c in alley.contributions if c.kind == item.kind)
    odds = alley.probability / (1 - alley.probability) / (before / (1 - before))
    assert credited.bits == pytest.approx(np.log2(odds), abs=1e-9)
    assert "for the alley by the left side yard" in credited.words


def test_geometry_is_one_contribution() -> None:
    """A way of which a tenth fits, against one of which all fit: the likelihood ratio is 10."""
    site = corner_site()
    front = straight_routes(replace(FRONT, prior=0.5), site, count=1000, drawn=1000)
    alley = straight_routes(replace(ALLEY, prior=0.5), site, count=1000, drawn=10_000)
    scored = score_hypotheses(hand_survey(sampled=(front, alley))).scores.hypotheses[0]
    locates = next(c for c in scored.contributions if c.kind == "locates")
    assert locates.bits == pytest.approx(np.log2(10.0), abs=1e-9)
    assert locates.words == "likelihood ratio 10 for the front street"


def test_two_equal_mains_call_for_a_check() -> None:
    """Two mains within a factor of 2 make a notice that needs a person."""
    notices = score_hypotheses(hand_survey()).scores.notices
    notice = next(n for n in notices if n.code == "mains-equally-likely")
    assert notice.needs_person
    assert "do the check below before digging" in notice.message


def test_few_effective_samples_make_a_notice() -> None:
    """One sample that outweighs all others is said, with its effective number."""
    site = corner_site()
    base = straight_routes(FRONT, site)
    lopsided = replace(base, log_prior=np.where(np.arange(base.log_prior.size) == 7, 9.0, 0.0))
    unlisted = straight_routes(UNLISTED, site)
    scores = score_hypotheses(hand_survey(sampled=(lopsided, unlisted))).scores
    weight = np.exp(9.0)
    expected = (weight + 999) ** 2 / (weight**2 + 999)
    assert scores.hypotheses[0].effective_samples == pytest.approx(expected, rel=1e-9)
    assert any(n.code == "few-samples" for n in scores.notices)


def test_no_way_that_fits_is_said() -> None:
    """Where no listed way has a feasible route, unlisted takes all and a person is called."""
    site = corner_site()
    empty = straight_routes(FRONT, site, count=0, drawn=512)
    sampled = (replace(empty, why_none="would run uphill"), straight_routes(UNLISTED, site))
    scores = score_hypotheses(hand_survey(sampled=sampled)).scores
    assert scores.hypotheses[0].hypothesis.id == "unlisted"
    assert scores.hypotheses[0].probability == 1.0
    assert any(n.code == "no-way-fits" and n.needs_person for n in scores.notices)


def test_nothing_possible_is_a_computation_error() -> None:
    """Without even 'unlisted' there is no answer, and the error says what to do."""
    site = corner_site()
    empty = straight_routes(replace(FRONT, prior=1.0), site, count=0, drawn=512)
    with pytest.raises(ComputationError, match=r"give prior\.unlisted a weight above 0"):
        score_hypotheses(hand_survey(sampled=(empty,)))


def test_assumptions_carry_their_numbers() -> None:
    """Every default used is said with its number, and a given one is said to be given."""
    survey = hand_survey(PermitDrawing("alley-main"), Sound("alley-main-MH1", True, 0.6))
    said = " ".join(score_hypotheses(survey).scores.assumptions)
    assert "off its angle by 2° (one standard deviation), or by 12° for the 15 % that" in said
    assert "probability 0.8 by default, judgment" in said
    assert "reliability 0.6 as given" in said
    assert "joins the main that its block mostly joins with probability 0.8" in said


def test_same_survey_same_scores() -> None:
    """The stage draws nothing: two runs agree to the last bit."""
    survey = hand_survey(Dye("front-main-MH1", False, 30.0))
    first, second = (score_hypotheses(survey).scores for _ in range(2))
    assert [s.probability for s in first.hypotheses] == [s.probability for s in second.hypotheses]
    assert first.next_checks == second.next_checks
