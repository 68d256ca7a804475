"""Grid units, scale, convergence and the fits that tie a lot to the grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from sitegis.geometry.georeference import (
    Similarity,
    combined_factor,
    convergence_deg,
    elevation_factor,
    fit_lot_frame,
    fit_similarity,
    grid_from_lonlat,
    grid_scale_factor,
    grid_unit,
    lot_frame,
    utm_crs,
)

STATE_PLANE_FT, UTM, STATE_PLANE_INTERNATIONAL = "EPSG:3435", "EPSG:32616", "EPSG:2256"
PLACE = (-87.5, 41.2)

# Ghilani & Wolf, Adjustment Computations, ch. 18: control points and printed solution.
CONTROL = np.array([[1049422.40, 51089.20], [1049413.95, 49659.30], [1049244.95, 49884.95]])
MEASURED = np.array([[121.622, -128.066], [141.228, 187.718], [175.802, 135.728]])


def test_helmert_parameters_match_ghilani_wolf() -> None:
    """Least squares gives the four parameters printed in ch. 18."""
    fitted = fit_similarity(MEASURED, CONTROL)
    assert fitted.a == pytest.approx(-4.51249, abs=6e-6)
    assert fitted.b == pytest.approx(-0.25371, abs=6e-6)
    assert fitted.te == pytest.approx(1050003.715, abs=6e-4)
    assert fitted.tn == pytest.approx(50542.131, abs=6e-4)


def test_helmert_point_matches_ghilani_wolf() -> None:
    """The point carried over in ch. 18 lands on its printed coordinates."""
    point = fit_similarity(MEASURED, CONTROL).apply(np.array([174.148, -120.262]))
    assert point == pytest.approx([1049187.361, 51040.629], abs=6e-4)


def test_similarity_matches_epsg_9621() -> None:
    """EPSG Guidance Note 7-2, method 9621: the worked example, and PROJ's own transformation.

    The note prints M to 1e-8, which is 45 mm of northing; its result is met within 2 mm.
    """
    scale, theta = 1.00000155, math.radians(1.56504 / 3600)
    method = Similarity(scale * math.cos(theta), -scale * math.sin(theta), -129.549, -208.185)
    point = method.apply(np.array([300_000.0, 4_500_000.0]))
    assert point == pytest.approx([299_905.060, 4_499_796.515], abs=0.002)
    proj = Transformer.from_pipeline(
        f"+proj=helmert +x=-129.549 +y=-208.185 +s={scale} +theta=1.56504"
    )
    proj_point = proj.transform(300_000.0, 4_500_000.0)
    assert point == pytest.approx(proj_point, abs=1e-6)


@settings(deadline=None, max_examples=50)
@given(st.floats(-math.pi, math.pi), st.floats(0.1, 10), st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_similarity_is_recovered(turn: float, scale: float, east: float, north: float) -> None:
    """Points moved by a known similarity give it back."""
    truth = Similarity(scale * math.cos(turn), scale * math.sin(turn), east, north)
    fitted = fit_similarity(MEASURED, truth.apply(MEASURED))
    assert fitted.apply(MEASURED) == pytest.approx(truth.apply(MEASURED), abs=1e-6)
    assert fitted.scale == pytest.approx(scale, rel=1e-9)


def test_points_in_one_place_give_no_direction() -> None:
    """Two corners in one place are refused."""
    with pytest.raises(ValueError, match="no direction"):
        fit_similarity(np.zeros((2, 2)), np.array([[0.0, 0.0], [1.0, 1.0]]))


# ---------------------------------------------------------------------------------- units


def test_us_survey_foot_is_said_aloud() -> None:
    """A US-foot grid has 1200/3937 m a unit and says so beside the tape's foot."""
    unit = grid_unit(STATE_PLANE_FT)
    assert unit.meters_per_unit == 1200 / 3937
    assert unit.unit_name == "US survey foot"
    assert "international feet (0.3048 m)" in unit.words


def test_international_foot_grid() -> None:
    """A grid in international feet is told apart from one in US survey feet."""
    unit = grid_unit(STATE_PLANE_INTERNATIONAL)
    assert (unit.meters_per_unit, unit.unit_name) == (0.3048, "international foot")


def test_meter_grid() -> None:
    """A meter grid has a factor of exactly 1."""
    assert grid_unit(UTM).meters_per_unit == 1.0


