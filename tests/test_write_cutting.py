"""Where the slab is cut: walls, offsets and accuracy within the room."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pypdf
import pytest
import shapely

from sitegis.dig.tie_in import tie_ins
from sitegis.geometry.frames import Array
from sitegis.model.survey import Survey
from sitegis.units import parse_length
from sitegis.write.cut_sheet import cut_sheets
from sitegis.write.cutting import nearest_point_sd_m, opening_places, room_frame, tie_in_place
from sitegis.write.derive import find
from sitegis.write.record.document import record_bytes
from tests.computed import computed
from tests.filled import filled_survey

INCH = 0.0254


@pytest.fixture(scope="module")
def survey() -> Survey:
    """Return the filled survey, its receiver good to 0.10 m and its house to 0.40 m."""
    filled = filled_survey()
    assert filled.placed is not None
    size = filled.placement.covariance_m2.shape[0]
    mark = 0.40**2 * np.ones((size, size)) * np.tile(np.eye(2), (size // 2, size // 2))
    mark += 0.01**2 * np.eye(size)
    points = tuple(replace(one, sd_major_m=np.hypot(0.40, 0.10)) for one in filled.placed.points)
    placed = replace(
        filled.placed,
        points=points,
        mark_covariance_m2=mark,
        covariance_m2=mark + 0.10**2 * np.eye(size),
        tape=None,
    )
    return replace(filled, placed=placed)


def test_in_the_room_the_place_of_the_house_cancels(survey: Survey) -> None:
    """Receiver 0.10 m and tape alone: hypot of both, whatever the house's own place."""
    (one,) = tie_ins(survey)
    frame = room_frame(survey, one)
    near = [p for p in survey.placement.points if p.id in survey.drain.point_ids]
    mark = min(near, key=lambda p: np.hypot(p.x_m - one.x_m, p.y_m - one.y_m))
    row = next(row for row in survey.site.locates if row.id == mark.id)
    assert frame is not None
    assert row.room == frame.room.id
    taped = max(survey.site.noise.tape_sd_m(value) for value in (row.x_m, row.y_m))

    assert nearest_point_sd_m(survey, one, frame) == pytest.approx(np.hypot(0.10, taped))
    assert nearest_point_sd_m(survey, one, None) == pytest.approx(np.hypot(0.40, 0.10))
    assert "relative to those walls" in tie_in_place(survey, one)


@pytest.mark.parametrize(
    ("outline", "x_wall", "y_wall", "corner"),
    [
        ([[5, 10], [9, 10], [9, 14], [5, 14]], "left", "front", "front-left"),
        ([[9, 14], [5, 14], [5, 10], [9, 10]], "right", "rear", "rear-right"),
        ([[9, 10], [9, 14], [5, 14], [5, 10]], "front", "right", "front-right"),
        ([[5, 14], [5, 10], [9, 10], [9, 14]], "rear", "left", "rear-left"),
    ],
)
def test_walls_are_named_by_the_side_they_face(
    survey: Survey, outline: list[list[float]], x_wall: str, y_wall: str, corner: str
) -> None:
    """Drawn by hand: front along lot x, rear toward larger y; x and y start at the corner."""
    fixture = survey.site.fixtures[0]
    ring: Array = np.array(outline, float)
    placed = replace(survey.placement, room_outlines={fixture.room: ring})
    moved = replace(survey, placed=placed)
    (one,) = tie_ins(moved)
    frame = room_frame(moved, one)

    assert frame is not None
    assert (frame.x_wall, frame.y_wall) == (x_wall, y_wall)
    assert frame.corner.startswith(f"the inside {corner} corner of")
    assert frame.local(ring) == pytest.approx(np.array([[0, 0], [4, 0], [4, 4], [0, 4]]), abs=1e-9)


