"""Planned branches against the plumbing codes' own numbers; the sections stand in the rule sets.

The worked cases are the codes' tables applied by hand; elevations in meters, pipes in inches.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any, get_args

import numpy as np
import pytest
from scipy.stats import norm

from sitegis.dig.branch_path import clear_spans
from sitegis.dig.codes import (
    backwater_checks,
    branch_size,
    cleanout_check,
    closet_check,
    closets_check,
    load_check,
    p_below,
    stack_check,
    vent_check,
)
from sitegis.dig.tie_in import tie_ins
from sitegis.model.derived import TapSpread
from sitegis.model.site import FixtureKind, PlannedFixture
from sitegis.model.survey import Survey
from sitegis.rules.plumbing import Plumbing
from sitegis.rules.rule_set import load_rules
from sitegis.units import about
from tests.test_dig_tie_in import STRAIGHT, fixture, tie_survey

INCH, FOOT = 0.0254, 0.3048
COVER_M, FLOOR_M, STREET_M = 30.00, 29.85, 30.20
NAMES = ("us-ipc", "us-upc", "ca-npc", "ca-obc")
BATHROOM = ("water-closet", "lavatory", "shower")


def plumbing(name: str) -> Plumbing:
    """Return the plumbing tables of a rule set."""
    return load_rules(name).plumbing


def tapped(name: str, cover_m: float | None, street_m: float) -> tuple[Survey, TapSpread]:
    """Return the corner lot under a rule set, its first main with a cover upstream of the tap."""
    survey = replace(tie_survey(), rules=load_rules(name))
    main = survey.site.mains[0]
    main = replace(main, manholes=tuple(replace(one, rim_m=cover_m) for one in main.manholes))
    streets = tuple(
        replace(one, ground_elevation_m=street_m, ground_elevation_sd_m=0.05)
        for one in survey.site.streets
    )
    site = replace(survey.site, mains=(main, *survey.site.mains[1:]), streets=streets)
    station = main.manholes[0].station_m + 1.0
    tap = TapSpread(main, 1.0, station, np.zeros(2), main.manholes[0], (), ())
    return replace(survey, site=site), tap


def valve(name: str, kind: str, floor_m: float, cover_m: float | None = COVER_M) -> str:
    """Return the verdict on a backwater valve for a fixture on a floor."""
    survey, tap = tapped(name, cover_m, STREET_M)
    one = PlannedFixture("F", kind, "R1", 1.0, 1.0, name="F")
    (check,) = backwater_checks(survey, one, floor_m, [tap])
    assert check.section in check.words
    return check.verdict


@pytest.mark.parametrize(
    ("name", "kind", "floor_m", "expected"),
    [
        # IPC 715.1 compares the floor with the cover, whatever stands on it
        ("us-ipc", "floor-drain", 29.85, "asked"),
        ("us-ipc", "lavatory", 29.85, "asked"),
        ("us-ipc", "lavatory", 30.10, "not asked"),
        # UPC 710.1 the flood rim: a floor drain's is its floor, a lavatory's 0.80 m above it
        ("us-upc", "floor-drain", 29.85, "asked"),
        ("us-upc", "lavatory", 29.85, "not asked"),
        # NPC 2.4.6.4, OBC 7.4.6.4 with the street at 30.20
        # the national text from memory: nothing is asked or not asked by it
        ("ca-npc", "floor-drain", 29.85, "ask"),
        ("ca-obc", "floor-drain", 29.85, "asked"),
        ("ca-obc", "lavatory", 29.85, "not asked"),
        ("ca-obc", "floor-drain", 30.35, "not asked"),
    ],
)
def test_backwater_valve_as_each_code_compares(
    name: str, kind: str, floor_m: float, expected: str
) -> None:
    """Cover 30.00, floor 29.85 or 30.10, lavatory rim 30.65, street 30.20: the codes differ."""
    assert valve(name, kind, floor_m) == expected


@pytest.mark.parametrize("name", ["us-ipc", "us-upc"])
def test_without_the_covers_elevation_a_valve_is_not_known(name: str) -> None:
    """Nobody may read "not asked" where the cover was never leveled."""
    assert valve(name, "floor-drain", 29.85, None) == "not known"
    assert valve(name, "floor-drain", 99.0, None) == "not known"


def test_close_levels_are_told_as_a_probability() -> None:
    """Floor 2 cm below a cover known to 5 cm: Φ(0.4) = 66 %, neither asked nor not asked."""
    assert p_below(29.98, 30.00, 0.05) == pytest.approx(norm.cdf(0.4))
    assert valve("us-ipc", "floor-drain", 29.98) == "not known"


@pytest.mark.parametrize(
    ("name", "stack_in", "away_in", "verdict", "words"),
    [
        ("us-ipc", 4, 27, "not met", '13" short'),
        ("us-ipc", 3, 27, "not met", '3" short'),
        ("us-ipc", 4, 40, "met", '40"'),
        ("ca-obc", 4, 27, "ask", "two or more storeys"),
        ("ca-obc", 4, 60, "met", '59" asked'),
        ("ca-npc", 4, 60, "ask", "from memory"),
    ],
)
def test_distance_from_a_stacks_base(
    name: str, stack_in: float, away_in: float, verdict: str, words: str
) -> None:
    """IPC 704.3: ten diameters of the stack; OBC 7.4.2.1.(2): 1.5 m where two storeys drain."""
    found = stack_check(plumbing(name), away_in * INCH, stack_in * INCH, "S1", "in")

    assert found is not None
    assert found.verdict == verdict
    assert words in found.words


def test_upc_is_not_known_to_ask_for_a_distance() -> None:
    """No such number was seen in the UPC: nothing is said rather than something made up."""
    assert stack_check(plumbing("us-upc"), 0.1, 0.1, "S1", "ft") is None


def test_no_wye_stands_within_ten_diameters_of_a_stack() -> None:
    """A 4 in stack at station 1.0 closes the drain to 1.0 + 40 in."""
    spans = clear_spans(STRAIGHT, 1.4, [(1.0, 1.0 + 40 * INCH)])

    assert spans == [pytest.approx((0.45, 1.0)), pytest.approx((1.0 + 40 * INCH, 8.0))]


@pytest.mark.parametrize(
    ("name", "kind", "trap_in", "length_m", "verdict"),
    [
        ("us-ipc", "lavatory", 1.5, 1.68, "met"),
        ("us-upc", "lavatory", 1.5, 1.68, "not met"),
        ("us-ipc", "shower", 2, 2.13, "met"),
        ("us-upc", "shower", 2, 2.13, "not met"),
        ("us-ipc", "lavatory", 1.25, 1.68, "not met"),
        ("us-ipc", "shower", 2, None, "not known"),
        # from memory: never met or not met
        ("ca-npc", "lavatory", 1.5, 1.68, "ask"),
        ("ca-obc", "shower", 2, 9.0, "ask"),
        ("us-ipc", "water-closet", 3, 9.0, "ask"),
    ],
)
def test_trap_to_vent(
    name: str, kind: str, trap_in: float, length_m: float | None, verdict: str
) -> None:
    """IPC Table 909.1: 1 1/2 in 6 ft, 2 in 8 ft; UPC Table 1002.2: 3 ft 6 in, 5 ft."""
    assert vent_check(plumbing(name), kind, trap_in * INCH, length_m, "ft").verdict == verdict


@pytest.mark.parametrize(
    ("name", "units"), [("us-ipc", 5.0), ("us-upc", 6.0), ("ca-npc", 6.0), ("ca-obc", 6.0)]
)
def test_a_new_bathroom_at_once(name: str, units: float) -> None:
    """Closet (1.6 gpf), lavatory, shower: IPC and NPC as a group, UPC 3 + 1 + 2."""
    assert plumbing(name).load(("water-closet", "lavatory", "shower")) == units


@pytest.mark.parametrize(("name", "units"), [("us-ipc", 14.0), ("us-upc", 17.0)])
def test_a_house_of_two_bathrooms(name: str, units: float) -> None:
    """Two bathrooms, kitchen sink, clothes washer: IPC 5 + 5 + 2 + 2, UPC 6 + 6 + 2 + 3."""
    bathroom = ("water-closet", "lavatory", "shower")
    assert plumbing(name).load((*bathroom, *bathroom, "kitchen", "laundry")) == units


@pytest.mark.parametrize(
    ("name", "inches", "slope", "most"),
    [
        ("us-ipc", 3, 1 / 96, 36), ("us-ipc", 2, 1 / 48, 21), ("us-ipc", 3, 1 / 48, 42),
        ("us-ipc", 4, 1 / 96, 180), ("us-ipc", 8, 1 / 192, 1400), ("us-ipc", 3, 1 / 192, 0),
        ("us-upc", 3, 1 / 48, 35), ("us-upc", 2, 1 / 48, 8), ("us-upc", 3, 1 / 96, 0),
        ("ca-obc", 3, 1 / 50, 27), ("ca-obc", 3, 1 / 100, 0), ("ca-obc", 4, 1 / 75, 180),
        ("ca-obc", 6, 1 / 133, 600), ("us-upc", 8, 1 / 48, None),
    ],
)  # fmt: skip
def test_greatest_load_by_size_and_slope(
    name: str, inches: float, slope: float, most: float | None
) -> None:
    """IPC Table 710.1(1), UPC Table 703.2, OBC Table 7.4.10.8; 1:75 counts as 1:100."""
    assert plumbing(name).loads.most(inches * INCH, slope) == most


def test_a_load_that_no_column_allows_is_not_met() -> None:
    """A 3 in pipe at 1:100 has no entry in the IPC's 1/16 column, whatever the load."""
    code = plumbing("us-ipc")
    assert (
        load_check(code, ("water-closet",), 3 * INCH, 1 / 150, "ft", "a branch").verdict
        == "not met"
    )
    assert load_check(code, ("water-closet",), 3 * INCH, 1 / 96, "ft", "a branch").verdict == "met"
    assert load_check(code, ("lavatory",) * 22, 2 * INCH, 1 / 48, "ft", "x").verdict == "not met"
    unsure = load_check(plumbing("ca-obc"), ("water-closet",), 3 * INCH, 0.02, "m", "a branch")
    assert unsure.verdict == "ask"


