"""Other readings of the locator's depths: halved, doubled, a foot off, centimeters for inches.

Each is weighed by the profile's own evidence (:mod:`sitegis.line.profile`): the slope's prior, how
deep drains lie under a floor, the slab above them, and depths taped to the pipe; and by the
mains: the drain must fall to one of them, and does not end far above all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
from scipy.special import log_ndtr

from ..geometry import polyline
from ..late_dataclass import dataclass
from ..line.order import TAPED_KINDS, order_downstream
from ..line.profile import mixture_moments, slope_prior, weigh_profile
from ..line.stage import gather_depths, read_inverts
from ..model.doubts import EvidenceTerm
from ..model.results import Exit, Placement
from ..model.site import Main, Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least
from ..numerics.statistics import log_sum
from .weigh import Penetration, foot_on, nearest_main

DEPTH_BLUNDER = 0.03
"""The locator's depths are all wrong by one blunder. Judgment, no source."""
FOOT_M = 0.3048
DEPTH_BLUNDERS: Mapping[str, tuple[float, float, str]] = {
    "halved": (0.5, 0.0, "all depths of the locator were written at half of what they are"),
    "doubled": (2.0, 0.0, "all depths of the locator were written at twice what they are"),
    "foot-less": (1.0, -FOOT_M, "all depths of the locator were written a foot too small"),
    "foot-more": (1.0, FOOT_M, "all depths of the locator were written a foot too large"),
    "cm-as-in": (2.54, 0.0, "the depths are in centimeters, and were read as inches"),
    "in-as-cm": (1.0 / 2.54, 0.0, "the depths are in inches, and were read as centimeters"),
}
"""A blunder's factor and offset: depth as written = factor × depth + offset; and its words."""
UPHILL_SD_M, DROP_MEAN_M, OTHER_SHARE = 0.20, 1.2, 0.02
"""How well a fall to a main is known, how far above a main drains arrive on average
(exponential), and the share of drains that all this does not hold for. Judgment, no source."""
LEAST_SLOPE = 0.01
"""The drain falls on to the main at least so. Judgment, no source."""


@dataclass(frozen=True, slots=True)
class DepthReading:
    """A reading of the depths: evidence against the stated one, invert at the exit, slope.

    ``order`` of the drain's marks downstream, by their depths as they would then be.
    """

    id: str
    words: str
    prior: float
    evidence: tuple[EvidenceTerm, ...]
    invert_m: float
    slope: float
    order: tuple[int, ...]

    @property
    def log_evidence(self) -> float:
        """Sum of the evidence, in nats."""
        return sum(one.nats for one in self.evidence)


def depth_readings(survey: Survey) -> Iterator[DepthReading]:
    """Weigh the blunders of the locator's depths; empty where the locator read no depth."""
    placement, drain = survey.placement, survey.drain
    received = [
        point
        for point in placement.points
        if point.id in drain.point_ids
        and point.depth_m is not None
        and point.kind not in TAPED_KINDS
    ]
    if not received:
        return
    # the stated depths in the same terms: only differences count
    (profile, mains), _, _ = _log_evidence(survey, 1.0, 0.0)
    for key, (factor, offset, words) in DEPTH_BLUNDERS.items():
        (own, fall), invert, slope = _log_evidence(survey, factor, offset)
        yield DepthReading(
            f"depths:{key}",
            words,
            DEPTH_BLUNDER / len(DEPTH_BLUNDERS),
            (EvidenceTerm("profile", own - profile), EvidenceTerm("mains", fall - mains)),
            invert,
            slope,
            _order(survey, factor, offset),
        )


def _order(survey: Survey, factor: float, offset_m: float) -> tuple[int, ...]:
    """Return the order of the drain's marks downstream under a blunder of their depths."""
    site, placement = survey.site, _corrected(survey.site, survey.placement, factor, offset_m)
    if placement is None:
        return ()
    return order_downstream(placement, *read_inverts(site, placement)).indices


def as_it_is(reading: str, depth_m: float) -> float:
    """Return a depth as it would be under a reading by its id, from the depth as written.

    Parameters
    ----------
    reading
        Id of the reading.
    depth_m
        Depth as written, m.

    Returns
    -------
    float
        Depth, m.
    """
    factor, offset_m, _ = DEPTH_BLUNDERS[reading.removeprefix("depths:")]
    return (depth_m - offset_m) / factor