def test_the_opening_has_its_size_and_corners(survey: Survey) -> None:
    """0.3 m past both ends of the branch, 0.6 m (2' 0") wide; every corner as two offsets."""
    (one,) = tie_ins(survey)
    facts = dict(opening_places(survey, one))
    length_in = round((one.length_m + 0.6) / INCH)

    size = f"{length_in // 12}' {length_in % 12}\" × 2' 0\""
    assert facts["Opening"].startswith(size)
    assert facts["Opening"].count(" and ") == 5  # the walls, and four corners
    # 1.96 × hypot(0.10, tape) either way and a 4 in pipe is under the opening's own width
    assert facts["Break out here first"].startswith("2' 0\" across the drain × 2' 0\" along it")


def test_the_cut_sheet_measures_corners_from_the_walls() -> None:
    """Each offset is the distance (shapely) of the opening's corner to the wall, to the half inch.

    On the drawing, whose first polygon is the floor: its sides stand as the room's.
    """
    survey = find(computed("corner-lot-alley"))
    (one,), (sheet,) = survey.derived.tie_ins, cut_sheets(survey)
    fixture = next(f for f in survey.site.fixtures if f.id == one.fixture)
    room = next(r for r in survey.site.rooms if r.id == fixture.room)
    outline = survey.placement.room_outlines[room.id]
    x_wall, y_wall = (shapely.LineString(outline[[0, i]]) for i in (3, 1))
    rows = dict(sheet.places)
    for letter, corner in zip("ABCD", one.opening, strict=True):
        told = [
            parse_length(part.split(" from")[0], "ft")
            for part in rows[f"Corner {letter}"].split(", ")
        ]
        point = shapely.Point(corner)
        expected = [shapely.distance(point, wall) for wall in (x_wall, y_wall)]
        assert told == pytest.approx(expected, abs=0.51 * INCH)
    assert sheet.drawing is not None
    floor = np.reshape(sheet.drawing.contents[0].points, (4, 2))
    wide, high = np.ptp(floor, axis=0)
    assert room.size_m is not None
    assert wide / high == pytest.approx(room.size_m[0] / room.size_m[1], rel=1e-3)
    assert sheet.before == one.cautions


def test_the_cut_sheet_fills_one_page_of_the_record() -> None:
    """Everything of it, the drawing's words too, stands on one page of the PDF."""
    survey = find(computed("corner-lot-alley"))
    (sheet,) = cut_sheets(survey)
    pages = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(record_bytes(survey))).pages]
    (page,) = (" ".join(text.split()) for text in pages if sheet.title in text)
    for words in (*(value for _, value in sheet.places), *sheet.before, "tie-in", "inferred"):
        assert " ".join(words.split()) in page


def test_a_cut_sheet_at_a_branch_says_the_depth_of_that_branch() -> None:
    """By hand from the branch's own profile: its mean fall and the way from tie-in to wye.

    Every run's pipe is drawn and named; both sheets stand on one page each.
    """
    survey = find(computed("two-stacks"))
    joined = [one for one in survey.derived.tie_ins if one.joins]
    assert joined
    sheets = {sheet.title: sheet for sheet in cut_sheets(survey)}
    pages = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(record_bytes(survey))).pages]
    assert survey.joined is not None
    for one in joined:
        branch = next(b for b in survey.joined.branches if b.id == one.joins)
        back = branch.length_m - one.station_m
        weights = [part.weight for part in branch.profile]
        means = [part.mean[0] + part.mean[1] * back for part in branch.profile]
        sheet = sheets[f"Cut sheet: {one.name}"]
        rows = dict(sheet.places)
        told = rows[f"Slab to the branch {one.joins} at the tie-in (inferred)"]
        deep = parse_length(told.removeprefix("invert ").split(" down")[0], "in")
        assert deep == pytest.approx(-np.average(means, weights=weights), abs=0.51 * INCH)
        (page,) = (text for text in pages if sheet.title in text)
        for words in ("branch kitchen", "branch bath", *sheet.before):
            assert " ".join(words.split()) in " ".join(page.split())
