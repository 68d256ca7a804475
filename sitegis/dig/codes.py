"""What the plumbing code asks of a planned branch, each with its number and section."""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy.special import ndtr

from ..model.derived import CodeCheck, TapSpread, Verdict
from ..model.site import Main, PlannedFixture, Site, Street
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_M, at_least
from ..rules.plumbing import BackwaterRule, Plumbing
from ..rules.rule_set import RuleSet
from ..units import LengthUnit, about, format_length, small_unit

# Flood rim above the floor by kind: common practice, no source.
RIM_M = {
    "water-closet": 0.40,
    "shower": 0.05,
    "lavatory": 0.80,
    "floor-drain": 0.0,
    "laundry": 0.85,
    "kitchen": 0.90,
}
COVER_SD_M = 0.05  # of a cover on record, leveled to the slab: judgment
POSSIBLE = 0.05  # a main, or a comparison, less probable is not told: judgment


def backwater_checks(
    survey: Survey, fixture: PlannedFixture, floor_m: float, taps: Sequence[TapSpread]
) -> list[CodeCheck]:
    """Hold a fixture against what a backwater valve is asked by, for every possible main.

    Without the elevation that the code compares with the answer is "not known".

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    fixture
        The planned fixture.
    floor_m
        Elevation of the fixture's floor above the slab, m.
    taps
        Where each main may be tapped.

    Returns
    -------
    list[CodeCheck]
        One check for each main.
    """
    rule = survey.rules.plumbing.backwater
    # the lowest of a set decides: what backs up comes out there first
    rim_m = min(RIM_M[kind] for kind in fixture.kinds)
    level_m = floor_m + (rim_m if rule.compares == "rim" else 0.0)
    checks = []
    for tap in taps:
        if at_least(tap.probability, POSSIBLE):
            against_m, sd_m = _against(survey.site, rule, tap.main, tap.station_m)
            only = len([one for one in taps if at_least(one.probability, POSSIBLE)]) == 1
            where = "" if only else f"If it drains to {tap.main.id}: "
            checks.append(_backwater(survey.site.units, rule, where, level_m, against_m, sd_m))
    return checks


def _against(
    site: Site, rule: BackwaterRule, main: Main, station_m: float
) -> tuple[float | None, float]:
    """Return the elevation that the code compares with, and its sd; None where it is not known."""
    if rule.against == "street":
        street = next(one for one in site.streets if one.name == main.street)
        return _street(street)
    # stations grow downstream: the last at or before the connection is the next one upstream
    upstream = [one for one in main.manholes if one.station_m <= station_m]
    return (upstream[-1].rim_m if upstream else None), COVER_SD_M


def _street(street: Street) -> tuple[float | None, float]:
    return street.ground_elevation_m, street.ground_elevation_sd_m


def _backwater(
    unit: LengthUnit,
    rule: BackwaterRule,
    where: str,
    level_m: float,
    against_m: float | None,
    sd_m: float,
) -> CodeCheck:
    what = "finished floor" if rule.compares == "floor" else "flood rim"
    other = "the cover of the next upstream manhole" if rule.against == "manhole" else "the street"
    verdict: Verdict = "not known"
    if against_m is None:
        text = f"not known: give the elevation of {other} (rim of the manhole)"
    else:
        below_m = against_m - level_m
        p = p_below(level_m, against_m, sd_m)
        side = "below" if below_m >= 0 else "above"
        place = f"the {what} lies {about(abs(below_m), unit)} {side} it ({100 * p:.0f} % below)"
        verdict = "asked" if p >= 1 - POSSIBLE else "not asked" if p < POSSIBLE else "not known"
        outcomes = {
            "asked": "a valve is asked for",
            "not asked": "no valve is asked for by this comparison",
        }
        text = f"{outcomes.get(verdict, 'level both before deciding')}: {place}"
        # a rule from memory decides nothing by itself
        if not rule.sure and verdict in outcomes:
            verdict, text = "ask", f"compare with the adopted text, by which {text}"
    return CodeCheck(
        "backwater-valve",
        "Backwater valve",
        verdict,
        f"{where}{text}. The {what} is compared with {other} ({rule.section}); {rule.note}",
        rule.section,
    )


