"""Stage ``doubt`` against invented truths: :mod:`tests.slips` spoils, this looks what is said.

Outside checks: rotations and reflections by hand, the geometry of center lines (a tape to a point
on one cannot tell a mirror pair), and sites whose truth is drawn apart from the package. The
rates stand in ``tests/benchmarks/doubt.txt``.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

import sitegis
from sitegis.doubt import lower_hits
from sitegis.doubt.readings import ROOM_BLUNDER, other_readings
from sitegis.doubt.settle import STATED, Candidate, house_corners, settling_tape
from sitegis.doubt.weigh import isometry
from sitegis.model.dig_plan import Pit
from sitegis.model.survey import Survey
from sitegis.to_the_wall import check
from tests.benchmarks import doubt_folders
from tests.benchmarks.doubt import flags, follow, moved, settled
from tests.drawn_folders import draw_folder
from tests.filled import filled_survey
from tests.folder_slips import slips_of as folder_slips
from tests.slips import draw_survey, make_slip, separable, slips_of

FIXTURES = Path(__file__).parents[1] / "fixtures"


@pytest.mark.parametrize("hand", [1.0, -1.0])
def test_isometry_is_found(hand: float) -> None:
    """A turn by 30° (or a mirror image turned so) and a shift come back, by hand."""
    cosine, sine = np.cos(np.pi / 6), np.sin(np.pi / 6)
    linear = np.array([[cosine, -sine], [sine, cosine]]) @ np.diag([1.0, hand])
    before = np.array([[0.0, 0.0], [3.0, 0.5], [4.0, 2.0], [1.0, 5.0]])
    found, offset, misfit = isometry(before, before @ linear.T + [2.0, -1.0])
    assert np.allclose(found, linear)
    assert np.allclose(offset, [2.0, -1.0])
    assert misfit < 1e-9


def test_a_room_has_seven_other_readings_that_fit() -> None:
    """A square room's corner and hand are eight symmetries; their priors share one total."""
    site = check(FIXTURES / "tape-only").site
    room = replace(site.rooms[0], size_m=(12.0, 12.0))
    found = [
        one
        for one in other_readings(replace(site, rooms=(room,)), frozenset({"CO1", "L6"}))
        if one.kind == "corner"
    ]
    places = {tuple((row.x_m, row.y_m) for row in one.site.locates) for one in found}
    assert len(found) == len(places) == 7
    assert sum(one.prior for one in found) == pytest.approx(ROOM_BLUNDER)


def test_the_tape_is_off_both_center_lines() -> None:
    """In a 10 × 8 m house a mark on its long axis and one off: only the second tells mirrors."""
    site = check(FIXTURES / "tape-only").site
    ring = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 8.0], [0.0, 8.0]])
    site = replace(site, building=replace(site.building, vertices=ring, angle_rad=0.0))

    def seen(x_sign: float, y_sign: float) -> dict[str, np.ndarray]:
        marks = {"ON": np.array([5.0, 4.0]), "OFF": np.array([2.0, 1.5])}
        middle = np.array([5.0, 4.0])
        return {n: middle + np.array([x_sign, y_sign]) * (p - middle) for n, p in marks.items()}

    readings = [
        Candidate(STATED, "", seen(1, 1)),
        Candidate("x", "mirrored", seen(-1, 1)),
        Candidate("y", "mirrored so", seen(1, -1)),
        Candidate("xy", "turned", seen(-1, -1)),
    ]
    tape = settling_tape(site, readings, ("ON", "OFF"), house_corners(site))
    assert tape is not None
    assert tape.start == "OFF"
    apart = np.abs(np.subtract.outer(tape.expected_m, tape.expected_m))[np.triu_indices(4, 1)]
    assert apart.min() > 0.2


@pytest.mark.parametrize(
    "fixture", ["corner-lot-alley", "tape-only", "side-yard-run", "metric-rear-main"]
)
def test_sound_fixtures_are_not_doubted(fixture: str) -> None:
    """The fixtures are sound by their truths: no reading is likely, what is open is listed."""
    doubt = check(FIXTURES / fixture).doubt
    assert doubt.settle is None
    assert doubt.p_elsewhere < 0.1
    assert doubt.unchecked
    assert sum(one.posterior for one in doubt.readings) + doubt.posterior_stated == pytest.approx(
        1.0, abs=1e-6
    )


