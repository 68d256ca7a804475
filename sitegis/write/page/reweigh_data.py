"""What the page carries to weigh anew: routes where something was dug, ln Z without some items."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np

from ...dig.cloud import RouteCloud, gather_cloud, unlisted_cloud
from ...dig.excavation import sides_of
from ...dig.plan import has_missed
from ...evidence import item_label
from ...finds.kinds import ACROSS_SD_M, DEPTH_SD_M, RIGHT, SHOWS
from ...finds.reweigh import COMMON_FAILURE, STRAY_BREADTH_M, STRAY_DEPTH_M
from ...geometry.frames import Array
from ...language import Language
from ...model.dig_plan import Pit
from ...model.survey import Survey
from ...numerics.ordering import MATTERS_M
from ...read.csv_tables import FINDING_COLUMNS
from ...score.weighed_site import NONE_LEFT_OUT, all_log_evidence, weigh_site
from ..numbers import finite

DIGITS = 4
PLACE_SD_M = 0.15
"""How well a pit taped from two corners, or a tap on the map beside it, is placed (judgment)."""
FEWEST_ROUTES = 100.0
"""Below this effective number of routes the page sends to the office (judgment)."""


def reweigh_data(survey: Survey, say: Language) -> dict[str, Any]:
    """Return routes, weights, pits, ground and constants for the page's own re-weighting.

    Lengths in meters, lot coordinates. The ground's error is folded into the inverts, one draw a
    route, so that a depth is held against the mapped ground without another. ``apart`` is, of
    each route, Π (1 − (1 − single) / (1 − c)) over the misses that are known already.
    ``unlisted`` has first straights of a lateral to no main on record, and its place in ``loose``.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    dict[str, Any]
        What the script needs, ready for JSON.
    """
    cloud = gather_cloud(survey)
    ground, drain = survey.site.ground, survey.site.drain_diameter_m
    loose = _loose(survey, cloud)
    return {
        "vertices": _numbers(cloud.vertices),
        "inverts": _numbers(cloud.inverts_m),
        "weights": [float(weight) for weight in cloud.weights],
        "owner": [int(owner) for owner in cloud.owner],
        "loose": loose,
        "unlisted": _unlisted(survey, [int(index) for index, _ in loose]),
        "apart": _apart(cloud) if has_missed(survey.site) else None,
        "diameter": drain,
        "angle": round(survey.site.building.angle_rad, 9),
        "spots": _numbers(ground.spots),
        "elevations": _numbers(ground.elevations_m),
        "pits": [_pit(survey, pit) for pit in survey.dig.pits],
        "shows": dict(SHOWS),
        "right": dict(RIGHT),
        "across_sd": {work: float(np.hypot(sd, PLACE_SD_M)) for work, sd in ACROSS_SD_M.items()},
        "depth_sd": DEPTH_SD_M,
        "common": COMMON_FAILURE,
        "stray_breadth": STRAY_BREADTH_M,
        "stray_depth": STRAY_DEPTH_M,
        "fewest": FEWEST_ROUTES,
        "columns": FINDING_COLUMNS,
        "unit": survey.site.units,
        "say": {words: say(words) for words in SAID},
    }


SAID = (
    "Found it", "Nothing here", "Pit {rank}", "Next: pit {rank}",
    "Depth to the invert, if measured", "Dug to", "Length", "Width", "Count it", "Close",
    "After what was dug (inferred, not located):",
    "No pit is left: send the lines to the office.",
    "Too few routes are left to go by: send it to the office.",
    "Lines for findings.csv, for the office:", "Take back the last", "Copy", "Share",
    "Not a length: {text}", "{chance} to find the pipe",
    "Layers", "Move map", "Measure", "Where am I",
)  # fmt: skip
"""The words of the page's tools and of what was dug; the English ones are their names."""


