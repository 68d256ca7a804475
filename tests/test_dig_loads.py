"""Fixture units per pipe: by hand from the published tables, branch by branch, and by brute force.

Units: IPC Table 709.1 (bathroom group 5, kitchen sink 2, clothes washer 2), UPC Table 702.1 (closet
3, lavatory 1, shower 2, washer 3). Sizes: IPC Table 710.1(1), UPC Table 703.2.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.dig.codes import least_size
from sitegis.dig.loads import _stretches, downstream, pipe_loads
from sitegis.dig.tie_in import tie_ins
from sitegis.model.branches import Branch, Branches, Wye
from sitegis.model.derived import PipeLoad
from sitegis.model.results import ProfileComponent
from sitegis.model.site import PlannedFixture, Run, single_fixtures
from sitegis.model.survey import Survey
from sitegis.rules.rule_set import load_rules
from tests.test_dig_tie_in import fixture, tie_survey

INCH = 0.0254
SLOPE = 0.022  # a little over 1/4 in/ft: its column counts


def branch(
    run: str, joins: str, wye_m: float, *, slope: float = SLOPE, system: str = "sanitary"
) -> Branch:
    """Return a branch of 3 m that joins a pipe at a station."""
    start = np.array([4.4, 17.0 - wye_m])
    wye = Wye(
        7.4, 17.0 - wye_m, -0.5, np.eye(3) * 1e-4, 0.2, wye_m, 0.1, 3.0, 45.0, 2.0, "left", 0.9, 0.0
    )
    profile = (ProfileComponent(1.0, np.array([-0.5, slope]), np.diag([1e-4, 1e-8])),)
    return Branch(
        run, joins, 0.99, system, "downstream", np.stack([start, start + np.array([3.0, 0.0])]),  # type: ignore[arg-type]
        np.full(2, 0.1), (), np.zeros(0), np.zeros(0), (), (), wye, profile, slope, 1e-4, 0.5,
    )  # fmt: skip


def house(
    rules: str,
    *fixtures: PlannedFixture,
    sizes: dict[str, float] | None = None,
    washer: bool = True,
) -> Survey:
    """A washer at the head of the trunk; bath, with kitchen on its own branch, at 2 m; bar at 5 m.

    The trunk is of 4 in and falls 1/4 in/ft, as all branches do.
    """
    listed = {
        "main": ("laundry",) * washer,
        "bath": ("bathroom",),
        "kitchen": ("kitchen",),
        "bar": ("lavatory",),
    }
    sizes = {"bath": 3.0, "kitchen": 2.0, "bar": 2.0} if sizes is None else sizes
    runs = tuple(
        Run(
            run,
            "CO1",
            existing_fixtures=kinds,
            system="sanitary",
            diameter_m=None if run not in sizes else sizes[run] * INCH,
        )
        for run, kinds in listed.items()
    )
    joined = Branches(
        "main",
        (),
        (branch("bath", "main", 2.0), branch("kitchen", "bath", 1.0), branch("bar", "main", 5.0)),
        (),
        (),
    )
    survey = tie_survey(*fixtures)
    drain = replace(survey.drain, slope=SLOPE, slope_sd=1e-4)
    return replace(
        survey,
        rules=load_rules(rules),
        joined=joined,
        fitted=drain,
        site=replace(survey.site, runs=runs),
    )


def by_place(loads: tuple[PipeLoad, ...]) -> dict[tuple[str, int], PipeLoad]:
    """Name each stretch by its run and its number on it."""
    named: dict[tuple[str, int], PipeLoad] = {}
    for one in loads:
        named[one.run, sum(key[0] == one.run for key in named)] = one
    return named


@pytest.mark.parametrize(
    ("rules", "units"),
    [
        # bath alone 5, with the kitchen 7; trunk: washer 2, + bath and kitchen 9, + lavatory 10
        ("us-ipc", {("kitchen", 0): 2, ("bath", 0): 5, ("bath", 1): 7, ("bar", 0): 1,
                    ("main", 0): 2, ("main", 1): 9, ("main", 2): 10}),
        # 3 + 1 + 2 = 6 and 2; washer 3
        ("us-upc", {("kitchen", 0): 2, ("bath", 0): 6, ("bath", 1): 8, ("bar", 0): 1,
                    ("main", 0): 3, ("main", 1): 11, ("main", 2): 12}),
    ],
)  # fmt: skip
def test_each_branch_counts_on_its_own_pipe_and_below_its_wye(
    rules: str, units: dict[tuple[str, int], int]
) -> None:
    """By hand from the tables of units, stretch by stretch."""
    named = by_place(pipe_loads(house(rules), ()))

    assert {key: one.units for key, one in named.items()} == units
    assert named["main", 1].carries == ("bath", "kitchen")
    assert (named["main", 1].from_m, named["main", 1].to_m) == (2.0, 5.0)
    assert named["main", 2].to_m == pytest.approx(8.0)


def test_the_table_by_size_and_slope_is_held_against_every_pipe() -> None:
    """IPC Table 710.1(1) at 1/4 in/ft: 2 in carries 21, 3 in 42, 4 in 216 units.

    A branch of 2 in is not met by its closet (3 in, note a) though 7 units fit it.
    """
    named = by_place(pipe_loads(house("us-ipc"), ()))
    words = {key: one.checks[0].words for key, one in named.items()}
    assert "at most 21 at 2.20 %: met" in words["kitchen", 0]
    assert "7 drainage fixture units" in words["bath", 1]
    assert "at most 42 at 2.20 %: met" in words["bath", 1]
    assert "10 drainage fixture units" in words["main", 2]
    assert "at most 216 at 2.20 %: met" in words["main", 2]

    narrow = by_place(pipe_loads(house("us-ipc", sizes={"bath": 2.0}), ()))["bath", 1]
    verdicts = {check.code: check.verdict for check in narrow.checks}
    assert verdicts == {"fixture-units": "met", "water-closet-drain": "not met"}


def test_too_much_for_a_branch_is_not_met_there_and_fits_the_trunk() -> None:
    """UPC Table 703.2: 2 in carries 8 units; with 9 lavatories the bar's branch does not."""
    survey = house("us-upc")
    runs = tuple(
        replace(run, existing_fixtures=("lavatory",) * 9) if run.id == "bar" else run
        for run in survey.site.runs
    )
    named = by_place(pipe_loads(replace(survey, site=replace(survey.site, runs=runs)), ()))

    assert [check.verdict for check in named["bar", 0].checks] == ["not met"]
    assert named["bar", 0].units == 9
    # 216 on 4 in; the washer's units are from memory there, so that nothing is called met
    assert "not met" not in {check.verdict for check in named["main", 2].checks}
    assert named["main", 2].units == 3 + 8 + 9


