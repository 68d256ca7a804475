"""From layers to probabilities, against closed forms, quadrature and the stages' own priors."""

from __future__ import annotations

from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm
from shapely import STRtree

from sitegis.city.frontage import find_frontages
from sitegis.city.houses import find_houses, measure_houses
from sitegis.city.infer import Posterior, above
from sitegis.city.layer_arrays import FRONT, REAR, Manholes, lone_mains
from sitegis.city.lot_priors import HYPOTHESES, UNLISTED, PriorTable
from sitegis.city.lot_tables import dye_bits, visit_bits
from sitegis.city.lots import work_chunk
from sitegis.city.mains import find_pairs, manhole_below, snap_manholes
from sitegis.city.network import join_mains
from sitegis.city.routes import KINDS, lay_routes
from sitegis.model.site import Priors
from sitegis.numerics.ordering import LENGTH_M
from sitegis.routes.hypotheses import enumerate_hypotheses
from sitegis.score.posterior import information_gain_bits
from tests.invented import corner_site
from tests.test_city_frontage import block_of, ways

LOT, HOUSE = shapely.box(0, 0, 20, 40), shapely.box(4, 13, 16, 27)
NEIGHBORS = [shapely.box(-20, 0, 0, 40), shapely.box(20, 0, 40, 40)]
FRONT_STREET = shapely.LineString([(-60, -10), (80, -10)])
REAR_STREET = shapely.LineString([(-60, 50), (80, 50)])


def mains_of(*lines, inverts=None):
    up = np.array(inverts if inverts is not None else [np.nan] * len(lines), float)
    return join_mains(
        lone_mains(
            np.array([f"M{i}" for i in range(len(lines))]), np.array(lines, object), up, up.copy()
        )
    )


def mirrored(*, priors=None, ground=np.nan, inverts=None, year=np.nan):
    """A lot whose front and rear are mirror images, with a main in the street on either side."""
    block = block_of(
        [LOT, *NEIGHBORS],
        [HOUSE],
        ways([FRONT_STREET, REAR_STREET], ["A", "B"]),
        ids=["lot", "x", "y"],
        addresses=["A", "", ""],
    )
    parcels = replace(
        block.parcels,
        grounds_m=np.array([ground, np.nan, np.nan]),
        years=np.array([year, np.nan, np.nan]),
    )
    return replace(
        block,
        parcels=parcels,
        own=np.array([True, False, False]),
        priors=priors or Priors(),
        mains=mains_of(FRONT_STREET, REAR_STREET, inverts=inverts),
    )


def lot_row(block):
    lots = work_chunk(block)["lots"]
    return {name: values[0] for name, values in lots.items()}


def test_mirrored_lot_keeps_the_prior_odds():
    """Where front and rear are mirror images, their odds are the prior's, whatever the fit.

    The prior is that of both readings of which is the front, by how sure that is.
    """
    lot = lot_row(mirrored(priors=Priors(front=3.0, rear=1.0)))
    sure = lot["kind_sure"]
    odds = (3.0 * sure + (1.0 - sure)) / (sure + 3.0 * (1.0 - sure))
    assert lot["p_front"] / lot["p_rear"] == pytest.approx(odds, rel=1e-3)
    assert odds > 2.0
    assert lot["kind"] == "through"


def test_main_above_the_house_is_ruled_out():
    """A main whose invert lies meters above the drain takes no share; the other takes it all."""
    lot = lot_row(mirrored(ground=100.0, inverts=[105.0, 96.0], priors=Priors(unlisted=0.0)))
    assert lot["p_front"] < 1e-6
    assert lot["p_rear"] == pytest.approx(1.0)
    assert lot["elevation_known"] == 1


def test_lot_without_main_is_unlisted():
    """A lot that reaches no main has only the unlisted way left, and says so."""
    block = replace(mirrored(), mains=mains_of(shapely.LineString([(500, 0), (500, 50)])))
    tables = work_chunk(block)
    assert tables["lots"]["p_unlisted"].tolist() == [1.0]
    assert "no-main" in tables["flags"]["code"]
    assert not len(tables["routes"]["parcel"])


def test_priors_are_those_of_the_stage():
    """The table gives what stage routes gives for a site with the same mains."""
    site = corner_site()
    pairs = tuple(
        (("front", "right", "rear", "left").index(main.side), main.kind == "alley")
        for main in site.mains
    )
    table = PriorTable(site.priors).prior_of(pairs, site.year_built)
    listed = enumerate_hypotheses(site)
    by_side = {
        side: sum(h.prior for h in listed if h.main == main.id)
        for (side, _alley), main in zip(pairs, site.mains, strict=True)
    }
    for side, prior in by_side.items():
        assert table[3 * side : 3 * side + 3].sum() == pytest.approx(prior)
    assert table[UNLISTED] == pytest.approx(sum(h.prior for h in listed if h.main is None))
    assert table.sum() == pytest.approx(1.0)


