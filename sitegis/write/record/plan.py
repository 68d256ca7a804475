"""The plan of the lateral record: drawn at a stated scale, front of the lot at the bottom."""

from __future__ import annotations

import numpy as np
import shapely
import shapely.ops
from reportlab.lib.colors import Color, HexColor, white
from reportlab.pdfgen.canvas import Canvas

from ...dig.depths import best_route
from ...geometry import polyline
from ...geometry.frames import Array, lot_direction
from ...model.derived import Feature, TieIn
from ...model.dig_plan import Pit
from ...model.site import Easement, KeepOut, Main
from ...model.survey import Survey
from ...units import about, format_length, format_station, small_unit
from .. import fonts
from ..features import READING_SHOWN_M, dug_features, keep_out_geometry
from ..looks import utility_color
from . import sheet as paper
from .legend import (
    BLACK,
    CORRIDOR_GRAY,
    CORRIDOR_LEVEL,
    DASH_CLEAR,
    DASH_EASEMENT,
    DASH_INFERRED,
    DASH_LOT,
    DASH_PLANNED,
    DASH_READING,
    DASH_VENT,
    GRAY,
    GREEN,
    KNOWN,
    VIOLET,
    draw_legend,
    draw_north,
    draw_scale_bar,
    legend_box,
)
from .names import Box, Name, draw_dimensions, draw_names, place_names
from .particulars import course_words
from .sheet import Sheet

LARGEST_LOT = 10.0
"""A lot so many times longer than house and lateral is cut off at the frame. Judgment."""
BESIDE_M = 30.0
"""A main so near the lot is drawn on the plan; of one farther off the tables tell. Judgment."""
Frame = tuple[float, float, float, float]


def draw_plan(canvas: Canvas, survey: Survey, frame: Frame) -> Sheet:
    """Draw lot, street and lateral into a frame (left, bottom, width, height in points).

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    frame
        Left, bottom, width and height, points.

    Returns
    -------
    Sheet
        Scale and frame.
    """
    shown = survey.site.building.vertices
    route = best_route(survey, survey.scores.hypotheses[0])
    if route is not None:
        shown = np.concatenate([shown, route[0]])
    whole = np.concatenate([shown, survey.site.lot.vertices, *_near_mains(survey)])
    # a farm's lot would shrink house and lateral to a dot: it runs off the sheet instead
    if np.ptp(whole, axis=0).max() <= LARGEST_LOT * np.ptp(shown, axis=0).max():
        shown = whole
    return _draw(canvas, survey, frame, shown, marked=False)


def _near_mains(survey: Survey) -> list[Array]:
    """Return the nearest point (1, 2) of each main beside the lot, so that the plan names it."""
    lot = shapely.Polygon(survey.site.lot.vertices)
    lines = [shapely.LineString(main.line) for main in survey.site.mains]
    nearest = [shapely.ops.nearest_points(line, lot)[0] for line in lines]
    return [shapely.get_coordinates(one) for one in nearest if one.distance(lot) <= BESIDE_M]


def draw_house(canvas: Canvas, survey: Survey, frame: Frame) -> Sheet:
    """Draw what lies under the slab and just outside it, at the largest scale that fits.

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    frame
        Left, bottom, width and height, points.

    Returns
    -------
    Sheet
        Scale and frame.
    """
    return _draw(canvas, survey, frame, survey.site.building.vertices, marked=True)


def _draw(canvas: Canvas, survey: Survey, frame: Frame, shown: Array, *, marked: bool) -> Sheet:
    """Draw the plan of what is shown, with north arrow and scale; give its sheet."""
    # meters left free around what is shown
    margin = 1.0 if marked else 2.5
    low, high = shown.min(axis=0) - margin, shown.max(axis=0) + margin
    sheet = paper.fit(low, high, frame, survey.site.units)
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(*frame)
    canvas.clipPath(clip, stroke=0, fill=0)
    # shading first, lines over it; names when all that they must avoid is known
    _draw_corridor(canvas, survey, sheet)
    names = [*_draw_records(canvas, survey, sheet), *_draw_lateral(canvas, survey, sheet)]
    names += _draw_readings(canvas, survey, sheet)
    names += _draw_marks(canvas, survey, sheet, named=marked)
    names += [_draw_dug(canvas, one, sheet) for one in dug_features(survey)]
    names += [_draw_pit(canvas, pit, sheet) for pit in survey.dig.pits[:3]]
    if marked:
        names += [_draw_tie_in(canvas, one, sheet) for one in survey.derived.tie_ins]
    taken = _draw_dimensions(canvas, survey, sheet, marked=marked)
    _draw_names(canvas, survey, sheet, names, taken, legend=not marked)
    canvas.restoreState()
    canvas.setStrokeColor(BLACK)
    canvas.rect(*frame, stroke=1, fill=0)
    if not marked:
        draw_legend(canvas, survey, sheet)
    draw_north(canvas, survey, sheet)
    draw_scale_bar(canvas, survey, sheet)
    return sheet


