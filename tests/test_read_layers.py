"""Layers: round trips with geopandas in a US-survey-foot grid, and every refusal."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import Proj

from sitegis.messages.errors import BadInput
from sitegis.model.site import Site
from sitegis.read import read_site
from tests.read_folder import SITE, without, write_folder

US_FOOT_M = 1200 / 3937  # NIST SP 811: the US survey foot is exactly 1200/3937 m
CORNER_FT = np.array([1_091_400.0, 1_642_250.0])
AZIMUTH_DEG = 84.2

LAYER_SITE = without(
    SITE.replace("EPSG:26916", "EPSG:3435"), "longitude", "latitude", "front_azimuth"
)
LAYER_SITE = LAYER_SITE.replace(
    'sides = {front = "50 ft", right = "125 ft", rear = "50 ft", left = "125 ft"}',
    'layer = "layers/town.gpkg"\nlayer_name = "parcels"\nid_field = "pin"\nid = "17"\n'
    'front_street = "First Street"',
)
LAYER_SITE = LAYER_SITE.replace(
    'setbacks = {front = "25 ft", left = "6 ft"}\nwidth = "26 ft"\ndepth = "44 ft"',
    'layer = "layers/town.gpkg"\nlayer_name = "buildings"\nid_field = "number"\nid = 9',
)
LAYER_SITE = LAYER_SITE.replace(
    'side = "front"\nrow_width = "66 ft"',
    'side = "front"\nrow_width = "66 ft"\nlayer = "layers/town.gpkg"\nlayer_name = "streets"\n'
    'id_field = "name"\nid = "First Street"',
)


def in_grid(xy_ft: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Lay lot feet (grid feet here) out from the corner: x along the azimuth, y to its left."""
    sine, cosine = math.sin(math.radians(AZIMUTH_DEG)), math.cos(math.radians(AZIMUTH_DEG))
    return [
        (CORNER_FT[0] + x * sine - y * cosine, CORNER_FT[1] + x * cosine + y * sine)
        for x, y in xy_ft
    ]


LOT_FT = [(0, 0), (50, 0), (50, 125), (0, 125)]
HOUSE_FT = [(6, 25), (32, 25), (32, 69), (20, 69), (20, 60), (6, 60)]
STREET_FT = [(-150, -33), (200, -33)]
MAIN_FT = [(200, -30), (-150, -30)]


@cache
def town(lot_wkb: bytes, crs: str) -> bytes:
    """Make a GeoPackage with parcels, buildings, streets, mains and manholes."""
    other = shapely.Polygon(in_grid([(-50, 0), (0, 0), (0, 125), (-50, 125)]))
    tables = {
        "parcels": {"pin": ["17", "18"], "geometry": [shapely.from_wkb(lot_wkb), other]},
        "buildings": {"number": [9], "geometry": [shapely.Polygon(in_grid(HOUSE_FT))]},
        "streets": {"name": ["First Street"], "geometry": [shapely.LineString(in_grid(STREET_FT))]},
        "mains": {"id": ["front-main"], "geometry": [shapely.LineString(in_grid(MAIN_FT))]},
        "manholes": {
            "mh": ["MH-1", "MH-2"],
            "main": ["front-main", "front-main"],
            "cover": ["584.2", " "],
            "geometry": [shapely.Point(in_grid([(x, -30)])[0]) for x in (-40, 190)],
        },
    }
    with TemporaryDirectory() as folder:
        path = Path(folder) / "town.gpkg"
        for name, table in tables.items():
            frame = geopandas.GeoDataFrame(table, crs="EPSG:3435").to_crs(crs)
            frame.to_file(path, layer=name, driver="GPKG")
        return path.read_bytes()


def write_layers(folder: Path, lot: shapely.Geometry | None = None, crs: str = "EPSG:3435") -> None:
    """Write the layers of an invented town into a site folder."""
    parcel = shapely.Polygon(in_grid(LOT_FT)) if lot is None else lot
    (folder / "layers").mkdir(parents=True, exist_ok=True)
    raw = town(shapely.to_wkb(parcel, output_dimension=3), crs)
    (folder / "layers" / "town.gpkg").write_bytes(raw)


def layer_site(folder: Path, site: str = LAYER_SITE) -> Site:
    write_folder(folder, site=site, ties=None)
    return read_site(folder).site


def expected_factor() -> float:
    """Grid over ground from PROJ's own factors at the corner (site elevation 0)."""
    projection = Proj("EPSG:3435")
    lonlat = projection(*(CORNER_FT * US_FOOT_M / US_FOOT_M), inverse=True)
    return float(projection.get_factors(*lonlat).meridional_scale)


