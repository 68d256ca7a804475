"""``map.html`` as text: nothing points to a network, nothing of the user's is markup."""

from __future__ import annotations

import dataclasses
import json
import re
from html.parser import HTMLParser
from importlib.metadata import distribution
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from sitegis.model.survey import Survey
from sitegis.write.page.html import map_bytes, script_json
from sitegis.write.page.map_data import ellipse, map_data
from sitegis.write.profile import survey_profile

from .filled import filled_survey

HOSTILE = '</script><b onclick="x">\'\u2028\u2029&lt;{{7*7}}'


class Elements(HTMLParser):
    """Collects elements and what they point to."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.pointers: list[str] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "srcset", "data", "action", "poster"):
                self.pointers.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)


def _parsed(page: bytes) -> Elements:
    elements = Elements()
    elements.feed(page.decode("utf-8"))
    return elements


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


def test_no_element_points_outside(survey: Survey) -> None:
    """Every pointer is an anchor of the page or data in the page; no library is linked."""
    pointers = _parsed(map_bytes(survey)).pointers
    assert pointers
    assert all(pointer.startswith(("#", "data:")) for pointer in pointers)


def test_styles_fetch_nothing(survey: Survey) -> None:
    """Every url(…) of a style is data (or the old browsers' #default)."""
    targets = re.findall(r"url\(([^)]*)\)", map_bytes(survey).decode())
    assert targets
    assert all(target.startswith(("data:", "#default")) for target in targets)


def test_the_policy_forbids_the_network(survey: Survey) -> None:
    """The page's own policy lets the browser load nothing from outside, tiles on request only."""
    plain, tiled = map_bytes(survey).decode(), map_bytes(survey, base_map=True).decode()
    assert "default-src 'none'" in plain.replace("&#39;", "'")
    assert "openstreetmap" not in plain
    assert "img-src data: https://tile.openstreetmap.org;" in tiled


def test_no_other_library_is_inlined(survey: Survey) -> None:
    """Only Leaflet: no jQuery, no Bootstrap, no icon font."""
    page = map_bytes(survey).decode().lower()
    for name in ("jquery", "bootstrap", "font-awesome", "fontawesome", "glyphicon", "cdn."):
        assert name not in page


def test_the_license_of_the_code_within_goes_with_it(survey: Survey) -> None:
    """Leaflet's copyright notice, then the two clauses as a package of that license has them."""
    page = " ".join(map_bytes(survey).decode().split())
    notice, _, after = page.partition("Redistribution and use in source and binary forms")
    assert re.search(r"Leaflet [\d.]+, a JS library.* \(c\) 2010", notice)
    carried = distribution("packaging").locate_file("")
    (text,) = Path(str(carried)).glob("packaging-*.dist-info/**/LICENSE.BSD")
    expected = text.read_text("utf-8").partition("Redistribution and use")[2].split()
    assert f"Redistribution and use{''.join(' ' + word for word in expected)} */" in page
    assert after.index(" */") < after.index("function")


def test_the_file_is_small(survey: Survey) -> None:
    """It fits an e-mail: at most 1.5 MB."""
    assert len(map_bytes(survey)) <= 1_500_000


def test_the_same_survey_gives_the_same_bytes() -> None:
    """No random names, no time of writing."""
    assert map_bytes(filled_survey()) == map_bytes(filled_survey())


def test_hostile_words_make_no_element() -> None:
    """With hostile names and notes the page has the very same elements as without."""
    plain = _parsed(map_bytes(filled_survey(note="quiet")))
    hostile = _parsed(map_bytes(filled_survey(name=HOSTILE, note=HOSTILE, mark=HOSTILE)))
    assert hostile.tags == plain.tags
    assert hostile.handlers == []


@settings(deadline=None, max_examples=50)
@given(st.recursive(st.text() | st.floats(allow_nan=False, allow_infinity=False), st.lists))
def test_embedded_json_is_the_value_and_never_markup(value: object) -> None:
    """What a JSON reader gets back is the value; no character can end the element."""
    text = script_json(value)
    assert json.loads(text) == value
    assert not set("<>&'\u2028\u2029") & set(text)


def test_the_ellipse_holds_95_per_cent() -> None:
    """Draws from the normal distribution (scipy) fall inside as often as they should."""
    covariance = np.array([[0.04, 0.015], [0.015, 0.02]])
    center = np.array([3.0, -2.0])
    draws = multivariate_normal(center, covariance, seed=3).rvs(20_000)
    inside = shapely.contains_xy(ellipse(center, covariance, corners=360), *draws.T)
    assert inside.mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 20_000))


