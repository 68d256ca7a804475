"""The blank folder: it parses, asks to be filled in, and never overwrites."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pyproj import Proj

from sitegis.messages.errors import BadInput
from sitegis.read import read_site, start_site
from sitegis.read.evidence_form import evidence_tables
from sitegis.units import parse_length
from tests.read_folder import LOCATES


@pytest.mark.parametrize("units", ["ft", "in", "m", "mm"])
def test_blank_folder_asks_to_be_filled_in(tmp_path: Path, units: str) -> None:
    """A blank folder parses and has no faults but what is to be filled in and the empty table."""
    written = start_site(tmp_path / "new", units)
    assert {path.name for path in written} == {
        "site.toml",
        "locates.csv",
        "ties.csv",
        "findings.csv",
        "README.txt",
    }
    table = tomllib.loads((tmp_path / "new" / "site.toml").read_text("utf-8"))
    assert table["site"]["units"] == units
    with pytest.raises(BadInput) as caught:
        read_site(tmp_path / "new")
    assert {fault.code for fault in caught.value.faults} == {"fill-me-in", "no-rows"}


def test_filled_in_it_reads(tmp_path: Path) -> None:
    """With every FILL ME IN answered and rows written the folder reads."""
    folder = tmp_path / "new"
    start_site(folder)
    answers = iter([
        '"Invented"', '"us-upc"', '"50 ft"', '"125 ft"', '"50 ft"', '"125 ft"', "-87.5", "41.2",
        "84.2", '"25 ft"', '"6 ft"', '"26 ft"', '"44 ft"', '"12 in"', '"Laundry"', '"First"',
        '"First"',
    ])  # fmt: skip
    text = (folder / "site.toml").read_text("utf-8")
    body = "\n".join(
        line if line.startswith("#") else re.sub(r'"FILL ME IN"', lambda _: next(answers), line)
        for line in text.splitlines()
    )
    (folder / "site.toml").write_text(body, encoding="utf-8")
    (folder / "locates.csv").write_text(LOCATES, encoding="utf-8")
    assert read_site(folder).site.rule_set == "us-upc"


def test_every_commented_line_is_a_known_key(tmp_path: Path) -> None:
    """The keys that the comments explain are the keys that are read."""
    start_site(tmp_path / "new")
    path = tmp_path / "new" / "site.toml"
    text = path.read_text("utf-8")
    start = text.index("# [[wall]]")
    commented = re.sub(r"(?m)^# ?(?=(\[|[a-z_]+ = ))", "", text[start:])
    head = text[:start].replace('"FILL ME IN"', '"10 ft"').replace('"us-ipc', '"us-ipc')
    path.write_text(head + commented.replace('"FILL ME IN"', '"First"'), encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        read_site(tmp_path / "new")
    codes = {fault.code for fault in caught.value.faults}
    assert not codes & {"key-unknown", "key-missing", "toml-syntax", "length-unreadable"}, str(
        caught.value
    )


def test_start_never_overwrites(tmp_path: Path) -> None:
    """Where a file is there already nothing is written."""
    (tmp_path / "ties.csv").write_text("mine")
    with pytest.raises(BadInput, match="there already"):
        start_site(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["ties.csv"]
    assert (tmp_path / "ties.csv").read_text() == "mine"


def test_start_refuses_unknown_units(tmp_path: Path) -> None:
    """A unit that is not known is refused before anything is written."""
    with pytest.raises(BadInput, match="not known"):
        start_site(tmp_path / "new", "yd")
    assert not (tmp_path / "new").exists()


def started(folder: Path, lot: str) -> Path:
    """Fill a blank folder in, its lot by the lines of a commented example."""
    start_site(folder)
    text = (folder / "site.toml").read_text("utf-8")
    before, _, rest = text.partition("\n[lot]\n")
    _, _, after = rest.partition("\n# ---")
    answers = iter([
        '"Invented"', '"us-upc"', '"25 ft"', '"6 ft"', '"26 ft"', '"44 ft"', '"12 in"', '"Laundry"',
        '"First"', '"First"',
    ])  # fmt: skip
    body = f"{before}\n[lot]\n{lot}\n# ---{after}"
    body = "\n".join(
        line if line.startswith("#") else re.sub(r'"FILL ME IN"', lambda _: next(answers), line)
        for line in body.splitlines()
    )
    (folder / "site.toml").write_text(body, encoding="utf-8")
    (folder / "locates.csv").write_text(LOCATES, encoding="utf-8")
    return folder


def lines_of(folder: Path, *starts: str) -> str:
    """Return commented lines of the blank lot, the '#' taken away."""
    start_site(folder)
    text = (folder / "site.toml").read_text("utf-8")
    bare = [line.removeprefix("# ") for line in text.splitlines()]
    return "\n".join(next(line for line in bare if line.startswith(start)) for start in starts)


def test_the_explained_second_corner_works(tmp_path: Path) -> None:
    """Two corners stand in place of the front line's bearing, as the template says."""
    lot = lines_of(tmp_path / "blank", "second_corner = ")
    lot += (
        '\nsides = {front = "50 ft", right = "125 ft", rear = "50 ft", left = "125 ft"}'
        "\nlongitude = -87.5\nlatitude = 41.2"
    )
    site = read_site(started(tmp_path / "new", lot)).site
    assert site.frame.x_azimuth_deg == pytest.approx(90.0, abs=1.0)