def test_lot_comes_back_in_lot_meters(tmp_path: Path) -> None:
    """A parcel of 50 ft × 125 ft in the grid comes back in ground meters."""
    write_layers(tmp_path)
    site = layer_site(tmp_path)
    expected = np.array(LOT_FT) * US_FOOT_M / expected_factor()
    assert np.allclose(site.lot.vertices, expected, atol=2e-4)
    assert site.lot.sides == ("front", "right", "rear", "left")
    assert site.frame.unit_name == "US survey foot"
    assert math.isclose(site.frame.x_azimuth_deg, AZIMUTH_DEG, abs_tol=1e-6)
    assert math.isclose(site.frame.combined_factor, expected_factor(), abs_tol=1e-8)
    assert np.allclose(site.frame.to_crs(site.lot.vertices), in_grid(LOT_FT), atol=1e-5)


def test_building_keeps_its_shape(tmp_path: Path) -> None:
    """An L-shaped house comes back from its front-left corner with walls named by facing."""
    write_layers(tmp_path)
    building = layer_site(tmp_path).building
    expected = np.array(HOUSE_FT) * US_FOOT_M / expected_factor()
    assert np.allclose(building.vertices, expected, atol=2e-4)
    assert building.sides == ("front", "right", "rear", "left", "rear", "left")
    assert abs(building.angle_rad) < 1e-6


def test_centerline_becomes_right_of_way(tmp_path: Path) -> None:
    """A street's centerline is widened to 66 ft, its inner edge at the lot line."""
    write_layers(tmp_path)
    row = layer_site(tmp_path).streets[0].row
    assert math.isclose(row[:, 1].max(), 0.0, abs_tol=0.01)
    assert math.isclose(row[:, 1].min(), -66 * 0.3048, abs_tol=0.01)


SPOILED_ORDER = [
    lambda ring: shapely.Polygon(ring[::-1]),
    lambda ring: shapely.Polygon(ring[2:] + ring[:2]),
    lambda ring: shapely.Polygon([(x, y, 180.0) for x, y in ring]),
    lambda ring: shapely.Polygon([ring[0], tuple(np.mean(ring[:2], axis=0)), *ring[1:]]),
    lambda ring: shapely.MultiPolygon(
        [shapely.Polygon(ring), shapely.box(1_000_000, 1_000_000, 1_000_001, 1_000_001)]
    ),
]


@pytest.mark.parametrize("make", SPOILED_ORDER)
def test_order_heights_and_parts_do_not_matter(tmp_path: Path, make: object) -> None:
    """Clockwise, begun elsewhere, with heights, with a needless corner, in parts: the same lot."""
    assert callable(make)
    write_layers(tmp_path, lot=make(in_grid(LOT_FT)))
    site = layer_site(tmp_path)
    expected = np.array(LOT_FT) * US_FOOT_M / expected_factor()
    assert np.allclose(site.lot.vertices, expected, atol=2e-4)


def test_large_part_is_told(tmp_path: Path) -> None:
    """Of several parts the largest is taken, and said so."""
    write_layers(tmp_path, lot=SPOILED_ORDER[-1](in_grid(LOT_FT)))
    assert "several-parts" in {notice.code for notice in layer_site(tmp_path).notices}


def test_geographic_layer_is_transformed(tmp_path: Path) -> None:
    """The same layers in longitude and latitude give the same lot to a millimeter."""
    write_layers(tmp_path, crs="EPSG:4269")
    expected = np.array(LOT_FT) * US_FOOT_M / expected_factor()
    assert np.allclose(layer_site(tmp_path).lot.vertices, expected, atol=1e-3)


def test_projected_layer_gives_the_crs(tmp_path: Path) -> None:
    """Without site.crs the projected layer's CRS is taken; a geographic one's UTM zone."""
    write_layers(tmp_path / "a")
    write_layers(tmp_path / "b", crs="EPSG:4326")
    text = without(LAYER_SITE, "crs")
    assert layer_site(tmp_path / "a", text).frame.crs == "EPSG:3435"
    assert layer_site(tmp_path / "b", text).frame.crs == "EPSG:32616"


MAIN_LAYER = (
    'layer = "layers/town.gpkg"\nlayer_name = "mains"\nid_field = "id"\n'
    'manholes_layer = {layer = "layers/town.gpkg", layer_name = "manholes", id_field = "mh", '
    'main_field = "main"}'
)