def test_what_nobody_listed_is_not_called_met() -> None:
    """Without the washer's list the trunk's sum leaves it out, and says so; the branches stand."""
    named = by_place(pipe_loads(house("us-ipc", washer=False), ()))

    assert named["bath", 1].checks[0].verdict == "met"
    (check,) = named["main", 2].checks
    assert check.verdict == "not known"
    assert named["main", 2].unlisted == ("main",)
    assert "without those there already on main" in check.words


def test_a_slope_that_decides_and_is_not_known_is_asked_for() -> None:
    """IPC: 3 in has no entry under 1/8 in/ft. At 1.2 % +- 0.5 % the load may be allowed or not."""
    survey = house("us-ipc")
    assert survey.joined is not None
    flat = replace(survey.joined.branches[0], slope=0.012, slope_sd=0.0025)
    joined = replace(survey.joined, branches=(flat, *survey.joined.branches[1:]))

    (check,) = by_place(pipe_loads(replace(survey, joined=joined), ()))["bath", 1].checks

    assert check.verdict == "ask"
    assert "± 0.5 % (95 %): measure it" in check.words


@pytest.mark.parametrize(
    ("rules", "kinds", "inches"),
    [
        ("us-ipc", ("lavatory",) * 21, 2.0),  # 21 units, 2 in at 1/4 in/ft
        ("us-ipc", ("lavatory",) * 22, 2.5),  # 24
        ("us-ipc", ("lavatory",) * 25, 3.0),
        ("us-ipc", ("water-closet",), 3.0),  # by its closet
        ("us-upc", ("lavatory",) * 9, 2.5),  # UPC: 2 in 8, 2 1/2 in 14
    ],
)
def test_the_least_size_where_nobody_gave_one(
    rules: str, kinds: tuple[str, ...], inches: float
) -> None:
    """The least size of the code's table that carries the load."""
    assert least_size(load_rules(rules).plumbing, kinds, SLOPE) == pytest.approx(inches * INCH)
    told = by_place(pipe_loads(house("us-ipc", sizes={}), ()))["bath", 1].checks[0]
    assert told.verdict == "not known"
    assert 'at least 3"' in told.words


