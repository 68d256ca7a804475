"""What one stage hands to the next, brought onto the lattices of :mod:`sitegis.numerics.ordering`.

So a stage starts from the same numbers to the bit, whatever processor the stage before it ran
on. The rule for a field is its name's: every field of the blocks that holds numbers is listed,
or ends in a unit that is (a test says which one is not).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from functools import cache, partial
from typing import Any

import numpy as np

from ..geometry.frames import LotFrame
from ..numerics.ordering import (
    ANGLE_RAD,
    COVARIANCE,
    FINE_M,
    LENGTH_M,
    LOG,
    RATIO,
    WEIGHT,
    on_lattice,
    share_out,
)
from .results import ScoredHypothesis
from .site import Building, Easement, Evidence, Ground, KeepOut, Lot, Main, Manhole, Site, Street
from .survey import Survey

AS_IT_IS = 0.0
"""The step of what is whole, or was given by the user."""
SHARED = -1.0
"""In place of a step: rows (..., n) of probabilities that are shared out, so that they sum to 1."""
STEPS: Mapping[str, float] = {
    # lot coordinates and elevations
    **dict.fromkeys(
        (
            "x_m", "y_m", "vertices", "inverts_m", "invert_m", "lengths_m", "arrivals_m",
            "tap_stations_m", "stations_m", "station_m", "offsets_m", "room_outlines",
            "ground_m", "surface_elevation_m", "from_x_m", "from_y_m", "unseen_m", "origin_m",
        ),
        LENGTH_M,
    ),
    **dict.fromkeys(
        (
            "covariance_m2", "mark_covariance_m2", "end_covariance", "covariance",
        ),
        COVARIANCE,
    ),
    # shapes of a size: their corners as they are written lie on the lattice of lengths
    **dict.fromkeys(("ring", "rings", "holes", "pieces"), FINE_M),
    "mean": RATIO,  # of the profile, (2,): invert and slope
    # of a fit that stops at a tolerance; x, y and angle of an end
    "Branch.probability": RATIO, "Crossing.probability": RATIO,
    **dict.fromkeys(("p_45", "p_90"), RATIO),
    "LineEnd.mean": 2.0**-18, "LineEnd.weight": 2.0**-18, "log_evidence_by_bends": 2.0**-10,
    "ProfileComponent.covariance": 2.0**-36, "DirectionComparison.probability": RATIO,
    **dict.fromkeys(("Pit.depth_m", "Pit.depth_05_m", "Pit.depth_95_m"), LENGTH_M),
    **dict.fromkeys(
        (
            "slope", "slope_sd", "slope_sd_ratio", "bend_share", "weight", "redundancy", "w",
            "chi_square", "chi_square_before", "cost", "saving", "expected_cost",
            "expected_cost_straight", "volume_m3", "gain_bits", "bits", "effective_samples",
            "p", "p_hit", "p_hit_so_far", "p_if_so", "p_otherwise", "routes_held", "taps_held",
            "vacuum_p_hit", "vacuum_cost",
            "outcome_table", "posterior", "posterior_stated", "p_elsewhere", "p_unchecked",
            "median", "low", "high", "mean_square", "locator_square",
            "drain_slopes", "pareto_k", "p_drain", "worth", "causes",
        ),
        RATIO,
    ),
    **dict.fromkeys(
        (
            "log_prior", "log_likelihoods", "log_evidence", "log_evidence_se",
            "log_practice", "nats",
        ),
        LOG,
    ),
    # together, so that they sum to 1: see _scores
    **dict.fromkeys(("weights", "probability"), AS_IT_IS),
    **dict.fromkeys(("prior", "level", "cell_m", "Routes.components"), AS_IT_IS),
    # of a city: lot lines, houses, posteriors; taps are in centimeters already
    **dict.fromkeys(
        (
            "Frontages.front", "Frontages.sure", "Rectangles.right", "Rectangles.rear",
            "Rectangles.front", "Habits.near",
        ),
        RATIO,
    ),
    **dict.fromkeys(
        (
            "gates", "Rectangles.centers", "Rectangles.low", "Rectangles.high", "yards_m",
            "on_main_m",
        ),
        LENGTH_M,
    ),
    **dict.fromkeys(
        ("Posterior.routes", "line_share", "main_share", "Habits.depths"), WEIGHT
    ),
    **dict.fromkeys(("Posterior.probability", "Posterior.walls"), SHARED),
    **dict.fromkeys(
        (
            "Edges.starts", "Edges.ends", "Samples.points", "Taps.station_m",
            "Taps.bounds_m", "Habits.behind", "Habits.aside", "Habits.beside",
        ),
        AS_IT_IS,
    ),
}  # fmt: skip
UNITS: Mapping[str, float] = {"_m": FINE_M, "_rad": ANGLE_RAD, "_deg": RATIO}
# of the site only what was computed; what was measured stays as it was given
OF_THE_SITE: Mapping[type, Mapping[str, float]] = {
    LotFrame: {
        "origin_easting_m": LENGTH_M,
        "origin_northing_m": LENGTH_M,
        "x_azimuth_deg": 2.0**-34,
        "combined_factor": 2.0**-44,
    },
    Lot: {"vertices": LENGTH_M},
    Building: {"vertices": LENGTH_M, "angle_rad": ANGLE_RAD},
    Street: {"row": LENGTH_M},
    Main: {"line": LENGTH_M, "inverts_m": LENGTH_M, "tap_stations_m": LENGTH_M},
    Manhole: {"x_m": LENGTH_M, "y_m": LENGTH_M, "station_m": LENGTH_M},
    KeepOut: {"points": LENGTH_M},
    Easement: {"ring": LENGTH_M},
    Ground: {"spots": LENGTH_M, "elevations_m": LENGTH_M},
    Evidence: {"x_m": LENGTH_M, "y_m": LENGTH_M},  # of every kind that has a place
}


BLOCKS = (
    "placed",
    "fitted",
    "joined",
    "penetration",
    "left_inside",
    "doubted",
    "sampled",
    "scored",
    "planned",
)


def hand_over(survey: Survey, before: Survey | None = None) -> Survey:
    """Return the survey with the numbers of every filled block on their lattices.

    Blocks that ``before`` holds too were handed over then, and are passed as they are.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    before
        Survey that the stage was given, None for the first stage.

    Returns
    -------
    Survey
        The survey on its lattices.
    """
    made = {name: getattr(survey, name) for name in BLOCKS}
    # the same object was rounded then: rounding again would change nothing and cost time
    new = {name: made[name] for name in BLOCKS if made[name] is not getattr(before, name, None)}
    return replace(survey, **{name: on_lattices(block) for name, block in new.items()})


def hand_over_site(survey: Survey) -> Survey:
    """Return the survey with the computed places of its site on the lattice of lengths."""
    return replace(survey, site=_site_part(survey.site))


def step_of(block: type, name: str) -> float | None:
    """Return the step of a block's field by its name, None where there is no rule for it.

    Parameters
    ----------
    block
        Type of the block.
    name
        Name of the field.

    Returns
    -------
    float | None
        Size of a step, None where there is no rule.
    """
    # the name within its record first, then the name anywhere
    step = STEPS.get(f"{block.__name__}.{name}", STEPS.get(name))
    if step is not None:
        return step
    return next((step for unit, step in UNITS.items() if name.endswith(unit)), None)


def on_lattices(value: Any) -> Any:
    """Return a record, or a tuple of them, with every number within it on its lattice."""
    if isinstance(value, tuple):
        parts = tuple(on_lattices(part) for part in value)
        # probabilities belong together: rounded one by one they would not sum to 1
        if parts and all(isinstance(part, ScoredHypothesis) for part in parts):
            return _scores(parts)
        return parts
    if not is_dataclass(value) or isinstance(value, type):
        return value
    changed = {}
    for name, step in _steps(type(value)):
        old = getattr(value, name)
        changed[name] = on_lattices(old) if step is None else _rounded(old, step)
    return type(value)(**changed)


@cache
def _steps(block: type) -> tuple[tuple[str, float | None], ...]:
    """Return the names of a block's fields, each with its step."""
    return tuple((field.name, step_of(block, field.name)) for field in fields(block))


