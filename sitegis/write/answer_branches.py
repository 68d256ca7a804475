"""The part of ``answer.json`` about several runs: how they join, each branch, what was seen."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..model.branches import Branch, Crossing, Wye
from ..model.derived import PipeLoad
from ..model.site import Observation, Run
from ..model.survey import Survey
from ..numerics.intervals import normal_intervals, normal_regions
from .answer_digging import check_object
from .answer_intervals import interval_list, place_object, region_list
from .numbers import finite, members_of


def runs_and_branches(survey: Survey) -> dict[str, Any]:
    """Return ``runs`` and ``branches`` of the answer; nothing of either where there are no runs."""
    members: dict[str, Any] = {}
    if survey.site.runs or survey.site.observations:
        members["runs"] = [_run(survey, run) for run in survey.site.runs]
        members["observations"] = [_observation(one) for one in survey.site.observations]
    if survey.joined is not None:
        joined = survey.joined
        members["branches"] = {
            "trunk": joined.trunk,
            "points_of_other_runs": list(joined.trunk_ids),
            "ways_to_join": [
                {"joins": dict(tree.joins), "probability": finite(tree.probability)}
                for tree in joined.topologies
            ],
            "branches": [_branch(survey, one) for one in joined.branches],
            "loads": [_load(one) for one in survey.derived.loads],
            "cross_connections": [_crossing(survey, one) for one in joined.crossings],
        }
    return members


def _run(survey: Survey, run: Run) -> dict[str, Any]:
    """Return a run as it was noted."""
    seen = run.joins
    return {
        **members_of(run, "id access toward system stopped stopped_at_m diameter_m"),
        "existing_fixtures": list(run.existing_fixtures),
        "joins": None if seen is None else members_of(seen, "run point side footage_m"),
        "points": [row.id for row in survey.site.locates if row.run == run.id],
    }


def _observation(one: Observation) -> dict[str, Any]:
    """Return what the camera saw."""
    return members_of(
        one, "run footage_m footage_to_m seen clock_from clock_to amount photo video_time note"
    )


def _branch(survey: Survey, one: Branch) -> dict[str, Any]:
    """Return one branch; ``vertices`` upstream first, lot coordinates, with the spread across."""
    checks = dict(survey.derived.branch_profiles)
    check = checks.get(one.id)
    return {
        **members_of(one, "id joins probability system"),
        "evidence_class": "inferred",
        "vertices": [
            {**place_object(survey.site.frame, float(x), float(y)), "sd_m": finite(float(sd))}
            for (x, y), sd in zip(one.vertices, one.vertex_sd_m, strict=True)
        ],
        "points": list(one.point_ids),
        "points_past_the_wye": list(one.shared_ids),
        **members_of(one, "slope slope_sd slope_sd_ratio"),
        "intervals": {"slope": interval_list(normal_intervals(one.slope, one.slope_sd))},
        "p_meets_least_slope": None if check is None else finite(check.p_meets_least),
        "sags": []
        if check is None
        else [members_of(sag, "low_point high_point rise_m sd_m") for sag in check.sags],
        "wye": None if one.wye is None else _wye(survey, one.wye),
    }


def _load(one: PipeLoad) -> dict[str, Any]:
    """Return what a stretch of pipe carries, with the checks of it."""
    return {
        **members_of(one, "run from_m to_m"),
        "carries": list(one.carries),
        "fixtures": list(one.fixtures),
        "runs_without_list": list(one.unlisted),
        "fixture_units": finite(one.units),
        **members_of(one, "diameter_m slope"),
        "checks": [check_object(check) for check in one.checks],
    }


def _wye(survey: Survey, wye: Wye) -> dict[str, Any]:
    """Return a wye with its covariance (x, y, invert; square meters)."""
    frame, invert_sd_m = survey.site.frame, float(np.sqrt(wye.covariance[2, 2]))
    center = np.array([wye.x_m, wye.y_m])
    return {
        **place_object(survey.site.frame, wye.x_m, wye.y_m),
        **members_of(wye, "radius_95_m invert_m"),
        "invert_sd_m": finite(invert_sd_m),
        "covariance": [[finite(float(value)) for value in row] for row in wye.covariance],
        **members_of(wye, "station_m station_sd_m footage_m turn_deg turn_sd_deg side p_45 p_90"),
        "regions": region_list(frame, normal_regions(center, wye.covariance[:2, :2])),
        "intervals": {
            "invert_m": interval_list(normal_intervals(wye.invert_m, invert_sd_m)),
            "station_m": interval_list(normal_intervals(wye.station_m, wye.station_sd_m)),
            "turn_deg": interval_list(normal_intervals(wye.turn_deg, wye.turn_sd_deg)),
        },
    }


def _crossing(survey: Survey, one: Crossing) -> dict[str, Any]:
    """Return where two systems meet and how probable it is that they are joined."""
    return {
        "runs": list(one.runs),
        **place_object(survey.site.frame, one.x_m, one.y_m),
        **members_of(one, "sd_m probability"),
    }