def _draw_names(
    canvas: Canvas,
    survey: Survey,
    sheet: Sheet,
    names: list[Name],
    taken: list[Box],
    *,
    legend: bool,
) -> None:
    """Write the names inside the frame, clear of legend, scale, north arrow and each other."""
    right, top = sheet.left + sheet.width, sheet.bottom + sheet.height
    frame = (sheet.left + 1, sheet.bottom + 1, right - 1, top - 1)
    taken = [
        *taken,
        # kept free for the north arrow and the scale bar, which are drawn over the names
        (right - 50, top - 54, right, top),
        (sheet.left, sheet.bottom, sheet.left + 130, sheet.bottom + 40),
    ]
    if legend:
        taken.append(legend_box(survey, sheet))
    for point in survey.placement.points:
        x, y = sheet.points(np.array([point.x_m, point.y_m]))
        taken.append((float(x) - 2, float(y) - 2, float(x) + 2, float(y) + 2))
    wanted = [
        name
        for name in names
        if frame[0] < name.at[0] < frame[2] and frame[1] < name.at[1] < frame[3]
    ]
    # what stands nearest together is named first: it has the fewest places
    wanted.sort(key=lambda name: (name.over, _least_gap(name, wanted)))
    draw_names(canvas, wanted, place_names(wanted, frame, taken=taken, lines=_drawn(survey, sheet)))


def _least_gap(name: Name, names: list[Name]) -> float:
    """Return the distance to the nearest other named point."""
    gaps = [float(np.hypot(*(name.at - other.at))) for other in names if other is not name]
    return round(min(gaps, default=0.0), 2)


def _drawn(survey: Survey, sheet: Sheet) -> list[Array]:
    """Return the lines that names should not cover, in page points."""
    site, penetration = survey.site, survey.exit
    exit_xy = np.array([[penetration.x_m, penetration.y_m]])
    lines = [
        np.concatenate([ring, ring[:1]])
        for ring in (
            site.lot.vertices,
            site.building.vertices,
            *(pit.ring for pit in survey.dig.pits[:3]),
            *(one.opening for one in survey.derived.tie_ins),
        )
    ]
    lines += [main.line for main in site.mains]
    lines += [one.points for one in site.keep_outs if len(one.points) > 1]
    lines.append(np.concatenate([survey.drain.vertices, exit_xy]))
    route = best_route(survey, survey.scores.hypotheses[0])
    if route is not None:
        lines.append(route[0])
    return [sheet.points(line) for line in lines]


def _draw_records(canvas: Canvas, survey: Survey, sheet: Sheet) -> list[Name]:
    """Draw right-of-way, lot, building, rooms, mains and manholes; give their names."""
    site = survey.site
    names: list[Name] = []
    paper.pen(canvas, GRAY, 0.5)
    for street in site.streets:
        ring = sheet.points(street.row)
        paper.polyline(canvas, ring, closed=True)
        names += _street_name(sheet, street.name, street.row)
    for outline in survey.placement.room_outlines.values():
        paper.polyline(canvas, sheet.points(outline), closed=True)
    paper.pen(canvas, BLACK, 0.9, DASH_LOT)
    paper.polyline(canvas, sheet.points(site.lot.vertices), closed=True)
    paper.pen(canvas, BLACK, 1.6)
    paper.polyline(canvas, sheet.points(site.building.vertices), closed=True)
    for main in site.mains:
        names += _draw_main(canvas, main, sheet, survey)
    for easement in site.easements:
        names += _draw_easement(canvas, easement, sheet)
    names += [_draw_keep_out(canvas, keep_out, sheet) for keep_out in site.keep_outs]
    return names