def p_below(level_m: float, against_m: float, sd_m: float) -> float:
    """Return the probability that a level lies below an uncertain elevation: Φ((e − l) / sd).

    Parameters
    ----------
    level_m
        Level, m.
    against_m
        Elevation it is compared with, m.
    sd_m
        Standard deviation of that elevation, m.

    Returns
    -------
    float
        Probability.

    Examples
    --------
    >>> p_below(29.85, 29.85, 0.05)
    0.5
    """
    return float(ndtr((against_m - level_m) / max(sd_m, 1e-9)))


def stack_check(
    plumbing: Plumbing, distance_m: float, stack_m: float, stack: str, unit: LengthUnit
) -> CodeCheck | None:
    """Hold a wye downstream of a stack's base against the least distance; None if none is asked.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    distance_m
        Distance of the wye from the stack's base, m.
    stack_m
        Inside diameter of the stack, m.
    stack
        Name of the stack.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    CodeCheck | None
        The check, None where no distance is asked.
    """
    rule = plumbing.stack_base
    if rule is None:
        return None
    least_m = rule.least_m(stack_m)
    short_m = least_m - distance_m
    found = f"the wye is {about(distance_m, unit)} downstream of the base of {stack}"
    asked = f"{about(least_m, unit)} asked"
    if rule.diameters is not None:
        asked += f" ({rule.diameters:g} x {format_length(stack_m, small_unit(unit))} stack)"
    enough = at_least(distance_m, least_m, MATTERS_M)
    verdict: Verdict = "met" if enough else "not met"
    if not enough:
        asked += f", {about(short_m, unit)} short"
    if rule.only_if and not enough:
        verdict, asked = "ask", f"{asked}, if {rule.only_if}"
    return _check(
        "stack-base",
        "Distance from the stack",
        verdict,
        f"{found}; {asked}",
        rule.section,
        sure=rule.sure,
    )


def vent_check(
    plumbing: Plumbing,
    kind: str,
    trap_m: float,
    length_m: float | None,
    unit: LengthUnit,
    straight_m: float | None = None,
) -> CodeCheck:
    """Hold the developed length from trap to vent against the table by trap size.

    The arm may not fall more than one pipe diameter (IPC 909.2), at the table's slope. Where no
    length is given the straight line ``straight_m`` to the vent is the least that it can be.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    kind
        Kind of the fixture.
    trap_m
        Inside diameter of the trap, m.
    length_m
        Developed length from trap to vent, m; None where it is not given.
    unit
        Unit of the site, in which lengths are shown.
    straight_m
        Straight distance to the vent, m; None where it is not known.

    Returns
    -------
    CodeCheck
        The check.
    """
    row, name = plumbing.trap_arm(trap_m), f"Vent of the {kind.replace('-', ' ')}"
    # a closet has its trap within itself: the table by trap size is not for it
    if kind == "water-closet" or row is None:
        return CodeCheck(
            "trap-arm",
            name,
            "ask",
            "its own rule, not the table by trap size: ask where the vent must be",
            "",
        )
    most = (
        f"at most {about(row.length_m, unit)} along the pipe from a {size(trap_m, unit)} trap to "
        f"its vent, falling no more than one pipe diameter"
    )
    # a straight line is never longer than the pipe: if that is too long, the pipe is
    least_m = straight_m if length_m is None else length_m
    if least_m is None:
        return _check(
            "trap-arm", name, "not known", f"no vent is given: {most}", row.section, sure=row.sure
        )
    fall_m = least_m * row.slope
    fits = at_least(row.length_m, least_m, MATTERS_M) and at_least(trap_m, fall_m, MATTERS_M)
    verdict: Verdict = "met" if fits else "not met"
    measured = "from trap to vent" if length_m is not None else "in a straight line to the vent"
    # a straight line that fits proves nothing
    if fits and length_m is None:
        verdict, measured = "ask", f"{measured}, longer along the pipe: measure it"
    return _check(
        "trap-arm",
        name,
        verdict,
        f"{about(least_m, unit)} {measured}; {most}",
        row.section,
        sure=row.sure,
    )


