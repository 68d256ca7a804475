"""What a hole costs and what closes the ground: for what a check may save and for the dig itself.

Lengths in metres; money in the site's currency.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ._frames import Array
from ._rules import RuleSet
from ._site import DigSettings, KeepOut

BEDDING_M = 0.15  # dug below the invert to see the pipe whole: judgement, no source
FOOTING_BELOW_SLAB_M = 0.30  # underside of a footing: common practice, no source


def pit_cost(
    area_m2: Array,
    depth_m: Array,
    surface_per_m2: Array | float,
    settings: DigSettings,
    rules: RuleSet,
) -> Array:
    """Price vertical-sided pits or trenches (c,): set-up + volume × rate + area × restoration.

    From the rule set's depth for a protective system on the whole volume takes the protected
    rate. The rates are the user's or defaults (judgement, no source).
    """
    protected = depth_m >= rules.protective_depth_m
    rate = np.where(protected, settings.per_m3_protected, settings.per_m3)
    return np.asarray(settings.setup + area_m2 * depth_m * rate + area_m2 * surface_per_m2)


def keep_out_shape(keep_out: KeepOut) -> BaseGeometry:
    """Give another utility or a tree as a point, line or area in lot coordinates.

    One point is a point; three or more are an area where the record says so; else a line.
    """
    points = np.atleast_2d(keep_out.points)
    if len(points) == 1:
        return shapely.Point(points[0])
    if keep_out.is_area and len(points) >= 3:
        return shapely.make_valid(shapely.Polygon(points))
    return shapely.LineString(points)