def test_flow_arrows_point_with_the_flow(survey: Survey) -> None:
    """The tip of an arrow lies downstream of its middle: west on the invented front main."""
    data = map_data(survey, survey_profile(survey))
    arrows = [
        np.array(f["geometry"]["coordinates"][0])
        for f in data["features"]
        if f["properties"]["layer"] == "flow" and f["properties"]["label"] == "front-main"
    ]
    assert arrows
    for ring in arrows:
        from_middle = ring[:-1] - ring[:-1].mean(axis=0)
        tip = from_middle[np.argmax(np.hypot(*from_middle.T))]
        assert tip[0] < 0


def test_hit_bands_hold_the_cells_of_their_chance(survey: Survey) -> None:
    """The areas of all bands add up to the cells over 10 %, none twice."""
    data = map_data(survey, survey_profile(survey))
    bands = [f for f in data["features"] if f["properties"]["layer"] == "hit"]
    hits = survey.dig.hit_map
    back = survey.site.frame
    meters = data["meters"]
    scale = abs(meters["xx"] * meters["yy"] - meters["xy"] * meters["yx"])
    area = sum(shapely.from_geojson(json.dumps(f["geometry"])).area for f in bands) * scale
    assert area == pytest.approx(
        float((np.round(hits.p, 6) >= 0.1).sum()) * hits.cell_m**2, rel=1e-3
    )
    assert back.crs == "EPSG:32616"


@pytest.mark.parametrize("turn_deg", [45.0, -45.0])
def test_another_direction_out_of_the_wall_is_drawn_where_it_is_probable(
    survey: Survey, turn_deg: float
) -> None:
    """A bend of 20 % is drawn 2 m out, by plane trigonometry, and said; one of 2 % is not."""

    def drawn(weight: float) -> list[tuple[str, shapely.Geometry, str]]:
        first = dataclasses.replace(survey.exit.mixture[0], weight=1.0 - weight, turn_deg=0.0)
        angle = first.angle_rad + np.radians(turn_deg)
        bent = dataclasses.replace(first, weight=weight, turn_deg=turn_deg, angle_rad=angle)
        penetration = dataclasses.replace(survey.exit, components=(first, bent))
        found = map_data(
            dataclasses.replace(survey, penetration=penetration), survey_profile(survey)
        )
        return [
            (
                f["properties"]["label"],
                shapely.from_geojson(json.dumps(f["geometry"])),
                f["properties"]["words"],
            )
            for f in found["features"]
            if f["properties"]["layer"] == "exit-turned"
        ]

    assert drawn(0.02) == []
    ((hand, line, words),) = drawn(0.20)
    assert hand == ("left" if turn_deg > 0 else "right")
    assert "20 %" in words
    start, end = survey.site.frame.to_lonlat(
        np.array([[survey.exit.x_m, survey.exit.y_m]] * 2)
        + np.outer(
            [0.0, 2.0],
            np.array(
                [
                    np.cos(survey.exit.angle_rad + np.radians(turn_deg)),
                    np.sin(survey.exit.angle_rad + np.radians(turn_deg)),
                ]
            ),
        )
    )
    assert np.array(line.coords) == pytest.approx(np.array([start, end]), abs=2e-8)


def test_a_survey_with_little_in_it_still_gives_a_page(survey: Survey) -> None:
    """No pits, no corridors, no checks, no depths, nothing to keep out: a page all the same."""
    bare = dataclasses.replace(
        survey,
        site=dataclasses.replace(survey.site, keep_outs=(), notices=()),
        scored=dataclasses.replace(survey.scores, next_checks=(), assumptions=()),
        planned=dataclasses.replace(
            survey.dig,
            pits=(),
            corridors=(),
            depths=(),
            exit_ties=(),
            hit_map=dataclasses.replace(survey.dig.hit_map, p=np.zeros((3, 3))),
        ),
    )
    assert b"Inferred, not located" in map_bytes(bare)
