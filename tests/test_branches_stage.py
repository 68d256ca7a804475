"""Several runs of the cable, from placed points to a trunk and its branches."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sitegis.branches import fit_drains
from sitegis.line import fit_line
from sitegis.model.branches import Branches
from sitegis.model.site import Locate, Run, Site, WyeSeen
from sitegis.model.survey import Survey
from sitegis.place import place_points
from sitegis.rules.rule_set import load_rules
from tests.branch_houses import TrueHouse, at_station, draw_house, length_of
from tests.invented import corner_site

RULES = load_rules("us-ipc")


def placed(site: Site) -> Survey:
    return place_points(Survey(site, RULES))


def tree(survey: Survey) -> Branches:
    assert survey.joined is not None
    return survey.joined


@cache
def drawn(seed: int, branches: int = 1, *, apart: bool = False) -> tuple[TrueHouse, Survey]:
    house = draw_house(seed, branches, apart=apart)
    return house, fit_drains(placed(house.site))


def locate(name: str, x: float, y: float, count: float | None, run: str, **more: object) -> Locate:
    """Return a located point in the basement's room R1 of the corner lot."""
    row = Locate(
        name, "locate", "R1", x, y, 0.50, count, None, None, None, None, "slab", "", 9, run
    )
    return replace(row, **more)  # type: ignore[arg-type]


def straight_site(*more: Locate, runs: tuple[Run, ...]) -> Site:
    """Return a trunk straight toward the front wall from (3, 5.5), 1.1 m between its points.

    True to the centimeter; ``more`` rows come on top.
    """
    site = corner_site(count=3)
    rows = [locate("CO1", 3.0, 5.5, None, "main", kind="cleanout", depth_m=None)]
    rows += [locate(f"L{i}", 3.0, 5.5 - 1.1 * i, 1.1 * i, "main") for i in range(1, 5)]
    return replace(site, locates=(*rows, *more), runs=runs)


KITCHEN = (
    locate("ST2", 5.4, 5.4, None, "", kind="stack", depth_m=None),
    locate("K1", 4.6, 4.6, 1.1, "kitchen"),
    locate("K2", 3.9, 3.9, 2.1, "kitchen"),
)
PAST = (locate("K3", 3.0, 2.4, 4.0, "kitchen"), locate("K4", 3.0, 1.3, 5.1, "kitchen"))
RUNS = (Run("main", "CO1"), Run("kitchen", "ST2"))


def test_points_on_a_branch_do_not_bend_the_trunk() -> None:
    """Without runs two points on a branch turn the drain; with runs it is as without them."""
    alone = fit_line(placed(replace(straight_site(runs=()), runs=())))
    bath = (
        locate("ST2", 4.4, 2.2, None, "", kind="stack", depth_m=None),
        locate("K1", 3.8, 1.6, None, "kitchen"),
        locate("K2", 3.4, 1.3, None, "kitchen"),
    )
    mixed = fit_line(placed(straight_site(*bath[1:], runs=())))
    noted = (RUNS[0], replace(RUNS[1], joins=WyeSeen(run="main")))
    both = fit_drains(placed(straight_site(*bath, runs=noted)))
    off = [abs(float(one.drain.end_angle_rad) + np.pi / 2) for one in (alone, mixed, both)]
    assert np.degrees(off[1]) > 2.0
    assert off[2] == pytest.approx(off[0], abs=1e-6)
    assert both.drain.point_ids == alone.drain.point_ids
    assert both.drain.end_covariance == pytest.approx(alone.drain.end_covariance, rel=1e-6)


def test_points_past_the_wye_inform_the_trunk() -> None:
    """Two more points on the trunk are two more readings of it: its end is better known."""
    without = fit_drains(placed(straight_site(*KITCHEN, runs=RUNS)))
    shared = fit_drains(placed(straight_site(*KITCHEN, *PAST, runs=RUNS)))
    assert tree(shared).trunk_ids == ("K3", "K4")
    assert {"K3", "K4"} <= set(shared.drain.point_ids)
    assert shared.drain.end_covariance[2, 2] < without.drain.end_covariance[2, 2]