def test_a_planned_fixture_counts_from_its_tie_in_down() -> None:
    """A closet on the trunk's last stretch: 10 + 3 units there, as many as before above."""
    survey = house("us-ipc", fixture("water-closet", 7.0, 1.0))
    (made,) = tie_ins(survey)
    named = by_place(pipe_loads(survey, (replace(made, joins="", station_m=6.0),)))

    assert named["main", 1].units == 9
    # two groups need two lavatories and two showers: 5 + 2 + 2 + 1 + 3
    assert named["main", 2].units == 13
    on_branch = by_place(pipe_loads(survey, (replace(made, joins="kitchen", station_m=0.5),)))
    assert on_branch["kitchen", 0].units == 5
    assert on_branch["bath", 0].units == 5
    assert on_branch["bath", 1].units == 10
    assert on_branch["main", 1].units == 12


def test_a_tie_in_is_held_against_every_pipe_it_drains_through() -> None:
    """On the trunk or a branch: every pipe down to the wall has its check, existing ones too."""
    (found,) = tie_ins(house("us-ipc", fixture("laundry", 7.5, 3.5)))
    words = [check.words for check in found.checks if check.code == "fixture-units"]

    assert words[0].startswith("2 drainage fixture units on a branch")
    if not found.joins:
        assert "on run main" in words[1]
    assert all("planned and existing" in one for one in words[1:])


KINDS = ("lavatory", "kitchen", "laundry", "shower", "bathroom")


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.integers(-1, 3), min_size=4, max_size=4),
    st.lists(st.lists(st.sampled_from(KINDS), min_size=1, max_size=3), min_size=5, max_size=5),
    st.lists(st.floats(0.2, 2.8), min_size=4, max_size=4),
)
def test_any_tree_carries_what_a_walk_from_every_fixture_finds(
    parents: list[int], lists: list[list[str]], wyes: list[float]
) -> None:
    """Brute force: each fixture walks down to the wall, and is counted wherever it passes."""
    names = ["main", "a", "b", "c", "d"]
    joins = {names[i + 1]: names[min(parents[i], i - 1) + 1] for i in range(4)}
    runs = tuple(
        Run(name, "CO1", existing_fixtures=tuple(kinds), diameter_m=0.1)
        for name, kinds in zip(names, lists, strict=True)
    )
    at = dict(zip(names[1:], wyes, strict=True))
    joined = Branches(
        "main",
        (),
        tuple(branch(name, joins[name], at[name]) for name in names[1:]),
        (),
        (),
    )
    survey = tie_survey()
    survey = replace(survey, joined=joined, site=replace(survey.site, runs=runs))

    for load in pipe_loads(survey, ()):
        passing: list[str] = []
        middle = 0.5 * (load.from_m + load.to_m)
        for run, kinds in zip(names, lists, strict=True):
            pipe, station = run, 0.0
            while True:
                if pipe == load.run and station <= middle:
                    passing += kinds
                if pipe == "main":
                    break
                pipe, station = joins[pipe], at[pipe]
        assert sorted(single_fixtures(passing)) == list(load.fixtures)


def test_a_storm_branch_carries_nothing() -> None:
    survey = house("us-ipc")
    assert survey.joined is not None
    storm = replace(survey.joined.branches[2], system="storm")
    joined = replace(survey.joined, branches=(*survey.joined.branches[:2], storm))

    named = by_place(pipe_loads(replace(survey, joined=joined), ()))

    assert ("bar", 0) not in named
    assert named["main", 1].units == 9


def test_a_stretch_of_no_length_is_left_out() -> None:
    """Wyes at 3 and 7.5 m, one beyond each end: of 10 m three stretches, each with a length."""
    pipe = SimpleNamespace(run="T", length_m=10.0)
    others = {
        str(at): SimpleNamespace(run=str(at), joins="T", wye_m=at) for at in (7.5, -2.0, 3.0, 12.0)
    }
    others["x"] = SimpleNamespace(run="x", joins="other", wye_m=5.0)
    found = _stretches(others, pipe)  # type: ignore[arg-type]  # what it reads of a pipe
    assert found == [(0.0, 3.0), (3.0, 7.5), (7.5, 10.0)]


def test_past_the_known_end_the_last_stretch_carries_what_ties_in() -> None:
    """Three stretches up to 9 m: at 4 m the second, at 9.5 m the third, alone."""
    loads = tuple(SimpleNamespace(run="", to_m=at) for at in (3.0, 6.0, 9.0))
    survey = SimpleNamespace(joined=None)
    for station, expected in ((4.0, 6.0), (0.0, 3.0), (9.5, 9.0)):
        found = downstream(loads, survey, "", station)  # type: ignore[arg-type]
        assert [one.to_m for one in found] == [expected]
