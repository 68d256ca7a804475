"""Mains joined into lines, taps along them, streets in many notations: against other libraries."""

from __future__ import annotations

import math
from dataclasses import replace

import geopandas
import networkx
import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely.ops import linemerge

from sitegis.city import run_city
from sitegis.city.addresses import agreement, street_name
from sitegis.city.layer_arrays import lone_mains
from sitegis.city.lots import work_chunk
from sitegis.city.network import join_mains, on_line
from sitegis.city.segments import cross, feet, line_pieces
from sitegis.numerics.ordering import RATIO, on_lattice
from tests.invented_town import Faults, invent_town, write_town
from tests.test_city_infer import FRONT_STREET, mains_of, mirrored


def mains(lines):
    blank = np.full(len(lines), np.nan)
    return lone_mains(
        np.array([f"M{i}" for i in range(len(lines))]), np.array(lines, object), blank, blank.copy()
    )


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 9))
def test_a_line_cut_and_turned_is_joined_again(seed, count):
    """Pieces, shuffled, some turned: places have the stations of shapely's ``linemerge``."""
    rng = np.random.default_rng(seed)
    xy = np.cumsum(
        np.column_stack([rng.uniform(20, 60, count + 1), rng.normal(0, 5, count + 1)]), 0
    )
    pieces = [shapely.LineString(xy[i : i + 2]) for i in range(count)]
    turned = rng.random(count) < 0.3
    order = rng.permutation(count)
    given_lines = [pieces[i].reverse() if turned[i] else pieces[i] for i in order]
    joined = join_mains(mains(given_lines))
    assert len(set(joined.line.tolist())) == 1
    whole = linemerge(pieces) if count > 1 else pieces[0]
    marks = [shapely.line_interpolate_point(line, 0.3 * line.length) for line in given_lines]
    station = on_line(
        joined, np.arange(count), 0.3 * np.array([line.length for line in given_lines])
    )
    expected = np.array([whole.project(mark) for mark in marks])
    if abs(expected[0] - station[0]) > 1e-6:
        # a line may be counted from its other end
        expected = whole.length - expected
    assert np.allclose(station, expected, atol=1e-6)
    assert joined.open_ends.sum() == 2


def test_lines_go_straight_on_through_a_crossing():
    """At a cross of four mains the opposite two are one line: networkx's components."""
    ends = [(-50, 0), (0, 50), (50, 0), (0, -50)]
    joined = join_mains(mains([shapely.LineString([(0, 0), end]) for end in ends]))
    graph = networkx.Graph([(0, 2), (1, 3)])
    groups = {frozenset(np.flatnonzero(joined.line == n).tolist()) for n in joined.line}
    assert groups == {frozenset(c) for c in networkx.connected_components(graph)}


def test_ends_that_miss_by_little_are_one_place():
    """0.6 m apart is joined, 3 m is not; a turn of a right angle begins another line."""
    first = shapely.LineString([(0, 0), (60, 0)])
    near, far = (shapely.LineString([(60 + gap, 0.1), (120, 0)]) for gap in (0.6, 3.0))
    around = shapely.LineString([(60, 0.2), (60, 70)])
    assert len(set(join_mains(mains([first, near])).line.tolist())) == 1
    assert len(set(join_mains(mains([first, far])).line.tolist())) == 2
    assert len(set(join_mains(mains([first, around])).line.tolist())) == 2


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 10_000))
def test_rays_meet_pieces_where_shapely_says(seed):
    """Cramer's rule and projections agree with shapely's intersection and shortest line."""
    rng = np.random.default_rng(seed)
    line = shapely.LineString(rng.uniform(-20, 20, (6, 2)))
    pieces = line_pieces(np.array([line], object))
    start, angle = rng.uniform(-20, 20, 2), rng.uniform(0, 2 * np.pi)
    direction = np.array([np.cos(angle), np.sin(angle)])
    rows = np.arange(len(pieces.line))
    along = cross(np.tile(start, (5, 1)), np.tile(direction, (5, 1)), pieces, rows).min()
    ray = shapely.LineString([start, start + 200 * direction])
    # a ray this near to a vertex may be one that is aimed at it: see below
    assume(shapely.MultiPoint(line.coords).distance(ray) > 2e-3)
    met = shapely.intersection(ray, line)
    if shapely.is_empty(met):
        assert np.isinf(along)
    else:
        assert along == pytest.approx(shapely.distance(shapely.Point(start), met), abs=1e-6)
    foot = feet(np.tile(start, (5, 1)), pieces, rows)
    gap = np.hypot(*(foot - start).T).min()
    assert gap == pytest.approx(line.distance(shapely.Point(start)), abs=1e-9)
    stations = pieces.stations_m
    assert stations[-1] == pytest.approx(
        line.project(shapely.Point(line.coords[-2])), abs=1e-6
    ) or (not line.is_simple)


