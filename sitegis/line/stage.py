"""Stage ``line``: from placed points to the drain with its bends, profile and covariance."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.results import Bend, Drain, PlacedPoint, Placement
from ..model.site import Noise, Site
from ..model.survey import Survey
from ..numerics.noise_scale import next_within
from ..numerics.ordering import MATTERS_M, in_steps, smallest
from ..numerics.statistics import nonnegative
from ..place.crew import with_locator_scale
from ..place.ellipse import tail_factor
from ..units import LengthUnit, about
from .bends import PlanFit, fit_plan
from .order import ON_LINE_KINDS, TAPED_KINDS, count_of, order_downstream
from .profile import (
    SLAB_COVER_M,
    TAPED_DEPTH_SD_M,
    Depths,
    learn_profile,
    mixture_moments,
    slope_prior,
)
from .straights import Chain, Marks

FITTING_OFFSET_SD_M = 0.05
"""How far a cleanout or stack may stand off the drain's axis. Judgment, no source."""
CLEANOUT_DROP_SD_M = 0.30
"""A count taken as 0 at the cleanout leaves out the way down its riser. Judgment, no source."""
FLOOR_SD_M = 0.01
"""How level a basement floor is. Judgment, no source."""
# judgment, no source: tail weight below which a mark is named as off the line, and the share of
# the prior's spread that a measured slope must get below
_OUTLIER_WEIGHT = 0.30
_UNINFORMED_RATIO = 0.8
_JUMP_SHARE, _LEAST_JUMP_M = 0.0027, 0.10
"""A jump of depth is said where noise as the site's other marks show it has so small a probability
(3 sigma of a normal), and from so much on. Judgment, no source."""


def fit_line(survey: Survey) -> Survey:
    """Fit the building drain under the slab: plan, bends, profile, joint covariance.

    Plan: from mark to mark over all bends (:mod:`sitegis.line.follow`); the chain shown by total
    least squares with the placement's full covariance. Profile: straight fall with a mixture
    prior on the slope (:mod:`sitegis.line.profile`). The scales of the locator's noise in plan
    and in depth are integrated over; the placed points' ellipses are widened or narrowed by
    that of the plan. A floor drain or branch
    takes no part in the plan. Where it lies on the fitted line within two sigma, its depth is
    one of the line's. Elsewhere its pipe falls toward the drain, so that its depth bounds the
    drain's invert from above where it joins.
    The head's tilt on a drain's fall moves its mark along the line by ⅔ · slope · depth (the null
    of a tilted dipole's vertical field), about 1 cm: less than 1 mm of invert, and left out.
    ``ComputationError`` where fewer than two points are on the drain.
    """
    # from the stated noise: a scale that an earlier pass learned would count twice
    site, placement = survey.site, with_locator_scale(survey.placement, 1.0)
    inverts, sds = read_inverts(site, placement)
    ordered = order_downstream(placement, inverts, sds)
    plan = fit_plan(gather_marks(placement, ordered.indices, site.noise))
    # stations count from the most upstream mark
    start = float(np.min(plan.best.stations_m))
    depths, depth_ids = gather_depths(
        site, placement, ordered.indices, plan.best.stations_m, plan.best.vertices
    )
    prior = slope_prior(survey.rules, site.drain_diameter_m)
    profile, tails, depth_noise = learn_profile(depths, prior)
    mean, covariance = mixture_moments(profile)
    slope_sd = float(np.sqrt(covariance[1, 1]))
    points = [placement.points[i] for i in ordered.indices]
    drain = Drain(
        vertices=plan.best.vertices,
        point_ids=tuple(point.id for point in points),
        stations_m=plan.best.stations_m - start,
        offsets_m=plan.best.offsets_m,
        bends=_bends(plan.best, start),
        end_angle_rad=float(np.angle(np.exp(1j * plan.best.end[2]))),
        end_covariance=plan.end_covariance,
        profile=profile,
        slope=float(mean[1]),
        slope_sd=slope_sd,
        slope_sd_ratio=slope_sd / prior.sd,
        log_evidence_by_bends=plan.log_evidence_by_bends,
        ends=plan.ends,
        noise=(plan.noise, depth_noise),
    )
    notices = (
        *ordered.notices,
        *_plan_notices(drain, plan, site.units),
        *_profile_notices(drain, depths, depth_ids, tails, site.depth_units),
    )
    # and now the ellipses with the noise as it was found here
    placed = with_locator_scale(placement, plan.noise.mean_square)
    return replace(survey, placed=placed, fitted=replace(drain, notices=notices))


