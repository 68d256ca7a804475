"""Other readings of the lot: where the house stands on it, its front line, its place on earth.

Weighed against what lies outdoors: marks and footage there, the lot's lines, the directions of
layers. All spreads and shares are judgment, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import shapely
from pyproj import CRS
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from ..geometry import polyline
from ..geometry.frames import Array, rotation, to_wgs84, wrap_degrees
from ..geometry.operations import cell_of
from ..model.doubts import EvidenceTerm, evidence_against
from ..model.site import Main, Site
from ..model.survey import Survey
from ..read.plausible import (
    AREA_MARGIN_DEG,
    IN_LOT_M,
    PLACE_APART_M,
    SIDE_APART_M,
    apart_on_earth_m,
    beyond_area_deg,
    turn_deg,
)
from ..units import about
from .settle import house_corners
from .weigh import Found, Penetration, outdoor_terms

BUILDING_BLUNDER, FRONT_BLUNDER = 0.01, 0.01
"""How often each of these inputs is wrong. Judgment, no source."""
MOVED_M = (1.5, 4.0)
TURNED_DEG = 10.0
"""A house is tried moved by so much to each side, and turned by so much."""
SQUARE_DEG, SLANT_SHARE = 1.5, 0.05
"""Houses and mains lie square to the front line so well; a share of them at any angle."""
OUTSIDE_M, OUTSIDE_NATS = 0.30, 6.0
"""A house so far outside its lot is evidence against a reading so much."""
ASTRAY_NATS = 4.0
"""And so much a main that crosses the lot, or lies nearest another side than its own."""
LEAST_TURN_DEG = 3.0
SIDES = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "front": (0.0, -1.0), "rear": (0.0, 1.0)}


def lot_readings(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Yield the readings of the house's place on the lot and of the front line's direction.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    penetration
        The wall penetration.

    Yields
    ------
    Iterator[Found]
        Readings with their evidence.
    """
    site = survey.site
    # a tape from the lot's lines checks the house's place by itself
    if not any("lot:" in name for tie in site.ties for name in (tie.from_name, tie.to_name)):
        yield from _houses(survey, penetration)
    if site.lot.source != "layer" and not site.lot.seen_twice:
        yield from _fronts(survey, penetration)


# ------------------------------------------------------------------------- the house on the lot


