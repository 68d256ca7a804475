"""Volumes against closed forms, slopes and depths against the published rules."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.dig import plan_dig
from sitegis.dig.excavation import (
    excavate,
    excavations,
    joint_sides,
    longer_values,
    pit_statements,
    planned_soil,
    prismoid_m3,
    shielded_m3,
    sides_of,
    widened,
)
from sitegis.model.dig_plan import LongerPit, Pit
from sitegis.model.site import DigSettings, Site
from sitegis.pits.cost import rectangle_rings
from sitegis.rules.rule_set import load_rules
from sitegis.units import about
from tests.dig_clouds import RULES, two_way_survey
from tests.invented import corner_site

FOOT = 0.3048
sizes = st.floats(0.2, 5.0)


def pit_of(depth_m: float, x: float = 6.0, y: float = 0.0) -> Pit:
    """Return a 1.2 × 0.9 m pit of a depth."""
    ring = rectangle_rings(np.array([[x, y]]), np.zeros(1), np.array([[1.2, 0.9]]))[0]
    return Pit(
        1, x, y, ring, 1.0, 1.0, depth_m, depth_m, depth_m, 1.08 * depth_m, 1.0, "lawn", True, ()
    )


def site_with_soil(soil: str | None) -> Site:
    """Return the corner lot with a soil type asked for."""
    return replace(corner_site(), dig=DigSettings(soil_type=soil))


@settings(deadline=None, max_examples=50)
@given(sizes, sizes, st.floats(0.0, 2.0))
def test_square_pit_with_sloped_sides_is_the_frustum_of_a_pyramid(
    side: float, depth: float, slope: float
) -> None:
    """Frustum of a pyramid: h/3 (A + B + √(A B)) (any mensuration table)."""
    bottom, top = side**2, (side + 2 * slope * depth) ** 2

    expected = depth / 3 * (bottom + top + np.sqrt(bottom * top))

    assert prismoid_m3(side, side, depth, slope) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(("soil", "ratio"), [("B", 1.0), ("C", 1.5)])
def test_sides_are_laid_back_as_table_b_1_says(soil: str, ratio: float) -> None:
    """29 CFR 1926 Subpart P App. B, Table B-1: type B 1:1, type C 1½:1 (less than 20 ft)."""
    found = excavate(site_with_soil(soil), load_rules("us-ipc"), pit_of(2.0))

    assert found.sloped_ring is not None
    assert sides_of(found.sloped_ring) == pytest.approx(
        (1.2 + 2 * ratio * 2.0, 0.9 + 2 * ratio * 2.0)
    )
    assert found.sloped_m3 == pytest.approx(prismoid_m3(1.2, 0.9, 2.0, ratio))


def test_type_a_is_refused_where_the_ground_was_dug_before() -> None:
    """Subpart P App. A: previously disturbed soil is not type A: planned on C, and said so."""
    soil, notice = planned_soil(site_with_soil("A"), RULES)

    assert soil == "C"
    assert notice is not None
    assert notice.code == "soil-type-refused"
    assert "never dug" in notice.message


def test_the_default_soil_is_the_rule_sets_own_silently() -> None:
    """Where nothing was chosen the Canadian set plans on type 3, without a notice."""
    assert planned_soil(site_with_soil(None), load_rules("ca-npc")) == ("3", None)
    assert planned_soil(site_with_soil("4"), load_rules("ca-npc")) == ("4", None)
    assert planned_soil(site_with_soil("B"), load_rules("us-ipc")) == ("B", None)


def test_a_soil_the_rule_set_does_not_know_is_refused() -> None:
    """Type Q is no type: the default, and a notice."""
    soil, notice = planned_soil(site_with_soil("Q"), RULES)

    assert soil == "C"
    assert notice is not None
    assert "not a type of the rule set" in notice.message


@pytest.mark.parametrize(
    ("depth_ft", "words"),
    [
        (3.9, ["Shallow"]),
        (4.0, ["within 25 ft", "oxygen", "Shallow"]),
        (5.0, ["within 25 ft", "oxygen", "1.5 to 1 (soil type C"]),
        (20.0, ["within 25 ft", "oxygen", "registered engineer"]),
    ],
)
def test_statements_begin_at_the_rules_depths(depth_ft: float, words: list[str]) -> None:
    """29 CFR 1926.651(c)(2), (g)(1) 4 ft; .652(a)(1) 5 ft; Table B-1 note 20 ft; (j)(2) 2 ft."""
    lines = pit_statements(RULES, depth_ft * FOOT, "C", below_footing=False)

    assert len(lines) == len(words) + 1
    assert all(word in line for word, line in zip(words, lines, strict=False))
    assert "2 ft back" in lines[-1]


@pytest.mark.parametrize(
    ("name", "section"),
    [("us-ipc", "1926.651(i)(2)"), ("us-upc", "1926.651(i)(2)"), ("ca-npc", "s. 229")],
)
def test_a_pit_below_the_footing_names_the_engineer(name: str, section: str) -> None:
    """29 CFR 1926.651(i)(2); O. Reg. 213/91, s. 229 (both from memory, and said so)."""
    rules = load_rules(name)
    soil = rules.default_soil
    # the house's front is at y 9; ground 2 m above the slab: 3.5 m deep is 1.2 m below the footing
    near, far = pit_of(3.5, y=6.5), pit_of(3.5, y=1.0)

    said = [
        [line for line in excavate(corner_site(), rules, one).statements if section in line]
        for one in (near, far, pit_of(2.2, y=6.5))
    ]

    assert [len(lines) for lines in said] == [1, 0, 0]
    assert "engineer" in said[0][0].lower()
    assert "from memory" in said[0][0]
    assert f"{rules.trench_slopes[soil]:g} to 1" in said[0][0]


CUBIC_YARD = 27.0


@pytest.mark.parametrize(
    ("slope", "in_place", "bulked"),
    [(0.0, 2.67, 3.33), (0.75, 15.67, 19.58), (1.0, 22.67, 28.33), (1.5, 40.67, 50.83)],
)
def test_volumes_of_a_pit_for_each_soil(slope: float, in_place: float, bulked: float) -> None:
    """A bottom of 4 x 3 ft, 6 ft deep, by hand with the prismoidal formula; 25 % bulking."""
    found = prismoid_m3(4.0, 3.0, 6.0, slope) / CUBIC_YARD

    assert found == pytest.approx(in_place, abs=0.005)
    assert 1.25 * found == pytest.approx(bulked, abs=0.01)


@pytest.mark.parametrize(
    ("sizes_and_slope", "expected"),
    [
        # cubic yards: 4 ft vertical, type C above; Subpart P Appendix B allows it in a shield
        ((4.0, 3.0, 6.0, 1.5, 4.0), 5.11 * CUBIC_YARD),
        # cubic meters: O. Reg. 213/91 s. 234 type 1 or 2, 1.2 m vertical and 1:1 above
        ((1.2, 0.9, 1.8, 1.0, 1.2), 2.99),
        # shallower than the vertical part: a plain pit
        ((1.2, 0.9, 1.0, 1.5, 1.2), 1.08),
    ],
)
def test_volume_with_the_lowest_part_vertical(
    sizes_and_slope: tuple[float, float, float, float, float], expected: float
) -> None:
    """Worked by hand as box and prismoid."""
    assert shielded_m3(*sizes_and_slope) == pytest.approx(expected, abs=0.005 * max(1, expected))


def test_every_system_has_its_loose_heap() -> None:
    """Each volume in the ground is bulked by the soil's share; C holds 25 % (common earth)."""
    found = excavate(corner_site(), RULES, pit_of(2.0))

    assert found.sloped_m3 is not None
    assert found.shielded_m3 is not None
    assert found.vertical_m3 < found.shielded_m3 < found.sloped_m3
    assert [found.spoil_m3, found.sloped_spoil_m3, found.shielded_spoil_m3] == pytest.approx(
        [1.25 * found.vertical_m3, 1.25 * found.sloped_m3, 1.25 * found.shielded_m3]
    )


