"""Likelihood tables for evidence that is correlated: one table for what shares a cause.

Three causes are shared, so that repeating a rumour is not counted as hearing it anew:

* **habit** - builders of one block and decade mostly used one main. ``era``, ``neighbours`` and
  a permit drawing made from habit all speak of the habit, not of this lateral; the lateral
  follows the habit only with probability ``FOLLOWS_HABIT``. However many neighbours are asked,
  this bounds what they can say.
* **archive** - ``permit_drawing`` and ``tap_record`` come out of the same drawer. The drawer is
  wrong for this lot with one shared probability, which is a part of each item's own
  unreliability.
* **manhole** - ``dye`` and ``sound`` at one manhole share whether anything can be noticed there.

What a single dye, sound or tap record says of a route is stage ``routes``'s likelihood; an item
that is alone of its cause counts exactly as there. Every number below is judgement, without a
source; a ``reliability`` given with an item takes the place of its default, and
:func:`sitegis.score.assumptions.list_assumptions` says what was used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import comb
from typing import Literal

import numpy as np
from scipy.special import betaln

from .._evidence import Dye, Era, Evidence, Neighbours, PermitDrawing, Sound, TapRecord
from .._frames import Array
from .._results import Hypothesis, Routes
from .._site import Main, Site
from ..routes.evidence import (
    DEFAULTS,
    FALSE_HEARD,
    FALSE_SEEN,
    LEAST_BLOCK_M,
    reliability_in_force,
    unlisted_log_likelihood,
)

PERMIT_RELIABILITY = 0.80
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

Named = tuple[str, Evidence]


def tabled_log_likelihood(
    items: Sequence[Named], routes: Routes, site: Site, habit: Mapping[str, float]
) -> Array:
    """Give the joint log likelihood of all tabled items for each route sample.

    ln P = ln Σ_habit P(habit | main) P(era, neighbours | habit) P(archive items | habit, route)
    + Σ_manholes ln P(dye, sound there | route). ``habit`` is the prior of each listed main
    (sums to 1). Gives (m,) for ``m`` samples, (1,) where there are none (what depends on the
    place of the tap is then left out).
    """
    plain = [item for _, item in items]
    mixed: Array | float = 0.0 if habit else 1.0
    for main_id, share in habit_given(routes.hypothesis, habit).items():
        spoken = share * _habit_likelihood(plain, main_id, site)
        mixed = mixed + spoken * _archive_likelihood(items, routes, main_id, site)
    total = np.zeros(max(routes.tap_stations_m.size, 1))
    total = total + np.log(mixed)
    total = total + np.log(_way_likelihood(plain, routes.hypothesis, site))
    for group in _by_manhole(items):
        total = total + np.log(_noticed(group, routes, site))
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


def _habit_likelihood(items: Sequence[Evidence], habit_main: str, site: Site) -> float:
    """Give P(era, neighbours | habit)."""
    likelihood = 1.0
    for item in items:
        if isinstance(item, Neighbours):
            likelihood *= neighbours_likelihood(
                item.draining, item.asked, follows=item.main == habit_main
            )
    year = _year_built(items)
    alley = main_by_id(site, habit_main).kind == "alley"
    if year is not None and alley and not era_in_prior(site, "alley"):
        likelihood *= era_factor(year, ERA_ALLEY)
    return likelihood


def _year_built(items: Iterable[Evidence]) -> int | None:
    """Give the year of the first item of era; a house is built once."""
    return next((item.year_built for item in items if isinstance(item, Era)), None)


def neighbours_likelihood(draining: int, asked: int, *, follows: bool) -> float:
    """Give P(k of n neighbours drain to a main), Beta-binomial.

    The share of neighbours has mean ``NEIGHBOUR_MEAN`` where the main is the habit, 1 minus
    that where it is not, and the weight of ``NEIGHBOUR_STRENGTH`` neighbours.
    """
    mean = NEIGHBOUR_MEAN if follows else 1.0 - NEIGHBOUR_MEAN
    return beta_binomial(
        draining, asked, mean * NEIGHBOUR_STRENGTH, (1.0 - mean) * NEIGHBOUR_STRENGTH
    )


def beta_binomial(k: int, n: int, a: float, b: float) -> float:
    """Give P(k of n) for a share that is Beta(a, b): C(n, k) B(k + a, n − k + b) / B(a, b).

    >>> round(beta_binomial(1, 1, 3.0, 1.0), 12)
    0.75
    """
    return float(comb(n, k) * np.exp(betaln(k + a, n - k + b) - betaln(a, b)))


def era_factor(year_built: int, factors: tuple[float, float]) -> float:
    """Look up how much a habit was liked: before ``ERA_YEAR``, or later."""
    return factors[0] if year_built < ERA_YEAR else factors[1]


def era_in_prior(site: Site, key: Literal["alley", "side_yard"]) -> bool:
    """Tell whether the default prior already used the year built; it must not count twice."""
    return site.year_built is not None and getattr(site.priors, key) is None


def _way_likelihood(items: Sequence[Evidence], hypothesis: Hypothesis, site: Site) -> float:
    """Give P(era | way): side-yard runs belong to older houses."""
    if hypothesis.way != "side-yard" or era_in_prior(site, "side_yard"):
        return 1.0
    year = _year_built(items)
    return 1.0 if year is None else era_factor(year, ERA_SIDE_YARD)


# -------------------------------------------------------------------------------- archive


def _archive_likelihood(
    items: Sequence[Named], routes: Routes, habit_main: str, site: Site
) -> Array | float:
    """Give P(permit drawings, tap records | habit, route), the drawer right or wrong."""
    archive = [(name, item) for name, item in items if isinstance(item, PermitDrawing | TapRecord)]
    if not archive:
        return 1.0
    reliabilities = [archive_reliability(item) for _, item in archive]
    drawer = shared_reliability(reliabilities, SHARED_ARCHIVE)
    right: Array | float = drawer
    wrong = 1.0 - drawer
    for (name, item), reliability in zip(archive, reliabilities, strict=True):
        own = reliability / drawer
        if_wrong = archive_if_wrong(item, habit_main, site)
        if_right = _archive_if_right(name, item, routes, site)
        right = right * (own * if_right + (1.0 - own) * if_wrong)
        wrong = wrong * if_wrong
    return right + wrong


def archive_reliability(item: PermitDrawing | TapRecord) -> float:
    """Give the reliability of an archive item, its kind's default where none is given."""
    permit = isinstance(item, PermitDrawing)
    default = PERMIT_RELIABILITY if permit else DEFAULTS["tap_record"].reliability
    return reliability_in_force(item.reliability, default)


