"""The plan that stood before the last finding: what comes after it is never worse than that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from ..finds.records import Finding, Missed
from ..model.revisions import KeptPit
from ..model.site import Site
from ..numerics.ordering import MATTERS_M, at_least
from ..pits.cost import dug_holes, hole_of
from ..pits.exposure import Candidate, Places, weigh_pits
from ..score.search import CENT, cut_search, still_hidden
from .pits import EXTENSION_SETUP, Field

__all__ = ["never_worse", "still_standing", "weigh_standing"]


def still_standing(site: Site) -> tuple[KeptPit, ...]:
    """Return what is left to dig of the last kept answer that knew fewer findings, in its order.

    Empty where none was kept. What was dug at one of its pits, by its id or by its place, is left
    out.
    """
    findings = [item for item in site.evidence if isinstance(item, Finding)]
    known = {item.id for item in findings}
    for revision in reversed(site.revisions):
        if set(revision.findings) < known:
            return tuple(pit for pit in revision.pits if not _is_dug(pit, findings))
    return ()


def _is_dug(pit: KeptPit, findings: list[Finding]) -> bool:
    """Return whether something was dug at a pit, or over its middle."""
    middle = shapely.Point(pit.x_m, pit.y_m)
    return any(
        item.at_pit == pit.id or (item.has_hole and bool(shapely.intersects(hole_of(item), middle)))
        for item in findings
    )


def weigh_standing(field: Field, kept: tuple[KeptPit, ...]) -> tuple[Candidate, ...]:
    """Weigh pits of a kept plan on the present routes, where they stood, in their order.

    Each is dug as deep as the answer now asks for. One that touches a hole that missed widens it,
    one that touches a pit before it lengthens that, for a part of the set-up as ever. What may
    not be dug any more, or crosses no route, is left out.

    Parameters
    ----------
    field
        Rasters, dig area, ground and surfaces of the lot.
    kept
        Pits of the plan before.

    Returns
    -------
    tuple[Candidate, ...]
        The pits as they would be dug now.
    """
    holes = {o.id: hole_of(o) for o in dug_holes(field.site) if isinstance(o, Missed)}
    saved = (1.0 - EXTENSION_SETUP) * field.site.dig.setup
    made: list[Candidate] = []
    for pit in kept:
        place = Places(
            np.array([[pit.x_m, pit.y_m]]),
            np.array([pit.angle_rad]),
            np.array([[pit.length_m, pit.width_m]]),
        )
        weights = field.cloud.weights
        found = weigh_pits(field.site, field.rules, field.area, field.straights, weights, place)
        if not found:
            continue
        (one,), ring = found, shapely.Polygon(found[0].ring)
        near = [name for name, hole in holes.items() if ring.distance(hole) < MATTERS_M]
        before = [o for o in made if ring.distance(shapely.Polygon(o.ring)) < MATTERS_M]
        if near or before:
            extends, longer = (near[0], None) if near else ("", before[-1])
            one = replace(one, cost=one.cost - saved, extends=extends, lengthens=longer)
        made.append(one)
    return tuple(made)


def never_worse(
    field: Field,
    chosen: tuple[Candidate, ...],
    kept: tuple[KeptPit, ...],
    way_out: float,
    least: int,
) -> tuple[Candidate, ...]:
    """Return the chosen pits, or those of the plan before where going on with it costs less.

    Both are priced on the same routes, cut where ``way_out`` is cheaper, ``least`` pits at least.

    Parameters
    ----------
    field
        Rasters, dig area, ground and surfaces of the lot.
    chosen
        Pits ranked anew.
    kept
        Pits of the plan before that are still to be dug.
    way_out
        Cost of the search that always finds.
    least
        Least number of pits that is dug.

    Returns
    -------
    tuple[Candidate, ...]
        The cheaper plan; the new one unless the other saves a cent.
    """
    if not kept:
        return chosen
    standing = weigh_standing(field, kept)

    def price(pits: tuple[Candidate, ...]) -> float:
        hits = np.zeros((len(pits), field.cloud.weights.size), bool)
        for row, one in zip(hits, pits, strict=True):
            row[:] = one.exposed
        missed = still_hidden(tuple(range(len(pits))), hits, field.cloud.weights)
        costs = np.array([one.cost for one in pits])
        return cut_search(costs, missed, way_out, least=min(len(pits), least))[1]

    return standing if at_least(price(chosen) - price(standing), CENT) else chosen
