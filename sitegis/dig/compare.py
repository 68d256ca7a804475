"""Front against rear against side: the evidence for each, and which pit discriminates them."""

from __future__ import annotations

import numpy as np

from ..geometry import polyline
from ..geometry.frames import Array
from ..messages.catalog import notice_of
from ..messages.errors import Notice
from ..model.dig_plan import DirectionComparison, Pit
from ..model.results import Toward
from ..model.survey import Survey
from ..numerics.ordering import MATTERS_P, at_least, in_steps, largest, ordered
from ..pits.cost import rectangle_rings
from ..pits.exposure import Flags
from ..score.particles import lot_crossings
from .cloud import RouteCloud
from .hits import accumulate
from .pits import Field

# judgment, no source: what a pit must differ by to be named, and how probable a direction must be
TELLS = 0.05
WORTH_TELLING = 0.05


def compare_directions(survey: Survey, field: Field) -> tuple[DirectionComparison, ...]:
    """Compare the directions that have routes, the most probable first.

    For each, the pit (of the standard sizes, square to the lot) with the greatest difference
    between P(exposed | this way) and P(exposed | another way): a pit that says yes to one
    direction and no to the others, whatever it costs.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    field
        Rasters, dig area, ground and surfaces of the lot.

    Returns
    -------
    tuple[DirectionComparison, ...]
        One comparison for each direction.
    """
    toward_of = {one.hypothesis.id: one.hypothesis.toward for one in survey.scores.hypotheses}
    names = np.array([toward_of[name] for name in field.cloud.hypotheses], dtype=object)
    of_route = names[field.cloud.owner]
    directions: tuple[Toward, ...] = ("front", "rear", "side")
    every = [accumulate(kind.spans, field.cloud.weights) for kind in field.kinds]
    compared = [
        _one_direction(survey, field, toward, np.asarray(of_route == toward, bool), every)
        for toward in directions
        if (of_route == toward).any()
    ]
    order = ordered([found.probability for found in compared], MATTERS_P, descending=True)
    return tuple(compared[i] for i in order)


def _one_direction(
    survey: Survey, field: Field, toward: Toward, mine: Flags, every: list[Array]
) -> DirectionComparison:
    """Describe one direction against all others; ``every``: P(hit) of all routes, by pit size."""
    cloud = field.cloud
    probability = float(cloud.weights[mine].sum())
    # weights of the routes given this direction
    if_so = np.where(mine, cloud.weights, 0.0) / probability
    lengths = polyline.length(cloud.vertices)
    x, y, ring, yes, no = _telling_pit(field, mine, every)
    return DirectionComparison(
        toward=toward,
        probability=min(1.0, probability),
        length_m=float(if_so @ lengths),
        depth_m=_depth_at_lot_line(survey, cloud, if_so),
        x_m=x,
        y_m=y,
        ring=ring,
        p_if_so=yes,
        p_otherwise=no,
    )


def _telling_pit(
    field: Field, mine: Flags, every: list[Array]
) -> tuple[float, float, Array | None, float, float]:
    """Find the pit with the greatest P(exposed | way) − P(exposed | other ways).

    A pit in the street must tell twice as well as one on the lot: judgment. Of places that tell
    alike the frontmost is taken, of those the leftmost, of the smaller size first.
    """
    weights = field.cloud.weights
    probability, rest = float(weights[mine].sum()), float(weights[~mine].sum())
    # the smaller part is summed, the other is what is left of all
    few_mine = 2 * int(mine.sum()) < mine.size
    found: tuple[float, float, Array | None, float, float] = (np.nan, np.nan, None, 0.0, 0.0)
    most, centers = TELLS, field.grid.centers()
    for kind, all_routes in zip(field.kinds, every, strict=True):
        # sums are exact in any order, so that the rest of all is the rest to the bit
        few = accumulate(kind.spans, np.where(mine == few_mine, weights, 0.0))
        many = all_routes - few
        one, other = (few, many) if few_mine else (many, few)
        yes, no = one / probability, other / max(rest, 1e-12)
        tells = np.where(kind.open_cells, yes - no, 0.0) * np.where(field.on_lot, 1.0, 0.5)
        cell = largest(tells, MATTERS_P)
        if in_steps(tells.flat[cell], MATTERS_P) > in_steps(most, MATTERS_P):
            most, center = float(tells.flat[cell]), centers.reshape(-1, 2)[cell]
            ring = rectangle_rings(center[None], np.zeros(1), np.array([kind.size_m]))[0]
            p = min(1.0, float(yes.flat[cell])), max(0.0, float(no.flat[cell]))
            found = (float(center[0]), float(center[1]), ring, *p)
    return found


def _depth_at_lot_line(survey: Survey, cloud: RouteCloud, if_so: Array) -> float:
    """Return the mean depth of the invert where routes leave the lot (at the main if never)."""
    chosen = np.flatnonzero(if_so)
    vertices, inverts = cloud.vertices[chosen], cloud.inverts_m[chosen]
    there = lot_crossings(vertices, inverts, survey.site.lot.vertices)
    leaves = np.isfinite(there.run_m)
    xy = np.where(leaves[:, None], there.places, vertices[:, -1])
    invert = np.where(leaves, there.inverts_m, inverts[:, -1])
    return float(if_so[chosen] @ (survey.site.ground.elevation_m(xy) - invert))


def undecided_direction(
    survey: Survey, pits: tuple[Pit, ...], compared: tuple[DirectionComparison, ...]
) -> tuple[Notice, ...]:
    """Warn where the first pit exposes the pipe without showing which way it goes.

    Parameters
    ----------
    survey
        Survey whose earlier blocks are filled.
    pits
        Pits of the plan, in order.
    compared
        Comparisons of the directions.

    Returns
    -------
    tuple[Notice, ...]
        The notice, or none.
    """
    toward_of = {one.hypothesis.id: one.hypothesis.toward for one in survey.scores.hypotheses}
    open_ones = {one.toward for one in compared if at_least(one.probability, WORTH_TELLING)}
    if not pits:
        return ()
    met = {toward_of[name] for name in pits[0].hypotheses} & open_ones
    if len(met) < 2:
        return ()
    directions = " or ".join(sorted(str(one) for one in met))
    return (notice_of("pit-does-not-tell-the-way", "dig.pit-1", said=directions),)
