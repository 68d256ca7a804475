"""Likelihood functions of route-dependent evidence by kind, with their stated defaults.

Each item is a mixture: right as reported with its reliability, else flat. A flat part is a
density over the breadth or the block that a stray report could name, so that likelihoods of
different hypotheses compare.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import gammaln

from .. import _polyline
from .._evidence import (
    CableToMain,
    CameraNote,
    CleanoutOutside,
    Dye,
    MainInspection,
    OutdoorLocate,
    Sound,
    SurfaceSign,
    TapRecord,
)
from .._frames import Array
from .._site import Main, Manhole, Site
from .._statistics import normal_density

__all__ = [
    "DEFAULTS",
    "FALSE_HEARD",
    "FALSE_SEEN",
    "LEAST_BLOCK_M",
    "LIKELIHOODS",
    "UNLISTED",
    "CountTie",
    "Default",
    "Laid",
    "recorded_station",
    "reliability_in_force",
    "sd_of",
]


@dataclass(frozen=True, slots=True)
class Default:
    """Default reliability and standard deviation of a kind of evidence, and why."""

    reliability: float
    sd_m: float
    words: str


# Judgement, no source; an item's own fields override them.
DEFAULTS: Mapping[str, Default] = {
    "cable_to_main": Default(0.90, 0.30, "the count at the main is right 9 times in 10"),
    "outdoor_locate": Default(0.95, 0.15, "a locate outdoors is of this pipe 19 times in 20"),
    "dye": Default(0.90, 0.0, "dye that passes a manhole in time is seen 9 times in 10"),
    "sound": Default(0.80, 0.0, "a sound in a pipe that passes a manhole is heard 8 in 10"),
    "tap_record": Default(0.80, 0.60, "a tap record is of this lot and main 4 times in 5"),
    "cleanout_outside": Default(0.80, 0.30, "a cleanout outdoors is on this line 4 times in 5"),
    "surface_sign": Default(0.50, 0.0, "every second surface sign is of this trench"),
    "camera_note": Default(0.80, 0.50, "a camera note is right 4 times in 5"),
    "main_inspection": Default(0.90, 0.50, "an inspection finds 9 of 10 taps"),
}

# Judgement, no source: breadth over which a stray report may fall, how far dye and sound
# carry, the speed of a thin flow, and how often either is noticed where the pipe does not pass.
STRAY_BREADTH_M = 20.0
STRAY_DEPTH_M = 2.0
LEAST_BLOCK_M = 30.0
DYE_REACH_M, SOUND_REACH_M = 300.0, 80.0
FLOW_M_PER_MIN = 18.0
FALSE_SEEN, FALSE_HEARD = 0.02, 0.08
UNLISTED_PASSES = 0.1
GROUND_SD_M = 0.15
_LEAST_RELIABILITY = 0.001
LEAST_SD_M = 0.01


@dataclass(frozen=True, slots=True)
class CountTie:
    """The cable count at the exit, and its standard deviation, in metres."""

    exit_count_m: float
    sd_m: float


@dataclass(frozen=True, slots=True)
class Laid:
    """Fitting routes of one hypothesis, as the likelihoods need them.

    ``turns_rad`` (m, 3) left positive, 0 where there is no bend.
    """

    site: Site
    main: Main
    vertices: Array
    inverts_m: Array
    lengths_m: Array
    stations_m: Array
    turns_rad: Array
    tie: CountTie | None


def _block_m(main: Main) -> float:
    return max(float(_polyline.length(main.line)), LEAST_BLOCK_M)


def reliability_in_force(given: float | None, default: float) -> float:
    """Give the reliability that counts, within 0.1 % of never and always.

    No report is certain, either way: one wrong item must not rule out every way.

    >>> reliability_in_force(None, 0.8), reliability_in_force(1.0, 0.8)
    (0.8, 0.999)
    """
    reliability = default if given is None else float(given)
    return min(max(reliability, _LEAST_RELIABILITY), 1.0 - _LEAST_RELIABILITY)


def _reliability(item: Any) -> float:
    return reliability_in_force(getattr(item, "reliability", None), DEFAULTS[item.kind].reliability)


def sd_of(item: Any, site: Site) -> float:
    """Give an item's standard deviation: its own (1 cm at least), or the kind's default."""
    if item.sd_m is not None:
        return max(float(item.sd_m), LEAST_SD_M)
    if isinstance(item, OutdoorLocate):
        return site.noise.located_sd_m(item.depth_m or 0.0)
    return DEFAULTS[item.kind].sd_m


def _student(residual: Array, sd: float, degrees: float) -> Array:
    """Give Student's t density of residuals with scale ``sd``."""
    constant = gammaln((degrees + 1) / 2) - gammaln(degrees / 2)
    scale = np.exp(constant) / (np.sqrt(degrees * np.pi) * sd)
    return np.asarray(scale * (1.0 + (residual / sd) ** 2 / degrees) ** (-(degrees + 1) / 2))


