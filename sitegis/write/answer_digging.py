"""What is dug and cut, as ``answer.json`` has it: pits, vacuum holes, tie-ins, what they cost."""

from __future__ import annotations

from typing import Any

from ..dig.excavation import sides_of
from ..geometry.frames import Array
from ..model.derived import CodeCheck, Excavation, TieIn
from ..model.dig_plan import DirectionComparison, LongerPit, Pit, TapeTie, VacuumHole
from ..model.survey import Survey
from ..pits.exposure import VACUUM_HOLE_M
from .answer_intervals import interval_list, place_object
from .numbers import finite, members_of


def pit_object(survey: Survey, pit: Pit, hole: Excavation) -> dict[str, Any]:
    """Return a proposed pit: place, P(hit), depths, ties, what it takes to dig it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    hole
        What it takes to dig the pit.

    Returns
    -------
    dict[str, Any]
        The object, ready for JSON.
    """
    return {
        "rank": pit.rank,
        **place_object(survey.site.frame, pit.x_m, pit.y_m),
        **members_of(pit, "p_hit p_hit_so_far depth_m depth_05_m depth_95_m volume_m3"),
        "cost": finite(pit.cost, 2),
        **members_of(pit, "surface needs_protection"),
        "ring": _ring(pit.ring),
        "ties": [_tie(tie) for tie in pit.ties],
        "intervals": {"depth_m": interval_list(pit.depth)},
        "vacuum_hole": {
            "across_m": VACUUM_HOLE_M,
            "p_hit": finite(pit.vacuum_p_hit),
            "cost": finite(pit.vacuum_cost, 2),
        },
        "extends": pit.extends or None,
        "longer_pit": None if pit.whole is None else _longer_pit(pit.whole),
        "excavation": _excavation(survey, hole),
    }


def _longer_pit(whole: LongerPit) -> dict[str, Any]:
    """Return the one pit that a pit makes of those it lengthens."""
    length, width = sides_of(whole.ring)
    return {
        "pits": list(whole.ranks),
        "ring": _ring(whole.ring),
        "length_m": finite(length),
        "width_m": finite(width),
        **members_of(whole, "depth_m volume_m3 p_hit"),
        "cost": finite(whole.cost, 2),
    }


def vacuum_hole_object(survey: Survey, hole: VacuumHole) -> dict[str, Any]:
    """Return a proposed vacuum test hole.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    hole
        The vacuum test hole.

    Returns
    -------
    dict[str, Any]
        The object, ready for JSON.
    """
    return {
        "rank": hole.rank,
        **place_object(survey.site.frame, hole.x_m, hole.y_m),
        "across_m": VACUUM_HOLE_M,
        **members_of(hole, "p_hit p_hit_so_far"),
        "cost": finite(hole.cost, 2),
        "surface": hole.surface,
        "ties": [_tie(tie) for tie in hole.ties],
    }


def _excavation(survey: Survey, hole: Excavation) -> dict[str, Any]:
    """Return a pit's quantities; volumes are in place but for the bulked spoil."""
    return {
        **members_of(hole, "soil depth_m vertical_m3 sloped_m3"),
        "sloped_ring": None if hole.sloped_ring is None else _ring(hole.sloped_ring),
        "sloped_fits": hole.sloped_fits,
        "spoil_loose_m3": finite(hole.spoil_m3),
        "spoil_bulked_m3": finite(hole.spoil_m3),
        "spoil_setback_ring": _ring(hole.spoil_ring),
        "sloped_spoil_loose_m3": finite(hole.sloped_spoil_m3),
        "sloped_spoil_bulked_m3": finite(hole.sloped_spoil_m3),
        "shielded_m3": finite(hole.shielded_m3),
        "shielded_spoil_loose_m3": finite(hole.shielded_spoil_m3),
        "shielded_spoil_bulked_m3": finite(hole.shielded_spoil_m3),
        "backfill_m3": finite(hole.backfill_m3),
        "statements": list(hole.statements),
        "cautions": list(survey.rules.pit_cautions),
    }


def tie_in_object(survey: Survey, one: TieIn) -> dict[str, Any]:
    """Return the planned branch of one fixture; the path runs from the fixture to the drain.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    one
        The planned tie-in.

    Returns
    -------
    dict[str, Any]
        The object, ready for JSON.
    """
    return {
        **members_of(one, "fixture name"),
        **place_object(survey.site.frame, one.x_m, one.y_m),
        "path": _ring(one.path),
        **members_of(
            one,
            "entry station_m diameter_m length_m slope slope_section needed_fall_m "
            "available_fall_m available_fall_sd_m p_gravity verdict",
        ),
        **({"joins": one.joins} if one.joins else {}),
        "slab_opening": _ring(one.opening),
        **members_of(one, "concrete_m2 concrete_m3 soil_m3"),
        "cautions": list(one.cautions),
        "checks": [check_object(check) for check in one.checks],
    }


def check_object(check: CodeCheck) -> dict[str, Any]:
    """Return what a code asks, with the number and its section."""
    return members_of(check, "code verdict words section")


def _tie(tie: TapeTie) -> dict[str, Any]:
    return {
        "from": tie.from_name,
        "x_m": finite(tie.from_x_m),
        "y_m": finite(tie.from_y_m),
        "distance_m": finite(tie.distance_m),
    }


def _ring(vertices: Array) -> list[list[float | None]]:
    """Return vertices (n, 2) in lot coordinates."""
    return [[finite(float(value)) for value in vertex] for vertex in vertices]


def comparison_object(survey: Survey) -> dict[str, Any]:
    """Return what digging is expected to cost in several ways, and the directions side by side."""
    dig = survey.dig
    directions = [_direction(survey, compared) for compared in dig.ways]
    return {
        "currency": survey.site.dig.currency,
        "expected_cost": finite(dig.expected_cost, 2),
        "expected_cost_straight": finite(dig.expected_cost_straight, 2),
        "guesses": [
            {
                **members_of(one, "by main"),
                **place_object(survey.site.frame, one.x_m, one.y_m),
                "p_hit": finite(one.p_hit),
                "cost": finite(one.cost, 2),
                "expected_cost": finite(one.expected_cost, 2),
            }
            for one in dig.guesses
        ],
        "cuts": [
            {
                "by": one.by,
                "main": one.main or None,
                "fixture": one.fixture or None,
                **place_object(survey.site.frame, one.x_m, one.y_m),
                "p_hit": finite(one.p_hit),
                "cost": finite(one.cost, 2),
                "expected_cost": finite(one.expected_cost, 2),
            }
            for one in dig.cuts
        ],
        "ways": directions,
        "directions": directions,
    }


def _direction(survey: Survey, compared: DirectionComparison) -> dict[str, Any]:
    """Return one direction, with the pit that best discriminates it from the others, or null."""
    pit = None
    if compared.ring is not None:
        pit = {
            **place_object(survey.site.frame, compared.x_m, compared.y_m),
            **members_of(compared, "p_if_so p_otherwise"),
        }
    return {
        **members_of(compared, "toward probability length_m depth_m"),
        "telling_pit": pit,
        "discriminating_pit": pit,
    }