def with_main_layer(flow: str) -> str:
    text = LAYER_SITE.replace('offset = "33 ft"', MAIN_LAYER)
    return without(text.replace('"left"\nmanh', f'"{flow}"\nmanh'), "manholes = ", "taps")


@pytest.mark.parametrize(("flow", "first_ft"), [("left", 200), ("right", -150)])
def test_main_runs_with_the_flow(tmp_path: Path, flow: str, first_ft: float) -> None:
    """A main's line begins upstream, its inverts fall, its manholes have stations along it."""
    write_layers(tmp_path)
    main = layer_site(tmp_path, with_main_layer(flow)).mains[0]
    scale = US_FOOT_M / expected_factor()
    assert np.allclose(main.line[0], np.array([first_ft, -30]) * scale, atol=0.01)
    assert (np.diff(main.inverts_m) < 0).all()
    stations = {manhole.id: manhole.station_m for manhole in main.manholes}
    upstream = {"MH-1": abs(first_ft + 40), "MH-2": abs(first_ft - 190)}
    for name, feet in upstream.items():
        assert math.isclose(stations[name], feet * scale, abs_tol=0.01)


def test_manholes_of_a_layer_bring_their_covers(tmp_path: Path) -> None:
    """A column of elevations in the site's units, taken above the slab; blank is not known."""
    write_layers(tmp_path)
    text = with_main_layer("left").replace(
        'main_field = "main"', 'main_field = "main", rim_field = "cover"'
    )
    site = layer_site(tmp_path, text)
    level = site.slab_elevation_m
    assert level is not None
    rims = {one.id: one.rim_m for one in site.mains[0].manholes}
    assert rims == {"MH-1": pytest.approx(584.2 * 0.3048 - level), "MH-2": None}


def test_front_azimuth_in_place_of_a_street(tmp_path: Path) -> None:
    """With front_azimuth no street layer is needed, and any side may be the front."""
    write_layers(tmp_path)
    text = without(LAYER_SITE, 'layer_name = "streets"', 'id_field = "name"', 'id = "First')
    text = text.replace('row_width = "66 ft"\nlayer = "layers/town.gpkg"', 'row_width = "66 ft"')
    text = text.replace('front_street = "First Street"', "front_azimuth = 354.2")
    text = text.replace('"layer = "layers/town.gpkg"\nlayer_name = "buildings"', "")
    site = layer_site(tmp_path, text)
    assert math.isclose(site.frame.x_azimuth_deg, 354.2, abs_tol=1e-6)
    assert np.allclose(site.frame.to_crs(np.zeros(2)), in_grid([(50, 0)])[0], atol=1e-5)


REFUSED = [
    ("/etc/passwd", "path-outside"),
    ("../town.gpkg", "path-outside"),
    ("layers/../../town.gpkg", "path-outside"),
    ("..\\\\town.gpkg", "path-outside"),
    ("C:\\\\town.gpkg", "path-outside"),
    ("https://example.org/town.gpkg", "path-outside"),
    ("/vsizip/layers/town.zip", "path-outside"),
    ("vsicurl/town.gpkg", "path-outside"),
    ("layers/out.gpkg", "path-outside"),
    ("layers/loop.gpkg", "layer-unreadable"),
    ("layers/towm.gpkg", "layer-missing"),
    ("layers", "not-a-file"),
    ("layers/notes.txt", "layer-kind"),
    ("layers/empty.gpkg", "file-empty"),
    ("layers/broken.gpkg", "layer-unreadable"),
    ("layers/broken.geojson", "layer-unreadable"),
    ("layers/naked.shp", "crs-missing"),
]


@pytest.mark.parametrize(("written", "code"), REFUSED)
def test_layer_path_refused(tmp_path: Path, written: str, code: str) -> None:
    """A path that leaves the folder, or a file that is no layer, is one fault at lot.layer."""
    folder = tmp_path / "site"
    write_layers(folder)
    layers = folder / "layers"
    (tmp_path / "town.gpkg").write_bytes((layers / "town.gpkg").read_bytes())
    (layers / "out.gpkg").symlink_to(tmp_path / "town.gpkg")
    (layers / "loop.gpkg").symlink_to(layers / "loop.gpkg")
    (layers / "notes.txt").write_text("no layer")
    (layers / "empty.gpkg").touch()
    (layers / "broken.gpkg").write_bytes(b"SQLite format 3\0" + bytes(5000))
    (layers / "broken.geojson").write_text('{"type": "FeatureCollection", "features": [{')
    ring = shapely.Polygon(in_grid(LOT_FT))
    parcel = geopandas.GeoDataFrame({"pin": ["17"]}, geometry=[ring], crs="EPSG:3435")
    parcel.to_file(layers / "naked.shp")
    (layers / "naked.prj").unlink()
    text = LAYER_SITE.replace(
        'layer = "layers/town.gpkg"\nlayer_name = "parcels"', f'layer = "{written}"'
    )
    write_folder(folder, site=text, ties=None)
    with pytest.raises(BadInput) as caught:
        read_site(folder)
    assert [(f.code, f.field) for f in caught.value.faults] == [(code, "lot.layer")]


