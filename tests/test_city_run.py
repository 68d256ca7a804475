"""The whole command: layers in, one file out; killed, resumed, shuffled, shared out, refused."""

from __future__ import annotations

import dataclasses
import re
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from importlib import import_module, resources
from pathlib import Path
from tempfile import TemporaryDirectory

import fiona
import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegis.city import run_city
from sitegis.city.lots import work_chunk
from sitegis.city.schema import CityFile
from sitegis.city.stored import Shelf, Stored
from sitegis.city.work_folder import work_folder
from sitegis.cli.main import cli
from sitegis.messages.errors import BadInput, CannotWrite
from sitegis.rules.rule_set import load_rules
from tests.invented_city import CRS, City, invent_city, write_city

FIXTURES = Path(__file__).parent.parent / "fixtures"
CITIES = Path(__file__).parents[1] / "fixtures"
LAYERS = {
    "lots", "lot_lines", "routes", "corridors", "taps", "exits", "next_check", "flags", "failures",
    "manholes_to_watch", "streets_to_visit", "data_faults", "notes",
}  # fmt: skip


def layer(out: Path, name: str) -> geopandas.GeoDataFrame:
    return geopandas.read_file(out, layer=name)


def assert_same(first: Path, second: Path) -> None:
    """Both files hold the same rows in the same order, to the last digit."""
    listed = LAYERS | {"layer_styles"}
    assert set(fiona.listlayers(first)) == set(fiona.listlayers(second)) == listed
    for name in LAYERS:
        one, other = layer(first, name), layer(second, name)
        if name == "notes":  # layers written anew have other hashes: they are other files
            one, other = (
                rows[rows["code"] != "sha256"].reset_index(drop=True) for rows in (one, other)
            )
        assert one.geometry.to_wkb().equals(other.geometry.to_wkb()), name
        pd.testing.assert_frame_equal(
            pd.DataFrame(one.drop(columns="geometry")),
            pd.DataFrame(other.drop(columns="geometry")),
            check_exact=True,
        )


@pytest.fixture(scope="module")
def city() -> City:
    return invent_city(96, seed=3, curve=6.0)


@pytest.fixture(scope="module")
def reference(city, tmp_path_factory):
    """The answer of one plain run, with its CITY.toml."""
    folder = tmp_path_factory.mktemp("city")
    path = write_city(city, folder)
    summary = run_city(path, folder / "out.gpkg")
    return path, folder / "out.gpkg", summary


def test_every_lot_is_there_once(city, reference):
    """Each parcel is either worked out or among the failures, in the order of ids."""
    _, out, summary = reference
    lots, failures = layer(out, "lots"), layer(out, "failures")
    assert lots["parcel"].is_monotonic_increasing
    assert sorted([*lots["parcel"], *failures["parcel"]]) == sorted(city.parcels["pin"])
    vacant = [pin for pin, truth in city.truth.items() if truth["kind"] == "vacant"]
    assert sorted(failures["parcel"]) == sorted(vacant)
    assert summary.lots == len(lots)
    assert summary.failures == {"no-building": len(vacant)}


def test_probabilities_sum_to_one(reference):
    """Front, rear, side and unlisted are all there is."""
    lots = layer(reference[1], "lots")
    total = lots[["p_front", "p_rear", "p_side", "p_unlisted"]].sum(axis=1)
    assert np.abs(total - 1.0).max() <= 1e-9
    assert (lots["probability"] <= 1.0 - lots["p_unlisted"] + 1e-9).all()


def test_layers_are_in_the_parcels_crs(reference):
    """Every layer says its CRS; nothing of the work folder stays."""
    path, out, _ = reference
    for name in LAYERS:
        assert layer(out, name).crs == CRS
    assert sorted(p.name for p in out.parent.iterdir()) == ["CITY.toml", "layers", out.name]
    assert path.exists()


