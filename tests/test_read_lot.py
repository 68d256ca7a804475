"""The lot, the building, mains and ground from taped records: against hand-made figures."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod

from sitegis.evidence import CleanoutOutside, Dye, MainInspection, OutdoorLocate
from sitegis.evidence.main_inspection import stations
from sitegis.messages.errors import BadInput
from sitegis.model.site import Site
from sitegis.read import read_site
from tests.read_folder import LOCATES, SITE, without, write_folder

FOOT_M = 0.3048


def read(folder: Path, site: str = SITE, locates: str = LOCATES) -> Site:
    return read_site(write_folder(folder, site=site, locates=locates, ties=None)).site


def with_lot(lines: str) -> str:
    """Put other lines in place of the four sides and the azimuth."""
    start, end = SITE.index("sides = "), SITE.index("[building]")
    return SITE[:start] + "longitude = -87.5\nlatitude = 41.2\n" + lines + "\n" + SITE[end:]


def test_bare_numbers_take_their_units(tmp_path: Path) -> None:
    """Bare x and y are feet, bare depths inches."""
    row = read(tmp_path).locates[1]
    assert (row.x_m, row.y_m) == pytest.approx((12 * FOOT_M, 15 * FOOT_M))
    assert row.depth_m == pytest.approx(18 * 0.0254)
    assert row.footage_m == pytest.approx(3 * FOOT_M)


def test_rectangle_from_sides(tmp_path: Path) -> None:
    """Equal opposite sides give a rectangle with its front on lot x."""
    lot = read(tmp_path).lot
    expected = np.array([[0, 0], [50, 0], [50, 125], [0, 125]]) * FOOT_M
    assert np.allclose(lot.vertices, expected, atol=1e-9)
    assert lot.area_m2 == pytest.approx(50 * 125 * FOOT_M**2)


def test_uneven_sides_keep_their_lengths(tmp_path: Path) -> None:
    """Four lengths and a right angle at the front-left corner: all four come back."""
    text = SITE.replace('rear = "50 ft"', 'rear = "62 ft"').replace('right = "125', 'right = "120')
    ring = read(tmp_path, text).lot.vertices
    lengths = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T) / FOOT_M
    assert lengths == pytest.approx([50, 120, 62, 125])
    assert ring[3] == pytest.approx([0.0, 125 * FOOT_M])


def test_ground_distance_on_the_ellipsoid(tmp_path: Path) -> None:
    """A lot line of 125 ft is 125 ft on the ellipsoid between its corners' places."""
    site = read(tmp_path, SITE.replace("front_azimuth = 90.0", "front_azimuth = 31.0"))
    (lon0, lat0), (lon1, lat1) = site.frame.to_lonlat(site.lot.vertices[[0, 3]])
    assert (lon0, lat0) == pytest.approx((-87.5, 41.2), abs=1e-9)
    _, _, distance = Geod(ellps="GRS80").inv(lon0, lat0, lon1, lat1)
    assert distance == pytest.approx(125 * FOOT_M, abs=1e-4)


@pytest.mark.parametrize("corner", ["front-right", "rear-right", "rear-left"])
def test_any_corner_may_be_the_known_one(tmp_path: Path, corner: str) -> None:
    """The longitude and latitude may be of any lot corner."""
    text = SITE.replace("longitude = -87.5", f'corner = "{corner}"\nlongitude = -87.5')
    site = read(tmp_path, text)
    index = {"front-right": 1, "rear-right": 2, "rear-left": 3}[corner]
    found = site.frame.to_lonlat(site.lot.vertices[index])
    assert found == pytest.approx([-87.5, 41.2], abs=1e-9)


def test_second_corner_gives_the_direction(tmp_path: Path) -> None:
    """Two corners' places give the azimuth that would have made them."""
    first = read(tmp_path / "a", SITE.replace("front_azimuth = 90.0", "front_azimuth = 84.2"))
    longitude, latitude = first.frame.to_lonlat(first.lot.vertices[2])
    text = SITE.replace(
        "front_azimuth = 90.0",
        f'second_corner = {{corner = "rear-right", longitude = {longitude:.9f}, '
        f"latitude = {latitude:.9f}}}",
    )
    assert read(tmp_path / "b", text).frame.x_azimuth_deg == pytest.approx(84.2, abs=1e-3)


CALLS = """calls = [
 {bearing = "N 78-00-00 E", distance = "50 ft", side = "front"},
 {bearing = "N 12-00-00 W", distance = "125 ft", side = "right"},
 {bearing = "S 78-00-00 W", distance = "50.02 ft", side = "rear"},
 {bearing = "S 12-00-00 E", distance = "125 ft", side = "left"},
]"""