@pytest.mark.parametrize(
    ("name", "inches", "verdict"),
    [("us-ipc", 3, "met"), ("us-ipc", 2, "not met"), ("us-upc", 3, "met"), ("ca-npc", 2, "ask")],
)
def test_least_drain_of_a_water_closet(name: str, inches: float, verdict: str) -> None:
    """3 in: IPC Table 710.1(1) note a, UPC Table 702.1; Canada from memory."""
    assert closet_check(plumbing(name), inches * INCH, "ft").verdict == verdict


@pytest.mark.parametrize(
    ("name", "turns", "verdict", "words"),
    [
        ("us-ipc", (22.5, 45.0, 90.0), "asked", "one more for the turns (90°)"),
        ("us-upc", (22.5, 45.0, 90.0), "asked", "one more for the turns (157.5°)"),
        ("us-ipc", (45.0, 45.0), "ask", "ask whether"),
        ("us-ipc", (45.0,), "asked", ": 1"),
        # no Canadian limit is known here: turns are not counted
        ("ca-obc", (22.5, 45.0, 90.0), "asked", "from memory"),
    ],
)
def test_cleanouts_at_turns(name: str, turns: tuple[float, ...], verdict: str, words: str) -> None:
    """34 ft with 22.5, 45 and 90°: IPC 708.1.4 counts the 90, UPC 707.4 the sum of 157.5."""
    found = cleanout_check(plumbing(name), 100 * FOOT, 34 * FOOT, turns, "ft")

    assert found.verdict == verdict
    assert words in found.words