def _rounded(value: Any, step: float) -> Any:
    """Round numbers, arrays, and what is made of them; anything else is passed."""
    if step == AS_IT_IS or isinstance(value, bool | int | str) or value is None:
        return value
    if isinstance(value, float | np.floating):
        return float(on_lattice(value, step))
    if isinstance(value, np.ndarray):
        return share_out(value) if step == SHARED else on_lattice(value, step)
    if isinstance(value, Mapping):
        return {key: _rounded(part, step) for key, part in value.items()}
    if isinstance(value, tuple):
        return tuple(map(partial(_rounded, step=step), value))
    return on_lattices(value)


def _scores(scored: tuple[ScoredHypothesis, ...]) -> tuple[ScoredHypothesis, ...]:
    """Share out the probabilities and each hypothesis's weights, so that both sum to 1."""
    probability = share_out([one.probability for one in scored])
    return tuple(
        replace(one, probability=float(p), weights=share_out(one.weights))
        for one, p in zip(scored, probability, strict=True)
    )


def _site_part(value: Any) -> Any:
    """Round the computed places within a site."""
    if isinstance(value, tuple):
        return tuple(_site_part(part) for part in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    # findings and evidence of every kind share the places' rule
    steps = OF_THE_SITE.get(Evidence if isinstance(value, Evidence) else type(value), {})
    if not steps and not isinstance(value, Site | Main):
        return value
    return replace(
        value,
        **{
            field.name: _rounded(getattr(value, field.name), steps[field.name])
            if field.name in steps
            else _site_part(getattr(value, field.name))
            for field in fields(value)
        },
    )
