"""Likelihood tables for evidence that is correlated: one table for what shares a cause.

Three causes are shared, so that repeating a rumour is not counted as hearing it anew:

* **habit** - builders of one block and decade mostly used one main. ``era``, ``neighbours`` and
  a permit drawing made from habit all speak of the habit, not of this lateral; the lateral
  follows the habit only with probability ``FOLLOWS_HABIT``. However many neighbours are asked,
  this bounds what they can say.
* **archive** - ``permit_drawing`` and ``tap_record`` come out of the same drawer. The drawer is
  wrong for this lot with one shared probability; part of each item's own unreliability.
* **manhole** - ``dye`` and ``sound`` at one manhole share whether anything can be noticed there.

Every number below is judgement, without a source; a ``reliability`` given with an item takes
the place of its default, and :func:`sitegis.score.assumptions.list_assumptions` says what was used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

import numpy as np
from scipy.stats import betabinom, norm

from .._evidence import Dye, Era, Evidence, Neighbours, PermitDrawing, Sound, TapRecord
from .._frames import Array
from .._results import Hypothesis, Routes
from .._site import Main, Manhole, Site

PERMIT_RELIABILITY = 0.80
TAP_RECORD_RELIABILITY = 0.85
TAP_RECORD_SD_M = 1.0
DYE_RELIABILITY = 0.92
DYE_MINUTES = 6.0
SOUND_RELIABILITY = 0.70
DYE_FALSE_ALARM = 0.01
SOUND_FALSE_ALARM = 0.05

FOLLOWS_HABIT = 0.80
NEIGHBOUR_MEAN = 0.85
NEIGHBOUR_STRENGTH = 4.0
PERMIT_FROM_HABIT = 0.50
SHARED_ARCHIVE = 0.75
SHARED_MANHOLE = 0.50

# Built before this year, then later: how much more (or less) often than where no year is known.
ERA_YEAR = 1950
ERA_ALLEY = (2.0, 0.5)
ERA_SIDE_YARD = (1.67, 0.33)

TABLED_KINDS = frozenset({"permit_drawing", "tap_record", "neighbours", "era", "dye", "sound"})


def tabled_log_likelihood(
    items: Sequence[Evidence], routes: Routes, site: Site, habit: Mapping[str, float]
) -> Array:
    """Give the joint log likelihood of all tabled items for each route sample.

    ln P = ln Σ_habit P(habit | main) P(era, neighbours | habit) P(archive items | habit, route)
    + Σ_manholes ln P(dye, sound there | route). ``habit`` is the prior of each listed main
    (sums to 1). Gives (m,) for ``m`` samples, (1,) where there are none (what depends on the
    place of the tap is then left out).
    """
    hypothesis, stations = routes.hypothesis, routes.tap_stations_m
    total = np.zeros(max(stations.size, 1))
    mixed = np.zeros_like(total)
    for main_id, share in habit_given(hypothesis, habit).items():
        spoken = share * _habit_likelihood(items, main_id, site)
        mixed = mixed + spoken * _archive_likelihood(
            items, hypothesis, stations, habit_main=main_id, site=site
        )
    with np.errstate(divide="ignore"):
        total = total + np.log(mixed)
        total = total + np.log(_way_likelihood(items, hypothesis, site))
        for manhole_items in _by_manhole(items):
            total = total + np.log(_noticed(manhole_items, hypothesis, stations, site))
    return np.asarray(total)


# ---------------------------------------------------------------------------------- habit


def habit_given(hypothesis: Hypothesis, habit: Mapping[str, float]) -> dict[str, float]:
    """Give P(habit | where this lateral goes): it follows with ``FOLLOWS_HABIT``, else by prior.

    Averaged over the prior of the hypotheses this gives ``habit`` back, so that no evidence
    says nothing.
    """
    if hypothesis.main is None:
        return dict(habit)
    loose = 1.0 - FOLLOWS_HABIT
    return {
        main: loose * share + FOLLOWS_HABIT * (main == hypothesis.main)
        for main, share in habit.items()
    }


def _habit_likelihood(items: Iterable[Evidence], habit_main: str, site: Site) -> float:
    """Give P(era, neighbours | habit)."""
    likelihood = 1.0
    for item in items:
        if isinstance(item, Neighbours):
            likelihood *= neighbours_likelihood(
                item.draining, item.asked, follows=item.main == habit_main
            )
        elif isinstance(item, Era):
            alley = main_by_id(site, habit_main).kind == "alley"
            if alley and not era_in_prior(site, "alley"):
                likelihood *= era_factor(item.year_built, ERA_ALLEY)
    return likelihood


def neighbours_likelihood(draining: int, asked: int, *, follows: bool) -> float:
    """Give P(k of n neighbours drain to a main), Beta-binomial.

    The share of neighbours has mean ``NEIGHBOUR_MEAN`` where the main is the habit, 1 minus
    that where it is not, and the weight of ``NEIGHBOUR_STRENGTH`` neighbours.
    """
    mean = NEIGHBOUR_MEAN if follows else 1.0 - NEIGHBOUR_MEAN
    a, b = mean * NEIGHBOUR_STRENGTH, (1.0 - mean) * NEIGHBOUR_STRENGTH
    return float(betabinom.pmf(draining, asked, a, b))


def era_factor(year_built: int, factors: tuple[float, float]) -> float:
    """Look up how much a habit was liked: before ``ERA_YEAR``, or later."""
    return factors[0] if year_built < ERA_YEAR else factors[1]


def era_in_prior(site: Site, key: Literal["alley", "side_yard"]) -> bool:
    """Tell whether the default prior already used the year built; it must not count twice."""
    return site.year_built is not None and getattr(site.priors, key) is None


def _way_likelihood(items: Iterable[Evidence], hypothesis: Hypothesis, site: Site) -> float:
    """Give P(era | way): side-yard runs belong to older houses."""
    if hypothesis.way != "side-yard" or era_in_prior(site, "side_yard"):
        return 1.0
    years = [item.year_built for item in items if isinstance(item, Era)]
    return float(np.prod([era_factor(year, ERA_SIDE_YARD) for year in years]))


# -------------------------------------------------------------------------------- archive


def _archive_likelihood(
    items: Sequence[Evidence],
    hypothesis: Hypothesis,
    stations: Array,
    *,
    habit_main: str,
    site: Site,
) -> Array:
    """Give P(permit drawings, tap records | habit, route), the drawer right or wrong."""
    archive = [item for item in items if isinstance(item, PermitDrawing | TapRecord)]
    if not archive:
        return np.ones(max(stations.size, 1))
    reliabilities = [archive_reliability(item) for item in archive]
    drawer = shared_reliability(reliabilities, SHARED_ARCHIVE)
    right, wrong = np.full(max(stations.size, 1), drawer), np.array(1.0 - drawer)
    for item, reliability in zip(archive, reliabilities, strict=True):
        own = reliability / drawer if drawer > 0.0 else 0.0
        if_wrong = _archive_wrong(item, habit_main, site)
        if_right = _archive_right(item, hypothesis, stations, site)
        right = right * (own * if_right + (1.0 - own) * if_wrong)
        wrong = wrong * if_wrong
    return np.asarray(right + wrong)


def archive_reliability(item: PermitDrawing | TapRecord) -> float:
    """Give the reliability of an archive item, its kind's default where none is given."""
    if item.reliability is not None:
        return item.reliability
    return PERMIT_RELIABILITY if isinstance(item, PermitDrawing) else TAP_RECORD_RELIABILITY