def test_inferred_is_never_called_located(reference):
    """Routes, exits and corridors say that they are inferred."""
    for name in ("routes", "exits", "corridors"):
        assert set(layer(reference[1], name)["evidence_class"]) == {"inferred"}
    assert "never a locate" in "\n".join(reference[2].lines())


def test_summary_ranks_manholes_by_bits(reference):
    """The summary's best manhole is the layer's first, and bits fall down the list."""
    _, out, summary = reference
    ranked = layer(out, "manholes_to_watch")
    assert ranked["name"][0] == summary.manholes[0].name
    assert ranked["bits"].is_monotonic_decreasing
    assert layer(out, "streets_to_visit")["lots"].sum() <= summary.lots


@pytest.mark.parametrize(
    ("chunk", "shuffle", "workers"),
    [(3, None, 1), (2000, 4, 1), (40, 9, 2)],
    ids=["small-chunks", "shuffled", "two-workers-shuffled"],
)
def test_answer_does_not_depend_on(city, reference, tmp_path, chunk, shuffle, workers):
    """Chunks, row order and workers change nothing."""
    path = write_city(city, tmp_path, chunk=chunk, shuffle=shuffle)
    run_city(path, tmp_path / "out.gpkg", workers=workers)
    assert_same(tmp_path / "out.gpkg", reference[1])


@pytest.mark.adverse
def test_killed_run_goes_on(city, reference, tmp_path):
    """A run killed between chunks keeps them whole, does none twice, and ends the same."""
    path = write_city(city, tmp_path, chunk=4)
    out = tmp_path / "out.gpkg"
    command = [sys.executable, "-m", "sitegis.cli.main", "city", str(path), "--out", str(out)]
    code = "import sys; from sitegis.cli.main import main; main(sys.argv[1:])"
    command = [sys.executable, "-c", code, *command[3:]]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.PIPE)
    work = tmp_path / "out.gpkg.work"
    limit = time.monotonic() + 60.0
    while len(list(work.glob("chunk-*.npz"))) < 3 and time.monotonic() < limit:
        time.sleep(0.002)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    assert process.returncode == -signal.SIGKILL
    assert not out.exists()
    kept = sorted(work.glob("chunk-*.npz"))
    assert 3 <= len(kept) < 23
    calls = []
    run_city(path, out, progress=lambda now, total, before: calls.append((now, total, before)))
    before = calls[0][2]
    assert before == 4 * len(kept)
    assert sum(now for now, _, _ in calls) == calls[0][1] - before
    assert_same(out, reference[1])
    assert not work.exists()


@pytest.mark.adverse
def test_broken_chunk_is_done_again(city, reference, tmp_path):
    """A chunk file that a disk fault cut short is not trusted."""
    path = write_city(city, tmp_path, chunk=30)
    out = tmp_path / "out.gpkg"
    (tmp_path / "out.gpkg.work").mkdir()

    def stop(now, total, before):
        if now and len(list((tmp_path / "out.gpkg.work").glob("chunk-*"))) == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_city(path, out, progress=stop)
    first = tmp_path / "out.gpkg.work" / "chunk-000000.npz"
    first.write_bytes(first.read_bytes()[:1000])
    calls = []
    run_city(path, out, progress=lambda *now: calls.append(now))
    assert calls[0][2] == 30
    assert_same(out, reference[1])


def test_other_inputs_begin_afresh(city, tmp_path):
    """Chunks of other layers are not mixed in."""
    path = write_city(city, tmp_path, chunk=30)
    out = tmp_path / "out.gpkg"

    def stop(now, total, before):
        if now:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_city(path, out, progress=stop)
    path.write_text(path.read_text() + "\n[prior]\nrear = 5.0\n")
    calls = []
    run_city(path, out, progress=lambda *now: calls.append(now))
    assert calls[0][2] == 0


def test_foreign_files_stay(city, tmp_path):
    """What is not ours in a folder of the work folder's name is left alone."""
    path = write_city(city, tmp_path)
    work = tmp_path / "out.gpkg.work"
    work.mkdir()
    (work / "letter.txt").write_text("keep me")
    run_city(path, tmp_path / "out.gpkg")
    assert [entry.name for entry in work.iterdir()] == ["letter.txt"]


