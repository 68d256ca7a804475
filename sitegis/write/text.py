"""The answer in plain words, in the site's units: for the screen, the map and the record."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from ..exit import exit_turns, straight_sd_rad, turn_words
from ..model.dig_plan import GuessedCut, GuessedDig, Pit, TapeTie
from ..model.results import Hypothesis, ScoredHypothesis
from ..model.survey import Survey
from ..numerics.noise_scale import NoiseScale
from ..numerics.ordering import MATTERS_M, smallest
from ..numerics.statistics import NORMAL_95
from ..units import LengthUnit, about, format_bearing, format_slope, percent

NEGLIGIBLE_RATIO = 0.9
WORTH_NAMING = 0.01
SURELY_STRAIGHT = 0.95  # from here on what the drain does before the wall goes without saying
OTHER = "other or not on record"
WORTH_SAYING = 0.5  # of what a finding saved
TELLS_BITS = 0.005  # what rounds to 0.00 bit tells nothing about which main


def reference_words(survey: Survey) -> str:
    """Say the datum, epoch, and how longitude and latitude come from it, with the accuracy."""
    frame, epoch = survey.site.frame, survey.site.coordinate_epoch
    operation = frame.to_degrees
    words = f"Datum: {frame.datum}, epoch {'not given' if epoch is None else f'{epoch:.2f}'}. "
    if not operation.name:
        return words + "Longitude and latitude are in the same datum (WGS 84)."
    known = "not stated" if operation.accuracy_m is None else f"{operation.accuracy_m:g} m"
    return words + f"Longitude and latitude: WGS 84 by {operation.name}, accuracy {known}."


def alternative_words(survey: Survey, hypothesis: Hypothesis) -> str:
    """Say in words where a hypothesis runs: to which main, and how it gets there.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    hypothesis
        The route alternative.

    Returns
    -------
    str
        The phrase.
    """
    if hypothesis.main is None:
        return OTHER
    main = next(main for main in survey.site.mains if main.id == hypothesis.main)
    target = f"the main in {main.street} ({main.id})"
    if hypothesis.way == "side-yard" and hypothesis.yard_side is not None:
        return f"{target}, around the {hypothesis.yard_side} of the house"
    return f"{target}, direct"


def short_name(survey: Survey, hypothesis: Hypothesis) -> str:
    """Name a hypothesis in a few words, for labels and bars.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    hypothesis
        The route alternative.

    Returns
    -------
    str
        The phrase.
    """
    if hypothesis.main is None:
        return OTHER
    if hypothesis.way == "side-yard" and hypothesis.yard_side is not None:
        return f"{hypothesis.main} around the {hypothesis.yard_side}"
    return f"{hypothesis.main} direct"


def join_sentence(survey: Survey) -> str:
    """Say which main the drain most likely joins, with the runner-up."""
    ranked = survey.scores.hypotheses
    first = ranked[0]
    if not survey.site.mains:
        return "No main is on record: which one the lateral joins is not known."
    if first.hypothesis.main is None:
        sentence = f"No route on record fits well: {percent(first.probability)} for {OTHER}."
    else:
        sentence = (
            f"The drain most likely joins {alternative_words(survey, first.hypothesis)} "
            f"({percent(first.probability)})."
        )
    if len(ranked) > 1 and ranked[1].probability >= WORTH_NAMING:
        second = alternative_words(survey, ranked[1].hypothesis)
        sentence += f" Next: {second} ({percent(ranked[1].probability)})."
    return sentence


def corner_words(survey: Survey) -> tuple[float, str]:
    """Return the distance (m) from the exit to the nearer end of its wall, and that end's name."""
    building, penetration = survey.site.building, survey.exit
    count = len(building.vertices)
    # corners of the house to its wall: wall i runs from corner i to the next
    at = np.array([penetration.x_m, penetration.y_m])
    ends = (penetration.wall_index, (penetration.wall_index + 1) % count)
    distances = [float(np.hypot(*(building.vertices[end] - at))) for end in ends]
    nearer = smallest(distances, MATTERS_M)
    # the two walls that meet there: one of front and rear, one of left and right name a corner
    sides = (building.sides[ends[nearer] - 1], building.sides[ends[nearer]])
    across = [side for side in sides if side in ("front", "rear")]
    along = [side for side in sides if side in ("left", "right")]
    if len(across) == 1 and len(along) == 1:
        return distances[nearer], f"{across[0]}-{along[0]} corner"
    return distances[nearer], f"nearer end of that {penetration.side} wall"


