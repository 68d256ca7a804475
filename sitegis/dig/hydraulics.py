"""Flow in a round pipe by Manning's formula, and whether the drain under the slab falls enough."""

from __future__ import annotations

from math import ceil

import numpy as np
from scipy.special import ndtr

from ..model.derived import Flow, ProfileCheck, Sag
from ..model.results import ProfileComponent
from ..model.site import Site
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, in_steps
from ..numerics.statistics import NORMAL_95
from ..units import about, format_length

ROUGHNESS = 0.013  # Manning's n for old clay or iron pipe: the handbooks' usual design value
SELF_CLEANSING_M_S = 0.6096  # 2 ft/s, the usual design floor
DESIGN_FLOW_M3_S = 0.0015  # a house's peak, about 24 gal/min: judgment, no source
SAG_SIGMAS = 2.5  # a rise between marks is believed past this many standard deviations: judgment
# Flow is greatest where d(A R^(2/3))/dθ = 0: 5 (θ − θ cos θ) = 2 (θ − sin θ), 0.938 of the height.
FULLEST_ANGLE_RAD = 5.278107


def full_flow(diameter_m: float, slope: float, *, roughness: float = ROUGHNESS) -> Flow:
    """Return velocity and capacity of a pipe that runs full: V = R^(2/3) S^(1/2) / n, R = D/4.

    Parameters
    ----------
    diameter_m
        Inside diameter of the pipe, m.
    slope
        Fall per run.
    roughness
        Manning's n.

    Returns
    -------
    Flow
        Velocity in m/s and capacity in m³/s.

    Examples
    --------
    >>> flow = full_flow(0.1016, 1 / 96)
    >>> round(flow.velocity_m_s / 0.3048, 2)
    2.23
    """
    # hydraulic radius of a full pipe: area over perimeter = D/4
    velocity = (0.25 * diameter_m) ** (2 / 3) * np.sqrt(max(slope, 0.0)) / roughness
    return Flow(float(velocity), float(velocity * 0.25 * np.pi * diameter_m**2), 1.0)


def part_flow(
    flow_m3_s: float, diameter_m: float, slope: float, *, roughness: float = ROUGHNESS
) -> Flow:
    """Return velocity and depth of a flow that does not fill the pipe, by Manning's formula.

    With the water's angle θ at the center, A = D²/8 (θ − sin θ), P = D θ / 2; θ is solved for.
    Past the greatest free flow (1.076 × full, at 0.938 D) the pipe runs full under pressure.

    Parameters
    ----------
    flow_m3_s
        Flow, m³/s.
    diameter_m
        Inside diameter of the pipe, m.
    slope
        Fall per run.
    roughness
        Manning's n.

    Returns
    -------
    Flow
        Velocity in m/s and depth in m.
    """
    if flow_m3_s <= 0.0 or slope <= 0.0:
        return Flow(0.0, max(flow_m3_s, 0.0), 0.0 if flow_m3_s <= 0.0 else 1.0)

    def excess(angle: float) -> float:
        # segment of water in a circle; its hydraulic radius is area over wetted arc
        area = diameter_m**2 / 8 * (angle - np.sin(angle))
        radius = area / (0.5 * diameter_m * angle)
        return float(area * radius ** (2 / 3) * np.sqrt(slope) / roughness - flow_m3_s)

    # more than any free flow: under pressure
    if excess(FULLEST_ANGLE_RAD) <= 0.0:
        return Flow(flow_m3_s / (0.25 * np.pi * diameter_m**2), flow_m3_s, 1.0)
    low, angle = 1e-6, FULLEST_ANGLE_RAD
    # the flow rises with the angle up to there: bisection
    while angle - low > 1e-12:
        middle = 0.5 * (low + angle)
        low, angle = (middle, angle) if excess(middle) < 0.0 else (low, middle)
    area = diameter_m**2 / 8 * (angle - np.sin(angle))
    # depth of water over the diameter: half of 1 − cos of half the angle
    return Flow(float(flow_m3_s / area), flow_m3_s, 0.5 * (1.0 - float(np.cos(0.5 * angle))))


def p_slope_at_least(profile: tuple[ProfileComponent, ...], least: float) -> float:
    """Return the probability that the slope is at least a value: Σ w Φ((mean − least) / sd).

    Parameters
    ----------
    profile
        Mixture of invert and slope.
    least
        Slope to be reached.

    Returns
    -------
    float
        Probability.
    """
    return float(
        sum(
            one.weight * ndtr((one.mean[1] - least) / max(np.sqrt(one.covariance[1, 1]), 1e-12))
            for one in profile
        )
    )