def shared_reliability(reliabilities: Sequence[float], share: float) -> float:
    """Give the probability that the common source is right.

    Of the best item's chance of being wrong, ``share`` lies with the common source.

    >>> shared_reliability([0.8, 0.6], 0.5)
    0.9
    """
    return 1.0 - share * (1.0 - max(reliabilities))


def _archive_right(
    item: PermitDrawing | TapRecord, hypothesis: Hypothesis, stations: Array, site: Site
) -> Array:
    """Give P(item | it is right, route): a tap record's density is per metre of main."""
    if item.main != hypothesis.main:
        return np.zeros(max(stations.size, 1))
    if isinstance(item, PermitDrawing):
        return np.ones(max(stations.size, 1))
    main, manhole = find_manhole(site, item.manhole)
    if stations.size == 0:
        return np.full(1, 1.0 / main_length_m(main))
    sd = TAP_RECORD_SD_M if item.sd_m is None else item.sd_m
    return np.asarray(norm.pdf(stations, manhole.station_m + item.distance_m, sd))


def _archive_wrong(item: PermitDrawing | TapRecord, habit_main: str, site: Site) -> float:
    """Give P(item | it is wrong, habit): another lot's tap, or a drawing made from habit."""
    anywhere = 1.0 / max(len(site.mains), 1)
    if isinstance(item, TapRecord):
        return anywhere / main_length_m(main_by_id(site, item.main))
    return PERMIT_FROM_HABIT * (item.main == habit_main) + (1.0 - PERMIT_FROM_HABIT) * anywhere


