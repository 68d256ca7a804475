"""The dig card: what a crew needs at the curb, pit by pit, in its own language."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from ...dig.depths import best_route
from ...dig.excavation import LONGER, longer_values
from ...geometry import polyline
from ...geometry.frames import Array, wrap_degrees
from ...geometry.georeference import convergence_deg
from ...language import Language
from ...model.derived import Excavation
from ...model.dig_plan import Pit, TapeTie
from ...model.results import Hypothesis
from ...model.survey import Survey
from ...numerics.ordering import MATTERS_M, at_least, decimals, ordered
from ...pits.exposure import VACUUM_HOLE_M
from ...units import about, format_volume, percent, small_unit
from ..features import keep_out_features
from ..report.digging import Facts
from ..text import point_words, probability_after_misses

NEAR_M = 5.0
"""Other utilities and trees this near to a pit are named on its card (judgment)."""
NAMED_NEAR = 3
POINTS_OF_THE_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


def dig_card(survey: Survey, language: Language) -> dict[str, Any]:
    """Return the texts of the card: call first, what it is and how sure, then each pit.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    language
        The page's language.

    Returns
    -------
    dict[str, Any]
        Texts of the card.
    """
    say, first = language, survey.scores.hypotheses[0]
    flags = sum(notice.needs_person for notice in survey.notices)
    return {
        "call": say(survey.rules.call_first),
        "ticket": ticket_words(survey, say),
        "caution": say(survey.rules.pit_cautions[0]),
        "what": goal_words(survey, first.hypothesis, say),
        "percent": percent(first.probability).replace(" %", "\N{NO-BREAK SPACE}%"),
        "inferred": say("Inferred, not located: expose it by hand."),
        "flags": say("A person must look at: {count}", count=flags) if flags else "",
        "pits": [
            pit_card(survey, pit, hole, say)
            for pit, hole in zip(survey.dig.pits, survey.derived.excavations, strict=True)
        ],
        "no_pits": _no_pits(survey, say),
        "cautions": [say(caution) for caution in survey.rules.cautions],
        "say": say,
    }


def _no_pits(survey: Survey, say: Language) -> list[str]:
    """Return why no pit is proposed: where the pipe was seen, what following it takes."""
    if not survey.dig.follow:
        return [say("No place for a test pit was found: see the notices.")]
    lines = [say("The pipe was seen: no pit is left to dig. To follow it:")]
    for one in survey.dig.follow:
        values = {
            "find": one.find,
            "length": about(one.length_m, survey.site.units),
            "depth": about(one.depth_m, survey.site.units),
        }
        if one.to == "wall":
            lines.append(say("{length} from {find} to the wall, down to {depth}", **values))
        else:
            lines.append(say("{length} from {find} to the main, down to {depth}", **values))
    return lines


def ticket_words(survey: Survey, say: Language) -> str:
    """Return the one-call ticket's number and last day, empty where no number is given.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    str
        The phrase, empty without a ticket.
    """
    number, day = survey.site.record.ticket, survey.site.record.ticket_valid_until
    if not number:
        return ""
    if day is None:
        return say("One-call ticket {number}: its last valid day is not given", number=number)
    return say(
        "One-call ticket {number}, valid through {day}: past that day call again",
        number=number,
        day=day.isoformat(),
    )


def goal_words(survey: Survey, hypothesis: Hypothesis, say: Language) -> str:
    """Return where the lateral most likely goes: street, main and way.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    hypothesis
        The route alternative.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    str
        The phrase.
    """
    if not survey.site.mains:
        return say("Sewer lateral, to a main not on record")
    if hypothesis.main is None:
        return say("Sewer lateral: none of the mains on record fits well")
    main = next(main for main in survey.site.mains if main.id == hypothesis.main)
    where = say(
        "Sewer lateral, most likely to the main in {street} ({main})",
        street=main.street,
        main=main.id,
    )
    if hypothesis.yard_side is None:
        return where
    return f"{where}, {say(f'around the {hypothesis.yard_side} of the house')}"


def pit_card(survey: Survey, pit: Pit, hole: Excavation, say: Language) -> dict[str, Any]:
    """Return the texts of one pit: tapes, depths, what is near, protection, coordinates.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    hole
        What it takes to dig the pit.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    dict[str, Any]
        Texts of the pit.
    """
    unit = survey.site.units
    longitude, latitude = (
        float(value) for value in survey.site.frame.written_lonlat(np.array([pit.x_m, pit.y_m]))
    )
    return {
        "rank": pit.rank,
        "title": say("Pit {rank}", rank=pit.rank),
        "chance": _probability(survey, pit, say),
        "widens": _widens(pit, say),
        "tapes": [_tape(survey, tie, say) for tie in pit.ties[:2]],
        "check_tapes": [_tape(survey, tie, say) for tie in pit.ties[2:]],
        "expect": say(
            "Expect the invert {low} to {high} down (90 %)",
            low=about(pit.depth_05_m, unit),
            high=about(pit.depth_95_m, unit),
        ),
        "dig_to": say("dig to {depth}", depth=about(pit.depth_m, unit)),
        "near": near_words(survey, pit, say),
        "protection": _protection(survey, pit, hole, say),
        "statements": statements(survey, pit, hole, say),
        "facts": [*excavation_facts(survey, hole, say), vacuum_fact(survey, pit, say)],
        "surface": say(pit.surface),
        "cost": f"{pit.cost:,.0f} {survey.site.dig.currency}",
        "coordinates": f"{latitude:.8f}, {longitude:.8f}",
        "bearings": _bearings(survey, pit, say),
    }


def _widens(pit: Pit, say: Language) -> str:
    """Return which hole a pit widens or which pit it lengthens, empty for one of its own."""
    if pit.whole is not None:
        return say("Lengthen pit {rank}", rank=pit.whole.ranks[0])
    return say("Widen the hole of {find}", find=pit.extends) if pit.extends else ""


def _probability(survey: Survey, pit: Pit, say: Language) -> str:
    if pit.rank == 1:
        return say("{chance} to find the pipe", chance=percent(pit.p_hit))
    after = percent(probability_after_misses(survey, pit))
    return say("{chance}, if nothing is found before", chance=after)


def _tape(survey: Survey, tie: TapeTie, say: Language) -> dict[str, str]:
    return {
        "distance": about(tie.distance_m, survey.site.units),
        "from": say("from {point}", point=say(point_words(tie.from_name))),
    }


def near_words(survey: Survey, pit: Pit, say: Language) -> str:
    """Return what else is on record near a pit, the nearest first, up to 5 m away.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    str
        The sentence, empty where nothing is near.
    """
    ring, unit = shapely.Polygon(pit.ring), survey.site.units
    known = [
        (float(shapely.distance(ring, feature.geometry)), feature.properties)
        for feature in keep_out_features(survey.site.keep_outs)
    ]
    known = [row for row in known if not at_least(row[0], NEAR_M, MATTERS_M)]
    order = ordered([away for away, _ in known], MATTERS_M)
    named = [
        say(
            "{kind} ({name}) {distance} away",
            kind=say(str(known[i][1]["kind"])),
            name=known[i][1]["id"],
            distance=about(known[i][0], unit),
        )
        for i in order[:NAMED_NEAR]
    ]
    if named:
        return "; ".join(named)
    return say(
        "nothing on record within {distance}; records are incomplete", distance=about(NEAR_M, unit)
    )


def _protection(survey: Survey, pit: Pit, hole: Excavation, say: Language) -> str:
    """Return the protective system that the pit's depth asks for."""
    if not pit.needs_protection:
        return say(
            "Shallower than {depth}: shore it all the same where the ground may cave in",
            depth=about(survey.rules.protective_depth_m, survey.site.units),
        )
    if hole.sloped_m3 is None:
        return say("Protective system designed by an engineer; nobody enters before")
    if hole.sloped_fits:
        return say(
            "Shore it, shield it, or slope it {ratio}:1 (soil {soil}); nobody enters before",
            ratio=f"{survey.rules.trench_slopes[hole.soil]:g}",
            soil=hole.soil,
        )
    return say("Shore or shield it: no room here to slope the sides; nobody enters before")