@settings(deadline=None, max_examples=60)
@given(st.tuples(*[st.floats(-60.0, 60.0)] * 6))
def test_a_ray_aimed_at_an_end_meets_it(places):
    """However start and direction are rounded: as far away as ``math.dist`` says, to 1 cm."""
    start, end, other = np.reshape(places, (3, 2))
    away = math.dist(start, end)
    assume(away > 1.0 and math.dist(end, other) > 0.1)
    # not along the ray, where nearly parallel straights meet anywhere
    along, step = (end - start) / away, (other - end) / math.dist(end, other)
    assume(abs(along[0] * step[1] - along[1] * step[0]) > 0.2)
    pieces = line_pieces(np.array([shapely.LineString([other, end])], object))
    start, aimed = on_lattice(start)[None], on_lattice(along, RATIO)[None]
    assert cross(start, aimed, pieces, np.zeros(1, int)) == pytest.approx(away, abs=0.01)


def test_the_end_of_a_main_is_no_cliff():
    """As a main ends ever shorter of the lot's middle, what is given it falls by small steps."""
    shares = []
    for end in np.arange(30.0, -26.0, -1.0):
        block = replace(
            mirrored(),
            mains=mains_of(
                shapely.LineString([(-80, -10), (end, -10)]),
                shapely.LineString([(-60, 50), (80, 50)]),
            ),
        )
        tables = work_chunk(block)
        shares.append(tables["lots"]["p_front"][0])
        assert tables["lots"]["answer"][0] == "main on record"
    steps = np.abs(np.diff(shares))
    assert steps.max() < 0.06
    assert shares[0] > 0.7
    assert shares[-1] > 0.02


def test_a_cut_main_is_one_line_with_the_same_answer():
    """A main cut at the lot's middle: probability and interval are those of the whole."""
    whole = replace(mirrored(), mains=mains_of(FRONT_STREET))
    parts = [
        shapely.LineString([(-60, -10), (10, -10)]),
        shapely.LineString([(10, -10), (80, -10)]),
    ]
    cut = replace(mirrored(), mains=mains_of(*parts))
    one, two = (work_chunk(block) for block in (whole, cut))
    assert two["lots"]["line_probability"][0] == pytest.approx(one["lots"]["line_probability"][0])
    for bound in ("low_50_m", "high_50_m", "low_95_m", "high_95_m", "station_m"):
        assert two["taps"][bound][0] == pytest.approx(one["taps"][bound][0], abs=0.02)
    assert two["lots"]["probability"][0] < two["lots"]["line_probability"][0]


def test_intervals_of_the_tap_are_calibrated_on_an_invented_town(tmp_path):
    """50, 80 and 95 % intervals hold about as often in a town drawn apart from the model.

    The bounds are those of 150 lots by the binomial, and 12 points for the town's other law.
    """
    town = invent_town(150, seed=11, faults=Faults(roads=False))
    run_city(write_town(town, tmp_path), tmp_path / "out.gpkg")
    taps = geopandas.read_file(tmp_path / "out.gpkg", layer="taps").set_index("parcel")
    held = {50: [], 80: [], 95: []}
    for parcel, tap in taps.iterrows():
        truth = town.truth[parcel]
        if town.line_of.get(tap["main"]) != truth["line"] or truth["tap"] is None:
            continue
        reach = town.mains.geometry[town.mains["facility"] == tap["main"]].iloc[0]
        along = np.subtract(reach.coords[-1], reach.coords[0])
        off = np.dot(np.subtract(truth["tap"], tap.geometry.coords[0]), along) / np.hypot(*along)
        for level, hits in held.items():
            low, high = (tap[f"{end}_{level}_m"] - tap["station_m"] for end in ("low", "high"))
            hits.append(low - 0.05 <= off <= high + 0.05)
    for level, hits in held.items():
        slack = 2.6 * np.sqrt(level * (100 - level) / 10_000 / len(hits)) + 0.12
        assert abs(np.mean(hits) - level / 100) < slack, (level, np.mean(hits))


