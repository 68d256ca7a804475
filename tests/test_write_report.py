"""The report: every renderer tells the same rows, with the same numbers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitegis.language import ENGLISH
from sitegis.messages.errors import Notice
from sitegis.model.derived import Derived
from sitegis.model.dig_plan import DirectionComparison
from sitegis.model.survey import Survey
from sitegis.units import about, percent
from sitegis.write.derive import find
from sitegis.write.page.dig_card import excavation_facts
from sitegis.write.page.panel import panel_context
from sitegis.write.report.answer import check_section, flag_section, main_section
from sitegis.write.report.digging import (
    discriminating_directions,
    discriminating_section,
    pit_section,
    tie_in_sections,
)
from sitegis.write.report.pipes import fall_section

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
    planned, held = tie_in_sections(find(survey))
    facts = dict(planned.rows)
    assert facts["Tie in at"].startswith("x 15' 3\", y 9' 10\" in Front room")
    assert facts["Drains by gravity"].startswith("over 99 %")
    assert any("post-tensioned" in caution for caution in planned.sentences)
    assert [row[0] for row in held.rows] == [check.name for check in derived.tie_ins[0].checks]


def test_the_fall_is_held_against_the_rule_with_its_section(survey: Survey) -> None:
    """Slope, rule, section, and velocity in the site's units."""
    text = " ".join(fall_section(find(survey)).sentences)
    assert "704.1" in text
    assert "ft/s (Manning" in text


def test_the_discriminating_pits_are_told_where_there_are_two_directions(survey: Survey) -> None:
    """One direction alone needs no telling; of two, each with a pit gets its sentence."""
    ring = np.array([[6.0, 1.0], [8.0, 1.0], [8.0, 3.0], [6.0, 3.0]])
    front, rear = _way("front", 0.7, ring), _way("rear", 0.3, None)
    two = dataclasses.replace(survey, planned=dataclasses.replace(survey.dig, ways=(front, rear)))
    one = dataclasses.replace(survey, planned=dataclasses.replace(survey.dig, ways=(front,)))
    assert discriminating_directions(two) == [front]
    (sentence,) = discriminating_section(two).sentences
    assert sentence.startswith("Toward the front (70 %): a pit ")
    assert "90 % if so, 10 % if not" in sentence
    assert discriminating_section(one).sentences == ()


def test_outcomes_beyond_the_likeliest_five_are_put_together(survey: Survey) -> None:
    """Seven outcomes of 40, 20, 15, 10, 9, 4 and 2 %: the last two make 6 %, the order stays."""
    chances = (0.04, 0.4, 0.2, 0.02, 0.15, 0.1, 0.09)
    table = tuple((f"outcome {i}", chance, "then") for i, chance in enumerate(chances))
    first = dataclasses.replace(survey.scores.next_checks[0], outcome_table=table)
    scores = dataclasses.replace(survey.scores, next_checks=(first,))
    rows = check_section(dataclasses.replace(survey, scored=scores)).rows
    assert [row[1] for row in rows] == ["40 %", "20 %", "15 %", "10 %", "9 %", "6 %"]
    assert [row[0] for row in rows] == [f"outcome {i}" for i in (1, 2, 4, 5, 6)] + ["anything else"]


def test_flags_begin_with_another_reading_and_end_with_what_was_assumed(survey: Survey) -> None:
    """The order in which a person should look at them; what needs nobody stands elsewhere."""
    codes = ("soil-assumed", "last-point-short", "find-not-explained", "other-reading", "told")
    notices = tuple(Notice(c, c, "site", needs_person=c != "told") for c in codes)
    read = dataclasses.replace(survey.site, notices=notices)
    rows = flag_section(Survey(read, survey.rules)).rows
    assert [row[1] for row in rows] == [*codes[3:1:-1], "last-point-short", "soil-assumed"]


def test_a_pit_has_one_row_with_its_numbers(survey: Survey) -> None:
    """Each pit its rank, both probabilities as percent writes them, and its cost."""
    rows = pit_section(survey).rows
    assert len(rows) == len(survey.dig.pits)
    for pit, row in zip(survey.dig.pits, rows, strict=True):
        assert row[:3] == (str(pit.rank), percent(pit.p_hit), percent(pit.p_hit_so_far))
        assert row[4].startswith(f"{pit.cost:,.0f} ")
