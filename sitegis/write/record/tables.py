"""The tables of the lateral record: what a municipality's side-sewer record asks for.

The fields follow what US cities list for side-sewer as-built drawings (stub stationing from a
manhole, length, diameter, material, depth, ties; common practice, from memory).
"""

from __future__ import annotations

from ...dig.depths import best_route, routes_of
from ...exit import turn_words
from ...model.derived import TapSpread
from ...model.survey import Survey
from ...numerics.statistics import ELLIPSE_95, NORMAL_95, weighted_quantiles
from ...place.report import checked, observation_line, summary_lines
from ...units import (
    LengthUnit,
    about,
    format_length,
    format_slope,
    format_station,
    percent,
    small_unit,
)
from ..answer_intervals import station_words
from ..features import point_class
from ..report.section import Cells, Section
from ..text import OTHER, heading_words, noise_words, point_words, wall_offset_words
from .particulars import building_words

NOT_GIVEN = "assumed: not given"
Rows = list[Cells]
BLANK = "not recorded"
SUSPICIOUS_W = 3.29  # the w-test's limit at 0.1 %


def lateral_section(survey: Survey) -> Section:
    """Return the lateral's fields: name, value, how it is known."""
    site, penetration, best = survey.site, survey.exit, survey.scores.hypotheses[0]
    units = site.units
    rows: Rows = [
        ("Diameter", format_length(site.drain_diameter_m, small_unit(units)),
         "as stated on site" if site.drain_diameter_known else NOT_GIVEN),
        ("Material", site.drain_material or BLANK,
         "as stated on site" if site.drain_material else ""),
        ("Building, outside", building_words(survey), "record"),
        ("Wall penetration", _exit_words(survey), "inferred from located points"),
        ("Direction at the wall", f"{heading_words(survey)}, grid", "inferred from located points"),
        ("Bend before the wall", turn_words(penetration),
         "inferred; a bend no point shows is possible"),
        ("Depth to invert at the wall", f"{about(penetration.depth_m, units)} ± "
         f"{about(NORMAL_95 * penetration.depth_sd_m, units)}", "inferred, 95 %"),
        ("Slope under the slab", f"{format_slope(survey.drain.slope, units)} ± "
         f"{100 * NORMAL_95 * survey.drain.slope_sd:.1f} %", "inferred, 95 %"),
        ("Noise against that stated", noise_words(survey) or BLANK, "learned on the site, 95 %"),
        ("Main most likely joined", f"{best.hypothesis.main or OTHER} "
         f"({percent(best.probability)})", "inferred"),
    ]  # fmt: skip
    if survey.dig.corridors:
        rows.append(
            (
                "Corridor",
                "shaded on the plan: 95 % of the routes lie wholly in it",
                f"inferred, if it joins {best.hypothesis.main or 'a main'}",
            )
        )
    rows += _tap_rows(survey)
    return Section("Lateral", ("field", "value", "how it is known"), tuple(rows))


def _exit_words(survey: Survey) -> str:
    """Return the exit in words, by its wall and the nearer corner."""
    return f"{survey.exit.side} wall, {wall_offset_words(survey)} (95 %, relative to the house)"


def _tap_rows(survey: Survey) -> Rows:
    """List length, tap stationing and arrival of the most probable route."""
    best, units = survey.scores.hypotheses[0], survey.site.units
    samples = routes_of(survey, best)
    tap = next((t for t in survey.derived.taps if t.main.id == best.hypothesis.main), None)
    if samples is None or tap is None:
        return [("Tap", BLANK, "no route fits a main on record")]
    low, middle, high = weighted_quantiles(samples.lengths_m, best.weights, (0.025, 0.5, 0.975))
    arrival = float(best.weights @ samples.arrivals_m)
    return [
        ("Length, wall to main", f"{about(middle, units)} "
         f"({about(low, units)} to {about(high, units)})", "inferred, 95 %"),
        ("Tap stationing", station_words(tap, units) or _from_the_top(tap, units), "inferred"),
        *_station_rows(tap, units),
        ("Main's diameter", format_length(tap.main.diameter_m, small_unit(units)),
         "record" if tap.main.diameter_known else NOT_GIVEN),
        ("Invert at connection", f"{about(arrival, units)} above the main's invert (drop at main)",
         "inferred"),
    ]  # fmt: skip


