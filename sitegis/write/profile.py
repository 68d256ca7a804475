"""The long section: floor, ground, invert with its band, and the main, as numbers and as SVG."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from ..dig.depths import best_route, invert_quantiles, most_probable
from ..dig.trenches import exposures
from ..finds.kinds import measured_invert_m
from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.derived import Profile
from ..model.survey import Survey
from ..numerics.intervals import normal_samples
from ..numerics.statistics import NORMAL_BELOW_95, mixture_moments
from ..pits.exposure import ground_sd_m
from ..units import FOOT_M, LengthUnit, is_imperial

LEFT, TOP, BOTTOM = 62.0, 26.0, 40.0
INDOOR_STEPS = 13


def survey_profile(survey: Survey) -> Profile:
    """Put the section together from the drain's fit, the routes and the depths of ``dig``.

    The invert's band outdoors is of the routes' inverts alone: the error of the mapped ground
    makes a depth uncertain, not the pipe's elevation. Of a survey whose ``derived`` is filled it is
    the one there.
    """
    if survey.found is not None:
        return survey.found.section
    # two halves, under the house and outdoors, joined at the wall: station 0
    stations, xy, invert, spread = _indoor(survey)
    steps = survey.dig.depths
    # (n, 6); none where no route fits
    outdoor = np.array(
        [(s.station_m, s.x_m, s.y_m, s.ground_m, s.depth_05_m, s.depth_95_m) for s in steps]
    ).reshape(-1, 6)
    # the slab is elevation 0, and known exactly: all elevations are relative to it
    floor = np.zeros(len(stations))
    ground, ground_sd = outdoor[:, 3], ground_sd_m(survey.site, outdoor[:, 1:3])
    low, middle, high = _outdoor_inverts(survey, outdoor[:, 0]).T
    main_id, main_invert, diameter = _main_at_end(survey)
    return Profile(
        np.concatenate([stations, outdoor[:, 0]]),
        np.concatenate([xy, outdoor[:, 1:3]]),
        np.concatenate([floor, ground]),
        np.concatenate([floor, ground_sd]),
        np.concatenate([invert, middle]),
        np.concatenate([invert - spread, low]),
        np.concatenate([invert + spread, high]),
        # indoors depths are from the slab's surface, which is at elevation 0
        np.concatenate([-invert - spread, outdoor[:, 4]]),
        np.concatenate([spread - invert, outdoor[:, 5]]),
        _marks(survey, float(stations[0])),
        _seen(survey, outdoor[:, :3]),
        main_id,
        main_invert,
        diameter,
    )


def _outdoor_inverts(survey: Survey, at_m: Array) -> Array:
    """Return 5, 50 and 95 % quantiles (n, 3) of the inverts of the most probable way's routes."""
    found = most_probable(survey)
    if found is None or not at_m.size:
        return np.zeros((0, 3))
    scored, routes = found
    return invert_quantiles(routes.vertices, routes.inverts_m, scored.weights, at_m)


def invert_under_slab(survey: Survey, back_m: Array) -> tuple[Array, Array]:
    """Return the invert's mean and sd (n,) at distances back (upstream) from the drain's end.

    Each Gaussian of the profile is carried back by its slope, the mixture's two moments taken.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    back_m
        Distances upstream of the drain's end (n,), m.

    Returns
    -------
    means
        (n,), m above the slab.
    sds
        (n,), m.
    """
    weights, means, variances = _carried_back(survey, np.asarray(back_m, float))
    mean, variance = mixture_moments(weights, means, variances)
    return mean, np.sqrt(variance)


def invert_samples(survey: Survey, back_m: float) -> tuple[Array, Array]:
    """Return values (m,) and weights that stand for the invert at a distance back from the end.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    back_m
        Distance upstream of the drain's end, m.

    Returns
    -------
    samples
        (m,), m above the slab.
    weights
        (m,).
    """
    weights, means, variances = _carried_back(survey, np.array([back_m]))
    # of each component by itself: a mixture of normal distributions is not one
    return normal_samples(weights, means[:, 0], np.sqrt(np.maximum(variances[:, 0], 0.0)))


def _carried_back(survey: Survey, back: Array) -> tuple[Array, Array, Array]:
    """Return weights (k,), means and variances (k, n) of the profile's Gaussians, carried back."""
    components = survey.drain.profile
    weights = np.array([one.weight for one in components])
    means = np.stack([one.mean[0] + one.mean[1] * back for one in components])
    # variance of invert + slope × distance
    variances = np.stack(
        [
            one.covariance[0, 0]
            + 2.0 * back * one.covariance[0, 1]
            + back**2 * one.covariance[1, 1]
            for one in components
        ]
    )
    return weights, means, variances