def _draw_corridor(canvas: Canvas, survey: Survey, sheet: Sheet) -> None:
    """Shade what holds 95 % of the routes of the most probable way."""
    best = survey.scores.hypotheses[0].hypothesis.id
    for corridor in survey.dig.corridors:
        if corridor.hypothesis != best or corridor.level != CORRIDOR_LEVEL:
            continue
        for ring, holes in zip(corridor.rings, corridor.holes, strict=True):
            for outline, gray in ((ring, CORRIDOR_GRAY), *((hole, 1.0) for hole in holes)):
                # holes are painted white on the ring: the frame has nothing under it yet
                shade = Color(gray, gray, gray)
                canvas.setFillColor(shade)
                paper.pen(canvas, shade, 0.1)
                paper.polyline(canvas, sheet.points(outline), closed=True, fill=True)


def _draw_dimensions(canvas: Canvas, survey: Survey, sheet: Sheet, *, marked: bool) -> list[Box]:
    """Write the courses of the lot, or where the house alone is drawn its walls' lengths."""
    site = survey.site
    if not marked:
        courses = [
            f"{bearing}  {length}" for bearing, length in course_words(survey, site.lot.vertices)
        ]
        return draw_dimensions(canvas, sheet, site.lot.vertices, courses, inside=True)
    walls = polyline.segment_lengths(polyline.closed(site.building.vertices))
    words = [about(float(length), site.units) for length in walls]
    return draw_dimensions(canvas, sheet, site.building.vertices, words, inside=False)


def _draw_easement(canvas: Canvas, easement: Easement, sheet: Sheet) -> list[Name]:
    """Draw an easement's outline; give its name, where it shows."""
    paper.pen(canvas, BLACK, 0.7, DASH_EASEMENT)
    paper.polyline(canvas, sheet.points(easement.ring), closed=True)
    seen = shapely.Polygon(easement.ring).intersection(_window(sheet).buffer(-1.0))
    if seen.is_empty:
        return []
    at = shapely.get_coordinates(seen.representative_point())[0]
    return [Name(sheet.points(at), f"easement: {easement.id}", size=6)]


def _draw_keep_out(canvas: Canvas, keep_out: KeepOut, sheet: Sheet) -> Name:
    """Draw a no-dig area with, dotted, what is to be kept clear about it; give its name."""
    shape = keep_out_geometry(keep_out)
    color = HexColor(utility_color(keep_out.kind))
    # a dark line under the colored one: yellow alone does not show on white paper
    for shade, width in ((BLACK, 2.2), (color, 1.2)):
        canvas.setFillColor(shade)
        paper.pen(canvas, shade, width)
        if isinstance(shape, shapely.Point):
            paper.circle(canvas, sheet.points(keep_out.points[0]), 0.8 + width / 2, fill=True)
        else:
            paper.polyline(canvas, sheet.points(keep_out.points), closed=keep_out.is_area)
    clear = shape.buffer(keep_out.clearance_m)
    if not clear.is_empty:
        paper.pen(canvas, BLACK, 0.5, DASH_CLEAR)
        paper.polyline(canvas, sheet.points(shapely.get_coordinates(clear.exterior)))
    at = shapely.get_coordinates(shape.representative_point())[0]
    return Name(sheet.points(at), f"{keep_out.kind}: {keep_out.id}", size=6)


def _window(sheet: Sheet) -> shapely.Polygon:
    """Return the sheet's window in lot coordinates."""
    size = np.array([sheet.width, sheet.height]) * sheet.scale.ratio * paper.POINT_M
    return shapely.box(sheet.west, sheet.south, sheet.west + size[0], sheet.south + size[1])


def _street_name(sheet: Sheet, name: str, ring: Array) -> list[Name]:
    """Name a street where its right-of-way shows, clear of the lot."""
    seen = shapely.Polygon(ring).intersection(_window(sheet).buffer(-1.0))
    if seen.is_empty:
        return []
    low_x, low_y, high_x, high_y = seen.bounds
    upright = (high_y - low_y) > (high_x - low_x)
    share = np.array([0.5, 0.3]) if upright else np.array([0.3, 0.35])
    at = sheet.points(np.array([low_x, low_y]) + share * np.array([high_x - low_x, high_y - low_y]))
    return [Name(at, name, size=7, face=fonts.ITALIC, over=True, upright=upright)]


