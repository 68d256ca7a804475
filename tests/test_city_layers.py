"""Layers as cities have them: each fault in an invented town, and what is said of it."""

from __future__ import annotations

import re
import tomllib

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from sitegis.city import look, run_city, trial
from sitegis.city.addresses import street_name
from sitegis.city.columns import words
from sitegis.city.elevations import read_elevations
from sitegis.city.filters import kept_rows
from sitegis.city.look import KINDS
from sitegis.city.parcels import judge_roads, road_scores
from sitegis.city.read import read_city
from sitegis.city.schema import CityFile, MainTable
from sitegis.city.stored import Stored
from sitegis.cli.main import cli
from sitegis.messages.errors import BadInput, Notice
from tests.invented_town import CRS, TOWN_TOML, Faults, Town, invent_town, write_town


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
    assert any("ROAD" in notice.message for notice in summary.notices)
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
    stored = (Stored.of(np.array(shapes, object)) for shapes in ([parcel], houses))
    score, _built = road_scores(*stored, np.array(ways, object))
    assert (score[0] > 0.0) == road


def test_doubtful_roads_are_counted():
    """Signs that are near even are told; the count is the parcels'."""
    lot = shapely.box(0, 0, 24, 60)
    houses = Stored.of(np.array([shapely.box(0, 0, 24, 3.0)], object))
    way = np.array([shapely.LineString([(12, 0), (12, 60)])], object)
    parcels = Stored.of(np.array([lot], object))
    _roads, notices = judge_roads(np.array(["a"]), parcels, houses, way)
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


def run(town: Town, folder, toml: str = TOWN_TOML):
    out = folder / "out.gpkg"
    return run_city(write_town(town, folder, toml), out), out


def codes(summary) -> list[str]:
    return [notice.code for notice in summary.notices]


def test_storm_and_abandoned_mains_are_left_out_and_counted(town, tmp_path):
    """Usual words of the columns system and status; the counts are the layer's own."""
    summary, out = run(town, tmp_path)
    (told,) = (n.message for n in summary.notices if n.code == "rows-left-out")
    mains = town.mains
    dead = ((mains["sys"] == "STM") | (mains["stat"] == "ABAND")).sum()
    assert dead > 3
    assert f"{dead} of {len(mains)} rows" in told
    assert f"STM {(mains['sys'] == 'STM').sum()}" in told
    live = set(mains["facility"][(mains["sys"] == "SAN") & (mains["stat"] == "ACT")])
    assert set(layer(out, "lots")["main"]) - {None, ""} <= live


@pytest.mark.parametrize("written", ["STORM SEWER", "Storm", "sd", "Force Main", "FM"])
def test_words_of_other_systems(written):
    """They are told in any case and inside longer names; sanitary words are not."""
    frame = geopandas.GeoDataFrame(
        {"id": ["a", "b", "c"], "sys": [written, "Sanitary Sewer", "Zq"]},
        geometry=[LINE] * 3,
        crs=CRS,
    )
    table = MainTable(layer="x.gpkg", id="id", system="sys")
    kept, notices = kept_rows({"sys": words(frame, "sys")}, len(frame), table, "mains")
    assert kept.tolist() == [False, True, True]
    assert "Zq 1" in next(n for n in notices if n.code == "values-not-known").message


def test_filters_name_what_is_read(town, tmp_path):
    """``where`` keeps, ``leave_out`` drops; a filter that leaves nothing is a fault."""
    own = '\n[mains.leave_out]\nfacility = ["L0E-1", "l1e-1"]\n'
    toml = TOWN_TOML.replace("\n[manholes]", own + "\n[manholes]")
    _summary, out = run(town, tmp_path, toml)
    assert not {"L0E-1", "L1E-1"} & set(layer(out, "lots")["main"])
    nothing = TOWN_TOML + '\n[manholes.where]\nfacility = ["none such"]\n'
    with pytest.raises(BadInput) as caught:
        run(town, tmp_path, nothing)
    assert [f.code for f in caught.value.faults] == ["layer-filtered-empty"]