def shared_reliability(reliabilities: Sequence[float], share: float) -> float:
    """Give the probability that the common source is right.

    Of the best item's chance of being wrong, ``share`` lies with the common source.

    >>> shared_reliability([0.8, 0.6], 0.5)
    0.9
    """
    return 1.0 - share * (1.0 - max(reliabilities))


def _archive_if_right(
    name: str, item: PermitDrawing | TapRecord, routes: Routes, site: Site
) -> Array | float:
    """Give P(item | it is right, route): a tap record's density is per metre of main.

    Stage ``routes`` gives a tap record as reliability · right + (1 − reliability) · wrong.
    """
    if item.main != routes.hypothesis.main:
        return 0.0
    if isinstance(item, PermitDrawing):
        return 1.0
    wrong = archive_if_wrong(item, item.main, site)
    reliability = archive_reliability(item)
    if routes.tap_stations_m.size == 0:
        return wrong * max(len(site.mains), 1)
    whole = np.exp(routes.log_likelihoods[name])
    return np.maximum(whole - (1.0 - reliability) * wrong, 0.0) / reliability


def archive_if_wrong(item: PermitDrawing | TapRecord, habit_main: str, site: Site) -> float:
    """Give P(item | it is wrong, habit): another lot's tap, or a drawing made from habit."""
    anywhere = 1.0 / max(len(site.mains), 1)
    if isinstance(item, TapRecord):
        return anywhere / max(main_length_m(main_by_id(site, item.main)), LEAST_BLOCK_M)
    return PERMIT_FROM_HABIT * (item.main == habit_main) + (1.0 - PERMIT_FROM_HABIT) * anywhere