def test_past_the_engineers_depth_no_slope_is_offered() -> None:
    """At 20 ft Table B-1 ends."""
    found = excavate(corner_site(), RULES, pit_of(20 * FOOT))

    assert found.sloped_m3 is None
    assert found.sloped_ring is None


def test_spoil_keeps_two_feet_back() -> None:
    """29 CFR 1926.651(j)(2): spoil 2 ft from the edge, all round."""
    found = excavate(corner_site(), RULES, pit_of(1.0))

    assert sides_of(found.spoil_ring) == pytest.approx((1.2 + 4 * FOOT, 0.9 + 4 * FOOT))
    assert found.spoil_m3 > found.vertical_m3 > found.backfill_m3


def test_laid_back_sides_that_do_not_fit_are_told() -> None:
    """Beside the house a 3 m pit laid back 1½:1 does not fit; a 1 m pit far from it does."""
    assert not excavate(corner_site(), RULES, pit_of(3.0, y=6.0)).sloped_fits
    assert excavate(corner_site(), RULES, pit_of(1.0, y=0.0)).sloped_fits


def test_widening_a_turned_pit_moves_every_side_out() -> None:
    """A 3 × 1 m pit at 40° widened by 0.5 m is 4 × 2 m about the same center."""
    ring = rectangle_rings(
        np.array([[2.0, 3.0]]), np.array([np.radians(40)]), np.array([[3.0, 1.0]])
    )[0]

    grown = widened(ring, 0.5)

    assert sides_of(grown) == pytest.approx((4.0, 2.0))
    assert grown.mean(axis=0) == pytest.approx([2.0, 3.0])