@pytest.mark.parametrize("mark", [0.0, -999.0, 9999.0, "unknown"])
def test_placeholders_are_no_elevations(town, plain, tmp_path, mark):
    """A town whose inverts are partly 0, -999 or text keeps the answers of its good inverts."""
    faulty = invent_town(90, seed=5, faults=Faults(placeholder=mark, placeholder_share=0.3))
    summary, out = run(faulty, tmp_path)
    told = [n.message for n in summary.notices if n.code == "elevation-placeholder"]
    written = sum((faulty.mains[c].astype(str) == str(mark)).sum() for c in ("us_inv", "ds_inv"))
    live = faulty.mains[(faulty.mains["sys"] == "SAN") & (faulty.mains["stat"] == "ACT")]
    counts = [(live[c].astype(str) == str(mark)).sum() for c in ("us_inv", "ds_inv")]
    assert written >= sum(counts) > 5
    for count in counts:
        assert any(re.search(rf"\b{count}( in |\b)|in {count} rows", text) for text in told)
    lots = layer(out, "lots").set_index("parcel")
    before = plain[1].set_index("parcel").loc[lots.index]
    # judged as before, up to what the missing elevations would have told
    assert (lots["toward"] == before["toward"]).mean() > 0.9
    assert not (lots["toward"] == "unlisted").any()


def test_an_elevation_of_zero_at_the_sea_stays():
    """Zero among inverts about zero is an elevation; a lone marker off the bulk is none."""
    inverts = pd.DataFrame({"inv": [*np.round(np.linspace(-2.0, 2.0, 41), 2), -999.0]})
    values, notices = read_elevations(inverts, "inv", 1.0, "mains")
    assert np.isfinite(values).sum() == 41
    assert (values == 0.0).sum() == 1
    assert "-999 in 1 rows" in notices[0].message


@pytest.mark.parametrize(("column", "unit"), [("feet", 'units = "ft"'), ("", "")])
def test_feet_in_a_meter_layer_are_told_with_the_cure(plain, tmp_path, column, unit):
    """Inverts in feet in a town of meters are not used until ``mains.units`` says so."""
    faulty = invent_town(90, seed=5, faults=Faults(feet=True))
    toml = TOWN_TOML.replace('invert_up = "us_inv"', f'invert_up = "us_inv"\n{unit}')
    summary, out = run(faulty, tmp_path, toml)
    lots = layer(out, "lots")
    if column:
        assert "elevation-unit" not in codes(summary)
        assert np.allclose(lots["p_front"], plain[1]["p_front"], atol=0.02)
    else:
        (told,) = (n for n in summary.notices if n.code == "elevation-unit")
        assert 'mains.units = "ft"' in told.message
        assert told.needs_person
        assert not lots["elevation_known"].any()


def test_impossible_inverts_are_flagged_main_by_main(town, tmp_path):
    """A main 40 m above the ground, and one that falls off a cliff, are named and not used."""
    mains = town.mains.copy()
    live = mains.index[(mains["sys"] == "SAN") & (mains["stat"] == "ACT")]
    high, steep, turned = live[:3]
    mains.loc[high, ["us_inv", "ds_inv"]] += 40.0
    mains.loc[steep, "ds_inv"] -= 60.0
    mains.loc[turned, ["us_inv", "ds_inv"]] = mains.loc[turned, ["ds_inv", "us_inv"]].to_numpy()
    summary, out = run(Town(**{**vars(town), "mains": mains}), tmp_path)
    faults = layer(out, "data_faults")
    assert sorted(faults["feature"]) == sorted(mains.loc[[high, steep], "facility"])
    assert set(faults["code"]) == {"invert-implausible"}
    (told,) = (n.message for n in summary.notices if n.code == "mains-reversed")
    assert mains.loc[turned, "facility"] in told


def test_covers_of_manholes_hold_inverts_where_no_lot_has_a_ground(town, tmp_path):
    """With rims alone a main 40 m above its manholes' covers is named; without them none is."""
    mains, manholes = town.mains.copy(), town.manholes.copy()
    high = mains.index[(mains["sys"] == "SAN") & (mains["stat"] == "ACT")][0]
    mains.loc[high, ["us_inv", "ds_inv"]] += 40.0
    lots = town.parcels.loc[town.parcels["elev"] > 100.0, ["elev", "geometry"]]
    near = geopandas.sjoin_nearest(manholes[["geometry"]], lots)
    manholes["rim"] = near["elev"].groupby(level=0).first()
    changed = Town(**{**vars(town), "mains": mains, "manholes": manholes})
    without = TOWN_TOML.replace('ground = "elev"\n', "")
    summary, out = run(changed, tmp_path / "rims", without + 'rim = "rim"\n')
    assert layer(out, "data_faults")["feature"].tolist() == [mains.loc[high, "facility"]]
    summary, _out = run(changed, tmp_path / "none", without)
    assert "invert-implausible" not in codes(summary)