def wall_offset_words(survey: Survey) -> str:
    """Say how far along its wall the exit lies from the nearer end, with 95 %, and which end.

    Relative to the house: its place on the lot cancels, what is left is no less than the tape's.
    """
    penetration, building, unit = survey.exit, survey.site.building, survey.site.units
    distance, corner = corner_words(survey)
    start, end = np.roll(building.vertices, -penetration.wall_index, axis=0)[:2]
    along = (end - start) / np.hypot(*(end - start))
    # the house's place on the lot, alike in every direction, moves the wall along with the exit
    square = float(along @ penetration.covariance[:2, :2] @ along) - building.position_sd_m**2
    sd_m = np.sqrt(max(square, survey.site.noise.tape_sd_m(distance) ** 2))
    return f"{about(distance, unit)} ± {about(NORMAL_95 * sd_m, unit)} from the {corner}"


def heading_words(survey: Survey) -> str:
    """Return the grid bearing of the drain at the wall, no finer than it is known."""
    penetration = survey.exit
    bearing = format_bearing(round(survey.site.frame.azimuth_deg(penetration.angle_rad)))
    # minutes and seconds are 0 after rounding: they are left out
    whole = re.sub(r"0?(\d+)°.*\" ", r"\1° ", bearing)
    spread = max(1.0, np.degrees(NORMAL_95 * straight_sd_rad(penetration)))
    straight = "" if _surely_straight(survey) else " if straight on"
    return f"{whole} (± {spread:.0f}°{straight}, 95 %)"


def exit_sentence(survey: Survey) -> str:
    """Say where the drain leaves the building, how deep and which way."""
    penetration, site = survey.exit, survey.site
    unit, depth_unit = site.units, site.depth_units
    return (
        f"Wall penetration: {penetration.side} wall, {wall_offset_words(survey)}, "
        f"invert {about(penetration.depth_m, unit)} "
        f"± {about(NORMAL_95 * penetration.depth_sd_m, depth_unit)} below the ground outside "
        f"(both 95 %), heading "
        f"{heading_words(survey)}.{_turn_sentence(survey)}"
    )


def _turn_sentence(survey: Survey) -> str:
    """Say how probable a bend before the wall is, where it is worth naming and no flag says it."""
    flagged = any(notice.code == "exit-may-bend" for notice in survey.exit.notices)
    if flagged or _surely_straight(survey):
        return ""
    return f" Before the wall: {turn_words(survey.exit)}."


def _surely_straight(survey: Survey) -> bool:
    return exit_turns(survey.exit)["straight on"][0] >= SURELY_STRAIGHT


def slope_sentence(survey: Survey) -> str:
    """Say how it falls, and whether the marks or only practice say so."""
    penetration, unit = survey.exit, survey.site.units
    words = (
        f"It falls {format_slope(penetration.slope, unit)} there "
        f"(± {NORMAL_95 * penetration.slope_sd * 100:.1f} %, 95 %)."
    )
    if penetration.slope_sd_ratio > NEGLIGIBLE_RATIO:
        words += " The locate points hardly give the slope: this is common practice, not data."
    return words


def noise_scales(survey: Survey) -> tuple[NoiseScale, ...]:
    """Return the learned scales of the crew's noise: plan and depth, and the tape's where known."""
    tape = () if survey.placement.tape is None else (survey.placement.tape,)
    return (*survey.drain.noise, *tape)


def noise_words(survey: Survey) -> str:
    """Say how many times noisier than stated the crew measures, with 95 %."""
    return ", ".join(
        f"{scale.kind} {scale.median:.1f} ({scale.low:.1f}–{scale.high:.1f})"
        for scale in noise_scales(survey)
    )


def noise_is_learned(survey: Survey) -> bool:
    """Return whether the crew's noise is surely not as stated: a 95 % interval leaves 1 out."""
    return any(not scale.low <= 1.0 <= scale.high for scale in noise_scales(survey))


def noise_sentence(survey: Survey) -> str:
    """Say the learned noise in one sentence; empty where no scale is known."""
    words = noise_words(survey)
    return f"Noise, times that stated: {words}; 95 %." if words else ""