@pytest.mark.parametrize(
    ("crs", "reason"),
    [
        ("EPSG:4326", "not a projected grid"),
        ("EPSG:3857", "web maps"),
        ("EPSG:2053", "does not run east and north"),
        ("no such grid", "not a coordinate reference system"),
    ],
)
def test_grids_that_cannot_carry_a_lot(crs: str, reason: str) -> None:
    """Degrees, web maps, south-west grids and nonsense are refused with the reason."""
    with pytest.raises(ValueError, match=reason):
        grid_unit(crs)


def test_a_grid_with_another_unit_on_each_axis_is_refused() -> None:
    """The register's UTM 16N with northings in feet instead (WKT by pyproj)."""
    text = CRS(UTM).to_wkt("WKT2_2019")
    head, north = text.split('AXIS["(N)"')
    mixed = (
        head + 'AXIS["(N)"' + north.replace('LENGTHUNIT["metre",1]', 'LENGTHUNIT["foot",0.3048]')
    )
    with pytest.raises(ValueError, match="different unit on each axis"):
        grid_unit(mixed.replace(',ID["EPSG",32616]', ""))


def test_grid_that_does_not_keep_angles() -> None:
    """An equal-area grid is refused: it has no one scale."""
    with pytest.raises(ValueError, match="keep angles"):
        grid_scale_factor("EPSG:5070", *PLACE)


def test_grid_of_another_place() -> None:
    """A transverse Mercator grid far from its meridian is refused."""
    with pytest.raises(ValueError, match="not for this place"):
        grid_scale_factor(UTM, -70.0, 41.2)


@settings(deadline=None, max_examples=15)
@given(st.integers(-179_900, 179_900), st.integers(-79_900, 55_900))
def test_utm_zone_matches_the_register(thousandths_east: int, thousandths_north: int) -> None:
    """The zone is the one the EPSG register names (south of Norway's exceptions)."""
    longitude, latitude = thousandths_east / 1000, thousandths_north / 1000
    registered = query_utm_crs_info(
        "WGS 84", AreaOfInterest(longitude, latitude, longitude, latitude), contains=True
    )
    assert utm_crs(longitude, latitude) in {f"EPSG:{info.code}" for info in registered}


# ------------------------------------------------------------------- scale and convergence


@pytest.mark.parametrize("crs", [STATE_PLANE_FT, UTM])
def test_scale_factor_matches_geodesics(crs: str) -> None:
    """Grid distance over geodesic distance (GeographicLib in pyproj.Geod) is the scale factor."""
    ellipsoid = Geod(ellps="GRS80")
    longitude, latitude, _ = ellipsoid.fwd(*PLACE, 37.0, 200.0)
    ends = grid_from_lonlat(crs, np.array([PLACE, (longitude, latitude)]))
    measured = float(np.hypot(*(ends[1] - ends[0]))) / 200.0
    assert grid_scale_factor(crs, *PLACE) == pytest.approx(measured, abs=1e-6)


@pytest.mark.parametrize("crs", [STATE_PLANE_FT, UTM])
def test_convergence_matches_a_meridian(crs: str) -> None:
    """A step to true north leaves the grid at minus the convergence."""
    ends = grid_from_lonlat(crs, np.array([PLACE, (PLACE[0], PLACE[1] + 1e-3)]))
    east, north = ends[1] - ends[0]
    grid_azimuth = math.degrees(math.atan2(east, north)) % 360.0
    expected = -convergence_deg(crs, *PLACE) % 360.0
    assert grid_azimuth == pytest.approx(expected, abs=1e-4)


def test_convergence_is_nil_on_the_central_meridian() -> None:
    """On the central meridian grid north is true north and UTM's scale is 0.9996."""
    assert convergence_deg(UTM, -87.0, 41.2) == pytest.approx(0.0, abs=1e-9)
    assert grid_scale_factor(UTM, -87.0, 41.2) == pytest.approx(0.9996, abs=1e-9)


@pytest.mark.parametrize("elevation_m", [0.0, 180.0, 1600.0])
def test_combined_factor_matches_space(elevation_m: float) -> None:
    """100 m in the lot are 100 m between the same points in earth-centered coordinates.

    The mean radius differs from the true one by up to 0.35 %, so 1 ppm is allowed at 1600 m.
    """
    frame = lot_frame(UTM, x_azimuth_deg=70.0, lonlat=PLACE, elevation_m=elevation_m)
    ends = frame.to_lonlat(np.array([[0.0, 0.0], [100.0, 0.0]]))
    to_space = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True)
    space = np.array(to_space.transform(ends[:, 0], ends[:, 1], np.full(2, elevation_m)))
    assert float(np.linalg.norm(space[:, 1] - space[:, 0])) == pytest.approx(100.0, abs=2e-4)