def read_inverts(site: Site, placement: Placement) -> tuple[Array, Array]:
    """Return invert as read and its sd, (n,) each, for every placed point; NaN without a depth.

    Surface − depth − head height for what the locator read; surface − depth for what is
    taped to the pipe's bottom (cleanout, stack, floor drain, branch).

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.

    Returns
    -------
    inverts
        Above the slab (n,), m.
    sds
        Their standard deviations (n,), m.
    """
    inverts, sds = np.full(len(placement.points), np.nan), np.full(len(placement.points), np.nan)
    for i, point in enumerate(placement.points):
        if point.depth_m is not None:
            taped = point.kind in TAPED_KINDS
            head = 0.0 if taped else site.head_above_invert_m
            inverts[i] = point.surface_elevation_m - point.depth_m - head
            sds[i] = np.hypot(TAPED_DEPTH_SD_M if taped else point.depth_sd_m, FLOOR_SD_M)
    return inverts, sds


def gather_marks(placement: Placement, indices: tuple[int, ...], noise: Noise) -> Marks:
    """Gather what the plan fit takes from the placed points in downstream order.

    A point's own, heavy-tailed part is the locator's without the session's common shift and
    without the widening that stage ``place`` gives an ellipse for tails (here the tails are
    modeled); for a cleanout or stack it is the offset of the fitting from the drain's axis.

    Parameters
    ----------
    placement
        Points placed in the lot, with their covariance.
    indices
        The drain's points in downstream order, by place in the placement.
    noise
        Stated noise of tape and locator.

    Returns
    -------
    Marks
        The marks for the plan fit.
    """
    points = [placement.points[i] for i in indices]
    n = len(points)
    rows = np.array([[2 * i, 2 * i + 1] for i in indices]).ravel()
    covariance = np.array(placement.covariance_m2[np.ix_(rows, rows)])
    receiver = covariance - placement.mark_covariance_m2[np.ix_(rows, rows)]
    blocks = receiver.reshape(n, 2, n, 2)[np.arange(n), :, np.arange(n), :]
    widened = blocks - noise.session_horizontal_m**2 * np.eye(2)
    # the tail is modeled in the fit: back from the widened normal to the t's own variance
    independent = widened / tail_factor(noise.degrees_of_freedom)
    independent = nonnegative(independent, 1e-6)
    direct = np.array([point.kind in TAPED_KINDS for point in points])
    independent[direct] = FITTING_OFFSET_SD_M**2 * np.eye(2)
    widened[direct] = 0.0
    for i in range(n):
        own = slice(2 * i, 2 * i + 2)
        # the fitting's offset or the unwidened part in place of what stage place gave
        covariance[own, own] += independent[i] - widened[i]
    floor = np.array([_count_floor(point, noise) for point in points])
    heading = [np.nan if p.heading_rad is None else p.heading_rad for p in points]
    return Marks(
        xy=np.array([[point.x_m, point.y_m] for point in points]),
        covariance=covariance,
        independent=independent,
        counts_m=np.array([count_of(point) for point in points]),
        count_floor_m=floor,
        count_share=noise.footage_share,
        headings_rad=np.array(heading, float),
        bend_marks=np.array([point.kind == "bend" for point in points]),
        degrees_of_freedom=noise.degrees_of_freedom,
        received=~direct,
        session_sd_m=noise.session_horizontal_m,
    )


def _count_floor(point: PlacedPoint, noise: Noise) -> float:
    """Return a count's own sd; a cleanout taken as 0 has the riser's drop on top."""
    taken = point.kind == "cleanout" and point.footage_m is None
    return float(np.hypot(noise.footage_floor_m, CLEANOUT_DROP_SD_M if taken else 0.0))