def test_lot_that_breaks_the_arithmetic_stands_alone(city, reference, tmp_path, monkeypatch):
    """A lot that a stage chokes on is cut out of its chunk and told; the others are unharmed."""
    victim = city.parcels["pin"][20]

    def choke(block):
        if victim in block.parcels.ids[block.own].tolist():
            raise ValueError("invented trouble")
        return work_chunk(block)

    monkeypatch.setattr(import_module("sitegis.city.chunks"), "work_chunk", choke)
    path = write_city(city, tmp_path)
    run_city(path, tmp_path / "out.gpkg")
    failures = layer(tmp_path / "out.gpkg", "failures").set_index("parcel")
    assert failures.loc[victim, "code"] == "geometry"
    assert "invented trouble" in failures.loc[victim, "reason"]
    lots, before = layer(tmp_path / "out.gpkg", "lots"), layer(reference[1], "lots")
    others = before[before["parcel"] != victim].reset_index(drop=True)
    pd.testing.assert_frame_equal(pd.DataFrame(lots), pd.DataFrame(others), check_exact=True)


def test_notes_carry_assumptions_and_cautions(reference):
    """The file says what was assumed and repeats the cautions of its rule set."""
    notes = layer(reference[1], "notes")
    cautions = notes[notes["kind"] == "caution"]["note"].tolist()
    assert cautions == list(load_rules("us-ipc").cautions)
    assert notes[notes["kind"] == "assumption"]["note"].str.contains("judgment|no source").any()


def test_every_column_of_the_city_is_documented(reference):
    """The table of attributes lists every layer and column, and no other."""
    text = resources.files("sitegis.write").joinpath("ATTRIBUTES.md").read_text("utf-8")
    part = text[text.index("## A city's layers") :]
    rows = re.findall(r"^\| (\w+) \| `?([\w()]+)`? \|", part, re.MULTILINE)
    expected = {(name, column) for name in LAYERS for column in layer(reference[1], name).columns}
    expected = {(name, "(layer)" if c == "geometry" else c) for name, c in expected}
    assert {row for row in rows if row != ("layer", "attribute")} == expected
    assert len(rows) == len(expected) + 1


def test_one_run_at_a_time(city, tmp_path):
    """A second run on the same output is refused while the first works."""
    path = write_city(city, tmp_path)
    with work_folder(tmp_path / "out.gpkg"), pytest.raises(CannotWrite, match="Another run"):
        run_city(path, tmp_path / "out.gpkg")


def test_lots_that_fail_are_carried(city, reference, tmp_path):
    """What is no lot, or twice, ends in failures with its reason; all other lots are as before."""
    parcels = city.parcels.copy()
    pins = parcels["pin"].tolist()
    far = shapely.box(0, 0, 2, 2)
    bow_tie = shapely.Polygon([(0, 0), (20, 30), (20, 0), (0, 30)])
    street = city.streets.geometry[city.streets["class"] == "street"].iloc[0].buffer(8.0)
    extra = geopandas.GeoDataFrame(
        {
            "pin": ["Z-none", "", pins[3], "Z-bow", "Z-unit", "Z-street"],
            "addr_st": [""] * 6,
            "year": [1950.0] * 6,
            "ground": [180.0] * 6,
            "geometry": [None, far, far, bow_tie, parcels.geometry[7].reverse(), street],
        },
        crs=CRS,
    )
    faulty = City(**{**vars(city), "parcels": pd.concat([parcels, extra], ignore_index=True)})
    path = write_city(faulty, tmp_path)
    run_city(path, tmp_path / "out.gpkg")
    failures = layer(tmp_path / "out.gpkg", "failures")
    reasons = dict(zip(failures["code"], failures["parcel"], strict=True))
    assert reasons["no-shape"] == "Z-none"
    assert reasons["id-missing"] in (None, "")
    assert reasons["id-twice"] == pins[3]
    assert reasons["stacked"] == "Z-unit"
    assert reasons["right-of-way"] == "Z-street"
    assert "Z-bow" in failures["parcel"].tolist()
    lots, before = layer(tmp_path / "out.gpkg", "lots"), layer(reference[1], "lots")
    assert lots["parcel"].tolist() == before["parcel"].tolist()
    assert np.allclose(lots["p_front"], before["p_front"], atol=1e-12)