def excavation_facts(survey: Survey, hole: Excavation, say: Language) -> Facts:
    """List the volumes of a pit, with vertical and with sloped sides.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    hole
        What it takes to dig the pit.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    Facts
        Names and volumes.
    """
    unit, ratio = survey.site.units, survey.rules.trench_slopes[hole.soil]

    def volume(in_ground_m3: float, loose_m3: float) -> str:
        return say(
            "{volume} in place, {heap} spoil (bulked volume)",
            volume=format_volume(in_ground_m3, unit),
            heap=format_volume(loose_m3, unit),
        )

    upright = volume(hole.vertical_m3, hole.spoil_m3)
    rows = [(say("Vertical sides, shored or shielded"), upright)]
    sloped = say("not allowed this deep without an engineer")
    if hole.sloped_m3 is not None and hole.sloped_spoil_m3 is not None:
        room = say("there is no room here: shore or shield it")
        fits = say("there is room") if hole.sloped_fits else room
        sloped = f"{volume(hole.sloped_m3, hole.sloped_spoil_m3)}; {fits}"
    soil = say("soil type {soil}", soil=hole.soil)
    rows.append((say("Sloped at {ratio}:1", ratio=f"{ratio:g}"), f"{sloped} ({soil})"))
    if hole.shielded_m3 is not None and hole.shielded_spoil_m3 is not None:
        lowest = about(survey.rules.shield_vertical_m, unit)
        shielded = volume(hole.shielded_m3, hole.shielded_spoil_m3)
        rows.append((say("Lowest {lowest} in a shield, sloped above", lowest=lowest), shielded))
    backfill = format_volume(hole.backfill_m3, unit)
    return [*rows, (say("Backfill"), say("{volume} of the vertical pit", volume=backfill))]


