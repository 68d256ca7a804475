"""What the locator shows of the camera head: depth, nulls, tilt, distortion, noise.

The head is taken as a magnetic dipole lying along the pipe at depth d. All functions are pure.
"""

from __future__ import annotations

import numpy as np

from ..late_dataclass import dataclass
from ..model.site import Noise
from ..numerics.ordering import RATIO, in_steps
from ..numerics.poles import depth_of_nulls_m, depth_of_poles_m

DISTORTION_SIGMA = 2.576  # two-sided 1 %: one false alarm in a hundred checks


@dataclass(frozen=True, slots=True)
class HeadDepth:
    """Depth from the surface to the head, its repeatability, and what the checks said.

    ``horizontal_sd_m`` is the locator's horizontal repeatability at that depth. ``departure_m``
    is the largest disagreement found (0 where there was nothing to compare), by ``check``.
    """

    depth_m: float
    depth_sd_m: float
    horizontal_sd_m: float
    distorted: bool
    departure_m: float
    check: str


def read_head(
    depth_m: float | None,
    noise: Noise,
    *,
    depth_lifted_m: float | None = None,
    lift_m: float | None = None,
    null_spacing_m: float | None = None,
    poles_m: float = 0.0,
) -> HeadDepth | None:
    """Combine the depth reading, the lifted reading and the null spacing into one depth.

    Each reading's standard deviation is taken at the combined depth, not at the raw reading
    (a reading that is short by chance would otherwise weigh more). Locator depths carry the
    session's depth scale besides their repeatability; depth from nulls is geometry and carries
    the horizontal repeatability of the two nulls, d = (x₂ − x₁)/√2. Raising the locator by h
    must raise the reading by h: a departure beyond 2.576 standard deviations (judgment: 1 %
    false alarms) marks the point distorted and is added to its spread. None where there is
    neither a depth nor a null spacing. With ``poles_m`` both locator readings are those of two
    poles so far apart, and the nulls theirs (:mod:`sitegis.numerics.poles`).

    Parameters
    ----------
    depth_m
        Depth that the locator shows, m; None where not read.
    noise
        Stated noise of tape and locator.
    depth_lifted_m
        Depth shown with the locator raised, m; None where not read.
    lift_m
        How far it was raised, m; None where not read.
    null_spacing_m
        Distance between the nulls, m; None where not read.
    poles_m
        Distance between the sonde's poles, m; 0 is a point.

    Returns
    -------
    HeadDepth | None
        Depth with its standard deviation, None where nothing was read.
    """
    # a sonde with its poles apart shows another depth than a point dipole would: corrected first
    if depth_m is not None:
        depth_m = depth_of_poles_m(depth_m, poles_m)
    if depth_lifted_m is not None:
        depth_lifted_m = depth_of_poles_m(depth_lifted_m, poles_m)
    lifted = None
    if depth_lifted_m is not None and lift_m is not None:
        # the same depth by another reading: what a raised locator shows less the lift
        lifted = depth_lifted_m - lift_m
    nulls = None if null_spacing_m is None else depth_of_nulls_m(null_spacing_m, poles_m)
    readings = [value for value in (depth_m, lifted, nulls) if value is not None]
    if not readings:
        return None
    depth, spread = float(np.mean(readings)), 0.0
    for _ in range(3):  # weights depend on the depth only weakly: three passes settle it
        depth, spread = _combine((depth_m, lifted, nulls), depth, noise, lift_m or 0.0)
    checks = _departures(depth_m, lifted, nulls, depth, noise, lift_m or 0.0)
    # whole steps of the ratio, so that no processor picks another check
    worst = max(
        checks,
        key=lambda check: float(in_steps(abs(check[1]) / check[2], RATIO)),
        default=("", 0.0, 1.0),
    )
    distorted = abs(worst[1]) > DISTORTION_SIGMA * worst[2]
    # how far a distorted field shifts is not known: what it
    # disagrees by is taken as one more spread
    extra = abs(worst[1]) if distorted else 0.0
    # in order: depth, its sd, horizontal sd, distorted, departure and the check that found it
    return HeadDepth(
        depth,
        float(np.hypot(spread, extra)),
        float(np.hypot(noise.horizontal_sd_m(depth), extra)),
        distorted,
        worst[1],
        worst[0],
    )


def _combine(
    readings: tuple[float | None, float | None, float | None],
    depth: float,
    noise: Noise,
    lift_m: float,
) -> tuple[float, float]:
    """Weigh reading, lifted reading less the lift, and nulls: depth and its repeatability.

    Best linear combination with the covariance of the three: own parts on the diagonal, the
    session's depth scale common to the two locator readings. The repeatability given leaves
    the common part out, since later stages carry it for all points together.
    """
    raised = depth + lift_m
    own = np.array(
        [noise.depth_sd_m(depth), noise.depth_sd_m(raised), noise.horizontal_sd_m(depth)]
    )
    # the session's scale errs in proportion to the depth shown, and not at all in the nulls
    common = noise.session_depth_scale * np.array([depth, raised, 0.0])
    there = [i for i, value in enumerate(readings) if value is not None]
    values = np.array([value for value in readings if value is not None])
    covariance = np.diag(own[there] ** 2) + np.outer(common[there], common[there])
    # best linear mean of correlated readings: C⁻¹1, normalized
    weights = np.linalg.solve(covariance, np.ones(len(there)))
    # A reading whose weight is negative only cancels the common part: it is left out instead.
    weights = np.maximum(weights, 0.0) / np.maximum(weights, 0.0).sum()
    # own parts are independent of each other: their variances add by the squared weights
    return float(weights @ values), float(np.sqrt(weights**2 @ own[there] ** 2))


def _departures(
    reading: float | None,
    lifted: float | None,
    nulls: float | None,
    depth: float,
    noise: Noise,
    lift_m: float,
) -> list[tuple[str, float, float]]:
    """Return each check in words, its departure and the standard deviation of that departure."""
    checks = []
    repeat, scale = noise.depth_sd_m(depth), noise.session_depth_scale
    if reading is not None and lifted is not None:
        raised_repeat = noise.depth_sd_m(depth + lift_m)
        # of the scale only the lift's share is left in the difference
        spread = float(np.sqrt(repeat**2 + raised_repeat**2 + (scale * lift_m) ** 2))
        # the lift is already off the lifted reading: both should be equal
        checks.append(("lift", lifted - reading, spread))
    if reading is not None and nulls is not None:
        spread = float(
            # the nulls share nothing with the reading, so that the
            # whole scale stays in the difference
            np.sqrt(repeat**2 + (scale * depth) ** 2 + noise.horizontal_sd_m(depth) ** 2)
        )
        checks.append(("null spacing", nulls - reading, spread))
    return checks
