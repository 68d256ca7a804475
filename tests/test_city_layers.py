"""Layers as cities have them: each fault in an invented town, and what is said of it."""

from __future__ import annotations

import re

import geopandas
import numpy as np
import pytest
import shapely

from sitegis._site import Notice
from sitegis.city import run_city
from sitegis.city._records import Parcels
from sitegis.city._roads import judge_roads, road_scores
from tests.invented_town import Town, invent_town, write_town


def layer(out, name) -> geopandas.GeoDataFrame:
    return geopandas.read_file(out, layer=name)


@pytest.fixture(scope="module")
def town() -> Town:
    return invent_town(90, seed=5)


@pytest.fixture(scope="module")
def plain(town, tmp_path_factory):
    """The town's answer without any fault in its layers: no road parcel."""
    folder = tmp_path_factory.mktemp("plain")
    clean = Town(**{**vars(town), "parcels": town.parcels[town.parcels["apn"] != "ROAD"]})
    out = folder / "out.gpkg"
    return run_city(write_town(clean, folder), out), layer(out, "lots")


def test_streets_that_are_one_parcel_with_a_kiosk_change_no_lot(town, plain, tmp_path):
    """The parcel of all streets, a 14 m² kiosk on it, blocks no frontage and is named."""
    out = tmp_path / "out.gpkg"
    summary = run_city(write_town(town, tmp_path), out)
    assert layer(out, "failures").query("code == 'right-of-way'")["parcel"].tolist() == ["ROAD"]
    assert "ROAD" in " ".join(summary.warnings)
    assert summary.needs_person
    lots = layer(out, "lots")
    assert lots["kind"].tolist() == plain[1]["kind"].tolist()
    assert np.allclose(lots["p_front"], plain[1]["p_front"], atol=1e-9)
    notes = layer(out, "notes")
    assert "road-with-building" in notes.query("kind == 'warning'")["code"].tolist()


LINE = shapely.LineString([(0, 10), (200, 10)])


@pytest.mark.parametrize(
    ("parcel", "houses", "ways", "road"),
    [
        (shapely.box(0, 0, 200, 20), [shapely.box(5, 5, 9, 8.5)], [LINE], True),
        (shapely.box(90, 0, 110, 20), [],
         [LINE, shapely.LineString([(100, -50), (100, 50)])], True),
        (shapely.box(0, 0, 15, 38), [shapely.box(2, 6, 13, 18)],
         [shapely.LineString([(7, -50), (7, 80)])], False),
        (shapely.box(0, 0, 200, 200), [shapely.box(90, 90, 110, 100)],
         [shapely.LineString([(100, -10), (100, 210)])], False),
        (shapely.box(0, 0, 70, 70), [shapely.box(5 + 20 * i, 5, 20 + 20 * i, 60) for i in range(3)],
         [shapely.LineString([(0, 35), (70, 35)])], False),
    ],
    ids=["kiosk in a street", "crossing", "line drawn over a lot", "farm with a road", "flats"],
)  # fmt: skip
def test_roads_are_told_from_lots(parcel, houses, ways, road):
    """Plain cases whose answer a person would give at a glance."""
    score, _built = road_scores(np.array([parcel], object), np.array(houses, object),
                                np.array(ways, object))  # fmt: skip
    assert (score[0] > 0.0) == road


def test_doubtful_roads_are_counted():
    """Signs that are near even are told; the count is the parcels'."""
    lot = shapely.box(0, 0, 24, 60)
    houses = np.array([shapely.box(0, 0, 24, 3.0)], object)
    way = np.array([shapely.LineString([(12, 0), (12, 60)])], object)
    parcels = Parcels(np.array(["a"]), np.array([lot], object), np.array([""]),
                      np.array([np.nan]), np.array([np.nan]))  # fmt: skip
    _roads, notices = judge_roads(parcels, houses, way)
    assert [notice.code for notice in notices][-1:] == ["road-in-doubt"]
    assert all(isinstance(notice, Notice) for notice in notices)
    assert notices[-1].message.startswith("1 parcels")


def test_no_main_is_no_certainty(town, plain, tmp_path):
    """Lots without a main on record are told apart: never sure, no entropy, no visits."""
    whole = town.mains.total_bounds
    west = shapely.box(*whole[:2], 0.5 * (whole[0] + whole[2]), whole[3])
    half = town.mains[town.mains.within(west)]
    out = tmp_path / "out.gpkg"
    summary = run_city(write_town(Town(**{**vars(town), "mains": half}), tmp_path), out)
    lots = layer(out, "lots")
    silent = lots[lots["answer"] != "main on record"]
    told = lots[lots["answer"] == "main on record"]
    assert summary.unanswered == silent["answer"].value_counts().to_dict()
    assert summary.unanswered["no main on record"] > 10
    assert silent["entropy_bits"].isna().all()
    assert told["entropy_bits"].notna().all()
    assert summary.sure == (told[["p_front", "p_rear", "p_side"]].max(axis=1) >= 0.95).sum()
    assert sum(summary.toward.values()) == len(told)
    assert layer(out, "streets_to_visit")["lots"].sum() <= len(told)
    text = " ".join(summary.lines())
    assert re.search(r"No answer: .*no main on record \d+", text)
    assert summary.sure <= plain[0].sure
