"""Stage ``place`` on invented sites: places, spreads, notices and invariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.geometry.frames import Array, rotation
from sitegis.messages.errors import ComputationError
from sitegis.model.results import Placement
from sitegis.model.site import Building, Locate, Noise, Site, Tie, WallContact
from sitegis.model.survey import Survey
from sitegis.numerics.noise_scale import scale_of_squares
from sitegis.place import place_points
from sitegis.place.adjust import solve_network
from sitegis.place.assemble import site_network
from sitegis.place.blunders import clean_network
from sitegis.place.crew import tape_square, taped_part
from sitegis.place.starts import starting_values
from tests.invented import corner_site

# Room R2 of the invented site lies 6.4808 m behind room R1 and is not turned.
STEP_M = 6.4808


def placed(site: Site) -> Placement:
    return place_points(Survey(site, None)).placement  # type: ignore[arg-type]


def mark(name: str, room: str, x: float, y: float, kind: str = "wall") -> Locate:
    return Locate(
        name, kind, room, x, y, None, None, None, None, None, None, "slab", "", 50  # type: ignore[arg-type]
    )  # fmt: skip


def hung(
    site: Site,
    marks: tuple[Locate, ...] = (),
    ties: tuple[Tie, ...] = (),
    *,
    sized: bool = True,
) -> Site:
    """Take the second room's pose away (and its size), and add marks and ties."""
    size = site.rooms[1].size_m if sized else None
    rooms = (
        site.rooms[0],
        replace(site.rooms[1], origin_m=None, x_toward_rad=None, size_m=size),
    )
    return replace(site, rooms=rooms, locates=site.locates + marks, ties=ties)


def doorway(name: str, x: float, error: float = 0.0) -> tuple[Locate, Locate]:
    """Return a mark in the doorway, measured in both rooms."""
    return mark(name, "R1", x, 6.40 + error), mark(name, "R2", x, 6.40 - STEP_M)


def where(placement: Placement) -> dict[str, Array]:
    return {p.id: np.array([p.x_m, p.y_m]) for p in placement.points}


def tie(site: Site, first: str, second: str, error: float = 0.0) -> Tie:
    """Tape between two points as the stated poses have them."""
    places = where(placed(site))
    for name, corner in zip(
        ("front-left", "front-right", "rear-right", "rear-left"),
        site.building.vertices,
        strict=True,
    ):
        places[f"building:{name}"] = corner
    return Tie(first, second, float(np.hypot(*(places[first] - places[second]))) + error, 0.015, 9)


SITE = corner_site()
DOORS = doorway("D1", 0.5) + doorway("D2", 4.0) + doorway("D3", 6.5)


def test_points_of_rooms_with_known_poses_lie_where_the_offsets_say() -> None:
    """Building place, room origin and offsets add up."""
    placement = placed(SITE)
    for row, point in zip(SITE.locates, placement.points, strict=True):
        room = next(r for r in SITE.rooms if r.id == row.room)
        assert room.origin_m is not None
        expected = SITE.building.vertices[0] + np.array(room.origin_m) + [row.x_m, row.y_m]
        assert [point.x_m, point.y_m] == pytest.approx(expected, abs=1e-8)
        assert point.depth_m == row.depth_m


def test_a_room_without_a_pose_is_placed_by_shared_points() -> None:
    """Three doorway marks put the second room where its stated pose had it."""
    expected, found = where(placed(SITE)), where(placed(hung(SITE, DOORS)))
    for name, place in expected.items():
        assert found[name] == pytest.approx(place, abs=1e-6)