def test_the_branch_of_a_straight_trunk() -> None:
    """By hand: the line y = x in the room meets x = 3 at y = 3; it comes from the left."""
    (branch,) = tree(fit_drains(placed(straight_site(*KITCHEN, *PAST, runs=RUNS)))).branches
    assert (branch.joins, branch.point_ids) == ("main", ("ST2", "K1", "K2"))
    assert branch.shared_ids == ("K3", "K4")
    assert branch.wye is not None
    base = np.array([8 * 0.3048, 25 * 0.3048]) + 0.3048
    assert [branch.wye.x_m, branch.wye.y_m] == pytest.approx(base + 3.0, abs=0.12)
    assert branch.wye.side == "left"
    assert branch.wye.turn_deg == pytest.approx(45.0, abs=4.0)
    assert branch.wye.footage_m == pytest.approx(2.1 + 0.9 * np.sqrt(2), abs=0.25)
    assert branch.probability > 0.95


def test_one_run_is_as_none() -> None:
    """A single run, named or not, is the site as it ever was."""
    plain = straight_site(runs=())
    named = straight_site(runs=(Run("main", "CO1"),))
    one, other = (fit_drains(placed(site)) for site in (plain, named))
    assert one == replace(other, site=one.site)
    assert other.joined is None


def test_a_push_inwards_counts_backward() -> None:
    """From the yard's cleanout the footage falls with the flow; the drain is the same."""
    site = straight_site(runs=(Run("yard", "YC", toward="upstream"),))
    rows = tuple(
        replace(row, run="yard", footage_m=None if i == 0 else 20.0 - 1.1 * i)
        for i, row in enumerate(site.locates)
    )
    yard = locate("YC", 3.0, -8.0, None, "", kind="cleanout", room="lot", depth_m=None)
    survey = fit_drains(placed(replace(site, locates=(*rows, yard))))
    assert survey.drain.point_ids == ("CO1", "L1", "L2", "L3", "L4")
    assert np.degrees(survey.drain.end_angle_rad) == pytest.approx(-90.0, abs=1.0)


def test_a_yard_push_informs_the_trunk_that_others_found() -> None:
    """Inwards from the yard and outwards from the cleanout: one pipe, one trunk."""
    inwards = tuple(locate(f"Y{i}", 3.0, 1.6 + 1.1 * i, 6.0 + 1.1 * i, "yard") for i in range(3))
    yard = locate("YC", 3.0, -5.0, None, "", kind="cleanout", room="lot", depth_m=None)
    runs = (Run("main", "CO1"), Run("yard", "YC", toward="upstream"))
    survey = fit_drains(placed(straight_site(*inwards, yard, runs=runs)))
    assert set(survey.drain.point_ids) == {"CO1", "L1", "L2", "L3", "L4", "Y0", "Y1", "Y2"}
    assert list(survey.drain.stations_m) == sorted(survey.drain.stations_m)


def test_storm_and_sanitary_that_meet_are_told() -> None:
    """The same points, the second run a storm drain: a possible cross-connection, and where."""
    runs = (replace(RUNS[0], system="sanitary"), replace(RUNS[1], system="storm"))
    found = tree(fit_drains(placed(straight_site(*KITCHEN, *PAST, runs=runs))))
    (crossing,) = found.crossings
    base = np.array([8 * 0.3048, 25 * 0.3048]) + 0.3048
    assert [crossing.x_m, crossing.y_m] == pytest.approx(base + 3.0, abs=0.3)
    assert 0.03 < crossing.probability < 1.0
    assert "cross-connection" in {notice.code for notice in found.notices}


def test_what_the_camera_saw_and_the_points_contradict_is_named() -> None:
    seen = WyeSeen(run="main", footage_m=6.0, side="right")
    runs = (RUNS[0], replace(RUNS[1], joins=seen))
    codes = {
        n.code for n in tree(fit_drains(placed(straight_site(*KITCHEN, *PAST, runs=runs)))).notices
    }
    assert {"wye-side-disagrees", "wye-footage-disagrees"} <= codes


@pytest.mark.parametrize("seed", [1, 4])
def test_two_branches(seed: int) -> None:
    """Both branches of an invented house find the trunk, near their true wyes."""
    house, survey = drawn(seed, 2)
    found = tree(survey)
    assert dict(found.topologies[0].joins) == house.joins
    for branch in found.branches:
        assert branch.wye is not None
        off = np.hypot(*(np.array([branch.wye.x_m, branch.wye.y_m]) - house.wyes[branch.id]))
        assert off < 1.5 * branch.wye.radius_95_m


def test_the_generator_lays_what_it_says() -> None:
    """A branch's last vertex lies on the trunk at its station."""
    house, _ = drawn(1)
    trunk, kitchen = house.pipes["main"].vertices, house.pipes["kitchen"]
    assert at_station(trunk, kitchen.station_m) == pytest.approx(house.wyes["kitchen"], abs=1e-9)
    assert 0.0 < kitchen.station_m < length_of(trunk)
