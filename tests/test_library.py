"""The public face: its names, its frames, its equality, its reference and its examples."""

from __future__ import annotations

import copy
import json
import runpy
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, get_type_hints

import folium
import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from numpydoc.validate import validate

import sitegis
from sitegis import pipeline
from sitegis.dig import plan_dig
from sitegis.library import answer_types as library_types
from sitegis.score import suppose
from tests import answer_types

ROOT = Path(__file__).parent.parent
CORNER, TAPE = (ROOT / "fixtures" / name for name in ("corner-lot-alley", "tape-only"))
PUBLIC = {
    "BadInput", "CannotWrite", "Check", "ComputationError", "Fault", "Notice", "Result", "Site",
    "__version__", "check", "city", "read", "run",
}  # fmt: skip


@pytest.fixture(scope="module")
def result() -> sitegis.Result:
    """Compute the corner lot once."""
    return sitegis.run(CORNER)


def test_public_names_are_these_and_no_more() -> None:
    """Adding or losing a public name is a decision, not an accident."""
    assert set(sitegis.__all__) == PUBLIC == set(dir(sitegis))
    assert all(getattr(sitegis, name) is not None for name in PUBLIC)


def test_stages_do_not_hide_the_functions_of_their_name() -> None:
    """``sitegis.read`` is the function, whatever was imported before."""
    code = (
        "import sitegis.pipeline, sitegis.city, sitegis.read, sitegis\n"
        "from sitegis.read import read_site\n"
        f"assert sitegis.read({str(TAPE)!r}).name == 'Invented tape-only house'\n"
        "assert sitegis.city.__name__ == 'city' and callable(sitegis.city)\n"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True)


