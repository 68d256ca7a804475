"""What each command imports: a fresh interpreter's own list of modules that were executed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jinja2
import pytest

from sitegis.write.page.html import BesideModules

FIXTURES = Path(__file__).parents[1] / "fixtures"
HEAVY = {
    "ezdxf", "fiona", "folium", "geopandas", "jinja2", "numpy", "openpyxl", "pandas", "pydantic",
    "pyproj", "reportlab", "scipy", "shapely",
}  # fmt: skip
SHOW_MODULES = """
import json, sys
from sitegis.cli.main import main
try:
    main(sys.argv[1:])
except SystemExit as left:
    assert left.code in (0, 1, None), left.code
ran = [name for name, module in sys.modules.items() if type(module).__name__ != "_LazyModule"]
print("\\n" + json.dumps(sorted(ran)))
"""


def modules_of(*arguments: str) -> set[str]:
    """Run one command in a process of its own; give the modules it has imported."""
    command = [sys.executable, "-c", SHOW_MODULES, *arguments]
    ended = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(json.loads(ended.stdout.splitlines()[-1]))


@pytest.mark.parametrize("command", ["", "run", "check", "city", "start"])
def test_no_help_waits_for_a_library(command: str) -> None:
    arguments = [command, "--help"] if command else ["--help"]
    assert not modules_of(*arguments) & HEAVY


def test_start_needs_no_library(tmp_path: Path) -> None:
    assert not modules_of("start", str(tmp_path / "new")) & HEAVY


def test_check_imports_what_it_reads_with(tmp_path: Path) -> None:
    loaded = modules_of("check", str(FIXTURES / "tape-only"))
    assert "numpy" in loaded  # the list tells what was imported
    late = {"scipy.stats", "scipy.optimize", "pandas", "folium", "ezdxf", "reportlab", "openpyxl"}
    assert not loaded & late


def test_run_imports_neither_statistics_nor_spreadsheets(tmp_path: Path) -> None:
    loaded = modules_of("run", str(FIXTURES / "tape-only"), "--out", str(tmp_path / "out"))
    assert {"folium", "ezdxf", "reportlab"} <= loaded
    late = {"geopandas", "openpyxl", "pandas", "requests", "scipy.optimize", "scipy.stats"}
    # parts of libraries that write documentation, parse queries, list tiles or load them
    parts = {"scipy.special._basic", "pyparsing.core", "xyzservices.lib", "http.client"}
    parts.add("numpy.ma.core")
    assert not loaded & {*late, *parts, "sitegis.city"}


SHOW_TEMPLATES = """
import jinja2
from sitegis.cli.deferred import Late, defer_templates
at_once = jinja2.Template("{% macro name() %}{{ 1 }}{% endmacro %}{{ 1 + 1 }}")
defer_templates()
import folium
late = jinja2.Template("{% macro name() %}{{ 1 }}{% endmacro %}{{ 1 + 1 }}")
assert isinstance(late, Late) and "made" not in vars(late)
assert late.render() == at_once.render() == "2"
assert [*late.module.__dict__] == [*at_once.module.__dict__]
unused = folium.GeoJson._template
assert isinstance(unused, Late) and "made" not in vars(unused)
"""


def test_templates_that_a_map_does_not_use_are_not_compiled() -> None:
    subprocess.run([sys.executable, "-c", SHOW_TEMPLATES], check=True)


SHOW_EXIT = """
import atexit, sys
from sitegis.cli.main import main
atexit.register(print, "last words")
sys.argv = ["sitegis", *sys.argv[1:]]
sys.stderr.write("no line end")
main()
"""


@pytest.mark.parametrize(("site", "code"), [("tape-only", 0), ("no-such-folder", 2)])
def test_a_process_ends_as_python_ends_one(site: str, code: int) -> None:
    command = [sys.executable, "-c", SHOW_EXIT, "check", str(FIXTURES / site)]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ended.returncode == code
    assert ended.stdout.endswith("last words\n")
    assert "no line end" in ended.stderr


SHOW_DEFERRED = """
import sys
from sitegis.cli.deferred import Late, defer_unused
defer_unused()
import branca.colormap, ezdxf, ezdxf.queryparser, folium, scipy.special, urllib.request
from importlib.metadata import entry_points
from branca.colormap import ColorMap
from reportlab.platypus import paragraph
ndtr = scipy.special.ndtr
assert not {"scipy.special._basic", "pyparsing.core", "http.client", "email"} & {*sys.modules}

# functions and names that are asked for later
assert scipy.special.factorial(4) == 24 and "zeta" in scipy.special.__all__
assert scipy.special.ndtr is ndtr is scipy.special._ufuncs.ndtr
assert urllib.request.Request("https://example.org/a").host == "example.org"
assert not entry_points(group="of nobody")
for module in (scipy.special, branca.colormap):
    try:
        module.no_such_name
    except AttributeError as error:
        assert module.__name__ in str(error)
    else:
        raise AssertionError

# classes: of what they make, and as parents
assert isinstance(ColorMap, Late) and isinstance(branca.colormap.linear.Set1_03, ColorMap)
assert not isinstance(1, ColorMap)
class Mine(ColorMap):
    pass
assert branca.colormap.ColorMap in Mine.__mro__ and isinstance(Mine(), ColorMap)
assert folium.LinearColormap(["red", "blue"]).rgba_hex_str(0.0) == "#ff0000ff"
assert isinstance(folium.TileLayer("OpenStreetMap"), folium.TileLayer)

# masked arrays: none is while nobody asks for one
import numpy
assert numpy.median([3.0, 1.0]) == 2.0 and [*numpy.unique([2, 1, 2])] == [1, 2]
assert "numpy.ma.core" not in sys.modules
some = numpy.ma.masked_array([1, 2], [0, 1])
assert numpy.ma.is_masked(some) and not numpy.ma.isMaskedArray(some.data)

# patterns, and errors
assert isinstance(paragraph.uri_pat, Late) and "made" not in vars(paragraph.uri_pat)
assert paragraph.uri_pat.match("https://example.org/a") and not paragraph.uri_pat.match("a b")
drawing = ezdxf.new()
drawing.modelspace().add_circle((0, 0), 1)
drawing.modelspace().add_line((0, 0), (1, 1))
assert [one.dxftype() for one in drawing.query("CIRCLE")] == ["CIRCLE"]
try:
    drawing.query("[[")
except Exception as error:
    assert isinstance(error, __import__("pyparsing").ParseException), error
else:
    raise AssertionError
"""


def test_what_waits_is_whole_when_it_is_asked_for() -> None:
    subprocess.run([sys.executable, "-c", SHOW_DEFERRED], check=True)


def test_a_page_is_compiled_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def render(folder: Path) -> str:
        loader = jinja2.DictLoader({"page": "{{ 1 + 1 }}"})
        cache = BesideModules(str(folder))
        return jinja2.Environment(loader=loader, bytecode_cache=cache).get_template("page").render()

    # where Python may not write either, a page is made all the same
    assert render(tmp_path / "missing") == "2"
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert render(tmp_path) == "2"
    assert not [*tmp_path.iterdir()]
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    assert render(tmp_path) == "2"
    assert [*tmp_path.iterdir()]
    monkeypatch.setattr(jinja2.Environment, "_generate", None)  # compiles no more
    assert render(tmp_path) == "2"