def _draw_main(canvas: Canvas, main: Main, sheet: Sheet, survey: Survey) -> list[Name]:
    """Draw a main with its size, flow arrow and manholes; give its names."""
    canvas.setFillColor(GREEN)
    paper.pen(canvas, GREEN, 1.4)
    paper.polyline(canvas, sheet.points(main.line))
    seen = shapely.LineString(main.line).intersection(_window(sheet).buffer(-1.5))
    if seen.is_empty:
        return []
    names = []
    middle = sheet.points(np.array(seen.interpolate(0.7, normalized=True).coords[0]))
    ahead = sheet.points(np.array(seen.interpolate(0.75, normalized=True).coords[0])) - middle
    paper.arrow(canvas, middle, ahead / np.hypot(*ahead), size=8)
    window = _window(sheet)
    for manhole in main.manholes:
        if not window.covers(shapely.Point(manhole.x_m, manhole.y_m)):
            continue
        at = sheet.points(np.array([manhole.x_m, manhole.y_m]))
        paper.circle(canvas, at, 3, fill=False)
        names.append(Name(at, manhole.id))
    size = format_length(main.diameter_m, small_unit(survey.site.units))
    label = f"{main.id}, {size}" if main.diameter_known else main.id
    at = sheet.points(np.array(seen.interpolate(0.12, normalized=True).coords[0]))
    return [*names, Name(at, label), *_beyond(canvas, main, sheet, seen, survey)]


def _beyond(
    canvas: Canvas, main: Main, sheet: Sheet, seen: shapely.Geometry, survey: Survey
) -> list[Name]:
    """Point from the edge of the sheet to the next manhole each way that lies off it."""
    line = shapely.LineString(main.line)
    shown = [line.project(shapely.Point(xy)) for xy in shapely.get_coordinates(seen)]
    first, last = min(shown), max(shown)
    stations = [one.station_m for one in main.manholes]
    names = []
    for manhole in main.manholes:
        up, down = manhole.station_m < first, manhole.station_m > last
        nearer = [
            s for s in stations if (manhole.station_m < s < first) or (last < s < manhole.station_m)
        ]
        if nearer or not (up or down):
            continue
        edge = first if up else last
        away = format_station(abs(manhole.station_m - edge), survey.site.units)
        at = sheet.points(np.array(line.interpolate(edge).coords[0]))
        inner = sheet.points(np.array(line.interpolate(edge + (1.0 if up else -1.0)).coords[0]))
        direction = (at - inner) / max(float(np.hypot(*(at - inner))), 1e-9)
        canvas.setFillColor(GREEN)
        paper.arrow(canvas, at - 6 * direction, direction, size=6)
        label_at = at - 8 * direction
        while shapely.box(*legend_box(survey, sheet)).covers(shapely.Point(label_at)):
            label_at = label_at - 8 * direction
        names.append(Name(label_at, f"to {manhole.id}, {away} beyond the sheet", size=6))
    return names


def _draw_lateral(canvas: Canvas, survey: Survey, sheet: Sheet) -> list[Name]:
    """Draw the fitted drain and the most probable route, dashed where they are inferred."""
    names = []
    paper.pen(canvas, BLACK, 1.4, DASH_INFERRED)
    penetration = survey.exit
    exit_xy = np.array([[penetration.x_m, penetration.y_m]])
    paper.polyline(canvas, sheet.points(np.concatenate([survey.drain.vertices, exit_xy])))
    for branch in () if survey.joined is None else survey.joined.branches:
        if len(branch.vertices) > 1:
            at = sheet.points(branch.vertices)
            paper.polyline(canvas, at)
            names.append(Name(at[0], f"{branch.id} (inferred)", size=6))
    route = best_route(survey, survey.scores.hypotheses[0])
    if route is not None:
        paper.polyline(canvas, sheet.points(route[0]))
        for feature in survey.derived.features:
            if feature.layer == "stretch" and feature.evidence_class in KNOWN:
                *_, dash, width = KNOWN[feature.evidence_class]
                paper.pen(canvas, BLACK, width, dash)
                paper.polyline(canvas, sheet.points(shapely.get_coordinates(feature.geometry)))
        paper.pen(canvas, BLACK, 1.4)
        canvas.setFillColor(BLACK)
        tap = sheet.points(route[0][-1])
        canvas.rect(tap[0] - 2.5, tap[1] - 2.5, 5, 5, stroke=1, fill=1)
        names.append(Name(tap, "tap (inferred)"))
    paper.pen(canvas, BLACK, 1.4)
    at = sheet.points(exit_xy[0])
    canvas.line(*(at - 4), *(at + 4))
    canvas.line(*(at + np.array([-4, 4])), *(at + np.array([4, -4])))
    return [*names, Name(at, "wall penetration (inferred)")]


