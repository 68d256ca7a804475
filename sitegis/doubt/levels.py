"""Other readings of heights: the ground at the house, and the slab in the mains' datum.

A height off by a blunder is weighed against the others: streets, slab, sea, covers, the mains'
inverts, a depth read outdoors. All spreads and shares are judgment, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from ..geometry import polyline
from ..late_dataclass import dataclass
from ..model.doubts import evidence_against
from ..model.results import Exit
from ..model.site import Ground, Site
from ..model.survey import Survey
from ..units import about
from .depths import fall_term
from .weigh import Found, Penetration

GROUND_BLUNDER, SLAB_BLUNDER = 0.01, 0.01
"""How often each of these inputs is wrong. Judgment, no source."""
FOOT_M, FLOOR_M = 0.3048, 2.74
GROUND_BLUNDERS_M = tuple(FOOT_M * feet for feet in (-6, -3, -1, 1, 3, 6))
SLAB_BLUNDERS_M = (-FLOOR_M, -2 * FOOT_M, 2 * FOOT_M, FLOOR_M)
"""A floor (8 to 9 ft), or the step between two vertical datums of the country (to 3 or 4 ft)."""
AT_HOUSE_M = 4.0
"""Spot heights so near the house are heights of its yard."""
OTHER_DATUM_M = 30.0
"""Elevations that differ by more are of different datums, and tell nothing of one another."""


@dataclass(frozen=True, slots=True)
class _Usual:
    """How a difference of heights usually lies: a normal with two sides, and a flat share."""

    mean_m: float
    below_m: float
    above_m: float
    strays: float
    span_m: float = 10.0

    def log_density(self, value_m: float, sd_m: float = 0.0) -> float:
        """Return the log density of a difference that is itself known to ``sd_m``."""
        sides = np.hypot([self.below_m, self.above_m], sd_m)
        # each side has its own spread; 2 / (√2π (s₁ + s₂)) makes the two halves integrate to 1
        off = (value_m - self.mean_m) / float(sides[0 if value_m < self.mean_m else 1])
        density = 2.0 / (np.sqrt(2.0 * np.pi) * float(sides.sum())) * np.exp(-0.5 * off**2)
        return float(np.log((1.0 - self.strays) * density + self.strays / self.span_m))


YARD_OVER_STREETS = _Usual(0.15, 0.40, 0.9, 0.03)
YARD_OVER_SLAB = _Usual(1.9, 0.5, 0.5, 0.10)
COVER_OVER_STREET = _Usual(0.0, 0.35, 0.35, 0.05)
STREET_OVER_MAIN = _Usual(2.9, 0.9, 1.3, 0.10)
HOUSE_OVER_SEA = _Usual(0.0, 0.6, 0.6, 0.10, 2 * OTHER_DATUM_M)
HEAD_OUTDOORS = _Usual(0.0, 0.25, 0.25, 0.10)


def near_house(site: Site) -> NDArray[np.bool_]:
    """Return which spot heights (n,) are of the yard at the house."""
    low = site.building.vertices.min(axis=0) - AT_HOUSE_M
    high = site.building.vertices.max(axis=0) + AT_HOUSE_M
    return np.asarray(np.all((site.ground.spots > low) & (site.ground.spots < high), axis=1))


def level_readings(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Yield the readings of the ground at the house and of the slab's elevation.

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
    # with two heights of the yard each checks the other
    if not survey.site.ground.assumed and near_house(survey.site).sum() == 1:
        yield from _grounds(survey, penetration)
    if survey.site.slab_elevation_m is not None:
        yield from _slabs(survey, penetration)


def _grounds(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh that the one height of the yard at the house is a few feet off."""
    site, exit = survey.site, survey.exit
    stated = _ground_terms(site, exit, 0.0)
    here = np.array([penetration.x_m, penetration.y_m])
    yard_m = float(site.ground.elevation_m(here))
    for rise_m in GROUND_BLUNDERS_M:
        terms = _ground_terms(site, exit, rise_m)
        evidence = evidence_against(stated, terms)
        side = "higher" if rise_m > 0 else "lower"
        words = f"the ground at the house lies {about(abs(rise_m), site.units)} {side} than written"
        yield Found(
            f"ground:{round(rise_m / FOOT_M):+d}",
            "ground",
            "ground at the house",
            words,
            # the blunder's probability shared among its sizes
            GROUND_BLUNDER / len(GROUND_BLUNDERS_M),
            evidence,
            penetration,
            exit.invert_m,
            ground_rise_m=rise_m,
            expected=yard_m + rise_m,
        )