def gather_depths(
    site: Site, placement: Placement, indices: tuple[int, ...], stations_m: Array, vertices: Array
) -> tuple[Depths, tuple[str, ...]]:
    """Gather the depths along the line and the bounds from above; also the marks' ids.

    The line: ``vertices`` (k, 2), with the ``stations_m`` (n,) of the marks ``indices``.
    The locator's sd follows the *fitted* depth: a first straight line through the inverts
    gives it. Bounds: the slab (crown at least 10 cm below its surface) at both ends, and
    every floor drain or branch beside the line.

    Parameters
    ----------
    site
        The site as read.
    placement
        Points placed in the lot, with their covariance.
    indices
        The drain's points in downstream order, by place in the placement.
    stations_m
        Their stations (n,), m.
    vertices
        The line (k, 2), m.

    Returns
    -------
    depths
        What was read and the bounds.
    ids
        Of the marks that count.
    """
    inverts, sds = read_inverts(site, placement)
    on_line = dict(zip(indices, stations_m, strict=True))
    beside = _beside(placement, stations_m, vertices)
    end = float(np.max(stations_m))
    stations = on_line | {i: station for i, (station, near) in beside.items() if near}
    used = [i for i in stations if np.isfinite(inverts[i])]
    used.sort(key=lambda i: float(in_steps(stations[i], MATTERS_M)))
    behind = end - np.array([stations[i] for i in used])
    taped = np.array([placement.points[i].kind in TAPED_KINDS for i in used], dtype=bool)
    surfaces = np.array([placement.points[i].surface_elevation_m for i in used])
    smooth = _smoothed(behind, inverts[used], sds[used])
    # a depth of 0 or less, by a wild first line, has no repeatability
    depth = np.maximum(surfaces - smooth - site.head_above_invert_m, 0.05)
    read = np.array([placement.points[i].depth_m for i in used], float)
    # repeatability at the fitted depth: a reading that happens to be short would seem the better
    sd = np.where(taped, sds[used], sds[used] * _spread(depth, site) / _spread(read, site))
    # highest invert under a floor: slab, then the pipe's own diameter
    cover = -SLAB_COVER_M - site.drain_diameter_m
    first, last = _end_surfaces(placement, indices)
    # how far behind the end, highest invert, and to what that is known (2 cm: judgment)
    bounds = [(end - float(np.min(stations_m)), first + cover, 0.02)]
    bounds.append((0.0, last + cover, 0.02))
    # a branch falls toward the drain: the drain's invert is below the branch's own there
    bounds += [
        (end - station, float(inverts[i]), float(np.hypot(sds[i], 0.02)))
        for i, (station, near) in beside.items()
        if not near and np.isfinite(inverts[i])
    ]
    return Depths(
        behind_m=behind,
        inverts_m=inverts[used],
        sd_m=sd,
        scaled_m=np.where(taped, 0.0, depth),
        scale_sd=site.noise.session_depth_scale,
        degrees_of_freedom=site.noise.degrees_of_freedom,
        bounds=tuple(bounds),
    ), tuple(placement.points[i].id for i in used)


def _spread(depth: Array, site: Site) -> Array:
    """Return the locator's repeatability at a depth."""
    return np.array([site.noise.depth_sd_m(value) for value in depth.tolist()])


def _smoothed(behind: Array, inverts: Array, sds: Array) -> Array:
    """Return the inverts on a first straight line (their mean where two or fewer)."""
    # two depths, or depths in one place, give a slope that is only noise
    if inverts.size < 3 or np.ptp(behind) < 0.5:
        return np.full_like(inverts, inverts.mean()) if inverts.size else inverts
    return np.asarray(np.polyval(np.polyfit(behind, inverts, 1, w=1.0 / sds), behind))


def _end_surfaces(placement: Placement, indices: tuple[int, ...]) -> tuple[float, float]:
    """Return the floor's elevation at the first and the last point."""
    points = placement.points
    return points[indices[0]].surface_elevation_m, points[indices[-1]].surface_elevation_m


def _beside(
    placement: Placement, stations_m: Array, vertices: Array
) -> dict[int, tuple[float, bool]]:
    """Return station, and whether on the line within two sigma, of floor drains and branches."""
    origin = float(np.min(stations_m))
    found = {}
    for i, point in enumerate(placement.points):
        if point.kind in TAPED_KINDS and point.kind not in ON_LINE_KINDS and point.indoors:
            station, distance = _foot(vertices, np.array([point.x_m, point.y_m]))
            sd = float(np.hypot(point.sd_major_m, FITTING_OFFSET_SD_M))
            found[i] = (origin + station, distance < 2.0 * sd)
    return found