def test_cleanouts_by_length() -> None:
    """110 ft at one each 100 ft are two; 100 ft is one."""
    code = plumbing("us-ipc")
    assert ": 2" in cleanout_check(code, 100 * FOOT, 110 * FOOT, (), "ft").words
    assert ": 1" in cleanout_check(code, 100 * FOOT, 100 * FOOT, (), "ft").words


def test_a_fixture_that_cannot_drain_is_told_what_it_needs() -> None:
    """IPC 712: a vented pit 18 in across, check valve, its own vent; only where it is needed."""
    shallow = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.15))[0]
    deep = tie_ins(tie_survey(fixture("water-closet", 2.0, 2.0), invert_m=-0.8))[0]

    (said,) = [one.words for one in shallow.checks if one.code == "ejector"]
    assert all(word in said for word in ("18 in", "check valve", "own vent", "712"))
    assert "ejector" not in {one.code for one in deep.checks}


@pytest.mark.parametrize(
    ("name", "kinds", "inches", "governs"),
    [
        # 2 in carries 21 units at 1/4 (IPC Table 710.1(1)), 8 (UPC Table 703.2)
        ("us-ipc", ("lavatory",), 2, "the least size under a floor"),
        ("us-ipc", ("lavatory",) * 21, 2, "the least size under a floor"),
        ("us-ipc", ("lavatory",) * 22, 3, "its fixture units"),
        ("us-upc", ("lavatory",) * 9, 3, "its fixture units"),
        # the house of 14 units: the table alone gives 2 in at 1/4, the closet makes it 3 in
        ("us-ipc", (*BATHROOM, *BATHROOM, "kitchen", "laundry"), 3, "the water closet"),
        # OBC Table 7.4.10.8: 3 in carries 27 at 1:50, so five groups of 6 take 4 in at 1:100
        ("ca-obc", BATHROOM * 5, 4, "its fixture units"),
        # 36 units are the most of 3 in at 1/8
        ("us-ipc", ("kitchen",) * 18, 3, "its fixture units"),
        ("us-ipc", (*BATHROOM * 7, "kitchen"), 4, "its fixture units"),
    ],
)
def test_size_of_a_branch(name: str, kinds: tuple[str, ...], inches: float, governs: str) -> None:
    """The least trade size that no fixture's drain passes and that carries the load."""
    assert branch_size(load_rules(name), kinds) == (pytest.approx(inches * INCH), governs)


