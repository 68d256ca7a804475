"""Allowed area, faces and yards of a site."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from sitegis.geometry.frames import rotation
from sitegis.model.site import Easement
from sitegis.pits.cost import may_run_in
from sitegis.routes.terrain import Face, prepare_terrain, run_alongside

from .invented import (
    HOUSE_DEPTH_M,
    HOUSE_FRONT_M,
    HOUSE_LEFT_M,
    HOUSE_WIDTH_M,
    LOT_DEPTH_M,
    LOT_WIDTH_M,
    corner_site,
)


def test_allowed_area_is_lot_and_rights_of_way() -> None:
    """The area equals shapely's union of lot and rights-of-way."""
    site = corner_site()
    union = shapely.unary_union(
        [shapely.Polygon(site.lot.vertices), *(shapely.Polygon(s.row) for s in site.streets)]
    )
    assert shapely.symmetric_difference(may_run_in(site), union).area < 1e-6


def test_an_easement_adds_to_the_area() -> None:
    """A strip on the neighbor's side is allowed once an easement is given."""
    site = corner_site()
    ring = np.array([[-3.0, 5.0], [0.0, 5.0], [0.0, 30.0], [-3.0, 30.0]])
    point = shapely.Point(-2.0, 10.0)
    assert not may_run_in(site).contains(point)
    assert may_run_in(replace(site, easements=(Easement("E", ring),))).contains(point)


def test_a_thin_seam_between_records_is_closed() -> None:
    """A gap of 5 cm between lot and right-of-way does not cut the route off."""
    site = corner_site()
    streets = tuple(
        replace(s, row=s.row - np.array([0.0, 0.05])) if s.side == "front" else s
        for s in site.streets
    )
    area = may_run_in(replace(site, streets=streets))
    assert area.covers(shapely.LineString([[7.0, 5.0], [7.0, -5.0]]))


def test_faces_and_yards_of_the_invented_house() -> None:
    """Face lengths and yard widths are those of the lot plan."""
    faces = prepare_terrain(corner_site()).faces
    assert faces["left"].yard_m == pytest.approx(HOUSE_LEFT_M)
    assert faces["right"].yard_m == pytest.approx(LOT_WIDTH_M - HOUSE_LEFT_M - HOUSE_WIDTH_M)
    assert faces["front"].yard_m == pytest.approx(HOUSE_FRONT_M)
    assert faces["rear"].yard_m == pytest.approx(LOT_DEPTH_M - HOUSE_FRONT_M - HOUSE_DEPTH_M)
    assert faces["left"].length_m == pytest.approx(HOUSE_DEPTH_M)
    assert faces["front"].length_m == pytest.approx(HOUSE_WIDTH_M)


def test_a_turned_house_has_its_least_yard() -> None:
    """A house turned by 5° has the least distance of its face from the lot line as yard."""
    site = corner_site()
    corner = site.building.vertices[0]
    turn = np.radians(5.0)
    turned = (site.building.vertices - corner) @ rotation(turn).T + corner
    building = replace(site.building, vertices=turned, angle_rad=turn)
    face = prepare_terrain(replace(site, building=building)).faces["left"]
    rear = turned[3]
    expected = rear[0] / np.cos(turn)
    assert face.yard_m == pytest.approx(expected, abs=0.05)


def test_a_house_on_the_lot_line_has_no_yard() -> None:
    """A wall on or past the lot line has a yard of zero."""
    site = corner_site()
    moved = site.building.vertices - np.array([HOUSE_LEFT_M + 0.1, 0.0])
    building = replace(site.building, vertices=moved)
    assert prepare_terrain(replace(site, building=building)).faces["left"].yard_m == 0.0


def test_run_alongside_equals_shapely() -> None:
    """The length beside a wall equals that of shapely's intersection with the strip."""
    face = prepare_terrain(corner_site()).faces["left"]
    generator = np.random.default_rng(2)
    routes = generator.uniform([-4, 0], [6, 30], (2000, 5, 2))
    run, pieces = run_alongside(routes, face, within_m=2.0)
    strip = shapely.box(
        HOUSE_LEFT_M - 2.0, HOUSE_FRONT_M, HOUSE_LEFT_M, HOUSE_FRONT_M + HOUSE_DEPTH_M
    )
    straights = shapely.linestrings(
        np.stack([routes[:, :-1], routes[:, 1:]], axis=2).reshape(-1, 2, 2)
    )
    beside = shapely.intersection(straights, strip)
    bounds = np.nan_to_num(shapely.bounds(beside))
    expected = (bounds[:, 3] - bounds[:, 1]).reshape(-1, 4).sum(axis=1)
    assert run == pytest.approx(expected, abs=1e-9)
    lengths = np.hypot(*np.moveaxis(pieces[:, :, 1] - pieces[:, :, 0], -1, 0))
    assert lengths.ravel() == pytest.approx(shapely.length(beside), abs=1e-9)


@pytest.mark.parametrize("first", range(4))
def test_faces_do_not_hang_on_the_corner_that_the_outline_begins_with(first: int) -> None:
    """Of a turned house, from any corner on: shapely's rectangle, and a normal that leads out.

    Each face is a side of the ring, and a step outward from its middle leaves the house.
    """
    site = corner_site()
    turn = rotation(0.3)
    ring = site.building.vertices @ turn.T + np.array([6.0, 2.0])
    building = replace(
        site.building,
        vertices=np.roll(ring, -first, axis=0),
        angle_rad=0.3,
        sides=tuple(np.roll(site.building.sides, -first)),
    )
    faces = prepare_terrain(replace(site, building=building)).faces
    house = shapely.Polygon(ring)
    for i, side in enumerate(site.building.sides):
        face = faces[side]
        ends = shapely.LineString([face.origin, face.origin + face.length_m * face.along])
        expected = shapely.LineString([ring[i], ring[(i + 1) % 4]])
        assert ends.hausdorff_distance(expected) == pytest.approx(0.0, abs=1e-9)
        middle = np.array(ends.interpolate(0.5, normalized=True).coords[0])
        assert not house.covers(shapely.Point(middle + 0.01 * face.outward))
        assert house.covers(shapely.Point(middle - 0.01 * face.outward))


def test_pieces_beside_a_wall_are_shapelys() -> None:
    """Every straight's piece within the strip beside a turned face is shapely's intersection."""
    generator = np.random.default_rng(6)
    along, outward = rotation(0.3).T @ np.eye(2)
    face = Face("front", np.array([2.0, 1.0]), along, outward, 6.0, 9.0)
    routes = generator.uniform(-4.0, 12.0, (60, 4, 2))
    corners = [(0, 0), (6, 0), (6, 3), (0, 3)]
    strip = shapely.Polygon([face.origin + a * along + b * outward for a, b in corners])
    run, pieces = run_alongside(routes, face, within_m=3.0)
    for route, length, parts in zip(routes, run, pieces, strict=True):
        total = 0.0
        for i, part in enumerate(parts):
            met = shapely.LineString(route[i : i + 2]).intersection(strip)
            assert np.hypot(*(part[1] - part[0])) == pytest.approx(met.length, abs=1e-9)
            if met.length:
                ends = np.array(met.coords)
                assert np.sort(part, axis=0) == pytest.approx(np.sort(ends, axis=0))
                total += abs((ends[1] - ends[0]) @ along)
        assert length == pytest.approx(total)
