"""``answer.json``: keys, finite numbers, positions, and what stands for what is not there."""

from __future__ import annotations

import dataclasses
import json
import math
from importlib import resources

import jsonschema
import numpy as np
import pytest
from pyproj import Transformer

from sitegis._survey import Survey
from sitegis.write.answer import answer, answer_bytes

from .filled import RULES, filled_survey

# section 7 of the design names these; more may be there, none may be missing
EXIT_KEYS = {
    "longitude", "latitude", "x_m", "y_m", "azimuth_deg", "azimuth_sd_deg", "invert_m",
    "depth_m", "depth_sd_m", "slope", "slope_sd", "slope_sd_ratio",
}  # fmt: skip
LINE_KEYS = {"id", "longitude", "latitude", "x_m", "y_m", "sd_m", "invert_m", "depth_m"}
HYPOTHESIS_KEYS = {
    "id", "main", "way", "toward", "probability", "log_evidence", "log_evidence_se", "length_m",
    "fall_m", "arrival_above_main_m", "evidence",
}  # fmt: skip
PIT_KEYS = {
    "rank", "longitude", "latitude", "x_m", "y_m", "p_hit", "p_hit_so_far", "depth_m",
    "depth_05_m", "depth_95_m", "volume_m3", "ties",
}  # fmt: skip


@pytest.fixture(scope="module")
def survey() -> Survey:
    return filled_survey()


def _schema() -> dict[str, object]:
    path = resources.files("sitegis.write").joinpath("assets", "answer.schema.json")
    return dict(json.loads(path.read_text("utf-8")))


def test_the_answer_keeps_to_its_schema(survey: Survey) -> None:
    """The written answer passes the schema that ships with the package."""
    schema = _schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(answer_bytes(survey)))


@pytest.mark.parametrize("key", ["exit", "line", "hypotheses", "pits", "next_checks", "flags"])
def test_the_schema_refuses_an_answer_with_a_block_missing(survey: Survey, key: str) -> None:
    """The schema itself has teeth: a missing block is refused."""
    short = answer(survey)
    del short[key]
    with pytest.raises(jsonschema.ValidationError, match=key):
        jsonschema.Draft202012Validator(_schema()).validate(short)


def test_every_block_has_the_keys_of_the_design(survey: Survey) -> None:
    """All keys that others rely on are there."""
    found = json.loads(answer_bytes(survey))
    assert found["schema"] == 1
    assert found["exit"].keys() >= EXIT_KEYS
    for name, keys in (("line", LINE_KEYS), ("hypotheses", HYPOTHESIS_KEYS), ("pits", PIT_KEYS)):
        assert found[name]
        for row in found[name]:
            assert row.keys() >= keys
    assert all(row.keys() >= {"kind", "bits"} for h in found["hypotheses"] for row in h["evidence"])
    assert all(row.keys() >= {"code", "message", "where"} for row in found["flags"])
    assert found["cautions"] == list(RULES.cautions)


def test_probabilities_sum_to_one(survey: Survey) -> None:
    """What is written still sums to 1 within 1e-9."""
    found = json.loads(answer_bytes(survey))
    assert math.fsum(h["probability"] for h in found["hypotheses"]) == pytest.approx(1, abs=1e-9)


def test_no_number_is_infinite_or_missing_in_disguise(survey: Survey) -> None:
    """A strict reader finds neither NaN nor infinity; an impossible way's evidence is null."""

    def refuse(name: str) -> float:
        raise AssertionError(name)

    found = json.loads(answer_bytes(survey), parse_constant=refuse)
    unlisted = found["hypotheses"][-1]
    assert unlisted["log_evidence"] is None
    assert unlisted["length_m"] is None
    assert unlisted["fall_m"] is None
    assert found["adjustment"]["observations"][0]["detectable_m"] is None


def test_the_exit_lies_where_pyproj_puts_it(survey: Survey) -> None:
    """Longitude and latitude, taken back by pyproj, give the exit's grid position to a millimetre.

    The grid position is worked out here from the frame's definition: origin, azimuth, factor.
    """
    found = json.loads(answer_bytes(survey))["exit"]
    frame = survey.site.frame
    turn = np.radians(frame.x_azimuth_deg)
    across, along = np.array([np.sin(turn), np.cos(turn)]), np.array([-np.cos(turn), np.sin(turn)])
    expected = np.array([frame.origin_easting_m, frame.origin_northing_m])
    expected = expected + frame.combined_factor * (found["x_m"] * across + found["y_m"] * along)
    back = Transformer.from_crs(4326, frame.crs, always_xy=True)
    assert back.transform(found["longitude"], found["latitude"]) == pytest.approx(
        tuple(expected), abs=1e-3
    )


def test_the_exit_azimuth_is_clockwise_from_grid_north(survey: Survey) -> None:
    """The azimuth of two grid points along the drain is the azimuth that is written."""
    left_at, frame = survey.exit, survey.site.frame
    here = np.array([left_at.x_m, left_at.y_m])
    ahead = here + np.array([np.cos(left_at.angle_rad), np.sin(left_at.angle_rad)])
    east, north = frame.to_grid_m(ahead) - frame.to_grid_m(here)
    expected = np.degrees(np.arctan2(east, north)) % 360
    assert answer(survey)["exit"]["azimuth_deg"] == pytest.approx(expected, abs=1e-5)


def test_line_points_run_downstream_and_fall(survey: Survey) -> None:
    """Points come upstream first, each lower than the one before at the fitted slope."""
    line = answer(survey)["line"]
    stations = np.array([row["station_m"] for row in line])
    inverts = np.array([row["invert_m"] for row in line])
    slope = sum(c.weight * c.mean[1] for c in survey.drain.profile)
    assert np.all(np.diff(stations) > 0)
    assert np.diff(inverts) == pytest.approx(-slope * np.diff(stations), abs=2e-6)


def test_the_fall_of_a_way_is_between_exit_and_tap(survey: Survey) -> None:
    """Length, fall and arrival are those of the most probable route."""
    routes = survey.routes[1]
    best = survey.scores.hypotheses[1].best
    found = answer(survey)["hypotheses"][1]
    assert found["length_m"] == pytest.approx(routes.lengths_m[best], abs=1e-6)
    assert found["fall_m"] == pytest.approx(
        routes.inverts_m[best, 0] - routes.inverts_m[best, -1], abs=1e-6
    )


def test_the_same_survey_gives_the_same_bytes() -> None:
    """Nothing of the clock or of chance is written."""
    assert answer_bytes(filled_survey()) == answer_bytes(filled_survey())


def test_a_stage_that_has_not_run_is_a_defect(survey: Survey) -> None:
    """An answer is never made up for a block that is empty."""
    with pytest.raises(RuntimeError, match="dig"):
        answer(dataclasses.replace(survey, planned=None))