def test_degrees_and_feet_give_the_same_answer(city, reference, tmp_path):
    """Layers in degrees with a CRS in US survey feet agree with meters.

    A house has few routes: one that just fits in one grid may just not in the other, which
    moves a single lot by a few per cent.
    """
    moved = City(
        **{
            name: frame.to_crs(4326) if isinstance(frame, geopandas.GeoDataFrame) else frame
            for name, frame in vars(city).items()
        }
    )
    path = write_city(moved, tmp_path)
    text = path.read_text().replace('units = "m"', 'units = "m"\ncrs = "EPSG:3435"')
    path.write_text(text)
    run_city(path, tmp_path / "out.gpkg")
    feet, meters = layer(tmp_path / "out.gpkg", "lots"), layer(reference[1], "lots")
    assert feet.crs == "EPSG:3435"
    assert feet["kind"].tolist() == meters["kind"].tolist()
    apart = np.abs(feet["p_front"].to_numpy() - meters["p_front"].to_numpy())
    assert np.median(apart) < 1e-4
    assert (apart < 0.02).mean() > 0.98
    assert apart.max() < 0.05
    shift = feet.to_crs(CRS).centroid.distance(meters.centroid)
    assert shift.max() < 0.01


def test_the_file_is_the_same_to_the_byte(city, tmp_path, monkeypatch):
    """One or two workers: equal files, dated as SOURCE_DATE_EPOCH says."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    files = []
    path = write_city(city, tmp_path, chunk=30)
    for workers in (1, 2):
        run_city(path, tmp_path / f"out-{workers}.gpkg", workers=workers)
        files.append((tmp_path / f"out-{workers}.gpkg").read_bytes())
    assert files[0] == files[1]
    assert b"2023-11-14T" in files[0]


def test_layers_that_come_in_pieces_give_the_same_file(city, tmp_path, monkeypatch):
    """Whole or 37 rows at a time, indexed by few or many: equal files."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    path = write_city(city, tmp_path, chunk=30)
    run_city(path, tmp_path / "whole.gpkg")
    monkeypatch.setattr(import_module("sitegis.city.layer_frame"), "PIECE_ROWS", 37)
    for name, rows in (("PAGE", 4), ("GROUP", 50), ("LEAST_MAPPED_BYTES", 1)):
        monkeypatch.setattr(import_module("sitegis.city.stored"), name, rows)
    monkeypatch.setattr(import_module("sitegis.city.summary"), "GATHERED", 3)
    run_city(path, tmp_path / "pieces.gpkg")
    whole, pieces = ((tmp_path / f"{name}.gpkg").read_bytes() for name in ("whole", "pieces"))
    assert whole == pieces


def test_geoparquet_that_comes_in_batches_gives_the_same_answer(
    city, reference, tmp_path, monkeypatch
):
    """Parcels and buildings as GeoParquet, 37 rows at a time: the answer of the GeoPackage."""
    pytest.importorskip("pyarrow")
    path = write_city(city, tmp_path)
    text = path.read_text("utf-8")
    for name in ("parcels", "buildings"):
        getattr(city, name).to_parquet(tmp_path / f"{name}.parquet", row_group_size=50)
        written = f'layer = "layers/city.gpkg"\nlayer_name = "{name}"'
        assert written in text
        text = text.replace(written, f'layer = "{name}.parquet"')
    path.write_text(text, "utf-8")
    monkeypatch.setattr(import_module("sitegis.city.layer_frame"), "PIECE_ROWS", 37)
    run_city(path, tmp_path / "out.gpkg")
    assert_same(reference[1], tmp_path / "out.gpkg")