def test_two_pits_beside_each_other_are_one_longer_pit() -> None:
    """Two 4 x 3 ft pits 5 ft apart and 6 ft deep in type C: 13 x 3 ft, 64.67 against 81.33 cu yd.

    Prismoids by hand: 6/6 (39 + 4 · 22 · 12 + 31 · 21)/27 and twice 40.67.
    """
    near, far = (
        rectangle_rings(np.array([[x * FOOT, -3.0]]), np.zeros(1), np.array([[4, 3]]) * FOOT)[0]
        for x in (2.0, 11.0)
    )
    pits = [
        replace(pit_of(6 * FOOT, x, -3.0), ring=ring, rank=rank)
        for rank, x, ring in ((1, 2.0 * FOOT, near), (2, 11.0 * FOOT, far))
    ]
    survey = plan_dig(two_way_survey())
    survey = replace(survey, planned=replace(survey.dig, pits=tuple(pits)))

    assert joint_sides([near, far]) == pytest.approx((13 * FOOT, 3 * FOOT))
    found = excavations(survey)
    lines = {one.statements[-1] for one in found}
    assert len(lines) == 1
    said = lines.pop()
    assert said.startswith("Pits 1 and 2 overlap")
    assert "13' 0\" x 3' 0\"" in said
    assert "64.7 cu yd" in said
    assert "81.3 cu yd" in said
    # of unlike depths both are dug to the deeper one
    deeper = [pits[0], replace(pits[1], depth_m=7 * FOOT)]
    unlike = replace(survey, planned=replace(survey.dig, pits=tuple(deeper)))
    assert "7' 0\" deep" in excavations(unlike)[0].statements[-1]


def test_a_longer_pit_is_dug_shored_and_sloped_as_one() -> None:
    """Two 4 x 3 ft pits end to end, 6 and 7 ft deep, are one of 8 x 3 ft, 7 ft deep.

    By hand: 168 cu ft between vertical sides; the prismoid at 1.5 to 1,
    7/6 (24 + 4 x 18.5 x 13.5 + 29 x 24) = 2005.5 cu ft.
    """
    rings = rectangle_rings(
        np.array([[2.0, -10.0], [6.0, -10.0], [4.0, -10.0]]) * FOOT,
        np.zeros(3),
        np.array([[4.0, 3.0], [4.0, 3.0], [8.0, 3.0]]) * FOOT,
    )
    first = replace(pit_of(6 * FOOT, 2.0 * FOOT, -10.0 * FOOT), ring=rings[0])
    second = replace(
        pit_of(7 * FOOT, 6.0 * FOOT, -10.0 * FOOT),
        ring=rings[1],
        rank=2,
        whole=LongerPit((1, 2), rings[2], 7 * FOOT, 0.9, 168 * FOOT**3, 100.0),
    )
    survey = plan_dig(two_way_survey())
    survey = replace(survey, planned=replace(survey.dig, pits=(first, second)))

    alone, whole = excavations(survey)

    assert alone.vertical_m3 == pytest.approx(72 * FOOT**3)
    assert whole.vertical_m3 == pytest.approx(168 * FOOT**3)
    assert whole.sloped_m3 == pytest.approx(2005.5 * FOOT**3)
    assert sides_of(whole.spoil_ring) == pytest.approx((12 * FOOT, 7 * FOOT))
    assert whole.statements[0] == (
        "Where pit 1 shows nothing, lengthen it by 4' 0\" toward the right: another pit closer "
        "than 4' 0\" would leave no room for spoil and gear. It is then one pit of 8' 0\" x "
        "3' 0\", 7' 0\" deep: shore its whole length."
    )
    assert not any(line.startswith("Pits") for line in (*alone.statements, *whole.statements))
    # its own depth asks for what a pit of 7 ft asks for
    assert (
        whole.statements[1:] == excavate(survey.site, RULES, replace(second, whole=None)).statements
    )


