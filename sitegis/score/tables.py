"""Likelihood tables for evidence that is correlated: one table for what shares a cause.

Four causes are shared, so that repeating a rumour is not counted as hearing it anew:

* **practice** - builders of one block and decade mostly used one main. ``era``, ``neighbors`` and
  a permit drawing made from usual practice all speak of the practice, not of this lateral; the
  lateral follows the practice only with probability ``FOLLOWS_PRACTICE``. However many neighbors
  are asked, this bounds what they can say.
* **archive** - ``permit_drawing`` and ``tap_record`` come out of the same drawer. The drawer is
  wrong for this lot with one shared probability, which is a part of each item's own
  unreliability.
* **manhole** - ``dye`` and ``sound`` at one manhole share whether anything can be noticed there.
* **misses** - holes that showed nothing fail together now and then (:mod:`sitegis.finds.reweigh`).

Which cause an item has, and its numbers, stand with its kind in the package ``evidence``. What a
single dye, sound or connection record says of a route is its kind's likelihood; an item
that is alone of its cause counts exactly as there. Every number below is judgment, without a
source; a ``reliability`` given with an item takes the place of its default, and
:func:`sitegis.score.assumptions.list_assumptions` says what was used.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from ..evidence import AtManhole, FromArchive, OfPractice, SharedMiss, reliability_in_force
from ..finds.kinds import kind_of
from ..finds.reweigh import joint_miss_likelihood
from ..geometry.frames import Array
from ..model.results import Hypothesis, Routes
from ..model.site import Evidence, Main, Site
from ..routes.likelihoods import unlisted_log_likelihood

# judgment, no source, like all numbers here: how often a lateral follows its
# block, and how much of being wrong is shared
FOLLOWS_PRACTICE = 0.80
SHARED_ARCHIVE = 0.75
SHARED_MANHOLE = 0.50

Named = tuple[str, Any]  # an item of evidence by its name


def is_tabled(item: Evidence) -> bool:
    """Return whether an item shares its cause with others."""
    return kind_of(item).cause is not None


def tabled_log_likelihood(
    items: Sequence[Named], routes: Routes, site: Site, practice: Mapping[str, float]
) -> Array:
    """Return the joint log likelihood of all tabled items for each route sample.

    ln P = ln Σ_practice P(practice | main) P(era, neighbors | practice) P(archive items | practice,
    route) + Σ_manholes ln P(dye, sound there | route). ``practice`` is the prior of each listed
    main (sums to 1). Gives (m,) for ``m`` samples, (1,) where there are none (what depends on the
    place of the tap is then left out).

    Parameters
    ----------
    items
        Named items of evidence.
    routes
        Route samples of one hypothesis.
    site
        The site as read.
    practice
        Prior of each listed main, summing to 1.

    Returns
    -------
    Array
        Log likelihoods (m,), (1,) where there are no samples.
    """
    of_practice = list(_of_practice(items))
    # the sum over which main the block uses: items that all speak of it share one unknown
    mixed: Array | float = 0.0 if practice else 1.0
    for main_id, share in prior_given(routes.hypothesis, practice).items():
        main = main_by_id(site, main_id)
        joint = share
        for item, cause in of_practice:
            joint *= cause.likelihood(item, main, site)
        mixed = mixed + joint * _archive_likelihood(items, routes, main_id, site)
    total = np.zeros(max(routes.tap_stations_m.size, 1))
    total = total + np.log(mixed)
    # what an item says of the way, direct or by a side yard, is no matter of practice
    for item, cause in of_practice:
        total = total + np.log(cause.of_alternative(item, routes.hypothesis.way, site))
    for group in _by_manhole(items):
        total = total + np.log(_noticed(group, routes, site))
    return np.asarray(total + _missed(items, routes))


# ------------------------------------------------------------------------------- practice


def prior_given(hypothesis: Hypothesis, practice: Mapping[str, float]) -> dict[str, float]:
    """Return P(practice | where this lateral goes), by ``FOLLOWS_PRACTICE`` and the prior.

    Averaged over the prior of the hypotheses this gives ``practice`` back, so that no evidence
    says nothing.

    Parameters
    ----------
    hypothesis
        The route alternative.
    practice
        Prior of each listed main, summing to 1.

    Returns
    -------
    dict[str, float]
        Probabilities by main.
    """
    if hypothesis.main is None:
        return dict(practice)
    loose = 1.0 - FOLLOWS_PRACTICE
    return {
        main: loose * share + FOLLOWS_PRACTICE * (main == hypothesis.main)
        for main, share in practice.items()
    }


def _of_practice(items: Iterable[Named]) -> Iterator[tuple[Any, OfPractice[Any]]]:
    """Yield the items that speak of the practice; of a kind that counts once, the first."""
    counted = set()
    for _, item in items:
        cause = kind_of(item).cause
        # two eras of one house are one fact, not two
        if isinstance(cause, OfPractice) and not (cause.once and item.kind in counted):
            counted.add(item.kind)
            yield item, cause


# -------------------------------------------------------------------------------- archive


def _archive_likelihood(
    items: Sequence[Named], routes: Routes, block_main: str, site: Site
) -> Array | float:
    """Return P(permit drawings, connection records | practice, route), drawer right or wrong."""
    archive = [
        (name, item, cause, reliability_in_force(item.reliability, cause.reliability))
        for name, item in items
        if isinstance(cause := kind_of(item).cause, FromArchive)
    ]
    if not archive:
        return 1.0
    drawer = shared_reliability([reliability for *_, reliability in archive], SHARED_ARCHIVE)
    right: Array | float = drawer
    wrong = 1.0 - drawer
    for name, item, cause, reliability in archive:
        # P(right) = P(the drawer is right) × P(this item | so): a wrong drawer makes every item of
        # it wrong at once
        own = reliability / drawer
        if_wrong = cause.if_wrong(item, block_main, site)
        if_right = _archive_if_right(name, item, cause, routes, site)
        right = right * (own * if_right + (1.0 - own) * if_wrong)
        wrong = wrong * if_wrong
    return right + wrong


def shared_reliability(reliabilities: Sequence[float], share: float) -> float:
    """Return the probability that the common source is right.

    Of the best item's probability of being wrong, ``share`` lies with the common source.

    Parameters
    ----------
    reliabilities
        Reliability of each item that shares the source.
    share
        Share of the errors that lie with the source.

    Returns
    -------
    float
        Probability.

    Examples
    --------
    >>> shared_reliability([0.8, 0.6], 0.5)
    0.9
    """
    return 1.0 - share * (1.0 - max(reliabilities))


def _archive_if_right(
    name: str, item: Any, cause: FromArchive[Any], routes: Routes, site: Site
) -> Array | float:
    """Return P(item | it is right, route): a connection record's density is per meter of main.

    Stage ``routes`` gives a connection record as reliability · right + (1 − reliability) · wrong.
    """
    # an archive item that is right names the main that the lateral is on
    if item.main != routes.hypothesis.main:
        return 0.0
    if kind_of(item).on_route is None:
        return 1.0
    wrong = cause.if_wrong(item, item.main, site)
    reliability = reliability_in_force(item.reliability, cause.reliability)
    if routes.tap_stations_m.size == 0:
        # no route to measure from: even along the named main, which a wrong record also has to
        # name by chance
        return wrong * max(len(site.mains), 1)
    whole = np.exp(routes.log_likelihoods[name])
    # the route's likelihood is reliability × right + (1 − reliability) × wrong: solved for right
    return np.maximum(whole - (1.0 - reliability) * wrong, 0.0) / reliability


# -------------------------------------------------------------------------------- manhole


def _by_manhole(items: Iterable[Named]) -> list[list[Named]]:
    """Group what is noticed at manholes by manhole."""
    grouped: dict[str, list[Named]] = {}
    for name, item in items:
        if isinstance(kind_of(item).cause, AtManhole):
            grouped.setdefault(item.manhole, []).append((name, item))
    return list(grouped.values())


def _noticed(group: Sequence[Named], routes: Routes, site: Site) -> Array | float:
    """Return P(what was noticed at one manhole | route).

    Stage ``routes`` gives each item's probability p to be noticed. With probability w anything can
    be noticed there, w = 1 − ``SHARED_MANHOLE`` · (1 − best p); then item i is noticed with
    (pᵢ − (1 − w) fᵢ) / w, else only falsely, with fᵢ. Alone, an item keeps its p.
    """
    probabilities = [_notice_probability(name, item, routes, site) for name, item in group]
    # a part of the misses is common to all that is noticed at one manhole (the wrong cover, no
    # flow)
    works = 1.0 - SHARED_MANHOLE * (1.0 - np.max(probabilities, axis=0))
    alive, dead = works, 1.0 - works
    for (_, item), probability in zip(group, probabilities, strict=True):
        cause = _at_manhole(item)
        # so split that each item alone keeps its own probability: works × truly + (1 − works) ×
        # falsely
        truly = np.clip((probability - (1.0 - works) * cause.falsely) / works, 0.0, 1.0)
        noticed = cause.was_noticed(item)
        alive = alive * (truly if noticed else 1.0 - truly)
        dead = dead * (cause.falsely if noticed else 1.0 - cause.falsely)
    return np.asarray(alive + dead)


def _at_manhole(item: Any) -> AtManhole[Any]:
    cause = kind_of(item).cause
    assert isinstance(cause, AtManhole)
    return cause


def _notice_probability(name: str, item: Any, routes: Routes, site: Site) -> Array:
    """Return the probability (m,) that the item is noticed, from the likelihood of its outcome.

    Where a listed way has no route, half of its main is taken to lie upstream of the manhole.
    """
    if routes.hypothesis.main is None:
        outcome = np.exp(np.full(1, unlisted_log_likelihood(item, site)))
    elif routes.tap_stations_m.size == 0:
        return _notice_probability_without_routes(item, routes.hypothesis.main, site)
    else:
        outcome = np.exp(routes.log_likelihoods[name])
    return np.asarray(outcome if _at_manhole(item).was_noticed(item) else 1.0 - outcome)


def _notice_probability_without_routes(item: Any, main_id: str, site: Site) -> Array:
    """Return the probability (1,) to notice an item, the tap being anywhere on its main."""
    falsely, on_route = _at_manhole(item).falsely, kind_of(item).on_route
    assert on_route is not None
    if all(manhole.id != item.manhole for manhole in main_by_id(site, main_id).manholes):
        return np.full(1, falsely)
    given = reliability_in_force(item.reliability, on_route.default.reliability)
    # half of the main upstream of the manhole: halfway between seeing and a false yes
    return np.full(1, 0.5 * (given + falsely))


# --------------------------------------------------------------------------------- misses


def _missed(items: Iterable[Named], routes: Routes) -> Array | float:
    """Return ln P(no hole shows the pipe | route), all misses together.

    0 of a way without a route.
    """
    singles = [
        np.exp(routes.log_likelihoods[name])
        for name, item in items
        if isinstance(kind_of(item).cause, SharedMiss) and name in routes.log_likelihoods
    ]
    if not singles:
        return 0.0
    return np.asarray(np.log(joint_miss_likelihood(np.stack(singles))))


def main_by_id(site: Site, main_id: str) -> Main:
    """Find a main; KeyError where there is none.

    Parameters
    ----------
    site
        The site as read.
    main_id
        Id of the main.

    Returns
    -------
    Main
        The main.

    Raises
    ------
    KeyError
        No main has that id.
    """
    for main in site.mains:
        if main.id == main_id:
            return main
    raise KeyError(main_id)
