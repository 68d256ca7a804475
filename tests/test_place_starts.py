"""Starting values on networks without noise: a start stands where the points truly are.

The truth is drawn first and every observation is computed from it with complex numbers, apart
from the package; mirror images come from the reflection in a line. A start is looked at before
any adjustment, so that no adjustment can mend it.
"""

from __future__ import annotations

import cmath
from collections.abc import Iterable

import numpy as np
import pytest
import shapely
from skimage.transform import EuclideanTransform

from sitegis.geometry.frames import Array
from sitegis.place.network import Network, Observation
from sitegis.place.starts import (
    _PLACES,
    _circle_points,
    _grid,
    _local_observations,
    _origin,
    _pivot,
    _State,
    _turn,
    rigid_fit,
    starting_values,
)

NEAR_M = 1e-5
CENTER = np.array([3.0, -2.0])


class Truth:
    """Poses and nodes at known places, and what a tape and a square would read of them."""

    def __init__(self, seed: int) -> None:
        self.random = np.random.default_rng(seed)
        self.nodes: dict[str, int] = {}
        self.poses: dict[str, int] = {}
        self.x: list[float] = []
        self.items: list[Observation] = []

    def pose(self, name: str, about: float = 12.0) -> int:
        """Add a pose: origin and angle."""
        self.poses[name] = self.nodes[name] = len(self.x)
        self.x += [*self.random.uniform(-about, about, 2), float(self.random.uniform(-3.0, 3.0))]
        return self.poses[name]

    def node(self, name: str, about: float = 12.0) -> int:
        """Add a node."""
        self.nodes[name] = len(self.x)
        self.x += list(self.random.uniform(-about, about, 2))
        return self.nodes[name]

    def at(self, column: int) -> complex:
        """Return a place as a complex number."""
        return complex(self.x[column], self.x[column + 1])

    def see(self, kind: str, columns: Iterable[int], value: float) -> None:
        self.items.append(
            Observation(f"{kind} {len(self.items)}", kind, tuple(columns), value, 0.01)  # type: ignore[arg-type]
        )

    def hold(self, *columns: int) -> None:
        """Observe these numbers themselves."""
        for column in columns:
            self.see("value", [column], self.x[column])

    def hold_pose(self, pose: int) -> None:
        self.hold(pose, pose + 1, pose + 2)

    def hold_node(self, node: int) -> None:
        self.hold(node, node + 1)

    def offsets(self, node: int, pose: int) -> None:
        """Observe a node in a pose: across and up along its axes."""
        local = (self.at(node) - self.at(pose)) * cmath.exp(-1j * self.x[pose + 2])
        self.see("offset-x", [node, pose], local.real)
        self.see("offset-y", [node, pose], local.imag)

    def turn(self, pose: int, other: int) -> None:
        """Observe the angle of a pose against another's."""
        self.see("turn", [pose + 2, other + 2], self.x[pose + 2] - self.x[other + 2])

    def tape(self, a: int, b: int) -> None:
        self.see("distance", [a, b], abs(self.at(a) - self.at(b)))

    def starts(self) -> list[Array]:
        network = Network(self.nodes, self.poses, len(self.x), tuple(self.items))
        return starting_values(network, CENTER)

    def miss_m(self, x: Array) -> float:
        """Return how far a start lies from the truth, angles by their chord."""
        angles = [pose + 2 for pose in self.poses.values()]
        other = np.delete(np.asarray(x) - self.x, angles)
        chords = [abs(cmath.exp(1j * x[a]) - cmath.exp(1j * self.x[a])) for a in angles]
        return float(max(np.abs(other).max(), *chords, 0.0) if chords else np.abs(other).max())


@pytest.mark.parametrize("seed", range(4))
def test_a_rigid_fit_is_that_of_scikit_image(seed: int) -> None:
    """Against the Euclidean transform of ``skimage.transform``."""
    random = np.random.default_rng(seed)
    local, known = random.normal(size=(2, 5, 2))
    pose, misfit = rigid_fit(local, known)
    fitted = EuclideanTransform.from_estimate(local, known)
    assert pose[2] == pytest.approx(fitted.rotation, abs=1e-9)
    assert pose[:2] == pytest.approx(fitted.translation, abs=1e-9)
    left = known - fitted(local)
    assert misfit == pytest.approx(np.sqrt(np.mean(np.sum(left**2, axis=1))))