LAYER_SPOILS = [
    ('layer_name = "parcels"', 'layer_name = "parcel"', "layer-name-missing", "lot.layer_name"),
    ('layer_name = "parcels"\n', "", "layer-name-missing", "lot.layer"),
    ('id = "17"', 'id = "71"', "feature-missing", "lot.id"),
    ('id = "17"', "id = \"17' OR '1'='1\"", "feature-missing", "lot.id"),
    ('id_field = "pin"', 'id_field = "pim"', "id-field-missing", "lot.id_field"),
    ('id_field = "pin"\n', "", "id-field-missing", "lot.id_field"),
    ('layer_name = "parcels"\nid_field = "pin"\nid = "17"',
     'layer_name = "mains"\nid_field = "id"\nid = "front-main"', "geometry-unfit", "lot.layer"),
    ('front_street = "First Street"', 'front_street = "Frist Street"', "street-unknown",
     "lot.front_street"),
    ('front_street = "First Street"', 'front_street = "Alley"', "front-unknown",
     "lot.front_street"),
    ("id = 9", 'id = "nine"', "feature-missing", "building.id"),
    ('crs = "EPSG:3435"', 'crs = "EPSG:3857"', "crs-unfit", "site.crs"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "code", "key"), LAYER_SPOILS)
def test_one_spoiled_layer_key(tmp_path: Path, old: str, new: str, code: str, key: str) -> None:
    """A layer name, column or id that is not there is one fault, at its key."""
    assert old in LAYER_SITE
    write_layers(tmp_path)
    with pytest.raises(BadInput) as caught:
        layer_site(tmp_path, LAYER_SITE.replace(old, new, 1))
    assert [(f.code, f.field) for f in caught.value.faults] == [(code, key)]


def test_parcel_that_crosses_itself(tmp_path: Path) -> None:
    """A bow-tie parcel is refused."""
    ring = in_grid([(0, 0), (50, 0), (0, 125), (50, 125)])
    write_layers(tmp_path, lot=shapely.Polygon(ring))
    with pytest.raises(BadInput, match="crosses itself"):
        layer_site(tmp_path)


def test_curved_front(tmp_path: Path) -> None:
    """On a curved front lot x runs along the chord, from the left end of the curve."""
    angles = np.radians(np.linspace(-100, -80, 11))
    curve = [(25 + 144 * math.cos(a), 142 + 144 * math.sin(a)) for a in angles]
    write_layers(tmp_path, lot=shapely.Polygon(in_grid([*curve, (50, 125), (0, 125)])))
    lot = layer_site(tmp_path).lot
    assert lot.sides[-3:] == ("right", "rear", "left")
    assert set(lot.sides[:-3]) == {"front"}
    assert np.allclose(lot.vertices[0], 0.0, atol=1e-9)
    assert abs(lot.vertices[len(lot.sides) - 3][1]) < 0.05


@pytest.mark.parametrize(("file", "crs"), [("p.geojson", "EPSG:4326"), ("p.shp", "EPSG:3435")])
def test_other_formats(tmp_path: Path, file: str, crs: str) -> None:
    """A parcel from GeoJSON (degrees) or a shapefile is the lot of the GeoPackage."""
    write_layers(tmp_path)
    parcel = geopandas.GeoDataFrame(
        {"pin": ["17"]}, geometry=[shapely.Polygon(in_grid(LOT_FT))], crs="EPSG:3435"
    )
    options = {"COORDINATE_PRECISION": 10} if file.endswith("json") else {}
    parcel.to_crs(crs).to_file(tmp_path / "layers" / file, **options)
    text = LAYER_SITE.replace(
        'layer = "layers/town.gpkg"\nlayer_name = "parcels"', f'layer = "layers/{file}"'
    )
    # WGS 84 and NAD 83 are joined as PROJ joins them, so the lot keeps its shape
    expected = np.array(LOT_FT) * US_FOOT_M / expected_factor()
    assert np.allclose(layer_site(tmp_path, text).lot.vertices, expected, atol=2e-3)
