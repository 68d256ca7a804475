"""Route-dependent evidence: names, what the proposal aims at, log-likelihoods.

What an item says stands with its kind in the package ``evidence``; items that depend on the
hypothesis alone (permit drawing, neighbors, era) are weighed in stage ``score``.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from ..evidence import Aim, CountTie, RouteSet
from ..finds.ground import log_shared
from ..finds.kinds import kind_of
from ..finds.records import Finding
from ..geometry.frames import Array
from ..model.site import Evidence, Main, Site
from ..model.survey import Survey

__all__ = ["aims_for", "count_tie", "item_names", "log_likelihoods", "unlisted_log_likelihood"]


def item_names(evidence: tuple[Evidence, ...]) -> tuple[str, ...]:
    """Name the items: the kind, then kind-2, kind-3 for further ones; findings by their id.

    >>> from sitegis.evidence import SurfaceSign
    >>> item_names((SurfaceSign(1.0, 2.0, 0.5), SurfaceSign(3.0, 2.0, 0.5)))
    ('surface_sign', 'surface_sign-2')
    """
    seen: Counter[str] = Counter()
    names = []
    for item in evidence:
        if isinstance(item, Finding):
            names.append(item.id)
            continue
        seen[item.kind] += 1
        names.append(item.kind if seen[item.kind] == 1 else f"{item.kind}-{seen[item.kind]}")
    return tuple(names)


def log_likelihoods(laid: RouteSet) -> dict[str, Array]:
    """Return log-likelihoods (m,) of every route-dependent item, by item name.

    Besides, what depths of several finds say together (:func:`sitegis.finds.ground.log_shared`).
    """
    evidence = laid.site.evidence
    alone = {
        # an impossible route has a weight of 1e-300, not a log of 0
        name: np.log(np.maximum(on_route.likelihood(item, laid), 1e-300))
        for name, item in zip(item_names(evidence), evidence, strict=True)
        if (on_route := kind_of(item).on_route) is not None
    }
    return alone | log_shared(laid.site, laid.vertices, laid.inverts_m, laid.lengths_m)


def unlisted_log_likelihood(item: Evidence, site: Site) -> float:
    """Return the log-likelihood of an item where the lateral runs in no listed way.

    A place or station is then as likely anywhere; dye and sound pass a manhole by chance.

    Parameters
    ----------
    item
        Item of evidence.
    site
        The site as read.

    Returns
    -------
    float
        Log likelihood.
    """
    on_route = kind_of(item).on_route
    return 0.0 if on_route is None else float(np.log(on_route.unlisted(item, site)))


def count_tie(survey: Survey) -> CountTie | None:
    """Tie cable counts to the exit from the drain's points that have one; None without any."""
    if survey.fitted is None or survey.placed is None or survey.penetration is None:
        return None
    drain, placed = survey.fitted, survey.placed
    runs = {run.id: run for run in survey.site.runs}
    trunk = next(iter(runs)) if survey.joined is None and runs else ""
    others = frozenset[str]() if survey.joined is None else frozenset(survey.joined.trunk_ids)
    # before the runs are joined the first one stands for the trunk
    trunk = trunk if survey.joined is None else survey.joined.trunk
    if trunk and runs[trunk].toward == "upstream":
        return None  # its footage counts from the other end
    gaps = []
    for name, station in zip(drain.point_ids, drain.stations_m, strict=True):
        count = placed.points[placed.index(name)].footage_m
        if count is not None and name not in others:
            # the footage at station 0 by this point: alike for all but for slack
            gaps.append(count - float(station))
    if not gaps:
        return None
    # the median, so that one count misread does not move it
    at_exit = float(np.median(gaps)) + drain.length_m + survey.penetration.unseen_m
    noise = survey.site.noise
    # judgment, no source: 10 cm for what the exit's own place along the drain is good to
    return CountTie(at_exit, float(np.hypot(noise.footage_floor_m, 0.1)))


def aims_for(site: Site, main: Main) -> tuple[Aim, ...]:
    """List the points that the evidence says the route to a main probably meets.

    Parameters
    ----------
    site
        The site as read.
    main
        The main.

    Returns
    -------
    tuple[Aim, ...]
        Points with their spread, m.
    """
    return tuple(aim for item in site.evidence for aim in kind_of(item).aims(item, site, main))