def _ground_terms(site: Site, exit: Exit, rise_m: float) -> dict[str, float]:
    """Weigh the yard at the house, raised, against streets, slab, sea and depths outdoors."""
    near = near_house(site)
    yard_m = float(site.ground.elevations_m[near][0]) + rise_m
    away_m = site.ground.elevations_m[~near]
    # heights count from the slab: the yard's is how far it lies over the slab
    terms = {"slab": YARD_OVER_SLAB.log_density(yard_m)}
    if away_m.size:
        terms["streets"] = YARD_OVER_STREETS.log_density(yard_m - float(away_m.mean()))
    if (sea := _over_sea(site, yard_m)) is not None:
        terms["sea"] = sea
    # only what was leveled at the house moves with the blunder
    raised = Ground(
        site.ground.spots,
        site.ground.elevations_m + rise_m * near,
        site.ground.sds_m,
        assumed=False,
    )
    terms["outdoors"] = 0.0
    for row in site.locates:
        if row.room == "lot" and row.kind == "locate" and row.depth_m is not None:
            place = np.array([row.x_m, row.y_m])
            out_m = float(np.hypot(*(place - [exit.x_m, exit.y_m])))
            # depth is read from the ground: a raised ground raises the pipe it shows
            head_m = float(raised.elevation_m(place)) - row.depth_m - site.head_above_invert_m
            # the drain's own fall carried on to where its depth was read outdoors
            off_m = head_m - (exit.invert_m - exit.slope * out_m)
            terms["outdoors"] += HEAD_OUTDOORS.log_density(off_m, exit.invert_sd_m)
    return terms


def _over_sea(site: Site, yard_m: float, rise_m: float = 0.0) -> float | None:
    """Weigh slab, raised, plus yard against the elevation above the sea; None where not told."""
    slab_m, sea_m = site.slab_elevation_m, site.elevation_above_sea_m
    if slab_m is None or sea_m is None or abs(slab_m + yard_m - sea_m) > OTHER_DATUM_M:
        return None
    return HOUSE_OVER_SEA.log_density(slab_m + rise_m + yard_m - sea_m)


def _slabs(survey: Survey, penetration: Penetration) -> Iterator[Found]:
    """Weigh that the slab's elevation is of another floor, or of another datum than the mains'."""
    site, exit = survey.site, survey.exit
    stated = _slab_terms(site, penetration, exit.invert_m, 0.0)
    cover = _known_cover(site)
    cover_m = 0.0 if cover is None else cover[1]
    for rise_m in SLAB_BLUNDERS_M:
        terms = _slab_terms(site, penetration, exit.invert_m, rise_m)
        evidence = evidence_against(stated, terms)
        side = "low" if rise_m > 0 else "high"
        of = "of another floor" if abs(rise_m) > 1.0 else "in another vertical datum than the mains"
        words = f"site.slab_elevation is {of}, {about(abs(rise_m), site.units)} too {side}"
        yield Found(
            f"slab:{rise_m:+.1f}",
            "slab",
            "slab elevation",
            words,
            SLAB_BLUNDER / len(SLAB_BLUNDERS_M),
            evidence,
            penetration,
            exit.invert_m,
            # elevations are above the slab: a slab written too low has the mains too high
            main_rise_m=-rise_m,
            expected=cover_m - rise_m,
        )


def _known_cover(site: Site) -> tuple[str, float] | None:
    """Return the first manhole whose cover's elevation is on record, and that elevation."""
    covers = (
        (hole.id, float(hole.rim_m))
        for main in site.mains
        for hole in main.manholes
        if hole.rim_m is not None
    )
    return next(covers, None)


def _slab_terms(
    site: Site, penetration: Penetration, invert_m: float, rise_m: float
) -> dict[str, float]:
    """Weigh the slab's elevation, raised, against inverts, covers, streets and the sea."""
    terms = {"mains": fall_term(site, penetration, invert_m + rise_m)}
    streets = {street.name: street for street in site.streets}
    covers, beds = [], []
    for main in site.mains:
        street = streets.get(main.street)
        if street is None:
            continue
        over_m = street.ground_elevation_m
        covers += [hole.rim_m - rise_m - over_m for hole in main.manholes if hole.rim_m is not None]
        # depth of the main below its street, abreast of the lot
        if main.invert_known:
            middle = site.lot.edge(main.side).mean(axis=0)
            _, abreast_m, _ = polyline.line_locate_point(main.line, middle)
            bed_m = float(np.interp(abreast_m, polyline.stations(main.line), main.inverts_m))
            beds.append(over_m - bed_m + rise_m)
    sd_m = max((street.ground_elevation_sd_m for street in site.streets), default=0.0)
    if covers:
        # the median: one cover misread says nothing of the slab
        terms["covers"] = COVER_OVER_STREET.log_density(float(np.median(covers)), sd_m)
    if beds:
        terms["depth of the mains"] = STREET_OVER_MAIN.log_density(float(np.median(beds)), sd_m)
    yard_m = float(site.ground.elevation_m(site.building.vertices.mean(axis=0)))
    if (sea := _over_sea(site, yard_m, rise_m)) is not None:
        terms["sea"] = sea
    return terms


def asked_level(survey: Survey, one: Found) -> tuple[str, str, str, float]:
    """Say what to level for readings of one kind, from where to where, and what is written.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The reading.

    Returns
    -------
    tuple[str, str, str, float]
        Words, from where, to where, and what is written in m.
    """
    site = survey.site
    if one.kind == "ground":
        yard_m = one.expected - one.ground_rise_m
        return "level from the slab to the yard where the drain leaves", "slab", "yard", yard_m
    cover = _known_cover(site)
    if cover is None:
        words = "level from the slab to one manhole cover whose elevation is on record"
        return words, "slab", "", 0.0
    manhole, rim_m = cover
    return f"level from the slab to the cover of manhole {manhole}", "slab", manhole, rim_m