@pytest.mark.parametrize("seed", range(6))
def test_rooms_chained_by_corner_and_direction_start_where_they_are(seed: int) -> None:
    """House held, a room's corner and direction in it, a second room on the first, a mark."""
    truth = Truth(seed)
    house, first, second = (truth.pose(name) for name in ("house", "first", "second"))
    mark = truth.node("mark")
    truth.offsets(mark, second)
    truth.offsets(second, first)
    truth.turn(second, first)
    truth.offsets(first, house)
    truth.turn(first, house)
    truth.hold_pose(house)
    (start,) = truth.starts()
    assert truth.miss_m(start) < NEAR_M


@pytest.mark.parametrize("seed", range(6))
def test_a_room_with_a_direction_and_one_shared_point_starts_where_it_is(seed: int) -> None:
    """The shared point lies off both origins: its offsets in house and room both count."""
    truth = Truth(seed)
    house, room = truth.pose("house"), truth.pose("room")
    shared, mark = truth.node("shared"), truth.node("mark")
    truth.hold_pose(house)
    truth.turn(room, house)
    for node, pose in ((shared, house), (shared, room), (mark, room)):
        truth.offsets(node, pose)
    (start,) = truth.starts()
    assert truth.miss_m(start) < NEAR_M


@pytest.mark.parametrize("seed", range(6))
def test_a_room_with_two_shared_points_and_no_direction_starts_where_it_is(seed: int) -> None:
    """Two points seen from house and room fix the room's pose."""
    truth = Truth(seed)
    house, room = truth.pose("house"), truth.pose("room")
    shared = [truth.node("a"), truth.node("b")]
    mark = truth.node("mark")
    truth.hold_pose(house)
    for node in shared:
        truth.offsets(node, house)
        truth.offsets(node, room)
    truth.offsets(mark, room)
    (start,) = truth.starts()
    assert truth.miss_m(start) < NEAR_M


@pytest.mark.parametrize("seed", range(6))
def test_two_tapes_to_a_point_start_on_both_sides_of_their_line(seed: int) -> None:
    """The second start is the first reflected in the line through the two corners."""
    truth = Truth(seed)
    corners = [truth.node("a"), truth.node("b")]
    point = truth.node("point")
    for corner in corners:
        truth.hold_node(corner)
    # from the corner, and to the other one: either end may be the point
    truth.tape(corners[0], point)
    truth.tape(point, corners[1])
    starts = truth.starts()
    a, b = (truth.at(corner) for corner in corners)
    image = a + (b - a) * ((truth.at(point) - a) / (b - a)).conjugate()
    found = [complex(*x[point : point + 2]) for x in starts]
    assert len(found) == 2
    for side in (truth.at(point), image):
        assert min(abs(place - side) for place in found) < 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_three_tapes_to_a_point_start_with_the_true_place(seed: int) -> None:
    """No noise: the true place has no misfit and comes first."""
    truth = Truth(seed)
    corners = [truth.node(name) for name in "abc"]
    point = truth.node("point")
    for corner in corners:
        truth.hold_node(corner)
        truth.tape(point, corner)
    assert truth.miss_m(truth.starts()[0]) < 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_a_room_on_a_pivot_with_one_tape_starts_with_both_ways_it_can_turn(seed: int) -> None:
    """A shared point and one tape: two angles, mirror images in the pivot's line to the corner."""
    truth = Truth(seed)
    house, room = truth.pose("house"), truth.pose("room")
    shared, mark, corner = truth.node("shared"), truth.node("mark"), truth.node("corner")
    truth.hold_pose(house)
    truth.hold_node(corner)
    for node, pose in ((shared, house), (shared, room), (mark, room)):
        truth.offsets(node, pose)
    truth.tape(mark, corner)
    starts = truth.starts()
    assert len(starts) == 2
    assert min(truth.miss_m(x) for x in starts) < 1e-3
    s, c = truth.at(shared), truth.at(corner)
    image = s + (c - s) * ((truth.at(mark) - s) / (c - s)).conjugate()
    assert min(abs(complex(*x[mark : mark + 2]) - image) for x in starts) < 1e-3
    for x in starts:
        assert np.hypot(*(x[shared : shared + 2] - truth.x[shared : shared + 2])) < 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_a_room_whose_corner_is_known_turns_about_it(seed: int) -> None:
    """The room's own origin is measured in the house, its direction by one tape."""
    truth = Truth(seed)
    house, room = truth.pose("house"), truth.pose("room")
    mark, corner = truth.node("mark"), truth.node("corner")
    truth.hold_pose(house)
    truth.hold_node(corner)
    truth.offsets(room, house)
    truth.offsets(mark, room)
    truth.tape(corner, mark)
    starts = truth.starts()
    assert len(starts) == 2
    assert min(truth.miss_m(x) for x in starts) < 1e-3