def _draw_readings(canvas: Canvas, survey: Survey, sheet: Sheet) -> list[Name]:
    """Draw where the drain would leave under each likely other reading of the input."""
    names = []
    paper.pen(canvas, VIOLET, 1.4, DASH_READING)
    for one in () if survey.doubted is None else survey.doubted.readings:
        if one.likely:
            start = np.array([one.x_m, one.y_m])
            out = start + READING_SHOWN_M * lot_direction(one.angle_rad)
            at = sheet.points(np.stack([start, out]))
            paper.polyline(canvas, at)
            names.append(Name(at[1], f"here if {one.words} (inferred)", size=6, led=True))
    return names


def _draw_marks(canvas: Canvas, survey: Survey, sheet: Sheet, *, named: bool) -> list[Name]:
    """Draw the points; where the scale gives room, give their names with depths."""
    site = survey.site
    names: list[Name] = []
    paper.pen(canvas, BLACK, 1.4)
    for point in survey.placement.points:
        if point.kind == "wall":
            continue
        at = sheet.points(np.array([point.x_m, point.y_m]))
        canvas.setFillColor(white if point.kind == "locate" else BLACK)
        paper.circle(canvas, at, 1.6, fill=True)
        if not named:
            continue
        text = point.id
        if point.depth_m is not None:
            text += f" {format_length(point.depth_m, site.depth_units, fraction=2)}"
        names.append(Name(at, text, size=6, led=True))
    return names


def _draw_tie_in(canvas: Canvas, one: TieIn, sheet: Sheet) -> Name:
    """Draw a planned branch, dashed, with the opening cut from the slab about it."""
    paper.pen(canvas, VIOLET, 0.6)
    paper.polyline(canvas, sheet.points(one.opening), closed=True)
    paper.pen(canvas, VIOLET, 1.2, DASH_PLANNED)
    paper.polyline(canvas, sheet.points(one.path))
    if one.vent is not None:
        paper.pen(canvas, VIOLET, 0.7, DASH_VENT)
        paper.polyline(canvas, sheet.points(one.vent))
        paper.circle(canvas, sheet.points(one.vent[1]), 2.0, fill=False)
    return Name(sheet.points(one.path[0]), f"{one.name or one.fixture} (planned)", size=6)


def _draw_dug(canvas: Canvas, hole: Feature, sheet: Sheet) -> Name:
    """Draw a hole that was dug, crossed out where it did not show the pipe."""
    ring = sheet.points(shapely.get_coordinates(hole.geometry)[:4])
    paper.pen(canvas, GRAY, 0.9)
    paper.polyline(canvas, ring, closed=True)
    if hole.properties["found"] != "yes":
        paper.polyline(canvas, ring[[0, 2]])
        paper.polyline(canvas, ring[[1, 3]])
    known = {"yes": "seen", "no": "nothing found"}
    outcome = known.get(str(hole.properties["found"]), f"{hole.properties['found']} found")
    return Name(ring.mean(axis=0), f"{hole.properties['id']} (dug, {outcome})", size=6, led=True)


def _draw_pit(canvas: Canvas, pit: Pit, sheet: Sheet) -> Name:
    """Draw a proposed test pit: white ground, black outline."""
    paper.pen(canvas, BLACK, 0.9)
    paper.polyline(canvas, sheet.points(pit.ring), closed=True)
    return Name(sheet.points(pit.ring.mean(axis=0)), f"pit {pit.rank} (proposed)", size=6)
