"""What no other input checks, what an error in it would do, and what would check it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ..model.doubts import Measurement, Unchecked
from ..model.site import Site
from ..model.survey import Survey
from ..read.plausible import HOUSE_BELOW_M, RIM_APART_M
from ..units import about, format_length
from .levels import GROUND_BLUNDER, SLAB_BLUNDER, near_house
from .lot import BUILDING_BLUNDER, EARTH_BLUNDER, FRONT_BLUNDER

ERROR_M, FLOOR_M = 0.3048, 2.7
"""Errors whose effects are told: a foot, a floor."""
HEADING_BLUNDER = 0.05
"""One heading is read wrong (off the head's axis), at any angle. Judgment, no source."""
HEADING_OFF_DEG, MARKS_PAST_BEND, BEND_CLEAR_M = 15.0, 3, 0.2
"""A heading is right to about 10°; three marks on one straight tell its direction without it."""


def unchecked_inputs(survey: Survey) -> Iterator[Unchecked]:
    """List the inputs that stand alone, the gravest for a dig first: heights, house, front, earth.

    Those that other readings of the marks would change are listed by the stage itself.
    """
    site = survey.site
    yield from _last_heading(survey)
    yield from _ground(site)
    yield from _slab(site)
    if not any("lot:" in name for tie in site.ties for name in (tie.from_name, tie.to_name)):
        yield Unchecked(
            about="place of the house on the lot",
            words=f"The house's place ({_source(site.building.source)}) is checked by no tape: an "
            "error moves exit, route and pits by as much.",
            check="tape from a lot corner to two house corners, or give a tie 'lot:front-left' to "
            "a mark outdoors.",
            posterior=BUILDING_BLUNDER,
            misses=True,
        )
    yield from _on_earth(site)


def _last_heading(survey: Survey) -> Iterator[Unchecked]:
    """List the last heading where few marks past the last bend check it, or the line leaves it."""
    drain, placement = survey.drain, survey.placement
    last = drain.point_ids[-1]
    heading = placement.points[placement.index(last)].heading_rad
    if heading is None:
        return
    step = drain.vertices[-1] - drain.vertices[-2]
    off = heading - float(np.arctan2(step[1], step[0]))
    # a heading is an axis: into [0°, 90°]
    off_deg = abs(float(np.degrees((off + np.pi / 2) % np.pi - np.pi / 2)))
    # a mark on the bend itself tells nothing of the direction behind it: clear of it by 0.2 m
    bend_m = max((bend.station_m for bend in drain.bends), default=-np.inf)
    past = int(np.count_nonzero(drain.stations_m > bend_m + BEND_CLEAR_M))
    if round(off_deg, 1) <= HEADING_OFF_DEG and past >= MARKS_PAST_BEND:
        return
    reason = (
        f"The heading at {last} lies {off_deg:.0f}° off the drain as drawn"
        if round(off_deg, 1) > HEADING_OFF_DEG
        else f"Hardly a mark past the last bend checks the heading at {last}"
    )
    # at worst as much as the length that nobody saw
    moved_m = survey.exit.unseen_m
    ask = f"read the heading at {last} again, or mark the head once more between it and the wall"
    yield Unchecked(
        about="headings",
        words=f"{reason}: if it was read wrong, or the drain turns there, the exit lies up to "
        f"{about(moved_m, survey.site.units)} elsewhere.",
        check=ask + ".",
        moved_m=moved_m,
        posterior=HEADING_BLUNDER,
        settle=Measurement(ask, last, "", ("stated", "heading"), (0.0, 0.0)),
    )


def _source(source: str) -> str:
    return "from the layer" if source == "layer" else "as typed"


def _on_earth(site: Site) -> Iterator[Unchecked]:
    """List direction of the front line and place on earth where nothing else tells them."""
    # two inputs say where on earth it lies: each checks the other
    if site.lot.seen_twice:
        return
    layered = site.building.source == "layer" or any(main.drawn for main in site.mains)
    if site.lot.source == "layer":
        yield Unchecked(
            about="place on earth",
            words="Only the layers' CRS puts the lot on earth: with that of a neighboring zone map "
            "and coordinates lie far off, the tapes on the lot do not.",
            check="look the map's place up on another map, or give a lot corner's longitude and "
            "latitude beside the layer.",
            posterior=EARTH_BLUNDER,
        )
    elif not layered:
        yield Unchecked(
            about="direction of the front line",
            words="Nothing checks the direction of the front line: a wrong one turns map, azimuths "
            "and coordinates, not the tapes on the lot.",
            check="photograph a compass held along the front line, or give a second corner.",
            posterior=FRONT_BLUNDER,
        )
        yield Unchecked(
            about="place on earth",
            words="One corner's longitude and latitude alone put the lot on earth: a wrong digit "
            "moves map and coordinates, not the tapes on the lot.",
            check="look the corner up on a map, or give a second corner.",
            posterior=EARTH_BLUNDER,
        )


def _ground(site: Site) -> Iterator[Unchecked]:
    """List the ground at the house but where two heights near it agree."""
    heights = site.ground.elevations_m[near_house(site)]
    # two heights within a foot of each other check one another
    if len(heights) > 1 and round(float(np.ptp(heights)), 3) < ERROR_M and not site.ground.assumed:
        return
    foot = format_length(ERROR_M, site.units)
    coarse = len(site.ground.elevations_m) > 1 and not site.ground.assumed
    known = (
        f"The streets check the height of the yard only within {about(HOUSE_BELOW_M, site.units)}"
        # the other heights are the streets', which check a yard's but coarsely
        if coarse
        else "Only one height of the ground is known"
    )
    yield Unchecked(
        about="ground at the house",
        words=f"{known}: if it is {foot} off, every pit is {foot} too shallow or too deep.",
        check="level from the slab to the yard and on to one street (a tube with water will do).",
        deeper_m=ERROR_M,
        posterior=GROUND_BLUNDER,
        misses=True,
    )


def _slab(site: Site) -> Iterator[Unchecked]:
    """List the slab's elevation: covers check it within three feet, else nothing does."""
    if site.slab_elevation_m is None:
        return
    coarse = any(hole.rim_m is not None for main in site.mains for hole in main.manholes)
    # what would pass unseen: the covers' limit, else a whole floor
    off_m = RIM_APART_M if coarse else FLOOR_M
    known = (
        f"The manhole covers check site.slab_elevation only within {about(off_m, site.units)}: if "
        "it is so far off"
        if coarse
        else "No manhole cover ties site.slab_elevation to the mains' datum: if it is a floor off"
    )
    yield Unchecked(
        about="slab elevation",
        words=f"{known}, the mains lie {about(off_m, site.units)} off against the drain, and a "
        "main may be ruled in or out wrongly.",
        check="level from the slab to one manhole cover whose elevation is on record.",
        posterior=SLAB_BLUNDER,
    )
