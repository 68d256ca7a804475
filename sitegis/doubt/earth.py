"""Other readings of the place on earth: the layers' zone, and the corner typed beside them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from ..geometry.frames import to_wgs84
from ..geometry.operations import cell_of
from ..model.doubts import EvidenceTerm
from ..model.site import Site
from ..model.survey import Survey
from ..read.plausible import (
    AREA_MARGIN_DEG,
    PLACE_APART_M,
    apart_on_earth_m,
    beyond_area_deg,
)
from .weigh import Found, Penetration

EARTH_BLUNDER = 0.01
"""The zone of the layers' CRS, or the corner typed beside them, is wrong. Judgment, no source."""
FAR_NATS = -14.0
"""What a lot far from its corner, or outside the area of its CRS, says of these as they are.
Judgment, no source."""
DEGREE_M = 111_195.0
"""A degree along a meridian of the sphere of 6 371 km."""
MOST_ZONES = 12


def earth_readings(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh zone and corner where the lot of a layer lies far from where it should.

    That is far from the corner typed for it, or outside the area that its CRS is made for. Where
    all agrees no other zone does: zones lie hundreds of kilometers apart. Where no corner is
    typed and the area holds the lot, nothing tells: the place on earth is listed as unchecked.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    penetration
        Where the drain leaves.

    Yields
    ------
    Iterator[Found]
        Readings with their evidence.
    """
    site = survey.site
    if site.lot.source != "layer":
        return
    longitude, latitude = (float(v) for v in site.frame.to_lonlat(np.zeros(2)))
    # without a corner beside it only the area that the CRS is made for can tell
    if site.lot.told_at is None:
        beyond_deg, _ = beyond_area_deg(site.frame.crs, longitude, latitude)
        if not beyond_deg > AREA_MARGIN_DEG:
            return
        source, off_m = "area of the CRS", DEGREE_M * beyond_deg
        rows = [("other", f"the layers are in another zone than {site.frame.crs[:40]}")]
    else:
        source, off_m = "corner typed", apart_on_earth_m((longitude, latitude), site.lot.told_at)
        if not off_m > PLACE_APART_M:
            return
        # every zone in which the layers' lot would lie at the typed
        # corner, or else the corner is wrong
        rows = [(name, f"the layers are in {name}") for name in _zones(site)]
        rows.append(("corner", "the longitude or latitude typed for the lot's corner is wrong"))
    for key, words in rows:
        yield Found(
            f"earth:{key}",
            "earth",
            "place on earth",
            words,
            EARTH_BLUNDER / len(rows),
            # evidence against the stated reading, whose own is FAR_NATS
            (EvidenceTerm(source, -FAR_NATS),),
            penetration,
            survey.exit.invert_m,
            off_earth_m=off_m,
        )


def _zones(site: Site) -> Iterator[str]:
    """Yield the CRS of the same datum in which the layers' lot lies at the corner typed for it."""
    typed = site.lot.told_at or (0.0, 0.0)
    own = CRS.from_user_input(site.frame.crs)
    datum = own.name.split(" / ")[0]
    listed = query_crs_info("EPSG", PJType.PROJECTED_CRS, AreaOfInterest(*typed, *typed), True)
    grid = site.frame.to_crs(np.zeros(2))
    # same datum only: names of projected CRS begin with it
    for info in [one for one in listed if one.name.split(" / ")[0] == datum][:MOST_ZONES]:
        to_degrees = to_wgs84(f"EPSG:{info.code}", cell_of(*typed)).transformer
        there = tuple(float(v) for v in to_degrees.transform(*grid.tolist()))
        if (
            np.isfinite(there).all()
            and apart_on_earth_m((there[0], there[1]), typed) < PLACE_APART_M
        ):
            yield f"EPSG:{info.code} ({info.name})"