# -------------------------------------------------------------------------------- manhole


def _by_manhole(items: Iterable[Evidence]) -> list[list[Dye | Sound]]:
    """Group dye and sound by manhole."""
    grouped: dict[str, list[Dye | Sound]] = {}
    for item in items:
        if isinstance(item, Dye | Sound):
            grouped.setdefault(item.manhole, []).append(item)
    return list(grouped.values())


def _noticed(
    items: Sequence[Dye | Sound], hypothesis: Hypothesis, stations: Array, site: Site
) -> Array:
    """Give P(what was noticed at one manhole | route)."""
    passes = passes_manhole(hypothesis, stations, items[0].manhole, site)
    chances = [notice_chance(item) for item in items]
    works = shared_reliability(chances, SHARED_MANHOLE)
    dead, alive = 1.0, 1.0
    for item, chance in zip(items, chances, strict=True):
        false_alarm = DYE_FALSE_ALARM if isinstance(item, Dye) else SOUND_FALSE_ALARM
        noticed = item.seen if isinstance(item, Dye) else item.heard
        own = (chance - (1.0 - works) * false_alarm) / works if works > 0.0 else 0.0
        dead *= false_alarm if noticed else 1.0 - false_alarm
        alive *= own if noticed else 1.0 - own
    return np.asarray(passes * (works * alive + (1.0 - works) * dead) + (1.0 - passes) * dead)


def notice_chance(item: Dye | Sound) -> float:
    """Give the chance to notice water that does pass; dye needs time to arrive."""
    if isinstance(item, Sound):
        return SOUND_RELIABILITY if item.reliability is None else item.reliability
    full = DYE_RELIABILITY if item.reliability is None else item.reliability
    return float(full * -np.expm1(-max(item.waited_min, 0.0) / DYE_MINUTES))


def passes_manhole(hypothesis: Hypothesis, stations: Array, manhole_id: str, site: Site) -> Array:
    """Give P(the lateral's water passes a manhole): its tap lies upstream on the same main."""
    main, manhole = find_manhole(site, manhole_id)
    if hypothesis.main != main.id:
        return np.zeros(max(stations.size, 1))
    if stations.size == 0:
        return np.full(1, 0.5)
    return np.asarray(norm.cdf((manhole.station_m - stations) / main.line_sd_m))


# ----------------------------------------------------------------------------------- mains


def find_manhole(site: Site, manhole_id: str) -> tuple[Main, Manhole]:
    """Find a manhole and its main; KeyError where there is none."""
    for main in site.mains:
        for manhole in main.manholes:
            if manhole.id == manhole_id:
                return main, manhole
    raise KeyError(manhole_id)


def main_by_id(site: Site, main_id: str) -> Main:
    """Find a main; KeyError where there is none."""
    for main in site.mains:
        if main.id == main_id:
            return main
    raise KeyError(main_id)


def main_length_m(main: Main) -> float:
    """Give the length of a main's line."""
    return float(np.linalg.norm(np.diff(main.line, axis=0), axis=1).sum())