def test_what_lies_in_a_file_is_read_again_after_it_was_let_go():
    """Texts, numbers and flags of an array are the same before and after; a small one stays."""
    rng = np.random.default_rng(3)
    shelf = Shelf()
    for values in (
        rng.normal(size=(70_000, 4)),
        np.char.add("Élm ", np.arange(200_000).astype(str)),
        rng.random(2_000_000) < 0.5,
    ):
        kept = shelf.keep(values)
        assert kept.base is not None
        for _ in range(2):
            assert np.array_equal(kept, values)
            shelf.release()
    assert shelf.keep(values[:3]).base is values


def test_stored_shapes_are_found_by_their_boxes():
    """What shapely's STRtree finds, over some boxes; shapes and texts come back as they were."""
    rng = np.random.default_rng(5)
    corners = rng.uniform(0.0, 900.0, (700, 2))
    shapes = shapely.box(*corners.T, *(corners + rng.uniform(1.0, 60.0, (700, 2))).T)
    texts = np.array([f"{number} Élm St" * (number % 3) for number in range(700)])
    order = rng.permutation(700)[:650]
    stored = Stored()
    for part in np.array_split(np.arange(700), 3):
        stored.append(shapes[part], texts[part])
    stored.put_in_order(order)
    tree = shapely.STRtree(shapes[order])
    for low in rng.uniform(-100.0, 900.0, (40, 2)):
        bounds = np.concatenate([low, low + rng.uniform(0.0, 300.0, 2)])
        assert np.array_equal(stored.within(bounds), np.sort(tree.query(shapely.box(*bounds))))
    rows = np.array([3, 640, 17])
    assert shapely.equals_exact(stored.shapes(rows), shapes[order][rows]).all()
    assert stored.texts(rows).tolist() == texts[order][rows].tolist()
    assert np.array_equal(np.sort(np.concatenate(list(stored.groups()))), np.arange(650))


def test_geoparquet_holds_the_same(city, reference, tmp_path):
    """A name in .parquet gives a folder with one file a layer, with the same rows."""
    pytest.importorskip("pyarrow")
    path = write_city(city, tmp_path)
    out = tmp_path / "out.parquet"
    run_city(path, out)
    run_city(path, out)
    assert {p.stem for p in out.iterdir()} == LAYERS
    lots, expected = geopandas.read_parquet(out / "lots.parquet"), layer(reference[1], "lots")
    assert lots["parcel"].tolist() == expected["parcel"].tolist()
    assert np.array_equal(lots["p_rear"], expected["p_rear"])
    assert lots.crs == CRS


BAD_TOML = """
[city]
name = "Bad"
units = "furlong"
sites = "nowhere"

[parcels]
layer = "../elsewhere.gpkg"
id = "pin"

[buildings]
layer = "layers/city.gpkg"
layer_name = "buildings"
color = "red"

[mains]
layer = "layers/city.gpkg"
"""


def test_faults_of_the_notation_are_told_together(city, tmp_path):
    """All keys that are wrong or missing are told at once."""
    path = write_city(city, tmp_path)
    path.write_text(BAD_TOML)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    told = {(fault.code, fault.field) for fault in caught.value.faults}
    assert told == {
        ("value-unfit", "city.units"),
        ("key-unknown", "buildings.color"),
        ("key-missing", "mains.id"),
    }
    assert next(f for f in caught.value.faults if f.field == "city.units").row == 4