def test_import_alone_loads_no_library() -> None:
    """Numbers, shapes and tables are paid for when they are asked for."""
    code = (
        "import sitegis, sys\n"
        "print([n for n in ('numpy', 'shapely', 'pandas', 'folium', 'pyproj') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert done.stdout.strip() == "[]"


def test_frames_hold_what_the_geojson_holds(result: sitegis.Result, tmp_path: Path) -> None:
    """Each frame, taken to longitude and latitude by pyproj, is its layer of lateral.geojson."""
    result.write(tmp_path)
    written = gpd.read_file(tmp_path / "lateral.geojson", engine="fiona")
    frames = result.to_gdf()
    for layer, found in written.groupby("layer", sort=False):
        frame = frames[layer]
        assert frame.crs == pyproj.CRS(result.answer["crs"])
        moved = frame.to_crs("EPSG:4326").geometry
        apart = shapely.hausdorff_distance(moved.to_numpy(), found.geometry.to_numpy())
        assert apart.max() < 5e-8, layer  # degrees: written with 8 decimals, about 1 mm
        assert list(frame["id"]) == list(found["id"])


def test_columns_have_one_type_each(result: sitegis.Result) -> None:
    """Text is text, flags are boolean, numbers are numbers even where one is missing."""
    locate, main = result.to_gdf("locate").dtypes, result.to_gdf("main").dtypes
    assert locate["depth_m"] == locate["sd_major_m"] == main["diameter_m"] == np.float64
    assert str(locate["distorted"]) == str(main["invert_known"]) == "boolean"
    assert str(locate["id"]) == "string"
    assert str(result.to_gdf("pit").dtypes["rank"]) == "Int64"


def test_a_layer_that_is_not_there_is_named(result: sitegis.Result) -> None:
    """The message lists those that are."""
    with pytest.raises(KeyError, match=r"no layer 'pipes' here; there are: lot, building, main"):
        result.to_gdf("pipes")


def test_answer_is_the_file(result: sitegis.Result, tmp_path: Path) -> None:
    """What the library gives is what answer.json holds."""
    result.write(tmp_path)
    assert json.loads((tmp_path / "answer.json").read_text("utf-8")) == result.answer


def test_the_answer_is_typed_as_its_schema_says(result: sitegis.Result) -> None:
    """The types are what the schema gives, and known to whoever reads ``result.answer``."""
    assert answer_types.MODULE.read_text("utf-8") == answer_types.module_text()
    told = get_type_hints(sitegis.Result.answer.fget, {"Answer": library_types.Answer})["return"]
    assert get_type_hints(told)["exit"] is library_types.Exit
    assert get_type_hints(library_types.Exit)["azimuth_deg"] is float
    assert set(result.answer) <= set(get_type_hints(told))


def test_schema_2_keeps_what_schema_1_held(result: sitegis.Result) -> None:
    """A member with a newer name beside it holds the same; the schema names the pair."""
    pairs = dict(old_members(json.loads(answer_types.SCHEMA.read_text("utf-8"))))
    assert pairs["arrival_above_main_m"] == "drop_at_main_m"
    assert pairs["w"] == "standardized_residual"
    seen = set()
    for table in tables_in(json.loads(json.dumps(result.answer))):
        for old in pairs.keys() & table.keys():
            assert table[old] == table[pairs[old]]
            seen.add(old)
    assert seen == set(pairs)


def old_members(schema: Any) -> Iterator[tuple[str, str]]:
    """Yield the members that a schema calls the old name of another."""
    for table in tables_in(schema):
        for name, part in table.items():
            words = part.get("description", "") if isinstance(part, dict) else ""
            if str(words).startswith("old name of "):
                yield name, words.removeprefix("old name of ")


def tables_in(value: Any) -> Iterator[dict[str, Any]]:
    """Yield every object of a JSON value."""
    if isinstance(value, dict):
        yield value
    for inside in value.values() if isinstance(value, dict) else value:
        if isinstance(inside, dict | list):
            yield from tables_in(inside)


def test_results_are_equal_by_what_they_say(result: sitegis.Result) -> None:
    """Equal content is an equal result; another prior, or a mere check, is another one.

    That the same folder gives the same content is tested with the answers.
    """
    assert result == copy.deepcopy(result)
    survey = result.survey
    otherwise = replace(suppose(survey, priors={"alley": 0.9}), found=None)
    assert result != sitegis.Result(plan_dig(otherwise))
    checked = sitegis.check(CORNER)
    assert checked == sitegis.check(CORNER)
    assert checked != result
    with pytest.raises(TypeError, match="unhashable"):
        hash(result)


def test_repr_is_one_short_line(result: sitegis.Result) -> None:
    """A notebook shows the name and the headline, never arrays."""
    assert repr(result).startswith("<sitegis.Result 'Invented corner lot")
    assert (
        repr(sitegis.check(TAPE)) == "<sitegis.Check 'Invented tape-only house': 6 locate points>"
    )
    assert max(len(repr(result)), len(repr(result.survey))) < 160
    assert "inferred, not located" in result._repr_html_()


def test_inferred_is_dashed_on_the_map(result: sitegis.Result) -> None:
    """Each feature's style is asked of folium's own layers."""
    shown = result.explore("route", "main")
    layers = [
        layer
        for group in shown._children.values()
        if isinstance(group, folium.FeatureGroup)
        for layer in group._children.values()
        if isinstance(layer, folium.GeoJson)
    ]
    dashes = {
        layer.layer_name: {layer.style_function(one)["dashArray"] for one in layer.data["features"]}
        for layer in layers
    }
    assert dashes == {"route": {"8 6"}, "main": {None}}


def test_bad_input_is_raised_with_every_fault(tmp_path: Path) -> None:
    """The library's errors carry the same report as the terminal's."""
    (tmp_path / "site.toml").write_text("[site]\nunits = 'furlongs'\n", "utf-8")
    with pytest.raises(sitegis.BadInput) as raised:
        sitegis.read(tmp_path)
    assert len(raised.value.faults) > 1
    assert all(isinstance(fault, sitegis.Fault) for fault in raised.value.faults)


DOCUMENTED = [
    *(
        f"sitegis.library.functions.{name}"
        for name in ("read", "check", "run", "city", "Check", "Result")
    ),
    *(
        f"sitegis.library.functions.Result.{name}"
        for name in ("to_gdf", "explore", "summary", "write", "answer")
    ),
]


@pytest.mark.parametrize("name", DOCUMENTED)
def test_docstrings_are_whole(name: str) -> None:
    """Hold each against numpydoc's own rules: parameters, returns, types, order of sections."""
    # waived: see-also, examples, extended summaries; a member's own returns
    waived = ["ES01", "SA01", "EX01", "GL01", "GL08", "RT01", "RT03", "RT05"]
    said = [error for error in validate(name)["errors"] if error[0] not in waived]
    assert not said


def test_reference_builds_without_a_warning(tmp_path: Path) -> None:
    """Sphinx turns the docstrings into pages; a warning of its is a failure."""
    command = [sys.executable, "-m", "sphinx", "-W", "-q", "-b", "html"]
    subprocess.run([*command, str(ROOT / "tests" / "reference"), str(tmp_path)], check=True)
    page = (tmp_path / "index.html").read_text("utf-8")
    assert all(f'id="sitegis.{name}"' in page for name in PUBLIC - {"__version__"})


@pytest.mark.parametrize(
    ("script", "arguments", "expected"),
    [
        ("exits_on_one_map", ["{out}/sites", "{out}/exits.html"], "Invented side-yard house"),
        ("front_or_rear", ["fixtures/tape-only"], "without tap_record"),
        ("lots_to_visit", ["fixtures/invented-town/CITY.toml", "{out}/town.gpkg"], "entropy_bits"),
    ],
)
def test_examples_run(
    script: str,
    arguments: list[str],
    expected: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Each worked example runs as it stands and prints what it promises."""
    for site in ("side-yard-run", "tape-only"):
        shutil.copytree(ROOT / "fixtures" / site, tmp_path / "sites" / site)
    path = str(ROOT / "tests" / "examples" / f"{script}.py")
    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(sys, "argv", [path, *(each.format(out=tmp_path) for each in arguments)])
    runpy.run_path(path, run_name="__main__")
    assert expected in capsys.readouterr().out
    if script == "exits_on_one_map":
        assert (tmp_path / "exits.html").read_text("utf-8").count("L.geoJson(") == 2


def test_surveys_are_equal_by_content() -> None:
    """Two surveys of one folder are equal; one array element apart, they are not."""
    one, other = (pipeline.check(TAPE) for _ in range(2))
    assert one == other
    moved = one.drain.vertices + np.array([0.0, 1e-9])
    assert one != replace(other, fitted=replace(other.drain, vertices=moved))


def test_checks_of_one_folder_are_equal_and_of_a_changed_one_are_not(tmp_path: Path) -> None:
    """The folder's place and name are no part; a tenth of an inch of one depth is."""
    folder = shutil.copytree(TAPE, tmp_path / "elsewhere")
    first, same = sitegis.check(TAPE), sitegis.check(folder)
    rows = (folder / "locates.csv").read_text("utf-8")
    (folder / "locates.csv").write_text(rows.replace("22.5,12.0", "22.6,12.0"), "utf-8")
    changed = sitegis.check(folder)
    assert first == same
    assert first.survey == same.survey
    assert first != changed
    assert first.survey != changed.survey
