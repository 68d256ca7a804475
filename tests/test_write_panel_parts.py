"""The parts for investigator, crew and renovator, in words."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitegis.language import ENGLISH
from sitegis.model.derived import Derived
from sitegis.model.dig_plan import DirectionComparison
from sitegis.model.survey import Survey
from sitegis.units import about
from sitegis.write.derive import find
from sitegis.write.page.dig_card import excavation_facts
from sitegis.write.page.panel import panel_context
from sitegis.write.page.panel_parts import (
    alternative_sentences,
    profile_rows,
    telling_pits,
    tie_in_rows,
)
from sitegis.write.report import main_section

from .filled import filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


@pytest.fixture(scope="module")
def derived(survey: Survey) -> Derived:
    return find(survey).derived


def _way(toward: str, probability: float, ring: np.ndarray | None) -> DirectionComparison:
    return DirectionComparison(toward, probability, 17.0, 2.7, 7.0, 2.0, ring, 0.9, 0.1)  # type: ignore[arg-type]


def test_page_and_record_lay_the_mains_side_by_side_alike(survey: Survey, derived: Derived) -> None:
    """Length on the lot and outside it, cover, what a repair opens, the check: all are named.

    The page's facts are the record's columns; what is private and public adds up to the length.
    """
    survey = find(survey)
    section, (first, *_) = main_section(survey), panel_context(survey)["mains"]
    assert first["percent"] == section.rows[0][1] == "70 %"
    assert first["facts"] == list(zip(section.head[2:], section.rows[0][2:], strict=True))
    main = derived.mains[0]
    assert main.private_m is not None
    assert main.public_m is not None
    assert main.length_m == pytest.approx(main.private_m + main.public_m)
    assert about(main.private_m, "ft") in section.rows[0][2]


def test_a_main_without_a_route_has_no_numbers(survey: Survey, derived: Derived) -> None:
    """Where no route fits no length is made up: the reason stands in its place."""
    row = main_section(find(survey)).rows[-1]
    assert row[2] == derived.mains[-1].why_none
    assert row[3:6] == ("", "", "")
    assert panel_context(find(survey))["mains"][-1]["out"]


def test_a_pit_says_both_ways_of_digging(survey: Survey, derived: Derived) -> None:
    """1.2 × 0.9 × 2.9 m is 3.132 m³: 4.1 cubic yards of 0.7646 m³, 5.1 bulked; 1½ to 1 for C."""
    facts = dict(excavation_facts(survey, derived.excavations[0], ENGLISH))
    told = facts["Vertical sides, shored or shielded"]
    assert told == "4.1 cu yd in place, 5.1 cu yd spoil (bulked volume)"
    assert "bulked volume" in facts["Sloped at 1.5:1"]
    assert "bulked volume" in facts["Lowest 4' 0\" in a shield, sloped above"]


def test_a_tie_in_is_placed_in_the_fixtures_room(survey: Survey, derived: Derived) -> None:
    """The wye is 3.0 m up the room and 4.657 m in (x 7.4 m less room and house): 15' 3"."""
    (row,) = tie_in_rows(survey, derived.tie_ins)
    place = dict(row["facts"])["Tie in at"]
    assert place.startswith("x 15' 3\", y 9' 10\" in Front room")
    assert row["percent"] == "over 99 %"
    assert row["verdict"] == ""
    assert any("post-tensioned" in caution for caution in row["cautions"])


def test_the_fall_is_held_against_the_rule_with_its_section(
    survey: Survey, derived: Derived
) -> None:
    """Slope, rule, section, and velocity in the site's units."""
    text = " ".join(profile_rows(survey, derived.profile))
    assert "704.1" in text
    assert "ft/s (Manning" in text


def test_the_telling_pits_are_told_where_there_are_two_directions(survey: Survey) -> None:
    """One direction alone needs no telling; of two, each with a pit gets its sentence."""
    ring = np.array([[6.0, 1.0], [8.0, 1.0], [8.0, 3.0], [6.0, 3.0]])
    front, rear = _way("front", 0.7, ring), _way("rear", 0.3, None)
    two = dataclasses.replace(survey, planned=dataclasses.replace(survey.dig, ways=(front, rear)))
    one = dataclasses.replace(survey, planned=dataclasses.replace(survey.dig, ways=(front,)))
    assert telling_pits(two) == [front]
    (sentence,) = alternative_sentences(two)
    assert sentence.startswith("Toward the front (70 %): a pit ")
    assert "90 % if so, 10 % if not" in sentence
    assert alternative_sentences(one) == []