@pytest.mark.parametrize("seed", range(6))
def test_a_room_held_by_tapes_alone_starts_where_it_is(seed: int) -> None:
    """Four tapes from two marks to corners and a direction, no shared point."""
    truth = Truth(seed)
    house, room = truth.pose("house", 6.0), truth.pose("room", 6.0)
    corners = [truth.node(name, 8.0) for name in "abc"]
    marks = [truth.node(name, 6.0) for name in "pq"]
    truth.hold_pose(house)
    for corner in corners:
        truth.offsets(corner, house)
    for mark in marks:
        truth.offsets(mark, room)
        for corner in corners:
            truth.tape(corner, mark)
    assert min(truth.miss_m(x) for x in truth.starts()) < 1e-3


@pytest.mark.parametrize("seed", range(4))
def test_a_far_room_held_by_long_tapes_starts_where_it_is(seed: int) -> None:
    """As above, 60 m away: the trial places reach as far as the longest tape."""
    truth = Truth(seed)
    house, room = truth.pose("house", 6.0), truth.pose("room", 6.0)
    corners = [truth.node(name, 8.0) for name in "abc"]
    marks = [truth.node(name, 6.0) for name in "pq"]
    for column in (room, *marks):
        truth.x[column] += 60.0
    truth.hold_pose(house)
    for corner in corners:
        truth.offsets(corner, house)
    for mark in marks:
        truth.offsets(mark, room)
        for corner in corners:
            truth.tape(corner, mark)
    assert min(truth.miss_m(x) for x in truth.starts()) < 1e-3


def test_what_nothing_holds_is_put_at_the_center_with_its_points_about_it() -> None:
    """A pose that nothing ties lies at the center; its marks keep their offsets from it."""
    truth = Truth(5)
    house, loose = truth.pose("house"), truth.pose("loose")
    mark, alone = truth.node("mark"), truth.node("alone")
    truth.hold_pose(house)
    truth.offsets(mark, loose)
    (start,) = truth.starts()
    assert start[loose : loose + 2] == pytest.approx(CENTER)
    local = (truth.at(mark) - truth.at(loose)) * cmath.exp(-1j * truth.x[loose + 2])
    turned = local * cmath.exp(1j * start[loose + 2])
    assert complex(*(start[mark : mark + 2] - CENTER)) == pytest.approx(turned)
    assert np.hypot(*(start[alone : alone + 2] - CENTER)) < 0.2