def test_calls_close_and_turn_onto_the_front(tmp_path: Path) -> None:
    """Calls give the front's azimuth, a closure of 0.02 ft, and an area of 50 ft × 125 ft."""
    site = read(tmp_path, with_lot(CALLS))
    assert site.frame.x_azimuth_deg == pytest.approx(78.0, abs=0.01)
    assert site.lot.closure_m == pytest.approx(0.02 * FOOT_M, abs=1e-9)
    assert site.lot.area_m2 == pytest.approx(50.01 * 125 * FOOT_M**2, rel=1e-4)
    assert site.lot.vertices[1][1] == pytest.approx(0.0, abs=1e-9)


def test_magnetic_calls(tmp_path: Path) -> None:
    """A magnetic bearing turns by the declination and the grid's convergence."""
    magnetic = CALLS.replace('bearing = "', 'bearing = "mag ')
    site = read(tmp_path, with_lot(magnetic + "\ndeclination = -4.0"))
    # UTM convergence ≈ (longitude − central meridian)·sin(latitude), the usual first term
    convergence = (-87.5 + 87.0) * math.sin(math.radians(41.2))
    assert site.frame.x_azimuth_deg == pytest.approx(78.0 - 4.0 - convergence, abs=0.01)


def test_curved_call(tmp_path: Path) -> None:
    """A quarter-circle corner of radius r takes (1 − π/4)·r² off the lot."""
    text = with_lot("""calls = [
 {bearing = "N 90-00-00 E", distance = "30 ft", side = "front"},
 {radius = "20 ft", arc = "31.4159265 ft", turn = "left"},
 {bearing = "N 0-00-00 E", distance = "105 ft"},
 {bearing = "N 90-00-00 W", distance = "50 ft"},
 {bearing = "S 0-00-00 E", distance = "125 ft"},
]""")
    site = read(tmp_path, text)
    expected = (50 * 125 - (1 - math.pi / 4) * 400) * FOOT_M**2
    assert site.lot.area_m2 == pytest.approx(expected, rel=5e-5)


CALL_SPOILS = [
    (
        'distance = "125 ft", side = "right"',
        'distance = "152 ft", side = "right"',
        "lot-does-not-close",
    ),
    ('bearing = "N 78-00-00 E", distance', "distance", "call-unfit"),
    ('bearing = "N 78-00-00 E"', 'bearing = "mag N 78-00-00 E"', "declination-missing"),
]


@pytest.mark.parametrize(("old", "new", "code"), CALL_SPOILS)
def test_spoiled_calls(tmp_path: Path, old: str, new: str, code: str) -> None:
    """Calls that do not close or are not whole are refused."""
    with pytest.raises(BadInput) as caught:
        read(tmp_path, with_lot(CALLS.replace(old, new, 1)))
    assert {fault.code for fault in caught.value.faults} == {code}


def test_clockwise_calls(tmp_path: Path) -> None:
    """Calls that run clockwise are refused with the cure."""
    lines = with_lot("""calls = [
 {bearing = "N 0-00-00 E", distance = "125 ft"},
 {bearing = "N 90-00-00 E", distance = "50 ft"},
 {bearing = "S 0-00-00 E", distance = "125 ft"},
 {bearing = "N 90-00-00 W", distance = "50 ft"},
]""")
    with pytest.raises(BadInput, match="clockwise"):
        read(tmp_path, lines)


def test_building_by_setbacks(tmp_path: Path) -> None:
    """Front wall 25 ft from the front line, left wall 6 ft from the left line."""
    building = read(tmp_path).building
    expected = np.array([[6, 25], [32, 25], [32, 69], [6, 69]]) * FOOT_M
    assert np.allclose(building.vertices, expected, atol=1e-9)
    assert building.position_sd_m == pytest.approx(0.10)


def test_building_by_right_setback(tmp_path: Path) -> None:
    """A right setback places the right wall."""
    text = SITE.replace('left = "6 ft"}', 'right = "6 ft"}')
    assert read(tmp_path, text).building.vertices[1] == pytest.approx([44 * FOOT_M, 25 * FOOT_M])


def test_building_turned_on_its_lot(tmp_path: Path) -> None:
    """A rotation turns the house about its front-left corner, counter-clockwise."""
    building = read(
        tmp_path, SITE.replace('depth = "44 ft"', 'depth = "44 ft"\nrotation = 5')
    ).building
    assert building.vertices[0] == pytest.approx([6 * FOOT_M, 25 * FOOT_M])
    assert building.angle_rad == pytest.approx(math.radians(5))
    assert building.sides == ("front", "right", "rear", "left")


