"""The profile of the lateral record: ground, slab, invert with its band, main."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from reportlab.lib.colors import Color, black, white
from reportlab.pdfgen.canvas import Canvas

from ...geometry.frames import Array
from ...model.derived import Profile
from ...model.survey import Survey
from ...units import FOOT_M, is_imperial
from .. import fonts
from ..profile import ground_band, survey_profile
from . import sheet as paper

Place = Callable[[Array | float, Array | float], Array]


EXAGGERATIONS = (50, 20, 10, 5, 4, 2, 1)
"""Vertical exaggerations in use (common practice, no source), the largest first."""


def draw_profile(canvas: Canvas, survey: Survey, frame: tuple[float, float, float, float]) -> None:
    """Draw the profile to scale into a frame (left, bottom, width, height in points).

    Parameters
    ----------
    canvas
        Page that is drawn on.
    survey
        Survey whose earlier blocks are filled.
    frame
        Left, bottom, width and height, points.
    """
    profile = survey_profile(survey)
    left, bottom, width, height = frame
    ground = ground_band(profile)
    levels = np.concatenate([*ground, profile.low_m, profile.high_m])
    if profile.main_invert_m is not None:
        levels = np.append(levels, profile.main_invert_m)
    low, high = float(levels.min()) - 0.2, float(levels.max()) + 0.3
    first, last = float(profile.stations_m[0]), float(profile.stations_m[-1])
    across, times = _scales(survey, (last - first, high - low), (width, height))
    per_m = 1.0 / (across.ratio * paper.POINT_M)
    # what the round scales leave over is shared to both sides
    first -= (width / per_m - (last - first)) / 2
    low -= (height / (times * per_m) - (high - low)) / 2

    def at(station: Array | float, elevation: Array | float) -> Array:
        x = left + (np.asarray(station) - first) * per_m
        y = bottom + (np.asarray(elevation) - low) * per_m * times
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    limits = (low, low + height / (times * per_m), first, first + width / per_m)
    _draw_axes(
        canvas, survey, frame, limits, f"horizontal {across.words}, vertical exaggeration {times}:1"
    )
    outside = (profile.stations_m >= 0.0) & (profile.surface_sd_m > 0.0)
    stations = profile.stations_m
    _draw_band(
        canvas,
        at(stations[outside], ground[0][outside]),
        at(stations[outside], ground[1][outside]),
        0.91,
    )
    _draw_band(canvas, at(stations, profile.low_m), at(stations, profile.high_m), 0.78)
    paper.pen(canvas, black, 0.8)
    paper.polyline(canvas, at(stations, profile.surface_m))
    paper.pen(canvas, black, 1.2, (5, 3))
    paper.polyline(canvas, at(stations, profile.invert_m))
    paper.pen(canvas, black, 1.2, (2, 2))
    wall = at(0.0, np.array([limits[0], limits[1]]))
    canvas.line(*wall.ravel().tolist())
    paper.pen(canvas, black, 1.2)
    canvas.setFillColor(white)
    for station, invert in profile.marks:
        paper.circle(canvas, at(station, invert), 1.8, fill=True)
    canvas.setFillColor(black)
    for name, station, invert in profile.seen:
        paper.circle(canvas, at(station, invert), 2.4, fill=True)
        paper.label(canvas, at(station, invert) + np.array([-8, -13]), f"{name}, seen")
    _draw_words(canvas, profile, at)


def _scales(
    survey: Survey, size_m: tuple[float, float], room: tuple[float, float]
) -> tuple[paper.Scale, int]:
    """Choose the horizontal scale and the vertical exaggeration at which a size fits the room.

    ``size_m`` is length and height in meters, ``room`` the paper's in points. Where no
    exaggeration leaves room for the height, the horizontal scale is made smaller.
    """
    for across in paper.scales(survey.site.units):
        points_m = 1.0 / (across.ratio * paper.POINT_M)
        # the largest exaggeration that fits, at the largest horizontal scale that has one
        for times in EXAGGERATIONS:
            if size_m[0] * points_m <= room[0] and size_m[1] * points_m * times <= room[1]:
                return across, times
    raise ValueError("the site is too large for any drawing scale")


def _draw_band(canvas: Canvas, lower: Array, upper: Array, gray: float) -> None:
    """Fill what lies between two lines (n, 2)."""
    if len(lower) < 2:
        return
    shade = Color(gray, gray, gray)
    canvas.setFillColor(shade)
    paper.pen(canvas, shade, 0.3)
    paper.polyline(canvas, np.concatenate([upper, lower[::-1]]), closed=True, fill=True)


def _draw_words(canvas: Canvas, profile: Profile, at: Place) -> None:
    """Name what is drawn, beside it."""
    first, last = float(profile.stations_m[0]), float(profile.stations_m[-1])
    paper.label(canvas, at(0.0, profile.surface_m.max()) + np.array([3, 4]), "outside wall")
    paper.label(canvas, at(first, 0.0) + np.array([3, 4]), "basement slab")
    if last > 0:
        paper.label(
            canvas, at(last * 0.7, profile.surface_m[-1]) + np.array([0, 4]), "ground, 90 % band"
        )
    words = "invert, inferred, with its own 90 % band"
    paper.label(canvas, at(first / 2, profile.low_m[0]) + np.array([0, -16]), words)
    if profile.main_invert_m is not None:
        main = at(last, profile.main_invert_m)
        paper.circle(canvas, main, 3, fill=False)
        paper.label(canvas, main + np.array([-58, -9]), "main's invert")


def _draw_axes(
    canvas: Canvas,
    survey: Survey,
    frame: tuple[float, float, float, float],
    limits: tuple[float, float, float, float],
    scale_words: str,
) -> None:
    """Draw frame, grid lines and their values in the site's units."""
    left, bottom, width, height = frame
    low, high, first, last = limits
    imperial = is_imperial(survey.site.units)
    unit_m, word = (FOOT_M, "ft") if imperial else (1.0, "m")
    paper.pen(canvas, Color(0.75, 0.75, 0.75), 0.3)
    canvas.setFont(fonts.PLAIN, 6)
    canvas.setFillColorRGB(0, 0, 0)
    up, along = (2, 20) if imperial else (1, 5)
    for n in range(int(np.ceil(low / unit_m)), int(high / unit_m) + 1):
        if n % up == 0:
            y = bottom + (n * unit_m - low) / (high - low) * height
            canvas.line(left, y, left + width, y)
            canvas.drawRightString(left - 3, y - 2, f"{n}")
    for n in range(int(np.ceil(first / unit_m)), int(last / unit_m) + 1):
        if n % along == 0:
            x = left + (n * unit_m - first) / (last - first) * width
            canvas.line(x, bottom, x, bottom + height)
            canvas.drawCentredString(x, bottom - 8, f"{n}")
    canvas.drawString(
        left,
        bottom - 17,
        f"distance from the outside of the wall, {word} (under the house: negative); elevation "
        f"above the basement slab, {word}",
    )
    canvas.drawString(left, bottom - 25, scale_words)
    canvas.setStrokeColorRGB(0, 0, 0)
    canvas.rect(left, bottom, width, height, stroke=1, fill=0)