def write_layer(folder, name: str, frame, suffix: str, toml: str = TOWN_TOML) -> str:
    """Put one layer into a file of its own and give the CITY.toml that names it."""
    driver = {".geojson": "GeoJSON", ".gdb": "OpenFileGDB"}.get(suffix)
    frame.to_file(folder / f"own{suffix}", driver=driver)
    return toml.replace(f'layer = "town.gpkg"\nlayer_name = "{name}"', f'layer = "own{suffix}"')


def faults_of(path) -> dict[str, str]:
    with pytest.raises(BadInput) as caught:
        run_city(path, path.parent / "out.gpkg")
    return {fault.field: fault.code for fault in caught.value.faults}


def test_a_geojson_in_feet_is_refused(town, tmp_path):
    """GeoJSON is degrees by its standard (RFC 7946, section 4); coordinates in feet are told."""
    path = write_town(town, tmp_path)
    feet = town.mains.to_crs("EPSG:2277")
    feet.set_crs(4326, allow_override=True).to_file(tmp_path / "own.geojson", driver="GeoJSON")
    path.write_text(TOWN_TOML.replace('"town.gpkg"\nlayer_name = "mains"', '"own.geojson"'))
    assert faults_of(path) == {"mains.layer": "crs-unfit"}


def test_web_mercator_is_refused_for_distances(town, tmp_path):
    """EPSG:3857 stretches by 1/cos(latitude): 39 % at 44° north."""
    moved = {
        k: v.to_crs(3857) if isinstance(v, geopandas.GeoDataFrame) else v
        for k, v in vars(town).items()
    }
    path = write_town(Town(**moved), tmp_path)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    (fault,) = caught.value.faults
    assert fault.code == "crs-stretches"
    assert "EPSG:32614" in fault.remedy
    assert abs(float(fault.reason.split("by ")[1].split(" %")[0]) - 39.0) < 3.0
    path.write_text(TOWN_TOML.replace('units = "m"', 'units = "m"\ncrs = "EPSG:26914"', 1))
    assert run_city(path, tmp_path / "out.gpkg").lots > 50


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("crs", ["EPSG:26915", None, "EPSG:4326"])
def test_a_wrong_or_missing_crs_is_refused_with_the_cure(town, tmp_path, crs):
    """The zone next door, none at all, and meters that are called degrees."""
    mains = town.mains.set_crs(crs, allow_override=True)
    path = write_town(Town(**{**vars(town), "mains": mains}), tmp_path)
    found = faults_of(path)
    assert set(found) == {"mains.layer"}
    assert found["mains.layer"] in {"layer-far", "crs-missing", "crs-unfit"}


def test_buildings_beside_their_lots_are_told(town, tmp_path):
    """A shift of 400 m, as from another datum, leaves no building on a lot: refused."""
    moved = town.buildings.copy()
    moved["geometry"] = moved.translate(3000.0, 200.0)
    path = write_town(Town(**{**vars(town), "buildings": moved}), tmp_path)
    assert faults_of(path) == {"buildings.layer": "layer-beside"}


def test_parcels_in_the_zone_next_door_are_the_ones_told(town, tmp_path):
    """All other layers lie together: the fault is the parcels', and no other is named."""
    moved = town.parcels.set_crs("EPSG:26915", allow_override=True)
    path = write_town(Town(**{**vars(town), "parcels": moved}), tmp_path)
    assert faults_of(path) == {"parcels.layer": "layer-far"}