def test_marks_measured_directly_get_no_receiver_noise() -> None:
    """The cleanout keeps the mark's covariance; a locate point gets the receiver's on top."""
    placement = placed(SITE)
    extra = placement.covariance_m2 - placement.mark_covariance_m2
    assert SITE.locates[0].kind == "cleanout"
    assert extra[:2] == pytest.approx(np.zeros_like(extra[:2]), abs=1e-15)
    own = 2 * (0.05**-0.5 - 1) / (-2 * np.log(0.05)) * SITE.noise.horizontal_floor_m**2
    common = SITE.noise.session_horizontal_m**2
    assert extra[2:4, 2:4] == pytest.approx((own + common) * np.eye(2), abs=1e-6)
    assert extra[2:4, 4:6] == pytest.approx(common * np.eye(2), abs=1e-12)


def test_the_covariance_holds_the_building_in_common() -> None:
    """Where the building is badly placed all points move together."""
    site = replace(SITE, building=replace(SITE.building, position_sd_m=1.0))
    covariance = placed(site).mark_covariance_m2
    assert covariance[0, 2] == pytest.approx(1.0, abs=0.01)
    assert np.linalg.eigvalsh(covariance).min() > -1e-12


def test_a_room_that_hangs_on_nothing_is_told_with_the_measurements_to_make() -> None:
    """Three measurements are named, each from the loose room."""
    with pytest.raises(ComputationError, match="not tied to anything") as caught:
        placed(hung(SITE))
    assert caught.value.fault.code == "room-not-tied"
    assert "three more distances" in caught.value.fault.remedy


def test_a_room_on_one_shared_point_can_swing_and_one_measurement_cures_it() -> None:
    """The measurement that is named makes the network solvable."""
    loose = hung(SITE, doorway("D2", 4.0))
    with pytest.raises(ComputationError, match="free to swing") as caught:
        placed(loose)
    words = caught.value.fault.remedy.split(": from ")[1].split(".")[0]
    start, end = words.split(" to ")
    cured = hung(SITE, doorway("D2", 4.0), (tie(SITE, start, end),))
    assert where(placed(cured))["P0"] == pytest.approx(where(placed(SITE))["P0"], abs=1e-4)


def test_a_mirror_image_inside_the_house_is_reported_with_what_settles_it() -> None:
    """A room that swings about one point on one tie has two places; the named tie leaves one."""
    marks = doorway("D2", 4.0)
    first = tie(SITE, "P0", "building:rear-left")
    placement = placed(hung(SITE, marks, (first,), sized=False))
    notice = next(n for n in placement.notices if n.code == "mirror-solution")
    assert "P0" in placement.adjustment.mirror_points
    assert notice.needs_person
    start, end = notice.message.split("Measure from ")[1].split(" to settle")[0].split(" to ")
    settled = placed(hung(SITE, marks, (first, tie(SITE, start, end)), sized=False))
    assert not settled.adjustment.mirror_points
    assert where(settled)["P0"] == pytest.approx(where(placed(SITE))["P0"], abs=1e-4)


def test_a_mirror_image_outside_the_house_is_ruled_out() -> None:
    """Where the mirror image of a room overlaps another there is no doubt to report."""
    placement = placed(hung(SITE, doorway("D2", 4.0), (tie(SITE, "P1", "P3"),)))
    assert not placement.adjustment.mirror_points
    assert where(placement)["P0"] == pytest.approx(where(placed(SITE))["P0"], abs=1e-3)


def many_ties(error: float) -> list[Tie]:
    """Return sixteen ties, the second off by an error."""
    pairs = [("P0", "P2"), ("P0", "P3"), ("P1", "P3"), ("P1", "P2"), ("P2", "P3"), ("P0", "P1"),
             ("P1", "P4"), ("P4", "P2"), ("P4", "P3"), ("P0", "P4")]  # fmt: skip
    ends = ["building:front-left", "building:front-right"]
    ties = [tie(SITE, a, b) for a, b in pairs]
    ties += [tie(SITE, p, end) for p in ("P2", "P3", "P4") for end in ends]
    ties[1] = tie(SITE, "P0", "P3", error=error)
    return ties