def test_the_explained_calls_take_magnetic_bearings(tmp_path: Path) -> None:
    """Calls marked magnetic before or behind turn by declination and convergence (pyproj's)."""
    keys = lines_of(tmp_path / "blank", "declination = ", "corner_sd = ")
    calls = [
        ("mag N 81-40 E", "40.00 ft", "front"),
        ("N 8-20 W (mag)", "120.00 ft", "right"),
        ("mag S 81-40 W", "40.00 ft", "rear"),
        ("S 8-20 E mag.", "120.00 ft", "left"),
    ]
    rows = ",".join(f'{{bearing = "{b}", distance = "{d}", side = "{s}"}}' for b, d, s in calls)
    lot = f"longitude = -87.5\nlatitude = 41.2\n{keys}\ncalls = [{rows}]"
    site = read_site(started(tmp_path / "new", lot)).site
    convergence_deg = Proj("EPSG:32616").get_factors(-87.5, 41.2).meridian_convergence
    expected_deg = 81 + 40 / 60 - 3.5 - convergence_deg
    assert site.frame.x_azimuth_deg == pytest.approx(expected_deg, abs=1e-4)
    assert site.lot.area_m2 == pytest.approx(40 * 120 * 0.3048**2, rel=1e-3)


def test_a_metric_blank_has_metric_examples(tmp_path: Path) -> None:
    """Each is the one in feet or inches to 6 cm, or 2 %; none is left in feet."""
    texts = []
    for units in ("ft", "m"):
        start_site(tmp_path / units, units)
        texts.append((tmp_path / units / "site.toml").read_text("utf-8").split("\n[site]\n"))
    (head, imperial), (metric_head, metric) = texts
    assert metric_head == head
    assert not re.search(r"\d (ft|in)\b", metric)
    quoted = re.compile(r'"-?[\d.]+ (?:ft|in|m|mm)"')
    pairs = list(zip(quoted.findall(imperial), quoted.findall(metric), strict=True))
    assert len(pairs) > 50
    for old, new in pairs:
        assert parse_length(new[1:-1], "m") == pytest.approx(
            parse_length(old[1:-1], "ft"), abs=0.06, rel=0.02
        )


def test_the_copy_for_blank_sites_is_what_the_kinds_of_evidence_say() -> None:
    """Where it is not: python -m sitegis.read.evidence_form > its file."""
    template = Path(__file__).parents[1] / "sitegis" / "read" / "template" / "evidence.toml"
    assert template.read_text("utf-8").rstrip() == evidence_tables()