@pytest.mark.parametrize(
    ("seed", "kind"),
    [
        (0, "opposite corner"),
        (3, "opposite corner"),
        (4, "adjacent corner"),
        (5, "opposite corner"),
        (5, "adjacent corner"),
        (0, "adjacent corner"),
    ],
)
def test_slip_that_the_input_separates_is_named(seed: int, kind: str) -> None:
    """A room taped from another corner against a check tape or a doorway: told, and settled."""
    surveyed = draw_survey(seed, ("stated", "noisy", "habits")[seed % 3])  # type: ignore[arg-type]
    sound = follow(surveyed.site)
    spoiled = next(one for one in slips_of(surveyed, seed) if one.kind == kind)
    assert spoiled.separable
    survey = follow(spoiled.site)
    assert sound is not None
    assert survey is not None
    assert moved(survey, sound)
    assert "other-reading" in flags(survey) - flags(sound)
    assert settled(surveyed, spoiled, survey)


@pytest.mark.parametrize("fixture", ["tape-only", "side-yard-run"])
def test_meters_typed_for_feet_all_along(fixture: str, tmp_path: Path) -> None:
    """Offsets and footage in meters in a site of feet: nothing is contradicted, yet it is told.

    ×0.3048 is by hand; the other reading must lead to where the sound fixture leaves.
    """
    folder = tmp_path / "site"
    shutil.copytree(FIXTURES / fixture, folder)
    sound = check(FIXTURES / fixture)
    rows = ["id,kind,room,x,y,depth,footage"]
    for row in sound.site.locates:
        depth = "" if row.depth_m is None else f"{row.depth_m / 0.0254:.2f}"
        footage = "" if row.footage_m is None else f"{row.footage_m:.3f}"
        rows.append(f"{row.id},{row.kind},{row.room},{row.x_m:.3f},{row.y_m:.3f},{depth},{footage}")
    (folder / "locates.csv").write_text("\n".join(rows) + "\n")
    survey = check(folder)
    assert "other-reading" in flags(survey)
    likely = [one for one in survey.doubt.readings if one.likely]
    assert [one.id for one in likely] == ["unit:offsets-footage"]
    assert np.hypot(likely[0].x_m - sound.exit.x_m, likely[0].y_m - sound.exit.y_m) < 0.5


def test_depths_doubled_against_a_taped_cleanout() -> None:
    """The receiver's depths twice what they are: told with the cleanout taped, or listed."""
    surveyed = draw_survey(0, "stated")
    spoiled = make_slip(surveyed, "depths doubled", np.random.default_rng(1))
    assert spoiled is not None
    assert separable(surveyed, spoiled, "depths doubled")
    told = follow(spoiled)
    assert told is not None
    assert any(one.likely and one.kind == "depths" for one in told.doubt.readings)
    rows = tuple(
        replace(row, depth_m=None) if row.kind == "cleanout" else row for row in spoiled.locates
    )
    alone = follow(replace(spoiled, locates=rows))
    assert alone is not None
    asked = [one.about for one in alone.doubt.readings if one.likely]
    assert any("depths" in about for about in [*asked, *(o.about for o in alone.doubt.unchecked)])


@pytest.mark.parametrize(
    ("fixture", "alone"),
    [
        ("tape-only", {"direction of the front line", "place on earth", "ground at the house"}),
        ("side-yard-run", {"direction of the front line", "place on earth"}),
        ("corner-lot-alley", {"place on earth", "slab elevation", "ground at the house"}),
    ],
)
def test_inputs_that_stand_alone_are_listed(fixture: str, alone: set[str]) -> None:
    """A typed lot without layers, and layers without a typed corner, by looking at the folder."""
    doubt = check(FIXTURES / fixture).doubt
    listed = {one.about for one in doubt.unchecked}
    assert alone | {"place of the house on the lot"} <= listed
    if fixture == "corner-lot-alley":
        assert "direction of the front line" not in listed
    weighed = {one.about for one in doubt.readings}
    alone_too = [one for one in doubt.unchecked if one.misses and one.about not in weighed]
    kept = np.prod([1.0 - one.posterior for one in alone_too])
    assert doubt.p_unchecked == pytest.approx(1.0 - kept, abs=1e-6)
    outdoors = sum(one.posterior for one in doubt.readings if one.kind in ("ground", "place"))
    assert 0.0 < outdoors <= doubt.p_elsewhere + doubt.p_unchecked < 0.15


def test_evidence_of_a_reading_adds_up() -> None:
    """What each part of the input says of a reading sums to its log evidence."""
    readings = [
        one
        for fixture in ("corner-lot-alley", "tape-only", "metric-rear-main")
        for one in check(FIXTURES / fixture).doubt.readings
    ]
    assert {one.kind for one in readings} >= {"corner", "depths"}
    for one in readings:
        total = sum(said.nats for said in one.evidence)
        assert total == pytest.approx(one.log_evidence, abs=1e-3), one.id