@pytest.mark.parametrize(
    ("corner", "origin_ft", "x_deg"),
    [
        ("front-left", (1, 1), 0),
        ("front-right", (25, 1), 90),
        ("rear-right", (25, 43), 180),
        ("rear-left", (1, 43), 270),
    ],
)
def test_room_in_each_corner(
    tmp_path: Path, corner: str, origin_ft: tuple[float, float], x_deg: float
) -> None:
    """A room's origin lies one wall thickness inside its corner, and y points into the house."""
    room = read(tmp_path, SITE.replace('"rear-right"', f'"{corner}"')).rooms[1]
    assert room.origin_m == pytest.approx(tuple(FOOT_M * v for v in origin_ft))
    assert room.x_toward_rad is not None
    assert math.degrees(room.x_toward_rad) % 360 == pytest.approx(x_deg)


def test_main_by_offset(tmp_path: Path) -> None:
    """A main runs parallel to the lot line at its offset, with the flow, past its manholes."""
    main = read(tmp_path).mains[0]
    assert main.line[:, 1] == pytest.approx([-33 * FOOT_M] * len(main.line))
    assert main.line[0, 0] > main.line[-1, 0]
    places = {manhole.id: manhole for manhole in main.manholes}
    assert places["MH-1"].x_m == pytest.approx(-40 * FOOT_M)
    assert places["MH-2"].x_m == pytest.approx(200 * FOOT_M)
    assert places["MH-1"].station_m - places["MH-2"].station_m == pytest.approx(240 * FOOT_M)
    assert main.tap_stations_m[0] == pytest.approx(places["MH-2"].station_m + 31 * FOOT_M)


def test_invert_in_the_mains_datum(tmp_path: Path) -> None:
    """Invert 575.10 with the slab at 583.20 is 8.10 ft below the slab, opposite the lot."""
    main = read(tmp_path).mains[0]
    at_lot = np.interp(-25 * FOOT_M, -main.line[:, 0], main.inverts_m)
    assert at_lot == pytest.approx(-8.10 * FOOT_M, abs=1e-6)
    assert main.invert_known


def test_cover_of_a_manhole_and_vent_of_a_fixture(tmp_path: Path) -> None:
    """A cover at 584.2 ft, the slab at 583.2 ft: 1 ft above it; the vent's distance as given."""
    text = SITE.replace('offset_along = "-40 ft"', 'offset_along = "-40 ft", rim = 584.2')
    text = text.replace("[[fixture]]\n", '[[fixture]]\nvent_distance = "5 ft"\n')
    site = read(tmp_path, text)
    rims = [one.rim_m for main in site.mains for one in main.manholes if one.rim_m is not None]
    assert rims == pytest.approx([FOOT_M])
    assert [one.vent_distance_m for one in site.fixtures] == pytest.approx([5 * FOOT_M])


def test_invert_by_depth_below_the_street(tmp_path: Path) -> None:
    """A main 9 ft below a street 6 ft above the slab lies 3 ft below the slab."""
    main = read(tmp_path, SITE.replace("invert = 575.10", 'depth = "9 ft"')).mains[0]
    at_lot = np.interp(-25 * FOOT_M, -main.line[:, 0], main.inverts_m)
    assert at_lot == pytest.approx(-3 * FOOT_M, abs=1e-6)


def test_unknown_invert_is_told(tmp_path: Path) -> None:
    """A main of unknown depth gets a wide default that a person is told of."""
    site = read(tmp_path, without(SITE, "invert = "))
    assert not site.mains[0].invert_known
    assert site.mains[0].invert_sd_m == pytest.approx(0.8)
    assert [n.needs_person for n in site.notices if n.code == "invert-assumed"] == [True]


def test_ground_assumed_only_where_not_measured(tmp_path: Path) -> None:
    """Without a height of the yard the ground is flagged as assumed."""
    text = without(SITE, "ground_above_slab")
    site = read(tmp_path, text)
    assert site.ground.assumed
    assert site.ground.elevations_m == pytest.approx([2.1])
    assert "ground-assumed" in {notice.code for notice in site.notices}
    assert not read(tmp_path).ground.assumed


