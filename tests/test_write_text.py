"""The answer in words: units, certainty, and what must always be said."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from sitegis.dig.tie_in import tie_ins
from sitegis.model.results import Hypothesis, ScoredHypothesis
from sitegis.model.survey import Survey
from sitegis.units import about
from sitegis.write.derive import find
from sitegis.write.summary import summary_lines
from sitegis.write.text import (
    alternative_words,
    check_sentence,
    contribution_words,
    corner_words,
    dig_sentence,
    exit_sentence,
    join_sentence,
    percent,
    slope_sentence,
)

from .computed import NAMES, computed
from .filled import RULES, filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


def test_the_first_sentence_names_main_and_chance(survey: Survey) -> None:
    """Which main, with what probability, and what comes next."""
    first = join_sentence(survey)
    assert "front-main" in first
    assert "70 %" in first
    assert "25 %" in first


def test_the_exit_is_measured_from_the_nearer_corner(survey: Survey) -> None:
    """The house is 26 ft wide from x = 8 ft: the exit at x = 7.288 m is 10' 1" from the right."""
    distance, corner = corner_words(survey)
    assert distance == pytest.approx((8 + 26) * 0.3048 - survey.exit.x_m, abs=1e-9)
    assert corner == "front-right corner"
    assert re.search("10' 1\" ± .+ from the front-right corner", exit_sentence(survey))


def test_the_offset_along_the_wall_leaves_out_the_place_of_the_house(survey: Survey) -> None:
    """0.2 m along the wall and any place of the house: ± 1.96 times 0.2 m, as the tape reads it."""
    start, end = np.roll(survey.site.building.vertices, -survey.exit.wall_index, axis=0)[:2]
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]])
    for house_sd in (0.1, 0.5):
        building = replace(survey.site.building, position_sd_m=house_sd)
        covariance = np.zeros((3, 3))
        covariance[:2, :2] = (
            0.2**2 * np.outer(along, along) + 0.7**2 * np.outer(across, across)
        ) + house_sd**2 * np.eye(2)
        changed = replace(
            survey,
            site=replace(survey.site, building=building),
            penetration=replace(survey.exit, covariance=covariance),
        )
        assert f"± {about(norm.ppf(0.975) * 0.2, survey.site.units)} from" in exit_sentence(changed)


@pytest.mark.parametrize(
    ("units", "seen", "unseen"), [("ft", "'", " m "), ("m", " m ", "'"), ("mm", " mm", '"')]
)
def test_lengths_come_in_the_units_of_the_site(units: str, seen: str, unseen: str) -> None:
    """A site in feet reads in feet and inches, a metric one in meters or millimeters."""
    words = exit_sentence(filled_survey(units=units)).split("heading")[0]
    assert seen in words
    assert unseen not in words


def test_it_says_when_the_marks_say_nothing_about_the_slope(survey: Survey) -> None:
    """A slope that is all prior is called common practice, one from data is not."""
    all_prior = dataclasses.replace(survey.exit, slope_sd_ratio=0.97)
    assert "hardly give the slope" in slope_sentence(
        dataclasses.replace(survey, penetration=all_prior)
    )
    from_data = dataclasses.replace(survey.exit, slope_sd_ratio=0.3)
    assert "hardly give the slope" not in slope_sentence(
        dataclasses.replace(survey, penetration=from_data)
    )


def test_the_summary_carries_cautions_and_flags(survey: Survey) -> None:
    """Whoever reads where to dig also reads what to mind, and that the line is inferred."""
    text = "\n".join(summary_lines(survey))
    assert RULES.cautions[0] in text
    assert "gas cross-bore" in text
    assert "all cautions: see map.html or record.pdf" in text
    assert "inferred, not located" in text
    assert "At P3 the lifted reading disagrees" in text


def test_a_planned_fixture_is_told_with_its_caution(survey: Survey) -> None:
    """Where to cut, the fall needed and there, and what to find out before cutting."""
    (planned,) = tie_ins(survey)
    lines = summary_lines(survey)
    heading = next(i for i, line in enumerate(lines) if line.startswith("Where to cut"))
    told = " ".join(line.strip() for line in lines[heading + 1 : heading + 4])
    assert "post-tensioned" in lines[heading]
    assert told.startswith("New toilet P3: x ")
    assert planned.verdict in told


def test_a_narrow_screen_gets_short_lines(survey: Survey) -> None:
    """On 60 columns no line is longer, and the answer says the same as on a wide screen."""
    wide, narrow = summary_lines(survey), summary_lines(survey, columns=60)
    assert max(map(len, narrow)) <= 60
    first = " ".join(" ".join(wide).split()).split("It falls")[0]
    assert " ".join(" ".join(narrow).split()).split("It falls")[0] == first