def vacuum_fact(survey: Survey, pit: Pit, say: Language) -> tuple[str, str]:
    """Say what a vacuum test hole at a pit's center would find and cost; nobody enters it.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    tuple[str, str]
        Name and sentence.
    """
    across = about(VACUUM_HOLE_M, small_unit(survey.site.units))
    return say("Or a vacuum test hole of {across} at its center", across=across), say(
        "finds the pipe with {chance}, {cost} with restoration; nobody enters it",
        chance=percent(pit.vacuum_p_hit),
        cost=f"{pit.vacuum_cost:,.0f} {survey.site.dig.currency}",
    )


def statements(survey: Survey, pit: Pit, hole: Excavation, say: Language) -> list[str]:
    """Return what the rule set asks of a pit, as ``dig`` chose it, in the language.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.
    hole
        What it takes to dig the pit.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    list[str]
        The sentences.
    """
    values = {"ratio": survey.rules.trench_slopes[hole.soil], "soil": hole.soil}
    ours = {
        row.words.format(**values): say(row.words, **values) for row in survey.rules.pit_statements
    }
    if pit.whole is not None:
        longer = longer_values(survey, pit, pit.whole)
        toward = longer["toward"]
        ours[LONGER.format(**longer)] = say(LONGER, **{**longer, "toward": say(toward)})
    return [ours.get(line, line) for line in hole.statements]


def _bearings(survey: Survey, pit: Pit, say: Language) -> list[str]:
    """Return the bearings at a pit from true north: of the first tapes, and of the pipe."""
    here = np.array([pit.x_m, pit.y_m])
    lines = [
        say(
            "From {point}: look {bearing}",
            point=say(point_words(tie.from_name)),
            bearing=compass(survey, here - np.array([tie.from_x_m, tie.from_y_m]), say),
        )
        for tie in pit.ties[:2]
    ]
    along = pipe_direction(survey, pit)
    if along is not None:
        lines.append(
            say("The pipe runs {bearing} there (inferred)", bearing=compass(survey, along, say))
        )
    return lines


def pipe_direction(survey: Survey, pit: Pit) -> Array | None:
    """Return the way (2,) downstream of the likeliest route through a pit, None without one.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.

    Returns
    -------
    Array | None
        Unit vector (2,) in the lot, None without a route.
    """
    for scored in survey.scores.hypotheses:
        route = best_route(survey, scored) if scored.hypothesis.id in pit.hypotheses else None
        if route is not None:
            line = route[0]
            nearest = int(polyline.line_locate_point(line, np.array([pit.x_m, pit.y_m]))[2])
            return np.asarray(line[nearest + 1] - line[nearest])
    return None


def compass(survey: Survey, direction: Array, say: Language) -> str:
    """Return a direction (2,) in the lot as whole degrees from true north, and its point.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    direction
        Direction (2,) in the lot.
    say
        Gives a phrase in the page's language.

    Returns
    -------
    str
        The phrase.
    """
    frame = survey.site.frame
    longitude, latitude = (float(v) for v in frame.to_lonlat(np.zeros(2)))
    grid = frame.azimuth_deg(float(np.arctan2(direction[1], direction[0])))
    true = wrap_degrees(grid + convergence_deg(frame.crs, longitude, latitude))
    whole = round(float(decimals(true, 3))) % 360
    return f"{whole}° {say(POINTS_OF_THE_COMPASS[round(whole / 45.0) % 8])}"