# -------------------------------------------------------------------------------- manhole


def _by_manhole(items: Iterable[Named]) -> list[list[tuple[str, Dye | Sound]]]:
    """Group dye and sound by manhole."""
    grouped: dict[str, list[tuple[str, Dye | Sound]]] = {}
    for name, item in items:
        if isinstance(item, Dye | Sound):
            grouped.setdefault(item.manhole, []).append((name, item))
    return list(grouped.values())


def _noticed(group: Sequence[tuple[str, Dye | Sound]], routes: Routes, site: Site) -> Array | float:
    """Give P(what was noticed at one manhole | route).

    Stage ``routes`` gives each item's chance p to be noticed. With probability w anything can
    be noticed there, w = 1 − ``SHARED_MANHOLE`` · (1 − best p); then item i is noticed with
    (pᵢ − (1 − w) fᵢ) / w, else only falsely, with fᵢ. Alone, an item keeps its p.
    """
    chances = [_notice_chance(name, item, routes, site) for name, item in group]
    works = 1.0 - SHARED_MANHOLE * (1.0 - np.max(chances, axis=0))
    alive, dead = works, 1.0 - works
    for (_, item), chance in zip(group, chances, strict=True):
        falsely = FALSE_SEEN if isinstance(item, Dye) else FALSE_HEARD
        truly = np.clip((chance - (1.0 - works) * falsely) / works, 0.0, 1.0)
        noticed = was_noticed(item)
        alive = alive * (truly if noticed else 1.0 - truly)
        dead = dead * (falsely if noticed else 1.0 - falsely)
    return np.asarray(alive + dead)


def was_noticed(item: Dye | Sound) -> bool:
    """Tell whether the dye was seen or the sound heard."""
    return item.seen if isinstance(item, Dye) else item.heard


def _notice_chance(name: str, item: Dye | Sound, routes: Routes, site: Site) -> Array:
    """Give the chance (m,) that the item is noticed, from the likelihood of its outcome.

    Where a listed way has no route, half of its main is taken to lie upstream of the manhole.
    """
    if routes.hypothesis.main is None:
        outcome = np.exp(np.full(1, unlisted_log_likelihood(item, site)))
    elif routes.tap_stations_m.size == 0:
        return _notice_chance_without_routes(item, routes.hypothesis.main, site)
    else:
        outcome = np.exp(routes.log_likelihoods[name])
    return np.asarray(outcome if was_noticed(item) else 1.0 - outcome)


def _notice_chance_without_routes(item: Dye | Sound, main_id: str, site: Site) -> Array:
    """Give the chance (1,) to notice an item, the tap being anywhere on its main."""
    falsely = FALSE_SEEN if isinstance(item, Dye) else FALSE_HEARD
    if all(manhole.id != item.manhole for manhole in main_by_id(site, main_id).manholes):
        return np.full(1, falsely)
    given = reliability_in_force(item.reliability, DEFAULTS[item.kind].reliability)
    return np.full(1, 0.5 * (given + falsely))


# ----------------------------------------------------------------------------------- mains


def main_by_id(site: Site, main_id: str) -> Main:
    """Find a main; KeyError where there is none."""
    for main in site.mains:
        if main.id == main_id:
            return main
    raise KeyError(main_id)


def main_length_m(main: Main) -> float:
    """Give the length of a main's line."""
    return float(np.linalg.norm(np.diff(main.line, axis=0), axis=1).sum())