def test_outdoor_rows_are_evidence_too(tmp_path: Path) -> None:
    """A row in room lot is a locate and an item of evidence; an outdoor cleanout another kind."""
    rows = LOCATES + "O1,locate,lot,20,-5,70,31,\nO2,cleanout,lot,20,10,,,\n"
    site = read(tmp_path, locates=rows)
    assert site.evidence[-2:] == (
        OutdoorLocate(20 * FOOT_M, -5 * FOOT_M, 70 * 0.0254, footage_m=31 * FOOT_M, point="O1"),
        CleanoutOutside(20 * FOOT_M, 10 * FOOT_M),
    )
    assert site.locates[-2].room == "lot"
    assert isinstance(site.evidence[0], Dye)


def test_inspected_taps_become_stations(tmp_path: Path) -> None:
    """Taps found from a manhole with the flow are stations along the main."""
    item = '[[evidence]]\nkind = "main_inspection"\nmain = "front-main"\nmanhole = "MH-2"\n'
    site = read(tmp_path, SITE.replace("[[fixture]]", item + 'taps = ["31\'", 64]\n[[fixture]]'))
    found = site.evidence[-1]
    assert isinstance(found, MainInspection)
    start_m = next(m.station_m for m in site.mains[0].manholes if m.id == "MH-2")
    taps_m = stations(found, site.mains[0])
    assert taps_m == pytest.approx([start_m + 31 * FOOT_M, start_m + 64 * FOOT_M])


def test_settings_override_defaults(tmp_path: Path) -> None:
    """[noise], [prior], [cost] and [dig] reach their records; what is silent keeps its default."""
    text = SITE + (
        '[noise]\ndepth_floor = "3 in"\n[prior]\nalley = 2\n[cost]\nsetup = 600\n'
        'surface = {lawn = 20}\n[dig]\npit_length = "5 ft"\n'
    )
    site = read(tmp_path, text)
    assert site.noise.depth_floor_m == pytest.approx(3 * 0.0254)
    assert site.priors.alley == 2
    assert site.priors.front is None
    assert asdict(site.dig)["setup"] == 600
    assert site.dig.surface_per_m2["lawn"] == 20
    assert site.dig.surface_per_m2["asphalt"] == 110
    assert site.dig.pit_length_m == pytest.approx(5 * FOOT_M)
    assert site.dig.tolerance_m == pytest.approx(24 * 0.0254)


def test_east_longitude_is_told(tmp_path: Path) -> None:
    """A forgotten minus sign puts the lot in Asia: a person is told, and the CRS faulted."""
    text = without(SITE, "crs").replace("longitude = -87.5", "longitude = 87.5")
    notices = read(tmp_path, text).notices
    assert [n.needs_person for n in notices if n.code == "place-outside-rules"] == [True]


def test_building_over_the_line_is_a_notice(tmp_path: Path) -> None:
    """A house that reaches 1 ft over the lot line is read, and told."""
    site = read(tmp_path, SITE.replace('left = "6 ft"', 'left = "-1 ft"'))
    assert "building-over-line" in {notice.code for notice in site.notices}


@pytest.mark.parametrize(
    ("row", "left_out"),
    [("P2,locate,R1,12,12,19,3.1,", "P2"), ("P1,locate,R1,12,15,18,5.9,", "P1")],
)
def test_a_footage_moderately_short_is_left_out(tmp_path: Path, row: str, left_out: str) -> None:
    """An inch of cable for three feet: of the two, the footage without which the rest agree.

    P1 and P2 lie 3 ft apart, each 3 ft from its neighbor: the footages were 3 and 6 ft.
    """
    lines = [row if line.startswith(left_out) else line for line in LOCATES.splitlines()]
    site = read_site(write_folder(tmp_path / "s", locates="\n".join(lines) + "\n")).site
    (notice,) = [n for n in site.notices if n.code == "count-left-out"]
    assert f"the footage at {left_out} is left out" in notice.message
    counts = {point.id: point.footage_m for point in site.locates}
    assert [name for name, count in counts.items() if count is None] == [left_out]


@pytest.mark.parametrize(
    ("thickness", "sd_in"), [('wall_thickness = "1 ft"\n', 1.0), ("", 10.0**0.5)]
)
def test_an_assumed_wall_is_known_to_three_inches(
    tmp_path: Path, thickness: str, sd_in: float
) -> None:
    """A room at a corner lies one wall inside: 1 in, and 3 in besides where that is assumed."""
    text = SITE.replace('wall_thickness = "1 ft"\n', thickness)
    site = read_site(write_folder(tmp_path / "s", site=text)).site
    assert site.rooms[0].origin_sd_m == pytest.approx(sd_in * 0.0254)