def test_a_slip_that_does_not_explain_the_error_is_not_proposed() -> None:
    """10 cm beyond a foot, past three times the 2 cm that the other ties leave, is no foot."""
    placement = placed(hung(SITE, DOORS, tuple(many_ties(0.3048 + 0.10))))
    out = next(item for item in placement.adjustment.observations if item.removed)
    assert out.name == "tie P0 to P3"
    assert "one foot off" not in out.proposal


def test_a_blunder_is_left_out_and_told_with_before_and_after() -> None:
    """A foot too much on one of many ties is named, left out, and its slip proposed."""
    ties = many_ties(0.3048)
    clean = hung(SITE, DOORS, (ties[0], *ties[2:]))
    placement = placed(hung(SITE, DOORS, tuple(ties)))
    out = [item for item in placement.adjustment.observations if item.removed]
    assert [item.name for item in out] == ["tie P0 to P3"]
    assert "one foot off" in out[0].proposal
    assert out[0].residual_m == pytest.approx(0.3048, abs=0.03)
    assert placement.adjustment.chi_square_before > 50 > placement.adjustment.chi_square
    told = [n for n in placement.notices if n.code == "measurement-left-out"]
    assert len(told) == 1
    assert "before" in told[0].message
    assert where(placement)["P0"] == pytest.approx(where(placed(clean))["P0"], abs=1e-9)


def test_a_blunder_that_cannot_be_located_is_kept_and_widens_the_spread() -> None:
    """With two shared points the pose has one check: suspects are told, nothing is dropped."""
    marks = doorway("D1", 0.5) + doorway("D2", 4.0, error=0.0)
    wrong = (*marks[:3], replace(marks[3], x_m=4.3))
    fine, off = placed(hung(SITE, marks)), placed(hung(SITE, wrong))
    assert not any(item.removed for item in off.adjustment.observations)
    assert "blunder-not-located" in {n.code for n in off.notices}
    assert off.points[0].sd_major_m > 2 * fine.points[0].sd_major_m


def test_what_a_blunder_left_in_does_to_the_spread_is_the_variance_factor() -> None:
    """Covariances grow by S0² = vᵀPv / r (Ghilani and Wolf, Adjustment Computations, from memory).

    Three doorways tie the rooms, so r = 3; 20 cm on one cannot be told from its twin.
    """
    marks = doorway("D1", 0.5) + doorway("D2", 2.2) + doorway("D3", 4.0)
    wrong = (*marks[:3], replace(marks[3], x_m=marks[3].x_m + 0.2), *marks[4:])
    fine, off = placed(hung(SITE, marks)), placed(hung(SITE, wrong))
    assert off.adjustment.degrees_of_freedom == 3
    assert "blunder-not-located" in {n.code for n in off.notices}
    grown = np.diag(off.mark_covariance_m2) / np.diag(fine.mark_covariance_m2)
    assert grown == pytest.approx(off.adjustment.chi_square / 3, rel=0.01)


def test_tape_without_a_check_is_said() -> None:
    """Points with nothing but their two offsets are listed, without stopping the run."""
    notice = next(n for n in placed(SITE).notices if n.code == "tape-not-checked")
    assert "P3" in notice.message
    assert not notice.needs_person


def test_a_point_on_the_wall_checks_its_room() -> None:
    """A wall contact adds one degree of freedom and agrees with the stated thickness."""
    site = replace(
        SITE,
        locates=(*SITE.locates, mark("W1", "R1", 0.0, 3.0)),
        wall_contacts=(WallContact("W1", "left", 0.3048, 0.01),),
    )
    adjustment = placed(site).adjustment
    assert adjustment.degrees_of_freedom == 1
    contact = next(o for o in adjustment.observations if o.name == "W1 on the left wall")
    assert contact.residual_m == pytest.approx(0.0, abs=1e-9)
    moved = replace(site, wall_contacts=(WallContact("W1", "left", 0.40, 0.01),))
    x = {p.id: p.x_m for p in placed(moved).points}["W1"]
    assert x > SITE.building.vertices[0, 0] + 0.3048 + 0.01