def test_where_starts_run_out_the_best_of_each_choice_stays(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Five nodes, each taped from three held ones that hardly leave a line: 32 mirror images.

    The third tells truth from image by a centimeter or so. Where one start alone has room, it is
    the truth.
    """
    monkeypatch.setattr("sitegis.place.starts._MOST_STARTS", 1)
    truth = Truth(5)
    held = [truth.node(name) for name in "ABC"]
    truth.x[: 2 * len(held)] = [0.0, 0.0, 10.0, 0.0, 5.0, 0.02]
    truth.hold(*range(2 * len(held)))
    for name in "PQRST":
        node = truth.node(name)
        for other in held:
            truth.tape(node, other)
    starts = truth.starts()
    assert len(starts) == 1
    assert truth.miss_m(starts[0]) < NEAR_M


@pytest.mark.parametrize("seed", [0, 1, 3, 4])
def test_circles_of_ties_meet_where_shapely_has_it(seed: int) -> None:
    """Three circles about generic places, the node at either end of a tie: every pair's points."""
    generator = np.random.default_rng(seed)
    x = np.concatenate([generator.uniform(-4.0, 9.0, 6), np.zeros(2)])
    true = generator.uniform(-4.0, 9.0, 2)
    ties = [
        Observation(
            "",
            "distance",
            (k, 6) if k % 4 else (6, k),
            float(np.hypot(*(x[k : k + 2] - true))) * generator.uniform(1.0, 1.1),
            0.02,
        )
        for k in (0, 2, 4)
    ]
    state = _State(x, frozenset({0, 2, 4}))
    found = _circle_points(state, 6, ties)
    rings = [
        shapely.Point(x[k : k + 2]).buffer(tie.value, quad_segs=4000).exterior
        for k, tie in zip((0, 2, 4), ties, strict=True)
    ]
    expected = [
        point
        for i, ring in enumerate(rings)
        for other in rings[:i]
        for point in shapely.get_coordinates(ring.intersection(other))
    ]
    assert len(found) == len(expected) == 6
    for point in expected:
        assert np.hypot(*(found - point).T).min() < 1e-4
    # no grid does better, for a node; a pose by itself is tried all about
    assert _grid(state, 6, ties, False, np.zeros(2))[:, :2] == pytest.approx(found)


def test_a_pose_is_tried_about_its_hinge_or_over_the_site() -> None:
    """The hinge stays where it is at every direction; else a square as wide as the longest tie."""
    x = np.array([2.3, -1.7, 0.0, 0.0, 0.0, 0.6])
    offsets = [
        Observation("", "offset-x", (0, 2), 1.1, 0.02),
        Observation("", "offset-y", (0, 2), -0.7, 0.02),
    ]
    state = _State(x, frozenset({0}))
    poses = _grid(state, 2, offsets, True, np.array([5.0, 4.0]))
    assert np.diff(poses[:, 2]) == pytest.approx(np.full(len(poses) - 1, 2 * np.pi / len(poses)))
    for px, py, angle in poses:
        there = EuclideanTransform(rotation=angle, translation=(px, py))(np.array([[1.1, -0.7]]))
        assert there[0] == pytest.approx([2.3, -1.7])
    turned = Observation("", "turn", (4, 5), 0.37, 0.01)
    (one,) = _grid(state, 2, [*offsets, turned], True, np.zeros(2))
    assert one[2] == pytest.approx(0.6 + 0.37)
    for ties, reach in (([], 6.0), ([7.9, 3.2], 7.9)):
        local = [turned] + [Observation("", "distance", (0, 2), tie, 0.02) for tie in ties]
        grid = _grid(_State(x, frozenset()), 2, local, True, np.array([5.0, 4.0]))
        assert len(np.unique(grid[:, :2], axis=0)) == _PLACES**2
        assert grid[:, :2].min(axis=0) == pytest.approx([5.0 - reach, 4.0 - reach])
        assert grid[:, :2].max(axis=0) == pytest.approx([5.0 + reach, 4.0 + reach])


@pytest.mark.parametrize("seed", range(4))
def test_what_is_read_of_a_pose_at_the_truth_is_the_truth(seed: int) -> None:
    """Its angle by a turn, its hinge by a shared node or by its own corner: complex sums."""
    truth = Truth(seed)
    house, room = truth.pose("house"), truth.pose("room")
    other = truth.pose("other")
    shared, loose = truth.node("shared"), truth.node("loose")
    truth.hold_pose(house)
    truth.hold_node(shared)
    truth.see("turn", [room + 2, house + 2], truth.x[room + 2] - truth.x[house + 2])
    truth.see("turn", [other + 2, room + 2], truth.x[other + 2] - truth.x[room + 2])
    truth.offsets(room, house)
    truth.offsets(shared, other)
    truth.offsets(loose, other)
    truth.see("distance", [loose, shared], abs(truth.at(loose) - truth.at(shared)))
    truth.see("distance", [loose, other], abs(truth.at(loose) - truth.at(other)))
    network = Network(truth.nodes, truth.poses, len(truth.x), tuple(truth.items))
    x = np.array(truth.x)
    assert _turn(network, x, {house}, room) == pytest.approx(x[room + 2])
    assert _turn(network, x, {house}, other) is None
    assert _turn(network, x, {room}, other) == pytest.approx(x[other + 2])
    offsets = {
        (item.columns[0], item.columns[1]): np.zeros(2)
        for item in truth.items
        if item.kind == "offset-x"
    }
    for item in truth.items:
        if item.kind in ("offset-x", "offset-y"):
            offsets[item.columns[0], item.columns[1]][int(item.kind == "offset-y")] = item.value
    corner = _origin(x, {house}, room, offsets)
    assert corner == pytest.approx(x[room : room + 2])
    assert _origin(x, set(), room, offsets) is None
    state = _State(x, frozenset({house, shared}))
    hinge = _pivot(state, room, [i for i in truth.items if i.columns[0] == room])
    assert hinge is not None
    assert hinge[0] == pytest.approx(x[room : room + 2])
    assert hinge[1].tolist() == [0.0, 0.0]
    hinge = _pivot(state, other, truth.items)
    assert hinge is not None
    there = truth.at(other) + complex(*hinge[1]) * cmath.exp(1j * truth.x[other + 2])
    assert (there.real, there.imag) == pytest.approx(tuple(x[shared : shared + 2]))
    # what ties a room with its loose node to what is placed: nothing within it, nothing beyond it
    found = {item.name for item in _local_observations(network, state, other)}
    expected = {
        item.name
        for item in truth.items
        if item.kind != "distance" and item.columns == (shared, other)
    } | {item.name for item in truth.items if item.columns == (loose, shared)}
    assert found == expected
    placed = _State(x, frozenset({house, room, shared}))
    found = {item.name for item in _local_observations(network, placed, other)}
    turns = {item.name for item in truth.items if item.columns == (other + 2, room + 2)}
    assert found == expected | turns
