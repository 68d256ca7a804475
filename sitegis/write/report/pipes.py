"""How deep the lateral lies, how drain and branches fall, and what each pipe carries."""

from __future__ import annotations

from ...model.branches import Branches
from ...model.survey import Survey
from ...numerics.statistics import NORMAL_95
from ...units import FOOT_M, LengthUnit, about, is_imperial, percent
from .section import Section

DEPTH_EVERY_M = 3.0
"""About how far apart the rows of the depth table stand: 10 ft, judgment."""


def depth_section(survey: Survey) -> Section:
    """Return the depth along the most probable route, both ends kept."""
    units, steps = survey.site.units, survey.dig.depths
    chosen = steps
    if steps:
        apart_m = max(steps[-1].station_m / max(len(steps) - 1, 1), 0.1)
        chosen = (*steps[: -1 : max(1, round(DEPTH_EVERY_M / apart_m))], steps[-1])
    return Section(
        "Depth along the most probable route (inferred)",
        ("from the wall", "ground to invert", "90 %: from to", "cover over the pipe"),
        tuple(
            (
                about(step.station_m, units),
                about(step.depth_m, units),
                f"{about(step.depth_05_m, units)} to {about(step.depth_95_m, units)}",
                about(max(step.depth_m - survey.site.drain_diameter_m, 0.0), units),
            )
            for step in chosen
        ),
    )


def fall_section(survey: Survey) -> Section:
    """Return how the existing drain falls and flows, against the rule with its section."""
    check, unit = survey.derived.profile, survey.site.units
    flow = (
        f"Running full it would flow {speed(check.full.velocity_m_s, unit)} (Manning, n = 0.013); "
        f"at a house's peak {speed(check.design.velocity_m_s, unit)}, "
        f"{100 * check.design.depth_ratio:.0f} % full."
    )
    return Section("Fall of the drain under the house", sentences=(*check.statements, flow))


def branch_sections(survey: Survey) -> list[Section]:
    """Return what each branch joins, how it falls, and what every pipe carries; none without."""
    if survey.joined is None:
        return []
    falls = [
        Section(f"Fall of the branch {name}", sentences=check.statements[:-1])
        for name, check in survey.derived.branch_profiles
    ]
    return [_branch_section(survey, survey.joined), *falls, _load_section(survey)]


def _branch_section(survey: Survey, joined: Branches) -> Section:
    """Return the branches: what each joins and how sure, its wye, its fall."""
    units, rows = survey.site.units, []
    for one in joined.branches:
        wye = "none"
        if one.wye is not None:
            wye = (
                f"within {about(one.wye.radius_95_m, units)} (95 %), invert "
                f"{about(-one.wye.invert_m, units)} below the slab, from the {one.wye.side} "
                "looking downstream"
            )
        fall = f"{100 * one.slope:.1f} % ± {100 * NORMAL_95 * one.slope_sd:.1f} % (95 %)"
        joins = "a drain of its own" if one.joins is None else one.joins
        if not len(one.vertices):
            joins, fall = f"lies in {one.joins}", "as that"
        rows.append((one.id, joins, percent(one.probability), wye, fall, "inferred"))
    return Section(
        f"Branches; the building drain is run {joined.trunk} (inferred)",
        ("branch", "joins", "probability", "wye", "fall", "how it is known"),
        tuple(rows),
    )


def _load_section(survey: Survey) -> Section:
    """Return what every stretch of pipe carries, held against the code."""
    unit = survey.site.units
    return Section(
        "What each pipe carries, planned and existing",
        ("pipe", "fixture units", "result", "numbers"),
        tuple(
            (
                f"Run {one.run}, {about(one.from_m, unit)} to {about(one.to_m, unit)}",
                f"{one.units:g}",
                check.verdict,
                check.words,
            )
            for one in survey.derived.loads
            for check in one.checks
        ),
    )


def speed(velocity_m_s: float, unit: LengthUnit) -> str:
    """Write a velocity in feet or meters a second.

    Parameters
    ----------
    velocity_m_s
        Velocity, m/s.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The velocity as text.

    Examples
    --------
    >>> speed(0.6096, "ft"), speed(0.6096, "m")
    ('2.0 ft/s', '0.61 m/s')
    """
    if is_imperial(unit):
        return f"{velocity_m_s / FOOT_M:.1f} ft/s"
    return f"{velocity_m_s:.2f} m/s"