def test_combined_factor_is_the_product() -> None:
    """At the ellipsoid the combined factor is the grid's own, above it is less."""
    assert combined_factor(UTM, *PLACE, 0.0) == grid_scale_factor(UTM, *PLACE)
    assert combined_factor(UTM, *PLACE, 637.2) == pytest.approx(
        grid_scale_factor(UTM, *PLACE) / 1.0001
    )


@pytest.mark.parametrize("elevation_m", [-501.0, 9001.0, math.nan])
def test_elevation_not_on_land(elevation_m: float) -> None:
    """An elevation no lot can have is refused."""
    with pytest.raises(ValueError, match="not on land"):
        elevation_factor(elevation_m)


# ------------------------------------------------------------------------------- the frame


@settings(deadline=None, max_examples=40)
@given(
    st.sampled_from([STATE_PLANE_FT, UTM, "EPSG:26916"]),
    st.floats(-88.5, -87.2),
    st.floats(38.0, 42.0),
    st.floats(0, 360),
    st.floats(-200, 200),
    st.floats(-200, 200),
)
def test_round_trip_through_wgs84(
    crs: str, longitude: float, latitude: float, azimuth: float, x: float, y: float
) -> None:
    """A lot point taken to WGS 84 and back comes home within a tenth of a millimeter."""
    frame = lot_frame(crs, x_azimuth_deg=azimuth, lonlat=(longitude, latitude), elevation_m=180)
    point = np.array([x, y])
    home = frame.from_grid_m(grid_from_lonlat(crs, frame.to_lonlat(point)))
    assert home == pytest.approx(point, abs=1e-4)


@pytest.mark.parametrize("crs", [STATE_PLANE_FT, UTM])
def test_corner_keeps_its_longitude_and_latitude(crs: str) -> None:
    """The corner that was given stays where it was given, whichever corner it is."""
    frame = lot_frame(crs, x_azimuth_deg=84.2, lonlat=PLACE, lot_xy=(15.24, 38.1))
    assert frame.to_lonlat(np.array([15.24, 38.1])) == pytest.approx(PLACE, abs=1e-9)


def test_grid_and_lonlat_corner_agree() -> None:
    """A corner given in grid meters makes the same frame as its longitude and latitude."""
    easting, northing = grid_from_lonlat(STATE_PLANE_FT, np.array(PLACE)).tolist()
    by_grid = lot_frame(STATE_PLANE_FT, x_azimuth_deg=10.0, grid_m=(easting, northing))
    by_lonlat = lot_frame(STATE_PLANE_FT, x_azimuth_deg=10.0, lonlat=PLACE)
    assert by_grid.combined_factor == pytest.approx(by_lonlat.combined_factor, abs=1e-12)
    assert by_grid.origin_easting_m == by_lonlat.origin_easting_m


def test_coordinates_come_out_in_us_survey_feet() -> None:
    """Coordinates in the CRS's own unit are what pyproj itself gives for the corner."""
    frame = lot_frame(STATE_PLANE_FT, x_azimuth_deg=0.0, lonlat=PLACE)
    to_grid = Transformer.from_crs(CRS(4269), CRS(3435), always_xy=True)
    assert frame.to_crs(np.zeros(2)) == pytest.approx(to_grid.transform(*PLACE), abs=1e-3)


def test_corner_must_be_given_once() -> None:
    """No corner, or a corner given twice, is refused."""
    with pytest.raises(ValueError, match="either"):
        lot_frame(UTM, x_azimuth_deg=0.0)
    with pytest.raises(ValueError, match="either"):
        lot_frame(UTM, x_azimuth_deg=0.0, lonlat=PLACE, grid_m=(4e5, 4e6))


@pytest.mark.parametrize("lonlat", [(41.2, -87.5), (87.5, 41.2), (-87.5, -41.2)])
def test_mixed_up_longitude_and_latitude(lonlat: tuple[float, float]) -> None:
    """Latitude first, or a lost sign, is noticed by the CRS's area."""
    with pytest.raises(ValueError, match="outside the area"):
        lot_frame(STATE_PLANE_FT, x_azimuth_deg=0.0, lonlat=lonlat)