def pit_sentence(survey: Survey, pit: Pit) -> str:
    """Say where a pit goes, how deep, and what it is worth.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.

    Returns
    -------
    str
        The sentence.
    """
    unit = survey.site.units
    ties = tape_words(pit.ties, unit)
    where = f": {ties}" if ties else ""
    where = f", widening the hole of {pit.extends}{where}" if pit.extends else where
    where = f", lengthening pit {pit.whole.ranks[0]}{where}" if pit.whole else where
    probability = f"{percent(probability_after_misses(survey, pit))} to find the pipe"
    if pit.rank > 1:
        probability += " if it is not found before"
    return (
        f"pit {pit.rank}{where}; expect the invert {about(pit.depth_05_m, unit)} to "
        f"{about(pit.depth_95_m, unit)} down (90 %); {probability}"
    )


def probability_after_misses(survey: Survey, pit: Pit) -> float:
    """Return the probability that a pit finds the pipe where those before it did not.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pit
        The pit.

    Returns
    -------
    float
        Probability.
    """
    if pit.rank == 1:
        return pit.p_hit
    before = survey.dig.pits[pit.rank - 2].p_hit_so_far
    # P(hit here | missed before) from the growing sums
    return (pit.p_hit_so_far - before) / max(1.0 - before, 1e-12)


def tape_words(ties: Sequence[TapeTie], unit: LengthUnit) -> str:
    """Return the two tapes that give a place, each from where it is taped.

    Parameters
    ----------
    ties
        Ties to the place.
    unit
        Unit of the site, in which lengths are shown.

    Returns
    -------
    str
        The phrase.
    """
    return " and ".join(
        f"{about(tie.distance_m, unit)} from {point_words(tie.from_name)}" for tie in ties[:2]
    )


def point_words(name: str) -> str:
    """Say the name of a fixed point in words.

    >>> point_words("building:front-left"), point_words("R1:origin"), point_words("MH-1")
    ('the front-left building corner', 'the origin of R1', 'MH-1')
    """
    head, colon, tail = name.partition(":")
    if colon and head in ("building", "lot"):
        return f"the {tail} {head} corner"
    if colon and tail == "origin":
        return f"the origin of {head}"
    return name


def dig_sentence(survey: Survey) -> str:
    """Say where to dig first."""
    pits = survey.dig.pits
    if survey.dig.follow:
        return follow_sentence(survey)
    if not pits:
        return "No place for a test pit was found: see the notices."
    sentence = f"Dig first: {pit_sentence(survey, pits[0])}."
    if len(pits) > 1:
        sentence += (
            f" With {len(pits)} pits in order: {percent(pits[-1].p_hit_so_far)} to have found it."
        )
    return sentence


def follow_sentence(survey: Survey) -> str:
    """Say where the pipe was seen, and what following it from there takes."""
    site = survey.site
    parts = [
        f"{about(one.length_m, site.units)} from {one.find} to the {one.to} "
        f"({one.cost:,.0f} {site.dig.currency}, down to {about(one.depth_m, site.units)})"
        for one in survey.dig.follow
    ]
    return f"The pipe was seen: no pit is left to dig. Following it is {' or '.join(parts)}."


def worth_sentence(survey: Survey, *, cuts: bool = True) -> str:
    """Say what the marks are worth against guesses, or what findings saved; empty if neither.

    ``cuts`` adds what cutting the slab would cost.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    cuts
        Whether cutting the slab is said too.

    Returns
    -------
    str
        The sentence, empty without guesses or findings.
    """
    dig, currency = survey.dig, survey.site.dig.currency
    if dig.guesses:
        words = worth_words(dig.expected_cost, _named_guesses(dig.guesses), currency)
        if cuts and dig.cuts:
            by_marks, *guessed = dig.cuts
            words += " " + cut_words(by_marks.expected_cost, _named_guesses(guessed), currency)
        return words
    saved = [one for one in survey.scores.finds if one.worth >= WORTH_SAYING]
    if not saved:
        return ""
    listed = ", ".join(f"{one.finding.id} {one.worth:,.0f} {currency}" for one in saved)
    return f"Worth of what was dug or looked for, in digging saved since: {listed}."


def _named_guesses(guesses: Sequence[GuessedDig | GuessedCut]) -> list[tuple[str, float]]:
    """Name whose guess each is, with its expected cost; the owner's is also said where it is it."""
    nearest, *owner = guesses
    if owner and owner[0].main == nearest.main:
        return [(f"the owner's guess, the nearest main ({nearest.main})", nearest.expected_cost)]
    named = [(f"the nearest main ({nearest.main})", nearest.expected_cost)]
    return [*named, *((f"the owner's guess ({one.main})", one.expected_cost) for one in owner)]