@settings(deadline=None, max_examples=40)
@example(mean=8.469615100393622e-308, sd=0.9375)
@given(mean=st.floats(-3.0, 5.0), sd=st.floats(0.2, 1.5))
def test_the_probability_to_arrive_above_is_the_integral(mean, sd):
    """The closed form agrees with adaptive quadrature (scipy.integrate.quad) over arrivals."""
    top = max(mean, 0.0) + 10.0 * sd
    peak = [mean] if mean > 1e-6 else None  # one nearer to the end leaves a span of nothing
    exact = quad(lambda v: norm.pdf(v, mean, sd), 0.0, top, points=peak)[0]
    assert above(np.array([mean]), np.array([sd]))[0] == pytest.approx(exact, abs=1e-7)


def test_a_deep_main_is_as_likely_as_a_shallow_one():
    """Both lie well below the house: depth between them is no habit."""
    lot = lot_row(mirrored(ground=100.0, inverts=[96.0, 93.0]))
    other = lot_row(mirrored(ground=100.0, inverts=[93.0, 96.0]))
    assert lot["p_front"] == pytest.approx(other["p_front"], abs=0.01)


def test_a_main_in_a_rear_easement_counts_more_than_one_in_a_street_behind():
    """The odds against the front are doubled, unless CITY.toml gives the rear's weight.

    The lot has no street at its rear; the same main without the factor is that of ``rear = 0.3``,
    the default weight of the site's own priors.
    """
    block = block_of(
        [LOT, *NEIGHBORS, shapely.box(-20, 40, 40, 80)],
        [HOUSE],
        ways([FRONT_STREET], ["A"]),
        ids=["lot", "x", "y", "z"],
    )
    rear = shapely.LineString([(-60, 40.5), (80, 40.5)])
    own = np.arange(4) == 0

    def odds(priors):
        mains = mains_of(FRONT_STREET, rear)
        lot = lot_row(replace(block, own=own, mains=mains, priors=priors))
        return lot["p_rear"] / lot["p_front"]

    assert odds(Priors()) == pytest.approx(2.0 * odds(Priors(rear=0.3)), rel=1e-3)


@settings(deadline=None, max_examples=40)
@given(passes=st.floats(0.0, 0.98), unlisted=st.floats(0.0, 0.02))
def test_dye_bits_are_the_information_gain(passes, unlisted):
    """The closed form agrees with the stage's exact sum over outcomes."""
    passing = passes + 0.1 * unlisted
    prior = np.array([passing, 1.0 - passing])
    likelihood = np.array([[0.9, 0.1], [0.02, 0.98]])
    expected = information_gain_bits(prior, likelihood)
    assert dye_bits(np.array([passes]), np.array([unlisted]))[0] == pytest.approx(
        expected, abs=1e-12
    )


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 2**31))
def test_visit_bits_are_the_information_gain(seed):
    """What the exit wall tells is the stage's gain with the walls as outcomes."""
    rng = np.random.default_rng(seed)
    probability = rng.dirichlet(np.ones(HYPOTHESES), 1)
    walls = rng.dirichlet(np.ones(4), (1, HYPOTHESES))
    posterior = Posterior(probability, probability, np.zeros((0, 14)), walls, np.zeros(1, bool))
    assert visit_bits(posterior)[0] == pytest.approx(
        information_gain_bits(probability[0], walls[0]), abs=1e-12
    )


@pytest.fixture(scope="module")
def laid():
    """The routes of the mirrored lot."""
    block = mirrored()
    tree = STRtree(block.parcels.shapes)
    lots = np.array([0])
    houses = find_houses(block.parcels.shapes[lots], block.houses)
    frontages = find_frontages(block, lots, tree, houses.centers)
    pairs = find_pairs(block, lots, frontages, tree)
    rectangles = measure_houses(
        houses.shapes, block.parcels.shapes[lots], frontages.front, frontages.gates
    )
    return pairs, lay_routes(rectangles, pairs, block.mains, houses.shapes, tree, lots)


def test_routes_join_house_and_main(laid):
    """Every fitting route starts on the house, ends on its main, and stays out of both houses."""
    pairs, routes = laid
    assert sorted(pairs.side.tolist()) == [FRONT, REAR]
    lines = [FRONT_STREET, REAR_STREET]
    assert routes.fits[:, [kind.shape != "pole" for kind in KINDS]].all()
    for pair, kind in zip(*np.nonzero(routes.fits), strict=True):
        line = shapely.LineString(routes.vertices[pair, kind])
        assert HOUSE.boundary.distance(shapely.Point(line.coords[0])) < 1e-6
        assert lines[routes.main[pair, kind]].distance(shapely.Point(line.coords[-1])) < 1e-6
        assert line.intersection(HOUSE.buffer(-0.01)).is_empty
        assert not any(line.crosses(other) for other in NEIGHBORS)
        assert routes.lengths_m[pair, kind] == pytest.approx(line.length)
        tap = lines[routes.main[pair, kind]].project(shapely.Point(line.coords[-1]))
        assert routes.stations_m[pair, kind] == pytest.approx(tap)


