"""Which line of a lot is its front: against an invented city, a fixture and a real town's plots."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import fiona
import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import STRtree, affinity

from sitegis.city.frontage import Frontages, find_frontages
from sitegis.city.houses import find_houses
from sitegis.city.layer_arrays import (
    Block,
    Habits,
    Manholes,
    Parcels,
    Streets,
    lone_mains,
    no_laterals,
)
from sitegis.model.site import SIDES, Priors
from tests.invented_city import City, invent_city

FIXTURES = Path(__file__).parent.parent / "fixtures"


def ways(shapes=(), names=None, alleys=None):
    shapes = np.array(list(shapes), object)
    count = len(shapes)
    return Streets(
        shapes,
        np.array(names if names is not None else [""] * count, np.str_),
        np.array(alleys if alleys is not None else [False] * count, bool),
    )


def block_of(parcels, houses, centerlines, *, rows=None, ids=None, addresses=None):
    count = len(parcels)
    nothing = np.full(count, np.nan)
    return Block(
        Parcels(
            np.array(ids if ids is not None else [f"{i:05d}" for i in range(count)], np.str_),
            np.array(list(parcels), object),
            np.array(addresses if addresses is not None else [""] * count, np.str_),
            nothing,
            nothing,
            nothing,
        ),
        np.ones(count, bool),
        np.array(list(houses), object),
        np.full(len(houses), np.nan),
        centerlines,
        rows if rows is not None else ways(),
        rows is not None,
        lone_mains(np.zeros(0, np.str_), np.zeros(0, object), np.zeros(0), np.zeros(0)),
        Manholes(np.zeros(0, np.str_), np.zeros(0, object)),
        no_laterals(),
        Priors(),
        Habits(np.ones(1), np.array([[0.7, 0.0, 0.3]]), np.ones(1), *np.zeros((3, 1))),
    )


def frontages_of(block: Block) -> Frontages:
    lots = np.arange(len(block.parcels.ids))
    houses = find_houses(block.parcels.shapes, block.houses)
    return find_frontages(block, lots, STRtree(block.parcels.shapes), houses.centers)


def block_of_city(city: City) -> Block:
    streets = city.streets
    return block_of(
        city.parcels.geometry,
        city.buildings.geometry,
        ways(streets.geometry, streets["st_name"].tolist(), (streets["class"] == "alley").tolist()),
        ids=city.parcels["pin"].tolist(),
        addresses=city.parcels["addr_st"].tolist(),
    )


@pytest.fixture(scope="module", params=[0.0, 12.0], ids=["straight", "curved"])
def judged(request):
    """A city with straight or curved streets, its truth and what was found."""
    city = invent_city(1000, seed=5, curve=request.param)
    return city, frontages_of(block_of_city(city))


def right_streets(judged, kind):
    city, found = judged
    truth = [city.truth[pin] for pin in city.parcels["pin"]]
    mine = [i for i, t in enumerate(truth) if t["kind"] == kind]
    assert mine
    return [found.front_names[i] == truth[i]["street"] for i in mine], mine


def test_front_of_plain_lots(judged):
    """At least 98 % of plain lots get the street they were drawn on."""
    right, _ = right_streets(judged, "interior")
    assert np.mean(right) >= 0.98


@pytest.mark.parametrize("kind", ["corner", "shared", "flag"])
def test_front_of_odd_lots(judged, kind):
    """At least 95 % of corner lots, row houses and flag lots get their street."""
    right, _ = right_streets(judged, kind)
    assert np.mean(right) >= 0.95


@pytest.mark.parametrize("kind", ["interior", "corner", "flag", "through", "no-frontage"])
def test_kind_of_lot(judged, kind):
    """Each kind of lot is told as what it is."""
    _, mine = right_streets(judged, kind)
    codes = Counter(str(judged[1].codes[i]) for i in mine)
    assert codes[kind] >= 0.95 * len(mine)


def test_sureness_is_honest(judged):
    """Of the corner and through lots at p sure, about p have the right street."""
    city, found = judged
    odd = np.isin(found.codes, ["corner", "through"])
    streets = [city.truth[pin]["street"] for pin in city.parcels["pin"]]
    right = (found.front_names == np.array(streets))[odd]
    assert right.mean() >= found.sure[odd].mean() - 0.05
    assert found.sure[odd].mean() < found.sure[found.codes == "interior"].mean()


def test_alley_is_no_front_and_lies_behind(judged):
    """Lots on an alley have their street in front and the alley at the rear."""
    _, found = judged
    alley = found.alleys & (found.faced_m > 0.0)
    sides = found.sides[alley]
    assert alley.any()
    assert np.mean(sides == SIDES.index("rear")) >= 0.98


def test_sides_of_the_corner_lot_fixture():
    """The demo corner lot's layers give its street, side street and alley as its story does."""
    path = FIXTURES / "corner-lot-alley" / "layers" / "town.gpkg"
    assert "right_of_way" in fiona.listlayers(path)
    foot = 12.0 / 39.37  # US survey foot, the unit of EPSG:3435
    layers = {
        name: geopandas.read_file(path, layer=name)
        for name in ("parcels", "buildings", "right_of_way")
    }
    scaled = {
        name: shapely.transform(frame.geometry.to_numpy(), lambda xy: xy * foot)
        for name, frame in layers.items()
    }
    names = layers["right_of_way"]["name"]
    rows = ways(scaled["right_of_way"], names.tolist(), names.str.contains("Alley").tolist())
    block = block_of(scaled["parcels"], scaled["buildings"], ways(), rows=rows)
    found = frontages_of(block)
    lot = layers["parcels"]["parcel_id"].tolist().index("INV-17")
    mine = (found.edges.lot == lot) & (found.faced_m > 0.0)
    faced = {
        SIDES[side]: str(name)
        for side, name in zip(found.sides[mine], found.names[mine], strict=True)
    }
    assert found.codes[lot] == "corner"
    assert "First" in faced["front"]
    assert "Side" in faced["right"]
    assert "Alley" in faced["rear"]


