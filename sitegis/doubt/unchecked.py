"""What no other input checks, what an error in it would do, and what would check it."""

from __future__ import annotations

from collections.abc import Iterator

from ..model.doubts import Unchecked
from ..model.site import Site
from ..model.survey import Survey
from ..units import about, format_length

ERROR_M = 0.3048
"""The error whose effect is told: a foot."""
EARTH_SLIP, FRONT_SLIP, BUILDING_SLIP, GROUND_SLIP, SLAB_SLIP = 0.01, 0.01, 0.01, 0.01, 0.01
"""How often each of these inputs is wrong, where nothing checks it. Judgment, no source."""


def unchecked_inputs(survey: Survey) -> Iterator[Unchecked]:
    """List the inputs that stand alone, the gravest for a dig first: heights, house, front, earth.

    Those that other readings of the marks would change are listed by the stage itself.
    """
    site = survey.site
    yield from _heights(survey)
    if not any("lot:" in name for tie in site.ties for name in (tie.from_name, tie.to_name)):
        yield Unchecked(
            "place of the house on the lot",
            f"The house's place ({_source(site.building.source)}) is checked by no tape: an error "
            "moves exit, route and pits by as much.",
            "tape from a lot corner to two house corners, or give a tie 'lot:front-left' to a mark "
            "outdoors.",
            0.0, 0.0, BUILDING_SLIP,
        )  # fmt: skip
    if site.lot.source != "layer" and site.building.source != "layer" and not _drawn(site):
        yield Unchecked(
            "direction of the front line",
            "Nothing checks the direction of the front line: a wrong one turns map, azimuths and "
            "coordinates, not the tapes on the lot.",
            "photograph a compass held along the front line, or give a second corner.",
            0.0, 0.0, FRONT_SLIP,
        )  # fmt: skip
        yield Unchecked(
            "place on earth",
            "One corner's longitude and latitude alone put the lot on earth: a wrong digit moves "
            "map and coordinates, not the tapes on the lot.",
            "look the corner up on a map, or give a second corner.",
            0.0, 0.0, EARTH_SLIP,
        )  # fmt: skip


def _source(source: str) -> str:
    return "from the layer" if source == "layer" else "as typed"


def _drawn(site: Site) -> bool:
    """Tell whether any main lies otherwise than along its lot line: then a layer drew it."""
    return any(len(main.line) > 2 for main in site.mains)


def _heights(survey: Survey) -> Iterator[Unchecked]:
    """List the ground and the slab where no second height checks them."""
    site = survey.site
    foot = format_length(ERROR_M, site.units)
    measured = len(site.ground.elevations_m) > 1
    if not measured or site.ground.assumed:
        yield Unchecked(
            "ground at the house",
            f"Only one height of the ground is known: if it is {foot} off, every pit is "
            f"{foot} too shallow or too deep.",
            "level from the slab to the yard and on to one street (a tube with water will do).",
            0.0, ERROR_M, GROUND_SLIP,
        )  # fmt: skip
    rims = any(hole.rim_m is not None for main in site.mains for hole in main.manholes)
    if site.slab_elevation_m is not None and not rims:
        yield Unchecked(
            "slab elevation",
            f"No manhole cover ties site.slab_elevation to the mains' datum: if it is a floor off, "
            f"the mains lie {about(2.7, site.units)} off against the drain, and a main may be "
            "ruled in or out wrongly.",
            "level from the slab to one manhole cover whose elevation is on record.",
            0.0, 0.0, SLAB_SLIP,
        )  # fmt: skip