def _loose(survey: Survey, cloud: RouteCloud) -> list[list[float]]:
    """Return index and probability of the hypotheses without routes: a find there is stray."""
    return [
        [index, scored.probability]
        for index, scored in enumerate(survey.scores.hypotheses)
        if scored.probability > 0.0 and index not in cloud.owner
    ]


def _unlisted(survey: Survey, loose: list[int]) -> dict[str, Any] | None:
    """Return draws of ``unlisted`` as of routes, and its place in ``loose``; None without it."""
    cloud = unlisted_cloud(survey)
    if cloud.empty:
        return None
    return {
        "loose": loose.index(int(cloud.owner[0])),
        "vertices": _numbers(cloud.vertices),
        "inverts": _numbers(cloud.inverts_m),
        "apart": _apart(cloud),
    }


def _apart(cloud: RouteCloud) -> list[float]:
    if cloud.showing is None:  # of no routes
        return []
    # showing = (1 − c / L) / (1 − c), solved for L; apart = (L − c) / (1 − c)
    joint = COMMON_FAILURE / (1.0 - cloud.showing * (1.0 - COMMON_FAILURE))
    return [float(value) for value in (joint - COMMON_FAILURE) / (1.0 - COMMON_FAILURE)]


def _pit(survey: Survey, pit: Pit) -> dict[str, Any]:
    length, width = sides_of(pit.ring)
    sides = np.diff(pit.ring[:3], axis=0)
    # the longer side is the pit's length, of equal ones the first
    along = sides[int(np.hypot(*sides[1]) > np.hypot(*sides[0]) + MATTERS_M)]
    ground = float(survey.site.ground.elevation_m(np.array([pit.x_m, pit.y_m])))
    kept = survey.site.revisions[-1].pits if survey.site.revisions else ()
    # a pit keeps the name that a revision gave it
    same = (k.id for k in kept if np.hypot(k.x_m - pit.x_m, k.y_m - pit.y_m) < MATTERS_M)
    return {
        "id": next(same, ""),
        "x": round(pit.x_m, DIGITS),
        "y": round(pit.y_m, DIGITS),
        "angle": round(float(np.arctan2(along[1], along[0])), 6),
        "length": round(length, DIGITS),
        "width": round(width, DIGITS),
        "depth": round(pit.depth_m, DIGITS),
        "ground": round(ground, DIGITS),
        "cost": round(pit.cost, 2),
    }


def _numbers(values: Array) -> Any:
    return np.round(np.asarray(values, float), DIGITS).tolist()


MOST_ITEMS_TOGETHER = 6


def what_if_data(survey: Survey) -> dict[str, Any]:
    """Tabulate ln Z per hypothesis (in the order of the scores) for sets of left-out items.

    p(h) ∝ prior(h) · Z(h | items kept), so the page gives the program's own numbers. Up to six
    items: every set (64 at most); more: one item at a time. A key of ``log_evidence`` is the
    sum of 2^i over the left-out items i; null stands for ln 0.
    """
    weighed = weigh_site(survey.site, survey.routes, NONE_LEFT_OUT)
    ranked = survey.scores.hypotheses
    order = [
        next(i for i, r in enumerate(survey.routes) if r.hypothesis.id == scored.hypothesis.id)
        for scored in ranked
    ]
    counted = {item.item for item in ranked[0].contributions}
    names, kinds = weighed.names, {name: item.kind for name, item in weighed.items}

    most = len(names) if len(names) <= MOST_ITEMS_TOGETHER else 1
    table = {}
    for size in range(most + 1):
        for left_out in combinations(range(len(names)), size):
            key = sum(2**i for i in left_out)
            values = all_log_evidence(weighed, frozenset(names[i] for i in left_out))
            table[str(key)] = [finite(float(values[i]), 9) for i in order]
    return {
        "items": [
            {
                "name": name,
                "label": item_label(name, kinds.get(name, name)),
                "counted": name in counted,
            }
            for name in names
        ],
        "prior": [scored.hypothesis.prior for scored in ranked],
        "log_evidence": table,
    }