def test_two_corners_make_the_frame() -> None:
    """Two corners of a known frame give it back, with nothing left over."""
    truth = lot_frame(UTM, x_azimuth_deg=84.2, lonlat=PLACE, elevation_m=180.0)
    corners = np.array([[0.0, 0.0], [15.24, 0.0]])
    fitted = fit_lot_frame(UTM, corners, truth.to_grid_m(corners), elevation_m=180.0)
    assert fitted.largest_residual_m < 1e-6
    assert fitted.frame.x_azimuth_deg == pytest.approx(84.2, abs=1e-6)
    far = np.array([15.24, 38.1])
    assert fitted.frame.to_grid_m(far) == pytest.approx(truth.to_grid_m(far), abs=1e-6)


def test_wrong_distance_shows_as_residual() -> None:
    """Corners 0.20 m too far apart leave 0.10 m at each and do not stretch the lot."""
    truth = lot_frame(UTM, x_azimuth_deg=84.2, lonlat=PLACE)
    given_corners = np.array([[0.0, 0.0], [15.24, 0.0]])
    grid = truth.to_grid_m(np.array([[-0.1, 0.0], [15.34, 0.0]]))
    fitted = fit_lot_frame(UTM, given_corners, grid)
    assert fitted.residuals_m == pytest.approx([0.1, 0.1], abs=1e-6)
    assert fitted.frame.combined_factor == pytest.approx(truth.combined_factor, abs=1e-7)


def test_one_corner_is_not_enough() -> None:
    """One corner gives no direction."""
    with pytest.raises(ValueError, match="two or more"):
        fit_lot_frame(UTM, np.zeros((1, 2)), np.zeros((1, 2)))


@pytest.mark.parametrize(
    ("lot", "grid"),
    [
        (np.zeros((2, 2)), np.zeros((3, 2))),
        (np.zeros((2, 3)), np.zeros((2, 3))),
        (np.zeros(2), np.zeros(2)),
    ],
)
def test_corners_of_the_wrong_shape(lot: np.ndarray, grid: np.ndarray) -> None:
    """Corners that do not pair up in the plane are refused."""
    with pytest.raises(ValueError, match="two or more corners"):
        fit_lot_frame(UTM, lot, grid)


@pytest.mark.parametrize("grid", [[math.nan, 4e6], [1e30, 4e6]])
def test_corner_that_is_no_place(grid: list[float]) -> None:
    """A grid coordinate that is nowhere on the grid is refused."""
    with pytest.raises(ValueError, match="not a place"):
        lot_frame(UTM, x_azimuth_deg=0.0, grid_m=(grid[0], grid[1]))


def test_azimuth_that_is_not_finite() -> None:
    """A frame has a direction."""
    with pytest.raises(ValueError, match="azimuth"):
        lot_frame(UTM, x_azimuth_deg=math.nan, lonlat=PLACE)


@pytest.mark.parametrize(
    ("longitude", "latitude", "reason"),
    [
        (0.0, -80.5, "no UTM zone"),
        (0.0, 84.5, "no UTM zone"),
        (181.0, 0.0, "not on the earth"),
        (0.0, 91.0, "not on the earth"),
        (math.nan, 0.0, "not on the earth"),
    ],
)
def test_places_without_a_utm_zone(longitude: float, latitude: float, reason: str) -> None:
    """Near the poles and off the earth there is no UTM zone."""
    with pytest.raises(ValueError, match=reason):
        utm_crs(longitude, latitude)


def test_ends_of_the_utm_zones() -> None:
    """Longitude 180 stays in zone 60, the southern zones are 327xx."""
    assert utm_crs(180.0, 10.0) == "EPSG:32660"
    assert utm_crs(-180.0, -80.0) == "EPSG:32701"
    assert utm_crs(3.0, 84.0) == "EPSG:32631"


def test_a_place_a_degree_outside_its_grids_area_is_still_taken() -> None:
    """On each of four sides of the area that the register gives: 0.9° beyond, and no 1.1°."""
    area = CRS(STATE_PLANE_FT).area_of_use
    assert area is not None
    middle = 0.5 * (area.west + area.east), 40.0
    for off, taken in ((0.9, True), (1.1, False)):
        for place in (
            (area.west - off, middle[1]),
            (area.east + off, middle[1]),
            (middle[0], area.south - off),
            (middle[0], area.north + off),
        ):
            if taken:
                assert np.isfinite(grid_from_lonlat(STATE_PLANE_FT, np.array(place))).all()
            else:
                with pytest.raises(ValueError, match="outside the area"):
                    grid_from_lonlat(STATE_PLANE_FT, np.array(place))