def test_plots_of_a_real_town():
    """Bubenec (bundled with momepy): plots in clear sight of a street get a front, others none."""
    import momepy

    path = momepy.datasets.get_path("bubenec")
    plots, houses, streets = (
        geopandas.read_file(path, layer=layer).geometry.to_numpy()
        for layer in ("plots", "buildings", "streets")
    )
    found = frontages_of(block_of(plots, houses, ways(streets)))
    # an independent reading of "touches a street": the shortest line to it crosses no other plot
    nearest = streets[STRtree(streets).nearest(plots)]
    sight = shapely.shortest_line(plots, nearest)
    line, plot = STRtree(plots).query(sight, predicate="intersects")
    across = shapely.length(shapely.intersection(sight[line], plots[plot])) > 0.3
    clear = shapely.length(sight) < 25.0
    clear[line[across & (line != plot)]] = False
    fronted = found.codes != "no-frontage"
    assert clear.sum() > 150
    assert fronted[clear].mean() >= 0.98
    assert fronted[~clear].mean() <= 0.05
    known = {"interior", "corner", "through", "flag", "alley-only", "no-frontage"}
    assert set(found.codes.tolist()) <= known


SQUARE = shapely.box(0.0, 0.0, 15.0, 38.0)
ROW_OF_THREE = [affinity.translate(SQUARE, dx) for dx in (-15.0, 0.0, 15.0)]
STREET_LINE = shapely.LineString([(-60.0, -10.0), (75.0, -10.0)])


def row_sides(turn_deg, shift, *, reverse):
    def move(shape):
        moved = affinity.rotate(shape, turn_deg, origin=(0, 0))
        return affinity.translate(moved, *shift)

    lots = [move(lot).reverse() if reverse else move(lot) for lot in ROW_OF_THREE]
    block = block_of(lots, [], ways([move(STREET_LINE)], ["A"]))
    found = frontages_of(block)
    mine = found.edges.lot == 1
    middles = (found.edges.starts[mine] + found.edges.ends[mine]) / 2.0
    back = [
        affinity.rotate(shapely.Point(m - np.array(shift)), -turn_deg, origin=(0, 0))
        for m in middles
    ]
    return {
        SIDES[side]: (round(point.x, 3) + 0.0, round(point.y, 3) + 0.0)
        for side, point in zip(found.sides[mine], back, strict=True)
    }


