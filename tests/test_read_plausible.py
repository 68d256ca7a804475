"""Heights, directions and places that contradict each other: spoiled fixtures with known truth.

The fixtures are sound (their truths stand in ``tests/truth``); each slip is an arithmetical one
(a floor of 9 ft, 12°, a neighboring zone of the EPSG registry), so what must be seen is known.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import fiona
import pytest

from sitegis.messages.errors import BadInput
from sitegis.read import read_site

FIXTURES = Path(__file__).parents[1] / "fixtures"
HEIGHTS = {
    "yard-against-streets",
    "slab-against-yard",
    "slab-against-sea",
    "covers-against-streets",
    "mains-against-streets",
}
DIRECTIONS = {"front-line-turned", "street-in-lot", "lot-outside-crs", "lot-far-from-corner"}
SOUND = ("corner-lot-alley", "tape-only", "side-yard-run", "metric-rear-main")


def spoiled(folder: Path, fixture: str, *changes: tuple[str, str]) -> Path:
    """Copy a fixture and change its ``site.toml`` by regular expressions, each at least once."""
    shutil.copytree(FIXTURES / fixture, folder)
    text = (folder / "site.toml").read_text()
    for pattern, new in changes:
        text, count = re.subn(pattern, lambda _, new=new: new, text)  # type: ignore[misc]
        assert count, pattern
    (folder / "site.toml").write_text(text)
    return folder


def told(folder: Path) -> set[str]:
    """Return the codes that need a person, of notices or of faults."""
    try:
        survey = read_site(folder)
    except BadInput as error:
        return {fault.code for fault in error.faults}
    return {notice.code for notice in survey.notices if notice.needs_person}


@pytest.mark.parametrize("fixture", SOUND)
def test_sound_sites_are_left_in_peace(fixture: str) -> None:
    """No height or direction of a sound site is doubted."""
    assert not told(FIXTURES / fixture) & (HEIGHTS | DIRECTIONS)


DEPTH_BLUNDERS = [
    # the yard 6 ft lower than it is, the streets as they are
    ("corner-lot-alley", r"(?m)^ground_above_slab = \"6'10\\\"\"", "ground_above_slab = \"10 in\"",
     "yard-against-streets"),
    ("tape-only", r"ground_above_slab = \"6'6\\\"\"", "ground_above_slab = \"6 in\"",
     "yard-against-streets"),
    ("metric-rear-main", r"ground_above_slab = 1.95", "ground_above_slab = 0.12",
     "yard-against-streets"),
    # 6.5 m written for 6.5 ft; the slab above the yard
    ("side-yard-run", r"ground_above_slab = \"5'8\\\"\"", "ground_above_slab = \"5.67m\"",
     "slab-against-yard"),
    ("side-yard-run", r"ground_above_slab = \"5'8\\\"\"", "ground_above_slab = \"-1'\"",
     "slab-against-yard"),
    # the first floor's slab, 9 ft up
    ("corner-lot-alley", r"slab_elevation = 583.20", "slab_elevation = 592.20",
     "slab-against-sea"),
    ("corner-lot-alley", r"slab_elevation = 583.20", "slab_elevation = 592.20",
     "mains-against-streets"),
    ("metric-rear-main", r"slab_elevation = 229.40", "slab_elevation = 232.14",
     "slab-against-sea"),
    ("metric-rear-main", r"slab_elevation = 229.40", "slab_elevation = 232.14",
     "mains-against-streets"),
    # a longitude without its minus, a latitude a degree off in a grid of narrow use
    ("side-yard-run", "longitude = -87.6512", "longitude = 87.6512", "crs-unfit"),
    ("tape-only", "longitude = -93.4102", "longitude = 93.4102", "place-outside-rules"),
    # the house fronts the other way: the sewers of the layers lie on the other sides
    ("metric-rear-main", "front_azimuth = 103.5", "front_azimuth = 283.5", "street-side"),
]  # fmt: skip


@pytest.mark.parametrize(("fixture", "old", "new", "code"), DEPTH_BLUNDERS)
def test_slip_is_told(fixture: str, old: str, new: str, code: str, tmp_path: Path) -> None:
    """Each slip is told in its own words and needs a person, or is a fault."""
    assert code in told(spoiled(tmp_path / "site", fixture, (old, new)))


def test_layers_of_a_neighboring_zone(tmp_path: Path) -> None:
    """A parcel layer that carries Illinois West (EPSG 3436) instead of East: 547 km away."""
    folder = spoiled(tmp_path / "site", "corner-lot-alley", ("EPSG:3435", "EPSG:3436"))
    package = folder / "layers" / "town.gpkg"
    moved = tmp_path / "moved.gpkg"
    for name in fiona.listlayers(package):
        with fiona.open(package, layer=name) as source:
            schema, rows = source.schema, [dict(row.__geo_interface__) for row in source]
        with fiona.open(
            moved, "w", layer=name, driver="GPKG", schema=schema, crs="EPSG:3436"
        ) as sink:
            sink.writerecords(
                [{key: row[key] for key in ("type", "geometry", "properties")} for row in rows]
            )
    shutil.move(moved, package)
    assert "lot-outside-crs" in told(folder)


TYPED_LOT = """[lot]
longitude = {longitude}
latitude = {latitude}
front_azimuth = {azimuth}
sides = {{ front = "50'", right = "125'", rear = "50'", left = "125'" }}
"""


def typed_lot(folder: Path, *, turned_deg: float) -> set[str]:
    """Type the corner lot of a fixture beside its layers, turned about its front-left corner."""
    survey = read_site(FIXTURES / "corner-lot-alley")
    frame = survey.site.frame
    longitude, latitude = frame.to_lonlat(survey.site.lot.vertices[0])
    text = TYPED_LOT.format(
        longitude=f"{longitude:.8f}",
        latitude=f"{latitude:.8f}",
        azimuth=f"{(frame.x_azimuth_deg + turned_deg) % 360.0:.3f}",
    )
    return told(
        spoiled(folder, "corner-lot-alley", (r"(?s)\[lot\].*?front_street = [^\n]*\n", text))
    )


def test_typed_front_line_against_layers(tmp_path: Path) -> None:
    """A front line as it is passes; turned by 12, 90 or 180° the layers contradict it."""
    assert not typed_lot(tmp_path / "0", turned_deg=0.0) & DIRECTIONS
    assert "front-line-turned" in typed_lot(tmp_path / "12", turned_deg=12.0)
    for turned_deg in (90.0, 180.0, 270.0):
        told_of = typed_lot(tmp_path / f"{turned_deg:g}", turned_deg=turned_deg)
        assert told_of & {"street-in-lot", "front-line-turned", "building-outside"}, turned_deg


@pytest.mark.parametrize(("slab", "off"), [("229.40", False), ("232.14", True)])
def test_covers_against_streets(slab: str, off: bool, tmp_path: Path) -> None:
    """A cover 1.9 m above the basement slab lies in its street; 2.74 m lower it does not."""
    folder = spoiled(
        tmp_path / "site",
        "metric-rear-main",
        (r"offset_along = -31.0", "offset_along = -31.0, rim = 231.30"),
        (r"slab_elevation = 229.40", f"slab_elevation = {slab}"),
    )
    assert ("covers-against-streets" in told(folder)) is off