def find_sags(survey: Survey) -> tuple[Sag, ...]:
    """Find where the marks say that the invert rises downstream, so that water stands.

    A mark's invert = surface − depth − height of the head above the invert. Each mark is held
    against the highest later one; the rise must pass 2.5 standard deviations of the two
    readings. The session's common depth error cancels in the difference.
    """
    readings = []
    for identifier, station in zip(survey.drain.point_ids, survey.drain.stations_m, strict=True):
        point = survey.placement.points[survey.placement.index(identifier)]
        # taped depths are to the pipe's bottom, not to the head
        if point.depth_m is not None and point.kind in ("locate", "bend"):
            invert = point.surface_elevation_m - point.depth_m - survey.site.head_above_invert_m
            readings.append((float(station), identifier, invert, point.depth_sd_m))
    readings.sort()
    sags: list[Sag] = []
    for i, (_, low, invert, sd) in enumerate(readings[:-1]):
        # water stands up to the highest invert that comes after
        _, high, top, top_sd = max(
            readings[i + 1 :], key=lambda mark: float(in_steps(mark[2], MATTERS_M))
        )
        spread = float(np.hypot(sd, top_sd))
        if top - invert > SAG_SIGMAS * spread:
            sags.append(Sag(low, high, top - invert, spread))
    return tuple(sags)


def profile_check(survey: Survey, *, design_flow_m3_s: float = DESIGN_FLOW_M3_S) -> ProfileCheck:
    """Hold the drain's fall against the rule set and Manning's formula, and look for sags.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    design_flow_m3_s
        Flow to check, m³/s.

    Returns
    -------
    ProfileCheck
        Slopes, velocities and sags.
    """
    drain, diameter = survey.drain, survey.site.drain_diameter_m
    rule = survey.rules.least_slope(diameter)
    meets = p_slope_at_least(drain.profile, rule.slope)
    full = full_flow(diameter, drain.slope)
    design = part_flow(design_flow_m3_s, diameter, drain.slope)
    sags = find_sags(survey)
    lines = [
        f"The drain falls {100 * drain.slope:.1f} % "
        f"(± {100 * NORMAL_95 * drain.slope_sd:.1f} %, 95 %); below what new work must have, "
        f"{100 * rule.slope:.2f} % ({rule.section}), with a probability of "
        f"{100 * (1.0 - meets):.0f} %. An old drain was laid by the rules of its day."
    ]
    if drain.slope_sd_ratio > 0.8:
        lines.append("The locate points say little about the slope: it is mostly the usual slope.")
    if full.velocity_m_s < SELF_CLEANSING_M_S:
        lines.append("Running full it would not reach 2 ft/s (0.6 m/s): solids may settle.")
    lines += [_sag_line(survey.site, sag) for sag in sags]
    lines.append(_cleanout_line(survey))
    return ProfileCheck(
        diameter,
        drain.slope,
        drain.slope_sd,
        rule.slope,
        rule.section,
        meets,
        full,
        design,
        sags,
        tuple(lines),
    )


def _cleanout_line(survey: Survey) -> str:
    """Say how many cleanouts the building drain needs, and where it ends outside the wall.

    Its length is what is located, the rest to the wall and what lies beyond it by the rule set.
    """
    rules, unit = survey.rules, survey.site.units
    unseen_m = 0.0 if survey.penetration is None else survey.penetration.unseen_m
    length_m = survey.drain.length_m + unseen_m + rules.building_drain_beyond_wall_m
    # six decimals: 30.000000001 m are no second cleanout
    count = max(ceil(round(length_m / rules.cleanout_spacing_m, 6)), 1)
    return (
        f"The building drain ends {about(rules.building_drain_beyond_wall_m, unit)} beyond the "
        f"wall ({rules.sources['building_drain_beyond_wall_m']}). Cleanouts of new work: {count} "
        f"on these {about(length_m, unit)}, one each {about(rules.cleanout_spacing_m, unit)} "
        f"({rules.sources['cleanout_spacing_m']}); {rules.plumbing.cleanouts.end_section}."
    )


def _sag_line(site: Site, sag: Sag) -> str:
    """Say where water may stand."""
    rise = format_length(sag.rise_m, site.depth_units)
    return (
        f"Between {sag.low_point} and {sag.high_point} the pipe seems to rise by {rise}: "
        "water may stand there. Look at the water line with the camera."
    )