def test_a_wall_in_two_parts_takes_the_nearer_one() -> None:
    """Where a side has two walls the contact belongs to the one beside the point."""
    v = SITE.building.vertices
    left = float(v[0, 0])
    bay = np.array([[left, 14.0], [left - 1.0, 14.0], [left - 1.0, 11.0], [left, 11.0]])
    jog = np.concatenate([v, bay])
    building = Building(
        jog,
        ("front", "right", "rear", "left", "rear", "left", "front", "left"),
        0.0,
        0.1,
        0.003,
        0.02,
        0.3048,
    )
    site = replace(
        SITE,
        building=building,
        locates=(*SITE.locates, mark("W1", "R1", -1.0, 4.5)),
        wall_contacts=(WallContact("W1", "left", 0.3048, 0.01),),
    )
    contact = next(
        o for o in placed(site).adjustment.observations if o.name == "W1 on the left wall"
    )
    assert abs(contact.residual_m) < 1e-6


def test_an_outdoor_point_is_in_the_lot_on_the_ground() -> None:
    """Room ``lot`` means lot coordinates and the ground's elevation."""
    site = replace(SITE, locates=(*SITE.locates, mark("X1", "lot", 3.0, 4.0, "locate")))
    point = placed(site).points[-1]
    assert not point.indoors
    assert [point.x_m, point.y_m] == pytest.approx([3.0, 4.0])
    expected = float(SITE.ground.elevation_m(np.array([3.0, 4.0])))
    assert point.surface_elevation_m == pytest.approx(expected)


def test_a_tie_to_a_lot_corner_holds_the_building_better() -> None:
    """Ties from the house to the lot narrow the building's place."""
    corner = SITE.lot.vertices[0]
    front = SITE.building.vertices
    ties = tuple(
        Tie("lot:front-left", f"building:{n}", float(np.hypot(*(v - corner))), 0.01, 2)
        for n, v in zip(("front-left", "front-right"), front[:2], strict=True)
    )
    assert placed(replace(SITE, ties=ties)).points[0].sd_major_m < placed(SITE).points[0].sd_major_m


@pytest.mark.parametrize("name", ["nowhere", "building:top", "R9:origin"])
def test_a_tie_to_an_unknown_name_is_refused(name: str) -> None:
    """The row and the name are said."""
    with pytest.raises(ComputationError, match=f"row 7.*{name}"):
        placed(replace(SITE, ties=(Tie("P0", name, 3.0, 0.01, 7),)))


def test_a_tail_without_a_spread_is_refused() -> None:
    """Two degrees of freedom have no variance, and the field to change is named."""
    with pytest.raises(ComputationError, match="degrees_of_freedom"):
        placed(replace(SITE, noise=Noise(degrees_of_freedom=2.0)))


def test_a_site_without_points_is_placed_without_any() -> None:
    """No rows give no points and an empty covariance."""
    placement = placed(replace(SITE, locates=()))
    assert placement.points == ()
    assert placement.covariance_m2.shape == (0, 0)


def test_a_distorted_reading_is_flagged_and_counts_for_less() -> None:
    """A lift that the reading does not follow marks the point and widens its ellipse."""
    rows = list(SITE.locates)
    rows[2] = replace(rows[2], depth_lifted_m=rows[2].depth_m, lift_m=0.4)
    placement = placed(replace(SITE, locates=tuple(rows)))
    assert placement.points[2].distorted
    assert placement.points[2].sd_major_m > 2 * placement.points[3].sd_major_m
    assert [n.where for n in placement.notices if n.code == "field-distorted"] == ["P2"]


def test_a_heading_is_turned_into_the_lot() -> None:
    """The head's direction goes from room x to lot x with the room."""
    rooms = (SITE.rooms[0], replace(SITE.rooms[1], x_toward_rad=np.pi / 2))
    rows = (replace(SITE.locates[0], heading_rad=0.25), *SITE.locates[1:])
    point = placed(replace(SITE, rooms=rooms, locates=rows)).points[0]
    assert point.heading_rad == pytest.approx(np.pi / 2 + 0.25)


