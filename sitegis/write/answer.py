"""``answer.json``: the answer for machines; ``assets/answer.schema.json`` is its contract."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

import numpy as np

from ..dig.depths import routes_of
from ..evidence import item_label
from ..geometry import polyline
from ..geometry.frames import Array
from ..model.derived import ExitSpread, Flow, MainComparison, ProfileCheck, TapSpread
from ..model.doubts import Doubt, Measurement
from ..model.results import Exit, NextCheck, ScoredHypothesis
from ..model.survey import Survey
from ..numerics.intervals import central_intervals
from ..place.ellipse import point_regions
from ..place.report import adjustment_table
from .answer_branches import runs_and_branches
from .answer_digging import comparison_object, pit_object, tie_in_object, vacuum_hole_object
from .answer_intervals import azimuth_list, interval_list, place_object, region_list, tap_object
from .derive import find
from .found import do_next, finding_object, follow_object, status, stretches
from .numbers import by_unit, finite, json_bytes, members_of
from .profile import invert_samples, invert_under_slab
from .text import noise_scales

# Schema 2 says it in the trades' words; members of schema 1 stay beside their new names.
SCHEMA = 2


def answer_bytes(survey: Survey) -> bytes:
    """Write the answer as JSON (UTF-8, no NaN or infinity, no time of writing)."""
    return json_bytes(answer(survey))


def answer(survey: Survey) -> dict[str, Any]:
    """Gather the answer of a survey whose blocks are filled.

    Lengths are meters to 0.1 mm, positions lot coordinates and WGS 84 to 8 decimals,
    probabilities to six, those of the hypotheses with a sum of exactly 1; a number
    that does not exist (no route, no depth, an impossible hypothesis's evidence) is null.
    """
    survey = find(survey)
    site, scores, found = survey.site, survey.scores, survey.derived
    holes = {hole.rank: hole for hole in found.excavations}
    members: dict[str, Any] = {
        "schema": SCHEMA,
        "site": site.name,
        "crs": site.frame.crs,
        "crs_unit": site.frame.unit_name,
        "reference": _reference(survey),
        "units": site.units,
        "rule_set": {"name": survey.rules.name, "edition": survey.rules.edition},
        "seed": site.seed,
        "exit": _exit(survey, survey.exit, found.exit),
        "exit_from_inside": (
            None if survey.left_inside is None else _exit(survey, survey.left_inside, None)
        ),
        "line": _line(survey),
        "hypotheses": [_hypothesis(survey, scored) for scored in scores.hypotheses],
        "tap": _tap(survey, found.taps, survey.scores.hypotheses[0].hypothesis.main),
        "mains": [{**_main(row), "tap": _tap(survey, found.taps, row.main)} for row in found.mains],
        "pits": [pit_object(survey, pit, holes[pit.rank]) for pit in survey.dig.pits],
        "vacuum_holes": [vacuum_hole_object(survey, hole) for hole in survey.dig.vacuum_holes],
        "status": status(survey),
        "findings": [finding_object(survey, one) for one in scores.finds],
        "stretches": [
            {"from_m": finite(one.from_m), "to_m": finite(one.to_m), "class": one.evidence_class}
            for one in stretches(survey)
        ],
        "follow": [follow_object(one) for one in survey.dig.follow],
        "do_next": do_next(survey),
        "tie_ins": [tie_in_object(survey, one) for one in found.tie_ins],
        "profile_check": _profile_check(found.profile),
        "next_checks": [_check(check) for check in scores.next_checks],
        "flags": [dataclasses.asdict(notice) for notice in survey.notices],
        **_doubt(survey),
        "cautions": list(survey.rules.cautions),
        "assumptions": list(scores.assumptions),
        "comparison": comparison_object(survey),
        "adjustment": _adjustment(survey),
        "noise": [
            {
                "kind": scale.kind,
                "scale": finite(scale.median, 3),
                "low_95": finite(scale.low, 3),
                "high_95": finite(scale.high, 3),
            }
            for scale in noise_scales(survey)
        ],
        **runs_and_branches(survey),
    }
    return {key: by_unit(value, key) for key, value in members.items()}


def _place(survey: Survey, x_m: float, y_m: float) -> dict[str, float | None]:
    return place_object(survey.site.frame, x_m, y_m)


def _tap(survey: Survey, taps: tuple[TapSpread, ...], main: str | None) -> dict[str, Any] | None:
    """Return the tap on a main, null where no route reaches it."""
    tap = next((tap for tap in taps if tap.main.id == main), None)
    return None if tap is None else tap_object(survey.site.frame, tap, survey.site.units)


def _reference(survey: Survey) -> dict[str, Any]:
    """Say where on earth the coordinates hold: datums, epoch, operation to WGS 84, accuracy."""
    site = survey.site
    operation = site.frame.to_degrees
    return {
        "datum": site.frame.datum,
        "epoch": site.coordinate_epoch,
        "operation": operation.name or None,
        "operation_accuracy_m": operation.accuracy_m,
        "vertical_datum": site.vertical_datum or None,
        "slab_elevation_m": site.slab_elevation_m,
    }


def _doubt(survey: Survey) -> dict[str, Any]:
    """Return the other readings of the input, what settles them, and what nothing checks."""
    doubt = survey.doubted or Doubt((), (), None, 1.0, 0.0)
    return {
        "readings": [
            {
                **members_of(one, "id kind about words prior log_evidence"),
                "evidence": [
                    {"source": term.source, "nats": finite(term.nats)} for term in one.evidence
                ],
                "probability": finite(one.posterior),
                **_place(survey, one.x_m, one.y_m),
                "azimuth_deg": finite(survey.site.frame.azimuth_deg(one.angle_rad)),
                **members_of(one, "depth_m main moved_m deeper_m likely"),
            }
            for one in doubt.readings
        ],
        "doubt": {
            "p_as_stated": finite(doubt.posterior_stated),
            **members_of(doubt, "p_elsewhere p_unchecked"),
            "settle": None if doubt.settle is None else _measurement(doubt.settle),
        },
        "unchecked": [
            {
                **members_of(one, "about words check moved_m deeper_m"),
                "probability": finite(one.posterior),
                "makes_pits_miss": one.misses,
                "settle": None if one.settle is None else _measurement(one.settle),
            }
            for one in doubt.unchecked
        ],
    }


def _measurement(settle: Measurement) -> dict[str, Any]:
    """Return the measurement that settles the readings, and what each would give."""
    return {
        "words": settle.words,
        "from": settle.start,
        "to": settle.end,
        "expected": [
            {"reading": name, "distance_m": finite(value)}
            for name, value in zip(settle.readings, settle.expected_m, strict=True)
        ],
    }


def _exit(survey: Survey, penetration: Exit, spread: ExitSpread | None) -> dict[str, Any]:
    """Return an exit; that of the marks indoors alone has no intervals of its own."""
    frame = survey.site.frame
    members: dict[str, Any] = {
        **_place(survey, penetration.x_m, penetration.y_m),
        "azimuth_deg": finite(survey.site.frame.azimuth_deg(penetration.angle_rad)),
        "azimuth_sd_deg": finite(float(np.degrees(np.sqrt(penetration.covariance[2, 2])))),
        **members_of(
            penetration, "invert_m invert_sd_m depth_m depth_sd_m slope slope_sd slope_sd_ratio"
        ),
        "wall": penetration.side,
        "unseen_m": finite(penetration.unseen_m),
        "covariance": [[finite(float(v), 9) for v in row] for row in penetration.covariance],
        "components": [
            {
                **members_of(part, "weight turn_deg"),
                "marks_after_bend": part.marks_after,
                **_place(survey, part.x_m, part.y_m),
                "azimuth_deg": finite(survey.site.frame.azimuth_deg(part.angle_rad)),
                "wall": part.side,
                "unseen_m": finite(part.unseen_m),
                "covariance": [[finite(float(v), 9) for v in row] for row in part.covariance],
            }
            for part in penetration.mixture
        ],
    }
    if spread is not None:
        members["regions"] = region_list(frame, spread.place)
        members["intervals"] = {
            "azimuth_deg": azimuth_list(frame, spread.angle),
            "invert_m": interval_list(spread.invert),
            "depth_m": interval_list(spread.depth),
            "slope": interval_list(spread.slope),
        }
    return members


def _line(survey: Survey) -> list[dict[str, Any]]:
    """List the points of the drain where the fitted line passes them, upstream first.

    ``sd_m`` is the placed point's larger standard deviation, ``depth_m`` the fitted invert's
    depth below the floor there. ``regions`` are ellipses about the point as it was found.
    """
    drain, placement = survey.drain, survey.placement
    back_m = drain.length_m - drain.stations_m
    inverts, _ = invert_under_slab(survey, back_m)
    rows = []
    for index in np.argsort(drain.stations_m, kind="stable"):
        station = float(drain.stations_m[index])
        x, y = polyline.line_interpolate_point(drain.vertices, station).tolist()
        placed = placement.index(drain.point_ids[index])
        point, invert = placement.points[placed], float(inverts[index])
        below = invert_samples(survey, float(back_m[index]))
        rows.append(
            {
                "id": point.id,
                **_place(survey, x, y),
                "sd_m": finite(point.sd_major_m),
                "invert_m": finite(invert),
                "depth_m": finite(point.surface_elevation_m - invert),
                "station_m": finite(station),
                "regions": region_list(
                    survey.site.frame, point_regions(placement, placed, survey.site.noise)
                ),
                "intervals": {"invert_m": interval_list(central_intervals(*below))},
            }
        )
    return rows


def _hypothesis(survey: Survey, scored: ScoredHypothesis) -> dict[str, Any]:
    """Return one hypothesis; length, fall and arrival are posterior means over its routes.

    ``intervals`` are over the same routes, none where there are none.
    """
    hypothesis = scored.hypothesis
    samples, weights = routes_of(survey, scored), scored.weights
    numbers: dict[str, Array] = {}
    if scored.best is not None and samples is not None:
        falls = samples.inverts_m[:, 0] - samples.inverts_m[:, -1]
        numbers = {
            "length_m": samples.lengths_m,
            "fall_m": falls,
            "drop_at_main_m": samples.arrivals_m,
        }
    means = {name: finite(float(weights @ values)) for name, values in numbers.items()}
    members: dict[str, Any] = {
        **members_of(hypothesis, "id main way toward yard_side prior"),
        **members_of(scored, "probability log_evidence log_evidence_se"),
        "effective_samples": finite(scored.effective_samples, 1),
        "pareto_k": finite(scored.pareto_k, 3),
        "length_m": means.get("length_m"),
        "fall_m": means.get("fall_m"),
        "arrival_above_main_m": means.get("drop_at_main_m"),
        "drop_at_main_m": means.get("drop_at_main_m"),
        "evidence": [
            {
                "kind": item.item,
                "label": item_label(item.item, item.kind),
                **members_of(item, "bits words"),
            }
            for item in scored.contributions
        ],
    }
    if numbers:
        members["intervals"] = {
            name: interval_list(central_intervals(values, weights))
            for name, values in numbers.items()
        }
    return members


def _main(row: MainComparison) -> dict[str, Any]:
    """Return one main of the comparison; lengths are posterior means."""
    both = (row.speaks_for, row.speaks_against)
    pro, contra = ([f"{one.item}: {one.words}" for one in some] for some in both)
    return {
        **members_of(row, "main name toward probability best_way"),
        "best_hypothesis": row.best_way,
        "speaks_for": pro,
        "evidence_for": pro,
        "speaks_against": contra,
        "evidence_against": contra,
        **members_of(row, "length_m fall_m slope arrival_above_main_m"),
        "drop_at_main_m": finite(row.arrival_above_main_m),
        "cover_at_lot_line_m": finite(row.cover_m),
        **members_of(row, "private_m public_m opening ruled_out_by why_none"),
    }


def _profile_check(check: ProfileCheck) -> dict[str, Any]:
    return {
        **members_of(check, "diameter_m slope slope_sd least_slope section p_meets_least"),
        "full": _flow(check.full),
        "design": _flow(check.design),
        "sags": [members_of(sag, "low_point high_point rise_m sd_m") for sag in check.sags],
        "statements": list(check.statements),
    }


def _flow(flow: Flow) -> dict[str, float | None]:
    return {
        "velocity_m_s": finite(flow.velocity_m_s),
        "flow_m3_s": finite(flow.flow_m3_s, 9),
        "depth_ratio": finite(flow.depth_ratio),
    }


def _check(check: NextCheck) -> dict[str, Any]:
    return {
        **members_of(check, "check gain_bits"),
        "saving": finite(check.saving, 2),
        "cost": finite(check.cost, 2),
        "outcome_table": [
            {"outcome": outcome, "probability": finite(probability), "then": then}
            for outcome, probability, then in check.outcome_table
        ],
    }


def _adjustment(survey: Survey) -> dict[str, Any]:
    adjustment = survey.placement.adjustment
    return {
        **members_of(adjustment, "chi_square degrees_of_freedom chi_square_before"),
        "mirror_points": list(adjustment.mirror_points),
        "observations": [_rounded(row) for row in adjustment_table(adjustment)],
    }


def _rounded(row: Mapping[str, object]) -> dict[str, object]:
    return {key: finite(value) if isinstance(value, float) else value for key, value in row.items()}