@pytest.mark.parametrize("shift", [(120.0, 0.0), (25.0, 25.0), (0.0, 210.0)])
def test_mains_beside_their_streets_wait_for_a_person(town, tmp_path, shift):
    """Mains shifted by a lot or by a datum run under houses: said, however sure single lots are."""
    moved = town.mains.copy()
    moved["geometry"] = moved.translate(*shift)
    summary, _ = run(Town(**{**vars(town), "mains": moved}), tmp_path)
    assert "mains-under-buildings" in codes(summary)
    assert summary.needs_person


def test_a_town_hardly_on_record_waits_for_a_person(town, tmp_path):
    """Half of the mains lost: the lots without any are counted, and no town passes for whole."""
    few = town.mains[town.mains.index % 5 == 0].reset_index(drop=True)
    assert "many-without-main" in codes(run(Town(**{**vars(town), "mains": few}), tmp_path)[0])


@pytest.mark.parametrize("name", ["X", None, ""])
def test_a_column_that_tells_no_parcels_apart_is_refused(town, tmp_path, name):
    """The fault is the column of ids, not the buildings that then lie on no lot."""
    alike = town.parcels.copy()
    alike["apn"] = pd.Series([name] * len(alike), dtype=object)
    path = write_town(Town(**{**vars(town), "parcels": alike}), tmp_path)
    assert faults_of(path) == {"parcels.id": "ids-repeated"}


@pytest.mark.parametrize("mark", ["'", " m", "?"])
def test_a_column_of_elevations_without_a_number_waits_for_a_person(town, tmp_path, mark):
    """A unit typed behind every value makes texts of all: told with the first few."""
    typed = town.mains.copy()
    typed["us_inv"] = typed["us_inv"].astype(str) + mark
    summary, _ = run(Town(**{**vars(town), "mains": typed}), tmp_path)
    told = [n for n in summary.notices if n.code == "elevation-placeholder" and n.needs_person]
    assert len(told) == 1
    assert "mains.us_inv" in told[0].message


@pytest.mark.parametrize(
    "written",
    [
        "1204 N Quarn St 12345", "1204 n.  quarn  st  12345-6789", "#5 1204 N QUARN STREET",
        "Lot 5 1204 North Quarn St", "1204 & 1206 N Quarn St", "1204 N Quarn St Rear",
        "1204-1206 N Quarn St", "1204 1/2 N Quarn St # 5", "1204 N Quarn St, Ixley 12345",
    ],
)  # fmt: skip
def test_addresses_in_odd_forms_name_their_street(written):
    assert street_name(written) == street_name("North Quarn Street")


@pytest.mark.parametrize("written", ["N/A", "None", "0 NO ADDRESS", "PO Box 12", "unknown", " "])
def test_what_stands_for_no_address_names_no_street(written):
    assert not street_name(written).name


def test_a_file_geodatabase_is_read(town, plain, tmp_path):
    """A .gdb written by GDAL gives the answer of the GeoPackage; one with a link in it none."""
    path = write_town(town, tmp_path)
    path.write_text(write_layer(tmp_path, "mains", town.mains, ".gdb"))
    run_city(path, tmp_path / "out.gpkg")
    lots = layer(tmp_path / "out.gpkg", "lots")
    # a geodatabase keeps coordinates on a grid of its own
    assert (np.abs(lots["p_front"] - plain[1]["p_front"]) < 0.01).mean() > 0.95
    (tmp_path / "own.gdb" / "link").symlink_to("/etc/hostname")
    assert faults_of(path) == {"mains.layer": "path-outside"}
    (tmp_path / "plain.gdb").mkdir()
    path.write_text(path.read_text().replace("own.gdb", "plain.gdb"))
    assert faults_of(path) == {"mains.layer": "layer-kind"}


@pytest.mark.parametrize("name", ["Street", "Centerlines", "Centrelines", "road_cl"])
def test_streets_are_known_by_either_spelling(name):
    """Canadian layers are called the British way."""
    assert re.search(KINDS["streets"][1], name.casefold())