def test_room_outlines_are_turned_with_their_rooms() -> None:
    """A room of known size gives its four corners, counter-clockwise from the origin."""
    outline = placed(SITE).room_outlines["R1"]
    room = SITE.rooms[0]
    assert room.origin_m is not None
    assert room.size_m is not None
    origin = SITE.building.vertices[0] + room.origin_m
    assert outline[0] == pytest.approx(origin, abs=1e-8)
    assert outline[2] == pytest.approx(origin + room.size_m, abs=1e-8)


REDUNDANT = hung(
    SITE,
    DOORS,
    tuple(
        tie(SITE, a, b, e)
        for a, b, e in [
            ("P0", "P2", 0.01),
            ("P1", "P3", -0.012),
            ("P0", "building:rear-left", 0.02),
        ]
    ),
)


@settings(deadline=None, max_examples=15)
@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(-3.1, 3.1))
def test_moving_and_turning_the_building_moves_and_turns_the_answer(
    dx: float, dy: float, angle: float
) -> None:
    """Places, covariance and w follow a shift and a turn of the house."""
    base = placed(REDUNDANT)
    turn, building = rotation(angle), REDUNDANT.building
    vertices = building.vertices @ turn.T + [dx, dy]
    moved = placed(
        replace(
            REDUNDANT,
            building=replace(building, vertices=vertices, angle_rad=building.angle_rad + angle),
        )
    )
    for name, place in where(base).items():
        assert where(moved)[name] == pytest.approx(turn @ place + [dx, dy], abs=1e-6)
    block = np.kron(np.eye(len(base.points)), turn)
    assert moved.covariance_m2 == pytest.approx(block @ base.covariance_m2 @ block.T, abs=1e-8)
    assert [o.w for o in moved.adjustment.observations[3:]] == pytest.approx(
        [o.w for o in base.adjustment.observations[3:]], abs=1e-4
    )


@settings(deadline=None, max_examples=10)
@given(st.permutations(range(len(REDUNDANT.locates))), st.permutations(range(3)))
def test_the_order_of_rows_and_the_names_do_not_matter(rows: list[int], ties: list[int]) -> None:
    """Shuffled rows under new names give the same places."""
    base = where(placed(REDUNDANT))

    def renamed(name: str) -> str:
        return name if ":" in name else f"new {name}"

    chosen = [REDUNDANT.locates[i] for i in rows]
    site = replace(
        REDUNDANT,
        locates=tuple(replace(row, id=renamed(row.id)) for row in chosen),
        ties=tuple(
            replace(t, from_name=renamed(t.from_name), to_name=renamed(t.to_name))
            for t in (REDUNDANT.ties[i] for i in ties)
        ),
    )
    found = where(placed(site))
    for name, place in base.items():
        assert found[renamed(name)] == pytest.approx(place, abs=1e-7)


@settings(deadline=None, max_examples=10)
@given(st.floats(0.3, 3.3))
def test_another_unit_of_length_scales_the_answer(k: float) -> None:
    """With every length and spread in another unit the places scale and the w stay."""
    base = placed(REDUNDANT)
    found = placed(scaled(REDUNDANT, k))
    for name, place in where(base).items():
        assert where(found)[name] == pytest.approx(k * place, abs=1e-6)
    assert found.covariance_m2 == pytest.approx(k**2 * base.covariance_m2, rel=1e-5, abs=1e-9)
    assert [o.w for o in found.adjustment.observations] == pytest.approx(
        [o.w for o in base.adjustment.observations], abs=1e-4
    )