def _indoor(survey: Survey) -> tuple[Array, Array, Array, Array]:
    """Sample the drain under the house: stations from the exit, places, invert, half band."""
    drain, penetration = survey.drain, survey.exit
    ending = np.array([[penetration.x_m, penetration.y_m]])
    line = np.concatenate([drain.vertices, ending])
    whole = float(polyline.length(line))
    # more than a straight line needs: bends show in plan, and the band widens as a curve
    sampled = np.linspace(0.0, whole, INDOOR_STEPS)
    xy = polyline.line_interpolate_point(line, sampled)
    invert, sd = invert_under_slab(survey, drain.length_m - sampled)
    # 0 at the outside of the wall, negative under the house
    # half of a band of 90 %, as the routes have it outdoors
    return sampled - whole, xy, invert, NORMAL_BELOW_95 * sd


def _marks(survey: Survey, start_m: float) -> Array:
    """Return station and invert of the points on the drain that have a depth, (j, 2)."""
    drain, placement = survey.drain, survey.placement
    head = survey.site.head_above_invert_m
    rows = []
    for name, station in zip(drain.point_ids, drain.stations_m, strict=True):
        point = placement.points[placement.index(name)]
        if point.depth_m is not None:
            # the receiver found the camera's head, which rides above the invert
            rows.append((start_m + station, point.surface_elevation_m - point.depth_m - head))
    return np.array(rows, dtype=float).reshape(-1, 2)


def _seen(survey: Survey, along: Array) -> tuple[tuple[str, float, float], ...]:
    """Return name, station, invert of what was seen beside a route's stations and places (n, 3)."""
    if len(along) < 2:
        return ()
    rows = []
    for find in exposures(survey):
        known = measured_invert_m(find, survey.site)
        if known is not None:
            # beside the route, not on it: the nearest station
            at = polyline.line_locate_point(along[:, 1:], np.array([find.x_m, find.y_m]))[1]
            rows.append((find.id, float(along[0, 0] + at), known[0]))
    return tuple(rows)


def _main_at_end(survey: Survey) -> tuple[str, float | None, float]:
    """Return id, invert at the tap and diameter of the main that the best route joins."""
    scored = survey.scores.hypotheses[0]
    route = best_route(survey, scored)
    if route is None or scored.best is None or not survey.dig.depths:
        return "", None, 0.0
    samples = next(r for r in survey.routes if r.hypothesis.id == scored.hypothesis.id)
    diameter = next(
        (main.diameter_m for main in survey.site.mains if main.id == scored.hypothesis.main), 0.0
    )
    # the main's own invert: the route's at the tap less how far above it arrives
    invert = float(route[1][-1] - samples.arrivals_m[scored.best])
    return scored.hypothesis.main or "", invert, diameter


def ground_band(profile: Profile) -> tuple[Array, Array]:
    """Return the low and high edge (k,) that hold the surface with 90 %."""
    half = NORMAL_BELOW_95 * profile.surface_sd_m
    return profile.surface_m - half, profile.surface_m + half


# ------------------------------------------------------------------------------------ SVG


@dataclass(frozen=True, slots=True)
class Size:
    """Width and height of the drawing in its own units, what is left free at its right end."""

    name: str
    width: float
    height: float
    right: float
    labels: int


WIDE = Size("wide", 920.0, 250.0, 96.0, 6)
NARROW = Size("narrow", 460.0, 270.0, 24.0, 4)
"""For a phone or half a screen: as wide as its type stays readable there."""


@dataclass(frozen=True, slots=True)
class _Scale:
    """Stations and elevations to the drawing's own units."""

    size: Size
    first_m: float
    last_m: float
    low_m: float
    high_m: float

    @property
    def end(self) -> float:
        """Where the drawing ends at the right."""
        return self.size.width - self.size.right

    @property
    def bottom(self) -> float:
        """Where the drawing ends below."""
        return self.size.height - BOTTOM

    def x(self, station_m: float) -> float:
        share = (station_m - self.first_m) / (self.last_m - self.first_m)
        return LEFT + share * (self.end - LEFT)

    def y(self, elevation_m: float) -> float:
        # y of SVG grows downward, elevations upward
        share = (self.high_m - elevation_m) / (self.high_m - self.low_m)
        return TOP + share * (self.bottom - TOP)

    def points(self, stations_m: Array, elevations_m: Array) -> str:
        pairs = zip(stations_m, elevations_m, strict=True)
        return " ".join(f"{self.x(float(s)):.1f},{self.y(float(e)):.1f}" for s, e in pairs)