def test_every_planned_pit_gets_its_quantities() -> None:
    """One record a pit, with the pit's own volume, or that of the longer pit it makes."""
    survey = plan_dig(two_way_survey())

    found = excavations(survey)

    assert [one.vertical_m3 for one in found] == pytest.approx(
        [pit.volume_m3 if pit.whole is None else pit.whole.volume_m3 for pit in survey.dig.pits]
    )


@pytest.mark.parametrize("seed", range(5))
def test_pits_as_one_are_the_least_box_that_shapely_turns_about_them(seed: int) -> None:
    """Turned back by each pit's own angle, the bounds of all corners; the least area of these."""
    generator = np.random.default_rng(seed)
    rings = []
    for angle in generator.uniform(-1.5, 1.5, 3):
        box = shapely.affinity.rotate(shapely.box(-1.1, -0.4, 1.1, 0.4), angle, use_radians=True)
        moved = shapely.affinity.translate(box, *generator.uniform(-2.0, 2.0, 2))
        rings.append(shapely.get_coordinates(moved)[:4])
    every, sizes = shapely.MultiPoint(np.concatenate(rings)), []
    for ring in rings:
        edge = ring[1] - ring[0]
        turned = shapely.affinity.rotate(
            every, -float(np.arctan2(edge[1], edge[0])), (0, 0), use_radians=True
        )
        low_x, low_y, high_x, high_y = turned.bounds
        sizes.append(sorted((high_x - low_x, high_y - low_y), reverse=True))
    length, width = min(sizes, key=lambda size: size[0] * size[1])
    assert joint_sides(rings) == pytest.approx((length, width))


@pytest.mark.parametrize(("toward", "axis"), [("right", 0), ("left", 0), ("rear", 1), ("front", 1)])
def test_a_pit_is_lengthened_by_the_side_that_points_away_from_the_rest(
    toward: str, axis: int
) -> None:
    """A part 0.7 by 1.9 m beside a pit turned a little: by its 0.7 along, by its 1.9 across."""
    turn, way = 0.2, 1.0 if toward in ("right", "rear") else -1.0
    for first in (0, 1):
        size = (0.7, 1.9)
        ring = np.array([[0.0, 0.0], [size[0], 0.0], size, [0.0, size[1]]])
        ring = np.roll(ring, -first, axis=0)
        around = np.exp(1j * turn)
        ring = np.array([[z.real, z.imag] for z in (complex(*one) * around for one in ring)])
        middle = ring.mean(axis=0)
        away = np.exp(1j * (turn + 0.5 * np.pi * axis)) * way * 3.0
        whole = SimpleNamespace(ring=ring - [away.real, away.imag], ranks=(2, 3), depth_m=1.4)
        pit = SimpleNamespace(ring=ring, x_m=middle[0], y_m=middle[1])
        survey = SimpleNamespace(site=SimpleNamespace(units="m"), rules=load_rules("us-ipc"))
        said = longer_values(survey, pit, whole)  # type: ignore[arg-type]  # what it reads
        assert said["toward"] == f"toward the {toward}"
        assert said["length"] == about(size[axis], "m")
        assert (said["before"], said["depth"]) == ("2", about(1.4, "m"))
