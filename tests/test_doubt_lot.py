"""Other readings of heights, lot and place on earth: whole folders whose truth is known.

:mod:`tests.drawn_folders` draws them and :mod:`tests.folder_slips` spoils them, both apart from
the package; places on earth are checked by pyproj. Rates: ``tests/benchmarks/doubt_folders.txt``.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer

from sitegis.doubt.depths import leading_main
from sitegis.doubt.weigh import Penetration
from sitegis.model.doubts import OtherReading
from sitegis.model.survey import Survey
from sitegis.to_the_wall import check
from tests.benchmarks.doubt_folders import follow
from tests.drawn_folders import draw_folder
from tests.folder_slips import ZONES, make_slip

FIXTURES = Path(__file__).parents[1] / "fixtures"


def spoiled(seed: int, kind: str) -> tuple[Survey, set[str]]:
    slip = make_slip(draw_folder(seed), kind, np.random.default_rng(seed))
    assert slip is not None
    survey, codes = follow(slip.drawn)
    assert survey is not None
    return survey, codes


def likeliest(survey: Survey) -> OtherReading:
    return next(one for one in survey.doubt.readings if one.likely)


def test_ground_off_at_the_house_deepens_the_pit() -> None:
    """6 ft too low against the streets: said, with the height that a level would show."""
    drawn = draw_folder(1000)
    survey, codes = spoiled(1000, "ground 6 ft lower")
    one, settle = likeliest(survey), survey.doubt.settle
    assert "other-reading" in codes
    assert one.kind == "ground"
    assert one.deeper_m == pytest.approx(1.83, abs=0.1)
    assert survey.doubt.p_elsewhere > 0.5
    assert settle is not None
    yard_m = drawn.file["site"]["ground_above_slab"] * drawn.unit_m
    expected = dict(zip(settle.readings, settle.expected_m, strict=True))
    assert expected[one.id] == pytest.approx(yard_m, abs=0.3)
    assert expected["stated"] == pytest.approx(yard_m - 1.83, abs=0.3)


@pytest.mark.parametrize("seed", [1001, 1006, 1008])
def test_a_turned_front_line_is_named_by_its_azimuth(seed: int) -> None:
    """12° off the layers' directions: the azimuth before the slip comes out, and a compass asked.

    The drawn mains run along the lot lines; the reading turns the exit about the corner typed.
    """
    survey, codes = spoiled(seed, "front line 12°")
    one, settle = likeliest(survey), survey.doubt.settle
    assert "other-reading" in codes
    assert one.kind == "front"
    right = draw_folder(seed).file["lot"]["front_azimuth"]
    assert f"the front line runs at {right:.0f}°" in one.words
    away = np.hypot(survey.exit.x_m, survey.exit.y_m)
    assert one.moved_m == pytest.approx(2.0 * away * np.sin(np.radians(6.0)), rel=0.05)
    assert settle is not None
    assert settle.start == "front line"


def test_a_moved_house_is_told_by_the_lot_line_and_a_pipe_outdoors() -> None:
    """5 m aside over the lot line: the tape asked for differs by what the readings move it."""
    survey, codes = spoiled(1008, "house moved")
    one, settle = likeliest(survey), survey.doubt.settle
    assert "other-reading" in codes
    assert one.kind == "place"
    assert settle is not None
    assert settle.start.startswith("building:")
    assert settle.end.startswith("lot:")
    expected = dict(zip(settle.readings, settle.expected_m, strict=True))
    assert abs(expected[one.id] - expected["stated"]) > 0.2


def test_the_slab_of_another_floor_is_named() -> None:
    """A floor (2.74 m) too high against covers, streets and the sea: level to a cover, or so."""
    survey, codes = spoiled(1007, "slab of the first floor")
    one, settle = likeliest(survey), survey.doubt.settle
    assert "other-reading" in codes
    assert one.id == "slab:-2.7"
    assert settle is not None
    expected = dict(zip(settle.readings, settle.expected_m, strict=True))
    assert expected[one.id] - expected["stated"] == pytest.approx(2.74)


def test_the_main_it_leads_to_is_one_it_can_fall_to() -> None:
    """Of two mains ahead the nearer lies above the drain: it leads to the farther one."""
    survey = check(FIXTURES / "corner-lot-alley")
    exit, site = survey.exit, survey.site
    penetration = Penetration(exit.x_m, exit.y_m, exit.angle_rad, exit.side, 0.0, 0.0)
    first = leading_main(site, penetration, exit.invert_m)
    assert first is not None
    assert leading_main(site, penetration, exit.invert_m, rise_m=0.0) == first
    high = replace(first, inverts_m=first.inverts_m + 6.0, invert_known=True)
    mains = tuple(high if main.id == first.id else main for main in site.mains)
    other = leading_main(replace(site, mains=mains), penetration, exit.invert_m)
    assert other is not None
    assert other.id != first.id


@pytest.mark.parametrize("grid", ["EPSG:3435", "EPSG:26916"])
def test_the_zone_that_holds_the_typed_corner_is_named(grid: str) -> None:
    """Layers in a neighboring zone, and a corner typed (by pyproj from the true zone)."""
    seed = next(
        seed
        for seed in range(1000, 1200)
        if (drawn := draw_folder(seed)).grid == grid and "parcels" in drawn.layers
    )
    drawn = draw_folder(seed)
    to_degrees = Transformer.from_crs(grid, "EPSG:4326", always_xy=True)
    corner = drawn.layers["parcels"]["17"].mean(axis=0)
    longitude, latitude = to_degrees.transform(*corner)
    file = copy.deepcopy(drawn.file)
    file["lot"] |= {"longitude": round(longitude, 6), "latitude": round(latitude, 6)}
    sound, before = follow(replace(drawn, file=file))
    assert sound is not None
    assert not [one for one in sound.doubt.readings if one.kind == "earth"]
    assert "other-reading" not in before
    other = ZONES["neighboring zone"][grid]
    file["site"]["crs"] = other
    survey, codes = follow(replace(drawn, file=file, grid=other))
    assert survey is not None
    assert {"other-reading", "lot-far-from-corner"} <= codes
    earth = {one.id: one for one in survey.doubt.readings if one.kind == "earth"}
    assert any(f"in {grid} (" in one.words for one in earth.values())
    assert all(one.moved_m > 100_000.0 for one in earth.values())