def profile_svg(profile: Profile, *, units: LengthUnit, size: Size = WIDE) -> Markup:
    """Draw the section as one SVG element; heights are drawn larger than lengths.

    Parameters
    ----------
    profile
        The section.
    units
        Unit of the site, in which lengths are shown.
    size
        Width and height of the drawing.

    Returns
    -------
    Markup
        The SVG element.
    """
    scale = _scale(profile, size)
    outside = profile.stations_m > 0.0
    parts = [
        _axes(scale, units),
        _ground_band(scale, profile, outside),
        _surface(scale, profile, outside),
        _invert(scale, profile),
        _main_symbol(scale, profile),
        Markup('<line class="cursor" x1="0" x2="0" y1="{}" y2="{}" visibility="hidden"/>').format(
            TOP, scale.bottom
        ),
        Markup('<rect class="hover" x="{}" y="{}" width="{}" height="{}"/>').format(
            LEFT, TOP, scale.end - LEFT, scale.bottom - TOP
        ),
    ]
    opening = Markup(
        '<svg class="profile {}" viewBox="0 0 {:.0f} {:.0f}" role="img"'
        ' data-left="{:.0f}" data-right="{:.0f}" data-first="{:.4f}" data-last="{:.4f}">'
        "<title>Section along the drain and its most probable route: floor, "
        "ground, invert, each with its 90 % band, and the main</title>"
    ).format(size.name, size.width, size.height, LEFT, scale.end, scale.first_m, scale.last_m)
    return Markup("").join([opening, *parts, Markup("</svg>")])


def _scale(profile: Profile, size: Size) -> _Scale:
    edges = ground_band(profile)
    heights = [*edges, profile.low_m, profile.high_m, profile.marks[:, 1]]
    heights.append(np.array([invert for _, _, invert in profile.seen]))
    if profile.main_invert_m is not None:
        heights.append(np.array([profile.main_invert_m]))
    together = np.concatenate(heights)
    low, high = float(together.min()), float(together.max())
    # a margin of 6 %, and never none: a level section would have no height to scale by
    room = 0.06 * max(high - low, 0.5)
    last = max(float(profile.stations_m[-1]), float(profile.stations_m[0]) + 1.0)
    return _Scale(size, float(profile.stations_m[0]), last, low - room, high + room)


def _steps(low: float, high: float, unit_m: float, count: int) -> Array:
    """Return round values between two lengths, about ``count`` of them, in meters."""
    rough = (high - low) / unit_m / count
    # 1, 2 or 5 times a power of ten, the least that gives no more than so many
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(float(power * m) for m in (1.0, 2.0, 5.0, 10.0) if power * m >= rough * 0.999)
    first = np.ceil(low / unit_m / step)
    last = np.floor(high / unit_m / step)
    return np.arange(first, last + 1) * step * unit_m


def _axes(scale: _Scale, units: LengthUnit) -> Markup:
    unit_m, name = (FOOT_M, "ft") if is_imperial(units) else (1.0, "m")
    parts = []
    for elevation in _steps(scale.low_m, scale.high_m, unit_m, 6):
        y = scale.y(float(elevation))
        parts.append(
            Markup(
                '<line class="grid" x1="{:.0f}" x2="{:.0f}" y1="{:.1f}" y2="{:.1f}"/>'
                '<text x="{:.0f}" y="{:.1f}" text-anchor="end">{:g}</text>'
            ).format(LEFT, scale.end, y, y, LEFT - 6, y + 4, round(elevation / unit_m, 6) + 0.0)
        )
    for station in _steps(scale.first_m, scale.last_m, unit_m, scale.size.labels):
        x = scale.x(float(station))
        parts.append(
            Markup(
                '<line class="tick" x1="{:.1f}" x2="{:.1f}" y1="{:.1f}" y2="{:.1f}"/>'
                '<text x="{:.1f}" y="{:.1f}" text-anchor="middle">{:g}</text>'
            ).format(
                x,
                x,
                scale.bottom,
                scale.bottom + 5,
                x,
                scale.bottom + 18,
                round(station / unit_m, 6) + 0.0,
            )
        )
    parts.append(
        Markup(
            '<text class="axis" x="{:.0f}" y="{:.0f}" text-anchor="middle">{} from the outside of '
            'the wall (under the house: negative)</text><text class="axis" x="4" y="14">{} above '
            "slab</text>"
        ).format((LEFT + scale.end) / 2, scale.size.height - 5, name, name)
    )
    return Markup("").join(parts)