def scaled(site: Site, k: float) -> Site:
    """Express every length of a site in another unit."""
    building = replace(
        site.building,
        vertices=site.building.vertices * k,
        position_sd_m=site.building.position_sd_m * k,
        outline_sd_m=site.building.outline_sd_m * k,
    )
    rooms = tuple(
        replace(
            r,
            origin_m=None if r.origin_m is None else (r.origin_m[0] * k, r.origin_m[1] * k),
            origin_sd_m=r.origin_sd_m * k,
            size_m=None,
        )
        for r in site.rooms
    )
    rows = tuple(
        replace(
            r, x_m=r.x_m * k, y_m=r.y_m * k, depth_m=None if r.depth_m is None else r.depth_m * k
        )
        for r in site.locates
    )
    ties = tuple(replace(t, distance_m=t.distance_m * k, sd_m=t.sd_m * k) for t in site.ties)
    default = Noise()
    noise = replace(
        default,
        tape_floor_m=default.tape_floor_m * k,
        horizontal_floor_m=default.horizontal_floor_m * k,
        depth_floor_m=default.depth_floor_m * k,
        session_horizontal_m=default.session_horizontal_m * k,
    )
    return replace(site, building=building, rooms=rooms, locates=rows, ties=ties, noise=noise)


def test_two_ties_whose_distances_were_changed_over_are_named() -> None:
    """The true distances, exchanged: both ties are named; as taped, nothing is said."""
    first = tie(SITE, "P0", "building:rear-left")
    last = SITE.locates[-1].id
    second = tie(SITE, last, "building:front-right")
    assert abs(first.distance_m - second.distance_m) > 1.0
    exchanged = (
        replace(first, distance_m=second.distance_m),
        replace(second, distance_m=first.distance_m),
    )
    told = placed(replace(SITE, ties=exchanged)).notices
    assert [n.needs_person for n in told if n.code == "ties-changed-over"] == [True]
    message = next(n.message for n in told if n.code == "ties-changed-over")
    assert "P0 to building:rear-left" in message
    assert f"{last} to building:front-right" in message
    right = placed(replace(SITE, ties=(first, second))).notices
    assert not [n for n in right if n.code == "ties-changed-over"]


def test_a_house_that_may_stand_a_mile_off_is_refused_by_name() -> None:
    """A position known to 1609 m (one international mile) places nothing; to 900 m it does."""
    site = corner_site()
    far = replace(site, building=replace(site.building, position_sd_m=1609.344))
    with pytest.raises(ComputationError, match=r"may lie 52\d\d' .* Check 'building position x'"):
        placed(far)
    near = replace(site, building=replace(site.building, position_sd_m=900.0))
    assert len(placed(near).points) == len(near.locates)


def test_parts_of_tape_and_of_what_is_known_make_up_the_covariance() -> None:
    """N⁻¹ = Σ over groups of N⁻¹ Aᵀ P A N⁻¹: the tape's part and the control's, by hand."""
    site = hung(SITE, doorway("D1", 0.5) + doorway("D2", 2.2) + doorway("D3", 4.0))
    network = site_network(site)
    cleaned = clean_network(
        network, solve_network(network, starting_values(network, np.array([5.0, 8.0])))
    )
    design, covariance = cleaned.solution.design, cleaned.reliability.covariance
    control = np.array([network.observations[i].kind in ("value", "turn") for i in cleaned.kept])
    known = covariance @ design[control].T @ design[control] @ covariance
    assert 0 < control.sum() < control.size
    assert taped_part(network, cleaned) + known == pytest.approx(covariance, abs=1e-9)


def test_a_crew_that_tapes_badly_gets_wider_places() -> None:
    """Ten ties 5 sd off on the whole widen by what they tell; exact ones do not narrow."""
    exact = scale_of_squares("tape", 0.0, 10.0)
    rough = scale_of_squares("tape", 25.0 * 10.0, 10.0)
    assert tape_square(exact) == 1.0
    # inverse gamma (4 + 5, 4 + 125): median of k² about 129 / 8.67, against 4 / 3.67 a priori
    expected = (129.0 / 8.67) / (4.0 / 3.67)
    assert tape_square(rough) == pytest.approx(expected, rel=0.01)
