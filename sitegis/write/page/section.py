"""The long section as the page draws it: what its template ``section.svg`` fills in."""

from __future__ import annotations

from typing import Any

import numpy as np

from ...geometry.frames import Array
from ...late_dataclass import dataclass
from ...model.derived import Profile
from ...units import FOOT_M, LengthUnit, is_imperial
from ..profile import ground_band

LEFT, TOP, BOTTOM = 62.0, 26.0, 40.0


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

    def around(self, stations_m: Array, low_m: Array, high_m: Array) -> str:
        """Return the outline of a band, out along one edge and back along the other."""
        there_and_back = np.concatenate([stations_m, stations_m[::-1]])
        return self.points(there_and_back, np.concatenate([low_m, high_m[::-1]]))


def section_context(profile: Profile, units: LengthUnit, size: Size) -> dict[str, Any]:
    """Return what the section's template draws; heights are drawn larger than lengths.

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
    dict[str, Any]
        Values by name.
    """
    scale, at = _scale(profile, size), profile.stations_m
    unit_m, unit = (FOOT_M, "ft") if is_imperial(units) else (1.0, "m")
    out = at > 0.0
    ground, low, high = (edge[out] for edge in (profile.surface_m, *ground_band(profile)))
    middle = len(at) * 3 // 4
    words: tuple[str, ...] = ("invert: inferred, not located (band 90 %)",)
    x, y, anchor = scale.x(float(at[middle])), float(profile.high_m[middle]), "middle"
    if size is not WIDE:
        words = ("invert: inferred,", "not located (band 90 %)")
        x, y, anchor = scale.end, float(profile.high_m[middle:].max()), "end"
    return {
        "scale": scale,
        "left": LEFT,
        "top": TOP,
        "unit": unit,
        "levels": _labeled(scale.low_m, scale.high_m, unit_m, 6),
        "stations": _labeled(scale.first_m, scale.last_m, unit_m, size.labels),
        # from the wall on: the first known ground is taken back to it
        "first_ground": float(ground[0]) if len(ground) else None,
        "ground": scale.points(np.append(0.0 * ground[:1], at[out]), np.append(ground[:1], ground)),
        "ground_band": scale.around(at[out], low, high),
        # along the upper edge and back along the lower: one closed outline
        "band": scale.around(at, profile.low_m, profile.high_m),
        "invert": scale.points(at, profile.invert_m),
        "marks": profile.marks.tolist(),
        "seen": [(_clip(name), *place) for name, *place in profile.seen],
        "label": {"x": x, "y": scale.y(y) - 7.0 - 16.0 * (len(words) - 1), "anchor": anchor},
        "label_lines": words,
        "main": _main(scale, profile),
    }


def _main(scale: _Scale, profile: Profile) -> dict[str, Any] | None:
    """Return the main's symbol and where its name stands, None without a main."""
    if profile.main_invert_m is None:
        return None
    x = scale.x(float(profile.stations_m[-1]))
    bottom, top = (scale.y(profile.main_invert_m + d) for d in (0.0, profile.main_diameter_m))
    middle, half = (bottom + top) / 2, max((bottom - top) / 2, 4.0)
    beside = (x + 10, middle + 4, "start")
    if scale.size is not WIDE:
        beside = (scale.end, bottom + 16, "end")
    return {"x": x, "y": middle, "half": half, "beside": beside, "id": _clip(profile.main_id)}


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


def _labeled(low: float, high: float, unit_m: float, count: int) -> list[tuple[float, float]]:
    """Return about ``count`` round lengths between two, in meters and in the unit shown."""
    rough = (high - low) / unit_m / count
    # 1, 2 or 5 times a power of ten, the least that gives no more than so many
    power = 10.0 ** np.floor(np.log10(rough))
    step = next(float(power * m) for m in (1.0, 2.0, 5.0, 10.0) if power * m >= rough * 0.999)
    first = np.ceil(low / unit_m / step)
    last = np.floor(high / unit_m / step)
    lengths = (np.arange(first, last + 1) * step * unit_m).tolist()
    return [(length, round(length / unit_m, 6) + 0.0) for length in lengths]


def _clip(name: str, length: int = 14) -> str:
    """Shorten a name for a drawing."""
    return name if len(name) <= length else name[: length - 1] + "…"