def cut_words(cost: float, guesses: Sequence[tuple[str, float]], currency: str) -> str:
    """Say what opening the slab over the drain is expected to cost with the marks, and by guesses.

    Parameters
    ----------
    cost
        Expected cost with the points.
    guesses
        Words and expected cost of each guess.
    currency
        Currency of the site.

    Returns
    -------
    str
        The sentence.

    Examples
    --------
    >>> cut_words(700.0, [("a guess", 1900.0)], "USD")
    'Cutting the slab down to the drain: 700 USD with them, 1,900 by a guess.'
    """
    by = ", ".join(f"{guess:,.0f} by {name}" for name, guess in guesses)
    return f"Cutting the slab down to the drain: {cost:,.0f} {currency} with them, {by}."


def worth_words(cost: float, guesses: Sequence[tuple[str, float]], currency: str) -> str:
    """Say what finding the pipe is expected to cost with the marks, and by guesses.

    Parameters
    ----------
    cost
        Expected cost with the points.
    guesses
        Words and expected cost of each guess.
    currency
        Currency of the site.

    Returns
    -------
    str
        The sentence.

    Examples
    --------
    >>> worth_words(1400.0, [("a guess", 2100.0)], "USD")
    'Worth of the locate points: 1,400 USD to find the pipe with them, 2,100 or more by a guess.'
    """
    by = ", ".join(f"{guess:,.0f} or more by {name}" for name, guess in guesses)
    return f"Worth of the locate points: {cost:,.0f} {currency} to find the pipe with them, {by}."


def check_sentence(survey: Survey) -> str:
    """Say which check is worth most before digging, if any is."""
    checks = survey.scores.next_checks
    if not checks:
        return "No further check is proposed."
    best = checks[0]
    currency = survey.site.dig.currency
    if best.saving <= 0:
        looks = [check for check in checks if not check.is_dig]
        telling = max(looks, key=lambda check: check.gain_bits, default=best)
        # below what rounds to 0.00 bit a check tells nothing of mains
        named = telling.gain_bits >= TELLS_BITS
        more = f"; most informative about which main: {telling.check}" if named else ""
        return f"No check is worth its cost for where to dig{more}."
    tells = (
        "it bears on which main"
        if best.gain_bits >= TELLS_BITS
        else "it would not change which main, but pins the place"
    )
    return (
        f"One check first: {best.check} (expected to save {best.saving:,.0f} {currency}; {tells})."
    )


def is_negligible(bits: float) -> bool:
    """Return whether a weight of evidence is none that is worth a word."""
    return bool(np.isnan(bits) or abs(bits) < 0.05)


def contribution_words(bits: float) -> str:
    """Say a weight of evidence as a likelihood ratio.

    >>> contribution_words(2.0), contribution_words(-1.0), contribution_words(0.01)
    ('likelihood ratio 4.0 for', 'likelihood ratio 2.0 against', 'no evidence')
    """
    if is_negligible(bits):
        return "no evidence"
    side = "for" if bits > 0 else "against"
    # bits are logarithms to base 2; beyond 20 of them the words are the same
    odds = 2.0 ** min(abs(bits), 20.0)
    if odds >= 1000:
        return f"likelihood ratio over 1000 {side}"
    return f"likelihood ratio {odds:.{1 if odds < 100 else 0}f} {side}"


def likely_and_not(
    survey: Survey,
) -> tuple[tuple[ScoredHypothesis, ...], tuple[ScoredHypothesis, ...]]:
    """Part the hypotheses into those worth a line of their own and the rest."""
    ranked = survey.scores.hypotheses
    likely = tuple(s for i, s in enumerate(ranked) if i == 0 or s.probability >= WORTH_NAMING)
    return likely, ranked[len(likely) :]


def unlikely_words(unlikely: tuple[ScoredHypothesis, ...]) -> tuple[str, str]:
    """Say what the alternatives not worth a line hold together, and how many they are."""
    together = percent(sum(scored.probability for scored in unlikely))
    if len(unlikely) == 1:
        return together, "one more route alternative"
    return together, f"{len(unlikely)} more route alternatives together"


def hypothesis_line(survey: Survey, scored: ScoredHypothesis) -> str:
    """Return one line of the table of hypotheses.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    scored
        The hypothesis.

    Returns
    -------
    str
        The line.
    """
    return f"{percent(scored.probability):>10}  {alternative_words(survey, scored.hypothesis)}"
