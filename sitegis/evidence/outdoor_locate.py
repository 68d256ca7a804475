"""The head found from above outside the building."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from ..geometry import polyline
from ..geometry.frames import Array
from ..late_dataclass import dataclass
from ..model.fields import Ask, Depth, Extent, Length, Name
from ..model.site import Evidence, Site
from ..numerics.poles import depth_of_poles_m
from . import kind as parts

# Judgment, no source; then how well the ground's height is known.
DEFAULT = parts.Default(0.95, 0.15, "a locate outdoors is of this pipe 19 times in 20")
GROUND_SD_M = 0.15
COUNTED_RIGHT = 0.90
"""How often a footage is noted right, as at the main. Judgment, no source."""


@dataclass(frozen=True, slots=True)
class OutdoorLocate(Evidence):
    """The head was found from above outside the building."""

    x_m: Annotated[Length, Ask("20 ft", "lot coordinates")]
    y_m: Annotated[Length, Ask("-3 ft", "lot coordinates")]
    depth_m: Annotated[Annotated[Depth, Field(ge=0)] | None, Ask("70 in")]
    sd_m: parts.ItemSd = None
    footage_m: Annotated[Extent | None, Ask("31 ft", "of the distance counter")] = None
    point: Annotated[Name, Ask(hint="your name for it")] = ""
    kind: Literal["outdoor_locate"] = "outdoor_locate"


def sd_of(item: OutdoorLocate, site: Site) -> float:
    """Return the standard deviation across: as given, or the locator's at its depth.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Standard deviation, m.
    """
    return parts.sd_in_force(item.sd_m, site.noise.located_sd_m(item.depth_m or 0.0))


def likelihood(item: OutdoorLocate, laid: parts.RouteSet) -> Array:
    """Distance of the point from the route and its depth, Student-t; its footage along the route.

    In iron the depth is that of the sonde's two poles, as indoors. A footage tells of a detour
    between wall and point that neither place nor depth shows.

    Parameters
    ----------
    item
        Item of evidence.
    laid
        Routes of one hypothesis to one main, m of them.

    Returns
    -------
    Array
        Likelihoods (m,).
    """
    site, reliability = laid.site, parts.reliability_in_force(None, DEFAULT.reliability)
    point = parts.place_of(item)
    distance, station, _ = polyline.line_locate_point(laid.vertices, point)
    degrees = site.noise.degrees_of_freedom
    right = parts.student(distance, sd_of(item, site), degrees)
    if item.depth_m is not None:
        # one slope from wall to main: the route's mean fall
        fall = (laid.inverts_m[:, 0] - laid.inverts_m[:, -1]) / np.maximum(laid.lengths_m, 1e-9)
        head = laid.inverts_m[:, 0] - fall * station + site.head_above_invert_m
        depth = float(site.ground.elevation_m(point)) - head
        read = depth_of_poles_m(item.depth_m, site.poles_m)
        noise = site.noise.depth_sd_m(read)
        # the session's common error of depth is part of this reading too
        common = site.noise.session_depth_scale * read
        # and the ground above it is known to 0.15 m at best
        sd = float(np.sqrt(noise**2 + common**2 + GROUND_SD_M**2))
        right = right * parts.student(read - depth, sd, degrees)
    if item.footage_m is not None:
        own = float(np.hypot(site.noise.footage_floor_m, sd_of(item, site)))
        right = right * parts.counted(laid, station, item.footage_m, own, COUNTED_RIGHT)
    return reliability * right + (1.0 - reliability) * unlisted(item, site)


def unlisted(item: OutdoorLocate, site: Site) -> float:
    """Return the density of a point that has nothing to do with the lateral.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Density.
    """
    depth = 1.0 if item.depth_m is None else parts.STRAY_DEPTH_M
    count = 1.0 if item.footage_m is None else parts.LEAST_BLOCK_M
    # even over a breadth, a range of depths and of counts, as far as each was given
    return 1.0 / (parts.STRAY_BREADTH_M * depth * count)


KIND = parts.EvidenceKind(
    record=OutdoorLocate,
    label="locate outdoors",
    words='the camera head found outdoors; or a row with room "lot" in locates.csv',
    on_route=parts.OnRoute(DEFAULT, likelihood, unlisted),
    cause=None,
    check=parts.as_it_is,
    aims=parts.at_its_place(sd_of),
    mark=lambda item: parts.Mark(
        item.point, "locate", "located", item.x_m, item.y_m, item.depth_m, item.sd_m
    ),
    assumed=None,
)
