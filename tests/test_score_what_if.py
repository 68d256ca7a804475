"""What if: items left out and other priors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sitegis.evidence import Dye, Evidence, OutdoorLocate, PermitDrawing, TapRecord
from sitegis.messages.errors import BadInput
from sitegis.model.results import Scores
from sitegis.model.survey import Survey
from sitegis.routes import sample_routes
from sitegis.routes.hypotheses import enumerate_hypotheses
from sitegis.routes.likelihoods import item_names
from sitegis.score import score_hypotheses
from sitegis.score.what_if import rescore

from .filled import RULES
from .hand_routes import hand_survey, straight_routes
from .invented import corner_site, front_exit

DYE, PERMIT = Dye("alley-main-MH1", True, 30.0), PermitDrawing("front-main")


def listed_survey(*evidence: Evidence) -> Survey:
    """Make a survey with routes for every listed hypothesis of the corner lot but the side's."""
    site = replace(corner_site(evidence=evidence))
    sampled = tuple(
        straight_routes(h, site, count=400, drawn=800)
        for h in enumerate_hypotheses(site)
        if h.main != "side-main"
    )
    return score_hypotheses(hand_survey(*evidence, sampled=sampled))


def main_probability(scores: Scores, main: str) -> float:
    return sum(s.probability for s in scores.hypotheses if s.hypothesis.main == main)


def test_leaving_an_item_out_is_as_if_it_were_never_given() -> None:
    """Without dye the scores are those of a survey that has no dye."""
    found = rescore(listed_survey(DYE, PERMIT), without=frozenset({"dye"}))
    never = listed_survey(PERMIT).scores
    for one, other in zip(found.hypotheses, never.hypotheses, strict=True):
        assert one.hypothesis == other.hypothesis
        assert one.probability == pytest.approx(other.probability, rel=1e-12)
    assert found.assumptions[0] == "What if: left out dye."


def test_only_the_named_item_is_left_out() -> None:
    """``dye-2`` is the second dye; the first still counts."""
    survey = listed_survey(DYE, Dye("front-main-MH1", False, 30.0))
    both = main_probability(survey.scores, "alley-main")
    one = main_probability(rescore(survey, without=frozenset({"dye-2"})), "alley-main")
    none = main_probability(rescore(survey, without=frozenset({"dye", "dye-2"})), "alley-main")
    assert none < one < both


def test_other_priors_move_the_odds_in_proportion() -> None:
    """Ten times the alley's weight is ten times its odds against the front, direct way."""
    survey = listed_survey()
    base = {s.hypothesis.id: s.probability for s in survey.scores.hypotheses}
    moved = {
        s.hypothesis.id: s.probability for s in rescore(survey, priors={"alley": 10.0}).hypotheses
    }
    alley, front = "alley-main:direct", "front-main:direct"
    assert moved[alley] / moved[front] == pytest.approx(10 * base[alley] / base[front], rel=1e-9)


def test_same_priors_change_nothing() -> None:
    """The default weight given by hand gives the same answer."""
    survey = listed_survey(DYE)
    again = rescore(survey, priors={"front": 1.0})
    for one, other in zip(again.hypotheses, survey.scores.hypotheses, strict=True):
        assert one.probability == pytest.approx(other.probability, rel=1e-12)


def test_without_locates_the_marks_say_nothing() -> None:
    """Leaving out the geometry leaves priors: a way that fits worse is no longer punished."""
    site = corner_site()
    sampled = tuple(
        straight_routes(h, site, count=100, drawn=100 if h.main == "front-main" else 10_000)
        for h in enumerate_hypotheses(site)
        if h.way == "direct" and h.main != "side-main"
    )
    survey = score_hypotheses(hand_survey(sampled=sampled))
    scores = rescore(survey, without=frozenset({"locates"}))
    assert main_probability(scores, "alley-main") == pytest.approx(0.5, abs=1e-12)
    assert main_probability(survey.scores, "alley-main") == pytest.approx(1 / 101, rel=1e-9)


def test_unknown_names_are_refused_together() -> None:
    """An unknown item, an unknown prior and a negative weight are all named at once."""
    with pytest.raises(BadInput, match="give one of: locates, dye") as caught:
        rescore(listed_survey(DYE), without=frozenset({"die"}), priors={"back": 1.0, "rear": -1.0})
    assert [fault.code for fault in caught.value.faults] == [
        "evidence-unknown",
        "prior-unusable",
        "prior-unusable",
    ]


STEERING: tuple[tuple[Evidence, ...], ...] = (
    (OutdoorLocate(6.9, -4.0, 3.1, 0.05),),
    tuple(OutdoorLocate(x, y, 2.8) for x, y in ((7.2, 4.5), (7.8, 1.3), (9.1, -2.0))),
    (TapRecord("alley-main", "alley-main-MH0", 32.0, 0.2),),
)


@pytest.mark.parametrize("evidence", STEERING, ids=["locate", "locates", "record"])
def test_leaving_out_what_steered_the_sampling_is_exact(evidence: tuple[Evidence, ...]) -> None:
    """Samples aimed at an item give, without it, ln Z as if it had never been given (4 se).

    Where fewer effective samples are left than asked for, the notices say so.
    """
    penetration = front_exit()
    told = Survey(corner_site(evidence=evidence), RULES, penetration=penetration)
    found = rescore(score_hypotheses(sample_routes(told)), without=frozenset(item_names(evidence)))
    plain = score_hypotheses(
        sample_routes(Survey(corner_site(), RULES, penetration=penetration))
    ).scores
    never = {s.hypothesis.id: s for s in plain.hypotheses}
    for scored in found.hypotheses[:4]:
        other = never[scored.hypothesis.id]
        spread = np.hypot(scored.log_evidence_se, other.log_evidence_se)
        assert abs(scored.log_evidence - other.log_evidence) <= 4 * spread
        assert scored.probability == pytest.approx(other.probability, rel=0.3)
    few = [s for s in found.hypotheses if s.probability > 0.01 and 0 < s.effective_samples < 400]
    said = [n for n in found.notices if n.code == "few-samples"]
    assert len(said) >= len(few)