@pytest.mark.parametrize("name", NAMES)
def test_the_summary_of_a_fixture_fits_one_screen(name: str) -> None:
    lines = summary_lines(computed(name))
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 100


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 9), st.integers(0, 9), st.integers(0, 9), st.text(max_size=400))
def test_the_summary_fits_one_screen(pits: int, flags: int, ways: int, words: str) -> None:
    """However much there is to say: under 24 lines of 100 characters, and the line inferred."""
    survey = filled_survey(name=f"Site {words}")
    pit, flag, way = survey.dig.pits[0], survey.notices[-1], survey.scores.hypotheses[1]
    many = dataclasses.replace(
        survey,
        planned=dataclasses.replace(
            survey.dig,
            pits=(pit,) * pits,
            notices=tuple(
                dataclasses.replace(flag, where=f"P{i}", message=words * 3) for i in range(flags)
            ),
        ),
        scored=dataclasses.replace(
            survey.scores, hypotheses=(*survey.scores.hypotheses, *(way,) * ways)
        ),
    )
    lines = summary_lines(many)
    assert len(lines) <= 23
    assert max(map(len, lines)) <= 100
    assert "The line is inferred, not located." in lines
    assert any("one-call" in line for line in lines)


def test_a_check_that_only_pins_the_place_says_so(survey: Survey) -> None:
    """0.00 bit is not printed: the check is worth its saving for the place, not for the main."""
    pins = dataclasses.replace(survey.scores.next_checks[0], gain_bits=0.0004)
    scores = dataclasses.replace(survey.scores, next_checks=(pins,))
    words = check_sentence(dataclasses.replace(survey, scored=scores))
    assert "0.00" not in words
    assert "would not change which main, but pins the place" in words


def test_nothing_listed_is_said_as_such(survey: Survey) -> None:
    """Where no listed way fits, the sentence says so instead of naming a main."""
    ranked = survey.scores.hypotheses
    turned = dataclasses.replace(survey.scores, hypotheses=ranked[::-1])
    assert join_sentence(dataclasses.replace(survey, scored=turned)).startswith(
        "No route on record fits"
    )


def test_a_check_that_changes_nothing_is_not_recommended(survey: Survey) -> None:
    """A check without expected saving is named as such; a pit is no check before digging."""
    useless = dataclasses.replace(survey.scores.next_checks[0], saving=0.0, gain_bits=0.1)
    telling = dataclasses.replace(useless, check="Watch the dye", gain_bits=0.5, saving=-90.0)
    pit = dataclasses.replace(useless, check="Dig a pit by the wall", gain_bits=0.9, is_dig=True)
    scores = dataclasses.replace(survey.scores, next_checks=(pit, useless, telling))
    words = check_sentence(dataclasses.replace(survey, scored=scores))
    assert words.startswith("No check is worth its cost for where to dig")
    assert words.endswith("most informative about which main: Watch the dye.")


def test_no_pit_and_no_check_are_said(survey: Survey) -> None:
    """Empty lists give sentences, not holes."""
    bare = dataclasses.replace(
        survey,
        planned=dataclasses.replace(survey.dig, pits=()),
        scored=dataclasses.replace(survey.scores, next_checks=()),
    )
    assert "No place for a test pit" in dig_sentence(bare)
    assert check_sentence(bare) == "No further check is proposed."
    assert summary_lines(bare)


def test_ways_that_hardly_fit_share_a_line(survey: Survey) -> None:
    """Ways under 1 % don't fill the screen; what they hold together is said."""
    many = tuple(
        ScoredHypothesis(
            Hypothesis(f"side-main:direct-{i}", "side-main", "direct", "side", None, 0.01),
            0.002,
            -9.0,
            0.1,
            10.0,
            (),
            np.zeros(0),
            None,
        )
        for i in range(4)
    )
    scores = dataclasses.replace(survey.scores, hypotheses=(*survey.scores.hypotheses, *many))
    text = "\n".join(summary_lines(dataclasses.replace(find(survey), scored=scores)))
    assert "All 4 other routes together: under 1 %." in text
    assert "Side Street" not in text


def test_a_side_yard_names_its_side(survey: Survey) -> None:
    """The side of the house is said."""
    words = alternative_words(survey, survey.scores.hypotheses[1].hypothesis)
    assert words.endswith("around the right of the house")


@settings(deadline=None, max_examples=50)
@given(st.floats(0.0, 1.0))
def test_no_uncertain_thing_is_said_to_be_certain(probability: float) -> None:
    """Only 1 is 100 %, only 0 is 0 %, and the rest is within half a per cent."""
    words = percent(probability)
    if words == "100 %":
        assert probability == 1.0
    elif words == "0 %":
        assert probability == 0.0
    elif words[0].isdigit():
        assert abs(float(words.split()[0]) / 100 - probability) <= 0.005 + 1e-12


@settings(deadline=None, max_examples=50)
@given(st.floats(-30.0, 30.0))
def test_weights_of_evidence_never_change_sides(bits: float) -> None:
    """Bits above zero speak for, below zero against, near zero for nothing (2^0.05 = 1.035)."""
    words = contribution_words(bits)
    if abs(bits) < 0.05:
        assert words == "no evidence"
    else:
        assert words.endswith("for" if bits > 0 else "against")