def test_closets_on_a_drain_are_counted() -> None:
    """UPC Table 703.2: at most three water closets on a horizontal 3 in pipe; the IPC sets none."""
    four = ("water-closet",) * 4
    found = closets_check(plumbing("us-upc"), four, 3 * INCH, "ft", "the drain")
    assert found is not None
    assert found.verdict == "not met"
    three = closets_check(plumbing("us-upc"), four[:3], 3 * INCH, "ft", "the drain")
    assert three is not None
    assert three.verdict == "met"
    assert closets_check(plumbing("us-upc"), four, 4 * INCH, "ft", "the drain") is None
    assert closets_check(plumbing("us-ipc"), four, 3 * INCH, "ft", "the drain") is None
    unsure = closets_check(plumbing("ca-obc"), four, 3 * INCH, "m", "the drain")
    assert unsure is not None
    assert unsure.verdict == "ask"


def test_a_bathroom_is_held_against_the_code_at_once() -> None:
    """A set loads branch and drain as a group of 5 (IPC Table 709.1), existing fixtures with it."""
    survey = tie_survey(fixture("bathroom", 2.0, 2.0))
    (found,) = tie_ins(survey)
    said = {one.name: one for one in found.checks}
    assert found.diameter_m == pytest.approx(3 * INCH)
    assert {"Vent of the water closet", "Vent of the lavatory", "Vent of the shower"} <= set(said)
    branch, alone = (one for one in found.checks if one.code == "fixture-units")
    assert branch.words.startswith("5 drainage fixture units on a branch")
    assert alone.verdict == "not known"
    site = replace(survey.site, existing_fixtures=("bathroom", "kitchen", "laundry"))
    (found,) = tie_ins(replace(survey, site=site))
    drain = [one for one in found.checks if one.code == "fixture-units"][1]
    assert drain.words.startswith("14 drainage fixture units on the drain, planned and existing")
    assert drain.verdict == "met"


def test_a_vent_that_stands_too_far_is_not_met_whatever_its_pipe() -> None:
    """IPC Table 909.1, 1 1/4 in: 5 ft. Straight 3-4-5 ft may be met, 3-4.1 ft cannot."""
    near, far = ((2.0 + 3 * FOOT, 2.0 + y * FOOT) for y in (4.0, 4.1))
    verdicts = []
    for vent in (near, far):
        one = replace(fixture("lavatory", 2.0, 2.0), vent_m=vent)
        (found,) = tie_ins(tie_survey(one))
        verdicts += [check.verdict for check in found.checks if check.code == "trap-arm"]
        assert found.vent is not None
        assert np.hypot(*(found.vent[1] - found.vent[0])) == pytest.approx(
            np.hypot(vent[0] - 2.0, vent[1] - 2.0)
        )
    assert verdicts == ["ask", "not met"]