@settings(deadline=None, max_examples=50)
@given(content=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_text_is_refused_in_words(content):
    """Whatever stands in CITY.toml, the only answer to nonsense is a list of faults."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "CITY.toml"
        path.write_bytes(content)
        with pytest.raises(BadInput) as caught:
            run_city(path, Path(folder) / "out.gpkg")
        assert caught.value.faults


@pytest.mark.parametrize(
    "written",
    ["../a.gpkg", "/etc/a.gpkg", "C:\\\\a.gpkg", "/vsicurl/a.gpkg", "https://a/b.gpkg", "a" * 400],
)
def test_paths_that_lead_out_are_refused(city, tmp_path, written):
    """A layer path stays in the folder of CITY.toml."""
    path = write_city(city, tmp_path)
    text = path.read_text().replace(
        'layer = "layers/city.gpkg"\nlayer_name = "mains"', f'layer = "{written}"'
    )
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    assert [fault.field for fault in caught.value.faults] == ["mains.layer"]


def test_faults_of_the_layers_are_told_together(city, tmp_path):
    """Paths that lead out, missing files, columns and kinds are told at once."""
    path = write_city(city, tmp_path)
    text = (
        path.read_text()
        .replace('street = "addr_st"', 'street = "adr_st"')
        .replace('layer_name = "streets"', 'layer_name = "manholes"\nnmae = 1', 1)
        .replace("\nnmae = 1", "")
        .replace('layer = "layers/city.gpkg"\nlayer_name = "mains"', 'layer = "/etc/passwd"')
        .replace('layer_name = "buildings"', 'layer_name = "houses"')
    )
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    told = {(fault.code, fault.field) for fault in caught.value.faults}
    assert {
        ("column-missing", "parcels.street"),
        ("layer-empty", "streets.layer"),
        ("path-outside", "mains.layer"),
        ("layer-unreadable", "buildings.layer"),
    } <= told
    assert not (tmp_path / "out.gpkg.work").exists()


def test_a_layer_in_the_wrong_crs_is_told(city, tmp_path):
    """Mains labeled with the next UTM zone lie 6° of longitude, some 500 km, away."""
    zone = int(CRS.removeprefix("EPSG:")) + 1
    mains = city.mains.set_crs(f"EPSG:{zone}", allow_override=True)
    path = write_city(City(**{**vars(city), "mains": mains}), tmp_path)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    (fault,) = caught.value.faults
    assert (fault.code, fault.field) == ("layer-far", "mains.layer")
    assert 400 < int(fault.reason.split(" km")[0].split()[-1].replace(",", "")) < 600


def test_a_misspelled_key_is_answered_with_the_one_that_was_meant(city, tmp_path):
    """Keys of a table, and tables themselves."""
    path = write_city(city, tmp_path)
    text = path.read_text().replace("kind = ", "knd = ").replace("[manholes]", "[manhole]")
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        run_city(path, tmp_path / "out.gpkg")
    remedies = {fault.field: fault.remedy for fault in caught.value.faults}
    assert "did you mean 'kind'?" in remedies["streets.knd"]
    assert "did you mean 'manholes'?" in remedies["manhole"]


def test_site_folders_take_the_place_of_layers(tmp_path):
    """A lot with a site folder gets the pipeline's answer; a faulty folder is told and flagged."""
    shutil.copytree(FIXTURES / "corner-lot-alley" / "layers", tmp_path / "layers")
    shutil.copytree(FIXTURES / "corner-lot-alley", tmp_path / "sites" / "INV-17")
    parcels = geopandas.read_file(tmp_path / "layers" / "town.gpkg", layer="parcels")
    other = next(pin for pin in parcels["parcel_id"] if pin != "INV-17")
    (tmp_path / "sites" / other).mkdir()
    path = tmp_path / "CITY.toml"
    path.write_text(FIXTURE_CITY)
    summary = run_city(path, tmp_path / "out.gpkg")
    lots = layer(tmp_path / "out.gpkg", "lots").set_index("parcel")
    assert summary.from_field == 1
    assert lots.loc["INV-17", "source"] == "field findings"
    assert lots.loc[other, "source"] == "inferred from layers"
    # the fixture's story: the drain goes to the alley behind, not to the front
    assert lots.loc["INV-17", "toward"] == "rear"
    assert lots.loc["INV-17", "p_rear"] > 0.5
    failures = layer(tmp_path / "out.gpkg", "failures")
    assert failures["parcel"].tolist() == [other]
    assert "faults" in failures["reason"][0]
    routes = layer(tmp_path / "out.gpkg", "routes").set_index("parcel")
    house = geopandas.read_file(tmp_path / "layers" / "town.gpkg", layer="buildings")
    assert house.distance(routes.loc["INV-17"].geometry).min() < 1.0


FIXTURE_CITY = """
[city]
name = "Invented corner"
units = "ft"
sites = "sites"

[parcels]
layer = "layers/town.gpkg"
layer_name = "parcels"
id = "parcel_id"

[buildings]
layer = "layers/town.gpkg"
layer_name = "buildings"

[rights_of_way]
layer = "layers/town.gpkg"
layer_name = "right_of_way"
name = "name"
kind = "name"
alley_values = ["Invented Alley"]

[mains]
layer = "layers/town.gpkg"
layer_name = "mains"
id = "main_id"

[manholes]
layer = "layers/town.gpkg"
layer_name = "manholes"
id = "manhole_id"
"""


def test_demo_town_shows_every_key(tmp_path):
    """The demo CITY.toml runs, and every key it shows in a comment is one that may be written."""
    path = CITIES / "invented-town" / "CITY.toml"
    summary = run_city(path, tmp_path / "out.gpkg")
    assert summary.lots > 90
    shown = re.sub(r"(?m)^# (?=\[\w+\]|\w+ = )", "", path.read_text("utf-8"))
    assert shown != path.read_text("utf-8")
    file = CityFile.model_validate(tomllib.loads(shown))
    for table in (
        file,
        file.city,
        file.parcels,
        file.streets,
        file.rights_of_way,
        file.mains,
    ):
        unsaid = set(type(table).model_fields) - set(table.model_fields_set)
        assert unsaid <= {"alleys", "layer_name"}
    assert None not in dataclasses.astuple(file.prior)


def test_command_line_codes(city, tmp_path):
    """Code 1 with lots for a person, 2 with bad input, 3 where the output cannot be written."""
    path = write_city(city, tmp_path)
    runner = CliRunner()
    done = runner.invoke(cli, ["city", str(path), "--out", str(tmp_path / "out.gpkg")])
    assert done.exit_code == 1
    assert "lots worked out" in done.stdout
    bad = runner.invoke(cli, ["city", str(path), "--out", str(tmp_path / "out.txt")])
    assert bad.exit_code == 2
    assert "output-kind" in bad.stderr
    (tmp_path / "folder.gpkg").mkdir()
    refused = runner.invoke(cli, ["city", str(path), "--out", str(tmp_path / "folder.gpkg")])
    assert refused.exit_code == 3


def test_rows_shared_out_by_ranges_give_the_same(city, reference, tmp_path, monkeypatch):
    """A city of more lots than are sorted at once has the same rows in the same order."""
    path, out, _ = reference
    monkeypatch.setattr(import_module("sitegis.city.in_order"), "LOTS_AT_ONCE", 17)
    monkeypatch.setattr(import_module("sitegis.city.assemble"), "LOTS_AT_ONCE", 17)
    config = path.read_text("utf-8")
    small = path.with_name("SMALL.toml")
    small.write_text(re.sub(r"lots_per_chunk = \d+", "lots_per_chunk = 10", config), "utf-8")
    run_city(small, tmp_path / "again.gpkg")
    first, second = (
        {name: layer(file, name).drop(columns="geometry") for name in LAYERS - {"notes"}}
        for file in (out, tmp_path / "again.gpkg")
    )
    for name, rows in first.items():
        pd.testing.assert_frame_equal(rows, second[name], check_exact=True)
    lots = layer(tmp_path / "again.gpkg", "lots")
    assert lots.geometry.to_wkb().equals(layer(out, "lots").geometry.to_wkb())