def test_hits_carry_the_readings_prior() -> None:
    """P(hit) is multiplied by the probability that the input means this place, by hand."""
    survey: Survey = filled_survey()
    survey = replace(survey, doubted=replace(survey.doubt, p_unchecked=0.02))
    lowered = lower_hits(survey)

    def chances(pits: tuple[Pit, ...]) -> list[float]:
        return [value for pit in pits for value in (pit.p_hit, pit.p_hit_so_far, pit.vacuum_p_hit)]

    kept = (1.0 - survey.doubt.p_elsewhere) * 0.98
    before, after = chances(survey.dig.pits), chances(lowered.dig.pits)
    assert after == pytest.approx([kept * value for value in before])


def test_both_places_are_shown_and_one_tape_settles_it(tmp_path: Path) -> None:
    """A basement taped from its front-left corner and written as from its rear-right one.

    Two check tapes, worked out by hand from the fixture's offsets (12 in walls), contradict it.
    """
    folder = tmp_path / "site"
    shutil.copytree(FIXTURES / "tape-only", folder)
    text = (folder / "site.toml").read_text()
    start = text.index("[[room]]")
    room = text[start:].replace('corner = "front-left"', 'corner = "rear-right"', 1)
    room = room.replace('x_toward = "right"', 'x_toward = "left"', 1)
    (folder / "site.toml").write_text(text[:start] + room)
    last, first = (
        np.array([11 + 4.25 / 12, 3 + 1.75 / 12]),
        np.array([13 + 11 / 12, 23 + 10.5 / 12]),
    )
    tapes = float(np.hypot(*last)), float(np.hypot(*(first - [0.0, 36.0])))
    (folder / "ties.csv").write_text(
        f"from,to,distance,sd\nL6,building:front-left,{tapes[0]:.2f},\n"
        f"L1,building:rear-left,{tapes[1]:.2f},\n"
    )
    result = sitegis.run(folder, tmp_path / "out")
    told = [notice for notice in result.notices if notice.code == "other-reading"]
    assert len(told) == 1
    assert told[0].needs_person
    assert "taped from its front-left corner" in told[0].message
    likely = [one for one in result.answer["readings"] if one["likely"]]
    sound = sitegis.run(FIXTURES / "tape-only").answer["exit"]
    assert [one["kind"] for one in likely] == ["corner"]
    assert np.hypot(likely[0]["x_m"] - sound["x_m"], likely[0]["y_m"] - sound["y_m"]) < 0.5
    shown = json.loads((tmp_path / "out" / "lateral.geojson").read_text("utf-8"))["features"]
    lines = [one for one in shown if one["properties"]["layer"] == "other-reading"]
    assert [one["properties"]["id"] for one in lines] == [likely[0]["id"]]
    assert lines[0]["properties"]["evidence_class"] == "inferred"
    plan = PdfReader(tmp_path / "out" / "record.pdf").pages[0].extract_text()
    assert f"here if {likely[0]['words']} (inferred)" in " ".join(plan.split())
    assert likely[0]["about"] not in {one["about"] for one in result.answer["unchecked"]}
    settle = result.answer["doubt"]["settle"]
    values = [one["distance_m"] for one in settle["expected"]]
    assert settle["to"].startswith("building:")
    assert abs(values[0] - values[1]) > 0.2


@pytest.mark.parametrize(("off_deg", "listed"), [(0.0, False), (25.0, True)])
def test_a_last_heading_off_the_drain_is_listed(off_deg: float, listed: bool) -> None:
    """The last mark of a fixture given the axis of the drain drawn, or one 25° off it, by hand."""
    survey = check(FIXTURES / "side-yard-run")
    drain, site = survey.drain, survey.site
    step = drain.vertices[-1] - drain.vertices[-2]
    axis = float(np.arctan2(step[1], step[0])) - site.building.angle_rad
    last = drain.point_ids[-1]
    rows = tuple(
        replace(row, heading_rad=axis + np.radians(off_deg)) if row.id == last else row
        for row in site.locates
    )
    found = follow(replace(site, locates=rows))
    assert found is not None
    told = [one for one in found.doubt.unchecked if one.about == "headings"]
    assert bool(told) is listed
    if listed:
        assert last in told[0].check


def test_slips_of_a_folder_are_flagged_or_listed() -> None:
    """Every slip of one drawn folder: told where the folder contradicts it, else listed."""
    rows = [row for row in doubt_folders.slip_rows(1004) if row["what"] == "slip" and row["grave"]]
    assert len(rows) > 8
    assert len([*folder_slips(draw_folder(1004), 1004)]) >= len(rows)
    for row in rows:
        assert row["noticed"] or (row["listed"] and not row["separable"]), row
