"""The network of a site against a layout by complex numbers: nothing is left over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from sitegis.geometry.frames import Array
from sitegis.model.site import Locate, Site, Tie, WallContact
from sitegis.place.assemble import named_places, site_network, wall_candidates
from sitegis.place.network import Network, compile_equations, evaluate, misclosures
from tests.invented import corner_site

ANGLE, TOWARD = 0.4, 1.9
"""Of the building on the lot, and of the second room in the building."""
CORNER = 2.5 + 7.5j
OUTLINE = np.array([0, 9, 9 + 5j, 6 + 5j, 6 + 13j, 13j])
SIDES = ("front", "right", "rear", "right", "rear", "left")
ORIGINS = (0.3 + 0.31j, 5.2 + 6.1j)
MARKS = {"A": (0, 2.1 + 1.2j), "B": (0, 4.4 + 3.3j), "C": (1, 1.7 + 0.6j)}


def in_lot(z: complex) -> complex:
    """Turn a place in the building into one on the lot."""
    return CORNER + z * np.exp(1j * ANGLE)


def truth() -> dict[str, complex]:
    """Return where everything lies on the lot."""
    turns = (1.0, np.exp(1j * TOWARD))
    places = {
        name: in_lot(ORIGINS[room] + local * turns[room]) for name, (room, local) in MARKS.items()
    }
    return places | {"L": 12.0 + 3.0j, "R1:origin": in_lot(ORIGINS[0])}


def laid_out() -> Site:
    """Return a turned L-shaped house with two rooms, marks, ties and walls, without any error."""
    base, places = corner_site(), truth()
    corners = np.array([in_lot(z) for z in OUTLINE])
    building = replace(
        base.building,
        vertices=np.column_stack([corners.real, corners.imag]),
        sides=SIDES,
        angle_rad=ANGLE,
        position_sd_m=0.11,
        outline_sd_m=0.013,
        angle_sd_rad=0.0041,
    )
    rooms = tuple(
        replace(
            room,
            origin_m=(z.real, z.imag),
            origin_sd_m=sd,
            x_toward_rad=toward,
            x_toward_sd_rad=turn,
        )
        for room, z, sd, toward, turn in zip(
            base.rooms, ORIGINS, (0.021, 0.034), (0.0, TOWARD), (0.006, 0.009), strict=True
        )
    )
    rows = [
        Locate(name, "wall", rooms[room].id, local.real, local.imag, *[None] * 6, "slab", "", 4)
        for name, (room, local) in MARKS.items()
    ]
    there = places["L"]
    rows.append(Locate("L", "wall", "lot", there.real, there.imag, *[None] * 6, "slab", "", 9))
    rear = complex(*base.lot.vertices[2])
    ties = tuple(
        Tie(one, other, float(abs(a - b)), 0.015, 9)
        for one, other, a, b in (
            ("A", "C", places["A"], places["C"]),
            ("C", "L", places["C"], places["L"]),
            ("building:front-right", "L", in_lot(9), places["L"]),
            ("lot:rear-right", "B", rear, places["B"]),
            ("R1:origin", "C", places["R1:origin"], places["C"]),
        )
    )
    inside = {
        name: ORIGINS[room] + local * (1.0, np.exp(1j * TOWARD))[room]
        for name, (room, local) in MARKS.items()
    }
    # of the two right walls the longer one, 6 m from the left
    walls = tuple(
        WallContact(point, side, inward, 0.017)
        for point, side, inward in (
            ("A", "front", inside["A"].imag),
            ("B", "left", inside["B"].real),
            ("C", "right", 6 - inside["C"].real),
        )
    )
    return replace(
        base, building=building, rooms=rooms, locates=tuple(rows), ties=ties, wall_contacts=walls
    )


def unknowns(site: Site, network: Network) -> Array:
    """Return the true unknowns in the network's columns."""
    x, places = np.zeros(network.size), truth()
    named = {"front-left": 0, "front-right": 9, "rear-left": 13j, "rear-right": 6 + 13j}
    corner = {f"building:{name}": in_lot(z) for name, z in named.items()}
    lot = {"lot:rear-right": complex(*site.lot.vertices[2])}
    for name, column in network.nodes.items():
        if not name.endswith(":origin"):
            z = (places | corner | lot).get(name)
            if z is None:  # a corner by its number
                z = in_lot(OUTLINE[int(name.split()[-1]) - 1])
            x[column : column + 2] = z.real, z.imag
    for (name, column), z, turn in zip(
        network.poses.items(), (0, *ORIGINS), (0.0, 0.0, TOWARD), strict=True
    ):
        assert name in ("building", site.rooms[0].id, site.rooms[1].id)
        x[column : column + 3] = in_lot(z).real, in_lot(z).imag, ANGLE + turn
    return x