def _from_the_top(tap: TapSpread, units: LengthUnit) -> str:
    """Say the station where there is no manhole on record to count from."""
    at = format_station(tap.station_m, units)
    return f"station {at} from the upper end of the main on record"


def _station_rows(tap: TapSpread, units: LengthUnit) -> Rows:
    """List the 50, 80 and 95 % intervals of the station."""
    words = []
    for one in tap.from_manhole or tap.station:
        low, high = (format_station(value, units) for value in one.pieces[0])
        words.append(f"{one.level:.0%}: {low} to {high}".replace("%", " %"))
    return [("Station intervals", "; ".join(words), f"inferred, if it joins {tap.main.id}")]


def point_section(survey: Survey) -> Section:
    """Return the points: id, kind, class, x, y in the lot, depth, 95 % radius."""
    units = survey.site.units
    rows: Rows = []
    for point in survey.placement.points:
        depth = (
            ""
            if point.depth_m is None
            else format_length(point.depth_m, survey.site.depth_units, fraction=2)
        )
        rows.append(
            (
                point.id,
                point.kind,
                point_class(point),
                about(point.x_m, units),
                about(point.y_m, units),
                depth,
                about(ELLIPSE_95 * point.sd_major_m, units),
            )
        )
    return Section(
        "Points, in lot coordinates (x along the front line, y toward the rear)",
        ("id", "kind", "class", "x", "y", "depth to camera head", "95 % radius"),
        tuple(rows),
    )


def tie_section(survey: Survey) -> Section:
    """Return the swing ties of the exit and the first pits."""
    units = survey.site.units
    named = [("wall penetration (inferred)", survey.dig.exit_ties)]
    named += [(f"pit {pit.rank} center (proposed)", pit.ties) for pit in survey.dig.pits[:3]]
    return Section(
        "Swing ties",
        ("to", "from", "distance"),
        tuple(
            (name, point_words(tie.from_name), about(tie.distance_m, units))
            for name, ties in named
            for tie in ties
        ),
    )


def class_section(survey: Survey) -> Section:
    """Return the evidence class of each part of the drawing."""
    rows: Rows = [
        ("Locate points, found from above the camera head", "located"),
        ("Cleanout, stack, floor drain", "exposed"),
        ("Door jambs and corners of walls, taped", "measured"),
        ("Line between and beyond the points, wall penetration, lateral, tap", "inferred"),
        ("Lot, building, streets, mains, manholes", "record"),
    ]
    if best_route(survey, survey.scores.hypotheses[0]) is None:
        rows.append(("Lateral outside the wall", "not known"))
    return Section("Evidence class of each part", ("part", "class"), tuple(rows))


def adjustment_section(survey: Survey) -> Section:
    """Return the adjustment in short: points, measurements, the worst, and what is suspect."""
    adjustment, units = survey.placement.adjustment, survey.site.units
    head, *sentences = summary_lines(adjustment)
    sentences = [f"{len(survey.placement.points)} points from {head}", *sentences]
    rest = checked(adjustment)
    kept = [item for item in rest if not item.removed]
    if kept:
        sentences.append(f"Worst of those kept: {observation_line(kept[0], units, state=False)}.")
    removed = [item for item in rest if item.removed]
    sentences += [f"Left out: {observation_line(item, units)}." for item in removed]
    suspects = [item.name for item in kept if abs(item.w) > SUSPICIOUS_W]
    if suspects:
        listed = ", ".join(suspects)
        sentences.append(
            f"Suspicious but kept (standardized residual over {SUSPICIOUS_W}): {listed}."
        )
    elif not rest:
        sentences.append(
            "No measurement checks another, so a blunder of the tape would go undetected."
        )
    elif not removed:
        sentences.append("No taped measurement was left out, and none is suspicious.")
    return Section("Adjustment of the measurements", sentences=tuple(sentences))