def load_check(
    plumbing: Plumbing,
    kinds: tuple[str, ...],
    diameter_m: float,
    slope: float,
    unit: LengthUnit,
    what: str,
) -> CodeCheck:
    """Hold the fixture units of single fixtures on a pipe against the table by size and slope.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    kinds
        Kinds of the single fixtures.
    diameter_m
        Inside diameter of the pipe, m.
    slope
        Fall per run.
    unit
        Unit of the site, in which lengths are shown.
    what
        Name of the pipe.

    Returns
    -------
    CodeCheck
        The check.
    """
    load, most = plumbing.load(kinds), plumbing.loads.most(diameter_m, slope)
    rows = [plumbing.fixtures[kind] for kind in kinds]
    sections = "; ".join(dict.fromkeys([*(row.section for row in rows), plumbing.loads.section]))
    words = f"{load:g} drainage fixture units on {what} of {size(diameter_m, unit)}"
    sure = plumbing.loads.sure and all(row.sure for row in rows)
    if most is None:
        return _check(
            "fixture-units",
            "Fixture units",
            "ask",
            f"{words}; the table has no such size",
            sections,
            sure=True,
        )
    if most == 0.0:
        words += f"; no load is allowed at {100 * slope:.2f} %"
    else:
        words += f"; at most {most:g} at {100 * slope:.2f} %"
    # 0 in the table is a size that may not be laid at that slope at all
    verdict: Verdict = "met" if 0.0 < load <= most else "not met"
    return _check("fixture-units", "Fixture units", verdict, words, sections, sure=sure)


SIZES_M = tuple(inches * 0.0254 for inches in (2, 3, 4, 6))
"""Pipe sizes to choose from, nothing under 2 in under a floor: common practice, no source."""
FLOOR_DRAIN_M = 0.0762  # 3 in: common practice, no source


def branch_size(rules: RuleSet, kinds: tuple[str, ...]) -> tuple[float, str]:
    """Choose the pipe of a branch for single fixtures: its size, and what governs it.

    The least one that no fixture's own drain passes and that carries the load at the least slope
    of its size; where the load table has no such size, what the fixtures ask for.

    Parameters
    ----------
    rules
        Rule set of the site.
    kinds
        Kinds of the single fixtures.

    Returns
    -------
    diameter
        m.
    reason
        What governs it.

    Examples
    --------
    >>> from sitegis.rules.rule_set import load_rules
    >>> size_m, governed_by = branch_size(load_rules("us-ipc"), ("lavatory",) * 22)
    >>> round(size_m / 0.0254), governed_by
    (3, 'its fixture units')
    """
    code = rules.plumbing
    least = {kind: code.fixtures[kind].drain_m for kind in kinds}
    if "water-closet" in least:
        least["water-closet"] = max(least["water-closet"], code.water_closet.least_m)
    if "floor-drain" in least:
        least["floor-drain"] = max(least["floor-drain"], FLOOR_DRAIN_M)
    widest = max(least, key=lambda kind: least[kind])
    enough = [one for one in SIZES_M if at_least(one, least[widest], MATTERS_M)]
    load = code.load(kinds)
    # the least that carries the load, or the last size where the table has none
    for size_m in enough:
        most = code.loads.most(size_m, rules.least_slope(size_m).slope)
        if most is None or most >= load:
            break
    if size_m > enough[0]:
        return size_m, "its fixture units"
    if enough[0] > SIZES_M[0]:
        return size_m, f"the {widest.replace('-', ' ')}"
    return size_m, "the least size under a floor"


def least_size(plumbing: Plumbing, kinds: tuple[str, ...], slope: float) -> float | None:
    """Return the least pipe that carries fixtures at a slope, None where the table has none.

    No closet drains into a pipe under the closet's own least size.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    kinds
        Kinds of the single fixtures.
    slope
        Fall per run.

    Returns
    -------
    float | None
        Inside diameter, m.
    """
    load, rule = plumbing.load(kinds), plumbing.water_closet
    floor_m = rule.least_m if "water-closet" in kinds else 0.0
    for size_m, *_ in plumbing.loads.units:
        most = plumbing.loads.most(size_m, slope)
        if at_least(size_m, floor_m, MATTERS_M) and most is not None and most >= load:
            return size_m
    return None