def _surface(scale: _Scale, profile: Profile, outside: NDArray[np.bool_]) -> Markup:
    slab_top = scale.y(0.0)
    wall = scale.x(0.0)
    parts = [
        Markup('<rect class="slab" x="{:.1f}" y="{:.1f}" width="{:.1f}" height="5"/>').format(
            LEFT, slab_top, wall - LEFT
        ),
        Markup('<text x="{:.1f}" y="{:.1f}">basement slab</text>').format(LEFT + 6, slab_top - 5),
    ]
    # from the wall on: the first known ground is taken back to it
    if outside.any():
        first_ground = float(profile.surface_m[outside][0])
        stations = np.concatenate([[0.0], profile.stations_m[outside]])
        ground = np.concatenate([[first_ground], profile.surface_m[outside]])
        parts.append(
            Markup(
                '<rect class="wall" x="{:.1f}" y="{:.1f}" width="7" height="{:.1f}"/>'
                '<polyline class="ground" points="{}"/>'
                '<text x="{:.1f}" y="{:.1f}">ground (band 90 %)</text>'
            ).format(
                wall - 7,
                scale.y(first_ground) - 8,
                max(slab_top - scale.y(first_ground), 0.0) + 8,
                scale.points(stations, ground),
                wall + 10,
                scale.y(first_ground) - 5,
            )
        )
    return Markup("").join(parts)


def _ground_band(scale: _Scale, profile: Profile, outside: NDArray[np.bool_]) -> Markup:
    """Draw how well the ground is known, apart from the pipe."""
    if not outside.any():
        return Markup("")
    low, high = (edge[outside] for edge in ground_band(profile))
    at = profile.stations_m[outside]
    return Markup('<polygon class="ground-band" points="{}"/>').format(
        scale.points(np.concatenate([at, at[::-1]]), np.concatenate([low, high[::-1]]))
    )


def _invert(scale: _Scale, profile: Profile) -> Markup:
    # along the upper edge and back along the lower: one closed outline
    around = np.concatenate([profile.stations_m, profile.stations_m[::-1]])
    band = np.concatenate([profile.low_m, profile.high_m[::-1]])
    middle = len(profile.stations_m) * 3 // 4
    marks = Markup("").join(
        Markup('<circle class="mark" cx="{:.1f}" cy="{:.1f}" r="4"/>').format(
            scale.x(float(station)), scale.y(float(invert))
        )
        for station, invert in profile.marks
    ) + Markup("").join(
        Markup(
            '<circle class="mark seen" cx="{0:.1f}" cy="{1:.1f}" r="5"/>'
            '<text x="{0:.1f}" y="{2:.1f}" text-anchor="middle">{3} (seen)</text>'
        ).format(scale.x(station), scale.y(invert), scale.y(invert) + 20.0, escape(_clip(name)))
        for name, station, invert in profile.seen
    )
    words: tuple[str, ...] = ("invert: inferred, not located (band 90 %)",)
    x, y, anchor = scale.x(float(profile.stations_m[middle])), profile.high_m[middle], "middle"
    if scale.size is not WIDE:
        words = ("invert: inferred,", "not located (band 90 %)")
        x, y, anchor = scale.end, profile.high_m[middle:].max(), "end"
    first_y = scale.y(float(y)) - 7.0 - 16.0 * (len(words) - 1)
    labels = Markup("").join(
        Markup('<text class="sewer" x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>').format(
            x, first_y + 16.0 * i, anchor, line
        )
        for i, line in enumerate(words)
    )
    return Markup(
        '<polygon class="band" points="{}"/><polyline class="invert" points="{}"/>{}{}'
    ).format(
        scale.points(around, band),
        scale.points(profile.stations_m, profile.invert_m),
        marks,
        labels,
    )


def _main_symbol(scale: _Scale, profile: Profile) -> Markup:
    if profile.main_invert_m is None:
        return Markup("")
    x = scale.x(float(profile.stations_m[-1]))
    bottom, top = (scale.y(profile.main_invert_m + d) for d in (0.0, profile.main_diameter_m))
    beside: tuple[float, float, str] = (x + 10, (bottom + top) / 2 + 4, "start")
    if scale.size is not WIDE:
        beside = (scale.end, bottom + 16, "end")
    return Markup(
        '<ellipse class="main" cx="{:.1f}" cy="{:.1f}" rx="6" ry="{:.1f}"/>'
        '<text class="sewer" x="{:.1f}" y="{:.1f}" text-anchor="{}">{}</text>'
    ).format(
        x, (bottom + top) / 2, max((bottom - top) / 2, 4.0), *beside, escape(_clip(profile.main_id))
    )


def _clip(name: str, length: int = 14) -> str:
    """Shorten a name for a drawing."""
    return name if len(name) <= length else name[: length - 1] + "…"