@pytest.mark.parametrize(
    ("house", "open_side"),
    [(shapely.box(0.2, 13, 15, 27), "right"), (shapely.box(5, 13, 19.8, 27), "left")],
)
def test_house_at_the_lot_line_has_one_side_yard(house, open_side):
    """Where the house stands on one side line, side-yard runs take the other side."""
    yards = Priors(front=0.01, rear=0.001, side_yard=1000.0)
    block = replace(mirrored(priors=yards), houses=np.array([house], object))
    tables = work_chunk(block)
    assert tables["lots"]["way"][0] == "side-yard"
    assert tables["routes"]["beside"].tolist() == [open_side]
    house_x = tables["routes"]["geometry"][0].centroid.x
    assert (house_x > 10.0) == (open_side == "right")


def test_corridor_holds_four_fifths_of_the_listed_ways():
    """The strips hold at least 80 % of what is listed, and the best route lies within them."""
    tables = work_chunk(mirrored())
    held, unlisted = tables["corridors"]["holds"][0], tables["lots"]["p_unlisted"][0]
    assert 0.8 * (1.0 - unlisted) - 1e-9 <= held <= 1.0 - unlisted + 1e-9
    assert tables["corridors"]["geometry"][0].covers(tables["routes"]["geometry"][0])


def test_rear_main_in_an_easement_counts():
    """A main along the rear line, with neighbors behind, is a rear main."""
    behind = shapely.box(0, 40, 20, 80)
    block = block_of([LOT, *NEIGHBORS, behind], [HOUSE], ways([FRONT_STREET], ["A"]))
    main = shapely.LineString([(-60, 41), (80, 41)])
    block = replace(
        block, own=np.array([True, False, False, False]), mains=mains_of(FRONT_STREET, main)
    )
    lot = lot_row(block)
    assert lot["p_rear"] > 0.1
    assert lot["p_front"] + lot["p_rear"] + lot["p_unlisted"] == pytest.approx(1.0)


def test_manhole_below_a_tap():
    """The first manhole with the flow is found, none where the tap lies below the last."""
    main = mains_of(shapely.LineString([(0, 0), (100, 0)]))
    points = np.array([shapely.Point(0, 0.5), shapely.Point(60, 0)], object)
    snapped = snap_manholes(Manholes(np.array(["top", "low"]), points), main)
    below = manhole_below(snapped, np.array([0, 0, -1]), np.array([10.0, 70.0, 0.0]))
    assert below.tolist() == [1, -1, -1]


def test_flag_lot_takes_its_pole():
    """The lateral of a house behind another runs down the pole, through nobody else's lot."""
    front = shapely.box(4, 0, 24, 22)
    flag = shapely.Polygon([(0, 0), (4, 0), (4, 22), (24, 22), (24, 50), (0, 50)])
    block = block_of([flag, front], [shapely.box(8, 30, 20, 42)], ways([FRONT_STREET], ["A"]))
    block = replace(block, own=np.array([True, False]), mains=mains_of(FRONT_STREET))
    tables = work_chunk(block)
    assert tables["lots"]["kind"].tolist() == ["flag"]
    assert tables["lots"]["p_front"][0] > 0.9
    route = tables["routes"]["geometry"][0]
    assert route.intersection(front).length < 1e-6
    assert FRONT_STREET.distance(shapely.Point(route.coords[-1])) < LENGTH_M


def test_lots_of_a_real_town_reach_their_street():
    """Bubenec (bundled with momepy): with sewers in its streets, 95 % of fronted houses fit."""
    import momepy

    path = momepy.datasets.get_path("bubenec")
    plots, houses, streets = (
        geopandas.read_file(path, layer=layer).geometry.to_numpy()
        for layer in ("plots", "buildings", "streets")
    )
    block = replace(block_of(plots, houses, ways(streets)), mains=mains_of(*streets))
    tables = work_chunk(block)
    fronted = tables["lots"]["parcel"][tables["lots"]["kind"] != "no-frontage"]
    assert len(fronted) > 80
    assert np.isin(fronted, tables["routes"]["parcel"]).mean() >= 0.95
    built = shapely.union_all(houses)
    for route in tables["routes"]["geometry"]:
        assert built.distance(shapely.Point(route.coords[0])) < 0.03
        assert shapely.union_all(streets).distance(shapely.Point(route.coords[-1])) < LENGTH_M