@settings(deadline=None, max_examples=30)
@given(
    turn=st.floats(0.0, 360.0),
    east=st.floats(-1e6, 1e6),
    north=st.floats(0.0, 5e6),
    reverse=st.booleans(),
)
def test_sides_do_not_depend_on_place_turn_or_ring_direction(turn, east, north, reverse):
    """A lot's lines keep their names wherever it lies and whichever way its ring was drawn."""
    sides = row_sides(turn, (east, north), reverse=reverse)
    expected = {
        "front": (7.5, 0.0),
        "right": (15.0, 19.0),
        "rear": (7.5, 38.0),
        "left": (0.0, 19.0),
    }
    assert sides.keys() == expected.keys()
    for name, (x, y) in expected.items():
        assert sides[name] == pytest.approx((x, y), abs=0.01)


def test_street_behind_another_lot_is_not_faced():
    """A lot behind another has no frontage, though the street is near."""
    near, behind = shapely.box(0, 0, 15, 10), shapely.box(0, 10, 15, 20)
    found = frontages_of(block_of([near, behind], [], ways([STREET_LINE], ["A"])))
    assert found.codes.tolist() == ["interior", "no-frontage"]


def test_address_decides_a_corner():
    """On a corner the street of the address is the front, in whatever notation."""
    lot = shapely.box(0, 0, 20, 20)
    side = shapely.LineString([(30, -40), (30, 60)])
    streets = ways([STREET_LINE, side], ["Mill Lane", "N. Oak St"])
    found = frontages_of(block_of([lot], [], streets, addresses=["n oak  st."]))
    assert found.codes[0] == "corner"
    assert found.front_names[0] == "N. Oak St"
    assert found.address_fit[0] == "names the front street"


def test_lot_on_an_alley_alone():
    """A lot that faces only an alley says so and takes it as its front."""
    found = frontages_of(block_of([SQUARE], [], ways([STREET_LINE], [""], [True])))
    assert found.codes[0] == "alley-only"
    assert found.sure[0] < 0.75


def wedge(start_deg, end_deg, inner_m, outer_m):
    angles = np.radians(np.linspace(start_deg, end_deg, 7))
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return shapely.Polygon(np.concatenate([inner_m * ring, outer_m * ring[::-1]]))


def test_lots_round_a_turning_circle():
    """Lots round the end of a dead-end street front its turning circle with their inner arc."""
    lots = [wedge(a, a + 45.0, 14.0, 50.0) for a in range(-67, 248, 45)]
    street = shapely.LineString([(0, -120), (0, -60), (0, -2)])
    found = frontages_of(block_of(lots, [], ways([street], ["Close"])))
    # the first and the last lie along the street too
    assert set(found.codes[1:-1].tolist()) == {"interior"}
    middles = (found.edges.starts + found.edges.ends) / 2.0
    from_center = np.hypot(*middles.T)
    inner = (found.edges.lot > 0) & (found.edges.lot < len(lots) - 1)
    assert (from_center[inner & (found.sides == SIDES.index("front"))] < 15.0).all()
    assert (from_center[inner & (found.sides == SIDES.index("rear"))] > 40.0).all()


def test_curved_front_is_one_frontage():
    """A front line of many short straights along a curve is one front, not a corner."""
    lot = wedge(60.0, 110.0, 60.0, 100.0)
    street = wedge(30.0, 150.0, 50.0, 51.0).exterior
    found = frontages_of(block_of([lot], [], ways([street], ["Crescent"])))
    assert found.codes[0] == "interior"
    assert (found.sides == SIDES.index("front")).sum() == 6


def test_corner_cut_belongs_to_the_corner():
    """A cut-off corner between two streets leaves a corner lot with its two streets."""
    lot = shapely.Polygon([(0, 0), (16, 0), (20, 4), (20, 38), (0, 38)])
    side = shapely.LineString([(30, -40), (30, 60)])
    found = frontages_of(block_of([lot], [], ways([STREET_LINE, side], ["A", "B"])))
    assert found.codes[0] == "corner"
    assert found.front_names[0] == "A"


def test_lot_in_the_bend_of_one_street():
    """A street of one name round two sides of a lot makes it a corner lot."""
    street = shapely.LineString([(-60, -10), (30, -10), (30, 80)])
    found = frontages_of(block_of([shapely.box(0, 0, 20, 38)], [], ways([street], ["Loop"])))
    assert found.codes[0] == "corner"
    assert found.frontage_m[0] == pytest.approx(20.0)