def _houses(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh that the house stands elsewhere on the lot, or turned."""
    site = survey.site
    middle = site.building.vertices.mean(axis=0)
    motions = [
        (
            f"{side}-{step_m:g}",
            np.eye(2),
            step_m * np.array(SIDES[side]),
            f"the house stands {about(step_m, site.units)} farther to the {side} of the lot",
        )
        for side, step_m in itertools.product(SIDES, MOVED_M)
    ]
    low, high = site.building.vertices.min(axis=0), site.building.vertices.max(axis=0)
    span = site.lot.vertices.min(axis=0) + site.lot.vertices.max(axis=0)
    # mirrored between the side lines: how far the house would move
    aside_m = float(span[0] - low[0] - high[0])
    if site.building.source != "layer" and abs(aside_m) > MOVED_M[0]:
        motions.append(
            (
                "other-side",
                np.eye(2),
                np.array([aside_m, 0.0]),
                "the setback from one side line was given for the other",
            )
        )
    for turn in (-TURNED_DEG, TURNED_DEG):
        linear = rotation(np.radians(turn))
        hand = "left" if turn > 0 else "right"
        motions.append(
            (
                f"turned-{hand}",
                linear,
                # about the middle of the house
                middle - linear @ middle,
                f"the house is turned by {TURNED_DEG:.0f}° to the {hand}",
            )
        )
    stated = _house_terms(survey, site.building.vertices, penetration, 0.0)
    for key, linear, offset, words in motions:
        turn_rad = float(np.arctan2(linear[1, 0], linear[0, 0]))
        there = moved_penetration(penetration, linear, offset, turn_rad)
        ring = site.building.vertices @ linear.T + offset
        terms = _house_terms(survey, ring, there, turn_rad)
        evidence = evidence_against(stated, terms)
        corners = {name: linear @ xy + offset for name, xy in house_corners(site).items()}
        yield Found(
            f"house-place:{key}",
            "place",
            "place of the house on the lot",
            words,
            BUILDING_BLUNDER / len(motions),
            evidence,
            there,
            survey.exit.invert_m,
            corners,
        )


def moved_penetration(
    penetration: Penetration, linear: Array, offset: Array, turn_rad: float
) -> Penetration:
    """Return where a drain leaves, taken through a motion of the lot.

    Parameters
    ----------
    penetration
        The wall penetration.
    linear
        Matrix of the motion (2, 2).
    offset
        Its shift (2,), m.
    turn_rad
        By what a direction turns, rad.

    Returns
    -------
    Penetration
        The penetration after the motion.
    """
    x, y = (float(v) for v in linear @ [penetration.x_m, penetration.y_m] + offset)
    return replace(penetration, x_m=x, y_m=y, angle_rad=penetration.angle_rad + turn_rad)


def _house_terms(
    survey: Survey, ring: Array, penetration: Penetration, turn_rad: float
) -> dict[str, float]:
    """Weigh a place of the house: marks and footage outdoors, the lot's lines, its squareness."""
    site = survey.site
    land = shapely.buffer(shapely.Polygon(site.lot.vertices), OUTSIDE_M)
    inside = bool(shapely.Polygon(ring).within(land))
    turned_deg = float(np.degrees(site.building.angle_rad + turn_rad))
    return {
        "outdoors": outdoor_terms(site, survey.drain, penetration, mirrored=False),
        "lot lines": 0.0 if inside else -OUTSIDE_NATS,
        "square": _log_square(turned_deg),
    }


def _log_square(off_deg: float) -> float:
    """Return the log density of a direction against the front line, by quarter turns."""
    # into (−45°, 45°]: any side of a house may face the front
    off = (off_deg + 45.0) % 90.0 - 45.0
    density = np.exp(-0.5 * (off / SQUARE_DEG) ** 2) / (SQUARE_DEG * np.sqrt(2.0 * np.pi))
    return float(np.log((1.0 - SLANT_SHARE) * density + SLANT_SHARE / 90.0))


# ------------------------------------------------------------------------------ the front line


def _fronts(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh that a typed front line runs otherwise, where layers were drawn with directions."""
    site = survey.site
    drawn = [main for main in site.mains if main.drawn]
    turns = [turn_deg(main.line, site.lot.edge(main.side)) for main in drawn]
    if site.building.source == "layer":
        turns.append(float(np.degrees(site.building.angle_rad)))
    if not turns:
        return
    # four times the angle: directions that differ by quarter turns agree
    fourfold = np.exp(4j * np.radians(turns)).sum()
    square_deg = float(np.degrees(np.angle(fourfold))) / 4.0
    stated = _front_terms(site, drawn, turns, 0.0)
    fitted = square_deg if abs(square_deg) > LEAST_TURN_DEG else 0.0
    tried = [fitted, fitted + 90.0, fitted + 180.0, fitted - 90.0]
    tried = [turn for turn in tried if turn != 0.0]
    for turn in tried:
        terms = _front_terms(site, drawn, turns, turn)
        if fitted:  # the angle is fitted, within the 90° that it may lie anywhere in
            # an angle fitted to the data costs what its likely range
            # has of the 90° that it may lie in
            width = SQUARE_DEG * np.sqrt(2.0 * np.pi / len(turns)) / 90.0
            terms["layers' directions"] += float(np.log(width))
        evidence = evidence_against(stated, terms)
        azimuth_deg = wrap_degrees(site.frame.x_azimuth_deg - turn)
        there = moved_penetration(
            penetration, rotation(np.radians(turn)), np.zeros(2), float(np.radians(turn))
        )
        yield Found(
            f"front:{turn:+.0f}",
            "front",
            "direction of the front line",
            f"the front line runs at {azimuth_deg:.0f}° from grid north",
            FRONT_BLUNDER / len(tried),
            evidence,
            there,
            survey.exit.invert_m,
            expected=azimuth_deg,
        )


def _front_terms(
    site: Site, drawn: list[Main], turns: list[float], turn: float
) -> dict[str, float]:
    """Weigh a front line turned by degrees: the layers' directions, and where mains then lie."""
    # turning the front line is turning all that the layers show the other way
    back = rotation(np.radians(-turn))
    land = shapely.buffer(shapely.Polygon(site.lot.vertices), -IN_LOT_M)
    astray = 0
    for main in drawn:
        line = main.line @ back.T
        away = {
            side: float(polyline.line_locate_point(line, site.lot.edge(side).mean(axis=0))[0])
            for side in dict.fromkeys(site.lot.sides)
        }
        astray += shapely.LineString(line).intersects(land)
        # a main on record for one side that lies nearest another
        astray += bool(away[main.side] > min(away.values()) + SIDE_APART_M)
    if site.building.source == "layer":
        ring = site.building.vertices @ back.T
        astray += not shapely.Polygon(ring).within(
            shapely.buffer(shapely.Polygon(site.lot.vertices), OUTSIDE_M)
        )
    return {
        "layers' directions": sum(_log_square(off - turn) for off in turns),
        "layers' places": -ASTRAY_NATS * astray,
    }


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
        The wall penetration.

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