def _log_evidence(
    survey: Survey, factor: float, offset_m: float
) -> tuple[tuple[float, float], float, float]:
    """Return the log evidence of the depths as written under a blunder, invert at the exit, slope.

    The evidence is the profile's and the mains'.
    """
    site, drain = survey.site, survey.drain
    placement = _corrected(site, survey.placement, factor, offset_m)
    if placement is None:
        return (-np.inf, 0.0), survey.exit.invert_m, 0.0
    indices = tuple(placement.index(name) for name in drain.point_ids)
    depths, _ = gather_depths(site, placement, indices, drain.stations_m, drain.vertices)
    prior = slope_prior(survey.rules, site.drain_diameter_m)
    profile, _, log_evidence = weigh_profile(depths, prior)
    received = int(np.count_nonzero(depths.scaled_m > 0.0))
    mean, _ = mixture_moments(profile)
    invert = float(mean[0] - mean[1] * survey.exit.unseen_m)
    # density of what was written, not of the depth: depth = (written −
    # offset) / factor, one factor for each
    log_evidence -= received * float(np.log(factor))
    fall = fall_term(site, survey.exit, invert)
    return (log_evidence, fall), invert, float(mean[1])


def _corrected(
    site: Site, placement: Placement, factor: float, offset_m: float
) -> Placement | None:
    """Return the placement with what the locator read corrected; None where a depth vanishes.

    The locator's repeatability is that of the depth as it is.
    """
    points = []
    for point in placement.points:
        if point.depth_m is not None and point.kind not in TAPED_KINDS:
            depth = (point.depth_m - offset_m) / factor
            if depth <= 0.0:
                return None
            # its spread grows or shrinks as the stated noise does from one depth to the other
            usual = site.noise.depth_sd_m(depth) / site.noise.depth_sd_m(point.depth_m)
            points.append(replace(point, depth_m=depth, depth_sd_m=point.depth_sd_m * usual))
        else:
            points.append(point)
    return replace(placement, points=tuple(points))


def fall_term(site: Site, place: Exit | Penetration, invert_m: float) -> float:
    """Weigh whether the drain can fall to a main on record, and how far above it it arrives.

    Parameters
    ----------
    site
        The site as read.
    place
        The wall penetration.
    invert_m
        Invert there, m above the slab.

    Returns
    -------
    float
        Log likelihood, nats.
    """
    logs = [
        # P(the fall suffices) × an exponential density of how far above the main it arrives
        float(log_ndtr(above / sd)) - max(above, 0.0) / DROP_MEAN_M - np.log(DROP_MEAN_M)
        for main in site.mains
        if main.invert_known
        for above, sd in [_arrives_above(main, foot_on(main, place), invert_m)]
    ]
    if not logs:
        return 0.0
    # mean over the mains, and the share of drains that this does not hold for
    return float(np.logaddexp(log_sum(np.array(logs)) - np.log(len(logs)), np.log(OTHER_SHARE)))


def _arrives_above(main: Main, foot: tuple[float, float], invert_m: float) -> tuple[float, float]:
    """Return how far above a main the drain arrives at most, and the sd of that.

    ``foot``: how far the main passes from where the drain leaves, and its station there.
    """
    away_m, abreast_m = foot
    bed_m = float(np.interp(abreast_m, polyline.stations(main.line), main.inverts_m))
    # at most: by the shortest way at the least slope
    above = invert_m - LEAST_SLOPE * away_m - bed_m
    return above, float(np.hypot(UPHILL_SD_M, main.invert_sd_m))


def leading_main(
    site: Site, penetration: Penetration, invert_m: float, rise_m: float = 0.0
) -> Main | None:
    """Return the main that the drain leads to: the nearest ahead among those it can fall to.

    ``rise_m`` is how far the mains lie above what is written. All mains count where it can fall
    to none of them.

    Parameters
    ----------
    site
        The site as read.
    penetration
        The wall penetration.
    invert_m
        Invert at the exit, m above the slab.
    rise_m
        How far the mains lie above what is written, m.

    Returns
    -------
    Main | None
        The main, None without mains.
    """
    if len(site.mains) < 2:
        return site.mains[0] if site.mains else None
    every = [(main, foot_on(main, penetration)) for main in site.mains]
    reached = []
    for main, foot in every:
        above, sd = _arrives_above(main, foot, invert_m - rise_m)
        if not main.invert_known or at_least(above, -2.0 * sd, MATTERS_M):
            reached.append((main, foot))
    mains, feet = zip(*(reached or every), strict=True)
    nearest = nearest_main(mains, penetration, feet)
    return None if nearest is None else nearest[0]
