"""Laterals on record and basements: closed forms of what is learned, and towns with some known."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import geopandas
import numpy as np
import pytest
import shapely
from scipy.stats import beta, dirichlet

from sitegis.city import look, run_city
from sitegis.city.filters import basement_codes, basement_words
from sitegis.city.habits import (
    DEPTH_COUNTS,
    Choices,
    Features,
    habits_of,
    join_choices,
    learn,
)
from sitegis.city.lots import work_chunk
from sitegis.messages.errors import BadInput
from tests.invented_town import Faults, Town, invent_town, write_town
from tests.test_city_infer import mirrored

UNEVEN = Faults(bend_m=5.0, uneven_m=6.0, relief_m=2.5, habit=0.6)


def of_two_lines(lots: int, deep: int) -> Choices:
    """Each lot has one line for deep drains alone and one for all others; so many chose the first.

    Then the share that chooses it is that of deep drains, whose posterior is a beta distribution.
    """
    zeros = np.zeros(2 * lots)
    first = np.tile([True, False], lots)
    chose_first = np.repeat(np.arange(lots) < deep, 2)
    return Choices(
        lot=np.repeat(np.arange(lots), 2),
        features=Features(zeros, zeros, zeros, zeros),
        fits=np.array([~first, ~first, first], float),
        line=np.where(first, 0, 1),
        chosen=first == chose_first,
        unlisted=zeros,
        basements=np.full(2 * lots, np.nan),
    )


@pytest.mark.parametrize(("lots", "deep"), [(6, 5), (40, 30), (300, 20)])
def test_the_posterior_of_the_share_of_deep_drains_is_the_beta_distribution(lots, deep):
    """Mean and spread of the weighted points, and what is stated of a lot left out (scipy's)."""
    learned = learn(of_two_lines(lots, deep), None)
    share, weights = learned.habits.depths[:, 2], learned.habits.weights
    a, b = DEPTH_COUNTS[2], sum(DEPTH_COUNTS[:2])
    exact = beta(a + deep, b + lots - deep)
    mean = weights @ share / weights.sum()
    assert mean == pytest.approx(exact.mean(), abs=0.3 * exact.std())
    spread = np.sqrt(weights @ (share - mean) ** 2 / weights.sum())
    assert spread == pytest.approx(exact.std(), rel=0.35)
    without_deep = beta(a + deep - 1, b + lots - deep).mean()
    without_other = beta(a + deep, b + lots - deep - 1).mean()
    stated = deep * max(without_deep, 1.0 - without_deep)
    stated += (lots - deep) * max(without_other, 1.0 - without_other)
    assert learned.stated / lots == pytest.approx(stated / lots, abs=0.3 * exact.std())
    assert (learned.lots, learned.right) == (lots, max(deep, lots - deep))


def test_a_town_of_which_nobody_knows_has_the_moments_of_its_prior():
    """Means and variances of the depths' shares are those of scipy's Dirichlet distribution."""
    habits = habits_of(None)
    exact = dirichlet(np.array(DEPTH_COUNTS))
    mean = habits.weights @ habits.depths
    assert habits.weights.sum() == pytest.approx(1.0, abs=1e-6)
    assert mean == pytest.approx(exact.mean(), abs=1e-6)
    assert habits.weights @ (habits.depths - mean) ** 2 == pytest.approx(exact.var(), abs=1e-6)


def test_parts_of_a_town_are_joined_lot_by_lot():
    """Two parts learn what the whole does."""
    parts = [of_two_lines(9, 2), of_two_lines(14, 9)]
    both = join_choices(parts)
    assert both.lot.tolist() == np.repeat(np.arange(23), 2).tolist()
    learned = learn(both, None)
    assert learned.lots == 23
    assert learned.habits.depths[:, 2] == pytest.approx(
        learn(of_two_lines(23, 11), None).habits.depths[:, 2]
    )


def test_a_basement_speaks_against_a_shallow_main():
    """The front's main is too high for a deep drain: least likely with a basement, most without."""
    shares = []
    for basement in (1.0, np.nan, 0.0):
        block = mirrored(ground=100.0, inverts=[98.0, 94.0])
        basements = np.full(len(block.parcels.ids), basement)
        block = replace(block, parcels=replace(block.parcels, basements=basements))
        shares.append(float(work_chunk(block)["lots"]["p_front"][0]))
    assert shares[0] < shares[1] - 0.05 < shares[2] - 0.1


@pytest.mark.parametrize(
    ("written", "code"),
    [("Y", "1"), ("Full basement", "1"), ("WALK-OUT", "1"), ("840", "1"), ("cellar", "1"),
     ("N", "0"), ("slab on grade", "0"), ("Crawl space", "0"), ("0", "0"), ("none", "0"),
     ("", ""), ("type 7b", "")],
)  # fmt: skip
def test_words_of_basements(written, code):
    """What assessors write; other words are counted and left aside."""
    frame = geopandas.GeoDataFrame({"bsmt": [written]}, geometry=[shapely.Point(0, 0)])
    codes, unknown = basement_words(frame, "bsmt")
    assert codes.tolist() == [code]
    assert dict(unknown) == ({written: 1} if written and not code else {})
    assert np.isnan(basement_codes(codes)[0]) == (code == "")


@pytest.fixture(scope="module")
def town() -> Town:
    return invent_town(220, seed=71, faults=UNEVEN)


def with_laterals(town: Town, folder, shapes: dict[str, shapely.Geometry], *, ids: bool):
    """Write a town with a layer of laterals, with or without the column of their lots."""
    path = write_town(town, folder)
    frame = geopandas.GeoDataFrame(
        {"lot": list(shapes)}, geometry=list(shapes.values()), crs=town.parcels.crs
    )
    frame.to_file(path.parent / "town.gpkg", layer="laterals", driver="GPKG")
    with path.open("a", encoding="utf-8") as file:
        file.write('\n[laterals]\nlayer = "town.gpkg"\nlayer_name = "laterals"\n')
        file.write('parcel = "lot"\n' if ids else "")
    return path


def test_lots_with_a_lateral_on_record_are_answered_by_it(town, tmp_path):
    """Lines from house to tap, half of them drawn from the main, without a column of lots.

    The generator's own taps: 98 in 100 of these lots have their line, and the tap to 10 cm; the
    others are flagged. What the summary says of lots left out is what comes of them, about.
    """
    houses = town.buildings.geometry.centroid
    inside = shapely.STRtree(houses).query(town.parcels.geometry.to_numpy(), predicate="contains")
    house_of = dict(
        zip(town.parcels["apn"].to_numpy()[inside[0]], houses.iloc[inside[1]], strict=True)
    )
    known = [name for name, truth in town.truth.items() if truth["line"]][::4]
    shapes = {}
    for number, name in enumerate(known):
        ends = [house_of[name], shapely.Point(town.truth[name]["tap"])]
        shapes[name] = shapely.LineString(ends[:: -1 if number % 2 else 1])
    out = tmp_path / "out.gpkg"
    summary = run_city(with_laterals(town, tmp_path, shapes, ids=False), out)
    lots = geopandas.read_file(out, layer="lots").set_index("parcel").loc[known]
    taps = geopandas.read_file(out, layer="taps").set_index("parcel").loc[known]
    told = (lots["source"] == "lateral on record").to_numpy()
    assert told.mean() > 0.98
    assert (taps["evidence_class"] == np.where(told, "on record", "inferred")).all()
    right = [town.line_of[lots.loc[name, "main"]] == town.truth[name]["line"] for name in known]
    assert np.mean(right) > 0.98
    gaps = [
        taps.loc[name].geometry.distance(shapely.Point(town.truth[name]["tap"])) for name in known
    ]
    assert np.median(gaps) < 0.1
    assert (taps["high_95_m"] - taps["low_95_m"])[told].max() < 2.5
    flags = geopandas.read_file(out, layer="flags")
    assert set(flags[flags["code"] == "lateral-apart"]["parcel"]) == set(np.array(known)[~told])
    codes = {notice.code: notice.message for notice in summary.notices}
    assert f"those of {len(known)} lots are used" in codes["laterals-read"]
    assert codes["laterals-learned"].startswith(f"Of {len(known)} laterals on record")
    others = geopandas.read_file(out, layer="taps").set_index("parcel").drop(known)
    assert set(others["evidence_class"]) == {"inferred"}


def test_taps_need_the_lot_they_are_of(town, tmp_path):
    """Points without a column of lots are refused with the key to write."""
    points = {
        name: shapely.Point(truth["tap"]) for name, truth in town.truth.items() if truth["tap"]
    }
    with pytest.raises(BadInput) as raised:
        run_city(with_laterals(town, tmp_path, points, ids=False), tmp_path / "out.gpkg")
    assert [(f.code, f.field) for f in raised.value.faults] == [("key-missing", "laterals.parcel")]


def test_laterals_that_lie_nowhere_wait_for_a_person(town, tmp_path):
    """An area and a line without a vertex: none is used, and it is said."""
    odd = {"A": town.parcels.geometry.iloc[0], "B": shapely.LineString()}
    summary = run_city(with_laterals(town, tmp_path, odd, ids=False), tmp_path / "out.gpkg")
    notices = [n for n in summary.notices if n.code.startswith("laterals")]
    assert [n.code for n in notices] == ["laterals-read"]
    assert notices[0].needs_person
    assert notices[0].message == "laterals: of 2 on record those of 0 lots are used."


def test_what_is_not_used_of_the_laterals_is_counted(town, tmp_path):
    """A tap off every main, one of no lot, and a lot with taps on two lines."""
    names = [name for name, truth in town.truth.items() if truth["tap"]]
    first, other = (
        names[0],
        next(n for n in names if town.truth[n]["line"] != town.truth[names[0]]["line"]),
    )
    frame_points = {
        names[1]: shapely.Point(town.truth[names[1]]["tap"]),
        "no such lot": shapely.Point(town.truth[names[2]]["tap"]),
        names[3]: shapely.Point(np.add(town.truth[names[3]]["tap"], 5000.0)),
        first: shapely.Point(town.truth[first]["tap"]),
    }
    path = with_laterals(town, tmp_path, frame_points, ids=True)
    again = geopandas.read_file(path.parent / "town.gpkg", layer="laterals")
    more = again[again["lot"] == first].copy()
    more.geometry = [shapely.Point(town.truth[other]["tap"])]
    more.to_file(path.parent / "town.gpkg", layer="laterals", driver="GPKG", mode="a")
    summary = run_city(path, tmp_path / "out.gpkg")
    message = next(n.message for n in summary.notices if n.code == "laterals-read")
    assert message == (
        "laterals: of 5 on record those of 1 lots are used (1 lie within 3 m of no main, "
        "1 belong to no lot, 2 are of lots with taps on two lines)."
    )


def test_a_look_knows_laterals_and_basements(town, tmp_path):
    """A layer of that name is no layer of mains, and a column of basements is known by content."""
    points = {n: shapely.Point(t["tap"]) for n, t in town.truth.items() if t["tap"]}
    path = with_laterals(town, tmp_path, points, ids=True)
    file = path.parent / "town.gpkg"
    laterals = geopandas.read_file(file, layer="laterals")
    laterals.rename(columns={"lot": "parcel_id"}).to_file(file, layer="sewer_laterals")
    parcels = town.parcels.copy()
    parcels["bsmt_type"] = np.resize(["Full", "Slab", None, "Crawl"], len(parcels))
    parcels.to_file(file, layer="parcels", driver="GPKG")
    made = tomllib.loads(look([file]).toml)
    assert made["mains"]["layer_name"] == "mains"
    assert made["laterals"]["layer_name"] in ("laterals", "sewer_laterals")
    assert made["laterals"]["parcel"] in ("lot", "parcel_id")
    assert made["parcels"]["basement"] == "bsmt_type"


def test_a_look_names_the_file_that_is_refused(tmp_path):
    """No CITY.toml is there yet to have a fault."""
    (tmp_path / "notes.csv").write_text("a,b\n1,2\n", "utf-8")
    with pytest.raises(BadInput) as raised:
        look([tmp_path / "notes.csv"])
    assert [(f.code, f.file) for f in raised.value.faults] == [("layer-kind", "notes.csv")]


def test_a_failure_names_its_row_of_the_file(town, tmp_path):
    """Rows that filters leave out count too."""
    parcels = town.parcels.copy()
    parcels["use"] = np.where(np.arange(len(parcels)) < 10, "park", "lot")
    parcels.loc[30, "apn"] = ""
    path = write_town(Town(**{**vars(town), "parcels": parcels}), tmp_path)
    text = path.read_text("utf-8").replace('id = "apn"', 'id = "apn"\nwhere = { use = ["lot"] }', 1)
    path.write_text(text, "utf-8")
    run_city(path, tmp_path / "out.gpkg")
    failures = geopandas.read_file(tmp_path / "out.gpkg", layer="failures")
    assert failures[failures["code"] == "id-missing"]["row"].tolist() == [31]
