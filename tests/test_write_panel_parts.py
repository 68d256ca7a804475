"""The parts for investigator, crew and renovator, in words."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitegis.language import ENGLISH
from sitegis.model.derived import Derived
from sitegis.model.dig_plan import DirectionComparison
from sitegis.model.survey import Survey
from sitegis.write.derive import find
from sitegis.write.page.dig_card import excavation_facts
from sitegis.write.page.panel_parts import (
    alternative_sentences,
    main_rows,
    profile_rows,
    telling_pits,
    tie_in_rows,
)

from .filled import filled_survey


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


@pytest.fixture(scope="module")
def derived(survey: Survey) -> Derived:
    return find(survey).derived


def _way(toward: str, probability: float, ring: np.ndarray | None) -> DirectionComparison:
    return DirectionComparison(toward, probability, 17.0, 2.7, 7.0, 2.0, ring, 0.9, 0.1)  # type: ignore[arg-type]


def test_a_main_says_which_part_is_private(survey: Survey, derived: Derived) -> None:
    """Length on the lot and outside it, cover, what a repair opens, the check: all are named."""
    first, *_ = main_rows(survey, derived.mains)
    facts = dict(first["facts"])
    assert first["percent"] == "70 %"
    assert "(private)" in facts["Length"]
    assert "(public)" in facts["Length"]
    assert "above the main's invert (drop at main)" in facts["Invert at connection"]
    told = {"Fall", "Cover at the lot line", "A repair opens", "Check to rule it out"}
    assert told <= facts.keys()


def test_a_main_without_a_route_has_no_numbers(survey: Survey, derived: Derived) -> None:
    """Where no route fits no length is made up."""
    last = main_rows(survey, derived.mains)[-1]
    assert "Length" not in dict(last["facts"])
    assert last["out"]


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
