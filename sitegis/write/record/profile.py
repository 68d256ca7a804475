"""The profile of the lateral record: ground, slab, invert with its band, main."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from reportlab.lib.colors import Color
from reportlab.pdfgen.canvas import Canvas

from ..._frames import Array
from ..._survey import Survey
from ..._units import FOOT_M, format_length, is_imperial
from . import sheet as paper


@dataclass(frozen=True, slots=True)
class Profile:
    """Elevations (m above slab) against the distance (m) from the drain's upstream start.

    ``ground_m`` is the slab indoors and the ground outdoors; ``low_m, high_m`` are the 5–95 %
    band of the invert. ``exit_m`` is the distance of the wall.
    """

    distance_m: Array
    ground_m: Array
    invert_m: Array
    low_m: Array
    high_m: Array
    exit_m: float
    main_invert_m: float | None
    marks: tuple[tuple[str, float, float], ...]


def profile_of(survey: Survey) -> Profile:
    """Gather the profile along the drain and the most probable route."""
    drain, left_at = survey.drain, survey.exit
    exit_m = drain.length_m + left_at.unseen_m
    indoor = np.array([0.0, drain.length_m, exit_m])
    back = exit_m - indoor
    invert = left_at.invert_m + left_at.slope * back
    spread = 1.645 * np.sqrt(left_at.invert_sd_m**2 + (left_at.slope_sd * back / 2) ** 2)
    steps = survey.dig.depths
    distance = np.concatenate([indoor, [exit_m + step.station_m for step in steps]])
    ground = np.concatenate([np.zeros(3), [step.ground_m for step in steps]])
    inverts = np.concatenate([invert, [step.invert_m for step in steps]])
    low = np.concatenate([invert - spread, [s.ground_m - s.depth_95_m for s in steps]])
    high = np.concatenate([invert + spread, [s.ground_m - s.depth_05_m for s in steps]])
    return Profile(
        distance, ground, inverts, low, high, exit_m, _main_invert(survey), _marks(survey)
    )


def _main_invert(survey: Survey) -> float | None:
    """Give the main's invert at the most probable tap, where there is one."""
    best = survey.scores.hypotheses[0]
    if best.best is None:
        return None
    samples = next(r for r in survey.routes if r.hypothesis.id == best.hypothesis.id)
    return float(samples.inverts_m[best.best, -1] - samples.arrivals_m[best.best])


def _marks(survey: Survey) -> tuple[tuple[str, float, float], ...]:
    """Give id, distance and invert of every located point on the drain."""
    marks = []
    for name, station in zip(survey.drain.point_ids, survey.drain.stations_m, strict=True):
        point = survey.placement.points[survey.placement.index(name)]
        if point.depth_m is not None:
            invert = point.surface_elevation_m - point.depth_m - survey.site.head_above_invert_m
            marks.append((name, float(station), invert))
    return tuple(marks)


def draw_profile(
    canvas: Canvas, survey: Survey, frame: tuple[float, float, float, float]
) -> None:  # fmt: skip
    """Draw the profile into a frame (left, bottom, width, height in points)."""
    profile = profile_of(survey)
    left, bottom, width, height = frame
    values = np.concatenate([profile.ground_m, profile.low_m, [profile.main_invert_m or 0.0]])
    low, high = float(values.min()) - 0.2, float(values.max()) + 0.3
    span = float(profile.distance_m.max())

    def at(distance: Array | float, elevation: Array | float) -> Array:
        x = left + np.asarray(distance) / span * width
        y = bottom + (np.asarray(elevation) - low) / (high - low) * height
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    _draw_axes(canvas, survey, frame, (low, high, span))
    canvas.setFillColor(Color(0.85, 0.85, 0.85))
    canvas.setStrokeColor(Color(0.85, 0.85, 0.85))
    band = np.concatenate(
        [at(profile.distance_m, profile.high_m), at(profile.distance_m, profile.low_m)[::-1]]
    )
    paper.polyline(canvas, band, closed=True, fill=True)
    canvas.setStrokeColorRGB(0, 0, 0)
    canvas.setLineWidth(0.8)
    paper.polyline(canvas, at(profile.distance_m, profile.ground_m))
    canvas.setLineWidth(1.2)
    canvas.setDash([5, 3], 0)
    paper.polyline(canvas, at(profile.distance_m, profile.invert_m))
    canvas.setDash([2, 2], 0)
    wall = at(profile.exit_m, np.array([low, high]))
    canvas.line(*wall[0], *wall[1])
    canvas.setDash()
    canvas.setFillColorRGB(0, 0, 0)
    for _name, distance, invert in profile.marks:
        paper.circle(canvas, at(distance, invert), 1.8, fill=True)
    _draw_words(canvas, profile, at)


def _draw_words(canvas: Canvas, profile: Profile, at: object) -> None:
    """Name what is drawn, beside it."""
    assert callable(at)
    exit_top = at(profile.exit_m, profile.ground_m.max())
    paper.label(canvas, exit_top + np.array([3, 4]), "outside wall")
    paper.label(canvas, at(0.0, 0.0) + np.array([3, 4]), "basement slab")
    paper.label(canvas, at(profile.distance_m[-1] * 0.8, profile.ground_m[-1]) + np.array([0, 4]),
                "ground")  # fmt: skip
    paper.label(canvas, at(profile.exit_m / 2, profile.low_m[1]) + np.array([0, -10]),
                "invert, inferred, with 5-95 % band")  # fmt: skip
    if profile.main_invert_m is not None:
        main = at(profile.distance_m[-1], profile.main_invert_m)
        paper.circle(canvas, main, 3, fill=False)
        paper.label(canvas, main + np.array([-58, -9]), "main's invert")


def _draw_axes(
    canvas: Canvas, survey: Survey, frame: tuple[float, float, float, float],
    limits: tuple[float, float, float],
) -> None:  # fmt: skip
    """Draw frame, grid lines and their values in the site's units."""
    left, bottom, width, height = frame
    low, high, span = limits
    imperial = is_imperial(survey.site.units)
    unit_m, word = (FOOT_M, "ft") if imperial else (1.0, "m")
    canvas.setLineWidth(0.3)
    canvas.setStrokeColorRGB(0.75, 0.75, 0.75)
    canvas.setFont(paper.PLAIN, 6)
    canvas.setFillColorRGB(0, 0, 0)
    every = 2 if imperial else 1
    for n in range(int(np.ceil(low / unit_m)), int(high / unit_m) + 1):
        if n % every == 0:
            y = bottom + (n * unit_m - low) / (high - low) * height
            canvas.line(left, y, left + width, y)
            canvas.drawRightString(left - 3, y - 2, f"{n}")
    along = 20 if imperial else 5
    for n in range(0, int(span / unit_m) + 1, along):
        x = left + n * unit_m / span * width
        canvas.line(x, bottom, x, bottom + height)
        canvas.drawCentredString(x, bottom - 8, f"{n}")
    wall = format_length(profile_exit_m(survey), survey.site.units)
    canvas.drawString(
        left, bottom - 17,
        f"distance from the upstream end of the drain, {word}; elevation above the basement slab, "
        f"{word}; vertical scale exaggerated; wall at {wall}",
    )  # fmt: skip
    canvas.setStrokeColorRGB(0, 0, 0)
    canvas.rect(*frame, stroke=1, fill=0)


def profile_exit_m(survey: Survey) -> float:
    """Give the distance of the wall from the drain's upstream end."""
    return survey.drain.length_m + survey.exit.unseen_m