def test_a_look_at_the_layers_makes_a_city_file_that_runs(town, tmp_path):
    """Names, types and content tell tables and columns; what it prints is read back and runs."""
    write_town(town, tmp_path)
    done = CliRunner().invoke(cli, ["city", "--look", str(tmp_path / "town.gpkg")])
    assert done.exit_code == 0, done.stderr
    made = tomllib.loads(done.stdout)
    expected = tomllib.loads(TOWN_TOML)
    for key, table in expected.items():
        if key != "city":
            assert table.items() <= made[key].items(), key
    assert "unit of elevations" in done.stderr
    assert "rows-left-out" in done.stderr
    assert f"{len(town.parcels) - 1} lots" in done.stderr
    (tmp_path / "CITY.toml").write_text(done.stdout.replace('"ft"', '"m"', 1))
    assert run_city(tmp_path / "CITY.toml", tmp_path / "out.gpkg").lots > 50


def test_a_look_says_what_a_missing_column_lets_in(town, tmp_path):
    """Other common names are known; where none fits, storm or abandoned mains are warned of."""
    path = write_town(town, tmp_path).with_name("town.gpkg")
    mains = geopandas.read_file(path, layer="mains")
    for renamed, missing in (
        ({"sys": "WATERTYPE", "stat": "LIFECYCLE"}, ()),
        ({"sys": "c1", "stat": "c2"}, ("mains.system", "mains.status")),
    ):
        mains.rename(columns=renamed).to_file(path, layer="mains", driver="GPKG")
        looked = look([path])
        assert ('system = "WATERTYPE"' in looked.toml) == (not missing)
        for key in ("mains.system", "mains.status"):
            assert (f"{key}: no column was found" in " ".join(looked.report)) == (key in missing)


def test_a_look_tells_faults_and_what_is_missing(town, tmp_path):
    """Placeholders are told at a look; without mains there is nothing to begin from."""
    faulty = invent_town(60, seed=5, faults=Faults(placeholder=-999.0))
    write_town(faulty, tmp_path)
    told = " ".join(look([tmp_path / "town.gpkg"]).report)
    assert "-999" in told
    town.streets.to_file(tmp_path / "roads.gpkg", layer="roads", driver="GPKG")
    with pytest.raises(BadInput) as caught:
        look([tmp_path / "roads.gpkg"])
    assert caught.value.faults[0].code == "layer-not-found"


def test_start_city_gives_the_blank(tmp_path):
    """The blank is a CITY.toml of known keys, and is never written over another."""
    runner = CliRunner()
    done = runner.invoke(cli, ["start", "--city", str(tmp_path / "new")])
    assert done.exit_code == 0, done.stderr
    text = (tmp_path / "new" / "CITY.toml").read_text("utf-8")
    CityFile.model_validate(tomllib.loads(text))
    again = runner.invoke(cli, ["start", "--city", str(tmp_path / "new")])
    assert again.exit_code == 2
    assert "file-exists" in again.stderr


def test_a_large_layer_is_tried_within_limits_first(town, tmp_path, monkeypatch):
    """20,000 buildings are read; with a second of processor time they end in a fault."""
    many = town.buildings.sample(20_000, replace=True, random_state=1)
    many.to_file(tmp_path / "many.gpkg", layer="buildings", driver="GPKG")
    apart = TOWN_TOML.replace(
        '[buildings]\nlayer = "town.gpkg"', '[buildings]\nlayer = "many.gpkg"'
    )
    path = write_town(town, tmp_path, apart)
    for name, value in (("LARGE_BYTES", 1_000_000), ("CPU_S", 60), ("CPU_S_PER_MB", 0)):
        monkeypatch.setattr(trial, name, value)
    assert len(read_city(path).layers.houses) == 20_000
    monkeypatch.setattr(trial, "CPU_S", 1)
    with pytest.raises(BadInput) as raised:
        read_city(path)
    assert {fault.code for fault in raised.value.faults} == {"layer-too-heavy"}
    assert "buildings.layer" in [fault.field for fault in raised.value.faults]


def test_a_run_clears_what_a_killed_one_left(town, tmp_path):
    """The half file of a run that was killed while it wrote goes; a folder of the user's stays."""
    out = tmp_path / "out.gpkg"
    half, users = tmp_path / ".out.gpkg.part-abc", tmp_path / ".out.gpkg.part-mine"
    for folder, name in ((half, "out.gpkg"), (users, "letter.txt")):
        folder.mkdir()
        (folder / name).write_bytes(b"half")
    run_city(write_town(town, tmp_path), out)
    assert not half.exists()
    assert (users / "letter.txt").read_bytes() == b"half"