def test_a_layout_without_error_leaves_nothing_over() -> None:
    """Every kind of observation, computed at the true places, is what was measured."""
    site = laid_out()
    network = site_network(site, all_corners=True)
    equations = compile_equations(network.observations, network.size)
    x = unknowns(site, network)
    computed, derivatives = evaluate(equations, x)
    assert misclosures(equations, computed) == pytest.approx(np.zeros(computed.size), abs=1e-9)
    assert {item.kind for item in network.observations} == {
        "value",
        "offset-x",
        "offset-y",
        "distance",
        "turn",
        "wall",
    }
    # all is held: as many independent numbers as unknowns
    assert np.linalg.matrix_rank(derivatives) == network.size
    for name, place in named_places(site, network, x).items():
        if name in truth():
            z = truth()[name]
            assert place == pytest.approx([z.real, z.imag])
    few = site_network(replace(site, ties=(), wall_contacts=()))
    corners = named_places(site, few, unknowns(site, few))
    for name, z in (("front-left", 0), ("front-right", 9), ("rear-left", 13j)):
        expected = in_lot(z)
        assert corners[f"building:{name}"] == pytest.approx([expected.real, expected.imag])


def test_every_number_has_the_spread_of_its_own_reading() -> None:
    """Tape by its own length along each axis; building, outline, rooms, ties, walls as stated."""
    site = laid_out()
    network = site_network(site)
    sds = {item.name: item.sd for item in network.observations}
    for name, (room, local) in MARKS.items():
        for axis, value in (("x", local.real), ("y", local.imag)):
            what = f"{name} in room {site.rooms[room].id}, {axis}"
            assert sds[what] == pytest.approx(site.noise.tape_sd_m(value))
    lot = max(site.noise.tape_sd_m(v) for v in (12.0, 3.0))
    assert sds["L in the lot, x"] == sds["L in the lot, y"]
    assert sds["L in the lot, x"] == pytest.approx(np.hypot(lot, site.lot.corner_sd_m))
    stated = {
        "building position": 0.11, "building direction": 0.0041, "building corner": 0.013,
        "origin of room R1": 0.021, "origin of room R2": 0.034, "direction of room R1": 0.006,
        "direction of room R2": 0.009, "tie": 0.015, "A on the front wall": 0.017,
        "lot corner": site.lot.corner_sd_m,
    }  # fmt: skip
    for start, sd in stated.items():
        found = [value for name, value in sds.items() if name.startswith(start)]
        assert found
        assert found == pytest.approx([sd] * len(found))


def test_a_walls_edges_stand_longest_first() -> None:
    """Of the two right sides of the L that of 8 m, of the two rear ones that of 6 m (shapely)."""
    site = laid_out()
    ring = np.concatenate([site.building.vertices, site.building.vertices[:1]])
    lengths = shapely.length(shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1)))
    for side in ("right", "rear"):
        edges = wall_candidates(site, side)  # type: ignore[arg-type]
        assert len(edges) == 2
        assert lengths[edges[0]] > lengths[edges[1]]


def test_of_a_mark_taped_along_one_axis_that_one_is_observed() -> None:
    """What was not measured is not there, neither as a number nor as nothing."""
    site = laid_out()
    for x, y, axis in ((1.5, np.nan, "x"), (np.nan, 2.5, "y")):
        row = Locate("M", "wall", site.rooms[1].id, x, y, *[None] * 6, "slab", "", 8)
        network = site_network(replace(site, locates=(*site.locates, row)))
        (found,) = (one for one in network.observations if one.name.startswith("M in"))
        assert (found.kind, found.value) == (f"offset-{axis}", np.nansum([x, y]))
        assert found.sd == pytest.approx(site.noise.tape_sd_m(found.value))


def test_a_reading_that_occurs_again_has_a_name_of_its_own() -> None:
    """The same tie taped twice: two observations, told apart."""
    site = laid_out()
    network = site_network(replace(site, ties=(*site.ties, site.ties[0], site.ties[0])))
    names = [one.name for one in network.observations if one.name.startswith("tie A to C")]
    assert names == ["tie A to C", "tie A to C (again, 2)", "tie A to C (again, 3)"]