def _manhole(site: Site, name: str) -> tuple[Main, Manhole] | None:
    for main in site.mains:
        for manhole in main.manholes:
            if manhole.id == name:
                return main, manhole
    return None


def recorded_station(item: TapRecord, main: Main) -> float | None:
    """Give the station of a recorded tap; None where the main has no such manhole."""
    for manhole in main.manholes:
        if manhole.id == item.manhole:
            return manhole.station_m + item.distance_m
    return None


def _main(site: Site, name: str) -> Main | None:
    return next((main for main in site.mains if main.id == name), None)


def _outdoor_locate(item: OutdoorLocate, laid: Laid) -> Array:
    """Distance of the point from the route, and its depth, both Student-t."""
    site, reliability = laid.site, _reliability(item)
    point = np.array([item.x_m, item.y_m])
    distance, station, _ = _polyline.line_locate_point(laid.vertices, point)
    degrees = site.noise.degrees_of_freedom
    right = _student(distance, sd_of(item, site), degrees)
    stray = 1.0 / STRAY_BREADTH_M
    if item.depth_m is not None:
        fall = (laid.inverts_m[:, 0] - laid.inverts_m[:, -1]) / np.maximum(laid.lengths_m, 1e-9)
        head = laid.inverts_m[:, 0] - fall * station + site.head_above_invert_m
        depth = float(site.ground.elevation_m(point)) - head
        noise = site.noise.depth_sd_m(item.depth_m)
        common = site.noise.session_depth_scale * item.depth_m
        sd = float(np.sqrt(noise**2 + common**2 + GROUND_SD_M**2))
        right = right * _student(item.depth_m - depth, sd, degrees)
        stray /= STRAY_DEPTH_M
    return reliability * right + (1.0 - reliability) * stray


def _outdoor_locate_unlisted(item: OutdoorLocate, site: Site) -> float:
    return 1.0 / STRAY_BREADTH_M / (STRAY_DEPTH_M if item.depth_m is not None else 1.0)


def _cleanout_outside(item: CleanoutOutside, laid: Laid) -> Array:
    """Distance of the cleanout from the route, Gaussian."""
    reliability = _reliability(item)
    distance, _, _ = _polyline.line_locate_point(laid.vertices, np.array([item.x_m, item.y_m]))
    right = normal_density(distance, sd_of(item, laid.site))
    return reliability * right + (1.0 - reliability) / STRAY_BREADTH_M


def _surface_sign(item: SurfaceSign, laid: Laid) -> Array:
    """Distance of the sign from the route, Gaussian with its radius."""
    reliability = _reliability(item)
    distance, _, _ = _polyline.line_locate_point(laid.vertices, np.array([item.x_m, item.y_m]))
    right = normal_density(distance, max(item.radius_m, 0.1))
    return reliability * right + (1.0 - reliability) / STRAY_BREADTH_M


def _stray_place(item: Any, site: Site) -> float:
    return 1.0 / STRAY_BREADTH_M


def _count_sd(tie: CountTie, sd: float, site: Site, length: Array) -> Array:
    return np.asarray(np.sqrt(tie.sd_m**2 + sd**2 + (site.noise.cable_count_share * length) ** 2))


def _cable_to_main(item: CableToMain, laid: Laid) -> Array:
    """Count at the exit plus the route's length against the count at the main."""
    if laid.tie is None:
        return np.full(len(laid.lengths_m), 1.0 / LEAST_BLOCK_M)
    expected = laid.tie.exit_count_m + laid.lengths_m
    sd = _count_sd(laid.tie, sd_of(item, laid.site), laid.site, expected)
    right = normal_density(item.count_m - expected, sd)
    reliability = _reliability(item)
    return np.asarray(reliability * right + (1.0 - reliability) / LEAST_BLOCK_M)


def _camera_note(item: CameraNote, laid: Laid) -> Array:
    """Weigh a turn of the noted hand, or the main, at the count; a material change is no news."""
    flat = np.full(len(laid.lengths_m), 1.0 / LEAST_BLOCK_M)
    if laid.tie is None or item.saw == "material-change":
        return flat
    reliability, sd = _reliability(item), DEFAULTS["camera_note"].sd_m
    at = item.count_m - laid.tie.exit_count_m
    spread = float(np.hypot(sd, laid.tie.sd_m))
    if item.saw == "flowing-pipe":
        right = normal_density(laid.lengths_m - at, spread)
    else:
        hand = 1.0 if item.saw == "turn-left" else -1.0
        stations = _polyline.stations(laid.vertices)[:, 1:4]
        right = (normal_density(stations - at, spread) * (hand * laid.turns_rad > 0)).sum(axis=1)
    return np.asarray(reliability * right + (1.0 - reliability) * flat)


def _stray_count(item: Any, site: Site) -> float:
    return 1.0 / LEAST_BLOCK_M