@pytest.mark.parametrize("name", NAMES)
def test_a_number_is_sure_or_said_to_be_from_memory(name: str) -> None:
    """Whatever may be called met names a section that was seen; all else says so."""
    tables = asdict(plumbing(name))
    rows: list[dict[str, Any]] = [*tables["trap_arms"], *tables["fixtures"].values()]
    rows += [tables[key] for key in ("loads", "water_closet", "cleanouts", "stack_base")]
    rows += [tables["backwater"]] if name == "ca-npc" else []
    for row in rows:
        if row is not None:
            assert row["section"]
            assert row["sure"] or "from memory" in row["section"], row


@pytest.mark.parametrize("name", NAMES)
def test_every_check_names_its_section(name: str) -> None:
    """Every planned kind of fixture is held against the code, and told where the number stands."""
    for kind in get_args(FixtureKind):
        survey = replace(tie_survey(fixture(kind, 2.0, 2.0)), rules=load_rules(name))
        (found,) = tie_ins(survey)
        assert {"trap-arm", "fixture-units", "cleanout"} <= {one.code for one in found.checks}
        for check in found.checks:
            assert not check.section or check.section in check.words
            assert "from memory" not in check.section or check.verdict not in ("met", "not met")


def test_the_cover_is_that_of_the_next_manhole_upstream() -> None:
    """Covers at 31.0, 30.0 and 29.0 m, stations 2, 10 and 30: a tap at 12 has the one of 30.0."""
    survey, tap = tapped("us-ipc", COVER_M, STREET_M)
    one = tap.main.manholes[0]
    manholes = tuple(
        replace(one, station_m=at, rim_m=rim)
        for at, rim in ((2.0, 31.0), (10.0, 30.0), (30.0, 29.0))
    )
    words = {}
    for station_m in (1.0, 5.0, 12.0, 40.0):
        there = replace(tap, main=replace(tap.main, manholes=manholes), station_m=station_m)
        fixture_ = PlannedFixture("F", "floor-drain", "R1", 1.0, 1.0, name="F")
        (check,) = backwater_checks(survey, fixture_, 30.5, [there])
        words[station_m] = check.verdict, check.words
    assert [words[at][0] for at in (1.0, 5.0, 12.0, 40.0)] == [
        "not known",
        "asked",
        "not asked",
        "not asked",
    ]
    assert "below it (100 % below)" in words[5.0][1]
    assert all("above it (0 % below)" in words[at][1] for at in (12.0, 40.0))
    # both 0.5 m from the floor
    gaps = [
        words[at][1].split(" lies ")[1].split(" it (")[0].rsplit(" ", 1)[0] for at in (5.0, 12.0)
    ]
    assert gaps == [about(0.5, "ft")] * 2


def test_the_lowest_rim_of_a_bathroom_counts() -> None:
    """UPC 710.1: a shower's rim is at the floor, 0.75 m under that of the lavatory beside it."""
    assert valve("us-upc", "lavatory", 29.80) == "not asked"
    assert valve("us-upc", "shower", 29.80) == "asked"
    assert valve("us-upc", "bathroom", 29.80) == "asked"


def test_a_floor_drain_has_three_inches_where_the_table_asks_for_less() -> None:
    """And a water closet what the code names for it, whatever its line of the table says."""
    rules = load_rules("us-ipc")
    code = rules.plumbing
    small = {name: replace(one, drain_m=0.0381) for name, one in code.fixtures.items()}
    rules = replace(rules, plumbing=replace(code, fixtures=small))
    assert branch_size(rules, ("floor-drain",))[0] == pytest.approx(3 * 0.0254)
    assert branch_size(rules, ("lavatory",))[0] == pytest.approx(2 * 0.0254)
    least = code.water_closet.least_m
    assert branch_size(rules, ("water-closet",))[0] >= least - 1e-9
    assert least > 2.5 * 0.0254
