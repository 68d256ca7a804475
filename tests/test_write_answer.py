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

from sitegis.model.survey import Survey
from sitegis.numerics.ordering import ANGLE_RAD
from sitegis.rules.rule_set import load_rules
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
    assert found["schema"] == 2
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
    """Longitude and latitude, taken back by pyproj, give the exit's grid position to a millimeter.

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
    """The azimuth of two grid points along the drain, a kilometer apart, is the one written."""
    penetration, frame = survey.exit, survey.site.frame
    here = np.array([penetration.x_m, penetration.y_m])
    ahead = here + 1000.0 * np.array([np.cos(penetration.angle_rad), np.sin(penetration.angle_rad)])
    east, north = frame.to_grid_m(ahead) - frame.to_grid_m(here)
    expected = np.degrees(np.arctan2(east, north)) % 360
    # angles are written on a lattice of about a microradian
    step_deg = np.degrees(ANGLE_RAD)
    assert answer(survey)["exit"]["azimuth_deg"] == pytest.approx(expected, abs=0.51 * step_deg)


def test_line_points_run_downstream_and_fall(survey: Survey) -> None:
    """Points come upstream first, each lower than the one before at the fitted slope."""
    line = answer(survey)["line"]
    stations = np.array([row["station_m"] for row in line])
    inverts = np.array([row["invert_m"] for row in line])
    slope = sum(c.weight * c.mean[1] for c in survey.drain.profile)
    assert np.all(np.diff(stations) > 0)
    # to the rounding of what is written
    assert np.diff(inverts) == pytest.approx(-slope * np.diff(stations), abs=1.1e-4)


def test_length_and_fall_of_a_way_are_means_over_its_routes(survey: Survey) -> None:
    """Length, fall and arrival are averages weighted by the routes' probabilities."""
    routes, scored = survey.routes[1], survey.scores.hypotheses[1]
    found = answer(survey)["hypotheses"][1]
    falls = routes.inverts_m[:, 0] - routes.inverts_m[:, -1]

    assert found["length_m"] == pytest.approx(
        np.average(routes.lengths_m, weights=scored.weights), abs=6e-5
    )
    assert found["fall_m"] == pytest.approx(np.average(falls, weights=scored.weights), abs=6e-5)
    assert found["arrival_above_main_m"] == pytest.approx(
        np.average(routes.arrivals_m, weights=scored.weights), abs=6e-5
    )


def test_the_same_survey_gives_the_same_bytes() -> None:
    """Nothing of the clock or of chance is written."""
    assert answer_bytes(filled_survey()) == answer_bytes(filled_survey())


def test_a_stage_that_has_not_run_is_a_defect(survey: Survey) -> None:
    """An answer is never made up for a block that is empty."""
    with pytest.raises(RuntimeError, match="dig"):
        answer(dataclasses.replace(survey, planned=None))


def test_the_mains_stand_side_by_side(survey: Survey) -> None:
    """Each main on record has a row; what lies on the lot and outside it adds up to the length."""
    rows = answer(survey)["mains"]
    assert {row["main"] for row in rows} == {main.id for main in survey.site.mains}
    assert math.fsum(row["probability"] for row in rows) == pytest.approx(0.95)
    known = [row for row in rows if row["length_m"] is not None]
    assert known
    for row in known:
        assert row["private_m"] + row["public_m"] == pytest.approx(row["length_m"], abs=2e-6)
        assert row["slope"] == pytest.approx(row["fall_m"] / row["length_m"], rel=0.02)


def test_a_pit_carries_its_quantities_and_cautions(survey: Survey) -> None:
    """Upright sides: area times depth; heap and backfill follow; what to mind stands beside."""
    for pit in answer(survey)["pits"]:
        hole = pit["excavation"]
        corners = np.array(pit["ring"])
        sides = np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[2] - corners[1]))
        assert hole["vertical_m3"] == pytest.approx(sides[0] * sides[1] * pit["depth_m"], rel=1e-5)
        assert hole["spoil_loose_m3"] > hole["vertical_m3"] > hole["backfill_m3"]
        assert hole["statements"]
        assert RULES.cautions[0] in hole["cautions"]


def test_what_to_do_next_is_one_list_by_saving(survey: Survey) -> None:
    """Tapes, checks and pits: a tape saves the planned pits by P(blunder), by hand, less 20."""
    listed = answer(survey)["do_next"]
    savings = [row["saving"] for row in listed]
    assert savings == sorted(savings, reverse=True)
    assert {"tape", "check", "pit"} <= {row["kind"] for row in listed}
    doubt = survey.doubted
    assert doubt is not None
    assert doubt.settle is not None
    (row,) = [row for row in listed if row["what"] == doubt.settle.words]
    pits = sum(pit.cost for pit in survey.dig.pits)
    assert row["saving"] == pytest.approx(doubt.p_elsewhere * pits - 20.0, abs=0.01)
    assert (row["kind"], row["cost"]) == ("tape", 20.0)


def test_a_tie_in_says_whether_it_drains_and_what_to_mind(survey: Survey) -> None:
    """The planned fixture has its branch from where it stands to the drain, with cautions."""
    (one,) = answer(survey)["tie_ins"]
    steps = np.hypot(*np.diff(np.array(one["path"]), axis=0).T)
    assert one["length_m"] == pytest.approx(float(steps.sum()), abs=3e-4)
    assert one["path"][-1] == pytest.approx([one["x_m"], one["y_m"]])
    assert one["needed_fall_m"] == pytest.approx(one["slope"] * one["length_m"], abs=6e-5)
    text = " ".join(one["cautions"])
    for hazard in ("post-tensioned", "reinforcement", "silica", "footing"):
        assert hazard in text


def test_the_profile_check_names_its_section(survey: Survey) -> None:
    """Slope, rule, section and velocity: Manning's formula for the full pipe, n = 0.013."""
    check = answer(survey)["profile_check"]
    hydraulic_radius = check["diameter_m"] / 4
    velocity = hydraulic_radius ** (2 / 3) * math.sqrt(check["slope"]) / 0.013
    assert check["full"]["velocity_m_s"] == pytest.approx(velocity, rel=1e-4)
    assert "704.1" in check["section"]


@pytest.mark.parametrize("name", ["us-ipc", "us-upc", "ca-npc", "ca-obc"])
def test_every_rule_set_has_cautions_for_a_pit(name: str) -> None:
    """One-call, tolerance zone, no entry, gas: each rule set's own words are found."""
    text = " ".join(load_rules(name).pit_cautions)
    for hazard in ("one-call", "tolerance zone", "unprotected trench", "gas line"):
        assert hazard in text


def test_the_answer_says_where_on_earth(survey: Survey) -> None:
    """Datum by its register name; a state plane of NAD 83 is tied with 4 m (EPSG:1188)."""
    frame = dataclasses.replace(survey.site.frame, crs="EPSG:26916")
    site = dataclasses.replace(
        survey.site, frame=frame, coordinate_epoch=2010.0, vertical_datum="Invented 29"
    )
    told = answer(dataclasses.replace(survey, site=site))["reference"]
    assert told["datum"] == "North American Datum 1983"
    assert told["operation"] == "NAD83 to WGS 84 (1)"
    assert (told["operation_accuracy_m"], told["epoch"]) == (4.0, 2010.0)
    assert told["vertical_datum"] == "Invented 29"
    plain = answer(survey)["reference"]
    assert (plain["operation"], plain["epoch"]) == (None, None)