def _tap_record(item: TapRecord, laid: Laid) -> Array:
    """Tap station against the record on its main; on another main the record is wrong."""
    stray = _tap_record_unlisted(item, laid.site)
    station = recorded_station(item, laid.main) if laid.main.id == item.main else None
    if station is None:
        return np.full(len(laid.stations_m), stray)
    sd = float(np.hypot(sd_of(item, laid.site), 0.2))
    return _reliability(item) * normal_density(laid.stations_m - station, sd) + stray


def _tap_record_unlisted(item: TapRecord, site: Site) -> float:
    main = _main(site, item.main)
    block = LEAST_BLOCK_M if main is None else _block_m(main)
    return (1.0 - _reliability(item)) / max(len(site.mains), 1) / block


def _main_inspection(item: MainInspection, laid: Laid) -> Array:
    """Tap station among the taps found; without one the inspection missed it.

    Relative to all taps being others' and spread evenly over the block: reliability × block ×
    mean over taps of N(station − tap) + (1 − reliability); half the reliability where the
    inspection is not complete. Another main's hypothesis: 1.
    """
    if laid.main.id != item.main:
        return np.ones(len(laid.stations_m))
    reliability = _reliability(item) * (1.0 if item.complete else 0.5)
    if not item.stations_m:
        return np.full(len(laid.stations_m), 1.0 - reliability)
    gaps = laid.stations_m[:, None] - np.array(item.stations_m)
    found = normal_density(gaps, float(np.hypot(sd_of(item, laid.site), 0.2))).mean(axis=1)
    return np.asarray(reliability * _block_m(laid.main) * found + (1.0 - reliability))


def _no_news(item: Any, site: Site) -> float:
    return 1.0


def _passing(laid: Laid, manhole_name: str) -> Array:
    """Give the distance (m,) from tap down the main to a manhole; nan where it is not passed."""
    found = _manhole(laid.site, manhole_name)
    if found is None or found[0].id != laid.main.id:
        return np.full(len(laid.stations_m), np.nan)
    distance = found[1].station_m - laid.stations_m
    return np.where(distance >= 0, distance, np.nan)


def _dye(item: Dye, laid: Laid) -> Array:
    """Seen with the reliability × exp(−distance/300 m) × share that arrived within the wait.

    The share is a logistic of (wait − travel time) with the travel time at 0.3 m/s from the
    exit, and a scale of a third of it.
    """
    distance = _passing(laid, item.manhole)
    whole = laid.lengths_m + np.nan_to_num(distance)
    travel = np.maximum(whole / FLOW_M_PER_MIN, 0.5)
    arrived = 1.0 / (1.0 + np.exp(-np.clip((item.waited_min - travel) / (travel / 3), -50, 50)))
    detect = _reliability(item) * np.exp(-np.nan_to_num(distance) / DYE_REACH_M) * arrived
    seen = np.where(np.isnan(distance), FALSE_SEEN, np.maximum(detect, FALSE_SEEN))
    return np.asarray(seen if item.seen else 1.0 - seen)


def _dye_unlisted(item: Dye, site: Site) -> float:
    seen = UNLISTED_PASSES * _reliability(item) + (1.0 - UNLISTED_PASSES) * FALSE_SEEN
    return seen if item.seen else 1.0 - seen


def _sound(item: Sound, laid: Laid) -> Array:
    """Heard with the reliability × exp(−distance/80 m) where the flow passes the manhole."""
    distance = _passing(laid, item.manhole)
    detect = _reliability(item) * np.exp(-np.nan_to_num(distance) / SOUND_REACH_M)
    heard = np.where(np.isnan(distance), FALSE_HEARD, np.maximum(detect, FALSE_HEARD))
    return np.asarray(heard if item.heard else 1.0 - heard)


def _sound_unlisted(item: Sound, site: Site) -> float:
    heard = UNLISTED_PASSES * _reliability(item) + (1.0 - UNLISTED_PASSES) * FALSE_HEARD
    return heard if item.heard else 1.0 - heard


LIKELIHOODS: Mapping[str, Callable[[Any, Laid], Array]] = {
    "cable_to_main": _cable_to_main,
    "outdoor_locate": _outdoor_locate,
    "dye": _dye,
    "sound": _sound,
    "tap_record": _tap_record,
    "cleanout_outside": _cleanout_outside,
    "surface_sign": _surface_sign,
    "camera_note": _camera_note,
    "main_inspection": _main_inspection,
}
UNLISTED: Mapping[str, Callable[[Any, Site], float]] = {
    "cable_to_main": _stray_count,
    "outdoor_locate": _outdoor_locate_unlisted,
    "dye": _dye_unlisted,
    "sound": _sound_unlisted,
    "tap_record": _tap_record_unlisted,
    "cleanout_outside": _stray_place,
    "surface_sign": _stray_place,
    "camera_note": _stray_count,
    "main_inspection": _no_news,
}