def _foot(vertices: Array, xy: Array) -> tuple[float, float]:
    """Return station and distance of the nearest place on a polyline."""
    steps = np.diff(vertices, axis=0)
    lengths = np.hypot(*steps.T)
    squares = np.maximum(lengths**2, 1e-12)
    share = np.clip(np.sum((xy - vertices[:-1]) * steps, axis=1) / squares, 0.0, 1.0)
    distances = np.hypot(*(vertices[:-1] + share[:, None] * steps - xy).T)
    near = smallest(distances, MATTERS_M)
    return float(lengths[:near].sum() + share[near] * lengths[near]), float(distances[near])


def _bends(chain: Chain, start: float) -> tuple[Bend, ...]:
    """Return the bends of a chain as records."""
    turns = np.degrees(chain.parameters[1 : chain.parameters.size // 2])
    return tuple(
        Bend(float(station - start), float(turn), float(x), float(y))
        for station, turn, (x, y) in zip(
            chain.bend_stations_m, turns, chain.vertices[1:-1], strict=True
        )
    )


def _plan_notices(drain: Drain, plan: PlanFit, units: LengthUnit) -> Iterator[Notice]:
    """Say what a person should know of the plan."""
    marks = zip(drain.point_ids, drain.offsets_m, plan.best.weights, strict=True)
    for name, offset, weight in marks:
        if weight < _OUTLIER_WEIGHT:
            yield notice_of("mark-off-line", name, name=name, offset=about(abs(offset), units))
    if len(drain.point_ids) < 4:
        yield notice_of("few-points", "locates.csv", count=len(drain.point_ids))
    yield from _bend_count_notice(plan)


def _bend_count_notice(plan: PlanFit) -> Iterator[Notice]:
    """Say so where two counts of bends are about as likely."""
    logs = plan.log_evidence_by_bends
    ranked = sorted(logs, key=lambda k: (-round(logs[k], 6), k))
    # within odds of three to one: judgment, no source
    if len(ranked) < 2 or logs[ranked[0]] - logs[ranked[1]] > np.log(3.0):
        return
    yield notice_of("bend-count-unsure", "locates.csv", ranked=ranked[0], ranked_2=ranked[1])


def _profile_notices(
    drain: Drain, depths: Depths, ids: tuple[str, ...], tails: Array, units: LengthUnit
) -> Iterator[Notice]:
    """Say what a person should know of the profile."""
    if drain.slope_sd_ratio > _UNINFORMED_RATIO:
        yield notice_of(
            "slope-not-measured", "profile", slope=100 * drain.slope, slope_sd=100 * drain.slope_sd
        )
    invert = drain.invert_at_end_m + drain.slope * depths.behind_m
    residual = depths.inverts_m - invert
    for name, r, weight in zip(ids, residual, tails, strict=True):
        if weight < _OUTLIER_WEIGHT:
            text = "less" if r > 0 else "more"
            yield notice_of("depth-off-line", name, name=name, r=about(abs(r), units), text=text)
    # sd of the difference of neighbors
    steps = np.hypot(depths.sd_m[1:], depths.sd_m[:-1])
    jump = np.abs(np.diff(residual))
    regular = tails >= _OUTLIER_WEIGHT  # one wild depth is named once, not as two jumps
    limit = np.maximum(_jump_within(jump / steps) * steps, _LEAST_JUMP_M)
    for i in np.flatnonzero((jump > limit) & regular[1:] & regular[:-1]):
        off = about(float(jump[i]), units)
        yield notice_of("depth-jump", ids[i], ids=ids[i], ids_2=ids[i + 1], jump=off)
    if drain.slope + 2.0 * drain.slope_sd < 0:
        yield notice_of("falls-upstream", "profile")


def _jump_within(jumps: Array) -> Array:
    """Return how many stated sds each jump (n,) may have: by the crew's noise in the others.

    Those that share a mark with it are left out, so that one real step does not hide itself.
    """
    # padded, so that the first and last jump have neighbors without weight
    square = np.concatenate([[0.0, 0.0], jumps**2, [0.0, 0.0]])
    beside = sum(square[i : i + jumps.size] for i in (1, 2, 3))
    near = np.minimum(np.arange(jumps.size), 1) + np.minimum(np.arange(jumps.size)[::-1], 1) + 1
    return next_within(np.maximum(jumps @ jumps - beside, 0.0), jumps.size - near, _JUMP_SHARE)