def test_tap_within_its_reach_and_manhole_below(tmp_path):
    """The median lies on its reach, and the distance from the manhole is the geometry's own."""
    town = invent_town(60, seed=3, faults=Faults(roads=False, gap_m=0.0))
    run_city(write_town(town, tmp_path), tmp_path / "out.gpkg")
    taps = geopandas.read_file(tmp_path / "out.gpkg", layer="taps")
    reaches = town.mains.set_index("facility").geometry
    points = town.manholes.set_index("facility").geometry
    told = 0
    for _, tap in taps.iterrows():
        assert reaches[tap["main"]].distance(tap.geometry) < 0.02
        assert tap["low_95_m"] <= tap["low_80_m"] <= tap["low_50_m"] <= tap["station_m"] + 0.01
        if tap["manhole"]:
            told += 1
            apart = tap.geometry.distance(points[tap["manhole"]])
            assert tap["from_manhole_m"] == pytest.approx(apart, abs=0.05)
    assert told > 40


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("1204 N Oak St", "NORTH OAK STREET"),
        ("12-A Mill Lane, Unit 4", "mill ln."),
        ("305 Third Avenue", "3rd Ave"),
        ("77 Saint Ovo Rd", "St. Ovo Road"),
        ("9 Avenue B", "Avenue B"),
        ("12 Street NW", "12 St NW"),
        ("400 W 3rd", "West 3rd"),
        ("118 1/2 Elm Court Apt 3", "ELM CT"),
        ("5 O'Dell Pkwy", "ODELL PARKWAY"),
    ],
)
def test_notations_of_one_street_agree(one, other):
    """Abbreviations of USPS Publication 28 (from memory), numbers, units, case and signs."""
    assert street_name(one) == street_name(other)
    assert agreement(one, other) == 1.0


@pytest.mark.parametrize(
    ("one", "other", "fit"),
    [
        ("12 Oak St", "Elm St", 0.0),
        ("12 Oak St", "Oak Ave", 0.3),
        ("N Oak St", "S Oak St", 0.3),
        ("Oak", "N Oak St", 1.0),
        ("", "", 0.0),
        ("1200", "12", 0.0),
        ("4 West Ave", "West Ave", 1.0),
    ],
)
def test_other_streets_do_not(one, other, fit):
    """A name decides; a type or direction that is missing says nothing, another one speaks."""
    assert agreement(one, other) == fit


@given(st.text(max_size=60))
def test_any_text_is_a_street_or_none(text):
    """Nothing a city writes breaks the reading, and what is read reads the same again."""
    name = street_name(text)
    assert agreement(text, text) in (0.0, 1.0)
    assert isinstance(name.name, str)


def test_address_speaks_by_likelihood(tmp_path):
    """On a corner a wrong address loses to nothing but is no certainty; matches are counted."""
    town = invent_town(90, seed=7)
    out = tmp_path / "out.gpkg"
    summary = run_city(write_town(town, tmp_path), out)
    lots = geopandas.read_file(out, layer="lots")
    counted = lots["address"].fillna("").value_counts().to_dict()
    assert {k: v for k, v in counted.items() if k} == summary.addresses
    written = (town.parcels["situs"] != "").sum()
    assert sum(summary.addresses.values()) == written
    assert summary.addresses["names the front street"] > 0.7 * written
    corner = lots[(lots["kind"] == "corner")]
    assert (corner["kind_sure"] < 1.0).all()
