"""The adjustment as a table and as text, for the answer and the lateral record."""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy.special import chdtri

from ..model.results import AdjustedObservation, Adjustment, PlacedPoint
from ..numerics.ordering import RATIO, at_least
from ..numerics.statistics import ELLIPSE_95
from ..units import LengthUnit, format_length

Row = dict[str, str | float | bool | list[str] | None]


def adjustment_table(adjustment: Adjustment) -> tuple[Row, ...]:
    """Return one plain row per observation, ready for JSON.

    Lengths are meters; the minimum detectable error is None where nothing checks the
    observation. ``w`` and ``detectable_m`` are the names of the release before.
    """
    return tuple(
        {
            "name": item.name,
            "value_m": float(item.value_m),
            "sd_m": float(item.sd_m),
            "residual_m": float(item.residual_m),
            "redundancy": float(item.redundancy),
            "standardized_residual": float(item.w),
            "w": float(item.w),
            "minimum_detectable_error_m": _finite(item.detectable_m),
            "detectable_m": _finite(item.detectable_m),
            "inseparable": list(item.inseparable),
            "removed": item.removed,
            "proposal": item.proposal,
        }
        for item in adjustment.observations
    )


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def adjustment_lines(adjustment: Adjustment, units: LengthUnit) -> tuple[str, ...]:
    """Return the adjustment as lines: a summary, then what is checked, the worst first.

    Observations that nothing checks (redundancy below 0.001) are counted, not listed.

    Parameters
    ----------
    adjustment
        Result of the adjustment of tapes and ties.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    tuple[str, ...]
        The lines.
    """
    lines = (observation_line(item, units) for item in checked(adjustment))
    return (*summary_lines(adjustment), *lines)


def checked(adjustment: Adjustment) -> list[AdjustedObservation]:
    """Return the observations that something checks, those left out and the worst first."""
    # with r below 0.001 the residual is rounding; w of it would mean nothing
    found = [i for i in adjustment.observations if i.removed or i.redundancy >= 0.001]
    return sorted(found, key=lambda item: (not item.removed, -round(abs(item.w), 6)))


def summary_lines(adjustment: Adjustment) -> list[str]:
    """Return how many measurements there are and how they fit, and how many nothing checks."""
    free, count = adjustment.degrees_of_freedom, len(adjustment.observations)
    removed = sum(item.removed for item in adjustment.observations)
    before = f" ({adjustment.chi_square_before:.2f} before {removed} left out)" if removed else ""
    test = global_test(adjustment.chi_square, free)
    lines = [f"{count} measurements, {free} redundant; {test}{before}."]
    unchecked = count - len(checked(adjustment))
    if unchecked:
        subject = "1 measurement is" if unchecked == 1 else f"{unchecked} measurements are"
        lines.append(f"{subject} checked by no other.")
    return lines


def global_test(chi_square: float, degrees_of_freedom: int) -> str:
    """Say how the adjustment fits as a whole: two-sided, with its 95 % bounds.

    Parameters
    ----------
    chi_square
        Weighted sum of squared residuals.
    degrees_of_freedom
        Number of redundant observations.

    Returns
    -------
    str
        The sentence.

    Examples
    --------
    >>> global_test(0.21, 8)
    'global test: 0.21 with 8 degrees of freedom, 95 % bounds 2.18 to 17.53: better than the \
spreads stated allow'
    """
    if degrees_of_freedom <= 0:
        return "no global test: nothing is measured twice"
    # chdtri takes the probability above: 0.975 gives the lower bound
    low, high = (float(chdtri(degrees_of_freedom, p)) for p in (0.975, 0.025))
    verdict = "within"
    if not at_least(chi_square, low, RATIO):
        verdict = "better than the spreads stated allow"
    elif not at_least(high, chi_square, RATIO):
        verdict = "worse than the spreads stated allow"
    return (
        f"global test: {chi_square:.2f} with {degrees_of_freedom} degrees of freedom, 95 % bounds "
        f"{low:.2f} to {high:.2f}: {verdict}"
    )


def observation_line(item: AdjustedObservation, units: LengthUnit, *, state: bool = True) -> str:
    """Return one observation as a line; ``state`` says whether it was kept.

    Parameters
    ----------
    item
        The observation.
    units
        Unit of the site, in which lengths are shown.
    state
        Whether the line says that it was kept or left out.

    Returns
    -------
    str
        The line.
    """
    # directions are dimensionless: they are no lengths to be set in feet
    length = "m per m" not in item.name
    residual, detectable = (
        (_signed(value, units) if length else f"{value:+.4f}")
        for value in (item.residual_m, item.detectable_m)
    )
    kept = f"{'LEFT OUT' if item.removed else 'kept'}, " if state else ""
    twins = f"; inseparable from {', '.join(item.inseparable)}" if item.inseparable else ""
    looks = f"; looks like {item.proposal}" if item.proposal else ""
    return (
        f"{item.name}: {kept}residual {residual}, standardized residual {item.w:+.2f}, "
        f"redundancy {item.redundancy:.2f}, "
        f"minimum detectable error {detectable.lstrip('+')}{twins}{looks}"
    )


def _signed(value_m: float, units: LengthUnit) -> str:
    """Write a length with its sign; what rounds to nothing has none."""
    words = format_length(abs(value_m), units)
    if not any(digit in words for digit in "123456789"):
        return words
    return f"{'-' if value_m < 0 else '+'}{words}"


def point_lines(points: Sequence[PlacedPoint], units: LengthUnit) -> tuple[str, ...]:
    """Return the adjusted points as lines of a table: lot coordinates and 95 % ellipse.

    The semi-axes are 2.4477 standard deviations (chi-square with two degrees of freedom); the
    angle of the longer one is counter-clockwise from the front lot line.

    Parameters
    ----------
    points
        The adjusted points.
    units
        Unit of the site, in which lengths are shown.

    Returns
    -------
    tuple[str, ...]
        The lines, a heading first.
    """
    rows = [("point", "kind", "x", "y", "95 % ellipse: long", "short", "at")]
    for point in points:
        lengths = (
            point.x_m,
            point.y_m,
            ELLIPSE_95 * point.sd_major_m,
            ELLIPSE_95 * point.sd_minor_m,
        )
        x, y, long, short = (format_length(value, units) for value in lengths)
        angle = f"{math.degrees(point.major_angle_rad) % 180.0:.0f}°"
        rows.append((point.id, point.kind, x, y, long, short, angle))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return (
        "Points, x along the front lot line from its left end, y toward the rear:",
        *(
            "  ".join(f"{cell:<{w}}" for cell, w in zip(row, widths, strict=True)).rstrip()
            for row in rows
        ),
    )