def closets_check(
    plumbing: Plumbing, kinds: tuple[str, ...], diameter_m: float, unit: LengthUnit, what: str
) -> CodeCheck | None:
    """Count the water closets on a pipe of the least size; None where the code sets no limit.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    kinds
        Kinds of the single fixtures.
    diameter_m
        Inside diameter of the pipe, m.
    unit
        Unit of the site, in which lengths are shown.
    what
        Name of the pipe.

    Returns
    -------
    CodeCheck | None
        The check, None where the code sets no limit.
    """
    rule, many = plumbing.water_closet, kinds.count("water-closet")
    if rule.most is None or not many or diameter_m > rule.least_m + MATTERS_M:
        return None
    words = f"{many} on {what} of {size(diameter_m, unit)}; at most {rule.most} at this size"
    return _check(
        "water-closets",
        "Number of water closets",
        "met" if many <= rule.most else "not met",
        words,
        rule.most_section,
        sure=rule.sure,
    )


def closet_check(plumbing: Plumbing, diameter_m: float, unit: LengthUnit) -> CodeCheck:
    """Hold the drain of a water closet against its least size.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    diameter_m
        Inside diameter of the pipe, m.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    CodeCheck
        The check.
    """
    rule = plumbing.water_closet
    enough = at_least(diameter_m, rule.least_m, MATTERS_M)
    return _check(
        "water-closet-drain",
        "Size for a water closet",
        "met" if enough else "not met",
        f"{size(diameter_m, unit)}; at least {size(rule.least_m, unit)}",
        rule.section,
        sure=rule.sure,
    )


def cleanout_check(
    plumbing: Plumbing,
    spacing_m: float,
    length_m: float,
    turns_deg: Sequence[float],
    unit: LengthUnit,
) -> CodeCheck:
    """Count the cleanouts that a run's length and turns ask for.

    One for each started ``spacing_m``; by turns one where a turn, or their sum, passes the
    rule's angle. Turns of just the angle that stand side by side are a question for the authority.

    Parameters
    ----------
    plumbing
        Plumbing tables of the rule set.
    spacing_m
        Greatest distance between cleanouts, m.
    length_m
        Length of the run, m.
    turns_deg
        Its turns, degrees.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    CodeCheck
        The check.
    """
    rule = plumbing.cleanouts
    count = math.ceil(round(length_m / spacing_m, 6))
    turned = sum(turns_deg) if rule.total else max(turns_deg, default=0.0)
    # a hair, so that three turns of 45° are no more than 135°
    limit = math.inf if rule.turn_deg is None else rule.turn_deg + 1e-6
    by_turn, together = turned > limit, sum(turns_deg) > limit
    parts = [f"one for each {about(spacing_m, unit)} of run: {count}"]
    if by_turn:
        parts.append(f"one more for the turns ({turned:g}°)")
    elif together:
        parts.append(f"turns of {sum(turns_deg):g}° together: ask whether one more is wanted")
    return _check(
        "cleanout",
        "Cleanouts",
        "ask" if together and not by_turn else "asked",
        "; ".join(parts),
        rule.section,
        sure=rule.sure,
    )


def ejector_check(plumbing: Plumbing) -> CodeCheck:
    """Say what a fixture needs that cannot drain by gravity."""
    rule = plumbing.ejector
    return CodeCheck(
        "ejector",
        "Ejector",
        "asked",
        f"where it cannot drain by gravity: {rule.words} ({rule.section})",
        rule.section,
    )


def size(diameter_m: float, unit: LengthUnit) -> str:
    """Write a pipe's size.

    Parameters
    ----------
    diameter_m
        Inside diameter of the pipe, m.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The size as text.
    """
    return format_length(diameter_m, small_unit(unit), fraction=4)


def _check(
    code: str, name: str, verdict: Verdict, words: str, section: str, *, sure: bool
) -> CodeCheck:
    """Make a check; where the number is from memory nothing is met or not met by it."""
    if not sure and verdict in ("met", "not met"):
        verdict = "ask"
        words = f"{words}: compare with the adopted text"
    elif verdict in ("met", "not met"):
        words = f"{words}: {verdict}"
    return CodeCheck(code, name, verdict, f"{words} ({section})", section)
